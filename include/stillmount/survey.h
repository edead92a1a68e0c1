/*
 * Stage 6, survey: one pass over one run. Blocks with angle and rpm in; per rpm band, cell,
 * direction and channel out: mean spectra, band rms, tracked orders, clipping, passes, and which
 * lines there are. Everything kept is a sum, a maximum or a short list, so that memory hardly grows
 * with the log.
 *
 * Several threads may share the channels of one survey. Each owns whole channels and sees every
 * block in file order, so the number of threads cannot change a bit of the result.
 */
#ifndef STILLMOUNT_SURVEY_H
#define STILLMOUNT_SURVEY_H

#include "stillmount/block.h"
#include "stillmount/budget.h"
#include "stillmount/clip.h"
#include "stillmount/comb.h"
#include "stillmount/powertrain.h"
#include "stillmount/spectrum.h"
#include "stillmount/tracker.h"

typedef enum sm_direction { SM_UP = 0, SM_DOWN, SM_HELD, SM_DIRECTIONS } sm_direction;

/** "up", "down", "held". */
SM_API const char *sm_direction_text(sm_direction d);

/* One channel in one cell and direction: index cell * SM_DIRECTIONS + direction. */
typedef struct sm_cell {
    long n;          /* frames */
    long n_adjacent; /* of these, frames that overlap the one before them in the same cell */
    double peak_si;  /* largest |raw sample| */
    double peak_t_s;
    double peak_rpm;
    long n_equal; /* longest run of equal samples */
    double hi_si; /* largest and smallest sample */
    double lo_si;
    double rpm_off;  /* rpm of the frames less the cell's middle, summed */
    double rpm_off2; /* squares of that, and what a frame's own sweep spreads it by, summed */
    double spike_si; /* largest sample that stands alone above its neighbours; 0 = none */
    double spike_e;  /* [SI^2] their squares, each as its frame's window weighed it, summed */
} sm_cell;

/* A limit on a channel whose value is a power per frame (rms, line). */
typedef struct sm_slot_stat {
    double sum_p; /* [SI^2] mean square summed over the band's frames */
    long n;
    long n_adjacent;
    double sum_d2; /* sum of (e[j+2] - e[j])^2, e = frame power less tracked tone power */
    long n_pairs;
    double *cell_p; /* (n_cells * SM_DIRECTIONS) sums of frame power */
} sm_slot_stat;

enum { SM_INTEGRALS = 3 }; /* the channel's own quantity, once and twice integrated */

/* One order, one channel, one band, one direction. Peak amplitudes, noise not subtracted. */
typedef struct sm_order_stat {
    long n;
    double sum2[SM_INTEGRALS];    /* [SI^2] |X|^2 summed */
    double max2[SM_INTEGRALS];    /* largest |X|^2 */
    double max_rpm[SM_INTEGRALS]; /* where */
    double max_hz[SM_INTEGRALS];
    double sum_rpm;  /* for the mean */
    double window_s; /* window lengths, summed */
    double sum_d2;   /* [SI^2] squared second differences of X over half windows, summed */
    long n_d2;
} sm_order_stat;

/* Mean of such a square over the variance of one component of X in noise: Hann windows half a
 * window apart correlate by 1/6, a whole one apart not at all: 2 (1 + 1/2 - 2/6). */
#define SM_SCATTER_GAIN (7.0 / 3.0)

/* One order in one cell while the rpm rises, or falls: what the fit of resonances goes by. */
typedef struct sm_sweep_cell {
    float n;    /* tracked points */
    float p;    /* [SI^2] sum of |X|^2 / 2 */
    float rpm;  /* summed */
    float rate; /* [rpm/s] summed */
} sm_sweep_cell;

