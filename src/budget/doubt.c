/*
 * Channels that look sound by themselves and are not: a copy of another axis, an axis that hears
 * nothing of an engine which its neighbours hear, a gyro whose turning does not go with the
 * shaking.
 */
#include "budget/score.h"
#include "core/alloc.h"
#include "core/util.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Less noise than this share of the power is the rounding of computed tones, not a measurement. */
#define NOISE_SHARE 1e-7
/* Accelerometers and gyros feel about a hundredth of what happens across their axis, mounted as
 * well as people mount them (common practice: data sheets say 1 to 2 %, plus a degree). */
#define CROSS_POWER 1e-4
#define STANDS 10.0 /* 10 dB above the noise of its bin */
#define BANDS_SHARE 0.2
/* Rate and acceleration of one line speak of turning about a point this far away. */
#define FAR_M 3.0
/* Nobody hits every axis of turning this well with a sensor. */
#define NEAR_M 0.01
/* A tenth of the noise of a good silicon gyro (from memory: these have
 * 0.003 to 0.02 deg/s/sqrt(Hz)). */
#define GYRO_FLOOR (2.5e-4 * SM_PI / 180)

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a;
    double y = *(const double *)b;
    return (x > y) - (x < y);
}

/* Median density of a channel between 10 Hz and 0.4 of the rate, in its best recorded band;
 * *total: mean square in that range. NaN when nothing was recorded. */
static double median_density(const sm_score_view *v, size_t channel, double *total)
{
    const sm_survey_result *s = v->survey;
    const sm_band_channel *best = NULL;
    for (size_t b = 0; b < s->n_bands; b++) {
        const sm_band_channel *bc = &s->bands[b].channels[channel];
        best = bc->psd && bc->n_frames && (!best || bc->n_frames > best->n_frames) ? bc : best;
    }
    size_t from = (size_t)ceil(10 / s->bin_hz);
    size_t to = (size_t)floor(0.4 * s->rate_hz / s->bin_hz);
    double *copy = best && to > from ? sm_alloc_array(to - from, sizeof *copy) : NULL;
    if (!copy) {
        return (double)NAN;
    }
    *total = 0;
    for (size_t k = from; k < to; k++) {
        copy[k - from] = best->psd[k];
        *total += best->psd[k] * s->bin_hz;
    }
    qsort(copy, to - from, sizeof *copy, by_size);
    double median = copy[(to - from) / 2];
    sm_free(copy);
    return median;
}

/* The time base saw that one column is another; computed tones without noise may well be equal. */
static void check_copy(const sm_score_view *v, size_t channel)
{
    const char *name = v->survey->channels[channel].info.name;
    double total = 0;
    if (!sm_findings_get(sm_run_findings(v->run), "copied-axis", name)) {
        return;
    }
    double density = median_density(v, channel, &total);
    if (density * 0.4 * v->survey->rate_hz > NOISE_SHARE * total) {
        (void)sm_findings_add(sm_run_findings(v->run), "copied-axis", SM_BLOCKING, name, 0);
    }
}

/* Would a hundredth of the other axis' lines stand out of this axis' noise? */
static bool should_hear(const sm_score_view *v, size_t channel, size_t other)
{
    long bands = 0;
    long heard = 0;
    for (size_t i = 0; i < v->survey->n_bands; i++) {
        const sm_band *b = &v->survey->bands[i];
        const sm_band_channel *own = &b->channels[channel];
        const sm_band_channel *from = &b->channels[other];
        if (!own->cells || !from->cells || own->n_frames < 3) {
            continue;
        }
        bands++;
        bool stands = false;
        for (size_t o = 0; o < v->orders->n && !stands; o++) {
            double hz = sm_order_hz(v, b, o);
            double noise = sm_noise_density(own->psd, v->survey->n_bins, v->survey->bin_hz, hz,
                                            sm_frames_dof(own->n_frames, own->n_frames - 1));
            double leak = CROSS_POWER * sm_order_power(v, b, from, o, 0);
            stands = leak > STANDS * 1.5 * v->survey->bin_hz * noise;
        }
        heard += stands;
    }
    return heard > 0 && (double)heard >= BANDS_SHARE * (double)bands;
}

static bool hears_nothing(const sm_score_view *v, size_t channel)
{
    sm_comb_result c;
    sm_comb_result_get(v->survey->comb, &channel, 1, SIZE_MAX, &c);
    for (size_t i = 0; i < v->survey->n_lines; i++) {
        if (v->survey->lines[i].i_channel == channel) {
            return false;
        }
    }
    return c.n_seen == 0;
}

