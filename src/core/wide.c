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

SM_WIDE sm_extremes sm_extremes_of(const double *v, size_t n)
{
    sm_v4 lo = {v[0], v[0], v[0], v[0]};
    sm_v4 hi = lo;
    sm_i4 equal = {0};
    size_t i = 1;
    for (; i + 4 <= n; i += 4) {
        sm_v4 x;
        sm_v4 before;
        memcpy(&x, v + i, sizeof x);
        memcpy(&before, v + i - 1, sizeof before);
        lo = SM_PICK(x < lo, x, lo);
        hi = SM_PICK(x > hi, x, hi);
        equal -= x == before;
    }
    sm_extremes e = {sm_min(sm_min(lo[0], lo[1]), sm_min(lo[2], lo[3])),
                     sm_max(sm_max(hi[0], hi[1]), sm_max(hi[2], hi[3])),
                     (size_t)(equal[0] + equal[1] + equal[2] + equal[3])};
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
