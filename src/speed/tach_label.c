/*
 * Which pulses are real, and how many turns lie between them: the cheapest path through the
 * candidates (Viterbi), where a step is charged for its period against the path's own, for every
 * candidate that it skips and for every pulse that it makes up. Decided with a fixed lag.
 */
#include "speed/stage.h"

#include <math.h>
#include <string.h>

/* Cost of what cannot be on the path. */
#define NEVER HUGE_VAL

enum { LOOK_BACK = 16, MOST_PERIODS = 5, LAG_CANDIDATES = 32 };
#define LAG_S 1.0
/* So many intervals whose ln changes evenly, each change within this of the one before, are a train
 * that needs no labelling; the path may leave out fewer than STUCK_LEAST of them. */
enum { SMOOTH_RUN = 12, STUCK_LEAST = 4 };
#define SMOOTH_MOST 0.06
#define COST_SKIP 2.5
/* Several in one step are less likely still: a run-up was taken for a held speed. */
#define COST_CROWD 1.5
/* For a lone one in the middle of a step: extra pulses follow a real one closely or come anywhere,
 * a pulse in the middle of every step is a mark, or a speed that was missed. */
#define COST_MIDDLE 7.0
#define MIDDLE_FROM 0.3
#define COST_PERIOD 4.0
#define COST_MISFIT 20.0 /* dearer than five spacings in one step */
#define COST_START 14.0
#define GAIN_STEADY 0.30
#define GAIN_ROUGH 0.15
#define GAIN_LIMIT 0.05 /* of ln period per step */
/* The period's own change per step follows too: a fast sweep changes it by 1 % a turn. */
#define DRIFT_SHARE 0.2
#define DRIFT_STEP 0.003
#define DRIFT_LIMIT 0.03

static double median_of(double *v, size_t n)
{
    for (size_t i = 1; i < n; i++) {
        double x = v[i];
        size_t k = i;
        for (; k > 0 && v[k - 1] > x; k--) {
            v[k] = v[k - 1];
        }
        v[k] = x;
    }
    return n ? v[n / 2] : 0;
}

/* Scatter of ln interval from pulse to pulse, from its median: faults do not reach it. */
static void note_interval(sm_tach *t, double interval_s)
{
    t->recent[t->n_recent++ % SM_RECENT] = log(interval_s);
    size_t n = t->n_recent < SM_RECENT ? t->n_recent : SM_RECENT;
    if (n < 8 || t->n_recent % 8 != 0) {
        return;
    }
    double d[SM_RECENT];
    size_t lag = t->marks_known ? (size_t)t->marks : 1;
    size_t k = 0;
    for (size_t i = t->n_recent - n + lag; i < t->n_recent; i++) {
        d[k++] = fabs(t->recent[i % SM_RECENT] - t->recent[(i - lag) % SM_RECENT]);
    }
    /* marks not yet learned may be uneven by a fifth */
    double most = t->marks > 1 && !t->marks_known ? 0.12 : 0.06;
    t->sigma = fmin(fmax(1.3 * 1.4826 * median_of(d, k), 0.006), most);
    /* a square level is known to one sample only, which the median hides when a turn is a whole
     * number of samples long */
    for (size_t i = 0; i < n; i++) {
        d[i] = t->recent[i];
    }
    double steep = t->edges.n_rise > 0 ? t->edges.steep / (double)t->edges.n_rise : 0;
    double sample_s = 1 / t->edges.rate_hz;
    t->sigma = fmax(t->sigma, 0.6 * sqrt(steep) * sample_s / exp(median_of(d, n)));
}

/* Spacings from pulse number a to b, by what is known of uneven marks. */
static double spacings(const sm_tach *t, long a, long b)
{
    if (!t->marks_known) {
        return (double)(b - a);
    }
    double pa = t->mark_pos[a % t->marks] + (double)(a - a % t->marks);
    double pb = t->mark_pos[b % t->marks] + (double)(b - b % t->marks);
    return pb - pa;
}

