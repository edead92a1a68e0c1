/* Budget files. */
#include "sm_test.h"
#include "stillmount/budget.h"

#include <string.h>

static sm_status parse(const char *text, sm_budget *b, sm_error *err)
{
    return sm_budget_parse(text, strlen(text), "b.ini", b, err);
}

#define HEAD "[budget]\nname = t\nsource = invented for a test\nrpm = 1800-5600 step 200\n"

static void test_budget__reads_the_forms_of_the_contract(void **state)
{
    (void)state;
    sm_budget b;
    sm_error err = {0};
    assert_ok(parse(HEAD
                    "required = 1800-5000\nmin_turns = 60\nmin_passes = 2\nreserve_db = 3\n"
                    "[limit shake]\nchannels = mount.accel.*\nmeasure = rms\nhz = 5-200\n"
                    "max = 0.5 g ; note\nreserve_db = 6\n"
                    "[limit imbalance]\nchannels = prop.accel.*\nmeasure = order\norder = prop 1\n"
                    "as = velocity\nmax = 0.2 in/s peak\n"
                    "[limit headroom]\nchannels = accel.*, gyro.*\nmeasure = peak\nmax = 50 % of "
                    "range\n",
                    &b, &err),
              &err);
    assert_close(b.limits[2].max_of_range, 0.5, 0, "share of range");
    assert_true(b.min_passes == 2 && b.min_turns == 60 && b.required_hi == 5000);
    assert_true(b.limits[1].reserve_db == 3);
}

/* What a word processor makes of a hyphen: U+2013, U+2212; blanks around any of them. */
static void test_budget__dashes_of_a_range(void **state)
{
    (void)state;
    static const char *const dashes[] = {
        "-", " - ", "\xe2\x80\x93", " \xe2\x80\x93 ", "\xe2\x88\x92", " \xe2\x88\x92\t"};
    for (size_t i = 0; i < sizeof dashes / sizeof dashes[0]; i++) {
        sm_budget b;
        sm_error err = {0};
        char text[400];
        const char *d = dashes[i];
        (void)snprintf(text, sizeof text,
                       "[budget]\nname = t\nsource = invented\nrpm = 2000%s2600 step 100\n"
                       "required = 2100%s2500\n[limit s]\nchannels = mount.accel.*\n"
                       "measure = rms\nhz = 5%s200\nmax = 1 g\n",
                       d, d, d);
        assert_ok(parse(text, &b, &err), &err);
        assert_true(b.rpm_lo == 2000 && b.rpm_hi == 2600 && b.step_rpm == 100);
        assert_true(b.required_lo == 2100 && b.required_hi == 2500);
        assert_true(b.limits[0].hz_lo == 5 && b.limits[0].hz_hi == 200);
    }
    sm_budget b;
    sm_error err = {0};
    assert_int_equal(parse("[budget]\nname = t\nsource = s\nrpm = 2000\xe2\x80\n", &b, &err),
                     SM_E_VALUE);
    assert_int_equal(err.line, 4);
}

static void test_budget__values(void **state)
{
    (void)state;
    sm_budget b;
    sm_error err = {0};
    assert_ok(parse(HEAD "[limit shake]\nchannels = mount.accel.*\nmeasure = rms\nhz = 5-200\n"
                         "max = 0.5 g\n"
                         "[limit imbalance]\nchannels = prop.accel.y\nmeasure = order\norder = "
                         "prop 1\nas = velocity\nmax = 0.2 in/s\nreserve_db = 0\n"
                         "[limit profile]\nchannels = accel.*\nmeasure = psd\ncurve = 10:0.01 "
                         "100:0.01 500:0.002 g^2/Hz\n",
                    &b, &err),
              &err);
    assert_close(b.limits[0].max_si, 0.5 * 9.80665, 1e-12, "0.5 g");
    assert_true(b.limits[0].reserve_db == 6 && b.limits[1].reserve_db == 0);
    assert_true(b.limits[1].detector == SM_PEAK && b.limits[1].integrations == 1);
    assert_close(b.limits[1].max_si, 0.2 * 0.0254, 1e-15, "0.2 in/s");
    /* log-log: the middle of 100..500 Hz on a log scale is sqrt(0.01 * 0.002) */
    assert_close(sm_limit_curve_at(&b.limits[2], sqrt(100 * 500.0)) / (9.80665 * 9.80665),
                 sqrt(0.01 * 0.002), 1e-12, "curve");
    assert_true(isnan(sm_limit_curve_at(&b.limits[2], 9)));
    assert_int_equal(sm_budget_bands(&b), 19);
    assert_int_equal(sm_budget_band_of(&b, 5600), 18);
    assert_int_equal(sm_budget_band_of(&b, 5600.1), -1);
    assert_int_equal(sm_budget_band_of(&b, 2000), 1);
    assert_int_equal(sm_budget_cells(1800, 2000), 8);
    assert_int_equal(sm_budget_cells(1800, 1810), 1);
    assert_true(b.is_invented);
}

