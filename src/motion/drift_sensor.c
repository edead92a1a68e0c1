/* drift: what the vibration of a band would do inside the aircraft's sensor, as far as its figures
 * are known. */
#include "core/util.h"
#include "motion/drift_internal.h"

#include <math.h>
#include <string.h>

#define DEG (180 / SM_PI)
#define DEG_H (DEG * 3600)

enum { MOST_ALIASES = 8 };

#define ALIAS_CLEAR 20.0 /* of the median bin power */

/* What an integrator at the sensor's rate would see of the coning about axis, and the rest. */
static void integrator(const sm_drift *d, const drift_slot *s, size_t n,
                       const sm_motion_sensor *sensor, int axis, double *seen, double *error)
{
    double bin_hz = d->rate_hz / (double)d->n_frame;
    const double *total = s->total + (size_t)axis * d->n_bins;
    *seen = 0;
    *error = 0;
    for (size_t k = d->k_lo; k + 1 < d->n_bins; k++) {
        double hz = (double)k * bin_hz;
        /* What folds into the attitude band is told as an alias, not as coning. */
        if (hz > sensor->attitude_band_hz &&
            sm_fold_hz(hz, sensor->rate_hz) < sm_max(bin_hz, sensor->attitude_band_hz / 2)) {
            continue;
        }
        double share =
            sm_integrator_share(sensor->input, sensor->coning_order, hz, sensor->rate_hz);
        *seen += total[k] * share / (double)n;
        *error += total[k] * (share - 1) / (double)n;
    }
}

static void integrator_json(const sm_drift *d, const drift_slot *s, const sm_drift_band *band,
                            const sm_motion_sensor *sensor, sm_json_doc *doc, sm_json *o)
{
    double seen[3];
    double error[3];
    double lean[3];
    for (int k = 0; k < 3; k++) {
        integrator(d, s, band->all.n_frames, sensor, k, &seen[k], &error[k]);
        bool known = isfinite(band->all.coning[k].value) && sensor->rate_hz > 0;
        seen[k] = known ? seen[k] * DEG_H : (double)NAN;
        error[k] = known ? error[k] * DEG_H : (double)NAN;
    }
    sm_json_add_numbers(doc, o, "integrator_sees_deg_per_h", seen, 3);
    sm_json_add_numbers(doc, o, "integrator_error_deg_per_h", error, 3);
    drift_cell all = drift_cell_all(s);
    int v = drift_vertical_axis(&all);
    for (int k = 0; k < 3; k++) {
        /* without a known rate: a sensor that takes in none of the coning */
        double rate = isfinite(error[k]) ? error[k] : -band->all.coning[k].value * DEG_H;
        lean[k] = k == v ? (double)NAN : rate / 3600 * sensor->levelling_s;
    }
    sm_json_add_numbers(doc, o, "levelling_error_deg", lean, 3);
}

/* Rectification and g-sensitivity from the band's acceleration. */
static void rectification_json(const drift_slot *s, const sm_drift_band *band,
                               const sm_motion_sensor *sensor, sm_json_doc *doc, sm_json *o)
{
    double bias_mg[3];
    double total_g2 = 0;
    for (int k = 0; k < 3; k++) {
        double g = band->accel_rms[k] / SM_G0_M_S2;
        bias_mg[k] = sensor->vre_g_per_g2 * g * g * 1000;
        total_g2 += g * g;
    }
    drift_cell all = drift_cell_all(s);
    int v = drift_vertical_axis(&all);
    double level_g = hypot(bias_mg[(v + 1) % 3], bias_mg[(v + 2) % 3]) / 1000;
    double gyro_bias = sensor->gyro_rad_s_per_g2 * total_g2;
    sm_json_add_numbers(doc, o, "accel_rectification_mg", bias_mg, 3);
    sm_json_add_number(doc, o, "accel_rectification_tilt_deg", asin(sm_min(1, level_g)) * DEG);
    sm_json_add_number(doc, o, "gyro_rectification_deg_s", gyro_bias * DEG);
    sm_json_add_number(doc, o, "gyro_rectification_lean_deg",
                       gyro_bias * DEG * sensor->levelling_s);
    sm_json_add_number(doc, o, "gyro_g_sensitivity_rms_deg_s",
                       sensor->gyro_rad_s_per_g * sqrt(total_g2) * DEG);
}

