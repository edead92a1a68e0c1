/*
 * What ratio has the gearbox? A propeller's lines lie at 1, B and 2 B turns of a shaft whose speed
 * is a constant times the crank's. With the angle of one shaft known (tach, rpm column) the
 * constant follows to some parts per million; without, speed and ratio are sought together, which
 * is a suggestion at best. Nothing here changes a powertrain: the file does.
 */
#ifndef STILLMOUNT_GEAR_H
#define STILLMOUNT_GEAR_H

#include "stillmount/powertrain.h"

typedef enum sm_gear_basis {
    SM_GEAR_NONE = 0,   /* nothing could be told; the reason says why */
    SM_GEAR_MEASURED,   /* against the angle of a shaft */
    SM_GEAR_SUGGESTION, /* speed and ratio from the vibration alone: to be confirmed */
} sm_gear_basis;

/** "none", "measured", "suggestion": the JSON's words. */
SM_API const char *sm_gear_basis_text(sm_gear_basis b);

typedef struct sm_gear_result {
    sm_gear_basis basis;
    double ratio;       /* crank revolutions per propeller revolution; NaN = none */
    double uncertainty; /* standard deviation of it, from the scatter between parts of the run */
    long teeth_num;     /* simplest fraction within three of these and 50 ppm; 0 = none */
    long teeth_den;
    double margin; /* of the score over the best other ratio: log likelihood per frame or window */
    double next_ratio; /* that other one; NaN = none */
    size_t n_lines;    /* lines of the sought shaft that stand out */
    char reason[240];  /* in words, what it rests on or why there is none */
} sm_gear_result;

typedef struct sm_gear sm_gear;

/**
 * known_angle  the blocks carry theta_rev of the shaft `known`; else they need none and the speed
 *              is sought between rpm_lo and rpm_hi of the rpm_of shaft
 * p        in  engine and blades; its gear ratio is not used; kept by reference
 *
 * Keeps about 7 kB per second and channel (at most three channels), or 3 kB per second.
 *
 * Returns SM_OK; SM_E_VALUE (no engine, no propeller, no vibration channel, empty range);
 * SM_E_NOMEM Accuracy  with a once-per-turn pulse: 20 ppm (tests/unit/test_gear.c) Source methods
 * by ourselves: comb over the order spectrum, then demodulation over 64 and 256 turns
 */
SM_API SM_NODISCARD sm_status sm_gear_open(const sm_channel *channels, size_t n_channels,
                                           double rate_hz, const sm_powertrain *p, bool known_angle,
                                           sm_shaft known, double rpm_lo, double rpm_hi,
                                           sm_gear **out, sm_error *err);
/** Feeds it: blocks as sm_gear_open() says. */
SM_API sm_sink sm_gear_sink(sm_gear *g);
/**
 * After SM_MARK_END.
 *
 * Returns SM_OK (also when nothing was found: basis NONE and a reason); SM_E_NOMEM
 */
SM_API SM_NODISCARD sm_status sm_gear_finish(sm_gear *g, sm_gear_result *out, sm_error *err);
SM_API void sm_gear_close(sm_gear **g);

#endif
