/* Comb check: confirms engines in noise, contradicts wrong factors, never confirms noise. */
#include "orders/emission.h"
#include "sim_run.h"
#include "stillmount/comb.h"
#include "stillmount/stats.h"

#include <stdio.h>
#include <stdlib.h>

typedef struct looked {
    sm_comb_result run;
    long n_bands; /* of 200 rpm, with at least 3 frames */
    long n_confirmed;
    long n_contradicted;
} looked;

/* Frames of one second, hop one half, with the claimed rpm = true rpm * factor. */
static looked look(const sim_run *r, const sm_powertrain *p, double factor, const char *what)
{
    sm_order_table *orders = sm_alloc_array(1, sizeof *orders);
    sm_error err = {0};
    assert_ok(sm_powertrain_orders(p, 1e9, NULL, 0, orders, &err), &err);
    size_t n = sm_frame_length(r->rate_hz);
    size_t n_bins = n / 2 + 1;
    enum { BANDS = 80 };
    sm_comb *c = NULL;
    assert_ok(
        sm_comb_open(p, orders, r->n_channels, BANDS, n_bins, r->rate_hz / (double)n, &c, &err),
        &err);
    sm_fft *fft = NULL;
    assert_ok(sm_fft_open(n, &fft, &err), &err);
    double *w = sm_alloc_array(n, sizeof *w);
    double *psd = sm_alloc_array(n_bins, sizeof *psd);
    double *x = sm_fft_buffer(n);
    double *spec = sm_fft_buffer(n + 2);
    sm_window_fill(SM_WINDOW_HANN, n, w);
    bool used[BANDS] = {false};
    for (size_t at = 0; at + n <= r->n; at += n / 2) {
        double rpm = 0;
        for (size_t i = 0; i < n; i++) {
            rpm += r->rpm[at + i] / (double)n;
        }
        rpm *= factor;
        double change = factor * (r->rpm[at + n - 1] - r->rpm[at]);
        size_t band = (size_t)(rpm / 200);
        for (size_t k = 0; k < r->n_channels && band < BANDS; k++) {
            double mean = 0;
            for (size_t i = 0; i < n; i++) {
                mean += r->x[k][at + i] / (double)n;
            }
            for (size_t i = 0; i < n; i++) {
                x[i] = w[i] * (r->x[k][at + i] - mean);
            }
            sm_fft_forward(fft, x, spec);
            for (size_t i = 0; i < n_bins; i++) {
                psd[i] = spec[2 * i] * spec[2 * i] + spec[2 * i + 1] * spec[2 * i + 1];
            }
            sm_comb_push(c, k, band, psd, rpm, change);
            used[band] = true;
        }
    }
    size_t all[SM_SIM_MAX_CHANNELS];
    for (size_t k = 0; k < r->n_channels; k++) {
        all[k] = k;
    }
    looked out = {0};
    sm_comb_result_get(c, all, r->n_channels, SIZE_MAX, &out.run);
    for (size_t b = 0; b < BANDS; b++) {
        sm_comb_result band;
        sm_comb_result_get(c, all, r->n_channels, b, &band);
        if (used[b] && band.n_frames >= 3) {
            out.n_bands++;
            out.n_confirmed += band.check == SM_COMB_CONFIRMED;
            out.n_contradicted += band.check == SM_COMB_CONTRADICTED;
        }
    }
    printf("%-34s x%-6.4g %-12s seen %2ld (%4.1f dB) crank %d prop %d evidence %6.2f margin %6.2f "
           "over x%-5.3g bands %ld/%ld confirmed, %ld contradicted\n",
           what, factor, sm_comb_check_text(out.run.check), out.run.n_seen, out.run.best_db,
           out.run.seen_crank, out.run.seen_prop, out.run.evidence, out.run.margin, out.run.rival,
           out.n_confirmed, out.n_bands, out.n_contradicted);
    sm_fft_close(&fft);
    sm_fft_buffer_free(x);
    sm_fft_buffer_free(spec);
    sm_free(w);
    sm_free(psd);
    sm_comb_close(&c);
    sm_free(orders);
    return out;
}

#define SWEEP_GEARED "[profile]\npoints = 0:1800 5:1800 50:5400 55:5400 75:2000 80:2000\n"
#define SWEEP_DIRECT "[profile]\npoints = 0:800 5:800 50:2600 55:2600 75:900 80:900\n"

