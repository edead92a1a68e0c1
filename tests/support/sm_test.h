/* cmocka in the only include order that works, and asserts that say how far off a number was. */
#ifndef SM_TEST_H
#define SM_TEST_H

/* clang-format off */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>
/* clang-format on */

#include "stillmount/status.h"

#include <math.h>
#include <stdio.h>

/* |value - expected| <= tol, with what was measured and by how much it missed. NaN fails. */
#define assert_close(value, expected, tol, what)                                                   \
    sm_assert_close((value), (expected), (tol), (what), __FILE__, __LINE__)

static inline void sm_assert_close(double value, double expected, double tol, const char *what,
                                   const char *file, int line)
{
    if (!(fabs(value - expected) <= tol)) {
        (void)fprintf(stderr, "%s: got %.12g, expected %.12g, off by %.3g, allowed %.3g\n", what,
                      value, expected, value - expected, tol);
        _fail(file, line);
    }
}

/* A status is SM_OK; otherwise the error's text is shown. */
#define assert_ok(status, err) sm_assert_ok((status), (err), __FILE__, __LINE__)

static inline void sm_assert_ok(sm_status status, const sm_error *err, const char *file, int line)
{
    if (status != SM_OK) {
        (void)fprintf(stderr, "%s: %s:%ld: %s\n", sm_status_text(status), err ? err->source : "",
                      err ? err->line : 0, err ? err->message : "");
        _fail(file, line);
    }
}

#endif
