/*
 * Incomplete gamma and beta functions by series and Lentz's continued fraction (Abramowitz & Stegun
 * 6.5, 26.5), quantiles by a bracketed inverse interpolation of them (Chandrupatla 1997): some ten
 * evaluations, never outside the bracket.
 */
#include "stillmount/stats.h"

#include <math.h>
#include <stdbool.h>

#define EPS 1e-15
#define TINY 1e-300

double sm_normal_cdf(double z)
{
    return 0.5 * erfc(-z / sqrt(2.0));
}

typedef double (*cdf_fn)(double x, const double *par);

/* A bracket around p, then to the last digits; monotone cdf on [lo, inf). */
static double invert(cdf_fn cdf, const double *par, double p, double lo, double hi)
{
    double f_lo = cdf(lo, par) - p;
    double f_hi = cdf(hi, par) - p;
    while (f_hi < 0 && hi < 1e300) {
        lo = hi;
        f_lo = f_hi;
        hi *= 2;
        f_hi = cdf(hi, par) - p;
    }
    /* a and b bracket the root, a is the newest point, c the one before */
    double a = hi, b = lo, c = lo;
    double f_a = f_hi, f_b = f_lo, f_c = f_lo;
    double t = 0.5;
    for (int i = 0; i < 400; i++) {
        double best = fabs(f_a) < fabs(f_b) ? a : b;
        double tolerance = 0.5e-14 * fabs(best) + 1e-300;
        if (fabs(b - a) <= 2 * tolerance || f_a == 0 || f_b == 0) {
            return best;
        }
        t = fmin(fmax(t, tolerance / fabs(b - a)), 1 - tolerance / fabs(b - a));
        double x = a + t * (b - a);
        double f = cdf(x, par) - p;
        bool same = (f > 0) == (f_a > 0);
        c = same ? a : b;
        f_c = same ? f_a : f_b;
        b = same ? b : a;
        f_b = same ? f_b : f_a;
        a = x;
        f_a = f;
        double xi = (a - b) / (c - b);
        double phi = (f_a - f_b) / (f_c - f_b);
        bool smooth = phi * phi < xi && (1 - phi) * (1 - phi) < 1 - xi;
        t = smooth ? f_a / (f_b - f_a) * f_c / (f_b - f_c) +
                         (c - a) / (b - a) * f_a / (f_c - f_a) * f_b / (f_c - f_b)
                   : 0.5;
    }
    return 0.5 * (a + b);
}

static double normal_upper(double z, const double *par)
{
    (void)par;
    return sm_normal_cdf(z);
}

double sm_normal_quantile(double p)
{
    if (!(p > 0 && p < 1)) {
        return NAN;
    }
    if (p == 0.5) {
        return 0;
    }
    if (p < 0.5) { /* upper half only, so that bisection keeps relative accuracy */
        return -sm_normal_quantile(1 - p);
    }
    static _Thread_local double last_p; /* the same few levels are asked for again and again */
    static _Thread_local double last;
    if (p != last_p) {
        last = invert(normal_upper, NULL, p, 0, 1);
        last_p = p;
    }
    return last;
}

double sm_gamma_p(double a, double x)
{
    if (!(x > 0)) {
        return 0;
    }
    double front = exp(a * log(x) - x - lgamma(a));
    if (x < a + 1) { /* series */
        double term = 1 / a;
        double sum = term;
        for (double k = a + 1; fabs(term) > fabs(sum) * EPS && k < a + 100000; k += 1) {
            term *= x / k;
            sum += term;
        }
        return sum * front;
    }
    double b = x + 1 - a; /* continued fraction for the complement */
    double c = 1 / TINY;
    double d = 1 / b;
    double h = d;
    for (int i = 1; i < 100000; i++) {
        double an = -i * (i - a);
        b += 2;
        d = an * d + b;
        d = fabs(d) < TINY ? TINY : d;
        c = b + an / c;
        c = fabs(c) < TINY ? TINY : c;
        d = 1 / d;
        double delta = d * c;
        h *= delta;
        if (fabs(delta - 1) < EPS) {
            break;
        }
    }
    return 1 - front * h;
}

