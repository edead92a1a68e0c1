/*
 * A run's limits behind a mount. Each cell of a band is a sum of tracked orders, each through the
 * ratio at its own frequency in that cell, and of the rest, through the band's mean spectrum less
 * what the orders put into it.
 */
#include "compare/levels.h"
#include "core/alloc.h"
#include "core/util.h"
#include "isolator/spectra.h"
#include "stillmount/isolator.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { MOTIONS = 6, LEAST_WINDOWS = 3 };

/* Orders inside the limit's range, summed: as measured, behind the mount, and as bins see that. */
typedef struct cell_tones {
    double frames;
    double own;
    double in;
    double lobe;
} cell_tones;

struct sm_predictor {
    const sm_survey_result *survey;
    const sm_budget *budget;
    const sm_powertrain *powertrain;
    const sm_order_table *orders;
    const char *place;
    double reference_per_rpm;
    bool has_mount;
    bool has_body;
    sm_isolator mount;
    sm_body body;
    sm_gain gains[MOTIONS][MOTIONS]; /* [to][from]; a mount uses [0][0] for every accelerometer */
    double **steady;     /* (n_bands n_channels) mean spectra with the chance taken out of
                            their broadband; NULL where there is none */
    double *order_noise; /* (n_bands n_channels n_orders) mean square that the floor puts
                            into a tracked order */
    cell_tones *tones;   /* (most cells of a band) of the limit at hand */
    double lobe_weight[SM_LOBE_FINE][SM_LOBE_BINS];
};

/* The spectrum of a channel that broadband is predicted from. */
static const double *steady_of(const sm_predictor *p, const sm_level_source *src)
{
    size_t band = (size_t)(src->band - p->survey->bands);
    size_t channel = (size_t)(src->channel - src->band->channels);
    const double *found = p->steady[band * p->survey->n_channels + channel];
    return found ? found : src->channel->psd;
}

