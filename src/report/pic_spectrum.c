/* The tightest band's spectrum with named peaks; under it, how the rms builds up to the limit. */
#include "report/look.h"
#include "report/pictures.h"
#include "stillmount/units.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { MAX_PEAKS = 9 };

typedef struct scene {
    const sm_json *spectrum;
    const sm_json *result; /* NULL when nothing was judged */
    double lo_rpm;
    double hi_rpm;
    double hz0; /* the frequencies that the limit counts; NaN = the limit is of another kind */
    double hz1;
} scene;

static bool find_scene(const sm_json *root, size_t i, scene *s)
{
    sm_record_worst w = sm_record_focus(root, i, "spectra");
    *s = (scene){.hz0 = NAN, .hz1 = NAN};
    if (w.result) {
        sm_record_pair(w.band, "rpm", &s->lo_rpm, &s->hi_rpm);
        s->result = w.result;
        s->spectrum = sm_record_for_band(root, "spectra", sm_record_text(w.result, "channel"),
                                         s->lo_rpm, s->hi_rpm);
        sm_record_pair(sm_json_get(w.result, "measure"), "hz", &s->hz0, &s->hz1);
    } else if (i == 0) {
        s->spectrum = sm_json_at(sm_json_get(root, "spectra"), 0);
        sm_record_pair(s->spectrum, "rpm", &s->lo_rpm, &s->hi_rpm);
    }
    return sm_record_count(s->spectrum, "hz") > 4;
}

/* "g^2/Hz" or "(deg/s)^2/Hz": the unit that is squared; NULL when it is not known. */
static const sm_unit *squared_unit(const char *text)
{
    char name[40];
    const char *power = strstr(text, "^2/Hz");
    if (!power || (size_t)(power - text) >= sizeof name) {
        return NULL;
    }
    bool brackets = text[0] == '(' && power > text + 1 && power[-1] == ')';
    (void)snprintf(name, sizeof name, "%.*s", (int)(power - text) - 2 * brackets, text + brackets);
    return sm_unit_find(name);
}

/* From the limit curve's unit to the spectrum's; NaN when the curve is about something else. */
static double curve_scale(const scene *s)
{
    const sm_json *measure = sm_json_get(s->result, "measure");
    const sm_unit *from = squared_unit(sm_record_text(measure, "curve_unit"));
    const sm_unit *to = squared_unit(sm_record_text(s->spectrum, "unit"));
    if (sm_json_size(sm_json_get(measure, "curve")) < 2 || !from || !to ||
        from->quantity != to->quantity) {
        return NAN;
    }
    return from->to_si / to->to_si * (from->to_si / to->to_si);
}

/* The limit's density at a frequency, in the spectrum's unit: log-log between breakpoints; NaN
 * outside them. */
static double curve_at(const scene *s, double hz)
{
    const sm_json *curve = sm_json_get(sm_json_get(s->result, "measure"), "curve");
    for (size_t i = 0; i + 1 < sm_json_size(curve); i++) {
        const sm_json *a = sm_json_at(curve, i);
        const sm_json *b = sm_json_at(curve, i + 1);
        double hz0 = sm_json_number(sm_json_at(a, 0));
        double hz1 = sm_json_number(sm_json_at(b, 0));
        double v0 = sm_json_number(sm_json_at(a, 1));
        double v1 = sm_json_number(sm_json_at(b, 1));
        if (hz >= hz0 && hz <= hz1 && hz0 > 0 && hz1 > hz0 && v0 > 0 && v1 > 0) {
            return v0 * pow(v1 / v0, log(hz / hz0) / log(hz1 / hz0)) * curve_scale(s);
        }
    }
    return NAN;
}

static void span_of(const scene *s, sm_panel *a)
{
    size_t n = sm_record_count(s->spectrum, "hz");
    a->x0 = 0;
    a->x1 = sm_record_at(s->spectrum, "hz", n - 1);
    if (s->hz1 > 0) {
        a->x1 = fmin(a->x1, 1.25 * s->hz1);
    }
    double lo = INFINITY;
    double hi = 0;
    for (size_t i = 2; i < n && sm_record_at(s->spectrum, "hz", i) <= a->x1; i++) {
        double v = sm_record_at(s->spectrum, "psd", i);
        lo = v > 0 ? fmin(lo, v) : lo;
        hi = v > 0 ? fmax(hi, v) : hi;
    }
    for (int i = 0; i <= 200 && !isnan(curve_scale(s)); i++) {
        double v = curve_at(s, a->x0 + (a->x1 - a->x0) * i / 200);
        hi = v > hi ? v : hi;
        lo = v < lo ? v : lo;
    }
    hi = hi > 0 ? hi : 1;
    lo = fmax(isfinite(lo) ? lo : hi / 1e6, hi / 1e9);
    a->y0 = pow(10, floor(log10(lo)));
    a->y1 = pow(10, ceil(log10(hi * 1.5)));
}

