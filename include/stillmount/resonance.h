/* Resonances of the mount, from how the tracked orders rise and fall over rpm. */
#ifndef STILLMOUNT_RESONANCE_H
#define STILLMOUNT_RESONANCE_H

#include "stillmount/survey.h"

enum {
    SM_MAX_RESONANCES = 16,
    SM_RESONANCE_ORDERS = 8,
    SM_RESONANCE_FITS = 24,
    SM_FIT_POINTS = 32,
};

/* The fitted curve of one order and channel, for drawing. */
typedef struct sm_resonance_fit {
    size_t i_channel; /* in the survey */
    size_t i_order;   /* in the order table */
    sm_direction direction;
    size_t n;
    float rpm[SM_FIT_POINTS]; /* (n) of the rpm_of shaft */
    float pk[SM_FIT_POINTS];  /* (n) [SI] peak amplitude */
} sm_resonance_fit;

typedef struct sm_resonance {
    size_t i_channel;                   /* where it shows most, in the survey */
    double hz;                          /* natural frequency */
    double damping_ratio;               /* NaN when it is known no better than to a third */
    size_t n_cuts;                      /* order cuts (order, channel, up or down) that show it */
    size_t order[SM_RESONANCE_ORDERS];  /* (n_orders) in the order table, strongest first */
    double rpm_at[SM_RESONANCE_ORDERS]; /* of the rpm_of shaft, where each order meets it */
    size_t n_orders;
    size_t n_fits;
    sm_resonance_fit fits[SM_RESONANCE_FITS];
} sm_resonance;

/**
 * Fits the power of every order over frequency, rising and falling rpm apart, with one mode and a
 * direct path: |G S + D|^2, S the response to a line that sweeps at its rate. That is linear in
 * four products once frequency and damping are chosen; those are fitted to all cuts of one place
 * together. At least two cuts must need it, or the only one that passes it, plainly; and more than
 * half of an axis's cuts that pass it, or plainly a third. Where only one order shows it
 * (n_orders = 1) a force that rises and falls with rpm looks the same. None is sought in the last
 * tenth of the sensor's bandwidth, where its filter bends the cuts.
 *
 * n  out  how many were found; in rising frequency
 *
 * Returns SM_OK; SM_E_NOMEM
 * Accuracy  frequency within 1.5 %, damping within 25 % for run-ups of up to 60 rpm/s
 *           (tests/truth/run_modes)
 * Source    variable projection (Golub & Pereyra 1973, from memory)
 */
SM_API SM_NODISCARD sm_status sm_resonances_find(const sm_survey_result *v,
                                                 const sm_order_table *orders, double shaft_per_rpm,
                                                 sm_resonance *out, size_t most, size_t *n);

/**
 * Adds what no order shows and broadband shaking does: humps at one frequency whatever the rpm, in
 * two channels of a place at least, wider than a bin and a half and above 6 Hz. n_orders is 0 then,
 * n_cuts the number of channels.
 *
 * found  io  of sm_resonances_find()
 * n      io  rising frequency still
 *
 * Returns SM_OK; SM_E_NOMEM
 * Accuracy  frequency within 6 %, damping within 35 % from run-ups of 100 s (tests/truth/run_truth)
 */
SM_API SM_NODISCARD sm_status sm_resonances_broadband(const sm_survey_result *v,
                                                      sm_resonance *found, size_t most, size_t *n);

typedef enum sm_resonance_way {
    SM_WAY_NEITHER = 0,
    SM_WAY_STIFFEN,
    SM_WAY_SOFTEN,
    SM_WAY_NONE_NEEDED, /* it lies outside already */
} sm_resonance_way;

/** "neither", "stiffen", "soften", "none-needed": the JSON's words. */
SM_API const char *sm_resonance_way_text(sm_resonance_way w);

/* What would move a resonance out of the rpm in use. */
typedef struct sm_resonance_advice {
    sm_resonance_way way; /* the lesser change that is within reach */
    double rpm_lo;        /* of the rpm_of shaft: the range in use */
    double rpm_hi;
    double stiffen_hz; /* at least so high: a fifth above the fastest strong line */
    double stiffer;    /* stiffness over today's for that, same mass */
    double soften_hz;  /* at most so high: the slowest strong line over sqrt 2 */
    double softer;     /* today's stiffness over that one */
} sm_resonance_advice;

/**
 * Strong lines are the orders that excite it and those of the same place within 15 dB of the
 * strongest, over the range of rpm in use. Within reach is four times stiffer, or isolators that
 * need not be softer than 6 Hz (common practice, no source).
 */
SM_API void sm_resonance_advise(const sm_resonance *r, const sm_survey_result *v,
                                const sm_order_table *orders, double shaft_per_rpm, double rpm_lo,
                                double rpm_hi, sm_resonance_advice *out);

#endif
