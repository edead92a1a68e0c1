/* Which mount out of a range would do: grid, tolerance, and what is never proposed. */
#include "core/util.h"
#include "stillmount/isolator.h"

#include <math.h>
#include <stdlib.h>

enum { GRID_HZ = 36, GRID_DAMPING = 10, MAX_GRID = 512, ROUNDS = 5, REFINED = 4 };

sm_tolerance sm_tolerance_default(void)
{
    return (sm_tolerance){.stiffness = 0.2, .damping = 2, .cold = 1};
}

size_t sm_tolerance_corner(const sm_tolerance *t, size_t i, double *stiffness, double *damping)
{
    double k[3] = {1, 1 - t->stiffness, 1 + t->stiffness};
    double z[3] = {1, 1 / t->damping, t->damping};
    size_t n = 9 + (t->cold > 1);
    if (i < 9) {
        *stiffness = k[i / 3];
        *damping = z[i % 3];
    } else {
        *stiffness = t->cold;
        *damping = t->damping; /* cold rubber is stiffer and loses more: common practice */
    }
    return n;
}

/* c = 2 z sqrt(k m): a stiffer spring with the same damper has the smaller ratio; the tolerance of
   the ratio is taken as a whole, so it is multiplied as it stands. */
static sm_isolator at_corner(const sm_isolator *iso, const sm_tolerance *t, size_t i, size_t *n)
{
    double stiffness = 1;
    double damping = 1;
    *n = sm_tolerance_corner(t, i, &stiffness, &damping);
    sm_isolator out = *iso;
    out.natural_hz *= sqrt(stiffness);
    out.damping_ratio *= damping;
    return out;
}

/* Widens the visit by what of the band takes the order into lo_hz..hi_hz; false when none does. */
static bool widen_visit(const sm_survey_result *s, size_t i_band, double hz_per_rpm, double lo_hz,
                        double hi_hz, double rpm[2])
{
    const sm_band *band = &s->bands[i_band];
    double from = sm_max(sm_max(band->rpm_lo, s->rpm_min), lo_hz / hz_per_rpm);
    double to = sm_min(sm_min(band->rpm_hi, s->rpm_max), hi_hz / hz_per_rpm);
    if (!band->visited || !(from <= to)) {
        return false;
    }
    rpm[0] = sm_min(rpm[0], from);
    rpm[1] = sm_max(rpm[1], to);
    return true;
}

size_t sm_predictor_orders_at(const sm_predictor *p, double lo_hz, double hi_hz,
                              sm_order_visit *out, size_t capacity)
{
    const sm_survey_result *survey = NULL;
    const sm_budget *budget = NULL;
    const sm_order_table *orders = NULL;
    double reference_per_rpm = 1;
    size_t n = 0;
    sm_predictor_inputs(p, &survey, &budget, &orders, &reference_per_rpm);
    for (size_t o = 0; o < orders->n; o++) {
        sm_order_visit visit = {.i_order = o, .rpm = {(double)INFINITY, 0}};
        double hz_per_rpm = orders->items[o].order * reference_per_rpm / 60;
        bool passes = false;
        for (size_t b = 0; b < survey->n_bands; b++) {
            passes = widen_visit(survey, b, hz_per_rpm, lo_hz, hi_hz, visit.rpm) || passes;
        }
        if (passes && out && n < capacity) {
            out[n] = visit;
        }
        n += passes;
    }
    return n;
}

typedef struct searcher {
    sm_predictor *p;
    const sm_survey_result *survey;
    const sm_budget *budget;
    const sm_search_options *opt;
    sm_search_counts *counts;
} searcher;

