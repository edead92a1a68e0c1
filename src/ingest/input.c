/* Buffered bytes with the hash beside them. */
#include "ingest/input.h"

#include "core/alloc.h"
#include "ingest/json_columns.h"
#include "ingest/utf16.h"
#include "stillmount/number.h"

#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#ifndef SM_FUZZ_BUFFER_BYTES /* less only where short inputs have to fill it */
#define SM_FUZZ_BUFFER_BYTES (1 << 20)
#endif

/* Readers may look a few bytes past the end (plain_rows.c). */
enum { BUFFER_BYTES = SM_FUZZ_BUFFER_BYTES, SLACK_BYTES = 64, HASH_BYTES = 1 << 18 };
/* A patient hash is no further behind: what was read is still in memory then. */
enum { LAG_BYTES = 60 << 20 };
enum { READ_BYTES = 1 << 17 }; /* still in the second cache when they are parsed */
/* Once the beginning is gone, no more of the buffer is used than this, unless a line is longer. */
enum { WINDOW_BYTES = BUFFER_BYTES < (1 << 18) ? BUFFER_BYTES : 1 << 18 };
enum { KEEP_BYTES = BUFFER_BYTES / 64 < 4096 ? BUFFER_BYTES / 64 : 4096 };

struct sm_input {
    char *path;
    int fd;
    bool owned; /* fd is ours to close */
    bool regular;
    char *buf;
    size_t start; /* unread bytes are [start, end) */
    size_t end;
    bool dropped; /* bytes before buf[0] were overwritten */
    bool at_end;
    uint64_t n_bytes; /* read so far, first pass */
    bool first_pass;
    bool cr_lines; /* lines end with CR alone */
    bool split;    /* JSON: rows become lines */
    bool out_of_memory;
    bool looked; /* at the first bytes, for two bytes a sign */
    sm_utf16 wide;
    char *raw;                /* what was read of such a log */
    sm_json_columns *columns; /* the text comes from there */
    FILE *spool;              /* of a pipe whose bytes are needed by place */
    long depth;
    long row_depth; /* of brackets around the rows */
    bool in_string;
    bool escaped;
    sm_digest *digest; /* opened and fed here (pipe) or by the thread (file) */
    bool hash_wanted;
    bool hash_done;
    sm_file_identity identity;
    uint64_t at;    /* place in the file of what is read next */
    uint64_t whole; /* of a file: where the first pass came to its end; a later one stops there */
    uint64_t known; /* of a file: its length when it was opened */
    pthread_mutex_t lock; /* of what the hash thread is told, and `hashed` */
    pthread_cond_t told;
    bool patient;     /* the reader needs the processors: hash before and after it */
    bool reading;     /* a pass over the file is going on */
    bool settled;     /* hash_to will not change any more */
    bool stop;        /* nobody wants to know */
    uint64_t hash_to; /* so far */
    uint64_t seen;    /* by the reader */
    uint64_t hashed;
    pthread_t thread;
    bool thread_running;
    unsigned char *thread_buf;
    uint64_t thread_bytes;
    int thread_errno;
};

static void start_hash(sm_input *in);

