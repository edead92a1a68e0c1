/* Runs with known shaft angle for the tests of speed and orders: profile, pulses, vibration. */
#ifndef SM_RUN_H
#define SM_RUN_H

#include "core/alloc.h"
#include "stillmount/block.h"
#include "stillmount/powertrain.h"
#include "stillmount/stats.h"

#include <math.h>
#include <stdbool.h>
#include <string.h>

/* A stretch of the profile: straight from the rpm before to this one. */
typedef struct run_leg {
    double seconds;
    double rpm;
} run_leg;

typedef struct run_truth {
    double rate_hz;
    size_t n;
    double *rpm;   /* of the crank, at every row */
    double *theta; /* crank revolutions, by the trapezoidal rule over eight steps a row */
} run_truth;

/* Crank rpm with 0.3 % rms of slow hunting on top (two incommensurate sines), as real ones have. */
static inline double run_rpm_at(double t, double rpm0, const run_leg *legs, size_t n, double hunt)
{
    double rpm = rpm0;
    double t0 = 0;
    for (size_t i = 0; i < n; i++) {
        double u = (t - t0) / legs[i].seconds;
        if (u <= 1 || i + 1 == n) {
            rpm += (legs[i].rpm - rpm) * fmin(u, 1);
            break;
        }
        rpm = legs[i].rpm;
        t0 += legs[i].seconds;
    }
    return rpm * (1 + hunt * (sin(2 * 3.14159265358979 * 0.31 * t) +
                              sin(2 * 3.14159265358979 * 0.83 * t + 1)));
}

static inline run_truth run_make(double rate_hz, double rpm0, const run_leg *legs, size_t n_legs,
                                 double hunt_rms)
{
    double seconds = 0;
    for (size_t i = 0; i < n_legs; i++) {
        seconds += legs[i].seconds;
    }
    run_truth r = {rate_hz, (size_t)(seconds * rate_hz), NULL, NULL};
    r.rpm = sm_alloc_array(r.n, sizeof(double));
    r.theta = sm_alloc_array(r.n, sizeof(double));
    double theta = 0.3;
    double last = run_rpm_at(0, rpm0, legs, n_legs, hunt_rms);
    for (size_t i = 0; i < r.n; i++) {
        r.rpm[i] = last;
        r.theta[i] = theta;
        for (int k = 1; k <= 8; k++) {
            double t = ((double)i + k / 8.0) / rate_hz;
            double v = run_rpm_at(t, rpm0, legs, n_legs, hunt_rms);
            theta += (last + v) / 2 / 60 / (8 * rate_hz);
            last = v;
        }
    }
    return r;
}

static inline void run_free(run_truth *r)
{
    sm_free(r->rpm);
    sm_free(r->theta);
}

/*
 * Pulse level 0/1 (or, with ramp_rev > 0, an analogue pulse whose flanks last ramp_rev): `marks`
 * pulses a turn of a shaft that makes `per_crank` turns a crank turn, each width_rev wide, rising
 * at whole turns + uneven[k]. Of the pulses p_miss are missing and p_double come twice.
 */
static inline void run_tach(const run_truth *r, double per_crank, int marks, const double *uneven,
                            double width_rev, double ramp_rev, double p_miss, double p_double,
                            uint64_t seed, double *level)
{
    sm_rng rng = sm_rng_seed(seed);
    long current = -1;
    bool missing = false;
    bool twice = false;
    for (size_t i = 0; i < r->n; i++) {
        double turn = r->theta[i] * per_crank;
        double best = -1;
        long pulse = 0;
        for (int k = 0; k < marks; k++) {
            double at = (double)k / marks + (uneven ? uneven[k] : 0) - ramp_rev / 2;
            double since = turn - at - floor(turn - at);
            if (best < 0 || since < best) {
                best = since;
                pulse = (long)floor(turn - at) * marks + k;
            }
        }
        if (pulse != current) {
            current = pulse;
            missing = sm_rng_uniform(&rng) < p_miss;
            twice = sm_rng_uniform(&rng) < p_double;
        }
        double v = 0;
        if (ramp_rev > 0) {
            v = fmin(fmin(best / ramp_rev, 1), fmax((width_rev - best) / ramp_rev, 0));
        } else {
            v = best < width_rev;
        }
        if (twice && best > 3 * width_rev && best < 4 * width_rev) {
            v = 1;
        }
        level[i] = missing ? 0 : v;
    }
}

