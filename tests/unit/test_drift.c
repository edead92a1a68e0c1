/* drift: coning, sculling, lean, integrators, against closed forms and quaternion integration. */
#include "core/alloc.h"
#include "motion_feed.h"
#include "stillmount/motion.h"
#include "stillmount/stats.h"

#include <stdlib.h>

#define DEG FEED_DEG
#define DEG_H (3600 / DEG)

/* Sinusoids on every channel plus noise; enough for all cases here. */
enum { MOST_TONES = 4 };

typedef struct tone {
    int channel;
    double pk;
    double hz;
    double phase_rad;
} tone;

typedef struct scene {
    tone tones[2 * MOST_TONES];
    size_t n_tones;
    double noise[FEED_CHANNELS]; /* rms per sample */
    sm_rng rng;
    double rpm;
    double rpm_per_s;
    double clip_g; /* accelerometer range, 0 = none */
    bool level;    /* gravity on z */
} scene;

static void scene_row(void *self, double t_s, double x[FEED_CHANNELS], double *rpm)
{
    scene *s = self;
    *rpm = s->rpm + s->rpm_per_s * t_s;
    for (size_t i = 0; i < s->n_tones; i++) {
        const tone *o = &s->tones[i];
        x[o->channel] += o->pk * cos(2 * SM_PI * o->hz * t_s + o->phase_rad);
    }
    x[5] += s->level ? -SM_G0_M_S2 : 0;
    for (int i = 0; i < FEED_CHANNELS; i++) {
        if (s->noise[i] > 0) {
            x[i] += s->noise[i] * sm_rng_normal(&s->rng);
        }
    }
    for (int i = 3; i < 6 && s->clip_g > 0; i++) {
        double r = s->clip_g * SM_G0_M_S2;
        x[i] = fmax(-r, fmin(r, x[i]));
    }
}

static sm_drift *run_opt(scene *s, double rate_hz, double seconds, const sm_channel *channels,
                         const sm_drift_options *opt)
{
    sm_channel own[FEED_CHANNELS];
    sm_error err = {0};
    sm_drift *d = NULL;
    feed_channels(own);
    s->rng = sm_rng_seed(11);
    assert_ok(sm_drift_open(channels ? channels : own, FEED_CHANNELS, rate_hz, opt, &d, &err),
              &err);
    sm_sink sink = sm_drift_sink(d);
    feed(&sink, rate_hz, seconds, scene_row, s);
    return d;
}

/* One band, no speed. */
static sm_drift_band run(scene *s, double rate_hz, double seconds)
{
    sm_drift_options opt = sm_drift_options_default();
    opt.no_speed = true;
    sm_drift *d = run_opt(s, rate_hz, seconds, NULL, &opt);
    sm_drift_band b;
    assert_int_equal(sm_drift_n_bands(d), 1);
    sm_drift_band_get(d, 0, &b);
    sm_drift_close(&d);
    return b;
}

static scene coning(double tx_deg, double ty_deg, double hz, double phase_deg)
{
    double w = 2 * SM_PI * hz;
    return (scene){
        .tones = {{0, tx_deg * DEG * w, hz, 0}, {1, ty_deg * DEG * w, hz, phase_deg * DEG}},
        .n_tones = 2};
}

/*
 * Attitude by integration of the body rates: fourth-order Magnus steps (two Gauss points per step)
 * on a quaternion. The rotation left over after whole periods, divided by the time, is the drift
 * that the closed form -(1/2) W tx ty sin(phase) stands for. Independent of anything in the
 * program.
 */
