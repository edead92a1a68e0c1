/* Second-order sections by the bilinear transform, exact at their own frequency. */
#ifndef SM_SIMULATE_FILTER_H
#define SM_SIMULATE_FILTER_H

#include "stillmount/simulate.h"

#include <complex.h>
#include <math.h>
#include <string.h>

/* y = b0 x + b1 x' + b2 x'' - a1 y' - a2 y'' */
typedef struct sm_section {
    double b0;
    double b1;
    double b2;
    double a1;
    double a2;
} sm_section;

enum { SM_SECTION_LOWPASS = 0, SM_SECTION_BASE, SM_SECTION_FORCE, SM_SECTION_HIGHPASS };

/* kind SM_SECTION_...: hz its natural frequency, damping its damping ratio. */
sm_section sm_section_make(int kind, double hz, double damping, double rate_hz);
double complex sm_section_response(const sm_section *s, double hz, double rate_hz);

/* exp(i angle) */
static inline double complex sm_unit_phasor(double angle)
{
    double parts[2] = {cos(angle), sin(angle)};
    double complex z; /* not CMPLX: glibc keeps it from clang */
    memcpy(&z, parts, sizeof z);
    return z;
}

static inline double sm_section_step(const sm_section *s, double z[2], double x)
{
    double y = s->b0 * x + z[0];
    z[0] = s->b1 * x - s->a1 * y + z[1];
    z[1] = s->b2 * x - s->a2 * y;
    return y;
}

static inline double complex sm_section_step_complex(const sm_section *s, double complex z[2],
                                                     double complex x)
{
    double complex y = s->b0 * x + z[0];
    z[0] = s->b1 * x - s->a1 * y + z[1];
    z[1] = s->b2 * x - s->a2 * y;
    return y;
}

#endif
