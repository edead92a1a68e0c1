/* drift: one Hann frame into the sums of its band and direction. */
#include "core/util.h"
#include "motion/drift_internal.h"

#include <math.h>

#define ENGINE_OFF_RPM 30.0 /* slower is no running engine */

/* True when every sample that counts is a number and, where speed counts, every rpm too. */
static bool frame_usable(const sm_drift *d, const sm_frame *f)
{
    for (size_t c = 0; c < f->n_channels; c++) {
        if (f->bad[c]) {
            return false;
        }
    }
    return d->no_speed || f->rpm >= ENGINE_OFF_RPM; /* false for NaN */
}

static int direction_of(double rpm, double change)
{
    double held = sm_max(10, 0.005 * rpm); /* over one second: hunting, not a sweep */
    return fabs(change) < held ? SM_DRIFT_HELD : change > 0 ? SM_DRIFT_UP : SM_DRIFT_DOWN;
}

static void transform(sm_drift *d, const sm_frame *f, double mean[DRIFT_INPUTS])
{
    size_t n = d->n_frame;
    for (int i = 0; i < DRIFT_INPUTS; i++) {
        mean[i] = 0;
        if (d->input[i] < 0) {
            continue;
        }
        const double *x = f->x[d->input[i]];
        for (size_t k = 0; k < n; k++) {
            mean[i] += x[k];
        }
        mean[i] /= (double)n;
        for (size_t k = 0; k < n; k++) {
            d->work[k] = (x[k] - mean[i]) * d->window[k];
        }
        sm_fft_forward(d->fft, d->work, d->spectrum[i]);
    }
}

static void note_peaks(sm_drift *d, const sm_frame *f, drift_slot *s)
{
    for (int i = 0; i < DRIFT_INPUTS; i++) {
        if (d->input[i] < 0) {
            continue;
        }
        const double *x = f->x[d->input[i]];
        double limit =
            d->channel[i].range_si > 0 ? 0.998 * d->channel[i].range_si : (double)INFINITY;
        for (size_t k = 0; k < d->n_frame; k++) {
            double a = fabs(x[k]);
            s->peak[i] = sm_max(s->peak[i], a);
            s->at_range[i] += a >= limit;
        }
        d->peak[i] = sm_max(d->peak[i], s->peak[i]);
    }
}

/*
 * Weight of bin k: a line's power lies over a Hann lobe whose variance is 1/3 bin^2 wherever the
 * line sits (integral of w'^2 over integral of w^2), so the lobe's mean of 1/k is
 * (1 + 1/(3 k^2))/k0: taken back here. What is left is below 0.3 % from 5 Hz up.
 */
static double inverse_omega(double k, double bin_hz)
{
    return (1 - 1 / (3 * k * k)) / (2 * SM_PI * k * bin_hz);
}

static bool have(const sm_drift *d, int i, int j)
{
    return d->input[i] >= 0 && d->input[j] >= 0;
}

/* <theta_i b_j> of the frame and the same per bin (or NULL), and <b_i b_j>. */
static double angle_times(const sm_drift *d, int i, int j, double *per_bin, double *covariance)
{
    const double *a = d->spectrum[i];
    const double *b = d->spectrum[j];
    double scale = 2 / ((double)d->n_frame * d->window_power);
    double bin_hz = d->rate_hz / (double)d->n_frame;
    double sum = 0;
    double cov = 0;
    for (size_t k = d->k_lo; k + 1 < d->n_bins; k++) {
        double im = a[2 * k] * b[2 * k + 1] - a[2 * k + 1] * b[2 * k];
        double re = a[2 * k] * b[2 * k] + a[2 * k + 1] * b[2 * k + 1];
        double v = -im * scale * inverse_omega((double)k, bin_hz);
        if (per_bin) {
            per_bin[k] = v;
        }
        sum += v;
        cov += re * scale;
    }
    if (covariance) {
        *covariance = cov;
    }
    return sum;
}

static void values(sm_drift *d, double value[DRIFT_QUANTITIES], double covariance[DRIFT_QUANTITIES])
{
    for (int k = 0; k < 3; k++) {
        int i = (k + 1) % 3;
        int j = (k + 2) % 3;
        value[k] = (double)NAN;
        value[3 + k] = (double)NAN;
        covariance[k] = 0;
        covariance[3 + k] = 0;
        if (have(d, i, j)) {
            value[k] = angle_times(d, i, j, d->bin + (size_t)k * d->n_bins, &covariance[k]);
        }
        if (have(d, i, 3 + j) && have(d, j, 3 + i)) {
            double a;
            double b;
            value[3 + k] = angle_times(d, i, 3 + j, NULL, &a) - angle_times(d, j, 3 + i, NULL, &b);
            covariance[3 + k] = a - b;
        }
    }
}

/* Power of bin k of input i. */
static double bin_power(const sm_drift *d, int i, size_t k)
{
    const double *a = d->spectrum[i];
    return 2 * (a[2 * k] * a[2 * k] + a[2 * k + 1] * a[2 * k + 1]) /
           ((double)d->n_frame * d->window_power);
}

