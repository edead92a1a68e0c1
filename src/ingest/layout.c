/*
 * Sniffing. The delimiter is the one under which most cells of later lines are numbers; the header
 * is the last line of words before the first line of numbers.
 */
#include "ingest/layout.h"

#include "core/alloc.h"
#include "core/util.h"
#include "ingest/json_rows.h"
#include "ingest/names.h"
#include "ingest/other_kind.h"

#include <stdio.h>
#include <string.h>
#include <strings.h>

enum { MAX_LINES = 4096, SAMPLE_LINES = 64 };

typedef struct line {
    const char *s;
    const char *end; /* without CR and LF */
} line;

typedef struct shape {
    size_t n_cells;
    size_t n_numbers; /* numbers and dates */
    size_t n_words;
} shape;

static bool is_blank(char c)
{
    return c == ' ' || c == '\t';
}

const char *sm_layout_comment(const char *s, const char *end, char delimiter)
{
    while (s < end && is_blank(*s)) {
        s++;
    }
    if (s < end && (*s == '#' || *s == '%' || (*s == ';' && delimiter != ';'))) {
        while (s < end && (*s == '#' || *s == '%' || *s == ';')) {
            s++;
        }
        return s;
    }
    return end - s >= 2 && s[0] == '/' && s[1] == '/' ? s + 2 : NULL;
}

/* A quoted cell: returns the end of its content, *p moves behind the closing quote. */
static const char *quoted(const char **p, const char *end, char quote)
{
    const char *q = *p;
    while (q < end) {
        if (*q == quote) {
            if (q + 1 < end && q[1] == quote) {
                q += 2;
                continue;
            }
            *p = q + 1;
            return q;
        }
        q++;
    }
    *p = end;
    return end;
}

bool sm_layout_cell(const char **p, const char *end, char delimiter, sm_cell *out)
{
    const char *s = *p;
    if (!s) {
        return false;
    }
    while (s < end && (*s == ' ' || (*s == '\t' && delimiter != '\t'))) {
        s++;
    }
    if (delimiter == ' ' && s == end) {
        *p = NULL;
        return false;
    }
    const char *stop;
    if (s < end && (*s == '"' || *s == '\'')) {
        const char *q = s + 1;
        out->s = q;
        const char *close = quoted(&q, end, *s);
        out->n = (size_t)(close - out->s);
        while (q < end && (delimiter == ' ' ? !is_blank(*q) : *q != delimiter)) {
            q++;
        }
        stop = q;
    } else if (delimiter == ' ') {
        stop = s;
        while (stop < end && !is_blank(*stop)) {
            stop++;
        }
        *out = (sm_cell){s, (size_t)(stop - s)};
    } else {
        stop = memchr(s, delimiter, (size_t)(end - s));
        stop = stop ? stop : end;
        *out = (sm_cell){s, (size_t)(stop - s)};
    }
    while (out->n && is_blank(out->s[out->n - 1])) {
        out->n--;
    }
    *p = stop < end ? stop + 1 : NULL;
    return true;
}

static bool is_number(const char *s, size_t n, char decimal)
{
    double v;
    const sm_unit *unit;
    return sm_layout_number_unit(s, n, decimal, &v, &unit) || (n && sm_layout_date(s, n, &v));
}

/* Is nothing left between a closing quote and the mark before p? Else the mark is the wrong one. */
static bool stands_alone(sm_cell c, const char *p, const char *end)
{
    const char *stop = p ? p - 1 : end;
    const char *s = c.s + c.n;
    while (s < stop && (is_blank(*s) || *s == '"' || *s == '\'')) {
        s++;
    }
    return s == stop;
}

static shape measure(line l, char delimiter, char decimal)
{
    shape out = {0};
    const char *p = l.s;
    sm_cell c;
    while (sm_layout_cell(&p, l.end, delimiter, &c)) {
        out.n_cells++;
        if (c.n) {
            bool number = is_number(c.s, c.n, decimal) && stands_alone(c, p, l.end);
            out.n_numbers += number;
            out.n_words += !number;
        }
    }
    return out;
}

