/* Frames against their own cube, between the orders. */
#include "survey/bend.h"

#include "core/alloc.h"
#include "core/util.h"
#include "core/wide.h"

#include <math.h>
#include <string.h>

enum { TAKEN_MOST = 12 }; /* frames of a class */
enum { TAKEN_LEAST = 5, WANTED = 6, CLASSES_MOST = 3 };
enum { BINS_LEAST = 8, LOBE = 2, SKIRT = 3 };
#define CLASS_DB 3.0
#define CLASS_ZERO 40 /* of mean square 1 */
#define LOUD_SHARE 0.125
#define FROM_HZ 5.0 /* below, the aircraft rocks */
#define TOP_SHARE 0.4
#define SPEED_OFF 0.003 /* as in the comb check */
#define RPM_SPAN 0.875  /* of the frame between its first and last rpm */

/* Every half order of the crank, every order of the propeller, and the table's. */
static sm_status list_orders(sm_bend *b, const sm_powertrain *p, const sm_order_table *orders)
{
    enum { HALVES = 128, PROPS = 128 };
    b->order = sm_alloc_array(HALVES + PROPS + orders->n, sizeof *b->order);
    if (!b->order) {
        return SM_E_NOMEM;
    }
    double crank = sm_powertrain_reference_per(p, SM_SHAFT_CRANK);
    double prop = sm_powertrain_reference_per(p, SM_SHAFT_PROP);
    for (int k = 1; k <= HALVES && crank > 0; k++) {
        b->order[b->n_orders++] = 0.5 * k * crank;
    }
    for (int k = 1; k <= PROPS && prop > 0 && fabs(prop - crank) > 1e-9; k++) {
        b->order[b->n_orders++] = k * prop;
    }
    for (size_t k = 0; k < orders->n; k++) {
        b->order[b->n_orders++] = sm_ratio_value(orders->items[k].ratio);
    }
    return SM_OK;
}

sm_status sm_bend_open(sm_bend *b, const sm_powertrain *p, const sm_order_table *orders,
                       size_t n_channels, size_t n_frame, double rate_hz, double psd_scale)
{
    *b = (sm_bend){.n_frame = n_frame, .bin_hz = rate_hz / (double)n_frame};
    b->n_bins = (size_t)(TOP_SHARE * (double)n_frame);
    b->lobe_scale = 2 * psd_scale * b->bin_hz;
    b->channels = sm_alloc_array(n_channels + 1, sizeof *b->channels);
    b->cube = sm_fft_buffer(n_frame);
    b->spectrum = sm_fft_buffer(n_frame + 2);
    b->lobe = sm_alloc_array(b->n_bins + 1, sizeof *b->lobe);
    b->near = sm_alloc_array(b->n_bins + 1, sizeof *b->near);
    bool good = b->channels && b->cube && b->spectrum && b->lobe && b->near;
    return good ? list_orders(b, p, orders) : SM_E_NOMEM;
}

void sm_bend_close(sm_bend *b)
{
    sm_free(b->channels);
    sm_free(b->order);
    sm_fft_buffer_free(b->cube);
    sm_fft_buffer_free(b->spectrum);
    sm_free(b->lobe);
    sm_free(b->near);
    *b = (sm_bend){0};
}

/* Marks the bins where an order may show; returns how many are left. */
static size_t mark_orders(sm_bend *b, double shaft_hz, double change_hz)
{
    memset(b->near, 0, b->n_bins);
    for (size_t i = 0; i < b->n_orders; i++) {
        double at = b->order[i] * shaft_hz / b->bin_hz;
        double smear = b->order[i] * fabs(change_hz) / RPM_SPAN / b->bin_hz;
        double half = SKIRT + 0.5 * smear + SPEED_OFF * at;
        double lo = sm_max(ceil(at - half), 0);
        double hi = sm_min(floor(at + half), (double)b->n_bins - 1);
        for (double k = lo; k <= hi; k++) {
            b->near[(size_t)k] = 1;
        }
    }
    size_t first = (size_t)sm_max(ceil(FROM_HZ / b->bin_hz), LOBE + SKIRT);
    size_t left = 0;
    for (size_t k = 0; k < b->n_bins; k++) {
        b->near[k] |= k < first || k + LOBE + SKIRT >= b->n_bins;
        left += !b->near[k];
    }
    return left;
}

