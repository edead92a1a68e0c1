/* The document stillmount/assessment/1. */
#include "budget/assess_json.h"

#include "core/alloc.h"
#include "stillmount/resonance.h"
#include "stillmount/version.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static void add_reasons(sm_json_doc *doc, sm_json *object, const sm_reasons *r)
{
    sm_json *array = sm_json_add_array(doc, object, "reasons");
    for (size_t i = 0; i < r->n; i++) {
        sm_json *o = sm_json_append_object(doc, array);
        sm_json_add_text(doc, o, "code", r->items[i].code);
        sm_json_add_text(doc, o, "text", r->items[i].text);
    }
}

/* The label as the order table writes it, of the shaft that the budget named. */
static const char *order_label(const sm_score_view *v, const sm_limit *l, sm_ratio ratio)
{
    long i = sm_order_table_find(v->orders, ratio);
    if (i < 0) {
        return l->order_label;
    }
    const sm_order *o = &v->orders->items[i];
    size_t n = strcspn(l->order_label, "(");
    while (n && l->order_label[n - 1] == ' ') {
        n--;
    }
    for (size_t k = 0; k < o->n_also; k++) {
        if (strncmp(o->also[k], l->order_label, n) == 0) {
            return o->also[k];
        }
    }
    return o->label;
}

/* The breakpoints of a psd limit, in the unit of the limits file; log-log between them. */
static void add_curve(const sm_limit *l, sm_json_doc *doc, sm_json *measure)
{
    char unit[40];
    (void)snprintf(unit, sizeof unit, strchr(l->unit->name, '/') ? "(%s)^2/Hz" : "%s^2/Hz",
                   l->unit->name);
    sm_json *curve = sm_json_add_array(doc, measure, "curve");
    for (size_t i = 0; i < l->n_curve; i++) {
        sm_json_append_pair(doc, curve, l->curve_hz[i],
                            l->curve_si[i] / (l->unit->to_si * l->unit->to_si));
    }
    sm_json_add_text(doc, measure, "curve_unit", unit);
}

static void add_measure(const sm_score_view *v, const sm_limit *l, sm_json_doc *doc, sm_json *o)
{
    sm_json *m = sm_json_add_object(doc, o, "measure");
    sm_json_add_text(doc, m, "kind", sm_measure_text(l->measure));
    sm_ratio ratio;
    if (l->measure == SM_MEASURE_ORDER &&
        sm_powertrain_order_ratio(v->powertrain, l->order_label, &ratio, NULL) == SM_OK) {
        sm_json_add_text(doc, m, "label", order_label(v, l, ratio));
        sm_json_add_ratio(doc, m, "ratio", ratio);
    } else if (!isnan(l->hz_lo)) {
        sm_json_add_pair(doc, m, "hz", l->hz_lo, l->hz_hi);
    }
    if (l->measure == SM_MEASURE_PSD && l->unit) {
        add_curve(l, doc, m);
    }
    if (l->integrations) {
        sm_json_add_text(doc, m, "as", sm_quantity_text(l->as));
    }
}

