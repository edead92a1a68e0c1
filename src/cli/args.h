/* Parsing of the command line by an option table, and help pages from the same table. */
#ifndef SM_CLI_ARGS_H
#define SM_CLI_ARGS_H

#include "cli/cli.h"

typedef struct sm_arg_value {
    const sm_option *option;
    const char *text;
    double number;
} sm_arg_value;

struct sm_args {
    const sm_command *command;
    sm_arg_value *values;
    size_t n_values;
    const char **files;
    size_t n_files;
    bool help;
};

/* argv behind the command's name. 0, or SM_EXIT_FAILED with the message printed. */
int sm_args_parse(const sm_command *command, int argc, char **argv, sm_args *out);
void sm_args_free(sm_args *args);
void sm_help_command(const sm_command *command, sm_text *out);
void sm_help_overview(sm_text *out);
extern const char sm_help_statuses[];
extern const char sm_help_caution[];

#endif
