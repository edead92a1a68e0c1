/* Places side by side: what decides each, in order, and which are not independent. */
#include "core/alloc.h"
#include "core/util.h"
#include "stillmount/compare.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define Z95 1.959963984540054

enum { NAME = 320 };

typedef struct place {
    const sm_rank_run *run;
    char name[NAME];        /* for people */
    char where[48];         /* place in the log */
    const sm_result *worst; /* NULL = nothing to say */
    sm_verdict verdict;
    bool any_unassessed;
    double key; /* dB: higher is quieter; NaN = last */
} place;

static bool at_place(const sm_result *r, const char *where)
{
    size_t n = strlen(where);
    return strncmp(r->channel, where, n) == 0 && r->channel[n] == '.';
}

static bool is_accel(const sm_result *r)
{
    return strstr(r->channel, ".accel.") != NULL;
}

/* With limits the smallest margin; without the largest rms of an accelerometer. */
static void find_worst(place *p, bool has_limits)
{
    const sm_assessment *a = p->run->assessment;
    const sm_budget *budget = sm_run_budget(p->run->run);
    bool over = false;
    bool thin = false;
    for (size_t i = 0; i < a->n_results; i++) {
        const sm_result *r = &a->results[i];
        if (!at_place(r, p->where)) {
            continue;
        }
        over = over || r->verdict == SM_OVER;
        thin = thin || r->verdict == SM_THIN;
        p->any_unassessed =
            p->any_unassessed || (r->verdict == SM_UNASSESSED &&
                                  sm_run_survey_result(p->run->run)->bands[r->i_band].required);
        bool rms = budget->limits[r->i_limit].measure == SM_MEASURE_RMS;
        double key = has_limits                           ? r->margin_db
                     : rms && is_accel(r) && r->value > 0 ? -20 * log10(r->value)
                                                          : (double)NAN;
        if (isfinite(key) && !(key >= p->key)) {
            p->key = key;
            p->worst = r;
        }
    }
    p->verdict = over                ? SM_OVER
                 : p->any_unassessed ? SM_UNASSESSED
                 : thin              ? SM_THIN
                 : p->worst          ? SM_WITHIN
                                     : SM_UNASSESSED;
}

static int quietest_first(const void *a, const void *b)
{
    const place *x = a;
    const place *y = b;
    if (isnan(x->key) || isnan(y->key)) {
        return (int)isnan(x->key) - (int)isnan(y->key);
    }
    return x->key > y->key ? -1 : x->key < y->key;
}

/* Places of a run that have an accelerometer. */
static size_t add_places(const sm_rank_run *run, bool one_run, place *out, size_t n, size_t most)
{
    const sm_source_info *info = sm_run_info(run->run);
    size_t from = n;
    for (size_t i = 0; i < info->n_channels && n < most; i++) {
        const sm_channel *c = &info->channels[i];
        bool known = c->role != SM_ROLE_ACCEL;
        for (size_t k = from; k < n && !known; k++) {
            known = strcmp(out[k].where, c->place) == 0;
        }
        if (!known) {
            place *p = &out[n++];
            *p = (place){.run = run, .key = (double)NAN};
            (void)snprintf(p->where, sizeof p->where, "%s", c->place);
        }
    }
    for (size_t k = from; k < n; k++) {
        if (one_run) {
            (void)snprintf(out[k].name, NAME, "%s", out[k].where);
        } else if (n - from == 1) {
            (void)snprintf(out[k].name, NAME, "%s", info->name);
        } else {
            (void)snprintf(out[k].name, NAME, "%.250s: %s", info->name, out[k].where);
        }
    }
    return n;
}

static void write_place(const place *p, bool has_limits, sm_json_doc *doc, sm_json *list)
{
    sm_json *o = sm_json_append_object(doc, list);
    const sm_survey_result *survey = sm_run_survey_result(p->run->run);
    sm_json_add_text(doc, o, "name", p->name);
    sm_json_add_text(doc, o, "run", sm_run_info(p->run->run)->name);
    sm_json_add_text(doc, o, "place", p->where);
    if (has_limits) {
        sm_json_add_number(doc, o, "worst_margin_db", p->key);
    } else {
        sm_json_add_number(doc, o, "level", p->worst ? p->worst->value : (double)NAN);
        sm_json_add_text(doc, o, "unit", p->worst && p->worst->unit ? p->worst->unit->name : "");
        sm_json_add_text(doc, o, "detector", "rms");
    }
    if (!p->worst) {
        sm_json_add_null(doc, o, "channel");
        sm_json_add_null(doc, o, "rpm");
        sm_json_add_null(doc, o, "cause");
    } else {
        const sm_band *b = &survey->bands[p->worst->i_band];
        sm_json_add_text(doc, o, "channel", p->worst->channel);
        sm_json_add_pair(doc, o, "rpm", b->rpm_lo, b->rpm_hi);
        sm_json *cause = sm_json_add_object(doc, o, "cause");
        sm_json_add_text(doc, cause, "kind",
                         p->worst->cause.kind[0] ? p->worst->cause.kind : "unknown");
        sm_json_add_text(doc, cause, "label", p->worst->cause.label);
        sm_json_add_number(doc, cause, "share", p->worst->cause.share);
        sm_json_add_text(doc, o, "limit",
                         sm_run_budget(p->run->run)->limits[p->worst->i_limit].name);
    }
    if (has_limits) {
        sm_json_add_text(doc, o, "verdict", sm_verdict_text(p->verdict));
    } else {
        sm_json_add_null(doc, o, "verdict");
    }
}

