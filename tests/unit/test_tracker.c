/* Order tracking against closed form: amplitude, phase, close orders, noise, gaps. */
#include "core/util.h"
#include "sm_test.h"
#include "stillmount/stats.h"
#include "stillmount/tracker.h"

#include <stdlib.h>
#include <string.h>

#define GEARED                                                                                     \
    "[powertrain]\nname = t\n[engine]\ncycle = four-stroke\ncylinders = 4\n"                       \
    "[gearbox]\nratio = 51/21\n[propeller]\nblades = 3\n"

/* A test signal: crank speed runs linearly, each line has an amplitude and a phase. */
typedef struct line {
    const char *label;
    double amp;
    double phase_deg;
} line;

typedef struct tracked {
    size_t n_points;
    double worst; /* largest relative error of the amplitude, of the lines given */
    double worst_deg;
    double sum2; /* of the first line: mean square amplitude */
    const sm_order_table *table;
    const line *lines;
    size_t n_lines;
} tracked;

static sm_status see(void *self, const sm_track_point *p, sm_error *err)
{
    (void)err;
    tracked *t = self;
    for (size_t i = 0; i < t->n_lines; i++) {
        if (strcmp(t->table->items[p->i_order].label, t->lines[i].label) != 0) {
            continue;
        }
        double amp = hypot(p->re_pk[0], p->im_pk[0]);
        double deg = atan2(p->im_pk[0], p->re_pk[0]) * 180 / SM_PI - t->lines[i].phase_deg;
        deg -= 360 * floor(deg / 360 + 0.5);
        if (t->lines[i].amp > 0) {
            t->worst = fmax(t->worst, fabs(amp / t->lines[i].amp - 1));
            t->worst_deg = fmax(t->worst_deg, fabs(deg));
        }
        if (i == 0) {
            t->sum2 += amp * amp;
            t->n_points++;
        }
    }
    return SM_OK;
}

typedef struct run {
    double rate_hz;
    double seconds;
    double rpm0;
    double rpm1;
    double noise; /* rms */
    double offset;
} run;

static tracked track(const char *powertrain, const line *lines, size_t n_lines, const run *r)
{
    sm_powertrain p;
    static sm_order_table table;
    sm_error err = {0};
    assert_ok(sm_powertrain_parse(powertrain, strlen(powertrain), "p", &p, &err), &err);
    assert_ok(sm_powertrain_orders(&p, 1e9, NULL, 0, &table, &err), &err);
    tracked t = {.table = &table, .lines = lines, .n_lines = n_lines};
    sm_tracker *tracker = NULL;
    size_t pick = 0;
    assert_ok(sm_tracker_open(&table, &pick, 1, r->rate_hz, see, &t, &tracker, &err), &err);
    sm_sink sink = sm_tracker_sink(tracker);
    static double x[1000];
    static double theta[1000];
    static double rpm[1000];
    sm_rng rng = sm_rng_seed(3);
    size_t total = (size_t)(r->seconds * r->rate_hz);
    for (size_t at = 0; at < total; at += 1000) {
        for (size_t i = 0; i < 1000; i++) {
            double s = (double)(at + i) / r->rate_hz;
            rpm[i] = r->rpm0 + (r->rpm1 - r->rpm0) * s / r->seconds;
            theta[i] = (r->rpm0 * s + (r->rpm1 - r->rpm0) * s * s / (2 * r->seconds)) / 60;
            x[i] = r->offset + r->noise * sm_rng_normal(&rng);
            for (size_t k = 0; k < n_lines; k++) {
                sm_ratio ratio;
                assert_int_equal(sm_powertrain_order_ratio(&p, lines[k].label, &ratio, NULL), 0);
                x[i] += lines[k].amp * cos(2 * SM_PI * sm_ratio_value(ratio) * theta[i] +
                                           lines[k].phase_deg * SM_PI / 180);
            }
        }
        const double *rows[1] = {x};
        sm_block b = {.n_rows = 1000,
                      .n_channels = 1,
                      .x = rows,
                      .theta_rev = theta,
                      .rpm = rpm,
                      .t0_s = (double)at / r->rate_hz,
                      .rate_hz = r->rate_hz};
        assert_int_equal(sink.push(sink.self, &b, &err), SM_OK);
    }
    sm_tracker_close(&tracker);
    return t;
}

