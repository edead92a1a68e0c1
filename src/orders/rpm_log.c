/* Slow rpm logs of engine monitors and thrust stands, and rpm notes typed on the ramp. */
#include "core/alloc.h"
#include "ingest/utf16.h"
#include "stillmount/estimate.h"
#include "stillmount/file.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

enum { COLUMNS = 64, NAME = 96, LOG_BYTES = 64 << 20 };

typedef struct field {
    const char *s;
    size_t n;
} field;

typedef struct table {
    char delimiter; /* ' ' = runs of blanks */
    char decimal;
    char name[COLUMNS][NAME];
    size_t n_columns;
    size_t i_time;
    size_t i_rpm;
    double unit_s; /* of the time column; 0 = to be seen from its steps */
} table;

void sm_rpm_log_free(sm_rpm_log *log)
{
    sm_free(log->t_s);
    sm_free(log->rpm);
    *log = (sm_rpm_log){0};
}

/* The next line without its end; *s moves behind it. */
static bool next_line(const char **s, const char *end, field *line)
{
    if (*s >= end) {
        return false;
    }
    const char *p = *s;
    const char *e = memchr(p, '\n', (size_t)(end - p));
    e = e ? e : end;
    *s = e < end ? e + 1 : end;
    while (e > p && (e[-1] == '\r' || e[-1] == ' ' || e[-1] == '\t')) {
        e--;
    }
    while (p < e && *p == ' ') {
        p++;
    }
    *line = (field){p, (size_t)(e - p)};
    return true;
}

static field trimmed(const char *p, const char *e)
{
    while (p < e && (*p == ' ' || *p == '"' || *p == '\'')) {
        p++;
    }
    while (e > p && (e[-1] == ' ' || e[-1] == '"' || e[-1] == '\'')) {
        e--;
    }
    return (field){p, (size_t)(e - p)};
}

static size_t split(field line, char delimiter, field *out)
{
    size_t n = 0;
    const char *p = line.s;
    const char *end = line.s + line.n;
    while (p <= end && n < COLUMNS) {
        const char *e = p;
        bool quoted = false;
        while (e < end && (quoted || !(*e == delimiter || (delimiter == ' ' && *e == '\t')))) {
            quoted = *e == '"' ? !quoted : quoted;
            e++;
        }
        out[n++] = trimmed(p, e);
        p = e + 1;
        while (delimiter == ' ' && p < end && (*p == ' ' || *p == '\t')) {
            p++;
        }
    }
    return n;
}

static char sniff(field line)
{
    static const char candidates[] = {';', '\t', ',', ' '};
    for (size_t i = 0; i < sizeof candidates; i++) {
        if (memchr(line.s, candidates[i], line.n)) {
            return candidates[i];
        }
    }
    return ',';
}

static bool has_word(const char *name, const char *word)
{
    size_t n = strlen(word);
    for (const char *p = name; *p; p++) {
        size_t k = 0;
        while (k < n && tolower((unsigned char)p[k]) == word[k]) {
            k++;
        }
        if (k == n) {
            return true;
        }
    }
    return false;
}

static bool line_has(field line, const char *word)
{
    char text[1024];
    sm_text_inert(line.s, line.n, text, sizeof text);
    return has_word(text, word);
}

static bool number_of(field f, char decimal, double *out)
{
    double v;
    const char *rest = sm_number_parse(f.s, f.s + f.n, decimal, &v);
    if (f.n == 0 || rest != f.s + f.n) {
        return false;
    }
    *out = v;
    return true;
}

/* Days since 1970-01-01 of a civil date (H. Hinnant's days_from_civil, from memory). */
static double days_of(long y, long m, long d)
{
    y -= m <= 2;
    long era = (y >= 0 ? y : y - 399) / 400;
    long yoe = y - era * 400;
    long doy = (153 * (m + (m > 2 ? -3 : 9)) + 2) / 5 + d - 1;
    long doe = yoe * 365 + yoe / 4 - yoe / 100 + doy;
    return (double)(era * 146097 + doe - 719468);
}