static void test_budget__published_profiles(void **state)
{
    (void)state;
    /* g rms of published curves by the curve's own interpolation: NAVMAT P-9492 6.06 (stated 6.0),
       MIL-STD-1540C 6.14; recomputed independently in closed form. */
    static const struct {
        const char *curve;
        double g_rms;
    } rows[] = {{"20:0.01 80:0.04 350:0.04 2000:0.007", 6.058182},
                {"20:0.0053 150:0.04 600:0.04 2000:0.0036", 6.143486},
                {"10:0.015 40:0.015 500:0.00015", 1.042917}};
    for (size_t i = 0; i < 3; i++) {
        char text[400];
        sm_budget b;
        sm_error err = {0};
        (void)snprintf(text, sizeof text,
                       HEAD "[limit p]\nchannels = accel.*\nmeasure = psd\ncurve = %s g^2/Hz\n",
                       rows[i].curve);
        assert_ok(parse(text, &b, &err), &err);
        const sm_limit *l = &b.limits[0];
        double sum = 0;
        const int n = 200000;
        double ratio = pow(l->hz_hi / l->hz_lo, 1.0 / n);
        for (int k = 0; k < n; k++) { /* midpoint rule on a log axis */
            double f = l->hz_lo * pow(ratio, k + 0.5);
            sum += sm_limit_curve_at(l, f) * f * (sqrt(ratio) - 1 / sqrt(ratio));
        }
        assert_close(sqrt(sum) / 9.80665, rows[i].g_rms, 2e-5, rows[i].curve);
    }
}

static void test_budget__bad_files(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        long line;
        const char *says;
    } rows[] = {
        {"[limit a]\n", 1, "[budget]"},
        {"[budget]\nrpm = 1-2\n", 1, "source"},
        {"[budget]\nsource = x\nrpm = 2000-1000\n", 3, "rpm ="},
        {HEAD, 1, "no [limit"},
        {HEAD "required = 1000-7000\n[limit a]\n", 5, "beyond rpm"},
        {HEAD "[limit a]\nchannels = mount.acel.*\n", 6, "did you mean 'accel'"},
        {HEAD "[limit a]\nchannels = mount.accel.q\n", 6, "no channel"},
        {HEAD "[limit a]\nchannels = accel.*\nmesure = rms\n", 7, "did you mean 'measure'"},
        {HEAD "[limit a]\nchannels = accel.*\nmeasure = rms\nhz = 5-200\nmax = 0.5 G\n", 9,
         "acceleration"},
        {HEAD "[limit a]\nchannels = accel.*\nmeasure = rms\nhz = 5-200\nmax = 0.5 g peak\n", 9,
         "rms"},
        {HEAD "[limit a]\nchannels = accel.*\nmeasure = rms\nmax = 0.5 g\n", 5, "hz"},
        {HEAD "[limit a]\nchannels = accel.*\nmeasure = rms\nhz = 5-200\nmax = -1 g\n", 9, "above"},
        {HEAD "[limit a]\nchannels = accel.*\nmeasure = rms\nhz = 5-200\n", 5, "max"},
        {HEAD "[limit a]\nchannels = gyro.*\nmeasure = rms\nhz = 5-200\nas = velocity\nmax = 1 "
              "in/s\n",
         9, "angle"},
        {HEAD "[limit a]\nchannels = accel.*\nmeasure = psd\ncurve = 10:1 5:1 g^2/Hz\n", 8,
         "rising"},
        {HEAD "[limit a]\nchannels = accel.* gyro.*\nmeasure = rms\nhz = 5-50\nmax = 1 g\n", 6,
         "one kind of sensor"},
        {HEAD "[limit a]\nchannels = accel.*\nmeasure = order\nmax = 1 g\n", 5, "order ="},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        sm_budget b;
        sm_error err = {0};
        assert_int_not_equal(parse(rows[i].text, &b, &err), SM_OK);
        if (!strstr(err.message, rows[i].says) || err.line != rows[i].line) {
            (void)fprintf(stderr, "row %zu: line %ld: %s\n", i, err.line, err.message);
        }
        assert_int_equal(err.line, rows[i].line);
        assert_non_null(strstr(err.message, rows[i].says));
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_budget__reads_the_forms_of_the_contract),
        cmocka_unit_test(test_budget__dashes_of_a_range),
        cmocka_unit_test(test_budget__values),
        cmocka_unit_test(test_budget__published_profiles),
        cmocka_unit_test(test_budget__bad_files),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
