/*
 * From a weight at an angle to weights in the holes that exist. All angles as people count them.
 *
 * With any weight allowed two holes are exact (W. C. Foiles' splitting into two locations). With
 * steps, every pair of holes is searched with every multiple that may be best, and triples of the
 * holes nearest to the direction. Ways that need much more mass than the weight itself are left
 * out.
 */
#include "balance/balance_internal.h"
#include "core/alloc.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { NEAR_HOLES = 6, POOL = 512 };

/* More mass than this many times the weight itself is not a way worth listing. */
#define MASS_LIMIT 1.3
/* Ways whose residual differs by less than this part of the weight are equally good in the field
 * (a repeat of the same run scatters more). */
#define SAME_RESIDUAL 0.02

typedef struct search {
    const sm_balance_job *job;
    double complex target;
    double complex unit[SM_BALANCE_HOLES]; /* effect of 1 g in the hole */
    double most[SM_BALANCE_HOLES];         /* largest total */
    sm_balance_split pool[POOL];
    size_t n;
} search;

static void offer(search *s, const size_t *hole, const double *total, size_t n)
{
    sm_balance_split c = {0};
    double complex sum = 0;
    size_t order[SM_BALANCE_SPLIT_HOLES]; /* rising, so that the same way looks the same */
    for (size_t i = 0; i < n; i++) {
        size_t k = i;
        for (; k > 0 && hole[order[k - 1]] > hole[i]; k--) {
            order[k] = order[k - 1];
        }
        order[k] = i;
    }
    for (size_t k = 0; k < n; k++) {
        size_t i = order[k];
        const sm_balance_hole *h = &s->job->holes[hole[i]];
        double add = total[i] - h->has_g;
        if (fabs(add) < 1e-9) {
            continue;
        }
        c.parts[c.n_parts++] = (sm_balance_part){.hole = h->number,
                                                 .angle_deg = h->angle_deg,
                                                 .radius_mm = h->radius_mm,
                                                 .grams = add,
                                                 .total_g = total[i]};
        c.mass_g += add > 0 ? add : -add / 2; /* taking off is welcome */
        sum += add * s->unit[hole[i]];
    }
    c.residual_g = cabs(s->target - sum);
    if (c.n_parts == 0 || c.residual_g >= cabs(s->target)) {
        return;
    }
    for (size_t i = 0; i < s->n; i++) {
        const sm_balance_split *o = &s->pool[i];
        bool same = o->n_parts == c.n_parts;
        for (size_t k = 0; same && k < c.n_parts; k++) {
            same = o->parts[k].hole == c.parts[k].hole &&
                   fabs(o->parts[k].grams - c.parts[k].grams) < 1e-9;
        }
        if (same) {
            return;
        }
    }
    if (s->n < POOL) {
        s->pool[s->n++] = c;
        return;
    }
    size_t worst = 0;
    for (size_t i = 1; i < POOL; i++) {
        worst = s->pool[i].residual_g > s->pool[worst].residual_g ? i : worst;
    }
    if (c.residual_g < s->pool[worst].residual_g) {
        s->pool[worst] = c;
    }
}

/* Total for a hole nearest to what is wanted, within its limits and steps. */
static double settle(const search *s, size_t hole, double total)
{
    double step = s->job->step_g;
    double t = sm_max(0, sm_min(total, s->most[hole]));
    if (step > 0) {
        t = step * floor(t / step + 0.5);
        t = t > s->most[hole] + 1e-9 ? t - step : t;
    }
    return t;
}

/* The best total for the last hole, given what the others leave. */
static double last_total(const search *s, size_t hole, double complex rest)
{
    double complex u = s->unit[hole];
    double add = creal(rest * conj(u)) / creal(u * conj(u));
    return settle(s, hole, s->job->holes[hole].has_g + add);
}

static void try_single(search *s, size_t a)
{
    double t = last_total(s, a, s->target);
    offer(s, &a, &t, 1);
}

/* Exact amounts for two holes that are neither in line nor opposite. */
static bool exact_pair(const search *s, size_t a, size_t b, double *ta, double *tb)
{
    double complex ua = s->unit[a], ub = s->unit[b];
    double det = cimag(conj(ua) * ub);
    if (fabs(det) < 1e-6 * cabs(ua) * cabs(ub)) {
        return false;
    }
    *ta = s->job->holes[a].has_g + cimag(conj(s->target) * ub) / det;
    *tb = s->job->holes[b].has_g + cimag(conj(ua) * s->target) / det;
    return true;
}

