/* All results of a run, and its verdict. */
#include "stillmount/assess.h"

#include "budget/score.h"
#include "core/alloc.h"

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

const char *sm_verdict_text(sm_verdict v)
{
    static const char *const names[] = {"within", "thin", "over", "unassessed"};
    return (int)v < 0 || v > SM_UNASSESSED ? "unassessed" : names[v];
}

void sm_reasons_add(sm_reasons *r, const char *code, const char *fmt, ...)
{
    for (size_t i = 0; i < r->n; i++) {
        if (strcmp(r->items[i].code, code) == 0) {
            return;
        }
    }
    if (r->n == SM_MAX_REASONS) {
        return;
    }
    sm_reason *item = &r->items[r->n++];
    (void)snprintf(item->code, sizeof item->code, "%s", code);
    va_list args;
    va_start(args, fmt);
    (void)vsnprintf(item->text, sizeof item->text, fmt, args);
    va_end(args);
}

/* A channel that a limit speaks of, in the log or missing from it. */
typedef struct target {
    long i_channel;
    char name[96];
} target;

static const char *role_word(sm_role role)
{
    return role == SM_ROLE_ACCEL ? "accel" : role == SM_ROLE_GYRO ? "gyro" : "mag";
}

static bool has_target(const target *t, size_t n, const char *name)
{
    for (size_t i = 0; i < n; i++) {
        if (strcmp(t[i].name, name) == 0) {
            return true;
        }
    }
    return false;
}

static size_t add_target(target *t, size_t n, long i_channel, const char *name)
{
    if (n < SM_MAX_CHANNELS && !has_target(t, n, name)) {
        t[n].i_channel = i_channel;
        (void)snprintf(t[n].name, sizeof t[n].name, "%s", name);
        return n + 1;
    }
    return n;
}

static long find_channel(const sm_survey_result *s, const char *place, sm_role role, int axis)
{
    for (size_t i = 0; i < s->n_channels; i++) {
        const sm_channel *c = &s->channels[i].info;
        if (strcmp(c->place, place) == 0 && c->role == role && c->axis == axis) {
            return (long)i;
        }
    }
    return -1;
}

static size_t add_place(const sm_survey_result *s, const sm_limit *l, const sm_pattern *p,
                        const char *place, target *t, size_t n)
{
    for (int axis = 0; axis < 3; axis++) {
        if (p->axis >= 0 && p->axis != axis) {
            continue;
        }
        char name[96];
        long i = find_channel(s, place, p->role, axis);
        (void)snprintf(name, sizeof name, "%.47s.%s.%c", place, role_word(p->role), 'x' + axis);
        if (i >= 0 || p->axis >= 0 || !l->any_axes) {
            n = add_target(t, n, i, name);
        }
    }
    return n;
}

static size_t find_targets(const sm_survey_result *s, const sm_limit *l, target *t)
{
    size_t n = 0;
    for (size_t k = 0; k < l->n_patterns; k++) {
        const sm_pattern *p = &l->patterns[k];
        size_t before = n;
        if (strcmp(p->place, "*") != 0) {
            n = add_place(s, l, p, p->place, t, n);
        }
        for (size_t i = 0; strcmp(p->place, "*") == 0 && i < s->n_channels; i++) {
            if (s->channels[i].info.role == p->role) {
                n = add_place(s, l, p, s->channels[i].info.place, t, n);
            }
        }
        if (n == before && s->n_channels > 0 && l->max_si == l->max_si) {
            char name[96];
            (void)snprintf(name, sizeof name, "%.47s.%s.*", p->place, role_word(p->role));
            n = add_target(t, n, -1, name);
        }
    }
    return n;
}

static sm_status score_all(const sm_score_view *v, sm_assessment *a)
{
    size_t capacity = 0;
    for (size_t b = 0; b < v->survey->n_bands; b++) {
        if (!v->budget->has_limits && !v->survey->bands[b].visited) {
            continue;
        }
        for (size_t l = 0; l < v->budget->n_limits; l++) {
            target targets[SM_MAX_CHANNELS];
            size_t n = find_targets(v->survey, &v->budget->limits[l], targets);
            for (size_t i = 0; i < n; i++) {
                sm_result *grown = sm_grow(a->results, a->n_results, &capacity, sizeof *grown);
                if (!grown) {
                    return SM_E_NOMEM;
                }
                a->results = grown;
                sm_result *r = &grown[a->n_results++];
                *r = (sm_result){.i_band = b, .i_limit = l, .i_channel = targets[i].i_channel};
                (void)snprintf(r->channel, sizeof r->channel, "%s", targets[i].name);
                sm_score(v, r);
            }
        }
    }
    return SM_OK;
}

