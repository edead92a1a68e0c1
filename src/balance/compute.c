/* The whole balance job: runs -> coefficient, correction, holes, prediction, advice. */
#include "balance/balance_internal.h"
#include "core/alloc.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* A trial must move the vector by this part of the original, and by this many scatters. */
#define MOVED_MIN 0.3
#define MOVED_SCATTERS 5.0
/* Two runs that should be the same, or one during itself: reported beyond 10 % or 10 degrees. */
#define WANDER_AMPLITUDE 0.1
#define WANDER_DEG 10.0
/* Achieved and predicted differ by more than this part of the original: the job stops. */
#define SURPRISE 0.3
/* Predicted residual, 90 %, of the Monte Carlo: above it the weight is as likely to harm. */
#define P90_MAX 0.8

static bool has_weight(const sm_balance_run *run)
{
    double sum = 0;
    for (size_t p = 0; p < SM_BALANCE_PLANES; p++) {
        sum += sm_phasor_amplitude(run->weight_g[p]);
    }
    return sum > 1e-9 * run->put_g; /* opposite weights leave a rounding error */
}

sm_status sm_balance_job_add(sm_balance_job *job, const sm_balance_run *run, sm_error *err)
{
    if (job->n_runs == SM_BALANCE_RUNS) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0, "more than %d runs", SM_BALANCE_RUNS);
    }
    if (run->kind != SM_BALANCE_ORIGINAL && !has_weight(run)) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0,
                            "'%s': a run with weights whose sum is zero tells nothing", run->text);
    }
    if (job->n_runs && run->n_readings != job->runs[0].n_readings) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0,
                            "run %zu has %zu readings, the first one %zu: the same sensors and "
                            "speeds are needed in every run",
                            job->n_runs + 1, run->n_readings, job->runs[0].n_readings);
    }
    for (size_t k = 0; k < run->n_readings && job->n_runs; k++) {
        double a = run->rpm[k], b = job->runs[0].rpm[k];
        if (isfinite(a) && isfinite(b) && fabs(a - b) > 0.01 * b) {
            return sm_error_set(err, SM_E_VALUE, NULL, 0,
                                "the vectors are from different speeds (%.5g and %.5g rpm): the "
                                "coefficient changes with rpm, so repeat the run within 1 %%",
                                b, a);
        }
    }
    sm_balance_run *r = &job->runs[job->n_runs];
    *r = *run;
    if (job->trial_stays && job->n_runs) {
        for (size_t p = 0; p < SM_BALANCE_PLANES; p++) {
            r->weight_g[p].re += job->runs[job->n_runs - 1].weight_g[p].re;
            r->weight_g[p].im += job->runs[job->n_runs - 1].weight_g[p].im;
        }
        for (size_t i = 0; i < SM_BALANCE_HOLES; i++) {
            r->hole_g[i] += job->runs[job->n_runs - 1].hole_g[i];
        }
    }
    job->n_runs++;
    return SM_OK;
}

void sm_balance_now_on(const sm_balance_job *job, sm_phasor *w)
{
    const sm_balance_run *last = &job->runs[job->n_runs - 1];
    bool on = job->trial_stays || last->kind == SM_BALANCE_CHECK;
    for (size_t p = 0; p < SM_BALANCE_PLANES; p++) {
        w[p] = on ? last->weight_g[p] : (sm_phasor){0, 0};
    }
}

static sm_status check_job(const sm_balance_job *job, sm_error *err)
{
    if (job->n_runs == 0 || job->runs[0].kind != SM_BALANCE_ORIGINAL) {
        return sm_error_set(err, SM_E_FORMAT, NULL, 0,
                            "the original vector is missing: give --original AMPLITUDE@ANGLE, "
                            "measured before any weight");
    }
    if (!job->no_phase && !job->weights_given) {
        return sm_error_set(err, SM_E_FORMAT, NULL, 0,
                            "say which way the weight angles are counted: --weights-count with "
                            "(with the rotation of the propeller) or --weights-count against; the "
                            "wrong one mirrors the answer");
    }
    if (job->no_phase && (job->runs[0].n_readings != 1 || job->n_planes != 1)) {
        return sm_error_set(err, SM_E_FORMAT, NULL, 0,
                            "without phase one sensor and one plane are possible");
    }
    for (size_t i = 0; i < job->n_runs; i++) {
        for (size_t p = job->n_planes; p < SM_BALANCE_PLANES; p++) {
            if (sm_phasor_amplitude(job->runs[i].weight_g[p]) > 0) {
                return sm_error_set(err, SM_E_FORMAT, NULL, 0,
                                    "a weight is in plane %zu, but the job has %zu plane%s: give "
                                    "--planes",
                                    p + 1, job->n_planes, job->n_planes == 1 ? "" : "s");
            }
        }
    }
    if (job->has_influence && job->n_influence != job->runs[0].n_readings) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0,
                            "the known coefficient has %zu readings, the original %zu",
                            job->n_influence, job->runs[0].n_readings);
    }
    return SM_OK;
}

