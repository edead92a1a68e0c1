/* One pass over the raw samples of every channel, and the findings that follow. */
#include "timebase/checks.h"

#include "core/alloc.h"
#include "core/spike.h"
#include "core/util.h"
#include "core/wide.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define COUNT(a) (sizeof(a) / sizeof((a)[0]))

static const double STUCK_S = 2;                        /* equal samples for this long, */
enum { STUCK_ROWS = 200 };                              /* and at least this many: stuck */
static const double GYRO_MEAN_RAD_S = 10 * SM_PI / 180; /* a mount does not turn this fast */
static const double GYRO_RMS_RAD_S = 500 * SM_PI / 180;

sm_status sm_checks_open(sm_checks *c, const sm_channel *channels, size_t n, double period_s)
{
    sm_check *items = sm_alloc_array(n ? n : 1, sizeof *items);
    if (!items) {
        return SM_E_NOMEM;
    }
    *c = (sm_checks){.items = items, .n = n, .period_s = period_s};
    sm_checks_reset(c, channels);
    return SM_OK;
}

void sm_checks_reset(sm_checks *c, const sm_channel *channels)
{
    for (size_t i = 0; i < c->n; i++) {
        c->items[i] = (sm_check){.last = NAN, .about = NAN, .step = INFINITY};
        sm_clip_start(&c->items[i].clip, channels[i].range_si);
        sm_pace_start(&c->items[i].pace);
    }
    sm_twins_start(&c->twins, channels, c->n);
}

void sm_checks_close(sm_checks *c)
{
    sm_free(c->items);
    *c = (sm_checks){0};
}

static void end_run(sm_check *k, double period_s, double t_s, long line)
{
    if (k->run > k->longest) {
        k->longest = k->run;
    }
    if (k->run >= STUCK_ROWS && (double)k->run * period_s >= STUCK_S) {
        k->stuck += k->run;
        if (k->n_stuck < COUNT(k->stuck_at)) {
            k->stuck_at[k->n_stuck++] = (sm_place){k->run_t0_s, t_s, line};
        }
    }
    k->run = 0;
}

static void end_second(sm_check *k, double t_s)
{
    if (k->n_1s < 1) {
        return;
    }
    double mean = k->sum_1s / k->n_1s;
    double rms = sqrt(sm_max(0, k->square_1s / k->n_1s - mean * mean));
    int level = (int)sm_min(SM_CHECK_LEVELS - 1, sm_max(0, 96 + 4 * log2(sm_max(rms, 1e-30))));
    k->level_n[level]++;
    k->level_mean[level] += (float)mean;
    if (rms > k->loud_rms) {
        k->loud_rms = rms;
        k->loud_t_s = t_s;
    }
    k->sum_1s = k->square_1s = k->n_1s = 0;
}

static void missing(sm_check *k, double t_s, long line)
{
    k->n_missing++;
    if (!k->inside_missing && k->n_missing_places < SM_FINDING_PLACES) {
        k->missing_at[k->n_missing_places++] = (sm_place){t_s, t_s, line};
    } else if (k->inside_missing && k->n_missing_places) {
        k->missing_at[k->n_missing_places - 1].t1_s = t_s;
    }
    k->inside_missing = true;
}

/* A change of value: distinct values and the quantum. */
static void changed(sm_check *k, double v)
{
    double step = fabs(v - k->last);
    k->step = step < k->step ? step : k->step;
    if (k->n_distinct < COUNT(k->distinct)) {
        for (size_t d = 0; d < k->n_distinct; d++) {
            if (k->distinct[d] == v) {
                return;
            }
        }
        k->distinct[k->n_distinct++] = v;
    }
}

/* One value; its time and line are needed only where something is odd. */
static void check_value(sm_check *k, double v, double t_s, long line, double period_s,
                        double per_second, bool sparse)
{
    if (v != v) {
        if (!sparse) {
            missing(k, t_s, line);
        }
        return;
    }
    k->inside_missing = false;
    if (v != k->last) {
        if (k->run > STUCK_ROWS) {
            end_run(k, period_s, t_s, line);
        }
        if (k->about != k->about) {
            k->about = v;
        }
        changed(k, v);
        k->last = v;
        k->run = 0;
        k->run_t0_s = t_s;
    }
    k->run++;
    double d = v - k->about;
    k->sum_1s += d;
    k->square_1s += d * d;
    k->n_1s++;
    k->sum += d;
    k->square += d * d;
    k->n++;
    if (k->n_1s >= per_second) {
        end_second(k, t_s);
    }
}

