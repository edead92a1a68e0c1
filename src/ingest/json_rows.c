/* See the header. */
#include "ingest/json_rows.h"

#include <stdio.h>
#include <string.h>

typedef enum verdict { NO_JSON, LINES, BARE, WHOLE, SINGLE, UNDECIDED } verdict;

static bool is_space(char c)
{
    return c == ' ' || c == '\t' || c == '\r' || c == '\n';
}

static const char *skip_space(const char *s, const char *end)
{
    while (s < end && is_space(*s)) {
        s++;
    }
    return s;
}

static bool begins_value(const char *s, const char *end)
{
    return s < end && *s && strchr("0123456789+-.\"nN", *s) != NULL;
}

/* Behind the first row "[...]": another one, or the end of the log? */
static verdict behind_first(const char *s, const char *end, bool at_end)
{
    const char *close = memchr(s, ']', (size_t)(end - s));
    if (!close) {
        return UNDECIDED;
    }
    close = skip_space(close + 1, end);
    if (close < end && *close == ',') {
        close = skip_space(close + 1, end);
    }
    if (close == end) {
        return at_end ? WHOLE : UNDECIDED;
    }
    return *close == '[' ? LINES : NO_JSON;
}

static const char *skip_nested(const char *s, const char *end);

/* An object of its own per row, or one for the whole log? s is at its brace. */
static verdict objects(const char *s, const char *end, bool at_end, bool full)
{
    const char *close = skip_nested(s, end);
    bool closed = close > s + 1 && close[-1] == '}' && close <= end;
    const char *next = skip_space(close, end);
    if (next == end) {
        return at_end || full ? SINGLE : UNDECIDED;
    }
    bool over_lines = memchr(s, '\n', (size_t)(close - s)) != NULL;
    bool another = closed && (*next == '{' || *next == ',');
    return !another ? SINGLE : over_lines ? BARE : LINES;
}

static verdict classify(const char *s, size_t n, bool at_end, bool full, sm_layout_form *form)
{
    const char *end = s + n;
    if (n >= 3 && memcmp(s, "\xef\xbb\xbf", 3) == 0) {
        s += 3;
    }
    s = skip_space(s, end);
    if (s == end || (*s != '[' && *s != '{')) {
        return s == end && !at_end ? UNDECIDED : NO_JSON;
    }
    const char *first = s;
    char outer = *s;
    s = skip_space(s + 1, end);
    if (s == end) {
        return at_end ? NO_JSON : UNDECIDED;
    }
    *form = SM_FORM_OBJECTS;
    if (outer == '{') {
        return *s == '"' ? objects(first, end, at_end, full) : NO_JSON;
    }
    if (*s == '{') {
        s = skip_space(s + 1, end);
        return s < end && *s == '"' ? WHOLE : s == end && !at_end ? UNDECIDED : NO_JSON;
    }
    *form = SM_FORM_ARRAYS;
    if (*s == '[') {
        s = skip_space(s + 1, end);
        return begins_value(s, end) ? WHOLE : s == end && !at_end ? UNDECIDED : NO_JSON;
    }
    return begins_value(s, end) ? behind_first(s, end, at_end) : NO_JSON;
}

sm_status sm_json_rows_look(sm_input *in, sm_layout_form *form, sm_error *err)
{
    for (;;) {
        size_t n;
        const char *data = sm_input_data(in, &n);
        verdict v = classify(data, n, sm_input_at_end(in), sm_input_is_full(in), form);
        if (v == SINGLE && !sm_input_is_columns(in)) {
            sm_status columns = sm_input_use_columns(in, err);
            if (columns != SM_OK) {
                return columns;
            }
            continue;
        }
        bool more = v == UNDECIDED && !sm_input_at_end(in) && !sm_input_is_full(in);
        if (!more) {
            if (v == NO_JSON || v == LINES || v == SINGLE) {
                *form = v == LINES ? *form : SM_FORM_CELLS;
                return SM_OK;
            }
            sm_input_split_rows(in,
                                v == BARE); /* a row longer than the buffer is an array of values */
            return SM_OK;
        }
        sm_status st = sm_input_more(in, err);
        if (st != SM_OK) {
            return st;
        }
    }
}

void sm_json_rows_trim(const char **s, const char **end)
{
    while (*s < *end && **s && strchr(" \t[{", **s)) {
        (*s)++;
    }
    while (*end > *s && (*end)[-1] && strchr(" \t\r,]}", (*end)[-1])) {
        (*end)--;
    }
}

