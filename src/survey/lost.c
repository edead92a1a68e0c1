/* Stretches without a speed: pieces between silences, and their charge to bands. */
#include "survey/lost.h"

#include "core/alloc.h"
#include "core/util.h"
#include "core/wide.h"
#include "stillmount/stats.h"

#include <math.h>
#include <string.h>

/* A quarter of the power of the quietest frame so far: the engine stands. So it does when that
 * holds without the strongest lines of both, and no more power than in that frame is left with
 * them: something electric may be louder than a quiet mount. */
#define SILENCE 0.25
#define NEAR_QUIETEST 1.1 /* frames whose rest is worked out */
enum { LINES_OUT = 3, LOBE = 2 };
/* Starting and stopping shake for less than this, and no limit speaks of it. */
enum { START_FRAMES = 10 };
/* Of the lowest band's rpm. A speed that jumps to less is as good as lost, until it returns or has
 * stayed there for JUMP_FRAMES: an engine that stops, or a reading that fails. */
#define START_SHARE 0.75
/* A step of rpm that no engine makes in a sixteenth of a second: half its speed in one second. */
#define JUMP_SHARE 0.03
/* A wrong reading that lasts longer than this is another matter: the comb check's. */
enum { JUMP_FRAMES = 30, STILL_FRAMES = 2 };
/* An order's line is looked for this far beyond the speeds on both sides. */
#define RPM_BEYOND 0.03

static size_t n_slots(const sm_lost *l, size_t i)
{
    return l->res->channels[l->first + i].n_slots;
}

static bool matches(const sm_limit *limit, const sm_channel *c)
{
    bool any = false;
    for (size_t k = 0; k < limit->n_patterns; k++) {
        any |= sm_pattern_matches(&limit->patterns[k], c->place, c->role, c->axis);
    }
    return any;
}

static sm_status open_sum(sm_lost *l, size_t i, sm_lost_sum *s)
{
    bool orders = false;
    bool curves = false;
    for (size_t k = 0; k < l->opt->budget->n_limits; k++) {
        const sm_limit *limit = &l->opt->budget->limits[k];
        bool mine = matches(limit, &l->res->channels[l->first + i].info);
        orders |= mine && limit->measure == SM_MEASURE_ORDER;
        curves |= mine && limit->measure == SM_MEASURE_PSD;
    }
    s->p = sm_alloc_array(n_slots(l, i) + 1, sizeof *s->p);
    s->lobe = orders ? sm_alloc_array(l->res->n_bins, sizeof *s->lobe) : NULL;
    s->psd = curves ? sm_alloc_array(l->res->n_bins, sizeof *s->psd) : NULL;
    return s->p && (s->lobe || !orders) && (s->psd || !curves) ? SM_OK : SM_E_NOMEM;
}

sm_status sm_lost_open(sm_lost *l, const sm_survey_options *opt, sm_survey_result *res,
                       size_t first, size_t n)
{
    *l = (sm_lost){.opt = opt,
                   .res = res,
                   .first = first,
                   .n = n,
                   .rpm_before = NAN,
                   .since_jump = JUMP_FRAMES};
    const sm_powertrain *p = opt->powertrain;
    l->shaft_per_rpm = sm_powertrain_reference_per(p, p->rpm_of) / 60;
    for (size_t k = 0; k < opt->budget->n_limits; k++) {
        const sm_limit *limit = &opt->budget->limits[k];
        sm_ratio ratio;
        bool known = limit->measure == SM_MEASURE_ORDER &&
                     sm_powertrain_order_ratio(p, limit->order_label, &ratio, NULL) == SM_OK;
        l->order[k] = known ? sm_ratio_value(ratio) : (double)NAN;
    }
    l->channels = sm_alloc_array(n + 1, sizeof *l->channels);
    sm_status st = l->channels ? SM_OK : SM_E_NOMEM;
    for (size_t i = 0; i < n && st == SM_OK; i++) {
        l->channels[i].quietest_p = l->channels[i].quietest_rest = INFINITY;
        st = open_sum(l, i, &l->channels[i].piece);
        st = st == SM_OK ? open_sum(l, i, &l->channels[i].stretch) : st;
    }
    return st;
}

void sm_lost_close(sm_lost *l)
{
    for (size_t i = 0; l->channels && i < l->n; i++) {
        sm_lost_sum *sums[2] = {&l->channels[i].piece, &l->channels[i].stretch};
        for (int k = 0; k < 2; k++) {
            sm_free(sums[k]->p);
            sm_free(sums[k]->lobe);
            sm_free(sums[k]->psd);
        }
    }
    sm_free(l->channels);
    *l = (sm_lost){0};
}

