/* Building blocks of the HTML pages. */
#ifndef SM_REPORT_PAGE_H
#define SM_REPORT_PAGE_H

#include "report/record.h"
#include "stillmount/report.h"
#include "stillmount/words.h"

typedef struct sm_page {
    sm_text *out;
    const sm_json *root;
    const sm_report_options *opt;
    const sm_pictures *pictures; /* may be NULL */
} sm_page;

/* Markup of ours, as it stands. */
void sm_page_raw(sm_page *g, const char *markup);
/* Text of any origin, escaped. */
void sm_page_text(sm_page *g, const char *s);
void sm_page_textf(sm_page *g, const char *fmt, ...) SM_PRINTF(2, 3);
/* A number with that many significant digits; a dash when there is none. */
void sm_page_number(sm_page *g, double v, int digits);

/* A section with heading; ids are ours. Close with sm_page_raw(g, "</section>\n"). */
void sm_page_section(sm_page *g, const char *id, const char *heading);
void sm_page_paragraph(sm_page *g, const char *fmt, ...) SM_PRINTF(2, 3);

/* One line of the first screen: every line in the same size of type. */
void sm_page_first(sm_page *g, const char *label, const char *fmt, ...) SM_PRINTF(3, 4);

/* A table of an array of objects, one row each. */
typedef enum sm_column_kind {
    SM_COLUMN_TEXT = 0,
    SM_COLUMN_NUMBER,
    SM_COLUMN_VALUE,    /* of a result: up to its ceiling when it is not above the noise */
    SM_COLUMN_SIGNED,   /* with its sign: dB */
    SM_COLUMN_RANGE,    /* [lo, hi] */
    SM_COLUMN_NUMBERS,  /* array of numbers, separated by blanks */
    SM_COLUMN_VERDICT,  /* sign and word */
    SM_COLUMN_REASONS,  /* array of {code, text} or of texts */
    SM_COLUMN_MEASURE,  /* what a result measured */
    SM_COLUMN_YES,      /* true, false, null */
    SM_COLUMN_INTERVAL, /* [lo, hi] of that key under `intervals` */
    SM_COLUMN_STILL,    /* of a stretch: a turn is no hold */
} sm_column_kind;

typedef struct sm_column {
    const char *heading; /* with the unit */
    const char *key;
    sm_column_kind kind;
    int digits;
} sm_column;

void sm_page_table_open(sm_page *g, const char *caption, const sm_column *columns, size_t n);
void sm_page_row(sm_page *g, const sm_json *item, const sm_column *columns, size_t n);
void sm_page_table_close(sm_page *g);
/* The same in one call; nothing when the array is empty. */
void sm_page_table(sm_page *g, const char *caption, const sm_json *array, const sm_column *columns,
                   size_t n);
/* One cell of a kind. */
void sm_page_cell(sm_page *g, const sm_json *item, const sm_column *column);

void sm_page_verdict(sm_page *g, const char *verdict);
/* The picture of that name; nothing when it is not there. */
void sm_page_picture(sm_page *g, const char *name);
/* All pictures whose name starts so. */
void sm_page_pictures(sm_page *g, const char *start);

/* First screen: question and the list that follows; "" without a verdict. */
void sm_page_open(sm_page *g, const char *question, const char *verdict);
void sm_page_first_verdict(sm_page *g, const char *verdict, const char *sentence);
/* Covered: of the bands whose `list` ("" = none) holds an answer. */
void sm_page_bands_line(sm_page *g, const char *list);
void sm_page_not_covered(sm_page *g, const char *fallback);
/* Findings, cautions, settings, inputs. */
void sm_page_tail(sm_page *g, bool weights);

/* Shared sections. */
void sm_page_reasons(sm_page *g, const sm_json *reasons);
void sm_page_findings(sm_page *g);
void sm_page_inputs(sm_page *g);
void sm_page_cautions(sm_page *g, bool propeller_weights);
void sm_page_sign_off(sm_page *g);
void sm_page_logbook(sm_page *g, const char *text);
void sm_page_settings(sm_page *g);

/* The pages: first screen and body. */
void sm_page_assessment(sm_page *g);
void sm_page_comparison(sm_page *g);
void sm_page_across(sm_page *g);
void sm_page_ranking(sm_page *g);
void sm_page_isolator(sm_page *g);
void sm_page_balance(sm_page *g);
void sm_page_drift(sm_page *g);
void sm_page_hold(sm_page *g);
void sm_page_plan(sm_page *g);

/* What a cause means and what to look at next, in the words of the trade; "" when unknown. */
const char *sm_words_cause(const char *kind, const char *label);
const char *sm_words_next(const char *kind, const char *label);

#endif
