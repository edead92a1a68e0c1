/*
 * How sure the answer is: every run is redrawn many times with its scatter and the whole job solved
 * again. Seeded, so that the same job gives the same numbers.
 */
#include "balance/balance_internal.h"
#include "core/alloc.h"
#include "stillmount/stats.h"

#include <math.h>
#include <stdlib.h>

enum { DRAWS = 2000, DRAWS_MAX = 100000 };

/* Run-to-run scatter when nothing was repeated: 5 % of the vector per component (methods 12). */
#define ASSUMED_SCATTER 0.05
/* The assumption weighs as much as this many measured degrees of freedom. */
#define ASSUMED_DOF 2.0
/* A coefficient from an earlier job: 5 % and 5 degrees (methods 12). */
#define STORED_AMPLITUDE 0.05
#define STORED_ANGLE_DEG 5.0

static double assumed_sd(const sm_balance_job *job, const sm_balance_result *r, size_t k)
{
    double sum = 0, v0 = sm_phasor_amplitude(r->original[k]);
    for (size_t i = 0; i < job->n_runs; i++) {
        double a = sm_max(v0, sm_phasor_amplitude(job->runs[i].v[k]));
        sum += a * a;
    }
    return ASSUMED_SCATTER * sqrt(sum / (double)job->n_runs);
}

void sm_balance_scatter(const sm_balance_job *job, const sm_balance_fit *fit, sm_balance_result *r)
{
    r->scatter_assumed = fit->spare == 0;
    r->scatter_dof = fit->spare ? 2.0 * (double)fit->spare + ASSUMED_DOF : (double)INFINITY;
    for (size_t k = 0; k < r->n_readings; k++) {
        double s0 = assumed_sd(job, r, k), within = 0;
        double var = s0 * s0;
        if (fit->spare) {
            var = (fit->rss[k] + ASSUMED_DOF * var) / (2.0 * (double)fit->spare + ASSUMED_DOF);
        }
        for (size_t i = 0; i < job->n_runs; i++) {
            double s = job->runs[i].scatter[k];
            within += isfinite(s) ? s * s : 0;
        }
        within /= (double)job->n_runs;
        r->scatter[k] = sqrt(fit->spare ? sm_max(var, within) : var + within);
    }
}

