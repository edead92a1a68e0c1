/* Allan deviation, attitude integrators, the [sensor] file, what folds into the sensor's band:
 * against published sets and tables. */
#include "core/alloc.h"
#include "motion_feed.h"
#include "stillmount/file.h"
#include "stillmount/motion.h"
#include "stillmount/stats.h"

#include <stdlib.h>

#define DEG FEED_DEG
#define DEG_H (3600 / DEG)

/* NIST SP 1065 (Riley 2008), table 30: nine points of NBS Monograph 140. */
static void test_allan__nine_point_set(void **state)
{
    (void)state;
    static const double y[9] = {892, 809, 823, 798, 671, 644, 883, 903, 677};
    double x[10] = {0};
    for (size_t i = 0; i < 9; i++) {
        x[i + 1] = x[i] + y[i];
    }
    assert_close(sm_allan_plain(x, 10, 1, 1), 91.22945, 5e-6, "adev 1");
    assert_close(sm_allan_plain(x, 10, 2, 1), 115.8082, 5e-5, "adev 2");
    assert_close(sm_allan_overlapping(x, 10, 1, 1), 91.22945, 5e-6, "oadev 1");
    assert_close(sm_allan_overlapping(x, 10, 2, 1), 85.95287, 5e-6, "oadev 2");
    assert_true(isnan(sm_allan_overlapping(x, 10, 5, 1)));
    assert_true(isnan(sm_allan_overlapping(x, 10, 0, 1)));
    assert_true(isnan(sm_allan_overlapping(x, 10, SIZE_MAX, 1)));
}

/* NIST SP 1065 section 12.4: 1000 points of a linear congruential generator. m = 1, 10 and 100 are
 * printed there, the rest recomputed from the definition. */
static void test_allan__thousand_point_set(void **state)
{
    (void)state;
    static const struct {
        size_t m;
        double plain;
        double overlapping;
    } table[] = {
        {1, 0.2922319, 0.2922319},   {2, 0.2051016, 0.2010160},   {4, 0.1494271, 0.1447913},
        {8, 0.1101348, 0.1057039},   {10, 0.0996574, 0.0915995},  {16, 0.0623813, 0.0619148},
        {20, 0.0565340, 0.0536997},  {32, 0.0562329, 0.0480821},  {50, 0.0432710, 0.0395018},
        {64, 0.0325499, 0.0362372},  {100, 0.0389780, 0.0324134}, {128, 0.0338552, 0.0276739},
        {200, 0.0121232, 0.0164483},
    };
    double x[1001] = {0};
    int64_t s = 1234567890;
    for (size_t i = 0; i < 1000; i++) {
        x[i + 1] = x[i] + (double)s / 2147483647.0;
        s = 16807 * s % 2147483647;
    }
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        assert_close(sm_allan_plain(x, 1001, table[i].m, 1), table[i].plain, 5.1e-8, "adev");
        assert_close(sm_allan_overlapping(x, 1001, table[i].m, 1), table[i].overlapping, 5.1e-8,
                     "oadev");
    }
}

/* IEEE Std 952 annex C: a sinusoid reads A sin^2(pi f t)/(pi f t), a ramp R t / sqrt 2. */
static void test_allan__sinusoid_and_ramp(void **state)
{
    (void)state;
    enum { N = 40001 };
    static double sine[N];
    static double ramp[N];
    for (int i = 0; i < N; i++) {
        double t = 0.1 * i; /* angle of rate sin(2 pi 0.05 t) */
        sine[i] = -cos(2 * SM_PI * 0.05 * t) / (2 * SM_PI * 0.05);
        ramp[i] = 0.003 * t * t / 2;
    }
    static const double rows[6][2] = {{1, 0.155792},   {2, 0.303959},  {5, 0.636620},
                                      {7.4, 0.724605}, {10, 0.636620}, {20, 0}};
    /* 200 cycles, of which an average leaves up to half a cycle over: 1/(4 pi 200) of the value */
    for (size_t i = 0; i < 6; i++) {
        size_t m = (size_t)(rows[i][0] * 10 + 0.5);
        assert_close(sm_allan_overlapping(sine, N, m, 0.1), rows[i][1], 4e-4, "sinusoid");
    }
    assert_close(sm_allan_overlapping(ramp, N, 10, 0.1), 0.00212132, 1e-8, "ramp, 1 s");
    assert_close(sm_allan_overlapping(ramp, N, 200, 0.1), 0.0424264, 1e-7, "ramp, 20 s");
}

