/* Noise floor under lines, and degrees of freedom of counted frames. */
#include "core/rank.h"
#include "core/util.h"
#include "stillmount/stats.h"
#include "stillmount/survey.h"

#include <math.h>

#define HALF_WIDTH_HZ 20
#define PERCENTILE 0.25

/* The k-th smallest of n values, a quarter of which lie below, for v with room for seven more: a
 * few dozen are sooner counted than parted. The second lowest of seven is a likely one. */
static double low_value(double *v, size_t n, size_t k)
{
    enum { PROBES = 7, FEW = 96 };
    if (n < PROBES || n > FEW) {
        return sm_select_rank(v, n, k);
    }
    double low = INFINITY;
    double second = INFINITY;
    for (size_t i = 0; i < PROBES; i++) {
        double x = v[i * n / PROBES];
        second = sm_min(second, sm_max(low, x));
        low = sm_min(low, x);
    }
    size_t eights = n;
    for (; eights % 8; eights++) {
        v[eights] = INFINITY;
    }
    return sm_rank_near(v, eights, k, second);
}

/* The quantile of the percentile: asked many times for one band, so the last answer is kept. */
static double percentile_of(double dof)
{
    static _Thread_local double last_dof;
    static _Thread_local double last;
    if (dof != last_dof) {
        last_dof = dof;
        last = sm_chi2_quantile(PERCENTILE, dof);
    }
    return last;
}

double sm_noise_density(const double *psd, size_t n_bins, double bin_hz, double hz, double dof)
{
    enum { MOST = 400 };
    double v[MOST + 4];
    double reach = sm_max(HALF_WIDTH_HZ, 10 * bin_hz);
    double first = sm_max(2, floor((hz - reach) / bin_hz));
    double last = sm_min((double)n_bins - 2, ceil((hz + reach) / bin_hz));
    if (!(last >= first) || n_bins < 8 || !(dof > 0)) {
        return 0;
    }
    size_t from = (size_t)first;
    size_t count = (size_t)last - from + 1;
    size_t stride = 1 + count / MOST;
    size_t n = 0;
    for (size_t k = from; k < from + count && n < MOST; k += stride) {
        v[n++] = psd[k];
    }
    double low = low_value(v, n, (size_t)(PERCENTILE * (double)(n - 1)));
    return low * dof / percentile_of(dof);
}

double sm_frames_dof(long n, long n_adjacent)
{
    return n > 0 ? 2 * (double)n / (1 + (double)n_adjacent / (18.0 * (double)n)) : 0;
}

const char *sm_direction_text(sm_direction d)
{
    return d == SM_UP ? "up" : d == SM_DOWN ? "down" : "held";
}
