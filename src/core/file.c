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
            if (ferror(f) && errno == EISDIR) {
                st = sm_error_set(err, SM_E_IO, path, 0, "a folder: name the file inside it");
            } else if (ferror(f)) {
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

struct sm_file_writer {
    int fd;
    char *path;
    char *beside; /* the temporary file; NULL when writing directly */
};

/* Creates the file beside the target with the target's permissions, or the usual ones. */
static sm_status open_beside(sm_file_writer *w, const struct stat *old, sm_error *err)
{
    sm_text tmp = {0};
    sm_text_addf(&tmp, "%s.XXXXXX", w->path);
    w->beside = tmp.failed ? NULL : sm_alloc_text(tmp.s);
    sm_text_free(&tmp);
    if (!w->beside) {
        return sm_error_set(err, SM_E_NOMEM, w->path, 0, "out of memory");
    }
    w->fd = mkstemp(w->beside);
    if (w->fd < 0) {
        sm_free(w->beside);
        w->beside = NULL;
        return io_error(err, w->path, "create it");
    }
    mode_t mask = umask(0);
    (void)umask(mask);
    if (fchmod(w->fd, old ? old->st_mode & 0777 : 0666 & ~mask) != 0) {
        return io_error(err, w->path, "set its permissions");
    }
    return SM_OK;
}

static sm_status open_target(sm_file_writer *w, sm_error *err)
{
    struct stat s;
    if (strcmp(w->path, "-") == 0) {
        w->fd = STDOUT_FILENO;
        return SM_OK;
    }
    bool exists = stat(w->path, &s) == 0;
    if (exists && S_ISDIR(s.st_mode)) {
        errno = EISDIR;
        return io_error(err, w->path, "write it");
    }
    if (!exists || S_ISREG(s.st_mode)) {
        return open_beside(w, exists ? &s : NULL, err);
    }
    w->fd = open(w->path, O_WRONLY | O_CLOEXEC);
    return w->fd < 0 ? io_error(err, w->path, "open it for writing") : SM_OK;
}

sm_status sm_file_writer_open(const char *path, sm_file_writer **out, sm_error *err)
{
    sm_file_writer *w = sm_alloc_array(1, sizeof *w);
    char *copy = sm_alloc_text(path);
    if (!w || !copy) {
        sm_free(w);
        sm_free(copy);
        return sm_error_set(err, SM_E_NOMEM, path, 0, "out of memory");
    }
    w->fd = -1;
    w->path = copy;
    sm_status st = open_target(w, err);
    if (st != SM_OK) {
        sm_file_writer_drop(&w);
        return st;
    }
    *out = w;
    return SM_OK;
}

sm_status sm_file_writer_put(sm_file_writer *w, const void *data, size_t n, sm_error *err)
{
    const char *name = w->fd == STDOUT_FILENO ? "standard output" : w->path;
    return write_all(w->fd, data, n, name, err);
}

int sm_file_writer_descriptor(const sm_file_writer *w)
{
    return w->fd;
}

/* Closes and forgets; the temporary file goes unless it was renamed. */
static void writer_free(sm_file_writer *w, bool renamed)
{
    if (w->fd >= 0 && w->fd != STDOUT_FILENO) {
        (void)close(w->fd);
    }
    if (w->beside && !renamed) {
        (void)unlink(w->beside);
    }
    sm_free(w->beside);
    sm_free(w->path);
    sm_free(w);
}

sm_status sm_file_writer_keep(sm_file_writer **writer, sm_error *err)
{
    sm_file_writer *w = *writer;
    *writer = NULL;
    sm_status st = SM_OK;
    if (w->fd != STDOUT_FILENO) {
        st = close(w->fd) != 0 ? io_error(err, w->path, "close it") : SM_OK;
        w->fd = -1;
    }
    if (st == SM_OK && w->beside && rename(w->beside, w->path) != 0) {
        st = io_error(err, w->path, "rename it into place");
    }
    writer_free(w, st == SM_OK);
    return st;
}

void sm_file_writer_drop(sm_file_writer **writer)
{
    if (*writer) {
        writer_free(*writer, false);
        *writer = NULL;
    }
}

sm_status sm_file_store(const char *path, const void *data, size_t n, sm_error *err)
{
    sm_file_writer *w = NULL;
    sm_status st = sm_file_writer_open(path, &w, err);
    if (st != SM_OK) {
        return st;
    }
    st = sm_file_writer_put(w, data, n, err);
    if (st == SM_OK) {
        return sm_file_writer_keep(&w, err);
    }
    sm_file_writer_drop(&w);
    return st;
}
