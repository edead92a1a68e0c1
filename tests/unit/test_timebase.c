/* Clocks, resampling, clipping, several files: what the time base promises, in numbers. */
#include "core/alloc.h"
#include "log_help.h"
#include "stillmount/number.h"
#include "stillmount/stats.h"
#include "timebase/clock.h"
#include "timebase/referee.h"
#include "timebase/resample.h"

static const double PI = 3.14159265358979323846;

static sm_kernel kernel;

/* Error in dB re the sine of interpolating a sine of f/rate between uniform samples. */
static double kernel_error_db(double f)
{
    enum { N = 400 };
    double x[N];
    double e = 0;
    int n = 0;
    for (int i = 0; i < N; i++) {
        x[i] = cos(2 * PI * f * i);
    }
    for (double t = 40.037; t < N - 40; t += 0.618) {
        double d = sm_kernel_at(&kernel, x, N, (size_t)t, t - floor(t)) - cos(2 * PI * f * t);
        e += d * d;
        n++;
    }
    return 10 * log10(e / n * 2);
}

static void test_kernel__follows_sines(void **state)
{
    (void)state;
    /* The study of time bases measured -99 to -105 dB; straight lines between 512 phases cost up
     * to 4 dB of that where the kernel is steepest. */
    static const double f[] = {0.05, 0.1, 0.2, 0.3, 0.4};
    for (size_t i = 0; i < sizeof f / sizeof f[0]; i++) {
        double db = kernel_error_db(f[i]);
        if (db > -94) {
            (void)fprintf(stderr, "f = %g: %.1f dB\n", f[i], db);
            fail();
        }
    }
}

static void test_regrid__follows_sines(void **state)
{
    (void)state;
    enum { N = 1200 };
    static double t[N];
    static double x[N];
    static double y[N];
    static double scratch[N];
    /* kind 0: each stamp off by up to 25 %; kind 1: an irregular timer, 12 % rms per interval, so
     * that stretches are undersampled. Measured values less 6 dB; 0.3 dB of level is -29 dB. */
    static const struct {
        double f;
        double db[2];
    } promised[] = {{0.05, {-96, -58}},
                    {0.1, {-90, -47}},
                    {0.2, {-78, -33}},
                    {0.3, {-66, -19}},
                    {0.4, {-58, -9}}};
    for (size_t k = 0; k < sizeof promised / sizeof promised[0]; k++) {
        for (int kind = 0; kind < 2; kind++) {
            sm_rng r = sm_rng_seed(2 + (uint64_t)kind);
            double at = 0;
            for (int i = 0; i < N; i++) {
                double jitter = kind ? 0.12 * sm_rng_normal(&r) : 0;
                at += 1 + fmax(-0.5, fmin(0.5, jitter));
                double u = (double)(sm_rng_next(&r) >> 11) * 0x1p-53 - 0.5;
                t[i] = at + (kind ? 0 : 0.25 * u * 2);
                x[i] = cos(2 * PI * promised[k].f * t[i] + 0.7);
            }
            double start = ceil(t[0]);
            size_t n_grid = (size_t)(t[N - 1] - start);
            sm_regrid(&kernel, t, x, N, start, 1, y, n_grid < N ? n_grid : N, scratch);
            double e = 0;
            int n = 0;
            for (size_t i = 96; i + 96 < n_grid && i < N; i++) {
                double d = y[i] - cos(2 * PI * promised[k].f * (start + (double)i) + 0.7);
                e += d * d;
                n++;
            }
            double db = 10 * log10(2 * e / n);
            if (!(db <= promised[k].db[kind])) {
                (void)fprintf(stderr, "f = %g, kind %d: %.1f dB\n", promised[k].f, kind, db);
                fail();
            }
        }
    }
}

static void test_slope__is_that_of_least_squares(void **state)
{
    (void)state;
    /* Two segments, y = a + 2k exactly: the shared slope is 2 whatever the intercepts. */
    sm_slope s = {0};
    double run[10];
    for (int i = 0; i < 10; i++) {
        sm_slope_add(&s, i, 5 + 2.0 * i);
        run[i] = 100 + 2.0 * (10 + i);
    }
    sm_slope_break(&s);
    sm_slope_add_run(&s, 10, run, 10);
    assert_close(sm_slope_value(&s, -1), 2, 1e-12, "slope");
}

