/* A run behind a mount: against closed form; the search against brute force. */
#include "core/util.h"
#include "sm_test.h"
#include "stillmount/file.h"
#include "stillmount/isolator.h"
#include "stillmount/run.h"
#include "stillmount/stats.h"

#include <string.h>

/* Two holds of a direct-drive four and the way between, z: crank 1 and crank 2 over white noise
 * [g]. */
enum { RATE = 500, HOLD_S = 14, RAMP_S = 6 };
static const double holds_rpm[2] = {2000, 2600};
static const double crank1_g = 0.20;
static const double crank2_g = 0.35;
static const double noise_g2_hz = 2e-5;

static const char powertrain_text[] = "[powertrain]\nname = test\n[engine]\ncycle = four-stroke\n"
                                      "cylinders = 4\n";
static const char budget_text[] =
    "[budget]\nname = test\nsource = invented for this test\nrpm = 1900-2900 step 200\n"
    "[limit shake]\nchannels = mount.accel.z\nmeasure = rms\nhz = 5-180\nmax = 0.5 g\n"
    "[limit firing]\nchannels = mount.accel.z\nmeasure = order\norder = crank 2\nmax = 0.5 g\n"
    "[limit even]\nchannels = mount.accel.z\nmeasure = rms\nhz = 5-180\nmax = 0.5 g\npick = mean\n";

typedef struct world {
    sm_powertrain powertrain;
    sm_budget budget;
    sm_run *run;
    sm_predictor *p;
    size_t z; /* channel */
} world;

static void write_log(const char *path)
{
    sm_rng rng = sm_rng_seed(77);
    sm_text t = {0};
    sm_error err = {0};
    double turn = 0;
    sm_text_add(&t, "time_s,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps,rpm\n");
    double sigma = sqrt(noise_g2_hz * RATE / 2);
    for (int i = 0; i < (2 * HOLD_S + RAMP_S) * RATE; i++) {
        double up = ((double)i / RATE - HOLD_S) / RAMP_S;
        double rpm = holds_rpm[0] + fmin(fmax(up, 0), 1) * (holds_rpm[1] - holds_rpm[0]);
        turn += rpm / 60 / RATE;
        double z = -1 + crank1_g * cos(2 * SM_PI * turn) + crank2_g * cos(4 * SM_PI * turn + 1) +
                   sigma * sm_rng_normal(&rng);
        sm_text_addf(&t, "%.4f,%.6f,%.6f,%.6f,%.5f,%.5f,%.5f,%.1f\n", (double)i / RATE,
                     0.02 * sm_rng_normal(&rng), 0.02 * sm_rng_normal(&rng), z,
                     0.2 * sm_rng_normal(&rng), 0.2 * sm_rng_normal(&rng),
                     0.2 * sm_rng_normal(&rng), rpm);
    }
    assert_ok(sm_file_store(path, t.s, t.n, &err), &err);
    sm_text_free(&t);
}

static world open_world(void)
{
    static const char path[] = SM_TEST_SCRATCH "/predict.csv";
    static world w;
    memset(&w, 0, sizeof w);
    sm_error err = {0};
    write_log(path);
    assert_ok(
        sm_powertrain_parse(powertrain_text, sizeof powertrain_text - 1, "p", &w.powertrain, &err),
        &err);
    assert_ok(sm_budget_parse(budget_text, sizeof budget_text - 1, "b", &w.budget, &err), &err);
    sm_run_options opt = sm_run_options_default();
    opt.powertrain = &w.powertrain;
    opt.budget = &w.budget;
    assert_ok(sm_run_survey(path, &opt, &w.run, &err), &err);
    const sm_survey_result *s = sm_run_survey_result(w.run);
    for (size_t i = 0; i < s->n_channels; i++) {
        w.z = strcmp(s->channels[i].info.name, "mount.accel.z") == 0 ? i : w.z;
    }
    return w;
}

static void open_predictor(world *w)
{
    sm_error err = {0};
    assert_ok(sm_predictor_open(sm_run_survey_result(w->run), &w->budget, &w->powertrain,
                                sm_run_orders(w->run), "mount", &w->p, &err),
              &err);
}

