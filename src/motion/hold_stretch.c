/*
 * hold: cutting the log into stretches of one state. A state is: the engine (off, or held near one
 * rpm), turning or not, and quiet or disturbed (three times the rms of the quiet part of the same
 * engine state). Thresholds are relative to the log's own quiet slices, so that a gyro's constant
 * bias and its noise play no part.
 */
#include "core/alloc.h"
#include "core/util.h"
#include "motion/hold_internal.h"

#include <math.h>
#include <stdlib.h>

#define RAD (SM_PI / 180)
#define TURNING_RAD_S (1.0 * RAD) /* common practice, no source: slower is no turn */
#define TURNING_SD 6.0            /* of the steps between slices */
#define BIAS_MOST_RAD_S (3.0 * RAD)
#define DISTURBED 3.0
#define QUIET_LEAST_RAD_S (0.002 * RAD) /* a rounding floor for logs without noise */
#define OFF_RPM 30.0
#define HUNTING_S 2.0
/* A run between two equal states that is shorter is part of them: a knock belongs to its hold and
 * spoils it; a turn is a turn. The second over which loudness is taken is in the first figure. */
#define SHORTEST_S 2.0
#define SHORTEST_TURN_S 1.0
#define TRIM_S 0.5 /* beside a change of state */

static int ascending(const void *a, const void *b)
{
    double x = *(const double *)a;
    double y = *(const double *)b;
    return (x > y) - (x < y);
}

/* Half-sample mode of a sorted array: halve to the densest half until three are left. */
static double mode_of(const double *v, size_t n)
{
    while (n > 3) {
        size_t half = (n + 1) / 2;
        size_t best = 0;
        for (size_t i = 0; i + half <= n; i++) {
            if (v[i + half - 1] - v[i] < v[best + half - 1] - v[best]) {
                best = i;
            }
        }
        v += best;
        n = half;
    }
    return n ? v[n / 2] : 0;
}

/* sd of one slice's mean from the lower fifth of the steps between neighbours: steady turns and
 * stops count, the starts and ends of turns do not. */
static double step_spread(const sm_hold *h, int k, double *scratch)
{
    size_t n = 0;
    for (size_t i = 0; i + 1 < h->n_slices; i++) {
        if (h->slices[i].stretch == h->slices[i + 1].stretch && !h->slices[i].bad &&
            !h->slices[i + 1].bad) {
            scratch[n++] = fabs(hold_mean(h, k, i + 1, i + 1) - hold_mean(h, k, i, i));
        }
    }
    if (n == 0) {
        return 0;
    }
    qsort(scratch, n, sizeof *scratch, ascending);
    return scratch[n / 5] / 0.2533471 / sqrt(2.0); /* 20 % quantile of |normal| */
}

static void reference_of(const sm_hold *h, double *scratch, double reference[3], double *step_sd)
{
    *step_sd = 0;
    for (int k = 0; k < 3; k++) {
        reference[k] = 0;
        if (h->input[k] < 0) {
            continue;
        }
        *step_sd = sm_max(*step_sd, step_spread(h, k, scratch));
        size_t n = 0;
        for (size_t i = 0; i < h->n_slices; i++) {
            double m = hold_mean(h, k, i, i);
            if (!h->slices[i].bad && fabs(m) < BIAS_MOST_RAD_S) {
                scratch[n++] = m;
            }
        }
        qsort(scratch, n, sizeof *scratch, ascending);
        reference[k] = mode_of(scratch, n);
    }
}

/* Slices [*first, *last] of the same stretch within half a second on either side of i. */
static void window_around(const sm_hold *h, size_t i, size_t *first, size_t *last)
{
    double slice_s = (double)h->slice_rows / h->rate_hz;
    size_t reach = (size_t)floor(0.5 / slice_s);
    *first = i;
    *last = i;
    for (size_t k = 0; k < reach; k++) {
        *first -= *first > 0 && h->slices[*first - 1].stretch == h->slices[i].stretch;
        *last += *last + 1 < h->n_slices && h->slices[*last + 1].stretch == h->slices[i].stretch;
    }
}

static void mark_turning(const sm_hold *h, const double reference[3], double step_sd,
                         hold_run *state)
{
    double limit = sm_max(TURNING_RAD_S, TURNING_SD * step_sd);
    for (size_t i = 0; i < h->n_slices; i++) {
        size_t first;
        size_t last;
        window_around(h, i, &first, &last);
        double sum = 0;
        for (int k = 0; k < 3; k++) {
            double d = h->input[k] < 0 ? 0 : hold_mean(h, k, first, last) - reference[k];
            sum += d * d;
        }
        state[i].turning = sum > limit * limit;
    }
}

/* Median rpm within two seconds on either side: an idle that hunts is still one idle, and a change
 * of speed keeps its edge. */
