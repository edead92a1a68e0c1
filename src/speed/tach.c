/*
 * Kept pulses become angle knots: uneven marks are learned, jittery times are smoothed by a local
 * quadratic of time over angle (as wide as the jitter asks for and no wider), and the slope at each
 * knot is that of the same quadratic, so that constant acceleration is reproduced exactly.
 */
#include "speed/stage.h"

#include <math.h>
#include <string.h>

/* Wanted noise of the speed from one pulse to the next, as a fraction. */
#define SPEED_NOISE 2.5e-4
#define HALF_WINDOW_S 0.4
/* Run on by so many spacings before the first and behind the last pulse of a stretch. */
#define RUN_ON 1.5
enum { HALF_MOST = 32, AHEAD = 32, BEHIND = 32, STRETCH_LEAST = 4, TURNS_WAIT = 8 };

sm_status sm_tach_open(sm_tach *t, double rate_hz, long marks, double ref_per, sm_knots *q)
{
    t->marks = marks;
    t->ref_per = ref_per;
    t->knots = q;
    t->sigma = marks > 1 ? 0.12 : 0.03; /* until the scatter is known */
    t->force_s = -INFINITY;
    t->last_time = -INFINITY;
    for (int k = 0; k < SM_MAX_MARKS; k++) {
        t->mark_pos[k] = k;
    }
    return sm_edges_open(&t->edges, rate_hz);
}

void sm_tach_close(sm_tach *t)
{
    sm_edges_close(&t->edges);
}

/* Angle of a pulse in revolutions of its own shaft. */
static double turns(const sm_tach *t, long label)
{
    long k = label % t->marks;
    double pos = t->marks_known ? t->mark_pos[k] : (double)k;
    return ((double)(label - k) + pos) / (double)t->marks;
}

/* Position of the marks between two passes of mark 0, from a parabola through three passes. */
static void learn_marks(sm_tach *t, size_t i)
{
    size_t m = (size_t)t->marks;
    if (t->marks < 2 || t->marks > SM_MAX_MARKS || i < m || i + m >= t->n_pulse ||
        t->pulse[i].label % t->marks != 0) {
        return;
    }
    const sm_pulse *p = &t->pulse[i];
    for (size_t k = 0; k <= 2 * m; k++) {
        if (t->pulse[i - m + k].label != p->label - t->marks + (long)k ||
            (k > 0 && t->pulse[i - m + k].periods != 1)) {
            return;
        }
    }
    double h0 = t->pulse[i - m].t_s - p->t_s;
    double h1 = t->pulse[i + m].t_s - p->t_s;
    double s0 = -(double)t->marks / h0;
    double s1 = (double)t->marks / h1;
    double curve = (s1 - s0) / (h1 - h0);
    double slope = s0 - curve * h0;
    t->mark_n++;
    double weight = 1.0 / (double)(t->mark_n < 50 ? t->mark_n : 50);
    for (size_t k = 1; k < m; k++) {
        double h = t->pulse[i + k].t_s - p->t_s;
        t->mark_pos[k] += weight * (h * (slope + curve * h) - t->mark_pos[k]);
    }
    t->marks_known = t->mark_n >= 3;
}

/* Scatter of the pulse times, from third differences: white jitter s gives s sqrt 20. */
static void note_jitter(sm_tach *t, size_t i)
{
    if (i < 3) {
        return;
    }
    const sm_pulse *p = &t->pulse[i - 3];
    if (p[1].periods != 1 || p[2].periods != 1 || p[3].periods != 1) {
        return;
    }
    double per_turn = (p[3].t_s - p[0].t_s) / 3 * (double)t->marks;
    double a[4];
    for (int k = 0; k < 4; k++) {
        double even = (double)p[k].label / (double)t->marks;
        a[k] = p[k].t_s - (turns(t, p[k].label) - even) * per_turn;
    }
    t->jitter[t->n_jitter++ % SM_RECENT] = fabs(a[3] - 3 * a[2] + 3 * a[1] - a[0]);
}

