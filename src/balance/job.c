/* The job file: the series of runs as an INI that the mechanic can read and correct by hand. */
#include "balance/balance_internal.h"
#include "core/alloc.h"
#include "stillmount/ini.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const char *const job_keys[] = {"name",          "mark",
                                       "unit",          "phase",
                                       "weights_count", "trial",
                                       "seen_from",     "turns",
                                       "planes",        "rpm",
                                       "radius_mm",     "mass_kg",
                                       "grade",         "moving_mass_kg",
                                       "sensor_at_deg", "holes",
                                       "existing",      "step_g",
                                       "max_hole_g",    "influence",
                                       "influence_2",   "influence_3",
                                       "influence_4",   "other_load",
                                       "reindexed",     "reindexed_by_deg",
                                       "mark_on",       "direct_drive"};
static const char *const run_keys[] = {"kind",    "weights", "plane", "vector",
                                       "scatter", "wander",  "source"};
static const char *const kinds[] = {"original", "trial", "check"};

/* An error of a value's text, with file and line put to it. */
static sm_status at(const sm_ini *ini, const sm_ini_entry *e, sm_status st, const sm_error *why,
                    sm_error *err)
{
    return st == SM_OK ? st
                       : sm_error_set(err, st, ini->source, e ? e->line : 0, "%s", why->message);
}

static void get_text(const sm_ini_section *s, const char *key, char *out, size_t n)
{
    const sm_ini_entry *e = sm_ini_find(s, key);
    if (e) {
        sm_text_inert(e->value, strlen(e->value), out, n);
    }
}

static sm_status get_words(const sm_ini *ini, const sm_ini_section *s, sm_balance_job *job,
                           sm_error *err)
{
    static const char *const phases[] = {"lead", "lag", "none"};
    static const char *const counts[] = {"with", "against"};
    static const char *const trials[] = {"removed", "stays"};
    static const char *const sides[] = {"back", "front"};
    static const char *const turns[] = {"ccw", "cw"};
    static const char *const shafts[] = {"prop", "crank"};
    size_t phase = 0, count = 2, trial = 0, side = 2, turn = 2, shaft = 0;
    sm_status st = sm_ini_get_choice(ini, s, "phase", phases, 3, &phase, err);
    st = st ? st : sm_ini_get_choice(ini, s, "weights_count", counts, 2, &count, err);
    st = st ? st : sm_ini_get_choice(ini, s, "trial", trials, 2, &trial, err);
    st = st ? st : sm_ini_get_choice(ini, s, "seen_from", sides, 2, &side, err);
    st = st ? st : sm_ini_get_choice(ini, s, "turns", turns, 2, &turn, err);
    st = st ? st : sm_ini_get_choice(ini, s, "mark_on", shafts, 2, &shaft, err);
    st = st ? st : sm_ini_get_bool(ini, s, "direct_drive", &job->direct_drive, err);
    if (st == SM_OK) {
        job->phase_lag = phase == 1;
        job->no_phase = phase == 2;
        job->weights_given = count < 2;
        job->weights_against = count == 1;
        job->trial_stays = trial == 1;
        job->seen_from_front = side < 2 ? (int)side : -1;
        job->turns_cw = turn < 2 ? (int)turn : -1;
        job->mark_on_crank = shaft == 1;
    }
    return st;
}

static sm_status get_numbers(const sm_ini *ini, const sm_ini_section *s, sm_balance_job *job,
                             sm_error *err)
{
    long planes = 1;
    sm_status st = sm_ini_get_integer(ini, s, "planes", 1, SM_BALANCE_PLANES, &planes, err);
    st = st ? st : sm_ini_get_number(ini, s, "rpm", 10, 100000, &job->rpm, err);
    st = st ? st : sm_ini_get_number(ini, s, "radius_mm", 1, 5000, &job->radius_mm, err);
    st = st ? st : sm_ini_get_number(ini, s, "mass_kg", 1e-3, 1e5, &job->mass_kg, err);
    st = st ? st : sm_ini_get_number(ini, s, "grade", 1e-3, 1e5, &job->grade, err);
    st = st ? st : sm_ini_get_number(ini, s, "moving_mass_kg", 0.1, 1e5, &job->moving_mass_kg, err);
    st = st ? st : sm_ini_get_number(ini, s, "sensor_at_deg", -360, 360, &job->sensor_at_deg, err);
    st = st ? st : sm_ini_get_number(ini, s, "step_g", 0, 1000, &job->step_g, err);
    st = st ? st : sm_ini_get_number(ini, s, "max_hole_g", 0.01, 1e5, &job->max_hole_g, err);
    st = st ? st
            : sm_ini_get_number(ini, s, "reindexed_by_deg", -360, 360, &job->reindexed_by_deg, err);
    job->n_planes = (size_t)planes;
    return st;
}

