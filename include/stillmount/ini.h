/*
 * INI files: powertrain, budget, channels, run, scenario, criteria, job. "key = value" only; '#' or
 * ';' at line start or after a blank starts a comment; no continuation; keys lower case; a repeated
 * key or section is an error. Every entry remembers its line, so that errors can name it.
 */
#ifndef STILLMOUNT_INI_H
#define STILLMOUNT_INI_H

#include "stillmount/number.h"
#include "stillmount/status.h"

typedef struct sm_ini_entry {
    char *key;
    char *value; /* blanks trimmed, comment removed; "" allowed */
    long line;
} sm_ini_entry;

typedef struct sm_ini_section {
    char *name; /* as written between the brackets, trimmed: "limit shake" */
    long line;
    sm_ini_entry *entries;
    size_t n_entries;
} sm_ini_section;

typedef struct sm_ini {
    char *source; /* file name as given */
    sm_ini_section *sections;
    size_t n_sections;
} sm_ini;

/** Reads a file. SM_OK; SM_E_IO; SM_E_FORMAT (line in err); SM_E_NOMEM. */
SM_API SM_NODISCARD sm_status sm_ini_read(const char *path, sm_ini *out, sm_error *err);
/** Parses n bytes of text; source names it in messages. Same statuses, no SM_E_IO. */
SM_API SM_NODISCARD sm_status sm_ini_parse(const char *text, size_t n, const char *source,
                                           sm_ini *out, sm_error *err);
SM_API void sm_ini_free(sm_ini *ini);

/** The section of that exact name, or NULL. */
SM_API const sm_ini_section *sm_ini_section_find(const sm_ini *ini, const char *name);
/** The entry of that key, or NULL. section may be NULL. */
SM_API const sm_ini_entry *sm_ini_find(const sm_ini_section *section, const char *key);
/** For "limit shake" and kind "limit": points at "shake"; NULL when the section is another kind. */
SM_API const char *sm_ini_section_label(const sm_ini_section *section, const char *kind);

/**
 * Every key of the section must be one of the n known ones: else SM_E_FORMAT with the line and the
 * nearest known name.
 */
SM_API SM_NODISCARD sm_status sm_ini_check_keys(const sm_ini *ini, const sm_ini_section *section,
                                                const char *const *known, size_t n, sm_error *err);
/**
 * Every section must be one of the n known ones; a known name that ends in a blank ("limit ")
 * stands for a labelled kind.
 */
SM_API SM_NODISCARD sm_status sm_ini_check_sections(const sm_ini *ini, const char *const *known,
                                                    size_t n, sm_error *err);

/**
 * Optional values: absent leaves *out alone and is SM_OK; present but unreadable or outside
 * [lo, hi] is SM_E_VALUE with the line. section may be NULL (all absent).
 */
SM_API SM_NODISCARD sm_status sm_ini_get_number(const sm_ini *ini, const sm_ini_section *section,
                                                const char *key, double lo, double hi, double *out,
                                                sm_error *err);
SM_API SM_NODISCARD sm_status sm_ini_get_integer(const sm_ini *ini, const sm_ini_section *section,
                                                 const char *key, long lo, long hi, long *out,
                                                 sm_error *err);
/** yes/no, true/false, on/off, 1/0. */
SM_API SM_NODISCARD sm_status sm_ini_get_bool(const sm_ini *ini, const sm_ini_section *section,
                                              const char *key, bool *out, sm_error *err);
SM_API SM_NODISCARD sm_status sm_ini_get_ratio(const sm_ini *ini, const sm_ini_section *section,
                                               const char *key, sm_ratio *out, sm_error *err);
/** "lo-hi", both numbers, lo < hi. */
SM_API SM_NODISCARD sm_status sm_ini_get_range(const sm_ini *ini, const sm_ini_section *section,
                                               const char *key, double *lo, double *hi,
                                               sm_error *err);
/** One of the n choices; *out gets its index. */
SM_API SM_NODISCARD sm_status sm_ini_get_choice(const sm_ini *ini, const sm_ini_section *section,
                                                const char *key, const char *const *choices,
                                                size_t n, size_t *out, sm_error *err);

#endif
