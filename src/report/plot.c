/* Script and data of one picture. */
#include "report/plot.h"

#include "core/alloc.h"
#include "report/look.h"
#include "report/svg.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const int font_points[] = {11, 13, 15};

/* Numbers of ours in a script or a data file; NaN is a hole in the data. */
static void add_number(sm_text *t, double v)
{
    if (isfinite(v)) {
        sm_text_add_number(t, v, 7);
    } else {
        sm_text_add(t, "NaN");
    }
}

void sm_plot_open(sm_plot *p, const char *name, double height)
{
    *p = (sm_plot){.width = SM_PLOT_WIDTH, .height = height};
    (void)snprintf(p->name, sizeof p->name, "%s", name);
    sm_text_addf(&p->script,
                 "# Drawn from %s.dat by gnuplot. In this folder: gnuplot %s.gp\n"
                 "if (!exists(\"kind\")) { kind = \"svg\"; load \"%s.gp\"; kind = \"png\" }\n"
                 "if (kind eq \"png\") { set terminal pngcairo noenhanced size %g,%g fontscale 2 "
                 "linewidth 2 pointscale 2 font \"sans,10\" background \"#ffffff\" } else { set "
                 "terminal svg noenhanced size %g,%g font \"sans,13\" background \"#ffffff\" }\n"
                 "big = (kind eq \"png\" ? 0.77 : 1.0)\n"
                 "small_font = sprintf(\",%%g\", 11 * big)\n"
                 "normal_font = sprintf(\",%%g\", 13 * big)\n"
                 "bold_font = sprintf(\"sans:Bold,%%g\", 15 * big)\n"
                 "if (kind eq \"png\") { set output \"%s.png\" } else { set output \"%s.svg\" }\n"
                 "set encoding utf8\n"
                 "set multiplot\n",
                 name, name, name, 2 * p->width, 2 * height, p->width, height, name, name);
    sm_text_addf(&p->data, "# data of %s.gp: blocks parted by two empty lines\n", name);
}

void sm_plot_free(sm_plot *p)
{
    sm_text_free(&p->words);
    sm_text_free(&p->script);
    sm_text_free(&p->data);
    sm_text_free(&p->marks);
    sm_text_free(&p->hovers);
    sm_free(p->labels);
    *p = (sm_plot){0};
}

void sm_plot_clean(const char *s, char *out, size_t capacity)
{
    static const struct {
        char from;
        const char *to;
    } swaps[] = {{'"', "\u201d"}, {'\\', "\u2216"}, {'`', "\u2018"}, {'#', "\u266f"}};
    char inert[512];
    sm_text_inert(s, strlen(s), inert, sizeof inert < capacity ? sizeof inert : capacity);
    size_t o = 0;
    for (const char *c = inert; *c; c++) {
        char one[2] = {*c, '\0'};
        const char *piece = one;
        for (size_t i = 0; i < sizeof swaps / sizeof swaps[0]; i++) {
            piece = *c == swaps[i].from ? swaps[i].to : piece;
        }
        size_t n = strlen(piece);
        if (o + n + 1 > capacity) {
            break;
        }
        memcpy(out + o, piece, n);
        o += n;
    }
    out[o] = '\0';
    sm_text_inert(out, o, inert, sizeof inert); /* a character cut at the end becomes '?' */
    (void)snprintf(out, capacity, "%s", inert);
}

void sm_plot_title(sm_plot *p, const char *fmt, ...)
{
    char buf[400];
    va_list args;
    va_start(args, fmt);
    (void)vsnprintf(buf, sizeof buf, fmt, args);
    va_end(args);
    sm_plot_clean(buf, p->title, sizeof p->title);
    sm_plot_word_at(p, 14, p->height - 20, SM_LEFT, SM_BOLD, SM_INK, "%s", p->title);
}