/* Burst stamps with gaps: rate within 0.1 %, which is what orders need; the gaps are found. */
static void test_clock__bursts_with_lost_rows(void **state)
{
    (void)state;
    enum { N = 4096 };
    static double stamp[N];
    sm_rng r = sm_rng_seed(9);
    double rate = 997.37;
    double lost = 0;
    for (size_t i = 0; i < N; i += 32) {
        if (i == 1600 || i == 2880) {
            lost += 80;
        }
        double u = ((double)(sm_rng_next(&r) >> 11) + 1) * 0x1p-53;
        for (size_t k = i; k < i + 32; k++) {
            stamp[k] = ((double)i + 31 + lost) / rate - 0.002 * log(u);
        }
    }
    sm_clock c;
    assert_int_equal(sm_clock_judge(stamp, N, &c), SM_OK);
    assert_int_equal(c.mode, SM_CLOCK_LATE);
    assert_true(c.burst);
    assert_close(1 / c.period_s, rate, 1e-3 * rate, "rate of bursts");
    sm_clock none;
    double same[4] = {1, 1, 1, 1};
    assert_int_equal(sm_clock_judge(same, 4, &none), SM_E_SHORT);
}

static void test_referee__knows_late_from_true(void **state)
{
    (void)state;
    enum { N = 4096 };
    static double uniform[N];
    static double bent[N];
    static double x_uniform[N];
    static double x_bent[N];
    sm_rng r = sm_rng_seed(21);
    for (int i = 0; i < N; i++) {
        uniform[i] = 0.001 * i;
        bent[i] = uniform[i] + 0.0001 * sm_rng_normal(&r);
        double noise = 0.02 * sm_rng_normal(&r);
        x_uniform[i] =
            cos(2 * PI * 80.3 * uniform[i]) + 0.5 * cos(2 * PI * 161 * uniform[i]) + noise;
        x_bent[i] = cos(2 * PI * 80.3 * bent[i]) + 0.5 * cos(2 * PI * 161 * bent[i]) + noise;
    }
    const double *late[1] = {x_uniform};
    const double *real[1] = {x_bent};
    assert_int_equal(sm_referee(late, 1, bent, N, 0.001), 1);
    assert_int_equal(sm_referee(real, 1, bent, N, 0.001), -1);
    for (int i = 0; i < N; i++) {
        x_bent[i] = sm_rng_normal(&r); /* noise cannot tell */
    }
    assert_int_equal(sm_referee(real, 1, bent, N, 0.001), 0);
}

/* A log of accel x from a function of time, with a way to bend rows. */

static void row(sm_text *t, double stamp, double x, double z)
{
    sm_text_addf(t, "%.6f,%.5f,%.5f\n", stamp, x, z);
}

static double tone(double t)
{
    return 0.5 * cos(2 * PI * 33 * t + 0.3);
}

static const char head[] = "time_s,ax_g,az_g\n";

static const sm_finding *read_text(sm_text *t, collected *c, sm_findings *f, const char *code)
{
    const char *path = scratch_write("clock.csv", t->s, t->n);
    sm_error err = {0};
    collected_free(c);
    sm_findings_free(f);
    assert_ok(read_log(path, NULL, c, f, NULL, &err), &err);
    sm_text_free(t);
    return code ? sm_findings_get(f, code, NULL) : NULL;
}

static void test_gaps__are_marked_not_bridged(void **state)
{
    (void)state;
    collected c = {0};
    sm_findings f = {0};
    sm_text t = {0};
    sm_text_add(&t, head);
    for (int i = 0; i < 9000; i++) {
        if ((i >= 3000 && i < 3005) || (i >= 6000 && i < 6400)) {
            continue;
        }
        row(&t, i * 0.001, tone(i * 0.001), 1);
    }
    const sm_finding *gap = read_text(&t, &c, &f, "gap");
    assert_non_null(gap);
    assert_int_equal(gap->count, 2);
    assert_int_equal(c.n_gaps, 2);
    assert_int_equal(c.n, 9000 - 405);
    assert_close(gap->at[0].t0_s, 2.999, 1e-9, "gap begins");
    assert_close(gap->at[0].t1_s, 3.005, 1e-9, "gap ends");
    assert_int_equal(gap->at[0].line, 3002);
    assert_close(c.t_s[3000], 3.005, 1e-6, "time behind the gap");
    assert_close(c.t_s[c.n - 1], 8.999, 1e-6, "time at the end");
    collected_free(&c);
    sm_findings_free(&f);
}

