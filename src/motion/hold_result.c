/* hold: the whole log's result and the record stillmount/hold/1. */
#include "core/alloc.h"
#include "core/util.h"
#include "motion/hold_internal.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define DEG (180 / SM_PI)
#define MICRO 1e6 /* T to uT */

static sm_status measure_all(sm_hold *h, sm_error *err)
{
    hold_run *runs = sm_alloc_array(SM_HOLD_MAX_SEGMENTS, sizeof *runs);
    size_t n = runs ? hold_runs(h, runs, SM_HOLD_MAX_SEGMENTS) : SIZE_MAX;
    sm_status st = SM_OK;
    sm_free(h->segments);
    h->segments = NULL;
    h->n_segments = 0;
    if (n != SIZE_MAX) {
        h->segments = sm_alloc_array(n + 1, sizeof *h->segments);
    }
    if (!h->segments) {
        st = sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    for (size_t i = 0; st == SM_OK && i < n; i++) {
        st = hold_measure(h, &runs[i], &h->segments[i], err);
        h->n_segments += st == SM_OK;
    }
    sm_free(runs);
    return st;
}

static double loudest(const sm_hold_segment *s)
{
    double most = 0;
    for (int k = 0; k < 3; k++) {
        most = fmax(most, s->gyro_rms_rad_s[k]);
    }
    return most;
}

/* Engine off against running: the largest shift of the mean rate, and the quietest rpm. */
static void compare_speeds(const sm_hold *h, sm_hold_result *out)
{
    const sm_hold_segment *off = NULL;
    const sm_hold_segment *quiet = NULL;
    for (size_t i = 0; i < h->n_segments; i++) {
        const sm_hold_segment *s = &h->segments[i];
        bool is_off = s->kind == SM_HOLD_OFF && !s->disturbed;
        bool running = s->kind == SM_HOLD_IDLE || s->kind == SM_HOLD_HELD;
        off = is_off && (!off || loudest(s) < loudest(off)) ? s : off;
        quiet = running && (!quiet || loudest(s) < loudest(quiet)) ? s : quiet;
    }
    out->quietest_rpm = quiet ? quiet->rpm : (double)NAN;
    out->bias_step_rad_s = (double)NAN;
    for (size_t i = 0; i < h->n_segments && off; i++) {
        const sm_hold_segment *s = &h->segments[i];
        for (int k = 0; k < 3 && (s->kind == SM_HOLD_IDLE || s->kind == SM_HOLD_HELD); k++) {
            out->bias_step_rad_s =
                fmax(out->bias_step_rad_s, fabs(s->bias_rad_s[k] - off->bias_rad_s[k]));
        }
    }
}

sm_status sm_hold_result_get(sm_hold *h, sm_hold_result *out, sm_error *err)
{
    sm_status st = measure_all(h, err);
    if (st != SM_OK) {
        return st;
    }
    sm_hold_result r = {.verdict = hold_judge(h),
                        .horizontal_field_t = hold_horizontal_field(h),
                        .seconds = (double)h->n_rows / h->rate_hz,
                        .rate_hz = h->rate_hz};
    hold_turns(h, &r);
    compare_speeds(h, &r);
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

static void mag_json(const sm_hold *h, const sm_hold_segment *s, const sm_hold_segment *before,
                     double horizontal_t, sm_json_doc *doc, sm_json *o)
{
    if (isnan(s->mag_mean_t[0] + s->mag_mean_t[1] + s->mag_mean_t[2])) {
        return;
    }
    add_three(doc, o, "mag_mean_ut", s->mag_mean_t, MICRO);
    add_three(doc, o, "mag_sd_ut", s->mag_sd_t, MICRO);
    double noise = hold_horizontal(h, s->mag_sd_t) / horizontal_t;
    sm_json_add_number(doc, o, "mag_noise_heading_deg", asin(sm_min(1, noise)) * DEG);
    if (before) {
        double step[3];
        for (int k = 0; k < 3; k++) {
            step[k] = s->mag_mean_t[k] - before->mag_mean_t[k];
        }
        double share = hold_horizontal(h, step) / horizontal_t;
        add_three(doc, o, "mag_step_ut", step, MICRO);
        sm_json_add_number(doc, o, "mag_step_heading_deg", asin(sm_min(1, share)) * DEG);
    }
}

static void segment_json(const sm_hold *h, const sm_hold_segment *s, const sm_hold_segment *before,
                         double horizontal_t, sm_json_doc *doc, sm_json *o)
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
    mag_json(h, s, before, horizontal_t, doc, o);
}

static void events_json(const sm_hold_event *events, size_t n, sm_json_doc *doc, sm_json *object)
{
    sm_json *a = sm_json_add_array(doc, object, "events");
    for (size_t i = 0; i < n; i++) {
        sm_json *o = sm_json_append_object(doc, a);
        sm_json_add_number(doc, o, "t_s", events[i].t_s);
        sm_json_add_text(doc, o, "item", events[i].item);
        sm_json_add_text(doc, o, "state", events[i].on ? "on" : "off");
        add_three(doc, o, "step_ut", events[i].step_t, MICRO);
        sm_json_add_number(doc, o, "heading_deg", events[i].heading_rad * DEG);
    }
}

/* One item: the mean of its steps, "off" turned round. */
typedef struct item {
    const char *name;
    double heading_rad; /* largest of its events */
    double step_t[3];
    long times;
} item;

static int worst_first(const void *a, const void *b)
{
    double x = ((const item *)a)->heading_rad;
    double y = ((const item *)b)->heading_rad;
    return (x < y) - (x > y);
}

static size_t gather(const sm_hold_event *events, size_t n, item *items)
{
    size_t n_items = 0;
    for (size_t i = 0; i < n; i++) {
        const sm_hold_event *e = &events[i];
        size_t j = 0;
        while (j < n_items && strcmp(items[j].name, e->item) != 0) {
            j++;
        }
        if (!e->measured) {
            continue;
        }
        if (j == n_items) {
            items[n_items++] = (item){.name = e->item};
        }
        items[j].heading_rad = fmax(items[j].heading_rad, e->heading_rad);
        items[j].times++;
        for (int k = 0; k < 3; k++) {
            items[j].step_t[k] += e->on ? e->step_t[k] : -e->step_t[k];
        }
    }
    return n_items;
}

/* Items, worst first. true when one is above a limit. */
static bool items_json(const sm_hold_event *events, size_t n, const sm_hold_limits *limits,
                       item *items, sm_json_doc *doc, sm_json *object)
{
    sm_json *a = sm_json_add_array(doc, object, "items");
    size_t n_items = gather(events, n, items);
    bool any = false;
    qsort(items, n_items, sizeof *items, worst_first);
    for (size_t i = 0; i < n_items; i++) {
        sm_json *o = sm_json_append_object(doc, a);
        double size = 0;
        for (int k = 0; k < 3; k++) {
            double step = items[i].step_t[k] / (double)items[i].times;
            size += step * step;
        }
        bool over =
            limits && (items[i].heading_rad > limits->heading_rad || sqrt(size) > limits->field_t);
        any = any || over;
        sm_json_add_text(doc, o, "item", items[i].name);
        sm_json_add_integer(doc, o, "times", items[i].times);
        add_three(doc, o, "step_on_ut", items[i].step_t, MICRO / (double)items[i].times);
        sm_json_add_number(doc, o, "heading_deg", items[i].heading_rad * DEG);
        sm_json_add_number(doc, o, "field_share_percent",
                           limits ? 100 * sqrt(size) / limits->field_t : (double)NAN);
        sm_json_add_bool(doc, o, "over", over);
    }
    return any;
}

static void swing_json(const sm_hold_result *r, sm_json_doc *doc, sm_json *object)
{
    sm_json *o = sm_json_add_object(doc, object, "swing");
    sm_json_add_number(doc, o, "turned_deg", r->turned_rad * DEG);
    sm_json_add_number(doc, o, "closure_deg", r->closure_rad * DEG);
    sm_json_add_number(doc, o, "bias_step_deg_s", r->bias_step_rad_s * DEG);
    sm_json_add_number(doc, o, "quietest_rpm", r->quietest_rpm);
    sm_json_add_number(doc, o, "horizontal_field_ut", r->horizontal_field_t * MICRO);
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

sm_status sm_hold_json(sm_hold *h, const sm_hold_event *events, size_t n_events,
                       const sm_hold_limits *limits, sm_json_doc *doc, sm_json *object,
                       sm_error *err)
{
    sm_hold_result r;
    item *items = sm_alloc_array(n_events + 1, sizeof *items);
    sm_status st = items ? sm_hold_result_get(h, &r, err)
                         : sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    if (st != SM_OK) {
        sm_free(items);
        return st;
    }
    criteria_json(&h->options.criteria, doc, object);
    sm_json *segments = sm_json_add_array(doc, object, "segments");
    const sm_hold_segment *before = NULL;
    for (size_t i = 0; i < r.n_segments; i++) {
        const sm_hold_segment *s = &r.segments[i];
        bool turn = s->kind == SM_HOLD_TURN;
        segment_json(h, s, turn ? NULL : before, r.horizontal_field_t, doc,
                     sm_json_append_object(doc, segments));
        before = turn ? NULL : s; /* a field is compared only where the heading stayed */
    }
    if (n_events) {
        events_json(events, n_events, doc, object);
        bool over = items_json(events, n_events, limits, items, doc, object);
        r.verdict = over ? SM_HOLD_RESTLESS : r.verdict;
    }
    sm_json_add_text(doc, object, "verdict", sm_hold_verdict_text(r.verdict));
    swing_json(&r, doc, object);
    sm_free(items);
    return SM_OK;
}
