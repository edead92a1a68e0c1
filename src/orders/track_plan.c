/*
 * Windows of L revolutions are sums of hat functions on whole revolutions, so their transform is
 * known in closed form: W(d) = sinc^2(d) * sum_j w_j cos(2 pi d j). Everything here follows from
 * it.
 */
#include "orders/track_plan.h"

#include "core/alloc.h"
#include "core/util.h"
#include "core/wide.h"
#include "orders/solve.h"

#include <math.h>

const long sm_track_lengths[SM_TRACK_LENGTHS] = {16, 24, 32, 48, 64};

#define INFLATION_MAX 1.25 /* of the amplitude's standard deviation: about 2 dB of noise */
#define CLEAR_BINS 1.8 /* turns x distance of orders: a strong neighbour's curvature stays out */
#define RIDGE 1e-10    /* bounds the inverse where two orders are nearly one */

enum { KNOTS = 32 }; /* on each side of the centre, of the longest window */

/* The knots' weights on one side, for powers 0 to 2 of j / L. */
typedef struct window {
    long length;
    double q[2][3][KNOTS]; /* plain; squared */
} window;

static window window_of(long length)
{
    window v = {.length = length};
    for (long j = 0; j < length / 2; j++) {
        double w = 0.5 + 0.5 * cos(2 * SM_PI * (double)j / (double)length);
        double x = (double)j / (double)length;
        for (size_t square = 0; square < 2; square++) {
            double q = square ? w * w : w;
            v.q[square][0][j] = q;
            v.q[square][1][j] = q * x;
            v.q[square][2][j] = q * x * x;
        }
    }
    return v;
}

/*
 * What two functions have in common, at the sum or at the difference of their orders. plain: the
 * integral of the window of knots w_j (j / L)^test times u^trial over cos, or over sin when
 * test + trial is odd, of 2 pi d theta. squared: of the product of two windows, for the noise:
 * w_j^2 on hats, trial taken at the knots.
 */
typedef struct overlap {
    double plain[2][2]; /* [test][trial] */
    double squared[3];  /* [test + trial] */
} overlap;

/* A hat function has the transform sinc^2; u times it, the derivative of that. */
static overlap overlap_at(const window *w, double d)
{
    double step_re = cos(2 * SM_PI * d);
    double step_im = sin(2 * SM_PI * d);
    double re = 1;
    double im = 0;
    double sum[2][3] = {{0}}; /* over the knots, of q_j cos(2 pi d j), of sin for odd powers */
    for (long j = 1; j < w->length / 2; j++) {
        double next = re * step_re - im * step_im;
        im = re * step_im + im * step_re;
        re = next;
        for (size_t square = 0; square < 2; square++) {
            sum[square][0] += w->q[square][0][j] * re;
            sum[square][1] += w->q[square][1][j] * im;
            sum[square][2] += w->q[square][2][j] * re;
        }
    }
    double x = SM_PI * d;
    bool tiny = fabs(x) < 1e-6;
    double sinc = tiny ? 1 : sin(x) / x;
    double slope = tiny ? 0 : 2 * sinc * (cos(x) - sinc) / d / (2 * SM_PI * (double)w->length);
    double hat[2][3];
    for (size_t square = 0; square < 2; square++) {
        for (size_t power = 0; power < 3; power++) {
            hat[square][power] = w->q[square][power][0] + 2 * sum[square][power];
        }
    }
    overlap o;
    for (size_t test = 0; test < 2; test++) {
        o.plain[test][0] = sinc * sinc * hat[0][test];
        o.plain[test][1] =
            sinc * sinc * hat[0][test + 1] + (test == 1 ? slope : -slope) * hat[0][test];
    }
    for (size_t power = 0; power < 3; power++) {
        o.squared[power] = sinc * sinc * hat[1][power];
    }
    return o;
}

/* Of each pair of orders, the later one first. */
typedef struct pair {
    overlap sum;
    overlap difference;
} pair;

static size_t pair_index(size_t a, size_t b)
{
    return a >= b ? a * (a + 1) / 2 + b : b * (b + 1) / 2 + a;
}

static void fill_pairs(const double *orders, size_t n, long length, pair *pairs)
{
    window w = window_of(length);
    for (size_t a = 0; a < n; a++) {
        for (size_t b = 0; b <= a; b++) {
            pairs[pair_index(a, b)] = (pair){overlap_at(&w, orders[a] + orders[b]),
                                             overlap_at(&w, orders[a] - orders[b])};
        }
    }
}

static double entry(const pair *pairs, const sm_track_basis *a, const sm_track_basis *b,
                    bool squared)
{
    const pair *p = &pairs[pair_index(a->k, b->k)];
    size_t power = (size_t)(a->power + b->power);
    double sum = squared ? p->sum.squared[power] : p->sum.plain[a->power][b->power];
    double difference =
        squared ? p->difference.squared[power] : p->difference.plain[a->power][b->power];
    if (power % 2) { /* cos times -sin: odd in the difference */
        bool turned = (a->k < b->k) != a->cosine;
        return -0.5 * (sum + (turned ? -difference : difference));
    }
    return 0.5 * (difference + (a->cosine ? sum : -sum));
}

