/*
 * Smoothing by one or two poles, whatever bandwidth is declared. It falls too gently to be told
 * from a mount by its steepness, but its shape is known: where all noise of a channel follows it
 * from below the corner to half the rate, no mount and no structure did that.
 */
#include "budget/score.h"
#include "core/util.h"

#include <math.h>
#include <stdio.h>

/* Of the rate: above, the filter of a sound sensor has a part in the shape. */
#define TOP_SHARE 0.32
enum { POINTS_LEAST = 12, FIRST = 4, STEPS = 80, KINDS = 4 };
/* A third of an octave of the quietest band scatters by 0.5 to 0.7 dB; noise behind a soft mount
 * misses all shapes by 1 to 2 dB rms. */
#define MISFIT_DB 0.9
#define WORST_DB 2.2
#define FALL_DB 6.0
#define CORNER_SHARE 0.7 /* of the declared bandwidth */
#define LOSS_DB 0.5
#define RARE 0.3         /* weight of the first points: few bins, and orders in them */
#define FROM_SHARE 0.004 /* of the rate: corners tried */
#define TO_SHARE 0.25

typedef struct smoothing {
    int kind; /* 0, 1: one, two smoothers y += a (x - y); 2, 3: one, two poles, bilinear */
    double a; /* the smoother's factor; tan(pi corner / rate) */
} smoothing;

static double gain_db(const smoothing *s, double share)
{
    double w = 2 * SM_PI * share;
    if (s->kind < 2) {
        double b = 1 - s->a;
        return (s->kind + 1) * 10 * log10(s->a * s->a / (1 + b * b - 2 * b * cos(w)));
    }
    double r = tan(w / 2) / s->a;
    return -10 * log10(1 + (s->kind == 2 ? r * r : r * r * r * r));
}

/* Share of the rate at which it has lost so much. */
static double lost_at(const smoothing *s, double db)
{
    double lo = 1e-4;
    double hi = 0.5;
    for (int i = 0; i < 40; i++) {
        double mid = sqrt(lo * hi);
        *(gain_db(s, mid) > -db ? &lo : &hi) = mid;
    }
    return lo;
}

/* Weighted rms of what is left when the level is fitted; *worst: largest beyond the first. */
static double misfit(const sm_floor_curve *c, double rate_hz, const smoothing *s, double *worst)
{
    double left[SM_FLOOR_MOST];
    double mean = 0;
    double weight = 0;
    for (size_t i = 0; i < c->n; i++) {
        double w = i < FIRST ? RARE : 1;
        left[i] = c->db[i] - gain_db(s, c->hz[i] / rate_hz);
        mean += w * left[i];
        weight += w;
    }
    double sum = 0;
    *worst = 0;
    for (size_t i = 0; i < c->n; i++) {
        double e = left[i] - mean / weight;
        sum += (i < FIRST ? RARE : 1) * e * e;
        *worst = i < FIRST ? *worst : sm_max(*worst, fabs(e));
    }
    return sqrt(sum / weight);
}

double sm_smoothing_of(const sm_floor_curve *whole, double rate_hz, double *lost_hz)
{
    sm_floor_curve part = *whole;
    const sm_floor_curve *c = &part;
    while (part.n && part.hz[part.n - 1] > TOP_SHARE * rate_hz) {
        part.n--;
    }
    double best = INFINITY;
    double worst = INFINITY;
    smoothing found = {0, 1};
    if (c->n < POINTS_LEAST || c->db[c->n - 1] < c->rounding_db + 3 ||
        c->db[c->n - 1] + 10 * log10(rate_hz / 2) < c->noise_db) {
        return 0; /* the rounding of the numbers, or of computed tones, has a shape of its own */
    }
    for (int kind = 0; kind < KINDS; kind++) {
        for (int i = 0; i < STEPS; i++) {
            double share = FROM_SHARE * pow(TO_SHARE / FROM_SHARE, i / (STEPS - 1.0));
            double smoother = 1 - exp(-2 * SM_PI * share);
            smoothing s = {kind, kind < 2 ? smoother : tan(SM_PI * share)};
            double far = 0;
            double e = misfit(c, rate_hz, &s, &far);
            if (e < best) {
                best = e;
                worst = far;
                found = s;
            }
        }
    }
    double fall = -gain_db(&found, c->hz[c->n - 1] / rate_hz);
    if (!(best < MISFIT_DB) || !(worst < WORST_DB) || !(fall > FALL_DB)) {
        return 0;
    }
    *lost_hz = rate_hz * lost_at(&found, LOSS_DB);
    return rate_hz * lost_at(&found, 3);
}

void sm_check_smoothing(const sm_score_view *v, size_t channel)
{
    const sm_channel_stat *stat = &v->survey->channels[channel];
    const sm_channel *own = &stat->info;
    double rate = v->survey->rate_hz;
    sm_findings *all = sm_run_findings(v->run);
    bool interpolated = own->native_rate_hz > 0 && own->native_rate_hz < 0.99 * rate;
    if ((own->role != SM_ROLE_ACCEL && own->role != SM_ROLE_GYRO) || !(stat->step_si > 0) ||
        interpolated || sm_findings_get(all, "low-pass-seen", own->name)) {
        return;
    }
    sm_floor_curve c;
    sm_floor_curve_get(v, channel, &c);
    double lost_hz = NAN;
    double corner = sm_smoothing_of(&c, rate, &lost_hz);
    double claimed = own->bandwidth_hz > 0 ? own->bandwidth_hz : 0.25 * rate;
    if (corner == 0 || corner > CORNER_SHARE * claimed) {
        return;
    }
    char told[48] = "no bandwidth_hz is given";
    if (own->bandwidth_hz > 0) {
        (void)snprintf(told, sizeof told, "bandwidth_hz says %.4g", own->bandwidth_hz);
    }
    sm_finding *f = sm_findings_add(all, "low-pass-seen", SM_BLOCKING, own->name, 1);
    sm_finding_text(f,
                    "all noise falls in the very shape of a filter of one or two poles at %.2g Hz "
                    "(%s): what shakes faster reads low. Take sensor and "
                    "logger off smoothing and record again, or write the true bandwidth_hz",
                    corner, told);
    sm_finding_effect(f, "limits that reach above %.2g Hz are unassessed", lost_hz);
    if (f) {
        f->hz_lo = lost_hz;
        f->hz_hi = INFINITY;
    }
}
