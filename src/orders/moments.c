/* The sums over samples that order tracking consists of, eight at a time. */
#include "orders/moments.h"

#include "core/util.h"
#include "core/wide.h"

/*
 * exp(-2 pi i order theta), for whole eights. A quarter of the angle by the power series, whose
 * next terms are below 1e-16 there, then doubled twice: straight code. The nearest whole number
 * comes from adding what leaves no room for a fraction.
 */
SM_WIDEST void sm_phasors_base(double order, const double *theta, size_t n, float *restrict c,
                               float *restrict s)
{
    const double no_fraction = 6755399441055744.0; /* 1.5 x 2^52 */
    for (size_t i = 0; i < n; i += 8) {
        sm_v8 turns;
        memcpy(&turns, theta + i, sizeof turns);
        turns *= order;
        sm_v8 part = turns - ((turns + no_fraction) - no_fraction);
        sm_v8 x = SM_PI / 2 * part;
        sm_v8 z = x * x;
        /* reciprocals of factorials: a division takes as long as eight products */
        sm_v8 sine = 1 / 6227020800.0 - z * (1 / 1307674368000.0);
        sine = 1 / 362880.0 - z * (1 / 39916800.0 - z * sine);
        sine = x * (1 - z * (1 / 6.0 - z * (1 / 120.0 - z * (1 / 5040.0 - z * sine))));
        sm_v8 cosine = 1 / 87178291200.0 - z * (1 / 20922789888000.0);
        cosine = 1 / 40320.0 - z * (1 / 3628800.0 - z * (1 / 479001600.0 - z * cosine));
        cosine = 1 - z * (1 / 2.0 - z * (1 / 24.0 - z * (1 / 720.0 - z * cosine)));
        sm_v8 sine2 = 2 * sine * cosine;
        sm_v8 cosine2 = 1 - 2 * sine * sine;
        sm_f8 re = __builtin_convertvector(1 - 2 * sine2 * sine2, sm_f8);
        sm_f8 im = __builtin_convertvector(-2 * sine2 * cosine2, sm_f8);
        memcpy(c + i, &re, sizeof re);
        memcpy(s + i, &im, sizeof im);
    }
}

SM_WIDE void sm_phasors_multiply(const float *ca, const float *sa, const float *cb, const float *sb,
                                 size_t n, float *restrict c, float *restrict s)
{
    for (size_t i = 0; i < n; i += 8) {
        sm_f8 a[2];
        sm_f8 b[2];
        memcpy(&a[0], ca + i, sizeof a[0]);
        memcpy(&a[1], sa + i, sizeof a[1]);
        memcpy(&b[0], cb + i, sizeof b[0]);
        memcpy(&b[1], sb + i, sizeof b[1]);
        sm_f8 re = a[0] * b[0] - a[1] * b[1];
        sm_f8 im = a[0] * b[1] + a[1] * b[0];
        memcpy(c + i, &re, sizeof re);
        memcpy(s + i, &im, sizeof im);
    }
}

SM_WIDEST void sm_moments_weigh(const double *theta, double knot, const double *x, size_t n,
                                float *v)
{
    for (size_t i = 0; i + 8 <= n; i += 8) {
        sm_v8 before;
        sm_v8 here;
        sm_v8 behind;
        sm_v8 x8;
        memcpy(&before, theta + i - 1, sizeof before);
        memcpy(&here, theta + i, sizeof here);
        memcpy(&behind, theta + i + 1, sizeof behind);
        memcpy(&x8, x + i, sizeof x8);
        sm_v8 whole = x8 * ((behind - before) / 2);
        sm_v8 second = whole * (here - knot);
        sm_f8 part[2] = {__builtin_convertvector(whole - second, sm_f8),
                         __builtin_convertvector(second, sm_f8)};
        memcpy(v + 2 * i, part, sizeof part);
    }
    for (size_t i = n / 8 * 8; i % 8 || i < n; i++) {
        double whole = i < n ? x[i] * ((theta[i + 1] - theta[(ptrdiff_t)i - 1]) / 2) : 0;
        double second = i < n ? whole * (theta[i] - knot) : 0;
        size_t at = i / 8 * 16 + i % 8;
        v[at] = (float)(whole - second);
        v[at + 8] = (float)second;
    }
}

