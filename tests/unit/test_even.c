/*
 * Lines that are all alike, four cells at a time: every value against the C library's strtod(), to
 * the bit, and every line that is not made of plain numbers left alone.
 */
#include "ingest/even_rows.h"
#include "sm_test.h"
#include "stillmount/number.h"
#include "stillmount/stats.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

enum { ROWS = 40, COLUMNS_MOST = 19 };

/* A plain number is [-]digits[.digits] with a digit somewhere, up to 2^53 without its mark. */
static bool is_plain(const char *s, char decimal)
{
    char digits[64];
    size_t n = 0;
    bool marked = false;
    s += *s == '-';
    for (; *s; s++) {
        if (*s == decimal && !marked) {
            marked = true;
        } else if (*s >= '0' && *s <= '9' && n < sizeof digits - 1) {
            digits[n++] = *s;
        } else {
            return false;
        }
    }
    digits[n] = '\0';
    errno = 0;
    unsigned long long m = n ? strtoull(digits, NULL, 10) : 0;
    return n > 0 && n <= 18 && errno == 0 && m < 1ULL << 53;
}

static double value_of(const char *cell, char decimal)
{
    char copy[64];
    (void)snprintf(copy, sizeof copy, "%s", cell);
    for (char *p = copy; *p; p++) {
        *p = *p == decimal ? '.' : *p;
    }
    return strtod(copy, NULL);
}

/* What stands in cells: most of it numbers, the rest whatever a hand, a logger or chance makes. */
static void make_cell(sm_rng *rng, char decimal, double p_odd, char *out)
{
    static const char bytes[] = "0123456789.,-+ e:x\"/;\x01\x7f\x80\xff";
    size_t n = 0;
    if (sm_rng_uniform(rng) < p_odd) {
        size_t most = (size_t)(sm_rng_uniform(rng) * 20);
        while (n < most) {
            out[n++] = bytes[(size_t)(sm_rng_uniform(rng) * (sizeof bytes - 1))];
        }
    } else {
        double most =
            sm_rng_uniform(rng) < 0.02 ? 11 : 7; /* long ones may be too long: above 2^53 */
        int whole = (int)(sm_rng_uniform(rng) * most);
        int fraction = (int)(sm_rng_uniform(rng) * most) - 1; /* -1: no mark */
        whole = whole == 0 && fraction < 1 ? 1 : whole;
        if (sm_rng_uniform(rng) < 0.5) {
            out[n++] = '-';
        }
        for (int i = 0; i < whole + fraction + 1; i++) {
            if (i == whole && fraction < 0) {
                break;
            }
            out[n++] = i == whole ? decimal : (char)('0' + (int)(sm_rng_uniform(rng) * 10));
        }
    }
    out[n] = '\0';
}

typedef struct sheet {
    char cell[ROWS][COLUMNS_MOST][64];
    size_t n_columns;
    size_t n_used; /* columns up to the last one that is wanted */
    bool wanted[COLUMNS_MOST];
    char delimiter;
    char decimal;
    const char *end;
    size_t line_end[ROWS]; /* in the text */
    size_t n_good;         /* lines before the first one that is not plain */
} sheet;

/* A delimiter or a line end inside a cell makes two of it: such cells are not made. */
static bool splits(const sheet *s, const char *cell)
{
    return strchr(cell, s->delimiter) != NULL;
}

static void make_sheet(sm_rng *rng, sheet *s, sm_text *text)
{
    s->n_columns = 1 + (size_t)(sm_rng_uniform(rng) * COLUMNS_MOST);
    s->n_used = 1 + (size_t)(sm_rng_uniform(rng) * (double)s->n_columns);
    for (size_t k = 0; k < s->n_columns; k++) {
        s->wanted[k] = k < s->n_used && (k + 1 == s->n_used || sm_rng_uniform(rng) < 0.8);
    }
    double p_odd = sm_rng_uniform(rng) < 0.5 ? 0.01 : 0;
    bool stopped = false;
    s->n_good = 0;
    for (size_t i = 0; i < ROWS; i++) {
        for (size_t k = 0; k < s->n_columns; k++) {
            do {
                make_cell(rng, s->decimal, p_odd, s->cell[i][k]);
            } while (splits(s, s->cell[i][k]));
            stopped |= s->wanted[k] && !is_plain(s->cell[i][k], s->decimal);
            sm_text_add(text, s->cell[i][k]);
            sm_text_addf(text, k + 1 < s->n_columns ? "%c" : "", s->delimiter);
        }
        sm_text_add(text, s->end);
        s->line_end[i] = text->n;
        s->n_good += !stopped;
    }
}