static size_t line_block(const sm_json *spectrum, const char *key, sm_plot *p, const sm_panel *a)
{
    size_t block = sm_plot_block(p);
    for (size_t i = 0; i < sm_record_count(spectrum, "hz"); i++) {
        double hz = sm_record_at(spectrum, "hz", i);
        double v = sm_record_at(spectrum, key, i);
        if (hz <= a->x1 && i > 0) {
            sm_plot_row(p, 2, (double[]){hz, v > 0 ? fmax(v, a->y0) : (double)NAN});
        }
    }
    return block;
}

/* What the pointer shows: the loudest bin of each narrow column. */
static void hover_line(const sm_json *spectrum, sm_plot *p, const sm_panel *a)
{
    const double column = 5;
    char unit[40];
    sm_record_unit(spectrum, unit, sizeof unit);
    size_t n = sm_record_count(spectrum, "hz");
    for (size_t i = 1; i < n && sm_record_at(spectrum, "hz", i) <= a->x1;) {
        double from = sm_panel_x(a, sm_record_at(spectrum, "hz", i));
        double to = from;
        size_t best = i;
        for (; i < n && (to = sm_panel_x(a, sm_record_at(spectrum, "hz", i))) < from + column;
             i++) {
            if (sm_record_at(spectrum, "psd", i) > sm_record_at(spectrum, "psd", best)) {
                best = i;
            }
        }
        sm_plot_hover(p, from, a->bottom, fmin(to, a->right), a->top, "%.4g Hz: %.3g %s",
                      sm_record_at(spectrum, "hz", best), sm_record_at(spectrum, "psd", best),
                      unit);
    }
}

/* Height of the drawn line at a frequency: the largest of the bins around it. */
static double height_at(const sm_json *spectrum, double hz)
{
    double best = 0;
    size_t n = sm_record_count(spectrum, "hz");
    double bin =
        (sm_record_at(spectrum, "hz", n - 1) - sm_record_at(spectrum, "hz", 0)) / (double)(n - 1);
    for (size_t i = 0; i < n; i++) {
        if (fabs(sm_record_at(spectrum, "hz", i) - hz) <= 1.6 * bin) {
            best = fmax(best, sm_record_at(spectrum, "psd", i));
        }
    }
    return best;
}

static const char *peak_name(const sm_json *source, char *own, size_t capacity)
{
    const char *kind = sm_record_text(source, "kind");
    const char *label = sm_record_text(source, "label");
    if (strcmp(kind, "order") == 0) {
        return label;
    }
    (void)snprintf(own, capacity, "%s%s%s", strcmp(kind, "fixed") == 0 ? "fixed" : kind,
                   label[0] && strcmp(label, kind) != 0 ? ": " : "",
                   strcmp(label, kind) != 0 ? label : "");
    return own;
}

typedef struct peak_list {
    double hz[MAX_PEAKS];
    char names[MAX_PEAKS][64];
    size_t n;
} peak_list;

static void add_peak(peak_list *list, double hz, const char *name)
{
    for (size_t i = 0; i < list->n; i++) {
        if (strcmp(list->names[i], name) == 0 && fabs(list->hz[i] - hz) < 3) {
            return;
        }
    }
    if (list->n < MAX_PEAKS && name[0]) {
        list->hz[list->n] = hz;
        sm_plot_clean(name, list->names[list->n++], sizeof list->names[0]);
    }
}