static bool moved_apart(sm_phasor a, sm_phasor b, bool no_phase)
{
    double ma = sm_phasor_amplitude(a), mb = sm_phasor_amplitude(b);
    double turn = fabs(sm_turn_deg(sm_phasor_angle_deg(a) - sm_phasor_angle_deg(b)));
    return fabs(ma - mb) > WANDER_AMPLITUDE * mb || (!no_phase && turn > WANDER_DEG);
}

/* Mean of the original runs, and whether they agree. */
static sm_status originals(const sm_balance_job *job, sm_balance_result *r, sm_error *err)
{
    r->n_readings = job->runs[0].n_readings;
    double largest = 0;
    for (size_t k = 0; k < r->n_readings; k++) {
        double complex sum = 0;
        size_t n = 0;
        for (size_t i = 0; i < job->n_runs; i++) {
            if (job->runs[i].kind == SM_BALANCE_ORIGINAL) {
                sum += sm_c(job->runs[i].v[k]);
                n++;
            }
        }
        r->original[k] = sm_p(sum / (double)n);
        largest = sm_max(largest, sm_phasor_amplitude(r->original[k]));
    }
    if (!(largest > 0)) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0,
                            "the original vibration is zero: there is nothing to balance, or the "
                            "sensor is dead");
    }
    bool apart = false;
    for (size_t i = 0; i < job->n_runs; i++) {
        for (size_t k = 0; k < r->n_readings && job->runs[i].kind == SM_BALANCE_ORIGINAL; k++) {
            apart = apart || moved_apart(job->runs[i].v[k], r->original[k], job->no_phase);
        }
    }
    if (apart) {
        sm_balance_advise(r, "repeats-differ", SM_ADVICE_WARNING,
                          "The runs without weight differ by more than 10 %% or 10 degrees from "
                          "their mean. Find out why before trusting a weight: loose parts, "
                          "wind, rpm not the same, warm and cold.");
    }
    return SM_OK;
}

static void judge_wander(const sm_balance_job *job, sm_balance_result *r)
{
    static const double refuse = 0.3;
    for (size_t i = 0; i < job->n_runs; i++) {
        const sm_balance_run *run = &job->runs[i];
        if (!run->wanders) {
            continue;
        }
        bool stop = run->wander > refuse;
        sm_balance_advise(r, "wanders", stop ? SM_ADVICE_STOP : SM_ADVICE_WARNING,
                          "In run %zu the vector wandered by %.0f %% of its length while the rpm "
                          "was held. An average would hide that. %s",
                          i + 1, 100 * run->wander,
                          stop ? "No weight is worked out: look for something loose, a slipping "
                                 "spinner, oil in the hub, gusts; then repeat the run."
                               : "The intervals are wider for it.");
    }
}

/* Largest movement of a reading from the state before, relative to the original. */
static double moved_by(const sm_balance_job *job, const sm_balance_result *r, size_t i, bool *noisy)
{
    double most = 0;
    *noisy = true;
    for (size_t k = 0; k < r->n_readings; k++) {
        sm_phasor from = job->trial_stays ? job->runs[i - 1].v[k] : r->original[k];
        double move = cabs(sm_c(job->runs[i].v[k]) - sm_c(from));
        double v0 = sm_phasor_amplitude(r->original[k]);
        *noisy = *noisy && move < MOVED_SCATTERS * r->scatter[k];
        most = sm_max(most, v0 > 0 ? move / v0 : (double)INFINITY);
    }
    return most;
}