static void check_silence(const sm_score_view *v, size_t channel)
{
    const sm_channel *own = &v->survey->channels[channel].info;
    if ((own->role != SM_ROLE_ACCEL && own->role != SM_ROLE_GYRO) || !hears_nothing(v, channel)) {
        return;
    }
    int others = 0;
    for (size_t i = 0; i < v->survey->n_channels; i++) {
        const sm_channel *c = &v->survey->channels[i].info;
        others += i != channel && c->role == own->role && strcmp(c->place, own->place) == 0 &&
                  !hears_nothing(v, i) && should_hear(v, channel, i);
    }
    if (others < 2) {
        return;
    }
    sm_finding *f =
        sm_findings_add(sm_run_findings(v->run), "silent-axis", SM_WARNING, own->name, 1);
    sm_finding_text(f, "the other two axes hear the engine clearly and this one nothing at all: "
                       "every sensor feels a hundredth of what happens across its axis. Check "
                       "the channel by tapping along it");
    sm_finding_effect(f, "limits on this channel are thin at best");
}

/* Sum over the axes of one kind at a place of the power of an order in a band; NaN: not tracked, or
 * not 20 dB above the noise. */
static double triad_power(const sm_score_view *v, const char *place, sm_role role, const sm_band *b,
                          size_t order)
{
    double sum = 0;
    double noise = 0;
    for (size_t i = 0; i < v->survey->n_channels; i++) {
        const sm_channel *c = &v->survey->channels[i].info;
        const sm_band_channel *bc = &b->channels[i];
        if (c->role != role || strcmp(c->place, place) != 0 || !bc->cells) {
            continue;
        }
        double p = sm_order_power(v, b, bc, order, 0);
        sum += isnan(p) ? 0 : p;
        noise += sm_order_scatter(bc, order);
    }
    return sum > 100 * noise && noise > 0 ? sum : (double)NAN;
}

/* Nearest and farthest points that clear lines turn about; INFINITY and 0 when no line is clear in
 * both. Returns how many lines there are. */
static size_t turning_centres(const sm_score_view *v, const char *place, double *nearest,
                              double *farthest)
{
    size_t n = 0;
    *nearest = INFINITY;
    *farthest = 0;
    for (size_t o = 0; o < v->orders->n; o++) {
        double accel = 0;
        double turning = 0;
        for (size_t i = 0; i < v->survey->n_bands; i++) {
            const sm_band *b = &v->survey->bands[i];
            if (b->n_frames < 3) {
                continue;
            }
            double w = 2 * SM_PI * sm_order_hz(v, b, o);
            double a = triad_power(v, place, SM_ROLE_ACCEL, b, o);
            double g = triad_power(v, place, SM_ROLE_GYRO, b, o);
            if (a > 0 && g > 0) {
                accel += a;
                turning += g * w * w;
            }
        }
        if (turning > 0) {
            n++;
            *nearest = sm_min(*nearest, sqrt(accel / turning));
            *farthest = sm_max(*farthest, sqrt(accel / turning));
        }
    }
    return n;
}

/* Nothing in a log without known turns says that a gyro reads a tenth of the truth, but for its own
 * noise. A warning: somebody may have a gyro as good as that. */
static void name_quiet_gyro(const sm_score_view *v, size_t channel)
{
    const sm_channel *own = &v->survey->channels[channel].info;
    double total = 0;
    double density = median_density(v, channel, &total);
    if (density * 0.4 * v->survey->rate_hz <= NOISE_SHARE * total) {
        return; /* computed tones */
    }
    sm_finding *f =
        sm_findings_add(sm_run_findings(v->run), "gyro-too-quiet", SM_WARNING, own->name, 1);
    sm_finding_text(f,
                    "its noise of %.2g deg/s/sqrt(Hz) is a tenth or less of what silicon gyros "
                    "have: it may read too low. Check unit, scale and range in the channels file, "
                    "or tilt the aircraft by a known angle while recording",
                    sqrt(density) * 180 / SM_PI);
    sm_finding_effect(f, "none: if the scale is wrong, so are the verdicts on this channel");
}

/* rad/s taken for deg/s reads 35 dB low: the mount would turn about a point far off, and the gyro
 * would be quieter than gyros are. The other way round all its lines would turn about the sensor.
 */
