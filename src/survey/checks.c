/* What a finished survey says about the speed and the sampling. */
#include "stillmount/survey.h"

#include <stdint.h>
#include <string.h>

void sm_survey_speed_check(const sm_survey_result *v, sm_comb_result *out)
{
    *out = (sm_comb_result){.n_seen = -1};
    for (size_t i = 0; i < v->n_channels; i++) {
        size_t place[SM_MAX_CHANNELS];
        size_t n = 0;
        for (size_t k = 0; k < v->n_channels; k++) {
            if (strcmp(v->channels[k].info.place, v->channels[i].info.place) == 0 &&
                v->channels[k].info.role != SM_ROLE_MAG) {
                place[n++] = k;
            }
        }
        sm_comb_result c;
        sm_comb_result_get(v->comb, place, n, SIZE_MAX, &c);
        bool better = c.check == SM_COMB_CONTRADICTED && out->check != SM_COMB_CONTRADICTED;
        better |= c.check == out->check && c.n_seen > out->n_seen;
        better |= c.check == SM_COMB_CONFIRMED && out->check == SM_COMB_UNCONFIRMED;
        if (out->n_seen < 0 || better) {
            *out = c;
        }
    }
}

void sm_survey_findings(const sm_survey_result *v, sm_findings *out)
{
    for (size_t i = 0; i < v->n_lines; i++) {
        const sm_line *line = &v->lines[i];
        if (line->kind != SM_LINE_ALIAS) {
            continue;
        }
        const char *channel = v->channels[line->i_channel].info.name;
        sm_finding *f = sm_findings_add(out, "alias-line", SM_WARNING, channel, line->n_frames);
        sm_finding_text(
            f,
            "between %.0f and %.0f rpm a line that moves against the rpm is order %.4g "
            "folded at %d x the sampling rate: record at a higher rate or filter before "
            "sampling",
            line->rpm_lo, line->rpm_hi, line->order, line->fold < 0 ? -line->fold : line->fold);
        sm_finding_effect(f, "limits whose range it falls into are unassessed there");
    }
}
