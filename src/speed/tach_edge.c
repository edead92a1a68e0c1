/*
 * Rising edges of a pulse channel at half height, with hysteresis and the moment between samples.
 * Heights are the upper and lower quartiles of the extremes of eight quarter-second windows: a
 * narrow pulse would escape percentiles of the samples, and one spike does not move a quartile.
 */
#include "core/alloc.h"
#include "speed/stage.h"

#include <math.h>
#include <string.h>

#define WINDOW_S 0.25
/* A channel whose height falls below this share of its largest shows noise, not pulses. */
#define HEIGHT_SHARE 0.25
/* A rise by this share of the height from one sample to the next says nothing about the moment. */
#define STEEP_SHARE 0.9

sm_status sm_edges_open(sm_edges *e, double rate_hz)
{
    e->rate_hz = rate_hz;
    e->window = (size_t)fmax(4, ceil(WINDOW_S * rate_hz));
    e->x = sm_alloc_array(2 * e->window, sizeof(double));
    if (!e->x) {
        return SM_E_NOMEM;
    }
    sm_edges_reset(e);
    return SM_OK;
}

void sm_edges_close(sm_edges *e)
{
    sm_free(e->x);
    e->x = NULL;
}

void sm_edges_reset(sm_edges *e)
{
    e->n = 0;
    e->n_levels = 0;
    e->last_x = NAN;
    e->high = true; /* a run that starts inside a pulse has not seen its edge */
}

static void note_extremes(sm_edges *e, const double *x, size_t n)
{
    double lo = INFINITY;
    double hi = -INFINITY;
    for (size_t i = 0; i < n; i++) {
        lo = x[i] < lo ? x[i] : lo;
        hi = x[i] > hi ? x[i] : hi;
    }
    if (lo <= hi) {
        e->lo[e->n_levels % SM_EDGE_WINDOWS] = lo;
        e->hi[e->n_levels % SM_EDGE_WINDOWS] = hi;
        e->n_levels++;
    }
}

static double ranked(const double *v, size_t n, size_t rank)
{
    double s[SM_EDGE_WINDOWS];
    for (size_t i = 0; i < n; i++) {
        size_t k = i;
        for (; k > 0 && s[k - 1] > v[i]; k--) {
            s[k] = s[k - 1];
        }
        s[k] = v[i];
    }
    return s[rank];
}

/* Hysteresis at 40 and 60 %, moment at 50 %. */
static void find_edges(sm_edges *e, size_t n_samples, sm_tach *t)
{
    size_t n = e->n_levels < SM_EDGE_WINDOWS ? e->n_levels : SM_EDGE_WINDOWS;
    if (n == 0) {
        return;
    }
    double lo = ranked(e->lo, n, (n - 1) / 4);
    double hi = ranked(e->hi, n, (3 * (n - 1) + 2) / 4);
    double span = hi - lo;
    if (!(span > 0) || span < HEIGHT_SHARE * e->span_ref) {
        e->last_x = NAN;
        return;
    }
    e->span_ref = fmax(e->span_ref, span);
    double mid = lo + 0.5 * span;
    double rise = lo + 0.6 * span;
    double fall = lo + 0.4 * span;
    double dt = 1 / e->rate_hz;
    for (size_t i = 0; i < n_samples; i++) {
        double x = e->x[i];
        if (isnan(x)) {
            continue;
        }
        double at = e->t0_s + (double)i * dt;
        if (x >= mid && (e->last_x < mid || isnan(e->last_x))) {
            e->mid_s = isnan(e->last_x) ? at : at - dt * (x - mid) / (x - e->last_x);
            e->mid_steep = x - e->last_x > STEEP_SHARE * span;
        }
        e->n_high += x >= mid;
        if (!e->high && x >= rise) {
            e->high = true;
            e->n_rise++;
            e->steep += e->mid_steep;
            sm_tach_candidate(t, e->mid_s);
        } else if (e->high && x <= fall) {
            e->high = false;
        }
        e->last_x = x;
    }
}

static void drop_window(sm_edges *e)
{
    size_t n = e->n < e->window ? e->n : e->window;
    memmove(e->x, e->x + n, (e->n - n) * sizeof(double));
    e->n -= n;
    e->t0_s += (double)n / e->rate_hz;
}

void sm_edges_feed(sm_edges *e, const double *x, size_t n, double t0_s, sm_tach *t)
{
    size_t done = 0;
    while (done < n) {
        if (e->n == 0) {
            e->t0_s = t0_s + (double)done / e->rate_hz;
        }
        size_t room = 2 * e->window - e->n;
        size_t take = n - done < room ? n - done : room;
        size_t before = e->n;
        memcpy(e->x + e->n, x + done, take * sizeof(double));
        e->n += take;
        done += take;
        if (before < e->window && e->n >= e->window && e->n_levels == 0) {
            note_extremes(e, e->x, e->window); /* the very first window */
        }
        if (e->n == 2 * e->window) {
            note_extremes(e, e->x + e->window, e->window);
            find_edges(e, e->window, t);
            drop_window(e);
        }
    }
}

void sm_edges_flush(sm_edges *e, sm_tach *t)
{
    size_t whole = e->n_levels == 0 ? 0 : e->window < e->n ? e->window : e->n;
    note_extremes(e, e->x + whole, e->n - whole);
    while (e->n > 0) {
        find_edges(e, e->n < e->window ? e->n : e->window, t);
        drop_window(e);
    }
    sm_edges_reset(e);
}
