/* What to say where a log has no sensor at the place that was named. */
#include "isolator/spectra.h"
#include "stillmount/isolator.h"

#include <string.h>

sm_status sm_no_such_place(const sm_survey_result *survey, const char *place, sm_error *err)
{
    sm_text list = {0};
    for (size_t i = 0; i < survey->n_channels; i++) {
        const sm_channel *c = &survey->channels[i].info;
        bool first = c->role == SM_ROLE_ACCEL;
        for (size_t k = 0; k < i && first; k++) {
            const sm_channel *d = &survey->channels[k].info;
            first = d->role != SM_ROLE_ACCEL || strcmp(c->place, d->place) != 0;
        }
        if (first) {
            sm_text_addf(&list, "%s%s", list.n ? ", " : "", c->place);
        }
    }
    sm_status st = sm_error_set(err, SM_E_VALUE, NULL, 0,
                                "no accelerometer at the place '%s': --place names the one the "
                                "isolator would stand under; this log has: %s",
                                place, list.s ? list.s : "none");
    sm_text_free(&list);
    return st;
}
