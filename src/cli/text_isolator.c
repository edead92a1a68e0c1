/* Text of isolator: the mount, what it would do limit by limit, what it cannot know. */
#include "cli/text_compare.h"
#include "stillmount/words.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { MOST_ROWS = 64 };

static double number(const sm_json *o, const char *key)
{
    return sm_json_number(sm_json_get(o, key));
}

static void margin_cell(const sm_json *margin, const char *db, const char *rpm, char *out,
                        size_t capacity)
{
    const sm_json *pair = sm_json_get(margin, rpm);
    if (isfinite(number(margin, db))) {
        (void)snprintf(out, capacity, "%+6.1f %.0f-%.0f", number(margin, db),
                       sm_json_number(sm_json_at(pair, 0)), sm_json_number(sm_json_at(pair, 1)));
    } else {
        (void)snprintf(out, capacity, "%6s", "-");
    }
}

static void add_margins(const sm_json *margins, sm_text *out)
{
    sm_text_addf(out, "\n  %-10s %-14s %-17s %-17s %s\n", "smallest", "margin, dB", "measured",
                 "predicted", "in tolerance");
    for (size_t i = 0; i < sm_json_size(margins); i++) {
        const sm_json *m = sm_json_at(margins, i);
        double worst = number(m, "tolerance_db");
        char now[40];
        char then[40];
        margin_cell(m, "measured_db", "measured_rpm", now, sizeof now);
        margin_cell(m, "predicted_db", "predicted_rpm", then, sizeof then);
        sm_text_addf(out, "  %-10.10s %-14.14s %-17s %-17s",
                     sm_json_string(sm_json_get(m, "limit")),
                     sm_json_string(sm_json_get(m, "channel")), now, then);
        if (isfinite(worst)) {
            sm_text_addf(out, " %+6.1f", worst);
        } else {
            sm_text_add(out, " not said");
        }
        sm_text_add(out, "\n");
    }
}

/* Without limits: the largest values of each channel, [its unit]. */
typedef struct row {
    const char *limit;
    const char *channel;
    double measured;
    double predicted;
    const char *unit;
} row;

static row *row_of(row *rows, size_t *n, const sm_json *result)
{
    const char *limit = sm_json_string(sm_json_get(result, "limit"));
    const char *channel = sm_json_string(sm_json_get(result, "channel"));
    for (size_t i = 0; i < *n; i++) {
        if (strcmp(rows[i].limit, limit) == 0 && strcmp(rows[i].channel, channel) == 0) {
            return &rows[i];
        }
    }
    if (*n == MOST_ROWS) {
        return NULL;
    }
    rows[*n] = (row){
        .limit = limit, .channel = channel, .unit = sm_json_string(sm_json_get(result, "unit"))};
    return &rows[(*n)++];
}

static void add_largest(const sm_json *bands, sm_text *out)
{
    row rows[MOST_ROWS];
    size_t n = 0;
    for (size_t b = 0; b < sm_json_size(bands); b++) {
        const sm_json *results = sm_json_get(sm_json_at(bands, b), "results");
        for (size_t i = 0; i < sm_json_size(results); i++) {
            const sm_json *result = sm_json_at(results, i);
            row *r = row_of(rows, &n, result);
            if (r) {
                r->measured = fmax(r->measured, number(result, "value"));
                r->predicted = fmax(r->predicted, number(result, "predicted"));
            }
        }
    }
    sm_text_add(out, "\n  Largest over all bands\n");
    for (size_t i = 0; i < n; i++) {
        sm_text_addf(out, "  %-10.10s %-14.14s %.3g, predicted %.3g %s\n", rows[i].limit,
                     rows[i].channel, rows[i].measured, rows[i].predicted, rows[i].unit);
    }
}

static void add_rows(const sm_json *root, sm_text *out)
{
    const sm_json *margins = sm_json_get(root, "margins");
    if (sm_json_size(margins) > 0) {
        add_margins(margins, out);
    } else {
        add_largest(sm_json_get(root, "bands"), out);
    }
}

