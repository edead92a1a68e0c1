/* Averages of a pair -> points of its transmissibility with intervals. */
#include "core/util.h"
#include "stillmount/compare.h"

#include <math.h>

#define Z95 1.959963984540054
#define TRUST_COHERENCE 0.8
#define OPEN_COHERENCE 0.95         /* below: the interval reaches from H1 to H2 */
#define POINT_SPACING 0.01          /* of the frequency */
#define HANN_HALF 0.947368421052632 /* independent frames per frame at 50 % overlap: 18/19 */
#define HANN_BINS 1.94              /* neighbouring Hann bins share noise: 1 + 2 (4/9 + 1/36) */
#define HANN_SHARE                                                                                 \
    0.67 /* of a window: its noise is shared so far along a track, the                             \
            sum of its autocorrelation 1, 0.66, 0.17 at quarters */
#define LEAST_AVERAGES 3
#define ENOUGH_AVERAGES 4
#define REACH_BINS 2     /* 0.5 Hz to either side with frames of 4 s */
#define SWEEP_ERROR 0.01 /* of the ratio: leakage of swept lines, not random (measured 0.5 %) */

typedef struct group {
    double xx, yy, re, im, averages, shares_hz;
} group;

static group collect(const sm_cross *c, size_t from, size_t to)
{
    group g = {0};
    double frames = 0;
    double sweep = 0;
    for (size_t k = from; k < to; k++) { /* weights: every frame alike */
        sweep += c->sweep_hz ? c->sweep_hz[k] * c->n[k] : 0;
        g.xx += c->xx[k] * c->n[k];
        g.yy += c->yy[k] * c->n[k];
        g.re += c->xy[2 * k] * c->n[k];
        g.im += c->xy[2 * k + 1] * c->n[k];
        frames += c->n[k];
    }
    /* joined Hann bins are correlated: B of them count as B / 1.94 (4/9, 1/36 of their power) */
    double bins = (double)(to - from);
    double joined =
        bins / (1 + 2 * (4.0 / 9 * (bins - 1) / bins + 1.0 / 36 * fmax(bins - 2, 0) / bins));
    g.averages = frames / bins * HANN_HALF * joined;
    double along = frames > 0 ? HANN_SHARE * sweep / frames : 0;
    g.shares_hz = sm_max(along, (bins - 1 + HANN_BINS) * c->bin_hz);
    return g;
}

/* Tracked points are sparse: reaches out until there are enough of them. */
static group collect_enough(const sm_cross *c, size_t from, size_t to)
{
    group g = {0};
    for (size_t reach = 0; reach <= REACH_BINS; reach++) {
        size_t lo = from > reach + 1 ? from - reach : 1;
        size_t hi = to + reach < c->n_bins ? to + reach : c->n_bins;
        g = collect(c, lo, hi);
        if (g.averages >= ENOUGH_AVERAGES) {
            break;
        }
    }
    return g;
}

static double coherence(const group *g)
{
    return g->xx > 0 && g->yy > 0 ? (g->re * g->re + g->im * g->im) / (g->xx * g->yy) : 0;
}

/* Relative mean square error of |H1|: random, and the low reading from a noisy base sensor. */
static double error2(const group *g)
{
    double c = sm_max(coherence(g), 1e-9);
    double bias = (1 - c) / 2;
    return g->averages >= LEAST_AVERAGES ? (1 - c) / (2 * c * g->averages) + bias * bias
                                         : (double)INFINITY;
}

static sm_ratio_point point(const group *g, double hz)
{
    sm_ratio_point p = {.hz = hz, .averages = g->averages, .shares_hz = g->shares_hz};
    p.coherence = coherence(g);
    double magnitude = 0;
    if (g->xx > 0) {
        p.h1[0] = g->re / g->xx;
        p.h1[1] = g->im / g->xx;
        magnitude = hypot(p.h1[0], p.h1[1]);
    }
    p.h2 = p.coherence > 0 ? magnitude / p.coherence : (double)NAN;
    double c = sm_max(p.coherence, 1e-9);
    double random = g->averages > 0
                        ? sqrt((1 - c) / (2 * c * g->averages) + SWEEP_ERROR * SWEEP_ERROR)
                        : (double)INFINITY;
    double chance = g->averages > 1 ? 1 - pow(0.01, 1 / (g->averages - 1)) : 1;
    /* in ln, so that it stays above 0 */
    p.lo = magnitude * exp(-Z95 * random);
    p.hi = (c < OPEN_COHERENCE ? p.h2 : magnitude) * exp(Z95 * random);
    p.above_chance = g->averages >= LEAST_AVERAGES && c > chance;
    p.trusted = p.above_chance && c >= TRUST_COHERENCE;
    return p;
}

sm_status sm_transfer_points(const sm_cross *all, const sm_cross *orders, double lo_hz,
                             double hi_hz, double spacing, sm_ratio_point *points, size_t capacity,
                             size_t *n)
{
    if (!(lo_hz >= 0) || !(hi_hz > lo_hz) || (orders && orders->n_bins != all->n_bins)) {
        return SM_E_ARG;
    }
    size_t count = 0;
    size_t k = (size_t)ceil(sm_max(lo_hz / all->bin_hz, 1));
    while (k < all->n_bins - 1 && (double)k * all->bin_hz <= hi_hz && count < capacity) {
        size_t width = (size_t)sm_max(1, floor(spacing * (double)k));
        size_t to = k + width < all->n_bins - 1 ? k + width : all->n_bins - 1;
        double hz = ((double)(k + to - 1) / 2) * all->bin_hz;
        group g = collect(all, k, to);
        if (orders) {
            group o = collect_enough(orders, k, to);
            g = error2(&o) < error2(&g) ? o : g;
        }
        points[count++] = point(&g, hz);
        k = to;
    }
    *n = count;
    return SM_OK;
}
