/* One mode and a direct path through each order cut; agreement between cuts makes a resonance. */
#include "stillmount/resonance.h"

#include "core/util.h"

#include <math.h>
#include <string.h>

enum { MOST_POINTS = 512, LEAST_POINTS = 12, MOST_CUTS = 256, TERMS = 4 };
#define WINDOW_LO 0.75 /* of the candidate's frequency */
#define WINDOW_HI 1.33
#define SIGNAL 30.0 /* power over noise of a point that counts: 15 dB */
#define AGREE 0.025 /* cuts of one resonance lie this close */
#define GAIN 3.0    /* the mode must cut the misfit of a smooth curve to a third */

typedef struct point {
    double hz;
    double y; /* P / f^4 */
    double w; /* weight: relative error, but not of the deepest notches */
} point;

typedef struct cut_fit {
    size_t channel;
    size_t order;
    double hz;
    double zeta;
    double strength; /* power of the channel at the resonance */
} cut_fit;

static double order_point(const sm_survey_result *v, const sm_band *b, const sm_band_channel *bc,
                          size_t order, size_t cell, double hz, double shaft_hz)
{
    double n = (double)bc->order_cell_n[order * b->n_cells + cell];
    if (!(n > 0)) {
        return (double)NAN;
    }
    double p = (double)bc->order_cell_p[order * b->n_cells + cell] / n;
    double dof = sm_frames_dof(bc->n_frames, bc->n_frames > 0 ? bc->n_frames - 1 : 0);
    double noise = sm_noise_density(bc->psd, v->n_bins, v->bin_hz, hz, dof);
    double floor_p = 1.5 * noise * shaft_hz / (double)v->plans[order].window_rev;
    return p > SIGNAL * floor_p ? p - floor_p : (double)NAN;
}

/* The cut of one order in one channel, rising frequency. */
static size_t collect(const sm_survey_result *v, size_t channel, size_t order, double order_value,
                      double shaft_per_rpm, point *out)
{
    size_t n = 0;
    for (size_t i = 0; i < v->n_bands; i++) {
        const sm_band *b = &v->bands[i];
        const sm_band_channel *bc = &b->channels[channel];
        for (size_t c = 0; bc->n_frames > 2 && c < b->n_cells && n < MOST_POINTS; c++) {
            double rpm =
                b->rpm_lo + ((double)c + 0.5) * (b->rpm_hi - b->rpm_lo) / (double)b->n_cells;
            double shaft_hz = rpm * shaft_per_rpm;
            double hz = order_value * shaft_hz;
            double p = order_point(v, b, bc, order, c, hz, shaft_hz);
            if (p > 0) {
                out[n++] = (point){hz, p / (hz * hz * hz * hz), 0};
            }
        }
    }
    return n;
}

/* Weighted least squares of y on n_terms columns; returns the relative misfit, coefficients in c.
 */
static double solve(const point *p, size_t n, double (*basis)[TERMS], size_t n_terms, double *c)
{
    double a[TERMS][TERMS + 1] = {{0}};
    for (size_t i = 0; i < n; i++) {
        double w = p[i].w;
        for (size_t r = 0; r < n_terms; r++) {
            for (size_t k = 0; k < n_terms; k++) {
                a[r][k] += w * basis[i][r] * basis[i][k];
            }
            a[r][n_terms] += w * basis[i][r] * p[i].y;
        }
    }
    for (size_t r = 0; r < n_terms; r++) { /* symmetric, well scaled: plain elimination, ridge */
        a[r][r] *= 1 + 1e-10;
        for (size_t k = r + 1; k < n_terms; k++) {
            double f = a[k][r] / a[r][r];
            for (size_t j = r; j <= n_terms; j++) {
                a[k][j] -= f * a[r][j];
            }
        }
    }
    for (size_t r = n_terms; r-- > 0;) {
        double s = a[r][n_terms];
        for (size_t k = r + 1; k < n_terms; k++) {
            s -= a[r][k] * c[k];
        }
        c[r] = s / a[r][r];
    }
    double misfit = 0;
    for (size_t i = 0; i < n; i++) {
        double y = 0;
        for (size_t k = 0; k < n_terms; k++) {
            y += c[k] * basis[i][k];
        }
        misfit += p[i].w * (y - p[i].y) * (y - p[i].y);
    }
    return misfit / (double)n;
}

