/* Amplitude of the loudest orders against rpm, with resonances and an order limit where one is. */
#include "report/look.h"
#include "report/pictures.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { MAX_CUTS = 6, FITS_EACH = 3, N_STEPS = 150, MAX_HOLES = 64 };

/* The channel that decides, else the first; "" = no picture. */
static const char *channel_of(const sm_json *root, size_t i)
{
    sm_record_worst w = sm_record_focus(root, i, NULL);
    const char *wanted = w.result ? sm_record_text(w.result, "channel") : "";
    sm_record_order one[1];
    if (wanted[0] && sm_record_orders(root, wanted, one, 1)) {
        return wanted;
    }
    return i == 0 ? sm_record_text(sm_json_at(sm_json_get(root, "orders"), 0), "channel") : "";
}

static const sm_json *cut_of(const sm_json *root, const char *channel, const char *label,
                             const char *direction)
{
    const sm_json *list = sm_json_get(root, "orders");
    for (size_t i = 0; i < sm_json_size(list); i++) {
        const sm_json *o = sm_json_at(list, i);
        if (strcmp(sm_record_text(o, "channel"), channel) == 0 &&
            strcmp(sm_record_text(o, "label"), label) == 0 &&
            strcmp(sm_record_text(o, "direction"), direction) == 0) {
            return o;
        }
    }
    return NULL;
}

/* Power means over steps of the rpm axis: the fit's windows overlap and scatter. The line is
 * interrupted where nothing was recorded. */
typedef struct steps {
    double power[N_STEPS];
    size_t n[N_STEPS];
} steps;

static void fill_steps(const sm_json *cut, const sm_panel *a, steps *s)
{
    *s = (steps){0};
    for (size_t i = 0; i < sm_record_count(cut, "rpm"); i++) {
        double at = (sm_record_at(cut, "rpm", i) - a->x0) / (a->x1 - a->x0) * N_STEPS;
        double v = sm_record_at(cut, "amplitude", i);
        if (at >= 0 && at <= N_STEPS && !isnan(v)) {
            size_t k = at < N_STEPS ? (size_t)at : N_STEPS - 1;
            s->power[k] += v * v;
            s->n[k]++;
        }
    }
}

static size_t cut_block(const sm_json *cut, sm_plot *p, const sm_panel *a)
{
    size_t block = sm_plot_block(p);
    steps s;
    fill_steps(cut, a, &s);
    size_t before = 0;
    for (size_t k = 0; k < N_STEPS; k++) {
        if (s.n[k] == 0) {
            continue;
        }
        if (k - before > 4) {
            sm_plot_break(p);
        }
        before = k;
        sm_plot_row(p, 2,
                    (double[]){a->x0 + (a->x1 - a->x0) * ((double)k + 0.5) / N_STEPS,
                               sqrt(s.power[k] / (double)s.n[k])});
    }
    return block;
}

/* The rpm axis: the bands', else what there are points of. */
static void span_rpm(const sm_json *root, sm_panel *a)
{
    const sm_json *bands = sm_json_get(root, "bands");
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        double lo;
        double hi;
        sm_record_pair(sm_json_at(bands, i), "rpm", &lo, &hi);
        a->x0 = lo < a->x0 ? lo : a->x0;
        a->x1 = hi > a->x1 ? hi : a->x1;
    }
    const sm_json *list = sm_json_get(root, "orders");
    for (size_t i = 0; i < sm_json_size(list) && sm_json_size(bands) == 0; i++) {
        const sm_json *cut = sm_json_at(list, i);
        for (size_t k = 0; k < sm_record_count(cut, "rpm"); k++) {
            double rpm = sm_record_at(cut, "rpm", k);
            a->x0 = rpm < a->x0 ? rpm : a->x0;
            a->x1 = rpm > a->x1 ? rpm : a->x1;
        }
    }
}

