/* One mode and a direct path through an order cut. */
#include "survey/cut_fit.h"

#include "core/util.h"

#include <math.h>

enum { TERMS = 4, DEPTH = 5, POINTS = 512 };
#define ZETA_LEAST 0.003
#define ZETA_MOST 0.5
/* Relative error of a point beside its noise: hunting, drift of the force. */
#define MODEL_ERROR 0.03
/* Deep notches weigh no more than points so far under the highest. */
#define NOTCH 0.002

typedef struct cplx {
    double re;
    double im;
} cplx;

typedef struct job {
    const sm_cut_point *p;
    size_t n;
    double y[POINTS];
    double w[POINTS];
    double basis[POINTS][TERMS];
    double highest; /* y is in units of this */
} job;

static cplx reciprocal(cplx a)
{
    double d = 1 / (a.re * a.re + a.im * a.im);
    return (cplx){a.re * d, -a.im * d};
}

/* int_0^inf exp(-z t + a t^2) dt = 1/(z - 2a/(z - 4a/(z - 6a/...))), Laplace. */
static cplx swept_pole(cplx z, cplx a)
{
    cplx tail = z;
    for (int k = DEPTH; k > 0; k--) {
        cplx r = reciprocal(tail);
        double re = 2 * k * (a.re * r.re - a.im * r.im);
        double im = 2 * k * (a.re * r.im + a.im * r.re);
        tail = (cplx){z.re - re, z.im - im};
    }
    return reciprocal(tail);
}

/* Response of the mode to a unit force whose acceleration is seen: w^2 / (wn^2 - w^2 + ...). */
static cplx response(const sm_cut_point *p, double hz, double zeta, bool swept)
{
    double w = 2 * SM_PI * p->hz;
    double wn = 2 * SM_PI * hz;
    double wd = wn * sqrt(1 - zeta * zeta);
    cplx a = {swept ? -2 * (SM_PI * p->blur_hz) * (SM_PI * p->blur_hz) : 0,
              swept ? SM_PI * p->rate : 0};
    cplx near =
        swept ? swept_pole((cplx){zeta * wn, w - wd}, a) : reciprocal((cplx){zeta * wn, w - wd});
    cplx far = reciprocal((cplx){zeta * wn, w + wd});
    /* (near - far) / (2 i wd) */
    double k = -w * w / (2 * wd);
    return (cplx){k * (near.im - far.im), -k * (near.re - far.re)};
}

/* Weighted least squares of y on the basis; the relative misfit, coefficients in c. */
static double solve(const job *j, double *c)
{
    double a[TERMS][TERMS + 1] = {{0}};
    for (size_t i = 0; i < j->n; i++) {
        const double *b = j->basis[i];
        for (size_t r = 0; r < TERMS; r++) {
            double w = j->w[i] * b[r];
            for (size_t k = r; k < TERMS; k++) {
                a[r][k] += w * b[k];
            }
            a[r][TERMS] += w * j->y[i];
        }
    }
    for (size_t r = 0; r < TERMS; r++) { /* symmetric, well scaled: plain elimination, ridge */
        a[r][r] *= 1 + 1e-10;
        for (size_t k = r + 1; k < TERMS; k++) {
            double f = a[r][k] / a[r][r];
            for (size_t m = k; m <= TERMS; m++) {
                a[k][m] -= f * a[r][m];
            }
        }
    }
    for (size_t r = TERMS; r-- > 0;) {
        double s = a[r][TERMS];
        for (size_t k = r + 1; k < TERMS; k++) {
            s -= a[r][k] * c[k];
        }
        c[r] = s / a[r][r];
    }
    double misfit = 0;
    for (size_t i = 0; i < j->n; i++) {
        double d = -j->y[i];
        for (size_t k = 0; k < TERMS; k++) {
            d += c[k] * j->basis[i][k];
        }
        misfit += j->w[i] * d * d;
    }
    return misfit / (double)j->n;
}

/* Misfit of a mode; HUGE_VAL when the fit wants a negative power of it. */
static double mode_fit(job *j, const sm_mode *m, bool swept, double *c)
{
    for (size_t i = 0; i < j->n; i++) {
        cplx h = response(&j->p[i], m->hz, m->zeta, swept);
        j->basis[i][0] = h.re * h.re + h.im * h.im;
        j->basis[i][1] = h.re;
        j->basis[i][2] = h.im;
        j->basis[i][3] = 1;
    }
    double misfit = solve(j, c);
    /* |H|^2 and Im H are nearly one curve, only their sum has a sign: H = i / (2 zeta) at the top
     */
    return c[0] / (2 * m->zeta) + c[2] > 0 ? sm_max(misfit, 1e-9) : HUGE_VAL;
}

static double mode_misfit(job *j, const sm_mode *m, bool swept)
{
    double c[TERMS];
    return mode_fit(j, m, swept, c);
}

/* What a curve without a mode can do: it has as many coefficients. */
static double smooth_misfit(job *j, double hz)
{
    double c[TERMS];
    for (size_t i = 0; i < j->n; i++) {
        double u = j->p[i].hz / hz - 1;
        j->basis[i][0] = 1;
        j->basis[i][1] = u;
        j->basis[i][2] = u * u;
        j->basis[i][3] = u * u * u;
    }
    return solve(j, c);
}