static void try_pair(search *s, size_t a, size_t b)
{
    double ta, tb;
    size_t hole[2] = {a, b};
    if (!exact_pair(s, a, b, &ta, &tb)) {
        return;
    }
    if (s->job->step_g <= 0) {
        double total[2] = {ta, tb};
        if (ta >= -1e-9 && tb >= -1e-9 && ta <= s->most[a] && tb <= s->most[b]) {
            total[0] = sm_max(ta, 0);
            total[1] = sm_max(tb, 0);
            offer(s, hole, total, 2);
        }
        return;
    }
    /* The best lattice point may lie a few steps from the exact one when the holes are close. */
    for (int k = -8; k <= 8; k++) {
        double t = settle(s, a, ta + k * s->job->step_g);
        double total[2] = {t,
                           last_total(s, b, s->target - (t - s->job->holes[a].has_g) * s->unit[a])};
        offer(s, hole, total, 2);
    }
}

/* Three holes in steps: two amounts by search, the third closed. */
static void try_triple(search *s, size_t a, size_t b, size_t c)
{
    size_t hole[3] = {a, b, c};
    double step = s->job->step_g, reach = MASS_LIMIT * cabs(s->target);
    long n = lround(sm_min(reach / step, 60));
    for (long i = 0; i <= n; i++) {
        double ta = settle(s, a, s->job->holes[a].has_g + (double)i * step);
        double complex rest = s->target - (ta - s->job->holes[a].has_g) * s->unit[a];
        double best_tb = 0, best_tc = 0, best = INFINITY;
        for (long k = 0; k + i <= n; k++) {
            double tb = settle(s, b, s->job->holes[b].has_g + (double)k * step);
            double complex r2 = rest - (tb - s->job->holes[b].has_g) * s->unit[b];
            double tc = last_total(s, c, r2);
            double miss = cabs(r2 - (tc - s->job->holes[c].has_g) * s->unit[c]);
            if (miss < best) {
                best = miss;
                best_tb = tb;
                best_tc = tc;
            }
        }
        double total[3] = {ta, best_tb, best_tc};
        offer(s, hole, total, 3);
    }
}

/*
 * Bounded least squares over the holes nearest to the direction: for limits per hole that two
 * holes cannot keep. Coordinate descent with a small pull to equal shares; converges because the
 * problem is convex. Then the steps are settled one hole after the other, each taking up what the
 * rounding before it left.
 */
static void try_many(search *s, const size_t *near, size_t n_near)
{
    for (size_t n = 2; n <= n_near && n <= SM_BALANCE_SPLIT_HOLES; n++) {
        double total[SM_BALANCE_SPLIT_HOLES] = {0};
        double complex rest = s->target;
        for (size_t i = 0; i < n; i++) {
            total[i] = s->job->holes[near[i]].has_g;
        }
        for (int sweep = 0; sweep < 400; sweep++) {
            for (size_t i = 0; i < n; i++) {
                double complex u = s->unit[near[i]];
                double uu = creal(u * conj(u));
                double t = total[i] + creal(rest * conj(u)) / uu;
                t = sm_max(0, sm_min(t, s->most[near[i]]));
                rest -= (t - total[i]) * u;
                total[i] = t;
            }
        }
        for (size_t i = 0; i < n; i++) {
            double t = last_total(
                s, near[i], rest + (total[i] - s->job->holes[near[i]].has_g) * s->unit[near[i]]);
            rest += (total[i] - t) * s->unit[near[i]];
            total[i] = t;
        }
        offer(s, near, total, n);
    }
}

static int by_residual(const void *x, const void *y)
{
    const sm_balance_split *a = x, *b = y;
    if (fabs(a->residual_g - b->residual_g) > 1e-9) {
        return a->residual_g < b->residual_g ? -1 : 1;
    }
    if (a->n_parts != b->n_parts) {
        return a->n_parts < b->n_parts ? -1 : 1;
    }
    return a->mass_g < b->mass_g ? -1 : a->mass_g > b->mass_g;
}

static sm_status opened(const sm_balance_job *job, sm_phasor target, search *s, sm_error *err)
{
    s->job = job;
    s->target = sm_c(target);
    for (size_t i = 0; i < job->n_holes; i++) {
        const sm_balance_hole *h = &job->holes[i];
        double scale = isfinite(h->radius_mm) ? h->radius_mm / job->radius_mm : 1;
        s->unit[i] = sm_c(sm_phasor_polar(scale, h->angle_deg));
        s->most[i] = isfinite(job->max_hole_g) ? job->max_hole_g : 1e9;
        if (h->has_g > s->most[i]) {
            return sm_error_set(err, SM_E_VALUE, NULL, 0,
                                "hole %ld already holds %g g, more than the limit of %g g",
                                h->number, h->has_g, s->most[i]);
        }
    }
    return SM_OK;
}

