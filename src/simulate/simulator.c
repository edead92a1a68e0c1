/* The generator: forces through modes to sensors, and the logger that samples them. */
#include "core/alloc.h"
#include "core/util.h"
#include "simulate/internal.h"

#include <math.h>
#include <string.h>

#define GUST_LO_HZ 1.0
#define GUST_HI_HZ 3.5
#define RATTLE_DECAY_S 0.0015
#define SLAP_DECAY_S 0.006
#define SLAP_RAD_S_PER_M_S2 0.004 /* 2 deg/s per g: a cable tugs beside the axis */
#define RATTLE_PER_TURN 2.0       /* tooth flanks change side twice per turn of the propeller */
#define MAX_JITTER 0.45           /* of a sample interval: rows keep their order */
#define MAX_SECONDS 86400.0

static void make_chain(sm_simulator *s, size_t i)
{
    const sm_sim_place *p = &s->scenario.places[i];
    sm_sim_chain *c = &s->chains[i];
    c->has_attachment = p->attachment_hz > 0;
    if (c->has_attachment) {
        c->attachment = sm_section_make(SM_SECTION_BASE, p->attachment_hz, p->attachment_damping,
                                        s->internal_hz);
    }
    c->n_filter = (size_t)p->filter_order / 2;
    for (size_t k = 0; k < c->n_filter; k++) { /* Butterworth poles: damping cos((2k+1) pi / 2n) */
        double angle = SM_PI * (double)(2 * k + 1) / (2 * (double)p->filter_order);
        c->filter[k] =
            sm_section_make(SM_SECTION_LOWPASS, p->filter_hz, cos(angle), s->internal_hz);
    }
}

double complex sm_sim_chain_response(const sm_simulator *s, size_t i_place, double hz)
{
    const sm_sim_chain *c = &s->chains[i_place];
    double complex h =
        c->has_attachment ? sm_section_response(&c->attachment, hz, s->internal_hz) : 1;
    for (size_t k = 0; k < c->n_filter; k++) {
        h *= sm_section_response(&c->filter[k], hz, s->internal_hz);
    }
    return h;
}

/* Sets a section of gain 1 at 0 Hz to rest on a constant: the log starts without a transient. */
static void settle(const sm_section *c, double z[2], double v)
{
    z[1] = (c->b2 - c->a2) * v;
    z[0] = (1 - c->b0) * v;
}

static bool same_force(const sm_sim_channel *a, const sm_sim_channel *b)
{
    return a->role == b->role && a->axis == b->axis && a->force_noise_psd == b->force_noise_psd &&
           a->noise_below_hz == b->noise_below_hz && a->noise_exponent == b->noise_exponent &&
           a->reference_rpm == b->reference_rpm;
}

/* One force shakes all places: equal ones of an axis take the draw of the first of them. */
static size_t force_of(const sm_scenario *c, size_t i)
{
    size_t k = 0;
    while (k < i && !same_force(&c->channels[k], &c->channels[i])) {
        k++;
    }
    return k;
}

static void settle_channel(sm_simulator *s, size_t i)
{
    const sm_sim_channel *ch = &s->scenario.channels[i];
    s->shares[i] = force_of(&s->scenario, i);
    const sm_sim_chain *c = &s->chains[ch->i_place];
    sm_sim_path *p = &s->paths[i];
    settle(&c->attachment, p->attachment, ch->mean_si);
    for (size_t k = 0; k < c->n_filter; k++) {
        settle(&c->filter[k], p->filter[k], ch->mean_si);
    }
    for (size_t k = 0; k < SM_SIM_RING; k++) {
        p->ring[k] = ch->mean_si;
    }
}

static void make_gust(sm_simulator *s)
{
    s->gust[0] = sm_section_make(SM_SECTION_HIGHPASS, GUST_LO_HZ, 0.7, s->internal_hz);
    for (size_t k = 1; k < SM_SIM_GUST_SECTIONS; k++) { /* steep: what it shakes stays below 5 Hz */
        double angle = SM_PI * (double)(2 * k - 1) / (4 * (SM_SIM_GUST_SECTIONS - 1));
        s->gust[k] = sm_section_make(SM_SECTION_LOWPASS, GUST_HI_HZ, cos(angle), s->internal_hz);
    }
    double power = 0; /* mean square of white noise of variance 1 behind both */
    double step = 0.01;
    for (double f = step / 2; f < 100; f += step) {
        double complex h = 1;
        for (size_t k = 0; k < SM_SIM_GUST_SECTIONS; k++) {
            h *= sm_section_response(&s->gust[k], f, s->internal_hz);
        }
        power += (creal(h) * creal(h) + cimag(h) * cimag(h)) * step * 2 / s->internal_hz;
    }
    s->gust_gain = 1 / sqrt(power);
}