/* "hh:mm:ss", "mm:ss", with fractions, and ISO dates before it, in seconds. */
static bool clock_of(field f, char decimal, double *out)
{
    double v[6];
    size_t n = 0;
    char before[6] = {0};
    const char *p = f.s;
    const char *end = f.s + f.n;
    while (p < end && n < 6) {
        if (!isdigit((unsigned char)*p)) {
            return false;
        }
        const char *q = p;
        while (q < end && isdigit((unsigned char)*q)) {
            q++;
        }
        if (n > 0 && before[n] == ':' && q < end && (*q == '.' || *q == decimal)) {
            q++;
            while (q < end && isdigit((unsigned char)*q)) {
                q++;
            }
        }
        if (sm_number_parse(p, q, decimal, &v[n]) != q && sm_number_parse(p, q, '.', &v[n]) != q) {
            return false;
        }
        n++;
        p = q;
        if (p < end && (*p == 'Z' || *p == '+')) {
            p = end;
        } else if (p < end) {
            if (n < 6) {
                before[n] = *p;
            }
            p++;
        }
    }
    if (n == 2 && before[1] == ':') {
        *out = 60 * v[0] + v[1];
    } else if (n == 3 && before[1] == ':' && before[2] == ':') {
        *out = 3600 * v[0] + 60 * v[1] + v[2];
    } else if (n == 6 && before[1] == '-' && before[4] == ':' && before[5] == ':') {
        *out = 86400 * days_of((long)v[0], (long)v[1], (long)v[2]) + 3600 * v[3] + 60 * v[4] + v[5];
    } else {
        return false;
    }
    return true;
}

static bool time_of(field f, char decimal, double *out)
{
    return number_of(f, decimal, out) || clock_of(f, decimal, out);
}

static double unit_of(const char *name)
{
    static const struct {
        const char *word;
        double unit_s;
    } words[] = {{"(ms", 1e-3},  {"[ms", 1e-3}, {"_ms", 1e-3},   {"milli", 1e-3}, {"(us", 1e-6},
                 {"[us", 1e-6},  {"_us", 1e-6}, {"micro", 1e-6}, {"(ns", 1e-9},   {"_ns", 1e-9},
                 {"(min", 60},   {"[min", 60},  {"_min", 60},    {"(s", 1},       {"[s", 1},
                 {"_s", 1},      {"second", 1}, {"(sec", 1},     {"(h", 3600},    {"[h", 3600},
                 {"hours", 3600}};
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++) {
        if (has_word(name, words[i].word)) {
            return words[i].unit_s;
        }
    }
    return 0;
}

static bool names_time(const char *name)
{
    return has_word(name, "time") || has_word(name, "elapsed") || has_word(name, "second") ||
           has_word(name, "millis") || has_word(name, "clock") || has_word(name, "utc") ||
           strcmp(name, "t") == 0 || strcmp(name, "s") == 0 || has_word(name, "t (") ||
           has_word(name, "t_s") || has_word(name, "t [");
}

static bool is_numeric_row(const table *t, const field *f, size_t n)
{
    double v;
    size_t numbers = 0;
    for (size_t i = 0; i < n; i++) {
        numbers += f[i].n > 0 && time_of(f[i], t->decimal, &v);
    }
    return numbers >= 2;
}

