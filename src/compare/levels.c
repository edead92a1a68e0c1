/* Readings of one run from its survey: values over matched cells, and how firm they are. */
#include "compare/levels.h"

#include "core/util.h"
#include "stillmount/motion.h"
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

sm_cell_speed sm_cell_speed_of(const sm_level_source *run, size_t i_cell)
{
    double width = (run->band->rpm_hi - run->band->rpm_lo) / (double)run->band->n_cells;
    double middle = run->band->rpm_lo + ((double)i_cell + 0.5) * width;
    double n = 0;
    double off = 0;
    double off2 = 0;
    for (size_t d = 0; d < SM_DIRECTIONS; d++) {
        const sm_cell *cell = &run->channel->cells[i_cell * SM_DIRECTIONS + d];
        n += (double)cell->n;
        off += cell->rpm_off;
        off2 += cell->rpm_off2;
    }
    if (!(n > 0)) {
        return (sm_cell_speed){middle, width / 2};
    }
    double variance = sm_max(off2 / n - off / n * (off / n), 0);
    return (sm_cell_speed){middle + off / n, sqrt(3 * variance)};
}

double sm_cell_order_hz(const sm_level_source *run, size_t i_cell, double order,
                        double reference_per_rpm)
{
    return order * sm_cell_speed_of(run, i_cell).rpm * reference_per_rpm / 60;
}

/* A mean over cells and how many frames it is worth. */
typedef struct cell_mean {
    double power;
    double frames;
} cell_mean;

/* Adds a cell's mean power with a weight; *spread gathers what makes the frames count. */
static void add_cell(cell_mean *m, double *spread, double weight, double sum, double n)
{
    m->power += weight * sum / n;
    m->frames += weight;
    *spread += weight * weight / n;
}

/* Mean square over the matched cells; falls back to cells of any direction, then to the band. */
static cell_mean slot_power(const sm_level_source *run, const sm_match *match,
                            const sm_slot_stat *slot)
{
    cell_mean m = {0, 0};
    double spread = 0;
    for (size_t c = 0; c < match->n_cells; c++) {
        double p = 0;
        double n = 0;
        for (size_t d = 0; d < SM_DIRECTIONS; d++) {
            size_t i = c * SM_DIRECTIONS + d;
            double frames = (double)run->channel->cells[i].n;
            if (match->by_direction && match->weight[i] > 0 && frames > 0) {
                add_cell(&m, &spread, match->weight[i], slot->cell_p[i], frames);
            }
            p += slot->cell_p[i];
            n += frames;
        }
        if (!match->by_direction && match->cell_weight[c] > 0 && n > 0) {
            add_cell(&m, &spread, match->cell_weight[c], p, n);
        }
    }
    if (m.frames > 0) {
        return (cell_mean){m.power / m.frames, m.frames * m.frames / spread};
    }
    return slot->n > 0 ? (cell_mean){slot->sum_p / (double)slot->n, (double)slot->n}
                       : (cell_mean){(double)NAN, 0};
}

static double noise_at(const sm_level_source *run, double hz)
{
    const sm_survey_result *s = run->survey;
    double dof = sm_frames_dof(run->channel->n_frames, run->channel->n_frames - 1);
    return sm_noise_density(run->channel->psd, s->n_bins, s->bin_hz, hz, dof);
}

sm_reading sm_level_slot(const sm_level_source *run, const sm_match *match, size_t i_slot,
                         const sm_limit *limit, const sm_order_table *orders)
{
    const sm_slot_stat *slot = &run->channel->slots[i_slot];
    sm_reading r = {.value = (double)NAN, .nu = 1};
    if (slot->n == 0) {
        return r;
    }
    size_t i_channel = (size_t)(run->channel - run->band->channels);
    size_t i_band = (size_t)(run->band - run->survey->bands);
    size_t i_limit = run->survey->channels[i_channel].slot_limit[i_slot];
    cell_mean m = slot_power(run, match, slot);
    long n_pairs = 0;
    double relative = sm_frame_scatter(run->survey, i_band, i_channel, i_limit, &n_pairs);
    double cross = sm_cross_term(run->survey, orders, run->band, run->channel, limit->hz_lo,
                                 limit->hz_hi, limit->integrations);
    long n = (long)sm_max(1, floor(m.frames + 0.5));
    long adjacent = (long)floor((double)slot->n_adjacent * (double)n / (double)slot->n);
    double nu =
        n_pairs > 0
            ? sm_power_bounds(m.power, relative * m.power * m.power, cross, n, adjacent, n_pairs).nu
            : 2.0 * (double)n;
    r.value = sqrt(m.power);
    r.nu = sm_min(sm_max(nu, 1), 1e6);
    return r;
}

