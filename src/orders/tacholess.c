/*
 * Hidden Markov chain over speed: emission from the order grid, transitions that allow 2 % in a
 * tenth of a second. Source: Rabiner 1989 for the recursions (from memory); the emission is ours.
 */
#include "orders/tacholess.h"

#include "core/alloc.h"

#include <math.h>
#include <string.h>

#define STATE_STEP 0.003
/* Standard deviation of ln speed from frame to frame, and the most that is allowed. */
#define MOVE_SIGMA 0.02
enum { REACH = 20, NEAR = 7, AVOID = 20 };
/* Kernel with which a peak counts beside its place: what the frame resolves. */
#define KERNEL_HZ (0.45 / SM_PEAK_FRAME_S)
#define PAINT_HZ 0.25
/* Lines below are left out; up to the second their absence counts in part, because half a second
 * hardly tells them from slow motion. */
#define HZ_LEAST 4.0
#define HZ_SURE 9.0
/* Frames overlap by four fifths: their likelihoods count for a third. */
#define TEMPER 0.3
#define TELEPORT 1e-6
#define TERM_STEP 0.1
enum { TERMS = 101 };

double sm_speed_grid_hz(const sm_speed_grid *g, double state)
{
    return g->hz_lo * exp(g->step * state);
}

void sm_speed_grid_free(sm_speed_grid *g)
{
    sm_free(g->fit);
    *g = (sm_speed_grid){0};
}

void sm_speed_path_free(sm_speed_path *p)
{
    sm_free(p->hz);
    sm_free(p->at);
    sm_free(p->posterior);
    *p = (sm_speed_path){0};
}

static void paint(const sm_peak *p, size_t n, float *map, size_t n_map)
{
    memset(map, 0, n_map * sizeof *map);
    for (size_t i = 0; i < n; i++) {
        double centre = (double)p[i].hz / PAINT_HZ;
        double reach = 3 * KERNEL_HZ / PAINT_HZ;
        size_t lo = (size_t)fmax(0, ceil(centre - reach));
        for (size_t k = lo; k < n_map && (double)k <= centre + reach; k++) {
            double d = ((double)k - centre) * PAINT_HZ / KERNEL_HZ;
            float v = (float)((double)p[i].height * exp(-0.5 * d * d));
            map[k] = v > map[k] ? v : map[k];
        }
    }
}

static void fit_frame(const sm_speed_grid *g, const sm_emission *e, const float *terms,
                      const float *map, size_t n_map, float *fit)
{
    for (size_t s = 0; s < g->n_states; s++) {
        double hz = sm_speed_grid_hz(g, (double)s);
        float l = 0;
        for (size_t i = 0; i < e->n; i++) {
            double f = e->lines[i].order * hz;
            if (f < HZ_LEAST) {
                continue;
            }
            size_t k = (size_t)(f / PAINT_HZ + 0.5);
            if (k >= n_map) {
                continue;
            }
            float term = terms[i * TERMS + (size_t)((double)map[k] / TERM_STEP)];
            l += term < 0 && f < HZ_SURE ? term * (float)((f - HZ_LEAST) / (HZ_SURE - HZ_LEAST))
                                         : term;
        }
        fit[s] = l;
    }
}

sm_status sm_speed_grid_make(const sm_peak_map *m, const sm_emission *e, double hz_lo, double hz_hi,
                             sm_speed_grid *out)
{
    sm_speed_grid g = {.hz_lo = hz_lo, .step = STATE_STEP, .n_frames = m->n_frames};
    g.n_states = (size_t)(log(hz_hi / hz_lo) / STATE_STEP) + 2;
    size_t n_map = (size_t)(m->hz_most / PAINT_HZ);
    float *map = sm_alloc_array(n_map + 1, sizeof *map);
    float *terms = sm_alloc_array(e->n * TERMS + 1, sizeof *terms);
    g.fit = sm_alloc_array(g.n_frames * g.n_states, sizeof *g.fit);
    sm_status status = map && terms && g.fit ? SM_OK : SM_E_NOMEM;
    for (size_t i = 0; status == SM_OK && i < e->n * TERMS; i++) {
        terms[i] = (float)sm_emission_term(&e->lines[i / TERMS], TERM_STEP * (double)(i % TERMS));
    }
    for (size_t t = 0; status == SM_OK && t < g.n_frames; t++) {
        const sm_peak_frame *f = &m->frames[t];
        paint(m->peaks + f->first, f->n, map, n_map);
        fit_frame(&g, e, terms, map, n_map, g.fit + t * g.n_states);
    }
    sm_free(map);
    sm_free(terms);
    if (status == SM_OK) {
        *out = g;
    } else {
        sm_free(g.fit);
    }
    return status;
}

