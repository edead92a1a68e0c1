/* Intervals of mean powers. */
#include "core/util.h"
#include "stillmount/assess.h"
#include "stillmount/stats.h"

#include <math.h>

#define LARGE_NU 1e7

/* Degrees of freedom that give the right quantile for a power whose own scatter is only estimated.
 */
static double effective_nu(double p, double var, double q, double level)
{
    if (!(var > 0)) {
        return LARGE_NU;
    }
    double ratio = sm_t_quantile(level, q) / sm_normal_quantile(level);
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

sm_estimate sm_power_bounds(double p, double v, double cross, long n, long n_adjacent, long n_pairs)
{
    double count = (double)n;
    double n_e = count / (1 + (double)n_adjacent / (18 * count));
    double q = sm_max(1, 2.0 / 3 * (double)n_pairs);
    double var = (v + cross) / n_e;
    sm_estimate e = {.p = p, .lo = p, .hi = p, .ceiling = p};
    double nu = effective_nu(p, var, q, 0.975);
    if (nu < LARGE_NU && p > 0) {
        e.lo = p * nu / sm_chi2_quantile(0.975, nu);
        e.hi = upper(p, nu, 0.025);
    }
    e.ceiling = upper(p, effective_nu(p, var, q, 0.999), 0.001);
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
