/* The channels that share one clock: rows with stamps in, uniform samples out. */
#ifndef SM_TIMEBASE_TRACK_H
#define SM_TIMEBASE_TRACK_H

#include "stillmount/block.h"
#include "timebase/clock.h"
#include "timebase/fifo.h"
#include "timebase/resample.h"

/* Columns of the fifos; channels follow. */
enum { SM_TRACK_T = 0, SM_TRACK_SEGMENT, SM_TRACK_LINE, SM_TRACK_X };

/* Called for every gap that a track finds. */
typedef struct sm_gap_sink {
    void *self;
    void (*gap)(void *self, double from_s, double to_s, long line);
} sm_gap_sink;

typedef struct sm_track {
    size_t channel[SM_MAX_CHANNELS]; /* of the feed */
    size_t n_channels;
    sm_clock clock;
    bool sparse; /* rows without a value of this track are rows of others, not missing ones */
    bool held;   /* rpm: straight lines between readings, no sampling theorem */
    sm_gap_sink gaps;
    sm_fifo ready;   /* uniform samples: time, segment, line, channels */
    sm_fifo pending; /* rows that wait for the ones behind them */
    sm_envelope *envelope;
    double *scratch; /* of the regridding */
    size_t scratch_rows;
    sm_slope slope;
    double segment; /* number of the running segment */
    double rows;    /* rows so far */
    double index;   /* row in the segment */
    double anchor_s;
    double last_s;
    double grid_s; /* TRUE: next grid point */
    uint64_t n_rows;
} sm_track;

SM_NODISCARD sm_status sm_track_open(sm_track *t);
void sm_track_close(sm_track *t);
/* Back to the state behind sm_track_open. */
SM_NODISCARD sm_status sm_track_reset(sm_track *t);
/* One row: x[channel[c]][i]. Stamps rise or stay equal. */
SM_NODISCARD sm_status sm_track_push(sm_track *t, double stamp_s, long line, double *const *x,
                                     size_t i);
/* Nothing follows. */
SM_NODISCARD sm_status sm_track_end(sm_track *t);

#endif
