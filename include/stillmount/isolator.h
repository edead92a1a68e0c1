/*
 * Side branch isolator: what a spring and damper between the base and the attitude sensor would do
 * to a run that was measured at the base. Linear models only: real rubber changes with amplitude,
 * age and cold, cables bypass it, and nothing here knows that.
 */
#ifndef STILLMOUNT_ISOLATOR_H
#define STILLMOUNT_ISOLATOR_H

#include "stillmount/assess.h"
#include "stillmount/json.h"
#include "stillmount/status.h"
#include "stillmount/survey.h"

#include <stdbool.h>

typedef enum sm_damping_model {
    SM_DAMPING_VISCOUS = 0, /* force proportional to velocity: 20 dB per decade far above */
    SM_DAMPING_STRUCTURAL,  /* loss factor 2 x damping_ratio at every frequency: 40 dB per decade */
    SM_DAMPING_THREE,       /* damper behind a second spring, stiffness_ratio times the first */
} sm_damping_model;

/* One mass on one spring and damper, moved at its base. */
typedef struct sm_isolator {
    double natural_hz;    /* [Hz] undamped, > 0 */
    double damping_ratio; /* fraction of critical, > 0 */
    sm_damping_model model;
    double stiffness_ratio; /* of SM_DAMPING_THREE, > 0; unused otherwise */
} sm_isolator;

/** Viscous, with these two numbers. */
SM_API sm_isolator sm_isolator_viscous(double natural_hz, double damping_ratio);
/** SM_OK, or SM_E_VALUE with what is wrong: zero or negative damping or more than 2, no natural
 * frequency, or one so low that the mount would sag more than 1 m. */
SM_API SM_NODISCARD sm_status sm_isolator_check(const sm_isolator *iso, sm_error *err);

/**
 * Absolute transmissibility: motion of the mass / motion of the base at hz >= 0, as {re, im}.
 * T = k / (k - u^2), u = hz / natural_hz, with the complex stiffness k = 1 + 2 j z u (viscous),
 * 1 + 2 j z (structural), 1 + 2 j z u / (1 + 2 j z u / N) (three-parameter).
 * Source   Harris & Piersol, Shock and Vibration Handbook, ch. 30; Rao, Mechanical Vibrations, ch.
 *          9 (viscous); the others by the complex stiffness, from memory
 */
SM_API void sm_isolator_transfer(const sm_isolator *iso, double hz, double t[2]);
/** |T| at hz. */
SM_API double sm_isolator_ratio(const sm_isolator *iso, double hz);
/** Mean of |T|^2 over [lo_hz, hi_hz]: what a bin of a spectrum is multiplied with. Accuracy 1e-6.
 */
SM_API double sm_isolator_power(const sm_isolator *iso, double lo_hz, double hi_hz);
/** Relative motion across the isolator [m] per base acceleration [m/s^2] at hz, magnitude. */
SM_API double sm_isolator_sway(const sm_isolator *iso, double hz);
/** Frequency above which |T| < 1: natural_hz sqrt 2, the same for every damping (viscous). */
SM_API double sm_isolator_isolates_above(const sm_isolator *iso);
/** Highest |T| of a viscous mount, and where (ratio to natural_hz). */
SM_API double sm_isolator_peak(double damping_ratio, double *at_ratio);

/** Sag of a linear spring under its own mass at 1 g [m]: g / (2 pi f)^2, and back. */
SM_API double sm_isolator_sag_m(double natural_hz);
SM_API double sm_isolator_natural_from_sag(double sag_m);
/** [Hz] from stiffness [N/m] and mass [kg]. */
SM_API double sm_isolator_natural_from_stiffness(double stiffness_n_m, double mass_kg);
/**
 * rms of the mass in a flat base spectrum [unit^2/Hz]: sqrt(pi/2 f Q P), Q = 1 / (2 z) (Miles), and
 * exactly for base excitation, which is that times sqrt(1 + 4 z^2).
 */
SM_API double sm_isolator_miles(double natural_hz, double q, double psd);
SM_API double sm_isolator_flat_rms(double natural_hz, double damping_ratio, double psd);

/* A rigid body on several isolators ---------------------------------------------------------- */

enum { SM_MAX_FEET = 16 };

/* One isolator under the body. */
typedef struct sm_foot {
    double at_m[3];    /* from the origin of the geometry */
    double k_n_m[3];   /* stiffness along x, y, z */
    double c_n_s_m[3]; /* damping along x, y, z */
} sm_foot;

typedef struct sm_body {
    double mass_kg;
    double inertia_kg_m2[6]; /* about the centre of mass: xx yy zz xy xz yz, products as in the
                                tensor (off-diagonal element with its sign) */
    double centre_m[3];      /* centre of mass */
    double sensor_m[3];      /* where the attitude sensor's own sensing point is */
    double base_m[3];        /* where the base was measured */
    sm_foot feet[SM_MAX_FEET];
    size_t n_feet;
} sm_body;

