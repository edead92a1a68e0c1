/* The page for the mechanic: runs, answer, holes, drawing, what to do next, logbook. */
#include "balance/balance_internal.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Wraps words at 79 columns with an indent. */
void sm_balance_paragraph(sm_text *out, const char *first, const char *rest, const char *s)
{
    size_t column = strlen(first);
    sm_text_add(out, first);
    for (bool start = true; *s; start = false) {
        size_t n = strcspn(s, " ");
        if (!start && column + 1 + n > 79) {
            sm_text_addf(out, "\n%s", rest);
            column = strlen(rest);
        } else if (!start) {
            sm_text_add(out, " ");
            column++;
        }
        sm_text_add_n(out, s, n);
        column += n;
        s += n + (s[n] == ' ');
    }
    sm_text_add(out, "\n");
}

void sm_balance_vector_words(const sm_balance_job *job, sm_phasor v, char *out, size_t n)
{
    sm_text t = {0};
    sm_text_add_number(&t, sm_phasor_amplitude(v), 3);
    sm_text_addf(&t, " %s %s", job->unit->name, sm_detector_text(job->detector));
    if (!job->no_phase) {
        sm_text_addf(&t, " at %.1f degrees", sm_phasor_angle_deg(sm_as_read(job, v)));
    }
    (void)snprintf(out, n, "%s", t.s ? t.s : "");
    sm_text_free(&t);
}

void sm_balance_grams_words(double g, char *out, size_t n)
{
    (void)snprintf(out, n, "%.*f g (%.*f oz)", fabs(g) < 9.95 ? 2 : 1, g, 3,
                   g / SM_GRAMS_PER_OUNCE);
}

void sm_balance_conventions_text(const sm_balance_job *job, sm_text *out)
{
    const char *mark = job->mark[0] ? job->mark : "the tach mark";
    if (job->weights_given) {
        sm_text_addf(out, "Weight angles are counted from %s, %s the rotation of the propeller.",
                     mark, job->weights_against ? "against" : "with");
    } else {
        sm_text_addf(out, "Weight angles are counted from %s, always in the same direction.", mark);
    }
    if (job->seen_from_front >= 0 && job->turns_cw >= 0) {
        bool cw = job->turns_cw == 1;
        sm_text_addf(
            out, " Seen from the %s the propeller turns %s, so you count %s standing there.",
            job->seen_from_front ? "front" : "back", cw ? "clockwise" : "counter-clockwise",
            cw != job->weights_against ? "clockwise" : "counter-clockwise");
    }
    if (!job->no_phase) {
        sm_text_addf(out,
                     " Phase is a %s: the vibration peaks that many degrees of turn %s the "
                     "pulse.",
                     job->phase_lag ? "lag" : "lead", job->phase_lag ? "after" : "before");
    }
}

static void add_runs(const sm_balance_job *job, sm_text *out)
{
    static const char *const kinds[] = {"as found", "trial", "check"};
    sm_text_add(out, job->n_runs ? "\nRuns\n" : "");
    for (size_t i = 0; i < job->n_runs; i++) {
        const sm_balance_run *run = &job->runs[i];
        for (size_t k = 0; k < run->n_readings; k++) {
            char v[96], what[200] = "";
            sm_balance_vector_words(job, run->v[k], v, sizeof v);
            if (k > 0) {
                (void)snprintf(what, sizeof what, "  reading %zu", k + 1);
            } else {
                (void)snprintf(what, sizeof what, "%s%s%s", kinds[run->kind],
                               run->text[0] ? " " : "", run->text);
            }
            sm_text_addf(out, "  %2zu  %-32s  %s", i + 1, what, v);
            if (isfinite(run->rpm[k])) {
                sm_text_addf(out, ", %.0f rpm", run->rpm[k]);
            }
            if (isfinite(run->scatter[k])) {
                sm_text_add(out, ", scatter ");
                sm_text_add_number(out, run->scatter[k], 2);
            }
            sm_text_add(out, "\n");
        }
        if (run->source[0]) {
            sm_text_addf(out, "      from %s\n", run->source);
        }
    }
}