static size_t split_lines(const char *text, size_t n, bool json, line *lines, size_t most)
{
    size_t count = 0;
    const char *s = text;
    const char *stop = text + n;
    if (n >= 3 && memcmp(s, "\xef\xbb\xbf", 3) == 0) {
        s += 3;
    }
    while (s < stop && count < most) {
        const char *nl = memchr(s, '\n', (size_t)(stop - s));
        const char *end = nl ? nl : stop;
        const char *trimmed = end;
        while (trimmed > s && trimmed[-1] == '\r') {
            trimmed--;
        }
        lines[count] = (line){s, trimmed};
        if (json) {
            sm_json_rows_trim(&lines[count].s, &lines[count].end);
        }
        count++;
        s = nl ? nl + 1 : stop;
    }
    return count;
}

static bool is_empty(line l)
{
    for (const char *s = l.s; s < l.end; s++) {
        if (!is_blank(*s)) {
            return false;
        }
    }
    return true;
}

/* Typical row: medians of the later lines under one delimiter, and how numeric they are. */
static shape typical(const line *lines, size_t n, char delimiter, char decimal, double *numeric)
{
    size_t numbers[SAMPLE_LINES];
    size_t cells[SAMPLE_LINES];
    size_t words[SAMPLE_LINES];
    size_t count = 0;
    size_t all_numbers = 0;
    size_t all_words = 0;
    /* from the end backwards, without the last line, which may be cut short */
    for (size_t i = n > 3 ? n - 1 : n; i-- > 0 && count < SAMPLE_LINES;) {
        if (is_empty(lines[i]) || sm_layout_comment(lines[i].s, lines[i].end, delimiter)) {
            continue;
        }
        shape s = measure(lines[i], delimiter, decimal);
        size_t at = count++;
        while (at > 0 && numbers[at - 1] > s.n_numbers) {
            numbers[at] = numbers[at - 1];
            cells[at] = cells[at - 1];
            words[at] = words[at - 1];
            at--;
        }
        numbers[at] = s.n_numbers;
        cells[at] = s.n_cells;
        words[at] = s.n_words;
        all_numbers += s.n_numbers;
        all_words += s.n_words;
    }
    *numeric =
        all_numbers + all_words ? (double)all_numbers / (double)(all_numbers + all_words) : 0;
    return count ? (shape){cells[count / 2], numbers[count / 2], words[count / 2]} : (shape){0};
}

static shape choose_delimiter(const line *lines, size_t n, sm_layout *out)
{
    static const char marks[][2] = {{',', '.'}, {';', '.'}, {'\t', '.'}, {';', ','}, {'\t', ','},
                                    {' ', '.'}, {' ', ','}, {'|', '.'},  {'|', ','}, {',', ','}};
    shape best = {0};
    double best_numeric = -1;
    char delimiter = out->delimiter;
    char decimal = out->decimal;
    for (size_t i = 0; i < sizeof marks / sizeof marks[0]; i++) {
        if ((delimiter && delimiter != marks[i][0]) || (decimal && decimal != marks[i][1])) {
            continue;
        }
        double numeric;
        shape s = typical(lines, n, marks[i][0], marks[i][1], &numeric);
        bool better = numeric > best_numeric + 0.02 ||
                      (numeric > best_numeric - 0.02 && s.n_numbers > best.n_numbers);
        if (better) {
            best = s;
            best_numeric = numeric;
            out->delimiter = marks[i][0];
            out->decimal = marks[i][1];
        }
    }
    return best;
}

static bool is_row(line l, const sm_layout *out, shape row)
{
    if (is_empty(l) || sm_layout_comment(l.s, l.end, out->delimiter)) {
        return false;
    }
    shape s = measure(l, out->delimiter, out->decimal);
    return s.n_numbers >= 1 && s.n_words <= row.n_words &&
           (2 * s.n_numbers >= row.n_numbers || s.n_cells == row.n_cells);
}

static size_t first_row(const line *lines, size_t n, const sm_layout *out, shape row)
{
    for (size_t i = 0; i < n; i++) {
        if (!is_row(lines[i], out, row)) {
            continue;
        }
        size_t more = 0;
        size_t seen = 0;
        for (size_t k = i + 1; k < n && seen < 2; k++) {
            if (!is_empty(lines[k]) &&
                !sm_layout_comment(lines[k].s, lines[k].end, out->delimiter)) {
                seen++;
                more += is_row(lines[k], out, row);
            }
        }
        if (more == seen) {
            return i;
        }
    }
    return n;
}

