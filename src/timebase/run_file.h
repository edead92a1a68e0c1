/* A run file: several logs with clocks of their own become one source. */
#ifndef SM_TIMEBASE_RUN_FILE_H
#define SM_TIMEBASE_RUN_FILE_H

#include "timebase/source_parts.h"

/* Is the first line that says anything "[run]"? A pipe never is. SM_OK or SM_E_IO. */
SM_NODISCARD sm_status sm_run_file_is(const char *path, bool *out, sm_error *err);

/*
 * Opens its files as feeds of s and puts them on the first file's clock: by offset_s, or by the
 * vibration that both saw. SM_OK; SM_E_IO; SM_E_FORMAT; SM_E_VALUE (no common vibration);
 * SM_E_NOMEM
 */
SM_NODISCARD sm_status sm_run_file_open(sm_source *s, const char *path, const sm_source_options *o,
                                        sm_error *err);

/*
 * Lag of the loudness of b against a: add *lag_s to b's times (from its first row) to get a's (from
 * its first row). false: no lag stands out.
 */
SM_NODISCARD sm_status sm_align(sm_feed *a, sm_feed *b, double *lag_s, bool *found, sm_error *err);

#endif
