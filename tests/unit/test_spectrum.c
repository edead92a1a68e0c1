/* Windows, transforms, averaged spectra, band power against published and recomputed values. */
#include "core/alloc.h"
#include "core/util.h"
#include "sm_test.h"
#include "stillmount/spectrum.h"
#include "stillmount/stats.h"

#include <stdlib.h>
#include <string.h>

enum { N = 1024 };

/* Largest amplitude error within half a bin, in dB: |W(f)| / W(0) over the bin. */
static double flatness_db(const double *w, size_t n, double at)
{
    double re = 0;
    double im = 0;
    double s1 = 0;
    for (size_t i = 0; i < n; i++) {
        re += w[i] * cos(2 * SM_PI * at * (double)i / (double)n);
        im += w[i] * sin(2 * SM_PI * at * (double)i / (double)n);
        s1 += w[i];
    }
    return 20 * log10(hypot(re, im) / s1);
}

static void test_window__published_table(void **state)
{
    (void)state;
    /* Heinzel, Ruediger & Schilling 2002, table 2 (equivalent noise bandwidth, largest amplitude
       error), as tabulated by two public libraries; ISO 18431-2 and SciPy flat-top recomputed. */
    static const struct {
        sm_window kind;
        double enbw;
        double emax_db;
    } rows[] = {{SM_WINDOW_UNIFORM, 1.0000, 3.9224},         {SM_WINDOW_HANN, 1.5000, 1.4236},
                {SM_WINDOW_HAMMING, 1.3628, 1.7514},         {SM_WINDOW_BLACKMAN, 1.7268, 1.0989},
                {SM_WINDOW_BLACKMAN_HARRIS, 2.0044, 0.8256}, {SM_WINDOW_NUTTALL, 1.9761, 0.8506},
                {SM_WINDOW_FLATTOP_ISO, 3.7709, 0.0090},     {SM_WINDOW_FLATTOP, 3.7702, 0.0098},
                {SM_WINDOW_HFT95, 3.8112, 0.0044},           {SM_WINDOW_HFT116D, 4.2186, 0.0028}};
    static double w[4096];
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        sm_window_fill(rows[i].kind, 4096, w);
        assert_close(sm_window_enbw_bins(w, 4096), rows[i].enbw, 6e-5, "ENBW");
        double worst = 0;
        for (int k = 0; k <= 50; k++) {
            worst = fmax(worst, fabs(flatness_db(w, 4096, k / 100.0)));
        }
        assert_close(worst, rows[i].emax_db, 6e-5, sm_window_text(rows[i].kind));
    }
    sm_window_fill(SM_WINDOW_HANN, 8, w);
    assert_close(w[1], 0.146446609407, 1e-12, "periodic Hann, N = 8");
    assert_string_equal(sm_window_text(SM_WINDOW_COUNT), "unknown");
}

static void test_welch_dof__published_values(void **state)
{
    (void)state;
    /* Welch 1967's formula (from memory); values recomputed independently in NumPy. */
    static double w[1024];
    sm_window_fill(SM_WINDOW_HANN, N, w);
    assert_close(sm_window_overlap(w, N, N / 2), 1 / 6.0, 1e-6, "Hann 50 %");
    assert_close(sm_welch_dof(w, N, N / 2, 15), 28.5211, 1e-3, "K 15");
    assert_close(sm_welch_dof(w, N, N / 2, 63), 119.4682, 1e-2, "K 63");
    assert_close(sm_welch_dof(w, N, N / 4, 29), 30.6743, 1e-3, "75 %, K 29");
    assert_close(sm_welch_dof(w, N, N, 16), 32, 1e-9, "no overlap");
}

