/*
 * Side branch "motion": what the vibration does to attitude (drift), and whether the mount holds
 * still (hold). Both are block-fed accumulators behind the speed stage; they also work without a
 * speed. Angles and rates inside are radians; the JSON speaks deg/h and deg/s.
 *
 * Conventions: theta is the angle of the vibration (the integral of the zero-mean body rate),
 * omega the body rate, a the specific force; means over the run; axes as in the log after
 * [orientation].
 *   coning rate  beta = 1/2 <theta x omega>      (Goodman & Robinson 1958; Bortz 1971)
 *   sculling     s    = <theta x a>              (Savage 1998)
 * Both from one-sided cross-spectra G_ij = 2 E[X_i* X_j]: <theta_i b_j> = -int Im G_ij/(2 pi f) df.
 */
#ifndef STILLMOUNT_MOTION_H
#define STILLMOUNT_MOTION_H

#include "stillmount/block.h"
#include "stillmount/json.h"
#include "stillmount/powertrain.h"

/* ---- Allan deviation --------------------------------------------------------------------- */

/**
 * Overlapping Allan deviation (IEEE Std 952, 1554; NIST SP 1065 eq. 11) of n phase points (angle of
 * a gyro) spaced tau0_s, at averaging time m * tau0_s. NaN when n < 2 m + 1 or m < 1.
 */
SM_API double sm_allan_overlapping(const double *phase, size_t n, size_t m, double tau0_s);
/** The same, not overlapping (stride m). */
SM_API double sm_allan_plain(const double *phase, size_t n, size_t m, double tau0_s);
/**
 * Averaging factors 1, 2, 4, 5, 8, 10, 16, 20, ... (powers of two, and 1-2-5 per decade), rising,
 * up to the fifth of n_rates: beyond it the estimate has fewer than five averages to stand on.
 * Writes at most capacity of them; returns how many.
 */
SM_API size_t sm_allan_factors(size_t n_rates, size_t *m, size_t capacity);

/* ---- What an attitude integrator makes of coning ------------------------------------------ */

typedef enum sm_integrator_input {
    SM_INTEGRATOR_POINTS = 0,
    SM_INTEGRATOR_INCREMENTS,
} sm_integrator_input;

/**
 * The share of a true coning rate at f_hz that an integrator sees which updates a rotation vector
 * n_increments samples at a time from samples at rate_hz: instantaneous rates (n_increments = 1
 * only), or integrated increments with the optimal n-sample correction (1..4). 1 = all of it; the
 * rest is attitude drift. Above rate_hz / 2 the line is folded and the share may be negative.
 *
 * Returns NaN for arguments outside these ranges and where f_hz folds to zero frequency.
 * Source: derived in DEVELOPERS.md, "Attitude drift"; n-sample coefficients as tabled by Savage
 * 1998 and Ignagni 1996 (from memory), checked against reference values.
 */
SM_API double sm_integrator_share(sm_integrator_input input, int n_increments, double f_hz,
                                  double rate_hz);
/** |f - rate * round(f / rate)|: where a line lands after sampling. */
SM_API double sm_fold_hz(double f_hz, double rate_hz);

/* The aircraft sensor, as far as its user knows it. NaN = not given. */
typedef struct sm_motion_sensor {
    char source[64]; /* file, or "typical consumer class": shown beside every result */
    bool typical;    /* figures of a class, not of one sensor */
    double rate_hz;  /* of its attitude integration */
    sm_integrator_input input;
    int coning_order;         /* increments per coning update: 1 = no correction */
    double attitude_band_hz;  /* motion below this frequency is taken for attitude (default 5) */
    double vre_g_per_g2;      /* accelerometer vibration rectification */
    double gyro_rad_s_per_g;  /* gyro linear g-sensitivity */
    double gyro_rad_s_per_g2; /* gyro rectification */
    double gyro_range_rad_s;
    double accel_range_m_s2;
    double bandwidth_hz;
    double skew_s;      /* time skew between its gyro axes */
    double levelling_s; /* time constant of the levelling filter */
} sm_motion_sensor;

