/* What one run reads of one quantity in one band, over the cells that all runs share. */
#ifndef SM_COMPARE_LEVELS_H
#define SM_COMPARE_LEVELS_H

#include "stillmount/compare.h"
#include "stillmount/json.h"
#include "stillmount/survey.h"

enum { SM_MATCH_CELLS = 64 }; /* most cells of a band that are matched one by one */

/* Weights of (cell, direction) pairs; the same for every run, so that dwelling somewhere else in
   the band is not taken for a change. */
typedef struct sm_match {
    size_t n_cells;
    double weight[SM_MATCH_CELLS * SM_DIRECTIONS]; /* cell * SM_DIRECTIONS + direction */
    double cell_weight[SM_MATCH_CELLS];            /* all directions together */
    bool by_direction;                             /* at least one pair is in every run */
    bool by_cell;                                  /* at least one cell is */
} sm_match;

/* A run's band and channel; NULL band_channel: the run has nothing there. */
typedef struct sm_level_source {
    const sm_survey_result *survey;
    const sm_band *band;
    const sm_band_channel *channel;
} sm_level_source;

void sm_match_cells(const sm_level_source *runs, size_t n, sm_match *out);
/** rms in SI of a slot; value NaN when the matched cells are empty. nu is that of the bounds which
 * assess prints: one rule for both. */
sm_reading sm_level_slot(const sm_level_source *run, const sm_match *match, size_t i_slot,
                         const sm_limit *limit, const sm_order_table *orders);
/** Largest |sample| of the matched cells, SI, gravity included. */
sm_reading sm_level_peak(const sm_level_source *run, const sm_match *match);
/** |coning| [rad/s] or |level error| [rad] of the band, from the run's drift; NaN when it has none.
 */
sm_reading sm_level_attitude(const sm_run *run, const sm_level_source *src, const sm_limit *limit);
/** Peak amplitude in SI of an order, integrated `integrations` times. */
sm_reading sm_level_order(const sm_level_source *run, const sm_match *match, size_t i_order,
                          const sm_order_table *orders, double reference_per_rpm, int integrations);
/** Square root of PSD / curve at the worst bin of the band's mean. */
sm_reading sm_level_curve(const sm_level_source *run, const sm_limit *limit);
/** Mean square of an order in a cell, noise not subtracted; 0 when not tracked there. */
double sm_cell_order_power(const sm_level_source *run, size_t i_order, size_t i_cell);
/** Variance of one component of a tracked window's amplitude, [SI^2], from the floor of the
 * spectrum about hz; 0 when the order was not tracked in the band. Twice that is the bias of |X|^2.
 */
double sm_level_order_noise(const sm_level_source *run, size_t i_order, double hz);
/* rpm of a cell's frames: mean, and half the width of the even spread that has their variance, the
   sweep within frames included. Without frames the cell's middle and half its width. */
typedef struct sm_cell_speed {
    double rpm;
    double half;
} sm_cell_speed;

sm_cell_speed sm_cell_speed_of(const sm_level_source *run, size_t i_cell);
/** Hz of an order at the mean rpm of a cell's frames. */
double sm_cell_order_hz(const sm_level_source *run, size_t i_cell, double order,
                        double reference_per_rpm);

#endif
