/* Over only because of single samples? Then nothing is proven, either way. */
#include "budget/score.h"
#include "core/util.h"

#include <math.h>

/* What is left of a power when a part is taken off that may have stood in any phase to the rest. */
static double less(double power, double part)
{
    double left = sqrt(power) - sqrt(part);
    return left > 0 ? left * left : 0;
}

/* Density that the spikes of one frame put into every bin, from their weighed squares. */
static double density_of(const sm_score_view *v, double spike_e)
{
    double s2 = 0.375 * (double)v->survey->n_frame; /* of a Hann window's squares */
    return 2 * spike_e / (v->survey->rate_hz * s2);
}

/* Largest value that is there without the spikes, at least; in the result's unit. */
static double left_of_frames(const sm_score_view *v, const sm_limit *l, const sm_result *r)
{
    const sm_band *b = &v->survey->bands[r->i_band];
    const sm_band_channel *bc = &b->channels[r->i_channel];
    const sm_slot_stat *s = sm_slot_of(v, r);
    double width = l->measure == SM_MEASURE_LINE ? 5 * v->survey->bin_hz : l->hz_hi - l->hz_lo;
    double worst = 0;
    double sum = 0;
    double n = 0;
    for (size_t i = 0; s && i < b->n_cells * SM_DIRECTIONS; i++) {
        const sm_cell *cell = &bc->cells[i];
        if (cell->n == 0) {
            continue;
        }
        double part =
            sm_integrated(density_of(v, cell->spike_e) * width, l->hz_lo, l->integrations);
        double left = less(s->cell_p[i], part);
        worst = sm_max(worst, left / (double)cell->n);
        sum += left;
        n += (double)cell->n;
    }
    double p = l->pick_mean ? sum / sm_max(1, n) : worst;
    return sqrt(p) / r->unit->to_si * sm_detector_factor(l->detector);
}

static double left_of_peak(const sm_score_view *v, const sm_result *r)
{
    const sm_band *b = &v->survey->bands[r->i_band];
    const sm_band_channel *bc = &b->channels[r->i_channel];
    double most = 0;
    for (size_t i = 0; i < b->n_cells * SM_DIRECTIONS; i++) {
        if (bc->cells[i].n) {
            most = sm_max(most, bc->cells[i].peak_si - bc->cells[i].spike_si);
        }
    }
    return most / r->unit->to_si;
}

static double left_of_psd(const sm_score_view *v, const sm_limit *l, const sm_result *r)
{
    const sm_band *b = &v->survey->bands[r->i_band];
    const sm_band_channel *bc = &b->channels[r->i_channel];
    double spikes = 0;
    for (size_t i = 0; i < b->n_cells * SM_DIRECTIONS; i++) {
        spikes += bc->cells[i].spike_e;
    }
    double density = sm_integrated(density_of(v, spikes) / sm_max(1, (double)bc->n_frames), r->hz,
                                   l->integrations);
    return less(r->value, density / sm_limit_curve_at(l, r->hz));
}

/* Largest spike in a band and beside it: an order's window reaches over the border. */
static double spike_around(const sm_score_view *v, const sm_result *r)
{
    double most = 0;
    size_t from = r->i_band ? r->i_band - 1 : 0;
    for (size_t k = from; k <= r->i_band + 1 && k < v->survey->n_bands; k++) {
        const sm_band *b = &v->survey->bands[k];
        const sm_cell *cells = b->channels[r->i_channel].cells;
        for (size_t i = 0; cells && i < b->n_cells * SM_DIRECTIONS; i++) {
            most = sm_max(most, cells[i].spike_si);
        }
    }
    return most;
}

#define FIT_GAIN                                                                                   \
    6.0 /* 4 for a Hann window's peak over its mean, the fit's noise inflation, some more */

static double left_of_order(const sm_score_view *v, const sm_limit *l, const sm_result *r)
{
    const sm_band_channel *bc = &v->survey->bands[r->i_band].channels[r->i_channel];
    double spike = spike_around(v, r);
    double window_s = 0;
    double n = 0;
    for (size_t d = 0; d < SM_DIRECTIONS && r->cause.i_order >= 0; d++) {
        const sm_order_stat *o = &bc->orders[(size_t)r->cause.i_order * SM_DIRECTIONS + d];
        window_s += o->window_s;
        n += (double)o->n;
    }
    if (!(spike > 0) || !(window_s > 0)) {
        return r->value;
    }
    double peak = FIT_GAIN * spike / (window_s / n * v->survey->rate_hz);
    double rms = sqrt(sm_integrated(peak * peak / 2, r->hz, l->integrations));
    return sm_max(0, r->value - rms / r->unit->to_si * sm_detector_factor(l->detector));
}

void sm_check_spikes(const sm_score_view *v, const sm_limit *l, sm_result *r, sm_flaws *f)
{
    if (!(r->value > r->max) || !(spike_around(v, r) > 0)) {
        return;
    }
    double left = l->measure == SM_MEASURE_RMS || l->measure == SM_MEASURE_LINE
                      ? left_of_frames(v, l, r)
                  : l->measure == SM_MEASURE_PEAK  ? left_of_peak(v, r)
                  : l->measure == SM_MEASURE_PSD   ? left_of_psd(v, l, r)
                  : l->measure == SM_MEASURE_ORDER ? left_of_order(v, l, r)
                                                   : r->value;
    if (left > r->max) {
        return;
    }
    f->blocks = f->blocks_all = true;
    sm_reasons_add(
        &r->reasons, "spike",
        "over only because of single samples far beside their neighbours, which no filtered "
        "vibration makes: check cable and bus, and record again");
}
