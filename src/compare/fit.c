/*
 * One mass on a spring and damper, fitted to a measured transmissibility: Levenberg-Marquardt over
 * ln natural frequency, ln damping and ln gain, from the best of a grid of starts.
 */
#include "core/alloc.h"
#include "core/util.h"
#include "stillmount/compare.h"

#include <complex.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#define Z95 1.959963984540054
#define MODEL_ERROR 0.02 /* of |H|: no real mount is one spring; keeps sharp bins from ruling */
#define HANN_CORRELATION 1.94 /* neighbouring Hann bins share noise: 1 + 2 (4/9 + 1/36) */
#define FIT_ABOVE 6.0         /* fitted up to this many natural frequencies: cables and structure */
#define LEAST_POINTS 8

enum { N_PAR = 3, KERNEL = 9 };

typedef struct sample {
    double hz;
    double complex h;
    double sigma; /* per component */
} sample;

typedef struct fitter {
    sample *s;
    size_t n;
    double bin_hz;
    double kernel[KERNEL]; /* |W|^2 of Hann at offsets -2..2 bins, sum 1 */
} fitter;

/* E G_xy / E G_xx of a flat input is T convolved with |W|^2 of the window: its smoothing. */
static void make_kernel(double *kernel)
{
    double sum = 0;
    for (int i = 0; i < KERNEL; i++) {
        double d = 4.0 * (i - KERNEL / 2) / (KERNEL - 1);
        double sinc = fabs(d) < 1e-9 ? 1 : sin(SM_PI * d) / (SM_PI * d);
        double a = fabs(fabs(d) - 1) < 1e-9 ? 0.5 : sinc / (1 - d * d);
        kernel[i] = a * a;
        sum += kernel[i];
    }
    for (int i = 0; i < KERNEL; i++) {
        kernel[i] /= sum;
    }
}

static double complex ratio_at(double hz, double natural_hz, double damping)
{
    double u = hz / natural_hz;
    double complex k = CMPLX(1, 2 * damping * u);
    return k / (k - u * u);
}

static double complex model(const fitter *f, double hz, const double *par)
{
    double natural_hz = exp(par[0]);
    double damping = exp(par[1]);
    double complex sum = 0;
    for (int i = 0; i < KERNEL; i++) {
        double d = 4.0 * (i - KERNEL / 2) / (KERNEL - 1) * f->bin_hz;
        sum += f->kernel[i] * ratio_at(fabs(hz + d), natural_hz, damping);
    }
    return sum * exp(par[2]);
}

static double cost(const fitter *f, const double *par)
{
    double sum = 0;
    for (size_t i = 0; i < f->n; i++) {
        double r = cabs(f->s[i].h - model(f, f->s[i].hz, par)) / f->s[i].sigma;
        sum += r < 4 ? r * r : 8 * r - 16; /* Huber: a line of its own does not rule */
    }
    return sum;
}

static bool solve3(double a[N_PAR][N_PAR], double *b)
{
    for (int c = 0; c < N_PAR; c++) {
        if (!(a[c][c] > 1e-300)) {
            return false;
        }
        for (int i = c + 1; i < N_PAR; i++) {
            double m = a[i][c] / a[c][c];
            for (int j = c; j < N_PAR; j++) {
                a[i][j] -= m * a[c][j];
            }
            b[i] -= m * b[c];
        }
    }
    for (int i = N_PAR - 1; i >= 0; i--) {
        for (int j = i + 1; j < N_PAR; j++) {
            b[i] -= a[i][j] * b[j];
        }
        b[i] /= a[i][i];
    }
    return true;
}

/* J^T W J and J^T W r by central differences. */
static void normal(const fitter *f, const double *par, double a[N_PAR][N_PAR], double *b)
{
    memset(a, 0, sizeof(double) * N_PAR * N_PAR);
    memset(b, 0, sizeof(double) * N_PAR);
    const double step = 1e-5;
    for (size_t i = 0; i < f->n; i++) {
        double complex r = (f->s[i].h - model(f, f->s[i].hz, par)) / f->s[i].sigma;
        double weight = cabs(r) < 4 ? 1 : 4 / cabs(r);
        double complex d[N_PAR];
        for (int p = 0; p < N_PAR; p++) {
            double up[N_PAR] = {par[0], par[1], par[2]};
            double down[N_PAR] = {par[0], par[1], par[2]};
            up[p] += step;
            down[p] -= step;
            d[p] = (model(f, f->s[i].hz, up) - model(f, f->s[i].hz, down)) / (2 * step) /
                   f->s[i].sigma;
        }
        for (int p = 0; p < N_PAR; p++) {
            b[p] += weight * creal(conj(d[p]) * r);
            for (int q = 0; q < N_PAR; q++) {
                a[p][q] += weight * creal(conj(d[p]) * d[q]);
            }
        }
    }
}

