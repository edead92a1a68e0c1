/* isolator: what a mount would do to this run's margins, or which one would do. */
#include "cli/commands.h"
#include "cli/compare_run.h"
#include "cli/report_out.h"
#include "cli/text_compare.h"
#include "stillmount/isolator.h"

#include <math.h>
#include <string.h>

enum { MOST_CANDIDATES = 10 };

static const sm_option options[] = {
    {.name = "natural-hz",
     .kind = SM_ARG_TEXT,
     .arg = "F",
     .help = "natural frequency of the isolator under the sensor, Hz; with --search a range, 6-40"},
    {.name = "damping",
     .kind = SM_ARG_TEXT,
     .arg = "Z",
     .help = "damping as a fraction of critical; with --search a range, 0.05-0.6"},
    {.name = "mass",
     .kind = SM_ARG_NUMBER,
     .arg = "N",
     .unit = "kg",
     .lo = 1e-6,
     .hi = 1e6,
     .help = "with --stiffness, instead of --natural-hz: what stands on the isolators"},
    {.name = "stiffness",
     .kind = SM_ARG_NUMBER,
     .arg = "N",
     .unit = "N/m",
     .lo = 1e-6,
     .hi = 1e12,
     .help = "of all isolators together"},
    {.name = "geometry",
     .kind = SM_ARG_TEXT,
     .arg = "FILE",
     .help = "body and isolators: six modes, rocking into the gyro axes, tilt per g"},
    {.name = "search", .kind = SM_ARG_FLAG, .help = "look for the best in the ranges given"},
    {.name = "max-sag",
     .kind = SM_ARG_NUMBER,
     .arg = "N",
     .unit = "mm",
     .lo = 0.001,
     .hi = 1000,
     .help = "with --search: static deflection that there is room for"},
    {.name = "max-sway",
     .kind = SM_ARG_NUMBER,
     .arg = "N",
     .unit = "mm",
     .lo = 0.001,
     .hi = 1000,
     .help = "with --search: motion across the isolator (3 sigma) that there is room for"},
    {.name = "cold",
     .kind = SM_ARG_NUMBER,
     .arg = "N",
     .lo = 1,
     .hi = 20,
     .help = "how many times stiffer cold rubber is; default 1, no more than the tolerance"},
    {.name = "place",
     .kind = SM_ARG_TEXT,
     .arg = "PLACE",
     .help = "what would stand on the isolator, default mount"},
    {.name = "allow-thin", .kind = SM_ARG_FLAG, .help = "exit status 0 for thin"},
    SM_COMPARE_OPTIONS,
    SM_OPTIONS_INPUT,
    SM_OPTIONS_OUTPUT,
    SM_OPTIONS_REPORT,
};

/* What was asked for. */
typedef struct job {
    sm_isolator mount;
    sm_body body;
    bool has_body;
    bool search;
    sm_search_options range;
    sm_tolerance tolerance;
} job;

/* "12" or "6-40". */
static bool read_range(const char *text, double out[2])
{
    const char *end = text + strlen(text);
    const char *p = sm_number_range(text, end, &out[0], &out[1]);
    if (!p) {
        p = sm_number_parse(text, end, '.', &out[0]);
        out[1] = out[0];
    }
    return p == end && isfinite(out[0]) && isfinite(out[1]) && out[1] >= out[0];
}

static int read_ranges(const sm_args *args, job *j)
{
    if (!sm_args_given(args, "budget")) {
        return sm_cli_usage(args, "--search needs --budget FILE: the best mount is the one that "
                                  "leaves the largest worst margin");
    }
    const char *names[2] = {"natural-hz", "damping"};
    double *to[2] = {j->range.natural_hz, j->range.damping_ratio};
    for (int i = 0; i < 2; i++) {
        const char *text = sm_args_text(args, names[i], NULL);
        if (!text) {
            return sm_cli_usage(args, "--search needs --%s as a range, for example %s", names[i],
                                i ? "0.05-0.6" : "6-40");
        }
        if (!read_range(text, to[i]) || !(to[i][0] > 0)) {
            return sm_cli_usage(args, "--%s %s: a range above 0 is needed, for example %s",
                                names[i], text, i ? "0.05-0.6" : "6-40");
        }
    }
    j->range.max_sag_m = sm_args_number(args, "max-sag", (double)NAN) * 1e-3;
    j->range.max_sway_m = sm_args_number(args, "max-sway", (double)NAN) * 1e-3;
    j->range.tolerance = j->tolerance;
    return 0;
}