static void test_tracker__many_orders_on_a_sweep(void **state)
{
    (void)state;
    /* Closed form; 80 crank rpm per second, crank 0.5 beside prop 1, crank 2 beside prop 5. */
    static const line lines[] = {{"crank 0.5", 0.4, 20},
                                 {"prop 1", 1.0, -70},
                                 {"crank 1", 0.7, 130},
                                 {"prop 3 (blade pass)", 2.0, 10},
                                 {"crank 2 (firing)", 3.0, 45},
                                 {"prop 5", 0.5, 170},
                                 {"prop 6 (blade pass x 2)", 0.3, -30},
                                 {"crank 2.5", 0.2, 77}};
    run r = {2000, 47.5, 1800, 5600, 0, 9.80665};
    tracked t = track(GEARED, lines, 8, &r);
    assert_true(t.n_points > 200);
    assert_close(t.worst, 0, 0.01, "relative amplitude error"); /* contract: 0.3 dB = 3.5 % */
    assert_close(t.worst_deg, 0, 0.6, "phase error, degrees");
}

static void test_tracker__published_sweep(void **state)
{
    (void)state;
    /* Parameters of example 12.7.1 in Brandt, Noise and Vibration Analysis, 2011: 10 to 100 Hz in
       30 s at 2000 Hz, orders 1, 2, 3 with rms 1, 0.5, 0.25, flat over speed. */
    static const char one[] = "[powertrain]\n[propeller]\nblades = 3\n";
    const double a = sqrt(2.0);
    const line lines[] = {{"prop 1", a, -90}, {"prop 2", a / 2, -90}, {"prop 3", a / 4, -90}};
    run r = {2000, 30, 600, 6000, 0, 0};
    tracked t = track(one, lines, 2, &r);
    assert_true(t.n_points > 350); /* 1650 revolutions, a point every four */
    assert_close(t.worst, 0, 0.002, "order amplitude");
}

static void test_tracker__noise_gives_the_predicted_scatter(void **state)
{
    (void)state;
    /* White noise of variance s2 at rate fs has N = 2 s2/fs; E|X|^2 = 2 * 1.5 N/T * inflation^2. */
    static const line lines[] = {{"crank 3.5", 0, 0}};
    run r = {1000, 400, 3000, 3000, 1, 0};
    tracked t = track(GEARED, lines, 1, &r);
    double expected = 2 * 1.5 * (2.0 / 1000) / (16 / 50.0);
    /* about 2,500 points, 4 of them to one independent one: sd 4 %, allow 3 sd and 5 % inflation */
    assert_close(t.sum2 / (double)t.n_points / expected, 1.03, 0.13, "noise power");
}

static void test_plan__windows_follow_the_spacing(void **state)
{
    (void)state;
    sm_powertrain p;
    sm_order_table table;
    sm_error err = {0};
    assert_ok(sm_powertrain_parse(GEARED, strlen(GEARED), "p", &p, &err), &err);
    assert_ok(sm_powertrain_orders(&p, 1e9, NULL, 0, &table, &err), &err);
    sm_tracker *t = NULL;
    size_t pick = 0;
    assert_ok(sm_tracker_open(&table, &pick, 1, 1000, see, NULL, &t, &err), &err);
    const sm_track_plan *plans = sm_tracker_plans(t);
    for (size_t i = 0; i < table.n; i++) {
        double d = INFINITY;
        d = i ? fmin(d, table.items[i].order - table.items[i - 1].order) : d;
        d = i + 1 < table.n ? fmin(d, table.items[i + 1].order - table.items[i].order) : d;
        assert_true(plans[i].merged_into < 0);
        /* half an order apart: 16 turns are plenty; 0.03 apart: they are not */
        assert_true(d < 0.4 || plans[i].window_rev == 16);
        assert_true(d > 0.04 || plans[i].window_rev > 16);
        assert_true(plans[i].inflation <= 1.25);
    }
    sm_tracker_close(&t);
}

static void test_plan__inseparable_orders_are_merged(void **state)
{
    (void)state;
    static const char close[] = "[powertrain]\n[engine]\ncylinders = 4\n[gearbox]\nratio = 2.01\n"
                                "[propeller]\nblades = 2\n";
    sm_powertrain p;
    sm_order_table table;
    sm_error err = {0};
    assert_ok(sm_powertrain_parse(close, strlen(close), "p", &p, &err), &err);
    assert_ok(sm_powertrain_orders(&p, 1e9, NULL, 0, &table, &err), &err);
    sm_tracker *t = NULL;
    size_t pick = 0;
    assert_ok(sm_tracker_open(&table, &pick, 1, 1000, see, NULL, &t, &err), &err);
    sm_ratio prop1;
    assert_ok(sm_powertrain_order_ratio(&p, "prop 1", &prop1, &err), &err);
    sm_ratio half = {1, 2};
    long a = sm_order_table_find(&table, prop1); /* 0.4975 beside 0.5: 400 turns would be needed */
    long b = sm_order_table_find(&table, half);
    const sm_track_plan *plans = sm_tracker_plans(t);
    assert_true(plans[b].merged_into == a);
    sm_tracker_close(&t);
}

