/* The truth: envelopes behind modes and sensors, and what the scoring should find in them. */
#include "core/alloc.h"
#include "core/util.h"
#include "simulate/internal.h"

#include <math.h>
#include <string.h>

#define CELL_RPM 25.0
#define HELD_RPM 10.0 /* change over a frame below which the truth calls it held */
enum { MAX_CELLS = 4096, LOBE_BINS = 6 };

size_t sm_truth_at(const sm_truth *t, size_t i_channel, size_t i_source, size_t i_step)
{
    return (i_channel * t->n_sources + i_source) * t->capacity + i_step;
}

void sm_sim_truth_free(sm_truth *t)
{
    sm_free(t->rpm);
    sm_free(t->crank_hz);
    sm_free(t->amplitude_pk);
    sm_free(t->phase_rad);
    sm_free(t->power);
    *t = (sm_truth){0};
}

/* Copies rows of `old` values into rows of `capacity`. */
static double *widen(const double *from, size_t n_lines, size_t old, size_t capacity)
{
    double *to = sm_alloc_array(n_lines * capacity, sizeof *to);
    for (size_t i = 0; to && from && i < n_lines; i++) {
        memcpy(to + i * capacity, from + i * old, old * sizeof *to);
    }
    return to;
}

static bool grow(sm_truth *t)
{
    if (t->n_steps < t->capacity) {
        return true;
    }
    size_t n = t->capacity ? t->capacity * 2 : 1024;
    size_t lines = t->n_channels * t->n_sources;
    sm_truth w = *t;
    w.capacity = n;
    w.rpm = widen(t->rpm, 1, t->capacity, n);
    w.crank_hz = widen(t->crank_hz, 1, t->capacity, n);
    w.amplitude_pk = widen(t->amplitude_pk, lines, t->capacity, n);
    w.phase_rad = widen(t->phase_rad, lines, t->capacity, n);
    w.power = widen(t->power, lines, t->capacity, n);
    bool good = w.rpm && w.crank_hz && (lines == 0 || (w.amplitude_pk && w.phase_rad && w.power));
    sm_truth drop = good ? *t : w;
    sm_sim_truth_free(&drop);
    if (good) {
        *t = w;
    }
    return good;
}

static void store_step(sm_simulator *s)
{
    sm_truth *t = &s->truth;
    double n = (double)s->n_updates;
    s->truth_failed = s->truth_failed || !grow(t);
    if (!s->truth_failed) {
        size_t i = t->n_steps++;
        t->rpm[i] = s->sum_rpm / n;
        t->crank_hz[i] = s->sum_crank_hz / n;
        for (size_t k = 0; k < t->n_channels * t->n_sources; k++) {
            size_t at = k * t->capacity + i;
            t->amplitude_pk[at] = cabs(s->sum_c[k]) / n;
            t->phase_rad[at] = carg(s->sum_c[k]);
            t->power[at] = s->sum_power[k] / n;
        }
    }
    memset(s->sum_c, 0, t->n_channels * t->n_sources * sizeof *s->sum_c);
    memset(s->sum_power, 0, t->n_channels * t->n_sources * sizeof *s->sum_power);
    s->n_updates = 0;
    s->sum_rpm = 0;
    s->sum_crank_hz = 0;
}

static double source_hz(const sm_sim_source *o, double crank_hz)
{
    return o->fixed ? o->hz : o->order * crank_hz;
}

void sm_sim_truth_update(sm_simulator *s, double rpm)
{
    const sm_scenario *c = &s->scenario;
    for (size_t k = 0; k < c->n_sources; k++) {
        const sm_sim_source *o = &c->sources[k];
        double complex back = conj(s->turn[k]) * sm_unit_phasor(o->phase_rad);
        double complex sensor[SM_SIM_MAX_PLACES];
        for (size_t p = 0; p < c->n_places; p++) {
            sensor[p] = back * sm_sim_chain_response(s, p, source_hz(o, s->crank_hz));
        }
        for (size_t i = 0; i < c->n_channels; i++) {
            const sm_sim_channel *ch = &c->channels[i];
            double complex y = ch->direct * s->force[k];
            for (size_t m = 0; m < c->n_modes; m++) {
                y += ch->weight[m] * s->moved[k][m];
            }
            y *= ch->share[k] * sensor[ch->i_place];
            s->sum_c[i * c->n_sources + k] += y;
            s->sum_power[i * c->n_sources + k] += (creal(y) * creal(y) + cimag(y) * cimag(y)) / 2;
        }
    }
    s->sum_rpm += rpm;
    s->sum_crank_hz += s->crank_hz;
    if (++s->n_updates == SM_SIM_TRUTH_STEP) {
        store_step(s);
    }
}

const sm_truth *sm_simulator_truth(const sm_simulator *s)
{
    return s->with_truth && !s->truth_failed ? &s->truth : NULL;
}