typedef struct sm_mode {
    double hz;
    double damping_ratio; /* modal, from the diagonal of the damping in the undamped modes */
    double shape[6]; /* x y z [m], rotation x y z [rad] of the centre of mass; unit modal mass */
    char what[32];   /* "up and down", "rocking about x", ... by the largest energy share */
} sm_mode;

/**
 * Geometry file (INI):
 *   [body]  mass = 1.4 kg, inertia = 0.004 0.006 0.008 kg m^2 [xy xz yz], centre = 0 0 30 mm,
 *           sensor = 0 0 20 mm (default: centre), base = 0 0 0 mm
 *   [isolator NAME]  at = 60 40 0 mm, stiffness = 9000 9000 12000 N/m, damping = 0.15
 *
 * Returns SM_OK; SM_E_IO (read); SM_E_FORMAT; SM_E_VALUE (a mass, stiffness or damping that cannot
 *         be, too few isolators to carry the body, so soft that it sags 1 m or leans 15 degrees);
 *         SM_E_NOMEM
 */
SM_API SM_NODISCARD sm_status sm_body_read(const char *path, sm_body *out, sm_error *err);
/** The same from text: SM_OK; SM_E_FORMAT; SM_E_VALUE; SM_E_NOMEM. */
SM_API SM_NODISCARD sm_status sm_body_parse(const char *text, size_t n, const char *source,
                                            sm_body *out, sm_error *err);
/** Positive mass, definite inertia, stiff in all six directions. SM_OK or SM_E_VALUE. */
SM_API SM_NODISCARD sm_status sm_body_check(const sm_body *b, sm_error *err);
/** The six undamped modes, rising. SM_OK or SM_E_VALUE (as sm_body_check). */
SM_API SM_NODISCARD sm_status sm_body_modes(const sm_body *b, sm_mode modes[6], sm_error *err);
/**
 * Response at hz >= 0: h[i][j] = {re, im} of motion i at the sensor per motion j of the base point;
 * motions are x y z [m/s^2] and rotation x y z [rad/s^2] (the same ratios hold for rates).
 * SM_OK, or SM_E_VALUE when the system is singular there (undamped, on a mode).
 */
SM_API SM_NODISCARD sm_status sm_body_response(const sm_body *b, double hz, double h[6][6][2],
                                               sm_error *err);
/** Static rotation [rad] about x, y, z when the base pushes with 1 g along axis 0..2. */
SM_API SM_NODISCARD sm_status sm_body_tilt_per_g(const sm_body *b, int axis, double tilt_rad[3],
                                                 sm_error *err);
/** The same body with every stiffness and damping coefficient scaled. */
SM_API sm_body sm_body_scaled(const sm_body *b, double stiffness, double damping);

/* A run behind that mount ---------------------------------------------------------------------- */

/*
 * What the limits of a run would read behind a mount. Power spectra know no phase between axes: on
 * a body the motions of all axes are taken to add up, which is the worst they can do.
 */
typedef struct sm_predictor sm_predictor;

/**
 * survey, budget, orders, powertrain, place  in  kept by reference; only channels of `place` are
 *                                               behind the mount
 * Returns SM_OK; SM_E_VALUE (no accelerometer there); SM_E_NOMEM
 */
SM_API SM_NODISCARD sm_status sm_predictor_open(const sm_survey_result *survey,
                                                const sm_budget *budget,
                                                const sm_powertrain *powertrain,
                                                const sm_order_table *orders, const char *place,
                                                sm_predictor **out, sm_error *err);
SM_API void sm_predictor_close(sm_predictor **p);
/** One mass on a spring: accelerometers of the mount; gyros stay as they were. */
SM_API void sm_predictor_mount(sm_predictor *p, const sm_isolator *iso);
/** A body on isolators: accelerometers and gyros. SM_OK or SM_E_VALUE. */
SM_API SM_NODISCARD sm_status sm_predictor_body(sm_predictor *p, const sm_body *body,
                                                sm_error *err);
/**
 * A limit's value in SI and the limit's detector, predicted behind the mount set last.
 * i_band, i_channel in the survey; i_limit in the budget
 * line_hz  of a `line` limit: where the measured line is
 * Returns NaN where spectra cannot say (coning, level, nothing recorded)
 * Accuracy 0.5 dB against closed form (tests/unit/test_predict.c)
 */
SM_API double sm_predictor_value(const sm_predictor *p, size_t i_band, size_t i_channel,
                                 size_t i_limit, double line_hz);
/** The same without a mount: what the survey itself says, by the same arithmetic. */
SM_API double sm_predictor_measured(const sm_predictor *p, size_t i_band, size_t i_channel,
                                    size_t i_limit);
/* A peak with gravity, [SI]. */
typedef struct sm_peak_range {
    double value; /* the measured crest factor kept */
    double lo;    /* all of it one sine */
    double hi;    /* the larger of the measured crest and that of Gaussian noise as long */
} sm_peak_range;

/**
 * Largest |sample| behind the mount set last: the mean (gravity) stays, what lies about it scales
 * with the rms of the whole spectrum, cell by cell. Nobody knows the wave's new shape, hence the
 * range.
 * Returns false where nothing was recorded
 * Source  largest of n Gaussian samples: sqrt(2 ln n) (from memory)
 */
