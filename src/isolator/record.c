/* The document of a prediction: the run's assessment with what a mount would make of it. */
#include "budget/margins.h"
#include "core/util.h"
#include "stillmount/isolator.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

typedef struct recorder {
    const sm_isolator_setup *setup;
    const sm_survey_result *survey;
    const sm_budget *budget;
    const sm_order_table *orders;
    sm_json_doc *doc;
    bool any_over;
    bool any_unassessed;
    bool any_thin;
} recorder;

/* Sets corner i of the tolerance; false past the last. */
static bool set_corner(const sm_isolator_setup *s, size_t i, sm_error *err, sm_status *st)
{
    double stiffness = 1;
    double damping = 1;
    if (i >= sm_tolerance_corner(&s->tolerance, i, &stiffness, &damping)) {
        return false;
    }
    if (s->body) {
        /* the ratio is of c to sqrt(k m): with both as given c scales with their product */
        sm_body b = sm_body_scaled(s->body, stiffness, damping * sqrt(stiffness));
        *st = sm_predictor_body(s->predictor, &b, err);
    } else {
        sm_isolator iso = *s->mount;
        iso.natural_hz *= sqrt(stiffness);
        iso.damping_ratio *= damping;
        sm_predictor_mount(s->predictor, &iso);
    }
    return *st == SM_OK;
}

/* SI with the limit's detector -> the limit's unit. */
static double shown(const recorder *r, const sm_result *result, double si)
{
    const sm_limit *l = &r->budget->limits[result->i_limit];
    return l->measure == SM_MEASURE_PSD || !result->unit ? si : si / result->unit->to_si;
}

/* What keeps a limit from being predicted behind this mount; NULL when nothing does. */
static const char *unpredictable(const recorder *r, const sm_result *result)
{
    sm_measure m = r->budget->limits[result->i_limit].measure;
    const sm_isolator_setup *s = r->setup;
    if (result->i_channel < 0 || (m != SM_MEASURE_LEVEL && m != SM_MEASURE_CONING) ||
        !sm_predictor_stands(s->predictor, (size_t)result->i_channel)) {
        return NULL;
    }
    if (m == SM_MEASURE_LEVEL) {
        return "not predicted, because the level error hangs on the phase between gyros and "
               "accelerometers, which their spectra do not hold: measure it behind the isolator";
    }
    return s->body ? "not predicted, because coning hangs on the phase between two gyros, which "
                     "their spectra do not hold: measure it behind the isolator"
                   : NULL;
}

/* Predicted value in the limit's unit: the measured one times what the mount makes of it, so that
   both are of one definition. Channels that stand elsewhere stay as they are. */
static double predicted(const recorder *r, const sm_result *result)
{
    if (result->i_channel < 0 || unpredictable(r, result)) {
        return (double)NAN;
    }
    size_t c = (size_t)result->i_channel;
    if (!sm_predictor_moves(r->setup->predictor, c)) {
        return result->value;
    }
    double after =
        sm_predictor_value(r->setup->predictor, result->i_band, c, result->i_limit, result->hz);
    double before = sm_predictor_measured(r->setup->predictor, result->i_band, c, result->i_limit);
    return result->value >= 0 && before > 0 ? result->value * (after / before)
                                            : shown(r, result, after);
}

/* Margin of such a value; the measured one's moves with it. */
static double margin_of(const recorder *r, const sm_result *result, double value)
{
    if (result->value > 0 && isfinite(result->margin_db) && value > 0) {
        double db = r->budget->limits[result->i_limit].measure == SM_MEASURE_PSD ? 10 : 20;
        return result->margin_db - db * log10(value / result->value);
    }
    return result->max > 0 && value > 0 ? 20 * log10(result->max / value) : (double)NAN;
}

/* What this corner allows: one value, or the range of a peak. */
static void corner_range(const recorder *r, const sm_result *result, double range[2])
{
    range[0] = range[1] = predicted(r, result);
    sm_peak_range peak;
    if (result->i_channel >= 0 && r->budget->limits[result->i_limit].measure == SM_MEASURE_PEAK &&
        sm_predictor_moves(r->setup->predictor, (size_t)result->i_channel) &&
        sm_predictor_peak(r->setup->predictor, result->i_band, (size_t)result->i_channel, &peak)) {
        range[0] = sm_min(range[0], shown(r, result, peak.lo));
        range[1] = sm_max(range[1], shown(r, result, peak.hi));
    }
}

