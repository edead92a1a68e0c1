/* Order cuts that one mode explains; what several orders agree on is a resonance. */
#include "stillmount/resonance.h"

#include "core/alloc.h"
#include "core/util.h"
#include "survey/cut_fit.h"

#include <math.h>
#include <string.h>

enum { MOST_SEEDS = 256, MOST_MEMBERS = 64, LEAST_POINTS = 10, CURVE_MOST = 512 };
#define WINDOW_LO 0.72 /* of the candidate's frequency */
#define WINDOW_HI 1.38
#define WIDE_LO 0.6 /* the same for a broad one */
#define WIDE_HI 1.6
#define BROAD 0.08     /* damping of a broad one */
#define TOP_REACH 0.06 /* a candidate is the highest so far to each side */
#define SIGNAL 15.0    /* power over noise of a point that stands by itself: 12 dB */
#define AGREE 0.04     /* candidates of one resonance lie this close */
#define SEED_WORTH 20.0
#define MEMBER_WORTH 12.0
#define TOTAL_WORTH 50.0
#define LONE_WORTH 150.0 /* of the only cut that shows it */
#define ZETA_LEAST 0.005
#define ZETA_MOST 0.25
/* Damping known no better than this is not told. */
#define ZETA_ERROR 0.35
/* Standard deviation of the place in a Hann window of length 1: sqrt(1/12 - 1/(2 pi^2)). */
#define HANN_SPREAD 0.1808

typedef struct cut {
    size_t channel;
    size_t order;
    sm_direction direction;
    sm_cut c;
} cut;

typedef struct seed {
    size_t i_cut;
    sm_mode mode;
    double worth;
    bool used;
} seed;

typedef struct finder {
    const sm_survey_result *v;
    const sm_order_table *orders;
    double shaft_per_rpm;
    sm_cut_point *points;
    size_t n_points;
    cut *cuts;
    size_t n_cuts;
    seed seeds[MOST_SEEDS];
    size_t n_seeds;
} finder;

/* One cell of a cut: what was tracked there in one direction, noise taken off. */
static bool cut_point(const finder *f, const sm_band *b, const sm_band_channel *bc, const cut *k,
                      size_t cell, sm_cut_point *out)
{
    const sm_survey_result *v = f->v;
    const sm_sweep_cell *c = &bc->sweep[2 * (k->order * b->n_cells + cell) + k->direction];
    double n = (double)c->n;
    if (!(n > 0)) {
        return false;
    }
    double hz_per_rpm = f->orders->items[k->order].order * f->shaft_per_rpm;
    double rpm = (double)c->rpm / n;
    double hz = rpm * hz_per_rpm;
    double window_s = (double)v->plans[k->order].window_rev / (rpm * f->shaft_per_rpm);
    double dof = sm_frames_dof(bc->n_frames, bc->n_frames > 0 ? bc->n_frames - 1 : 0);
    double noise = 1.5 * sm_noise_density(bc->psd, v->n_bins, v->bin_hz, hz, dof) / window_s;
    double p = (double)c->p / n;
    double rate = (double)c->rate / n * hz_per_rpm;
    double in_cell = sm_min(fabs(rate) * n * window_s / 4,
                            (b->rpm_hi - b->rpm_lo) / (double)b->n_cells * hz_per_rpm);
    double window = HANN_SPREAD * rate * window_s;
    /* powers are averaged over the cell, which counts half of what amplitudes do; even: 1/12.
     * Windows overlap by three quarters: two of them count as one. */
    *out = (sm_cut_point){.hz = hz,
                          .p = p - noise,
                          .rate = rate,
                          .blur_hz = sqrt(window * window + in_cell * in_cell / 24),
                          .noise = noise,
                          .n = n,
                          .strong = p > SIGNAL * noise};
    return true;
}

/* From the first point that stands by itself to the last. Weak ones between them stay: leaving out
 * those that noise happens to make low lifts the flanks (a mode of 31 Hz, damping 0.12, came out up
 * to 2.6 % high). */
static void trim(sm_cut *c)
{
    while (c->n > 0 && !c->p[c->n - 1].strong) {
        c->n--;
    }
    while (c->n > 0 && !c->p[0].strong) {
        c->p++;
        c->n--;
    }
}

