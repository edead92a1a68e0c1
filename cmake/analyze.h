/*
 * Only for static analysis (scripts/check includes it ahead of every file): an analyzer that looks
 * at one file at a time does not know that sm_error_set() returns the code it was given.
 */
#include "stillmount/status.h"

#define sm_error_set(err, code, ...)                                                               \
    ((void)(sm_error_set)((err), (code), __VA_ARGS__), (sm_status)(code))
