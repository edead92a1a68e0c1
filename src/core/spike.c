/* See the header. */
#include "core/spike.h"

#include "core/wide.h"

#include <math.h>
#include <stdint.h>

#define SEARCH 20.0  /* largest squared bend over their mean, from which it is worth a look */
#define STANDS 100.0 /* over the mean of all others: ten times their rms */

static double bend_at(const double *x, size_t i)
{
    return x[i] - 0.5 * (x[i - 1] + x[i + 1]);
}

typedef struct bends {
    double sum2;
    double max2;
} bends;

/* Squares of four bends from x[i] on. */
SM_WIDE_INLINE void bends_at(const double *x, size_t i, sm_v4 *out)
{
    sm_v4 before;
    sm_v4 here;
    sm_v4 after;
    memcpy(&before, x + i - 1, sizeof before);
    memcpy(&here, x + i, sizeof here);
    memcpy(&after, x + i + 1, sizeof after);
    sm_v4 bend = here - 0.5 * (before + after);
    *out = bend * bend;
}

SM_WIDE static bends bends_of(const double *x, size_t n)
{
    sm_v4 sum[4] = {{0}}; /* a sum waits for its last addition: four take turns */
    sm_v4 most[4] = {{0}};
    size_t i = 1;
    for (; i + 17 <= n; i += 16) {
        for (size_t k = 0; k < 4; k++) {
            sm_v4 bend;
            bends_at(x, i + 4 * k, &bend);
            sum[k] += bend;
            most[k] = SM_PICK(bend > most[k], bend, most[k]);
        }
    }
    bends b = {0, 0};
    for (size_t k = 0; k < 4; k++) {
        b.sum2 += sm_across(sum[k]);
        for (size_t j = 0; j < 4; j++) {
            b.max2 = most[k][j] > b.max2 ? most[k][j] : b.max2;
        }
    }
    for (; i + 1 < n; i++) {
        double bend = bend_at(x, i);
        b.sum2 += bend * bend;
        b.max2 = bend * bend > b.max2 ? bend * bend : b.max2;
    }
    return b;
}

/* A lone sample bends both neighbours by half as much, the other way. */
static int stands_alone(const double *x, size_t i)
{
    double bend = bend_at(x, i);
    double left = bend_at(x, i - 1) / bend;
    double right = bend_at(x, i + 1) / bend;
    return left < -0.35 && left > -0.65 && right < -0.35 && right > -0.65;
}

size_t sm_spikes_of(const double *x, size_t n, double least, sm_spike out[SM_SPIKES_MOST])
{
    if (n < 16) {
        return 0;
    }
    bends b = bends_of(x, n);
    if (!(b.max2 > least * least) || !(b.max2 * (double)n > SEARCH * b.sum2)) {
        return 0;
    }
    double floor2 = 0.1 * b.max2;
    floor2 = floor2 > least * least ? floor2 : least * least;
    double rest2 = b.sum2;
    size_t n_found = 0;
    for (size_t i = 2; i + 2 < n && n_found < SM_SPIKES_MOST; i++) {
        double bend = bend_at(x, i);
        if (bend * bend >= floor2 && stands_alone(x, i)) {
            out[n_found++] = (sm_spike){i, bend};
            rest2 -= 1.5 * bend * bend;
        }
    }
    rest2 = rest2 > 0 ? rest2 / (double)n : 0;
    size_t kept = 0;
    for (size_t k = 0; k < n_found; k++) {
        if (out[k].height * out[k].height > STANDS * rest2) {
            out[kept++] = out[k];
        }
    }
    return kept;
}