static sm_status get_vector(const sm_ini *ini, const sm_ini_section *s, const char *key,
                            const sm_balance_job *job, sm_phasor *v, bool *has, sm_error *err)
{
    const sm_ini_entry *e = sm_ini_find(s, key);
    sm_balance_run run = {0};
    sm_error why = {0};
    if (!e) {
        return SM_OK;
    }
    sm_status st = sm_balance_readings_parse(job, e->value, &run, &why);
    if (st == SM_OK) {
        *v = run.v[0];
        *has = true;
    }
    return at(ini, e, st, &why, err);
}

static sm_status get_texts(const sm_ini *ini, const sm_ini_section *s, sm_balance_job *job,
                           sm_error *err)
{
    static const char *const names[] = {"influence", "influence_2", "influence_3", "influence_4"};
    const sm_ini_entry *e = sm_ini_find(s, "unit");
    sm_error why = {0};
    sm_status st = e ? at(ini, e, sm_balance_unit_parse(job, e->value, &why), &why, err) : SM_OK;
    e = sm_ini_find(s, "holes");
    if (st == SM_OK && e) {
        st = at(ini, e, sm_balance_holes_parse(job, e->value, 0, &why), &why, err);
    }
    e = sm_ini_find(s, "existing");
    if (st == SM_OK && e) {
        st = at(ini, e, sm_balance_existing_parse(job, e->value, &why), &why, err);
    }
    for (size_t p = 0; p < SM_BALANCE_PLANES && st == SM_OK; p++) {
        e = sm_ini_find(s, names[p]);
        if (e) {
            st = at(ini, e, sm_balance_influence_parse(job, e->value, p, &why), &why, err);
        }
    }
    st = st ? st
            : get_vector(ini, s, "other_load", job, &job->other_load, &job->has_other_load, err);
    return st ? st
              : get_vector(ini, s, "reindexed", job, &job->reindexed, &job->has_reindexed, err);
}

/* "0.01, 0.02": scatter of each reading. */
static sm_status get_scatter(const sm_ini *ini, const sm_ini_section *s, sm_balance_run *run,
                             sm_error *err)
{
    const sm_ini_entry *e = sm_ini_find(s, "scatter");
    const char *p = e ? e->value : "";
    const char *end = p + strlen(p);
    for (size_t k = 0; k < run->n_readings && *p; k++) {
        const char *q = sm_number_parse(p, end, '.', &run->scatter[k]);
        if (!q || !(run->scatter[k] >= 0)) {
            return sm_error_set(err, SM_E_VALUE, ini->source, e->line,
                                "scatter: numbers of at least 0, separated by commas, are needed");
        }
        p = q + strspn(q, ", ");
    }
    return SM_OK;
}

static sm_status get_run(const sm_ini *ini, const sm_ini_section *s, sm_balance_job *job,
                         sm_error *err)
{
    sm_balance_run run = {0};
    size_t kind = 3;
    long plane = 1;
    sm_error why = {0};
    sm_status st = sm_ini_check_keys(ini, s, run_keys, sizeof run_keys / sizeof run_keys[0], err);
    st = st ? st : sm_ini_get_choice(ini, s, "kind", kinds, 3, &kind, err);
    st = st ? st : sm_ini_get_integer(ini, s, "plane", 1, SM_BALANCE_PLANES, &plane, err);
    if (st != SM_OK) {
        return st;
    }
    const sm_ini_entry *v = sm_ini_find(s, "vector"), *w = sm_ini_find(s, "weights");
    if (kind == 3 || !v || (kind != 0) != (w != NULL)) {
        return sm_error_set(
            err, SM_E_FORMAT, ini->source, s->line,
            "[%s] needs kind (original, trial or check), vector, and weights unless "
            "it is an original",
            s->name);
    }
    run.kind = (sm_balance_kind)kind;
    st = at(ini, v, sm_balance_readings_parse(job, v->value, &run, &why), &why, err);
    if (st == SM_OK && w) {
        st = at(ini, w, sm_balance_weights_parse(job, w->value, (size_t)plane - 1, &run, &why),
                &why, err);
    }
    st = st ? st : get_scatter(ini, s, &run, err);
    st = st ? st : sm_ini_get_number(ini, s, "wander", 0, 100, &run.wander, err);
    run.wanders = run.wander > 0;
    get_text(s, "source", run.source, sizeof run.source);
    return st ? st : at(ini, v, sm_balance_job_add(job, &run, &why), &why, err);
}