SM_API sm_motion_sensor sm_motion_sensor_default(void);
/** Reads [sensor]. SM_OK; SM_E_IO; SM_E_FORMAT; SM_E_VALUE; SM_E_NOMEM. */
SM_API SM_NODISCARD sm_status sm_motion_sensor_read(const char *path, sm_motion_sensor *out,
                                                    sm_error *err);
/** "consumer", "industrial" or "tactical": typical orders of magnitude, from memory, marked so. */
SM_API SM_NODISCARD sm_status sm_motion_sensor_class(const char *name, sm_motion_sensor *out,
                                                     sm_error *err);

/* ---- drift -------------------------------------------------------------------------------- */

enum { SM_DRIFT_MAX_BANDS = 128 };

typedef struct sm_drift sm_drift;

/* Direction of the rpm over a frame, in the order of the survey's. */
typedef enum sm_drift_direction {
    SM_DRIFT_UP = 0,
    SM_DRIFT_DOWN,
    SM_DRIFT_HELD,
} sm_drift_direction;

typedef struct sm_drift_options {
    const double (*bands)[2]; /* [rpm] (n_bands) rising, from a budget; NULL = 200-rpm bands */
    size_t n_bands;
    const sm_powertrain *powertrain; /* names the lines and says what must be below 0.4 of the
                                        rate; NULL = unknown. Used during open only */
    bool no_speed;                   /* the log has no speed: one band for everything */
    double from_hz; /* motion below is the aircraft's own, not vibration (default 2.5) */
    double skew_s;  /* time skew between gyro axes; NaN = not stated: 0.1 sample is assumed */
    double required_rpm[2]; /* of a budget: bands that reach into it must be there; NaN = all */
    const char *place;      /* "mount" */
} sm_drift_options;

SM_API sm_drift_options sm_drift_options_default(void);

/* One quantity of one axis in one band. */
typedef struct sm_drift_value {
    double value; /* [rad/s], [m/s^2] or [rad]; NaN = unassessed */
    double lo;    /* 95 % two-sided */
    double hi;
    double ceiling; /* of |value|, 99.9 % one-sided: "could be up to" */
    bool resolved;  /* stands clear of the noise, corrected for the number of bands and axes */
} sm_drift_value;

typedef struct sm_drift_reason {
    char code[32]; /* "rate-too-low", "clipped", "few-frames", "missing-axis", ... */
    char text[320];
} sm_drift_reason;

enum { SM_DRIFT_REASONS = 6 };

typedef struct sm_drift_cell {
    double seconds; /* each sample counted once */
    size_t n_frames;
    sm_drift_value coning[3];   /* [rad/s] */
    sm_drift_value sculling[3]; /* [m/s^2] */
    sm_drift_value level;       /* [rad] of the two level axes */
} sm_drift_cell;

typedef struct sm_drift_band {
    double rpm[2];     /* NaN without a speed */
    sm_drift_cell all; /* every frame of the band */
    sm_drift_cell by_direction[3];
    double gyro_rms[3];   /* [rad/s] from from_hz up */
    double accel_rms[3];  /* [m/s^2] */
    double gyro_peak[3];  /* [rad/s] largest |sample| */
    double accel_peak[3]; /* [m/s^2] */
    bool assessed;
    bool resolved; /* at least one axis of the coning */
    sm_drift_reason reasons[SM_DRIFT_REASONS];
    size_t n_reasons;
} sm_drift_band;

/* A line that makes coning. */
typedef struct sm_drift_line {
    double hz;
    int axis;
    double coning_rad_s;
    double gyro_pk_rad_s; /* larger of the two other axes' amplitudes */
    double rpm[2];
    char label[96]; /* order, or "unknown" */
} sm_drift_line;

/**
 * Opens the accumulator. Channels of opt->place with role gyro and accel are used; what is missing
 * makes its results unassessed. Memory: bands x frame length, none with the log's length.
 *
 * Returns SM_OK; SM_E_ARG; SM_E_VALUE (no gyro at that place; a rate that is no rate); SM_E_NOMEM
 */
SM_API SM_NODISCARD sm_status sm_drift_open(const sm_channel *channels, size_t n_channels,
                                            double rate_hz, const sm_drift_options *opt,
                                            sm_drift **out, sm_error *err);
