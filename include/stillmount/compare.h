/*
 * Side branch compare: is the difference between runs real, and what passes through an isolator.
 * Runs are matched by rpm band, pass, channel and order, never by time.
 */
#ifndef STILLMOUNT_COMPARE_H
#define STILLMOUNT_COMPARE_H

#include "stillmount/status.h"

#include <stdbool.h>

/* Before and after ---------------------------------------------------------------------------- */

enum { SM_MAX_RUNS = 16 }; /* on each side */

/* What one run reads of one quantity (a channel's rms in a band, or one of its orders). */
typedef struct sm_reading {
    double value; /* > 0 rms, or peak of an order; NaN = this run cannot say */
    double nu;    /* degrees of freedom of value^2 (rms); 0 = an order */
    double sigma; /* standard error of an order's amplitude, per component; 0 for rms */
} sm_reading;

typedef struct sm_pairing {
    const sm_reading *before; /* (n_before) one per run */
    size_t n_before;
    const sm_reading *after;
    size_t n_after;
} sm_pairing;

typedef enum sm_change_verdict {
    SM_CHANGE_UNASSESSED = 0,
    SM_CHANGE_NONE, /* no clear change */
    SM_CHANGE_BETTER,
    SM_CHANGE_WORSE,
    SM_CHANGE_MIXED, /* of a set only */
} sm_change_verdict;

typedef struct sm_change {
    double before; /* mean over the runs, of the levels in dB; NaN = none can say */
    double after;
    double change_db; /* 20 log10(after / before): negative is quieter */
    double lo_db;     /* 95 % interval of the true change; NaN = no bound on that side */
    double hi_db;
    double p; /* two-sided, of "nothing changed" */
    sm_change_verdict verdict;
    bool before_in_noise; /* an order that does not stand out of the noise: value is a bound */
    bool after_in_noise;
} sm_change;

typedef struct sm_repeatability {
    bool from_runs; /* else assumed */
    double db;      /* standard deviation of one run's level: measured, or assumed */
} sm_repeatability;

typedef struct sm_change_options {
    double repeatability_db; /* assumed standard deviation of one run's level; default 2 */
    double alpha;            /* of the whole set, Holm; default 0.05 */
} sm_change_options;

SM_API sm_change_options sm_change_options_default(void);
/** "unassessed", "no clear change", "better", "worse", "mixed". */
SM_API const char *sm_change_text(sm_change_verdict v);

/**
 * Judges n pairings of one comparison together.
 *
 * One run on each side: the interval joins what this recording says (F for rms, sigma for orders)
 * and the assumed repeatability of both runs in quadrature. Several: their scatter in dB decides
 * (t), pooled over the sides, shrunk towards the mean of all pairings with a weight of 4; that mean
 * counts as many degrees of freedom as the pairings scatter independently, and the assumed
 * repeatability enters it with a weight of 4, so that two runs that agree by luck prove nothing.
 * Better and worse by Holm's step-down at alpha over all pairings that can be assessed.
 *
 * options   in   NULL = default
 * out       out  (n) one per pairing
 * Returns   SM_OK; SM_E_ARG (a side without runs, more than SM_MAX_RUNS); SM_E_NOMEM
 * Accuracy  intervals hold the truth in >= 93 % of simulated cases, run scatter of 0 to 3 dB,
 * common to all channels or not (tests/unit/test_compare.c) Source    Bendat & Piersol, Random Data
 * (F of two spectra); Holm 1979 (from memory); Srivastava 2005 for the traces behind the number of
 * independent pairings (from memory)
 */
SM_API SM_NODISCARD sm_status sm_change_judge(const sm_pairing *pairs, size_t n,
                                              const sm_change_options *options, sm_change *out,
                                              sm_repeatability *repeatability, sm_error *err);
/** Of a set: better, worse, mixed when both occur, none; unassessed when all are. */
SM_API sm_change_verdict sm_change_overall(const sm_change *c, size_t n);
/** Holm: marks those of n p-values that stand at alpha together; NaN never stands. SM_OK or
 * SM_E_NOMEM. */
SM_API SM_NODISCARD sm_status sm_holm(const double *p, size_t n, double alpha, bool *stands);

#endif
