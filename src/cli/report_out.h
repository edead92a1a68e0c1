/* --report, --plots and --note: the same three options for every command that has a page. */
#ifndef SM_CLI_REPORT_OUT_H
#define SM_CLI_REPORT_OUT_H

#include "cli/cli.h"

#define SM_OPTIONS_REPORT                                                                          \
    {.name = "report",                                                                             \
     .kind = SM_ARG_TEXT,                                                                          \
     .arg = "FILE",                                                                                \
     .help = "write a page (HTML, one file, for screen and paper)"},                               \
        {.name = "plots",                                                                          \
         .kind = SM_ARG_TEXT,                                                                      \
         .arg = "DIR",                                                                             \
         .help = "draw the pictures into this folder (SVG and PNG, with script and data)"},        \
    {                                                                                              \
        .name = "note", .kind = SM_ARG_TEXT, .arg = "KEY=TEXT", .repeats = true,                   \
        .help =                                                                                    \
            "fill the page's record: aircraft, hours, engine, propeller, sensor, calibration, "    \
            "place, weather, date, measured-by; may be given several times"                        \
    }

/* True when a page or pictures are wanted: the document then needs map, spectra, orders, peaks. */
bool sm_cli_wants_report(const sm_args *args);

/*
 * Writes what --report and --plots ask for from the finished document; before sm_cli_emit(), so
 * that a failure leaves no result that claims to be complete. Pictures that cannot be drawn are a
 * warning. Returns status, or SM_EXIT_FAILED with the message printed.
 */
int sm_cli_report(const sm_args *args, sm_json_doc *doc, int status);
/* The same with the page's path given (NULL = no page) instead of taken from --report. */
int sm_cli_report_to(const sm_args *args, sm_json_doc *doc, const char *page, int status);

#endif
