/* Balance jobs: judging, refusals, check runs, intervals, job file. */
#include "balance_help.h"
#include "core/alloc.h"
#include "stillmount/file.h"
#include "stillmount/stats.h"

#include <stdlib.h>

/* ISO 21940-11:2016: U_per = 9549.2966 G m / n; propeller-size examples of the catalogue. */
static void test_u_per__iso_21940_11(void **state)
{
    (void)state;
    assert_close(sm_balance_u_per_gmm(6.3, 15, 2400), 376.00, 5e-3, "15 kg, 2400, G 6.3");
    assert_close(sm_balance_u_per_gmm(16, 15, 2400), 954.93, 5e-3, "G 16");
    assert_close(sm_balance_u_per_gmm(40, 15, 2400), 2387.3, 5e-2, "G 40");
    assert_close(sm_balance_u_per_gmm(6.3, 12, 2700), 267.38, 5e-3, "12 kg, 2700");
    assert_close(sm_balance_u_per_gmm(16, 6, 2400), 381.97, 5e-3, "6 kg");
    /* Tool-holder catalogue, p. 1089: 2 kg, G 6.3, 10000 r/min -> 12 g mm. */
    assert_close(sm_balance_u_per_gmm(6.3, 2, 10000), 12, 0.05, "tool holder");
    /* ISO 1940-1 annex turbine (from memory): 3600 kg, 3000 r/min, G 2.5 -> 28.6e3 g mm. */
    assert_close(sm_balance_u_per_gmm(2.5, 3600, 3000), 28.6e3, 60, "turbine");
}

/* The ladder is common practice without a source, except 0.2 in/s (a propeller maker's manual,
 * chapter 61-00-39). From 1.0 no weight is worked out. */
static void test_compute__judges_the_level(void **state)
{
    (void)state;
    static const struct {
        double v;
        const char *code;
    } cases[] = {{0.05, "good"},    {0.07, "good"},          {0.1, "accepted"},
                 {0.2, "accepted"}, {0.3, "above-accepted"}, {0.5, "above-accepted"},
                 {0.51, "rough"},   {0.99, "rough"},         {1.0, "too-rough"},
                 {3, "too-rough"}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        propeller(cases[i].v);
        solve();
        assert_true(advised(cases[i].code));
        assert_true(result.stopped == (cases[i].v >= 1));
    }
    propeller(1.2);
    run(SM_BALANCE_TRIAL, "15 g @ 90", 0, "0.6@250");
    solve();
    assert_false(result.has_correction);
    /* Other units reach the same steps: 1 in/s peak = 17.960512 mm/s rms; at 2400 rpm 0.2 in/s
     * peak = 1.591549 mil pp x 0.2 / 0.2 (reference catalogue 6.4). */
    start("mm/s rms");
    run(SM_BALANCE_ORIGINAL, NULL, 0, "17.961@10");
    solve();
    assert_true(advised("too-rough"));
    start("mil pp");
    job.rpm = 2400;
    run(SM_BALANCE_ORIGINAL, NULL, 0, "1.59@10");
    solve();
    assert_true(advised("accepted"));
    job.runs[0].v[0] = sm_phasor_polar(1.60, 10);
    solve();
    assert_true(advised("above-accepted"));
    job.rpm = (double)NAN;
    solve();
    assert_true(advised("level-not-judged"));
}

