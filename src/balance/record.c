/* The JSON record stillmount/balance/1. */
#include "balance/balance_internal.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static void add_vector(const sm_balance_job *job, sm_json_doc *doc, sm_json *o, sm_phasor v)
{
    sm_json_add_number(doc, o, "amplitude", sm_phasor_amplitude(v));
    if (job->no_phase || !isfinite(v.re)) {
        sm_json_add_null(doc, o, "phase_deg");
    } else {
        sm_json_add_number(doc, o, "phase_deg", sm_phasor_angle_deg(sm_as_read(job, v)));
    }
}

static void add_settings(const sm_balance_job *job, sm_json_doc *doc, sm_json *root)
{
    sm_json *s = sm_json_add_object(doc, root, "settings");
    sm_json_add_text(doc, s, "name", job->name);
    sm_json_add_text(doc, s, "unit", job->unit->name);
    sm_json_add_text(doc, s, "detector", sm_detector_text(job->detector));
    sm_json_add_number(doc, s, "rpm", job->rpm);
    sm_json_add_number(doc, s, "radius_mm", job->radius_mm);
    sm_json_add_number(doc, s, "step_g", job->step_g);
    sm_json_add_number(doc, s, "max_hole_g", job->max_hole_g);
    sm_json_add_number(doc, s, "mass_kg", job->mass_kg);
    sm_json_add_number(doc, s, "grade_mm_s", job->grade);
    sm_json_add_integer(doc, s, "planes", (long long)job->n_planes);
    sm_json_add_number(doc, s, "coverage", 0.95);
}

static void add_conventions(const sm_balance_job *job, sm_json_doc *doc, sm_json *root)
{
    sm_json *c = sm_json_add_object(doc, root, "conventions");
    sm_text words = {0};
    if (job->no_phase) {
        sm_json_add_null(doc, c, "phase");
    } else {
        sm_json_add_text(doc, c, "phase", job->phase_lag ? "lag" : "lead");
    }
    if (job->weights_given) {
        sm_json_add_text(doc, c, "weights_count", job->weights_against ? "against" : "with");
    } else {
        sm_json_add_null(doc, c, "weights_count");
    }
    sm_balance_conventions_text(job, &words);
    sm_json_add_text(doc, c, "text", words.s ? words.s : "");
    sm_json_add_text(doc, c, "mark", job->mark[0] ? job->mark : "tach mark");
    sm_text_free(&words);
}

static void add_runs(const sm_balance_job *job, const sm_balance_result *r, sm_json_doc *doc,
                     sm_json *root)
{
    static const char *const kinds[] = {"original", "trial", "check"};
    sm_json *list = sm_json_add_array(doc, root, "responses");
    sm_json *repeats = sm_json_add_array(doc, root, "originals");
    for (size_t i = 0; i < job->n_runs; i++) {
        const sm_balance_run *run = &job->runs[i];
        sm_json *o = sm_json_append_object(doc, run->kind == SM_BALANCE_ORIGINAL ? repeats : list);
        sm_json_add_text(doc, o, "kind", kinds[run->kind]);
        sm_json_add_text(doc, o, "weights", run->text);
        sm_json_add_text(doc, o, "source", run->source);
        add_vector(job, doc, o, run->v[0]);
        sm_json_add_text(doc, o, "unit", job->unit->name);
        sm_json_add_text(doc, o, "detector", sm_detector_text(job->detector));
        sm_json_add_number(doc, o, "scatter", run->scatter[0]);
        sm_json_add_number(doc, o, "rpm", run->rpm[0]);
        sm_json_add_bool(doc, o, "wanders", run->wanders);
        sm_json *all = sm_json_add_array(doc, o, "readings");
        for (size_t k = 0; k < r->n_readings; k++) {
            sm_json *reading = sm_json_append_object(doc, all);
            add_vector(job, doc, reading, run->v[k]);
            sm_json_add_number(doc, reading, "rpm", run->rpm[k]);
            sm_json_add_number(doc, reading, "scatter", run->scatter[k]);
        }
    }
}

static void add_influence(const sm_balance_job *job, const sm_balance_result *r, sm_json_doc *doc,
                          sm_json *root)
{
    char unit[64];
    (void)snprintf(unit, sizeof unit, "%s %s per g", job->unit->name,
                   sm_detector_text(job->detector));
    if (!r->has_influence) {
        sm_json_add_null(doc, root, "influence");
        return;
    }
    sm_json *o = sm_json_add_object(doc, root, "influence");
    add_vector(job, doc, o, r->influence[0][0]);
    sm_json_add_text(doc, o, "unit", unit);
    sm_json *all = sm_json_add_array(doc, root, "influences");
    for (size_t k = 0; k < r->n_readings; k++) {
        for (size_t p = 0; p < job->n_planes; p++) {
            o = sm_json_append_object(doc, all);
            sm_json_add_integer(doc, o, "reading", (long long)k + 1);
            sm_json_add_integer(doc, o, "plane", (long long)p + 1);
            add_vector(job, doc, o, r->influence[k][p]);
        }
    }
    sm_json_add_number(doc, root, "condition_number", r->condition);
}

