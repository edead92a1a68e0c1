/*
 * Every frame gives its strongest peaks (the two-bin form of the interpolated Hann peak). At the
 * end the peaks that no expected order explains vote for models: a fixed frequency, a constant
 * order that is not in the table, or an order folded at a multiple of the rate. The model with most
 * votes wins, its peaks leave, and so on. Only what was seen over a range of rpm can be told apart,
 * so a model needs both frames and range.
 */
#include "survey/lines.h"

#include "core/alloc.h"
#include "core/util.h"
#include "core/wide.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { PEAKS_A_FRAME = 12, FLOOR_STEP = 16, FLOOR_REACH = 20, MIN_VOTES = 6, VOTES_MOST = 2048 };
#define SIGNIFICANT 12.0 /* p = exp(-12) a bin for noise */
#define MIN_SHARE 0.2    /* of the frames in which a model could be seen */
#define MIN_SPAN 0.04    /* relative range of rpm that tells fixed from order */
#define MIN_AWAY 0.2     /* share of the peaks that are half of it away from the mean rpm */
#define TOLERANCE_HZ 0.6
/* Peaks of a line crowd about it, those of a hump of noise lie anywhere within the tolerance. */
#define CORE 0.35   /* of the tolerance, hence the share of a hump's peaks that lie in it */
#define CROWDED 0.6 /* share of a line's */
#define CHANCE 2.5  /* standard deviations above the hump's share */

sm_status sm_line_finder_open(sm_line_finder *f, size_t n, size_t n_bins)
{
    *f = (sm_line_finder){.n = n};
    f->votes = sm_alloc_array(n + 1, sizeof *f->votes);
    f->at = sm_alloc_array(n_bins + 1, sizeof *f->at);
    for (size_t c = 0; f->votes && c < n; c++) {
        f->votes[c].stride = 1;
    }
    return f->votes && f->at ? SM_OK : SM_E_NOMEM;
}

void sm_line_finder_close(sm_line_finder *f)
{
    for (size_t c = 0; f->votes && c < f->n; c++) {
        sm_free(f->votes[c].items);
    }
    sm_free(f->votes);
    sm_free(f->at);
    *f = (sm_line_finder){0};
}

/*
 * Does p stand out? The floor is the 30th percentile of the 41 bins around the nearest mark of a
 * coarse grid, taken as that of an exponential spread. Counting the bins below p's share asks the
 * same as sorting them, and costs a tenth.
 */
SM_WIDE static bool stands_out(const double *power, size_t n_bins, size_t k)
{
    size_t mark = k - k % FLOOR_STEP;
    size_t from = mark > FLOOR_REACH ? mark - FLOOR_REACH : 1;
    size_t to = mark + FLOOR_REACH < n_bins ? mark + FLOOR_REACH : n_bins - 1;
    double share = power[k] * 0.3567 / SIGNIFICANT; /* -ln(1 - 0.3) */
    const sm_v4 bound = {share, share, share, share};
    sm_i4 count = {0};
    size_t i = from;
    for (; i + 4 <= to + 1; i += 4) {
        sm_v4 x;
        memcpy(&x, power + i, sizeof x);
        count -= x <= bound;
    }
    long below = (long)(count[0] + count[1] + count[2] + count[3]);
    for (; i <= to; i++) {
        below += power[i] <= share;
    }
    return below > (long)(0.3 * (double)(to - from));
}

/* A list stays this long however long the log: half of its frames leave, evenly in time. */
static void thin_out(sm_vote_list *list)
{
    size_t n = 0;
    list->stride *= 2;
    for (size_t i = 0; i < list->n; i++) {
        if (list->items[i].frame % list->stride == 0) {
            list->items[n++] = list->items[i];
        }
    }
    list->n = n;
}

static sm_status vote(sm_vote_list *list, sm_peak_vote v)
{
    if (list->n == VOTES_MOST) {
        thin_out(list);
    }
    if (v.frame % list->stride != 0) {
        return SM_OK;
    }
    sm_peak_vote *items = sm_grow(list->items, list->n, &list->capacity, sizeof *items);
    if (!items) {
        return SM_E_NOMEM;
    }
    list->items = items;
    items[list->n++] = v;
    return SM_OK;
}

static double refine(const double *power, size_t k)
{
    double side = power[k + 1] > power[k - 1] ? 1 : -1;
    double r = sqrt(sm_max(power[k + 1], power[k - 1]) / power[k]);
    return side * (2 * r - 1) / (r + 1);
}

/* Bins of local maxima, in rising order; their number. Written without branches: nothing about
 * noise can be foretold. */
static size_t local_maxima(const double *power, size_t n_bins, unsigned *at)
{
    size_t n = 0;
    for (size_t k = 4; k + 3 < n_bins; k++) {
        double p = power[k];
        at[n] = (unsigned)k;
        n += (unsigned)(p > power[k - 1]) & (unsigned)(p >= power[k + 1]) &
             (unsigned)(p >= power[k - 2]) & (unsigned)(p >= power[k + 2]);
    }
    return n;
}