static void widen(const sm_json *cut, sm_panel *a)
{
    steps s;
    fill_steps(cut, a, &s);
    for (size_t k = 0; k < N_STEPS; k++) {
        double v = s.n[k] ? sqrt(s.power[k] / (double)s.n[k]) : 0;
        a->y1 = v > a->y1 ? v : a->y1;
    }
}

static const char *const directions[] = {"up", "down", "held"};

/* An order limit on this channel is a level line, with the order's name. */
static double order_limit(const sm_json *root, const char *channel, const char **label)
{
    const sm_json *bands = sm_json_get(root, "bands");
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        const sm_json *results = sm_json_get(sm_json_at(bands, i), "results");
        for (size_t k = 0; k < sm_json_size(results); k++) {
            const sm_json *r = sm_json_at(results, k);
            const sm_json *m = sm_json_get(r, "measure");
            if (strcmp(sm_record_text(m, "kind"), "order") == 0 &&
                strcmp(sm_record_text(r, "channel"), channel) == 0) {
                const sm_json *cut = cut_of(root, channel, sm_record_text(m, "label"), "up");
                *label = sm_record_text(m, "label");
                if (cut && strcmp(sm_record_text(cut, "unit"), sm_record_text(r, "unit")) == 0) {
                    return sm_record_number(r, "max");
                }
            }
        }
    }
    return NAN;
}

static size_t draw_hole(sm_plot *p, const sm_panel *a, double lo, double hi, const char *word)
{
    double x = (sm_panel_x(a, lo) + sm_panel_x(a, hi)) / 2;
    double y = (a->bottom + a->top) / 2;
    double half = sm_plot_text_width(word, SM_SMALL) / 2 + 4;
    sm_plot_box(p, lo, hi, a->y0, a->y1, "#f4f5f6");
    for (int k = -14; k <= 14; k++) { /* a clear strip behind the word */
        sm_plot_mark(p, x + 0.5 * k, y - half, x + 0.5 * k, y + half, "#ffffff");
    }
    sm_plot_word_turned(p, x, y, SM_CENTER, SM_SMALL, SM_INK, "%s", word);
    sm_plot_hover(p, sm_panel_x(a, lo), a->bottom, sm_panel_x(a, hi), a->top, "%g\u2013%g rpm: %s",
                  lo, hi, word);
    return sm_plot_hatch(p, a, lo, hi, a->y0, a->y1, true);
}

/* Neighbouring bands that were not recorded are hatched and named as one. */
static size_t draw_holes(const sm_json *root, sm_plot *p, const sm_panel *a,
                         size_t hatches[MAX_HOLES])
{
    const sm_json *bands = sm_json_get(root, "bands");
    size_t n = 0;
    double from = NAN;
    double to = NAN;
    for (size_t i = 0; i <= sm_json_size(bands) && n < MAX_HOLES; i++) {
        const sm_json *band = sm_json_at(bands, i);
        bool empty = band && sm_record_band_empty(band);
        double lo = NAN;
        double hi = NAN;
        sm_record_pair(band, "rpm", &lo, &hi);
        if (to > from && !(empty && lo == to)) {
            hatches[n++] = draw_hole(p, a, from, to, sm_record_empty_text(root));
            to = NAN;
        }
        if (empty && hi > lo) {
            from = to == lo ? from : lo;
            to = hi;
        }
    }
    return n;
}