static void add_result(const sm_score_view *v, const sm_result *r, sm_json_doc *doc, sm_json *array)
{
    const sm_limit *l = &v->budget->limits[r->i_limit];
    sm_json *o = sm_json_append_object(doc, array);
    sm_json_add_text(doc, o, "limit", l->name);
    sm_json_add_text(doc, o, "channel", r->channel);
    add_measure(v, l, doc, o);
    sm_json_add_number(doc, o, "value", r->value);
    sm_json_add_number(doc, o, "value_mean", r->value_mean);
    sm_json_add_number(doc, o, "value_worst", r->value_worst);
    sm_json_add_pair(doc, o, "interval", r->interval[0], r->interval[1]);
    sm_json_add_number(doc, o, "ceiling", r->ceiling);
    bool mean = l->measure == SM_MEASURE_CONING || l->measure == SM_MEASURE_LEVEL;
    if (mean && !isnan(r->value)) {
        sm_json_add_bool(doc, o, "resolved", !r->unresolved);
    }
    sm_json_add_number(doc, o, "max", r->max);
    bool ratio = l->measure == SM_MEASURE_PSD;
    sm_json_add_text(doc, o, "unit", ratio ? "ratio" : r->unit ? r->unit->name : "");
    sm_json_add_text(doc, o, "detector", sm_detector_text(l->detector));
    sm_json_add_number(doc, o, "margin_db", r->margin_db);
    sm_json_add_number(doc, o, "spent", r->spent);
    sm_json_add_number(doc, o, "reserve_db", l->reserve_db);
    sm_json_add_text(doc, o, "verdict", sm_verdict_text(r->verdict));
    add_reasons(doc, o, &r->reasons);
    if (r->cause.kind[0]) {
        sm_json *c = sm_json_add_object(doc, o, "cause");
        sm_json_add_text(doc, c, "kind", r->cause.kind);
        char label[sizeof r->cause.label + 16];
        (void)snprintf(label, sizeof label, "%s", r->cause.label);
        if (strcmp(r->cause.kind, "fixed") == 0 && r->i_channel >= 0) {
            (void)sm_fixed_label(v, (size_t)r->i_channel, r->cause.hz, label, sizeof label);
        }
        sm_json_add_text(doc, c, "label", label);
        sm_json_add_number(doc, c, "share", r->cause.share);
        if (r->cause.i_order >= 0) {
            const sm_order *order = &v->orders->items[r->cause.i_order];
            sm_json *also = sm_json_add_array(doc, c, "also");
            for (size_t k = 0; k < order->n_also; k++) {
                sm_json_append_text(doc, also, order->also[k]);
            }
            sm_json_add_text(doc, c, "meaning", sm_order_meaning(v->powertrain, order));
        }
    } else {
        sm_json_add_null(doc, o, "cause");
    }
    sm_json_add_number(doc, o, "hz", r->hz);
    sm_json_add_number(doc, o, "rpm_at", r->rpm_at);
}

static void add_bands(const sm_score_view *v, const sm_assessment *a, sm_json_doc *doc,
                      sm_json *root)
{
    sm_json *bands = sm_json_add_array(doc, root, "bands");
    size_t at = 0;
    for (size_t i = 0; i < v->survey->n_bands; i++) {
        const sm_band *b = &v->survey->bands[i];
        if (!v->budget->has_limits && !b->visited) {
            continue;
        }
        sm_json *o = sm_json_append_object(doc, bands);
        sm_json_add_pair(doc, o, "rpm", b->rpm_lo, b->rpm_hi);
        sm_json_add_bool(doc, o, "required", b->required);
        sm_json_add_number(doc, o, "seconds", b->seconds);
        sm_json_add_integer(doc, o, "frames", b->n_frames);
        sm_json *p = sm_json_add_object(doc, o, "passes");
        for (size_t d = 0; d < SM_DIRECTIONS; d++) {
            sm_json_add_integer(doc, p, sm_direction_text((sm_direction)d), b->passes[d]);
        }
        sm_json *results = sm_json_add_array(doc, o, "results");
        for (; at < a->n_results && a->results[at].i_band == i; at++) {
            add_result(v, &a->results[at], doc, results);
        }
    }
}

static void add_settings(const sm_score_view *v, sm_json_doc *doc, sm_json *root)
{
    const sm_budget *b = v->budget;
    sm_json *p = sm_json_add_object(doc, root, "program");
    sm_json_add_text(doc, p, "name", "stillmount");
    sm_json_add_text(doc, p, "version", SM_VERSION);
    sm_json *s = sm_json_add_object(doc, root, "settings");
    sm_json_add_text(doc, s, "powertrain", v->powertrain->name);
    sm_json_add_number(doc, s, "reference_per_rpm",
                       sm_powertrain_reference_per(v->powertrain, v->powertrain->rpm_of));
    sm_json_add_text(doc, s, "budget", b->has_limits ? b->name : NULL);
    sm_json_add_text(doc, s, "limits_from", b->has_limits ? b->source : NULL);
    sm_json_add_text(doc, s, "kind",
                     !b->has_limits    ? "none"
                     : b->is_reference ? "reference"
                     : b->is_invented  ? "invented"
                     : b->is_relative  ? "relative"
                                       : "limits");
    sm_json_add_number(doc, s, "coverage", 0.95);
    sm_json_add_number(doc, s, "decide", 0.999);
    sm_json_add_text(doc, s, "window", "Hann");
    sm_json_add_number(doc, s, "frame_s", v->survey->frame_s);
    sm_json_add_number(doc, s, "overlap", 0.5);
    sm_json_add_integer(doc, s, "cell_rpm", SM_CELL_RPM);
    sm_json *same = sm_json_add_array(doc, s, "coincidences");
    for (size_t i = 0; i < v->orders->n; i++) {
        const sm_order *order = &v->orders->items[i];
        for (size_t k = 0; k < order->n_also; k++) {
            sm_json *pair = sm_json_append_array(doc, same);
            sm_json_append_text(doc, pair, order->label);
            sm_json_append_text(doc, pair, order->also[k]);
        }
        if (v->survey->plans[i].merged_into >= 0) {
            sm_json *pair = sm_json_append_array(doc, same);
            sm_json_append_text(doc, pair, order->label);
            sm_json_append_text(doc, pair, v->orders->items[v->survey->plans[i].merged_into].label);
        }
    }
    sm_json_add_pair(doc, s, "required_rpm", b->required_lo, b->required_hi);
    sm_json_add_number(doc, s, "min_seconds", b->min_seconds);
    sm_json_add_number(doc, s, "min_turns", b->min_turns);
    sm_json_add_integer(doc, s, "min_passes", b->min_passes);
}