SM_WIDE static void cube_of(const double *window, const double *x, double mean, double per_s,
                            size_t n, double *restrict out)
{
    for (size_t i = 0; i < n; i++) {
        double z = (x[i] - mean) * per_s;
        out[i] = window[i] * z * (z * z - 3);
    }
}

/*
 * Sums between the orders. A line that stands there by itself (an accessory's) is in its own cube
 * with -3/4 of its squared peak, which is taken out.
 */
static void compare(sm_bend *b, const double *spectrum, const double *power, double p,
                    sm_bend_class *sums)
{
    double per_s = 1 / sqrt(p);
    double t = 0;
    double d = 0;
    double v = 0;
    for (size_t k = LOBE; k + LOBE < b->n_bins; k++) {
        b->lobe[k] = power[k - 2] + power[k - 1] + power[k] + power[k + 1] + power[k + 2];
    }
    for (size_t k = LOBE + SKIRT; k + LOBE + SKIRT < b->n_bins; k++) {
        if (b->near[k]) {
            continue;
        }
        double lobe = 0;
        for (size_t j = k - SKIRT; j <= k + SKIRT; j++) {
            lobe = sm_max(lobe, b->lobe[j]);
        }
        double own = 0.75 * lobe * b->lobe_scale / p;
        double re = spectrum[2 * k] * per_s;
        double im = spectrum[2 * k + 1] * per_s;
        double cube_re = b->spectrum[2 * k] + own * re;
        double cube_im = b->spectrum[2 * k + 1] + own * im;
        t += cube_re * re + cube_im * im;
        d += cube_re * cube_re + cube_im * cube_im;
        v += re * re + im * im;
    }
    sums->n++;
    sums->t += t;
    sums->d += d;
    sums->v += v;
    sums->tt += t * t;
    sums->td += t * d;
    sums->dd += d * d;
}

void sm_bend_frame(sm_bend *b, size_t i, const sm_frame *f, const double *window, const sm_fft *fft,
                   const double *spectrum, const double *power, double shaft_hz, double change_hz)
{
    sm_bend_channel *c = &b->channels[i];
    double sum = 0;
    double sum2 = 0;
    const double *x = f->x[i];
    if (f->t0_s < c->next_s) {
        return;
    }
    sm_add_squares(x, f->n, x[0], &sum, &sum2);
    double mean = sum / (double)f->n;
    double p = sum2 / (double)f->n - mean * mean;
    if (!(p > LOUD_SHARE * c->loudest) || !isfinite(p)) {
        return;
    }
    double level = floor(10 * log10(p) / CLASS_DB) + CLASS_ZERO;
    sm_bend_class *sums = &c->classes[(size_t)sm_min(sm_max(level, 0), SM_BEND_CLASSES - 1)];
    if (sums->n >= TAKEN_MOST || mark_orders(b, shaft_hz, change_hz) < BINS_LEAST) {
        return;
    }
    c->loudest = sm_max(c->loudest, p);
    c->next_s = f->t0_s + 0.9 / b->bin_hz;
    cube_of(window, x, x[0] + mean, 1 / sqrt(p), f->n, b->cube);
    sm_fft_forward(fft, b->cube, b->spectrum);
    compare(b, spectrum, power, p, sums);
}

sm_bend_stat sm_bend_get(const sm_bend *b, size_t i)
{
    sm_bend_class a = {0};
    int classes = 0;
    for (size_t k = SM_BEND_CLASSES; k-- > 0 && a.n < WANTED && classes < CLASSES_MOST;) {
        const sm_bend_class *c = &b->channels[i].classes[k];
        classes += c->n > 0 || classes > 0;
        a.n += c->n;
        a.t += c->t;
        a.d += c->d;
        a.v += c->v;
        a.tt += c->tt;
        a.td += c->td;
        a.dd += c->dd;
    }
    sm_bend_stat out = {.n = a.n, .share = NAN, .sigma = NAN, .between = NAN};
    if (a.n >= TAKEN_LEAST && a.d > 0 && a.v > 0) {
        double slope = a.t / a.d;
        double n = (double)a.n;
        double left = a.tt - 2 * slope * a.td + slope * slope * a.dd;
        out.share = 3 * slope;
        out.sigma = 3 * sqrt(sm_max(left, 0) * n / (n - 1)) / a.d;
        out.between = a.t / a.v;
    }
    return out;
}