static void mark_resonances(const sm_json *root, const char *channel, const sm_record_order *orders,
                            size_t n, sm_plot *p, const sm_panel *a)
{
    const sm_json *list = sm_json_get(root, "resonances");
    double per_rpm = sm_record_reference_per_rpm(root) / 60;
    double at[16];
    double wanted[16];
    const char *names[16];
    size_t marks = 0;
    for (size_t i = 0; i < sm_json_size(list); i++) {
        const sm_json *r = sm_json_at(list, i);
        double hz = sm_record_number(r, "hz");
        if (!sm_record_same_place(sm_record_text(r, "channel"), channel) || !(hz > 0)) {
            continue;
        }
        for (size_t k = 0; k < n && marks < 16; k++) { /* where an order drawn here meets it */
            double rpm = hz / (orders[k].order * per_rpm);
            if (rpm > a->x0 && rpm < a->x1 &&
                sm_record_has_text(r, "excited_by", orders[k].label)) {
                wanted[marks] = at[marks] = sm_panel_x(a, rpm);
                names[marks++] = orders[k].label;
            }
        }
    }
    sm_plot_spread(at, marks, 15, a->left + 6, a->right - 6);
    for (size_t i = 0; i < marks; i++) {
        for (double y = a->bottom; y + 3 < a->top; y += 9) {
            sm_plot_mark(p, wanted[i], y, wanted[i], y + 3, SM_MUTED);
        }
        sm_plot_mark(p, wanted[i], a->top, at[i], a->top + 8, SM_MUTED);
        sm_plot_word_turned(p, at[i], a->top + 11, SM_LEFT, SM_SMALL, SM_INK, "%s", names[i]);
    }
}

static void name_cuts(const sm_json *root, const char *channel, const sm_record_order *orders,
                      size_t n, sm_plot *p, const sm_panel *a)
{
    double at[MAX_CUTS];
    double ends[MAX_CUTS];
    double tips[MAX_CUTS];
    for (size_t i = 0; i < n; i++) {
        ends[i] = a->bottom;
        tips[i] = a->left;
        for (size_t d = 0; d < 3; d++) {
            const sm_json *cut = cut_of(root, channel, orders[i].label, directions[d]);
            steps at_step;
            fill_steps(cut, a, &at_step);
            for (size_t k = 0; k < N_STEPS; k++) {
                double x = a->left + (a->right - a->left) * ((double)k + 0.5) / N_STEPS;
                if (at_step.n[k] && x > tips[i]) {
                    tips[i] = x;
                    ends[i] = sm_panel_y(a, sqrt(at_step.power[k] / (double)at_step.n[k]));
                }
            }
        }
        at[i] = ends[i];
    }
    sm_plot_spread(at, n, 14, a->bottom, a->top - 4);
    for (size_t i = 0; i < n; i++) {
        sm_plot_mark(p, tips[i] + 2, ends[i], a->right + 8, at[i], sm_look_series(i));
        sm_plot_word_at(p, a->right + 12, at[i], SM_LEFT, SM_SMALL, sm_look_series(i), "%s",
                        orders[i].label);
    }
}

/* The fitted resonance under the orders drawn: block of each, SIZE_MAX = none. */
static size_t fit_block(const sm_json *root, const char *channel, const char *label, size_t i_fit,
                        sm_plot *p)
{
    const sm_json *list = sm_json_get(root, "resonances");
    for (size_t i = 0; i < sm_json_size(list); i++) {
        const sm_json *fits = sm_json_get(sm_json_at(list, i), "fits");
        for (size_t k = 0; k < sm_json_size(fits); k++) {
            const sm_json *fit = sm_json_at(fits, k);
            if (strcmp(sm_record_text(fit, "channel"), channel) != 0 ||
                strcmp(sm_record_text(fit, "label"), label) != 0 || i_fit-- > 0) {
                continue;
            }
            size_t block = sm_plot_block(p);
            for (size_t m = 0; m < sm_record_count(fit, "rpm"); m++) {
                sm_plot_row(
                    p, 2,
                    (double[]){sm_record_at(fit, "rpm", m), sm_record_at(fit, "amplitude", m)});
            }
            return block;
        }
    }
    return SIZE_MAX;
}