static void test_compute__refuses_what_cannot_be_solved(void **state)
{
    (void)state;
    /* A trial that changed nothing, and one that changed too little: 29 % and 31 %. */
    propeller(0.266);
    run(SM_BALANCE_TRIAL, "15 g @ 90", 0, "0.266@289");
    solve();
    assert_true(result.stopped && !result.has_correction && advised("trial-too-small"));
    propeller(0.266);
    run(SM_BALANCE_TRIAL, "15 g @ 90", 0, "0.18886@289"); /* 0.71 of the original */
    solve();
    assert_true(result.stopped && advised("trial-too-small"));
    propeller(0.266);
    run(SM_BALANCE_TRIAL, "15 g @ 90", 0, "0.18354@289"); /* 0.69 */
    solve();
    assert_true(!result.stopped && result.has_correction);

    propeller(0.266);
    assert_int_equal(add(SM_BALANCE_TRIAL, "0 g @ 90", 0, "0.1@20"), SM_E_VALUE);
    assert_int_equal(add(SM_BALANCE_TRIAL, "5 g @ 90 + 5 g @ 270", 0, "0.1@20"), SM_E_VALUE);
    assert_int_equal(add(SM_BALANCE_TRIAL, "15 @ 90", 0, "0.1@20"), SM_E_FORMAT);
    assert_int_equal(add(SM_BALANCE_TRIAL, "15 g", 0, "0.1@20"), SM_E_FORMAT);
    assert_int_equal(add(SM_BALANCE_TRIAL, "15 g @ 90", 0, "0.1"), SM_E_FORMAT);
    assert_int_equal(add(SM_BALANCE_TRIAL, "15 g @ 90", 0, "0.1@"), SM_E_FORMAT);
    assert_int_equal(add(SM_BALANCE_TRIAL, "15 g @ 90", 0, "-0.1@20"), SM_E_FORMAT);
    assert_int_equal(add(SM_BALANCE_TRIAL, "15 g @ 90", 0, "nan@20"), SM_E_FORMAT);
    assert_int_equal(add(SM_BALANCE_TRIAL, "15 g @ 90", 0, "0.1@nan"), SM_E_FORMAT);
    assert_int_equal(add(SM_BALANCE_TRIAL, "15 g @ 90", 0, "0.1@20 mm"), SM_E_FORMAT);
    assert_int_equal(add(SM_BALANCE_TRIAL, "15 g @ 90", 0, "0.1@20, 0.2@30"), SM_E_VALUE);
    assert_int_equal(job.n_runs, 1);

    start(NULL);
    run(SM_BALANCE_ORIGINAL, NULL, 0, "0.266@289 at 2400 rpm");
    assert_int_equal(add(SM_BALANCE_TRIAL, "15 g @ 90", 0, "0.1@20 at 2430 rpm"), SM_E_VALUE);
    assert_int_equal(add(SM_BALANCE_TRIAL, "15 g @ 90", 0, "0.1@20 at 2410 rpm"), SM_OK);

    propeller(0.266);
    job.weights_given = false;
    assert_int_equal(sm_balance_compute(&job, &result, &err), SM_E_FORMAT);
    propeller(0);
    assert_int_equal(sm_balance_compute(&job, &result, &err), SM_E_VALUE);
    start(NULL);
    assert_int_equal(sm_balance_compute(&job, &result, &err), SM_E_FORMAT);
}

/* Constructed: V1 after turning the propeller by 180 degrees, built from a known propeller part
 * P = 0.3 at 40 and engine part C = 0.1 at 300. */
static void test_compute__reindexing_tells_which_part_moved(void **state)
{
    (void)state;
    for (int crank = 0; crank < 2; crank++) {
        for (int against = 0; against < 2; against++) {
            sm_phasor p = sm_phasor_polar(0.3, 40), c = sm_phasor_polar(0.1, 300);
            double by = against ? -60 : 60; /* with rotation: 60 */
            start(NULL);
            job.weights_against = against == 1;
            job.direct_drive = job.has_reindexed = true;
            job.reindexed_by_deg = by;
            job.mark_on_crank = crank == 1;
            sm_phasor pm = sm_phasor_polar(0.3, 40 + (crank ? 60 : 0));
            sm_phasor cm = sm_phasor_polar(0.1, 300 - (crank ? 0 : 60));
            job.reindexed = (sm_phasor){pm.re + cm.re, pm.im + cm.im};
            run(SM_BALANCE_ORIGINAL, NULL, 0, "1@0");
            job.runs[0].v[0] = (sm_phasor){p.re + c.re, p.im + c.im};
            solve();
            assert_true(result.has_reindex && advised("propeller-part"));
            assert_close(sm_phasor_amplitude(result.part_propeller), 0.3, 1e-12, "propeller");
            assert_close(sm_phasor_angle_deg(result.part_propeller), 40, 1e-9, "its angle");
            assert_close(sm_phasor_amplitude(result.part_crank), 0.1, 1e-12, "engine");
        }
    }
}

