/* Plain numbers, [-]digits[.digits], as nearly every cell of a log holds them. */
#ifndef SM_INGEST_PLAIN_H
#define SM_INGEST_PLAIN_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

/* Clinger 1990: exact when the digits fit in 2^53 and the power of ten is at most 22. */
static const double sm_plain_powers[23] = {1e0,  1e1,  1e2,  1e3,  1e4,  1e5,  1e6,  1e7,
                                           1e8,  1e9,  1e10, 1e11, 1e12, 1e13, 1e14, 1e15,
                                           1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22};

/* m / 10^n_fraction with its sign, written without a branch: signs of vibration are chance. */
static inline double sm_plain_value(uint64_t m, size_t n_fraction, bool negative)
{
    double v = (double)(int64_t)m / sm_plain_powers[n_fraction];
    uint64_t bits;
    memcpy(&bits, &v, sizeof bits);
    bits ^= (uint64_t)negative << 63;
    memcpy(&v, &bits, sizeof v);
    return v;
}

/* At most 18 digits before `end`, digit by digit; NULL: not that, ask the general parser. */
static inline const char *sm_plain_number(const char *p, const char *end, char decimal, double *out)
{
    bool negative = p < end && *p == '-';
    p += negative;
    const char *first = p;
    uint64_t m = 0;
    unsigned d;
    while (p < end && (d = (unsigned)(*p - '0')) < 10) {
        m = m * 10 + d;
        p++;
    }
    ptrdiff_t n = p - first;
    ptrdiff_t n_fraction = 0;
    if (p < end && *p == decimal) {
        const char *q = ++p;
        while (p < end && (d = (unsigned)(*p - '0')) < 10) {
            m = m * 10 + d;
            p++;
        }
        n_fraction = p - q;
        n += n_fraction;
    }
    if (n == 0 || n > 18 || m >= (UINT64_C(1) << 53) || (p < end && (*p | 0x20) == 'e')) {
        return NULL;
    }
    *out = sm_plain_value(m, (size_t)n_fraction, negative);
    return p;
}

#endif
