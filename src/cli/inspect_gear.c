/* inspect --gear-ratio: what ratio the vibration speaks of. Told, never used. */
#include "cli/inspect_run.h"

#include <math.h>
#include <string.h>

/* A file's ratio that is off by more than this is contradicted: its propeller lines are elsewhere.
 */
static const double OFF = 0.003;
static const double CLEAR = 5; /* margin of a suggestion, log likelihood per frame */

static sm_shaft known_shaft(const motion_run *base)
{
    const sm_powertrain *p = &base->powertrain;
    sm_role role = base->speed_source == SM_SPEED_TACH ? SM_ROLE_TACH : SM_ROLE_RPM;
    bool measured = base->speed_source == SM_SPEED_TACH || base->speed_source == SM_SPEED_COLUMN;
    for (size_t i = 0; measured && i < base->info->n_channels; i++) {
        const sm_channel *c = &base->info->channels[i];
        if (c->role == role) {
            return c->shaft_given ? c->shaft : p->rpm_of;
        }
    }
    return SM_SHAFT_CRANK; /* a log or notes steer the search for the crank's orders */
}

sm_status inspect_gear_open(const sm_args *args, inspect_run *run, sm_error *err)
{
    const motion_run *base = &run->base;
    if (!sm_args_flag(args, "gear-ratio")) {
        return SM_OK;
    }
    if (!base->has_powertrain) {
        return sm_error_set(err, SM_E_VALUE, sm_args_file(args, 0), 0,
                            "--gear-ratio needs --powertrain FILE with [engine] and [propeller]: "
                            "cylinders and blades say which lines to look for");
    }
    sm_speed_source s = base->speed_source;
    bool known = base->speed && s != SM_SPEED_ESTIMATE && s != SM_SPEED_DECLARED;
    sm_estimate_options range = sm_estimate_options_default(&base->powertrain, NAN, NAN);
    return sm_gear_open(base->info->channels, base->info->n_channels, base->info->rate_hz,
                        &base->powertrain, known, known_shaft(base), range.rpm_lo, range.rpm_hi,
                        &run->gear, err);
}

sm_status inspect_gear_finish(inspect_run *run, sm_error *err)
{
    return run->gear ? sm_gear_finish(run->gear, &run->gear_result, err) : SM_OK;
}

static const char *confidence(const sm_gear_result *r)
{
    return r->basis == SM_GEAR_MEASURED ? "measured"
           : r->basis == SM_GEAR_NONE   ? "none"
           : r->margin >= CLEAR         ? "suggested"
                                        : "suggested, weak";
}

void inspect_gear_json(const inspect_run *run, sm_json_doc *doc, sm_json *root)
{
    const sm_gear_result *r = &run->gear_result;
    if (!run->gear) {
        return;
    }
    const sm_powertrain *p = &run->base.powertrain;
    double file = p->has_gearbox ? sm_ratio_value(p->gear) : (double)NAN;
    sm_json *o = sm_json_add_object(doc, root, "gear_ratio");
    sm_json_add_text(doc, o, "basis", sm_gear_basis_text(r->basis));
    sm_json_add_text(doc, o, "confidence", confidence(r));
    sm_json_add_number(doc, o, "ratio", r->ratio);
    sm_json_add_number(doc, o, "uncertainty", r->uncertainty);
    if (r->teeth_num > 0) {
        sm_json_add_pair(doc, o, "fraction", (double)r->teeth_num, (double)r->teeth_den);
    } else {
        sm_json_add_null(doc, o, "fraction");
    }
    sm_json_add_number(doc, o, "margin", r->margin);
    sm_json_add_number(doc, o, "next_ratio", r->next_ratio);
    sm_json_add_integer(doc, o, "lines", (long long)r->n_lines);
    sm_json_add_number(doc, o, "file_ratio", file);
    bool off = r->basis != SM_GEAR_NONE && fabs(r->ratio / file - 1) > OFF;
    sm_json_add_bool(doc, o, "contradicts_file", off);
    sm_json_add_text(doc, o, "reason", r->reason);
}

void inspect_gear_text(const sm_json *root, sm_text *out)
{
    const sm_json *o = sm_json_get(root, "gear_ratio");
    if (!o) {
        return;
    }
    const char *basis = sm_json_string(sm_json_get(o, "basis"));
    double ratio = sm_json_number(sm_json_get(o, "ratio"));
    const char *reason = sm_json_string(sm_json_get(o, "reason"));
    sm_text t = {0};
    if (strcmp(basis, "none") == 0) {
        sm_text_addf(&t, "cannot be told: %s", reason);
    } else {
        const sm_json *fraction = sm_json_get(o, "fraction");
        sm_text_addf(&t, "%.6g", ratio);
        if (!sm_json_is_null(fraction)) {
            sm_text_addf(&t, " (%.0f/%.0f or a multiple of it in teeth)",
                         sm_json_number(sm_json_at(fraction, 0)),
                         sm_json_number(sm_json_at(fraction, 1)));
        }
        sm_text_addf(&t,
                     ", %s, good to %.1g; %s. It is not used by itself: write ratio = %.6g under "
                     "[gearbox] if it is right",
                     sm_json_string(sm_json_get(o, "confidence")),
                     sm_json_number(sm_json_get(o, "uncertainty")), reason, ratio);
        if (sm_json_bool(sm_json_get(o, "contradicts_file"), false)) {
            sm_text_addf(&t, ". The powertrain file says %.6g: the vibration contradicts it",
                         sm_json_number(sm_json_get(o, "file_ratio")));
        }
    }
    sm_text_add(out, "  gear     ");
    sm_words_wrap(out, 11, 11, t.s ? t.s : "");
    out->failed |= t.failed;
    sm_text_free(&t);
}