static void test_repeats_and_restarts(void **state)
{
    (void)state;
    collected c = {0};
    sm_findings f = {0};
    sm_text t = {0};
    sm_text_add(&t, head);
    for (int i = 0; i < 6000; i++) {
        row(&t, i * 0.001, tone(i * 0.001), 1);
        if (i % 1000 == 500) { /* the same row again */
            row(&t, i * 0.001, tone(i * 0.001), 1);
        }
    }
    const sm_finding *dup = read_text(&t, &c, &f, "duplicate-time");
    assert_non_null(dup);
    assert_int_equal(dup->count, 6);
    assert_int_equal(c.n, 6000);
    assert_int_equal(c.n_gaps, 0);

    sm_text_add(&t, head);
    for (int i = 0; i < 8000; i++) { /* the logger starts again after 4 s */
        row(&t, (i % 4000) * 0.001, tone(i * 0.001), 1);
    }
    assert_non_null(read_text(&t, &c, &f, "time-reversed"));
    assert_int_equal(c.n, 8000);
    assert_int_equal(c.n_gaps, 1);
    collected_free(&c);
    sm_findings_free(&f);
}

static void test_counter__overflow_is_undone(void **state)
{
    (void)state;
    collected c = {0};
    sm_findings f = {0};
    sm_text t = {0};
    sm_text_add(&t, "timestamp_us,ax_g\n");
    for (int i = 0; i < 6000; i++) {
        double us = fmod(4294967296.0 - 2.5e6 + i * 1000.0, 4294967296.0);
        sm_text_addf(&t, "%.0f,%.5f\n", us, tone(i * 0.001));
    }
    assert_non_null(read_text(&t, &c, &f, "time-wrapped"));
    assert_int_equal(c.n, 6000);
    assert_int_equal(c.n_gaps, 0);
    assert_close(c.t_s[5999], 5.999, 1e-4, "time runs on");
    collected_free(&c);
    sm_findings_free(&f);
}

static void test_nominal_rate__is_compared(void **state)
{
    (void)state;
    sm_text t = {0};
    sm_text_add(&t, head);
    for (int i = 0; i < 5000; i++) {
        row(&t, i * 0.001 * 1.0323, tone(i * 0.001), 1);
    }
    const char *path = scratch_write("rate.csv", t.s, t.n);
    const char *ini = scratch_text("rate.ini", "[log]\nnominal_rate_hz = 1000\n");
    sm_text_free(&t);
    collected c = {0};
    sm_findings f = {0};
    sm_error err = {0};
    assert_ok(read_log(path, ini, &c, &f, NULL, &err), &err);
    assert_non_null(sm_findings_get(&f, "rate-mismatch", NULL));
    assert_close(c.rate_hz, 1000 / 1.0323, 1e-3, "the stamps rule");
    collected_free(&c);
    sm_findings_free(&f);
    ini = scratch_text("rate.ini", "[log]\nrate_hz = 1000\n");
    assert_ok(read_log(path, ini, &c, &f, NULL, &err), &err);
    assert_non_null(sm_findings_get(&f, "rate-mismatch", NULL));
    assert_close(c.rate_hz, 1000, 1e-3, "the declared rate rules");
    assert_int_equal(c.n_gaps, 0);
    collected_free(&c);
    sm_findings_free(&f);
}

/* Error of a channel against a function of the block's time, relative to its rms, in dB. */
static double error_db(const collected *c, size_t i, double (*truth)(double), double scale,
                       size_t skip)
{
    double e = 0;
    double s = 0;
    for (size_t k = skip; k + skip < c->n; k++) {
        double v = truth(c->t_s[k]) * scale;
        if (!isnan(c->x[i][k])) {
            e += (c->x[i][k] - v) * (c->x[i][k] - v);
            s += v * v;
        }
    }
    return 10 * log10(e / s);
}

