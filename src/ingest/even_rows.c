/*
 * The quick way through nearly every log: line after line with the same number of cells, each a
 * plain number of at most sixteen characters. First the places of delimiters and line ends, then
 * four cells at a time: sixteen bytes from each, the decimal mark and what follows the cell taken
 * out by a shuffle, digits joined in pairs, fours, eights. No cell waits for the one before, and no
 * branch hangs on its sign or length. Values are those of plain.h, bit by bit.
 */
#include "ingest/even_rows.h"

#include "core/alloc.h"
#include "ingest/marks.h"
#include "ingest/plain.h"
#include "stillmount/block.h"

#if defined(__x86_64__) && defined(__GNUC__)
enum { LONGEST = 16, LONG = LONGEST + 1, GROUP = 8, NEVER = -128, LENGTHS = 32 };

/* What is done to sixteen bytes that begin with a cell of one length and place of the mark. */
typedef struct way {
    signed char from[16]; /* digits to the end, zeros in front */
    double power;         /* that divides them */
    double unused;        /* so that a way is 32 bytes long */
} way;

struct sm_even {
    way ways[LONG + 1][LENGTHS]; /* [mark at; length = none][length - 1]; the longest: only zeros */
    uint16_t ends[1 + SM_EVEN_PIECE + SM_EVEN_SLACK]; /* the first one: before the first line */
    uint16_t lines[SM_EVEN_PIECE + SM_EVEN_SLACK];
    size_t n_ends;
    size_t n_lines;
    size_t n_cells;
    size_t per_line; /* ends in a line */
    char delimiter;
    char decimal;
    bool skips; /* some cell is passed over */
    double *to[SM_EVEN_CELLS];
    double gain[SM_EVEN_CELLS];
    double offset[SM_EVEN_CELLS];
    uint16_t used[SM_EVEN_CELLS];     /* all bits, or none */
    uint16_t returned[SM_EVEN_CELLS]; /* 1: a carriage return stands before its end */
    double nowhere[SM_BLOCK_ROWS];    /* takes what is passed over */
};

static void make_way(way *w, int mark, int length)
{
    bool has_mark = mark < length;
    int digits = length - has_mark;
    for (int i = 0; i < 16; i++) {
        int digit = i - (16 - digits);
        w->from[i] = (signed char)(digit < 0 ? NEVER : digit + (digit >= mark));
    }
    if (digits == 0) {
        w->from[15] = 0; /* the mark itself: not a digit */
    }
    w->power = sm_plain_powers[has_mark ? length - mark - 1 : 0];
}

sm_status sm_even_open(sm_even **out)
{
    *out = NULL;
    if (!__builtin_cpu_supports("avx2") || !__builtin_cpu_supports("bmi2")) {
        return SM_OK;
    }
    sm_even *e = sm_alloc_array(1, sizeof *e);
    if (!e) {
        return SM_E_NOMEM;
    }
    for (int mark = 0; mark <= LONG; mark++) {
        for (int length = 1; length <= LONGEST; length++) {
            make_way(&e->ways[mark][length - 1], mark < length ? mark : length, length);
        }
        way *none = &e->ways[mark][LONG - 1];
        memset(none->from, NEVER, sizeof none->from);
        none->power = 1;
    }
    *out = e;
    return SM_OK;
}

void sm_even_close(sm_even **e)
{
    sm_free(*e);
    *e = NULL;
}

void sm_even_begin(sm_even *e, const sm_even_cell *cells, size_t n_cells, char delimiter,
                   char decimal)
{
    e->n_cells = n_cells;
    e->delimiter = delimiter;
    e->decimal = decimal;
    e->skips = false;
    for (size_t k = 0; k < SM_EVEN_CELLS; k++) {
        bool used = k < n_cells && cells[k].to;
        e->skips = e->skips || (k < n_cells && !used);
        e->used[k] = used ? UINT16_MAX : 0;
        e->returned[k] = 0;
        e->to[k] = used ? cells[k].to : e->nowhere;
        e->gain[k] = used ? cells[k].gain : 0;
        e->offset[k] = used ? cells[k].offset : 0;
        if (k >= n_cells && k % GROUP == 0) {
            break;
        }
    }
}

