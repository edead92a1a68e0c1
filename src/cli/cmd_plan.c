/* plan: what to record, in which order and for how long. */
#include "cli/commands.h"
#include "cli/report_out.h"
#include "stillmount/plan.h"

static const sm_option options[] = {
    {.name = "powertrain",
     .kind = SM_ARG_TEXT,
     .arg = "FILE",
     .help = "powertrain file with [operating]: idle, max, avoid, full_power_seconds"},
    {.name = "budget",
     .kind = SM_ARG_TEXT,
     .arg = "FILE",
     .help = "budget file: the limits to show"},
    SM_OPTIONS_OUTPUT,
    SM_OPTIONS_REPORT,
};

static int run(const sm_args *args)
{
    const char *powertrain_path = sm_args_text(args, "powertrain", NULL);
    const char *budget_path = sm_args_text(args, "budget", NULL);
    if (!powertrain_path || !budget_path) {
        return sm_cli_usage(args, "--powertrain FILE and --budget FILE are both needed");
    }
    static sm_powertrain powertrain; /* large, and the program runs one command */
    static sm_budget budget;
    sm_error err = {0};
    sm_json_doc *doc = NULL;
    sm_text text = {0};
    sm_status st = sm_powertrain_read(powertrain_path, &powertrain, &err);
    if (st == SM_OK) {
        st = sm_budget_read(budget_path, &budget, &err);
    }
    if (st == SM_OK && (st = sm_json_open(&doc)) != SM_OK) {
        (void)sm_error_set(&err, st, NULL, 0, "out of memory");
    }
    if (st == SM_OK) {
        st = sm_plan_make(&powertrain, &budget, doc, &err);
    }
    int status = SM_EXIT_FAILED;
    if (st == SM_OK) {
        sm_plan_text(doc, &text);
        status = sm_cli_report(args, doc, SM_EXIT_OK);
        status = status == SM_EXIT_OK ? sm_cli_emit(args, doc, &text, status) : status;
    } else {
        (void)sm_cli_fail(&err);
    }
    sm_text_free(&text);
    sm_json_close(&doc);
    return status;
}

const sm_command sm_command_plan = {
    .name = "plan",
    .usage = "--powertrain FILE --budget FILE [--report FILE.html]",
    .summary = "what to record, with what logger, in which order and for how long",
    .about =
        "One page to take to the ramp. The holds cover the required RPM bands of the budget, up "
        "and down. None lies in an avoid range or lasts longer than the full-power seconds of "
        "the powertrain file; what cannot be had is named.",
    .options = options,
    .n_options = sizeof options / sizeof options[0],
    .min_files = 0,
    .max_files = 0,
    .run = run,
};
