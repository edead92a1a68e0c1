/* Order tracking against the simulator's truth: sweeps of 80 crank rpm per second through modes. */
#include "core/util.h"
#include "sm_test.h"
#include "stillmount/simulate.h"
#include "stillmount/tracker.h"

#include <string.h>

/*
 * The modes give every order at least 1.2 s inside their half-power bands (2 damping hz / (order
 * x 80 / 60)): crank 2 at 118 Hz: 7.1 Hz / 2.67 Hz/s = 2.7 s; crank 0.5 at 31 Hz: 3.7 / 0.67 = 5.6
 * s.
 */
#define PLANT "[scenario]\nnuisances = off\n[engine]\nratio = 51/21\n[log]\nrate_hz = 1000\n"
static const char geared[] =
    PLANT "[profile]\npoints = 0:1800 2:1800 49.5:5600 51:5600 98.5:1800 100:1800\n"
          "[nuisances]\nhunting_percent = 0.3\n"
          "[mode rock]\nhz = 31\ndamping = 0.06\n"
          "[mode shelf]\nhz = 118\ndamping = 0.03\nkind = force\n"
          "[order crank 0.5]\nforce = 0.1 g\n[order crank 1]\nforce = 0.2 g\nphase_deg = 30\n"
          "[order crank 2]\nforce = 0.5 g\n[order crank 4]\nforce = 0.2 g\n"
          "[order prop 1]\nforce = 0.2 g\nphase_deg = 100\n[order prop 3]\nforce = 0.4 g\n"
          "[order prop 6]\nforce = 0.2 g\n"
          "[place mount]\naccel_step = 0.5 mg\n"
          "[channel mount.accel.x]\ndirect = 0.3\nmodes = rock:0.3 shelf:0.2\n"
          "noise = 0.000000001 g^2/Hz\n"; /* 50 dB under a line of 0.02 g peak in 2 Hz: no noise to
                                             speak of */

/*
 * Pairs that lie close, each line with an amplitude of its own: crank 0.5 and prop 1 (0.088 apart),
 * crank 2 and prop 5 (0.059), crank 2.5 and prop 6 (0.029), 30 crank rpm per second up, through a
 * mode that prop 1, crank 0.5 and, lower down, crank 1 meet.
 */
static const char close_pairs[] = PLANT
    "[profile]\npoints = 0:1800 2:1800 112:5100 114:5100\n[nuisances]\nhunting_percent = 0.3\n"
    "[mode rock]\nhz = 31\ndamping = 0.06\n"
    "[order crank 0.5]\nforce = 0.1 g\n[order prop 1]\nforce = 0.3 g\nphase_deg = 100\n"
    "[order crank 2]\nforce = 0.6 g\n[order prop 5]\nforce = 0.15 g\nphase_deg = 40\n"
    "[order crank 2.5]\nforce = 0.15 g\n[order prop 6]\nforce = 0.3 g\nphase_deg = 200\n"
    "[order crank 1]\nforce = 0.1 g\n[order prop 3]\nforce = 0.3 g\n"
    "[place mount]\naccel_step = 0.5 mg\n"
    "[channel mount.accel.x]\ndirect = 0.3\nmodes = rock:0.3\nnoise = 0.000000001 g^2/Hz\n";

static const char train[] = "[powertrain]\nrpm_of = crank\n[engine]\ncylinders = 4\n"
                            "[gearbox]\nratio = 51/21\n[propeller]\nblades = 3\n";

typedef struct checker {
    const sm_simulator *s;
    const sm_order_table *table;
    size_t n;
    double worst_db[2];             /* away from modes; within a fifth of a mode's frequency */
    double pair_db;                 /* prop 6 and crank 2.5, 0.03 apart: the longest windows */
    double order_db[SM_MAX_ORDERS]; /* of each order alone: worst, sum of squares, how many */
    double order_sum2[SM_MAX_ORDERS];
    double order_n[SM_MAX_ORDERS];
    bool quiet;
} checker;

static const double floor_g = 0.02; /* weaker lines are not 50 dB above the noise in 2 Hz */

static double at_time(const sm_truth *t, size_t source, double t_s)
{
    double k = sm_max(0, t_s / t->step_s - 0.45);
    size_t i = (size_t)k;
    if (i + 1 >= t->n_steps) {
        return NAN;
    }
    double u = k - (double)i;
    return t->amplitude_pk[sm_truth_at(t, 0, source, i)] * (1 - u) +
           t->amplitude_pk[sm_truth_at(t, 0, source, i + 1)] * u;
}

/* Source whose order is the table's. */
static size_t source_of(const checker *c, const sm_order *o)
{
    const sm_scenario *s = sm_simulator_scenario(c->s);
    for (size_t i = 0; i < s->n_sources; i++) {
        if (fabs(s->sources[i].order - o->order) < 1e-9) {
            return i;
        }
    }
    return SIZE_MAX;
}

typedef struct kept {
    size_t i_order;
    double t[3];
    double amplitude;
} kept;

static kept points[200000];
static size_t n_points;

static sm_status keep(void *self, const sm_track_point *p, sm_error *err)
{
    (void)self;
    (void)err;
    assert_true(n_points < sizeof points / sizeof points[0]);
    points[n_points++] =
        (kept){p->i_order, {p->t0_s, p->t_s, p->t1_s}, hypot(p->re_pk[0], p->im_pk[0])};
    return SM_OK;
}

