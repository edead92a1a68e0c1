/* drift: what the sums of a band say, with intervals, and why it may not be said. */
#include "core/util.h"
#include "motion/drift_internal.h"
#include "stillmount/stats.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

/* Where rounding ends: relative to the product of two amplitudes. */
#define ROUNDING 1e-9
/* A family-wise chance of 1 % that any axis of any band of pure noise is called resolved. */
#define FALSE_RESOLVED 0.01
#define LEAST_RATE_HZ 195.0 /* a logger of 200 Hz whose clock is a little off is let through */

drift_cell drift_cell_all(const drift_slot *s)
{
    drift_cell all = s->cells[0];
    for (int d = 1; d < 3; d++) {
        const drift_cell *c = &s->cells[d];
        all.n += c->n;
        all.n_adjacent += c->n_adjacent;
        all.n_pairs += c->n_pairs;
        all.n_rows += c->n_rows;
        for (int q = 0; q < DRIFT_QUANTITIES; q++) {
            all.sum[q] += c->sum[q];
            all.difference2[q] += c->difference2[q];
            all.covariance[q] += c->covariance[q];
        }
        for (int k = 0; k < 3; k++) {
            all.level_sum[k] += c->level_sum[k];
        }
    }
    return all;
}

/* Mean power of input i from k_lo up, over the band's frames. */
static double power_of(const sm_drift *d, const drift_slot *s, int i, size_t n)
{
    double sum = 0;
    for (size_t k = d->k_lo; k + 1 < d->n_bins && d->input[i] >= 0; k++) {
        sum += s->power[(size_t)i * d->n_bins + k];
    }
    return n ? sum / (double)n : 0;
}

/* Standard error of the mean, its degrees of freedom, and what timing and rounding may hide. */
typedef struct spread {
    double sigma;
    double dof;
    double hidden;
} spread;

static spread spread_of(const sm_drift *d, const drift_slot *s, const drift_cell *c, int q)
{
    double n = (double)c->n;
    int k = q % 3;
    int i = (k + 1) % 3;
    int j = (k + 2) % 3;
    spread out = {(double)NAN, 1, 0};
    if (c->n_pairs > 0) {
        /* Pairs share no samples, and a slow change of the true value cancels in them. Frames that
         * overlap by a half correlate by at most 1/6 (signal times noise; noise alone 1/36). */
        double v = c->difference2[q] / (2 * (double)c->n_pairs);
        out.sigma = sqrt(v * (1 + (double)c->n_adjacent / (3 * n)) / n);
        out.dof = sm_max(1, 2 * (double)c->n_pairs / 3);
    }
    int other = q < 3 ? j : 3 + j;
    double size = sqrt(power_of(d, s, i, c->n) * power_of(d, s, other, c->n));
    double lowest = 2 * SM_PI * d->rate_hz * (double)d->k_lo / (double)d->n_frame;
    out.hidden = d->skew_s * fabs(c->covariance[q]) / n + ROUNDING * size / lowest;
    return out;
}

static sm_drift_value value_of(double mean, spread s, size_t n_bands)
{
    double tests = 3.0 * (double)(n_bands ? n_bands : 1);
    double shown = sm_t_quantile(0.975, s.dof) * s.sigma + s.hidden;
    double sure = sm_t_quantile(0.999, s.dof) * s.sigma + s.hidden;
    double clear = sm_t_quantile(1 - FALSE_RESOLVED / (2 * tests), s.dof) * s.sigma + s.hidden;
    return (sm_drift_value){.value = mean,
                            .lo = mean - shown,
                            .hi = mean + shown,
                            .ceiling = fabs(mean) + sure,
                            .resolved = fabs(mean) > clear};
}

static sm_drift_value nothing(void)
{
    double nan = (double)NAN;
    return (sm_drift_value){nan, nan, nan, nan, false};
}

int drift_vertical_axis(const drift_cell *c)
{
    int axis = 2;
    double most = 0.3 * SM_G0_M_S2 * (double)c->n;
    for (int k = 0; k < 3; k++) {
        if (fabs(c->level_sum[k]) > most) {
            most = fabs(c->level_sum[k]);
            axis = k;
        }
    }
    return axis;
}

