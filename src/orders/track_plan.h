/* Which window each order needs, and the inverted normal matrices. */
#ifndef SM_ORDERS_TRACK_PLAN_H
#define SM_ORDERS_TRACK_PLAN_H

#include "stillmount/tracker.h"

extern const long sm_track_lengths[SM_TRACK_LENGTHS];

/*
 * What a window is fitted with: exp(i order theta) of every order, the same times u = turns from
 * the centre / L for those that are `linear`, and a constant with its slope. Without the slopes an
 * order that grows or turns its phase within the window leaks into its weak neighbours: +1.5 dB on
 * crank 0.5 beside a propeller resonance 20 dB above it. The slope of an order costs no noise once
 * its neighbours are 1.4 / L away.
 */
typedef struct sm_track_basis {
    size_t k;    /* fitted order; n = the constant */
    int power;   /* of u */
    bool cosine; /* cos, or -sin */
} sm_track_basis;

/* Inverses for each window length. cos and u sin are even in the window, -sin and u cos odd: two
 * systems that do not mix. */
typedef struct sm_track_solver {
    size_t n;                    /* fitted orders */
    bool used[SM_TRACK_LENGTHS]; /* some order is tracked in this window */
    sm_track_basis *basis[2];    /* even, odd; the first n are the orders */
    size_t n_basis[2];
    double *inverse[SM_TRACK_LENGTHS][2]; /* n rows of n_basis */
} sm_track_solver;

/*
 * Chooses for each order the shortest window whose noise inflation is at most 1.25; orders that
 * even the longest cannot part lose their slopes, and if that does not help are merged. fit[] gets
 * the indices of the n_fit fitted orders. SM_OK or SM_E_NOMEM.
 */
sm_status sm_track_plan_make(const sm_order_table *table, sm_track_plan *plans, size_t *fit,
                             size_t *n_fit, sm_track_solver *solver);
/*
 * Right-hand sides of both systems, one behind the other, from the window's moments: sums of w x
 * exp(-i order theta), and of the same times u (n + 1 pairs re, im each; order 0 last), all
 * referred to the window's centre. out has room for n_basis[0] + n_basis[1].
 */
void sm_track_solver_gather(const sm_track_solver *s, const double *moments, const double *slopes,
                            double *out);
/* Order k of the fit in window l from the gathered sides. */
void sm_track_solver_row(const sm_track_solver *s, size_t l, size_t k, const double *gathered,
                         double *re, double *im);
void sm_track_solver_free(sm_track_solver *s);

#endif
