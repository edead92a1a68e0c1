/* Once-per-turn fits in windows of whole propeller turns, fed with blocks that carry the angle. */
#ifndef SM_BALANCE_TURNS_H
#define SM_BALANCE_TURNS_H

#include "balance/balance_internal.h"

enum {
    SM_TURNS_SENSORS = 4,
    SM_TURNS_ORDERS = 14, /* propeller's first and its neighbours */
};

typedef struct sm_turns sm_turns;

/* One window. */
typedef struct sm_turns_window {
    double t_s; /* middle */
    double rpm; /* of the rpm_of shaft, weighted mean */
    double rpm_change;
    double prop_hz;
    sm_phasor accel_pk[SM_TURNS_SENSORS]; /* [m/s^2] x = Re{X exp(i theta)} */
} sm_turns_window;

/*
 * p          kept by reference
 * pick       (n_pick) channels of the blocks; i_rpm: an rpm column to compare with, or -1
 * SM_OK; SM_E_VALUE (no propeller orders); SM_E_NOMEM
 */
sm_status sm_turns_open(const sm_powertrain *p, const size_t *pick, size_t n_pick, long i_rpm,
                        sm_turns **out, sm_error *err);
sm_sink sm_turns_sink(sm_turns *t);
/* Turns of a window; windows start every half of it. */
double sm_turns_length(const sm_turns *t);
/* Label of an order that cannot be told from the propeller's first; "" when none. */
const char *sm_turns_twin(const sm_turns *t);
const sm_turns_window *sm_turns_windows(const sm_turns *t, size_t *n);
/* Mean of speed by angle over speed by column; NaN without column. */
double sm_turns_rpm_ratio(const sm_turns *t);
/* A line that only a shaft of half this speed makes, over the noise beside it, as amplitudes. */
double sm_turns_slower(const sm_turns *t);
/* Propeller turns seen. */
double sm_turns_total(const sm_turns *t);
void sm_turns_close(sm_turns **t);

#endif
