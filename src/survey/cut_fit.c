/* One mode and a direct path through an order cut. */
#include "survey/cut_fit.h"

#include "core/util.h"
#include "core/wide.h"

#include <math.h>
#include <string.h>

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
    double w[POINTS];      /* from the neighbours' level: a point's own would favour low ones */
    double per_hz[POINTS]; /* reciprocal frequencies */
    double re[POINTS];     /* of the response in work */
    double im[POINTS];
    double basis[TERMS][POINTS];
    double highest; /* y is in units of this */
} job;

SM_WIDE_INLINE cplx reciprocal(cplx a)
{
    double d = 1 / (a.re * a.re + a.im * a.im);
    return (cplx){a.re * d, -a.im * d};
}

/* int_0^inf exp(-z t + a t^2) dt = 1/(z - 2a/(z - 4a/(z - 6a/...))), Laplace. */
SM_WIDE_INLINE cplx swept_pole(cplx z, cplx a)
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

/* Response of the mode to a unit force whose acceleration is seen, swept past: w^2 / (wn^2 - w^2 +
 * ...) from its two poles. */
SM_WIDE static void respond_swept(job *j, double hz, double zeta)
{
    double wn = 2 * SM_PI * hz;
    double wd = wn * sqrt(1 - zeta * zeta);
    for (size_t i = 0; i < j->n; i++) {
        const sm_cut_point *p = &j->p[i];
        double w = 2 * SM_PI * p->hz;
        cplx a = {-2 * (SM_PI * p->blur_hz) * (SM_PI * p->blur_hz), SM_PI * p->rate};
        cplx near = swept_pole((cplx){zeta * wn, w - wd}, a);
        cplx far = reciprocal((cplx){zeta * wn, w + wd});
        /* (near - far) / (2 i wd) */
        double k = -w * w / (2 * wd);
        j->re[i] = k * (near.im - far.im);
        j->im[i] = -k * (near.re - far.re);
    }
}

/* The same at rest, with u = wn / w: 1 / (1 - u^2 - 2 i zeta u). */
SM_WIDE static void respond_at_rest(job *j, double hz, double zeta)
{
    for (size_t i = 0; i < j->n; i++) {
        double u = hz * j->per_hz[i];
        double re = 1 - u * u;
        double im = 2 * zeta * u;
        double d = 1 / (re * re + im * im);
        j->re[i] = re * d;
        j->im[i] = im * d;
    }
}

/* Four neighbouring values; what lies beyond the last point is zero. */
SM_WIDE_INLINE void load(sm_v4 *out, const double *v)
{
    memcpy(out, v, sizeof *out);
}

/* Normal equations: the upper triangle of sum w b b', and sum w b y in the last column. */
SM_WIDE static void add_up(const job *j, double a[TERMS][TERMS + 1])
{
    for (size_t r = 0; r < TERMS; r++) {
        sm_v4 sum[TERMS + 1] = {{0}};
        for (size_t i = 0; i < j->n; i += 4) {
            sm_v4 w;
            sm_v4 b;
            load(&w, j->w + i);
            load(&b, j->basis[r] + i);
            w *= b;
            for (size_t k = r; k < TERMS; k++) {
                load(&b, j->basis[k] + i);
                sum[k] += w * b;
            }
            load(&b, j->y + i);
            sum[TERMS] += w * b;
        }
        for (size_t k = r; k <= TERMS; k++) {
            a[r][k] = sm_across(sum[k]);
        }
    }
}

/* Sum of the squared differences between the basis times c and y, weighted. */
SM_WIDE static double misfit_sum(const job *j, const double *c)
{
    sm_v4 sum = {0};
    for (size_t i = 0; i < j->n; i += 4) {
        sm_v4 d;
        sm_v4 w;
        load(&d, j->y + i);
        load(&w, j->w + i);
        for (size_t k = 0; k < TERMS; k++) {
            sm_v4 b;
            load(&b, j->basis[k] + i);
            d -= c[k] * b;
        }
        sum += w * d * d;
    }
    return sm_across(sum);
}

