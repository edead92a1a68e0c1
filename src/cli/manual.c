/* Manual pages from the option tables. */
#include "cli/args.h"
#include "cli/pages.h"

#include <ctype.h>
#include <string.h>

/* Text of a line as roff reads it: backslashes and dashes escaped, no control line by accident. */
static void add_escaped(sm_text *out, const char *s, size_t n)
{
    if (n > 0 && (s[0] == '.' || s[0] == '\'')) {
        sm_text_add(out, "\\&");
    }
    for (size_t i = 0; i < n; i++) {
        if (s[i] == '\\') {
            sm_text_add(out, "\\e");
        } else if (s[i] == '-') {
            sm_text_add(out, "\\-");
        } else {
            sm_text_add_n(out, &s[i], 1);
        }
    }
}

static void add_text(sm_text *out, const char *s)
{
    add_escaped(out, s, strlen(s));
}

/* Every line of s is a paragraph; indented ones stay as they are. */
static void add_paragraphs(sm_text *out, const char *s)
{
    for (const char *p = s; p && *p;) {
        size_t n = strcspn(p, "\n");
        bool as_is = p[0] == ' ';
        sm_text_add(out, as_is ? ".nf\n" : ".PP\n");
        add_escaped(out, p, n);
        sm_text_add(out, as_is ? "\n.fi\n" : "\n");
        p += n + (p[n] == '\n');
    }
}

static void add_upper(sm_text *out, const char *s)
{
    for (; *s; s++) {
        char c = (char)toupper((unsigned char)*s);
        add_escaped(out, &c, 1);
    }
}

static void add_head(sm_text *out, const char *command)
{
    sm_text_add(out, ".TH STILLMOUNT");
    if (command) {
        sm_text_add(out, "\\-");
        add_upper(out, command);
    }
    sm_text_addf(out, " 1 \"\" \"stillmount %s\" \"User Commands\"\n.SH NAME\n", sm_version());
}

static void add_option(sm_text *out, const sm_option *o)
{
    sm_text_add(out, ".TP\n");
    if (o->letter) {
        sm_text_addf(out, "\\fB\\-%c\\fR, ", o->letter);
    }
    sm_text_add(out, "\\fB\\-\\-");
    add_text(out, o->name);
    sm_text_add(out, "\\fR");
    if (o->arg) {
        sm_text_add(out, " \\fI");
        add_text(out, o->arg);
        sm_text_add(out, "\\fR");
    }
    sm_text_add(out, "\n");
    add_text(out, o->help);
    if (o->unit) {
        sm_text_add(out, " [");
        add_text(out, o->unit);
        sm_text_add(out, "]");
    }
    sm_text_add(out, ".\n");
}

static void add_end(sm_text *out)
{
    sm_text_add(out, ".SH EXIT STATUS\n");
    add_text(out, sm_help_statuses + strlen("exit status: "));
    sm_text_add(out, ".\n.SH CAUTION\n");
    add_text(out, sm_help_caution);
    sm_text_add(out, "\n.SH SEE ALSO\n");
}

void sm_manual_command(const sm_command *c, sm_text *out)
{
    add_head(out, c->name);
    sm_text_add(out, "stillmount\\-");
    add_text(out, c->name);
    sm_text_add(out, " \\- ");
    add_text(out, c->summary);
    sm_text_add(out, "\n.SH SYNOPSIS\n\\fBstillmount ");
    add_text(out, c->name);
    sm_text_add(out, "\\fR ");
    add_text(out, c->usage);
    sm_text_add(out, "\n.SH DESCRIPTION\n");
    add_paragraphs(out, c->about);
    sm_text_add(out, ".SH OPTIONS\n");
    for (size_t i = 0; i < c->n_options; i++) {
        add_option(out, &c->options[i]);
    }
    sm_text_add(out, ".TP\n\\fB\\-h\\fR, \\fB\\-\\-help\\fR\nthe help page.\n");
    add_end(out);
    sm_text_add(out, "\\fBstillmount\\fR(1)\n");
}

void sm_manual_overview(sm_text *out)
{
    add_head(out, NULL);
    sm_text_add(out, "stillmount \\- vibration margin of an attitude\\-sensor mount, per rpm\n"
                     ".SH SYNOPSIS\n\\fBstillmount\\fR \\fICOMMAND\\fR [options] \\fIFILES\\fR\n"
                     ".SH DESCRIPTION\n"
                     "Tells from the log of an engine run\\-up whether the place where an attitude "
                     "sensor is mounted is quiet enough, with how much to spare at every rpm, what "
                     "shakes it, and what would cure it.\n.SH COMMANDS\n");
    for (size_t i = 0; sm_commands[i]; i++) {
        sm_text_add(out, ".TP\n\\fB");
        add_text(out, sm_commands[i]->name);
        sm_text_add(out, "\\fR\n");
        add_text(out, sm_commands[i]->summary);
        sm_text_add(out, ".\n");
    }
    add_end(out);
    for (size_t i = 0; sm_commands[i]; i++) {
        sm_text_add(out, i ? ",\n\\fBstillmount\\-" : "\\fBstillmount\\-");
        add_text(out, sm_commands[i]->name);
        sm_text_add(out, "\\fR(1)");
    }
    sm_text_add(out, "\n");
}
