/* See the header. */
#include "ingest/last_line.h"

#include <limits.h>
#include <string.h>

enum { LINES = 16 };

/* How a number is written. */
typedef struct form {
    bool is_number;
    int decimals;
    int exponent; /* characters of it, the e included; 0 = none */
    size_t n;
} form;

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

static form form_of(sm_cell c, char decimal)
{
    double v;
    form f = {.n = c.n};
    f.is_number = sm_layout_number(c.s, c.n, decimal, &v);
    const char *p = c.s;
    const char *end = c.s + c.n;
    while (p < end && *p != decimal && *p != 'e' && *p != 'E') {
        p++;
    }
    if (p < end && *p == decimal) {
        for (p++; p < end && is_digit(*p); p++) {
            f.decimals++;
        }
    }
    f.exponent = p < end && (*p == 'e' || *p == 'E') ? (int)(end - p) : 0;
    return f;
}

/* The last used cell of a line. false: the line is shorter. *touches: nothing stands behind it. */
static bool last_cell(const sm_layout *l, size_t n_used, const char *s, const char *end,
                      sm_cell *out, bool *touches)
{
    const char *p = s;
    size_t n = 0;
    while (p && (n_used == 0 || n < n_used) && sm_layout_cell(&p, end, l->delimiter, out)) {
        n++;
    }
    *touches = !p;
    return n > 0 && n >= n_used;
}

static bool is_blank(char c)
{
    return c == ' ' || c == '\t' || c == '\r';
}

/* The forms of the cell in the lines before: smallest and largest. */
typedef struct range {
    form least;
    form most;
    int n;
} range;

static void widen(range *r, form f)
{
    r->n++;
    r->least.n = f.n < r->least.n ? f.n : r->least.n;
    r->least.decimals = f.decimals < r->least.decimals ? f.decimals : r->least.decimals;
    r->most.decimals = f.decimals > r->most.decimals ? f.decimals : r->most.decimals;
    r->least.exponent = f.exponent < r->least.exponent ? f.exponent : r->least.exponent;
    r->most.exponent = f.exponent > r->most.exponent ? f.exponent : r->most.exponent;
}

static range look_before(const sm_layout *l, const char *before, size_t n_before, size_t n_used,
                         form like)
{
    range r = {.least = {.decimals = INT_MAX, .exponent = INT_MAX, .n = SIZE_MAX}};
    const char *end = before + n_before;
    for (int i = 0; i < LINES && end > before; i++) {
        end--; /* the line end */
        const char *s = end;
        while (s > before && s[-1] != '\n') {
            s--;
        }
        const char *stop = end;
        while (stop > s && is_blank(stop[-1])) {
            stop--;
        }
        sm_cell c;
        bool touches;
        if (last_cell(l, n_used, s, stop, &c, &touches)) {
            form f = form_of(c, l->decimal);
            if (f.is_number == like.is_number && (f.n == 0) == (like.n == 0)) {
                widen(&r, f);
            }
        }
        end = s;
    }
    return r;
}

sm_last_line sm_last_line_is(const sm_layout *l, const char *before, size_t n_before, size_t n_used,
                             const char *s, const char *end)
{
    sm_cell c = {s, 0};
    bool touches;
    if (!last_cell(l, n_used, s, end, &c, &touches)) {
        return SM_LAST_CUT;
    }
    if (!touches || (c.n > 0 && is_blank(end[-1]))) {
        return SM_LAST_WHOLE; /* something follows the cell */
    }
    form f = form_of(c, l->decimal);
    bool quoted = c.n && c.s > s && (c.s[-1] == '"' || c.s[-1] == '\'');
    if (quoted) {
        return c.s + c.n < end && c.s[c.n] == c.s[-1] ? SM_LAST_WHOLE : SM_LAST_CUT;
    }
    range r = look_before(l, before, n_before, n_used, f);
    if (f.n == 0) {
        return r.n ? SM_LAST_WHOLE : SM_LAST_CUT; /* empty: the lines before have such cells too */
    }
    if (!f.is_number) { /* a date, words, or half a number */
        return r.n && f.n >= r.least.n ? SM_LAST_WHOLE : SM_LAST_CUT;
    }
    if (r.n > 0 && (f.exponent < r.least.exponent || f.decimals < r.least.decimals)) {
        return SM_LAST_CUT;
    }
    bool alike = r.n > 0 && r.least.exponent == r.most.exponent;
    bool ended = f.exponent > 0 || (r.most.decimals > 0 && f.decimals >= r.most.decimals);
    return alike && ended ? SM_LAST_WHOLE : SM_LAST_UNSURE;
}