static bool band_is_covered(const sm_score_view *v, const sm_assessment *a, size_t band)
{
    bool any = false;
    for (size_t i = 0; i < a->n_results; i++) {
        if (a->results[i].i_band == band) {
            any = true;
            if (v->budget->has_limits && a->results[i].verdict == SM_UNASSESSED) {
                return false;
            }
        }
    }
    return any && v->survey->bands[band].visited;
}

static void add_covers(const sm_score_view *v, const sm_assessment *a, sm_json_doc *doc,
                       sm_json *root)
{
    sm_json *c = sm_json_add_object(doc, root, "covers");
    sm_json *rpm = sm_json_add_array(doc, c, "rpm");
    bool dirs[SM_DIRECTIONS] = {false, false, false};
    double lo = NAN;
    for (size_t i = 0; i <= v->survey->n_bands; i++) {
        bool covered = i < v->survey->n_bands && band_is_covered(v, a, i);
        if (covered && isnan(lo)) {
            lo = v->survey->bands[i].rpm_lo;
        } else if (!covered && !isnan(lo)) {
            sm_json_append_pair(doc, rpm, lo, v->survey->bands[i - 1].rpm_hi);
            lo = (double)NAN;
        }
        for (size_t d = 0; covered && d < SM_DIRECTIONS; d++) {
            dirs[d] |= v->survey->bands[i].passes[d] > 0;
        }
    }
    char passes[40];
    (void)snprintf(passes, sizeof passes, "%s%s%s%s%s", dirs[0] ? "up" : "",
                   dirs[0] && dirs[1] ? " and " : "", dirs[1] ? "down" : "",
                   dirs[2] && (dirs[0] || dirs[1]) ? ", " : "", dirs[2] ? "held" : "");
    sm_json_add_text(doc, c, "passes", passes[0] ? passes : "none");
    double top = NAN;
    for (size_t l = 0; l < v->budget->n_limits; l++) {
        if (!isnan(v->budget->limits[l].hz_hi)) {
            top = isnan(top) ? v->budget->limits[l].hz_hi : fmax(top, v->budget->limits[l].hz_hi);
        }
    }
    sm_json_add_number(doc, c, "hz_max", top);
    sm_json_add_text(doc, c, "limits_from", v->budget->has_limits ? v->budget->source : NULL);
}

/* 0: covered; 1: nothing was recorded there; 2: recorded, and not every limit has an answer. */
static int gap_kind(const sm_score_view *v, const sm_assessment *a, size_t band)
{
    if (band == v->survey->n_bands || band_is_covered(v, a, band)) {
        return 0;
    }
    return v->survey->bands[band].visited ? 2 : 1;
}

