/* Band-limited interpolation: 32-tap Kaiser-windowed sinc, and irregular samples onto a grid. */
#ifndef SM_TIMEBASE_RESAMPLE_H
#define SM_TIMEBASE_RESAMPLE_H

#include "stillmount/status.h"

#include <stdbool.h>

enum { SM_TAPS = 32, SM_PHASES = 512 };

/* Table of SM_PHASES + 1 phases; read-only once made. */
typedef struct sm_kernel {
    double h[SM_PHASES + 1][SM_TAPS];
} sm_kernel;

/* Kaiser beta 9: error below -98 dB up to 0.4 of the rate (tests/unit/test_timebase.c). */
void sm_kernel_make(sm_kernel *k);
/* One for the whole program, made when first asked for. Threads: any. */
const sm_kernel *sm_kernel_shared(void);

/*
 * Value at position i + fraction of n uniform samples, 0 <= fraction < 1. Where taps would reach
 * past the ends the remaining ones are rescaled: exact for a constant, poorer for the rest.
 */
double sm_kernel_at(const sm_kernel *k, const double *x, size_t n, size_t i, double fraction);

/*
 * Irregular samples x at times t (rising, no step above 1.6 period) onto grid points
 * t0 + period * i, i < n_grid, inside [t[0], t[n - 1]]. Iterates: interpolate the grid back to the
 * samples, spread what is left over (Feichtinger & Groechenig 1994).
 * scratch: n + n_grid doubles. Accuracy: see tests/unit/test_timebase.c.
 */
void sm_regrid(const sm_kernel *k, const double *t, const double *x, size_t n, double t0,
               double period, double *y, size_t n_grid, double *scratch);

#endif