sm_status sm_predictor_open(const sm_survey_result *survey, const sm_budget *budget,
                            const sm_powertrain *powertrain, const sm_order_table *orders,
                            const char *place, sm_predictor **out, sm_error *err)
{
    bool found = false;
    for (size_t i = 0; i < survey->n_channels; i++) {
        const sm_channel *c = &survey->channels[i].info;
        found = found || (c->role == SM_ROLE_ACCEL && strcmp(c->place, place) == 0);
    }
    if (!found) {
        return sm_no_such_place(survey, place, err);
    }
    sm_predictor *p = sm_alloc_array(1, sizeof *p);
    bool ok = p != NULL;
    for (int i = 0; i < MOTIONS && ok; i++) {
        for (int j = 0; j < MOTIONS && ok; j++) {
            p->gains[i][j].power = sm_alloc_array(survey->n_bins, sizeof(double));
            p->gains[i][j].lobe = sm_alloc_array(SM_LOBE_FINE * survey->n_bins, sizeof(double));
            p->gains[i][j].fine = sm_alloc_array(SM_BODY_FINE * survey->n_bins, sizeof(double));
            ok = p->gains[i][j].power && p->gains[i][j].lobe && p->gains[i][j].fine;
        }
    }
    if (!ok) {
        sm_predictor_close(&p);
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    p->survey = survey;
    p->budget = budget;
    p->powertrain = powertrain;
    p->orders = orders;
    p->place = place;
    p->reference_per_rpm = sm_powertrain_reference_per(powertrain, powertrain->rpm_of);
    sm_lobe_weights(p->lobe_weight);
    size_t cells = 1;
    for (size_t b = 0; b < survey->n_bands; b++) {
        cells = survey->bands[b].n_cells > cells ? survey->bands[b].n_cells : cells;
    }
    p->tones = sm_alloc_array(cells, sizeof *p->tones);
    if (!p->tones || sm_steady_make(survey, place, &p->steady) != SM_OK ||
        sm_order_noise_make(survey, orders, p->reference_per_rpm, p->steady, &p->order_noise) !=
            SM_OK) {
        sm_predictor_close(&p);
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    *out = p;
    return SM_OK;
}

void sm_predictor_close(sm_predictor **p)
{
    if (p && *p) {
        for (int i = 0; i < MOTIONS; i++) {
            for (int j = 0; j < MOTIONS; j++) {
                sm_free((*p)->gains[i][j].power);
                sm_free((*p)->gains[i][j].lobe);
                sm_free((*p)->gains[i][j].fine);
            }
        }
        sm_steady_free((*p)->survey, (*p)->steady);
        sm_free((*p)->order_noise);
        sm_free((*p)->tones);
        sm_free(*p);
        *p = NULL;
    }
}

void sm_predictor_mount(sm_predictor *p, const sm_isolator *iso)
{
    p->has_mount = true;
    p->has_body = false;
    p->mount = *iso;
    sm_gain *g = &p->gains[0][0];
    double bin = p->survey->bin_hz;
    for (size_t k = 0; k < p->survey->n_bins; k++) {
        double at = (double)k * bin;
        g->power[k] = sm_isolator_power(iso, sm_max(at - bin / 2, 0), at + bin / 2);
    }
    sm_gain_lobes(g, p->survey->n_bins, p->lobe_weight);
}

sm_status sm_predictor_body(sm_predictor *p, const sm_body *body, sm_error *err)
{
    sm_status st = sm_body_check(body, err);
    if (st != SM_OK) {
        return st;
    }
    double h[6][6][2];
    for (size_t k = 0; k < p->survey->n_bins; k++) {
        double sum[MOTIONS][MOTIONS] = {{0}};
        for (int s = 0; s < SM_BODY_FINE; s++) {
            double hz = ((double)k + (s + 0.5) / SM_BODY_FINE - 0.5) * p->survey->bin_hz;
            st = sm_body_response(body, fabs(hz), h, err);
            if (st != SM_OK) {
                return st;
            }
            for (int i = 0; i < MOTIONS; i++) {
                for (int j = 0; j < MOTIONS; j++) {
                    double h2 = h[i][j][0] * h[i][j][0] + h[i][j][1] * h[i][j][1];
                    sum[i][j] += h2 / SM_BODY_FINE;
                    p->gains[i][j].fine[SM_BODY_FINE * k + (size_t)s] = h2;
                }
            }
        }
        for (int i = 0; i < MOTIONS; i++) {
            for (int j = 0; j < MOTIONS; j++) {
                p->gains[i][j].power[k] = sum[i][j];
            }
        }
    }
    for (int i = 0; i < MOTIONS; i++) {
        for (int j = 0; j < MOTIONS; j++) {
            sm_gain_lobes(&p->gains[i][j], p->survey->n_bins, p->lobe_weight);
        }
    }
    p->body = *body;
    p->has_body = true;
    p->has_mount = false;
    return SM_OK;
}

/* One input of a predicted channel. */
typedef struct input {
    sm_level_source src;
    const sm_gain *g; /* NULL = 1 */
    int turns;        /* multiply with (2 pi f)^turns: rate -> angular acceleration, or back */
} input;

typedef struct inputs {
    input v[MOTIONS];
    size_t n;
} inputs;

bool sm_predictor_stands(const sm_predictor *p, size_t i_channel)
{
    return strcmp(p->survey->channels[i_channel].info.place, p->place) == 0;
}

double sm_predictor_usable_hz(const sm_predictor *p)
{
    double hz = 0.4 * p->survey->rate_hz;
    for (size_t i = 0; i < p->survey->n_channels; i++) {
        const sm_channel *c = &p->survey->channels[i].info;
        if (c->role == SM_ROLE_ACCEL && sm_predictor_stands(p, i)) {
            hz = c->bandwidth_hz > 0 ? sm_min(hz, c->bandwidth_hz) : hz;
            hz = c->native_rate_hz > 0 ? sm_min(hz, 0.4 * c->native_rate_hz) : hz;
        }
    }
    return hz;
}

bool sm_predictor_moves(const sm_predictor *p, size_t i_channel)
{
    const sm_channel *c = &p->survey->channels[i_channel].info;
    return strcmp(c->place, p->place) == 0 &&
           (c->role == SM_ROLE_ACCEL || (c->role == SM_ROLE_GYRO && p->has_body));
}

static sm_level_source source_at(const sm_predictor *p, size_t i_band, size_t i_channel)
{
    const sm_band *b = &p->survey->bands[i_band];
    bool there = b->visited && b->channels && b->channels[i_channel].cells;
    return (sm_level_source){p->survey, b, there ? &b->channels[i_channel] : NULL};
}

static inputs body_inputs(const sm_predictor *p, size_t i_band, const sm_channel *c)
{
    inputs out = {.n = 0};
    int to = c->axis + (c->role == SM_ROLE_GYRO ? 3 : 0);
    for (size_t i = 0; i < p->survey->n_channels && out.n < MOTIONS; i++) {
        const sm_channel *s = &p->survey->channels[i].info;
        bool moves = s->role == SM_ROLE_ACCEL || s->role == SM_ROLE_GYRO;
        sm_level_source src = source_at(p, i_band, i);
        if (!moves || strcmp(s->place, c->place) != 0 || !src.channel) {
            continue;
        }
        int from = s->axis + (s->role == SM_ROLE_GYRO ? 3 : 0);
        int turns = (from >= 3) - (to >= 3);
        out.v[out.n++] = (input){src, &p->gains[to][from], turns};
    }
    return out;
}

/* Inputs of a channel behind the mount; without one, or where it changes nothing, itself. */
static inputs inputs_of(const sm_predictor *p, size_t i_band, size_t i_channel, bool mounted)
{
    const sm_channel *c = &p->survey->channels[i_channel].info;
    mounted = mounted && sm_predictor_moves(p, i_channel);
    if (mounted && p->has_body) {
        return body_inputs(p, i_band, c);
    }
    inputs out = {.n = 1};
    out.v[0] = (input){.src = source_at(p, i_band, i_channel),
                       .g = mounted && p->has_mount ? &p->gains[0][0] : NULL};
    out.n = out.v[0].src.channel ? 1 : 0;
    return out;
}

/* A line and how far it is spread to each side. */
typedef struct tone {
    double hz;
    double half;
} tone;

/* Between the frequencies that the body was solved at, straight. */
static double body_ratio2(const sm_predictor *p, const input *in, double hz)
{
    double at = hz / p->survey->bin_hz * SM_BODY_FINE + 2;
    double last = (double)(SM_BODY_FINE * p->survey->n_bins) - 2;
    size_t i = (size_t)sm_min(at, last);
    double part = sm_min(at, last) - (double)i;
    double h2 = in->g->fine[i] + part * (in->g->fine[i + 1] - in->g->fine[i]);
    return h2 * pow(2 * SM_PI * hz, 2.0 * in->turns);
}

#define NARROW 0.05 /* of the distance to the resonance: the ratio is even to 0.01 dB */

/* Mean |ratio|^2 of an input over a line's spread; highest: the largest instead. */
static double ratio2(const sm_predictor *p, const input *in, tone t, bool highest)
{
    if (!in->g) {
        return 1;
    }
    double width = p->has_mount ? p->mount.damping_ratio * p->mount.natural_hz +
                                      fabs(t.hz - p->mount.natural_hz)
                                : 0;
    if (p->has_mount && t.half < NARROW * width) {
        double r = sm_isolator_ratio(&p->mount, t.hz);
        return r * r;
    }
    if (p->has_mount && !highest) {
        return sm_isolator_power(&p->mount, sm_max(t.hz - t.half, 0), t.hz + t.half);
    }
    if (p->has_mount) {
        double at = 1;
        (void)sm_isolator_peak(p->mount.damping_ratio, &at);
        at = sm_max(t.hz - t.half, sm_min(t.hz + t.half, at * p->mount.natural_hz));
        double r = sm_isolator_ratio(&p->mount, at);
        return r * r;
    }
    enum { STEPS = 5 };
    double mean = 0;
    double most = 0;
    for (int i = 0; i < STEPS; i++) {
        double hz = t.hz + t.half * (2 * (i + 0.5) / STEPS - 1);
        double r2 = body_ratio2(p, in, sm_max(hz, 1e-3));
        mean += r2 / STEPS;
        most = sm_max(most, r2);
    }
    return highest ? most : mean;
}

/* The same as the bins about the line see it. */
static double lobe2(const sm_predictor *p, const input *in, tone t)
{
    double fine = p->survey->bin_hz / SM_LOBE_FINE;
    double from = floor((t.hz - t.half) / fine + 0.5);
    double to = floor((t.hz + t.half) / fine + 0.5);
    double most = (double)(SM_LOBE_FINE * p->survey->n_bins) - 1;
    if (from > most) {
        return ratio2(p, in, t, false);
    }
    double sum = 0;
    double n = 0;
    for (double k = sm_max(from, 0); k <= sm_min(to, most); k++, n++) {
        sum += in->g->lobe[(size_t)k];
    }
    return sum / n * pow(2 * SM_PI * t.hz, 2.0 * in->turns);
}

/* Predicted PSD of a bin, integrations not yet; steady: its broadband without chance. */
static double bin_psd(const sm_predictor *p, const inputs *in, size_t k, bool steady)
{
    double amplitude = 0;
    for (size_t i = 0; i < in->n; i++) {
        const input *v = &in->v[i];
        double g = v->g ? v->g->power[k] : 1;
        double turn =
            v->turns ? pow(2 * SM_PI * sm_max((double)k, 0.5) * p->survey->bin_hz, 2.0 * v->turns)
                     : 1;
        const double *psd = steady ? steady_of(p, &v->src) : v->src.channel->psd;
        amplitude += sqrt(psd[k] * g * turn);
    }
    return amplitude * amplitude;
}

/* An order's mean square in a cell, less what noise puts into it; where hardly a tracked window
   fell into the cell though frames did (windows and frames have means of their own), that of the
   whole band. */
static double order_in_cell(const sm_predictor *p, const sm_level_source *src, size_t i_order,
                            size_t i_cell)
{
    size_t at = i_order * src->band->n_cells;
    size_t i = (size_t)(src->band - p->survey->bands) * p->survey->n_channels +
               (size_t)(src->channel - src->band->channels);
    double noise = p->order_noise[i * p->orders->n + i_order];
    if (src->channel->order_cell_n[at + i_cell] >= LEAST_WINDOWS) {
        return sm_max(sm_cell_order_power(src, i_order, i_cell) - noise, 0);
    }
    double sum = 0;
    double n = 0;
    for (size_t c = 0; c < src->band->n_cells; c++) {
        sum += (double)src->channel->order_cell_p[at + c];
        n += (double)src->channel->order_cell_n[at + c];
    }
    return n > 0 ? sm_max(sum / n - noise, 0) : 0;
}

/* What of an order is asked for. */
typedef enum view {
    VIEW_MEAN,    /* its mean square over the cell */
    VIEW_LOBE,    /* as the bins about it see that */
    VIEW_HIGHEST, /* where it comes nearest to the resonance */
} view;

/* Mean square of an order in a cell behind the mount. */
static double order_power(const sm_predictor *p, const inputs *in, size_t i_order, size_t i_cell,
                          tone t, view how)
{
    double amplitude = 0;
    for (size_t i = 0; i < in->n; i++) {
        const input *v = &in->v[i];
        double power = order_in_cell(p, &v->src, i_order, i_cell);
        if (!(power > 0)) {
            continue;
        }
        double g2 =
            v->g && how == VIEW_LOBE ? lobe2(p, v, t) : ratio2(p, v, t, how == VIEW_HIGHEST);
        amplitude += sqrt(power * g2);
    }
    return amplitude * amplitude;
}

static tone tone_of(const sm_predictor *p, const sm_level_source *src, size_t i_cell,
                    size_t i_order)
{
    sm_cell_speed s = sm_cell_speed_of(src, i_cell);
    double hz_per_rpm = p->orders->items[i_order].order * p->reference_per_rpm / 60;
    return (tone){s.rpm * hz_per_rpm, s.half * hz_per_rpm};
}

static cell_tones tones_in_cell(const sm_predictor *p, const inputs *own, const inputs *in,
                                const sm_limit *l, size_t i_cell)
{
    const sm_level_source *src = &own->v[0].src;
    sm_cell_speed s = sm_cell_speed_of(src, i_cell);
    cell_tones sum = {0, 0, 0, 0};
    for (size_t d = 0; d < SM_DIRECTIONS; d++) {
        sum.frames += (double)src->channel->cells[i_cell * SM_DIRECTIONS + d].n;
    }
    for (size_t o = 0; o < p->orders->n && sum.frames > 0; o++) {
        double hz_per_rpm = p->orders->items[o].order * p->reference_per_rpm / 60;
        tone t = {s.rpm * hz_per_rpm, s.half * hz_per_rpm};
        if (t.hz < l->hz_lo || t.hz > l->hz_hi) {
            continue;
        }
        sum.own +=
            sm_integrated(order_power(p, own, o, i_cell, t, VIEW_MEAN), t.hz, l->integrations);
        sum.in += sm_integrated(order_power(p, in, o, i_cell, t, VIEW_MEAN), t.hz, l->integrations);
        sum.lobe +=
            sm_integrated(order_power(p, in, o, i_cell, t, VIEW_LOBE), t.hz, l->integrations);
    }
    return sum;
}

/* All cells of a band into p->tones; returns their mean over the frames. */
static cell_tones all_tones(const sm_predictor *p, const inputs *own, const inputs *in,
                            const sm_limit *l)
{
    cell_tones mean = {0, 0, 0, 0};
    for (size_t c = 0; c < own->v[0].src.band->n_cells; c++) {
        cell_tones t = tones_in_cell(p, own, in, l, c);
        p->tones[c] = t;
        mean.frames += t.frames;
        mean.own += t.own * t.frames;
        mean.in += t.in * t.frames;
        mean.lobe += t.lobe * t.frames;
    }
    double n = sm_max(mean.frames, 1);
    return (cell_tones){mean.frames, mean.own / n, mean.in / n, mean.lobe / n};
}

static double band_power(const sm_predictor *p, const inputs *in, const sm_limit *l)
{
    double bin = p->survey->bin_hz;
    double sum = 0;
    for (size_t k = 1; k + 1 < p->survey->n_bins; k++) {
        double lo = sm_max(((double)k - 0.5) * bin, l->hz_lo);
        double hi = sm_min(((double)k + 0.5) * bin, l->hz_hi);
        if (hi > lo) {
            sum += sm_integrated(bin_psd(p, in, k, true), (double)k * bin, l->integrations) *
                   (hi - lo);
        }
    }
    return sum;
}

static double predict_rms(const sm_predictor *p, size_t i_band, size_t i_channel, const sm_limit *l,
                          const sm_slot_stat *slot)
{
    inputs in = inputs_of(p, i_band, i_channel, true);
    inputs own = inputs_of(p, i_band, i_channel, false);
    if (!own.n || !in.n || slot->n == 0) {
        return (double)NAN;
    }
    const sm_band *b = own.v[0].src.band;
    const sm_cell *cells = own.v[0].src.channel->cells;
    double n = (double)slot->n;
    cell_tones all = all_tones(p, &own, &in, l);
    /* broadband of the band's mean: what the orders leave over */
    double rest = sm_max(slot->sum_p / n - all.own, 0);
    double rest_after = sm_max(band_power(p, &in, l) - all.lobe, 0);
    double worst = 0;
    double mean = 0;
    for (size_t i = 0; i < b->n_cells * SM_DIRECTIONS; i++) {
        double frames = (double)cells[i].n;
        if (frames > 0) {
            /* a cell louder than orders and mean broadband together is so in both */
            const cell_tones *t = &p->tones[i / SM_DIRECTIONS];
            double model = t->own + rest;
            double scale = model > 0 ? slot->cell_p[i] / frames / model : 0;
            double after = scale * (t->in + rest_after);
            worst = sm_max(worst, after);
            mean += after * frames / n;
        }
    }
    return sqrt(l->pick_mean ? mean : worst);
}

/* Largest of the loudest tracked frame, through its own frequency, and of every cell's mean. */
static double predict_order(const sm_predictor *p, size_t i_band, size_t i_channel,
                            const sm_limit *l, bool mounted)
{
    inputs in = inputs_of(p, i_band, i_channel, mounted);
    inputs own = inputs_of(p, i_band, i_channel, false);
    sm_ratio ratio;
    sm_error err;
    if (!in.n || !own.n ||
        sm_powertrain_order_ratio(p->powertrain, l->order_label, &ratio, &err) != SM_OK) {
        return (double)NAN;
    }
    long found = sm_order_table_find(p->orders, ratio);
    if (found < 0) {
        return (double)NAN;
    }
    size_t o = (size_t)found;
    const sm_level_source *src = &own.v[0].src;
    double worst = -1;
    double mean = 0;
    double weight = 0;
    for (size_t c = 0; c < src->band->n_cells; c++) {
        double frames = (double)src->channel->order_cell_n[o * src->band->n_cells + c];
        if (frames > 0) {
            tone t = tone_of(p, src, c, o);
            double most = order_power(p, &in, o, c, t, VIEW_HIGHEST);
            double even = order_power(p, &in, o, c, t, VIEW_MEAN);
            worst = sm_max(worst, sm_integrated(most, t.hz, l->integrations));
            mean += frames * sm_integrated(even, t.hz, l->integrations);
            weight += frames;
        }
    }
    if (l->pick_mean) {
        return weight > 0 ? sqrt(2 * mean / weight) : (double)NAN;
    }
    for (size_t d = 0; d < SM_DIRECTIONS && in.n == 1; d++) {
        const sm_order_stat *s = &src->channel->orders[o * SM_DIRECTIONS + d];
        if (s->n > 0) {
            tone t = {s->max_hz[l->integrations], 0};
            worst = sm_max(worst, s->max2[l->integrations] / 2 * ratio2(p, &in.v[0], t, false));
        }
    }
    return worst >= 0 ? sqrt(2 * worst) : (double)NAN;
}

/* Worst bin of the mean PSD over the curve, as a ratio of powers. */
static double predict_psd(const sm_predictor *p, size_t i_band, size_t i_channel, const sm_limit *l,
                          bool mounted)
{
    inputs in = inputs_of(p, i_band, i_channel, mounted);
    double worst = (double)NAN;
    for (size_t k = 1; k < p->survey->n_bins && in.n; k++) {
        double hz = (double)k * p->survey->bin_hz;
        double max = sm_limit_curve_at(l, hz);
        if (max > 0) {
            double r = sm_integrated(bin_psd(p, &in, k, false), hz, l->integrations) / max;
            worst = !(r <= worst) ? r : worst;
        }
    }
    return worst;
}

static const sm_slot_stat *slot_of(const sm_predictor *p, size_t i_band, size_t i_channel,
                                   size_t i_limit)
{
    const sm_channel_stat *c = &p->survey->channels[i_channel];
    sm_level_source src = source_at(p, i_band, i_channel);
    for (size_t i = 0; i < c->n_slots && src.channel; i++) {
        if (c->slot_limit[i] == i_limit) {
            return &src.channel->slots[i];
        }
    }
    return NULL;
}

bool sm_predictor_peak(const sm_predictor *p, size_t i_band, size_t i_channel, sm_peak_range *out)
{
    inputs in = inputs_of(p, i_band, i_channel, true);
    inputs own = inputs_of(p, i_band, i_channel, false);
    *out = (sm_peak_range){0, 0, 0};
    if (!in.n || !own.n) {
        return false;
    }
    const sm_level_source *src = &own.v[0].src;
    const sm_cell *cells = src->channel->cells;
    sm_limit all = {.hz_lo = 0.5 * p->survey->bin_hz, .hz_hi = 0.5 * p->survey->rate_hz};
    cell_tones mean = all_tones(p, &own, &in, &all);
    double rest = sm_max(band_power(p, &own, &all) - mean.own, 0);
    double rest_after = sm_max(band_power(p, &in, &all) - mean.lobe, 0);
    for (size_t i = 0; i < src->band->n_cells * SM_DIRECTIONS; i++) {
        if (cells[i].n > 0) {
            const cell_tones *t = &p->tones[i / SM_DIRECTIONS];
            sm_peak_add(out, &cells[i], p->survey->channels[i_channel].mean_si, sqrt(t->own + rest),
                        sqrt(t->in + rest_after), (double)cells[i].n * p->survey->frame_s / 2);
        }
    }
    out->hi = sm_max(out->hi, out->value);
    out->lo = sm_min(out->lo, out->value);
    return mean.frames > 0;
}

static double worst_peak(const sm_predictor *p, size_t i_band, size_t i_channel)
{
    sm_level_source src = source_at(p, i_band, i_channel);
    sm_match all = {.n_cells = 0};
    return src.channel ? sm_level_peak(&src, &all).value : (double)NAN;
}

static double worst_cell(const sm_predictor *p, size_t i_band, size_t i_channel,
                         const sm_slot_stat *slot, bool mean)
{
    sm_level_source src = source_at(p, i_band, i_channel);
    double worst = 0;
    for (size_t i = 0; i < src.band->n_cells * SM_DIRECTIONS; i++) {
        double n = (double)src.channel->cells[i].n;
        worst = n > 0 ? sm_max(worst, slot->cell_p[i] / n) : worst;
    }
    return sqrt(mean ? slot->sum_p / (double)slot->n : worst);
}

double sm_predictor_measured(const sm_predictor *p, size_t i_band, size_t i_channel, size_t i_limit)
{
    const sm_limit *l = &p->budget->limits[i_limit];
    const sm_slot_stat *slot = slot_of(p, i_band, i_channel, i_limit);
    if (l->measure == SM_MEASURE_ORDER) {
        return predict_order(p, i_band, i_channel, l, false) * sm_detector_factor(l->detector) /
               sm_detector_factor(SM_PEAK);
    }
    if (l->measure == SM_MEASURE_PSD) {
        return predict_psd(p, i_band, i_channel, l, false);
    }
    if (l->measure == SM_MEASURE_PEAK) {
        return worst_peak(p, i_band, i_channel);
    }
    if (!slot || slot->n == 0) {
        return (double)NAN;
    }
    return worst_cell(p, i_band, i_channel, slot, l->pick_mean) * sm_detector_factor(l->detector);
}

double sm_predictor_value(const sm_predictor *p, size_t i_band, size_t i_channel, size_t i_limit,
                          double line_hz)
{
    const sm_limit *l = &p->budget->limits[i_limit];
    const sm_slot_stat *slot = slot_of(p, i_band, i_channel, i_limit);
    double factor = sm_detector_factor(l->detector);
    if (l->measure == SM_MEASURE_ORDER) {
        return predict_order(p, i_band, i_channel, l, true) * factor / sm_detector_factor(SM_PEAK);
    }
    if (l->measure == SM_MEASURE_PSD) {
        return predict_psd(p, i_band, i_channel, l, true);
    }
    sm_peak_range peak;
    if (l->measure == SM_MEASURE_PEAK) {
        return sm_predictor_peak(p, i_band, i_channel, &peak) ? peak.value : (double)NAN;
    }
    if (l->measure == SM_MEASURE_RMS && slot) {
        return predict_rms(p, i_band, i_channel, l, slot) * factor;
    }
    inputs in = inputs_of(p, i_band, i_channel, true);
    if (l->measure == SM_MEASURE_LINE && slot && slot->n > 0 && line_hz > 0 && in.n == 1) {
        return worst_cell(p, i_band, i_channel, slot, l->pick_mean) * factor *
               sqrt(ratio2(p, &in.v[0], (tone){line_hz, 0}, false));
    }
    return (double)NAN;
}

double sm_predictor_margin_db(const sm_predictor *p, size_t i_channel, size_t i_limit,
                              double value_si)
{
    const sm_limit *l = &p->budget->limits[i_limit];
    if (!(value_si > 0)) {
        return (double)NAN;
    }
    if (l->measure == SM_MEASURE_PSD) {
        return -10 * log10(value_si);
    }
    double max = isfinite(l->max_of_range)
                     ? l->max_of_range * p->survey->channels[i_channel].info.range_si
                     : l->max_si;
    return max > 0 ? 20 * log10(max / value_si) : (double)NAN;
}

double sm_predictor_sway_m(const sm_predictor *p)
{
    double worst = 0;
    for (size_t b = 0; b < p->survey->n_bands && p->has_mount; b++) {
        for (size_t c = 0; c < p->survey->n_channels; c++) {
            sm_level_source src = source_at(p, b, c);
            if (!sm_predictor_moves(p, c) || !src.channel) {
                continue;
            }
            double sum = 0;
            for (size_t k = 4; k < p->survey->n_bins; k++) {
                double s = sm_isolator_sway(&p->mount, (double)k * p->survey->bin_hz);
                sum += src.channel->psd[k] * s * s * p->survey->bin_hz;
            }
            worst = sm_max(worst, sum);
        }
    }
    return 3 * sqrt(worst);
}

void sm_predictor_inputs(const sm_predictor *p, const sm_survey_result **survey,
                         const sm_budget **budget, const sm_order_table **orders,
                         double *reference_per_rpm)
{
    *survey = p->survey;
    *budget = p->budget;
    *orders = p->orders;
    *reference_per_rpm = p->reference_per_rpm;
}
