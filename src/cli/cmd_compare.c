/* compare: what a change did, with confidence; or what passes between two sensors of one run. */
#include "cli/commands.h"
#include "cli/compare_run.h"
#include "cli/report_out.h"
#include "cli/text_compare.h"
#include "stillmount/compare.h"
#include "stillmount/file.h"

#include <stdint.h>
#include <stdio.h>
#include <string.h>

static const sm_option options[] = {
    {.name = "before",
     .kind = SM_ARG_LIST,
     .arg = "RUN...",
     .help = "several runs before the change: their scatter then decides"},
    {.name = "after", .kind = SM_ARG_LIST, .arg = "RUN...", .help = "several runs after it"},
    {.name = "across",
     .kind = SM_ARG_TEXT,
     .arg = "RUN",
     .help = "one run with two sensors instead: what passes from one to the other"},
    {.name = "from",
     .kind = SM_ARG_TEXT,
     .arg = "PLACE",
     .help = "with --across: the driven side, default base"},
    {.name = "to",
     .kind = SM_ARG_TEXT,
     .arg = "PLACE",
     .help = "with --across: the carried side, default mount"},
    {.name = "repeatability",
     .kind = SM_ARG_NUMBER,
     .arg = "N",
     .unit = "dB",
     .lo = 0,
     .hi = 20,
     .help = "how far one run's level strays from the next (standard deviation) where it cannot be "
             "measured, default 2"},
    {.name = "powertrain-after",
     .kind = SM_ARG_TEXT,
     .arg = "FILE",
     .help = "powertrain of the runs after the change; must be the same machine"},
    {.name = "channels-after",
     .kind = SM_ARG_TEXT,
     .arg = "FILE",
     .help = "channels file of the runs after the change, default: that of --channels"},
    SM_COMPARE_OPTIONS,
    SM_OPTIONS_INPUT,
    SM_OPTIONS_OUTPUT,
    SM_OPTIONS_REPORT,
};

/* Across ------------------------------------------------------------------------------------- */

/* Everything that a look across one log needs. */
typedef struct crossing {
    const char *path;
    compare_inputs in;
    sm_order_table orders;
    sm_source *source;
    sm_across *across;
    sm_findings findings;
    sm_estimate_result points;
    sm_speed_result speed; /* its numbers; without the trace */
} crossing;

/* With a powertrain, orders are tracked by whatever speed the log gives, as assess does. */
static sm_status pump_across(const sm_args *args, crossing *x, sm_error *err)
{
    const sm_source_info *info = sm_source_info_get(x->source);
    sm_sink sink = sm_across_sink(x->across);
    sm_run_options run = compare_run_options(args, &x->in, sm_args_text(args, "channels", NULL));
    sm_speed_question q = {&run, x->source, info->channels, info->n_channels, x->path};
    sm_speed *speed = NULL;
    sm_speed_options opt;
    sm_status st = SM_OK;
    if (x->in.has_powertrain) {
        st = sm_run_choose_speed(&q, &x->points, &x->findings, &opt, err);
        if (st == SM_OK) {
            st = sm_speed_open(info->channels, info->n_channels, info->rate_hz, &x->in.powertrain,
                               &opt, &sink, &x->findings, &speed, err);
            sink = st == SM_OK ? sm_speed_sink(speed) : sink;
        } else if (st == SM_E_SHORT) {
            st = SM_OK; /* too short to find its speed: spectra alone */
        }
    }
    st = st == SM_OK ? sm_source_pump(x->source, &sink, &x->findings, err) : st;
    if (speed) {
        x->speed = *sm_speed_result_get(speed);
    }
    sm_speed_close(&speed);
    return st;
}

