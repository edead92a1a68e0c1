/*
 * Windows of L revolutions are sums of hat functions on whole revolutions, so their transform is
 * known in closed form: W(d) = sinc^2(d) * sum_j w_j cos(2 pi d j). Everything here follows from
 * it.
 */
#include "orders/track_plan.h"

#include "core/alloc.h"
#include "core/util.h"
#include "orders/solve.h"

#include <math.h>

const long sm_track_lengths[SM_TRACK_LENGTHS] = {16, 32, 64};

#define INFLATION_MAX 1.25 /* of the amplitude's standard deviation: about 2 dB of noise */
#define RIDGE 1e-10        /* bounds the inverse where two orders are nearly one */

/* Transform of the window, or of its square, at a difference of d orders. */
static double transform(long length, double d, bool squared)
{
    double sum = 0;
    for (long j = -length / 2 + 1; j < length / 2; j++) {
        double w = 0.5 + 0.5 * cos(2 * SM_PI * (double)j / (double)length);
        sum += (squared ? w * w : w) * cos(2 * SM_PI * d * (double)j);
    }
    double x = SM_PI * d;
    double sinc = fabs(x) < 1e-9 ? 1 : sin(x) / x;
    return sum * sinc * sinc;
}

/* sign +1: cosine part, with order 0 last; -1: sine part, n x n. */
static void normal_matrix(const double *orders, size_t n, long length, int sign, bool squared,
                          double *a)
{
    size_t rows = sign > 0 ? n + 1 : n;
    for (size_t i = 0; i < rows; i++) {
        double oi = i < n ? orders[i] : 0;
        for (size_t j = 0; j < rows; j++) {
            double oj = j < n ? orders[j] : 0;
            double v = 0.5 * (transform(length, oi - oj, squared) +
                              sign * transform(length, oi + oj, squared));
            a[i * rows + j] = v;
        }
    }
}

typedef struct scratch {
    double *a;
    double *b;
    double *inverse;
    double *work;
} scratch;

static bool scratch_open(scratch *s, size_t n)
{
    size_t m = (n + 1) * (n + 1);
    s->a = sm_alloc_array(m, sizeof(double));
    s->b = sm_alloc_array(m, sizeof(double));
    s->inverse = sm_alloc_array(m, sizeof(double));
    s->work = sm_alloc_array(m, sizeof(double));
    return s->a && s->b && s->inverse && s->work;
}

static void scratch_close(scratch *s)
{
    sm_free(s->a);
    sm_free(s->b);
    sm_free(s->inverse);
    sm_free(s->work);
}

/* Sandwich variance of order k of one part over that of a lone order. */
static double variance_ratio(const scratch *s, size_t rows, size_t k, long length)
{
    double v = 0;
    for (size_t i = 0; i < rows; i++) {
        double row = 0;
        for (size_t j = 0; j < rows; j++) {
            row += s->b[i * rows + j] * s->inverse[k * rows + j];
        }
        v += s->inverse[k * rows + i] * row;
    }
    double w = transform(length, 0, false);
    return v / (2 * transform(length, 0, true) / (w * w));
}

/* Inflation of the standard deviation of each order in a window of that length. */
static void inflations(const double *orders, size_t n, long length, scratch *s, double *out)
{
    for (size_t k = 0; k < n; k++) {
        out[k] = 0;
    }
    for (int sign = 1; sign >= -1; sign -= 2) {
        size_t rows = sign > 0 ? n + 1 : n;
        normal_matrix(orders, n, length, sign, false, s->a);
        normal_matrix(orders, n, length, sign, true, s->b);
        bool good = sm_invert_spd(s->a, rows, RIDGE, s->inverse, s->work);
        for (size_t k = 0; k < n; k++) {
            out[k] += good ? 0.5 * variance_ratio(s, rows, k, length) : 1e9;
        }
    }
    for (size_t k = 0; k < n; k++) {
        out[k] = sqrt(out[k]);
    }
}

/* Which of two orders that cannot be parted gives its name: the one people act on. */
static int rank(const sm_order *o)
{
    switch (o->kind) {
    case SM_ORDER_EXTRA:
        return 5;
    case SM_ORDER_PROP:
    case SM_ORDER_FIRING:
    case SM_ORDER_BLADE:
        return o->order < 1.5 ? 4 : 3;
    case SM_ORDER_CRANK:
        return 2;
    default:
        return 1;
    }
}

