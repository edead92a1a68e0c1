/*
 * Stage 4: frames, windows, transforms, averaged spectra.
 *
 * Scaling, the same everywhere: X_k = sum w_n x_n exp(-2 pi i k n / N); one-sided
 * PSD_k = 2 |X_k|^2 / (rate * sum w^2), without the 2 at 0 Hz and at rate / 2. A sine of peak A on
 * a bin centre gives PSD_k = (A^2 / 2) / (ENBW * bin). Bin k covers (k - 1/2 .. k + 1/2) * rate /
 * N.
 */
#ifndef STILLMOUNT_SPECTRUM_H
#define STILLMOUNT_SPECTRUM_H

#include "stillmount/block.h"
#include "stillmount/status.h"

typedef enum sm_window {
    SM_WINDOW_HANN = 0, /* the one that scoring uses */
    SM_WINDOW_UNIFORM,
    SM_WINDOW_HAMMING,
    SM_WINDOW_BLACKMAN,
    SM_WINDOW_BLACKMAN_HARRIS,
    SM_WINDOW_NUTTALL,
    SM_WINDOW_FLATTOP_ISO,
    SM_WINDOW_FLATTOP,
    SM_WINDOW_HFT95,
    SM_WINDOW_HFT116D,
    SM_WINDOW_COUNT
} sm_window;

/** Name for people; "unknown" outside the enum. */
SM_API const char *sm_window_text(sm_window kind);
/**
 * Periodic window: w[n] = sum_j (-1)^j a_j cos(2 pi j n / N).
 *
 * w  out  [-] (n)
 * Source  Harris 1978; Heinzel, Ruediger & Schilling 2002; ISO 18431-2 (coefficients from memory)
 */
SM_API void sm_window_fill(sm_window kind, size_t n, double *w);
/** Equivalent noise bandwidth in bins: N sum w^2 / (sum w)^2. */
SM_API double sm_window_enbw_bins(const double *w, size_t n);
/** Correlation of the window with itself shifted by lag samples, 1 at lag 0. */
SM_API double sm_window_overlap(const double *w, size_t n, size_t lag);

/**
 * Equivalent degrees of freedom of an average over n_frames overlapping frames.
 * nu = 2 K / (1 + 2 sum_m (1 - m/K) rho_m^2). Source: Welch 1967 (from memory, checked by
 * simulation).
 */
SM_API double sm_welch_dof(const double *w, size_t n, size_t hop, size_t n_frames);

/* A plan for real transforms of one length. Const use from several threads is safe. */
typedef struct sm_fft sm_fft;

/**
 * n  length, even, 2 .. 2^24
 * Returns SM_OK; SM_E_ARG; SM_E_NOMEM
 * Threads  the planner runs under a lock, see sm_fft_planner_lock()
 */
SM_API SM_NODISCARD sm_status sm_fft_open(size_t n, sm_fft **out, sm_error *err);
SM_API void sm_fft_close(sm_fft **f);
/** Buffers that the plan may run on: n doubles, suitably aligned; freed by sm_fft_buffer_free(). */
SM_API double *sm_fft_buffer(size_t n);
SM_API void sm_fft_buffer_free(double *buffer);
/**
 * x       in   (n), from sm_fft_buffer()
 * spectrum out (n / 2 + 1) pairs re, im, from sm_fft_buffer(n + 2); x is preserved
 */
SM_API void sm_fft_forward(const sm_fft *f, const double *x, double *spectrum);
/** A program that also uses FFTW hands in its own lock. NULL, NULL: the library's own. */
SM_API void sm_fft_planner_lock(void (*lock)(void), void (*unlock)(void));

/** Even number nearest to rate_hz (1.0 s) whose prime factors are at most 7; at least 64. */
SM_API size_t sm_frame_length(double rate_hz);

typedef struct sm_psd_options {
    sm_window window;
    size_t n_frame;
    size_t hop;
    bool remove_mean; /* of each frame */
} sm_psd_options;

/* Averaged one-sided PSD of one channel. */
typedef struct sm_psd {
    double bin_hz;
    size_t n_bins; /* n_frame / 2 + 1 */
    double *psd;   /* [unit^2/Hz] (n_bins); owned, see sm_psd_free() */
    double enbw_hz;
    size_t n_frames;
    double dof; /* of one bin away from 0 Hz and rate / 2 */
} sm_psd;

/**
 * Welch's averaged periodogram of a whole record, for callers and tests; the pipeline accumulates
 * the same frames block by block.
 *
 * x  in  [unit] (n_samples), finite
 * Returns SM_OK; SM_E_ARG; SM_E_SHORT (less than one frame); SM_E_VALUE (not finite); SM_E_NOMEM
 * Source  Welch 1967; scaling in DEVELOPERS.md
 */
SM_API SM_NODISCARD sm_status sm_psd_compute(const double *x, size_t n_samples, double rate_hz,
                                             const sm_psd_options *opt, sm_psd *out, sm_error *err);
SM_API void sm_psd_free(sm_psd *p);

/**
 * Power in [lo_hz, hi_hz], edge bins in part.
 * psd  in  [unit^2/Hz] (n_bins) with bin k centred on k * bin_hz
 * integrations  divides by (2 pi f)^(2 n) at the bin centre; then lo_hz must be above half a bin
 * Returns the mean square [unit^2]
 */
SM_API double sm_band_power(const double *psd, size_t n_bins, double bin_hz, double lo_hz,
                            double hi_hz, int integrations);

/* One frame of all channels, as a framer hands it out. */
typedef struct sm_frame {
    size_t n; /* samples */
    size_t n_channels;
    const double *const *x;   /* [SI] x[channel][n] */
    const unsigned char *bad; /* (n_channels) 1: holds a NaN, not to be used */
    bool speed_trusted;       /* no NaN among its rpm and angles */
    double t0_s;
    double rpm;       /* mean over its samples, NaN when not trusted */
    double rpm_first; /* mean of its first and last eighth: the change over the frame */
    double rpm_last;
    double rpm_step;     /* largest change within a sixteenth of it */
    bool rpm_still;      /* its rpm is one number, to the last digit */
    double turns;        /* of the reference shaft, over the frame */
    bool adjacent;       /* overlaps the frame before: same stretch, one hop later */
    size_t i_in_stretch; /* 0, 1, 2, ... since the last gap */
    long line;           /* of its first row, about */
} sm_frame;

typedef sm_status (*sm_frame_fn)(void *self, const sm_frame *frame, sm_error *err);
typedef struct sm_framer sm_framer;

/**
 * Cuts blocks into one-second frames, hop one half, from the first sample of each gap-free stretch;
 * the tail is dropped.
 * pick  in  (n_pick) indices of the blocks' channels that the frames shall hold
 * Returns SM_OK; SM_E_ARG; SM_E_NOMEM
 */
SM_API SM_NODISCARD sm_status sm_framer_open(const size_t *pick, size_t n_pick, double rate_hz,
                                             sm_frame_fn fn, void *self, sm_framer **out,
                                             sm_error *err);
SM_API sm_sink sm_framer_sink(sm_framer *f);
SM_API void sm_framer_close(sm_framer **f);

#endif
