/* What a careful mechanic would say about the numbers. */
#include "balance/balance_internal.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/*
 * Once-per-turn velocity in in/s peak. Common practice, no source, except 0.2: the largest
 * imbalance that a propeller maker's manual permits (chapter 61-00-39, 2020). SM_LEVEL_GOOD: 0.07.
 */
#define LEVEL_ACCEPTED 0.2
#define LEVEL_ROUGH 0.5
#define LEVEL_SEVERE 1.0

void sm_balance_advise(sm_balance_result *r, const char *code, sm_advice_weight weight,
                       const char *fmt, ...)
{
    if (r->n_advice == SM_BALANCE_ADVICE) {
        return;
    }
    sm_balance_advice *a = &r->advice[r->n_advice++];
    va_list list;
    va_start(list, fmt);
    (void)vsnprintf(a->text, sizeof a->text, fmt, list);
    va_end(list);
    (void)snprintf(a->code, sizeof a->code, "%s", code);
    a->weight = weight;
    r->stopped = r->stopped || weight == SM_ADVICE_STOP;
}

double sm_balance_u_per_gmm(double grade_mm_s, double mass_kg, double rpm)
{
    double omega_rad_s = 2 * SM_PI * rpm / 60;
    return grade_mm_s * mass_kg / omega_rad_s * 1000; /* kg mm -> g mm */
}

double sm_balance_to_in_s_pk(const sm_balance_job *job)
{
    static const double inch_m = 0.0254;
    double omega_rad_s = 2 * SM_PI * job->rpm / 60;
    double si_pk =
        job->unit->to_si * sm_detector_factor(SM_PEAK) / sm_detector_factor(job->detector);
    switch (job->unit->quantity) {
    case SM_QUANTITY_VELOCITY:
        return si_pk / inch_m;
    case SM_QUANTITY_DISPLACEMENT:
        return si_pk * omega_rad_s / inch_m;
    case SM_QUANTITY_ACCELERATION:
        return si_pk / omega_rad_s / inch_m;
    default:
        return (double)NAN;
    }
}

static double worst_in_s(const sm_balance_job *job, const sm_phasor *v, size_t n)
{
    double worst = 0;
    for (size_t k = 0; k < n; k++) {
        worst = sm_max(worst, sm_phasor_amplitude(v[k]));
    }
    return worst * sm_balance_to_in_s_pk(job);
}

static void judge_level(const sm_balance_job *job, sm_balance_result *r)
{
    double v = worst_in_s(job, r->original, r->n_readings);
    if (!isfinite(v)) {
        sm_balance_advise(r, "level-not-judged", SM_ADVICE_NOTE,
                          "The level is not judged: to turn %s into a velocity, give --rpm.",
                          job->unit->name);
    } else if (v >= LEVEL_SEVERE) {
        sm_balance_advise(
            r, "too-rough", SM_ADVICE_STOP,
            "As found, %.3g in/s peak is severe (1.0 or more, common practice). No weight is "
            "worked out. Do not run it again. Look for damage, blade track, blade "
            "angle, spinner and mounts, and have the static balance redone first.",
            v);
    } else if (v > LEVEL_ROUGH) {
        sm_balance_advise(
            r, "rough", SM_ADVICE_WARNING,
            "As found, %.3g in/s peak is rough (above 0.5, common practice). Before any weight: "
            "check blade track, blade angle, spinner, engine mounts and damage.",
            v);
    } else if (v > LEVEL_ACCEPTED) {
        sm_balance_advise(
            r, "above-accepted", SM_ADVICE_NOTE,
            "As found, %.3g in/s peak is above the usual acceptance limit of 0.2 (one propeller "
            "maker's manual; yours decides). Balancing is worth while.",
            v);
    } else if (v > SM_LEVEL_GOOD) {
        sm_balance_advise(
            r, "accepted", SM_ADVICE_NOTE,
            "As found, %.3g in/s peak is within the usual acceptance limit of 0.2. Good is 0.07 "
            "or less (common practice).",
            v);
    } else {
        sm_balance_advise(
            r, "good", SM_ADVICE_NOTE,
            "As found, %.3g in/s peak is good (0.07 or less, common practice). It can be left "
            "as it is.",
            v);
    }
}

