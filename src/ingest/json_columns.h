/*
 * One JSON object that holds a whole log: an array per column ({"t": [...], "ax": [...]}), such
 * arrays in objects, or an array of rows beside other things. It is read out as a text log with one
 * row per line, or as the bare array of rows, so that nobody else has to know.
 */
#ifndef SM_INGEST_JSON_COLUMNS_H
#define SM_INGEST_JSON_COLUMNS_H

#include "stillmount/status.h"

#include <stdbool.h>
#include <stdint.h>
#include <sys/types.h>

typedef struct sm_json_columns sm_json_columns;

/*
 * fd is read by place, so that others may read it, too; it stays the caller's. Goes through the
 * whole file. SM_E_FORMAT: no such object, columns of different lengths, or it breaks off.
 */
SM_NODISCARD sm_status sm_json_columns_open(int fd, const char *path, sm_json_columns **out,
                                            sm_error *err);
void sm_json_columns_close(sm_json_columns **j);
/* The next bytes of the text; 0 = its end; -1 = errno says why. */
ssize_t sm_json_columns_read(sm_json_columns *j, char *out, size_t room);
void sm_json_columns_restart(sm_json_columns *j);
/* The farthest place in the file that was needed so far; at the end of the text its size. */
uint64_t sm_json_columns_at(const sm_json_columns *j);

#endif
