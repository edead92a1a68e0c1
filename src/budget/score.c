/* Values, intervals, ceilings and the verdict of one limit on one channel in one band. */
#include "budget/score.h"

#include "core/util.h"
#include "stillmount/stats.h"

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#define GUARD_MAX_DB 6.0  /* ceiling over value: above this the log says too little */
#define SCATTER_FRAMES 12 /* of a band: with fewer a rattle is as likely missed as met */
#define Z95 1.959963984540054
#define ORDER_CEILING                                                                              \
    3.3 /* of the amplitude's component sd: 99.9 % with the upward bias of a maximum */

/* SI power or amplitude in rms -> the limit's unit and detector. */
static double shown(const sm_result *r, const sm_limit *l, double si_rms)
{
    return si_rms / r->unit->to_si * sm_detector_factor(l->detector);
}

static void use_bounds(sm_result *r, const sm_limit *l, const sm_estimate *e)
{
    r->interval[0] = shown(r, l, sqrt(e->lo));
    r->interval[1] = shown(r, l, sqrt(e->hi));
    r->ceiling = shown(r, l, sqrt(e->ceiling));
}

const sm_slot_stat *sm_slot_of(const sm_score_view *v, const sm_result *r)
{
    const sm_channel_stat *c = &v->survey->channels[r->i_channel];
    const sm_band_channel *bc = &v->survey->bands[r->i_band].channels[r->i_channel];
    for (size_t s = 0; s < c->n_slots; s++) {
        if (c->slot_limit[s] == r->i_limit) {
            return &bc->slots[s];
        }
    }
    return NULL;
}

/*
 * A cell's own frames with the band's scatter. The scatter was measured at the band's mean level;
 * in a cell quieter than that, taking it as the scatter of a smaller chi-square would make the
 * bound explode, so the excess over the mean is added instead. A cell with at most half of the
 * frames has little part in the scatter: that is then known, whatever this cell happened to read,
 * and its excess can be added as well. Chi-square would ask what a reading of few degrees of
 * freedom says of itself: a rattle elsewhere in the band then made it look 20 dB uncertain.
 */
static bool is_small_part(const sm_cell *cell, const sm_slot_stat *s)
{
    return s->n >= SCATTER_FRAMES && 2 * cell->n <= s->n;
}

static double cell_ceiling(double p, const sm_slot_stat *s, double var, double cross,
                           const sm_cell *cell, long n_pairs)
{
    double at = sm_max(p, s->sum_p / (double)s->n);
    double top = sm_power_ceiling(at, var, cross, cell->n, cell->n_adjacent, n_pairs) - at;
    if (is_small_part(cell, s)) {
        top = sm_min(top, sm_power_excess(var, cross, cell->n, cell->n_adjacent, n_pairs, 0.999));
    }
    return p + top;
}

static sm_estimate cell_bounds(double p, const sm_slot_stat *s, double var, double cross,
                               const sm_cell *cell, long n_pairs)
{
    double mean = s->sum_p / (double)s->n;
    double at = sm_max(p, mean);
    sm_estimate e = sm_power_bounds(at, var, cross, cell->n, cell->n_adjacent, n_pairs);
    if (is_small_part(cell, s)) {
        double hi = sm_power_excess(var, cross, cell->n, cell->n_adjacent, n_pairs, 0.975);
        e.hi = sm_min(e.hi, at + hi);
    }
    return (sm_estimate){.p = p,
                         .lo = at > 0 ? p * e.lo / at : 0,
                         .hi = p + e.hi - at,
                         .nu = e.nu,
                         .ceiling = cell_ceiling(p, s, var, cross, cell, n_pairs)};
}

