/*
 * Order grid against noise. The probabilities are common practice, no source: what stands out in
 * run-ups of piston engines with propellers. Peak statistics: a noise bin over its mean is
 * exponential; a line adds to it with a strength spread evenly over 3 to 35 dB.
 */
#include "orders/emission.h"

#include "core/rank.h"
#include "core/util.h"
#include "core/wide.h"

#include <math.h>
#include <string.h>

#define FLOOR_SPAN_HZ 20.0
#define FLOOR_SHARE 0.30
#define HEIGHT_MOST 10.0

static double crank_prior(double order, double firing)
{
    double whole = floor(order / firing + 0.5);
    if (whole >= 1 && fabs(order / firing - whole) < 1e-6) {
        return whole <= 1 ? 0.95 : whole <= 2 ? 0.75 : whole <= 3 ? 0.4 : 0.1;
    }
    if (fabs(order - 1) < 1e-6) {
        return 0.85;
    }
    if (fabs(order - 0.5) < 1e-6) {
        return 0.5;
    }
    bool half = fabs(order - floor(order + 0.25)) > 0.25;
    return order > 2 * firing ? 0.1 : half && order > 2 ? 0.1 : 0.25;
}

static double prop_prior(double prop_order, long blades)
{
    double passes = prop_order / (double)(blades > 0 ? blades : 1);
    double whole = fabs(passes - floor(passes + 0.5)) < 1e-6 ? floor(passes + 0.5) : 0;
    if (fabs(prop_order - 1) < 1e-6) {
        return 0.9;
    }
    if (blades > 1 && whole >= 1) {
        return whole <= 1 ? 0.85 : whole <= 2 ? 0.5 : 0.15;
    }
    return 0.15;
}

static double prior_of(const sm_powertrain *p, const sm_order *o, double firing)
{
    switch (o->kind) {
    case SM_ORDER_CRANK:
    case SM_ORDER_FIRING:
        return crank_prior(o->order, firing);
    case SM_ORDER_PROP:
    case SM_ORDER_BLADE:
        return prop_prior(o->order * sm_powertrain_reference_per(p, SM_SHAFT_PROP), p->blades);
    case SM_ORDER_MESH:
    case SM_ORDER_MOTOR:
        return 0.15;
    default:
        return 0.1;
    }
}

/* Of a line that belongs to both shafts (direct drive, whole ratios): whichever is likelier. Not
 * both chances together: that would let half speed explain the line at twice the blade pass. */
static double merged_prior(const sm_powertrain *p, const sm_order *o, double firing)
{
    double best = prior_of(p, o, firing);
    for (size_t k = 0; k < o->n_also; k++) {
        if (strncmp(o->also[k], "crank ", 6) == 0) {
            best = fmax(best, crank_prior(o->order, firing));
        } else if (strncmp(o->also[k], "prop ", 5) == 0) {
            double number = o->order * sm_powertrain_reference_per(p, SM_SHAFT_PROP);
            best = fmax(best, prop_prior(number, p->blades));
        }
    }
    return best;
}

static double peak_height(double snr)
{
    double p1 = 0;
    for (int db = 3; db <= 35; db++) {
        double s = 1 + pow(10, db / 10.0);
        p1 += exp(-snr / s) / s / 33;
    }
    return fmin(log(p1) + snr, HEIGHT_MOST);
}

void sm_emission_make(const sm_powertrain *p, const sm_order_table *orders, double least,
                      sm_emission *out)
{
    memset(out, 0, sizeof *out);
    double firing = p->strokes == 2 ? (double)p->cylinders : 0.5 * (double)p->cylinders;
    firing = firing > 0 ? firing : 1;
    for (size_t i = 0; i < orders->n; i++) {
        const sm_order *o = &orders->items[i];
        double prior = merged_prior(p, o, firing);
        if (prior < least || o->slip > 0) {
            continue;
        }
        sm_emission_line *line = &out->lines[out->n++];
        *line = (sm_emission_line){.order = o->order,
                                   .prior = prior,
                                   .ln_never = log1p(-prior),
                                   .i_order = i,
                                   .own = o->n_also == 0,
                                   .shaft = o->shaft,
                                   .apart = INFINITY};
    }
    for (size_t i = 0; i < out->n; i++) {
        for (size_t k = 0; k < out->n; k++) {
            if (out->lines[k].shaft != out->lines[i].shaft) {
                double d = fabs(out->lines[k].order - out->lines[i].order);
                out->lines[i].apart = fmin(out->lines[i].apart, d);
            }
        }
    }
    for (int i = 0; i <= SM_EMISSION_HEIGHTS; i++) {
        out->height[i] = peak_height(0.25 * i);
    }
}

