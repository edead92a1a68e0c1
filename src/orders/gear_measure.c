/* Gear ratio against a known shaft: order spectrum, comb over ratios, demodulation. */
#include "core/alloc.h"
#include "core/rank.h"
#include "core/util.h"
#include "orders/gear.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define RATIO_LO 1.1
#define RATIO_HI 5.0
#define SPECTRUM_TURNS 64.0
/* Steps of the order spectrum, from ORDER_LO on. */
#define ORDER_STEP (1 / 128.0)
#define ORDER_LO 0.15
enum { ORDERS = 1536, STEPS = 61, WIDTH = 32, READINGS = 4096 };
/* Lines of the known shaft cover what lies so near to them. */
#define COVERED (2.2 / SPECTRUM_TURNS)
#define COARSE_SPAN 0.015
#define COARSE_TURNS 64.0
#define FINE_SPAN 0.0025
#define FINE_TURNS 256.0
/* Ratios closer than this are one. */
#define OTHER 0.01
/* Mean of ln(1 + power over floor) of noise, and what a line must have above that. */
#define NOISE_LN 0.6
#define LINE_LN 0.7
#define MARGIN_LEAST 0.5

/* Lines of the sought shaft, in its own turns. */
typedef struct comb {
    double line[SM_GEAR_LINES];
    size_t n;
    bool inverse; /* the sought one is the propeller: order = line / ratio */
} comb;

typedef struct window {
    const sm_gear_row *rows;
    size_t n;
    double from; /* turns */
    double length;
} window;

static comb make_comb(const sm_gear *g)
{
    comb c = {.inverse = g->known == SM_SHAFT_CRANK};
    double blades = (double)g->p->blades;
    double firing = (double)g->p->cylinders / (g->p->strokes == 4 ? 2 : 1);
    if (c.inverse) {
        c.line[c.n++] = 1;
        c.line[c.n++] = blades > 1 ? blades : 2;
        c.line[c.n++] = 2 * c.line[1];
    } else {
        c.line[c.n++] = 1;
        c.line[c.n++] = firing > 1 ? firing : 2;
        c.line[c.n++] = 2 * c.line[1];
        c.line[c.n++] = g->p->strokes == 4 ? 0.5 : 3;
    }
    return c;
}

static double order_of(const comb *c, size_t i, double ratio)
{
    return c->inverse ? c->line[i] / ratio : c->line[i] * ratio;
}

/* The next window of so many turns, half overlapping, that lies in one stretch. */
static bool next_window(const sm_gear *g, double turns, size_t *at, window *w)
{
    while (*at < g->n_rows) {
        const sm_gear_row *first = &g->rows[*at];
        size_t end = *at + 1;
        size_t half = 0;
        while (end < g->n_rows && g->rows[end].starts < 0.5F &&
               g->rows[end].theta < first->theta + turns) {
            half = half == 0 && g->rows[end].theta >= first->theta + turns / 2 ? end : half;
            end++;
        }
        bool whole = end < g->n_rows && g->rows[end].starts < 0.5F;
        if (whole && end - *at > (size_t)(3 * turns)) {
            *w = (window){first, end - *at, first->theta, turns};
            *at = half;
            return true;
        }
        *at = whole ? half : end;
    }
    return false;
}

static double hann(const window *w, size_t i)
{
    return 0.5 - 0.5 * cos(2 * SM_PI * (w->rows[i].theta - w->from) / w->length);
}

/* Means of the channels, weighted: taken off first. */
static void means(const sm_gear *g, const window *w, double *mean)
{
    double sum = 0;
    memset(mean, 0, SM_GEAR_CHANNELS * sizeof *mean);
    for (size_t i = 0; i < w->n; i++) {
        double v = hann(w, i);
        sum += v;
        for (size_t c = 0; c < g->n_channels; c++) {
            mean[c] += v * (double)w->rows[i].x[c];
        }
    }
    for (size_t c = 0; c < g->n_channels; c++) {
        mean[c] /= sum;
    }
}

