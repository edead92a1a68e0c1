/* Decimal to double without the locale: exact fast path, C library for the rest. */
#include "stillmount/number.h"

#include <locale.h>
#include <math.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

static const double powers_of_ten[23] = {1e0,  1e1,  1e2,  1e3,  1e4,  1e5,  1e6,  1e7,
                                         1e8,  1e9,  1e10, 1e11, 1e12, 1e13, 1e14, 1e15,
                                         1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22};

static locale_t c_locale;
static pthread_once_t c_locale_once = PTHREAD_ONCE_INIT;

static void make_c_locale(void)
{
    c_locale = newlocale(LC_ALL_MASK, "C", (locale_t)0);
}

double strtod_l(const char *, char **, locale_t); /* GNU; declared here to keep POSIX visibility */

/* The slow, always right way: copy with '.' as mark, hand to the C library in the "C" locale. */
static double slow_value(const char *digits, const char *end, char decimal, bool negative)
{
    char buf[512];
    size_t n = (size_t)(end - digits);
    if (n > sizeof buf - 1) {
        n = sizeof buf - 1; /* more than 500 digits: the rest cannot change a double's rounding */
    }
    for (size_t i = 0; i < n; i++) {
        buf[i] = digits[i] == decimal ? '.' : digits[i];
    }
    buf[n] = '\0';
    (void)pthread_once(&c_locale_once, make_c_locale);
    double v = c_locale ? strtod_l(buf, NULL, c_locale) : (double)NAN;
    return negative ? -v : v;
}

static const char *parse_word(const char *p, const char *end, double *out)
{
    static const char *const words[] = {"infinity", "inf", "nan", "\xe2\x88\x9e"};
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++) {
        size_t n = strlen(words[i]);
        if ((size_t)(end - p) >= n && strncasecmp(p, words[i], n) == 0) {
            *out = NAN;
            return p + n;
        }
    }
    return NULL;
}

const char *sm_number_parse(const char *p, const char *end, char decimal, double *out)
{
    bool negative = false;
    if (p < end && (*p == '-' || *p == '+')) {
        negative = *p == '-';
        p++;
    } else if (end - p >= 3 && memcmp(p, "\xe2\x88\x92", 3) == 0) {
        negative = true;
        p += 3;
    }
    const char *digits = p;
    uint64_t m = 0;
    int n_digits = 0; /* significant digits in m */
    int seen = 0;
    long exponent = 0;
    for (; p < end && (unsigned)(*p - '0') < 10; p++, seen = 1) {
        if (n_digits < 19) {
            m = m * 10 + (uint64_t)(*p - '0');
            n_digits += m != 0;
        } else {
            exponent++;
            n_digits = 20; /* too many for the fast path */
        }
    }
    if (p < end && *p == decimal) {
        p++;
        for (; p < end && (unsigned)(*p - '0') < 10; p++, seen = 1) {
            if (n_digits < 19) {
                m = m * 10 + (uint64_t)(*p - '0');
                n_digits += m != 0;
                exponent--;
            } else {
                n_digits = 20;
            }
        }
    }
    if (!seen) {
        return parse_word(digits, end, out);
    }
    if (p < end && (*p == 'e' || *p == 'E')) {
        const char *q = p + 1;
        bool e_negative = false;
        if (q < end && (*q == '-' || *q == '+')) {
            e_negative = *q == '-';
            q++;
        }
        long e = 0;
        const char *e_digits = q;
        for (; q < end && (unsigned)(*q - '0') < 10; q++) {
            if (e < 100000) {
                e = e * 10 + (*q - '0');
            }
        }
        if (q > e_digits) {
            exponent += e_negative ? -e : e;
            p = q;
        }
    }
    if (n_digits <= 19 && m < (UINT64_C(1) << 53) && exponent >= -22 && exponent <= 22) {
        double v = (double)m;
        v = exponent < 0 ? v / powers_of_ten[-exponent] : v * powers_of_ten[exponent];
        *out = negative ? -v : v;
    } else if (m == 0 && n_digits <= 19) {
        *out = negative ? -0.0 : 0.0;
    } else {
        double v = slow_value(digits, p, decimal, negative);
        *out = isfinite(v) ? v : (double)NAN;
    }
    return p;
}

const char *sm_number_comma(const char *s)
{
    for (; *s; s++) {
        if ((unsigned)(s[0] - '0') < 10 && s[1] == ',' && (unsigned)(s[2] - '0') < 10) {
            return "; no comma in it, decimals stand behind a point";
        }
    }
    return "";
}

bool sm_number_read(const char *s, double *out)
{
    while (*s == ' ' || *s == '\t') {
        s++;
    }
    const char *end = s + strlen(s);
    double v;
    const char *p = sm_number_parse(s, end, '.', &v);
    if (!p) {
        return false;
    }
    while (*p == ' ' || *p == '\t') {
        p++;
    }
    if (p != end) {
        return false;
    }
    *out = v;
    return true;
}

/* Bytes of the dash of a range: a hyphen, or from a word processor an en dash or a minus sign. */
static size_t range_dash(const char *p, const char *end)
{
    static const char *const typographic[] = {"\xe2\x80\x93", "\xe2\x88\x92"};
    if (p < end && *p == '-') {
        return 1;
    }
    for (size_t i = 0; i < 2 && end - p >= 3; i++) {
        if (memcmp(p, typographic[i], 3) == 0) {
            return 3;
        }
    }
    return 0;
}

const char *sm_number_range(const char *s, const char *end, double *lo, double *hi)
{
    const char *p = sm_number_parse(s, end, '.', lo);
    while (p && p < end && (*p == ' ' || *p == '\t')) {
        p++;
    }
    size_t dash = p ? range_dash(p, end) : 0;
    if (dash == 0) {
        return NULL;
    }
    p += dash;
    while (p < end && (*p == ' ' || *p == '\t')) {
        p++;
    }
    return sm_number_parse(p, end, '.', hi);
}