/* Behind the string whose opening quote is at s. */
static const char *skip_string(const char *s, const char *end)
{
    for (s++; s < end && *s != '"'; s++) {
        s += *s == '\\' && s + 1 < end;
    }
    return s < end ? s + 1 : end;
}

/* Behind the array or object that begins at s. */
static const char *skip_nested(const char *s, const char *end)
{
    int depth = 0;
    while (s < end) {
        if (*s == '"') {
            s = skip_string(s, end);
            continue;
        }
        depth += (*s == '[' || *s == '{') - (*s == ']' || *s == '}');
        s++;
        if (depth == 0) {
            break;
        }
    }
    return s;
}

/* A text, a number, or null, which comes back empty. Behind it. */
static const char *take_value(const char *s, const char *end, sm_cell *out)
{
    *out = (sm_cell){s, 0};
    if (s < end && *s == '"') {
        const char *q = skip_string(s, end);
        size_t n = (size_t)(q - s);
        *out = n >= 2 ? (sm_cell){s + 1, n - 2} : (sm_cell){s, 0};
        return q;
    }
    const char *q = s;
    while (q < end && *q != ',' && *q != ']' && *q != '}') {
        q++;
    }
    out->n = (size_t)(q - s);
    while (out->n && is_space(s[out->n - 1])) {
        out->n--;
    }
    if (out->n == 4 && memcmp(s, "null", 4) == 0) {
        out->n = 0;
    }
    return q;
}

/* The key in front of a value, in an object; in an array the place counts. NULL: no such thing. */
static const char *take_key(sm_json_walk *w, const char *s, sm_cell *key)
{
    if (w->depth > 0 && w->in[w->depth - 1].place > 0) {
        *key = (sm_cell){NULL, w->in[w->depth - 1].place++};
        return s;
    }
    if (*s != '"') {
        return NULL;
    }
    const char *q = skip_string(s, w->end);
    if (q - s < 2) {
        return NULL;
    }
    *key = (sm_cell){s + 1, (size_t)(q - s) - 2};
    q = skip_space(q, w->end);
    return q < w->end && *q == ':' ? skip_space(q + 1, w->end) : NULL;
}

bool sm_json_walk_next(sm_json_walk *w, sm_cell *value)
{
    const char *s = w->p;
    for (;;) {
        while (s < w->end && (*s == ',' || is_space(*s))) {
            s++;
        }
        if (s == w->end) {
            return false;
        }
        if (*s == '}' || *s == ']') {
            if (w->depth == 0) {
                return false;
            }
            w->depth--;
            s++;
            continue;
        }
        s = take_key(w, s, &w->key[w->depth]);
        if (!s) {
            return false;
        }
        if (s < w->end && (*s == '{' || *s == '[')) {
            if (w->depth + 1 == SM_JSON_DEPTH) {
                s = skip_nested(s, w->end);
                continue;
            }
            w->in[w->depth++].place = *s == '['; /* of its first value, 0 in an object */
            s++;
            continue;
        }
        w->p = take_value(s, w->end, value);
        return true;
    }
}

static size_t key_text(sm_cell key, char place[24], const char **s)
{
    if (key.s) {
        *s = key.s;
        return key.n;
    }
    *s = place;
    return (size_t)snprintf(place, 24, "%zu", key.n);
}

void sm_json_walk_name(const sm_json_walk *w, char *out, size_t capacity)
{
    char whole[256];
    size_t used = 0;
    for (size_t i = 0; i <= w->depth; i++) {
        char place[24];
        const char *s;
        size_t n = key_text(w->key[i], place, &s);
        if (used + 1 + n > sizeof whole) {
            break;
        }
        if (i) {
            whole[used++] = '.';
        }
        memcpy(whole + used, s, n);
        used += n;
    }
    sm_text_inert(whole, used, out, capacity);
}

bool sm_json_walk_is(const sm_json_walk *w, const char *name)
{
    for (size_t i = 0; i <= w->depth; i++) {
        char place[24];
        const char *s;
        size_t n = key_text(w->key[i], place, &s);
        if (i && *name++ != '.') {
            return false;
        }
        if (strnlen(name, n) < n || memcmp(name, s, n) != 0) {
            return false;
        }
        name += n;
    }
    return *name == '\0';
}

bool sm_json_rows_value(const char *s, const char *end, const char *key, sm_cell *value)
{
    sm_json_rows_trim(&s, &end);
    sm_json_walk w = {.p = s, .end = end};
    while (sm_json_walk_next(&w, value)) {
        if (sm_json_walk_is(&w, key)) {
            return true;
        }
    }
    return false;
}
