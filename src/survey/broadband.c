/*
 * What broadband shaking shows of the structure: in each bin the quiet quarter of all bands, which
 * no order reaches that sweeps on, each band by its own level. On that curve a mode stands as a
 * hump, whatever the rpm.
 */
#include "core/alloc.h"
#include "core/rank.h"
#include "core/util.h"
#include "stillmount/resonance.h"
#include "survey/cut_fit.h"

#include <math.h>
#include <string.h>

enum { BANDS_LEAST = 5, BANDS_MOST = 256, MOST_CHANNELS = 16, LEAST_POINTS = 12, LEAST_BIN = 6 };
#define LOWEST_HZ 6.0 /* below, an aircraft rocks on its wheels */
#define QUIET 0.25    /* quantile over the bands */
#define REACH_LO 0.6
#define REACH_HI 1.6
#define TOP_REACH 0.12 /* a candidate is the highest so far to each side */
#define STANDS 2.5     /* over the lowest of its window on each side: 4 dB */
#define MEMBER_WORTH 12.0
#define TOTAL_WORTH 50.0
#define AGREE 0.08
#define ZETA_LEAST 0.02
#define ZETA_MOST 0.25
#define ZETA_ERROR 0.35

typedef struct curve {
    size_t channel;
    sm_cut_point *points; /* (n) */
    size_t n;
} curve;

typedef struct broad {
    const sm_survey_result *v;
    curve curves[MOST_CHANNELS];
    size_t n;
    double *work; /* (max(bins, bands)) */
} broad;

/* The median; 0 where a bin is not a finite number, of which no quotient can be taken. */
static double level_of(const broad *b, const double *psd, size_t from, size_t to)
{
    for (size_t k = from; k < to; k++) {
        if (!isfinite(psd[k])) {
            return 0;
        }
        b->work[k - from] = psd[k];
    }
    return sm_select_rank(b->work, to - from, (to - from) / 2);
}

/* The quiet quarter of a bin over all bands, each in units of its own median. */
static double quiet_power(const broad *b, size_t channel, size_t k, const double *levels)
{
    size_t n = 0;
    for (size_t i = 0; i < b->v->n_bands && n < BANDS_MOST; i++) {
        if (levels[i] > 0) {
            b->work[n++] = b->v->bands[i].channels[channel].psd[k] / levels[i];
        }
    }
    return sm_select_rank(b->work, n, (size_t)(QUIET * (double)n));
}

/* out->n = 0: too few bands, or no room between the frequencies. */
static sm_status fill_curve(broad *b, size_t channel, curve *out)
{
    const sm_survey_result *v = b->v;
    double top = SM_MODE_EDGE * sm_shown_top_hz(v, channel);
    size_t from = (size_t)sm_max(LEAST_BIN * REACH_LO, LOWEST_HZ * REACH_LO / v->bin_hz);
    size_t to = (size_t)(top / v->bin_hz);
    double levels[BANDS_MOST] = {0};
    double dof = 0;
    size_t n = 0;
    for (size_t i = 0; i < v->n_bands && i < BANDS_MOST && to > from + LEAST_POINTS; i++) {
        const sm_band_channel *bc = &v->bands[i].channels[channel];
        levels[i] = bc->n_frames > 2 ? level_of(b, bc->psd, from, to) : 0;
        n += levels[i] > 0;
        dof += levels[i] > 0 ? sm_frames_dof(bc->n_frames, bc->n_frames - 1) : 0;
    }
    *out = (curve){.channel = channel};
    if (n < BANDS_LEAST) {
        return SM_OK;
    }
    out->points = sm_alloc_array(to - from, sizeof *out->points);
    if (!out->points) {
        return SM_E_NOMEM;
    }
    for (size_t k = from; k < to; k++) {
        double p = quiet_power(b, channel, k, levels);
        if (!(p > 0 && p < (double)INFINITY)) {
            out->n = 0;
            break;
        }
        /* a quantile scatters more than a mean: as if a third of the frames were there */
        out->points[out->n++] = (sm_cut_point){.hz = (double)k * v->bin_hz,
                                               .p = p,
                                               .level = p,
                                               .noise = p * 1.5 / sm_max(dof, 1),
                                               .n = 1,
                                               .strong = true};
    }
    return SM_OK;
}

static bool window_of(const curve *c, const sm_mode *m, sm_cut *out)
{
    const sm_cut all = {c->points, c->n, 0};
    *out = sm_cut_window(&all, m->hz * REACH_LO, m->hz * REACH_HI);
    return out->n >= LEAST_POINTS && out->p[0].hz < 0.75 * m->hz &&
           out->p[out->n - 1].hz > 1.25 * m->hz;
}

/* Mean of a bin and its neighbours: a quantile of so few frames scatters by a fifth. */
static double smooth(const curve *c, size_t i)
{
    return (c->points[i - 1].p + c->points[i].p + c->points[i + 1].p) / 3;
}

