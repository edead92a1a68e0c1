/* Before and after: levels over rpm, and the change with its interval. */
#include "report/look.h"
#include "report/pictures.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { MAX_PAIRS = 64, MAX_SHOWN = 3 };

/* One channel and measure, followed over the bands. */
typedef struct series {
    const sm_json *first; /* any of its changes: channel, measure, unit */
    double weight;        /* how much it has to say */
} series;

static bool same(const sm_json *a, const sm_json *b)
{
    char ma[160];
    char mb[160];
    sm_record_measure(a, ma, sizeof ma);
    sm_record_measure(b, mb, sizeof mb);
    return strcmp(sm_record_text(a, "channel"), sm_record_text(b, "channel")) == 0 &&
           strcmp(ma, mb) == 0;
}

static const sm_json *change_of(const sm_json *band, const sm_json *like)
{
    const sm_json *list = sm_json_get(band, "changes");
    for (size_t i = 0; i < sm_json_size(list); i++) {
        if (same(sm_json_at(list, i), like)) {
            return sm_json_at(list, i);
        }
    }
    return NULL;
}

/* Levels (rms and the like) before peaks, these before single orders, then by the largest proven
 * change. */
static double weight_of(const sm_json *c)
{
    const char *verdict = sm_record_text(c, "verdict");
    bool proven = strcmp(verdict, "better") == 0 || strcmp(verdict, "worse") == 0;
    const char *kind = sm_record_text(sm_json_get(c, "measure"), "kind");
    double first = strcmp(kind, "order") == 0 ? 0 : strcmp(kind, "peak") == 0 ? 500 : 1000;
    double db = fabs(sm_record_number(c, "change_db"));
    return isnan(db) ? 0 : (proven ? 100 : 0) + first + db;
}

static size_t pick(const sm_json *root, series shown[MAX_SHOWN])
{
    series all[MAX_PAIRS];
    size_t n = 0;
    const sm_json *bands = sm_json_get(root, "bands");
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        const sm_json *list = sm_json_get(sm_json_at(bands, i), "changes");
        for (size_t k = 0; k < sm_json_size(list); k++) {
            const sm_json *c = sm_json_at(list, k);
            size_t at = 0;
            while (at < n && !same(all[at].first, c)) {
                at++;
            }
            if (at == n && n < MAX_PAIRS) {
                all[n++] = (series){.first = c};
            }
            if (at < n) {
                all[at].weight = fmax(all[at].weight, weight_of(c));
            }
        }
    }
    size_t chosen = 0;
    for (; chosen < MAX_SHOWN; chosen++) {
        size_t best = MAX_PAIRS;
        for (size_t i = 0; i < n; i++) {
            if (all[i].weight > 0 && (best == MAX_PAIRS || all[i].weight > all[best].weight)) {
                best = i;
            }
        }
        if (best == MAX_PAIRS) {
            break;
        }
        shown[chosen] = all[best];
        all[best].weight = 0;
    }
    return chosen;
}

static void span_rpm(const sm_json *root, sm_panel *a)
{
    const sm_json *bands = sm_json_get(root, "bands");
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        double lo;
        double hi;
        sm_record_pair(sm_json_at(bands, i), "rpm", &lo, &hi);
        a->x0 = i == 0 ? lo : fmin(a->x0, lo);
        a->x1 = i == 0 ? hi : fmax(a->x1, hi);
    }
}

static double middle(const sm_json *band)
{
    double lo;
    double hi;
    sm_record_pair(band, "rpm", &lo, &hi);
    return (lo + hi) / 2;
}

static void panel_title(sm_plot *p, const sm_panel *a, const series *s)
{
    char measure[120];
    sm_record_measure(s->first, measure, sizeof measure);
    sm_plot_word_at(p, a->left, a->top + 11, SM_LEFT, SM_NORMAL, SM_INK, "%s, %s",
                    sm_record_text(s->first, "channel"), measure);
}

