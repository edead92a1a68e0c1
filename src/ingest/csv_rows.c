/*
 * The row loop: the only code, with that for plain lines, that touches every byte of a log. No
 * allocation, no locale, one pass; everything odd goes to sm_number_parse.
 */
#include "ingest/csv.h"
#include "ingest/json_rows.h"
#include "ingest/last_line.h"
#include "ingest/plain.h"

#include <math.h>
#include <string.h>

static inline void put(const sm_csv *c, sm_rows *rows, size_t i, int target, double v)
{
    if (target >= 0) {
        const sm_channel *ch = &c->columns->channels[target];
        rows->x[target][i] = v * ch->gain + ch->offset_si;
    } else if (target == SM_TARGET_TIME) {
        rows->stamp[i] = v;
    } else if (target == SM_TARGET_MILLI) {
        rows->stamp[i] += v / 1000;
    }
}

/* A number, in the unit of its column or with a unit of its own that fits. */
static bool read_number(const sm_csv *c, sm_cell cell, int target, double *v)
{
    const sm_unit *own;
    if (!sm_layout_number_unit(cell.s, cell.n, c->layout.decimal, v, &own)) {
        return false;
    }
    const sm_unit *unit = target >= 0 ? c->columns->channels[target].unit : c->columns->time_unit;
    if (own && (!unit || own->quantity != unit->quantity)) {
        return false;
    }
    *v *= own ? own->to_si / unit->to_si : 1;
    return true;
}

/* A cell that is not a plain number: a date, an odd number, words. */
static bool put_cell(sm_csv *c, sm_cell cell, sm_rows *rows, size_t i, int target)
{
    if (target == SM_TARGET_SKIP) {
        return false;
    }
    bool null = c->layout.form == SM_FORM_ARRAYS && cell.n == 4 && memcmp(cell.s, "null", 4) == 0;
    if (cell.n == 0 || null) {
        c->counts->n_empty_cells += target >= 0;
        return false;
    }
    double v = NAN;
    if (target == SM_TARGET_TIME && c->columns->time_kind == SM_TIME_DATE) {
        if (!sm_layout_date(cell.s, cell.n, &v)) {
            v = NAN;
        }
    } else if (!read_number(c, cell, target, &v)) {
        v = NAN;
        c->counts->n_bad_cells++;
        if (c->counts->bad_line == 0) {
            c->counts->bad_line = c->line;
        }
    }
    put(c, rows, i, target, v);
    return !isnan(v);
}

/* A cell that the fast loop could not take: quotes, odd numbers, dates, words. */
static bool odd_cell(sm_csv *c, const char **p, const char *end, sm_rows *rows, size_t i,
                     int target)
{
    sm_cell cell;
    const char *q = *p;
    if (!sm_layout_cell(&q, end, c->layout.delimiter, &cell)) {
        *p = end;
        return false;
    }
    *p = q ? q : end + 1;
    return put_cell(c, cell, rows, i, target);
}

/* Keys mostly come in the order of the columns; one that is not there is passed over. */
static size_t parse_object(sm_csv *c, const char *p, const char *end, const int *target,
                           sm_rows *rows, size_t i)
{
    const sm_layout *l = &c->layout;
    sm_json_walk w = {.p = p, .end = end};
    sm_cell value;
    size_t numbers = 0;
    size_t next = 0;
    while (sm_json_walk_next(&w, &value)) {
        size_t k = next;
        if (k >= l->n_columns || !sm_json_walk_is(&w, l->columns[k].name)) {
            for (k = 0; k < l->n_columns && !sm_json_walk_is(&w, l->columns[k].name);) {
                k++;
            }
        }
        if (k < l->n_columns) {
            numbers += put_cell(c, value, rows, i, target[k]);
            next = k + 1;
        }
    }
    return numbers;
}

