/* Core: numbers, ratios, INI, units, distributions, files. */
#include "core/alloc.h"
#include "core/spike.h"
#include "sm_test.h"
#include "stillmount/file.h"
#include "stillmount/ini.h"
#include "stillmount/stats.h"
#include "stillmount/units.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static void test_status__every_code_has_a_name(void **state)
{
    (void)state;
    for (int i = 0; i < SM_STATUS_COUNT; i++) {
        assert_string_not_equal(sm_status_text((sm_status)i), "unknown status");
    }
    assert_string_equal(sm_status_text(SM_STATUS_COUNT), "unknown status");
}

static double parse(const char *s, char decimal)
{
    double v = -12345;
    const char *p = sm_number_parse(s, s + strlen(s), decimal, &v);
    return p ? v : -99999;
}

static void test_number_parse__agrees_with_the_c_library(void **state)
{
    (void)state;
    static const char *const texts[] = {"0",
                                        "-0.0",
                                        "1",
                                        "9.80665",
                                        "5e-005",
                                        "8.552107E-4",
                                        "2.27E-01",
                                        "1e22",
                                        "1e23",
                                        "-7.579043000E-2",
                                        "0.0020000000000000018",
                                        "123456789012345678901234",
                                        "4.9e-324",
                                        "1.7976931348623157e308",
                                        "0.1",
                                        "1314265.00000000",
                                        "1760565906248623000",
                                        ".5",
                                        "5."};
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        assert_true(parse(texts[i], '.') == strtod(texts[i], NULL)); /* bit for bit */
    }
    sm_rng r = sm_rng_seed(7);
    for (int i = 0; i < 20000; i++) {
        char buf[64];
        (void)snprintf(buf, sizeof buf, "%.*g", 1 + (int)(sm_rng_next(&r) % 18),
                       sm_rng_normal(&r) * pow(10, (double)(sm_rng_next(&r) % 40) - 20));
        assert_true(parse(buf, '.') == strtod(buf, NULL));
    }
}

/* One decimal string: sign, zeros in front, digits (sometimes far more than a double holds), a mark
 * or none, exponent or none with zeros of its own. */
static void write_decimal(sm_rng *r, char *out)
{
    static const char *const signs[] = {"", "-", "+"};
    static const char *const marks[] = {"e", "E", "e+", "E-", "e-0"};
    const char *sign = signs[sm_rng_next(r) % 3];
    char *p = out;
    if (*sign) {
        *p++ = *sign;
    }
    size_t zeros = sm_rng_next(r) % 4 ? 0 : sm_rng_next(r) % 30;
    size_t digits = 1 + sm_rng_next(r) % (sm_rng_next(r) % 8 ? 20 : 60);
    size_t mark = sm_rng_next(r) % (zeros + digits + 2); /* one past the end: none */
    for (size_t i = 0; i <= zeros + digits; i++) {
        if (i == mark) {
            *p++ = '.';
        }
        if (i < zeros + digits) {
            *p++ = (char)(i < zeros ? '0' : '0' + (int)(sm_rng_next(r) % 10));
        }
    }
    *p = '\0';
    if (sm_rng_next(r) % 3 == 0) {
        unsigned most = sm_rng_next(r) % 4 ? 30 : 330;
        (void)snprintf(p, 16, "%s%u", marks[sm_rng_next(r) % 5], (unsigned)(sm_rng_next(r) % most));
    }
}

/* Against the C library, which rounds correctly (glibc's manual on strtod); what overflows is no
 * number here. Bit for bit, so that the sign of zero counts. */
static void test_number_parse__random_decimal_strings(void **state)
{
    (void)state;
    sm_rng r = sm_rng_seed(11);
    for (int i = 0; i < 200000; i++) {
        char text[128];
        write_decimal(&r, text);
        double want = strtod(text, NULL);
        double got = parse(text, '.');
        if (isinf(want) ? !isnan(got) : memcmp(&got, &want, sizeof got) != 0) {
            fail_msg("%s: %a, the C library says %a", text, got, want);
        }
        double v = 0; /* the whole of it was read */
        assert_ptr_equal(sm_number_parse(text, text + strlen(text), '.', &v), text + strlen(text));
    }
}

static void test_number_parse__odd_forms(void **state)
{
    (void)state;
    assert_true(parse("0,1178", ',') == 0.1178);
    assert_true(parse("\xe2\x88\x92"
                      "0,5612",
                      ',') == -0.5612);
    assert_true(isnan(parse("NaN", '.')));
    assert_true(isnan(parse("-inf", '.')));
    assert_true(isnan(parse("1e999", '.')));
    double v = 3;
    assert_null(sm_number_parse("abc", (const char[]){'a'} + 1, '.', &v));
    assert_true(v == 3);
    assert_false(sm_number_read("1.5x", &v));
    assert_true(sm_number_read(" 1.5 ", &v));
}

