/* What drift, hold and inspect share: a log, its speed if it has one, and one pass through a sink.
 */
#ifndef SM_CLI_MOTION_RUN_H
#define SM_CLI_MOTION_RUN_H

#include "cli/cli.h"
#include "stillmount/budget.h"
#include "stillmount/estimate.h"
#include "stillmount/findings.h"
#include "stillmount/powertrain.h"
#include "stillmount/source.h"
#include "stillmount/speed.h"

typedef struct motion_run {
    const char *log_path; /* as the command line has them */
    const char *powertrain_path;
    sm_source *source;
    const sm_source_info *info;
    sm_powertrain powertrain; /* a plain four-cylinder one when none is given */
    bool has_powertrain;
    sm_speed_source speed_source;
    sm_speed_options speed_options;
    sm_speed_point *points;      /* of an rpm log that is taken as it stands */
    sm_estimate_result estimate; /* of the first pass, if there was one */
    sm_speed *speed;             /* NULL without a speed */
    sm_findings findings;
} motion_run;

/* Opens the log and settles where the speed comes from: from the vibration only when may_estimate.
 * SM_OK or what failed (err is set). */
sm_status motion_run_open(const sm_args *args, bool may_estimate, motion_run *run, sm_error *err);
/* The same with the log and the powertrain file (NULL = none) named. */
sm_status motion_run_open_named(const sm_args *args, const char *log, const char *powertrain,
                                bool may_estimate, motion_run *run, sm_error *err);
bool motion_run_has_gyro(const motion_run *run, const char *place);
/* Nothing to work on: the front of an unassessed record that says so, not an error. The log is read
 * once, so that its length and hash are in it. */
sm_status motion_run_no_gyro(motion_run *run, const char *place, const char *schema,
                             sm_json_doc *doc, sm_error *err);
/* Typed notes as they stand, when the log has no other speed and none was asked of the vibration.
 */
sm_status motion_run_take_notes(motion_run *run, sm_error *err);
/* Opens the speed stage in front of sink, if the log has a speed: run->speed. */
sm_status motion_run_begin(motion_run *run, const sm_args *args, const sm_sink *sink,
                           sm_error *err);
/* One pass of the whole log through sink; NULL: only to know its length and hash. */
sm_status motion_run_pump(motion_run *run, const sm_args *args, const sm_sink *sink, sm_error *err);
void motion_run_close(motion_run *run);

/* program, run, findings and speed: the front of the document. */
void motion_run_json(const motion_run *run, const char *schema, sm_json_doc *doc);
/* Appends the lines of text at 80 columns; an indented line continues two further in. */
void motion_run_wrap(const sm_text *text, sm_text *out);
/* Findings worth reading, one line each. */
void motion_run_text(const sm_json *root, sm_text *out);

/* What tells drift from hold: filling the record (and the exit status), and its text. */
typedef struct motion_job {
    sm_status (*compute)(const sm_args *args, motion_run *run, sm_json_doc *doc, int *status,
                         sm_error *err);
    void (*text)(const sm_json *root, sm_text *out);
} motion_job;

/* The whole command: record, text, page, pictures. The exit status. */
int motion_run_command(const sm_args *args, const motion_job *job);

/* A number of the record between two phrases; the second is silent where the number is null. */
void motion_text_number(sm_text *out, const char *before, const sm_json *node, int digits,
                        const char *after);
void motion_text_known(sm_text *out, const char *before, const sm_json *node, const char *after);
/* The texts of a list of {code, text}, each on a line of its own, without the one of `skip`. */
void motion_text_reasons(const sm_json *reasons, const char *indent, const char *skip,
                         sm_text *out);

#define MOTION_PLACE_OPTION                                                                        \
    {                                                                                              \
        .name = "place", .kind = SM_ARG_TEXT, .arg = "PLACE",                                      \
        .help = "where the sensor sits; default mount"                                             \
    }

#define MOTION_RUN_OPTIONS                                                                         \
    SM_OPTIONS_INPUT,                                                                              \
        {.name = "powertrain",                                                                     \
         .kind = SM_ARG_TEXT,                                                                      \
         .arg = "FILE",                                                                            \
         .help = "powertrain file: whose rpm, and which orders"},                                  \
        {.name = "speed",                                                                          \
         .kind = SM_ARG_CHOICE,                                                                    \
         .arg = "SOURCE",                                                                          \
         .choices = "tach|column|log|estimate|none",                                               \
         .help =                                                                                   \
             "where the rpm comes from: tach, column, log, estimate or none; default: the best"},  \
    {                                                                                              \
        .name = "rpm", .kind = SM_ARG_NUMBER, .arg = "N", .unit = "rpm", .lo = 30, .hi = 100000,   \
        .help = "the speed was held at N throughout"                                               \
    }

#endif
