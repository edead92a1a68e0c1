/*
 * Frames wait here until the order tracker has passed them: then the tracked tone power is taken
 * off the frame's power, and what is left tells how much the noise moves.
 */
#ifndef SM_SURVEY_PENDING_H
#define SM_SURVEY_PENDING_H

#include "stillmount/survey.h"

enum { SM_TRACK_RING = 160, SM_TONE_NODES = 9 };

typedef struct sm_waiting {
    long band;
    size_t cell;
    double t0_s;
    double shaft_hz;
    bool adjacent; /* overlaps the frame before it, which was in the same band */
    size_t i_in_stretch;
} sm_waiting;

typedef struct sm_slot_history {
    double e[2];
    size_t i[2];
    long band[2]; /* -1 = nothing */
} sm_slot_history;

typedef struct sm_pending {
    const sm_survey_options *opt;
    sm_survey_result *res;
    size_t first;
    size_t n;       /* channels */
    size_t n_slots; /* of all its channels together */
    sm_waiting *queue;
    double *queue_p; /* (capacity x n_slots) NaN = channel not usable in that frame */
    size_t head;
    size_t count;
    size_t capacity;
    sm_slot_history *history; /* (n_slots) */
    double *ring_t_s;         /* (n_orders x SM_TRACK_RING) */
    double *ring_p;           /* (n_orders x SM_TRACK_RING x n) |X|^2 / 2 */
    size_t *ring_n;           /* (n_orders) points since the stretch began */
    double *tone;             /* (n_orders x n) */
    double weight[SM_TONE_NODES];
} sm_pending;

sm_status sm_pending_open(sm_pending *q, const sm_survey_options *opt, sm_survey_result *res,
                          size_t first, size_t n);
void sm_pending_close(sm_pending *q);
/* A tracked point of the current stretch. power (n) = |X|^2 / 2. */
void sm_pending_track(sm_pending *q, size_t i_order, double t_s, const double *re,
                      const double *im);
/* Room for one more frame: fill *w and the returned n_slots powers. NULL = out of memory. */
double *sm_pending_add(sm_pending *q, sm_waiting w);
/* Books every waiting frame that ends before done_s. */
void sm_pending_release(sm_pending *q, double done_s);
/* The stretch is over: books all and forgets the tracks. */
void sm_pending_flush(sm_pending *q);

#endif
