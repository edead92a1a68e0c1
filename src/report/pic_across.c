/* What the mount lets through: ratio of two places over frequency, with its coherence. */
#include "report/look.h"
#include "report/pictures.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const double COHERENT = 0.8; /* below, the ratio is drawn pale: common practice, no source */

static size_t ratio_block(const sm_json *pair, sm_plot *p, bool trusted, size_t *n)
{
    size_t block = sm_plot_block(p);
    *n = 0;
    for (size_t i = 0; i < sm_record_count(pair, "hz"); i++) {
        double hz = sm_record_at(pair, "hz", i);
        double ratio = sm_record_at(pair, "ratio", i);
        double coherence = sm_record_at(pair, "coherence", i);
        if (hz > 0 && ratio > 0 && (!trusted || coherence >= COHERENT)) {
            sm_plot_row(p, 2, (double[]){hz, ratio});
            (*n)++;
        } else {
            sm_plot_break(p);
        }
    }
    return block;
}

static size_t band_block(const sm_json *pair, sm_plot *p, const sm_panel *a, size_t *n)
{
    size_t block = sm_plot_block(p);
    const sm_json *intervals = sm_json_get(pair, "interval_db");
    *n = 0;
    for (size_t i = 0; i < sm_json_size(intervals); i++) {
        double hz = sm_record_at(pair, "hz", i);
        double lo = pow(10, sm_json_number(sm_json_at(sm_json_at(intervals, i), 0)) / 20);
        double hi = pow(10, sm_json_number(sm_json_at(sm_json_at(intervals, i), 1)) / 20);
        if (hz > 0 && lo >= 0 && hi > 0 && sm_record_at(pair, "coherence", i) >= COHERENT) {
            sm_plot_row(p, 3, (double[]){hz, fmax(lo, a->y0), fmin(hi, a->y1)});
            (*n)++;
        } else {
            sm_plot_break(p);
        }
    }
    return block;
}

static size_t coherence_block(const sm_json *pair, sm_plot *p)
{
    size_t block = sm_plot_block(p);
    for (size_t i = 0; i < sm_record_count(pair, "hz"); i++) {
        sm_plot_row(p, 2,
                    (double[]){sm_record_at(pair, "hz", i), sm_record_at(pair, "coherence", i)});
    }
    return block;
}

static bool span_of(const sm_json *pair, sm_panel *a)
{
    size_t n = sm_record_count(pair, "hz");
    double lo = INFINITY;
    double hi = 0;
    a->x0 = INFINITY;
    a->x1 = 0;
    for (size_t i = 0; i < n; i++) {
        double hz = sm_record_at(pair, "hz", i);
        double r = sm_record_at(pair, "ratio", i);
        if (hz > 0 && r > 0) {
            a->x0 = fmin(a->x0, hz);
            a->x1 = fmax(a->x1, hz);
            lo = fmin(lo, r);
            hi = fmax(hi, r);
        }
    }
    a->y0 = pow(10, floor(log10(fmax(lo, hi / 1e4))));
    a->y1 = pow(10, ceil(log10(fmax(hi, 1.01))));
    return a->x1 > a->x0 && a->y1 > a->y0;
}

/* The isolator entry whose axis is this pair's. */
static const sm_json *isolator_of(const sm_json *root, const sm_json *pair)
{
    const char *to = sm_record_text(pair, "to");
    const char *dot = strrchr(to, '.');
    const sm_json *list = sm_json_get(root, "isolator");
    for (size_t i = 0; i < sm_json_size(list); i++) {
        const char *axis = sm_record_text(sm_json_at(list, i), "axis");
        if (dot && (strcmp(axis, dot + 1) == 0 || strcmp(axis, to) == 0)) {
            return sm_json_at(list, i);
        }
    }
    return NULL;
}

static void mark_hz(sm_plot *p, const sm_panel *a, double hz, const char *text)
{
    if (!(hz > a->x0 && hz < a->x1)) {
        return;
    }
    double x = sm_panel_x(a, hz);
    for (double y = a->bottom; y + 3 < a->top; y += 8) {
        sm_plot_mark(p, x, y, x, y + 3, SM_MUTED);
    }
    bool right = x < a->left + 0.75 * (a->right - a->left);
    sm_plot_word_at(p, x + (right ? 5 : -5), a->top - 9 - (text[0] == 'i' ? 15 : 0),
                    right ? SM_LEFT : SM_RIGHT, SM_SMALL, SM_INK, "%s %.3g Hz", text, hz);
}