static void engine(const char *name, const char *powertrain, const char *scenario, double gear)
{
    sm_powertrain p = sim_powertrain(powertrain);
    sim_run r = sim_make(scenario, 3);
    looked ok = look(&r, &p, 1, name);
    assert_int_equal(ok.run.check, SM_COMB_CONFIRMED);
    assert_true(ok.run.seen_crank && ok.run.seen_prop);
    /* idle bands may hide their lines in rattle */
    assert_true(ok.n_confirmed >= ok.n_bands - 2);
    assert_int_equal(ok.n_contradicted, 0);
    const double wrong[] = {0.5, 2, gear, 1 / gear, 1.5, 1.11};
    for (size_t i = 0; i < 6; i++) {
        if (wrong[i] != 1) {
            looked bad = look(&r, &p, wrong[i], name);
            assert_int_not_equal(bad.run.check, SM_COMB_CONFIRMED);
            /* single bands: where lines fall upon others by chance */
            assert_true((double)bad.n_confirmed <= 0.1 * (double)bad.n_bands);
        }
    }
    sim_free(&r);
}

static void test_comb__engines(void **state)
{
    (void)state;
    engine("geared, nuisances", SIM_GEARED, SWEEP_GEARED SIM_GEARED_ORDERS SIM_MOUNT, 51.0 / 21);
    engine("direct, nuisances", SIM_DIRECT, SWEEP_DIRECT SIM_DIRECT_ORDERS SIM_MOUNT, 1);
    engine("geared, clean", SIM_GEARED,
           "[scenario]\nnuisances = off\n" SWEEP_GEARED SIM_GEARED_ORDERS SIM_MOUNT, 51.0 / 21);
    engine("direct, clean", SIM_DIRECT,
           "[scenario]\nnuisances = off\n" SWEEP_DIRECT SIM_DIRECT_ORDERS SIM_MOUNT, 1);
}

static void test_comb__noise_and_tones_are_not_confirmed(void **state)
{
    (void)state;
    sm_powertrain p = sim_powertrain(SIM_GEARED);
    sim_run r = sim_make("[scenario]\nnuisances = off\n" SWEEP_GEARED SIM_MOUNT, 5);
    looked l = look(&r, &p, 1, "no lines");
    assert_int_equal(l.n_confirmed, 0);
    assert_int_not_equal(l.run.check, SM_COMB_CONFIRMED);
    sim_free(&r);
    r = sim_make(SWEEP_GEARED "[tone a]\nhz = 60\nforce = 0.2 g\n" SIM_MOUNT, 5);
    l = look(&r, &p, 1, "tone of 60 Hz, sweep");
    assert_int_equal(l.n_confirmed, 0);
    sim_free(&r);
    r = sim_make("[scenario]\nnuisances = off\n[profile]\npoints = 0:3600 60:3600\n[tone a]\nhz = "
                 "60\nforce = 0.2 g\n" SIM_MOUNT,
                 5);
    l = look(&r, &p, 1, "tone of 60 Hz, 3600 held");
    assert_int_equal(l.n_confirmed, 0);
    sim_free(&r);
}

/* A wrong gear ratio leaves the crank's lines in place: the propeller's own are then nowhere. */
static void test_comb__a_wrong_gear_ratio_shows_no_propeller(void **state)
{
    (void)state;
    static const char *const ratios[] = {"2.27", "2.0", "1.61", "2.58"};
    sim_run r = sim_make(SWEEP_GEARED SIM_GEARED_ORDERS SIM_MOUNT, 8);
    for (size_t i = 0; i < 4; i++) {
        char text[512];
        (void)snprintf(text, sizeof text,
                       "[powertrain]\nrpm_of = crank\n[engine]\ncycle = four-stroke\ncylinders = "
                       "4\n[gearbox]\nratio = %s\n[propeller]\nblades = 3\n",
                       ratios[i]);
        sm_powertrain p = sim_powertrain(text);
        looked l = look(&r, &p, 1, ratios[i]);
        assert_true(l.run.seen_crank);
        assert_false(l.run.seen_prop);
    }
    sim_free(&r);
}

