/*
 * A low-pass filter that nobody told of: a sensor's digital filter, or a logger's smoothing. It
 * takes the shaking away that a limit asks for. Its noise tells: behind a filter the noise of
 * everything falls, steeper than behind any single mount, down to the rounding of the numbers. A
 * mount takes away the aircraft's noise but not the sensor's own, which stays level.
 */
#include "budget/score.h"
#include "core/util.h"
#include "stillmount/units.h"

#include <math.h>
#include <stdio.h>

enum { MOST_BINS = 200, LEAST_FRAMES = 4, PER_OCTAVE = 3, LEAST_BELOW = 4 };
#define FIRST_HZ 5.0 /* below, the aircraft rocks */
#define LAST 0.48    /* of the rate */
#define KNEE_DB 3.0  /* still level */
/* So far above its knee one mass on a spring passes 23 dB less (r = 1.55 to 3.9, undamped), a
 * filter of four poles 32 dB. */
#define REACH 2.52 /* four thirds of an octave */
#define STEEP_DB 27.5
#define SOFT_DB 10.0 /* at the top of a limit: a filter of unknown corner may have done it */
#define ROUNDING_DB                                                                                \
    12.0                 /* two bits above the rounding of the numbers is a converter's own noise  \
                          */
#define LEVEL_DB 3.0     /* in the last octave: a sensor's own noise */
#define DECLARED 0.6     /* the knee of a soft filter lies so far under its corner */
#define NOISE_SHARE 1e-7 /* less is the rounding of computed tones, not a measurement */

static double median_of(double *v, size_t n)
{
    for (size_t i = 1; i < n; i++) { /* few */
        double x = v[i];
        size_t k = i;
        for (; k > 0 && v[k - 1] > x; k--) {
            v[k] = v[k - 1];
        }
        v[k] = x;
    }
    return n % 2 ? v[n / 2] : (v[n / 2 - 1] + v[n / 2]) / 2;
}

/* Least density of a bin over the bands: lines that move with the speed are not in it. */
static double quietest(const sm_score_view *v, size_t channel, size_t bin)
{
    double least = INFINITY;
    for (size_t b = 0; b < v->survey->n_bands; b++) {
        const sm_band *band = &v->survey->bands[b];
        if (band->visited && band->channels[channel].psd &&
            band->channels[channel].n_frames >= LEAST_FRAMES) {
            least = sm_min(least, band->channels[channel].psd[bin]);
        }
    }
    return least;
}

void sm_floor_curve_get(const sm_score_view *v, size_t channel, sm_floor_curve *c)
{
    const sm_survey_result *s = v->survey;
    const sm_channel_stat *stat = &s->channels[channel];
    double own =
        stat->info.native_rate_hz > 0 ? sm_min(s->rate_hz, stat->info.native_rate_hz) : s->rate_hz;
    double step = pow(2, 1.0 / PER_OCTAVE);
    c->n = 0;
    c->rounding_db = 10 * log10(stat->step_si * stat->step_si / 12 / (own / 2));
    double total = stat->rms_si * stat->rms_si - stat->mean_si * stat->mean_si;
    for (double hz = FIRST_HZ; hz < LAST * own && c->n < SM_FLOOR_MOST; hz *= step) {
        double bins[MOST_BINS];
        size_t n = 0;
        size_t from = (size_t)ceil(hz / sqrt(step) / s->bin_hz);
        size_t to = (size_t)sm_min(floor(hz * sqrt(step) / s->bin_hz), (double)s->n_bins - 2);
        size_t stride = 1 + (to > from ? to - from : 0) / MOST_BINS;
        for (size_t k = from; k <= to && n < MOST_BINS; k += stride) {
            bins[n++] = quietest(v, channel, k);
        }
        double density = n ? median_of(bins, n) : (double)INFINITY;
        if (isinf(density)) {
            break; /* no band long enough, or a third of an octave without a bin */
        }
        c->hz[c->n] = hz;
        c->db[c->n++] = 10 * log10(sm_max(density, 1e-30));
    }
    c->noise_db = 10 * log10(NOISE_SHARE * sm_max(total, 0));
}

