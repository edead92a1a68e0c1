/* Before and after, judged -> the document. */
#include "budget/margins.h"
#include "compare/runs.h"
#include "stillmount/run.h"

#include <math.h>
#include <stdio.h>

#define LEAST_TRUSTED 0.8 /* of the rows: an engine off before the run-up takes less */

typedef sm_compare_item item;
typedef sm_compare_work work;

static const sm_unit *unit_of(const work *w, const item *it)
{
    const sm_channel *c = &sm_compare_first(w)->channels[it->i_channel].info;
    return it->limit->unit ? it->limit->unit : sm_unit_shown(c->quantity);
}

static void add_reason(sm_json_doc *doc, sm_json *reasons, const char *code, const char *text)
{
    sm_json *r = sm_json_append_object(doc, reasons);
    sm_json_add_text(doc, r, "code", code);
    sm_json_add_text(doc, r, "text", text);
}

static void write_measure(const work *w, const item *it, sm_json_doc *doc, sm_json *o)
{
    sm_json *m = sm_json_add_object(doc, o, "measure");
    sm_json_add_text(doc, m, "kind", sm_measure_text(it->limit->measure));
    if (it->i_order >= 0) {
        const sm_order *order = &w->setup->orders->items[it->i_order];
        sm_json_add_text(doc, m, "label", order->label);
        sm_json_add_ratio(doc, m, "ratio", order->ratio);
    } else if (isfinite(it->limit->hz_lo)) {
        sm_json_add_pair(doc, m, "hz", it->limit->hz_lo, it->limit->hz_hi);
    }
    if (w->setup->budget->has_limits) {
        sm_json_add_text(doc, o, "limit", it->limit->name);
    }
}

/* Reading in SI -> the limit's detector. Orders and peaks are read as peaks, the rest as rms. */
static double detected(const item *it, double si)
{
    if (it->limit->measure == SM_MEASURE_PEAK) {
        return si;
    }
    double factor = sm_detector_factor(it->limit->detector);
    return si * (it->i_order >= 0 ? factor / sm_detector_factor(SM_PEAK) : factor);
}

/* Number in the limit's unit; psd: the ratio to its curve. */
static double shown(const work *w, const item *it, double si)
{
    return it->limit->measure == SM_MEASURE_PSD ? si * si
                                                : detected(it, si) / unit_of(w, it)->to_si;
}

/* The limit in SI; NaN when it is a share of a range that nobody has declared. */
static double max_of(const work *w, const item *it)
{
    const sm_limit *l = it->limit;
    double range = sm_compare_first(w)->channels[it->i_channel].info.range_si;
    return isnan(l->max_of_range) ? l->max_si : range > 0 ? l->max_of_range * range : (double)NAN;
}

static double margin_db(const work *w, const item *it, double si)
{
    if (it->limit->measure == SM_MEASURE_PSD) {
        return si > 0 ? -20 * log10(si) : (double)NAN;
    }
    double max = max_of(w, it);
    double value = detected(it, si);
    return max > 0 && value > 0 ? 20 * log10(max / value) : (double)NAN;
}

/* The 95 % interval of one side's level: its share of the change's, by the number of runs. */
static void write_level_interval(const work *w, const item *it, const sm_change *c, size_t side,
                                 sm_json_doc *doc, sm_json *o)
{
    double share = sqrt((double)w->n[1 - side] / (double)(w->n[0] + w->n[1]));
    double ratio = pow(10, (c->hi_db - c->lo_db) / 2 * share / 20);
    double value = side ? c->after : c->before;
    double power = it->limit->measure == SM_MEASURE_PSD ? 2 : 1; /* shown as a ratio of powers */
    double shown_value = shown(w, it, value);
    sm_json_add_pair(doc, o, side ? "after_interval" : "before_interval",
                     shown_value / pow(ratio, power), shown_value * pow(ratio, power));
}

