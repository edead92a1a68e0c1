/* What taps, tilts and the standing engine say against a result. */
#include "budget/score.h"
#include "core/util.h"

#include <math.h>
#include <string.h>

static const double SMALL = 0.01; /* of the limit's power, as for aliases */

static bool names_one_axis(const sm_limit *l, const char *place)
{
    for (size_t i = 0; i < l->n_patterns; i++) {
        const sm_pattern *p = &l->patterns[i];
        if (p->axis < 0 && (strcmp(p->place, "*") == 0 || strcmp(p->place, place) == 0)) {
            return false;
        }
    }
    return true;
}

/* Axes of which the two tilts showed that they are others than they are called. */
static void check_axes(const sm_score_view *v, const sm_limit *l, sm_result *r, sm_flaws *f)
{
    const char *place = v->survey->channels[r->i_channel].info.place;
    const sm_findings *all = sm_run_findings(v->run);
    const sm_finding *missing = sm_findings_get(all, "orientation-missing", place);
    bool wrong = sm_findings_get(all, "orientation-contradicted", place) != NULL;
    if ((missing || wrong) && names_one_axis(l, place)) {
        f->blocks = f->blocks_all = true; /* it may be another axis that is over */
        if (missing) {
            sm_reasons_add(&r->reasons, missing->code, "%.230s", missing->text);
        }
    }
}

/* Over only because of what is there without the engine, or slower than it: nothing is proven. */
static void check_disturbed(const sm_score_view *v, const sm_limit *l, sm_result *r, sm_flaws *f)
{
    sm_ground_share s =
        sm_ground_share_of(sm_run_ground(v->run), v->survey->channels[r->i_channel].i_source, l);
    double sum = (s.lines + s.noise + s.rocking) / (r->unit->to_si * r->unit->to_si);
    double max2 = r->max * r->max;
    bool hangs = r->value > r->max && r->value * r->value - sum <= max2;
    if (!hangs || sum < SMALL * max2) {
        return;
    }
    f->blocks = f->blocks_all = true;
    const char *code = s.lines > s.noise && s.lines > s.rocking ? "electrical-line"
                       : s.rocking > s.noise                    ? "airframe-rocking"
                                                                : "noise-floor-high";
    sm_reasons_add(&r->reasons, code,
                   "over only because of what the engine does not make (%s): without it this would "
                   "be %.3g %s; remove it and record again",
                   code, sqrt(sm_max(0, r->value * r->value - sum)), r->unit->name);
}

void sm_check_ground(const sm_score_view *v, sm_result *r, sm_flaws *f)
{
    const sm_limit *l = &v->budget->limits[r->i_limit];
    check_axes(v, l, r, f);
    check_disturbed(v, l, r, f);
}