static double jitter_s(const sm_tach *t)
{
    double v[SM_RECENT];
    size_t n = t->n_jitter < SM_RECENT ? t->n_jitter : SM_RECENT;
    /* a square level between two samples: spread evenly over one, and no difference shows it when
     * the turn is a whole number of samples long */
    double steep = t->edges.n_rise > 0 ? t->edges.steep / (double)t->edges.n_rise : 0;
    double floor_s = sqrt(steep / 12) / t->edges.rate_hz;
    if (n < 4) {
        return floor_s;
    }
    for (size_t i = 0; i < n; i++) {
        size_t k = i;
        for (; k > 0 && v[k - 1] > t->jitter[i]; k--) {
            v[k] = v[k - 1];
        }
        v[k] = t->jitter[i];
    }
    return fmax(v[n / 2] / (0.6745 * sqrt(20.0)), floor_s);
}

/* Pulses on each side that bring the speed noise down to SPEED_NOISE; 0 = the pulses as they are.
 */
static size_t half_window(const sm_tach *t, double spacing_s)
{
    double r = jitter_s(t) / spacing_s / SPEED_NOISE;
    double wanted = cbrt(12 * r * r);
    double half = fmin(ceil((wanted - 1) / 2), floor(HALF_WINDOW_S / spacing_s));
    return wanted <= 3 || half < 2 ? 0 : (size_t)fmin(half, HALF_MOST);
}

/* The stretch around pulse i: [first, end). */
static void stretch_around(const sm_tach *t, size_t i, size_t *first, size_t *end)
{
    *first = i;
    while (*first > 0 && t->pulse[*first].periods != 0) {
        (*first)--;
    }
    *end = i + 1;
    while (*end < t->n_pulse && t->pulse[*end].periods != 0) {
        (*end)++;
    }
}

/* Time and shaft speed at pulse i from a quadratic of time over turns, pulses [lo, hi]. The weight
 * fades to the sides: what enters and leaves a window with edges would show between the knots. */
static bool fit_quadratic(const sm_tach *t, size_t i, size_t lo, size_t hi, double *at_s,
                          double *hz)
{
    double reach = (double)(i - lo > hi - i ? i - lo : hi - i) + 1;
    double s[5] = {0};
    double y[3] = {0};
    double theta0 = turns(t, t->pulse[i].label);
    double t0 = t->pulse[i].t_s;
    for (size_t k = lo; k <= hi; k++) {
        double u = turns(t, t->pulse[k].label) - theta0;
        double v = t->pulse[k].t_s - t0;
        double side = ((double)k - (double)i) / reach;
        double power = (1 - side * side) * (1 - side * side);
        for (int j = 0; j < 5; j++, power *= u) {
            s[j] += power;
            y[j < 3 ? j : 0] += j < 3 ? power * v : 0;
        }
    }
    double m00 = s[2] * s[4] - s[3] * s[3];
    double m01 = s[1] * s[4] - s[2] * s[3];
    double m02 = s[1] * s[3] - s[2] * s[2];
    double m11 = s[0] * s[4] - s[2] * s[2];
    double m12 = s[0] * s[3] - s[1] * s[2];
    double det = s[0] * m00 - s[1] * m01 + s[2] * m02;
    double slope = (-m01 * y[0] + m11 * y[1] - m12 * y[2]) / det;
    if (!(slope > 0)) {
        return false;
    }
    *at_s = t0 + (m00 * y[0] - m01 * y[1] + m02 * y[2]) / det;
    *hz = 1 / slope;
    return true;
}

/* Speed at pulse i from the parabola of turns over time through three neighbours. */
static double parabola_hz(const sm_tach *t, size_t i, size_t first, size_t end)
{
    size_t mid = i > first ? i : first + 1;
    mid = mid + 1 < end ? mid : end - 2;
    if (end - first < 3) {
        mid = first;
    }
    const sm_pulse *a = &t->pulse[mid > first ? mid - 1 : first];
    const sm_pulse *b = a + 1;
    double s0 = (turns(t, b->label) - turns(t, a->label)) / (b->t_s - a->t_s);
    if (end - first < 3) {
        return s0;
    }
    const sm_pulse *c = b + 1;
    double s1 = (turns(t, c->label) - turns(t, b->label)) / (c->t_s - b->t_s);
    double curve = (s1 - s0) / (c->t_s - a->t_s);
    double hz = s0 + curve * (2 * t->pulse[i].t_s - a->t_s - b->t_s);
    double least = fmin(s0, s1); /* a cubic with slopes up to 3 secants stays monotone */
    return fmin(fmax(hz, 0.1 * least), 3 * least);
}