void sm_plot_panel(sm_plot *p, const sm_panel *a)
{
    sm_text *t = &p->script;
    sm_text_add(t, "\nreset\nunset key\nset datafile separator \"\\t\"\n"
                   "set datafile missing \"-\"\n"
                   "set border 3 lc rgb \"" SM_MUTED "\" lw 0.8\n"
                   "set tics nomirror out scale 0.6 textcolor rgb \"" SM_INK "\"\n"
                   "set tics font small_font\n"
                   "set xtics offset character 0,(kind eq \"png\" ? 0.0 : 0.6)\n"
                   "set grid back lt 1 lc rgb \"" SM_GRID "\" lw 0.7\n"
                   "set style fill solid 1 noborder\n");
    sm_text_addf(t,
                 "set lmargin at screen %.6f\nset rmargin at screen %.6f\n"
                 "set bmargin at screen %.6f\nset tmargin at screen %.6f\n",
                 a->left / p->width, a->right / p->width, a->bottom / p->height,
                 a->top / p->height);
    if (a->log_x) {
        sm_text_add(t, "set logscale x\n");
    }
    if (a->log_y) {
        sm_text_add(t, "set logscale y\nset format y \"%g\"\n");
    }
    if (a->hide_x) {
        sm_text_add(t, "set format x \"\"\n");
    }
    sm_text_add(t, "set xrange [");
    add_number(t, a->x0);
    sm_text_add(t, ":");
    add_number(t, a->x1);
    sm_text_add(t, "]\nset yrange [");
    add_number(t, a->y0);
    sm_text_add(t, ":");
    add_number(t, a->y1);
    sm_text_add(t, "]\n");
}

static double along(double v, double v0, double v1, bool is_log)
{
    return is_log ? log(v / v0) / log(v1 / v0) : (v - v0) / (v1 - v0);
}

double sm_panel_x(const sm_panel *a, double x)
{
    return a->left + (a->right - a->left) * along(x, a->x0, a->x1, a->log_x);
}

double sm_panel_y(const sm_panel *a, double y)
{
    return a->bottom + (a->top - a->bottom) * along(y, a->y0, a->y1, a->log_y);
}

size_t sm_plot_block(sm_plot *p)
{
    if (p->n_blocks && !p->block_used) { /* gnuplot does not count an empty block */
        sm_text_add(&p->data, "NaN\tNaN\tNaN\tNaN\n");
    }
    sm_text_add(&p->data, p->n_blocks ? "\n\n" : "");
    p->block_used = false;
    return p->n_blocks++;
}

void sm_plot_row(sm_plot *p, size_t n, const double *v)
{
    p->block_used = true;
    for (size_t i = 0; i < n; i++) {
        sm_text_add(&p->data, i ? "\t" : "");
        add_number(&p->data, v[i]);
    }
    sm_text_add(&p->data, "\n");
}

void sm_plot_break(sm_plot *p)
{
    size_t n = p->data.n; /* never two in a row: that would end the block */
    if (p->block_used && n > 1 && !(p->data.s[n - 1] == '\n' && p->data.s[n - 2] == '\n')) {
        sm_text_add(&p->data, "\n");
    }
}

void sm_plot_say(sm_plot *p, const char *fmt, ...)
{
    char buf[1200];
    va_list args;
    va_start(args, fmt);
    (void)vsnprintf(buf, sizeof buf, fmt, args);
    va_end(args);
    sm_text_add(&p->script, buf);
}

static void add_word(sm_plot *p, const sm_plot_word *word)
{
    sm_plot_word *list = sm_grow(p->labels, p->n_labels, &p->labels_capacity, sizeof *p->labels);
    if (!list) {
        p->failed = true;
        return;
    }
    p->labels = list;
    p->labels[p->n_labels++] = *word;
}

void sm_plot_word_at(sm_plot *p, double x, double y, sm_plot_side side, sm_plot_size size,
                     const char *colour, const char *fmt, ...)
{
    sm_plot_word w = {.x = x, .y = y, .side = side, .size = size, .colour = colour};
    char buf[400];
    va_list args;
    va_start(args, fmt);
    (void)vsnprintf(buf, sizeof buf, fmt, args);
    va_end(args);
    sm_plot_clean(buf, w.text, sizeof w.text);
    add_word(p, &w);
}