static void fill_correction(const sm_balance_job *job, const sm_balance_result *r, size_t p,
                            sm_json_doc *doc, sm_json *o)
{
    bool sure = r->grams_interval[p][1] > 0;
    sm_json_add_integer(doc, o, "plane", (long long)p + 1);
    sm_json_add_number(doc, o, "grams", sm_phasor_amplitude(r->correction[p]));
    if (r->angle_known) {
        sm_json_add_number(doc, o, "angle_deg",
                           sm_phasor_angle_deg(sm_as_counted(job, r->correction[p])));
    } else {
        sm_json_add_null(doc, o, "angle_deg");
    }
    sm_json_add_text(doc, o, "trial", r->trial_stays ? "stays" : "removed");
    sm_json_add_number(doc, o, "ounces",
                       sm_phasor_amplitude(r->correction[p]) / SM_GRAMS_PER_OUNCE);
    if (sure) {
        sm_json_add_pair(doc, o, "grams_interval", r->grams_interval[p][0],
                         r->grams_interval[p][1]);
    } else {
        sm_json_add_null(doc, o, "grams_interval");
    }
    if (sure && r->angle_known) {
        sm_json_add_pair(doc, o, "angle_interval_deg", r->angle_interval_deg[p][0],
                         r->angle_interval_deg[p][1]);
    } else {
        sm_json_add_null(doc, o, "angle_interval_deg");
    }
}

static void add_correction(const sm_balance_job *job, const sm_balance_result *r, sm_json_doc *doc,
                           sm_json *root)
{
    if (!r->has_correction) {
        sm_json_add_null(doc, root, "correction");
        return;
    }
    sm_json *o = sm_json_add_object(doc, root, "correction");
    fill_correction(job, r, 0, doc, o);
    if (r->n_candidates == 2) {
        sm_json *list = sm_json_add_array(doc, o, "candidates");
        for (size_t i = 0; i < r->n_candidates; i++) {
            sm_json *c = sm_json_append_object(doc, list);
            sm_json_add_number(doc, c, "grams", r->grams_candidates[i]);
            sm_json_add_number(doc, c, "angle_deg", r->angle_candidates_deg[i]);
        }
    }
    if (job->n_planes > 1) {
        sm_json *all = sm_json_add_array(doc, root, "corrections");
        for (size_t p = 0; p < job->n_planes; p++) {
            fill_correction(job, r, p, doc, sm_json_append_object(doc, all));
        }
    }
}

/* Weights to add, or with sign -1 those to take off. */
static void add_parts(const sm_balance_split *s, size_t plane, double sign, sm_json_doc *doc,
                      sm_json *list)
{
    for (size_t i = 0; i < s->n_parts; i++) {
        const sm_balance_part *p = &s->parts[i];
        if (p->grams * sign <= 0) {
            continue;
        }
        sm_json *o = sm_json_append_object(doc, list);
        sm_json_add_number(doc, o, "angle_deg", p->angle_deg);
        sm_json_add_number(doc, o, "grams", p->grams * sign);
        sm_json_add_integer(doc, o, "hole", p->hole);
        sm_json_add_number(doc, o, "radius_mm", p->radius_mm);
        sm_json_add_number(doc, o, "total_grams", p->total_g);
        sm_json_add_integer(doc, o, "plane", (long long)plane + 1);
    }
}

static void add_split(const sm_balance_job *job, const sm_balance_result *r, sm_json_doc *doc,
                      sm_json *root)
{
    sm_json *list = sm_json_add_array(doc, root, "split");
    for (size_t p = 0; p < job->n_planes && r->has_correction; p++) {
        add_parts(&r->split[p], p, 1, doc, list);
    }
    list = sm_json_add_array(doc, root, "take_off");
    for (size_t p = 0; p < job->n_planes && r->has_correction; p++) {
        add_parts(&r->split[p], p, -1, doc, list);
    }
    sm_json *ways = sm_json_add_array(doc, root, "ways");
    for (size_t i = 0; i < r->n_ways && r->has_correction; i++) {
        sm_json *o = sm_json_append_object(doc, ways);
        sm_json_add_number(doc, o, "residual_g", r->ways[i].residual_g);
        sm_json_add_number(doc, o, "amplitude", sm_phasor_amplitude(r->ways[i].predicted));
        add_parts(&r->ways[i], 0, 1, doc, sm_json_add_array(doc, o, "split"));
        add_parts(&r->ways[i], 0, -1, doc, sm_json_add_array(doc, o, "take_off"));
    }
}

