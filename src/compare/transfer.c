/*
 * Spectra and cross-spectra of pairs of channels, block by block. Frames of any length and hop,
 * from the first sample of each gap-free stretch; the tail is dropped.
 */
#include "core/alloc.h"
#include "core/util.h"
#include "stillmount/compare.h"

#include <math.h>
#include <string.h>

/* Averages of one pair, unscaled sums over frames. */
typedef struct sums {
    double *xx;
    double *yy;
    double *xy;
    double *n;
} sums;

typedef struct pair {
    size_t from; /* index into t->channels */
    size_t to;
    sums all;
} pair;

struct sm_transfer {
    double rate_hz;
    size_t n_frame;
    size_t hop;
    size_t n_bins;
    bool remove_mean;
    double *w;
    double scale; /* to one-sided PSD */
    sm_fft *fft;
    double *buffer;   /* FFT input */
    size_t *channels; /* (n_channels) of the block */
    size_t n_channels;
    double **ring;    /* (n_channels)(n_frame) the frame being filled */
    double **spectra; /* (n_channels)(n_frame + 2) */
    bool *bad;        /* (n_channels) */
    size_t fill;
    pair *pairs;
    size_t n_pairs;
};

static bool sums_alloc(sums *s, size_t n)
{
    s->xx = sm_alloc_array(n, sizeof *s->xx);
    s->yy = sm_alloc_array(n, sizeof *s->yy);
    s->xy = sm_alloc_array(2 * n, sizeof *s->xy);
    s->n = sm_alloc_array(n, sizeof *s->n);
    return s->xx && s->yy && s->xy && s->n;
}

static void sums_free(sums *s)
{
    sm_free(s->xx);
    sm_free(s->yy);
    sm_free(s->xy);
    sm_free(s->n);
}

void sm_transfer_close(sm_transfer **t)
{
    if (!t || !*t) {
        return;
    }
    sm_transfer *x = *t;
    for (size_t i = 0; i < x->n_pairs && x->pairs; i++) {
        sums_free(&x->pairs[i].all);
    }
    for (size_t c = 0; c < x->n_channels; c++) {
        if (x->ring) {
            sm_free(x->ring[c]);
        }
        if (x->spectra) {
            sm_fft_buffer_free(x->spectra[c]);
        }
    }
    sm_fft_close(&x->fft);
    sm_fft_buffer_free(x->buffer);
    sm_free(x->w);
    sm_free(x->channels);
    sm_free(x->ring);
    sm_free(x->spectra);
    sm_free(x->bad);
    sm_free(x->pairs);
    sm_free(x);
    *t = NULL;
}

static size_t channel_index(sm_transfer *t, size_t channel)
{
    size_t i = 0;
    while (i < t->n_channels && t->channels[i] != channel) {
        i++;
    }
    if (i == t->n_channels) {
        t->channels[t->n_channels++] = channel;
    }
    return i;
}

static bool allocate(sm_transfer *t, const size_t *from, const size_t *to, size_t n_pairs)
{
    t->pairs = sm_alloc_array(n_pairs, sizeof *t->pairs);
    t->channels = sm_alloc_array(2 * n_pairs, sizeof *t->channels);
    if (!t->pairs || !t->channels) {
        return false;
    }
    t->n_pairs = n_pairs;
    bool ok = true;
    for (size_t i = 0; i < n_pairs; i++) {
        t->pairs[i].from = channel_index(t, from[i]);
        t->pairs[i].to = channel_index(t, to[i]);
        ok = sums_alloc(&t->pairs[i].all, t->n_bins) && ok;
    }
    t->w = sm_alloc_array(t->n_frame, sizeof *t->w);
    t->bad = sm_alloc_array(t->n_channels, sizeof *t->bad);
    t->ring = sm_alloc_array(t->n_channels, sizeof *t->ring);
    t->spectra = sm_alloc_array(t->n_channels, sizeof *t->spectra);
    t->buffer = sm_fft_buffer(t->n_frame);
    if (!ok || !t->w || !t->bad || !t->ring || !t->spectra || !t->buffer) {
        return false;
    }
    for (size_t c = 0; c < t->n_channels; c++) {
        t->ring[c] = sm_alloc_array(t->n_frame, sizeof **t->ring);
        t->spectra[c] = sm_fft_buffer(t->n_frame + 2);
        if (!t->ring[c] || !t->spectra[c]) {
            return false;
        }
    }
    return true;
}

