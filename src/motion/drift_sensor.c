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
#define ORDER_SHARE 0.7  /* of the power in its range: lobes, smear and noise take the rest */
#define BESIDE 2.5       /* bins: the reach of a Hann lobe */
#define ORDER_CLEAR 5.0  /* of the median bin's power in as many bins as the order claims */

/* What the sensor's own low-pass, taken as one of first order, leaves of a power at hz. */
static double passed(const sm_motion_sensor *sensor, double hz)
{
    double x = hz / sensor->bandwidth_hz;
    return isnan(sensor->bandwidth_hz) ? 1 : 1 / (1 + x * x);
}

/* One axis' coning behind an integrator at the sensor's rate [deg/h]. */
typedef struct taken {
    double seen;
    double error;
    double ceiling; /* of |error|: what the noise of the log may hide is in it */
} taken;

static const taken unknown = {(double)NAN, (double)NAN, (double)NAN};

/* What the integrator sees, and the rest. The noise of the sum comes from all bins in proportion to
 * the product of both rates' powers over f^2; each is weighted as its coning is. */
static taken integrator(const sm_drift *d, const drift_slot *s, size_t n,
                        const sm_motion_sensor *sensor, int axis, double hidden)
{
    double bin_hz = d->rate_hz / (double)d->n_frame;
    const double *total = s->total + (size_t)axis * d->n_bins;
    const double *p = s->power + (size_t)((axis + 1) % 3) * d->n_bins;
    const double *q = s->power + (size_t)((axis + 2) % 3) * d->n_bins;
    taken out = {0, 0, 0};
    double noise = 0;
    double left = 0;
    for (size_t k = d->k_lo; k + 1 < d->n_bins; k++) {
        double hz = (double)k * bin_hz;
        double w = p[k] * q[k] / (hz * hz);
        noise += w;
        /* What folds into the attitude band is told as an alias, not as coning. */
        if (hz > sensor->attitude_band_hz &&
            sm_fold_hz(hz, sensor->rate_hz) < sm_max(bin_hz, sensor->attitude_band_hz / 2)) {
            continue;
        }
        double share = passed(sensor, hz) * sm_integrator_share(sensor->input, sensor->coning_order,
                                                                hz, sensor->rate_hz);
        out.seen += total[k] * share / (double)n * DEG_H;
        out.error += total[k] * (share - 1) / (double)n * DEG_H;
        left += w * (share - 1) * (share - 1);
    }
    out.ceiling = fabs(out.error) + (noise > 0 ? sqrt(left / noise) * hidden * DEG_H : 0);
    return out;
}

