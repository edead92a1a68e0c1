/* Which window each order needs, and the inverted normal matrices. */
#ifndef SM_ORDERS_TRACK_PLAN_H
#define SM_ORDERS_TRACK_PLAN_H

#include "stillmount/tracker.h"

extern const long sm_track_lengths[SM_TRACK_LENGTHS];

/* Inverses for each window length; order 0 is the last row of the cosine part. */
typedef struct sm_track_solver {
    size_t n;                         /* fitted orders */
    bool used[SM_TRACK_LENGTHS];      /* some order is tracked in this window */
    double *cosine[SM_TRACK_LENGTHS]; /* (n + 1) x (n + 1) */
    double *sine[SM_TRACK_LENGTHS];   /* n x n */
} sm_track_solver;

/*
 * Chooses for each order the shortest window whose noise inflation is at most 1.25; orders that
 * even the longest cannot part are merged. fit[] gets the indices of the n_fit fitted orders. SM_OK
 * or SM_E_NOMEM.
 */
sm_status sm_track_plan_make(const sm_order_table *table, sm_track_plan *plans, size_t *fit,
                             size_t *n_fit, sm_track_solver *solver);
/*
 * Order k of the fit from the window's n + 1 moments (pairs re, im; order 0 last), all referred to
 * the window's centre.
 */
void sm_track_solver_row(const sm_track_solver *s, size_t l, size_t k, const double *moments,
                         double *re, double *im);
void sm_track_solver_free(sm_track_solver *s);

#endif
