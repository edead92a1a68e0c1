/* A simulated run in arrays, and its one-second spectra, for tests of speed and orders. */
#ifndef SIM_RUN_H
#define SIM_RUN_H

#include "core/alloc.h"
#include "sm_test.h"
#include "stillmount/powertrain.h"
#include "stillmount/simulate.h"
#include "stillmount/spectrum.h"

#include <string.h>

typedef struct sim_run {
    double rate_hz;
    size_t n;
    size_t n_channels;
    double *x[SM_SIM_MAX_CHANNELS];
    double *rpm; /* true, of rpm_of */
    double *theta;
    double *tach;
} sim_run;

static inline sim_run sim_make(const char *text, uint64_t seed)
{
    sm_error err = {0};
    sm_scenario c;
    assert_ok(sm_scenario_parse(text, strlen(text), "test.ini", &c, &err), &err);
    sm_simulator *s = NULL;
    assert_ok(sm_simulator_open(&c, seed, false, &s, &err), &err);
    size_t room = (size_t)(c.seconds * c.rate_hz * 1.05) + 100;
    sim_run r = {.rate_hz = c.rate_hz, .n_channels = c.n_channels};
    r.rpm = sm_alloc_array(room, sizeof(double));
    r.theta = sm_alloc_array(room, sizeof(double));
    r.tach = sm_alloc_array(room, sizeof(double));
    for (size_t i = 0; i < c.n_channels; i++) {
        r.x[i] = sm_alloc_array(room, sizeof(double));
    }
    for (;;) {
        sm_sim_rows rows;
        sm_simulator_next(s, &rows);
        if (rows.n_rows == 0 || r.n + rows.n_rows > room) {
            break;
        }
        memcpy(r.rpm + r.n, rows.true_rpm, rows.n_rows * sizeof(double));
        memcpy(r.theta + r.n, rows.theta_rev, rows.n_rows * sizeof(double));
        if (rows.tach) {
            memcpy(r.tach + r.n, rows.tach, rows.n_rows * sizeof(double));
        }
        for (size_t i = 0; i < c.n_channels; i++) {
            memcpy(r.x[i] + r.n, rows.x[i], rows.n_rows * sizeof(double));
        }
        r.n += rows.n_rows;
    }
    sm_simulator_close(&s);
    return r;
}

static inline void sim_free(sim_run *r)
{
    sm_free(r->rpm);
    sm_free(r->theta);
    sm_free(r->tach);
    for (size_t i = 0; i < r->n_channels; i++) {
        sm_free(r->x[i]);
    }
}

static inline sm_powertrain sim_powertrain(const char *text)
{
    sm_powertrain p;
    sm_error err = {0};
    assert_ok(sm_powertrain_parse(text, strlen(text), "test.ini", &p, &err), &err);
    return p;
}

#define SIM_GEARED                                                                                 \
    "[powertrain]\nname = geared four\nrpm_of = crank\n[engine]\ncycle = four-stroke\n"            \
    "cylinders = 4\n[gearbox]\nratio = 51/21\n[propeller]\nblades = 3\n"                           \
    "[operating]\nidle = 1800\nmax = 5600\n"
#define SIM_DIRECT                                                                                 \
    "[powertrain]\nname = direct four\nrpm_of = crank\n[engine]\ncycle = four-stroke\n"            \
    "cylinders = 4\n[propeller]\nblades = 2\n[operating]\nidle = 750\nmax = 2650\n"

/* Two modes, three axes, noise; strengths are our own invention, scaled like rpm^2. */
#define SIM_MOUNT                                                                                  \
    "[mode a]\nhz = 31\ndamping = 0.06\n[mode b]\nhz = 118\ndamping = 0.03\n"                      \
    "[channel mount.accel.x]\ndirect = 0.5\nmodes = a:0.3 b:0.1\nforce_noise = 2e-5 g^2/Hz\n"      \
    "[channel mount.accel.y]\ndirect = 0.3\nmodes = a:0.5 b:0.2\nforce_noise = 2e-5 g^2/Hz\n"      \
    "[channel mount.accel.z]\ndirect = 0.4\nmodes = a:0.2 b:0.3\nforce_noise = 2e-5 g^2/Hz\n"      \
    "mean = 1 g\n"
#define SIM_GEARED_ORDERS                                                                          \
    "[engine]\nratio = 51/21\n"                                                                    \
    "[order crank 0.5]\nforce = 0.02 g\n[order crank 1]\nforce = 0.08 g\n"                         \
    "[order crank 1.5]\nforce = 0.01 g\n"                                                          \
    "[order crank 2]\nforce = 0.3 g\n[order crank 4]\nforce = 0.1 g\n"                             \
    "[order prop 1]\nforce = 0.1 g\n[order prop 3]\nforce = 0.1 g\n"                               \
    "[order prop 6]\nforce = 0.03 g\n"
#define SIM_DIRECT_ORDERS                                                                          \
    "[order crank 0.5]\nforce = 0.03 g\nreference_rpm = 2500\n"                                    \
    "[order crank 1]\nforce = 0.1 g\nreference_rpm = 2500\n"                                       \
    "[order crank 1.5]\nforce = 0.02 g\nreference_rpm = 2500\n"                                    \
    "[order crank 2]\nforce = 0.3 g\nreference_rpm = 2500\n"                                       \
    "[order crank 4]\nforce = 0.1 g\nreference_rpm = 2500\n"                                       \
    "[order crank 6]\nforce = 0.03 g\nreference_rpm = 2500\n"

#endif
