/* For the harnesses: bytes under a path of their own, and what every reader owes its caller. */
#ifndef SM_FUZZ_HELP_H
#define SM_FUZZ_HELP_H

#include "stillmount/status.h"

#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <unistd.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

/* Puts the bytes into a file without a name, made at the first call. _GNU_SOURCE is needed. */
static inline const char *fuzz_file(int *fd, const void *data, size_t n, char path[64])
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

/* A failure says what is wrong, and says the same status; what is said is one printable line. */
static inline void fuzz_must_say(sm_status st, const sm_error *err)
{
    if (st == SM_OK) {
        return;
    }
    if (!err->message[0] || err->code != st) {
        abort();
    }
    for (const char *s = err->message; *s; s++) {
        if ((unsigned char)*s < 0x20 || *s == 0x7f) {
            abort();
        }
    }
}

#endif
