/* A text log as rows. */
#ifndef SM_INGEST_CSV_H
#define SM_INGEST_CSV_H

#include "ingest/input.h"
#include "ingest/layout.h"
#include "ingest/raw.h"
#include "ingest/tags.h"

typedef struct sm_csv {
    sm_input *in; /* not owned */
    sm_layout layout;
    const sm_columns *columns;
    sm_tags tags;
    int *tag_target; /* [tags.n x layout.n_columns] instead of columns->target; NULL = no tags */
    size_t n_used;   /* columns up to the last one that is used */
    long line;       /* of the next unread line */
    double to_s;
    double stamp0;    /* raw stamp of the first row; NaN before */
    double clock;     /* running sum of intervals, or rows counted */
    bool whole;       /* all stamps so far are whole numbers */
    char trailer[96]; /* the last line, when it is words that tell the rate; "" */
    double trailer_rate_hz;
    sm_raw_counts *counts;
    struct sm_even *even; /* NULL: lines of plain numbers are read as all others */
} sm_csv;

/* Looks at the beginning of the input and decides; info gets the columns. */
SM_NODISCARD sm_status sm_csv_open(sm_input *in, const sm_channels_file *f, sm_raw_info *info,
                                   sm_raw_counts *counts, sm_csv *out, sm_error *err);
SM_NODISCARD sm_status sm_csv_next(sm_csv *c, sm_rows *rows, sm_error *err);
/* Takes lines of plain numbers only, as long as there are: the first line that it did not take. */
const char *sm_plain_rows(sm_csv *c, const char *p, const char *stop, sm_rows *rows);
SM_NODISCARD sm_status sm_csv_rewind(sm_csv *c, sm_error *err);
void sm_csv_close(sm_csv *c);

#endif