/* Power over floor of each order, summed over the channels as ln(1 + .), added to s. */
static void add_floor(const double *power, double *floor_of, double *s)
{
    double part[2 * WIDTH + 1];
    for (size_t k = 0; k < ORDERS; k += 8) {
        size_t lo = k > WIDTH ? k - WIDTH : 0;
        size_t n = k + WIDTH < ORDERS ? k + WIDTH - lo : ORDERS - lo;
        memcpy(part, power + lo, n * sizeof *part);
        /* lower third of an exponential spread: -ln(2/3) of the mean */
        double level = sm_select_rank(part, n, n / 3) / 0.4055;
        for (size_t i = k; i < k + 8 && i < ORDERS; i++) {
            floor_of[i] = level;
        }
    }
    for (size_t k = 0; k < ORDERS; k++) {
        s[k] += floor_of[k] > 0 ? log1p(power[k] / floor_of[k]) : 0;
    }
}

static void add_spectrum(const sm_gear *g, const window *w, double *work, double *s)
{
    double mean[SM_GEAR_CHANNELS];
    double *re = work;
    double *im = work + ORDERS;
    means(g, w, mean);
    for (size_t c = 0; c < g->n_channels; c++) {
        memset(re, 0, ORDERS * sizeof *re);
        memset(im, 0, ORDERS * sizeof *im);
        for (size_t i = 0; i < w->n; i++) {
            double theta = w->rows[i].theta - w->from;
            double x = hann(w, i) * ((double)w->rows[i].x[c] - mean[c]);
            double zr = x * cos(2 * SM_PI * ORDER_LO * theta);
            double zi = -x * sin(2 * SM_PI * ORDER_LO * theta);
            double cr = cos(2 * SM_PI * ORDER_STEP * theta);
            double ci = -sin(2 * SM_PI * ORDER_STEP * theta);
            for (size_t k = 0; k < ORDERS; k++) {
                re[k] += zr;
                im[k] += zi;
                double next = zr * cr - zi * ci;
                zi = zr * ci + zi * cr;
                zr = next;
            }
        }
        for (size_t k = 0; k < ORDERS; k++) {
            re[k] = re[k] * re[k] + im[k] * im[k];
        }
        add_floor(re, im, s);
    }
}

/* Lines of the known shaft hide whatever lies under them. */
static bool covered(const sm_gear *g, double order)
{
    double step = g->known == SM_SHAFT_CRANK && g->p->strokes == 4 ? 0.5 : 1;
    if (fabs(order / step - floor(order / step + 0.5)) * step < COVERED) {
        return true;
    }
    for (size_t i = 0; i < g->p->n_accessories; i++) {
        const sm_accessory *a = &g->p->accessories[i];
        double own = a->independent ? 0 : 1 / sm_ratio_value(a->ratio);
        double span = COVERED + own * a->slip;
        if (g->known == SM_SHAFT_CRANK && own > 0 &&
            (fabs(order - own) < span || fabs(order - 2 * own) < 2 * span)) {
            return true;
        }
    }
    return false;
}

/* Above what noise gives; 0 under a line of the known shaft or outside. */
static double line_score(const sm_gear *g, const double *s, double order)
{
    double k = (order - ORDER_LO) / ORDER_STEP;
    if (k < 0 || k > ORDERS - 2 || covered(g, order)) {
        return 0;
    }
    size_t i = (size_t)k;
    return s[i] + (k - (double)i) * (s[i + 1] - s[i]) - NOISE_LN;
}

static double comb_score(const sm_gear *g, const comb *c, const double *s, double ratio,
                         size_t *n_seen)
{
    double sum = 0;
    *n_seen = 0;
    for (size_t i = 0; i < c->n; i++) {
        double v = line_score(g, s, order_of(c, i, ratio));
        sum += v;
        *n_seen += v > LINE_LN;
    }
    return sum;
}

static void best_ratio(const sm_gear *g, const comb *c, const double *s, sm_gear_result *r)
{
    double best = -1e9;
    double next = -1e9;
    for (int pass = 0; pass < 2; pass++) {
        for (double ratio = RATIO_LO; ratio < RATIO_HI; ratio *= 1.0004) {
            size_t seen;
            double v = comb_score(g, c, s, ratio, &seen);
            if (pass == 0 && v > best) {
                best = v;
                r->ratio = ratio;
                r->n_lines = seen;
            } else if (pass == 1 && fabs(ratio / r->ratio - 1) > OTHER && v > next) {
                next = v;
                r->next_ratio = ratio;
            }
        }
    }
    r->margin = best - next;
}