/* The resonance lies where this run's orders go: said at once, since no margin shows the sway. */
static void add_on_orders(const sm_json *iso, sm_text *out)
{
    enum { MOST = 4 };
    const sm_json *list = sm_json_get(iso, "on_orders");
    size_t n = sm_json_size(list);
    sm_text line = {0};
    if (n == 0) {
        return;
    }
    sm_text_add(&line, "Mind: in this run orders pass its resonance and shake it there: ");
    for (size_t i = 0; i < n && i < MOST; i++) {
        const sm_json *o = sm_json_at(list, i);
        const sm_json *rpm = sm_json_get(o, "rpm");
        const char *motion = sm_json_string(sm_json_get(o, "motion"));
        sm_text_addf(&line, "%s%.40s at %.0f-%.0f rpm%s%s%s", i ? ", " : "",
                     sm_json_string(sm_json_get(o, "label")), sm_json_number(sm_json_at(rpm, 0)),
                     sm_json_number(sm_json_at(rpm, 1)), motion[0] ? " (" : "", motion,
                     motion[0] ? ")" : "");
    }
    if (n > MOST) {
        sm_text_addf(&line, " and %zu more", n - MOST);
    }
    sm_text_add(&line, ". Take one whose resonance no order reaches.");
    sm_text_wrap(out, 0, line.s ? line.s : "");
    sm_text_free(&line);
}

/* Limits that the prediction leaves out. */
static void add_not_predicted(const sm_json *root, sm_text *out)
{
    const sm_json *list = sm_json_get(root, "not_predicted");
    for (size_t i = 0; i < sm_json_size(list); i++) {
        const sm_json *o = sm_json_at(list, i);
        char line[300];
        (void)snprintf(line, sizeof line, "%.40s: %.220s", sm_json_string(sm_json_get(o, "limit")),
                       sm_json_string(sm_json_get(o, "text")));
        sm_text_wrap(out, 2, line);
    }
}

static void add_body(const sm_json *iso, sm_text *out)
{
    const sm_json *modes = sm_json_get(iso, "modes");
    const sm_json *tilt = sm_json_get(iso, "tilt_deg_per_g");
    for (size_t i = 0; i < sm_json_size(modes); i++) {
        const sm_json *m = sm_json_at(modes, i);
        sm_text_addf(out, "  mode %zu: %.1f Hz, %s, damping %.2f\n", i + 1, number(m, "natural_hz"),
                     sm_json_string(sm_json_get(m, "motion")), number(m, "damping_ratio"));
    }
    static const char axes[] = "xyz";
    for (size_t i = 0; i < sm_json_size(tilt) && i < 3; i++) {
        double most = 0;
        for (size_t k = 0; k < 3; k++) {
            most = fmax(most, fabs(sm_json_number(sm_json_at(sm_json_at(tilt, i), k))));
        }
        if (most > 0.005) {
            sm_text_addf(out, "  1 g along %c tilts it by %.2f deg: read it as an attitude error\n",
                         axes[i], most);
        }
    }
}

static void add_search(const sm_json *root, sm_text *out)
{
    const sm_json *list = sm_json_get(root, "search");
    const sm_json *counts = sm_json_get(root, "search_counts");
    if (!counts) {
        return;
    }
    sm_text_addf(out,
                 "\nSearched %.0f mounts: %.0f have their resonance on an order of this run, %.0f "
                 "sag and\n%.0f sway too far.\n",
                 number(counts, "tried"), number(counts, "on_an_order"),
                 number(counts, "sags_too_far"), number(counts, "sways_too_far"));
    if (sm_json_size(list) == 0) {
        sm_text_add(out, "Its resonance must lie where no order of this run goes: try softer ones "
                         "(a\nlower range), and mind how far they sag.\n");
        return;
    }
    sm_text_add(out, "Worst margins: of the limits that a mount changes, over its tolerance.\n");
    sm_text_add(out, "     Hz  damping  sag mm  worst margin dB  where\n");
    for (size_t i = 0; i < sm_json_size(list); i++) {
        const sm_json *c = sm_json_at(list, i);
        const sm_json *rpm = sm_json_get(c, "rpm");
        sm_text_addf(out, "  %5.1f  %7.2f  %6.1f  %15.1f  %.10s %.14s %.0f-%.0f\n",
                     number(c, "natural_hz"), number(c, "damping_ratio"),
                     number(c, "static_deflection_mm"), number(c, "worst_margin_db"),
                     sm_json_string(sm_json_get(c, "limit")),
                     sm_json_string(sm_json_get(c, "channel")), sm_json_number(sm_json_at(rpm, 0)),
                     sm_json_number(sm_json_at(rpm, 1)));
    }
}

