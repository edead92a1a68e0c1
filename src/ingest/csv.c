/* Opening a text log: enough of its beginning is read to decide what it is. */
#include "ingest/csv.h"

#include "core/alloc.h"
#include "ingest/even_rows.h"
#include "ingest/json_rows.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { LOOK_LINES = 4096 };

/* Reads until LOOK_LINES lines are there, the end, or the buffer is nearly full. */
static sm_status look(sm_input *in, const char **text, size_t *n, sm_error *err)
{
    for (;;) {
        const char *data = sm_input_data(in, n);
        size_t lines = 0;
        for (const char *s = data; lines < LOOK_LINES; lines++) {
            s = memchr(s, '\n', *n - (size_t)(s - data));
            if (!s) {
                break;
            }
            s++;
        }
        *text = data;
        if (lines == LOOK_LINES || sm_input_at_end(in)) {
            break;
        }
        sm_error full = {0};
        sm_status st = sm_input_more(in, lines ? &full : err);
        if (st == SM_E_FORMAT && lines) {
            break; /* long lines: fewer of them will do */
        }
        if (st != SM_OK) {
            if (lines && err) {
                *err = full;
            } else if (err && st == SM_E_FORMAT) {
                err->line = 1; /* the first line has no end */
            }
            return st;
        }
    }
    if (!sm_input_at_end(in)) { /* leave out the piece of a line at the end */
        while (*n && (*text)[*n - 1] != '\n') {
            (*n)--;
        }
    }
    return SM_OK;
}

/* "2020-01-11" without a time of day. */
static bool is_day(sm_cell c, double seconds)
{
    return c.n <= 11 && seconds >= 86400 && fmod(seconds, 86400) == 0;
}

/* A column is a date when the first rows say so; *day: it holds no time of day. */
static bool is_date(const sm_layout *l, const char *text, size_t n, size_t column, bool *day)
{
    const char *s = text + l->data_offset;
    const char *stop = text + n;
    for (int tries = 0; s < stop && tries < 8; tries++) {
        const char *nl = memchr(s, '\n', (size_t)(stop - s));
        const char *end = nl ? nl : stop;
        const char *p = s;
        sm_cell c = {NULL, 0};
        bool there =
            l->form != SM_FORM_OBJECTS || sm_json_rows_value(s, end, l->columns[column].name, &c);
        for (size_t i = 0; i <= column && there && l->form != SM_FORM_OBJECTS; i++) {
            there = sm_layout_cell(&p, end, l->delimiter, &c);
        }
        while (there && c.n && (c.s[c.n - 1] == '\r' || c.s[c.n - 1] == ' ')) {
            c.n--;
        }
        double v;
        if (there && c.n) {
            bool number = sm_layout_number(c.s, c.n, l->decimal, &v);
            bool date = !number && sm_layout_date(c.s, c.n, &v);
            *day = date && is_day(c, v);
            return date;
        }
        s = nl ? nl + 1 : stop;
    }
    return false;
}

/* "TAG NAME", or "TAG N" without a header. */
static void tag_name(const sm_tags *tags, size_t tag, const sm_layout *l, size_t column,
                     char out[96])
{
    if (l->columns[column].name[0]) {
        (void)snprintf(out, 96, "%s %.46s", tags->name[tag], l->columns[column].name);
    } else {
        (void)snprintf(out, 96, "%s %zu", tags->name[tag], column + 1);
    }
}

/* The one value of a tag that is a speed: behind the tag, and no time. */
static size_t speed_column(const sm_csv *c)
{
    size_t column = c->tags.column + 1;
    sm_guess g = {.role = SM_ROLE_TIME};
    while (column + 1 < c->layout.n_columns &&
           (sm_names_guess(c->layout.columns[column].name, NULL, &g), g.role == SM_ROLE_TIME)) {
        column++;
    }
    return column;
}

