/* inspect: what is in a log, and is it sound? */
#include "cli/commands.h"
#include "cli/inspect_run.h"

static const sm_option options[] = {
    MOTION_RUN_OPTIONS,
    {.name = "gear-ratio",
     .kind = SM_ARG_FLAG,
     .help = "estimate an unknown gear ratio: measured against a tach or rpm column, else a "
             "suggestion; never used by itself"},
    {.name = "explain",
     .kind = SM_ARG_FLAG,
     .help = "print the channels file that was inferred, ready to edit, and nothing else"},
    SM_OPTIONS_OUTPUT,
};

static int explain(const sm_args *args, const inspect_run *run)
{
    sm_text text = {0};
    sm_source_explain(run->base.source, &text);
    int status = sm_cli_emit(args, NULL, &text, SM_EXIT_OK);
    sm_text_free(&text);
    return status;
}

static int show(const sm_args *args, inspect_run *run)
{
    sm_error err = {0};
    sm_json_doc *doc = NULL;
    sm_text text = {0};
    int status = SM_EXIT_FAILED;
    sm_status st = inspect_pump(run, args, &err);
    if (st == SM_OK && (st = sm_json_open(&doc)) == SM_OK) {
        status = inspect_json(run, doc) ? SM_EXIT_OK : SM_EXIT_UNASSESSED;
        st = sm_json_status(doc);
    }
    if (st != SM_OK) {
        if (err.code != st) {
            (void)sm_error_set(&err, st, NULL, 0, "%s", sm_status_text(st));
        }
        status = sm_cli_fail(&err);
    } else {
        inspect_text(sm_json_root(doc), &text);
        status = sm_cli_emit(args, doc, &text, status);
    }
    sm_text_free(&text);
    sm_json_close(&doc);
    return status;
}

static int run(const sm_args *args)
{
    static inspect_run job; /* large, and the program runs one command */
    sm_error err = {0};
    sm_status st = inspect_open(args, &job, &err);
    int status = st != SM_OK                     ? sm_cli_fail(&err)
                 : sm_args_flag(args, "explain") ? explain(args, &job)
                                                 : show(args, &job);
    inspect_close(&job);
    return status;
}

const sm_command sm_command_inspect = {
    .name = "inspect",
    .usage =
        "RUN [--channels FILE] [--powertrain FILE] [--rpm-log FILE] [--gear-ratio] [--explain]",
    .summary = "what is in a log, and is it sound",
    .about =
        "Reads a log (CSV and kin, an audio container, or a run file that joins several) and says "
        "what was understood: channels, units, rate, length, speed, passes; and what is wrong: "
        "gaps, clipping, stuck channels, rough clocks, risk of aliases. Do this on the ramp, "
        "before the engine is cold. Exit status 3: the log cannot carry a verdict as it is.",
    .options = options,
    .n_options = sizeof options / sizeof options[0],
    .min_files = 1,
    .max_files = 1,
    .run = run,
};
