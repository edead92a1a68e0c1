/* stillmount balance: propeller correction weight from vectors or from runs. */
#include "cli/commands.h"
#include "cli/report_out.h"
#include "stillmount/balance.h"
#include "stillmount/file.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const sm_option options[] = {
    {.name = "original",
     .kind = SM_ARG_TEXT,
     .arg = "VECTOR|RUN",
     .repeats = true,
     .help = "as found: amplitude@angle (0.266@289), or a log; again for a repeat of the run; "
             "several sensors or speeds separated by commas"},
    {.name = "trial",
     .kind = SM_ARG_TEXT,
     .arg = "WEIGHT",
     .repeats = true,
     .help = "trial weight: \"15 g @ 90\" or \"0.5 oz @ hole 4\", joined by +; \"in plane 2\" and "
             "\"at 110 mm\" may follow"},
    {.name = "response",
     .kind = SM_ARG_TEXT,
     .arg = "VECTOR|RUN",
     .repeats = true,
     .help = "the vector with that trial weight on; one for each --trial"},
    {.name = "trial-stays",
     .kind = SM_ARG_FLAG,
     .help = "trial weights stay on; the answer is what to add to them (default: each is taken "
             "off again)"},
    {.name = "installed",
     .kind = SM_ARG_TEXT,
     .arg = "WEIGHT",
     .repeats = true,
     .help = "correction weights that are on in a check run"},
    {.name = "check",
     .kind = SM_ARG_TEXT,
     .arg = "VECTOR|RUN",
     .repeats = true,
     .help = "the vector with them on: did it work?"},
    {.name = "influence",
     .kind = SM_ARG_TEXT,
     .arg = "VECTOR",
     .repeats = true,
     .help = "known coefficient from an earlier job, unit per gram, instead of a trial; once for "
             "each plane"},
    {.name = "no-phase",
     .kind = SM_ARG_FLAG,
     .help = "no pulse: amplitudes only, three or four runs"},
    {.name = "weights-count",
     .kind = SM_ARG_CHOICE,
     .arg = "WAY",
     .choices = "with|against",
     .help = "weight angles are counted with or against the rotation of the propeller; needed "
             "whenever there is a phase"},
    {.name = "phase",
     .kind = SM_ARG_CHOICE,
     .arg = "WAY",
     .choices = "lead|lag",
     .help = "what the instrument prints: lead (peak before the pulse, default) or lag"},
    {.name = "mark",
     .kind = SM_ARG_TEXT,
     .arg = "TEXT",
     .help = "where 0 degrees of the weights is (default: the tach mark)"},
    {.name = "seen-from",
     .kind = SM_ARG_CHOICE,
     .arg = "SIDE",
     .choices = "front|back",
     .help = "where you stand when you look at the holes"},
    {.name = "turns",
     .kind = SM_ARG_CHOICE,
     .arg = "WAY",
     .choices = "cw|ccw",
     .help = "how the propeller turns seen from there"},
    {.name = "unit",
     .kind = SM_ARG_TEXT,
     .arg = "UNIT",
     .help = "unit of the amplitudes: \"in/s peak\" (default), \"mm/s rms\", \"mil pp\""},
    {.name = "rpm",
     .kind = SM_ARG_TEXT,
     .arg = "N|LO-HI",
     .help = "speed of the vectors; from runs: the held speed to use (within 1 %), or a band"},
    {.name = "planes",
     .kind = SM_ARG_INTEGER,
     .arg = "N",
     .lo = 1,
     .hi = SM_BALANCE_PLANES,
     .help = "planes that take weights (default 1)"},
    {.name = "holes",
     .kind = SM_ARG_TEXT,
     .arg = "LIST",
     .help = "number of equally spaced holes (12), or their angles with an optional radius "
             "(\"0, 45:110, 90\")"},
    {.name = "first-hole",
     .kind = SM_ARG_NUMBER,
     .arg = "DEG",
     .unit = "degrees",
     .lo = -360,
     .hi = 360,
     .help = "angle of hole 1 of equally spaced ones (default 0)"},
    {.name = "weights",
     .kind = SM_ARG_NUMBER,
     .arg = "G",
     .unit = "g",
     .lo = 0.001,
     .hi = 1000,
     .help = "weights come in steps of this"},
    {.name = "max-per-hole",
     .kind = SM_ARG_NUMBER,
     .arg = "G",
     .unit = "g",
     .lo = 0.01,
     .hi = 100000,
     .help = "most that a hole may hold"},
    {.name = "existing",
     .kind = SM_ARG_TEXT,
     .arg = "WEIGHTS",
     .help = "weights already in the holes: \"5 g @ hole 3 + 2 g @ hole 4\""},
    {.name = "radius",
     .kind = SM_ARG_NUMBER,
     .arg = "MM",
     .unit = "mm",
     .lo = 1,
     .hi = 5000,
     .help = "radius of the weights"},
    {.name = "mass",
     .kind = SM_ARG_NUMBER,
     .arg = "KG",
     .unit = "kg",
     .lo = 0.001,
     .hi = 100000,
     .help = "mass of the propeller, for ISO 21940-11"},
    {.name = "grade",
     .kind = SM_ARG_NUMBER,
     .arg = "G",
     .unit = "mm/s",
     .lo = 0.1,
     .hi = 4000,
     .help = "balance quality grade of ISO 21940-11, for example 6.3"},
    {.name = "moving-mass",
     .kind = SM_ARG_NUMBER,
     .arg = "KG",
     .unit = "kg",
     .lo = 0.1,
     .hi = 100000,
     .help = "engine and propeller on their mounts: sizes the trial weight"},
    {.name = "sensor-at",
     .kind = SM_ARG_NUMBER,
     .arg = "DEG",
     .unit = "degrees",
     .lo = -360,
     .hi = 360,
     .help = "direction of the sensor, counted with rotation from where the mark is at the pulse: "
             "places the trial weight"},
    {.name = "other-load",
     .kind = SM_ARG_TEXT,
     .arg = "VECTOR|RUN",
     .help = "the vector at the same rpm with another load: is it mass or air?"},
    {.name = "reindexed",
     .kind = SM_ARG_TEXT,
     .arg = "VECTOR|RUN",
     .help = "direct drive: the vector after turning the propeller on its flange"},
    {.name = "reindexed-by",
     .kind = SM_ARG_NUMBER,
     .arg = "DEG",
     .unit = "degrees",
     .lo = -360,
     .hi = 360,
     .help = "by how much, counted as the weights are"},
    {.name = "mark-on",
     .kind = SM_ARG_CHOICE,
     .arg = "SHAFT",
     .choices = "prop|crank",
     .help = "the tach mark went with the propeller (default) or stayed with the crank"},
    {.name = "name", .kind = SM_ARG_TEXT, .arg = "TEXT", .help = "name of the job"},
    {.name = "job",
     .kind = SM_ARG_TEXT,
     .arg = "FILE",
     .help = "job file: read if it is there, and kept with the runs given here added"},
    {.name = "channel",
     .kind = SM_ARG_TEXT,
     .arg = "ROLE",
     .repeats = true,
     .help = "from runs: accelerometer at the propeller end, for example prop.accel.y; again for a "
             "second one"},
    {.name = "powertrain",
     .kind = SM_ARG_TEXT,
     .arg = "FILE",
     .help = "from runs: powertrain file"},
    {.name = "channels",
     .kind = SM_ARG_TEXT,
     .arg = "FILE",
     .help = "from runs: channels file (roles, units, shaft = prop for the tach)"},
    {.name = "delay-ms",
     .kind = SM_ARG_NUMBER,
     .arg = "MS",
     .unit = "ms",
     .lo = -1000,
     .hi = 1000,
     .help = "from runs: delay of the sensor against the pulse (default: first-order lag of its "
             "bandwidth_hz); a constant one cancels with trial weights"},
    SM_OPTIONS_OUTPUT,
    SM_OPTIONS_REPORT,
};

