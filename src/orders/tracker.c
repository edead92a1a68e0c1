/* Joint least-squares order tracking on one-revolution moments. */
#include "stillmount/tracker.h"

#include "core/alloc.h"
#include "core/util.h"
#include "core/wide.h"
#include "orders/track_plan.h"

#include <math.h>
#include <string.h>

enum {
    RING = 64,   /* knots kept: the longest window needs 63 */
    CHUNK = 256, /* rows whose phasors are held at once: they stay in the cache */
};

struct sm_tracker {
    const sm_order_table *table;
    size_t n_orders;           /* in the table */
    size_t n_fit;              /* fitted: merged ones left out */
    size_t n_mom;              /* n_fit + 1: order 0 has the last moment */
    size_t fit[SM_MAX_ORDERS]; /* index in the table of each fitted order */
    int sum_a[SM_MAX_ORDERS]; /* phasor of fitted order j = phasor a x phasor b; -1: by sine, cosine
                               */
    int sum_b[SM_MAX_ORDERS];
    sm_track_plan plans[SM_MAX_ORDERS];
    sm_track_solver solver;
    size_t n_pick;
    size_t *pick;
    double rate_hz;
    sm_track_fn fn;
    void *self;

    bool running; /* inside a stretch */
    double theta_before;
    double theta_last; /* the row carried over: its step of angle needs the next row */
    double rpm_last;
    double t_last;
    bool has_before;
    int64_t knot;       /* the interval [knot, knot + 1) being filled */
    int64_t first_knot; /* first complete one of the stretch */
    double knot_t_s;    /* when the angle passed `knot` */
    double knot_rpm;
    double done_s[SM_TRACK_LENGTHS];

    double *x_last; /* (n_pick) */
    double *cur;    /* (n_pick x n_mom x 2) moments of `knot` */
    double *next;   /* the same of knot + 1 */
    double *ring;   /* (RING x n_pick x n_mom x 2) */
    double ring_t_s[RING];
    double ring_rpm[RING];
    double *theta;   /* (CHUNK + 2) */
    double *rpm;     /* (CHUNK + 2) */
    double *step;    /* (CHUNK) */
    double *x;       /* (n_pick x (CHUNK + 1)) */
    double *v0;      /* (n_pick x CHUNK) x step (1 - u) */
    double *v1;      /* (n_pick x CHUNK) x step u */
    double *cosine;  /* (n_mom x CHUNK) */
    double *sine;    /* (n_mom x CHUNK) */
    double *moments; /* (n_pick x n_mom x 2) window sums */
    double *slopes;  /* the same, weighted with u as well */
    double *sides;   /* (n_pick x 2 x (2 n_fit + 1)) right-hand sides */
    double *out;     /* (2 x n_pick) */
};

/* Fitted orders as sums of two earlier ones: then their phasors are products. */
static void find_sums(sm_tracker *t)
{
    for (size_t j = 0; j < t->n_fit; j++) {
        t->sum_a[j] = -1;
        sm_ratio r = t->table->items[t->fit[j]].ratio;
        for (size_t a = 0; a < j && t->sum_a[j] < 0; a++) {
            sm_ratio ra = t->table->items[t->fit[a]].ratio;
            for (size_t b = a; b < j; b++) {
                sm_ratio rb = t->table->items[t->fit[b]].ratio;
                if (r.den % ra.den == 0 && r.den % rb.den == 0 &&
                    ra.num * (r.den / ra.den) + rb.num * (r.den / rb.den) == r.num) {
                    t->sum_a[j] = (int)a;
                    t->sum_b[j] = (int)b;
                    break;
                }
            }
        }
    }
}

