/* Entry point: finds the command, runs it, makes sure that standard output was written. */
#include "cli/args.h"
#include "cli/memory.h"
#include "cli/pages.h"
#include "stillmount/file.h"

#include <errno.h>
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>

static void print_inert(FILE *f, const char *s)
{
    char buf[1024];
    sm_text_inert(s, strlen(s), buf, sizeof buf);
    (void)fputs(buf, f);
}

int sm_cli_fail(const sm_error *err)
{
    (void)fputs("stillmount: ", stderr);
    if (err->source[0]) {
        print_inert(stderr, strcmp(err->source, "-") == 0 ? "standard input" : err->source);
        if (err->line > 0) {
            (void)fprintf(stderr, ":%ld", err->line);
        }
        (void)fputs(": ", stderr);
    }
    print_inert(stderr, err->message[0] ? err->message : sm_status_text(err->code));
    (void)fputc('\n', stderr);
    return SM_EXIT_FAILED;
}

int sm_cli_usage(const sm_args *args, const char *fmt, ...)
{
    char buf[600];
    va_list list;
    va_start(list, fmt);
    (void)vsnprintf(buf, sizeof buf, fmt, list);
    va_end(list);
    (void)fputs("stillmount: ", stderr);
    print_inert(stderr, buf);
    if (args) {
        (void)fprintf(stderr, " (see stillmount help %s)\n", args->command->name);
    } else {
        (void)fputs(" (see stillmount help)\n", stderr);
    }
    return SM_EXIT_FAILED;
}

void sm_cli_warn(const sm_args *args, const char *fmt, ...)
{
    if (sm_args_flag(args, "quiet")) {
        return;
    }
    char buf[1000];
    va_list list;
    va_start(list, fmt);
    (void)vsnprintf(buf, sizeof buf, fmt, list);
    va_end(list);
    (void)fputs("stillmount: ", stderr);
    print_inert(stderr, buf);
    (void)fputc('\n', stderr);
}

int sm_cli_emit(const sm_args *args, const sm_json_doc *doc, const sm_text *text, int status)
{
    sm_error err = {0};
    sm_text json = {0};
    const char *path = sm_args_text(args, "json", NULL);
    sm_status st = SM_OK;
    if (path && doc) {
        st = sm_json_print(doc, sm_args_flag(args, "compact"), &json);
        st = st == SM_OK ? sm_file_store(path, json.s, json.n, &err)
                         : sm_error_set(&err, st, NULL, 0, "out of memory");
        sm_text_free(&json);
    }
    bool json_on_stdout = path && strcmp(path, "-") == 0;
    if (st == SM_OK && text && text->failed) {
        st = sm_error_set(&err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    if (st == SM_OK && text && text->s && !json_on_stdout && !sm_args_flag(args, "quiet")) {
        st = sm_file_store("-", text->s, text->n, &err);
    }
    return st == SM_OK ? status : sm_cli_fail(&err);
}

/* Prints to standard output and notices when that fails. */
static int print_page(sm_text *page)
{
    sm_error err = {0};
    sm_status st = page->failed ? sm_error_set(&err, SM_E_NOMEM, NULL, 0, "out of memory")
                                : sm_file_store("-", page->s, page->n, &err);
    sm_text_free(page);
    return st == SM_OK ? SM_EXIT_OK : sm_cli_fail(&err);
}

static const sm_command *find_command(const char *name)
{
    for (size_t i = 0; sm_commands[i]; i++) {
        if (strcmp(sm_commands[i]->name, name) == 0) {
            return sm_commands[i];
        }
    }
    return NULL;
}

static int unknown_command(const char *name)
{
    const char *names[32];
    size_t n = 0;
    for (; n < 32 && sm_commands[n]; n++) {
        names[n] = sm_commands[n]->name;
    }
    const char *near = sm_text_nearest(name, names, n);
    return sm_cli_usage(NULL, "unknown command '%s'%s%s%s", name, near ? ": did you mean " : "",
                        near ? near : "", near ? "?" : "");
}

static int help(int argc, char **argv)
{
    sm_text page = {0};
    if (argc < 1) {
        sm_help_overview(&page);
        return print_page(&page);
    }
    if (strcmp(argv[0], "--completion") == 0) {
        if (argc != 2 || !sm_completion(argv[1], &page)) {
            return sm_cli_usage(NULL, "--completion needs one of bash, zsh, fish");
        }
        return print_page(&page);
    }
    bool manual = strcmp(argv[0], "--man") == 0;
    if (manual && argc == 1) {
        sm_manual_overview(&page);
        return print_page(&page);
    }
    const char *name = manual ? argv[1] : argv[0];
    const sm_command *c = find_command(name);
    if (!c) {
        return unknown_command(name);
    }
    (manual ? sm_manual_command : sm_help_command)(c, &page);
    return print_page(&page);
}

static bool is_target(const char *name)
{
    static const char *const names[] = {"json", "report", "output", "html"};
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        if (strcmp(name, names[i]) == 0) {
            return true;
        }
    }
    return false;
}

static bool same_file(const char *a, const char *b)
{
    struct stat x;
    struct stat y;
    return stat(a, &x) == 0 && stat(b, &y) == 0 && S_ISREG(x.st_mode) && x.st_dev == y.st_dev &&
           x.st_ino == y.st_ino;
}

/* A result must not replace what it was made from. 0, or SM_EXIT_FAILED, said. */
static int check_targets(const sm_args *args)
{
    for (size_t i = 0; i < args->n_values; i++) {
        const sm_arg_value *v = &args->values[i];
        for (size_t k = 0; is_target(v->option->name) && k < args->n_files; k++) {
            if (same_file(v->text, args->files[k])) {
                return sm_cli_usage(args, "--%s %s would overwrite the input", v->option->name,
                                    v->text);
            }
        }
        for (size_t k = 0; is_target(v->option->name) && k < args->n_values; k++) {
            const sm_arg_value *w = &args->values[k];
            if (k == i || !w->option->arg) {
                continue;
            }
            bool twice = is_target(w->option->name) && strcmp(v->text, w->text) == 0 &&
                         strcmp(v->text, "-") != 0;
            if (twice || (!is_target(w->option->name) && same_file(v->text, w->text))) {
                return sm_cli_usage(args, "--%s and --%s name the same file", v->option->name,
                                    w->option->name);
            }
        }
    }
    return 0;
}

static int run_command(const sm_command *c, int argc, char **argv)
{
    sm_args args;
    int st = sm_args_parse(c, argc, argv, &args);
    if (st != 0) {
        return st;
    }
    st = args.help ? help(1, (char *[]){argv[-1]}) : check_targets(&args);
    st = st == 0 && !args.help ? c->run(&args) : st;
    sm_args_free(&args);
    return st;
}

int main(int argc, char **argv)
{
    sm_cli_prepare_memory();
    (void)signal(SIGPIPE, SIG_IGN); /* a closed pipe is a failed write, and says so */
    if (argc < 2) {
        return sm_cli_usage(NULL, "a command is missing");
    }
    const char *word = argv[1];
    if (strcmp(word, "--version") == 0 || strcmp(word, "-V") == 0) {
        sm_text page = {0};
        sm_text_addf(&page, "stillmount %s\n", sm_version());
        return print_page(&page);
    }
    if (strcmp(word, "help") == 0 || strcmp(word, "--help") == 0 || strcmp(word, "-h") == 0) {
        return help(argc - 2, argv + 2);
    }
    const sm_command *c = find_command(word);
    return c ? run_command(c, argc - 2, argv + 2) : unknown_command(word);
}
