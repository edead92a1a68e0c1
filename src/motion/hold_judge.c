/* hold: criteria, the verdict of each stretch with its cause, and the whole swing. */
#include "core/util.h"
#include "motion/hold_internal.h"
#include "stillmount/ini.h"
#include "stillmount/units.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define DEG (180 / SM_PI)
#define WANDER_MOST 3.0 /* still 1, idle vibration 1.7, rocking about 5, measured */
#define NEAR_WHOLE_TURN (45 / DEG)
#define SLOW_HZ 3.0          /* the aircraft's own motion */
#define LEAST_TURN (5 / DEG) /* between two stops, as for a turn that is a stretch */

sm_hold_criteria sm_hold_criteria_default(void)
{
    double nan = (double)NAN;
    return (sm_hold_criteria){5, nan, nan, nan, nan};
}

bool sm_hold_criteria_any(const sm_hold_criteria *c)
{
    return !isnan(c->gyro_rms_rad_s) || !isnan(c->gyro_peak_rad_s) || !isnan(c->bias_step_rad_s) ||
           !isnan(c->tilt_change_rad);
}

/* "0.2 deg/s", or a bare number in the given unit. */
static sm_status read_value(const sm_ini *ini, const sm_ini_section *s, const char *key,
                            const char *unit, double *out, sm_error *err)
{
    const sm_ini_entry *e = sm_ini_find(s, key);
    const sm_unit *want = sm_unit_find(unit);
    if (!e) {
        return SM_OK;
    }
    sm_measure_value v;
    sm_error why = {0};
    sm_status st = sm_measure_value_read(e->value, &v, &why);
    if (st != SM_OK) {
        return sm_error_set(err, st, ini->source, e->line, "%s: %s", key, why.message);
    }
    const sm_unit *u = v.unit ? v.unit : want;
    if (u->quantity != want->quantity || v.is_psd || v.percent || !(v.value > 0)) {
        return sm_error_set(err, SM_E_VALUE, ini->source, e->line,
                            "%s = %s: a value above 0 in %s is needed", key, e->value, unit);
    }
    *out = v.value * u->to_si;
    return SM_OK;
}

sm_status sm_hold_criteria_read(const char *path, sm_hold_criteria *out, sm_error *err)
{
    static const char *const sections[] = {"hold"};
    static const char *const keys[] = {"seconds", "gyro_rms", "gyro_peak", "bias_step",
                                       "tilt_change"};
    sm_ini ini = {0};
    sm_hold_criteria c = sm_hold_criteria_default();
    sm_status st = sm_ini_read(path, &ini, err);
    if (st != SM_OK) {
        return st;
    }
    const sm_ini_section *s = sm_ini_section_find(&ini, "hold");
    st = sm_ini_check_sections(&ini, sections, 1, err);
    if (st == SM_OK && !s) {
        st = sm_error_set(err, SM_E_FORMAT, path, 0, "no [hold] section");
    }
    st = st == SM_OK ? sm_ini_check_keys(&ini, s, keys, 5, err) : st;
    st = st == SM_OK ? read_value(&ini, s, "seconds", "s", &c.seconds, err) : st;
    st = st == SM_OK ? read_value(&ini, s, "gyro_rms", "deg/s", &c.gyro_rms_rad_s, err) : st;
    st = st == SM_OK ? read_value(&ini, s, "gyro_peak", "deg/s", &c.gyro_peak_rad_s, err) : st;
    st = st == SM_OK ? read_value(&ini, s, "bias_step", "deg/s", &c.bias_step_rad_s, err) : st;
    st = st == SM_OK ? read_value(&ini, s, "tilt_change", "deg", &c.tilt_change_rad, err) : st;
    sm_ini_free(&ini);
    if (st == SM_OK) {
        *out = c;
    }
    return st;
}

const char *sm_hold_kind_text(sm_hold_kind k)
{
    static const char *const names[] = {"off", "idle", "held", "turn"};
    return (int)k < 0 || k > SM_HOLD_TURN ? "unknown" : names[k];
}

const char *sm_hold_verdict_text(sm_hold_verdict v)
{
    return v == SM_HOLD_STILL ? "still" : v == SM_HOLD_RESTLESS ? "restless" : "unassessed";
}

double hold_worst(const double v[3], int *axis)
{
    double most = (double)NAN;
    for (int k = 0; k < 3; k++) {
        if (isfinite(v[k]) && !(fabs(v[k]) <= most)) {
            most = fabs(v[k]);
            *axis = k;
        }
    }
    return most;
}