/* Band power per frame: the band's mean, or its loudest cell and direction. */
static long score_frames(const sm_score_view *v, sm_result *r)
{
    const sm_limit *l = &v->budget->limits[r->i_limit];
    const sm_band *b = &v->survey->bands[r->i_band];
    const sm_band_channel *bc = &b->channels[r->i_channel];
    const sm_slot_stat *s = sm_slot_of(v, r);
    if (!s) {
        return 0;
    }
    long n_pairs = 0;
    double relative =
        sm_frame_scatter(v->survey, r->i_band, (size_t)r->i_channel, r->i_limit, &n_pairs);
    double cross = sm_cross_term(v->survey, v->orders, b, bc, l->hz_lo, l->hz_hi, l->integrations);
    double mean = s->sum_p / (double)s->n;
    double var = relative * mean * mean;
    sm_estimate e = sm_power_bounds(mean, var, cross, s->n, s->n_adjacent, n_pairs);
    r->value_mean = r->value = shown(r, l, sqrt(mean));
    use_bounds(r, l, &e);
    double worst = -1;
    double ceiling = 0;
    long worst_cell = -1;
    sm_estimate worst_bounds = e;
    for (size_t i = 0; i < b->n_cells * SM_DIRECTIONS; i++) {
        const sm_cell *cell = &bc->cells[i];
        if (cell->n == 0) {
            continue;
        }
        double p = s->cell_p[i] / (double)cell->n;
        ceiling = sm_max(ceiling, cell_ceiling(p, s, var, cross, cell, n_pairs));
        if (p > worst) {
            worst = p;
            worst_cell = (long)i;
        }
    }
    if (worst_cell >= 0) {
        worst_bounds = cell_bounds(worst, s, var, cross, &bc->cells[worst_cell], n_pairs);
    }
    r->value_worst = shown(r, l, sqrt(sm_max(0, worst)));
    if (l->pick_mean) {
        return -1;
    }
    r->value = r->value_worst;
    use_bounds(r, l, &worst_bounds);
    r->ceiling = shown(r, l, sqrt(ceiling));
    return worst_cell;
}

static double cell_rpm(const sm_band *b, long cell)
{
    double middle = cell < 0 ? 0.5 * (double)b->n_cells : (double)(cell / SM_DIRECTIONS) + 0.5;
    return b->rpm_lo + middle * (b->rpm_hi - b->rpm_lo) / (double)b->n_cells;
}

static void score_rms(const sm_score_view *v, sm_result *r)
{
    const sm_slot_stat *s = sm_slot_of(v, r);
    if (!s || s->n < 3) {
        sm_reasons_add(&r->reasons, "too-short", "fewer than 3 whole frames of this channel here");
        return;
    }
    long cell = score_frames(v, r);
    r->rpm_at = cell_rpm(&v->survey->bands[r->i_band], cell);
    sm_find_cause(v, r, cell);
}

/* The table's order that stands for a ratio, merged ones included. */
static long tracked_order(const sm_score_view *v, sm_ratio ratio, bool *merged)
{
    long i = sm_order_table_find(v->orders, ratio);
    *merged = false;
    while (i >= 0 && v->survey->plans[i].merged_into >= 0) {
        i = v->survey->plans[i].merged_into;
        *merged = true;
    }
    return i;
}

static void score_order(const sm_score_view *v, sm_result *r)
{
    const sm_limit *l = &v->budget->limits[r->i_limit];
    const sm_band *b = &v->survey->bands[r->i_band];
    const sm_band_channel *bc = &b->channels[r->i_channel];
    sm_ratio ratio;
    bool merged = false;
    long order = sm_powertrain_order_ratio(v->powertrain, l->order_label, &ratio, NULL) == SM_OK
                     ? tracked_order(v, ratio, &merged)
                     : -1;
    const sm_order_stat *best = NULL;
    int k = l->integrations;
    double sum2 = 0;
    double window_s = 0;
    long n = 0;
    for (size_t d = 0; order >= 0 && d < SM_DIRECTIONS; d++) {
        const sm_order_stat *s = &bc->orders[(size_t)order * SM_DIRECTIONS + d];
        best = s->n && (!best || s->max2[k] > best->max2[k]) ? s : best;
        sum2 += s->sum2[k];
        window_s += s->window_s;
        n += s->n;
    }
    if (!best) {
        sm_reasons_add(&r->reasons, "too-short",
                       "this order was not tracked here: the stay is shorter than its window of "
                       "revolutions");
        return;
    }
    double w2 = pow(2 * SM_PI * best->max_hz[k], 2 * k);
    double s2 = sm_order_variance(v, bc, (size_t)order, best->max_hz[k], window_s / (double)n) / w2;
    double peak = sqrt(sm_max(0, best->max2[k] - 2 * s2));
    double sd = sqrt(sm_max(s2, sm_order_scatter(bc, (size_t)order) / w2));
    double left = sm_max(0.1, sm_order_loss(v, r, (size_t)order));
    double root2 = sqrt(2.0); /* amplitudes are peaks, shown() takes rms */
    r->value_worst = shown(r, l, peak / root2);
    r->value_mean = shown(r, l, sqrt(sm_max(0, sum2 / (double)n - 2 * s2) / 2));
    r->value = l->pick_mean ? r->value_mean : r->value_worst;
    r->interval[0] = sm_max(0, r->value - shown(r, l, Z95 * sd / root2));
    r->interval[1] = (r->value + shown(r, l, Z95 * sd / root2)) / left;
    r->ceiling = (r->value + shown(r, l, ORDER_CEILING * sd / root2)) / left;
    r->hz = best->max_hz[k];
    r->rpm_at = best->max_rpm[k];
    (void)snprintf(r->cause.kind, sizeof r->cause.kind, "order");
    (void)snprintf(r->cause.label, sizeof r->cause.label, "%s", v->orders->items[order].label);
    r->cause.share = 1;
    r->cause.i_order = order;
    if (merged) {
        sm_reasons_add(&r->reasons, "order-not-separable",
                       "this order and %.80s are too close to part: the value is of both",
                       v->orders->items[order].label);
    }
}

