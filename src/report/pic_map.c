/* Frequency-rpm map: how loud at which frequency and rpm, with the orders' lines drawn over it. */
#include "report/look.h"
#include "report/pictures.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { MAX_LINES = 9, MAX_TONES = 3, LEVELS = 600, WIDEN = 2 };

/* The map of the channel that decides; without a verdict the first one. */
static const sm_json *map_of(const sm_json *root, size_t i)
{
    const sm_json *maps = sm_json_get(root, "map");
    sm_record_worst w = sm_record_focus(root, i, NULL);
    for (size_t k = 0; k < sm_json_size(maps) && w.result; k++) {
        const sm_json *m = sm_json_at(maps, k);
        if (strcmp(sm_record_text(m, "channel"), sm_record_text(w.result, "channel")) == 0) {
            return m;
        }
    }
    return i == 0 ? sm_json_at(maps, 0) : NULL;
}

/* Up to which frequency: a little beyond the highest that a limit counts. */
static double top_hz(const sm_json *root, double map_top_hz)
{
    double top = 0;
    const sm_json *bands = sm_json_get(root, "bands");
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        const sm_json *results = sm_json_get(sm_json_at(bands, i), "results");
        for (size_t k = 0; k < sm_json_size(results); k++) {
            double lo;
            double hi;
            sm_record_pair(sm_json_get(sm_json_at(results, k), "measure"), "hz", &lo, &hi);
            top = hi > top ? hi : top;
        }
    }
    return top > 0 ? fmin(map_top_hz, 1.25 * top) : map_top_hz;
}

typedef struct grid {
    double step;
    size_t n_rpm;
    size_t n_hz;
    double loud_db;
    double quiet_db;
} grid;

static bool measure_grid(const sm_json *map, double hz_top, grid *g)
{
    *g = (grid){.step = INFINITY, .n_rpm = sm_record_count(map, "rpm"), .loud_db = -INFINITY};
    for (size_t i = 1; i < g->n_rpm; i++) {
        double d = sm_record_at(map, "rpm", i) - sm_record_at(map, "rpm", i - 1);
        g->step = d > 0 ? fmin(g->step, d) : g->step;
    }
    size_t n_hz = sm_record_count(map, "hz");
    while (g->n_hz < n_hz && sm_record_at(map, "hz", g->n_hz) <= hz_top) {
        g->n_hz++;
    }
    size_t counts[LEVELS] = {0};
    size_t total = 0;
    const sm_json *db = sm_json_get(map, "db");
    for (size_t i = 0; i < g->n_rpm; i++) {
        const sm_json *row = sm_json_at(db, i);
        for (size_t k = 1; k < g->n_hz; k++) {
            double v = sm_json_number(sm_json_at(row, k));
            g->loud_db = v > g->loud_db ? v : g->loud_db;
            if (v > -LEVELS / 2 && v < LEVELS / 2) {
                counts[(size_t)(v + LEVELS / 2)]++;
                total++;
            }
        }
    }
    /* Paper white is the level that a third of the map stays under: noise steps back. */
    size_t below = 0;
    size_t level = 0;
    while (level + 1 < LEVELS && below + counts[level] <= total / 3) {
        below += counts[level++];
    }
    g->quiet_db = fmin(fmax((double)level - LEVELS / 2, g->loud_db - 60), g->loud_db - 12);
    return isfinite(g->step) && g->n_hz > 2 && total > 0;
}

/* The visited cell that a place on the grid shows: its own, or one up to WIDEN cells away, because
 * a sweep jumps over cells that its frames none the less crossed. NULL = not recorded. */
static const sm_json *row_near(const sm_json *map, const grid *g, double at)
{
    const sm_json *db = sm_json_get(map, "db");
    const sm_json *best = NULL;
    double best_d = (WIDEN + 0.25) * g->step;
    for (size_t i = 0; i < g->n_rpm; i++) {
        double d = fabs(sm_record_at(map, "rpm", i) - at);
        if (d < best_d && sm_json_size(sm_json_at(db, i)) > 0) {
            best_d = d;
            best = sm_json_at(db, i);
        }
    }
    return best;
}

static size_t n_columns(const sm_json *map, const grid *g)
{
    double first = sm_record_at(map, "rpm", 0);
    double last = sm_record_at(map, "rpm", g->n_rpm - 1);
    return (size_t)fmin(2000, floor((last - first) / g->step + 1.5));
}

