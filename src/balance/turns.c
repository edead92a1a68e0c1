/*
 * The once-per-turn vector, window by window: joint weighted least squares of the propeller's
 * first order, its neighbours in the table, a mean and a slope, at the true angle of every sample
 * (methods 4.2). Two windows overlap by half; each keeps its normal equations only, so nothing of
 * the log is stored.
 */
#include "balance/turns.h"

#include "core/alloc.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { COLUMNS = 2 * SM_TURNS_ORDERS + 2 };

/* Window in propeller turns: 20 holds a hold's few seconds, more where a neighbour is close. */
#define LENGTH_MIN 20.0
#define LENGTH_MAX 64.0
/* A neighbour must be this many turns^-1 away times the window (methods 4.3). */
#define SEPARATION 1.5
/* Orders farther than this from the first are orthogonal in such windows. */
#define REACH 2.2

typedef struct window {
    double start; /* turns; NaN = not begun */
    double g[COLUMNS][COLUMNS];
    double b[SM_TURNS_SENSORS][COLUMNS];
    double w, w_rpm, t0_s, t1_s, rpm_lo, rpm_hi, last_u, largest_step;
    size_t rows;
} window;

struct sm_turns {
    size_t pick[SM_TURNS_SENSORS];
    size_t n_pick;
    long i_rpm;
    double ref_per_prop;
    double prop_per_rpm;           /* propeller turns per turn of the rpm_of shaft */
    double order[SM_TURNS_ORDERS]; /* per propeller turn; [0] = 1 */
    size_t n_orders;
    size_t i_slower; /* orders that a shaft of half the speed makes, and that none makes */
    size_t i_guard;
    double power_slower;
    double power_guard;
    char twin[80];
    double length;
    window win[2];
    double last_theta; /* turns */
    sm_turns_window *done;
    size_t n_done;
    size_t capacity;
    double turns; /* seen */
    double ratio_sum;
    uint64_t n_ratio;
};

/* Two neighbours that the window cannot separate share one term: only the first order matters. */
static void add_order(sm_turns *t, double order)
{
    for (size_t i = 1; i < t->n_orders; i++) {
        if (fabs(order - t->order[i]) < 1 / LENGTH_MIN) {
            return;
        }
    }
    if (t->n_orders < SM_TURNS_ORDERS) {
        t->order[t->n_orders++] = order;
    }
}

static sm_status pick_orders(sm_turns *t, const sm_powertrain *p, sm_error *err)
{
    sm_order_table *table = sm_alloc_array(1, sizeof *table);
    sm_ratio first;
    sm_status st = table ? sm_powertrain_order_ratio(p, "prop 1", &first, err)
                         : sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    st = st ? st : sm_powertrain_orders(p, 5.0 * t->ref_per_prop, NULL, 0, table, err);
    long at = st == SM_OK ? sm_order_table_find(table, first) : -1;
    if (st == SM_OK && at < 0) {
        st = sm_error_set(err, SM_E_VALUE, NULL, 0, "this powertrain has no propeller");
    }
    double nearest = INFINITY;
    t->order[0] = 1;
    t->n_orders = 1;
    for (size_t i = 0; st == SM_OK && i < table->n; i++) {
        const sm_order *o = &table->items[i];
        double apart = fabs(o->order * t->ref_per_prop - 1);
        if ((long)i == at) {
            if (o->n_also) { /* direct drive has the crank's first here: that is said elsewhere */
                (void)snprintf(t->twin, sizeof t->twin, "%s",
                               o->shaft == SM_SHAFT_PROP ? o->also[0] : o->label);
            }
        } else if (apart < SEPARATION / LENGTH_MAX) {
            (void)snprintf(t->twin, sizeof t->twin, "%s", o->label);
        } else if (apart < REACH) {
            add_order(t, o->order * t->ref_per_prop);
            nearest = sm_min(nearest, apart);
        }
    }
    /* what only half the speed makes: its own first order, or, where crank and propeller are one
     * and that is a half order of this speed, its half order; and beside it, where nothing makes a
     * line */
    bool halves = p->has_engine && !p->has_gearbox && p->strokes == 4;
    t->i_slower = t->n_orders;
    add_order(t, halves ? 0.25 : 0.5);
    t->i_guard = t->n_orders;
    add_order(t, halves ? 0.37 : 0.63);
    t->length = sm_max(LENGTH_MIN, ceil(SEPARATION / nearest));
    sm_free(table);
    return st;
}