static void add_weight(const sm_balance_job *job, const sm_balance_result *r, size_t p,
                       sm_text *out)
{
    char g[64], s[400], plane[24] = "";
    sm_balance_grams_words(sm_phasor_amplitude(r->correction[p]), g, sizeof g);
    if (job->n_planes > 1) {
        (void)snprintf(plane, sizeof plane, "Plane %zu: ", p + 1);
    }
    if (!r->angle_known) {
        sm_text_addf(out,
                     "  Add %.3g g at %.1f degrees, or %.3g g at %.1f degrees: one of the two.\n",
                     r->grams_candidates[0], r->angle_candidates_deg[0], r->grams_candidates[1],
                     r->angle_candidates_deg[1]);
        return;
    }
    const char *state = job->has_influence && job->n_runs == 1 ? ""
                        : r->trial_stays ? ", on top of what is on the propeller now"
                        : sm_phasor_amplitude(r->now_on_g[p]) > 0
                            ? ", on top of the correction weights that are on now"
                            : ", with the trial weight taken off";
    (void)snprintf(s, sizeof s, "%s%s %s at %.1f degrees%s.", plane,
                   job->n_planes > 1 ? "add" : "Add", g,
                   sm_phasor_angle_deg(sm_as_counted(job, r->correction[p])), state);
    sm_balance_paragraph(out, "  ", "  ", s);
    if (r->grams_interval[p][1] > 0) {
        sm_text_addf(out, "  95 %% sure: %.1f to %.1f g, %.0f to %.0f degrees.\n",
                     r->grams_interval[p][0], r->grams_interval[p][1], r->angle_interval_deg[p][0],
                     r->angle_interval_deg[p][1]);
    }
}

static void add_holes(const sm_balance_result *r, size_t p, sm_text *out)
{
    for (size_t i = 0; i < r->split[p].n_parts; i++) {
        const sm_balance_part *part = &r->split[p].parts[i];
        char g[64];
        sm_balance_grams_words(fabs(part->grams), g, sizeof g);
        sm_text_addf(out, "  hole %-2ld at %5.1f degrees: %s %s", part->hole, part->angle_deg,
                     part->grams < 0 ? "take off" : "add", g);
        if (fabs(part->total_g - part->grams) > 1e-9) {
            sm_text_addf(out, ", it then holds %.3g g", part->total_g);
        }
        if (isfinite(part->radius_mm)) {
            sm_text_addf(out, ", radius %.4g mm", part->radius_mm);
        }
        sm_text_add(out, "\n");
    }
}

static void add_prediction(const sm_balance_job *job, const sm_balance_result *r, sm_text *out)
{
    double v0 = sm_phasor_amplitude(r->original[0]);
    if (r->has_predicted) {
        double left = sm_phasor_amplitude(r->predicted[0]);
        sm_text_add(out, "  On paper this leaves ");
        if (left < 5e-4 * v0) {
            sm_text_add(out, "next to nothing.");
        } else {
            sm_text_add_number(out, left, 2);
            sm_text_addf(out, " %s %s.", job->unit->name, sm_detector_text(job->detector));
        }
        if (isfinite(r->residual_p90)) {
            sm_text_add(out, "\n  In practice expect about ");
            sm_text_add_number(out, r->residual_median * v0, 2);
            sm_text_add(out, ", up to ");
            sm_text_add_number(out, r->residual_p90 * v0, 2);
            sm_text_add(out, ".\n");
        } else {
            sm_text_add(out, "\n");
        }
    }
    sm_balance_paragraph(
        out, "  ", "  ",
        "A weight 5 degrees off leaves 9 % of the vibration, 5 % too heavy leaves 5 %, both "
        "10 %.");
}

static void add_ways(const sm_balance_job *job, const sm_balance_result *r, sm_text *out)
{
    if (r->n_ways < 2) {
        return;
    }
    sm_text_add(out, "\nOther ways to fill the holes, best first\n");
    for (size_t i = 0; i < r->n_ways && i < 5; i++) {
        const sm_balance_split *w = &r->ways[i];
        sm_text_add(out, "  ");
        for (size_t k = 0; k < w->n_parts; k++) {
            sm_text_add(out, k ? " + " : "");
            sm_text_add_number(out, w->parts[k].grams, 4);
            sm_text_addf(out, " g in hole %ld", w->parts[k].hole);
        }
        sm_text_add(out, ": leaves ");
        sm_text_add_number(out, sm_phasor_amplitude(w->predicted), 2);
        sm_text_addf(out, " %s\n", job->unit->name);
    }
}

static void add_answer(const sm_balance_job *job, const sm_balance_result *r, sm_text *out)
{
    sm_text_add(out, "\nAnswer\n");
    if (!r->has_correction) {
        bool asked = r->stopped || r->has_check;
        sm_text_add(out, asked ? "  No weight. The reasons are below.\n"
                               : "  No weight yet: a trial run is the next step.\n");
        return;
    }
    for (size_t p = 0; p < job->n_planes; p++) {
        add_weight(job, r, p, out);
        add_holes(r, p, out);
    }
    add_prediction(job, r, out);
    add_ways(job, r, out);
}