/* What runs need beyond the job. */
typedef struct context {
    const sm_args *args;
    sm_balance_job *job;
    sm_balance_result *result;
    sm_powertrain powertrain;
    sm_balance_logs logs;
    const char *names[SM_BALANCE_SENSORS];
    bool refused; /* a log cannot carry the answer; result says why */
} context;

/* An error of a text of the command line, with the option's name before it. */
static int fail_at(const char *option, const sm_error *why)
{
    sm_error err;
    (void)sm_error_set(&err, why->code, why->source, why->line, "--%s %s", option, why->message);
    return sm_cli_fail(&err);
}

static bool good_rpm(double rpm)
{
    return rpm >= 10 && rpm <= 100000;
}

/* "2400", or "2200-2400" for runs. */
static int read_rpm(const sm_args *args, sm_balance_job *job, sm_balance_logs *logs)
{
    const char *text = sm_args_text(args, "rpm", NULL);
    double lo, hi;
    if (!text) {
        return 0;
    }
    if (sm_number_read(text, &lo) && good_rpm(lo)) {
        logs->rpm = lo;
        job->rpm = logs->powertrain ? job->rpm : lo;
        return 0;
    }
    const char *end = text + strlen(text);
    if (logs->powertrain && sm_number_range(text, end, &lo, &hi) == end && good_rpm(lo) &&
        good_rpm(hi) && lo < hi && hi < 3 * lo) {
        logs->band_lo = lo;
        logs->band_hi = hi;
        return 0;
    }
    return sm_cli_usage(args,
                        "--rpm %s: a number from 10 to 100000 is needed, or for runs a band "
                        "such as 2200-2400",
                        text);
}