static double settled_rpm(const sm_hold *h, size_t i)
{
    enum { MOST = 17 };
    double v[MOST];
    size_t n = 0;
    double slice_s = (double)h->slice_rows / h->rate_hz;
    size_t reach = (size_t)sm_min(MOST / 2, floor(HUNTING_S / slice_s));
    for (size_t k = i > reach ? i - reach : 0; k <= i + reach && k < h->n_slices; k++) {
        if (h->slices[k].n_rpm && h->slices[k].stretch == h->slices[i].stretch) {
            v[n++] = hold_slice_rpm(&h->slices[k]);
        }
    }
    qsort(v, n, sizeof *v, ascending);
    return n ? v[n / 2] : 0;
}

/* Numbers the stretches in which the speed is held; -1 where it changes. rpm: (n_slices) scratch.
 */
static void mark_engine(const sm_hold *h, double *rpm, hold_run *state)
{
    double slice_s = (double)h->slice_rows / h->rate_hz;
    int held = 0;
    for (size_t i = 0; i < h->n_slices; i++) {
        rpm[i] = settled_rpm(h, i);
    }
    for (size_t i = 0; i < h->n_slices;) {
        const hold_slice *s = &h->slices[i];
        if (s->n_rpm == 0 || s->rpm_hi < OFF_RPM) {
            state[i++].engine = 0;
            continue;
        }
        double lo = rpm[i];
        double hi = lo;
        double tol = sm_max(80, 0.06 * lo);
        double st = 0; /* sums of the regression of rpm on slice number */
        double sr = 0;
        double stt = 0;
        double str = 0;
        size_t j = i;
        for (; j < h->n_slices && h->slices[j].stretch == s->stretch; j++) {
            double r = rpm[j];
            if (h->slices[j].n_rpm == 0 || r < OFF_RPM || sm_max(hi, r) - sm_min(lo, r) > tol) {
                break;
            }
            lo = sm_min(lo, r);
            hi = sm_max(hi, r);
            double t = (double)(j - i);
            st += t;
            sr += r;
            stt += t * t;
            str += t * r;
        }
        double n = (double)(j - i);
        double slope = n > 2 ? (n * str - st * sr) / (n * stt - st * st) : 0;
        /* neither a slow sweep that just fits into the tolerance nor the tail of one */
        bool is_held = n * slice_s >= 2 && fabs(slope) * n < 0.6 * tol &&
                       fabs(slope) / slice_s < sm_max(4, 0.0025 * hi);
        size_t end = is_held ? j : i + 1 + (j - i) / 8;
        held += is_held;
        for (; i < end; i++) {
            state[i].engine = is_held ? held : -1;
        }
    }
}

/* Rms of the rates over the second around slice i, or NaN with too few samples to tell. */
static double loudness(const sm_hold *h, size_t i)
{
    size_t first;
    size_t last;
    size_t n = 0;
    window_around(h, i, &first, &last);
    for (size_t k = first; k <= last; k++) {
        n += h->slices[k].n;
    }
    double sum = 0;
    for (int k = 0; k < 3; k++) {
        sum += h->input[k] < 0 ? 0 : hold_variance(h, k, first, last);
    }
    return n < 8 ? (double)NAN : sqrt(sum);
}

static void mark_disturbed(const sm_hold *h, double *rms, double *scratch, hold_run *state)
{
    int most = 0;
    for (size_t i = 0; i < h->n_slices; i++) {
        rms[i] = loudness(h, i);
        most = state[i].engine > most ? state[i].engine : most;
    }
    for (int engine = 0; engine <= most; engine++) {
        size_t n = 0;
        for (size_t i = 0; i < h->n_slices; i++) {
            if (state[i].engine == engine && !state[i].turning && isfinite(rms[i])) {
                scratch[n++] = rms[i];
            }
        }
        if (n == 0) {
            continue;
        }
        qsort(scratch, n, sizeof *scratch, ascending);
        double quiet = sm_max(scratch[n / 10], QUIET_LEAST_RAD_S);
        for (size_t i = 0; i < h->n_slices; i++) {
            if (state[i].engine == engine && !state[i].turning) {
                state[i].disturbed = rms[i] > DISTURBED * quiet; /* false for NaN */
            }
        }
    }
}

static bool same_state(const hold_run *a, const hold_run *b)
{
    return a->engine == b->engine && a->turning == b->turning && a->disturbed == b->disturbed;
}

static double run_seconds(const sm_hold *h, const hold_run *r)
{
    double n = 0;
    for (size_t i = r->first; i <= r->last; i++) {
        n += h->slices[i].n;
    }
    return n / h->rate_hz;
}

/* Puts runs together that a short one parts: a gust, a dropped rpm. In place; returns how many. */
static size_t absorb(const sm_hold *h, hold_run *runs, size_t n)
{
    size_t out = 0;
    for (size_t i = 0; i < n; i++) {
        bool turn = runs[i].turning || (out > 0 && runs[out - 1].turning);
        double shortest = turn ? SHORTEST_TURN_S : SHORTEST_S;
        bool bridge =
            out > 0 && i + 1 < n && same_state(&runs[out - 1], &runs[i + 1]) &&
            run_seconds(h, &runs[i]) < shortest &&
            h->slices[runs[out - 1].last].stretch == h->slices[runs[i + 1].first].stretch &&
            !h->slices[runs[i].first].bad;
        if (bridge) {
            runs[out - 1].last = runs[i + 1].last;
            i++;
        } else {
            runs[out++] = runs[i];
        }
    }
    return out;
}