/* Delimiters and line ends of n bytes; up to 63 bytes behind them are read. */
SM_MARKS_WIDE static void find_ends(sm_even *e, const char *text, size_t n)
{
    const __m256i delimiter = _mm256_set1_epi8(e->delimiter);
    const __m256i newline = _mm256_set1_epi8('\n');
    uint16_t *end = e->ends + 1;
    uint16_t *line = e->lines;
    for (size_t at = 0; at < n; at += 64) {
        uint64_t ends = 0;
        uint64_t lines = 0;
        for (int i = 0; i < 64; i += 32) {
            __m256i v = _mm256_loadu_si256((const __m256i *)(const void *)(text + at + i));
            __m256i nl = _mm256_cmpeq_epi8(v, newline);
            __m256i both = _mm256_or_si256(nl, _mm256_cmpeq_epi8(v, delimiter));
            ends |= (uint64_t)(uint32_t)_mm256_movemask_epi8(both) << i;
            lines |= (uint64_t)(uint32_t)_mm256_movemask_epi8(nl) << i;
        }
        if (n - at < 64) {
            ends = _bzhi_u64(ends, (unsigned)(n - at));
            lines = _bzhi_u64(lines, (unsigned)(n - at));
        }
        end += sm_put_all_marks(ends, at, 4, 10, end);
        line += sm_put_all_marks(lines, at, 2, 3, line);
    }
    e->n_ends = (size_t)(end - e->ends) - 1;
    e->n_lines = (size_t)(line - e->lines);
}

/* Four pairs of sixteen digits, the last one in the highest byte: pairs, fours, eights, doubles. */
SM_MARKS_INLINE __m256d join(__m256i even, __m256i odd)
{
    const __m256i tens = _mm256_set1_epi16(1 << 8 | 10);
    const __m256i hundreds = _mm256_set1_epi32(1 << 16 | 100);
    const __m256i thousands = _mm256_set1_epi32(1 << 16 | 10000);
    const __m256i magic = _mm256_set1_epi64x(0x4330000000000000); /* 2^52 */
    even = _mm256_madd_epi16(_mm256_maddubs_epi16(even, tens), hundreds);
    odd = _mm256_madd_epi16(_mm256_maddubs_epi16(odd, tens), hundreds);
    __m256i v = _mm256_madd_epi16(_mm256_packus_epi32(even, odd), thousands);
    __m256i high = _mm256_blend_epi32(magic, v, 0x55);
    __m256i low = _mm256_or_si256(_mm256_srli_epi64(v, 32), magic);
    __m256d least = _mm256_castsi256_pd(magic);
    __m256d h = _mm256_sub_pd(_mm256_castsi256_pd(high), least);
    __m256d l = _mm256_sub_pd(_mm256_castsi256_pd(low), least);
    return _mm256_add_pd(_mm256_mul_pd(h, _mm256_set1_pd(1e8)), l);
}

SM_MARKS_INLINE __m256i pair(const void *low, const void *high)
{
    __m128i a = _mm_loadu_si128((const __m128i *)low);
    return _mm256_inserti128_si256(_mm256_castsi128_si256(a),
                                   _mm_loadu_si128((const __m128i *)high), 1);
}

/* Starts and lengths of a group of cells, and a bit for each used one of some lengths. */
typedef struct places {
    uint16_t start[GROUP];
    uint16_t length[GROUP]; /* LONG: not by this way */
    unsigned empty;
    unsigned brief; /* one or two characters */
    unsigned is_long;
} places;

SM_MARKS_INLINE const way *way_of(const sm_even *e, uint64_t marks, size_t length)
{
    size_t mark = _tzcnt_u64(marks | UINT64_C(1) << length);
    return &e->ways[0][0] + (mark * LENGTHS + length - 1);
}

