/*
 * Pictures and HTML pages, rendered from the JSON document that is the record of a result. A page
 * made from an archived document is the page that the command itself would have made.
 */
#ifndef STILLMOUNT_REPORT_H
#define STILLMOUNT_REPORT_H

#include "stillmount/json.h"
#include "stillmount/number.h"
#include "stillmount/status.h"

#include <stdbool.h>

typedef struct sm_report_options {
    const char *const *notes; /* "key=value" as typed, for the sign-off block (n_notes) */
    size_t n_notes;
    const char *gnuplot; /* program; NULL = "gnuplot", looked for in PATH */
    double timeout_s;    /* [s] for one picture; then it is given up */
    bool png;            /* PNG beside each SVG */
} sm_report_options;

SM_API sm_report_options sm_report_options_default(void);

/* One picture: what it shows in words, and the drawing. */
typedef struct sm_picture {
    char name[48];   /* of its files, without ending: "margin" */
    char title[200]; /* one line, harmless */
    char *words;     /* what a reader who cannot see it should know; owned */
    char *svg;       /* sanitised, complete; NULL when it was not drawn; owned */
} sm_picture;

typedef struct sm_pictures {
    sm_picture *items;
    size_t n;
    bool drawn;        /* gnuplot ran and drew every one */
    char warning[400]; /* why not, for standard error and the page; "" when drawn */
} sm_pictures;

/**
 * Draws every picture that the document has data for into dir (made when missing): NAME.gp,
 * NAME.dat, NAME.svg and, when asked, NAME.png. Files are made beside and renamed. Text from the
 * document reaches gnuplot only through the data file, with every character that could mean
 * something replaced. gnuplot missing, failing or too slow is no error: .gp and .dat stay,
 * out->warning says so.
 *
 * opt       in   NULL means sm_report_options_default()
 * out       out  owned by the caller on SM_OK, sm_pictures_free(); untouched otherwise
 *
 * Returns  SM_OK; SM_E_IO (dir cannot be made or written); SM_E_NOMEM
 */
SM_API SM_NODISCARD sm_status sm_report_plots(sm_json_doc *doc, const char *dir,
                                              const sm_report_options *opt, sm_pictures *out,
                                              sm_error *err);
SM_API void sm_pictures_free(sm_pictures *pictures);

/**
 * The HTML page of a document: one file, no outside reference, no script. Everything that comes
 * from the document or the notes is escaped.
 *
 * pictures  in   from sm_report_plots(); NULL = none, and the page says so
 * out       out  text is appended; on failure its content is unspecified
 *
 * Returns  SM_OK; SM_E_FORMAT (no schema that a page exists for); SM_E_NOMEM
 */
SM_API SM_NODISCARD sm_status sm_report_html(sm_json_doc *doc, const sm_report_options *opt,
                                             const sm_pictures *pictures, sm_text *out,
                                             sm_error *err);

/**
 * The page written to path, pictures and all: with plots_dir NULL they are drawn in a scratch
 * folder beside the page that is removed again, unless gnuplot did not draw: then the folder stays,
 * named after the page, and warning names it. path NULL: pictures only. On failure path is as it
 * was.
 *
 * warning   out  text of `capacity` bytes for standard error; "" when there is nothing to say
 *
 * Returns  SM_OK; SM_E_IO; SM_E_FORMAT; SM_E_NOMEM
 */
SM_API SM_NODISCARD sm_status sm_report_write(sm_json_doc *doc, const char *path,
                                              const char *plots_dir, const sm_report_options *opt,
                                              char *warning, size_t capacity, sm_error *err);

#endif
