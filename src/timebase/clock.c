/* Stamps, robustly: windowed medians, lower envelopes, a slope shared by all segments. */
#include "timebase/clock.h"

#include "core/alloc.h"
#include "core/util.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static int by_value(const void *a, const void *b)
{
    double x = *(const double *)a;
    double y = *(const double *)b;
    return (x > y) - (x < y);
}

static double quantile(double *v, size_t n, double q)
{
    qsort(v, n, sizeof *v, by_value);
    return v[(size_t)(q * (double)(n - 1) + 0.5)];
}

void sm_slope_add(sm_slope *s, double k, double u)
{
    s->n++;
    double dk = k - s->mean_k;
    double du = u - s->mean_u;
    s->mean_k += dk / s->n;
    s->mean_u += du / s->n;
    s->s_kk += dk * (k - s->mean_k);
    s->s_ku += dk * (u - s->mean_u);
}

void sm_slope_add_run(sm_slope *s, double k0, const double *u, size_t n)
{
    if (n == 0) {
        return;
    }
    double m = (double)n;
    double sum = 0;
    for (size_t i = 0; i < n; i++) {
        sum += u[i] - u[0];
    }
    double mean_u = sum / m;
    double middle = (m - 1) / 2;
    double ku = 0;
    for (size_t i = 0; i < n; i++) {
        ku += ((double)i - middle) * (u[i] - u[0] - mean_u);
    }
    double dk = k0 + middle - s->mean_k; /* two groups joined: Chan, Golub, LeVeque 1979 */
    double du = mean_u + u[0] - s->mean_u;
    double total = s->n + m;
    s->s_kk += m * (m * m - 1) / 12 + dk * dk * s->n * m / total;
    s->s_ku += ku + dk * du * s->n * m / total;
    s->mean_k += dk * m / total;
    s->mean_u += du * m / total;
    s->n = total;
}

void sm_slope_break(sm_slope *s)
{
    s->total_kk += s->s_kk;
    s->total_ku += s->s_ku;
    s->n = s->mean_k = s->mean_u = s->s_kk = s->s_ku = 0;
}

double sm_slope_value(const sm_slope *s, double fallback)
{
    double kk = s->total_kk + s->s_kk;
    return kk > 0 ? (s->total_ku + s->s_ku) / kk : fallback;
}

void sm_envelope_open(sm_envelope *e, const sm_clock *clock)
{
    memset(e, 0, sizeof *e);
    e->clock = *clock;
}

enum { RING = 4 * SM_CLOCK_WINDOW };

void sm_envelope_push(sm_envelope *e, double u, double rows_total)
{
    uint64_t i = e->n % RING;
    uint64_t before = (e->n + RING - 1) % RING;
    double p = e->clock.period_s;
    e->ring[i].u = u;
    e->ring[i].k = rows_total;
    e->ring[i].r = u - p * rows_total - e->shift;
    e->ring[i].e = e->n ? u - e->ring[before].u - p * (rows_total - e->ring[before].k) : 0;
    e->n++;
}

static double lowest(const sm_envelope *e, uint64_t from, uint64_t to)
{
    double low = INFINITY;
    for (uint64_t j = from; j < to; j++) {
        low = sm_min(low, e->ring[j % RING].r);
    }
    return low;
}

static double highest(const sm_envelope *e, uint64_t from, uint64_t to)
{
    double high = -INFINITY;
    for (uint64_t j = from; j < to; j++) {
        high = sm_max(high, e->ring[j % RING].r);
    }
    return high;
}

/*
 * Near the log's end few stamps stand behind a step: late ones may all be late, and a last burst
 * may have been cut short by the end. Only a step above every lateness so far is a gap there.
 */
static bool may_be_chance(const sm_envelope *e, uint64_t j, uint64_t last)
{
    if (j + e->clock.window <= last) {
        return false;
    }
    uint64_t kept = RING - (uint64_t)e->clock.window;
    bool cut = e->clock.burst && j + 1 == last;
    return cut || lowest(e, j, last) <= highest(e, j > kept ? j - kept : 0, j) + e->clock.gap_s;
}

