/* The plan never asks for a dwell that the placards forbid, and covers what they allow. */
#include "core/alloc.h"
#include "report/record.h"
#include "sm_test.h"
#include "stillmount/plan.h"

#include <string.h>

static const char *const powertrain_text = "[powertrain]\nname = t\nrpm_of = crank\n[engine]\n"
                                           "cycle = four-stroke\ncylinders = 4\n[gearbox]\n"
                                           "ratio = 51/21\n[propeller]\nblades = 3\n";
static const char *const budget_text =
    "[budget]\nname = b\nsource = invented for a test\nrpm = 1800-5600 step 200\n"
    "[limit shake]\nchannels = mount.accel.*\nmeasure = rms\nhz = 5-200\nmax = 0.5 g\n"
    "[limit imbalance]\nchannels = prop.accel.*\nmeasure = order\norder = prop 1\nas = velocity\n"
    "max = 0.2 in/s peak\n";

static sm_json_doc *plan_of(const char *operating, const char *more_budget)
{
    static sm_powertrain p;
    static sm_budget b;
    sm_error err = {0};
    sm_text t = {0};
    sm_json_doc *doc = NULL;
    sm_text_addf(&t, "%s[operating]\n%s", powertrain_text, operating);
    assert_ok(sm_powertrain_parse(t.s, t.n, "p", &p, &err), &err);
    t.n = 0;
    sm_text_addf(&t, "[budget]\n%s%s", more_budget, budget_text + strlen("[budget]\n"));
    assert_ok(sm_budget_parse(t.s, t.n, "b", &b, &err), &err);
    sm_text_free(&t);
    assert_int_equal(sm_json_open(&doc), SM_OK);
    assert_ok(sm_plan_make(&p, &b, doc, &err), &err);
    return doc;
}

static size_t n_holds(sm_json_doc *doc, const char *direction, double *seconds_above, double above)
{
    const sm_json *steps = sm_json_get(sm_json_root(doc), "steps");
    size_t n = 0;
    *seconds_above = 0;
    for (size_t i = 0; i < sm_json_size(steps); i++) {
        const sm_json *s = sm_json_at(steps, i);
        if (strcmp(sm_record_text(s, "direction"), direction) == 0) {
            n++;
            *seconds_above +=
                sm_record_number(s, "rpm") > above ? sm_record_number(s, "seconds") : 0;
        }
    }
    return n;
}

static bool warns(sm_json_doc *doc, const char *code)
{
    const sm_json *w = sm_json_get(sm_json_root(doc), "warnings");
    for (size_t i = 0; i < sm_json_size(w); i++) {
        if (strcmp(sm_record_text(sm_json_at(w, i), "code"), code) == 0) {
            return true;
        }
    }
    return false;
}

static void test_plan__covers_every_required_band_both_ways(void **state)
{
    (void)state;
    double full = 0;
    sm_json_doc *doc = plan_of("idle = 1400\nmax = 6000\nfull_power_seconds = 300\n", "");
    assert_int_equal(n_holds(doc, "up", &full, 1e9), 19); /* (5600 - 1800) / 200 */
    assert_int_equal(n_holds(doc, "down", &full, 1e9), 19);
    assert_int_equal(sm_record_count(sm_json_root(doc), "warnings"), 0);
    const sm_json *logger = sm_json_get(sm_json_root(doc), "logger");
    assert_close(sm_record_number(logger, "hz_max"), 200, 0, "highest limit frequency");
    assert_true(sm_record_number(logger, "rate_least_hz") >= 500); /* 200 / 0.4 */
    assert_true(sm_record_number(logger, "rate_hz") >= 800);       /* 200 / 0.25 */
    assert_int_equal(sm_record_count(logger, "sensors"), 2);
    sm_json_close(&doc);
}

/* The slowest shaft turns at 1900 / (51/21) rpm: 60 turns take 4.6 s, 600 take 46 s. */
static void test_plan__turns_of_the_slowest_shaft(void **state)
{
    (void)state;
    sm_json_doc *doc = plan_of("idle = 1400\nmax = 9000\n", "min_turns = 600\n");
    const sm_json *steps = sm_json_get(sm_json_root(doc), "steps");
    bool seen = false;
    for (size_t i = 0; i < sm_json_size(steps); i++) {
        const sm_json *s = sm_json_at(steps, i);
        if (strcmp(sm_record_text(s, "kind"), "hold") == 0) {
            double prop_rpm = sm_record_number(s, "rpm") * 21 / 51;
            assert_true(sm_record_number(s, "seconds") * prop_rpm / 60 >= 600);
            seen = true;
        }
    }
    assert_true(seen);
    assert_true(warns(doc, "full-power")); /* no full_power_seconds: said, not guessed */
    sm_json_close(&doc);
}

