/* See the header. One pass finds the arrays and counts them; then each column has a cursor. */
#include "ingest/json_columns.h"

#include "core/alloc.h"
#include "ingest/json_scan.h"
#include "ingest/layout.h"
#include "ingest/names.h"
#include "stillmount/number.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

enum { SCAN_BYTES = 1 << 16, CURSOR_BYTES = 1 << 13, GROUP_MOST = 64, NAMES_BYTES = 1 << 15 };

struct sm_json_columns {
    uint64_t size;
    uint64_t at;
    sm_text head; /* text in front of the rows */
    size_t head_used;
    bool rows; /* the bare array follows, else columns */
    sm_json_reader bare;
    uint64_t bare_to;
    sm_json_reader *cursors;
    sm_json_array *columns;
    size_t n_columns;
    uint64_t n_rows;
    uint64_t i_row;
    char *line; /* of the row being handed out */
    size_t line_n;
    size_t line_used;
    size_t line_capacity;
};

static bool is_known(const char *name)
{
    sm_guess g;
    sm_names_guess(name, NULL, &g);
    return g.role != SM_ROLE_IGNORE;
}

/* "data.t", "data.ax": the outermost name goes where the others say more without it. */
static void drop_common_name(sm_json_array *a, size_t n)
{
    size_t with = 0;
    size_t without = 0;
    const char *dot = strchr(a[0].name, '.');
    size_t len = dot ? (size_t)(dot + 1 - a[0].name) : 0;
    for (size_t i = 0; i < n && len; i++) {
        if (strncmp(a[i].name, a[0].name, len) != 0) {
            return;
        }
        with += is_known(a[i].name);
        without += is_known(a[i].name + len);
    }
    for (size_t i = 0; i < n && without > with; i++) {
        memmove(a[i].name, a[i].name + len, strlen(a[i].name + len) + 1);
    }
}

static const sm_json_array *longest(const sm_json_scan *s)
{
    const sm_json_array *best = NULL;
    for (size_t i = 0; i < s->n_arrays; i++) {
        if (!best || s->arrays[i].n > best->n) {
            best = &s->arrays[i];
        }
    }
    return best;
}

/* Every array of that length; one of another length that would be a channel is an error. */
static sm_status choose_columns(sm_json_scan *s, uint64_t n_rows)
{
    size_t n = 0;
    const sm_json_array *other = NULL;
    for (size_t i = 0; i < s->n_arrays; i++) {
        const sm_json_array *a = &s->arrays[i];
        bool fits = a->n == n_rows && a->kind != SM_JSON_ROWS &&
                    (a->kind != SM_JSON_GROUPS || (a->width > 0 && a->width <= GROUP_MOST));
        if (fits) {
            s->arrays[n++] = *a;
        } else if (a->kind != SM_JSON_ROWS && a->n > 0 && is_known(a->name)) {
            s->arrays[SM_MAX_COLUMNS] = other ? *other : *a; /* its own place may be taken */
            other = &s->arrays[SM_MAX_COLUMNS];
        }
    }
    s->n_arrays = n;
    if (other) {
        return sm_error_set(s->err, SM_E_FORMAT, s->path, other->line,
                            "'%s' has %llu values, '%s' has %llu: nobody can say which belong "
                            "together; write sensors of different rates into files of their own "
                            "and join them in a run file",
                            s->arrays[0].name, (unsigned long long)n_rows, other->name,
                            (unsigned long long)other->n);
    }
    drop_common_name(s->arrays, n);
    return SM_OK;
}

static void add_quoted(sm_text *t, const char *name)
{
    sm_text_add(t, "\"");
    for (const char *p = name; *p; p++) {
        sm_text_add_n(t, *p == '"' ? "'" : p, 1);
    }
    sm_text_add(t, "\"");
}

/* The unit that the object has for a column, beside it: "units": {"ax": "g"}. */
static const char *unit_of(const sm_json_scan *s, const char *name)
{
    for (size_t i = 0; i < s->n_said; i++) {
        const char *dot = strrchr(s->said[i].name, '.');
        size_t n = dot ? (size_t)(dot - s->said[i].name) : 0;
        bool unit = (n >= 4 && strncmp(s->said[i].name + n - 4, "unit", 4) == 0) ||
                    (n >= 5 && strncmp(s->said[i].name + n - 5, "units", 5) == 0);
        if (unit && strcmp(dot + 1, name) == 0 && s->said[i].text[0] == '"') {
            return s->said[i].text;
        }
    }
    return NULL;
}