static void test_ratio__keeps_teeth_and_refuses_nonsense(void **state)
{
    (void)state;
    sm_ratio r;
    assert_int_equal(sm_ratio_read("51/21", &r), SM_OK);
    assert_int_equal(r.num, 51);
    assert_int_equal(r.den, 21);
    assert_int_equal(sm_ratio_read("2.43", &r), SM_OK);
    assert_true(sm_ratio_equal(r, (sm_ratio){243, 100}));
    static const char *const bad[] = {"0", "-2", "1/0", "x", "", "2:1", "1/2/3", "1e3", "nan"};
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        assert_int_equal(sm_ratio_read(bad[i], &r), SM_E_VALUE);
    }
    sm_ratio p = sm_ratio_mul((sm_ratio){21, 51}, (sm_ratio){3, 1});
    assert_int_equal(p.num, 21);
    assert_int_equal(p.den, 17);
}

static sm_status parse_ini(const char *text, sm_ini *ini, sm_error *err)
{
    return sm_ini_parse(text, strlen(text), "t.ini", ini, err);
}

static void test_ini__reads_and_names_lines(void **state)
{
    (void)state;
    sm_ini ini = {0};
    sm_error err = {0};
    assert_ok(parse_ini("# c\n[a]\nkey = 1 ; x\nb= two words\r\n[limit shake]\nmax = 0.5 g\n", &ini,
                        &err),
              &err);
    const sm_ini_section *a = sm_ini_section_find(&ini, "a");
    assert_string_equal(sm_ini_find(a, "key")->value, "1");
    assert_string_equal(sm_ini_find(a, "b")->value, "two words");
    assert_string_equal(sm_ini_section_label(&ini.sections[1], "limit"), "shake");
    assert_int_equal(sm_ini_find(&ini.sections[1], "max")->line, 6);
    static const char *const known[] = {"kei", "b"};
    assert_int_equal(sm_ini_check_keys(&ini, a, known, 2, &err), SM_E_FORMAT);
    assert_int_equal(err.line, 3);
    assert_non_null(strstr(err.message, "did you mean 'kei'"));
    sm_ini_free(&ini);
    static const struct {
        const char *text;
        long line;
    } bad[] = {{"x = 1\n", 1},       {"[a]\nx = 1\nx = 2\n", 3}, {"[a]\n[b]\n[a]\n", 3},
               {"[a\n", 1},          {"[a]\nnonsense\n", 2},     {"[a]\n = 3\n", 2},
               {"[a]\nkey : 3\n", 2}};
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        assert_int_equal(parse_ini(bad[i].text, &ini, &err), SM_E_FORMAT);
        assert_int_equal(err.line, bad[i].line);
    }
}

static void test_ini__survives_every_failed_allocation(void **state)
{
    (void)state;
    sm_status st = SM_E_NOMEM;
    for (long k = 1; st != SM_OK; k++) {
        sm_ini ini = {0};
        sm_alloc_fail_at(k);
        st = parse_ini("[a]\nx = 1\n[b]\ny = 2\n", &ini, NULL);
        sm_alloc_fail_at(0);
        assert_true(st == SM_OK || st == SM_E_NOMEM);
        sm_ini_free(&ini);
        assert_true(k < 100);
    }
}

static void test_units__convert_exactly(void **state)
{
    (void)state;
    /* g0 and the inch are exact by definition (CGPM 1901; international yard 1959). */
    assert_close(sm_unit_find("g")->to_si, 9.80665, 0, "g0");
    assert_close(sm_unit_find("in/s")->to_si * sm_detector_factor(SM_RMS) * 1000 / sqrt(2),
                 17.960512, 5e-7, "1 in/s pk in mm/s rms, NIST SP 811 inch");
    assert_null(sm_unit_find("furlong"));
    assert_ptr_not_equal(sm_unit_find("g"), sm_unit_find("G"));
    sm_measure_value v;
    sm_error err;
    assert_ok(sm_measure_value_read("0.2 in/s peak", &v, &err), &err);
    assert_true(v.has_detector && v.detector == SM_PEAK && v.value == 0.2);
    assert_ok(sm_measure_value_read("50 % of range", &v, &err), &err);
    assert_true(v.percent && !v.unit);
    assert_ok(sm_measure_value_read("0.01 g^2/Hz", &v, &err), &err);
    assert_true(v.is_psd);
    assert_int_equal(sm_measure_value_read("3 parsec", &v, &err), SM_E_FORMAT);
}

static void test_stats__quantiles_match_tables(void **state)
{
    (void)state;
    /* SciPy 1.10.1 chi2, t and F; the chi-square intervals also stand in Bendat & Piersol's tables.
     */
    assert_close(8 / sm_chi2_quantile(0.975, 8), 0.45624, 6e-6, "chi2 nu 8");
    assert_close(8 / sm_chi2_quantile(0.025, 8), 3.67018, 6e-6, "chi2 nu 8");
    assert_close(400 / sm_chi2_quantile(0.025, 400), 1.15446, 6e-6, "chi2 nu 400");
    assert_close(28.5211 / sm_chi2_quantile(0.975, 28.5211), 0.632134, 2e-6, "chi2 nu 28.52");
    assert_close(sm_f_quantile(0.975, 16, 16), 2.76136, 6e-6, "F 16 16");
    assert_close(sm_f_quantile(0.025, 32, 128), 0.54766, 6e-6, "F 32 128");
    assert_close(1 - sm_f_cdf(2, 32, 32), 0.0270241, 6e-8, "P(F > 2)");
    assert_close(sm_normal_quantile(0.975), 1.959963984540054, 1e-12, "z");
    assert_close(sm_normal_quantile(0.999), 3.090232306167813, 1e-12, "z");
    assert_close(sm_t_quantile(0.975, 8), 2.306004135, 1e-8, "t 8"); /* Student's table: 2.306 */
    assert_close(sm_t_quantile(0.999, 1), 318.3088, 1e-3, "t 1");
}

