/* What a predictor makes of spectra before any mount is set, and how lines look in bins. */
#ifndef SM_ISOLATOR_SPECTRA_H
#define SM_ISOLATOR_SPECTRA_H

#include "stillmount/isolator.h"
#include "stillmount/powertrain.h"
#include "stillmount/survey.h"

enum { SM_LOBE_FINE = 4, SM_LOBE_BINS = 5, SM_BODY_FINE = 5 };

/* Ratios of one motion of the base to one motion of the sensor, over frequency. */
typedef struct sm_gain {
    bool used;
    double *power; /* (n_bins) mean of |ratio|^2 over each bin */
    double *lobe; /* (SM_LOBE_FINE n_bins) of a tone at k / SM_LOBE_FINE bins: as its Hann lobe sees
                     power[] */
    double *fine; /* (SM_BODY_FINE n_bins) of a body: |ratio|^2 at (i - 2) / SM_BODY_FINE bins */
} sm_gain;

void sm_lobe_weights(double w[SM_LOBE_FINE][SM_LOBE_BINS]);
/** Fills g->lobe from g->power. */
void sm_gain_lobes(sm_gain *g, size_t n_bins, double w[SM_LOBE_FINE][SM_LOBE_BINS]);

/** (n_bands n_channels) mean spectra of the place's channels with the chance taken out of their
 * broadband; NULL where there is none. *out is to be freed also after SM_E_NOMEM. */
sm_status sm_steady_make(const sm_survey_result *s, const char *place, double ***out);
void sm_steady_free(const sm_survey_result *s, double **steady);
/** (n_bands n_channels n_orders) mean square that the floor of the spectrum puts into a tracked
 * order, where steady is not NULL. */
sm_status sm_order_noise_make(const sm_survey_result *s, const sm_order_table *orders,
                              double reference_per_rpm, double *const *steady, double **out);

/** Widens a peak by one cell, whose rms about the mean goes from before to after. */
void sm_peak_add(sm_peak_range *out, const sm_cell *cell, double mean, double before, double after,
                 double seconds);

/** The error for a place without an accelerometer: names those that have one. SM_E_VALUE. */
SM_NODISCARD sm_status sm_no_such_place(const sm_survey_result *survey, const char *place,
                                        sm_error *err);

#endif