static void add_cell_name(sm_text *t, const sm_json_array *a, size_t k)
{
    char name[128];
    if (a->kind == SM_JSON_GROUPS && a->width == 3) {
        (void)snprintf(name, sizeof name, "%s.%c", a->name, "xyz"[k]);
    } else if (a->kind == SM_JSON_GROUPS) {
        (void)snprintf(name, sizeof name, "%s.%zu", a->name, k + 1);
    } else {
        (void)snprintf(name, sizeof name, "%s", a->name);
    }
    add_quoted(t, name);
}

/* What the object says beside the columns as comments, then names, then units. */
static void write_head(const sm_json_scan *s, sm_text *t)
{
    bool units = false;
    for (size_t i = 0; i < s->n_said; i++) {
        sm_text_addf(t, "# %s: %s\n", s->said[i].name, s->said[i].text);
    }
    for (int row = 0; row < 1 + units; row++) {
        for (size_t i = 0; i < s->n_arrays; i++) {
            const sm_json_array *a = &s->arrays[i];
            const char *unit = unit_of(s, a->name);
            units |= unit != NULL;
            for (size_t k = 0; k < (a->kind == SM_JSON_GROUPS ? a->width : 1); k++) {
                sm_text_add(t, i + k ? "," : "");
                if (row == 0) {
                    add_cell_name(t, a, k);
                } else {
                    sm_text_add(t, unit ? unit : "\"\"");
                }
            }
        }
        sm_text_add(t, "\n");
    }
}

static sm_status open_columns(sm_json_scan *s, uint64_t n_rows, sm_json_columns *j)
{
    sm_status st = choose_columns(s, n_rows);
    if (st != SM_OK) {
        return st;
    }
    write_head(s, &j->head);
    j->n_rows = n_rows;
    j->columns = s->arrays;
    j->n_columns = s->n_arrays;
    s->arrays = NULL;
    j->cursors = sm_alloc_array(j->n_columns, sizeof *j->cursors);
    size_t cells = 0;
    for (size_t i = 0; j->cursors && i < j->n_columns; i++) {
        cells += j->columns[i].kind == SM_JSON_GROUPS ? j->columns[i].width : 1;
        st = sm_json_open_reader(&j->cursors[i], s->in.fd, CURSOR_BYTES) ? st : SM_E_NOMEM;
    }
    j->line_capacity = cells * SM_JSON_CELL_BYTES + 2;
    j->line = sm_alloc_array(j->line_capacity, 1);
    return j->line && j->cursors && st == SM_OK && !j->head.failed
               ? SM_OK
               : sm_error_set(s->err, SM_E_NOMEM, s->path, 0, "out of memory");
}

/* As many texts as a row has values. */
static const sm_json_array *names_of(const sm_json_scan *s, const sm_json_array *rows)
{
    for (size_t i = 0; i < s->n_arrays && rows->kind == SM_JSON_GROUPS; i++) {
        const sm_json_array *a = &s->arrays[i];
        if (a->kind == SM_JSON_VALUES && a->words && a->n == rows->width &&
            a->to - a->from < NAMES_BYTES) {
            return a;
        }
    }
    return NULL;
}

/* {"columns": ["t", "ax"], "data": [[0, 1], ...]}: names as the first row. */
static sm_status open_rows(sm_json_scan *s, const sm_json_array *rows, sm_json_columns *j)
{
    j->rows = true;
    j->columns = sm_alloc_array(1, sizeof *j->columns);
    if (!j->columns || !sm_json_open_reader(&j->bare, s->in.fd, SCAN_BYTES)) {
        return sm_error_set(s->err, SM_E_NOMEM, s->path, 0, "out of memory");
    }
    j->columns[0] = *rows;
    j->bare_to = rows->to;
    sm_text_add(&j->head, "[");
    const sm_json_array *names = names_of(s, rows);
    if (names) {
        sm_text_add(&j->head, "[");
        sm_json_seek(&s->in, names->from);
        for (uint64_t k = names->from; k < names->to && sm_json_peek(&s->in) >= 0; k++) {
            char sign = (char)sm_json_take(&s->in);
            sm_text_add_n(&j->head, &sign, 1);
        }
        sm_text_add(&j->head, ",");
    }
    return j->head.failed ? sm_error_set(s->err, SM_E_NOMEM, s->path, 0, "out of memory") : SM_OK;
}