static double quaternion_rate_z(double tx, double ty, double hz, double phase, int periods)
{
    double w = 2 * SM_PI * hz;
    double q[4] = {1, 0, 0, 0};
    const int steps = 400;
    double h = 1 / hz / steps;
    const double c = sqrt(3.0) / 6;
    for (int i = 0; i < periods * steps; i++) {
        double r[2][3];
        for (int g = 0; g < 2; g++) {
            double t = (i + 0.5 + (g ? c : -c)) * h;
            r[g][0] = tx * w * cos(w * t);
            r[g][1] = ty * w * cos(w * t + phase);
            r[g][2] = 0;
        }
        double v[3];
        for (int k = 0; k < 3; k++) {
            int a = (k + 1) % 3;
            int b = (k + 2) % 3;
            /* body frame: q' = q w / 2, so the commutator enters with + sqrt 3 / 12 h^2 r1 x r2 */
            v[k] = h / 2 * (r[0][k] + r[1][k]) +
                   sqrt(3.0) / 12 * h * h * (r[0][a] * r[1][b] - r[0][b] * r[1][a]);
        }
        double angle = sqrt(v[0] * v[0] + v[1] * v[1] + v[2] * v[2]);
        double f = angle > 0 ? sin(angle / 2) / angle : 0.5;
        double p[4] = {cos(angle / 2), f * v[0], f * v[1], f * v[2]};
        double n[4] = {q[0] * p[0] - q[1] * p[1] - q[2] * p[2] - q[3] * p[3],
                       q[0] * p[1] + q[1] * p[0] + q[2] * p[3] - q[3] * p[2],
                       q[0] * p[2] - q[1] * p[3] + q[2] * p[0] + q[3] * p[1],
                       q[0] * p[3] + q[1] * p[2] - q[2] * p[1] + q[3] * p[0]};
        (void)memcpy(q, n, sizeof q);
    }
    return 2 * atan2(q[3], q[0]) / (periods / hz);
}

/* Closed forms: Goodman & Robinson 1958; the seven rows of our reference table. */
static void test_drift__coning_is_the_closed_form_and_the_quaternion(void **state)
{
    (void)state;
    static const double rows[7][5] = {
        {0.1, 0.1, 50, 90, -98.696044},       {0.05, 0.02, 80, 60, -13.675725},
        {1, 1, 10, 90, -1973.9209},           {0.01, 0.01, 100, 90, -1.973921},
        {0.2, 0.1, 23.3333, -35, 52.835744},  {0.03, 0.05, 40, 0, 0},
        {0.5, 0.3, 26.6667, 120, -683.78625},
    };
    for (size_t i = 0; i < 7; i++) {
        const double *r = rows[i];
        scene s = coning(r[0], r[1], r[2], r[3]);
        sm_drift_band b = run(&s, 1000, 20);
        double z = b.all.coning[2].value * DEG_H;
        double size = 0.5 * 2 * SM_PI * r[2] * r[0] * r[1] * DEG * DEG * DEG_H;
        double whole = quaternion_rate_z(r[0] * DEG, r[1] * DEG, r[2], r[3] * DEG, 200) * DEG_H;
        /* 0.1 % of the amplitude: the lobe's weight 1/f is corrected to second order */
        assert_close(z, r[4], 0.001 * size, "coning about z against the closed form");
        assert_close(z, whole, 0.0015 * size, "coning about z against a quaternion");
        assert_close(b.all.coning[0].value, 0, 1e-12, "nothing about x");
        assert_close(b.all.coning[1].value, 0, 1e-12, "nothing about y");
        assert_true(b.all.coning[2].resolved == (r[3] != 0)); /* in phase: zero, and says so */
        assert_true(b.all.coning[2].lo <= z / DEG_H && b.all.coning[2].hi >= z / DEG_H);
    }
}

static void test_drift__axes_turn_cyclically(void **state)
{
    (void)state;
    for (int k = 0; k < 3; k++) {
        scene s = coning(0.1, 0.1, 50, 90);
        s.tones[0].channel = (k + 1) % 3;
        s.tones[1].channel = (k + 2) % 3;
        sm_drift_band b = run(&s, 2000, 10);
        assert_close(b.all.coning[k].value * DEG_H, -98.696044, 0.1, "coning of a cyclic pair");
    }
}