static void across_json(const sm_args *args, const crossing *x, sm_json_doc *doc)
{
    const sm_source_totals *totals = sm_source_totals_get(x->source);
    sm_json *root = sm_json_root(doc);
    sm_json *o = sm_json_add_object(doc, root, "across");
    sm_json_add_text(doc, o, "run", sm_source_info_get(x->source)->name);
    sm_json_add_text(doc, o, "from", sm_args_text(args, "from", "base"));
    sm_json_add_text(doc, o, "to", sm_args_text(args, "to", "mount"));
    sm_json_add_number(doc, o, "seconds", totals->seconds);
    sm_json *files = sm_json_add_array(doc, o, "files");
    for (size_t i = 0; i < totals->n_files; i++) {
        sm_json *f = sm_json_append_object(doc, files);
        sm_json_add_text(doc, f, "name", totals->files[i].name);
        sm_json_add_integer(doc, f, "bytes", (long long)totals->files[i].bytes);
        sm_json_add_text(doc, f, "sha256", totals->files[i].sha256);
    }
    o = sm_json_add_object(doc, root, "speed");
    sm_json_add_text(doc, o, "source", sm_speed_source_text(x->speed.source));
    if (x->speed.source != SM_SPEED_NONE) {
        sm_json_add_number(doc, o, "rpm_min", x->speed.rpm_min);
        sm_json_add_number(doc, o, "rpm_max", x->speed.rpm_max);
        sm_json_add_number(doc, o, "confidence", x->speed.confidence);
        sm_json_add_number(doc, o, "clock_offset_s", x->speed.clock_offset_s);
    }
}

static int finish(const sm_args *args, sm_json_doc *doc, sm_text *text, int status)
{
    status = sm_cli_report(args, doc, status);
    return status == SM_EXIT_FAILED ? status : sm_cli_emit(args, doc, text, status);
}

static sm_status open_crossing(const sm_args *args, crossing *x, sm_error *err)
{
    sm_status st = compare_inputs_read(args, &x->in, err);
    if (st == SM_OK && x->in.has_powertrain) {
        st = sm_powertrain_orders(&x->in.powertrain, 40, NULL, 0, &x->orders, err);
    }
    sm_source_options opt = sm_source_options_default();
    opt.channels_path = sm_args_text(args, "channels", NULL);
    st = st == SM_OK ? sm_source_open(x->path, &opt, &x->source, err) : st;
    if (st != SM_OK) {
        return st;
    }
    const sm_source_info *info = sm_source_info_get(x->source);
    st = sm_across_open(info->channels, info->n_channels, info->rate_hz,
                        sm_args_text(args, "from", "base"), sm_args_text(args, "to", "mount"),
                        &x->orders, &x->across, err);
    if (st == SM_E_VALUE) {
        sm_error why = *err;
        st = sm_error_set(err, st, x->path, 0, "%s", why.message);
    }
    return st;
}

/* Sensors that are not what they are said to be. */
static void warn_sensors(const sm_args *args, const sm_json *root)
{
    const sm_json *reasons = sm_json_get(root, "reasons");
    for (size_t i = 0; i < sm_json_size(reasons); i++) {
        const sm_json *r = sm_json_at(reasons, i);
        const char *code = sm_json_string(sm_json_get(r, "code"));
        if (strcmp(code, "no-isolator") != 0 && strcmp(code, "no-coherence") != 0) {
            sm_cli_warn(args, "%s: %s", sm_json_string(sm_json_get(r, "channel")),
                        sm_json_string(sm_json_get(r, "text")));
        }
    }
}

static int across(const sm_args *args)
{
    static crossing x; /* an order table is large */
    memset(&x, 0, sizeof x);
    x.path = sm_args_text(args, "across", NULL);
    sm_json_doc *doc = NULL;
    sm_text text = {0};
    sm_error err = {0};
    bool assessed = false;
    int status = SM_EXIT_FAILED;
    sm_status st = open_crossing(args, &x, &err);
    st = st == SM_OK ? pump_across(args, &x, &err) : st;
    st = st == SM_OK ? sm_json_open(&doc) : st;
    if (st == SM_OK) {
        compare_head(doc, "stillmount/transmissibility/1");
        across_json(args, &x, doc);
        sm_findings_json(&x.findings, doc, sm_json_root(doc));
        st = sm_across_json(x.across, doc, &assessed, &err);
        st = st == SM_OK ? sm_json_status(doc) : st;
    }
    if (st != SM_OK) {
        status = sm_cli_fail(&err);
        goto done;
    }
    warn_sensors(args, sm_json_root(doc));
    sm_text_transmissibility(sm_json_root(doc), &text);
    status = finish(args, doc, &text, assessed ? SM_EXIT_OK : SM_EXIT_UNASSESSED);
done:
    sm_text_free(&text);
    sm_findings_free(&x.findings);
    sm_json_close(&doc);
    sm_across_close(&x.across);
    sm_estimate_result_free(&x.points);
    sm_source_close(&x.source);
    return status;
}