/* "rate" and the like, a few signs, a number. */
double sm_layout_rate(const char *from, const char *end)
{
    static const char *const words[] = {"rate", "sampling frequency", "sample frequency"};
    double rate = 0;
    for (const char *s = from; s < end; s++) {
        for (size_t k = 0; k < sizeof words / sizeof words[0]; k++) {
            size_t n = strlen(words[k]);
            if ((size_t)(end - s) < n || strncasecmp(s, words[k], n) != 0) {
                continue;
            }
            const char *p = s + n;
            while (p < end && *p && strchr(" \t=:_(,;\"Hhz)[]", *p)) {
                p++;
            }
            double v;
            if (p < end && sm_number_parse(p, end, '.', &v) && v >= 1 && v <= 1e6) {
                rate = v;
            }
        }
    }
    return rate;
}

static void copy_cell(sm_cell c, char *out, size_t capacity)
{
    char utf8[256];
    if (!sm_text_is_utf8(c.s, c.n)) { /* "m/s\xb2": one byte per sign, as older programs write */
        size_t n = 0;
        for (size_t i = 0; i < c.n && n + 2 <= sizeof utf8; i++) {
            unsigned char b = (unsigned char)c.s[i];
            if (b >= 0x80) {
                utf8[n++] = (char)(0xc0 | (b >> 6));
                b = 0x80 | (b & 0x3f);
            }
            utf8[n++] = (char)b;
        }
        c = (sm_cell){utf8, n};
    }
    char plain[256];
    size_t n_plain = 0;
    for (size_t i = 0; i < c.n && n_plain < sizeof plain;) {
        size_t blank = sm_layout_odd_blank(c.s + i, c.s + c.n);
        plain[n_plain++] = blank ? ' ' : c.s[i];
        i += blank ? blank : 1;
    }
    c = (sm_cell){plain, n_plain};
    while (c.n && is_blank(*c.s)) {
        c.s++;
        c.n--;
    }
    while (c.n && is_blank(c.s[c.n - 1])) {
        c.n--;
    }
    /* "%float(RawGyroX)": a format string as header */
    if (c.n > 3 && c.s[0] == '%' && c.s[c.n - 1] == ')') {
        const char *open = memchr(c.s, '(', c.n);
        if (open) {
            c.n -= (size_t)(open + 2 - c.s);
            c.s = open + 1;
        }
    }
    sm_text_inert(c.s, c.n, out, capacity);
}

static size_t count_cells(line l, char delimiter)
{
    const char *p = l.s;
    sm_cell c;
    size_t n = 0;
    while (sm_layout_cell(&p, l.end, delimiter, &c)) {
        n++;
    }
    return n;
}

static void take_names(line l, sm_layout *out)
{
    const char *p = l.s;
    sm_cell c;
    for (size_t i = 0; i < out->n_columns && sm_layout_cell(&p, l.end, out->delimiter, &c); i++) {
        copy_cell(c, out->columns[i].name, sizeof out->columns[i].name);
    }
}

/* Puts the group of the row above before each name; a group holds until the next one. */
static void join_groups(line l, sm_layout *out)
{
    const char *p = l.s;
    sm_cell c;
    char group[64] = "";
    for (size_t i = 0; i < out->n_columns; i++) {
        if (sm_layout_cell(&p, l.end, out->delimiter, &c) && c.n) {
            copy_cell(c, group, sizeof group);
        }
        char joined[192];
        char *name = out->columns[i].name;
        (void)snprintf(joined, sizeof joined, "%s%s%s", group, group[0] && name[0] ? " " : "",
                       name);
        (void)snprintf(name, sizeof out->columns[i].name, "%.95s", joined);
    }
}