static sm_knot knot_at(const sm_tach *t, size_t i, size_t first, size_t end)
{
    const sm_pulse *p = &t->pulse[i];
    double spacing = (t->pulse[end - 1].t_s - t->pulse[first].t_s) /
                     (double)(t->pulse[end - 1].label - t->pulse[first].label);
    size_t half = half_window(t, spacing);
    size_t lo = i - first > half ? i - half : first;
    size_t hi = i + half < end - 1 ? i + half : end - 1;
    sm_knot k = {.t_s = p->t_s, .theta_rev = turns(t, p->label) * t->ref_per};
    if (half == 0 || hi - lo < 3 || !fit_quadratic(t, i, lo, hi, &k.t_s, &k.hz)) {
        k.t_s = p->t_s;
        k.hz = parabola_hz(t, i, first, end);
    }
    k.hz *= t->ref_per;
    return k;
}

/* Believed from the company it keeps: few made-up, few dropped, periods that fit. */
static bool trusted(const sm_tach *t, size_t i, size_t first, size_t end)
{
    if (end - first < STRETCH_LEAST) {
        return false;
    }
    size_t lo = i - first > BEHIND ? i - BEHIND : first;
    size_t hi = i + AHEAD < end ? i + AHEAD : end - 1;
    double n = (double)(hi - lo);
    double bridged = 0;
    double dropped = 0;
    double single = 0;
    double misfit = 0;
    for (size_t k = lo + 1; k <= hi; k++) {
        bridged += t->pulse[k].periods > 1;
        dropped += t->pulse[k].skipped;
        single += t->pulse[k].skipped == 1;
        misfit += t->pulse[k].misfit;
    }
    bool doubled = single >= 0.8 * n; /* every pulse twice: the first of each pair counts */
    return bridged <= 0.35 * n && (dropped <= 0.5 * n || doubled) && misfit <= 3.0 * n;
}

static void count(sm_tach *t, const sm_pulse *p)
{
    t->n_kept++;
    t->n_dropped += p->skipped;
    t->n_bridged += p->periods > 1;
    t->n_missing += p->periods > 1 ? p->periods - 1 : 0;
    t->n_starts += p->periods == 0;
    if ((p->periods > 1 || p->skipped > 0) && t->n_fault < 16) {
        t->fault_s[t->n_fault++] = p->t_s;
    }
}

static void add(sm_tach *t, sm_knot k)
{
    const sm_knot *last = sm_knots_last(t->knots);
    if (last && k.t_s <= last->t_s) {
        return;
    }
    if (t->failed == SM_OK) {
        t->failed = sm_knots_add(t->knots, k);
    }
}

/* A knot RUN_ON spacings before (sign < 0) or behind a knot at the end of a stretch. */
static sm_knot run_on(const sm_tach *t, sm_knot k, sm_knot inner, double sign)
{
    double dt = sign * RUN_ON / (k.hz / t->ref_per * (double)t->marks);
    double slope = (inner.hz - k.hz) / (inner.t_s - k.t_s);
    double hz = fmax(k.hz + slope * dt, 0.5 * k.hz);
    return (sm_knot){k.t_s + dt, k.theta_rev + 0.5 * (k.hz + hz) * dt, hz, sign > 0};
}

