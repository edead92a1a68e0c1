/* The plan of a recording, from the powertrain's placards and the budget's demands. */
#include "stillmount/plan.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Common practice, no source: long enough for about fifteen frames, short enough for a warm engine.
 */
static const double HOLD_S = 8;
static const double MOVE_S = 4; /* between two holds: at 200 rpm far below 80 rpm per second */
static const double SPARE_S = 1;
/* Holds nearer than this to an avoid range would wander into it. */
static const double CLEAR_RPM = 25;
/* From here to the maximum an engine counts as at full power: common practice, no source. */
static const double FULL_SHARE = 0.95;

typedef struct plan {
    const sm_powertrain *p;
    const sm_budget *b;
    sm_json_doc *doc;
    sm_json *steps;
    sm_json *warnings;
    double total_s;
    double full_left_s; /* of one climb; NaN = not limited */
} plan;

static void warn(plan *w, const char *code, const char *fmt, ...) SM_PRINTF(3, 4);

static void warn(plan *w, const char *code, const char *fmt, ...)
{
    char text[400];
    va_list args;
    va_start(args, fmt);
    (void)vsnprintf(text, sizeof text, fmt, args);
    va_end(args);
    sm_json *o = sm_json_append_object(w->doc, w->warnings);
    sm_json_add_text(w->doc, o, "code", code);
    sm_json_add_text(w->doc, o, "text", text);
}

static void step(plan *w, const char *kind, double rpm, double seconds, const char *text)
{
    sm_json *o = sm_json_append_object(w->doc, w->steps);
    sm_json_add_text(w->doc, o, "kind", kind);
    sm_json_add_number(w->doc, o, "rpm", rpm);
    sm_json_add_number(w->doc, o, "seconds", seconds);
    sm_json_add_text(w->doc, o, "text", text);
    w->total_s += seconds;
}

/* ---- what the logger needs ---- */

static sm_status limit_hz(const plan *w, const sm_limit *l, double *hz, sm_error *err)
{
    *hz = l->hz_hi;
    for (size_t i = 0; i < l->n_curve; i++) {
        *hz = fmax(*hz, l->curve_hz[i]);
    }
    if (l->measure != SM_MEASURE_ORDER) {
        return SM_OK;
    }
    sm_ratio ratio;
    sm_status st = sm_powertrain_order_ratio(w->p, l->order_label, &ratio, err);
    if (st == SM_OK) {
        double reference = sm_powertrain_reference_per(w->p, w->p->rpm_of);
        *hz = fmax(*hz, sm_ratio_value(ratio) * reference * w->b->rpm_hi / 60);
    }
    return st;
}

static double usual_at_least(double v, const double *list, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        if (list[i] >= v) {
            return list[i];
        }
    }
    return ceil(v / 1000) * 1000;
}

/* Largest demand of the limits on one place and role, as a sensor range in g or deg/s. */
static double range_for(const plan *w, const char *place, sm_role role)
{
    static const double accel[] = {4, 8, 16, 32, 64, 100, 200};
    static const double gyro[] = {250, 500, 1000, 2000, 4000};
    bool is_accel = role == SM_ROLE_ACCEL;
    double need = is_accel ? 4 : 250;
    for (size_t i = 0; i < w->b->n_limits; i++) {
        const sm_limit *l = &w->b->limits[i];
        bool own = l->integrations == 0 && !isnan(l->max_si);
        for (size_t k = 0; k < l->n_patterns && own; k++) {
            const sm_pattern *q = &l->patterns[k];
            if (q->role == role && (strcmp(q->place, place) == 0 || strcmp(q->place, "*") == 0)) {
                double max = l->max_si / sm_detector_factor(l->detector);
                max /= is_accel ? SM_G0_M_S2 : 0.017453292519943295;
                /* twice the limit, crest 5, and gravity: common practice, no source */
                need = fmax(need, 10 * max + (is_accel ? 1 : 0));
            }
        }
    }
    return is_accel ? usual_at_least(need, accel, 7) : usual_at_least(need, gyro, 5);
}

static void add_sensor(plan *w, sm_json *list, const char *place, sm_role role)
{
    sm_json *o = sm_json_append_object(w->doc, list);
    sm_json_add_text(w->doc, o, "place", place);
    sm_json_add_text(w->doc, o, "role", role == SM_ROLE_ACCEL ? "accel" : "gyro");
    sm_json_add_number(w->doc, o, "range", range_for(w, place, role));
    sm_json_add_text(w->doc, o, "unit", role == SM_ROLE_ACCEL ? "g" : "deg/s");
}

