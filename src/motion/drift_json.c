/* drift: the record stillmount/drift/1, from which text and pictures are made. */
#include "core/util.h"
#include "motion/drift_internal.h"

#include <math.h>

#define DEG (180 / SM_PI)
#define DEG_H (DEG * 3600)

enum { MOST_LINES = 24 };

/* One field of three values, scaled. */
static void add_three(sm_json_doc *doc, sm_json *o, const char *key, const double v[3], double f)
{
    double scaled[3] = {v[0] * f, v[1] * f, v[2] * f};
    sm_json_add_numbers(doc, o, key, scaled, 3);
}

static void add_values(sm_json_doc *doc, sm_json *o, const char *key, const sm_drift_value v[3],
                       double f)
{
    double value[3] = {v[0].value, v[1].value, v[2].value};
    add_three(doc, o, key, value, f);
}

static void add_intervals(sm_json_doc *doc, sm_json *o, const char *key, const sm_drift_value v[3],
                          double f)
{
    sm_json *a = sm_json_add_array(doc, o, key);
    for (int k = 0; k < 3; k++) {
        sm_json_append_pair(doc, a, v[k].lo * f, v[k].hi * f);
    }
}

static void add_ceilings(sm_json_doc *doc, sm_json *o, const char *key, const sm_drift_value v[3],
                         double f)
{
    double value[3] = {v[0].ceiling, v[1].ceiling, v[2].ceiling};
    add_three(doc, o, key, value, f);
}

static void cell_json(const sm_drift_cell *c, sm_json_doc *doc, sm_json *o)
{
    sm_json_add_number(doc, o, "seconds", c->seconds);
    add_values(doc, o, "coning_deg_per_h", c->coning, DEG_H);
    add_intervals(doc, o, "coning_interval_deg_per_h", c->coning, DEG_H);
    add_values(doc, o, "sculling_m_s2", c->sculling, 1);
    sm_json_add_number(doc, o, "level_error_deg", c->level.value * DEG);
}

static void directions_json(const sm_drift_band *b, sm_json_doc *doc, sm_json *o)
{
    static const char *const names[3] = {"up", "down", "held"};
    sm_json *a = sm_json_add_array(doc, o, "directions");
    for (int i = 0; i < 3; i++) {
        if (b->by_direction[i].n_frames > 0) {
            sm_json *cell = sm_json_append_object(doc, a);
            sm_json_add_text(doc, cell, "direction", names[i]);
            cell_json(&b->by_direction[i], doc, cell);
        }
    }
}

static void reasons_json(const sm_drift_band *b, sm_json_doc *doc, sm_json *o)
{
    sm_json *a = sm_json_add_array(doc, o, "reasons");
    for (size_t i = 0; i < b->n_reasons; i++) {
        sm_json *r = sm_json_append_object(doc, a);
        sm_json_add_text(doc, r, "code", b->reasons[i].code);
        sm_json_add_text(doc, r, "text", b->reasons[i].text);
    }
}

static void band_json(const sm_drift *d, const drift_slot *s, const sm_motion_sensor *sensor,
                      const sm_drift_band *b, sm_json_doc *doc, sm_json *o)
{
    if (isnan(b->rpm[0])) {
        sm_json_add_null(doc, o, "rpm");
    } else {
        sm_json_add_pair(doc, o, "rpm", b->rpm[0], b->rpm[1]);
    }
    cell_json(&b->all, doc, o);
    sm_json_add_bool(doc, o, "required",
                     isnan(d->required_rpm[0]) ||
                         (b->rpm[0] < d->required_rpm[1] && b->rpm[1] > d->required_rpm[0]));
    sm_json_add_bool(doc, o, "resolved", b->resolved);
    reasons_json(b, doc, o);
    sm_json_add_bool(doc, o, "assessed", b->assessed);
    sm_json_add_integer(doc, o, "frames", (long long)b->all.n_frames);
    sm_json *axes = sm_json_add_array(doc, o, "resolved_axes");
    for (int k = 0; k < 3; k++) {
        sm_json_append_text(doc, axes, b->all.coning[k].resolved ? "yes" : "no");
    }
    add_ceilings(doc, o, "coning_ceiling_deg_per_h", b->all.coning, DEG_H);
    add_intervals(doc, o, "sculling_interval_m_s2", b->all.sculling, 1);
    sm_json_add_pair(doc, o, "level_error_interval_deg", b->all.level.lo * DEG,
                     b->all.level.hi * DEG);
    sm_json_add_number(doc, o, "level_error_ceiling_deg", b->all.level.ceiling * DEG);
    sm_json_add_bool(doc, o, "level_error_resolved", b->all.level.resolved);
    add_three(doc, o, "gyro_rms_deg_s", b->gyro_rms, DEG);
    add_three(doc, o, "gyro_peak_deg_s", b->gyro_peak, DEG);
    add_three(doc, o, "accel_rms_g", b->accel_rms, 1 / SM_G0_M_S2);
    add_three(doc, o, "accel_peak_g", b->accel_peak, 1 / SM_G0_M_S2);
    directions_json(b, doc, o);
    if (sensor) {
        drift_sensor_json(d, s, b, sensor, doc, o);
    }
}