/* Refuses when a plane has no trial that moved anything; a weak one among good ones is named. */
static void judge_trials(const sm_balance_job *job, sm_balance_result *r)
{
    bool plane_good[SM_BALANCE_PLANES] = {false}, any_weak = false;
    double best = 0;
    for (size_t i = 1; i < job->n_runs; i++) {
        bool noisy;
        if (job->runs[i].kind == SM_BALANCE_ORIGINAL) {
            continue;
        }
        double moved = moved_by(job, r, i, &noisy);
        bool good = moved >= MOVED_MIN && !noisy;
        for (size_t p = 0; p < job->n_planes; p++) {
            plane_good[p] =
                plane_good[p] || (good && sm_phasor_amplitude(job->runs[i].weight_g[p]) > 0);
        }
        any_weak = any_weak || !good;
        best = sm_max(best, moved);
    }
    for (size_t p = 0; p < job->n_planes; p++) {
        if (!plane_good[p]) {
            sm_balance_advise(
                r, "trial-too-small", SM_ADVICE_STOP,
                "The trial weight moved the vector by only %.0f %% of its length; 30 %% and five "
                "times the scatter are needed. This cannot be solved. Use about %.1f times the "
                "weight, within what the propeller's maker allows, or check that it was on.",
                100 * best, best > 0.02 ? sm_min(0.5 / best, 10) : 10);
            return;
        }
    }
    if (any_weak) {
        sm_balance_advise(r, "weak-trial", SM_ADVICE_WARNING,
                          "One of the trials moved the vector by less than 30 %% or five times the "
                          "scatter: it adds little.");
    }
}

static void copy_runs(const sm_balance_job *job, double complex (*v)[SM_BALANCE_READINGS])
{
    for (size_t i = 0; i < job->n_runs; i++) {
        for (size_t k = 0; k < job->runs[0].n_readings; k++) {
            v[i][k] = sm_c(job->runs[i].v[k]);
        }
    }
}

static sm_status fit_job(const sm_balance_job *job, const sm_balance_result *r, sm_balance_fit *fit,
                         sm_error *err)
{
    double complex v[SM_BALANCE_RUNS][SM_BALANCE_READINGS];
    if (!job->has_influence) {
        copy_runs(job, v);
        return sm_balance_fit_runs(job, (const double complex(*)[SM_BALANCE_READINGS])v, fit, err);
    }
    memset(fit, 0, sizeof *fit);
    for (size_t k = 0; k < r->n_readings; k++) {
        fit->v0[k] = sm_c(r->original[k]);
        for (size_t p = 0; p < job->n_planes; p++) {
            fit->a[k][p] = sm_c(job->influence[k][p]);
        }
    }
    return SM_OK;
}

/* Vector of reading k with weights w on beyond the original state. */
static sm_phasor predict(const sm_balance_fit *fit, size_t n_planes, const double complex *w,
                         size_t k)
{
    double complex v = fit->v0[k];
    for (size_t p = 0; p < n_planes; p++) {
        v += fit->a[k][p] * w[p];
    }
    return sm_p(v);
}

/* The last run, if a check: what the runs before it foretold for it. */
static void judge_surprise(const sm_balance_job *job, sm_balance_result *r)
{
    const sm_balance_run *last = &job->runs[job->n_runs - 1];
    if (last->kind != SM_BALANCE_CHECK) {
        return;
    }
    r->has_check = true;
    r->check_achieved = last->v[0];
    r->check_expected = (sm_phasor){NAN, NAN};
    sm_balance_job *before = sm_alloc_array(1, sizeof *before);
    sm_balance_fit fit;
    if (!before) {
        return;
    }
    *before = *job;
    before->n_runs--;
    if (!job->no_phase && fit_job(before, r, &fit, NULL) == SM_OK) {
        double complex w[SM_BALANCE_PLANES];
        for (size_t p = 0; p < SM_BALANCE_PLANES; p++) {
            w[p] = sm_c(last->weight_g[p]);
        }
        r->check_expected = predict(&fit, job->n_planes, w, 0);
        double miss = cabs(sm_c(r->check_expected) - sm_c(r->check_achieved));
        double v0 = sm_phasor_amplitude(r->original[0]);
        if (miss > SURPRISE * v0) {
            sm_balance_advise(r, "not-as-predicted", SM_ADVICE_STOP,
                              "The check run came out %.0f %% of the original away from what was "
                              "predicted. Stop: something is not as it was told here. Check hole, "
                              "weight, direction of counting, rpm, loose parts; then start again "
                              "from a run without weights.",
                              100 * miss / v0);
        }
    }
    sm_free(before);
}

