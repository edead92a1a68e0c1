/* Two channels are one when their steps from row to row leave nothing over but rounding. */
#include "timebase/twins.h"

#include "core/wide.h"

#include <math.h>
#include <string.h>

/* Of the step's variance; two sensors' own noise is more, the rounding of single precision less. */
#define SAME_SHARE 1e-8
/* A rounded number is off by a variance of quantum^2/12, a step between two by twice that. Half as
 * much again for the scatter of the sums. */
#define ROUNDING (1.5 * 2 / 12)
/* Less than so many quanta rms from row to row: a quiet channel, which proves nothing. */
#define MOVES 3.0

void sm_twins_start(sm_twins *t, const sm_channel *channels, size_t n_channels)
{
    t->n = 0;
    for (size_t a = 0; a < n_channels; a++) {
        const sm_channel *x = &channels[a];
        t->last[a] = NAN;
        if (x->role != SM_ROLE_ACCEL && x->role != SM_ROLE_GYRO) {
            continue;
        }
        for (size_t b = a + 1; b < n_channels && t->n < SM_MAX_TWINS; b++) {
            const sm_channel *y = &channels[b];
            if (y->role == x->role && strcmp(x->place, y->place) == 0) {
                t->items[t->n++] = (sm_twin){.a = a, .b = b};
            }
        }
    }
}

static void add_step(sm_twin *w, double da, double db)
{
    double ab = da * db;
    if (ab == ab) { /* both are numbers */
        w->n++;
        w->ab += ab;
        w->aa += da * da;
        w->bb += db * db;
    }
}

SM_WIDE static void push_pair(sm_twin *w, const double *a, const double *b, size_t n)
{
    sm_v4 ab = {0};
    sm_v4 aa = {0};
    sm_v4 bb = {0};
    sm_i4 count = {0};
    size_t i = 1;
    for (; i + 4 <= n; i += 4) {
        sm_v4 a0;
        sm_v4 a1;
        sm_v4 b0;
        sm_v4 b1;
        memcpy(&a0, a + i, sizeof a0);
        memcpy(&a1, a + i - 1, sizeof a1);
        memcpy(&b0, b + i, sizeof b0);
        memcpy(&b1, b + i - 1, sizeof b1);
        sm_v4 da = a0 - a1;
        sm_v4 db = b0 - b1;
        sm_v4 product = da * db;
        sm_i4 both = product == product;
        count -= both;
        ab += (sm_v4)((sm_i4)product & both);
        aa += (sm_v4)((sm_i4)(da * da) & both);
        bb += (sm_v4)((sm_i4)(db * db) & both);
    }
    w->n += (double)(count[0] + count[1] + count[2] + count[3]);
    w->ab += (ab[0] + ab[2]) + (ab[1] + ab[3]);
    w->aa += (aa[0] + aa[2]) + (aa[1] + aa[3]);
    w->bb += (bb[0] + bb[2]) + (bb[1] + bb[3]);
    for (; i < n; i++) {
        add_step(w, a[i] - a[i - 1], b[i] - b[i - 1]);
    }
}

void sm_twins_push(sm_twins *t, double *const *x, size_t n_channels, size_t n_rows)
{
    for (size_t k = 0; k < t->n; k++) {
        sm_twin *w = &t->items[k];
        if (n_rows) {
            add_step(w, x[w->a][0] - t->last[w->a], x[w->b][0] - t->last[w->b]);
            push_pair(w, x[w->a], x[w->b], n_rows);
        }
    }
    for (size_t c = 0; c < n_channels && n_rows; c++) {
        t->last[c] = x[c][n_rows - 1];
    }
}

bool sm_twins_are_one(const sm_twin *t, double quantum_a, double quantum_b, double *gain)
{
    bool moves = t->n > 0 && t->aa > t->n * MOVES * MOVES * quantum_a * quantum_a &&
                 t->bb > t->n * MOVES * MOVES * quantum_b * quantum_b;
    if (!moves) {
        return false;
    }
    *gain = t->ab / t->aa;
    double left = t->bb - *gain * t->ab;
    double scaled = *gain * quantum_a;
    double rounding = ROUNDING * t->n * (scaled * scaled + quantum_b * quantum_b);
    return left <= SAME_SHARE * t->bb + rounding;
}
