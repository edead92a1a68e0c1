/*
 * What a user's mistake gives back: a file that is not there, a line that is no line, a value that
 * cannot be; each by the status that the header promises, with the file and the line.
 */
#include "log_help.h"
#include "stillmount/balance.h"
#include "stillmount/budget.h"
#include "stillmount/compare.h"
#include "stillmount/estimate.h"
#include "stillmount/ini.h"
#include "stillmount/isolator.h"
#include "stillmount/powertrain.h"
#include "stillmount/run.h"
#include "stillmount/source.h"
#include "stillmount/spectrum.h"

#define ABSENT SM_TEST_SCRATCH "/there-is-no-such-file"

/* The status of each mistake, and that its message says where. */
static void expect(sm_status got, sm_status want, const sm_error *err, long line)
{
    if (got != want || err->code != want || err->line != line || !err->message[0]) {
        (void)fprintf(stderr, "%s instead of %s, line %ld instead of %ld: %s\n",
                      sm_status_text(got), sm_status_text(want), err->line, line, err->message);
        fail();
    }
}

static const char *text(const char *body)
{
    return scratch_text("mistake.ini", body);
}

static void test_budget(void **state)
{
    (void)state;
    static sm_budget b;
    sm_error err = {0};
    expect(sm_budget_read(ABSENT, &b, &err), SM_E_IO, &err, 0);
    err = (sm_error){0};
    expect(sm_budget_read(text("[budget]\nname\n"), &b, &err), SM_E_FORMAT, &err, 2);
    err = (sm_error){0};
    expect(sm_budget_read(text("[budget]\nname = b\nsource = s\nrpm = 5600-1800\n"), &b, &err),
           SM_E_VALUE, &err, 4);
    err = (sm_error){0};
    expect(sm_budget_parse("[budget\n", 8, "b", &b, &err), SM_E_FORMAT, &err, 1);
}

static void test_powertrain(void **state)
{
    (void)state;
    sm_powertrain p;
    sm_error err = {0};
    expect(sm_powertrain_read(ABSENT, &p, &err), SM_E_IO, &err, 0);
    err = (sm_error){0};
    expect(sm_powertrain_read(text("[powertrain]\n= 4\n"), &p, &err), SM_E_FORMAT, &err, 2);
    err = (sm_error){0};
    expect(sm_powertrain_read(text("[powertrain]\n[engine]\ncylinders = no\n"), &p, &err),
           SM_E_VALUE, &err, 3);
    err = (sm_error){0};
    expect(sm_powertrain_parse("[powertrain\n", 12, "p", &p, &err), SM_E_FORMAT, &err, 1);
    err = (sm_error){0};
    sm_order_table t;
    const char *extra[] = {"prop one"};
    static const char four[] = "[powertrain]\n[engine]\ncylinders = 4\n";
    assert_ok(sm_powertrain_parse(four, sizeof four - 1, "p", &p, &err), &err);
    assert_int_equal(sm_powertrain_orders(&p, 8, extra, 1, &t, &err), SM_E_VALUE);
    assert_non_null(strstr(err.message, "prop one"));
}

static void test_body(void **state)
{
    (void)state;
    sm_body b;
    sm_error err = {0};
    expect(sm_body_read(ABSENT, &b, &err), SM_E_IO, &err, 0);
    err = (sm_error){0};
    expect(sm_body_read(text("[body]\nmass 2 kg\n"), &b, &err), SM_E_FORMAT, &err, 2);
    err = (sm_error){0};
    expect(sm_body_read(text("[body]\nmass = -2 kg\n"), &b, &err), SM_E_VALUE, &err, 2);
    sm_mode modes[6];
    double h[6][6][2];
    memset(&b, 0, sizeof b); /* no mass, nothing that carries it */
    assert_int_equal(sm_body_check(&b, &err), SM_E_VALUE);
    assert_int_equal(sm_body_modes(&b, modes, &err), SM_E_VALUE);
    assert_int_equal(sm_body_response(&b, 10, h, &err), SM_E_VALUE);
}

static void test_ini(void **state)
{
    (void)state;
    sm_ini ini = {0};
    sm_error err = {0};
    expect(sm_ini_read(ABSENT, &ini, &err), SM_E_IO, &err, 0);
    err = (sm_error){0};
    expect(sm_ini_read(text("[a]\nb = 1\nb = 2\n"), &ini, &err), SM_E_FORMAT, &err, 3);
    static const char good[] = "[a]\nx = 1.5\nn = two\nfar = 1e9\n";
    err = (sm_error){0};
    assert_ok(sm_ini_parse(good, sizeof good - 1, "i", &ini, &err), &err);
    const sm_ini_section *s = sm_ini_section_find(&ini, "a");
    double v = 7;
    long n = 7;
    expect(sm_ini_get_number(&ini, s, "n", 0, 10, &v, &err), SM_E_VALUE, &err, 3);
    err = (sm_error){0};
    expect(sm_ini_get_number(&ini, s, "far", 0, 10, &v, &err), SM_E_VALUE, &err, 4);
    err = (sm_error){0};
    expect(sm_ini_get_integer(&ini, s, "x", 0, 10, &n, &err), SM_E_VALUE, &err, 2);
    assert_true(v == 7 && n == 7);
    sm_ini_free(&ini);
}

