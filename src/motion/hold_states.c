/* hold: engine off against idle against taxi rpm, and what to do. */
#include "core/util.h"
#include "motion/hold_internal.h"
#include "stillmount/stats.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#define DEG (180 / SM_PI)

static sm_hold_state *state_of(const sm_hold_segment *s, sm_hold_result *out)
{
    for (size_t i = 0; i < out->n_states; i++) {
        sm_hold_state *e = &out->states[i];
        bool off = e->kind == SM_HOLD_OFF && s->kind == SM_HOLD_OFF;
        bool near = e->kind != SM_HOLD_OFF && s->kind != SM_HOLD_OFF &&
                    fabs(e->rpm - s->rpm) < sm_max(80, 0.06 * e->rpm);
        if (off || near) {
            return e;
        }
    }
    if (out->n_states == SM_HOLD_STATES) {
        return NULL;
    }
    sm_hold_state *e = &out->states[out->n_states++];
    *e = (sm_hold_state){.kind = s->kind,
                         .bias_step_rad_s = (double)NAN,
                         .bias_step_half_rad_s = (double)NAN,
                         .noise_rad_s = (double)NAN,
                         .useful_s = (double)NAN};
    return e;
}

/* White noise of the worst axis, from the Allan deviation at 1 s or the last time before. */
static double noise_of(const sm_hold_segment *s)
{
    double most = (double)NAN;
    for (int k = 0; k < 3; k++) {
        double at = (double)NAN;
        for (size_t t = 0; t < s->n_taus && s->tau_s[t] <= 1.0001; t++) {
            at = s->adev_rad_s[k][t] * sqrt(s->tau_s[t]);
        }
        most = fmax(most, at);
    }
    return most;
}

static void add_stop(const sm_hold *h, size_t i, sm_hold_state *e)
{
    const sm_hold_segment *s = &h->segments[i];
    int axis = 0;
    double off[3];
    double n = (double)e->n_stops++;
    double half[3];
    hold_off_bias(h, i, off, half);
    e->rpm = (e->rpm * n + s->rpm) / (n + 1);
    e->kind = s->kind == SM_HOLD_IDLE ? SM_HOLD_IDLE : e->kind;
    e->seconds += s->to_s - s->from_s;
    e->n_still += s->still == 1;
    e->n_restless += s->still == 0;
    e->gyro_rms_rad_s = fmax(e->gyro_rms_rad_s, hold_worst(s->gyro_rms_rad_s, &axis));
    e->noise_rad_s = fmax(e->noise_rad_s, noise_of(s));
    e->useful_s = fmax(e->useful_s, s->useful_s);
    e->seen_s = fmax(e->seen_s, s->n_taus > 0 ? s->tau_s[s->n_taus - 1] : 0);
    for (int k = 0; k < 3 && s->kind != SM_HOLD_OFF; k++) {
        double step = fabs(s->bias_rad_s[k] - off[k]);
        if (!(step <= e->bias_step_rad_s) && !isnan(step)) {
            e->bias_step_rad_s = step;
            e->bias_step_half_rad_s =
                hypot(half[k], (s->bias_hi_rad_s[k] - s->bias_lo_rad_s[k]) / 2);
        }
    }
    if (s->cause[0] && !e->cause[0]) {
        (void)memcpy(e->cause, s->cause, sizeof e->cause);
    }
}

/* Off first, then rising rpm. */
static void sort_states(sm_hold_result *out)
{
    for (size_t i = 1; i < out->n_states; i++) {
        for (size_t k = i; k > 0 && out->states[k].rpm < out->states[k - 1].rpm; k--) {
            sm_hold_state swap = out->states[k];
            out->states[k] = out->states[k - 1];
            out->states[k - 1] = swap;
        }
    }
}

static void advise(sm_hold_result *out, const char *code, const char *fmt, ...) SM_PRINTF(3, 4);

static void advise(sm_hold_result *out, const char *code, const char *fmt, ...)
{
    if (out->n_advice == SM_HOLD_ADVICE) {
        return;
    }
    sm_drift_reason *r = &out->advice[out->n_advice++];
    (void)snprintf(r->code, sizeof r->code, "%s", code);
    va_list list;
    va_start(list, fmt);
    (void)vsnprintf(r->text, sizeof r->text, fmt, list);
    va_end(list);
}

static bool all_still(const sm_hold_state *e)
{
    return e->n_stops > 0 && e->n_still == e->n_stops;
}

/* The running state to hold at: all its stops still, and the quietest of those. NULL: none. */
static const sm_hold_state *best_running(const sm_hold_result *out, bool judged)
{
    const sm_hold_state *best = NULL;
    for (size_t i = 0; i < out->n_states; i++) {
        const sm_hold_state *e = &out->states[i];
        bool can = e->kind != SM_HOLD_OFF && (!judged || all_still(e));
        if (can && (!best || e->gyro_rms_rad_s < best->gyro_rms_rad_s)) {
            best = e;
        }
    }
    return best;
}

