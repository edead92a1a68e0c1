/* Places side by side: what decides each, in order, and which are not independent. */
#include "core/alloc.h"
#include "core/util.h"
#include "stillmount/compare.h"
#include "stillmount/resonance.h"
#include "stillmount/stats.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#define Z95 1.959963984540054
#define ASSUMED_WEIGHT 3.0 /* of the assumed repeatability beside the measured one */
#define SAME_RESONANCE 0.03
#define OWN_SHARE 0.5 /* assumed: share of one run's variance that is the place's own */

enum { NAME = 320, MOST_PLACES = 64, MOST_MODES = 64 };

/* One run at a place. */
typedef struct visit {
    const sm_rank_run *run;
    const sm_result *worst; /* NULL = nothing to say */
    double key;             /* dB: higher is quieter; NaN = last */
    bool over;
    bool thin;
    const sm_result *unassessed; /* the first that a verdict would need */
} visit;

typedef struct place {
    char name[NAME]; /* for people */
    char where[48];  /* place in the log */
    const char *label;
    visit visits[SM_MAX_RUNS];
    size_t n;
    const visit *worst; /* the loudest of them */
    double key;         /* mean over the visits that have one */
    double ss;          /* squares about it */
    size_t n_keys;
} place;

/* A resonance of some run. */
typedef struct mode {
    const sm_run *run;
    char where[48];
    double hz;
} mode;

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
static void find_worst(visit *p, const char *where, bool has_limits)
{
    const sm_assessment *a = p->run->assessment;
    const sm_budget *budget = sm_run_budget(p->run->run);
    for (size_t i = 0; i < a->n_results; i++) {
        const sm_result *r = &a->results[i];
        if (!at_place(r, where)) {
            continue;
        }
        p->over = p->over || r->verdict == SM_OVER;
        p->thin = p->thin || r->verdict == SM_THIN;
        bool missing = r->verdict == SM_UNASSESSED &&
                       sm_run_survey_result(p->run->run)->bands[r->i_band].required;
        p->unassessed = missing && !p->unassessed ? r : p->unassessed;
        bool rms = budget->limits[r->i_limit].measure == SM_MEASURE_RMS;
        double key = has_limits                           ? r->margin_db
                     : rms && is_accel(r) && r->value > 0 ? -20 * log10(r->value)
                                                          : (double)NAN;
        if (isfinite(key) && !(key >= p->key)) {
            p->key = key;
            p->worst = r;
        }
    }
}

static void settle(place *p)
{
    double sum = 0;
    for (size_t i = 0; i < p->n; i++) {
        const visit *v = &p->visits[i];
        p->worst = !p->worst || v->key < p->worst->key || isnan(p->worst->key) ? v : p->worst;
        sum += isfinite(v->key) ? v->key : 0;
        p->n_keys += isfinite(v->key) ? 1 : 0;
    }
    p->key = p->n_keys ? sum / (double)p->n_keys : (double)NAN;
    for (size_t i = 0; i < p->n; i++) {
        double d = p->visits[i].key - p->key;
        p->ss += isfinite(d) ? d * d : 0;
    }
}