/* Many placards: no hold inside an avoid range, outside idle to maximum, or too long at the top. */
static void test_plan__no_forbidden_dwell(void **state)
{
    (void)state;
    unsigned long long seed = 12345;
    for (int round = 0; round < 300; round++) {
        double v[6];
        for (int i = 0; i < 6; i++) {
            seed = seed * 6364136223846793005ULL + 1442695040888963407ULL;
            v[i] = (double)(seed >> 40) / (double)(1 << 24);
        }
        double a0 = 1500 + 2000 * v[0];
        double a1 = a0 + 20 + 900 * v[1];
        double b0 = a1 + 10 + 600 * v[2];
        double b1 = b0 + 5 + 500 * v[3];
        double idle = 1200 + 900 * v[4];
        double max = b1 + 50 + 2000 * v[5];
        double full = 5 + 20 * v[0];
        char text[200];
        (void)snprintf(text, sizeof text,
                       "idle = %.0f\nmax = %.0f\navoid = %.0f-%.0f, %.0f-%.0f\n"
                       "full_power_seconds = %.0f\n",
                       idle, max, a0, a1, b0, b1, full);
        sm_json_doc *doc = plan_of(text, "min_passes = 2\n");
        const sm_json *steps = sm_json_get(sm_json_root(doc), "steps");
        for (size_t i = 0; i < sm_json_size(steps); i++) {
            const sm_json *s = sm_json_at(steps, i);
            double rpm = sm_record_number(s, "rpm");
            if (strcmp(sm_record_text(s, "kind"), "hold") == 0) {
                double lo;
                double hi;
                sm_record_pair(s, "band", &lo, &hi);
                assert_true(rpm >= lo && rpm < hi);
                assert_true(rpm >= floor(idle) && rpm <= ceil(max));
                assert_false(rpm > a0 && rpm < a1);
                assert_false(rpm > b0 && rpm < b1);
            }
        }
        double up_s = 0;
        double down_s = 0;
        (void)n_holds(doc, "up", &up_s, 0.95 * max);
        (void)n_holds(doc, "down", &down_s, 0.95 * max);
        assert_true(up_s + down_s <= full + 0.5);
        sm_text page = {0};
        sm_plan_text(doc, &page);
        for (const char *line = page.s; *line;) {
            size_t n = strcspn(line, "\n");
            assert_true(n <= 80);
            line += n + (line[n] == '\n');
        }
        sm_text_free(&page);
        sm_json_close(&doc);
    }
}

static void test_plan__says_what_cannot_be_had(void **state)
{
    (void)state;
    sm_json_doc *doc = plan_of("idle = 2500\nmax = 5000\navoid = 2990-3410\n"
                               "full_power_seconds = 2\n",
                               "");
    assert_true(warns(doc, "avoid"));         /* 3000-3200 and 3200-3400 lie inside */
    assert_true(warns(doc, "not-reachable")); /* below idle, above the maximum */
    assert_true(warns(doc, "full-power"));    /* 2 s cannot hold 2 s and the way there */
    sm_json_close(&doc);
    doc = plan_of("", "");
    assert_true(warns(doc, "operating"));
    sm_json_close(&doc);
}

static void test_plan__allocation(void **state)
{
    (void)state;
    static sm_powertrain p;
    static sm_budget b;
    sm_error err = {0};
    assert_ok(sm_powertrain_parse(powertrain_text, strlen(powertrain_text), "p", &p, &err), &err);
    assert_ok(sm_budget_parse(budget_text, strlen(budget_text), "b", &b, &err), &err);
    bool done = false;
    for (long k = 1; !done && k < 10000; k++) {
        sm_json_doc *doc = NULL;
        sm_text page = {0};
        sm_alloc_fail_at(k);
        sm_status st = sm_json_open(&doc);
        st = st == SM_OK ? sm_plan_make(&p, &b, doc, &err) : st;
        if (st == SM_OK) {
            sm_plan_text(doc, &page);
            done = !page.failed;
        } else {
            assert_int_equal(st, SM_E_NOMEM);
        }
        sm_alloc_fail_at(0);
        sm_text_free(&page);
        sm_json_close(&doc);
    }
    assert_true(done);
    b.limits[1].order_label[0] = '?'; /* names no shaft */
    sm_json_doc *doc = NULL;
    assert_int_equal(sm_json_open(&doc), SM_OK);
    assert_int_equal(sm_plan_make(&p, &b, doc, &err), SM_E_VALUE);
    sm_json_close(&doc);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_plan__covers_every_required_band_both_ways),
        cmocka_unit_test(test_plan__turns_of_the_slowest_shaft),
        cmocka_unit_test(test_plan__no_forbidden_dwell),
        cmocka_unit_test(test_plan__says_what_cannot_be_had),
        cmocka_unit_test(test_plan__allocation),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
