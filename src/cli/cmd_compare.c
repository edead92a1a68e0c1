/* compare: what a change did, with confidence; or what passes between two sensors of one run. */
#include "cli/commands.h"
#include "cli/compare_run.h"
#include "cli/report_out.h"
#include "cli/text_compare.h"
#include "stillmount/compare.h"

#include <stdint.h>
#include <string.h>

static const sm_option options[] = {
    {.name = "before",
     .kind = SM_ARG_LIST,
     .arg = "RUN...",
     .help = "several runs before the change: their scatter then decides"},
    {.name = "after", .kind = SM_ARG_LIST, .arg = "RUN...", .help = "several runs after it"},
    {.name = "across",
     .kind = SM_ARG_TEXT,
     .arg = "RUN",
     .help = "one run with two sensors instead: what passes from one to the other"},
    {.name = "from",
     .kind = SM_ARG_TEXT,
     .arg = "PLACE",
     .help = "with --across: the driven side, default base"},
    {.name = "to",
     .kind = SM_ARG_TEXT,
     .arg = "PLACE",
     .help = "with --across: the carried side, default mount"},
    {.name = "repeatability",
     .kind = SM_ARG_NUMBER,
     .arg = "N",
     .unit = "dB",
     .lo = 0,
     .hi = 20,
     .help = "how far one run's level strays from the next (standard deviation) when it cannot be "
             "measured, default 2"},
    SM_COMPARE_OPTIONS,
    SM_OPTIONS_INPUT,
    SM_OPTIONS_OUTPUT,
    SM_OPTIONS_REPORT,
};