static size_t level_block(const sm_json *root, sm_plot *p, const series *s, const char *key,
                          double *top)
{
    size_t block = sm_plot_block(p);
    const sm_json *bands = sm_json_get(root, "bands");
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        const sm_json *band = sm_json_at(bands, i);
        double v = sm_record_number(change_of(band, s->first), key);
        if (isnan(v)) {
            sm_plot_break(p);
        } else {
            sm_plot_row(p, 2, (double[]){middle(band), v});
            *top = fmax(*top, v);
        }
    }
    return block;
}

/* Whiskers of one side, beside the middle of the band so that both can be seen. */
static size_t level_whiskers(const sm_json *root, sm_plot *p, const series *s, bool after,
                             double *top)
{
    size_t block = sm_plot_block(p);
    const sm_json *bands = sm_json_get(root, "bands");
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        const sm_json *band = sm_json_at(bands, i);
        double lo;
        double hi;
        double rpm[2];
        sm_record_pair(change_of(band, s->first), after ? "after_interval" : "before_interval", &lo,
                       &hi);
        sm_record_pair(band, "rpm", &rpm[0], &rpm[1]);
        if (!isnan(lo) && !isnan(hi)) {
            double x = middle(band) + (after ? 0.06 : -0.06) * (rpm[1] - rpm[0]);
            sm_plot_row(p, 4, (double[]){x, lo, 0, hi - lo});
            *top = fmax(*top, hi);
        }
    }
    return block;
}

static bool has_whiskers(const sm_json *root, const series *s)
{
    const sm_json *bands = sm_json_get(root, "bands");
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        double lo;
        double hi;
        sm_record_pair(change_of(sm_json_at(bands, i), s->first), "before_interval", &lo, &hi);
        if (!isnan(lo) && !isnan(hi)) {
            return true;
        }
    }
    return false;
}

static void draw_whiskers(const sm_json *root, sm_plot *p, const series *s, const size_t *blocks)
{
    for (size_t k = 0; k < 2 && has_whiskers(root, s); k++) {
        sm_plot_say(p,
                    ", \\\n    \"%s.dat\" index %zu using 1:2:3:4 with vectors nohead lw 1.2 lc "
                    "rgb \"%s\"",
                    p->name, blocks[k], sm_look_series(1 - k));
    }
}

static double place_panel(sm_plot *p, sm_panel *a, size_t i, size_t n, double each)
{
    double top = p->height - 60 - (double)i * (each + 36);
    a->left = 82;
    a->right = p->width - 96;
    a->top = top;
    a->bottom = top - each;
    a->hide_x = i + 1 < n;
    return top;
}

