/* Before and after: F and Holm against tables, coverage and null verdicts by simulation. */
#include "sm_test.h"
#include "stillmount/compare.h"
#include "stillmount/stats.h"

#include <stdbool.h>
#include <string.h>

static sm_pairing pair_of(const sm_reading *before, size_t n_before, const sm_reading *after,
                          size_t n_after)
{
    return (sm_pairing){.before = before, .n_before = n_before, .after = after, .n_after = n_after};
}

/* True PSD ratio lies in [R/F(0.975), R/F(0.025)]; F quantiles of the reference catalogue, section
   12 (computed there with SciPy 1.10). With no repeatability the interval is that, in dB. */
static void test_judge__f_table(void **state)
{
    (void)state;
    static const double rows[][4] = {{8, 8, 0.22557, 4.43326},
                                     {28.5211, 28.5211, 0.47290, 2.11460},
                                     {119.4682, 119.4682, 0.69743, 1.43383},
                                     {16, 64, 0.40997, 2.01820},
                                     {32, 128, 0.54766, 1.66378}};
    sm_change_options opt = {.repeatability_db = 0, .alpha = 0.05};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        /* F(nu_after, nu_before): the catalogue's nu1 is the numerator's */
        sm_reading b = {.value = 1, .nu = rows[i][1]};
        sm_reading a = {.value = 0.5, .nu = rows[i][0]};
        sm_pairing p = pair_of(&b, 1, &a, 1);
        sm_change c;
        sm_repeatability rep;
        assert_int_equal(sm_change_judge(&p, 1, &opt, &c, &rep, NULL), SM_OK);
        assert_close(c.change_db, 20 * log10(0.5), 1e-12, "change");
        assert_close(c.hi_db, c.change_db - 10 * log10(rows[i][2]), 2e-4, "upper bound");
        assert_close(c.lo_db, c.change_db - 10 * log10(rows[i][3]), 2e-4, "lower bound");
        assert_false(rep.from_runs);
    }
}

/* The assumed repeatability is one run's standard deviation: two runs differ by sqrt 2 of it. */
static void test_judge__floor_of_one_run_each(void **state)
{
    (void)state;
    sm_reading b = {.value = 1, .nu = 1e7};
    sm_reading a = {.value = 0.3, .nu = 1e7};
    sm_pairing p = pair_of(&b, 1, &a, 1);
    sm_change c;
    sm_repeatability rep;
    assert_int_equal(sm_change_judge(&p, 1, NULL, &c, &rep, NULL), SM_OK);
    assert_close(c.hi_db - c.lo_db, 2 * 1.959964 * sqrt(2) * 2, 0.01, "width");
    assert_int_equal(c.verdict, SM_CHANGE_BETTER);
    assert_close(rep.db, 2, 0, "assumed");
    a.value = 0.6; /* 4.4 dB in one run each proves nothing */
    assert_int_equal(sm_change_judge(&p, 1, NULL, &c, &rep, NULL), SM_OK);
    assert_int_equal(c.verdict, SM_CHANGE_NONE);
}

/* Two orders: relative standard errors of 1 % each; 95 % of ln ratio is 1.96 sqrt(2) 1 %. An order
   that fell into the noise is a bound: better, open below. */
static void test_judge__orders(void **state)
{
    (void)state;
    sm_change_options opt = {.repeatability_db = 0, .alpha = 0.05};
    sm_reading b = {.value = 2, .sigma = 0.02};
    sm_reading a = {.value = 1, .sigma = 0.01};
    sm_pairing p = pair_of(&b, 1, &a, 1);
    sm_change c;
    sm_repeatability rep;
    assert_int_equal(sm_change_judge(&p, 1, &opt, &c, &rep, NULL), SM_OK);
    assert_close(c.hi_db - c.change_db, 8.6859 * 1.96 * sqrt(2) * 0.01, 0.01, "up");
    assert_close(c.change_db - c.lo_db, 8.6859 * 1.96 * sqrt(2) * 0.01, 0.01, "down");
    a = (sm_reading){.value = 0.001, .sigma = 0.01};
    assert_int_equal(sm_change_judge(&p, 1, NULL, &c, &rep, NULL), SM_OK);
    assert_true(c.after_in_noise && isnan(c.lo_db) && c.verdict == SM_CHANGE_BETTER);
    assert_true(c.hi_db < -20 && c.change_db < c.hi_db);
    b = a; /* nothing there, before or after */
    assert_int_equal(sm_change_judge(&p, 1, NULL, &c, &rep, NULL), SM_OK);
    assert_int_equal(c.verdict, SM_CHANGE_UNASSESSED);
    /* rose out of the noise: worse, open above; never better */
    a = (sm_reading){.value = 1, .sigma = 0.01};
    assert_int_equal(sm_change_judge(&p, 1, NULL, &c, &rep, NULL), SM_OK);
    assert_true(isnan(c.hi_db) && c.verdict == SM_CHANGE_WORSE);
}

