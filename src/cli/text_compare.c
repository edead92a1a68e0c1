/* Text of compare: what got worse first, then what got better, then band by band. */
#include "cli/text_compare.h"

#include "stillmount/words.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_LISTED = 8 };

/* One change with its band, for sorting. */
typedef struct entry {
    const sm_json *band;
    const sm_json *change;
    double db;
} entry;

static int by_db(const void *a, const void *b)
{
    double x = ((const entry *)a)->db;
    double y = ((const entry *)b)->db;
    return x > y ? -1 : x < y;
}

/* The change, or the bound where only that is known. */
static double change_of(const sm_json *change)
{
    const sm_json *ci = sm_json_get(change, "interval_db");
    double db = sm_json_number(sm_json_get(change, "change_db"));
    double lo = sm_json_number(sm_json_at(ci, 0));
    return isfinite(db) ? db : isfinite(lo) ? lo : sm_json_number(sm_json_at(ci, 1));
}

static void measure_text(const sm_json *change, char *out, size_t capacity)
{
    const sm_json *m = sm_json_get(change, "measure");
    const sm_json *hz = sm_json_get(m, "hz");
    if (strcmp(sm_json_string(sm_json_get(m, "kind")), "order") == 0) {
        (void)snprintf(out, capacity, "%.28s", sm_json_string(sm_json_get(m, "label")));
    } else if (sm_json_size(hz) == 2) {
        (void)snprintf(out, capacity, "%s %.4g-%.4g Hz", sm_json_string(sm_json_get(m, "kind")),
                       sm_json_number(sm_json_at(hz, 0)), sm_json_number(sm_json_at(hz, 1)));
    } else {
        (void)snprintf(out, capacity, "%s", sm_json_string(sm_json_get(m, "kind")));
    }
}

static void rpm_text(const sm_json *band, char *out, size_t capacity)
{
    const sm_json *rpm = sm_json_get(band, "rpm");
    (void)snprintf(out, capacity, "%.0f-%.0f", sm_json_number(sm_json_at(rpm, 0)),
                   sm_json_number(sm_json_at(rpm, 1)));
}

/* "-12.1 dB (-18.0 to -6.2)"; a bound as "-18 dB or less". */
static void change_text(const sm_json *change, char *out, size_t capacity)
{
    const sm_json *ci = sm_json_get(change, "interval_db");
    double lo = sm_json_number(sm_json_at(ci, 0));
    double hi = sm_json_number(sm_json_at(ci, 1));
    double db = sm_json_number(sm_json_get(change, "change_db"));
    if (isnan(lo)) {
        (void)snprintf(out, capacity, "%+.1f dB or less", hi);
    } else if (isnan(hi)) {
        (void)snprintf(out, capacity, "%+.1f dB or more", lo);
    } else {
        (void)snprintf(out, capacity, "%+.1f dB (%+.1f to %+.1f)", db, lo, hi);
    }
}

static void add_entry(const entry *e, sm_text *out)
{
    char rpm[32];
    char measure[64];
    char change[64];
    rpm_text(e->band, rpm, sizeof rpm);
    measure_text(e->change, measure, sizeof measure);
    change_text(e->change, change, sizeof change);
    sm_text_addf(out, "  %-9s %-14.14s %-23.23s %s\n", rpm,
                 sm_json_string(sm_json_get(e->change, "channel")), measure, change);
}

static size_t collect(const sm_json *root, const char *verdict, entry *list, size_t capacity)
{
    const sm_json *bands = sm_json_get(root, "bands");
    size_t n = 0;
    for (size_t b = 0; b < sm_json_size(bands); b++) {
        const sm_json *changes = sm_json_get(sm_json_at(bands, b), "changes");
        for (size_t i = 0; i < sm_json_size(changes) && n < capacity; i++) {
            const sm_json *c = sm_json_at(changes, i);
            if (!verdict || strcmp(sm_json_string(sm_json_get(c, "verdict")), verdict) == 0) {
                list[n++] = (entry){sm_json_at(bands, b), c, change_of(c)};
            }
        }
    }
    qsort(list, n, sizeof *list, by_db);
    return n;
}

static size_t count_changes(const sm_json *root)
{
    const sm_json *bands = sm_json_get(root, "bands");
    size_t n = 0;
    for (size_t b = 0; b < sm_json_size(bands); b++) {
        n += sm_json_size(sm_json_get(sm_json_at(bands, b), "changes"));
    }
    return n;
}

static void add_list(const char *title, const entry *list, size_t n, bool from_end, sm_text *out)
{
    if (n == 0) {
        return;
    }
    sm_text_addf(out, "\n%s\n", title);
    for (size_t i = 0; i < n && i < MOST_LISTED; i++) {
        add_entry(&list[from_end ? n - 1 - i : i], out);
    }
    if (n > MOST_LISTED) {
        sm_text_addf(out, "  and %zu more\n", n - MOST_LISTED);
    }
}

