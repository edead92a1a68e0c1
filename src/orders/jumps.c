/* Jumps by a simple factor: one side of such a jump is a wrong speed, unless the speed really fell.
 */
#include "orders/gates.h"

#include <math.h>

#define JUMP_S 6.0
#define JUMP_NEAR 0.1
/* One side is believed when it tells its own speed from the other side's so clearly per frame, and
 * so many times better in all. */
#define CLEAR 5.0
#define CLEARER 2.0
#define RUNS_NEAR 0.06 /* of ln speed, to the straight line from one side to the other */
/* What a speed out of range is worse by, per frame. */
#define OUT_OF_RANGE 10.0
/* TREND: frames of a side's straight line. SLIDE: in so many a path that cannot jump goes over. */
enum { TREND = 10, SLIDE = 30 };

typedef struct side {
    size_t from; /* frames of the stretch */
    size_t to;
    double slope; /* of ln speed at the jump */
    double at;    /* ln speed at its frame next to the jump */
} side;

/* Best fit within `near` (of ln speed) of a speed; -INFINITY out of range. */
static double fit_at(const sm_speed_grid *g, size_t t, double ln_hz, double near)
{
    double state = (ln_hz - log(g->hz_lo)) / g->step;
    double best = -INFINITY;
    if (!(state >= 0 && state <= (double)g->n_states - 1)) {
        return best;
    }
    long reach = (long)(near / g->step);
    for (long k = (long)state - reach; k <= (long)state + 1 + reach; k++) {
        if (k >= 0 && k < (long)g->n_states) {
            best = fmax(best, (double)g->fit[t * g->n_states + (size_t)k]);
        }
    }
    return best;
}

/* Straight line through the accepted second before (or behind) a jump; accepted NULL: all are. */
static side trend(const sm_peak_map *m, const sm_speed_path *path, const unsigned char *accepted,
                  size_t at, int step)
{
    double s[3] = {0};
    double y[2] = {0};
    size_t t = at;
    for (int k = 0; k < TREND && (!accepted || accepted[t]); k++) {
        double u = m->frames[t].t_s - m->frames[at].t_s;
        double v = log(path->hz[t]);
        s[0] += 1;
        s[1] += u;
        s[2] += u * u;
        y[0] += v;
        y[1] += u * v;
        if ((step < 0 && t == 0) || (step > 0 && t + 1 == m->n_frames)) {
            break;
        }
        t = step < 0 ? t - 1 : t + 1;
    }
    double det = s[0] * s[2] - s[1] * s[1];
    if (!(det > 1e-9)) {
        return (side){.at = y[0] / s[0]};
    }
    return (side){.slope = (s[0] * y[1] - s[1] * y[0]) / det,
                  .at = (s[2] * y[0] - s[1] * y[1]) / det};
}

/* ln of the factor by which the speed seems to jump between two accepted frames; 0 = it does not.
 */
static double jump_between(const sm_peak_map *m, const side *a, const side *b)
{
    static const double factors[] = {2, 3, 1.5};
    double half = 0.5 * (m->frames[b->from].t_s - m->frames[a->to].t_s);
    double ratio = b->at - b->slope * half - (a->at + a->slope * half);
    double plain = b->at - a->at;
    for (size_t k = 0; k < 3; k++) {
        double f = log(factors[k]);
        if (fabs(fabs(ratio) - f) < JUMP_NEAR || fabs(fabs(plain) - f) < JUMP_NEAR) {
            return copysign(f, plain);
        }
    }
    return 0;
}

/* How much better a stretch fits its own speed than another; n: its accepted frames. */
static double advantage(const sm_speed_grid *g, const sm_speed_path *path,
                        const unsigned char *accepted, const side *s, double ln_factor, double *n)
{
    double sum = 0;
    *n = 0;
    for (size_t t = s->from; t <= s->to; t++) {
        if (accepted[t]) {
            double ln_hz = log(path->hz[t]);
            double d = fit_at(g, t, ln_hz, 0.004) - fit_at(g, t, ln_hz + ln_factor, 0.004);
            sum += fmax(fmin(d, OUT_OF_RANGE), -OUT_OF_RANGE);
            *n += 1;
        }
    }
    return sum;
}

/* Whether lines run on where the path jumps, better than none would: straight from one side to the
 * other, once the other side's factor is taken off. */