static void test_drift__several_tones_add(void **state)
{
    (void)state;
    scene s = {.tones = {{0, 8 * DEG, 20, 0},
                         {1, 6 * DEG, 20, 75 * DEG},
                         {0, 5 * DEG, 40, 0},
                         {1, 9 * DEG, 40, -40 * DEG},
                         {0, 3 * DEG, 66.6667, 0},
                         {1, 3 * DEG, 66.6667, 90 * DEG}},
               .n_tones = 6};
    sm_drift_options opt = sm_drift_options_default();
    opt.no_speed = true;
    sm_drift *d = run_opt(&s, 1000, 30, NULL, &opt);
    sm_drift_band b;
    sm_drift_band_get(d, 0, &b);
    assert_close(b.all.coning[2].value * DEG_H, -8.650430, 0.02, "three tones");
    static const double each[3][2] = {
        {20, -11.591110}, {40, 3.615680}, {66.6667, -0.675000}}; /* closed form per tone */
    sm_drift_line lines[8];
    size_t n = sm_drift_lines(d, lines, 8);
    assert_int_equal(n, 3);
    for (size_t i = 0; i < 3; i++) {
        assert_int_equal(lines[i].axis, 2);
        assert_close(lines[i].hz, each[i][0], 0.1, "frequency of a line");
        assert_close(lines[i].coning_rad_s * DEG_H, each[i][1], 0.02 * fabs(each[i][1]),
                     "coning of a line");
    }
    sm_drift_close(&d);
}

/* Sculling <theta x a>: At Aa cos(phase) / 2 for rotation about x and specific force along y. */
static void test_drift__sculling_and_lean(void **state)
{
    (void)state;
    static const double rows[5][5] = {{0.1, SM_G0_M_S2, 0, 0.008557917, 0.0500000},
                                      {0.05, 0.5 * SM_G0_M_S2, 60, 0.001069740, 0.0062500},
                                      {0.2, 2.0, 0, 0.003490659, 0.0203943},
                                      {1.0, SM_G0_M_S2, 30, 0.0741137, 0.433004},
                                      {0.1, 1.0, 90, 0, 0}};
    for (size_t i = 0; i < 5; i++) {
        const double *r = rows[i];
        double w = 2 * SM_PI * 40;
        /* theta = At sin Wt about x: rate At W cos Wt; f_y = Aa sin(Wt + phase) */
        scene s = {.tones = {{0, r[0] * DEG * w, 40, 0}, {4, r[1], 40, r[2] * DEG - SM_PI / 2}},
                   .n_tones = 2};
        sm_drift_band b = run(&s, 1000, 20);
        double tol = 0.002 * 0.5 * r[0] * DEG * r[1];
        assert_close(b.all.sculling[2].value, r[3], tol, "sculling along z");
        /* turned so that it falls into a level axis: y rotates, z shakes, lean about gravity z */
        scene t = {.tones = {{1, r[0] * DEG * w, 40, 0}, {5, r[1], 40, r[2] * DEG - SM_PI / 2}},
                   .n_tones = 2,
                   .level = true};
        b = run(&t, 1000, 20);
        assert_close(b.all.sculling[0].value, r[3], tol, "sculling along x");
        assert_close(b.all.level.value / DEG, r[4], 0.003 * r[4] + 1e-5, "lean");
    }
}

static void test_drift__noise_alone_is_not_resolved(void **state)
{
    (void)state;
    int resolved = 0;
    for (int i = 0; i < 60; i++) {
        sm_drift_options opt = sm_drift_options_default();
        sm_channel own[FEED_CHANNELS];
        sm_error err = {0};
        sm_drift *d = NULL;
        feed_channels(own);
        scene s = {.rpm = 2300, .rng = sm_rng_seed(100 + (uint64_t)i)};
        for (int c = 0; c < 6; c++) {
            s.noise[c] = c < 3 ? 0.3 * DEG : 0.2;
        }
        assert_ok(sm_drift_open(own, FEED_CHANNELS, 400, &opt, &d, &err), &err);
        sm_sink sink = sm_drift_sink(d);
        feed(&sink, 400, 20, scene_row, &s);
        sm_drift_band b;
        sm_drift_band_get(d, 0, &b);
        resolved += b.resolved;
        assert_true(b.assessed && b.all.coning[2].ceiling > 0);
        assert_string_equal(b.reasons[0].code, b.resolved ? "" : "not-resolved");
        sm_drift_close(&d);
    }
    /* chance 1 % per run: three or more of 60 happen once in 44 tries */
    assert_true(resolved <= 2);
}