/* A check run: as predicted, and mirrored (which makes it worse: the job stops). */
static void test_compute__check_run(void **state)
{
    (void)state;
    propeller(0.26625);
    run(SM_BALANCE_TRIAL, "15 g @ 90", 0, "0.107894357@254.543810");
    run(SM_BALANCE_CHECK, "14 g @ 60 + 8 g @ 90", 0, "0.03@100");
    solve();
    assert_true(result.has_check && !result.out_of_tolerance);
    assert_close(sm_phasor_amplitude(result.check_expected), 0.000839, 1e-6, "14 + 8 predicted");
    assert_true(advised("achieved-good"));

    propeller(0.26625);
    run(SM_BALANCE_TRIAL, "15 g @ 90", 0, "0.107894357@254.543810");
    run(SM_BALANCE_CHECK, "14 g @ 300 + 8 g @ 270", 0, "0.50@289");
    solve();
    assert_true(result.out_of_tolerance && result.stopped && !result.has_correction);
    assert_true(advised("worse"));
    assert_true(advised("not-as-predicted"));
}

/* After a check run the trim counts what is in the holes: with 12 g of at most 12 in hole 3 it may
 * not add there, and taking off is allowed. Constructed: too much by 4 g at hole 3. */
static void test_compute__trim_knows_what_is_in_the_holes(void **state)
{
    (void)state;
    start(NULL);
    job.step_g = 0.5;
    job.max_hole_g = 25;
    assert_ok(sm_balance_holes_parse(&job, "12", 0, &err), &err);
    run(SM_BALANCE_ORIGINAL, NULL, 0, "0.26625@289.0");
    run(SM_BALANCE_TRIAL, "15 g @ hole 4", 0, "0.107894357@254.543810");
    /* 21.3 g at 71 would be right; on are 18 + 12 g, so about 4 g too much in each hole. */
    sm_phasor u = sm_phasor_polar(21.3, 251), a = sm_phasor_polar(18, 60);
    sm_phasor b = sm_phasor_polar(12, 90);
    double re = u.re + a.re + b.re, im = u.im + a.im + b.im;
    char text[64];
    (void)snprintf(text, sizeof text, "%.9g@%.9g", 0.0125 * hypot(re, im),
                   38 + atan2(im, re) * 180 / acos(-1));
    run(SM_BALANCE_CHECK, "18 g @ hole 3 + 12 g @ hole 4", 0, text);
    solve();
    assert_true(result.has_correction && result.split[0].n_parts == 2);
    assert_int_equal(result.split[0].parts[0].hole, 3);
    assert_close(result.split[0].parts[0].total_g, 14, 1e-9, "hole 3 ends at 14 g");
    assert_close(result.split[0].parts[1].total_g, 8, 1e-9, "hole 4 ends at 8 g");
}

/* Simulated jobs with scatter as assumed, smaller, and twice as large, one to three trials, with
 * repeats: the intervals must hold the truth in at least 90 % (issue 6). */
static void coverage(double scatter, size_t n_trials, size_t n_repeats, uint64_t seed)
{
    enum { JOBS = 400 };
    sm_rng rng = sm_rng_seed(seed);
    long held_g = 0, held_a = 0, solved = 0;
    for (int i = 0; i < JOBS; i++) {
        sm_phasor a = sm_phasor_polar(0.0125, 360 * sm_rng_uniform(&rng));
        sm_phasor u = sm_phasor_polar(21.3, 360 * sm_rng_uniform(&rng));
        start(NULL);
        job.draws = 400;
        job.seed = (uint64_t)i;
        for (size_t k = 0; k < 1 + n_repeats + n_trials; k++) {
            sm_balance_run r = {.kind = k > n_repeats ? SM_BALANCE_TRIAL : SM_BALANCE_ORIGINAL,
                                .n_readings = 1,
                                .rpm = {NAN},
                                .scatter = {NAN}};
            double place = 360 * sm_rng_uniform(&rng);
            r.weight_g[0] = k > n_repeats ? sm_phasor_polar(15, place) : (sm_phasor){0, 0};
            double re = u.re + r.weight_g[0].re, im = u.im + r.weight_g[0].im;
            r.v[0].re = a.re * re - a.im * im + scatter * 0.266 * sm_rng_normal(&rng);
            r.v[0].im = a.re * im + a.im * re + scatter * 0.266 * sm_rng_normal(&rng);
            assert_ok(sm_balance_job_add(&job, &r, &err), &err);
        }
        solve();
        if (!result.has_correction) {
            continue;
        }
        solved++;
        double want = sm_phasor_angle_deg(u) + 180;
        double mid = (result.angle_interval_deg[0][0] + result.angle_interval_deg[0][1]) / 2;
        double half = (result.angle_interval_deg[0][1] - result.angle_interval_deg[0][0]) / 2;
        held_a += fabs(turn(want, mid)) <= half;
        held_g += result.grams_interval[0][0] <= 21.3 && 21.3 <= result.grams_interval[0][1];
    }
    assert_true(solved > JOBS / 2);
    (void)printf("scatter %.0f %%, %zu trials, %zu repeats: grams %.1f %%, angle %.1f %% of %ld\n",
                 100 * scatter, n_trials, n_repeats, 100.0 * (double)held_g / (double)solved,
                 100.0 * (double)held_a / (double)solved, solved);
    assert_true((double)held_g >= 0.90 * (double)solved);
    assert_true((double)held_a >= 0.90 * (double)solved);
}