/* What the pointer shows: ratio and coherence at the first frequency of each narrow column. */
static void hover_ratio(const sm_json *pair, sm_plot *p, const sm_panel *a, double bottom)
{
    const double column = 6;
    size_t n = sm_record_count(pair, "hz");
    for (size_t i = 0; i < n;) {
        double hz = sm_record_at(pair, "hz", i);
        size_t at = i;
        double from = sm_panel_x(a, hz);
        double to = from;
        while (i < n && (to = sm_panel_x(a, sm_record_at(pair, "hz", i))) < from + column) {
            i++;
        }
        i += i == at; /* NaN or no frequency: go on */
        if (from >= a->left) {
            sm_plot_hover(p, from, bottom, fmin(to, a->right), a->top,
                          "%.4g Hz: ratio %.3g, coherence %.2f", hz,
                          sm_record_at(pair, "ratio", at), sm_record_at(pair, "coherence", at));
        }
    }
}

bool sm_picture_across(const sm_json *root, size_t i, sm_plot *p)
{
    const sm_json *pair = sm_json_at(sm_json_get(root, "pairs"), i);
    sm_panel a = {.left = 82,
                  .right = SM_PLOT_WIDTH - 96,
                  .bottom = 190,
                  .top = 430,
                  .log_x = true,
                  .log_y = true,
                  .hide_x = true};
    if (!pair || !span_of(pair, &a)) {
        return false;
    }
    char name[32];
    (void)snprintf(name, sizeof name, "across-%zu", i + 1);
    sm_plot_open(p, name, 490);
    sm_plot_title(p, "What the mount lets through: %s over %s", sm_record_text(pair, "to"),
                  sm_record_text(pair, "from"));
    sm_plot_panel(p, &a);
    size_t n_band = 0;
    size_t n_all = 0;
    size_t n_good = 0;
    size_t band = band_block(pair, p, &a, &n_band);
    size_t all = ratio_block(pair, p, false, &n_all);
    size_t good = ratio_block(pair, p, true, &n_good);
    sm_plot_say(p, "plot 1 lw 2 lc rgb \"" SM_INK "\"");
    if (n_band) {
        sm_plot_say(p,
                    ", \\\n    \"%s.dat\" index %zu using 1:2:3 with filledcurves fc rgb \"" SM_BAND
                    "\"",
                    p->name, band);
    }
    sm_plot_say(
        p, ", \\\n    \"%s.dat\" index %zu using 1:2 with lines lw 0.9 lc rgb \"" SM_HATCH "\"",
        p->name, all);
    if (n_good) {
        sm_plot_say(p, ", \\\n    \"%s.dat\" index %zu using 1:2 with lines lw 2 lc rgb \"%s\"",
                    p->name, good, sm_look_series(0));
    }
    sm_plot_say(p, "\n");
    const sm_json *isolator = isolator_of(root, pair);
    mark_hz(p, &a, sm_record_number(isolator, "natural_hz"), "natural frequency");
    mark_hz(p, &a, sm_record_number(isolator, "isolates_above_hz"), "isolates above");
    sm_plot_word_at(p, a.right + 6, sm_panel_y(&a, 1), SM_LEFT, SM_SMALL, SM_INK, "as it comes in");
    sm_plot_word_at(p, a.right + 6, sm_panel_y(&a, 1) + 15, SM_LEFT, SM_SMALL, SM_MUTED,
                    "made larger");
    sm_plot_word_at(p, a.right + 6, sm_panel_y(&a, 1) - 15, SM_LEFT, SM_SMALL, SM_MUTED,
                    "made smaller");
    sm_plot_axis_names(p, &a, NULL, "ratio of amplitudes");
    sm_panel c = a;
    c.bottom = 74;
    c.top = 160;
    c.log_y = false;
    c.hide_x = false;
    c.y0 = 0;
    c.y1 = 1.05;
    sm_plot_panel(p, &c);
    size_t coherence = coherence_block(pair, p);
    sm_plot_say(p,
                "set ytics 0.5\nplot %g lw 0.8 dt (4,4) lc rgb \"" SM_MUTED
                "\", \\\n    \"%s.dat\" index %zu using 1:2 with lines lw 1.3 lc rgb \"%s\"\n",
                COHERENT, p->name, coherence, sm_look_series(1));
    hover_ratio(pair, p, &a, c.bottom);
    sm_plot_axis_names(p, &c, "frequency, Hz", "coherence");
    sm_plot_word_at(
        p, 82, 12, SM_LEFT, SM_SMALL, SM_MUTED,
        "grey where the coherence is below %g: the two places do not move together there",
        COHERENT);
    sm_text_addf(&p->words,
                 "Ratio of the vibration at %.60s to that at %.60s over frequency, with "
                 "interval and coherence.",
                 sm_record_text(pair, "to"), sm_record_text(pair, "from"));
    double natural = sm_record_number(isolator, "natural_hz");
    if (natural > 0) {
        sm_text_addf(&p->words,
                     " Natural frequency %.3g Hz, damping ratio %.2g, isolates above %.3g "
                     "Hz.",
                     natural, sm_record_number(isolator, "damping_ratio"),
                     sm_record_number(isolator, "isolates_above_hz"));
    }
    return true;
}