/* Holm 1979: p = 0.01, 0.04, 0.03, 0.005 at 0.05: 0.005 <= 0.05/4, 0.01 <= 0.05/3, 0.03 > 0.05/2
   stops (widely printed example, from memory). */
static void test_holm__example(void **state)
{
    (void)state;
    double p[5] = {0.01, 0.04, 0.03, 0.005, (double)NAN};
    bool stands[5];
    assert_int_equal(sm_holm(p, 4, 0.05, stands), SM_OK);
    assert_true(stands[0] && !stands[1] && !stands[2] && stands[3]);
    assert_int_equal(sm_holm(p, 5, 0.05, stands), SM_OK);
    assert_true(stands[0] && !stands[4]);
}

static void test_overall(void **state)
{
    (void)state;
    sm_change c[3] = {{.verdict = SM_CHANGE_UNASSESSED},
                      {.verdict = SM_CHANGE_UNASSESSED},
                      {.verdict = SM_CHANGE_UNASSESSED}};
    assert_int_equal(sm_change_overall(c, 0), SM_CHANGE_UNASSESSED);
    assert_int_equal(sm_change_overall(c, 3), SM_CHANGE_UNASSESSED);
    c[0].verdict = SM_CHANGE_NONE;
    assert_int_equal(sm_change_overall(c, 3), SM_CHANGE_NONE);
    c[1].verdict = SM_CHANGE_BETTER;
    assert_int_equal(sm_change_overall(c, 3), SM_CHANGE_BETTER);
    c[2].verdict = SM_CHANGE_WORSE;
    assert_int_equal(sm_change_overall(c, 3), SM_CHANGE_MIXED);
}

enum { CELLS = 40, TRIALS = 300 };

typedef struct tally {
    double covered; /* share of the intervals that hold the truth */
    double width;   /* mean half-width, dB */
    double quiet;   /* share of the sets called "no clear change" */
} tally;

/* Runs whose level scatters by own_db in each cell and by run_db in all cells alike. */
static tally simulate(size_t n_runs, double run_db, double own_db, double true_db)
{
    sm_rng rng = sm_rng_seed(20251 + n_runs);
    tally t = {0};
    for (int trial = 0; trial < TRIALS; trial++) {
        sm_reading r[CELLS][2][SM_MAX_RUNS];
        sm_pairing p[CELLS];
        for (size_t s = 0; s < 2; s++) {
            for (size_t k = 0; k < n_runs; k++) {
                double run = run_db * sm_rng_normal(&rng);
                for (size_t c = 0; c < CELLS; c++) {
                    double nu = 60;
                    double chi = 0;
                    for (int i = 0; i < 60; i++) {
                        double z = sm_rng_normal(&rng);
                        chi += z * z;
                    }
                    double level = run + own_db * sm_rng_normal(&rng) + (s ? true_db : 0);
                    r[c][s][k] =
                        (sm_reading){.nu = nu, .value = pow(10, level / 20) * sqrt(chi / nu)};
                }
            }
        }
        for (size_t c = 0; c < CELLS; c++) {
            p[c] = pair_of(r[c][0], n_runs, r[c][1], n_runs);
        }
        sm_change out[CELLS];
        sm_repeatability rep;
        sm_error err = {0};
        assert_ok(sm_change_judge(p, CELLS, NULL, out, &rep, &err), &err);
        for (size_t c = 0; c < CELLS; c++) {
            t.covered += out[c].lo_db <= true_db && true_db <= out[c].hi_db;
            t.width += (out[c].hi_db - out[c].lo_db) / 2;
        }
        t.quiet += sm_change_overall(out, CELLS) == SM_CHANGE_NONE;
    }
    t.covered /= TRIALS * CELLS;
    t.width /= TRIALS * CELLS;
    t.quiet /= TRIALS;
    return t;
}