/* Weighted least squares of y on the basis; the relative misfit, coefficients in c. */
static double solve(const job *j, double *c)
{
    double a[TERMS][TERMS + 1];
    add_up(j, a);
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
    return misfit_sum(j, c) / (double)j->n;
}

/* Misfit of a mode; *positive: false when the fit wants a negative power of it. */
static double mode_fit(job *j, const sm_mode *m, bool swept, double *c, bool *positive)
{
    if (swept) {
        respond_swept(j, m->hz, m->zeta);
    } else {
        respond_at_rest(j, m->hz, m->zeta);
    }
    for (size_t i = 0; i < j->n; i++) {
        j->basis[0][i] = j->re[i] * j->re[i] + j->im[i] * j->im[i];
        j->basis[1][i] = j->re[i];
        j->basis[2][i] = j->im[i];
        j->basis[3][i] = 1;
    }
    double misfit = solve(j, c);
    /* |H|^2 and Im H are nearly one curve, only their sum has a sign: H = i / (2 zeta) at the top
     */
    *positive = c[0] / (2 * m->zeta) + c[2] > 0;
    return sm_max(misfit, 1e-9);
}

/* HUGE_VAL for a negative mode. */
static double mode_misfit(job *j, const sm_mode *m, bool swept)
{
    double c[TERMS];
    bool positive;
    double misfit = mode_fit(j, m, swept, c, &positive);
    return positive ? misfit : HUGE_VAL;
}

/* What a curve without a mode can do: it has as many coefficients. */
static double smooth_misfit(job *j, double hz)
{
    double c[TERMS];
    for (size_t i = 0; i < j->n; i++) {
        double u = j->p[i].hz / hz - 1;
        j->basis[0][i] = 1;
        j->basis[1][i] = u;
        j->basis[2][i] = u * u;
        j->basis[3][i] = u * u * u;
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
        j->per_hz[i] = 1 / c->p[i].hz;
        j->y[i] = c->p[i].p / (c->power > 0 ? f2 * f2 : 1);
        j->highest = sm_max(j->highest, j->y[i]);
    }
    for (size_t i = 0; i < j->n; i++) {
        const sm_cut_point *p = &c->p[i];
        double f2 = p->hz * p->hz;
        double unit = 1 / (j->highest * (c->power > 0 ? f2 * f2 : 1));
        double level = p->level * unit;
        double noise = p->noise * unit;
        /* of |A + noise|^2; two overlapping windows count as one */
        double spread = (4 * level + 2 * noise) * noise / p->n;
        j->y[i] /= j->highest;
        j->w[i] = 1 / (level * level + spread / (MODEL_ERROR * MODEL_ERROR) + NOTCH);
    }
    for (size_t i = j->n; i % 4; i++) { /* sums go by fours: what is beyond must weigh nothing */
        j->y[i] = 0;
        j->w[i] = 0;
        for (size_t k = 0; k < TERMS; k++) {
            j->basis[k][i] = 0;
        }
    }
}