static void check_sheet(sm_even *e, const sheet *s, const sm_text *text)
{
    static double x[COLUMNS_MOST][ROWS];
    sm_even_cell cells[COLUMNS_MOST];
    for (size_t k = 0; k < s->n_used; k++) {
        cells[k] = (sm_even_cell){s->wanted[k] ? x[k] : NULL, 9.80665, k % 2 ? 0.25 : 0};
    }
    sm_even_begin(e, cells, s->n_used, s->delimiter, s->decimal);
    char *padded = malloc(text->n + SM_EVEN_SLACK); /* not more, so that a sanitizer sees it */
    assert_non_null(padded);
    memcpy(padded, text->s, text->n);
    memset(padded + text->n, '7', SM_EVEN_SLACK);
    size_t row = 0;
    size_t done = sm_even_rows(e, padded, text->n, &row, ROWS);
    size_t few = 0; /* no more than there is room for */
    size_t done_few = sm_even_rows(e, padded, text->n, &few, 3);
    free(padded);
    bool hidden = false; /* a quote in what is passed over: all is left alone */
    for (size_t k = 0; k < s->n_used; k++) {
        hidden |= !s->wanted[k] && memchr(text->s, '"', text->n);
    }
    assert_int_equal(row, hidden ? 0 : s->n_good);
    assert_int_equal(done, row ? s->line_end[row - 1] : 0);
    assert_int_equal(few, row < 3 ? row : 3);
    assert_int_equal(done_few, few ? s->line_end[few - 1] : 0);
    for (size_t k = 0; k < s->n_used; k++) {
        for (size_t i = 0; s->wanted[k] && i < row; i++) {
            double expected = value_of(s->cell[i][k], s->decimal) * cells[k].gain + cells[k].offset;
            assert_memory_equal(&x[k][i], &expected, sizeof expected);
        }
    }
}

static void test_even_rows__values_are_those_of_strtod(void **state)
{
    (void)state;
    sm_even *e = NULL;
    assert_int_equal(sm_even_open(&e), SM_OK);
    if (!e) {
        skip(); /* this processor reads all lines the other way */
    }
    static sheet s;
    static const char *const ends[] = {"\n", "\r\n"};
    static const char marks[][2] = {{',', '.'}, {';', ','}, {'\t', '.'}, {'|', ','}};
    sm_rng rng = sm_rng_seed(77);
    size_t n_good = 0;
    for (int i = 0; i < 1500; i++) {
        sm_text text = {0};
        s.delimiter = marks[i % 4][0];
        s.decimal = marks[i % 4][1];
        s.end = ends[i / 4 % 2];
        make_sheet(&rng, &s, &text);
        if (text.n <= SM_EVEN_PIECE) {
            check_sheet(e, &s, &text);
            n_good += s.n_good;
        }
        sm_text_free(&text);
    }
    assert_true(n_good > 30000); /* half of the lines at least */
    sm_even_close(&e);
}

/* Lines behind which something is wrong with the count of cells, or with the line end. */
static void test_even_rows__stops_at_lines_of_another_shape(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        size_t n_rows;
    } cases[] = {
        {"1,2,3\n4,5,6\n7,8\n1,2,3\n", 2},
        {"1,2,3\n4,5,6\n7,8,9,10\n1,2,3\n", 2},
        {"1,2,3\n4,5,6\n\n1,2,3\n", 2},
        {"1,2,3\n4,5,6\n7,8,\n", 2},
        {"1,2,3\n4,5,6\n7,,9\n", 2},
        {"1,2,3\n4,5,6\r\n7,8,9\n", 1},
        {"1,2,3\r\n4,5,6\n7,8,9\r\n", 1},
        {"1,2,3\r\n4,5\r6\r\n", 1},
        {"1,2,3\r\n4,5,66\n7,8,9\r\n", 1}, /* its last digit is none of the line end */
        {"1,2\n3,4\n", 0},                 /* too few from the first one on */
        {"1,2,3", 0},                      /* no line end: not a whole line */
        {"1,2,3\n4,5,6\n7,8,-\n", 2},
        {"1,2,3\n4,5,6\n7,-.,9\n", 2},
        {"1,2,3\n4,5,6\n.,8,9\n", 2},
        {"1,2,3\n4,5,6\n9007199254740992,8,9\n", 2}, /* 2^53: not every number is one from here */
        {"1,2,3\n4,5,6\n9007199254740991,8,9\n", 3},
        {"-1,.5,3.\n-.5,-5.,00006\n", 2},
    };
    sm_even *e = NULL;
    assert_int_equal(sm_even_open(&e), SM_OK);
    if (!e) {
        skip();
    }
    double x[3][8];
    sm_even_cell cells[3] = {{x[0], 1, 0}, {x[1], 1, 0}, {x[2], 1, 0}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        for (int stale = 0; stale < 2; stale++) { /* also with what a longer text left behind */
            char text[256] = {0};
            size_t row = 0;
            sm_even_begin(e, cells, 3, ',', '.');
            if (stale) {
                (void)snprintf(text, sizeof text, "%s",
                               "1,2,3\n4,5,6\n7,8,9\n1,2,3\n4,5,6\n7,8,9\n");
                (void)sm_even_rows(e, text, strlen(text), &row, 8);
            }
            row = 0;
            memset(text, 0, sizeof text);
            (void)snprintf(text, sizeof text, "%s", cases[i].text);
            (void)sm_even_rows(e, text, strlen(text), &row, 8);
            assert_int_equal(row, cases[i].n_rows);
        }
    }
    sm_even_close(&e);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_even_rows__values_are_those_of_strtod),
        cmocka_unit_test(test_even_rows__stops_at_lines_of_another_shape),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
