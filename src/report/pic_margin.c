/* Margin per RPM band: bars that grow from zero at the limit, one panel per limit. */
#include "report/look.h"
#include "report/pictures.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { MAX_LIMITS = 6, MAX_HOLES = 128 };
static const double SHOWN_DB = 30; /* beyond, a bar is cut and says its number */

/* What one limit says about one band: its tightest channel, its worst verdict. */
typedef struct bar {
    double lo_rpm;
    double hi_rpm;
    double margin_db;
    double low_db;
    double high_db;
    const char *verdict;
    const sm_json *tightest; /* the result that the margin is from */
    bool empty;
} bar;

static size_t limit_names(const sm_json *root, const char *names[MAX_LIMITS], size_t *total)
{
    size_t n = 0;
    *total = 0;
    const char *seen[64];
    const sm_json *bands = sm_json_get(root, "bands");
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        const sm_json *results = sm_json_get(sm_json_at(bands, i), "results");
        for (size_t k = 0; k < sm_json_size(results); k++) {
            const char *name = sm_record_text(sm_json_at(results, k), "limit");
            bool known = !name[0];
            for (size_t j = 0; j < *total && !known; j++) {
                known = strcmp(seen[j], name) == 0;
            }
            if (!known && *total < 64) {
                seen[(*total)++] = name;
            }
        }
    }
    for (; n < *total && n < MAX_LIMITS; n++) {
        names[n] = seen[n];
    }
    return n;
}

static bar bar_of(const sm_json *band, const char *limit)
{
    bar b = {.margin_db = NAN, .low_db = NAN, .high_db = NAN, .verdict = ""};
    sm_record_pair(band, "rpm", &b.lo_rpm, &b.hi_rpm);
    b.empty = sm_record_band_empty(band);
    int urgency = -1;
    const sm_json *results = sm_json_get(band, "results");
    for (size_t k = 0; k < sm_json_size(results); k++) {
        const sm_json *r = sm_json_at(results, k);
        if (strcmp(limit, sm_record_text(r, "limit")) != 0) {
            continue;
        }
        const char *verdict = sm_record_text(r, "verdict");
        if (sm_record_urgency(verdict) > urgency) {
            urgency = sm_record_urgency(verdict);
            b.verdict = verdict;
        }
        double margin = sm_record_number(r, "margin_db");
        if (!isnan(margin) && !(margin >= b.margin_db)) {
            b.margin_db = margin;
            b.tightest = r;
            sm_record_margin_interval(r, &b.low_db, &b.high_db);
        }
    }
    return b;
}

static double clip_db(double v)
{
    return fmax(-SHOWN_DB, fmin(SHOWN_DB, v));
}

static void span_of(const sm_json *root, const char *limit, double reserve_db, sm_panel *a)
{
    double top = fmax(8, reserve_db + 2);
    double bottom = -4;
    const sm_json *bands = sm_json_get(root, "bands");
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        bar b = bar_of(sm_json_at(bands, i), limit);
        if (!isnan(b.margin_db)) {
            top = fmax(top, clip_db(isnan(b.high_db) ? b.margin_db : b.high_db));
            bottom = fmin(bottom, clip_db(isnan(b.low_db) ? b.margin_db : b.low_db));
        }
        a->x0 = i == 0 ? b.lo_rpm : fmin(a->x0, b.lo_rpm);
        a->x1 = i == 0 ? b.hi_rpm : fmax(a->x1, b.hi_rpm);
    }
    double air = 0.14 * (top - bottom); /* for the numbers at the bars' ends */
    a->y0 = bottom - air;
    a->y1 = top + air;
}

/* Bars of one colour are one block: x, height, half width. */
static size_t bars_block(const sm_json *root, sm_plot *p, const char *limit, const char *verdict,
                         size_t *n)
{
    size_t block = sm_plot_block(p);
    const sm_json *bands = sm_json_get(root, "bands");
    *n = 0;
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        bar b = bar_of(sm_json_at(bands, i), limit);
        if (b.empty || isnan(b.margin_db) || strcmp(b.verdict, verdict) != 0) {
            continue;
        }
        double gap = 0.12 * (b.hi_rpm - b.lo_rpm);
        double end = clip_db(b.margin_db);
        sm_plot_row(p, 6,
                    (double[]){(b.lo_rpm + b.hi_rpm) / 2, 0, b.lo_rpm + gap, b.hi_rpm - gap,
                               fmin(0, end), fmax(0, end)});
        (*n)++;
    }
    return block;
}

