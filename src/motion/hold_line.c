/* hold: the strongest line in a stretch's rates, what makes it, and how far slow wander exceeds
 * what white noise would leave. */
#include "core/alloc.h"
#include "core/util.h"
#include "motion/hold_internal.h"
#include "stillmount/spectrum.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_ROWS = 1 << 16 };

#define STANDS_OUT 30.0 /* of the mean noise bin; the largest of 1e5 noise bins reaches 12 */
#define LEAST_SHARE 0.05
#define ROCKING_HZ 3.0    /* an aircraft on its wheels; common practice, no source */
#define SPEED_ERROR 0.001 /* of an rpm that was averaged over a stretch */

static int ascending(const void *a, const void *b)
{
    double x = *(const double *)a;
    double y = *(const double *)b;
    return (x > y) - (x < y);
}

size_t hold_smooth_length(size_t n)
{
    for (n = n > MOST_ROWS ? MOST_ROWS : n - n % 2; n >= 64; n -= 2) {
        size_t m = n;
        for (size_t f = 2; f <= 7; f++) {
            while (m % f == 0) {
                m /= f;
            }
        }
        if (m == 1) {
            return n;
        }
    }
    return 0;
}

sm_status hold_psd(const double *x, size_t n, double rate_hz, double *psd, sm_error *err)
{
    sm_fft *fft = NULL;
    double *in = sm_fft_buffer(n);
    double *out = sm_fft_buffer(n + 2);
    double *w = sm_alloc_array(n, sizeof *w);
    sm_status st = in && out && w ? sm_fft_open(n, &fft, err) : SM_E_NOMEM;
    if (st == SM_OK) {
        double power = 0;
        double mean = 0;
        sm_window_fill(SM_WINDOW_HANN, n, w);
        for (size_t i = 0; i < n; i++) {
            power += w[i] * w[i];
            mean += x[i] / (double)n;
        }
        for (size_t i = 0; i < n; i++) {
            in[i] = (x[i] - mean) * w[i];
        }
        sm_fft_forward(fft, in, out);
        for (size_t b = 0; b <= n / 2; b++) {
            psd[b] +=
                2 * (out[2 * b] * out[2 * b] + out[2 * b + 1] * out[2 * b + 1]) / (rate_hz * power);
        }
    } else {
        (void)sm_error_set(err, st, NULL, 0, "out of memory");
    }
    sm_fft_close(&fft);
    sm_fft_buffer_free(in);
    sm_fft_buffer_free(out);
    sm_free(w);
    return st;
}

/* Mean noise level from the median of 20-80 % of the band: lines do not move a median. A single
 * periodogram bin is exponential, whose median is ln 2 of its mean. */
double hold_noise_level(const double *psd, size_t n_bins, double *scratch)
{
    size_t lo = n_bins / 5;
    size_t n = 4 * n_bins / 5 - lo;
    (void)memcpy(scratch, psd + lo, n * sizeof *scratch);
    qsort(scratch, n, sizeof *scratch, ascending);
    return n ? scratch[n / 2] / 0.69314718 : 0;
}

double hold_lobe(const double *psd, size_t n_bins, size_t k, size_t reach, double bin_hz)
{
    double sum = 0;
    for (size_t i = k > reach ? k - reach : 0; i <= k + reach && i < n_bins; i++) {
        sum += psd[i];
    }
    return sum * bin_hz;
}

bool hold_name_order(const sm_hold *h, const sm_hold_segment *s, double hz, double bin_hz,
                     double rate_hz, char *label, size_t size)
{
    double buffer_hz = h->rate_hz / (double)h->decimation;
    double best = 1;
    const hold_order *found = NULL;
    bool alias = false;
    for (size_t o = 0; o < h->n_orders && s->rpm > 0; o++) {
        double at = h->orders[o].per_rpm_hz * s->rpm;
        bool folds = at > rate_hz / 2;
        double seen = sm_fold_hz(sm_fold_hz(at, rate_hz), buffer_hz);
        double tol = 1.5 * bin_hz + at * SPEED_ERROR + h->orders[o].per_rpm_hz * s->rpm_sd;
        double miss = fabs(seen - hz) / tol;
        bool allowed = !folds || h->orders[o].strong;
        /* a direct order is believed before an alias; of aliases the lowest order: its multiples
         * fold beside it, and wander further when the engine hunts */
        if (allowed && miss < 1 &&
            (!found || (alias && !folds) || (!alias && !folds && miss < best))) {
            found = &h->orders[o];
            alias = folds;
            best = miss;
        }
    }
    if (found) {
        (void)snprintf(label, size, "%s%s", alias ? "alias of " : "", found->label);
    }
    return found != NULL;
}