static void write_change(const work *w, const item *it, const sm_change *c, sm_json_doc *doc,
                         sm_json *changes)
{
    bool psd = it->limit->measure == SM_MEASURE_PSD;
    sm_json *o = sm_json_append_object(doc, changes);
    sm_json_add_text(doc, o, "channel", sm_compare_first(w)->channels[it->i_channel].info.name);
    write_measure(w, it, doc, o);
    sm_json_add_number(doc, o, "before", shown(w, it, c->before));
    sm_json_add_number(doc, o, "after", shown(w, it, c->after));
    sm_json_add_text(doc, o, "unit", psd ? "ratio" : unit_of(w, it)->name);
    sm_json_add_text(doc, o, "detector", sm_detector_text(psd ? SM_RMS : it->limit->detector));
    /* from or into the noise the change has a bound, not a number */
    bool bound = c->before_in_noise || c->after_in_noise;
    sm_json_add_number(doc, o, "change_db", bound ? (double)NAN : c->change_db);
    sm_json_add_pair(doc, o, "interval_db", c->lo_db, c->hi_db);
    write_level_interval(w, it, c, 0, doc, o);
    write_level_interval(w, it, c, 1, doc, o);
    sm_json_add_text(doc, o, "verdict", sm_change_text(c->verdict));
    sm_json *reasons = sm_json_add_array(doc, o, "reasons");
    if (it->code) {
        add_reason(doc, reasons, it->code, it->text);
    } else if (c->before_in_noise && c->after_in_noise) {
        add_reason(doc, reasons, "below-noise", "does not stand out of the noise in any run");
    } else if (c->after_in_noise) {
        add_reason(doc, reasons, "after-below-noise",
                   "after: lost in the noise, so it fell at least to there");
    } else if (c->before_in_noise) {
        add_reason(doc, reasons, "before-below-noise",
                   "before: lost in the noise, so it rose at least from there");
    } else if (isnan(c->before) || isnan(c->after)) {
        add_reason(doc, reasons, "not-recorded", "one side has nothing here");
    }
    if (w->setup->budget->has_limits) {
        sm_json_add_number(doc, o, "margin_before_db", margin_db(w, it, c->before));
        sm_json_add_number(doc, o, "margin_after_db", margin_db(w, it, c->after));
        sm_json_add_number(doc, o, "max", psd ? 1 : max_of(w, it) / unit_of(w, it)->to_si);
    }
}

/* Some direction in which both sides went through a band. */
static bool common_pass(const work *w, size_t i_band)
{
    for (size_t d = 0; d < SM_DIRECTIONS; d++) {
        bool went[2] = {false, false};
        for (size_t s = 0; s < 2; s++) {
            for (size_t r = 0; r < w->n[s]; r++) {
                went[s] = went[s] || w->side[s][r].survey->bands[i_band].passes[d] > 0;
            }
        }
        if (went[0] && went[1]) {
            return true;
        }
    }
    return false;
}

/* A direction that only one side has says so: up and down are different passes. */
static void write_passes(const work *w, size_t i_band, sm_json_doc *doc, sm_json *band)
{
    long passes[2][SM_DIRECTIONS] = {{0}};
    for (size_t s = 0; s < 2; s++) {
        sm_json *o = sm_json_add_object(doc, band, s ? "passes_after" : "passes_before");
        for (size_t d = 0; d < SM_DIRECTIONS; d++) {
            for (size_t r = 0; r < w->n[s]; r++) {
                passes[s][d] += w->side[s][r].survey->bands[i_band].passes[d];
            }
            sm_json_add_integer(doc, o, sm_direction_text((sm_direction)d), passes[s][d]);
        }
    }
    sm_json *reasons = sm_json_add_array(doc, band, "reasons");
    if (!common_pass(w, i_band)) {
        add_reason(doc, reasons, "passes-differ",
                   "before and after went through this band in different directions");
    }
}

/* A mean over many measures. */
static void write_pool(const sm_pooled *p, sm_json_doc *doc, sm_json *o)
{
    sm_json_add_number(doc, o, "change_db", p->change_db);
    sm_json_add_pair(doc, o, "interval_db", p->lo_db, p->hi_db);
    sm_json_add_integer(doc, o, "measures", (long long)p->n);
}

