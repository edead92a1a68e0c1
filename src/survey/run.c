/* Source -> speed -> survey, with the choice of the speed's source. */
#include "stillmount/run.h"

#include "core/alloc.h"
#include "stillmount/estimate.h"
#include "stillmount/motion.h"

#include <math.h>
#include <string.h>

enum { MOST_PLACES = 4 };
#define TELL_EVERY_S 0.499 /* half a second of log, and blocks of half a second each time */

/* Coning and level error of one place, when the budget limits them. */
typedef struct attitude {
    char place[48];
    sm_drift *drift;
} attitude;

struct sm_run {
    sm_run_options opt;
    sm_source *source;       /* NULL when blocks come from a caller */
    sm_source_info info;     /* of the source, or as the caller gave it */
    sm_channel *channels;    /* the caller's, copied; NULL with a source */
    sm_source_totals totals; /* of a caller's blocks */
    char name[128];
    sm_speed *speed;
    sm_survey *survey;
    sm_ground *ground;
    sm_order_table orders;
    sm_budget own_budget;
    const sm_budget *budget;
    sm_findings findings;
    sm_estimate_result estimate; /* points that the speed stage refers to */
    sm_sink next;                /* of the progress filter */
    double tell_at_s;            /* when progress is told next, in the log's time */
    sm_status broken;            /* what ended it before its end: there is no result */
    attitude places[MOST_PLACES];
    size_t n_places;
    double (*bands)[2]; /* of the budget, for the attitude accumulators */
};

sm_run_options sm_run_options_default(void)
{
    return (sm_run_options){.declared_rpm = NAN, .threads = 1};
}

/* From the separate log, the notes, or the vibration: needs a pass over the file of its own. */
static sm_status prepare_speed(const sm_speed_question *q, sm_estimate_result *points,
                               sm_findings *findings, sm_speed_options *out, sm_error *err)
{
    const sm_run_options *opt = q->options;
    bool vibration = opt->speed && strcmp(opt->speed, "estimate") == 0;
    sm_estimate_request request = {
        .powertrain = opt->powertrain,
        .rpm_log_path = vibration ? NULL : opt->rpm_log_path,
        .vibration_only = vibration,
        .budget_lo_rpm = opt->budget ? opt->budget->rpm_lo : (double)NAN,
        .budget_hi_rpm = opt->budget ? opt->budget->rpm_hi : (double)NAN,
    };
    return sm_estimate_prepare(q->source, &request, findings, points, out, err);
}

sm_status sm_run_choose_speed(const sm_speed_question *q, sm_estimate_result *points,
                              sm_findings *findings, sm_speed_options *out, sm_error *err)
{
    const sm_run_options *opt = q->options;
    const char *word = opt->speed;
    *out = (sm_speed_options){.source = SM_SPEED_NONE};
    if (!isnan(opt->declared_rpm)) {
        out->source = SM_SPEED_DECLARED;
        out->declared_rpm = opt->declared_rpm;
    } else if (word && strcmp(word, "tach") == 0) {
        out->source = SM_SPEED_TACH;
    } else if (word && strcmp(word, "column") == 0) {
        out->source = SM_SPEED_COLUMN;
    } else if (!word) {
        out->source = sm_speed_offered(q->channels, q->n_channels);
    }
    if (word && strcmp(word, "log") == 0 && !opt->rpm_log_path) {
        return sm_error_set(err, SM_E_NO_SPEED, q->path, 0, "--speed log needs --rpm-log FILE");
    }
    if (out->source != SM_SPEED_NONE) {
        return sm_rpm_given_check(opt->rpm_log_path,
                                  q->source ? sm_source_info_get(q->source) : NULL, err);
    }
    if (!q->source) {
        return sm_error_set(err, SM_E_NO_SPEED, q->path, 0,
                            "no engine speed among the channels: push an rpm or tach channel, or "
                            "declare a speed");
    }
    return prepare_speed(q, points, findings, out, err);
}

/* Lowest speed that counts: orders too fast even there need no tracking. */
static double lowest_rpm(const sm_run *run)
{
    const sm_powertrain *p = run->opt.powertrain;
    if (run->opt.budget && run->budget->rpm_lo > 0) {
        return run->budget->rpm_lo;
    }
    return p->idle_rpm > 0 ? 0.8 * p->idle_rpm : 500;
}