/* The image needs a full grid: what was not visited is a hole. */
static size_t image_block(const sm_json *map, const grid *g, sm_plot *p)
{
    size_t block = sm_plot_block(p);
    const sm_json *hz = sm_json_get(map, "hz");
    for (size_t c = 0; c < n_columns(map, g); c++) {
        double at = sm_record_at(map, "rpm", 0) + g->step * (double)c;
        const sm_json *row = row_near(map, g, at);
        for (size_t k = 0; k < g->n_hz; k++) {
            double v = sm_json_number(sm_json_at(row, k));
            sm_plot_row(p, 3,
                        (double[]){at, sm_json_number(sm_json_at(hz, k)),
                                   v < g->quiet_db ? g->quiet_db : v});
        }
    }
    return block;
}

static size_t hatch_hole(sm_plot *p, const sm_panel *a, double from, double to)
{
    double width = sm_panel_x(a, to) - sm_panel_x(a, from);
    double mid = (sm_panel_x(a, from) + sm_panel_x(a, to)) / 2;
    double half = sm_plot_text_width("not recorded", SM_SMALL) / 2 + 4;
    double y = (a->bottom + a->top) / 2;
    for (int k = -14; k <= 14 && width > 12; k++) {
        sm_plot_mark(p, mid + 0.5 * k, y - half, mid + 0.5 * k, y + half, "#ffffff");
    }
    if (width > 12) {
        sm_plot_word_turned(p, mid, y, SM_CENTER, SM_SMALL, SM_INK, "not recorded");
    }
    return sm_plot_hatch(p, a, from, to, a->y0, a->y1, true);
}

/* Stretches of the axis that show nothing. */
static size_t hatch_holes(const sm_json *map, const grid *g, sm_plot *p, const sm_panel *a,
                          size_t blocks[16])
{
    size_t n = 0;
    double from = a->x0; /* where the last column that shows something ended */
    for (size_t c = 0; c <= n_columns(map, g); c++) {
        double at = sm_record_at(map, "rpm", 0) + g->step * (double)c;
        bool end = c == n_columns(map, g);
        if (!end && !row_near(map, g, at)) {
            continue;
        }
        double next = end ? a->x1 : at - g->step / 2;
        if (next - from > 0.6 * g->step && n < 16) {
            blocks[n++] = hatch_hole(p, a, from, next);
        }
        from = at + g->step / 2;
    }
    return n;
}

typedef struct patch {
    double db; /* -inf = nothing was recorded here */
    double rpm;
    double hz;
} patch;

/* The loudest shown cell between two rpm and two frequencies. */
static patch loudest_of(const sm_json *map, const grid *g, const double rpm[2], const double hz[2])
{
    patch best = {.db = -INFINITY};
    const sm_json *db = sm_json_get(map, "db");
    const sm_json *near = row_near(map, g, (rpm[0] + rpm[1]) / 2);
    for (size_t i = 0; i < g->n_rpm; i++) {
        double at = sm_record_at(map, "rpm", i);
        const sm_json *row = sm_json_at(db, i);
        if ((at < rpm[0] || at >= rpm[1]) && row != near) {
            continue;
        }
        for (size_t k = 1; k < g->n_hz; k++) {
            double f = sm_record_at(map, "hz", k);
            double v = sm_json_number(sm_json_at(row, k));
            if (f >= hz[0] && f < hz[1] && v > best.db) {
                best = (patch){.db = v, .rpm = at, .hz = f};
            }
        }
    }
    return best;
}

/* What the pointer shows: the loudest cell of each patch of the map. */
static void hover_patches(const sm_json *map, const grid *g, sm_plot *p, const sm_panel *a)
{
    enum { SIDE = 14 };
    double per_x = (a->x1 - a->x0) / (a->right - a->left);
    double per_y = (a->y1 - a->y0) / (a->top - a->bottom);
    for (double x = a->left; x < a->right; x += SIDE) {
        double lo = a->x0 + (x - a->left) * per_x;
        double rpm[2] = {lo, lo + SIDE * per_x};
        for (double y = a->bottom; y < a->top; y += SIDE) {
            double low = a->y0 + (y - a->bottom) * per_y;
            double hz[2] = {low, low + SIDE * per_y};
            patch loud = loudest_of(map, g, rpm, hz);
            if (isfinite(loud.db)) {
                sm_plot_hover(p, x, y, fmin(x + SIDE, a->right), fmin(y + SIDE, a->top),
                              "%.0f rpm, %.4g Hz: %.1f dB", loud.rpm, loud.hz, loud.db);
            }
        }
    }
}

typedef struct tag {
    const char *text;
    double at; /* where the line ends */
    const char *colour;
    char own[48];
} tag;