/* Reads past preamble and header up to the first row of numbers; *rows points at it. */
static sm_status read_header(const char *text, const char *end, const char *source, table *t,
                             const char **rows, sm_error *err)
{
    const char *s = text;
    field line;
    long number = 0;
    field header = {NULL, 0};
    field f[COLUMNS];
    while (next_line(&s, end, &line)) {
        const char *here = line.s;
        number++;
        if (line.n == 0 || *line.s == '#') {
            continue;
        }
        t->delimiter = sniff(line);
        t->decimal = t->delimiter == ';' || t->delimiter == '\t' ? ',' : '.';
        if (t->decimal == ',' && memchr(line.s, '.', line.n)) {
            t->decimal = '.';
        }
        size_t n = split(line, t->delimiter, f);
        if (is_numeric_row(t, f, n)) {
            *rows = here;
            if (!header.s) {
                t->n_columns = n;
                return SM_OK;
            }
            t->n_columns = split(header, sniff(header), f);
            for (size_t i = 0; i < t->n_columns; i++) {
                sm_text_inert(f[i].s, f[i].n, t->name[i], NAME);
            }
            return SM_OK;
        }
        /* a title above the header or a row of units below it does not replace it */
        bool titled = !header.s || !line_has(header, "rpm") || split(header, sniff(header), f) < 2;
        header = titled ? line : header;
    }
    return sm_error_set(err, SM_E_FORMAT, source, number,
                        "no row with a time and an rpm in it; an rpm log is a table with a header "
                        "such as time_s,rpm");
}

/* Which columns: *order of preference* crank, engine, motor, plain rpm, prop. */
static int rpm_rank(const char *name)
{
    if (!has_word(name, "rpm") && !has_word(name, "r/min") && !has_word(name, "rev/min") &&
        !has_word(name, "1/min")) {
        return 0;
    }
    return has_word(name, "crank") || has_word(name, "engine")   ? 4
           : has_word(name, "prop") || has_word(name, "optical") ? 1
           : has_word(name, "motor")                             ? 3
                                                                 : 2;
}

/* Turns per second are 60 a minute. */
static double per_minute(const char *name)
{
    bool hertz = has_word(name, "hz") || has_word(name, "rev/s") || has_word(name, "(rps");
    return hertz ? 60 : 1;
}

static bool any_speed(const table *t, const char *rows, const char *end, size_t column)
{
    field line;
    field f[COLUMNS];
    const char *s = rows;
    while (next_line(&s, end, &line)) {
        double v;
        size_t n = split(line, t->delimiter, f);
        if (column < n && number_of(f[column], t->decimal, &v) && v > 0) {
            return true;
        }
    }
    return false;
}

static sm_status choose_columns(table *t, const char *rows, const char *end, const char *source,
                                sm_error *err)
{
    t->i_time = COLUMNS;
    t->i_rpm = COLUMNS;
    if (t->name[0][0] == '\0' && t->n_columns == 2) { /* no header: time, rpm */
        t->i_time = 0;
        t->i_rpm = 1;
        return SM_OK;
    }
    int best = 0;
    for (size_t i = 0; i < t->n_columns; i++) {
        int rank = rpm_rank(t->name[i]);
        if (t->i_time == COLUMNS && rank == 0 && names_time(t->name[i])) {
            t->i_time = i;
        } else if (rank > best && any_speed(t, rows, end, i)) {
            best = rank;
            t->i_rpm = i;
        }
    }
    if (t->i_time == COLUMNS || t->i_rpm == COLUMNS) {
        return sm_error_set(err, SM_E_FORMAT, source, 0,
                            t->i_time == COLUMNS
                                ? "no column is named as a time; call it time_s"
                                : "no column is named as an rpm and holds one; call it rpm, "
                                  "crank_rpm or prop_rpm");
    }
    t->unit_s = unit_of(t->name[t->i_time]);
    return SM_OK;
}

/* Unit of bare numbers from their usual step: readings come 0.05 to 20 s apart. */
static double unit_from_steps(const sm_rpm_log *log)
{
    static const double units[] = {1, 1e-3, 1e-6, 1e-9};
    double step = (log->t_s[log->n - 1] - log->t_s[0]) / (double)(log->n - 1);
    for (size_t i = 0; i < 4; i++) {
        if (step * units[i] >= 0.05 && step * units[i] <= 20) {
            return units[i];
        }
    }
    return 0;
}

