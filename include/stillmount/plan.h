/* What to record, in which order and for how long: one page to take to the ramp. */
#ifndef STILLMOUNT_PLAN_H
#define STILLMOUNT_PLAN_H

#include "stillmount/budget.h"
#include "stillmount/ground.h"
#include "stillmount/json.h"
#include "stillmount/powertrain.h"

/**
 * Fills an empty document with the plan (schema stillmount/plan/1): what the logger needs, where it
 * goes, every step with its rpm and seconds, what cannot be had and the cautions. No dwell is asked
 * for inside an avoid range, below idle, above the maximum, or beyond the full-power seconds of one
 * climb; what the budget wants there is named in `warnings` instead. Seconds and ranges without a
 * source in the files are common practice and say so.
 *
 * On failure the content of doc is unspecified.
 *
 * Returns  SM_OK; SM_E_VALUE (an order limit names no shaft of this powertrain); SM_E_NOMEM
 */
SM_API SM_NODISCARD sm_status sm_plan_make(const sm_powertrain *powertrain, const sm_budget *budget,
                                           sm_json_doc *doc, sm_error *err);

/** The page as text, 80 columns. Out of memory is remembered by the text. */
SM_API void sm_plan_text(sm_json_doc *doc, sm_text *out);

/* What is known of a log, to be held against the plan. */
typedef struct sm_plan_record {
    const sm_channel *channels; /* [n_channels] */
    size_t n_channels;
    double rate_hz;
    const double *trace_t_s; /* (n_trace) of the speed stage, 10 Hz or less; NaN rpm = not known */
    const double *trace_rpm;
    size_t n_trace;
    const sm_ground_result *ground;
    const char *notes; /* of the run file: is the ignition check marked? */
    /* stillmount/assessment/1 of this log under this budget: complete is then true only where every
     * required band has its answer. NULL = not asked. */
    const sm_json *assessment;
    const char *no_assessment; /* why there is none, when one was asked for; NULL = not asked */
} sm_plan_record;

/**
 * Adds the object "plan" with its items ("done", "short", "missing" or "contradicted" each) to
 * object: what of the plan's record the log holds, and what to do about the rest.
 *
 * complete  out  nothing that a verdict needs is missing
 *
 * Returns  SM_OK; what sm_plan_make() returns
 */
SM_API SM_NODISCARD sm_status sm_plan_check(const sm_powertrain *powertrain,
                                            const sm_budget *budget, const sm_plan_record *record,
                                            sm_json_doc *doc, sm_json *object, bool *complete,
                                            sm_error *err);

/** The list as text, from the object "plan". */
SM_API void sm_plan_check_text(const sm_json *plan, sm_text *out);

#endif