/* A result of ours begins with its schema. */
static bool is_result(int fd)
{
    char head[256] = "";
    ssize_t n = pread(fd, head, sizeof head - 1, 0);
    return n > 0 && strstr(head, "\"schema\"") && strstr(head, "\"stillmount/");
}

static sm_status open_scanned(sm_json_scan *s, sm_json_columns *j)
{
    if (sm_json_peek(&s->in) == 0xef) { /* a BOM */
        (void)sm_json_take(&s->in);
        (void)sm_json_take(&s->in);
        (void)sm_json_take(&s->in);
    }
    sm_status st = sm_json_scan_value(s);
    if (st != SM_OK) {
        return st;
    }
    if (sm_json_peek_solid(&s->in) >= 0) {
        return sm_error_set(s->err, SM_E_FORMAT, s->path, s->in.line,
                            "more stands behind the JSON object that ends here: one log per file; "
                            "split it");
    }
    while (sm_json_fill(&s->in)) { /* to the end of the file */
        s->in.i = s->in.n;
    }
    j->size = sm_json_place(&s->in);
    const sm_json_array *a = longest(s);
    if (!a || a->n < 2) {
        return sm_error_set(s->err, SM_E_FORMAT, s->path, 1,
                            "JSON, but no array of two or more values in it: an array per column, "
                            "or one object or array per row, is expected");
    }
    size_t n = 0;
    bool named = false; /* rows with names beside them */
    for (size_t i = 0; i < s->n_arrays && !named; i++) {
        named = s->arrays[i].n == a->n && names_of(s, &s->arrays[i]);
        a = named ? &s->arrays[i] : a;
    }
    for (size_t i = 0; i < s->n_arrays; i++) {
        n += s->arrays[i].n == a->n && s->arrays[i].kind != SM_JSON_ROWS;
    }
    bool rows = named || a->kind == SM_JSON_ROWS ||
                (a->kind == SM_JSON_GROUPS && (n == 1 || a->width == 0 || a->width > GROUP_MOST));
    return rows ? open_rows(s, a, j) : open_columns(s, a->n, j);
}

sm_status sm_json_columns_open(int fd, const char *path, sm_json_columns **out, sm_error *err)
{
    sm_json_scan s = {.path = path, .err = err};
    sm_json_columns *j = sm_alloc_array(1, sizeof *j);
    s.arrays = sm_alloc_array(SM_MAX_COLUMNS + 1, sizeof *s.arrays);
    s.said = sm_alloc_array(SM_JSON_SAID_MOST, sizeof *s.said);
    sm_status st = SM_OK;
    if (is_result(fd)) {
        st = sm_error_set(err, SM_E_FORMAT, path, 1,
                          "a result that was saved with --json, not a log: name the log; report "
                          "makes the page of a result");
    } else if (!sm_json_open_reader(&s.in, fd, SCAN_BYTES) || !j || !s.arrays || !s.said) {
        st = sm_error_set(err, SM_E_NOMEM, path, 0, "out of memory");
    } else {
        st = open_scanned(&s, j);
    }
    sm_free(s.in.buf);
    sm_free(s.arrays);
    sm_free(s.said);
    if (st != SM_OK) {
        sm_json_columns_close(&j);
        return st;
    }
    sm_json_columns_restart(j);
    *out = j;
    return SM_OK;
}

void sm_json_columns_close(sm_json_columns **j)
{
    if (!*j) {
        return;
    }
    for (size_t i = 0; (*j)->cursors && i < (*j)->n_columns; i++) {
        sm_free((*j)->cursors[i].buf);
    }
    sm_free((*j)->bare.buf);
    sm_free((*j)->cursors);
    sm_free((*j)->columns);
    sm_free((*j)->line);
    sm_text_free(&(*j)->head);
    sm_free(*j);
    *j = NULL;
}

