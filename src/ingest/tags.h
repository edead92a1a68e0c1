/*
 * Tagged long logs: one row (or JSON object) per sensor sample, a column of words says whose. Each
 * tag gets columns of its own, named "TAG NAME" ("TAG N" without a header), and rows of the other
 * tags leave them empty.
 */
#ifndef SM_INGEST_TAGS_H
#define SM_INGEST_TAGS_H

#include "ingest/layout.h"

enum { SM_MAX_TAGS = 8 };

typedef struct sm_tags {
    size_t n; /* 0 = not such a log */
    size_t column;
    char name[SM_MAX_TAGS][48];
} sm_tags;

/* Looks for a column of a few different words, one of them a sensor's, in the first rows. */
void sm_tags_find(const sm_layout *l, const char *text, size_t n, sm_tags *out);
/* Index of the tag of a row; n when it is none of them. */
size_t sm_tags_of(const sm_tags *tags, const sm_layout *l, const char *row, const char *end);

#endif