/* Going one way from i: is nothing near higher, and something within reach far lower? */
static bool is_hump_on(const curve *c, size_t i, bool up, double here)
{
    double low = here;
    for (size_t k = i; up ? k + 2 < c->n : k > 1;) {
        k = up ? k + 1 : k - 1;
        double ratio = c->points[k].hz / c->points[i].hz;
        double there = smooth(c, k);
        if (!(ratio > REACH_LO && ratio < REACH_HI)) {
            break;
        }
        if (fabs(ratio - 1) < TOP_REACH && there > here) {
            return false;
        }
        low = sm_min(low, there);
    }
    return here > STANDS * low;
}

/* The highest far and wide, and well above the lowest to each side. */
static bool is_hump(const curve *c, size_t i)
{
    double here = smooth(c, i);
    return is_hump_on(c, i, false, here) && is_hump_on(c, i, true, here);
}

static bool is_near(const broad *b, const char *place, double hz, const sm_resonance *known,
                    size_t n)
{
    for (size_t i = 0; i < n; i++) {
        if (fabs(known[i].hz / hz - 1) < 2 * AGREE &&
            strcmp(b->v->channels[known[i].i_channel].info.place, place) == 0) {
            return true;
        }
    }
    for (size_t i = 0; i < b->v->n_lines; i++) {
        const sm_line *l = &b->v->lines[i];
        if (l->kind == SM_LINE_FIXED && fabs(l->hz - hz) < 3 * b->v->bin_hz) {
            return true;
        }
    }
    return false;
}

/* Fits the mode to all curves of the place that need it. */
static bool settle(const broad *b, const char *place, sm_mode *m, sm_resonance *out)
{
    sm_cut w[MOST_CHANNELS];
    size_t n = 0;
    double total = 0;
    double most = 0;
    for (int round = 0; round < 2; round++) {
        n = 0;
        total = 0;
        for (size_t i = 0; i < b->n; i++) {
            const sm_channel *c = &b->v->channels[b->curves[i].channel].info;
            if (strcmp(c->place, place) != 0 || !window_of(&b->curves[i], m, &w[n])) {
                continue;
            }
            double worth = sm_cut_worth(&w[n], m);
            w[n].power = 0;
            if (worth > MEMBER_WORTH) {
                total += worth;
                out->i_channel = worth > most || n == 0 ? b->curves[i].channel : out->i_channel;
                most = sm_max(most, worth);
                n++;
            }
        }
        if (n < 2 || (round == 0 && !sm_cut_fit(w, n, false, m))) {
            return false;
        }
    }
    out->hz = m->hz;
    out->damping_ratio = m->zeta_error < ZETA_ERROR ? m->zeta : (double)NAN;
    out->n_cuts = n;
    return total > TOTAL_WORTH && m->zeta > ZETA_LEAST && m->zeta < ZETA_MOST &&
           2 * m->zeta * m->hz > 1.5 * b->v->bin_hz && m->hz > LOWEST_HZ;
}

static size_t find(const broad *b, sm_resonance *found, size_t n, size_t most)
{
    for (size_t i = 0; i < b->n; i++) {
        const char *place = b->v->channels[b->curves[i].channel].info.place;
        for (size_t k = 1; k + 1 < b->curves[i].n && n < most; k++) {
            sm_mode m = {b->curves[i].points[k].hz, 0.08, 0};
            sm_cut w;
            sm_resonance r = {0};
            if (is_hump(&b->curves[i], k) && !is_near(b, place, m.hz, found, n) &&
                window_of(&b->curves[i], &m, &w) && sm_cut_fit(&w, 1, true, &m) &&
                settle(b, place, &m, &r) && !is_near(b, place, r.hz, found, n)) {
                size_t at = n++;
                for (; at > 0 && found[at - 1].hz > r.hz; at--) {
                    found[at] = found[at - 1];
                }
                found[at] = r;
            }
        }
    }
    return n;
}

sm_status sm_resonances_broadband(const sm_survey_result *v, sm_resonance *found, size_t most,
                                  size_t *n)
{
    broad b = {.v = v};
    size_t room = v->n_bins > BANDS_MOST ? v->n_bins : BANDS_MOST;
    b.work = sm_alloc_array(room, sizeof *b.work);
    sm_status status = b.work ? SM_OK : SM_E_NOMEM;
    for (size_t c = 0; c < v->n_channels && b.n < MOST_CHANNELS && status == SM_OK; c++) {
        curve *k = &b.curves[b.n];
        if (v->channels[c].info.role == SM_ROLE_ACCEL || v->channels[c].info.role == SM_ROLE_GYRO) {
            status = fill_curve(&b, c, k);
            b.n++;
        }
    }
    if (status == SM_OK) {
        *n = find(&b, found, *n, most);
    }
    for (size_t i = 0; i < MOST_CHANNELS; i++) {
        sm_free(b.curves[i].points);
    }
    sm_free(b.work);
    return status;
}