static bool names_repeat(const sm_layout *out)
{
    for (size_t i = 0; i < out->n_columns; i++) {
        for (size_t k = i + 1; k < out->n_columns && k < 64; k++) {
            if (out->columns[i].name[0] &&
                strcmp(out->columns[i].name, out->columns[k].name) == 0) {
                return true;
            }
        }
    }
    return false;
}

static bool is_units_row(line l, char delimiter)
{
    const char *p = l.s;
    sm_cell c;
    size_t units = 0;
    size_t words = 0;
    while (sm_layout_cell(&p, l.end, delimiter, &c)) {
        char cell[64];
        copy_cell(c, cell, sizeof cell);
        if (cell[0] && strcmp(cell, "-") != 0) {
            words++;
            units += sm_names_is_unit(cell);
        }
    }
    return words && 2 * units > words;
}

static void take_units(line l, sm_layout *out)
{
    const char *p = l.s;
    sm_cell c;
    for (size_t i = 0; i < out->n_columns && sm_layout_cell(&p, l.end, out->delimiter, &c); i++) {
        copy_cell(c, out->columns[i].unit_row, sizeof out->columns[i].unit_row);
    }
}

/* "|---|---|", "=====": a rule under the names. */
static bool is_rule(line l)
{
    const char *s = l.s;
    while (s < l.end && *s && strchr("-=|+: \t", *s)) {
        s++;
    }
    return s == l.end;
}

/* Lines of words above the first row, over comments or not: units row, names, groups. */
static void header_from_words(const line *lines, size_t i_first, size_t n_cells, bool over_comments,
                              sm_layout *out)
{
    size_t above[3];
    size_t n = 0;
    for (size_t i = i_first; i-- > 0 && n < 3;) {
        bool comment = sm_layout_comment(lines[i].s, lines[i].end, out->delimiter) != NULL;
        if (is_rule(lines[i]) || (comment && over_comments && n == 0)) {
            continue;
        }
        if (comment) {
            break;
        }
        if (2 * count_cells(lines[i], out->delimiter) < n_cells) {
            break;
        }
        above[n++] = i;
    }
    size_t k = 0;
    if (n > 1 && is_units_row(lines[above[0]], out->delimiter)) {
        take_units(lines[above[0]], out);
        k = 1;
    }
    if (k < n) {
        take_names(lines[above[k]], out);
        out->has_header = true;
        out->header_line = (long)above[k] + 1;
        if (k + 1 < n && names_repeat(out)) {
            join_groups(lines[above[k + 1]], out);
        }
    }
}

/* The last comment with as many cells as a row has, one of them a known name. */
static void header_from_comments(const line *lines, size_t i_first, size_t n_cells, sm_layout *out)
{
    for (size_t i = i_first; i-- > 0;) {
        const char *s = sm_layout_comment(lines[i].s, lines[i].end, out->delimiter);
        line l = {s, lines[i].end};
        const char *colon = s ? memchr(s, ':', (size_t)(l.end - s)) : NULL;
        for (int pass = 0; s && pass < 2; pass++) {
            l.s = pass ? s : colon ? colon + 1 : l.end;
            while (l.s < l.end && (is_blank(*l.s) || *l.s == '"')) {
                l.s++;
            }
            while (l.end > l.s && (is_blank(l.end[-1]) || l.end[-1] == '"')) {
                l.end--;
            }
            size_t cells = count_cells(l, out->delimiter);
            if (n_cells < 2 || cells < n_cells || cells > n_cells + 1) {
                continue;
            }
            take_names(l, out);
            for (size_t k = 0; k < out->n_columns; k++) {
                sm_guess g;
                sm_names_guess(out->columns[k].name, NULL, &g);
                out->has_header |= g.role != SM_ROLE_IGNORE;
            }
            out->header_line = (long)i + 1;
            if (out->has_header) {
                return;
            }
            memset(out->columns, 0, out->n_columns * sizeof *out->columns);
        }
    }
}

/*
 * Decimal commas between commas: rows of many more cells than there are names, none with a point.
 * Nobody could say which belong together.
 */