/* Means over all levels: the run's, then each channel's. */
static void add_means(const sm_json *root, sm_text *out)
{
    const sm_json *channels = sm_json_get(root, "channels");
    const sm_json *overall = sm_json_get(root, "overall");
    char change[64];
    if (!isfinite(sm_json_number(sm_json_get(overall, "change_db")))) {
        return;
    }
    sm_text_add(out, "\nMean change of the levels over all bands (95 % interval)\n");
    change_text(overall, change, sizeof change);
    sm_text_addf(out, "  %-14s %-30s %s\n", "all", change,
                 sm_json_string(sm_json_get(overall, "verdict")));
    for (size_t i = 0; i < sm_json_size(channels); i++) {
        const sm_json *c = sm_json_at(channels, i);
        change_text(c, change, sizeof change);
        sm_text_addf(out, "  %-14.14s %-30s %s\n", sm_json_string(sm_json_get(c, "channel")),
                     change, sm_json_string(sm_json_get(c, "verdict")));
    }
}

/* Rms of every band: channels side by side would not fit, so the worst and the best. */
static void add_bands(const sm_json *root, sm_text *out)
{
    const sm_json *bands = sm_json_get(root, "bands");
    sm_text_add(out, "\nBand by band, overall levels (orders apart)\n");
    for (size_t b = 0; b < sm_json_size(bands); b++) {
        const sm_json *band = sm_json_at(bands, b);
        const sm_json *changes = sm_json_get(band, "changes");
        const sm_json *least = NULL;
        const sm_json *most = NULL;
        for (size_t i = 0; i < sm_json_size(changes); i++) {
            const sm_json *c = sm_json_at(changes, i);
            double db = sm_json_number(sm_json_get(c, "change_db"));
            bool order = strcmp(sm_json_string(sm_json_get(sm_json_get(c, "measure"), "kind")),
                                "order") == 0;
            if (!order && isfinite(db)) {
                double low = least ? sm_json_number(sm_json_get(least, "change_db")) : db + 1;
                double high = most ? sm_json_number(sm_json_get(most, "change_db")) : db - 1;
                least = db < low ? c : least;
                most = db > high ? c : most;
            }
        }
        char rpm[32];
        rpm_text(band, rpm, sizeof rpm);
        sm_text_addf(out, "  %-9s %-15s", rpm, sm_json_string(sm_json_get(band, "verdict")));
        if (least) {
            sm_text_addf(out, " %+.1f dB (%.14s) to %+.1f (%.14s)",
                         sm_json_number(sm_json_get(least, "change_db")),
                         sm_json_string(sm_json_get(least, "channel")),
                         sm_json_number(sm_json_get(most, "change_db")),
                         sm_json_string(sm_json_get(most, "channel")));
        }
        sm_text_add(out, "\n");
    }
}

/* With a budget: the smallest margin of each limit and channel, before and after. */
static void add_margins(const sm_json *root, sm_text *out)
{
    const sm_json *list = sm_json_get(root, "margins");
    if (sm_json_size(list) > 0) {
        sm_text_add(out, "\nSmallest margin, band averages (assess has the verdicts)\n");
    }
    for (size_t i = 0; i < sm_json_size(list); i++) {
        const sm_json *m = sm_json_at(list, i);
        char rpm[2][32];
        for (int s = 0; s < 2; s++) {
            const sm_json *pair = sm_json_get(m, s ? "after_rpm" : "before_rpm");
            (void)snprintf(rpm[s], sizeof rpm[s], "%.0f-%.0f", sm_json_number(sm_json_at(pair, 0)),
                           sm_json_number(sm_json_at(pair, 1)));
        }
        sm_text_addf(out, "  %-12.12s %-14.14s %+6.1f dB at %-9s then %+6.1f dB at %s\n",
                     sm_json_string(sm_json_get(m, "limit")),
                     sm_json_string(sm_json_get(m, "channel")),
                     sm_json_number(sm_json_get(m, "before_db")), rpm[0],
                     sm_json_number(sm_json_get(m, "after_db")), rpm[1]);
    }
}