/* Rows are the windows that the data are weighted with, columns the functions that are fitted. */
static void normal_matrix(const pair *pairs, const sm_track_basis *basis, size_t n, bool squared,
                          double *a)
{
    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j < n; j++) {
            a[i * n + j] = entry(pairs, &basis[i], &basis[j], squared);
        }
    }
}

/* The orders first, then the constant (or its slope), then the slopes. */
static size_t make_basis(size_t n, const bool *linear, bool even, sm_track_basis *basis)
{
    size_t count = 0;
    for (size_t k = 0; k < n; k++) {
        basis[count++] = (sm_track_basis){k, 0, even};
    }
    basis[count++] = (sm_track_basis){n, even ? 0 : 1, true};
    for (size_t k = 0; k < n; k++) {
        if (linear[k]) {
            basis[count++] = (sm_track_basis){k, 1, !even};
        }
    }
    return count;
}

typedef struct scratch {
    double *a;
    double *b;
    double *inverse;
    double *work;
    pair *pairs; /* of one length */
    sm_track_basis basis[2 * SM_MAX_ORDERS + 1];
    double orders[SM_MAX_ORDERS + 1]; /* of the fit, then 0 for the constant */
    bool linear[SM_MAX_ORDERS];
    double inflation[SM_MAX_ORDERS];
} scratch;

static bool scratch_open(scratch *s, size_t n)
{
    size_t m = (2 * n + 1) * (2 * n + 1);
    s->a = sm_alloc_array(m, sizeof(double));
    s->b = sm_alloc_array(m, sizeof(double));
    s->inverse = sm_alloc_array(m, sizeof(double));
    s->work = sm_alloc_array(m, sizeof(double));
    s->pairs = sm_alloc_array((n + 1) * (n + 2) / 2, sizeof *s->pairs);
    return s->a && s->b && s->inverse && s->work && s->pairs;
}

static void scratch_close(scratch *s)
{
    sm_free(s->a);
    sm_free(s->b);
    sm_free(s->inverse);
    sm_free(s->work);
    sm_free(s->pairs);
}

/* Sandwich variance of order k of one part over that of a lone order. */
static double variance_ratio(const scratch *s, size_t rows, size_t k, const overlap *own)
{
    double v = 0;
    for (size_t i = 0; i < rows; i++) {
        double row = 0;
        for (size_t j = 0; j < rows; j++) {
            row += s->b[i * rows + j] * s->inverse[k * rows + j];
        }
        v += s->inverse[k * rows + i] * row;
    }
    double sum = own->plain[0][0];
    return v / (2 * own->squared[0] / (sum * sum));
}

/* Inflation of the standard deviation of each order in a window of that length. */
static void inflations(size_t n, long length, scratch *s)
{
    for (size_t k = 0; k < n; k++) {
        s->inflation[k] = 0;
    }
    s->orders[n] = 0;
    fill_pairs(s->orders, n + 1, length, s->pairs);
    const overlap *own = &s->pairs[0].difference; /* of an order with itself */
    for (int even = 1; even >= 0; even--) {
        size_t rows = make_basis(n, s->linear, even, s->basis);
        normal_matrix(s->pairs, s->basis, rows, false, s->a);
        normal_matrix(s->pairs, s->basis, rows, true, s->b);
        bool good = sm_invert(s->a, rows, RIDGE, s->inverse, s->work);
        for (size_t k = 0; k < n; k++) {
            s->inflation[k] += good ? 0.5 * variance_ratio(s, rows, k, own) : 1e9;
        }
    }
    for (size_t k = 0; k < n; k++) {
        s->inflation[k] = sqrt(s->inflation[k]);
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
                      const double *inflation, bool *linear)
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
        linear[i] = linear[i + 1];
    }
    (*n)--;
    return true;
}

/* Distance to the nearest other order. */
static double neighbour(const double *orders, size_t n, size_t k)
{
    double below = k > 0 ? orders[k] - orders[k - 1] : orders[k];
    return k + 1 < n ? sm_min(below, orders[k + 1] - orders[k]) : below;
}

/* Orders too close for slopes do without: the first remedy, before two become one. */
static bool drop_slopes(size_t n, scratch *s)
{
    bool dropped = false;
    for (size_t k = 0; k < n; k++) {
        if (s->inflation[k] > INFLATION_MAX && s->linear[k]) {
            s->linear[k] = false;
            dropped = true;
        }
    }
    return dropped;
}

