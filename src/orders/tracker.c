/* Joint least-squares order tracking on one-revolution moments. */
#include "stillmount/tracker.h"

#include "core/alloc.h"
#include "core/util.h"
#include "core/wide.h"
#include "orders/moments.h"
#include "orders/track_plan.h"

#include <math.h>
#include <string.h>

enum {
    RING = 64, /* knots kept: the longest window needs 63 */
    CHUNK = SM_MOMENT_ROWS,
    TILE = 16,   /* moments that are summed over a window at once */
    PARTS = 128, /* of a turn: denominators of orders up to this are tabulated */
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
    bool borrowed; /* the solver is another tracker's */
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

    double weight[SM_TRACK_LENGTHS][RING];   /* of the knots in a window; [0] is not used */
    double weight_u[SM_TRACK_LENGTHS][RING]; /* the same, times the place in the window */
    double turned[2 * SM_MAX_ORDERS];        /* rotations to the centre of the window in work */
    double *rotations; /* (n_fit x PARTS x 2) cosine and sine of a part of a turn */
    size_t m;          /* n_pick x n_mom x 2, in whole tiles */
    double *x_last;    /* (n_pick) */
    double *cur;       /* (n_pick x n_mom x 2) moments of `knot` */
    double *next;      /* the same of knot + 1 */
    double *ring;      /* (RING x m) */
    double ring_t_s[RING];
    double ring_rpm[RING];
    double *theta; /* (CHUNK + 2) from the row before the first to the one behind the last, and 8 of
                      slack */
    double *rpm;   /* (CHUNK + 2) */
    double *x;     /* (n_pick x (CHUNK + 1)) */
    float *v;      /* (n_pick x 2 x CHUNK) eights of x step (1 - u) and of x step u in turns */
    float *cosine; /* (n_mom x CHUNK) */
    float *sine;   /* (n_mom x CHUNK) */
    double *moments; /* (m) window sums */
    double *slopes;  /* the same, weighted with u as well */
    double *sides;   /* (n_pick x 2 x (2 n_fit + 1)) right-hand sides */
    double *out;     /* (2 x n_pick) */
};

static bool is_sum(sm_ratio r, sm_ratio a, sm_ratio b)
{
    return r.den % a.den == 0 && r.den % b.den == 0 &&
           a.num * (r.den / a.den) + b.num * (r.den / b.den) == r.num;
}

/* Fitted orders as sums of two earlier ones, so that their phasors are products: of the fewest
 * factors, because each rounds. */
static void find_sums(sm_tracker *t)
{
    int depth[SM_MAX_ORDERS];
    for (size_t j = 0; j < t->n_fit; j++) {
        t->sum_a[j] = -1;
        depth[j] = 0;
        for (size_t a = 0; a < j; a++) {
            for (size_t b = a; b < j; b++) {
                int d = 1 + (depth[a] > depth[b] ? depth[a] : depth[b]);
                if ((t->sum_a[j] < 0 || d < depth[j]) &&
                    is_sum(t->table->items[t->fit[j]].ratio, t->table->items[t->fit[a]].ratio,
                           t->table->items[t->fit[b]].ratio)) {
                    t->sum_a[j] = (int)a;
                    t->sum_b[j] = (int)b;
                    depth[j] = d;
                }
            }
        }
    }
}

static sm_status allocate(sm_tracker *t)
{
    t->m = (t->n_pick * t->n_mom * 2 + TILE - 1) / TILE * TILE;
    size_t m = t->m + 1;
    t->pick = sm_alloc_array(t->n_pick + 1, sizeof *t->pick);
    t->x_last = sm_alloc_array(t->n_pick + 1, sizeof(double));
    t->cur = sm_alloc_array(m, sizeof(double));
    t->next = sm_alloc_array(m, sizeof(double));
    t->ring = sm_alloc_array(RING * m, sizeof(double));
    t->theta = sm_alloc_array(CHUNK + 2 + 8, sizeof(double));
    t->rpm = sm_alloc_array(CHUNK + 2, sizeof(double));
    t->x = sm_alloc_array((t->n_pick + 1) * (CHUNK + 1), sizeof(double));
    t->v = sm_alloc_array((t->n_pick + 1) * 2 * CHUNK, sizeof(float));
    t->cosine = sm_alloc_array(t->n_mom * CHUNK, sizeof(float));
    t->sine = sm_alloc_array(t->n_mom * CHUNK, sizeof(float));
    t->moments = sm_alloc_array(m, sizeof(double));
    t->slopes = sm_alloc_array(m, sizeof(double));
    t->sides = sm_alloc_array(2 * m, sizeof(double));
    t->out = sm_alloc_array(2 * t->n_pick + 2, sizeof(double));
    t->rotations = sm_alloc_array((t->n_fit + 1) * PARTS * 2, sizeof(double));
    bool good = t->pick && t->x_last && t->cur && t->next && t->ring && t->theta && t->rpm &&
                t->x && t->v && t->cosine && t->sine && t->moments && t->slopes && t->sides &&
                t->out && t->rotations;
    return good ? SM_OK : SM_E_NOMEM;
}