static void judge_load(const sm_balance_job *job, sm_balance_result *r)
{
    double v0 = sm_phasor_amplitude(r->original[0]);
    double moved =
        job->has_other_load && v0 > 0 ? cabs(sm_c(job->other_load) - sm_c(r->original[0])) / v0 : 0;
    if (moved > 0.5) {
        sm_balance_advise(r, "varies-with-load", SM_ADVICE_STOP,
                          "At the same rpm with another load the vector moved by %.0f %%. What "
                          "follows the load and not the rpm is air, not mass: look at blade angle "
                          "and track. A weight would only fit one load.",
                          100 * moved);
    } else if (moved > 0.2) {
        sm_balance_advise(
            r, "varies-with-load", SM_ADVICE_WARNING,
            "At the same rpm with another load the vector moved by %.0f %%. That part "
            "is air, not mass: check blade angle and track. A weight cures only the "
            "rest.",
            100 * moved);
    }
}

/*
 * The propeller was turned on its flange by d. With P of the propeller and C of the engine side:
 * V1 = P exp(i d) + C when the mark stayed with the crank; V1 = P + C exp(-i d) when the mark went
 * with the propeller.
 */
static void judge_reindex(const sm_balance_job *job, sm_balance_result *r)
{
    if (job->direct_drive && !job->has_reindexed) {
        sm_balance_advise(r, "direct-drive", SM_ADVICE_NOTE,
                          "Direct drive: engine and propeller turn together, so their parts cannot "
                          "be told apart. To find out, turn the propeller on its flange, if its "
                          "maker allows it, run again and give --reindexed and --reindexed-by.");
    }
    if (!job->has_reindexed) {
        return;
    }
    double d = job->weights_against ? -job->reindexed_by_deg : job->reindexed_by_deg;
    double complex turn = sm_cis(d), v0 = sm_c(r->original[0]);
    double complex v1 = sm_c(job->reindexed);
    double complex p, c;
    if (job->mark_on_crank) {
        p = (v1 - v0) / (turn - 1);
        c = v0 - p;
    } else {
        c = (v1 - v0) / (conj(turn) - 1);
        p = v0 - c;
    }
    r->has_reindex = true;
    r->part_propeller = sm_p(p);
    r->part_crank = sm_p(c);
    bool propeller = cabs(p) > cabs(c);
    sm_balance_advise(r, propeller ? "propeller-part" : "engine-part",
                      propeller ? SM_ADVICE_NOTE : SM_ADVICE_WARNING,
                      "Re-indexing tells: %.3g %s goes with the propeller, %.3g %s stays with the "
                      "engine side. %s",
                      cabs(p), job->unit->name, cabs(c), job->unit->name,
                      propeller ? "The propeller is the larger part: balance it."
                                : "The engine side is the larger part: weights on the propeller "
                                  "only cover it up. Look at flange, starter ring, crank end.");
}

/* Direction of the trial: an engine on soft mounts moves as a free mass, so its acceleration is in
 * phase with the force and its velocity a quarter turn behind (above the mount resonance). */
static double hint_angle_deg(const sm_balance_job *job, const sm_balance_result *r)
{
    if (!isfinite(job->sensor_at_deg) || job->no_phase) {
        return (double)NAN;
    }
    double quarter = job->unit->quantity == SM_QUANTITY_VELOCITY       ? 90
                     : job->unit->quantity == SM_QUANTITY_DISPLACEMENT ? 180
                                                                       : 0;
    double heavy = sm_phasor_angle_deg(r->original[0]) + quarter + job->sensor_at_deg;
    double light = heavy + 180;
    return sm_wrap_deg(job->weights_against ? -light : light);
}

static void hint_trial(const sm_balance_job *job, sm_balance_result *r)
{
    static const double usual_kg = 100; /* common practice, no source: a light four-cylinder */
    bool assumed = !isfinite(job->moving_mass_kg);
    double mass_kg = assumed ? usual_kg : job->moving_mass_kg;
    double v_m_s_pk = sm_phasor_amplitude(r->original[0]) * sm_balance_to_in_s_pk(job) * 0.0254;
    double omega_rad_s = 2 * SM_PI * job->rpm / 60;
    r->has_trial_hint = true;
    r->trial_hint_angle_deg = hint_angle_deg(job, r);
    r->trial_hint_g = NAN;
    char where[96];
    if (isfinite(r->trial_hint_angle_deg)) {
        (void)snprintf(where, sizeof where, "at about %.0f degrees", r->trial_hint_angle_deg);
    } else {
        (void)snprintf(where, sizeof where, "at any hole (--sensor-at gives a better first place)");
    }
    if (isfinite(omega_rad_s) && isfinite(job->radius_mm)) {
        /* v = U omega / M; half of the first vector is enough to be seen and not too much. */
        double g = 0.5 * v_m_s_pk * mass_kg / (omega_rad_s * job->radius_mm * 1e-3) * 1000;
        double step = job->step_g > 0 ? job->step_g : g >= 5 ? 1 : 0.5;
        r->trial_hint_g = sm_max(step, step * floor(g / step + 0.5));
        if (isfinite(job->max_hole_g)) {
            r->trial_hint_g = sm_min(r->trial_hint_g, job->max_hole_g);
        }
        sm_balance_advise(r, "trial-weight", SM_ADVICE_NOTE,
                          "Trial weight: about %.3g g %s. The size takes %s as moving mass%s.",
                          r->trial_hint_g, where, assumed ? "100 kg (usual, no source)" : "yours",
                          assumed ? "; --moving-mass gives it" : "");
    } else {
        sm_balance_advise(r, "trial-weight", SM_ADVICE_NOTE,
                          "Trial weight %s. For its size give %s. It should move the vector by "
                          "about half of its length.",
                          where, isfinite(job->rpm) ? "--radius" : "--rpm and --radius");
    }
}