static void test_file__store_is_all_or_nothing(void **state)
{
    (void)state;
    sm_error err;
    assert_ok(sm_file_store(SM_TEST_SCRATCH "/a.txt", "hello", 5, &err), &err);
    sm_file_identity id;
    assert_ok(sm_file_identify(SM_TEST_SCRATCH "/a.txt", &id, &err), &err);
    /* NIST FIPS 180 check by coreutils sha256sum of the five bytes */
    assert_string_equal(id.sha256,
                        "2cf24dba5fb0a30e26e83b2ac5b9e29e1b161e5c1fa7425e73043362938b9824");
    assert_int_equal(id.bytes, 5);
    assert_int_equal(sm_file_store(SM_TEST_SCRATCH "/none/b.txt", "x", 1, &err), SM_E_IO);
    assert_int_equal(sm_file_store("/dev/full", "x", 1, &err), SM_E_IO);
    assert_int_equal(sm_file_store(SM_TEST_SCRATCH, "x", 1, &err), SM_E_IO);
    char *text;
    size_t n;
    assert_int_equal(sm_file_load(SM_TEST_SCRATCH, 100, &text, &n, &err), SM_E_IO);
    assert_int_equal(sm_file_load(SM_TEST_SCRATCH "/a.txt", 3, &text, &n, &err), SM_E_IO);
}

static void test_text__foreign_text_is_inert(void **state)
{
    (void)state;
    char out[32];
    sm_text_inert("a\x1b[31m\xff\xc2\x9b"
                  "\xc2\xb5",
                  11, out, sizeof out);
    assert_string_equal(out, "a?[31m??\xc2\xb5");
    sm_text_inert("\xc2\xb5\xc2\xb5", 4, out, 4);
    assert_string_equal(out, "\xc2\xb5");
}

/* Found where it is, and nothing else is one: noise, a click that a filter at 0.4 of the rate let
 * through (sinc, its value between the samples too), two equal samples, a NaN beside it. */
static void test_spikes__stand_alone(void **state)
{
    (void)state;
    enum { N = 600 };
    double x[N];
    sm_spike s[SM_SPIKES_MOST];
    sm_rng r = sm_rng_seed(5);
    for (int pass = 0; pass < 300; pass++) {
        for (int i = 0; i < N; i++) {
            x[i] = sm_rng_normal(&r);
        }
        assert_int_equal(sm_spikes_of(x, N, 0, s), 0);
    }
    for (int kind = 0; kind < 5; kind++) {
        for (int i = 0; i < N; i++) {
            double d = i - 301 - (kind == 1 ? 0.5 : 0);
            double pi = 3.14159265358979323846;
            double sinc = d == 0 ? 1 : sin(0.8 * pi * d) / (0.8 * pi * d);
            double click = kind < 2    ? sinc
                           : kind == 2 ? i == 301 || i == 302
                                       : i == 301 || i == 420;
            x[i] = 0.1 * sm_rng_normal(&r) + 20 * click;
        }
        x[302] = kind == 4 ? (double)NAN : x[302];
        size_t n = sm_spikes_of(x, N, 0, s);
        assert_int_equal(n, kind == 3 ? 2 : 0);
        if (n == 2) {
            assert_int_equal(s[0].i, 301);
            assert_int_equal(s[1].i, 420);
            /* the noise of three samples, four of their sd 0.1 sqrt(1.5) */
            assert_true(fabs(s[0].height - 20) < 0.5);
        }
        assert_int_equal(sm_spikes_of(x, N, 30, s), 0);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_status__every_code_has_a_name),
        cmocka_unit_test(test_number_parse__agrees_with_the_c_library),
        cmocka_unit_test(test_number_parse__random_decimal_strings),
        cmocka_unit_test(test_number_parse__odd_forms),
        cmocka_unit_test(test_ratio__keeps_teeth_and_refuses_nonsense),
        cmocka_unit_test(test_ini__reads_and_names_lines),
        cmocka_unit_test(test_ini__survives_every_failed_allocation),
        cmocka_unit_test(test_units__convert_exactly),
        cmocka_unit_test(test_stats__quantiles_match_tables),
        cmocka_unit_test(test_file__store_is_all_or_nothing),
        cmocka_unit_test(test_text__foreign_text_is_inert),
        cmocka_unit_test(test_spikes__stand_alone),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