static void read_words(const sm_args *args, sm_balance_job *job)
{
    const char *s = sm_args_text(args, "weights-count", NULL);
    if (s) {
        job->weights_given = true;
        job->weights_against = strcmp(s, "against") == 0;
    }
    s = sm_args_text(args, "phase", NULL);
    job->phase_lag = s ? strcmp(s, "lag") == 0 : job->phase_lag;
    s = sm_args_text(args, "seen-from", NULL);
    job->seen_from_front = s ? strcmp(s, "front") == 0 : job->seen_from_front;
    s = sm_args_text(args, "turns", NULL);
    job->turns_cw = s ? strcmp(s, "cw") == 0 : job->turns_cw;
    s = sm_args_text(args, "mark-on", NULL);
    job->mark_on_crank = s ? strcmp(s, "crank") == 0 : job->mark_on_crank;
    s = sm_args_text(args, "mark", NULL);
    if (s) {
        sm_text_inert(s, strlen(s), job->mark, sizeof job->mark);
    }
    s = sm_args_text(args, "name", NULL);
    if (s) {
        sm_text_inert(s, strlen(s), job->name, sizeof job->name);
    }
    job->no_phase = job->no_phase || sm_args_flag(args, "no-phase");
    job->trial_stays = job->trial_stays || sm_args_flag(args, "trial-stays");
}

static int read_settings(const sm_args *args, sm_balance_job *job, sm_balance_logs *logs)
{
    sm_error err = {0};
    read_words(args, job);
    int st = read_rpm(args, job, logs);
    if (st) {
        return st;
    }
    job->radius_mm = sm_args_number(args, "radius", job->radius_mm);
    job->mass_kg = sm_args_number(args, "mass", job->mass_kg);
    job->grade = sm_args_number(args, "grade", job->grade);
    job->moving_mass_kg = sm_args_number(args, "moving-mass", job->moving_mass_kg);
    job->sensor_at_deg = sm_args_number(args, "sensor-at", job->sensor_at_deg);
    job->step_g = sm_args_number(args, "weights", job->step_g);
    job->max_hole_g = sm_args_number(args, "max-per-hole", job->max_hole_g);
    job->reindexed_by_deg = sm_args_number(args, "reindexed-by", job->reindexed_by_deg);
    job->n_planes = (size_t)sm_args_number(args, "planes", (double)job->n_planes);
    const char *s = sm_args_text(args, "unit", NULL);
    if (s && sm_balance_unit_parse(job, s, &err) != SM_OK) {
        return fail_at("unit", &err);
    }
    s = sm_args_text(args, "holes", NULL);
    if (s && sm_balance_holes_parse(job, s, sm_args_number(args, "first-hole", 0), &err) != SM_OK) {
        return fail_at("holes", &err);
    }
    s = sm_args_text(args, "existing", NULL);
    if (s && sm_balance_existing_parse(job, s, &err) != SM_OK) {
        return fail_at("existing", &err);
    }
    if ((sm_args_given(args, "grade") || sm_args_given(args, "mass")) &&
        !(isfinite(job->mass_kg) && isfinite(job->grade) &&
          (isfinite(job->rpm) || logs->powertrain))) {
        return sm_cli_usage(args, "ISO 21940-11 needs --mass, --grade and --rpm");
    }
    return 0;
}