static double beta_fraction(double a, double b, double x)
{
    double c = 1;
    double d = 1 - (a + b) * x / (a + 1);
    d = 1 / (fabs(d) < TINY ? TINY : d);
    double h = d;
    for (int m = 1; m < 100000; m++) {
        double m2 = 2.0 * m;
        double an = m * (b - m) * x / ((a + m2 - 1) * (a + m2));
        d = 1 + an * d;
        d = 1 / (fabs(d) < TINY ? TINY : d);
        c = 1 + an / c;
        c = fabs(c) < TINY ? TINY : c;
        h *= d * c;
        an = -(a + m) * (a + b + m) * x / ((a + m2) * (a + m2 + 1));
        d = 1 + an * d;
        d = 1 / (fabs(d) < TINY ? TINY : d);
        c = 1 + an / c;
        c = fabs(c) < TINY ? TINY : c;
        double delta = d * c;
        h *= delta;
        if (fabs(delta - 1) < EPS) {
            break;
        }
    }
    return h;
}

double sm_beta_i(double a, double b, double x)
{
    if (x <= 0) {
        return 0;
    }
    if (x >= 1) {
        return 1;
    }
    double front = exp(lgamma(a + b) - lgamma(a) - lgamma(b) + a * log(x) + b * log1p(-x));
    return x < (a + 1) / (a + b + 2) ? front * beta_fraction(a, b, x) / a
                                     : 1 - front * beta_fraction(b, a, 1 - x) / b;
}

double sm_chi2_cdf(double x, double nu)
{
    return sm_gamma_p(nu / 2, x / 2);
}

static double chi2_par(double x, const double *par)
{
    return sm_chi2_cdf(x, par[0]);
}

/*
 * From the guess of Wilson and Hilferty (1931) by Halley's steps, which triple the number of right
 * digits; NAN when the guess is too far off for that.
 */
static double chi2_by_steps(double p, double nu)
{
    double v = 2 / (9 * nu);
    double x = nu * pow(1 - v + sm_normal_quantile(p) * sqrt(v), 3);
    for (int i = 0; i < 6 && x > 0; i++) {
        double density = exp((nu / 2 - 1) * log(x / 2) - x / 2 - lgamma(nu / 2)) / 2;
        double step = (sm_chi2_cdf(x, nu) - p) / density;
        double bend = ((nu / 2 - 1) / x - 0.5) * step / 2;
        step /= fabs(bend) < 0.5 ? 1 - bend : 1;
        x -= step;
        if (fabs(step) <= 1e-6 * x) { /* the next step would be some 1e-18 */
            return x;
        }
    }
    return NAN;
}

double sm_chi2_quantile(double p, double nu)
{
    if (!(p > 0 && p < 1 && nu > 0)) {
        return NAN;
    }
    double x = nu > 4 ? chi2_by_steps(p, nu) : (double)NAN;
    if (x > 0) {
        return x;
    }
    return invert(chi2_par, &nu, p, 0, nu + 1);
}

static double t_par(double t, const double *par)
{
    return 1 - 0.5 * sm_beta_i(par[0] / 2, 0.5, par[0] / (par[0] + t * t));
}

double sm_t_quantile(double p, double nu)
{
    if (!(p > 0 && p < 1 && nu > 0)) {
        return NAN;
    }
    if (p == 0.5) {
        return 0;
    }
    return p > 0.5 ? invert(t_par, &nu, p, 0, 1) : -sm_t_quantile(1 - p, nu);
}

double sm_f_cdf(double x, double nu1, double nu2)
{
    return x > 0 ? sm_beta_i(nu1 / 2, nu2 / 2, nu1 * x / (nu1 * x + nu2)) : 0;
}

static double f_par(double x, const double *par)
{
    return sm_f_cdf(x, par[0], par[1]);
}

double sm_f_quantile(double p, double nu1, double nu2)
{
    if (!(p > 0 && p < 1 && nu1 > 0 && nu2 > 0)) {
        return NAN;
    }
    double par[2] = {nu1, nu2};
    return invert(f_par, par, p, 0, 1);
}
