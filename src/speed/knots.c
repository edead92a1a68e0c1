/* Angle knots of the speed stage: cubic Hermite between joined ones, NaN elsewhere. */
#include "core/alloc.h"
#include "core/util.h"
#include "speed/stage.h"

#include <float.h>
#include <math.h>
#include <string.h>

/* A row this close to a knot is the knot's own moment; never closer than doubles can tell apart. */
static double same_s(double t_s)
{
    return sm_max(1e-9, 4 * DBL_EPSILON * fabs(t_s));
}

void sm_knots_reset(sm_knots *q)
{
    q->head = 0;
    q->n = 0;
    q->blank_until_s = -INFINITY;
}

void sm_knots_free(sm_knots *q)
{
    sm_free(q->items);
    *q = (sm_knots){0};
}

sm_status sm_knots_add(sm_knots *q, sm_knot k)
{
    if (q->head > 0 && q->n == q->capacity) {
        q->n -= q->head;
        memmove(q->items, q->items + q->head, q->n * sizeof *q->items);
        q->head = 0;
    }
    sm_knot *items = sm_grow(q->items, q->n, &q->capacity, sizeof *items);
    if (!items) {
        return SM_E_NOMEM;
    }
    q->items = items;
    items[q->n++] = k;
    return SM_OK;
}

const sm_knot *sm_knots_last(const sm_knots *q)
{
    return q->n > 0 ? &q->items[q->n - 1] : NULL;
}

double sm_knots_horizon(const sm_knots *q)
{
    double last = q->n > 0 ? q->items[q->n - 1].t_s : (double)-INFINITY;
    return fmax(last, q->blank_until_s);
}

/* Coefficients of one segment in u = (t - t0) / h. */
typedef struct segment {
    double t0;
    double inv_h;
    double theta0;
    double a;
    double b;
    double c;
} segment;

static segment segment_between(const sm_knot *k0, const sm_knot *k1)
{
    double h = k1->t_s - k0->t_s;
    double d = k1->theta_rev - k0->theta_rev;
    double a = k0->hz * h;
    double e = k1->hz * h;
    return (segment){k0->t_s, 1 / h, k0->theta_rev, a, 3 * d - 2 * a - e, a + e - 2 * d};
}

void sm_knots_fill(sm_knots *q, double t0_s, double rate_hz, size_t n, double rpm_per_hz,
                   double *theta_rev, double *rpm)
{
    double dt = 1 / rate_hz;
    for (size_t i = 0; i < n;) {
        double t = t0_s + (double)i * dt;
        double same = same_s(t);
        while (q->head + 1 < q->n && q->items[q->head + 1].t_s - t <= same) {
            q->head++;
        }
        const sm_knot *k0 = q->n > q->head ? &q->items[q->head] : NULL;
        const sm_knot *k1 = q->n > q->head + 1 ? &q->items[q->head + 1] : NULL;
        if (k0 && fabs(t - k0->t_s) <= same) {
            theta_rev[i] = k0->theta_rev;
            rpm[i] = k0->hz * rpm_per_hz;
            i++;
            continue;
        }
        if (k0 && t < k0->t_s) { /* before the first knot */
            k1 = k0;
            k0 = NULL;
        }
        double end = k1 ? k1->t_s : (double)INFINITY;
        if (!k0 || !k1 || !k1->joined) {
            for (; i < n && end - t > same_s(t); t = t0_s + (double)i * dt) {
                theta_rev[i] = NAN;
                rpm[i] = NAN;
                i++;
            }
            continue;
        }
        segment s = segment_between(k0, k1);
        for (; i < n && end - t > same_s(t); t = t0_s + (double)i * dt) {
            double u = (t - s.t0) * s.inv_h;
            theta_rev[i] = s.theta0 + u * (s.a + u * (s.b + u * s.c));
            rpm[i] = (s.a + u * (2 * s.b + 3 * u * s.c)) * s.inv_h * rpm_per_hz;
            i++;
        }
    }
}
