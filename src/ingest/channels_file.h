/* Channels file: what a person says about the columns of a log. */
#ifndef SM_INGEST_CHANNELS_FILE_H
#define SM_INGEST_CHANNELS_FILE_H

#include "ingest/names.h"
#include "stillmount/file.h"
#include "stillmount/ini.h"

typedef struct sm_channels_file {
    bool given;
    sm_ini ini;
    double rate_hz; /* [log]; 0 = not said */
    double nominal_rate_hz;
    double bandwidth_hz;
    char delimiter; /* 0 = not said */
    char decimal;
    bool filling; /* a template is wanted: what is not known becomes "?" instead of an error */
} sm_channels_file;

/* The unit that a template asks for: its name is "?", which no reader takes. */
const sm_unit *sm_channels_file_unknown(sm_quantity q);

/* path NULL: an empty one. SM_OK, SM_E_IO, SM_E_FORMAT, SM_E_VALUE, SM_E_NOMEM. */
SM_NODISCARD sm_status sm_channels_file_read(const char *path, sm_channels_file *out,
                                             sm_error *err);
void sm_channels_file_free(sm_channels_file *f);

/* The section of a column, by its name, else by its number counted from 1; NULL when none. */
const sm_ini_section *sm_channels_file_column(const sm_channels_file *f, const char *name,
                                              size_t number);
/* Is any column spoken of by its number? */
bool sm_channels_file_by_number(const sm_channels_file *f);
/* Every [column ...] must be a name of the log (in names) or a number up to n. */
SM_NODISCARD sm_status sm_channels_file_check(const sm_channels_file *f, const char *const *names,
                                              size_t n, const char *log, sm_error *err);

/*
 * Applies a section: role and unit into g, the rest into ch (gain and offset once the unit is
 * known). s may be NULL. SM_OK, SM_E_FORMAT, SM_E_VALUE.
 */
SM_NODISCARD sm_status sm_channels_file_guess(const sm_channels_file *f, const sm_ini_section *s,
                                              sm_guess *g, sm_error *err);
SM_NODISCARD sm_status sm_channels_file_channel(const sm_channels_file *f, const sm_ini_section *s,
                                                sm_channel *ch, sm_error *err);

/*
 * [orientation PLACE]: aircraft[i] = sum_j m[i][j] sensor[j]. false: none for that place.
 */
bool sm_channels_file_orientation(const sm_channels_file *f, const char *place, double m[3][3]);
/* Does the matrix only swap axes and signs? Then channels are renamed and nothing is computed. */
bool sm_channels_file_swaps(double m[3][3]);

#endif
