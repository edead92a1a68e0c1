/* One line per command. */
#ifndef SM_CLI_COMMANDS_H
#define SM_CLI_COMMANDS_H

#include "cli/cli.h"

#endif
