/* Whole-file reading and all-or-nothing writing. */
#include "stillmount/file.h"

#include "core/alloc.h"
#include "stillmount/number.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static sm_status io_error(sm_error *err, const char *path, const char *what)
{
    return sm_error_set(err, SM_E_IO, path, 0, "cannot %s: %s", what, strerror(errno));
}

sm_status sm_file_load(const char *path, size_t max_bytes, char **text, size_t *n, sm_error *err)
{
    bool is_stdin = strcmp(path, "-") == 0;
    FILE *f = is_stdin ? stdin : fopen(path, "rb");
    if (!f) {
        return io_error(err, path, "open it");
    }
    sm_status st = SM_OK;
    char *buf = NULL;
    size_t used = 0;
    size_t capacity = 0;
    for (;;) {
        if (used + 1 >= capacity) {
            size_t wanted = capacity ? capacity * 2 : 65536;
            char *bigger = sm_realloc_array(buf, wanted, 1);
            if (!bigger) {
                st = sm_error_set(err, SM_E_NOMEM, path, 0, "out of memory");
                break;
            }
            buf = bigger;
            capacity = wanted;
        }
        size_t got = fread(buf + used, 1, capacity - used - 1, f);
        used += got;
        if (used > max_bytes) {
            st = sm_error_set(err, SM_E_IO, path, 0, "larger than %zu bytes: not a settings file",
                              max_bytes);
            break;
        }
        if (got == 0) {
            if (ferror(f)) {
                st = io_error(err, path, "read it");
            }
            break;
        }
    }
    if (!is_stdin) {
        (void)fclose(f);
    }
    if (st != SM_OK) {
        sm_free(buf);
        return st;
    }
    buf[used] = '\0';
    *text = buf;
    *n = used;
    return SM_OK;
}

void sm_file_text_free(char *text)
{
    sm_free(text);
}

const char *sm_file_name(const char *path)
{
    const char *slash = strrchr(path, '/');
    return slash ? slash + 1 : path;
}

static sm_status write_all(int fd, const char *p, size_t n, const char *path, sm_error *err)
{
    while (n) {
        ssize_t got = write(fd, p, n);
        if (got < 0 && errno == EINTR) {
            continue;
        }
        if (got <= 0) {
            return io_error(err, path, "write it");
        }
        p += got;
        n -= (size_t)got;
    }
    return SM_OK;
}

static sm_status store_directly(const char *path, const void *data, size_t n, sm_error *err)
{
    bool is_stdout = strcmp(path, "-") == 0;
    int fd = is_stdout ? STDOUT_FILENO : open(path, O_WRONLY | O_CLOEXEC);
    if (fd < 0) {
        return io_error(err, path, "open it for writing");
    }
    sm_status st = write_all(fd, data, n, is_stdout ? "standard output" : path, err);
    if (!is_stdout && close(fd) != 0 && st == SM_OK) {
        st = io_error(err, path, "close it");
    }
    return st;
}

sm_status sm_file_store(const char *path, const void *data, size_t n, sm_error *err)
{
    struct stat s;
    if (strcmp(path, "-") == 0) {
        return store_directly(path, data, n, err);
    }
    bool exists = stat(path, &s) == 0;
    if (exists && S_ISDIR(s.st_mode)) {
        errno = EISDIR;
        return io_error(err, path, "write it");
    }
    if (exists && !S_ISREG(s.st_mode)) {
        return store_directly(path, data, n, err);
    }
    sm_text tmp = {0};
    sm_text_addf(&tmp, "%s.XXXXXX", path);
    if (tmp.failed) {
        sm_text_free(&tmp);
        return sm_error_set(err, SM_E_NOMEM, path, 0, "out of memory");
    }
    int fd = mkstemp(tmp.s);
    sm_status st = fd < 0 ? io_error(err, path, "create it") : SM_OK;
    if (st == SM_OK) {
        mode_t mask = umask(0);
        (void)umask(mask);
        st = fchmod(fd, exists ? s.st_mode & 0777 : 0666 & ~mask) == 0
                 ? write_all(fd, data, n, path, err)
                 : io_error(err, path, "set its permissions");
        if (close(fd) != 0 && st == SM_OK) {
            st = io_error(err, path, "close it");
        }
        if (st == SM_OK && rename(tmp.s, path) != 0) {
            st = io_error(err, path, "rename it into place");
        }
        if (st != SM_OK) {
            (void)unlink(tmp.s);
        }
    }
    sm_text_free(&tmp);
    return st;
}