/* Integral of T^2 by a fine midpoint rule, independent of the library's own. */
static double flat_power(double natural_hz, double damping, double lo, double hi)
{
    double sum = 0;
    const int n = 40000;
    for (int i = 0; i < n; i++) {
        double u = (lo + (hi - lo) * (i + 0.5) / n) / natural_hz;
        double loss = 4 * damping * damping * u * u;
        sum += (1 + loss) / ((1 - u * u) * (1 - u * u) + loss) * (hi - lo) / n;
    }
    return sum;
}

static double ratio2(double hz, double natural_hz, double damping)
{
    double u = hz / natural_hz;
    double loss = 4 * damping * damping * u * u;
    return (1 + loss) / ((1 - u * u) * (1 - u * u) + loss);
}

/* The issue asks 0.5 dB of the closed form, at every mount; where orders make the value 0.15 dB,
   which is what 0.1 Hz of a cell's mean frequency makes on the flank of the sharpest one here. */
static void test_predict__closed_form(void **state)
{
    (void)state;
    world w = open_world();
    open_predictor(&w);
    static const double mounts[][2] = {{5, 0.1},   {8, 0.05},  {8, 0.3},  {12, 0.15},
                                       {20, 0.02}, {33, 0.08}, {60, 0.2}, {150, 0.1}};
    for (size_t m = 0; m < sizeof mounts / sizeof *mounts; m++) {
        double f = mounts[m][0];
        double z = mounts[m][1];
        sm_isolator iso = sm_isolator_viscous(f, z);
        sm_predictor_mount(w.p, &iso);
        for (int h = 0; h < 2; h++) {
            size_t band = h == 0 ? 0 : 3; /* 1900-2100, 2500-2700 */
            double hz = holds_rpm[h] / 60;
            double rest = noise_g2_hz * flat_power(f, z, 5, 180);
            double truth = sqrt(crank1_g * crank1_g / 2 * ratio2(hz, f, z) +
                                crank2_g * crank2_g / 2 * ratio2(2 * hz, f, z) + rest);
            /* the ramp ends in the upper band: there the loudest cell may be a slower one */
            for (size_t l = h == 0 ? 0 : 2; l < 3; l++) {
                /* the loudest cell or window counts, chance and all: so does it in the measured
                   value, and a prediction is that one times a ratio */
                double v = sm_predictor_value(w.p, band, w.z, l, (double)NAN);
                double measured = sm_predictor_measured(w.p, band, w.z, l);
                double was =
                    sqrt(crank1_g * crank1_g / 2 + crank2_g * crank2_g / 2 + noise_g2_hz * 175);
                double want = l == 1 ? sqrt(ratio2(2 * hz, f, z)) : truth / was;
                double chance = l == 1 ? 0 : rest / (truth * truth);
                double off = 20 * log10(v / measured / want);
                assert_close(off, 0, 0.15 + 0.35 * chance, "predicted, dB");
            }
        }
        /* nothing was recorded at 2700-2900 */
        assert_true(isnan(sm_predictor_value(w.p, 4, w.z, 0, (double)NAN)));
    }
    sm_predictor_close(&w.p);
    sm_run_close(&w.run);
}

/* A body on four equal feet in its own plane is one mass on a spring along z; with its weight above
   the feet it rocks, and the gyros show it. */
