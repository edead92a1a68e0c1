/* Clipping is found where it is, and not where a crest only looks like it. */
#include "log_help.h"
#include "stillmount/clip.h"
#include "stillmount/stats.h"

static const double PI = 3.14159265358979323846;
enum { N = 30000 };
static double x[N];

static double quantise(double v, double step)
{
    return step > 0 ? step * nearbyint(v / step) : v;
}

static long count(double range)
{
    sm_clip c;
    sm_clip_start(&c, range);
    for (size_t i = 0; i < N; i += 1000) {
        sm_clip_push(&c, x + i, 1000, (double)i * 0.001, 0.001, NULL);
    }
    return sm_clip_count(&c, NULL, NULL);
}

static void test_clip__is_not_seen_in_crests(void **state)
{
    (void)state;
    /* tones locked to the sampling and not, with coarse and fine steps, and noise */
    static const double hz[] = {5, 10, 31.4, 50, 100, 125, 250, 333.3};
    static const double steps[] = {0, 1e-5, 1e-4, 1e-3, 1e-2, 1.0 / 16};
    static const double noise[] = {0, 0.001, 0.05, 0.3};
    sm_rng r = sm_rng_seed(5);
    for (size_t a = 0; a < sizeof hz / sizeof hz[0]; a++) {
        for (size_t b = 0; b < sizeof steps / sizeof steps[0]; b++) {
            for (size_t d = 0; d < sizeof noise / sizeof noise[0]; d++) {
                for (int i = 0; i < N; i++) {
                    x[i] = quantise(cos(2 * PI * hz[a] * i * 0.001 + 0.1) +
                                        noise[d] * sm_rng_normal(&r),
                                    steps[b]);
                }
                if (count(0) != 0) {
                    (void)fprintf(stderr, "%g Hz, step %g, noise %g: %ld\n", hz[a], steps[b],
                                  noise[d], count(0));
                    fail();
                }
            }
        }
    }
}

static void test_clip__is_seen_without_a_range(void **state)
{
    (void)state;
    static const double steps[] = {0, 1e-4, 1e-3, 1e-2};
    sm_rng r = sm_rng_seed(6);
    for (size_t b = 0; b < sizeof steps / sizeof steps[0]; b++) {
        for (int noisy = 0; noisy < 2; noisy++) {
            long n = 0;
            for (int i = 0; i < N; i++) {
                double v = noisy ? 0.4 * sm_rng_normal(&r) : cos(2 * PI * 31.4 * i * 0.001);
                double limit = noisy ? 1.0 : 0.9; /* noise: 1.2 % of the samples */
                n += fabs(v) >= limit;
                x[i] = quantise(fmax(-limit, fmin(limit, v)), steps[b]);
            }
            long got = count(0);
            if (llabs(got - n) > n / 10 + 50) { /* rounding adds what is half a step below */
                (void)fprintf(stderr, "step %g, noisy %d: %ld of %ld\n", steps[b], noisy, got, n);
                fail();
            }
        }
    }
}

static void test_clip__by_declared_range(void **state)
{
    (void)state;
    for (int i = 0; i < N; i++) {
        x[i] = 0.5 * cos(2 * PI * 31.4 * i * 0.001);
    }
    assert_int_equal(count(0.6), 0);
    x[100] = -0.5989; /* 0.998 of 0.6 is 0.5988 */
    x[101] = 0.5987;
    assert_int_equal(count(0.6), 1);
}

static void test_clip__start_up_is_one_place(void **state)
{
    (void)state;
    sm_rng r = sm_rng_seed(7);
    for (int i = 0; i < N; i++) {
        x[i] = i < 32 ? -250 : 3 * sm_rng_normal(&r);
    }
    assert_int_equal(count(0), 32);
    sm_clip c;
    sm_clip_start(&c, 0);
    sm_clip_push(&c, x, N, 0, 0.001, NULL);
    sm_clip_levels l = sm_clip_levels_get(&c);
    assert_true(sm_clip_is(&l, -250));
    assert_false(sm_clip_is(&l, -249.9));
    assert_false(sm_clip_is(&l, (double)NAN));
    assert_true(isnan(l.hi_si));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_clip__is_not_seen_in_crests),
        cmocka_unit_test(test_clip__is_seen_without_a_range),
        cmocka_unit_test(test_clip__by_declared_range),
        cmocka_unit_test(test_clip__start_up_is_one_place),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
