/*
 * Real recordings, read only, beside the project; skipped when absent. What is expected comes from
 * the notes that lie with each recording (SOURCE.txt) and was measured there by other means.
 */
#include "log_help.h"

#include <unistd.h>

static const double PI = 3.14159265358979323846;

static const char *data(const char *name)
{
    static char path[600];
    (void)snprintf(path, sizeof path, "%s/%s", SM_TEST_SHARED, name);
    if (access(path, R_OK) != 0) {
        skip();
    }
    return path;
}

static void test_car__saturated_start(void **state)
{
    (void)state;
    const char *path = data("car_6axis_2k/car_vibration.csv");
    const char *ini = scratch_text(
        "car.ini", "[column a_x]\nunit = g\nrange = 4 g\n[column a_y]\nunit = g\nrange = 4 g\n"
                   "[column a_z]\nunit = g\nrange = 4 g\n[column g_x]\nunit = deg/s\nrange = 250\n"
                   "[column g_y]\nunit = deg/s\nrange = 250\n[column g_z]\nunit = deg/s\n");
    collected c = {0};
    sm_findings f = {0};
    sm_error err = {0};
    sm_source *s = NULL;
    assert_ok(read_log(path, ini, &c, &f, &s, &err), &err);
    assert_close(c.rate_hz, 2000, 1e-9, "rate from the comment");
    assert_int_equal(c.n, 10000);
    static const char *const gyros[] = {"mount.gyro.x", "mount.gyro.y", "mount.gyro.z"};
    for (size_t i = 0; i < 3; i++) { /* z has no declared range: found from equal samples */
        const sm_finding *clip = sm_findings_get(&f, "clipped", gyros[i]);
        assert_non_null(clip);
        assert_int_equal(clip->count, 32);
        assert_int_equal(clip->severity, SM_BLOCKING);
        const sm_clip_levels *l = sm_source_clip_levels(s, 3 + i);
        assert_true(sm_clip_is(l, c.x[3 + i][0]));
        assert_true(sm_clip_is(l, c.x[3 + i][31]));
        assert_false(sm_clip_is(l, c.x[3 + i][32]));
        assert_null(sm_findings_get(&f, "clipped", "mount.accel.x"));
    }
    collected_free(&c);
    sm_findings_free(&f);
    sm_source_close(&s);
}

static void test_autopilot__gaps(void **state)
{
    (void)state;
    const char *path = data("drone_ulog/sample_sensor_combined.csv");
    collected c = {0};
    sm_findings f = {0};
    sm_error err = {0};
    sm_source *s = NULL;
    assert_ok(read_log(path, NULL, &c, &f, &s, &err), &err);
    const sm_finding *gap = sm_findings_get(&f, "gap", NULL);
    assert_non_null(gap);
    static const double ms[] = {64.8, 32.8, 32.0, 24.8, 12.0, 24.8, 12.0};
    assert_int_equal(gap->count, 7);
    for (size_t i = 0; i < 7; i++) {
        assert_close(1000 * (gap->at[i].t1_s - gap->at[i].t0_s), ms[i], 0.05, "gap [ms]");
    }
    assert_non_null(sm_findings_get(&f, "start-up-transient", NULL));
    assert_close(sm_source_totals_get(s)->median_rate_hz, 250.00, 0.005, "median");
    assert_close(sm_source_totals_get(s)->mean_rate_hz, 247.81, 0.005, "mean");
    collected_free(&c);
    sm_findings_free(&f);
    sm_source_close(&s);
}

static void test_hand_held__gaps(void **state)
{
    (void)state;
    const char *path = data("imu9_xio/sensor_data.csv");
    collected c = {0};
    sm_findings f = {0};
    sm_error err = {0};
    sm_source *s = NULL;
    assert_ok(read_log(path, NULL, &c, &f, &s, &err), &err);
    const sm_finding *gap = sm_findings_get(&f, "gap", NULL);
    assert_non_null(gap);
    assert_int_equal(gap->count, 10);
    assert_int_equal(c.n_gaps, 10);
    assert_close(sm_source_totals_get(s)->mean_rate_hz, 99.855, 0.0005, "mean");
    assert_close(sm_source_totals_get(s)->median_rate_hz, 99.21, 0.005, "median");
    collected_free(&c);
    sm_findings_free(&f);
    sm_source_close(&s);
}

