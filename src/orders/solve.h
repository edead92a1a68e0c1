/* Small dense symmetric systems for the order tracker. */
#ifndef SM_ORDERS_SOLVE_H
#define SM_ORDERS_SOLVE_H

#include <stdbool.h>
#include <stddef.h>

/*
 * Inverse of a symmetric positive definite matrix a (n x n, row-major), with a relative ridge that
 * bounds it when two orders are nearly one. Returns false when even that fails.
 */
bool sm_invert_spd(const double *a, size_t n, double ridge, double *inverse, double *work);

#endif