static const sm_hold_segment *stop_before(const sm_hold *h, size_t i)
{
    while (i-- > 0) {
        if (h->segments[i].kind != SM_HOLD_TURN) {
            return &h->segments[i];
        }
    }
    return NULL;
}

static double half_of(const sm_hold_segment *s, int k)
{
    return s ? 0.5 * (s->bias_hi_rad_s[k] - s->bias_lo_rad_s[k]) : (double)NAN;
}

void hold_off_bias(const sm_hold *h, size_t i, double bias_rad_s[3], double half_rad_s[3])
{
    const sm_hold_segment *around[2] = {NULL, NULL};
    for (size_t j = 0; j < h->n_segments; j++) {
        const sm_hold_segment *s = &h->segments[j];
        if (s->kind == SM_HOLD_OFF && !s->disturbed && j != i) {
            around[j > i] = j < i || !around[1] ? s : around[1];
        }
    }
    for (int k = 0; k < 3; k++) {
        double a = around[0] ? around[0]->bias_rad_s[k] : (double)NAN;
        double b = around[1] ? around[1]->bias_rad_s[k] : (double)NAN;
        bias_rad_s[k] = isnan(a) ? b : isnan(b) ? a : 0.5 * (a + b);
        double a_half = half_of(around[0], k);
        double b_half = half_of(around[1], k);
        half_rad_s[k] = isnan(a) ? b_half : isnan(b) ? a_half : 0.5 * hypot(a_half, b_half);
    }
}

/* Against the engine-off stretches around it, else against the stop before. */
static double bias_step(const sm_hold *h, size_t i, int *axis)
{
    const sm_hold_segment *before = stop_before(h, i);
    double step[3];
    double half[3];
    hold_off_bias(h, i, step, half);
    for (int k = 0; k < 3; k++) {
        double other = isfinite(step[k]) ? step[k] : before ? before->bias_rad_s[k] : (double)NAN;
        step[k] = h->segments[i].bias_rad_s[k] - other;
    }
    return hold_worst(step, axis);
}

/* One criterion: true when it is broken. */
static bool broken(sm_hold_segment *s, const char *code, const char *what, double value,
                   double most, int axis, const char *unit)
{
    if (isnan(most) || !(value > most)) {
        return false;
    }
    hold_reason(s, code, "%s about %c is %.3g %s, %.3g asked", what, "xyz"[axis], value * DEG, unit,
                most * DEG);
    return true;
}

/* Why it moves, in the words for people. */
static void add_cause(sm_hold_segment *s)
{
    double percent = 100 * s->line_share;
    bool alias = strncmp(s->line_label, "alias of ", 9) == 0;
    if (alias && s->cause[0]) { /* said already */
        return;
    }
    if (s->line_label[0]) {
        (void)snprintf(s->cause, sizeof s->cause, "%s", s->line_label);
    }
    if (alias) {
        hold_reason(s, "alias",
                    "%.0f %% of it is a line at %.3g Hz, the %s at %.0f rpm: sampled too slowly it "
                    "looks like %s. Hold with the engine off, or at another rpm",
                    percent, s->line_hz, s->line_label, s->rpm,
                    s->line_hz < SLOW_HZ ? "slow motion" : "another vibration");
    } else if (strcmp(s->line_label, "rocking") == 0) {
        hold_reason(s, "rocking",
                    "%.0f %% of it is slow rocking at %.2g Hz: wind, or someone aboard. Chock the "
                    "wheels and keep off",
                    percent, s->line_hz);
    } else if (s->line_label[0] && strcmp(s->line_label, "unknown") != 0) {
        hold_reason(s, "order",
                    "%.0f %% of it is %s at %.3g Hz: the running engine shakes the mount. Hold at "
                    "another rpm, or with the engine off",
                    percent, s->line_label, s->line_hz);
    } else if (s->disturbed || s->wander > WANDER_MOST) {
        (void)snprintf(s->cause, sizeof s->cause, "the mount was moved");
        hold_reason(s, "moved",
                    "the mount was moved: someone aboard, a gust, a knock. Keep off, and repeat "
                    "this stop");
    } else if (s->line_label[0]) {
        (void)snprintf(s->cause, sizeof s->cause, "a line of unknown origin at %.3g Hz",
                       s->line_hz);
        hold_reason(s, "line", "%.0f %% of it is a line at %.3g Hz that no known order makes",
                    percent, s->line_hz);
    } else if (!s->cause[0]) {
        (void)snprintf(s->cause, sizeof s->cause, "broadband shaking or the gyro's own noise");
        hold_reason(s, "broadband",
                    "no line stands out: broadband shaking, or the gyro's own noise");
    }
}

