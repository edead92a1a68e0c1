/* The options that make a page and pictures. */
#include "cli/report_out.h"

#include "stillmount/report.h"

#include <string.h>

enum { MAX_NOTES = 64 };

bool sm_cli_wants_report(const sm_args *args)
{
    return sm_args_given(args, "report") || sm_args_given(args, "plots");
}

int sm_cli_report(const sm_args *args, sm_json_doc *doc, int status)
{
    return sm_cli_report_to(args, doc, sm_args_text(args, "report", NULL), status);
}

int sm_cli_report_to(const sm_args *args, sm_json_doc *doc, const char *page, int status)
{
    const char *notes[MAX_NOTES];
    size_t n = sm_args_count(args, "note");
    if (n > MAX_NOTES) {
        return sm_cli_usage(args, "--note: %d at most", (int)MAX_NOTES);
    }
    for (size_t i = 0; i < n; i++) {
        notes[i] = sm_args_at(args, "note", i);
        if (!strchr(notes[i], '=') || notes[i][0] == '=') {
            return sm_cli_usage(args,
                                "--note %s: KEY=TEXT is needed, for example --note "
                                "date=2026-05-01",
                                notes[i]);
        }
    }
    if (!page && !sm_args_given(args, "plots")) {
        if (n) {
            sm_cli_warn(args, "--note fills the record of the page, and no page is written: give "
                              "--report FILE.html");
        }
        return status;
    }
    sm_error err = {0};
    char warning[1200];
    sm_report_options opt = sm_report_options_default();
    opt.notes = notes;
    opt.n_notes = n;
    sm_status st = sm_report_write(doc, page, sm_args_text(args, "plots", NULL), &opt, warning,
                                   sizeof warning, &err);
    if (st != SM_OK) {
        return sm_cli_fail(&err);
    }
    if (warning[0]) {
        sm_cli_warn(args, "%s", warning);
    }
    return status;
}