/* Values that are all there, all change and end no second, which is what most do. */
static bool check_plain(sm_check *k, const double *x, size_t n, double last_t_s, double per_second)
{
    if (k->n_distinct < COUNT(k->distinct) || k->run > STUCK_ROWS ||
        k->n_1s + (double)n >= per_second) {
        return false;
    }
    sm_moves m = sm_moves_of(x, n, k->last, k->about, 0);
    if (!m.unbroken || !m.all_moved) {
        return false;
    }
    k->inside_missing = false;
    k->step = sm_min(k->step, m.step);
    k->last = x[n - 1];
    k->run = 1;
    k->run_t0_s = last_t_s;
    k->sum_1s += m.sum;
    k->square_1s += m.sum2;
    k->n_1s += (double)n;
    k->sum += m.sum;
    k->square += m.sum2;
    k->n += (double)n;
    return true;
}

enum { SPIKE_STEPS = 16 }; /* of the sensor: less is a quiet channel's own */

static void find_spikes(sm_check *k, const double *x, size_t n, double t0_s, double period_s,
                        const long *lines)
{
    sm_spike found[SM_SPIKES_MOST];
    size_t most = isfinite(k->step) ? sm_spikes_of(x, n, SPIKE_STEPS * k->step, found) : 0;
    for (size_t j = 0; j < most; j++) {
        double t_s = t0_s + period_s * (double)found[j].i;
        if (k->n_spikes < SM_FINDING_PLACES) {
            k->spike_at[k->n_spikes] = (sm_place){t_s, t_s, lines ? lines[found[j].i] : 0};
        }
        k->n_spikes++;
        k->spike = sm_max(k->spike, fabs(found[j].height));
    }
}

void sm_checks_push(sm_checks *c, size_t i, const double *x, size_t n, double t0_s,
                    const long *lines, bool sparse)
{
    enum { STRETCH = 64 };
    sm_check *k = &c->items[i];
    double p = c->period_s;
    double per_second = sm_max(64, nearbyint(1 / p));
    sm_clip_push(&k->clip, x, n, t0_s, p, lines);
    for (size_t j = 0; j < n;) {
        size_t m = n - j < STRETCH ? n - j : STRETCH;
        if (check_plain(k, x + j, m, t0_s + p * (double)(j + m - 1), per_second)) {
            j += m;
            continue;
        }
        for (size_t end = j + m; j < end; j++) {
            check_value(k, x[j], t0_s + p * (double)j, lines ? lines[j] : 0, p, per_second, sparse);
        }
    }
    /* last: the channel may have moved for the first time, and its step be known only now */
    sm_pace_push(&k->pace, x, n, isfinite(k->step) ? k->step : 0, (long)sm_min(per_second, 1e9));
    find_spikes(k, x, n, t0_s, p, lines);
}

void sm_checks_push_rows(sm_checks *c, double *const *x, size_t n)
{
    sm_twins_push(&c->twins, x, c->n, n);
}

static double mean_of(const sm_check *k)
{
    return k->n > 0 ? k->about + k->sum / k->n : (double)NAN;
}

static double ac_rms(const sm_check *k)
{
    double m = k->n > 0 ? k->sum / k->n : 0;
    return k->n > 0 ? sqrt(sm_max(0, k->square / k->n - m * m)) : (double)NAN;
}

