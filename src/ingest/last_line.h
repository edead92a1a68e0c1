/* A last line without its line end: is its last number whole? */
#ifndef SM_INGEST_LAST_LINE_H
#define SM_INGEST_LAST_LINE_H

#include "ingest/layout.h"

typedef enum sm_last_line {
    SM_LAST_WHOLE = 0, /* what the columns need is all there */
    SM_LAST_UNSURE,    /* nobody can tell: it is left out, and that is no finding */
    SM_LAST_CUT,       /* shorter than all lines before it, or no number at all */
} sm_last_line;

/*
 * A number that was cut is a number still: 12.3 of 12.345, 1.2 of 1.2e-05. So a line whose last
 * used cell touches the end counts as whole only where that cell has the form of the same cell in
 * the lines before: as many decimals, an exponent as long. Where lines differ among themselves, it
 * needs the most decimals that occur; whole numbers alone can never tell.
 *
 * before   in  text of the lines before, which ends with a line end; the last 16 of them count
 * n_used   in  cells of a line that are used; 0 = its last cell is the last used one, whichever
 * [s, end) in  the line, as it stands
 */
sm_last_line sm_last_line_is(const sm_layout *l, const char *before, size_t n_before, size_t n_used,
                             const char *s, const char *end);

#endif
