/*
 * One mass on a spring and damper, fitted to a measured transmissibility: Levenberg-Marquardt over
 * ln natural frequency, ln damping and ln gain, from the best of a grid of starts. Noise that the
 * places do not share moves the magnitude (H1 reads low, H2 high), never the phase on the average:
 * so phases count at any coherence above chance, magnitudes less the wider H1 and H2 lie apart.
 */
#include "core/alloc.h"
#include "core/util.h"
#include "stillmount/compare.h"

#include <complex.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#define Z95 1.959963984540054
#define MODEL_ERROR 0.02 /* of |H|: no real mount is one spring; keeps sharp bins from ruling */
#define SENSOR_ERROR                                                                               \
    0.025             /* of the ratio, shared by all points: sensors feel 1 to 3 % of the other */
                      /* axes (common practice, no source), whose lines move with this one */
#define FIT_ABOVE 6.0 /* fitted up to this many natural frequencies: cables and structure */
#define LEAST_POINTS 8
#define FIT_COHERENCE 0.25 /* below: phases say little, and leakage is no longer small */
#define WIDEST 0.08        /* half of the interval of ln natural frequency; wider is no answer */
#define BELOW 1.6 /* a resonance this far under the lowest point is still told from above */

enum { FREQUENCY, DAMPING, GAIN, N_PAR, KERNEL = 9 };

typedef struct sample {
    double hz;
    double complex ln_h; /* midway between H1 and H2: nobody knows which sensor is the noisier */
    double sigma_ln;     /* of the magnitude */
    double sigma_rad;    /* of the phase */
    double apart;        /* in ln, from midway to H2 */
    bool trusted;
} sample;

typedef struct fitter {
    sample *s;
    size_t n;
    double bin_hz;
    double kernel[KERNEL]; /* |W|^2 of Hann at offsets -2..2 bins, sum 1 */
} fitter;

/* E G_xy / E G_xx of a flat input is T convolved with |W|^2 of the window: its smoothing. */
static void make_kernel(double *kernel)
{
    double sum = 0;
    for (int i = 0; i < KERNEL; i++) {
        double d = 4.0 * (i - KERNEL / 2) / (KERNEL - 1);
        double sinc = fabs(d) < 1e-9 ? 1 : sin(SM_PI * d) / (SM_PI * d);
        double a = fabs(fabs(d) - 1) < 1e-9 ? 0.5 : sinc / (1 - d * d);
        kernel[i] = a * a;
        sum += kernel[i];
    }
    for (int i = 0; i < KERNEL; i++) {
        kernel[i] /= sum;
    }
}

static double complex ratio_at(double hz, double natural_hz, double damping)
{
    double u = hz / natural_hz;
    double complex k = CMPLX(1, 2 * damping * u);
    return k / (k - u * u);
}

static double complex model(const fitter *f, double hz, const double *par)
{
    double natural_hz = exp(par[FREQUENCY]);
    double damping = exp(par[DAMPING]);
    double complex sum = 0;
    for (int i = 0; i < KERNEL; i++) {
        double d = 4.0 * (i - KERNEL / 2) / (KERNEL - 1) * f->bin_hz;
        sum += f->kernel[i] * ratio_at(fabs(hz + d), natural_hz, damping);
    }
    return sum;
}

/* ln magnitude and phase of measured against model, each in its own standard errors. */
static double complex residual(const fitter *f, const sample *s, const double *par)
{
    double complex m = model(f, s->hz, par);
    double magnitude = creal(s->ln_h) - log(cabs(m)) - par[GAIN];
    double phase = remainder(cimag(s->ln_h) - carg(m), 2 * SM_PI);
    return CMPLX(magnitude / s->sigma_ln, phase / s->sigma_rad);
}

static double cost(const fitter *f, const double *par)
{
    double sum = 0;
    for (size_t i = 0; i < f->n; i++) {
        double r = cabs(residual(f, &f->s[i], par));
        sum += r < 4 ? r * r : 8 * r - 16; /* Huber: a line of its own does not rule */
    }
    return sum;
}

static bool solve(double a[N_PAR][N_PAR], double *b)
{
    for (int c = 0; c < N_PAR; c++) {
        if (!(a[c][c] > 1e-300)) {
            return false;
        }
        for (int i = c + 1; i < N_PAR; i++) {
            double m = a[i][c] / a[c][c];
            for (int j = c; j < N_PAR; j++) {
                a[i][j] -= m * a[c][j];
            }
            b[i] -= m * b[c];
        }
    }
    for (int i = N_PAR - 1; i >= 0; i--) {
        for (int j = i + 1; j < N_PAR; j++) {
            b[i] -= a[i][j] * b[j];
        }
        b[i] /= a[i][i];
    }
    return true;
}