/* A turn goes one way; what moves to and fro was moved by someone. */
static bool is_turn(const sm_hold *h, const hold_run *r, const double reference[3])
{
    double net[3] = {0};
    double path = 0;
    for (size_t i = r->first; i <= r->last; i++) {
        double d2 = 0;
        for (int k = 0; k < 3; k++) {
            double d = h->input[k] < 0 ? 0 : hold_mean(h, k, i, i) - reference[k];
            net[k] += d * h->slices[i].n / h->rate_hz;
            d2 += d * d;
        }
        path += sqrt(d2) * h->slices[i].n / h->rate_hz;
    }
    double size = sqrt(net[0] * net[0] + net[1] * net[1] + net[2] * net[2]);
    return size > 5 * RAD && size > 0.7 * path;
}

/* Half a second beside a change of state belongs to neither side. */
static void trim(const sm_hold *h, const hold_run *all, size_t n, size_t i, hold_run *r)
{
    double slice_s = (double)h->slice_rows / h->rate_hz;
    size_t cut = (size_t)floor(TRIM_S / slice_s);
    size_t length = r->last - r->first + 1;
    if (5 * cut > length) {
        return;
    }
    uint32_t own = h->slices[r->first].stretch;
    bool before = i > 0 && h->slices[all[i - 1].last].stretch == own;
    bool after = i + 1 < n && h->slices[all[i + 1].first].stretch == own;
    r->first += before ? cut : 0;
    r->last -= after ? cut : 0;
}

static size_t collect(const sm_hold *h, const hold_run *state, hold_run *runs)
{
    size_t n = 0;
    for (size_t i = 0; i < h->n_slices; i++) {
        bool joined = n > 0 && i > 0 && same_state(&runs[n - 1], &state[i]) &&
                      h->slices[i - 1].stretch == h->slices[i].stretch &&
                      h->slices[i - 1].bad == h->slices[i].bad;
        if (joined) {
            runs[n - 1].last = i;
        } else {
            runs[n] = state[i];
            runs[n].first = i;
            runs[n].last = i;
            n++;
        }
    }
    return n;
}

/* A stop that is loud and quiet in turns falls into pieces too short to be a stretch: neighbours
 * that are both too short and differ in nothing else are one disturbed stretch, so that no stop is
 * lost. In place; returns how many. */
static size_t join_short(const sm_hold *h, hold_run *runs, size_t n, double least_s)
{
    size_t out = 0;
    bool open = false; /* the last one written is short, or made of short ones */
    for (size_t i = 0; i < n; i++) {
        const hold_slice *first = &h->slices[runs[i].first];
        bool is_short = !runs[i].turning && runs[i].engine >= 0 && !first->bad &&
                        run_seconds(h, &runs[i]) < least_s;
        hold_run *last = out > 0 ? &runs[out - 1] : NULL;
        bool joined = is_short && open && last->engine == runs[i].engine &&
                      h->slices[last->last].stretch == first->stretch;
        if (joined) {
            last->last = runs[i].last;
            last->disturbed = true;
        } else {
            runs[out++] = runs[i];
        }
        open = is_short;
    }
    return out;
}

size_t hold_runs(const sm_hold *h, hold_run *runs, size_t capacity)
{
    size_t n = h->n_slices;
    hold_run *state = sm_alloc_array(n + 1, sizeof *state);
    hold_run *all = sm_alloc_array(n + 1, sizeof *all);
    double *rms = sm_alloc_array(n + 1, sizeof *rms);
    double *scratch = sm_alloc_array(n + 1, sizeof *scratch);
    size_t out = 0;
    if (!state || !all || !rms || !scratch) {
        out = SIZE_MAX;
        goto done;
    }
    double reference[3];
    double step_sd;
    reference_of(h, scratch, reference, &step_sd);
    mark_turning(h, reference, step_sd, state);
    mark_engine(h, rms, state);
    mark_disturbed(h, rms, scratch, state);
    size_t n_all = collect(h, state, all);
    for (size_t before = n_all + 1; before != n_all;) {
        before = n_all;
        n_all = absorb(h, all, n_all);
    }
    double least = h->options.criteria.seconds - (double)h->slice_rows / h->rate_hz;
    n_all = join_short(h, all, n_all, least - 1e-9);
    for (size_t i = 0; i < n_all && out < capacity; i++) {
        hold_run r = all[i];
        if (h->slices[r.first].bad || r.engine < 0 || run_seconds(h, &r) < least - 1e-9) {
            continue;
        }
        if (r.turning && !is_turn(h, &r, reference)) {
            r.turning = false;
            r.disturbed = true;
        }
        trim(h, all, n_all, i, &r);
        runs[out++] = r;
    }
done:
    sm_free(state);
    sm_free(all);
    sm_free(rms);
    sm_free(scratch);
    return out;
}