/* An engine whose cylinders are all alike makes no half orders; weak lines in strong noise. */
static void test_comb__even_and_weak_engines(void **state)
{
    (void)state;
    sm_powertrain p = sim_powertrain(SIM_DIRECT);
    sim_run r = sim_make("[scenario]\nnuisances = off\n" SWEEP_DIRECT
                         "[order crank 1]\nforce = 0.1 g\nreference_rpm = 2500\n"
                         "[order crank 2]\nforce = 0.3 g\nreference_rpm = 2500\n"
                         "[order crank 4]\nforce = 0.1 g\nreference_rpm = 2500\n"
                         "[order crank 6]\nforce = 0.03 g\nreference_rpm = 2500\n" SIM_MOUNT,
                         4);
    looked l = look(&r, &p, 1, "even firing");
    assert_int_equal(l.run.check, SM_COMB_CONFIRMED);
    l = look(&r, &p, 2, "even firing");
    assert_int_not_equal(l.run.check, SM_COMB_CONFIRMED);
    l = look(&r, &p, 0.5, "even firing");
    assert_int_not_equal(l.run.check, SM_COMB_CONFIRMED);
    sim_free(&r);
    p = sim_powertrain(SIM_GEARED);
    r = sim_make(SWEEP_GEARED SIM_GEARED_ORDERS
                 "[mode a]\nhz = 31\ndamping = 0.06\n[channel mount.accel.x]\ndirect = 0.5\n"
                 "modes = a:0.3\nforce_noise = 1e-3 g^2/Hz\n",
                 4);
    l = look(&r, &p, 1, "17 dB more noise");
    assert_int_equal(l.run.check, SM_COMB_CONFIRMED);
    sim_free(&r);
}

static int by_value(const void *a, const void *b)
{
    double x = *(const double *)a;
    double y = *(const double *)b;
    return (x > y) - (x < y);
}

/* The floor at hz as emission.h defines it, by sorting. */
static double sorted_floor(const double *psd, size_t n_bins, double bin_hz, double hz)
{
    double v[512];
    size_t n = 0;
    for (size_t k = 1; k < n_bins; k++) {
        if (fabs((double)k * bin_hz - hz) <= 20 + 1e-9) {
            v[n++] = psd[k];
        }
    }
    qsort(v, n, sizeof *v, by_value);
    return n < 5 ? 0
                 : fmax(v[(size_t)(0.3 * (double)n)] / -log(0.7),
                        1e-4 * v[(size_t)(0.6 * (double)n)]);
}

/* At the marks, every 10 Hz, nothing is interpolated. Rounding alone may differ: 1e-12. */
static void test_whiten__is_the_percentile_of_sorted_bins(void **state)
{
    (void)state;
    static const double bins_hz[] = {0.125, 0.5, 1, 2};
    enum { BINS = 1601 };
    static double psd[BINS], snr[BINS], scratch[BINS];
    sm_rng rng = sm_rng_seed(5);
    for (size_t b = 0; b < sizeof bins_hz / sizeof bins_hz[0]; b++) {
        for (size_t k = 0; k < BINS; k++) {
            bool step = k > BINS / 2; /* 50 dB up, 70 dB down again: no value is a good guess */
            psd[k] = -log(1 - sm_rng_uniform(&rng)) * (step ? 1e5 : 1) * (k % 200 > 190 ? 1e7 : 1);
            psd[k] = k % 3 ? psd[k] : floor(psd[k]); /* equal values too */
        }
        sm_whiten(psd, BINS, bins_hz[b], 10, snr, scratch);
        for (double hz = 10; hz + 20 < (BINS - 1) * bins_hz[b]; hz += 10) {
            size_t k = (size_t)(hz / bins_hz[b] + 0.5);
            double expected = psd[k] / sorted_floor(psd, BINS, bins_hz[b], hz);
            assert_close(snr[k] / (expected + 1), expected / (expected + 1), 1e-12,
                         "snr at a mark");
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_comb__engines),
        cmocka_unit_test(test_whiten__is_the_percentile_of_sorted_bins),
        cmocka_unit_test(test_comb__a_wrong_gear_ratio_shows_no_propeller),
        cmocka_unit_test(test_comb__even_and_weak_engines),
        cmocka_unit_test(test_comb__noise_and_tones_are_not_confirmed),
    };
    return cmocka_run_group_tests_name("comb", tests, NULL, NULL);
}
