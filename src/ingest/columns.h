/* From the columns of a log to channels: names, units row and channels file together. */
#ifndef SM_INGEST_COLUMNS_H
#define SM_INGEST_COLUMNS_H

#include "ingest/channels_file.h"
#include "stillmount/number.h"

/* What a column's cells are put into: a channel (>= 0) or one of these. */
enum { SM_TARGET_SKIP = -1, SM_TARGET_TIME = -2, SM_TARGET_MILLI = -3 };

typedef struct sm_column_in {
    const char *name;     /* "" = headerless */
    const char *unit_row; /* "" = none */
    bool is_date;         /* its cells are dates, or times of day */
    bool is_day;          /* dates without a time of day */
    bool only_time;       /* may be the time, but no channel */
    bool in_array;        /* JSON: ".1" behind a name is a place in an array */
} sm_column_in;

typedef struct sm_columns {
    sm_channel channels[SM_MAX_CHANNELS];
    size_t n_channels;
    int *target; /* [n_columns] */
    size_t n_columns;
    sm_time_kind time_kind;
    const sm_unit *time_unit; /* of a stamp or an interval; NULL = not said */
    char time_column[112];
    sm_text decided;
    sm_text skipped; /* for a template: sections, behind #, of columns that nothing is known of */
} sm_columns;

/*
 * header_line names the place of a complaint about a name; 0 = headerless.
 * SM_OK, SM_E_FORMAT (unknown unit, two columns for one role, nothing usable: with the lines to
 * write in a channels file), SM_E_VALUE, SM_E_NOMEM.
 */
SM_NODISCARD sm_status sm_columns_find(const sm_column_in *in, size_t n, const char *log,
                                       long header_line, const sm_channels_file *f, sm_columns *out,
                                       sm_error *err);
void sm_columns_free(sm_columns *c);

#endif
