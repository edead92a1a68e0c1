/*
 * Before and after: intervals and verdicts of many changes judged together. The reasons behind the
 * rules are in DEVELOPERS.md, "Compare and isolator".
 */
#include "core/alloc.h"
#include "core/util.h"
#include "stillmount/compare.h"
#include "stillmount/stats.h"

#include <math.h>
#include <stdlib.h>

#define Z95 1.959963984540054
#define DETECTED 3.0       /* an order below this many sigma is a bound, not a reading */
#define POOL_WEIGHT 4.0    /* of the pooled variance in each pairing's */
#define ASSUMED_WEIGHT 3.0 /* of the assumed one in the pooled */
#define AS_ONE 0.65        /* share of POOL_WEIGHT that pairings which move as one do not add */

sm_change_options sm_change_options_default(void)
{
    return (sm_change_options){.repeatability_db = 2, .alpha = 0.05};
}

const char *sm_change_text(sm_change_verdict v)
{
    switch (v) {
    case SM_CHANGE_NONE:
        return "no clear change";
    case SM_CHANGE_BETTER:
        return "better";
    case SM_CHANGE_WORSE:
        return "worse";
    case SM_CHANGE_MIXED:
        return "mixed";
    case SM_CHANGE_UNASSESSED:
    default:
        return "unassessed";
    }
}

static double db(double ratio)
{
    return 20 * log10(ratio);
}

static bool in_noise(const sm_reading *r)
{
    return r->nu == 0 && !(r->value > DETECTED * r->sigma);
}

/* What a level is computed from: never below one sigma, so that a logarithm exists. */
static double level_value(const sm_reading *r)
{
    return r->nu == 0 ? sm_max(r->value, r->sigma) : r->value;
}

static bool usable(const sm_reading *r)
{
    return isfinite(r->value) && level_value(r) > 0;
}

/* Variance in dB^2 of a level that the recording's own noise gives it. */
static double own_variance(const sm_reading *r)
{
    const double per = 20 / log(10.0);
    double share = r->nu > 0 ? sqrt(1 / (2 * r->nu)) : r->sigma / level_value(r);
    return per * per * share * share;
}

/* Mean level in dB over the usable runs of one side. */
typedef struct side {
    double level[SM_MAX_RUNS]; /* dB; NaN = not usable */
    double mean;
    double own; /* mean of the recordings' own variances, dB^2 */
    double ss;  /* sum of squares about the mean */
    size_t n;
    size_t n_noise;
    const sm_reading *single; /* the usable one, when there is one */
} side;

static side gather(const sm_reading *r, size_t n)
{
    side s = {.mean = 0};
    for (size_t i = 0; i < n; i++) {
        s.level[i] = (double)NAN;
        if (usable(&r[i])) {
            s.level[i] = db(level_value(&r[i]));
            s.mean += s.level[i];
            s.own += own_variance(&r[i]);
            s.n++;
            s.n_noise += in_noise(&r[i]);
            s.single = &r[i];
        }
    }
    s.mean = s.n ? s.mean / (double)s.n : (double)NAN;
    s.own = s.n ? s.own / (double)s.n : (double)NAN;
    for (size_t i = 0; i < n; i++) {
        s.ss += isfinite(s.level[i]) ? (s.level[i] - s.mean) * (s.level[i] - s.mean) : 0;
    }
    return s;
}

/* 95 % bounds in dB of one recording's order amplitude about its reading; infinite if open. */
static void order_bounds(const sm_reading *r, double *down, double *up)
{
    double at = level_value(r);
    double low = r->value - Z95 * r->sigma;
    /* in the noise the bound is all there is, and the noise itself is an estimate: twice as wide */
    double high = r->value + (in_noise(r) ? 2 : 1) * Z95 * r->sigma;
    *up = db(high / at);
    *down = low > 0 && !in_noise(r) ? -db(low / at) : (double)INFINITY;
}

/* Half-widths below and above the change that this pair of recordings allows. */
static void single_bounds(const sm_reading *b, const sm_reading *a, double *down, double *up)
{
    if (b->nu > 0 && a->nu > 0) {
        *down = 10 * log10(sm_f_quantile(0.975, a->nu, b->nu));
        *up = -10 * log10(sm_f_quantile(0.025, a->nu, b->nu));
        return;
    }
    double b_down = 0;
    double b_up = 0;
    double a_down = 0;
    double a_up = 0;
    order_bounds(b, &b_down, &b_up);
    order_bounds(a, &a_down, &a_up);
    *down = hypot(a_down, b_up);
    *up = hypot(a_up, b_down);
}