/* Amplitude of a sine of known frequency under a Hann window (its neighbours are 20 Hz away). */
static double line_rms(const double *x, size_t n, double hz, double rate)
{
    double re = 0;
    double im = 0;
    double sum = 0;
    for (size_t i = 0; i < n; i++) {
        double w = 0.5 - 0.5 * cos(2 * PI * (double)i / (double)n);
        re += w * x[i] * cos(2 * PI * hz * (double)i / rate);
        im += w * x[i] * sin(2 * PI * hz * (double)i / rate);
        sum += w;
    }
    return sqrt(2.0) * hypot(re, im) / sum;
}

static void test_beam__absolute_scale(void **state)
{
    (void)state;
    const char *path = data("beam_lvm/data_set_3_downsampled_by_32.lvm");
    const char *ini = scratch_text("beam.ini", "[column Voltage]\nrole = drive.accel.x\n"
                                               "unit = m/s^2\n[column Acceleration]\n"
                                               "role = accel.z\nunit = g\ncoupling = ac\n");
    collected c = {0};
    sm_error err = {0};
    assert_ok(read_log(path, ini, &c, NULL, NULL, &err), &err);
    assert_close(c.rate_hz, 1600, 1e-3, "51.2 kHz / 32");
    assert_int_equal(c.n, 31521);
    assert_int_equal(c.n_gaps, 0);
    /* sines of 0.25 V: 0.1768 V rms; the notes give three digits, so 0.5 % */
    static const double hz[] = {100, 120, 150};
    for (size_t i = 0; i < 3; i++) {
        assert_close(line_rms(c.x[0] + 1600, 8000, hz[i], c.rate_hz), 0.25 / sqrt(2), 0.001,
                     "line [V rms]");
    }
    assert_close(line_rms(c.x[0] + 22000, 8000, 100, c.rate_hz), 0.375 / sqrt(2), 0.002, "later");
    collected_free(&c);
}

static void test_wheel__float_noise_in_time(void **state)
{
    (void)state;
    const char *path =
        data("gyro_free_decay/bicycle-wheel-radial-inertia-rate-gyro-measurement.csv");
    const char *ini =
        scratch_text("wheel.ini", "[column angular_velocity]\nrole = gyro.z\nunit = rad/s\n");
    collected c = {0};
    sm_findings f = {0};
    sm_error err = {0};
    assert_ok(read_log(path, ini, &c, &f, NULL, &err), &err);
    assert_close(c.rate_hz, 500, 1e-6, "rate");
    assert_int_equal(c.n_gaps, 0);
    assert_null(sm_findings_get(&f, "jitter", NULL));
    assert_close(c.x[0][0], 3.236790061330015, 1e-12, "first sample");
    collected_free(&c);
    sm_findings_free(&f);
}

static void test_thrust_stand__slow_rpm_log(void **state)
{
    (void)state;
    const char *path = data("thrust_stand_rpm/a1_7.csv");
    collected c = {0};
    sm_error err = {0};
    /* electrical and optical speed would both be rpm; the optical one is all zero: a person says */
    assert_int_equal(read_log(path, NULL, &c, NULL, NULL, &err), SM_E_FORMAT);
    assert_non_null(strstr(err.message, "role = ignore"));
    const char *ini = scratch_text("thrust.ini", "[column Motor Optical Speed (RPM)]\n"
                                                 "role = ignore\n");
    assert_ok(read_log(path, ini, &c, NULL, NULL, &err), &err);
    assert_int_equal(c.n_channels, 1);
    assert_close(c.rate_hz, 10, 1e-9, "an rpm log is given a grid of its own");
    /* the second reading, 3853 rpm at 2.2186 s; a straight line from 0 at 0 s before it */
    assert_close(c.x[0][22], 3853 * 2.2 / 2.2185739715, 0.5, "between two readings");
    collected_free(&c);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_car__saturated_start),
        cmocka_unit_test(test_autopilot__gaps),
        cmocka_unit_test(test_hand_held__gaps),
        cmocka_unit_test(test_beam__absolute_scale),
        cmocka_unit_test(test_wheel__float_noise_in_time),
        cmocka_unit_test(test_thrust_stand__slow_rpm_log),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