sm_status sm_input_open(const char *path, sm_hashing hashing, sm_input **out, sm_error *err)
{
    bool is_stdin = strcmp(path, "-") == 0;
    sm_input *in = sm_alloc_array(1, sizeof *in);
    if (!in) {
        return sm_error_set(err, SM_E_NOMEM, path, 0, "out of memory");
    }
    in->fd = -1;
    in->first_pass = true;
    in->whole = UINT64_MAX;
    (void)pthread_mutex_init(&in->lock, NULL);
    (void)pthread_cond_init(&in->told, NULL);
    bool hash = hashing != SM_HASH_NONE;
    in->hash_wanted = hash;
    in->patient = hashing == SM_HASH_AROUND;
    sm_status st = SM_OK;
    in->path = sm_alloc_text(path);
    in->buf = sm_alloc_array(BUFFER_BYTES + SLACK_BYTES, 1);
    if (!in->path || !in->buf) {
        st = sm_error_set(err, SM_E_NOMEM, path, 0, "out of memory");
        goto done;
    }
    in->fd = is_stdin ? STDIN_FILENO : open(path, O_RDONLY | O_CLOEXEC);
    in->owned = !is_stdin;
    struct stat s;
    if (in->fd < 0 || fstat(in->fd, &s) != 0) {
        st = sm_error_set(err, SM_E_IO, path, 0, "cannot open it: %s", strerror(errno));
        goto done;
    }
    if (S_ISDIR(s.st_mode)) {
        st = sm_error_set(err, SM_E_IO, path, 0, "a folder: name the log inside it");
        goto done;
    }
    in->regular = S_ISREG(s.st_mode) && (!is_stdin || lseek(in->fd, 0, SEEK_CUR) == 0);
    in->known = in->regular ? (uint64_t)s.st_size : 0;
    in->hash_to = in->known;
    bool ready = !hash || (in->regular ? (in->thread_buf = sm_alloc_array(HASH_BYTES, 1)) != NULL
                                       : sm_digest_open(&in->digest) == SM_OK);
    if (!ready) {
        st = sm_error_set(err, SM_E_NOMEM, path, 0, "out of memory");
        goto done;
    }
    const char *name = is_stdin ? "standard input" : sm_file_name(path);
    sm_text_inert(name, strlen(name), in->identity.name, sizeof in->identity.name);
done:
    if (st != SM_OK) {
        sm_input_close(&in);
        return st;
    }
    start_hash(in);
    *out = in;
    return SM_OK;
}

/* Tells the hash thread how far to go. */
static void settle(sm_input *in, uint64_t hash_to)
{
    (void)pthread_mutex_lock(&in->lock);
    in->hash_to = hash_to;
    in->reading = false;
    in->settled = true;
    (void)pthread_cond_signal(&in->told);
    (void)pthread_mutex_unlock(&in->lock);
}

static void join(sm_input *in)
{
    if (in->thread_running) {
        (void)pthread_join(in->thread, NULL);
        in->thread_running = false;
    }
}

static void give_up(sm_input *in)
{
    (void)pthread_mutex_lock(&in->lock);
    in->stop = true;
    (void)pthread_cond_signal(&in->told);
    (void)pthread_mutex_unlock(&in->lock);
    join(in);
}

void sm_input_close(sm_input **in)
{
    if (!*in) {
        return;
    }
    give_up(*in);
    if ((*in)->owned && (*in)->fd >= 0) {
        (void)close((*in)->fd);
    }
    if ((*in)->digest) {
        char hex[65];
        sm_status unwanted = sm_digest_close(&(*in)->digest, hex);
        (void)unwanted;
    }
    (void)pthread_mutex_destroy(&(*in)->lock);
    (void)pthread_cond_destroy(&(*in)->told);
    sm_json_columns_close(&(*in)->columns);
    if ((*in)->spool) {
        (void)fclose((*in)->spool);
    }
    sm_free((*in)->raw);
    sm_free((*in)->thread_buf);
    sm_free((*in)->buf);
    sm_free((*in)->path);
    sm_free(*in);
    *in = NULL;
}

const char *sm_input_data(const sm_input *in, size_t *n)
{
    *n = in->end - in->start;
    return in->buf + in->start;
}

bool sm_input_at_end(const sm_input *in)
{
    return in->at_end;
}

void sm_input_skip(sm_input *in, size_t n)
{
    in->start += n;
}

const char *sm_input_path(const sm_input *in)
{
    return in->path;
}

const char *sm_input_before(const sm_input *in, size_t *n)
{
    *n = in->start;
    return in->buf;
}

/* Of what comes in two bytes a sign, a piece that may grow has to fit. */
static bool is_full(const sm_input *in)
{
    return in->end + (in->wide.is ? 24 : 0) >= BUFFER_BYTES;
}

bool sm_input_is_full(const sm_input *in)
{
    return is_full(in) && in->start == 0;
}