/* Names where the lines leave: beside the right edge, or above the top edge. */
static void place_tags(sm_plot *p, const sm_panel *a, tag *tags, size_t n, bool beside)
{
    double at[MAX_LINES + 4 + MAX_TONES];
    for (size_t i = 0; i < n; i++) {
        at[i] = tags[i].at;
    }
    if (beside) {
        sm_plot_spread(at, n, 14, a->bottom + 4, a->top - 4);
    } else {
        sm_plot_spread(at, n, 118, a->left + 50, p->width - 70);
    }
    for (size_t i = 0; i < n; i++) {
        if (beside) {
            sm_plot_mark(p, a->right + 1, tags[i].at, a->right + 14, at[i], tags[i].colour);
            sm_plot_word_at(p, a->right + 17, at[i], SM_LEFT, SM_SMALL, SM_INK, "%s",
                            tags[i].text[0] ? tags[i].text : tags[i].own);
        } else {
            sm_plot_mark(p, tags[i].at, a->top + 1, at[i], a->top + 10, tags[i].colour);
            sm_plot_word_at(p, at[i], a->top + 17, SM_CENTER, SM_SMALL, SM_INK, "%s", tags[i].text);
        }
    }
}

/* Names of the tones that the place shows in several bands, where they leave the map. */
static size_t tone_tags(const sm_json *root, const char *channel, const sm_panel *a, tag *out)
{
    enum { BANDS_LEAST = 3 };
    const sm_json *peaks = sm_json_get(root, "peaks");
    const char *names[MAX_TONES] = {0};
    long bands[MAX_TONES] = {0};
    double hz[MAX_TONES] = {0};
    size_t n = 0;
    for (size_t i = 0; i < sm_json_size(peaks); i++) {
        const sm_json *peak = sm_json_at(peaks, i);
        const sm_json *source = sm_json_get(peak, "source");
        const char *label = sm_record_text(source, "label");
        if (strcmp(sm_record_text(source, "kind"), "fixed") != 0 || strstr(label, "(structure)") ||
            !sm_record_same_place(sm_record_text(peak, "channel"), channel)) {
            continue;
        }
        size_t k = 0;
        while (k < n && strcmp(names[k], label) != 0) {
            k++;
        }
        if (k == MAX_TONES) {
            continue;
        }
        n = k == n ? n + 1 : n;
        names[k] = label;
        bands[k]++;
        hz[k] = sm_record_number(peak, "hz");
    }
    size_t kept = 0;
    for (size_t k = 0; k < n; k++) {
        if (bands[k] >= BANDS_LEAST && hz[k] > a->y0 && hz[k] < a->y1) {
            const char *text = names[k] + (strncmp(names[k], "fixed ", 6) == 0 ? 6 : 0);
            out[kept++] = (tag){.text = text, .at = sm_panel_y(a, hz[k]), .colour = SM_INK};
        }
    }
    return kept;
}

static size_t draw_lines(const sm_json *root, const char *channel, sm_plot *p, const sm_panel *a,
                         size_t *n_lines)
{
    sm_record_order orders[MAX_LINES];
    tag right[MAX_LINES + 4 + MAX_TONES];
    tag top[MAX_LINES];
    size_t n_right = 0;
    size_t n_top = 0;
    size_t n = sm_record_orders(root, channel, orders, MAX_LINES);
    double per_rpm = sm_record_reference_per_rpm(root) / 60;
    size_t block = sm_plot_block(p);
    for (size_t i = 0; i < n; i++) {
        double slope = orders[i].order * per_rpm;
        double end = fmin(a->x1, a->y1 / slope);
        if (end <= a->x0) {
            continue;
        }
        sm_plot_row(p, 2, (double[]){a->x0, a->x0 * slope});
        sm_plot_row(p, 2, (double[]){end, end * slope});
        sm_plot_break(p);
        if (end < a->x1) {
            top[n_top++] =
                (tag){.text = orders[i].label, .at = sm_panel_x(a, end), .colour = "#c8571b"};
        } else {
            right[n_right++] = (tag){
                .text = orders[i].label, .at = sm_panel_y(a, end * slope), .colour = "#c8571b"};
        }
        (*n_lines)++;
    }
    const sm_json *list = sm_json_get(root, "resonances");
    size_t drawn = 0;
    for (size_t i = 0; i < sm_json_size(list) && drawn < 4; i++) {
        const sm_json *r = sm_json_at(list, i);
        double hz = sm_record_number(r, "hz");
        if (!sm_record_same_place(sm_record_text(r, "channel"), channel) ||
            !(hz > a->y0 && hz < a->y1)) {
            continue;
        }
        tag *t = &right[n_right++];
        *t = (tag){.text = "", .at = sm_panel_y(a, hz), .colour = SM_INK};
        (void)snprintf(t->own, sizeof t->own, "resonance %.3g Hz", hz);
        sm_plot_mark(p, a->right - 10, t->at, a->right, t->at, SM_INK);
        sm_plot_mark(p, a->left, t->at, a->left + 10, t->at, SM_INK);
        for (double x = a->left + 14; x + 3 < a->right; x += 12) {
            sm_plot_mark(p, x, t->at, x + 3, t->at, SM_INK);
        }
        drawn++;
    }
    n_right += tone_tags(root, channel, a, right + n_right);
    place_tags(p, a, right, n_right, true);
    place_tags(p, a, top, n_top, false);
    return block;
}