/* Before and after --------------------------------------------------------------------------- */

typedef struct sides {
    const char *paths[2 * SM_MAX_RUNS];
    const char *channels[2 * SM_MAX_RUNS];
    sm_run *runs[2 * SM_MAX_RUNS];
    sm_compare_run compared[2 * SM_MAX_RUNS];
    size_t n[2];
    size_t n_copies; /* left out */
} sides;

/* 0, or SM_EXIT_FAILED with the message printed. */
static int name_sides(const sm_args *args, sides *s)
{
    size_t files = sm_args_n_files(args);
    size_t before = sm_args_count(args, "before");
    size_t after = sm_args_count(args, "after");
    if ((before || after) && files) {
        return sm_cli_usage(args, "name the runs either as BEFORE AFTER or with --before and "
                                  "--after, not both");
    }
    if (before || after) {
        if (!before || !after || before > SM_MAX_RUNS || after > SM_MAX_RUNS) {
            return sm_cli_usage(args, "--before and --after each take 1 to %d runs",
                                (int)SM_MAX_RUNS);
        }
        for (size_t i = 0; i < before; i++) {
            s->paths[s->n[0]++] = sm_args_at(args, "before", i);
        }
        for (size_t i = 0; i < after; i++) {
            s->paths[s->n[0] + s->n[1]++] = sm_args_at(args, "after", i);
        }
        return 0;
    }
    if (files != 2) {
        return sm_cli_usage(args, "two runs are needed: BEFORE AFTER, or --before RUN... --after "
                                  "RUN..., or --across RUN");
    }
    s->paths[0] = sm_args_file(args, 0);
    s->paths[1] = sm_args_file(args, 1);
    s->n[0] = s->n[1] = 1;
    return 0;
}

static bool same_machine(const sm_powertrain *a, const sm_powertrain *b)
{
    bool same = a->rpm_of == b->rpm_of && a->has_engine == b->has_engine &&
                a->strokes == b->strokes && a->cylinders == b->cylinders &&
                sm_ratio_equal(a->gear, b->gear) && a->has_propeller == b->has_propeller &&
                a->blades == b->blades && a->n_accessories == b->n_accessories &&
                a->pole_pairs == b->pole_pairs && a->slots == b->slots;
    for (size_t i = 0; i < a->n_accessories && same; i++) {
        same = sm_ratio_equal(a->accessories[i].ratio, b->accessories[i].ratio);
    }
    return same;
}

static sm_status check_machine(const sm_args *args, const compare_inputs *in, sm_error *err)
{
    const char *path = sm_args_text(args, "powertrain-after", NULL);
    sm_powertrain after;
    if (!path) {
        return SM_OK;
    }
    sm_status st = sm_powertrain_read(path, &after, err);
    if (st == SM_OK && (!in->has_powertrain || !same_machine(&in->powertrain, &after))) {
        st = sm_error_set(err, SM_E_VALUE, path, 0,
                          "not the powertrain of the runs before: shafts, blades or cylinders "
                          "differ, so orders cannot be matched; assess each run on its own");
    }
    return st;
}

static sm_status survey_all(const sm_args *args, const compare_inputs *in, sides *s, sm_error *err)
{
    sm_status st = SM_OK;
    for (size_t i = 0; i < s->n[0] + s->n[1] && st == SM_OK; i++) {
        st = compare_survey(args, in, s->paths[i], s->channels[i], &s->runs[i], err);
        st = st == SM_OK ? sm_run_identify(s->runs[i], err) : st;
        if (st == SM_OK) {
            s->compared[i] = (sm_compare_run){.name = sm_run_info(s->runs[i])->name,
                                              .survey = sm_run_survey_result(s->runs[i]),
                                              .findings = sm_run_findings(s->runs[i]),
                                              .run = s->runs[i]};
        }
    }
    return st;
}

