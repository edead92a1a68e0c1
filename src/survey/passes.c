/*
 * A visit is an unbroken stay of the frames in one band. It is an up pass when the rpm climbed over
 * at least four tenths of the band, a down pass likewise, held when it stayed for two seconds
 * without either. Hunting about a held rpm therefore never counts as passes up and down.
 */
#include "survey/passes.h"

#include "core/util.h"

#define PART_OF_BAND 0.4
#define HELD_FRAMES 4 /* two seconds at half-second hops */

void sm_passes_end(sm_passes *p, sm_survey_result *res)
{
    if (p->band < 0) {
        return;
    }
    sm_band *b = &res->bands[p->band];
    double width = b->rpm_hi - b->rpm_lo;
    long up = p->rise >= PART_OF_BAND * width;
    long down = p->fall >= PART_OF_BAND * width;
    long held = p->n_held >= HELD_FRAMES && p->n_held * 2 >= p->n;
    held |= !up && !down && p->n >= HELD_FRAMES;
    b->passes[SM_UP] += up;
    b->passes[SM_DOWN] += down;
    b->passes[SM_HELD] += held;
    b->n_visits += up + down > 1 ? 2 : up + down + held > 0;
    p->band = -1;
}

void sm_passes_frame(sm_passes *p, sm_survey_result *res, long band, double rpm, sm_direction d)
{
    if (band != p->band) {
        sm_passes_end(p, res);
        *p = (sm_passes){.band = band, .low = rpm, .high = rpm};
    }
    p->low = sm_min(p->low, rpm);
    p->high = sm_max(p->high, rpm);
    p->rise = sm_max(p->rise, rpm - p->low);
    p->fall = sm_max(p->fall, p->high - rpm);
    p->n++;
    p->n_held += d == SM_HELD;
}