static sm_status allocate(sm_tracker *t)
{
    size_t m = t->n_pick * t->n_mom * 2 + 1;
    t->pick = sm_alloc_array(t->n_pick + 1, sizeof *t->pick);
    t->x_last = sm_alloc_array(t->n_pick + 1, sizeof(double));
    t->cur = sm_alloc_array(m, sizeof(double));
    t->next = sm_alloc_array(m, sizeof(double));
    t->ring = sm_alloc_array(RING * m, sizeof(double));
    t->theta = sm_alloc_array(CHUNK + 2, sizeof(double));
    t->rpm = sm_alloc_array(CHUNK + 2, sizeof(double));
    t->step = sm_alloc_array(CHUNK, sizeof(double));
    t->x = sm_alloc_array((t->n_pick + 1) * (CHUNK + 1), sizeof(double));
    t->v0 = sm_alloc_array((t->n_pick + 1) * CHUNK, sizeof(double));
    t->v1 = sm_alloc_array((t->n_pick + 1) * CHUNK, sizeof(double));
    t->cosine = sm_alloc_array(t->n_mom * CHUNK, sizeof(double));
    t->sine = sm_alloc_array(t->n_mom * CHUNK, sizeof(double));
    t->moments = sm_alloc_array(m, sizeof(double));
    t->slopes = sm_alloc_array(m, sizeof(double));
    t->sides = sm_alloc_array(2 * m, sizeof(double));
    t->out = sm_alloc_array(2 * t->n_pick + 2, sizeof(double));
    bool good = t->pick && t->x_last && t->cur && t->next && t->ring && t->theta && t->rpm &&
                t->step && t->x && t->v0 && t->v1 && t->cosine && t->sine && t->moments &&
                t->slopes && t->sides && t->out;
    return good ? SM_OK : SM_E_NOMEM;
}

void sm_tracker_close(sm_tracker **tracker)
{
    sm_tracker *t = *tracker;
    if (!t) {
        return;
    }
    double *const owned[] = {t->x_last,  t->cur, t->next,   t->ring, t->theta,  t->rpm,
                             t->step,    t->x,   t->v0,     t->v1,   t->cosine, t->sine,
                             t->moments, t->out, t->slopes, t->sides};
    for (size_t i = 0; i < sizeof owned / sizeof owned[0]; i++) {
        sm_free(owned[i]);
    }
    sm_free(t->pick);
    sm_track_solver_free(&t->solver);
    sm_free(t);
    *tracker = NULL;
}

static void stop(sm_tracker *t);

