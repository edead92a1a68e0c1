/* See the header. */
#include "ingest/blocks.h"

#include "ingest/layout.h"

#include <stdio.h>
#include <string.h>

enum { NUMBER_MOST = 99, ACCELEROMETER = 3 };

static bool whole_number(sm_cell c, int *out)
{
    *out = 0;
    for (size_t i = 0; i < c.n; i++) {
        if (c.s[i] < '0' || c.s[i] > '9' || i == 2) {
            return false;
        }
        *out = 10 * *out + (c.s[i] - '0');
    }
    return c.n > 0 && *out > 0 && *out <= NUMBER_MOST;
}

static bool has_point(sm_cell c)
{
    return c.n && memchr(c.s, '.', c.n) != NULL;
}

size_t sm_blocks_of(const sm_blocks *b, double number)
{
    size_t i = 0;
    while (i < b->n && (double)b->number[i] != number) {
        i++;
    }
    return i;
}

static bool add_number(sm_blocks *b, int number)
{
    if (sm_blocks_of(b, number) < b->n) {
        return true;
    }
    if (b->n == SM_MAX_BLOCKS) {
        return false;
    }
    b->number[b->n++] = number;
    return true;
}

bool sm_blocks_add(sm_blocks *b, const char *row, const char *end, char delimiter)
{
    sm_cell c;
    const char *p = row;
    int before = 0;
    size_t n = 0;
    if (!sm_layout_cell(&p, end, delimiter, &c) || !has_point(c)) {
        return false;
    }
    while (sm_layout_cell(&p, end, delimiter, &c)) {
        int number;
        if (!whole_number(c, &number) || number <= before || !add_number(b, number)) {
            return false;
        }
        n += number == ACCELEROMETER;
        before = number;
        for (int k = 0; k < SM_BLOCK_VALUES; k++) {
            if (!sm_layout_cell(&p, end, delimiter, &c) || !has_point(c)) {
                return false;
            }
        }
    }
    return before > 0 && n <= 1;
}

void sm_blocks_name(const sm_blocks *b, size_t i_block, size_t i_value, char *out, size_t capacity)
{
    static const char *const names[] = {"accelerometer", "gyroscope", "magnetometer"};
    int number = b->number[i_block];
    if (number >= ACCELEROMETER && number < ACCELEROMETER + 3) {
        (void)snprintf(out, capacity, "%s %c", names[number - ACCELEROMETER],
                       "xyz"[i_value % SM_BLOCK_VALUES]);
    } else {
        (void)snprintf(out, capacity, "block %d %c", number, "xyz"[i_value % SM_BLOCK_VALUES]);
    }
}
