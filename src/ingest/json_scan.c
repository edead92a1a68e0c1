/* See the header. */
#include "ingest/json_scan.h"

#include "core/alloc.h"
#include "ingest/layout.h"
#include "stillmount/number.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

enum { DEPTH = 8 };

bool sm_json_open_reader(sm_json_reader *r, int fd, size_t capacity)
{
    *r = (sm_json_reader){.fd = fd, .capacity = capacity, .line = 1};
    r->buf = sm_alloc_array(capacity, 1);
    return r->buf != NULL;
}

bool sm_json_fill(sm_json_reader *r)
{
    if (r->i < r->n) {
        return true;
    }
    r->at += r->n;
    r->i = r->n = 0;
    ssize_t got;
    do {
        got = pread(r->fd, r->buf, r->capacity, (off_t)r->at);
    } while (got < 0 && errno == EINTR);
    r->failed = got < 0 ? errno : 0;
    r->n = got > 0 ? (size_t)got : 0;
    return r->n > 0;
}

int sm_json_peek(sm_json_reader *r)
{
    return sm_json_fill(r) ? (unsigned char)r->buf[r->i] : -1;
}

int sm_json_take(sm_json_reader *r)
{
    int c = sm_json_peek(r);
    r->i += c >= 0;
    r->line += c == '\n';
    return c;
}

int sm_json_peek_solid(sm_json_reader *r)
{
    int c;
    while ((c = sm_json_peek(r)) == ' ' || c == '\t' || c == '\r' || c == '\n') {
        (void)sm_json_take(r);
    }
    return c;
}

uint64_t sm_json_place(const sm_json_reader *r)
{
    return r->at + r->i;
}

void sm_json_seek(sm_json_reader *r, uint64_t to)
{
    r->at = to;
    r->i = r->n = 0;
}

bool sm_json_take_scalar(sm_json_reader *r, char *out, size_t capacity, size_t *n_out)
{
    size_t n = 0;
    int c = sm_json_peek_solid(r);
    bool quoted = c == '"';
    bool escaped = false;
    for (size_t k = 0; c >= 0; k++) {
        bool ends = quoted ? k > 0 && c == '"' && !escaped
                           : c == ',' || c == ']' || c == '}' || c == ':' || c <= ' ';
        if (ends && !quoted) {
            break;
        }
        (void)sm_json_take(r);
        if (n + 1 < capacity) {
            out[n++] = (char)(c < ' ' ? ' ' : c);
        }
        if (ends) {
            break;
        }
        escaped = !escaped && c == '\\';
        c = sm_json_peek(r);
    }
    out[n] = '\0';
    *n_out = n;
    return n > 0 && c >= 0;
}

static sm_status broken(const sm_json_scan *s)
{
    if (s->in.failed) {
        return sm_error_set(s->err, SM_E_IO, s->path, 0, "cannot read it: %s",
                            strerror(s->in.failed));
    }
    bool ends = s->in.n == s->in.i;
    return sm_error_set(s->err, SM_E_FORMAT, s->path, s->in.line,
                        ends ? "JSON that breaks off inside '%s': with one array per column, "
                               "columns are missing; record again, or write one object per row"
                             : "JSON that cannot be read in or behind '%s': one object with an "
                               "array per column, or one object per row, is expected",
                        s->name);
}

bool sm_json_pass_nested(sm_json_reader *r, int open)
{
    char scrap[4];
    size_t n;
    while (open > 0) {
        int c = sm_json_peek(r);
        if (c < 0 || (c == '"' && !sm_json_take_scalar(r, scrap, sizeof scrap, &n))) {
            return false;
        }
        if (c != '"') {
            (void)sm_json_take(r);
            open += (c == '[' || c == '{') - (c == ']' || c == '}');
        }
    }
    return true;
}

/* The values of one group behind its bracket. */
static bool count_group(sm_json_reader *r, size_t *width)
{
    char scrap[SM_JSON_CELL_BYTES];
    size_t n;
    *width = 0;
    int c = sm_json_peek_solid(r);
    while (c != ']') {
        if (c == '[' || c == '{') { /* deeper: no group */
            *width = 0;
            return sm_json_pass_nested(r, 1);
        }
        if (!sm_json_take_scalar(r, scrap, sizeof scrap, &n)) {
            return false;
        }
        ++*width;
        c = sm_json_peek_solid(r);
        if (c == ',') {
            (void)sm_json_take(r);
            c = sm_json_peek_solid(r);
        }
    }
    (void)sm_json_take(r);
    return true;
}

/* One member of an array; false: it is broken, or of another kind than the first. */
static bool pass_member(sm_json_reader *r, sm_json_array *a)
{
    char scrap[SM_JSON_CELL_BYTES];
    size_t n;
    int c = sm_json_peek_solid(r);
    if (a->kind == SM_JSON_VALUES) {
        return c != '[' && c != '{' && sm_json_take_scalar(r, scrap, sizeof scrap, &n);
    }
    if (c != (a->kind == SM_JSON_GROUPS ? '[' : '{')) {
        return false;
    }
    (void)sm_json_take(r);
    if (a->kind == SM_JSON_GROUPS && a->n == 0) {
        return count_group(r, &a->width);
    }
    return sm_json_pass_nested(r, 1);
}