sm_status sm_tracker_open(const sm_order_table *table, const size_t *pick, size_t n_pick,
                          double rate_hz, sm_track_fn fn, void *self, sm_tracker **out,
                          sm_error *err)
{
    if (!(rate_hz > 0) || !fn) {
        return sm_error_set(err, SM_E_ARG, NULL, 0, "order tracking needs a rate and a receiver");
    }
    sm_tracker *t = sm_alloc_array(1, sizeof *t);
    if (!t) {
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    t->table = table;
    t->n_orders = table->n;
    t->n_pick = n_pick;
    t->rate_hz = rate_hz;
    t->fn = fn;
    t->self = self;
    sm_status st = sm_track_plan_make(table, t->plans, t->fit, &t->n_fit, &t->solver);
    if (st == SM_OK) {
        t->n_mom = t->n_fit + 1;
        find_sums(t);
        st = allocate(t);
    }
    if (st != SM_OK) {
        sm_tracker_close(&t);
        return sm_error_set(err, st, NULL, 0, "out of memory");
    }
    memcpy(t->pick, pick, n_pick * sizeof *pick);
    for (size_t i = 0; i < CHUNK; i++) { /* order 0 */
        t->cosine[t->n_fit * CHUNK + i] = 1;
    }
    stop(t);
    *out = t;
    return SM_OK;
}

const sm_track_plan *sm_tracker_plans(const sm_tracker *t)
{
    return t->plans;
}

double sm_tracker_done_s(const sm_tracker *t)
{
    double done = INFINITY; /* stays so when nothing is tracked */
    for (size_t l = 0; l < SM_TRACK_LENGTHS; l++) {
        if (t->solver.used[l]) {
            done = sm_min(done, t->done_s[l]);
        }
    }
    return done;
}

static void stop(sm_tracker *t)
{
    t->running = false;
    for (size_t l = 0; l < SM_TRACK_LENGTHS; l++) {
        t->done_s[l] = -INFINITY;
    }
}

static size_t slot(int64_t knot)
{
    return (size_t)(knot % RING + RING) % RING;
}

/* Rotation by 2 pi * order * turns, exact for whole turns. */
static void rotation(sm_ratio r, int64_t turns, double *re, double *im)
{
    int64_t rest = (r.num % r.den) * (turns % r.den) % r.den;
    double phi = 2 * SM_PI * (double)rest / (double)r.den;
    *re = cos(phi);
    *im = sin(phi);
}

static void rotate(double *b, double re, double im)
{
    double b_re = b[0] * re - b[1] * im;
    b[1] = b[0] * im + b[1] * re;
    b[0] = b_re;
}

/* Window sums of the moments around centre, referred to the centre's angle. */
static void sum_window(sm_tracker *t, int64_t centre, long length)
{
    size_t m = t->n_pick * t->n_mom * 2;
    memset(t->moments, 0, m * sizeof(double));
    memset(t->slopes, 0, m * sizeof(double));
    for (int64_t j = -length / 2 + 1; j < length / 2; j++) {
        double w = 0.5 + 0.5 * cos(2 * SM_PI * (double)j / (double)length);
        double wu = w * (double)j / (double)length;
        const double *knot = t->ring + slot(centre + j) * m;
        for (size_t i = 0; i < m; i++) {
            t->moments[i] += w * knot[i];
            t->slopes[i] += wu * knot[i];
        }
    }
    for (size_t k = 0; k < t->n_fit; k++) {
        double re;
        double im;
        rotation(t->table->items[t->fit[k]].ratio, centre, &re, &im);
        for (size_t c = 0; c < t->n_pick; c++) {
            rotate(t->moments + (c * t->n_mom + k) * 2, re, im);
            rotate(t->slopes + (c * t->n_mom + k) * 2, re, im);
        }
    }
}

static void window_rpm(const sm_tracker *t, int64_t centre, long length, sm_track_point *p)
{
    double sum = 0;
    double weight = 0;
    for (int64_t j = -length / 2 + 1; j < length / 2; j++) {
        double w = 0.5 + 0.5 * cos(2 * SM_PI * (double)j / (double)length);
        sum += w * t->ring_rpm[slot(centre + j)];
        weight += w;
    }
    size_t first = slot(centre - length / 2 + 1);
    size_t last = slot(centre + length / 2 - 1);
    p->rpm = sum / weight;
    p->rpm_change = t->ring_rpm[last] - t->ring_rpm[first];
    p->t_s = t->ring_t_s[slot(centre)];
    p->t0_s = t->ring_t_s[first];
    p->t1_s = t->ring_t_s[last];
}

static sm_status emit_window(sm_tracker *t, int64_t centre, size_t l, sm_error *err)
{
    long length = sm_track_lengths[l];
    sum_window(t, centre, length);
    size_t width = t->solver.n_basis[0] + t->solver.n_basis[1];
    for (size_t c = 0; c < t->n_pick; c++) {
        size_t at = c * t->n_mom * 2;
        sm_track_solver_gather(&t->solver, t->moments + at, t->slopes + at, t->sides + c * width);
    }
    sm_track_point p = {.re_pk = t->out, .im_pk = t->out + t->n_pick};
    window_rpm(t, centre, length, &p);
    double rev_hz = (double)(length - 2) / (p.t1_s - p.t0_s);
    for (size_t k = 0; k < t->n_fit; k++) {
        size_t order = t->fit[k];
        p.i_order = order;
        p.hz = t->table->items[order].order * rev_hz;
        if (t->plans[order].window_rev != length || p.hz > 0.4 * t->rate_hz) {
            continue;
        }
        double re;
        double im;
        rotation(t->table->items[order].ratio, -centre, &re, &im);
        for (size_t c = 0; c < t->n_pick; c++) {
            double x_re;
            double x_im;
            sm_track_solver_row(&t->solver, l, k, t->sides + c * width, &x_re, &x_im);
            t->out[c] = x_re * re - x_im * im;
            t->out[t->n_pick + c] = x_re * im + x_im * re;
        }
        sm_status st = t->fn(t->self, &p, err);
        if (st != SM_OK) {
            return st;
        }
    }
    t->done_s[l] = p.t_s;
    return SM_OK;
}

/* The angle has passed knot + 1: the moments of `knot` are complete. */
static sm_status finish_knot(sm_tracker *t, double t_s, double rpm, sm_error *err)
{
    size_t m = t->n_pick * t->n_mom * 2;
    size_t s = slot(t->knot);
    memcpy(t->ring + s * m, t->cur, m * sizeof(double));
    t->ring_t_s[s] = t->knot_t_s;
    t->ring_rpm[s] = t->knot_rpm;
    double *swap = t->cur;
    t->cur = t->next;
    t->next = swap;
    memset(t->next, 0, m * sizeof(double));
    int64_t done = t->knot++;
    t->knot_t_s = t_s;
    t->knot_rpm = rpm;
    for (size_t l = 0; l < SM_TRACK_LENGTHS; l++) {
        long length = sm_track_lengths[l];
        int64_t centre = done - length / 2 + 1;
        if (t->solver.used[l] && centre - length / 2 + 1 >= t->first_knot &&
            centre % (length / 4) == 0) {
            sm_status st = emit_window(t, centre, l, err);
            if (st != SM_OK) {
                return st;
            }
        }
    }
    return SM_OK;
}

static void begin(sm_tracker *t, double theta, double t_s, double rpm)
{
    stop(t);
    t->running = true;
    t->has_before = false;
    t->knot = (int64_t)floor(theta);
    t->first_knot = (int64_t)ceil(theta) + 1;
    t->knot_t_s = t_s;
    t->knot_rpm = rpm;
    size_t m = t->n_pick * t->n_mom * 2;
    memset(t->cur, 0, m * sizeof(double));
    memset(t->next, 0, m * sizeof(double));
}

/* Phasors exp(-2 pi i o theta) of all fitted orders for n rows. */
static void phasors(sm_tracker *t, size_t n)
{
    for (size_t j = 0; j < t->n_fit; j++) {
        double *restrict c = t->cosine + j * CHUNK;
        double *restrict s = t->sine + j * CHUNK;
        if (t->sum_a[j] < 0) {
            double order = t->table->items[t->fit[j]].order;
            for (size_t i = 0; i < n; i++) {
                double turns = order * t->theta[i];
                double phi = -2 * SM_PI * (turns - floor(turns));
                c[i] = cos(phi);
                s[i] = sin(phi);
            }
            continue;
        }
        const double *ca = t->cosine + (size_t)t->sum_a[j] * CHUNK;
        const double *sa = t->sine + (size_t)t->sum_a[j] * CHUNK;
        const double *cb = t->cosine + (size_t)t->sum_b[j] * CHUNK;
        const double *sb = t->sine + (size_t)t->sum_b[j] * CHUNK;
        for (size_t i = 0; i < n; i++) {
            c[i] = ca[i] * cb[i] - sa[i] * sb[i];
            s[i] = ca[i] * sb[i] + sa[i] * cb[i];
        }
    }
}

/* One order's share of one channel: four dot products, two weightings with cosine and sine. */
SM_WIDE static void add_products(const double *c, const double *s, const double *v0,
                                 const double *v1, size_t n, double *cur, double *next)
{
    sm_v4 sum[4] = {{0}};
    size_t i = 0;
    for (; i + 4 <= n; i += 4) {
        sm_v4 cosine;
        sm_v4 sine;
        sm_v4 first;
        sm_v4 second;
        memcpy(&cosine, c + i, sizeof cosine);
        memcpy(&sine, s + i, sizeof sine);
        memcpy(&first, v0 + i, sizeof first);
        memcpy(&second, v1 + i, sizeof second);
        sum[0] += first * cosine;
        sum[1] += first * sine;
        sum[2] += second * cosine;
        sum[3] += second * sine;
    }
    double total[4];
    for (size_t k = 0; k < 4; k++) {
        total[k] = (sum[k][0] + sum[k][2]) + (sum[k][1] + sum[k][3]);
    }
    for (; i < n; i++) {
        total[0] += v0[i] * c[i];
        total[1] += v0[i] * s[i];
        total[2] += v1[i] * c[i];
        total[3] += v1[i] * s[i];
    }
    cur[0] += total[0];
    cur[1] += total[1];
    next[0] += total[2];
    next[1] += total[3];
}

/* Rows [from, to) lie in the interval of the current knot. */
static void add_rows(sm_tracker *t, size_t from, size_t to)
{
    for (size_t c = 0; c < t->n_pick; c++) {
        for (size_t j = 0; j < t->n_mom; j++) {
            size_t at = (c * t->n_mom + j) * 2;
            add_products(t->cosine + j * CHUNK + from, t->sine + j * CHUNK + from,
                         t->v0 + c * CHUNK + from, t->v1 + c * CHUNK + from, to - from, t->cur + at,
                         t->next + at);
        }
    }
}

static void weigh(sm_tracker *t, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        double before = i ? t->theta[i - 1] : t->has_before ? t->theta_before : t->theta[0];
        t->step[i] = (t->theta[i + 1] - before) / 2;
    }
    for (size_t c = 0; c < t->n_pick; c++) {
        const double *x = t->x + c * (CHUNK + 1);
        for (size_t i = 0; i < n; i++) {
            double u = t->theta[i] - floor(t->theta[i]);
            double v = x[i] * t->step[i];
            t->v1[c * CHUNK + i] = v * u;
            t->v0[c * CHUNK + i] = v - v * u;
        }
    }
}