static void test_psd__single_tone_scaling(void **state)
{
    (void)state;
    /* Closed form: PSD peak (A^2/2)/(1.5 bin) on the bin; 0.240169 at half a bin (NumPy). */
    static double x[N];
    static const struct {
        double offset;
        double peak;
    } rows[] = {{0, 0.333333333}, {0.25, 0.307416}, {0.5, 0.240169}};
    for (size_t r = 0; r < 3; r++) {
        for (size_t i = 0; i < N; i++) {
            x[i] = sin(2 * SM_PI * (100 + rows[r].offset) * (double)i / N + 0.3);
        }
        sm_psd p = {0};
        sm_error err = {0};
        sm_psd_options o = {SM_WINDOW_HANN, N, N / 2, false};
        assert_ok(sm_psd_compute(x, N, N, &o, &p, &err), &err);
        assert_close(p.psd[100], rows[r].peak, 1e-6, "PSD at the tone");
        assert_close(sm_band_power(p.psd, p.n_bins, p.bin_hz, 90, 110, 0), 0.5, 2e-6, "band power");
        /* velocity of a 1 m/s^2 tone at f: A / (2 pi f) */
        double f = 100 + rows[r].offset;
        assert_close(sqrt(sm_band_power(p.psd, p.n_bins, p.bin_hz, 90, 110, 1)) * 2 * SM_PI * f,
                     sqrt(0.5), 1e-3, "integrated");
        sm_psd_free(&p);
    }
}

static void test_psd__rounded_two_tone_record(void **state)
{
    (void)state;
    /* Heinzel et al. 2002's test signal: quantisation noise 1e-3/sqrt(6 fs), tones 2 and 0.707 V
       rms; peaks for Hann 4096 recomputed in NumPy: 1.75584 V and 0.703554 V. */
    enum { LEN = 1000000 };
    double *x = malloc(LEN * sizeof *x);
    assert_non_null(x);
    for (size_t i = 0; i < LEN; i++) {
        double t = (double)i / 1e4;
        double u = 2.82842712474619 * sin(2 * SM_PI * 1234 * t) + sin(2 * SM_PI * 2500.2157 * t);
        x[i] = floor(u / 1e-3 + 0.5) * 1e-3;
    }
    sm_psd p = {0};
    sm_error err = {0};
    sm_psd_options o = {SM_WINDOW_HANN, 4096, 2048, false};
    assert_ok(sm_psd_compute(x, LEN, 1e4, &o, &p, &err), &err);
    double peak = 0;
    for (size_t k = 400; k < 600; k++) {
        peak = fmax(peak, p.psd[k]);
    }
    assert_close(sqrt(peak * p.enbw_hz), 1.75584, 2e-5, "tone 1");
    peak = 0;
    for (size_t k = 1000; k < 1050; k++) {
        peak = fmax(peak, p.psd[k]);
    }
    assert_close(sqrt(peak * p.enbw_hz), 0.703554, 2e-6, "tone 2");
    double noise = sm_band_power(p.psd, p.n_bins, p.bin_hz, 3000, 4500, 0) / 1500;
    assert_close(sqrt(noise), 1e-3 / sqrt(6e4), 0.01 * 4.08e-6, "noise density");
    sm_psd_free(&p);
    free(x);
}

static void test_psd__chi_square_coverage(void **state)
{
    (void)state;
    /* 95 % intervals of one bin, 1,500 records of white noise: binomial sd 0.56 %, allow 4 sd. */
    static double x[9 * 64];
    sm_rng r = sm_rng_seed(11);
    long inside = 0;
    enum { RUNS = 1500 };
    for (int run = 0; run < RUNS; run++) {
        for (size_t i = 0; i < sizeof x / sizeof x[0]; i++) {
            x[i] = sm_rng_normal(&r);
        }
        sm_psd p = {0};
        sm_psd_options o = {SM_WINDOW_HANN, 64, 32, false};
        assert_int_equal(sm_psd_compute(x, sizeof x / sizeof x[0], 64, &o, &p, NULL), SM_OK);
        double truth = 2.0 / 64;
        double lo = p.psd[10] * p.dof / sm_chi2_quantile(0.975, p.dof);
        double hi = p.psd[10] * p.dof / sm_chi2_quantile(0.025, p.dof);
        inside += lo <= truth && truth <= hi;
        sm_psd_free(&p);
    }
    assert_close((double)inside / RUNS, 0.95, 0.0225, "coverage");
}