void sm_plot_word_turned(sm_plot *p, double x, double y, sm_plot_side side, sm_plot_size size,
                         const char *colour, const char *fmt, ...)
{
    sm_plot_word w = {.x = x, .y = y, .side = side, .size = size, .turned = 90, .colour = colour};
    char buf[400];
    va_list args;
    va_start(args, fmt);
    (void)vsnprintf(buf, sizeof buf, fmt, args);
    va_end(args);
    sm_plot_clean(buf, w.text, sizeof w.text);
    add_word(p, &w);
}

void sm_plot_axis_names(sm_plot *p, const sm_panel *a, const char *x, const char *y)
{
    if (x) {
        sm_plot_word_at(p, (a->left + a->right) / 2, a->bottom - 38, SM_CENTER, SM_NORMAL, SM_INK,
                        "%s", x);
    }
    if (y) {
        sm_plot_word_turned(p, 18, (a->bottom + a->top) / 2, SM_CENTER, SM_NORMAL, SM_INK, "%s", y);
    }
}

void sm_plot_mark(sm_plot *p, double x0, double y0, double x1, double y1, const char *colour)
{
    sm_text_addf(&p->marks, "%.2f\t%.2f\t%.2f\t%.2f\t%ld\n", x0, y0, x1 - x0, y1 - y0,
                 sm_look_rgb(colour));
}

void sm_plot_hover(sm_plot *p, double x0, double y0, double x1, double y1, const char *fmt, ...)
{
    char buf[600];
    va_list args;
    va_start(args, fmt);
    (void)vsnprintf(buf, sizeof buf, fmt, args);
    va_end(args);
    if (x1 > x0 && y1 > y0) { /* false for NaN */
        sm_svg_hover(&p->hovers, x0, p->height - y1, x1 - x0, y1 - y0, buf);
    }
}

size_t sm_plot_hatch(sm_plot *p, const sm_panel *a, double x0, double x1, double y0, double y1,
                     bool rising)
{
    size_t block = sm_plot_block(p);
    double l = sm_panel_x(a, x0);
    double r = sm_panel_x(a, x1);
    double b = sm_panel_y(a, y0);
    double t = sm_panel_y(a, y1);
    double sx = (x1 - x0) / (r - l); /* hatching is only used on linear axes */
    double sy = (y1 - y0) / (t - b);
    double w = r - l;
    double h = t - b;
    for (double c = 7; c < w + h; c += 7) { /* the line u + v = c of the w x h rectangle */
        double u0 = c > h ? c - h : 0;
        double u1 = c < w ? c : w;
        double v0 = c - u0;
        double v1 = c - u1;
        double q0 = rising ? h - v0 : v0;
        double q1 = rising ? h - v1 : v1;
        sm_plot_row(p, 2, (double[]){x0 + u0 * sx, y0 + q0 * sy});
        sm_plot_row(p, 2, (double[]){x0 + u1 * sx, y0 + q1 * sy});
        sm_plot_break(p);
    }
    return block;
}

void sm_plot_box(sm_plot *p, double x0, double x1, double y0, double y1, const char *colour)
{
    sm_plot_say(p,
                "set object rectangle from first %.7g,%.7g to first %.7g,%.7g behind fc rgb \"%s\" "
                "fs solid noborder\n",
                x0, y0, x1, y1, colour);
}