static void try_step(const sm_tach *t, const sm_candidate *from, int back, int periods,
                     sm_candidate *best)
{
    double span = spacings(t, from->label, from->label + periods);
    double p = (best->t_s - from->t_s) / span;
    if (p < t->period_min_s || p > t->period_max_s) {
        return;
    }
    double misfit = 0;
    double period = p;
    double drift = 0;
    if (!isnan(from->period_s)) {
        double r = log(p / from->period_s) - from->drift * 0.5 * (periods + 1);
        double z = sqrt((double)periods) * r / t->sigma;
        misfit = fmin(0.5 * z * z, COST_MISFIT);
        double gain = t->sigma > 0.02 ? GAIN_ROUGH : GAIN_STEADY;
        period = from->period_s *
                 exp(periods * from->drift + fmin(fmax(gain * r, -GAIN_LIMIT), GAIN_LIMIT));
        drift = from->drift + fmin(fmax(DRIFT_SHARE * gain * r, -DRIFT_STEP), DRIFT_STEP);
        drift = fmin(fmax(drift, -DRIFT_LIMIT), DRIFT_LIMIT);
        if (misfit >= COST_MISFIT) { /* another speed, paid for: a throttle opened fast */
            period = p;
            drift = 0;
        }
    }
    double cost = from->cost + misfit + COST_PERIOD * (periods - 1) +
                  (COST_SKIP + COST_CROWD * (back - 2)) * (back - 1);
    if (back == 2 && periods == 1) { /* from[1] is the one between */
        double u = (from[1].t_s - from->t_s) / (best->t_s - from->t_s);
        cost += fabs(u - 0.5) < 0.5 - MIDDLE_FROM ? COST_MIDDLE - COST_SKIP : 0;
    }
    if (cost < best->cost) {
        best->cost = cost;
        best->period_s = period;
        best->drift = drift;
        best->label = from->label + periods;
        best->back = back;
        best->periods = periods;
        best->misfit = misfit;
    }
}

/* What lies behind the lag can no longer change. */
static void settle(sm_tach *t)
{
    double now = t->cand[t->n_cand - 1].t_s;
    double before = now - LAG_S;
    if (t->n_cand > LAG_CANDIDATES) {
        before = fmax(before, t->cand[t->n_cand - 1 - LAG_CANDIDATES].t_s);
    }
    if (t->n_committed < t->n_cand && t->cand[t->n_committed].t_s <= before) {
        sm_tach_commit(t, before);
        sm_tach_knots(t, false);
    }
    if (t->n_cand == SM_CANDIDATES) { /* no path through so many: begin again */
        t->n_cand = 0;
        t->n_committed = 0;
    }
}

/* One more candidate and the cheapest way to it. */
static void extend(sm_tach *t, double t_s)
{
    sm_candidate c = {.t_s = t_s, .cost = NEVER, .period_s = NAN};
    size_t n_back = t->n_cand < LOOK_BACK ? t->n_cand : LOOK_BACK;
    for (size_t back = 1; back <= n_back; back++) {
        const sm_candidate *from = &t->cand[t->n_cand - back];
        for (int m = 1; m <= MOST_PERIODS && from->cost < NEVER; m++) {
            try_step(t, from, (int)back, m, &c);
        }
    }
    if (t->n_committed == 0 && COST_SKIP * (double)t->n_cand < c.cost) {
        c = (sm_candidate){.t_s = t_s, .cost = COST_SKIP * (double)t->n_cand, .period_s = NAN};
    } else if (!(c.cost < NEVER)) { /* a start: nothing before can have led here */
        double base = NEVER;
        for (size_t back = 1; back <= n_back; back++) {
            base = fmin(base, t->cand[t->n_cand - back].cost + COST_SKIP * (double)(back - 1));
        }
        c.cost = (isinf(base) ? 0 : base) + COST_START;
        c.label = 0;
    }
    t->cand[t->n_cand++] = c;
}

/* Are the last pulses, all of them, evenly spaced or steadily faster? */
static bool smooth_by_itself(const sm_tach *t)
{
    const sm_candidate *c = t->cand + t->n_cand - SMOOTH_RUN - 1;
    double before = 0;
    for (size_t i = 0; i + 1 < SMOOTH_RUN; i++) {
        double change = log((c[i + 2].t_s - c[i + 1].t_s) / (c[i + 1].t_s - c[i].t_s));
        if (i > 0 && fabs(change - before) > SMOOTH_MOST) {
            return false;
        }
        before = change;
    }
    return true;
}

/*
 * The path passes over pulses of a train that is in order as it is: a start at low rpm, decided
 * when there were few pulses to go by. Begins afresh with that train.
 */
static void unstick(sm_tach *t)
{
    if (t->n_cand < SMOOTH_RUN + 1 || !smooth_by_itself(t)) {
        return;
    }
    size_t first = t->n_cand - SMOOTH_RUN - 1;
    size_t on_path = 0;
    for (size_t i = t->n_cand - 1; i > first && t->cand[i].back > 0; on_path++) {
        size_t back = (size_t)t->cand[i].back;
        i = back < i ? i - back : first;
    }
    if (on_path + STUCK_LEAST > SMOOTH_RUN) {
        return;
    }
    double train[SMOOTH_RUN + 1];
    size_t n = 0;
    for (size_t i = first; i < t->n_cand; i++) {
        if (i + 1 > t->n_committed) {
            train[n++] = t->cand[i].t_s;
        }
    }
    t->n_cand = 0;
    t->n_committed = 0;
    for (size_t i = 0; i < n; i++) {
        extend(t, train[i]);
    }
}

