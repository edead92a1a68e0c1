/* drift: which orders and which other lines make the coning. */
#include "core/alloc.h"
#include "core/util.h"
#include "motion/drift_internal.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { PEAKS_PER_AXIS = 6, MOST_OF_BAND = 48 };

#define SMALLEST 0.01 /* of the band's strongest line: what is smaller is not listed */
#define CLEAR 6.0     /* of the median bin: an unclaimed line must stand this far out */

typedef struct list {
    sm_drift_line *items;
    size_t n;
    size_t capacity;
} list;

/* Keeps the strongest; items are sorted, strongest first. */
static void keep(list *l, const sm_drift_line *line)
{
    size_t at = l->n;
    while (at > 0 && fabs(l->items[at - 1].coning_rad_s) < fabs(line->coning_rad_s)) {
        at--;
    }
    if (at >= l->capacity) {
        return;
    }
    l->n += l->n < l->capacity;
    (void)memmove(&l->items[at + 1], &l->items[at], (l->n - 1 - at) * sizeof *line);
    l->items[at] = *line;
}

static int ascending(const void *a, const void *b)
{
    double x = *(const double *)a;
    double y = *(const double *)b;
    return (x > y) - (x < y);
}

/* Median over the bins of |coning| times frequency, per frame: white rates give the same at all. */
static double noise_of(const sm_drift *d, const double *density, double *scratch)
{
    size_t n = 0;
    for (size_t k = d->k_lo; k + 1 < d->n_bins; k++) {
        if (density[k] != 0) {
            scratch[n++] = fabs(density[k]) * (double)k;
        }
    }
    if (n == 0) {
        return 0;
    }
    qsort(scratch, n, sizeof *scratch, ascending);
    return scratch[n / 2];
}

static double amplitude(const sm_drift *d, const drift_slot *s, int axis, size_t k0, size_t k1)
{
    double best = 0;
    double n = (double)(s->cells[0].n + s->cells[1].n + s->cells[2].n);
    for (int i = 0; i < 3; i++) {
        double sum = 0;
        for (size_t k = k0; k <= k1 && i != axis; k++) {
            sum += s->power[(size_t)i * d->n_bins + k];
        }
        best = sm_max(best, sqrt(2 * sum / n));
    }
    return best;
}

static void order_lines(const sm_drift *d, const drift_slot *s, size_t n, list *l)
{
    for (size_t o = 0; o < d->n_orders; o++) {
        for (int axis = 0; axis < 3 && s->order_n[o]; axis++) {
            double a = s->order_power[3 * o + (size_t)((axis + 1) % 3)];
            double b = s->order_power[3 * o + (size_t)((axis + 2) % 3)];
            sm_drift_line line = {.hz = s->order_hz[o] / (double)s->order_n[o],
                                  .axis = axis,
                                  .coning_rad_s = s->order[3 * o + (size_t)axis] / (double)n,
                                  .gyro_pk_rad_s = sqrt(2 * sm_max(a, b) / (double)n),
                                  .rpm = {s->rpm[0], s->rpm[1]}};
            (void)memcpy(line.label, d->orders[o].label, sizeof line.label);
            keep(l, &line);
        }
    }
}

/* Peaks of what no order claimed: from the highest bin outwards while the sign stays and the bin
 * is worth 2 % of the highest, so that a line that moves within the band is one line. */
static void other_lines(const sm_drift *d, const drift_slot *s, int axis, size_t n, double *scratch,
                        list *l)
{
    double *v = scratch;
    const double *density = s->density + (size_t)axis * d->n_bins;
    double noise = CLEAR * noise_of(d, density, scratch);
    (void)memcpy(v, density, d->n_bins * sizeof *v);
    for (int peak = 0; peak < PEAKS_PER_AXIS; peak++) {
        size_t best = d->k_lo;
        for (size_t k = d->k_lo; k + 1 < d->n_bins; k++) {
            best = fabs(v[k]) > fabs(v[best]) ? k : best;
        }
        if (!(fabs(v[best]) * (double)best > noise)) {
            return;
        }
        double floor = 0.02 * v[best];
        bool negative = v[best] < 0;
        size_t lo = best;
        size_t hi = best;
        while (lo > d->k_lo && (negative ? v[lo - 1] < floor : v[lo - 1] > floor)) {
            lo--;
        }
        while (hi + 2 < d->n_bins && (negative ? v[hi + 1] < floor : v[hi + 1] > floor)) {
            hi++;
        }
        double sum = 0;
        double power = 0;
        double moment = 0;
        for (size_t k = lo; k <= hi; k++) {
            sum += v[k];
            power += v[k] * (double)k; /* coning times frequency: the lobe itself */
            moment += v[k] * (double)k * (double)k;
            v[k] = 0;
        }
        sm_drift_line line = {.hz = moment / power * d->rate_hz / (double)d->n_frame,
                              .axis = axis,
                              .coning_rad_s = sum / (double)n,
                              .gyro_pk_rad_s = amplitude(d, s, axis, lo, hi),
                              .rpm = {s->rpm[0], s->rpm[1]}};
        (void)snprintf(line.label, sizeof line.label, "unknown");
        keep(l, &line);
    }
}

/* All lines of one band, strongest first. */
static void lines_of(const sm_drift *d, const drift_slot *s, const sm_drift_band *band,
                     double *scratch, list *l)
{
    order_lines(d, s, band->all.n_frames, l);
    for (int axis = 0; axis < 3; axis++) {
        if (isfinite(band->all.coning[axis].value)) {
            other_lines(d, s, axis, band->all.n_frames, scratch, l);
        }
    }
}

bool drift_strongest(const sm_drift *d, const drift_slot *s, const sm_drift_band *band, int axis,
                     sm_drift_line *out)
{
    sm_drift_line lines[MOST_OF_BAND];
    list l = {lines, 0, MOST_OF_BAND};
    double *scratch = sm_alloc_array(d->n_bins, sizeof *scratch);
    if (scratch) {
        lines_of(d, s, band, scratch, &l);
    }
    sm_free(scratch);
    for (size_t i = 0; i < l.n; i++) {
        if (lines[i].axis == axis && lines[i].coning_rad_s != 0) {
            *out = lines[i];
            return true;
        }
    }
    return false;
}

size_t sm_drift_lines(const sm_drift *d, sm_drift_line *out, size_t capacity)
{
    list l = {out, 0, capacity};
    double *scratch = sm_alloc_array(d->n_bins, sizeof *scratch);
    for (size_t i = 0; i < d->n_slots && scratch; i++) {
        const drift_slot *s = &d->slots[i];
        sm_drift_band band;
        sm_drift_band_find(d, s->rpm[0], s->rpm[1], &band);
        if (d->no_speed) {
            sm_drift_band_get(d, i, &band);
        }
        if (band.all.n_frames < 3 || !band.resolved) {
            continue;
        }
        lines_of(d, s, &band, scratch, &l);
    }
    sm_free(scratch);
    while (l.n && !(fabs(out[l.n - 1].coning_rad_s) >= SMALLEST * fabs(out[0].coning_rad_s))) {
        l.n--;
    }
    return out[0].coning_rad_s != 0 ? l.n : 0;
}