static void add_not_covered(const sm_score_view *v, const sm_assessment *a, sm_json_doc *doc,
                            sm_json *root)
{
    static const char *const words[] = {"", "not recorded",
                                        "recorded, but not every limit has an answer"};
    sm_speed_source source = sm_run_speed(v->run)->source;
    bool sought = source == SM_SPEED_ESTIMATE || source == SM_SPEED_NOTES || source == SM_SPEED_LOG;
    bool lost = (sought && v->survey->n_frames_untrusted > 0) ||
                sm_findings_get(sm_run_findings(v->run), "speed-refused", NULL) != NULL;
    sm_json *array = sm_json_add_array(doc, root, "not_covered");
    char text[120];
    double lo = NAN;
    int before = 0;
    for (size_t i = 0; v->budget->has_limits && i <= v->survey->n_bands; i++) {
        int kind = gap_kind(v, a, i);
        if (kind != before && before) {
            (void)snprintf(text, sizeof text, "%.0f to %.0f rpm: %s", lo,
                           v->survey->bands[i - 1].rpm_hi,
                           lost && before == 1 ? "no record whose speed is known" : words[before]);
            sm_json_append_text(doc, array, text);
        }
        if (kind != before && kind) {
            lo = v->survey->bands[i].rpm_lo;
        }
        before = kind;
    }
    sm_json_append_text(doc, array, "flight loads and turbulence: the reserve is kept for them");
    sm_json_append_text(doc, array, "mounts colder, warmer or older than on this run");
    sm_json_append_text(doc, array,
                        "the attitude sensor's own gyros and its rejection of vibration");
    sm_json_append_text(doc, array, "how well another run repeats this one");
}

/* The rpm in use: of the powertrain's word, else of the limits, else what was recorded. */
static const char *rpm_in_use(const sm_score_view *v, double *lo, double *hi)
{
    if (v->powertrain->idle_rpm > 0 && v->powertrain->max_rpm > v->powertrain->idle_rpm) {
        *lo = v->powertrain->idle_rpm;
        *hi = v->powertrain->max_rpm;
        return "operating";
    }
    if (v->budget->has_limits && v->budget->rpm_hi > v->budget->rpm_lo) {
        *lo = v->budget->rpm_lo;
        *hi = v->budget->rpm_hi;
        return "budget";
    }
    *lo = v->survey->rpm_min;
    *hi = v->survey->rpm_max;
    return "run";
}

static void add_advice(const sm_score_view *v, const sm_resonance *r, sm_json_doc *doc, sm_json *o)
{
    double lo = NAN;
    double hi = NAN;
    const char *from = rpm_in_use(v, &lo, &hi);
    sm_resonance_advice a;
    sm_resonance_advise(r, v->survey, v->orders, v->shaft_per_rpm, lo, hi, &a);
    sm_json *advice = sm_json_add_object(doc, o, "advice");
    sm_json_add_text(doc, advice, "way", sm_resonance_way_text(a.way));
    sm_json_add_pair(doc, advice, "rpm_in_use", a.rpm_lo, a.rpm_hi);
    sm_json_add_text(doc, advice, "rpm_in_use_from", from);
    sm_json_add_number(doc, advice, "stiffen_to_hz", a.stiffen_hz);
    sm_json_add_number(doc, advice, "stiffness_times", a.stiffer);
    sm_json_add_number(doc, advice, "soften_to_hz", a.soften_hz);
    sm_json_add_number(doc, advice, "stiffness_divided_by", a.softer);
}

/* Where the orders meet its half-power band. */
static void add_loud(const sm_resonance *r, sm_json_doc *doc, sm_json *o)
{
    double half = isnan(r->damping_ratio) ? 0.05 : r->damping_ratio;
    sm_json *array = sm_json_add_array(doc, o, "loud_rpm");
    for (size_t k = 0; k < r->n_orders; k++) {
        sm_json_append_pair(doc, array, r->rpm_at[k] * (1 - half), r->rpm_at[k] * (1 + half));
    }
}

/* The fitted curves, for the picture of the orders. */
static void add_fits(const sm_score_view *v, const sm_resonance *r, sm_json_doc *doc, sm_json *o)
{
    sm_json *array = sm_json_add_array(doc, o, "fits");
    for (size_t i = 0; i < r->n_fits; i++) {
        const sm_resonance_fit *fit = &r->fits[i];
        const sm_channel *c = &v->survey->channels[fit->i_channel].info;
        double rpm[SM_FIT_POINTS];
        double pk[SM_FIT_POINTS];
        for (size_t k = 0; k < fit->n; k++) {
            rpm[k] = (double)fit->rpm[k];
            pk[k] = (double)fit->pk[k] / (c->unit ? c->unit->to_si : 1);
        }
        sm_json *item = sm_json_append_object(doc, array);
        sm_json_add_text(doc, item, "channel", c->name);
        sm_json_add_text(doc, item, "label", v->orders->items[fit->i_order].label);
        sm_json_add_text(doc, item, "direction", sm_direction_text(fit->direction));
        sm_json_add_text(doc, item, "unit", c->unit ? c->unit->name : "");
        sm_json_add_text(doc, item, "detector", "peak");
        sm_json_add_numbers(doc, item, "rpm", rpm, fit->n);
        sm_json_add_numbers(doc, item, "amplitude", pk, fit->n);
    }
}

