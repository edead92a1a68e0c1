/*
 * What a log shows beside the engine's orders: the engine off, taps on the sensor's plate, tilts of
 * the aircraft, the aircraft's own rocking. A block-fed accumulator behind the speed stage; it also
 * works without a speed. From it follow findings that no order tells: the sensor's own fixing
 * rings, its noise is too high, a line is there with the engine off, axes point elsewhere.
 *
 * Aircraft axes: x forward, y right, z down. An accelerometer shows specific force: at rest -1 g on
 * z; nose up raises x, right wing down lowers y.
 */
#ifndef STILLMOUNT_GROUND_H
#define STILLMOUNT_GROUND_H

#include "stillmount/block.h"
#include "stillmount/budget.h"
#include "stillmount/powertrain.h"

enum {
    SM_GROUND_PLACES = 4,
    SM_GROUND_LINES = 6,
    SM_GROUND_STRETCHES = 32,
    SM_GROUND_TAPS = 32,
    SM_GROUND_TILTS = 8,
};

typedef struct sm_ground_stretch {
    double from_s;
    double to_s;
} sm_ground_stretch;

/* The aircraft held away from level, engine off. */
typedef struct sm_ground_tilt {
    double from_s;
    double to_s;
    double angle_rad;
    double toward[3]; /* unit vector: how the specific force moved, in the log's axes */
    double
        gyro_share[3]; /* rotation that the gyro saw / the accelerometer's angle; NaN = unknown */
} sm_ground_tilt;

typedef enum sm_axes_state {
    SM_AXES_NOT_SHOWN = 0,
    SM_AXES_PROVEN,
    SM_AXES_CONTRADICTED
} sm_axes_state;

/** "not shown", "proven", "contradicted". */
SM_API const char *sm_axes_state_text(sm_axes_state s);

typedef struct sm_ground_place {
    char place[48];
    bool oriented; /* the channels file has [orientation] for it */
    long n_taps[3];
    double tap_s[SM_GROUND_TAPS]; /* (n_taps of all axes, the first ones) */
    double ring_hz;               /* of the sensor's own fixing; NaN = none was seen */
    double ring_damping;
    double ring_gain; /* amplitude there over amplitude well below */
    int ring_axis;
    sm_ground_tilt tilts[SM_GROUND_TILTS];
    size_t n_tilts;
    int i_nose_up; /* the tilts that showed them, -1 = none */
    int i_right_down;
    int found[3];       /* what the tilts say: aircraft x, y, z is log axis |n| - 1, sign of n; 0 =
                           cannot be said */
    sm_axes_state axes; /* of the accelerometer */
    sm_axes_state gyro_axes; /* of the gyro against it */
} sm_ground_place;

typedef struct sm_ground_line {
    double hz;
    double power_si; /* [SI^2] mean square */
} sm_ground_line;

typedef struct sm_ground_channel {
    size_t i_source;   /* index in the source's channels */
    const double *psd; /* [SI^2/Hz] (n_bins) mean with the engine off; NULL = not seen */
    sm_ground_line lines[SM_GROUND_LINES]; /* there with the engine off, strongest first */
    size_t n_lines;
    double off_power_si;     /* [SI^2] engine off, from 5 Hz to 0.4 of the rate, less the lines */
    double running_power_si; /* [SI^2] about half-second means, engine running; NaN = none */
    double rock_power_si;    /* [SI^2] below 5 Hz and below every order, engine running */
    double rock_hz[2];       /* where nine tenths of it are */
    double rock_s[2];        /* the strongest four seconds of it */
    long n_rock;
    const double *rock_psd; /* (n_rock_bins) its mean density */
} sm_ground_channel;

typedef struct sm_ground_result {
    sm_ground_stretch off[SM_GROUND_STRETCHES];
    size_t n_off;
    double off_s; /* their sum */
    long n_off_frames;
    double bin_hz;
    size_t n_bins;
    double rock_bin_hz;
    size_t n_rock_bins;
    sm_ground_place places[SM_GROUND_PLACES];
    size_t n_places;
    const sm_ground_channel *channels; /* [n_channels] accelerometers and gyros */
    size_t n_channels;
} sm_ground_result;

typedef struct sm_ground sm_ground;

/**
 * channels    in  of the blocks, used by reference until closed
 * powertrain  in  says which is the lowest order; NULL = unknown; used during open only
 *
 * Memory: spectra of one frame length per channel, half-second means of at most four hours with the
 * engine off; none with the log's length.
 *
 * Returns SM_OK; SM_E_ARG (a rate that is no rate); SM_E_NOMEM
 */
SM_API SM_NODISCARD sm_status sm_ground_open(const sm_channel *channels, size_t n_channels,
                                             double rate_hz, const sm_powertrain *powertrain,
                                             sm_ground **out, sm_error *err);
/** The sink behind the speed stage, or before any. */
SM_API sm_sink sm_ground_sink(sm_ground *g);
/** After SM_MARK_END: settles what was the engine off, and what it shows. Call once. */
SM_API SM_NODISCARD sm_status sm_ground_finish(sm_ground *g, sm_error *err);
/** Valid until closed; complete after sm_ground_finish(). */
SM_API const sm_ground_result *sm_ground_result_get(const sm_ground *g);
/**
 * Adds attachment-resonance, airframe-rocking, electrical-line, noise-floor-high,
 * orientation-contradicted and orientation-missing. budget: its limits say how much matters; NULL =
 * judged against the run itself.
 */
SM_API void sm_ground_findings(const sm_ground *g, const sm_budget *budget, sm_findings *out);
SM_API void sm_ground_close(sm_ground **g);

/* What disturbs a limit on a channel, as a mean square inside its range after integration. */
typedef struct sm_ground_share {
    double lines; /* [SI^2] there with the engine off */
    double noise;
    double rocking;
} sm_ground_share;

/** i_source: the channel's index in the source. All zero where nothing is known. */
SM_API sm_ground_share sm_ground_share_of(const sm_ground *g, size_t i_source,
                                          const sm_limit *limit);

#endif