static sm_status make_orders(sm_run *run, sm_error *err)
{
    const char *extra[SM_MAX_LIMITS];
    size_t n = 0;
    for (size_t i = 0; i < run->budget->n_limits; i++) {
        if (run->budget->limits[i].measure == SM_MEASURE_ORDER) {
            extra[n++] = run->budget->limits[i].order_label;
        }
    }
    const sm_powertrain *p = run->opt.powertrain;
    double shaft_hz = lowest_rpm(run) / 60 * sm_powertrain_reference_per(p, p->rpm_of);
    double rate_hz = run->info.rate_hz;
    return sm_powertrain_orders(p, 0.4 * rate_hz / shaft_hz, extra, n, &run->orders, err);
}

static sm_status refuse(const sm_run *run, sm_error *err)
{
    return sm_error_set(err, run->broken, NULL, 0, "the run had been stopped before its end");
}

static sm_status tell(void *self, const sm_block *b, sm_error *err)
{
    sm_run *run = self;
    if (run->broken != SM_OK) { /* half a run is no run */
        return refuse(run, err);
    }
    run->totals.n_rows += b->n_rows;
    run->totals.seconds = b->t0_s + (double)b->n_rows / b->rate_hz;
    if (run->opt.progress && b->t0_s >= run->tell_at_s) {
        run->tell_at_s = b->t0_s + TELL_EVERY_S;
        if (!run->opt.progress(run->opt.progress_self, b->t0_s)) {
            run->broken = SM_E_CANCELLED;
            return sm_error_set(err, SM_E_CANCELLED, NULL, 0, "stopped");
        }
    }
    run->broken = run->next.push(run->next.self, b, err);
    return run->broken;
}

static sm_status pass_mark(void *self, sm_mark m, double t_s, sm_error *err)
{
    sm_run *run = self;
    if (run->broken != SM_OK) {
        return refuse(run, err);
    }
    run->broken = run->next.mark(run->next.self, m, t_s, err);
    return run->broken;
}

static bool limits_attitude(const sm_limit *l)
{
    return l->measure == SM_MEASURE_CONING || l->measure == SM_MEASURE_LEVEL;
}

static bool wants_attitude(const sm_run *run, const char *place)
{
    for (size_t i = 0; i < run->budget->n_limits; i++) {
        const sm_limit *l = &run->budget->limits[i];
        for (size_t k = 0; limits_attitude(l) && k < l->n_patterns; k++) {
            if (strcmp(l->patterns[k].place, "*") == 0 ||
                strcmp(l->patterns[k].place, place) == 0) {
                return true;
            }
        }
    }
    return false;
}

