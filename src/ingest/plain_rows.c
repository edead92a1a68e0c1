/*
 * Lines of plain numbers between delimiters that are not all alike, cell by cell. Two passes over a
 * piece of text that fits in the first cache: where the marks are (delimiters, points, line ends),
 * 32 bytes at a time; then the numbers between them, whose places are known by then, so that no
 * number waits for the one before. The first thing that is not as expected leaves the line to the
 * general reader, which gives the same values and does all the work on other processors.
 */
#include "ingest/csv.h"
#include "ingest/even_rows.h"
#include "ingest/marks.h"
#include "ingest/plain.h"

#include <math.h>
#include <string.h>

#if defined(__x86_64__) && defined(__GNUC__)
enum { CELLS_MOST = SM_EVEN_CELLS, PIECE = SM_EVEN_PIECE, ODD_PIECES = 16 };

/* Where the values of one column go. */
typedef struct cell {
    double *to;     /* NULL: passed over */
    double gain[2]; /* and that of negative numbers, which come without their sign */
    double offset;
} cell;

/* A piece of text that ends with a line end, and the places of its marks. */
typedef struct piece {
    const char *text;
    uint16_t mark[PIECE + 64];
} piece;

enum { WHOLE_MOST = 7, FRACTION_MOST = 8 };

typedef struct reader {
    char delimiter;
    char decimal;
    size_t n_cells;
    cell cells[CELLS_MOST];
    /* Which of sixteen bytes at a number's first digit goes where, so that its digits end in the
     * last one, without the mark between them and with zeros in front. */
    __m128i shuffle[WHOLE_MOST + 1][FRACTION_MOST + 1];
} reader;

static void make_reader(const sm_csv *c, reader *r)
{
    r->delimiter = c->layout.delimiter;
    r->decimal = c->layout.decimal;
    r->n_cells = c->n_used;
    for (int n = 0; n <= WHOLE_MOST; n++) {
        for (int f = 0; f <= FRACTION_MOST; f++) {
            signed char from[16];
            for (int i = 0; i < 16; i++) {
                int digit = i - (16 - n - f);
                from[i] = (signed char)(digit < 0 ? -1 : digit + (digit >= n));
            }
            memcpy(&r->shuffle[n][f], from, sizeof from);
        }
    }
}

/* false: a column needs more than this reader knows, or one would be left without a value. */
static bool plan(const sm_csv *c, const sm_rows *rows, cell *cells)
{
    const sm_columns *columns = c->columns;
    const sm_layout *l = &c->layout;
    bool counted = columns->time_kind == SM_TIME_NONE;
    bool stamped = columns->time_kind != SM_TIME_DATE && columns->time_kind != SM_TIME_INTERVAL;
    if (l->form != SM_FORM_CELLS || c->tag_target || l->delimiter == ' ' || !stamped ||
        c->n_used == 0 || c->n_used > CELLS_MOST) {
        return false;
    }
    bool has_stamp = counted;
    uint64_t has = 0; /* one bit for each channel */
    for (size_t k = 0; k < c->n_used; k++) {
        int target = columns->target[k];
        cells[k] = (cell){.to = NULL};
        if (target >= 0 && !(has >> target & 1)) {
            const sm_channel *ch = &columns->channels[target];
            cells[k] = (cell){rows->x[target], {ch->gain, -ch->gain}, ch->offset_si};
            has |= (uint64_t)1 << target;
        } else if (target == SM_TARGET_TIME && !has_stamp) {
            cells[k] = (cell){rows->stamp, {1, -1}, 0};
            has_stamp = true;
        } else if (target != SM_TARGET_SKIP) {
            return false;
        }
    }
    size_t n = columns->n_channels;
    return has_stamp && has == (n == 64 ? UINT64_MAX : ((uint64_t)1 << n) - 1);
}

