/* drift: the answer in short: per axis the worst band, what makes it there, and what it may be
 * elsewhere. */
#include "core/util.h"
#include "motion/drift_internal.h"

#include <math.h>
#include <string.h>

static double at(const sm_json *band, const char *key, int axis)
{
    return sm_json_number(sm_json_at(sm_json_get(band, key), (size_t)axis));
}

static bool is_resolved(const sm_json *band, int axis)
{
    const sm_json *axes = sm_json_get(band, "resolved_axes");
    return strcmp(sm_json_string(sm_json_at(axes, (size_t)axis)), "yes") == 0;
}

/* The band with the largest resolved rate about the axis, or with the largest ceiling. -1 = none.
 */
static long worst_band(const sm_json *bands, int axis, bool resolved)
{
    long worst = -1;
    double most = 0;
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        const sm_json *b = sm_json_at(bands, i);
        double v = resolved ? fabs(at(b, "coning_deg_per_h", axis))
                            : at(b, "coning_ceiling_deg_per_h", axis);
        bool good = sm_json_bool(sm_json_get(b, "assessed"), false);
        if (good && (!resolved || is_resolved(b, axis)) && v > most) {
            most = v;
            worst = (long)i;
        }
    }
    return worst;
}

static void rpm_json(const sm_json *band, const char *key, sm_json_doc *doc, sm_json *o)
{
    const sm_json *rpm = sm_json_get(band, "rpm");
    if (sm_json_size(rpm) == 2) {
        sm_json_add_pair(doc, o, key, sm_json_number(sm_json_at(rpm, 0)),
                         sm_json_number(sm_json_at(rpm, 1)));
    } else {
        sm_json_add_null(doc, o, key);
    }
}

static void line_json(const sm_drift *d, size_t rank, int axis, sm_json_doc *doc, sm_json *o)
{
    sm_drift_band band;
    sm_drift_line line;
    sm_drift_band_get(d, rank, &band);
    if (!drift_strongest(d, drift_slot_ranked(d, rank), &band, axis, &line)) {
        sm_json_add_null(doc, o, "line");
        return;
    }
    sm_json *l = sm_json_add_object(doc, o, "line");
    sm_json_add_text(doc, l, "label", line.label);
    sm_json_add_number(doc, l, "hz", line.hz);
    sm_json_add_number(doc, l, "deg_per_h", line.coning_rad_s * 180 / SM_PI * 3600);
}

/* Which attitude turns about the axis: only where gravity lies along z. */
static const char *angle_of(const sm_drift *d, size_t rank, int axis)
{
    static const char *const angles[3] = {"bank", "pitch", "heading"};
    drift_cell all = drift_cell_all(drift_slot_ranked(d, rank));
    return drift_vertical_axis(&all) == 2 ? angles[axis] : "";
}

static void axis_json(const sm_drift *d, const sm_json *bands, int axis, sm_json_doc *doc,
                      sm_json *a)
{
    static const char *const axes[3] = {"x", "y", "z"};
    long top = worst_band(bands, axis, false);
    long best = worst_band(bands, axis, true);
    bool resolved = best >= 0;
    best = resolved ? best : top;
    if (best < 0) {
        return;
    }
    const sm_json *b = sm_json_at(bands, (size_t)best);
    const sm_json *interval = sm_json_at(sm_json_get(b, "coning_interval_deg_per_h"), (size_t)axis);
    const sm_json *sensor = sm_json_get(b, "sensor");
    sm_json *o = sm_json_append_object(doc, a);
    sm_json_add_text(doc, o, "axis", axes[axis]);
    sm_json_add_text(doc, o, "angle", angle_of(d, (size_t)best, axis));
    rpm_json(b, "rpm", doc, o);
    sm_json_add_bool(doc, o, "resolved", resolved);
    sm_json_add_number(doc, o, "deg_per_h", at(b, "coning_deg_per_h", axis));
    sm_json_add_pair(doc, o, "interval_deg_per_h", sm_json_number(sm_json_at(interval, 0)),
                     sm_json_number(sm_json_at(interval, 1)));
    sm_json_add_number(doc, o, "ceiling_deg_per_h", at(b, "coning_ceiling_deg_per_h", axis));
    sm_json_add_number(
        doc, o, "levelling_error_deg",
        at(sensor, resolved ? "levelling_error_deg" : "levelling_error_ceiling_deg", axis));
    if (resolved) {
        line_json(d, (size_t)best, axis, doc, o);
    } else {
        sm_json_add_null(doc, o, "line");
    }
    const sm_json *other = sm_json_at(bands, (size_t)top);
    bool more = resolved && top != best && !is_resolved(other, axis);
    sm_json_add_number(doc, o, "elsewhere_deg_per_h",
                       more ? at(other, "coning_ceiling_deg_per_h", axis) : (double)NAN);
    rpm_json(more ? other : NULL, "elsewhere_rpm", doc, o);
}

void drift_worst_json(const sm_drift *d, const sm_json *bands, sm_json_doc *doc, sm_json *object)
{
    sm_json *a = sm_json_add_array(doc, object, "worst");
    for (int axis = 0; axis < 3; axis++) {
        axis_json(d, bands, axis, doc, a);
    }
}