static int read_influence(const sm_args *args, sm_balance_job *job)
{
    sm_error err = {0};
    for (size_t p = 0; p < sm_args_count(args, "influence"); p++) {
        if (sm_balance_influence_parse(job, sm_args_at(args, "influence", p), p, &err) != SM_OK) {
            return fail_at("influence", &err);
        }
        job->n_planes = p + 1 > job->n_planes ? p + 1 : job->n_planes;
    }
    return 0;
}

static bool is_there(const char *path)
{
    FILE *f = fopen(path, "rb");
    if (f) {
        (void)fclose(f);
    }
    return f != NULL;
}

/* Is it a log rather than a vector? A file of that name decides; else what a name looks like. */
static bool is_log(const sm_balance_job *job, const char *text)
{
    sm_balance_run run = {0};
    double number;
    if (sm_balance_readings_parse(job, text, &run, NULL) == SM_OK) {
        return false;
    }
    return is_there(text) || (!strchr(text, '@') && !sm_number_read(text, &number));
}

static int measure(context *c, const char *option, const char *path, sm_balance_run *run)
{
    sm_error err = {0};
    if (!c->logs.powertrain || c->logs.n_channels == 0) {
        if (!is_there(path)) {
            return sm_cli_usage(c->args, "--%s %s: not a vector (0.266@289) and no such file",
                                option, path);
        }
        return sm_cli_usage(c->args,
                            "--%s %s: to measure a log, --channel and --powertrain are "
                            "needed",
                            option, path);
    }
    if (c->job->no_phase) {
        return sm_cli_usage(c->args, "--no-phase takes amplitudes, not logs");
    }
    sm_status st = sm_balance_run_measure(path, &c->logs, c->job, run, &err);
    if (st != SM_OK && c->logs.code[0]) {
        char why[sizeof err.message + 64];
        (void)snprintf(why, sizeof why, "Run --%s: %s.", option, err.message);
        sm_balance_refuse(c->job, c->logs.code, why, c->result);
        c->refused = true;
        return 0;
    }
    return st == SM_OK ? 0 : sm_cli_fail(&err);
}

/* A vector, typed or from a log, into *run. */
static int take_vector(context *c, const char *option, const char *text, sm_balance_run *run)
{
    sm_error err = {0};
    if (is_log(c->job, text)) {
        return measure(c, option, text, run);
    }
    return sm_balance_readings_parse(c->job, text, run, &err) == SM_OK ? 0 : fail_at(option, &err);
}

/* Vectors that are not runs of the series: another load, the propeller re-indexed. */
static int read_single(context *c, const char *option, sm_phasor *v, bool *has)
{
    const char *s = sm_args_text(c->args, option, NULL);
    sm_balance_run run = {0};
    int st = s && !c->refused ? take_vector(c, option, s, &run) : 0;
    if (s && st == 0 && !c->refused) {
        *v = run.v[0];
        *has = true;
    }
    return st;
}

static int read_extras(context *c)
{
    sm_balance_job *job = c->job;
    int st = read_single(c, "other-load", &job->other_load, &job->has_other_load);
    st = st ? st : read_single(c, "reindexed", &job->reindexed, &job->has_reindexed);
    if (st == 0 && job->has_reindexed &&
        (job->reindexed_by_deg == 0 || job->no_phase || fabs(job->reindexed_by_deg) == 360)) {
        return sm_cli_usage(c->args, "--reindexed needs a phase, and --reindexed-by with an angle "
                                     "that is not a whole turn");
    }
    return st;
}

static int add_run(context *c, const char *option, sm_balance_kind kind, const char *vector,
                   const char *weights, size_t plane)
{
    sm_balance_run run = {.kind = kind};
    sm_error err = {0};
    if (weights && sm_balance_weights_parse(c->job, weights, plane, &run, &err) != SM_OK) {
        return fail_at(kind == SM_BALANCE_TRIAL ? "trial" : "installed", &err);
    }
    int st = take_vector(c, option, vector, &run);
    if (st || c->refused) {
        return st;
    }
    return sm_balance_job_add(c->job, &run, &err) == SM_OK ? 0 : fail_at(option, &err);
}