/*
 * n rows whose successor is known: theta[0..n], the last one only for its angle. t0_s is the time
 * of row 0.
 */
static sm_status process(sm_tracker *t, size_t n, double t0_s, sm_error *err)
{
    phasors(t, n);
    weigh(t, n);
    for (size_t i = 0; i < n;) {
        size_t from = i;
        double top = (double)(t->knot + 1);
        while (i < n && t->theta[i] < top) {
            i++;
        }
        add_rows(t, from, i);
        if (i == n) {
            break;
        }
        double before = i ? t->theta[i - 1] : t->has_before ? t->theta_before : t->theta[i];
        double part = t->theta[i] > before ? (t->theta[i] - top) / (t->theta[i] - before) : 0;
        double t_s = t0_s + ((double)i - part) / t->rate_hz;
        sm_status st = finish_knot(t, t_s, t->rpm[i], err);
        if (st != SM_OK) {
            return st;
        }
    }
    t->theta_before = t->theta[n - 1];
    t->has_before = true;
    return SM_OK;
}

static void carry(sm_tracker *t, const sm_block *b, size_t i)
{
    t->theta_last = b->theta_rev[i];
    t->rpm_last = b->rpm[i];
    t->t_last = b->t0_s + (double)i / b->rate_hz;
    for (size_t c = 0; c < t->n_pick; c++) {
        t->x_last[c] = b->x[t->pick[c]][i];
    }
}

