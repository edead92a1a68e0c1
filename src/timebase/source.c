/* Rows with raw stamps become uniform blocks with marks. */
#include "stillmount/source.h"

#include "core/alloc.h"
#include "ingest/raw.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

struct sm_source {
    sm_raw *raw;
    sm_rows rows;
    sm_source_info info;
    sm_source_totals totals;
    sm_file_identity file;
    char name[256];
    sm_text decided;
    double period_s;
    bool pumped;
};

sm_source_options sm_source_options_default(void)
{
    return (sm_source_options){.channels_path = NULL, .hash = true};
}

static int by_value(const void *a, const void *b)
{
    double x = *(const double *)a;
    double y = *(const double *)b;
    return (x > y) - (x < y);
}

/* Period: median step, then a common slope over the stretches without gaps. */
static double period_of(const double *stamp, size_t n, double *steps)
{
    size_t m = 0;
    for (size_t i = 1; i < n; i++) {
        double d = stamp[i] - stamp[i - 1];
        if (d > 0) {
            steps[m++] = d;
        }
    }
    if (m == 0) {
        return 0;
    }
    qsort(steps, m, sizeof *steps, by_value);
    double median = steps[m / 2];
    double sxx = 0;
    double sxy = 0;
    for (size_t i = 0; i < n;) {
        size_t k = i + 1;
        double sy = stamp[i];
        while (k < n && fabs(stamp[k] - stamp[k - 1] - median) < 0.5 * median) {
            sy += stamp[k++];
        }
        double len = (double)(k - i);
        double my = sy / len;
        for (size_t j = i; j < k; j++) {
            double x = (double)(j - i) - (len - 1) / 2;
            sxx += x * x;
            sxy += x * (stamp[j] - my);
        }
        i = k;
    }
    return sxx > 0 ? sxy / sxx : median;
}

static sm_status look_ahead(sm_source *s, sm_error *err)
{
    const sm_raw_info *raw = sm_raw_info_get(s->raw);
    const char *path = sm_raw_path(s->raw);
    sm_status st = sm_raw_next(s->raw, &s->rows, err);
    if (st == SM_OK && s->rows.n < 2) {
        return sm_error_set(err, SM_E_SHORT, path, 0, "only %zu rows: too few to say anything",
                            s->rows.n);
    }
    if (st != SM_OK) {
        return st;
    }
    double *steps = sm_alloc_array(SM_BLOCK_ROWS, sizeof *steps);
    if (!steps) {
        return sm_error_set(err, SM_E_NOMEM, path, 0, "out of memory");
    }
    s->period_s = raw->rate_hz > 0 ? 1 / raw->rate_hz : period_of(s->rows.stamp, s->rows.n, steps);
    sm_free(steps);
    if (!(s->period_s > 0)) {
        return sm_error_set(err, SM_E_VALUE, path, s->rows.line[0],
                            "time column '%s' does not advance: no rate can be had from it",
                            raw->columns.time_column);
    }
    return sm_raw_rewind(s->raw, err);
}

static sm_status describe(sm_source *s, sm_error *err)
{
    const sm_raw_info *raw = sm_raw_info_get(s->raw);
    sm_text_add(&s->decided, raw->columns.decided.s ? raw->columns.decided.s : "");
    if (s->decided.failed || !s->decided.s) {
        return sm_error_set(err, SM_E_NOMEM, sm_raw_path(s->raw), 0, "out of memory");
    }
    const char *path = sm_raw_path(s->raw);
    const char *name = strcmp(path, "-") == 0 ? "standard input" : sm_file_name(path);
    sm_text_inert(name, strlen(name), s->name, sizeof s->name);
    s->info = (sm_source_info){.channels = raw->columns.channels,
                               .n_channels = raw->columns.n_channels,
                               .rate_hz = 1 / s->period_s,
                               .decided = s->decided.s,
                               .name = s->name,
                               .note = "",
                               .rpm_notes = ""};
    return SM_OK;
}

sm_status sm_source_open(const char *path, const sm_source_options *opt, sm_source **out,
                         sm_error *err)
{
    sm_source_options o = opt ? *opt : sm_source_options_default();
    sm_source *s = sm_alloc_array(1, sizeof *s);
    if (!s) {
        return sm_error_set(err, SM_E_NOMEM, path, 0, "out of memory");
    }
    sm_status st = sm_raw_open(path, o.channels_path, o.hash, &s->raw, err);
    if (st == SM_OK &&
        sm_rows_open(&s->rows, sm_raw_info_get(s->raw)->columns.n_channels) != SM_OK) {
        st = sm_error_set(err, SM_E_NOMEM, path, 0, "out of memory");
    }
    if (st == SM_OK) {
        st = look_ahead(s, err);
    }
    if (st == SM_OK) {
        st = describe(s, err);
    }
    if (st == SM_OK) {
        *out = s;
    } else {
        sm_source_close(&s);
    }
    return st;
}