SM_API bool sm_predictor_peak(const sm_predictor *p, size_t i_band, size_t i_channel,
                              sm_peak_range *out);
/** Margin in dB of such a value against the limit; NaN without a maximum. */
SM_API double sm_predictor_margin_db(const sm_predictor *p, size_t i_channel, size_t i_limit,
                                     double value_si);
/** Largest 3-sigma motion across the mount [m] in any band; one mass on a spring only. */
SM_API double sm_predictor_sway_m(const sm_predictor *p);

/** What it was opened with. */
SM_API void sm_predictor_inputs(const sm_predictor *p, const sm_survey_result **survey,
                                const sm_budget **budget, const sm_order_table **orders,
                                double *reference_per_rpm);
/* An order that passes a frequency while the run is in a band. */
typedef struct sm_order_visit {
    size_t i_order;
    double rpm[2];
} sm_order_visit;

/** Expected orders that pass lo_hz..hi_hz in the bands that the run visited. Fills as many as there
 * is room for (out NULL: none) and returns how many there are. */
SM_API size_t sm_predictor_orders_at(const sm_predictor *p, double lo_hz, double hi_hz,
                                     sm_order_visit *out, size_t capacity);
/** Highest frequency that the place's accelerometers can show: 0.4 of the rate, their bandwidth. */
SM_API double sm_predictor_usable_hz(const sm_predictor *p);
/** true when that channel would stand on the mount, moved by it or not. */
SM_API bool sm_predictor_stands(const sm_predictor *p, size_t i_channel);
/** true when the mount changes that channel. */
SM_API bool sm_predictor_moves(const sm_predictor *p, size_t i_channel);

/* What a maker's sheet leaves open. */
typedef struct sm_tolerance {
    double stiffness; /* +- share; default 0.2 */
    double damping;   /* from 1/this to this times; default 2 */
    double cold;      /* stiffness when cold, times; default 1 = no more than the tolerance */
} sm_tolerance;

SM_API sm_tolerance sm_tolerance_default(void);
/** Corner i of n: factors of stiffness and damping; corner 0 is nominal. Returns n. */
SM_API size_t sm_tolerance_corner(const sm_tolerance *t, size_t i, double *stiffness,
                                  double *damping);

typedef struct sm_search_options {
    double natural_hz[2];
    double damping_ratio[2];
    double max_sag_m;  /* NaN = any; of the softest in tolerance */
    double max_sway_m; /* NaN = any */
    sm_tolerance tolerance;
} sm_search_options;

typedef struct sm_candidate {
    double natural_hz;
    double damping_ratio;
    double worst_margin_db;   /* over the tolerance, of the limits that the mount can change */
    double nominal_margin_db; /* without tolerance */
    size_t i_band;            /* where the worst one is */
    size_t i_channel;
    size_t i_limit;
} sm_candidate;

/* Why candidates fell out. */
typedef struct sm_search_counts {
    size_t tried;
    size_t on_an_order; /* resonance inside an order that the run visits */
    size_t sags;
    size_t sways;
} sm_search_counts;

/**
 * The best mounts in a range, best first: a grid over both ranges, edges included, then steps of
 * half the size about the best. Never one whose resonance, anywhere in its tolerance, lies on an
 * expected order in a band that was visited.
 *
 * best      out  (capacity); *n gets how many
 * Returns   SM_OK (also with none); SM_E_VALUE (an empty or impossible range)
 * Accuracy  0.1 dB of the best of a 10 times finer grid (tests/unit/test_predict.c)
 */
SM_API SM_NODISCARD sm_status sm_isolator_search(sm_predictor *p, const sm_search_options *opt,
                                                 sm_candidate *best, size_t capacity, size_t *n,
                                                 sm_search_counts *counts, sm_error *err);

/* The record ---------------------------------------------------------------------------------- */

typedef struct sm_isolator_setup {
    sm_predictor *predictor;
    const sm_isolator *mount; /* NULL: the body */
    const sm_body *body;
    sm_tolerance tolerance;
    const sm_assessment *assessment; /* of the same run */
} sm_isolator_setup;

/**
 * Turns the assessment's document into stillmount/isolator/1: predicted, predicted_margin_db,
 * predicted_verdict and predicted_interval (over the tolerance) beside every value, and isolator,
 * predicted_verdict, not_predicted at the top. A prediction is `thin` at best.
 *
 * doc      in, out  from sm_assessment_json() of that assessment
 * verdict  out      of the prediction
 * Returns  SM_OK; SM_E_VALUE (a natural frequency outside the usable bandwidth); SM_E_NOMEM
 */
SM_API SM_NODISCARD sm_status sm_isolator_json(const sm_isolator_setup *setup, sm_json_doc *doc,
                                               sm_verdict *verdict, sm_error *err);
/** Adds `search`, best first, and `search_counts`. */
SM_API void sm_isolator_search_json(const sm_predictor *p, const sm_candidate *best, size_t n,
                                    const sm_search_counts *counts, sm_json_doc *doc);

#endif
