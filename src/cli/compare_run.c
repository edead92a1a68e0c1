/* What compare, rank and isolator share. */
#include "cli/compare_run.h"

#include <math.h>
#include <string.h>

static const char plain[] = "[powertrain]\nname = not given\n[engine]\ncycle = four-stroke\n"
                            "cylinders = 4\n";

sm_status compare_inputs_read(const sm_args *args, compare_inputs *in, sm_error *err)
{
    const char *powertrain = sm_args_text(args, "powertrain", NULL);
    const char *budget = sm_args_text(args, "budget", NULL);
    in->has_powertrain = powertrain != NULL;
    in->has_budget = budget != NULL;
    sm_status st = powertrain ? sm_powertrain_read(powertrain, &in->powertrain, err)
                              : sm_powertrain_parse(plain, sizeof plain - 1, "no powertrain",
                                                    &in->powertrain, err);
    if (st == SM_OK && budget) {
        st = sm_budget_read(budget, &in->budget, err);
        in->budget_ready = true;
    }
    if (st != SM_OK || powertrain || !budget) {
        return st;
    }
    for (size_t i = 0; i < in->budget.n_limits; i++) {
        if (in->budget.limits[i].measure == SM_MEASURE_ORDER) {
            return sm_error_set(err, SM_E_VALUE, budget, in->budget.limits[i].line,
                                "limit '%s' speaks of an order: give --powertrain FILE too",
                                in->budget.limits[i].name);
        }
    }
    return st;
}

sm_status compare_inputs_settle(compare_inputs *in, const char *const *paths,
                                const char *const *channels, size_t n, sm_error *err)
{
    double rate_hz = (double)INFINITY;
    sm_status st = SM_OK;
    if (n < 2) {
        return SM_OK; /* one log: its own rate will do, and standard input is read only once */
    }
    for (size_t i = 0; i < n && !in->budget_ready; i++) {
        if (strcmp(paths[i], "-") == 0) {
            return sm_error_set(err, SM_E_VALUE, "-", 0,
                                "standard input can be read only once: give --budget FILE, or name "
                                "the log's file");
        }
    }
    for (size_t i = 0; i < n && st == SM_OK && !in->budget_ready; i++) {
        sm_source_options opt = sm_source_options_default();
        sm_source *source = NULL;
        opt.channels_path = channels[i];
        opt.hash = false;
        st = sm_source_open(paths[i], &opt, &source, err);
        if (st == SM_OK) {
            rate_hz = fmin(rate_hz, sm_source_info_get(source)->rate_hz);
        }
        sm_source_close(&source);
    }
    if (st == SM_OK && !in->budget_ready) {
        sm_budget_none(rate_hz, &in->budget);
        in->budget_ready = true;
    }
    return st;
}

sm_run_options compare_run_options(const sm_args *args, const compare_inputs *in,
                                   const char *channels_path)
{
    sm_run_options opt = sm_run_options_default();
    opt.powertrain = &in->powertrain;
    opt.budget = in->budget_ready ? &in->budget : NULL;
    opt.channels_path = channels_path;
    opt.rpm_log_path = sm_args_text(args, "rpm-log", NULL);
    opt.speed = sm_args_text(args, "speed", NULL);
    opt.declared_rpm = sm_args_number(args, "rpm", (double)NAN);
    opt.threads = (int)sm_args_number(args, "threads", 2);
    return opt;
}

sm_status compare_survey(const sm_args *args, const compare_inputs *in, const char *path,
                         const char *channels_path, sm_run **out, sm_error *err)
{
    sm_run_options opt = compare_run_options(args, in, channels_path);
    return sm_run_survey(path, &opt, out, err);
}

static bool same_bytes(const sm_run *a, const sm_run *b)
{
    const sm_source_totals *x = sm_run_totals(a);
    const sm_source_totals *y = sm_run_totals(b);
    bool same = x->n_files == y->n_files && x->n_files > 0;
    for (size_t i = 0; same && i < x->n_files; i++) {
        same = x->files[i].sha256[0] && strcmp(x->files[i].sha256, y->files[i].sha256) == 0;
    }
    return same;
}

size_t compare_twin(sm_run *const *runs, size_t from, size_t i)
{
    for (size_t k = from; k < i; k++) {
        if (same_bytes(runs[k], runs[i])) {
            return k;
        }
    }
    return i;
}

void compare_given_twice(const sm_args *args, const char *path, const char *twin)
{
    sm_cli_warn(
        args,
        "%s: the same bytes as %s: a recording that is given twice says nothing of how runs "
        "repeat; it counts once",
        path, twin);
}

void compare_head(sm_json_doc *doc, const char *schema)
{
    sm_json *root = sm_json_root(doc);
    sm_json_add_text(doc, root, "schema", schema);
    sm_json *program = sm_json_add_object(doc, root, "program");
    sm_json_add_text(doc, program, "name", "stillmount");
    sm_json_add_text(doc, program, "version", sm_version());
}

void compare_warn(const sm_args *args, const char *name, const sm_findings *findings)
{
    for (size_t i = 0; i < findings->n; i++) {
        const sm_finding *f = &findings->items[i];
        if (f->severity >= SM_BLOCKING) {
            sm_cli_warn(args, "%s: %s%s%s", name, f->channel, f->channel[0] ? ": " : "", f->text);
        }
    }
}
