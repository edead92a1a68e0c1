/* Columns of doubles that are filled at the end and emptied at the front. */
#ifndef SM_TIMEBASE_FIFO_H
#define SM_TIMEBASE_FIFO_H

#include "stillmount/status.h"

#include <stdbool.h>

enum { SM_FIFO_COLUMNS = 80 };

typedef struct sm_fifo {
    size_t n_columns;
    double *column[SM_FIFO_COLUMNS]; /* first element = front */
    size_t n;
    double *memory;
    size_t capacity; /* rows per column */
    size_t front;    /* rows dropped but not moved yet */
} sm_fifo;

SM_NODISCARD sm_status sm_fifo_open(sm_fifo *f, size_t n_columns, size_t rows);
void sm_fifo_close(sm_fifo *f);
/* Room for n more rows behind the end; moves or grows. SM_OK or SM_E_NOMEM. */
SM_NODISCARD sm_status sm_fifo_reserve(sm_fifo *f, size_t n);
/* Drops n rows from the front. */
void sm_fifo_drop(sm_fifo *f, size_t n);

#endif
