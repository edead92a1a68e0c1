/* See the header. */
#include "timebase/pulses.h"

#include "core/alloc.h"
#include "ingest/channels_file.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { PULSE_BYTES = 64 << 20, LEAST = 4, CELL = 96 };

/* The section of the channels file that speaks of pulse times; NULL = none. */
static const sm_ini_section *section_of(const sm_channels_file *f, sm_guess *g, sm_error *err)
{
    for (size_t i = 0; i < f->ini.n_sections; i++) {
        const sm_ini_section *s = &f->ini.sections[i];
        *g = (sm_guess){.axis = -1};
        if (sm_ini_section_label(s, "column") && sm_channels_file_guess(f, s, g, err) == SM_OK &&
            g->role == SM_ROLE_TACH && g->unit && g->unit->quantity == SM_QUANTITY_TIME) {
            return s;
        }
    }
    return NULL;
}

sm_status sm_pulses_is(const char *channels_path, bool *out, sm_error *err)
{
    *out = false;
    if (!channels_path) {
        return SM_OK;
    }
    sm_channels_file f = {0};
    sm_guess g;
    sm_error ignored = {0}; /* what is wrong is said by whoever reads it as a log */
    sm_status st = sm_channels_file_read(channels_path, &f, err);
    if (st == SM_OK) {
        *out = section_of(&f, &g, &ignored) != NULL;
        for (size_t i = 0; *out && i < f.ini.n_sections;
             i++) { /* pulse times among other columns */
            const sm_ini_entry *role = sm_ini_find(&f.ini.sections[i], "role");
            *out = !role || strcmp(role->value, "tach") == 0 || strcmp(role->value, "ignore") == 0;
        }
        sm_channels_file_free(&f);
    }
    return st;
}

void sm_pulses_free(sm_pulses *p)
{
    sm_free(p->t_s);
    *p = (sm_pulses){0};
}

static bool is_delimiter(char c)
{
    return c == ',' || c == ';' || c == '\t';
}

/* Cell number k of a line (counted from 0), trimmed; "" when there are fewer. */
static void cell_of(const char *line, size_t n, size_t k, char *out)
{
    size_t from = 0;
    for (; k > 0 && from < n; from++) {
        k -= is_delimiter(line[from]);
    }
    size_t to = from;
    while (to < n && !is_delimiter(line[to])) {
        to++;
    }
    while (from < to && strchr(" \"'\r", line[from])) {
        from++;
    }
    while (to > from && strchr(" \"'\r", line[to - 1])) {
        to--;
    }
    size_t length = k > 0 ? 0 : to - from;
    length = length < CELL - 1 ? length : CELL - 1;
    memcpy(out, line + from, length);
    out[length] = '\0';
}

static sm_status add(sm_pulses *p, size_t *capacity, double t_s)
{
    if (p->n == *capacity) {
        size_t more = *capacity ? 2 * *capacity : 1024;
        double *t = sm_realloc_array(p->t_s, more, sizeof *t);
        if (!t) {
            return SM_E_NOMEM;
        }
        p->t_s = t;
        *capacity = more;
    }
    p->t_s[p->n++] = t_s;
    return SM_OK;
}

/* Which column: by its name in the header line, else by its number from 1. */
static bool find_column(const char *label, const char *line, size_t n, size_t *column)
{
    char cell[CELL];
    for (size_t k = 0; k < 64; k++) {
        cell_of(line, n, k, cell);
        if (strcmp(cell, label) == 0) {
            *column = k;
            return true;
        }
    }
    double number = 0;
    bool counts =
        sm_number_read(label, &number) && number >= 1 && number <= 64 && number == floor(number);
    *column = counts ? (size_t)number - 1 : 0;
    return counts;
}