static void test_predict__body(void **state)
{
    (void)state;
    world w = open_world();
    open_predictor(&w);
    sm_error err = {0};
    sm_isolator iso = sm_isolator_viscous(9, 0.12);
    sm_predictor_mount(w.p, &iso);
    double mount = sm_predictor_value(w.p, 0, w.z, 0, (double)NAN);
    double k = 1.5 * pow(2 * SM_PI * 9, 2) / 4;
    sm_body b = {.mass_kg = 1.5, .inertia_kg_m2 = {0.004, 0.006, 0.008, 0, 0, 0}, .n_feet = 4};
    for (size_t f = 0; f < 4; f++) {
        b.feet[f].at_m[0] = f % 2 ? 0.06 : -0.06;
        b.feet[f].at_m[1] = f / 2 ? 0.05 : -0.05;
        for (int a = 0; a < 3; a++) {
            b.feet[f].k_n_m[a] = k;
            b.feet[f].c_n_s_m[a] = 2 * 0.12 * sqrt(4 * k * 1.5) / 4;
        }
    }
    assert_ok(sm_predictor_body(w.p, &b, &err), &err);
    double flat = sm_predictor_value(w.p, 0, w.z, 0, (double)NAN);
    assert_close(20 * log10(flat / mount), 0, 0.02, "centred body is one mass, dB");
    /* off-centre along x: z shakes it about y as well; all inputs add, so z never falls */
    b.centre_m[0] = 0.02;
    b.sensor_m[0] = 0.02;
    assert_ok(sm_predictor_body(w.p, &b, &err), &err);
    assert_true(sm_predictor_moves(w.p, w.z));
    sm_predictor_close(&w.p);
    sm_run_close(&w.run);
}

/* crank 2 alone, swept without a hold: 50 crank rpm per second, 1.7 Hz within a frame. */
static void write_sweep(const char *path)
{
    sm_text t = {0};
    sm_error err = {0};
    double turn = 0;
    sm_text_add(&t, "time_s,ax_g,ay_g,az_g,rpm\n");
    for (int i = 0; i < 20 * RATE; i++) {
        double rpm = 1906 + 50.0 * i / RATE;
        turn += rpm / 60 / RATE;
        sm_text_addf(&t, "%.4f,0.001,0.002,%.6f,%.2f\n", (double)i / RATE,
                     -1 + crank2_g * cos(4 * SM_PI * turn), rpm);
    }
    assert_ok(sm_file_store(path, t.s, t.n, &err), &err);
    sm_text_free(&t);
}

/* Mean of |T|^2 under the squared Hann window of a frame that starts at t0. */
static double frame_ratio2(double t0, double f, double z)
{
    double sum = 0;
    double weight = 0;
    for (int i = 0; i < RATE; i++) {
        double h = 0.5 - 0.5 * cos(2 * SM_PI * i / RATE);
        double hz = 2 * (1906 + 50 * (t0 + (double)i / RATE)) / 60;
        sum += h * h * ratio2(hz, f, z);
        weight += h * h;
    }
    return sum / weight;
}

/* A line swept through a sharp resonance: the loudest cell of frames, each the Hann-weighted mean
   of the closed form over what it sweeps (quasi-steady: ringing is not in the model). Frames as the
   scoring rules cut them; 0.5 dB is the issue's. */
static void test_predict__swept_line(void **state)
{
    (void)state;
    static const char path[] = SM_TEST_SCRATCH "/predict-sweep.csv";
    static const double mounts[][2] = {{66, 0.03}, {70, 0.02}, {74, 0.05}, {80, 0.03}, {76, 0.15}};
    static world w;
    memset(&w, 0, sizeof w);
    sm_error err = {0};
    write_sweep(path);
    assert_ok(
        sm_powertrain_parse(powertrain_text, sizeof powertrain_text - 1, "p", &w.powertrain, &err),
        &err);
    assert_ok(sm_budget_parse(budget_text, sizeof budget_text - 1, "b", &w.budget, &err), &err);
    sm_run_options opt = sm_run_options_default();
    opt.powertrain = &w.powertrain;
    opt.budget = &w.budget;
    assert_ok(sm_run_survey(path, &opt, &w.run, &err), &err);
    w.z = 2;
    open_predictor(&w);
    double most = 0;
    for (size_t m = 0; m < sizeof mounts / sizeof *mounts; m++) {
        double f = mounts[m][0];
        double z = mounts[m][1];
        sm_isolator iso = sm_isolator_viscous(f, z);
        sm_predictor_mount(w.p, &iso);
        for (size_t band = 0; band < 4; band++) {
            double cell[8] = {0};
            double n[8] = {0};
            double loudest = 0;
            for (double t0 = 0; t0 + 1 <= 20; t0 += 0.5) {
                double at = (1906 + 50 * (t0 + 0.5) - 1900 - 200 * (double)band) / 25;
                if (at >= 0 && at < 8) {
                    cell[(size_t)at] += frame_ratio2(t0, f, z);
                    n[(size_t)at]++;
                }
            }
            for (size_t c = 0; c < 8; c++) {
                loudest = n[c] > 0 ? fmax(loudest, cell[c] / n[c]) : loudest;
            }
            double v = sm_predictor_value(w.p, band, w.z, 0, (double)NAN);
            double want = crank2_g * SM_G0_M_S2 * sqrt(loudest / 2);
            most = fmax(most, fabs(20 * log10(v / want)));
            assert_close(20 * log10(v / want), 0, 0.5, "swept line, dB");
        }
    }
    print_message("worst of 20: %.2f dB\n", most);
    sm_predictor_close(&w.p);
    sm_run_close(&w.run);
}