static double mode_misfit(const point *p, size_t n, double hz, double zeta, double *c)
{
    static _Thread_local double basis[MOST_POINTS][TERMS];
    for (size_t i = 0; i < n; i++) {
        double r = p[i].hz / hz;
        double re = 1 - r * r;
        double im = 2 * zeta * r;
        double den = re * re + im * im;
        basis[i][0] = r * r * r * r / den;
        basis[i][1] = -r * r * re / den;
        basis[i][2] = r * r * im / den;
        basis[i][3] = 1;
    }
    return solve(p, n, basis, 4, c);
}

/* What a curve without a mode can do: a parabola has nearly as many coefficients. */
static double smooth_misfit(const point *p, size_t n, double hz)
{
    static _Thread_local double basis[MOST_POINTS][TERMS];
    double c[TERMS];
    for (size_t i = 0; i < n; i++) {
        double u = p[i].hz / hz - 1;
        basis[i][0] = 1;
        basis[i][1] = u;
        basis[i][2] = u * u;
        basis[i][3] = u * u * u;
    }
    return solve(p, n, basis, 4, c);
}

static bool fit_mode(const point *p, size_t n, double seed_hz, double *hz, double *zeta)
{
    double best = 1e300;
    double c[TERMS];
    *hz = seed_hz;
    *zeta = 0.05;
    for (int i = -16; i <= 16; i++) {
        for (int k = 0; k < 24; k++) {
            double f = seed_hz * (1 + 0.004 * i);
            double z = 0.008 * pow(1.17, k);
            double m = mode_misfit(p, n, f, z, c);
            if (m < best && c[0] > 0) {
                best = m;
                *hz = f;
                *zeta = z;
            }
        }
    }
    if (!(best < 1e299)) {
        return false;
    }
    double step_f = 0.002;
    double step_z = 0.08;
    for (int k = 0; k < 40; k++) { /* pattern search to the last digits that matter */
        const double f[4] = {*hz * (1 + step_f), *hz * (1 - step_f), *hz, *hz};
        const double z[4] = {*zeta, *zeta, *zeta * (1 + step_z), *zeta * (1 - step_z)};
        bool moved = false;
        for (int i = 0; i < 4; i++) {
            double m = mode_misfit(p, n, f[i], z[i], c);
            if (m < best && c[0] > 0) {
                best = m;
                *hz = f[i];
                *zeta = z[i];
                moved = true;
                break;
            }
        }
        step_f *= moved ? 1 : 0.5;
        step_z *= moved ? 1 : 0.5;
    }
    bool inside = *hz * (1 - *zeta) > p[0].hz && *hz * (1 + *zeta) < p[n - 1].hz;
    return inside && *zeta > 0.005 && *zeta < 0.25 && best * GAIN < smooth_misfit(p, n, *hz);
}

static size_t add_cuts(const sm_survey_result *v, size_t channel, size_t order, double order_value,
                       double shaft_per_rpm, cut_fit *out, size_t n_out)
{
    static _Thread_local point all[MOST_POINTS];
    size_t n = collect(v, channel, order, order_value, shaft_per_rpm, all);
    for (size_t i = 2; i + 2 < n && n_out < MOST_CUTS; i++) {
        double y = all[i].y;
        bool top = y >= all[i - 1].y && y >= all[i + 1].y && y > 1.3 * all[i - 2].y * 0.77 &&
                   y > all[i + 2].y;
        size_t from = i;
        size_t to = i;
        while (from > 0 && all[from - 1].hz > WINDOW_LO * all[i].hz) {
            from--;
        }
        while (to + 1 < n && all[to + 1].hz < WINDOW_HI * all[i].hz) {
            to++;
        }
        if (!top || to - from + 1 < LEAST_POINTS) {
            continue;
        }
        double hz = 0;
        double zeta = 0;
        double highest = 0;
        for (size_t k = from; k <= to; k++) {
            highest = sm_max(highest, all[k].y);
        }
        for (size_t k = from; k <= to; k++) {
            all[k].w = 1 / (all[k].y * all[k].y + 0.002 * highest * highest);
        }
        if (fit_mode(all + from, to - from + 1, all[i].hz, &hz, &zeta)) {
            bool again = n_out && out[n_out - 1].channel == channel &&
                         out[n_out - 1].order == order && fabs(out[n_out - 1].hz / hz - 1) < AGREE;
            if (!again) {
                out[n_out++] = (cut_fit){channel, order, hz, zeta, y * pow(all[i].hz, 4)};
            }
        }
    }
    return n_out;
}