/* Lowest margin of the limits on accelerometers, with the mount as set. */
static double worst_margin(const searcher *s, sm_candidate *c)
{
    double worst = (double)INFINITY;
    for (size_t b = 0; b < s->survey->n_bands; b++) {
        if (!s->survey->bands[b].visited) {
            continue;
        }
        for (size_t ch = 0; ch < s->survey->n_channels; ch++) {
            const sm_channel *info = &s->survey->channels[ch].info;
            for (size_t l = 0; l < s->budget->n_limits; l++) {
                const sm_limit *limit = &s->budget->limits[l];
                bool wanted = sm_predictor_moves(s->p, ch) && limit->measure != SM_MEASURE_LINE;
                bool matches = false;
                for (size_t i = 0; i < limit->n_patterns && wanted; i++) {
                    matches = matches || sm_pattern_matches(&limit->patterns[i], info->place,
                                                            info->role, info->axis);
                }
                if (!matches) {
                    continue;
                }
                double value = sm_predictor_value(s->p, b, ch, l, (double)NAN);
                double margin = sm_predictor_margin_db(s->p, ch, l, value);
                if (margin < worst) {
                    worst = margin;
                    c->i_band = b;
                    c->i_channel = ch;
                    c->i_limit = l;
                }
            }
        }
    }
    return worst;
}

/* false: not to be had. */
static bool evaluate(const searcher *s, double natural_hz, double damping, sm_candidate *out)
{
    sm_isolator iso = sm_isolator_viscous(natural_hz, damping);
    sm_candidate c = {.natural_hz = natural_hz, .damping_ratio = damping};
    size_t n = 1;
    double lo_hz = natural_hz;
    double hi_hz = natural_hz;
    s->counts->tried++;
    for (size_t i = 0; i < n; i++) {
        sm_isolator corner = at_corner(&iso, &s->opt->tolerance, i, &n);
        lo_hz = sm_min(lo_hz, corner.natural_hz);
        hi_hz = sm_max(hi_hz, corner.natural_hz);
    }
    if (sm_predictor_orders_at(s->p, lo_hz, hi_hz, NULL, 0)) {
        s->counts->on_an_order++;
        return false;
    }
    if (sm_isolator_sag_m(lo_hz) > s->opt->max_sag_m) {
        s->counts->sags++;
        return false;
    }
    c.worst_margin_db = (double)INFINITY;
    for (size_t i = n; i-- > 0;) { /* nominal last: it names the place when it is the worst */
        sm_isolator corner = at_corner(&iso, &s->opt->tolerance, i, &n);
        sm_predictor_mount(s->p, &corner);
        sm_candidate here = c;
        double margin = worst_margin(s, &here);
        if (margin < c.worst_margin_db) {
            here.worst_margin_db = margin;
            c = here;
        }
        c.nominal_margin_db = i == 0 ? margin : c.nominal_margin_db;
        if (sm_predictor_sway_m(s->p) > s->opt->max_sway_m) {
            s->counts->sways++;
            return false;
        }
    }
    *out = c;
    return isfinite(c.worst_margin_db);
}

static int by_margin(const void *a, const void *b)
{
    const sm_candidate *x = a;
    const sm_candidate *y = b;
    if (x->worst_margin_db != y->worst_margin_db) {
        return x->worst_margin_db > y->worst_margin_db ? -1 : 1;
    }
    return x->natural_hz < y->natural_hz ? 1 : x->natural_hz > y->natural_hz ? -1 : 0;
}

static double step_of(const double range[2], int n)
{
    return n > 1 && range[1] > range[0] ? pow(range[1] / range[0], 1.0 / (n - 1)) : 1;
}

/* Leaves out what lies within half a step of a better one; returns how many stay. */
static size_t drop_twins(sm_candidate *c, size_t n, double step_hz, double step_damping)
{
    size_t kept = 0;
    for (size_t i = 0; i < n; i++) {
        bool twin = false;
        for (size_t k = 0; k < kept && !twin; k++) {
            twin = fabs(log(c[i].natural_hz / c[k].natural_hz)) <= 0.5 * log(step_hz) &&
                   fabs(log(c[i].damping_ratio / c[k].damping_ratio)) <= 0.5 * log(step_damping);
        }
        if (!twin) {
            c[kept++] = c[i];
        }
    }
    return kept;
}

