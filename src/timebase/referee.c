/* Source: the project's study of time bases; log ratio of residuals with 3 standard errors. */
#include "timebase/referee.h"

#include "core/util.h"

#include <math.h>
#include <stdbool.h>
#include <string.h>

enum { MAX_ROWS = 512, LINES = 10, BLOCKS = 8, MAX_CHANNELS = 2 };

/* Least squares of cos, sin at w [rad/s] on x over times t; returns the energy explained. */
static double fit(const double *t, const double *x, size_t n, double w, double *a, double *b)
{
    double cc = 0;
    double ss = 0;
    double cs = 0;
    double xc = 0;
    double xs = 0;
    for (size_t i = 0; i < n; i++) {
        double c = cos(w * t[i]);
        double s = sin(w * t[i]);
        cc += c * c;
        ss += s * s;
        cs += c * s;
        xc += x[i] * c;
        xs += x[i] * s;
    }
    double det = cc * ss - cs * cs;
    if (!(det > 1e-9 * cc * ss)) {
        *a = *b = 0;
        return 0;
    }
    *a = (xc * ss - xs * cs) / det;
    *b = (xs * cc - xc * cs) / det;
    return *a * xc + *b * xs;
}

/* Refines the frequency about w by +-half a bin, twice finer each time, and takes the line out. */
static void remove_line(const double *t, double *x, size_t n, double w, double bin)
{
    double best_w = w;
    double a;
    double b;
    double best = fit(t, x, n, w, &a, &b);
    for (double step = bin / 2; step > bin / 200; step /= 2) {
        double centre = best_w;
        for (int side = -1; side <= 1; side += 2) {
            double e = fit(t, x, n, centre + side * step, &a, &b);
            if (e > best) {
                best = e;
                best_w = centre + side * step;
            }
        }
    }
    (void)fit(t, x, n, best_w, &a, &b);
    for (size_t i = 0; i < n; i++) {
        x[i] -= a * cos(best_w * t[i]) + b * sin(best_w * t[i]);
    }
}

static double strongest(const double *t, const double *x, size_t n, double period)
{
    double best = 0;
    double best_w = 0;
    for (size_t k = 2; 2 * k < n - n / 10; k++) {
        double w = 2 * SM_PI * (double)k / (period * (double)n);
        double re = 0;
        double im = 0;
        double c = cos(w * period); /* rotates: the regular grid is good enough to find a line */
        double s = sin(w * period);
        double pr = cos(w * t[0]);
        double pi = sin(w * t[0]);
        for (size_t i = 0; i < n; i++) {
            re += x[i] * pr;
            im += x[i] * pi;
            double next = pr * c - pi * s;
            pi = pr * s + pi * c;
            pr = next;
        }
        double e = re * re + im * im;
        if (e > best) {
            best = e;
            best_w = w;
        }
    }
    return best_w;
}

static double energy(const double *x, size_t n)
{
    double e = 0;
    for (size_t i = 0; i < n; i++) {
        e += x[i] * x[i];
    }
    return e;
}

/* ln(rms left under the stamps / rms left under the grid); false: no line stands out. */
static bool compare(const double *x, const double *stamp, size_t n, double period,
                    double *log_ratio)
{
    double grid[MAX_ROWS];
    double t[MAX_ROWS];
    double left_grid[MAX_ROWS];
    double left_true[MAX_ROWS];
    double mean = 0;
    double lag = 0;
    for (size_t i = 0; i < n; i++) {
        mean += x[i] / (double)n;
        lag += (stamp[i] - stamp[0] - period * (double)i) / (double)n;
    }
    for (size_t i = 0; i < n; i++) {
        grid[i] = period * ((double)i - (double)n / 2);
        t[i] = stamp[i] - stamp[0] - lag - period * (double)n / 2;
        left_grid[i] = left_true[i] = x[i] - mean;
    }
    double all = energy(left_grid, n);
    double bin = 2 * SM_PI / (period * (double)n);
    for (int k = 0; k < LINES && all > 0; k++) {
        double w = strongest(grid, left_grid, n, period);
        remove_line(grid, left_grid, n, w, bin);
        remove_line(t, left_true, n, w, bin);
    }
    double a = energy(left_grid, n);
    double b = energy(left_true, n);
    if (!(a > 1e-12 * all) || !(b > 1e-12 * all)) {
        *log_ratio = a > b ? -10 : 10;
        return all > 0;
    }
    *log_ratio = 0.5 * log(b / a);
    return sm_min(a, b) < 0.8 * all;
}

static bool usable(const double *x, const double *stamp, size_t n, double period)
{
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(x[i]) || fabs(stamp[i] - stamp[0] - period * (double)i) > 4 * period) {
            return false;
        }
    }
    return true;
}

int sm_referee(const double *const *x, size_t n_channels, const double *stamp_s, size_t n,
               double period_s)
{
    size_t rows = n / BLOCKS > MAX_ROWS ? MAX_ROWS : n / BLOCKS;
    rows = rows < 64 ? (n > 64 ? 64 : n) : rows;
    double sum = 0;
    double square = 0;
    double count = 0;
    for (size_t c = 0; c < n_channels && c < MAX_CHANNELS; c++) {
        for (size_t i = 0; i + rows <= n && rows >= 32; i += rows) {
            double l;
            if (usable(x[c] + i, stamp_s + i, rows, period_s) &&
                compare(x[c] + i, stamp_s + i, rows, period_s, &l)) {
                sum += l;
                square += l * l;
                count++;
            }
        }
    }
    if (count < 3) {
        return 0;
    }
    double mean = sum / count;
    double se = sqrt(sm_max(0, square / count - mean * mean) / (count - 1));
    return mean > 3 * se && mean > 0.005 ? 1 : mean < -3 * se && mean < -0.005 ? -1 : 0;
}
