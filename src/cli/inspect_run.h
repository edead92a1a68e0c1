/* inspect: the log is read once; what it holds becomes the document. */
#ifndef SM_CLI_INSPECT_RUN_H
#define SM_CLI_INSPECT_RUN_H

#include "cli/motion_run.h"
#include "stillmount/gear.h"
#include "stillmount/ground.h"
#include "stillmount/plan.h"
#include "stillmount/survey.h"
#include "stillmount/words.h"

typedef struct inspect_channel {
    double n;
    double mean;
    double square;
} inspect_channel;

/* A stretch of the run in which rpm rises, falls or is held. */
typedef struct inspect_pass {
    int direction; /* 1, -1, 0 */
    double from_s;
    double to_s;
    double rpm_from;
    double rpm_to;
} inspect_pass;

enum { INSPECT_PASSES = 200 };

typedef struct inspect_run {
    motion_run base; /* the log and its speed */
    sm_ground *ground;
    sm_survey *survey; /* with a powertrain and a speed: aliases, and is the speed right? */
    sm_order_table orders;
    sm_budget levels; /* no limits: the survey's bands */
    bool has_plan;    /* --plan: the record is held against it */
    sm_budget budget;
    bool complete;
    sm_json_doc *answers; /* of assess, with --plan; NULL: see no_answers */
    char no_answers[400];
    inspect_channel channels[SM_MAX_CHANNELS];
    inspect_pass passes[INSPECT_PASSES];
    size_t n_passes;
    sm_gear *gear; /* --gear-ratio; NULL = not asked for */
    sm_gear_result gear_result;
} inspect_run;

/* Opens the search when it is asked for, between motion_run_begin() and the pass. */
sm_status inspect_gear_open(const sm_args *args, inspect_run *run, sm_error *err);
sm_status inspect_gear_finish(inspect_run *run, sm_error *err);
void inspect_gear_json(const inspect_run *run, sm_json_doc *doc, sm_json *root);
void inspect_gear_text(const sm_json *root, sm_text *out);

/* With --plan, after the pass: the log is read once more, as assess reads it. */
sm_status inspect_ask_answers(const sm_args *args, inspect_run *run, sm_error *err);

/* budget: path; NULL = no plan. */
sm_status inspect_open(const sm_args *args, const char *log, const char *powertrain,
                       const char *budget, inspect_run *run, sm_error *err);
sm_status inspect_pump(inspect_run *run, const sm_args *args, sm_error *err);
void inspect_close(inspect_run *run);
/* Fills the document. usable: the log can carry a verdict, and holds what the plan needs. */
sm_status inspect_json(inspect_run *run, sm_json_doc *doc, bool *usable, sm_error *err);
/* The screen, from the document. */
void inspect_text(const sm_json *root, sm_text *out);

#endif