static void draw_cuts(const sm_json *root, const char *channel, const sm_record_order *orders,
                      size_t n, sm_plot *p, const sm_panel *a, double limit)
{
    size_t holes[MAX_HOLES];
    size_t n_holes = draw_holes(root, p, a, holes);
    static const char *const dashes[] = {"solid", "(5,4)"};
    size_t blocks[MAX_CUTS * 3];
    for (size_t i = 0; i < n * 3; i++) {
        const sm_json *cut = cut_of(root, channel, orders[i / 3].label, directions[i % 3]);
        blocks[i] = cut ? cut_block(cut, p, a) : SIZE_MAX;
    }
    size_t fitted[MAX_CUTS * FITS_EACH];
    for (size_t i = 0; i < n * FITS_EACH; i++) {
        fitted[i] = fit_block(root, channel, orders[i / FITS_EACH].label, i % FITS_EACH, p);
    }
    sm_plot_say(p, "plot ");
    for (size_t i = 0; i < n * FITS_EACH; i++) { /* first: the measured lines stay on top */
        if (fitted[i] != SIZE_MAX) {
            sm_plot_say(p,
                        "\"%s.dat\" index %zu using 1:2 with lines lw 6 lc rgb \"#99%s\", \\\n    ",
                        p->name, fitted[i], sm_look_series(i / FITS_EACH) + 1);
        }
    }
    for (size_t i = 0; i < n_holes; i++) {
        sm_plot_say(
            p, "\"%s.dat\" index %zu using 1:2 with lines lw 0.8 lc rgb \"" SM_HATCH "\", \\\n    ",
            p->name, holes[i]);
    }
    for (size_t i = 0; i < n * 3; i++) {
        if (blocks[i] != SIZE_MAX) {
            if (i % 3 == 2) {
                sm_plot_say(p, "\"%s.dat\" index %zu using 1:2 with points pt 6 ps 0.5", p->name,
                            blocks[i]);
            } else {
                sm_plot_say(p, "\"%s.dat\" index %zu using 1:2 with lines dt %s lw 1.7", p->name,
                            blocks[i], dashes[i % 3]);
            }
            sm_plot_say(p, " lc rgb \"%s\", \\\n    ", sm_look_series(i / 3));
        }
    }
    sm_plot_say(p, "%.9g with lines lw 2.2 lc rgb \"" SM_INK "\"\n", isnan(limit) ? -1 : limit);
}

/* What the pointer shows: every order's amplitude at a small step of rpm. */
static void hover_cuts(const sm_json *root, const char *channel, const sm_record_order *orders,
                       size_t n, sm_plot *p, const sm_panel *a)
{
    enum { WIDE = 2 }; /* steps that share a column */
    sm_text said[N_STEPS / WIDE] = {0};
    for (size_t i = 0; i < n * 3; i++) {
        const sm_json *cut = cut_of(root, channel, orders[i / 3].label, directions[i % 3]);
        steps s;
        fill_steps(cut, a, &s);
        for (size_t k = 0; k < N_STEPS / WIDE; k++) {
            double power = s.power[WIDE * k] + s.power[WIDE * k + 1];
            size_t points = s.n[WIDE * k] + s.n[WIDE * k + 1];
            if (points) {
                sm_text_addf(&said[k], "; %.40s %.3g (%s)", orders[i / 3].label,
                             sqrt(power / (double)points), directions[i % 3]);
            }
        }
    }
    double wide = (a->right - a->left) * WIDE / N_STEPS;
    for (size_t k = 0; k < N_STEPS / WIDE; k++) {
        double x = a->left + wide * (double)k;
        if (said[k].n) {
            sm_plot_hover(p, x, a->bottom, x + wide, a->top, "%.0f rpm%s",
                          a->x0 + (a->x1 - a->x0) * ((double)k + 0.5) * WIDE / N_STEPS, said[k].s);
        }
        sm_text_free(&said[k]);
    }
}

