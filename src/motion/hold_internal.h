/* What the parts of hold share. */
#ifndef SM_MOTION_HOLD_INTERNAL_H
#define SM_MOTION_HOLD_INTERNAL_H

#include "stillmount/motion.h"

enum {
    HOLD_INPUTS = 9,            /* gyro, accel, mag, each x y z */
    HOLD_BUFFERS = 6,           /* gyro, mag */
    HOLD_MAX_SLICES = 1 << 14,  /* then neighbours are merged */
    HOLD_BUFFER_ROWS = 1 << 19, /* then neighbours are averaged */
    HOLD_MOST_ORDERS = 96
};

#define HOLD_SWITCHING_S 0.5 /* beside an event: the switching itself */

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
    bool leads;  /* the firing order itself, the blade pass itself */
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
    bool may_fold;         /* no filter below half the rate is declared for the gyro */
    double mag_rate_hz;    /* of a magnetometer slower than the rows; 0 = theirs */
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

    double *buffer[HOLD_BUFFERS]; /* gyro, mag (NULL without); a row is the mean of `decimation` */
    size_t n_buffer;
    size_t decimation;
    double partial[HOLD_BUFFERS];
    size_t n_partial;
    uint64_t n_rows;
    double t_end_s;

    double (*on)[2]; /* [s] (n_on) when a switched item is on: left out of the field */
    size_t n_on;

    sm_hold_segment *segments;
    size_t n_segments;
    sm_hold_pair *pairs; /* (2 n_segments) */

    /* for the result: hold_level() */
    double down[3];
    double horizontal_t; /* given or found; NaN without a magnetometer */
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
/* Name of the order at hz (directly or folded, sampled at rate_hz) into label; false: none fits. */
bool hold_name_order(const sm_hold *h, const sm_hold_segment *s, double hz, double bin_hz,
                     double rate_hz, char *label, size_t size);
/* The leading order that folds to 0 Hz at this stop's rpm, where it looks like a steady rate; NULL.
 */
const hold_order *hold_folds_to_zero(const sm_hold *h, const sm_hold_segment *s);
/* Largest even length <= n without prime factors above 7; 0 = too short. */
size_t hold_smooth_length(size_t n);
/* Hann PSD of n rows of x about their mean, one-sided [x^2/Hz], added to psd (n / 2 + 1). */
sm_status hold_psd(const double *x, size_t n, double rate_hz, double *psd, sm_error *err);
double hold_noise_level(const double *psd, size_t n_bins, double *scratch);
/* Power within reach bins of bin k. */
double hold_lobe(const double *psd, size_t n_bins, size_t k, size_t reach, double bin_hz);
/* Where down is (turning right counts positive about it; z without an accelerometer), and the
 * horizontal field. Before everything else that a result needs. */
void hold_level(sm_hold *h);
/* Rotation about down between two times, each stop's own mean rate taken off; NaN across a gap. */
double hold_rotation(const sm_hold *h, double from_s, double to_s);
/* Size of the horizontal part of a field. */
double hold_horizontal(const sm_hold *h, const double field_t[3]);
/* The next part of the run from slice *at on in which no switched item is on; false: none left. */
bool hold_clean_piece(const sm_hold *h, const hold_run *run, size_t *at, hold_run *piece);
/* Mean field and scatter of those parts; NaN with less than a second of them. */
void hold_mag(const sm_hold *h, const hold_run *run, sm_hold_segment *s);
/* Heading, its noise and the lines of the field, per stretch; then: what makes the lines. */
sm_status hold_field(const sm_hold *h, const hold_run *run, sm_hold_segment *s, sm_error *err);
void hold_name_field_lines(sm_hold *h);
/* Stops of one heading in different turns; fills pairs of h, and out's share of them. */
void hold_repeats(sm_hold *h, sm_hold_result *out);
/* Events and, item by item, what they did, worst first; a limit that is broken or not proven
 * changes the verdict. */
sm_status hold_items_json(const sm_hold_event *events, size_t n, const sm_hold_limits *limits,
                          sm_hold_verdict *verdict, sm_json_doc *doc, sm_json *object,
                          sm_error *err);
/* Stops by engine state, and what follows from them. */
void hold_states(const sm_hold *h, sm_hold_result *out);
/* Mean rate of the engine-off stretches around stretch i: of both, or of the one there is, and half
 * of its 95 % interval. NaN. */
void hold_off_bias(const sm_hold *h, size_t i, double bias_rad_s[3], double half_rad_s[3]);
/* Largest |v| of the three and its axis; NaN without any. */
double hold_worst(const double v[3], int *axis);
void hold_turns(const sm_hold *h, sm_hold_result *out);
void hold_reason(sm_hold_segment *s, const char *code, const char *fmt, ...) SM_PRINTF(3, 4);

#endif
