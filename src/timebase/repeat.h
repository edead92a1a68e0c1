/*
 * Rows that repeat earlier rows of the log to the last digit, however far back: a recording
 * appended to itself would count its seconds twice. Windows of rows are hashed as they roll by; of
 * the windows whose hash ends in zeros the first place is remembered, in a table that does not
 * grow.
 */
#ifndef SM_TIMEBASE_REPEAT_H
#define SM_TIMEBASE_REPEAT_H

#include "stillmount/status.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { SM_REPEAT_WINDOW = 32, SM_REPEAT_RING = 64, SM_REPEAT_SLOTS = 1 << 16 };

typedef struct sm_repeat_mark {
    uint64_t hash; /* 0 = free */
    uint64_t row;  /* UINT64_MAX: seen again soon, as in a steady tone: says nothing */
} sm_repeat_mark;

typedef struct sm_repeat {
    sm_repeat_mark *marks; /* [SM_REPEAT_SLOTS] */
    size_t n_marks;
    uint64_t mask;
    uint64_t ring[SM_REPEAT_RING]; /* hashes of the last rows */
    uint64_t rolling;
    uint64_t power; /* of the base, for the row that leaves the window */
    uint64_t i_row;
    uint64_t soon; /* rows */
    uint64_t distance;
    uint64_t first; /* row of the first window of this repeat */
    int n_matches;
    uint64_t n_rows; /* found to be repeats */
} sm_repeat;

/* soon: windows that come back within so many rows are a tone's. */
SM_NODISCARD sm_status sm_repeat_open(sm_repeat *r, uint64_t soon);
void sm_repeat_reset(sm_repeat *r);
void sm_repeat_close(sm_repeat *r);
/* One hash for each of n rows of x[n_channels]. */
void sm_repeat_hash(double *const *x, size_t n_channels, size_t n, uint64_t *hash);
/* Takes the hashes of the next n rows; again[i] when the row belongs to a stretch that is a repeat.
 */
void sm_repeat_rows(sm_repeat *r, const uint64_t *hash, size_t n, bool *again);

#endif
