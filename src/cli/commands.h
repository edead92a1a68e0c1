/* One line per command. */
#ifndef SM_CLI_COMMANDS_H
#define SM_CLI_COMMANDS_H

#include "cli/cli.h"

extern const sm_command sm_command_compare;
extern const sm_command sm_command_rank;
extern const sm_command sm_command_isolator;
extern const sm_command sm_command_assess;
extern const sm_command sm_command_drift;
extern const sm_command sm_command_balance;
extern const sm_command sm_command_hold;
extern const sm_command sm_command_simulate;
extern const sm_command sm_command_plan;
extern const sm_command sm_command_inspect;
extern const sm_command sm_command_report;

#endif