SM_API sm_sink sm_drift_sink(sm_drift *d);
/** What ingest found (clipping without a declared range); read at result time, kept by reference */
SM_API void sm_drift_findings(sm_drift *d, const sm_findings *f);
/** Bands that were visited, rising. The i-th one is computed from the accumulators: repeatable. */
SM_API size_t sm_drift_n_bands(const sm_drift *d);
SM_API void sm_drift_band_get(const sm_drift *d, size_t i, sm_drift_band *out);
/** The band that a budget calls [lo, hi], or a band without frames (unassessed, few-frames). */
SM_API void sm_drift_band_find(const sm_drift *d, double lo_rpm, double hi_rpm, sm_drift_band *out);
/** Strongest lines of all bands, at most capacity; returns how many. */
SM_API size_t sm_drift_lines(const sm_drift *d, sm_drift_line *out, size_t capacity);
SM_API void sm_drift_close(sm_drift **d);

/**
 * Fills object with stillmount/drift/1 (bands, lines, verdict-free), sensor results included when
 * sensor is not NULL. *unassessed tells whether a band could not be assessed, or none was visited.
 */
SM_API void sm_drift_json(const sm_drift *d, const sm_motion_sensor *sensor, sm_json_doc *doc,
                          sm_json *object, bool *unassessed);

/* ---- hold --------------------------------------------------------------------------------- */

enum {
    SM_HOLD_TAUS = 48,
    SM_HOLD_REASONS = 8,
    SM_HOLD_MAX_SEGMENTS = 4096,
    SM_HOLD_FIELD_LINES = 4,
    SM_HOLD_STATES = 24,
    SM_HOLD_ADVICE = 6
};

typedef enum sm_hold_kind {
    SM_HOLD_OFF = 0,
    SM_HOLD_IDLE,
    SM_HOLD_HELD,
    SM_HOLD_TURN
} sm_hold_kind;

/** "off", "idle", "held", "turn"; "unknown" outside the enum. */
SM_API const char *sm_hold_kind_text(sm_hold_kind k);

/* What the procedure asks for; NaN = not asked. */
typedef struct sm_hold_criteria {
    double seconds;         /* least length of a stretch; 5 when not given */
    double gyro_rms_rad_s;  /* about the stretch's mean, each axis */
    double gyro_peak_rad_s; /* about the stretch's mean, each axis */
    double bias_step_rad_s; /* against the engine-off stretch, else the stretch before */
    double tilt_change_rad; /* of the specific force's direction within the stretch */
} sm_hold_criteria;

SM_API sm_hold_criteria sm_hold_criteria_default(void);
/** Any of these is asked for: without, no verdict. */
SM_API bool sm_hold_criteria_any(const sm_hold_criteria *c);
/**
 * Reads [hold]: seconds, gyro_rms, gyro_peak, bias_step (deg/s when no unit is written),
 * tilt_change (deg). SM_OK; SM_E_IO; SM_E_FORMAT; SM_E_VALUE (line in err); SM_E_NOMEM.
 */
SM_API SM_NODISCARD sm_status sm_hold_criteria_read(const char *path, sm_hold_criteria *out,
                                                    sm_error *err);

/* A line in the magnetometer's level field. */
typedef struct sm_hold_field_line {
    double hz;
    double pk_t;        /* [T] peak */
    double heading_rad; /* how far it swings the heading at most */
    char label[112];    /* order, alias, "electrical, ..." or "unknown" */
} sm_hold_field_line;