static void write_pools(const work *w, const sm_pooled *pools, sm_json_doc *doc)
{
    sm_json *root = sm_json_root(doc);
    sm_json *o = sm_json_add_object(doc, root, "overall");
    write_pool(&pools[0], doc, o);
    sm_json_add_text(doc, o, "verdict", sm_change_text(pools[0].verdict));
    sm_json *list = sm_json_add_array(doc, root, "channels");
    for (size_t c = 0; c < sm_compare_first(w)->n_channels; c++) {
        const sm_pooled *p = &pools[1 + c];
        if (p->n > 0) {
            o = sm_json_append_object(doc, list);
            sm_json_add_text(doc, o, "channel", sm_compare_first(w)->channels[c].info.name);
            write_pool(p, doc, o);
            sm_json_add_text(doc, o, "verdict", sm_change_text(p->verdict));
        }
    }
}

/* Both verdicts in one. */
static sm_change_verdict join(sm_change_verdict a, sm_change_verdict b)
{
    sm_change both[2] = {{.verdict = a}, {.verdict = b}};
    return sm_change_overall(both, 2);
}

static void write_bands(const work *w, const sm_change *changes, const sm_pooled *band_pools,
                        sm_json_doc *doc)
{
    sm_json *bands = sm_json_add_array(doc, sm_json_root(doc), "bands");
    size_t i = 0;
    for (size_t b = 0; b < w->n_bands; b++) {
        if (!w->shared[b]) {
            continue;
        }
        sm_json *band = sm_json_append_object(doc, bands);
        sm_json_add_pair(doc, band, "rpm", sm_compare_first(w)->bands[b].rpm_lo,
                         sm_compare_first(w)->bands[b].rpm_hi);
        sm_json *list = sm_json_add_array(doc, band, "changes");
        size_t from = i;
        for (; i < w->n_items && w->items[i].i_band == b; i++) {
            write_change(w, &w->items[i], &changes[i], doc, list);
        }
        sm_change_verdict v =
            join(sm_change_overall(changes + from, i - from), band_pools[b].verdict);
        write_pool(&band_pools[b], doc, band);
        sm_json_add_text(doc, band, "verdict", sm_change_text(v));
        write_passes(w, b, doc, band);
    }
}

/*
 * A whole that is better, with changes that lie above zero by their own intervals though not among
 * all of them: said with what chance alone would show and the likeliest of them.
 */
static void write_risen(const work *w, const sm_change *changes, sm_json_doc *doc, sm_json *reasons)
{
    size_t risen = 0;
    size_t rest = 0;
    size_t most = 0;
    for (size_t i = 0; i < w->n_items; i++) {
        const sm_change *c = &changes[i];
        if (c->verdict != SM_CHANGE_NONE) {
            continue;
        }
        rest++;
        if (c->lo_db > 0) {
            most = risen == 0 || c->p < changes[most].p ? i : most;
            risen++;
        }
    }
    if (risen == 0) {
        return;
    }
    const item *it = &w->items[most];
    const sm_band *b = &sm_compare_first(w)->bands[it->i_band];
    char text[400];
    (void)snprintf(
        text, sizeof text,
        "%zu of %zu without a clear change %s louder by %s own interval, and chance alone "
        "makes about %.0f so: the likeliest is %.60s on %s at %.0f-%.0f rpm (%+.1f dB); "
        "repeat the runs before you rely on it",
        risen, rest, risen == 1 ? "is" : "are", risen == 1 ? "its" : "their",
        ceil(0.025 * (double)rest),
        it->i_order >= 0 ? w->setup->orders->items[it->i_order].label : it->limit->name,
        sm_compare_first(w)->channels[it->i_channel].info.name, b->rpm_lo, b->rpm_hi,
        changes[most].change_db);
    add_reason(doc, reasons, "may-be-louder", text);
}