static void report_clip(const sm_check *k, const sm_channel *ch, sm_findings *out)
{
    sm_place places[SM_FINDING_PLACES];
    size_t n_places = 0;
    long n = sm_clip_count(&k->clip, places, &n_places);
    if (n == 0) {
        return;
    }
    sm_finding *f = sm_findings_add(out, "clipped", SM_BLOCKING, ch->name, n);
    for (size_t i = 0; i < n_places; i++) {
        sm_finding_place(f, places[i].t0_s, places[i].t1_s, places[i].line);
    }
    sm_finding_effect(f, "where it clips a reading can only be too low: over stays over, the rest "
                         "is unassessed");
    sm_finding_text(f, "%ld samples at the sensor's limit%s. Record again with a larger range", n,
                    ch->range_si > 0 ? ""
                                     : " (found from equal samples at the extreme; write the "
                                       "range in the channels file to be sure)");
}

static void report_spikes(const sm_check *k, const sm_channel *ch, sm_findings *out)
{
    if (k->n_spikes == 0) {
        return;
    }
    sm_finding *f = sm_findings_add(out, "spike", SM_WARNING, ch->name, k->n_spikes);
    for (long i = 0; i < k->n_spikes && i < SM_FINDING_PLACES; i++) {
        sm_finding_place(f, k->spike_at[i].t0_s, k->spike_at[i].t1_s, k->spike_at[i].line);
    }
    sm_finding_effect(f,
                      "a limit that is over only because of them is unassessed; nothing is within "
                      "because of them");
    sm_finding_text(
        f,
        "%ld single sample%s up to %.3g %s beside both neighbours: no vibration that a "
        "filter let through is so short. Check cable, connector and bus, or set the sensor's "
        "low-pass below half the rate, and record again",
        k->n_spikes, k->n_spikes == 1 ? "" : "s", k->spike / (ch->unit ? ch->unit->to_si : 1),
        ch->unit ? ch->unit->name : "");
}

static void report_missing(const sm_check *k, const sm_channel *ch, sm_findings *out)
{
    if (k->n_missing == 0) {
        return;
    }
    sm_finding *f = sm_findings_add(out, "missing-values", SM_WARNING, ch->name, k->n_missing);
    for (size_t i = 0; i < k->n_missing_places; i++) {
        sm_finding_place(f, k->missing_at[i].t0_s, k->missing_at[i].t1_s, k->missing_at[i].line);
    }
    sm_finding_effect(f, "stretches of analysis that touch one are not used");
    sm_finding_text(f,
                    "%ld cells are empty or hold no number. Check the cable, and whether the card "
                    "keeps up with the rate",
                    k->n_missing);
}

static void report_stuck(sm_check k, const sm_channel *ch, double period_s, sm_findings *out)
{
    end_run(&k, period_s, k.run_t0_s + (double)k.run * period_s, 0);
    bool dead = k.n_distinct < 4 && k.n >= 16;
    if (dead) {
        sm_finding *f = sm_findings_add(out, "dead-channel", SM_BLOCKING, ch->name, (long)k.n);
        sm_finding_effect(f, "nothing measured on this channel is judged");
        sm_finding_text(f,
                        "only %zu different value%s in the whole log: the sensor is not "
                        "connected or not recorded",
                        k.n_distinct, k.n_distinct == 1 ? "" : "s");
    } else if (k.stuck) {
        bool much = (double)k.stuck > 0.02 * k.n || (double)k.stuck * period_s >= 5;
        sm_finding *f =
            sm_findings_add(out, "stuck", much ? SM_BLOCKING : SM_WARNING, ch->name, k.stuck);
        for (size_t i = 0; i < k.n_stuck; i++) {
            sm_finding_place(f, k.stuck_at[i].t0_s, k.stuck_at[i].t1_s, k.stuck_at[i].line);
        }
        sm_finding_effect(f, "a held value reads as quiet: nothing is judged on this channel");
        sm_finding_text(f, "the same value for %.3g s or longer. Check cable and logger",
                        (double)k.longest * period_s);
    }
    if (!dead && isfinite(k.step) && k.step > 0 && ac_rms(&k) < 2 * k.step) {
        bool below = ac_rms(&k) < k.step;
        sm_finding *f = sm_findings_add(out, "quantised", below ? SM_BLOCKING : SM_WARNING,
                                        ch->name, (long)k.n);
        sm_finding_effect(f, below ? "the signal is not above the sensor's own steps: not judged"
                                   : "readings near the sensor's own steps are poor");
        sm_finding_text(f,
                        "the signal is only %.2g steps of the sensor. Record with a smaller "
                        "range",
                        ac_rms(&k) / k.step);
    }
}

