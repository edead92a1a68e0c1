/*
 * The long way: every track turns its rows into uniform samples; the fastest vibration track is the
 * grid, the others are interpolated onto it. What a track did not record is NaN, never bridged.
 */
#include "core/util.h"
#include "timebase/source_parts.h"

#include <math.h>

/* How far a file may be read ahead while a slower track has nothing to say. */
static const double PATIENCE_S = 5;
/* Readings of rpm further apart than this do not vouch for what lies between. */
static const double HELD_S = 5;
/* In an rpm log alone, a pause longer than this is not drawn through but a gap. */
static const double PAUSE_S = 600;

typedef struct join {
    sm_source *s;
    const sm_sink *sink;
    size_t at[SM_MAX_FILES][SM_MAX_TRACKS]; /* where a track is being read */
    double segment;
    uint64_t i_row;
    bool started;
} join;

static sm_status fill_master(sm_source *s, sm_error *err)
{
    sm_feed *f = &s->feeds[s->master_feed];
    sm_track *m = &f->tracks[s->master_track];
    while (!f->ended && m->ready.n < SM_BLOCK_ROWS + 1) {
        sm_status st = sm_feed_more(f, err);
        if (st != SM_OK) {
            return st;
        }
    }
    return SM_OK;
}

/* Reads on until the track knows about time t_s, or its file has gone well past it. */
static sm_status fill_until(sm_feed *f, const sm_track *t, double t_s, sm_error *err)
{
    while (!f->ended && f->head_s < t_s + PATIENCE_S &&
           (t->ready.n == 0 || t->ready.column[SM_TRACK_T][t->ready.n - 1] < t_s)) {
        sm_status st = sm_feed_more(f, err);
        if (st != SM_OK) {
            return st;
        }
    }
    return SM_OK;
}

/* Rows [*from, *to) of the track that belong to the segment of row i. */
static void segment_of(const sm_track *t, size_t i, size_t *from, size_t *to)
{
    const double *segment = t->ready.column[SM_TRACK_SEGMENT];
    size_t a = i;
    size_t b = i + 1;
    while (a > 0 && i - a < SM_TAPS && segment[a - 1] == segment[i]) {
        a--;
    }
    while (b < t->ready.n && b - i < SM_TAPS && segment[b] == segment[i]) {
        b++;
    }
    *from = a;
    *to = b;
}

static double value_at(const sm_source *s, const sm_track *t, size_t column, size_t i, double t_s,
                       bool steps)
{
    const double *time = t->ready.column[SM_TRACK_T];
    const double *x = t->ready.column[SM_TRACK_X + column];
    if (t->ready.n == 0 || time[i] > t_s) {
        return (double)NAN;
    }
    if (t->held) {
        if (i + 1 >= t->ready.n) {
            return t_s - time[i] <= 1 ? x[i] : (double)NAN;
        }
        double width = time[i + 1] - time[i];
        if (width > HELD_S && !s->only_speed) {
            return (double)NAN;
        }
        return width > 0 && !steps ? x[i] + (t_s - time[i]) / width * (x[i + 1] - x[i]) : x[i];
    }
    double f = (t_s - time[i]) / t->clock.period_s;
    size_t from;
    size_t to;
    segment_of(t, i, &from, &to);
    if (f >= 1 && i + 1 < to) {
        f = 1; /* the grid was nudged between two rows */
    }
    if (f > 1 || (f > 0.01 && i + 1 >= to)) {
        return (double)NAN; /* behind the last sample of a segment */
    }
    return sm_kernel_at(sm_kernel_shared(), x + from, to - from, i - from, f);
}

/* Interpolates a foreign channel at n times. */
static sm_status interpolate(join *j, size_t c, const double *time, size_t n, double *out,
                             sm_error *err)
{
    sm_source *s = j->s;
    const sm_origin *o = &s->origins[c];
    sm_feed *f = &s->feeds[o->feed];
    sm_track *t = &f->tracks[o->track];
    bool steps = s->channels[c].quantity == SM_QUANTITY_TIME; /* times of pulses */
    double margin = t->held ? HELD_S : SM_TAPS * t->clock.period_s;
    sm_status st = fill_until(f, t, time[n - 1] + margin, err);
    if (st != SM_OK) {
        return st;
    }
    size_t i = j->at[o->feed][o->track];
    const double *at = t->ready.column[SM_TRACK_T];
    for (size_t k = 0; k < n; k++) {
        while (i + 1 < t->ready.n && at[i + 1] <= time[k]) {
            i++;
        }
        out[k] = value_at(s, t, o->column, i, time[k], steps);
    }
    return SM_OK;
}

/* Forgets samples of the other tracks that no kernel reaches any more. */
static void forget(join *j, double t_s)
{
    sm_source *s = j->s;
    for (size_t f = 0; f < s->n_feeds; f++) {
        for (size_t k = 0; k < s->feeds[f].n_tracks; k++) {
            sm_track *t = &s->feeds[f].tracks[k];
            if (f == s->master_feed && k == s->master_track && !s->only_speed) {
                continue;
            }
            const double *time = t->ready.column[SM_TRACK_T];
            size_t i = j->at[f][k];
            while (i + 1 < t->ready.n && time[i + 1] <= t_s) {
                i++;
            }
            size_t drop = i > (size_t)2 * SM_TAPS ? i - (size_t)2 * SM_TAPS : 0;
            sm_fifo_drop(&t->ready, drop);
            j->at[f][k] = i - drop;
        }
    }
}

