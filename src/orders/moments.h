/*
 * Moments of one revolution: sums of samples times phasors, with two weightings. In single
 * precision: its rounding is 120 dB below what is summed, and that is below any sensor's noise.
 */
#ifndef SM_ORDERS_MOMENTS_H
#define SM_ORDERS_MOMENTS_H

#include <stddef.h>

/* Rows taken at once, and the distance of two orders or channels in the arrays: what one revolution
 * needs of it stays in the first cache. */
enum { SM_MOMENT_ROWS = 256 };

/* exp(-2 pi i order theta) of n rows, whole eights. */
void sm_phasors_base(double order, const double *theta, size_t n, float *restrict c,
                     float *restrict s);
/* Products of the phasors a and b of n rows, whole eights. */
void sm_phasors_multiply(const float *ca, const float *sa, const float *cb, const float *sb,
                         size_t n, float *restrict c, float *restrict s);

/*
 * n samples times their step of angle, shared out to both knots, in turns: eight for this knot,
 * eight for the next; zeros up to whole eights. theta[-1] and theta[n] are known.
 */
void sm_moments_weigh(const double *theta, double knot, const double *x, size_t n, float *v);
/*
 * Adds all moments of n rows in the interval of one knot.
 *
 * cosine, sine  in  [n_mom][SM_MOMENT_ROWS]
 * v             in  [n_pick][2 SM_MOMENT_ROWS]
 * cur, next     io  [n_pick][n_mom][2]
 */
void sm_moments_add(const float *cosine, const float *sine, const float *v, size_t n, size_t n_pick,
                    size_t n_mom, double *cur, double *next);

#endif