/* The channels file of each run. */
static void name_channels(const sm_args *args, sides *s)
{
    const char *before = sm_args_text(args, "channels", NULL);
    const char *after = sm_args_text(args, "channels-after", before);
    for (size_t i = 0; i < s->n[0] + s->n[1]; i++) {
        s->channels[i] = i < s->n[0] ? before : after;
    }
}

/*
 * One recording given twice on a side would look like two runs that repeat to the last digit: it
 * counts once, and the document says so.
 */
static void drop_copies(const sm_args *args, sides *s)
{
    for (size_t i = 0; i < s->n[0] + s->n[1];) {
        size_t side = i < s->n[0] ? 0 : 1;
        size_t twin = compare_twin(s->runs, side ? s->n[0] : 0, i);
        size_t behind = s->n[0] + s->n[1] - i - 1;
        if (twin == i) {
            i++;
            continue;
        }
        compare_given_twice(args, s->paths[i], s->paths[twin]);
        sm_run_close(&s->runs[i]);
        memmove(&s->runs[i], &s->runs[i + 1], behind * sizeof s->runs[0]);
        memmove(&s->paths[i], &s->paths[i + 1], behind * sizeof s->paths[0]);
        memmove(&s->compared[i], &s->compared[i + 1], behind * sizeof s->compared[0]);
        s->runs[i + behind] = NULL;
        s->n[side]--;
        s->n_copies++;
    }
}

static void add_reason(sm_json_doc *doc, const char *code, const char *text)
{
    const sm_json *reasons = sm_json_get(sm_json_root(doc), "reasons");
    sm_json *o = sm_json_append_object(doc, sm_json_edit(doc, reasons));
    sm_json_add_text(doc, o, "code", code);
    sm_json_add_text(doc, o, "text", text);
}

/* One recording on both sides: a slip of the hand, as nothing can have changed. */
static void name_same(const sides *s, sm_json_doc *doc)
{
    for (size_t i = s->n[0]; i < s->n[0] + s->n[1]; i++) {
        size_t k = compare_twin(s->runs, 0, i);
        if (k < s->n[0]) {
            char text[400];
            (void)snprintf(text, sizeof text,
                           "%.100s before and %.100s after are the same recording, byte for byte: "
                           "nothing can have changed between them; was another file meant?",
                           s->compared[k].name, s->compared[i].name);
            add_reason(doc, "same-recording", text);
        }
    }
}

/* The shortest order table: that of the slowest log. They are alike up to there. */
static const sm_order_table *shared_orders(const sides *s)
{
    const sm_order_table *best = sm_run_orders(s->runs[0]);
    for (size_t i = 1; i < s->n[0] + s->n[1]; i++) {
        const sm_order_table *t = sm_run_orders(s->runs[i]);
        best = t->n < best->n ? t : best;
    }
    return best;
}

static void inputs_json(const sides *s, sm_json_doc *doc)
{
    sm_json *list = sm_json_add_array(doc, sm_json_root(doc), "inputs");
    for (size_t i = 0; i < s->n[0] + s->n[1]; i++) {
        sm_json *o = sm_json_append_object(doc, list);
        sm_json_add_text(doc, o, "side", i < s->n[0] ? "before" : "after");
        sm_run_json(s->runs[i], doc, o);
        sm_findings_json(sm_run_findings(s->runs[i]), doc, o);
    }
}

static sm_status compare_all(const sm_args *args, const compare_inputs *in, const sides *s,
                             sm_json_doc *doc, sm_change_verdict *verdict, sm_error *err)
{
    sm_compare_setup setup = {.budget = &in->budget,
                              .powertrain = &in->powertrain,
                              .orders = shared_orders(s),
                              .every_order = in->has_powertrain && !in->has_budget,
                              .change = sm_change_options_default()};
    setup.change.repeatability_db =
        sm_args_number(args, "repeatability", setup.change.repeatability_db);
    compare_head(doc, "stillmount/comparison/1");
    sm_status st = sm_compare_json(s->compared, s->n[0], s->compared + s->n[0], s->n[1], &setup,
                                   doc, verdict, err);
    if (st == SM_OK) {
        name_same(s, doc);
        if (s->n_copies > 0) {
            add_reason(doc, "copies-left-out",
                       "a recording that was given twice on one side counts once: it says nothing "
                       "of how runs repeat");
        }
        inputs_json(s, doc);
        st = sm_json_status(doc);
    }
    return st;
}