static const char log_text[] = "time_s,ax_g,ay_g,az_g\n0,0.1,0.2,1\n0.001,0.2,0.1,1\n"
                               "0.002,0.1,0.2,1\n0.003,0.2,0.1,1\n";

static void test_logs(void **state)
{
    (void)state;
    sm_error err = {0};
    sm_source *s = NULL;
    sm_source_options o = sm_source_options_default();
    expect(sm_source_open(scratch_text("mistake.csv", ""), &o, &s, &err), SM_E_SHORT, &err, 1);
    err = (sm_error){0};
    o.channels_path = text("[column ax_g]\nscale = much\n");
    assert_int_equal(sm_source_open(scratch_text("mistake.csv", log_text), &o, &s, &err),
                     SM_E_VALUE);
    assert_int_equal(err.line, 2);
}

static void test_templates(void **state)
{
    (void)state;
    sm_error err = {0};
    sm_text t = {0};
    assert_int_equal(sm_source_template(ABSENT, NULL, &t, &err), SM_E_IO);
    err = (sm_error){0};
    const char *words = scratch_text("mistake.csv", "no log\nat all\n");
    expect(sm_source_template(words, NULL, &t, &err), SM_E_FORMAT, &err, 2);
    err = (sm_error){0};
    const char *ini = scratch_text("template.ini", "[column ax]\nscale = much\n");
    const char *log = scratch_text("mistake.csv", "time_s,ax\n0,1\n0.001,2\n0.002,1\n");
    assert_int_equal(sm_source_template(log, ini, &t, &err), SM_E_VALUE);
    assert_int_equal(t.n, 0);
    assert_ok(sm_source_template(log, NULL, &t, &err), &err);
    assert_non_null(strstr(t.s, "[column ax]\nrole = mount.accel.x\nunit = ?"));
    sm_text_free(&t);
}

static sm_status no_frames(void *self, const sm_frame *frame, sm_error *err)
{
    (void)self;
    (void)frame;
    (void)err;
    return SM_OK;
}

static void test_spectra(void **state)
{
    (void)state;
    sm_error err = {0};
    sm_fft *f = NULL;
    for (size_t n = 0; n < 4; n += 3) { /* nothing, and odd */
        err = (sm_error){0};
        expect(sm_fft_open(n, &f, &err), SM_E_ARG, &err, 0);
    }
    assert_null(f);
    sm_framer *framer = NULL;
    size_t pick = 0;
    err = (sm_error){0};
    expect(sm_framer_open(&pick, 1, 0, no_frames, NULL, &framer, &err), SM_E_ARG, &err, 0);
    assert_null(framer);
    sm_run_options o = sm_run_options_default();
    sm_speed_question q = {.options = &o, .path = "blocks"};
    sm_estimate_result points = {0};
    sm_speed_options speed;
    sm_findings found = {0};
    err = (sm_error){0};
    expect(sm_run_choose_speed(&q, &points, &found, &speed, &err), SM_E_NO_SPEED, &err, 0);
    sm_findings_free(&found);
}

static void test_runs(void **state)
{
    (void)state;
    static sm_powertrain p;
    sm_error err = {0};
    static const char four[] = "[powertrain]\n[engine]\ncylinders = 4\n";
    assert_ok(sm_powertrain_parse(four, sizeof four - 1, "p", &p, &err), &err);
    sm_run_options o = sm_run_options_default();
    sm_run *r = NULL;
    assert_int_equal(sm_run_survey(ABSENT, &o, &r, &err), SM_E_ARG); /* no powertrain */
    o.powertrain = &p;
    assert_int_equal(sm_run_survey(ABSENT, &o, &r, &err), SM_E_IO);
    const char *words = scratch_text("mistake.csv", "no log\nat all\n");
    assert_int_equal(sm_run_survey(words, &o, &r, &err), SM_E_FORMAT);
    const char *empty = scratch_text("mistake.csv", "");
    assert_int_equal(sm_run_survey(empty, &o, &r, &err), SM_E_SHORT);
    o.speed = "log"; /* and no --rpm-log */
    const char *log = scratch_text("mistake.csv", log_text);
    assert_int_equal(sm_run_survey(log, &o, &r, &err), SM_E_NO_SPEED);
    assert_null(r);
    sm_channel c[1] = {{.name = "mount.accel.x", .role = SM_ROLE_ACCEL}};
    o = sm_run_options_default();
    assert_int_equal(sm_run_begin(c, 1, 1000, "r", &o, &r, &err), SM_E_ARG);
    o.powertrain = &p;
    assert_int_equal(sm_run_begin(c, 1, 1000, "r", &o, &r, &err), SM_E_NO_SPEED);
    assert_null(r);
}

static void test_across(void **state)
{
    (void)state;
    sm_error err = {0};
    sm_across *a = NULL;
    sm_channel c[1] = {{.name = "mount.accel.x", .place = "mount", .role = SM_ROLE_ACCEL}};
    assert_int_equal(sm_across_open(c, 1, 1000, "base", "mount", NULL, &a, &err), SM_E_VALUE);
    assert_non_null(strstr(err.message, "base"));
    assert_null(a);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_budget),  cmocka_unit_test(test_powertrain),
        cmocka_unit_test(test_body),    cmocka_unit_test(test_ini),
        cmocka_unit_test(test_logs),    cmocka_unit_test(test_runs),
        cmocka_unit_test(test_across),  cmocka_unit_test(test_templates),
        cmocka_unit_test(test_spectra),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
