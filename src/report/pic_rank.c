/* Places side by side, and what an isolator would do to the margins. */
#include "report/look.h"
#include "report/pictures.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { MAX_PLACES = 16 };

static bool by_margin(const sm_json *places)
{
    for (size_t i = 0; i < sm_json_size(places); i++) {
        if (!isnan(sm_record_number(sm_json_at(places, i), "worst_margin_db"))) {
            return true;
        }
    }
    return false;
}

bool sm_picture_ranking(const sm_json *root, sm_plot *p)
{
    const sm_json *places = sm_json_get(root, "places");
    size_t n = sm_json_size(places) < MAX_PLACES ? sm_json_size(places) : MAX_PLACES;
    if (n == 0) {
        return false;
    }
    bool margins = by_margin(places);
    const char *key = margins ? "worst_margin_db" : "level";
    double height = 70 + 34 * (double)n + 66;
    sm_panel a = {.left = 190,
                  .right = SM_PLOT_WIDTH - 190,
                  .bottom = 66,
                  .top = 66 + 34 * (double)n,
                  .y0 = -0.5,
                  .y1 = (double)n - 0.5};
    for (size_t i = 0; i < n; i++) {
        double v = sm_record_number(sm_json_at(places, i), key);
        a.x0 = v < a.x0 ? v : a.x0;
        a.x1 = v > a.x1 ? v : a.x1;
    }
    double air = 0.12 * (a.x1 - a.x0);
    a.x1 += air > 0 ? air : 1;
    a.x0 -= a.x0 < 0 ? air : 0;
    sm_plot_open(p, "ranking", height);
    sm_plot_title(p, margins ? "Places side by side: worst margin of each"
                             : "Places side by side: highest level of each");
    sm_plot_panel(p, &a);
    size_t blocks[MAX_PLACES];
    for (size_t i = 0; i < n; i++) {
        const sm_json *place = sm_json_at(places, i);
        double v = sm_record_number(place, key);
        double y = (double)(n - 1 - i);
        blocks[i] = sm_plot_block(p);
        if (!isnan(v)) {
            sm_plot_row(p, 6, (double[]){v, y, fmin(0, v), fmax(0, v), y - 0.3, y + 0.3});
        }
        double px = sm_panel_y(&a, y);
        sm_plot_word_at(p, a.left - 10, px, SM_RIGHT, SM_NORMAL, SM_INK, "%.24s",
                        sm_record_text(place, "name"));
        double lo;
        double hi;
        sm_record_pair(place, "rpm", &lo, &hi);
        double rpm = sm_record_number(place, "rpm");
        char where[80] = "";
        if (!isnan(lo) && !isnan(hi)) {
            (void)snprintf(where, sizeof where, ", %.5g\u2013%.5g rpm", lo, hi);
        } else if (!isnan(rpm)) {
            (void)snprintf(where, sizeof where, ", %.5g rpm", rpm);
        }
        if (isnan(v)) {
            sm_plot_word_at(p, sm_panel_x(&a, 0) + 6, px, SM_LEFT, SM_SMALL, SM_INK, "no answer");
        } else {
            sm_plot_word_at(p, a.right + 8, px, SM_LEFT, SM_SMALL, SM_INK,
                            margins ? "%+.1f dB%s" : "%.3g%s", v, where);
        }
    }
    sm_plot_say(p, "unset ytics\nset border 1\nplot ");
    for (size_t i = 0; i < n; i++) {
        const char *verdict = sm_record_text(sm_json_at(places, i), "verdict");
        sm_plot_say(
            p, "\"%s.dat\" index %zu using 1:2:3:4:5:6 with boxxyerror fc rgb \"%s\", \\\n    ",
            p->name, blocks[i], verdict[0] ? sm_look_verdict(verdict) : sm_look_series(0));
    }
    sm_plot_say(p, "NaN\n");
    double zero = sm_panel_x(&a, 0);
    sm_plot_mark(p, zero, a.bottom, zero, a.top, SM_INK);
    sm_plot_mark(p, zero + 0.7, a.bottom, zero + 0.7, a.top, SM_INK);
    sm_plot_axis_names(
        p, &a, margins ? "worst margin, dB (right of the line = under the limit)" : "highest level",
        NULL);
    sm_text_addf(&p->words, "Bars: %zu places, quietest first.", n);
    return true;
}

/* The isolator changes this result, or nobody knows. */
static bool is_moved(const sm_json *result)
{
    double now = sm_record_number(result, "value");
    double then = sm_record_number(result, "predicted");
    return isnan(now) || isnan(then) || fabs(then - now) > 1e-9 * fabs(now);
}

/* Some results stay as they are: shown with the rest they would hide what the isolator does. */
static bool any_moved(const sm_json *root)
{
    const sm_json *bands = sm_json_get(root, "bands");
    for (size_t b = 0; b < sm_json_size(bands); b++) {
        const sm_json *results = sm_json_get(sm_json_at(bands, b), "results");
        for (size_t i = 0; i < sm_json_size(results); i++) {
            const sm_json *r = sm_json_at(results, i);
            if (is_moved(r) && !isnan(sm_record_number(r, "predicted"))) {
                return true;
            }
        }
    }
    return false;
}

/* Tightest margin of a band, measured or predicted. */
static double tightest(const sm_json *band, const char *key, bool moved_only)
{
    double m = NAN;
    const sm_json *results = sm_json_get(band, "results");
    for (size_t i = 0; i < sm_json_size(results); i++) {
        const sm_json *r = sm_json_at(results, i);
        double v = moved_only && !is_moved(r) ? (double)NAN : sm_record_number(r, key);
        m = !isnan(v) && !(v >= m) ? v : m;
    }
    return m;
}

