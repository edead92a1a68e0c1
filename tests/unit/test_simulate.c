/* The simulator against closed forms: what comes out is what the scenario says, and the truth. */
#include "core/alloc.h"
#include "core/util.h"
#include "simulate/internal.h"
#include "sm_test.h"
#include "stillmount/file.h"

#include <sndfile.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define HOLD                                                                                       \
    "[scenario]\nnuisances = off\n"                                                                \
    "[engine]\nratio = 51/21\n"                                                                    \
    "[log]\nrate_hz = 1000\n"
#define EXACT "[place mount]\naccel_step = 0 g\ngyro_step = 0 deg/s\nfilter_order = 0\n"

static sm_scenario scenario_of(const char *text)
{
    sm_scenario c;
    sm_error err = {0};
    assert_ok(sm_scenario_parse(text, strlen(text), "test.ini", &c, &err), &err);
    return c;
}

/* The whole run in arrays. */
typedef struct run {
    sm_simulator *s;
    size_t n;
    double *t;
    double *x[SM_SIM_MAX_CHANNELS];
    double *rpm;
    double *tach;
    double *theta;
} run;

static run run_of(const char *text, uint64_t seed)
{
    sm_error err = {0};
    sm_scenario c = scenario_of(text);
    run r = {0};
    assert_ok(sm_simulator_open(&c, seed, true, &r.s, &err), &err);
    size_t room = (size_t)(c.seconds * c.rate_hz * 1.2) + 10;
    double **arrays[] = {&r.t, &r.rpm, &r.tach, &r.theta};
    for (size_t i = 0; i < 4; i++) {
        *arrays[i] = calloc(room, sizeof(double));
        assert_non_null(*arrays[i]);
    }
    for (size_t i = 0; i < c.n_channels; i++) {
        r.x[i] = calloc(room, sizeof(double));
        assert_non_null(r.x[i]);
    }
    for (;;) {
        sm_sim_rows rows;
        sm_simulator_next(r.s, &rows);
        if (rows.n_rows == 0) {
            return r;
        }
        assert_true(r.n + rows.n_rows <= room);
        size_t bytes = rows.n_rows * sizeof(double);
        memcpy(r.t + r.n, rows.t_s, bytes);
        memcpy(r.rpm + r.n, rows.rpm, bytes);
        memcpy(r.tach + r.n, rows.tach, bytes);
        memcpy(r.theta + r.n, rows.theta_rev, bytes);
        for (size_t i = 0; i < c.n_channels; i++) {
            memcpy(r.x[i] + r.n, rows.x[i], bytes);
        }
        r.n += rows.n_rows;
    }
}

static void run_free(run *r)
{
    free(r->t);
    free(r->rpm);
    free(r->tach);
    free(r->theta);
    for (size_t i = 0; i < SM_SIM_MAX_CHANNELS; i++) {
        free(r->x[i]);
    }
    sm_simulator_close(&r->s);
}

/* Peak amplitude at hz over a whole number of cycles, by projection on sine and cosine. */
static double amplitude(const run *r, size_t ch, size_t from, size_t n, double hz)
{
    double c = 0;
    double s = 0;
    for (size_t i = from; i < from + n; i++) {
        c += r->x[ch][i] * cos(2 * SM_PI * hz * r->t[i]);
        s += r->x[ch][i] * sin(2 * SM_PI * hz * r->t[i]);
    }
    return 2 * hypot(c, s) / (double)n;
}