/* Peaks: gravity stays, the wave about it scales. A pure sine of 33 Hz (the hold at 2000 rpm has
   two and noise, so here the sweep's single line): the largest sample behind the mount is 1 g and
   the amplitude times the largest |T| of the band, within the range that is given. */
static void test_predict__peak(void **state)
{
    (void)state;
    static const char path[] = SM_TEST_SCRATCH "/predict-sweep.csv";
    static const char peaks[] =
        "[budget]\nname = test\nsource = invented for this test\nrpm = 1900-2900 step 200\n"
        "[limit top]\nchannels = mount.accel.z\nmeasure = peak\nmax = 4 g\n";
    static world w;
    memset(&w, 0, sizeof w);
    sm_error err = {0};
    write_sweep(path);
    assert_ok(
        sm_powertrain_parse(powertrain_text, sizeof powertrain_text - 1, "p", &w.powertrain, &err),
        &err);
    assert_ok(sm_budget_parse(peaks, sizeof peaks - 1, "b", &w.budget, &err), &err);
    sm_run_options opt = sm_run_options_default();
    opt.powertrain = &w.powertrain;
    opt.budget = &w.budget;
    assert_ok(sm_run_survey(path, &opt, &w.run, &err), &err);
    w.z = 2;
    open_predictor(&w);
    static const double mounts[][2] = {{10, 0.1}, {20, 0.1}, {40, 0.15}, {150, 0.2}};
    for (size_t m = 0; m < sizeof mounts / sizeof *mounts; m++) {
        sm_isolator iso = sm_isolator_viscous(mounts[m][0], mounts[m][1]);
        sm_predictor_mount(w.p, &iso);
        for (size_t band = 0; band < 4; band++) {
            double lo = 2 * (1900 + 200 * (double)band) / 60;
            double t2 = fmax(ratio2(lo, mounts[m][0], mounts[m][1]),
                             ratio2(lo + 200.0 / 30, mounts[m][0], mounts[m][1]));
            double want = (1 + crank2_g * sqrt(t2)) * SM_G0_M_S2;
            double v = sm_predictor_value(w.p, band, w.z, 0, (double)NAN);
            sm_peak_range range;
            assert_true(sm_predictor_peak(w.p, band, w.z, &range));
            assert_close(20 * log10(v / want), 0, 0.5, "peak, dB");
            /* frames reach half a second, 25 rpm, over the band's edges: 3 % of the frequency */
            assert_true(range.lo <= want * 1.03 && want <= range.hi * 1.03);
            assert_true(range.lo <= v && v <= range.hi);
            assert_close(sm_predictor_measured(w.p, band, w.z, 0) / SM_G0_M_S2, 1 + crank2_g, 0.01,
                         "measured");
        }
    }
    sm_predictor_close(&w.p);
    sm_run_close(&w.run);
}

static bool excluded(const world *w, double lo_hz, double hi_hz)
{
    const sm_order_table *t = sm_run_orders(w->run);
    for (size_t o = 0; o < t->n; o++) {
        if (t->items[o].order * holds_rpm[0] / 60 <= hi_hz &&
            lo_hz <= t->items[o].order * holds_rpm[1] / 60) {
            return true;
        }
    }
    return false;
}