static bool runs_on(const sm_speed_grid *g, const sm_peak_map *m, const side *a, const side *b,
                    double ln_factor)
{
    double sum[2] = {0};
    double seconds = m->frames[b->from].t_s - m->frames[a->to].t_s;
    for (size_t t = a->to + 1; t < b->from; t++) {
        double u = (m->frames[t].t_s - m->frames[a->to].t_s) / seconds;
        double low = a->at + u * (b->at - ln_factor - a->at);
        sum[0] += fmax(fit_at(g, t, low, RUNS_NEAR), -OUT_OF_RANGE);
        sum[1] += fmax(fit_at(g, t, low + ln_factor, RUNS_NEAR), -OUT_OF_RANGE);
    }
    return fmax(sum[0], sum[1]) >= 0;
}

/* Drops the wrong side of one jump; false: which one that is cannot be told. */
static bool settle(const sm_speed_grid *g, const sm_speed_path *path, unsigned char *accepted,
                   const side *a, const side *b, double ln_factor)
{
    double n[2];
    double d[2] = {advantage(g, path, accepted, a, ln_factor, &n[0]),
                   advantage(g, path, accepted, b, -ln_factor, &n[1])};
    size_t win = d[1] > d[0];
    if (!(d[win] >= CLEAR * n[win]) || d[win] < CLEARER * d[1 - win]) {
        return false;
    }
    const side *wrong = win == 0 ? b : a;
    for (size_t t = wrong->from; t <= wrong->to; t++) {
        accepted[t] = 0;
    }
    return true;
}

/* The next accepted frame from t on; n_frames = none. */
static size_t next_accepted(const sm_peak_map *m, const unsigned char *accepted, size_t t)
{
    while (t < m->n_frames && !accepted[t]) {
        t++;
    }
    return t;
}

/* Where the path changes most within three seconds, between two accepted frames that lie far apart;
 * ln of the factor, 0 = that is no jump. */
static double slide_between(const sm_peak_map *m, const sm_speed_path *path, size_t t, size_t next,
                            side *a, side *b)
{
    size_t at = t;
    double most = 0;
    for (size_t s = t; s + SLIDE <= next; s++) {
        double change = fabs(log(path->hz[s + SLIDE] / path->hz[s]));
        if (change > most && m->frames[s + SLIDE].t_s - m->frames[s].t_s < JUMP_S) {
            most = change;
            at = s;
        }
    }
    if (!(most > 0)) {
        return 0;
    }
    *a = trend(m, path, NULL, at, -1);
    *b = trend(m, path, NULL, at + SLIDE, 1);
    a->to = at;
    b->from = at + SLIDE;
    return jump_between(m, a, b);
}

/* The next jump behind frame `from`: both sides and the factor; 0 = none. */
static double next_jump(const sm_peak_map *m, const sm_speed_path *path,
                        const unsigned char *accepted, size_t from, side *a, side *b)
{
    size_t t = next_accepted(m, accepted, from);
    while (t < m->n_frames) {
        size_t next = next_accepted(m, accepted, t + 1);
        double jump = 0;
        if (next < m->n_frames && m->frames[next].t_s - m->frames[t].t_s >= JUMP_S) {
            jump = slide_between(m, path, t, next, a, b);
        } else if (next < m->n_frames && next > t + 1) {
            *a = trend(m, path, accepted, t, -1);
            *b = trend(m, path, accepted, next, 1);
            a->to = t;
            b->from = next;
            jump = jump_between(m, a, b);
        }
        if (jump != 0) {
            return jump;
        }
        t = next;
    }
    return 0;
}

bool sm_speed_settle_jumps(const sm_speed_grid *g, const sm_peak_map *m, const sm_speed_path *path,
                           unsigned char *accepted)
{
    size_t from = 0;
    for (;;) {
        side a;
        side b;
        double jump = next_jump(m, path, accepted, from, &a, &b);
        if (jump == 0) {
            return true;
        }
        a.from = from;
        size_t start = b.from;
        if (runs_on(g, m, &a, &b, jump)) {
            side c;
            side d;
            b.to = next_jump(m, path, accepted, b.from, &c, &d) != 0 ? c.to : m->n_frames - 1;
            if (!settle(g, path, accepted, &a, &b, jump)) {
                return false;
            }
        }
        from = start;
    }
}
