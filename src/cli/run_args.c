/* From the command line to a surveyed run. */
#include "cli/run_args.h"

#include <math.h>
#include <stdio.h>
#include <unistd.h>

int sm_cli_run_options(const sm_args *args, sm_powertrain *powertrain, sm_run_options *out)
{
    sm_error err = {0};
    const char *path = sm_args_text(args, "powertrain", NULL);
    if (!path) {
        return sm_cli_usage(args, "--powertrain FILE is needed: it says what turns and how fast");
    }
    if (sm_powertrain_read(path, powertrain, &err) != SM_OK) {
        return sm_cli_fail(&err);
    }
    *out = sm_run_options_default();
    out->powertrain = powertrain;
    out->channels_path = sm_args_text(args, "channels", NULL);
    out->rpm_log_path = sm_args_text(args, "rpm-log", NULL);
    out->speed = sm_args_text(args, "speed", NULL);
    out->declared_rpm = sm_args_number(args, "rpm", (double)NAN);
    out->threads = (int)sm_args_number(args, "threads", 2);
    return 0;
}

sm_status sm_cli_check_budget(const sm_budget *b, const char *path, const sm_powertrain *p,
                              sm_error *err)
{
    for (size_t i = 0; i < b->n_limits; i++) {
        sm_ratio ratio;
        sm_error why = {0};
        if (b->limits[i].measure == SM_MEASURE_ORDER &&
            sm_powertrain_order_ratio(p, b->limits[i].order_label, &ratio, &why) != SM_OK) {
            return sm_error_set(err, SM_E_VALUE, path, b->limits[i].line, "[limit %s] %s",
                                b->limits[i].name, why.message);
        }
    }
    return SM_OK;
}

static bool show_progress(void *self, double seconds_of_log)
{
    double *last = self;
    if (seconds_of_log - *last >= 10) {
        *last = seconds_of_log;
        (void)fprintf(stderr, "\rread %.0f s of the log", seconds_of_log);
        (void)fflush(stderr);
    }
    return true;
}

sm_status sm_cli_run_survey(const sm_args *args, const char *path, sm_run_options *opt,
                            sm_run **out, sm_error *err)
{
    double last = 30; /* short logs are done before anybody wonders */
    bool show = isatty(STDERR_FILENO) && !sm_args_flag(args, "quiet");
    if (show) {
        opt->progress = show_progress;
        opt->progress_self = &last;
    }
    sm_status st = sm_run_survey(path, opt, out, err);
    opt->progress_self = NULL;
    if (show && last > 30) {
        (void)fputs("\r                                  \r", stderr);
    }
    return st;
}
