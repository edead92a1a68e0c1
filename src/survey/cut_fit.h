/* One mode and a direct path fitted to the power of orders while they sweep through. */
#ifndef SM_SURVEY_CUT_FIT_H
#define SM_SURVEY_CUT_FIT_H

#include "stillmount/survey.h"

#include <stdbool.h>
#include <stddef.h>

typedef struct sm_cut_point {
    double hz;
    double p;       /* [SI^2] mean square of the order, noise taken off */
    double rate;    /* [Hz/s] of the order's line, either sign */
    double blur_hz; /* standard deviation of the frequencies that the value is a mean over */
    double level;   /* [SI^2] p as its neighbours have it, or p itself where that is more */
    double noise;   /* [SI^2] power of the noise, taken off p */
    double n;       /* windows that p is the mean of; they overlap by three quarters */
    bool strong;    /* stands clear of the noise by itself */
} sm_cut_point;

/* The points of one order, channel and direction, rising frequency. */
typedef struct sm_cut {
    const sm_cut_point *p;
    size_t n;
    double power; /* of the frequency by which the force grows, of its square: 4 or 0 */
} sm_cut;

typedef struct sm_mode {
    double hz;         /* natural frequency, sweep and window taken out */
    double zeta;       /* damping ratio, likewise */
    double zeta_error; /* relative standard deviation of it */
} sm_mode;

/* Of the bandwidth; a mode nearer to its end is not told from the filter that bends the curve. */
#define SM_MODE_EDGE 0.9
/** What a channel shows: up to 0.4 of the rate or the sensor's bandwidth. [Hz] */
double sm_shown_top_hz(const sm_survey_result *v, size_t channel);
/** The part of a cut from lo to hi. */
sm_cut sm_cut_window(const sm_cut *c, double lo_hz, double hi_hz);
/**
 * Log likelihood ratio of a mode at m over a smooth curve with as many coefficients; sets the power
 * that fits better. 0 when the fit wants a negative mode.
 *
 * Model  P = |G S(f) + D F|^2, averaged over blur; F = f^2 (a force that grows with rpm squared) or
 *        1. S is the response of one mode to a line that moves at `rate`: its envelope is
 *        int exp(-z t + a t^2) dt with z = 2 pi i f - s, s the pole, a = pi i rate - 2 (pi blur)^2,
 *        by Laplace's continued fraction.
 * Source variable projection: Golub & Pereyra 1973; response in a sweep: Lewis 1932 (both from
 *        memory)
 */
double sm_cut_worth(sm_cut *c, const sm_mode *m);
/** What the fit says at each of the cut's points, mean square; p (c->n). */
void sm_cut_curve(const sm_cut *c, const sm_mode *m, double *p);
/**
 * The mode that all n cuts together fit best, each with a gain and a direct path of its own.
 * coarse: looked for on a grid around m->hz; else m is the start. False: none.
 */
bool sm_cut_fit(const sm_cut *cuts, size_t n, bool coarse, sm_mode *m);

#endif