/* One bit for each of 64 bytes that is neither a digit nor a minus. */
SM_MARKS_INLINE uint64_t marks_of(const char *p)
{
    const __m256i shift = _mm256_set1_epi8((char)(0x80 - '0'));
    const __m256i nine = _mm256_set1_epi8((char)(0x80 + 9));
    const __m256i minus = _mm256_set1_epi8('-');
    uint64_t marks = 0;
    for (int i = 0; i < 64; i += 32) {
        __m256i v = _mm256_loadu_si256((const __m256i *)(const void *)(p + i));
        __m256i other = _mm256_cmpgt_epi8(_mm256_add_epi8(v, shift), nine);
        other = _mm256_andnot_si256(_mm256_cmpeq_epi8(v, minus), other);
        marks |= (uint64_t)(uint32_t)_mm256_movemask_epi8(other) << i;
    }
    return marks;
}

/* Finds the marks of n bytes; up to 63 bytes behind them are read. */
SM_MARKS_WIDE static void find_marks(piece *f, size_t n)
{
    uint16_t *to = f->mark;
    for (size_t at = 0; at < n; at += 64) {
        uint64_t marks = marks_of(f->text + at);
        if (n - at < 64) {
            marks = _bzhi_u64(marks, (unsigned)(n - at));
        }
        to += sm_put_all_marks(marks, at, 8, 20, to);
    }
}

/* Sixteen digits, the last one in the highest byte: pairs, fours, eights; then the two eights. */
SM_MARKS_INLINE uint64_t join(__m128i v)
{
    const __m128i tens = _mm_set1_epi16(1 << 8 | 10);
    const __m128i hundreds = _mm_set1_epi32(1 << 16 | 100);
    const __m128i thousands = _mm_set1_epi32(1 << 16 | 10000);
    v = _mm_madd_epi16(_mm_maddubs_epi16(v, tens), hundreds);
    v = _mm_madd_epi16(_mm_packus_epi32(v, v), thousands);
    uint64_t both = (uint64_t)_mm_cvtsi128_si64(v);
    return (both & UINT32_MAX) * 100000000 + (both >> 32);
}

/*
 * The number in [s, end) with its decimal mark at `point`, or none and point == end, without its
 * sign: signs of vibration are chance, no branch may hang on one.
 */
SM_MARKS_INLINE bool number(const reader *r, const char *s, const char *point, const char *end,
                            size_t *negative, double *out)
{
    *negative = *s == '-';
    s += *negative;
    size_t n = (size_t)(point - s);
    size_t n_fraction = (size_t)(end - s) - n - (end > point);
    if (n > WHOLE_MOST || n_fraction > FRACTION_MOST || n + n_fraction == 0) {
        return end > s && *s != '-' && sm_plain_number(s, end, r->decimal, out) == end;
    }
    __m128i v = _mm_loadu_si128((const __m128i *)(const void *)s);
    v = _mm_sub_epi8(v, _mm_set1_epi8('0'));
    v = _mm_shuffle_epi8(v, r->shuffle[n][n_fraction]);
    uint64_t m = join(v);
    *out = (double)(int64_t)m / sm_plain_powers[n_fraction];
    return !_mm_movemask_epi8(v) && m < (UINT64_C(1) << 53); /* no minus among them */
}

/* The mark at which a cell that is not used ends; false: it is quoted. */
static bool pass_over(const piece *f, size_t *i, char delimiter)
{
    for (;; (*i)++) {
        char c = f->text[f->mark[*i]];
        if (c == delimiter || c == '\n') {
            return true;
        }
        if (c == '"') {
            return false;
        }
    }
}

/* Behind the last used cell, at mark i: moves to the line end. */
static bool end_of_line(const piece *f, size_t *i, char delimiter)
{
    char c = f->text[f->mark[*i]];
    if (c == delimiter) {
        while (f->text[f->mark[*i]] != '\n') {
            (*i)++;
        }
        return true;
    }
    if (c == '\r' && f->text[f->mark[*i] + 1] == '\n') {
        (*i)++;
        return true;
    }
    return c == '\n';
}

/* The line at `at` with its first mark i into a row; false: not plain. Both move behind the line.
 */