/* A sink that keeps what came. */
typedef struct run_rows {
    double *theta;
    double *rpm;
    double *first; /* first channel, to see that the rows are the right ones */
    size_t n;
    size_t capacity;
    size_t n_pushed; /* set by the caller before each push: rows sent in so far */
    double most_wait_s;
    int n_gaps;
    int n_ends;
    bool order_broken;
} run_rows;

static inline sm_status run_rows_push(void *self, const sm_block *b, sm_error *err)
{
    (void)err;
    run_rows *c = self;
    if (c->n + b->n_rows > c->capacity) {
        return SM_E_ARG;
    }
    if (b->i_row != c->n || fabs(b->t0_s - (double)c->n / b->rate_hz) > 1e-6) {
        c->order_broken = true;
    }
    memcpy(c->theta + c->n, b->theta_rev, b->n_rows * sizeof(double));
    memcpy(c->rpm + c->n, b->rpm, b->n_rows * sizeof(double));
    memcpy(c->first + c->n, b->x[0], b->n_rows * sizeof(double));
    double wait = (double)(c->n_pushed - c->n) / b->rate_hz;
    c->most_wait_s = wait > c->most_wait_s ? wait : c->most_wait_s;
    c->n += b->n_rows;
    return SM_OK;
}

static inline sm_status run_rows_mark(void *self, sm_mark m, double t_s, sm_error *err)
{
    (void)t_s;
    (void)err;
    run_rows *c = self;
    c->n_gaps += m == SM_MARK_GAP;
    c->n_ends += m == SM_MARK_END;
    return SM_OK;
}

static inline run_rows run_rows_make(size_t capacity)
{
    run_rows c = {.capacity = capacity};
    c.theta = sm_alloc_array(capacity, sizeof(double));
    c.rpm = sm_alloc_array(capacity, sizeof(double));
    c.first = sm_alloc_array(capacity, sizeof(double));
    return c;
}

static inline void run_rows_free(run_rows *c)
{
    sm_free(c->theta);
    sm_free(c->rpm);
    sm_free(c->first);
}

/* Sends n rows of channels through a sink in blocks of `step`, with SM_MARK_END. */
static inline sm_status run_send(const sm_sink *sink, const double *const *x, size_t n_channels,
                                 size_t n, double rate_hz, size_t step, size_t gap_at,
                                 run_rows *seen, sm_error *err)
{
    for (size_t i = 0; i < n;) {
        const double *at[SM_MAX_CHANNELS];
        size_t end = i + step < n ? i + step : n;
        end = i < gap_at && end > gap_at ? gap_at : end;
        for (size_t k = 0; k < n_channels; k++) {
            at[k] = x[k] + i;
        }
        sm_block b = {.n_rows = end - i,
                      .n_channels = n_channels,
                      .x = at,
                      .t0_s = (double)i / rate_hz,
                      .rate_hz = rate_hz,
                      .i_row = i};
        if (seen) {
            seen->n_pushed = end;
        }
        sm_status status = sink->push(sink->self, &b, err);
        if (status == SM_OK && end == gap_at && end < n) {
            status = sink->mark(sink->self, SM_MARK_GAP, (double)end / rate_hz, err);
        }
        if (status != SM_OK) {
            return status;
        }
        i = end;
    }
    return sink->mark(sink->self, SM_MARK_END, (double)n / rate_hz, err);
}

/* Fractional rms and worst error of the trusted rows in [from_s, to_s], and how many they are. */
typedef struct run_error {
    double rms;
    double worst;
    double share;
} run_error;

static inline run_error run_compare(const run_truth *r, const run_rows *c, double per_crank,
                                    double from_s, double to_s)
{
    run_error e = {0};
    double n = 0;
    double all = 0;
    for (size_t i = 0; i < c->n; i++) {
        double t = (double)i / r->rate_hz;
        if (t < from_s || t > to_s) {
            continue;
        }
        all += 1;
        if (isnan(c->rpm[i])) {
            continue;
        }
        double d = c->rpm[i] / (r->rpm[i] * per_crank) - 1;
        n += 1;
        e.rms += d * d;
        e.worst = fmax(e.worst, fabs(d));
    }
    e.rms = n > 0 ? sqrt(e.rms / n) : (double)NAN;
    e.share = all > 0 ? n / all : 0;
    return e;
}

#endif
