/*
 * Balance from raw logs. The logs come from a generator of this file that knows nothing of leads,
 * lags or counting: a disc turns in space, seen from the front, one way or the other; weights sit
 * at places of the disc; a sensor looks along a fixed direction; a pulse comes when the mark passes
 * the pick-up.
 */
#include "balance_help.h"
#include "core/alloc.h"
#include "stillmount/stats.h"

#include <complex.h>

#define TURN 6.283185307179586

/* All angles in degrees, counter-clockwise as seen from the front. */
typedef struct rig {
    double gear; /* crank turns per propeller turn */
    int way;     /* +1 turns counter-clockwise, -1 clockwise */
    double prop_rpm;
    double seconds;
    double sweep; /* [rpm/s] */
    double rate_hz;
    double heavy_g, heavy_deg; /* on the disc, from the mark */
    double put_g, put_deg;
    double pickup_deg, sensor_deg; /* in space */
    double noise_m_s2;
    double hunting; /* fraction */
    double lag_s;   /* of the sensor */
    double wander;  /* the vector turns by this much of a turn during the run */
    long pulses;
    double drop;          /* share of pulses lost */
    double column_factor; /* the rpm column speaks of something else */
    bool crank_tach, no_tach, rpm_column;
} rig;

static rig plain(void)
{
    return (rig){.gear = 1,
                 .way = 1,
                 .prop_rpm = 2400,
                 .seconds = 12,
                 .rate_hz = 1000,
                 .heavy_g = 21.3,
                 .heavy_deg = 251,
                 .pickup_deg = 15,
                 .sensor_deg = 100,
                 .noise_m_s2 = 0.2,
                 .hunting = 0.002,
                 .column_factor = 1,
                 .pulses = 1};
}

/* Free mass of 95 kg at 120 mm: a = m r omega^2 / M, and a mode's lag of 25 degrees. */
static double acceleration(const rig *r, double turns, double omega, double g, double deg, double t)
{
    double place = r->way * 360 * (turns + r->wander * t / r->seconds) + r->pickup_deg + deg;
    double a = g * 1e-3 * 0.120 * omega * omega / 95;
    /* The lag follows the force in time, whichever way it turns. */
    return a * cos((place - r->sensor_deg) * TURN / 360 - r->way * 25 * TURN / 360);
}

static const char *write_log(const rig *r, const char *name)
{
    static char path[4][300];
    static int next;
    char *p = path[next++ % 4];
    (void)snprintf(p, sizeof path[0], "%s/%s.csv", SM_TEST_SCRATCH, name);
    FILE *f = fopen(p, "wb");
    assert_non_null(f);
    const char *tach = r->gear != 1 && !r->crank_tach ? "prop_tach" : "tach";
    (void)fprintf(f, "time_s,prop_ay_g%s%s%s\n", r->no_tach ? "" : ",", r->no_tach ? "" : tach,
                  r->rpm_column ? ",rpm" : "");
    sm_rng rng = sm_rng_seed(42);
    double turns = 0.3, crank = 0.1;
    bool lost = false, high_before = false;
    for (long i = 0; i < (long)(r->seconds * r->rate_hz); i++) {
        double t = (double)i / r->rate_hz;
        double rpm = (r->prop_rpm + r->sweep * t) * (1 + r->hunting * sin(TURN * 0.4 * t));
        double omega = TURN * rpm / 60;
        turns += rpm / 60 / r->rate_hz;
        crank += r->gear * rpm / 60 / r->rate_hz;
        double seen = turns - r->lag_s * rpm / 60;
        double x = acceleration(r, seen, omega, r->heavy_g, r->heavy_deg, t) +
                   acceleration(r, seen, omega, r->put_g, r->put_deg, t);
        x += 1.5 * cos(TURN * 0.5 * crank + 1) + 0.8 * cos(TURN * 2 * crank + 2);
        x += 0.6 * cos(TURN * 3 * turns) + r->noise_m_s2 * sm_rng_normal(&rng);
        double pulse = (r->crank_tach ? crank : turns) * (double)r->pulses;
        bool high = pulse - floor(pulse) < 0.12;
        lost = high && !high_before ? sm_rng_uniform(&rng) < r->drop : lost;
        high_before = high;
        (void)fprintf(f, "%.6f,%.6f", t, x / 9.80665);
        if (!r->no_tach) {
            (void)fprintf(f, ",%d", high && !lost);
        }
        if (r->rpm_column) {
            (void)fprintf(f, ",%.1f", rpm * r->gear * r->column_factor);
        }
        (void)fputc('\n', f);
    }
    assert_int_equal(fclose(f), 0);
    return p;
}

