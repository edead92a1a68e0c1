/* Cells that are numbers to their reader, not to a parser: blanks of other kinds, thousands, D. */
#include "ingest/layout.h"
#include "ingest/names.h"

#include <string.h>

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

size_t sm_layout_odd_blank(const char *s, const char *end)
{
    static const char *const blanks[] = {"\xc2\xa0",     "\xef\xbb\xbf", "\xe3\x80\x80",
                                         "\xe2\x80\xaf", "\xe2\x81\x9f", "\xe2\x80\x8b"};
    for (size_t i = 0; i < sizeof blanks / sizeof blanks[0]; i++) {
        size_t n = strlen(blanks[i]);
        if ((size_t)(end - s) >= n && memcmp(s, blanks[i], n) == 0) {
            return n;
        }
    }
    bool space = end - s >= 3 && memcmp(s, "\xe2\x80", 2) == 0 && (unsigned char)s[2] <= 0x8a;
    return space ? 3 : 0; /* U+2000 to U+200A */
}

/* A blank of any kind; 0xa0 alone is that of ISO 8859-1. */
static size_t any_blank(const char *s, const char *end)
{
    return s < end && (*s == ' ' || *s == '\xa0') ? 1 : sm_layout_odd_blank(s, end);
}

/* A mark between thousands: how many bytes; 0 = none. */
static size_t thousands_mark(const char *s, const char *end, char decimal)
{
    if (end - s >= 3 && memcmp(s, "\xe2\x80\x99", 3) == 0) {
        return 3;
    }
    if (s < end && (*s == '\'' || *s == (decimal == ',' ? '.' : ','))) {
        return 1;
    }
    return any_blank(s, end);
}

static size_t digits_at(const char *s, const char *end)
{
    size_t n = 0;
    while (s + n < end && is_digit(s[n])) {
        n++;
    }
    return n;
}

/*
 * Copies "12 345" as "12345": one mark throughout, threes behind the first. A comma or a point
 * counts as a mark only before a decimal mark, since alone it may be one itself. Behind the digits.
 */
static const char *copy_thousands(const char *s, const char *end, char decimal, char *out,
                                  size_t *n_out)
{
    size_t n = digits_at(s, end);
    const char *p = s + n;
    size_t len = n >= 1 && n <= 3 ? thousands_mark(p, end, decimal) : 0;
    const char *mark = p;
    memcpy(out, s, n);
    *n_out = n;
    while (len && (size_t)(end - p) >= len + 3 && memcmp(p, mark, len) == 0 &&
           digits_at(p + len, end) == 3) {
        memcpy(out + *n_out, p + len, 3);
        *n_out += 3;
        p += len + 3;
    }
    bool point = len == 1 && (*mark == '.' || *mark == ',');
    if (point && p > s + n && !(p < end && *p == decimal)) {
        *n_out = n;
        return s + n;
    }
    return p;
}

static bool tidy_number(const char *s, const char *end, char decimal, double *v)
{
    char buf[64];
    size_t n = 0;
    size_t len;
    while ((len = any_blank(s, end)) > 0) {
        s += len;
    }
    while (end > s) { /* blanks behind: each of one, two or three bytes */
        size_t back = 0;
        for (size_t k = 1; k <= 3 && k <= (size_t)(end - s); k++) {
            back = any_blank(end - k, end) == k ? k : back;
        }
        if (back == 0) {
            break;
        }
        end -= back;
    }
    if (s == end || end - s >= (ptrdiff_t)sizeof buf) {
        return false;
    }
    if (*s == '-' || *s == '+') {
        buf[n++] = *s++;
    } else if (end - s >= 3 && memcmp(s, "\xe2\x88\x92", 3) == 0) {
        buf[n++] = '-';
        s += 3;
    }
    size_t digits;
    s = copy_thousands(s, end, decimal, buf + n, &digits);
    n += digits;
    for (; s < end; s++) {
        bool d = (*s == 'D' || *s == 'd') && n && s + 1 < end &&
                 (is_digit(s[1]) || s[1] == '-' || s[1] == '+');
        buf[n++] = d ? 'E' : *s;
    }
    return sm_number_parse(buf, buf + n, decimal, v) == buf + n;
}

bool sm_layout_number(const char *s, size_t n, char decimal, double *v)
{
    const char *end = s + n;
    const char *p = sm_number_parse(s, end, decimal, v);
    if (p == end && n) {
        return true;
    }
    /* a number, or a blank in front of it: words are not looked at again */
    bool tidy = n && (is_digit(*s) || *s == '-' || *s == '+' || (unsigned char)*s >= 0x80);
    return tidy && tidy_number(s, end, decimal, v);
}

bool sm_layout_number_unit(const char *s, size_t n, char decimal, double *v, const sm_unit **unit)
{
    *unit = NULL;
    if (sm_layout_number(s, n, decimal, v)) {
        return true;
    }
    const char *end = s + n;
    const char *p = end;
    while (p > s && !is_digit(p[-1])) { /* "m/s^2" has a digit of its own: to the last blank */
        p--;
    }
    for (const char *q = s; q < end; q++) {
        size_t blank = q > s && is_digit(q[-1]) ? any_blank(q, end) : 0;
        p = blank && !(q + blank < end && is_digit(q[blank])) ? q : p;
    }
    const char *text = p;
    size_t blank;
    while ((blank = any_blank(text, end)) > 0) {
        text += blank;
    }
    char name[16];
    if (p == s || text == end || end - text >= (ptrdiff_t)sizeof name) {
        return false;
    }
    memcpy(name, text, (size_t)(end - text));
    name[end - text] = '\0';
    *unit = sm_names_unit(name);
    return *unit && sm_layout_number(s, (size_t)(p - s), decimal, v);
}