sm_status sm_line_finder_frame(sm_line_finder *f, size_t c, const double *power, size_t n_bins,
                               double bin_hz, double scale, double shaft_hz, double shaft_span)
{
    f->n_frames += c == 0;
    if (f->n_frames % f->votes[c].stride != 0) {
        return SM_OK;
    }
    size_t best[PEAKS_A_FRAME];
    size_t n = 0;
    size_t n_at = local_maxima(power, n_bins, f->at);
    for (size_t i = 0; i < n_at; i++) {
        size_t k = f->at[i];
        double p = power[k];
        if ((n == PEAKS_A_FRAME && power[best[n - 1]] >= p) || !stands_out(power, n_bins, k)) {
            continue;
        }
        size_t j = n < PEAKS_A_FRAME ? n++ : n - 1; /* sorted in, the weakest falls out */
        while (j > 0 && power[best[j - 1]] < p) {
            best[j] = best[j - 1];
            j--;
        }
        best[j] = k;
    }
    for (size_t i = 0; i < n; i++) {
        size_t k = best[i];
        double lobe = 0;
        for (size_t b = k - 2; b <= k + 2; b++) {
            lobe += power[b];
        }
        sm_peak_vote v = {.hz = (float)(((double)k + refine(power, k)) * bin_hz),
                          .shaft_hz = (float)shaft_hz,
                          .shaft_span = (float)fabs(shaft_span),
                          .p = (float)(lobe * scale * bin_hz),
                          .frame = f->n_frames};
        if (vote(&f->votes[c], v) != SM_OK) {
            return SM_E_NOMEM;
        }
    }
    return SM_OK;
}

/* A model is a number that all its peaks share: a frequency, or an order seen through a fold. */
typedef struct model {
    sm_line_kind kind;
    int fold; /* 0: none; m > 0: f = m rate - o n; m < 0: f = o n - |m| rate */
} model;

static double coordinate(model m, const sm_peak_vote *v, double rate_hz)
{
    if (m.kind == SM_LINE_FIXED) {
        return (double)v->hz;
    }
    double hz = m.fold > 0 ? m.fold * rate_hz - (double)v->hz : -m.fold * rate_hz + (double)v->hz;
    return hz / (double)v->shaft_hz;
}

static double tolerance(model m, const sm_peak_vote *v, double coordinate_value)
{
    if (m.kind == SM_LINE_FIXED) {
        return TOLERANCE_HZ;
    }
    return (TOLERANCE_HZ + 0.3 * coordinate_value * (double)v->shaft_span) / (double)v->shaft_hz;
}

typedef struct entry {
    double at;
    size_t i;
} entry;

static int by_coordinate(const void *a, const void *b)
{
    double x = ((const entry *)a)->at;
    double y = ((const entry *)b)->at;
    return (x > y) - (x < y);
}

typedef struct tally {
    size_t from; /* in the sorted entries */
    size_t to;
    long frames;
    double score;
} tally;

/* Long holds make many peaks at one rpm, where every model fits; a few chance ones elsewhere must
 * not be what tells the models apart. */
static bool spans_rpm(const entry *e, size_t from, size_t to, const sm_vote_list *votes)
{
    double mean = 0;
    for (size_t k = from; k < to; k++) {
        mean += (double)votes->items[e[k].i].shaft_hz / (double)(to - from);
    }
    double away = 0;
    for (size_t k = from; k < to; k++) {
        away += fabs((double)votes->items[e[k].i].shaft_hz - mean) > 0.5 * MIN_SPAN * mean;
    }
    return away >= sm_max(3, MIN_AWAY * (double)(to - from));
}

static long count_frames(const entry *e, size_t from, size_t to, const sm_vote_list *votes)
{
    long frames = 0;
    int last = -1;
    for (size_t k = from; k < to; k++) {
        frames += votes->items[e[k].i].frame != last;
        last = votes->items[e[k].i].frame;
    }
    return frames;
}

/* The window of the sorted entries with most frames and enough range of rpm. */
static tally best_window(model m, const entry *e, size_t n, const sm_vote_list *votes)
{
    tally best = {0};
    size_t to = 0;
    for (size_t from = 0; from < n; from++) {
        double own = tolerance(m, &votes->items[e[from].i], e[from].at);
        to = to < from ? from : to;
        while (to < n &&
               e[to].at - e[from].at <= own + tolerance(m, &votes->items[e[to].i], e[to].at)) {
            to++;
        }
        if ((double)(to - from) <= best.score || to - from < MIN_VOTES) {
            continue;
        }
        if (spans_rpm(e, from, to, votes)) {
            best = (tally){from, to, count_frames(e, from, to, votes), (double)(to - from)};
        }
    }
    return best;
}

/*
 * Keeps of a window what lies within its own tolerance of the median, moved to the window's front;
 * false when these peaks do not crowd about it: they belong to a hump of the noise, as a mode makes
 * it, on which a line of any slope finds some.
 */