static double t_two_sided(double t, double nu)
{
    return sm_beta_i(nu / 2, 0.5, nu / (nu + t * t));
}

/* Scatter of all pairings together. */
typedef struct scatter {
    double variance; /* dB^2, of one run, blended with the assumed */
    double measured; /* dB^2, without; NaN when nothing repeats */
    double extra_df; /* degrees of freedom that it adds to a pairing's own */
    double own;      /* dB^2, what the recordings' own noise has in it, on the mean */
} scatter;

/* Fills centred levels of all runs of both sides; false when a run is missing. */
static bool residuals(const sm_pairing *p, double *r)
{
    side b = gather(p->before, p->n_before);
    side a = gather(p->after, p->n_after);
    if (b.n != p->n_before || a.n != p->n_after) {
        return false;
    }
    for (size_t i = 0; i < b.n; i++) {
        r[i] = b.level[i] - b.mean;
    }
    for (size_t i = 0; i < a.n; i++) {
        r[b.n + i] = a.level[i] - a.mean;
    }
    return true;
}

/*
 * How many pairings' worth of independent scatter there is: (tr S)^2 / tr S^2 of the pairings'
 * covariance, both without the bias that few runs give them (Srivastava 2005). When a whole run is
 * 2 dB louder every pairing shows the same 2 dB, and a hundred of them know no more than one.
 */
static double independent(const sm_pairing *pairs, size_t n)
{
    double gram[2 * SM_MAX_RUNS][2 * SM_MAX_RUNS] = {{0}};
    size_t runs = pairs[0].n_before + pairs[0].n_after;
    double d = (double)runs - 2;
    double used = 0;
    for (size_t i = 0; i < n; i++) {
        double r[2 * SM_MAX_RUNS];
        if (pairs[i].n_before + pairs[i].n_after != runs || !residuals(&pairs[i], r)) {
            continue;
        }
        used++;
        for (size_t j = 0; j < runs; j++) {
            for (size_t k = 0; k < runs; k++) {
                gram[j][k] += r[j] * r[k];
            }
        }
    }
    double trace = 0;
    double square = 0;
    for (size_t j = 0; j < runs; j++) {
        trace += gram[j][j] / d;
        for (size_t k = 0; k < runs; k++) {
            square += gram[j][k] * gram[j][k] / (d * d);
        }
    }
    if (d < 2 || !(trace > 0)) {
        return 1;
    }
    double q = d * d / ((d - 1) * (d + 2)) * (square - trace * trace / d);
    double t2 = trace * trace - 2 * q / d;
    return q > 0 ? sm_min(sm_max(t2 / q, 1), sm_max(used, 1)) : sm_max(used, 1);
}

static scatter pool_scatter(const sm_pairing *pairs, size_t n, double assumed_db)
{
    double ss = 0;
    double own = 0;
    double df = 0;
    double df_most = 0;
    for (size_t i = 0; i < n; i++) {
        side b = gather(pairs[i].before, pairs[i].n_before);
        side a = gather(pairs[i].after, pairs[i].n_after);
        if (b.n && a.n && b.n + a.n > 2) {
            ss += b.ss + a.ss;
            own += (b.own + a.own) / 2 * (double)(b.n + a.n - 2);
            df += (double)(b.n + a.n - 2);
            df_most = sm_max(df_most, (double)(b.n + a.n - 2));
        }
    }
    double assumed = assumed_db * assumed_db;
    if (!(df > 0)) {
        return (scatter){.variance = assumed, .measured = (double)NAN};
    }
    double known = df_most * independent(pairs, n);
    double measured = ss / df;
    /* 4 when the pairings scatter independently, 1.4 when they move as one: then what was measured
       is all there is, and coverage was 0.945 with 2 */
    return (scatter){.measured = measured,
                     .own = own / df,
                     .variance =
                         (known * measured + ASSUMED_WEIGHT * assumed) / (known + ASSUMED_WEIGHT),
                     .extra_df = POOL_WEIGHT * (1 - AS_ONE * df_most / known)};
}

/* How far two single runs of one mount may lie apart, 95 %. */
static double single_floor(double assumed_db)
{
    return Z95 * sqrt(2.0) * assumed_db;
}