bool sm_picture_before_after(const sm_json *root, sm_plot *p)
{
    series shown[MAX_SHOWN];
    size_t n = pick(root, shown);
    if (n == 0) {
        return false;
    }
    double each = n == 1 ? 260 : 150;
    sm_plot_open(p, "before-after", 60 + (double)n * (each + 36) + 58);
    sm_plot_title(p, "Before and after, per RPM band");
    for (size_t i = 0; i < n; i++) {
        sm_panel a = {.y0 = 0};
        double top = 0;
        (void)place_panel(p, &a, i, n, each);
        span_rpm(root, &a);
        size_t before = level_block(root, p, &shown[i], "before", &top);
        size_t after = level_block(root, p, &shown[i], "after", &top);
        size_t whiskers[2];
        for (size_t k = 0; k < 2; k++) {
            whiskers[k] = has_whiskers(root, &shown[i])
                              ? level_whiskers(root, p, &shown[i], k == 1, &top)
                              : 0;
        }
        a.y1 = top > 0 ? 1.12 * top : 1;
        sm_plot_panel(p, &a);
        sm_plot_say(p, "set ytics %.7g\nplot ", sm_plot_step(a.y1, 5));
        sm_plot_say(
            p,
            "\"%s.dat\" index %zu using 1:2 with linespoints dt (6,4) lw 1.6 pt 6 ps 0.8 lc "
            "rgb \"%s\", \\\n    \"%s.dat\" index %zu using 1:2 with linespoints lw 2 pt 7 ps "
            "0.8 lc rgb \"%s\"",
            p->name, before, sm_look_series(1), p->name, after, sm_look_series(0));
        draw_whiskers(root, p, &shown[i], whiskers);
        sm_plot_say(p, "\n");
        panel_title(p, &a, &shown[i]);
        char unit[80];
        (void)snprintf(unit, sizeof unit, "%s %s", sm_record_text(shown[i].first, "unit"),
                       sm_record_text(shown[i].first, "detector"));
        char axis[40];
        (void)snprintf(axis, sizeof axis, "%s rpm", sm_record_rpm_of(root));
        sm_plot_axis_names(p, &a, i + 1 == n ? axis : NULL, unit);
        sm_plot_word_at(p, a.right + 8, a.top - 10, SM_LEFT, SM_SMALL, sm_look_series(1),
                        "\u25cb before");
        sm_plot_word_at(p, a.right + 8, a.top - 26, SM_LEFT, SM_SMALL, sm_look_series(0),
                        "\u25cf after");
    }
    sm_text_addf(
        &p->words,
        "Levels before (open rings, dashed) and after (filled, solid) in every RPM band, for "
        "the %zu channels that changed most, each with its 95 %% interval, run-to-run spread "
        "included. The table has all of them.",
        n);
    return true;
}

/* Points of one verdict, and whiskers of all. */
static size_t change_block(const sm_json *root, sm_plot *p, const series *s, const char *verdict,
                           sm_panel *a, size_t *n)
{
    size_t block = sm_plot_block(p);
    const sm_json *bands = sm_json_get(root, "bands");
    *n = 0;
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        const sm_json *band = sm_json_at(bands, i);
        const sm_json *c = change_of(band, s->first);
        double db = sm_record_number(c, "change_db");
        double lo;
        double hi;
        sm_record_pair(c, "interval_db", &lo, &hi);
        if (isnan(db) || (verdict && strcmp(sm_record_text(c, "verdict"), verdict) != 0)) {
            continue;
        }
        if (verdict) {
            sm_plot_row(p, 2, (double[]){middle(band), db});
            (*n)++;
        } else if (!isnan(lo) && !isnan(hi)) {
            double cap = (a->x1 - a->x0) / 160;
            sm_plot_row(p, 4, (double[]){middle(band), lo, 0, hi - lo});
            sm_plot_row(p, 4, (double[]){middle(band) - cap, lo, 2 * cap, 0});
            sm_plot_row(p, 4, (double[]){middle(band) - cap, hi, 2 * cap, 0});
            (*n)++;
        }
        a->y0 = fmin(a->y0, 1.1 * fmax(-40, isnan(lo) ? db : lo));
        a->y1 = fmax(a->y1, 1.1 * fmin(40, isnan(hi) ? db : hi));
    }
    return block;
}

/* What the pointer shows on a band's column. */
static void hover_changes(const sm_json *root, sm_plot *p, const series *s, const sm_panel *a)
{
    const sm_json *bands = sm_json_get(root, "bands");
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        const sm_json *c = change_of(sm_json_at(bands, i), s->first);
        double db = sm_record_number(c, "change_db");
        double rpm[2];
        double within[2];
        char text[200] = "no answer";
        sm_record_pair(sm_json_at(bands, i), "rpm", &rpm[0], &rpm[1]);
        sm_record_pair(c, "interval_db", &within[0], &within[1]);
        if (!isnan(db) && !isnan(within[0]) && !isnan(within[1])) {
            (void)snprintf(text, sizeof text,
                           "change %+.1f dB (95 %% interval %+.1f to %+.1f), %.20s; before %.3g, "
                           "after %.3g %.20s",
                           db, within[0], within[1], sm_record_text(c, "verdict"),
                           sm_record_number(c, "before"), sm_record_number(c, "after"),
                           sm_record_text(c, "unit"));
        }
        if (!isnan(db) && (isnan(within[0]) || isnan(within[1]))) {
            (void)snprintf(text, sizeof text, "change %+.1f dB, no interval", db);
        }
        sm_plot_hover(p, sm_panel_x(a, rpm[0]), a->bottom, sm_panel_x(a, rpm[1]), a->top,
                      "%g\u2013%g rpm: %s", rpm[0], rpm[1], text);
    }
}

