/* hold: stops and turns of a swing, why a stop is not still, Allan deviation, events. */
#include "core/alloc.h"
#include "stillmount/file.h"
#include "swing_feed.h"

#include <stdlib.h>

/* Five stops and four turns, twice. */
static void check_layout(const sm_hold_result *r)
{
    assert_int_equal(r->n_segments, 18);
    for (size_t i = 0; i < 18; i++) {
        const sm_hold_segment *s = &r->segments[i];
        size_t leg = i % 9;
        double start = (i < 9 ? 0 : LAP_S + START_S) + (double)(leg / 2) * (STOP_S + TURN_S) +
                       (leg % 2 ? STOP_S : 0);
        double length = leg % 2 ? TURN_S : STOP_S;
        assert_int_equal(s->kind, leg % 2 ? SM_HOLD_TURN : i < 9 ? SM_HOLD_OFF : SM_HOLD_IDLE);
        /* within a second: half a second is trimmed, quarter-second slices, one-second smoothing */
        assert_close(s->from_s, start, 1.01, "start of a stretch");
        assert_close(s->to_s, start + length, 1.01, "its end");
        assert_true(s->from_s >= start - 0.5 && s->to_s <= start + length + 0.5);
        if (leg % 2) {
            assert_close(s->turned_rad / DEG, 90, 0.5, "a quarter turn to the right");
        } else {
            for (int k = 0; k < 3 && i < 9; k++) {
                assert_close(s->bias_rad_s[k], bias[k], 0.01 * DEG, "mean rate");
                assert_true(s->bias_lo_rad_s[k] < s->bias_hi_rad_s[k]);
            }
        }
    }
}

static void test_hold__swing_with_a_shaking_engine(void **state)
{
    (void)state;
    swing s = plain_swing();
    s.line_hz = 50; /* twice per revolution at 1500 rpm, sampled fast enough */
    s.line_pk = 0.6 * DEG;
    s.shift = 0.1 * DEG;
    sm_hold_options opt = sm_hold_options_default();
    opt.criteria = strict();
    sm_hold *h = run(400, 2 * LAP_S + START_S, &opt, swing_row, &s);
    sm_hold_result r = result(h);
    check_layout(&r);
    assert_int_equal(r.verdict, SM_HOLD_RESTLESS);
    for (size_t i = 0; i < 18; i += 1) {
        const sm_hold_segment *g = &r.segments[i];
        if (g->kind == SM_HOLD_TURN) {
            continue;
        }
        assert_int_equal(g->still, i < 9);
        double rms = hypot(0.05, i < 9 ? 0 : 0.6 / sqrt(2.0));
        assert_close(g->gyro_rms_rad_s[0] / DEG, rms, 0.05 * rms, "rms about the mean");
        if (i > 8) {
            assert_true(has_reason(g, "gyro-rms") && has_reason(g, "order"));
            assert_string_equal(g->line_label, "2 per revolution");
            assert_close(g->line_hz, 50, 0.05, "the line");
        }
    }
    assert_close(r.turned_rad / DEG, 720, 1.5, "two whole turns");
    assert_close(r.closure_rad / DEG, 0, 1.5, "closure");
    assert_close(r.bias_step_rad_s / DEG, 0.1, 0.02, "the engine shifts the mean rate");
    /* the largest of fifteen differences of means over 9 s of 0.05 deg/s at 400 Hz, and over two
     * such stops: 0.05 sqrt(1.5 / 3600) = 0.001 deg/s; three of that, Student with 8 */
    assert_true(fabs(r.bias_step_rad_s - 0.1 * DEG) < r.bias_step_half_rad_s);
    assert_true(r.bias_step_half_rad_s > 0.0015 * DEG && r.bias_step_half_rad_s < 0.01 * DEG);
    assert_close(r.horizontal_field_t / UT, 20, 0.1, "horizontal field");
    sm_hold_close(&h);
}