static size_t margin_block(const sm_json *root, sm_plot *p, const char *key, double from, double to,
                           sm_panel *a, size_t *n)
{
    size_t block = sm_plot_block(p);
    const sm_json *bands = sm_json_get(root, "bands");
    bool moved_only = any_moved(root);
    *n = 0;
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        double lo;
        double hi;
        double v = tightest(sm_json_at(bands, i), key, moved_only);
        sm_record_pair(sm_json_at(bands, i), "rpm", &lo, &hi);
        a->x0 = lo < a->x0 ? lo : a->x0;
        a->x1 = hi > a->x1 ? hi : a->x1;
        if (!isnan(v)) {
            v = fmax(-40, fmin(40, v));
            double w = hi - lo;
            sm_plot_row(
                p, 6,
                (double[]){(lo + hi) / 2, v, lo + from * w, lo + to * w, fmin(0, v), fmax(0, v)});
            a->y0 = fmin(a->y0, v);
            a->y1 = fmax(a->y1, v);
            (*n)++;
        }
    }
    return block;
}

enum { MAX_HOLES = 64 };

/* Bands without a computed margin are hatched, neighbours as one; the pointer finds the numbers of
 * the others. */
static size_t fill_bands(const sm_json *root, sm_plot *p, const sm_panel *a,
                         size_t hatches[MAX_HOLES])
{
    size_t n = 0;
    double from = NAN; /* the hole that is still growing */
    double to = NAN;
    const sm_json *bands = sm_json_get(root, "bands");
    bool moved_only = any_moved(root);
    for (size_t i = 0; i < sm_json_size(bands) && n + 1 < MAX_HOLES; i++) {
        double lo;
        double hi;
        double least[2] = {tightest(sm_json_at(bands, i), "margin_db", moved_only),
                           tightest(sm_json_at(bands, i), "predicted_margin_db", moved_only)};
        sm_record_pair(sm_json_at(bands, i), "rpm", &lo, &hi);
        if (!(hi > lo)) {
            continue;
        }
        char text[100] = "no answer";
        if (isnan(least[1])) {
            if (to > from && to != lo) {
                hatches[n++] = sm_plot_hatch(p, a, from, to, a->y0, a->y1, true);
            }
            from = to == lo ? from : lo;
            to = hi;
        } else {
            (void)snprintf(text, sizeof text, "margin %+.1f dB as measured, %+.1f dB computed",
                           least[0], least[1]);
        }
        sm_plot_hover(p, sm_panel_x(a, lo), a->bottom, sm_panel_x(a, hi), a->top,
                      "%g\u2013%g rpm: %s", lo, hi, text);
    }
    if (to > from) {
        hatches[n++] = sm_plot_hatch(p, a, from, to, a->y0, a->y1, true);
    }
    return n;
}

bool sm_picture_isolator(const sm_json *root, sm_plot *p)
{
    sm_panel a = {.left = 66,
                  .right = SM_PLOT_WIDTH - 40,
                  .bottom = 84,
                  .top = 340,
                  .x0 = INFINITY,
                  .x1 = -INFINITY,
                  .y0 = -4,
                  .y1 = 8};
    size_t n_before = 0;
    size_t n_after = 0;
    sm_plot_open(p, "isolator", 400);
    size_t before = margin_block(root, p, "margin_db", 0.12, 0.48, &a, &n_before);
    size_t after = margin_block(root, p, "predicted_margin_db", 0.52, 0.88, &a, &n_after);
    if (!n_after || !(a.x1 > a.x0)) {
        return false;
    }
    sm_plot_title(p, any_moved(root)
                         ? "Tightest margin of what the isolator changes: as measured, and with it"
                         : "Tightest margin per RPM band: as measured, and with the isolator");
    double air = 0.1 * (a.y1 - a.y0);
    a.y0 -= air;
    a.y1 += air;
    sm_plot_panel(p, &a);
    size_t hatches[MAX_HOLES];
    size_t n_hatches = fill_bands(root, p, &a, hatches);
    sm_plot_say(p, "plot ");
    for (size_t i = 0; i < n_hatches; i++) {
        sm_plot_say(
            p, "\"%s.dat\" index %zu using 1:2 with lines lw 0.8 lc rgb \"" SM_HATCH "\", \\\n    ",
            p->name, hatches[i]);
    }
    if (n_before) {
        sm_plot_say(
            p,
            "\"%s.dat\" index %zu using 1:2:3:4:5:6 with boxxyerror fs empty lc rgb \"" SM_MUTED
            "\" lw 1.3, \\\n    ",
            p->name, before);
    }
    sm_plot_say(
        p,
        "\"%s.dat\" index %zu using 1:2:3:4:5:6 with boxxyerror fc rgb \"%s\", \\\n    0 lw 2.2 "
        "lc rgb \"" SM_INK "\"\n",
        p->name, after, sm_look_series(0));
    char axis[40];
    (void)snprintf(axis, sizeof axis, "%s rpm", sm_record_rpm_of(root));
    sm_plot_axis_names(p, &a, axis, "margin, dB");
    sm_plot_word_at(
        p, a.left, 14, SM_LEFT, SM_SMALL, SM_INK,
        "open: as measured; filled: computed with the isolator added; hatched: no answer; above "
        "the heavy line: under the limit");
    sm_text_add(&p->words,
                any_moved(root)
                    ? "Tightest margin per RPM band, of the results that the isolator changes: as "
                      "measured (open bars) and as computed with it (filled bars). What it does "
                      "not change is in the tables only."
                    : "Tightest margin per RPM band as measured (open bars) and as computed with "
                      "the isolator (filled bars).");
    return true;
}
