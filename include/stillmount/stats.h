/* Distributions that the intervals need, and a seeded random generator. */
#ifndef STILLMOUNT_STATS_H
#define STILLMOUNT_STATS_H

#include "stillmount/status.h"

#include <stdint.h>

/** Standard normal: cumulative probability, and quantile for 0 < p < 1 (relative error < 1e-12). */
SM_API double sm_normal_cdf(double z);
SM_API double sm_normal_quantile(double p);
/** Regularised lower incomplete gamma P(a, x), a > 0, x >= 0. */
SM_API double sm_gamma_p(double a, double x);
/** Regularised incomplete beta I_x(a, b). */
SM_API double sm_beta_i(double a, double b, double x);
/** Chi-square with nu > 0 (also fractional): cumulative probability and quantile. */
SM_API double sm_chi2_cdf(double x, double nu);
SM_API double sm_chi2_quantile(double p, double nu);
/** Student's t with nu > 0: quantile. */
SM_API double sm_t_quantile(double p, double nu);
/** Fisher's F: cumulative probability and quantile. */
SM_API double sm_f_cdf(double x, double nu1, double nu2);
SM_API double sm_f_quantile(double p, double nu1, double nu2);

/* xoshiro256++ (Blackman & Vigna 2019) seeded by splitmix64: same numbers on every machine. */
typedef struct sm_rng {
    uint64_t s[4];
    double spare; /* second normal of a pair */
    int has_spare;
} sm_rng;

/** A generator that gives the same 64-bit numbers for the same seed on every machine. */
SM_API sm_rng sm_rng_seed(uint64_t seed);
SM_API uint64_t sm_rng_next(sm_rng *r);
/** Uniform in [0, 1). */
SM_API double sm_rng_uniform(sm_rng *r);
/** Standard normal (polar method). */
SM_API double sm_rng_normal(sm_rng *r);

#endif