/* The true coning lies in the 95 % interval about that often, with signal times noise in play. */
static void test_drift__intervals_cover(void **state)
{
    (void)state;
    const int runs = 200;
    int inside = 0;
    double truth = -0.5 * 2 * SM_PI * 60 * 0.01 * 0.01 * DEG * DEG;
    for (int i = 0; i < runs; i++) {
        scene s = coning(0.01, 0.01, 60, 90);
        sm_drift_options opt = sm_drift_options_default();
        opt.no_speed = true;
        opt.skew_s = 0;
        sm_channel own[FEED_CHANNELS];
        sm_error err = {0};
        sm_drift *d = NULL;
        feed_channels(own);
        s.rng = sm_rng_seed(5000 + (uint64_t)i);
        s.noise[0] = s.noise[1] = s.noise[2] = 0.5 * DEG;
        assert_ok(sm_drift_open(own, FEED_CHANNELS, 400, &opt, &d, &err), &err);
        sm_sink sink = sm_drift_sink(d);
        feed(&sink, 400, 15, scene_row, &s);
        sm_drift_band b;
        sm_drift_band_get(d, 0, &b);
        inside += b.all.coning[2].lo <= truth && truth <= b.all.coning[2].hi;
        sm_drift_close(&d);
    }
    /* binomial(200, 0.95): 3 sigma is 9 runs */
    (void)fprintf(stderr, "coverage %.1f %%\n", 100.0 * inside / runs);
    assert_true(inside >= 181);
}

static const char *const geared = "[powertrain]\nname = test\nrpm_of = crank\n[engine]\n"
                                  "cycle = four-stroke\ncylinders = 4\n[gearbox]\nratio = 51/21\n"
                                  "[propeller]\nblades = 3\n";

static sm_powertrain powertrain(void)
{
    sm_powertrain p;
    sm_error err = {0};
    assert_ok(sm_powertrain_parse(geared, strlen(geared), "p", &p, &err), &err);
    return p;
}

/* A held speed: the coning sits on firing (crank 2) and blade pass (prop 3); both are named. */
static void test_drift__lines_bear_their_orders(void **state)
{
    (void)state;
    sm_powertrain p = powertrain();
    double crank = 4800.0 / 60;
    double blade = crank * 21 / 51 * 3;
    scene s = {.tones = {{0, 10 * DEG, 2 * crank, 0},
                         {1, 10 * DEG, 2 * crank, SM_PI / 2},
                         {1, 5 * DEG, blade, 0},
                         {2, 5 * DEG, blade, -SM_PI / 2},
                         {2, 4 * DEG, 52, 0},
                         {0, 4 * DEG, 52, SM_PI / 2}},
               .n_tones = 6,
               .rpm = 4800};
    sm_drift_options opt = sm_drift_options_default();
    opt.powertrain = &p;
    sm_drift *d = run_opt(&s, 1000, 20, NULL, &opt);
    sm_drift_band b;
    assert_int_equal(sm_drift_n_bands(d), 1);
    sm_drift_band_get(d, 0, &b);
    assert_true(b.rpm[0] == 4800 && b.rpm[1] == 5000);
    sm_drift_line lines[8];
    assert_int_equal(sm_drift_lines(d, lines, 8), 3);
    for (size_t i = 0; i < 3; i++) {
        bool firing = lines[i].axis == 2;
        bool prop = lines[i].axis == 0;
        assert_string_equal(lines[i].label, firing ? "crank 2 (firing)"
                                            : prop ? "prop 3 (blade pass)"
                                                   : "unknown");
        double pk = firing ? 10 : prop ? 5 : 4;
        double hz = firing ? 2 * crank : prop ? blade : 52;
        double sign = prop ? 1 : -1;
        assert_close(lines[i].coning_rad_s * DEG_H,
                     sign * pk * pk * DEG * DEG / (4 * SM_PI * hz) * DEG_H,
                     0.01 * pk * pk * DEG * 3600 / (4 * SM_PI * hz), "coning of an order");
        assert_close(lines[i].gyro_pk_rad_s / DEG, pk, 0.02 * pk, "its rate");
    }
    sm_drift_close(&d);
}