static void clear(const sm_lost *l, size_t i, sm_lost_sum *s)
{
    size_t bytes = l->res->n_bins * sizeof(double);
    memset(s->p, 0, n_slots(l, i) * sizeof(double));
    if (s->lobe) {
        memset(s->lobe, 0, bytes);
    }
    if (s->psd) {
        memset(s->psd, 0, bytes);
    }
    s->peak_si = 0;
    s->n = 0;
}

/* The piece counts, as part of the stretch. */
static void keep(const sm_lost *l, size_t i)
{
    sm_lost_channel *c = &l->channels[i];
    for (size_t k = 0; k < n_slots(l, i); k++) {
        c->stretch.p[k] = sm_max(c->stretch.p[k], c->piece.p[k]);
    }
    for (size_t k = 0; k < l->res->n_bins; k++) {
        if (c->piece.lobe) {
            c->stretch.lobe[k] = sm_max(c->stretch.lobe[k], c->piece.lobe[k]);
        }
        if (c->piece.psd) {
            c->stretch.psd[k] += c->piece.psd[k];
        }
    }
    c->stretch.peak_si = sm_max(c->stretch.peak_si, c->piece.peak_si);
    c->stretch.n += c->piece.n;
}

/* A piece next to a silence is a start or a stop, unless it is too long for one. */
static void end_piece(const sm_lost *l, size_t i, bool silence)
{
    sm_lost_channel *c = &l->channels[i];
    if (c->piece.n && ((!silence && !c->after_silence) || c->piece.n > START_FRAMES)) {
        keep(l, i);
    }
    clear(l, i, &c->piece);
}

static void add(const sm_lost *l, size_t i, sm_lost_sum *s, const double *x, size_t n,
                const double *power, double scale, const double *slot_p)
{
    for (size_t k = 0; k < n_slots(l, i); k++) {
        s->p[k] = sm_max(s->p[k], slot_p[k]);
    }
    for (size_t k = 2; k + 2 < l->res->n_bins; k++) {
        if (s->lobe) {
            double lobe = power[k - 2] + power[k - 1] + power[k] + power[k + 1] + power[k + 2];
            s->lobe[k] = sm_max(s->lobe[k], lobe * scale * l->res->bin_hz);
        }
        if (s->psd) {
            s->psd[k] += power[k] * scale;
        }
    }
    for (size_t k = 0; k < n; k++) {
        s->peak_si = sm_max(s->peak_si, fabs(x[k]));
    }
    s->n++;
}

static double variance(const double *x, size_t n)
{
    double sum = 0;
    double sum2 = 0;
    sm_add_squares(x, n, x[0], &sum, &sum2);
    double mean = sum / (double)n;
    return sm_max(0, sum2 / (double)n - mean * mean);
}

void sm_lost_quiet(sm_lost *l, size_t i, const double *x, size_t n)
{
    sm_lost_channel *c = &l->channels[i];
    c->p = variance(x, n);
    c->quietest_p = sm_min(c->quietest_p, c->p);
}

/* All power but that of the strongest lines and of bins that are no vibration. */
static double rest_of(const double *power, size_t n)
{
    double sum = 0;
    for (size_t k = LOBE; k < n; k++) {
        sum += power[k];
    }
    size_t out[LINES_OUT];
    for (size_t j = 0; j < LINES_OUT; j++) {
        size_t top = 0;
        for (size_t k = LOBE; k < n; k++) {
            bool taken = false;
            for (size_t o = 0; o < j; o++) {
                taken |= k + 2 * LOBE >= out[o] && k <= out[o] + 2 * LOBE;
            }
            top = !taken && (!top || power[k] > power[top]) ? k : top;
        }
        out[j] = top;
        for (size_t k = top < 2 * LOBE ? LOBE : top - LOBE; top && k < n && k <= top + LOBE; k++) {
            sum -= power[k];
        }
    }
    return sm_max(0, sum);
}

void sm_lost_quiet_rest(sm_lost *l, size_t i, const double *power)
{
    sm_lost_channel *c = &l->channels[i];
    if (c->p < NEAR_QUIETEST * c->quietest_p) {
        c->quietest_rest = sm_min(c->quietest_rest, rest_of(power, l->res->n_bins));
    }
}

