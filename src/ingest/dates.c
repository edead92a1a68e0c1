/* Dates and times of day as loggers write them. */
#include "ingest/layout.h"

#include <string.h>
#include <strings.h>

/* Days from 1970-01-01 in the Gregorian calendar; the year is taken to start in March. */
static long days(long y, long m, long d)
{
    y -= m <= 2;
    long era = (y >= 0 ? y : y - 399) / 400;
    long yoe = y - era * 400;
    long doy = (153 * (m + (m > 2 ? -3 : 9)) + 2) / 5 + d - 1;
    long doe = yoe * 365 + yoe / 4 - yoe / 100 + doy;
    return era * 146097 + doe - 719468;
}

static bool digits(const char **p, const char *end, int least, int most, long *out)
{
    long v = 0;
    int n = 0;
    while (*p < end && n < most && **p >= '0' && **p <= '9') {
        v = v * 10 + (**p - '0');
        (*p)++;
        n++;
    }
    *out = v;
    return n >= least;
}

static bool sign(const char **p, const char *end, const char *any)
{
    if (*p < end && strchr(any, **p)) {
        (*p)++;
        return true;
    }
    return false;
}

static bool month_name(const char **p, const char *end, long *m)
{
    static const char *const names[] = {"jan", "feb", "mar", "apr", "may", "jun",
                                        "jul", "aug", "sep", "oct", "nov", "dec"};
    for (long i = 0; i < 12; i++) {
        if (end - *p >= 3 && strncasecmp(*p, names[i], 3) == 0) {
            *p += 3;
            *m = i + 1;
            return true;
        }
    }
    return false;
}

/* "2020-01-11", "2020/01/11", "11-Jan-2020", "11.01.2020", "01/11/2020". */
static bool date(const char **p, const char *end, double *seconds)
{
    const char *q = *p;
    long a;
    long m;
    long c;
    if (!digits(&q, end, 1, 4, &a)) {
        return false;
    }
    char mark = q < end ? *q : '\0';
    if (!sign(&q, end, "-/.")) {
        return false;
    }
    bool named = month_name(&q, end, &m);
    if (!named && !digits(&q, end, 1, 2, &m)) {
        return false;
    }
    if (q >= end || *q != mark) {
        return false;
    }
    q++;
    if (!digits(&q, end, 1, 4, &c)) {
        return false;
    }
    long year = a > 31 ? a : c;
    long day = a > 31 ? c : a;
    if (!named && a <= 31 && mark == '/') { /* month first where slashes are used */
        day = m;
        m = a;
    }
    if (!named && a <= 31 && m > 12 && day <= 12) {
        long swap = m;
        m = day;
        day = swap;
    }
    if (year < 1900 || year > 2200 || m < 1 || m > 12 || day < 1 || day > 31) {
        return false;
    }
    *seconds = (double)days(year, m, day) * 86400;
    *p = q;
    return true;
}

/* "17:02:24.25", also "12-30-15_123" after a date. */
static bool clock_time(const char **p, const char *end, const char *marks, double *seconds)
{
    const char *q = *p;
    long h;
    long m;
    long s = 0;
    double fraction = 0;
    if (!digits(&q, end, 1, 2, &h) || !sign(&q, end, marks) || !digits(&q, end, 2, 2, &m)) {
        return false;
    }
    if (sign(&q, end, marks)) {
        if (!digits(&q, end, 2, 2, &s)) {
            return false;
        }
        if (sign(&q, end, marks[1] ? ".,_:" : ".,_")) {
            double scale = 0.1;
            const char *first = q;
            for (; q < end && *q >= '0' && *q <= '9'; q++, scale /= 10) {
                fraction += scale * (*q - '0');
            }
            if (q == first) {
                return false;
            }
        }
    }
    if (h > 24 || m > 59 || s > 60) {
        return false;
    }
    *seconds = (double)(h * 3600 + m * 60 + s) + fraction;
    *p = q;
    return true;
}

/* " PM", "a.m.": hours of twelve become hours of the day. false: no such hour. */
static bool half_day(const char **p, const char *end, double *seconds)
{
    const char *q = *p;
    while (q < end && (*q == ' ' || *q == '\xa0' || sm_layout_odd_blank(q, end))) {
        size_t blank = sm_layout_odd_blank(q, end);
        q += blank ? blank : 1;
    }
    bool after = q < end && (*q == 'p' || *q == 'P');
    if (!after && !(q < end && (*q == 'a' || *q == 'A'))) {
        return true;
    }
    q++;
    q += q < end && *q == '.';
    if (!sign(&q, end, "mM")) {
        return true;
    }
    q += q < end && *q == '.';
    if (*seconds >= 13 * 3600) {
        return false;
    }
    *seconds -= *seconds >= 12 * 3600 ? 12 * 3600 : 0;
    *seconds += after ? 12 * 3600 : 0;
    *p = q;
    return true;
}

/* "Z", "+02:00", "-0500". */
static bool zone(const char **p, const char *end, double *seconds)
{
    if (sign(p, end, "Zz")) {
        *seconds = 0;
        return true;
    }
    double s = *p < end && **p == '-' ? -1 : 1;
    long h;
    long m = 0;
    if (!sign(p, end, "+-") || !digits(p, end, 2, 2, &h)) {
        return false;
    }
    (void)sign(p, end, ":");
    if (*p < end && !digits(p, end, 2, 2, &m)) {
        return false;
    }
    *seconds = s * (double)(h * 3600 + m * 60);
    return true;
}

bool sm_layout_date(const char *s, size_t n, double *seconds)
{
    const char *p = s;
    const char *end = s + n;
    double day = 0;
    double clock = 0;
    double offset = 0;
    bool has_date = date(&p, end, &day);
    if (has_date) {
        if (p == end) {
            *seconds = day;
            return true;
        }
        if (!sign(&p, end, "T _")) {
            return false;
        }
        while (p < end && *p == ' ') {
            p++;
        }
    }
    if (!clock_time(&p, end, has_date ? ":-" : ":", &clock) || !half_day(&p, end, &clock)) {
        return false;
    }
    while (p < end && *p == ' ') {
        p++;
    }
    if (p < end && (!has_date || !zone(&p, end, &offset) || p != end)) {
        return false;
    }
    *seconds = day + clock - offset;
    return true;
}