/* The order that a limit is about comes first, then the peaks as they are ranked. */
static void collect_peaks(const sm_json *root, const scene *s, const sm_panel *a, peak_list *list)
{
    const sm_json *measure = sm_json_get(s->result, "measure");
    double judged_hz = sm_record_number(s->result, "hz");
    if (strcmp(sm_record_text(measure, "kind"), "order") == 0 && judged_hz < a->x1) {
        char name[80];
        (void)snprintf(name, sizeof name, "%.50s (judged)", sm_record_text(measure, "label"));
        add_peak(list, judged_hz, name);
    }
    const char *channel = sm_record_text(s->spectrum, "channel");
    const sm_json *peaks = sm_json_get(root, "peaks");
    for (size_t i = 0; i < sm_json_size(peaks); i++) {
        const sm_json *peak = sm_json_at(peaks, i);
        double lo;
        double hi;
        double hz = sm_record_number(peak, "hz");
        sm_record_pair(peak, "rpm", &lo, &hi);
        if (strcmp(sm_record_text(peak, "channel"), channel) == 0 && fabs(lo - s->lo_rpm) < 0.5 &&
            hz > a->x0 && hz < a->x1) {
            char own[64];
            add_peak(list, hz, peak_name(sm_json_get(peak, "source"), own, sizeof own));
        }
    }
}

static double strip_height(const peak_list *list)
{
    double longest = 20;
    for (size_t i = 0; i < list->n; i++) {
        longest = fmax(longest, sm_plot_text_width(list->names[i], SM_SMALL));
    }
    return fmin(longest, 260) + 14;
}

/* Names stand upright in a strip over the panel, each with a line down to its peak. */
static void name_peaks(const scene *s, const peak_list *list, sm_plot *p, const sm_panel *a)
{
    double at[MAX_PEAKS];
    for (size_t i = 0; i < list->n; i++) {
        at[i] = sm_panel_x(a, list->hz[i]);
        sm_text_addf(&p->words, "%s %s at %.4g Hz", i ? "," : " Named peaks:", list->names[i],
                     list->hz[i]);
    }
    sm_text_add(&p->words, list->n ? "." : "");
    sm_plot_spread(at, list->n, 16, a->left + 8, a->right - 4);
    for (size_t i = 0; i < list->n; i++) {
        double x = sm_panel_x(a, list->hz[i]);
        double y = sm_panel_y(a, fmax(height_at(s->spectrum, list->hz[i]), a->y0));
        sm_plot_mark(p, x, y + 3, x, a->top - 6, SM_HATCH);
        sm_plot_mark(p, x, a->top - 6, at[i], a->top + 8, SM_HATCH);
        sm_plot_word_turned(p, at[i], a->top + 11, SM_LEFT, SM_SMALL, SM_INK, "%s", list->names[i]);
    }
}

/* Running rms from the limit's lower edge: the steps are the peaks, the end is the band's mean. */
static size_t running_block(const scene *s, sm_plot *p, double *total)
{
    size_t block = sm_plot_block(p);
    size_t n = sm_record_count(s->spectrum, "hz");
    double bin = (sm_record_at(s->spectrum, "hz", n - 1) - sm_record_at(s->spectrum, "hz", 0)) /
                 (double)(n - 1);
    double power = 0;
    for (size_t i = 0; i < n; i++) {
        double hz = sm_record_at(s->spectrum, "hz", i);
        double v = sm_record_at(s->spectrum, "psd", i);
        double lo = fmax(s->hz0, hz - bin / 2);
        double hi = fmin(s->hz1, hz + bin / 2);
        if (hi > lo && v > 0) {
            power += v * (hi - lo);
            sm_plot_row(p, 2, (double[]){hi, sqrt(power)});
        }
    }
    *total = sqrt(power);
    return block;
}