/* Force to motion at the place, without the sensor. */
static double complex mount_response(const sm_simulator *s, const sm_sim_channel *ch, double hz)
{
    double complex h = ch->direct;
    for (size_t m = 0; m < s->scenario.n_modes; m++) {
        h += ch->weight[m] * sm_section_response(&s->modes[m], hz, s->internal_hz);
    }
    return h;
}

void sm_simulator_response(const sm_simulator *s, size_t i_channel, double hz, double out_re_im[2])
{
    const sm_sim_channel *ch = &s->scenario.channels[i_channel];
    double complex h = mount_response(s, ch, hz) * sm_sim_chain_response(s, ch->i_place, hz);
    out_re_im[0] = creal(h);
    out_re_im[1] = cimag(h);
}

static double square(double complex z)
{
    return creal(z) * creal(z) + cimag(z) * cimag(z);
}

double sm_simulator_noise_psd(const sm_simulator *s, size_t i_channel, double hz, double rpm)
{
    const sm_sim_channel *ch = &s->scenario.channels[i_channel];
    const sm_sim_place *place = &s->scenario.places[ch->i_place];
    const sm_sim_chain *chain = &s->chains[ch->i_place];
    double level = rpm < 1 ? 0 : pow(rpm / ch->reference_rpm, ch->noise_exponent);
    double force = ch->force_noise_psd * level * level;
    if (ch->noise_below_hz > 0) {
        double a = exp(-2 * SM_PI * ch->noise_below_hz / s->internal_hz);
        double complex z1 = sm_unit_phasor(-2 * SM_PI * hz / s->internal_hz);
        force *= square((1 - a) / (1 - a * z1));
    }
    double complex sensor = sm_sim_chain_response(s, ch->i_place, hz);
    double complex attached = /* the sensor's own noise does not pass its attachment */
        chain->has_attachment ? sm_section_response(&chain->attachment, hz, s->internal_hz) : 1;
    double q = place->step_si[ch->role == SM_ROLE_GYRO];
    return force * square(mount_response(s, ch, hz) * sensor) +
           ch->noise_psd * square(sensor / attached) + q * q / 12 / (s->scenario.rate_hz / 2);
}

/* Share of a tone's power that the Hann frame puts into bins between lo and hi (all in bins). */
static double lobe_share(double f, double lo, double hi)
{
    if (f > lo + LOBE_BINS && f < hi - LOBE_BINS) {
        return 1;
    }
    double share = 0;
    double first = floor(f) - LOBE_BINS;
    for (double k = first; k <= first + 2 * LOBE_BINS + 1; k++) {
        double covered = sm_min(k + 0.5, hi) - sm_max(k - 0.5, lo);
        if (covered > 0) {
            double d = k - f;
            double w = fabs(d) < 1e-9             ? 1
                       : fabs(fabs(d) - 1) < 1e-9 ? 0.5
                                                  : sin(SM_PI * d) / (SM_PI * d * (1 - d * d));
            share += covered * w * w / 1.5;
        }
    }
    return share;
}

/* Mean square of the broadband part in a frequency range. */
static double noise_power(const sm_simulator *s, size_t i_channel, double lo, double hi, double rpm)
{
    double step_hz = 0.5;
    size_t n = (size_t)ceil((hi - lo) / step_hz);
    double sum = 0;
    for (size_t k = 0; k < n; k++) {
        double f = lo + (hi - lo) * ((double)k + 0.5) / (double)n;
        sum += sm_simulator_noise_psd(s, i_channel, f, rpm);
    }
    return n ? sum * (hi - lo) / (double)n : 0;
}

/* What the frames of a band are summed into. */
typedef struct cells {
    double power[MAX_CELLS][3];
    size_t n[MAX_CELLS][3];
} cells;

typedef struct band_query {
    size_t i_channel;
    double rpm[2];
    double hz[2];
    double noise[2]; /* power at the two ends of the band, interpolated in rpm */
    double frame_s;
} band_query;

static bool same_line(const sm_sim_source *a, const sm_sim_source *b)
{
    return a->fixed == b->fixed && (a->fixed ? a->hz == b->hz : fabs(a->order - b->order) < 1e-9);
}

/*
 * Power of the line of source k with all that share its frequency: crank 1 and prop 1 on a direct
 * drive add as phasors. What scatters about the mean envelopes adds as power. 0 when an earlier
 * source has counted it.
 */