static sm_status open_attitude(sm_run *run, sm_error *err)
{
    const sm_source_info *info = &run->info;
    size_t n_bands = sm_budget_bands(run->budget);
    run->bands = sm_alloc_array(n_bands, sizeof *run->bands);
    if (!run->bands) {
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    for (size_t i = 0; i < n_bands; i++) {
        sm_budget_band(run->budget, i, &run->bands[i][0], &run->bands[i][1]);
    }
    for (size_t i = 0; i < info->n_channels; i++) {
        const sm_channel *c = &info->channels[i];
        if (c->role != SM_ROLE_GYRO || sm_run_drift(run, c->place) ||
            !wants_attitude(run, c->place) || run->n_places == MOST_PLACES) {
            continue;
        }
        sm_drift_options o = sm_drift_options_default();
        o.bands = (const double(*)[2])run->bands;
        o.n_bands = n_bands;
        o.powertrain = run->opt.powertrain;
        o.place = c->place;
        attitude *a = &run->places[run->n_places];
        sm_status st =
            sm_drift_open(info->channels, info->n_channels, info->rate_hz, &o, &a->drift, err);
        if (st != SM_OK) {
            return st;
        }
        memcpy(a->place, c->place, sizeof a->place);
        run->n_places++;
        sm_drift_findings(a->drift, &run->findings);
    }
    return SM_OK;
}

/* Behind the speed stage: the survey first, then what else listens. */
static sm_status spread_block(void *self, const sm_block *b, sm_error *err)
{
    sm_run *run = self;
    sm_sink sink = sm_survey_sink(run->survey);
    sm_status st = sink.push(sink.self, b, err);
    sink = sm_ground_sink(run->ground);
    st = st == SM_OK ? sink.push(sink.self, b, err) : st;
    for (size_t i = 0; i < run->n_places && st == SM_OK; i++) {
        sink = sm_drift_sink(run->places[i].drift);
        st = sink.push(sink.self, b, err);
    }
    return st;
}

static sm_status spread_mark(void *self, sm_mark m, double t_s, sm_error *err)
{
    sm_run *run = self;
    sm_sink sink = sm_survey_sink(run->survey);
    sm_status st = sink.mark(sink.self, m, t_s, err);
    sink = sm_ground_sink(run->ground);
    st = st == SM_OK ? sink.mark(sink.self, m, t_s, err) : st;
    for (size_t i = 0; i < run->n_places && st == SM_OK; i++) {
        sink = sm_drift_sink(run->places[i].drift);
        st = sink.mark(sink.self, m, t_s, err);
    }
    return st;
}

/* Budget, orders, survey, speed: everything between the source's blocks and the result. */
static sm_status begin(sm_run *run, const char *path, sm_error *err)
{
    const sm_source_info *info = &run->info;
    run->budget = run->opt.budget;
    if (!run->budget) {
        sm_budget_none(info->rate_hz, &run->own_budget);
        run->budget = &run->own_budget;
    }
    sm_speed_options speed;
    sm_speed_question question = {.options = &run->opt,
                                  .source = run->source,
                                  .channels = info->channels,
                                  .n_channels = info->n_channels,
                                  .path = path};
    sm_status st = sm_run_choose_speed(&question, &run->estimate, &run->findings, &speed, err);
    st = st == SM_OK ? make_orders(run, err) : st;
    if (st != SM_OK) {
        return st;
    }
    sm_survey_options vo = {.budget = run->budget,
                            .powertrain = run->opt.powertrain,
                            .orders = &run->orders,
                            .threads = run->opt.threads,
                            .detail = run->opt.detail,
                            .watch_clipping = run->source == NULL};
    st = sm_survey_open(info->channels, info->n_channels, info->rate_hz, &vo, &run->survey, err);
    st = st == SM_OK ? open_attitude(run, err) : st;
    st = st == SM_OK ? sm_ground_open(info->channels, info->n_channels, info->rate_hz,
                                      run->opt.powertrain, &run->ground, err)
                     : st;
    if (st != SM_OK) {
        return st;
    }
    sm_sink sink = {.self = run, .push = spread_block, .mark = spread_mark};
    st = sm_speed_open(info->channels, info->n_channels, info->rate_hz, run->opt.powertrain, &speed,
                       &sink, &run->findings, &run->speed, err);
    if (st == SM_OK) {
        run->next = sm_speed_sink(run->speed);
    }
    return st;
}

/* After the last mark. */
static sm_status finish(sm_run *run, sm_error *err)
{
    sm_status st = sm_survey_finish(run->survey, err);
    st = st == SM_OK ? sm_ground_finish(run->ground, err) : st;
    if (st == SM_OK) {
        sm_ground_findings(run->ground, run->budget, &run->findings);
    }
    return st;
}

/* A log of speed alone is a speed log, not a run. */
static sm_status need_vibration(const sm_source_info *info, const char *path, sm_error *err)
{
    for (size_t i = 0; i < info->n_channels; i++) {
        sm_role role = info->channels[i].role;
        if (role == SM_ROLE_ACCEL || role == SM_ROLE_GYRO) {
            return SM_OK;
        }
    }
    return sm_error_set(err, SM_E_FORMAT, path, 0,
                        "no accelerometer and no gyro in it: name the columns in a channels file, "
                        "role = accel.x or gyro.x with unit; a log of rpm alone goes with "
                        "--rpm-log");
}

static sm_status from_file(sm_run *run, const char *path, sm_error *err)
{
    sm_source_options so = sm_source_options_default();
    so.channels_path = run->opt.channels_path;
    so.threads = run->opt.threads;
    so.identify_later = run->opt.identify_later;
    sm_status st = sm_source_open(path, &so, &run->source, err);
    if (st != SM_OK) {
        return st;
    }
    run->info = *sm_source_info_get(run->source);
    st = need_vibration(&run->info, path, err);
    st = st == SM_OK ? begin(run, path, err) : st;
    if (st != SM_OK) {
        return st;
    }
    sm_sink sink = sm_run_sink(run);
    st = sm_source_pump(run->source, &sink, &run->findings, err);
    run->totals = *sm_source_totals_get(run->source);
    st = st == SM_OK ? finish(run, err) : st;
    for (size_t i = 0; st == SM_OK && i < run->info.n_channels; i++) {
        sm_survey_set_clip(run->survey, i, sm_source_clip_levels(run->source, i));
    }
    return st;
}

static sm_status new_run(const sm_run_options *opt, sm_run **out, sm_error *err)
{
    if (!opt || !opt->powertrain) {
        return sm_error_set(err, SM_E_ARG, NULL, 0, "a run needs a powertrain");
    }
    sm_run *run = sm_alloc_array(1, sizeof *run);
    if (!run) {
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    run->opt = *opt;
    run->tell_at_s = -INFINITY;
    *out = run;
    return SM_OK;
}

/* Hands the run over, or closes it when something failed. */
static sm_status hand_over(sm_run *run, sm_status st, sm_run **out, sm_error *err)
{
    if (st == SM_OK && run->findings.failed) {
        st = sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    if (st != SM_OK) {
        sm_run_close(&run);
        return st;
    }
    *out = run;
    return SM_OK;
}

sm_status sm_run_begin(const sm_channel *channels, size_t n_channels, double rate_hz,
                       const char *name, const sm_run_options *opt, sm_run **out, sm_error *err)
{
    sm_run *run = NULL;
    sm_status st = new_run(opt, &run, err);
    if (st != SM_OK) {
        return st;
    }
    run->channels = sm_alloc_array(n_channels + 1, sizeof *channels);
    if (!run->channels) {
        return hand_over(run, sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory"), out, err);
    }
    memcpy(run->channels, channels, n_channels * sizeof *channels);
    sm_text_inert(name, strlen(name), run->name, sizeof run->name);
    run->info = (sm_source_info){.channels = run->channels,
                                 .n_channels = n_channels,
                                 .rate_hz = rate_hz,
                                 .decided = "",
                                 .name = run->name,
                                 .note = "",
                                 .rpm_notes = "",
                                 .rpm_notes_file = ""};
    run->totals.measured_rate_hz = run->totals.median_rate_hz = run->totals.mean_rate_hz = rate_hz;
    return hand_over(run, begin(run, run->name, err), out, err);
}

sm_sink sm_run_sink(sm_run *run)
{
    return (sm_sink){.self = run, .push = tell, .mark = pass_mark};
}

sm_status sm_run_finish(sm_run *run, sm_error *err)
{
    sm_status st = pass_mark(run, SM_MARK_END, run->totals.seconds, err);
    return st == SM_OK ? finish(run, err) : st;
}

sm_status sm_run_survey(const char *path, const sm_run_options *opt, sm_run **out, sm_error *err)
{
    sm_run *run = NULL;
    sm_status st = new_run(opt, &run, err);
    return st == SM_OK ? hand_over(run, from_file(run, path, err), out, err) : st;
}

void sm_run_close(sm_run **r)
{
    sm_run *run = *r;
    if (!run) {
        return;
    }
    sm_survey_close(&run->survey); /* first: its threads may still run */
    sm_ground_close(&run->ground);
    sm_speed_close(&run->speed);
    for (size_t i = 0; i < run->n_places; i++) {
        sm_drift_close(&run->places[i].drift);
    }
    sm_estimate_result_free(&run->estimate);
    sm_free(run->bands);
    sm_free(run->channels);
    sm_source_close(&run->source);
    sm_findings_free(&run->findings);
    sm_free(run);
    *r = NULL;
}

const sm_drift *sm_run_drift(const sm_run *run, const char *place)
{
    for (size_t i = 0; i < run->n_places; i++) {
        if (strcmp(run->places[i].place, place) == 0) {
            return run->places[i].drift;
        }
    }
    return NULL;
}

const sm_source_info *sm_run_info(const sm_run *run)
{
    return &run->info;
}

const sm_source_totals *sm_run_totals(const sm_run *run)
{
    return &run->totals;
}

sm_status sm_run_identify(sm_run *run, sm_error *err)
{
    return run->source ? sm_source_identify(run->source, err) : SM_OK;
}

const sm_speed_result *sm_run_speed(const sm_run *run)
{
    return sm_speed_result_get(run->speed);
}

const sm_survey_result *sm_run_survey_result(const sm_run *run)
{
    return sm_survey_result_get(run->survey);
}

const sm_order_table *sm_run_orders(const sm_run *run)
{
    return &run->orders;
}

const sm_budget *sm_run_budget(const sm_run *run)
{
    return run->budget;
}

const sm_ground *sm_run_ground(const sm_run *run)
{
    return run->ground;
}

const sm_powertrain *sm_run_powertrain(const sm_run *run)
{
    return run->opt.powertrain;
}

sm_findings *sm_run_findings(sm_run *run)
{
    return &run->findings;
}

static void add_channels(const sm_run *run, sm_json_doc *doc, sm_json *o)
{
    const sm_source_info *info = sm_run_info(run);
    const sm_survey_result *v = sm_run_survey_result(run);
    sm_json *array = sm_json_add_array(doc, o, "channels");
    for (size_t i = 0; i < info->n_channels; i++) {
        const sm_channel *c = &info->channels[i];
        double rms = NAN;
        for (size_t k = 0; k < v->n_channels; k++) {
            if (v->channels[k].i_source == i) {
                rms = v->channels[k].rms_si / (c->unit ? c->unit->to_si : 1);
            }
        }
        sm_json *item = sm_json_append_object(doc, array);
        sm_json_add_text(doc, item, "role", c->name);
        sm_json_add_text(doc, item, "column", c->column);
        sm_json_add_text(doc, item, "unit", c->unit ? c->unit->name : "");
        sm_json_add_number(doc, item, "rms", rms);
    }
}

static void add_speed(const sm_run *run, sm_json_doc *doc, sm_json *object)
{
    const sm_speed_result *s = sm_run_speed(run);
    sm_json *o = sm_json_add_object(doc, object, "speed");
    sm_json_add_text(doc, o, "source", sm_speed_source_text(s->source));
    sm_json_add_text(doc, o, "rpm_of",
                     run->opt.powertrain->rpm_of == SM_SHAFT_CRANK ? "crank" : "prop");
    sm_json_add_number(doc, o, "rpm_min", s->rpm_min);
    sm_json_add_number(doc, o, "rpm_max", s->rpm_max);
    sm_comb_result comb;
    sm_survey_speed_check(sm_run_survey_result(run), &comb);
    sm_json_add_text(doc, o, "check", sm_comb_check_text(comb.check));
    sm_json_add_number(doc, o, "confidence", s->confidence);
    sm_json *ambiguous = sm_json_add_array(doc, o, "ambiguous_with");
    for (size_t i = 0; i < comb.n_ambiguous; i++) {
        sm_json_append_text(doc, ambiguous, comb.ambiguous[i]);
    }
    sm_json_add_number(doc, o, "clock_offset_s", s->clock_offset_s);
    sm_json *trace = sm_json_add_object(doc, o, "trace");
    sm_json_add_numbers(doc, trace, "time_s", s->trace_t_s, s->n_trace);
    sm_json_add_numbers(doc, trace, "rpm", s->trace_rpm, s->n_trace);
}

void sm_run_json(const sm_run *run, sm_json_doc *doc, sm_json *object)
{
    const sm_source_totals *t = sm_run_totals(run);
    sm_json *o = sm_json_add_object(doc, object, "run");
    sm_json_add_text(doc, o, "name", sm_run_info(run)->name);
    sm_json *files = sm_json_add_array(doc, o, "files");
    for (size_t i = 0; i < t->n_files; i++) {
        sm_json *f = sm_json_append_object(doc, files);
        sm_json_add_text(doc, f, "name", t->files[i].name);
        sm_json_add_integer(doc, f, "bytes", (long long)t->files[i].bytes);
        sm_json_add_text(doc, f, "sha256", t->files[i].sha256);
    }
    sm_json_add_number(doc, o, "seconds", t->seconds);
    sm_json_add_number(doc, o, "rate_hz", sm_run_info(run)->rate_hz);
    add_channels(run, doc, o);
    add_speed(run, doc, object);
}
