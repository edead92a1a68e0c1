/* What the parts of drift share: the accumulators and the frame that feeds them. */
#ifndef SM_MOTION_DRIFT_INTERNAL_H
#define SM_MOTION_DRIFT_INTERNAL_H

#include "stillmount/motion.h"
#include "stillmount/spectrum.h"

enum {
    DRIFT_INPUTS = 6,    /* gyro x y z, accel x y z */
    DRIFT_QUANTITIES = 6 /* coning x y z, sculling x y z */
};

/* Sums of one band and direction. A pair is two frames without shared samples, two hops apart. */
typedef struct drift_cell {
    size_t n;
    size_t n_adjacent; /* neighbours that share half their samples */
    size_t n_pairs;
    uint64_t n_rows; /* each sample once */
    double sum[DRIFT_QUANTITIES];
    double difference2[DRIFT_QUANTITIES]; /* sum over pairs of (later - earlier)^2 */
    double covariance[DRIFT_QUANTITIES];  /* of what is paired: gyro i, j about k; gyro and accel */
    double level_sum[3];                  /* mean specific force: which axis is vertical */
} drift_cell;

typedef struct drift_slot {
    double rpm[2]; /* NaN without a speed */
    drift_cell cells[3];
    double *density;     /* (3 x n_bins) coning per bin that no order claims */
    double *total;       /* (3 x n_bins) coning per bin, all of it */
    double *power;       /* (6 x n_bins) bin powers of gyro and accel */
    double *order;       /* (3 x n_orders) coning claimed by each order */
    double *order_power; /* (3 x n_orders) gyro power claimed */
    double *order_hz;    /* (n_orders) sum of the frequencies */
    size_t *order_n;     /* (n_orders) frames in which it was there */
    size_t *order_bins;  /* (n_orders) bins claimed, all frames */
    double rpm_seen[2];  /* of its frames, start to end; 0, 0 = none */
    double rpm_top;
    double peak[DRIFT_INPUTS];
    uint64_t at_range[DRIFT_INPUTS]; /* samples at 0.998 of a declared range or beyond */
} drift_slot;

/* An expected line: cycles per revolution of the shaft that rpm names. */
typedef struct drift_order {
    double per_rpm_hz; /* frequency = rpm * per_rpm_hz */
    double slip;
    bool strong; /* firing or blade pass, once: it must lie below 0.4 of the rate */
    char label[96];
} drift_order;

struct sm_drift {
    int input[DRIFT_INPUTS]; /* its place in the frames, -1 = absent */
    sm_channel channel[DRIFT_INPUTS];
    double rate_hz;
    size_t n_frame;
    size_t n_bins;
    size_t k_lo;
    double skew_s;
    bool skew_assumed;
    bool no_speed;
    bool has_powertrain;
    double max_rpm;   /* of the powertrain; what to expect where the speed is unknown; NaN */
    bool fixed_bands; /* from a budget */
    double required_rpm[2];
    drift_order *orders;
    size_t n_orders;
    drift_slot slots[SM_DRIFT_MAX_BANDS];
    size_t n_slots;
    uint64_t n_outside;   /* frames outside all bands */
    uint64_t n_untrusted; /* frames with a missing sample or speed */
    double peak[DRIFT_INPUTS];
    const sm_findings *findings;

    sm_fft *fft;
    double *window;
    double window_power; /* sum of w^2 */
    sm_framer *framer;
    double *work;                   /* (n_frame) */
    double *spectrum[DRIFT_INPUTS]; /* (n_bins) pairs re, im */
    double *bin;                    /* (3 x n_bins) coning of this frame */

    /* the two frames before this one in the same stretch */
    struct {
        int slot; /* -1 = none */
        int direction;
        double value[DRIFT_QUANTITIES];
    } before[2];
};

/* One frame into its band. self is the sm_drift. SM_OK or SM_E_NOMEM. */
sm_status drift_frame(void *self, const sm_frame *frame, sm_error *err);
/* Slot of a band; -1 outside all bands, -2 out of memory (err is set). */
int drift_slot_of(sm_drift *d, double rpm, sm_error *err);

/* Sum of the three directions. */
drift_cell drift_cell_all(const drift_slot *s);
/* The slot of the i-th band, rising. */
const drift_slot *drift_slot_ranked(const sm_drift *d, size_t i);
/* Which axis is vertical: the one that carries gravity; z where none does (AC coupled). */
int drift_vertical_axis(const drift_cell *c);
/* The line that makes most of a band's coning about one axis; false: none stands out. */
bool drift_strongest(const sm_drift *d, const drift_slot *s, const sm_drift_band *band, int axis,
                     sm_drift_line *out);
/* Per axis the worst of the bands, out of the record's bands (in the order of their ranks): the
 * array `worst`. */
void drift_worst_json(const sm_drift *d, const sm_json *bands, sm_json_doc *doc, sm_json *object);
/* What the band would do in the given sensor: the object `sensor` of a band. */
void drift_sensor_json(const sm_drift *d, const drift_slot *s, const sm_drift_band *band,
                       const sm_motion_sensor *sensor, sm_json_doc *doc, sm_json *object);

#endif
