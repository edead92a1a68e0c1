/* Files that are no log: what they are, and what to do with them, for the error. */
#ifndef SM_INGEST_OTHER_KIND_H
#define SM_INGEST_OTHER_KIND_H

#include <stddef.h>

/** Of a file that is not text: never NULL. */
const char *sm_packed_kind(const char *text, size_t n);
/**
 * A settings file or a page that was named as the log; NULL: it may be one. All n bytes count: rows
 * of numbers behind a preamble of settings are a log.
 */
const char *sm_other_kind(const char *text, size_t n);

#endif
