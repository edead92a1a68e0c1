/* Four ways from stamps to a uniform grid, one for each kind of clock. */
#include "timebase/track.h"

#include "core/alloc.h"
#include "core/util.h"

#include <math.h>
#include <string.h>

/* Rows that wait before irregular ones are put on the grid, and the margin that is done again. */
enum { REGRID_ROWS = 2048, MARGIN = 96 };

sm_status sm_track_open(sm_track *t)
{
    size_t columns = SM_TRACK_X + t->n_channels;
    sm_status st = sm_fifo_open(&t->ready, columns, (size_t)2 * SM_BLOCK_ROWS);
    if (st == SM_OK) { /* nothing waits behind a clock that needs no second look */
        bool waits = t->clock.mode == SM_CLOCK_LATE || t->clock.mode == SM_CLOCK_TRUE;
        st = sm_fifo_open(&t->pending, columns, waits ? 256 : 1);
    }
    if (st == SM_OK && t->clock.mode == SM_CLOCK_LATE) {
        t->envelope = sm_alloc_array(1, sizeof *t->envelope);
        st = t->envelope ? SM_OK : SM_E_NOMEM;
    }
    if (st == SM_OK) {
        st = sm_track_reset(t);
    }
    if (st != SM_OK) {
        sm_track_close(t);
    }
    return st;
}

sm_status sm_track_reset(sm_track *t)
{
    sm_fifo_drop(&t->ready, t->ready.n);
    sm_fifo_drop(&t->pending, t->pending.n);
    if (t->envelope) {
        sm_envelope_open(t->envelope, &t->clock);
    }
    t->slope = (sm_slope){0};
    t->segment = t->rows = t->index = 0;
    t->anchor_s = t->last_s = t->grid_s = NAN;
    t->n_rows = 0;
    return SM_OK;
}

void sm_track_close(sm_track *t)
{
    sm_fifo_close(&t->ready);
    sm_fifo_close(&t->pending);
    sm_free(t->envelope);
    t->envelope = NULL;
    sm_free(t->scratch);
    t->scratch = NULL;
}

static sm_status append(sm_fifo *f, const sm_track *t, double time_s, double segment, double line,
                        double *const *x, size_t i)
{
    sm_status st = sm_fifo_reserve(f, 1);
    if (st != SM_OK) {
        return st;
    }
    size_t at = f->n++;
    f->column[SM_TRACK_T][at] = time_s;
    f->column[SM_TRACK_SEGMENT][at] = segment;
    f->column[SM_TRACK_LINE][at] = line;
    for (size_t c = 0; c < t->n_channels; c++) {
        f->column[SM_TRACK_X + c][at] = x[t->channel[c]][i];
    }
    return SM_OK;
}

static void new_segment(sm_track *t, double to_s, long line)
{
    t->segment++;
    sm_slope_break(&t->slope);
    if (t->gaps.gap) {
        t->gaps.gap(t->gaps.self, t->last_s, to_s, line);
    }
}

static sm_status push_clean(sm_track *t, double stamp_s, long line, double *const *x, size_t i)
{
    bool first = isnan(t->last_s);
    if (!first && stamp_s - t->last_s > t->clock.gap_s) {
        new_segment(t, stamp_s, line);
        first = true;
    }
    if (first) {
        t->anchor_s = stamp_s;
        t->index = 0;
    }
    double at = t->anchor_s + t->clock.period_s * t->index;
    t->anchor_s += 0.002 * (stamp_s - at); /* follows a slow drift, smooths rounding */
    t->index++;
    sm_slope_add(&t->slope, t->rows++, stamp_s);
    t->last_s = stamp_s;
    return append(&t->ready, t, at, t->segment, (double)line, x, i);
}

/* Rows up to and including number `rows` leave the waiting line. */
static sm_status release(sm_track *t, double rows, double low)
{
    sm_fifo *p = &t->pending;
    while (p->n && p->column[SM_TRACK_SEGMENT][0] <= rows) { /* holds the row's number there */
        double number = p->column[SM_TRACK_SEGMENT][0];
        sm_status st = sm_fifo_reserve(&t->ready, 1);
        if (st != SM_OK) {
            return st;
        }
        size_t at = t->ready.n++;
        t->ready.column[SM_TRACK_T][at] = low + t->clock.period_s * number;
        t->ready.column[SM_TRACK_SEGMENT][at] = t->segment;
        for (size_t c = SM_TRACK_LINE; c < p->n_columns; c++) {
            t->ready.column[c][at] = p->column[c][0];
        }
        sm_fifo_drop(p, 1);
    }
    return SM_OK;
}

static sm_status release_judged(sm_track *t, bool end)
{
    bool gap;
    double rows;
    double low;
    sm_status st = SM_OK;
    while (st == SM_OK && sm_envelope_pop(t->envelope, end, &gap, &rows, &low)) {
        double stamp = t->pending.n ? t->pending.column[SM_TRACK_T][0] : t->last_s;
        if (gap) {
            new_segment(t, stamp, t->pending.n ? (long)t->pending.column[SM_TRACK_LINE][0] : 0);
        }
        sm_slope_add(&t->slope, rows, stamp);
        t->last_s = stamp;
        st = release(t, rows, low);
    }
    return st;
}