static void test_order__has_the_amplitude_of_its_law(void **state)
{
    (void)state;
    /* crank 2 at 3000 rpm = 100 Hz; (3000/6000)^2 x 0.8 g = 0.2 g */
    run r = run_of(HOLD "[profile]\npoints = 0:3000 4:3000\n" EXACT
                        "[order crank 2]\nforce = 0.8 g\nreference_rpm = 6000\nexponent = 2\n"
                        "[order prop 1]\nlaw = 2000:0.1 4000:0.3\n"
                        "[channel mount.accel.x]\nweights = prop 1:0\n"
                        "[channel mount.gyro.z]\ndirect = 3\nweights = crank 2:0\n",
                   1);
    assert_int_equal(r.n, 4000);
    assert_close(amplitude(&r, 0, 1000, 2000, 100) / SM_G0_M_S2, 0.2, 1e-4, "crank 2 [g]");
    /* prop 1 at 50 x 21/51 = 20.588 Hz; 0.2 g by the law's middle x 3 deg/s per g */
    double hz = 50.0 * 21 / 51;
    double n = round(42 / hz * 1000); /* 42 cycles = 2.04 s, a whole number of samples */
    double dps = amplitude(&r, 1, 1000, (size_t)n, hz) * 180 / SM_PI;
    assert_close(dps, 0.6, 1e-3, "prop 1 [deg/s]");
    const sm_truth *t = sm_simulator_truth(r.s);
    assert_close(t->amplitude_pk[sm_truth_at(t, 0, 0, 40)], 0.2 * SM_G0_M_S2, 1e-9, "truth");
    assert_close(t->power[sm_truth_at(t, 0, 0, 40)], 0.02 * SM_G0_M_S2 * SM_G0_M_S2, 1e-9,
                 "mean square of a sine: half its peak squared");
    assert_close(t->amplitude_pk[sm_truth_at(t, 0, 1, 40)], 0, 1e-12, "weight 0");
    run_free(&r);
}

static double magnitude(const sm_simulator *s, size_t ch, double hz)
{
    double h[2];
    sm_simulator_response(s, ch, hz, h);
    return hypot(h[0], h[1]);
}

/*
 * Transmissibility of one mass on a spring, table of T(r, damping 0.1): Harris & Piersol, Shock and
 * Vibration Handbook, ch. 30. Force transfer far above and at the mode: 1 and 1 / (2 damping), Rao,
 * Mechanical Vibrations, ch. 3. 0.5 %: the bilinear transform bends 200 Hz by 0.2 % at 8 kHz.
 */
static void test_mode__follows_the_handbook(void **state)
{
    (void)state;
    static const double table[][2] = {{0.1, 1.010097}, {0.5, 1.328229}, {0.8, 2.570651},
                                      {0.9, 3.882207}, {1, 5.099020},   {1.1, 3.366609},
                                      {1.5, 0.812162}, {2, 0.355862},   {4, 0.085254}};
    run r =
        run_of(HOLD "[profile]\npoints = 0:3000 6:3000\n" EXACT "[mode a]\nhz = 50\ndamping = 0.1\n"
                    "[mode b]\nhz = 20\ndamping = 0.1\nkind = force\n"
                    "[order crank 1]\nforce = 1 g\nreference_rpm = 3000\n"
                    "[channel mount.accel.x]\ndirect = 0\nmodes = a:1\n"
                    "[channel mount.accel.y]\ndirect = 0\nmodes = b:1\n",
               1);
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        assert_close(magnitude(r.s, 0, 50 * table[i][0]), table[i][1], 0.005 * table[i][1], "T(r)");
    }
    assert_close(magnitude(r.s, 1, 20), 5, 1e-9, "force mode at resonance");
    assert_close(magnitude(r.s, 1, 400), 1, 0.005, "force mode far above");
    /* the log itself, settled, at resonance: 1 g x 5.099 */
    assert_close(amplitude(&r, 0, 4000, 2000, 50) / SM_G0_M_S2, 5.099020, 0.005, "log [g]");
    run_free(&r);
}

/*
 * The strongest claim: the truth's envelopes, put back together, are the log. 80 rpm per second
 * through two modes, with filter and attachment; prop and crank orders close together. Between
 * steps of 50 ms the envelope is taken as a straight line: 0.3 % of the largest value.
 */
