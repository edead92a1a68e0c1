/* One log file as rows of SI values with raw stamps: the end of stage 1. */
#ifndef SM_INGEST_RAW_H
#define SM_INGEST_RAW_H

#include "ingest/columns.h"
#include "ingest/input.h"
#include "stillmount/block.h"
#include "stillmount/file.h"

/* Rows as they stand in the log. */
typedef struct sm_rows {
    size_t n; /* <= SM_BLOCK_ROWS; 0 = end of the log */
    size_t n_channels;
    double *x[SM_MAX_CHANNELS]; /* [SI] NaN = empty or unreadable */
    double *stamp;              /* [s] from the first row's stamp; NaN = unreadable */
    long *line;
    double *memory;
    double stamp0; /* raw stamp of the log's first row; NaN = none yet */
    bool whole;    /* all raw stamps up to here are whole numbers */
} sm_rows;

SM_NODISCARD sm_status sm_rows_open(sm_rows *rows, size_t n_channels);
void sm_rows_close(sm_rows *rows);

typedef struct sm_raw_info {
    sm_columns columns;
    bool exact_clock;       /* no stamps: rows are counted, or the container knows its rate */
    double rate_hz;         /* declared by the channels file, a comment or a container; 0 = none */
    const char *rate_from;  /* "channels file", "line 4 of the log", ...; "" */
    double nominal_rate_hz; /* 0 = none */
    double stamp_to_s;      /* seconds per unit of the raw stamp */
    bool stamp_is_integer;  /* so far: whole numbers */
} sm_raw_info;

/* What went wrong in cells, counted while reading. */
typedef struct sm_raw_counts {
    uint64_t n_rows;
    long n_bad_cells; /* text where a number was expected */
    long bad_line;
    long n_empty_cells;
    long n_junk_lines; /* lines without a single number, in the middle */
    long junk_line;
    long n_bad_stamps;
    long n_lost;      /* rows that the log itself says were lost */
    long n_overflows; /* events that lost some, by its own count */
    long lost_line;
    bool cut_short; /* last line incomplete and dropped, or a container that breaks off */
    long last_line;
} sm_raw_counts;

typedef struct sm_raw sm_raw;

SM_NODISCARD sm_status sm_raw_open(const char *path, const char *channels_path, sm_hashing hashing,
                                   sm_raw **out, sm_error *err);
/*
 * The same for a template: what is not known of the columns becomes the unit "?" or a rate of 0.
 * Its rows must not be read.
 */
SM_NODISCARD sm_status sm_raw_open_template(const char *path, const char *channels_path,
                                            sm_raw **out, sm_error *err);
const sm_raw_info *sm_raw_info_get(const sm_raw *r);
const sm_raw_counts *sm_raw_counts_get(const sm_raw *r);
const char *sm_raw_path(const sm_raw *r);
/*
 * From the next call of sm_raw_next on a thread of its own parses ahead, until the log ends or is
 * rewound. A text file only; without it nothing changes but the time it takes.
 */
void sm_raw_read_ahead(sm_raw *r);
/* Fills rows (opened with the right number of channels) from the next rows of the log. */
SM_NODISCARD sm_status sm_raw_next(sm_raw *r, sm_rows *rows, sm_error *err);
SM_NODISCARD sm_status sm_raw_rewind(sm_raw *r, sm_error *err);
/* Could the whole log be read now and once more later? Not a pipe. */
bool sm_raw_can_rewind_whole(const sm_raw *r);
/* First raw stamp in its own unit; 0 without stamps. */
double sm_raw_stamp0(const sm_raw *r);
/* The matrix that turns a place's triads, when it is more than a change of axes. */
bool sm_raw_turn(const sm_raw *r, const char *place, double m[3][3]);
SM_NODISCARD sm_status sm_raw_identity(sm_raw *r, sm_file_identity *out, sm_error *err);
void sm_raw_close(sm_raw **r);

/* Is this the beginning of an audio container? */
bool sm_audio_is(const char *data, size_t n);

/* An audio container as rows. */
typedef struct sm_audio sm_audio;
SM_NODISCARD sm_status sm_audio_open(sm_input *in, const sm_channels_file *f, sm_raw_info *info,
                                     sm_audio **out, sm_error *err);
/* cut_short: it breaks off behind these rows; an error only when there was not one. */
SM_NODISCARD sm_status sm_audio_next(sm_audio *a, const sm_raw_info *info, sm_rows *rows,
                                     bool *cut_short, sm_error *err);
SM_NODISCARD sm_status sm_audio_rewind(sm_audio *a, sm_error *err);
void sm_audio_close(sm_audio **a);

#endif