static bool is_gap(sm_envelope *e, uint64_t j, uint64_t last, double *step)
{
    uint64_t w = e->clock.window;
    double own = e->ring[j % RING].e;
    if (j == 0 || own <= 0.4 * e->clock.gap_s) {
        return false;
    }
    uint64_t from = j > w ? j - w : 0;
    uint64_t half = w / 2;
    for (uint64_t i = j > half ? j - half : 0; i < last && i <= j + half; i++) {
        if (i != j && e->ring[i % RING].e > own) {
            return false; /* the larger jump near by is the gap */
        }
    }
    *step = lowest(e, j, last) - lowest(e, from, j);
    return *step > e->clock.gap_s && !may_be_chance(e, j, last);
}

bool sm_envelope_pop(sm_envelope *e, bool end, bool *gap, double *rows, double *low)
{
    uint64_t w = e->clock.window;
    uint64_t j = e->n_judged;
    if (j >= e->n || (!end && e->n < j + w)) {
        return false;
    }
    uint64_t last = e->n < j + w ? e->n : j + w;
    double step = 0;
    *gap = is_gap(e, j, last, &step);
    if (*gap) { /* from here on the envelope is measured against the new level */
        e->shift += step;
        for (uint64_t i = j; i < e->n; i++) {
            e->ring[i % RING].r -= step;
        }
    }
    *rows = e->ring[j % RING].k;
    uint64_t from = j > w ? j - w : 0;
    *low = e->shift + sm_min(lowest(e, from, j + 1), lowest(e, j, last));
    e->n_judged++;
    return true;
}

/* Distinct stamps: u[j] and the rows up to and including it. */
static size_t distinct(const double *stamp, size_t n, double *u, double *k)
{
    size_t m = 0;
    for (size_t i = 0; i < n; i++) {
        if (m == 0 || stamp[i] != u[m - 1]) {
            u[m++] = stamp[i];
        }
        k[m - 1] = (double)(i + 1);
    }
    return m;
}

/* Median over windows of the mean step: right through bursts and between gaps. */
static double windowed_period(const double *u, const double *k, size_t m, size_t window,
                              double *scratch)
{
    if (m < 2) {
        return 0;
    }
    if (m <= window + 1) {
        window = m > 32 ? m / 4 : 1;
    }
    size_t count = 0;
    for (size_t j = 0; j + window < m; j++) {
        scratch[count++] = (u[j + window] - u[j]) / (k[j + window] - k[j]);
    }
    return quantile(scratch, count, 0.5);
}

/* Are the stamps whole multiples of a unit that is coarse against the period? */
static bool is_rounded(const double *u, size_t m, double period)
{
    double q = INFINITY; /* smallest step, or difference between neighbouring steps */
    for (size_t j = 1; j < m; j++) {
        double step = u[j] - u[j - 1];
        double change = j > 1 ? fabs(step - (u[j - 1] - u[j - 2])) : 0;
        q = sm_min(q, step);
        q = change > 0.02 * period ? sm_min(q, change) : q;
    }
    if (!(q > 0.02 * period) || q > 1.5 * period) {
        return false;
    }
    for (size_t j = 1; j < m; j++) { /* every step a multiple of the smallest */
        double steps = (u[j] - u[j - 1]) / q;
        if (fabs(steps - nearbyint(steps)) > 0.05) {
            return false;
        }
    }
    return true;
}

/* Robust scale of the lower envelope's own steps, from which a gap must stand out. */
static double envelope_gap(const double *u, const double *k, size_t m, const sm_clock *c,
                           double *scratch)
{
    size_t w = c->window;
    size_t count = 0;
    for (size_t j = w; j + w <= m; j += w / 8 + 1) {
        double before = INFINITY;
        double after = INFINITY;
        for (size_t i = 0; i < w; i++) {
            before = sm_min(before, u[j - w + i] - c->period_s * k[j - w + i]);
            after = sm_min(after, u[j + i] - c->period_s * k[j + i]);
        }
        scratch[count++] = fabs(after - before);
    }
    double mad = count > 3 ? quantile(scratch, count, 0.5) : 0;
    return sm_max(0.5 * c->period_s, 6 * 1.4826 * mad);
}