/* 50.2 Hz sampled 50 times a second is 0.2 Hz: with the engine off still, at idle not, and why. */
static void test_hold__an_alias_is_named(void **state)
{
    (void)state;
    swing s = plain_swing();
    s.idle_rpm = 1506;
    s.line_hz = 50.2;
    s.line_pk = 0.6 * DEG;
    sm_powertrain p;
    sm_error err = {0};
    const char *text = "[powertrain]\nname = t\n[engine]\ncycle = four-stroke\ncylinders = 4\n"
                       "[propeller]\nblades = 2\n";
    assert_ok(sm_powertrain_parse(text, strlen(text), "t", &p, &err), &err);
    for (int with = 0; with < 2; with++) {
        swing own = s;
        sm_hold_options opt = sm_hold_options_default();
        opt.criteria = strict();
        opt.powertrain = with ? &p : NULL;
        sm_hold *h = run(50, 2 * LAP_S + START_S, &opt, swing_row, &own);
        sm_hold_result r = result(h);
        check_layout(&r);
        assert_int_equal(r.verdict, SM_HOLD_RESTLESS);
        for (size_t i = 0; i < 18; i++) {
            const sm_hold_segment *g = &r.segments[i];
            if (g->kind == SM_HOLD_OFF) {
                assert_int_equal(g->still, 1);
            } else if (g->kind == SM_HOLD_IDLE) {
                assert_int_equal(g->still, 0);
                assert_true(has_reason(g, "alias"));
                assert_string_equal(g->line_label, with ? "alias of crank 2 (firing)"
                                                        : "alias of 2 per revolution");
            }
        }
        sm_hold_close(&h);
    }
}

static void test_hold__rocking_and_knocks_are_told_apart(void **state)
{
    (void)state;
    swing s = plain_swing();
    s.rocking_hz = 0.8;
    s.rocking_pk = 0.5 * DEG;
    sm_hold_options opt = sm_hold_options_default();
    opt.criteria = strict();
    sm_hold *h = run(200, LAP_S, &opt, swing_row, &s);
    sm_hold_result r = result(h);
    assert_int_equal(r.segments[0].kind, SM_HOLD_OFF);
    assert_int_equal(r.segments[0].still, 0);
    assert_true(has_reason(&r.segments[0], "rocking"));
    assert_true(r.segments[0].wander > 3);
    /* within the rocking's own period the rate seems steady: that is no length of a hold */
    assert_false(r.segments[0].useful_s < 1);
    sm_hold_close(&h);
    s = plain_swing();
    s.knock_s = 4.0;
    h = run(200, STOP_S, &opt, swing_row, &s);
    r = result(h);
    assert_int_equal(r.n_segments, 1); /* half a second is bridged */
    assert_int_equal(r.segments[0].still, 0);
    assert_true(r.segments[0].gyro_peak_rad_s[0] > 2.5 * DEG);
    sm_hold_close(&h);
    s = plain_swing(); /* and neither: white noise wanders as white noise does */
    h = run(200, STOP_S, &opt, swing_row, &s);
    r = result(h);
    assert_int_equal(r.verdict, SM_HOLD_STILL);
    assert_close(r.segments[0].wander, 1, 0.6, "scatter of one-second means of white noise");
    assert_true(isnan(r.segments[0].line_hz));
    sm_hold_close(&h);
}

static void gusty_row(void *self, double t_s, double x[FEED_CHANNELS], double *rpm)
{
    double loud = fmod(t_s, 7) >= 4 ? 20 : 1; /* three seconds of seven */
    *rpm = 0;
    for (int k = 0; k < 3; k++) {
        x[k] = 0.02 * DEG * loud * sm_rng_normal(self);
    }
    x[5] = -SM_G0_M_S2;
}

/* Loud and quiet by turns, each shorter than a stretch: one stretch that is not still, not none. */
static void test_hold__no_stop_is_lost_between_gusts(void **state)
{
    (void)state;
    sm_rng rng = sm_rng_seed(8);
    sm_hold_options opt = sm_hold_options_default();
    opt.criteria = strict();
    opt.criteria.seconds = 8;
    sm_hold *h = run(100, 35, &opt, gusty_row, &rng);
    sm_hold_result r = result(h);
    assert_int_equal(r.n_segments, 1);
    assert_true(r.segments[0].to_s - r.segments[0].from_s > 30);
    assert_int_equal(r.segments[0].still, 0);
    assert_int_equal(r.verdict, SM_HOLD_RESTLESS);
    sm_hold_close(&h);
}

static void test_hold__without_criteria_there_is_no_verdict(void **state)
{
    (void)state;
    swing s = plain_swing();
    sm_hold *h = run(100, LAP_S, NULL, swing_row, &s);
    sm_hold_result r = result(h);
    assert_int_equal(r.verdict, SM_HOLD_UNASSESSED);
    assert_int_equal(r.n_segments, 9);
    for (size_t i = 0; i < r.n_segments; i++) {
        assert_int_equal(r.segments[i].still, -1);
    }
    sm_hold_close(&h);
    sm_hold_options opt = sm_hold_options_default();
    opt.criteria = strict();
    opt.criteria.seconds = 60; /* no stop is that long */
    h = run(100, LAP_S, &opt, swing_row, &s);
    assert_int_equal(result(h).verdict, SM_HOLD_UNASSESSED);
    sm_hold_close(&h);
}