/* For the next job on this installation. */
static void add_coefficient(const sm_balance_job *job, const sm_balance_result *r, sm_text *out)
{
    if (!r->has_influence || job->has_influence || r->stopped) {
        return;
    }
    sm_text_add(out, "\nFor the next job with the same sensor, place and rpm\n");
    for (size_t p = 0; p < job->n_planes; p++) {
        sm_text_add(out, "  --influence \"");
        for (size_t k = 0; k < r->n_readings; k++) {
            sm_phasor v = sm_as_read(job, r->influence[k][p]);
            sm_text_add(out, k ? ", " : "");
            sm_text_add_number(out, sm_phasor_amplitude(v), 4);
            sm_text_addf(out, "@%.1f", sm_phasor_angle_deg(v));
        }
        sm_text_addf(out, "\"   (%s %s per g)\n", job->unit->name, sm_detector_text(job->detector));
    }
}

static void add_advice(const sm_balance_result *r, sm_text *out)
{
    static const char *const heads[] = {"  - ", "  ! ", "  STOP "};
    sm_text_add(out, r->n_advice ? "\nWhat to know\n" : "");
    for (int w = SM_ADVICE_STOP; w >= SM_ADVICE_NOTE; w--) {
        for (size_t i = 0; i < r->n_advice; i++) {
            if ((int)r->advice[i].weight == w) {
                sm_balance_paragraph(out, heads[w], "    ", r->advice[i].text);
            }
        }
    }
}

static void add_next(const sm_balance_job *job, const sm_balance_result *r, sm_text *out)
{
    sm_text_add(out, "\nNext\n");
    sm_balance_paragraph(out, "  ", "  ", sm_balance_next_step(job, r));
}

static void add_logbook(const sm_balance_job *job, const sm_balance_result *r, sm_text *out)
{
    char before[96], after[96];
    if (!r->has_check) {
        return;
    }
    const sm_balance_run *last = &job->runs[job->n_runs - 1];
    sm_balance_vector_words(job, r->original[0], before, sizeof before);
    sm_balance_vector_words(job, r->check_achieved, after, sizeof after);
    sm_text_add(out, "\nFor the logbook\n");
    sm_text_addf(out, "  Propeller balance%s%s.\n  Once per turn before: %s",
                 job->name[0] ? ", " : "", job->name, before);
    sm_text_addf(out, "\n  after: %s", after);
    double rpm = isfinite(last->rpm[0]) ? last->rpm[0] : job->rpm;
    if (isfinite(rpm)) {
        sm_text_addf(out, ", at %.0f rpm", rpm);
    }
    sm_text_addf(out, ".\n  Weights fitted: %s", last->text);
    if (isfinite(job->radius_mm)) {
        sm_text_addf(out, ", radius %.4g mm", job->radius_mm);
    }
    sm_text_addf(out, ", counted %s rotation.\n  Hardware, part numbers, date, signature:\n",
                 job->weights_against ? "against" : "with");
}

void sm_balance_text(const sm_balance_job *job, const sm_balance_result *r, sm_text *out)
{
    sm_text words = {0};
    sm_text_addf(out, "Propeller balance%s%s\n\n", job->name[0] ? ": " : "", job->name);
    sm_balance_conventions_text(job, &words);
    sm_balance_paragraph(out, "", "", words.s ? words.s : "");
    sm_text_free(&words);
    add_runs(job, out);
    add_answer(job, r, out);
    if (job->n_runs && job->weights_given) {
        sm_balance_draw(job, r, out);
    }
    add_advice(r, out);
    add_next(job, r, out);
    add_coefficient(job, r, out);
    add_logbook(job, r, out);
    sm_text_add(out, "\n");
    sm_balance_paragraph(
        out, "", "",
        "Caution: engine off and ignition safe before you go near the propeller; weights only "
        "as the propeller's maker allows; tape marks off bare metal afterwards. This is an "
        "aid: maintenance data, local rules and a licensed person decide.");
}

const char *sm_balance_next_step(const sm_balance_job *job, const sm_balance_result *r)
{
    bool any_trial = job->has_influence;
    for (size_t i = 0; i < job->n_runs; i++) {
        any_trial = any_trial || job->runs[i].kind == SM_BALANCE_TRIAL;
    }
    if (r->stopped) {
        return "Put the STOP above right first. Then record again.";
    }
    if (r->has_check && !r->has_correction) {
        return "Nothing more to add. Write it into the logbook and take the tape off.";
    }
    if (r->has_check) {
        return "If it is good enough for the propeller's maker, stop and write it into the "
               "logbook. Otherwise add the weights above and make another check run.";
    }
    if (!any_trial) {
        return "Engine off, ignition safe. Fix the trial weight, note its place, run at the same "
               "rpm within 1 %, then give --trial \"GRAMS g @ ANGLE\" and --response.";
    }
    if (r->n_candidates == 2) {
        return "Engine off, ignition safe. Try the first place, run again, and give it as one more "
               "--trial and --response: that settles the angle.";
    }
    return "Engine off, ignition safe. Fix the weights as above and run at the same rpm within 1 "
           "%. Then give --installed \"GRAMS g @ ANGLE + ...\" and --check.";
}
