/* Which stretches are the engine off, and what stands in their spectrum. */
#include "core/util.h"
#include "stillmount/survey.h"
#include "survey/ground_parts.h"

#include <math.h>
#include <stdlib.h>

/* Common practice, no source, all of these. */
static const double QUIETER = 0.5;         /* than the quiet quarter of the running engine */
static const double ALONE = 0.01;          /* without a speed: than the loud quarter of the log */
static const double STILL_G = 0.01;        /* no engine runs so quietly beside any sensor */
static const double SHORTEST_S = 3;        /* of a stretch */
static const double PLEASE_DB = 10;        /* above the floor: a line */
static const double LEAST_ACCEL_G = 0.001; /* rms; weaker lines are not worth a word */
static const double LEAST_GYRO_RAD_S = 0.01 * SM_PI / 180;
static const double FROM_HZ = 5;

static int rising(const void *a, const void *b)
{
    double x = *(const float *)a;
    double y = *(const float *)b;
    return (x > y) - (x < y);
}

/* Quantile of values, which it sorts. */
static double quantile(float *v, size_t n, double q)
{
    qsort(v, n, sizeof *v, rising);
    return v[(size_t)(q * (double)(n - 1))];
}

/* The level below which a stretch without a known speed counts as engine off. */
static double off_level(const sm_ground *g)
{
    if (g->n_run_levels > 0) {
        return QUIETER * quantile(g->run_levels, g->n_run_levels, 0.25);
    }
    double still = STILL_G * SM_G0_M_S2;
    float v[1024];
    size_t n = 0;
    size_t stride = 1 + g->n_slices / 1024;
    for (size_t i = 0; i < g->n_slices; i += stride) {
        v[n++] = (float)g->slices[i].level;
    }
    double loud = n ? quantile(v, n, 0.75) : 0;
    return sm_max(still * still, ALONE * loud);
}

static void keep_stretch(sm_ground *g, size_t from, size_t to)
{
    double half_s = (double)g->n_half / g->rate_hz;
    sm_ground_result *r = &g->result;
    if ((double)(to - from) * half_s < SHORTEST_S || r->n_off == SM_GROUND_STRETCHES) {
        return;
    }
    sm_ground_stretch *s = &r->off[r->n_off++];
    *s = (sm_ground_stretch){g->slices[from].t_s, g->slices[to - 1].t_s + half_s};
    r->off_s += s->to_s - s->from_s;
}

static void add_stretch(sm_ground *g, size_t from, size_t to, double limit)
{
    float v[256];
    size_t n = 0;
    size_t zero = 0;
    size_t stride = 1 + (to - from) / 256;
    for (size_t i = from; i < to; i++) {
        zero += g->slices[i].zero;
        if ((i - from) % stride == 0) {
            v[n++] = (float)g->slices[i].level;
        }
    }
    /* a column that shows a running engine elsewhere is believed when it shows none */
    if (g->n_run_levels > 0 && (double)zero > 0.9 * (double)(to - from)) {
        keep_stretch(g, from, to);
        return;
    }
    if (n == 0 || quantile(v, n, 0.25) > limit) {
        return;
    }
    while (to > from && g->slices[to - 1].level > limit) {
        to--; /* the starter */
    }
    while (to > from && g->slices[from].level > limit) {
        from++; /* the engine running out */
    }
    keep_stretch(g, from, to);
}

void sm_ground_find_off(sm_ground *g)
{
    double limit = off_level(g);
    double half_s = (double)g->n_half / g->rate_hz;
    bool alone = g->n_run_levels == 0;
    size_t from = 0;
    for (size_t i = 1; i <= g->n_slices; i++) {
        bool follows = i < g->n_slices && g->slices[i].t_s - g->slices[i - 1].t_s < 1.5 * half_s;
        /* without a speed nothing else ends a stretch: two seconds of noise do */
        if (follows && alone && i + 4 <= g->n_slices) {
            bool loud = true;
            for (size_t k = 0; k < 4; k++) {
                loud &= g->slices[i + k].level > limit;
            }
            follows = !loud;
        }
        if (!follows) {
            add_stretch(g, from, i, limit);
            from = i;
        }
    }
}

static double lobe(const sm_ground_result *r, const double *psd, size_t k, double floor_psd)
{
    double sum = 0;
    for (size_t j = k - 2; j <= k + 2; j++) {
        sum += sm_max(0, psd[j] - floor_psd) * r->bin_hz;
    }
    return sum;
}