/* Room over the panel for the names of orders that meet a resonance. */
static double strip_height(const sm_json *root, const char *channel, const sm_record_order *orders,
                           size_t n)
{
    const sm_json *list = sm_json_get(root, "resonances");
    double longest = 0;
    for (size_t i = 0; i < sm_json_size(list); i++) {
        const sm_json *r = sm_json_at(list, i);
        bool here = sm_record_same_place(sm_record_text(r, "channel"), channel);
        for (size_t k = 0; k < n && here; k++) {
            if (sm_record_has_text(r, "excited_by", orders[k].label)) {
                longest = fmax(longest, sm_plot_text_width(orders[k].label, SM_SMALL));
            }
        }
    }
    return longest > 0 ? fmin(longest, 200) + 16 : 8;
}

bool sm_picture_orders(const sm_json *root, size_t i, sm_plot *p)
{
    const char *channel = channel_of(root, i);
    sm_record_order orders[MAX_CUTS];
    size_t n = sm_json_size(sm_json_get(root, "orders"))
                   ? sm_record_orders(root, channel, orders, MAX_CUTS)
                   : 0;
    sm_panel a = {.left = 78,
                  .right = SM_PLOT_WIDTH - 150,
                  .bottom = 74,
                  .top = 334,
                  .x0 = INFINITY,
                  .x1 = -INFINITY,
                  .y0 = 0,
                  .y1 = 0};
    span_rpm(root, &a);
    for (size_t k = 0; k < n * 3 && a.x1 > a.x0; k++) {
        widen(cut_of(root, channel, orders[k / 3].label, directions[k % 3]), &a);
    }
    if (n == 0 || !(a.x1 > a.x0) || !(a.y1 > 0)) {
        return false;
    }
    const char *limited = "";
    double limit = order_limit(root, channel, &limited);
    a.y1 = 1.06 * (isnan(limit) ? a.y1 : fmax(a.y1, limit));
    sm_plot_open(p, i == 0 ? "orders" : "orders-2",
                 a.top + 40 + strip_height(root, channel, orders, n));
    sm_plot_title(p, "The loudest orders against rpm: %s", channel);
    sm_plot_panel(p, &a);
    draw_cuts(root, channel, orders, n, p, &a, limit);
    mark_resonances(root, channel, orders, n, p, &a);
    name_cuts(root, channel, orders, n, p, &a);
    hover_cuts(root, channel, orders, n, p, &a);
    if (!isnan(limit)) {
        sm_plot_word_at(p, a.left + 6, sm_panel_y(&a, limit) + 9, SM_LEFT, SM_SMALL, SM_INK,
                        "limit for %s", limited);
    }
    const sm_json *cut = NULL;
    for (size_t d = 0; d < 3 && !cut; d++) {
        cut = cut_of(root, channel, orders[0].label, directions[d]);
    }
    char axis[80];
    (void)snprintf(axis, sizeof axis, "%s rpm", sm_record_rpm_of(root));
    char unit[80];
    (void)snprintf(unit, sizeof unit, "amplitude, %s %s", sm_record_text(cut, "unit"),
                   sm_record_text(cut, "detector"));
    sm_plot_axis_names(p, &a, axis, unit);
    sm_plot_word_at(
        p, a.left, 14, SM_LEFT, SM_SMALL, SM_MUTED,
        "solid: rpm rising; dashed: falling; rings: held. Dotted upright lines: an order meets "
        "a resonance; broad pale lines: the fit of it");
    sm_text_add(&p->words, "Amplitude of the loudest orders over rpm:");
    for (size_t k = 0; k < n; k++) {
        char name[80];
        sm_text_inert(orders[k].label, strlen(orders[k].label), name, sizeof name);
        sm_text_addf(&p->words, "%s %s up to %.3g %s", k ? "," : "", name, orders[k].loudest,
                     strlen(sm_record_text(cut, "unit")) < 24 ? sm_record_text(cut, "unit") : "");
    }
    sm_text_add(&p->words, ". The lines are power means over small steps of rpm.");
    return true;
}
