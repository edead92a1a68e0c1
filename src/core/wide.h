/*
 * Four doubles at a time, as one register or as two: the sums are the same either way. Where the
 * compiler can make a second copy of a function, the processor's wide registers are used if it has
 * them; products are never fused (-ffp-contract=off), so one build gives the same bytes on every
 * machine.
 */
#ifndef SM_CORE_WIDE_H
#define SM_CORE_WIDE_H

#include <stddef.h>
#include <string.h>

typedef double sm_v4 __attribute__((vector_size(32)));
typedef long long sm_i4 __attribute__((vector_size(32)));

#if defined(__x86_64__) && defined(__gnu_linux__) && !defined(__SANITIZE_ADDRESS__)
#define SM_WIDE __attribute__((target_clones("avx2", "default")))
#else
#define SM_WIDE
#endif
/* Helpers must be part of the function that calls them: a copy of their own would be the narrow
 * one. */
#define SM_WIDE_INLINE static inline __attribute__((always_inline))

#endif
