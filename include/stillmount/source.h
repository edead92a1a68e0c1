/*
 * Stages 1 and 2, ingest and time base: a log file (CSV and kin, an audio container, or a run file
 * that joins several) becomes uniform blocks of SI values.
 */
#ifndef STILLMOUNT_SOURCE_H
#define STILLMOUNT_SOURCE_H

#include "stillmount/block.h"
#include "stillmount/clip.h"
#include "stillmount/file.h"
#include "stillmount/number.h"

typedef struct sm_source sm_source;

typedef struct sm_source_options {
    const char *channels_path; /* channels file; NULL = none */
    bool hash;                 /* compute SHA-256 of the inputs while reading (default true) */
    int threads;         /* 3 or more: a text file is parsed by a thread of its own (default 1) */
    bool identify_later; /* the pump does not wait for the hashes, sm_source_identify() does */
} sm_source_options;

/* What the look-ahead (at most 2 s or 4096 rows) understood. Valid until the source is closed. */
typedef struct sm_source_info {
    const sm_channel *channels; /* [n_channels] in the order of sm_block.x: vibration, tach, rpm;
                                   time and ignored columns are not among them */
    size_t n_channels;
    double rate_hz;      /* of the blocks that will be sent */
    const char *decided; /* lines of text: what was decided about header, units, time; never NULL */
    const char *name;    /* of the run: [run] name, else the file's name; harmless to print */
    const char *note;    /* [run] note or "" */
    const char *rpm_notes;      /* [run] rpm_notes or "" */
    const char *rpm_notes_file; /* where they stand, for complaints; "" = nowhere */
    long rpm_notes_line;
} sm_source_info;

/* After the pump. */
typedef struct sm_source_totals {
    double seconds;  /* from the first to the last row, gaps included */
    uint64_t n_rows; /* rows read */
    double measured_rate_hz;
    double median_rate_hz;
    double mean_rate_hz;           /* rows / seconds: lower than the median where rows were lost */
    const sm_file_identity *files; /* [n_files] zero until the inputs are identified */
    size_t n_files;
} sm_source_totals;

SM_API sm_source_options sm_source_options_default(void);

/**
 * Opens a log and looks at its beginning. path "-" = standard input. A file whose first section is
 * [run] is a run file.
 *
 * Returns SM_OK; SM_E_IO; SM_E_FORMAT (what, where, and the line to write in a channels file);
 *         SM_E_VALUE; SM_E_SHORT (no rows); SM_E_NOMEM
 */
SM_API SM_NODISCARD sm_status sm_source_open(const char *path, const sm_source_options *opt,
                                             sm_source **out, sm_error *err);
SM_API const sm_source_info *sm_source_info_get(const sm_source *s);

/**
 * Reads the whole log once, sending uniform blocks, SM_MARK_GAP at every gap and SM_MARK_END at the
 * end (also of an empty rest). Findings about the log (gap, jitter, clipped at range, stuck, ...)
 * are added to findings. Memory does not grow with the length of the log. May be called again when
 * the input is a file (it reopens it); findings are then not added twice when findings is NULL.
 *
 * Returns what the sink returned, or SM_E_IO, SM_E_FORMAT, SM_E_NOMEM, SM_E_CANCELLED
 */
SM_API SM_NODISCARD sm_status sm_source_pump(sm_source *s, const sm_sink *sink,
                                             sm_findings *findings, sm_error *err);
SM_API const sm_source_totals *sm_source_totals_get(const sm_source *s);
/**
 * After a pump: waits until the inputs are hashed and puts them into the totals, which the pump
 * does itself unless it was told to leave that for later. Nothing is done twice.
 *
 * Returns SM_OK; SM_E_IO; SM_E_NOMEM
 */
SM_API SM_NODISCARD sm_status sm_source_identify(sm_source *s, sm_error *err);
/**
 * Levels at which the samples of a channel (index as in the blocks) count as clipped. NULL before
 * the first pump is over. Gather the largest and smallest sample of a cell, and ask sm_clip_is().
 */
SM_API const sm_clip_levels *sm_source_clip_levels(const sm_source *s, size_t i_channel);
/**
 * Appends the channels file that says what was inferred, every column of every file that is used;
 * read back it gives the same channels. Out of memory is remembered by the text.
 */
SM_API void sm_source_explain(const sm_source *s, sm_text *out);
/**
 * The same for a log that cannot be opened yet, because a unit or the rate is written nowhere: what
 * is missing stands there as "?", and columns that nothing is known of stand behind #. One log, no
 * run file. Returns SM_OK; SM_E_IO; SM_E_FORMAT (no table of numbers at all); SM_E_VALUE;
 * SM_E_NOMEM
 */
SM_API SM_NODISCARD sm_status sm_source_template(const char *path, const char *channels_path,
                                                 sm_text *out, sm_error *err);
SM_API void sm_source_close(sm_source **s);

#endif