/* What the neighbours say of each point, which decides its weight; a narrow top keeps its own. */
static void add_levels(sm_cut_point *p, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        size_t from = i > 2 ? i - 2 : 0;
        size_t to = i + 2 < n ? i + 2 : n - 1;
        double sum = 0;
        for (size_t k = from; k <= to; k++) {
            sum += p[k].p;
        }
        p[i].level = sm_max(sum / (double)(to - from + 1), p[i].strong ? p[i].p : 0);
    }
}

static void add_cut(finder *f, size_t channel, size_t order, sm_direction d)
{
    cut k = {channel, order, d, {f->points + f->n_points, 0, 4}};
    for (size_t i = 0; i < f->v->n_bands; i++) {
        const sm_band *b = &f->v->bands[i];
        const sm_band_channel *bc = &b->channels[channel];
        for (size_t c = 0; bc->n_frames > 2 && c < b->n_cells; c++) {
            k.c.n += cut_point(f, b, bc, &k, c, f->points + f->n_points + k.c.n);
        }
    }
    trim(&k.c);
    if (k.c.n >= LEAST_POINTS) {
        add_levels(f->points + (k.c.p - f->points), k.c.n);
        f->n_points = (size_t)(k.c.p - f->points) + k.c.n;
        f->cuts[f->n_cuts++] = k;
    }
}

static sm_status add_cuts(finder *f)
{
    size_t cells = 0;
    for (size_t i = 0; i < f->v->n_bands; i++) {
        cells += f->v->bands[i].n_cells;
    }
    size_t most = 2 * f->v->n_channels * f->orders->n;
    f->cuts = sm_alloc_array(most + 1, sizeof *f->cuts);
    f->points = sm_alloc_array(most * cells + 1, sizeof *f->points);
    if (!f->cuts || !f->points) {
        return SM_E_NOMEM;
    }
    for (size_t c = 0; c < f->v->n_channels; c++) {
        for (size_t o = 0; o < f->orders->n; o++) {
            if (f->v->plans[o].merged_into < 0) {
                add_cut(f, c, o, SM_UP);
                add_cut(f, c, o, SM_DOWN);
            }
        }
    }
    return SM_OK;
}

static double per_hz4(const sm_cut_point *p)
{
    return p->p / (p->hz * p->hz * p->hz * p->hz);
}

/* The highest of P / f^4 far and wide, and not a lone point. */
static bool is_top(const sm_cut_point *p, size_t n, size_t i)
{
    double y = per_hz4(&p[i]);
    for (size_t k = i; k-- > 0 && p[k].hz > (1 - TOP_REACH) * p[i].hz;) {
        if (per_hz4(&p[k]) > y) {
            return false;
        }
    }
    for (size_t k = i + 1; k < n && p[k].hz < (1 + TOP_REACH) * p[i].hz; k++) {
        if (per_hz4(&p[k]) > y) {
            return false;
        }
    }
    return i >= 2 && i + 2 < n && y > per_hz4(&p[i - 2]) && y > per_hz4(&p[i + 2]);
}

/* The window of a mode in a cut; false: the cut does not reach over it. */
static bool window_of(const sm_cut *c, const sm_mode *m, sm_cut *out)
{
    bool broad = m->zeta > BROAD;
    *out = sm_cut_window(c, m->hz * (broad ? WIDE_LO : WINDOW_LO),
                         m->hz * (broad ? WIDE_HI : WINDOW_HI));
    double half = sm_min(sm_max(m->zeta, 0.02), 0.1); /* a broad one may reach out on one side */
    size_t strong = 0;
    for (size_t i = 0; i < out->n; i++) {
        strong += out->p[i].strong;
    }
    return strong >= LEAST_POINTS && 2 * strong >= out->n && m->hz * (1 - half) > out->p[0].hz &&
           m->hz * (1 + half) < out->p[out->n - 1].hz;
}

static void add_seeds(finder *f, size_t i_cut)
{
    const sm_cut *c = &f->cuts[i_cut].c;
    for (size_t i = 2; i + 2 < c->n && f->n_seeds < MOST_SEEDS; i++) {
        if (!c->p[i].strong || !is_top(c->p, c->n, i)) {
            continue;
        }
        sm_mode m = {c->p[i].hz, 0.05, 0};
        sm_cut w;
        if (!window_of(c, &m, &w) || !sm_cut_fit(&w, 1, true, &m) || !window_of(c, &m, &w)) {
            continue;
        }
        if (m.zeta > BROAD && (!sm_cut_fit(&w, 1, false, &m) || !window_of(c, &m, &w))) {
            continue;
        }
        double worth = sm_cut_worth(&w, &m);
        if (worth > SEED_WORTH && m.zeta > ZETA_LEAST && m.zeta < ZETA_MOST) {
            f->seeds[f->n_seeds++] = (seed){i_cut, m, worth, false};
        }
    }
}