/* Sums of the eights of a and of b: a's first, b's first, a's second, b's second. */
SM_WIDE_INLINE void add_up(sm_f16 a, sm_f16 b, float out[4])
{
    sm_f16 low =
        __builtin_shufflevector(a, b, 0, 1, 2, 3, 16, 17, 18, 19, 8, 9, 10, 11, 24, 25, 26, 27);
    sm_f16 high =
        __builtin_shufflevector(a, b, 4, 5, 6, 7, 20, 21, 22, 23, 12, 13, 14, 15, 28, 29, 30, 31);
    sm_f16 t = low + high; /* fours, of which each is one of the sums */
    t += __builtin_shufflevector(t, t, 2, 3, 2, 3, 6, 7, 6, 7, 10, 11, 10, 11, 14, 15, 14, 15);
    t += __builtin_shufflevector(t, t, 1, 1, 1, 1, 5, 5, 5, 5, 9, 9, 9, 9, 13, 13, 13, 13);
    for (int k = 0; k < 4; k++) {
        out[k] = t[4 * k];
    }
}

/*
 * Some channels' moments of one order: dot products of both weightings with cosine and sine. The
 * order of summation is the same however many channels are done at once.
 */
SM_WIDE_INLINE void add_order(const float *cosine, const float *sine, const float *v, size_t n,
                              size_t n_channels, size_t stride, double *cur, double *next)
{
    sm_f16 sum[3][2] = {{{0}}};
    for (size_t i = 0; i < n; i += 8) {
        sm_f8 c8;
        sm_f8 s8;
        memcpy(&c8, cosine + i, sizeof c8);
        memcpy(&s8, sine + i, sizeof s8);
        sm_f16 c = __builtin_shufflevector(c8, c8, 0, 1, 2, 3, 4, 5, 6, 7, 0, 1, 2, 3, 4, 5, 6, 7);
        sm_f16 s = __builtin_shufflevector(s8, s8, 0, 1, 2, 3, 4, 5, 6, 7, 0, 1, 2, 3, 4, 5, 6, 7);
        for (size_t k = 0; k < n_channels; k++) {
            sm_f16 both;
            memcpy(&both, v + 2 * (k * SM_MOMENT_ROWS + i), sizeof both);
            sum[k][0] += both * c;
            sum[k][1] += both * s;
        }
    }
    for (size_t k = 0; k < n_channels; k++) {
        float total[4];
        add_up(sum[k][0], sum[k][1], total);
        cur[k * stride] += (double)total[0];
        cur[k * stride + 1] += (double)total[1];
        next[k * stride] += (double)total[2];
        next[k * stride + 1] += (double)total[3];
    }
}

SM_WIDEST void sm_moments_add(const float *cosine, const float *sine, const float *v, size_t n,
                              size_t n_pick, size_t n_mom, double *cur, double *next)
{
    size_t stride = 2 * n_mom;
    for (size_t j = 0; j < n_mom; j++) {
        const float *c = cosine + j * SM_MOMENT_ROWS;
        const float *s = sine + j * SM_MOMENT_ROWS;
        size_t k = 0;
        for (; k + 3 <= n_pick; k += 3) {
            size_t at = k * stride + 2 * j;
            add_order(c, s, v + 2 * k * SM_MOMENT_ROWS, n, 3, stride, cur + at, next + at);
        }
        for (; k < n_pick; k++) {
            size_t at = k * stride + 2 * j;
            add_order(c, s, v + 2 * k * SM_MOMENT_ROWS, n, 1, stride, cur + at, next + at);
        }
    }
}
