/*
 * Balancing without a pulse: only amplitudes are known. With O the original amplitude and a the
 * coefficient per gram against the original vector, run j reads
 *     T[j]^2 = O^2 + s |w[j]|^2 + 2 O Re(a w[j]),   s = |a|^2.
 * Three trial runs give s and a separately, and their agreement is the check of consistency; two
 * give two places for the weight. (Cosine rule; the known four-run method.)
 */
#include "balance/balance_internal.h"

#include <math.h>

typedef struct equations {
    double m[SM_BALANCE_RUNS][3]; /* of s, Re a, Im a */
    double b[SM_BALANCE_RUNS];
    double complex w[SM_BALANCE_RUNS];
    size_t n;
    double o;
} equations;

static double det3(const double (*m)[3])
{
    return m[0][0] * (m[1][1] * m[2][2] - m[1][2] * m[2][1]) -
           m[0][1] * (m[1][0] * m[2][2] - m[1][2] * m[2][0]) +
           m[0][2] * (m[1][0] * m[2][1] - m[1][1] * m[2][0]);
}

/* Normal equations by Cramer's rule: three unknowns, well scaled by `unit` (a typical weight). */
static bool least_squares3(const equations *e, double unit, double *x)
{
    double n[3][3] = {{0}}, y[3] = {0};
    for (size_t i = 0; i < e->n; i++) {
        double row[3] = {e->m[i][0] / (unit * unit), e->m[i][1] / (unit * e->o),
                         e->m[i][2] / (unit * e->o)};
        for (int p = 0; p < 3; p++) {
            for (int q = 0; q < 3; q++) {
                n[p][q] += row[p] * row[q];
            }
            y[p] += row[p] * e->b[i];
        }
    }
    double d = det3((const double(*)[3])n);
    if (!(fabs(d) > 1e-6 * n[0][0] * n[1][1] * n[2][2])) {
        return false;
    }
    for (int k = 0; k < 3; k++) {
        double c[3][3];
        for (int p = 0; p < 3; p++) {
            for (int q = 0; q < 3; q++) {
                c[p][q] = q == k ? y[p] : n[p][q];
            }
        }
        x[k] = det3((const double(*)[3])c) / d / (k == 0 ? unit * unit : unit * e->o);
    }
    return true;
}

static sm_status contradict(sm_error *err)
{
    return sm_error_set(err, SM_E_VALUE, NULL, 0,
                        "the readings contradict each other: no trial weight effect fits them; "
                        "repeat the runs at the same rpm, and check where the weight sat");
}

static sm_status three_or_more(const equations *e, sm_balance_nophase *out, sm_error *err)
{
    double x[3], unit = cabs(e->w[0]);
    if (!least_squares3(e, unit, x)) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0,
                            "the trial places are too alike: put the weight at three places "
                            "about 120 degrees apart");
    }
    double t2 = hypot(x[1], x[2]);
    if (!(x[0] > 0) || !(t2 > 0)) {
        return contradict(err);
    }
    double t1 = sqrt(x[0]);
    out->effect = t2;
    out->mismatch = fabs(t1 - t2) / sm_max(t1, t2);
    out->n = 1;
    out->correction[0] = -e->o / CMPLX(x[1], x[2]);
    return SM_OK;
}

/* Both weights on one line through the centre: w[1] = c w[0]. */
static sm_status two_in_line(const equations *e, double c, sm_balance_nophase *out, sm_error *err)
{
    double w2 = creal(e->w[0] * conj(e->w[0]));
    if (fabs(c - 1) < 0.05) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0,
                            "both trial runs have the weight at the same place: move it to the "
                            "opposite side");
    }
    /* b0 = s w2 + 2 O u,  b1 = c^2 s w2 + 2 O c u */
    double s = (e->b[1] - c * e->b[0]) / (w2 * (c * c - c));
    double u = (e->b[0] - s * w2) / (2 * e->o);
    double q2 = s * w2 - u * u;
    if (!(s > 0) || q2 < -0.1 * s * w2) {
        return contradict(err);
    }
    double q = sqrt(sm_max(q2, 0));
    out->effect = sqrt(s);
    out->n = q > 0 ? 2 : 1;
    out->correction[0] = -e->o * e->w[0] / CMPLX(u, q);
    out->correction[1] = -e->o * e->w[0] / CMPLX(u, -q);
    return SM_OK;
}

static sm_status two(const equations *e, sm_balance_nophase *out, sm_error *err)
{
    double complex ratio = e->w[1] / e->w[0];
    out->mismatch = 0;
    if (fabs(cimag(ratio)) < 0.02 * cabs(ratio)) {
        return two_in_line(e, creal(ratio), out, err);
    }
    /* a = p + s q from the two equations; |a|^2 = s is a quadratic in s. */
    double det = e->m[0][1] * e->m[1][2] - e->m[0][2] * e->m[1][1];
    double complex p = CMPLX((e->b[0] * e->m[1][2] - e->b[1] * e->m[0][2]) / det,
                             (e->m[0][1] * e->b[1] - e->m[1][1] * e->b[0]) / det);
    double complex q = CMPLX(-(e->m[0][0] * e->m[1][2] - e->m[1][0] * e->m[0][2]) / det,
                             -(e->m[0][1] * e->m[1][0] - e->m[1][1] * e->m[0][0]) / det);
    double a2 = creal(q * conj(q)), a1 = 2 * creal(p * conj(q)) - 1, a0 = creal(p * conj(p));
    double disc = a1 * a1 - 4 * a2 * a0;
    if (disc < -0.1 * a1 * a1 || a1 >= 0) {
        return contradict(err);
    }
    double root = sqrt(sm_max(disc, 0));
    out->n = root > 0 ? 2 : 1;
    for (size_t i = 0; i < out->n; i++) {
        double s = (-a1 + (i ? root : -root)) / (2 * a2);
        out->correction[i] = -e->o / (p + s * q);
    }
    out->effect = sqrt((-a1 - root) / (2 * a2));
    return SM_OK;
}

sm_status sm_balance_fit_amplitudes(const sm_balance_job *job, const double *amplitude,
                                    sm_balance_nophase *out, sm_error *err)
{
    equations e = {0};
    size_t n_original = 0;
    for (size_t i = 0; i < job->n_runs; i++) {
        if (sm_phasor_amplitude(job->runs[i].weight_g[0]) == 0) {
            e.o += amplitude[i];
            n_original++;
        } else {
            e.w[e.n] = sm_c(job->runs[i].weight_g[0]);
            e.b[e.n++] = amplitude[i] * amplitude[i];
        }
    }
    if (n_original == 0 || e.n < 2) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0,
                            "without phase at least two trial runs are needed, better three with "
                            "the same weight at 0, 120 and 240 degrees");
    }
    e.o /= (double)n_original;
    for (size_t i = 0; i < e.n; i++) {
        e.m[i][0] = creal(e.w[i] * conj(e.w[i]));
        e.m[i][1] = 2 * e.o * creal(e.w[i]);
        e.m[i][2] = -2 * e.o * cimag(e.w[i]);
        e.b[i] -= e.o * e.o;
    }
    *out = (sm_balance_nophase){0};
    return e.n == 2 ? two(&e, out, err) : three_or_more(&e, out, err);
}