/* A tag's columns: not the tag itself, and of a speed only the first. */
static bool is_no_value(const sm_csv *c, size_t tag, size_t column)
{
    sm_guess g;
    sm_names_guess(c->tags.name[tag], NULL, &g);
    bool speed = g.role == SM_ROLE_RPM || g.role == SM_ROLE_TACH;
    return column == c->tags.column || (speed && column != speed_column(c));
}

static sm_status columns_of(const sm_csv *c, const char *text, size_t n, const char *path,
                            const sm_channels_file *f, sm_columns *out, sm_error *err)
{
    const sm_layout *l = &c->layout;
    size_t count = l->n_columns * (1 + c->tags.n);
    sm_column_in *in = sm_alloc_array(count, sizeof *in);
    char(*names)[96] = sm_alloc_array(count, sizeof *names);
    if (!in || !names) {
        sm_free(in);
        sm_free(names);
        return sm_error_set(err, SM_E_NOMEM, path, 0, "out of memory");
    }
    for (size_t i = 0; i < count; i++) {
        size_t column = i % l->n_columns;
        const char *name = l->columns[column].name;
        if (i >= l->n_columns) {
            tag_name(&c->tags, i / l->n_columns - 1, l, column, names[i]);
            name = names[i];
        }
        in[i] = (sm_column_in){.name = name, .unit_row = l->columns[column].unit_row};
        in[i].is_date = i < l->n_columns && is_date(l, text, n, i, &in[i].is_day);
        in[i].only_time =
            c->tags.n && (i < l->n_columns || is_no_value(c, i / l->n_columns - 1, column));
        in[i].in_array = l->form == SM_FORM_OBJECTS;
    }
    sm_status st = sm_columns_find(in, count, path, l->has_header ? l->header_line : l->data_line,
                                   f, out, err);
    sm_free(names);
    sm_free(in);
    return st;
}

/* For each tag: the time and the columns that are this tag's. */
static sm_status tag_targets(sm_csv *c, const char *path, sm_error *err)
{
    size_t n = c->layout.n_columns;
    const int *target = c->columns->target;
    if (c->tags.n == 0) {
        return SM_OK;
    }
    c->tag_target = sm_alloc_array(c->tags.n * n, sizeof *c->tag_target);
    if (!c->tag_target) {
        return sm_error_set(err, SM_E_NOMEM, path, 0, "out of memory");
    }
    for (size_t i = 0; i < c->tags.n * n; i++) {
        c->tag_target[i] = target[i % n] != SM_TARGET_SKIP ? target[i % n] : target[n + i];
    }
    return SM_OK;
}

/* "Rate 1000, overflows 0" behind the rows. */
static void look_at_trailer(sm_csv *c)
{
    char tail[256];
    size_t n = sm_input_tail(c->in, tail, sizeof tail);
    while (n && (tail[n - 1] == '\n' || tail[n - 1] == '\r' || tail[n - 1] == ' ')) {
        n--;
    }
    size_t from = n;
    while (from && tail[from - 1] != '\n') {
        from--;
    }
    double v;
    bool words = n > from && !sm_number_parse(tail + from, tail + n, '.', &v);
    double rate = words ? sm_layout_rate(tail + from, tail + n) : 0;
    if (rate > 0 && n - from < sizeof c->trailer) {
        c->trailer_rate_hz = rate;
        memcpy(c->trailer, tail + from, n - from);
    }
}

static sm_status decide_rate(const sm_csv *c, const char *path, const sm_channels_file *f,
                             sm_raw_info *info, sm_error *err)
{
    const sm_layout *l = &c->layout;
    sm_time_kind time_kind = info->columns.time_kind;
    info->nominal_rate_hz = f->nominal_rate_hz;
    info->rate_from = "";
    info->exact_clock = time_kind == SM_TIME_NONE || time_kind == SM_TIME_COUNTER;
    if (f->rate_hz > 0) {
        info->rate_hz = f->rate_hz;
        info->rate_from = "the channels file";
    } else if (info->exact_clock && l->rate_hz > 0) {
        info->rate_hz = l->rate_hz;
        info->rate_from = "a comment in the log";
    } else if (info->exact_clock && c->trailer_rate_hz > 0) {
        info->rate_hz = c->trailer_rate_hz;
        info->rate_from = "the last line of the log";
    } else if (l->rate_hz > 0 && info->nominal_rate_hz == 0) {
        info->nominal_rate_hz = l->rate_hz;
    }
    if (info->exact_clock && info->rate_hz == 0 && !f->filling) {
        return sm_error_set(err, SM_E_FORMAT, path, l->has_header ? l->header_line : l->data_line,
                            "no time column and no sampling rate; write in a channels file: [log] "
                            "and below it: rate_hz = the logger's rate");
    }
    return SM_OK;
}

