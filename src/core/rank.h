/* Order statistics of a few dozen values. */
#ifndef SM_CORE_RANK_H
#define SM_CORE_RANK_H

#include <stddef.h>

/*
 * The value that `rank` of the others are not above, of n values padded with INFINITY to whole
 * eights. The guess may be any value; a likely one is quick.
 */
double sm_rank_near(const double *v, size_t n, size_t rank, double guess);

/** The rank-th smallest (0 = smallest) of n values, which are reordered (Hoare's selection). */
double sm_select_rank(double *v, size_t n, size_t rank);

#endif