static void score_psd(const sm_score_view *v, sm_result *r)
{
    const sm_limit *l = &v->budget->limits[r->i_limit];
    const sm_band *b = &v->survey->bands[r->i_band];
    const sm_band_channel *bc = &b->channels[r->i_channel];
    if (bc->n_frames < 3) {
        sm_reasons_add(&r->reasons, "too-short", "fewer than 3 whole frames of this channel here");
        return;
    }
    double worst = 0;
    double worst_hz = NAN;
    long inside = 0;
    for (size_t k = 1; k + 1 < v->survey->n_bins; k++) {
        double hz = (double)k * v->survey->bin_hz;
        double limit = sm_limit_curve_at(l, hz);
        double w2 = pow(2 * SM_PI * hz, 2 * l->integrations);
        double ratio = bc->psd[k] / w2 / limit;
        inside += !isnan(limit);
        if (ratio > worst) { /* false outside the curve, where limit is NaN */
            worst = ratio;
            worst_hz = hz;
        }
    }
    if (inside == 0) {
        sm_reasons_add(
            &r->reasons, "range-not-usable",
            "the curve lies between two lines of the spectrum: nothing of it is measured");
        return;
    }
    double dof = sm_frames_dof(bc->n_frames, bc->n_frames - 1);
    r->value = r->value_mean = r->value_worst = worst;
    r->interval[0] = worst * dof / sm_chi2_quantile(0.975, dof);
    r->interval[1] = worst * dof / sm_chi2_quantile(0.025, dof);
    r->ceiling = worst * dof / sm_chi2_quantile(0.001, dof);
    r->hz = worst_hz;
    r->rpm_at = cell_rpm(b, -1);
    sm_find_cause(v, r, -1);
}

static void score_peak(const sm_score_view *v, sm_result *r)
{
    const sm_band *b = &v->survey->bands[r->i_band];
    const sm_band_channel *bc = &b->channels[r->i_channel];
    double peak = 0;
    for (size_t i = 0; i < b->n_cells * SM_DIRECTIONS; i++) {
        if (bc->cells[i].n && bc->cells[i].peak_si > peak) {
            peak = bc->cells[i].peak_si;
            r->rpm_at = bc->cells[i].peak_rpm;
        }
    }
    r->value = r->value_mean = r->value_worst = peak / r->unit->to_si;
    r->interval[0] = r->interval[1] = r->ceiling = r->value;
}

static const sm_drift_value *attitude_value(const sm_drift_cell *c, const sm_limit *l, int axis)
{
    return l->measure == SM_MEASURE_CONING ? &c->coning[axis] : &c->level;
}

