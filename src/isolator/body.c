/*
 * Rigid body on several isolators: modes, response to base motion, static tilt. All in the six
 * motions of the centre of mass; an isolator at r (from the centre of mass) sees x + theta x r.
 */
#include "core/util.h"
#include "stillmount/isolator.h"
#include "stillmount/units.h"

#include <complex.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

typedef double mat6[6][6];

/* Rows of B = [I, -[r]x]: displacement at r from the six motions. */
static void lever(const double r[3], double b[3][6])
{
    double full[3][6] = {
        {1, 0, 0, 0, r[2], -r[1]}, {0, 1, 0, -r[2], 0, r[0]}, {0, 0, 1, r[1], -r[0], 0}};
    memcpy(b, full, sizeof full);
}

/* out += left^T diag(v) right */
static void add_product(double left[3][6], const double v[3], double right[3][6], mat6 out)
{
    for (int i = 0; i < 6; i++) {
        for (int j = 0; j < 6; j++) {
            for (int a = 0; a < 3; a++) {
                out[i][j] += left[a][i] * v[a] * right[a][j];
            }
        }
    }
}

typedef struct system6 {
    mat6 m;
    mat6 k; /* on the body's own motion */
    mat6 c;
    mat6 k_base; /* force from the base's motion */
    mat6 c_base;
} system6;

static void assemble(const sm_body *b, system6 *s)
{
    memset(s, 0, sizeof *s);
    static const int place[6][2] = {{0, 0}, {1, 1}, {2, 2}, {0, 1}, {0, 2}, {1, 2}};
    for (int i = 0; i < 3; i++) {
        s->m[i][i] = b->mass_kg;
    }
    for (int i = 0; i < 6; i++) {
        s->m[3 + place[i][0]][3 + place[i][1]] = b->inertia_kg_m2[i];
        s->m[3 + place[i][1]][3 + place[i][0]] = b->inertia_kg_m2[i];
    }
    for (size_t f = 0; f < b->n_feet; f++) {
        const sm_foot *foot = &b->feet[f];
        double from_centre[3];
        double from_base[3];
        for (int a = 0; a < 3; a++) {
            from_centre[a] = foot->at_m[a] - b->centre_m[a];
            from_base[a] = foot->at_m[a] - b->base_m[a];
        }
        double on_body[3][6];
        double on_base[3][6];
        lever(from_centre, on_body);
        lever(from_base, on_base);
        add_product(on_body, foot->k_n_m, on_body, s->k);
        add_product(on_body, foot->c_n_s_m, on_body, s->c);
        add_product(on_body, foot->k_n_m, on_base, s->k_base);
        add_product(on_body, foot->c_n_s_m, on_base, s->c_base);
    }
}

/* Lower triangle l of a = l l^T; false when a is not positive definite (relative to its size). */
static bool cholesky(mat6 a, mat6 l)
{
    memset(l, 0, sizeof(mat6));
    for (int i = 0; i < 6; i++) {
        for (int j = 0; j <= i; j++) {
            double sum = a[i][j];
            for (int k = 0; k < j; k++) {
                sum -= l[i][k] * l[j][k];
            }
            if (i == j) {
                if (!(sum > 1e-9 * fabs(a[i][i])) || !isfinite(sum)) {
                    return false;
                }
                l[i][i] = sqrt(sum);
            } else {
                l[i][j] = sum / l[j][j];
            }
        }
    }
    return true;
}

sm_status sm_body_check(const sm_body *b, sm_error *err)
{
    system6 s;
    mat6 l;
    if (!(b->mass_kg > 0)) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0, "the body needs a mass above 0");
    }
    assemble(b, &s);
    if (!cholesky(s.m, l)) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0,
                            "the body's inertia cannot be: moments must be above 0 and products "
                            "small against them");
    }
    double ixx = b->inertia_kg_m2[0];
    double iyy = b->inertia_kg_m2[1];
    double izz = b->inertia_kg_m2[2];
    if (ixx + iyy < izz * 0.999 || iyy + izz < ixx * 0.999 || ixx + izz < iyy * 0.999) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0,
                            "the body's inertia cannot be: one moment is larger than the sum of "
                            "the other two");
    }
    if (!cholesky(s.k, l)) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0,
                            "the isolators do not hold the body in all six directions: at least "
                            "three that are not on one line are needed, each with a stiffness "
                            "above 0");
    }
    return SM_OK;
}

