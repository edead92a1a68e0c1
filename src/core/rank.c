/* A few steps from one value to the next, each a straight pass, instead of partitioning. */
#include "core/rank.h"

#include "core/util.h"
#include "core/wide.h"

#include <math.h>
#include <stdint.h>

/* How many of n values are below t, and how many are above it. */
SM_WIDE_INLINE void count(const double *v, size_t n, double t, size_t *less, size_t *more)
{
    const sm_i4 one = {1, 1, 1, 1};
    const sm_i4 other = {1LL << 32, 1LL << 32, 1LL << 32, 1LL << 32}; /* both in one sum */
    sm_i4 sum = {0};
    for (size_t i = 0; i < n; i += 4) {
        sm_v4 x;
        memcpy(&x, v + i, sizeof x);
        sum += ((x < t) & one) + ((x > t) & other);
    }
    uint64_t total = (uint64_t)((sum[0] + sum[1]) + (sum[2] + sum[3]));
    *less = (size_t)(total & UINT32_MAX);
    *more = (size_t)(total >> 32);
}

/* The largest of n values of v times sign that is below t times sign. */
SM_WIDE_INLINE double next_below(const double *v, size_t n, double t, double sign)
{
    const sm_v4 low = {-INFINITY, -INFINITY, -INFINITY, -INFINITY};
    sm_v4 below[2] = {low, low};
    for (size_t i = 0; i < n; i += 8) {
        for (size_t k = 0; k < 2; k++) {
            sm_v4 x;
            memcpy(&x, v + i + 4 * k, sizeof x);
            x *= sign;
            below[k] = SM_PICK((x < sign * t) & (x > below[k]), x, below[k]);
        }
    }
    sm_v4 b = SM_PICK(below[0] > below[1], below[0], below[1]);
    return sign * sm_max(sm_max(b[0], b[1]), sm_max(b[2], b[3]));
}

SM_WIDE double sm_rank_near(const double *v, size_t n, size_t rank, double guess)
{
    for (size_t step = 0; step <= n; step++) {
        size_t less;
        size_t more;
        count(v, n, guess, &less, &more);
        if (rank >= less && rank < n - more) {
            break;
        }
        guess = next_below(v, n, guess, rank < less ? 1 : -1);
    }
    return guess;
}

double sm_select_rank(double *v, size_t n, size_t rank)
{
    size_t lo = 0;
    size_t hi = n - 1;
    while (lo < hi) {
        double pivot = v[(lo + hi) / 2];
        size_t i = lo;
        size_t k = hi;
        for (;;) {
            while (v[i] < pivot) {
                i++;
            }
            while (v[k] > pivot) {
                k--;
            }
            if (i >= k) {
                break;
            }
            double x = v[i];
            v[i++] = v[k];
            v[k--] = x;
        }
        size_t end = v[k] <= pivot ? k : k - 1;
        if (rank <= end) {
            hi = end;
        } else {
            lo = end + 1;
        }
    }
    return v[rank];
}
