/* A file of pulse times: one more channel, which holds at every row the time of the last pulse. */
#ifndef SM_TIMEBASE_PULSES_H
#define SM_TIMEBASE_PULSES_H

#include "stillmount/block.h"
#include "stillmount/file.h"

typedef struct sm_pulses {
    double *t_s; /* (n) rising, on the file's own clock */
    size_t n;
    sm_channel channel;
    sm_file_identity identity;
} sm_pulses;

/* Does the channels file give some column role = tach with a unit of time? SM_OK; what reading it
 * returns. path NULL: no. */
SM_NODISCARD sm_status sm_pulses_is(const char *channels_path, bool *out, sm_error *err);
/* Delimited text, a time a line in that column; other columns are left alone. SM_OK; SM_E_IO;
 * SM_E_FORMAT (no such column, a line that goes back); SM_E_SHORT (fewer than 4); SM_E_NOMEM */
SM_NODISCARD sm_status sm_pulses_read(const char *path, const char *channels_path, sm_pulses *out,
                                      sm_error *err);
void sm_pulses_free(sm_pulses *p);

/* A filter that adds the channel as the last one. add_s: to the times, to get the run's. */
typedef struct sm_pulse_filter {
    const sm_pulses *pulses;
    double add_s;
    sm_sink next;
    size_t i; /* pulses up to the row */
    const double *x[SM_MAX_CHANNELS];
    double row[SM_BLOCK_ROWS];
} sm_pulse_filter;

sm_sink sm_pulse_filter_sink(sm_pulse_filter *f);

#endif