static double tilt(double m_s2)
{
    return asin(sm_min(1, sm_max(0, m_s2 / SM_G0_M_S2)));
}

/* Magnitude of the two level axes' sculling, as a lean. */
static sm_drift_value level_of(const drift_cell *c, const sm_drift_value s[3], const spread sp[3],
                               size_t n_bands)
{
    int v = drift_vertical_axis(c);
    int a = (v + 1) % 3;
    int b = (v + 2) % 3;
    double size = hypot(s[a].value, s[b].value);
    double wa = size > 0 ? fabs(s[a].value) / size : 1;
    double wb = size > 0 ? fabs(s[b].value) / size : 1;
    spread both = {hypot(wa * sp[a].sigma, wb * sp[b].sigma), sp[a].dof,
                   hypot(sp[a].hidden, sp[b].hidden)};
    sm_drift_value m = value_of(size, both, n_bands);
    return (sm_drift_value){.value = tilt(m.value),
                            .lo = tilt(m.lo),
                            .hi = tilt(m.hi),
                            .ceiling = tilt(m.ceiling),
                            .resolved = s[a].resolved || s[b].resolved};
}

static void cell_result(const sm_drift *d, const drift_slot *s, const drift_cell *c,
                        sm_drift_cell *out)
{
    spread sp[DRIFT_QUANTITIES];
    *out = (sm_drift_cell){.n_frames = c->n, .seconds = (double)c->n_rows / d->rate_hz};
    out->level = nothing();
    for (int q = 0; q < DRIFT_QUANTITIES; q++) {
        sm_drift_value *v = q < 3 ? &out->coning[q] : &out->sculling[q - 3];
        *v = nothing();
        if (c->n > 0 && isfinite(c->sum[q])) {
            sp[q] = spread_of(d, s, c, q);
            *v = value_of(c->sum[q] / (double)c->n, sp[q], d->n_slots);
        }
    }
    if (isfinite(out->sculling[0].value + out->sculling[1].value + out->sculling[2].value)) {
        out->level = level_of(c, out->sculling, sp + 3, d->n_slots);
    }
}

static void add_reason(sm_drift_band *b, const char *code, const char *fmt, ...) SM_PRINTF(3, 4);

static void add_reason(sm_drift_band *b, const char *code, const char *fmt, ...)
{
    if (b->n_reasons == SM_DRIFT_REASONS) {
        return;
    }
    sm_drift_reason *r = &b->reasons[b->n_reasons++];
    (void)snprintf(r->code, sizeof r->code, "%s", code);
    va_list list;
    va_start(list, fmt);
    (void)vsnprintf(r->text, sizeof r->text, fmt, list);
    va_end(list);
}

static const char axis_name[4] = "xyz";

/* True when the rate cannot carry the lines that this machine makes in this band. */
static bool check_rate(const sm_drift *d, const drift_slot *s, sm_drift_band *b)
{
    double usable = 0.4 * d->rate_hz;
    double need = 0;
    double top_rpm = d->no_speed && d->max_rpm > 0 ? d->max_rpm : s->rpm_top;
    const char *what = "two per revolution, the least that an engine makes,";
    if (d->has_powertrain) {
        for (size_t i = 0; i < d->n_orders; i++) {
            double hz = d->orders[i].per_rpm_hz * top_rpm;
            if (d->orders[i].strong && hz > need) {
                need = hz;
                what = d->orders[i].label;
            }
        }
    } else {
        need = 2 * top_rpm / 60; /* a four-cylinder engine's firing, a direct two-blade pass */
    }
    if (need > usable) {
        add_reason(b, "rate-too-low",
                   "the log has %.4g rows a second; %s reaches %.4g Hz in this band, %s. Record at "
                   "%.0f Hz or more",
                   d->rate_hz, what, need,
                   need > 0.5 * d->rate_hz
                       ? "above half of it, and folds: coning even changes its sign"
                       : "so near to half of it that the logger's filter takes it away or turns it",
                   sm_max(500, ceil(need / 0.4 / 50) * 50));
        return true;
    }
    if (d->rate_hz < LEAST_RATE_HZ) {
        add_reason(b, "rate-too-low",
                   "the log has %.4g rows a second: an engine's lines lie above what it can show, "
                   "fold, and coning changes its sign. Record at 500 Hz or more",
                   d->rate_hz);
        return true;
    }
    return false;
}

