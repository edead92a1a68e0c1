/* Lines beside the order table, on a run so long that its peaks are thinned. */
#include "core/util.h"
#include "sm_test.h"
#include "stillmount/powertrain.h"
#include "stillmount/stats.h"
#include "survey/lines.h"

#include <string.h>

enum { BINS = 1601, FRAMES = 6000, RATE_HZ = 3200, TONE_BIN = 137, PEAKS_KEPT = 2048 };

/* Noise with a tone in a fixed bin and twenty strong peaks anywhere, other ones in each frame. */
static void make_frame(sm_rng *rng, double *power)
{
    for (size_t k = 0; k < BINS; k++) {
        power[k] = -log(1 - sm_rng_uniform(rng)); /* a noise bin is exponential */
    }
    for (int i = 0; i < 20; i++) {
        size_t k = 10 + (size_t)(sm_rng_uniform(rng) * (BINS - 20));
        power[k] = 2000;
        power[k - 1] = power[k + 1] = 500; /* a Hann lobe */
    }
    power[TONE_BIN] = 4000;
    power[TONE_BIN - 1] = power[TONE_BIN + 1] = 1000;
    power[TONE_BIN - 2] = power[TONE_BIN + 2] = 1;
}

/* 50 minutes of frames, up and down through 30 to 60 turns a second. */
static void feed(sm_line_finder *f, double *power)
{
    sm_rng rng = sm_rng_seed(4711);
    for (int i = 0; i < FRAMES; i++) {
        double shaft_hz = 45 + 15 * sin(i / 300.0);
        make_frame(&rng, power);
        assert_int_equal(sm_line_finder_frame(f, 0, power, BINS, 1, 1, shaft_hz, 0.05), SM_OK);
    }
}

static void test_lines__thinned_peaks_stay_even(void **state)
{
    (void)state;
    static double power[BINS];
    sm_line_finder f;
    assert_int_equal(sm_line_finder_open(&f, 1, BINS), SM_OK);
    feed(&f, power);
    const sm_vote_list *votes = &f.votes[0];
    assert_true(votes->n <= PEAKS_KEPT && votes->n > PEAKS_KEPT / 4);
    assert_true(votes->stride >= 32); /* 12 peaks in each of 6000 frames, 2048 kept */
    int last = 0;
    for (size_t i = 0; i < votes->n; i++) { /* no stretch of the run has fallen out */
        int step = votes->items[i].frame - last;
        assert_true(step == 0 || step == votes->stride);
        last = votes->items[i].frame;
    }
    assert_true(last > FRAMES - votes->stride);
    sm_line_finder_close(&f);
}

static void test_lines__a_fixed_tone_is_found_among_thinned_peaks(void **state)
{
    (void)state;
    static const char text[] = "[powertrain]\nname = t\n[engine]\ncylinders = 4\n";
    static double power[BINS];
    static sm_powertrain p;
    static sm_order_table orders;
    sm_error err = {0};
    assert_ok(sm_powertrain_parse(text, strlen(text), "t", &p, &err), &err);
    assert_ok(sm_powertrain_orders(&p, 20, NULL, 0, &orders, &err), &err);
    sm_line_finder f;
    assert_int_equal(sm_line_finder_open(&f, 1, BINS), SM_OK);
    feed(&f, power);
    sm_line found[8];
    size_t n = sm_line_finder_find(&f, 0, &orders, RATE_HZ, found, 8);
    assert_true(n >= 1);
    assert_int_equal(found[0].kind, SM_LINE_FIXED);
    assert_close(found[0].hz, TONE_BIN, 0.05, "a symmetric lobe has its peak in the middle");
    sm_line_finder_close(&f);
}

/* Two modes that noise rings, at 31 and 84 Hz with 5 % of critical damping: each frame has its peak
 * somewhere within. A line through the origin passes both. */
static void feed_humps(sm_line_finder *f, double *power)
{
    sm_rng rng = sm_rng_seed(90210);
    for (int i = 0; i < 200; i++) {
        double shaft_hz = 62 - 31 * cos(i * SM_PI / 100);
        for (size_t k = 0; k < BINS; k++) {
            double a = (double)k / 31;
            double b = (double)k / 84;
            double gain = 1 / ((1 - a * a) * (1 - a * a) + 0.01 * a * a) +
                          1 / ((1 - b * b) * (1 - b * b) + 0.01 * b * b);
            power[k] = (1 + gain) * -log(1 - sm_rng_uniform(&rng));
        }
        assert_int_equal(sm_line_finder_frame(f, 0, power, BINS, 1, 1, shaft_hz, 1), SM_OK);
    }
}

static void test_lines__noise_on_modes_is_no_line(void **state)
{
    (void)state;
    static double power[BINS];
    static sm_order_table none;
    sm_line_finder f;
    assert_int_equal(sm_line_finder_open(&f, 1, BINS), SM_OK);
    feed_humps(&f, power);
    assert_true(f.votes[0].n > 200); /* the modes do make peaks */
    sm_line found[8];
    assert_int_equal(sm_line_finder_find(&f, 0, &none, RATE_HZ, found, 8), 0);
    sm_line_finder_close(&f);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_lines__thinned_peaks_stay_even),
        cmocka_unit_test(test_lines__a_fixed_tone_is_found_among_thinned_peaks),
        cmocka_unit_test(test_lines__noise_on_modes_is_no_line),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