/* A stretch: at least criteria.seconds in one state. Axes x y z; NaN where a channel is missing. */
typedef struct sm_hold_segment {
    sm_hold_kind kind;
    double from_s;
    double to_s;
    double rpm;    /* mean; 0 with the engine off */
    double rpm_sd; /* of quarter-second means */
    double gyro_rms_rad_s[3];
    double gyro_peak_rad_s[3];
    double bias_rad_s[3];
    double bias_lo_rad_s[3]; /* 95 %, from the scatter of one-second (or longer) means */
    double bias_hi_rad_s[3];
    size_t n_taus;
    double tau_s[SM_HOLD_TAUS];
    double adev_rad_s[3][SM_HOLD_TAUS]; /* overlapping, up to a fifth of the stretch */
    double wander; /* scatter of one-second means over what white noise would leave: 1 */
    double tilt_change_rad;
    double turned_rad;    /* integrated about the vertical, bias taken off; + right */
    double mag_mean_t[3]; /* [T] */
    double mag_sd_t[3];
    double mag_left_out_s;    /* of the field, because a switched item was on */
    double mag_noise_rad;     /* rms of the heading, from the field square to the level field */
    double mag_heading_rad;   /* of x (forward) against the level field, 0 .. 2 pi; NaN */
    double turned_before_rad; /* since the stop before, by the gyro; NaN over a gap */
    double gyro_heading_rad;  /* turned about the vertical since the first stop; NaN over a gap */
    sm_hold_field_line field_lines[SM_HOLD_FIELD_LINES]; /* strongest first */
    size_t n_field_lines;
    double useful_s;      /* averaging longer than this buys nothing; NaN = longer than seen */
    double line_hz;       /* strongest line of the rates, NaN = none stands out */
    double line_share;    /* of the mean square */
    char line_label[112]; /* order, alias, "rocking" or "" */
    char cause[112];      /* why it moves, in a few words; "" = it does not */
    bool disturbed;       /* much louder than the quiet stretches of the same engine state */
    int still;            /* 1, 0; -1 = not judged */
    sm_drift_reason reasons[SM_HOLD_REASONS];
    size_t n_reasons;
} sm_hold_segment;

typedef enum sm_hold_verdict {
    SM_HOLD_STILL = 0,
    SM_HOLD_RESTLESS,
    SM_HOLD_UNASSESSED
} //
sm_hold_verdict;

/** "still", "restless", "unassessed". */
SM_API const char *sm_hold_verdict_text(sm_hold_verdict v);

/* An item switched or moved near the magnetometer: what the field did. */
typedef struct sm_hold_event {
    double t_s;
    char item[64];
    bool on;
    double step_t[3];   /* [T] mean after less mean before */
    double heading_rad; /* change of magnetic heading, at the horizontal field given or found */
    bool measured;      /* field on both sides, and the aircraft stood */
    const char *reason; /* why it was not measured; "" */
} sm_hold_event;

/* All stops of one engine state: off, idle, or held near one rpm. */
typedef struct sm_hold_state {
    sm_hold_kind kind;
    double rpm; /* mean; 0 = off */
    size_t n_stops;
    size_t n_still;
    size_t n_restless;
    double seconds;
    double gyro_rms_rad_s;       /* worst axis of the worst stop */
    double bias_step_rad_s;      /* largest against the engine off; NaN */
    double bias_step_half_rad_s; /* its 95 % interval is so much to either side, for all stops and
                                    axes of the state together; NaN with too short a stop */
    double noise_rad_s;          /* white noise as Allan deviation at 1 s, worst; NaN */
    double useful_s; /* longest useful averaging time of its stops; NaN = longer than seen */
    double seen_s;   /* longest averaging time that its stops can show */
    char cause[112]; /* of its first restless stop; "" */
} sm_hold_state;

/* Two stops on one heading in different turns. */
typedef struct sm_hold_pair {
    size_t first; /* segments */
    size_t second;
    bool same_engine;      /* repeatability; else what the engine does */
    double difference_rad; /* of the magnetic headings, second less first */
    double gyro_rad;       /* how differently the aircraft stood, by the gyro; NaN over a gap */
} sm_hold_pair;

typedef struct sm_hold_options {
    sm_hold_criteria criteria;
    const sm_powertrain *powertrain; /* names orders and idle; NULL = unknown; copied */
    double horizontal_field_t;       /* [T] NaN = from the magnetometer itself */
    const char *place;               /* "mount" */
    bool no_speed;                   /* the log has none: nobody says whether the engine runs */
} sm_hold_options;

SM_API sm_hold_options sm_hold_options_default(void);

typedef struct sm_hold sm_hold;

