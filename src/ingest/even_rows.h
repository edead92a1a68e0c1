/* Lines that are all alike: the same number of plain numbers in each, four of them at a time. */
#ifndef SM_INGEST_EVEN_ROWS_H
#define SM_INGEST_EVEN_ROWS_H

#include "stillmount/status.h"

#include <stdbool.h>
#include <stddef.h>

typedef struct sm_even sm_even;

/* A column of a row: value = number x gain + offset. */
typedef struct sm_even_cell {
    double *to; /* NULL: passed over */
    double gain;
    double offset;
} sm_even_cell;

enum {
    SM_EVEN_CELLS = 256, /* columns at most */
    SM_EVEN_PIECE = 1 << 13,
    SM_EVEN_SLACK = 64, /* bytes behind a text that may be read */
};

/* NULL in *out: this processor cannot. Returns SM_OK; SM_E_NOMEM */
SM_NODISCARD sm_status sm_even_open(sm_even **out);
void sm_even_close(sm_even **e);

/* What the next lines hold; n_cells of 1 to SM_EVEN_CELLS. */
void sm_even_begin(sm_even *e, const sm_even_cell *cells, size_t n_cells, char delimiter,
                   char decimal);
/*
 * Whole lines of at most SM_EVEN_PIECE bytes, from the beginning of one, into rows [*row, most),
 * most <= SM_BLOCK_ROWS: how many bytes it took. It stops before the first line that is not as it
 * should be, and moves *row behind the last one. What lies up to SM_EVEN_SLACK bytes behind the
 * text is read, but changes nothing.
 */
size_t sm_even_rows(sm_even *e, const char *text, size_t n, size_t *row, size_t most);

#endif