/* One axis short: nobody can say that it is still; nor, without gravity, that the tilt stayed. */
static void test_hold__missing_channels_never_pass(void **state)
{
    (void)state;
    sm_channel channels[FEED_CHANNELS];
    sm_error err = {0};
    sm_hold_options opt = sm_hold_options_default();
    opt.criteria = strict();
    for (int missing = 2; missing < 6; missing += 3) {
        swing s = plain_swing();
        sm_hold *h = NULL;
        feed_channels(channels);
        channels[missing].role = SM_ROLE_IGNORE;
        assert_ok(sm_hold_open(channels, FEED_CHANNELS, 100, &opt, &h, &err), &err);
        sm_sink sink = sm_hold_sink(h);
        feed(&sink, 100, STOP_S, swing_row, &s);
        sm_hold_result r = result(h);
        assert_int_equal(r.verdict, SM_HOLD_UNASSESSED);
        assert_int_equal(r.segments[0].still, -1);
        assert_true(has_reason(&r.segments[0], missing == 2 ? "missing-axis" : "no-accel"));
        sm_hold_close(&h);
    }
    swing s = plain_swing(); /* a range so small that the turn's bias reaches it */
    sm_hold *h = NULL;
    feed_channels(channels);
    channels[2].range_si = 0.8 * DEG;
    assert_ok(sm_hold_open(channels, FEED_CHANNELS, 100, &opt, &h, &err), &err);
    sm_sink sink = sm_hold_sink(h);
    feed(&sink, 100, STOP_S, swing_row, &s);
    sm_hold_result r = result(h);
    assert_int_equal(r.segments[0].still, -1);
    assert_true(has_reason(&r.segments[0], "clipped"));
    sm_hold_close(&h);
    for (int i = 0; i < 3; i++) {
        channels[i].role = SM_ROLE_IGNORE;
    }
    h = NULL;
    assert_int_equal(sm_hold_open(channels, FEED_CHANNELS, 100, &opt, &h, &err), SM_E_VALUE);
    assert_null(h);
}

static int64_t lcg;

static void nist_row(void *self, double t_s, double x[FEED_CHANNELS], double *rpm)
{
    (void)self;
    (void)t_s;
    (void)rpm;
    x[2] = (double)lcg / 2147483647.0 * DEG;
    lcg = 16807 * lcg % 2147483647;
}

/* NIST SP 1065 section 12.4 through the whole of hold, at several rates: tau scales with the rate,
 * the deviation of averages of m points does not. */
static void test_hold__allan_deviation_of_the_nist_set(void **state)
{
    (void)state;
    static const struct {
        size_t m;
        double overlapping;
    } table[] = {{1, 0.2922319},  {2, 0.2010160},  {4, 0.1447913},   {8, 0.1057039},
                 {10, 0.0915995}, {16, 0.0619148}, {20, 0.0536997},  {32, 0.0480821},
                 {50, 0.0395018}, {64, 0.0362372}, {100, 0.0324134}, {128, 0.0276739},
                 {200, 0.0164483}};
    static const double rates_hz[] = {1, 10, 100};
    for (size_t i = 0; i < 3; i++) {
        lcg = 1234567890;
        sm_hold *h = run(rates_hz[i], 1000 / rates_hz[i], NULL, nist_row, NULL);
        sm_hold_result r = result(h);
        assert_int_equal(r.n_segments, 1);
        const sm_hold_segment *s = &r.segments[0];
        size_t found = 0;
        for (size_t t = 0; t < s->n_taus; t++) {
            for (size_t k = 0; k < sizeof table / sizeof table[0]; k++) {
                if (fabs(s->tau_s[t] * rates_hz[i] - (double)table[k].m) < 1e-6) {
                    assert_close(s->adev_rad_s[2][t] / DEG, table[k].overlapping, 5.1e-8, "oadev");
                    found++;
                }
            }
        }
        assert_int_equal(found, 13);
        assert_close(s->tau_s[s->n_taus - 1] * rates_hz[i], 200, 1e-6, "never beyond a fifth");
        sm_hold_close(&h);
    }
}

static void white_row(void *self, double t_s, double x[FEED_CHANNELS], double *rpm)
{
    (void)t_s;
    (void)rpm;
    for (int k = 0; k < 3; k++) {
        x[k] = 0.01 * DEG * sm_rng_normal(self);
    }
}

