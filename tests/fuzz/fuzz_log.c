/*
 * Any bytes as a log: nothing but a status may come out. The first byte of the input chooses the
 * channels file. Fed from memory through a file without a name, since the reader wants a path.
 */
#define _GNU_SOURCE /* memfd_create */
#include "stillmount/source.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <unistd.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

static sm_status push(void *self, const sm_block *b, sm_error *err)
{
    (void)err;
    double *sum = self;
    if (b->n_rows == 0 || b->n_rows > SM_BLOCK_ROWS || !(b->rate_hz > 0) || isnan(b->t0_s)) {
        abort();
    }
    for (size_t c = 0; c < b->n_channels; c++) {
        for (size_t i = 0; i < b->n_rows; i++) {
            sum[0] += b->x[c][i]; /* every value is there to be read */
        }
    }
    return SM_OK;
}

static sm_status mark(void *self, sm_mark m, double t_s, sm_error *err)
{
    (void)err;
    double *sum = self;
    sum[1] += m == SM_MARK_END;
    if (isnan(t_s)) {
        abort();
    }
    return SM_OK;
}

static const char *in_memory(int *fd, const void *data, size_t n, char path[64])
{
    if (*fd < 0) {
        *fd = memfd_create("fuzz", 0);
    }
    if (*fd < 0 || ftruncate(*fd, 0) != 0 || pwrite(*fd, data, n, 0) != (ssize_t)n) {
        abort();
    }
    (void)snprintf(path, 64, "/proc/self/fd/%d", *fd);
    return path;
}

static const char *const channels[] = {
    NULL,
    "[log]\nrate_hz = 1000\n[column 1]\nrole = accel.x\nunit = g\n",
    "[column 1]\nrole = time\nunit = s\n[column 2]\nrole = accel.x\nunit = g\nrange = 4\n",
    "[log]\nrate_hz = 500\n",
};

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
    static int log_fd = -1;
    static int channels_fd = -1;
    char log_path[64];
    char channels_path[64];
    size_t which = 0;
    if (n && data[0] >= '1' && data[0] <= '3' && n > 1 && data[1] == '\n') {
        which = (size_t)(data[0] - '0');
        data += 2;
        n -= 2;
    }
    sm_source_options o = {.hash = false};
    if (channels[which]) {
        size_t len = 0;
        while (channels[which][len]) {
            len++;
        }
        o.channels_path = in_memory(&channels_fd, channels[which], len, channels_path);
    }
    sm_error err = {0};
    sm_source *s = NULL;
    sm_status st = sm_source_open(in_memory(&log_fd, data, n, log_path), &o, &s, &err);
    if (st == SM_OK) {
        double sum[2] = {0, 0};
        sm_sink sink = {sum, push, mark};
        sm_findings f = {0};
        st = sm_source_pump(s, &sink, &f, &err);
        if ((st == SM_OK) != (sum[1] == 1)) {
            abort(); /* an end is marked exactly when all went well */
        }
        sm_findings_free(&f);
        sm_text text = {0};
        sm_source_explain(s, &text);
        sm_text_free(&text);
    }
    if (st != SM_OK && (!err.message[0] || err.code != st)) {
        abort();
    }
    sm_source_close(&s);
    return 0;
}