/* Vibration that folds to 0 Hz has no line and little rms: it is a shift of the mean rate. True
 * when such a shift is there, or cannot be ruled out. */
static bool steady_alias(const sm_hold *h, size_t i)
{
    sm_hold_segment *s = &h->segments[i];
    const hold_order *order = s->kind == SM_HOLD_OFF ? NULL : hold_folds_to_zero(h, s);
    double off[3];
    double half[3];
    bool ruled_out = order != NULL;
    hold_off_bias(h, i, off, half);
    for (int k = 0; k < 3; k++) {
        double width = hypot(half[k], half_of(s, k));
        ruled_out = ruled_out && (h->input[k] < 0 || fabs(s->bias_rad_s[k] - off[k]) <= width);
    }
    if (!order || ruled_out) {
        return false;
    }
    double hz = order->per_rpm_hz * s->rpm;
    (void)snprintf(s->cause, sizeof s->cause, "alias of %s", order->label);
    hold_reason(s, "alias",
                "%s at %.0f rpm is %.1f Hz, which folds to 0 Hz in a log of %.0f rows a second: it "
                "looks like a steady rate, so nobody can say that it is still. Record at %.0f Hz "
                "or more, or hold at another rpm",
                order->label, s->rpm, hz, h->rate_hz, ceil(hz * 2.5 / 50) * 50);
    return true;
}

static int missing_axes(const sm_hold *h)
{
    return (h->input[0] < 0) + (h->input[1] < 0) + (h->input[2] < 0);
}

static void judge_stop(const sm_hold *h, size_t i)
{
    sm_hold_segment *s = &h->segments[i];
    const sm_hold_criteria *c = &h->options.criteria;
    int axis = 0;
    double rms = hold_worst(s->gyro_rms_rad_s, &axis);
    bool bad = broken(s, "gyro-rms", "gyro rms", rms, c->gyro_rms_rad_s, axis, "deg/s");
    double peak = hold_worst(s->gyro_peak_rad_s, &axis);
    bad = broken(s, "gyro-peak", "largest rate", peak, c->gyro_peak_rad_s, axis, "deg/s") || bad;
    double step = bias_step(h, i, &axis);
    bad = broken(s, "bias-step", "the shift of the mean rate", step, c->bias_step_rad_s, axis,
                 "deg/s") ||
          bad;
    if (s->tilt_change_rad > c->tilt_change_rad) {
        hold_reason(s, "tilt-change", "the tilt changed by %.3g deg, %.3g asked",
                    s->tilt_change_rad * DEG, c->tilt_change_rad * DEG);
        bad = true;
    }
    bool unknown = false;
    if (missing_axes(h) > 0) {
        hold_reason(s, "missing-axis", "%d gyro axis is missing: nobody can say that it is still",
                    missing_axes(h));
        unknown = true;
    }
    for (int k = 0; k < 3; k++) {
        if (s->gyro_rms_rad_s[k] < 1e-12) { /* no sensor is as quiet as that */
            hold_reason(s, "dead-channel",
                        "the gyro about %c never changes here: it measures nothing", "xyz"[k]);
            unknown = true;
        }
    }
    if (!isnan(c->bias_step_rad_s) && isnan(step) && s->kind != SM_HOLD_OFF && h->n_segments == 1) {
        hold_reason(s, "no-reference",
                    "one stop alone shows no bias step: record the engine off as well");
        unknown = true;
    }
    if (!isnan(c->tilt_change_rad) && isnan(s->tilt_change_rad)) {
        hold_reason(s, "no-accel", "no accelerometer with gravity in it: tilt is not assessed");
        unknown = true;
    }
    for (int k = 0; k < 3; k++) {
        double reached = s->gyro_peak_rad_s[k] + fabs(s->bias_rad_s[k]);
        if (h->range_rad_s[k] > 0 && reached >= 0.998 * h->range_rad_s[k]) {
            hold_reason(s, "clipped", "the gyro about %c ran into the end of its range", "xyz"[k]);
            unknown = true;
        }
    }
    unknown = steady_alias(h, i) || unknown;
    if (sm_hold_criteria_any(c)) {
        s->still = bad ? 0 : unknown ? -1 : 1;
    }
    if (bad || s->wander > WANDER_MOST || s->disturbed) {
        add_cause(s);
    }
}

