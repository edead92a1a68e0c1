/*
 * Two clocks, one engine: the lag at which the logarithm of the loudness agrees best. Sensors of
 * different kinds and places share when it gets loud, though not how loud.
 */
#include "core/alloc.h"
#include "core/util.h"
#include "timebase/run_file.h"

#include <math.h>

enum { COARSE = 10 };             /* fine bins per coarse bin */
static const double BIN_S = 0.02; /* fine bins */
static const double LEAST_S = 8;  /* overlap that counts */

typedef struct loudness {
    double *v; /* [n] log of the mean square per bin, mean removed; NaN = nothing recorded */
    size_t n;
} loudness;

typedef struct bins {
    double *sum;
    double *count;
    size_t n;
    size_t capacity_a;
    size_t capacity_b;
} bins;

static sm_status add(bins *b, size_t at, double v)
{
    while (b->n <= at) {
        double *sum = sm_grow(b->sum, b->n, &b->capacity_a, sizeof *sum);
        if (!sum) {
            return SM_E_NOMEM;
        }
        b->sum = sum;
        double *count = sm_grow(b->count, b->n, &b->capacity_b, sizeof *count);
        if (!count) {
            return SM_E_NOMEM;
        }
        b->count = count;
        sum[b->n] = count[b->n] = 0;
        b->n++;
    }
    b->sum[at] += v;
    b->count[at]++;
    return SM_OK;
}

/* Changes from row to row of all vibration channels: gravity and drift drop out. */
static sm_status measure(sm_feed *f, loudness *out, sm_error *err)
{
    bins b = {0};
    double *before = sm_alloc_array(f->rows.n_channels, sizeof *before);
    sm_status st = before ? sm_feed_rewind(f, err) : SM_E_NOMEM;
    double start = NAN;
    bool first = true;
    while (st == SM_OK) {
        st = sm_feed_read(f, err);
        if (st != SM_OK || f->ended) {
            break;
        }
        const sm_rows *rows = &f->rows;
        start = first ? rows->stamp[0] : start;
        for (size_t i = 0; i < rows->n && st == SM_OK; i++) {
            double at = (rows->stamp[i] - start) / BIN_S;
            for (size_t c = 0; c < rows->n_channels && at >= 0 && at < 1e7; c++) {
                sm_role r = sm_feed_info(f)->columns.channels[c].role;
                double v = rows->x[c][i];
                double d = v - before[c];
                if ((r == SM_ROLE_ACCEL || r == SM_ROLE_GYRO) && !isnan(v)) {
                    if (!first && st == SM_OK && isfinite(d)) {
                        /* rad/s and m/s^2 are of like size in a mount: no weights */
                        st = add(&b, (size_t)at, d * d);
                    }
                    before[c] = v;
                }
            }
            first = false;
        }
    }
    double mean = 0;
    double n = 0;
    for (size_t i = 0; i < b.n; i++) {
        b.sum[i] = b.count[i] > 0 && b.sum[i] > 0 ? log(b.sum[i] / b.count[i]) : (double)NAN;
        mean += isnan(b.sum[i]) ? 0 : b.sum[i];
        n += !isnan(b.sum[i]);
    }
    for (size_t i = 0; i < b.n && n > 0; i++) {
        b.sum[i] -= mean / n;
    }
    sm_free(before);
    sm_free(b.count);
    if (st != SM_OK) {
        sm_free(b.sum);
        return err && err->code == st
                   ? st
                   : sm_error_set(err, st, sm_feed_path(f), 0, "%s", sm_status_text(st));
    }
    *out = (loudness){b.sum, b.n};
    return SM_OK;
}