static void test_truth__rebuilds_the_log_in_a_sweep(void **state)
{
    (void)state;
    run r = run_of(HOLD "[profile]\npoints = 0:1800 30:4200\n"
                        "[place mount]\naccel_step = 0 g\nattachment_hz = 280\n"
                        "[mode rock]\nhz = 31\ndamping = 0.06\n"
                        "[mode shelf]\nhz = 118\ndamping = 0.03\nkind = force\n"
                        "[order crank 1]\nforce = 0.2 g\nphase_deg = 70\n"
                        "[order crank 2]\nforce = 0.3 g\n"
                        "[order prop 3 (blade pass)]\nforce = 0.2 g\n"
                        "[tone fan]\nhz = 90\nforce = 0.05 g\nphase_deg = 10\n"
                        "[channel mount.accel.x]\ndirect = 0.5\nmodes = rock:1 shelf:0.5\n",
                   1);
    const sm_truth *t = sm_simulator_truth(r.s);
    const sm_scenario *c = sm_simulator_scenario(r.s);
    double largest = 0;
    double miss = 0;
    for (size_t i = 1000; i < r.n - 1000; i++) {
        /* the middle of the control steps that make up a truth step */
        double at = r.t[i] / t->step_s - 0.45;
        size_t k = (size_t)at;
        double sum = 0;
        for (size_t o = 0; o < t->n_sources; o++) {
            double turns =
                c->sources[o].fixed ? c->sources[o].hz * r.t[i] : c->sources[o].order * r.theta[i];
            double re[2];
            for (size_t j = 0; j < 2; j++) {
                size_t line = sm_truth_at(t, 0, o, k + j);
                re[j] = t->amplitude_pk[line] * cos(2 * SM_PI * turns + t->phase_rad[line]);
            }
            sum += re[0] + (at - (double)k) * (re[1] - re[0]);
        }
        largest = sm_max(largest, fabs(sum));
        miss = sm_max(miss, fabs(sum - r.x[0][i]));
    }
    assert_true(largest > 0.1 * SM_G0_M_S2);
    assert_close(miss / largest, 0, 0.003, "log minus truth");
    run_free(&r);
}

static double mean_square(const double *x, size_t n)
{
    double mean = 0;
    double sum = 0;
    for (size_t i = 0; i < n; i++) {
        mean += x[i] / (double)n;
    }
    for (size_t i = 0; i < n; i++) {
        sum += (x[i] - mean) * (x[i] - mean) / (double)n;
    }
    return sum;
}

/*
 * Random base input on one mass: exact mean square = Miles (pi/2 fn Q P) x (1 + 4 z^2): reference
 * table, fn 15 Hz, Q 5, P 0.01 g^2/Hz -> 1.106897 g rms. 300 s give the resonance (15 Hz / Q wide)
 * about 1400 independent values: 4 sigma = 7.5 % of the rms squared / 2.
 */
static void test_noise__has_the_density_that_was_asked(void **state)
{
    (void)state;
    run r = run_of(HOLD "[profile]\npoints = 0:3000 300:3000\n" EXACT
                        "[mode a]\nhz = 15\ndamping = 0.1\n"
                        "[channel mount.accel.x]\ndirect = 0\nmodes = a:1\n"
                        "force_noise = 0.01 g^2/Hz\nreference_rpm = 3000\n"
                        "[channel base.accel.x]\nnoise = 0.0001 g^2/Hz\n",
                   5);
    assert_close(sqrt(mean_square(r.x[0], r.n)) / SM_G0_M_S2, 1.106897, 0.04, "Miles [g rms]");
    sm_truth_rms v;
    assert_int_equal(sm_simulator_band_rms(r.s, 0, 2900, 3100, 0.5, 400, &v), SM_OK);
    assert_close(v.mean_rms / SM_G0_M_S2, 1.106897, 0.01, "true band rms [g]");
    /* white noise behind the default filter, 300 Hz Butterworth of order 8: 1.0065 x 300 Hz of
       equivalent noise bandwidth (pi / 16) / sin(pi / 16); 90000 values: 4 sigma = 1 % of rms */
    double bandwidth = 300 * (SM_PI / 16) / sin(SM_PI / 16);
    assert_close(sqrt(mean_square(r.x[1], r.n)) / SM_G0_M_S2, sqrt(1e-4 * bandwidth), 0.0017,
                 "white [g rms]");
    assert_close(sm_simulator_noise_psd(r.s, 1, 50, 3000) / SM_G0_M_S2 / SM_G0_M_S2, 1e-4, 1e-7,
                 "density");
    run_free(&r);
}

