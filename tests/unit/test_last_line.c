/*
 * A log that stops inside its last row: cut at every byte of it, in several forms. What is kept is
 * what the whole log holds, to the bit; a number that lost its last digits is never read.
 */
#include "log_help.h"

#include <math.h>

enum { ROWS = 40 };

typedef struct sort {
    const char *name;
    const char *head;
    const char *row;  /* time, x, y */
    const char *tail; /* behind the last row, instead of its line end */
    bool silent;      /* cuts of the last cell cannot always be told: left out without a word */
} sort;

static const sort sorts[] = {
    {"commas", "time_s,ax_g,ay_g\n", "%.3f,%.4f,%.4f\n", "", false},
    {"tabs", "time_s\tax_g\tay_g\n", "%.3f\t%.4f\t%.4f\n", "", false},
    {"blanks", "time_s ax_g ay_g\n", "%9.3f %9.4f %9.4f\n", "", false},
    {"decimal comma", "time_s;ax_g;ay_g\n", "%.3f;%.4f;%.4f\n", "", false},
    {"exponents", "time_s,ax_g,ay_g\n", "%.6e,%.6e,%.6e\n", "", false},
    {"CRLF", "time_s,ax_g,ay_g\r\n", "%.3f,%.4f,%.4f\r\n", "", false},
    {"quotes", "time_s,ax_g,ay_g\n", "\"%.3f\",\"%.4f\",\"%.4f\"\n", "", false},
    {"a column behind", "time_s,ax_g,ay_g,note\n", "%.3f,%.4f,%.4f,ok\n", "", false},
    {"objects", "", "{\"time_s\":%.3f,\"ax_g\":%.4f,\"ay_g\":%.4f}\n", "", false},
    {"array of objects", "[", "{\"time_s\":%.3f,\"ax_g\":%.4f,\"ay_g\":%.4f},\n", "]\n", false},
    {"as many digits as needed", "time_s,ax_g,ay_g\n", "%.3f,%.7g,%.7g\n", "", true},
};

static double x_of(int i)
{
    return 0.3 * sin(0.7 * i);
}

static double y_of(int i)
{
    return 1.5 + 1e-3 * cos(1.3 * i);
}

static void write_rows(const sort *s, sm_text *out, size_t *last)
{
    sm_text_add(out, s->head);
    for (int i = 0; i < ROWS; i++) {
        *last = out->n;
#pragma GCC diagnostic push
#pragma GCC diagnostic ignored "-Wformat-nonliteral"
        char row[200];
        (void)snprintf(row, sizeof row, s->row, i / 1000.0, x_of(i), y_of(i));
#pragma GCC diagnostic pop
        for (char *p = row; *p && strcmp(s->name, "decimal comma") == 0; p++) {
            *p = *p == '.' ? ',' : *p;
        }
        sm_text_add(out, row);
    }
}

static bool is_told(const sm_findings *f, const char *code)
{
    return sm_findings_get(f, code, NULL) != NULL;
}

/* One cut: n bytes of the log; whole: all of them, read. Returns the rows that were kept. */
static size_t one_cut(const sort *s, const sm_text *t, size_t n, const collected *whole, bool *told)
{
    collected c = {0};
    sm_error err = {0};
    sm_findings f = {0};
    assert_ok(read_log(scratch_write("cut.csv", t->s, n), NULL, &c, &f, NULL, &err), &err);
    for (size_t i = 0; i < c.n; i++) {
        for (size_t k = 0; k < 2; k++) {
            if (memcmp(&c.x[k][i], &whole->x[k][i], sizeof(double)) != 0) {
                (void)fprintf(stderr, "%s, cut at %zu of %zu: row %zu reads %.17g, not %.17g\n",
                              s->name, n, t->n, i, c.x[k][i], whole->x[k][i]);
                fail();
            }
        }
    }
    *told = is_told(&f, "cut-short");
    if (is_told(&f, "missing-values") || c.n < ROWS - 1) {
        (void)fprintf(stderr, "%s, cut at %zu of %zu: %zu rows\n", s->name, n, t->n, c.n);
        fail();
    }
    size_t rows = c.n;
    sm_findings_free(&f);
    collected_free(&c);
    return rows;
}

static void test_last_line__cut_at_every_byte(void **state)
{
    (void)state;
    for (size_t k = 0; k < sizeof sorts / sizeof sorts[0]; k++) {
        const sort *s = &sorts[k];
        sm_text t = {0};
        size_t last = 0;
        write_rows(s, &t, &last);
        size_t end = t.n; /* behind the last row's line end */
        sm_text_add(&t, s->tail);
        collected whole = {0};
        sm_error err = {0};
        bool told;
        assert_ok(read_log(scratch_write("whole.csv", t.s, t.n), NULL, &whole, NULL, NULL, &err),
                  &err);
        assert_int_equal(whole.n, ROWS);
        for (size_t n = last + 1; n + 2 < end; n++) {
            size_t rows = one_cut(s, &t, n, &whole, &told);
            bool digit = strcspn(t.s + last, "0123456789") < n - last; /* something was lost */
            if (!told && digit && !s->silent && rows < ROWS) {
                (void)fprintf(stderr, "%s, cut at %zu of %zu: not said\n", s->name, n, t.n);
                fail();
            }
        }
        /* only the line end is missing: a row like any other, and no word about it */
        size_t bare = end - 1 - (t.s[end - 2] == '\r') - (t.s[end - 2] == ',');
        size_t rows = one_cut(s, &t, bare, &whole, &told);
        assert_false(told);
        if (rows != ROWS && !s->silent) {
            (void)fprintf(stderr, "%s: a last line without its line end is lost\n", s->name);
            fail();
        }
        collected_free(&whole);
        sm_text_free(&t);
    }
}

/* Whole numbers: 15 of 1532 is a number too, so the last line is left out, and that is no fault. */
static void test_last_line__whole_numbers_cannot_tell(void **state)
{
    (void)state;
    sm_text t = {0};
    sm_text_add(&t, "time_ms,ax_mg,ay_mg\n");
    for (int i = 0; i < ROWS; i++) {
        sm_text_addf(&t, "%s%d,%d,%d", i ? "\n" : "", i, 10 * i - 7, 1000 + i);
    }
    collected whole = {0};
    sm_error err = {0};
    sm_findings f = {0};
    assert_ok(read_log(scratch_write("ints.csv", t.s, t.n), NULL, &whole, &f, NULL, &err), &err);
    assert_int_equal(whole.n, ROWS - 1);
    assert_false(is_told(&f, "cut-short"));
    assert_false(is_told(&f, "missing-values"));
    sm_findings_free(&f);
    collected_free(&whole);
    sm_text_free(&t);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_last_line__cut_at_every_byte),
        cmocka_unit_test(test_last_line__whole_numbers_cannot_tell),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