static void window_clear(window *w)
{
    memset(w, 0, sizeof *w);
    w->start = NAN;
}

sm_status sm_turns_open(const sm_powertrain *p, const size_t *pick, size_t n_pick, long i_rpm,
                        sm_turns **out, sm_error *err)
{
    sm_turns *t = sm_alloc_array(1, sizeof *t);
    if (!t) {
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    memcpy(t->pick, pick, n_pick * sizeof *pick);
    t->n_pick = n_pick;
    t->i_rpm = i_rpm;
    t->ref_per_prop = sm_powertrain_reference_per(p, SM_SHAFT_PROP);
    t->prop_per_rpm = sm_powertrain_reference_per(p, p->rpm_of) / t->ref_per_prop;
    t->last_theta = NAN;
    window_clear(&t->win[0]);
    window_clear(&t->win[1]);
    sm_status st = pick_orders(t, p, err);
    if (st != SM_OK) {
        sm_turns_close(&t);
        return st;
    }
    *out = t;
    return SM_OK;
}

/* Cholesky factor in the lower triangle of g; false when not positive definite. */
static bool factor(double (*g)[COLUMNS], size_t n)
{
    for (size_t j = 0; j < n; j++) {
        double d = g[j][j];
        for (size_t k = 0; k < j; k++) {
            d -= g[j][k] * g[j][k];
        }
        if (!(d > 1e-9 * g[j][j]) || !(d > 0)) {
            return false;
        }
        g[j][j] = sqrt(d);
        for (size_t i = j + 1; i < n; i++) {
            double s = g[i][j];
            for (size_t k = 0; k < j; k++) {
                s -= g[i][k] * g[j][k];
            }
            g[i][j] = s / g[j][j];
        }
    }
    return true;
}

static void solve(double (*g)[COLUMNS], size_t n, double *b)
{
    for (size_t i = 0; i < n; i++) {
        for (size_t k = 0; k < i; k++) {
            b[i] -= g[i][k] * b[k];
        }
        b[i] /= g[i][i];
    }
    for (size_t i = n; i-- > 0;) {
        for (size_t k = i + 1; k < n; k++) {
            b[i] -= g[k][i] * b[k];
        }
        b[i] /= g[i][i];
    }
}

static double power_of(const double *b, size_t i, size_t n)
{
    return i < n ? b[2 * i] * b[2 * i] + b[2 * i + 1] * b[2 * i + 1] : 0;
}

static sm_status window_end(sm_turns *t, window *w, sm_error *err)
{
    size_t n = 2 * t->n_orders + 2;
    if (w->rows < 4 * n || w->largest_step > 0.25 || !factor(w->g, n)) {
        return SM_OK; /* too few samples per turn for a fit */
    }
    sm_turns_window *done = sm_grow(t->done, t->n_done, &t->capacity, sizeof *t->done);
    if (!done) {
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    t->done = done;
    sm_turns_window *o = &done[t->n_done++];
    *o = (sm_turns_window){.t_s = (w->t0_s + w->t1_s) / 2,
                           .rpm = w->w_rpm / w->w,
                           .rpm_change = w->rpm_hi - w->rpm_lo};
    o->prop_hz = o->rpm * t->prop_per_rpm / 60;
    for (size_t c = 0; c < t->n_pick; c++) {
        solve(w->g, n, w->b[c]);
        t->power_slower += power_of(w->b[c], t->i_slower, t->n_orders);
        t->power_guard += power_of(w->b[c], t->i_guard, t->n_orders);
        /* Fitted against the angle since the window's start: turn back to the pulse. */
        double whole = w->start - floor(w->start);
        o->accel_pk[c] = sm_p(CMPLX(w->b[c][0], w->b[c][1]) * sm_cis(-360 * whole));
    }
    return SM_OK;
}

static void window_add(const sm_turns *t, window *w, double theta, double rpm, double t_s,
                       const double *x)
{
    double u = theta - w->start, basis[COLUMNS];
    double weight = 0.5 - 0.5 * cos(2 * SM_PI * u / t->length);
    size_t n = 0;
    for (size_t k = 0; k < t->n_orders; k++) {
        double a = 2 * SM_PI * t->order[k] * u;
        basis[n++] = cos(a);
        basis[n++] = -sin(a);
    }
    basis[n++] = 1;
    basis[n++] = u / t->length - 0.5;
    for (size_t i = 0; i < n; i++) {
        double wb = weight * basis[i];
        for (size_t k = 0; k <= i; k++) {
            w->g[i][k] += wb * basis[k];
        }
        for (size_t c = 0; c < t->n_pick; c++) {
            w->b[c][i] += wb * x[c];
        }
    }
    if (w->rows == 0) {
        w->t0_s = t_s;
        w->rpm_lo = w->rpm_hi = rpm;
    }
    w->largest_step = sm_max(w->largest_step, u - w->last_u);
    w->last_u = u;
    w->t1_s = t_s;
    w->w += weight;
    w->w_rpm += weight * rpm;
    w->rpm_lo = sm_min(w->rpm_lo, rpm);
    w->rpm_hi = sm_max(w->rpm_hi, rpm);
    w->rows++;
}

static void restart(sm_turns *t)
{
    window_clear(&t->win[0]);
    window_clear(&t->win[1]);
    t->last_theta = NAN;
}

static sm_status one_row(sm_turns *t, double theta, double rpm, double t_s, const double *x,
                         sm_error *err)
{
    if (!(theta > t->last_theta)) { /* a new stretch, or the first row */
        restart(t);
        t->win[0].start = theta;
        t->win[1].start = theta + t->length / 2;
    }
    t->turns += isfinite(t->last_theta) ? theta - t->last_theta : 0;
    t->last_theta = theta;
    for (int i = 0; i < 2; i++) {
        window *w = &t->win[i];
        while (theta >= w->start + t->length) {
            sm_status st = window_end(t, w, err);
            if (st != SM_OK) {
                return st;
            }
            double start = w->start + t->length;
            window_clear(w);
            w->start = start;
        }
        if (theta >= w->start) {
            window_add(t, w, theta, rpm, t_s, x);
        }
    }
    return SM_OK;
}

static sm_status push(void *self, const sm_block *block, sm_error *err)
{
    sm_turns *t = self;
    for (size_t i = 0; i < block->n_rows; i++) {
        double x[SM_TURNS_SENSORS], theta = block->theta_rev ? block->theta_rev[i] : (double)NAN;
        double rpm = block->rpm ? block->rpm[i] : (double)NAN;
        bool good = isfinite(theta) && isfinite(rpm);
        for (size_t c = 0; c < t->n_pick; c++) {
            x[c] = block->x[t->pick[c]][i];
            good = good && isfinite(x[c]);
        }
        if (!good) {
            restart(t);
            continue;
        }
        double told = t->i_rpm >= 0 ? block->x[t->i_rpm][i] : (double)NAN;
        if (told > 0 && rpm > 0) {
            t->ratio_sum += rpm / told;
            t->n_ratio++;
        }
        sm_status st = one_row(t, theta / t->ref_per_prop, rpm,
                               block->t0_s + (double)i / block->rate_hz, x, err);
        if (st != SM_OK) {
            return st;
        }
    }
    return SM_OK;
}

static sm_status mark(void *self, sm_mark what, double t_s, sm_error *err)
{
    restart(self);
    (void)what;
    (void)t_s;
    (void)err;
    return SM_OK;
}

sm_sink sm_turns_sink(sm_turns *t)
{
    return (sm_sink){.self = t, .push = push, .mark = mark};
}

double sm_turns_length(const sm_turns *t)
{
    return t->length;
}

const char *sm_turns_twin(const sm_turns *t)
{
    return t->twin;
}

double sm_turns_slower(const sm_turns *t)
{
    return t->power_guard > 0 ? sqrt(t->power_slower / t->power_guard) : 0;
}

const sm_turns_window *sm_turns_windows(const sm_turns *t, size_t *n)
{
    *n = t->n_done;
    return t->done;
}

double sm_turns_rpm_ratio(const sm_turns *t)
{
    return t->n_ratio ? t->ratio_sum / (double)t->n_ratio : (double)NAN;
}

double sm_turns_total(const sm_turns *t)
{
    return t->turns;
}

void sm_turns_close(sm_turns **t)
{
    if (*t) {
        sm_free((*t)->done);
        sm_free(*t);
        *t = NULL;
    }
}
