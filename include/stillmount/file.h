/* Small files read whole; output written beside its target and renamed, never half there. */
#ifndef STILLMOUNT_FILE_H
#define STILLMOUNT_FILE_H

#include "stillmount/status.h"

#include <stdbool.h>
#include <stdint.h>

/**
 * Loads a whole file ("-" = standard input) of at most max_bytes into *text, NUL-terminated, freed
 * with sm_file_text_free(). SM_OK; SM_E_IO (missing, a directory, unreadable, too large);
 * SM_E_NOMEM.
 */
SM_API SM_NODISCARD sm_status sm_file_load(const char *path, size_t max_bytes, char **text,
                                           size_t *n, sm_error *err);
SM_API void sm_file_text_free(char *text);

/**
 * Writes n bytes to path: to "-" (standard output) and to devices and pipes directly, otherwise to
 * a temporary file in the same directory that is renamed over path when complete. On any failure
 * path is as it was. SM_OK or SM_E_IO.
 */
SM_API SM_NODISCARD sm_status sm_file_store(const char *path, const void *data, size_t n,
                                            sm_error *err);

/* Output of unknown length, with the same promise as sm_file_store(). */
typedef struct sm_file_writer sm_file_writer;
SM_API SM_NODISCARD sm_status sm_file_writer_open(const char *path, sm_file_writer **out,
                                                  sm_error *err);
SM_API SM_NODISCARD sm_status sm_file_writer_put(sm_file_writer *w, const void *data, size_t n,
                                                 sm_error *err);
/** For a library that writes by itself; seekable unless the target is a device or a pipe. */
SM_API int sm_file_writer_descriptor(const sm_file_writer *w);
/** The end: renames over the target. *w becomes NULL whatever happens. SM_OK or SM_E_IO. */
SM_API SM_NODISCARD sm_status sm_file_writer_keep(sm_file_writer **w, sm_error *err);
/** Gives up: the target stays as it was. Sets *w to NULL; a NULL *w is fine. */
SM_API void sm_file_writer_drop(sm_file_writer **w);

/** The part of a path behind the last '/'. Points into path. */
SM_API const char *sm_file_name(const char *path);

/* SHA-256 (FIPS 180-4) fed in blocks, through a library that uses the processor's instructions. */
typedef struct sm_digest sm_digest;
SM_API SM_NODISCARD sm_status sm_digest_open(sm_digest **out);
SM_API void sm_digest_push(sm_digest *d, const void *data, size_t n);
/** 64 lower-case hex digits and a NUL; the digest is closed. SM_OK, or SM_E_NOMEM. */
SM_API SM_NODISCARD sm_status sm_digest_close(sm_digest **d, char hex[65]);

/* Name, size and hash of an input file, for reports. */
typedef struct sm_file_identity {
    char name[256]; /* without directories, harmless to print */
    uint64_t bytes;
    char sha256[65];
} sm_file_identity;

/** Reads the file once. SM_OK, SM_E_IO, SM_E_NOMEM. */
SM_API SM_NODISCARD sm_status sm_file_identify(const char *path, sm_file_identity *out,
                                               sm_error *err);

#endif
