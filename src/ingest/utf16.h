/* Text in two bytes a sign, as spreadsheets save it, becomes UTF-8 before anybody looks at it. */
#ifndef SM_INGEST_UTF16_H
#define SM_INGEST_UTF16_H

#include <stdbool.h>
#include <stddef.h>

enum { SM_UTF16_GROWTH = 2 }; /* bytes of UTF-8 for each byte, at most, and a few */

typedef struct sm_utf16 {
    bool is;            /* else nothing needs to be done */
    bool big;           /* the larger half of each pair comes first */
    unsigned char half; /* a byte whose pair has not come yet */
    bool has_half;
    unsigned high; /* a high surrogate whose other half has not come yet; 0 = none */
} sm_utf16;

/* By its mark, or by every second byte being zero: n bytes from the log's first one on. */
sm_utf16 sm_utf16_look(const char *s, size_t n);
/* Returns the number of bytes in out, at most 2 n + 4. What is no pair becomes '?'. */
size_t sm_utf16_text(sm_utf16 *u, const char *s, size_t n, char *out);
/* Back to the log's beginning. */
void sm_utf16_restart(sm_utf16 *u);

#endif