typedef struct sums {
    double re[SM_GEAR_CHANNELS][STEPS];
    double im[SM_GEAR_CHANNELS][STEPS];
} sums;

/* Demodulation of one window at STEPS orders, the middle one at `order`, span to both sides. */
static void demodulate(const sm_gear *g, const window *w, double order, double span, sums *z)
{
    double mean[SM_GEAR_CHANNELS];
    means(g, w, mean);
    memset(z, 0, sizeof *z);
    for (size_t m = 0; m < w->n; m++) {
        double a = -2 * SM_PI * order * (w->rows[m].theta - w->from);
        double v = hann(w, m);
        double zr = v * cos(a * (1 - span));
        double zi = v * sin(a * (1 - span));
        double cr = cos(a * 2 * span / (STEPS - 1));
        double ci = sin(a * 2 * span / (STEPS - 1));
        for (size_t k = 0; k < STEPS; k++) {
            for (size_t c = 0; c < g->n_channels; c++) {
                double x = (double)w->rows[m].x[c] - mean[c];
                z->re[c][k] += x * zr;
                z->im[c][k] += x * zi;
            }
            double next = zr * cr - zi * ci;
            zi = zr * ci + zi * cr;
            zr = next;
        }
    }
}

/* The ratio at the top; j is even in order, which is its inverse where the propeller is sought. */
static double top_of(const double *j, const comb *c, double middle, double span)
{
    size_t k = 0;
    for (size_t i = 1; i < STEPS; i++) {
        k = j[i] > j[k] ? i : k;
    }
    double at = (double)k;
    if (k > 0 && k + 1 < STEPS) {
        double bend = j[k - 1] - 2 * j[k] + j[k + 1];
        at += bend < 0 ? 0.5 * (j[k - 1] - j[k + 1]) / bend : 0;
    }
    double scale = 1 + span * (2 * at / (STEPS - 1) - 1);
    return c->inverse ? middle / scale : middle * scale;
}

/* What one window, line and channel says. */
typedef struct reading {
    double ratio;
    double weight;
    bool falling; /* the speed, over the window */
} reading;

/* Rows are even in time: more of them in the second half of the turns, and the speed falls. */
static bool is_falling(const window *w)
{
    size_t n = 0;
    while (n < w->n && w->rows[n].theta < w->from + w->length / 2) {
        n++;
    }
    return 2 * n < w->n;
}

static int by_ratio(const void *a, const void *b)
{
    const reading *x = a;
    const reading *y = b;
    return (x->ratio > y->ratio) - (x->ratio < y->ratio);
}

/* Readings of every window of that length; *n_windows of them. */
static size_t take_readings(const sm_gear *g, const comb *c, double middle, double span,
                            double turns, reading *out, size_t *n_windows)
{
    static _Thread_local sums z;
    size_t at = 0;
    size_t n = 0;
    window w;
    *n_windows = 0;
    while (next_window(g, turns, &at, &w)) {
        (*n_windows)++;
        for (size_t line = 0; line < c->n; line++) {
            double order = order_of(c, line, middle);
            if (covered(g, order)) {
                continue;
            }
            demodulate(g, &w, order, span, &z);
            for (size_t ch = 0; ch < g->n_channels && n < READINGS; ch++) {
                double mean = 0;
                double most = 0;
                for (size_t k = 0; k < STEPS; k++) {
                    double p = z.re[ch][k] * z.re[ch][k] + z.im[ch][k] * z.im[ch][k];
                    z.re[ch][k] = p;
                    mean += p / STEPS;
                    most = sm_max(most, p);
                }
                if (mean > 0) { /* a clear line of a high order says most */
                    out[n++] = (reading){top_of(z.re[ch], c, middle, span),
                                         sm_min(most / mean - 1, 10) * order, is_falling(&w)};
                }
            }
        }
    }
    return n;
}

/* Weighted median, and the half width that half of the weight lies in. A line turns its phase while
 * it passes a resonance: such windows are off by far, which moves a median little. */
static double median_of(reading *r, size_t n, double *half)
{
    double middle = 0;
    double all = 0;
    for (size_t i = 0; i < n; i++) {
        all += r[i].weight;
    }
    for (int pass = 0; pass < 2; pass++) {
        qsort(r, n, sizeof *r, by_ratio);
        double sum = 0;
        double at = 0;
        for (size_t i = 0; i < n && sum < all / 2; i++) {
            sum += r[i].weight;
            at = r[i].ratio;
        }
        middle = pass == 0 ? at : middle;
        *half = at;
        for (size_t i = 0; i < n; i++) {
            r[i].ratio = fabs(r[i].ratio - middle);
        }
    }
    return middle;
}