/* Coning rate or level error: the largest of the directions, or all frames of the band. */
static void score_attitude(const sm_score_view *v, sm_result *r)
{
    const sm_limit *l = &v->budget->limits[r->i_limit];
    const sm_channel *c = &v->survey->channels[r->i_channel].info;
    const sm_band *b = &v->survey->bands[r->i_band];
    const sm_drift *d = sm_run_drift(v->run, c->place);
    if (!d) {
        sm_reasons_add(&r->reasons, "missing-gyro", "no gyro at this place");
        return;
    }
    sm_drift_band band;
    sm_drift_band_find(d, b->rpm_lo, b->rpm_hi, &band);
    for (size_t i = 0; i < band.n_reasons; i++) {
        if (strcmp(band.reasons[i].code, "not-resolved") != 0) { /* of the coning only */
            sm_reasons_add(&r->reasons, band.reasons[i].code, "%.230s", band.reasons[i].text);
        }
    }
    const sm_drift_value *mean = attitude_value(&band.all, l, c->axis);
    if (!band.assessed || isnan(mean->value) || isnan(mean->ceiling)) {
        sm_reasons_add(&r->reasons, "too-short", "too little usable record for this measure here");
        return;
    }
    const sm_drift_value *worst = mean;
    double ceiling = mean->ceiling;
    for (size_t k = 0; k < 3 && !l->pick_mean; k++) {
        const sm_drift_value *one = attitude_value(&band.by_direction[k], l, c->axis);
        if (band.by_direction[k].n_frames >= 3 && !isnan(one->ceiling)) {
            worst = fabs(one->value) > fabs(worst->value) ? one : worst;
            ceiling = sm_max(ceiling, one->ceiling);
        }
    }
    double lo = sm_min(fabs(worst->lo), fabs(worst->hi));
    r->value_mean = shown(r, l, fabs(mean->value));
    r->value = r->value_worst = shown(r, l, fabs(worst->value));
    r->interval[0] = worst->lo * worst->hi < 0 ? 0 : shown(r, l, lo);
    r->interval[1] = shown(r, l, sm_max(fabs(worst->lo), fabs(worst->hi)));
    r->ceiling = shown(r, l, ceiling);
    r->unresolved = !worst->resolved;
    r->rpm_at = cell_rpm(b, -1);
}

static void set_max(const sm_score_view *v, sm_result *r)
{
    const sm_limit *l = &v->budget->limits[r->i_limit];
    r->max = isnan(l->max_si) ? (double)NAN : l->max_si / r->unit->to_si;
    if (l->measure == SM_MEASURE_PSD) {
        r->max = 1; /* values are ratios to the curve */
    }
    if (!isnan(l->max_of_range)) {
        double range = v->survey->channels[r->i_channel].info.range_si;
        r->max = range > 0 ? l->max_of_range * range / r->unit->to_si : (double)NAN;
        if (!(range > 0)) {
            sm_reasons_add(&r->reasons, "range-unknown",
                           "the sensor's full scale is not known: write range = N UNIT in the "
                           "channels file");
        }
    }
}

static void set_margin(const sm_limit *l, sm_result *r)
{
    r->margin_db = (double)NAN;
    r->spent = (double)NAN;
    if (isnan(r->max) || isnan(r->value)) {
        return;
    }
    bool power = l->measure == SM_MEASURE_PSD;
    r->spent = power ? sqrt(r->value / r->max) : r->value / r->max;
    if (r->value > 0) {
        r->margin_db = (power ? 10 : 20) * log10(r->max / r->value);
    }
}

static double guard_db(const sm_limit *l, const sm_result *r)
{
    bool attitude = l->measure == SM_MEASURE_CONING || l->measure == SM_MEASURE_LEVEL;
    if (attitude || !(r->value > 0)) { /* a mean of either sign: nothing is 6 dB from zero */
        return 0;
    }
    return (l->measure == SM_MEASURE_PSD ? 10 : 20) * log10(r->ceiling / r->value);
}

static void widen_by_tolerance(const sm_score_view *v, sm_result *r, const sm_limit *l)
{
    double t = v->survey->channels[r->i_channel].info.tolerance;
    if (!(t > 0)) {
        return;
    }
    double up = l->measure == SM_MEASURE_PSD ? (1 + t) * (1 + t) : 1 + t;
    r->interval[0] /= up;
    r->interval[1] *= up;
    r->ceiling *= up;
}

