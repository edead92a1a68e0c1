/* Attitude drift from coning per RPM band. */
#include "report/look.h"
#include "report/pictures.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const int shapes[] = {7, 5, 9}; /* gnuplot: disc, square, triangle */
static const int hollow[] = {6, 4, 8};

static bool axis_resolved(const sm_json *band, size_t axis)
{
    const char *word = sm_json_string(sm_json_at(sm_json_get(band, "resolved_axes"), axis));
    return word[0] ? strcmp(word, "no") != 0 : sm_json_bool(sm_json_get(band, "resolved"), false);
}

static double place_of(const sm_json *band, size_t axis)
{
    double lo;
    double hi;
    sm_record_pair(band, "rpm", &lo, &hi);
    return lo + (hi - lo) * (0.27 + 0.23 * (double)axis);
}

static size_t coning_block(const sm_json *root, sm_plot *p, size_t axis, bool resolved, size_t *n)
{
    size_t block = sm_plot_block(p);
    const sm_json *bands = sm_json_get(root, "bands");
    *n = 0;
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        const sm_json *band = sm_json_at(bands, i);
        double v = sm_record_at(band, "coning_deg_per_h", axis);
        if (!isnan(v) && axis_resolved(band, axis) == resolved) {
            sm_plot_row(p, 2, (double[]){place_of(band, axis), v});
            (*n)++;
        }
    }
    return block;
}

static size_t interval_block(const sm_json *root, sm_plot *p, size_t axis, sm_panel *a, size_t *n)
{
    size_t block = sm_plot_block(p);
    const sm_json *bands = sm_json_get(root, "bands");
    *n = 0;
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        const sm_json *band = sm_json_at(bands, i);
        const sm_json *pair = sm_json_at(sm_json_get(band, "coning_interval_deg_per_h"), axis);
        double lo = sm_json_number(sm_json_at(pair, 0));
        double hi = sm_json_number(sm_json_at(pair, 1));
        double v = sm_record_at(band, "coning_deg_per_h", axis);
        a->y0 = v < a->y0 ? v : a->y0;
        a->y1 = v > a->y1 ? v : a->y1;
        if (isnan(lo) || isnan(hi)) {
            continue;
        }
        a->y0 = fmin(a->y0, lo);
        a->y1 = fmax(a->y1, hi);
        sm_plot_row(p, 4, (double[]){place_of(band, axis), lo, 0, hi - lo});
        (*n)++;
    }
    return block;
}

/* What the pointer shows on a band's column. */
static void hover_coning(const sm_json *root, sm_plot *p, const sm_panel *a)
{
    const sm_json *bands = sm_json_get(root, "bands");
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        const sm_json *band = sm_json_at(bands, i);
        double lo;
        double hi;
        sm_record_pair(band, "rpm", &lo, &hi);
        char text[3][60];
        for (size_t k = 0; k < 3; k++) {
            double v = sm_record_at(band, "coning_deg_per_h", k);
            double ceiling = sm_record_at(band, "coning_ceiling_deg_per_h", k);
            bool noise = !axis_resolved(band, k) && !isnan(ceiling);
            if (isnan(v)) {
                (void)snprintf(text[k], sizeof text[k], "not assessed");
            } else {
                (void)snprintf(text[k], sizeof text[k], "%s%.3g", noise ? "could be up to " : "",
                               noise ? ceiling : v);
            }
        }
        if (sm_record_count(band, "coning_deg_per_h") == 3) {
            sm_plot_hover(p, sm_panel_x(a, lo), a->bottom, sm_panel_x(a, hi), a->top,
                          "%g\u2013%g rpm: drift, deg/h, about x %s, y %s, z %s", lo, hi, text[0],
                          text[1], text[2]);
        }
    }
}

bool sm_picture_coning(const sm_json *root, sm_plot *p)
{
    const sm_json *bands = sm_json_get(root, "bands");
    sm_panel a = {.left = 82,
                  .right = SM_PLOT_WIDTH - 40,
                  .bottom = 84,
                  .top = 350,
                  .x0 = INFINITY,
                  .x1 = -INFINITY};
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        double lo;
        double hi;
        sm_record_pair(sm_json_at(bands, i), "rpm", &lo, &hi);
        a.x0 = lo < a.x0 ? lo : a.x0;
        a.x1 = hi > a.x1 ? hi : a.x1;
    }
    if (!(a.x1 > a.x0)) {
        return false;
    }
    sm_plot_open(p, "coning", 410);
    sm_plot_title(p, "Attitude drift from coning, per RPM band and axis");
    size_t blocks[9];
    size_t counts[9];
    size_t total = 0;
    for (size_t k = 0; k < 3; k++) {
        blocks[3 * k] = interval_block(root, p, k, &a, &counts[3 * k]);
        blocks[3 * k + 1] = coning_block(root, p, k, true, &counts[3 * k + 1]);
        blocks[3 * k + 2] = coning_block(root, p, k, false, &counts[3 * k + 2]);
        total += counts[3 * k + 1] + counts[3 * k + 2];
    }
    double air = 0.08 * fmax(a.y1 - a.y0, 1e-6);
    a.y0 -= air;
    a.y1 += air;
    sm_plot_panel(p, &a);
    sm_plot_say(p, "plot 0 lw 1.6 lc rgb \"" SM_INK "\"");
    for (size_t k = 0; k < 9; k++) {
        if (counts[k] && k % 3 == 0) {
            sm_plot_say(
                p,
                ", \\\n    \"%s.dat\" index %zu using 1:2:3:4 with vectors nohead lw 1.1 lc rgb "
                "\"%s\"",
                p->name, blocks[k], sm_look_series(k / 3));
        } else if (counts[k]) {
            sm_plot_say(
                p,
                ", \\\n    \"%s.dat\" index %zu using 1:2 with points pt %d ps 0.9 lc rgb \"%s\"",
                p->name, blocks[k], k % 3 == 1 ? shapes[k / 3] : hollow[k / 3],
                sm_look_series(k / 3));
        }
    }
    sm_plot_say(p, "\n");
    static const char *const keys[] = {"\u25cf about x", "\u25a0 about y", "\u25b2 about z"};
    for (size_t k = 0; k < 3; k++) {
        sm_plot_word_at(p, a.left + 90 * (double)k, 14, SM_LEFT, SM_SMALL, sm_look_series(k), "%s",
                        keys[k]);
    }
    sm_plot_word_at(p, a.left + 280, 14, SM_LEFT, SM_SMALL, SM_INK,
                    "open: below the noise of this log; line: 95 %% interval");
    char axis[40];
    (void)snprintf(axis, sizeof axis, "%s rpm", sm_record_rpm_of(root));
    hover_coning(root, p, &a);
    sm_plot_axis_names(p, &a, axis, "drift, deg/h");
    sm_text_add(&p->words,
                "Drift in degrees per hour that coning would make in a sensor that takes in "
                "none of it, per RPM band and axis, with intervals. Open marks lie below "
                "the noise of the log.");
    return total > 0;
}