static double rough_slope(const double *u, const double *k, size_t m, const sm_clock *c)
{
    sm_envelope *e = sm_alloc_array(1, sizeof *e);
    if (!e) {
        return NAN;
    }
    sm_slope s = {0};
    sm_envelope_open(e, c);
    for (size_t j = 0, i = 0; j <= m; j++) {
        if (j < m) {
            sm_envelope_push(e, u[j], k[j]);
        }
        bool gap;
        double rows;
        double low;
        while (sm_envelope_pop(e, j == m, &gap, &rows, &low)) {
            if (gap) {
                sm_slope_break(&s);
            }
            sm_slope_add(&s, rows, u[i++]);
        }
    }
    sm_free(e);
    return sm_slope_value(&s, c->period_s);
}

static double clean_slope(const double *stamp, size_t n, double period)
{
    sm_slope s = {0};
    for (size_t i = 0; i < n; i++) {
        if (i && fabs(stamp[i] - stamp[i - 1] - period) > 0.5 * period) {
            sm_slope_break(&s);
        }
        sm_slope_add(&s, (double)i, stamp[i]);
    }
    return sm_slope_value(&s, period);
}

static void judge(const double *stamp, size_t n, double *u, double *k, double *scratch,
                  sm_clock *out)
{
    size_t m = distinct(stamp, n, u, k);
    sm_clock c = {.rows_per_stamp = (double)n / (double)m};
    double w = sm_max(16, ceil(200 / c.rows_per_stamp));
    c.window = (size_t)sm_min(w, SM_CLOCK_WINDOW);
    c.burst = c.rows_per_stamp > 1.5;
    c.period_s = windowed_period(u, k, m, c.burst ? c.window : 1, scratch);
    if (!c.burst) { /* a median of single steps is blind to slow drift but right about gaps */
        double wide = windowed_period(u, k, m, c.window, scratch);
        c.median_s = c.period_s;
        if (fabs(wide - c.period_s) > 0.02 * c.period_s) {
            c.period_s = wide;
        }
    } else {
        c.median_s = c.period_s;
    }
    size_t count = 0;
    double square = 0;
    size_t n_square = 0;
    for (size_t i = 1; i < n; i++) {
        double off = stamp[i] - stamp[i - 1] - c.period_s;
        scratch[count++] = fabs(off);
        if (off < 0.5 * c.period_s) {
            square += off * off;
            n_square++;
        }
    }
    c.jitter_s = n_square ? sqrt(square / (double)n_square) : 0;
    double spread = quantile(scratch, count, 0.9);
    if (spread <= 0.03 * c.period_s) {
        c.mode = SM_CLOCK_CLEAN;
        c.period_s = clean_slope(stamp, n, c.period_s);
        c.gap_s = 1.5 * c.period_s;
    } else {
        c.mode = SM_CLOCK_LATE;
        c.rounded = is_rounded(u, m, c.period_s);
        c.gap_s = envelope_gap(u, k, m, &c, scratch);
        double slope = rough_slope(u, k, m, &c);
        c.period_s = slope > 0 ? slope : c.period_s;
    }
    *out = c;
}

sm_status sm_clock_judge(const double *stamp_s, size_t n, sm_clock *out)
{
    if (n < 2 || !(stamp_s[n - 1] > stamp_s[0])) {
        return SM_E_SHORT;
    }
    double *memory = sm_alloc_array(3 * n, sizeof *memory);
    if (!memory) {
        return SM_E_NOMEM;
    }
    judge(stamp_s, n, memory, memory + n, memory + 2 * n, out);
    sm_free(memory);
    return SM_OK;
}