/* The smallest predicted margin; NULL: none has one. */
static const sm_json *tightest(const sm_json *root)
{
    const sm_json *margins = sm_json_get(root, "margins");
    const sm_json *least = NULL;
    for (size_t i = 0; i < sm_json_size(margins); i++) {
        const sm_json *m = sm_json_at(margins, i);
        double db = number(m, "predicted_db");
        least = isfinite(db) && (!least || db < number(least, "predicted_db")) ? m : least;
    }
    return least;
}

/* The answer: verdict, which isolator, and what decides. */
static void add_head(const sm_json *root, sm_text *out)
{
    const sm_json *iso = sm_json_get(root, "isolator");
    const char *kind = sm_json_string(sm_json_get(sm_json_get(root, "settings"), "kind"));
    const char *verdict = sm_json_string(sm_json_get(root, "predicted_verdict"));
    sm_text line = {0};
    if (strcmp(kind, "none") == 0) {
        sm_text_add(&line, "No budget, no verdict: levels only, behind ");
    } else {
        for (const char *p = verdict; *p; p++) {
            char up = *p >= 'a' && *p <= 'z' ? (char)(*p - 'a' + 'A') : *p;
            sm_text_add_n(&line, &up, 1);
        }
        sm_text_addf(&line, ", predicted%s, behind ",
                     strcmp(kind, "invented") == 0   ? " by example limits"
                     : strcmp(kind, "relative") == 0 ? " by relative limits"
                                                     : "");
    }
    sm_text_addf(&line, "%s of %.1f Hz, damping %.2f (sags %.1f mm at rest)",
                 sm_json_get(root, "search_counts") ? "the best isolator that was found, one"
                                                    : "an isolator",
                 number(iso, "natural_hz"), number(iso, "damping_ratio"),
                 number(iso, "static_deflection_mm"));
    sm_text_wrap(out, 0, line.s ? line.s : "");
    const sm_json *m = tightest(root);
    if (m) {
        double db = number(m, "predicted_db");
        const sm_json *rpm = sm_json_get(m, "predicted_rpm");
        line.n = 0;
        sm_text_addf(&line, "Tightest: %.40s, %.40s, %.0f-%.0f rpm: %.1f dB %s%s",
                     sm_json_string(sm_json_get(m, "limit")),
                     sm_json_string(sm_json_get(m, "channel")), sm_json_number(sm_json_at(rpm, 0)),
                     sm_json_number(sm_json_at(rpm, 1)), fabs(db), db < 0 ? "over" : "to spare",
                     db == number(m, "measured_db")
                         ? ", as measured: this isolator is not taken to change it"
                         : "");
        sm_text_wrap(out, 0, line.s ? line.s : "");
    }
    sm_text_free(&line);
}

void sm_text_isolator(const sm_json *root, sm_text *out)
{
    const sm_json *iso = sm_json_get(root, "isolator");
    sm_text start = {0};
    if (sm_json_is_null(iso)) {
        sm_text_add(out, "No isolator of that range will do.\n");
        add_search(root, out);
        sm_text_add(out, "\n");
        sm_text_wrap(out, 0, sm_words_caution());
        return;
    }
    add_head(root, out);
    sm_text_addf(out, "It isolates above %.1f Hz and adds to what lies below, most near %.1f Hz.\n",
                 number(iso, "isolates_above_hz"), number(iso, "natural_hz"));
    add_body(iso, out);
    add_on_orders(iso, out);
    add_search(root, out);
    add_rows(root, out);
    add_not_predicted(root, out);
    sm_text_add(out, "\n");
    sm_text_wrap(out, 0,
                 "A prediction is thin at best: fit the isolator, then measure again. An isolator "
                 "that is already in this run was not taken out.");
    sm_text_wrap(out, 0,
                 "Rubber is not linear, and not the same when cold. Cables and hoses pass "
                 "vibration round an isolator. The maker of the sensor may forbid soft mounts.");
    sm_text_addf(&start,
                 "On every start and stop the orders pass %.1f Hz, where it adds most: mind "
                 "the room for sway.",
                 number(iso, "natural_hz"));
    sm_text_wrap(out, 0, start.s ? start.s : "");
    sm_text_free(&start);
    if (!sm_json_get(iso, "modes")) {
        sm_text_wrap(out, 0,
                     "Rocking was not predicted, and the gyros are as measured: give --geometry "
                     "for that.");
    }
    sm_text_wrap(out, 0, sm_words_caution());
}
