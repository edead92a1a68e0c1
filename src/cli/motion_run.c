/* Opening, pumping and describing a log for drift and hold. */
#include "cli/motion_run.h"

#include "cli/report_out.h"
#include "stillmount/words.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static sm_status settle_powertrain(motion_run *run, sm_error *err)
{
    const char *path = run->powertrain_path;
    if (path) {
        run->has_powertrain = true;
        return sm_powertrain_read(path, &run->powertrain, err);
    }
    /* The speed stage wants one; drift and hold are told that it is not known. */
    static const char plain[] = "[powertrain]\nname = unknown\n[engine]\ncycle = four-stroke\n"
                                "cylinders = 4\n";
    return sm_powertrain_parse(plain, sizeof plain - 1, "plain", &run->powertrain, err);
}

static sm_speed_source source_of_word(const char *word)
{
    static const struct {
        const char *word;
        sm_speed_source source;
    } words[] = {{"tach", SM_SPEED_TACH},
                 {"column", SM_SPEED_COLUMN},
                 {"log", SM_SPEED_LOG},
                 {"estimate", SM_SPEED_ESTIMATE}};
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++) {
        if (strcmp(word, words[i].word) == 0) {
            return words[i].source;
        }
    }
    return SM_SPEED_NONE;
}

/* --rpm, else --speed, else tach, column, a separate log, notes; the vibration itself only for who
 * asks about a running engine. */
static sm_speed_source choose_speed(const sm_args *args, const motion_run *run, bool may_estimate)
{
    const char *word = sm_args_text(args, "speed", NULL);
    if (sm_args_given(args, "rpm")) {
        return SM_SPEED_DECLARED;
    }
    if (word) {
        return source_of_word(word);
    }
    sm_speed_source offered = sm_speed_offered(run->info->channels, run->info->n_channels);
    if (offered != SM_SPEED_NONE) {
        return offered;
    }
    if (sm_args_given(args, "rpm-log")) {
        return SM_SPEED_LOG;
    }
    if (run->info->rpm_notes[0] && run->has_powertrain) {
        return SM_SPEED_NOTES;
    }
    return may_estimate && run->has_powertrain ? SM_SPEED_ESTIMATE : SM_SPEED_NONE;
}

#define LONGEST_START_S 3600.0 /* later stamps are a time of day */

/* Readings of a log or of notes as speed points; the readings are freed. */
static sm_status take_points(motion_run *run, sm_rpm_log *log, double begin_s, sm_error *err)
{
    run->points = calloc(log->n, sizeof *run->points);
    for (size_t i = 0; run->points && i < log->n; i++) {
        run->points[i] = (sm_speed_point){begin_s + log->t_s[i], log->rpm[i], true};
    }
    run->speed_options.points = run->points;
    run->speed_options.n_points = log->n;
    sm_rpm_log_free(log);
    return run->points ? SM_OK : sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
}

/* Without a powertrain nothing can lay the log over the vibration: it is taken as it stands, begun
 * together with the run. Good enough to put seconds into bands, and said. */
static sm_status plain_log(const sm_args *args, motion_run *run, sm_error *err)
{
    sm_rpm_log log = {0};
    sm_status st = sm_rpm_log_read(sm_args_text(args, "rpm-log", ""), &log, err);
    if (st != SM_OK) {
        return st;
    }
    sm_finding *f = sm_findings_add(&run->findings, "rpm-log-not-aligned", SM_WARNING, "", 1);
    sm_finding_effect(f, "seconds may be in the wrong rpm band");
    sm_finding_text(f,
                    "The rpm log is taken to begin with the run: give --powertrain, and its clock "
                    "is found from the vibration");
    /* readings of a standing engine are not in it: small stamps count from the monitor's start */
    bool counts = log.first_s >= 0 && log.first_s < LONGEST_START_S;
    return take_points(run, &log, counts ? log.first_s : 0, err);
}