static void test_psd__refuses(void **state)
{
    (void)state;
    static double x[64];
    sm_psd p = {0};
    sm_psd_options o = {SM_WINDOW_HANN, 128, 64, true};
    assert_int_equal(sm_psd_compute(x, 64, 100, &o, &p, NULL), SM_E_SHORT);
    o.n_frame = 63;
    assert_int_equal(sm_psd_compute(x, 64, 100, &o, &p, NULL), SM_E_ARG);
    o.n_frame = 64;
    x[5] = NAN;
    assert_int_equal(sm_psd_compute(x, 64, 100, &o, &p, NULL), SM_E_VALUE);
    assert_null(p.psd);
}

static void test_frame_length__seven_smooth(void **state)
{
    (void)state;
    assert_int_equal(sm_frame_length(3200), 3200);
    assert_int_equal(sm_frame_length(2000), 2000);
    assert_int_equal(sm_frame_length(997.37), 1000);
    assert_int_equal(sm_frame_length(10), 64);
    assert_int_equal(sm_frame_length(250.3), 250);
}

typedef struct seen {
    size_t n;
    double t[16];
    double rpm[16];
    bool adjacent[16];
    bool trusted[16];
} seen;

static sm_status see(void *self, const sm_frame *f, sm_error *err)
{
    (void)err;
    seen *s = self;
    s->t[s->n] = f->t0_s;
    s->rpm[s->n] = f->rpm;
    s->adjacent[s->n] = f->adjacent;
    s->trusted[s->n++] = f->speed_trusted;
    return SM_OK;
}

static void test_framer__frames_restart_behind_gaps(void **state)
{
    (void)state;
    seen s = {0};
    sm_framer *f = NULL;
    size_t pick = 0;
    assert_int_equal(sm_framer_open(&pick, 1, 100, see, &s, &f, NULL), SM_OK);
    sm_sink sink = sm_framer_sink(f);
    static double x[1000];
    static double rpm[1000];
    static double theta[1000];
    for (size_t i = 0; i < 1000; i++) {
        rpm[i] = (double)i;
        theta[i] = (double)i / 10;
    }
    const double *rows[1] = {x};
    sm_block b = {.n_rows = 249,
                  .n_channels = 1,
                  .x = rows,
                  .theta_rev = theta,
                  .rpm = rpm,
                  .rate_hz = 100,
                  .t0_s = 0};
    assert_int_equal(sink.push(sink.self, &b, NULL), SM_OK);
    assert_int_equal(s.n, 3); /* 0-100, 50-150, 100-200; 150-250 is one row short */
    assert_close(s.rpm[1], 99.5, 1e-12, "mean rpm");
    assert_int_equal(sink.mark(sink.self, SM_MARK_GAP, 2.5, NULL), SM_OK);
    b.t0_s = 10;
    assert_int_equal(sink.push(sink.self, &b, NULL), SM_OK);
    assert_int_equal(s.n, 6);
    assert_true(!s.adjacent[3] && s.adjacent[4] && s.t[3] == 10);
    rpm[120] = NAN;
    b.t0_s = 20;
    assert_int_equal(sink.mark(sink.self, SM_MARK_GAP, 12, NULL), SM_OK);
    assert_int_equal(sink.push(sink.self, &b, NULL), SM_OK);
    assert_true(s.trusted[6] && !s.trusted[7]);
    sm_framer_close(&f);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_window__published_table),
        cmocka_unit_test(test_welch_dof__published_values),
        cmocka_unit_test(test_psd__single_tone_scaling),
        cmocka_unit_test(test_psd__rounded_two_tone_record),
        cmocka_unit_test(test_psd__chi_square_coverage),
        cmocka_unit_test(test_psd__refuses),
        cmocka_unit_test(test_frame_length__seven_smooth),
        cmocka_unit_test(test_framer__frames_restart_behind_gaps),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