/* Idle is what the powertrain file says, else the lowest rpm that was held. */
static void name_idle(sm_hold *h)
{
    double idle = h->idle_rpm;
    for (size_t i = 0; i < h->n_segments && isnan(h->idle_rpm); i++) {
        double rpm = h->segments[i].rpm;
        idle = rpm > 0 && !(idle <= rpm) ? rpm : idle;
    }
    for (size_t i = 0; i < h->n_segments; i++) {
        sm_hold_segment *s = &h->segments[i];
        if (s->kind == SM_HOLD_HELD && s->rpm <= idle * 1.15) {
            s->kind = SM_HOLD_IDLE;
        }
    }
}

sm_hold_verdict hold_judge(sm_hold *h)
{
    name_idle(h);
    bool any = sm_hold_criteria_any(&h->options.criteria);
    size_t n = 0;
    size_t n_still = 0;
    bool restless = false;
    for (size_t i = 0; i < h->n_segments; i++) {
        sm_hold_segment *s = &h->segments[i];
        if (s->kind == SM_HOLD_TURN) {
            s->still = any ? 0 : -1;
            hold_reason(s, "turning", "turning: no hold");
            continue;
        }
        judge_stop(h, i);
        n++;
        n_still += s->still == 1;
        restless = restless || s->still == 0;
    }
    return restless ? SM_HOLD_RESTLESS : n > 0 && n_still == n ? SM_HOLD_STILL : SM_HOLD_UNASSESSED;
}

/* Bias for slice i: mean of the stops before and after it. */
static void bias_at(const sm_hold *h, double t_s, double bias[3])
{
    const sm_hold_segment *before = NULL;
    const sm_hold_segment *after = NULL;
    for (size_t i = 0; i < h->n_segments; i++) {
        const sm_hold_segment *s = &h->segments[i];
        if (s->kind == SM_HOLD_TURN || s->disturbed) {
            continue;
        }
        before = s->from_s <= t_s ? s : before;
        after = !after && s->to_s >= t_s ? s : after;
    }
    for (int k = 0; k < 3; k++) {
        double a = before ? before->bias_rad_s[k] : after ? after->bias_rad_s[k] : 0;
        double b = after ? after->bias_rad_s[k] : a;
        bias[k] = isfinite(a + b) ? 0.5 * (a + b) : 0;
    }
}

double hold_rotation(const sm_hold *h, double from_s, double to_s)
{
    double angle = 0;
    const hold_slice *last = NULL;
    for (size_t i = 0; i < h->n_slices; i++) {
        const hold_slice *s = &h->slices[i];
        if (s->t0_s < from_s - 1e-9 || s->t0_s >= to_s - 1e-9) {
            continue;
        }
        if (s->bad || (last && last->stretch != s->stretch)) {
            return (double)NAN;
        }
        double bias[3];
        bias_at(h, s->t0_s, bias);
        for (int k = 0; k < 3; k++) {
            angle += h->input[k] < 0
                         ? 0
                         : (hold_mean(h, k, i, i) - bias[k]) * h->down[k] * s->n / h->rate_hz;
        }
        last = s;
    }
    return angle;
}

void hold_turns(const sm_hold *h, sm_hold_result *out)
{
    const sm_hold_segment *last = NULL;
    double path = 0; /* to and fro both count; turns shorter than a stretch as well */
    for (size_t i = 0; i < h->n_segments; i++) {
        sm_hold_segment *s = &h->segments[i];
        if (s->kind == SM_HOLD_TURN) {
            /* from the stop before to the stop after, so that the trimmed ends count */
            double from = i > 0 ? h->segments[i - 1].to_s : s->from_s;
            double to = i + 1 < h->n_segments ? h->segments[i + 1].from_s : s->to_s;
            s->turned_rad = hold_rotation(h, from, to);
            continue;
        }
        s->turned_before_rad = last ? hold_rotation(h, last->to_s, s->from_s) : 0;
        s->gyro_heading_rad =
            last ? last->gyro_heading_rad + s->turned_before_rad : 0; /* NaN once over a gap */
        path += isfinite(s->turned_before_rad) ? fabs(s->turned_before_rad) : 0;
        last = s;
    }
    out->turned_rad = (double)NAN;
    out->closure_rad = (double)NAN;
    if (last && path > LEAST_TURN && isfinite(last->gyro_heading_rad)) {
        double angle = last->gyro_heading_rad;
        double whole = 2 * SM_PI * round(angle / (2 * SM_PI));
        out->turned_rad = angle;
        bool near = whole != 0 && fabs(angle - whole) < NEAR_WHOLE_TURN;
        out->closure_rad = near ? angle - whole : (double)NAN;
    }
}
