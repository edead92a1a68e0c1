/* Repeated stretches, found by windows chosen by their content: the distance does not matter. */
#include "timebase/repeat.h"

#include "core/alloc.h"
#include "core/wide.h"

#include <string.h>

enum { MATCHES = 4, NEWS_LEAST = 12 };
#define BASE 0x9e3779b97f4a7c15ULL /* odd, so that powers keep the low bits */

static uint64_t mix(uint64_t v)
{
    v = (v ^ (v >> 30)) * 0xbf58476d1ce4e5b9ULL;
    v = (v ^ (v >> 27)) * 0x94d049bb133111ebULL;
    return v ^ (v >> 31);
}

static uint64_t base_to_window(void)
{
    uint64_t p = 1;
    for (int i = 0; i < SM_REPEAT_WINDOW; i++) {
        p *= BASE;
    }
    return p;
}

void sm_repeat_reset(sm_repeat *r)
{
    if (r->n_marks) { /* else the table was never touched: 1 MiB that need not be */
        memset(r->marks, 0, SM_REPEAT_SLOTS * sizeof *r->marks);
    }
    *r = (sm_repeat){.marks = r->marks, .mask = 15, .soon = r->soon, .power = base_to_window()};
}

sm_status sm_repeat_open(sm_repeat *r, uint64_t soon)
{
    *r = (sm_repeat){.soon = soon};
    r->marks = sm_alloc_array(SM_REPEAT_SLOTS, sizeof *r->marks);
    if (!r->marks) {
        return SM_E_NOMEM;
    }
    sm_repeat_reset(r);
    return SM_OK;
}

void sm_repeat_close(sm_repeat *r)
{
    sm_free(r->marks);
    *r = (sm_repeat){0};
}

static sm_repeat_mark *find(sm_repeat_mark *marks, uint64_t hash)
{
    size_t k = (size_t)(hash >> 40) % SM_REPEAT_SLOTS;
    while (marks[k].hash && marks[k].hash != hash) {
        k = (k + 1) % SM_REPEAT_SLOTS;
    }
    return &marks[k];
}

/* Half full: every other window is enough from now on. A table in place of the old one, no more. */
static void thin_out(sm_repeat *r)
{
    r->mask = 2 * r->mask + 1;
    r->n_marks = 0;
    for (size_t k = 0; k < SM_REPEAT_SLOTS; k++) {
        if (r->marks[k].hash & r->mask) {
            r->marks[k].hash = 0;
        }
    }
    /* what is left moves to where a search begins; twice round, because moving frees places */
    for (size_t k = 0; k < 2 * (size_t)SM_REPEAT_SLOTS; k++) {
        sm_repeat_mark m = r->marks[k % SM_REPEAT_SLOTS];
        if (m.hash) {
            r->marks[k % SM_REPEAT_SLOTS].hash = 0;
            *find(r->marks, m.hash) = m;
        }
    }
    for (size_t k = 0; k < SM_REPEAT_SLOTS; k++) {
        r->n_marks += r->marks[k].hash != 0;
    }
}

/* A chosen window ends at this row. */
static void look_up(sm_repeat *r, uint64_t hash)
{
    sm_repeat_mark *m = find(r->marks, hash);
    if (!m->hash) {
        *m = (sm_repeat_mark){hash, r->i_row};
        r->n_matches = 0;
        if (++r->n_marks > SM_REPEAT_SLOTS / 2) {
            thin_out(r);
        }
        return;
    }
    if (m->row == UINT64_MAX || r->i_row - m->row <= r->soon) {
        m->row = UINT64_MAX;
        r->n_matches = 0;
        return;
    }
    uint64_t distance = r->i_row - m->row;
    if (r->n_matches == 0 || distance != r->distance) {
        r->n_matches = 0;
        r->distance = distance;
        r->first = r->i_row;
    }
    r->n_matches++;
    if (r->n_matches == MATCHES) {
        r->n_rows += r->i_row - r->first + SM_REPEAT_WINDOW;
    }
}