static void add_resonances(const sm_score_view *v, bool detail, sm_json_doc *doc, sm_json *root)
{
    sm_json *array = sm_json_add_array(doc, root, "resonances");
    for (size_t i = 0; i < v->n_resonances; i++) {
        const sm_resonance *r = &v->resonances[i];
        sm_json *o = sm_json_append_object(doc, array);
        sm_json_add_text(doc, o, "channel", v->survey->channels[r->i_channel].info.name);
        sm_json_add_number(doc, o, "hz", r->hz);
        sm_json_add_number(doc, o, "damping_ratio", r->damping_ratio);
        sm_json_add_number(doc, o, "amplification", 1 / (2 * r->damping_ratio));
        sm_json *by = sm_json_add_array(doc, o, "excited_by");
        for (size_t k = 0; k < r->n_orders; k++) {
            sm_json_append_text(doc, by, v->orders->items[r->order[k]].label);
        }
        sm_json_add_numbers(doc, o, "rpm_at", r->rpm_at, r->n_orders);
        sm_json_add_integer(doc, o, "cuts", (long long)r->n_cuts);
        sm_json_add_bool(doc, o, "certain", r->n_orders >= 2);
        add_loud(r, doc, o);
        add_advice(v, r, doc, o);
        if (detail) {
            add_fits(v, r, doc, o);
        }
    }
}

static void add_findings(const sm_score_view *v)
{
    sm_survey_findings(v->survey, sm_run_findings(v->run));
    if (v->survey->n_outside) {
        sm_finding *f = sm_findings_add(sm_run_findings(v->run), "outside-bands", SM_NOTE, NULL,
                                        v->survey->n_outside);
        sm_finding_text(f, "frames outside the rpm bands, not scored: %ld", v->survey->n_outside);
        sm_finding_effect(f, "none");
    }
}

static sm_status fill(const sm_score_view *v, const sm_assessment *a, bool detail,
                      sm_json_doc **out)
{
    sm_json_doc *doc = NULL;
    if (sm_json_open(&doc) != SM_OK) {
        return SM_E_NOMEM;
    }
    sm_json *root = sm_json_root(doc);
    sm_json_add_text(doc, root, "schema", "stillmount/assessment/1");
    add_settings(v, doc, root);
    add_findings(v);
    sm_run_json(v->run, doc, root);
    sm_findings_json(sm_run_findings(v->run), doc, root);
    add_bands(v, a, doc, root);
    add_resonances(v, detail, doc, root);
    if (detail) {
        sm_assess_detail(v, doc, root);
    }
    sm_json_add_text(doc, root, "verdict", sm_verdict_text(a->verdict));
    add_reasons(doc, root, &a->reasons);
    add_covers(v, a, doc, root);
    add_not_covered(v, a, doc, root);
    if (sm_json_status(doc) != SM_OK) {
        sm_json_close(&doc);
        return SM_E_NOMEM;
    }
    *out = doc;
    return SM_OK;
}

sm_status sm_assessment_json(sm_run *run, const sm_assessment *a, bool detail, sm_json_doc **out,
                             sm_error *err)
{
    sm_score_view v = sm_score_view_of(run);
    sm_resonance *found = sm_alloc_array(SM_MAX_RESONANCES, sizeof *found);
    v.resonances = found;
    sm_status status = found ? sm_resonances_find(v.survey, v.orders, v.shaft_per_rpm, found,
                                                  SM_MAX_RESONANCES, &v.n_resonances)
                             : SM_E_NOMEM;
    if (status == SM_OK) {
        status = sm_resonances_broadband(v.survey, found, SM_MAX_RESONANCES, &v.n_resonances);
    }
    status = status == SM_OK ? sm_run_identify(run, err) : status; /* what takes long is done */
    if (status == SM_OK) {
        status = fill(&v, a, detail, out);
    }
    sm_free(found);
    return status == SM_E_NOMEM ? sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory") : status;
}
