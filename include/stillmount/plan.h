/* What to record, in which order and for how long: one page to take to the ramp. */
#ifndef STILLMOUNT_PLAN_H
#define STILLMOUNT_PLAN_H

#include "stillmount/budget.h"
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

#endif