static sm_status check(const sm_scenario *s, sm_error *err)
{
    double top = 0;
    for (size_t i = 0; i < s->n_profile; i++) {
        top = sm_max(top, s->profile[i].value);
    }
    bool sane = s->n_profile > 0 && s->n_channels > 0 && s->n_places > 0 && s->rate_hz > 0 &&
                s->seconds > 0 && s->seconds <= MAX_SECONDS && s->cylinders > 0 && s->gear > 0;
    if (!sane || top > 60000) {
        return sm_error_set(err, SM_E_VALUE, s->source, 0,
                            "the scenario has no profile, no channel, or a run that lasts over a "
                            "day");
    }
    return SM_OK;
}

static void start_control(sm_simulator *s);

static sm_status allocate(sm_simulator *s)
{
    size_t n = s->scenario.n_channels;
    s->x_store = sm_alloc_array(n * SM_SIM_BLOCK_ROWS, sizeof *s->x_store);
    s->sum_c = sm_alloc_array(n * SM_SIM_MAX_SOURCES, sizeof *s->sum_c);
    s->sum_power = sm_alloc_array(n * SM_SIM_MAX_SOURCES, sizeof *s->sum_power);
    if (!s->x_store || !s->sum_c || !s->sum_power) {
        return SM_E_NOMEM;
    }
    for (size_t i = 0; i < n; i++) {
        s->x[i] = s->x_store + i * SM_SIM_BLOCK_ROWS;
    }
    return SM_OK;
}