static void lines_json(const sm_drift *d, sm_json_doc *doc, sm_json *object)
{
    static const char *const axes[3] = {"x", "y", "z"};
    sm_drift_line lines[MOST_LINES] = {{0}};
    size_t n = sm_drift_lines(d, lines, MOST_LINES);
    sm_json *a = sm_json_add_array(doc, object, "lines");
    for (size_t i = 0; i < n; i++) {
        sm_json *o = sm_json_append_object(doc, a);
        sm_json_add_number(doc, o, "hz", lines[i].hz);
        sm_json_add_text(doc, o, "axis", axes[lines[i].axis]);
        sm_json_add_number(doc, o, "deg_per_h", lines[i].coning_rad_s * DEG_H);
        sm_json_add_text(doc, o, "label", lines[i].label);
        sm_json_add_number(doc, o, "gyro_peak_deg_s", lines[i].gyro_pk_rad_s * DEG);
        if (isnan(lines[i].rpm[0])) {
            sm_json_add_null(doc, o, "rpm");
        } else {
            sm_json_add_pair(doc, o, "rpm", lines[i].rpm[0], lines[i].rpm[1]);
        }
    }
}

static void sensor_json(const sm_motion_sensor *s, sm_json_doc *doc, sm_json *object)
{
    if (!s) {
        sm_json_add_null(doc, object, "sensor");
        return;
    }
    sm_json *o = sm_json_add_object(doc, object, "sensor");
    sm_json_add_text(doc, o, "source", s->source);
    sm_json_add_bool(doc, o, "typical", s->typical);
    sm_json_add_number(doc, o, "rate_hz", s->rate_hz);
    sm_json_add_text(doc, o, "input", s->input == SM_INTEGRATOR_POINTS ? "points" : "increments");
    sm_json_add_integer(doc, o, "coning_order", s->coning_order);
    sm_json_add_number(doc, o, "attitude_band_hz", s->attitude_band_hz);
    sm_json_add_number(doc, o, "levelling_s", s->levelling_s);
    sm_json_add_number(doc, o, "vre_mg_per_g2", s->vre_g_per_g2 * 1000);
    sm_json_add_number(doc, o, "gyro_dps_per_g", s->gyro_rad_s_per_g * DEG);
    sm_json_add_number(doc, o, "gyro_dps_per_g2", s->gyro_rad_s_per_g2 * DEG);
    sm_json_add_number(doc, o, "bandwidth_hz", s->bandwidth_hz);
    sm_json_add_number(doc, o, "skew_us", s->skew_s * 1e6);
}

static void settings_json(const sm_drift *d, sm_json_doc *doc, sm_json *object)
{
    sm_json *o = sm_json_add_object(doc, object, "settings");
    sm_json_add_number(doc, o, "coverage", 0.95);
    sm_json_add_number(doc, o, "decide", 0.999);
    sm_json_add_number(doc, o, "from_hz", (double)d->k_lo * d->rate_hz / (double)d->n_frame);
    sm_json_add_number(doc, o, "to_hz", d->rate_hz / 2);
    sm_json_add_number(doc, o, "axis_skew_s", d->skew_s);
    sm_json_add_bool(doc, o, "axis_skew_assumed", d->skew_assumed);
}

void sm_drift_json(const sm_drift *d, const sm_motion_sensor *sensor, sm_json_doc *doc,
                   sm_json *object, bool *unassessed)
{
    settings_json(d, doc, object);
    sm_json *bands = sm_json_add_array(doc, object, "bands");
    bool failed = true;
    bool visited = false;
    for (size_t i = 0; i < d->n_slots; i++) {
        const drift_slot *s = drift_slot_ranked(d, i);
        sm_drift_band band;
        sm_drift_band_get(d, i, &band);
        band_json(d, s, sensor, &band, doc, sm_json_append_object(doc, bands));
        bool counts = band.all.n_frames >= 3;
        failed = (visited && failed) || (counts && !band.assessed);
        visited = visited || counts;
    }
    drift_worst_json(d, bands, doc, object);
    lines_json(d, doc, object);
    sensor_json(sensor, doc, object);
    sm_json_add_integer(doc, object, "frames_outside_bands", (long long)d->n_outside);
    sm_json_add_integer(doc, object, "frames_unusable", (long long)d->n_untrusted);
    *unassessed = failed || !visited;
}
