/*
 * One run from file to survey: source, speed and survey joined. What every command that asks about
 * a run-up begins with.
 */
#ifndef STILLMOUNT_RUN_H
#define STILLMOUNT_RUN_H

#include "stillmount/estimate.h"
#include "stillmount/ground.h"
#include "stillmount/motion.h"
#include "stillmount/source.h"
#include "stillmount/speed.h"
#include "stillmount/survey.h"

/*
 * Told for every half second of the log, before the block that begins there: longer blocks (a
 * file's hold up to 4096 rows) tell once each. Comes from the thread that pushes, never from
 * another. Returning false stops the run with SM_E_CANCELLED.
 */
typedef bool (*sm_progress_fn)(void *self, double seconds_of_log);

typedef struct sm_run_options {
    const sm_powertrain *powertrain; /* kept by reference */
    const sm_budget *budget;         /* NULL: none, levels only; kept by reference */
    const char *channels_path;       /* NULL = none */
    const char *rpm_log_path;        /* NULL = none */
    const char *speed;               /* NULL = by preference; "tach", "column", "log", "estimate" */
    double declared_rpm;             /* NaN = not declared */
    int threads;                     /* 1 = none of its own */
    bool detail;                     /* keep tracks and map */
    sm_progress_fn progress;         /* NULL = none */
    void *progress_self;
    bool identify_later; /* do not wait for the hashes of the files, sm_run_identify() does */
} sm_run_options;

typedef struct sm_run sm_run;

SM_API sm_run_options sm_run_options_default(void);

/**
 * Reads the log once (twice when the speed has to be estimated) and surveys it.
 *
 * Returns SM_OK; SM_E_ARG; SM_E_IO; SM_E_FORMAT; SM_E_VALUE; SM_E_SHORT; SM_E_NO_SPEED (no speed in
 * the log and none could be had: what to give is in err); SM_E_NOMEM; SM_E_CANCELLED
 */
SM_API SM_NODISCARD sm_status sm_run_survey(const char *path, const sm_run_options *opt,
                                            sm_run **out, sm_error *err);
/**
 * The same without any file: the caller pushes decoded blocks (SI values, no angle) into
 * sm_run_sink(), marks gaps, and ends with sm_run_finish(). Progress and cancelling work as for
 * files; with opt->threads = 1 everything runs in the caller's thread.
 *
 * channels  in  of the blocks, copied: role, place, axis, name, quantity, unit, range, bandwidth
 * name      in  of the run, for the result
 *
 * Returns SM_OK; SM_E_ARG; SM_E_NO_SPEED; SM_E_VALUE; SM_E_NOMEM
 * Threads  one run belongs to one thread; several runs may go on at once
 */
SM_API SM_NODISCARD sm_status sm_run_begin(const sm_channel *channels, size_t n_channels,
                                           double rate_hz, const char *name,
                                           const sm_run_options *opt, sm_run **out, sm_error *err);
/** Where a caller's blocks and gap marks go. */
SM_API sm_sink sm_run_sink(sm_run *run);
/**
 * Ends a run of blocks: afterwards it is what sm_run_survey() gives. Call once.
 *
 * Returns SM_OK; SM_E_VALUE; SM_E_NOMEM; what ended the run when it was cancelled or a push had
 *         failed: then there is no result, and only sm_run_close() is left
 */
SM_API SM_NODISCARD sm_status sm_run_finish(sm_run *run, sm_error *err);
SM_API void sm_run_close(sm_run **run);

/* Whose speed is asked for. */
typedef struct sm_speed_question {
    const sm_run_options
        *options;      /* powertrain, budget (its rpm range), speed, rpm log, declared */
    sm_source *source; /* NULL: blocks of a caller; then nothing can be estimated */
    const sm_channel *channels;
    size_t n_channels;
    const char *path; /* for messages */
} sm_speed_question;

/**
 * Which speed a log gets, by the order of preference: declared, forced, tach, column, rpm log,
 * notes, vibration. The last three need a pass over the file, which happens here.
 *
 * points  out  what an estimate found; keep it until the speed stage is closed
 * out     out  options of the speed stage
 * Returns SM_OK; SM_E_NO_SPEED; what sm_estimate_prepare() returns
 */
SM_API SM_NODISCARD sm_status sm_run_choose_speed(const sm_speed_question *q,
                                                  sm_estimate_result *points, sm_findings *findings,
                                                  sm_speed_options *out, sm_error *err);

/** What the look-ahead understood: channels, rate, name. Valid until the run is closed, as all of
 * these. */
SM_API const sm_source_info *sm_run_info(const sm_run *run);
/** Length, rows, rates and hashes of the inputs. */
SM_API const sm_source_totals *sm_run_totals(const sm_run *run);
/**
 * Waits until the files are hashed: with identify_later to be called before sm_run_totals() and
 * sm_run_json(); sm_assessment_json() does it. Without, and for a caller's blocks, there is nothing
 * left to do.
 *
 * Returns SM_OK; SM_E_IO; SM_E_NOMEM
 */
SM_API SM_NODISCARD sm_status sm_run_identify(sm_run *run, sm_error *err);
/** Where the speed came from and its trace. */
SM_API const sm_speed_result *sm_run_speed(const sm_run *run);
/** Bands, cells, orders, lines. */
SM_API const sm_survey_result *sm_run_survey_result(const sm_run *run);
/** The orders that were tracked, those of the budget included. */
SM_API const sm_order_table *sm_run_orders(const sm_run *run);
/** The budget given, or the one of sm_budget_none(). */
SM_API const sm_budget *sm_run_budget(const sm_run *run);
/** The powertrain given. */
SM_API const sm_powertrain *sm_run_powertrain(const sm_run *run);
/** What is wrong or noteworthy in the log; callers may add. */
SM_API sm_findings *sm_run_findings(sm_run *run);

/** Coning and level error of a place; NULL when no limit of the budget asks for them. */
SM_API const sm_drift *sm_run_drift(const sm_run *run, const char *place);

/** Engine off, taps, tilts, rocking. */
SM_API const sm_ground *sm_run_ground(const sm_run *run);

/** Adds "run" and "speed" of a result document (contract: JSON). */
SM_API void sm_run_json(const sm_run *run, sm_json_doc *doc, sm_json *object);

#endif