static void keep_line(sm_ground_channel *c, double hz, double power)
{
    size_t i = c->n_lines < SM_GROUND_LINES ? c->n_lines++ : SM_GROUND_LINES - 1;
    if (c->n_lines == SM_GROUND_LINES && c->lines[i].power_si > power) {
        return;
    }
    c->lines[i] = (sm_ground_line){hz, power};
    for (; i > 0 && c->lines[i - 1].power_si < c->lines[i].power_si; i--) {
        sm_ground_line swap = c->lines[i];
        c->lines[i] = c->lines[i - 1];
        c->lines[i - 1] = swap;
    }
}

void sm_ground_find_lines(const sm_ground *g, sm_ground_channel *c, const sm_channel *info)
{
    const sm_ground_result *r = &g->result;
    if (!c->psd || r->n_off_frames < 4) {
        return;
    }
    const double *psd = c->psd;
    double dof = sm_frames_dof(r->n_off_frames, r->n_off_frames - 1);
    double least = info->role == SM_ROLE_ACCEL ? LEAST_ACCEL_G * SM_G0_M_S2 : LEAST_GYRO_RAD_S;
    double lines = 0;
    for (size_t k = 5; k + 3 < r->n_bins; k++) {
        double hz = (double)k * r->bin_hz;
        bool top = psd[k] > psd[k - 1] && psd[k] >= psd[k + 1] && psd[k] > psd[k - 2] &&
                   psd[k] >= psd[k + 2];
        if (!top || hz < FROM_HZ || hz > 0.45 * g->rate_hz) {
            continue;
        }
        double floor_psd = sm_noise_density(psd, r->n_bins, r->bin_hz, hz, dof);
        double power = lobe(r, psd, k, floor_psd);
        bool stands = psd[k] > pow(10, PLEASE_DB / 10) * floor_psd;
        /* half of a wide hump lies beside its top, of a line nothing */
        bool narrow = psd[k - 3] < 0.1 * psd[k] && psd[k + 3] < 0.1 * psd[k];
        bool weak =
            c->running_power_si == c->running_power_si && power < 1e-4 * c->running_power_si;
        if (stands && narrow && !weak && power > least * least) {
            double left = sqrt(psd[k - 1]);
            double right = sqrt(psd[k + 1]);
            double off = 2 * (right - left) / (left + 2 * sqrt(psd[k]) + right);
            keep_line(c, hz + off * r->bin_hz, power);
            lines += power;
        }
    }
    double top_hz = 0.4 * g->rate_hz;
    c->off_power_si =
        sm_max(0, sm_band_power(psd, r->n_bins, r->bin_hz, FROM_HZ, top_hz, 0) - lines);
}

sm_ground_share sm_ground_share_of(const sm_ground *g, size_t i_source, const sm_limit *l)
{
    sm_ground_share s = {0};
    const sm_ground_result *r = &g->result;
    bool power = l->measure == SM_MEASURE_RMS || l->measure == SM_MEASURE_LINE;
    for (size_t i = 0; i < r->n_channels && power && !isnan(l->hz_lo); i++) {
        const sm_ground_channel *c = &r->channels[i];
        if (c->i_source != i_source) {
            continue;
        }
        for (size_t k = 0; k < c->n_lines; k++) {
            double hz = c->lines[k].hz;
            if (hz >= l->hz_lo && hz <= l->hz_hi) {
                s.lines += sm_integrated(c->lines[k].power_si, hz, l->integrations);
            }
        }
        double top = sm_min(l->hz_hi, ((double)r->n_bins - 1) * r->bin_hz);
        if (c->psd && l->measure == SM_MEASURE_RMS && l->hz_lo >= r->bin_hz && top > l->hz_lo) {
            double all =
                sm_band_power(c->psd, r->n_bins, r->bin_hz, l->hz_lo, top, l->integrations);
            s.noise = sm_max(0, all - s.lines);
        }
        for (size_t k = 1; k < r->n_rock_bins && c->rock_psd; k++) {
            double hz = (double)k * r->rock_bin_hz;
            if (hz >= l->hz_lo && hz <= l->hz_hi) {
                s.rocking += sm_integrated(c->rock_psd[k] * r->rock_bin_hz, hz, l->integrations);
            }
        }
    }
    return s;
}