/* One step of Viterbi: score of each state now, and how far back it came from. */
static void step_best(const sm_speed_grid *g, const float *fit, const float *before, float *now,
                      signed char *from)
{
    long n = (long)g->n_states;
    for (long s = 0; s < n; s++) {
        float best = -1e30F;
        long best_d = 0;
        long lo = s - REACH > 0 ? s - REACH : 0;
        long hi = s + REACH < n - 1 ? s + REACH : n - 1;
        for (long k = lo; k <= hi; k++) {
            float d = (float)(s - k) * (float)(STATE_STEP / MOVE_SIGMA);
            float score = before[k] - 0.5F * d * d;
            if (score > best) {
                best = score;
                best_d = s - k;
            }
        }
        now[s] = best + fit[s];
        from[s] = (signed char)best_d;
    }
}

static void forbid(const sm_speed_grid *g, unsigned short at, float *score)
{
    for (long s = (long)at - AVOID; s <= (long)at + AVOID; s++) {
        if (s >= 0 && s < (long)g->n_states) {
            score[s] = -1e20F;
        }
    }
}

/* A stretch begins: no memory of the speed before. */
static void step_start(const sm_speed_grid *g, const float *fit, const float *before, float *now,
                       signed char *from)
{
    float best = 0;
    for (size_t s = 0; before && s < g->n_states; s++) {
        best = s == 0 || before[s] > best ? before[s] : best;
    }
    for (size_t s = 0; s < g->n_states; s++) {
        now[s] = best + fit[s];
        from[s] = 127;
    }
}

static size_t best_state(const sm_speed_grid *g, const float *score)
{
    size_t best = 0;
    for (size_t s = 1; s < g->n_states; s++) {
        best = score[s] > score[best] ? s : best;
    }
    return best;
}

/* Between the states, by a parabola through the fits around the path. */
static double refined_hz(const sm_speed_grid *g, const float *fit, size_t s)
{
    if (s == 0 || s + 1 >= g->n_states) {
        return sm_speed_grid_hz(g, (double)s);
    }
    double a = (double)fit[s - 1];
    double b = (double)fit[s];
    double c = (double)fit[s + 1];
    double d = a - 2 * b + c;
    double u = d < 0 ? 0.5 * (a - c) / d : 0;
    return sm_speed_grid_hz(g, (double)s + fmin(fmax(u, -1), 1));
}

sm_status sm_speed_path_find(const sm_speed_grid *g, const sm_peak_map *m,
                             const unsigned short *avoid, sm_speed_path *out)
{
    size_t n = g->n_states;
    sm_speed_path p = {.hz = sm_alloc_array(g->n_frames, sizeof(double)),
                       .at = sm_alloc_array(g->n_frames, sizeof *p.at),
                       .posterior = sm_alloc_array(g->n_frames, sizeof *p.posterior)};
    signed char *from = sm_alloc_array(g->n_frames * n, sizeof *from);
    float *score = sm_alloc_array(2 * n, sizeof *score);
    unsigned short *ends = sm_alloc_array(g->n_frames, sizeof *ends);
    sm_status status = SM_E_NOMEM;
    if (!p.hz || !p.at || !p.posterior || !from || !score || !ends) {
        goto done;
    }
    for (size_t t = 0; t < g->n_frames; t++) {
        float *now = score + (t % 2) * n;
        float *before = score + ((t + 1) % 2) * n;
        const float *fit = g->fit + t * n;
        if (t == 0 || m->frames[t].starts) {
            ends[t] = t > 0 ? (unsigned short)best_state(g, before) : 0;
            step_start(g, fit, t > 0 ? before : NULL, now, from + t * n);
        } else {
            step_best(g, fit, before, now, from + t * n);
        }
        if (avoid) {
            forbid(g, avoid[t], now);
        }
        if (t + 1 == g->n_frames) {
            p.at[t] = (unsigned short)best_state(g, now);
        }
    }
    for (size_t t = g->n_frames; t-- > 0;) {
        size_t s = p.at[t];
        p.hz[t] = refined_hz(g, g->fit + t * n, s);
        p.mean_fit += (double)g->fit[t * n + s] / (double)g->n_frames;
        if (t > 0) {
            int d = from[t * n + s];
            p.at[t - 1] = d == 127 ? ends[t] : (unsigned short)((int)s - d);
        }
    }
    *out = p;
    p = (sm_speed_path){0};
    status = SM_OK;
done:
    sm_speed_path_free(&p);
    sm_free(from);
    sm_free(score);
    sm_free(ends);
    return status;
}