double sm_emission_height(const sm_emission *e, double snr)
{
    double at = snr > 0 ? 4 * snr : 0;
    if (!(at < SM_EMISSION_HEIGHTS)) {
        return e->height[SM_EMISSION_HEIGHTS];
    }
    size_t i = (size_t)at;
    return e->height[i] + (at - (double)i) * (e->height[i + 1] - e->height[i]);
}

double sm_emission_ratio(const sm_emission_line *line, double v)
{
    return v < 0.1 ? 1 - line->prior : (1 - line->prior) + line->prior * exp(v);
}

double sm_emission_term(const sm_emission_line *line, double v)
{
    return v < 0.1 ? line->ln_never : log(sm_emission_ratio(line, v));
}

/* Values whose ten-thousandth is above a level. */
SM_WIDE static size_t count_over(const double *v, size_t n, double level)
{
    sm_i4 over = {0};
    size_t i = 0;
    for (; i + 4 <= n; i += 4) {
        sm_v4 x;
        memcpy(&x, v + i, sizeof x);
        over -= 1e-4 * x > level;
    }
    size_t count = (size_t)(over[0] + over[1] + over[2] + over[3]);
    for (; i < n; i++) {
        count += 1e-4 * v[i] > level;
    }
    return count;
}

enum { WINDOW_MOST = 96 }; /* bins: more only when they are finer than half a hertz */

/* The floor at hz; *level: the percentile of the window before, then of this one. */
static double floor_near(const double *psd, size_t n, double bin_hz, double hz, double *scratch,
                         double *level)
{
    double lo = sm_max(1, ceil((hz - FLOOR_SPAN_HZ) / bin_hz));
    double hi = sm_min((double)n - 1, floor((hz + FLOOR_SPAN_HZ) / bin_hz));
    if (hi < lo + 4) {
        return 0;
    }
    size_t m = (size_t)(hi - lo) + 1;
    const double *v = psd + (size_t)lo;
    size_t low_rank = (size_t)(FLOOR_SHARE * (double)m);
    if (m <= WINDOW_MOST) {
        double window[WINDOW_MOST + 8];
        memcpy(window, v, m * sizeof *window);
        for (size_t i = m; i % 8; i++) {
            window[i] = INFINITY;
        }
        *level = sm_rank_near(window, (m + 7) & ~(size_t)7, low_rank, *level);
    } else {
        memcpy(scratch, v, m * sizeof *scratch);
        *level = sm_select_rank(scratch, m, low_rank);
    }
    double low = *level / -log1p(-FLOOR_SHARE);
    size_t mid_rank = (size_t)(0.6 * (double)m);
    /* the middle stands above 10,000 times the floor when so many values do */
    if (count_over(v, m, low) < m - mid_rank) {
        return low;
    }
    memcpy(scratch, v, m * sizeof *scratch);
    return sm_max(low, 1e-4 * sm_select_rank(scratch, m, mid_rank));
}

void sm_whiten(const double *psd, size_t n_bins, double bin_hz, double step_hz, double *snr,
               double *scratch)
{
    double percentile = psd[0];
    double before = floor_near(psd, n_bins, bin_hz, 0, scratch, &percentile);
    double before_hz = 0;
    for (size_t k = 0; k < n_bins;) {
        double next_hz = before_hz + step_hz;
        double next = floor_near(psd, n_bins, bin_hz, next_hz, scratch, &percentile);
        double slope = next > 0 ? (next - before) / step_hz : 0;
        size_t end = (size_t)(next_hz / bin_hz) + 1;
        end = end < n_bins ? end : n_bins;
        for (; k < end; k++) {
            double level = before + slope * ((double)k * bin_hz - before_hz);
            snr[k] = psd[k] / (level > 0 ? level : (double)INFINITY);
        }
        before_hz = next_hz;
        before = next;
    }
}