/* No direction in common in some band: said once for all. */
static void write_passes_differ(const work *w, sm_json_doc *doc, sm_json *reasons)
{
    size_t apart = 0;
    size_t all = 0;
    for (size_t b = 0; b < w->n_bands; b++) {
        all += w->shared[b];
        apart += w->shared[b] && !common_pass(w, b);
    }
    if (apart > 0) {
        char text[300];
        (void)snprintf(text, sizeof text,
                       "in %zu of %zu bands before and after went through in different directions: "
                       "throttle and load are not the same with rpm rising, falling and held, so "
                       "part of the change may be theirs; record both the same way",
                       apart, all);
        add_reason(doc, reasons, "passes-differ", text);
    }
}

/* A run whose rpm was lost for a good part: bands are missing because of that. */
static void write_speed_lost(const work *w, sm_json_doc *doc, sm_json *reasons)
{
    for (size_t s = 0; s < 2; s++) {
        bool lacks = false;
        for (size_t b = 0; b < w->n_bands; b++) {
            lacks = lacks || sm_compare_lacks(w, b) == (int)s;
        }
        for (size_t r = 0; r < w->n[s] && lacks; r++) {
            const sm_compare_run *run = &w->side[s][r];
            double share = run->run ? sm_run_speed(run->run)->confidence : 1;
            if (share < LEAST_TRUSTED) {
                char text[300];
                (void)snprintf(text, sizeof text,
                               "%.100s: its rpm is trusted for %.0f %% of the log only, the rest "
                               "is not compared: stillmount inspect says why",
                               run->name, 100 * share);
                add_reason(doc, reasons, "speed-lost", text);
            }
        }
    }
}

static void write_rest(const work *w, const sm_change *changes, const sm_repeatability *rep,
                       sm_change_verdict verdict, sm_json_doc *doc)
{
    sm_json *root = sm_json_root(doc);
    sm_json *o = sm_json_add_object(doc, root, "repeatability");
    sm_json_add_text(doc, o, "source", rep->from_runs ? "runs" : "assumed");
    sm_json_add_number(doc, o, "db", rep->db);
    sm_json *runs = sm_json_add_object(doc, root, "runs");
    for (size_t s = 0; s < 2; s++) {
        sm_json *list = sm_json_add_array(doc, runs, s ? "after" : "before");
        for (size_t r = 0; r < w->n[s]; r++) {
            sm_json *run = sm_json_append_object(doc, list);
            sm_json_add_text(doc, run, "name", w->side[s][r].name);
            sm_json_add_pair(doc, run, "rpm", w->side[s][r].survey->rpm_min,
                             w->side[s][r].survey->rpm_max);
        }
    }
    sm_compare_left_out(w, doc);
    sm_json *reasons = sm_json_add_array(doc, root, "reasons");
    if (!rep->from_runs) {
        char text[200];
        (void)snprintf(text, sizeof text,
                       "one run each: repeatability unknown, %.3g dB assumed for each run: repeat "
                       "the run",
                       rep->db);
        add_reason(doc, reasons, "repeatability-unknown", text);
    }
    write_passes_differ(w, doc, reasons);
    write_speed_lost(w, doc, reasons);
    if (verdict == SM_CHANGE_BETTER) {
        write_risen(w, changes, doc, reasons);
    }
    sm_json_add_text(doc, root, "verdict", sm_change_text(verdict));
}

sm_change_verdict sm_compare_record(const work *w, const sm_change *changes, const sm_pooled *pools,
                                    size_t n_pools, const sm_repeatability *rep, sm_json_doc *doc)
{
    sm_change_verdict verdict = sm_change_overall(changes, w->n_items);
    for (size_t i = 0; i < n_pools; i++) {
        verdict = join(verdict, pools[i].verdict);
    }
    write_bands(w, changes, pools + 1 + sm_compare_first(w)->n_channels, doc);
    write_pools(w, pools, doc);
    static const sm_margin_kind kinds[] = {{"margin_before_db", "before"},
                                           {"margin_after_db", "after"}};
    sm_margins_write(doc, "changes", kinds, 2, true);
    write_rest(w, changes, rep, verdict, doc);
    return verdict;
}