/* Widened by every corner. */
static void widen(const recorder *r, const sm_result *result, sm_json *node)
{
    double v[2];
    corner_range(r, result, v);
    const sm_json *now = sm_json_get(node, "predicted_interval");
    double lo = sm_json_number(sm_json_at(now, 0));
    double hi = sm_json_number(sm_json_at(now, 1));
    lo = isnan(lo) || v[0] < lo ? v[0] : lo;
    hi = isnan(hi) || v[1] > hi ? v[1] : hi;
    sm_json_add_pair(r->doc, node, "predicted_interval", lo, hi);
}

static sm_verdict judge(const recorder *r, const sm_result *result, double value, double margin,
                        const char **why)
{
    *why = NULL;
    if (result->verdict == SM_UNASSESSED && r->budget->has_limits) {
        *why = "what was measured cannot be judged, so neither can this";
        return SM_UNASSESSED;
    }
    if (isnan(value)) {
        *why = unpredictable(r, result);
        *why = *why ? *why : "nothing was recorded that it could be predicted from";
        return SM_UNASSESSED;
    }
    if (isnan(margin) && value > 0) {
        return SM_UNASSESSED;
    }
    return margin < 0 ? SM_OVER : SM_THIN;
}

static void nominal(recorder *r, const sm_result *result, sm_json *node)
{
    const char *why = NULL;
    double value = predicted(r, result);
    double margin = margin_of(r, result, value);
    sm_verdict v = judge(r, result, value, margin, &why);
    bool required = r->survey->bands[result->i_band].required;
    bool can_be_said = unpredictable(r, result) == NULL;
    r->any_over = r->any_over || v == SM_OVER;
    r->any_thin = r->any_thin || v == SM_THIN;
    r->any_unassessed = r->any_unassessed || (v == SM_UNASSESSED && required && can_be_said);
    sm_json_add_number(r->doc, node, "predicted", value);
    sm_json_add_number(r->doc, node, "predicted_margin_db", margin);
    sm_json_add_text(r->doc, node, "predicted_verdict", sm_verdict_text(v));
    if (why) {
        sm_json_add_text(r->doc, node, "predicted_why", why);
    }
}

/* When every corner has been: the margin of the loudest. */
static void close_range(const recorder *r, const sm_result *result, sm_json *node)
{
    const sm_json *range = sm_json_get(node, "predicted_interval");
    sm_json_add_number(r->doc, node, "tolerance_margin_db",
                       margin_of(r, result, sm_json_number(sm_json_at(range, 1))));
}

/* What is done to each result. */
typedef enum step { NOMINAL, CORNER, LAST } step;

static void each(recorder *r, step at_step)
{
    const sm_json *bands = sm_json_get(sm_json_root(r->doc), "bands");
    const sm_assessment *a = r->setup->assessment;
    size_t at = 0;
    for (size_t b = 0; b < sm_json_size(bands); b++) {
        const sm_json *results = sm_json_get(sm_json_at(bands, b), "results");
        for (size_t i = 0; i < sm_json_size(results) && at < a->n_results; i++, at++) {
            sm_json *node = sm_json_edit(r->doc, sm_json_at(results, i));
            if (at_step == LAST) {
                close_range(r, &a->results[at], node);
                continue;
            }
            if (at_step == NOMINAL) {
                nominal(r, &a->results[at], node);
            }
            widen(r, &a->results[at], node);
        }
    }
}

static void write_body(const sm_body *b, sm_json_doc *doc, sm_json *o)
{
    sm_mode modes[6];
    sm_json *list = sm_json_add_array(doc, o, "modes");
    if (sm_body_modes(b, modes, NULL) != SM_OK) {
        return;
    }
    for (int i = 0; i < 6; i++) {
        sm_json *m = sm_json_append_object(doc, list);
        sm_json_add_number(doc, m, "natural_hz", modes[i].hz);
        sm_json_add_number(doc, m, "damping_ratio", modes[i].damping_ratio);
        sm_json_add_text(doc, m, "motion", modes[i].what);
    }
    sm_json *tilt = sm_json_add_array(doc, o, "tilt_deg_per_g");
    for (int axis = 0; axis < 3; axis++) {
        double t[3] = {0};
        if (sm_body_tilt_per_g(b, axis, t, NULL) == SM_OK) {
            double deg[3];
            for (int i = 0; i < 3; i++) {
                deg[i] = t[i] * 180 / SM_PI;
            }
            sm_json *row = sm_json_append_array(doc, tilt);
            for (int i = 0; i < 3; i++) {
                sm_json_append_number(doc, row, deg[i]);
            }
        }
    }
}

