/* Threads that each run one part over the same stream of blocks. */
#ifndef SM_SURVEY_WORKERS_H
#define SM_SURVEY_WORKERS_H

#include "survey/part.h"

typedef struct sm_workers sm_workers;

/* parts outlive the workers. n_channels of the blocks that will be pushed. */
sm_status sm_workers_open(sm_part *parts, size_t n_parts, size_t n_channels, sm_workers **out);
/* Copies the block and returns as soon as there is room; an earlier failure of a part comes back.
 */
sm_status sm_workers_push(sm_workers *w, const sm_block *b, sm_error *err);
sm_status sm_workers_mark(sm_workers *w, sm_mark m, double t_s, sm_error *err);
/* Waits until everything pushed is done. */
sm_status sm_workers_join(sm_workers *w, sm_error *err);
void sm_workers_close(sm_workers **w);

#endif
