/*
 * How much tracked orders jump from window to window. A real order changes smoothly; noise does
 * not, and neither does a fixed tone that the order's line crosses. The floor of the spectrum alone
 * does not tell: on a resonance, noise stands 20 dB above the quiet bins around it.
 */
#ifndef SM_SURVEY_SCATTER_H
#define SM_SURVEY_SCATTER_H

#include "stillmount/survey.h"

enum { SM_SCATTER_POINTS = 5 }; /* a quarter window apart: from -L/2 to L/2 */

typedef struct sm_scatter {
    size_t n_channels;
    double *x;     /* (n_orders x SM_SCATTER_POINTS x n_channels x 2) the last points */
    double *t_s;   /* (n_orders x SM_SCATTER_POINTS) */
    size_t *count; /* (n_orders) points since the stretch began */
} sm_scatter;

sm_status sm_scatter_open(sm_scatter *s, size_t n_orders, size_t n_channels);
void sm_scatter_close(sm_scatter *s);
/* The stretch is over. */
void sm_scatter_reset(sm_scatter *s, size_t n_orders);
/* Takes a point; true when there are enough behind it for sm_scatter_square(). */
bool sm_scatter_push(sm_scatter *s, const sm_track_point *p);
/*
 * |X_j - (X_{j-2} + X_{j+2}) / 2|^2 of a channel about the point two before the last one. Its mean
 * is SM_SCATTER_GAIN times the variance of one component of X.
 */
double sm_scatter_square(const sm_scatter *s, size_t i_order, size_t i_channel);

/*
 * Unit phasor of how an order's phase turned over the last half window; false when too few points
 * are behind it or the channel has none.
 */
bool sm_scatter_turn(const sm_scatter *s, const sm_track_point *p, size_t i_channel, double *re,
                     double *im);

#endif