/* known: the log has a speed, so that stops without one are known to be without the engine. */
static void advise_rpm(sm_hold_result *out, bool judged, bool known, const sm_hold_state *off,
                       const sm_hold_state *run)
{
    bool ran = out->n_states > (off != NULL);
    if (!judged && run) {
        advise(out, "quietest", "Quietest with the engine running: %.0f rpm, %.3g deg/s rms",
               run->rpm, run->gyro_rms_rad_s * DEG);
        return;
    }
    if (!judged) {
        return;
    }
    if (off && !known) {
        advise(out, "no-speed", "%zu of %zu stops passed, engine off or not: the log does not say",
               off->n_still, off->n_stops);
    } else if (off && all_still(off)) {
        advise(out, "hold-engine-off", "Hold with the engine off: %s there passed",
               off->n_stops == 1 ? "the one stop" : "every stop");
    } else if (off && off->n_restless > 0) {
        advise(out, "engine-off-restless",
               "Even with the engine off %zu of %zu stops failed: it is not the engine that moves "
               "the mount there. See the cause at each stop",
               off->n_restless, off->n_stops);
    }
    if (run) {
        advise(out, "hold-running", "With the engine running hold at %.0f rpm: %s there passed",
               run->rpm, run->n_stops == 1 ? "the one stop" : "every stop");
    } else if (ran) {
        advise(out, "none-running",
               "No rpm in this log is still enough to hold at with the engine running%s",
               off && all_still(off) ? "" : ". Record the engine off, idle and several taxi rpm");
    }
}

/* How long: what was asked; enough for the mean to show the step asked about; when it ends. */
static void advise_seconds(const sm_hold *h, sm_hold_result *out, const sm_hold_state *best)
{
    const sm_hold_criteria *c = &h->options.criteria;
    double least = c->seconds;
    const char *why = "";
    if (!isnan(c->bias_step_rad_s) && isfinite(best->noise_rad_s)) {
        /* three sigma on a difference of two means of white noise: T >= 9 n^2 / s^2 per side, with
         * n^2 the one-sided density, twice the squared deviation at 1 s */
        double need = 18 * pow(best->noise_rad_s / c->bias_step_rad_s, 2);
        why =
            need > least ? ", so that the noise of this gyro cannot hide the step asked about" : "";
        least = sm_max(least, need);
    }
    out->hold_least_s = least;
    out->hold_most_s = best->useful_s;
    if (best->useful_s > least) {
        advise(out, "seconds", "Hold for %.0f to %.0f s%s; longer makes the mean rate no better",
               ceil(least), ceil(best->useful_s), why);
    } else if (isfinite(best->useful_s)) {
        advise(out, "seconds",
               "Hold for %.0f s%s; beyond %.2g s of averaging the mean rate gets no better",
               ceil(least), why, best->useful_s);
    } else {
        advise(out, "seconds",
               "Hold for at least %.0f s%s. Longer still helps: as far as stops of this length can "
               "show, %.2g s of averaging, the mean rate was still getting better",
               ceil(least), why, best->seen_s);
    }
}

/* The largest of n differences: its interval holds for all n of them (Bonferroni). */
static double for_all(size_t n)
{
    return sm_normal_quantile(1 - 0.025 / (double)n) / sm_normal_quantile(0.975);
}

void hold_states(const sm_hold *h, sm_hold_result *out)
{
    bool judged = sm_hold_criteria_any(&h->options.criteria);
    bool known = !h->options.no_speed;
    out->n_states = 0;
    out->n_advice = 0;
    out->hold_least_s = (double)NAN;
    out->hold_most_s = (double)NAN;
    for (size_t i = 0; i < h->n_segments; i++) {
        sm_hold_state *e =
            h->segments[i].kind == SM_HOLD_TURN ? NULL : state_of(&h->segments[i], out);
        if (e) {
            add_stop(h, i, e);
        }
    }
    sort_states(out);
    const sm_hold_state *off =
        out->n_states > 0 && out->states[0].kind == SM_HOLD_OFF ? &out->states[0] : NULL;
    const sm_hold_state *run = best_running(out, judged);
    out->quietest_rpm = best_running(out, false) ? best_running(out, false)->rpm : (double)NAN;
    out->bias_step_rad_s = (double)NAN;
    out->bias_step_half_rad_s = (double)NAN;
    for (size_t i = 0; i < out->n_states; i++) {
        sm_hold_state *e = &out->states[i];
        e->bias_step_half_rad_s *= for_all(3 * e->n_stops);
        if (!isnan(e->bias_step_rad_s) && !(e->bias_step_rad_s <= out->bias_step_rad_s)) {
            out->bias_step_rad_s = e->bias_step_rad_s;
            out->bias_step_half_rad_s = e->bias_step_half_rad_s;
        }
    }
    advise_rpm(out, judged, known, off, run);
    const sm_hold_state *best = off && (!judged || all_still(off)) ? off : run;
    if (best) {
        advise_seconds(h, out, best);
    }
}
