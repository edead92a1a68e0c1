/*
 * JSON as a log: one array or one object per line, or a whole log as one array of numbers, of
 * arrays or of objects. Only what a row needs is understood; nested values are passed over.
 */
#ifndef SM_INGEST_JSON_ROWS_H
#define SM_INGEST_JSON_ROWS_H

#include "ingest/input.h"
#include "ingest/layout.h"

/* Looks at the beginning and makes lines of rows (sm_input_split_rows) where they are none. */
SM_NODISCARD sm_status sm_json_rows_look(sm_input *in, sm_layout_form *form, sm_error *err);
/* Takes the brackets and the comma off both ends of a row. */
void sm_json_rows_trim(const char **s, const char **end);
/* The next key and value of an object's row; a nested value, null and "" come back empty. */
bool sm_json_rows_pair(const char **p, const char *end, sm_cell *key, sm_cell *value);
/* The value of a key; false: the row has none. */
bool sm_json_rows_value(const char *s, const char *end, const char *key, sm_cell *value);

#endif