/* How far each stands behind the quietest, and whether that is more than two runs of one place. */
static void write_difference(const place *p, const place *first, double chance_db, sm_json_doc *doc,
                             sm_json *list, size_t i)
{
    sm_json *o = sm_json_edit(doc, sm_json_at(list, i));
    double db = first->key - p->key;
    sm_json_add_number(doc, o, "behind_first_db", db);
    if (isfinite(db) && i > 0) {
        sm_json_add_bool(doc, o, "more_than_repeatability", db > chance_db);
    } else {
        sm_json_add_null(doc, o, "more_than_repeatability");
    }
}

static bool fixed_line_at(const sm_survey_result *s, const char *where, const sm_line *line)
{
    return line->kind == SM_LINE_FIXED &&
           strcmp(s->channels[line->i_channel].info.place, where) == 0;
}

static void write_shared(sm_json_doc *doc, sm_json *list, const place *a, const place *b, double hz,
                         const char *label, const char *text)
{
    sm_json *o = sm_json_append_object(doc, list);
    sm_json *places = sm_json_add_array(doc, o, "places");
    sm_json_append_text(doc, places, a->name);
    sm_json_append_text(doc, places, b->name);
    sm_json_add_number(doc, o, "hz", hz);
    sm_json_add_text(doc, o, "label", label);
    sm_json_add_text(doc, o, "text", text);
}

/* Two places of one log: the same fixed line, or the same order at its worst in the same band. */
static void find_shared(const place *a, const place *b, sm_json_doc *doc, sm_json *list)
{
    const sm_survey_result *s = sm_run_survey_result(a->run->run);
    char text[300];
    if (a->run != b->run) {
        return;
    }
    for (size_t i = 0; i < s->n_lines; i++) {
        for (size_t k = 0; k < s->n_lines; k++) {
            const sm_line *x = &s->lines[i];
            const sm_line *y = &s->lines[k];
            if (fixed_line_at(s, a->where, x) && fixed_line_at(s, b->where, y) &&
                fabs(x->hz - y->hz) < s->bin_hz) {
                (void)snprintf(text, sizeof text,
                               "%s and %s both show a line at %.1f Hz at every speed: they share a "
                               "structure or a supply, so two sensors there are not independent",
                               a->where, b->where, x->hz);
                write_shared(doc, list, a, b, x->hz, "", text);
                return;
            }
        }
    }
    if (a->worst && b->worst && a->worst->i_band == b->worst->i_band && a->worst->cause.label[0] &&
        strcmp(a->worst->cause.label, b->worst->cause.label) == 0) {
        (void)snprintf(
            text, sizeof text,
            "%s and %s are at their worst together, in %.80s at %.0f-%.0f rpm: one event "
            "reaches both, so two sensors there are not independent",
            a->where, b->where, a->worst->cause.label, s->bands[a->worst->i_band].rpm_lo,
            s->bands[a->worst->i_band].rpm_hi);
        write_shared(doc, list, a, b, a->worst->hz, a->worst->cause.label, text);
    }
}

sm_status sm_rank_json(const sm_rank_run *runs, size_t n, double repeatability_db, sm_json_doc *doc,
                       bool *any, sm_error *err)
{
    enum { MOST = 64 };
    place *places = sm_alloc_array(MOST, sizeof *places);
    if (!places) {
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    size_t count = 0;
    bool has_limits = n > 0 && sm_run_budget(runs[0].run)->has_limits;
    for (size_t i = 0; i < n; i++) {
        count = add_places(&runs[i], n == 1, places, count, MOST);
    }
    if (count == 0) {
        sm_free(places);
        return sm_error_set(err, SM_E_VALUE, NULL, 0,
                            "no accelerometer in any run: there is nothing to rank");
    }
    *any = false;
    for (size_t i = 0; i < count; i++) {
        find_worst(&places[i], has_limits);
        *any = *any || isfinite(places[i].key);
    }
    qsort(places, count, sizeof *places, quietest_first);
    sm_json *root = sm_json_root(doc);
    sm_json *list = sm_json_add_array(doc, root, "places");
    sm_json *rep = sm_json_add_object(doc, root, "repeatability");
    sm_json *shared = sm_json_add_array(doc, root, "not_independent");
    double chance_db = Z95 * sqrt(2.0) * repeatability_db;
    sm_json_add_text(doc, rep, "source", "assumed");
    sm_json_add_number(doc, rep, "db", repeatability_db);
    sm_json_add_number(doc, rep, "difference_db", chance_db);
    for (size_t i = 0; i < count; i++) {
        write_place(&places[i], has_limits, doc, list);
        write_difference(&places[i], &places[0], chance_db, doc, list, i);
        for (size_t k = i + 1; k < count; k++) {
            find_shared(&places[i], &places[k], doc, shared);
        }
    }
    sm_free(places);
    return SM_OK;
}
