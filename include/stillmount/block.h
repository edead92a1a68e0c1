/* What flows through the pipeline: channels that know their role and unit, blocks of rows, sinks.
 */
#ifndef STILLMOUNT_BLOCK_H
#define STILLMOUNT_BLOCK_H

#include "stillmount/findings.h"
#include "stillmount/status.h"
#include "stillmount/units.h"

#include <stdbool.h>
#include <stdint.h>

#ifndef SM_FUZZ_BLOCK_ROWS /* fewer rows only where short inputs have to reach a block's end */
#define SM_FUZZ_BLOCK_ROWS 4096
#endif

enum {
    SM_BLOCK_ROWS = SM_FUZZ_BLOCK_ROWS, /* most rows in one block */
    SM_MAX_CHANNELS = 64,
};

typedef enum sm_role {
    SM_ROLE_IGNORE = 0,
    SM_ROLE_TIME,     /* time stamp */
    SM_ROLE_INTERVAL, /* time since the last row */
    SM_ROLE_ACCEL,
    SM_ROLE_GYRO,
    SM_ROLE_MAG,
    SM_ROLE_TACH, /* pulse level, or times of pulses */
    SM_ROLE_RPM,
    SM_ROLE_COUNT
} sm_role;

typedef enum sm_shaft { SM_SHAFT_CRANK = 0, SM_SHAFT_PROP } sm_shaft;

/* One column of a log that has a role. */
typedef struct sm_channel {
    char name[96];  /* role in full: "mount.accel.x", "prop.accel.y", "tach", "rpm" */
    char place[48]; /* "mount", "base", ...; "" for tach, rpm, time */
    sm_role role;
    int axis;            /* 0 x, 1 y, 2 z; -1 for the rest */
    char column[96];     /* the column's name in the log, harmless to print */
    const sm_unit *unit; /* unit of the log */
    sm_quantity quantity;
    double gain; /* SI value = raw * gain + offset_si (scale, unit and invert in it) */
    double offset_si;
    double range_si;       /* sensor full scale, one-sided; 0 = not declared */
    double native_rate_hz; /* of a sensor slower than the blocks, which were interpolated; 0 = the
                              rate of the blocks. Nothing above 0.4 of it was measured */
    double bandwidth_hz;   /* sensor's own low-pass; 0 = not declared */
    bool anti_alias;       /* declared: filtered before sampling below half the rate */
    bool ac_coupled;
    double tolerance;    /* calibration tolerance as a fraction; < 0 = not stated */
    sm_shaft shaft;      /* tach, rpm: whose */
    bool shaft_given;    /* the log or the channels file says whose */
    long pulses_per_rev; /* tach; 0 = not given */
    double stamp0_s;     /* tach of quantity SM_QUANTITY_TIME, whose values are times of pulses (the
                            last one at each row, or one where it came, else NaN): what the clock of
                            these says where the blocks count 0 */
    bool oriented;       /* an [orientation] of the channels file was applied */
} sm_channel;

/*
 * A piece of a log: uniform in time once past the time base. Arrays belong to the sender and are
 * valid during the call only. Rows of consecutive blocks follow each other without a break unless
 * an SM_MARK_GAP comes between them.
 */
typedef struct sm_block {
    size_t n_rows; /* <= SM_BLOCK_ROWS */
    size_t n_channels;
    const double *const *x; /* [SI] x[channel][row]; NaN = missing */
    const double
        *theta_rev;    /* [rev] (n_rows) angle of the reference shaft, growing within a stretch;
                          NaN where the speed is not to be trusted; NULL before the speed stage */
    const double *rpm; /* (n_rows) of the shaft that rpm_of names; NaN likewise; NULL before */
    double t0_s;       /* time of the first row from the log's start */
    double rate_hz;
    uint64_t i_row; /* index of the first row, counted over the whole log */
    long line;      /* line of the first row in the log, 0 = unknown */
} sm_block;

typedef enum sm_mark { SM_MARK_GAP, SM_MARK_END } sm_mark;

/* The next stage: two functions and what they work on. */
typedef struct sm_sink {
    void *self;
    sm_status (*push)(void *self, const sm_block *block, sm_error *err);
    sm_status (*mark)(void *self, sm_mark mark, double t_s, sm_error *err);
} sm_sink;

#endif