/* J^T W J and J^T W r by central differences. */
static void normal(const fitter *f, const double *par, double a[N_PAR][N_PAR], double *b)
{
    memset(a, 0, sizeof(double) * N_PAR * N_PAR);
    memset(b, 0, sizeof(double) * N_PAR);
    const double step = 1e-5;
    for (size_t i = 0; i < f->n; i++) {
        double complex r = residual(f, &f->s[i], par);
        double weight = cabs(r) < 4 ? 1 : 4 / cabs(r);
        double complex d[N_PAR];
        for (int p = 0; p < N_PAR; p++) {
            double up[N_PAR];
            double down[N_PAR];
            memcpy(up, par, sizeof up);
            memcpy(down, par, sizeof down);
            up[p] += step;
            down[p] -= step;
            double complex step_r = residual(f, &f->s[i], down) - residual(f, &f->s[i], up);
            d[p] = step_r / (2 * step); /* of the model: the residual falls as it rises */
        }
        for (int p = 0; p < N_PAR; p++) {
            b[p] += weight * creal(conj(d[p]) * r);
            for (int q = 0; q < N_PAR; q++) {
                a[p][q] += weight * creal(conj(d[p]) * d[q]);
            }
        }
    }
}

static double refine(const fitter *f, double *par)
{
    double best = cost(f, par);
    double lambda = 1e-2;
    for (int it = 0; it < 60 && lambda < 1e8; it++) {
        double a[N_PAR][N_PAR];
        double b[N_PAR];
        normal(f, par, a, b);
        for (int p = 0; p < N_PAR; p++) {
            a[p][p] *= 1 + lambda;
        }
        double next[N_PAR];
        if (!solve(a, b)) {
            break;
        }
        for (int p = 0; p < N_PAR; p++) {
            next[p] = par[p] + sm_max(-0.5, sm_min(0.5, b[p]));
        }
        next[DAMPING] = sm_max(log(1e-3), sm_min(log(3), next[DAMPING]));
        double c = cost(f, next);
        if (c < best) {
            double gain = best - c;
            memcpy(par, next, sizeof next);
            best = c;
            lambda *= 0.2;
            if (gain < 1e-9 * (1 + best)) {
                break;
            }
        } else {
            lambda *= 6;
        }
    }
    return best;
}

static double start_and_refine(const fitter *f, double lo_hz, double hi_hz, double *par)
{
    static const double dampings[] = {0.03, 0.1, 0.3};
    double starts[3][N_PAR] = {{0}};
    double costs[3] = {(double)INFINITY, (double)INFINITY, (double)INFINITY};
    for (double hz = lo_hz; hz <= hi_hz; hz *= 1.06) {
        for (int k = 0; k < 3; k++) {
            double p[N_PAR] = {log(hz), log(dampings[k]), 0};
            double c = cost(f, p);
            for (int i = 0; i < 3; i++) {
                if (c < costs[i]) {
                    for (int j = 2; j > i; j--) {
                        costs[j] = costs[j - 1];
                        memcpy(starts[j], starts[j - 1], sizeof starts[j]);
                    }
                    costs[i] = c;
                    memcpy(starts[i], p, sizeof p);
                    break;
                }
            }
        }
    }
    double best = (double)INFINITY;
    for (int i = 0; i < 3; i++) {
        if (isfinite(costs[i])) {
            double c = refine(f, starts[i]);
            if (c < best) {
                best = c;
                memcpy(par, starts[i], sizeof starts[i]);
            }
        }
    }
    return best;
}

/* Cost of "the two sensors move alike", with the best real gain. */
static double flat_cost(const fitter *f)
{
    double num = 0;
    double den = 0;
    for (size_t i = 0; i < f->n; i++) {
        const sample *s = &f->s[i];
        double w = 1 / (s->sigma_ln * s->sigma_ln);
        num += w * creal(s->ln_h);
        den += w;
    }
    double sum = 0;
    for (size_t i = 0; i < f->n; i++) {
        const sample *s = &f->s[i];
        double magnitude = creal(s->ln_h) - num / den;
        double r =
            hypot(magnitude / s->sigma_ln, remainder(cimag(s->ln_h), 2 * SM_PI) / s->sigma_rad);
        sum += r < 4 ? r * r : 8 * r - 16;
    }
    return sum;
}

static void interval(double value, double se_ln, double ci[2])
{
    ci[0] = value * exp(-Z95 * se_ln);
    ci[1] = value * exp(Z95 * se_ln);
}