typedef struct sm_band_channel {
    double *psd; /* [SI^2/Hz] (n_bins) mean over n_frames, after sm_survey_finish() */
    long n_frames;
    double seconds;      /* of this channel here, each sample once */
    double last_t0_s;    /* of its last frame here */
    double *lost;        /* (limits of the budget) largest value while the speed was lost on the way
                            through here: mean square, or ratio to a curve; NULL = never lost */
    sm_cell *cells;      /* (n_cells * SM_DIRECTIONS) */
    sm_slot_stat *slots; /* (n_slots of the channel) */
    sm_order_stat *orders; /* (n_orders * SM_DIRECTIONS) order * SM_DIRECTIONS + direction */
    float *order_cell_p;   /* (n_orders * n_cells) sum of |X|^2 / 2 in the cell, all directions */
    float *order_cell_n;
    sm_sweep_cell *sweep; /* (n_orders * n_cells * 2) order, cell, SM_UP or SM_DOWN */
} sm_band_channel;

typedef struct sm_band {
    double rpm_lo;
    double rpm_hi;
    bool required;
    bool visited;
    size_t n_cells;
    double seconds; /* each sample once */
    double turns;   /* of the reference shaft */
    long n_frames;
    double rpm_sum; /* over frames */
    long passes[SM_DIRECTIONS];
    long n_visits;             /* passes that count for min_passes */
    sm_band_channel *channels; /* (n_channels) NULL when not visited */
} sm_band;

/* How an order's phase turns from one half window to the next, unit phasors summed; a line beside
 * its place turns steadily. */
typedef struct sm_turn_stat {
    double re;
    double im;
    long n;
} sm_turn_stat;

/* A line that the run as a whole shows in one channel. */
typedef enum sm_line_kind { SM_LINE_FIXED = 0, SM_LINE_ORDER, SM_LINE_ALIAS } sm_line_kind;

typedef struct sm_line {
    size_t i_channel;
    sm_line_kind kind;
    double hz;     /* fixed: its frequency */
    double order;  /* order: unlisted order; alias: the true order, of the reference shaft */
    int fold;      /* alias: apparent = |fold * rate - order * shaft| */
    long n_frames; /* frames that showed it */
    double mean_p; /* [SI^2] mean square over these */
    double rpm_lo; /* where it was seen */
    double rpm_hi;
} sm_line;

/* What the loudest frames of a channel tell of a sensor that gives less and less near the ends of
 * its range. */
typedef struct sm_bend_stat {
    long n;         /* frames looked at; the rest is NaN when they are too few */
    double share;   /* x is read as x (1 + share / 3 ((x/s)^2 - 3)), s its rms; below 0: flat */
    double sigma;   /* its scatter */
    double between; /* how much of the cube is in what lies between the orders, in s^2 */
} sm_bend_stat;

/* What is kept of a whole channel. */
typedef struct sm_channel_stat {
    size_t i_source; /* index in the source's channels */
    sm_channel info;
    uint64_t n; /* samples that are numbers */
    uint64_t n_missing;
    double mean_si;
    double rms_si; /* about the mean */
    double hi_si;
    double lo_si;
    double step_si; /* smallest difference seen between neighbours: the quantisation; 0 = none */
    sm_clip_levels clip; /* levels that count as clipped; NaN = none */
    sm_bend_stat bend;
    size_t n_slots;
    size_t slot_limit[SM_MAX_LIMITS]; /* index in the budget of each slot */
} sm_channel_stat;

/* A tracked point kept for `detail`. */
typedef struct sm_track_sample {
    float t_s;
    float rpm;
    float hz;
    unsigned char direction;
} sm_track_sample;

typedef struct sm_order_track {
    size_t n;
    size_t capacity;
    sm_track_sample *points; /* (n) */
    float *re_pk;            /* (n x n_channels) [SI] */
    float *im_pk;
} sm_order_track;

/* A map of level over rpm and frequency, kept for `detail`. */
typedef struct sm_map {
    size_t n_rpm; /* cells of 25 rpm from rpm0 */
    double rpm0;
    size_t n_hz;
    double hz_step;
    float *p; /* (n_channels x n_rpm x n_hz) [SI^2] mean square per hz_step, summed */
    float *n; /* (n_rpm) frames */
} sm_map;