static void test_tracker__stops_at_gaps_and_unknown_angle(void **state)
{
    (void)state;
    static const line lines[] = {{"crank 1", 1, 0}};
    sm_powertrain p;
    static sm_order_table table;
    sm_error err = {0};
    assert_ok(sm_powertrain_parse(GEARED, strlen(GEARED), "p", &p, &err), &err);
    assert_ok(sm_powertrain_orders(&p, 1e9, NULL, 0, &table, &err), &err);
    tracked t = {.table = &table, .lines = lines, .n_lines = 1};
    sm_tracker *tracker = NULL;
    size_t pick = 0;
    assert_ok(sm_tracker_open(&table, &pick, 1, 1000, see, &t, &tracker, &err), &err);
    sm_sink sink = sm_tracker_sink(tracker);
    static double x[900];
    static double theta[900];
    static double rpm[900];
    for (size_t i = 0; i < 900; i++) {
        theta[i] = (double)i / 20;
        rpm[i] = 3000;
        x[i] = cos(2 * SM_PI * theta[i]);
    }
    const double *rows[1] = {x};
    sm_block b = {
        .n_rows = 320, .n_channels = 1, .x = rows, .theta_rev = theta, .rpm = rpm, .rate_hz = 1000};
    for (int k = 0; k < 3; k++) { /* 16 turns a stretch: never a whole window */
        assert_int_equal(sink.push(sink.self, &b, &err), SM_OK);
        assert_int_equal(sink.mark(sink.self, SM_MARK_GAP, 0, &err), SM_OK);
    }
    assert_int_equal(t.n_points, 0);
    theta[450] = NAN;
    b.n_rows = 900;
    assert_int_equal(sink.push(sink.self, &b, &err), SM_OK);
    size_t before = t.n_points;
    assert_true(before > 0 && before < 6);
    assert_close(t.worst, 0, 0.01, "amplitude beside the hole");
    sm_tracker_close(&tracker);
}

/* The same channel alone through a borrowing tracker: what it borrows does not depend on channels,
 * so its points are the same to the last bit. */
static void test_tracker__like_another_gives_the_same_points(void **state)
{
    (void)state;
    sm_powertrain p;
    static sm_order_table table;
    sm_error err = {0};
    assert_ok(sm_powertrain_parse(GEARED, strlen(GEARED), "p", &p, &err), &err);
    assert_ok(sm_powertrain_orders(&p, 1e9, NULL, 0, &table, &err), &err);
    static const line lines[] = {{"crank 1", 0.7, 130}};
    tracked own = {.table = &table, .lines = lines, .n_lines = 1};
    tracked like = own;
    sm_tracker *a = NULL;
    sm_tracker *b = NULL;
    assert_ok(sm_tracker_open(&table, (size_t[]){1}, 1, 2000, see, &own, &a, &err), &err);
    assert_ok(sm_tracker_open_like(a, (size_t[]){1}, 1, see, &like, &b, &err), &err);
    sm_sink to_a = sm_tracker_sink(a);
    sm_sink to_b = sm_tracker_sink(b);
    static double x[2][1000];
    static double theta[1000];
    static double rpm[1000];
    for (size_t k = 0; k < 40; k++) { /* 20 s at 3000 rpm; channel 0 is not a number */
        for (size_t i = 0; i < 1000; i++) {
            rpm[i] = 3000;
            theta[i] = 50 * (double)(k * 1000 + i) / 2000;
            x[0][i] = NAN;
            x[1][i] = 0.7 * cos(2 * SM_PI * (theta[i] + 130.0 / 360));
        }
        sm_block block = {.n_rows = 1000,
                          .n_channels = 2,
                          .x = (const double *[]){x[0], x[1]},
                          .theta_rev = theta,
                          .rpm = rpm,
                          .t0_s = (double)k / 2,
                          .rate_hz = 2000};
        assert_ok(to_b.push(to_b.self, &block, &err), &err);
        assert_ok(to_a.push(to_a.self, &block, &err), &err);
        assert_true(sm_tracker_done_s(a) == sm_tracker_done_s(b));
    }
    sm_tracker_close(&b);
    sm_tracker_close(&a);
    assert_true(own.n_points > 50);
    assert_int_equal(like.n_points, own.n_points);
    assert_true(like.sum2 == own.sum2 && like.worst == own.worst);
    assert_close(like.worst, 0, 0.001, "amplitude"); /* tracker.h: constant order */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_tracker__many_orders_on_a_sweep),
        cmocka_unit_test(test_tracker__published_sweep),
        cmocka_unit_test(test_tracker__noise_gives_the_predicted_scatter),
        cmocka_unit_test(test_plan__windows_follow_the_spacing),
        cmocka_unit_test(test_plan__inseparable_orders_are_merged),
        cmocka_unit_test(test_tracker__like_another_gives_the_same_points),
        cmocka_unit_test(test_tracker__stops_at_gaps_and_unknown_angle),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