/* A time-interval counter's noise floor and the table that another program printed for it
 * (allan_reference in the shared data: open recording, LGPL-3.0). */
static void test_allan__counter_table(void **state)
{
    (void)state;
    char *text = NULL;
    char *table = NULL;
    size_t n = 0;
    size_t n_table = 0;
    sm_error err = {0};
    if (sm_file_load(SM_TEST_SHARED "/allan_reference/tic_phase.txt", 1 << 24, &text, &n, &err) !=
            SM_OK ||
        sm_file_load(SM_TEST_SHARED "/allan_reference/tic_oadev.txt", 1 << 20, &table, &n_table,
                     &err) != SM_OK) {
        sm_file_text_free(text);
        skip();
    }
    double *x = sm_alloc_array(60000, sizeof *x);
    size_t n_x = 0;
    for (char *line = text; *line && n_x < 60000; line += strcspn(line, "\n"), line += *line != 0) {
        n_x += line[0] != '#' && sm_number_parse(line, text + n, '.', &x[n_x]) != NULL;
    }
    assert_int_equal(n_x, 55688);
    int checked = 0;
    for (char *line = table; *line; line += strcspn(line, "\n"), line += *line != 0) {
        double field[6]; /* factor, tau, points, alpha, min sigma, sigma */
        int n_field = 0;
        const char *p = line;
        while (n_field < 6 && p) {
            p += strspn(p, " \t");
            p = *p == '#' ? NULL : sm_number_parse(p, table + n_table, '.', &field[n_field]);
            n_field += p != NULL;
        }
        if (n_field == 6) {
            char ours[32];
            char theirs[32];
            (void)snprintf(ours, sizeof ours, "%.4e",
                           sm_allan_overlapping(x, n_x, (size_t)field[0], 1));
            (void)snprintf(theirs, sizeof theirs, "%.4e", field[5]);
            assert_string_equal(ours, theirs);
            checked++;
        }
    }
    assert_true(checked > 10);
    sm_free(x);
    sm_file_text_free(text);
    sm_file_text_free(table);
}

static void test_allan__factors_rise_to_a_fifth(void **state)
{
    (void)state;
    size_t m[64];
    size_t n = sm_allan_factors(1000, m, 64);
    assert_int_equal(m[0], 1);
    assert_int_equal(m[n - 1], 200);
    for (size_t i = 1; i < n; i++) {
        assert_true(m[i] > m[i - 1]);
    }
    assert_int_equal(sm_allan_factors(4, m, 64), 0);
    assert_int_equal(sm_allan_factors(1000, m, 3), 3);
}

/* Reference table: rates 10 and 10 deg/s in quadrature; what a rotation vector updated once per
 * sample makes of them. Closed forms of our own, there confirmed numerically. */
static void test_integrator__share_of_sampled_rates(void **state)
{
    (void)state;
    static const double rows[8][5] = {{40, 1000, -12.5, -12.43413, -12.36882},
                                      {40, 200, -12.5, -10.81008, -9.46033},
                                      {60, 200, -8.33333333, -5.70625, -4.20459},
                                      {40, 100, -12.5, -5.10383, -2.92340},
                                      {60, 100, -8.33333333, 5.10383, 1.29929},
                                      {80, 200, -6.25, -2.55191, -1.46170},
                                      {120, 200, -4.16666667, 2.55191, 0.64965},
                                      {26.6666667, 100, -18.75, -14.14351, -11.12928}};
    for (size_t i = 0; i < 8; i++) {
        const double *r = rows[i];
        assert_close(r[2] * sm_integrator_share(SM_INTEGRATOR_POINTS, 1, r[0], r[1]), r[3], 6e-6,
                     "rate samples");
        assert_close(r[2] * sm_integrator_share(SM_INTEGRATOR_INCREMENTS, 1, r[0], r[1]), r[4],
                     6e-6, "increments");
    }
}

/* Residuals of the optimal N-increment corrections, circular coning (from memory after Ignagni and
 * Savage, recomputed with 50 digits): N = 1..4 increments per update of T. */
