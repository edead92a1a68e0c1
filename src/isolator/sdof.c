/* One mass on one spring: transmissibility, sag, response to flat spectra. */
#include "core/util.h"
#include "stillmount/isolator.h"
#include "stillmount/units.h"

#include <complex.h>
#include <math.h>

#define MOST_SAG_M 1.0   /* 0.5 Hz */
#define MOST_DAMPING 2.0 /* beyond, it is a door closer and no mount */

sm_isolator sm_isolator_viscous(double natural_hz, double damping_ratio)
{
    return (sm_isolator){.natural_hz = natural_hz, .damping_ratio = damping_ratio};
}

sm_status sm_isolator_check(const sm_isolator *iso, sm_error *err)
{
    if (!(iso->natural_hz > 0) || !isfinite(iso->natural_hz)) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0,
                            "a natural frequency of %g Hz cannot be: give a number above 0",
                            iso->natural_hz);
    }
    if (sm_isolator_sag_m(iso->natural_hz) > MOST_SAG_M) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0,
                            "an isolator of %.3g Hz would sag %.3g m at rest: no mount is that "
                            "soft; check the units (Hz, or kg and N/m)",
                            iso->natural_hz, sm_isolator_sag_m(iso->natural_hz));
    }
    if (iso->damping_ratio > MOST_DAMPING) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0,
                            "a damping ratio of %g cannot be: give a fraction of critical up to "
                            "%g, so that 12 %% is 0.12",
                            iso->damping_ratio, MOST_DAMPING);
    }
    if (!(iso->damping_ratio > 0) || !isfinite(iso->damping_ratio)) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0,
                            "a damping ratio of %g cannot be: give a fraction of critical above 0, "
                            "for rubber about 0.05 to 0.15",
                            iso->damping_ratio);
    }
    if (iso->model == SM_DAMPING_THREE && !(iso->stiffness_ratio > 0)) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0,
                            "the second spring needs a stiffness ratio above 0");
    }
    return SM_OK;
}

/* Complex stiffness over the static one. */
static double complex stiffness(const sm_isolator *iso, double u)
{
    double complex x = CMPLX(0, 2 * iso->damping_ratio);
    switch (iso->model) {
    case SM_DAMPING_STRUCTURAL:
        return 1 + x;
    case SM_DAMPING_THREE:
        return 1 + x * u / (1 + x * u / iso->stiffness_ratio);
    case SM_DAMPING_VISCOUS:
    default:
        return 1 + x * u;
    }
}

static double complex transfer(const sm_isolator *iso, double hz)
{
    double u = hz / iso->natural_hz;
    double complex k = stiffness(iso, u);
    return k / (k - u * u);
}

void sm_isolator_transfer(const sm_isolator *iso, double hz, double t[2])
{
    double complex v = transfer(iso, hz);
    t[0] = creal(v);
    t[1] = cimag(v);
}

/* |T|^2; the viscous one without complex numbers, because a search asks millions of times. */
static double power_at(const sm_isolator *iso, double hz)
{
    if (iso->model == SM_DAMPING_VISCOUS) {
        double u2 = hz / iso->natural_hz * (hz / iso->natural_hz);
        double loss = 4 * iso->damping_ratio * iso->damping_ratio * u2;
        return (1 + loss) / ((1 - u2) * (1 - u2) + loss);
    }
    double complex v = transfer(iso, hz);
    return creal(v) * creal(v) + cimag(v) * cimag(v);
}

double sm_isolator_ratio(const sm_isolator *iso, double hz)
{
    return sqrt(power_at(iso, hz));
}

double sm_isolator_power(const sm_isolator *iso, double lo_hz, double hi_hz)
{
    /* Four-point Gauss-Legendre (Abramowitz & Stegun 25.4.30) on pieces that grow with the distance
       from the resonance. */
    static const double at[2] = {0.339981043584856, 0.861136311594053};
    static const double weight[2] = {0.652145154862546, 0.347854845137454};
    if (!(hi_hz > lo_hz)) {
        return power_at(iso, lo_hz);
    }
    double sum = 0;
    double lo = lo_hz;
    while (lo < hi_hz) {
        double step = 0.4 * (iso->damping_ratio * iso->natural_hz + fabs(lo - iso->natural_hz));
        double hi = sm_min(hi_hz, lo + step);
        hi = hi > lo ? hi : hi_hz;
        double half = (hi - lo) / 2;
        double mid = lo + half;
        for (int k = 0; k < 2; k++) {
            sum += weight[k] * half *
                   (power_at(iso, mid - half * at[k]) + power_at(iso, mid + half * at[k]));
        }
        lo = hi;
    }
    return sum / (hi_hz - lo_hz);
}

double sm_isolator_sway(const sm_isolator *iso, double hz)
{
    double w_n = 2 * SM_PI * iso->natural_hz;
    double u = hz / iso->natural_hz;
    return 1 / (w_n * w_n * cabs(stiffness(iso, u) - u * u));
}

double sm_isolator_isolates_above(const sm_isolator *iso)
{
    return iso->natural_hz * sqrt(2.0);
}

double sm_isolator_peak(double damping_ratio, double *at_ratio)
{
    double root = sqrt(1 + 8 * damping_ratio * damping_ratio);
    *at_ratio = sqrt(root - 1) / (2 * damping_ratio);
    sm_isolator iso = sm_isolator_viscous(1, damping_ratio);
    return sm_isolator_ratio(&iso, *at_ratio);
}

double sm_isolator_sag_m(double natural_hz)
{
    double w = 2 * SM_PI * natural_hz;
    return SM_G0_M_S2 / (w * w);
}

double sm_isolator_natural_from_sag(double sag_m)
{
    return sqrt(SM_G0_M_S2 / sag_m) / (2 * SM_PI);
}

double sm_isolator_natural_from_stiffness(double stiffness_n_m, double mass_kg)
{
    return sqrt(stiffness_n_m / mass_kg) / (2 * SM_PI);
}

double sm_isolator_miles(double natural_hz, double q, double psd)
{
    return sqrt(SM_PI / 2 * natural_hz * q * psd);
}

double sm_isolator_flat_rms(double natural_hz, double damping_ratio, double psd)
{
    return sm_isolator_miles(natural_hz, 1 / (2 * damping_ratio), psd) *
           sqrt(1 + 4 * damping_ratio * damping_ratio);
}