static void report_start(const sm_check *k, const sm_channel *ch, double period_s, sm_findings *out)
{
    double rms = ac_rms(k);
    bool held = k->clip.n_first >= 8 && (double)k->clip.n_first * period_s < STUCK_S &&
                k->n > 10 * (double)k->clip.n_first;
    if (held && fabs(k->clip.first_value - mean_of(k)) > 3 * rms) {
        sm_finding *f =
            sm_findings_add(out, "start-up-transient", SM_WARNING, ch->name, k->clip.n_first);
        sm_finding_place(f, 0, (double)k->clip.n_first * period_s, 0);
        sm_finding_effect(f, "the log's first second is not to be trusted");
        sm_finding_text(f,
                        "the first %ld samples hold one far-off value: the sensor was starting. "
                        "Start the recording a few seconds earlier",
                        k->clip.n_first);
    }
}

/* Mean and usual rms of at least `want` seconds, from the calmest or from the loudest on. */
static void mean_of_seconds(const sm_check *k, double want, bool loudest, double *mean, double *rms)
{
    double n = 0;
    double sum = 0;
    double level = 0;
    for (int i = 0; i < SM_CHECK_LEVELS && n < want; i++) {
        int at = loudest ? SM_CHECK_LEVELS - 1 - i : i;
        n += (double)k->level_n[at];
        sum += (double)k->level_mean[at];
        level += (double)k->level_n[at] * at;
    }
    *mean = n > 0 ? sum / n : (double)NAN;
    *rms = n > 0 ? exp2((level / n - 96) / 4) : (double)NAN;
}

/* Loud and the mean moves: the sensor is driven past its range before its filter. A tilt with the
 * engine off moves some of many calm seconds, a tap one loud second: neither moves these means. */
static void report_overload(const sm_check *k, const sm_channel *ch, sm_findings *out)
{
    double seconds = 0;
    for (int i = 0; i < SM_CHECK_LEVELS; i++) {
        seconds += (double)k->level_n[i];
    }
    double calm_mean;
    double calm_rms;
    double loud_mean;
    double loud_rms;
    mean_of_seconds(k, sm_max(1, 0.25 * seconds), false, &calm_mean, &calm_rms);
    mean_of_seconds(k, sm_max(1, 0.05 * seconds), true, &loud_mean, &loud_rms);
    double shift = fabs(loud_mean - calm_mean);
    if (ch->role != SM_ROLE_ACCEL || ch->ac_coupled || !(loud_rms > 1.5 * calm_rms) ||
        !(shift > 0.1 * loud_rms) || !(shift > 0.15 * SM_G0_M_S2)) {
        return;
    }
    sm_finding *f = sm_findings_add(out, "hidden-overload", SM_BLOCKING, ch->name, 1);
    sm_finding_place(f, k->loud_t_s - 1, k->loud_t_s, 0);
    sm_finding_effect(f, "readings may be too low: limits on this channel cannot be within");
    sm_finding_text(f,
                    "the mean moves by %.2f g between calm and loud seconds: the sensor may be "
                    "driven past its range before its filter, or it tilts. Use a larger range",
                    shift / SM_G0_M_S2);
}