static double refine(const fitter *f, double *par)
{
    double best = cost(f, par);
    double lambda = 1e-2;
    for (int it = 0; it < 60 && lambda < 1e8; it++) {
        double a[N_PAR][N_PAR];
        double b[N_PAR];
        normal(f, par, a, b);
        for (int p = 0; p < N_PAR; p++) {
            a[p][p] *= 1 + lambda;
        }
        double next[N_PAR];
        if (!solve3(a, b)) {
            break;
        }
        for (int p = 0; p < N_PAR; p++) {
            next[p] = par[p] + sm_max(-0.5, sm_min(0.5, b[p]));
        }
        next[1] = sm_max(log(1e-3), sm_min(log(3), next[1]));
        double c = cost(f, next);
        if (c < best) {
            double gain = best - c;
            memcpy(par, next, sizeof next);
            best = c;
            lambda *= 0.2;
            if (gain < 1e-9 * (1 + best)) {
                break;
            }
        } else {
            lambda *= 6;
        }
    }
    return best;
}

static double start_and_refine(const fitter *f, double lo_hz, double hi_hz, double *par)
{
    static const double dampings[] = {0.03, 0.1, 0.3};
    double starts[3][N_PAR] = {{0}};
    double costs[3] = {(double)INFINITY, (double)INFINITY, (double)INFINITY};
    for (double hz = lo_hz; hz <= hi_hz; hz *= 1.06) {
        for (int k = 0; k < 3; k++) {
            double p[N_PAR] = {log(hz), log(dampings[k]), 0};
            double c = cost(f, p);
            for (int i = 0; i < 3; i++) {
                if (c < costs[i]) {
                    for (int j = 2; j > i; j--) {
                        costs[j] = costs[j - 1];
                        memcpy(starts[j], starts[j - 1], sizeof starts[j]);
                    }
                    costs[i] = c;
                    memcpy(starts[i], p, sizeof p);
                    break;
                }
            }
        }
    }
    double best = (double)INFINITY;
    for (int i = 0; i < 3; i++) {
        if (isfinite(costs[i])) {
            double c = refine(f, starts[i]);
            if (c < best) {
                best = c;
                memcpy(par, starts[i], sizeof starts[i]);
            }
        }
    }
    return best;
}

/* Cost of "the two sensors move alike", with the best real gain. */
static double flat_cost(const fitter *f, double *ratio_mean)
{
    double num = 0;
    double den = 0;
    for (size_t i = 0; i < f->n; i++) {
        double w = 1 / (f->s[i].sigma * f->s[i].sigma);
        num += w * creal(f->s[i].h);
        den += w;
    }
    *ratio_mean = num / den;
    double sum = 0;
    for (size_t i = 0; i < f->n; i++) {
        double r = cabs(f->s[i].h - *ratio_mean) / f->s[i].sigma;
        sum += r < 4 ? r * r : 8 * r - 16;
    }
    return sum;
}

static void interval(double value, double se_ln, double ci[2])
{
    ci[0] = value * exp(-Z95 * se_ln);
    ci[1] = value * exp(Z95 * se_ln);
}

static double rms_misfit(const fitter *f, const double *par)
{
    double sum = 0;
    for (size_t i = 0; i < f->n; i++) {
        double complex m = model(f, f->s[i].hz, par);
        double r = cabs(f->s[i].h - m) / cabs(m);
        sum += sm_min(r * r, 1);
    }
    return sqrt(sum / (double)f->n);
}

/* Fills the numbers; standard errors from the curvature, widened when the fit is worse than the
   points' own errors. */
