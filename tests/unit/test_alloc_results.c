/*
 * Every allocation fails in turn where runs become results: comparison, ranking, prediction behind
 * mounts, transmissibility. Out of memory each time, nothing leaks (under the address sanitizer).
 * And what a caller's mistake gives back.
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
static int set_up(void **state)
{
    (void)state;
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
    return 0;
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
    sm_status st = sm_compare_json(&side, 1, &side, 1, &setup, doc, &verdict, err);
    assert_true(st == SM_OK || st == SM_E_NOMEM);
    return st;
}

static sm_status job_rank(sm_json_doc *doc, sm_error *err)
{
    sm_rank_run two[2] = {{.run = run, .assessment = &assessment, .label = "left"},
                          {.run = run, .assessment = &assessment, .label = "right"}};
    bool any;
    sm_status st = sm_rank_json(two, 2, 2, doc, &any, err);
    assert_true(st == SM_OK || st == SM_E_NOMEM);
    return st;
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
    assert_true(st == SM_OK || st == SM_E_NOMEM);
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

/* Each by itself, so that it is this function that says so. */
static sm_status job_judge(sm_json_doc *doc, sm_error *err)
{
    (void)doc;
    sm_reading two[2] = {{.value = 1, .nu = 60}, {.value = 1.1, .nu = 60}};
    sm_pairing p = {.before = two, .n_before = 2, .after = two, .n_after = 2};
    sm_change change = {0};
    sm_pooled pools[3];
    sm_repeatability repeatability;
    bool stands = false;
    sm_status st = sm_change_judge(&p, 1, NULL, &change, &repeatability, err);
    assert_true(st == SM_OK || st == SM_E_NOMEM);
    if (st == SM_OK) {
        st = sm_change_pools(&p, 1, NULL, &change, pools, 1, 1, err);
        assert_true(st == SM_OK || st == SM_E_NOMEM);
    }
    if (st == SM_OK) {
        st = sm_holm(&change.p, 1, 0.05, &stands);
        assert_true(st == SM_OK || st == SM_E_NOMEM);
    }
    return st;
}

static sm_status job_transfer(sm_json_doc *doc, sm_error *err)
{
    (void)doc;
    sm_transfer_options opt = {.window = SM_WINDOW_HANN, .n_frame = 64, .hop = 32};
    size_t from = 0;
    size_t to = 1;
    sm_transfer *t = NULL;
    sm_cross all = {0};
    sm_status st = sm_transfer_open(&from, &to, 1, RATE, &opt, &t, err);
    assert_true(st == SM_OK || st == SM_E_NOMEM);
    if (st == SM_OK) {
        st = sm_transfer_peek(t, 0, &all, err);
        assert_true(st == SM_OK || st == SM_E_NOMEM);
    }
    if (st == SM_OK) {
        sm_ratio_point points[16] = {{.hz = 1}};
        sm_mount_fit fit;
        st = sm_mount_fit_compute(points, 16, all.bin_hz, &fit);
        assert_true(st == SM_OK || st == SM_E_NOMEM);
    }
    sm_cross_free(&all);
    sm_transfer_close(&t);
    return st;
}

static const char body_text[] = "[body]\nmass = 1.5 kg\ninertia = 0.004 0.006 0.008 kg m^2\n"
                                "[isolator a]\nat = 60 50 0 mm\nstiffness = 1000 N/m\n"
                                "damping = 0.1\n"
                                "[isolator b]\nat = -60 50 0 mm\nstiffness = 1000 N/m\n"
                                "damping = 0.1\n"
                                "[isolator c]\nat = 0 -100 0 mm\nstiffness = 1000 N/m\n"
                                "damping = 0.1\n";

static sm_status job_body(sm_json_doc *doc, sm_error *err)
{
    (void)doc;
    sm_body b;
    sm_status st = sm_body_parse(body_text, sizeof body_text - 1, "g", &b, err);
    assert_true(st == SM_OK || st == SM_E_NOMEM);
    return st;
}

static const char *body_path;

static sm_status job_body_read(sm_json_doc *doc, sm_error *err)
{
    (void)doc;
    sm_body b;
    sm_status st = sm_body_read(body_path, &b, err);
    assert_true(st == SM_OK || st == SM_E_NOMEM);
    return st;
}