bool sm_picture_change(const sm_json *root, sm_plot *p)
{
    static const struct {
        const char *verdict;
        int shape; /* gnuplot's point type: told apart without colour */
    } kinds[] = {{"better", 11}, {"worse", 9}, {"no clear change", 6}, {"unassessed", 2}};
    series shown[MAX_SHOWN];
    size_t n = pick(root, shown);
    if (n == 0) {
        return false;
    }
    double each = n == 1 ? 260 : 150;
    sm_plot_open(p, "change", 60 + (double)n * (each + 36) + 74);
    sm_plot_title(p, "Change of the level: below zero is quieter");
    for (size_t i = 0; i < n; i++) {
        sm_panel a = {.y0 = -2, .y1 = 2};
        (void)place_panel(p, &a, i, n, each);
        span_rpm(root, &a);
        size_t counts[5];
        size_t blocks[5];
        blocks[4] = change_block(root, p, &shown[i], NULL, &a, &counts[4]);
        for (size_t k = 0; k < 4; k++) {
            blocks[k] = change_block(root, p, &shown[i], kinds[k].verdict, &a, &counts[k]);
        }
        sm_plot_panel(p, &a);
        sm_plot_say(p, "set ytics %.7g\nplot 0 lw 2 lc rgb \"" SM_INK "\"",
                    sm_plot_step(a.y1 - a.y0, 6));
        if (counts[4]) {
            sm_plot_say(
                p,
                ", \\\n    \"%s.dat\" index %zu using 1:2:3:4 with vectors nohead lw 1.2 lc "
                "rgb \"" SM_MUTED "\"",
                p->name, blocks[4]);
        }
        for (size_t k = 0; k < 4; k++) {
            if (counts[k]) {
                sm_plot_say(
                    p,
                    ", \\\n    \"%s.dat\" index %zu using 1:2 with points pt %d ps 1.3 lw 1.4 "
                    "lc rgb \"%s\"",
                    p->name, blocks[k], kinds[k].shape, sm_look_verdict(kinds[k].verdict));
            }
        }
        sm_plot_say(p, "\n");
        panel_title(p, &a, &shown[i]);
        hover_changes(root, p, &shown[i], &a);
        char axis[40];
        (void)snprintf(axis, sizeof axis, "%s rpm", sm_record_rpm_of(root));
        sm_plot_axis_names(p, &a, i + 1 == n ? axis : NULL, "change, dB");
        double zero = sm_panel_y(&a, 0);
        sm_plot_word_at(p, a.right + 8, fmax(a.top - 8, zero + 14), SM_LEFT, SM_SMALL, SM_MUTED,
                        "louder");
        sm_plot_word_at(p, a.right + 8, zero, SM_LEFT, SM_SMALL, SM_INK, "no change");
        sm_plot_word_at(p, a.right + 8, fmin(a.bottom + 8, zero - 14), SM_LEFT, SM_SMALL, SM_MUTED,
                        "quieter");
    }
    sm_plot_word_at(p, 82, 14, SM_LEFT, SM_SMALL, SM_INK,
                    "\u25bc better   \u25b2 worse   \u25cb no clear change   \u00d7 no answer; "
                    "whisker: 95 %% interval");
    sm_text_add(&p->words,
                "Change in decibels with its interval, per RPM band; below zero is quieter "
                "after than before.");
    return true;
}