static void test_two_rates__in_one_file(void **state)
{
    (void)state;
    /* accel on every row, gyro on every fourth, rpm ten times a second: empty cells between */
    sm_text t = {0};
    sm_text_add(&t, "time_s,ax_g,gx_dps,rpm\n");
    for (int i = 0; i < 8000; i++) {
        double s = i * 0.001;
        sm_text_addf(&t, "%.6f,%.6f,", s, tone(s));
        if (i % 4 == 0) {
            sm_text_addf(&t, "%.6f", tone(s));
        }
        sm_text_add(&t, ",");
        if (i % 100 == 0) {
            sm_text_addf(&t, "%.2f", 1800 + 100 * s);
        }
        sm_text_add(&t, "\n");
    }
    collected c = {0};
    sm_findings f = {0};
    (void)read_text(&t, &c, &f, NULL);
    assert_int_equal(c.n_channels, 3);
    assert_close(c.rate_hz, 1000, 1e-3, "rate");
    assert_null(sm_findings_get(&f, "missing-values", "mount.gyro.x"));
    double db = error_db(&c, 1, tone, PI / 180, 200);
    if (!(db < -55)) { /* 6 digits of a tenth of full scale; the kernel itself does -99 dB */
        (void)fprintf(stderr, "gyro at a quarter of the rate: %.1f dB\n", db);
        fail();
    }
    for (size_t i = 0; i + 200 < c.n; i++) {
        assert_close(c.x[2][i], 1800 + 100 * c.t_s[i], 0.02, "rpm between its readings");
    }
    collected_free(&c);
    sm_findings_free(&f);
}

static void test_foreign_rows__are_not_missing_values(void **state)
{
    (void)state;
    /* every other row belongs to a sensor that is not used: its cells here are empty */
    sm_text t = {0};
    sm_text_add(&t, "time_s,ax_g,pressure_hpa\n");
    for (int i = 0; i < 8000; i++) {
        double s = i * 0.0005;
        if (i % 2) {
            sm_text_addf(&t, "%.6f,,1013\n", s);
        } else {
            sm_text_addf(&t, "%.6f,%.6f,\n", s, tone(s));
        }
    }
    collected c = {0};
    sm_findings f = {0};
    (void)read_text(&t, &c, &f, NULL);
    assert_close(c.rate_hz, 1000, 1e-3, "rate of the rows that count");
    assert_int_equal(c.n, 4000);
    assert_true(error_db(&c, 0, tone, 9.80665, 0) < -80); /* six digits */
    assert_null(sm_findings_get(&f, "missing-values", "mount.accel.x"));
    collected_free(&c);
    sm_findings_free(&f);
}

static void test_rpm_log__pauses_are_not_filled(void **state)
{
    (void)state;
    sm_text t = {0};
    sm_text_add(&t, "time_s,rpm\n");
    for (int i = 0; i < 40; i++) {
        sm_text_addf(&t, "%.1f,%d\n", i * 0.5 + (i >= 20 ? 1e9 : 0), 1800 + i);
    }
    collected c = {0};
    sm_findings f = {0};
    (void)read_text(&t, &c, &f, NULL);
    assert_int_equal(c.n_gaps, 1);
    assert_close((double)c.n, 2 * 96, 4, "two stretches of 9.5 s at 10 Hz");
    assert_close(c.x[0][c.n - 1], 1839, 0.2, "the last reading");
    collected_free(&c);
    sm_findings_free(&f);
}

static double loudness(double t)
{
    return 1 + 0.8 * sin(2 * PI * 0.11 * t) + 0.4 * sin(2 * PI * 0.37 * t + 1);
}

static void write_pair(double offset_s)
{
    sm_text a = {0};
    sm_text b = {0};
    sm_rng r = sm_rng_seed(31);
    sm_text_add(&a, head);
    sm_text_add(&b, "t (ms);gx_dps\n");
    for (int i = 0; i < 30000; i++) {
        double s = i * 0.001;
        row(&a, s, loudness(s) * (tone(s) + 0.1 * sm_rng_normal(&r)), 1);
    }
    for (int i = 0; i < 12000; i++) {
        double s = 2 + i * 0.002; /* starts 2 s later */
        sm_text_addf(&b, "%.3f;%.5f\n", 1000 * (s + offset_s),
                     loudness(s) * (20 * cos(2 * PI * 21 * s) + 2 * sm_rng_normal(&r)));
    }
    (void)scratch_write("pair-a.csv", a.s, a.n);
    (void)scratch_write("pair-b.csv", b.s, b.n);
    sm_text_free(&a);
    sm_text_free(&b);
}

static double second_tone(double t)
{
    return loudness(t) * 20 * cos(2 * PI * 21 * t);
}