/* Rows [i, i + n) of the block behind the carried one; n <= CHUNK. */
static sm_status take(sm_tracker *t, const sm_block *b, size_t i, size_t n, sm_error *err)
{
    t->theta[0] = t->theta_last;
    t->rpm[0] = t->rpm_last;
    memcpy(t->theta + 1, b->theta_rev + i, n * sizeof(double));
    memcpy(t->rpm + 1, b->rpm + i, n * sizeof(double));
    for (size_t c = 0; c < t->n_pick; c++) {
        t->x[c * (CHUNK + 1)] = t->x_last[c];
        memcpy(t->x + c * (CHUNK + 1) + 1, b->x[t->pick[c]] + i, n * sizeof(double));
    }
    sm_status st = process(t, n, t->t_last, err);
    carry(t, b, i + n - 1);
    return st;
}

/* Longest run of rows from i on whose angle is known and does not run back or leap. */
static size_t good_rows(const sm_tracker *t, const sm_block *b, size_t i)
{
    size_t n = 0;
    double last = t->theta_last;
    while (n < CHUNK && i + n < b->n_rows) {
        double theta = b->theta_rev[i + n];
        if (!(theta >= last && theta - last < 1)) {
            break;
        }
        last = theta;
        n++;
    }
    return n;
}

static sm_status push(void *self, const sm_block *b, sm_error *err)
{
    sm_tracker *t = self;
    if (!b->theta_rev || !b->rpm || t->n_fit == 0) {
        return SM_OK;
    }
    for (size_t i = 0; i < b->n_rows;) {
        if (!t->running) {
            if (isfinite(b->theta_rev[i])) {
                carry(t, b, i);
                begin(t, t->theta_last, t->t_last, t->rpm_last);
            }
            i++;
            continue;
        }
        size_t n = good_rows(t, b, i);
        if (n == 0) {
            stop(t);
            continue;
        }
        sm_status st = take(t, b, i, n, err);
        if (st != SM_OK) {
            return st;
        }
        i += n;
    }
    return SM_OK;
}

static sm_status mark(void *self, sm_mark m, double t_s, sm_error *err)
{
    (void)m;
    (void)t_s;
    (void)err;
    stop(self);
    return SM_OK;
}

sm_sink sm_tracker_sink(sm_tracker *t)
{
    return (sm_sink){.self = t, .push = push, .mark = mark};
}