const sm_source_info *sm_source_info_get(const sm_source *s)
{
    return &s->info;
}

const sm_source_totals *sm_source_totals_get(const sm_source *s)
{
    return &s->totals;
}

typedef struct pump {
    sm_source *s;
    const sm_sink *sink;
    sm_findings *findings;
    uint64_t i_row;
    double last_stamp;
    double base_s; /* time of i_row = i_base */
    uint64_t i_base;
    bool finite; /* any finite value seen */
} pump;

static sm_status send(pump *p, size_t from, size_t to, sm_error *err)
{
    sm_source *s = p->s;
    const double *x[SM_MAX_CHANNELS];
    for (size_t c = 0; c < s->info.n_channels; c++) {
        x[c] = s->rows.x[c] + from;
        for (size_t i = from; i < to && !p->finite; i++) {
            p->finite = isfinite(s->rows.x[c][i]);
        }
    }
    sm_block b = {.n_rows = to - from,
                  .n_channels = s->info.n_channels,
                  .x = x,
                  .t0_s = p->base_s + (double)(p->i_row - p->i_base) * s->period_s,
                  .rate_hz = s->info.rate_hz,
                  .i_row = p->i_row,
                  .line = s->rows.line[from]};
    p->i_row += b.n_rows;
    return b.n_rows ? p->sink->push(p->sink->self, &b, err) : SM_OK;
}

static sm_status gap(pump *p, double from_s, double to_s, long line, sm_error *err)
{
    if (p->findings) {
        sm_finding *f = sm_findings_add(p->findings, "gap", SM_WARNING, NULL, 1);
        sm_finding_place(f, from_s, to_s, line);
        sm_finding_effect(f, "frames that touch a gap are not used");
        sm_finding_text(f, "rows are missing in the log; nothing is analysed across the gaps. A "
                           "faster card or a lower rate helps");
    }
    p->base_s = to_s;
    p->i_base = p->i_row;
    return p->sink->mark(p->sink->self, SM_MARK_GAP, to_s, err);
}

static sm_status pump_rows(pump *p, sm_error *err)
{
    const sm_rows *rows = &p->s->rows;
    double period = p->s->period_s;
    size_t from = 0;
    sm_status st = SM_OK;
    for (size_t i = 0; i < rows->n && st == SM_OK; i++) {
        double d = rows->stamp[i] - p->last_stamp;
        if (d > 1.5 * period) {
            st = send(p, from, i, err);
            if (st == SM_OK) {
                st = gap(p, p->last_stamp, rows->stamp[i], rows->line[i], err);
            }
            from = i;
        }
        p->last_stamp = rows->stamp[i];
    }
    return st == SM_OK ? send(p, from, rows->n, err) : st;
}

sm_status sm_source_pump(sm_source *s, const sm_sink *sink, sm_findings *findings, sm_error *err)
{
    pump p = {.s = s, .sink = sink, .findings = findings, .last_stamp = NAN};
    sm_status st = s->pumped ? sm_raw_rewind(s->raw, err) : SM_OK;
    s->pumped = true;
    sm_raw_hash_start(s->raw);
    while (st == SM_OK) {
        st = sm_raw_next(s->raw, &s->rows, err);
        if (st != SM_OK || s->rows.n == 0) {
            break;
        }
        st = pump_rows(&p, err);
    }
    if (st == SM_OK && !p.finite) {
        st = sm_error_set(err, SM_E_VALUE, sm_raw_path(s->raw), 2,
                          "not one number in any channel: nothing was measured");
    }
    if (st == SM_OK) {
        st = sm_raw_identity(s->raw, &s->file, err);
    }
    if (st != SM_OK) {
        return st;
    }
    const sm_raw_counts *counts = sm_raw_counts_get(s->raw);
    double seconds = p.last_stamp;
    s->totals =
        (sm_source_totals){.seconds = seconds,
                           .n_rows = counts->n_rows,
                           .measured_rate_hz = s->info.rate_hz,
                           .median_rate_hz = s->info.rate_hz,
                           .mean_rate_hz = seconds > 0 ? (double)(counts->n_rows - 1) / seconds : 0,
                           .files = &s->file,
                           .n_files = 1};
    return sink->mark(sink->self, SM_MARK_END, seconds, err);
}

void sm_source_close(sm_source **s)
{
    if (!*s) {
        return;
    }
    sm_rows_close(&(*s)->rows);
    sm_raw_close(&(*s)->raw);
    sm_text_free(&(*s)->decided);
    sm_free(*s);
    *s = NULL;
}