/* Weight of the split, with rotation. */
static double complex split_sum(const sm_balance_job *job, const sm_balance_split *s)
{
    double complex sum = 0;
    for (size_t i = 0; i < s->n_parts; i++) {
        const sm_balance_part *p = &s->parts[i];
        double scale = isfinite(p->radius_mm) ? p->radius_mm / job->radius_mm : 1;
        sum += p->grams * scale * sm_c(sm_phasor_polar(1, p->angle_deg));
    }
    return sm_c(sm_as_counted(job, sm_p(sum)));
}

/* The job with what is in its holes now: found there, and put there by the runs. */
static sm_balance_job *job_as_it_is(const sm_balance_job *job, size_t plane)
{
    const sm_balance_run *last = &job->runs[job->n_runs - 1];
    sm_balance_job *now = sm_alloc_array(1, sizeof *now);
    if (now) {
        *now = *job;
        bool on = job->trial_stays || last->kind == SM_BALANCE_CHECK;
        for (size_t i = 0; i < job->n_holes; i++) {
            now->holes[i].has_g =
                plane ? 0 : job->holes[i].has_g + (on ? sm_max(last->hole_g[i], 0) : 0);
        }
    }
    return now;
}

static sm_status fill_holes(const sm_balance_job *job, sm_balance_result *r, double complex *put,
                            sm_error *err)
{
    for (size_t p = 0; p < job->n_planes && job->n_holes; p++) {
        double g = sm_phasor_amplitude(r->correction[p]);
        if (job->step_g > 0 && g < 0.5 * job->step_g) {
            put[p] = 0;
            sm_balance_advise(r, "below-step", SM_ADVICE_NOTE,
                              "The correction of %.3g g is less than half of the smallest weight: "
                              "leave it.",
                              g);
            continue;
        }
        sm_balance_split ways[SM_BALANCE_SPLITS];
        size_t n_ways = 0;
        sm_error why = {0};
        sm_balance_job *now = job_as_it_is(job, p);
        sm_status st = now ? sm_balance_split_find(now, sm_as_counted(job, r->correction[p]),
                                                   &r->split[p], ways, &n_ways, &why)
                           : SM_E_NOMEM;
        sm_free(now);
        if (st == SM_E_NOMEM) {
            return sm_error_set(err, st, NULL, 0, "out of memory");
        }
        if (st != SM_OK) {
            sm_balance_advise(r, "holes-cannot-hold", SM_ADVICE_STOP, "%s.", why.message);
            continue;
        }
        put[p] = split_sum(job, &r->split[p]);
        if (p == 0) {
            memcpy(r->ways, ways, n_ways * sizeof *ways);
            r->n_ways = n_ways;
        }
    }
    return SM_OK;
}

/* Correction, holes and prediction from a fit. */
static sm_status correct(const sm_balance_job *job, const sm_balance_fit *fit, sm_balance_result *r,
                         sm_error *err)
{
    double complex w[SM_BALANCE_PLANES] = {0}, put[SM_BALANCE_PLANES] = {0};
    sm_error why = {0};
    sm_status st = sm_balance_cancel(fit, r->n_readings, job->n_planes, w, &r->condition, &why);
    if (st == SM_E_SHORT) {
        return sm_error_set(err, st, NULL, 0, "%s", why.message);
    }
    if (st != SM_OK) {
        sm_balance_advise(r, "planes-alike", SM_ADVICE_STOP, "Not solved: %s.", why.message);
        return SM_OK;
    }
    for (size_t p = 0; p < job->n_planes; p++) {
        put[p] = w[p] - sm_c(r->now_on_g[p]);
        r->correction[p] = sm_p(put[p]);
    }
    r->has_correction = r->angle_known = true;
    st = sm_balance_intervals(job, fit, r);
    if (st == SM_OK) {
        st = fill_holes(job, r, put, err);
    }
    for (size_t p = 0; p < job->n_planes; p++) {
        w[p] = put[p] + sm_c(r->now_on_g[p]);
    }
    for (size_t k = 0; k < r->n_readings; k++) {
        r->predicted[k] = predict(fit, job->n_planes, w, k);
    }
    for (size_t i = 0; i < r->n_ways; i++) {
        w[0] = split_sum(job, &r->ways[i]) + sm_c(r->now_on_g[0]);
        r->ways[i].predicted = predict(fit, job->n_planes, w, 0);
    }
    r->has_predicted = true;
    return st;
}