static bool has_split_numbers(const line *lines, size_t n, const sm_layout *out)
{
    size_t names = 0;
    for (size_t i = 0; i < out->n_columns; i++) {
        names = out->columns[i].name[0] ? i + 1 : names;
    }
    size_t rows = 0;
    for (size_t i = 0; i + 1 < n && rows < SAMPLE_LINES; i++) {
        if (is_empty(lines[i])) {
            continue;
        }
        shape s = measure(lines[i], out->delimiter, out->decimal);
        if (2 * (s.n_numbers + s.n_words) <= 3 * names ||
            memchr(lines[i].s, '.', (size_t)(lines[i].end - lines[i].s))) {
            return false;
        }
        rows++;
    }
    return names >= 2 && rows > 0;
}

/* Are the rows blocks behind numbers? The last line may be cut short. */
static sm_status find_blocks(const line *lines, size_t n, const char *source, sm_layout *out,
                             sm_error *err)
{
    sm_blocks b = {0};
    size_t rows = 0;
    for (size_t i = 0; i + 1 < n && rows < SAMPLE_LINES; i++) {
        if (is_empty(lines[i])) {
            continue;
        }
        if (!sm_blocks_add(&b, lines[i].s, lines[i].end, out->delimiter)) {
            return SM_OK;
        }
        rows++;
    }
    if (rows < 2 || sm_blocks_of(&b, 3) == b.n) {
        return SM_OK;
    }
    sm_layout_column *columns = sm_alloc_array(1 + SM_BLOCK_VALUES * b.n, sizeof *columns);
    if (!columns) {
        return sm_error_set(err, SM_E_NOMEM, source, 0, "out of memory");
    }
    (void)snprintf(columns[0].name, sizeof columns[0].name, "time");
    for (size_t i = 0; i < SM_BLOCK_VALUES * b.n; i++) {
        sm_blocks_name(&b, i / SM_BLOCK_VALUES, i % SM_BLOCK_VALUES, columns[1 + i].name,
                       sizeof columns[1 + i].name);
    }
    sm_free(out->columns);
    out->columns = columns;
    out->n_columns = 1 + SM_BLOCK_VALUES * b.n;
    out->blocks = b;
    out->form = SM_FORM_BLOCKS;
    return SM_OK;
}

static void add_key(const sm_json_walk *w, sm_layout *out)
{
    char name[sizeof out->columns[0].name];
    sm_json_walk_name(w, name, sizeof name);
    for (size_t i = 0; i < out->n_columns; i++) {
        if (strcmp(out->columns[i].name, name) == 0) {
            return;
        }
    }
    if (out->n_columns < SM_MAX_COLUMNS) {
        memcpy(out->columns[out->n_columns++].name, name, sizeof name);
    }
}

/* Every key of the first rows is a column. */
static sm_status find_in_objects(const line *lines, size_t n, const char *text, const char *source,
                                 sm_layout *out, sm_error *err)
{
    out->delimiter = ',';
    out->decimal = '.';
    out->columns = sm_alloc_array(SM_MAX_COLUMNS, sizeof *out->columns);
    if (!out->columns) {
        return sm_error_set(err, SM_E_NOMEM, source, 0, "out of memory");
    }
    for (size_t i = 0; i < n && i < SAMPLE_LINES; i++) {
        sm_json_walk w = {.p = lines[i].s, .end = lines[i].end};
        sm_cell value;
        while (sm_json_walk_next(&w, &value)) {
            if (!out->has_header) {
                out->has_header = true;
                out->header_line = out->data_line = (long)i + 1;
                out->data_offset = (size_t)(lines[i].s - text);
            }
            add_key(&w, out);
        }
    }
    return out->has_header
               ? SM_OK
               : sm_error_set(err, SM_E_FORMAT, source, 1,
                              "JSON, but no row of it is an object with names and numbers");
}

