/* The shipped samples can be read by the parts that they are for. */
#include "sm_test.h"
#include "stillmount/budget.h"
#include "stillmount/powertrain.h"
#include "stillmount/simulate.h"

#include <string.h>

#define SAMPLE(name) SM_TEST_SOURCE "/samples/" name

static void test_samples__budgets_say_whose_limits_they_are(void **state)
{
    (void)state;
    static const struct {
        const char *path;
        bool invented;
        bool reference;
    } files[] = {
        {SAMPLE("trainer/budget.ini"), true, false},
        {SAMPLE("direct/budget.ini"), true, false},
        {SAMPLE("budgets/example-sensor.ini"), true, false},
        {SAMPLE("budgets/prop-balance.ini"), false, false},
        {SAMPLE("budgets/iso-10816-1-class-ii.ini"), false, true},
        {SAMPLE("budgets/mil-std-810-minimum-integrity.ini"), false, true},
    };
    for (size_t i = 0; i < sizeof files / sizeof files[0]; i++) {
        sm_budget b;
        sm_error err = {0};
        assert_ok(sm_budget_read(files[i].path, &b, &err), &err);
        assert_int_equal(b.is_invented, files[i].invented);
        assert_int_equal(b.is_reference, files[i].reference);
        assert_true(b.n_limits > 0 && b.source[0] != '\0');
    }
}

/* MIL-STD-810 general minimum integrity: 7.7 g rms as the standard states it (from memory); the
 * curve's area by the log-log rule. ISO 10816-1:1995 class II: B/C 2.8 and C/D 7.1 mm/s rms. */
static void test_samples__reference_levels_are_the_published_ones(void **state)
{
    (void)state;
    sm_budget b;
    sm_error err = {0};
    assert_ok(sm_budget_read(SAMPLE("budgets/mil-std-810-minimum-integrity.ini"), &b, &err), &err);
    const sm_limit *l = &b.limits[0];
    double area = 0;
    for (size_t i = 0; i + 1 < l->n_curve; i++) {
        double f1 = l->curve_hz[i];
        double f2 = l->curve_hz[i + 1];
        double m = log(l->curve_si[i + 1] / l->curve_si[i]) / log(f2 / f1);
        area += l->curve_si[i] * f1 / (m + 1) * (pow(f2 / f1, m + 1) - 1);
    }
    assert_close(sqrt(area) / SM_G0_M_S2, 7.7, 0.05, "g rms");
    assert_ok(sm_budget_read(SAMPLE("budgets/iso-10816-1-class-ii.ini"), &b, &err), &err);
    assert_int_equal(b.n_limits, 2);
    assert_close(b.limits[0].max_si, 0.0028, 1e-12, "B/C [m/s]");
    assert_close(b.limits[1].max_si, 0.0071, 1e-12, "C/D [m/s]");
    assert_int_equal(b.limits[0].detector, SM_RMS);
}

static void test_samples__powertrains_and_scenarios_fit_together(void **state)
{
    (void)state;
    static const char *const folders[] = {SAMPLE("trainer/"), SAMPLE("direct/")};
    for (size_t i = 0; i < 2; i++) {
        char path[1024];
        sm_error err = {0};
        sm_powertrain p;
        sm_scenario s;
        (void)snprintf(path, sizeof path, "%spowertrain.ini", folders[i]);
        assert_ok(sm_powertrain_read(path, &p, &err), &err);
        (void)snprintf(path, sizeof path, "%sscenario.ini", folders[i]);
        assert_ok(sm_scenario_read(path, &s, &err), &err);
        assert_close(sm_ratio_value(p.gear), s.gear, 1e-12, "ratio");
        assert_int_equal(p.cylinders, s.cylinders);
        assert_int_equal(p.rpm_of, s.rpm_of);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_samples__budgets_say_whose_limits_they_are),
        cmocka_unit_test(test_samples__reference_levels_are_the_published_ones),
        cmocka_unit_test(test_samples__powertrains_and_scenarios_fit_together),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