/* Two sensors and two trials may be two planes or one: that has to be said. */
static int check_planes(const sm_args *args, const sm_balance_job *job)
{
    size_t n = sm_args_count(args, "trial");
    bool told = sm_args_given(args, "planes") || job->n_planes > 1;
    for (size_t i = 0; i < n; i++) {
        told = told || strstr(sm_args_at(args, "trial", i), "plane");
    }
    if (!told && n == 2 && job->n_runs && job->runs[0].n_readings == 2 &&
        !isfinite(job->runs[0].rpm[0])) {
        return sm_cli_usage(args, "two sensors and two trials: say --planes 2 (one trial in each "
                                  "plane) or --planes 1 (both in the same plane)");
    }
    return 0;
}

static int read_runs(context *c)
{
    const sm_args *args = c->args;
    sm_balance_job *job = c->job;
    size_t n_trials = sm_args_count(args, "trial"), n_checks = sm_args_count(args, "check");
    size_t before = 0;
    int st = 0;
    if (n_trials != sm_args_count(args, "response")) {
        return sm_cli_usage(args, "every --trial needs a --response: %zu and %zu were given",
                            n_trials, sm_args_count(args, "response"));
    }
    if (n_checks != sm_args_count(args, "installed")) {
        return sm_cli_usage(args, "every --check needs an --installed: %zu and %zu were given",
                            n_checks, sm_args_count(args, "installed"));
    }
    for (size_t i = 0; i < job->n_runs; i++) {
        before += job->runs[i].kind == SM_BALANCE_TRIAL;
    }
    for (size_t i = 0; i < sm_args_count(args, "original") && !st && !c->refused; i++) {
        st = add_run(c, "original", SM_BALANCE_ORIGINAL, sm_args_at(args, "original", i), NULL, 0);
    }
    st = st ? st : check_planes(args, job);
    for (size_t i = 0; i < n_trials && !st && !c->refused; i++) {
        size_t plane = before + i < job->n_planes ? before + i : 0;
        st = add_run(c, "response", SM_BALANCE_TRIAL, sm_args_at(args, "response", i),
                     sm_args_at(args, "trial", i), plane);
    }
    for (size_t i = 0; i < n_checks && !st && !c->refused; i++) {
        st = add_run(c, "check", SM_BALANCE_CHECK, sm_args_at(args, "check", i),
                     sm_args_at(args, "installed", i), 0);
    }
    return st;
}

static int finish(const context *c)
{
    const sm_args *args = c->args;
    const sm_balance_job *job = c->job;
    const sm_balance_result *r = c->result;
    sm_error err = {0};
    sm_json_doc *doc = NULL;
    sm_text text = {0}, file = {0};
    const char *path = sm_args_text(args, "job", NULL);
    int status = r->out_of_tolerance ? SM_EXIT_NOT_WITHIN
                 : r->stopped        ? SM_EXIT_UNASSESSED
                                     : SM_EXIT_OK;
    sm_status st = sm_json_open(&doc);
    if (st == SM_OK) {
        sm_balance_json(job, r, doc);
        sm_balance_text(job, r, &text);
        st = sm_json_status(doc);
    }
    if (st == SM_OK && path && !c->refused) {
        sm_balance_job_text(job, r, &file);
        st = file.failed ? SM_E_NOMEM : sm_file_store(path, file.s, file.n, &err);
    }
    if (st != SM_OK) {
        err.code = err.code == SM_OK ? st : err.code;
        status = sm_cli_fail(&err);
    } else {
        status = sm_cli_report(args, doc, status);
        status = status == SM_EXIT_FAILED ? status : sm_cli_emit(args, doc, &text, status);
    }
    sm_text_free(&text);
    sm_text_free(&file);
    sm_json_close(&doc);
    return status;
}