static sm_status find_in_lines(const line *lines, size_t n, const char *text, const char *source,
                               sm_layout *out, sm_error *err)
{
    if (out->form == SM_FORM_OBJECTS) {
        return find_in_objects(lines, n, text, source, out, err);
    }
    if (out->form == SM_FORM_ARRAYS) {
        out->delimiter = ',';
        out->decimal = '.';
    }
    shape row = choose_delimiter(lines, n, out);
    size_t i_first = row.n_numbers ? first_row(lines, n, out, row) : n;
    if (i_first == n) {
        return sm_error_set(err, SM_E_FORMAT, source, n ? (long)n : 1,
                            "no row of numbers in the first %zu lines: this is not a log that can "
                            "be read (CSV with one row per sample is expected)",
                            n);
    }
    out->data_offset = (size_t)(lines[i_first].s - text);
    out->data_line = (long)i_first + 1;
    shape first = measure(lines[i_first], out->delimiter, out->decimal);
    out->n_columns = row.n_cells > first.n_cells ? row.n_cells : first.n_cells;
    if (out->n_columns > SM_MAX_COLUMNS) {
        return sm_error_set(err, SM_E_FORMAT, source, out->data_line,
                            "%zu columns, more than the %d that can be read: leave out those that "
                            "are not needed",
                            out->n_columns, SM_MAX_COLUMNS);
    }
    out->columns = sm_alloc_array(out->n_columns, sizeof *out->columns);
    if (!out->columns) {
        return sm_error_set(err, SM_E_NOMEM, source, 0, "out of memory");
    }
    for (size_t i = 0; i < i_first; i++) {
        double rate = sm_layout_rate(lines[i].s, lines[i].end);
        if (rate > 0) {
            out->rate_hz = rate;
            out->rate_line = (long)i + 1;
        }
        bool rows;
        long lost = sm_layout_lost(lines[i].s, lines[i].end, &rows);
        if (lost > 0) {
            *(rows ? &out->n_lost : &out->n_overflows) += lost;
            out->lost_line = (long)i + 1;
        }
    }
    header_from_words(lines, i_first, row.n_cells, false, out);
    if (!out->has_header) {
        header_from_comments(lines, i_first, row.n_cells, out);
    }
    if (!out->has_header) {
        header_from_words(lines, i_first, row.n_cells, true, out);
    }
    if (out->form == SM_FORM_CELLS && out->delimiter == ',' && out->has_header &&
        has_split_numbers(lines + i_first, n - i_first, out)) {
        return sm_error_set(
            err, SM_E_FORMAT, source, out->data_line,
            "%zu cells under %zu names, and no decimal point: decimal commas between "
            "commas cannot be told apart; export with semicolons or tabs between the "
            "cells, or with decimal points",
            first.n_cells, count_cells(lines[out->header_line - 1], ','));
    }
    return out->has_header || out->form != SM_FORM_CELLS || out->by_number
               ? SM_OK
               : find_blocks(lines + i_first, n - i_first, source, out, err);
}

sm_status sm_layout_find(const char *text, size_t n, const char *source, sm_layout *out,
                         sm_error *err)
{
    if (n == 0) {
        return sm_error_set(err, SM_E_SHORT, source, 1, "empty: nothing was recorded");
    }
    const char *nul = memchr(text, '\0', n);
    if (nul) {
        long number = 1;
        for (const char *s = text; s < nul; number += *s++ == '\n') {
        }
        return sm_error_set(err, SM_E_FORMAT, source, number, "%s", sm_packed_kind(text, n));
    }
    size_t most = 1;
    for (const char *s = text; most < MAX_LINES && (s = memchr(s, '\n', n - (size_t)(s - text)));) {
        s++;
        most++;
    }
    line *lines = sm_alloc_array(most, sizeof *lines);
    if (!lines) {
        return sm_error_set(err, SM_E_NOMEM, source, 0, "out of memory");
    }
    sm_layout l = {.delimiter = out->delimiter,
                   .decimal = out->decimal,
                   .form = out->form,
                   .by_number = out->by_number};
    most = split_lines(text, n, l.form != SM_FORM_CELLS, lines, most);
    const char *other = l.form == SM_FORM_CELLS ? sm_other_kind(text, n) : NULL;
    sm_status st = other ? sm_error_set(err, SM_E_FORMAT, source, 1, "%s", other)
                         : find_in_lines(lines, most, text, source, &l, err);
    sm_free(lines);
    if (st == SM_OK) {
        *out = l;
    } else {
        sm_layout_free(&l);
    }
    return st;
}

void sm_layout_free(sm_layout *l)
{
    sm_free(l->columns);
    *l = (sm_layout){0};
}