static void add_predicted(const sm_balance_job *job, const sm_balance_result *r, sm_json_doc *doc,
                          sm_json *root)
{
    if (!r->has_correction || !r->has_predicted) {
        sm_json_add_null(doc, root, "predicted");
    } else {
        sm_json *o = sm_json_add_object(doc, root, "predicted");
        add_vector(job, doc, o, r->predicted[0]);
        sm_json_add_number(doc, o, "residual_median", r->residual_median);
        sm_json_add_number(doc, o, "residual_p90", r->residual_p90);
    }
    if (r->has_check) {
        sm_json *o = sm_json_add_object(doc, root, "check");
        add_vector(job, doc, sm_json_add_object(doc, o, "predicted"), r->check_expected);
        add_vector(job, doc, sm_json_add_object(doc, o, "achieved"), r->check_achieved);
    }
    if (isfinite(r->u_per_gmm)) {
        sm_json *o = sm_json_add_object(doc, root, "iso21940");
        sm_json_add_number(doc, o, "grade_mm_s", job->grade);
        sm_json_add_number(doc, o, "permissible_gmm", r->u_per_gmm);
        sm_json_add_number(doc, o, "before_gmm", r->u_before_gmm);
        sm_json_add_number(doc, o, "after_gmm", r->u_after_gmm);
    }
    if (r->has_trial_hint) {
        sm_json *o = sm_json_add_object(doc, root, "trial_weight");
        sm_json_add_number(doc, o, "grams", r->trial_hint_g);
        sm_json_add_number(doc, o, "angle_deg", r->trial_hint_angle_deg);
    }
    if (r->has_reindex) {
        sm_json *o = sm_json_add_object(doc, root, "reindexed");
        add_vector(job, doc, sm_json_add_object(doc, o, "propeller"), r->part_propeller);
        add_vector(job, doc, sm_json_add_object(doc, o, "engine"), r->part_crank);
    }
}

static void polar_point(const sm_balance_job *job, sm_json_doc *doc, sm_json *list,
                        const char *label, sm_phasor v)
{
    if (isfinite(v.re)) {
        sm_json *o = sm_json_append_object(doc, list);
        sm_json_add_text(doc, o, "label", label);
        add_vector(job, doc, o, v);
    }
}

/* What a polar picture needs, in the user's own counting; nothing in it is not elsewhere. */
static void add_polar(const sm_balance_job *job, const sm_balance_result *r, sm_json_doc *doc,
                      sm_json *root)
{
    static const char *const kinds[] = {"as found", "trial", "check"};
    sm_json *o = sm_json_add_object(doc, root, "polar");
    sm_json_add_text(doc, o, "unit", job->unit->name);
    sm_json_add_text(doc, o, "detector", sm_detector_text(job->detector));
    sm_json *list = sm_json_add_array(doc, o, "vectors");
    for (size_t i = 0; i < job->n_runs && !job->no_phase; i++) {
        char label[208];
        (void)snprintf(label, sizeof label, "%s%s%s", kinds[job->runs[i].kind],
                       job->runs[i].text[0] ? " " : "", job->runs[i].text);
        polar_point(job, doc, list, label, job->runs[i].v[0]);
    }
    if (r->has_correction && r->has_predicted && !job->no_phase) {
        polar_point(job, doc, list, "predicted", r->predicted[0]);
    }
    list = sm_json_add_array(doc, o, "holes");
    for (size_t i = 0; i < job->n_holes; i++) {
        const sm_balance_hole *h = &job->holes[i];
        sm_json *hole = sm_json_append_object(doc, list);
        sm_json_add_integer(doc, hole, "hole", h->number);
        sm_json_add_number(doc, hole, "angle_deg", h->angle_deg);
        sm_json_add_number(doc, hole, "radius_mm", h->radius_mm);
        sm_json_add_number(doc, hole, "has_g", h->has_g);
    }
}

void sm_balance_json(const sm_balance_job *job, const sm_balance_result *r, sm_json_doc *doc)
{
    static const char *const weights[] = {"note", "warning", "stop"};
    sm_json *root = sm_json_root(doc);
    sm_json_add_text(doc, root, "schema", "stillmount/balance/1");
    sm_json *program = sm_json_add_object(doc, root, "program");
    sm_json_add_text(doc, program, "name", "stillmount");
    sm_json_add_text(doc, program, "version", sm_version());
    add_settings(job, doc, root);
    add_conventions(job, doc, root);
    sm_json *o = sm_json_add_object(doc, root, "original");
    add_vector(job, doc, o, r->original[0]);
    sm_json_add_text(doc, o, "unit", job->unit->name);
    sm_json_add_text(doc, o, "detector", sm_detector_text(job->detector));
    sm_json_add_number(doc, o, "scatter", r->scatter[0]);
    sm_json_add_bool(doc, o, "scatter_assumed", r->scatter_assumed);
    add_runs(job, r, doc, root);
    add_influence(job, r, doc, root);
    add_correction(job, r, doc, root);
    add_split(job, r, doc, root);
    add_predicted(job, r, doc, root);
    sm_json *list = sm_json_add_array(doc, root, "advice");
    for (size_t i = 0; i < r->n_advice; i++) {
        o = sm_json_append_object(doc, list);
        sm_json_add_text(doc, o, "code", r->advice[i].code);
        sm_json_add_text(doc, o, "severity", weights[r->advice[i].weight]);
        sm_json_add_text(doc, o, "text", r->advice[i].text);
    }
    add_polar(job, r, doc, root);
}