typedef struct sm_survey_options {
    const sm_budget *budget; /* kept by reference, as are the other two */
    const sm_powertrain *powertrain;
    const sm_order_table *orders;
    int threads; /* 1 = none of its own; 2 = one, for all channels; n = n - 1 that share them */
    bool detail; /* keep tracks and map */
    bool watch_clipping; /* find clip levels itself: no source has done it */
} sm_survey_options;

/* Stretches inside the run without a speed to be trusted. */
typedef struct sm_lost_places {
    long n;
    double seconds;
    sm_place at[SM_FINDING_PLACES]; /* the first ones */
} sm_lost_places;

/* The result: complete after sm_survey_finish(). */
typedef struct sm_survey_result {
    double rate_hz;
    size_t n_frame; /* samples of a frame */
    double bin_hz;
    size_t n_bins;
    double frame_s;
    size_t n_channels; /* accelerometers, gyros, magnetometers of the source */
    sm_channel_stat *channels;
    size_t n_bands;
    sm_band *bands;
    const sm_track_plan *plans; /* (orders->n) */
    long n_frames;              /* with a trusted speed */
    long n_frames_untrusted;
    sm_lost_places speed_lost;
    sm_lost_places speed_jumps; /* it stood still to the last digit, then jumped */
    long n_outside;             /* frames outside all bands */
    double rpm_min;             /* over frames */
    double rpm_max;
    sm_turn_stat *turns; /* (orders->n x n_channels x SM_DIRECTIONS) */
    const sm_comb *comb; /* is the speed the vibration's? bands as in `bands` */
    sm_line *lines;      /* strongest first, per channel */
    size_t n_lines;
    sm_order_track *tracks; /* (orders->n) when detail, else NULL */
    sm_map map;             /* n_rpm = 0 without detail */
} sm_survey_result;

typedef struct sm_survey sm_survey;

/**
 * channels  in  of the source
 * Returns SM_OK; SM_E_ARG; SM_E_NOMEM
 * Accuracy  band rms within 0.3 dB, tracked orders within 0.3 dB of truth (tests/truth)
 */
SM_API SM_NODISCARD sm_status sm_survey_open(const sm_channel *channels, size_t n_channels,
                                             double rate_hz, const sm_survey_options *opt,
                                             sm_survey **out, sm_error *err);
/** The sink behind the speed stage. */
SM_API sm_sink sm_survey_sink(sm_survey *s);
/** After SM_MARK_END: waits for the threads, scales, finds the lines. Call once. */
SM_API SM_NODISCARD sm_status sm_survey_finish(sm_survey *s, sm_error *err);
/** Clip levels found elsewhere (by the source) for a channel of the source; replaces the survey's.
 */
SM_API void sm_survey_set_clip(sm_survey *s, size_t i_source, const sm_clip_levels *levels);
SM_API const sm_survey_result *sm_survey_result_get(const sm_survey *s);
SM_API void sm_survey_close(sm_survey **s);
/** Is the speed the vibration's? By the place that shows most orders: a quiet mount must not deny a
 * clear engine. n_seen is -1 when there is no place. */
SM_API void sm_survey_speed_check(const sm_survey_result *v, sm_comb_result *out);
/** Adds alias-line for every line that moves against the rpm. */
SM_API void sm_survey_findings(const sm_survey_result *v, sm_findings *out);

/**
 * Noise density near a frequency: low percentile of a mean spectrum over +-20 Hz, corrected for the
 * spread of a chi-square with dof degrees of freedom, so that lines do not lift it.
 * Returns [SI^2/Hz]; 0 when there is nothing.
 */
SM_API double sm_noise_density(const double *psd, size_t n_bins, double bin_hz, double hz,
                               double dof);

/** Equivalent degrees of freedom of n frames of which n_adjacent overlap their predecessor. */
SM_API double sm_frames_dof(long n, long n_adjacent);

#endif