static const char *place_of(const finder *f, size_t i_cut)
{
    return f->v->channels[f->cuts[i_cut].channel].info.place;
}

/* Cuts of the place that gain from this mode; their windows go to w. */
static size_t members(const finder *f, const char *place, const sm_mode *m, sm_cut *w,
                      size_t *i_cut, double *worth)
{
    size_t n = 0;
    for (size_t i = 0; i < f->n_cuts && n < MOST_MEMBERS; i++) {
        if (strcmp(place_of(f, i), place) == 0 && window_of(&f->cuts[i].c, m, &w[n])) {
            worth[n] = sm_cut_worth(&w[n], m);
            i_cut[n] = i;
            n += worth[n] > MEMBER_WORTH;
        }
    }
    return n;
}

static double power_at(const sm_cut *c, double hz)
{
    size_t i = 0;
    while (i + 1 < c->n && c->p[i].hz < hz) {
        i++;
    }
    return c->p[i].p;
}

static void note_order(const finder *f, const cut *c, sm_resonance *r)
{
    for (size_t i = 0; i < r->n_orders; i++) {
        if (r->order[i] == c->order) {
            return;
        }
    }
    if (r->n_orders < SM_RESONANCE_ORDERS) {
        r->order[r->n_orders] = c->order;
        r->rpm_at[r->n_orders++] = r->hz / (f->orders->items[c->order].order * f->shaft_per_rpm);
    }
}

/* The curve of one member, when its order and channel have none yet. */
static void add_fit(const finder *f, const cut *k, const sm_cut *w, const sm_mode *m,
                    sm_resonance *r)
{
    double p[CURVE_MOST];
    sm_cut part = *w;
    part.n = part.n < CURVE_MOST ? part.n : CURVE_MOST;
    for (size_t i = 0; i < r->n_fits; i++) {
        if (r->fits[i].i_channel == k->channel && r->fits[i].i_order == k->order) {
            return;
        }
    }
    if (r->n_fits == SM_RESONANCE_FITS) {
        return;
    }
    sm_cut_curve(&part, m, p);
    sm_resonance_fit *fit = &r->fits[r->n_fits++];
    *fit =
        (sm_resonance_fit){.i_channel = k->channel, .i_order = k->order, .direction = k->direction};
    double per_rpm = f->orders->items[k->order].order * f->shaft_per_rpm;
    fit->n = part.n < SM_FIT_POINTS ? part.n : SM_FIT_POINTS;
    for (size_t i = 0; i < fit->n; i++) {
        size_t at = fit->n > 1 ? i * (part.n - 1) / (fit->n - 1) : 0;
        fit->rpm[i] = (float)(part.p[at].hz / per_rpm);
        fit->pk[i] = (float)sqrt(2 * p[at]);
    }
}

/* What the members show, strongest order first. */
static void describe(const finder *f, const sm_mode *m, const sm_cut *w, const size_t *i_cut,
                     size_t n, sm_resonance *out)
{
    bool told[MOST_MEMBERS] = {false};
    *out = (sm_resonance){.hz = m->hz, .damping_ratio = m->zeta, .n_cuts = n};
    if (!(m->zeta_error < ZETA_ERROR)) {
        out->damping_ratio = (double)NAN;
    }
    for (size_t k = 0; k < n; k++) {
        size_t best = 0;
        double most = -1;
        for (size_t i = 0; i < n; i++) {
            /* gyro and accelerometer do not compare: an accelerometer goes first */
            bool gyro = f->v->channels[f->cuts[i_cut[i]].channel].info.role == SM_ROLE_GYRO;
            double p = power_at(&w[i], m->hz) * (gyro ? 1e-9 : 1);
            if (!told[i] && p > most) {
                most = p;
                best = i;
            }
        }
        told[best] = true;
        out->i_channel = k == 0 ? f->cuts[i_cut[best]].channel : out->i_channel;
        note_order(f, &f->cuts[i_cut[best]], out);
        add_fit(f, &f->cuts[i_cut[best]], &w[best], m, out);
    }
}

/*
 * A mode of the structure shows in most of an axis's cuts that pass it, whatever order draws them,
 * or plainly in a third of several: not every force moves every mode. A swing of the engine's own
 * forces shows in one order, a crossing tone in one pass. And what stands at the end of the
 * sensor's range is its filter.
 */