static bool silent(const sm_lost *l, size_t i, const double *x, size_t n, const double *power)
{
    const sm_lost_channel *c = &l->channels[i];
    double p = variance(x, n);
    return p < SILENCE * c->quietest_p ||
           (p < c->quietest_p && rest_of(power, l->res->n_bins) < SILENCE * c->quietest_rest);
}

bool sm_lost_wants(const sm_lost *l)
{
    return l->state != SM_LOST_NOT;
}

void sm_lost_channel_frame(sm_lost *l, size_t i, const double *x, size_t n, const double *power,
                           double scale, const double *slot_p)
{
    sm_lost_channel *c = &l->channels[i];
    if (l->state == SM_LOST_SPEED && silent(l, i, x, n, power)) {
        end_piece(l, i, true);
        c->after_silence = c->silent = true;
        return;
    }
    add(l, i, &c->piece, x, n, power, scale, slot_p);
}

/* [lo, hi] of bands between two speeds; false when no band lies there. A speed outside all bands
 * counts as the band next to it, unless both lie on the same side. */
static bool bands_between(const sm_lost *l, double a, double b, size_t *lo, size_t *hi)
{
    const sm_budget *budget = l->opt->budget;
    double low = fmin(a, b); /* of one that is NaN the other */
    double high = fmax(a, b);
    if (isnan(low) || high < budget->rpm_lo || low > budget->rpm_hi) {
        return false;
    }
    *lo = (size_t)sm_budget_band_of(budget, sm_max(low, budget->rpm_lo));
    *hi = (size_t)sm_budget_band_of(budget, sm_min(high, budget->rpm_hi));
    return true;
}

/* Worst ratio to the curve that the mean of so few frames proves. */
static double psd_ratio(const sm_lost *l, const sm_lost_sum *s, const sm_limit *limit)
{
    double worst = 0;
    double dof = sm_frames_dof(s->n, s->n - 1);
    for (size_t k = 2; s->n && k + 2 < l->res->n_bins; k++) {
        double hz = (double)k * l->res->bin_hz;
        double curve = sm_limit_curve_at(limit, hz);
        double ratio = sm_integrated(s->psd[k] / (double)s->n, hz, limit->integrations) / curve;
        worst = ratio > worst ? ratio : worst;
    }
    return worst * dof / sm_chi2_quantile(0.9999, dof);
}

static double order_power(const sm_lost *l, const sm_lost_sum *s, const sm_limit *limit,
                          double order, double low_rpm, double high_rpm)
{
    double bin = l->res->bin_hz;
    double per_rpm = order * l->shaft_per_rpm / bin;
    double from = sm_max(2, floor(low_rpm * (1 - RPM_BEYOND) * per_rpm));
    double to = sm_min((double)l->res->n_bins - 3, ceil(high_rpm * (1 + RPM_BEYOND) * per_rpm));
    double most = 0;
    for (size_t k = (size_t)from; (double)k <= to; k++) {
        most = sm_max(most, sm_integrated(s->lobe[k], (double)k * bin, limit->integrations));
    }
    return most;
}

/* What a limit reads in the stretch: mean square, or for a curve the ratio. */
static double value_of(const sm_lost *l, size_t i, size_t i_limit, double low_rpm, double high_rpm)
{
    const sm_channel_stat *c = &l->res->channels[l->first + i];
    const sm_lost_sum *s = &l->channels[i].stretch;
    const sm_limit *limit = &l->opt->budget->limits[i_limit];
    if (limit->measure == SM_MEASURE_PEAK) {
        return s->peak_si * s->peak_si;
    }
    if (limit->measure == SM_MEASURE_PSD) {
        return psd_ratio(l, s, limit);
    }
    if (limit->measure == SM_MEASURE_ORDER && !isnan(l->order[i_limit])) {
        return order_power(l, s, limit, l->order[i_limit], low_rpm, high_rpm);
    }
    for (size_t k = 0; k < c->n_slots; k++) {
        if (c->slot_limit[k] == i_limit) {
            return s->p[k];
        }
    }
    return 0; /* coning and level: not looked at */
}