/* A long log: the slices are merged and the buffer is averaged; the numbers stay. White noise of
 * rms s at rate f has the deviation s / sqrt(f tau). */
static void test_hold__long_logs_keep_their_numbers(void **state)
{
    (void)state;
    sm_rng rng = sm_rng_seed(9);
    sm_hold *h = run(200, 6000, NULL, white_row, &rng); /* 1.2 million rows, 24000 slices */
    sm_hold_result r = result(h);
    assert_int_equal(r.n_segments, 1);
    const sm_hold_segment *s = &r.segments[0];
    assert_close(s->to_s - s->from_s, 6000, 1e-6, "all of it");
    assert_close(s->gyro_rms_rad_s[1] / DEG, 0.01, 5e-5, "rms");
    assert_close(s->tau_s[0], 0.02, 1e-9, "four rows to one");
    for (size_t t = 0; t < s->n_taus; t++) {
        double expected = 0.01 / sqrt(200 * s->tau_s[t]);
        /* relative sd of the estimate about 1 / sqrt(2 (T / tau - 1)), four of them */
        double tol = expected * 4 / sqrt(2 * (6000 / s->tau_s[t] - 1));
        assert_close(s->adev_rad_s[0][t] / DEG, expected, tol, "white noise");
    }
    sm_hold_close(&h);
}

static void test_hold__gaps_part_stretches(void **state)
{
    (void)state;
    sm_channel channels[FEED_CHANNELS];
    sm_error err = {0};
    sm_hold *h = NULL;
    swing s = plain_swing();
    feed_channels(channels);
    assert_ok(sm_hold_open(channels, FEED_CHANNELS, 100, NULL, &h, &err), &err);
    sm_sink sink = sm_hold_sink(h);
    feed_rows(&sink, 100, 0, 800, swing_row, &s);
    assert_ok(sink.mark(sink.self, SM_MARK_GAP, 8, &err), &err);
    s = plain_swing();
    feed_rows(&sink, 100, 0, 700, swing_row, &s);
    assert_ok(sink.mark(sink.self, SM_MARK_END, 15, &err), &err);
    sm_hold_result r = result(h);
    assert_int_equal(r.n_segments, 2);
    assert_close(r.segments[0].to_s, 8, 1e-9, "to the gap");
    r = result(h); /* repeatable */
    assert_int_equal(r.n_segments, 2);
    sm_hold_close(&h);
}

static void test_hold__an_allocation_that_fails_is_a_status(void **state)
{
    (void)state;
    sm_channel channels[FEED_CHANNELS];
    sm_error err = {0};
    swing s = plain_swing();
    feed_channels(channels);
    for (long k = 1;; k++) {
        sm_hold *h = NULL;
        sm_alloc_fail_at(k);
        sm_status st = sm_hold_open(channels, FEED_CHANNELS, 100, NULL, &h, &err);
        sm_alloc_fail_at(0);
        if (st == SM_OK) {
            sm_hold_close(&h);
            break;
        }
        assert_int_equal(st, SM_E_NOMEM);
    }
    sm_hold *h = run(100, STOP_S, NULL, swing_row, &s);
    for (long k = 1;; k++) {
        sm_hold_result r;
        sm_alloc_fail_at(k);
        sm_status st = sm_hold_result_get(h, &r, &err);
        sm_alloc_fail_at(0);
        if (st == SM_OK) {
            assert_true(k > 5);
            break;
        }
        assert_int_equal(st, SM_E_NOMEM);
    }
    sm_hold_close(&h);
}

static void write_text(const char *path, const char *text)
{
    sm_error err = {0};
    assert_ok(sm_file_store(path, text, strlen(text), &err), &err);
}