static bool check_aliases(const sm_drift *d, sm_drift_band *b)
{
    for (int i = 0; i < 3; i++) {
        const sm_channel *c = &d->channel[i];
        if (d->input[i] >= 0 && c->bandwidth_hz > d->rate_hz / 2 && !c->anti_alias) {
            add_reason(b, "alias-risk",
                       "%s passes up to %.4g Hz but is sampled at %.4g Hz: lines in between fold "
                       "in and cannot be told from real ones. Record faster, or filter before "
                       "sampling and say anti_alias = yes in the channels file",
                       c->name, c->bandwidth_hz, d->rate_hz);
            return true;
        }
    }
    return false;
}

/* Clipped in this band: at a declared range, or, as ingest found, at the channel's own extreme. */
static bool is_clipped(const sm_drift *d, const drift_slot *s, int i)
{
    if (d->input[i] < 0) {
        return false;
    }
    bool found = d->findings && sm_findings_get(d->findings, "clipped", d->channel[i].name);
    return s->at_range[i] > 0 || (found && s->peak[i] >= 0.998 * d->peak[i]);
}

static void blank(sm_drift_band *b, bool coning)
{
    sm_drift_cell *cells[4] = {&b->all, &b->by_direction[0], &b->by_direction[1],
                               &b->by_direction[2]};
    for (int c = 0; c < 4; c++) {
        for (int k = 0; k < 3; k++) {
            cells[c]->coning[k] = coning ? nothing() : cells[c]->coning[k];
            cells[c]->sculling[k] = nothing();
        }
        cells[c]->level = nothing();
    }
}

static void check_clipping(const sm_drift *d, const drift_slot *s, sm_drift_band *b)
{
    for (int i = 0; i < DRIFT_INPUTS; i++) {
        if (is_clipped(d, s, i)) {
            add_reason(b, "clipped",
                       "%s ran into the end of its range here; a cut peak looks like a shift, so "
                       "no %s is given. Use a sensor with more range",
                       d->channel[i].name, i < 3 ? "coning" : "lean");
            b->assessed = false;
            blank(b, i < 3);
        }
    }
}

#define DEAD_RAD_S 1e-12 /* far below the noise of any gyro */

/* Gyros that never move measure nothing; no drift must be read from them. */
static void check_dead(const sm_drift *d, sm_drift_band *b)
{
    for (int k = 0; k < 3; k++) {
        if (d->input[k] < 0 || b->gyro_rms[k] > DEAD_RAD_S) {
            return;
        }
    }
    add_reason(b, "dead-channel", "no gyro axis ever changes here: nothing is measured");
    b->assessed = false;
    blank(b, true);
}

static void check_axes(const sm_drift *d, sm_drift_band *b)
{
    int n_accel = 0;
    for (int k = 0; k < 3; k++) {
        n_accel += d->input[3 + k] >= 0;
        if (d->input[k] < 0) {
            add_reason(b, "missing-axis",
                       "no gyro about %c: coning about the two other axes cannot be had, and two "
                       "axes never show all of it",
                       axis_name[k]);
            b->assessed = false;
        }
    }
    if (n_accel < 3) {
        add_reason(b, n_accel ? "missing-axis" : "no-accel",
                   "%s: lean from rotation and acceleration together is not assessed",
                   n_accel ? "an accelerometer axis is missing" : "no accelerometer");
    }
}

