/* What compare, rank and isolator share: powertrain, budget, and runs through them. */
#ifndef SM_CLI_COMPARE_RUN_H
#define SM_CLI_COMPARE_RUN_H

#include "cli/cli.h"
#include "stillmount/run.h"

#define SM_COMPARE_OPTIONS                                                                         \
    {.name = "powertrain",                                                                         \
     .kind = SM_ARG_TEXT,                                                                          \
     .arg = "FILE",                                                                                \
     .help = "powertrain file: names the orders; without it only levels are looked at"},           \
        {.name = "budget",                                                                         \
         .kind = SM_ARG_TEXT,                                                                      \
         .arg = "FILE",                                                                            \
         .help = "budget file: its bands and limits are the measures"},                            \
        {.name = "speed",                                                                          \
         .kind = SM_ARG_CHOICE,                                                                    \
         .arg = "SOURCE",                                                                          \
         .choices = "tach|column|log|estimate",                                                    \
         .help = "where the rpm comes from; default: the best there is"},                          \
        {.name = "rpm",                                                                            \
         .kind = SM_ARG_NUMBER,                                                                    \
         .arg = "N",                                                                               \
         .unit = "rpm",                                                                            \
         .lo = 30,                                                                                 \
         .hi = 100000,                                                                             \
         .help = "the speed was held at N throughout"},                                            \
    {                                                                                              \
        .name = "threads", .kind = SM_ARG_INTEGER, .arg = "N", .lo = 1, .hi = 64,                  \
        .help = "processors to use, default 2; the result does not depend on it"                   \
    }

typedef struct compare_inputs {
    sm_powertrain powertrain;
    bool has_powertrain;
    sm_budget budget;
    bool has_budget;
    bool budget_ready; /* without a budget: made for the slowest log */
} compare_inputs;

/* Reads --powertrain and --budget. SM_OK or what failed (err is set). */
sm_status compare_inputs_read(const sm_args *args, compare_inputs *in, sm_error *err);
/*
 * Without a budget: the same measures for all logs, those that the slowest can carry. channels: (n)
 * of each path, NULL = none.
 */
sm_status compare_inputs_settle(compare_inputs *in, const char *const *paths,
                                const char *const *channels, size_t n, sm_error *err);
/* What the arguments say about a run. */
sm_run_options compare_run_options(const sm_args *args, const compare_inputs *in,
                                   const char *channels_path);
/* One run through source, speed and survey. channels_path may be NULL. */
sm_status compare_survey(const sm_args *args, const compare_inputs *in, const char *path,
                         const char *channels_path, sm_run **out, sm_error *err);

/*
 * An earlier run of [from, i) that was made from the same bytes as runs[i]; i where there is none.
 * The runs must be identified (sm_run_identify).
 */
size_t compare_twin(sm_run *const *runs, size_t from, size_t i);
/* What is told of a repeat that is none. */
void compare_given_twice(const sm_args *args, const char *path, const char *twin);

/* schema and program of a document. */
void compare_head(sm_json_doc *doc, const char *schema);
/* Warnings and worse of a run on standard error, one line each. */
void compare_warn(const sm_args *args, const char *name, const sm_findings *findings);

#endif
