/* Readings of one run from its survey: values over matched cells, and how firm they are. */
#include "compare/levels.h"

#include "core/util.h"
#include "stillmount/stats.h"

#include <math.h>

#define Z95 1.959963984540054
#define TRACK_INDEPENDENT 0.52 /* of points a quarter window apart: Welch's figure for 75 % */
#define LEAST_SIGMA 0.35 /* of one window's: the noise density itself is known to about 10 % */

/* Harmonic mean of the runs' frames: what a difference of means is decided by. */
static double joint_weight(double reciprocal_sum, size_t n)
{
    return isfinite(reciprocal_sum) && reciprocal_sum > 0 ? (double)n / reciprocal_sum : 0;
}

void sm_match_cells(const sm_level_source *runs, size_t n, sm_match *out)
{
    *out = (sm_match){.n_cells = 0};
    size_t used = 0;
    for (size_t r = 0; r < n; r++) {
        if (runs[r].channel) {
            out->n_cells =
                runs[r].band->n_cells < SM_MATCH_CELLS ? runs[r].band->n_cells : SM_MATCH_CELLS;
            used++;
        }
    }
    for (size_t c = 0; c < out->n_cells; c++) {
        double all = 0;
        for (size_t d = 0; d < SM_DIRECTIONS; d++) {
            double each = 0;
            for (size_t r = 0; r < n; r++) {
                each += runs[r].channel
                            ? 1 / (double)runs[r].channel->cells[c * SM_DIRECTIONS + d].n
                            : 0;
            }
            out->weight[c * SM_DIRECTIONS + d] = joint_weight(each, used);
            out->by_direction |= out->weight[c * SM_DIRECTIONS + d] > 0;
        }
        for (size_t r = 0; r < n; r++) {
            double frames = 0;
            for (size_t d = 0; d < SM_DIRECTIONS && runs[r].channel; d++) {
                frames += (double)runs[r].channel->cells[c * SM_DIRECTIONS + d].n;
            }
            all += runs[r].channel ? 1 / frames : 0;
        }
        out->cell_weight[c] = joint_weight(all, used);
        out->by_cell |= out->cell_weight[c] > 0;
    }
}

double sm_cell_order_power(const sm_level_source *run, size_t i_order, size_t i_cell)
{
    size_t at = i_order * run->band->n_cells + i_cell;
    return run->channel->order_cell_n && run->channel->order_cell_n[at] > 0
               ? (double)run->channel->order_cell_p[at] / (double)run->channel->order_cell_n[at]
               : 0;
}

double sm_cell_order_hz(const sm_level_source *run, size_t i_cell, double order,
                        double reference_per_rpm)
{
    double width = (run->band->rpm_hi - run->band->rpm_lo) / (double)run->band->n_cells;
    double rpm = run->band->rpm_lo + ((double)i_cell + 0.5) * width;
    return order * rpm * reference_per_rpm / 60;
}

/* Mean square over the matched cells; falls back to cells of any direction, then to the band. */
static double slot_power(const sm_level_source *run, const sm_match *match,
                         const sm_slot_stat *slot)
{
    double sum = 0;
    double weight = 0;
    for (size_t c = 0; c < match->n_cells; c++) {
        double p = 0;
        double n = 0;
        for (size_t d = 0; d < SM_DIRECTIONS; d++) {
            size_t i = c * SM_DIRECTIONS + d;
            double frames = (double)run->channel->cells[i].n;
            if (match->by_direction && match->weight[i] > 0 && frames > 0) {
                sum += match->weight[i] * slot->cell_p[i] / frames;
                weight += match->weight[i];
            }
            p += slot->cell_p[i];
            n += frames;
        }
        if (!match->by_direction && match->cell_weight[c] > 0 && n > 0) {
            sum += match->cell_weight[c] * p / n;
            weight += match->cell_weight[c];
        }
    }
    if (weight > 0) {
        return sum / weight;
    }
    return slot->n > 0 ? slot->sum_p / (double)slot->n : (double)NAN;
}

static double noise_at(const sm_level_source *run, double hz)
{
    const sm_survey_result *s = run->survey;
    double dof = sm_frames_dof(run->channel->n_frames, run->channel->n_frames - 1);
    return sm_noise_density(run->channel->psd, s->n_bins, s->bin_hz, hz, dof);
}

/* Degrees of freedom of a band's mean power: scatter between frames that share no samples, plus
   what tones and noise make together (contract: scoring, intervals). */
