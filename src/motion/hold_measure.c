/* hold: the numbers of one stretch. */
#include "core/alloc.h"
#include "core/util.h"
#include "motion/hold_internal.h"
#include "stillmount/stats.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>

enum { MOST_BATCHES = 30, LEAST_BATCHES = 3 };

#define LEAST_USEFUL_S 0.9999

void hold_reason(sm_hold_segment *s, const char *code, const char *fmt, ...)
{
    if (s->n_reasons == SM_HOLD_REASONS) {
        return;
    }
    sm_drift_reason *r = &s->reasons[s->n_reasons++];
    (void)snprintf(r->code, sizeof r->code, "%s", code);
    va_list list;
    va_start(list, fmt);
    (void)vsnprintf(r->text, sizeof r->text, fmt, list);
    va_end(list);
}

static double slice_end_s(const sm_hold *h, size_t i)
{
    return h->slices[i].t0_s + h->slices[i].n / h->rate_hz;
}

/* Slices per batch, so that a batch is about a second or a thirtieth of the stretch. */
static size_t batch_length(const sm_hold *h, const hold_run *r, size_t *n_batches)
{
    size_t length = r->last - r->first + 1;
    double slice_s = (double)h->slice_rows / h->rate_hz;
    size_t per = (size_t)sm_max(1, round(1 / slice_s));
    size_t least = (length + MOST_BATCHES - 1) / MOST_BATCHES;
    per = per < least ? least : per;
    *n_batches = length / per;
    return per;
}

/* Mean with an interval from the scatter of batches: vibration and slow wander are in it. */
static void bias(const sm_hold *h, const hold_run *r, int k, sm_hold_segment *out)
{
    size_t n;
    size_t per = batch_length(h, r, &n);
    double sum = 0;
    double square = 0;
    double mean = hold_mean(h, k, r->first, r->last);
    for (size_t b = 0; b < n; b++) {
        double d = hold_mean(h, k, r->first + b * per, r->first + (b + 1) * per - 1) - mean;
        sum += d;
        square += d * d;
    }
    double half = (double)NAN;
    if (n >= LEAST_BATCHES) {
        double v = (square - sum * sum / (double)n) / (double)(n - 1);
        half = sm_t_quantile(0.975, (double)(n - 1)) * sqrt(sm_max(0, v) / (double)n);
    }
    out->bias_rad_s[k] = mean;
    out->bias_lo_rad_s[k] = mean - half;
    out->bias_hi_rad_s[k] = mean + half;
}

static void rates(const sm_hold *h, const hold_run *r, sm_hold_segment *out)
{
    for (int k = 0; k < 3; k++) {
        out->gyro_rms_rad_s[k] = sqrt(hold_variance(h, k, r->first, r->last));
        bias(h, r, k, out);
        double peak = 0;
        for (size_t i = r->first; i <= r->last; i++) {
            const hold_slice *s = &h->slices[i];
            peak =
                sm_max(peak, sm_max(s->hi[k] - out->bias_rad_s[k], out->bias_rad_s[k] - s->lo[k]));
        }
        out->gyro_peak_rad_s[k] = h->input[k] < 0 ? (double)NAN : peak;
    }
}

static void speed(const sm_hold *h, const hold_run *r, sm_hold_segment *out)
{
    double sum = 0;
    double square = 0;
    double n = 0;
    for (size_t i = r->first; i <= r->last && r->engine > 0; i++) {
        double rpm = hold_slice_rpm(&h->slices[i]);
        if (h->slices[i].n_rpm) {
            sum += rpm;
            square += rpm * rpm;
            n++;
        }
    }
    out->rpm = n > 0 ? sum / n : 0;
    out->rpm_sd = n > 1 ? sqrt(sm_max(0, square / n - out->rpm * out->rpm)) : 0;
}