#define QUIET_DB 30.0 /* under the limit: quieter than any mount beside an engine */

/* Even a quiet mount shows something of a running engine. */
static bool some_order_is_seen(const sm_score_view *v)
{
    for (size_t i = 0; i < v->survey->n_channels; i++) {
        sm_comb_result c;
        sm_comb_result_get(v->survey->comb, &i, 1, SIZE_MAX, &c);
        if (c.n_seen > 0) {
            return true;
        }
    }
    return v->orders->n == 0;
}

static sm_verdict thin_or_within(const sm_score_view *v, const sm_limit *l, sm_result *r)
{
    const sm_band *b = &v->survey->bands[r->i_band];
    sm_verdict verdict = SM_WITHIN;
    if (!(r->ceiling <= r->max)) { /* also NaN: nobody knows */
        verdict = SM_THIN;
        sm_reasons_add(&r->reasons, "not-proven",
                       "under the limit, but this log cannot prove it: hold this rpm longer");
    }
    if (r->margin_db < l->reserve_db) {
        verdict = SM_THIN;
        sm_reasons_add(&r->reasons, "reserve-not-met",
                       "%.2f dB under the limit, %.3g dB are to be kept free for flight",
                       r->margin_db, l->reserve_db);
    }
    double lost = sm_lost_value(v, r);
    bool power = l->measure == SM_MEASURE_PSD;
    if (lost > 0 && (power ? 10 : 20) * log10(r->max / lost) < l->reserve_db) {
        verdict = SM_THIN;
        sm_reasons_add(&r->reasons, "speed-lost",
                       "while the speed was lost on the way through here this limit read up to "
                       "%.3g, which leaves less than the reserve",
                       lost);
    }
    if (b->n_visits < v->budget->min_passes) {
        verdict = SM_THIN;
        sm_reasons_add(&r->reasons, "too-few-passes", "%ld of %ld passes through this band",
                       b->n_visits, v->budget->min_passes);
    }
    double top = l->measure == SM_MEASURE_ORDER ? r->hz : l->hz_hi;
    const sm_channel_stat *c = &v->survey->channels[r->i_channel];
    if (!(c->info.bandwidth_hz > 0) && top > 0.25 * v->survey->rate_hz) {
        verdict = SM_THIN;
        sm_reasons_add(&r->reasons, "bandwidth-assumed",
                       "the sensor's own filter is not known: write bandwidth_hz in the channels "
                       "file");
    }
    sm_floor_curve *curve = &v->floors[r->i_channel];
    if (!(c->info.bandwidth_hz > 0) && top > 0 && verdict == SM_WITHIN) {
        if (curve->n == 0) {
            sm_floor_curve_get(v, (size_t)r->i_channel, curve);
        }
        if (sm_floor_falls(curve, top)) {
            verdict = SM_THIN;
            sm_reasons_add(&r->reasons, "bandwidth-assumed",
                           "at %.4g Hz the noise is far down, as behind a filter, and the sensor's "
                           "own is not known: write bandwidth_hz in the channels file",
                           top);
        }
    }
    /* an order that is not seen is blocked before */
    if (l->measure != SM_MEASURE_ORDER && !(r->margin_db < QUIET_DB) && v->survey->n_lines == 0 &&
        !some_order_is_seen(v)) {
        verdict = SM_THIN;
        sm_reasons_add(&r->reasons, "speed-not-confirmed",
                       "no expected order stands out of the noise anywhere in this log: did the "
                       "engine run, and is the speed its own?");
    }
    const char *name = c->info.name;
    const sm_finding *silent = sm_findings_get(sm_run_findings(v->run), "silent-axis", name);
    if (silent) {
        verdict = SM_THIN;
        sm_reasons_add(&r->reasons, silent->code, "%.230s", silent->text);
    }
    if (v->budget->is_reference) {
        verdict = SM_THIN;
        sm_reasons_add(&r->reasons, "reference-levels",
                       "reference levels, not limits of an attitude sensor: thin at best");
    }
    return verdict;
}

