/*
 * Rows of blocks: a time, then for each sensor that has news its number and three values. Common
 * practice of phone loggers: 3 is the accelerometer, 4 the gyro, 5 the magnetometer.
 */
#ifndef SM_INGEST_BLOCKS_H
#define SM_INGEST_BLOCKS_H

#include "stillmount/number.h"

#include <stdbool.h>

enum { SM_MAX_BLOCKS = 8, SM_BLOCK_VALUES = 3 };

typedef struct sm_blocks {
    size_t n; /* 0 = not such a log */
    int number[SM_MAX_BLOCKS];
} sm_blocks;

/* Adds what the cells of one row say; false: the row does not have this form. */
bool sm_blocks_add(sm_blocks *b, const char *row, const char *end, char delimiter);
/* Place of a number among those seen; b->n when it was not. */
size_t sm_blocks_of(const sm_blocks *b, double number);
/* "accelerometer x", "block 7 y". */
void sm_blocks_name(const sm_blocks *b, size_t i_block, size_t i_value, char *out, size_t capacity);

#endif