static void split(sm_input *in, size_t from)
{
    for (size_t i = from; i < in->end; i++) {
        char c = in->buf[i];
        if (in->in_string) {
            in->in_string = in->escaped || (c != '"' && c != '\n');
            in->escaped = !in->escaped && c == '\\';
        } else if (c == '"') {
            in->in_string = true;
        } else if (c == '[' || c == '{') {
            in->depth++;
        } else if (c == ']' || c == '}') {
            in->depth -= in->depth > 0;
        } else if (c == ',' && in->depth == in->row_depth) {
            in->buf[i] = '\n';
        } else if ((c == '\n' || c == '\r') && in->depth > in->row_depth) {
            in->buf[i] = ' ';
        }
    }
}

void sm_input_split_rows(sm_input *in, bool bare)
{
    in->row_depth = bare ? 0 : 1;
    in->split = true;
    in->depth = 0;
    in->in_string = in->escaped = false;
    split(in, 0);
}

size_t sm_input_tail(const sm_input *in, char *out, size_t capacity)
{
    struct stat s;
    if (!in->regular || fstat(in->fd, &s) != 0) {
        return 0;
    }
    if (in->columns) {
        return 0;
    }
    size_t wanted = in->wide.is ? capacity / 3 : capacity;
    off_t from = s.st_size > (off_t)wanted ? s.st_size - (off_t)wanted : 0;
    from += in->wide.is && from % 2;
    char *to = in->wide.is ? out + capacity - wanted : out;
    ssize_t got;
    do {
        got = pread(in->fd, to, wanted, from);
    } while (got < 0 && errno == EINTR);
    size_t n = got > 0 ? (size_t)got : 0;
    if (in->wide.is) {
        char copy[256];
        n = n < sizeof copy / 2 ? n : sizeof copy / 2;
        sm_utf16 u = {.is = true, .big = in->wide.big};
        memmove(copy, to, n);
        n = 2 * n + 4 <= capacity ? sm_utf16_text(&u, copy, n, out) : 0;
    }
    return n;
}

/* With the lock held: may the hash thread go on, or end? */
static bool may_hash(const sm_input *in)
{
    bool wait = in->patient && in->reading && in->seen < in->hashed + LAG_BYTES;
    return in->settled || in->stop || (in->hashed < in->hash_to && !wait);
}

/* The hash waits for a reader that needs the processors, and goes on when that has come to its end.
 */
static void tell_hash(sm_input *in)
{
    if (in->regular && in->at_end) {
        in->whole = in->at; /* a log still being written: later passes, and the hash, stop here */
        settle(in, in->whole);
    } else if (in->regular) {
        (void)pthread_mutex_lock(&in->lock);
        in->seen = in->at;
        in->reading = in->at > BUFFER_BYTES; /* more than a look at its beginning */
        if (may_hash(in)) {
            (void)pthread_cond_signal(&in->told);
        }
        (void)pthread_mutex_unlock(&in->lock);
    }
}

/* Some spreadsheets end lines with CR alone. Told from the first bytes, where no LF may be; a pipe
 * may give too few of them to tell. */
static void end_lines(sm_input *in, size_t from)
{
    if (from == 0 && !in->dropped) {
        bool enough = in->regular || in->end >= KEEP_BYTES;
        in->cr_lines = enough && memchr(in->buf, '\r', in->end) &&
                       !memchr(in->buf, '\n', in->end) && !memchr(in->buf, '\0', in->end);
    }
    for (size_t i = from; i < in->end && in->cr_lines; i++) {
        in->buf[i] = in->buf[i] == '\r' ? '\n' : in->buf[i];
    }
}

static ssize_t read_fd(sm_input *in, char *out, size_t room)
{
    room = room < in->whole - in->at ? room : (size_t)(in->whole - in->at);
    ssize_t got;
    do {
        got = read(in->fd, out, room);
    } while (got < 0 && errno == EINTR);
    size_t n = got > 0 ? (size_t)got : 0;
    if (!in->regular && in->digest && in->first_pass) { /* a file's is its thread's */
        sm_digest_push(in->digest, out, n);
    }
    if (in->first_pass) {
        in->n_bytes += n;
    }
    in->at += n;
    return got;
}