static void judge_one(const sm_pairing *p, const scatter *pool, double assumed_db, sm_change *out)
{
    side b = gather(p->before, p->n_before);
    side a = gather(p->after, p->n_after);
    sm_change c = {.before = (double)NAN,
                   .after = (double)NAN,
                   .change_db = (double)NAN,
                   .lo_db = (double)NAN,
                   .hi_db = (double)NAN,
                   .p = (double)NAN};
    c.before_in_noise = b.n > 0 && b.n_noise == b.n;
    c.after_in_noise = a.n > 0 && a.n_noise == a.n;
    c.before = b.n ? pow(10, b.mean / 20) : c.before;
    c.after = a.n ? pow(10, a.mean / 20) : c.after;
    *out = c;
    if (!b.n || !a.n || (c.before_in_noise && c.after_in_noise)) {
        return;
    }
    double down = 0;
    double up = 0;
    out->change_db = a.mean - b.mean;
    if (b.n == 1 && a.n == 1) {
        single_bounds(b.single, a.single, &down, &up);
        double floor_db = single_floor(assumed_db);
        down = hypot(down, floor_db);
        up = hypot(up, floor_db);
        down += a.single->knock_db; /* as if it had not been there: no chance that averages */
        up += b.single->knock_db;
        double half = out->change_db < 0 ? up : down;
        out->p = half > 0 ? 2 * sm_normal_cdf(-fabs(out->change_db) * Z95 / half) : 1;
    } else {
        double d = (double)(b.n + a.n - 2);
        /* a line near the noise scatters more than the mean of all: by what its noise says */
        double own = (b.own + a.own) / 2;
        double expected = pool->variance + sm_max(0, own - pool->own);
        double variance = (b.ss + a.ss + POOL_WEIGHT * expected) / (d + POOL_WEIGHT);
        double se = sqrt(variance * (1 / (double)b.n + 1 / (double)a.n));
        double df = d + pool->extra_df;
        down = up = sm_t_quantile(0.975, df) * se;
        out->p = se > 0 ? t_two_sided(out->change_db / se, df) : 1;
        /* a bound stays a bound, however often it repeats */
        down = c.after_in_noise ? (double)INFINITY : down;
        up = c.before_in_noise ? (double)INFINITY : up;
        bool open = isinf(out->change_db < 0 ? up : down);
        out->p = open ? 1 : out->p;
    }
    out->lo_db = isfinite(down) ? out->change_db - down : (double)NAN;
    out->hi_db = isfinite(up) ? out->change_db + up : (double)NAN;
    out->verdict = SM_CHANGE_NONE;
}

static sm_change_verdict side_of(double change_db)
{
    return change_db < 0 ? SM_CHANGE_BETTER : SM_CHANGE_WORSE;
}

typedef struct ranked {
    double p;
    size_t i;
} ranked;

static int by_p(const void *a, const void *b)
{
    const ranked *x = a;
    const ranked *y = b;
    return x->p < y->p ? -1 : x->p > y->p ? 1 : x->i < y->i ? -1 : 1;
}

/* The p-values that are none of NaN, rising; NULL = out of memory. */
static ranked *sorted(const double *p, size_t n, size_t *m)
{
    ranked *order = sm_alloc_array(n ? n : 1, sizeof *order);
    *m = 0;
    for (size_t i = 0; order && i < n; i++) {
        if (!isnan(p[i])) {
            order[(*m)++] = (ranked){p[i], i};
        }
    }
    if (order) {
        qsort(order, *m, sizeof *order, by_p);
    }
    return order;
}

sm_status sm_holm(const double *p, size_t n, double alpha, bool *stands)
{
    size_t m = 0;
    ranked *order = sorted(p, n, &m);
    if (!order) {
        return SM_E_NOMEM;
    }
    for (size_t i = 0; i < n; i++) {
        stands[i] = false;
    }
    for (size_t k = 0; k < m && order[k].p <= alpha / (double)(m - k); k++) {
        stands[order[k].i] = true;
    }
    sm_free(order);
    return SM_OK;
}