/* Moves the bins of order o from the frame's spectrum to the order's account. */
static void claim(sm_drift *d, drift_slot *s, size_t o, double k0, double k1, double hz)
{
    size_t lo = (size_t)sm_max((double)d->k_lo, ceil(k0));
    size_t hi = (size_t)sm_min((double)d->n_bins - 2, floor(k1));
    for (int axis = 0; axis < 3; axis++) {
        double *bin = d->bin + (size_t)axis * d->n_bins;
        for (size_t k = lo; k <= hi; k++) {
            s->order[3 * o + (size_t)axis] += bin[k];
            bin[k] = 0;
            if (d->input[axis] >= 0) {
                s->order_power[3 * o + (size_t)axis] += bin_power(d, axis, k);
            }
        }
    }
    s->order_hz[o] += hz;
    s->order_n[o]++;
    s->order_bins[o] += hi >= lo ? hi - lo + 1 : 0;
}

/* Each bin goes to the nearest order whose lobe, smeared by the sweep and the slip, reaches it. */
static void claim_orders(sm_drift *d, drift_slot *s, double rpm, double change)
{
    double bin_hz = d->rate_hz / (double)d->n_frame;
    double before = -1e9; /* bins */
    for (size_t o = 0; o < d->n_orders; o++) {
        const drift_order *order = &d->orders[o];
        double at = order->per_rpm_hz * rpm / bin_hz;
        double after = o + 1 < d->n_orders ? d->orders[o + 1].per_rpm_hz * rpm / bin_hz : 1e18;
        double smear = order->per_rpm_hz * fabs(change) / bin_hz;
        double reach = 2 + ceil(smear / 2) + order->slip * at;
        if (at > (double)d->k_lo && at < (double)d->n_bins - 2) {
            /* the midpoint between two orders belongs to the upper one only */
            claim(d, s, o, sm_max(at - reach, (before + at) / 2),
                  sm_min(at + reach, (at + after) / 2 - 1e-9), order->per_rpm_hz * rpm);
        }
        before = at;
    }
}

static void add_to_cell(sm_drift *d, int slot, int direction, const double value[DRIFT_QUANTITIES],
                        const double covariance[DRIFT_QUANTITIES], const double mean[DRIFT_INPUTS])
{
    drift_cell *c = &d->slots[slot].cells[direction];
    bool adjacent = d->before[0].slot == slot && d->before[0].direction == direction;
    bool pair = d->before[1].slot == slot && d->before[1].direction == direction;
    c->n++;
    c->n_adjacent += adjacent;
    c->n_pairs += pair;
    c->n_rows += adjacent ? d->n_frame / 2 : d->n_frame;
    for (int q = 0; q < DRIFT_QUANTITIES; q++) {
        double step = pair ? value[q] - d->before[1].value[q] : 0;
        c->sum[q] += value[q];
        c->difference2[q] += step * step;
        c->covariance[q] += covariance[q];
    }
    for (int k = 0; k < 3; k++) {
        c->level_sum[k] += mean[3 + k];
    }
}

sm_status drift_frame(void *self, const sm_frame *f, sm_error *err)
{
    sm_drift *d = self;
    /* means of the first and last eighth lie 7/8 of the frame apart */
    double change = d->no_speed ? 0 : (f->rpm_last - f->rpm_first) * 8 / 7;
    double rpm = f->rpm;
    if (!f->adjacent) {
        d->before[0].slot = -3;
        d->before[1].slot = -3;
    }
    int slot = frame_usable(d, f) ? drift_slot_of(d, rpm, err) : -3;
    int direction = d->no_speed ? SM_DRIFT_HELD : direction_of(rpm, change);
    double value[DRIFT_QUANTITIES] = {0};
    if (slot == -2) {
        return SM_E_NOMEM;
    }
    d->n_outside += slot == -1;
    d->n_untrusted += slot == -3;
    if (slot >= 0) {
        drift_slot *s = &d->slots[slot];
        double mean[DRIFT_INPUTS];
        double covariance[DRIFT_QUANTITIES];
        transform(d, f, mean);
        note_peaks(d, f, s);
        values(d, value, covariance);
        add_to_cell(d, slot, direction, value, covariance, mean);
        for (size_t k = 0; k < 3 * d->n_bins; k++) {
            s->total[k] += d->bin[k];
        }
        if (!d->no_speed) {
            double lo = sm_max(0, rpm - fabs(change) / 2);
            double hi = rpm + fabs(change) / 2;
            s->rpm_seen[0] = s->rpm_seen[1] > 0 ? sm_min(s->rpm_seen[0], lo) : lo;
            s->rpm_seen[1] = sm_max(s->rpm_seen[1], hi);
            s->rpm_top = sm_max(s->rpm_top, hi);
            claim_orders(d, s, rpm, change);
        }
        for (size_t k = 0; k < 3 * d->n_bins; k++) {
            s->density[k] += d->bin[k];
        }
        for (int i = 0; i < DRIFT_INPUTS; i++) {
            for (size_t k = d->k_lo; d->input[i] >= 0 && k + 1 < d->n_bins; k++) {
                s->power[(size_t)i * d->n_bins + k] += bin_power(d, i, k);
            }
        }
    }
    d->before[1] = d->before[0];
    d->before[0].slot = slot;
    d->before[0].direction = direction;
    for (int q = 0; q < DRIFT_QUANTITIES; q++) {
        d->before[0].value[q] = value[q];
    }
    return SM_OK;
}