/* A sweep: bands in rising order whatever the order of the run; both directions are kept apart. */
static void test_drift__bands_and_directions(void **state)
{
    (void)state;
    scene s = coning(0.02, 0.02, 90, 90);
    s.rpm = 2900;
    s.rpm_per_s = -20;
    sm_drift_options opt = sm_drift_options_default();
    sm_drift *d = run_opt(&s, 1000, 45, NULL, &opt);
    assert_int_equal(sm_drift_n_bands(d), 5);
    double truth = -0.5 * 2 * SM_PI * 90 * 0.02 * 0.02 * DEG * DEG;
    for (size_t i = 0; i < 5; i++) {
        sm_drift_band b;
        sm_drift_band_get(d, i, &b);
        assert_true(b.rpm[0] == 2000 + 200 * (double)i);
        assert_close(b.all.coning[2].value, truth, 0.002 * -truth, "coning of a band");
        assert_close(b.by_direction[SM_DRIFT_DOWN].coning[2].value, truth, 0.002 * -truth,
                     "and of its direction");
        assert_int_equal(b.by_direction[SM_DRIFT_UP].n_frames, 0);
        assert_true(isnan(b.by_direction[SM_DRIFT_UP].coning[2].value));
    }
    sm_drift_band b;
    sm_drift_band_find(d, 5000, 5200, &b);
    assert_false(b.assessed);
    assert_string_equal(b.reasons[0].code, "few-frames");
    sm_drift_close(&d);
}

static bool has_reason(const sm_drift_band *b, const char *code)
{
    for (size_t i = 0; i < b->n_reasons; i++) {
        if (strcmp(b->reasons[i].code, code) == 0) {
            return true;
        }
    }
    return false;
}

/* Too slow: 5300 rpm of this engine fires at 177 Hz; 400 rows a second carry 160 Hz. */
static void test_drift__too_slow_a_log_is_refused(void **state)
{
    (void)state;
    sm_powertrain p = powertrain();
    scene s = coning(0.05, 0.05, 120, 90);
    s.rpm = 5300;
    sm_drift_options opt = sm_drift_options_default();
    for (int with = 0; with < 2; with++) {
        opt.powertrain = with ? &p : NULL;
        sm_drift *d = run_opt(&s, 400, 10, NULL, &opt);
        sm_drift_band b;
        sm_drift_band_get(d, 0, &b);
        assert_false(b.assessed);
        assert_false(b.resolved);
        assert_true(has_reason(&b, "rate-too-low"));
        assert_true(isnan(b.all.coning[2].value) && isnan(b.all.level.value));
        sm_drift_line lines[4];
        assert_int_equal(sm_drift_lines(d, lines, 4), 0);
        sm_drift_close(&d);
    }
    sm_drift_band b = run(&s, 104, 10);
    assert_false(b.assessed);
    assert_true(has_reason(&b, "rate-too-low"));
}

/* A sensor that lets through more than half the rate, unfiltered: nothing can be trusted. */
static void test_drift__a_wide_open_sensor_is_refused(void **state)
{
    (void)state;
    sm_channel channels[FEED_CHANNELS];
    feed_channels(channels);
    channels[1].bandwidth_hz = 800;
    scene s = coning(0.05, 0.05, 60, 90);
    sm_drift_options opt = sm_drift_options_default();
    opt.no_speed = true;
    for (int filtered = 0; filtered < 2; filtered++) {
        channels[1].anti_alias = filtered;
        sm_drift *d = run_opt(&s, 1000, 10, channels, &opt);
        sm_drift_band b;
        sm_drift_band_get(d, 0, &b);
        assert_true(b.assessed == (filtered == 1));
        assert_true(has_reason(&b, "alias-risk") == (filtered == 0));
        sm_drift_close(&d);
    }
}