static void test_run_file__joins_two_clocks(void **state)
{
    (void)state;
    static const char *const runs[] = {
        "[run]\nname = Left shelf\nnote = wind 4 kt\nrpm_notes = 0:40 1800\n[file pair-a.csv]\n"
        "[file pair-b.csv]\noffset_s = 0.35\n",
        "# found from the vibration\n[run]\n[file pair-a.csv]\n[file pair-b.csv]\n",
    };
    write_pair(0.35);
    for (int k = 0; k < 2; k++) {
        const char *path = scratch_text("pair.run", runs[k]);
        collected c = {0};
        sm_error err = {0};
        sm_source *s = NULL;
        assert_ok(read_log(path, NULL, &c, NULL, &s, &err), &err);
        const sm_source_info *info = sm_source_info_get(s);
        assert_int_equal(info->n_channels, 3);
        assert_int_equal(sm_source_totals_get(s)->n_files, 2);
        assert_string_equal(info->channels[2].name, "mount.gyro.x");
        assert_close(info->channels[2].native_rate_hz, 500, 0.1, "its own rate");
        if (k == 0) {
            assert_string_equal(info->name, "Left shelf");
            assert_string_equal(info->note, "wind 4 kt");
            assert_string_equal(info->rpm_notes, "0:40 1800");
        }
        assert_true(isnan(c.x[2][1000])); /* before the second file begins: missing, not made up */
        assert_true(isnan(c.x[2][29000]));
        double db = error_db(&c, 2, second_tone, PI / 180, 0);
        /* given: only the noise is left (2 of 20 x 0.7: -17 dB); found: 5 ms are 38 deg at 21 Hz */
        if (!(db < (k == 0 ? -15 : -3))) {
            (void)fprintf(stderr, "run file %d: %.1f dB\n%s", k, db, info->decided);
            fail();
        }
        collected_free(&c);
        sm_source_close(&s);
    }
}

static void test_orientation__turns_axes(void **state)
{
    (void)state;
    sm_text t = {0};
    sm_text_add(&t, "time_s,ax_g,ay_g,az_g\n");
    for (int i = 0; i < 4000; i++) {
        sm_text_addf(&t, "%.6f,%.5f,%.5f,%.5f\n", i * 0.001, 0.1 + 0.01 * (i % 7), 0.2, 0.97);
    }
    const char *path = scratch_write("turn.csv", t.s, t.n);
    sm_text_free(&t);
    static const char *const inis[] = {
        "[orientation mount]\naxes = x -z y\n",
        "[orientation mount]\nmatrix = 1 0 0 0 0.8 0.6 0 -0.6 0.8\n",
    };
    for (int k = 0; k < 2; k++) {
        const char *ini = scratch_text("turn.ini", inis[k]);
        collected c = {0};
        sm_error err = {0};
        sm_source *s = NULL;
        assert_ok(read_log(path, ini, &c, NULL, &s, &err), &err);
        double got[3] = {0};
        for (size_t i = 0; i < 3; i++) {
            const char *name = sm_source_info_get(s)->channels[i].name;
            got[name[strlen(name) - 1] - 'x'] = c.x[i][0] / 9.80665;
        }
        assert_close(got[0], 0.1, 1e-6, "x");
        assert_close(got[1], k ? 0.8 * 0.2 + 0.6 * 0.97 : -0.97, 1e-6, "y");
        assert_close(got[2], k ? -0.6 * 0.2 + 0.8 * 0.97 : 0.2, 1e-6, "z");
        collected_free(&c);
        sm_source_close(&s);
    }
}

int main(void)
{
    sm_kernel_make(&kernel);
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_kernel__follows_sines),
        cmocka_unit_test(test_regrid__follows_sines),
        cmocka_unit_test(test_slope__is_that_of_least_squares),
        cmocka_unit_test(test_clock__bursts_with_lost_rows),
        cmocka_unit_test(test_referee__knows_late_from_true),
        cmocka_unit_test(test_gaps__are_marked_not_bridged),
        cmocka_unit_test(test_repeats_and_restarts),
        cmocka_unit_test(test_counter__overflow_is_undone),
        cmocka_unit_test(test_nominal_rate__is_compared),
        cmocka_unit_test(test_two_rates__in_one_file),
        cmocka_unit_test(test_foreign_rows__are_not_missing_values),
        cmocka_unit_test(test_rpm_log__pauses_are_not_filled),
        cmocka_unit_test(test_run_file__joins_two_clocks),
        cmocka_unit_test(test_orientation__turns_axes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