static sm_status read_lines(const char *text, size_t n, const char *path, const char *label,
                            double to_s, sm_pulses *p, sm_error *err)
{
    size_t capacity = 0;
    size_t column = SIZE_MAX;
    long number = 0;
    for (const char *s = text; s < text + n;) {
        const char *end = memchr(s, '\n', (size_t)(text + n - s));
        size_t length = (size_t)((end ? end : text + n) - s);
        const char *line = s;
        s += length + 1;
        number++;
        if (length == 0 || *line == '#' || *line == '\r') {
            continue;
        }
        if (column == SIZE_MAX && !find_column(label, line, length, &column)) {
            return sm_error_set(err, SM_E_FORMAT, path, number,
                                "no column '%.60s' in the header: name the column of the pulse "
                                "times, or give its number, in the channels file",
                                label);
        }
        char cell[CELL];
        double v;
        cell_of(line, length, column, cell);
        const char *rest = sm_number_parse(cell, cell + strlen(cell), '.', &v);
        if (!cell[0] || !rest || *rest || !isfinite(v)) {
            continue; /* header, units, an empty cell */
        }
        if (p->n > 0 && v * to_s <= p->t_s[p->n - 1]) {
            if (v * to_s == p->t_s[p->n - 1]) {
                continue;
            }
            return sm_error_set(err, SM_E_FORMAT, path, number,
                                "pulse times go back: %.9g after %.9g; sort them, or cut the file "
                                "where its clock starts anew",
                                v, p->t_s[p->n - 1] / to_s);
        }
        if (add(p, &capacity, v * to_s) != SM_OK) {
            return sm_error_set(err, SM_E_NOMEM, path, 0, "out of memory");
        }
    }
    return p->n >= LEAST ? SM_OK
                         : sm_error_set(err, SM_E_SHORT, path, number,
                                        "fewer than %d pulse times in it", LEAST);
}

sm_status sm_pulses_read(const char *path, const char *channels_path, sm_pulses *out, sm_error *err)
{
    sm_channels_file f = {0};
    sm_pulses p = {0};
    sm_guess g;
    char *text = NULL;
    size_t n = 0;
    sm_status st = sm_channels_file_read(channels_path, &f, err);
    const sm_ini_section *s = st == SM_OK ? section_of(&f, &g, err) : NULL;
    if (!s) {
        sm_channels_file_free(&f);
        return st != SM_OK ? st : SM_E_FORMAT;
    }
    p.channel = (sm_channel){.role = SM_ROLE_TACH,
                             .axis = -1,
                             .unit = g.unit,
                             .tolerance = -1,
                             .quantity = SM_QUANTITY_TIME};
    const char *label = sm_ini_section_label(s, "column");
    (void)snprintf(p.channel.name, sizeof p.channel.name, "tach");
    sm_text_inert(label, strlen(label), p.channel.column, sizeof p.channel.column);
    st = sm_channels_file_channel(&f, s, &p.channel, err);
    if (st == SM_OK) {
        st = sm_file_load(path, PULSE_BYTES, &text, &n, err);
    }
    if (st == SM_OK) {
        st = read_lines(text, n, path, label, p.channel.gain, &p, err);
        sm_file_text_free(text);
    }
    if (st == SM_OK) {
        st = sm_file_identify(path, &p.identity, err);
    }
    sm_channels_file_free(&f);
    if (st == SM_OK) {
        *out = p;
    } else {
        sm_pulses_free(&p);
    }
    return st;
}

static sm_status push(void *self, const sm_block *b, sm_error *err)
{
    sm_pulse_filter *f = self;
    const sm_pulses *p = f->pulses;
    sm_block out = *b;
    for (size_t i = 0; i < b->n_rows; i++) {
        double t = b->t0_s + (double)i / b->rate_hz;
        while (f->i < p->n && p->t_s[f->i] + f->add_s <= t) {
            f->i++;
        }
        f->row[i] = f->i > 0 ? p->t_s[f->i - 1] + f->add_s : (double)NAN;
    }
    for (size_t c = 0; c < b->n_channels; c++) {
        f->x[c] = b->x[c];
    }
    f->x[b->n_channels] = f->row;
    out.x = f->x;
    out.n_channels = b->n_channels + 1;
    return f->next.push(f->next.self, &out, err);
}

static sm_status mark(void *self, sm_mark m, double t_s, sm_error *err)
{
    sm_pulse_filter *f = self;
    return f->next.mark(f->next.self, m, t_s, err);
}

sm_sink sm_pulse_filter_sink(sm_pulse_filter *f)
{
    return (sm_sink){f, push, mark};
}
