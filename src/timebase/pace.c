/*
 * Equal neighbours alone say nothing: a quiet channel of coarse steps has them too. But then most
 * of its steps are single quanta. Where hardly any step is small and yet many are zero, values were
 * held; where hardly any bend is small and yet many are none, they were joined by straight lines.
 */
#include "timebase/pace.h"

#include "core/util.h"
#include "core/wide.h"

#include <float.h>
#include <math.h>
#include <stdint.h>
#include <string.h>

#define LARGE_QUANTA 2.5
#define ROUNDING 4e-7 /* of single precision, relative to the largest value */
enum { MOVES_LEAST = 16, SECONDS_LEAST = 3 };

void sm_pace_start(sm_pace *p)
{
    *p = (sm_pace){.last = NAN, .last_step = NAN};
}

static void end_second(sm_pace *p)
{
    double n = (double)p->n;
    double moves = (double)(p->n - p->n_zero);
    bool tells = moves >= MOVES_LEAST && (double)p->n_large >= 0.8 * moves;
    bool held = tells && (double)p->n_zero >= 0.15 * n;
    double bends = (double)(p->n - p->n_straight);
    bool straight = tells && !held && bends >= MOVES_LEAST && (double)p->n_straight >= 0.25 * n &&
                    (double)(p->n_nearly - p->n_straight) <= 0.1 * (double)p->n_straight;
    p->seconds += tells;
    p->seconds_held += held;
    p->seconds_straight += straight;
    p->held_share += held ? moves / n : 0;
    p->straight_share += straight ? (bends - (double)p->n_pairs) / n : 0;
    p->n = p->n_zero = p->n_large = p->n_straight = p->n_nearly = p->n_pairs = 0;
}

/* What is straight: less than the sensor's steps, or than the rounding of its numbers. */
static double straight_of(const sm_pace *p, double large)
{
    return sm_max(large, ROUNDING * p->most);
}

static void push_one(sm_pace *p, double x, double large)
{
    double step = x - p->last;
    double bend = fabs(step - p->last_step);
    double size = fabs(x);
    p->most = size > p->most ? size : p->most;
    p->last = x;
    p->last_step = step;
    if (!(bend >= 0)) { /* a number is missing among the three */
        return;
    }
    double straight = straight_of(p, large);
    bool bent = bend > straight;
    p->n++;
    p->n_zero += step == 0;
    p->n_large += fabs(step) > large;
    p->n_straight += !bent;
    p->n_nearly += bend <= 8 * straight;
    p->n_pairs += bent & p->bent;
    p->bent = bent;
}

/* Four magnitudes. */
#define SIZE_OF(v) ((sm_v4)((sm_i4)(v) & (sm_i4){INT64_MAX, INT64_MAX, INT64_MAX, INT64_MAX}))

/* Are all of them numbers, and none larger than any before? */
SM_WIDE_INLINE bool all_within(const double *x, size_t n, double most)
{
    sm_i4 within = {-1, -1, -1, -1};
    size_t i = 0;
    for (; i + 4 <= n; i += 4) {
        sm_v4 v;
        memcpy(&v, x + i, sizeof v);
        within &= SIZE_OF(v) <= most;
    }
    bool all = within[0] & within[1] & within[2] & within[3] && most < DBL_MAX;
    for (; i < n; i++) {
        all = all && fabs(x[i]) <= most;
    }
    return all;
}

enum { HEAD = 3, CHUNK = HEAD + 64 };

/* CHUNK values at once, when nothing but counting is to be done. */
SM_WIDE static bool push_chunk(sm_pace *p, const double *x, double large)
{
    if (!all_within(x, CHUNK, p->most)) {
        return false;
    }
    for (size_t i = 0; i < HEAD; i++) {
        push_one(p, x[i], large);
    }
    double straight = straight_of(p, large);
    double nearly_straight = 8 * straight;
    sm_i4 zero = {0};
    sm_i4 large_ones = {0};
    sm_i4 even = {0};
    sm_i4 nearly = {0};
    sm_i4 pairs = {0};
    for (size_t i = HEAD; i < CHUNK; i += 4) {
        sm_v4 v0;
        sm_v4 v1;
        sm_v4 v2;
        sm_v4 v3;
        memcpy(&v0, x + i, sizeof v0);
        memcpy(&v1, x + i - 1, sizeof v1);
        memcpy(&v2, x + i - 2, sizeof v2);
        memcpy(&v3, x + i - 3, sizeof v3);
        sm_v4 step = v0 - v1;
        sm_v4 bend = step - (v1 - v2);
        sm_v4 bend_before = (v1 - v2) - (v2 - v3);
        bend = SIZE_OF(bend);
        bend_before = SIZE_OF(bend_before);
        zero -= step == 0;
        large_ones -= SIZE_OF(step) > large;
        even -= bend <= straight;
        nearly -= bend <= nearly_straight;
        pairs -= (bend > straight) & (bend_before > straight);
    }
    p->n += CHUNK - HEAD;
    p->n_zero += (long)(zero[0] + zero[1] + zero[2] + zero[3]);
    p->n_large += (long)(large_ones[0] + large_ones[1] + large_ones[2] + large_ones[3]);
    p->n_straight += (long)(even[0] + even[1] + even[2] + even[3]);
    p->n_nearly += (long)(nearly[0] + nearly[1] + nearly[2] + nearly[3]);
    p->n_pairs += (long)(pairs[0] + pairs[1] + pairs[2] + pairs[3]);
    p->last = x[CHUNK - 1];
    p->last_step = x[CHUNK - 1] - x[CHUNK - 2];
    p->bent = fabs(p->last_step - (x[CHUNK - 2] - x[CHUNK - 3])) > straight;
    return true;
}

void sm_pace_push(sm_pace *p, const double *x, size_t n, double quantum, long second)
{
    double large = LARGE_QUANTA * quantum;
    for (size_t i = 0; i < n;) {
        if (i + CHUNK <= n && p->n + CHUNK < second && push_chunk(p, x + i, large)) {
            i += CHUNK;
            continue;
        }
        for (size_t end = i + CHUNK < n ? i + CHUNK : n; i < end; i++) {
            push_one(p, x[i], large);
            if (p->n >= second) {
                end_second(p);
            }
        }
    }
}

double sm_pace_share(const sm_pace *p, bool *straight)
{
    *straight = 2 * p->seconds_straight > p->seconds && p->seconds_straight >= SECONDS_LEAST;
    if (*straight) {
        return p->straight_share / (double)p->seconds_straight;
    }
    bool held = 2 * p->seconds_held > p->seconds && p->seconds_held >= SECONDS_LEAST;
    return held ? p->held_share / (double)p->seconds_held : 1;
}
