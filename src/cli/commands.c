/* The list of commands; each has a file of its own. */
#include "cli/commands.h"

/* One a line, so that two new ones do not collide. */
/* clang-format off */
const sm_command *const sm_commands[] = {
    &sm_command_plan,
    &sm_command_inspect,
    &sm_command_assess,
    &sm_command_compare,
    &sm_command_rank,
    &sm_command_isolator,
    &sm_command_balance,
    &sm_command_drift,
    &sm_command_hold,
    &sm_command_simulate,
    &sm_command_report,
    NULL,
};
/* clang-format on */
