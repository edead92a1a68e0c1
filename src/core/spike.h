/* Samples that stand alone, far above both neighbours. */
#ifndef SM_CORE_SPIKE_H
#define SM_CORE_SPIKE_H

#include <stddef.h>

enum { SM_SPIKES_MOST = 8 };

typedef struct sm_spike {
    size_t i;
    double height; /* above the middle between its neighbours, with its sign */
} sm_spike;

/*
 * At most SM_SPIKES_MOST of them, in order; returns how many. No vibration that a filter let
 * through lasts one sample: whatever is band-limited to 0.4 of the rate bends its neighbours too.
 * least: heights below do not count, as the steps of a quiet channel. The first two and the last
 * two values are not judged; with a NaN among the values there are none.
 */
size_t sm_spikes_of(const double *x, size_t n, double least, sm_spike out[SM_SPIKES_MOST]);

#endif
