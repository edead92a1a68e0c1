/* Interpolation kernels. Source: Kaiser 1974 (window), sinc interpolation as in any text on it. */
#include "timebase/resample.h"

#include "core/util.h"

#include <math.h>
#include <pthread.h>

enum { ITERATIONS = 8 };
static const double BETA = 9;

static double bessel_i0(double x)
{
    double term = 1;
    double sum = 1;
    for (int k = 1; term > 1e-17 * sum; k++) {
        term *= (x / (2 * k)) * (x / (2 * k));
        sum += term;
    }
    return sum;
}

void sm_kernel_make(sm_kernel *k)
{
    double norm = bessel_i0(BETA);
    for (int phase = 0; phase <= SM_PHASES; phase++) {
        double sum = 0;
        for (int j = 0; j < SM_TAPS; j++) {
            double d = j - (SM_TAPS / 2 - 1) - (double)phase / SM_PHASES;
            double at = 1 - (d / (SM_TAPS / 2)) * (d / (SM_TAPS / 2));
            double window = at > 0 ? bessel_i0(BETA * sqrt(at)) / norm : 0;
            double sinc = d == 0 ? 1 : sin(SM_PI * d) / (SM_PI * d);
            k->h[phase][j] = window * sinc;
            sum += k->h[phase][j];
        }
        for (int j = 0; j < SM_TAPS; j++) {
            k->h[phase][j] /= sum;
        }
    }
}

static sm_kernel shared;
static pthread_once_t shared_once = PTHREAD_ONCE_INIT;

static void make_shared(void)
{
    sm_kernel_make(&shared);
}

const sm_kernel *sm_kernel_shared(void)
{
    (void)pthread_once(&shared_once, make_shared);
    return &shared;
}

double sm_kernel_at(const sm_kernel *k, const double *x, size_t n, size_t i, double fraction)
{
    double at = fraction * SM_PHASES;
    int phase = (int)at;
    phase = phase > SM_PHASES - 1 ? SM_PHASES - 1 : phase;
    double b = at - phase;
    const double *h0 = k->h[phase];
    const double *h1 = k->h[phase + 1];
    double sum = 0;
    if (i >= SM_TAPS / 2 - 1 && i + SM_TAPS / 2 < n) {
        const double *p = x + i - (SM_TAPS / 2 - 1);
        for (int j = 0; j < SM_TAPS; j++) {
            sum += p[j] * (h0[j] + b * (h1[j] - h0[j]));
        }
        return sum;
    }
    double weight = 0;
    for (int j = 0; j < SM_TAPS; j++) {
        long at_row = (long)i + j - (SM_TAPS / 2 - 1);
        if (at_row >= 0 && at_row < (long)n) {
            double h = h0[j] + b * (h1[j] - h0[j]);
            sum += x[at_row] * h;
            weight += h;
        }
    }
    return weight != 0 ? sum / weight : x[i < n ? i : n - 1];
}

/* Spreads values at t onto the grid by straight lines; add = on top of what is there. */
static void spread(const double *t, const double *v, size_t n, double t0, double period, double *y,
                   size_t n_grid, bool add)
{
    size_t j = 0;
    for (size_t i = 0; i < n_grid; i++) {
        double at = t0 + period * (double)i;
        while (j + 2 < n && t[j + 1] < at) {
            j++;
        }
        double width = t[j + 1] - t[j];
        double f = width > 0 ? (at - t[j]) / width : 0;
        f = sm_min(1, sm_max(0, f));
        double value = v[j] + f * (v[j + 1] - v[j]);
        y[i] = add ? y[i] + value : value;
    }
}

void sm_regrid(const sm_kernel *k, const double *t, const double *x, size_t n, double t0,
               double period, double *y, size_t n_grid, double *scratch)
{
    if (n < 2) {
        for (size_t i = 0; i < n_grid; i++) {
            y[i] = n ? x[0] : (double)NAN;
        }
        return;
    }
    spread(t, x, n, t0, period, y, n_grid, false);
    for (int it = 0; it < ITERATIONS; it++) {
        for (size_t j = 0; j < n; j++) {
            double at = (t[j] - t0) / period;
            at = sm_max(0, at);
            size_t i = (size_t)at;
            i = i >= n_grid ? n_grid - 1 : i;
            scratch[j] = x[j] - sm_kernel_at(k, y, n_grid, i, sm_min(at - (double)i, 1));
        }
        spread(t, scratch, n, t0, period, y, n_grid, true);
    }
}