/* Two bytes a sign: through a buffer of its own, in pieces that fit however they grow. */
static ssize_t take_wide(sm_input *in, size_t room)
{
    room = room / 2 - 4; /* at least 8: is_full() */
    ssize_t got = read_fd(in, in->raw, room);
    if (got > 0) {
        in->end += sm_utf16_text(&in->wide, in->raw, (size_t)got, in->buf + in->end);
    }
    return got;
}

/* Reads behind in->end and moves that. 0: the end; negative: errno, or out of memory. */
static ssize_t take_bytes(sm_input *in, size_t room)
{
    if (in->wide.is) {
        return take_wide(in, room);
    }
    if (!in->looked && room > BUFFER_BYTES / 2) {
        room = BUFFER_BYTES / 2; /* it may turn out to be UTF-16, which grows by a half */
    }
    ssize_t got = read_fd(in, in->buf + in->end, room);
    while (!in->looked && got > 0 && got < 2) { /* a pipe that gives single bytes */
        ssize_t more = read_fd(in, in->buf + in->end + got, room - (size_t)got);
        if (more <= 0) {
            break;
        }
        got += more;
    }
    if (!in->looked && got > 0) {
        in->looked = true;
        in->wide = sm_utf16_look(in->buf, (size_t)got);
        if (in->wide.is) {
            in->raw = sm_alloc_array(READ_BYTES, 1);
            in->out_of_memory = !in->raw;
            if (!in->raw) {
                return -1;
            }
            memcpy(in->raw, in->buf, (size_t)got);
            in->end = sm_utf16_text(&in->wide, in->raw, (size_t)got, in->buf);
            return got;
        }
    }
    in->end += got > 0 ? (size_t)got : 0;
    return got;
}

static ssize_t take_columns(sm_input *in, size_t room)
{
    ssize_t got = sm_json_columns_read(in->columns, in->buf + in->end, room);
    in->end += got > 0 ? (size_t)got : 0;
    in->at = sm_json_columns_at(in->columns);
    return got;
}

sm_status sm_input_more(sm_input *in, sm_error *err)
{
    if (in->at_end) {
        return SM_OK;
    }
    /* Keep what was read until the buffer is full, so that a pipe's beginning can be looked at
     * twice. */
    if (in->start && (is_full(in) || (in->dropped && in->end >= WINDOW_BYTES))) {
        size_t keep = in->start >= 4 * KEEP_BYTES ? KEEP_BYTES : 0; /* for sm_input_before() */
        size_t gone = in->start - keep;
        memmove(in->buf, in->buf + gone, in->end - gone);
        in->end -= gone;
        in->start = keep;
        in->dropped = true;
    }
    if (is_full(in)) {
        return sm_error_set(
            err, SM_E_FORMAT, in->path, 0,
            "no line end within %d bytes: this is not a text log that can be read; write one row "
            "per line",
            BUFFER_BYTES);
    }
    size_t room = BUFFER_BYTES - in->end;
    room = room < READ_BYTES ? room : READ_BYTES;
    size_t from = in->end;
    ssize_t got = in->columns ? take_columns(in, room) : take_bytes(in, room);
    if (got < 0) {
        return in->out_of_memory
                   ? sm_error_set(err, SM_E_NOMEM, in->path, 0, "out of memory")
                   : sm_error_set(err, SM_E_IO, in->path, 0, "cannot read it: %s", strerror(errno));
    }
    end_lines(in, from);
    if (in->split) {
        split(in, from);
    }
    in->at_end = got == 0;
    tell_hash(in);
    return SM_OK;
}

bool sm_input_is_regular(const sm_input *in)
{
    return in->regular;
}

sm_status sm_input_rewind(sm_input *in, sm_error *err)
{
    if (!in->dropped) {
        in->start = 0;
        return SM_OK;
    }
    if (in->columns) {
        sm_json_columns_restart(in->columns);
    } else if (!in->regular || lseek(in->fd, 0, SEEK_SET) != 0) {
        return sm_error_set(err, SM_E_IO, in->path, 0,
                            "cannot be read twice, and this job needs it: give a file, not a pipe");
    }
    in->first_pass = false;
    sm_utf16_restart(&in->wide);
    in->at = 0;
    in->start = in->end = 0;
    in->dropped = false;
    in->at_end = false;
    in->depth = 0;
    in->in_string = in->escaped = false;
    return SM_OK;
}