/* Rising ones first; returns how many those are. */
static size_t part_directions(reading *r, size_t n)
{
    size_t k = 0;
    for (size_t i = 0; i < n; i++) {
        if (!r[i].falling) {
            reading swap = r[i];
            r[i] = r[k];
            r[k++] = swap;
        }
    }
    return k;
}

/*
 * A line's phase also turns with frequency, by what lies between propeller and sensor: that looks
 * like another ratio, one way while the speed rises and the other way while it falls. The middle of
 * both is right; from one way alone a quarter turn may be in it.
 */
static void combine(reading *r, size_t n, size_t n_windows, double turns, sm_gear_result *out)
{
    double half[2] = {0};
    size_t up = part_directions(r, n);
    /* half of a normal spread lies within 0.6745; a median of m costs 1.2533 / sqrt m; windows
     * overlap by half, channels see the same */
    double scale = 1.2533 / 0.6745 / sqrt(0.5 * (double)n_windows);
    if (up > n / 5 && n - up > n / 5) {
        double a = median_of(r, up, &half[0]);
        double b = median_of(r + up, n - up, &half[1]);
        out->ratio = (a + b) / 2;
        out->uncertainty = scale * (half[0] + half[1]) / 2;
        return;
    }
    double ratio = median_of(r, n, &half[0]);
    out->ratio = ratio;
    out->uncertainty = hypot(scale * half[0], 0.25 / turns * ratio);
}

static sm_status refine(const sm_gear *g, const comb *c, sm_gear_result *r)
{
    reading *readings = sm_alloc_array(READINGS, sizeof *readings);
    if (!readings) {
        return SM_E_NOMEM;
    }
    const double turns[2] = {COARSE_TURNS, FINE_TURNS};
    const double span[2] = {COARSE_SPAN, FINE_SPAN};
    for (int pass = 0; pass < 2; pass++) {
        size_t n_windows = 0;
        size_t n = take_readings(g, c, r->ratio, span[pass], turns[pass], readings, &n_windows);
        if (n > 0) {
            combine(readings, n, n_windows, 0.5 * turns[pass] * (double)(n_windows + 1), r);
        }
    }
    sm_free(readings);
    return SM_OK;
}

sm_status sm_gear_measure(const sm_gear *g, sm_gear_result *out)
{
    double *work = sm_alloc_array((size_t)3 * ORDERS, sizeof *work);
    if (!work) {
        return SM_E_NOMEM;
    }
    double *s = work + (size_t)2 * ORDERS;
    sm_status st = SM_OK;
    comb c = make_comb(g);
    size_t at = 0;
    size_t n = 0;
    window w;
    while (next_window(g, SPECTRUM_TURNS, &at, &w)) {
        add_spectrum(g, &w, work, s);
        n += g->n_channels;
    }
    for (size_t k = 0; k < ORDERS && n > 0; k++) {
        s[k] /= (double)n;
    }
    const char *sought = c.inverse ? "propeller" : "crank";
    if (n == 0) {
        (void)snprintf(out->reason, sizeof out->reason,
                       "the speed is known over fewer than %.0f turns at a stretch",
                       SPECTRUM_TURNS);
    } else {
        best_ratio(g, &c, s, out);
        if (out->n_lines < 2 || out->margin < MARGIN_LEAST) {
            (void)snprintf(out->reason, sizeof out->reason,
                           out->n_lines < 2
                               ? "no lines of the %s stand out between those of the other shaft: a "
                                 "ratio of 1, 1.5, 2 or 3 hides them"
                               : "two ratios put the lines of the %s equally well",
                           sought);
            out->ratio = (double)NAN;
        } else {
            st = refine(g, &c, out);
            out->basis = SM_GEAR_MEASURED;
            (void)snprintf(out->reason, sizeof out->reason,
                           "%zu lines of the %s against the turns of the %s", out->n_lines, sought,
                           c.inverse ? "crank" : "propeller");
        }
    }
    sm_free(work);
    return st;
}
