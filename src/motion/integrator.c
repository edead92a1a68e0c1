/*
 * What a sampled attitude integrator makes of a coning line. For circular coning of amplitude a
 * and angular rate W, one update interval L = W T holds the true noncommutativity a^2 (L - sin L)/2
 * beside the chord that increments give by themselves; products of increments m samples apart give
 * 4 a^2 sin^2(l/2) sin(m l), l = L / N. The share follows exactly, whatever L.
 */
#include "core/util.h"
#include "stillmount/motion.h"

#include <math.h>

double sm_fold_hz(double f_hz, double rate_hz)
{
    return fabs(f_hz - rate_hz * round(f_hz / rate_hz));
}

/* Weight of increment products m apart (m = 1..3) in the optimal N-increment correction. */
static const double weights[5][4] = {
    {0, 0, 0, 0},
    {0, 0, 0, 0},                             /* N = 1: none */
    {0, 2.0 / 3, 0, 0},                       /* N = 2 */
    {0, 27.0 / 20, 9.0 / 20, 0},              /* N = 3 */
    {0, 214.0 / 105, 92.0 / 105, 54.0 / 105}, /* N = 4 */
};

double sm_integrator_share(sm_integrator_input input, int n_increments, double f_hz, double rate_hz)
{
    bool points = input == SM_INTEGRATOR_POINTS;
    if (!(f_hz > 0 && rate_hz > 0) || n_increments < 1 || n_increments > 4 ||
        (points && n_increments != 1)) {
        return NAN;
    }
    double step = 2 * SM_PI * f_hz / rate_hz; /* phase per sample */
    if (points) {
        double x = step / 2;
        return sm_fold_hz(f_hz, rate_hz) < 1e-9 * rate_hz ? (double)NAN : x * cos(x) / sin(x);
    }
    double whole = step * n_increments; /* phase per update */
    double half = sin(step / 2);
    double correction = 0;
    for (int m = 1; m < n_increments; m++) {
        correction += weights[n_increments][m] * 4 * half * half * sin(m * step);
    }
    return (sin(whole) + 2 * correction) / whole;
}