static sm_status add_reading(sm_rpm_log *log, size_t *capacity, double t, double rpm)
{
    if (log->n > 0 && t <= log->t_s[log->n - 1]) {
        return SM_OK; /* repeated or out of order */
    }
    if (log->n == *capacity) {
        size_t more = *capacity ? 2 * *capacity : 256;
        double *a = sm_realloc_array(log->t_s, more, sizeof *a);
        if (!a) {
            return SM_E_NOMEM;
        }
        log->t_s = a;
        a = sm_realloc_array(log->rpm, more, sizeof *a);
        if (!a) {
            return SM_E_NOMEM;
        }
        log->rpm = a;
        *capacity = more;
    }
    log->t_s[log->n] = t;
    log->rpm[log->n++] = rpm;
    return SM_OK;
}

static sm_status read_rows(const table *t, const char *rows, const char *end, sm_rpm_log *log,
                           bool *clock)
{
    field line;
    field f[COLUMNS];
    size_t capacity = 0;
    sm_status status = SM_OK;
    *clock = false;
    while (status == SM_OK && next_line(&rows, end, &line)) {
        size_t n = split(line, t->delimiter, f);
        double at;
        double rpm;
        if (t->i_time >= n || t->i_rpm >= n || !time_of(f[t->i_time], t->decimal, &at) ||
            !number_of(f[t->i_rpm], t->decimal, &rpm) || !(rpm > 0 && rpm < 1e6) || !isfinite(at)) {
            continue;
        }
        *clock = *clock || !number_of(f[t->i_time], t->decimal, &at);
        status = add_reading(log, &capacity, at, rpm);
    }
    return status;
}

sm_status sm_rpm_log_parse(const char *text, size_t n, const char *source, sm_rpm_log *out,
                           sm_error *err)
{
    const char *end = text + n;
    if (n >= 3 && memcmp(text, "\xef\xbb\xbf", 3) == 0) {
        text += 3;
    }
    table *t = sm_alloc_array(1, sizeof *t);
    sm_rpm_log log = {0};
    const char *rows = NULL;
    bool clock = false;
    double unit = 1;
    sm_status status =
        t ? SM_OK : sm_error_set(err, SM_E_NOMEM, source, 0, "out of memory reading the rpm log");
    if (status == SM_OK && memchr(text, '\0', (size_t)(end - text))) {
        status = sm_error_set(err, SM_E_FORMAT, source, 0,
                              "not a text file; an rpm log is a table "
                              "with a header such as time_s,rpm");
    }
    if (status == SM_OK) {
        status = read_header(text, end, source, t, &rows, err);
    }
    if (status == SM_OK) {
        status = choose_columns(t, rows, end, source, err);
    }
    if (status == SM_OK && read_rows(t, rows, end, &log, &clock) != SM_OK) {
        status = sm_error_set(err, SM_E_NOMEM, source, 0, "out of memory reading the rpm log");
    }
    if (status == SM_OK && log.n < 2) {
        status = sm_error_set(err, SM_E_SHORT, source, 0,
                              "fewer than two readings with the engine running");
    }
    if (status == SM_OK) {
        unit = clock ? 1 : t->unit_s > 0 ? t->unit_s : unit_from_steps(&log);
        if (!(unit > 0)) {
            status = sm_error_set(err, SM_E_FORMAT, source, 0,
                                  "the unit of the time column '%s' cannot be told; write it into "
                                  "the header, for example time_s or time_ms",
                                  t->name[t->i_time]);
        }
    }
    if (status == SM_OK) {
        log.first_s = log.t_s[0] * unit;
        for (size_t i = log.n; i-- > 0;) {
            log.t_s[i] = (log.t_s[i] - log.t_s[0]) * unit;
            log.rpm[i] *= per_minute(t->name[t->i_rpm]);
        }
        const char *name = t->name[t->i_rpm];
        log.shaft_given =
            has_word(name, "crank") || has_word(name, "engine") || has_word(name, "prop");
        log.shaft = has_word(name, "prop") ? SM_SHAFT_PROP : SM_SHAFT_CRANK;
        (void)snprintf(log.column, sizeof log.column, "%s", name[0] ? name : "column 2");
        (void)snprintf(log.decided, sizeof log.decided,
                       "rpm log: time from '%s' in %s%s, rpm from '%s', %zu readings",
                       t->name[t->i_time][0] ? t->name[t->i_time] : "column 1",
                       clock         ? "clock time"
                       : unit == 1   ? "s"
                       : unit == 60  ? "min"
                       : unit > 60   ? "h"
                       : unit > 5e-4 ? "ms"
                       : unit > 5e-7 ? "us"
                                     : "ns",
                       clock || t->unit_s > 0 ? "" : " (by its steps)", log.column, log.n);
        *out = log;
        log = (sm_rpm_log){0};
    }
    sm_rpm_log_free(&log);
    sm_free(t);
    return status;
}