static void test_integrator__coning_corrections(void **state)
{
    (void)state;
    static const struct {
        double hz;
        double update_s;
        double deg;
        double residual[4];
        double digits[4];
    } rows[] = {
        {40, 0.005, 0.1, {19.200192, 0.391352, 0.00294423, 1.158e-5}, {1e-6, 1e-6, 1e-8, 1e-8}},
        {80, 0.0025, 0.05, {9.600096, 0.195676, 0.00147212, 5.79e-6}, {1e-6, 1e-6, 1e-8, 1e-8}},
        {50, 0.01, 0.1, {98.696044, 14.920240, 0.750878, 0.019165}, {1e-6, 1e-6, 1e-6, 1e-6}},
    };
    for (size_t i = 0; i < 3; i++) {
        double a = rows[i].deg * DEG;
        double truth = a * a * 2 * SM_PI * rows[i].hz / 2 * DEG_H;
        for (int n = 1; n <= 4; n++) {
            double share =
                sm_integrator_share(SM_INTEGRATOR_INCREMENTS, n, rows[i].hz, n / rows[i].update_s);
            assert_close(truth * (1 - share), rows[i].residual[n - 1], rows[i].digits[n - 1],
                         "residual of an n-increment correction");
        }
    }
    assert_true(isnan(sm_integrator_share(SM_INTEGRATOR_POINTS, 2, 40, 1000)));
    assert_true(isnan(sm_integrator_share(SM_INTEGRATOR_POINTS, 1, 200, 100)));
    assert_true(isnan(sm_integrator_share(SM_INTEGRATOR_INCREMENTS, 5, 40, 1000)));
    static const double folds[9][3] = {
        {60, 100, 40},   {80, 100, 20},          {120, 100, 20}, {40, 50, 10},
        {95, 50, 5},     {133.333, 200, 66.667}, {160, 125, 35}, {226.6667, 104, 18.6667},
        {1000, 833, 167}};
    for (size_t i = 0; i < 9; i++) {
        assert_close(sm_fold_hz(folds[i][0], folds[i][1]), folds[i][2], 1e-9, "fold");
    }
}

static void write_text(const char *path, const char *text)
{
    sm_error err = {0};
    assert_ok(sm_file_store(path, text, strlen(text), &err), &err);
}

static void test_motion_sensor__file(void **state)
{
    (void)state;
    const char *path = SM_TEST_SCRATCH "/sensor.ini";
    sm_motion_sensor s;
    sm_error err = {0};
    write_text(path, "[sensor]\nrate_hz = 200\ninput = increments\nconing_order = 3\n"
                     "vre_mg_per_g2 = 0.1\nskew_us = 20\nlevelling_s = 15\n");
    assert_ok(sm_motion_sensor_read(path, &s, &err), &err);
    assert_true(s.rate_hz == 200 && s.coning_order == 3 && s.levelling_s == 15);
    assert_close(s.vre_g_per_g2, 1e-4, 1e-12, "mg per g squared");
    assert_true(isnan(s.gyro_rad_s_per_g));
    write_text(path, "[sensor]\nrate_hz = 200\nconing_order = 3\n");
    assert_int_equal(sm_motion_sensor_read(path, &s, &err), SM_E_VALUE);
    write_text(path, "[sensor]\nrate = 200\n");
    assert_int_equal(sm_motion_sensor_read(path, &s, &err), SM_E_FORMAT);
    assert_int_equal(err.line, 2);
    write_text(path, "[sonsor]\n");
    assert_int_equal(sm_motion_sensor_read(path, &s, &err), SM_E_FORMAT);
    assert_int_equal(sm_motion_sensor_read(SM_TEST_SCRATCH "/none.ini", &s, &err), SM_E_IO);
}

/* An order that sweeps through multiples of the sensor's rate: at the closed-form rpm, and an angle
 * of rate / (2 pi fold), nothing slower than a frame's own bin of 1 Hz. */
typedef struct sweep {
    double rpm;
    double rpm_per_s;
    sm_rng rng;
} sweep;

