/* Columns of a block side by side. */
#ifndef SM_CORE_COLUMN_H
#define SM_CORE_COLUMN_H

#include "stillmount/block.h"

/*
 * From one column of a block to the next, in values. Five cache lines more than the rows need:
 * where columns are a power of two apart, the same row of all of them competes for one set of the
 * first cache.
 */
enum { SM_COLUMN_STEP = SM_BLOCK_ROWS + 40 };

#endif