/* Merges the closest pair that involves an order that even the longest window cannot part. */
static bool merge_one(const sm_order_table *table, sm_track_plan *plans, size_t *fit, size_t *n,
                      const double *inflation)
{
    size_t best = 0;
    double closest = INFINITY;
    for (size_t i = 0; i + 1 < *n; i++) {
        double d = table->items[fit[i + 1]].order - table->items[fit[i]].order;
        bool stuck = inflation[i] > INFLATION_MAX || inflation[i + 1] > INFLATION_MAX;
        if (stuck && d < closest) {
            closest = d;
            best = i;
        }
    }
    if (closest > 0.1) { /* not a close pair: nothing that merging would cure */
        return false;
    }
    bool keep_first = rank(&table->items[fit[best]]) >= rank(&table->items[fit[best + 1]]);
    size_t gone = keep_first ? best + 1 : best;
    plans[fit[gone]].merged_into = (long)fit[keep_first ? best : best + 1];
    for (size_t i = gone; i + 1 < *n; i++) {
        fit[i] = fit[i + 1];
    }
    (*n)--;
    return true;
}

static void choose_windows(const sm_order_table *table, sm_track_plan *plans, size_t *fit,
                           size_t *n, scratch *s)
{
    double orders[SM_MAX_ORDERS];
    double inflation[SM_MAX_ORDERS];
    long longest = sm_track_lengths[SM_TRACK_LENGTHS - 1];
    bool merged = true;
    while (merged) {
        for (size_t k = 0; k < *n; k++) {
            orders[k] = table->items[fit[k]].order;
        }
        inflations(orders, *n, longest, s, inflation);
        merged = false;
        for (size_t k = 0; k < *n && !merged; k++) {
            merged = inflation[k] > INFLATION_MAX && merge_one(table, plans, fit, n, inflation);
        }
    }
    for (size_t l = SM_TRACK_LENGTHS; l-- > 0;) {
        inflations(orders, *n, sm_track_lengths[l], s, inflation);
        for (size_t k = 0; k < *n; k++) {
            if (inflation[k] <= INFLATION_MAX || l == SM_TRACK_LENGTHS - 1) {
                plans[fit[k]].window_rev = sm_track_lengths[l];
                plans[fit[k]].inflation = sm_max(1, inflation[k]);
            }
        }
    }
}

static sm_status make_solver(const sm_order_table *table, const sm_track_plan *plans,
                             const size_t *fit, size_t n, scratch *s, sm_track_solver *solver)
{
    double orders[SM_MAX_ORDERS];
    solver->n = n;
    for (size_t k = 0; k < n; k++) {
        orders[k] = table->items[fit[k]].order;
    }
    for (size_t l = 0; l < SM_TRACK_LENGTHS; l++) {
        for (size_t k = 0; k < n; k++) {
            solver->used[l] |= plans[fit[k]].window_rev == sm_track_lengths[l];
        }
        solver->cosine[l] = sm_alloc_array((n + 1) * (n + 1), sizeof(double));
        solver->sine[l] = sm_alloc_array(n * n + 1, sizeof(double));
        if (!solver->cosine[l] || !solver->sine[l]) {
            return SM_E_NOMEM;
        }
        normal_matrix(orders, n, sm_track_lengths[l], 1, false, s->a);
        (void)sm_invert_spd(s->a, n + 1, RIDGE, solver->cosine[l], s->work);
        normal_matrix(orders, n, sm_track_lengths[l], -1, false, s->a);
        (void)sm_invert_spd(s->a, n, RIDGE, solver->sine[l], s->work);
    }
    return SM_OK;
}

sm_status sm_track_plan_make(const sm_order_table *table, sm_track_plan *plans, size_t *fit,
                             size_t *n_fit, sm_track_solver *solver)
{
    size_t n = table->n;
    for (size_t i = 0; i < n; i++) {
        fit[i] = i;
        plans[i] = (sm_track_plan){.window_rev = 0, .inflation = 1, .merged_into = -1};
    }
    scratch s = {0};
    sm_status st = scratch_open(&s, n) ? SM_OK : SM_E_NOMEM;
    if (st == SM_OK) {
        choose_windows(table, plans, fit, &n, &s);
        st = make_solver(table, plans, fit, n, &s, solver);
    }
    scratch_close(&s);
    *n_fit = n;
    return st;
}

void sm_track_solver_row(const sm_track_solver *s, size_t l, size_t k, const double *moments,
                         double *re, double *im)
{
    const double *cosine = s->cosine[l] + k * (s->n + 1);
    const double *sine = s->sine[l] + k * s->n;
    double sum_re = cosine[s->n] * moments[2 * s->n];
    double sum_im = 0;
    for (size_t j = 0; j < s->n; j++) {
        sum_re += cosine[j] * moments[2 * j];
        sum_im += sine[j] * moments[2 * j + 1];
    }
    *re = sum_re;
    *im = sum_im;
}

void sm_track_solver_free(sm_track_solver *s)
{
    for (size_t l = 0; l < SM_TRACK_LENGTHS; l++) {
        sm_free(s->cosine[l]);
        sm_free(s->sine[l]);
    }
    *s = (sm_track_solver){0};
}