void sm_tracker_close(sm_tracker **tracker)
{
    sm_tracker *t = *tracker;
    if (!t) {
        return;
    }
    void *const owned[] = {t->x_last, t->cur,     t->next,   t->ring,  t->theta,
                           t->rpm,    t->x,       t->v,      t->out,   t->cosine,
                           t->sine,   t->moments, t->slopes, t->sides, t->rotations};
    for (size_t i = 0; i < sizeof owned / sizeof owned[0]; i++) {
        sm_free(owned[i]);
    }
    sm_free(t->pick);
    if (!t->borrowed) {
        sm_track_solver_free(&t->solver);
    }
    sm_free(t);
    *tracker = NULL;
}

static void stop(sm_tracker *t);
static void fill_rotations(sm_tracker *t);

/* What is known of the orders before any data: worked out, or taken from another tracker. */
static sm_status plan(sm_tracker *t, const sm_tracker *like)
{
    if (!like) {
        return sm_track_plan_make(t->table, t->plans, t->fit, &t->n_fit, &t->solver);
    }
    memcpy(t->plans, like->plans, sizeof t->plans);
    memcpy(t->fit, like->fit, sizeof t->fit);
    t->n_fit = like->n_fit;
    t->solver = like->solver;
    t->borrowed = true;
    return SM_OK;
}

static sm_status open_tracker(const sm_tracker *like, const sm_order_table *table,
                              const size_t *pick, size_t n_pick, double rate_hz, sm_track_fn fn,
                              void *self, sm_tracker **out, sm_error *err)
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
    sm_status st = plan(t, like);
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
    for (size_t l = 0; l < SM_TRACK_LENGTHS; l++) {
        for (long j = 1; j < sm_track_lengths[l]; j++) {
            double u = (double)j / (double)sm_track_lengths[l] - 0.5;
            double w = 0.5 + 0.5 * cos(2 * SM_PI * u);
            t->weight[l][j] = w;
            t->weight_u[l][j] =
                w * (double)(j - sm_track_lengths[l] / 2) / (double)sm_track_lengths[l];
        }
    }
    fill_rotations(t);
    for (size_t i = 0; i < CHUNK; i++) { /* order 0 */
        t->cosine[t->n_fit * CHUNK + i] = 1;
    }
    stop(t);
    *out = t;
    return SM_OK;
}

sm_status sm_tracker_open(const sm_order_table *table, const size_t *pick, size_t n_pick,
                          double rate_hz, sm_track_fn fn, void *self, sm_tracker **out,
                          sm_error *err)
{
    return open_tracker(NULL, table, pick, n_pick, rate_hz, fn, self, out, err);
}

