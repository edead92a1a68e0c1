/* The smallest margin of each limit and channel, searched for once and written into the document.
 */
#ifndef BUDGET_MARGINS_H
#define BUDGET_MARGINS_H

#include "stillmount/json.h"

/* A margin of each result, [dB], and what its smallest is called: NAME_db, at NAME_rpm. */
typedef struct sm_margin_kind {
    const char *key;
    const char *name;
} sm_margin_kind;

enum { SM_MARGIN_KINDS = 4 };

/**
 * Writes `margins` into the top of a document that has bands, one entry for each limit and channel
 * in the order of the results.
 * list      in  what the bands call their results
 * kinds     in  (n, SM_MARGIN_KINDS at most)
 * Where a kind has no number NAME_db is null and NAME_rpm [null, null]. Left out is what has no
 * limit to keep, and with `all` what lacks any of the kinds.
 */
void sm_margins_write(sm_json_doc *doc, const char *list, const sm_margin_kind *kinds, size_t n,
                      bool all);

#endif