/* A clipped accelerometer shifts its mean; neither lean nor tilt may come of it. */
static void test_drift__clipping_is_never_a_lean(void **state)
{
    (void)state;
    sm_channel channels[FEED_CHANNELS];
    feed_channels(channels);
    sm_drift_options opt = sm_drift_options_default();
    opt.no_speed = true;
    scene s = {.tones = {{0, 5 * DEG, 40, 0}, {5, 2 * SM_G0_M_S2, 40, 0}},
               .n_tones = 2,
               .level = true,
               .clip_g = 2};
    for (int declared = 0; declared < 2; declared++) {
        sm_findings found = {0};
        channels[5].range_si = declared ? 2 * SM_G0_M_S2 : 0;
        sm_drift *d = run_opt(&s, 1000, 10, channels, &opt);
        if (!declared) { /* ingest saw it */
            (void)sm_findings_add(&found, "clipped", SM_WARNING, "mount.accel.z", 100);
        }
        sm_drift_findings(d, &found);
        sm_drift_band b;
        sm_drift_band_get(d, 0, &b);
        assert_false(b.assessed);
        assert_true(has_reason(&b, "clipped"));
        assert_true(isnan(b.all.level.value) && isnan(b.all.sculling[0].value));
        assert_true(isfinite(b.all.coning[2].value)); /* the gyro is sound */
        sm_drift_close(&d);
        sm_findings_free(&found);
    }
    channels[5].range_si = 0;
    channels[0].range_si = 5 * DEG; /* now the gyro is at its range */
    sm_drift *d = run_opt(&s, 1000, 10, channels, &opt);
    sm_drift_band b;
    sm_drift_band_get(d, 0, &b);
    assert_true(isnan(b.all.coning[2].value) && isnan(b.all.level.value));
    sm_drift_close(&d);
}

static void test_drift__a_missing_axis_is_said(void **state)
{
    (void)state;
    sm_channel channels[FEED_CHANNELS];
    feed_channels(channels);
    channels[2].role = SM_ROLE_IGNORE;
    channels[5].role = SM_ROLE_IGNORE;
    scene s = coning(0.1, 0.1, 50, 90);
    sm_drift_options opt = sm_drift_options_default();
    opt.no_speed = true;
    sm_drift *d = run_opt(&s, 1000, 10, channels, &opt);
    sm_drift_band b;
    sm_drift_band_get(d, 0, &b);
    assert_false(b.assessed);
    assert_true(has_reason(&b, "missing-axis"));
    assert_true(isnan(b.all.coning[0].value) && isnan(b.all.coning[1].value));
    assert_close(b.all.coning[2].value * DEG_H, -98.696044, 0.1, "what two axes do show");
    sm_drift_close(&d);
    for (int i = 0; i < 3; i++) {
        channels[i].role = SM_ROLE_IGNORE;
    }
    sm_error err = {0};
    assert_int_equal(sm_drift_open(channels, FEED_CHANNELS, 1000, &opt, &d, &err), SM_E_VALUE);
    assert_non_null(strstr(err.message, "no gyro"));
    assert_null(d);
    feed_channels(channels);
    assert_int_equal(sm_drift_open(channels, FEED_CHANNELS, (double)NAN, &opt, &d, &err),
                     SM_E_VALUE);
}

/* Blocks of any length, gaps and NaN: only whole frames without either count. */
static void test_drift__gaps_and_missing_samples_cost_frames_only(void **state)
{
    (void)state;
    sm_channel channels[FEED_CHANNELS];
    sm_error err = {0};
    sm_drift *d = NULL;
    feed_channels(channels);
    scene s = coning(0.1, 0.1, 50, 90);
    sm_drift_options opt = sm_drift_options_default();
    opt.no_speed = true;
    assert_ok(sm_drift_open(channels, FEED_CHANNELS, 1000, &opt, &d, &err), &err);
    sm_sink sink = sm_drift_sink(d);
    feed_rows(&sink, 1000, 0, 10400, scene_row, &s);
    assert_ok(sink.mark(sink.self, SM_MARK_GAP, 10.4, &err), &err);
    feed_rows(&sink, 1000, 13210, 10400, scene_row, &s); /* the phase jumps */
    assert_ok(sink.mark(sink.self, SM_MARK_END, 23.61, &err), &err);
    sm_drift_band b;
    sm_drift_band_get(d, 0, &b);
    assert_int_equal(b.all.n_frames, 2 * 19); /* 10 s each, hop one half */
    assert_close(b.all.seconds, 20, 1e-9, "each sample once");
    assert_close(b.all.coning[2].value * DEG_H, -98.696044, 0.1, "coning across a gap");
    sm_drift_close(&d);
}