void sm_tach_candidate(sm_tach *t, double t_s)
{
    if (t->n_cand > 0 && t_s <= t->cand[t->n_cand - 1].t_s) {
        return;
    }
    if (t->n_cand > 0) {
        note_interval(t, t_s - t->cand[t->n_cand - 1].t_s);
    }
    extend(t, t_s);
    unstick(t);
    settle(t);
}

/* Index of the cheapest end of a path among the newest candidates. */
static size_t best_end(const sm_tach *t)
{
    size_t best = t->n_cand - 1;
    double cost = NEVER;
    for (size_t back = 0; back < LOOK_BACK && back < t->n_cand; back++) {
        size_t i = t->n_cand - 1 - back;
        double c = t->cand[i].cost + COST_SKIP * (double)back;
        if (c < cost) {
            cost = c;
            best = i;
        }
    }
    return best;
}

static void keep(sm_tach *t, size_t i, size_t i_before, bool start)
{
    const sm_candidate *c = &t->cand[i];
    sm_pulse p = {.t_s = c->t_s, .periods = start ? 0 : c->periods, .misfit = c->misfit};
    p.skipped = (int)(i - i_before) - 1; /* before the first of all: 0 */
    if (start) {
        t->next_label += 2; /* a label never repeats; whole turns do not matter at a start */
        t->next_label += t->marks - t->next_label % t->marks;
        t->marks_known = false;
        t->mark_n = 0;
        t->sigma = t->marks > 1 ? fmax(t->sigma, 0.12) : t->sigma;
    } else {
        t->next_label += c->periods;
    }
    p.label = t->next_label;
    if (t->n_pulse < SM_PULSES) {
        t->pulse[t->n_pulse++] = p;
    }
}

/* Candidates whose path does not run through the last kept one are dead. */
static void prune(sm_tach *t, size_t i_kept)
{
    bool alive[SM_CANDIDATES] = {false};
    alive[i_kept] = true;
    for (size_t i = 0; i < t->n_cand; i++) {
        if (i > i_kept) {
            size_t back = (size_t)t->cand[i].back;
            alive[i] = back == 0 || (back <= i && alive[i - back]);
        }
        if (!alive[i]) {
            t->cand[i].cost = NEVER;
        }
    }
}

void sm_tach_commit(sm_tach *t, double before_s)
{
    if (t->n_cand == 0) {
        return;
    }
    size_t path[SM_CANDIDATES];
    size_t n = 0;
    size_t i = best_end(t);
    for (;;) {
        if (t->n_committed > 0 && i + 1 <= t->n_committed) {
            break;
        }
        path[n++] = i;
        if (t->cand[i].back == 0 || (size_t)t->cand[i].back > i) {
            break;
        }
        i -= (size_t)t->cand[i].back;
    }
    size_t kept = SM_CANDIDATES;
    for (; n > 0 && t->cand[path[n - 1]].t_s <= before_s && t->n_pulse < SM_PULSES; n--) {
        size_t k = path[n - 1];
        size_t before = t->n_committed > 0 ? t->n_committed - 1 : k - 1;
        keep(t, k, before, t->cand[k].back == 0 || t->cand[k].misfit >= COST_MISFIT);
        t->n_committed = k + 1;
        kept = k;
    }
    if (kept < SM_CANDIDATES) {
        prune(t, kept);
        /* labels of the path are relative to its start: make them the kept pulse's own */
        long shift = t->pulse[t->n_pulse - 1].label - t->cand[kept].label;
        for (size_t k = kept; k < t->n_cand; k++) {
            t->cand[k].label += t->cand[k].cost < NEVER ? shift : 0;
        }
        size_t drop = t->n_committed > LOOK_BACK ? t->n_committed - LOOK_BACK : 0;
        memmove(t->cand, t->cand + drop, (t->n_cand - drop) * sizeof *t->cand);
        t->n_cand -= drop;
        t->n_committed -= drop;
        double base = t->cand[t->n_committed - 1].cost; /* costs stay small over a long run */
        for (size_t k = 0; k < t->n_cand; k++) {
            t->cand[k].cost -= base;
        }
    }
}