static bool describe(const fitter *f, const double *par, double best, sm_mount_fit *out)
{
    double a[N_PAR][N_PAR];
    double b[N_PAR];
    double se[N_PAR];
    for (int p = 0; p < N_PAR; p++) {
        normal(f, par, a, b);
        double e[N_PAR] = {0};
        e[p] = 1;
        if (!solve3(a, e)) {
            return false;
        }
        se[p] = sqrt(sm_max(e[p], 0));
    }
    double dof = sm_max(2 * (double)f->n - N_PAR, 1);
    double widen = sqrt(HANN_CORRELATION * sm_max(1, best / dof));
    out->natural_hz = exp(par[0]);
    out->damping_ratio = exp(par[1]);
    out->gain = exp(par[2]);
    out->isolates_above_hz = out->natural_hz * sqrt(2.0);
    interval(out->natural_hz, se[0] * widen, out->natural_ci);
    interval(out->damping_ratio, se[1] * widen, out->damping_ci);
    interval(out->isolates_above_hz, se[0] * widen, out->isolates_ci);
    out->misfit = rms_misfit(f, par);
    return isfinite(se[0]) && isfinite(se[1]);
}

static void refuse(sm_mount_fit *out, const char *text)
{
    out->found = false;
    (void)snprintf(out->reason, sizeof out->reason, "%s", text);
}

static void keep_below(fitter *f, double hz)
{
    size_t n = 0;
    for (size_t i = 0; i < f->n; i++) {
        if (f->s[i].hz <= hz) {
            f->s[n++] = f->s[i];
        }
    }
    f->n = n;
}

static void judge(const fitter *f, double lo_hz, double hi_hz, double best, double flat,
                  sm_mount_fit *out)
{
    double spread = log(out->natural_ci[1] / out->natural_ci[0]) / 2;
    if (out->natural_hz < lo_hz * 0.9 || out->natural_hz > hi_hz / 1.2) {
        refuse(out, "no resonance inside the frequencies that the run shows clearly");
    } else if (best > 0.3 * flat || spread > 0.15) {
        refuse(out, "the two places move too much alike to tell a spring between them");
    } else if (out->misfit > 0.5 || f->n < LEAST_POINTS) {
        refuse(out, "the ratio does not follow one mass on one spring");
    } else {
        out->found = true;
    }
}

static void fit(fitter *f, sm_mount_fit *out)
{
    if (f->n < LEAST_POINTS) {
        refuse(out, "too few frequencies where the two sensors agree (coherence 0.8 or more)");
        return;
    }
    double lo_hz = f->s[0].hz;
    double hi_hz = f->s[f->n - 1].hz;
    double par[N_PAR] = {0};
    double best = start_and_refine(f, lo_hz, hi_hz, par);
    if (isfinite(best)) {
        keep_below(f, FIT_ABOVE * exp(par[0]));
        best = f->n >= LEAST_POINTS ? refine(f, par) : (double)INFINITY;
    }
    double mean = 0;
    double flat = flat_cost(f, &mean);
    if (!isfinite(best) || !describe(f, par, best, out)) {
        refuse(out, "the ratio does not follow one mass on one spring");
        return;
    }
    judge(f, lo_hz, hi_hz, best, flat, out);
}

static void load(fitter *f, const sm_ratio_point *points, size_t n, bool inverse)
{
    f->n = 0;
    for (size_t i = 0; i < n; i++) {
        const sm_ratio_point *p = &points[i];
        if (!p->trusted) {
            continue;
        }
        /* between H1, low by noise at the base, and H2, high by noise on the mount: as far from
           both, because nobody knows which sensor is the noisier */
        double c = p->coherence;
        double complex h = CMPLX(p->h1[0], p->h1[1]) / sqrt(c);
        h = inverse ? 1 / h : h; /* then the other sensor is the input */
        double bias = (1 - c) / 4;
        double rel2 = (1 - c) / (2 * c * p->averages) + bias * bias + MODEL_ERROR * MODEL_ERROR;
        f->s[f->n++] = (sample){p->hz, h, cabs(h) * sqrt(rel2)};
    }
}

sm_status sm_mount_fit_compute(const sm_ratio_point *points, size_t n, double bin_hz,
                               sm_mount_fit *out)
{
    fitter f = {.bin_hz = bin_hz};
    f.s = sm_alloc_array(n ? n : 1, sizeof *f.s);
    if (!f.s) {
        return SM_E_NOMEM;
    }
    make_kernel(f.kernel);
    sm_mount_fit straight = {0};
    load(&f, points, n, false);
    fit(&f, &straight);
    if (!straight.found) {
        sm_mount_fit other = {0};
        load(&f, points, n, true);
        fit(&f, &other);
        if (other.found && other.damping_ratio < 0.5) {
            refuse(&straight, "the ratio falls below 1 at the resonance and rises above it: from "
                              "and to look exchanged");
            straight.swapped = true;
        }
    }
    sm_free(f.s);
    *out = straight;
    return SM_OK;
}
