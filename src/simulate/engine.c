/* Speed over time and force of every order: what the engine does, before any mount. */
#include "simulate/engine.h"

#include "core/util.h"

#include <math.h>

enum { CHECK_SECONDS = 3 };
#define CHECK_EDGE_S 0.4 /* time in which the rpm falls and comes back */
#define HUNTING_HZ 0.6   /* idle and part-throttle hunting is slow: common practice, no source */
#define STOPPED_RPM 1.0  /* below it nothing turns */
#define LONG_HOLD_S 8.0  /* shortest hold that gets an ignition check */
#define SCATTER_LIMIT                                                                              \
    3.0 /* deviations are cut there: no cylinder fires with ten times its push                     \
         */

double sm_engine_profile_rpm(const sm_scenario *s, double t_s)
{
    const sm_sim_pair *p = s->profile;
    if (t_s <= p[0].at) {
        return p[0].value;
    }
    for (size_t i = 1; i < s->n_profile; i++) {
        if (t_s < p[i].at) {
            double u = (t_s - p[i - 1].at) / (p[i].at - p[i - 1].at);
            return p[i - 1].value + u * (p[i].value - p[i - 1].value);
        }
    }
    return p[s->n_profile - 1].value;
}

double sm_engine_check_start(const sm_scenario *s)
{
    return s->nuisances.ignition_drop > 0 ? s->nuisances.ignition_check_s : (double)NAN;
}

double sm_engine_crank_per_rpm_of(const sm_scenario *s)
{
    return s->rpm_of == SM_SHAFT_PROP ? s->gear : 1.0;
}

static double scatter_gain(sm_engine *e)
{
    double sigma = e->scenario->nuisances.scatter_db / 20 * log(10.0);
    double z = sm_rng_normal(&e->rng);
    z = sm_max(-SCATTER_LIMIT, sm_min(SCATTER_LIMIT, z));
    return exp(sigma * z - sigma * sigma / 2); /* mean 1 */
}

static void next_cycle(sm_engine *e)
{
    const sm_scenario *s = e->scenario;
    for (size_t i = 0; i < s->n_sources; i++) {
        e->scatter_from[i] = e->scatter_to[i];
        e->scatter_to[i] = s->sources[i].scatters ? scatter_gain(e) : 1.0;
    }
}

void sm_engine_start(sm_engine *e, const sm_scenario *s, uint64_t seed)
{
    *e = (sm_engine){.scenario = s, .rng = sm_rng_seed(seed), .check_s = sm_engine_check_start(s)};
    next_cycle(e);
    next_cycle(e);
}

/* 1 during the check, 0 outside, straight edges. */
static double check_depth(const sm_engine *e, double t_s)
{
    double u = t_s - e->check_s;
    if (!(u > 0 && u < CHECK_SECONDS)) {
        return 0;
    }
    return sm_min(1, sm_min(u, CHECK_SECONDS - u) / CHECK_EDGE_S);
}

double sm_engine_rpm(sm_engine *e, double t_s, double dt_s)
{
    const sm_scenario *s = e->scenario;
    double rpm = sm_engine_profile_rpm(s, t_s);
    if (s->nuisances.hunting > 0) {
        /* two one-pole filters in a row on white noise: no jumps in speed, rms as asked */
        double a = exp(-2 * SM_PI * HUNTING_HZ * dt_s);
        double drive = sm_rng_normal(&e->rng) * (1 + a) * sqrt((1 - a * a) / (1 + a * a));
        e->hunting[0] = a * e->hunting[0] + drive;
        e->hunting[1] = a * e->hunting[1] + (1 - a) * e->hunting[0];
        rpm *= 1 + s->nuisances.hunting * e->hunting[1];
    }
    return sm_max(0, rpm * (1 - s->nuisances.ignition_drop * check_depth(e, t_s)));
}

static double law_force(const sm_sim_source *o, double rpm)
{
    if (o->n_law == 0) {
        return o->force_m_s2_pk * pow(rpm / o->reference_rpm, o->exponent);
    }
    if (rpm <= o->law[0].at) {
        return o->law[0].value;
    }
    for (size_t i = 1; i < o->n_law; i++) {
        if (rpm < o->law[i].at) {
            double u = (rpm - o->law[i - 1].at) / (o->law[i].at - o->law[i - 1].at);
            return o->law[i - 1].value + u * (o->law[i].value - o->law[i - 1].value);
        }
    }
    return o->law[o->n_law - 1].value;
}

static double firing_order(const sm_scenario *s)
{
    return s->strokes == 4 ? (double)s->cylinders / 2 : (double)s->cylinders;
}

/* Force of the firing order without scatter: what a weak cylinder takes a share of. */
static double firing_force(const sm_scenario *s, double rpm)
{
    for (size_t i = 0; i < s->n_sources; i++) {
        const sm_sim_source *o = &s->sources[i];
        if (!o->fixed && o->shaft == SM_SHAFT_CRANK && o->order == firing_order(s)) {
            return law_force(o, rpm);
        }
    }
    return 0;
}

void sm_engine_forces(sm_engine *e, double t_s, double rpm, double crank_rev, double *force)
{
    const sm_scenario *s = e->scenario;
    double cycles = s->strokes == 4 ? crank_rev / 2 : crank_rev;
    while (e->cycle + 1 <= cycles) {
        e->cycle++;
        next_cycle(e);
    }
    double u = cycles - e->cycle;
    double weak = s->nuisances.weak_cylinder / (double)s->cylinders * firing_force(s, rpm);
    double rough = 1 + check_depth(e, t_s); /* on one ignition the half orders double */
    for (size_t i = 0; i < s->n_sources; i++) {
        const sm_sim_source *o = &s->sources[i];
        bool runs = rpm >= STOPPED_RPM || (o->fixed && o->always);
        double f = !runs ? 0 : o->fixed ? o->force_m_s2_pk : law_force(o, rpm);
        bool uneven = !o->fixed && o->shaft == SM_SHAFT_CRANK &&
                      fabs(o->order / firing_order(s) - round(o->order / firing_order(s))) > 1e-9;
        if (uneven && runs) {
            f = (f + weak) * rough;
        }
        force[i] = f * (e->scatter_from[i] + u * (e->scatter_to[i] - e->scatter_from[i]));
    }
}
