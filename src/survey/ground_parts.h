/* Inside of the ground accumulator, shared by its files. */
#ifndef SM_SURVEY_GROUND_PARTS_H
#define SM_SURVEY_GROUND_PARTS_H

#include "stillmount/ground.h"
#include "stillmount/spectrum.h"

enum {
    SM_GROUND_MOST_SLICES = 28800, /* half-second slices: four hours */
    SM_GROUND_TAP_ROWS = 8192,
};

/* Half a second, engine not known to run. */
typedef struct sm_ground_slice {
    double t_s;   /* its start */
    double level; /* [SI^2] mean square about its mean, of all accelerometers (else gyros) */
    bool zero;    /* an rpm column shows that the engine stands */
    float f[SM_GROUND_PLACES][3]; /* [m/s^2] means */
    float w[SM_GROUND_PLACES][3]; /* [rad/s] means */
} sm_ground_slice;

/* Looks for taps at one place. */
typedef struct sm_tapper {
    long i_axis[3]; /* channel of the block; -1 = none */
    double mean[3];
    double square; /* running mean square about the mean */
    long n_seen;   /* rows since the engine stopped, or the last tap ended */
    bool inside;
    size_t n_rows;
    double t_s;
    double *rows;     /* (3 x window) */
    double *power[3]; /* (n_pad / 2 + 1) summed over the taps of an axis */
    struct {
        double t_s;
        int axis;
    } taps[SM_GROUND_TAPS];
    size_t n_taps;
} sm_tapper;

struct sm_ground {
    sm_ground_result result;
    sm_ground_channel *channels;
    const sm_channel *info;
    double rate_hz;
    bool has_speed;    /* some block came with an rpm, known or not */
    double per_rpm_hz; /* lowest order per rpm; 0 = unknown */
    size_t n_picked;
    size_t *picked; /* (n_picked) channels of the block */
    bool *counts;   /* (n_picked) its level is part of a slice's */
    long *place;    /* (n_picked) index of its place, -1 = one too many */
    double bandwidth_hz;
    /* slices of 10 ms, of half a second */
    size_t n_micro; /* rows of a micro slice */
    size_t n_half;
    size_t at_micro;
    size_t at_half;
    double *sum;  /* (n_picked) of the micro slice */
    double *mean; /* (n_picked) of the half-second slice: sum, then square, about origin */
    double *square;
    double *origin;
    double *run_power; /* (n_picked) summed over running halves */
    long n_run_halves;
    double half_t_s;
    double rpm_sum;
    double micro_rpm_sum;
    long n_rpm_micro;
    long n_rpm;  /* rows of the half with a running engine, */
    long n_zero; /* and where the rpm column shows none */
    long i_rpm;  /* channel of that column; -1 = none */
    sm_ground_slice *slices;
    size_t n_slices;
    size_t slice_capacity;
    float *run_levels; /* levels of running halves, thinned by doubling */
    size_t n_run_levels;
    size_t run_stride;
    size_t run_skip;
    /* slow motion */
    double slow_rate_hz;
    size_t n_slow; /* length of a frame */
    size_t n_have_slow;
    double *slow; /* (n_picked x n_slow) */
    double *slow_rpm;
    double *slow_window;
    double *slow_sum;   /* (n_picked x n_rock_bins) */
    double *slow_worst; /* (n_picked) */
    sm_fft *slow_fft;
    /* engine off */
    size_t n_frame;
    size_t n_have;
    double *frame; /* (n_picked x n_frame) */
    double *window;
    double *off_sum; /* (n_picked x n_bins) */
    double quietest;
    sm_fft *fft;
    double *buffer;
    double *spectrum;
    /* taps */
    sm_tapper tappers[SM_GROUND_PLACES];
    size_t n_tap; /* rows of a tap */
    size_t n_pad;
    sm_fft *tap_fft;
};

/* Rows that may be engine off; n_rows of b from `from` on. */
void sm_tapper_push(sm_ground *g, size_t i_place, const sm_block *b, size_t from, size_t n);
/* The engine runs, or a gap: what was begun is dropped. */
void sm_tapper_reset(sm_ground *g, size_t i_place);
/* Counts the taps in stretches with the engine off, and looks for a ring. */
void sm_tapper_finish(const sm_ground *g, size_t i_place, sm_ground_place *out);
/* Finds the tilts of a place in the slices, and what they say about its axes. */
void sm_tilts_find(const sm_ground *g, size_t i_place, sm_ground_place *out);
/* Engine-off stretches from the slices and the levels of the running engine. */
void sm_ground_find_off(sm_ground *g);
/* Lines and floor of a channel's spectrum with the engine off. */
void sm_ground_find_lines(const sm_ground *g, sm_ground_channel *c, const sm_channel *info);

#endif
