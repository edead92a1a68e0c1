/*
 * Is loud shaking bent flat by the sensor, without a single clipped sample? What a sensor bends
 * lies between the machine's orders: products of three lines, and noise that is weaker while the
 * large motion is near its ends. Both go as -(x^3 - 3 s^2 x), s^2 the mean square, so frames are
 * compared with their own cube there. Nothing linear does that, and neither does the flicker of
 * orders, whose own part in the cube is at most -3/2 s^2 of what they leave between.
 */
#ifndef SM_SURVEY_BEND_H
#define SM_SURVEY_BEND_H

#include "stillmount/survey.h"

enum { SM_BEND_CLASSES = 64 };

/* Frames of like level (3 dB). With z = x / s: Y is the transform of z, C that of z^3 - 3 z. */
typedef struct sm_bend_class {
    long n;
    double t; /* sum of Re(conj(C) Y) between the orders */
    double d; /* |C|^2 */
    double v; /* |Y|^2 */
    double tt;
    double td;
    double dd;
} sm_bend_class;

typedef struct sm_bend_channel {
    sm_bend_class classes[SM_BEND_CLASSES];
    double loudest; /* mean square */
    double next_s;  /* frames that begin before overlap the last one taken */
} sm_bend_channel;

typedef struct sm_bend {
    sm_bend_channel *channels;
    double *order; /* (n_orders) of the reference shaft, rising or not: where lines may be */
    size_t n_orders;
    size_t n_frame;
    size_t n_bins; /* up to 0.4 of the rate */
    double bin_hz;
    double lobe_scale;   /* sum of |X|^2 over a lobe -> squared peak of its sine */
    double *cube;        /* (n_frame) */
    double *spectrum;    /* (n_frame + 2) */
    double *lobe;        /* (n_bins) */
    unsigned char *near; /* (n_bins) 1: an order may be here */
} sm_bend;

/* orders: the machine's, and what a line may be of; both kept no longer than the call. */
SM_NODISCARD sm_status sm_bend_open(sm_bend *b, const sm_powertrain *p,
                                    const sm_order_table *orders, size_t n_channels, size_t n_frame,
                                    double rate_hz, double psd_scale);
void sm_bend_close(sm_bend *b);
/*
 * A frame of the i-th channel: window (n_frame), x (n_frame) its samples, spectrum (pairs) and
 * power (bins) of the windowed samples less their mean; shaft_hz and its change over the frame.
 */
void sm_bend_frame(sm_bend *b, size_t i, const sm_frame *f, const double *window, const sm_fft *fft,
                   const double *spectrum, const double *power, double shaft_hz, double change_hz);
/* What the loudest frames tell. */
sm_bend_stat sm_bend_get(const sm_bend *b, size_t i);

#endif