sm_status sm_tracker_open_like(const sm_tracker *like, const size_t *pick, size_t n_pick,
                               sm_track_fn fn, void *self, sm_tracker **out, sm_error *err)
{
    return open_tracker(like, like->table, pick, n_pick, like->rate_hz, fn, self, out, err);
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

/* Parts of a turn by which an order of this denominator can be off after whole turns. */
static void fill_rotations(sm_tracker *t)
{
    for (size_t j = 0; j < t->n_fit; j++) {
        sm_ratio r = t->table->items[t->fit[j]].ratio;
        for (int64_t rest = 0; rest < r.den && rest < PARTS; rest++) {
            double phi = 2 * SM_PI * (double)rest / (double)r.den;
            double *at = t->rotations + (j * PARTS + (size_t)rest) * 2;
            at[0] = cos(phi);
            at[1] = sin(phi);
        }
    }
}

/* Rotation by 2 pi * order * turns of fitted order j, exact for whole turns. */
static void rotation(const sm_tracker *t, size_t j, int64_t turns, double *re, double *im)
{
    sm_ratio r = t->table->items[t->fit[j]].ratio;
    int64_t rest = (r.num % r.den) * (turns % r.den) % r.den;
    int64_t size = rest < 0 ? -rest : rest;
    if (r.den > PARTS) { /* no gearbox that is built */
        double phi = 2 * SM_PI * (double)size / (double)r.den;
        *re = cos(phi);
        *im = rest < 0 ? -sin(phi) : sin(phi);
        return;
    }
    const double *at = t->rotations + (j * PARTS + (size_t)size) * 2;
    *re = at[0];
    *im = rest < 0 ? -at[1] : at[1];
}

static void rotate(double *b, double re, double im)
{
    double b_re = b[0] * re - b[1] * im;
    b[1] = b[0] * im + b[1] * re;
    b[0] = b_re;
}

/* Sums over the knots centre + j, |j| < length / 2, of w_j and of w_j j / length times the moments.
 */
SM_WIDEST static void sum_knots(const double *ring, size_t m, int64_t centre, long length,
                                const double *weight, const double *weight_u, double *moments,
                                double *slopes)
{
    for (size_t at = 0; at < m; at += TILE) {
        sm_v8 sum[TILE / 8] = {{0}};
        sm_v8 slope[TILE / 8] = {{0}};
        for (long j = 1; j < length; j++) {
            double w = weight[j];
            double wu = weight_u[j];
            const double *knot = ring + slot(centre + j - length / 2) * m + at;
            for (size_t i = 0; i < TILE / 8; i++) {
                sm_v8 v;
                memcpy(&v, knot + 8 * i, sizeof v);
                sum[i] += w * v;
                slope[i] += wu * v;
            }
        }
        memcpy(moments + at, sum, sizeof sum);
        memcpy(slopes + at, slope, sizeof slope);
    }
}

/* Window sums of the moments around centre, referred to the centre's angle. */
static void sum_window(sm_tracker *t, int64_t centre, size_t l)
{
    sum_knots(t->ring, t->m, centre, sm_track_lengths[l], t->weight[l], t->weight_u[l], t->moments,
              t->slopes);
    for (size_t k = 0; k < t->n_fit; k++) {
        double *r = t->turned + 2 * k;
        rotation(t, k, centre, &r[0], &r[1]);
        for (size_t c = 0; c < t->n_pick; c++) {
            rotate(t->moments + (c * t->n_mom + k) * 2, r[0], r[1]);
            rotate(t->slopes + (c * t->n_mom + k) * 2, r[0], r[1]);
        }
    }
}

static void window_rpm(const sm_tracker *t, int64_t centre, size_t l, sm_track_point *p)
{
    long length = sm_track_lengths[l];
    double sum = 0;
    double weight = 0;
    for (int64_t j = -length / 2 + 1; j < length / 2; j++) {
        double w = t->weight[l][j + length / 2];
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
    sum_window(t, centre, l);
    size_t width = t->solver.n_basis[0] + t->solver.n_basis[1];
    for (size_t c = 0; c < t->n_pick; c++) {
        size_t at = c * t->n_mom * 2;
        sm_track_solver_gather(&t->solver, t->moments + at, t->slopes + at, t->sides + c * width);
    }
    sm_track_point p = {.re_pk = t->out, .im_pk = t->out + t->n_pick};
    window_rpm(t, centre, l, &p);
    double rev_hz = (double)(length - 2) / (p.t1_s - p.t0_s);
    for (size_t k = 0; k < t->n_fit; k++) {
        size_t order = t->fit[k];
        p.i_order = order;
        p.hz = t->table->items[order].order * rev_hz;
        if (t->plans[order].window_rev != length || p.hz > 0.4 * t->rate_hz) {
            continue;
        }
        double re = t->turned[2 * k];
        double im = -t->turned[2 * k + 1]; /* back again */
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
    size_t m = t->m;
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
    memset(t->cur, 0, t->m * sizeof(double));
    memset(t->next, 0, t->m * sizeof(double));
}

/* Phasors of all fitted orders for n rows; theta is that of the first. Up to seven more are worked
 * out, of whatever angles stand there, which nothing is multiplied with. */
static void phasors(sm_tracker *t, const double *theta, size_t n)
{
    n = (n + 7) / 8 * 8;
    for (size_t j = 0; j < t->n_fit; j++) {
        float *c = t->cosine + j * CHUNK;
        float *s = t->sine + j * CHUNK;
        if (t->sum_a[j] < 0) {
            sm_phasors_base(t->table->items[t->fit[j]].order, theta, n, c, s);
            continue;
        }
        size_t a = (size_t)t->sum_a[j] * CHUNK;
        size_t b = (size_t)t->sum_b[j] * CHUNK;
        sm_phasors_multiply(t->cosine + a, t->sine + a, t->cosine + b, t->sine + b, n, c, s);
    }
}

/* Rows [from, from + n) of the chunk lie in the interval of the current knot. */
static void add_rows(sm_tracker *t, size_t from, size_t n)
{
    const double *theta = t->theta + 1 + from;
    phasors(t, theta, n);
    for (size_t c = 0; c < t->n_pick; c++) {
        sm_moments_weigh(theta, (double)t->knot, t->x + c * (CHUNK + 1) + from, n,
                         t->v + 2 * c * CHUNK);
    }
    sm_moments_add(t->cosine, t->sine, t->v, n, t->n_pick, t->n_mom, t->cur, t->next);
}

/*
 * n rows whose successor is known: theta[1..n + 1], the last one only for its angle, as is the
 * first, of the row before. t0_s is the time of the first row.
 */
static sm_status process(sm_tracker *t, size_t n, double t0_s, sm_error *err)
{
    for (size_t i = 0; i < n;) {
        const double *theta = t->theta + 1;
        size_t from = i;
        double top = (double)(t->knot + 1);
        while (i < n && theta[i] < top) {
            i++;
        }
        if (i > from) {
            add_rows(t, from, i - from);
        }
        if (i == n) {
            break;
        }
        double before = t->theta[i];
        double part = theta[i] > before ? (theta[i] - top) / (theta[i] - before) : 0;
        double t_s = t0_s + ((double)i - part) / t->rate_hz;
        sm_status st = finish_knot(t, t_s, t->rpm[i], err);
        if (st != SM_OK) {
            return st;
        }
    }
    t->theta_before = t->theta[n];
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
    t->theta[0] = t->has_before ? t->theta_before : t->theta_last;
    t->theta[1] = t->theta_last;
    t->rpm[0] = t->rpm_last;
    memcpy(t->theta + 2, b->theta_rev + i, n * sizeof(double));
    memcpy(t->rpm + 1, b->rpm + i, n * sizeof(double));
    for (size_t c = 0; c < t->n_pick; c++) {
        t->x[c * (CHUNK + 1)] = t->x_last[c];
        memcpy(t->x + c * (CHUNK + 1) + 1, b->x[t->pick[c]] + i, n * sizeof(double));
    }
    sm_status st = process(t, n, t->t_last, err);
    carry(t, b, i + n - 1);
    return st;
}

/* Do n angles, whole fours behind the first, grow by less than a turn each? */
SM_WIDE static bool all_grow(const double *theta, size_t n)
{
    sm_i4 good = {-1, -1, -1, -1};
    for (size_t i = 1; i < n; i += 4) {
        sm_v4 x;
        sm_v4 before;
        memcpy(&x, theta + i, sizeof x);
        memcpy(&before, theta + i - 1, sizeof before);
        good &= (x >= before) & (x - before < 1);
    }
    return good[0] & good[1] & good[2] & good[3];
}

/* Longest run of rows from i on whose angle is known and does not run back or leap. */
static size_t good_rows(const sm_tracker *t, const sm_block *b, size_t i)
{
    size_t n = 0;
    double last = t->theta_last;
    const double *theta_rev = b->theta_rev + i;
    size_t most = b->n_rows - i < CHUNK ? b->n_rows - i : CHUNK;
    size_t fours = most ? 1 + (most - 1) / 4 * 4 : 0;
    if (fours && theta_rev[0] >= last && theta_rev[0] - last < 1 && all_grow(theta_rev, fours)) {
        n = fours;
        last = theta_rev[n - 1];
    }
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
