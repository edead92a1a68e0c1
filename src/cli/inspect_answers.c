/* inspect --plan: what assess makes of the log, so that no more is promised than it grants. */
#include "cli/inspect_run.h"
#include "cli/run_args.h"
#include "stillmount/assess.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

static sm_status ask(const sm_args *args, inspect_run *run, sm_error *err)
{
    sm_run_options opt = sm_run_options_default();
    opt.powertrain = &run->base.powertrain;
    opt.budget = &run->budget;
    opt.channels_path = sm_args_text(args, "channels", NULL);
    opt.rpm_log_path = sm_args_text(args, "rpm-log", NULL);
    opt.speed = sm_args_text(args, "speed", NULL);
    opt.declared_rpm = sm_args_number(args, "rpm", (double)NAN);
    opt.threads = 2;
    sm_run *r = NULL;
    sm_assessment a = {0};
    sm_status st = sm_cli_run_survey(args, run->base.log_path, &opt, &r, err);
    st = st == SM_OK ? sm_assess(r, &a, err) : st;
    st = st == SM_OK ? sm_assessment_json(r, &a, false, &run->answers, err) : st;
    sm_assessment_free(&a);
    sm_run_close(&r);
    return st;
}

sm_status inspect_ask_answers(const sm_args *args, inspect_run *run, sm_error *err)
{
    const char *speed = sm_args_text(args, "speed", "");
    if (!run->has_plan) {
        return SM_OK;
    }
    if (strcmp(speed, "none") == 0) {
        (void)snprintf(run->no_answers, sizeof run->no_answers,
                       "without an engine speed no band can be assessed: leave out --speed none");
        return SM_OK;
    }
    if (strcmp(run->base.log_path, "-") == 0) { /* a file by now: cmd_inspect.c */
        (void)lseek(STDIN_FILENO, 0, SEEK_SET);
    }
    sm_error why = {0};
    sm_status st = ask(args, run, &why);
    if (st == SM_E_NOMEM) {
        *err = why;
        return st;
    }
    if (st != SM_OK) { /* the rest is still worth reading */
        (void)snprintf(run->no_answers, sizeof run->no_answers, "%.340s", why.message);
    }
    return SM_OK;
}
