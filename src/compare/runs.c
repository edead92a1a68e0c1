/* Before and after: surveys of the runs -> bands, changes, verdict in the document. */
#include "compare/runs.h"

#include "compare/levels.h"
#include "core/alloc.h"
#include "core/util.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define LEAST_FRAMES 3 /* fewer in a band cannot be compared (contract: scoring, bands) */

typedef sm_compare_item item;
typedef sm_compare_work work;

/* Channel of that name in a run, or -1. */
static long channel_of(const sm_survey_result *s, const char *name)
{
    for (size_t i = 0; i < s->n_channels; i++) {
        if (strcmp(s->channels[i].info.name, name) == 0) {
            return (long)i;
        }
    }
    return -1;
}

static bool visited(const work *w, const sm_survey_result *s, size_t i_band)
{
    const sm_band *b = &s->bands[i_band];
    return b->visited && b->channels && b->n_frames >= LEAST_FRAMES &&
           b->seconds >= w->setup->budget->min_seconds;
}

static sm_level_source source_of(const work *w, const sm_compare_run *run, size_t i_band,
                                 const char *channel)
{
    long c = channel_of(run->survey, channel);
    const sm_band *b = &run->survey->bands[i_band];
    bool there = c >= 0 && visited(w, run->survey, i_band) && b->channels[c].cells &&
                 b->channels[c].n_frames >= LEAST_FRAMES;
    return (sm_level_source){run->survey, b, there ? &b->channels[c] : NULL};
}

/* All runs, before first; returns how many. */
static size_t sources(const work *w, size_t i_band, const char *channel, sm_level_source *out)
{
    size_t n = 0;
    for (size_t s = 0; s < 2; s++) {
        for (size_t r = 0; r < w->n[s]; r++) {
            out[n++] = source_of(w, &w->side[s][r], i_band, channel);
        }
    }
    return n;
}

/* A blocking finding on the channel or on the whole log; NULL when none. */
static const sm_finding *blocked(const sm_compare_run *run, const char *channel)
{
    for (size_t i = 0; run->findings && i < run->findings->n; i++) {
        const sm_finding *f = &run->findings->items[i];
        if (f->severity == SM_BLOCKING && (!f->channel[0] || strcmp(f->channel, channel) == 0)) {
            return f;
        }
    }
    return NULL;
}

static bool clipped(const sm_level_source *s)
{
    if (!s->channel) {
        return false;
    }
    const sm_clip_levels *levels = &s->survey->channels[s->channel - s->band->channels].clip;
    for (size_t i = 0; i < s->band->n_cells * SM_DIRECTIONS; i++) {
        const sm_cell *cell = &s->channel->cells[i];
        if (cell->n && (sm_clip_is(levels, cell->hi_si) || sm_clip_is(levels, cell->lo_si))) {
            return true;
        }
    }
    return false;
}

#define TURNED_DEG 30 /* a tail that stands on the ground or in the air makes less */

static void silence(item *it, const char *code, const char *fmt, ...) SM_PRINTF(3, 4);

/* The first reason stays. */
static void silence(item *it, const char *code, const char *fmt, ...)
{
    if (it->code) {
        return;
    }
    va_list list;
    va_start(list, fmt);
    it->code = code;
    (void)vsnprintf(it->text, sizeof it->text, fmt, list);
    va_end(list);
}

/* Slot of a limit on a channel, or -1. */
static long slot_of(const sm_channel_stat *c, const sm_budget *budget, const sm_limit *limit)
{
    for (size_t i = 0; i < c->n_slots; i++) {
        if (&budget->limits[c->slot_limit[i]] == limit) {
            return (long)i;
        }
    }
    return -1;
}

static bool outside_usable(const sm_survey_result *s, const sm_channel *c, const item *it)
{
    double hi = 0.4 * s->rate_hz;
    hi = c->bandwidth_hz > 0 ? sm_min(hi, c->bandwidth_hz) : hi;
    return it->i_order < 0 && isfinite(it->limit->hz_hi) &&
           (it->limit->hz_hi > hi * 1.0001 || it->limit->hz_lo < 3.999 * s->bin_hz);
}

static bool is_attitude(const sm_limit *l)
{
    return l->measure == SM_MEASURE_CONING || l->measure == SM_MEASURE_LEVEL;
}

