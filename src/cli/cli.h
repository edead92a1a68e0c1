/* The command line's frame: one option table per command feeds parsing, ranges, help and man page.
 */
#ifndef SM_CLI_H
#define SM_CLI_H

#include "stillmount/json.h"
#include "stillmount/number.h"
#include "stillmount/status.h"

#include <stdbool.h>

/* Exit statuses (DEVELOPERS.md, "Exit status"). */
enum {
    SM_EXIT_OK = 0,         /* done, and within; or the command has no verdict */
    SM_EXIT_NOT_WITHIN = 1, /* done, and not within */
    SM_EXIT_FAILED = 2,     /* usage, unreadable or malformed input, system failure */
    SM_EXIT_UNASSESSED = 3, /* done, but nothing can be said */
};

typedef enum sm_arg_kind {
    SM_ARG_FLAG = 0,
    SM_ARG_TEXT,
    SM_ARG_NUMBER,
    SM_ARG_INTEGER,
    SM_ARG_CHOICE, /* one of the words in `choices`, separated by '|' */
    SM_ARG_LIST,   /* takes every following word up to the next option */
} sm_arg_kind;

typedef struct sm_option {
    const char *name; /* without the dashes */
    char letter;      /* 0 = none */
    sm_arg_kind kind;
    const char *arg;  /* shown in help: "FILE", "N"; NULL for a flag */
    const char *unit; /* of a number; NULL = none */
    double lo;        /* range of a number, both ends allowed */
    double hi;
    const char *choices;
    const char *help; /* one sentence, ends without a full stop; the default in it */
    bool repeats;     /* may be given several times */
} sm_option;

typedef struct sm_args sm_args;

typedef struct sm_command {
    const char *name;
    const char *usage;   /* "RUN --powertrain FILE --budget FILE [options]" */
    const char *summary; /* one line for the list of commands */
    const char *about;   /* what the help page says below the usage */
    const sm_option *options;
    size_t n_options;
    size_t min_files;
    size_t max_files; /* SIZE_MAX = any number */
    int (*run)(const sm_args *args);
} sm_command;

/* Options that every computing command takes. */
#define SM_OPTIONS_OUTPUT                                                                          \
    {.name = "json",                                                                               \
     .kind = SM_ARG_TEXT,                                                                          \
     .arg = "FILE",                                                                                \
     .help = "write the result as JSON; - is standard output"},                                    \
        {.name = "compact", .kind = SM_ARG_FLAG, .help = "JSON on one line"},                      \
    {                                                                                              \
        .name = "quiet", .letter = 'q', .kind = SM_ARG_FLAG,                                       \
        .help = "no text on standard output, no progress"                                          \
    }
#define SM_OPTIONS_INPUT                                                                           \
    {.name = "channels",                                                                           \
     .kind = SM_ARG_TEXT,                                                                          \
     .arg = "FILE",                                                                                \
     .help = "channels file: roles, units and ranges of the log's columns"},                       \
    {                                                                                              \
        .name = "rpm-log", .kind = SM_ARG_TEXT, .arg = "FILE",                                     \
        .help = "separate rpm log with its own clock"                                              \
    }

/* Reading what was given. Names must be in the command's table (asserted). */
bool sm_args_flag(const sm_args *args, const char *name);
const char *sm_args_text(const sm_args *args, const char *name, const char *fallback);
double sm_args_number(const sm_args *args, const char *name, double fallback);
bool sm_args_given(const sm_args *args, const char *name);
size_t sm_args_count(const sm_args *args, const char *name); /* of a repeated or list option */
const char *sm_args_at(const sm_args *args, const char *name, size_t i);
size_t sm_args_n_files(const sm_args *args);
const char *sm_args_file(const sm_args *args, size_t i);

/* Prints "stillmount: FILE:LINE: message" on stderr; returns SM_EXIT_FAILED. */
int sm_cli_fail(const sm_error *err);
/* A usage error: message and a hint at the help page on stderr; returns SM_EXIT_FAILED. */
int sm_cli_usage(const sm_args *args, const char *fmt, ...) SM_PRINTF(2, 3);
/* A warning line on stderr, "stillmount: text"; silent with --quiet. */
void sm_cli_warn(const sm_args *args, const char *fmt, ...) SM_PRINTF(2, 3);

/*
 * The end of a command: writes the document to --json (if given) and the text to standard output
 * (unless --quiet or --json -). Returns status, or SM_EXIT_FAILED when a write failed.
 */
int sm_cli_emit(const sm_args *args, const sm_json_doc *doc, const sm_text *text, int status);

/* The commands, in the order of the help page; ends with a NULL. */
extern const sm_command *const sm_commands[];

#endif
