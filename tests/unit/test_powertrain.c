/* Powertrain files and order tables. */
#include "sm_test.h"
#include "stillmount/powertrain.h"

#include <string.h>

static sm_status parse(const char *text, sm_powertrain *p, sm_error *err)
{
    return sm_powertrain_parse(text, strlen(text), "p.ini", p, err);
}

#define GEARED                                                                                     \
    "[powertrain]\nname = t\nrpm_of = crank\n[engine]\ncycle = four-stroke\ncylinders = 4\n"       \
    "[gearbox]\nratio = 51/21\n[propeller]\nblades = 3\n"
#define DIRECT                                                                                     \
    "[powertrain]\nname = t\n[engine]\ncycle = four-stroke\ncylinders = 4\n[propeller]\nblades = " \
    "2\n"

static const sm_order *find(const sm_order_table *t, const char *label)
{
    for (size_t i = 0; i < t->n; i++) {
        if (strcmp(t->items[i].label, label) == 0) {
            return &t->items[i];
        }
    }
    return NULL;
}

static void test_orders__geared_four(void **state)
{
    (void)state;
    sm_powertrain p;
    sm_error err = {0};
    sm_order_table t;
    assert_ok(parse(GEARED, &p, &err), &err);
    assert_ok(sm_powertrain_orders(&p, 1e9, NULL, 0, &t, &err), &err);
    /* Engine makers' manuals print 51/21 = 2.4286; orders follow from it: 7/17 and 21/17 crank. */
    const sm_order *prop1 = find(&t, "prop 1");
    assert_non_null(prop1);
    assert_true(prop1->ratio.num == 7 && prop1->ratio.den == 17);
    assert_close(prop1->order * 5000 / 60, 34.3137, 5e-5, "prop 1 at 5000 crank rpm");
    assert_close(find(&t, "prop 3 (blade pass)")->order * 5000 / 60, 102.9412, 5e-5, "blade pass");
    assert_close(find(&t, "crank 2 (firing)")->order * 5000 / 60, 166.6667, 5e-5, "firing");
    assert_non_null(find(&t, "crank 0.5"));
    assert_non_null(find(&t, "crank 8 (firing x 4)"));
    assert_non_null(find(&t, "prop 12 (blade pass x 4)"));
    assert_true(find(&t, "crank 21 (gear mesh)")->order == 21); /* 21 teeth on the crank */
    for (size_t i = 1; i < t.n; i++) {
        assert_true(t.items[i].order > t.items[i - 1].order);
    }
}

static void test_orders__direct_drive_coincides(void **state)
{
    (void)state;
    sm_powertrain p;
    sm_error err = {0};
    sm_order_table t;
    assert_ok(parse(DIRECT, &p, &err), &err);
    assert_ok(sm_powertrain_orders(&p, 1e9, NULL, 0, &t, &err), &err);
    assert_string_equal(find(&t, "crank 1")->also[0], "prop 1");
    assert_string_equal(find(&t, "crank 2 (firing)")->also[0], "prop 2 (blade pass)");
    sm_text text = {0};
    sm_powertrain_coincidences(&p, &t, &text);
    assert_non_null(strstr(text.s, "crank 1 and prop 1 are one line"));
    sm_text_free(&text);
}

static void test_orders__published_table(void **state)
{
    (void)state;
    /* Orders from the definitions (firing = cylinders x 1 or 1/2, prop = 1/i): hand-computed table.
     */
    static const struct {
        const char *cycle;
        int cylinders;
        const char *ratio;
        int blades;
        double rpm;
        double firing_hz;
        double prop_hz;
        double blade_hz;
    } rows[] = {{"four-stroke", 6, NULL, 3, 2400, 120, 40, 120},
                {"four-stroke", 6, NULL, 2, 2500, 125, 41.6667, 83.3333},
                {"four-stroke", 4, "50/22", 3, 5500, 183.3333, 40.3333, 121},
                {"four-stroke", 4, "2.54", 3, 5800, 193.3333, 38.0577, 114.1732},
                {"two-stroke", 2, "2.58", 2, 6500, 216.6667, 41.9897, 83.9793},
                {"two-stroke", 3, NULL, 2, 2800, 140, 46.6667, 93.3333}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char text[400];
        (void)snprintf(text, sizeof text,
                       "[powertrain]\n[engine]\ncycle=%s\ncylinders=%d\n%s%s\n[propeller]\n"
                       "blades=%d\n",
                       rows[i].cycle, rows[i].cylinders, rows[i].ratio ? "[gearbox]\nratio=" : "",
                       rows[i].ratio ? rows[i].ratio : "", rows[i].blades);
        sm_powertrain p;
        sm_error err = {0};
        assert_ok(parse(text, &p, &err), &err);
        sm_ratio r;
        assert_ok(sm_powertrain_order_ratio(&p, "firing", &r, &err), &err);
        assert_close(sm_ratio_value(r) * rows[i].rpm / 60, rows[i].firing_hz, 6e-5, "firing");
        assert_ok(sm_powertrain_order_ratio(&p, "prop 1", &r, &err), &err);
        assert_close(sm_ratio_value(r) * rows[i].rpm / 60, rows[i].prop_hz, 6e-5, "prop");
        assert_ok(sm_powertrain_order_ratio(&p, "blade pass", &r, &err), &err);
        assert_close(sm_ratio_value(r) * rows[i].rpm / 60, rows[i].blade_hz, 6e-5, "blade");
    }
}

