/* Sums and extremes over samples, four at a time. */
#include "core/wide.h"

#include "core/util.h"

#include <math.h>
#include <stdint.h>

SM_WIDE double sm_sum(const double *v, size_t n)
{
    sm_v4 sum[4] = {{0}};
    size_t i = 0;
    for (; i + 16 <= n; i += 16) {
        for (size_t k = 0; k < 4; k++) {
            sm_v4 x;
            memcpy(&x, v + i + 4 * k, sizeof x);
            sum[k] += x;
        }
    }
    double total = sm_across((sum[0] + sum[1]) + (sum[2] + sum[3]));
    for (; i < n; i++) {
        total += v[i];
    }
    return total;
}

SM_WIDE void sm_add_squares(const double *x, size_t n, double origin, double *sum, double *square)
{
    sm_v4 sum_a = {0};
    sm_v4 sum_b = {0};
    sm_v4 square_a = {0};
    sm_v4 square_b = {0};
    size_t i = 0;
    for (; i + 8 <= n; i += 8) {
        sm_v4 a;
        sm_v4 b;
        memcpy(&a, x + i, sizeof a);
        memcpy(&b, x + i + 4, sizeof b);
        a -= origin;
        b -= origin;
        sum_a += a;
        sum_b += b;
        square_a += a * a;
        square_b += b * b;
    }
    double s = sm_across(sum_a + sum_b);
    double q = sm_across(square_a + square_b);
    for (; i < n; i++) {
        double d = x[i] - origin;
        s += d;
        q += d * d;
    }
    *sum += s;
    *square += q;
}

/* A comparison waits for the one before: four lots of lanes take turns. */
typedef struct extremes4 {
    sm_v4 lo;
    sm_v4 hi;
    sm_i4 equal;
} extremes4;

SM_WIDE_INLINE void look_at_four(extremes4 *e, const double *v)
{
    sm_v4 x;
    sm_v4 before;
    memcpy(&x, v, sizeof x);
    memcpy(&before, v - 1, sizeof before);
    e->lo = SM_PICK(x < e->lo, x, e->lo);
    e->hi = SM_PICK(x > e->hi, x, e->hi);
    e->equal -= x == before;
}

SM_WIDE sm_extremes sm_extremes_of(const double *v, size_t n)
{
    extremes4 turns[4];
    for (size_t k = 0; k < 4; k++) {
        sm_v4 first = {v[0], v[0], v[0], v[0]};
        turns[k] = (extremes4){first, first, {0}};
    }
    size_t i = 1;
    for (; i + 16 <= n; i += 16) {
        look_at_four(&turns[0], v + i);
        look_at_four(&turns[1], v + i + 4);
        look_at_four(&turns[2], v + i + 8);
        look_at_four(&turns[3], v + i + 12);
    }
    sm_extremes e = {v[0], v[0], 0};
    for (size_t k = 0; k < 16; k++) {
        e.lo = sm_min(e.lo, turns[k / 4].lo[k % 4]);
        e.hi = sm_max(e.hi, turns[k / 4].hi[k % 4]);
        e.n_equal += (size_t)turns[k / 4].equal[k % 4];
    }
    for (; i < n; i++) {
        e.lo = sm_min(e.lo, v[i]);
        e.hi = sm_max(e.hi, v[i]);
        e.n_equal += v[i] == v[i - 1];
    }
    return e;
}

static void add_move(sm_moves *m, double x, double last, double origin, double least_share)
{
    double d = x - origin;
    double step = fabs(x - last);
    m->sum += d;
    m->sum2 += d * d;
    m->lo = sm_min(m->lo, x);
    m->hi = sm_max(m->hi, x);
    m->step = step > least_share * (fabs(x) + fabs(last)) && step < m->step ? step : m->step;
    m->unbroken = m->unbroken && x == x;
    m->all_moved = m->all_moved && x != last;
}

SM_WIDE sm_moves sm_moves_of(const double *v, size_t n, double last, double origin,
                             double least_share)
{
    const sm_i4 magnitude = {INT64_MAX, INT64_MAX, INT64_MAX, INT64_MAX};
    sm_moves m = {
        .lo = INFINITY, .hi = -INFINITY, .step = INFINITY, .unbroken = true, .all_moved = true};
    if (n) {
        add_move(&m, v[0], last, origin, least_share);
    }
    sm_v4 sum = {0};
    sm_v4 sum2 = {0};
    sm_v4 hi = {m.hi, m.hi, m.hi, m.hi};
    sm_v4 lo = {m.lo, m.lo, m.lo, m.lo};
    sm_v4 least = {m.step, m.step, m.step, m.step};
    sm_i4 whole = {-1, -1, -1, -1};
    sm_i4 equal = {0};
    size_t i = 1;
    for (; i + 4 <= n; i += 4) {
        sm_v4 x;
        sm_v4 before;
        memcpy(&x, v + i, sizeof x);
        memcpy(&before, v + i - 1, sizeof before);
        sm_v4 d = x - origin;
        sum += d;
        sum2 += d * d;
        lo = SM_PICK(x < lo, x, lo);
        hi = SM_PICK(x > hi, x, hi);
        whole &= x == x;
        equal |= x == before;
        sm_v4 step = (sm_v4)((sm_i4)(x - before) & magnitude);
        sm_v4 size = (sm_v4)((sm_i4)x & magnitude) + (sm_v4)((sm_i4)before & magnitude);
        least = SM_PICK((step > least_share * size) & (step < least), step, least);
    }
    m.sum += sm_across(sum);
    m.sum2 += sm_across(sum2);
    for (size_t k = 0; k < 4; k++) {
        m.lo = sm_min(m.lo, lo[k]);
        m.hi = sm_max(m.hi, hi[k]);
        m.step = sm_min(m.step, least[k]);
        m.unbroken = m.unbroken && whole[k];
        m.all_moved = m.all_moved && !equal[k];
    }
    for (; i < n; i++) {
        add_move(&m, v[i], v[i - 1], origin, least_share);
    }
    return m;
}