sm_status sm_simulator_open(const sm_scenario *scenario, uint64_t seed, bool truth,
                            sm_simulator **out, sm_error *err)
{
    sm_status st = check(scenario, err);
    if (st != SM_OK) {
        return st;
    }
    sm_simulator *s = sm_alloc_array(1, sizeof *s);
    if (!s) {
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    s->scenario = *scenario;
    s->scenario.seed = seed;
    s->with_truth = truth;
    s->internal_hz = scenario->rate_hz * sm_max(4, ceil(scenario->internal_hz / scenario->rate_hz));
    st = allocate(s);
    if (st != SM_OK) {
        sm_simulator_close(&s);
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    /* streams of their own: a nuisance switched off leaves the noise as it was */
    sm_engine_start(&s->engine, &s->scenario, seed);
    s->rng_noise = sm_rng_seed(seed ^ UINT64_C(0xa5a5a5a5a5a5a5a5));
    s->rng_log = sm_rng_seed(seed ^ UINT64_C(0x3c3c3c3c3c3c3c3c));
    s->rng_event = sm_rng_seed(seed ^ UINT64_C(0x0ff00ff00ff00ff0));
    for (size_t i = 0; i < scenario->n_modes; i++) {
        const sm_sim_mode *m = &scenario->modes[i];
        s->modes[i] = sm_section_make(m->kind == SM_SIM_BASE ? SM_SECTION_BASE : SM_SECTION_FORCE,
                                      m->hz, m->damping, s->internal_hz);
    }
    for (size_t i = 0; i < scenario->n_places; i++) {
        make_chain(s, i);
    }
    for (size_t i = 0; i < scenario->n_channels; i++) {
        settle_channel(s, i);
    }
    make_gust(s);
    s->rattle.decay = exp(-1 / (RATTLE_DECAY_S * s->internal_hz));
    s->slap.decay = exp(-1 / (SLAP_DECAY_S * s->internal_hz));
    s->truth.step_s = SM_SIM_CONTROL * SM_SIM_TRUTH_STEP / s->internal_hz;
    s->truth.n_channels = scenario->n_channels;
    s->truth.n_sources = scenario->n_sources;
    start_control(s);
    start_control(s);
    s->lagged_rpm = sm_engine_profile_rpm(&s->scenario, 0);
    *out = s;
    return SM_OK;
}

void sm_simulator_close(sm_simulator **simulator)
{
    sm_simulator *s = *simulator;
    if (s) {
        sm_free(s->x_store);
        sm_free(s->sum_c);
        sm_free(s->sum_power);
        sm_sim_truth_free(&s->truth);
        sm_free(s);
        *simulator = NULL;
    }
}

const sm_scenario *sm_simulator_scenario(const sm_simulator *s)
{
    return &s->scenario;
}

/* One-sided PSD S of white noise at the internal rate has the variance S rate / 2. */
static double noise_sd(const sm_simulator *s, double psd)
{
    return sqrt(psd * s->internal_hz / 2);
}

/* Speed, forces and noise levels for the next control step. */
static void start_control(sm_simulator *s)
{
    const sm_scenario *c = &s->scenario;
    double dt_s = SM_SIM_CONTROL / s->internal_hz;
    double t_s = (double)s->i_sample / s->internal_hz + dt_s;
    double rpm = sm_engine_rpm(&s->engine, t_s, dt_s);
    s->crank_hz_from = s->crank_hz_to;
    s->crank_hz_to = rpm / 60 * sm_engine_crank_per_rpm_of(c);
    memcpy(s->amp_from, s->amp_to, sizeof s->amp_from);
    sm_engine_forces(&s->engine, t_s, rpm, s->theta_rev, s->amp_to);
    for (size_t i = 0; i < c->n_channels; i++) {
        const sm_sim_channel *ch = &c->channels[i];
        s->noise_from[i] = s->noise_to[i];
        s->noise_to[i] = noise_sd(s, ch->force_noise_psd) *
                         (rpm < 1 ? 0 : pow(rpm / ch->reference_rpm, ch->noise_exponent));
    }
}

/* Phasor and modal responses of every source at this sample; u in 0..1 through the control step. */
static void step_sources(sm_simulator *s, double u)
{
    const sm_scenario *c = &s->scenario;
    double t_s = (double)s->i_sample / s->internal_hz;
    for (size_t i = 0; i < c->n_sources; i++) {
        const sm_sim_source *o = &c->sources[i];
        double turns = o->fixed ? o->hz * t_s : o->order * s->theta_rev;
        double angle = 2 * SM_PI * (turns - floor(turns)) + o->phase_rad;
        double amp = s->amp_from[i] + u * (s->amp_to[i] - s->amp_from[i]);
        s->turn[i] = sm_unit_phasor(angle);
        s->force[i] = amp * s->turn[i];
        for (size_t m = 0; m < c->n_modes; m++) {
            s->moved[i][m] = sm_section_step_complex(&s->modes[m], s->modal[i][m], s->force[i]);
        }
    }
}

/* Rattle at idle is a force on the mount, a slap of the cable acts on the sensor: both short and
 * decaying, the same for all channels. */
static void step_impacts(sm_simulator *s)
{
    const sm_sim_nuisances *n = &s->scenario.nuisances;
    double rpm = s->crank_hz * 60 / sm_engine_crank_per_rpm_of(&s->scenario);
    double count = floor(s->theta_rev / s->scenario.gear * RATTLE_PER_TURN);
    s->rattle.level *= s->rattle.decay;
    s->slap.level *= s->slap.decay;
    if (count > s->prop_impacts) {
        s->prop_impacts = count;
        double size = -log(1 - sm_rng_uniform(&s->rng_event));
        double sign = sm_rng_uniform(&s->rng_event) < 0.5 ? -1 : 1;
        s->rattle.level += rpm < n->rattle_below_rpm ? n->rattle_m_s2 * size * sign : 0;
    }
    if (n->slaps_per_s > 0 && sm_rng_uniform(&s->rng_event) < n->slaps_per_s / s->internal_hz) {
        s->slap.level += n->slap_m_s2;
    }
}

/* Force noise and rattle through colour, direct path and modes of one channel. */
static double step_rough(sm_simulator *s, size_t i, double u)
{
    const sm_sim_channel *ch = &s->scenario.channels[i];
    sm_sim_path *p = &s->paths[i];
    double white = s->noise_from[i] + u * (s->noise_to[i] - s->noise_from[i]);
    s->drawn[i] = ch->force_noise_psd > 0 ? sm_rng_normal(&s->rng_noise) : 0;
    white *= s->drawn[s->shares[i]];
    if (ch->noise_below_hz > 0) {
        double a = exp(-2 * SM_PI * ch->noise_below_hz / s->internal_hz);
        p->colour = a * p->colour + (1 - a) * white;
        white = p->colour;
    }
    double force = white + s->rattle.level;
    double y = ch->direct * force;
    for (size_t m = 0; m < s->scenario.n_modes; m++) {
        if (ch->weight[m] != 0) {
            y += ch->weight[m] * sm_section_step(&s->modes[m], p->modal[m], force);
        }
    }
    return y;
}

static double step_gust(sm_simulator *s, size_t i)
{
    const sm_sim_nuisances *n = &s->scenario.nuisances;
    bool gyro = s->scenario.channels[i].role == SM_ROLE_GYRO;
    double rms = gyro ? n->gust_rad_s_rms : n->gust_m_s2_rms;
    if (rms <= 0) {
        return 0;
    }
    double y = sm_rng_normal(&s->rng_noise) * s->gust_gain * rms;
    for (size_t k = 0; k < SM_SIM_GUST_SECTIONS; k++) {
        y = sm_section_step(&s->gust[k], s->paths[i].gust[k], y);
    }
    return y;
}

/* What one channel's sensor puts out at this internal sample, before rounding. */
static double step_channel(sm_simulator *s, size_t i, double u)
{
    const sm_sim_channel *ch = &s->scenario.channels[i];
    const sm_sim_place *place = &s->scenario.places[ch->i_place];
    const sm_sim_chain *chain = &s->chains[ch->i_place];
    sm_sim_path *p = &s->paths[i];
    double slap = s->slap.level * (ch->role == SM_ROLE_GYRO ? SLAP_RAD_S_PER_M_S2 : 1);
    double y = ch->mean_si + step_rough(s, i, u) + step_gust(s, i) + slap;
    for (size_t k = 0; k < s->scenario.n_sources; k++) {
        double sum = ch->direct * creal(s->force[k]);
        for (size_t m = 0; m < s->scenario.n_modes; m++) {
            sum += ch->weight[m] * creal(s->moved[k][m]);
        }
        y += ch->share[k] * sum;
    }
    if (chain->has_attachment) {
        y = sm_section_step(&chain->attachment, p->attachment, y);
    }
    if (ch->noise_psd > 0) {
        y += noise_sd(s, ch->noise_psd) * sm_rng_normal(&s->rng_noise);
    }
    double range = place->range_si[ch->role == SM_ROLE_GYRO];
    if (place->overload && range > 0) {
        y = sm_max(-range, sm_min(range, y));
    }
    for (size_t k = 0; k < chain->n_filter; k++) {
        y = sm_section_step(&chain->filter[k], p->filter[k], y);
    }
    return y;
}

static void push_ring(double ring[SM_SIM_RING], double v)
{
    memmove(ring, ring + 1, (SM_SIM_RING - 1) * sizeof *ring);
    ring[SM_SIM_RING - 1] = v;
}

/* One internal sample of everything. */
static void step(sm_simulator *s)
{
    const sm_scenario *c = &s->scenario;
    size_t k = (size_t)(s->i_sample % SM_SIM_CONTROL);
    if (k == 0 && s->i_sample > 0) {
        start_control(s);
    }
    double u = (double)k / SM_SIM_CONTROL;
    s->crank_hz = s->crank_hz_from + u * (s->crank_hz_to - s->crank_hz_from);
    step_sources(s, u);
    if (k == 0 && s->with_truth) {
        sm_sim_truth_update(s, s->crank_hz * 60 / sm_engine_crank_per_rpm_of(c));
    }
    step_impacts(s);
    for (size_t i = 0; i < c->n_channels; i++) {
        push_ring(s->paths[i].ring, step_channel(s, i, u));
    }
    push_ring(s->ring_theta, s->theta_rev);
    push_ring(s->ring_crank_hz, s->crank_hz);
    /* the speed is a straight line over the control step: its exact integral over one sample */
    double slope = (s->crank_hz_to - s->crank_hz_from) / SM_SIM_CONTROL;
    s->theta_rev += (s->crank_hz + slope / 2) / s->internal_hz;
    s->i_sample++;
}

/* Cubic through four samples; v between the second and the third. */
static double between(const double y[SM_SIM_RING], double v)
{
    double c1 = y[2] - y[0] / 3 - y[1] / 2 - y[3] / 6;
    double c2 = y[0] / 2 - y[1] + y[2] / 2;
    double c3 = (y[3] - y[0]) / 6 + (y[1] - y[2]) / 2;
    return y[1] + v * (c1 + v * (c2 + v * c3));
}

static double rounded(double v, double step_size, double range)
{
    if (range > 0) {
        v = sm_max(-range, sm_min(range, v));
    }
    return step_size > 0 ? round(v / step_size) * step_size : v;
}

/* The pulse: full height for `width` of its turn, edges rise_s long, half height at turn 0. */
static double tach_level(const sm_scenario *c, double crank_rev, double crank_hz)
{
    double per = (double)c->pulses_per_rev / (c->tach_shaft == SM_SHAFT_PROP ? c->gear : 1);
    double p = crank_rev * per;
    p -= floor(p);
    p -= p > 0.5 + c->pulse_width / 2 ? 1 : 0;
    double rise = crank_hz * per * c->pulse_rise_s;
    if (rise <= 0) {
        return p >= 0 && p < c->pulse_width ? 1 : 0;
    }
    double level = sm_min(p / rise + 0.5, (c->pulse_width - p) / rise + 0.5);
    return sm_max(0, sm_min(1, level));
}

bool sm_sim_in_gap(const sm_scenario *s, double t_s)
{
    for (size_t i = 0; i < s->n_gaps; i++) {
        if (t_s >= s->gaps[i].at && t_s < s->gaps[i].at + s->gaps[i].value) {
            return true;
        }
    }
    return false;
}

/* When row i is sampled: the logger's clock and its jitter. */
static double row_time(sm_simulator *s, uint64_t i)
{
    const sm_scenario *c = &s->scenario;
    double interval = (1 + c->clock_ppm * 1e-6) / c->rate_hz;
    double t = (double)i * interval;
    if (c->jitter_s > 0 && i > 0) {
        double j = c->jitter_s * sm_rng_normal(&s->rng_log);
        t += sm_max(-MAX_JITTER * interval, sm_min(MAX_JITTER * interval, j));
    }
    return t;
}

/* Stores the row sampled at next_s, v of the way from the second ring sample to the third. */
static void store_row(sm_simulator *s, double v)
{
    const sm_scenario *c = &s->scenario;
    size_t n = s->n_rows++;
    double stamp = s->next_s / (1 + c->clock_ppm * 1e-6);
    if (c->stamp_noise_s > 0) {
        stamp += c->stamp_noise_s * sm_rng_normal(&s->rng_log);
    }
    s->t_s[n] = stamp;
    for (size_t i = 0; i < c->n_channels; i++) {
        const sm_sim_channel *ch = &c->channels[i];
        const sm_sim_place *p = &c->places[ch->i_place];
        bool gyro = ch->role == SM_ROLE_GYRO;
        s->x[i][n] = rounded(between(s->paths[i].ring, v), p->step_si[gyro], p->range_si[gyro]);
    }
    double crank_hz = s->ring_crank_hz[1] + v * (s->ring_crank_hz[2] - s->ring_crank_hz[1]);
    s->theta[n] = s->ring_theta[1] + v * (s->ring_theta[2] - s->ring_theta[1]);
    s->true_rpm[n] = crank_hz * 60 / sm_engine_crank_per_rpm_of(c);
    double a = c->rpm_lag_s > 0 ? exp(-1 / (c->rpm_lag_s * c->rate_hz)) : 0;
    s->lagged_rpm = a * s->lagged_rpm + (1 - a) * s->true_rpm[n];
    double shown = s->lagged_rpm;
    shown += c->rpm_noise > 0 ? c->rpm_noise * sm_rng_normal(&s->rng_log) : 0;
    s->rpm[n] = sm_max(0, rounded(shown, c->rpm_step, 0));
    s->tach[n] = c->has_tach ? tach_level(c, s->theta[n], crank_hz) : 0;
}

/* Samples the rows whose time lies between the second and the third ring sample. */
static void take_rows(sm_simulator *s)
{
    const sm_scenario *c = &s->scenario;
    for (;;) {
        double at = s->next_s * s->internal_hz - ((double)s->i_sample - 3);
        if (at >= 1 || s->n_rows == SM_SIM_BLOCK_ROWS || s->next_s >= c->seconds) {
            return;
        }
        bool lost = c->dropouts_per_s > 0 && s->i_row > 0 &&
                    sm_rng_uniform(&s->rng_log) < c->dropouts_per_s / c->rate_hz;
        if (!lost && !sm_sim_in_gap(c, s->next_s)) {
            store_row(s, sm_max(0, at));
        }
        s->i_row++;
        s->next_s = row_time(s, s->i_row);
    }
}

void sm_simulator_next(sm_simulator *s, sm_sim_rows *out)
{
    s->n_rows = 0;
    while (s->next_s < s->scenario.seconds) {
        if (s->i_sample >= 3) {
            take_rows(s);
        }
        if (s->n_rows == SM_SIM_BLOCK_ROWS) {
            break;
        }
        step(s);
    }
    *out = (sm_sim_rows){
        .n_rows = s->n_rows,
        .t_s = s->t_s,
        .x = (const double *const *)s->x,
        .rpm = s->rpm,
        .tach = s->tach,
        .true_rpm = s->true_rpm,
        .theta_rev = s->theta,
    };
}
