/* Reading ahead: a thread of its own fetches the next rows while the caller works on the last. */
#ifndef SM_INGEST_AHEAD_H
#define SM_INGEST_AHEAD_H

#include "ingest/raw.h"

/* Fills rows with what comes next; rows->n = 0 is the end. */
typedef sm_status (*sm_ahead_fn)(void *self, sm_rows *rows, sm_error *err);

typedef struct sm_ahead sm_ahead;

/*
 * Starts the thread: from now on only it calls fetch, until the end, a failure, or the closing.
 * Returns SM_OK; SM_E_NOMEM, also when no thread can be had
 */
SM_NODISCARD sm_status sm_ahead_open(sm_ahead_fn fetch, void *self, size_t n_channels,
                                     sm_ahead **out);
/*
 * The next rows, in the order in which they were fetched. They are exchanged for those handed in,
 * not copied. Not to be called again behind the end or a failure.
 */
SM_NODISCARD sm_status sm_ahead_next(sm_ahead *a, sm_rows *rows, sm_error *err);
void sm_ahead_close(sm_ahead **a);

#endif