/* Copies a pipe, of which nothing was skipped, to a file that goes with this process. */
static sm_status spool(sm_input *in, sm_error *err)
{
    in->spool = tmpfile();
    bool good = in->spool && fwrite(in->buf, 1, in->end, in->spool) == in->end;
    ssize_t got = good ? 1 : 0;
    while (good && got > 0) {
        got = read_fd(in, in->buf, READ_BYTES);
        good = got >= 0 && fwrite(in->buf, 1, (size_t)got, in->spool) == (size_t)got;
    }
    good = good && fflush(in->spool) == 0;
    return good ? SM_OK
                : sm_error_set(err, SM_E_IO, in->path, 0, "cannot copy it to a temporary file: %s",
                               strerror(errno));
}

sm_status sm_input_use_columns(sm_input *in, sm_error *err)
{
    if (in->wide.is) {
        return sm_error_set(err, SM_E_FORMAT, in->path, 1,
                            "JSON in UTF-16 with one array per column: save it as UTF-8");
    }
    sm_status st = in->regular ? SM_OK : spool(in, err);
    int fd = in->regular ? in->fd : -1;
    fd = st == SM_OK && in->spool ? fileno(in->spool) : fd;
    if (st == SM_OK) {
        st = sm_json_columns_open(fd, in->path, &in->columns, err);
    }
    in->start = in->end = 0;
    in->dropped = in->at_end = false;
    return st;
}

bool sm_input_is_columns(const sm_input *in)
{
    return in->columns != NULL;
}

/* How many bytes to hash next; 0: no more. */
static size_t next_to_hash(sm_input *in)
{
    (void)pthread_mutex_lock(&in->lock);
    in->hashed = in->thread_bytes;
    while (!may_hash(in)) {
        (void)pthread_cond_wait(&in->told, &in->lock);
    }
    uint64_t left = in->stop || in->hash_to < in->hashed ? 0 : in->hash_to - in->hashed;
    (void)pthread_mutex_unlock(&in->lock);
    return left < HASH_BYTES ? (size_t)left : HASH_BYTES;
}

static void *hash_file(void *self)
{
    sm_input *in = self;
    if (sm_digest_open(&in->digest) != SM_OK) { /* here: the library takes milliseconds to begin */
        return NULL;                            /* sm_input_identity() tells */
    }
    size_t n;
    while ((n = next_to_hash(in)) > 0) {
        ssize_t got = pread(in->fd, in->thread_buf, n, (off_t)in->thread_bytes);
        if (got < 0 && errno == EINTR) {
            continue;
        }
        if (got <= 0) {
            in->thread_errno = got < 0 ? errno : 0;
            break;
        }
        sm_digest_push(in->digest, in->thread_buf, (size_t)got);
        in->thread_bytes += (uint64_t)got;
    }
    return NULL;
}

static void start_hash(sm_input *in)
{
    in->thread_running =
        in->hash_wanted && in->regular && pthread_create(&in->thread, NULL, hash_file, in) == 0;
}

sm_status sm_input_identity(sm_input *in, sm_file_identity *out, sm_error *err)
{
    if (in->hash_wanted && !in->hash_done) {
        settle(in, in->whole);
        if (in->regular && !in->thread_running) {
            (void)hash_file(in); /* no thread could be had */
        }
        join(in);
        if (!in->digest) {
            return sm_error_set(err, SM_E_NOMEM, in->path, 0, "out of memory");
        }
        if (in->thread_errno) {
            return sm_error_set(err, SM_E_IO, in->path, 0, "cannot read it: %s",
                                strerror(in->thread_errno));
        }
        if (sm_digest_close(&in->digest, in->identity.sha256) != SM_OK) {
            return sm_error_set(err, SM_E_NOMEM, in->path, 0, "out of memory");
        }
        in->hash_done = true;
        in->identity.bytes = in->regular ? in->thread_bytes : in->n_bytes;
    } else if (!in->hash_wanted) {
        in->identity.bytes = in->n_bytes;
    }
    *out = in->identity;
    return SM_OK;
}