/* The run behind a mount and, with a search, behind the best of a range. */
static sm_status behind(sm_json_doc *doc, bool search, sm_error *err)
{
    sm_predictor *p = NULL;
    sm_candidate best[4];
    sm_search_counts counts;
    size_t n = 0;
    sm_isolator mount = sm_isolator_viscous(9, 0.1);
    sm_status st = sm_predictor_open(sm_run_survey_result(run), &budget, &powertrain,
                                     sm_run_orders(run), "mount", &p, err);
    assert_true(st == SM_OK || st == SM_E_NOMEM);
    if (st == SM_OK && search) {
        sm_search_options range = {.natural_hz = {6, 12},
                                   .damping_ratio = {0.1, 0.3},
                                   .max_sag_m = (double)NAN,
                                   .max_sway_m = (double)NAN,
                                   .tolerance = sm_tolerance_default()};
        st = sm_isolator_search(p, &range, best, 4, &n, &counts, err);
        assert_int_equal(st, SM_OK); /* it allocates nothing */
        assert_true(n > 0);
        sm_isolator_search_json(p, best, n, &counts, doc);
    } else if (st == SM_OK) {
        sm_isolator_setup setup = {.predictor = p,
                                   .mount = &mount,
                                   .tolerance = sm_tolerance_default(),
                                   .assessment = &assessment};
        sm_verdict verdict;
        st = sm_isolator_json(&setup, doc, &verdict, err);
        assert_true(st == SM_OK || st == SM_E_NOMEM);
    }
    sm_predictor_close(&p);
    return st;
}

static sm_status job_search(sm_json_doc *doc, sm_error *err)
{
    return behind(doc, true, err);
}

static sm_status job_behind(sm_json_doc *doc, sm_error *err)
{
    return behind(doc, false, err);
}

static void test_results(void **state)
{
    (void)state;
    fail_each("rank", job_rank);
    fail_each("predict", job_predict);
    fail_each("compare", job_compare);
    fail_each("across", job_across);
    fail_each("judge", job_judge);
    fail_each("transfer", job_transfer);
    fail_each("body", job_body);
    body_path = scratch_write("alloc-body.ini", body_text, sizeof body_text - 1);
    fail_each("body file", job_body_read);
    fail_each("search", job_search);
    fail_each("behind a mount", job_behind);
}

/* What a caller's mistake gives back. */
static void test_mistakes(void **state)
{
    (void)state;
    sm_error err = {0};
    sm_json_doc *doc = NULL;
    sm_change_verdict verdict;
    sm_compare_run side = {.name = "a", .survey = sm_run_survey_result(run)};
    sm_survey_result elsewhere = *side.survey;
    sm_band *bands = calloc(elsewhere.n_bands, sizeof *bands); /* nothing visited */
    elsewhere.bands = bands;
    sm_compare_run other = {.name = "b", .survey = &elsewhere};
    sm_compare_setup setup = {.budget = &budget,
                              .powertrain = &powertrain,
                              .orders = sm_run_orders(run),
                              .change = sm_change_options_default()};
    assert_ok(sm_json_open(&doc), &err);
    assert_int_equal(sm_compare_json(&side, 0, &side, 1, &setup, doc, &verdict, &err), SM_E_ARG);
    assert_int_equal(sm_compare_json(&side, 1, &other, 1, &setup, doc, &verdict, &err), SM_E_VALUE);
    assert_non_null(strstr(err.message, "no rpm band in common"));
    bool any;
    assert_int_equal(sm_rank_json(NULL, 0, 2, doc, &any, &err), SM_E_VALUE);
    sm_transfer_options odd = {.window = SM_WINDOW_HANN, .n_frame = 63, .hop = 32};
    sm_transfer *t = NULL;
    size_t one = 0;
    assert_int_equal(sm_transfer_open(&one, &one, 1, RATE, &odd, &t, &err), SM_E_ARG);
    assert_null(t);
    sm_cross empty = {.bin_hz = 1};
    size_t n = 0;
    assert_int_equal(sm_transfer_points(&empty, NULL, 10, 5, 0.01, NULL, 0, &n), SM_E_ARG);
    sm_predictor *p = NULL;
    assert_ok(
        sm_predictor_open(side.survey, &budget, &powertrain, sm_run_orders(run), "mount", &p, &err),
        &err);
    sm_body weightless = {.mass_kg = 0};
    assert_int_equal(sm_predictor_body(p, &weightless, &err), SM_E_VALUE);
    sm_isolator hard = sm_isolator_viscous(0.41 * RATE, 0.1); /* 0.4 of the rate can be shown */
    sm_isolator_setup behind = {.predictor = p,
                                .mount = &hard,
                                .tolerance = sm_tolerance_default(),
                                .assessment = &assessment};
    sm_verdict predicted;
    assert_int_equal(sm_isolator_json(&behind, doc, &predicted, &err), SM_E_VALUE);
    sm_predictor_close(&p);
    sm_json_close(&doc);
    free(bands);
}

static int tear_down(void **state)
{
    (void)state;
    for (size_t k = 0; k < 8; k++) {
        free(rows[k]);
    }
    sm_assessment_free(&assessment);
    sm_run_close(&run);
    return 0;
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_results),
                                       cmocka_unit_test(test_mistakes)};
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
