/* Manual pages and shell completions, from the same option tables as the help pages. The package
 * writes them into files with `stillmount help --man [COMMAND]` and `--completion SHELL`. */
#ifndef SM_CLI_PAGES_H
#define SM_CLI_PAGES_H

#include "cli/cli.h"

/* Manual pages in the man macros: of the program, of one command. */
void sm_manual_overview(sm_text *out);
void sm_manual_command(const sm_command *command, sm_text *out);

/* Completion script for "bash", "zsh" or "fish"; false for any other name. */
bool sm_completion(const char *shell, sm_text *out);

#endif