/* Median level of the two octaves that end at the i-th centre; NaN when too little is below. */
static double level_below(const sm_floor_curve *c, size_t i)
{
    double v[2 * PER_OCTAVE + 1];
    size_t n = 0;
    for (size_t k = i + 1; k-- > 0 && n < 2 * PER_OCTAVE + 1;) {
        v[n++] = c->db[k];
    }
    return n < LEAST_BELOW ? (double)NAN : median_of(v, n);
}

/* Does the noise end level, well above the rounding? Then it is the sensor's own. Between the
 * zeros of a running mean it does not: there it was lower before. */
static bool ends_level(const sm_floor_curve *c)
{
    double last = c->db[c->n - 1];
    for (size_t i = LEAST_BELOW; i < c->n; i++) {
        if (c->db[i] < last - LEVEL_DB) {
            return false;
        }
    }
    return last > c->rounding_db + ROUNDING_DB && c->db[c->n - 1 - PER_OCTAVE] - last < LEVEL_DB;
}

/* Level at hz, straight between the centres. */
static double level_at(const sm_floor_curve *c, double hz)
{
    size_t i = 0;
    while (i + 2 < c->n && c->hz[i + 1] < hz) {
        i++;
    }
    double share = log(hz / c->hz[i]) / log(c->hz[i + 1] / c->hz[i]);
    return c->db[i] + share * (c->db[i + 1] - c->db[i]);
}

/* Where it passes 3 dB below the level, between the i-th centre and the next; NaN: not there. */
static double knee_at(const sm_floor_curve *c, size_t i, double level)
{
    double from = c->db[i] - (level - KNEE_DB);
    double to = c->db[i + 1] - (level - KNEE_DB);
    return from >= 0 && to < 0 ? c->hz[i] * pow(c->hz[i + 1] / c->hz[i], from / (from - to))
                               : (double)NAN;
}

double sm_floor_knee(const sm_floor_curve *c)
{
    if (c->n < LEAST_BELOW + PER_OCTAVE + 1 || ends_level(c)) {
        return 0;
    }
    for (size_t i = LEAST_BELOW - 1; i + PER_OCTAVE + 1 < c->n; i++) {
        double level = level_below(c, i);
        double knee = knee_at(c, i, level);
        double far = REACH * knee;
        bool down = far <= c->hz[c->n - 1] && level + 10 * log10(knee) > c->noise_db &&
                    level_at(c, far) <= level - STEEP_DB;
        for (size_t k = i; k < c->n && down; k++) {
            down = c->hz[k] < far || c->db[k] <= level - STEEP_DB;
        }
        if (down) {
            return knee;
        }
    }
    return 0;
}

bool sm_floor_falls(const sm_floor_curve *c, double hz)
{
    size_t i = 0;
    while (i + 1 < c->n && c->hz[i + 1] <= hz) {
        i++;
    }
    if (c->n < LEAST_BELOW + PER_OCTAVE + 1 || ends_level(c)) {
        return false;
    }
    double highest = NAN;
    for (size_t k = LEAST_BELOW - 1; k < i; k++) {
        highest = fmax(highest, level_below(c, k));
    }
    return highest + 10 * log10(hz) > c->noise_db && c->db[i] < highest - SOFT_DB;
}

/* Median density of the bins in [from_hz, to_hz]; NaN where none is known. */
static double density_in(const sm_score_view *v, size_t channel, double from_hz, double to_hz)
{
    double bins[MOST_BINS];
    size_t n = 0;
    size_t to = (size_t)sm_min(floor(to_hz / v->survey->bin_hz), (double)v->survey->n_bins - 2);
    for (size_t k = (size_t)ceil(from_hz / v->survey->bin_hz); k <= to && n < MOST_BINS; k++) {
        bins[n++] = quietest(v, channel, k);
    }
    double density = n ? median_of(bins, n) : (double)NAN;
    return isfinite(density) ? density : (double)NAN;
}

#define NOTCH_DB 15.0 /* a running mean's zero within a bin and a half, against both flanks */
enum { MEAN_LEAST = 3, MEAN_MOST = 16 };