static size_t whiskers_block(const sm_json *root, sm_plot *p, const char *limit, size_t *n)
{
    size_t block = sm_plot_block(p);
    const sm_json *bands = sm_json_get(root, "bands");
    *n = 0;
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        bar b = bar_of(sm_json_at(bands, i), limit);
        if (b.empty || isnan(b.low_db) || isnan(b.high_db) || b.high_db - b.low_db < 0.05 ||
            clip_db(b.margin_db) != b.margin_db) {
            continue;
        }
        double x = (b.lo_rpm + b.hi_rpm) / 2;
        double cap = 0.07 * (b.hi_rpm - b.lo_rpm);
        double lo = clip_db(b.low_db);
        double hi = clip_db(b.high_db);
        sm_plot_row(p, 4, (double[]){x, lo, 0, hi - lo});
        sm_plot_row(p, 4, (double[]){x - cap, lo, 2 * cap, 0});
        sm_plot_row(p, 4, (double[]){x - cap, hi, 2 * cap, 0});
        (*n)++;
    }
    return block;
}

static void hole_word(sm_plot *p, const sm_panel *a, double x, const char *word)
{
    double mid = (sm_panel_y(a, 0) + a->top) / 2 + 2;
    double half = sm_plot_text_width(word, SM_SMALL) / 2 + 3;
    for (int i = -12; i <= 12; i++) { /* a clear strip behind the word */
        sm_plot_mark(p, x + 0.5 * i, mid - half, x + 0.5 * i, mid + half, "#ffffff");
    }
    sm_plot_word_turned(p, x, mid, SM_CENTER, SM_SMALL, SM_INK, "%s", word);
}

static void bar_words(const bar *b, sm_plot *p, const sm_panel *a)
{
    double x = (sm_panel_x(a, b->lo_rpm) + sm_panel_x(a, b->hi_rpm)) / 2;
    double width = sm_panel_x(a, b->hi_rpm) - sm_panel_x(a, b->lo_rpm);
    if (b->empty || isnan(b->margin_db)) {
        return;
    }
    bool up = b->margin_db >= 0;
    double far = up ? fmax(b->margin_db, isnan(b->high_db) ? b->margin_db : b->high_db)
                    : fmin(b->margin_db, isnan(b->low_db) ? b->margin_db : b->low_db);
    double y = sm_panel_y(a, clip_db(far)) + (up ? 9 : -10);
    char text[40];
    (void)snprintf(text, sizeof text, "%s%.1f%s", up ? "+" : "\u2212", fabs(b->margin_db),
                   fabs(b->margin_db) > SHOWN_DB ? (up ? " \u2191" : " \u2193") : "");
    if (width >= 33) {
        sm_plot_word_at(p, x, y, SM_CENTER, SM_SMALL, SM_INK, "%s", text);
    } else {
        sm_plot_word_turned(p, x, y + (up ? -5 : 5), up ? SM_LEFT : SM_RIGHT, SM_SMALL, SM_INK,
                            "%s", text);
    }
}

static void draw_boxes(const sm_json *root, sm_plot *p, const sm_panel *a, double reserve_db)
{
    if (reserve_db > 0) {
        sm_plot_box(p, a->x0, a->x1, 0, fmin(reserve_db, a->y1), SM_RESERVE);
    }
    const sm_json *bands = sm_json_get(root, "bands");
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        bar b = bar_of(sm_json_at(bands, i), "");
        if (b.empty) {
            sm_plot_box(p, b.lo_rpm, b.hi_rpm, a->y0, a->y1, "#f4f5f6");
        }
    }
}