static sm_status scan_array(sm_json_scan *s)
{
    (void)sm_json_take(&s->in);
    sm_json_array a = {.from = sm_json_place(&s->in), .line = s->in.line};
    (void)snprintf(a.name, sizeof a.name, "%s", s->name);
    int c = sm_json_peek_solid(&s->in);
    a.kind = c == '[' ? SM_JSON_GROUPS : c == '{' ? SM_JSON_ROWS : SM_JSON_VALUES;
    a.words = c == '"';
    while (c != ']') {
        if (!pass_member(&s->in, &a)) {
            return broken(s);
        }
        a.n++;
        c = sm_json_peek_solid(&s->in);
        if (c == ',') {
            (void)sm_json_take(&s->in);
            c = sm_json_peek_solid(&s->in);
        } else if (c != ']') {
            return broken(s);
        }
    }
    (void)sm_json_take(&s->in);
    a.to = sm_json_place(&s->in);
    if (s->n_arrays < SM_MAX_COLUMNS) {
        s->arrays[s->n_arrays++] = a;
    }
    return SM_OK;
}

static void keep_said(sm_json_scan *s, const char *text)
{
    if (s->n_said == SM_JSON_SAID_MOST || strlen(text) >= sizeof s->said->text) {
        return;
    }
    sm_json_said *one = &s->said[s->n_said++];
    (void)snprintf(one->name, sizeof one->name, "%s", s->name);
    (void)snprintf(one->text, sizeof one->text, "%s", text);
}

/* {"0": 0.1, "1": 0.2, ...}: the first key and its colon are taken already. */
static sm_status scan_keyed(sm_json_scan *s, uint64_t from)
{
    sm_json_array a = {.kind = SM_JSON_KEYED, .from = from, .line = s->in.line};
    (void)snprintf(a.name, sizeof a.name, "%s", s->name);
    char text[SM_JSON_CELL_BYTES];
    size_t n;
    for (;;) {
        int c = sm_json_peek_solid(&s->in);
        if (c == '[' || c == '{' || !sm_json_take_scalar(&s->in, text, sizeof text, &n)) {
            return broken(s);
        }
        a.n++;
        c = sm_json_peek_solid(&s->in);
        if (c == '}') {
            break;
        }
        if (c != ',' || sm_json_take(&s->in) < 0 ||
            !sm_json_take_scalar(&s->in, text, sizeof text, &n) ||
            sm_json_peek_solid(&s->in) != ':') {
            return broken(s);
        }
        (void)sm_json_take(&s->in);
    }
    (void)sm_json_take(&s->in);
    a.to = sm_json_place(&s->in);
    if (s->n_arrays < SM_MAX_COLUMNS) {
        s->arrays[s->n_arrays++] = a;
    }
    return SM_OK;
}

static bool is_number_key(const char *key)
{
    size_t n = strlen(key);
    return n > 2 && strspn(key + 1, "0123456789") == n - 2;
}

static sm_status scan_object(sm_json_scan *s)
{
    (void)sm_json_take(&s->in);
    uint64_t from = sm_json_place(&s->in);
    size_t outer = strlen(s->name);
    int c = sm_json_peek_solid(&s->in);
    for (bool first = true; c != '}'; first = false) {
        char key[96];
        size_t n;
        if (c != '"' || !sm_json_take_scalar(&s->in, key, sizeof key, &n) ||
            sm_json_peek_solid(&s->in) != ':') {
            return broken(s);
        }
        (void)sm_json_take(&s->in);
        c = sm_json_peek_solid(&s->in);
        if (first && outer && is_number_key(key) && c != '[' && c != '{') {
            return scan_keyed(s, from);
        }
        if (n >= 2) {
            char plain[96];
            sm_text_inert(key + 1, n - 1 - (key[n - 1] == '"'), plain, sizeof plain);
            (void)snprintf(s->name + outer, sizeof s->name - outer, "%s%s", outer ? "." : "",
                           plain);
        }
        sm_status st = sm_json_scan_value(s);
        if (st != SM_OK) {
            return st;
        }
        s->name[outer] = '\0';
        c = sm_json_peek_solid(&s->in);
        if (c == ',') {
            (void)sm_json_take(&s->in);
            c = sm_json_peek_solid(&s->in);
        } else if (c != '}') {
            return broken(s);
        }
    }
    (void)sm_json_take(&s->in);
    return SM_OK;
}

sm_status sm_json_scan_value(sm_json_scan *s)
{
    int c = sm_json_peek_solid(&s->in);
    if (c == '{' && s->depth < DEPTH) {
        s->depth++;
        sm_status st = scan_object(s);
        s->depth--;
        return st;
    }
    if (c == '[') {
        return scan_array(s);
    }
    if (c == '{') { /* too deep to mean anything */
        (void)sm_json_take(&s->in);
        return sm_json_pass_nested(&s->in, 1) ? SM_OK : broken(s);
    }
    char text[SM_JSON_CELL_BYTES];
    size_t n;
    if (!sm_json_take_scalar(&s->in, text, sizeof text, &n)) {
        return broken(s);
    }
    keep_said(s, text);
    return SM_OK;
}
