/* Resonances of the mount, from how the tracked orders rise and fall over rpm. */
#ifndef STILLMOUNT_RESONANCE_H
#define STILLMOUNT_RESONANCE_H

#include "stillmount/survey.h"

enum { SM_MAX_RESONANCES = 16, SM_RESONANCE_ORDERS = 8 };

typedef struct sm_resonance {
    size_t i_channel;                  /* where it shows most, in the survey */
    double hz;                         /* natural frequency */
    double damping_ratio;              /* NaN when the cuts disagree by more than a factor of two */
    size_t n_cuts;                     /* order cuts that show it; at least two */
    size_t order[SM_RESONANCE_ORDERS]; /* (n_orders) in the order table, strongest first */
    double rpm_at[SM_RESONANCE_ORDERS]; /* of the rpm_of shaft, where each order meets it */
    size_t n_orders;
} sm_resonance;

/**
 * Fits P(f) / f^4 of each order, channel by channel, with one mode and a direct path: the mean
 * square of G H + D, H = -r^2 / (1 - r^2 + 2 i zeta r), which is linear in four products once
 * frequency and damping are chosen. What two cuts of one place agree on within 2 % is a resonance;
 * a peak that only one order shows may as well be a force that depends on rpm.
 *
 * Returns how many were found, rising frequency.
 * Accuracy  frequency within 1.5 %, damping within 25 % for run-ups of up to 60 rpm/s
 *           (tests/unit/test_resonance.c)
 * Source    variable projection (Golub & Pereyra 1973, from memory)
 */
SM_API size_t sm_resonances_find(const sm_survey_result *v, const sm_order_table *orders,
                                 double shaft_per_rpm, sm_resonance *out, size_t most);

#endif
