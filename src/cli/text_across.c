/* Text of compare --across. */
#include "cli/text_compare.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { COLUMNS = 80, MAX_SHOWN = 3 };

void sm_text_wrap(sm_text *out, size_t indent, const char *s)
{
    char safe[2048];
    sm_text_inert(s, strlen(s), safe, sizeof safe);
    size_t column = indent;
    sm_text_addf(out, "%*s", (int)indent, "");
    for (const char *p = safe; *p;) {
        size_t n = strcspn(p, " ");
        if (column > indent && column + 1 + n > COLUMNS) {
            sm_text_addf(out, "\n%*s", (int)indent, "");
            column = indent;
        } else if (column > indent) {
            sm_text_add(out, " ");
            column++;
        }
        sm_text_add_n(out, p, n);
        column += n;
        p += n + strspn(p + n, " ");
    }
    sm_text_add(out, "\n");
}

static const char *tail(const char *role)
{
    const char *dot = strchr(role, '.');
    return dot ? dot + 1 : role;
}

static void add_mount(const sm_json *o, sm_text *out)
{
    const sm_json *ci = sm_json_get(o, "intervals");
    const sm_json *f = sm_json_get(ci, "natural_hz");
    const sm_json *z = sm_json_get(ci, "damping_ratio");
    double hz = sm_json_number(sm_json_get(o, "natural_hz"));
    sm_text_addf(out, "  axis %s: natural frequency %.1f Hz (%.1f to %.1f),",
                 sm_json_string(sm_json_get(o, "axis")), hz, sm_json_number(sm_json_at(f, 0)),
                 sm_json_number(sm_json_at(f, 1)));
    sm_text_addf(out, " damping %.2f (%.2f to %.2f)\n",
                 sm_json_number(sm_json_get(o, "damping_ratio")), sm_json_number(sm_json_at(z, 0)),
                 sm_json_number(sm_json_at(z, 1)));
    sm_text_addf(out, "          isolates above %.1f Hz; below that it passes on or adds\n",
                 sm_json_number(sm_json_get(o, "isolates_above_hz")));
}

/* Index of the point nearest to hz that carries a ratio, within 6 %; or -1. */
static long nearest(const sm_json *pair, double hz)
{
    const sm_json *list = sm_json_get(pair, "hz");
    long best = -1;
    double miss = 0.06;
    for (size_t i = 0; i < sm_json_size(list); i++) {
        double d = fabs(sm_json_number(sm_json_at(list, i)) / hz - 1);
        if (d < miss && isfinite(sm_json_number(sm_json_at(sm_json_get(pair, "ratio"), i)))) {
            miss = d;
            best = (long)i;
        }
    }
    return best;
}

static bool add_row(const sm_json *const *pairs, size_t n, double hz, sm_text *out)
{
    bool any = false;
    sm_text row = {0};
    sm_text_addf(&row, "  %6.4g", hz);
    for (size_t i = 0; i < n; i++) {
        long k = nearest(pairs[i], hz);
        if (k < 0) {
            sm_text_addf(&row, "%23s", "-");
            continue;
        }
        any = true;
        size_t at = (size_t)k;
        const sm_json *ci = sm_json_at(sm_json_get(pairs[i], "interval_db"), at);
        double db = 20 * log10(sm_json_number(sm_json_at(sm_json_get(pairs[i], "ratio"), at)));
        double lo = sm_json_number(sm_json_at(ci, 0));
        double hi = sm_json_number(sm_json_at(ci, 1));
        char cell[64];
        (void)snprintf(cell, sizeof cell, "%+.1f (%+.1f %+.1f)", db, lo, hi);
        sm_text_addf(&row, "%23s", cell);
    }
    sm_text_add(&row, "\n");
    if (any && row.s) {
        sm_text_add(out, row.s);
    }
    sm_text_free(&row);
    return any;
}

/* Accelerometer or gyro pairs, up to three side by side. */
static void add_table(const sm_json *root, const char *kind, sm_text *out)
{
    const sm_json *list = sm_json_get(root, "pairs");
    const sm_json *pairs[MAX_SHOWN];
    size_t n = 0;
    for (size_t i = 0; i < sm_json_size(list) && n < MAX_SHOWN; i++) {
        const sm_json *p = sm_json_at(list, i);
        if (strncmp(tail(sm_json_string(sm_json_get(p, "to"))), kind, strlen(kind)) == 0) {
            pairs[n++] = p;
        }
    }
    if (n == 0) {
        return;
    }
    sm_text_addf(out, "\n  %6s", "Hz");
    for (size_t i = 0; i < n; i++) {
        char head[64];
        (void)snprintf(head, sizeof head, "%.14s dB (95 %%)",
                       tail(sm_json_string(sm_json_get(pairs[i], "to"))));
        sm_text_addf(out, "%23s", head);
    }
    sm_text_add(out, "\n");
    static const double rows[] = {2,   2.5, 3.15, 4,   5,   6.3, 8,   10,  12.5, 16,
                                  20,  25,  31.5, 40,  50,  63,  80,  100, 125,  160,
                                  200, 250, 315,  400, 500, 630, 800, 1000};
    bool any = false;
    for (size_t r = 0; r < sizeof rows / sizeof *rows; r++) {
        any = add_row(pairs, n, rows[r], out) || any;
    }
    if (!any) {
        sm_text_add(out, "    nowhere do the two move together well enough to say\n");
    }
}

void sm_text_transmissibility(const sm_json *root, sm_text *out)
{
    const sm_json *isolators = sm_json_get(root, "isolator");
    const sm_json *reasons = sm_json_get(root, "reasons");
    sm_text_add(out, "What passes from ");
    const sm_json *across = sm_json_get(root, "across");
    char line[400];
    (void)snprintf(
        line, sizeof line, "%s to %s, in %s", sm_json_string(sm_json_get(across, "from")),
        sm_json_string(sm_json_get(across, "to")), sm_json_string(sm_json_get(across, "run")));
    char safe[400];
    sm_text_inert(line, strlen(line), safe, sizeof safe);
    sm_text_addf(out, "%s\n", safe);
    const char *source = sm_json_string(sm_json_get(sm_json_get(root, "speed"), "source"));
    if (strcmp(source, "none") == 0) {
        sm_text_add(out, "  from spectra alone: with --powertrain FILE the orders would be tracked "
                         "too\n");
    } else if (source[0]) {
        sm_text_addf(out, "  from spectra and tracked orders (speed: %s)\n", source);
    }
    for (size_t i = 0; i < sm_json_size(isolators); i++) {
        add_mount(sm_json_at(isolators, i), out);
    }
    for (size_t i = 0; i < sm_json_size(reasons); i++) {
        const sm_json *r = sm_json_at(reasons, i);
        (void)snprintf(line, sizeof line, "%s%s%s", sm_json_string(sm_json_get(r, "channel")),
                       sm_json_string(sm_json_get(r, "channel"))[0] ? ": " : "",
                       sm_json_string(sm_json_get(r, "text")));
        sm_text_wrap(out, 2, line);
    }
    add_table(root, "accel", out);
    add_table(root, "gyro", out);
    sm_text_add(out,
                "\nNegative dB: less arrives than comes in. A line is shown only where the two\n"
                "move together (coherence 0.8 or more). The rest went another way: air,\n"
                "cables, or too little of it to see.\n");
}
