/* Intervals of mean powers. */
#include "core/util.h"
#include "stillmount/assess.h"
#include "stillmount/stats.h"

#include <math.h>

#define LARGE_NU 1e7

/* How much wider Student's t is than the normal distribution: asked for all cells of a band. */
static double widening(double q, double level)
{
    static _Thread_local struct {
        double q;
        double level;
        double ratio;
    } last[2];
    size_t k = level > 0.99;
    if (last[k].q != q || last[k].level != level) {
        last[k].q = q;
        last[k].level = level;
        last[k].ratio = sm_t_quantile(level, q) / sm_normal_quantile(level);
    }
    return last[k].ratio;
}

/* Degrees of freedom that give the right quantile for a power whose own scatter is only estimated.
 */
static double effective_nu(double p, double var, double q, double level)
{
    if (!(var > 0)) {
        return LARGE_NU;
    }
    double ratio = widening(q, level);
    return sm_min(LARGE_NU, 2 * p * p / var / (ratio * ratio));
}

static double upper(double p, double nu, double tail)
{
    if (nu >= LARGE_NU) {
        return p;
    }
    double x = sm_chi2_quantile(tail, nu);
    return x > 0 ? p * nu / x : (double)INFINITY;
}

static double variance_of_mean(double v, double cross, long n, long n_adjacent)
{
    double count = (double)n;
    return (v + cross) / (count / (1 + (double)n_adjacent / (18 * count)));
}

static double pairs_dof(long n_pairs)
{
    return sm_max(1, 2.0 / 3 * (double)n_pairs);
}

double sm_power_ceiling(double p, double v, double cross, long n, long n_adjacent, long n_pairs)
{
    double var = variance_of_mean(v, cross, n, n_adjacent);
    return upper(p, effective_nu(p, var, pairs_dof(n_pairs), 0.999), 0.001);
}

double sm_power_excess(double v, double cross, long n, long n_adjacent, long n_pairs, double level)
{
    double ratio = widening(pairs_dof(n_pairs), level);
    return ratio * sm_normal_quantile(level) * sqrt(variance_of_mean(v, cross, n, n_adjacent));
}

sm_estimate sm_power_bounds(double p, double v, double cross, long n, long n_adjacent, long n_pairs)
{
    double var = variance_of_mean(v, cross, n, n_adjacent);
    double nu = effective_nu(p, var, pairs_dof(n_pairs), 0.975);
    sm_estimate e = {.p = p, .lo = p, .hi = p, .nu = nu};
    if (nu < LARGE_NU && p > 0) {
        e.lo = p * nu / sm_chi2_quantile(0.975, nu);
        e.hi = upper(p, nu, 0.025);
    }
    e.ceiling = sm_power_ceiling(p, v, cross, n, n_adjacent, n_pairs);
    return e;
}

double sm_cross_term(const sm_survey_result *v, const sm_order_table *orders, const sm_band *band,
                     const sm_band_channel *bc, double hz_lo, double hz_hi, int integrations)
{
    double sum = 0;
    double dof = sm_frames_dof(bc->n_frames, bc->n_frames - 1);
    for (size_t o = 0; o < orders->n; o++) {
        double power = 0;
        double hz = 0;
        long n = 0;
        for (size_t d = 0; d < SM_DIRECTIONS; d++) {
            const sm_order_stat *s = &bc->orders[o * SM_DIRECTIONS + d];
            power += s->sum2[0] / 2;
            hz = s->n ? s->max_hz[0] / s->max_rpm[0] * band->rpm_sum / (double)band->n_frames : hz;
            n += s->n;
        }
        if (n == 0 || hz < hz_lo || hz > hz_hi) {
            continue;
        }
        double noise = sm_noise_density(bc->psd, v->n_bins, v->bin_hz, hz, dof);
        sum += sm_integrated(power / (double)n, hz, integrations) *
               sm_integrated(noise, hz, integrations);
    }
    return 3.9 * sum / v->frame_s;
}

#define NEIGHBOURS 2        /* bands to each side that lend their scatter */
#define LENT_PAIRS_MAX 12.0 /* at most so many pairs' worth: a band's own scatter stays heard */

double sm_frame_scatter(const sm_survey_result *v, size_t i_band, size_t i_channel, size_t i_limit,
                        long *n_pairs)
{
    const sm_channel_stat *c = &v->channels[i_channel];
    double own = 0;
    double own_n = 0;
    double lent = 0;
    double lent_n = 0;
    long n_bands = (long)v->n_bands;
    for (long b = (long)i_band - NEIGHBOURS; b <= (long)i_band + NEIGHBOURS; b++) {
        if (b < 0 || b >= n_bands || !v->bands[b].channels ||
            !v->bands[b].channels[i_channel].cells) {
            continue;
        }
        for (size_t k = 0; k < c->n_slots; k++) {
            const sm_slot_stat *s = &v->bands[b].channels[i_channel].slots[k];
            double mean = s->n ? s->sum_p / (double)s->n : 0;
            if (c->slot_limit[k] != i_limit || s->n_pairs == 0 || !(mean > 0)) {
                continue;
            }
            double relative = s->sum_d2 / 2 / (mean * mean); /* summed over the pairs */
            if (b == (long)i_band) {
                own = relative;
                own_n = (double)s->n_pairs;
            } else {
                lent += relative;
                lent_n += (double)s->n_pairs;
            }
        }
    }
    double share = lent_n > LENT_PAIRS_MAX ? LENT_PAIRS_MAX / lent_n : 1;
    double n = own_n + share * lent_n;
    *n_pairs = (long)n;
    return n > 0 ? (own + share * lent) / n : 0;
}
