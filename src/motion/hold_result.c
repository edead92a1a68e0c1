/* hold: the whole log's result and the record stillmount/hold/1. */
#include "core/alloc.h"
#include "core/util.h"
#include "motion/hold_internal.h"

#include <math.h>

#define DEG (180 / SM_PI)
#define MICRO 1e6        /* T to uT */
#define STAYED (2 / DEG) /* between two stops: the aircraft did not turn */

static sm_status measure_all(sm_hold *h, sm_error *err)
{
    hold_run *runs = sm_alloc_array(SM_HOLD_MAX_SEGMENTS, sizeof *runs);
    size_t n = runs ? hold_runs(h, runs, SM_HOLD_MAX_SEGMENTS) : SIZE_MAX;
    sm_status st = SM_OK;
    sm_free(h->segments);
    sm_free(h->pairs);
    h->segments = NULL;
    h->pairs = NULL;
    h->n_segments = 0;
    hold_level(h);
    if (n != SIZE_MAX) {
        h->segments = sm_alloc_array(n + 1, sizeof *h->segments);
        h->pairs = sm_alloc_array(2 * n + 1, sizeof *h->pairs);
    }
    if (!h->segments || !h->pairs) {
        st = sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    for (size_t i = 0; st == SM_OK && i < n; i++) {
        st = hold_measure(h, &runs[i], &h->segments[i], err);
        h->n_segments += st == SM_OK;
    }
    sm_free(runs);
    return st;
}

sm_status sm_hold_result_get(sm_hold *h, sm_hold_result *out, sm_error *err)
{
    sm_status st = measure_all(h, err);
    if (st != SM_OK) {
        return st;
    }
    sm_hold_result r = {.verdict = hold_judge(h),
                        .horizontal_field_t = h->horizontal_t,
                        .seconds = (double)h->n_rows / h->rate_hz,
                        .rate_hz = h->rate_hz};
    hold_turns(h, &r);
    hold_name_field_lines(h);
    hold_repeats(h, &r);
    hold_states(h, &r);
    r.segments = h->segments;
    r.n_segments = h->n_segments;
    *out = r;
    return SM_OK;
}

static void add_three(sm_json_doc *doc, sm_json *o, const char *key, const double v[3], double f)
{
    double scaled[3] = {v[0] * f, v[1] * f, v[2] * f};
    sm_json_add_numbers(doc, o, key, scaled, 3);
}

static void adev_json(const sm_hold_segment *s, sm_json_doc *doc, sm_json *o)
{
    sm_json *a = sm_json_add_object(doc, o, "adev");
    sm_json_add_numbers(doc, a, "tau_s", s->tau_s, s->n_taus);
    sm_json *axes = sm_json_add_array(doc, a, "deg_s");
    for (int k = 0; k < 3; k++) {
        sm_json *axis = sm_json_append_array(doc, axes);
        for (size_t t = 0; t < s->n_taus; t++) {
            sm_json_append_number(doc, axis, s->adev_rad_s[k][t] * DEG);
        }
    }
}

static void reasons_json(const sm_hold_segment *s, sm_json_doc *doc, sm_json *o)
{
    sm_json *a = sm_json_add_array(doc, o, "reasons");
    for (size_t i = 0; i < s->n_reasons; i++) {
        sm_json *r = sm_json_append_object(doc, a);
        sm_json_add_text(doc, r, "code", s->reasons[i].code);
        sm_json_add_text(doc, r, "text", s->reasons[i].text);
    }
}

/* Noise terms that a stretch of this length can show: white noise from one second. */
static void noise_json(const sm_hold_segment *s, sm_json_doc *doc, sm_json *o)
{
    double walk[3] = {(double)NAN, (double)NAN, (double)NAN};
    for (size_t t = 0; t < s->n_taus; t++) {
        for (int k = 0; k < 3 && s->tau_s[t] <= 1.0001; k++) { /* the last one up to 1 s */
            walk[k] = s->adev_rad_s[k][t] * sqrt(s->tau_s[t]);
        }
    }
    add_three(doc, o, "angle_random_walk_deg_sqrt_s", walk, DEG);
    sm_json_add_number(doc, o, "useful_seconds", s->useful_s);
}

static void field_lines_json(const sm_hold_segment *s, sm_json_doc *doc, sm_json *o)
{
    sm_json *a = sm_json_add_array(doc, o, "mag_lines");
    for (size_t i = 0; i < s->n_field_lines; i++) {
        const sm_hold_field_line *l = &s->field_lines[i];
        sm_json *line = sm_json_append_object(doc, a);
        sm_json_add_number(doc, line, "hz", l->hz);
        sm_json_add_number(doc, line, "peak_ut", l->pk_t * MICRO);
        sm_json_add_number(doc, line, "heading_deg", l->heading_rad * DEG);
        sm_json_add_text(doc, line, "label", l->label);
    }
}

static void mag_json(const sm_hold *h, const sm_hold_segment *s, const sm_hold_segment *before,
                     sm_json_doc *doc, sm_json *o)
{
    if (s->mag_left_out_s > 0 && s->kind != SM_HOLD_TURN) {
        sm_json_add_number(doc, o, "mag_left_out_s", s->mag_left_out_s);
    }
    if (isnan(s->mag_mean_t[0] + s->mag_mean_t[1] + s->mag_mean_t[2])) {
        return;
    }
    add_three(doc, o, "mag_mean_ut", s->mag_mean_t, MICRO);
    add_three(doc, o, "mag_sd_ut", s->mag_sd_t, MICRO);
    if (s->kind == SM_HOLD_TURN) {
        return;
    }
    sm_json_add_number(doc, o, "mag_heading_deg", s->mag_heading_rad * DEG);
    sm_json_add_number(doc, o, "mag_noise_heading_deg", s->mag_noise_rad * DEG);
    field_lines_json(s, doc, o);
    if (before) {
        double step[3];
        for (int k = 0; k < 3; k++) {
            step[k] = s->mag_mean_t[k] - before->mag_mean_t[k];
        }
        double share = hold_horizontal(h, step) / h->horizontal_t;
        add_three(doc, o, "mag_step_ut", step, MICRO);
        sm_json_add_number(doc, o, "mag_step_heading_deg", asin(sm_min(1, share)) * DEG);
    }
}

static void segment_json(const sm_hold *h, const sm_hold_segment *s, const sm_hold_segment *before,
                         sm_json_doc *doc, sm_json *o)
{
    sm_json_add_text(doc, o, "kind", sm_hold_kind_text(s->kind));
    sm_json_add_number(doc, o, "from_s", s->from_s);
    sm_json_add_number(doc, o, "to_s", s->to_s);
    sm_json_add_number(doc, o, "rpm", s->rpm);
    add_three(doc, o, "gyro_rms_deg_s", s->gyro_rms_rad_s, DEG);
    add_three(doc, o, "bias_deg_s", s->bias_rad_s, DEG);
    sm_json *interval = sm_json_add_array(doc, o, "bias_interval_deg_s");
    for (int k = 0; k < 3; k++) {
        sm_json_append_pair(doc, interval, s->bias_lo_rad_s[k] * DEG, s->bias_hi_rad_s[k] * DEG);
    }
    adev_json(s, doc, o);
    if (s->still < 0) {
        sm_json_add_null(doc, o, "still");
    } else {
        sm_json_add_bool(doc, o, "still", s->still == 1);
    }
    reasons_json(s, doc, o);
    sm_json_add_number(doc, o, "rpm_sd", s->rpm_sd);
    add_three(doc, o, "gyro_peak_deg_s", s->gyro_peak_rad_s, DEG);
    sm_json_add_number(doc, o, "tilt_change_deg", s->tilt_change_rad * DEG);
    sm_json_add_number(doc, o, "wander", s->wander);
    noise_json(s, doc, o);
    if (s->line_label[0]) {
        sm_json *line = sm_json_add_object(doc, o, "line");
        sm_json_add_number(doc, line, "hz", s->line_hz);
        sm_json_add_number(doc, line, "share", s->line_share);
        sm_json_add_text(doc, line, "label", s->line_label);
    } else {
        sm_json_add_null(doc, o, "line");
    }
    sm_json_add_number(doc, o, "turned_deg", s->turned_rad * DEG);
    sm_json_add_number(doc, o, "gyro_heading_deg", s->gyro_heading_rad * DEG);
    sm_json_add_text(doc, o, "cause", s->cause);
    mag_json(h, s, before, doc, o);
}

static void step_json(double step_rad_s, double half_rad_s, sm_json_doc *doc, sm_json *o)
{
    sm_json_add_number(doc, o, "bias_step_deg_s", step_rad_s * DEG);
    sm_json_add_pair(doc, o, "bias_step_interval_deg_s", sm_max(0, step_rad_s - half_rad_s) * DEG,
                     (step_rad_s + half_rad_s) * DEG);
}

static void swing_json(const sm_hold_result *r, sm_json_doc *doc, sm_json *object)
{
    sm_json *o = sm_json_add_object(doc, object, "swing");
    sm_json_add_number(doc, o, "turned_deg", r->turned_rad * DEG);
    sm_json_add_number(doc, o, "closure_deg", r->closure_rad * DEG);
    step_json(r->bias_step_rad_s, r->bias_step_half_rad_s, doc, o);
    sm_json_add_number(doc, o, "quietest_rpm", r->quietest_rpm);
    sm_json_add_number(doc, o, "horizontal_field_ut", r->horizontal_field_t * MICRO);
    sm_json_add_number(doc, o, "repeatability_deg", r->repeat_rad * DEG);
    sm_json_add_number(doc, o, "engine_heading_deg", r->engine_heading_rad * DEG);
}

/* Stops are counted from 1, as the text does: turns count too. */
static void pairs_json(const sm_hold_result *r, sm_json_doc *doc, sm_json *object)
{
    sm_json *a = sm_json_add_array(doc, object, "headings");
    for (size_t i = 0; i < r->n_pairs; i++) {
        const sm_hold_pair *p = &r->pairs[i];
        sm_json *o = sm_json_append_object(doc, a);
        sm_json_add_integer(doc, o, "first", (long long)p->first + 1);
        sm_json_add_integer(doc, o, "second", (long long)p->second + 1);
        sm_json_add_bool(doc, o, "same_engine", p->same_engine);
        sm_json_add_number(doc, o, "first_deg", r->segments[p->first].mag_heading_rad * DEG);
        sm_json_add_number(doc, o, "second_deg", r->segments[p->second].mag_heading_rad * DEG);
        sm_json_add_number(doc, o, "difference_deg", p->difference_rad * DEG);
        sm_json_add_number(doc, o, "gyro_difference_deg", p->gyro_rad * DEG);
    }
}

static void states_json(const sm_hold_result *r, sm_json_doc *doc, sm_json *object)
{
    sm_json *a = sm_json_add_array(doc, object, "states");
    for (size_t i = 0; i < r->n_states; i++) {
        const sm_hold_state *s = &r->states[i];
        sm_json *o = sm_json_append_object(doc, a);
        sm_json_add_text(doc, o, "kind", sm_hold_kind_text(s->kind));
        sm_json_add_number(doc, o, "rpm", s->rpm);
        sm_json_add_integer(doc, o, "stops", (long long)s->n_stops);
        sm_json_add_integer(doc, o, "still", (long long)s->n_still);
        sm_json_add_integer(doc, o, "restless", (long long)s->n_restless);
        sm_json_add_number(doc, o, "seconds", s->seconds);
        sm_json_add_number(doc, o, "gyro_rms_deg_s", s->gyro_rms_rad_s * DEG);
        step_json(s->bias_step_rad_s, s->bias_step_half_rad_s, doc, o);
        sm_json_add_text(doc, o, "cause", s->cause);
    }
    sm_json *o = sm_json_add_object(doc, object, "hold_for");
    sm_json_add_number(doc, o, "least_s", r->hold_least_s);
    sm_json_add_number(doc, o, "most_s", r->hold_most_s);
    a = sm_json_add_array(doc, object, "advice");
    for (size_t i = 0; i < r->n_advice; i++) {
        o = sm_json_append_object(doc, a);
        sm_json_add_text(doc, o, "code", r->advice[i].code);
        sm_json_add_text(doc, o, "text", r->advice[i].text);
    }
}

static void criteria_json(const sm_hold_criteria *c, sm_json_doc *doc, sm_json *object)
{
    sm_json *o = sm_json_add_object(doc, object, "criteria");
    sm_json_add_number(doc, o, "seconds", c->seconds);
    sm_json_add_number(doc, o, "gyro_rms_deg_s", c->gyro_rms_rad_s * DEG);
    sm_json_add_number(doc, o, "gyro_peak_deg_s", c->gyro_peak_rad_s * DEG);
    sm_json_add_number(doc, o, "bias_step_deg_s", c->bias_step_rad_s * DEG);
    sm_json_add_number(doc, o, "tilt_change_deg", c->tilt_change_rad * DEG);
}

static void segments_json(const sm_hold *h, const sm_hold_result *r, sm_json_doc *doc,
                          sm_json *object)
{
    sm_json *segments = sm_json_add_array(doc, object, "segments");
    const sm_hold_segment *before = NULL;
    for (size_t i = 0; i < r->n_segments; i++) {
        const sm_hold_segment *s = &r->segments[i];
        bool turn = s->kind == SM_HOLD_TURN;
        bool stayed = fabs(s->turned_before_rad) < STAYED; /* else the field turned with it */
        segment_json(h, s, turn || !stayed ? NULL : before, doc,
                     sm_json_append_object(doc, segments));
        before = turn ? NULL : s;
    }
}

sm_status sm_hold_json(sm_hold *h, sm_hold_event *events, size_t n_events,
                       const sm_hold_limits *limits, sm_json_doc *doc, sm_json *object,
                       sm_error *err)
{
    sm_hold_result r;
    sm_status st = sm_hold_switched(h, events, n_events, err);
    st = st == SM_OK ? sm_hold_result_get(h, &r, err) : st;
    if (st != SM_OK) {
        return st;
    }
    criteria_json(&h->options.criteria, doc, object);
    segments_json(h, &r, doc, object);
    if (n_events) {
        sm_hold_events(h, events, n_events);
        st = hold_items_json(events, n_events, limits, &r.verdict, doc, object, err);
    }
    sm_json_add_text(doc, object, "verdict", sm_hold_verdict_text(r.verdict));
    swing_json(&r, doc, object);
    pairs_json(&r, doc, object);
    states_json(&r, doc, object);
    return st;
}