static int read_mount(const sm_args *args, job *j)
{
    double hz[2] = {0};
    double z[2] = {0};
    const char *natural = sm_args_text(args, "natural-hz", NULL);
    const char *damping = sm_args_text(args, "damping", NULL);
    bool mass = sm_args_given(args, "mass");
    bool stiffness = sm_args_given(args, "stiffness");
    if (!natural && mass != stiffness) {
        return sm_cli_usage(args, "--mass and --stiffness go together: --%s is missing",
                            mass ? "stiffness" : "mass");
    }
    if (mass != stiffness || (natural && mass) || (!natural && !mass)) {
        return sm_cli_usage(args, "say which isolator: --natural-hz F, or --mass and --stiffness, "
                                  "or --geometry FILE, or --search with ranges");
    }
    if (!damping) {
        return sm_cli_usage(args, "--damping Z is needed: rubber has about 0.05 to 0.15 of "
                                  "critical, wire rope 0.15 to 0.2 (common practice)");
    }
    if ((natural && !read_range(natural, hz)) || !read_range(damping, z)) {
        return sm_cli_usage(
            args,
            "--natural-hz %s --damping %s: numbers are needed, for example "
            "--natural-hz 8 --damping 0.12%s",
            natural ? natural : "", damping,
            sm_number_comma(natural && *sm_number_comma(natural) ? natural : damping));
    }
    if (hz[1] != hz[0] || z[1] != z[0]) {
        return sm_cli_usage(args, "--natural-hz and --damping take one number each; ranges belong "
                                  "to --search");
    }
    if (!natural) {
        hz[0] = sm_isolator_natural_from_stiffness(sm_args_number(args, "stiffness", 1),
                                                   sm_args_number(args, "mass", 1));
    }
    j->mount = sm_isolator_viscous(hz[0], z[0]);
    sm_error err = {0};
    return sm_isolator_check(&j->mount, &err) == SM_OK ? 0 : sm_cli_fail(&err);
}

static int read_job(const sm_args *args, job *j)
{
    j->tolerance = sm_tolerance_default();
    j->tolerance.cold = sm_args_number(args, "cold", 1);
    j->search = sm_args_flag(args, "search");
    const char *geometry = sm_args_text(args, "geometry", NULL);
    if (geometry) {
        if (j->search || sm_args_given(args, "natural-hz") || sm_args_given(args, "mass") ||
            sm_args_given(args, "stiffness") || sm_args_given(args, "damping")) {
            return sm_cli_usage(args, "--geometry says everything about the isolators: leave out "
                                      "--search, --natural-hz, --damping, --mass, --stiffness");
        }
        sm_error err = {0};
        j->has_body = true;
        return sm_body_read(geometry, &j->body, &err) == SM_OK ? 0 : sm_cli_fail(&err);
    }
    if (!j->search && (sm_args_given(args, "max-sag") || sm_args_given(args, "max-sway"))) {
        return sm_cli_usage(args, "--max-sag and --max-sway belong to --search");
    }
    if (j->search && (sm_args_given(args, "mass") || sm_args_given(args, "stiffness"))) {
        return sm_cli_usage(args, "--search takes --natural-hz and --damping as ranges");
    }
    return j->search ? read_ranges(args, j) : read_mount(args, j);
}

/* Searches; the best becomes the mount that is shown. found = false: none will do. */
static sm_status search(job *j, sm_predictor *p, sm_candidate *best, size_t *n,
                        sm_search_counts *counts, sm_error *err)
{
    sm_status st = sm_isolator_search(p, &j->range, best, MOST_CANDIDATES, n, counts, err);
    if (st == SM_OK && *n) {
        j->mount = sm_isolator_viscous(best[0].natural_hz, best[0].damping_ratio);
    }
    return st;
}

/* Nothing in the range: the measured run stays, with no isolator. */
static void write_none(sm_json_doc *doc)
{
    sm_json *root = sm_json_root(doc);
    sm_json_add_text(doc, root, "schema", "stillmount/isolator/1");
    sm_json_add_null(doc, root, "isolator");
    sm_json_add_text(doc, root, "predicted_verdict", sm_verdict_text(SM_UNASSESSED));
    const sm_json *bands = sm_json_get(root, "bands");
    for (size_t b = 0; b < sm_json_size(bands); b++) {
        const sm_json *results = sm_json_get(sm_json_at(bands, b), "results");
        for (size_t i = 0; i < sm_json_size(results); i++) {
            sm_json *node = sm_json_edit(doc, sm_json_at(results, i));
            sm_json_add_null(doc, node, "predicted");
            sm_json_add_null(doc, node, "predicted_margin_db");
            sm_json_add_text(doc, node, "predicted_verdict", sm_verdict_text(SM_UNASSESSED));
        }
    }
}