static sm_reading read_one(const work *w, const sm_compare_run *run, const item *it,
                           const sm_level_source *src, const sm_match *match)
{
    const sm_limit *l = it->limit;
    if (it->i_order >= 0) {
        return sm_level_order(
            src, match, (size_t)it->i_order, w->setup->orders,
            sm_powertrain_reference_per(w->setup->powertrain, w->setup->powertrain->rpm_of),
            l->integrations);
    }
    if (l->measure == SM_MEASURE_PSD) {
        return sm_level_curve(src, l);
    }
    if (l->measure == SM_MEASURE_PEAK) {
        return sm_level_peak(src, match);
    }
    if (is_attitude(l)) {
        return sm_level_attitude(run->run, src, l);
    }
    long c = channel_of(src->survey, sm_compare_first(w)->channels[it->i_channel].info.name);
    long slot = slot_of(&src->survey->channels[c], w->setup->budget, l);
    return slot >= 0 ? sm_level_slot(src, match, (size_t)slot, l, w->setup->orders)
                     : (sm_reading){.value = (double)NAN, .nu = 1};
}

/* Runs whose sensors do not measure the same thing. */
static void silence_unlike(const work *w, item *it)
{
    const sm_channel *c = &sm_compare_first(w)->channels[it->i_channel].info;
    double deg = sm_compare_turned_deg(w, c->place);
    double hz[2];
    if (deg > TURNED_DEG) {
        silence(it, "sensor-turned",
                "gravity lies %.0f degrees elsewhere between the axes of %s: its sensor is fixed "
                "another way round; say how in [orientation %s] (--channels-after)",
                deg, c->place, c->place);
    } else if (it->limit->measure == SM_MEASURE_PEAK && !sm_compare_pass_alike(w, c->name, hz)) {
        silence(it, "bandwidth-differs",
                "a peak holds all that %s lets through, up to %.4g Hz in one run and %.4g Hz in "
                "another",
                c->name, hz[0], hz[1]);
    }
}

/* Reads one item from every run, or says why not. */
static void read_item(const work *w, item *it)
{
    const char *name = sm_compare_first(w)->channels[it->i_channel].info.name;
    silence_unlike(w, it);
    sm_level_source all[2 * SM_MAX_RUNS];
    size_t n = sources(w, it->i_band, name, all);
    sm_match match;
    sm_match_cells(all, n, &match);
    size_t k = 0;
    for (size_t s = 0; s < 2; s++) {
        for (size_t r = 0; r < w->n[s]; r++, k++) {
            sm_reading *out = s ? &it->after[r] : &it->before[r];
            *out = (sm_reading){.value = (double)NAN, .nu = 1};
            const sm_finding *f = blocked(&w->side[s][r], name);
            long c = channel_of(w->side[s][r].survey, name);
            if (f) {
                silence(it, f->code, "%.60s: %.160s", w->side[s][r].name, f->text);
            } else if (clipped(&all[k])) {
                silence(it, "clipped", "%s: %s is clipped here, so its level is not known",
                        w->side[s][r].name, name);
            } else if (c >= 0 && outside_usable(w->side[s][r].survey,
                                                &w->side[s][r].survey->channels[c].info, it)) {
                silence(it, "outside-usable-range",
                        "%s: %s cannot carry this frequency range (rate or bandwidth too low)",
                        w->side[s][r].name, name);
            } else if (all[k].channel && !it->code) {
                *out = read_one(w, &w->side[s][r], it, &all[k], &match);
            }
        }
    }
}

static sm_status add_item(work *w, size_t i_band, size_t i_channel, const sm_limit *limit,
                          long i_order)
{
    item *grown = sm_grow(w->items, w->n_items, &w->capacity, sizeof *w->items);
    if (!grown) {
        return SM_E_NOMEM;
    }
    w->items = grown;
    item *it = &w->items[w->n_items++];
    memset(it, 0, sizeof *it);
    it->i_band = i_band;
    it->i_channel = i_channel;
    it->limit = limit;
    it->i_order = i_order;
    read_item(w, it);
    return SM_OK;
}

static bool limit_wants(const sm_limit *l, const sm_channel *c)
{
    for (size_t i = 0; i < l->n_patterns; i++) {
        if (sm_pattern_matches(&l->patterns[i], c->place, c->role, c->axis)) {
            return true;
        }
    }
    return false;
}

