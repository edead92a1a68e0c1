/* A log held against the plan: what of the record is there, and what to do about the rest. */
#include "report/record.h"
#include "stillmount/plan.h"
#include "stillmount/words.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Common practice, no source: seconds within this share of what was asked are enough. */
static const double ENOUGH = 0.9;
enum { MOST_OPEN = 8 }; /* lines of limits without an answer */
static const double HALF_DEG = 3.14159265358979323846 / 360;

typedef enum state { DONE = 0, SHORT, MISSING, CONTRADICTED } state;

typedef struct check {
    const sm_powertrain *p;
    const sm_budget *b;
    const sm_plan_record *r;
    sm_json_doc *doc;
    sm_json *items;
    bool complete;
} check;

static void item(check *c, const char *kind, state s, bool needed, const sm_json *step, double got,
                 const char *fmt, ...) SM_PRINTF(7, 8);

/* One line of the list. step: of the plan, NULL = not about a step; got: seconds, NaN = no seconds.
 */
static void item(check *c, const char *kind, state s, bool needed, const sm_json *step, double got,
                 const char *fmt, ...)
{
    static const char *const states[] = {"done", "short", "missing", "contradicted"};
    char text[400];
    va_list args;
    va_start(args, fmt);
    (void)vsnprintf(text, sizeof text, fmt, args);
    va_end(args);
    sm_json *o = sm_json_append_object(c->doc, c->items);
    sm_json_add_text(c->doc, o, "kind", kind);
    sm_json_add_text(c->doc, o, "state", states[s]);
    sm_json_add_bool(c->doc, o, "needed", needed);
    sm_json_add_number(c->doc, o, "rpm", step ? sm_record_number(step, "rpm") : (double)NAN);
    sm_json_add_number(c->doc, o, "asked_seconds",
                       step ? sm_record_number(step, "seconds") : (double)NAN);
    sm_json_add_number(c->doc, o, "seconds", got);
    const char *direction = step ? sm_record_text(step, "direction") : "";
    if (direction[0]) {
        double lo;
        double hi;
        sm_record_pair(step, "band", &lo, &hi);
        sm_json_add_text(c->doc, o, "direction", direction);
        sm_json_add_pair(c->doc, o, "band", lo, hi);
    }
    sm_json_add_text(c->doc, o, "text", text);
    c->complete = c->complete && !(needed && s != DONE);
}

/* ---- the logger ---- */

static bool is_vibration(const sm_channel *c)
{
    return c->role == SM_ROLE_ACCEL || c->role == SM_ROLE_GYRO;
}

static void check_rate(check *c, const sm_json *logger)
{
    double rate = c->r->rate_hz;
    bool known = true;
    for (size_t i = 0; i < c->r->n_channels; i++) {
        const sm_channel *ch = &c->r->channels[i];
        rate = is_vibration(ch) && ch->native_rate_hz > 0 ? fmin(rate, ch->native_rate_hz) : rate;
        known = known && (!is_vibration(ch) || ch->bandwidth_hz > 0);
    }
    double asked = sm_record_number(logger, "rate_hz");
    double least = sm_record_number(logger, "rate_least_hz");
    double top = sm_record_number(logger, "hz_max");
    double enough = known ? least : asked;
    if (rate >= 0.995 * enough) {
        item(c, "rate", DONE, true, NULL, (double)NAN, "%.5g samples per second", rate);
    } else if (rate >= 0.995 * least) {
        item(c, "rate", SHORT, false, NULL, (double)NAN,
             "%.5g samples per second carry %g Hz only if the filter is known: write bandwidth_hz "
             "in the channels file",
             rate, top);
    } else {
        item(c, "rate", MISSING, true, NULL, (double)NAN,
             "%.5g samples per second cannot carry %g Hz: set the logger to %g or more", rate, top,
             asked);
    }
}

static void check_filter(check *c, const sm_json *logger)
{
    double top = sm_record_number(logger, "hz_max");
    double least = INFINITY;
    double most = 0;
    bool known = true;
    bool guarded = true;
    for (size_t i = 0; i < c->r->n_channels; i++) {
        const sm_channel *ch = &c->r->channels[i];
        if (is_vibration(ch)) {
            known = known && ch->bandwidth_hz > 0;
            guarded = guarded && ch->anti_alias;
            least = fmin(least, ch->bandwidth_hz);
            most = fmax(most, ch->bandwidth_hz);
        }
    }
    if (!known) {
        item(c, "filter", SHORT, false, NULL, (double)NAN,
             "the sensor's low-pass is not stated: write bandwidth_hz in the channels file");
    } else if (least < top) {
        item(c, "filter", MISSING, true, NULL, (double)NAN,
             "the filter ends at %g Hz, %g Hz are asked for: open it, or use another sensor", least,
             top);
    } else if (most > c->r->rate_hz / 2 && !guarded) {
        item(c, "filter", MISSING, true, NULL, (double)NAN,
             "the filter passes %g Hz, more than half the rate: a lower filter, a faster rate, or "
             "anti_alias = yes if something else cuts it",
             most);
    } else {
        item(c, "filter", DONE, true, NULL, (double)NAN, "passes %g Hz", least);
    }
}