static void running_panel(const sm_json *root, const scene *s, sm_plot *p, const sm_panel *upper)
{
    double max = sm_record_number(s->result, "max");
    double reserve_db = sm_record_reserve_db(root, s->result);
    double total = 0;
    size_t block = running_block(s, p, &total);
    sm_panel a = {.left = upper->left,
                  .right = upper->right,
                  .bottom = 74,
                  .top = 214,
                  .x0 = upper->x0,
                  .x1 = upper->x1,
                  .y0 = 0};
    a.y1 = 1.15 * fmax(fmax(total, sm_record_number(s->result, "value")), max);
    sm_plot_panel(p, &a);
    sm_plot_say(p, "set ytics %.7g\n", sm_plot_step(a.y1, 5));
    if (reserve_db > 0) {
        sm_plot_box(p, a.x0, a.x1, max * pow(10, -reserve_db / 20), max, SM_RESERVE);
        sm_plot_word_at(p, a.right - 4, sm_panel_y(&a, max * pow(10, -reserve_db / 20)) + 8,
                        SM_RIGHT, SM_SMALL, SM_MUTED, "reserve %g dB", reserve_db);
    }
    sm_plot_say(
        p,
        "plot \"%s.dat\" index %zu using 1:2 with lines lw 2 lc rgb \"%s\", %.9g with lines "
        "lw 2.2 lc rgb \"" SM_INK "\"\n",
        p->name, block, sm_look_series(0), max);
    const char *unit = sm_record_text(s->result, "unit");
    double sides[2] = {sm_panel_y(&a, max), sm_panel_y(&a, total)};
    sm_plot_spread(sides, 2, 14, a.bottom, a.top);
    sm_plot_word_at(p, a.right + 6, sides[0], SM_LEFT, SM_SMALL, SM_INK, "limit %.4g", max);
    sm_plot_word_at(p, a.right + 6, sides[1], SM_LEFT, SM_SMALL, sm_look_series(0), "mean %.3g",
                    total);
    double value = sm_record_number(s->result, "value");
    if (value > 0) { /* the loudest cell decides, and lies above the mean */
        double y = sm_panel_y(&a, value);
        double x = sm_panel_x(&a, fmin(s->hz1, a.x1));
        sm_plot_mark(p, x - 5, y, x + 5, y, SM_INK);
        sm_plot_mark(p, x, y - 5, x, y + 5, SM_INK);
        sm_plot_word_at(p, x - 9, y, SM_RIGHT, SM_SMALL, SM_INK, "loudest cell, judged: %.3g",
                        value);
    }
    char name[80];
    (void)snprintf(name, sizeof name, "rms so far, %s", unit);
    sm_plot_axis_names(p, &a, "frequency, Hz", name);
    sm_text_addf(&p->words, " The rms from %g to %g Hz builds up to %.3g %s; the limit is %.4g %s.",
                 s->hz0, s->hz1, total, unit, max, unit);
}

/* What the limit counts, as a bar under the upper panel.
 */
static void limit_range(const scene *s, sm_plot *p, const sm_panel *a)
{
    if (isnan(s->hz0)) {
        return;
    }
    for (int k = 0; k < 3; k++) {
        sm_plot_mark(p, sm_panel_x(a, s->hz0), a->bottom - 1 - k,
                     sm_panel_x(a, fmin(s->hz1, a->x1)), a->bottom - 1 - k, SM_INK);
    }
}

/* The limit as a line with its reserve under it: frequency, reserve's edge, limit. */
static size_t curve_block(const sm_json *root, const scene *s, sm_plot *p, const sm_panel *a)
{
    double reserve_db = sm_record_reserve_db(root, s->result);
    double share = reserve_db > 0 ? pow(10, -reserve_db / 10) : 1; /* densities are powers */
    size_t block = sm_plot_block(p);
    double last_hz = NAN;
    for (int i = 0; i <= 400; i++) {
        double hz = s->hz0 + (fmin(s->hz1, a->x1) - s->hz0) * i / 400;
        double v = curve_at(s, hz);
        if (v > 0) {
            sm_plot_row(p, 3, (double[]){hz, fmax(v * share, a->y0), fmax(v, a->y0)});
            last_hz = hz;
        }
    }
    double y = sm_panel_y(a, curve_at(s, last_hz));
    if (isfinite(y)) {
        double x = sm_panel_x(a, last_hz);
        sm_plot_word_at(p, fmin(x, a->right) + 6, y + 5, SM_LEFT, SM_SMALL, SM_INK, "limit");
        if (reserve_db > 0) {
            sm_plot_word_at(p, fmin(x, a->right) + 6, y - 9, SM_LEFT, SM_SMALL, SM_MUTED,
                            "reserve %g dB", reserve_db);
        }
        sm_text_addf(&p->words, " The limit is a curve over frequency%s.",
                     reserve_db > 0 ? ", with its reserve as a strip under it" : "");
    }
    return block;
}