/* Holm over the levels and over the single orders; alpha is shared when there are both. */
static sm_status stand(const sm_pairing *pairs, size_t n, double alpha, sm_change *out)
{
    size_t n_orders = 0;
    for (size_t i = 0; i < n; i++) {
        n_orders += pairs[i].one_of_many;
    }
    double *p = sm_alloc_array(n ? n : 1, sizeof *p);
    bool *stands = sm_alloc_array(n ? n : 1, sizeof *stands);
    sm_status st = p && stands ? SM_OK : SM_E_NOMEM;
    for (int orders = 0; orders < 2 && st == SM_OK; orders++) {
        for (size_t i = 0; i < n; i++) {
            p[i] = pairs[i].one_of_many == (orders == 1) ? out[i].p : (double)NAN;
        }
        st = sm_holm(p, n, n_orders > 0 && n_orders < n ? alpha / 2 : alpha, stands);
        for (size_t i = 0; i < n && st == SM_OK; i++) {
            if (stands[i]) {
                out[i].verdict = side_of(out[i].change_db);
            }
        }
    }
    sm_free(p);
    sm_free(stands);
    return st;
}

sm_status sm_change_judge(const sm_pairing *pairs, size_t n, const sm_change_options *options,
                          sm_change *out, sm_repeatability *repeatability, sm_error *err)
{
    sm_change_options opt = options ? *options : sm_change_options_default();
    for (size_t i = 0; i < n; i++) {
        if (!pairs[i].n_before || !pairs[i].n_after || pairs[i].n_before > SM_MAX_RUNS ||
            pairs[i].n_after > SM_MAX_RUNS) {
            return sm_error_set(err, SM_E_ARG, NULL, 0, "1 to %d runs are needed on each side",
                                SM_MAX_RUNS);
        }
    }
    scatter pool = pool_scatter(pairs, n, opt.repeatability_db);
    for (size_t i = 0; i < n; i++) {
        judge_one(&pairs[i], &pool, opt.repeatability_db, &out[i]);
    }
    sm_status st = stand(pairs, n, opt.alpha, out);
    if (st != SM_OK) {
        return sm_error_set(err, st, NULL, 0, "out of memory");
    }
    bool from_runs = isfinite(pool.measured);
    *repeatability = (sm_repeatability){
        .from_runs = from_runs, .db = from_runs ? sqrt(pool.measured) : opt.repeatability_db};
    return SM_OK;
}

/* Means of many pairings ----------------------------------------------------------------------- */

/* Which pairings a mean takes; -1 = any. */
typedef struct members {
    long i_channel;
    long i_band;
} members;

static bool is_member(const members *m, const sm_pairing *p, const sm_change *c)
{
    return !p->one_of_many && !p->apart &&
           (m->i_channel < 0 || p->i_channel == (size_t)m->i_channel) &&
           (m->i_band < 0 || p->i_band == (size_t)m->i_band) && isfinite(c->lo_db) &&
           isfinite(c->hi_db);
}

/* What the recordings of one band add to a mean. */
typedef struct band_share {
    double down; /* summed half-widths without the floor */
    double up;
    size_t i_band;
} band_share;

/* Squares of finished bands; other bands are other seconds of the run, so their noise is theirs. */
static void close_band(band_share *s, size_t i_band, double *down2, double *up2)
{
    *down2 += s->down * s->down;
    *up2 += s->up * s->up;
    *s = (band_share){0, 0, i_band};
}

/*
 * One run each. Repeatability: the standard deviation of a mean is at most the mean of the standard
 * deviations, whatever their correlation (Minkowski), so the floor stays whole. The recordings'
 * own noise: no firmer than its average within a band, independent between bands.
 */
static void pool_single(const sm_pairing *pairs, size_t n, const members *m,
                        const sm_change *changes, double floor_db, sm_pooled *out)
{
    double down2 = 0;
    double up2 = 0;
    double sum = 0;
    band_share share = {0, 0, 0};
    for (size_t i = 0; i < n; i++) {
        const sm_change *c = &changes[i];
        if (is_member(m, &pairs[i], c)) {
            if (pairs[i].i_band != share.i_band) {
                close_band(&share, pairs[i].i_band, &down2, &up2);
            }
            double down = c->change_db - c->lo_db;
            double up = c->hi_db - c->change_db;
            share.down += sqrt(sm_max(0, down * down - floor_db * floor_db));
            share.up += sqrt(sm_max(0, up * up - floor_db * floor_db));
            sum += c->change_db;
            out->n++;
        }
    }
    close_band(&share, 0, &down2, &up2);
    if (out->n == 0) {
        return;
    }
    double count = (double)out->n;
    double down = hypot(floor_db, sqrt(down2) / count);
    double up = hypot(floor_db, sqrt(up2) / count);
    out->change_db = sum / count;
    out->lo_db = out->change_db - down;
    out->hi_db = out->change_db + up;
    double half = out->change_db < 0 ? up : down;
    out->p = half > 0 ? 2 * sm_normal_cdf(-fabs(out->change_db) * Z95 / half) : 1;
}

