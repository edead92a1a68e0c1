/* Cholesky inverse. */
#include "orders/solve.h"

#include <math.h>

static bool cholesky(double *a, size_t n)
{
    for (size_t j = 0; j < n; j++) {
        for (size_t i = j; i < n; i++) {
            double s = a[i * n + j];
            for (size_t k = 0; k < j; k++) {
                s -= a[i * n + k] * a[j * n + k];
            }
            if (i == j) {
                if (!(s > 0)) {
                    return false;
                }
                a[j * n + j] = sqrt(s);
            } else {
                a[i * n + j] = s / a[j * n + j];
            }
        }
    }
    return true;
}

bool sm_invert_spd(const double *a, size_t n, double ridge, double *inverse, double *work)
{
    double trace = 0;
    for (size_t i = 0; i < n; i++) {
        trace += a[i * n + i];
    }
    for (size_t i = 0; i < n * n; i++) {
        work[i] = a[i];
    }
    for (size_t i = 0; i < n; i++) {
        work[i * n + i] += ridge * trace / (double)n;
    }
    if (!cholesky(work, n)) {
        return false;
    }
    for (size_t c = 0; c < n; c++) { /* solve L L' x = e_c */
        double *x = inverse + c * n; /* column c, stored as row c: the inverse is symmetric */
        for (size_t i = 0; i < n; i++) {
            double s = i == c ? 1 : 0;
            for (size_t k = 0; k < i; k++) {
                s -= work[i * n + k] * x[k];
            }
            x[i] = s / work[i * n + i];
        }
        for (size_t i = n; i-- > 0;) {
            double s = x[i];
            for (size_t k = i + 1; k < n; k++) {
                s -= work[k * n + i] * x[k];
            }
            x[i] = s / work[i * n + i];
        }
    }
    return true;
}