static double rms_misfit(const fitter *f, const double *par)
{
    double sum = 0;
    double n = 0;
    for (size_t i = 0; i < f->n; i++) {
        const sample *s = &f->s[i];
        double complex r = residual(f, s, par);
        double size = hypot(creal(r) * s->sigma_ln, cimag(r) * s->sigma_rad);
        double w = s->trusted ? 1 : 1e-3; /* those that are shown, if there are any */
        sum += w * sm_min(size * size, 1);
        n += w;
    }
    return sqrt(sum / n);
}

/* How far the parameters move when all the noise sits in one sensor instead of half in each. */
static void lean(fitter *f, const double *par, double *shift)
{
    double other[N_PAR];
    memcpy(other, par, sizeof other);
    for (size_t i = 0; i < f->n; i++) {
        f->s[i].ln_h += f->s[i].apart;
    }
    (void)refine(f, other);
    for (size_t i = 0; i < f->n; i++) {
        f->s[i].ln_h -= f->s[i].apart;
    }
    for (int p = 0; p < N_PAR; p++) {
        shift[p] = fabs(other[p] - par[p]);
    }
}

/*
 * Fills the numbers; standard errors from the curvature, widened when the fit is worse than the
 * points' own errors, by not knowing which sensor is the noisier (even chances: / sqrt 3), and by
 * what the sensors feel of other axes. That does not average out: a part of the ratio in its phase
 * moves the frequency by the damping ratio times that part, in its size the damping by that part.
 */
static bool describe(fitter *f, const double *par, double best, sm_mount_fit *out)
{
    double a[N_PAR][N_PAR];
    double b[N_PAR];
    double se[N_PAR];
    double shift[N_PAR];
    double dof = sm_max(2 * (double)f->n - N_PAR, 1);
    lean(f, par, shift);
    for (int p = 0; p < N_PAR; p++) {
        normal(f, par, a, b);
        double e[N_PAR] = {0};
        e[p] = 1;
        if (!solve(a, e)) {
            return false;
        }
        se[p] = hypot(sqrt(sm_max(e[p], 0) * sm_max(1, best / dof)), shift[p] / sqrt(3.0));
    }
    se[FREQUENCY] = hypot(se[FREQUENCY], SENSOR_ERROR * exp(par[DAMPING]));
    se[DAMPING] = hypot(se[DAMPING], SENSOR_ERROR);
    out->natural_hz = exp(par[FREQUENCY]);
    out->damping_ratio = exp(par[DAMPING]);
    out->gain = exp(par[GAIN]);
    out->isolates_above_hz = out->natural_hz * sqrt(2.0);
    interval(out->natural_hz, se[FREQUENCY], out->natural_ci);
    interval(out->damping_ratio, se[DAMPING], out->damping_ci);
    interval(out->isolates_above_hz, se[FREQUENCY], out->isolates_ci);
    out->misfit = rms_misfit(f, par);
    return isfinite(se[FREQUENCY]) && isfinite(se[DAMPING]);
}

static void refuse(sm_mount_fit *out, const char *text)
{
    out->found = false;
    out->code = "no-isolator";
    (void)snprintf(out->reason, sizeof out->reason, "%s", text);
}

static void keep_below(fitter *f, double hz)
{
    size_t n = 0;
    for (size_t i = 0; i < f->n; i++) {
        if (f->s[i].hz <= hz) {
            f->s[n++] = f->s[i];
        }
    }
    f->n = n;
}

static void judge(const fitter *f, double lo_hz, double hi_hz, double best, double flat,
                  sm_mount_fit *out)
{
    size_t n_trusted = 0;
    for (size_t i = 0; i < f->n; i++) {
        n_trusted += f->s[i].trusted;
    }
    double spread = log(out->natural_ci[1] / out->natural_ci[0]) / 2;
    if (out->natural_hz < lo_hz / BELOW || out->natural_hz > hi_hz / 1.2) {
        refuse(out, "no resonance inside the frequencies that the run shows clearly");
    } else if (best > 0.3 * flat) {
        refuse(out, "the two places move too much alike to tell a spring between them");
    } else if (out->misfit > (n_trusted < LEAST_POINTS ? 0.8 : 0.5) || f->n < LEAST_POINTS) {
        refuse(out, "the ratio does not follow one mass on one spring");
    } else if (!(spread <= WIDEST)) {
        refuse(out, "");
        (void)snprintf(out->reason, sizeof out->reason,
                       "too noisy around the resonance: the natural frequency lies somewhere "
                       "between %.3g and %.3g Hz; run up more slowly, or several times in one log",
                       out->natural_ci[0], out->natural_ci[1]);
    } else {
        out->found = true;
    }
}

