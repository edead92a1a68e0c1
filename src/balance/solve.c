/* Influence coefficients and the weights that cancel: complex least squares. */
#include "balance/balance_internal.h"

#include <math.h>
#include <string.h>

enum { COLS = SM_BALANCE_PLANES + 1, ROWS = SM_BALANCE_RUNS };

/*
 * Orthogonalises the columns of a (rows x cols) in place, twice, which keeps Gram-Schmidt as
 * accurate as reflections for so few columns; r is upper triangular. false: a column depends on
 * those before it.
 */
static bool orthogonalise(double complex (*a)[COLS], size_t rows, size_t cols,
                          double complex (*r)[COLS])
{
    for (size_t j = 0; j < cols; j++) {
        double before = 0, after = 0;
        for (size_t i = 0; i < rows; i++) {
            before += creal(a[i][j] * conj(a[i][j]));
        }
        for (size_t k = 0; k < 2 * j; k++) {
            double complex dot = 0;
            size_t c = k % j;
            for (size_t i = 0; i < rows; i++) {
                dot += conj(a[i][c]) * a[i][j];
            }
            r[c][j] += dot;
            for (size_t i = 0; i < rows; i++) {
                a[i][j] -= dot * a[i][c];
            }
        }
        for (size_t i = 0; i < rows; i++) {
            after += creal(a[i][j] * conj(a[i][j]));
        }
        if (!(after > 1e-18 * before) || before == 0) {
            return false;
        }
        r[j][j] = sqrt(after);
        for (size_t i = 0; i < rows; i++) {
            a[i][j] /= r[j][j];
        }
    }
    return true;
}

static void back_substitute(const double complex (*r)[COLS], size_t cols, double complex *x)
{
    for (size_t j = cols; j-- > 0;) {
        for (size_t c = j + 1; c < cols; c++) {
            x[j] -= r[j][c] * x[c];
        }
        x[j] /= r[j][j];
    }
}

sm_status sm_balance_fit_runs(const sm_balance_job *job,
                              const double complex (*v)[SM_BALANCE_READINGS], sm_balance_fit *fit,
                              sm_error *err)
{
    double complex q[ROWS][COLS] = {{0}}, r[COLS][COLS] = {{0}};
    size_t cols = job->n_planes + 1, n_readings = job->runs[0].n_readings;
    for (size_t i = 0; i < job->n_runs; i++) {
        q[i][0] = 1;
        for (size_t p = 0; p < job->n_planes; p++) {
            q[i][p + 1] = sm_c(job->runs[i].weight_g[p]);
        }
    }
    if (job->n_runs < cols || !orthogonalise(q, job->n_runs, cols, r)) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0,
                            job->n_planes > 1
                                ? "the trial runs cannot tell the planes apart: one trial with a "
                                  "weight in each plane alone is needed"
                                : "the runs do not differ in their weights: a trial run with a "
                                  "weight on is needed");
    }
    memset(fit, 0, sizeof *fit);
    fit->spare = job->n_runs - cols;
    for (size_t k = 0; k < n_readings; k++) {
        double complex x[COLS] = {0}, rest[ROWS];
        for (size_t i = 0; i < job->n_runs; i++) {
            rest[i] = v[i][k];
        }
        for (size_t j = 0; j < cols; j++) {
            for (size_t i = 0; i < job->n_runs; i++) {
                x[j] += conj(q[i][j]) * rest[i];
            }
            for (size_t i = 0; i < job->n_runs; i++) {
                rest[i] -= q[i][j] * x[j];
            }
        }
        for (size_t i = 0; i < job->n_runs; i++) {
            fit->rss[k] += creal(rest[i] * conj(rest[i]));
        }
        back_substitute((const double complex(*)[COLS])r, cols, x);
        fit->v0[k] = x[0];
        memcpy(fit->a[k], x + 1, job->n_planes * sizeof *x);
    }
    return SM_OK;
}

/*
 * Eigenvalues of a small Hermitian matrix by complex Jacobi rotations (Golub & Van Loan, section
 * on the symmetric eigenproblem; from memory). Only the extremes are wanted.
 */
static void extreme_eigenvalues(double complex (*h)[SM_BALANCE_PLANES], size_t n, double *lo,
                                double *hi)
{
    for (int sweep = 0; sweep < 30; sweep++) {
        for (size_t p = 0; p + 1 < n; p++) {
            for (size_t q = p + 1; q < n; q++) {
                double mag = cabs(h[p][q]);
                if (mag < 1e-300) {
                    continue;
                }
                double complex e = h[p][q] / mag;
                double tau = (creal(h[q][q]) - creal(h[p][p])) / (2 * mag);
                double t = (tau >= 0 ? 1.0 : -1.0) / (fabs(tau) + hypot(1, tau));
                double c = 1 / hypot(1, t), s = t * c;
                for (size_t i = 0; i < n; i++) { /* columns */
                    double complex hp = h[i][p], hq = h[i][q];
                    h[i][p] = c * hp - s * conj(e) * hq;
                    h[i][q] = s * e * hp + c * hq;
                }
                for (size_t i = 0; i < n; i++) { /* rows */
                    double complex hp = h[p][i], hq = h[q][i];
                    h[p][i] = c * hp - s * e * hq;
                    h[q][i] = s * conj(e) * hp + c * hq;
                }
            }
        }
    }
    *lo = *hi = creal(h[0][0]);
    for (size_t i = 1; i < n; i++) {
        *lo = sm_min(*lo, creal(h[i][i]));
        *hi = sm_max(*hi, creal(h[i][i]));
    }
}