static sm_powertrain train;
static sm_balance_logs logs;
static const char *const names[] = {"prop.accel.y"};

static void begin(double gear)
{
    char text[300];
    (void)snprintf(text, sizeof text,
                   "[powertrain]\nname = rig\nrpm_of = %s\n[engine]\ncycle = four-stroke\n"
                   "cylinders = 4\n%s%s\n[propeller]\nblades = 3\n",
                   "crank", gear != 1 ? "[gearbox]\nratio = " : "", gear != 1 ? "51/21" : "");
    assert_ok(sm_powertrain_parse(text, strlen(text), "rig.ini", &train, &err), &err);
    start(NULL);
    logs = (sm_balance_logs){.powertrain = &train,
                             .channels = names,
                             .n_channels = 1,
                             .rpm = (double)NAN,
                             .band_lo = (double)NAN,
                             .band_hi = (double)NAN,
                             .delay_s = (double)NAN};
}

static sm_status take(const rig *r, sm_balance_kind kind, const char *weights)
{
    sm_balance_run one = {.kind = kind};
    if (weights) {
        assert_ok(sm_balance_weights_parse(&job, weights, 0, &one, &err), &err);
    }
    sm_status st = sm_balance_run_measure(write_log(r, "balance-rig"), &logs, &job, &one, &err);
    return st == SM_OK ? sm_balance_job_add(&job, &one, &err) : st;
}

/* Both ways of turning and both ways of counting, direct and geared: the light spot is opposite to
 * the heavy one on the disc, so the right hole follows from the drawing alone. Tolerance: what
 * issue 6 asks for, 0.25 g and 0.7 degrees. */
static void test_run_measure__right_hole_either_way_round(void **state)
{
    (void)state;
    double worst_g = 0, worst_deg = 0;
    for (int i = 0; i < 8; i++) {
        rig r = plain();
        r.way = i & 1 ? 1 : -1;
        r.gear = i & 4 ? 51.0 / 21 : 1;
        bool against = (i & 2) != 0;
        double sign = r.way * (against ? -1 : 1); /* from the drawing to what people count */
        char trial[64];
        begin(r.gear);
        job.weights_against = against;
        job.radius_mm = 120;
        assert_ok(take(&r, SM_BALANCE_ORIGINAL, NULL), &err);
        r.put_g = 15;
        r.put_deg = 90;
        (void)snprintf(trial, sizeof trial, "15 g @ %g", sign * 90);
        assert_ok(take(&r, SM_BALANCE_TRIAL, trial), &err);
        solve();
        assert_true(result.has_correction);
        double want = sign * (251 - 180);
        worst_g = fmax(worst_g, fabs(grams(0) - 21.3));
        worst_deg = fmax(worst_deg, fabs(turn(angle(0), want)));
    }
    (void)printf("worst of 8 jobs: %.3f g, %.3f degrees\n", worst_g, worst_deg);
    assert_close(worst_g, 0, 0.25, "grams");
    assert_close(worst_deg, 0, 0.7, "angle");
}

/* Size and phase of the vector itself against the arithmetic of the rig: v = m r omega / M peak;
 * without noise 0.1 % and 0.1 degree, with a sensor lag of 1 ms taken back by --delay. */
