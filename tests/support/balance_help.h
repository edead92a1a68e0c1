/* Balance jobs in a few words, for the tests of that stage. */
#ifndef BALANCE_HELP_H
#define BALANCE_HELP_H

#include "sm_test.h"
#include "stillmount/balance.h"

#include <string.h>

static sm_balance_job job;
static sm_balance_result result;
static sm_error err;

static inline void start(const char *unit)
{
    sm_balance_job_default(&job);
    job.weights_given = true;
    err = (sm_error){0};
    if (unit) {
        assert_ok(sm_balance_unit_parse(&job, unit, &err), &err);
    }
}

static inline sm_status add(sm_balance_kind kind, const char *weights, size_t plane,
                            const char *vector)
{
    sm_balance_run run = {.kind = kind};
    sm_status st = sm_balance_readings_parse(&job, vector, &run, &err);
    if (st == SM_OK && weights) {
        st = sm_balance_weights_parse(&job, weights, plane, &run, &err);
    }
    return st == SM_OK ? sm_balance_job_add(&job, &run, &err) : st;
}

static inline void run(sm_balance_kind kind, const char *weights, size_t plane, const char *vector)
{
    assert_ok(add(kind, weights, plane, vector), &err);
}

static inline void solve(void)
{
    assert_ok(sm_balance_compute(&job, &result, &err), &err);
}

static inline bool advised(const char *code)
{
    for (size_t i = 0; i < result.n_advice; i++) {
        if (strcmp(result.advice[i].code, code) == 0) {
            return true;
        }
    }
    return false;
}

static inline double grams(size_t plane)
{
    return sm_phasor_amplitude(result.correction[plane]);
}

/* As people count it. */
static inline double angle(size_t plane)
{
    double a = sm_phasor_angle_deg(result.correction[plane]);
    return job.weights_against ? fmod(360 - a, 360) : a;
}

static inline double turn(double a, double b)
{
    return remainder(a - b, 360);
}

static inline void propeller(double v0)
{
    char text[64];
    (void)snprintf(text, sizeof text, "%.9g@289", v0);
    start(NULL);
    run(SM_BALANCE_ORIGINAL, NULL, 0, text);
}

#endif