static void check_sensor(check *c, const sm_json *sensor)
{
    const char *place = sm_record_text(sensor, "place");
    bool accel = strcmp(sm_record_text(sensor, "role"), "accel") == 0;
    double asked = sm_record_number(sensor, "range");
    double to_si = accel ? SM_G0_M_S2 : 0.017453292519943295;
    const char *unit = sm_record_text(sensor, "unit");
    double range = INFINITY;
    bool stated = true;
    int axes = 0;
    for (size_t i = 0; i < c->r->n_channels; i++) {
        const sm_channel *ch = &c->r->channels[i];
        if (ch->role == (accel ? SM_ROLE_ACCEL : SM_ROLE_GYRO) && strcmp(ch->place, place) == 0) {
            axes++;
            stated = stated && ch->range_si > 0;
            range = fmin(range, ch->range_si / to_si);
        }
    }
    char name[80];
    (void)snprintf(name, sizeof name, "%.48s.%s", place, accel ? "accel" : "gyro");
    if (axes == 0) {
        item(c, "sensor", MISSING, true, NULL, (double)NAN,
             "%s: not in the log; fit one, or name its columns in the channels file", name);
    } else if (!stated) {
        item(c, "sensor", SHORT, false, NULL, (double)NAN,
             "%s: range not stated, write range = in the channels file (%g %s or more)", name,
             asked, unit);
    } else if (range < 0.999 * asked) {
        item(c, "sensor", SHORT, false, NULL, (double)NAN,
             "%s: range %g %s, %g asked for; what clips is not judged", name, range, unit, asked);
    } else {
        item(c, "sensor", DONE, true, NULL, (double)NAN, "%s: %d ax%cs, range %g %s", name, axes,
             axes == 1 ? 'i' : 'e', range, unit);
    }
}

/* ---- engine off ---- */

static void check_off(check *c, const sm_json *step)
{
    double asked = sm_record_number(step, "seconds");
    double got = c->r->ground->off_s;
    if (got >= ENOUGH * asked) {
        item(c, "off", DONE, false, step, got, "engine off, %.0f s", got);
    } else {
        item(c, "off", got > 0 ? SHORT : MISSING, false, step, got,
             "engine off: %.0f s of %.0f; with everything electrical on, nobody touching the "
             "aircraft",
             got, asked);
    }
}

/* The place that carries the attitude sensor, else the first. */
static const sm_ground_place *mount_of(const sm_ground_result *g)
{
    for (size_t i = 0; i < g->n_places; i++) {
        if (strcmp(g->places[i].place, "mount") == 0) {
            return &g->places[i];
        }
    }
    return g->n_places ? &g->places[0] : NULL;
}

static void check_taps(check *c, const sm_json *step)
{
    const sm_ground_place *p = mount_of(c->r->ground);
    const long *n = p ? p->n_taps : NULL;
    if (!n || n[0] + n[1] + n[2] == 0) {
        item(c, "taps", MISSING, false, step, (double)NAN,
             "taps: none seen; engine off, three firm taps with a knuckle on the plate along each "
             "axis");
        return;
    }
    bool all = n[0] >= 3 && n[1] >= 3 && n[2] >= 3;
    char ring[120] =
        "; no ring of a fixing seen (under a stronger hump of the plate it would hide)";
    if (!isnan(p->ring_hz)) {
        (void)snprintf(ring, sizeof ring, "; the sensor's own fixing rings at %.3g Hz: fix it hard",
                       p->ring_hz);
    }
    item(c, "taps", all ? DONE : SHORT, false, step, (double)NAN,
         "taps: %ld along x, %ld along y, %ld along z%s%s", n[0], n[1], n[2],
         all ? "" : "; three firm ones along each are asked for", ring);
}

