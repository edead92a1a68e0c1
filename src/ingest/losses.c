/* "overflows 3", "Skipped samples: 12", "3 samples lost": what a logger says it lost. */
#include "ingest/layout.h"

#include <ctype.h>
#include <string.h>
#include <strings.h>

static bool is_letter(char c)
{
    return isalpha((unsigned char)c) != 0;
}

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

/* A whole number at p that nothing but a mark or a blank follows; -1 = none. */
static long whole_number(const char *p, const char *end)
{
    long v = 0;
    const char *s = p;
    for (; p < end && is_digit(*p) && p - s < 9; p++) {
        v = 10 * v + (*p - '0');
    }
    bool stops = p == end || (!is_digit(*p) && !is_letter(*p) && *p != '_' &&
                              !(*p == '.' && p + 1 < end && is_digit(p[1])));
    return p > s && stops ? v : -1;
}

/* Behind "samples", "rows" and the like, if that is what stands here. */
static const char *pass_noun(const char *p, const char *end)
{
    static const char *const nouns[] = {"samples", "rows",   "frames", "packets",
                                        "events",  "blocks", "count",  "counts"};
    while (p < end && (*p == ' ' || *p == '_' || *p == '-')) {
        p++;
    }
    for (size_t k = 0; k < sizeof nouns / sizeof nouns[0]; k++) {
        size_t n = strlen(nouns[k]);
        if ((size_t)(end - p) >= n && strncasecmp(p, nouns[k], n) == 0) {
            return p + n;
        }
    }
    return p;
}

/* The count behind a word that ends at p, or in front of the one that begins at s. */
static long count_beside(const char *line, const char *s, const char *p, const char *end)
{
    const char *q = pass_noun(p, end);
    while (q < end && *q && strchr(" \t:=,", *q)) {
        q++;
    }
    long behind = whole_number(q, end);
    if (behind >= 0) {
        return behind;
    }
    while (s > line && s[-1] == ' ') {
        s--;
    }
    const char *noun = s;
    while (noun > line && is_letter(noun[-1])) {
        noun--;
    }
    if (pass_noun(noun, s) == s) {
        s = noun;
    }
    while (s > line && s[-1] == ' ') {
        s--;
    }
    const char *stop = s;
    while (s > line && is_digit(s[-1])) {
        s--;
    }
    return s < stop && (s == line || !strchr(".-_", s[-1])) ? whole_number(s, stop) : -1;
}

long sm_layout_lost(const char *line, const char *end, bool *rows)
{
    static const struct {
        const char *word;
        bool rows; /* it counts rows; else events, each of which may have lost many */
    } words[] = {{"overflows", false}, {"overflow", false}, {"overruns", false},
                 {"overrun", false},   {"dropped", true},   {"skipped", true},
                 {"missed", true},     {"missing", true},   {"lost", true}};
    for (const char *s = line; s < end; s++) {
        if (s > line && is_letter(s[-1])) {
            continue;
        }
        for (size_t k = 0; k < sizeof words / sizeof words[0]; k++) {
            size_t n = strlen(words[k].word);
            if ((size_t)(end - s) < n || strncasecmp(s, words[k].word, n) != 0 ||
                (s + n < end && is_letter(s[n]))) {
                continue;
            }
            long count = count_beside(line, s, s + n, end);
            if (count >= 0) {
                *rows = words[k].rows;
                return count;
            }
        }
    }
    return -1;
}