/* Brute force over a grid 3 times finer than the search's own, corners by hand. */
static void test_search__brute_force(void **state)
{
    (void)state;
    world w = open_world();
    open_predictor(&w);
    sm_search_options opt = {.natural_hz = {4, 40},
                             .damping_ratio = {0.03, 0.6},
                             .max_sag_m = 0.012,
                             .max_sway_m = (double)NAN,
                             .tolerance = sm_tolerance_default()};
    sm_candidate best[10];
    size_t n = 0;
    sm_search_counts counts;
    sm_error err = {0};
    assert_ok(sm_isolator_search(w.p, &opt, best, 10, &n, &counts, &err), &err);
    assert_true(n > 0 && counts.on_an_order > 0 && counts.sags > 0);
    double brute = -1e9;
    for (int i = 0; i < 108; i++) {
        for (int k = 0; k < 30; k++) {
            double f = 4 * pow(10, i / 107.0);
            double z = 0.03 * pow(20, k / 29.0);
            double worst = 1e9;
            if (excluded(&w, f * sqrt(0.8), f * sqrt(1.2)) ||
                9.80665 / pow(2 * SM_PI * f * sqrt(0.8), 2) > 0.012) {
                continue;
            }
            for (int s = 0; s < 9; s++) {
                sm_isolator iso =
                    sm_isolator_viscous(f * sqrt(0.8 + 0.2 * (s / 3)), z * pow(2, s % 3 - 1));
                sm_predictor_mount(w.p, &iso);
                for (size_t l = 0; l < 3; l++) {
                    for (size_t band = 0; band < 4; band++) {
                        double v = sm_predictor_value(w.p, band, w.z, l, (double)NAN);
                        worst = fmin(worst, 20 * log10(0.5 * SM_G0_M_S2 / v));
                    }
                }
            }
            brute = fmax(brute, worst);
        }
    }
    print_message("search %.2f Hz %.3f: %.3f dB; brute force %.3f dB\n", best[0].natural_hz,
                  best[0].damping_ratio, best[0].worst_margin_db, brute);
    assert_true(best[0].worst_margin_db > brute - 0.1);
    assert_true(best[0].worst_margin_db < brute + 1.0); /* it steps finer than the grid */
    assert_true(n > 1);
    for (size_t i = 0; i < n; i++) {
        assert_false(excluded(&w, best[i].natural_hz * sqrt(0.8), best[i].natural_hz * sqrt(1.2)));
        assert_true(i == 0 || best[i].worst_margin_db <= best[i - 1].worst_margin_db);
        assert_true(best[i].nominal_margin_db >= best[i].worst_margin_db);
    }
    /* ranges that cannot be */
    opt.damping_ratio[0] = 0;
    assert_int_equal(sm_isolator_search(w.p, &opt, best, 10, &n, &counts, &err), SM_E_VALUE);
    opt.damping_ratio[0] = 0.1;
    opt.natural_hz[1] = 400;
    assert_int_equal(sm_isolator_search(w.p, &opt, best, 10, &n, &counts, &err), SM_E_VALUE);
    /* a range that lies on the orders: none, and no error */
    opt.natural_hz[0] = 33;
    opt.natural_hz[1] = 45;
    assert_int_equal(sm_isolator_search(w.p, &opt, best, 10, &n, &counts, &err), SM_OK);
    assert_int_equal(n, 0);
    sm_predictor_close(&w.p);
    assert_int_equal(sm_predictor_open(sm_run_survey_result(w.run), &w.budget, &w.powertrain,
                                       sm_run_orders(w.run), "elsewhere", &w.p, &err),
                     SM_E_VALUE);
    sm_run_close(&w.run);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_predict__closed_form), cmocka_unit_test(test_predict__swept_line),
        cmocka_unit_test(test_predict__peak),        cmocka_unit_test(test_predict__body),
        cmocka_unit_test(test_search__brute_force),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