/* Up and down as one mass: what a body's natural frequency is called. */
static void vertical(const sm_body *b, double *hz, double *damping)
{
    double k = 0;
    double c = 0;
    for (size_t f = 0; f < b->n_feet; f++) {
        k += b->feet[f].k_n_m[2];
        c += b->feet[f].c_n_s_m[2];
    }
    *hz = sm_isolator_natural_from_stiffness(k, b->mass_kg);
    *damping = c / (2 * sqrt(k * b->mass_kg));
}

/* Orders that the run takes through this resonance, anywhere in its tolerance. */
static void write_visits(const recorder *r, double natural_hz, const char *motion, sm_json *list)
{
    enum { MOST = 64 };
    sm_order_visit visits[MOST];
    double lo_hz = natural_hz;
    double hi_hz = natural_hz;
    double stiffness = 1;
    double damping = 1;
    for (size_t i = 0; i < sm_tolerance_corner(&r->setup->tolerance, i, &stiffness, &damping);
         i++) {
        lo_hz = sm_min(lo_hz, natural_hz * sqrt(stiffness));
        hi_hz = sm_max(hi_hz, natural_hz * sqrt(stiffness));
    }
    size_t n = sm_predictor_orders_at(r->setup->predictor, lo_hz, hi_hz, visits, MOST);
    for (size_t i = 0; i < n && i < MOST; i++) {
        sm_json *o = sm_json_append_object(r->doc, list);
        sm_json_add_text(r->doc, o, "label", r->orders->items[visits[i].i_order].label);
        sm_json_add_pair(r->doc, o, "rpm", visits[i].rpm[0], visits[i].rpm[1]);
        sm_json_add_pair(r->doc, o, "hz", lo_hz, hi_hz);
        if (motion) {
            sm_json_add_text(r->doc, o, "motion", motion);
        }
    }
}

static void write_all_visits(const recorder *r, sm_json *isolator)
{
    const sm_isolator_setup *s = r->setup;
    sm_json *list = sm_json_add_array(r->doc, isolator, "on_orders");
    sm_mode modes[6];
    if (s->mount) {
        write_visits(r, s->mount->natural_hz, NULL, list);
    } else if (sm_body_modes(s->body, modes, NULL) == SM_OK) {
        for (int i = 0; i < 6; i++) {
            write_visits(r, modes[i].hz, modes[i].what, list);
        }
    }
}

static void write_head(const recorder *r)
{
    sm_json_doc *doc = r->doc;
    sm_json *root = sm_json_root(doc);
    const sm_isolator_setup *s = r->setup;
    sm_json_add_text(doc, root, "schema", "stillmount/isolator/1");
    sm_json *o = sm_json_add_object(doc, root, "isolator");
    double hz = s->mount ? s->mount->natural_hz : 0;
    double damping = s->mount ? s->mount->damping_ratio : 0;
    if (s->body) {
        vertical(s->body, &hz, &damping);
    }
    sm_json_add_number(doc, o, "natural_hz", hz);
    sm_json_add_number(doc, o, "damping_ratio", damping);
    sm_json_add_number(doc, o, "static_deflection_mm", sm_isolator_sag_m(hz) * 1e3);
    sm_isolator iso = sm_isolator_viscous(hz, damping);
    sm_json_add_number(doc, o, "isolates_above_hz", sm_isolator_isolates_above(&iso));
    sm_json *t = sm_json_add_object(doc, o, "tolerance");
    sm_json_add_number(doc, t, "stiffness", s->tolerance.stiffness);
    sm_json_add_number(doc, t, "damping", s->tolerance.damping);
    sm_json_add_number(doc, t, "cold", s->tolerance.cold);
    write_all_visits(r, o);
    if (s->body) {
        write_body(s->body, doc, o);
    }
}

/* One entry per limit that cannot be predicted: the verdict does not cover it. */
static void write_not_predicted(const recorder *r)
{
    const sm_assessment *a = r->setup->assessment;
    sm_json *list = sm_json_add_array(r->doc, sm_json_root(r->doc), "not_predicted");
    for (size_t l = 0; l < r->budget->n_limits; l++) {
        const char *why = NULL;
        for (size_t i = 0; i < a->n_results && !why; i++) {
            why = a->results[i].i_limit == l ? unpredictable(r, &a->results[i]) : NULL;
        }
        if (why) {
            sm_json *o = sm_json_append_object(r->doc, list);
            sm_json_add_text(r->doc, o, "limit", r->budget->limits[l].name);
            sm_json_add_text(r->doc, o, "text", why);
        }
    }
}