/* One force for both places where they name the same; another force, or another axis, is another's:
   30000 independent values correlate by 4 / sqrt(30000) = 0.023 at most. */
static void test_noise__is_one_force_for_all_places(void **state)
{
    (void)state;
    run r = run_of(HOLD "[profile]\npoints = 0:3000 30:3000\n" EXACT
                        "[place base]\naccel_step = 0 g\nfilter_order = 0\n"
                        "[place prop]\naccel_step = 0 g\nfilter_order = 0\n"
                        "[channel base.accel.x]\nforce_noise = 0.0001 g^2/Hz\n"
                        "[channel mount.accel.x]\ndirect = 2\nforce_noise = 0.0001 g^2/Hz\n"
                        "[channel mount.accel.y]\nforce_noise = 0.0001 g^2/Hz\n"
                        "[channel prop.accel.x]\nforce_noise = 0.0002 g^2/Hz\n",
                   5);
    double own = mean_square(r.x[0], r.n);
    for (size_t c = 1; c < 4; c++) {
        double cross = 0;
        for (size_t i = 0; i < r.n; i++) {
            cross += r.x[0][i] * r.x[c][i] / (double)r.n;
        }
        double correlation = cross / sqrt(own * mean_square(r.x[c], r.n));
        assert_close(correlation, c == 1 ? 1 : 0, c == 1 ? 1e-4 : 0.025, "correlation");
    }
    assert_close(sqrt(mean_square(r.x[1], r.n) / own), 2, 1e-6, "both by their own path");
    run_free(&r);
}

static void test_band_rms__adds_powers_and_cuts_at_the_edges(void **state)
{
    (void)state;
    run r = run_of(HOLD "[profile]\npoints = 0:3000 10:3000 30:5000\n" EXACT
                        "[order crank 1]\nforce = 0.3 g\nexponent = 0\n"
                        "[order crank 2]\nforce = 0.4 g\nexponent = 0\n"
                        "[channel mount.accel.x]\n",
                   1);
    sm_truth_rms v;
    assert_int_equal(sm_simulator_band_rms(r.s, 0, 2990, 3010, 10, 300, &v), SM_OK);
    assert_close(v.mean_rms / SM_G0_M_S2, 0.5 / sqrt(2.0), 1e-6, "both");
    assert_int_equal(sm_simulator_band_rms(r.s, 0, 2990, 3010, 60, 300, &v), SM_OK);
    assert_close(v.mean_rms / SM_G0_M_S2, 0.4 / sqrt(2.0), 1e-5, "one");
    /* the upper edge on the line: half of its lobe */
    assert_int_equal(sm_simulator_band_rms(r.s, 0, 2999, 3001, 60, 100, &v), SM_OK);
    assert_close(v.mean_rms / SM_G0_M_S2, 0.4 / 2, 1e-5, "half");
    assert_int_equal(sm_simulator_band_rms(r.s, 0, 6000, 6100, 60, 100, &v), SM_OK);
    assert_true(isnan(v.mean_rms) && v.n_frames == 0);
    assert_int_equal(sm_simulator_band_rms(r.s, 9, 2999, 3001, 60, 100, &v), SM_E_ARG);
    run_free(&r);
}

/* On a direct drive crank 1 and prop 1 are one line and add as phasors: 0.3 and 0.4 g, a quarter
 * turn apart, are 0.5 g; half a turn apart 0.1 g. */