static void note_order(sm_resonance *r, const cut_fit *c, double rpm)
{
    for (size_t i = 0; i < r->n_orders; i++) {
        if (r->order[i] == c->order) {
            return;
        }
    }
    if (r->n_orders < SM_RESONANCE_ORDERS) {
        r->order[r->n_orders] = c->order;
        r->rpm_at[r->n_orders++] = rpm;
    }
}

/* Median of a few values. */
static double median(double *x, size_t n)
{
    for (size_t i = 1; i < n; i++) {
        for (size_t k = i; k > 0 && x[k - 1] > x[k]; k--) {
            double swap = x[k];
            x[k] = x[k - 1];
            x[k - 1] = swap;
        }
    }
    return n % 2 ? x[n / 2] : (x[n / 2 - 1] + x[n / 2]) / 2;
}

/* All cuts of one place that agree with the seed, as one resonance. */
static bool merge(const sm_survey_result *v, const sm_order_table *orders, double shaft_per_rpm,
                  const cut_fit *cuts, bool *used, size_t n, size_t seed, sm_resonance *out)
{
    double hz[MOST_CUTS];
    double zeta[MOST_CUTS];
    const char *place = v->channels[cuts[seed].channel].info.place;
    *out = (sm_resonance){.i_channel = cuts[seed].channel};
    double strongest = 0;
    size_t m = 0;
    for (size_t i = 0; i < n; i++) {
        bool near = fabs(cuts[i].hz / cuts[seed].hz - 1) < AGREE;
        if (used[i] || !near || strcmp(v->channels[cuts[i].channel].info.place, place) != 0) {
            continue;
        }
        used[i] = true;
        hz[m] = cuts[i].hz;
        zeta[m++] = cuts[i].zeta;
        if (cuts[i].strength > strongest) {
            strongest = cuts[i].strength;
            out->i_channel = cuts[i].channel;
        }
        note_order(out, &cuts[i],
                   cuts[i].hz / (orders->items[cuts[i].order].order * shaft_per_rpm));
    }
    out->n_cuts = m;
    out->hz = median(hz, m);
    out->damping_ratio = median(zeta, m);
    if (m > 1 && zeta[m - 1] > 4 * zeta[0]) { /* sorted by now */
        out->damping_ratio = (double)NAN;
    }
    return m >= 2;
}

size_t sm_resonances_find(const sm_survey_result *v, const sm_order_table *orders,
                          double shaft_per_rpm, sm_resonance *out, size_t most)
{
    static _Thread_local cut_fit cuts[MOST_CUTS];
    bool used[MOST_CUTS] = {false};
    size_t n = 0;
    for (size_t c = 0; c < v->n_channels; c++) {
        for (size_t o = 0; o < orders->n; o++) {
            if (v->plans[o].merged_into < 0) {
                n = add_cuts(v, c, o, orders->items[o].order, shaft_per_rpm, cuts, n);
            }
        }
    }
    size_t found = 0;
    for (size_t i = 0; i < n && found < most; i++) {
        sm_resonance r;
        if (!used[i] && merge(v, orders, shaft_per_rpm, cuts, used, n, i, &r)) {
            size_t k = found++;
            while (k > 0 && out[k - 1].hz > r.hz) {
                out[k] = out[k - 1];
                k--;
            }
            out[k] = r;
        }
    }
    return found;
}
