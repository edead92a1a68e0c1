/* The shape of a text log, found from its beginning: delimiter, decimal mark, header, first row. */
#ifndef SM_INGEST_LAYOUT_H
#define SM_INGEST_LAYOUT_H

#include "ingest/blocks.h"
#include "stillmount/number.h"
#include "stillmount/status.h"
#include "stillmount/units.h"

#include <stdbool.h>

enum { SM_MAX_COLUMNS = 512 };

typedef struct sm_layout_column {
    char name[96];     /* harmless to print; "" when there is no header */
    char unit_row[48]; /* cell of the units row, or "" */
} sm_layout_column;

typedef enum sm_layout_form {
    SM_FORM_CELLS = 0,
    SM_FORM_ARRAYS,  /* JSON: the cells of a row in brackets */
    SM_FORM_OBJECTS, /* JSON: each cell behind its name */
    SM_FORM_BLOCKS,  /* a time, then numbered blocks of three */
} sm_layout_form;

typedef struct sm_layout {
    sm_layout_form form; /* ARRAYS and OBJECTS are said before, BLOCKS is found */
    sm_blocks blocks;
    bool by_number; /* said before: columns are spoken of by number, so that no block is looked for
                     */
    char delimiter; /* ',' ';' '\t'; ' ' = runs of blanks; 0 = to be found */
    char decimal;   /* '.' or ','; 0 = to be found */
    sm_layout_column *columns;
    size_t n_columns;
    bool has_header;
    long header_line;   /* of the names */
    size_t data_offset; /* [bytes] of the first data row in the text */
    long data_line;
    double rate_hz; /* said in a comment or preamble; 0 = nothing said */
    long rate_line;
    long n_lost; /* rows that the preamble says were lost; n_overflows: events that lost some */
    long n_overflows;
    long lost_line; /* 0 = it says nothing, or none */
} sm_layout;

/*
 * text is the beginning of the log, whole lines. delimiter and decimal in *out, when not 0, and a
 * JSON form are taken as said. SM_OK; SM_E_FORMAT (binary, nothing that looks like a row of
 * numbers); SM_E_SHORT (empty); SM_E_NOMEM.
 */
SM_NODISCARD sm_status sm_layout_find(const char *text, size_t n, const char *source,
                                      sm_layout *out, sm_error *err);
void sm_layout_free(sm_layout *l);

/* One cell of a line: trimmed, quotes removed (doubled quotes inside stay). */
typedef struct sm_cell {
    const char *s;
    size_t n;
} sm_cell;

/*
 * Takes the next cell of the line [*p, end) and moves *p behind its delimiter. false: no cell left.
 * *p becomes NULL after the last cell.
 */
bool sm_layout_cell(const char **p, const char *end, char delimiter, sm_cell *out);

/*
 * The whole cell as one number: what sm_number_parse() takes, and what spreadsheets and old
 * programs make of it: no-break blanks around it, marks between thousands ("1 234,5", "1'234.5",
 * "1,234.5" where a point follows), the exponent D.
 */
bool sm_layout_number(const char *s, size_t n, char decimal, double *v);
/* The same, perhaps with a unit behind it ("0.5 g", "1800 rpm"): *unit, else NULL. */
bool sm_layout_number_unit(const char *s, size_t n, char decimal, double *v, const sm_unit **unit);
/* Bytes of the blank that is no ASCII blank (no-break, thin, ...) or the BOM at s; 0 = none. */
size_t sm_layout_odd_blank(const char *s, const char *end);

/* Seconds since 1970 (or since midnight) of a date-and-time text; false when it is none. */
bool sm_layout_date(const char *s, size_t n, double *seconds);

/* The rate that a line speaks of ("Rate 1000", "data_rate = 1000 Hz") [Hz]; 0 = none. */
double sm_layout_rate(const char *line, const char *end);

/*
 * What a line of words says was lost ("overflows 3", "Skipped samples: 12"); -1 = it says nothing
 * of the kind. *rows: it counts rows, else events each of which may have lost many.
 */
long sm_layout_lost(const char *line, const char *end, bool *rows);

/* Is this a comment line ("#", "//", "%", ";" behind blanks)? Returns where its text begins. */
const char *sm_layout_comment(const char *line, const char *end, char delimiter);

#endif