/* --channel, --powertrain and the rest that runs need; nothing when they are not given. */
static int open_logs(context *c)
{
    const char *path = sm_args_text(c->args, "powertrain", NULL);
    sm_error err = {0};
    c->logs = (sm_balance_logs){.rpm = (double)NAN,
                                .band_lo = (double)NAN,
                                .band_hi = (double)NAN,
                                .delay_s = sm_args_number(c->args, "delay-ms", (double)NAN) / 1000,
                                .channels_path = sm_args_text(c->args, "channels", NULL),
                                .channels = c->names,
                                .n_channels = sm_args_count(c->args, "channel")};
    if (c->logs.n_channels > SM_BALANCE_SENSORS) {
        return sm_cli_usage(c->args, "at most %d --channel", SM_BALANCE_SENSORS);
    }
    for (size_t i = 0; i < c->logs.n_channels; i++) {
        c->names[i] = sm_args_at(c->args, "channel", i);
    }
    if (path) {
        if (sm_powertrain_read(path, &c->powertrain, &err) != SM_OK) {
            return sm_cli_fail(&err);
        }
        c->logs.powertrain = &c->powertrain;
    }
    /* A job that goes on keeps the speed of its first run. */
    const sm_balance_run *first = c->job->n_runs ? &c->job->runs[0] : NULL;
    if (first && first->n_readings == c->logs.n_channels) {
        c->logs.rpm = first->rpm[0];
    }
    return 0;
}

static int run_job(context *c)
{
    sm_error err = {0};
    const char *path = sm_args_text(c->args, "job", NULL);
    sm_balance_job_default(c->job);
    if (path && is_there(path) && sm_balance_job_read(path, c->job, &err) != SM_OK) {
        return sm_cli_fail(&err);
    }
    int st = open_logs(c);
    st = st ? st : read_settings(c->args, c->job, &c->logs);
    st = st ? st : read_influence(c->args, c->job);
    if (st == 0 && c->job->n_runs == 0 && !sm_args_given(c->args, "original")) {
        return sm_cli_usage(c->args,
                            "the original vector is missing: give --original, like 0.266@289, or "
                            "its log");
    }
    if (st == 0 && !c->job->no_phase && !c->job->weights_given) {
        return sm_cli_usage(c->args, "say which way the weight angles are counted: --weights-count "
                                     "with or against the rotation of the propeller; the wrong one "
                                     "mirrors the answer");
    }
    st = st ? st : read_runs(c);
    st = st ? st : read_extras(c);
    if (st == 0 && !c->refused && sm_balance_compute(c->job, c->result, &err) != SM_OK) {
        st = sm_cli_fail(&err);
    }
    return st ? st : finish(c);
}

static int run(const sm_args *args)
{
    context *c = calloc(1, sizeof *c);
    int st;
    if (c) {
        c->args = args;
        c->job = calloc(1, sizeof *c->job);
        c->result = calloc(1, sizeof *c->result);
    }
    if (!c || !c->job || !c->result) {
        sm_error err;
        (void)sm_error_set(&err, SM_E_NOMEM, NULL, 0, "out of memory");
        st = sm_cli_fail(&err);
    } else {
        st = run_job(c);
    }
    if (c) {
        free(c->job);
        free(c->result);
    }
    free(c);
    return st;
}

const sm_command sm_command_balance = {
    .name = "balance",
    .usage = "--original VECTOR --trial WEIGHT --response VECTOR --weights-count with|against "
             "[options]",
    .summary =
        "propeller correction weight from vectors or from runs: how much, where, did it work",
    .about =
        "Finds the weight that cancels the once-per-turn vibration of the propeller.\n"
        "First give --original alone: it says how rough it is and suggests a trial weight. Then "
        "add "
        "--trial and --response. Then fit the weights, run again, and add --installed and "
        "--check.\n"
        "The pulse must come from the propeller shaft, once per turn. Say how the weight angles "
        "are "
        "counted: a wrong direction mirrors the answer and makes it worse.\n"
        "From runs: give logs instead of vectors, with --channel and --powertrain; the log needs a "
        "tach "
        "column whose pulse is on the propeller.\n"
        "Above 0.5 in/s look for other causes first; from 1.0 in/s no weight is worked out.\n"
        "Engine off and ignition safe before you go near the propeller. Weights only as its maker "
        "allows.",
    .options = options,
    .n_options = sizeof options / sizeof options[0],
    .min_files = 0,
    .max_files = 0,
    .run = run,
};