/* What a word processor makes of a hyphen: U+2013, U+2212; blanks around any of them. */
static void test_powertrain__dashes_of_avoid(void **state)
{
    (void)state;
    static const char *const texts[] = {
        "1200-1750, 2000-2100",
        "1200 - 1750 2000 - 2100",
        "1200\xe2\x80\x93"
        "1750, 2000 \xe2\x80\x93 2100",
        "1200\xe2\x88\x92"
        "1750, 2000\xe2\x88\x92 2100",
    };
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        sm_powertrain p;
        sm_error err = {0};
        char text[400];
        (void)snprintf(text, sizeof text,
                       GEARED "[operating]\nidle = 1800\nmax = 5600\navoid = %s\n", texts[i]);
        assert_ok(parse(text, &p, &err), &err);
        assert_int_equal(p.n_avoid, 2);
        assert_true(p.avoid_rpm[0][0] == 1200 && p.avoid_rpm[0][1] == 1750);
        assert_true(p.avoid_rpm[1][0] == 2000 && p.avoid_rpm[1][1] == 2100);
    }
}

static void test_powertrain__bad_files(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        long line;
        const char *says;
    } rows[] = {
        {"[engine]\ncylinders = 4\n", 1, "[powertrain]"},
        {"[powertrain]\n[engine]\ncylinders = 4\n[gearbox]\nratio = 0\n", 5, "ratio"},
        {"[powertrain]\n[engine]\ncylinders = 4\n[gearbox]\nratio = 400\n", 5, "0.2 and 20"},
        {"[powertrain]\n[engine]\ncylindres = 4\n", 3, "did you mean 'cylinders'"},
        {"[powertrain]\n[motr]\n", 2, "did you mean [motor]"},
        {"[powertrain]\n[engine]\ncylinders = 4.5\n", 3, "whole"},
        {"[powertrain]\nrpm_of = prop\n[engine]\ncylinders = 4\n", 2, "rpm_of"},
        {"[powertrain]\n", 1, "nothing turns"},
        {"[powertrain]\n[engine]\ncylinders=4\n[operating]\nidle=5000\nmax=2000\n", 6, "above"},
        {"[powertrain]\n[engine]\ncylinders=4\n[shaft pump]\nslip = 3 %\n", 4, "ratio"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        sm_powertrain p;
        sm_error err = {0};
        assert_int_not_equal(parse(rows[i].text, &p, &err), SM_OK);
        assert_int_equal(err.line, rows[i].line);
        assert_non_null(strstr(err.message, rows[i].says));
    }
}

static void test_powertrain__electric_reference_is_the_propeller(void **state)
{
    (void)state;
    sm_powertrain p;
    sm_error err = {0};
    sm_order_table t;
    assert_ok(parse("[powertrain]\n[gearbox]\nratio = 2\n[propeller]\nblades = 2\n[motor]\n"
                    "pole_pairs = 10\n",
                    &p, &err),
              &err);
    assert_true(sm_powertrain_reference_per(&p, SM_SHAFT_PROP) == 1);
    assert_true(sm_powertrain_reference_per(&p, SM_SHAFT_CRANK) == 0.5);
    assert_ok(sm_powertrain_orders(&p, 1e9, NULL, 0, &t, &err), &err);
    assert_true(find(&t, "prop 1")->order == 1);
    assert_true(find(&t, "motor 10 (electrical)")->order == 20);
}

/* A motor or a shaft alone: the drive's own turns. */
static void test_powertrain__a_motor_alone(void **state)
{
    (void)state;
    sm_powertrain p;
    sm_order_table t;
    sm_error err = {0};
    assert_ok(parse("[powertrain]\nname = rig\n[motor]\npole_pairs = 5\n", &p, &err), &err);
    assert_int_equal(p.rpm_of, SM_SHAFT_CRANK);
    assert_close(sm_powertrain_reference_per(&p, SM_SHAFT_CRANK), 1, 0, "one shaft");
    assert_ok(sm_powertrain_orders(&p, 20, NULL, 0, &t, &err), &err);
    assert_int_equal(t.n, 6); /* drive 1 to 4, motor 5, motor 10 */
    assert_true(find(&t, "drive 1")->order == 1 && find(&t, "drive 4")->order == 4);
    assert_true(find(&t, "motor 5 (electrical)")->order == 5);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_orders__geared_four),
        cmocka_unit_test(test_orders__direct_drive_coincides),
        cmocka_unit_test(test_orders__published_table),
        cmocka_unit_test(test_powertrain__dashes_of_avoid),
        cmocka_unit_test(test_powertrain__bad_files),
        cmocka_unit_test(test_powertrain__electric_reference_is_the_propeller),
        cmocka_unit_test(test_powertrain__a_motor_alone),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
