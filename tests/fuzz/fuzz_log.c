/*
 * Any bytes as a log: nothing but a status may come out. "1\n" to "5\n" in front chooses a channels
 * file. Built twice: as the program is (log), and with short blocks and a short buffer (reader), so
 * that inputs of a few hundred bytes go over the end of both, and run a hundred times faster.
 */
#define _GNU_SOURCE /* memfd_create */
#include "fuzz_help.h"
#include "stillmount/source.h"

#include <math.h>
#include <string.h>

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

static const char *const channels[] = {
    NULL,
    "[log]\nrate_hz = 1000\n[column 1]\nrole = accel.x\nunit = g\n",
    "[column 1]\nrole = time\nunit = s\n[column 2]\nrole = accel.x\nunit = g\nrange = 4\n",
    "[log]\nrate_hz = 500\n",
    "[log]\nrate_hz = 100\n[column 1]\nrole = accel.x\nunit = g\nrange = 2\n[column 2]\nrole = "
    "accel.y\nunit = g\n[column 3]\nrole = accel.z\nunit = g\n[orientation mount]\nmatrix = 0.8 "
    "0.6 0, -0.6 0.8 0, 0 0 1\n",
    "[log]\nrate_hz = 100\n[column 1]\nrole = rpm\nunit = rpm\n[column 2]\nrole = tach\n",
};

enum { N_CHANNELS = (int)(sizeof channels / sizeof channels[0]) };

static sm_status read_all(const char *path, const sm_source_options *o, sm_error *err)
{
    sm_source *s = NULL;
    sm_status st = sm_source_open(path, o, &s, err);
    if (st == SM_OK) {
        double sum[2] = {0, 0};
        sm_sink sink = {sum, push, mark};
        sm_findings f = {0};
        st = sm_source_pump(s, &sink, &f, err);
        if ((st == SM_OK) != (sum[1] == 1)) {
            abort(); /* an end is marked exactly when all went well */
        }
        sm_findings_free(&f);
        sm_text text = {0};
        sm_source_explain(s, &text);
        sm_text_free(&text);
    }
    sm_source_close(&s);
    return st;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
    static int log_fd = -1;
    static int channels_fd[N_CHANNELS] = {-1, -1, -1, -1, -1, -1};
    static char channels_path[N_CHANNELS][64];
    char log_path[64];
    size_t which = 0;
    if (n > 1 && data[0] >= '1' && data[0] < '0' + N_CHANNELS && data[1] == '\n') {
        which = (size_t)(data[0] - '0');
        data += 2;
        n -= 2;
    }
    sm_source_options o = {.hash = false};
    if (channels[which]) {
        if (channels_fd[which] < 0) {
            (void)fuzz_file(&channels_fd[which], channels[which], strlen(channels[which]),
                            channels_path[which]);
        }
        o.channels_path = channels_path[which];
    }
    sm_error err = {0};
    fuzz_must_say(read_all(fuzz_file(&log_fd, data, n, log_path), &o, &err), &err);
    return 0;
}