/* Cells k to k + 3 of a row; the signs of them, one bit each, or -1: not plain numbers. */
SM_MARKS_INLINE int quad(const sm_even *e, const char *text, const places *p, size_t q, size_t k,
                         size_t row)
{
    const __m256i mark = _mm256_set1_epi8(e->decimal);
    const __m256i zero = _mm256_set1_epi8('0');
    const __m256i minus = _mm256_set1_epi8('-');
    const __m256i first = _mm256_setr_epi64x(UINT8_MAX, 0, UINT8_MAX, 0);
    const uint16_t *s = p->start + q;
    const uint16_t *n = p->length + q;
    __m256i even = pair(text + s[0], text + s[2]);
    __m256i odd = pair(text + s[1], text + s[3]);
    uint64_t even_marks = (uint32_t)_mm256_movemask_epi8(_mm256_cmpeq_epi8(even, mark));
    uint64_t odd_marks = (uint32_t)_mm256_movemask_epi8(_mm256_cmpeq_epi8(odd, mark));
    const way *w[4] = {way_of(e, even_marks & UINT16_MAX, n[0]),
                       way_of(e, odd_marks & UINT16_MAX, n[1]), way_of(e, even_marks >> 16, n[2]),
                       way_of(e, odd_marks >> 16, n[3])};
    __m256i even_minus = _mm256_and_si256(_mm256_cmpeq_epi8(even, minus), first);
    __m256i odd_minus = _mm256_and_si256(_mm256_cmpeq_epi8(odd, minus), first);
    even = _mm256_andnot_si256(even_minus, _mm256_sub_epi8(even, zero));
    odd = _mm256_andnot_si256(odd_minus, _mm256_sub_epi8(odd, zero));
    even = _mm256_shuffle_epi8(even, pair(w[0]->from, w[2]->from));
    odd = _mm256_shuffle_epi8(odd, pair(w[1]->from, w[3]->from));
    __m256d m = join(even, odd);
    __m256d good = _mm256_cmp_pd(m, _mm256_set1_pd(9007199254740992.0), _CMP_LT_OQ);
    __m256i most = _mm256_max_epu8(even, odd); /* of digits at most 9, which do not reach 128 */
    most = _mm256_adds_epu8(most, _mm256_set1_epi8(128 - 10));
    if (_mm256_movemask_epi8(most) || _mm256_movemask_pd(good) != 15) {
        return -1;
    }
    __m256d power = _mm256_setr_pd(w[0]->power, w[1]->power, w[2]->power, w[3]->power);
    __m256d sign = _mm256_castsi256_pd(_mm256_slli_epi64(
        _mm256_unpacklo_epi64(even_minus, odd_minus), 56)); /* of each first byte */
    sign = _mm256_and_pd(sign, _mm256_set1_pd(-0.0));
    __m256d v = _mm256_mul_pd(_mm256_div_pd(m, power), _mm256_loadu_pd(e->gain + k));
    v = _mm256_add_pd(_mm256_xor_pd(v, sign), _mm256_loadu_pd(e->offset + k));
    __m128d a = _mm256_castpd256_pd128(v);
    __m128d b = _mm256_extractf128_pd(v, 1);
    _mm_storel_pd(e->to[k] + row, a);
    _mm_storeh_pd(e->to[k + 1] + row, a);
    _mm_storel_pd(e->to[k + 2] + row, b);
    _mm_storeh_pd(e->to[k + 3] + row, b);
    return _mm256_movemask_pd(sign);
}

/* One bit for each of eight lanes of ones or zeros. */
SM_MARKS_INLINE unsigned bits_of(__m128i lanes)
{
    return (unsigned)_mm_movemask_epi8(_mm_packs_epi16(lanes, _mm_setzero_si128()));
}

/* Places of cells k to k + 7 of the line whose first end is at `ends`. */
SM_MARKS_INLINE void find_places(const sm_even *e, const uint16_t *ends, size_t k, places *p)
{
    const __m128i longest = _mm_set1_epi16(LONG);
    __m128i used = _mm_loadu_si128((const __m128i *)(const void *)(e->used + k));
    __m128i start = _mm_loadu_si128((const __m128i *)(const void *)(ends + k - 1));
    __m128i end = _mm_loadu_si128((const __m128i *)(const void *)(ends + k));
    end = _mm_sub_epi16(end, _mm_loadu_si128((const __m128i *)(const void *)(e->returned + k)));
    start = _mm_add_epi16(start, _mm_set1_epi16(1));
    __m128i length = _mm_min_epu16(_mm_sub_epi16(end, start), longest);
    p->empty = bits_of(_mm_and_si128(_mm_cmpeq_epi16(length, _mm_setzero_si128()), used));
    p->brief = bits_of(_mm_and_si128(_mm_cmplt_epi16(length, _mm_set1_epi16(3)), used));
    p->is_long = bits_of(_mm_and_si128(_mm_cmpeq_epi16(length, longest), used));
    length = _mm_blendv_epi8(longest, length, used);
    _mm_storeu_si128((__m128i *)(void *)p->start, _mm_and_si128(start, used));
    _mm_storeu_si128((__m128i *)(void *)p->length, length);
}

