/*
 * Is the speed that a run claims the speed of the vibration? A wrong tach factor, shaft or gear
 * ratio turns every order limit into a reading of noise, which passes. The comb watches, per place
 * and rpm band, whether expected orders stand out where the speed says, and whether the whole grid
 * of orders fits better than the same grid at a third, half, two thirds, 3/2, double, triple,
 * geared and un-geared speed.
 *
 * It is fed with the spectra that the survey has anyway. It cannot see that a ratio is wrong by
 * less than about 3 % (the phases of tracked orders can, in the scoring stage), and where only one
 * line of one order stands out in one held rpm it cannot tell and says so.
 */
#ifndef STILLMOUNT_COMB_H
#define STILLMOUNT_COMB_H

#include "stillmount/powertrain.h"

typedef enum sm_comb_check {
    SM_COMB_UNCONFIRMED = 0,
    SM_COMB_CONFIRMED,
    SM_COMB_CONTRADICTED, /* another grid fits clearly better */
} sm_comb_check;

/** "unconfirmed", "confirmed", "contradicted": the JSON's words. */
SM_API const char *sm_comb_check_text(sm_comb_check c);

enum { SM_COMB_SCALES = 9 };

/* What the comb says about one place in one band, or in the whole run. */
typedef struct sm_comb_result {
    sm_comb_check check;
    long n_frames;
    long n_seen;     /* expected orders that stand >= 10 dB above the noise */
    double best_db;  /* the strongest of them above the noise of its bin; NaN = none looked at */
    long best_order; /* its index in the order table; -1 = none */
    bool seen_crank; /* an order >= 10 dB that only the crank makes */
    bool seen_prop;  /* likewise the propeller: without a gearbox the same lines */
    double evidence; /* log likelihood ratio per frame of grid against noise */
    double margin;   /* the same of this grid over the best rival grid */
    double rival;    /* that rival's speed over ours: 0.5, 2, the gear ratio, its inverse */
    char ambiguous[SM_COMB_SCALES][48]; /* rivals that fit as well or better, best first */
    size_t n_ambiguous;
} sm_comb_result;

typedef struct sm_comb sm_comb;

/**
 * p, orders   in  kept by reference
 * n_channels      that will be pushed, each with an index below it
 * n_bands         of the run, at least 1
 * n_bins, bin_hz  of the spectra: bin k is centred on k * bin_hz, one-second Hann frames
 *
 * Returns SM_OK; SM_E_ARG; SM_E_NOMEM
 */
SM_API SM_NODISCARD sm_status sm_comb_open(const sm_powertrain *p, const sm_order_table *orders,
                                           size_t n_channels, size_t n_bands, size_t n_bins,
                                           double bin_hz, sm_comb **out, sm_error *err);
/**
 * One frame of one channel.
 *
 * psd        in  [any unit^2/Hz] (n_bins) of this frame alone, not averaged
 * rpm            mean of the frame, of the rpm_of shaft
 * change_rpm     over the frame, either sign
 * Threads  calls for different channels may run at the same time
 */
SM_API void sm_comb_push(sm_comb *c, size_t i_channel, size_t i_band, const double *psd, double rpm,
                         double change_rpm);
/**
 * channels  in  (n) the channels of one place; i_band: a band, or SIZE_MAX for the whole run
 *
 * The run is confirmed when two expected orders stand >= 10 dB above the noise in a fifth of its
 * bands, and the grid fits
 * better than noise and than every rival. A band is confirmed when at least one stands out there,
 * no rival clearly fits better, and the place is confirmed in the run as a whole. seen_prop and
 * seen_crank tell whether the propeller's own lines stand where the gear ratio puts them: an order
 * of a shaft whose lines are nowhere seen rests on the powertrain file's word alone.
 */
SM_API void sm_comb_result_get(const sm_comb *c, const size_t *channels, size_t n, size_t i_band,
                               sm_comb_result *out);
SM_API void sm_comb_close(sm_comb **c);

#endif