static void judge_gain(const sm_balance_job *job, sm_balance_result *r)
{
    if (!(r->residual_p90 <= P90_MAX)) {
        sm_balance_advise(
            r, "no-gain", SM_ADVICE_STOP,
            "The scatter of the runs is too large for this job: one time in ten the "
            "weight would leave more than 80 %% of the vibration. Repeat the runs, or "
            "use a heavier trial weight within what the maker allows.");
        r->has_correction = r->has_predicted = false;
        return;
    }
    double now = sm_phasor_amplitude(r->check_achieved);
    double left = r->residual_p90 * sm_phasor_amplitude(r->original[0]);
    if (r->has_check && now * sm_balance_to_in_s_pk(job) <= SM_LEVEL_GOOD) {
        r->has_correction = r->has_predicted = false; /* it is good: judge.c says so */
        return;
    }
    if (r->has_check && (now < 2 * r->scatter[0] || left > P90_MAX * now)) {
        sm_balance_advise(r, "no-gain", SM_ADVICE_NOTE,
                          "What is left is hardly more than the scatter from run to run. Another "
                          "weight would only chase it: stop here.");
        r->has_correction = r->has_predicted = false;
        return;
    }
    double put = 0;
    for (size_t i = 0; i < job->n_runs; i++) {
        put = sm_max(put, job->runs[i].put_g);
    }
    if (put > 0 && sm_phasor_amplitude(r->correction[0]) > 3 * put) {
        sm_balance_advise(
            r, "much-heavier", SM_ADVICE_WARNING,
            "The correction is more than three times the trial weight. Put on half of "
            "it first and run again.");
    }
    if (r->scatter_assumed) {
        sm_balance_advise(r, "assumed-scatter", SM_ADVICE_NOTE,
                          "No run was repeated: the intervals take 5 %% scatter from run to run as "
                          "usual (common practice, no source). A repeat of the first run, or a "
                          "second trial a third of a turn away, makes them yours.");
    }
    if (isfinite(r->condition) && r->condition > 7) {
        sm_balance_advise(r, "planes-similar", SM_ADVICE_WARNING,
                          "The two planes act much alike (condition number %.3g): the weights are "
                          "sensitive to small errors.",
                          r->condition);
    }
}

static sm_status with_phase(const sm_balance_job *job, sm_balance_result *r, sm_error *err)
{
    sm_balance_fit fit;
    sm_status st = fit_job(job, r, &fit, err);
    if (st != SM_OK) {
        return st;
    }
    sm_balance_scatter(job, &fit, r);
    if (!job->has_influence) {
        judge_trials(job, r);
    }
    judge_surprise(job, r);
    for (size_t k = 0; k < r->n_readings; k++) {
        for (size_t p = 0; p < job->n_planes; p++) {
            r->influence[k][p] = sm_p(fit.a[k][p]);
        }
    }
    r->has_influence = !r->stopped;
    if (!r->stopped && !(r->has_check && sm_phasor_amplitude(r->check_achieved) >
                                             sm_phasor_amplitude(r->original[0]))) {
        st = correct(job, &fit, r, err);
        if (st == SM_OK && r->has_correction) {
            judge_gain(job, r);
        }
    }
    return st;
}