static void add_sensors(plan *w, sm_json *logger)
{
    sm_json *list = sm_json_add_array(w->doc, logger, "sensors");
    char seen[32][52];
    size_t n = 0;
    for (size_t i = 0; i < w->b->n_limits; i++) {
        for (size_t k = 0; k < w->b->limits[i].n_patterns; k++) {
            const sm_pattern *q = &w->b->limits[i].patterns[k];
            const char *place = strcmp(q->place, "*") == 0 ? "mount" : q->place;
            char key[52];
            (void)snprintf(key, sizeof key, "%d%s", (int)q->role, place);
            bool known = q->role != SM_ROLE_ACCEL && q->role != SM_ROLE_GYRO;
            for (size_t j = 0; j < n && !known; j++) {
                known = strcmp(seen[j], key) == 0;
            }
            if (!known && n < 32) {
                (void)snprintf(seen[n++], sizeof seen[0], "%s", key);
                add_sensor(w, list, place, q->role);
            }
        }
    }
}

static sm_status add_logger(plan *w, sm_json *root, sm_error *err)
{
    static const double rates[] = {200,  400,  500,  800,   1000,  1600,  2000,  2500,  3200,
                                   4000, 5000, 8000, 10000, 16000, 20000, 25600, 32000, 48000};
    double top_hz = 0;
    for (size_t i = 0; i < w->b->n_limits; i++) {
        double hz = 0;
        sm_status st = limit_hz(w, &w->b->limits[i], &hz, err);
        if (st != SM_OK) {
            return st;
        }
        top_hz = hz > top_hz ? hz : top_hz;
        double lowest = w->b->limits[i].hz_lo;
        if (lowest < 4) {
            warn(w, "too-low",
                 "limit %s starts at %g Hz: below 4 Hz one-second frames cannot carry "
                 "it; it will be unassessed",
                 w->b->limits[i].name, lowest);
        }
    }
    top_hz = top_hz > 0 ? top_hz : 200;
    sm_json *o = sm_json_add_object(w->doc, root, "logger");
    sm_json_add_number(w->doc, o, "hz_max", top_hz);
    /* 0.4 of the rate is usable when the filter is known, 0.25 when it is not (scoring 1) */
    sm_json_add_number(w->doc, o, "rate_hz", usual_at_least(4 * top_hz, rates, 18));
    sm_json_add_number(w->doc, o, "rate_least_hz", ceil(top_hz / 0.4));
    sm_json_add_number(w->doc, o, "filter_from_hz", top_hz);
    sm_json_add_text(w->doc, o, "filter_to", "half the rate");
    add_sensors(w, o);
    return SM_OK;
}

/* ---- what to record ---- */

/* Seconds a band needs so that min_seconds and min_turns are met with a little to spare. */
static double band_seconds(const plan *w, double rpm)
{
    const sm_powertrain *p = w->p;
    double reference_rpm = rpm * sm_powertrain_reference_per(p, p->rpm_of);
    double slowest = reference_rpm;
    if (p->has_propeller || p->has_gearbox) {
        slowest = fmin(slowest, reference_rpm / sm_powertrain_reference_per(p, SM_SHAFT_PROP));
    }
    for (size_t i = 0; i < p->n_accessories; i++) {
        if (!p->accessories[i].independent) {
            slowest = fmin(slowest, reference_rpm / sm_ratio_value(p->accessories[i].ratio));
        }
    }
    double turns_s = slowest > 0 ? w->b->min_turns * 60 / slowest : 0;
    return ceil(fmax(w->b->min_seconds, turns_s)) + SPARE_S;
}

/* The middle of the widest part of [lo, hi] that is clear of idle, maximum and avoid ranges. */
static bool hold_rpm(const plan *w, double lo, double hi, double *rpm)
{
    const sm_powertrain *p = w->p;
    lo = p->idle_rpm > lo ? p->idle_rpm : lo;
    hi = p->max_rpm < hi ? p->max_rpm : hi;
    double best = 0;
    double from = lo;
    while (from < hi) {
        double to = hi;
        double next = hi;
        for (size_t i = 0; i < p->n_avoid;
             i++) { /* the first avoid range that reaches beyond from */
            double a = p->avoid_rpm[i][0] - CLEAR_RPM;
            double b = p->avoid_rpm[i][1] + CLEAR_RPM;
            if (b > from && a < to) {
                to = fmax(from, a);
                next = b;
            }
        }
        if (to - from > best) {
            best = to - from;
            *rpm = (from + to) / 2;
        }
        from = to < hi ? next : hi;
    }
    return best >= 10; /* nobody holds an rpm closer than this */
}

