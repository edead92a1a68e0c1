/*
 * Every allocation fails in turn where runs become results: comparison, ranking, prediction behind
 * mounts, transmissibility. Out of memory each time, nothing leaks (under the address sanitizer).
 */
#include "core/alloc.h"
#include "log_help.h"
#include "stillmount/assess.h"
#include "stillmount/compare.h"
#include "stillmount/isolator.h"
#include "stillmount/run.h"
#include "stillmount/stats.h"

#include <math.h>

static const char powertrain_text[] = "[powertrain]\nname = t\n[engine]\ncycle = four-stroke\n"
                                      "cylinders = 4\n";
static const char budget_text[] =
    "[budget]\nname = t\nsource = invented for this test\nrpm = 1900-2100 step 200\n"
    "[limit shake]\nchannels = mount.accel.z\nmeasure = rms\nhz = 5-80\nmax = 0.5 g\n"
    "[limit firing]\nchannels = mount.accel.z\nmeasure = order\norder = crank 2\nmax = 0.5 g\n";

enum { RATE = 250, SECONDS = 16 };

static sm_powertrain powertrain;
static sm_budget budget;
static sm_run *run;
static sm_assessment assessment;
static double *rows[8];

/* Held at 2000 rpm: crank 1 and 2 over noise at two places. */
static void set_up(void)
{
    sm_rng rng = sm_rng_seed(5);
    sm_text t = {0};
    sm_error err = {0};
    sm_text_add(&t, "time_s,ax_g,ay_g,az_g,base_ax_g,base_ay_g,base_az_g,rpm\n");
    for (int i = 0; i < RATE * SECONDS; i++) {
        double turn = 2000.0 / 60 * i / RATE;
        double tone = 0.1 * cos(6.283185307 * turn) + 0.2 * cos(2 * 6.283185307 * turn);
        sm_text_addf(&t, "%.3f", (double)i / RATE);
        for (int k = 0; k < 6; k++) {
            sm_text_addf(&t, ",%.6f", (k % 3 == 2 ? -1 : 0) + tone + 0.02 * sm_rng_normal(&rng));
        }
        sm_text_add(&t, ",2000\n");
    }
    const char *path = scratch_write("alloc-results.csv", t.s, t.n);
    sm_text_free(&t);
    assert_ok(
        sm_powertrain_parse(powertrain_text, sizeof powertrain_text - 1, "p", &powertrain, &err),
        &err);
    assert_ok(sm_budget_parse(budget_text, sizeof budget_text - 1, "b", &budget, &err), &err);
    sm_run_options opt = sm_run_options_default();
    opt.powertrain = &powertrain;
    opt.budget = &budget;
    assert_ok(sm_run_survey(path, &opt, &run, &err), &err);
    assert_ok(sm_assess(run, &assessment, &err), &err);
    collected c = {0};
    assert_ok(read_log(path, NULL, &c, NULL, NULL, &err), &err);
    for (size_t k = 0; k < c.n_channels; k++) {
        rows[k] = c.x[k];
        c.x[k] = NULL;
    }
    collected_free(&c);
}

typedef sm_status (*job)(sm_json_doc *doc, sm_error *err);

static void fail_each(const char *what, job work)
{
    for (long k = 1; k < 20000; k++) {
        sm_error err = {0};
        sm_json_doc *doc = NULL;
        sm_alloc_fail_at(k);
        sm_status st = sm_json_open(&doc);
        st = st == SM_OK ? work(doc, &err) : st;
        st = st == SM_OK ? sm_json_status(doc) : st;
        bool reached = sm_alloc_count() >= k;
        sm_alloc_fail_at(0);
        sm_json_close(&doc);
        if (!reached) {
            assert_ok(st, &err);
            assert_true(k > 5);
            return;
        }
        if (st != SM_E_NOMEM) {
            (void)fprintf(stderr, "%s, allocation %ld: %s: %s\n", what, k, sm_status_text(st),
                          err.message);
            fail();
        }
    }
    fail();
}

static sm_status job_compare(sm_json_doc *doc, sm_error *err)
{
    sm_compare_run side = {
        .name = "a", .survey = sm_run_survey_result(run), .findings = sm_run_findings(run)};
    sm_compare_setup setup = {.budget = &budget,
                              .powertrain = &powertrain,
                              .orders = sm_run_orders(run),
                              .every_order = true,
                              .change = sm_change_options_default()};
    sm_change_verdict verdict;
    return sm_compare_json(&side, 1, &side, 1, &setup, doc, &verdict, err);
}

static sm_status job_rank(sm_json_doc *doc, sm_error *err)
{
    sm_rank_run two[2] = {{run, &assessment, "left"}, {run, &assessment, "right"}};
    bool any;
    return sm_rank_json(two, 2, 2, doc, &any, err);
}

static sm_status job_predict(sm_json_doc *doc, sm_error *err)
{
    (void)doc;
    sm_predictor *p = NULL;
    sm_status st = sm_predictor_open(sm_run_survey_result(run), &budget, &powertrain,
                                     sm_run_orders(run), "mount", &p, err);
    sm_predictor_close(&p);
    return st;
}

static sm_status job_across(sm_json_doc *doc, sm_error *err)
{
    const sm_source_info *info = sm_run_info(run);
    sm_across *a = NULL;
    sm_status st = sm_across_open(info->channels, info->n_channels, RATE, "base", "mount",
                                  sm_run_orders(run), &a, err);
    if (st != SM_OK) {
        return st;
    }
    sm_sink sink = sm_across_sink(a);
    const double *x[8];
    for (size_t k = 0; k < info->n_channels; k++) {
        x[k] = rows[k];
    }
    static double rpm[RATE * SECONDS];
    static double theta[RATE * SECONDS];
    for (int i = 0; i < RATE * SECONDS; i++) {
        rpm[i] = 2000;
        theta[i] = 2000.0 / 60 * i / RATE;
    }
    for (size_t i = 0; i < RATE * SECONDS && st == SM_OK; i += 1000) {
        const double *at[8];
        for (size_t k = 0; k < info->n_channels; k++) {
            at[k] = x[k] + i;
        }
        sm_block b = {.rate_hz = RATE,
                      .n_channels = info->n_channels,
                      .t0_s = (double)i / RATE,
                      .n_rows = 1000,
                      .x = at,
                      .rpm = rpm + i,
                      .theta_rev = theta + i};
        st = sink.push(sink.self, &b, err);
    }
    st = st == SM_OK ? sink.mark(sink.self, SM_MARK_END, SECONDS, err) : st;
    bool assessed;
    st = st == SM_OK ? sm_across_json(a, doc, &assessed, err) : st;
    sm_across_close(&a);
    return st;
}

static void test_results(void **state)
{
    (void)state;
    set_up();
    fail_each("rank", job_rank);
    fail_each("predict", job_predict);
    fail_each("compare", job_compare);
    fail_each("across", job_across);
    for (size_t k = 0; k < 8; k++) {
        free(rows[k]);
    }
    sm_assessment_free(&assessment);
    sm_run_close(&run);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_results)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