static sm_status add_orders(work *w, size_t i_band, size_t i_channel, const sm_channel *c)
{
    if (c->role != SM_ROLE_ACCEL && c->role != SM_ROLE_GYRO) {
        return SM_OK;
    }
    const sm_limit *l = &w->order_limit[c->role == SM_ROLE_GYRO];
    const sm_order_table *t = w->setup->orders;
    for (size_t o = 0; t && o < t->n; o++) {
        const sm_track_plan *plan =
            sm_compare_first(w)->plans ? &sm_compare_first(w)->plans[o] : NULL;
        if (plan && plan->merged_into >= 0 && plan->merged_into != (long)o) {
            continue; /* not separable from a neighbour, which stands for both */
        }
        sm_status st = add_item(w, i_band, i_channel, l, (long)o);
        if (st != SM_OK) {
            return st;
        }
    }
    return SM_OK;
}

static long order_of_limit(const work *w, const sm_limit *l)
{
    sm_ratio ratio;
    sm_error err;
    if (sm_powertrain_order_ratio(w->setup->powertrain, l->order_label, &ratio, &err) != SM_OK) {
        return -1;
    }
    return sm_order_table_find(w->setup->orders, ratio);
}

/* Every measure of one band, channel by channel. */
static sm_status add_band(work *w, size_t i_band)
{
    const sm_budget *b = w->setup->budget;
    sm_status st = SM_OK;
    for (size_t c = 0; c < sm_compare_first(w)->n_channels && st == SM_OK; c++) {
        const sm_channel *info = &sm_compare_first(w)->channels[c].info;
        if (channel_of(w->side[1][0].survey, info->name) < 0) {
            continue;
        }
        for (size_t l = 0; l < b->n_limits && st == SM_OK; l++) {
            if (limit_wants(&b->limits[l], info)) {
                bool order = b->limits[l].measure == SM_MEASURE_ORDER;
                st = add_item(w, i_band, c, &b->limits[l],
                              order ? order_of_limit(w, &b->limits[l]) : -1);
            }
        }
        if (st == SM_OK && w->setup->every_order) {
            st = add_orders(w, i_band, c, info);
        }
    }
    return st;
}

/* Bands both sides visited; refused with what each has when there are none. */
static sm_status find_bands(work *w, sm_error *err)
{
    double lo[2] = {(double)INFINITY, (double)INFINITY};
    double hi[2] = {0, 0};
    bool any = false;
    for (size_t i = 0; i < w->n_bands; i++) {
        bool seen[2] = {false, false};
        for (size_t s = 0; s < 2; s++) {
            for (size_t r = 0; r < w->n[s]; r++) {
                if (visited(w, w->side[s][r].survey, i)) {
                    seen[s] = true;
                    lo[s] = sm_min(lo[s], w->side[s][r].survey->bands[i].rpm_lo);
                    hi[s] = sm_max(hi[s], w->side[s][r].survey->bands[i].rpm_hi);
                }
            }
        }
        w->shared[i] = seen[0] && seen[1];
        any = any || w->shared[i];
    }
    if (any) {
        return SM_OK;
    }
    char has[2][64];
    for (size_t s = 0; s < 2; s++) {
        (void)snprintf(has[s], sizeof has[s], hi[s] > 0 ? "%.0f to %.0f rpm" : "no band", lo[s],
                       hi[s]);
    }
    return sm_error_set(err, SM_E_VALUE, NULL, 0,
                        "no rpm band in common: before has %s, after has %s (a band needs 3 frames "
                        "and a trusted speed); run both through the same rpm",
                        has[0], has[1]);
}

static sm_status check_channels(const work *w, sm_error *err)
{
    for (size_t c = 0; c < sm_compare_first(w)->n_channels; c++) {
        if (channel_of(w->side[1][0].survey, sm_compare_first(w)->channels[c].info.name) >= 0) {
            return SM_OK;
        }
    }
    const sm_survey_result *a = w->side[1][0].survey;
    return sm_error_set(err, SM_E_VALUE, NULL, 0,
                        "no channel in common: before has %s, after has %s: sensors at different "
                        "places are ranked (stillmount rank), not compared",
                        sm_compare_first(w)->n_channels ? sm_compare_first(w)->channels[0].info.name
                                                        : "none",
                        a->n_channels ? a->channels[0].info.name : "none");
}