static sm_status without_phase(const sm_balance_job *job, sm_balance_result *r, sm_error *err)
{
    double amplitude[SM_BALANCE_RUNS], put = 0;
    sm_balance_nophase f;
    sm_balance_fit none = {.spare = 0};
    sm_error why = {0};
    for (size_t i = 0; i < job->n_runs; i++) {
        amplitude[i] = job->runs[i].v[0].re;
        put = sm_max(put, sm_phasor_amplitude(job->runs[i].weight_g[0]));
    }
    sm_balance_scatter(job, &none, r);
    judge_surprise(job, r);
    if (sm_balance_fit_amplitudes(job, amplitude, &f, &why) != SM_OK) {
        sm_balance_advise(r, "not-consistent", SM_ADVICE_STOP, "Not solved: %s.", why.message);
        return SM_OK;
    }
    if (f.mismatch > 0.15) {
        sm_balance_advise(r, "not-consistent", SM_ADVICE_STOP,
                          "The runs contradict each other: two ways to work out the effect of the "
                          "trial weight differ by %.0f %%. Repeat the runs at the same rpm.",
                          100 * f.mismatch);
        return SM_OK;
    }
    if (f.effect * put < MOVED_MIN * sm_phasor_amplitude(r->original[0])) {
        sm_balance_advise(r, "trial-too-small", SM_ADVICE_STOP,
                          "The trial weight moved the vibration by less than 30 %%. This cannot be "
                          "solved. Use a heavier one, within what the propeller's maker allows.");
        return SM_OK;
    }
    for (size_t i = 0; i < f.n; i++) {
        double complex c = f.correction[i] - sm_c(r->now_on_g[0]);
        r->grams_candidates[i] = cabs(c);
        r->angle_candidates_deg[i] = sm_phasor_angle_deg(sm_as_counted(job, sm_p(c)));
    }
    r->n_candidates = f.n;
    r->correction[0] = sm_p(f.correction[0] - sm_c(r->now_on_g[0]));
    r->has_correction = true;
    r->angle_known = f.n == 1;
    sm_status st = sm_balance_intervals_no_phase(job, r);
    if (f.n == 2) {
        sm_balance_advise(
            r, "two-places", SM_ADVICE_WARNING,
            "Without phase two trial runs leave two places: %.3g g at %.1f degrees, or "
            "%.3g g at %.1f. Try the first; if the vibration grows, it is the other.",
            r->grams_candidates[0], r->angle_candidates_deg[0], r->grams_candidates[1],
            r->angle_candidates_deg[1]);
    } else if (st == SM_OK) {
        double complex put_c[SM_BALANCE_PLANES] = {sm_c(r->correction[0])};
        st = fill_holes(job, r, put_c, err);
        double left = cabs(1 - (put_c[0] + sm_c(r->now_on_g[0])) / f.correction[0]);
        r->predicted[0] = sm_phasor_polar(left * sm_phasor_amplitude(r->original[0]), 0);
        r->has_predicted = true;
    }
    if (st == SM_OK) {
        judge_gain(job, r);
    }
    return st;
}

static void empty_result(const sm_balance_job *job, sm_balance_result *r)
{
    r->trial_stays = job->trial_stays;
    r->condition = r->residual_median = r->residual_p90 = NAN;
    r->u_per_gmm = r->u_before_gmm = r->u_after_gmm = NAN;
    r->trial_hint_g = r->trial_hint_angle_deg = NAN;
    for (size_t i = 0; i < job->n_notes; i++) {
        const sm_balance_advice *a = &job->notes[i];
        sm_balance_advise(r, a->code, a->weight, "%s", a->text);
    }
}

void sm_balance_refuse(const sm_balance_job *job, const char *code, const char *why,
                       sm_balance_result *out)
{
    memset(out, 0, sizeof *out);
    empty_result(job, out);
    out->original[0] = (sm_phasor){NAN, NAN};
    out->scatter[0] = NAN;
    out->n_readings = job->n_runs ? job->runs[0].n_readings : 0;
    if (job->n_runs) {
        memcpy(out->original, job->runs[0].v, sizeof out->original);
    }
    sm_balance_advise(out, code, SM_ADVICE_STOP, "%s", why);
}

sm_status sm_balance_compute(const sm_balance_job *job, sm_balance_result *out, sm_error *err)
{
    sm_status st = check_job(job, err);
    if (st != SM_OK) {
        return st;
    }
    sm_balance_result *r = sm_alloc_array(1, sizeof *r);
    if (!r) {
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    empty_result(job, r);
    sm_balance_now_on(job, r->now_on_g);
    st = originals(job, r, err);
    if (st == SM_OK) {
        sm_balance_judge_before(job, r);
        judge_wander(job, r);
    }
    bool asked = job->has_influence;
    for (size_t i = 0; i < job->n_runs; i++) {
        asked = asked || job->runs[i].kind != SM_BALANCE_ORIGINAL;
    }
    if (st == SM_OK && asked && !r->stopped) {
        st = job->no_phase ? without_phase(job, r, err) : with_phase(job, r, err);
    } else if (st == SM_OK) {
        sm_balance_fit none = {.spare = 0};
        sm_balance_scatter(job, &none, r);
    }
    if (st == SM_OK) {
        sm_balance_judge_after(job, r);
        *out = *r;
    }
    sm_free(r);
    return st;
}
