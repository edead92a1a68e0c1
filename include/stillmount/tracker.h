/*
 * Stage 5, order tracking: amplitude and phase of every expected order, jointly, in windows of
 * whole revolutions. Blocks with angle in, tracked points out.
 *
 * In a Hann-like window of L revolutions of the reference shaft the channel is fitted by weighted
 * least squares with all expected orders and order 0 at once: x = X_0 + sum Re{X_o exp(2 pi i o
 * theta)}. Weighting each sample by its step of angle makes the sums integrals over angle, so the
 * normal matrix depends on differences of orders only and is inverted once. Per revolution and
 * order two moments are kept (hat functions on whole revolutions); windows of every L are short
 * sums of them. Every order may also grow and turn its phase linearly within the window, so that a
 * strong order on its resonance does not leak into a weak neighbour.
 */
#ifndef STILLMOUNT_TRACKER_H
#define STILLMOUNT_TRACKER_H

#include "stillmount/powertrain.h"

enum { SM_TRACK_LENGTHS = 5 }; /* windows of 16, 24, 32, 48, 64 revolutions */

/* How one order of the table is tracked; known before any data. */
typedef struct sm_track_plan {
    long window_rev;  /* 16, 24, 32, 48 or 64 */
    double inflation; /* of the amplitude's standard deviation by neighbouring orders, >= 1 */
    long merged_into; /* index of the order that stands for both, or -1: not separable at 64 */
} sm_track_plan;

/* One tracked point of one order, all channels. */
typedef struct sm_track_point {
    size_t i_order; /* in the order table */
    double t_s;     /* window centre */
    double t0_s;    /* window ends */
    double t1_s;
    double rpm;          /* of the rpm_of shaft, weighted mean over the window */
    double rpm_change;   /* over the window */
    double hz;           /* of the order at the centre */
    const double *re_pk; /* [SI, peak] (n_channels) X = re + i im, at theta = 0 of the stretch: */
    const double *im_pk; /* phase is that of Re{X exp(2 pi i o theta)} */
} sm_track_point;

typedef sm_status (*sm_track_fn)(void *self, const sm_track_point *point, sm_error *err);
typedef struct sm_tracker sm_tracker;

/**
 * table      in  kept by reference
 * pick       in  (n_pick) channels of the blocks
 * shaft_per_rpm in revolutions of the reference shaft per revolution of the rpm_of shaft
 *
 * Points of an order above 0.4 of the rate at that moment are not sent. A channel with a NaN in the
 * window gives NaN. Nothing is fitted across gaps or where the angle is NaN.
 *
 * Returns SM_OK; SM_E_ARG; SM_E_NOMEM
 * Accuracy constant order: 1e-3 relative when its neighbours are in the table (test_tracker.c);
 *          80 crank rpm/s through modes: 0.2 dB, 0.7 dB for two orders 0.03 apart (test_tracks.c)
 * Source   least squares; window choice by the sandwich variance (Huber 1967, from memory)
 */
SM_API SM_NODISCARD sm_status sm_tracker_open(const sm_order_table *table, const size_t *pick,
                                              size_t n_pick, double rate_hz, sm_track_fn fn,
                                              void *self, sm_tracker **out, sm_error *err);
/** The same for other channels of the same log: borrows what `like`, which must outlive it, knows
 * of the orders. */
SM_API SM_NODISCARD sm_status sm_tracker_open_like(const sm_tracker *like, const size_t *pick,
                                                   size_t n_pick, sm_track_fn fn, void *self,
                                                   sm_tracker **out, sm_error *err);
SM_API sm_sink sm_tracker_sink(sm_tracker *t);
/** (table->n) how each order is tracked. */
SM_API const sm_track_plan *sm_tracker_plans(const sm_tracker *t);
/** Time up to which every order's points have been sent in this stretch; -INFINITY when none. */
SM_API double sm_tracker_done_s(const sm_tracker *t);
SM_API void sm_tracker_close(sm_tracker **t);

#endif