double sm_shown_top_hz(const sm_survey_result *v, size_t channel)
{
    double bandwidth = v->channels[channel].info.bandwidth_hz;
    double top = 0.4 * v->rate_hz;
    return bandwidth > 0 ? sm_min(top, bandwidth) : top;
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

/* Whether there is a mode is asked of points that stand by themselves; returns how many they are.
 */
static double strong_only(job *j)
{
    double n = 0;
    for (size_t i = 0; i < j->n; i++) {
        n += j->p[i].strong;
        j->w[i] *= j->p[i].strong;
    }
    return n;
}

double sm_cut_worth(sm_cut *c, const sm_mode *m)
{
    static _Thread_local job j;
    double best = 0;
    double power = 4;
    for (int k = 0; k < 2; k++) {
        c->power = k ? 0 : 4;
        prepare(&j, c);
        double n = strong_only(&j);
        double with = mode_misfit(&j, m, true);
        double worth = n * log(smooth_misfit(&j, m->hz) / with);
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
    bool positive;
    prepare(&j, c);
    (void)mode_fit(&j, m, true, a, &positive);
    for (size_t i = 0; i < c->n; i++) {
        double y = 0;
        for (size_t k = 0; i < j.n && k < TERMS; k++) {
            y += a[k] * j.basis[k][i];
        }
        p[i] = sm_max(y, 0) * j.highest * (c->power > 0 ? pow(c->p[i].hz, c->power) : 1);
    }
}

/* Cuts to be fitted together; a single one is prepared once. */
typedef struct task {
    const sm_cut *cuts;
    size_t n;
    job *j;
} task;

static task task_of(const sm_cut *cuts, size_t n)
{
    static _Thread_local job j;
    if (n == 1) {
        prepare(&j, cuts);
    }
    return (task){cuts, n, &j};
}

/* Sum over cuts of n ln(misfit): each cut's own scatter is its scale. */
static double misfit_of(const task *t, const sm_mode *m, bool swept)
{
    double sum = 0;
    if (!(m->zeta > ZETA_LEAST && m->zeta < ZETA_MOST && m->hz > 0)) {
        return HUGE_VAL;
    }
    for (size_t i = 0; i < t->n; i++) {
        if (t->n > 1) {
            prepare(t->j, &t->cuts[i]);
        }
        double c[TERMS];
        bool positive;
        double misfit = mode_fit(t->j, m, swept, c, &positive);
        if (!positive && t->n == 1) { /* one of many is no wall: it was asked before */
            return HUGE_VAL;
        }
        sum += (double)t->j->n * log(misfit);
    }
    return sum;
}

static bool coarse_grid(const task *t, sm_mode *m)
{
    double best = HUGE_VAL;
    double seed_hz = m->hz;
    for (int i = -10; i <= 10; i++) {
        for (int k = 0; k < 12; k++) {
            sm_mode at = {seed_hz * (1 + 0.008 * i), 0.008 * pow(1.36, k), 0};
            double v = misfit_of(t, &at, false);
            if (v < best) {
                best = v;
                *m = at;
            }
        }
    }
    return best < HUGE_VAL;
}

/* From the curvature of the log likelihood (overlapping points count half). */
static double zeta_error(const task *t, const sm_mode *m)
{
    double h = 0.1;
    sm_mode less = {m->hz, m->zeta * exp(-h), 0};
    sm_mode more = {m->hz, m->zeta * exp(h), 0};
    double bend = misfit_of(t, &less, true) + misfit_of(t, &more, true) - 2 * misfit_of(t, m, true);
    return bend > 0 && bend < HUGE_VAL ? sqrt(2 * 2 / (bend / (h * h))) : HUGE_VAL;
}

bool sm_cut_fit(const sm_cut *cuts, size_t n, bool coarse, sm_mode *m)
{
    const task whole = task_of(cuts, n);
    const task *t = &whole;
    if (coarse && !coarse_grid(t, m)) {
        return false;
    }
    double best = misfit_of(t, m, true);
    double step_f = 0.004;
    double step_z = 0.15;
    for (int k = 0; k < 60 && step_f > 5e-5; k++) {
        bool moved = false;
        for (int i = 0; i < 4 && !moved; i++) {
            sm_mode at = *m;
            at.hz *= i == 0 ? 1 + step_f : i == 1 ? 1 - step_f : 1;
            at.zeta *= i == 2 ? 1 + step_z : i == 3 ? 1 / (1 + step_z) : 1;
            double v = misfit_of(t, &at, true);
            if (v < best) {
                best = v;
                *m = at;
                moved = true;
            }
        }
        step_f *= moved ? 1 : 0.5;
        step_z *= moved ? 1 : 0.5;
    }
    m->zeta_error = zeta_error(t, m);
    return best < HUGE_VAL;
}
