/* Locale-free numbers, exact ratios, growable text: what every reader and writer shares. */
#ifndef STILLMOUNT_NUMBER_H
#define STILLMOUNT_NUMBER_H

#include "stillmount/status.h"

#include <stdbool.h>
#include <stdint.h>

/**
 * Parses one decimal number at the start of [p, end). Accepts sign (also U+2212), digits, the given
 * decimal mark ('.' or ','), exponents of any length, and nan, inf, infinity (any case) which give
 * NaN. Correctly rounded: Clinger 1990's exact fast path when the digits fit in 2^53 and
 * |exponent| <= 22, the C library otherwise; the locale plays no part.
 * Returns the first character after the number, or NULL when there is none; *out untouched then.
 */
SM_API const char *sm_number_parse(const char *p, const char *end, char decimal, double *out);

/**
 * "LOW-HIGH" at the start of [s, end), blanks around the dash allowed: a hyphen, or what a word
 * processor makes of it, an en dash or U+2212. Nothing is said about which is larger.
 * Returns the first character after it, or NULL; *lo and *hi unspecified then.
 */
SM_API const char *sm_number_range(const char *s, const char *end, double *lo, double *hi);

/** The whole of s as one number, blanks around it allowed. false: not a number. */
SM_API bool sm_number_read(const char *s, double *out);

/**
 * What to add to a message about an unreadable number: where a comma stands between two digits,
 * that decimals stand behind a point; else "".
 */
SM_API const char *sm_number_comma(const char *s);

/* An exact ratio, positive, as written ("51/21" keeps 51 and 21; "2.43" is 243/100). */
typedef struct sm_ratio {
    int64_t num;
    int64_t den;
} sm_ratio;

/** Parses "p/q", "p:q" is refused, or a decimal. Must be > 0. SM_OK or SM_E_VALUE. */
SM_API SM_NODISCARD sm_status sm_ratio_read(const char *s, sm_ratio *out);
SM_API sm_ratio sm_ratio_reduce(sm_ratio r);
/** Product and quotient in lowest terms; {0, 1} when it does not fit into 64 bits. */
SM_API sm_ratio sm_ratio_mul(sm_ratio a, sm_ratio b);
SM_API sm_ratio sm_ratio_div(sm_ratio a, sm_ratio b);
SM_API double sm_ratio_value(sm_ratio r);
SM_API bool sm_ratio_equal(sm_ratio a, sm_ratio b);

/* Growable text. Zero-initialise; failed is sticky, so a writer checks it once at the end. */
typedef struct sm_text {
    char *s; /* NUL-terminated once anything was added, else NULL */
    size_t n;
    size_t capacity;
    bool failed; /* an allocation failed: the text is incomplete */
} sm_text;

/** Appends a string, its first n bytes, or what printf would write. A failed allocation sticks. */
SM_API void sm_text_add(sm_text *t, const char *s);
SM_API void sm_text_add_n(sm_text *t, const char *s, size_t n);
SM_API void sm_text_addf(sm_text *t, const char *fmt, ...) SM_PRINTF(2, 3);
/** Shortest form with at most `digits` significant digits, '.' as mark; NaN gives "-". */
SM_API void sm_text_add_number(sm_text *t, double v, int digits);
SM_API void sm_text_free(sm_text *t);

/**
 * Copies s into out so that it is harmless on a terminal and valid UTF-8: control codes, DEL, C1
 * codes and broken sequences become '?'. Cuts at capacity - 1 bytes, never inside a character.
 */
SM_API void sm_text_inert(const char *s, size_t n, char *out, size_t capacity);

/** Edit distance based: the candidate nearest to s, or NULL when nothing is near. */
SM_API const char *sm_text_nearest(const char *s, const char *const *candidates, size_t n);

#endif
