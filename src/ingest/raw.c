/* Opens a log by what its first bytes are. */
#include "ingest/raw.h"

#include "core/alloc.h"
#include "core/column.h"
#include "ingest/ahead.h"
#include "ingest/csv.h"

#include <math.h>
#include <string.h>

struct sm_raw {
    sm_input *in;
    sm_channels_file file;
    sm_raw_info info;
    sm_raw_counts counts;
    bool is_audio;
    sm_csv csv;
    sm_audio *audio;
    double stamp0; /* as of the last rows handed out */
    bool ahead_wanted;
    sm_ahead *ahead; /* the only one who may read on while it is there */
};

sm_status sm_rows_open(sm_rows *rows, size_t n_channels)
{
    double *memory = sm_alloc_array((n_channels + 1) * SM_COLUMN_STEP, sizeof *memory);
    long *line = sm_alloc_array(SM_BLOCK_ROWS, sizeof *line);
    if (!memory || !line) {
        sm_free(memory);
        sm_free(line);
        return SM_E_NOMEM;
    }
    *rows = (sm_rows){.n_channels = n_channels, .memory = memory, .stamp = memory, .line = line};
    for (size_t i = 0; i < n_channels; i++) {
        rows->x[i] = memory + (i + 1) * SM_COLUMN_STEP;
    }
    return SM_OK;
}

void sm_rows_close(sm_rows *rows)
{
    sm_free(rows->memory);
    sm_free(rows->line);
    *rows = (sm_rows){0};
}

static sm_status open_any(sm_raw *r, const char *channels_path, bool filling, sm_error *err)
{
    sm_status st = sm_channels_file_read(channels_path, &r->file, err);
    r->file.filling = filling;
    size_t n = 0;
    const char *data = NULL;
    while (st == SM_OK && n < 16 && !sm_input_at_end(r->in)) {
        st = sm_input_more(r->in, err);
        data = sm_input_data(r->in, &n);
    }
    if (st != SM_OK) {
        return st;
    }
    r->is_audio = sm_audio_is(data, n);
    return r->is_audio ? sm_audio_open(r->in, &r->file, &r->info, &r->audio, err)
                       : sm_csv_open(r->in, &r->file, &r->info, &r->counts, &r->csv, err);
}

static sm_status open_raw(const char *path, const char *channels_path, sm_hashing hashing,
                          bool filling, sm_raw **out, sm_error *err)
{
    sm_raw *r = sm_alloc_array(1, sizeof *r);
    if (!r) {
        return sm_error_set(err, SM_E_NOMEM, path, 0, "out of memory");
    }
    sm_status st = sm_input_open(path, hashing, &r->in, err);
    if (st == SM_OK) {
        st = open_any(r, channels_path, filling, err);
    }
    if (st == SM_OK) {
        *out = r;
    } else {
        sm_raw_close(&r);
    }
    return st;
}

sm_status sm_raw_open(const char *path, const char *channels_path, sm_hashing hashing, sm_raw **out,
                      sm_error *err)
{
    return open_raw(path, channels_path, hashing, false, out, err);
}

sm_status sm_raw_open_template(const char *path, const char *channels_path, sm_raw **out,
                               sm_error *err)
{
    return open_raw(path, channels_path, (sm_hashing)0, true, out, err);
}

const sm_raw_info *sm_raw_info_get(const sm_raw *r)
{
    return &r->info;
}

const sm_raw_counts *sm_raw_counts_get(const sm_raw *r)
{
    return &r->counts;
}

const char *sm_raw_path(const sm_raw *r)
{
    return sm_input_path(r->in);
}

static sm_status next_of_text(void *self, sm_rows *rows, sm_error *err)
{
    sm_raw *r = self;
    sm_status st = sm_csv_next(&r->csv, rows, err);
    rows->stamp0 = r->csv.stamp0;
    rows->whole = r->csv.whole;
    return st;
}

void sm_raw_read_ahead(sm_raw *r)
{
    r->ahead_wanted = !r->is_audio && sm_input_is_regular(r->in);
}

static sm_status next_rows(sm_raw *r, sm_rows *rows, sm_error *err)
{
    if (r->ahead_wanted) {
        r->ahead_wanted = false;
        sm_status unwanted = sm_ahead_open(next_of_text, r, rows->n_channels, &r->ahead);
        (void)unwanted; /* no thread to be had: the caller's own will do */
    }
    if (!r->ahead) {
        return next_of_text(r, rows, err);
    }
    sm_status st = sm_ahead_next(r->ahead, rows, err);
    if (st != SM_OK || rows->n == 0) {
        sm_ahead_close(&r->ahead);
    }
    return st;
}

sm_status sm_raw_next(sm_raw *r, sm_rows *rows, sm_error *err)
{
    if (!r->is_audio) {
        sm_status st = next_rows(r, rows, err);
        r->stamp0 = rows->stamp0;
        r->info.stamp_is_integer = rows->whole;
        return st;
    }
    sm_status st = sm_audio_next(r->audio, &r->info, rows, &r->counts.cut_short, err);
    r->counts.n_rows += rows->n;
    return st;
}

sm_status sm_raw_rewind(sm_raw *r, sm_error *err)
{
    sm_ahead_close(&r->ahead);
    r->ahead_wanted = false;
    r->counts = (sm_raw_counts){0};
    return r->is_audio ? sm_audio_rewind(r->audio, err) : sm_csv_rewind(&r->csv, err);
}

bool sm_raw_can_rewind_whole(const sm_raw *r)
{
    return r->is_audio || sm_input_is_regular(r->in);
}

double sm_raw_stamp0(const sm_raw *r)
{
    return r->is_audio || isnan(r->stamp0) ? 0 : r->stamp0;
}

bool sm_raw_turn(const sm_raw *r, const char *place, double m[3][3])
{
    return sm_channels_file_orientation(&r->file, place, m) && !sm_channels_file_swaps(m);
}

sm_status sm_raw_identity(sm_raw *r, sm_file_identity *out, sm_error *err)
{
    return sm_input_identity(r->in, out, err);
}

void sm_raw_close(sm_raw **r)
{
    if (!*r) {
        return;
    }
    sm_ahead_close(&(*r)->ahead);
    sm_audio_close(&(*r)->audio);
    sm_csv_close(&(*r)->csv);
    sm_columns_free(&(*r)->info.columns);
    sm_channels_file_free(&(*r)->file);
    sm_input_close(&(*r)->in);
    sm_free(*r);
    *r = NULL;
}