/* A time, then blocks: the number of a sensor and its three values. */
static size_t parse_blocks(sm_csv *c, const char *p, const char *end, sm_rows *rows, size_t i,
                           size_t *n_cells)
{
    const sm_blocks *b = &c->layout.blocks;
    const int *target = c->columns->target;
    sm_cell cell;
    size_t numbers = 0;
    *n_cells = 0; /* a line that breaks off inside a block counts as incomplete */
    if (p && sm_layout_cell(&p, end, c->layout.delimiter, &cell)) {
        numbers += put_cell(c, cell, rows, i, target[0]);
    }
    while (p && sm_layout_cell(&p, end, c->layout.delimiter, &cell) && cell.n) {
        double v = -1;
        bool read = sm_number_parse(cell.s, cell.s + cell.n, '.', &v) == cell.s + cell.n;
        size_t k = read ? sm_blocks_of(b, v) : b->n;
        *n_cells = 0;
        for (size_t j = 0; j < SM_BLOCK_VALUES; j++) {
            if (!sm_layout_cell(&p, end, c->layout.delimiter, &cell)) {
                return numbers;
            }
            numbers += k < b->n && put_cell(c, cell, rows, i, target[1 + SM_BLOCK_VALUES * k + j]);
        }
        *n_cells = c->n_used;
    }
    return numbers;
}

/* Returns how many numbers the line gave; *n_cells gets how many used cells it has. */
static size_t parse_row(sm_csv *c, const char *p, const char *end, sm_rows *rows, size_t i,
                        size_t *n_cells)
{
    const int *target = c->columns->target;
    if (c->layout.form == SM_FORM_BLOCKS) {
        return parse_blocks(c, p, end, rows, i, n_cells);
    }
    if (c->tag_target) {
        size_t tag = sm_tags_of(&c->tags, &c->layout, p, end);
        if (tag == c->tags.n) {
            *n_cells = c->n_used;
            return 0;
        }
        target = c->tag_target + tag * c->layout.n_columns;
    }
    if (c->layout.form == SM_FORM_OBJECTS) {
        *n_cells = c->n_used;
        return parse_object(c, p, end, target, rows, i);
    }
    const char delimiter = c->layout.delimiter;
    const char decimal = c->layout.decimal;
    size_t numbers = 0;
    size_t k = 0;
    for (; k < c->n_used && p <= end; k++) {
        while (p < end && (*p == ' ' || (*p == '\t' && delimiter != '\t'))) {
            p++;
        }
        double v;
        const char *q = NULL;
        if (target[k] != SM_TARGET_SKIP && p < end) {
            q = sm_plain_number(p, end, decimal, &v);
        }
        if (q) {
            while (q < end && *q == ' ' && delimiter != ' ') {
                q++;
            }
            if (q == end || *q == delimiter) {
                put(c, rows, i, target[k], v);
                numbers++;
                p = q + 1;
                continue;
            }
        }
        numbers += odd_cell(c, &p, end, rows, i, target[k]);
    }
    *n_cells = k;
    return numbers;
}

static void clear_row(const sm_csv *c, sm_rows *rows, size_t i)
{
    for (size_t k = 0; k < c->columns->n_channels; k++) {
        rows->x[k][i] = NAN;
    }
    rows->stamp[i] = NAN;
}

static bool is_ignorable(const sm_csv *c, const char *p, const char *end)
{
    while (p < end && (*p == ' ' || *p == '\t' || *p == c->layout.delimiter)) {
        p++;
    }
    return p == end;
}

/* Turns the raw stamp of row i into seconds from the first row. */
static void set_stamp(sm_csv *c, sm_rows *rows, size_t i)
{
    switch (c->columns->time_kind) {
    case SM_TIME_NONE:
        rows->stamp[i] = c->clock * c->to_s;
        c->clock++;
        return;
    case SM_TIME_INTERVAL:
        if (isnan(c->stamp0)) {
            c->stamp0 = 0; /* the interval before the first row does not count */
        } else {
            c->clock += isnan(rows->stamp[i]) ? 0 : rows->stamp[i];
        }
        rows->stamp[i] = c->clock * c->to_s;
        return;
    default:
        if (isnan(c->stamp0)) {
            c->stamp0 = rows->stamp[i];
        }
        c->whole = c->whole && rows->stamp[i] == floor(rows->stamp[i]);
        rows->stamp[i] = (rows->stamp[i] - c->stamp0) * c->to_s;
        return;
    }
}

static bool is_trailer(const sm_csv *c, const char *p, const char *end)
{
    while (end > p && end[-1] == ' ') {
        end--;
    }
    size_t n = strlen(c->trailer);
    return n && (size_t)(end - p) == n && memcmp(p, c->trailer, n) == 0;
}

/* A line of words, or a comment. True: it tells what was lost. */
static bool take_losses(sm_csv *c, const char *p, const char *end)
{
    bool rows;
    long lost = sm_layout_lost(p, end, &rows);
    if (lost > 0) {
        *(rows ? &c->counts->n_lost : &c->counts->n_overflows) += lost;
        c->counts->lost_line = c->line;
    }
    return lost >= 0;
}