/* Cyclic Jacobi rotations (Golub & Van Loan, Matrix Computations, 8.5); a becomes diagonal. */
static void jacobi(mat6 a, mat6 v)
{
    memset(v, 0, sizeof(mat6));
    for (int i = 0; i < 6; i++) {
        v[i][i] = 1;
    }
    for (int sweep = 0; sweep < 60; sweep++) {
        double off = 0;
        double all = 0;
        for (int i = 0; i < 6; i++) {
            for (int j = 0; j < 6; j++) {
                all += a[i][j] * a[i][j];
                off += i != j ? a[i][j] * a[i][j] : 0;
            }
        }
        if (off <= 1e-30 * all) {
            return;
        }
        for (int p = 0; p < 5; p++) {
            for (int q = p + 1; q < 6; q++) {
                if (a[p][q] == 0) {
                    continue;
                }
                double tau = (a[q][q] - a[p][p]) / (2 * a[p][q]);
                double t = (tau >= 0 ? 1 : -1) / (fabs(tau) + sqrt(1 + tau * tau));
                double c = 1 / sqrt(1 + t * t);
                double s = t * c;
                for (int k = 0; k < 6; k++) {
                    double x = a[k][p];
                    double y = a[k][q];
                    a[k][p] = c * x - s * y;
                    a[k][q] = s * x + c * y;
                    x = v[k][p];
                    y = v[k][q];
                    v[k][p] = c * x - s * y;
                    v[k][q] = s * x + c * y;
                }
                for (int k = 0; k < 6; k++) {
                    double x = a[p][k];
                    double y = a[q][k];
                    a[p][k] = c * x - s * y;
                    a[q][k] = s * x + c * y;
                }
            }
        }
    }
}

/* out = l^-1 in l^-T */
static void reduce(mat6 l, mat6 in, mat6 out)
{
    mat6 half;
    for (int j = 0; j < 6; j++) {
        for (int i = 0; i < 6; i++) {
            double sum = in[i][j];
            for (int k = 0; k < i; k++) {
                sum -= l[i][k] * half[k][j];
            }
            half[i][j] = sum / l[i][i];
        }
    }
    for (int i = 0; i < 6; i++) {
        for (int j = 0; j < 6; j++) {
            double sum = half[i][j];
            for (int k = 0; k < j; k++) {
                sum -= l[j][k] * out[i][k];
            }
            out[i][j] = sum / l[j][j];
        }
    }
}

static void name_mode(const system6 *s, sm_mode *mode)
{
    static const char *const names[6] = {"sway along x",    "sway along y",    "up and down (z)",
                                         "rocking about x", "rocking about y", "turning about z"};
    int best = 0;
    double most = -1;
    for (int i = 0; i < 6; i++) {
        double share = 0;
        for (int j = 0; j < 6; j++) {
            share += mode->shape[i] * s->m[i][j] * mode->shape[j];
        }
        if (share > most) {
            most = share;
            best = i;
        }
    }
    (void)snprintf(mode->what, sizeof mode->what, "%s", names[best]);
}

sm_status sm_body_modes(const sm_body *b, sm_mode modes[6], sm_error *err)
{
    sm_status st = sm_body_check(b, err);
    if (st != SM_OK) {
        return st;
    }
    system6 s;
    mat6 l;
    mat6 a;
    mat6 v;
    assemble(b, &s);
    if (!cholesky(s.m, l)) {
        return SM_E_VALUE;
    }
    reduce(l, s.k, a);
    jacobi(a, v);
    int rank[6] = {0, 1, 2, 3, 4, 5};
    for (int i = 1; i < 6; i++) {
        for (int j = i; j > 0 && a[rank[j]][rank[j]] < a[rank[j - 1]][rank[j - 1]]; j--) {
            int swap = rank[j];
            rank[j] = rank[j - 1];
            rank[j - 1] = swap;
        }
    }
    for (int n = 0; n < 6; n++) {
        sm_mode *mode = &modes[n];
        int col = rank[n];
        double w = sqrt(sm_max(a[col][col], 0));
        *mode = (sm_mode){.hz = w / (2 * SM_PI)};
        for (int i = 5; i >= 0; i--) { /* shape = l^-T v */
            double sum = v[i][col];
            for (int k = i + 1; k < 6; k++) {
                sum -= l[k][i] * mode->shape[k];
            }
            mode->shape[i] = sum / l[i][i];
        }
        double c = 0;
        for (int i = 0; i < 6; i++) {
            for (int j = 0; j < 6; j++) {
                c += mode->shape[i] * s.c[i][j] * mode->shape[j];
            }
        }
        mode->damping_ratio = c / (2 * w);
        name_mode(&s, mode);
    }
    return SM_OK;
}