/* Several runs: each run's mean level over the members that every run has is one reading. */
static void pool_runs(const sm_pairing *pairs, size_t n, const members *m, const sm_change *changes,
                      const scatter *spread, double assumed_db, sm_pooled *out)
{
    sm_reading mean[2][SM_MAX_RUNS] = {{{0}}};
    sm_pairing joint = {.before = mean[0], .after = mean[1]};
    for (size_t i = 0; i < n; i++) {
        double r[2 * SM_MAX_RUNS];
        if (!is_member(m, &pairs[i], &changes[i]) || !residuals(&pairs[i], r)) {
            continue;
        }
        joint.n_before = pairs[i].n_before;
        joint.n_after = pairs[i].n_after;
        for (size_t k = 0; k < joint.n_before; k++) {
            mean[0][k].value += db(level_value(&pairs[i].before[k]));
        }
        for (size_t k = 0; k < joint.n_after; k++) {
            mean[1][k].value += db(level_value(&pairs[i].after[k]));
        }
        out->n++;
    }
    if (out->n == 0) {
        return;
    }
    for (size_t s = 0; s < 2; s++) {
        for (size_t k = 0; k < SM_MAX_RUNS; k++) {
            mean[s][k].value = pow(10, mean[s][k].value / (double)out->n / 20);
            mean[s][k].nu = (double)INFINITY; /* the runs' scatter says it all */
        }
    }
    sm_change c;
    judge_one(&joint, spread, assumed_db, &c);
    out->change_db = c.change_db;
    out->lo_db = c.lo_db;
    out->hi_db = c.hi_db;
    out->p = c.p;
}

/* Members on the side of a mean that stands, by their own intervals. */
static void follow(const sm_pairing *pairs, size_t n, const members *m, const sm_pooled *pool,
                   sm_change *changes)
{
    for (size_t i = 0; i < n; i++) {
        sm_change *c = &changes[i];
        bool in = (m->i_channel < 0 || pairs[i].i_channel == (size_t)m->i_channel) &&
                  (m->i_band < 0 || pairs[i].i_band == (size_t)m->i_band);
        bool same = pool->verdict == SM_CHANGE_BETTER  ? c->hi_db < 0
                    : pool->verdict == SM_CHANGE_WORSE ? c->lo_db > 0
                                                       : false;
        if (in && same && c->verdict == SM_CHANGE_NONE) {
            c->verdict = pool->verdict;
        }
    }
}

/* One-sided: the chance of as high a reading where nothing rose. */
static double p_of_rise(const sm_change *c)
{
    return c->change_db > 0 ? c->p / 2 : 1 - c->p / 2;
}

/*
 * What got quieter never hides what got louder. Once anything is better, the single changes that
 * are not are judged again, for a rise alone and among themselves: step-up (Benjamini & Hochberg)
 * at the side of alpha that belongs to rises. Where none of them rose, one is called worse with at
 * most that chance; a new resonance, which raises a few of hundreds, stands sooner than by Holm,
 * because what fell no longer counts and its own lines help each other.
 */
static sm_status uncover(sm_change *changes, size_t n, const sm_pooled *pools, size_t n_pools,
                         double alpha)
{
    bool better = false;
    for (size_t i = 0; i < n && !better; i++) {
        better = changes[i].verdict == SM_CHANGE_BETTER;
    }
    for (size_t i = 0; i < n_pools && !better; i++) {
        better = pools[i].verdict == SM_CHANGE_BETTER;
    }
    if (!better) {
        return SM_OK;
    }
    double *p = sm_alloc_array(n ? n : 1, sizeof *p);
    for (size_t i = 0; p && i < n; i++) {
        bool rest = changes[i].verdict != SM_CHANGE_BETTER && !isnan(changes[i].p);
        p[i] = rest ? p_of_rise(&changes[i]) : (double)NAN;
    }
    size_t m = 0;
    ranked *order = p ? sorted(p, n, &m) : NULL;
    size_t last = 0;
    for (size_t k = 0; order && k < m; k++) {
        last = order[k].p <= alpha / 2 * (double)(k + 1) / (double)m ? k + 1 : last;
    }
    for (size_t k = 0; k < last; k++) {
        changes[order[k].i].verdict = SM_CHANGE_WORSE;
    }
    sm_status st = order ? SM_OK : SM_E_NOMEM;
    sm_free(order);
    sm_free(p);
    return st;
}

