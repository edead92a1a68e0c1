/* What the parts of hold share. */
#ifndef SM_MOTION_HOLD_INTERNAL_H
#define SM_MOTION_HOLD_INTERNAL_H

#include "stillmount/motion.h"

enum {
    HOLD_INPUTS = 9,            /* gyro, accel, mag, each x y z */
    HOLD_MAX_SLICES = 1 << 14,  /* then neighbours are merged */
    HOLD_BUFFER_ROWS = 1 << 19, /* then neighbours are averaged */
    HOLD_MOST_ORDERS = 96
};

/* A quarter of a second, or more after merging. Sums are about each channel's first value, so that
 * squares keep their digits. */
typedef struct hold_slice {
    double t0_s;
    uint64_t row0; /* counted over the rows received */
    uint32_t n;
    uint32_t n_rpm;   /* rows with a speed */
    uint32_t stretch; /* gaps count it up */
    bool bad;         /* a gyro sample is missing */
    double sum[HOLD_INPUTS];
    double square[HOLD_INPUTS];
    double lo[3]; /* gyro extremes */
    double hi[3];
    double rpm_sum;
    double rpm_square;
    double rpm_hi;
} hold_slice;

typedef struct hold_order {
    double per_rpm_hz;
    bool strong; /* likely to be the line that folds */
    char label[96];
} hold_order;

/* A run of slices in one state, before it is a segment. */
typedef struct hold_run {
    size_t first;
    size_t last; /* inclusive */
    int engine;  /* 0 off, else the number of the held run; -1 changing */
    bool turning;
    bool disturbed;
} hold_run;

struct sm_hold {
    int input[HOLD_INPUTS];
    double range_rad_s[3]; /* declared, 0 = not */
    double rate_hz;
    double origin[HOLD_INPUTS];
    bool has_origin[HOLD_INPUTS];
    sm_hold_options options;
    hold_order orders[HOLD_MOST_ORDERS];
    size_t n_orders;
    double idle_rpm; /* from the powertrain, NaN = unknown */

    size_t slice_rows;
    hold_slice *slices; /* (HOLD_MAX_SLICES) */
    size_t n_slices;
    hold_slice open; /* being filled */
    uint32_t stretch;

    double *buffer[3]; /* gyro, each row the mean of `decimation` rows */
    size_t n_buffer;
    size_t decimation;
    double partial[3];
    size_t n_partial;
    uint64_t n_rows;
    double t_end_s;

    sm_hold_segment *segments;
    size_t n_segments;
    size_t capacity;
};

/* Mean of input i over slices [first, last]. */
double hold_mean(const sm_hold *h, int i, size_t first, size_t last);
/* Mean square about the mean. */
double hold_variance(const sm_hold *h, int i, size_t first, size_t last);
double hold_slice_rpm(const hold_slice *s);
/* Cuts the log into runs. Writes at most capacity; returns how many. SM_E_NOMEM as SIZE_MAX. */
size_t hold_runs(const sm_hold *h, hold_run *runs, size_t capacity);
/* Everything that a run's slices and rows say. */
sm_status hold_measure(const sm_hold *h, const hold_run *run, sm_hold_segment *out, sm_error *err);
/* Rows of the gyro buffer that lie in the run, and the first of them. Then: the strongest line. */
size_t hold_buffer_rows(const sm_hold *h, const hold_run *run, size_t *from);
sm_status hold_line(const sm_hold *h, const hold_run *run, sm_hold_segment *s, sm_error *err);
/* Verdict of each segment; the whole log's. */
sm_hold_verdict hold_judge(sm_hold *h);
/* Size of the horizontal part; the horizontal field itself, given or found. */
double hold_horizontal(const sm_hold *h, const double field_t[3]);
double hold_horizontal_field(const sm_hold *h);
void hold_turns(const sm_hold *h, sm_hold_result *out);
void hold_reason(sm_hold_segment *s, const char *code, const char *fmt, ...) SM_PRINTF(3, 4);

#endif
