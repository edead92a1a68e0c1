/*
 * How well a spectrum fits an order grid at a speed: log likelihood ratio of "these orders are
 * there" against noise. Each order has a probability of being strong; an expected strong line that
 * is missing counts against the speed, which is what keeps half and double speed apart.
 */
#ifndef SM_ORDERS_EMISSION_H
#define SM_ORDERS_EMISSION_H

#include "stillmount/powertrain.h"

typedef struct sm_emission_line {
    double order;    /* of the reference shaft */
    double prior;    /* probability that it stands out */
    double ln_never; /* ln(1 - prior) */
    size_t i_order;  /* in the table */
    bool own;        /* no order of another shaft coincides */
    sm_shaft shaft;
    double apart; /* to the nearest order of another shaft; INFINITY = none */
} sm_emission_line;

enum { SM_EMISSION_HEIGHTS = 128 };

typedef struct sm_emission {
    sm_emission_line lines[SM_MAX_ORDERS];
    size_t n;
    double height[SM_EMISSION_HEIGHTS + 1]; /* ln p1/p0 over SNR in quarters */
} sm_emission;

/** Lines with their probabilities, from what is common in engines; those below least are left out.
 */
void sm_emission_make(const sm_powertrain *p, const sm_order_table *orders, double least,
                      sm_emission *out);
/** ln(p1/p0), at most 10, of a peak of this power over the noise. */
double sm_emission_height(const sm_emission *e, double snr);
/** What one line multiplies the likelihood ratio with when its height is v. */
double sm_emission_ratio(const sm_emission_line *line, double v);
/** The logarithm of that. */
double sm_emission_term(const sm_emission_line *line, double v);

/**
 * Power over a local noise floor: low percentile over +-20 Hz, corrected for the exponential
 * spread of a single frame (or of the mean of n_mean independent ones: 1). step_hz: from one floor
 * to the next, straight lines between. snr  out (n_bins); 0 where there is nothing. scratch
 * (n_bins)
 */
void sm_whiten(const double *psd, size_t n_bins, double bin_hz, double step_hz, double *snr,
               double *scratch);

#endif
