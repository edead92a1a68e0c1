/*
 * JSON as a log: one array or one object per line, or a whole log as one array of numbers, of
 * arrays or of objects. Values inside values have names with points: x of accel is "accel.x", the
 * first of the array accel is "accel.1".
 */
#ifndef SM_INGEST_JSON_ROWS_H
#define SM_INGEST_JSON_ROWS_H

#include "ingest/input.h"
#include "ingest/layout.h"

/* Looks at the beginning and makes lines of rows (sm_input_split_rows) where they are none. */
SM_NODISCARD sm_status sm_json_rows_look(sm_input *in, sm_layout_form *form, sm_error *err);
/* Takes the brackets and the comma off both ends of a row. */
void sm_json_rows_trim(const char **s, const char **end);

enum { SM_JSON_DEPTH = 4 }; /* what lies deeper is passed over */

/* The values of an object's row, one after the other. Begin with p and end of a trimmed row. */
typedef struct sm_json_walk {
    const char *p;
    const char *end;
    size_t depth;
    sm_cell key[SM_JSON_DEPTH]; /* [0..depth] of the value; s = NULL: the n-th of an array */
    struct {
        size_t place; /* of the next value; 0 = not an array */
    } in[SM_JSON_DEPTH];
} sm_json_walk;

/* The next value that holds no others; null and "" come back empty. false: no more. */
bool sm_json_walk_next(sm_json_walk *w, sm_cell *value);
/* Its name, harmless to print. */
void sm_json_walk_name(const sm_json_walk *w, char *out, size_t capacity);
bool sm_json_walk_is(const sm_json_walk *w, const char *name);
/* The value of that name; false: the row has none. */
bool sm_json_rows_value(const char *s, const char *end, const char *key, sm_cell *value);

#endif
