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

/* What is read of the command line and of the logs. */
typedef struct ranking {
    size_t n;
    const char *paths[SM_MAX_RUNS];
    const char *channels[SM_MAX_RUNS];
    char labels[SM_MAX_RUNS][64];
    char names[SM_MAX_RUNS][200]; /* where logs have one name: with as many folders as it takes */
    sm_run *runs[SM_MAX_RUNS];
    sm_assessment found[SM_MAX_RUNS];
    bool copy[SM_MAX_RUNS]; /* of an earlier run of its label: left out */
    sm_rank_run ranked[SM_MAX_RUNS];
    size_t n_ranked;
    compare_inputs in;
} ranking;

static int name_runs(const sm_args *args, ranking *k)
{
    k->n = sm_args_n_files(args);
    if (k->n > SM_MAX_RUNS) {
        return sm_cli_usage(args, "%d runs at most", (int)SM_MAX_RUNS);
    }
    for (size_t i = 0; i < k->n; i++) {
        const char *word = sm_args_file(args, i);
        k->paths[i] = split_label(word, k->labels[i], sizeof k->labels[i]);
        k->channels[i] = sm_args_text(args, "channels", NULL);
        if (!*k->paths[i]) {
            return sm_cli_usage(args, "%s: a run is missing behind the '='", word);
        }
    }
    return 0;
}

/* The last parts of a path: with 0 folders the name alone. */
static const char *tail_of(const char *path, size_t folders)
{
    const char *p = path + strlen(path);
    for (;; p--) {
        if (p == path) {
            return path;
        }
        if (p[-1] == '/' && folders-- == 0) {
            return p;
        }
    }
}

/* Logs of one name in several folders must be told apart, by folders or at last by number. */
static void tell_apart(ranking *k)
{
    for (size_t i = 0; i < k->n; i++) {
        const char *name = sm_run_info(k->runs[i])->name;
        size_t folders = 0;
        bool alike = false;
        bool same_path = false;
        for (size_t m = 0; m < k->n; m++) {
            if (m == i || k->labels[i][0] || k->labels[m][0] ||
                strcmp(name, sm_run_info(k->runs[m])->name) != 0) {
                continue;
            }
            alike = true;
            same_path = same_path || strcmp(k->paths[i], k->paths[m]) == 0;
            while (strcmp(tail_of(k->paths[i], folders), tail_of(k->paths[m], folders)) == 0 &&
                   tail_of(k->paths[i], folders) != k->paths[i]) {
                folders++;
            }
        }
        if (alike) {
            char number[16] = "";
            if (same_path) {
                (void)snprintf(number, sizeof number, " (%zu)", i + 1);
            }
            const char *tail = tail_of(k->paths[i], folders);
            char safe[180];
            sm_text_inert(tail, strlen(tail), safe, sizeof safe);
            (void)snprintf(k->names[i], sizeof k->names[i], "%s%s", safe, number);
        }
    }
}

/* A copy is no repeat of its place; as another place it is told. */
static void find_copies(const sm_args *args, ranking *k)
{
    for (size_t i = 0; i < k->n; i++) {
        size_t m = compare_twin(k->runs, 0, i);
        k->copy[i] = m != i && k->labels[i][0] && strcmp(k->labels[i], k->labels[m]) == 0;
        if (k->copy[i]) {
            compare_given_twice(args, k->paths[i], k->paths[m]);
        } else if (m != i) {
            sm_cli_warn(args, "%s: the same bytes as %s: was another file meant?", k->paths[i],
                        k->paths[m]);
        }
    }
}

static void choose_ranked(ranking *k)
{
    for (size_t i = 0; i < k->n; i++) {
        if (!k->copy[i]) {
            k->ranked[k->n_ranked++] = (sm_rank_run){.run = k->runs[i],
                                                     .assessment = &k->found[i],
                                                     .label = k->labels[i][0] ? k->labels[i] : NULL,
                                                     .name = k->names[i][0] ? k->names[i] : NULL};
        }
    }
}

static sm_status survey_runs(const sm_args *args, ranking *k, sm_error *err)
{
    sm_status st = compare_inputs_read(args, &k->in, err);
    st = st == SM_OK ? compare_inputs_settle(&k->in, k->paths, k->channels, k->n, err) : st;
    for (size_t i = 0; i < k->n && st == SM_OK; i++) {
        st = compare_survey(args, &k->in, k->paths[i], k->channels[i], &k->runs[i], err);
        st = st == SM_OK ? sm_run_identify(k->runs[i], err) : st;
        st = st == SM_OK ? sm_assess(k->runs[i], &k->found[i], err) : st;
    }
    return st;
}

static void inputs_json(const sm_args *args, const ranking *k, sm_json_doc *doc)
{
    sm_json *list = sm_json_add_array(doc, sm_json_root(doc), "inputs");
    for (size_t i = 0; i < k->n; i++) {
        sm_json *o = sm_json_append_object(doc, list);
        sm_run_json(k->runs[i], doc, o);
        sm_findings_json(sm_run_findings(k->runs[i]), doc, o);
        compare_warn(args, sm_run_info(k->runs[i])->name, sm_run_findings(k->runs[i]));
    }
}

static int run(const sm_args *args)
{
    static ranking k; /* large, and the program runs one command */
    sm_json_doc *doc = NULL;
    sm_text text = {0};
    sm_error err = {0};
    bool any = false;
    int status = name_runs(args, &k);
    if (status) {
        return status;
    }
    sm_status st = survey_runs(args, &k, &err);
    st = st == SM_OK ? sm_json_open(&doc) : st;
    if (st == SM_OK) {
        find_copies(args, &k);
        tell_apart(&k);
        choose_ranked(&k);
        compare_head(doc, "stillmount/ranking/1");
        st = sm_rank_json(k.ranked, k.n_ranked, sm_args_number(args, "repeatability", 2), doc, &any,
                          &err);
    }
    if (st == SM_OK) {
        inputs_json(args, &k, doc);
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
    for (size_t i = 0; i < k.n; i++) {
        sm_assessment_free(&k.found[i]);
        sm_run_close(&k.runs[i]);
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