bool sm_picture_spectrum(const sm_json *root, size_t i, sm_plot *p)
{
    scene s;
    if (!find_scene(root, i, &s)) {
        return false;
    }
    const char *kind = sm_record_text(sm_json_get(s.result, "measure"), "kind");
    bool running = strcmp(kind, "rms") == 0 && !isnan(s.hz0);
    sm_panel a = {.left = 92,
                  .right = SM_PLOT_WIDTH - 78,
                  .bottom = running ? 240 : 58,
                  .log_y = true,
                  .hide_x = running};
    peak_list peaks = {0};
    span_of(&s, &a);
    collect_peaks(root, &s, &a, &peaks);
    double strip = strip_height(&peaks);
    sm_plot_open(p, i == 0 ? "spectrum" : "spectrum-2", (running ? 486 : 306) + strip);
    a.top = p->height - 52 - strip;
    char measure[120] = "";
    sm_record_measure(s.result, measure, sizeof measure);
    sm_plot_title(p, "%s: %s, %g\u2013%g rpm",
                  s.result ? "Spectrum of the tightest band" : "Spectrum",
                  sm_record_text(s.spectrum, "channel"), s.lo_rpm, s.hi_rpm);
    sm_text_addf(&p->words, "Power spectrum of the band %g to %g rpm.", s.lo_rpm, s.hi_rpm);
    if (s.result && strcmp(kind, "psd") == 0) {
        sm_plot_word_at(p, 14, p->height - 40, SM_LEFT, SM_NORMAL, SM_MUTED,
                        "judged by limit %s: %s, loudest cell at %.3g of the limit's curve",
                        sm_record_text(s.result, "limit"), measure,
                        sm_record_number(s.result, "value"));
    } else if (s.result) {
        sm_plot_word_at(p, 14, p->height - 40, SM_LEFT, SM_NORMAL, SM_MUTED,
                        "judged by limit %s: %s, %.3g of at most %.4g %s %s",
                        sm_record_text(s.result, "limit"), measure,
                        sm_record_number(s.result, "value"), sm_record_number(s.result, "max"),
                        sm_record_text(s.result, "unit"), sm_record_text(s.result, "detector"));
    }
    sm_plot_panel(p, &a);
    size_t line = line_block(s.spectrum, "psd", p, &a);
    size_t floor = line_block(s.spectrum, "floor", p, &a);
    bool curved = !isnan(curve_scale(&s)) && !isnan(s.hz0);
    size_t curve = curved ? curve_block(root, &s, p, &a) : 0;
    sm_plot_say(p, "plot ");
    if (curved) {
        sm_plot_say(p,
                    "\"%s.dat\" index %zu using 1:2:3 with filledcurves fc rgb \"" SM_RESERVE
                    "\", \\\n    ",
                    p->name, curve);
    }
    sm_plot_say(p,
                "\"%s.dat\" index %zu using 1:2:(%.9g) with filledcurves fc rgb \"" SM_BAND
                "\", \\\n    \"%s.dat\" index %zu using 1:2 with lines lw 1.6 lc rgb \"%s\"",
                p->name, line, a.y0, p->name, line, sm_look_series(0));
    if (sm_record_count(s.spectrum, "floor")) {
        sm_plot_say(p,
                    ", \\\n    \"%s.dat\" index %zu using 1:2 with lines lw 1 dt (4,3) lc rgb "
                    "\"" SM_MUTED "\"",
                    p->name, floor);
        double last = sm_record_at(s.spectrum, "floor", sm_record_count(s.spectrum, "floor") - 1);
        double y = last > 0 ? sm_panel_y(&a, fmax(a.y0, last)) : a.bottom;
        sm_plot_word_at(p, a.right + 6, y, SM_LEFT, SM_SMALL, SM_MUTED, "noise floor");
    }
    if (curved) {
        sm_plot_say(
            p, ", \\\n    \"%s.dat\" index %zu using 1:3 with lines lw 2.2 lc rgb \"" SM_INK "\"",
            p->name, curve);
    }
    sm_plot_say(p, "\n");
    hover_line(s.spectrum, p, &a);
    name_peaks(&s, &peaks, p, &a);
    limit_range(&s, p, &a);
    char unit[80];
    char shown[40];
    sm_record_unit(s.spectrum, shown, sizeof shown);
    (void)snprintf(unit, sizeof unit, "power per Hz, %s", shown);
    sm_plot_axis_names(p, &a, running ? NULL : "frequency, Hz", unit);
    if (running) {
        running_panel(root, &s, p, &a);
        sm_plot_word_at(p, a.left, 12, SM_LEFT, SM_SMALL, SM_MUTED,
                        "heavy line between the panels: the frequencies that the limit counts");
    }
    return true;
}