sm_status motion_run_take_notes(motion_run *run, sm_error *err)
{
    sm_rpm_log log = {0};
    if (run->speed_source != SM_SPEED_NONE || run->points || !run->info->rpm_notes[0]) {
        return SM_OK;
    }
    sm_status st = sm_rpm_notes_read(run->info, &log, err);
    if (st != SM_OK) {
        return st;
    }
    sm_finding *f = sm_findings_add(&run->findings, "rpm-notes-only", SM_WARNING, "", 1);
    sm_finding_effect(f, "the speed shown is what was typed, good to a few seconds");
    sm_finding_text(f, "the speed comes from the typed notes alone: give --powertrain, and the "
                       "vibration is asked, or record an rpm column or a pulse");
    run->speed_source = SM_SPEED_NOTES;
    return take_points(run, &log, 0, err);
}

/* The first pass: speed points from the vibration, steered by a slow log or notes. */
static sm_status estimate(const sm_args *args, motion_run *run, sm_error *err)
{
    const char *path = sm_args_text(args, "rpm-log", NULL);
    if (!run->has_powertrain && path && run->speed_source == SM_SPEED_LOG) {
        return plain_log(args, run, err);
    }
    if (!run->has_powertrain) {
        return sm_error_set(err, SM_E_VALUE, run->log_path, 0,
                            "the speed is to come from the vibration: --powertrain FILE is needed, "
                            "it says which orders to look for");
    }
    if (run->speed_source == SM_SPEED_LOG && !path) {
        return sm_error_set(err, SM_E_NO_SPEED, run->log_path, 0,
                            "--speed log needs --rpm-log FILE");
    }
    sm_estimate_request q = {.powertrain = &run->powertrain,
                             .rpm_log_path = run->speed_source == SM_SPEED_LOG ? path : NULL,
                             .vibration_only = run->speed_source == SM_SPEED_ESTIMATE,
                             .budget_lo_rpm = (double)NAN,
                             .budget_hi_rpm = (double)NAN};
    sm_error why = {0};
    sm_status st = sm_estimate_prepare(run->source, &q, &run->findings, &run->estimate,
                                       &run->speed_options, &why);
    if (st == SM_E_SHORT || (st == SM_OK && !(run->estimate.confidence > 0))) {
        run->speed_source = SM_SPEED_NONE; /* a finding says why; the log is taken as a whole */
        return SM_OK;
    }
    if (st != SM_OK && err) {
        *err = why;
    }
    return st;
}

static sm_status settle_speed(const sm_args *args, motion_run *run, bool may_estimate,
                              sm_error *err)
{
    run->speed_options = (sm_speed_options){.clock_offset_s = (double)NAN};
    run->speed_source = choose_speed(args, run, may_estimate);
    bool vibration = false;
    for (size_t i = 0; i < run->info->n_channels; i++) {
        sm_role role = run->info->channels[i].role;
        vibration |= role == SM_ROLE_ACCEL || role == SM_ROLE_GYRO;
    }
    if (run->speed_source == SM_SPEED_ESTIMATE && !vibration && !sm_args_given(args, "speed")) {
        run->speed_source = SM_SPEED_NONE;
    }
    bool first_pass = run->speed_source == SM_SPEED_LOG || run->speed_source == SM_SPEED_NOTES ||
                      run->speed_source == SM_SPEED_ESTIMATE;
    return first_pass ? estimate(args, run, err)
                      : sm_rpm_given_check(sm_args_text(args, "rpm-log", NULL), run->info, err);
}

sm_status motion_run_open(const sm_args *args, bool may_estimate, motion_run *run, sm_error *err)
{
    return motion_run_open_named(args, sm_args_file(args, 0),
                                 sm_args_text(args, "powertrain", NULL), may_estimate, run, err);
}

sm_status motion_run_open_named(const sm_args *args, const char *log, const char *powertrain,
                                bool may_estimate, motion_run *run, sm_error *err)
{
    *run = (motion_run){.log_path = log, .powertrain_path = powertrain};
    sm_source_options opt = sm_source_options_default();
    opt.channels_path = sm_args_text(args, "channels", NULL);
    sm_status st = settle_powertrain(run, err);
    st = st == SM_OK ? sm_source_open(log, &opt, &run->source, err) : st;
    if (st == SM_OK) {
        run->info = sm_source_info_get(run->source);
        st = settle_speed(args, run, may_estimate, err);
    }
    return st;
}

