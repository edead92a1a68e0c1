/* Pieces of the assessment document. */
#ifndef SM_BUDGET_ASSESS_JSON_H
#define SM_BUDGET_ASSESS_JSON_H

#include "budget/score.h"

/* peaks, orders, spectra, map */
void sm_assess_detail(const sm_score_view *v, sm_json_doc *doc, sm_json *root);

#endif
