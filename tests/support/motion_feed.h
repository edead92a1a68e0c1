/* Synthetic runs for the tests of drift and hold: six or nine channels from a function of time,
 * pushed in blocks of awkward length. */
#ifndef MOTION_FEED_H
#define MOTION_FEED_H

#include "core/util.h"
#include "sm_test.h"
#include "stillmount/block.h"

#include <string.h>

#define FEED_DEG (SM_PI / 180)

enum { FEED_CHANNELS = 9, FEED_ROWS = 977 };

/* Fills x[9] = gyro x y z [rad/s], accel x y z [m/s^2], mag x y z [T] and *rpm at time t. */
typedef void (*feed_fn)(void *self, double t_s, double x[FEED_CHANNELS], double *rpm);

static inline void feed_channels(sm_channel channels[FEED_CHANNELS])
{
    static const char *const names[3] = {"gyro", "accel", "mag"};
    static const sm_role roles[3] = {SM_ROLE_GYRO, SM_ROLE_ACCEL, SM_ROLE_MAG};
    for (int i = 0; i < FEED_CHANNELS; i++) {
        sm_channel *c = &channels[i];
        *c = (sm_channel){.role = roles[i / 3], .axis = i % 3, .gain = 1, .tolerance = -1};
        (void)snprintf(c->place, sizeof c->place, "mount");
        (void)snprintf(c->name, sizeof c->name, "mount.%s.%c", names[i / 3], "xyz"[i % 3]);
    }
}

/* Pushes n rows from t0_s on; no mark. */
static inline void feed_rows(const sm_sink *sink, double rate_hz, size_t first, size_t n,
                             feed_fn fn, void *self)
{
    static double rows[FEED_CHANNELS][FEED_ROWS];
    static double rpm[FEED_ROWS];
    const double *x[FEED_CHANNELS];
    sm_error err = {0};
    for (size_t i = 0; i < FEED_CHANNELS; i++) {
        x[i] = rows[i];
    }
    for (size_t i = 0; i < n; i += FEED_ROWS) {
        size_t m = n - i < FEED_ROWS ? n - i : FEED_ROWS;
        for (size_t k = 0; k < m; k++) {
            double v[FEED_CHANNELS] = {0};
            rpm[k] = (double)NAN;
            fn(self, (double)(first + i + k) / rate_hz, v, &rpm[k]);
            for (size_t c = 0; c < FEED_CHANNELS; c++) {
                rows[c][k] = v[c];
            }
        }
        sm_block b = {.n_rows = m,
                      .n_channels = FEED_CHANNELS,
                      .x = x,
                      .rpm = rpm,
                      .t0_s = (double)(first + i) / rate_hz,
                      .rate_hz = rate_hz,
                      .i_row = first + i};
        assert_ok(sink->push(sink->self, &b, &err), &err);
    }
}

static inline void feed(const sm_sink *sink, double rate_hz, double seconds, feed_fn fn, void *self)
{
    sm_error err = {0};
    feed_rows(sink, rate_hz, 0, (size_t)(seconds * rate_hz), fn, self);
    assert_ok(sink->mark(sink->self, SM_MARK_END, seconds, &err), &err);
}

#endif
