/* Options of every command that surveys a run-up, and the survey with its progress bar. */
#ifndef SM_CLI_RUN_ARGS_H
#define SM_CLI_RUN_ARGS_H

#include "cli/cli.h"
#include "stillmount/run.h"

#define SM_OPTIONS_RUN                                                                             \
    {.name = "powertrain",                                                                         \
     .letter = 'p',                                                                                \
     .kind = SM_ARG_TEXT,                                                                          \
     .arg = "FILE",                                                                                \
     .help = "powertrain file: engine, gearbox, propeller (required)"},                            \
        SM_OPTIONS_INPUT,                                                                          \
        {.name = "speed",                                                                          \
         .kind = SM_ARG_CHOICE,                                                                    \
         .arg = "SOURCE",                                                                          \
         .choices = "tach|column|log|estimate",                                                    \
         .help = "where the engine speed comes from: tach, column, log or estimate; default the "  \
                 "best there is"},                                                                 \
        {.name = "rpm",                                                                            \
         .kind = SM_ARG_NUMBER,                                                                    \
         .arg = "N",                                                                               \
         .unit = "rev/min",                                                                        \
         .lo = 1,                                                                                  \
         .hi = 100000,                                                                             \
         .help = "the speed was held at N, of the shaft that rpm_of names"},                       \
    {                                                                                              \
        .name = "threads", .kind = SM_ARG_INTEGER, .arg = "N", .lo = 1, .hi = 64,                  \
        .help = "threads that share the work; default 2, the result is the same"                   \
    }

/* Reads the powertrain and fills the options from the arguments. 0, or SM_EXIT_FAILED, said. */
int sm_cli_run_options(const sm_args *args, sm_powertrain *powertrain, sm_run_options *out);
/* Every order that the budget names must exist in the powertrain. */
sm_status sm_cli_check_budget(const sm_budget *b, const char *path, const sm_powertrain *p,
                              sm_error *err);
/* The survey, with progress on a terminal. */
sm_status sm_cli_run_survey(const sm_args *args, const char *path, sm_run_options *opt,
                            sm_run **out, sm_error *err);

#endif
