/* Runs the speed search over a simulated run and compares with its truth. */
#ifndef SIM_SPEED_H
#define SIM_SPEED_H

#include "sim_run.h"
#include "stillmount/estimate.h"

#include <stdio.h>

typedef struct found {
    sm_estimate_result r;
    double rms;   /* of the trusted points, fraction */
    double worst; /* likewise */
    double confidence;
    double wrong; /* share of the trusted points that are off by more than 2 % */
} found;

static inline void channels_of(const sim_run *r, sm_channel *c)
{
    for (size_t i = 0; i < r->n_channels; i++) {
        c[i] = (sm_channel){.role = SM_ROLE_ACCEL, .place = "mount"};
        (void)snprintf(c[i].name, sizeof c[i].name, "mount.accel.%c", (char)('x' + i % 3));
    }
}

static inline found find(const sim_run *r, const sm_powertrain *p, const sm_estimate_options *opt,
                         const char *what)
{
    sm_channel channels[SM_SIM_MAX_CHANNELS];
    channels_of(r, channels);
    sm_error err = {0};
    sm_findings findings = {0};
    sm_estimate *e = NULL;
    assert_ok(sm_estimate_open(channels, r->n_channels, r->rate_hz, p, opt, &e, &err), &err);
    sm_sink sink = sm_estimate_sink(e);
    const double *x[SM_SIM_MAX_CHANNELS];
    for (size_t at = 0; at < r->n; at += 1000) {
        for (size_t i = 0; i < r->n_channels; i++) {
            x[i] = r->x[i] + at;
        }
        sm_block b = {.n_rows = r->n - at < 1000 ? r->n - at : 1000,
                      .n_channels = r->n_channels,
                      .x = x,
                      .t0_s = (double)at / r->rate_hz,
                      .rate_hz = r->rate_hz,
                      .i_row = at};
        assert_ok(sink.push(sink.self, &b, &err), &err);
    }
    assert_ok(sink.mark(sink.self, SM_MARK_END, (double)r->n / r->rate_hz, &err), &err);
    found f = {0};
    assert_ok(sm_estimate_finish(e, &findings, &f.r, &err), &err);
    double n = 0;
    for (size_t i = 0; i < f.r.n_points; i++) {
        size_t row = (size_t)(fmax(f.r.points[i].t_s, 0) * r->rate_hz);
        assert_true(i == 0 || f.r.points[i].t_s > f.r.points[i - 1].t_s);
        if (f.r.points[i].trusted && row < r->n) {
            double d = f.r.points[i].rpm / r->rpm[row] - 1;
            n += 1;
            f.rms += d * d;
            f.worst = fmax(f.worst, fabs(d));
            f.wrong += fabs(d) > 0.02;
        }
    }
    f.confidence = f.r.confidence;
    f.rms = n > 0 ? sqrt(f.rms / n) : 0;
    f.wrong = n > 0 ? f.wrong / n : 0;
    printf("%-34s trusted %.3f rms %.3f %% worst %.2f %% wrong %.4f evidence %.1f margin %.1f "
           "explained %.3f %s\n",
           what, f.r.confidence, 100 * f.rms, 100 * f.worst, f.wrong, f.r.evidence, f.r.margin,
           f.r.explained, f.r.reason);
    sm_findings_free(&findings);
    sm_estimate_close(&e);
    return f;
}

static inline found case_of(const char *what, const char *powertrain, const char *scenario,
                            uint64_t seed)
{
    sm_powertrain p = sim_powertrain(powertrain);
    sim_run r = sim_make(scenario, seed);
    sm_estimate_options opt = sm_estimate_options_default(&p, NAN, NAN);
    found f = find(&r, &p, &opt, what);
    sm_estimate_result_free(&f.r);
    sim_free(&r);
    return f;
}

#define SWEEP_GEARED "[profile]\npoints = 0:1800 5:1800 50:5400 55:5400 75:2000 80:2000\n"
#define SWEEP_DIRECT "[profile]\npoints = 0:800 5:800 50:2600 55:2600 75:900 80:900\n"
#define CLEAN "[scenario]\nnuisances = off\n"

/* A monitor's readings: `rate` per second, `lag_s` late, rounded to 10 rpm, on a clock that is
 * `clock_s` ahead of the run's. */
static inline sm_rpm_log monitor(const sim_run *r, double rate, double lag_s, double clock_s)
{
    sm_text text = {0};
    sm_text_add(&text, "time_s,rpm\n");
    double seconds = (double)r->n / r->rate_hz;
    for (double t = 0.37; t < seconds; t += 1 / rate) {
        double at = fmax(t - lag_s, 0);
        double rpm = 10 * floor(r->rpm[(size_t)(at * r->rate_hz)] / 10 + 0.5);
        sm_text_addf(&text, "%.3f,%.0f\n", t + clock_s, rpm);
    }
    sm_rpm_log log;
    sm_error err = {0};
    assert_ok(sm_rpm_log_parse(text.s, text.n, "monitor.csv", &log, &err), &err);
    sm_text_free(&text);
    return log;
}

#endif
