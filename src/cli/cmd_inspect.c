/* inspect: what is in a log, and is it sound? */
#include "cli/commands.h"
#include "cli/inspect_run.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static const sm_option options[] = {
    MOTION_RUN_OPTIONS,
    {.name = "gear-ratio",
     .kind = SM_ARG_FLAG,
     .help = "estimate an unknown gear ratio: measured against a tach or rpm column, else a "
             "suggestion; never used by itself"},
    {.name = "plan",
     .kind = SM_ARG_FLAG,
     .help = "tick what the log holds of the plan's record; with --powertrain and --budget, or "
             "RUN --plan POWERTRAIN BUDGET"},
    {.name = "budget", .kind = SM_ARG_TEXT, .arg = "FILE", .help = "budget file, for --plan"},
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

/* A log that cannot be opened for want of a unit or a rate: what is to be filled in. */
static int explain_missing(const sm_args *args, const char *path, const sm_error *why)
{
    sm_text text = {0};
    sm_error err = {0};
    const char *channels = sm_args_text(args, "channels", NULL);
    bool may = why->code == SM_E_FORMAT && strcmp(path, "-") != 0;
    sm_status st = may ? sm_source_template(path, channels, &text, &err) : SM_E_FORMAT;
    int status = st == SM_OK && strstr(text.s ? text.s : "", "= ?")
                     ? sm_cli_emit(args, NULL, &text, SM_EXIT_OK)
                     : sm_cli_fail(why);
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
        bool usable = false;
        st = inspect_json(run, doc, &usable, &err);
        st = st == SM_OK ? sm_json_status(doc) : st;
        status = usable ? SM_EXIT_OK : SM_EXIT_UNASSESSED;
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

/* The paths: RUN, and with --plan the files of the plan, as options or as words behind RUN. */
static int settle_paths(const sm_args *args, const char *path[3])
{
    bool plan = sm_args_flag(args, "plan");
    size_t n = sm_args_n_files(args);
    path[0] = sm_args_file(args, 0);
    path[1] = sm_args_text(args, "powertrain", NULL);
    path[2] = sm_args_text(args, "budget", NULL);
    if (!plan && (n > 1 || path[2])) {
        return sm_cli_usage(args, n > 1 ? "one RUN at a time: what was recorded by several "
                                          "devices is joined by a run file"
                                        : "--budget FILE belongs to --plan");
    }
    if (plan && n == 3 && !path[1] && !path[2]) {
        static sm_powertrain probe; /* large, and the program runs one command */
        bool first = sm_powertrain_read(sm_args_file(args, 0), &probe, NULL) == SM_OK;
        path[0] = sm_args_file(args, first ? 2 : 0);
        path[1] = sm_args_file(args, first ? 0 : 1);
        path[2] = sm_args_file(args, first ? 1 : 2);
    } else if (plan && (n != 1 || !path[1] || !path[2])) {
        return sm_cli_usage(args, "--plan needs --powertrain FILE and --budget FILE");
    }
    return 0;
}

/*
 * --plan reads the log as assess does, too: a pipe is copied to a file that goes with this process,
 * and that becomes standard input, which can be read again.
 */
static sm_status spool_stdin(sm_error *err)
{
    struct stat s;
    if (fstat(STDIN_FILENO, &s) == 0 && S_ISREG(s.st_mode) &&
        lseek(STDIN_FILENO, 0, SEEK_CUR) == 0) {
        return SM_OK;
    }
    FILE *file = tmpfile();
    char bytes[1 << 14];
    size_t n = 1;
    while (file && n > 0 && !ferror(file)) {
        n = fread(bytes, 1, sizeof bytes, stdin);
        (void)fwrite(bytes, 1, n, file);
    }
    bool good = file && !ferror(stdin) && !ferror(file) && fflush(file) == 0 &&
                dup2(fileno(file), STDIN_FILENO) >= 0 && lseek(STDIN_FILENO, 0, SEEK_SET) == 0;
    sm_status st = good ? SM_OK
                        : sm_error_set(err, SM_E_IO, "-", 0,
                                       "cannot copy it to a temporary file: %s; save the log to a "
                                       "file and inspect that",
                                       strerror(errno));
    if (file) {
        (void)fclose(file);
    }
    return st;
}

static int run(const sm_args *args)
{
    static inspect_run job; /* large, and the program runs one command */
    const char *path[3];
    int status = settle_paths(args, path);
    if (status != 0) {
        return status;
    }
    bool plan = sm_args_flag(args, "plan");
    sm_error err = {0};
    sm_status st = plan && strcmp(path[0], "-") == 0 ? spool_stdin(&err) : SM_OK;
    if (st != SM_OK) {
        return sm_cli_fail(&err);
    }
    st = inspect_open(args, path[0], path[1], plan ? path[2] : NULL, &job, &err);
    bool only_explain = sm_args_flag(args, "explain");
    status = st != SM_OK && only_explain ? explain_missing(args, path[0], &err)
             : st != SM_OK               ? sm_cli_fail(&err)
             : only_explain              ? explain(args, &job)
                                         : show(args, &job);
    inspect_close(&job);
    return status;
}

const sm_command sm_command_inspect = {
    .name = "inspect",
    .usage = "RUN [options]",
    .summary = "what is in a log, and is it sound",
    .about =
        "Reads a log (CSV and kin, an audio container, or a run file that joins several) and says "
        "what was understood: channels, units, rate, length, speed, passes; and what is wrong: "
        "gaps, clipping, stuck channels, rough clocks, risk of aliases. Do this on the ramp, "
        "before the engine is cold. With --plan it ticks the record of the plan and names what is "
        "missing: seconds in bands, taps, tilts, engine off. Exit status 3: the log cannot carry a "
        "verdict as it is.",
    .options = options,
    .n_options = sizeof options / sizeof options[0],
    .min_files = 1,
    .max_files = 3,
    .run = run,
};