sm_status sm_balance_job_read(const char *path, sm_balance_job *out, sm_error *err)
{
    static const char *const known[] = {"job", "run "};
    sm_ini ini = {0};
    sm_balance_job *job = sm_alloc_array(1, sizeof *job);
    sm_status st = job ? sm_ini_read(path, &ini, err)
                       : sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    if (st != SM_OK) {
        goto done;
    }
    sm_balance_job_default(job);
    const sm_ini_section *s = sm_ini_section_find(&ini, "job");
    st = sm_ini_check_sections(&ini, known, 2, err);
    if (st == SM_OK && !s) {
        st = sm_error_set(err, SM_E_FORMAT, ini.source, 0, "no [job] section: not a job file");
    }
    st = st ? st : sm_ini_check_keys(&ini, s, job_keys, sizeof job_keys / sizeof job_keys[0], err);
    st = st ? st : get_words(&ini, s, job, err);
    st = st ? st : get_numbers(&ini, s, job, err);
    st = st ? st : get_texts(&ini, s, job, err);
    get_text(s, "name", job->name, sizeof job->name);
    get_text(s, "mark", job->mark, sizeof job->mark);
    for (size_t i = 0; i < ini.n_sections && st == SM_OK; i++) {
        if (sm_ini_section_label(&ini.sections[i], "run")) {
            st = get_run(&ini, &ini.sections[i], job, err);
        }
    }
    if (st == SM_OK) {
        *out = *job;
    }
done:
    sm_ini_free(&ini);
    sm_free(job);
    return st;
}

static void put_number(sm_text *t, const char *key, double v)
{
    if (isfinite(v)) {
        sm_text_addf(t, "%s = ", key);
        sm_text_add_number(t, v, 9);
        sm_text_add(t, "\n");
    }
}

static void put_vector(const sm_balance_job *job, sm_text *t, sm_phasor v, double rpm)
{
    sm_text_add_number(t, sm_phasor_amplitude(v), 9);
    if (!job->no_phase) {
        sm_text_add(t, "@");
        sm_text_add_number(t, sm_phasor_angle_deg(sm_as_read(job, v)), 9);
    }
    if (isfinite(rpm)) {
        sm_text_add(t, " at ");
        sm_text_add_number(t, rpm, 6);
        sm_text_add(t, " rpm");
    }
}

/* A name from outside on one line, without what would start a comment. */
static void put_text(sm_text *t, const char *key, const char *s)
{
    if (!s[0]) {
        return;
    }
    sm_text_addf(t, "%s = ", key);
    for (; *s; s++) {
        char c = *s == '#' || *s == ';' ? ',' : *s;
        sm_text_add_n(t, &c, 1);
    }
    sm_text_add(t, "\n");
}

static void put_holes(const sm_balance_job *job, sm_text *t)
{
    bool any = false;
    sm_text_add(t, job->n_holes ? "holes = " : "");
    for (size_t i = 0; i < job->n_holes; i++) {
        sm_text_add(t, i ? ", " : "");
        sm_text_add_number(t, job->holes[i].angle_deg, 9);
        if (job->n_holes == 1 || isfinite(job->holes[i].radius_mm)) {
            sm_text_add(t, isfinite(job->holes[i].radius_mm) ? ":" : " deg");
            if (isfinite(job->holes[i].radius_mm)) {
                sm_text_add_number(t, job->holes[i].radius_mm, 9);
            }
        }
    }
    sm_text_add(t, job->n_holes ? "\n" : "");
    for (size_t i = 0; i < job->n_holes; i++) {
        if (job->holes[i].has_g > 0) {
            sm_text_add(t, any ? " + " : "existing = ");
            sm_text_add_number(t, job->holes[i].has_g, 9);
            sm_text_addf(t, " g @ hole %ld", job->holes[i].number);
            any = true;
        }
    }
    sm_text_add(t, any ? "\n" : "");
}

