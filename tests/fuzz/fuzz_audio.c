/* Any bytes as an audio container, straight and through the time base, with channels declared. */
#define _GNU_SOURCE /* memfd_create */
#include "fuzz_help.h"
#include "ingest/raw.h"

#include <string.h>

static const char channels[] = "[column 1]\nrole = accel.x\nunit = g\nscale = 16\n";

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
    static int log_fd = -1;
    static int channels_fd = -1;
    static char channels_path[64];
    char path[64];
    if (channels_fd < 0) {
        (void)fuzz_file(&channels_fd, channels, strlen(channels), channels_path);
    }
    if (!sm_audio_is((const char *)data, n)) {
        return 0;
    }
    sm_error err = {0};
    sm_raw *r = NULL;
    sm_rows rows = {0};
    sm_status st = sm_raw_open(fuzz_file(&log_fd, data, n, path), channels_path, false, &r, &err);
    if (st == SM_OK && sm_rows_open(&rows, sm_raw_info_get(r)->columns.n_channels) != SM_OK) {
        abort();
    }
    for (int pass = 0; pass < 2 && st == SM_OK; pass++) {
        /* a header may promise terabytes: a few blocks will do */
        for (int k = 0; k < 8 && st == SM_OK && (k == 0 || rows.n); k++) {
            st = sm_raw_next(r, &rows, &err);
        }
        if (st == SM_OK) {
            st = sm_raw_rewind(r, &err);
        }
    }
    fuzz_must_say(st, &err);
    sm_rows_close(&rows);
    sm_raw_close(&r);
    return 0;
}
