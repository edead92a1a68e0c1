/*
 * Equal neighbours alone say nothing: a quiet channel of coarse steps has them too. But then most
 * of its steps are single quanta. Where hardly any step is small and yet many are zero, values were
 * held; where hardly any bend is small and yet many are none, they were joined by straight lines.
 */
#include "timebase/pace.h"

#include "core/util.h"

#include <math.h>

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
    double bends = (double)(p->n_bends - p->n_straight);
    bool straight = tells && !held && bends >= MOVES_LEAST &&
                    (double)p->n_straight >= 0.25 * (double)p->n_bends &&
                    (double)(p->n_nearly - p->n_straight) <= 0.1 * (double)p->n_straight;
    p->seconds += tells;
    p->seconds_held += held;
    p->seconds_straight += straight;
    p->held_share += held ? moves / n : 0;
    p->straight_share += straight ? (bends - (double)p->n_pairs) / (double)p->n_bends : 0;
    p->n = p->n_zero = p->n_large = p->n_bends = p->n_straight = p->n_nearly = p->n_pairs = 0;
}

void sm_pace_push(sm_pace *pace, const double *x, size_t n, double quantum, long second)
{
    double large = LARGE_QUANTA * quantum;
    sm_pace p =
        *pace; /* of its own: what may be written through a pointer is read again and again */
    for (size_t i = 0; i < n; i++) {
        double step = x[i] - p.last;
        double bend = fabs(step - p.last_step);
        double size = fabs(x[i]);
        p.most = size > p.most ? size : p.most;
        p.last = x[i];
        p.last_step = step;
        if (!(bend >= 0)) { /* a number is missing among the three */
            continue;
        }
        double straight = sm_max(large, ROUNDING * p.most);
        bool bent = bend > straight;
        p.n++;
        p.n_zero += step == 0;
        p.n_large += fabs(step) > large;
        p.n_bends++;
        p.n_straight += !bent;
        p.n_nearly += bend <= 8 * straight;
        p.n_pairs += bent & p.bent;
        p.bent = bent;
        if (p.n >= second) {
            end_second(&p);
        }
    }
    *pace = p;
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
