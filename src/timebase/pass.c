/* The short way: one clean clock, rows become blocks where they lie. */
#include "timebase/source_parts.h"

#include <math.h>

typedef struct pass {
    sm_source *s;
    const sm_sink *sink;
    double last_s;
    double anchor_s; /* time of the row with number i_anchor */
    uint64_t i_anchor;
    uint64_t i_row;
} pass;

void sm_source_turn(const sm_source *s, double *const *x, size_t n)
{
    for (size_t k = 0; k < s->n_turns; k++) {
        const sm_turn *t = &s->turns[k];
        double *a = x[t->channel[0]];
        double *b = x[t->channel[1]];
        double *c = x[t->channel[2]];
        for (size_t i = 0; i < n; i++) {
            double v[3] = {a[i], b[i], c[i]};
            a[i] = t->m[0][0] * v[0] + t->m[0][1] * v[1] + t->m[0][2] * v[2];
            b[i] = t->m[1][0] * v[0] + t->m[1][1] * v[1] + t->m[1][2] * v[2];
            c[i] = t->m[2][0] * v[0] + t->m[2][1] * v[1] + t->m[2][2] * v[2];
        }
    }
}

static sm_status send(pass *p, size_t from, size_t to, sm_error *err)
{
    sm_source *s = p->s;
    const sm_rows *rows = &s->feeds[0].rows;
    const double *x[SM_MAX_CHANNELS];
    if (to == from) {
        return SM_OK;
    }
    for (size_t c = 0; c < s->n_channels; c++) {
        x[c] = rows->x[c] + from;
        for (size_t i = from; i < to && !s->any_finite; i++) {
            s->any_finite = isfinite(rows->x[c][i]);
        }
    }
    double i_from = (double)(p->i_row - p->i_anchor);
    double start = p->anchor_s + s->period_s * i_from;
    sm_track *t = &s->feeds[0].tracks[0];
    sm_slope_add_run(&t->slope, i_from, rows->stamp + from, to - from);
    sm_block b = {.n_rows = to - from,
                  .n_channels = s->n_channels,
                  .x = x,
                  .t0_s = start,
                  .rate_hz = s->info.rate_hz,
                  .i_row = p->i_row,
                  .line = rows->line[from]};
    p->i_row += b.n_rows;
    /* follow a slow drift of the logger's clock: half of what this block is off */
    double off =
        rows->stamp[to - 1] - (p->anchor_s + s->period_s * (i_from + (double)(to - from) - 1));
    p->anchor_s += 0.5 * off;
    return p->sink->push(p->sink->self, &b, err);
}

static sm_status gap(pass *p, double to_s, long line, sm_error *err)
{
    sm_events_add(&p->s->feeds[0].gaps, p->last_s, to_s, line);
    sm_slope_break(&p->s->feeds[0].tracks[0].slope);
    p->anchor_s = to_s;
    p->i_anchor = p->i_row;
    return p->sink->mark(p->sink->self, SM_MARK_GAP, to_s, err);
}

static sm_status pass_rows(pass *p, sm_error *err)
{
    const sm_rows *rows = &p->s->feeds[0].rows;
    double limit = p->s->feeds[0].tracks[0].clock.gap_s;
    size_t from = 0;
    sm_status st = SM_OK;
    double before = p->last_s;
    for (size_t i = 0; i < rows->n && st == SM_OK; i++) {
        if (rows->stamp[i] - before > limit) {
            st = send(p, from, i, err);
            p->last_s = before;
            if (st == SM_OK) {
                st = gap(p, rows->stamp[i], rows->line[i], err);
            }
            from = i;
        }
        before = rows->stamp[i];
    }
    p->last_s = before;
    return st == SM_OK ? send(p, from, rows->n, err) : st;
}

sm_status sm_source_pass(sm_source *s, const sm_sink *sink, sm_error *err)
{
    sm_feed *f = &s->feeds[0];
    pass p = {.s = s, .sink = sink, .last_s = NAN};
    for (;;) {
        sm_status st = sm_feed_read(f, err);
        if (st != SM_OK) {
            return st;
        }
        if (f->ended) {
            break;
        }
        if (isnan(p.last_s)) {
            p.anchor_s = s->start_s = f->rows.stamp[0];
        }
        sm_source_turn(s, f->rows.x, f->rows.n);
        st = pass_rows(&p, err);
        if (st != SM_OK) {
            return st;
        }
    }
    s->end_s = p.last_s;
    return SM_OK;
}