static void put_influence(const sm_balance_job *job, sm_text *t)
{
    for (size_t p = 0; p < job->n_planes && job->has_influence; p++) {
        sm_text_add(t, "influence");
        if (p) {
            sm_text_addf(t, "_%zu", p + 1);
        }
        sm_text_add(t, " = ");
        for (size_t k = 0; k < job->n_influence; k++) {
            sm_text_add(t, k ? ", " : "");
            put_vector(job, t, job->influence[k][p], NAN);
        }
        sm_text_add(t, "\n");
    }
}

static void put_job(const sm_balance_job *job, sm_text *t)
{
    sm_text_add(t, "[job]\n");
    put_text(t, "name", job->name);
    put_text(t, "mark", job->mark);
    sm_text_addf(t, "unit = %s %s\n", job->unit->name, sm_detector_text(job->detector));
    put_text(t, "phase", job->no_phase ? "none" : job->phase_lag ? "lag" : "lead");
    put_text(t, "weights_count",
             !job->weights_given    ? ""
             : job->weights_against ? "against"
                                    : "with");
    put_text(t, "trial", job->trial_stays ? "stays" : "removed");
    put_text(t, "seen_from",
             job->seen_from_front < 0 ? ""
             : job->seen_from_front   ? "front"
                                      : "back");
    put_text(t, "turns", job->turns_cw < 0 ? "" : job->turns_cw ? "cw" : "ccw");
    sm_text_addf(t, "planes = %zu\n", job->n_planes);
    put_number(t, "rpm", job->rpm);
    put_number(t, "radius_mm", job->radius_mm);
    put_number(t, "mass_kg", job->mass_kg);
    put_number(t, "grade", job->grade);
    put_number(t, "moving_mass_kg", job->moving_mass_kg);
    put_number(t, "sensor_at_deg", job->sensor_at_deg);
    put_holes(job, t);
    put_number(t, "step_g", job->step_g > 0 ? job->step_g : (double)NAN);
    put_number(t, "max_hole_g", job->max_hole_g);
    put_influence(job, t);
    put_text(t, "direct_drive", job->direct_drive ? "yes" : "");
    if (job->has_other_load) {
        sm_text_add(t, "other_load = ");
        put_vector(job, t, job->other_load, NAN);
        sm_text_add(t, "\n");
    }
    if (job->has_reindexed) {
        sm_text_add(t, "reindexed = ");
        put_vector(job, t, job->reindexed, NAN);
        sm_text_add(t, "\n");
        put_number(t, "reindexed_by_deg", job->reindexed_by_deg);
        put_text(t, "mark_on", job->mark_on_crank ? "crank" : "prop");
    }
}

static void put_run(const sm_balance_job *job, size_t i, sm_text *t)
{
    const sm_balance_run *run = &job->runs[i];
    sm_text_addf(t, "\n[run %zu]\nkind = %s\n", i + 1, kinds[run->kind]);
    put_text(t, "weights", run->kind == SM_BALANCE_ORIGINAL ? "" : run->text);
    if (run->plane) {
        sm_text_addf(t, "plane = %zu\n", run->plane + 1);
    }
    sm_text_add(t, "vector = ");
    for (size_t k = 0; k < run->n_readings; k++) {
        sm_text_add(t, k ? ", " : "");
        put_vector(job, t, run->v[k], run->rpm[k]);
    }
    sm_text_add(t, "\n");
    for (size_t k = 0; k < run->n_readings && isfinite(run->scatter[0]); k++) {
        sm_text_add(t, k ? ", " : "scatter = ");
        sm_text_add_number(t, isfinite(run->scatter[k]) ? run->scatter[k] : 0, 4);
    }
    sm_text_add(t, isfinite(run->scatter[0]) ? "\n" : "");
    put_number(t, "wander", run->wanders ? run->wander : (double)NAN);
    put_text(t, "source", run->source);
}

void sm_balance_job_text(const sm_balance_job *job, const sm_balance_result *r, sm_text *out)
{
    sm_text_add(out, "# Propeller balance: the runs so far.\n");
    if (r) {
        sm_text_addf(out, "# Next: %s\n", sm_balance_next_step(job, r));
    }
    put_job(job, out);
    for (size_t i = 0; i < job->n_runs; i++) {
        put_run(job, i, out);
    }
}
