/* Option parsing. */
#include "cli/args.h"

#include <assert.h>
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const sm_option *find_option(const sm_command *c, const char *name, size_t n)
{
    for (size_t i = 0; i < c->n_options; i++) {
        if (strlen(c->options[i].name) == n && memcmp(c->options[i].name, name, n) == 0) {
            return &c->options[i];
        }
    }
    return NULL;
}

static const sm_option *find_letter(const sm_command *c, char letter)
{
    for (size_t i = 0; i < c->n_options; i++) {
        if (letter && c->options[i].letter == letter) {
            return &c->options[i];
        }
    }
    return NULL;
}

static bool is_choice(const char *choices, const char *word)
{
    size_t n = strlen(word);
    for (const char *p = choices; *p;) {
        size_t len = strcspn(p, "|");
        if (len == n && memcmp(p, word, n) == 0) {
            return true;
        }
        p += len + (p[len] == '|');
    }
    return false;
}

static int take_value(const sm_args *args, const sm_option *o, const char *text, sm_arg_value *v)
{
    *v = (sm_arg_value){.option = o, .text = text};
    if (!*text) {
        return sm_cli_usage(args, "--%s: nothing stands behind it; %s is needed", o->name,
                            o->arg ? o->arg : "a value");
    }
    if (o->kind == SM_ARG_CHOICE && !is_choice(o->choices, text)) {
        return sm_cli_usage(args, "--%s %s: one of %s is needed", o->name, text, o->choices);
    }
    if (o->kind != SM_ARG_NUMBER && o->kind != SM_ARG_INTEGER) {
        return 0;
    }
    bool good = sm_number_read(text, &v->number) && v->number >= o->lo && v->number <= o->hi;
    if (!good || (o->kind == SM_ARG_INTEGER && v->number != floor(v->number))) {
        return sm_cli_usage(args, "--%s %s: a %snumber from %g to %g%s%s is needed%s", o->name,
                            text, o->kind == SM_ARG_INTEGER ? "whole " : "", o->lo, o->hi,
                            o->unit ? " " : "", o->unit ? o->unit : "", sm_number_comma(text));
    }
    return 0;
}

static int add_value(sm_args *args, const sm_option *o, const char *text)
{
    for (size_t i = 0; i < args->n_values; i++) {
        if (args->values[i].option == o && !o->repeats && o->kind != SM_ARG_LIST) {
            return sm_cli_usage(args, "--%s is given twice", o->name);
        }
    }
    int st = take_value(args, o, text, &args->values[args->n_values]);
    args->n_values += st == 0;
    return st;
}

static bool looks_like_option(const char *s)
{
    return s[0] == '-' && s[1] != '\0' && !(s[1] >= '0' && s[1] <= '9') && s[1] != '.';
}

/* One option at argv[*i]; advances *i over its values. */
static int take_option(sm_args *args, int argc, char **argv, int *i)
{
    const char *word = argv[*i];
    const char *value = NULL;
    const sm_option *o = NULL;
    if (word[1] == '-') {
        size_t n = strcspn(word + 2, "=");
        value = word[2 + n] == '=' ? word + 3 + n : NULL;
        o = find_option(args->command, word + 2, n);
    } else if (word[2] == '\0') {
        o = find_letter(args->command, word[1]);
    }
    if (strcmp(word, "--help") == 0 || strcmp(word, "-h") == 0) {
        args->help = true;
        return 0;
    }
    if (!o) {
        const char *names[64];
        size_t n = 0;
        for (; n < args->command->n_options && n < 64; n++) {
            names[n] = args->command->options[n].name;
        }
        const char *near = word[1] == '-' ? sm_text_nearest(word + 2, names, n) : NULL;
        return sm_cli_usage(args, "unknown option %s%s%s%s", word, near ? ": did you mean --" : "",
                            near ? near : "", near ? "?" : "");
    }
    if (o->kind == SM_ARG_FLAG) {
        return value ? sm_cli_usage(args, "--%s takes no value", o->name)
                     : add_value(args, o, "yes");
    }
    if (value) {
        return add_value(args, o, value);
    }
    if (*i + 1 >= argc) {
        return sm_cli_usage(args, "--%s needs %s", o->name, o->arg ? o->arg : "a value");
    }
    int st = add_value(args, o, argv[++*i]);
    while (st == 0 && o->kind == SM_ARG_LIST && *i + 1 < argc && !looks_like_option(argv[*i + 1])) {
        st = add_value(args, o, argv[++*i]);
    }
    return st;
}

/* Too few files, too many, or one without a name. */
static int check_files(const sm_args *args)
{
    const sm_command *c = args->command;
    if (args->n_files < c->min_files) {
        return sm_cli_usage(args, "a file is missing: %s", c->usage);
    }
    if (args->n_files > c->max_files && c->max_files == 0) {
        return sm_cli_usage(args, "'%s' stands without an option: %s", args->files[0], c->usage);
    }
    if (args->n_files > c->max_files) {
        return sm_cli_usage(args, "too many files, '%s' is one more than it takes: %s",
                            args->files[c->max_files], c->usage);
    }
    for (size_t i = 0; i < args->n_files; i++) {
        if (!*args->files[i]) {
            return sm_cli_usage(args, "the name of a file is empty: %s", c->usage);
        }
    }
    return 0;
}