static void test_drift__an_allocation_that_fails_is_a_status(void **state)
{
    (void)state;
    sm_powertrain p = powertrain();
    sm_channel channels[FEED_CHANNELS];
    feed_channels(channels);
    sm_drift_options opt = sm_drift_options_default();
    opt.powertrain = &p;
    const double bands[2][2] = {{2000, 2200}, {2200, 2400}};
    opt.bands = bands;
    opt.n_bands = 2;
    for (long k = 1;; k++) {
        sm_drift *d = NULL;
        sm_error err = {0};
        sm_alloc_fail_at(k);
        sm_status st = sm_drift_open(channels, FEED_CHANNELS, 500, &opt, &d, &err);
        sm_alloc_fail_at(0);
        if (st == SM_OK) {
            assert_true(k > 10);
            sm_drift_close(&d);
            break;
        }
        assert_int_equal(st, SM_E_NOMEM);
        assert_null(d);
    }
}

/* What the aircraft's sensor would make of it: the record's own numbers against the closed forms.
 */
static void test_drift__sensor_figures(void **state)
{
    (void)state;
    scene s = {.tones = {{0, 10 * DEG, 40, 0},
                         {1, 10 * DEG, 40, SM_PI / 2},
                         {2, 2 * DEG, 102, 0}, /* 2 Hz at 100 samples a second */
                         {3, 0.5 * SM_G0_M_S2 * sqrt(2.0), 60, 0}},
               .n_tones = 4,
               .level = true};
    sm_drift_options opt = sm_drift_options_default();
    opt.no_speed = true;
    sm_drift *d = run_opt(&s, 1000, 20, NULL, &opt);
    sm_motion_sensor sensor;
    sm_error err = {0};
    assert_int_equal(sm_motion_sensor_class("navigation", &sensor, &err), SM_E_VALUE);
    assert_ok(sm_motion_sensor_class("consumer", &sensor, &err), &err);
    assert_true(sensor.typical);
    sensor.rate_hz = 100;
    sensor.levelling_s = 20;
    sensor.vre_g_per_g2 = 1e-3; /* reference: 1 mg/g^2 at 0.5 g rms is 0.0143239 deg */
    sensor.gyro_rad_s_per_g2 = 0.01 * DEG;
    sm_json_doc *doc = NULL;
    bool unassessed = true;
    assert_ok(sm_json_open(&doc), &err);
    sm_drift_json(d, &sensor, doc, sm_json_root(doc), &unassessed);
    assert_false(unassessed);
    const sm_json *band = sm_json_at(sm_json_get(sm_json_root(doc), "bands"), 0);
    const sm_json *o = sm_json_get(band, "sensor");
    assert_close(sm_json_number(sm_json_at(sm_json_get(o, "integrator_sees_deg_per_h"), 2)),
                 -5.10383, 0.01, "what 100 point samples a second see of 40 Hz");
    assert_close(sm_json_number(sm_json_at(sm_json_get(o, "integrator_error_deg_per_h"), 2)),
                 12.5 - 5.10383, 0.02, "and the drift that is left");
    assert_close(sm_json_number(sm_json_get(o, "accel_rectification_tilt_deg")), 0.0143239, 2e-5,
                 "tilt of a rectified accelerometer");
    assert_close(sm_json_number(sm_json_get(o, "gyro_rectification_deg_s")), 0.0025, 1e-6,
                 "g squared bias");
    assert_close(sm_json_number(sm_json_get(o, "gyro_rectification_lean_deg")), 0.05, 1e-4,
                 "bias times time constant");
    const sm_json *alias = sm_json_at(sm_json_get(o, "aliases"), 0);
    assert_close(sm_json_number(sm_json_get(alias, "folds_to_hz")), 2, 1e-6, "fold");
    assert_close(sm_json_number(sm_json_get(alias, "apparent_deg")), 2 / (2 * SM_PI * 2), 2e-3,
                 "apparent angle");
    sm_json_close(&doc);
    sm_drift_close(&d);
}