static void test_band_rms__coinciding_orders_add_as_phasors(void **state)
{
    (void)state;
    static const char text[] =
        "[scenario]\nnuisances = off\n[profile]\npoints = 0:3000 6:3000\n" EXACT
        "[order crank 1]\nforce = 0.3 g\nexponent = 0\nscatter = no\n"
        "[order prop 1]\nforce = 0.4 g\nexponent = 0\nphase_deg = %d\n"
        "[channel mount.accel.x]\n";
    static const double want[][2] = {{90, 0.5}, {180, 0.1}};
    for (size_t i = 0; i < 2; i++) {
        char scene[600];
        (void)snprintf(scene, sizeof scene, text, (int)want[i][0]);
        run r = run_of(scene, 1);
        sm_truth_rms v;
        assert_int_equal(sm_simulator_band_rms(r.s, 0, 2900, 3100, 10, 300, &v), SM_OK);
        assert_close(v.mean_rms / SM_G0_M_S2, want[i][1] / sqrt(2.0), 1e-6, "truth");
        assert_close(amplitude(&r, 0, 1000, 2000, 50) / SM_G0_M_S2, want[i][1], 1e-4, "log");
        run_free(&r);
    }
}

static void test_sensor__clips_and_rounds(void **state)
{
    (void)state;
    run r = run_of(HOLD "[profile]\npoints = 0:3000 10:3000\n"
                        "[place mount]\naccel_range = 1 g\naccel_step = 10 mg\nfilter_order = 0\n"
                        "[order crank 1.7]\nforce = 2 g\nexponent = 0\n[channel mount.accel.x]\n",
                   1);
    size_t at_range = 0;
    for (size_t i = 0; i < r.n; i++) {
        double g = r.x[0][i] / SM_G0_M_S2;
        assert_true(fabs(g) <= 1 + 1e-12);
        assert_close(g * 100, round(g * 100), 1e-9, "a multiple of the step");
        at_range += fabs(g) > 1 - 1e-9;
    }
    /* a sine of twice the range is outside it for 2/3 of the time (acos(1/2) 2 / pi); rounding up
       from 0.995 g adds 0.002 */
    assert_close((double)at_range / (double)r.n, 2.0 / 3, 0.005, "share of clipped samples");
    run_free(&r);
}

static void test_tach__rises_when_the_shaft_comes_round(void **state)
{
    (void)state;
    run r = run_of(HOLD "[profile]\npoints = 0:2000 10:4000\n"
                        "[tach]\nshaft = prop\npulses_per_rev = 2\nrise_s = 0.002\n"
                        "[channel mount.accel.x]\n",
                   1);
    size_t n_edges = 0;
    for (size_t i = 1; i < r.n; i++) {
        if (r.tach[i - 1] < 0.5 && r.tach[i] >= 0.5) {
            double u = (0.5 - r.tach[i - 1]) / (r.tach[i] - r.tach[i - 1]);
            double pulses = (r.theta[i - 1] + u * (r.theta[i] - r.theta[i - 1])) * 2 * 21 / 51;
            assert_close(pulses, round(pulses), 0.002, "half height at a whole pulse");
            n_edges++;
        }
    }
    /* 3000 rpm on average for 10 s = 500 turns of the crank; the pulse at the start has no edge */
    assert_close((double)n_edges, floor(500.0 * 21 / 51 * 2), 1, "pulses");
    assert_close(r.rpm[5000], 3000, 1, "rpm column half way");
    run_free(&r);
}