static sm_status coarsen(const loudness *fine, loudness *out)
{
    size_t n = fine->n / COARSE;
    double *v = sm_alloc_array(n, sizeof *v);
    if (!v) {
        return SM_E_NOMEM;
    }
    for (size_t i = 0; i < n; i++) {
        double sum = 0;
        int count = 0;
        for (size_t k = 0; k < COARSE; k++) {
            double x = fine->v[i * COARSE + k];
            sum += isnan(x) ? 0 : x;
            count += !isnan(x);
        }
        v[i] = count ? sum / count : (double)NAN;
    }
    *out = (loudness){v, n};
    return SM_OK;
}

/* Correlation of a[i + lag] with b[i] over what both have; -1 when that is too little. */
static double correlate(const loudness *a, const loudness *b, long lag, size_t least)
{
    double n = 0;
    double sa = 0;
    double sb = 0;
    double saa = 0;
    double sbb = 0;
    double sab = 0;
    long from = lag < 0 ? -lag : 0;
    for (long i = from; i < (long)b->n && i + lag < (long)a->n; i++) {
        double x = a->v[i + lag];
        double y = b->v[i];
        if (x == x && y == y) {
            n++;
            sa += x;
            sb += y;
            saa += x * x;
            sbb += y * y;
            sab += x * y;
        }
    }
    if (n < (double)least) {
        return -1;
    }
    double va = saa - sa * sa / n;
    double vb = sbb - sb * sb / n;
    return va > 0 && vb > 0 ? (sab - sa * sb / n) / sqrt(va * vb) : -1;
}

/* Best lag in [lo, hi], and the best one that is clear of it. */
static long best_lag(const loudness *a, const loudness *b, long lo, long hi, size_t least,
                     long clear, double *best, double *second)
{
    long at = lo;
    *best = *second = -1;
    for (long lag = lo; lag <= hi; lag++) {
        double r = correlate(a, b, lag, least);
        if (r > *best) {
            *best = r;
            at = lag;
        }
    }
    for (long lag = lo; lag <= hi; lag++) {
        if (lag < at - clear || lag > at + clear) {
            *second = sm_max(*second, correlate(a, b, lag, least));
        }
    }
    return at;
}

static bool find(const loudness *a, const loudness *b, const loudness *ca, const loudness *cb,
                 double *lag_s)
{
    size_t shorter = ca->n < cb->n ? ca->n : cb->n;
    size_t least = (size_t)sm_max(LEAST_S / (BIN_S * COARSE), 0.4 * (double)shorter);
    double best;
    double second;
    long coarse = best_lag(ca, cb, -(long)cb->n, (long)ca->n, least, 10, &best, &second);
    if (best < 0.6 || second > 0.9 * best) {
        return false;
    }
    double unused;
    long fine = best_lag(a, b, (coarse - 2) * COARSE, (coarse + 2) * COARSE, least * COARSE, 1000,
                         &best, &unused);
    double before = correlate(a, b, fine - 1, least * COARSE);
    double after = correlate(a, b, fine + 1, least * COARSE);
    double bend = before - 2 * best + after;
    double part = bend < 0 ? 0.5 * (before - after) / bend : 0;
    *lag_s = ((double)fine + sm_max(-1, sm_min(1, part))) * BIN_S;
    return true;
}

sm_status sm_align(sm_feed *a, sm_feed *b, double *lag_s, bool *found, sm_error *err)
{
    loudness fa = {0};
    loudness fb = {0};
    loudness ca = {0};
    loudness cb = {0};
    sm_status st = measure(a, &fa, err);
    if (st == SM_OK) {
        st = measure(b, &fb, err);
    }
    if (st == SM_OK && (coarsen(&fa, &ca) != SM_OK || coarsen(&fb, &cb) != SM_OK)) {
        st = sm_error_set(err, SM_E_NOMEM, sm_feed_path(b), 0, "out of memory");
    }
    if (st == SM_OK) {
        *found = find(&fa, &fb, &ca, &cb, lag_s);
    }
    sm_free(fa.v);
    sm_free(fb.v);
    sm_free(ca.v);
    sm_free(cb.v);
    return st;
}
