/* What the samples themselves give away: clipped, stuck, quantised, implausible, missing. */
#ifndef SM_TIMEBASE_CHECKS_H
#define SM_TIMEBASE_CHECKS_H

#include "stillmount/clip.h"
#include "stillmount/findings.h"
#include "timebase/pace.h"
#include "timebase/twins.h"

enum { SM_CHECK_LEVELS = 128 };

typedef struct sm_check {
    sm_clip clip;
    sm_pace pace;
    double n;
    double sum;
    double square; /* about `about` */
    double about;
    double distinct[4];
    size_t n_distinct;
    double last;
    double step; /* smallest change: the quantum */
    double run_t0_s;
    long run;
    long longest;
    long stuck; /* samples in stretches that are stuck */
    sm_place stuck_at[4];
    size_t n_stuck;
    long n_missing;
    bool inside_missing;
    sm_place missing_at[SM_FINDING_PLACES];
    size_t n_missing_places;
    double sum_1s; /* of the running second, for the overload check */
    double square_1s;
    double n_1s;
    long n_spikes; /* samples that stand alone */
    double spike;  /* height of the largest */
    sm_place spike_at[SM_FINDING_PLACES];
    float level_n[SM_CHECK_LEVELS];    /* seconds by their rms, in steps of 1.5 dB, */
    float level_mean[SM_CHECK_LEVELS]; /* and the sum of their means less about */
    double loud_rms;                   /* of the loudest second */
    double loud_t_s;
} sm_check;

typedef struct sm_checks {
    sm_check *items; /* [n] one per channel */
    size_t n;
    double period_s;
    sm_twins twins;
} sm_checks;

SM_NODISCARD sm_status sm_checks_open(sm_checks *c, const sm_channel *channels, size_t n,
                                      double period_s);
void sm_checks_close(sm_checks *c);
/* Back to the state behind sm_checks_open. */
void sm_checks_reset(sm_checks *c, const sm_channel *channels);
/* Rows of channel i. sparse = empty cells are not missing. */
void sm_checks_push(sm_checks *c, size_t i, const double *x, size_t n, double t0_s,
                    const long *lines, bool sparse);
/* The same rows of all channels at once, x[c][n]. */
void sm_checks_push_rows(sm_checks *c, double *const *x, size_t n);
/* rate_hz[i] is the sampling rate of channel i. */
void sm_checks_report(const sm_checks *c, const sm_channel *channels, const double *rate_hz,
                      sm_findings *out);

#endif