static bool settle(model m, entry *e, tally *w, const sm_vote_list *votes)
{
    double centre = e[(w->from + w->to) / 2].at;
    size_t n = 0;
    double core = 0;
    for (size_t k = w->from; k < w->to; k++) {
        double reach = tolerance(m, &votes->items[e[k].i], e[k].at);
        double away = fabs(e[k].at - centre);
        if (away <= reach) {
            core += away <= CORE * reach;
            e[w->from + n++] = e[k];
        }
    }
    w->to = w->from + n;
    w->frames = count_frames(e, w->from, w->to, votes);
    double all = (double)n;
    return n >= MIN_VOTES && w->frames >= MIN_VOTES && core >= CROWDED * all &&
           core >= CORE * all + CHANCE * sqrt(CORE * (1 - CORE) * all) &&
           spans_rpm(e, w->from, w->to, votes);
}

static bool explained(const sm_peak_vote *v, const sm_order_table *orders)
{
    for (size_t o = 0; o < orders->n; o++) {
        double hz = orders->items[o].order * (double)v->shaft_hz;
        double reach =
            1.0 + 0.6 * orders->items[o].order * (double)v->shaft_span + orders->items[o].slip * hz;
        if (fabs((double)v->hz - hz) <= reach) {
            return true;
        }
    }
    return false;
}

static sm_line make_line(size_t c, model m, const tally *w, const entry *e,
                         const sm_vote_list *votes, double shaft_per_rpm)
{
    sm_line l = {.i_channel = c,
                 .kind = m.kind,
                 .fold = m.fold,
                 .n_frames = w->frames,
                 .rpm_lo = INFINITY,
                 .rpm_hi = 0,
                 .hz = NAN,
                 .order = NAN};
    double sum = 0;
    for (size_t k = w->from; k < w->to; k++) {
        const sm_peak_vote *v = &votes->items[e[k].i];
        double rpm = (double)v->shaft_hz / shaft_per_rpm;
        sum += e[k].at;
        l.mean_p += (double)v->p;
        l.rpm_lo = sm_min(l.rpm_lo, rpm);
        l.rpm_hi = sm_max(l.rpm_hi, rpm);
    }
    double n = (double)(w->to - w->from);
    l.mean_p /= n;
    *(m.kind == SM_LINE_FIXED ? &l.hz : &l.order) = sum / n;
    return l;
}

/* Entries of a model among the peaks still unexplained, sorted. */
static size_t collect(model m, const sm_vote_list *votes, const bool *gone, double rate_hz,
                      entry *e)
{
    size_t n = 0;
    for (size_t i = 0; i < votes->n; i++) {
        if (!gone[i]) {
            e[n++] = (entry){coordinate(m, &votes->items[i], rate_hz), i};
        }
    }
    qsort(e, n, sizeof *e, by_coordinate);
    return n;
}

static size_t find_in(const sm_vote_list *votes, size_t c, double rate_hz, long frames, bool *gone,
                      entry *e, entry *kept, sm_line *out, size_t most)
{
    static const model models[] = {{SM_LINE_FIXED, 0},  {SM_LINE_ORDER, 0}, {SM_LINE_ALIAS, 1},
                                   {SM_LINE_ALIAS, -1}, {SM_LINE_ALIAS, 2}, {SM_LINE_ALIAS, -2}};
    size_t found = 0;
    for (size_t tries = 0; found < most && tries < 2 * most; tries++) {
        tally best = {0};
        model winner = models[0];
        for (size_t m = 0; m < sizeof models / sizeof models[0]; m++) {
            size_t n = collect(models[m], votes, gone, rate_hz, e);
            tally w = best_window(models[m], e, n, votes);
            /* a fold must earn its complexity */
            double score = models[m].kind == SM_LINE_ALIAS ? 0.8 * w.score : w.score;
            if (w.frames >= MIN_VOTES && score > best.score) {
                best = w;
                best.score = score;
                winner = models[m];
                memcpy(kept, e, n * sizeof *e);
            }
        }
        if (best.frames < MIN_VOTES || (double)best.frames < MIN_SHARE * (double)frames) {
            break;
        }
        for (size_t k = best.from; k < best.to; k++) {
            gone[kept[k].i] = true;
        }
        if (settle(winner, kept, &best, votes) &&
            (double)best.frames >= MIN_SHARE * (double)frames) {
            out[found++] = make_line(c, winner, &best, kept, votes, 1);
        }
    }
    return found;
}

size_t sm_line_finder_find(sm_line_finder *f, size_t c, const sm_order_table *orders,
                           double rate_hz, sm_line *out, size_t most)
{
    const sm_vote_list *votes = &f->votes[c];
    bool *gone = sm_alloc_array(votes->n + 1, sizeof *gone);
    entry *e = sm_alloc_array(votes->n + 1, sizeof *e);
    entry *kept = sm_alloc_array(votes->n + 1, sizeof *kept);
    size_t found = 0;
    if (gone && e && kept) {
        for (size_t i = 0; i < votes->n; i++) {
            gone[i] = !(votes->items[i].shaft_hz > 0) || explained(&votes->items[i], orders);
        }
        found = find_in(votes, c, rate_hz, f->n_frames / votes->stride, gone, e, kept, out, most);
        for (size_t i = 0; i < found; i++) {
            out[i].n_frames *= votes->stride;
        }
    }
    sm_free(gone);
    sm_free(e);
    sm_free(kept);
    return found;
}