bool motion_run_has_gyro(const motion_run *run, const char *place)
{
    for (size_t i = 0; i < run->info->n_channels; i++) {
        const sm_channel *c = &run->info->channels[i];
        if (c->role == SM_ROLE_GYRO && strcmp(c->place, place) == 0) {
            return true;
        }
    }
    return false;
}

sm_status motion_run_no_gyro(motion_run *run, const char *place, const char *schema,
                             sm_json_doc *doc, sm_error *err)
{
    sm_status st = motion_run_pump(run, NULL, NULL, err);
    if (st != SM_OK) {
        return st;
    }
    sm_finding *f = sm_findings_add(&run->findings, "no-gyro", SM_BLOCKING, "", 1);
    sm_finding_effect(f, "nothing can be said");
    sm_finding_text(f,
                    "no gyro at place '%s': angular rates of the mount are needed; if the log has "
                    "them, name the columns in a channels file, role = %s.gyro.x",
                    place, place);
    motion_run_json(run, schema, doc);
    return SM_OK;
}

static sm_status drop(void *self, const sm_block *block, sm_error *err)
{
    (void)self;
    (void)block;
    (void)err;
    return SM_OK;
}

static sm_status drop_mark(void *self, sm_mark mark, double t_s, sm_error *err)
{
    (void)self;
    (void)mark;
    (void)t_s;
    (void)err;
    return SM_OK;
}

sm_status motion_run_begin(motion_run *run, const sm_args *args, const sm_sink *sink, sm_error *err)
{
    if (run->speed_source == SM_SPEED_NONE) {
        return SM_OK;
    }
    sm_speed_options opt = run->speed_options;
    opt.source = run->speed_source;
    opt.declared_rpm = sm_args_number(args, "rpm", (double)NAN);
    return sm_speed_open(run->info->channels, run->info->n_channels, run->info->rate_hz,
                         &run->powertrain, &opt, sink, &run->findings, &run->speed, err);
}

sm_status motion_run_pump(motion_run *run, const sm_args *args, const sm_sink *sink, sm_error *err)
{
    sm_sink first = sink ? *sink : (sm_sink){.push = drop, .mark = drop_mark};
    sm_status st = sink ? motion_run_begin(run, args, sink, err) : SM_OK;
    if (st != SM_OK) {
        return st;
    }
    first = run->speed ? sm_speed_sink(run->speed) : first;
    return sm_source_pump(run->source, &first, &run->findings, err);
}

void motion_run_close(motion_run *run)
{
    sm_speed_close(&run->speed);
    sm_estimate_result_free(&run->estimate);
    free(run->points);
    sm_source_close(&run->source);
    sm_findings_free(&run->findings);
}

static void files_json(const sm_source_totals *totals, sm_json_doc *doc, sm_json *o)
{
    sm_json *files = sm_json_add_array(doc, o, "files");
    for (size_t i = 0; i < totals->n_files; i++) {
        sm_json *f = sm_json_append_object(doc, files);
        sm_json_add_text(doc, f, "name", totals->files[i].name);
        sm_json_add_integer(doc, f, "bytes", (long long)totals->files[i].bytes);
        sm_json_add_text(doc, f, "sha256", totals->files[i].sha256);
    }
}

