/* Axes of one sensor that hold the same signal: a column written twice, or scaled from another. */
#ifndef SM_TIMEBASE_TWINS_H
#define SM_TIMEBASE_TWINS_H

#include "stillmount/block.h"

enum { SM_MAX_TWINS = SM_MAX_CHANNELS };

typedef struct sm_twin {
    size_t a; /* channels */
    size_t b;
    double n;
    double ab; /* sums over the steps from row to row */
    double aa;
    double bb;
} sm_twin;

typedef struct sm_twins {
    sm_twin items[SM_MAX_TWINS]; /* every pair of axes of one kind at one place */
    size_t n;
    double last[SM_MAX_CHANNELS];
} sm_twins;

void sm_twins_start(sm_twins *t, const sm_channel *channels, size_t n_channels);
void sm_twins_push(sm_twins *t, double *const *x, size_t n_channels, size_t n_rows);
/* Is b = gain * a, but for the rounding of both to their quanta? */
bool sm_twins_are_one(const sm_twin *t, double quantum_a, double quantum_b, double *gain);

#endif
