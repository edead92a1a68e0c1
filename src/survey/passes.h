/* Visits of the rpm to the bands: up, down, held. */
#ifndef SM_SURVEY_PASSES_H
#define SM_SURVEY_PASSES_H

#include "stillmount/survey.h"

typedef struct sm_passes {
    long band;  /* being visited, -1 = none */
    double low; /* running extremes since the visit began */
    double high;
    double rise; /* largest climb and fall within the visit */
    double fall;
    long n; /* frames, and of these the ones with a held rpm */
    long n_held;
} sm_passes;

void sm_passes_frame(sm_passes *p, sm_survey_result *res, long band, double rpm, sm_direction d);
/* Ends the visit that is going on. */
void sm_passes_end(sm_passes *p, sm_survey_result *res);

#endif