/* Axes read at different moments make coning of dt x covariance (in-phase motion has none of its
 * own): it is in the interval, and told of a sensor whose skew is given. Rates of 10 and 7 deg/s in
 * phase have the covariance 35 (deg/s)^2; the gyro about y is read 100 us late. */
static void test_drift__axis_skew_is_in_the_interval(void **state)
{
    (void)state;
    const double skew_s = 1e-4;
    const double hz = 40;
    double late = 2 * SM_PI * hz * skew_s;
    scene s = {.tones = {{0, 10 * DEG, hz, 0}, {1, 7 * DEG, hz, -late}}, .n_tones = 2};
    double pseudo = skew_s * 10 * 7 / 2 * DEG * DEG; /* first order in the skew: 1e-4 of it more */
    for (int stated = 0; stated < 2; stated++) {
        sm_drift_options opt = sm_drift_options_default();
        opt.no_speed = true;
        opt.skew_s = stated ? 1.05 * skew_s : 0;
        sm_drift *d = run_opt(&s, 1000, 20, NULL, &opt);
        sm_drift_band b;
        sm_drift_band_get(d, 0, &b);
        assert_close(fabs(b.all.coning[2].value), pseudo, 0.003 * pseudo, "what the skew makes");
        /* known to be that late: nothing is resolved; known to be in step: it would be coning */
        assert_int_equal(b.all.coning[2].resolved, !stated);
        double half = (b.all.coning[2].hi - b.all.coning[2].lo) / 2;
        assert_close(half, stated ? 1.05 * pseudo : 0, 0.003 * pseudo, "its half width");
        sm_motion_sensor sensor = sm_motion_sensor_default();
        sensor.skew_s = skew_s;
        sm_json_doc *doc = NULL;
        sm_error err = {0};
        bool unassessed = true;
        assert_ok(sm_json_open(&doc), &err);
        sm_drift_json(d, &sensor, doc, sm_json_root(doc), &unassessed);
        const sm_json *band = sm_json_at(sm_json_get(sm_json_root(doc), "bands"), 0);
        const sm_json *told = sm_json_get(sm_json_get(band, "sensor"), "axis_skew_deg_per_h");
        assert_close(fabs(sm_json_number(sm_json_at(told, 2))), pseudo * DEG_H,
                     0.003 * pseudo * DEG_H, "what such a sensor would see");
        sm_json_close(&doc);
        sm_drift_close(&d);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_drift__coning_is_the_closed_form_and_the_quaternion),
        cmocka_unit_test(test_drift__axes_turn_cyclically),
        cmocka_unit_test(test_drift__several_tones_add),
        cmocka_unit_test(test_drift__sculling_and_lean),
        cmocka_unit_test(test_drift__noise_alone_is_not_resolved),
        cmocka_unit_test(test_drift__intervals_cover),
        cmocka_unit_test(test_drift__lines_bear_their_orders),
        cmocka_unit_test(test_drift__bands_and_directions),
        cmocka_unit_test(test_drift__too_slow_a_log_is_refused),
        cmocka_unit_test(test_drift__a_wide_open_sensor_is_refused),
        cmocka_unit_test(test_drift__clipping_is_never_a_lean),
        cmocka_unit_test(test_drift__a_missing_axis_is_said),
        cmocka_unit_test(test_drift__gaps_and_missing_samples_cost_frames_only),
        cmocka_unit_test(test_drift__an_allocation_that_fails_is_a_status),
        cmocka_unit_test(test_drift__sensor_figures),
        cmocka_unit_test(test_drift__axis_skew_is_in_the_interval),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