/* out[s] = sum over k of in[k] * move(s - k), plus a rare jump anywhere; sums to about sum of in.
 */
static void spread(const sm_speed_grid *g, const float *move, const float *in, float *out)
{
    long n = (long)g->n_states;
    float all = 0;
    for (long s = 0; s < n; s++) {
        all += in[s];
    }
    float jump = (float)TELEPORT * all / (float)n;
    for (long s = 0; s < n; s++) {
        long lo = s - REACH > 0 ? s - REACH : 0;
        long hi = s + REACH < n - 1 ? s + REACH : n - 1;
        float sum = jump;
        for (long k = lo; k <= hi; k++) {
            sum += in[k] * move[s - k + REACH];
        }
        out[s] = sum;
    }
}

static void weigh(const sm_speed_grid *g, const float *fit, float *x)
{
    float top = fit[best_state(g, fit)];
    float sum = 0;
    for (size_t s = 0; s < g->n_states; s++) {
        x[s] *= expf((float)TEMPER * (fit[s] - top));
        sum += x[s];
    }
    for (size_t s = 0; s < g->n_states; s++) {
        x[s] = sum > 0 ? x[s] / sum : 1 / (float)g->n_states;
    }
}

static void even(const sm_speed_grid *g, float *x)
{
    for (size_t s = 0; s < g->n_states; s++) {
        x[s] = 1 / (float)g->n_states;
    }
}

static float mass_near(const sm_speed_grid *g, const float *a, const float *b, size_t at)
{
    float all = 0;
    float near = 0;
    for (size_t s = 0; s < g->n_states; s++) {
        float v = a[s] * b[s];
        all += v;
        near += s + NEAR >= at && s <= at + NEAR ? v : 0;
    }
    return all > 0 ? near / all : 0;
}

sm_status sm_speed_path_posterior(const sm_speed_grid *g, const sm_peak_map *m, sm_speed_path *path)
{
    size_t n = g->n_states;
    float move[2 * REACH + 1];
    float sum = 0;
    for (int d = -REACH; d <= REACH; d++) {
        double z = d * STATE_STEP / MOVE_SIGMA;
        move[d + REACH] = (float)exp(-0.5 * z * z);
        sum += move[d + REACH];
    }
    for (int d = 0; d <= 2 * REACH; d++) {
        move[d] /= sum;
    }
    float *forward = sm_alloc_array(g->n_frames * n, sizeof *forward);
    float *back = sm_alloc_array(2 * n, sizeof *back);
    if (!forward || !back) {
        sm_free(forward);
        sm_free(back);
        return SM_E_NOMEM;
    }
    for (size_t t = 0; t < g->n_frames; t++) {
        float *now = forward + t * n;
        if (t == 0 || m->frames[t].starts) {
            even(g, now);
        } else {
            spread(g, move, now - n, now);
        }
        weigh(g, g->fit + t * n, now);
    }
    even(g, back); /* what the frames behind say of frame t */
    float *work = back + n;
    for (size_t t = g->n_frames; t-- > 0;) {
        path->posterior[t] = mass_near(g, forward + t * n, back, path->at[t]);
        if (m->frames[t].starts) {
            even(g, back);
            continue;
        }
        memcpy(work, back, n * sizeof *work);
        weigh(g, g->fit + t * n, work);
        spread(g, move, work, back);
    }
    sm_free(forward);
    sm_free(back);
    return SM_OK;
}