static void test_log__loses_rows_as_asked(void **state)
{
    (void)state;
    run r = run_of("[scenario]\nnuisances = off\n[profile]\npoints = 0:3000 20:3000\n"
                   "[log]\nrate_hz = 500\ngaps = 5:1.5\ndropouts_per_s = 2\njitter_s = 0.0002\n"
                   "[channel mount.accel.x]\nmean = -1 g\n",
                   3);
    size_t n_wide = 0;
    double widest = 0;
    for (size_t i = 1; i < r.n; i++) {
        double dt = r.t[i] - r.t[i - 1];
        assert_true(dt > 0);
        n_wide += dt > 0.0035;
        widest = sm_max(widest, dt);
        assert_close(r.x[0][i] / SM_G0_M_S2, -1, 0.0005, "gravity");
    }
    assert_close(widest, 1.502, 0.004, "gap");
    /* 18.5 s x 2 = 37 expected, Poisson: 4 sigma = 24; the gap is one more */
    assert_close((double)n_wide, 38, 24, "lost rows");
    run_free(&r);
}

static char *written(const sm_scenario *c, uint64_t seed, size_t *n)
{
    sm_error err = {0};
    sm_simulate_totals totals;
    sm_simulate_files f = {.log = SM_TEST_SCRATCH "/sim.csv",
                           .truth = SM_TEST_SCRATCH "/sim.json",
                           .rpm_log = SM_TEST_SCRATCH "/sim-rpm.csv",
                           .channels = SM_TEST_SCRATCH "/sim-channels.ini",
                           .seed = seed};
    assert_ok(sm_simulate_write(c, &f, &totals, &err), &err);
    char *text = NULL;
    assert_ok(sm_file_load(f.log, 1 << 24, &text, n, &err), &err);
    return text;
}

static const char short_run[] =
    "[scenario]\n[profile]\npoints = 0:1800 9:1800 12:2500\n[slow log]\noffset_s = 100\n"
    "[tach]\n[order crank 2]\nforce = 0.2 g\n[mode a]\nhz = 30\n"
    "[channel mount.accel.x]\nmodes = a:1\nforce_noise = 0.0001 g^2/Hz\n"
    "[channel mount.gyro.y]\nnoise = 0.0001 (deg/s)^2/Hz\n";

static void test_write__same_seed_same_bytes(void **state)
{
    (void)state;
    sm_scenario c = scenario_of(short_run);
    size_t n[3];
    char *a = written(&c, 7, &n[0]);
    char *b = written(&c, 7, &n[1]);
    char *other = written(&c, 8, &n[2]);
    assert_int_equal(n[0], n[1]);
    assert_memory_equal(a, b, n[0]);
    assert_true(n[0] != n[2] || memcmp(a, other, n[0]) != 0);
    assert_non_null(strstr(a, "\ntime_s,ax_g,gy_dps,rpm,tach\n"));
    sm_file_text_free(a);
    sm_file_text_free(b);
    sm_file_text_free(other);
    char *slow = NULL;
    size_t n_slow = 0;
    sm_error err = {0};
    assert_ok(sm_file_load(SM_TEST_SCRATCH "/sim-rpm.csv", 1 << 20, &slow, &n_slow, &err), &err);
    assert_non_null(strstr(slow, "time_s,rpm\n100.000,"));
    sm_file_text_free(slow);
}

static void test_write__audio_holds_the_same_values(void **state)
{
    (void)state;
    sm_scenario c = scenario_of(short_run);
    sm_error err = {0};
    sm_simulate_totals totals;
    static const char *const names[] = {SM_TEST_SCRATCH "/sim.wav", SM_TEST_SCRATCH "/sim.flac"};
    run r = run_of(short_run, 7);
    for (size_t k = 0; k < 2; k++) {
        sm_simulate_files f = {.log = names[k], .seed = 7};
        assert_ok(sm_simulate_write(&c, &f, &totals, &err), &err);
        SF_INFO info = {0};
        SNDFILE *file = sf_open(names[k], SFM_READ, &info);
        assert_non_null(file);
        assert_int_equal(info.channels, 4);
        assert_int_equal(info.samplerate, 1000);
        assert_int_equal(info.frames, (sf_count_t)r.n);
        double *x = calloc(r.n * 4, sizeof *x);
        assert_non_null(x);
        assert_int_equal(sf_readf_double(file, x, info.frames), info.frames);
        for (size_t i = 0; i < r.n; i++) {
            assert_close(x[4 * i] * 16, r.x[0][i] / SM_G0_M_S2, 1e-5, "g at 16 g full scale");
        }
        free(x);
        (void)sf_close(file);
    }
    run_free(&r);
    sm_simulate_files f = {.log = SM_TEST_SCRATCH "/odd.wav", .seed = 7};
    c.rate_hz = 1000.5;
    assert_int_equal(sm_simulate_write(&c, &f, &totals, &err), SM_E_VALUE);
    assert_int_not_equal(access(f.log, F_OK), 0);
    f.log = SM_TEST_SCRATCH "/none/x.csv";
    assert_int_equal(sm_simulate_write(&c, &f, &totals, &err), SM_E_IO);
}