/* Text in UTF-16 as UTF-8, in memory of its own. */
static sm_status parse_wide(const char *text, size_t n, const char *path, sm_rpm_log *out,
                            sm_error *err)
{
    sm_utf16 wide = sm_utf16_look(text, n);
    char *plain = sm_alloc_array(2 * n + 4, 1);
    if (!plain) {
        return sm_error_set(err, SM_E_NOMEM, path, 0, "out of memory reading the rpm log");
    }
    size_t n_plain = sm_utf16_text(&wide, text, n, plain);
    sm_status status = sm_rpm_log_parse(plain, n_plain, sm_file_name(path), out, err);
    sm_free(plain);
    return status;
}

sm_status sm_rpm_log_read(const char *path, sm_rpm_log *out, sm_error *err)
{
    char *text = NULL;
    size_t n = 0;
    sm_status status = sm_file_load(path, LOG_BYTES, &text, &n, err);
    if (status == SM_OK) {
        status = sm_utf16_look(text, n).is
                     ? parse_wide(text, n, path, out, err)
                     : sm_rpm_log_parse(text, n, sm_file_name(path), out, err);
        sm_file_text_free(text);
    }
    return status;
}

sm_status sm_rpm_notes_parse(const char *text, sm_rpm_log *out, sm_error *err)
{
    sm_rpm_log log = {0};
    size_t capacity = 0;
    const char *end = text + strlen(text);
    const char *p = text;
    sm_status status = SM_OK;
    while (status == SM_OK && p < end) {
        const char *e = p;
        while (e < end && *e != ',' && *e != ';' && *e != '\n') {
            e++;
        }
        field item = trimmed(p, e);
        field f[COLUMNS];
        p = e + 1;
        if (item.n == 0) {
            continue;
        }
        double t = 0;
        double rpm = 0;
        if (split(item, ' ', f) < 2 || !time_of(f[0], '.', &t) || !number_of(f[1], '.', &rpm) ||
            !(rpm > 0 && rpm < 1e6) || t < 0 || (log.n > 0 && t <= log.t_s[log.n - 1])) {
            char shown[64];
            sm_text_inert(item.s, item.n, shown, sizeof shown);
            status = sm_error_set(err, SM_E_VALUE, NULL, 0,
                                  "rpm_notes: '%s' is no time and rpm later than the one before; "
                                  "write minutes:seconds and rpm, as in 0:40 1800, 1:05 2000",
                                  shown);
        } else if (add_reading(&log, &capacity, t, rpm) != SM_OK) {
            status = sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
        }
    }
    if (status == SM_OK && log.n == 0) {
        status = sm_error_set(err, SM_E_VALUE, NULL, 0,
                              "rpm_notes holds no note; write minutes:seconds and rpm, as in 0:40 "
                              "1800, 1:05 2000");
    }
    if (status == SM_OK) {
        *out = log;
        log = (sm_rpm_log){0};
    }
    sm_rpm_log_free(&log);
    return status;
}