/* The holes by how well they point along the target. */
static size_t nearest_holes(const search *s, size_t *near, size_t n_max)
{
    size_t n = 0;
    bool used[SM_BALANCE_HOLES] = {false};
    double want = carg(s->target) / SM_DEG;
    while (n < n_max && n < s->job->n_holes) {
        size_t best = SM_BALANCE_HOLES;
        double best_off = 90; /* holes beyond 90 degrees pull the wrong way */
        for (size_t i = 0; i < s->job->n_holes; i++) {
            double off = fabs(sm_turn_deg(s->job->holes[i].angle_deg - want));
            if (!used[i] && off < best_off) {
                best = i;
                best_off = off;
            }
        }
        if (best == SM_BALANCE_HOLES) {
            break;
        }
        used[best] = true;
        near[n++] = best;
    }
    return n;
}

static void search_all(search *s)
{
    size_t near[SM_BALANCE_SPLIT_HOLES];
    size_t n_near = nearest_holes(s, near, SM_BALANCE_SPLIT_HOLES);
    for (size_t a = 0; a < s->job->n_holes; a++) {
        try_single(s, a);
        for (size_t b = a + 1; b < s->job->n_holes; b++) {
            try_pair(s, a, b);
        }
    }
    if (s->job->step_g > 0) {
        size_t n = n_near < NEAR_HOLES ? n_near : NEAR_HOLES;
        for (size_t a = 0; a < n; a++) {
            for (size_t b = a + 1; b < n; b++) {
                for (size_t c = b + 1; c < n; c++) {
                    try_triple(s, near[a], near[b], near[c]);
                }
            }
        }
    }
    try_many(s, near, n_near);
}

/* Among ways that are equally good in the field: fewest holes, then residual and mass. */
static const sm_balance_split *choose(const search *s)
{
    const sm_balance_split *best = NULL;
    double best_cost = 0, limit = s->pool[0].residual_g + SAME_RESIDUAL * cabs(s->target);
    for (size_t i = 0; i < s->n; i++) {
        const sm_balance_split *c = &s->pool[i];
        double cost = c->residual_g + SAME_RESIDUAL * c->mass_g;
        if (c->residual_g <= limit && (!best || c->n_parts < best->n_parts ||
                                       (c->n_parts == best->n_parts && cost < best_cost))) {
            best = c;
            best_cost = cost;
        }
    }
    return best;
}

/* Drops wasteful ways unless nothing else is left. */
static void drop_heavy(search *s)
{
    double lightest = INFINITY;
    for (size_t i = 0; i < s->n; i++) {
        if (s->pool[i].residual_g < 0.1 * cabs(s->target)) {
            lightest = sm_min(lightest, s->pool[i].mass_g);
        }
    }
    double limit = sm_max(MASS_LIMIT * cabs(s->target), lightest * (1 + 1e-9));
    size_t kept = 0;
    for (size_t i = 0; i < s->n; i++) {
        if (s->pool[i].mass_g <= limit) {
            s->pool[kept++] = s->pool[i];
        }
    }
    s->n = kept;
}

sm_status sm_balance_split_find(const sm_balance_job *job, sm_phasor target,
                                sm_balance_split *chosen, sm_balance_split *ways, size_t *n_ways,
                                sm_error *err)
{
    static const double keep = 0.35; /* a split that leaves more than this is no answer */
    search *s = NULL;
    sm_status st = SM_OK;
    s = sm_alloc_array(1, sizeof *s);
    if (!s) {
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    st = opened(job, target, s, err);
    if (st == SM_OK) {
        search_all(s);
        drop_heavy(s);
        qsort(s->pool, s->n, sizeof *s->pool, by_residual);
        if (s->n == 0 || s->pool[0].residual_g > keep * cabs(s->target)) {
            st = sm_error_set(
                err, SM_E_VALUE, NULL, 0,
                "the holes cannot make %.3g g at %.1f degrees%s: two holes on both sides of that "
                "direction and less than 180 degrees apart are needed%s",
                cabs(s->target), sm_phasor_angle_deg(target),
                s->n ? ", the best leaves more than a third of it" : "",
                isfinite(job->max_hole_g) ? ", within the limit per hole" : "");
        }
    }
    if (st == SM_OK) {
        *chosen = *choose(s);
        *n_ways = 0;
        for (size_t i = 0; i < s->n && *n_ways < SM_BALANCE_SPLITS; i++) {
            if (s->pool[i].n_parts <= chosen->n_parts) { /* more holes would gain nothing */
                ways[(*n_ways)++] = s->pool[i];
            }
        }
    }
    sm_free(s);
    return st;
}