/* Nuisances change what they should: sample statistics of the truth itself. */
static void test_nuisances__scatter_hunting_and_weak_cylinder(void **state)
{
    (void)state;
    run r = run_of("[scenario]\n[profile]\npoints = 0:3000 60:3000\n[nuisances]\n"
                   "ignition_check_s = 1000\n"
                   "[order crank 0.5]\nforce = 0 g\n[order crank 2]\nforce = 0.5 g\n"
                   "[order prop 1]\nforce = 0.5 g\n[channel mount.accel.x]\n",
                   2);
    const sm_truth *t = sm_simulator_truth(r.s);
    double rpm = 0;
    double rpm2 = 0;
    double log_db = 0;
    double log_db2 = 0;
    double half = 0;
    double n = (double)t->n_steps;
    for (size_t i = 0; i < t->n_steps; i++) {
        rpm += t->rpm[i] / n;
        rpm2 += t->rpm[i] * t->rpm[i] / n;
        double db = 20 * log10(t->amplitude_pk[sm_truth_at(t, 0, 1, i)]);
        log_db += db / n;
        log_db2 += db * db / n;
        half += t->amplitude_pk[sm_truth_at(t, 0, 0, i)] / t->amplitude_pk[sm_truth_at(t, 0, 1, i)];
    }
    /* hunting 0.3 % = 9 rpm; 0.6 Hz wide over 60 s: 4 sigma of the rms is 50 % */
    assert_close(sqrt(rpm2 - rpm * rpm), 9, 4.5, "hunting [rpm]");
    /* 3 dB per cycle of 40 ms, about two thirds of it left in means over 50 ms */
    assert_close(sqrt(log_db2 - log_db * log_db), 2, 0.6, "scatter [dB]");
    assert_close(half / n, 0.15 / 4, 0.005, "weak cylinder: 15 % of one of four");
    double prop[2] = {t->amplitude_pk[sm_truth_at(t, 0, 2, 50)],
                      t->amplitude_pk[sm_truth_at(t, 0, 2, 51)]};
    assert_close(prop[0] / prop[1], 1, 0.02, "the propeller does not scatter");
    run_free(&r);
}