static void colour_key(sm_plot *p, const sm_json *map, const grid *g)
{
    double y = p->height - 42;
    sm_plot_say(p,
                "set palette defined (0 \"#fdfcf7\", 0.3 \"#d9e4cf\", 0.55 \"#86b8ae\", 0.75 "
                "\"#3d7d97\", 0.9 \"#2b4778\", 1 \"#1d1440\")\n"
                "set cbrange [%.6g:%.6g]\nset cbtics %.6g offset 0,0.6\nset colorbox horizontal "
                "user origin screen %.5f,%.5f size screen %.5f,%.5f\n",
                g->quiet_db, g->loud_db, sm_plot_step(g->loud_db - g->quiet_db, 6), 370 / p->width,
                (y - 4) / p->height, 300 / p->width, 9 / p->height);
    sm_plot_word_at(p, 362, y, SM_RIGHT, SM_SMALL, SM_INK, "loudness, %s (dark is loud)",
                    sm_record_text(map, "unit"));
}

bool sm_picture_map(const sm_json *root, size_t i, sm_plot *p)
{
    const sm_json *map = map_of(root, i);
    const char *channel = sm_record_text(map, "channel");
    size_t n_hz = sm_record_count(map, "hz");
    double hz_top = top_hz(root, sm_record_at(map, "hz", n_hz ? n_hz - 1 : 0));
    grid g;
    if (!map || !measure_grid(map, hz_top, &g)) {
        return false;
    }
    sm_plot_open(p, i == 0 ? "map" : "map-2", 560);
    sm_plot_title(p, "Loudness over rpm and frequency: %s", channel);
    sm_panel a = {.left = 66,
                  .right = p->width - 150,
                  .bottom = 56,
                  .top = p->height - 104,
                  .y0 = 0,
                  .y1 = hz_top};
    a.x0 = sm_record_at(map, "rpm", 0) - g.step / 2;
    a.x1 = sm_record_at(map, "rpm", g.n_rpm - 1) + g.step / 2;
    const sm_json *bands = sm_json_get(root, "bands");
    for (size_t k = 0; k < sm_json_size(bands); k++) {
        double lo;
        double hi;
        sm_record_pair(sm_json_at(bands, k), "rpm", &lo, &hi);
        a.x0 = lo < a.x0 ? lo : a.x0;
        a.x1 = hi > a.x1 ? hi : a.x1;
    }
    sm_plot_panel(p, &a);
    colour_key(p, map, &g);
    size_t image = image_block(map, &g, p);
    size_t holes[16];
    size_t n_holes = hatch_holes(map, &g, p, &a, holes);
    size_t n_lines = 0;
    size_t lines = draw_lines(root, channel, p, &a, &n_lines);
    hover_patches(map, &g, p, &a);
    sm_plot_say(p, "unset grid\nplot \"%s.dat\" index %zu using 1:2:3 with image", p->name, image);
    for (size_t k = 0; k < n_holes; k++) {
        sm_plot_say(
            p, ", \\\n    \"%s.dat\" index %zu using 1:2 with lines lw 0.8 lc rgb \"" SM_HATCH "\"",
            p->name, holes[k]);
    }
    if (n_lines) {
        sm_plot_say(p,
                    ", \\\n    \"%s.dat\" index %zu using 1:2 with lines lw 1.1 dt (5,11) lc rgb "
                    "\"#c8571b\"",
                    p->name, lines);
    }
    sm_plot_say(p, "\n");
    char axis[64];
    (void)snprintf(axis, sizeof axis, "%s rpm", sm_record_rpm_of(root));
    sm_plot_axis_names(p, &a, axis, "frequency, Hz");
    sm_text_addf(
        &p->words,
        "Map of loudness over rpm and frequency up to %.4g Hz, with dashed lines where the "
        "orders of the powertrain lie. Lines that lie on dark ridges are what shakes the "
        "mount; a dark level stretch at one frequency is a resonance, or a tone. "
        "A cell that was jumped over shows its neighbour.",
        hz_top);
    return true;
}
