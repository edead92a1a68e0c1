/* See the header. */
#include "ingest/json_rows.h"

#include <string.h>

typedef enum verdict { NO_JSON, LINES, WHOLE, UNDECIDED } verdict;

static const char *skip_space(const char *s, const char *end)
{
    while (s < end && (*s == ' ' || *s == '\t' || *s == '\r' || *s == '\n')) {
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

static verdict classify(const char *s, size_t n, bool at_end, sm_layout_form *form)
{
    const char *end = s + n;
    if (n >= 3 && memcmp(s, "\xef\xbb\xbf", 3) == 0) {
        s += 3;
    }
    s = skip_space(s, end);
    if (s == end || (*s != '[' && *s != '{')) {
        return s == end && !at_end ? UNDECIDED : NO_JSON;
    }
    char outer = *s;
    s = skip_space(s + 1, end);
    if (s == end) {
        return at_end ? NO_JSON : UNDECIDED;
    }
    *form = SM_FORM_OBJECTS;
    if (outer == '{') {
        return *s == '"' ? LINES : NO_JSON;
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
        verdict v = classify(data, n, sm_input_at_end(in), form);
        bool more = v == UNDECIDED && !sm_input_at_end(in) && !sm_input_is_full(in);
        if (!more) {
            if (v == NO_JSON || v == LINES) {
                *form = v == LINES ? *form : SM_FORM_CELLS;
                return SM_OK;
            }
            sm_input_split_rows(in); /* a row longer than the buffer is an array of values */
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

static const char *take_value(const char *s, const char *end, sm_cell *out)
{
    *out = (sm_cell){s, 0};
    if (s < end && *s == '"') {
        const char *q = skip_string(s, end);
        size_t n = (size_t)(q - s);
        *out = n >= 2 ? (sm_cell){s + 1, n - 2} : (sm_cell){s, 0};
        return q;
    }
    if (s < end && (*s == '[' || *s == '{')) {
        return skip_nested(s, end);
    }
    const char *q = s;
    while (q < end && *q != ',') {
        q++;
    }
    out->n = (size_t)(q - s);
    while (out->n && (s[out->n - 1] == ' ' || s[out->n - 1] == '\t')) {
        out->n--;
    }
    if (out->n == 4 && memcmp(s, "null", 4) == 0) {
        out->n = 0;
    }
    return q;
}

bool sm_json_rows_pair(const char **p, const char *end, sm_cell *key, sm_cell *value)
{
    const char *s = *p;
    while (s < end && (*s == ',' || *s == ' ' || *s == '\t')) {
        s++;
    }
    if (s == end || *s != '"') {
        return false;
    }
    const char *q = skip_string(s, end);
    if (q - s < 2) {
        return false;
    }
    *key = (sm_cell){s + 1, (size_t)(q - s) - 2};
    q = skip_space(q, end);
    if (q == end || *q != ':') {
        return false;
    }
    *p = take_value(skip_space(q + 1, end), end, value);
    return true;
}

bool sm_json_rows_value(const char *s, const char *end, const char *key, sm_cell *value)
{
    sm_cell k;
    size_t n = strlen(key);
    sm_json_rows_trim(&s, &end);
    while (sm_json_rows_pair(&s, end, &k, value)) {
        if (k.n == n && memcmp(k.s, key, n) == 0) {
            return true;
        }
    }
    return false;
}