static void test_run_measure__vector_of_a_clean_hold(void **state)
{
    (void)state;
    for (int lag = 0; lag < 2; lag++) {
        rig r = plain();
        r.noise_m_s2 = r.hunting = 0;
        r.lag_s = lag ? 1e-3 : 0;
        begin(1);
        logs.delay_s = r.lag_s;
        assert_ok(take(&r, SM_BALANCE_ORIGINAL, NULL), &err);
        double omega = TURN * 40;
        double v_in_s = 0.0213 * 0.120 * omega / 95 / 0.0254;
        /* acceleration leads the pulse by pickup + heavy - sensor - lag of the mode; velocity is a
         * quarter turn behind. */
        double lead = 15 + 251 - 100 - 25 - 90;
        assert_close(sm_phasor_amplitude(job.runs[0].v[0]) / v_in_s, 1, 1e-3, "in/s peak");
        assert_close(turn(sm_phasor_angle_deg(job.runs[0].v[0]), lead), 0, 0.1, "lead");
        assert_close(job.runs[0].rpm[0], 2400, 0.5, "rpm");
        assert_true(job.runs[0].scatter[0] < 1e-3 * v_in_s && !job.runs[0].wanders);
    }
}

/* A declared bandwidth turns the phase forward by atan(f / fc), a first-order low-pass. */
static void test_run_measure__takes_back_the_filter_lag(void **state)
{
    (void)state;
    rig r = plain();
    r.noise_m_s2 = r.hunting = 0;
    begin(1);
    assert_ok(take(&r, SM_BALANCE_ORIGINAL, NULL), &err);
    sm_phasor bare = job.runs[0].v[0];
    char path[300];
    (void)snprintf(path, sizeof path, "%s/balance-channels.ini", SM_TEST_SCRATCH);
    FILE *f = fopen(path, "wb");
    assert_non_null(f);
    (void)fputs("[column prop_ay_g]\nrole = prop.accel.y\nunit = g\nbandwidth_hz = 100\n", f);
    (void)fclose(f);
    begin(1);
    logs.channels_path = path;
    assert_ok(take(&r, SM_BALANCE_ORIGINAL, NULL), &err);
    assert_close(turn(sm_phasor_angle_deg(job.runs[0].v[0]), sm_phasor_angle_deg(bare)),
                 atan(40.0 / 100) * 360 / TURN, 1e-3, "21.8 degrees");
}

/* A slow sweep through 2300 to 2500 rpm: several speeds at once, each with its own coefficient. */
static void test_run_measure__over_a_band(void **state)
{
    (void)state;
    rig r = plain();
    r.prop_rpm = 2280;
    r.sweep = 12;
    r.seconds = 20;
    begin(1);
    logs.band_lo = 2300;
    logs.band_hi = 2500;
    assert_ok(take(&r, SM_BALANCE_ORIGINAL, NULL), &err);
    r.put_g = 15;
    r.put_deg = 90;
    assert_ok(take(&r, SM_BALANCE_TRIAL, "15 g @ 90"), &err);
    assert_true(job.runs[0].n_readings >= 4);
    solve();
    assert_close(grams(0), 21.3, 0.25, "grams");
    assert_close(turn(angle(0), 71), 0, 0.7, "angle");
}

static void test_run_measure__reports_a_vector_that_wanders(void **state)
{
    (void)state;
    rig r = plain();
    r.wander = 0.08; /* 29 degrees during the hold: 14 either side of the mean */
    begin(1);
    assert_ok(take(&r, SM_BALANCE_ORIGINAL, NULL), &err);
    solve();
    assert_true(job.runs[0].wanders && advised("wanders"));
    assert_false(result.stopped);
    r.wander = 0.4;
    begin(1);
    assert_ok(take(&r, SM_BALANCE_ORIGINAL, NULL), &err);
    solve();
    assert_true(advised("wanders") && result.stopped);
    r = plain();
    begin(1);
    assert_ok(take(&r, SM_BALANCE_ORIGINAL, NULL), &err);
    solve();
    assert_false(advised("wanders"));
}

static void refused(const rig *r, double gear, sm_status st, const char *code)
{
    begin(gear);
    err = (sm_error){0};
    (void)take(r, SM_BALANCE_ORIGINAL, NULL);
    assert_string_equal(logs.code, code);
    assert_int_equal(err.code, st);
    assert_int_equal(job.n_runs, 0);
}