static void describe(const sm_layout *l, bool columns, bool tagged, const sm_raw_info *info,
                     sm_text *out)
{
    static const char *const kinds[] = {"rows are counted",          "stamps",
                                        "time since the row before", "a counter of rows",
                                        "date and time of day",      ""};
    const char *mark = l->delimiter == ','    ? "comma"
                       : l->delimiter == ';'  ? "semicolon"
                       : l->delimiter == '\t' ? "tab"
                       : l->delimiter == '|'  ? "bar"
                                              : "blanks";
    if (columns) {
        sm_text_add(out, "JSON, one array per column, lines are numbered as if it had one row per "
                         "line, ");
    } else if (l->form == SM_FORM_ARRAYS || l->form == SM_FORM_OBJECTS) {
        sm_text_addf(out, "JSON, one %s per row, ",
                     l->form == SM_FORM_OBJECTS ? "object" : "array or value");
    } else {
        sm_text_addf(out, "text, %s between cells, decimal %s, ", mark,
                     l->decimal == ',' ? "comma" : "point");
    }
    if (l->has_header) {
        sm_text_addf(out, "names in line %ld, ", l->header_line);
    } else {
        sm_text_add(out, "no names, ");
    }
    sm_text_addf(out, "first row in line %ld\n", l->data_line);
    const sm_columns *c = &info->columns;
    if (tagged) {
        sm_text_add(out, "one row per sensor sample: each sensor has columns of its own\n");
    }
    for (size_t i = 0; i < l->blocks.n; i++) {
        char name[48];
        sm_blocks_name(&l->blocks, i, 0, name, sizeof name);
        sm_text_addf(out, "the three values behind %d are '%s', y and z\n", l->blocks.number[i],
                     name);
    }
    if (c->time_kind == SM_TIME_NONE) {
        sm_text_add(out, "no time column: rows are counted");
    } else {
        sm_text_addf(out, "time: column '%s', %s", c->time_column, kinds[c->time_kind]);
        if (c->time_unit && c->time_kind != SM_TIME_DATE) {
            sm_text_addf(out, " in %s", c->time_unit->name);
        }
    }
    if (info->rate_hz > 0) {
        sm_text_add(out, ", ");
        sm_text_add_number(out, info->rate_hz, 9);
        sm_text_addf(out, " Hz from %s", info->rate_from);
    }
    sm_text_add(out, "\n");
}

/* Day numbers of spreadsheets from 1954 to 2119, if they tell rows apart. */
static bool are_days(double first, double step)
{
    double rate = 1 / (step * 86400);
    return first > 20000 && first < 80000 && step < 0.1 && rate >= 1 && rate <= 50e3;
}

/* Stamps of the first rows in their own unit. */
typedef struct steps {
    double first;
    double step;    /* between different stamps */
    double per_row; /* over all rows */
} steps;