static void test_scenario__errors_name_the_line(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        sm_status status;
        long line;
        const char *word;
    } bad[] = {
        {"[profile]\npoints = 0:1 5:1\n", SM_E_FORMAT, 1, "channel"},
        {"[channel mount.accel.x]\n", SM_E_FORMAT, 0, "points"},
        {"[profile]\npoint = 0:1\n", SM_E_FORMAT, 2, "points"},
        {"[profile]\npoints = 5:1 0:2\n", SM_E_VALUE, 2, "rise"},
        {"[profile]\npoints = 0-1\n", SM_E_VALUE, 2, "number:number"},
        {"[profile]\npoints = 0:1 5:1\n[chanel mount.accel.x]\n", SM_E_FORMAT, 3, "channel"},
        {"[profile]\npoints = 0:1 5:1\n[channel mount.acel.x]\n", SM_E_FORMAT, 3, "mount.accel.x"},
        {"[profile]\npoints = 0:1 5:1\n[channel mount.accel.x]\nmodes = a:1\n", SM_E_VALUE, 4,
         "mode"},
        {"[profile]\npoints = 0:1 5:1\n[order crank 2]\nforce = 1 deg/s\n", SM_E_VALUE, 4, "0.5 g"},
        {"[profile]\npoints = 0:1 5:1\n[order pump]\nforce = 1 g\n", SM_E_FORMAT, 3, "order ="},
        {"[profile]\npoints = 0:1 5:1\n[mode a]\n", SM_E_FORMAT, 3, "hz"},
        {"[profile]\npoints = 0:1 5:1\n[place a]\nfilter_order = 3\n", SM_E_VALUE, 4, "8"},
        {"[engine]\nratio = 0\n", SM_E_VALUE, 2, "ratio"},
        {"[scenario]\nseconds = 1e9\n", SM_E_VALUE, 2, "86400"},
    };
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        sm_scenario c;
        sm_error err = {0};
        sm_status st = sm_scenario_parse(bad[i].text, strlen(bad[i].text), "bad.ini", &c, &err);
        if (st != bad[i].status || err.line != bad[i].line || !strstr(err.message, bad[i].word)) {
            (void)fprintf(stderr, "case %zu: %s: line %ld: %s\n", i, sm_status_text(st), err.line,
                          err.message);
            fail();
        }
        assert_string_equal(err.source, "bad.ini");
    }
    sm_scenario c;
    sm_error err = {0};
    assert_int_equal(sm_scenario_read(SM_TEST_SCRATCH "/none.ini", &c, &err), SM_E_IO);
}

static void test_write__survives_every_failing_allocation(void **state)
{
    (void)state;
    sm_scenario c = scenario_of("[profile]\npoints = 0:3000 1:3000\n[order crank 1]\nforce = 1 g\n"
                                "[channel mount.accel.x]\n");
    sm_simulate_files f = {.log = SM_TEST_SCRATCH "/alloc.csv",
                           .truth = SM_TEST_SCRATCH "/alloc.json",
                           .channels = SM_TEST_SCRATCH "/alloc.ini",
                           .bands_rpm = {2800, 3200, 200},
                           .bands_hz = {5, 300}};
    for (long k = 1;; k++) {
        sm_error err = {0};
        sm_simulate_totals totals;
        (void)unlink(f.log);
        sm_alloc_fail_at(k);
        sm_status st = sm_simulate_write(&c, &f, &totals, &err);
        sm_alloc_fail_at(0);
        if (st == SM_OK) {
            break;
        }
        assert_int_equal(st, SM_E_NOMEM);
        assert_int_not_equal(access(f.log, F_OK), 0);
        assert_true(k < 20000);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_order__has_the_amplitude_of_its_law),
        cmocka_unit_test(test_mode__follows_the_handbook),
        cmocka_unit_test(test_truth__rebuilds_the_log_in_a_sweep),
        cmocka_unit_test(test_noise__has_the_density_that_was_asked),
        cmocka_unit_test(test_noise__is_one_force_for_all_places),
        cmocka_unit_test(test_band_rms__adds_powers_and_cuts_at_the_edges),
        cmocka_unit_test(test_band_rms__coinciding_orders_add_as_phasors),
        cmocka_unit_test(test_sensor__clips_and_rounds),
        cmocka_unit_test(test_tach__rises_when_the_shaft_comes_round),
        cmocka_unit_test(test_log__loses_rows_as_asked),
        cmocka_unit_test(test_write__same_seed_same_bytes),
        cmocka_unit_test(test_write__audio_holds_the_same_values),
        cmocka_unit_test(test_nuisances__scatter_hunting_and_weak_cylinder),
        cmocka_unit_test(test_scenario__errors_name_the_line),
        cmocka_unit_test(test_write__survives_every_failing_allocation),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