int sm_args_parse(const sm_command *command, int argc, char **argv, sm_args *out)
{
    sm_args args = {.command = command};
    args.values = calloc((size_t)argc + 1, sizeof *args.values);
    args.files = calloc((size_t)argc + 1, sizeof *args.files);
    int st = 0;
    if (!args.values || !args.files) {
        sm_error err;
        (void)sm_error_set(&err, SM_E_NOMEM, NULL, 0, "out of memory");
        (void)sm_cli_fail(&err);
        st = SM_EXIT_FAILED;
    }
    bool only_files = false;
    for (int i = 0; i < argc && st == 0; i++) {
        if (only_files || !looks_like_option(argv[i])) {
            args.files[args.n_files++] = argv[i];
        } else if (strcmp(argv[i], "--") == 0) {
            only_files = true;
        } else {
            st = take_option(&args, argc, argv, &i);
        }
    }
    st = st == 0 && !args.help ? check_files(&args) : st;
    if (st != 0) {
        sm_args_free(&args);
        return st;
    }
    *out = args;
    return 0;
}

void sm_args_free(sm_args *args)
{
    free(args->values);
    free((void *)args->files);
    *args = (sm_args){0};
}

static const sm_arg_value *find_value(const sm_args *args, const char *name, size_t i)
{
    assert(find_option(args->command, name, strlen(name)));
    for (size_t k = 0; k < args->n_values; k++) {
        if (strcmp(args->values[k].option->name, name) == 0 && i-- == 0) {
            return &args->values[k];
        }
    }
    return NULL;
}

bool sm_args_given(const sm_args *args, const char *name)
{
    return find_value(args, name, 0) != NULL;
}

bool sm_args_flag(const sm_args *args, const char *name)
{
    return sm_args_given(args, name);
}

const char *sm_args_text(const sm_args *args, const char *name, const char *fallback)
{
    const sm_arg_value *v = find_value(args, name, 0);
    return v ? v->text : fallback;
}

double sm_args_number(const sm_args *args, const char *name, double fallback)
{
    const sm_arg_value *v = find_value(args, name, 0);
    return v ? v->number : fallback;
}

size_t sm_args_count(const sm_args *args, const char *name)
{
    size_t n = 0;
    while (find_value(args, name, n)) {
        n++;
    }
    return n;
}

const char *sm_args_at(const sm_args *args, const char *name, size_t i)
{
    const sm_arg_value *v = find_value(args, name, i);
    return v ? v->text : NULL;
}

size_t sm_args_n_files(const sm_args *args)
{
    return args->n_files;
}

const char *sm_args_file(const sm_args *args, size_t i)
{
    return i < args->n_files ? args->files[i] : NULL;
}

/* Appends words of s wrapped at 80 columns, continuing at the given indent. */
static void wrap(sm_text *out, size_t column, size_t indent, const char *s)
{
    while (*s) {
        size_t n = strcspn(s, " ");
        if (column + n > 79 && column > indent) {
            sm_text_addf(out, "\n%*s", (int)indent, "");
            column = indent;
        }
        sm_text_add_n(out, s, n);
        column += n;
        s += n;
        if (*s == ' ') {
            s++;
            sm_text_add(out, *s && column + 1 + strcspn(s, " ") <= 79 ? " " : "");
            column++;
        }
    }
    sm_text_add(out, "\n");
}

void sm_help_command(const sm_command *c, sm_text *out)
{
    sm_text_addf(out, "usage: stillmount %s ", c->name);
    wrap(out, 18 + strlen(c->name), 8, c->usage);
    sm_text_add(out, "\n");
    for (const char *p = c->about; p && *p;) {
        size_t n = strcspn(p, "\n");
        char para[2048];
        (void)snprintf(para, sizeof para, "%.*s", (int)n, p);
        wrap(out, 0, 0, para);
        p += n + (p[n] == '\n');
    }
    sm_text_add(out, "\noptions:\n");
    for (size_t i = 0; i < c->n_options; i++) {
        const sm_option *o = &c->options[i];
        char head[80];
        (void)snprintf(head, sizeof head, "  %s%c%s--%s%s%s", o->letter ? "-" : "",
                       o->letter ? o->letter : ' ', o->letter ? ", " : "   ", o->name,
                       o->arg ? " " : "", o->arg ? o->arg : "");
        sm_text_addf(out, "%-28s", head);
        size_t column = strlen(head) < 28 ? 28 : strlen(head) + 1;
        char help[512];
        (void)snprintf(help, sizeof help, "%s%s%s%s", o->help, o->unit ? " [" : "",
                       o->unit ? o->unit : "", o->unit ? "]" : "");
        if (column > 28) {
            sm_text_addf(out, "\n%28s", "");
        }
        wrap(out, 28, 28, help);
    }
    sm_text_add(out, "  -h, --help                this page\n");
}

const char sm_help_statuses[] =
    "exit status: 0 within, or done; 1 not within; 2 usage or unreadable input; 3 the log cannot "
    "carry an answer";
const char sm_help_caution[] =
    "A run-up is dangerous. Keep clear of the propeller arc and its plane; chocks, tie-down, "
    "brakes, a second person as look-out, hearing protection; oil and cylinder temperatures inside "
    "the maker's limits before full power; nothing loose that could reach the propeller. The "
    "result is an aid: maintenance data, local rules and a licensed person decide.";

void sm_help_overview(sm_text *out)
{
    sm_text_add(out,
                "usage: stillmount COMMAND [options] FILES\n\n"
                "Is the place where an attitude sensor is mounted quiet enough, at every rpm?\n\n"
                "commands:\n");
    for (size_t i = 0; sm_commands[i]; i++) {
        sm_text_addf(out, "  %-12s", sm_commands[i]->name);
        wrap(out, 14, 14, sm_commands[i]->summary);
    }
    sm_text_add(out, "\nstillmount help COMMAND, stillmount COMMAND --help: a page on one command\n"
                     "stillmount --version\n\n");
    wrap(out, 0, 0, sm_help_statuses);
    sm_text_add(out, "\n");
    wrap(out, 0, 0, sm_help_caution);
}