static sm_status look_at_steps(sm_csv *c, const char *path, const sm_raw_info *info, steps *out,
                               sm_error *err)
{
    sm_rows rows = {0};
    if (sm_rows_open(&rows, info->columns.n_channels) != SM_OK) {
        return sm_error_set(err, SM_E_NOMEM, path, 0, "out of memory");
    }
    c->to_s = 1;
    sm_status st = sm_csv_next(c, &rows, err);
    out->first = c->stamp0;
    double step[SM_BLOCK_ROWS];
    size_t n = 0;
    for (size_t i = 1; st == SM_OK && i < rows.n; i++) {
        double d = rows.stamp[i] - rows.stamp[i - 1];
        if (d > 0) {
            step[n++] = d;
        }
    }
    out->per_row = rows.n > 1 ? rows.stamp[rows.n - 1] / (double)(rows.n - 1) : 1;
    sm_rows_close(&rows);
    double sum = 0; /* mean of the middle half: bursts and gaps do not matter by a factor of 1000 */
    for (size_t i = 0; i < n; i++) {
        sum += step[i] < 50 * step[0] ? step[i] : 0;
    }
    out->step = n ? sum / (double)n : 0;
    return st;
}

/* methods 2.1: of s, ms, us, ns only one may give a rate from 20 Hz to 50 kHz; an epoch decides. */
static sm_status infer_unit(sm_csv *c, const char *path, sm_raw_info *info, sm_error *err)
{
    steps look = {0};
    sm_status st = look_at_steps(c, path, info, &look, err);
    if (st != SM_OK) {
        return st;
    }
    double first = look.first;
    double step = look.step;
    static const struct {
        const char *unit;
        double to_s;
        double epoch; /* 2001 in this unit */
    } choice[] = {{"s", 1, 1e9}, {"ms", 1e-3, 1e12}, {"us", 1e-6, 1e15}, {"ns", 1e-9, 1e18}};
    int best = -1;
    int n_fit = 0;
    if (are_days(first, step)) {
        info->columns.time_unit = sm_unit_find("d");
        sm_text_add(&info->columns.decided, "time unit d: day numbers of a spreadsheet\n");
        return SM_OK;
    }
    for (int i = 0; i < 4 && step > 0; i++) {
        double rate = 1 / (step * choice[i].to_s);
        if (rate >= 20 && rate <= 50e3) {
            n_fit++;
            best = i;
        }
        bool epoch = first > choice[i].epoch && first < 4 * choice[i].epoch;
        if (epoch && rate >= 1 && rate <= 50e3) {
            best = i;
            n_fit = 1;
            break;
        }
    }
    bool no_clock = n_fit != 1 || look.per_row < 1e-6; /* no sensor: check_rate() */
    if (no_clock && first > 20000 && first < 80000 &&
        (first != floor(first) || (step > 0 && step < 0.01))) {
        return sm_error_set(err, SM_E_FORMAT, path, c->layout.header_line,
                            "time column '%s' looks like day numbers of a spreadsheet, too coarse "
                            "to tell rows apart: export it with more decimals (ten show 0.01 ms), "
                            "or write in a channels file: [column %s], role = ignore, and [log], "
                            "rate_hz = the logger's rate; if it is no day, unit = s or ms",
                            info->columns.time_column, info->columns.time_column);
    }
    if (n_fit != 1) {
        return sm_error_set(err, SM_E_FORMAT, path, c->layout.header_line,
                            "time column '%s' has no unit, and its steps (about %g) fit %s; write "
                            "in a channels file: [column %s] and below it: unit = s, ms, us or ns",
                            info->columns.time_column, step,
                            n_fit ? "more than one" : "no likely rate", info->columns.time_column);
    }
    info->columns.time_unit = sm_unit_find(choice[best].unit);
    sm_text_addf(&info->columns.decided, "time unit %s, from the size of the steps\n",
                 choice[best].unit);
    return SM_OK;
}

