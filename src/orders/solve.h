/* Small dense systems for the order tracker. */
#ifndef SM_ORDERS_SOLVE_H
#define SM_ORDERS_SOLVE_H

#include <stdbool.h>
#include <stddef.h>

/*
 * Inverse of a (n x n, row-major) with a relative ridge on the diagonal that bounds it when two
 * orders are nearly one; work is n x n. Returns false when even that fails.
 */
bool sm_invert(const double *a, size_t n, double ridge, double *inverse, double *work);

#endif