static bool is_full_power(const plan *w, double rpm)
{
    return rpm > FULL_SHARE * w->p->max_rpm; /* false when no maximum is given */
}

/* Required bands without a hold: neighbours with one cause are said together. */
static void name_missed(plan *w)
{
    size_t n = sm_budget_bands(w->b);
    for (size_t i = 0; i < n; i++) {
        double lo;
        double hi;
        double rpm;
        sm_budget_band(w->b, i, &lo, &hi);
        if (!sm_budget_band_required(w->b, i) || hold_rpm(w, lo, hi, &rpm)) {
            continue;
        }
        bool outside = hi <= w->p->idle_rpm || lo >= w->p->max_rpm;
        while (i + 1 < n && sm_budget_band_required(w->b, i + 1)) {
            double from;
            double to;
            sm_budget_band(w->b, i + 1, &from, &to);
            bool same = (to <= w->p->idle_rpm || from >= w->p->max_rpm) == outside;
            if (!same || hold_rpm(w, from, to, &rpm)) {
                break;
            }
            hi = to;
            i++;
        }
        warn(w, outside ? "not-reachable" : "avoid",
             "%g-%g rpm is required by the budget but lies %s: no hold is asked for; it will be "
             "named as not covered",
             lo, hi, outside ? "outside idle to maximum" : "in an avoid range: pass through it");
    }
}

static void hold(plan *w, size_t i, const char *direction)
{
    double lo;
    double hi;
    double rpm = 0;
    sm_budget_band(w->b, i, &lo, &hi);
    bool up = strcmp(direction, "up") == 0;
    if (!hold_rpm(w, lo, hi, &rpm)) {
        return;
    }
    double need = band_seconds(w, rpm);
    double seconds = fmax(HOLD_S, need);
    if (is_full_power(w, rpm) && !isnan(w->full_left_s)) {
        double allowed = floor(w->full_left_s - MOVE_S / 2);
        if (allowed < need) {
            if (up) {
                warn(w, "full-power",
                     "%g-%g rpm needs %g s, the full-power seconds leave %g s in one climb: climb "
                     "again after the engine has cooled, or it stays unassessed",
                     lo, hi, need, fmax(0, allowed));
            }
        }
        seconds = fmin(seconds, allowed);
        if (seconds < 1) {
            return;
        }
        w->full_left_s -= seconds + MOVE_S / 2;
    }
    char text[160];
    (void)snprintf(text, sizeof text, "hold for band %g-%g", lo, hi);
    sm_json *o = sm_json_append_object(w->doc, w->steps);
    sm_json_add_text(w->doc, o, "kind", "hold");
    sm_json_add_number(w->doc, o, "rpm",
                       floor(rpm / 5 + 0.5) * 5 >= lo ? floor(rpm / 5 + 0.5) * 5 : rpm);
    sm_json_add_number(w->doc, o, "seconds", seconds);
    sm_json_add_text(w->doc, o, "text", text);
    sm_json_add_text(w->doc, o, "direction", direction);
    sm_json_add_pair(w->doc, o, "band", lo, hi);
    sm_json_add_number(w->doc, o, "least_seconds", need - SPARE_S);
    w->total_s += seconds + MOVE_S;
}

static void holds(plan *w)
{
    size_t n = sm_budget_bands(w->b);
    w->full_left_s = w->p->full_power_s;
    name_missed(w);
    for (size_t i = 0; i < n; i++) {
        if (sm_budget_band_required(w->b, i)) {
            hold(w, i, "up");
        }
    }
    /* Full power once: the way down starts below it. */
    for (size_t i = n; i-- > 0;) {
        double lo;
        double hi;
        double rpm = 0;
        sm_budget_band(w->b, i, &lo, &hi);
        bool full =
            !isnan(w->p->full_power_s) && hold_rpm(w, lo, hi, &rpm) && is_full_power(w, rpm);
        if (sm_budget_band_required(w->b, i) && !full) {
            hold(w, i, "down");
        } else if (full && sm_budget_band_required(w->b, i) && w->b->min_passes > 1) {
            warn(w, "full-power",
                 "%g-%g rpm is at full power and is held once only; the budget wants "
                 "%ld passes: record a second run after cooling",
                 lo, hi, w->b->min_passes);
        }
    }
}