static sm_status finish(sm_csv *c, const char *path, const sm_channels_file *f, sm_raw_info *info,
                        sm_error *err)
{
    sm_status st = decide_rate(c, path, f, info, err);
    if (st != SM_OK) {
        return st;
    }
    bool stamps = !info->exact_clock && info->columns.time_kind != SM_TIME_DATE;
    if (stamps && !info->columns.time_unit) {
        st = infer_unit(c, path, info, err);
        if (st == SM_E_FORMAT && f->filling) {
            info->columns.time_unit = sm_channels_file_unknown(SM_QUANTITY_TIME);
            st = SM_OK;
        }
        if (st == SM_OK) {
            st = sm_csv_rewind(c, err);
        }
    }
    if (st != SM_OK) {
        return st;
    }
    info->stamp_to_s = stamps              ? info->columns.time_unit->to_si
                       : info->exact_clock ? 1 / info->rate_hz
                                           : 1;
    c->to_s = info->stamp_to_s;
    sm_text head = {0};
    describe(&c->layout, sm_input_is_columns(c->in), c->tags.n > 0, info, &head);
    sm_text_add(&head, info->columns.decided.s ? info->columns.decided.s : "");
    sm_text_free(&info->columns.decided);
    info->columns.decided = head;
    return head.failed ? sm_error_set(err, SM_E_NOMEM, path, 0, "out of memory") : SM_OK;
}

sm_status sm_csv_open(sm_input *in, const sm_channels_file *f, sm_raw_info *info,
                      sm_raw_counts *counts, sm_csv *out, sm_error *err)
{
    const char *path = sm_input_path(in);
    const char *text;
    size_t n;
    sm_csv c = {.in = in, .columns = &info->columns, .counts = counts, .stamp0 = NAN};
    c.layout.delimiter = f->delimiter;
    c.layout.decimal = f->decimal;
    c.layout.by_number = sm_channels_file_by_number(f);
    sm_status st = sm_json_rows_look(in, &c.layout.form, err);
    if (st == SM_OK && sm_input_is_columns(in) && c.layout.form == SM_FORM_CELLS) {
        c.layout.delimiter = ','; /* as json_columns.c writes it */
        c.layout.decimal = '.';
    }
    if (st == SM_OK) {
        st = look(in, &text, &n, err);
    }
    if (st == SM_OK) {
        st = sm_layout_find(text, n, path, &c.layout, err);
    }
    if (st == SM_OK) {
        if (c.layout.form == SM_FORM_CELLS || c.layout.form == SM_FORM_OBJECTS) {
            sm_tags_find(&c.layout, text, n, &c.tags);
        }
        look_at_trailer(&c);
        st = columns_of(&c, text, n, path, f, &info->columns, err);
    }
    if (st == SM_OK) {
        st = tag_targets(&c, path, err);
    }
    if (st == SM_OK) {
        for (size_t i = 0; i < info->columns.n_columns; i++) {
            size_t column = i % c.layout.n_columns;
            if (info->columns.target[i] != SM_TARGET_SKIP && column >= c.n_used) {
                c.n_used = column + 1;
            }
        }
        st = sm_csv_rewind(&c, err);
    }
    if (st == SM_OK) {
        st = finish(&c, path, f, info, err);
    }
    if (st == SM_OK && sm_even_open(&c.even) != SM_OK) {
        st = sm_error_set(err, SM_E_NOMEM, path, 0, "out of memory");
    }
    if (st == SM_OK) {
        *out = c;
    } else {
        sm_csv_close(&c);
    }
    return st;
}

sm_status sm_csv_rewind(sm_csv *c, sm_error *err)
{
    sm_status st = sm_input_rewind(c->in, err);
    if (st == SM_OK) {
        size_t n;
        (void)sm_input_data(c->in, &n);
        while (st == SM_OK && n < c->layout.data_offset && !sm_input_at_end(c->in)) {
            st = sm_input_more(c->in, err);
            (void)sm_input_data(c->in, &n);
        }
        sm_input_skip(c->in, n < c->layout.data_offset ? n : c->layout.data_offset);
    }
    c->line = c->layout.data_line;
    c->stamp0 = NAN;
    c->clock = 0;
    c->whole = true;
    *c->counts = (sm_raw_counts){.n_lost = c->layout.n_lost,
                                 .n_overflows = c->layout.n_overflows,
                                 .lost_line = c->layout.lost_line};
    return st;
}

void sm_csv_close(sm_csv *c)
{
    sm_free(c->tag_target);
    c->tag_target = NULL;
    sm_even_close(&c->even);
    sm_layout_free(&c->layout);
}
