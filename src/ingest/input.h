/* Bytes of a log: one big buffer over a file or a pipe, and the hash of what went through it. */
#ifndef SM_INGEST_INPUT_H
#define SM_INGEST_INPUT_H

#include "stillmount/file.h"

#include <stdbool.h>

typedef struct sm_input sm_input;

typedef enum sm_hashing {
    SM_HASH_NONE,
    SM_HASH_BESIDE, /* while the file is read */
    SM_HASH_AROUND  /* before and after, and during it only to be at most 60 MB behind: for a
                       reader that needs all processors */
} sm_hashing;

/*
 * Text in UTF-16 is handed out as UTF-8; what is hashed is the file. path "-" = standard input. A
 * regular file is hashed by a thread of its own that reads the same pages again (SHA-256 costs more
 * than the parsing) and begins at once; a pipe is hashed as it is read. A file that grows is read,
 * and hashed, up to where the first pass found its end.
 */
SM_NODISCARD sm_status sm_input_open(const char *path, sm_hashing hashing, sm_input **out,
                                     sm_error *err);
void sm_input_close(sm_input **in);

/* The unread bytes: valid until the next call of sm_input_more or sm_input_rewind. */
const char *sm_input_data(const sm_input *in, size_t *n);
/* Bytes read before the unread ones, as far as they are still there: not all of them. */
const char *sm_input_before(const sm_input *in, size_t *n);
bool sm_input_at_end(const sm_input *in); /* nothing follows the unread bytes */
void sm_input_skip(sm_input *in, size_t n);
bool sm_input_is_full(const sm_input *in); /* no more can be read before something is skipped */
/*
 * From the first byte on, the commas of the outermost JSON array end lines and the line ends inside
 * a row are blanks; bare: there is no array around the rows. Before anything was skipped.
 */
void sm_input_split_rows(sm_input *in, bool bare);
/*
 * The log is one JSON object with an array per column: from here on its text is that of
 * json_columns.h. Before anything was skipped. SM_E_FORMAT: it is no such object.
 */
SM_NODISCARD sm_status sm_input_use_columns(sm_input *in, sm_error *err);
bool sm_input_is_columns(const sm_input *in);
/* The last bytes of a regular file, whatever has been read: at most `capacity`; 0 of a pipe. */
size_t sm_input_tail(const sm_input *in, char *out, size_t capacity);
/* Reads more behind the unread bytes; SM_E_FORMAT when the buffer is full (an endless line). */
SM_NODISCARD sm_status sm_input_more(sm_input *in, sm_error *err);
/* Back to the first byte; SM_E_IO on a pipe from which more than the buffer was read. */
SM_NODISCARD sm_status sm_input_rewind(sm_input *in, sm_error *err);
bool sm_input_is_regular(const sm_input *in); /* a file: can be read again at any time */

/* After the last byte was read: waits for the hash. Name, size, hash ("" when it was not wanted).
 */
SM_NODISCARD sm_status sm_input_identity(sm_input *in, sm_file_identity *out, sm_error *err);
const char *sm_input_path(const sm_input *in);

#endif