static bool stayed_long_enough(const sm_score_view *v, sm_result *r)
{
    const sm_band *b = &v->survey->bands[r->i_band];
    double slowest = 1 / sm_max(1, sm_ratio_value(v->powertrain->gear));
    /* a channel that is missing for a part of the stay has only its own seconds */
    double own_s = sm_min(b->seconds, b->channels[r->i_channel].seconds);
    double turns = b->turns * (v->powertrain->has_engine ? slowest : 1) * own_s / b->seconds;
    bool good = true;
    if (b->n_frames < 3 || own_s < v->budget->min_seconds) {
        good = false;
        sm_reasons_add(&r->reasons, "too-short",
                       "%.1f s of at least %.3g s in this band: stay %.1f "
                       "s longer",
                       own_s, sm_max(2, v->budget->min_seconds),
                       sm_max(2, v->budget->min_seconds) - own_s);
    }
    if (turns < v->budget->min_turns) {
        good = false;
        sm_reasons_add(&r->reasons, "too-few-turns",
                       "%.0f of at least %.0f turns of the slowest shaft in this band", turns,
                       v->budget->min_turns);
    }
    return good;
}

static void judge(const sm_score_view *v, sm_result *r, bool long_enough)
{
    const sm_limit *l = &v->budget->limits[r->i_limit];
    sm_flaws flaws = {false, false};
    sm_check_trust(v, r, &flaws);
    r->verdict = SM_UNASSESSED;
    if (isnan(r->value) || isnan(r->max) || flaws.blocks_all) {
        return;
    }
    if (r->value > r->max) {
        r->verdict = SM_OVER;
        if (r->interval[0] < r->max) {
            sm_reasons_add(&r->reasons, "over-not-proven",
                           "over the limit by less than this log can prove: repeat it more slowly");
        }
        return;
    }
    if (flaws.blocks || !long_enough) {
        return;
    }
    double guard = guard_db(l, r);
    if (!(guard <= GUARD_MAX_DB)) {
        double more = 5 * ceil(sm_min(12, 0.4 * pow(10, (sm_min(guard, 30) - 6) / 20)) + 0.5);
        char higher[32] = "more than 30";
        if (guard < 30) {
            (void)snprintf(higher, sizeof higher, "up to %.0f", ceil(guard));
        }
        sm_reasons_add(&r->reasons, "hold-longer",
                       "the stay is too short to bound the value (it may be %s dB higher): hold "
                       "this rpm for about %.0f s more",
                       higher, more);
        return;
    }
    r->verdict = thin_or_within(v, l, r);
}

void sm_score(const sm_score_view *v, sm_result *r)
{
    const sm_limit *l = &v->budget->limits[r->i_limit];
    const sm_band *b = &v->survey->bands[r->i_band];
    r->value = r->value_mean = r->value_worst = r->interval[0] = r->interval[1] = r->ceiling =
        r->max = r->margin_db = r->spent = r->hz = r->rpm_at = (double)NAN;
    r->cause.i_order = -1;
    r->verdict = SM_UNASSESSED;
    r->unit = l->unit;
    if (r->i_channel < 0) {
        sm_reasons_add(&r->reasons, "channel-missing",
                       "%s is not in this log: record it, or name it in the channels file",
                       r->channel);
        return;
    }
    if (!isnan(l->max_of_range)) {
        r->unit = v->survey->channels[r->i_channel].info.unit;
    }
    set_max(v, r);
    const sm_band_channel *bc = &b->channels[r->i_channel];
    if (!b->visited || !bc->cells) {
        sm_reasons_add(&r->reasons, "not-recorded", "no usable record in this rpm band");
        return;
    }
    bool long_enough = stayed_long_enough(v, r);
    if (l->measure == SM_MEASURE_RMS || l->measure == SM_MEASURE_LINE) {
        score_rms(v, r);
    } else if (l->measure == SM_MEASURE_ORDER) {
        score_order(v, r);
    } else if (l->measure == SM_MEASURE_PSD) {
        score_psd(v, r);
    } else if (l->measure == SM_MEASURE_PEAK) {
        score_peak(v, r);
    } else {
        score_attitude(v, r);
    }
    widen_by_tolerance(v, r, l);
    set_margin(l, r);
    if (v->budget->has_limits) {
        judge(v, r, long_enough);
    }
}
