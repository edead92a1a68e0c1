/* hold: the field without what was switched: while an item of the events file is on, the
 * magnetometer shows the item, not the aircraft. */
#include "core/alloc.h"
#include "core/util.h"
#include "motion/hold_internal.h"

#include <math.h>
#include <string.h>

#define LEAST_FIELD_S 1.0 /* of a stop's field, for a heading */

/* When the item of event i is on because of it: to its next event, and before a first "off". */
static void on_time(const sm_hold_event *events, size_t n, size_t i, double *from_s, double *to_s)
{
    const sm_hold_event *e = &events[i];
    double before_s = -(double)INFINITY;
    double next_s = (double)INFINITY;
    for (size_t k = 0; k < n; k++) {
        bool same = k != i && strcmp(events[k].item, e->item) == 0;
        double t_s = events[k].t_s;
        next_s = same && t_s > e->t_s ? sm_min(next_s, t_s) : next_s;
        before_s = same && t_s < e->t_s ? sm_max(before_s, t_s) : before_s;
    }
    *from_s = e->on || isfinite(before_s) ? e->t_s : before_s;
    *to_s = e->on ? next_s : e->t_s;
}

sm_status sm_hold_switched(sm_hold *h, const sm_hold_event *events, size_t n, sm_error *err)
{
    double(*on)[2] = sm_alloc_array(n + 1, sizeof *on);
    if (!on) {
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    for (size_t i = 0; i < n; i++) {
        on_time(events, n, i, &on[i][0], &on[i][1]);
    }
    sm_free(h->on);
    h->on = on;
    h->n_on = n;
    return SM_OK;
}

static bool is_on(const sm_hold *h, size_t slice)
{
    double from_s = h->slices[slice].t0_s;
    double to_s = from_s + h->slices[slice].n / h->rate_hz;
    for (size_t i = 0; i < h->n_on; i++) {
        if (to_s > h->on[i][0] - HOLD_SWITCHING_S && from_s < h->on[i][1] + HOLD_SWITCHING_S) {
            return true;
        }
    }
    return false;
}

bool hold_clean_piece(const sm_hold *h, const hold_run *r, size_t *at, hold_run *piece)
{
    size_t first = *at;
    while (first <= r->last && is_on(h, first)) {
        first++;
    }
    if (first > r->last) {
        return false;
    }
    *piece = *r;
    piece->first = first;
    piece->last = first;
    while (piece->last < r->last && !is_on(h, piece->last + 1)) {
        piece->last++;
    }
    *at = piece->last + 1;
    return true;
}

/* Mean and mean square over the clean slices, per axis; h->origin plays the same part as there. */
void hold_mag(const sm_hold *h, const hold_run *r, sm_hold_segment *s)
{
    double n = 0;
    double all = 0;
    double sum[3] = {0};
    double square[3] = {0};
    hold_run piece;
    for (size_t i = r->first; i <= r->last; i++) {
        all += h->slices[i].n;
    }
    for (size_t at = r->first; hold_clean_piece(h, r, &at, &piece);) {
        for (size_t i = piece.first; i <= piece.last; i++) {
            n += h->slices[i].n;
            for (int k = 0; k < 3; k++) {
                sum[k] += h->slices[i].sum[6 + k];
                square[k] += h->slices[i].square[6 + k];
            }
        }
    }
    bool enough = n == all || n >= LEAST_FIELD_S * h->rate_hz;
    s->mag_left_out_s = (all - n) / h->rate_hz;
    for (int k = 0; k < 3; k++) {
        bool good = enough && h->input[6 + k] >= 0;
        double mean = sum[k] / n;
        s->mag_mean_t[k] = good ? h->origin[6 + k] + mean : (double)NAN;
        s->mag_sd_t[k] = good ? sqrt(sm_max(0, square[k] / n - mean * mean)) : (double)NAN;
    }
}