SM_MARKS_INLINE bool take(const reader *r, const piece *f, size_t *at, size_t *i, size_t row)
{
    const char *s = f->text + *at;
    size_t k = 0;
    size_t m = *i;
    for (;;) {
        if (r->cells[k].to) {
            while (*s == ' ') {
                s++;
                m++;
            }
            const char *point = f->text + f->mark[m];
            if (__builtin_expect(*point == r->decimal, 1)) { /* guessed, not waited for */
                m++;
                __asm__ volatile("");
            }
            double v;
            size_t negative;
            if (!number(r, s, point, f->text + f->mark[m], &negative, &v)) {
                return false;
            }
            r->cells[k].to[row] = v * r->cells[k].gain[negative] + r->cells[k].offset;
        } else if (!pass_over(f, &m, r->delimiter)) {
            return false;
        }
        if (++k == r->n_cells) {
            break;
        }
        s = f->text + f->mark[m];
        if (*s++ != r->delimiter) {
            return false;
        }
        m++;
    }
    if (!end_of_line(f, &m, r->delimiter)) {
        return false;
    }
    *at = (size_t)f->mark[m] + 1;
    *i = m + 1;
    return true;
}

/* The same sums that the general reader makes, row by row. */
static void set_stamps(sm_csv *c, double *stamp, size_t n)
{
    if (c->columns->time_kind == SM_TIME_NONE) {
        for (size_t i = 0; i < n; i++) {
            stamp[i] = c->clock * c->to_s;
            c->clock++;
        }
        return;
    }
    if (n && isnan(c->stamp0)) {
        c->stamp0 = stamp[0];
    }
    for (size_t i = 0; i < n && c->whole; i++) {
        c->whole = stamp[i] == floor(stamp[i]);
    }
    for (size_t i = 0; i < n; i++) {
        stamp[i] = (stamp[i] - c->stamp0) * c->to_s;
    }
}

SM_MARKS_WIDE static size_t take_lines(const reader *r, const piece *f, size_t n, size_t *row)
{
    size_t at = 0;
    size_t i = 0;
    while (*row < SM_BLOCK_ROWS && at < n && take(r, f, &at, &i, *row)) {
        (*row)++;
    }
    return at;
}

/* Rows [first, end) are new. */
static void book(sm_csv *c, sm_rows *rows, size_t first, size_t end)
{
    set_stamps(c, rows->stamp + first, end - first);
    for (size_t k = first; k < end; k++) {
        rows->line[k] = c->line++;
    }
    if (end > first) {
        c->counts->last_line = c->line - 1;
    }
    c->counts->n_rows += end - first;
    rows->n = end;
}

static void begin_even(sm_csv *c, const reader *r)
{
    sm_even_cell cells[CELLS_MOST];
    for (size_t k = 0; k < r->n_cells; k++) {
        const cell *from = &r->cells[k];
        cells[k] = (sm_even_cell){from->to, from->gain[0], from->offset};
    }
    sm_even_begin(c->even, cells, r->n_cells, r->delimiter, r->decimal);
}

const char *sm_plain_rows(sm_csv *c, const char *p, const char *stop, sm_rows *rows)
{
    reader r;
    piece f;
    if (!c->even || !plan(c, rows, r.cells)) {
        return p;
    }
    make_reader(c, &r);
    begin_even(c, &r);
    unsigned wait = 0; /* pieces to go by the other way, because this one was of no use */
    for (;;) {
        size_t n = stop - p < PIECE ? (size_t)(stop - p) : PIECE;
        while (n && p[n - 1] != '\n') { /* whole lines: no cell runs on behind the last mark */
            n--;
        }
        size_t row = rows->n;
        size_t done = 0;
        if (wait > 0) {
            wait--;
        } else {
            done = sm_even_rows(c->even, p, n, &row, SM_BLOCK_ROWS);
            wait = done < n / 4 ? ODD_PIECES : 0;
        }
        if (done < n && row < SM_BLOCK_ROWS) {
            f.text = p + done;
            find_marks(&f, n - done);
            done += take_lines(&r, &f, n - done, &row);
        }
        book(c, rows, rows->n, row);
        p += done;
        if (done < n || n == 0 || rows->n == SM_BLOCK_ROWS) {
            return p;
        }
    }
}

#else /* the general reader does it all */

const char *sm_plain_rows(sm_csv *c, const char *p, const char *stop, sm_rows *rows)
{
    (void)c, (void)stop, (void)rows;
    return p;
}

#endif