sm_status sm_transfer_open(const size_t *from, const size_t *to, size_t n_pairs, double rate_hz,
                           const sm_transfer_options *opt, sm_transfer **out, sm_error *err)
{
    if (!n_pairs || !(rate_hz > 0) || opt->n_frame < 2 || opt->n_frame % 2 || !opt->hop ||
        opt->hop > opt->n_frame) {
        return sm_error_set(err, SM_E_ARG, NULL, 0, "a pair, a rate and an even frame are needed");
    }
    sm_transfer *t = sm_alloc_array(1, sizeof *t);
    if (!t) {
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    t->rate_hz = rate_hz;
    t->n_frame = opt->n_frame;
    t->hop = opt->hop;
    t->n_bins = opt->n_frame / 2 + 1;
    t->remove_mean = opt->remove_mean;
    if (!allocate(t, from, to, n_pairs)) {
        sm_transfer_close(&t);
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    sm_status st = sm_fft_open(t->n_frame, &t->fft, err);
    if (st != SM_OK) {
        sm_transfer_close(&t);
        return st;
    }
    sm_window_fill(opt->window, t->n_frame, t->w);
    double w2 = 0;
    for (size_t i = 0; i < t->n_frame; i++) {
        w2 += t->w[i] * t->w[i];
    }
    t->scale = 2 / (rate_hz * w2);
    *out = t;
    return SM_OK;
}

static void add(sums *s, const double *x, const double *y, size_t n_bins)
{
    for (size_t k = 0; k < n_bins; k++) {
        double xr = x[2 * k];
        double xi = x[2 * k + 1];
        double yr = y[2 * k];
        double yi = y[2 * k + 1];
        s->xx[k] += xr * xr + xi * xi;
        s->yy[k] += yr * yr + yi * yi;
        s->xy[2 * k] += xr * yr + xi * yi; /* conj(X) Y */
        s->xy[2 * k + 1] += xr * yi - xi * yr;
        s->n[k]++;
    }
}

static void take_frame(sm_transfer *t)
{
    for (size_t c = 0; c < t->n_channels; c++) {
        double mean = 0;
        for (size_t i = 0; i < t->n_frame; i++) {
            mean += t->ring[c][i];
        }
        mean = t->remove_mean ? mean / (double)t->n_frame : 0;
        t->bad[c] = !isfinite(mean);
        for (size_t i = 0; i < t->n_frame; i++) {
            double v = t->ring[c][i];
            t->bad[c] = t->bad[c] || !isfinite(v);
            t->buffer[i] = (v - mean) * t->w[i];
        }
        if (!t->bad[c]) {
            sm_fft_forward(t->fft, t->buffer, t->spectra[c]);
        }
    }
    for (size_t i = 0; i < t->n_pairs; i++) {
        pair *p = &t->pairs[i];
        if (t->bad[p->from] || t->bad[p->to]) {
            continue;
        }
        add(&p->all, t->spectra[p->from], t->spectra[p->to], t->n_bins);
    }
}

static sm_status push(void *self, const sm_block *b, sm_error *err)
{
    sm_transfer *t = self;
    for (size_t c = 0; c < t->n_channels; c++) {
        if (t->channels[c] >= b->n_channels) {
            return sm_error_set(err, SM_E_ARG, NULL, 0, "a block with too few channels");
        }
    }
    for (size_t row = 0; row < b->n_rows;) {
        size_t take = t->n_frame - t->fill;
        take = take < b->n_rows - row ? take : b->n_rows - row;
        for (size_t c = 0; c < t->n_channels; c++) {
            memcpy(t->ring[c] + t->fill, b->x[t->channels[c]] + row, take * sizeof **t->ring);
        }
        t->fill += take;
        row += take;
        if (t->fill == t->n_frame) {
            take_frame(t);
            size_t keep = t->n_frame - t->hop;
            for (size_t c = 0; c < t->n_channels; c++) {
                memmove(t->ring[c], t->ring[c] + t->hop, keep * sizeof **t->ring);
            }
            t->fill = keep;
        }
    }
    return SM_OK;
}

static sm_status mark(void *self, sm_mark what, double t_s, sm_error *err)
{
    (void)what;
    (void)t_s;
    (void)err;
    ((sm_transfer *)self)->fill = 0;
    return SM_OK;
}

sm_sink sm_transfer_sink(sm_transfer *t)
{
    return (sm_sink){.self = t, .push = push, .mark = mark};
}

sm_status sm_transfer_peek(const sm_transfer *t, size_t i_pair, sm_cross *out, sm_error *err)
{
    if (i_pair >= t->n_pairs) {
        return sm_error_set(err, SM_E_ARG, NULL, 0, "no such pair");
    }
    const sums *s = &t->pairs[i_pair].all;
    sums copy = {0};
    if (!sums_alloc(&copy, t->n_bins)) {
        sums_free(&copy);
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    for (size_t k = 0; k < t->n_bins; k++) {
        double edge = k == 0 || k == t->n_bins - 1 ? 0.5 : 1;
        double f = s->n[k] > 0 ? edge * t->scale / s->n[k] : 0;
        copy.n[k] = s->n[k];
        copy.xx[k] = s->xx[k] * f;
        copy.yy[k] = s->yy[k] * f;
        copy.xy[2 * k] = s->xy[2 * k] * f;
        copy.xy[2 * k + 1] = s->xy[2 * k + 1] * f;
    }
    *out = (sm_cross){.bin_hz = t->rate_hz / (double)t->n_frame,
                      .n_bins = t->n_bins,
                      .xx = copy.xx,
                      .yy = copy.yy,
                      .xy = copy.xy,
                      .n = copy.n};
    return SM_OK;
}

void sm_cross_free(sm_cross *c)
{
    sm_free(c->xx);
    sm_free(c->yy);
    sm_free(c->xy);
    sm_free(c->n);
    sm_free(c->sweep_hz);
    *c = (sm_cross){0};
}