/* The whole log. */
typedef struct sm_hold_result {
    sm_hold_segment *segments; /* (n_segments) owned by the accumulator */
    size_t n_segments;
    sm_hold_verdict verdict;
    double turned_rad;           /* about the vertical, first to last stop; NaN without a turn */
    double closure_rad;          /* turned less the nearest whole turns; NaN when not near one */
    double bias_step_rad_s;      /* largest between engine off and running; NaN = not both there */
    double bias_step_half_rad_s; /* as of that state */
    double quietest_rpm;         /* running stretch with the least rms; NaN = none */
    double horizontal_field_t;
    double seconds;
    double rate_hz;
    const sm_hold_pair *pairs; /* (n_pairs) owned by the accumulator */
    size_t n_pairs;
    double repeat_rad;         /* largest difference of headings, same engine state; NaN */
    double engine_heading_rad; /* the same, engine state changed; NaN */
    sm_hold_state states[SM_HOLD_STATES]; /* off first, then rising rpm */
    size_t n_states;
    double
        hold_least_s;   /* length of a hold that answers what was asked; NaN = nothing to hold at */
    double hold_most_s; /* longer buys nothing; NaN = longer than this log shows */
    sm_drift_reason advice[SM_HOLD_ADVICE];
    size_t n_advice;
} sm_hold_result;

/**
 * Opens the accumulator. It keeps quarter-second sums (merged in pairs beyond 16384 of them) and
 * the gyro in at most 2^19 rows, averaged in pairs as the log grows: about 20 MB, and 13 MB more
 * with a magnetometer, however long the log is. The Allan deviation is exact for logs of up to 2^19
 * rows; beyond, its shortest times go.
 *
 * Returns SM_OK; SM_E_VALUE (no gyro at that place, a rate that is no rate); SM_E_NOMEM
 */
SM_API SM_NODISCARD sm_status sm_hold_open(const sm_channel *channels, size_t n_channels,
                                           double rate_hz, const sm_hold_options *opt,
                                           sm_hold **out, sm_error *err);
SM_API sm_sink sm_hold_sink(sm_hold *h);
/** After SM_MARK_END. Repeatable. SM_OK or SM_E_NOMEM. */
SM_API SM_NODISCARD sm_status sm_hold_result_get(sm_hold *h, sm_hold_result *out, sm_error *err);
/**
 * The field while an item is on is left out of the headings, noise and lines of every later result.
 * An item is on from its "on" to its next event, before a first "off" and after a last "on"; half a
 * second on either side of each event goes too. events are copied. SM_OK or SM_E_NOMEM.
 */
SM_API SM_NODISCARD sm_status sm_hold_switched(sm_hold *h, const sm_hold_event *events, size_t n,
                                               sm_error *err);
/** Field before and after each of n events; fills step, heading, measured and reason. */
SM_API void sm_hold_events(sm_hold *h, sm_hold_event *events, size_t n);
/** Reads `time, item, on|off` rows; time in seconds or minutes:seconds of the log. SM_OK; SM_E_IO;
 * SM_E_FORMAT (line in err); SM_E_NOMEM. */
SM_API SM_NODISCARD sm_status sm_hold_events_read(const char *path, sm_hold_event *out,
                                                  size_t capacity, size_t *n, sm_error *err);
SM_API void sm_hold_close(sm_hold **h);

/* What one item may do to the magnetometer; NaN = no limit. */
typedef struct sm_hold_limits {
    double heading_rad;
    double field_t; /* [T] what all together may do */
    double share;   /* of it that one item may take: 1 = all of it */
} sm_hold_limits;

/**
 * Fills object with stillmount/hold/1, events included (sm_hold_switched() and sm_hold_events()
 * are called here). An item above a limit makes
 * the verdict restless; one that was not switched on and off twice, or not measured, makes it
 * unassessed at best. events and limits may be NULL. SM_OK or SM_E_NOMEM.
 */
SM_API SM_NODISCARD sm_status sm_hold_json(sm_hold *h, sm_hold_event *events, size_t n_events,
                                           const sm_hold_limits *limits, sm_json_doc *doc,
                                           sm_json *object, sm_error *err);

#endif