static void check_tilt(check *c, const sm_json *step, bool nose)
{
    const char *name = nose ? "nose up" : "right wing down";
    const sm_ground_place *p = mount_of(c->r->ground);
    int i = !p ? -1 : nose ? p->i_nose_up : p->i_right_down;
    if (p && p->axes == SM_AXES_CONTRADICTED) {
        item(c, "tilt", CONTRADICTED, true, step, (double)NAN,
             "%s: the tilts in the log do not fit the axes, see the findings", name);
    } else if (i < 0) {
        item(c, "tilt", MISSING, false, step, (double)NAN,
             "%s: not seen; engine off, tilt by 3 degrees or more, hold for 10 s, then level for "
             "5 s",
             name);
    } else {
        const sm_ground_tilt *t = &p->tilts[i];
        double held = t->to_s - t->from_s;
        item(c, "tilt", held >= 5 ? DONE : SHORT, false, step, held,
             "%s: %.1f degrees for %.0f s, from %d:%02d on%s", name, t->angle_rad / HALF_DEG / 2,
             held, (int)t->from_s / 60, (int)t->from_s % 60, held >= 5 ? "" : "; hold it for 10 s");
    }
}

/* ---- engine running ---- */

static double step_s(const sm_plan_record *r, size_t i)
{
    double d = i + 1 < r->n_trace ? r->trace_t_s[i + 1] - r->trace_t_s[i] : 0.1;
    return d > 0 && d < 0.5 ? d : 0.1;
}

/* Longest time without a break inside [lo, hi], from t_s on. */
static double longest(const sm_plan_record *r, double lo, double hi, double from_s)
{
    double best = 0;
    double now = 0;
    for (size_t i = 0; i < r->n_trace; i++) {
        bool inside = r->trace_t_s[i] >= from_s && r->trace_rpm[i] >= lo && r->trace_rpm[i] <= hi;
        now = inside ? now + step_s(r, i) : 0;
        best = fmax(best, now);
    }
    return best;
}

static void check_idle(check *c, const sm_json *step)
{
    double rpm = sm_record_number(step, "rpm");
    double asked = sm_record_number(step, "seconds");
    double width = fmax(100, 0.06 * rpm);
    double got = longest(c->r, rpm - width, rpm + width, 0);
    if (got >= ENOUGH * asked) {
        item(c, "idle", DONE, false, step, got, "idle near %.0f rpm for %.0f s", rpm, got);
    } else {
        item(c, "idle", got >= 1 ? SHORT : MISSING, false, step, got,
             "idle near %.0f rpm: %.0f s of %.0f", rpm, got, asked);
    }
}

/* Seconds in a band by how it was entered: from below, or from standing still, is rising. Where the
 * rpm turns round inside the band, as in the topmost one, each way has half of them. */
static void band_seconds(const sm_plan_record *r, double lo, double hi, double *up, double *down)
{
    double stay = 0;
    bool from_above = false;
    double last = NAN;
    *up = *down = 0;
    for (size_t i = 0; i <= r->n_trace; i++) {
        double rpm = i < r->n_trace ? r->trace_rpm[i] : (double)NAN;
        bool inside = rpm >= lo && rpm < hi;
        if (inside && stay == 0) {
            from_above = last >= hi;
        }
        if (!inside && stay > 0) {
            bool turned = from_above ? rpm >= hi : rpm < lo;
            *(from_above ? down : up) += turned ? stay / 2 : stay;
            *(from_above ? up : down) += turned ? stay / 2 : 0;
            stay = 0;
        }
        stay += inside ? step_s(r, i) : 0;
        last = rpm;
    }
}

static void check_hold(check *c, const sm_json *step)
{
    double lo;
    double hi;
    double up_s;
    double down_s;
    sm_record_pair(step, "band", &lo, &hi);
    band_seconds(c->r, lo, hi, &up_s, &down_s);
    bool up = strcmp(sm_record_text(step, "direction"), "up") == 0;
    double got = up ? up_s : down_s;
    double least = sm_record_number(step, "least_seconds");
    double asked = sm_record_number(step, "seconds");
    bool enough = got >= least;
    /* one way is enough for a verdict, unless the budget wants both */
    bool needed = c->b->min_passes > 1 ? !enough : fmax(up_s, down_s) < least;
    char rpm[32];
    (void)snprintf(rpm, sizeof rpm, "%.0f rpm", sm_record_number(step, "rpm"));
    const char *way = up ? "rising" : "falling";
    if (enough) {
        item(c, "hold", DONE, false, step, got, "%g-%g rpm %s: %.0f s", lo, hi, way, got);
    } else {
        item(c, "hold", got >= 0.5 ? SHORT : MISSING, needed, step, got,
             "%g-%g rpm %s: %.1f s, %g at least; hold %s for %g s", lo, hi, way, got, least, rpm,
             asked);
    }
}