static void test_compute__intervals_hold_the_truth(void **state)
{
    (void)state;
    coverage(0.05, 1, 0, 1);
    coverage(0.02, 1, 0, 2);
    coverage(0.05, 2, 1, 3);
    coverage(0.08, 3, 2, 4);
    coverage(0.10, 2, 1, 6);
}

/* A written job file reads back to the same answer; errors name file and line. */
static void test_job__roundtrip(void **state)
{
    (void)state;
    sm_text text = {0}, again = {0};
    start("mm/s rms");
    job.phase_lag = job.weights_against = true;
    job.radius_mm = 120;
    job.rpm = 2400;
    job.step_g = 0.5;
    (void)snprintf(job.name, sizeof job.name, "Blue trainer; left");
    assert_ok(sm_balance_holes_parse(&job, "0, 30:110, 60, 90, 120", 0, &err), &err);
    assert_ok(sm_balance_existing_parse(&job, "2 g @ hole 3", &err), &err);
    run(SM_BALANCE_ORIGINAL, NULL, 0, "4.8@71 at 2400 rpm");
    run(SM_BALANCE_TRIAL, "15 g @ hole 2", 0, "1.9@105");
    solve();
    double g = grams(0), a = angle(0);
    sm_balance_job_text(&job, &result, &text);
    char path[300];
    (void)snprintf(path, sizeof path, "%s/balance-job.ini", SM_TEST_SCRATCH);
    assert_ok(sm_file_store(path, text.s, text.n, &err), &err);
    assert_ok(sm_balance_job_read(path, &job, &err), &err);
    solve();
    assert_close(grams(0), g, 1e-6 * g, "grams"); /* nine digits in the file */
    assert_close(angle(0), a, 1e-5, "angle");
    sm_balance_job_text(&job, &result, &again);
    assert_string_equal(again.s, text.s);
    assert_int_equal(sm_balance_job_read("/nonexistent.ini", &job, &err), SM_E_IO);
    static const char bad[] = "[job]\nunit = in/s peak\nweights_count = with\n[run 1]\n"
                              "kind = original\nvector = 0.3\n";
    assert_ok(sm_file_store(path, bad, sizeof bad - 1, &err), &err);
    assert_int_equal(sm_balance_job_read(path, &job, &err), SM_E_FORMAT);
    assert_int_equal(err.line, 6);
    assert_non_null(strstr(err.message, "angle is missing"));
    sm_text_free(&text);
    sm_text_free(&again);
}

static void test_compute__survives_every_failed_allocation(void **state)
{
    (void)state;
    sm_status st = SM_E_NOMEM;
    for (long k = 1; st != SM_OK; k++) {
        propeller(0.26625);
        job.draws = 50;
        assert_ok(sm_balance_holes_parse(&job, "12", 0, &err), &err);
        run(SM_BALANCE_TRIAL, "15 g @ 90", 0, "0.107894357@254.543810");
        sm_alloc_fail_at(k);
        st = sm_balance_compute(&job, &result, &err);
        sm_alloc_fail_at(0);
        assert_true(st == SM_OK || st == SM_E_NOMEM);
        assert_true(k < 50);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_u_per__iso_21940_11),
        cmocka_unit_test(test_compute__judges_the_level),
        cmocka_unit_test(test_compute__refuses_what_cannot_be_solved),
        cmocka_unit_test(test_compute__reindexing_tells_which_part_moved),
        cmocka_unit_test(test_compute__check_run),
        cmocka_unit_test(test_compute__trim_knows_what_is_in_the_holes),
        cmocka_unit_test(test_compute__intervals_hold_the_truth),
        cmocka_unit_test(test_job__roundtrip),
        cmocka_unit_test(test_compute__survives_every_failed_allocation),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