/* The sensor's own low-pass sits below twice the strongest line: what is read is a lower bound. */
static void check_bandwidth(const sm_drift *d, const drift_slot *s, sm_drift_band *b)
{
    size_t best = d->k_lo;
    double most = 0;
    for (size_t k = d->k_lo; k + 1 < d->n_bins; k++) {
        double p = s->power[k] + s->power[d->n_bins + k] + s->power[2 * d->n_bins + k];
        if (p > most) {
            most = p;
            best = k;
        }
    }
    double hz = (double)best * d->rate_hz / (double)d->n_frame;
    for (int i = 0; i < 3; i++) {
        double corner = d->channel[i].bandwidth_hz;
        if (d->input[i] >= 0 && corner > 0 && corner < 2 * hz) {
            add_reason(b, "lower-bound",
                       "the gyro's own filter (%.4g Hz) weakens the strongest line (%.4g Hz): the "
                       "true rate is larger than shown",
                       corner, hz);
            return;
        }
    }
}

static void check_resolution(sm_drift_band *b)
{
    double most = 0;
    for (int k = 0; k < 3; k++) {
        b->resolved = b->resolved || b->all.coning[k].resolved;
        most = fmax(most, b->all.coning[k].ceiling);
    }
    if (!b->resolved && b->assessed) {
        double deg_per_h = most * 180 / SM_PI * 3600;
        if (deg_per_h > 0) {
            add_reason(b, "not-resolved",
                       "below the noise of this log: coning could be up to %.3g deg/h", deg_per_h);
        } else {
            add_reason(b, "not-resolved", "too short to say how much noise is in it");
        }
    }
}

static void band_of_slot(const sm_drift *d, const drift_slot *s, sm_drift_band *out)
{
    drift_cell all = drift_cell_all(s);
    sm_drift_band b = {.rpm = {s->rpm[0], s->rpm[1]}, .assessed = true};
    cell_result(d, s, &all, &b.all);
    for (int c = 0; c < 3; c++) {
        cell_result(d, s, &s->cells[c], &b.by_direction[c]);
    }
    for (int k = 0; k < 3; k++) {
        b.gyro_rms[k] = d->input[k] < 0 ? (double)NAN : sqrt(power_of(d, s, k, all.n));
        b.accel_rms[k] = d->input[3 + k] < 0 ? (double)NAN : sqrt(power_of(d, s, 3 + k, all.n));
        b.gyro_peak[k] = d->input[k] < 0 ? (double)NAN : s->peak[k];
        b.accel_peak[k] = d->input[3 + k] < 0 ? (double)NAN : s->peak[3 + k];
    }
    check_axes(d, &b);
    if (all.n < 3) {
        add_reason(&b, "few-frames",
                   "usable seconds here: %zu, 3 are needed: hold or sweep more slowly", all.n);
        b.assessed = false;
        blank(&b, true);
    }
    if (check_rate(d, s, &b) || check_aliases(d, &b)) {
        b.assessed = false;
        blank(&b, true);
    }
    check_clipping(d, s, &b);
    check_dead(d, &b);
    check_bandwidth(d, s, &b);
    check_resolution(&b);
    *out = b;
}

size_t sm_drift_n_bands(const sm_drift *d)
{
    return d->n_slots;
}

/* Slots are made in the order of the log; bands come out rising. */
const drift_slot *drift_slot_ranked(const sm_drift *d, size_t rank)
{
    for (size_t i = 0; i < d->n_slots; i++) {
        size_t below = 0;
        for (size_t j = 0; j < d->n_slots; j++) {
            below += d->slots[j].rpm[0] < d->slots[i].rpm[0];
        }
        if (below == rank) {
            return &d->slots[i];
        }
    }
    return &d->slots[0];
}

void sm_drift_band_get(const sm_drift *d, size_t i, sm_drift_band *out)
{
    band_of_slot(d, drift_slot_ranked(d, i), out);
}

void sm_drift_band_find(const sm_drift *d, double lo_rpm, double hi_rpm, sm_drift_band *out)
{
    drift_slot empty = {.rpm = {lo_rpm, hi_rpm}};
    for (size_t i = 0; i < d->n_slots; i++) {
        if (d->slots[i].rpm[0] == lo_rpm && d->slots[i].rpm[1] == hi_rpm) {
            band_of_slot(d, &d->slots[i], out);
            return;
        }
    }
    sm_drift_band b = {.rpm = {empty.rpm[0], empty.rpm[1]}};
    add_reason(&b, "few-frames", "this band was not reached");
    blank(&b, true);
    *out = b;
}
