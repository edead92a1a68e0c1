/* Inside the scoring stage: one limit on one channel in one band. */
#ifndef SM_BUDGET_SCORE_H
#define SM_BUDGET_SCORE_H

#include "stillmount/assess.h"
#include "stillmount/resonance.h"

/* The noise of a channel over frequency, in thirds of an octave. */
enum { SM_FLOOR_MOST = 48 };
typedef struct sm_floor_curve {
    size_t n;
    double hz[SM_FLOOR_MOST];
    double db[SM_FLOOR_MOST]; /* 10 log10 of the density in SI^2/Hz */
    double rounding_db;       /* what the rounding of the numbers makes */
    double noise_db;          /* power below which all is the rounding of computed tones */
} sm_floor_curve;

/* What all scoring functions look at. */
typedef struct sm_score_view {
    sm_run *run;
    const sm_survey_result *survey;
    const sm_budget *budget;
    const sm_powertrain *powertrain;
    const sm_order_table *orders;
    double shaft_per_rpm;   /* reference revolutions per second, per rpm */
    sm_floor_curve *floors; /* (n_channels) n = 0: not worked out yet; for sm_score() alone */
    const sm_resonance *resonances; /* (n_resonances) what the JSON is written from */
    size_t n_resonances;
    const sm_order_table *named; /* all orders of the machine, too high for the rate or not; for the
                                    names of folded lines alone */
} sm_score_view;

/* What a surveyed run gives; floors, resonances and names are filled by whoever needs them. */
sm_score_view sm_score_view_of(sm_run *run);
/* Fills value, interval, ceiling, verdict and reasons of a result whose target is set. */
void sm_score(const sm_score_view *v, sm_result *r);
/* Fills the cause. cell: index in the band's cells (with direction), or -1 for the whole band. */
void sm_find_cause(const sm_score_view *v, sm_result *r, long cell);

/* The fixed line of the run within a bin of hz, as the channel shows it that has it in most frames;
 * NULL = none. */
const sm_line *sm_fixed_line(const sm_score_view *v, double hz);
/*
 * The name of a fixed frequency on a channel, with its kind in brackets where it is known:
 * "electrical" when it is there with the engine off, "structure" when it is a resonance of
 * the place. One source has one name, whatever channel shows it. Returns true when the kind is
 * known.
 */
bool sm_fixed_label(const sm_score_view *v, size_t channel, double hz, char *out, size_t size);

/* Mean power |X|^2/2 of an order in a band, noise taken off, integrated; NaN when not tracked. */
double sm_order_power(const sm_score_view *v, const sm_band *b, const sm_band_channel *bc,
                      size_t order, int integrations);
/* Variance of one component of a tracked amplitude: 1.5 N(f)/T inflation^2. */
double sm_order_variance(const sm_score_view *v, const sm_band_channel *bc, size_t order, double hz,
                         double window_s);
/*
 * The same as the tracks themselves show it, by how they jump from window to window; 0 when there
 * are too few. Larger than the above on a resonance of the noise, where a fixed tone crosses, and
 * where the order itself flickers: good for intervals and doubt, too large to be taken off.
 */
double sm_order_scatter(const sm_band_channel *bc, size_t order);
/* Frequency of an order at the band's mean rpm. */
double sm_order_hz(const sm_score_view *v, const sm_band *b, size_t order);

/* Flaws that forbid a result: adds reasons; true when the value may be too high as well. */
typedef struct sm_flaws {
    bool blocks;     /* not within; over stays over */
    bool blocks_all; /* not even over */
} sm_flaws;
/* Largest value of the limit while the speed was lost on the way through the band, in the result's
 * unit; 0 = never lost. */
double sm_lost_value(const sm_score_view *v, const sm_result *r);
void sm_check_trust(const sm_score_view *v, sm_result *r, sm_flaws *f);
/* The part of it that taps, tilts and the standing engine tell. */
void sm_check_ground(const sm_score_view *v, sm_result *r, sm_flaws *f);
/* The sums of a result whose value is a power per frame; NULL = none. */
const sm_slot_stat *sm_slot_of(const sm_score_view *v, const sm_result *r);
/* Over only because of single samples that stand alone? (spikes.c) */
void sm_check_spikes(const sm_score_view *v, const sm_limit *l, sm_result *r, sm_flaws *f);
/* Whole-channel checks once per run: adds findings. */
void sm_check_channels(const sm_score_view *v);
/* A new blocking gyro-implausible for the sensor of c, all axes; NULL when it has one already. */
sm_finding *sm_gyro_finding(const sm_score_view *v, const sm_channel *c);
/* Channels that look sound only by themselves: adds findings. Once per run, after the above. */
void sm_check_doubts(const sm_score_view *v);
/* Does the machine turn as the powertrain file says? Adds findings. Once per run. */
void sm_find_gears(const sm_score_view *v);
/* What they mean for a limit on a propeller order. */
void sm_check_gears(const sm_score_view *v, const sm_limit *l, sm_result *r, sm_flaws *f);
/* Share of an order's amplitude that is left when its line stands beside its place, 0..1. */
double sm_order_loss(const sm_score_view *v, const sm_result *r, size_t order);
/* The factor by which all lines of a place stand beside the expected orders; 0 = none. */
double sm_scaled_speed(const sm_score_view *v, const char *place);
void sm_floor_curve_get(const sm_score_view *v, size_t channel, sm_floor_curve *c);
/* Where it begins to fall as behind a steep filter, for good; 0 = nowhere. */
double sm_floor_knee(const sm_floor_curve *c);
/* Has it fallen at hz as behind some filter, or some mount? Not when it ends level. */
bool sm_floor_falls(const sm_floor_curve *c, double hz);
/* Adds the finding low-pass-seen. */
void sm_check_rolloff(const sm_score_view *v, size_t channel);
/* Corner (3 dB) of one or two poles in whose very shape all noise falls, 0 = none; *lost_hz: where
 * they take off half a decibel. */
double sm_smoothing_of(const sm_floor_curve *whole, double rate_hz, double *lost_hz);
/* Adds low-pass-seen where that contradicts the declared bandwidth. */
void sm_check_smoothing(const sm_score_view *v, size_t channel);
/* Indices of a place's accelerometers and gyros in the survey; returns how many. */
size_t sm_place_channels(const sm_survey_result *s, const char *place, size_t *out);
bool sm_is_clipped(const sm_channel_stat *c, const sm_cell *cell);

#endif