static bool is_structure(const finder *f, const char *place, const sm_mode *m, const size_t *i_cut,
                         const double *worth, size_t n)
{
    double sum[SM_MAX_CHANNELS] = {0};
    size_t all[SM_MAX_CHANNELS] = {0};
    size_t with[SM_MAX_CHANNELS] = {0};
    sm_cut w;
    for (size_t i = 0; i < f->n_cuts; i++) {
        all[f->cuts[i].channel] +=
            strcmp(place_of(f, i), place) == 0 && window_of(&f->cuts[i].c, m, &w);
    }
    for (size_t i = 0; i < n; i++) {
        with[f->cuts[i_cut[i]].channel]++;
        sum[f->cuts[i_cut[i]].channel] += worth[i];
    }
    for (size_t c = 0; c < f->v->n_channels; c++) {
        double top = sm_shown_top_hz(f->v, c);
        bool most = 2 * with[c] > all[c];
        bool plain = n > 1 && 3 * with[c] >= all[c] && sum[c] >= LONE_WORTH * (double)with[c];
        if (with[c] > 0 && (most || plain) && m->hz <= SM_MODE_EDGE * top &&
            m->hz * (1 + m->zeta) <= top) {
            return true;
        }
    }
    return false;
}

/* All cuts of a place around the seed, fitted together. */
static bool resonance_at(finder *f, size_t i_seed, sm_resonance *out)
{
    sm_cut w[MOST_MEMBERS];
    size_t i_cut[MOST_MEMBERS];
    double worth[MOST_MEMBERS];
    const char *place = place_of(f, f->seeds[i_seed].i_cut);
    sm_mode m = f->seeds[i_seed].mode;
    for (size_t i = 0; i < f->n_seeds; i++) {
        seed *s = &f->seeds[i];
        bool near = fabs(s->mode.hz / m.hz - 1) < AGREE;
        s->used |= near && strcmp(place_of(f, s->i_cut), place) == 0;
    }
    size_t n = 0;
    for (int round = 0; round < 2; round++) {
        n = members(f, place, &m, w, i_cut, worth);
        if (n == 0 || !sm_cut_fit(w, n, false, &m)) {
            return false;
        }
    }
    n = members(f, place, &m, w, i_cut, worth);
    double total = 0;
    for (size_t i = 0; i < n; i++) {
        total += worth[i];
    }
    describe(f, &m, w, i_cut, n, out);
    return total > (n >= 2 ? TOTAL_WORTH : LONE_WORTH) && m.zeta > ZETA_LEAST &&
           m.zeta < ZETA_MOST && is_structure(f, place, &m, i_cut, worth, n);
}

static size_t find(finder *f, sm_resonance *out, size_t most)
{
    size_t found = 0;
    for (size_t i = 0; i < f->n_cuts; i++) {
        add_seeds(f, i);
    }
    while (found < most) {
        size_t best = f->n_seeds;
        for (size_t i = 0; i < f->n_seeds; i++) {
            bool better = best == f->n_seeds || f->seeds[i].worth > f->seeds[best].worth;
            best = !f->seeds[i].used && better ? i : best;
        }
        if (best == f->n_seeds) {
            break;
        }
        sm_resonance r;
        if (!resonance_at(f, best, &r)) {
            continue;
        }
        bool again = false;
        for (size_t k = 0; k < found; k++) {
            again |= fabs(out[k].hz / r.hz - 1) < AGREE &&
                     strcmp(f->v->channels[out[k].i_channel].info.place,
                            f->v->channels[r.i_channel].info.place) == 0;
        }
        if (again) {
            continue;
        }
        size_t k = found++;
        for (; k > 0 && out[k - 1].hz > r.hz; k--) {
            out[k] = out[k - 1];
        }
        out[k] = r;
    }
    return found;
}

sm_status sm_resonances_find(const sm_survey_result *v, const sm_order_table *orders,
                             double shaft_per_rpm, sm_resonance *out, size_t most, size_t *n)
{
    *n = 0;
    finder *f = sm_alloc_array(1, sizeof *f);
    if (!f) {
        return SM_E_NOMEM;
    }
    f->v = v;
    f->orders = orders;
    f->shaft_per_rpm = shaft_per_rpm;
    sm_status status = add_cuts(f);
    if (status == SM_OK) {
        *n = find(f, out, most);
    }
    sm_free(f->cuts);
    sm_free(f->points);
    sm_free(f);
    return status;
}