static void test_run_measure__refuses_pulses_without_an_angle(void **state)
{
    (void)state;
    rig r = plain();
    r.no_tach = true;
    refused(&r, 1, SM_E_NO_SPEED, "no-pulse");
    r = plain();
    r.gear = 51.0 / 21;
    r.crank_tach = true;
    refused(&r, 51.0 / 21, SM_E_NO_SPEED, "pulse-on-crank");
    r = plain();
    r.drop = 0.3;
    refused(&r, 1, SM_E_NO_SPEED, "pulse-unreliable");
    /* Two marks that nobody declared; an rpm column that the pulses contradict. */
    r = plain();
    r.pulses = 2;
    refused(&r, 1, SM_E_NO_SPEED, "pulse-unreliable");
    r = plain();
    r.rpm_column = true;
    r.column_factor = 2.43;
    refused(&r, 1, SM_E_NO_SPEED, "pulses-disagree");
    r = plain();
    r.seconds = 0.8;
    refused(&r, 1, SM_E_SHORT, "not-held");

    /* The second run at another speed than the first. */
    r = plain();
    begin(1);
    assert_ok(take(&r, SM_BALANCE_ORIGINAL, NULL), &err);
    r.prop_rpm = 2300;
    assert_int_equal(take(&r, SM_BALANCE_TRIAL, "15 g @ 90"), SM_E_SHORT);
    assert_string_equal(logs.code, "not-held");

    static const char *const wrong[] = {"prop.accel.x"};
    begin(1);
    logs.channels = wrong;
    assert_int_equal(take(&r, SM_BALANCE_ORIGINAL, NULL), SM_E_VALUE);
    assert_non_null(strstr(err.message, "prop.accel.y"));
    begin(1);
    logs.n_channels = 0;
    assert_int_equal(take(&r, SM_BALANCE_ORIGINAL, NULL), SM_E_VALUE);
}

/* A long idle must not win over a shorter hold at cruise; the throttle opens within 5 s, which the
 * pulses must survive (they were once counted at half the speed from there on). */
static void test_run_measure__picks_the_hold_that_matters(void **state)
{
    (void)state;
    char path[300];
    (void)snprintf(path, sizeof path, "%s/balance-two.csv", SM_TEST_SCRATCH);
    FILE *f = fopen(path, "wb");
    assert_non_null(f);
    (void)fputs("time_s,prop_ay_g,tach\n", f);
    double turns = 0;
    for (long i = 0; i < 40000; i++) {
        double rpm = i < 25000 ? 1000 : i < 30000 ? 1000 + 0.26 * (double)(i - 25000) : 2300;
        turns += rpm * (1 + 0.002 * sin(0.0025 * (double)i)) / 60e3;
        (void)fprintf(f, "%.3f,%.5f,%d\n", (double)i / 1000, 0.2 * cos(TURN * turns),
                      turns - floor(turns) < 0.1);
    }
    assert_int_equal(fclose(f), 0);
    begin(1);
    sm_balance_run one = {0};
    assert_ok(sm_balance_run_measure(path, &logs, &job, &one, &err), &err);
    assert_close(one.rpm[0], 2300, 1, "cruise, not idle");
    begin(1);
    logs.rpm = 1000;
    assert_ok(sm_balance_run_measure(path, &logs, &job, &one, &err), &err);
    assert_close(one.rpm[0], 1000, 1, "unless asked for");
}

static void test_run_measure__survives_every_failed_allocation(void **state)
{
    (void)state;
    rig r = plain();
    r.seconds = 4;
    const char *path = write_log(&r, "balance-alloc");
    sm_status st = SM_E_NOMEM;
    for (long k = 1; st != SM_OK; k++) {
        sm_balance_run one = {0};
        begin(1);
        sm_alloc_fail_at(k);
        st = sm_balance_run_measure(path, &logs, &job, &one, &err);
        sm_alloc_fail_at(0);
        assert_true(st == SM_OK || one.n_readings == 0);
        assert_true(k < 20000);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_run_measure__right_hole_either_way_round),
        cmocka_unit_test(test_run_measure__vector_of_a_clean_hold),
        cmocka_unit_test(test_run_measure__takes_back_the_filter_lag),
        cmocka_unit_test(test_run_measure__over_a_band),
        cmocka_unit_test(test_run_measure__reports_a_vector_that_wanders),
        cmocka_unit_test(test_run_measure__refuses_pulses_without_an_angle),
        cmocka_unit_test(test_run_measure__picks_the_hold_that_matters),
        cmocka_unit_test(test_run_measure__survives_every_failed_allocation),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
