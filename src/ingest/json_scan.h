/* One pass over a JSON object: where its arrays are, how long they are, what stands beside them. */
#ifndef SM_INGEST_JSON_SCAN_H
#define SM_INGEST_JSON_SCAN_H

#include "stillmount/status.h"

#include <stdbool.h>
#include <stdint.h>

enum { SM_JSON_CELL_BYTES = 256, SM_JSON_SAID_MOST = 64 };

/* Bytes of the file one after the other. */
typedef struct sm_json_reader {
    int fd;
    char *buf;
    size_t capacity;
    size_t n;
    size_t i;
    uint64_t at; /* of buf[0] */
    long line;
    int failed; /* errno */
} sm_json_reader;

typedef enum sm_json_kind {
    SM_JSON_VALUES,
    SM_JSON_KEYED,
    SM_JSON_GROUPS,
    SM_JSON_ROWS
} sm_json_kind;

/* An array, or an object of numbered values, that may be a column. */
typedef struct sm_json_array {
    char name[96];
    sm_json_kind kind;
    uint64_t from; /* behind its bracket */
    uint64_t to;   /* behind its closing bracket */
    uint64_t n;
    size_t width; /* of SM_JSON_GROUPS: values in the first */
    bool words;   /* the first value is a text */
    long line;
} sm_json_array;

/* A single value beside the arrays. */
typedef struct sm_json_said {
    char name[96];
    char text[48];
} sm_json_said;

typedef struct sm_json_scan {
    sm_json_reader in;
    const char *path;
    sm_error *err;
    sm_json_array *arrays;
    size_t n_arrays;
    sm_json_said *said;
    size_t n_said;
    char name[96]; /* of what is looked at */
    int depth;
} sm_json_scan;

bool sm_json_open_reader(sm_json_reader *r, int fd, size_t capacity);
bool sm_json_fill(sm_json_reader *r); /* false: at its end, or it failed */
int sm_json_peek(sm_json_reader *r);  /* -1: the same */
int sm_json_take(sm_json_reader *r);
int sm_json_peek_solid(sm_json_reader *r); /* behind blanks and line ends */
uint64_t sm_json_place(const sm_json_reader *r);
void sm_json_seek(sm_json_reader *r, uint64_t to);
/* A text with its quotes, or anything else up to a mark; what is longer than out is lost. */
bool sm_json_take_scalar(sm_json_reader *r, char *out, size_t capacity, size_t *n_out);
/* Passes over an array's or object's rest, of which `open` brackets are open. */
bool sm_json_pass_nested(sm_json_reader *r, int open);

/* The arrays below the value that follows, at most SM_MAX_COLUMNS; SM_E_FORMAT: broken. */
SM_NODISCARD sm_status sm_json_scan_value(sm_json_scan *s);

#endif