static void prepare(job *j, const sm_cut *c)
{
    j->highest = 0;
    j->p = c->p;
    j->n = c->n < POINTS ? c->n : POINTS;
    for (size_t i = 0; i < j->n; i++) {
        double f2 = c->p[i].hz * c->p[i].hz;
        j->y[i] = c->p[i].p / (c->power > 0 ? f2 * f2 : 1);
        j->highest = sm_max(j->highest, j->y[i]);
    }
    for (size_t i = 0; i < j->n; i++) {
        double rel = c->p[i].error / MODEL_ERROR;
        double y = j->y[i] / j->highest;
        j->y[i] = y;
        j->w[i] = 1 / ((1 + rel * rel) * y * y + NOTCH);
    }
}

sm_cut sm_cut_window(const sm_cut *c, double lo_hz, double hi_hz)
{
    size_t from = 0;
    while (from < c->n && c->p[from].hz < lo_hz) {
        from++;
    }
    size_t to = from;
    while (to < c->n && c->p[to].hz <= hi_hz) {
        to++;
    }
    return (sm_cut){c->p + from, to - from, c->power};
}

double sm_cut_worth(sm_cut *c, const sm_mode *m)
{
    static _Thread_local job j;
    double best = 0;
    double power = 4;
    for (int k = 0; k < 2; k++) {
        c->power = k ? 0 : 4;
        prepare(&j, c);
        double with = mode_misfit(&j, m, true);
        double worth = (double)j.n * log(smooth_misfit(&j, m->hz) / with);
        /* the force with the square of the rpm is taken unless the other fits clearly better */
        if (with < HUGE_VAL && worth > (k ? 1.3 * best : 0)) {
            best = worth;
            power = c->power;
        }
    }
    c->power = power;
    return best;
}

void sm_cut_curve(const sm_cut *c, const sm_mode *m, double *p)
{
    static _Thread_local job j;
    double a[TERMS] = {0};
    prepare(&j, c);
    (void)mode_fit(&j, m, true, a);
    for (size_t i = 0; i < c->n; i++) {
        double y = 0;
        for (size_t k = 0; i < j.n && k < TERMS; k++) {
            y += a[k] * j.basis[i][k];
        }
        p[i] = sm_max(y, 0) * j.highest * (c->power > 0 ? pow(c->p[i].hz, c->power) : 1);
    }
}

/* Sum over cuts of n ln(misfit): each cut's own scatter is its scale. */
static double misfit_of(const sm_cut *cuts, size_t n, const sm_mode *m, bool swept)
{
    static _Thread_local job j;
    double sum = 0;
    if (!(m->zeta > ZETA_LEAST && m->zeta < ZETA_MOST && m->hz > 0)) {
        return HUGE_VAL;
    }
    for (size_t i = 0; i < n; i++) {
        prepare(&j, &cuts[i]);
        sum += (double)j.n * log(mode_misfit(&j, m, swept));
    }
    return sum;
}

static bool coarse_grid(const sm_cut *cuts, size_t n, sm_mode *m)
{
    double best = HUGE_VAL;
    double seed_hz = m->hz;
    for (int i = -10; i <= 10; i++) {
        for (int k = 0; k < 12; k++) {
            sm_mode at = {seed_hz * (1 + 0.008 * i), 0.008 * pow(1.36, k), 0};
            double v = misfit_of(cuts, n, &at, false);
            if (v < best) {
                best = v;
                *m = at;
            }
        }
    }
    return best < HUGE_VAL;
}

/* From the curvature of the log likelihood (overlapping points count half). */
static double zeta_error(const sm_cut *cuts, size_t n, const sm_mode *m)
{
    double h = 0.1;
    sm_mode less = {m->hz, m->zeta * exp(-h), 0};
    sm_mode more = {m->hz, m->zeta * exp(h), 0};
    double bend = misfit_of(cuts, n, &less, true) + misfit_of(cuts, n, &more, true) -
                  2 * misfit_of(cuts, n, m, true);
    return bend > 0 && bend < HUGE_VAL ? sqrt(2 * 2 / (bend / (h * h))) : HUGE_VAL;
}

bool sm_cut_fit(const sm_cut *cuts, size_t n, bool coarse, sm_mode *m)
{
    if (coarse && !coarse_grid(cuts, n, m)) {
        return false;
    }
    double best = misfit_of(cuts, n, m, true);
    double step_f = 0.004;
    double step_z = 0.15;
    for (int k = 0; k < 60 && step_f > 5e-5; k++) {
        bool moved = false;
        for (int i = 0; i < 4 && !moved; i++) {
            sm_mode at = *m;
            at.hz *= i == 0 ? 1 + step_f : i == 1 ? 1 - step_f : 1;
            at.zeta *= i == 2 ? 1 + step_z : i == 3 ? 1 / (1 + step_z) : 1;
            double v = misfit_of(cuts, n, &at, true);
            if (v < best) {
                best = v;
                *m = at;
                moved = true;
            }
        }
        step_f *= moved ? 1 : 0.5;
        step_z *= moved ? 1 : 0.5;
    }
    m->zeta_error = zeta_error(cuts, n, m);
    return best < HUGE_VAL;
}
