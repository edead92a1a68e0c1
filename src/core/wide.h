/*
 * Four doubles at a time, as one register or as two: the sums are the same either way. Where the
 * compiler can make a second copy of a function, the processor's wide registers are used if it has
 * them; products are never fused (-ffp-contract=off), so one build gives the same bytes on every
 * machine.
 */
#ifndef SM_CORE_WIDE_H
#define SM_CORE_WIDE_H

#include <stdbool.h>
#include <stddef.h>
#include <string.h>

typedef double sm_v4 __attribute__((vector_size(32)));
typedef double sm_v8 __attribute__((vector_size(64))); /* two fours side by side */
typedef float sm_f8 __attribute__((vector_size(32)));
typedef float sm_f16 __attribute__((vector_size(64))); /* two eights side by side */
typedef long long sm_i4 __attribute__((vector_size(32)));

/* gcc only: clang 14 takes an inlined helper of a clone for a call with another convention. */
#if defined(__x86_64__) && defined(__gnu_linux__) && !defined(__clang__) &&                        \
    !defined(__SANITIZE_ADDRESS__)
#define SM_WIDE __attribute__((target_clones("avx2", "default")))
/* A third copy, for the loops that gain from registers of eight. */
#define SM_WIDEST __attribute__((target_clones("avx512f", "avx2", "default")))
#else
#define SM_WIDE
#define SM_WIDEST
#endif
/* a where the mask is set, b elsewhere. */
#define SM_PICK(mask, a, b) ((sm_v4)(((mask) & (sm_i4)(a)) | (~(mask) & (sm_i4)(b))))
/* Helpers must be part of the function that calls them: a copy of their own would be the narrow
 * one. */
#define SM_WIDE_INLINE static inline __attribute__((always_inline))

/* Sum of the four. */
SM_WIDE_INLINE double sm_across(sm_v4 v)
{
    return (v[0] + v[2]) + (v[1] + v[3]);
}

/* Sum of n values, in sixteen parts. */
double sm_sum(const double *v, size_t n);

/* Adds the sums of x - origin and of its square, over n values. */
void sm_add_squares(const double *x, size_t n, double origin, double *sum, double *square);

typedef struct sm_extremes {
    double lo;
    double hi;
    size_t n_equal; /* values that equal the one before */
} sm_extremes;

/* Of n >= 1 values; NaN among them is passed over. */
sm_extremes sm_extremes_of(const double *v, size_t n);

typedef struct sm_moves {
    double sum;  /* of x - origin */
    double sum2; /* and of its square */
    double lo;
    double hi;
    double step;    /* smallest step from value to value; INFINITY = none */
    bool unbroken;  /* no NaN */
    bool all_moved; /* no value equals the one before */
} sm_moves;

/*
 * One pass over n values behind `last`. Steps up to least_share of both sides' magnitudes do not
 * count as steps (the rounding of decimal numbers). With NaN in it only `unbroken` means anything.
 */
sm_moves sm_moves_of(const double *v, size_t n, double last, double origin, double least_share);

#endif
