/* Averaged spectra of whole records, and band power. */
#include "core/alloc.h"
#include "core/util.h"
#include "stillmount/spectrum.h"

#include <math.h>
#include <string.h>

typedef struct work {
    sm_fft *fft;
    double *w;
    double *x;
    double *spectrum;
} work;

static sm_status work_open(const sm_psd_options *o, work *k, sm_error *err)
{
    sm_status st = sm_fft_open(o->n_frame, &k->fft, err);
    if (st != SM_OK) {
        return st;
    }
    k->w = sm_fft_buffer(o->n_frame);
    k->x = sm_fft_buffer(o->n_frame);
    k->spectrum = sm_fft_buffer(o->n_frame + 2);
    if (!k->w || !k->x || !k->spectrum) {
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    sm_window_fill(o->window, o->n_frame, k->w);
    return SM_OK;
}

static void work_close(work *k)
{
    sm_fft_close(&k->fft);
    sm_fft_buffer_free(k->w);
    sm_fft_buffer_free(k->x);
    sm_fft_buffer_free(k->spectrum);
}

static void add_frame(const work *k, const double *x, const sm_psd_options *o, double *sum)
{
    size_t n = o->n_frame;
    double mean = 0;
    for (size_t i = 0; o->remove_mean && i < n; i++) {
        mean += x[i];
    }
    mean /= (double)n;
    for (size_t i = 0; i < n; i++) {
        k->x[i] = k->w[i] * (x[i] - mean);
    }
    sm_fft_forward(k->fft, k->x, k->spectrum);
    for (size_t b = 0; b <= n / 2; b++) {
        double re = k->spectrum[2 * b];
        double im = k->spectrum[2 * b + 1];
        sum[b] += re * re + im * im;
    }
}

sm_status sm_psd_compute(const double *x, size_t n_samples, double rate_hz,
                         const sm_psd_options *opt, sm_psd *out, sm_error *err)
{
    if (!(rate_hz > 0) || opt->hop == 0) {
        return sm_error_set(err, SM_E_ARG, NULL, 0, "rate and hop must be above 0");
    }
    if (n_samples < opt->n_frame) {
        return sm_error_set(err, SM_E_SHORT, NULL, 0, "fewer samples than one frame");
    }
    for (size_t i = 0; i < n_samples; i++) {
        if (!isfinite(x[i])) {
            return sm_error_set(err, SM_E_VALUE, NULL, 0, "sample %zu is not a number", i);
        }
    }
    work k = {0};
    sm_psd p = {.bin_hz = rate_hz / (double)opt->n_frame, .n_bins = opt->n_frame / 2 + 1};
    sm_status st = work_open(opt, &k, err);
    p.psd = st == SM_OK ? sm_alloc_array(p.n_bins, sizeof *p.psd) : NULL;
    if (st == SM_OK && !p.psd) {
        st = sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    if (st != SM_OK) {
        goto done;
    }
    double s2 = 0;
    for (size_t i = 0; i < opt->n_frame; i++) {
        s2 += k.w[i] * k.w[i];
    }
    for (size_t i = 0; i + opt->n_frame <= n_samples; i += opt->hop) {
        add_frame(&k, x + i, opt, p.psd);
        p.n_frames++;
    }
    for (size_t b = 0; b < p.n_bins; b++) {
        double sides = b == 0 || b == p.n_bins - 1 ? 1 : 2;
        p.psd[b] *= sides / (rate_hz * s2 * (double)p.n_frames);
    }
    p.enbw_hz = sm_window_enbw_bins(k.w, opt->n_frame) * p.bin_hz;
    p.dof = sm_welch_dof(k.w, opt->n_frame, opt->hop, p.n_frames);
    *out = p;
    p.psd = NULL;
done:
    sm_free(p.psd);
    work_close(&k);
    return st;
}

void sm_psd_free(sm_psd *p)
{
    sm_free(p->psd);
    *p = (sm_psd){0};
}

double sm_band_power(const double *psd, size_t n_bins, double bin_hz, double lo_hz, double hi_hz,
                     int integrations)
{
    double sum = 0;
    double first = floor(lo_hz / bin_hz + 0.5);
    double last = floor(hi_hz / bin_hz + 0.5);
    size_t k0 = first > 0 ? (size_t)first : 0;
    size_t k1 = last < (double)n_bins ? (size_t)last : n_bins - 1;
    for (size_t k = k0; k <= k1; k++) {
        double from = sm_max(lo_hz, ((double)k - 0.5) * bin_hz);
        double to = sm_min(hi_hz, ((double)k + 0.5) * bin_hz);
        if (to <= from) {
            continue;
        }
        double w = 2 * SM_PI * (double)k * bin_hz;
        double scale = 1;
        for (int i = 0; i < integrations; i++) {
            scale /= w * w;
        }
        sum += psd[k] * scale * (to - from);
    }
    return sum;
}