/* What is longer than sixteen characters: digit by digit. */
static bool take_long(const sm_even *e, const char *text, const uint16_t *ends, size_t k,
                      size_t row)
{
    const char *s = text + (uint16_t)(ends[k - 1] + 1);
    const char *end = text + ends[k] - e->returned[k];
    double v;
    if (end <= s || sm_plain_number(s, end, e->decimal, &v) != end) {
        return false;
    }
    e->to[k][row] = v * e->gain[k] + e->offset[k];
    return true;
}

/* The line whose first end is at `ends` into a row; false: not plain. */
SM_MARKS_INLINE bool take(const sm_even *e, const char *text, const uint16_t *ends, size_t row)
{
    for (size_t k = 0; k < e->n_cells; k += GROUP) {
        places p;
        find_places(e, ends, k, &p);
        bool good = !p.empty;
        int signs = good ? quad(e, text, &p, 0, k, row) : 0;
        if (good && k + 4 < e->n_cells) {
            int more = quad(e, text, &p, 4, k + 4, row);
            signs |= more < 0 ? more : more << 4;
        }
        good = good && signs >= 0;
        unsigned odd = (unsigned)signs & p.brief; /* "-5" is a number, "-" and "-." are not */
        for (; odd && good; odd &= odd - 1) {
            unsigned i = (unsigned)__builtin_ctz(odd);
            char last = text[p.start[i] + p.length[i] - 1];
            good = last >= '0' && last <= '9';
        }
        for (; p.is_long && good; p.is_long &= p.is_long - 1) {
            good = take_long(e, text, ends, k + (unsigned)__builtin_ctz(p.is_long), row);
        }
        if (!good) {
            return false;
        }
    }
    return true;
}

/* What the first line looks like; false: too few cells. */
static bool find_shape(sm_even *e, const char *text, bool *returned)
{
    size_t n = 1;
    while (e->ends[n] != e->lines[0]) {
        n++;
    }
    e->per_line = n;
    bool last = n == e->n_cells; /* then a carriage return would end up in a cell that is used */
    *returned = last && e->lines[0] > 0 && text[e->lines[0] - 1] == '\r';
    e->returned[e->n_cells - 1] = *returned;
    return n >= e->n_cells;
}

SM_MARKS_WIDE size_t sm_even_rows(sm_even *e, const char *text, size_t n, size_t *row, size_t most)
{
    if (e->skips && memchr(text, '"', n)) {
        return 0; /* what is passed over may hide delimiters */
    }
    find_ends(e, text, n);
    bool returned;
    if (e->n_lines == 0 || !find_shape(e, text, &returned)) {
        return 0;
    }
    e->ends[0] = UINT16_MAX; /* so that the first line begins at 0 */
    size_t done = 0;
    size_t at = 1; /* the line's first end */
    for (size_t i = 0; i < e->n_lines && *row < most; i++, at += e->per_line) {
        size_t end = e->lines[i];
        size_t last = at + e->per_line - 1;
        bool good = last <= e->n_ends && e->ends[last] == end;
        good = good && (!returned || text[end - 1] == '\r');
        if (!good || !take(e, text, e->ends + at, *row)) {
            break;
        }
        (*row)++;
        done = end + 1;
    }
    return done;
}

#else

sm_status sm_even_open(sm_even **out)
{
    *out = NULL;
    return SM_OK;
}

void sm_even_close(sm_even **e)
{
    (void)e;
}

void sm_even_begin(sm_even *e, const sm_even_cell *cells, size_t n_cells, char delimiter,
                   char decimal)
{
    (void)e, (void)cells, (void)n_cells, (void)delimiter, (void)decimal;
}

size_t sm_even_rows(sm_even *e, const char *text, size_t n, size_t *row, size_t most)
{
    (void)e, (void)text, (void)n, (void)row, (void)most;
    return 0;
}

#endif