static void judge_iso(const sm_balance_job *job, sm_balance_result *r)
{
    r->u_per_gmm = r->u_before_gmm = r->u_after_gmm = NAN;
    if (!isfinite(job->mass_kg) || !isfinite(job->grade) || !isfinite(job->rpm)) {
        return;
    }
    r->u_per_gmm = sm_balance_u_per_gmm(job->grade, job->mass_kg, job->rpm);
    double a = r->has_influence ? sm_phasor_amplitude(r->influence[0][0]) : 0;
    if (a > 0 && isfinite(job->radius_mm)) {
        r->u_before_gmm = sm_phasor_amplitude(r->original[0]) / a * job->radius_mm;
        if (r->has_check || r->has_predicted) {
            sm_phasor v = r->has_check ? r->check_achieved : r->predicted[0];
            r->u_after_gmm = sm_phasor_amplitude(v) / a * job->radius_mm;
        }
    }
    bool known = isfinite(r->u_after_gmm);
    bool within = known && r->u_after_gmm <= r->u_per_gmm;
    sm_balance_advise(r,
                      !known   ? "iso-grade"
                      : within ? "iso-within"
                               : "iso-over",
                      known && !within ? SM_ADVICE_WARNING : SM_ADVICE_NOTE,
                      "ISO 21940-11, G %.3g for %.4g kg at %.4g rpm permits %.4g g mm%s.",
                      job->grade, job->mass_kg, job->rpm, r->u_per_gmm,
                      !known   ? ""
                      : within ? (r->has_check ? "; what is left is within it"
                                               : "; what should be left is within it")
                               : (r->has_check ? "; what is left is more than that"
                                               : "; what should be left is more than that"));
    r->out_of_tolerance = r->out_of_tolerance || (r->has_check && known && !within);
}

void sm_balance_judge_before(const sm_balance_job *job, sm_balance_result *r)
{
    judge_level(job, r);
    judge_load(job, r);
    judge_reindex(job, r);
}

static void judge_check(const sm_balance_job *job, sm_balance_result *r)
{
    double v = worst_in_s(job, &r->check_achieved, 1);
    double before = sm_phasor_amplitude(r->original[0]);
    double after = sm_phasor_amplitude(r->check_achieved);
    if (after > before) {
        r->out_of_tolerance = true;
        sm_balance_advise(
            r, "worse", SM_ADVICE_STOP,
            "The vibration grew from %.3g to %.3g %s. Take the correction weights off. "
            "A mirrored angle does this: check which way the weight angles are "
            "counted and which way the propeller turns.",
            before, after, job->unit->name);
    } else if (isfinite(v) && v > LEVEL_ACCEPTED) {
        r->out_of_tolerance = true;
        sm_balance_advise(r, "still-above-accepted", SM_ADVICE_WARNING,
                          "After the correction %.3g in/s peak is left: still above 0.2.", v);
    } else if (isfinite(v)) {
        sm_balance_advise(
            r, v <= SM_LEVEL_GOOD ? "achieved-good" : "achieved-accepted", SM_ADVICE_NOTE,
            v <= SM_LEVEL_GOOD ? "After the correction %.3g in/s peak is left: good. Stop "
                                 "here and leave it."
                               : "After the correction %.3g in/s peak is left: within the "
                                 "usual acceptance limit of 0.2.",
            v);
    }
}

void sm_balance_judge_after(const sm_balance_job *job, sm_balance_result *r)
{
    if (r->has_check) {
        judge_check(job, r);
    }
    judge_iso(job, r);
    bool asked = job->has_influence;
    for (size_t i = 0; i < job->n_runs; i++) {
        asked = asked || job->runs[i].kind != SM_BALANCE_ORIGINAL;
    }
    if (!asked && !r->stopped) {
        hint_trial(job, r);
    }
}
