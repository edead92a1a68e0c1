/* assess: the main job. */
#include "cli/commands.h"
#include "cli/report_out.h"
#include "cli/run_args.h"
#include "stillmount/assess.h"
#include "stillmount/words.h"

static const sm_option options[] = {
    SM_OPTIONS_RUN,
    {.name = "budget",
     .kind = SM_ARG_TEXT,
     .arg = "FILE",
     .help = "budget file: the limits; without it levels and causes, never a verdict"},
    {.name = "detail",
     .kind = SM_ARG_FLAG,
     .help = "orders, peaks, spectra and map in the JSON as well"},
    {.name = "allow-thin", .kind = SM_ARG_FLAG, .help = "exit status 0 for thin"},
    SM_OPTIONS_REPORT,
    SM_OPTIONS_OUTPUT,
};

static int exit_status(const sm_args *args, const sm_assessment *a)
{
    switch (a->verdict) {
    case SM_WITHIN:
        return SM_EXIT_OK;
    case SM_THIN:
        return sm_args_flag(args, "allow-thin") ? SM_EXIT_OK : SM_EXIT_NOT_WITHIN;
    case SM_OVER:
        return SM_EXIT_NOT_WITHIN;
    default:
        return SM_EXIT_UNASSESSED;
    }
}

static int finish(const sm_args *args, sm_run *run, const sm_assessment *a)
{
    sm_error err = {0};
    sm_json_doc *doc = NULL;
    bool detail = sm_args_flag(args, "detail") || sm_cli_wants_report(args);
    sm_status st = sm_assessment_json(run, a, detail, &doc, &err);
    if (st != SM_OK) {
        return sm_cli_fail(&err);
    }
    sm_text text = {0};
    sm_words_assessment(sm_json_root(doc), &text);
    int status = sm_cli_report(args, doc, exit_status(args, a));
    if (status != SM_EXIT_FAILED) {
        status = sm_cli_emit(args, doc, &text, status);
    }
    sm_text_free(&text);
    sm_json_close(&doc);
    return status;
}

static int run(const sm_args *args)
{
    sm_error err = {0};
    sm_powertrain powertrain;
    sm_budget budget;
    sm_run_options opt;
    int bad = sm_cli_run_options(args, &powertrain, &opt);
    if (bad) {
        return bad;
    }
    const char *budget_path = sm_args_text(args, "budget", NULL);
    if (budget_path) {
        sm_status st = sm_budget_read(budget_path, &budget, &err);
        st = st == SM_OK ? sm_cli_check_budget(&budget, budget_path, &powertrain, &err) : st;
        if (st != SM_OK) {
            return sm_cli_fail(&err);
        }
        opt.budget = &budget;
    }
    opt.identify_later = true; /* the hash goes on while the verdict is worked out */
    opt.detail = sm_args_flag(args, "detail") || sm_cli_wants_report(args);
    sm_run *r = NULL;
    if (sm_cli_run_survey(args, sm_args_file(args, 0), &opt, &r, &err) != SM_OK) {
        return sm_cli_fail(&err);
    }
    sm_assessment a = {0};
    int status = sm_assess(r, &a, &err) == SM_OK ? finish(args, r, &a) : sm_cli_fail(&err);
    sm_assessment_free(&a);
    sm_run_close(&r);
    return status;
}

const sm_command sm_command_assess = {
    .name = "assess",
    .usage = "RUN --powertrain FILE --budget FILE [options]",
    .summary = "the main job: margin per rpm band, what causes it, verdict",
    .about =
        "RUN is a log of one engine run-up: a table of numbers (CSV and kin), an audio container "
        "with a channels file, or a run file that joins several. - is standard input.\n"
        "Without a budget the run is described and never judged (exit status 3).\n"
        "Exit status: 0 within; 1 over or thin; 2 unreadable input; 3 unassessed.",
    .options = options,
    .n_options = sizeof options / sizeof options[0],
    .min_files = 1,
    .max_files = 1,
    .run = run,
};