static void integrator_json(const sm_drift *d, const drift_slot *s, const sm_drift_band *band,
                            const sm_motion_sensor *sensor, sm_json_doc *doc, sm_json *o)
{
    double seen[3];
    double error[3];
    double ceiling[3];
    double lean[3];
    double lean_ceiling[3];
    drift_cell all = drift_cell_all(s);
    int v = drift_vertical_axis(&all);
    for (int k = 0; k < 3; k++) {
        const sm_drift_value *c = &band->all.coning[k];
        bool known = isfinite(c->value) && sensor->rate_hz > 0;
        double hidden = c->ceiling - fabs(c->value);
        taken t = known ? integrator(d, s, band->all.n_frames, sensor, k, hidden) : unknown;
        seen[k] = t.seen;
        error[k] = t.error;
        ceiling[k] = t.ceiling;
        /* without a known rate: a sensor that takes in none of the coning */
        double hours = k == v ? (double)NAN : sensor->levelling_s / 3600;
        lean[k] = (known ? t.error : -c->value * DEG_H) * hours;
        lean_ceiling[k] = (known ? t.ceiling : c->ceiling * DEG_H) * hours;
    }
    sm_json_add_numbers(doc, o, "integrator_sees_deg_per_h", seen, 3);
    sm_json_add_numbers(doc, o, "integrator_error_deg_per_h", error, 3);
    sm_json_add_numbers(doc, o, "integrator_error_ceiling_deg_per_h", ceiling, 3);
    sm_json_add_numbers(doc, o, "levelling_error_deg", lean, 3);
    sm_json_add_numbers(doc, o, "levelling_error_ceiling_deg", lean_ceiling, 3);
    double skewed[3]; /* axes read at different moments see coning in motion that has none */
    for (int k = 0; k < 3; k++) {
        bool pair = d->input[(k + 1) % 3] >= 0 && d->input[(k + 2) % 3] >= 0;
        skewed[k] = pair ? sensor->skew_s * all.covariance[k] / (double)all.n * DEG_H : (double)NAN;
    }
    sm_json_add_numbers(doc, o, "axis_skew_deg_per_h", skewed, 3);
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

/* Something that lands below the attitude band when the sensor samples at its rate. */
typedef struct alias {
    const char *label;
    int axis;
    double rpm[2]; /* where it does; NaN = everywhere */
    double hz;
    double folds_to_hz; /* the lowest it comes to */
    double apparent_rad;
} alias;

/* Keeps the largest, largest first. */
static void keep(alias list[MOST_ALIASES], size_t *n, const alias *one)
{
    size_t at = *n;
    while (at > 0 && list[at - 1].apparent_rad < one->apparent_rad) {
        at--;
    }
    if (at < MOST_ALIASES) {
        *n += *n < MOST_ALIASES;
        (void)memmove(&list[at + 1], &list[at], (*n - 1 - at) * sizeof *one);
        list[at] = *one;
    }
}

/* A rate of peak `pk` that seems to go to and fro at fold_hz turns by pk / (2 pi fold): in a frame
 * of one second nothing is slower than one bin. */
static double apparent(const sm_drift *d, double pk, double fold_hz)
{
    double bin_hz = d->rate_hz / (double)d->n_frame;
    return pk / (2 * SM_PI * sm_max(fold_hz, bin_hz));
}

/* True when order o holds most of the power where it stands or sweeps in this band. A fixed line
 * that it only crosses is claimed in a few frames. */
static bool makes_it(const sm_drift *d, const drift_slot *s, size_t o, int axis)
{
    double bin_hz = d->rate_hz / (double)d->n_frame;
    const double *p = s->power + (size_t)axis * d->n_bins;
    double lo = d->orders[o].per_rpm_hz * s->rpm_seen[0] / bin_hz - BESIDE;
    double hi = d->orders[o].per_rpm_hz * s->rpm_seen[1] / bin_hz + BESIDE;
    double power = 0;
    size_t first = (size_t)sm_max((double)d->k_lo, ceil(lo));
    for (size_t k = first; (double)k <= hi && k + 1 < d->n_bins; k++) {
        power += p[k];
    }
    return s->order_power[3 * o + (size_t)axis] > ORDER_SHARE * power;
}

/* Peak of order o about the axis in this band; 0 when it does not stand clear of the noise. */
static double order_peak(const sm_drift *d, const drift_slot *s, size_t o, int axis, double quiet)
{
    double power = s->order_power[3 * o + (size_t)axis];
    double noise = quiet * (double)s->order_bins[o];
    return power > ORDER_CLEAR * noise && makes_it(d, s, o, axis)
               ? sqrt(2 * power / (double)s->order_n[o])
               : 0;
}

/* Order o folds below the band around every multiple of the rate that it passes in this band. */
static void order_aliases(const sm_drift *d, const drift_slot *s, size_t o, const double quiet[3],
                          const sm_motion_sensor *sensor, alias list[MOST_ALIASES], size_t *n)
{
    double per = d->orders[o].per_rpm_hz;
    double lo = per * s->rpm_seen[0];
    double hi = per * s->rpm_seen[1];
    double band = sensor->attitude_band_hz;
    double first = sm_max(1, ceil((lo - band) / sensor->rate_hz));
    for (double m = first; m * sensor->rate_hz - band < hi; m++) {
        double at = m * sensor->rate_hz;
        double near = sm_min(hi, sm_max(lo, at)); /* where it comes nearest */
        alias best = {.label = d->orders[o].label,
                      .rpm = {sm_max(lo, at - band) / per, sm_min(hi, at + band) / per},
                      .hz = near,
                      .folds_to_hz = fabs(near - at)};
        for (int axis = 0; axis < 3; axis++) {
            double pk = d->input[axis] >= 0 ? order_peak(d, s, o, axis, quiet[axis]) : 0;
            double angle = apparent(d, pk * sqrt(passed(sensor, near)), best.folds_to_hz);
            if (angle > best.apparent_rad) {
                best.apparent_rad = angle;
                best.axis = axis;
            }
        }
        if (best.apparent_rad > 0 && best.folds_to_hz < band) {
            keep(list, n, &best);
        }
    }
}

/* True when hz lies where an order stands or sweeps: that order has been told. */
static bool is_order(const sm_drift *d, const drift_slot *s, int axis, double hz)
{
    double reach = BESIDE * d->rate_hz / (double)d->n_frame;
    for (size_t o = 0; o < d->n_orders; o++) {
        double per = d->orders[o].per_rpm_hz;
        if (s->order_n[o] && hz > per * s->rpm_seen[0] - reach &&
            hz < per * s->rpm_seen[1] + reach && makes_it(d, s, o, axis)) {
            return true;
        }
    }
    return false;
}

/* A bin that towers over its neighbourhood: a line that stays, not one that sweeps through. */
static bool is_peak(const double *p, size_t n_bins, size_t k, double clear)
{
    double beside = 0;
    double n = 0;
    for (size_t i = 4; i <= 8; i++) {
        beside += (k > i ? p[k - i] : 0) + (k + i < n_bins ? p[k + i] : 0);
        n += (k > i) + (k + i < n_bins);
    }
    return p[k] > clear && p[k] >= p[k - 1] && p[k] >= p[k + 1] && p[k] * n > 4 * beside;
}

/* Lines of constant frequency above half the sensor's rate. */
static void fixed_aliases(const sm_drift *d, const drift_slot *s, size_t n_frames, int axis,
                          double quiet, const sm_motion_sensor *sensor, alias list[MOST_ALIASES],
                          size_t *n)
{
    double bin_hz = d->rate_hz / (double)d->n_frame;
    const double *p = s->power + (size_t)axis * d->n_bins;
    for (size_t k = d->k_lo + 1; k + 2 < d->n_bins; k++) {
        double hz = (double)k * bin_hz;
        double fold = sm_fold_hz(hz, sensor->rate_hz);
        if (hz < sensor->rate_hz / 2 || fold >= sensor->attitude_band_hz ||
            !is_peak(p, d->n_bins, k, ALIAS_CLEAR * quiet * (double)n_frames) ||
            is_order(d, s, axis, hz)) {
            continue;
        }
        double power = p[k - 1] + p[k] + p[k + 1];
        double pk = sqrt(2 * power / (double)n_frames);
        hz += bin_hz * (p[k + 1] - p[k - 1]) / power; /* the lobe's centre */
        fold = sm_fold_hz(hz, sensor->rate_hz);
        keep(list, n,
             &(alias){.label = "unknown",
                      .axis = axis,
                      .rpm = {s->rpm[0], s->rpm[1]},
                      .hz = hz,
                      .folds_to_hz = fold,
                      .apparent_rad = apparent(d, pk * sqrt(passed(sensor, hz)), fold)});
    }
}

static void aliases_json(const sm_drift *d, const drift_slot *s, size_t n_frames,
                         const sm_motion_sensor *sensor, sm_json_doc *doc, sm_json *o)
{
    static const char *const axes[3] = {"x", "y", "z"};
    sm_json *array = sm_json_add_array(doc, o, "aliases");
    alias list[MOST_ALIASES];
    double quiet[3] = {0};
    size_t n = 0;
    if (!(sensor->rate_hz > 0)) {
        return;
    }
    for (int i = 0; i < 3; i++) {
        if (d->input[i] >= 0) {
            quiet[i] = quiet_bin(d, s->power + (size_t)i * d->n_bins) / (double)n_frames;
            fixed_aliases(d, s, n_frames, i, quiet[i], sensor, list, &n);
        }
    }
    for (size_t k = 0; k < d->n_orders; k++) {
        if (s->order_n[k]) {
            order_aliases(d, s, k, quiet, sensor, list, &n);
        }
    }
    for (size_t i = 0; i < n; i++) {
        sm_json *a = sm_json_append_object(doc, array);
        sm_json_add_text(doc, a, "label", list[i].label);
        sm_json_add_text(doc, a, "axis", axes[list[i].axis]);
        sm_json_add_number(doc, a, "hz", list[i].hz);
        sm_json_add_number(doc, a, "folds_to_hz", list[i].folds_to_hz);
        sm_json_add_number(doc, a, "apparent_deg", list[i].apparent_rad * DEG);
        if (isnan(list[i].rpm[0])) {
            sm_json_add_null(doc, a, "rpm");
        } else {
            sm_json_add_pair(doc, a, "rpm", list[i].rpm[0], list[i].rpm[1]);
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