static bool has_word(const char *text, const char *word)
{
    size_t n = strlen(word);
    for (; *text; text++) {
        size_t k = 0;
        while (k < n && tolower((unsigned char)text[k]) == word[k]) {
            k++;
        }
        if (k == n) {
            return true;
        }
    }
    return false;
}

static double rpm_at(const sm_plan_record *r, double t_s)
{
    size_t lo = 0;
    size_t hi = r->n_trace;
    while (lo < hi) {
        size_t mid = (lo + hi) / 2;
        lo = r->trace_t_s[mid] < t_s ? mid + 1 : lo;
        hi = r->trace_t_s[mid] < t_s ? hi : mid;
    }
    return lo < r->n_trace && r->trace_t_s[lo] - t_s < 0.5 ? r->trace_rpm[lo] : (double)NAN;
}

/* A held rpm that drops by one to eight hundredths for some seconds and comes back; NaN = none. */
static double find_drop(const sm_plan_record *r)
{
    static const double widths_s[] = {3, 5, 8};
    for (size_t i = 0; i < r->n_trace; i++) {
        for (size_t k = 0; k < 3; k++) {
            double t = r->trace_t_s[i];
            double before = rpm_at(r, t - widths_s[k]);
            double earlier = rpm_at(r, t - widths_s[k] - 2);
            double after = rpm_at(r, t + widths_s[k]);
            double later = rpm_at(r, t + widths_s[k] + 2);
            double held = (before + earlier + after + later) / 4;
            double spread = fmax(fmax(before, earlier), fmax(after, later)) -
                            fmin(fmin(before, earlier), fmin(after, later));
            double drop = 1 - r->trace_rpm[i] / held;
            double soon = 1 - rpm_at(r, t + 1) / held;
            if (spread < 0.01 * held && drop > 0.015 && drop < 0.08 && soon > 0.015) {
                return t;
            }
        }
    }
    return NAN;
}

static void check_ignition(check *c, const sm_json *step)
{
    const char *notes = c->r->notes;
    double at = find_drop(c->r);
    if (has_word(notes, "ignition") || has_word(notes, "magneto") || has_word(notes, "mag check")) {
        item(c, "ignition", DONE, false, step, (double)NAN, "ignition check: marked in the notes");
    } else if (!isnan(at)) {
        item(c, "ignition", SHORT, false, step, (double)NAN,
             "ignition check: a drop near %d:%02d looks like it; write its time into note = of "
             "the run file",
             (int)at / 60, (int)at % 60);
    } else {
        item(c, "ignition", MISSING, false, step, (double)NAN,
             "ignition check: neither marked nor seen; write its time into note = of the run file");
    }
}

static void check_cool(check *c, const sm_json *step)
{
    const sm_plan_record *r = c->r;
    double idle = sm_record_number(step, "rpm");
    double asked = sm_record_number(step, "seconds");
    if (isnan(idle)) {
        return;
    }
    double top = fmax(idle + 100, 1.1 * idle);
    double from_s = 0;
    double end_s = 0;
    for (size_t i = 0; i < r->n_trace; i++) {
        from_s = r->trace_rpm[i] > top ? r->trace_t_s[i] : from_s;
        end_s = r->trace_rpm[i] > 0 ? r->trace_t_s[i] : end_s;
    }
    double got = longest(r, 0.5 * idle, top, from_s);
    bool stopped = false;
    for (size_t i = 0; i < r->ground->n_off; i++) {
        stopped = stopped || r->ground->off[i].from_s > end_s - 1;
    }
    state s = got >= ENOUGH * asked && stopped ? DONE : got >= 1 ? SHORT : MISSING;
    item(c, "cool", s, false, step, got, "cool-down: %.0f s of %.0f after the last hold%s", got,
         asked,
         stopped ? ", and the engine stopped" : "; record on until 10 s after the engine stopped");
}

static void check_step(check *c, const sm_json *step, bool *nose_done)
{
    const char *kind = sm_record_text(step, "kind");
    if (strcmp(kind, "off") == 0) {
        check_off(c, step);
    } else if (strcmp(kind, "taps") == 0) {
        check_taps(c, step);
    } else if (strcmp(kind, "tilt") == 0) {
        check_tilt(c, step, !*nose_done);
        *nose_done = true;
    } else if (strcmp(kind, "idle") == 0) {
        check_idle(c, step);
    } else if (strcmp(kind, "hold") == 0) {
        check_hold(c, step);
    } else if (strcmp(kind, "ignition") == 0) {
        check_ignition(c, step);
    } else if (strcmp(kind, "cool") == 0) {
        check_cool(c, step);
    }
}