/* Where it is over: the limit, how many bands, and the worst of them. */
static void name_over(const sm_score_view *v, sm_assessment *a)
{
    for (size_t l = 0; l < v->budget->n_limits; l++) {
        const sm_result *worst = NULL;
        long bands = 0;
        size_t last = SIZE_MAX;
        for (size_t i = 0; i < a->n_results; i++) {
            const sm_result *r = &a->results[i];
            if (r->i_limit != l || r->verdict != SM_OVER) {
                continue;
            }
            bands += r->i_band != last;
            last = r->i_band;
            worst = !worst || r->margin_db < worst->margin_db ? r : worst;
        }
        if (worst) {
            const sm_band *b = &v->survey->bands[worst->i_band];
            if (a->reasons.n == SM_MAX_REASONS) {
                return;
            }
            sm_reason *item = &a->reasons.items[a->reasons.n++]; /* one for each limit */
            (void)snprintf(item->code, sizeof item->code, "over-limit");
            (void)snprintf(item->text, sizeof item->text,
                           "limit %.60s exceeded in %ld band%s, most at %s, %.0f-%.0f rpm: %.1f dB "
                           "over",
                           v->budget->limits[l].name, bands, bands == 1 ? "" : "s", worst->channel,
                           b->rpm_lo, b->rpm_hi, -worst->margin_db);
        }
    }
}

/* A reason of one result becomes one of the run; where a stay is at fault, with the place. */
static void add_result_reason(const sm_score_view *v, const sm_result *r, const sm_reason *reason,
                              sm_assessment *a)
{
    const sm_band *b = &v->survey->bands[r->i_band];
    bool stay = strcmp(reason->code, "hold-longer") == 0 ||
                strcmp(reason->code, "too-short") == 0 ||
                strcmp(reason->code, "too-few-turns") == 0;
    if (stay) {
        sm_reasons_add(&a->reasons, reason->code, "%.0f-%.0f rpm, %s: %.180s", b->rpm_lo, b->rpm_hi,
                       r->channel, reason->text);
    } else {
        sm_reasons_add(&a->reasons, reason->code, "%s", reason->text);
    }
}

/* over if any; else unassessed if any required; else thin; else within. */
static void conclude(const sm_score_view *v, sm_assessment *a)
{
    long count[4] = {0};
    long unassessed_required = 0;
    for (size_t i = 0; i < a->n_results; i++) {
        const sm_result *r = &a->results[i];
        bool required = v->survey->bands[r->i_band].required;
        if (r->verdict != SM_UNASSESSED) {
            count[r->verdict]++;
        } else if (required) {
            unassessed_required++;
        }
    }
    if (count[SM_OVER]) {
        name_over(v, a);
    }
    const sm_finding *refused = sm_findings_get(sm_run_findings(v->run), "speed-refused", NULL);
    if (refused) {
        sm_reasons_add(&a->reasons, "speed-refused", "%.230s", refused->text);
    }
    for (size_t pass = count[SM_OVER] ? 2 : 0; pass < 2; pass++) { /* worst results first */
        for (size_t i = 0; i < a->n_results; i++) {
            const sm_result *r = &a->results[i];
            bool counts = r->verdict == SM_UNASSESSED && v->survey->bands[r->i_band].required;
            bool now = pass == 0 ? counts : r->verdict == SM_THIN;
            for (size_t k = 0; now && k < r->reasons.n; k++) {
                add_result_reason(v, r, &r->reasons.items[k], a);
            }
        }
    }
    if (count[SM_OVER]) {
        a->verdict = SM_OVER;
    } else if (unassessed_required) {
        a->verdict = SM_UNASSESSED;
    } else if (count[SM_THIN]) {
        a->verdict = SM_THIN;
    } else if (count[SM_WITHIN]) {
        a->verdict = SM_WITHIN;
    } else {
        a->verdict = SM_UNASSESSED;
        sm_reasons_add(&a->reasons, "nothing-assessed", "no band could be assessed");
    }
}

sm_score_view sm_score_view_of(sm_run *run)
{
    const sm_powertrain *p = sm_run_powertrain(run);
    return (sm_score_view){
        .run = run,
        .survey = sm_run_survey_result(run),
        .budget = sm_run_budget(run),
        .powertrain = p,
        .orders = sm_run_orders(run),
        .shaft_per_rpm = sm_powertrain_reference_per(p, p->rpm_of) / 60,
    };
}

sm_status sm_assess(sm_run *run, sm_assessment *out, sm_error *err)
{
    sm_score_view v = sm_score_view_of(run);
    v.floors = sm_alloc_array(v.survey->n_channels + 1, sizeof *v.floors);
    if (!v.floors) {
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    sm_check_channels(&v);
    sm_check_doubts(&v);
    sm_find_gears(&v);
    sm_assessment a = {.verdict = SM_UNASSESSED};
    sm_status st = score_all(&v, &a);
    sm_free(v.floors);
    if (st != SM_OK || sm_run_findings(run)->failed) {
        sm_assessment_free(&a);
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    if (v.budget->has_limits) {
        conclude(&v, &a);
    } else {
        sm_reasons_add(&a.reasons, "no-budget",
                       "no budget was given: levels and causes, never a verdict");
    }
    *out = a;
    return SM_OK;
}

void sm_assessment_free(sm_assessment *a)
{
    sm_free(a->results);
    *a = (sm_assessment){0};
}