static sm_status push_late(sm_track *t, double stamp_s, long line, double *const *x, size_t i)
{
    if (t->rows > 0 && stamp_s != t->anchor_s) {
        sm_envelope_push(t->envelope, t->anchor_s, t->rows);
        sm_status st = release_judged(t, false);
        if (st != SM_OK) {
            return st;
        }
    }
    t->anchor_s = stamp_s; /* the stamp that the last rows share */
    t->rows++;
    return append(&t->pending, t, stamp_s, t->rows, (double)line, x, i);
}

static sm_status grow_scratch(sm_track *t, size_t rows)
{
    if (rows <= t->scratch_rows) {
        return SM_OK;
    }
    double *s = sm_alloc_array(2 * rows, sizeof *s);
    if (!s) {
        return SM_E_NOMEM;
    }
    sm_free(t->scratch);
    t->scratch = s;
    t->scratch_rows = 2 * rows;
    return SM_OK;
}

/* Puts the waiting rows of one segment on the grid; `end` = the segment ends with them. */
static sm_status regrid(sm_track *t, bool end)
{
    sm_fifo *p = &t->pending;
    double period = t->clock.period_s;
    if (p->n == 0) {
        return SM_OK;
    }
    const double *time = p->column[SM_TRACK_T];
    double first = time[0];
    double last = time[p->n - 1];
    if (isnan(t->grid_s)) {
        t->grid_s = first;
    }
    /* grid points before the next one serve the iteration at the margin */
    double lead = floor((t->grid_s - first) / period);
    double start = t->grid_s - lead * period;
    size_t n_grid = (size_t)floor((last - start) / period + 1e-6) + 1;
    size_t keep = end ? 0 : MARGIN;
    sm_status st = grow_scratch(t, p->n + 2 * n_grid);
    if (st == SM_OK && n_grid > (size_t)lead + keep) {
        size_t n_new = n_grid - (size_t)lead - keep;
        st = sm_fifo_reserve(&t->ready, n_new);
        for (size_t c = SM_TRACK_X; c < p->n_columns && st == SM_OK; c++) {
            double *y = t->scratch;
            sm_regrid(sm_kernel_shared(), time, p->column[c], p->n, start, period, y, n_grid,
                      t->scratch + n_grid);
            memcpy(t->ready.column[c] + t->ready.n, y + (size_t)lead, n_new * sizeof *y);
        }
        for (size_t i = 0; i < n_new && st == SM_OK; i++) {
            t->ready.column[SM_TRACK_T][t->ready.n + i] = t->grid_s + period * (double)i;
            t->ready.column[SM_TRACK_SEGMENT][t->ready.n + i] = t->segment;
            t->ready.column[SM_TRACK_LINE][t->ready.n + i] = p->column[SM_TRACK_LINE][0];
        }
        if (st == SM_OK) {
            t->ready.n += n_new;
            t->grid_s += period * (double)n_new;
        }
    }
    if (st != SM_OK) {
        return st;
    }
    size_t drop = 0;
    while (drop < p->n && (end || time[drop] < t->grid_s - MARGIN * period)) {
        drop++;
    }
    sm_fifo_drop(p, drop);
    if (end) {
        t->grid_s = NAN;
    }
    return SM_OK;
}

static sm_status push_true(sm_track *t, double stamp_s, long line, double *const *x, size_t i)
{
    sm_status st = SM_OK;
    if (!isnan(t->last_s) && stamp_s - t->last_s > t->clock.gap_s) {
        st = regrid(t, true);
        new_segment(t, stamp_s, line);
    } else if (t->pending.n >= REGRID_ROWS) {
        st = regrid(t, false);
    }
    bool again = stamp_s == t->last_s; /* two values at one time: the first counts */
    sm_slope_add(&t->slope, t->rows++, stamp_s);
    t->last_s = stamp_s;
    return st == SM_OK && !again ? append(&t->pending, t, stamp_s, 0, (double)line, x, i) : st;
}

sm_status sm_track_push(sm_track *t, double stamp_s, long line, double *const *x, size_t i)
{
    t->n_rows++;
    if (t->held) {
        t->last_s = stamp_s;
        return append(&t->ready, t, stamp_s, 0, (double)line, x, i);
    }
    switch (t->clock.mode) {
    case SM_CLOCK_LATE:
        return push_late(t, stamp_s, line, x, i);
    case SM_CLOCK_TRUE:
        return push_true(t, stamp_s, line, x, i);
    default:
        return push_clean(t, stamp_s, line, x, i);
    }
}

sm_status sm_track_end(sm_track *t)
{
    if (t->held) {
        return SM_OK;
    }
    if (t->clock.mode == SM_CLOCK_TRUE) {
        return regrid(t, true);
    }
    if (t->clock.mode == SM_CLOCK_LATE && t->rows > 0) {
        sm_envelope_push(t->envelope, t->anchor_s, t->rows);
        return release_judged(t, true);
    }
    return SM_OK;
}