/* Steps of half the size about the best; each better one takes its place. */
static void refine(const searcher *s, double step_hz, double step_damping, sm_candidate *best)
{
    for (int round = 0; round < ROUNDS; round++) {
        step_hz = sqrt(step_hz);
        step_damping = sqrt(step_damping);
        sm_candidate centre = *best;
        for (int i = -1; i <= 1; i++) {
            for (int k = -1; k <= 1; k++) {
                double hz = centre.natural_hz * pow(step_hz, i);
                double z = centre.damping_ratio * pow(step_damping, k);
                hz = sm_min(sm_max(hz, s->opt->natural_hz[0]), s->opt->natural_hz[1]);
                z = sm_min(sm_max(z, s->opt->damping_ratio[0]), s->opt->damping_ratio[1]);
                sm_candidate c;
                if ((i || k) && evaluate(s, hz, z, &c) &&
                    c.worst_margin_db > best->worst_margin_db) {
                    *best = c;
                }
            }
        }
    }
}

static sm_status check(const sm_search_options *o, double usable_hz, sm_error *err)
{
    if (!(o->natural_hz[0] > 0) || !(o->natural_hz[1] >= o->natural_hz[0]) ||
        o->natural_hz[1] > usable_hz) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0,
                            "natural frequencies from %g to %g Hz cannot be searched: give a range "
                            "above 0 and below what this log can show (%g Hz)",
                            o->natural_hz[0], o->natural_hz[1], usable_hz);
    }
    if (!(o->damping_ratio[0] > 0) || !(o->damping_ratio[1] >= o->damping_ratio[0]) ||
        o->damping_ratio[1] > 2) {
        return sm_error_set(
            err, SM_E_VALUE, NULL, 0,
            "damping from %g to %g cannot be searched: give a range above 0, up to 2",
            o->damping_ratio[0], o->damping_ratio[1]);
    }
    return SM_OK;
}

sm_status sm_isolator_search(sm_predictor *p, const sm_search_options *opt, sm_candidate *best,
                             size_t capacity, size_t *n, sm_search_counts *counts, sm_error *err)
{
    searcher s = {.p = p, .opt = opt, .counts = counts};
    const sm_order_table *orders = NULL;
    double reference_per_rpm = 1;
    sm_predictor_inputs(p, &s.survey, &s.budget, &orders, &reference_per_rpm);
    sm_status st = check(opt, sm_predictor_usable_hz(p), err);
    if (st != SM_OK) {
        return st;
    }
    *counts = (sm_search_counts){0};
    sm_candidate grid[MAX_GRID];
    size_t found = 0;
    int n_hz = opt->natural_hz[1] > opt->natural_hz[0] ? GRID_HZ : 1;
    int n_z = opt->damping_ratio[1] > opt->damping_ratio[0] ? GRID_DAMPING : 1;
    double step_hz = step_of(opt->natural_hz, n_hz);
    double step_z = step_of(opt->damping_ratio, n_z);
    for (int i = 0; i < n_hz; i++) {
        for (int k = 0; k < n_z && found < MAX_GRID; k++) {
            double hz = i == n_hz - 1 ? opt->natural_hz[1] : opt->natural_hz[0] * pow(step_hz, i);
            double z =
                k == n_z - 1 ? opt->damping_ratio[1] : opt->damping_ratio[0] * pow(step_z, k);
            found += evaluate(&s, hz, z, &grid[found]);
        }
    }
    qsort(grid, found, sizeof *grid, by_margin);
    for (size_t i = 0; i < found && i < REFINED; i++) { /* the second hill may be the higher one */
        refine(&s, step_hz, step_z, &grid[i]);
    }
    qsort(grid, found, sizeof *grid, by_margin);
    found = drop_twins(grid, found, step_hz, step_z);
    *n = found < capacity ? found : capacity;
    for (size_t i = 0; i < *n; i++) {
        best[i] = grid[i];
    }
    return SM_OK;
}