/* ---- the verdict itself ---- */

static bool has_reason(const sm_json *result, const char *const *codes)
{
    const sm_json *reasons = sm_json_get(result, "reasons");
    for (size_t i = 0; i < sm_json_size(reasons); i++) {
        for (size_t k = 0; codes[k]; k++) {
            if (strcmp(sm_record_text(sm_json_at(reasons, i), "code"), codes[k]) == 0) {
                return true;
            }
        }
    }
    return false;
}

/* Required bands, those without an answer to some limit, and those that more record would help. */
typedef struct answers {
    size_t bands;
    size_t open;
    size_t thin;
} answers;

static answers count_answers(const sm_json *assessment)
{
    static const char *const record[] = {"hold-longer",       "not-proven",      "too-few-passes",
                                         "bandwidth-assumed", "over-not-proven", NULL};
    answers n = {0};
    const sm_json *bands = sm_json_get(assessment, "bands");
    for (size_t b = 0; b < sm_json_size(bands); b++) {
        const sm_json *band = sm_json_at(bands, b);
        const sm_json *results = sm_json_get(band, "results");
        bool open = sm_json_size(results) == 0;
        bool thin = false;
        for (size_t k = 0; k < sm_json_size(results); k++) {
            const sm_json *r = sm_json_at(results, k);
            open |= strcmp(sm_record_text(r, "verdict"), "unassessed") == 0;
            thin |= strcmp(sm_record_text(r, "verdict"), "thin") == 0 && has_reason(r, record);
        }
        if (sm_json_bool(sm_json_get(band, "required"), false)) {
            n.bands++;
            n.open += open;
            n.thin += thin && !open;
        }
    }
    return n;
}

/* What assess makes of this log: never more is promised than it grants. */
static void check_answers(check *c)
{
    if (c->r->no_assessment) {
        item(c, "answers", MISSING, true, NULL, (double)NAN, "no answers: %s", c->r->no_assessment);
    }
    if (!c->r->assessment) {
        return;
    }
    answers n = count_answers(c->r->assessment);
    if (n.open || n.bands == 0) {
        item(c, "answers", n.open < n.bands ? SHORT : MISSING, true, NULL, (double)NAN,
             "answers: assess leaves %zu of %zu required bands without one", n.open, n.bands);
    } else {
        item(c, "answers", DONE, true, NULL, (double)NAN,
             "answers: assess has one for each of the %zu required bands", n.bands);
    }
    sm_text line = {0};
    for (size_t i = 0; i < MOST_OPEN && sm_words_open_required(c->r->assessment, i, &line); i++) {
        item(c, "answers", MISSING, true, NULL, (double)NAN, "%s", line.s ? line.s : "");
        sm_text_free(&line);
    }
    sm_text_free(&line);
    if (n.thin) {
        item(c, "answers", SHORT, false, NULL, (double)NAN,
             "%zu of the required bands come out thin until more is recorded or stated: assess "
             "says what",
             n.thin);
    }
}

sm_status sm_plan_check(const sm_powertrain *powertrain, const sm_budget *budget,
                        const sm_plan_record *record, sm_json_doc *doc, sm_json *object,
                        bool *complete, sm_error *err)
{
    sm_json_doc *plan = NULL;
    sm_status st = sm_json_open(&plan);
    if (st != SM_OK) {
        return sm_error_set(err, st, NULL, 0, "out of memory");
    }
    st = sm_plan_make(powertrain, budget, plan, err);
    if (st == SM_OK) {
        const sm_json *root = sm_json_root(plan);
        const sm_json *logger = sm_json_get(root, "logger");
        sm_json *o = sm_json_add_object(doc, object, "plan");
        check c = {powertrain, budget, record, doc, NULL, true};
        sm_json_add_text(doc, o, "powertrain", powertrain->name);
        sm_json_add_text(doc, o, "budget", budget->name);
        c.items = sm_json_add_array(doc, o, "items");
        check_rate(&c, logger);
        check_filter(&c, logger);
        const sm_json *sensors = sm_json_get(logger, "sensors");
        for (size_t i = 0; i < sm_json_size(sensors); i++) {
            check_sensor(&c, sm_json_at(sensors, i));
        }
        bool nose_done = false;
        const sm_json *steps = sm_json_get(root, "steps");
        for (size_t i = 0; i < sm_json_size(steps); i++) {
            check_step(&c, sm_json_at(steps, i), &nose_done);
        }
        check_answers(&c);
        sm_json_add_bool(doc, o, "complete", c.complete);
        *complete = c.complete;
    }
    sm_json_close(&plan);
    return st;
}