static int rising(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static double quantile(const double *sorted, size_t n, double p)
{
    double at = p * (double)(n - 1);
    size_t i = (size_t)at;
    return i + 1 < n ? sorted[i] + (at - (double)i) * (sorted[i + 1] - sorted[i]) : sorted[n - 1];
}

/* Factor that turns a scatter known from dof degrees of freedom into a draw of the true one. */
static double widen(sm_rng *rng, double dof)
{
    double chi2 = 0;
    if (!isfinite(dof)) {
        return 1;
    }
    for (double i = 0; i < dof - 0.5; i++) {
        double z = sm_rng_normal(rng);
        chi2 += z * z;
    }
    return sqrt(dof / sm_max(chi2, 1e-3));
}

/* Samples of one plane: grams and angle off the answer; filled by the draws. */
typedef struct samples {
    double *grams[SM_BALANCE_PLANES];
    double *angle[SM_BALANCE_PLANES];
    double *residual;
    size_t n;
} samples;

static bool samples_open(samples *s, size_t n_planes, size_t n)
{
    bool good = (s->residual = sm_alloc_array(n, sizeof(double))) != NULL;
    for (size_t p = 0; p < n_planes && good; p++) {
        s->grams[p] = sm_alloc_array(n, sizeof(double));
        s->angle[p] = sm_alloc_array(n, sizeof(double));
        good = s->grams[p] && s->angle[p];
    }
    return good;
}

static void samples_close(samples *s)
{
    for (size_t p = 0; p < SM_BALANCE_PLANES; p++) {
        sm_free(s->grams[p]);
        sm_free(s->angle[p]);
    }
    sm_free(s->residual);
}

/* One job as it might have come out. */
static bool draw_fit(const sm_balance_job *job, const sm_balance_fit *fit,
                     const sm_balance_result *r, sm_rng *rng, sm_balance_fit *out)
{
    double f = widen(rng, r->scatter_dof);
    double complex v[SM_BALANCE_RUNS][SM_BALANCE_READINGS] = {{0}};
    for (size_t i = 0; i < job->n_runs; i++) {
        for (size_t k = 0; k < r->n_readings; k++) {
            double sd = r->scatter[k] * f;
            double re = sm_rng_normal(rng), im = sm_rng_normal(rng);
            v[i][k] = sm_c(job->runs[i].v[k]) + sd * CMPLX(re, im);
        }
    }
    if (!job->has_influence) {
        return sm_balance_fit_runs(job, (const double complex(*)[SM_BALANCE_READINGS])v, out,
                                   NULL) == SM_OK;
    }
    *out = *fit;
    for (size_t k = 0; k < r->n_readings; k++) {
        double sd = r->scatter[k] * f / sqrt((double)job->n_runs);
        double re = sm_rng_normal(rng), im = sm_rng_normal(rng);
        out->v0[k] += sd * CMPLX(re, im);
    }
    double g = 1 + STORED_AMPLITUDE * sm_rng_normal(rng);
    double complex turn = g * sm_cis(STORED_ANGLE_DEG * sm_rng_normal(rng));
    for (size_t k = 0; k < r->n_readings; k++) {
        for (size_t p = 0; p < job->n_planes; p++) {
            out->a[k][p] *= turn;
        }
    }
    return true;
}

static double residual_of(const sm_balance_fit *f, const sm_balance_result *r, size_t n_planes)
{
    double left = 0, before = 0;
    for (size_t k = 0; k < r->n_readings; k++) {
        double complex v = f->v0[k];
        for (size_t p = 0; p < n_planes; p++) {
            v += f->a[k][p] * (sm_c(r->correction[p]) + sm_c(r->now_on_g[p]));
        }
        left += creal(v * conj(v));
        before += creal(f->v0[k] * conj(f->v0[k]));
    }
    return before > 0 ? sqrt(left / before) : 0;
}

static void draw_once(const sm_balance_job *job, const sm_balance_fit *fit,
                      const sm_balance_result *r, sm_rng *rng, samples *s)
{
    sm_balance_fit f;
    double complex w[SM_BALANCE_PLANES] = {0};
    double condition;
    if (!draw_fit(job, fit, r, rng, &f) ||
        sm_balance_cancel(&f, r->n_readings, job->n_planes, w, &condition, NULL) != SM_OK) {
        return;
    }
    for (size_t p = 0; p < job->n_planes; p++) {
        double complex c = w[p] - sm_c(r->now_on_g[p]);
        double complex off = c * conj(sm_c(r->correction[p]));
        double turn = carg(off) / SM_DEG;
        s->grams[p][s->n] = cabs(c);
        s->angle[p][s->n] = job->weights_against ? -turn : turn;
    }
    s->residual[s->n] = residual_of(&f, r, job->n_planes);
    s->n++;
}

static void summarise(const sm_balance_job *job, sm_balance_result *r, samples *s)
{
    for (size_t p = 0; p < job->n_planes; p++) {
        double at = sm_phasor_angle_deg(sm_as_counted(job, r->correction[p]));
        qsort(s->grams[p], s->n, sizeof(double), rising);
        qsort(s->angle[p], s->n, sizeof(double), rising);
        r->grams_interval[p][0] = quantile(s->grams[p], s->n, 0.025);
        r->grams_interval[p][1] = quantile(s->grams[p], s->n, 0.975);
        r->angle_interval_deg[p][0] = at + quantile(s->angle[p], s->n, 0.025);
        r->angle_interval_deg[p][1] = at + quantile(s->angle[p], s->n, 0.975);
    }
    qsort(s->residual, s->n, sizeof(double), rising);
    r->residual_median = quantile(s->residual, s->n, 0.5);
    r->residual_p90 = quantile(s->residual, s->n, 0.9);
}

static size_t draws_of(const sm_balance_job *job)
{
    return job->draws > 0 && job->draws <= DRAWS_MAX ? (size_t)job->draws : DRAWS;
}

sm_status sm_balance_intervals(const sm_balance_job *job, const sm_balance_fit *fit,
                               sm_balance_result *r)
{
    samples s = {0};
    size_t n = draws_of(job);
    sm_rng rng = sm_rng_seed(job->seed + 1);
    if (!samples_open(&s, job->n_planes, n)) {
        samples_close(&s);
        return SM_E_NOMEM;
    }
    for (size_t i = 0; i < n; i++) {
        draw_once(job, fit, r, &rng, &s);
    }
    /* Draws that cannot be solved are answers that could be anything: too many, no interval. */
    if (s.n >= n - n / 20) {
        summarise(job, r, &s);
    } else {
        r->residual_median = r->residual_p90 = INFINITY;
    }
    samples_close(&s);
    return SM_OK;
}

/* The candidate of a drawn job that is nearest to the answer. */
static double complex nearest(const sm_balance_nophase *f, double complex answer)
{
    return f->n == 2 && cabs(f->correction[1] - answer) < cabs(f->correction[0] - answer)
               ? f->correction[1]
               : f->correction[0];
}

sm_status sm_balance_intervals_no_phase(const sm_balance_job *job, sm_balance_result *r)
{
    samples s = {0};
    size_t n = draws_of(job);
    sm_rng rng = sm_rng_seed(job->seed + 1);
    if (!samples_open(&s, 1, n)) {
        samples_close(&s);
        return SM_E_NOMEM;
    }
    double complex answer = sm_c(r->correction[0]);
    for (size_t i = 0; i < n; i++) {
        double amplitude[SM_BALANCE_RUNS];
        sm_balance_nophase f;
        for (size_t k = 0; k < job->n_runs; k++) {
            amplitude[k] = fabs(job->runs[k].v[0].re + r->scatter[0] * sm_rng_normal(&rng));
        }
        if (sm_balance_fit_amplitudes(job, amplitude, &f, NULL) != SM_OK) {
            continue;
        }
        double complex w = nearest(&f, answer);
        double turn = carg(w * conj(answer)) / SM_DEG;
        s.grams[0][s.n] = cabs(w);
        s.angle[0][s.n] = job->weights_against ? -turn : turn;
        s.residual[s.n++] = cabs(1 - answer / w);
    }
    if (s.n >= n / 2) {
        summarise(job, r, &s);
    } else {
        r->residual_median = r->residual_p90 = INFINITY;
    }
    samples_close(&s);
    return SM_OK;
}
