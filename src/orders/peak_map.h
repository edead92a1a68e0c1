/* The peaks of a whole run: half-second frames, ten a second, whitened and sharpened. */
#ifndef SM_ORDERS_PEAK_MAP_H
#define SM_ORDERS_PEAK_MAP_H

#include "orders/emission.h"
#include "stillmount/block.h"
#include "stillmount/spectrum.h"

#define SM_PEAK_FRAME_S 0.5
#define SM_PEAK_HOP_S 0.1
#define SM_PEAK_HZ_MOST 800.0

typedef struct sm_peak {
    float hz;
    float height; /* ln p1/p0, > 0, at most 10 */
    float snr;    /* power over the noise floor, mean over channels */
    float share;  /* of the frame's power, mean over channels */
} sm_peak;

typedef struct sm_peak_frame {
    double t_s; /* of its middle */
    size_t first;
    unsigned n;
    bool starts; /* first of a gap-free stretch */
} sm_peak_frame;

typedef struct sm_peak_map {
    sm_peak *peaks;
    size_t n_peaks;
    size_t peak_capacity;
    sm_peak_frame *frames;
    size_t n_frames;
    size_t frame_capacity;
    double hz_most;
    double rate_hz;
    size_t n_channels;
    size_t pick[SM_MAX_CHANNELS];
    size_t n_frame;
    size_t hop;
    size_t held;
    double t0_s;  /* of the first row held */
    bool fresh;   /* a stretch begins */
    double *rows; /* [n_channels][room] */
    size_t room;
    double *window;
    double *knock;
    double *x; /* FFT buffers */
    double *spectrum;
    double *power;
    double *snr;
    double *sum_snr;
    double *sum_share;
    double *scratch;
    size_t n_bins;
    double bin_hz;
    sm_fft *fft;
    const sm_emission *emission;
} sm_peak_map;

SM_NODISCARD sm_status sm_peak_map_open(const sm_channel *channels, size_t n_channels,
                                        double rate_hz, const sm_emission *emission,
                                        sm_peak_map *out, sm_error *err);
SM_NODISCARD sm_status sm_peak_map_push(sm_peak_map *m, const sm_block *b);
void sm_peak_map_gap(sm_peak_map *m);
void sm_peak_map_close(sm_peak_map *m);

#endif