/* One finding for the sensor of channel i, at the first of its axes: they share unit and hand. */
static void report_gyro(const sm_checks *c, const sm_channel *channels, size_t i, sm_findings *out)
{
    const sm_channel *worst = NULL;
    double mean = 0;
    double rms = 0;
    long axes = 0;
    for (size_t k = 0; k < c->n; k++) {
        const sm_channel *ch = &channels[k];
        const sm_check *own = &c->items[k];
        if (ch->role != SM_ROLE_GYRO || strcmp(ch->place, channels[i].place) != 0) {
            continue;
        }
        if (k < i) {
            return;
        }
        bool odd =
            own->n > 0 && (fabs(mean_of(own)) > GYRO_MEAN_RAD_S || ac_rms(own) > GYRO_RMS_RAD_S);
        axes += odd;
        if (odd && (!worst || fabs(mean_of(own)) + ac_rms(own) > fabs(mean) + rms)) {
            worst = ch;
            mean = mean_of(own);
            rms = ac_rms(own);
        }
    }
    if (!worst) {
        return;
    }
    char sensor[96];
    (void)snprintf(sensor, sizeof sensor, "%.47s.gyro", worst->place);
    sm_finding *f = sm_findings_add(out, "gyro-implausible", SM_BLOCKING, sensor, axes);
    sm_finding_effect(f, "nothing measured by this gyro is judged");
    sm_finding_text(
        f,
        "mean %.3g deg/s, rms %.3g deg/s on %c: a mount does not turn like that. Is the "
        "unit right (deg/s taken for rad/s), or was the sensor in a hand? Correct unit = "
        "in the channels file, or fix the sensor and record again",
        mean * 180 / SM_PI, rms * 180 / SM_PI, 'x' + worst->axis);
}

/*
 * A value held for T reads low by sin(pi f T)/(pi f T), a straight line between two by its square:
 * half a decibel at 0.2 and 0.14 of the sensor's own rate. A flaw that can only read low never
 * rescues, so nothing above is judged.
 */
static void report_pace(const sm_check *k, const sm_channel *ch, double rate_hz, sm_findings *out)
{
    bool straight = false;
    double own_hz = rate_hz * sm_pace_share(&k->pace, &straight);
    if (!(own_hz < 0.95 * rate_hz)) {
        return;
    }
    double top = (straight ? 0.14 : 0.2) * own_hz;
    sm_finding *f = sm_findings_add(out, "held-values", SM_BLOCKING, ch->name, 1);
    if (f) {
        f->hz_lo = top;
        f->hz_hi = 0.5 * rate_hz;
    }
    sm_finding_effect(f, "limits that reach above %.4g Hz are not judged", top);
    sm_finding_text(f,
                    "the sensor gives about %.4g values per second, the log has %.4g rows: values "
                    "are %s. Set the sensor to a higher rate, or write only what it gives",
                    own_hz, rate_hz,
                    straight ? "joined by straight lines" : "held over several rows");
}

static void report_gravity(const sm_checks *c, const sm_channel *channels, size_t i,
                           sm_findings *out)
{
    double sum = 0;
    int axes = 0;
    for (size_t k = 0; k < c->n; k++) {
        const sm_channel *ch = &channels[k];
        if (ch->role == SM_ROLE_ACCEL && !ch->ac_coupled &&
            strcmp(ch->place, channels[i].place) == 0) {
            sum += mean_of(&c->items[k]) * mean_of(&c->items[k]);
            axes++;
        }
    }
    double g = sqrt(sum) / SM_G0_M_S2;
    if (axes != 3 || (g >= 0.7 && g <= 1.3)) {
        return;
    }
    for (size_t k = 0; k < c->n; k++) {
        const sm_channel *ch = &channels[k];
        if (ch->role != SM_ROLE_ACCEL || strcmp(ch->place, channels[i].place) != 0) {
            continue;
        }
        sm_finding *f = sm_findings_add(out, "gravity-implausible", SM_BLOCKING, ch->name, 1);
        sm_finding_effect(f, "nothing measured by this accelerometer is judged");
        sm_finding_text(f,
                        "at rest the three axes add up to %.3g g instead of 1 g: %s. If the "
                        "sensor does not feel gravity, write coupling = ac in the channels file",
                        g,
                        g > 6 && g < 13        ? "m/s^2 was read as g"
                        : g > 0.07 && g < 0.13 ? "g was read as m/s^2"
                                               : "unit or scale is wrong");
    }
}