void sm_json_columns_restart(sm_json_columns *j)
{
    j->head_used = 0;
    j->i_row = 0;
    j->line_n = j->line_used = 0;
    j->at = 0;
    if (j->rows) {
        sm_json_seek(&j->bare, j->columns[0].from);
        return;
    }
    for (size_t i = 0; i < j->n_columns; i++) {
        sm_json_seek(&j->cursors[i], j->columns[i].from);
    }
}

uint64_t sm_json_columns_at(const sm_json_columns *j)
{
    return j->at;
}

static void add_cell(sm_json_columns *j, sm_json_reader *r)
{
    char cell[SM_JSON_CELL_BYTES];
    size_t n;
    if (!sm_json_take_scalar(r, cell, sizeof cell, &n) || strcmp(cell, "null") == 0) {
        n = 0;
    }
    memcpy(j->line + j->line_n, cell, n);
    j->line_n += n;
}

/* Takes the mark, if it is what comes next. */
static void take_if(sm_json_reader *r, int mark)
{
    if (sm_json_peek_solid(r) == mark) {
        (void)sm_json_take(r);
    }
}

static void make_line(sm_json_columns *j)
{
    j->line_n = j->line_used = 0;
    for (size_t i = 0; i < j->n_columns; i++) {
        sm_json_reader *r = &j->cursors[i];
        const sm_json_array *a = &j->columns[i];
        char key[SM_JSON_CELL_BYTES];
        size_t n;
        if (i) {
            j->line[j->line_n++] = ',';
        }
        if (a->kind == SM_JSON_KEYED && sm_json_take_scalar(r, key, sizeof key, &n)) {
            take_if(r, ':');
        }
        size_t width = a->kind == SM_JSON_GROUPS ? a->width : 1;
        if (a->kind == SM_JSON_GROUPS) {
            take_if(r, '[');
        }
        for (size_t k = 0; k < width; k++) {
            if (k) {
                j->line[j->line_n++] = ',';
                take_if(r, ',');
            }
            add_cell(j, r);
        }
        if (a->kind == SM_JSON_GROUPS) { /* a longer one: what is too much is passed over */
            (void)sm_json_pass_nested(r, 1);
        }
        take_if(r, ',');
        j->at = sm_json_place(r) > j->at ? sm_json_place(r) : j->at;
    }
    j->line[j->line_n++] = '\n';
    j->i_row++;
}

static ssize_t read_bare(sm_json_columns *j, char *out, size_t room)
{
    sm_json_reader *r = &j->bare;
    uint64_t left = j->bare_to - sm_json_place(r);
    if (left == 0 || !sm_json_fill(r)) {
        j->at = j->size;
        errno = r->failed;
        return r->failed ? -1 : 0;
    }
    size_t n = r->n - r->i;
    n = n < room ? n : room;
    n = n < left ? n : (size_t)left;
    memcpy(out, r->buf + r->i, n);
    r->i += n;
    j->at = sm_json_place(r);
    return (ssize_t)n;
}

ssize_t sm_json_columns_read(sm_json_columns *j, char *out, size_t room)
{
    size_t n = j->head.n - j->head_used;
    if (n > 0) {
        n = n < room ? n : room;
        memcpy(out, j->head.s + j->head_used, n);
        j->head_used += n;
        return (ssize_t)n;
    }
    if (j->rows) {
        return read_bare(j, out, room);
    }
    size_t used = 0;
    while (used < room) {
        if (j->line_used == j->line_n) {
            if (j->i_row == j->n_rows) {
                break;
            }
            make_line(j);
        }
        n = j->line_n - j->line_used;
        n = n < room - used ? n : room - used;
        memcpy(out + used, j->line + j->line_used, n);
        j->line_used += n;
        used += n;
    }
    j->at = used ? j->at : j->size;
    for (size_t i = 0; i < j->n_columns; i++) {
        if (j->cursors[i].failed) {
            errno = j->cursors[i].failed;
            return -1;
        }
    }
    return (ssize_t)used;
}