static sm_verdict overall(const recorder *r)
{
    if (!r->budget->has_limits) {
        return SM_UNASSESSED;
    }
    return r->any_over ? SM_OVER : r->any_unassessed || !r->any_thin ? SM_UNASSESSED : SM_THIN;
}

sm_status sm_isolator_json(const sm_isolator_setup *setup, sm_json_doc *doc, sm_verdict *verdict,
                           sm_error *err)
{
    recorder r = {.setup = setup, .doc = doc};
    double reference_per_rpm = 1;
    sm_predictor_inputs(setup->predictor, &r.survey, &r.budget, &r.orders, &reference_per_rpm);
    double usable_hz = sm_predictor_usable_hz(setup->predictor);
    double natural_hz = setup->mount ? setup->mount->natural_hz : 0;
    double damping = 0;
    if (setup->body) {
        vertical(setup->body, &natural_hz, &damping);
    }
    if (natural_hz > usable_hz) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0,
                            "a natural frequency of %g Hz is above what this log can show (%g Hz, "
                            "by its rate and its sensor's bandwidth): the isolator would do "
                            "nothing here",
                            natural_hz, usable_hz);
    }
    sm_status st = SM_OK;
    write_head(&r);
    write_not_predicted(&r);
    for (size_t i = 0; set_corner(setup, i, err, &st); i++) {
        each(&r, i == 0 ? NOMINAL : CORNER);
    }
    each(&r, LAST);
    static const sm_margin_kind kinds[] = {{"margin_db", "measured"},
                                           {"predicted_margin_db", "predicted"},
                                           {"tolerance_margin_db", "tolerance"}};
    sm_margins_write(doc, "results", kinds, 3, false);
    sm_status nominal_again = SM_OK;
    (void)set_corner(setup, 0, NULL, &nominal_again);
    if (st != SM_OK) {
        return st;
    }
    *verdict = overall(&r);
    sm_json_add_text(doc, sm_json_root(doc), "predicted_verdict", sm_verdict_text(*verdict));
    return sm_json_status(doc) == SM_OK ? SM_OK
                                        : sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
}

void sm_isolator_search_json(const sm_predictor *p, const sm_candidate *best, size_t n,
                             const sm_search_counts *counts, sm_json_doc *doc)
{
    const sm_survey_result *survey = NULL;
    const sm_budget *budget = NULL;
    const sm_order_table *orders = NULL;
    double reference_per_rpm = 1;
    sm_predictor_inputs(p, &survey, &budget, &orders, &reference_per_rpm);
    sm_json *list = sm_json_add_array(doc, sm_json_root(doc), "search");
    for (size_t i = 0; i < n; i++) {
        const sm_band *band = &survey->bands[best[i].i_band];
        sm_json *o = sm_json_append_object(doc, list);
        sm_json_add_number(doc, o, "natural_hz", best[i].natural_hz);
        sm_json_add_number(doc, o, "damping_ratio", best[i].damping_ratio);
        sm_json_add_number(doc, o, "worst_margin_db", best[i].worst_margin_db);
        sm_json_add_number(doc, o, "nominal_margin_db", best[i].nominal_margin_db);
        sm_json_add_number(doc, o, "static_deflection_mm",
                           sm_isolator_sag_m(best[i].natural_hz) * 1e3);
        sm_json_add_text(doc, o, "limit", budget->limits[best[i].i_limit].name);
        sm_json_add_text(doc, o, "channel", survey->channels[best[i].i_channel].info.name);
        sm_json_add_pair(doc, o, "rpm", band->rpm_lo, band->rpm_hi);
    }
    sm_json *o = sm_json_add_object(doc, sm_json_root(doc), "search_counts");
    sm_json_add_integer(doc, o, "tried", (long long)counts->tried);
    sm_json_add_integer(doc, o, "on_an_order", (long long)counts->on_an_order);
    sm_json_add_integer(doc, o, "sags_too_far", (long long)counts->sags);
    sm_json_add_integer(doc, o, "sways_too_far", (long long)counts->sways);
}