static int exit_of(sm_change_verdict v)
{
    return v == SM_CHANGE_WORSE || v == SM_CHANGE_MIXED ? SM_EXIT_NOT_WITHIN
           : v == SM_CHANGE_UNASSESSED                  ? SM_EXIT_UNASSESSED
                                                        : SM_EXIT_OK;
}

static int before_after(const sm_args *args)
{
    sides s = {.n = {0, 0}};
    int status = name_sides(args, &s);
    if (status) {
        return status;
    }
    compare_inputs in = {.has_powertrain = false};
    sm_json_doc *doc = NULL;
    sm_text text = {0};
    sm_error err = {0};
    sm_change_verdict verdict = SM_CHANGE_UNASSESSED;
    sm_status st = compare_inputs_read(args, &in, &err);
    st = st == SM_OK ? check_machine(args, &in, &err) : st;
    name_channels(args, &s);
    st = st == SM_OK ? compare_inputs_settle(&in, s.paths, s.channels, s.n[0] + s.n[1], &err) : st;
    st = st == SM_OK ? survey_all(args, &in, &s, &err) : st;
    if (st == SM_OK) {
        drop_copies(args, &s);
    }
    st = st == SM_OK ? sm_json_open(&doc) : st;
    st = st == SM_OK ? compare_all(args, &in, &s, doc, &verdict, &err) : st;
    if (st != SM_OK) {
        status = sm_cli_fail(&err);
        goto done;
    }
    for (size_t i = 0; i < s.n[0] + s.n[1]; i++) {
        compare_warn(args, s.compared[i].name, s.compared[i].findings);
    }
    sm_text_comparison(sm_json_root(doc), &text);
    status = finish(args, doc, &text, exit_of(verdict));
done:
    sm_text_free(&text);
    sm_json_close(&doc);
    for (size_t i = 0; i < 2 * SM_MAX_RUNS; i++) {
        sm_run_close(&s.runs[i]);
    }
    return status;
}

static int run(const sm_args *args)
{
    if (!sm_args_given(args, "across")) {
        if (sm_args_given(args, "from") || sm_args_given(args, "to")) {
            return sm_cli_usage(args, "--from and --to belong to --across RUN");
        }
        return before_after(args);
    }
    if (sm_args_n_files(args) || sm_args_given(args, "before") || sm_args_given(args, "after")) {
        return sm_cli_usage(args, "--across takes one run and nothing else");
    }
    return across(args);
}

const sm_command sm_command_compare = {
    .name = "compare",
    .usage = "BEFORE AFTER [--powertrain FILE] [--budget FILE] [options]",
    .summary = "did a change help, and is the difference real; or what passes an isolator",
    .about =
        "Matches the runs by rpm band, pass, channel and order, never by time. Every change comes "
        "with the interval that holds it in 95 of 100 cases. Negative dB is quieter.\n"
        "Two runs of one engine never repeat. With one run each nobody knows how far they stray: "
        "2 dB are assumed for each, and only large changes are called real. Give three runs or "
        "more on each side with --before A B C --after D E F, and their own scatter decides. Once "
        "anything is better, the rest is judged again among itself for what got louder, and what "
        "may have is named: a new resonance is not hidden by what it cured.\n"
        "--across RUN --from base --to mount looks at two sensors in one log: how much of each "
        "frequency arrives, the natural frequency and damping of the isolator between them, and "
        "the frequency above which it isolates.\n"
        "Exit status: 0 better or no clear change, 1 worse or mixed, 3 nothing could be compared.",
    .options = options,
    .n_options = sizeof options / sizeof *options,
    .min_files = 0,
    .max_files = 2,
    .run = run,
};
