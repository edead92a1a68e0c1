/* What the files of this folder share. */
#ifndef SM_BALANCE_INTERNAL_H
#define SM_BALANCE_INTERNAL_H

#include "core/util.h"
#include "stillmount/balance.h"

#include <complex.h>
#include <math.h>

#define SM_DEG (SM_PI / 180.0)
/* in/s peak: common practice, no source; leave the propeller alone below it. */
#define SM_LEVEL_GOOD 0.07
#define SM_GRAMS_PER_OUNCE 28.349523125 /* exact: international pound of 1959 / 16 */

static inline double complex sm_c(sm_phasor v)
{
    return CMPLX(v.re, v.im);
}

static inline sm_phasor sm_p(double complex v)
{
    return (sm_phasor){creal(v), cimag(v)};
}

/* exp(i angle) */
static inline double complex sm_cis(double angle_deg)
{
    return CMPLX(cos(angle_deg * SM_DEG), sin(angle_deg * SM_DEG));
}

/* As people write them: conjugated where the job counts the other way. */
static inline sm_phasor sm_as_read(const sm_balance_job *job, sm_phasor v)
{
    return job->phase_lag ? (sm_phasor){v.re, -v.im} : v;
}

static inline sm_phasor sm_as_counted(const sm_balance_job *job, sm_phasor w)
{
    return job->weights_against ? (sm_phasor){w.re, -w.im} : w;
}

/* Difference of two angles in degrees, in -180..180. */
static inline double sm_turn_deg(double a)
{
    return a - 360.0 * floor((a + 180.0) / 360.0);
}

/* Angle in 0..360. */
static inline double sm_wrap_deg(double a)
{
    double w = a - 360.0 * floor(a / 360.0);
    return w >= 360.0 ? 0.0 : w;
}

/* Unknowns of one job: original vector and one coefficient per plane, for every reading. */
typedef struct sm_balance_fit {
    double complex v0[SM_BALANCE_READINGS];
    double complex a[SM_BALANCE_READINGS][SM_BALANCE_PLANES];
    double rss[SM_BALANCE_READINGS]; /* sum of |residual|^2 of reading k */
    size_t spare;                    /* complex equations beyond the unknowns, per reading */
} sm_balance_fit;

/* Weights of the runs -> design; SM_E_VALUE when they cannot separate the unknowns. */
sm_status sm_balance_fit_runs(const sm_balance_job *job,
                              const double complex (*v)[SM_BALANCE_READINGS], sm_balance_fit *fit,
                              sm_error *err);
/* Correction that cancels fit, counted from the original state. */
sm_status sm_balance_cancel(const sm_balance_fit *fit, size_t n_readings, size_t n_planes,
                            double complex *w, double *condition, sm_error *err);

/* A fit without phase: up to two places for the correction weight. */
typedef struct sm_balance_nophase {
    double complex correction[2];
    size_t n; /* 1 or 2 */
    double
        mismatch;  /* of the two estimates of the trial's effect, as a fraction; 0 with two runs */
    double effect; /* per gram */
} sm_balance_nophase;

/* Amplitudes in reading 0 of the runs. SM_E_VALUE: readings that contradict each other. */
sm_status sm_balance_fit_amplitudes(const sm_balance_job *job, const double *amplitude,
                                    sm_balance_nophase *out, sm_error *err);

/* Fills the intervals, residual_median and residual_p90 of r from its scatter. */
sm_status sm_balance_intervals(const sm_balance_job *job, const sm_balance_fit *fit,
                               sm_balance_result *r);
sm_status sm_balance_intervals_no_phase(const sm_balance_job *job, sm_balance_result *r);
/* Scatter of r from repeats, spare equations, what the runs say of themselves, and the assumed. */
void sm_balance_scatter(const sm_balance_job *job, const sm_balance_fit *fit, sm_balance_result *r);

/* Weights on at the end of the job beyond the original state. */
void sm_balance_now_on(const sm_balance_job *job, sm_phasor *w);

void sm_balance_advise(sm_balance_result *r, const char *code, sm_advice_weight weight,
                       const char *fmt, ...) SM_PRINTF(4, 5);
/* Factor from the job's unit to in/s peak; NaN when the unit cannot be turned into a velocity. */
double sm_balance_to_in_s_pk(const sm_balance_job *job);
/* Advice from levels, loads, re-indexing, ISO 21940-11, trial hints. */
void sm_balance_judge_before(const sm_balance_job *job, sm_balance_result *r);
void sm_balance_judge_after(const sm_balance_job *job, sm_balance_result *r);

/* "0.266 in/s peak at 289 deg" */
void sm_balance_vector_words(const sm_balance_job *job, sm_phasor v, char *out, size_t n);
/* "21.3 g (0.751 oz)" */
void sm_balance_grams_words(double g, char *out, size_t n);
/* One or two sentences: what the mechanic does now. */
const char *sm_balance_next_step(const sm_balance_job *job, const sm_balance_result *r);
/* Words wrapped at 79 columns; first and rest are the indents. */
void sm_balance_paragraph(sm_text *out, const char *first, const char *rest, const char *s);
void sm_balance_draw(const sm_balance_job *job, const sm_balance_result *r, sm_text *out);

#endif