static sm_verdict verdict_of(const place *p)
{
    bool over = false;
    bool thin = false;
    bool unassessed = false;
    for (size_t i = 0; i < p->n; i++) {
        over = over || p->visits[i].over;
        thin = thin || p->visits[i].thin;
        unassessed = unassessed || p->visits[i].unassessed != NULL;
    }
    return over              ? SM_OVER
           : unassessed      ? SM_UNASSESSED
           : thin            ? SM_THIN
           : p->worst->worst ? SM_WITHIN
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

/* The entry that a run's place repeats; NULL = a new one. */
static place *repeated(place *all, size_t n, const sm_rank_run *run, const char *where)
{
    for (size_t i = 0; run->label && i < n; i++) {
        if (all[i].label && strcmp(all[i].label, run->label) == 0 &&
            strcmp(all[i].where, where) == 0 && all[i].n < SM_MAX_RUNS) {
            return &all[i];
        }
    }
    return NULL;
}

static bool first_of_place(const sm_source_info *info, size_t i)
{
    for (size_t k = 0; k < i; k++) {
        if (info->channels[k].role == SM_ROLE_ACCEL &&
            strcmp(info->channels[k].place, info->channels[i].place) == 0) {
            return false;
        }
    }
    return info->channels[i].role == SM_ROLE_ACCEL;
}

/* Places of a run that have an accelerometer. */
static size_t add_places(const sm_rank_run *run, bool one_run, place *out, size_t n)
{
    const sm_source_info *info = sm_run_info(run->run);
    const char *name = run->label ? run->label : run->name ? run->name : info->name;
    size_t places = 0;
    for (size_t i = 0; i < info->n_channels; i++) {
        places += first_of_place(info, i);
    }
    for (size_t i = 0; i < info->n_channels && n < MOST_PLACES; i++) {
        const char *where = info->channels[i].place;
        if (!first_of_place(info, i)) {
            continue;
        }
        place *p = repeated(out, n, run, where);
        if (!p) {
            p = &out[n++];
            *p = (place){.label = run->label};
            (void)snprintf(p->where, sizeof p->where, "%s", where);
            if (one_run && !run->label) {
                (void)snprintf(p->name, NAME, "%s", where);
            } else if (places == 1) {
                (void)snprintf(p->name, NAME, "%.300s", name);
            } else {
                (void)snprintf(p->name, NAME, "%.250s: %s", name, where);
            }
        }
        p->visits[p->n++] = (visit){.run = run, .key = (double)NAN};
    }
    return n;
}

static void write_number(const visit *v, bool has_limits, sm_json_doc *doc, sm_json *o)
{
    if (has_limits) {
        sm_json_add_number(doc, o, "worst_margin_db", v->key);
    } else {
        sm_json_add_number(doc, o, "level", v->worst ? v->worst->value : (double)NAN);
    }
}

static bool has_reason(const sm_json *reasons, const char *text)
{
    for (size_t i = 0; i < sm_json_size(reasons); i++) {
        if (strcmp(sm_json_string(sm_json_get(sm_json_at(reasons, i), "text")), text) == 0) {
            return true;
        }
    }
    return false;
}

/* What keeps the place from a verdict: the first of each run. */
static void write_why(const place *p, sm_json_doc *doc, sm_json *o)
{
    sm_json *reasons = sm_json_add_array(doc, o, "reasons");
    for (size_t i = 0; i < p->n && verdict_of(p) == SM_UNASSESSED; i++) {
        const sm_result *r = p->visits[i].unassessed;
        if (r && r->reasons.n > 0) {
            const sm_band *b = &sm_run_survey_result(p->visits[i].run->run)->bands[r->i_band];
            char text[360];
            (void)snprintf(text, sizeof text, "%.0f-%.0f rpm, %.60s: %.240s", b->rpm_lo, b->rpm_hi,
                           r->channel, r->reasons.items[0].text);
            if (has_reason(reasons, text)) {
                continue;
            }
            sm_json *reason = sm_json_append_object(doc, reasons);
            sm_json_add_text(doc, reason, "code", r->reasons.items[0].code);
            sm_json_add_text(doc, reason, "text", text);
        }
    }
}

static void write_place(const place *p, bool has_limits, sm_json_doc *doc, sm_json *list)
{
    sm_json *o = sm_json_append_object(doc, list);
    const visit *v = p->worst;
    const sm_survey_result *survey = sm_run_survey_result(v->run->run);
    sm_json_add_text(doc, o, "name", p->name);
    sm_json_add_text(doc, o, "run", sm_run_info(v->run->run)->name);
    sm_json_add_text(doc, o, "place", p->where);
    write_number(v, has_limits, doc, o);
    if (!has_limits) {
        sm_json_add_text(doc, o, "unit", v->worst && v->worst->unit ? v->worst->unit->name : "");
        sm_json_add_text(doc, o, "detector", "rms");
    }
    if (!v->worst) {
        sm_json_add_null(doc, o, "channel");
        sm_json_add_null(doc, o, "rpm");
        sm_json_add_null(doc, o, "cause");
    } else {
        const sm_band *b = &survey->bands[v->worst->i_band];
        sm_json_add_text(doc, o, "channel", v->worst->channel);
        sm_json_add_pair(doc, o, "rpm", b->rpm_lo, b->rpm_hi);
        sm_json *cause = sm_json_add_object(doc, o, "cause");
        sm_json_add_text(doc, cause, "kind",
                         v->worst->cause.kind[0] ? v->worst->cause.kind : "unknown");
        sm_json_add_text(doc, cause, "label", v->worst->cause.label);
        sm_json_add_number(doc, cause, "share", v->worst->cause.share);
        sm_json_add_text(doc, o, "limit",
                         sm_run_budget(v->run->run)->limits[v->worst->i_limit].name);
    }
    if (has_limits) {
        sm_json_add_text(doc, o, "verdict", sm_verdict_text(verdict_of(p)));
    } else {
        sm_json_add_null(doc, o, "verdict");
    }
    write_why(p, doc, o);
    sm_json *runs = sm_json_add_array(doc, o, "runs");
    for (size_t i = 0; i < p->n; i++) {
        sm_json *run = sm_json_append_object(doc, runs);
        sm_json_add_text(doc, run, "name", sm_run_info(p->visits[i].run->run)->name);
        write_number(&p->visits[i], has_limits, doc, run);
    }
}

/* How far one run's level strays from the next, and what that makes of differences. */
typedef struct spread {
    bool measured;
    double db;    /* standard deviation as measured, or assumed */
    double width; /* of a difference between two single runs, 95 % */
} spread;

static spread spread_of(const place *places, size_t n, double assumed_db)
{
    double ss = 0;
    double df = 0;
    for (size_t i = 0; i < n; i++) {
        ss += places[i].ss;
        df += places[i].n_keys > 1 ? (double)places[i].n_keys - 1 : 0;
    }
    if (!(df > 0)) {
        return (spread){false, assumed_db, Z95 * sqrt(2.0) * assumed_db};
    }
    double variance = (ss + ASSUMED_WEIGHT * assumed_db * assumed_db) / (df + ASSUMED_WEIGHT);
    return (spread){true, sqrt(ss / df),
                    sm_t_quantile(0.975, df + ASSUMED_WEIGHT) * sqrt(2 * variance)};
}

/* How far apart two places lie by chance. */
typedef struct chance {
    double db;    /* 95 % of the difference of their means */
    bool one_log; /* every run of one is a run of the other: what a whole run adds cancels */
} chance;

/* The differences run by run; false: some run has only one of the places. */
static bool paired(const place *p, const place *first, double d[SM_MAX_RUNS], size_t *n)
{
    *n = 0;
    for (size_t i = 0; i < p->n; i++) {
        for (size_t k = 0; k < first->n; k++) {
            double db = first->visits[k].key - p->visits[i].key;
            if (first->visits[k].run == p->visits[i].run && isfinite(db) && *n < SM_MAX_RUNS) {
                d[(*n)++] = db;
            }
        }
    }
    return *n > 0 && *n == p->n_keys && *n == first->n_keys;
}

/*
 * Two places that the same runs visited share throttle and wind, so the differences of each run
 * scatter less than the levels: measured where runs repeat, else half the variance is assumed to be
 * common. Others differ as two runs do.
 */
static chance chance_of(const place *p, const place *first, const spread *s, double assumed_db)
{
    double d[SM_MAX_RUNS];
    size_t n = 0;
    if (!paired(p, first, d, &n)) {
        double runs = 1 / (double)p->n_keys + 1 / (double)first->n_keys;
        return (chance){s->width * sqrt(runs / 2), false};
    }
    double assumed = 2 * OWN_SHARE * assumed_db * assumed_db;
    double mean = 0;
    double ss = 0;
    for (size_t i = 0; i < n; i++) {
        mean += d[i] / (double)n;
    }
    for (size_t i = 0; i < n; i++) {
        ss += (d[i] - mean) * (d[i] - mean);
    }
    double df = (double)n - 1;
    double variance = (ss + ASSUMED_WEIGHT * assumed) / (df + ASSUMED_WEIGHT);
    double quantile = n > 1 ? sm_t_quantile(0.975, df + ASSUMED_WEIGHT) : Z95;
    return (chance){quantile * sqrt(variance / (double)n), true};
}

/* How far each stands behind the quietest, and whether that is more than chance. */
static void write_difference(const place *p, const place *first, const spread *s, double assumed_db,
                             sm_json_doc *doc, sm_json *list, size_t i)
{
    sm_json *o = sm_json_edit(doc, sm_json_at(list, i));
    double db = first->key - p->key;
    sm_json_add_number(doc, o, "behind_first_db", db);
    if (isfinite(db) && i > 0) {
        chance c = chance_of(p, first, s, assumed_db);
        sm_json_add_number(doc, o, "difference_db", c.db);
        sm_json_add_bool(doc, o, "more_than_repeatability", db > c.db);
        sm_json_add_bool(doc, o, "same_runs", c.one_log);
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

/* The same fixed line at both places. */
static bool shared_line(const place *a, const visit *va, const place *b, const visit *vb,
                        sm_json_doc *doc, sm_json *list)
{
    const sm_survey_result *s = sm_run_survey_result(va->run->run);
    const sm_survey_result *t = sm_run_survey_result(vb->run->run);
    for (size_t i = 0; i < s->n_lines; i++) {
        for (size_t k = 0; k < t->n_lines; k++) {
            const sm_line *x = &s->lines[i];
            const sm_line *y = &t->lines[k];
            if (fixed_line_at(s, a->where, x) && fixed_line_at(t, b->where, y) &&
                fabs(x->hz - y->hz) < s->bin_hz) {
                char text[800];
                (void)snprintf(text, sizeof text,
                               "%s and %s both show a line at %.1f Hz at every speed: they share a "
                               "structure or a supply, so two sensors there are not independent",
                               a->name, b->name, x->hz);
                write_shared(doc, list, a, b, x->hz, "", text);
                return true;
            }
        }
    }
    return false;
}

static bool shared_mode(const place *a, const visit *va, const place *b, const visit *vb,
                        const mode *modes, size_t n, sm_json_doc *doc, sm_json *list)
{
    for (size_t i = 0; i < n; i++) {
        for (size_t k = 0; k < n; k++) {
            const mode *x = &modes[i];
            const mode *y = &modes[k];
            if (x->run == va->run->run && y->run == vb->run->run &&
                strcmp(x->where, a->where) == 0 && strcmp(y->where, b->where) == 0 &&
                fabs(log(x->hz / y->hz)) < SAME_RESONANCE) {
                char text[800];
                (void)snprintf(
                    text, sizeof text,
                    "%s and %s both ring at %.1f Hz when an order crosses it: they stand "
                    "on one structure, so two sensors there are not independent",
                    a->name, b->name, x->hz);
                write_shared(doc, list, a, b, x->hz, "", text);
                return true;
            }
        }
    }
    return false;
}

/* Of one log: both at their worst in one order of one band. */
static bool shared_event(const place *a, const visit *va, const place *b, const visit *vb,
                         sm_json_doc *doc, sm_json *list)
{
    const sm_result *x = va->worst;
    const sm_result *y = vb->worst;
    const sm_survey_result *s = sm_run_survey_result(va->run->run);
    if (va->run != vb->run || !x || !y || x->i_band != y->i_band || !x->cause.label[0] ||
        strcmp(x->cause.label, y->cause.label) != 0) {
        return false;
    }
    char text[900];
    (void)snprintf(text, sizeof text,
                   "%s and %s are at their worst together, in %.80s at %.0f-%.0f rpm: one event "
                   "reaches both, so two sensors there are not independent",
                   a->name, b->name, x->cause.label, s->bands[x->i_band].rpm_lo,
                   s->bands[x->i_band].rpm_hi);
    write_shared(doc, list, a, b, x->hz, x->cause.label, text);
    return true;
}

/* "before" and "after" name a time, not a place. */
static bool says_when(const char *label)
{
    static const char *const words[] = {"before", "after", "old", "new"};
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++) {
        size_t n = strlen(words[i]);
        if (strncasecmp(label, words[i], n) == 0 && !isalpha((unsigned char)label[n])) {
            return true;
        }
    }
    return false;
}

/* Redundancy is meant for two sensors of one aircraft as it stands: places of one log, or runs that
   the caller declares to be different places. Two bare runs may be one place before and after. */
static bool may_be_redundant(const place *a, const visit *va, const place *b, const visit *vb)
{
    return va->run == vb->run || (a->label && b->label && strcmp(a->label, b->label) != 0 &&
                                  !says_when(a->label) && !says_when(b->label));
}

/* The first that is found of a pair of places is named, once. */
static void find_shared(const place *a, const place *b, const mode *modes, size_t n_modes,
                        sm_json_doc *doc, sm_json *list)
{
    for (size_t i = 0; i < a->n; i++) {
        for (size_t k = 0; k < b->n; k++) {
            const visit *va = &a->visits[i];
            const visit *vb = &b->visits[k];
            if (!may_be_redundant(a, va, b, vb)) {
                continue;
            }
            if (shared_line(a, va, b, vb, doc, list) ||
                shared_mode(a, va, b, vb, modes, n_modes, doc, list) ||
                shared_event(a, va, b, vb, doc, list)) {
                return;
            }
        }
    }
}

/* Resonances of all runs. */
static sm_status find_modes(const sm_rank_run *runs, size_t n, mode *out, size_t *count)
{
    sm_resonance *found = sm_alloc_array(SM_MAX_RESONANCES, sizeof *found);
    sm_status st = found ? SM_OK : SM_E_NOMEM;
    *count = 0;
    for (size_t i = 0; i < n && st == SM_OK; i++) {
        const sm_run *run = runs[i].run;
        const sm_powertrain *p = sm_run_powertrain(run);
        const sm_survey_result *s = sm_run_survey_result(run);
        size_t n_found = 0;
        st = sm_resonances_find(s, sm_run_orders(run),
                                sm_powertrain_reference_per(p, p->rpm_of) / 60, found,
                                SM_MAX_RESONANCES, &n_found);
        for (size_t k = 0; k < n_found && st == SM_OK && *count < MOST_MODES; k++) {
            if (found[k].n_orders > 1) { /* one alone may be a force that rises with rpm */
                mode *m = &out[(*count)++];
                *m = (mode){.run = run, .hz = found[k].hz};
                (void)snprintf(m->where, sizeof m->where, "%s",
                               s->channels[found[k].i_channel].info.place);
            }
        }
    }
    sm_free(found);
    return st;
}

/* Whether a limit is scored at a place. */
static bool is_scored(const place *p, size_t i_limit)
{
    const sm_assessment *a = p->visits[0].run->assessment;
    for (size_t i = 0; i < a->n_results; i++) {
        if (a->results[i].i_limit == i_limit && at_place(&a->results[i], p->where)) {
            return true;
        }
    }
    return false;
}

/* Said where places answer to different limits: margins then do not tell which shakes less. */
static void write_limits(const place *places, size_t count, sm_json_doc *doc, sm_json *reasons)
{
    size_t n_limits = sm_run_budget(places[0].visits[0].run->run)->n_limits;
    for (size_t l = 0; l < n_limits; l++) {
        for (size_t i = 1; i < count; i++) {
            if (is_scored(&places[i], l) == is_scored(&places[0], l)) {
                continue;
            }
            sm_json *reason = sm_json_append_object(doc, reasons);
            sm_json_add_text(doc, reason, "code", "different-limits");
            sm_json_add_text(doc, reason, "text",
                             "the places are held to different limits: a margin tells what is left "
                             "of a place's own limits, not which place shakes less");
            return;
        }
    }
}

static void write_ranking(place *places, size_t count, bool has_limits, const spread *s,
                          double assumed_db, const mode *modes, size_t n_modes, sm_json_doc *doc)
{
    sm_json *root = sm_json_root(doc);
    sm_json *list = sm_json_add_array(doc, root, "places");
    sm_json *rep = sm_json_add_object(doc, root, "repeatability");
    sm_json *shared = sm_json_add_array(doc, root, "not_independent");
    sm_json_add_text(doc, rep, "source", s->measured ? "runs" : "assumed");
    sm_json_add_number(doc, rep, "db", s->db);
    sm_json_add_number(doc, rep, "difference_db", s->width);
    sm_json *reasons = sm_json_add_array(doc, root, "reasons");
    if (has_limits) {
        write_limits(places, count, doc, reasons);
    }
    for (size_t i = 0; i < count; i++) {
        write_place(&places[i], has_limits, doc, list);
        write_difference(&places[i], &places[0], s, assumed_db, doc, list, i);
        for (size_t k = i + 1; k < count; k++) {
            find_shared(&places[i], &places[k], modes, n_modes, doc, shared);
        }
    }
}

sm_status sm_rank_json(const sm_rank_run *runs, size_t n, double repeatability_db, sm_json_doc *doc,
                       bool *any, sm_error *err)
{
    place *places = sm_alloc_array(MOST_PLACES, sizeof *places);
    mode *modes = sm_alloc_array(MOST_MODES, sizeof *modes);
    size_t n_modes = 0;
    size_t count = 0;
    sm_status st = places && modes ? find_modes(runs, n, modes, &n_modes) : SM_E_NOMEM;
    if (st != SM_OK) {
        st = sm_error_set(err, st, NULL, 0, "out of memory");
        goto done;
    }
    bool has_limits = n > 0 && sm_run_budget(runs[0].run)->has_limits;
    for (size_t i = 0; i < n; i++) {
        count = add_places(&runs[i], n == 1, places, count);
    }
    if (count == 0) {
        st = sm_error_set(err, SM_E_VALUE, NULL, 0,
                          "no accelerometer in any run: there is nothing to rank");
        goto done;
    }
    *any = false;
    for (size_t i = 0; i < count; i++) {
        for (size_t k = 0; k < places[i].n; k++) {
            find_worst(&places[i].visits[k], places[i].where, has_limits);
        }
        settle(&places[i]);
        *any = *any || isfinite(places[i].key);
    }
    spread s = spread_of(places, count, repeatability_db);
    qsort(places, count, sizeof *places, quietest_first);
    for (size_t i = 0; i < count; i++) { /* moved by the sort */
        places[i].worst = NULL;
        places[i].n_keys = 0;
        places[i].ss = 0;
        settle(&places[i]);
    }
    write_ranking(places, count, has_limits, &s, repeatability_db, modes, n_modes, doc);
done:
    sm_free(places);
    sm_free(modes);
    return st;
}
