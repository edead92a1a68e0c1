/* Logs for tests: text written to a scratch file, read through a source into plain arrays. */
#ifndef LOG_HELP_H
#define LOG_HELP_H

#include "sm_test.h"
#include "stillmount/source.h"

#include <stdlib.h>
#include <string.h>

/* What a source sent. */
typedef struct collected {
    double *x[SM_MAX_CHANNELS];
    double *t_s;
    size_t n;
    size_t capacity;
    size_t n_channels;
    int n_gaps;
    int n_ends;
    double gap_s[64]; /* time of the first row behind each gap */
    double rate_hz;
} collected;

static inline sm_status collect_push(void *self, const sm_block *b, sm_error *err)
{
    (void)err;
    collected *c = self;
    if (c->n + b->n_rows > c->capacity) {
        c->capacity = 2 * (c->n + b->n_rows);
        for (size_t i = 0; i < b->n_channels; i++) {
            c->x[i] = realloc(c->x[i], c->capacity * sizeof(double));
        }
        c->t_s = realloc(c->t_s, c->capacity * sizeof(double));
    }
    for (size_t k = 0; k < b->n_rows; k++) {
        for (size_t i = 0; i < b->n_channels; i++) {
            c->x[i][c->n + k] = b->x[i][k];
        }
        c->t_s[c->n + k] = b->t0_s + (double)k / b->rate_hz;
    }
    c->n += b->n_rows;
    c->n_channels = b->n_channels;
    c->rate_hz = b->rate_hz;
    return SM_OK;
}

static inline sm_status collect_mark(void *self, sm_mark mark, double t_s, sm_error *err)
{
    (void)err;
    collected *c = self;
    if (mark == SM_MARK_GAP && c->n_gaps < 64) {
        c->gap_s[c->n_gaps] = t_s;
    }
    c->n_gaps += mark == SM_MARK_GAP;
    c->n_ends += mark == SM_MARK_END;
    return SM_OK;
}

static inline void collected_free(collected *c)
{
    for (size_t i = 0; i < SM_MAX_CHANNELS; i++) {
        free(c->x[i]);
    }
    free(c->t_s);
    *c = (collected){0};
}

static inline sm_sink collect_sink(collected *c)
{
    return (sm_sink){c, collect_push, collect_mark};
}

static inline const char *scratch_path(const char *name)
{
    static char paths[4][512];
    static int i;
    i = (i + 1) % 4;
    (void)snprintf(paths[i], sizeof paths[i], "%s/%s", SM_TEST_SCRATCH, name);
    return paths[i];
}

static inline const char *scratch_write(const char *name, const void *data, size_t n)
{
    const char *path = scratch_path(name);
    FILE *f = fopen(path, "wb");
    assert_non_null(f);
    assert_int_equal(fwrite(data, 1, n, f), n);
    assert_int_equal(fclose(f), 0);
    return path;
}

static inline const char *scratch_text(const char *name, const char *text)
{
    return scratch_write(name, text, strlen(text));
}

/* Opens, pumps, keeps the source open in *s (may be NULL: closed). */
static inline sm_status read_log(const char *path, const char *channels, collected *c,
                                 sm_findings *findings, sm_source **s, sm_error *err)
{
    sm_source_options o = sm_source_options_default();
    o.channels_path = channels;
    sm_source *mine = NULL;
    sm_status st = sm_source_open(path, &o, &mine, err);
    if (st == SM_OK) {
        sm_sink sink = collect_sink(c);
        st = sm_source_pump(mine, &sink, findings, err);
    }
    if (s && st == SM_OK) {
        *s = mine;
    } else {
        sm_source_close(&mine);
    }
    return st;
}

#endif