/* All words of one kind as one block, and the plot element that shows it. */
static void say_words(sm_plot *p, sm_plot_side side, sm_plot_size size, int turned, bool *first)
{
    static const char *const sides[] = {"left", "center", "right"};
    static const char *const fonts[] = {"small_font", "normal_font", "bold_font"};
    bool any = false;
    for (size_t i = 0; i < p->n_labels; i++) {
        const sm_plot_word *w = &p->labels[i];
        if (w->side != side || w->size != size || w->turned != turned || !w->text[0]) {
            continue;
        }
        if (!any) {
            size_t block = sm_plot_block(p);
            sm_plot_say(p,
                        "%s \"%s.dat\" index %zu using 1:2:3:4 with labels %s noenhanced rotate by "
                        "%d font %s textcolor rgb variable",
                        *first ? "plot" : ", \\\n    ", p->name, block, sides[side], turned,
                        fonts[size]);
            any = true;
            *first = false;
        }
        p->block_used = true;
        sm_text_addf(&p->data, "%.2f\t%.2f\t\"%s\"\t%ld\n", w->x, w->y, w->text,
                     sm_look_rgb(w->colour));
    }
}

bool sm_plot_close(sm_plot *p)
{
    sm_plot_say(p,
                "\nreset\nunset key\nunset border\nunset tics\nset datafile separator \"\\t\"\n"
                "set lmargin at screen 0\nset rmargin at screen 1\nset bmargin at screen 0\n"
                "set tmargin at screen 1\nset xrange [0:%g]\nset yrange [0:%g]\n",
                p->width, p->height);
    bool first = true;
    if (p->marks.n) {
        size_t block = sm_plot_block(p);
        sm_text_add_n(&p->data, p->marks.s, p->marks.n);
        p->block_used = true;
        sm_plot_say(p,
                    "plot \"%s.dat\" index %zu using 1:2:3:4:5 with vectors nohead lw 1 lc rgb "
                    "variable",
                    p->name, block);
        first = false;
    }
    for (int side = SM_LEFT; side <= SM_RIGHT; side++) {
        for (int size = SM_SMALL; size <= SM_BOLD; size++) {
            say_words(p, (sm_plot_side)side, (sm_plot_size)size, 0, &first);
            say_words(p, (sm_plot_side)side, (sm_plot_size)size, 90, &first);
        }
    }
    sm_plot_say(p, "\nunset multiplot\nunset output\n");
    return !(p->failed || p->script.failed || p->data.failed || p->words.failed ||
             p->marks.failed || p->hovers.failed);
}

double sm_plot_text_width(const char *s, sm_plot_size size)
{
    size_t n = 0;
    for (; *s; s++) {
        n += ((unsigned char)*s & 0xc0) != 0x80;
    }
    return (double)n * 0.56 * font_points[size];
}

double sm_plot_step(double span, int n)
{
    if (!(span > 0) || !isfinite(span)) {
        return 1;
    }
    static const double steps[] = {1, 2, 2.5, 5, 10};
    double decade = pow(10, floor(log10(span / n)));
    for (size_t i = 0; i < 5; i++) {
        if (span / (steps[i] * decade) <= n + 1e-9) {
            return steps[i] * decade;
        }
    }
    return 10 * decade;
}

void sm_plot_spread(double *at, size_t n, double gap, double lo, double hi)
{
    size_t order[64];
    n = n < 64 ? n : 64;
    for (size_t i = 0; i < n; i++) { /* insertion sort of the few */
        size_t k = i;
        for (; k > 0 && at[order[k - 1]] > at[i]; k--) {
            order[k] = order[k - 1];
        }
        order[k] = i;
    }
    /* A few relaxation rounds keep each word near its line; the last sweeps settle the ends. */
    for (int round = 0; round < 60; round++) {
        for (size_t i = 1; i < n; i++) {
            double short_by = gap - (at[order[i]] - at[order[i - 1]]);
            if (short_by > 0) {
                at[order[i]] += short_by / 2;
                at[order[i - 1]] -= short_by / 2;
            }
        }
        for (size_t i = 0; i < n; i++) {
            at[order[i]] = fmax(lo, fmin(hi, at[order[i]]));
        }
    }
    for (size_t i = 1; i < n; i++) {
        at[order[i]] = fmax(at[order[i]], at[order[i - 1]] + gap);
    }
    for (size_t i = n; i-- > 1 && at[order[n - 1]] > hi;) {
        double next = i + 1 < n ? at[order[i + 1]] - gap : hi;
        at[order[i]] = fmin(at[order[i]], next);
    }
}