/*
 * Beyond this the planes cannot be told apart in the field. Between the worst published case that
 * its author solved (Goodman 1964: 9.7) and the one published as ill-conditioned (Darlow 1982,
 * second case: 25.7).
 */
#define CONDITION_LIMIT 15.0

static sm_status condition_of(const sm_phasor (*a)[SM_BALANCE_PLANES], size_t n_readings,
                              size_t n_planes, double *condition, sm_error *err)
{
    double complex h[SM_BALANCE_PLANES][SM_BALANCE_PLANES] = {{0}};
    double norm[SM_BALANCE_PLANES] = {0};
    for (size_t p = 0; p < n_planes; p++) {
        for (size_t k = 0; k < n_readings; k++) {
            norm[p] = hypot(norm[p], sm_phasor_amplitude(a[k][p]));
        }
        if (!(norm[p] > 0)) {
            return sm_error_set(err, SM_E_VALUE, NULL, 0,
                                "a weight in plane %zu changes nothing at the sensors", p + 1);
        }
    }
    for (size_t p = 0; p < n_planes; p++) {
        for (size_t q = 0; q < n_planes; q++) {
            for (size_t k = 0; k < n_readings; k++) {
                h[p][q] += conj(sm_c(a[k][p])) * sm_c(a[k][q]) / (norm[p] * norm[q]);
            }
        }
    }
    double lo = 0, hi = 0;
    extreme_eigenvalues(h, n_planes, &lo, &hi);
    *condition = lo > 1e-15 * hi ? sqrt(hi / lo) : (double)INFINITY;
    return SM_OK;
}

sm_status sm_balance_planes_solve(const sm_phasor (*a)[SM_BALANCE_PLANES], const sm_phasor *v0,
                                  size_t n_readings, size_t n_planes, sm_phasor *w,
                                  double *condition, sm_error *err)
{
    if (n_readings < n_planes) {
        return sm_error_set(err, SM_E_SHORT, NULL, 0,
                            "%zu planes need at least %zu sensors (or speeds); there are %zu",
                            n_planes, n_planes, n_readings);
    }
    sm_status st = condition_of(a, n_readings, n_planes, condition, err);
    if (st != SM_OK) {
        return st;
    }
    if (*condition > CONDITION_LIMIT) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0,
                            "the planes are too alike for these sensors (condition number %.3g, "
                            "at most %g): small errors of the readings would become large weights; "
                            "move a sensor, or balance in one plane fewer",
                            *condition, CONDITION_LIMIT);
    }
    double complex q[ROWS][COLS] = {{0}}, r[COLS][COLS] = {{0}}, x[COLS] = {0};
    for (size_t k = 0; k < n_readings; k++) {
        for (size_t p = 0; p < n_planes; p++) {
            q[k][p] = sm_c(a[k][p]);
        }
    }
    if (!orthogonalise(q, n_readings, n_planes, r)) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0, "the planes do the same to every sensor");
    }
    for (size_t p = 0; p < n_planes; p++) {
        for (size_t k = 0; k < n_readings; k++) {
            x[p] -= conj(q[k][p]) * sm_c(v0[k]);
        }
    }
    back_substitute((const double complex(*)[COLS])r, n_planes, x);
    for (size_t p = 0; p < n_planes; p++) {
        w[p] = sm_p(x[p]);
    }
    return SM_OK;
}

sm_status sm_balance_cancel(const sm_balance_fit *fit, size_t n_readings, size_t n_planes,
                            double complex *w, double *condition, sm_error *err)
{
    sm_phasor a[SM_BALANCE_READINGS][SM_BALANCE_PLANES], v0[SM_BALANCE_READINGS];
    sm_phasor out[SM_BALANCE_PLANES];
    for (size_t k = 0; k < n_readings; k++) {
        v0[k] = sm_p(fit->v0[k]);
        for (size_t p = 0; p < n_planes; p++) {
            a[k][p] = sm_p(fit->a[k][p]);
        }
    }
    sm_status st = sm_balance_planes_solve((const sm_phasor(*)[SM_BALANCE_PLANES])a, v0, n_readings,
                                           n_planes, out, condition, err);
    for (size_t p = 0; p < n_planes && st == SM_OK; p++) {
        w[p] = sm_c(out[p]);
    }
    return st;
}