static void test_hold_criteria__file(void **state)
{
    (void)state;
    const char *path = SM_TEST_SCRATCH "/criteria.ini";
    sm_hold_criteria c = sm_hold_criteria_default();
    sm_error err = {0};
    assert_false(sm_hold_criteria_any(&c));
    write_text(path, "[hold]\nseconds = 10\ngyro_rms = 0.2\nbias_step = 0.001 rad/s\n"
                     "tilt_change = 0.1 deg\n");
    assert_ok(sm_hold_criteria_read(path, &c, &err), &err);
    assert_true(sm_hold_criteria_any(&c));
    assert_close(c.seconds, 10, 0, "seconds");
    assert_close(c.gyro_rms_rad_s, 0.2 * DEG, 1e-15, "a bare number is deg/s");
    assert_close(c.bias_step_rad_s, 0.001, 1e-15, "bias step");
    assert_close(c.tilt_change_rad, 0.1 * DEG, 1e-15, "tilt");
    assert_true(isnan(c.gyro_peak_rad_s));
    static const struct {
        const char *text;
        sm_status status;
        long line;
    } bad[] = {
        {"[hold]\ngyro_rms = 0.2 g\n", SM_E_VALUE, 2},
        {"[hold]\nseconds = 5\ngyro_rms = -1\n", SM_E_VALUE, 3},
        {"[hold]\ngyro = 0.2\n", SM_E_FORMAT, 2},
        {"[hold]\ngyro_rms = quiet\n", SM_E_FORMAT, 2},
        {"[held]\n", SM_E_FORMAT, 1},
        {"", SM_E_FORMAT, 0},
    };
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        write_text(path, bad[i].text);
        assert_int_equal(sm_hold_criteria_read(path, &c, &err), bad[i].status);
        assert_int_equal(err.line, bad[i].line);
    }
    assert_int_equal(sm_hold_criteria_read(SM_TEST_SCRATCH "/none.ini", &c, &err), SM_E_IO);
}

/* 1 uT across a horizontal field of 20 uT turns the needle by asin(1/20). */
static void test_hold_events__deflection(void **state)
{
    (void)state;
    const char *path = SM_TEST_SCRATCH "/events.csv";
    sm_hold_event events[4];
    sm_error err = {0};
    size_t n = 0;
    write_text(path, "time_s,item,state\n# on the ramp\n4,nav light,on\n7.0, nav light ,off\r\n\n");
    assert_ok(sm_hold_events_read(path, events, 4, &n, &err), &err);
    assert_int_equal(n, 2);
    assert_string_equal(events[1].item, "nav light");
    assert_true(events[0].on && !events[1].on);
    swing s = plain_swing();
    s.item_on_s[0] = 4;
    s.item_on_s[1] = 7;
    s.item_t[1] = 1 * UT;
    s.item_t[2] = 3 * UT; /* vertical: no deflection */
    sm_hold *h = run(100, STOP_S, NULL, swing_row, &s);
    sm_hold_events(h, events, n);
    for (size_t i = 0; i < 2; i++) {
        double sign = i == 0 ? 1 : -1;
        assert_true(events[i].measured);
        assert_close(events[i].step_t[1] / UT, sign, 0.02, "step");
        assert_close(events[i].step_t[2] / UT, 3 * sign, 0.02, "vertical step");
        assert_close(events[i].heading_rad, asin(1.0 / 20), 1.5e-3, "deflection");
    }
    events[0].t_s = 500;
    sm_hold_events(h, events, 1);
    assert_false(events[0].measured);
    sm_hold_close(&h);
    write_text(path, "4,nav light,on\n5,nav light,maybe\n");
    assert_int_equal(sm_hold_events_read(path, events, 4, &n, &err), SM_E_FORMAT);
    assert_int_equal(err.line, 2);
    write_text(path, "1,a,on\n2,a,off\n");
    assert_int_equal(sm_hold_events_read(path, events, 1, &n, &err), SM_E_FORMAT);
    assert_int_equal(sm_hold_events_read(SM_TEST_SCRATCH "/none.csv", events, 4, &n, &err),
                     SM_E_IO);
}

static void test_hold__names(void **state)
{
    (void)state;
    assert_string_equal(sm_hold_kind_text(SM_HOLD_TURN), "turn");
    assert_string_equal(sm_hold_kind_text((sm_hold_kind)(SM_HOLD_TURN + 1)), "unknown");
    assert_string_equal(sm_hold_verdict_text(SM_HOLD_RESTLESS), "restless");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_hold__swing_with_a_shaking_engine),
        cmocka_unit_test(test_hold__an_alias_is_named),
        cmocka_unit_test(test_hold__rocking_and_knocks_are_told_apart),
        cmocka_unit_test(test_hold__no_stop_is_lost_between_gusts),
        cmocka_unit_test(test_hold__without_criteria_there_is_no_verdict),
        cmocka_unit_test(test_hold__missing_channels_never_pass),
        cmocka_unit_test(test_hold__allan_deviation_of_the_nist_set),
        cmocka_unit_test(test_hold__long_logs_keep_their_numbers),
        cmocka_unit_test(test_hold__gaps_part_stretches),
        cmocka_unit_test(test_hold__an_allocation_that_fails_is_a_status),
        cmocka_unit_test(test_hold_criteria__file),
        cmocka_unit_test(test_hold_events__deflection),
        cmocka_unit_test(test_hold__names),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
