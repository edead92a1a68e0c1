/* A few steps from one value to the next, each a straight pass, instead of partitioning. */
#include "core/rank.h"

#include "core/util.h"
#include "core/wide.h"

#include <math.h>

/* What lies around t: how many values are below it and up to it, and the nearest on both sides. */
typedef struct surroundings {
    size_t less;
    size_t upto;
    double below;
    double above;
} surroundings;

SM_WIDE static void look_around(const double *v, size_t n, double t, surroundings *out)
{
    const sm_v4 low = {-INFINITY, -INFINITY, -INFINITY, -INFINITY};
    const sm_v4 mark = {t, t, t, t};
    sm_v4 below = low;
    sm_v4 above = -low;
    sm_i4 less = {0};
    sm_i4 more = {0};
    for (size_t i = 0; i < n; i += 4) {
        sm_v4 x;
        memcpy(&x, v + i, sizeof x);
        sm_i4 is_less = x < mark;
        sm_i4 is_more = x > mark;
        less -= is_less;
        more -= is_more;
        below = SM_PICK(is_less & (x > below), x, below);
        above = SM_PICK(is_more & (x < above), x, above);
    }
    out->less = (size_t)(less[0] + less[1] + less[2] + less[3]);
    out->upto = n - (size_t)(more[0] + more[1] + more[2] + more[3]);
    out->below = sm_max(sm_max(below[0], below[1]), sm_max(below[2], below[3]));
    out->above = sm_min(sm_min(above[0], above[1]), sm_min(above[2], above[3]));
}

double sm_rank_near(const double *v, size_t n, size_t rank, double guess)
{
    for (size_t step = 0; step <= n; step++) {
        surroundings s;
        look_around(v, n, guess, &s);
        if (rank >= s.less && rank < s.upto) {
            break;
        }
        guess = rank < s.less ? s.below : s.above;
    }
    return guess;
}