/* The figures: at least 93 % of the intervals hold the truth, at least 90 % of null sets
   are called no clear change, for run scatter up to 2 dB, whether it moves all
   channels alike or each on its own; 90 % at 3 dB, which the assumed 2 dB then pull too narrow.
   Widths are held so that "everything is possible" fails too: two runs each of 2 dB scatter cannot
   do better than t(2) or so, that is 5 dB here. */
static void test_judge__coverage(void **state)
{
    (void)state;
    static const struct {
        size_t runs;
        double run_db;
        double own_db;
        double true_db;
        double widest;
    } cases[] = {
        {1, 0, 0, -6, 6.5}, {1, 2, 0, 0, 6.5},  {1, 0, 2, 3, 6.5},     {2, 2, 0, 0, 5.5},
        {2, 0, 2, -8, 5.5}, {2, 0, 1, 0, 3.5},  {2, 1.4, 1.4, 2, 5.5}, {2, 3, 0, 0, 7.5},
        {3, 2, 0, 0, 4.5},  {3, 0, 2, -4, 4.5}, {3, 3, 0, 5, 6.0},     {5, 2, 1, -3, 3.8},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        tally t = simulate(cases[i].runs, cases[i].run_db, cases[i].own_db, cases[i].true_db);
        print_message("%zu+%zu runs, scatter %g/%g dB: coverage %.3f, half-width %.2f dB",
                      cases[i].runs, cases[i].runs, cases[i].run_db, cases[i].own_db, t.covered,
                      t.width);
        print_message(cases[i].true_db == 0 ? ", no clear change %.3f\n" : "\n", t.quiet);
        assert_true(t.covered >= (cases[i].run_db > 2 ? 0.90 : 0.93));
        assert_true(t.width <= cases[i].widest);
        if (cases[i].true_db == 0) {
            assert_true(t.quiet >= 0.90);
        }
    }
}

/*
 * Orders near the noise beside firm levels: their own noise scatters them more than the mean of all
 * pairings, and their intervals know it. Three runs each of 2 dB; amplitudes 3 to 5 sigma, noise
 * added in both components and taken out of the power again, as the tracker does. 93 % is the
 * issue's figure.
 */
static void test_judge__orders_near_the_noise(void **state)
{
    (void)state;
    enum { FIRM = 90, WEAK = 10, ALL = FIRM + WEAK, RUNS = 3 };
    sm_rng rng = sm_rng_seed(77);
    double held = 0;
    double n = 0;
    for (int trial = 0; trial < TRIALS; trial++) {
        sm_reading r[ALL][2][RUNS];
        sm_pairing p[ALL];
        double run[2][RUNS];
        for (size_t k = 0; k < (size_t)2 * RUNS; k++) {
            run[k / RUNS][k % RUNS] = pow(10, 2 * sm_rng_normal(&rng) / 20);
        }
        for (size_t c = 0; c < ALL; c++) {
            for (size_t k = 0; k < (size_t)2 * RUNS; k++) {
                double a = run[k / RUNS][k % RUNS] *
                           (c < FIRM ? 1000 : 3 + 2.0 * (double)(c - FIRM) / WEAK);
                double re = a + sm_rng_normal(&rng);
                double im = sm_rng_normal(&rng);
                double power = re * re + im * im - 2;
                r[c][k / RUNS][k % RUNS] =
                    (sm_reading){.value = power > 0 ? sqrt(power) : 0, .sigma = 1};
            }
            p[c] = pair_of(r[c][0], RUNS, r[c][1], RUNS);
        }
        sm_change out[ALL];
        sm_repeatability rep;
        sm_error err = {0};
        assert_ok(sm_change_judge(p, ALL, NULL, out, &rep, &err), &err);
        for (size_t c = FIRM; c < ALL; c++) {
            held += !(out[c].lo_db > 0) && !(out[c].hi_db < 0); /* no bound holds everything */
            n++;
        }
    }
    print_message("orders near the noise: coverage %.3f\n", held / n);
    assert_true(held / n >= 0.93);
}