/* Largest angle between a second's specific force and the stretch's. */
static double tilt_change(const sm_hold *h, const hold_run *r)
{
    double mean[3];
    double size = 0;
    for (int k = 0; k < 3; k++) {
        mean[k] = hold_mean(h, 3 + k, r->first, r->last);
        size += mean[k] * mean[k];
    }
    size = sqrt(size);
    if (!(size > 0.5 * SM_G0_M_S2)) { /* also NaN: an axis is missing; or AC coupled */
        return (double)NAN;
    }
    size_t n;
    size_t per = batch_length(h, r, &n);
    double most = 0;
    for (size_t b = 0; b < n; b++) {
        double v[3];
        double cross = 0;
        double own = 0;
        for (int k = 0; k < 3; k++) {
            v[k] = hold_mean(h, 3 + k, r->first + b * per, r->first + (b + 1) * per - 1);
            own += v[k] * v[k];
        }
        for (int k = 0; k < 3; k++) {
            int i = (k + 1) % 3;
            int j = (k + 2) % 3;
            double c = mean[i] * v[j] - mean[j] * v[i];
            cross += c * c;
        }
        most = sm_max(most, asin(sm_min(1, sqrt(cross) / (size * sqrt(own)))));
    }
    return most;
}

/* Rows of the gyro buffer that lie wholly in the run. */
static void buffer_range(const sm_hold *h, const hold_run *r, size_t *from, size_t *n)
{
    const hold_slice *last = &h->slices[r->last];
    uint64_t d = h->decimation;
    size_t to = (size_t)((last->row0 + last->n) / d);
    *from = (size_t)((h->slices[r->first].row0 + d - 1) / d);
    to = to > h->n_buffer ? h->n_buffer : to;
    *n = to > *from ? to - *from : 0;
}

size_t hold_buffer_rows(const sm_hold *h, const hold_run *r, size_t *from)
{
    size_t n;
    buffer_range(h, r, from, &n);
    return n;
}

static sm_status allan(const sm_hold *h, const hold_run *r, sm_hold_segment *out, sm_error *err)
{
    size_t from;
    size_t n = hold_buffer_rows(h, r, &from);
    size_t factor[SM_HOLD_TAUS];
    double tau0_s = (double)h->decimation / h->rate_hz;
    double *phase = sm_alloc_array(n + 1, sizeof *phase);
    if (!phase) {
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    out->n_taus = sm_allan_factors(n, factor, SM_HOLD_TAUS);
    for (int k = 0; k < 3; k++) {
        phase[0] = 0;
        for (size_t i = 0; i < n; i++) { /* about the mean: the deviation does not care */
            phase[i + 1] = phase[i] + (h->buffer[k][from + i] - out->bias_rad_s[k]) * tau0_s;
        }
        for (size_t t = 0; t < out->n_taus; t++) {
            out->tau_s[t] = (double)factor[t] * tau0_s;
            out->adev_rad_s[k][t] = h->input[k] < 0
                                        ? (double)NAN
                                        : sm_allan_overlapping(phase, n + 1, factor[t], tau0_s);
        }
    }
    sm_free(phase);
    return SM_OK;
}

/* Averaging time at which the three axes together are quietest; NaN when that is the last one. From
 * a second on: shorter averages only say what the vibration does within its own period. */
static double useful_s(const sm_hold_segment *s)
{
    double least = (double)INFINITY;
    size_t best = 0;
    for (size_t t = 0; t < s->n_taus; t++) {
        double sum = 0;
        if (s->tau_s[t] < LEAST_USEFUL_S) {
            continue;
        }
        for (int k = 0; k < 3; k++) {
            double a = s->adev_rad_s[k][t];
            sum += isfinite(a) ? a * a : 0;
        }
        if (sum <= least) {
            least = sum;
            best = t;
        }
    }
    return isfinite(least) && best + 1 < s->n_taus ? s->tau_s[best] : (double)NAN;
}

sm_status hold_measure(const sm_hold *h, const hold_run *r, sm_hold_segment *out, sm_error *err)
{
    *out = (sm_hold_segment){.from_s = h->slices[r->first].t0_s,
                             .to_s = slice_end_s(h, r->last),
                             .disturbed = r->disturbed,
                             .line_hz = (double)NAN,
                             .wander = (double)NAN,
                             .turned_rad = (double)NAN,
                             .turned_before_rad = (double)NAN,
                             .gyro_heading_rad = (double)NAN,
                             .still = -1};
    out->kind = r->turning ? SM_HOLD_TURN : r->engine == 0 ? SM_HOLD_OFF : SM_HOLD_HELD;
    speed(h, r, out);
    rates(h, r, out);
    out->tilt_change_rad = tilt_change(h, r);
    hold_mag(h, r, out);
    sm_status st = allan(h, r, out, err);
    out->useful_s = useful_s(out);
    st = st == SM_OK ? hold_line(h, r, out, err) : st;
    return st == SM_OK ? hold_field(h, r, out, err) : st;
}
