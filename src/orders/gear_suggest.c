/* Gear ratio and speed from the peaks alone: the best path for every ratio on a grid. */
#include "core/alloc.h"
#include "orders/gear.h"
#include "orders/tacholess.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define RATIO_LO 1.25
#define RATIO_HI 4.2
#define STEP 0.012
#define FINE_STEP 0.003
#define PRIOR_LEAST 0.2
/* Ratios closer than this are one. */
#define OTHER 0.03
/* Fit per frame over that of the next ratio that a suggestion must have; below CLEAR it is said to
 * be weak: a true ratio of 1.5, whose lines lie under the crank's, came out as 1.35 with 4. */
#define MARGIN_LEAST 3.0
#define CLEAR 5.0
#define FIT_LEAST 6.0
/* Ratios are first gone through with every third frame: at 0.3 s a speed still moves by a per cent.
 */
enum { FRAMES_LEAST = 100, THIN = 3 };

/* Every third frame; the peaks stay where they are. */
static sm_status thin_out(const sm_peak_map *m, sm_peak_map *out)
{
    *out = *m;
    out->n_frames = 0;
    out->frames = sm_alloc_array(m->n_frames / THIN + 1, sizeof *out->frames);
    if (!out->frames) {
        return SM_E_NOMEM;
    }
    bool starts = false;
    for (size_t t = 0; t < m->n_frames; t++) {
        starts |= m->frames[t].starts;
        if (t % THIN == 0) {
            out->frames[out->n_frames] = m->frames[t];
            out->frames[out->n_frames++].starts = starts;
            starts = false;
        }
    }
    return SM_OK;
}

/* Mean log likelihood per frame of the best speed path with that ratio. */
static sm_status fit_of(const sm_gear *g, const sm_peak_map *m, double ratio, sm_powertrain *p,
                        sm_order_table *orders, double *fit, sm_error *err)
{
    sm_emission *e = sm_alloc_array(1, sizeof *e);
    sm_speed_grid grid = {0};
    sm_speed_path path = {0};
    if (!e) {
        return SM_E_NOMEM;
    }
    p->has_gearbox = true;
    p->gear_has_teeth = false;
    p->gear = (sm_ratio){(long)(ratio * 10000 + 0.5), 10000};
    double lo = g->rpm_lo * sm_powertrain_reference_per(p, p->rpm_of) / 60;
    double hi = g->rpm_hi * sm_powertrain_reference_per(p, p->rpm_of) / 60;
    sm_status st = sm_powertrain_orders(p, SM_PEAK_HZ_MOST / lo, NULL, 0, orders, err);
    if (st == SM_OK) {
        sm_emission_make(p, orders, PRIOR_LEAST, e);
        st = sm_speed_grid_make(m, e, lo, hi, &grid);
    }
    if (st == SM_OK) {
        st = sm_speed_path_find(&grid, m, NULL, &path);
    }
    *fit = path.mean_fit;
    sm_speed_path_free(&path);
    sm_speed_grid_free(&grid);
    sm_free(e);
    return st;
}

enum { MOST = 128 };

typedef struct scan {
    double ratio[MOST];
    double fit[MOST];
    size_t n;
} scan;

static sm_status run(const sm_gear *g, const sm_peak_map *m, double lo, double hi, double step,
                     sm_powertrain *p, sm_order_table *orders, scan *s, sm_error *err)
{
    sm_status st = SM_OK;
    s->n = 0;
    for (double r = lo; r < hi && st == SM_OK && s->n < MOST; r *= 1 + step) {
        s->ratio[s->n] = r;
        st = fit_of(g, m, r, p, orders, &s->fit[s->n++], err);
    }
    return st;
}

static size_t best_of(const scan *s, double but)
{
    size_t best = s->n;
    for (size_t i = 0; i < s->n; i++) {
        bool other = !(fabs(s->ratio[i] / but - 1) <= OTHER);
        best = other && (best == s->n || s->fit[i] > s->fit[best]) ? i : best;
    }
    return best;
}

static sm_status search(const sm_gear *g, sm_powertrain *p, sm_order_table *orders, scan *s,
                        sm_gear_result *out, sm_error *err)
{
    sm_peak_map thin;
    sm_status st = thin_out(&g->map, &thin);
    if (st == SM_OK) {
        st = run(g, &thin, RATIO_LO, RATIO_HI, STEP, p, orders, s, err);
        sm_free(thin.frames);
    }
    if (st != SM_OK) {
        return st;
    }
    double best = s->ratio[best_of(s, NAN)];
    size_t other = best_of(s, best);
    double next = -HUGE_VAL;
    out->next_ratio = other < s->n ? s->ratio[other] : (double)NAN;
    if (other < s->n) {
        st = fit_of(g, &g->map, out->next_ratio, p, orders, &next, err);
    }
    if (st == SM_OK) {
        st = run(g, &g->map, best / (1 + 1.2 * STEP), best * (1 + 1.2 * STEP), FINE_STEP, p, orders,
                 s, err);
    }
    if (st != SM_OK) {
        return st;
    }
    size_t top = best_of(s, NAN);
    out->ratio = s->ratio[top];
    out->margin = s->fit[top] - next;
    out->uncertainty = FINE_STEP * out->ratio;
    if (out->margin < MARGIN_LEAST || s->fit[top] < FIT_LEAST) {
        (void)snprintf(out->reason, sizeof out->reason,
                       s->fit[top] < FIT_LEAST
                           ? "too few engine and propeller lines stand out of the noise"
                           : "ratios of %.3g and %.3g fit nearly equally well",
                       out->ratio, out->next_ratio);
        out->ratio = (double)NAN;
        return SM_OK;
    }
    out->basis = SM_GEAR_SUGGESTION;
    (void)snprintf(
        out->reason, sizeof out->reason,
        "%sspeed and ratio were sought together in the vibration; confirm it with a tach, "
        "an rpm log or the gearbox's own papers",
        out->margin < CLEAR ? "weak: " : "");
    return SM_OK;
}

sm_status sm_gear_suggest(const sm_gear *g, sm_gear_result *out, sm_error *err)
{
    if (g->map.n_frames < FRAMES_LEAST) {
        (void)snprintf(out->reason, sizeof out->reason, "the log is shorter than ten seconds");
        return SM_OK;
    }
    sm_powertrain *p = sm_alloc_array(1, sizeof *p);
    sm_order_table *orders = sm_alloc_array(1, sizeof *orders);
    scan *s = sm_alloc_array(1, sizeof *s);
    sm_status st = p && orders && s ? SM_OK : SM_E_NOMEM;
    if (st == SM_OK) {
        *p = *g->p;
        st = search(g, p, orders, s, out, err);
    }
    sm_free(p);
    sm_free(orders);
    sm_free(s);
    return st;
}
