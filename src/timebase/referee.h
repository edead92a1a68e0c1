/* Are irregular stamps real? Decided by the vibration itself. */
#ifndef SM_TIMEBASE_REFEREE_H
#define SM_TIMEBASE_REFEREE_H

#include <stddef.h>

/*
 * Fits the strongest lines of stretches of n rows under both time bases and compares what is left.
 * x[n_channels] rows of vibration, stamp_s the stamps, period_s that of the regular time base.
 *
 * Returns +1: sampling is regular, the stamps are late or rough; -1: the stamps are right; 0: the
 * data cannot tell (regular is then the better guess).
 */
int sm_referee(const double *const *x, size_t n_channels, const double *stamp_s, size_t n,
               double period_s);

#endif
