/* See the header. Rows are moved to the front only when room is needed. */
#include "timebase/fifo.h"

#include "core/alloc.h"

#include <string.h>

static void point(sm_fifo *f)
{
    for (size_t c = 0; c < f->n_columns; c++) {
        f->column[c] = f->memory + c * f->capacity + f->front;
    }
}

sm_status sm_fifo_open(sm_fifo *f, size_t n_columns, size_t rows)
{
    double *memory = sm_alloc_array(n_columns * rows, sizeof *memory);
    if (!memory) {
        return SM_E_NOMEM;
    }
    *f = (sm_fifo){.n_columns = n_columns, .memory = memory, .capacity = rows};
    point(f);
    return SM_OK;
}

void sm_fifo_close(sm_fifo *f)
{
    sm_free(f->memory);
    *f = (sm_fifo){0};
}

sm_status sm_fifo_reserve(sm_fifo *f, size_t n)
{
    if (f->front + f->n + n <= f->capacity) {
        return SM_OK;
    }
    if (f->n + n <= f->capacity / 2) {
        for (size_t c = 0; c < f->n_columns; c++) {
            memmove(f->memory + c * f->capacity, f->column[c], f->n * sizeof(double));
        }
        f->front = 0;
        point(f);
        return SM_OK;
    }
    size_t wanted = 2 * (f->n + n);
    double *memory = sm_alloc_array(f->n_columns * wanted, sizeof *memory);
    if (!memory) {
        return SM_E_NOMEM;
    }
    for (size_t c = 0; c < f->n_columns; c++) {
        memcpy(memory + c * wanted, f->column[c], f->n * sizeof(double));
    }
    sm_free(f->memory);
    f->memory = memory;
    f->capacity = wanted;
    f->front = 0;
    point(f);
    return SM_OK;
}

void sm_fifo_drop(sm_fifo *f, size_t n)
{
    f->front += n;
    f->n -= n;
    point(f);
}
