/* Exact positive ratios: gear teeth, belts, firing orders. */
#include "stillmount/number.h"

#include <stdlib.h>
#include <string.h>

static int64_t gcd(int64_t a, int64_t b)
{
    while (b) {
        int64_t r = a % b;
        a = b;
        b = r;
    }
    return a;
}

static const char *read_digits(const char *p, int64_t *value, int *n)
{
    for (*n = 0; *p >= '0' && *p <= '9'; p++, (*n)++) {
        if (*value > (INT64_C(1) << 50)) {
            return NULL;
        }
        *value = *value * 10 + (*p - '0');
    }
    return p;
}

static const char *skip_blanks(const char *p)
{
    while (*p == ' ' || *p == '\t') {
        p++;
    }
    return p;
}

sm_status sm_ratio_read(const char *s, sm_ratio *out)
{
    int64_t num = 0;
    int64_t den = 1;
    int n = 0;
    int n_frac = 0;
    const char *p = read_digits(skip_blanks(s), &num, &n);
    if (p && *p == '.') {
        const char *start = p + 1;
        p = read_digits(start, &num, &n_frac);
        for (int i = 0; i < n_frac && den < (INT64_C(1) << 50); i++) {
            den *= 10;
        }
    } else if (p && n > 0 && *skip_blanks(p) == '/') {
        den = 0;
        int n_den = 0;
        p = read_digits(skip_blanks(skip_blanks(p) + 1), &den, &n_den);
    }
    if (!p || n + n_frac == 0 || *skip_blanks(p) != '\0' || num <= 0 || den <= 0) {
        return SM_E_VALUE;
    }
    out->num = num;
    out->den = den;
    return SM_OK;
}

sm_ratio sm_ratio_reduce(sm_ratio r)
{
    int64_t g = gcd(llabs(r.num), llabs(r.den));
    if (g > 1) {
        r.num /= g;
        r.den /= g;
    }
    return r;
}

sm_ratio sm_ratio_mul(sm_ratio a, sm_ratio b)
{
    sm_ratio ab = sm_ratio_reduce((sm_ratio){a.num, b.den});
    sm_ratio ba = sm_ratio_reduce((sm_ratio){b.num, a.den});
    sm_ratio r;
    if (__builtin_mul_overflow(ab.num, ba.num, &r.num) ||
        __builtin_mul_overflow(ab.den, ba.den, &r.den)) {
        return (sm_ratio){0, 1};
    }
    return sm_ratio_reduce(r);
}

sm_ratio sm_ratio_div(sm_ratio a, sm_ratio b)
{
    return sm_ratio_mul(a, (sm_ratio){b.den, b.num});
}

double sm_ratio_value(sm_ratio r)
{
    return (double)r.num / (double)r.den;
}

bool sm_ratio_equal(sm_ratio a, sm_ratio b)
{
    a = sm_ratio_reduce(a);
    b = sm_ratio_reduce(b);
    return a.num == b.num && a.den == b.den;
}
