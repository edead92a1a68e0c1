/*
 * Statuses and errors. Every function that can fail returns an sm_status; results come out by
 * pointer and are untouched on anything but SM_OK. Order of arguments everywhere: inputs, options,
 * outputs, sm_error last. Pointers are non-NULL unless the function says otherwise.
 *
 * Conventions of all headers: SI units inside (m/s^2, rad/s, Hz, s), every physical name carries
 * its unit, amplitudes carry _pk, _rms or _pp. A const object may be used by several threads.
 */
#ifndef STILLMOUNT_STATUS_H
#define STILLMOUNT_STATUS_H

#include <stdarg.h>
#include <stddef.h>

#if defined(__GNUC__)
#define SM_API __attribute__((visibility("default")))
#define SM_NODISCARD __attribute__((warn_unused_result))
#define SM_PRINTF(fmt, args) __attribute__((format(printf, fmt, args)))
#else
#define SM_API
#define SM_NODISCARD
#define SM_PRINTF(fmt, args)
#endif

typedef enum sm_status {
    SM_OK = 0,
    SM_E_ARG,       /* the caller broke the contract: NULL, zero length, option out of range */
    SM_E_NOMEM,     /* an allocation failed */
    SM_E_IO,        /* open, read, write or rename failed */
    SM_E_FORMAT,    /* the input cannot be understood: syntax, unknown key, unknown unit */
    SM_E_SHORT,     /* too little data for what was asked */
    SM_E_VALUE,     /* a value that cannot be: NaN, impossible ratio, empty range */
    SM_E_NO_SPEED,  /* shaft speed is needed and cannot be had */
    SM_E_CANCELLED, /* the caller's progress callback said stop */
    SM_STATUS_COUNT
} sm_status;

/* Where and why something failed. Filled by the library, printed by the program. */
typedef struct sm_error {
    sm_status code;
    long line;         /* 1-based line in source, 0 = not about a line */
    char source[256];  /* file name or "" */
    char message[768]; /* what is wrong and what to do next, one line, no trailing newline */
} sm_error;

/** Short name of a status ("out of memory"); "unknown status" outside the enum. Never NULL. */
SM_API const char *sm_status_text(sm_status status);

/**
 * Fills err (which may be NULL) and returns code, so that `return sm_error_set(...)` reads well.
 * source may be NULL. Control characters in source and message become '?'.
 */
SM_API sm_status sm_error_set(sm_error *err, sm_status code, const char *source, long line,
                              const char *fmt, ...) SM_PRINTF(5, 6);

/** Version of the library that is linked, as "1.2.3". */
SM_API const char *sm_version(void);

#endif