/* Solves a x = rhs in place, six right-hand sides, by elimination with row pivots. */
static bool solve(double complex a[6][6], double complex rhs[6][6])
{
    for (int col = 0; col < 6; col++) {
        int pivot = col;
        for (int i = col + 1; i < 6; i++) {
            pivot = cabs(a[i][col]) > cabs(a[pivot][col]) ? i : pivot;
        }
        if (!(cabs(a[pivot][col]) > 0)) {
            return false;
        }
        for (int j = 0; j < 6; j++) {
            double complex t = a[col][j];
            a[col][j] = a[pivot][j];
            a[pivot][j] = t;
            t = rhs[col][j];
            rhs[col][j] = rhs[pivot][j];
            rhs[pivot][j] = t;
        }
        for (int i = 0; i < 6; i++) {
            double complex factor = i == col ? 0 : a[i][col] / a[col][col];
            for (int j = 0; j < 6 && factor != 0; j++) {
                a[i][j] -= factor * a[col][j];
                rhs[i][j] -= factor * rhs[col][j];
            }
        }
    }
    for (int i = 0; i < 6; i++) {
        for (int j = 0; j < 6; j++) {
            rhs[i][j] /= a[i][i];
        }
    }
    return true;
}

sm_status sm_body_response(const sm_body *b, double hz, double h[6][6][2], sm_error *err)
{
    system6 s;
    assemble(b, &s);
    double w = 2 * SM_PI * hz;
    double complex a[6][6];
    double complex q[6][6];
    for (int i = 0; i < 6; i++) {
        for (int j = 0; j < 6; j++) {
            a[i][j] = CMPLX(s.k[i][j] - w * w * s.m[i][j], w * s.c[i][j]);
            q[i][j] = CMPLX(s.k_base[i][j], w * s.c_base[i][j]);
        }
    }
    if (!solve(a, q)) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0, "no damping and a mode at exactly %g Hz", hz);
    }
    double arm[3];
    double at_sensor[3][6];
    for (int i = 0; i < 3; i++) {
        arm[i] = b->sensor_m[i] - b->centre_m[i];
    }
    lever(arm, at_sensor);
    for (int i = 0; i < 6; i++) {
        for (int j = 0; j < 6; j++) {
            double complex sum = i < 3 ? 0 : q[i][j];
            for (int k = 0; k < 6 && i < 3; k++) {
                sum += at_sensor[i][k] * q[k][j];
            }
            h[i][j][0] = creal(sum);
            h[i][j][1] = cimag(sum);
        }
    }
    return SM_OK;
}

sm_status sm_body_tilt_per_g(const sm_body *b, int axis, double tilt_rad[3], sm_error *err)
{
    if (axis < 0 || axis > 2) {
        return sm_error_set(err, SM_E_ARG, NULL, 0, "an axis is 0, 1 or 2");
    }
    sm_status st = sm_body_check(b, err);
    if (st != SM_OK) {
        return st;
    }
    system6 s;
    assemble(b, &s);
    double complex a[6][6];
    double complex q[6][6] = {{0}};
    for (int i = 0; i < 6; i++) {
        for (int j = 0; j < 6; j++) {
            a[i][j] = s.k[i][j];
        }
    }
    q[axis][0] = -b->mass_kg * SM_G0_M_S2; /* inertia, against the push */
    if (!solve(a, q)) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0, "the isolators do not hold the body");
    }
    for (int i = 0; i < 3; i++) {
        tilt_rad[i] = creal(q[3 + i][0]);
    }
    return SM_OK;
}

sm_body sm_body_scaled(const sm_body *b, double stiffness, double damping)
{
    sm_body out = *b;
    for (size_t f = 0; f < out.n_feet; f++) {
        for (int a = 0; a < 3; a++) {
            out.feet[f].k_n_m[a] *= stiffness;
            out.feet[f].c_n_s_m[a] *= damping;
        }
    }
    return out;
}