const hold_order *hold_folds_to_zero(const sm_hold *h, const sm_hold_segment *s)
{
    for (size_t o = 0; o < h->n_orders && s->rpm > 0 && h->may_fold; o++) {
        const hold_order *order = &h->orders[o];
        double at = order->per_rpm_hz * s->rpm;
        double tol = 1 / (s->to_s - s->from_s) + at * SPEED_ERROR + order->per_rpm_hz * s->rpm_sd;
        if (order->leads && at > h->rate_hz / 2 && sm_fold_hz(at, h->rate_hz) < tol) {
            return order;
        }
    }
    return NULL;
}

static void wander(const sm_hold *h, const hold_run *r, double noise_psd, sm_hold_segment *s)
{
    double slice_s = (double)h->slice_rows / h->rate_hz;
    size_t per = (size_t)sm_max(1, round(1 / slice_s));
    size_t n = (r->last - r->first + 1) / per;
    double sum = 0;
    if (n < 3) {
        return;
    }
    for (size_t b = 0; b < n; b++) {
        for (int k = 0; k < 3; k++) {
            double d = h->input[k] < 0
                           ? 0
                           : hold_mean(h, k, r->first + b * per, r->first + (b + 1) * per - 1) -
                                 s->bias_rad_s[k];
            sum += d * d;
        }
    }
    double white = noise_psd / 2 / ((double)per * slice_s); /* variance of the means, all axes */
    s->wander = white > 0 ? sqrt(sum / (double)(n - 1) / white) : (double)NAN;
}

static void find_line(const sm_hold *h, const double *psd, size_t n_bins, double bin_hz,
                      double noise, sm_hold_segment *s)
{
    size_t reach = (size_t)sm_max(2, round(0.1 / bin_hz));
    size_t best = 0;
    double most = 0;
    double total = hold_lobe(psd, n_bins, n_bins / 2, n_bins, bin_hz);
    for (size_t k = 2; k + 1 < n_bins; k++) {
        most = psd[k] > most ? psd[k] : most;
        best = psd[k] == most ? k : best;
    }
    s->line_share = total > 0 ? hold_lobe(psd, n_bins, best, reach, bin_hz) / total : 0;
    if (!(most > STANDS_OUT * noise) || s->line_share < LEAST_SHARE) {
        s->line_share = 0;
        return;
    }
    double power = 0;
    double moment = 0;
    for (size_t k = best - 1; k <= best + 1; k++) {
        power += psd[k];
        moment += psd[k] * (double)k;
    }
    s->line_hz = moment / power * bin_hz;
    if (!hold_name_order(h, s, s->line_hz, bin_hz, h->rate_hz, s->line_label,
                         sizeof s->line_label)) {
        (void)snprintf(s->line_label, sizeof s->line_label, "%s",
                       s->line_hz < ROCKING_HZ ? "rocking" : "unknown");
    }
}

sm_status hold_line(const sm_hold *h, const hold_run *r, sm_hold_segment *s, sm_error *err)
{
    size_t from;
    size_t rows = hold_buffer_rows(h, r, &from);
    size_t n = hold_smooth_length(rows);
    if (n == 0) {
        return SM_OK;
    }
    size_t n_bins = n / 2 + 1;
    double bin_hz = h->rate_hz / (double)h->decimation / (double)n;
    double *psd = sm_alloc_array(n_bins, sizeof *psd);
    double *scratch = sm_alloc_array(n_bins, sizeof *scratch);
    sm_status st = SM_E_NOMEM;
    if (psd && scratch) {
        st = SM_OK;
        for (int k = 0; k < 3 && st == SM_OK; k++) {
            st = h->input[k] < 0 ? SM_OK
                                 : hold_psd(h->buffer[k] + from, n,
                                            h->rate_hz / (double)h->decimation, psd, err);
        }
    } else {
        (void)sm_error_set(err, st, NULL, 0, "out of memory");
    }
    if (st == SM_OK) {
        double noise = hold_noise_level(psd, n_bins, scratch);
        wander(h, r, noise, s);
        find_line(h, psd, n_bins, bin_hz, noise, s);
    }
    sm_free(psd);
    sm_free(scratch);
    return st;
}
