/* Any bytes as every kind of settings file: nothing but a status may come out. */
#define _GNU_SOURCE /* memfd_create */
#include "ingest/channels_file.h"
#include "stillmount/budget.h"
#include "stillmount/ini.h"
#include "stillmount/powertrain.h"

#include <stdio.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <unistd.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

static void must_say(sm_status st, const sm_error *err)
{
    if (st != SM_OK && (!err->message[0] || err->code != st)) {
        abort();
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
    static int fd = -1;
    static sm_powertrain p;
    static sm_budget b;
    const char *text = (const char *)data;
    sm_ini ini = {0};
    sm_error err = {0};
    must_say(sm_ini_parse(text, n, "fuzz", &ini, &err), &err);
    sm_ini_free(&ini);
    err = (sm_error){0};
    must_say(sm_powertrain_parse(text, n, "fuzz", &p, &err), &err);
    err = (sm_error){0};
    must_say(sm_budget_parse(text, n, "fuzz", &b, &err), &err);
    if (fd < 0) {
        fd = memfd_create("fuzz", 0);
    }
    if (fd < 0 || ftruncate(fd, 0) != 0 || pwrite(fd, data, n, 0) != (ssize_t)n) {
        abort();
    }
    char path[64];
    (void)snprintf(path, sizeof path, "/proc/self/fd/%d", fd);
    sm_channels_file f = {0};
    err = (sm_error){0};
    must_say(sm_channels_file_read(path, &f, &err), &err);
    sm_channels_file_free(&f);
    return 0;
}
