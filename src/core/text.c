/* Growable text, harmless copies of foreign text, nearest-name search. */
#include "core/alloc.h"
#include "core/util.h"
#include "stillmount/number.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static bool reserve(sm_text *t, size_t more)
{
    if (t->failed) {
        return false;
    }
    size_t need = t->n + more + 1;
    if (need <= t->capacity) {
        return true;
    }
    size_t wanted = t->capacity ? t->capacity * 2 : 256;
    if (wanted < need) {
        wanted = need;
    }
    char *s = sm_realloc_array(t->s, wanted, 1);
    if (!s) {
        t->failed = true;
        return false;
    }
    t->s = s;
    t->capacity = wanted;
    return true;
}

void sm_text_add_n(sm_text *t, const char *s, size_t n)
{
    if (reserve(t, n)) {
        memcpy(t->s + t->n, s, n);
        t->n += n;
        t->s[t->n] = '\0';
    }
}

void sm_text_add(sm_text *t, const char *s)
{
    sm_text_add_n(t, s, strlen(s));
}

void sm_text_addf(sm_text *t, const char *fmt, ...)
{
    va_list args;
    va_start(args, fmt);
    va_list again;
    va_copy(again, args);
    int n = vsnprintf(NULL, 0, fmt, args);
    va_end(args);
    if (n >= 0 && reserve(t, (size_t)n)) {
        (void)vsnprintf(t->s + t->n, (size_t)n + 1, fmt, again);
        t->n += (size_t)n;
    }
    va_end(again);
}

void sm_text_add_number(sm_text *t, double v, int digits)
{
    char buf[64];
    if (isnan(v)) {
        sm_text_add(t, "-");
        return;
    }
    (void)snprintf(buf, sizeof buf, "%.*g", digits, v == 0 ? 0.0 : v);
    for (char *c = buf; *c; c++) { /* an embedding program may have set a locale */
        if (*c == ',') {
            *c = '.';
        }
    }
    sm_text_add(t, buf);
}

void sm_text_free(sm_text *t)
{
    sm_free(t->s);
    *t = (sm_text){0};
}

/* Length of the valid UTF-8 sequence at s, 0 when broken. */
static size_t utf8_length(const unsigned char *s, size_t n)
{
    unsigned char c = s[0];
    size_t len = c < 0x80                ? 1
                 : c >= 0xc2 && c < 0xe0 ? 2
                 : c >= 0xe0 && c < 0xf0 ? 3
                 : c >= 0xf0 && c < 0xf5 ? 4
                                         : 0;
    if (len == 0 || len > n) {
        return 0;
    }
    for (size_t i = 1; i < len; i++) {
        if ((s[i] & 0xc0) != 0x80) {
            return 0;
        }
    }
    if ((c == 0xe0 && s[1] < 0xa0) || (c == 0xed && s[1] >= 0xa0) || (c == 0xf0 && s[1] < 0x90) ||
        (c == 0xf4 && s[1] >= 0x90)) {
        return 0;
    }
    return len;
}

bool sm_text_is_utf8(const char *s, size_t n)
{
    for (size_t i = 0; i < n;) {
        size_t len = utf8_length((const unsigned char *)s + i, n - i);
        if (len == 0) {
            return false;
        }
        i += len;
    }
    return true;
}

void sm_text_inert(const char *s, size_t n, char *out, size_t capacity)
{
    const unsigned char *p = (const unsigned char *)s;
    size_t o = 0;
    for (size_t i = 0; i < n && p[i];) {
        size_t len = utf8_length(p + i, n - i);
        bool control = p[i] < 0x20 || p[i] == 0x7f || (len == 2 && p[i] == 0xc2 && p[i + 1] < 0xa0);
        /* direction overrides (U+202A..2E, U+2066..69) can make text read as something else */
        bool bidi = len == 3 && p[i] == 0xe2 &&
                    ((p[i + 1] == 0x80 && p[i + 2] >= 0xaa && p[i + 2] <= 0xae) ||
                     (p[i + 1] == 0x81 && p[i + 2] >= 0xa6 && p[i + 2] <= 0xa9));
        if (len == 0 || control || bidi) {
            if (o + 1 >= capacity) {
                break;
            }
            out[o++] = '?';
            i += len ? len : 1;
            continue;
        }
        if (o + len >= capacity) {
            break;
        }
        memcpy(out + o, p + i, len);
        o += len;
        i += len;
    }
    if (capacity) {
        out[o] = '\0';
    }
}

/* Levenshtein distance, rows on the stack: names are short. */
static size_t distance(const char *a, const char *b)
{
    enum { MAX = 64 };
    size_t na = strlen(a);
    size_t nb = strlen(b);
    if (na >= MAX || nb >= MAX) {
        return MAX;
    }
    size_t row[MAX];
    for (size_t j = 0; j <= nb; j++) {
        row[j] = j;
    }
    for (size_t i = 1; i <= na; i++) {
        size_t diagonal = row[0];
        row[0] = i;
        for (size_t j = 1; j <= nb; j++) {
            size_t up = row[j];
            size_t best = diagonal + (a[i - 1] != b[j - 1]);
            best = up + 1 < best ? up + 1 : best;
            best = row[j - 1] + 1 < best ? row[j - 1] + 1 : best;
            diagonal = up;
            row[j] = best;
        }
    }
    return row[nb];
}

const char *sm_text_nearest(const char *s, const char *const *candidates, size_t n)
{
    const char *best = NULL;
    size_t best_d = strlen(s) / 2 + 1;
    for (size_t i = 0; i < n; i++) {
        size_t d = distance(s, candidates[i]);
        if (d <= best_d && (!best || d < best_d)) {
            best = candidates[i];
            best_d = d;
        }
    }
    return best;
}