static void headroom_json(const sm_drift_band *band, const sm_motion_sensor *sensor,
                          sm_json_doc *doc, sm_json *o)
{
    double gyro = 0;
    double accel = 0;
    for (int k = 0; k < 3; k++) {
        gyro = fmax(gyro, band->gyro_peak[k]);
        accel = fmax(accel, band->accel_peak[k]);
    }
    double nan = (double)NAN;
    sm_json_add_number(doc, o, "gyro_headroom_db",
                       gyro > 0 ? 20 * log10(sensor->gyro_range_rad_s / gyro) : nan);
    sm_json_add_number(doc, o, "accel_headroom_db",
                       accel > 0 ? 20 * log10(sensor->accel_range_m_s2 / accel) : nan);
}

/* Median of the bin powers of the gyro axis, coarsely: the bin that half of the bins lie below. */
static double quiet_bin(const sm_drift *d, const double *power)
{
    double lo = 0;
    double hi = 0;
    for (size_t k = d->k_lo; k + 1 < d->n_bins; k++) {
        hi = sm_max(hi, power[k]);
    }
    for (int i = 0; i < 60; i++) {
        double mid = (lo + hi) / 2;
        size_t below = 0;
        for (size_t k = d->k_lo; k + 1 < d->n_bins; k++) {
            below += power[k] <= mid;
        }
        if (2 * below >= d->n_bins - d->k_lo) {
            hi = mid;
        } else {
            lo = mid;
        }
    }
    return hi;
}

static const char *label_of(const sm_drift *d, const drift_slot *s, double hz)
{
    const char *label = "unknown";
    double nearest = 2.5 * d->rate_hz / (double)d->n_frame;
    for (size_t o = 0; o < d->n_orders; o++) {
        double at = s->order_n[o] ? s->order_hz[o] / (double)s->order_n[o] : -1e9;
        if (fabs(at - hz) < nearest) {
            nearest = fabs(at - hz);
            label = d->orders[o].label;
        }
    }
    return label;
}

/* Lines that land below the sensor's attitude band when it samples at its rate. */
static void aliases_json(const sm_drift *d, const drift_slot *s, size_t n,
                         const sm_motion_sensor *sensor, sm_json_doc *doc, sm_json *o)
{
    static const char *const axes[3] = {"x", "y", "z"};
    sm_json *array = sm_json_add_array(doc, o, "aliases");
    double bin_hz = d->rate_hz / (double)d->n_frame;
    int count = 0;
    for (int i = 0; i < 3 && sensor->rate_hz > 0; i++) {
        const double *p = s->power + (size_t)i * d->n_bins;
        double quiet = d->input[i] >= 0 ? ALIAS_CLEAR * quiet_bin(d, p) : (double)INFINITY;
        for (size_t k = d->k_lo + 1; k + 2 < d->n_bins && count < MOST_ALIASES; k++) {
            double hz = (double)k * bin_hz;
            double fold = sm_fold_hz(hz, sensor->rate_hz);
            if (hz < sensor->rate_hz / 2 || fold >= sensor->attitude_band_hz || p[k] <= quiet ||
                p[k] < p[k - 1] || p[k] < p[k + 1]) {
                continue;
            }
            double peak = sqrt(2 * (p[k - 1] + p[k] + p[k + 1]) / (double)n);
            sm_json *a = sm_json_append_object(doc, array);
            sm_json_add_text(doc, a, "label", label_of(d, s, hz));
            sm_json_add_text(doc, a, "axis", axes[i]);
            sm_json_add_number(doc, a, "hz", hz);
            sm_json_add_number(doc, a, "folds_to_hz", fold);
            sm_json_add_number(doc, a, "apparent_deg",
                               peak / (2 * SM_PI * sm_max(fold, bin_hz)) * DEG);
            count++;
        }
    }
}

void drift_sensor_json(const sm_drift *d, const drift_slot *s, const sm_drift_band *band,
                       const sm_motion_sensor *sensor, sm_json_doc *doc, sm_json *object)
{
    sm_json *o = sm_json_add_object(doc, object, "sensor");
    if (!band->assessed || band->all.n_frames == 0) {
        return;
    }
    integrator_json(d, s, band, sensor, doc, o);
    rectification_json(s, band, sensor, doc, o);
    headroom_json(band, sensor, doc, o);
    aliases_json(d, s, band->all.n_frames, sensor, doc, o);
}