/* How far the noise sinks where a mean over n samples has a zero, against the flanks [dB]. */
static double notch_at(const sm_score_view *v, size_t channel, double zero_hz, double apart_hz)
{
    double bin = v->survey->bin_hz;
    double bottom = density_in(v, channel, zero_hz - 1.5 * bin, zero_hz + 1.5 * bin);
    double left = density_in(v, channel, zero_hz - 0.5 * apart_hz, zero_hz - 0.25 * apart_hz);
    double right = density_in(v, channel, zero_hz + 0.25 * apart_hz, zero_hz + 0.5 * apart_hz);
    return 10 * log10(sm_min(left, right) / sm_max(bottom, 1e-30));
}

/*
 * The samples that somebody's running mean was taken over; 0 = none. No structure makes notches at
 * exact shares of the sampling rate, and at all of them.
 */
static int running_mean_of(const sm_score_view *v, size_t channel)
{
    const sm_channel_stat *stat = &v->survey->channels[channel];
    double rate = v->survey->rate_hz;
    if (stat->info.native_rate_hz > 0 && stat->info.native_rate_hz < 0.99 * rate) {
        return 0; /* interpolated */
    }
    for (int n = MEAN_LEAST; n <= MEAN_MOST; n++) {
        double apart = rate / n;
        bool all = apart > 16 * v->survey->bin_hz;
        for (int k = 1; all && k * apart + 0.5 * apart <= 0.5 * rate * (1 + 1e-9); k++) {
            all = notch_at(v, channel, k * apart, apart) >= NOTCH_DB; /* false for NaN */
        }
        if (all) {
            return n;
        }
    }
    return 0;
}

#define MEAN_TOP 0.18 /* of rate / n: there a running mean reads half a decibel low */

static bool check_running_mean(const sm_score_view *v, size_t channel)
{
    const sm_channel *own = &v->survey->channels[channel].info;
    int n = running_mean_of(v, channel);
    double top = n ? MEAN_TOP * v->survey->rate_hz / n : (double)NAN;
    if (n == 0) {
        return false;
    }
    sm_finding *f =
        sm_findings_add(sm_run_findings(v->run), "low-pass-seen", SM_BLOCKING, own->name, 1);
    sm_finding_text(
        f,
        "the noise has a notch at every multiple of 1/%d of the rate: each value is a mean "
        "of %d samples, which takes away what shakes above %.2g Hz. Write every sample, "
        "without smoothing, and record again",
        n, n, top);
    sm_finding_effect(f, "limits that reach above %.2g Hz are unassessed", top);
    if (f) {
        f->hz_lo = top;
        f->hz_hi = INFINITY;
    }
    return true;
}

void sm_check_rolloff(const sm_score_view *v, size_t channel)
{
    const sm_channel *own = &v->survey->channels[channel].info;
    if ((own->role != SM_ROLE_ACCEL && own->role != SM_ROLE_GYRO) ||
        !(v->survey->channels[channel].step_si > 0)) {
        return;
    }
    if (check_running_mean(v, channel)) {
        return;
    }
    sm_floor_curve c;
    sm_floor_curve_get(v, channel, &c);
    double knee = sm_floor_knee(&c);
    if (knee == 0 || (own->bandwidth_hz > 0 && own->bandwidth_hz < knee / DECLARED)) {
        return;
    }
    char told[48] = "no bandwidth_hz is given";
    if (own->bandwidth_hz > 0) {
        (void)snprintf(told, sizeof told, "bandwidth_hz says %.4g", own->bandwidth_hz);
    }
    sm_finding *f =
        sm_findings_add(sm_run_findings(v->run), "low-pass-seen", SM_BLOCKING, own->name, 1);
    sm_finding_text(f,
                    "above about %.2g Hz all noise falls away as behind a low-pass filter (%s): "
                    "what shakes faster is not in this log. Set the filter of sensor and logger "
                    "above the limit's range and record again",
                    knee, told);
    sm_finding_effect(f, "limits that reach above it are unassessed");
    if (f) {
        f->hz_lo = knee;
        f->hz_hi = INFINITY;
    }
}