static void check_turning(const sm_score_view *v, size_t channel)
{
    const sm_channel *own = &v->survey->channels[channel].info;
    double total = 0;
    double nearest;
    double farthest;
    if (own->role != SM_ROLE_GYRO) {
        return;
    }
    size_t lines = turning_centres(v, own->place, &nearest, &farthest);
    bool quiet = sqrt(median_density(v, channel, &total)) < GYRO_FLOOR;
    double middle = sqrt(nearest * farthest); /* rate and acceleration need not go alike */
    bool far = lines > 0 && quiet && middle > FAR_M;
    bool near = farthest < NEAR_M && lines >= 2;
    if (!far && !near) {
        if (quiet) {
            name_quiet_gyro(v, channel);
        }
        return;
    }
    sm_finding *f = sm_gyro_finding(v, own);
    if (far) {
        sm_finding_text(f,
                        "next to the accelerometers it turns as if about a point %.0f m away, with "
                        "less noise than gyros have: check whether the column is in rad/s",
                        middle);
    } else {
        sm_finding_text(f,
                        "next to the accelerometers every line turns about a point within %.1f mm "
                        "of the sensor: check whether the column is in deg/s",
                        1000 * farthest);
    }
    sm_finding_effect(f, "limits on this gyro are unassessed");
}

/* Bent by so much, lines read half a decibel low: 4.3 dB times the share, as a smooth end of the
 * range (tanh) was found to take off mixes of 7 to 9 orders. */
#define BENT 0.12
#define BENT_DB 4.3
#define BENT_SIGMAS 6.0
/* Flickering phases alone reach 1.5, noise that comes only while the rest is at rest 3 at most. */
#define BENT_BETWEEN 2.5

/* A sensor that gives less and less near the ends of its range: nothing is clipped, loud reads
 * low. */
static void check_bent(const sm_score_view *v, size_t channel)
{
    const sm_channel_stat *c = &v->survey->channels[channel];
    const sm_bend_stat *b = &c->bend;
    if (c->info.role == SM_ROLE_MAG || !(b->share < -BENT) ||
        !(-b->share > BENT_SIGMAS * b->sigma) || !(b->between < -BENT_BETWEEN)) {
        return;
    }
    sm_finding *f =
        sm_findings_add(sm_run_findings(v->run), "bent-flat", SM_BLOCKING, c->info.name, 1);
    sm_finding_text(f,
                    "nothing is clipped, but loud shaking is bent flat: products of its lines and "
                    "weaker noise at its peaks show that the sensor gives less and less near the "
                    "ends of its range, in the loudest seconds about %.1f dB less. Use a larger "
                    "range and record again",
                    -BENT_DB * b->share);
    sm_finding_effect(f, "readings are too low: limits on this channel cannot be within");
}

static sm_finding *name_places(const sm_score_view *v, const char *code, const sm_lost_places *p)
{
    sm_finding *f = sm_findings_add(sm_run_findings(v->run), code, SM_WARNING, NULL, p->n);
    for (long i = 0; i < p->n && i < SM_FINDING_PLACES; i++) {
        sm_finding_place(f, p->at[i].t0_s, p->at[i].t1_s, p->at[i].line);
    }
    sm_finding_effect(f, "bands passed meanwhile cannot be within a limit that was broken there");
    return f;
}

/* The survey charges what shook there to the bands; here it is said. */
static void name_lost_speed(const sm_score_view *v)
{
    const sm_lost_places *lost = &v->survey->speed_lost;
    const sm_lost_places *jumps = &v->survey->speed_jumps;
    if (lost->n) {
        sm_finding_text(name_places(v, "speed-lost", lost),
                        "in %ld stretch%s, %.3g s together, the engine runs and its speed is not "
                        "known. Look at pick-up, cable and logger",
                        lost->n, lost->n == 1 ? "" : "es", lost->seconds);
    }
    if (jumps->n) {
        sm_finding_text(name_places(v, "speed-jump", jumps),
                        "in %ld stretch%s, %.3g s together, the rpm stands still to the last digit "
                        "and then jumps as no engine does. Look at pick-up, cable and logger",
                        jumps->n, jumps->n == 1 ? "" : "es", jumps->seconds);
    }
}

void sm_check_doubts(const sm_score_view *v)
{
    name_lost_speed(v);
    for (size_t i = 0; i < v->survey->n_channels; i++) {
        check_copy(v, i);
        check_silence(v, i);
        check_turning(v, i);
        check_bent(v, i);
        sm_check_rolloff(v, i);
        sm_check_smoothing(v, i);
    }
}
