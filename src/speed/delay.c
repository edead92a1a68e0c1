/* Rows that wait for their angle: a ring of chunks, allocated once. */
#include "core/alloc.h"
#include "core/column.h"
#include "speed/stage.h"

#include <math.h>
#include <string.h>

sm_status sm_delay_open(sm_delay *d, size_t n_channels, double rate_hz)
{
    /* what the delay holds, the block that comes, a started and an unfinished chunk */
    size_t rows = (size_t)(SM_SPEED_DELAY_S * rate_hz) + SM_BLOCK_ROWS;
    d->n_chunks = rows / SM_BLOCK_ROWS + 4;
    d->n_channels = n_channels;
    d->rate_hz = rate_hz;
    d->chunks = sm_alloc_array(d->n_chunks, sizeof *d->chunks);
    if (!d->chunks) {
        return SM_E_NOMEM;
    }
    for (size_t i = 0; i < d->n_chunks; i++) {
        d->chunks[i].x = sm_alloc_array(n_channels * SM_COLUMN_STEP, sizeof(double));
        if (!d->chunks[i].x) {
            return SM_E_NOMEM;
        }
    }
    return SM_OK;
}

void sm_delay_close(sm_delay *d)
{
    for (size_t i = 0; d->chunks && i < d->n_chunks; i++) {
        sm_free(d->chunks[i].x);
    }
    sm_free(d->chunks);
    *d = (sm_delay){0};
}

double sm_delay_oldest_s(const sm_delay *d)
{
    if (d->used == 0) {
        return NAN;
    }
    const sm_delay_chunk *c = &d->chunks[d->head];
    return c->t0_s + (double)c->done / d->rate_hz;
}

void sm_delay_append(sm_delay *d, const sm_block *b, size_t from)
{
    while (from < b->n_rows) {
        sm_delay_chunk *c = d->used ? &d->chunks[(d->head + d->used - 1) % d->n_chunks] : NULL;
        if (!c || c->n == SM_BLOCK_ROWS) {
            c = &d->chunks[(d->head + d->used) % d->n_chunks];
            d->used++;
            c->n = 0;
            c->done = 0;
            c->t0_s = b->t0_s + (double)from / d->rate_hz;
            c->i_row = b->i_row + from;
            c->line = b->line > 0 ? b->line + (long)from : 0;
        }
        size_t n = SM_BLOCK_ROWS - c->n;
        n = n < b->n_rows - from ? n : b->n_rows - from;
        for (size_t k = 0; k < d->n_channels; k++) {
            memcpy(c->x + k * SM_COLUMN_STEP + c->n, b->x[k] + from, n * sizeof(double));
        }
        c->n += n;
        from += n;
    }
}
