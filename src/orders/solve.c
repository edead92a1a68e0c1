/* Inverse by Gauss and Jordan with row exchange. */
#include "orders/solve.h"

#include <math.h>

static void swap_rows(double *a, size_t n, size_t i, size_t j)
{
    for (size_t k = 0; k < n; k++) {
        double v = a[i * n + k];
        a[i * n + k] = a[j * n + k];
        a[j * n + k] = v;
    }
}

static size_t pivot_row(const double *a, size_t n, size_t column)
{
    size_t best = column;
    for (size_t i = column + 1; i < n; i++) {
        if (fabs(a[i * n + column]) > fabs(a[best * n + column])) {
            best = i;
        }
    }
    return best;
}

bool sm_invert(const double *a, size_t n, double ridge, double *inverse, double *work)
{
    double trace = 0;
    for (size_t i = 0; i < n * n; i++) {
        work[i] = a[i];
        inverse[i] = 0;
    }
    for (size_t i = 0; i < n; i++) {
        trace += a[i * n + i];
        inverse[i * n + i] = 1;
    }
    for (size_t i = 0; i < n; i++) {
        work[i * n + i] += ridge * trace / (double)n;
    }
    for (size_t c = 0; c < n; c++) {
        size_t p = pivot_row(work, n, c);
        double pivot = work[p * n + c];
        if (!(fabs(pivot) > 0)) {
            return false;
        }
        swap_rows(work, n, p, c);
        swap_rows(inverse, n, p, c);
        for (size_t k = 0; k < n; k++) {
            work[c * n + k] /= pivot;
            inverse[c * n + k] /= pivot;
        }
        for (size_t i = 0; i < n; i++) {
            double f = i == c ? 0 : work[i * n + c];
            for (size_t k = 0; f != 0 && k < n; k++) {
                work[i * n + k] -= f * work[c * n + k];
                inverse[i * n + k] -= f * inverse[c * n + k];
            }
        }
    }
    return true;
}
