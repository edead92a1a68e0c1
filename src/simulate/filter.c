/* Second-order sections: modes, attachments, sensor filters. */
#include "simulate/filter.h"

#include "core/util.h"

#include <math.h>

/*
 * H(s) = (n2 s^2 + n1 s + n0) / (s^2 + 2 d w s + w^2) with s = c (1 - 1/z) / (1 + 1/z) and
 * c = w / tan(w / (2 rate)), which maps w onto itself.
 */
sm_section sm_section_make(int kind, double hz, double damping, double rate_hz)
{
    double w = 2 * SM_PI * hz;
    double c = w / tan(w / (2 * rate_hz));
    double n2 = kind == SM_SECTION_FORCE || kind == SM_SECTION_HIGHPASS ? 1 : 0;
    double n1 = kind == SM_SECTION_BASE ? 2 * damping * w : 0;
    double n0 = kind == SM_SECTION_LOWPASS || kind == SM_SECTION_BASE ? w * w : 0;
    double a0 = c * c + 2 * damping * w * c + w * w;
    return (sm_section){
        .b0 = (n2 * c * c + n1 * c + n0) / a0,
        .b1 = 2 * (n0 - n2 * c * c) / a0,
        .b2 = (n2 * c * c - n1 * c + n0) / a0,
        .a1 = 2 * (w * w - c * c) / a0,
        .a2 = (c * c - 2 * damping * w * c + w * w) / a0,
    };
}

double complex sm_section_response(const sm_section *s, double hz, double rate_hz)
{
    double complex z1 = sm_unit_phasor(-2 * SM_PI * hz / rate_hz);
    return (s->b0 + z1 * (s->b1 + z1 * s->b2)) / (1 + z1 * (s->a1 + z1 * s->a2));
}