static void judge(checker *c, const kept *p)
{
    const sm_truth *t = sm_simulator_truth(c->s);
    size_t source = source_of(c, &c->table->items[p->i_order]);
    if (source == SIZE_MAX) {
        return;
    }
    double want = at_time(t, source, p->t[1]);
    if (p->t[0] < 1 || !(want > floor_g * SM_G0_M_S2)) { /* in the first second the modes ring up */
        return;
    }
    double miss_db = fabs(20 * log10(p->amplitude / want));
    double order = c->table->items[p->i_order].order;
    double hz = order * t->crank_hz[(size_t)(p->t[1] / t->step_s)];
    bool flank = fabs(hz / 31 - 1) < 0.2 || fabs(hz / 118 - 1) < 0.2;
    bool pair = fabs(order - 2.47) < 0.01;
    double *worst = pair ? &c->pair_db : &c->worst_db[flank];
    c->order_db[p->i_order] = fmax(c->order_db[p->i_order], miss_db);
    c->order_sum2[p->i_order] += miss_db * miss_db;
    c->order_n[p->i_order] += 1;
    if (miss_db > *worst) {
        *worst = miss_db;
        if (!c->quiet && miss_db > (flank ? 0.6 : 0.3)) {
            (void)fprintf(stderr, "%s at %.2f s, %.1f Hz: %.4f for %.4f\n",
                          c->table->items[p->i_order].label, p->t[1], hz, p->amplitude, want);
        }
    }
    c->n++;
}

/* Tracks the scenario's run; its points are judged into c. */
static void track(const char *scenario, checker *c, sm_order_table *table, sm_simulator **s)
{
    sm_scenario sc;
    sm_powertrain p;
    sm_tracker *tracker = NULL;
    sm_error err = {0};
    assert_ok(sm_scenario_parse(scenario, strlen(scenario), "geared", &sc, &err), &err);
    assert_ok(sm_powertrain_parse(train, strlen(train), "train", &p, &err), &err);
    assert_ok(sm_powertrain_orders(&p, 10, NULL, 0, table, &err), &err);
    assert_ok(sm_simulator_open(&sc, 1, true, s, &err), &err);
    size_t pick = 0;
    n_points = 0;
    assert_ok(sm_tracker_open(table, &pick, 1, sc.rate_hz, keep, NULL, &tracker, &err), &err);
    sm_sink sink = sm_tracker_sink(tracker);
    uint64_t row = 0;
    for (;;) {
        sm_sim_rows r;
        sm_simulator_next(*s, &r);
        if (r.n_rows == 0) {
            break;
        }
        sm_block b = {.n_rows = r.n_rows,
                      .n_channels = 1,
                      .x = r.x,
                      .theta_rev = r.theta_rev,
                      .rpm = r.true_rpm,
                      .t0_s = (double)row / sc.rate_hz,
                      .rate_hz = sc.rate_hz,
                      .i_row = row};
        assert_ok(sink.push(sink.self, &b, &err), &err);
        row += r.n_rows;
    }
    assert_ok(sink.mark(sink.self, SM_MARK_END, (double)row / sc.rate_hz, &err), &err);
    c->s = *s;
    c->table = table;
    for (size_t i = 0; i < n_points; i++) {
        judge(c, &points[i]);
    }
    sm_tracker_close(&tracker);
}

static void test_tracks__follow_the_truth_in_fast_sweeps(void **state)
{
    (void)state;
    checker c = {0};
    sm_order_table table;
    sm_simulator *s = NULL;
    track(geared, &c, &table, &s);
    (void)fprintf(stderr, "%zu points: worst %.3f dB, near modes %.3f dB, close pair %.3f dB\n",
                  c.n, c.worst_db[0], c.worst_db[1], c.pair_db);
    assert_true(c.n > 1000);
    assert_close(c.worst_db[0], 0, 0.3, "tracked amplitude [dB]");
    assert_close(c.worst_db[1], 0, 0.6, "near a mode [dB]");
    /* 48 revolutions are a second there, and the mode is crossed in two */
    assert_close(c.pair_db, 0, 0.8, "prop 6 beside crank 2.5 [dB]");
    sm_simulator_close(&s);
}

/* The promise: orders that lie close keep their own amplitudes within 0.5 dB at 30 rpm/s. */
static void test_tracks__close_orders_keep_their_own_amplitude(void **state)
{
    (void)state;
    static const char *const labels[] = {
        "prop 1",   "crank 0.5", "crank 2 (firing)", "prop 5", "prop 6 (blade pass x 2)",
        "crank 2.5"};
    checker c = {.quiet = true};
    sm_order_table table;
    sm_simulator *s = NULL;
    track(close_pairs, &c, &table, &s);
    (void)printf("order                       points  rms dB  worst dB   (30 rpm/s)\n");
    size_t seen = 0;
    for (size_t i = 0; i < table.n; i++) {
        for (size_t k = 0; k < 6; k++) {
            if (strcmp(table.items[i].label, labels[k]) == 0 && c.order_n[i] > 50) {
                (void)printf("%-26s %7.0f  %6.3f  %8.3f\n", labels[k], c.order_n[i],
                             sqrt(c.order_sum2[i] / c.order_n[i]), c.order_db[i]);
                assert_close(c.order_db[i], 0, 0.5, labels[k]);
                seen++;
            }
        }
    }
    assert_int_equal(seen, 6);
    sm_simulator_close(&s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_tracks__follow_the_truth_in_fast_sweeps),
        cmocka_unit_test(test_tracks__close_orders_keep_their_own_amplitude),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