/* Neighbouring bands without a bar for the same reason are hatched and named as one. */
static size_t hatch_holes(const sm_json *root, sm_plot *p, const sm_panel *a, const char *limit,
                          size_t hatches[MAX_HOLES])
{
    size_t n = 0;
    const sm_json *bands = sm_json_get(root, "bands");
    for (size_t i = 0; i < sm_json_size(bands) && n < MAX_HOLES;) {
        bar first = bar_of(sm_json_at(bands, i++), limit);
        if (!first.empty && !isnan(first.margin_db)) {
            continue;
        }
        double end = first.hi_rpm;
        for (; i < sm_json_size(bands); i++) {
            bar next = bar_of(sm_json_at(bands, i), limit);
            if (next.empty != first.empty || (!next.empty && !isnan(next.margin_db)) ||
                next.lo_rpm != end) {
                break;
            }
            end = next.hi_rpm;
        }
        hatches[n++] = sm_plot_hatch(p, a, first.lo_rpm, end, a->y0, a->y1, first.empty);
        hole_word(p, a, (sm_panel_x(a, first.lo_rpm) + sm_panel_x(a, end)) / 2,
                  first.empty        ? sm_record_empty_text(root)
                  : first.verdict[0] ? "no answer"
                                     : "no limit");
    }
    return n;
}

/* What the pointer shows on a band's column. */
static void hover_bars(const sm_json *root, sm_plot *p, const sm_panel *a, const char *limit)
{
    const sm_json *bands = sm_json_get(root, "bands");
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        bar b = bar_of(sm_json_at(bands, i), limit);
        char text[300];
        char interval[80] = "";
        if (!isnan(b.low_db) && !isnan(b.high_db)) {
            (void)snprintf(interval, sizeof interval, " (95 %% interval %+.1f to %+.1f)", b.low_db,
                           b.high_db);
        }
        if (b.tightest) {
            bool unresolved = sm_record_unresolved(b.tightest);
            const char *detector = sm_record_detector(b.tightest);
            (void)snprintf(text, sizeof text,
                           "margin %+.1f dB%s, %.20s; %.80s %s%.3g of at most %.4g %.20s%s%.10s",
                           b.margin_db, interval, b.verdict, sm_record_text(b.tightest, "channel"),
                           unresolved ? "not above the noise, could be up to " : "",
                           sm_record_number(b.tightest, unresolved ? "ceiling" : "value"),
                           sm_record_number(b.tightest, "max"), sm_record_text(b.tightest, "unit"),
                           detector[0] ? " " : "", detector);
        } else {
            (void)snprintf(text, sizeof text, "%s",
                           b.empty        ? sm_record_empty_text(root)
                           : b.verdict[0] ? "no answer (unassessed)"
                                          : "no limit here");
        }
        sm_plot_hover(p, sm_panel_x(a, b.lo_rpm), a->bottom, sm_panel_x(a, b.hi_rpm), a->top,
                      "%g\u2013%g rpm, limit %.60s: %s", b.lo_rpm, b.hi_rpm, limit, text);
    }
}

static void draw_bars(const sm_json *root, sm_plot *p, const sm_panel *a, const char *limit)
{
    static const char *const verdicts[] = {"within", "thin", "over", "unassessed"};
    size_t hatches[MAX_HOLES];
    size_t n_hatches = hatch_holes(root, p, a, limit, hatches);
    const sm_json *bands = sm_json_get(root, "bands");
    for (size_t i = 0; i < sm_json_size(bands) && n_hatches < MAX_HOLES; i++) {
        bar b = bar_of(sm_json_at(bands, i), limit);
        double gap = 0.12 * (b.hi_rpm - b.lo_rpm);
        double end = clip_db(b.margin_db);
        if (!b.empty && fabs(end) > 0.02 * (a->y1 - a->y0) &&
            strcmp(b.verdict, "unassessed") == 0) {
            hatches[n_hatches++] = sm_plot_hatch(p, a, b.lo_rpm + gap, b.hi_rpm - gap, fmin(0, end),
                                                 fmax(0, end), false);
        }
    }
    size_t blocks[4];
    size_t n[4];
    for (size_t v = 0; v < 4; v++) {
        blocks[v] = bars_block(root, p, limit, verdicts[v], &n[v]);
    }
    size_t n_whiskers = 0;
    size_t whiskers = whiskers_block(root, p, limit, &n_whiskers);
    sm_plot_say(p, "set xzeroaxis lt 1 lc rgb \"" SM_INK "\" lw 2.2\nplot ");
    for (size_t i = 0; i < n_hatches; i++) {
        sm_plot_say(
            p, "\"%s.dat\" index %zu using 1:2 with lines lw 0.8 lc rgb \"" SM_HATCH "\", \\\n    ",
            p->name, hatches[i]);
    }
    for (size_t v = 0; v < 4; v++) {
        if (v < 3 && n[v]) {
            sm_plot_say(p,
                        "\"%s.dat\" index %zu using 1:2:3:4:5:6 with boxxyerror fc rgb \"%s\", "
                        "\\\n    ",
                        p->name, blocks[v], sm_look_verdict(verdicts[v]));
        } else if (n[v]) { /* a value without a verdict: outline only */
            sm_plot_say(p,
                        "\"%s.dat\" index %zu using 1:2:3:4:5:6 with boxxyerror fs empty lc "
                        "rgb \"%s\" lw 1.6 dt (3,3), \\\n    ",
                        p->name, blocks[v], SM_MUTED);
        }
    }
    if (n_whiskers) {
        sm_plot_say(p,
                    "\"%s.dat\" index %zu using 1:2:3:4 with vectors nohead lw 1.3 lc rgb \"" SM_INK
                    "\", \\\n    ",
                    p->name, whiskers);
    }
    sm_plot_say(p, "0 lw 2.2 lc rgb \"" SM_INK "\"\n");
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        bar b = bar_of(sm_json_at(bands, i), limit);
        bar_words(&b, p, a);
    }
}