static void choose_windows(const sm_order_table *table, sm_track_plan *plans, size_t *fit,
                           size_t *n, scratch *s)
{
    long longest = sm_track_lengths[SM_TRACK_LENGTHS - 1];
    for (size_t k = 0; k < *n; k++) {
        s->linear[k] = true;
    }
    for (bool again = true; again;) {
        for (size_t k = 0; k < *n; k++) {
            s->orders[k] = table->items[fit[k]].order;
        }
        inflations(*n, longest, s);
        again = drop_slopes(*n, s);
        for (size_t k = 0; k < *n && !again; k++) {
            again = s->inflation[k] > INFLATION_MAX &&
                    merge_one(table, plans, fit, n, s->inflation, s->linear);
        }
    }
    bool clear[SM_MAX_ORDERS] = {false}; /* a window that keeps clear of the neighbours is found */
    for (size_t l = SM_TRACK_LENGTHS; l-- > 0;) {
        double length = (double)sm_track_lengths[l];
        inflations(*n, sm_track_lengths[l], s);
        for (size_t k = 0; k < *n; k++) {
            bool is_clear = length * neighbour(s->orders, *n, k) >= CLEAR_BINS;
            bool good = s->inflation[k] <= INFLATION_MAX && (is_clear || !clear[k]);
            if (good || l == SM_TRACK_LENGTHS - 1) {
                plans[fit[k]].window_rev = sm_track_lengths[l];
                plans[fit[k]].inflation = sm_max(1, s->inflation[k]);
                clear[k] = is_clear;
            }
        }
    }
}

static sm_status make_solver(const sm_track_plan *plans, const size_t *fit, size_t n, scratch *s,
                             sm_track_solver *solver)
{
    solver->n = n;
    for (size_t part = 0; part < 2; part++) {
        solver->basis[part] = sm_alloc_array(2 * n + 1, sizeof *solver->basis[part]);
        if (!solver->basis[part]) {
            return SM_E_NOMEM;
        }
        solver->n_basis[part] = make_basis(n, s->linear, part == 0, solver->basis[part]);
    }
    for (size_t l = 0; l < SM_TRACK_LENGTHS; l++) {
        for (size_t k = 0; k < n; k++) {
            solver->used[l] |= plans[fit[k]].window_rev == sm_track_lengths[l];
        }
        if (solver->used[l]) {
            fill_pairs(s->orders, n + 1, sm_track_lengths[l], s->pairs);
        }
        for (size_t part = 0; part < 2; part++) {
            size_t rows = solver->n_basis[part];
            solver->inverse[l][part] = sm_alloc_array(rows * rows, sizeof(double));
            if (!solver->inverse[l][part]) {
                return SM_E_NOMEM;
            }
            if (solver->used[l]) {
                normal_matrix(s->pairs, solver->basis[part], rows, false, s->a);
                (void)sm_invert(s->a, rows, RIDGE, solver->inverse[l][part], s->work);
            }
        }
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
        st = make_solver(plans, fit, n, &s, solver);
    }
    scratch_close(&s);
    *n_fit = n;
    return st;
}

void sm_track_solver_gather(const sm_track_solver *s, const double *moments, const double *slopes,
                            double *out)
{
    for (size_t part = 0; part < 2; part++) {
        const sm_track_basis *b = s->basis[part];
        size_t j = 0;
        for (; j < s->n; j++) { /* the orders come first */
            *out++ = moments[2 * b[j].k + !b[j].cosine];
        }
        for (; j < s->n_basis[part]; j++) {
            *out++ = (b[j].power ? slopes : moments)[2 * b[j].k + !b[j].cosine];
        }
    }
}

SM_WIDE_INLINE double dot(const double *a, const double *b, size_t n)
{
    sm_v4 sum = {0};
    size_t i = 0;
    for (; i + 4 <= n; i += 4) {
        sm_v4 x;
        sm_v4 y;
        memcpy(&x, a + i, sizeof x);
        memcpy(&y, b + i, sizeof y);
        sum += x * y;
    }
    for (; i < n; i++) {
        sum[0] += a[i] * b[i];
    }
    return (sum[0] + sum[1]) + (sum[2] + sum[3]);
}

SM_WIDE void sm_track_solver_row(const sm_track_solver *s, size_t l, size_t k,
                                 const double *gathered, double *re, double *im)
{
    size_t n = s->n_basis[0];
    *re = dot(s->inverse[l][0] + k * n, gathered, n);
    *im = dot(s->inverse[l][1] + k * s->n_basis[1], gathered + n, s->n_basis[1]);
}

void sm_track_solver_free(sm_track_solver *s)
{
    for (size_t part = 0; part < 2; part++) {
        sm_free(s->basis[part]);
        for (size_t l = 0; l < SM_TRACK_LENGTHS; l++) {
            sm_free(s->inverse[l][part]);
        }
    }
    *s = (sm_track_solver){0};
}
