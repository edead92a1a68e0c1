/* Bands and cells of rpm, channel patterns, limit curves. */
#include "stillmount/budget.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

const char *sm_measure_text(sm_measure m)
{
    static const char *const names[SM_MEASURE_COUNT] = {"rms",  "line",   "order", "psd",
                                                        "peak", "coning", "level"};
    return (int)m < 0 || m >= SM_MEASURE_COUNT ? "unknown" : names[m];
}

size_t sm_budget_bands(const sm_budget *b)
{
    double n = ceil((b->rpm_hi - b->rpm_lo) / b->step_rpm - 1e-9);
    return n > 1 ? (size_t)n : 1;
}

void sm_budget_band(const sm_budget *b, size_t i, double *lo, double *hi)
{
    *lo = b->rpm_lo + (double)i * b->step_rpm;
    *hi = fmin(*lo + b->step_rpm, b->rpm_hi);
}

long sm_budget_band_of(const sm_budget *b, double rpm)
{
    if (!(rpm >= b->rpm_lo && rpm <= b->rpm_hi)) {
        return -1;
    }
    size_t n = sm_budget_bands(b);
    size_t i = (size_t)((rpm - b->rpm_lo) / b->step_rpm);
    return (long)(i < n ? i : n - 1);
}

bool sm_budget_band_required(const sm_budget *b, size_t i)
{
    double lo;
    double hi;
    sm_budget_band(b, i, &lo, &hi);
    return b->has_limits && lo < b->required_hi && hi > b->required_lo;
}

size_t sm_budget_cells(double lo, double hi)
{
    double n = ceil((hi - lo) / SM_CELL_RPM - 1e-9);
    return n > 1 ? (size_t)n : 1;
}

bool sm_pattern_matches(const sm_pattern *p, const char *place, sm_role role, int axis)
{
    return p->role == role && (p->axis < 0 || p->axis == axis) &&
           (strcmp(p->place, "*") == 0 || strcmp(p->place, place) == 0);
}

double sm_limit_curve_at(const sm_limit *l, double hz)
{
    for (size_t i = 0; i + 1 < l->n_curve; i++) {
        if (hz >= l->curve_hz[i] && hz <= l->curve_hz[i + 1]) {
            double slope =
                log(l->curve_si[i + 1] / l->curve_si[i]) / log(l->curve_hz[i + 1] / l->curve_hz[i]);
            return l->curve_si[i] * pow(hz / l->curve_hz[i], slope);
        }
    }
    return (double)NAN;
}

static void rms_limit(sm_limit *l, sm_role role, const char *name, double hi_hz)
{
    *l = (sm_limit){.n_patterns = 1,
                    .measure = SM_MEASURE_RMS,
                    .hz_lo = 5,
                    .hz_hi = hi_hz,
                    .max_si = NAN,
                    .max_of_range = NAN,
                    .any_axes = true};
    (void)snprintf(l->name, sizeof l->name, "%s", name);
    (void)snprintf(l->patterns[0].place, sizeof l->patterns[0].place, "*");
    l->patterns[0].role = role;
    l->patterns[0].axis = -1;
    l->as = role == SM_ROLE_ACCEL ? SM_QUANTITY_ACCELERATION : SM_QUANTITY_RATE;
    l->unit = sm_unit_shown(l->as);
}

void sm_budget_none(double rate_hz, sm_budget *out)
{
    sm_budget b = {.rpm_lo = 0,
                   .rpm_hi = 200.0 * SM_MAX_BANDS / 2,
                   .step_rpm = 200,
                   .min_seconds = 0,
                   .min_passes = 1};
    (void)snprintf(b.name, sizeof b.name, "no budget");
    (void)snprintf(b.source, sizeof b.source, "no limits given");
    b.required_lo = b.rpm_lo;
    b.required_hi = b.rpm_hi;
    rms_limit(&b.limits[0], SM_ROLE_ACCEL, "accel", 0.25 * rate_hz);
    rms_limit(&b.limits[1], SM_ROLE_GYRO, "gyro", 0.25 * rate_hz);
    b.n_limits = 2;
    *out = b;
}