static sm_status predict(const sm_args *args, job *j, sm_run *run, const sm_assessment *a,
                         sm_json_doc *doc, sm_verdict *verdict, sm_error *err)
{
    sm_predictor *p = NULL;
    sm_candidate best[MOST_CANDIDATES];
    sm_search_counts counts = {0};
    size_t n = 0;
    *verdict = SM_UNASSESSED;
    sm_status st =
        sm_predictor_open(sm_run_survey_result(run), sm_run_budget(run), sm_run_powertrain(run),
                          sm_run_orders(run), sm_args_text(args, "place", "mount"), &p, err);
    st = st == SM_OK && j->search ? search(j, p, best, &n, &counts, err) : st;
    if (st == SM_OK && j->search && n == 0) {
        write_none(doc);
    } else if (st == SM_OK) {
        sm_isolator_setup setup = {.predictor = p,
                                   .mount = j->has_body ? NULL : &j->mount,
                                   .body = j->has_body ? &j->body : NULL,
                                   .tolerance = j->tolerance,
                                   .assessment = a};
        st = sm_isolator_json(&setup, doc, verdict, err);
    }
    if (st == SM_OK && j->search) {
        sm_isolator_search_json(p, best, n, &counts, doc);
    }
    sm_predictor_close(&p);
    return st;
}

static int exit_of(const sm_args *args, sm_verdict v)
{
    return v == SM_UNASSESSED                                 ? SM_EXIT_UNASSESSED
           : v == SM_THIN && sm_args_flag(args, "allow-thin") ? SM_EXIT_OK
                                                              : SM_EXIT_NOT_WITHIN;
}

static int run(const sm_args *args)
{
    job j = {.search = false};
    int status = read_job(args, &j);
    if (status) {
        return status;
    }
    const char *path = sm_args_file(args, 0);
    compare_inputs in = {.has_powertrain = false};
    sm_run *r = NULL;
    sm_assessment a = {0};
    sm_json_doc *doc = NULL;
    sm_text text = {0};
    sm_error err = {0};
    sm_verdict verdict = SM_UNASSESSED;
    sm_status st = compare_inputs_read(args, &in, &err);
    st = st == SM_OK
             ? compare_survey(args, &in, path, sm_args_text(args, "channels", NULL), &r, &err)
             : st;
    st = st == SM_OK ? sm_assess(r, &a, &err) : st;
    st = st == SM_OK ? sm_assessment_json(r, &a, false, &doc, &err) : st;
    st = st == SM_OK ? predict(args, &j, r, &a, doc, &verdict, &err) : st;
    if (st != SM_OK) {
        status = sm_cli_fail(&err);
        goto done;
    }
    sm_text_isolator(sm_json_root(doc), &text);
    status = sm_cli_report(args, doc, exit_of(args, verdict));
    if (status != SM_EXIT_FAILED) {
        status = sm_cli_emit(args, doc, &text, status);
    }
done:
    sm_text_free(&text);
    sm_json_close(&doc);
    sm_assessment_free(&a);
    sm_run_close(&r);
    return status;
}

const sm_command sm_command_isolator = {
    .name = "isolator",
    .usage = "RUN --natural-hz F --damping Z [--powertrain FILE] [--budget FILE] [options]",
    .summary = "what a given isolator would do to this run's margins; search for one that would do",
    .about =
        "Takes the run as measured on the hard side and puts one mass on a spring and damper under "
        "the sensor. Every value stays, with the predicted one beside it. An isolator that is "
        "already in the run is not taken out: measure without it, or read the prediction as a "
        "second one on top.\n"
        "With --geometry the sensor is a rigid body on its isolators. The motions of all axes are "
        "then taken to add up, which is the worst they can do. Without geometry the gyros stay as "
        "measured, and rocking is not predicted: a centre of mass above the isolators turns "
        "sideways motion into rotation.\n"
        "--search tries what can be bought: --natural-hz 6-40 --damping 0.05-0.6. Every candidate "
        "is taken with 20 % more and less stiffness, and with half to twice the damping. Its worst "
        "margin counts. None is named whose resonance an order of this run would excite.\n"
        "A prediction is thin at best. Fit it, then measure again.\n"
        "Exit status: 1 thin or over (--allow-thin: 0 for thin), 3 no budget, or not to be "
        "predicted.",
    .options = options,
    .n_options = sizeof options / sizeof *options,
    .min_files = 1,
    .max_files = 1,
    .run = run,
};