static double slot_nu(const sm_level_source *run, const sm_slot_stat *slot, double hz_lo,
                      double hz_hi, const sm_order_table *orders)
{
    double n = (double)slot->n;
    double n_e = n / (1 + (double)slot->n_adjacent / (18 * n));
    double p = slot->sum_p / n;
    if (slot->n_pairs < 2) {
        return 2 * n_e;
    }
    double v = slot->sum_d2 / (double)slot->n_pairs / 2;
    double tones = 0;
    for (size_t o = 0; orders && o < orders->n; o++) {
        for (size_t d = 0; d < SM_DIRECTIONS; d++) {
            const sm_order_stat *s = &run->channel->orders[o * SM_DIRECTIONS + d];
            if (s->n == 0 || !(s->max_rpm[0] > 0)) {
                continue;
            }
            double hz = s->max_hz[0] / s->max_rpm[0] * s->sum_rpm / (double)s->n;
            if (hz >= hz_lo && hz <= hz_hi) {
                tones += s->sum2[0] / 2 / (double)s->n * noise_at(run, hz) / SM_DIRECTIONS;
            }
        }
    }
    double q = sm_max(1, 2.0 / 3 * (double)slot->n_pairs);
    double wide = sm_t_quantile(0.975, q) / Z95;
    double var = (v + 3.9 * tones / run->survey->frame_s) / n_e;
    return var > 0 ? sm_min(sm_max(2 * p * p / var / (wide * wide), 1), 1e6) : 1e6;
}

sm_reading sm_level_slot(const sm_level_source *run, const sm_match *match, size_t i_slot,
                         double hz_lo, double hz_hi, const sm_order_table *orders)
{
    const sm_slot_stat *slot = &run->channel->slots[i_slot];
    sm_reading r = {.value = (double)NAN, .nu = 1};
    if (slot->n > 0) {
        r.value = sqrt(slot_power(run, match, slot));
        r.nu = slot_nu(run, slot, hz_lo, hz_hi, orders);
    }
    return r;
}

sm_reading sm_level_order(const sm_level_source *run, const sm_match *match, size_t i_order,
                          const sm_order_table *orders, double reference_per_rpm, int integrations)
{
    double power = 0;
    double weight = 0;
    double hz = 0;
    double n = 0;
    double seconds = 0;
    for (size_t c = 0; c < run->band->n_cells && c < SM_MATCH_CELLS; c++) {
        double frames = (double)run->channel->order_cell_n[i_order * run->band->n_cells + c];
        double w = match->by_cell ? match->cell_weight[c] : frames;
        if (!(w > 0) || !(frames > 0)) {
            continue;
        }
        double at = sm_cell_order_hz(run, c, orders->items[i_order].order, reference_per_rpm);
        double to = pow(2 * SM_PI * at, -2.0 * integrations);
        power += w * sm_cell_order_power(run, i_order, c) * to;
        hz += w * at;
        weight += w;
        n += frames;
    }
    double n_all = 0;
    for (size_t d = 0; d < SM_DIRECTIONS; d++) {
        const sm_order_stat *s = &run->channel->orders[i_order * SM_DIRECTIONS + d];
        seconds += s->window_s;
        n_all += (double)s->n;
    }
    if (!(weight > 0) || !(n_all > 0) || !(seconds > 0)) {
        return (sm_reading){.value = (double)NAN};
    }
    hz /= weight;
    double inflation = run->survey->plans ? run->survey->plans[i_order].inflation : 1;
    double s2 = 1.5 * noise_at(run, hz) / (seconds / n_all) * inflation * inflation *
                pow(2 * SM_PI * hz, -2.0 * integrations);
    double a2 = sm_max(2 * power / weight - 2 * s2, 0);
    double n_e = sm_max(1, TRACK_INDEPENDENT * n);
    double spread = sqrt((1 + s2 / sm_max(a2, s2)) / n_e);
    return (sm_reading){.value = sqrt(a2), .sigma = sqrt(s2) * sm_max(spread, LEAST_SIGMA)};
}

sm_reading sm_level_curve(const sm_level_source *run, const sm_limit *limit)
{
    const sm_survey_result *s = run->survey;
    double worst = (double)NAN;
    for (size_t k = 1; k < s->n_bins; k++) {
        double hz = (double)k * s->bin_hz;
        double max = sm_limit_curve_at(limit, hz);
        if (max > 0) {
            double r = run->channel->psd[k] * pow(2 * SM_PI * hz, -2.0 * limit->integrations) / max;
            worst = !(r <= worst) ? r : worst;
        }
    }
    return (sm_reading){.value = sqrt(worst),
                        .nu = sm_frames_dof(run->channel->n_frames, run->channel->n_frames - 1)};
}
