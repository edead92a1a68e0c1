/* rank: several places or runs side by side, quietest first. */
#include "cli/commands.h"
#include "cli/compare_run.h"
#include "cli/report_out.h"
#include "cli/text_compare.h"
#include "stillmount/compare.h"

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MAX_RANKED = 64 };

static const sm_option options[] = {
    {.name = "repeatability",
     .kind = SM_ARG_NUMBER,
     .arg = "N",
     .unit = "dB",
     .lo = 0,
     .hi = 20,
     .help = "how far one run's level strays from the next (standard deviation), default 2"},
    SM_COMPARE_OPTIONS,
    SM_OPTIONS_INPUT,
    SM_OPTIONS_OUTPUT,
    SM_OPTIONS_REPORT,
};

/* "left=run.csv" -> "left" and the path; a file of that whole name goes before. */
static const char *split_label(const char *arg, char *label, size_t capacity)
{
    const char *equals = strchr(arg, '=');
    FILE *whole = equals ? fopen(arg, "rb") : NULL;
    label[0] = '\0';
    if (whole) {
        (void)fclose(whole);
        return arg;
    }
    if (!equals || equals == arg || (size_t)(equals - arg) >= capacity) {
        return arg;
    }
    sm_text_inert(arg, (size_t)(equals - arg), label, capacity);
    return equals + 1;
}

static int run(const sm_args *args)
{
    size_t n = sm_args_n_files(args);
    if (n > SM_MAX_RUNS) {
        return sm_cli_usage(args, "%d runs at most", (int)SM_MAX_RUNS);
    }
    const char *paths[SM_MAX_RUNS];
    sm_run *runs[SM_MAX_RUNS] = {NULL};
    sm_assessment found[SM_MAX_RUNS] = {{0}};
    sm_rank_run ranked[SM_MAX_RUNS];
    compare_inputs in = {.has_powertrain = false};
    sm_json_doc *doc = NULL;
    sm_text text = {0};
    sm_error err = {0};
    bool any = false;
    int status = SM_EXIT_FAILED;
    char labels[SM_MAX_RUNS][64];
    for (size_t i = 0; i < n; i++) {
        paths[i] = split_label(sm_args_file(args, i), labels[i], sizeof labels[i]);
        if (!*paths[i]) {
            return sm_cli_usage(args, "%s: a run is missing behind the '='", sm_args_file(args, i));
        }
    }
    sm_status st = compare_inputs_read(args, &in, &err);
    st = st == SM_OK ? compare_inputs_settle(args, &in, paths, n, &err) : st;
    for (size_t i = 0; i < n && st == SM_OK; i++) {
        st = compare_survey(args, &in, paths[i], sm_args_text(args, "channels", NULL), &runs[i],
                            &err);
        st = st == SM_OK ? sm_assess(runs[i], &found[i], &err) : st;
        ranked[i] = (sm_rank_run){runs[i], &found[i], labels[i][0] ? labels[i] : NULL};
    }
    st = st == SM_OK ? sm_json_open(&doc) : st;
    if (st == SM_OK) {
        compare_head(doc, "stillmount/ranking/1");
        st = sm_rank_json(ranked, n, sm_args_number(args, "repeatability", 2), doc, &any, &err);
    }
    if (st == SM_OK) {
        sm_json *list = sm_json_add_array(doc, sm_json_root(doc), "inputs");
        for (size_t i = 0; i < n; i++) {
            sm_json *o = sm_json_append_object(doc, list);
            sm_run_json(runs[i], doc, o);
            sm_findings_json(sm_run_findings(runs[i]), doc, o);
            compare_warn(args, sm_run_info(runs[i])->name, sm_run_findings(runs[i]));
        }
        st = sm_json_status(doc);
    }
    if (st != SM_OK) {
        status = sm_cli_fail(&err);
        goto done;
    }
    sm_text_ranking(sm_json_root(doc), &text);
    status = sm_cli_report(args, doc, any ? SM_EXIT_OK : SM_EXIT_UNASSESSED);
    if (status != SM_EXIT_FAILED) {
        status = sm_cli_emit(args, doc, &text, status);
    }
done:
    sm_text_free(&text);
    sm_json_close(&doc);
    for (size_t i = 0; i < n; i++) {
        sm_assessment_free(&found[i]);
        sm_run_close(&runs[i]);
    }
    return status;
}

const sm_command sm_command_rank = {
    .name = "rank",
    .usage = "[PLACE=]RUN... [--powertrain FILE] [--budget FILE] [options]",
    .summary = "several places or runs: which is quietest, by how much, is it more than chance",
    .about =
        "Each run is one place, or several when its channels name more than one (left, right). "
        "With a budget the smallest margin of each place decides, without one its loudest level, "
        "and then there is never a verdict. The places are listed quietest first.\n"
        "Several runs of one place get its name in front: rank left=1.csv left=2.csv right=3.csv. "
        "Their scatter is then the repeatability, and their mean ranks the place.\n"
        "One run never repeats exactly. Two places differ by more than chance only when the "
        "difference exceeds what two runs of the same place would show (--repeatability).\n"
        "Two places of one log that show the same fixed line, ring at the same frequency, or are "
        "at "
        "their worst in one order together, are named: two sensors there are not independent of "
        "each other. Runs with different names in front count as different places for this too.",
    .options = options,
    .n_options = sizeof options / sizeof *options,
    .min_files = 1,
    .max_files = SIZE_MAX,
    .run = run,
};
