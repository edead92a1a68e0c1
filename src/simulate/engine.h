/* The engine's speed and angle: profile, hunting, ignition check, cycles. */
#ifndef SM_SIMULATE_ENGINE_H
#define SM_SIMULATE_ENGINE_H

#include "stillmount/simulate.h"
#include "stillmount/stats.h"

typedef struct sm_engine {
    const sm_scenario *scenario;
    sm_rng rng;
    double check_s; /* start of the ignition check; NaN = none */
    double hunting[2];
    double scatter_from[SM_SIM_MAX_SOURCES]; /* gain of this cycle and of the next */
    double scatter_to[SM_SIM_MAX_SOURCES];
    double cycle; /* number of the cycle whose gains are drawn */
} sm_engine;

/* Where the profile puts the rpm at a time, without hunting. */
double sm_engine_profile_rpm(const sm_scenario *s, double t_s);
/* Start of the ignition check; NaN when there is none. */
double sm_engine_check_start(const sm_scenario *s);
void sm_engine_start(sm_engine *e, const sm_scenario *s, uint64_t seed);
/* The rpm (of rpm_of) at t_s, dt_s after the last call: hunting moves on by one step. */
double sm_engine_rpm(sm_engine *e, double t_s, double dt_s);
/* Turns of the crank per turn of the shaft that the scenario's rpm speaks of. */
double sm_engine_crank_per_rpm_of(const sm_scenario *s);
/*
 * Force [m/s^2 peak] of every source at a speed, with scatter, weak cylinder and ignition check.
 */
void sm_engine_forces(sm_engine *e, double t_s, double rpm, double crank_rev, double *force);

#endif