static void panel_words(const sm_json *root, sm_plot *p, const sm_panel *a, const char *limit,
                        double reserve_db)
{
    sm_record_worst w = sm_record_tightest(root, limit);
    char measure[120] = "";
    char name[48];
    sm_text_inert(limit, strlen(limit), name, sizeof name);
    if (w.result) {
        char channel[60];
        const char *c = sm_record_text(w.result, "channel");
        double lo;
        double hi;
        sm_record_measure(w.result, measure, sizeof measure);
        sm_text_inert(c, strlen(c), channel, sizeof channel);
        sm_record_pair(w.band, "rpm", &lo, &hi);
        double m = sm_record_number(w.result, "margin_db");
        sm_plot_word_at(p, a->left, a->top + 11, SM_LEFT, SM_NORMAL, SM_INK,
                        "limit %s: %s, at most %.4g %s %s. Tightest %+.1f dB, %g\u2013%g rpm, %s",
                        name, measure, sm_record_number(w.result, "max"),
                        sm_record_text(w.result, "unit"), sm_record_text(w.result, "detector"), m,
                        lo, hi, channel);
        sm_text_addf(&p->words, " Limit %s: tightest %+.1f dB at %g to %g rpm.", name, m, lo, hi);
    } else {
        sm_plot_word_at(p, a->left, a->top + 11, SM_LEFT, SM_NORMAL, SM_INK,
                        "limit %s: nothing could be compared with it", name);
    }
    double sides[2] = {sm_panel_y(a, 0), sm_panel_y(a, reserve_db) - 11};
    if (reserve_db > 0) {
        sm_plot_spread(sides, 2, 24, a->bottom - 4, a->top + 4);
        sm_plot_word_at(p, a->right + 6, sides[1] + 6, SM_LEFT, SM_SMALL, SM_MUTED, "reserve");
        sm_plot_word_at(p, a->right + 6, sides[1] - 7, SM_LEFT, SM_SMALL, SM_MUTED, "%g dB",
                        reserve_db);
    }
    sm_plot_word_at(p, a->right + 6, sides[0], SM_LEFT, SM_SMALL, SM_INK, "limit");
}

