/* An unknown gear ratio: against the turns of a shaft, and from the vibration alone. */
#include "core/util.h"
#include "sim_run.h"
#include "stillmount/estimate.h"
#include "stillmount/gear.h"

#include <stdio.h>

#define SWEEP "[profile]\npoints = 0:1800 3:1800 50:5400 53:5400 100:1800\n"
#define LINES                                                                                      \
    "[order crank 0.5]\nforce = 0.02 g\n[order crank 1]\nforce = 0.08 g\n"                         \
    "[order crank 2]\nforce = 0.3 g\n[order crank 4]\nforce = 0.1 g\n"
#define PROP                                                                                       \
    "[order prop 1]\nforce = 0.1 g\n[order prop 3]\nforce = 0.1 g\n[order prop 6]\nforce = 0.03 "  \
    "g\n"
/* The file says nothing of a gearbox: its ratio is what is asked. */
#define UNKNOWN                                                                                    \
    "[powertrain]\nname = four\nrpm_of = crank\n[engine]\ncycle = four-stroke\ncylinders = 4\n"    \
    "[propeller]\nblades = 3\n[operating]\nidle = 1800\nmax = 5600\n"

/* prop_angle: turns of the propeller (its reference is 1/ratio of the crank's) instead. */
static sm_gear_result ask(const char *scenario, bool known, double prop_ratio)
{
    sm_powertrain p = sim_powertrain(UNKNOWN);
    sim_run r = sim_make(scenario, 3);
    sm_channel channels[SM_SIM_MAX_CHANNELS];
    for (size_t i = 0; i < r.n_channels; i++) {
        channels[i] = (sm_channel){.role = SM_ROLE_ACCEL, .place = "mount"};
    }
    for (size_t i = 0; i < r.n && prop_ratio > 0; i++) {
        r.theta[i] /= prop_ratio;
    }
    sm_shaft shaft = prop_ratio > 0 ? SM_SHAFT_PROP : SM_SHAFT_CRANK;
    sm_error err = {0};
    sm_gear *g = NULL;
    assert_ok(
        sm_gear_open(channels, r.n_channels, r.rate_hz, &p, known, shaft, 1800, 5600, &g, &err),
        &err);
    sm_sink sink = sm_gear_sink(g);
    for (size_t at = 0; at < r.n; at += 1000) {
        const double *x[SM_SIM_MAX_CHANNELS];
        for (size_t i = 0; i < r.n_channels; i++) {
            x[i] = r.x[i] + at;
        }
        sm_block b = {.n_rows = r.n - at < 1000 ? r.n - at : 1000,
                      .n_channels = r.n_channels,
                      .x = x,
                      .theta_rev = r.theta + at,
                      .rpm = r.rpm + at,
                      .t0_s = (double)at / r.rate_hz,
                      .rate_hz = r.rate_hz,
                      .i_row = at};
        assert_ok(sink.push(sink.self, &b, &err), &err);
    }
    assert_ok(sink.mark(sink.self, SM_MARK_END, 0, &err), &err);
    sm_gear_result out;
    assert_ok(sm_gear_finish(g, &out, &err), &err);
    printf("%-10s ratio %.7f +- %.1e (%ld/%ld) margin %.2f next %.3f lines %zu: %s\n",
           sm_gear_basis_text(out.basis), out.ratio, out.uncertainty, out.teeth_num, out.teeth_den,
           out.margin, out.next_ratio, out.n_lines, out.reason);
    sm_gear_close(&g);
    sim_free(&r);
    return out;
}

#define RUN(ratio) "[engine]\nratio = " ratio "\n" SWEEP LINES PROP SIM_MOUNT

static void test_gear__against_the_crank(void **state)
{
    (void)state;
    static const struct {
        const char *scenario;
        double ratio;
        long num;
        long den;
    } rows[] = {{RUN("51/21"), 51.0 / 21, 17, 7}, {RUN("1.69"), 1.69, 0, 0}};
    for (size_t i = 0; i < 2; i++) {
        sm_gear_result r = ask(rows[i].scenario, true, 0);
        assert_int_equal(r.basis, SM_GEAR_MEASURED);
        /* the promise: 20 ppm with the turns known */
        assert_close(r.ratio, rows[i].ratio, 20e-6 * rows[i].ratio, "gear ratio");
        /* and what it says of itself is no less than the error, and of its size */
        assert_true(r.uncertainty < 50e-6 * rows[i].ratio);
        assert_true(fabs(r.ratio - rows[i].ratio) < 3 * r.uncertainty);
        if (rows[i].num) {
            assert_int_equal(r.teeth_num, rows[i].num);
            assert_int_equal(r.teeth_den, rows[i].den);
        }
    }
}

static void test_gear__against_the_propeller(void **state)
{
    (void)state;
    sm_gear_result r = ask(RUN("51/21"), true, 51.0 / 21);
    assert_int_equal(r.basis, SM_GEAR_MEASURED);
    assert_close(r.ratio, 51.0 / 21, 50e-6, "gear ratio");
}

static void test_gear__what_cannot_be_told(void **state)
{
    (void)state;
    /* the propeller's lines lie under the crank's; no propeller lines at all; noise */
    assert_int_equal(ask(RUN("2"), true, 0).basis, SM_GEAR_NONE);
    assert_int_equal(ask("[engine]\nratio = 51/21\n" SWEEP LINES SIM_MOUNT, true, 0).basis,
                     SM_GEAR_NONE);
    assert_int_equal(ask("[engine]\nratio = 51/21\n" SWEEP SIM_MOUNT, true, 0).basis, SM_GEAR_NONE);
    assert_int_equal(ask("[engine]\nratio = 51/21\n" SWEEP SIM_MOUNT, false, 0).basis,
                     SM_GEAR_NONE);
}

static void test_gear__suggested_by_the_vibration(void **state)
{
    (void)state;
    sm_gear_result r = ask("[scenario]\nnuisances = off\n" RUN("51/21"), false, 0);
    assert_int_equal(r.basis, SM_GEAR_SUGGESTION);
    assert_close(r.ratio, 51.0 / 21, 0.006 * 2.43, "suggested ratio"); /* two steps of its grid */
    assert_true(r.margin >= 3);
}

static void test_gear__open_refuses(void **state)
{
    (void)state;
    sm_powertrain p = sim_powertrain("[powertrain]\n[engine]\ncylinders = 4\n");
    sm_channel c = {.role = SM_ROLE_ACCEL, .place = "mount"};
    sm_error err = {0};
    sm_gear *g = NULL;
    assert_int_equal(sm_gear_open(&c, 1, 1000, &p, true, SM_SHAFT_CRANK, 0, 0, &g, &err),
                     SM_E_VALUE);
    p = sim_powertrain(UNKNOWN);
    assert_int_equal(sm_gear_open(&c, 1, 1000, &p, false, SM_SHAFT_CRANK, 900, 900, &g, &err),
                     SM_E_VALUE);
    c.role = SM_ROLE_TACH;
    assert_int_equal(sm_gear_open(&c, 1, 1000, &p, true, SM_SHAFT_CRANK, 0, 0, &g, &err),
                     SM_E_VALUE);
    assert_null(g);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_gear__against_the_crank),
        cmocka_unit_test(test_gear__against_the_propeller),
        cmocka_unit_test(test_gear__what_cannot_be_told),
        cmocka_unit_test(test_gear__suggested_by_the_vibration),
        cmocka_unit_test(test_gear__open_refuses),
    };
    return cmocka_run_group_tests_name("gear", tests, NULL, NULL);
}
