/* See the header. */
#include "ingest/utf16.h"

#include <string.h>

enum { LOOK_PAIRS = 64 };

/* Printable signs, tabs and line ends, each beside a zero. */
static bool alternates(const unsigned char *s, size_t n, bool big)
{
    for (size_t i = 0; i + 1 < n; i += 2) {
        unsigned char c = s[i + big];
        bool text = (c >= 0x20 && c < 0x7f) || c == '\t' || c == '\r' || c == '\n';
        if (!text || s[i + !big] != 0) {
            return false;
        }
    }
    return true;
}

sm_utf16 sm_utf16_look(const char *text, size_t n)
{
    const unsigned char *s = (const unsigned char *)text;
    if (n >= 2 && s[0] == 0xff && s[1] == 0xfe) {
        return (sm_utf16){.is = true};
    }
    if (n >= 2 && s[0] == 0xfe && s[1] == 0xff) {
        return (sm_utf16){.is = true, .big = true};
    }
    n = n < (size_t)2 * LOOK_PAIRS ? n : (size_t)2 * LOOK_PAIRS;
    bool little = n >= 8 && alternates(s, n, false);
    return (sm_utf16){.is = little || (n >= 8 && alternates(s, n, true)), .big = !little};
}

static size_t add_sign(unsigned u, char *out)
{
    if (u < 0x80) {
        out[0] = (char)u;
        return 1;
    }
    if (u < 0x800) {
        out[0] = (char)(0xc0 | (u >> 6));
        out[1] = (char)(0x80 | (u & 0x3f));
        return 2;
    }
    size_t n = 0;
    if (u < 0x10000) {
        out[n++] = (char)(0xe0 | (u >> 12));
    } else {
        out[n++] = (char)(0xf0 | (u >> 18));
        out[n++] = (char)(0x80 | ((u >> 12) & 0x3f));
    }
    out[n++] = (char)(0x80 | ((u >> 6) & 0x3f));
    out[n++] = (char)(0x80 | (u & 0x3f));
    return n;
}

/* One unit of two bytes: at most three bytes, four when it ends a pair of surrogates. */
static size_t add_unit(sm_utf16 *w, unsigned u, char *out)
{
    size_t n = 0;
    if (w->high) {
        unsigned high = w->high;
        w->high = 0;
        if (u >= 0xdc00 && u < 0xe000) {
            return add_sign(0x10000 + ((high - 0xd800) << 10) + (u - 0xdc00), out);
        }
        out[n++] = '?';
    }
    if (u >= 0xd800 && u < 0xdc00) {
        w->high = u;
    } else if (u >= 0xdc00 && u < 0xe000) {
        out[n++] = '?';
    } else if (u != 0xfeff) { /* a mark, wherever it stands */
        n += add_sign(u, out + n);
    }
    return n;
}

size_t sm_utf16_text(sm_utf16 *w, const char *text, size_t n, char *out)
{
    const unsigned char *s = (const unsigned char *)text;
    size_t used = 0;
    for (size_t i = 0; i < n; i++) {
        if (!w->has_half) {
            w->half = s[i];
            w->has_half = true;
            continue;
        }
        w->has_half = false;
        unsigned u = w->big ? (unsigned)w->half << 8 | s[i] : (unsigned)s[i] << 8 | w->half;
        used += add_unit(w, u, out + used);
    }
    return used;
}

void sm_utf16_restart(sm_utf16 *w)
{
    w->has_half = false;
    w->high = 0;
}