void motion_run_json(const motion_run *run, const char *schema, sm_json_doc *doc)
{
    sm_json *root = sm_json_root(doc);
    const sm_source_totals *totals = sm_source_totals_get(run->source);
    sm_json_add_text(doc, root, "schema", schema);
    sm_json *program = sm_json_add_object(doc, root, "program");
    sm_json_add_text(doc, program, "name", "stillmount");
    sm_json_add_text(doc, program, "version", sm_version());
    sm_json *o = sm_json_add_object(doc, root, "run");
    sm_json_add_text(doc, o, "name", run->info->name);
    files_json(totals, doc, o);
    sm_json_add_number(doc, o, "seconds", totals->seconds);
    sm_json_add_number(doc, o, "rate_hz", run->info->rate_hz);
    sm_findings_json(&run->findings, doc, root);
    sm_json *speed = sm_json_add_object(doc, root, "speed");
    sm_json_add_text(doc, speed, "source", sm_speed_source_text(run->speed_source));
    const sm_speed_result *r = run->speed ? sm_speed_result_get(run->speed) : NULL;
    sm_json_add_number(doc, speed, "rpm_min", r ? r->rpm_min : (double)NAN);
    sm_json_add_number(doc, speed, "rpm_max", r ? r->rpm_max : (double)NAN);
    sm_json_add_number(doc, speed, "confidence", r ? r->confidence : (double)NAN);
    sm_json_add_number(doc, speed, "clock_offset_s", r ? r->clock_offset_s : (double)NAN);
}

void motion_run_wrap(const sm_text *text, sm_text *out)
{
    char line[2048];
    for (const char *p = text->s; p && *p; p += strcspn(p, "\n"), p += *p == '\n') {
        size_t n = strcspn(p, "\n");
        size_t indent = strspn(p, " ");
        n = n < sizeof line ? n : sizeof line - 1;
        indent = indent < n ? indent : n;
        (void)memcpy(line, p + indent, n - indent);
        line[n - indent] = '\0';
        for (size_t i = 0; i < indent; i++) {
            sm_text_add(out, " ");
        }
        sm_words_wrap(out, indent, indent ? indent + 2 : 0, line);
    }
    out->failed = out->failed || text->failed;
}

void motion_run_text(const sm_json *root, sm_text *out)
{
    const sm_json *findings = sm_json_get(root, "findings");
    for (size_t i = 0; i < sm_json_size(findings); i++) {
        const sm_json *f = sm_json_at(findings, i);
        const char *severity = sm_json_string(sm_json_get(f, "severity"));
        if (strcmp(severity, "note") != 0) {
            const char *channel = sm_json_string(sm_json_get(f, "channel"));
            sm_text_addf(out, "%s%s%s: %s\n", severity, channel[0] ? ", " : "", channel,
                         sm_json_string(sm_json_get(f, "text")));
        }
    }
}

void motion_text_number(sm_text *out, const char *before, const sm_json *node, int digits,
                        const char *after)
{
    sm_text_add(out, before);
    sm_text_add_number(out, sm_json_number(node), digits);
    sm_text_add(out, after);
}

void motion_text_known(sm_text *out, const char *before, const sm_json *node, const char *after)
{
    if (isfinite(sm_json_number(node))) {
        motion_text_number(out, before, node, 3, after);
    }
}

void motion_text_reasons(const sm_json *reasons, const char *indent, const char *skip, sm_text *out)
{
    for (size_t i = 0; i < sm_json_size(reasons); i++) {
        const sm_json *r = sm_json_at(reasons, i);
        if (strcmp(sm_json_string(sm_json_get(r, "code")), skip) != 0) {
            sm_text_addf(out, "%s%s\n", indent, sm_json_string(sm_json_get(r, "text")));
        }
    }
}

int motion_run_command(const sm_args *args, const motion_job *job)
{
    motion_run log = {.source = NULL};
    sm_error err = {0};
    sm_json_doc *doc = NULL;
    sm_text raw = {0};
    sm_text text = {0};
    int status = SM_EXIT_UNASSESSED;
    sm_status st = sm_json_open(&doc);
    st = st == SM_OK ? job->compute(args, &log, doc, &status, &err) : st;
    st = st == SM_OK ? sm_json_status(doc) : st;
    if (st == SM_OK) {
        job->text(sm_json_root(doc), &raw);
        motion_run_wrap(&raw, &text);
        status = sm_cli_report(args, doc, status);
        status = status == SM_EXIT_FAILED ? status : sm_cli_emit(args, doc, &text, status);
    } else {
        err.code = err.code == SM_OK ? st : err.code;
        status = sm_cli_fail(&err);
    }
    sm_text_free(&raw);
    sm_text_free(&text);
    sm_json_close(&doc);
    motion_run_close(&log);
    return status;
}