/* The largest of n independent samples of a Gaussian strays by pi / sqrt(6) / (2 ln n) of itself
   (Gumbel's limit law, from memory; a sinusoid strays less). About 50 half-cycles a second count as
   independent: what shakes a mount lies near 25 Hz and above. */
static double peak_nu(double seconds)
{
    double n = sm_max(8, 50 * seconds);
    double relative = SM_PI / sqrt(6) / (2 * log(n));
    return 1 / (2 * relative * relative);
}

/* Does the match take this cell of the band? */
static bool matched(const sm_match *match, size_t c, size_t d)
{
    bool in = c < SM_MATCH_CELLS;
    return match->by_direction ? in && match->weight[c * SM_DIRECTIONS + d] > 0
           : match->by_cell    ? in && match->cell_weight[c] > 0
                               : true;
}

/* Frames overlap and a sweep crosses cells, so that one knock is the peak of several. */
#define KNOCK_S 1.0

/* The cell with the largest peak, but for those within KNOCK_S of `but`; NULL = none. */
static const sm_cell *loudest(const sm_level_source *run, const sm_match *match, const sm_cell *but,
                              double *frames)
{
    const sm_cell *out = NULL;
    for (size_t i = 0; i < run->band->n_cells * SM_DIRECTIONS; i++) {
        const sm_cell *cell = &run->channel->cells[i];
        bool apart = !but || fabs(cell->peak_t_s - but->peak_t_s) > KNOCK_S;
        if (cell->n > 0 && apart && matched(match, i / SM_DIRECTIONS, i % SM_DIRECTIONS)) {
            out = !out || cell->peak_si > out->peak_si ? cell : out;
            *frames += (double)cell->n;
        }
    }
    return out;
}

sm_reading sm_level_peak(const sm_level_source *run, const sm_match *match)
{
    double frames = 0;
    double rest = 0;
    const sm_cell *peak = loudest(run, match, NULL, &frames);
    const sm_cell *next = peak ? loudest(run, match, peak, &rest) : NULL;
    /* a knock that stands alone above all else may be missing from the next run */
    return (sm_reading){
        .value = peak ? peak->peak_si : (double)NAN,
        .nu = peak_nu(frames * run->survey->frame_s / 2),
        .knock_db = next && next->peak_si > 0 ? 20 * log10(peak->peak_si / next->peak_si) : 0};
}

sm_reading sm_level_attitude(const sm_run *run, const sm_level_source *src, const sm_limit *limit)
{
    const sm_channel *c = &src->survey->channels[src->channel - src->band->channels].info;
    const sm_drift *drift = run ? sm_run_drift(run, c->place) : NULL;
    sm_drift_band band;
    if (!drift) {
        return (sm_reading){.value = (double)NAN};
    }
    sm_drift_band_find(drift, src->band->rpm_lo, src->band->rpm_hi, &band);
    const sm_drift_value *v =
        limit->measure == SM_MEASURE_CONING ? &band.all.coning[c->axis] : &band.all.level;
    if (!band.assessed || isnan(v->value) || isnan(v->lo) || isnan(v->hi)) {
        return (sm_reading){.value = (double)NAN};
    }
    /* of either sign and with an interval of its own: judged like an order in noise */
    return (sm_reading){.value = fabs(v->value), .sigma = (v->hi - v->lo) / 2 / Z95};
}

double sm_level_order_noise(const sm_level_source *run, size_t i_order, double hz)
{
    double seconds = 0;
    double n = 0;
    for (size_t d = 0; d < SM_DIRECTIONS; d++) {
        const sm_order_stat *s = &run->channel->orders[i_order * SM_DIRECTIONS + d];
        seconds += s->window_s;
        n += (double)s->n;
    }
    double inflation = run->survey->plans ? run->survey->plans[i_order].inflation : 1;
    return n > 0 && seconds > 0 ? 1.5 * noise_at(run, hz) / (seconds / n) * inflation * inflation
                                : 0;
}

sm_reading sm_level_order(const sm_level_source *run, const sm_match *match, size_t i_order,
                          const sm_order_table *orders, double reference_per_rpm, int integrations)
{
    double power = 0;
    double weight = 0;
    double hz = 0;
    double n = 0;
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
    double s2 = weight > 0 ? sm_level_order_noise(run, i_order, hz / weight) : 0;
    if (!(s2 > 0)) {
        return (sm_reading){.value = (double)NAN};
    }
    hz /= weight;
    s2 *= pow(2 * SM_PI * hz, -2.0 * integrations);
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