SM_WIDE static void add_column(const double *x, uint64_t factor, size_t n, uint64_t *hash)
{
    for (size_t i = 0; i < n; i++) {
        uint64_t bits;
        memcpy(&bits, &x[i], sizeof bits);
        hash[i] += (bits ^ bits >> 32) * factor;
    }
}

SM_WIDE static void mix_all(uint64_t *hash, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        hash[i] = mix(hash[i]);
    }
}

void sm_repeat_hash(double *const *x, size_t n_channels, size_t n, uint64_t *hash)
{
    memset(hash, 0, n * sizeof *hash);
    for (size_t c = 0; c < n_channels; c++) { /* odd factors; each product stands alone */
        add_column(x[c], BASE + 2 * c, n, hash);
    }
    mix_all(hash, n);
}

/* The row `back` rows ago; 0 = the newest. */
static uint64_t row_before(const sm_repeat *r, size_t back)
{
    return r->ring[(size_t)(r->i_row - 1 - back) % SM_REPEAT_RING];
}

/* Do enough rows of the window differ from the one before them? Standstill repeats itself. */
static bool is_news(const sm_repeat *r)
{
    int n = 0;
    for (size_t k = 0; k < SM_REPEAT_WINDOW && n < NEWS_LEAST; k++) {
        n += row_before(r, k) != row_before(r, k + 1);
    }
    return n >= NEWS_LEAST;
}

enum { PIECE = SM_REPEAT_RING - SM_REPEAT_WINDOW }; /* rows that enter the ring at once */

/* The hashes of the windows that end at the next n rows; the ring has these rows already. */
static void roll(sm_repeat *r, const uint64_t *hash, size_t n, uint64_t *window)
{
    uint64_t gone[PIECE]; /* products first: only one is left in the chain from row to row */
    for (size_t i = 0; i < n; i++) {
        size_t at = (size_t)(r->i_row + i - SM_REPEAT_WINDOW) % SM_REPEAT_RING;
        gone[i] = hash[i] - r->ring[at] * r->power;
    }
    uint64_t rolling = r->rolling;
    for (size_t i = 0; i < n; i++) {
        rolling = rolling * BASE + gone[i];
        window[i] = rolling;
    }
    r->rolling = rolling;
    mix_all(window, n);
}

/* Row i of a piece, whose window may be chosen. */
static void follow_row(sm_repeat *r, uint64_t window, bool *again)
{
    r->i_row++;
    bool was = r->n_matches >= MATCHES;
    uint64_t marked = window | 1ULL << 63;
    if ((marked & r->mask) == 0 && r->i_row >= SM_REPEAT_WINDOW && is_news(r)) {
        look_up(r, marked);
    }
    *again = r->n_matches >= MATCHES;
    r->n_rows += *again && was;
}

/* Rows of one piece; those whose window is not chosen pass unseen while nothing repeats itself. */
static void follow(sm_repeat *r, const uint64_t *window, size_t n, bool *again)
{
    unsigned char chosen[PIECE];
    size_t n_chosen = 0;
    for (size_t i = 0; i < n; i++) {
        chosen[n_chosen] = (unsigned char)i;
        n_chosen += (window[i] & r->mask) == 0;
    }
    memset(again, 0, n * sizeof *again);
    size_t k = 0;
    for (size_t i = 0; i < n; i++) {
        if (r->n_matches < MATCHES) {
            while (k < n_chosen && chosen[k] < i) {
                k++;
            }
            size_t next = k < n_chosen ? chosen[k] : n;
            r->i_row += next - i;
            i = next;
        }
        if (i < n) {
            follow_row(r, window[i], &again[i]);
        }
    }
}

void sm_repeat_rows(sm_repeat *r, const uint64_t *hash, size_t n, bool *again)
{
    uint64_t window[PIECE];
    for (size_t from = 0; from < n; from += PIECE) {
        size_t m = n - from < PIECE ? n - from : PIECE;
        roll(r, hash + from, m, window);
        for (size_t i = 0; i < m; i++) {
            r->ring[(size_t)(r->i_row + i) % SM_REPEAT_RING] = hash[from + i];
        }
        follow(r, window, m, again + from);
    }
}
