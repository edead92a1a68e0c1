/* Small shared arithmetic. */
#ifndef SM_CORE_UTIL_H
#define SM_CORE_UTIL_H

#include <stddef.h>

#define SM_PI 3.14159265358979323846

static inline double sm_max(double a, double b)
{
    return a > b ? a : b;
}

static inline double sm_min(double a, double b)
{
    return a < b ? a : b;
}

#endif