/* Is a last line without its line end, [p, end) with n_cells used cells, left out? */
static bool leave_out(sm_csv *c, const char *p, const char *end, size_t n_cells)
{
    sm_last_line last = SM_LAST_CUT;
    if (c->layout.form == SM_FORM_ARRAYS || c->layout.form == SM_FORM_OBJECTS) {
        while (end > p && (end[-1] == ' ' || end[-1] == '\t' || end[-1] == '\r')) {
            end--;
        }
        last = end > p && (end[-1] == ']' || end[-1] == '}') ? SM_LAST_WHOLE : SM_LAST_CUT;
    } else if (n_cells >= c->n_used) {
        size_t n;
        const char *before = sm_input_before(c->in, &n);
        bool any = c->tag_target || c->layout.form == SM_FORM_BLOCKS;
        last = sm_last_line_is(&c->layout, before, n, any ? 0 : c->n_used, p, end);
    }
    c->counts->cut_short |= last == SM_LAST_CUT;
    return last != SM_LAST_WHOLE;
}

/* One line into row rows->n, if it is a row. */
static void take_line(sm_csv *c, const char *p, const char *end, bool complete, sm_rows *rows)
{
    const char *line = p;
    const char *line_end = end;
    sm_raw_counts before = *c->counts;
    size_t i = rows->n;
    size_t n_cells = 0;
    while (end > p && end[-1] == '\r') {
        end--;
    }
    if (c->layout.form == SM_FORM_ARRAYS || c->layout.form == SM_FORM_OBJECTS) {
        sm_json_rows_trim(&p, &end);
    } else if ((c->trailer[0] && is_trailer(c, p, end)) ||
               sm_layout_comment(p, end, c->layout.delimiter)) {
        (void)take_losses(c, p, end);
        return;
    }
    clear_row(c, rows, i);
    size_t numbers = end > p ? parse_row(c, p, end, rows, i, &n_cells) : 0;
    if (numbers == 0) {
        bool junk =
            end > p && !is_ignorable(c, p, end) && !take_losses(c, p, end) && !c->tag_target;
        if (junk && !complete && *p && strchr("0123456789+-.\"'", *p)) { /* a number began */
            *c->counts = before;
            c->counts->cut_short = true;
        } else if (junk) {
            c->counts->n_junk_lines++;
            if (c->counts->junk_line == 0) {
                c->counts->junk_line = c->line;
            }
        }
        return;
    }
    if (!complete && leave_out(c, line, line_end, n_cells)) {
        before.cut_short = c->counts->cut_short;
        *c->counts = before; /* what its cells lack is no fault of the log */
        return;
    }
    set_stamp(c, rows, i);
    rows->line[i] = c->line;
    rows->n++;
    c->counts->n_rows++;
    c->counts->last_line = c->line;
}

sm_status sm_csv_next(sm_csv *c, sm_rows *rows, sm_error *err)
{
    rows->n = 0;
    long odd = 0; /* lines in a row that were not plain: tried again after as many more */
    long wait = 0;
    while (rows->n < SM_BLOCK_ROWS) {
        size_t n;
        const char *data = sm_input_data(c->in, &n);
        const char *stop = data + n;
        const char *p = data;
        const char *nl = NULL;
        while (rows->n < SM_BLOCK_ROWS) {
            if (--wait < 0) {
                size_t before = rows->n;
                p = sm_plain_rows(c, p, stop, rows);
                odd = rows->n > before ? 0 : odd + 1;
                wait = odd;
            }
            nl = rows->n < SM_BLOCK_ROWS && p < stop ? memchr(p, '\n', (size_t)(stop - p)) : NULL;
            if (!nl) {
                break;
            }
            take_line(c, p, nl, true, rows);
            c->line++;
            p = nl + 1;
        }
        sm_input_skip(c->in, (size_t)(p - data));
        if (rows->n == SM_BLOCK_ROWS) {
            break;
        }
        if (sm_input_at_end(c->in)) {
            if (p < stop) {
                take_line(c, p, stop, false, rows);
                sm_input_skip(c->in, (size_t)(stop - p));
            }
            break;
        }
        sm_status st = sm_input_more(c->in, err);
        if (st != SM_OK) {
            if (err) {
                err->line = c->line;
            }
            return st;
        }
    }
    return SM_OK;
}
