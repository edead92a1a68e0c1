/* Clipping by range, or by the crowd at the extreme value. */
#include "stillmount/clip.h"

#include "core/wide.h"

#include <math.h>
#include <stdint.h>
#include <string.h>

static const double RANGE_SHARE = 0.998; /* of the declared range */

void sm_clip_start(sm_clip *c, double range_si)
{
    memset(c, 0, sizeof *c);
    c->range_si = range_si;
    c->first_value = NAN;
    c->first_open = true;
    c->side[0].last_s = c->side[1].last_s = -INFINITY;
}

bool sm_clip_is(const sm_clip_levels *levels, double value_si)
{
    return levels->everywhere || value_si >= levels->hi_si || value_si <= levels->lo_si;
}

/* Keeps v among the most extreme distinct values of a side, with how often it came. */
static void note(sm_clip *c, int side, double v, double t_s, double apart_s, long line)
{
    size_t n = c->side[side].n;
    size_t at = 0;
    while (at < n && c->side[side].value[at] > v) {
        at++;
    }
    bool known = at < n && c->side[side].value[at] == v;
    if (!known) {
        if (at == SM_CLIP_VALUES) {
            return;
        }
        size_t last = n < SM_CLIP_VALUES ? n : SM_CLIP_VALUES - 1;
        for (size_t i = last; i > at; i--) {
            c->side[side].value[i] = c->side[side].value[i - 1];
            c->side[side].count[i] = c->side[side].count[i - 1];
        }
        c->side[side].value[at] = v;
        c->side[side].count[at] = 0;
        c->side[side].n = last + 1;
    }
    c->side[side].count[at]++;
    if (at != 0) {
        return;
    }
    if (!known) {
        c->side[side].n_places = 0;
    }
    if (!known || t_s - c->side[side].last_s > apart_s) {
        long k = c->side[side].n_places++;
        if (k < 4) {
            c->side[side].first[k] = (sm_place){t_s, t_s, line};
        }
    } else if (c->side[side].n_places <= 4) {
        c->side[side].first[c->side[side].n_places - 1].t1_s = t_s;
    }
    c->side[side].last_s = t_s;
}

static void note_over(sm_clip *c, double v, double t_s, long line)
{
    bool over = c->range_si > 0 && fabs(v) >= RANGE_SHARE * c->range_si;
    if (over) {
        c->n_over++;
        if (!c->inside_over && c->n_places < SM_FINDING_PLACES) {
            c->over[c->n_places++] = (sm_place){t_s, t_s, line};
        } else if (c->inside_over && c->n_places && c->n_places <= SM_FINDING_PLACES) {
            c->over[c->n_places - 1].t1_s = t_s;
        }
    }
    c->inside_over = over;
}

static double floor_of(const sm_clip *c, int side)
{
    return c->side[side].n < SM_CLIP_VALUES ? -(double)INFINITY
                                            : c->side[side].value[SM_CLIP_VALUES - 1];
}

enum { CHUNK = 16 };

/* Does none of so many values reach any of the bounds? Most never do. */
SM_WIDE static bool is_quiet(const double *x, double hi, double lo, double limit)
{
    const sm_i4 magnitude = {INT64_MAX, INT64_MAX, INT64_MAX, INT64_MAX};
    sm_i4 any = {0};
    for (size_t i = 0; i < CHUNK; i += 4) {
        sm_v4 v;
        memcpy(&v, x + i, sizeof v);
        any |= (v >= hi) | (v <= lo) | ((sm_v4)((sm_i4)v & magnitude) >= limit);
    }
    return !(any[0] | any[1] | any[2] | any[3]);
}

void sm_clip_push(sm_clip *c, const double *x_si, size_t n, double t0_s, double period_s,
                  const long *lines)
{
    double hi = floor_of(c, 0);
    double lo = -floor_of(c, 1);
    double limit = c->range_si > 0 ? RANGE_SHARE * c->range_si : (double)INFINITY;
    for (size_t i = 0; i < n; i++) {
        if (i + CHUNK <= n && !c->first_open && !c->inside_over &&
            is_quiet(x_si + i, hi, lo, limit)) {
            i += CHUNK - 1;
            continue;
        }
        double v = x_si[i];
        if (c->first_open && !isnan(v)) {
            c->first_open = c->n_first == 0 || v == c->first_value;
            c->n_first += c->first_open;
            c->first_value = c->n_first == 1 ? v : c->first_value;
        }
        if (!(v >= hi) && !(v <= lo) && !(fabs(v) >= limit) && !c->inside_over) {
            continue;
        }
        double t = t0_s + period_s * (double)i;
        long line = lines ? lines[i] : 0;
        if (v >= hi) {
            note(c, 0, v, t, 1.5 * period_s, line);
            hi = floor_of(c, 0);
        }
        if (v <= lo) {
            note(c, 1, -v, t, 1.5 * period_s, line);
            lo = -floor_of(c, 1);
        }
        if (!isnan(v)) {
            note_over(c, v, t, line);
        }
    }
}

/* More at the extreme than at the seven values next to it together, and not in one place only. */
static bool crowded(const sm_clip *c, int side)
{
    long next = 0;
    for (size_t i = 1; i < c->side[side].n; i++) {
        next += c->side[side].count[i];
    }
    long n = c->side[side].n ? c->side[side].count[0] : 0;
    bool at_start = c->n_first >= 8 &&
                    c->first_value == (side ? -c->side[side].value[0] : c->side[side].value[0]);
    bool places = c->side[side].n_places >= 2 || at_start;
    return c->side[side].n >= 4 && n >= 4 && places && n > next;
}

sm_clip_levels sm_clip_levels_get(const sm_clip *c)
{
    sm_clip_levels l = {NAN, NAN, false};
    if (c->range_si > 0) {
        l.hi_si = RANGE_SHARE * c->range_si;
        l.lo_si = -l.hi_si;
    }
    if (crowded(c, 0) && !(l.hi_si < c->side[0].value[0])) {
        l.hi_si = c->side[0].value[0];
    }
    if (crowded(c, 1) && !(l.lo_si > -c->side[1].value[0])) {
        l.lo_si = -c->side[1].value[0];
    }
    return l;
}

long sm_clip_count(const sm_clip *c, sm_place *places, size_t *n_places)
{
    long n = c->n_over;
    size_t k = 0;
    for (; k < c->n_places && places; k++) {
        places[k] = c->over[k];
    }
    for (int side = 0; side < 2; side++) {
        double v = c->side[side].n ? c->side[side].value[0] : 0;
        bool counted = c->range_si > 0 && fabs(v) >= RANGE_SHARE * c->range_si;
        if (counted || !crowded(c, side)) {
            continue;
        }
        n += c->side[side].count[0];
        for (long i = 0; places && i < c->side[side].n_places && i < 4 && k < SM_FINDING_PLACES;
             i++) {
            places[k++] = c->side[side].first[i];
        }
    }
    if (n_places) {
        *n_places = k;
    }
    return n;
}