/* A run that says nothing about a channel costs that channel one run, nothing else. */
static void test_judge__missing_readings(void **state)
{
    (void)state;
    sm_reading b[3] = {{1, 60, 0, 0}, {(double)NAN, 60, 0, 0}, {1.1, 60, 0, 0}};
    sm_reading a[2] = {{(double)NAN, 60, 0, 0}, {(double)NAN, 60, 0, 0}};
    sm_pairing p[2] = {pair_of(b, 3, b, 3), pair_of(b, 3, a, 2)};
    sm_change c[2];
    sm_repeatability rep;
    assert_int_equal(sm_change_judge(p, 2, NULL, c, &rep, NULL), SM_OK);
    assert_close(c[0].change_db, 0, 1e-12, "same runs");
    assert_int_equal(c[0].verdict, SM_CHANGE_NONE);
    assert_int_equal(c[1].verdict, SM_CHANGE_UNASSESSED);
    assert_true(isnan(c[1].change_db) && isnan(c[1].after));
    assert_true(rep.from_runs);
    sm_pairing none = pair_of(b, 3, a, 0);
    sm_error err = {0};
    assert_int_equal(sm_change_judge(&none, 1, NULL, c, &rep, &err), SM_E_ARG);
}

/* A lone knock before, 20 dB above all else of its band, is missing after: that proves nothing. The
   same knock in the run after proves no rise. Without a knock 20 dB are clear. */
static void test_change__lone_knock(void **state)
{
    (void)state;
    for (int knocks = 0; knocks < 3; knocks++) {
        sm_reading loud = {.value = 10, .nu = 60, .knock_db = knocks ? 20 : 0};
        sm_reading quiet = {.value = 1, .nu = 60};
        bool fell = knocks < 2;
        sm_pairing p = {.before = fell ? &loud : &quiet,
                        .n_before = 1,
                        .after = fell ? &quiet : &loud,
                        .n_after = 1,
                        .apart = true};
        sm_change c;
        sm_repeatability rep;
        sm_error err = {0};
        assert_ok(sm_change_judge(&p, 1, NULL, &c, &rep, &err), &err);
        assert_int_equal(c.verdict, knocks ? SM_CHANGE_NONE : SM_CHANGE_BETTER);
        assert_close(c.change_db, fell ? -20 : 20, 1e-9, "change");
        if (knocks) { /* the interval reaches as far as without the knock: 1.96 sqrt(2) 2 dB past
                         zero at least; and no further the other way than before */
            assert_true(c.lo_db < -5.5 && c.hi_db > 5.5);
            assert_true(fabs(fell ? c.lo_db : c.hi_db) < 27);
        }
    }
}

/* Three runs each, of which one has a knock 20 dB above the rest in one of 41 peaks: its scatter
   says so. The others fell by 20 dB and are better. */
static void test_change__a_knock_in_one_of_three(void **state)
{
    (void)state;
    enum { ALL = 41, RUNS = 3 };
    sm_rng rng = sm_rng_seed(3);
    sm_reading r[ALL][2][RUNS];
    sm_pairing p[ALL];
    sm_change c[ALL];
    for (size_t i = 0; i < ALL; i++) {
        for (size_t k = 0; k < (size_t)2 * RUNS; k++) {
            double level = 0.5 * sm_rng_normal(&rng) - (i > 0 && k >= RUNS ? 20 : 0);
            level += i == 0 && k == 1 ? 20 : 0;
            r[i][k / RUNS][k % RUNS] = (sm_reading){.value = pow(10, level / 20), .nu = 60};
        }
        p[i] = pair_of(r[i][0], RUNS, r[i][1], RUNS);
        p[i].apart = true;
    }
    sm_repeatability rep;
    sm_error err = {0};
    assert_ok(sm_change_judge(p, ALL, NULL, c, &rep, &err), &err);
    assert_int_equal(c[0].verdict, SM_CHANGE_NONE);
    assert_true(c[0].lo_db < 0 && c[0].hi_db > 0);
    for (size_t i = 1; i < ALL; i++) {
        assert_int_equal(c[i].verdict, SM_CHANGE_BETTER);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_change__lone_knock),
        cmocka_unit_test(test_change__a_knock_in_one_of_three),
        cmocka_unit_test(test_judge__f_table),
        cmocka_unit_test(test_judge__floor_of_one_run_each),
        cmocka_unit_test(test_judge__orders),
        cmocka_unit_test(test_holm__example),
        cmocka_unit_test(test_overall),
        cmocka_unit_test(test_judge__coverage),
        cmocka_unit_test(test_judge__orders_near_the_noise),
        cmocka_unit_test(test_judge__missing_readings),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