/* "1800-3000 rpm, 6 bands": from the first that was compared to the last. */
static void add_covered(const sm_json *root, sm_text *out)
{
    const sm_json *bands = sm_json_get(root, "bands");
    size_t n = sm_json_size(bands);
    double lo = sm_json_number(sm_json_at(sm_json_get(sm_json_at(bands, 0), "rpm"), 0));
    double hi = sm_json_number(sm_json_at(sm_json_get(sm_json_at(bands, n - 1), "rpm"), 1));
    const sm_json *rest = sm_json_get(root, "not_compared");
    size_t left = sm_json_size(rest);
    size_t limits = 0;
    char which[60] = "";
    for (size_t i = 0; i < left; i++) {
        limits += strncmp(sm_json_string(sm_json_at(rest, i)), "limit ", 6) == 0;
    }
    if (limits > 0) {
        (void)snprintf(which, sizeof which, " (%zu limit%s)", limits, limits == 1 ? "" : "s");
    }
    if (n > 0) {
        char line[200];
        (void)snprintf(line, sizeof line, "Covers: %.0f to %.0f rpm, %zu band%s%s%s%s", lo, hi, n,
                       n == 1 ? "" : "s", left ? "; what could not be compared" : "", which,
                       left ? " stands at the end" : "");
        sm_text_wrap(out, 0, line);
    }
}

static void add_head(const sm_json *root, size_t better, size_t worse, size_t all, sm_text *out)
{
    const char *verdict = sm_json_string(sm_json_get(root, "verdict"));
    char line[600];
    (void)snprintf(line, sizeof line, "%c%s%s: of %zu comparisons %zu better, %zu worse (%s).",
                   verdict[0] - (verdict[0] >= 'a' && verdict[0] <= 'z' ? 32 : 0), verdict + 1,
                   sm_words_may_be_louder(root) ? ", but something may be louder" : "", all, better,
                   worse, "5 % for all of them together");
    sm_text_wrap(out, 0, line);
    const sm_json *runs = sm_json_get(root, "runs");
    for (int s = 0; s < 2; s++) {
        const sm_json *side = sm_json_get(runs, s ? "after" : "before");
        sm_text_addf(out, "%s", s ? "After:  " : "Before: ");
        for (size_t i = 0; i < sm_json_size(side); i++) {
            const char *name = sm_json_string(sm_json_get(sm_json_at(side, i), "name"));
            char safe[120];
            sm_text_inert(name, strlen(name), safe, sizeof safe);
            sm_text_addf(out, "%s%s", i ? ", " : "", safe);
        }
        sm_text_add(out, "\n");
    }
    add_covered(root, out);
    const sm_json *reasons = sm_json_get(root, "reasons");
    for (size_t i = 0; i < sm_json_size(reasons); i++) {
        sm_text_wrap(out, 0, sm_json_string(sm_json_get(sm_json_at(reasons, i), "text")));
    }
    const sm_json *rep = sm_json_get(root, "repeatability");
    if (strcmp(sm_json_string(sm_json_get(rep, "source")), "runs") == 0) {
        (void)snprintf(line, sizeof line,
                       "One run's level strays %.1f dB (standard deviation) from the next.",
                       sm_json_number(sm_json_get(rep, "db")));
        sm_text_wrap(out, 0, line);
    }
}

/* What rose most without being proven: a resonance that moved is looked for here. */
static void add_rises(const sm_json *root, entry *list, size_t capacity, sm_text *out)
{
    size_t all = collect(root, "no clear change", list, capacity);
    size_t n = 0;
    for (size_t i = 0; i < all; i++) { /* what fell into the noise has not risen */
        if (isfinite(sm_json_number(sm_json_at(sm_json_get(list[i].change, "interval_db"), 0)))) {
            list[n++] = list[i];
        }
    }
    size_t rises = 0;
    while (rises < n && rises < 3 && list[rises].db > 3) {
        rises++;
    }
    add_list("Louder, but not proven", list, rises, false, out);
}

void sm_text_comparison(const sm_json *root, sm_text *out)
{
    size_t capacity = count_changes(root);
    entry *list = calloc(capacity ? capacity : 1, sizeof *list);
    if (!list) {
        out->failed = true;
        return;
    }
    size_t n_better = collect(root, "better", list, capacity);
    size_t n_worse = collect(root, "worse", list, capacity);
    size_t all = capacity - collect(root, "unassessed", list, capacity);
    add_head(root, n_better, n_worse, all, out);
    add_means(root, out);
    n_worse = collect(root, "worse", list, capacity);
    add_list("Worse", list, n_worse, false, out);
    add_rises(root, list, capacity, out);
    n_better = collect(root, "better", list, capacity);
    add_list("Better", list, n_better, true, out);
    add_margins(root, out);
    add_bands(root, out);
    const sm_json *rest = sm_json_get(root, "not_compared");
    if (sm_json_size(rest) > 0) {
        sm_text_add(out, "\nNot compared\n");
    }
    for (size_t i = 0; i < sm_json_size(rest); i++) {
        sm_text_wrap(out, 2, sm_json_string(sm_json_at(rest, i)));
    }
    free(list);
}
