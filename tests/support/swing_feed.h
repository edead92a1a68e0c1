/* A compass swing with a shaking engine, for the tests of hold. */
#ifndef SWING_FEED_H
#define SWING_FEED_H

#include "motion_feed.h"
#include "stillmount/motion.h"
#include "stillmount/stats.h"

#define DEG FEED_DEG
#define UT 1e-6

/* A swing: four stops and four quarter turns with the engine off, three seconds of starting, then
 * the same at idle. */
enum { STOP_S = 10, TURN_S = 9, LAP_S = 4 * (STOP_S + TURN_S) + STOP_S, START_S = 3 };

typedef struct swing {
    double idle_rpm;
    double line_hz;    /* what idling does to the gyro */
    double line_pk;    /* [rad/s] about x; half of it about y */
    double rocking_hz; /* all the time */
    double rocking_pk;
    double noise;         /* [rad/s] rms per sample */
    double shift;         /* [rad/s] idle shifts the mean rate about y */
    double knock_s;       /* someone bumps the wing at that time; 0 = nobody */
    double field_line_hz; /* of the field along y */
    double field_line_t;  /* [T] peak */
    double engine_t;      /* [T] the running engine's field along y */
    double item_on_s[2];  /* an item is on between these times */
    double item_again_s;  /* and once more, that much later; 0 = not */
    double item_t[3];
    sm_rng rng;
    double heading;
    double t_before;
} swing;

static const double bias[3] = {0.4 * DEG, -0.2 * DEG, 0.7 * DEG};

static inline void swing_row(void *self, double t_s, double x[FEED_CHANNELS], double *rpm)
{
    swing *s = self;
    bool running = t_s >= LAP_S + START_S;
    double in_lap = running ? t_s - LAP_S - START_S : t_s;
    double in_leg = fmod(in_lap, STOP_S + TURN_S);
    bool starting = t_s >= LAP_S && !running;
    bool turning = !starting && in_lap < LAP_S - STOP_S && in_leg >= STOP_S;
    double rate = turning ? 90.0 / TURN_S * DEG : 0;
    double shake = running ? s->line_pk * cos(2 * SM_PI * s->line_hz * t_s) : 0;
    *rpm = running ? s->idle_rpm : starting ? s->idle_rpm * (t_s - LAP_S) / START_S : 0;
    s->heading += rate * (t_s - s->t_before);
    s->t_before = t_s;
    x[0] = shake + s->rocking_pk * sin(2 * SM_PI * s->rocking_hz * t_s);
    x[1] = 0.5 * shake + (running ? s->shift : 0);
    x[2] = rate;
    if (s->knock_s > 0 && t_s >= s->knock_s && t_s < s->knock_s + 0.5) {
        x[0] += 3 * DEG * sin(2 * SM_PI * 4 * (t_s - s->knock_s));
    }
    for (int k = 0; k < 3; k++) {
        x[k] += bias[k] + s->noise * sm_rng_normal(&s->rng);
        x[3 + k] = (k == 2 ? -SM_G0_M_S2 : 0) + 0.02 * sm_rng_normal(&s->rng);
        double later = t_s - s->item_again_s;
        bool on = (t_s >= s->item_on_s[0] && t_s < s->item_on_s[1]) ||
                  (s->item_again_s > 0 && later >= s->item_on_s[0] && later < s->item_on_s[1]);
        x[6 + k] = 0.05 * UT * sm_rng_normal(&s->rng) + (on ? s->item_t[k] : 0);
    }
    x[6] += 20 * UT * cos(s->heading);
    x[7] += -20 * UT * sin(s->heading);
    x[7] += s->field_line_t * sin(2 * SM_PI * s->field_line_hz * t_s) + (running ? s->engine_t : 0);
    x[8] += 40 * UT;
}

static inline sm_hold_criteria strict(void)
{
    sm_hold_criteria c = sm_hold_criteria_default();
    c.gyro_rms_rad_s = 0.2 * DEG;
    c.tilt_change_rad = 0.2 * DEG;
    return c;
}

static inline sm_hold *run(double rate_hz, double seconds, const sm_hold_options *opt, feed_fn fn,
                           void *self)
{
    sm_channel channels[FEED_CHANNELS];
    sm_error err = {0};
    sm_hold *h = NULL;
    feed_channels(channels);
    assert_ok(sm_hold_open(channels, FEED_CHANNELS, rate_hz, opt, &h, &err), &err);
    sm_sink sink = sm_hold_sink(h);
    feed(&sink, rate_hz, seconds, fn, self);
    return h;
}

static inline sm_hold_result result(sm_hold *h)
{
    sm_hold_result r;
    sm_error err = {0};
    assert_ok(sm_hold_result_get(h, &r, &err), &err);
    return r;
}

static inline swing plain_swing(void)
{
    return (swing){.idle_rpm = 1500, .noise = 0.05 * DEG, .rng = sm_rng_seed(5)};
}

static inline bool has_reason(const sm_hold_segment *s, const char *code)
{
    for (size_t i = 0; i < s->n_reasons; i++) {
        if (strcmp(s->reasons[i].code, code) == 0) {
            return true;
        }
    }
    return false;
}

#endif