static void sweep_row(void *self, double t_s, double x[FEED_CHANNELS], double *rpm)
{
    sweep *s = self;
    *rpm = s->rpm + s->rpm_per_s * t_s;
    double turns = (s->rpm * t_s + s->rpm_per_s * t_s * t_s / 2) / 60;
    x[0] = 4 * DEG * cos(2 * SM_PI * 2 * turns) + 0.02 * DEG * sm_rng_normal(&s->rng);
    x[1] = 0.02 * DEG * sm_rng_normal(&s->rng);
    x[2] = 0.02 * DEG * sm_rng_normal(&s->rng);
    x[5] = -SM_G0_M_S2 + 0.01 * sm_rng_normal(&s->rng);
}

static void test_drift__swept_orders_fold_at_their_rpm(void **state)
{
    (void)state;
    static const char machine[] = "[powertrain]\nname = t\n[engine]\ncycle = four-stroke\n"
                                  "cylinders = 4\n[propeller]\nblades = 3\n";
    sm_powertrain p;
    sm_error err = {0};
    assert_ok(sm_powertrain_parse(machine, sizeof machine - 1, "p", &p, &err), &err);
    sweep s = {.rpm = 1300, .rpm_per_s = 10, .rng = sm_rng_seed(3)};
    sm_drift_options opt = sm_drift_options_default();
    opt.powertrain = &p;
    sm_channel channels[FEED_CHANNELS];
    sm_drift *d = NULL;
    feed_channels(channels);
    assert_ok(sm_drift_open(channels, FEED_CHANNELS, 800, &opt, &d, &err), &err);
    sm_sink sink = sm_drift_sink(d);
    feed(&sink, 800, 50, sweep_row, &s); /* crank 2: 43.3 to 60 Hz */
    sm_motion_sensor sensor = sm_motion_sensor_default();
    sensor.rate_hz = 50; /* met at 1500 rpm; within 5 Hz from 1350 to 1650 */
    sm_json_doc *doc = NULL;
    bool unassessed = true;
    assert_ok(sm_json_open(&doc), &err);
    sm_drift_json(d, &sensor, doc, sm_json_root(doc), &unassessed);
    const sm_json *bands = sm_json_get(sm_json_root(doc), "bands");
    size_t seen = 0;
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        const sm_json *band = sm_json_at(bands, i);
        const sm_json *list = sm_json_get(sm_json_get(band, "sensor"), "aliases");
        double lo = sm_json_number(sm_json_at(sm_json_get(band, "rpm"), 0));
        for (size_t k = 0; k < sm_json_size(list); k++) {
            const sm_json *a = sm_json_at(list, k);
            double from = sm_json_number(sm_json_at(sm_json_get(a, "rpm"), 0));
            double to = sm_json_number(sm_json_at(sm_json_get(a, "rpm"), 1));
            double fold = sm_json_number(sm_json_get(a, "folds_to_hz"));
            assert_string_equal(sm_json_string(sm_json_get(a, "label")), "crank 2 (firing)");
            assert_string_equal(sm_json_string(sm_json_get(a, "axis")), "x");
            /* half a frame's sweep, 5 rpm, beyond the frames' middle */
            assert_close(from, fmax(1350, lo), 12, "from that rpm");
            assert_close(to, fmin(1650, lo + 200), 12, "to that rpm");
            double nearest = fabs(fmin(fmax(1500, from), to) - 1500) / 30;
            assert_close(fold, nearest, 0.01, "folds to");
            assert_close(sm_json_number(sm_json_get(a, "apparent_deg")),
                         4 / (2 * SM_PI * fmax(1, fold)), 0.03, "looks like");
            seen++;
        }
        assert_int_equal(sm_json_size(list), 1); /* 1200-1400, 1400-1600, 1600-1800 */
    }
    assert_int_equal(seen, 3);
    sm_json_close(&doc);
    sm_drift_close(&d);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_allan__nine_point_set),
        cmocka_unit_test(test_allan__thousand_point_set),
        cmocka_unit_test(test_allan__sinusoid_and_ramp),
        cmocka_unit_test(test_allan__counter_table),
        cmocka_unit_test(test_allan__factors_rise_to_a_fifth),
        cmocka_unit_test(test_integrator__share_of_sampled_rates),
        cmocka_unit_test(test_integrator__coning_corrections),
        cmocka_unit_test(test_motion_sensor__file),
        cmocka_unit_test(test_drift__swept_orders_fold_at_their_rpm),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