static sm_status send(join *j, const double *time, size_t n, long line, sm_error *err)
{
    sm_source *s = j->s;
    double *x[SM_MAX_CHANNELS];
    const double *sent[SM_MAX_CHANNELS];
    sm_track *m = &s->feeds[s->master_feed].tracks[s->master_track];
    for (size_t c = 0; c < s->n_channels; c++) {
        const sm_origin *o = &s->origins[c];
        if (o->feed != s->master_feed || o->track != s->master_track || s->only_speed) {
            double *out = s->scratch + c * SM_BLOCK_ROWS;
            sm_status st = interpolate(j, c, time, n, out, err);
            if (st != SM_OK) {
                return st;
            }
            x[c] = out;
        } else {
            x[c] = NULL;
        }
    }
    for (size_t c = 0; c < s->n_channels; c++) { /* reading ahead may have moved the columns */
        x[c] = x[c] ? x[c] : m->ready.column[SM_TRACK_X + s->origins[c].column];
        sent[c] = x[c];
        for (size_t i = 0; i < n && !s->any_finite; i++) {
            s->any_finite = isfinite(x[c][i]);
        }
    }
    sm_source_turn(s, x, n);
    double t0 = time[0];
    double last = time[n - 1];
    if (!j->started) {
        s->start_s = t0;
        j->started = true;
    }
    s->end_s = last;
    sm_block b = {.n_rows = n,
                  .n_channels = s->n_channels,
                  .x = sent,
                  .t0_s = t0,
                  .rate_hz = s->info.rate_hz,
                  .i_row = j->i_row,
                  .line = line};
    j->i_row += n;
    sm_status st = j->sink->push(j->sink->self, &b, err);
    forget(j, last);
    return st;
}

static sm_status join_vibration(join *j, sm_error *err)
{
    sm_source *s = j->s;
    sm_track *m = &s->feeds[s->master_feed].tracks[s->master_track];
    double times[SM_BLOCK_ROWS];
    for (;;) {
        sm_status st = fill_master(s, err);
        if (st != SM_OK || m->ready.n == 0) {
            return st;
        }
        double segment = m->ready.column[SM_TRACK_SEGMENT][0];
        size_t n = 0;
        while (n < m->ready.n && n < SM_BLOCK_ROWS &&
               m->ready.column[SM_TRACK_SEGMENT][n] == segment) {
            times[n] = m->ready.column[SM_TRACK_T][n];
            n++;
        }
        if (j->started && segment != j->segment) {
            st = j->sink->mark(j->sink->self, SM_MARK_GAP, times[0], err);
        }
        j->segment = segment;
        if (st == SM_OK) {
            st = send(j, times, n, (long)m->ready.column[SM_TRACK_LINE][0], err);
        }
        if (st != SM_OK) {
            return st;
        }
        sm_fifo_drop(&m->ready, n);
    }
}

static sm_status sink_gap(join *j, double t_s, sm_error *err)
{
    return j->sink->mark(j->sink->self, SM_MARK_GAP, t_s, err);
}

/* Behind the pause that time t falls into: the time of the next reading; t when there is none. */
static double behind_pause(const sm_track *t, double t_s)
{
    const double *time = t->ready.column[SM_TRACK_T];
    for (size_t i = 0; i + 1 < t->ready.n && time[i] <= t_s; i++) {
        if (time[i + 1] > t_s && time[i + 1] - time[i] > PAUSE_S && time[i] < t_s) {
            return time[i + 1];
        }
    }
    return t_s;
}

/* An rpm log alone: a grid of its own, straight lines between the readings. */
static sm_status join_speed(join *j, sm_error *err)
{
    sm_source *s = j->s;
    sm_feed *f = &s->feeds[0];
    double times[SM_BLOCK_ROWS];
    sm_status st = SM_OK;
    while (st == SM_OK && !f->ended && f->tracks[0].ready.n == 0) {
        st = sm_feed_more(f, err);
    }
    double t = st == SM_OK && f->tracks[0].ready.n ? f->tracks[0].ready.column[SM_TRACK_T][0]
                                                   : (double)INFINITY;
    while (st == SM_OK) {
        st = fill_until(f, &f->tracks[0], t + SM_BLOCK_ROWS * s->period_s, err);
        size_t rows = f->tracks[0].ready.n;
        double last = rows ? f->tracks[0].ready.column[SM_TRACK_T][rows - 1] : -(double)INFINITY;
        size_t n = 0;
        double next = behind_pause(&f->tracks[0], t);
        if (st == SM_OK && next > t) {
            t = next;
            st = sink_gap(j, t, err);
        }
        for (; n < SM_BLOCK_ROWS && t <= last + 1e-9; n++, t += s->period_s) {
            if (behind_pause(&f->tracks[0], t) > t) {
                break;
            }
            times[n] = t;
        }
        if (n == 0 && f->ended) {
            break;
        }
        if (st == SM_OK && n == 0) { /* the file is ahead of its readings: on to the next one */
            st = sm_feed_more(f, err);
        } else if (st == SM_OK) {
            st = send(j, times, n, 0, err);
        }
    }
    return st;
}

sm_status sm_source_join(sm_source *s, const sm_sink *sink, sm_error *err)
{
    join j = {.s = s, .sink = sink};
    return s->only_speed ? join_speed(&j, err) : join_vibration(&j, err);
}