static void add_steps(plan *w, sm_json *root)
{
    const sm_powertrain *p = w->p;
    w->steps = sm_json_add_array(w->doc, root, "steps");
    step(w, "off", 0, 60,
         "engine off, everything electrical on that is on in flight; nobody touches the aircraft");
    step(w, "taps", 0, 30,
         "three firm taps with a knuckle on the sensor's plate along each axis, two seconds apart");
    step(w, "tilt", 0, 30, "nose up, the way its maker allows: hold for 10 s, then level for 5 s");
    step(w, "tilt", 0, 30,
         "right wing down, the way its maker allows: hold for 10 s, then level for 5 s");
    bool idle_avoided = false;
    for (size_t i = 0; i < p->n_avoid; i++) {
        idle_avoided =
            idle_avoided || (p->idle_rpm > p->avoid_rpm[i][0] && p->idle_rpm < p->avoid_rpm[i][1]);
    }
    if (idle_avoided) {
        warn(w, "avoid",
             "idle %g rpm lies in an avoid range: check [operating] in the powertrain file",
             p->idle_rpm);
    } else {
        step(w, "idle", p->idle_rpm, 30,
             "start, warm up as the engine's maker says, then idle without touching anything");
    }
    holds(w);
    if (p->has_engine) {
        step(
            w, "ignition", NAN, 20,
            "ignition check at the rpm the maker gives; call out or mark the time, it looks like a "
            "fault in the log");
    }
    step(w, "cool", idle_avoided ? (double)NAN : p->idle_rpm, 60,
         "cool down as the maker says; keep recording until the propeller stands still and 10 s "
         "more");
}

static sm_status add_head(plan *w, sm_json *root, sm_error *err)
{
    sm_json_add_text(w->doc, root, "schema", "stillmount/plan/1");
    sm_json *program = sm_json_add_object(w->doc, root, "program");
    sm_json_add_text(w->doc, program, "name", "stillmount");
    sm_json_add_text(w->doc, program, "version", sm_version());
    sm_json *p = sm_json_add_object(w->doc, root, "powertrain");
    sm_json_add_text(w->doc, p, "name", w->p->name);
    sm_json_add_text(w->doc, p, "rpm_of", w->p->rpm_of == SM_SHAFT_PROP ? "prop" : "crank");
    sm_json_add_number(w->doc, p, "idle", w->p->idle_rpm);
    sm_json_add_number(w->doc, p, "max", w->p->max_rpm);
    sm_json_add_number(w->doc, p, "full_power_seconds", w->p->full_power_s);
    sm_json *avoid = sm_json_add_array(w->doc, p, "avoid");
    for (size_t i = 0; i < w->p->n_avoid; i++) {
        sm_json_append_pair(w->doc, avoid, w->p->avoid_rpm[i][0], w->p->avoid_rpm[i][1]);
    }
    sm_json *b = sm_json_add_object(w->doc, root, "budget");
    sm_json_add_text(w->doc, b, "name", w->b->name);
    sm_json_add_text(w->doc, b, "source", w->b->source);
    sm_json_add_pair(w->doc, b, "required", w->b->required_lo, w->b->required_hi);
    sm_json_add_integer(w->doc, b, "min_passes", w->b->min_passes);
    w->warnings = sm_json_add_array(w->doc, root, "warnings");
    if (isnan(w->p->max_rpm) || isnan(w->p->idle_rpm)) {
        warn(w, "operating",
             "[operating] in the powertrain file has no %s: write what the makers and "
             "the placards say, the plan cannot know it",
             isnan(w->p->max_rpm) ? "max" : "idle");
    }
    if (!isnan(w->p->max_rpm) && isnan(w->p->full_power_s)) {
        warn(w, "full-power",
             "[operating] has no full_power_seconds: keep the maker's limit at full "
             "power, whatever the seconds below say");
    }
    return add_logger(w, root, err);
}

sm_status sm_plan_make(const sm_powertrain *powertrain, const sm_budget *budget, sm_json_doc *doc,
                       sm_error *err)
{
    plan w = {.p = powertrain, .b = budget, .doc = doc};
    sm_json *root = sm_json_root(doc);
    sm_status st = add_head(&w, root, err);
    if (st != SM_OK) {
        return st;
    }
    add_steps(&w, root);
    sm_json_add_number(doc, root, "total_seconds", w.total_s);
    return sm_json_status(doc) == SM_OK ? SM_OK
                                        : sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
}
