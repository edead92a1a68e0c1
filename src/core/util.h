/* Small shared arithmetic. */
#ifndef SM_CORE_UTIL_H
#define SM_CORE_UTIL_H

#include <stdbool.h>
#include <stddef.h>

#define SM_PI 3.14159265358979323846

/* glibc keeps it from clang, which has had the builtin behind it since version 12. */
#if defined(__clang__) && !defined(CMPLX)
#define CMPLX(re, im) __builtin_complex((double)(re), (double)(im))
#endif

static inline double sm_max(double a, double b)
{
    return a > b ? a : b;
}

static inline double sm_min(double a, double b)
{
    return a < b ? a : b;
}

/* Are all bytes of s part of well-formed UTF-8? (text.c) */
bool sm_text_is_utf8(const char *s, size_t n);

/* A power at a frequency, integrated n times: divided by (2 pi f)^(2 n). */
static inline double sm_integrated(double power, double hz, int n)
{
    double w = 2 * SM_PI * hz;
    for (int i = 0; i < n; i++) {
        power /= w * w;
    }
    return power;
}

#endif