static sm_status charge(const sm_lost *l, size_t i, double from_rpm, double rpm)
{
    const sm_budget *budget = l->opt->budget;
    size_t lo = 0;
    size_t hi = 0;
    if (l->channels[i].stretch.n == 0 || !bands_between(l, from_rpm, rpm, &lo, &hi)) {
        return SM_OK;
    }
    double low_rpm = fmin(from_rpm, rpm);
    double high_rpm = fmax(from_rpm, rpm);
    for (size_t k = 0; k < budget->n_limits; k++) {
        if (!matches(&budget->limits[k], &l->res->channels[l->first + i].info)) {
            continue;
        }
        double value = value_of(l, i, k, low_rpm, high_rpm);
        for (size_t b = lo; b <= hi; b++) {
            sm_band_channel *bc = &l->res->bands[b].channels[l->first + i];
            bc->lost = bc->lost ? bc->lost : sm_alloc_array(budget->n_limits, sizeof *bc->lost);
            if (!bc->lost) {
                return SM_E_NOMEM;
            }
            bc->lost[k] = sm_max(bc->lost[k], value);
        }
    }
    return SM_OK;
}

/* For the finding: stretches inside the run in which the engine did not stop. */
static void record(const sm_lost *l, bool jumped)
{
    sm_survey_result *r = l->res;
    sm_lost_places *to = jumped ? &r->speed_jumps : &r->speed_lost;
    if (l->n && l->channels[0].silent) {
        return;
    }
    if (to->n < SM_FINDING_PLACES) {
        to->at[to->n] = (sm_place){l->t0_s, l->t1_s, 0};
    }
    to->n++;
    to->seconds += l->t1_s - l->t0_s;
}

/* The stretch ends with this speed (NaN: the log ends): its pieces are charged. */
static sm_status end_stretch(sm_lost *l, double from_rpm, double rpm)
{
    sm_status st = SM_OK;
    for (size_t i = 0; i < l->n && st == SM_OK; i++) {
        end_piece(l, i, isnan(rpm));
        st = charge(l, i, from_rpm, rpm);
    }
    l->state = SM_LOST_NOT;
    return st;
}

static void begin_stretch(sm_lost *l, double t0_s)
{
    for (size_t i = 0; i < l->n; i++) {
        clear(l, i, &l->channels[i].piece);
        clear(l, i, &l->channels[i].stretch);
        l->channels[i].after_silence = isnan(l->rpm_before); /* the log begins without speed */
        l->channels[i].silent = false;
    }
    l->t0_s = t0_s;
}

sm_status sm_lost_begin(sm_lost *l, const sm_frame *f, bool trusted)
{
    sm_status st = SM_OK;
    l->jumps = trusted && f->rpm_step > JUMP_SHARE * f->rpm;
    bool low = fmin(f->rpm_first, f->rpm_last) < START_SHARE * l->opt->budget->rpm_lo;
    bool jumped = l->jumps || l->since_jump < JUMP_FRAMES;
    l->low = trusted && low && jumped;
    bool known = trusted && !l->low;
    if (l->state == SM_LOST_SPEED && known) {
        if (l->first == 0 && !isnan(l->rpm_before) && !low) {
            record(l, false);
        }
        st = low ? SM_OK : end_stretch(l, l->rpm_before, f->rpm_first);
    }
    bool doubt = f->rpm_still || l->was_still || jumped;
    sm_lost_state now = !known ? SM_LOST_SPEED : doubt ? SM_LOST_DOUBT : SM_LOST_NOT;
    if (now != SM_LOST_NOT && now != l->state) {
        begin_stretch(l, f->t0_s);
    }
    l->state = now;
    l->t1_s = f->t0_s + l->res->frame_s;
    return st;
}

sm_status sm_lost_end(sm_lost *l, const sm_frame *f)
{
    sm_status st = SM_OK;
    if (l->state == SM_LOST_SPEED) {
        l->n_still = 0;
        l->was_still = false;
        if (l->low) {
            l->since_jump = l->jumps ? 0 : l->since_jump + 1;
        }
        return SM_OK;
    }
    if (l->jumps) {
        bool again = l->since_jump < JUMP_FRAMES;
        if (l->first == 0 && l->n_still >= STILL_FRAMES) {
            record(l, true);
        }
        double from_rpm = again ? l->rpm_anchor : l->rpm_before;
        l->rpm_anchor = again ? l->rpm_anchor : l->rpm_before;
        st = end_stretch(l, from_rpm, f->rpm_last);
        l->since_jump = 0;
    } else {
        l->since_jump += l->since_jump < JUMP_FRAMES;
    }
    l->n_still = f->rpm_still ? l->n_still + 1 : l->was_still ? l->n_still : 0;
    l->was_still = f->rpm_still;
    l->rpm_before = f->rpm_last;
    return st;
}

sm_status sm_lost_finish(sm_lost *l)
{
    return l->state == SM_LOST_SPEED ? end_stretch(l, l->rpm_before, (double)NAN) : SM_OK;
}