static void fit(fitter *f, sm_mount_fit *out)
{
    if (f->n < LEAST_POINTS) {
        refuse(out, "too few frequencies where the two sensors agree (coherence 0.8 or more)");
        return;
    }
    double lo_hz = f->s[0].hz;
    double hi_hz = f->s[f->n - 1].hz;
    double par[N_PAR] = {0};
    double best = start_and_refine(f, lo_hz, hi_hz, par);
    if (isfinite(best)) {
        keep_below(f, FIT_ABOVE * exp(par[0]));
        best = f->n >= LEAST_POINTS ? refine(f, par) : (double)INFINITY;
    }
    double flat = flat_cost(f);
    if (!isfinite(best) || !describe(f, par, best, out)) {
        refuse(out, "the ratio does not follow one mass on one spring");
        return;
    }
    judge(f, lo_hz, hi_hz, best, flat, out);
}

/* How many points share the noise of point i: their information counts once. */
static double shared(const sm_ratio_point *points, size_t n, size_t i)
{
    size_t lo = i > 0 ? i - 1 : 0;
    size_t hi = i + 1 < n ? i + 1 : i;
    double spacing = hi > lo ? (points[hi].hz - points[lo].hz) / (double)(hi - lo) : 0;
    return spacing > 0 ? sm_max(1, points[i].shares_hz / spacing) : 1;
}

/* How the two sensors might stand to each other. */
typedef enum view { STRAIGHT, EXCHANGED, REVERSED } view;

static void load(fitter *f, const sm_ratio_point *points, size_t n, view as)
{
    f->n = 0;
    for (size_t i = 0; i < n; i++) {
        const sm_ratio_point *p = &points[i];
        double c = p->coherence;
        double magnitude = hypot(p->h1[0], p->h1[1]);
        if (!p->above_chance || c < FIT_COHERENCE || !(magnitude > 0)) {
            continue;
        }
        double random2 = (1 - c) / (2 * c * p->averages) + MODEL_ERROR * MODEL_ERROR;
        random2 *= shared(points, n, i);
        double apart = log(c) / 2; /* from midway to H1 or H2 */
        double sign = as == REVERSED ? -1 : 1;
        bool inverse = as == EXCHANGED;
        double complex ln_h =
            CMPLX(log(magnitude) - apart, atan2(sign * p->h1[1], sign * p->h1[0]));
        sample s = {.hz = p->hz,
                    .ln_h = inverse ? -ln_h : ln_h, /* then the other sensor is the input */
                    .sigma_ln = sqrt(random2 + apart * apart),
                    .sigma_rad = sqrt(random2),
                    .apart = inverse ? apart : -apart,
                    .trusted = p->trusted};
        f->s[f->n++] = s;
    }
}

/* One reading under two names: no two sensors agree to nine digits at every frequency. */
static bool copied(const sm_ratio_point *points, size_t n)
{
    size_t alike = 0;
    for (size_t i = 0; i < n; i++) {
        const sm_ratio_point *p = &points[i];
        double off = hypot(p->h1[0] - points[0].h1[0], p->h1[1] - points[0].h1[1]);
        alike += p->coherence > 1 - 1e-9 && off < 1e-6 * hypot(p->h1[0], p->h1[1]);
    }
    return n >= LEAST_POINTS && alike == n;
}

/* No mount as they stand: is there one when they are exchanged, or one is upside down? */
static void look_otherwise(fitter *f, const sm_ratio_point *points, size_t n, sm_mount_fit *out)
{
    sm_mount_fit other = {0};
    load(f, points, n, EXCHANGED);
    fit(f, &other);
    if (other.found && other.damping_ratio < 0.5) {
        refuse(out, "the ratio falls below 1 at the resonance and rises above it: from and to look "
                    "exchanged");
        out->code = "places-exchanged";
        out->swapped = true;
        return;
    }
    other = (sm_mount_fit){0};
    load(f, points, n, REVERSED);
    fit(f, &other);
    if (other.found) {
        refuse(out, "the two move against each other where they should move together: one sensor "
                    "is upside down; set invert = yes for its column in the channels file");
        out->code = "sensor-reversed";
    }
}

sm_status sm_mount_fit_compute(const sm_ratio_point *points, size_t n, double bin_hz,
                               sm_mount_fit *out)
{
    *out = (sm_mount_fit){0};
    if (copied(points, n)) {
        refuse(out, "both columns hold the same readings: one sensor under two names; check the "
                    "columns and the channels file");
        out->code = "sensor-copied";
        return SM_OK;
    }
    fitter f = {.bin_hz = bin_hz};
    f.s = sm_alloc_array(n ? n : 1, sizeof *f.s);
    if (!f.s) {
        return SM_E_NOMEM;
    }
    make_kernel(f.kernel);
    load(&f, points, n, STRAIGHT);
    fit(&f, out);
    if (!out->found) {
        look_otherwise(&f, points, n, out);
    }
    sm_free(f.s);
    return SM_OK;
}