static void make_knot(sm_tach *t, size_t i, bool stretch_ends)
{
    size_t first;
    size_t end;
    stretch_around(t, i, &first, &end);
    count(t, &t->pulse[i]);
    bool good = trusted(t, i, first, end);
    t->pulse[i].trusted = good;
    t->n_untrusted += !good;
    if (end - first < 2) {
        return;
    }
    sm_knot k = knot_at(t, i, first, end);
    bool begins = t->pulse[i].periods == 0;
    if (begins && good) {
        sm_knot before = run_on(t, k, knot_at(t, i + 1, first, end), -1);
        const sm_knot *last = sm_knots_last(t->knots);
        if (!last || before.t_s > last->t_s) {
            add(t, before);
        }
        k.joined = !last || before.t_s > last->t_s;
    } else {
        k.joined = good && !begins;
    }
    add(t, k);
    if (i + 1 == end && stretch_ends && good && !begins) {
        add(t, run_on(t, k, knot_at(t, i - 1, first, end), 1));
    }
}

/* Pulses that no window looks back at any more. */
static void forget(sm_tach *t)
{
    size_t keep = BEHIND + SM_MAX_MARKS;
    if (t->i_knot > keep + 32) {
        size_t n = t->i_knot - keep;
        memmove(t->pulse, t->pulse + n, (t->n_pulse - n) * sizeof *t->pulse);
        t->n_pulse -= n;
        t->i_knot -= n;
    }
}

/* Uneven marks must be known before the first angle: false while a few more turns may tell. */
static bool marks_ready(sm_tach *t, bool final)
{
    if (t->marks < 2 || t->marks > SM_MAX_MARKS || t->marks_known) {
        return true;
    }
    t->mark_n = 0;
    for (size_t i = t->i_knot; i < t->n_pulse; i++) {
        learn_marks(t, i);
    }
    size_t wait = (size_t)(TURNS_WAIT * t->marks);
    bool forced = t->i_knot < t->n_pulse && t->pulse[t->i_knot].t_s <= t->force_s;
    return t->marks_known || final || forced || t->n_pulse - t->i_knot > wait;
}

void sm_tach_knots(sm_tach *t, bool final)
{
    if (!marks_ready(t, final)) {
        return;
    }
    for (; t->i_knot < t->n_pulse; t->i_knot++) {
        size_t first;
        size_t end;
        size_t i = t->i_knot;
        stretch_around(t, i, &first, &end);
        bool ends = final || end < t->n_pulse;
        bool ready = i + AHEAD + 1 < end ||
                     (i + 3 < end && t->pulse[end - 1].t_s - t->pulse[i].t_s > HALF_WINDOW_S) ||
                     t->pulse[i].t_s <= t->force_s;
        if (!ready && !ends) {
            break;
        }
        note_jitter(t, i);
        learn_marks(t, i);
        make_knot(t, i, ends);
    }
    forget(t);
}

/* Every new value is the time of a pulse. */
static void feed_times(sm_tach *t, const double *value, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        double at = value[i] - t->stamp0_s;
        if (at > t->last_time) {
            t->last_time = at;
            sm_tach_candidate(t, at);
        }
    }
}

sm_status sm_tach_feed(sm_tach *t, const sm_block *b, const double *level)
{
    if (t->times) {
        feed_times(t, level, b->n_rows);
        return t->failed;
    }
    sm_edges_feed(&t->edges, level, b->n_rows, b->t0_s, t);
    return t->failed;
}

sm_status sm_tach_force(sm_tach *t, double t_s, bool final)
{
    if (final) {
        sm_edges_flush(&t->edges, t);
        for (int i = 0; i < SM_CANDIDATES; i++) { /* as much as there is room for, each time */
            sm_tach_commit(t, INFINITY);
            sm_tach_knots(t, false);
        }
        sm_tach_knots(t, true);
        t->n_cand = 0;
        t->n_committed = 0;
        t->n_pulse = 0;
        t->i_knot = 0;
        t->n_recent = 0;
    } else {
        t->force_s = t_s;
        sm_tach_commit(t, t_s + 0.5 * SM_SPEED_DELAY_S);
        sm_tach_knots(t, false);
    }
    if (sm_knots_horizon(t->knots) < t_s && t->failed == SM_OK) {
        t->knots->blank_until_s = t_s;
    }
    return t->failed;
}
