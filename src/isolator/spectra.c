/* Spectra as a predictor wants them: broadband without chance, noise in orders, lines in bins. */
#include "isolator/spectra.h"

#include "compare/levels.h"
#include "core/alloc.h"
#include "core/util.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* |W|^2 of Hann at bins about a tone that sits q / SM_LOBE_FINE bins above a bin, sum 1. */
void sm_lobe_weights(double w[SM_LOBE_FINE][SM_LOBE_BINS])
{
    for (int q = 0; q < SM_LOBE_FINE; q++) {
        double sum = 0;
        for (int i = 0; i < SM_LOBE_BINS; i++) {
            double d = (double)(i - SM_LOBE_BINS / 2) - (double)q / SM_LOBE_FINE;
            double sinc = fabs(d) < 1e-9 ? 1 : sin(SM_PI * d) / (SM_PI * d);
            double a = fabs(fabs(d) - 1) < 1e-9 ? 0.5 : sinc / (1 - d * d);
            w[q][i] = a * a;
            sum += w[q][i];
        }
        for (int i = 0; i < SM_LOBE_BINS; i++) {
            w[q][i] /= sum;
        }
    }
}

void sm_gain_lobes(sm_gain *g, size_t n, double w[SM_LOBE_FINE][SM_LOBE_BINS])
{
    for (size_t k = 0; k < n; k++) {
        for (size_t q = 0; q < SM_LOBE_FINE; q++) {
            double sum = 0;
            for (size_t i = 0; i < SM_LOBE_BINS; i++) {
                size_t at = k + i < SM_LOBE_BINS / 2 ? 0 : k + i - SM_LOBE_BINS / 2;
                sum += w[q][i] * g->power[at < n ? at : n - 1];
            }
            g->lobe[SM_LOBE_FINE * k + q] = sum;
        }
    }
}

enum { AROUND = 6 }; /* bins to each side that know a bin's broadband */

static int rising(const void *a, const void *b)
{
    double x = *(const double *)a;
    double y = *(const double *)b;
    return x < y ? -1 : x > y;
}

/*
 * A bin of a few frames strays by 20 %, and behind a sharp mount one or two bins make the value. So
 * a bin that is no further from the median of its neighbours than chance goes (2.6 standard
 * deviations, 99 %) gets that median; lines, which stand out, and slopes steeper than that stay.
 * The window is even about the bin, so that a slope does not tilt it, and narrower near 0 Hz.
 */
static void steady_spectrum(const double *psd, size_t n_bins, double dof, double *out)
{
    double median_bias = 1 - 2 / (9 * dof); /* Wilson and Hilferty, from memory */
    median_bias = median_bias * median_bias * median_bias;
    double chance = 2.6 * sqrt(2 / dof);
    memcpy(out, psd, n_bins * sizeof *out);
    for (size_t k = 4; k + AROUND < n_bins; k++) {
        size_t reach = k / 3 < AROUND ? k / 3 : AROUND;
        double near[2 * AROUND + 1];
        memcpy(near, psd + k - reach, (2 * reach + 1) * sizeof *near);
        qsort(near, 2 * reach + 1, sizeof *near, rising);
        double level = near[reach] / median_bias;
        if (level > 0 && psd[k] > 0 && fabs(log(psd[k] / level)) < chance) {
            out[k] = level;
        }
    }
}

sm_status sm_steady_make(const sm_survey_result *s, const char *place, double ***out)
{
    size_t n = s->n_bands * s->n_channels;
    double **steady = sm_alloc_array(n ? n : 1, sizeof *steady);
    *out = steady;
    if (!steady) {
        return SM_E_NOMEM;
    }
    for (size_t i = 0; i < n; i++) {
        const sm_band *b = &s->bands[i / s->n_channels];
        const sm_band_channel *c = b->channels ? &b->channels[i % s->n_channels] : NULL;
        const sm_channel *info = &s->channels[i % s->n_channels].info;
        if (!b->visited || !c || !c->cells || c->n_frames < 1 || !c->psd ||
            strcmp(info->place, place) != 0) {
            continue;
        }
        steady[i] = sm_alloc_array(s->n_bins, sizeof **steady);
        if (!steady[i]) {
            return SM_E_NOMEM;
        }
        steady_spectrum(c->psd, s->n_bins, sm_frames_dof(c->n_frames, c->n_frames - 1), steady[i]);
    }
    return SM_OK;
}

void sm_steady_free(const sm_survey_result *s, double **steady)
{
    for (size_t i = 0; steady && i < s->n_bands * s->n_channels; i++) {
        sm_free(steady[i]);
    }
    sm_free(steady);
}

/* What noise leaves in tracked orders: an order that is not there must not carry broadband. */
sm_status sm_order_noise_make(const sm_survey_result *s, const sm_order_table *orders,
                              double reference_per_rpm, double *const *steady, double **out)
{
    size_t n = s->n_bands * s->n_channels;
    double *noise = sm_alloc_array(n * orders->n + 1, sizeof *noise);
    *out = noise;
    if (!noise) {
        return SM_E_NOMEM;
    }
    for (size_t i = 0; i < n; i++) {
        const sm_band *b = &s->bands[i / s->n_channels];
        const sm_band_channel *c = b->channels ? &b->channels[i % s->n_channels] : NULL;
        if (!steady[i] || b->n_frames < 1 || !c || !c->orders) {
            continue;
        }
        sm_level_source src = {s, b, c};
        double hz = b->rpm_sum / (double)b->n_frames * reference_per_rpm / 60;
        for (size_t o = 0; o < orders->n; o++) {
            noise[i * orders->n + o] = sm_level_order_noise(&src, o, hz * orders->items[o].order);
        }
    }
    return SM_OK;
}

void sm_peak_add(sm_peak_range *out, const sm_cell *cell, double mean, double before, double after,
                 double seconds)
{
    double scale = before > 0 ? after / before : 1;
    double up = cell->hi_si - mean;
    double down = mean - cell->lo_si;
    double crest = before > 0 ? sm_max(up, down) / before : 0;
    double gauss = sqrt(2 * log(sm_max(8, 50 * seconds))); /* half-cycles: as in a comparison */
    out->value = sm_max(out->value, sm_max(fabs(mean + scale * up), fabs(mean - scale * down)));
    out->lo = sm_max(out->lo, fabs(mean) + sqrt(2) * after);
    out->hi = sm_max(out->hi, fabs(mean) + sm_max(crest, gauss) * after);
}