static void order_limits(work *w)
{
    for (int gyro = 0; gyro < 2; gyro++) {
        sm_quantity q = gyro ? SM_QUANTITY_RATE : SM_QUANTITY_ACCELERATION;
        w->order_limit[gyro] = (sm_limit){.measure = SM_MEASURE_ORDER,
                                          .hz_lo = (double)NAN,
                                          .hz_hi = (double)NAN,
                                          .as = q,
                                          .max_si = (double)NAN,
                                          .unit = sm_unit_shown(q),
                                          .detector = SM_PEAK};
        (void)snprintf(w->order_limit[gyro].name, sizeof w->order_limit[gyro].name, "orders");
    }
}

/* Room for one comparison's verdicts. */
typedef struct verdicts {
    sm_pairing *pairs;
    sm_change *changes;
    sm_pooled *pools; /* whole, channels, bands */
    size_t n_pools;
} verdicts;

static sm_status judge(work *w, verdicts *v, sm_json_doc *doc, sm_change_verdict *verdict,
                       sm_error *err)
{
    sm_repeatability rep = {0};
    const sm_change_options *opt = &w->setup->change;
    for (size_t i = 0; i < w->n_items; i++) {
        item *it = &w->items[i];
        for (size_t r = 0; r < SM_MAX_RUNS && it->code; r++) { /* silenced in one run: in all */
            it->before[r].value = it->after[r].value = (double)NAN;
        }
        v->pairs[i] = (sm_pairing){
            .before = it->before,
            .n_before = w->n[0],
            .after = it->after,
            .n_after = w->n[1],
            .i_channel = it->i_channel,
            .i_band = it->i_band,
            .one_of_many = it->limit == &w->order_limit[0] || it->limit == &w->order_limit[1],
            .apart = it->limit->measure == SM_MEASURE_PEAK || is_attitude(it->limit)};
    }
    sm_status st = sm_change_judge(v->pairs, w->n_items, opt, v->changes, &rep, err);
    st = st == SM_OK ? sm_change_pools(v->pairs, w->n_items, opt, v->changes, v->pools,
                                       sm_compare_first(w)->n_channels, w->n_bands, err)
                     : st;
    if (st == SM_OK) {
        *verdict = sm_compare_record(w, v->changes, v->pools, v->n_pools, &rep, doc);
    }
    return st;
}

static sm_status judge_all(work *w, sm_json_doc *doc, sm_change_verdict *verdict, sm_error *err)
{
    size_t n = w->n_items ? w->n_items : 1;
    verdicts v = {.n_pools = 1 + sm_compare_first(w)->n_channels + w->n_bands};
    v.pairs = sm_alloc_array(n, sizeof *v.pairs);
    v.changes = sm_alloc_array(n, sizeof *v.changes);
    v.pools = sm_alloc_array(v.n_pools, sizeof *v.pools);
    sm_status st = v.pairs && v.changes && v.pools
                       ? judge(w, &v, doc, verdict, err)
                       : sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    sm_free(v.pairs);
    sm_free(v.changes);
    sm_free(v.pools);
    return st;
}

sm_status sm_compare_json(const sm_compare_run *before, size_t n_before,
                          const sm_compare_run *after, size_t n_after,
                          const sm_compare_setup *setup, sm_json_doc *doc,
                          sm_change_verdict *verdict, sm_error *err)
{
    if (!n_before || !n_after || n_before > SM_MAX_RUNS || n_after > SM_MAX_RUNS) {
        return sm_error_set(err, SM_E_ARG, NULL, 0, "1 to %d runs are needed on each side",
                            SM_MAX_RUNS);
    }
    work w = {.side = {before, after}, .n = {n_before, n_after}, .setup = setup};
    w.n_bands = before[0].survey->n_bands;
    for (size_t s = 0; s < 2; s++) {
        for (size_t r = 0; r < w.n[s]; r++) {
            w.n_bands =
                w.side[s][r].survey->n_bands < w.n_bands ? w.side[s][r].survey->n_bands : w.n_bands;
        }
    }
    order_limits(&w);
    w.shared = sm_alloc_array(w.n_bands ? w.n_bands : 1, sizeof *w.shared);
    sm_status st = w.shared ? check_channels(&w, err)
                            : sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    st = st == SM_OK ? find_bands(&w, err) : st;
    for (size_t b = 0; b < w.n_bands && st == SM_OK; b++) {
        st = w.shared[b] ? add_band(&w, b) : SM_OK;
        if (st == SM_E_NOMEM) {
            st = sm_error_set(err, st, NULL, 0, "out of memory");
        }
    }
    st = st == SM_OK ? judge_all(&w, doc, verdict, err) : st;
    sm_free(w.items);
    sm_free(w.shared);
    return st;
}