/* One kind of means: n of them, held to alpha together. */
static sm_status judge_kind(sm_pooled *pools, size_t n, double alpha)
{
    double *p = sm_alloc_array(n ? n : 1, sizeof *p);
    bool *stands = sm_alloc_array(n ? n : 1, sizeof *stands);
    sm_status st = p && stands ? SM_OK : SM_E_NOMEM;
    for (size_t i = 0; i < n && st == SM_OK; i++) {
        p[i] = pools[i].p;
    }
    st = st == SM_OK ? sm_holm(p, n, alpha, stands) : st;
    for (size_t i = 0; i < n && st == SM_OK; i++) {
        pools[i].verdict = pools[i].n == 0 ? SM_CHANGE_UNASSESSED
                           : stands[i]     ? side_of(pools[i].change_db)
                                           : SM_CHANGE_NONE;
    }
    sm_free(p);
    sm_free(stands);
    return st;
}

sm_status sm_change_pools(const sm_pairing *pairs, size_t n, const sm_change_options *options,
                          sm_change *changes, sm_pooled *pools, size_t n_channels, size_t n_bands,
                          sm_error *err)
{
    sm_change_options opt = options ? *options : sm_change_options_default();
    scatter spread = pool_scatter(pairs, n, opt.repeatability_db);
    size_t kinds[3] = {1, n_channels, n_bands};
    for (size_t i = 0; i < n; i++) {
        if (pairs[i].i_channel >= n_channels || pairs[i].i_band >= n_bands) {
            return sm_error_set(err, SM_E_ARG, NULL, 0, "a pairing outside the channels or bands");
        }
    }
    size_t at = 0;
    for (size_t kind = 0; kind < 3; kind++) {
        for (size_t k = 0; k < kinds[kind]; k++) {
            members m = {kind == 1 ? (long)k : -1, kind == 2 ? (long)k : -1};
            pools[at + k] = (sm_pooled){.change_db = (double)NAN,
                                        .lo_db = (double)NAN,
                                        .hi_db = (double)NAN,
                                        .p = (double)NAN};
            if (isfinite(spread.measured)) {
                pool_runs(pairs, n, &m, changes, &spread, opt.repeatability_db, &pools[at + k]);
            } else {
                pool_single(pairs, n, &m, changes, single_floor(opt.repeatability_db),
                            &pools[at + k]);
            }
        }
        sm_status st = judge_kind(pools + at, kinds[kind], opt.alpha);
        if (st != SM_OK) {
            return sm_error_set(err, st, NULL, 0, "out of memory");
        }
        at += kinds[kind];
    }
    at = 0;
    for (size_t kind = 0; kind < 3; kind++) { /* after all means are judged: from the same p */
        for (size_t k = 0; k < kinds[kind]; k++, at++) {
            members m = {kind == 1 ? (long)k : -1, kind == 2 ? (long)k : -1};
            follow(pairs, n, &m, &pools[at], changes);
        }
    }
    return uncover(changes, n, pools, at, opt.alpha) == SM_OK
               ? SM_OK
               : sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
}

sm_change_verdict sm_change_overall(const sm_change *c, size_t n)
{
    bool seen[SM_CHANGE_MIXED + 1] = {false};
    for (size_t i = 0; i < n; i++) {
        seen[c[i].verdict] = true;
    }
    if (seen[SM_CHANGE_MIXED] || (seen[SM_CHANGE_BETTER] && seen[SM_CHANGE_WORSE])) {
        return SM_CHANGE_MIXED;
    }
    return seen[SM_CHANGE_WORSE]    ? SM_CHANGE_WORSE
           : seen[SM_CHANGE_BETTER] ? SM_CHANGE_BETTER
           : seen[SM_CHANGE_NONE]   ? SM_CHANGE_NONE
                                    : SM_CHANGE_UNASSESSED;
}