/* The key: what the colours and marks mean, in one line under the picture. */
static void key_line(sm_plot *p, double y)
{
    static const struct {
        const char *colour;
        const char *text;
    } keys[] = {
        {SM_WITHIN, "within"},
        {SM_THIN, "thin: reserve not kept or not proven"},
        {SM_OVER, "over"},
    };
    double x = 66;
    for (size_t i = 0; i < 3; i++) {
        for (int k = 0; k < 9; k++) {
            sm_plot_mark(p, x, y - 4 + k, x + 12, y - 4 + k, keys[i].colour);
        }
        sm_plot_word_at(p, x + 17, y, SM_LEFT, SM_SMALL, SM_INK, "%s", keys[i].text);
        x += 34 + sm_plot_text_width(keys[i].text, SM_SMALL);
    }
    for (int k = 0; k < 3; k++) { /* a hatched box */
        sm_plot_mark(p, x + 4 * k, y + 4, x + 4 * k + 4, y - 4, SM_HATCH);
        sm_plot_mark(p, x, y - 4 + 8 * (k > 0), x + 12, y - 4 + 8 * (k > 0), SM_MUTED);
        sm_plot_mark(p, x + 12 * (k > 0), y - 4, x + 12 * (k > 0), y + 4, SM_MUTED);
    }
    sm_plot_word_at(p, x + 17, y, SM_LEFT, SM_SMALL, SM_INK, "no answer (unassessed)");
    x += 40 + sm_plot_text_width("no answer (unassessed)", SM_SMALL);
    sm_plot_mark(p, x, y - 5, x, y + 5, SM_INK);
    sm_plot_mark(p, x - 3, y - 5, x + 3, y - 5, SM_INK);
    sm_plot_mark(p, x - 3, y + 5, x + 3, y + 5, SM_INK);
    sm_plot_word_at(p, x + 8, y, SM_LEFT, SM_SMALL, SM_INK, "95 %% interval");
}

/* The required bands as a heavy line under the axis. */
static void required_line(const sm_json *root, sm_plot *p, const sm_panel *a)
{
    const sm_json *bands = sm_json_get(root, "bands");
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        const sm_json *band = sm_json_at(bands, i);
        double lo;
        double hi;
        sm_record_pair(band, "rpm", &lo, &hi);
        for (int k = 0; k < 3 && sm_json_bool(sm_json_get(band, "required"), false); k++) {
            sm_plot_mark(p, sm_panel_x(a, lo), a->bottom - 1 - k, sm_panel_x(a, hi),
                         a->bottom - 1 - k, SM_INK);
        }
    }
}

bool sm_picture_margin(const sm_json *root, sm_plot *p)
{
    const char *names[MAX_LIMITS];
    size_t total = 0;
    size_t n = limit_names(root, names, &total);
    bool judged = false;
    for (size_t i = 0; i < n; i++) {
        judged = judged || sm_record_tightest(root, names[i]).result;
    }
    if (n == 0 || !judged) {
        return false;
    }
    double each = n == 1 ? 270 : n == 2 ? 190 : 150;
    double height = 44 + (double)n * (each + 34) + 66;
    sm_plot_open(p, "margin", height);
    sm_plot_title(p, "Margin per RPM band: how far under (+) or over (\u2212) each limit");
    sm_text_add(&p->words, "Bar chart: margin to each limit, in dB, for each RPM band; bars above "
                           "zero are under the limit.");
    for (size_t i = 0; i < n; i++) {
        double top = height - 60 - (double)i * (each + 34);
        sm_panel a = {.left = 66,
                      .right = p->width - 64,
                      .top = top,
                      .bottom = top - each,
                      .hide_x = i + 1 < n};
        sm_record_worst w = sm_record_tightest(root, names[i]);
        double reserve_db = w.result ? sm_record_reserve_db(root, w.result) : (double)NAN;
        span_of(root, names[i], isnan(reserve_db) ? 0 : reserve_db, &a);
        sm_plot_panel(p, &a);
        sm_plot_say(p, "set ytics %.7g\n", sm_plot_step(a.y1 - a.y0, each > 200 ? 9 : 6));
        draw_boxes(root, p, &a, reserve_db);
        draw_bars(root, p, &a, names[i]);
        hover_bars(root, p, &a, names[i]);
        panel_words(root, p, &a, names[i], reserve_db);
        required_line(root, p, &a);
        char axis[120];
        (void)snprintf(axis, sizeof axis, "%s rpm (heavy line under the axis: required bands)",
                       sm_record_rpm_of(root));
        sm_plot_axis_names(p, &a, i + 1 == n ? axis : NULL, "margin, dB");
    }
    key_line(p, 12);
    if (total > n) {
        sm_text_addf(&p->words, " %zu more limits are in the table only.", total - n);
    }
    return true;
}