static double line_power(const sm_simulator *s, const band_query *q, size_t k, size_t i)
{
    const sm_truth *t = &s->truth;
    const sm_sim_source *o = s->scenario.sources;
    double complex sum = 0;
    double rest = 0;
    for (size_t j = 0; j < t->n_sources; j++) {
        if (!same_line(&o[k], &o[j])) {
            continue;
        }
        if (j < k) {
            return 0;
        }
        size_t at = sm_truth_at(t, q->i_channel, j, i);
        double a = t->amplitude_pk[at];
        sum += a * sm_unit_phasor(t->phase_rad[at]);
        rest += sm_max(0, t->power[at] - a * a / 2);
    }
    return square(sum) / 2 + rest;
}

/* Power of all sources in step i that the frame sees between hz[0] and hz[1]. */
static double step_power(const sm_simulator *s, const band_query *q, size_t i)
{
    const sm_truth *t = &s->truth;
    double sum = 0;
    for (size_t k = 0; k < t->n_sources; k++) {
        double f = source_hz(&s->scenario.sources[k], t->crank_hz[i]);
        double share = lobe_share(f * q->frame_s, q->hz[0] * q->frame_s, q->hz[1] * q->frame_s);
        sum += share * line_power(s, q, k, i);
    }
    double u = (t->rpm[i] - q->rpm[0]) / (q->rpm[1] - q->rpm[0]);
    return sum + sm_max(0, q->noise[0] + u * (q->noise[1] - q->noise[0]));
}

static bool touches_gap(const sm_scenario *s, double a, double b)
{
    for (size_t i = 0; i < s->n_gaps; i++) {
        if (s->gaps[i].at < b && s->gaps[i].at + s->gaps[i].value > a) {
            return true;
        }
    }
    return false;
}

/* One frame that starts at step `first`: its power, weighted by the squared Hann window. */
static void add_frame(const sm_simulator *s, const band_query *q, size_t first, size_t n,
                      cells *sum)
{
    const sm_truth *t = &s->truth;
    double rpm = 0;
    for (size_t i = first; i < first + n; i++) {
        rpm += t->rpm[i] / (double)n;
    }
    if (!(rpm >= q->rpm[0] && rpm < q->rpm[1])) {
        return;
    }
    double power = 0;
    double weights = 0;
    for (size_t i = 0; i < n; i++) {
        double h = sin(SM_PI * ((double)i + 0.5) / (double)n);
        double w = h * h * h * h;
        power += w * step_power(s, q, first + i);
        weights += w;
    }
    double change = t->rpm[first + n - 1] - t->rpm[first];
    size_t way = fabs(change) < HELD_RPM ? 2 : change > 0 ? 0 : 1;
    double n_cells = sm_min(MAX_CELLS, ceil((q->rpm[1] - q->rpm[0]) / CELL_RPM));
    size_t cell = (size_t)((rpm - q->rpm[0]) / (q->rpm[1] - q->rpm[0]) * n_cells);
    sum->power[cell][way] += power / weights;
    sum->n[cell][way]++;
}

static sm_truth_rms result_of(const cells *sum)
{
    sm_truth_rms r = {.mean_rms = (double)NAN, .worst_rms = (double)NAN};
    double all = 0;
    double worst = 0;
    for (size_t i = 0; i < MAX_CELLS; i++) {
        for (size_t w = 0; w < 3; w++) {
            if (sum->n[i][w]) {
                r.n_frames += sum->n[i][w];
                all += sum->power[i][w];
                worst = sm_max(worst, sum->power[i][w] / (double)sum->n[i][w]);
            }
        }
    }
    if (r.n_frames) {
        r.mean_rms = sqrt(all / (double)r.n_frames);
        r.worst_rms = sqrt(worst);
    }
    return r;
}

sm_status sm_simulator_band_rms(const sm_simulator *s, size_t i_channel, double rpm_lo,
                                double rpm_hi, double hz_lo, double hz_hi, sm_truth_rms *out)
{
    const sm_truth *t = sm_simulator_truth(s);
    if (!t || i_channel >= t->n_channels || !(rpm_lo < rpm_hi) || !(hz_lo < hz_hi)) {
        return SM_E_ARG;
    }
    cells *sum = sm_alloc_array(1, sizeof *sum);
    if (!sum) {
        return SM_E_NOMEM;
    }
    band_query q = {.i_channel = i_channel, .rpm = {rpm_lo, rpm_hi}, .hz = {hz_lo, hz_hi}};
    q.noise[0] = noise_power(s, i_channel, hz_lo, hz_hi, rpm_lo);
    q.noise[1] = noise_power(s, i_channel, hz_lo, hz_hi, rpm_hi);
    size_t n = (size_t)lround(1 / t->step_s);
    q.frame_s = (double)n * t->step_s;
    for (size_t first = 0; first + n <= t->n_steps; first += n / 2) {
        double from = (double)first * t->step_s;
        if (!touches_gap(&s->scenario, from, from + q.frame_s)) {
            add_frame(s, &q, first, n, sum);
        }
    }
    *out = result_of(sum);
    sm_free(sum);
    return SM_OK;
}