static void report_declared(const sm_channel *ch, double rate_hz, sm_findings *out)
{
    if (ch->role != SM_ROLE_ACCEL && ch->role != SM_ROLE_GYRO) {
        return;
    }
    if (ch->tolerance < 0) {
        sm_finding *f = sm_findings_add(out, "calibration-unstated", SM_NOTE, ch->name, 1);
        sm_finding_effect(f, "the intervals do not hold the sensor's own error");
        sm_finding_text(f, "the sensor's tolerance is not stated: write tolerance = 3 %% (or what "
                           "its sheet says) in the channels file");
    }
    if (ch->bandwidth_hz <= 0) {
        sm_finding *f = sm_findings_add(out, "bandwidth-assumed", SM_NOTE, ch->name, 1);
        if (f) {
            f->hz_lo = 0.25 * rate_hz;
            f->hz_hi = 0.5 * rate_hz;
        }
        sm_finding_effect(f, "limits that reach above %.4g Hz are thin at best", 0.25 * rate_hz);
        sm_finding_text(f, "the sensor's bandwidth is not stated: write bandwidth_hz in the "
                           "channels file");
    } else if (ch->bandwidth_hz > 0.5 * rate_hz && !ch->anti_alias) {
        sm_finding *f = sm_findings_add(out, "alias-risk", SM_BLOCKING, ch->name, 1);
        double lowest = ch->bandwidth_hz >= rate_hz ? 0 : rate_hz - ch->bandwidth_hz;
        if (f) {
            f->hz_lo = lowest;
            f->hz_hi = 0.5 * rate_hz;
        }
        sm_finding_effect(f, "limits that reach above %.4g Hz are not judged", lowest);
        sm_finding_text(f,
                        "the sensor passes %.4g Hz but is sampled at %.4g Hz: what is above "
                        "half the rate folds down. Use a faster rate or a lower filter; if "
                        "there is a filter before the sampling, write anti_alias = yes",
                        ch->bandwidth_hz, rate_hz);
    }
}

/* A warning here; whoever judges asks whether the signal is more than a few noiseless tones. */
static void report_twins(const sm_checks *c, const sm_channel *channels, sm_findings *out)
{
    for (size_t k = 0; k < c->twins.n; k++) {
        const sm_twin *t = &c->twins.items[k];
        double gain = NAN;
        if (!sm_twins_are_one(t, c->items[t->a].step, c->items[t->b].step, &gain)) {
            continue;
        }
        for (int side = 0; side < 2; side++) {
            const sm_channel *ch = &channels[side ? t->b : t->a];
            sm_finding *f = sm_findings_add(out, "copied-axis", SM_WARNING, ch->name, 1);
            sm_finding_effect(f, "one of the two was not measured: neither is judged");
            sm_finding_text(f,
                            "%s is %.4g times %s, sample by sample: one column was written twice. "
                            "Check wiring, logger and channels file",
                            channels[t->b].name, gain, channels[t->a].name);
        }
    }
}

void sm_checks_report(const sm_checks *c, const sm_channel *channels, const double *rate_hz,
                      sm_findings *out)
{
    for (size_t i = 0; i < c->n; i++) {
        const sm_check *k = &c->items[i];
        const sm_channel *ch = &channels[i];
        if (ch->role == SM_ROLE_TACH || ch->role == SM_ROLE_RPM) {
            report_missing(k, ch, out);
            continue;
        }
        if (k->n == 0) {
            sm_finding *f = sm_findings_add(out, "dead-channel", SM_BLOCKING, ch->name, 0);
            sm_finding_effect(f, "nothing measured on this channel is judged");
            sm_finding_text(f, "not one number in the whole log");
            continue;
        }
        report_clip(k, ch, out);
        report_missing(k, ch, out);
        if (ch->role == SM_ROLE_MAG) {
            continue;
        }
        report_spikes(k, ch, out);
        report_stuck(*k, ch, c->period_s, out);
        report_start(k, ch, c->period_s, out);
        report_overload(k, ch, out);
        if (ch->role == SM_ROLE_GYRO) {
            report_gyro(c, channels, i, out);
        }
        report_pace(k, ch, rate_hz[i], out);
        if (ch->role == SM_ROLE_ACCEL && !ch->ac_coupled && ch->axis == 0) {
            report_gravity(c, channels, i, out);
        }
    }
    report_twins(c, channels, out);
    for (size_t i = 0; i < c->n; i++) { /* notes last: what was not declared */
        report_declared(&channels[i], rate_hz[i], out);
    }
}
