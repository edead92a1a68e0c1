/* Shell completions from the option tables. */
#include "cli/pages.h"

#include <string.h>

/* s with every character of `special` behind a backslash, and ' written as the shells need it. */
static void add_quoted(sm_text *out, const char *s, const char *special, const char *apostrophe)
{
    for (; *s; s++) {
        if (*s == '\'') {
            sm_text_add(out, apostrophe);
            continue;
        }
        if (strchr(special, *s)) {
            sm_text_add(out, "\\");
        }
        sm_text_add_n(out, s, 1);
    }
}

/* The words of a choice, with blanks between. */
static void add_choices(sm_text *out, const char *choices)
{
    for (; *choices; choices++) {
        sm_text_add_n(out, *choices == '|' ? " " : choices, 1);
    }
}

static void bash_command(sm_text *out, const sm_command *c)
{
    sm_text_addf(out, "    %s)\n      case $previous in\n", c->name);
    for (size_t i = 0; i < c->n_options; i++) {
        const sm_option *o = &c->options[i];
        if (o->kind == SM_ARG_CHOICE) {
            sm_text_addf(out, "        --%s) words='", o->name);
            add_choices(out, o->choices);
            sm_text_add(out, "' ;;\n");
        }
    }
    sm_text_add(out, "        *) words='--help");
    for (size_t i = 0; i < c->n_options; i++) {
        sm_text_addf(out, " --%s", c->options[i].name);
    }
    sm_text_add(out, "' ;;\n      esac ;;\n");
}

static void bash(sm_text *out)
{
    sm_text_add(out, "# bash completion for stillmount\n"
                     "_stillmount() {\n"
                     "  local word=${COMP_WORDS[COMP_CWORD]} previous=${COMP_WORDS[COMP_CWORD-1]}\n"
                     "  local words=''\n"
                     "  COMPREPLY=()\n"
                     "  if [ \"$COMP_CWORD\" -eq 1 ]; then\n"
                     "    words='help --help --version");
    for (size_t i = 0; sm_commands[i]; i++) {
        sm_text_addf(out, " %s", sm_commands[i]->name);
    }
    sm_text_add(out, "'\n  else\n    case ${COMP_WORDS[1]} in\n    help)\n      words='");
    for (size_t i = 0; sm_commands[i]; i++) {
        sm_text_addf(out, "%s%s", i ? " " : "", sm_commands[i]->name);
    }
    sm_text_add(out, "' ;;\n");
    for (size_t i = 0; sm_commands[i]; i++) {
        bash_command(out, sm_commands[i]);
    }
    sm_text_add(
        out, "    esac\n  fi\n"
             "  case $word:$words in\n"
             "  -*:* | *:[!-]*) mapfile -t COMPREPLY < <(compgen -W \"$words\" -- \"$word\") ;;\n"
             "  *) compopt -o filenames\n"
             "     mapfile -t COMPREPLY < <(compgen -f -- \"$word\") ;;\n"
             "  esac\n"
             "}\n"
             "complete -F _stillmount stillmount\n");
}

static void zsh_command(sm_text *out, const sm_command *c)
{
    sm_text_addf(out, "  %s)\n    _arguments -S \\\n", c->name);
    for (size_t i = 0; i < c->n_options; i++) {
        const sm_option *o = &c->options[i];
        sm_text_addf(out, "      '%s--%s[", o->repeats || o->kind == SM_ARG_LIST ? "*" : "",
                     o->name);
        add_quoted(out, o->help, "[]:\\", "'\\''");
        sm_text_add(out, "]");
        if (o->kind != SM_ARG_FLAG) {
            sm_text_add(out, ":");
            add_quoted(out, o->arg ? o->arg : "value", "[]:\\", "'\\''");
            sm_text_add(out, ":");
            if (o->kind == SM_ARG_CHOICE) {
                sm_text_add(out, "(");
                add_choices(out, o->choices);
                sm_text_add(out, ")");
            } else if (o->kind == SM_ARG_TEXT || o->kind == SM_ARG_LIST) {
                sm_text_add(out, "_files");
            }
        }
        sm_text_add(out, "' \\\n");
    }
    sm_text_add(out, "      '--help[the help page]' '*:file:_files' ;;\n");
}

static void zsh(sm_text *out)
{
    sm_text_add(out, "#compdef stillmount\n"
                     "local -a commands\n"
                     "commands=(\n");
    for (size_t i = 0; sm_commands[i]; i++) {
        sm_text_addf(out, "  '%s:", sm_commands[i]->name);
        add_quoted(out, sm_commands[i]->summary, ":\\", "'\\''");
        sm_text_add(out, "'\n");
    }
    sm_text_add(out, "  'help:a page on one command'\n)\n"
                     "if (( CURRENT == 2 )); then\n"
                     "  _describe command commands\n"
                     "  return\n"
                     "fi\n"
                     "local command=$words[2]\n"
                     "shift words\n"
                     "(( CURRENT-- ))\n"
                     "case $command in\n"
                     "  help) _describe command commands ;;\n");
    for (size_t i = 0; sm_commands[i]; i++) {
        zsh_command(out, sm_commands[i]);
    }
    sm_text_add(out, "esac\n");
}

static void fish_command(sm_text *out, const sm_command *c)
{
    sm_text_addf(out, "complete -c stillmount -n __fish_use_subcommand -f -a %s -d '", c->name);
    add_quoted(out, c->summary, "\\", "\\'");
    sm_text_add(out, "'\n");
    for (size_t i = 0; i < c->n_options; i++) {
        const sm_option *o = &c->options[i];
        sm_text_addf(out, "complete -c stillmount -n '__fish_seen_subcommand_from %s' -l %s",
                     c->name, o->name);
        if (o->letter) {
            sm_text_addf(out, " -s %c", o->letter);
        }
        if (o->kind == SM_ARG_CHOICE) {
            sm_text_add(out, " -x -a '");
            add_choices(out, o->choices);
            sm_text_add(out, "'");
        } else if (o->kind == SM_ARG_NUMBER || o->kind == SM_ARG_INTEGER) {
            sm_text_add(out, " -x");
        } else if (o->kind != SM_ARG_FLAG) {
            sm_text_add(out, " -r -F");
        }
        sm_text_add(out, " -d '");
        add_quoted(out, o->help, "\\", "\\'");
        sm_text_add(out, "'\n");
    }
}

static void fish(sm_text *out)
{
    sm_text_add(out, "# fish completion for stillmount\n"
                     "complete -c stillmount -n __fish_use_subcommand -f -a help"
                     " -d 'a page on one command'\n");
    for (size_t i = 0; sm_commands[i]; i++) {
        fish_command(out, sm_commands[i]);
    }
}

bool sm_completion(const char *shell, sm_text *out)
{
    static const struct {
        const char *name;
        void (*write)(sm_text *out);
    } shells[] = {{"bash", bash}, {"zsh", zsh}, {"fish", fish}};
    for (size_t i = 0; i < sizeof shells / sizeof *shells; i++) {
        if (strcmp(shells[i].name, shell) == 0) {
            shells[i].write(out);
            return true;
        }
    }
    return false;
}
