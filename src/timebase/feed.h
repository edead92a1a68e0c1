/* One file on its way to the grid: cleaned rows, dealt out to the tracks that share a clock. */
#ifndef SM_TIMEBASE_FEED_H
#define SM_TIMEBASE_FEED_H

#include "ingest/raw.h"
#include "timebase/checks.h"
#include "timebase/repeat.h"
#include "timebase/track.h"

enum { SM_MAX_TRACKS = 16 };

/* A kind of event in the time column: how many, and the first places. */
typedef struct sm_events {
    long n;
    sm_place at[SM_FINDING_PLACES];
    double total_s;
} sm_events;

void sm_events_add(sm_events *e, double t0_s, double t1_s, long line);

enum { RESETS_MOST = 20 }; /* jumps back that still look like a logger started again */

typedef struct sm_feed {
    sm_raw *raw;
    sm_rows rows; /* the last block, cleaned */
    bool ended;
    bool simple;           /* one clean track with all channels: rows are blocks as they are */
    bool prescanned;       /* the whole file was read for its clock */
    double scale;          /* of the stamps, when a declared rate overrules them */
    double shift_s;        /* added: from this file's first row to the run's time */
    double judged_rate_hz; /* from the stamps */
    bool late_start;       /* the first row stands alone: left out */
    int referee;           /* +1, 0, -1; only asked when stamps are rough */
    sm_track tracks[SM_MAX_TRACKS];
    size_t n_tracks;
    sm_checks checks;
    bool checking;
    double head_s;   /* time of the last row read */
    double stamp0_s; /* what the clock said at the first row */
    /* cleaning */
    double wrap_s;
    double last_raw_s;
    double last_s;
    double max_raw;
    double *last_x;
    uint64_t n_seen;
    sm_events duplicates;
    sm_events reversed;
    sm_events wraps;
    sm_events resets;
    sm_events gaps;
    sm_repeat repeat;
    bool vibrates;     /* has an accelerometer or a gyro */
    bool repeating;    /* the last row was a repeat */
    sm_events repeats; /* stretches */
    long n_again;      /* repeated rows left out, because the logger had been started again */
    long n_lost_stamps;
} sm_feed;

/*
 * Opens a file, looks at its beginning, judges its clocks; rough clocks are judged on the whole
 * file when it can be read twice.
 */
SM_NODISCARD sm_status sm_feed_open(const char *path, const char *channels_path, sm_hashing hashing,
                                    sm_feed *out, sm_error *err);
void sm_feed_close(sm_feed *f);
/* Before each pump. */
SM_NODISCARD sm_status sm_feed_rewind(sm_feed *f, sm_error *err);
/* Reads and cleans the next rows into f->rows; ended when there are none. */
SM_NODISCARD sm_status sm_feed_read(sm_feed *f, sm_error *err);
/* The same, and deals them out to the tracks. */
SM_NODISCARD sm_status sm_feed_more(sm_feed *f, sm_error *err);
const sm_raw_info *sm_feed_info(const sm_feed *f);
const char *sm_feed_path(const sm_feed *f);

#endif
