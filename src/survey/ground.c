/* The accumulator: what passes is cut into slices of 10 ms and half seconds, slow frames while the
 * engine runs, fast frames and taps while it may be off. */
#include "stillmount/ground.h"

#include "core/alloc.h"
#include "core/util.h"
#include "core/wide.h"
#include "survey/ground_parts.h"

#include <math.h>
#include <string.h>

static const double MICRO_S = 0.01;
static const double HALF_S = 0.5;
static const double SLOW_S = 4;  /* 0.25 Hz apart: rocking from 0.5 Hz up */
static const double TAP_S = 0.4; /* a soft fixing has long stopped ringing */
static const double STANDS_RPM = 1;
static const double QUIET = 3; /* frames within this factor of the quietest are engine off */
enum { RUN_LEVELS = 4096, ROCK_TOP_HZ = 6 };

const char *sm_axes_state_text(sm_axes_state s)
{
    static const char *const names[] = {"not shown", "proven", "contradicted"};
    return (int)s < 0 || s > SM_AXES_CONTRADICTED ? "not shown" : names[s];
}

/* ---- opening ---- */

static long place_of(sm_ground *g, const sm_channel *c)
{
    sm_ground_result *r = &g->result;
    for (size_t i = 0; i < r->n_places; i++) {
        if (strcmp(r->places[i].place, c->place) == 0) {
            return (long)i;
        }
    }
    if (r->n_places == SM_GROUND_PLACES) {
        return -1;
    }
    sm_ground_place *p = &r->places[r->n_places];
    *p = (sm_ground_place){
        .ring_hz = NAN, .ring_damping = NAN, .ring_gain = NAN, .i_nose_up = -1, .i_right_down = -1};
    memcpy(p->place, c->place, sizeof p->place);
    p->oriented = c->oriented;
    for (int a = 0; a < 3; a++) {
        g->tappers[r->n_places].i_axis[a] = -1;
    }
    return (long)r->n_places++;
}

static void pick(sm_ground *g, size_t n_channels)
{
    bool accel = false;
    for (size_t i = 0; i < n_channels; i++) {
        accel |= g->info[i].role == SM_ROLE_ACCEL;
    }
    g->bandwidth_hz = INFINITY;
    g->i_rpm = -1;
    for (size_t i = 0; i < n_channels; i++) {
        const sm_channel *c = &g->info[i];
        g->i_rpm = c->role == SM_ROLE_RPM ? (long)i : g->i_rpm;
        bool used = c->axis >= 0 && (c->role == SM_ROLE_ACCEL || c->role == SM_ROLE_GYRO);
        if (!used) {
            continue;
        }
        size_t k = g->n_picked++;
        g->picked[k] = i;
        g->place[k] = place_of(g, c);
        g->counts[k] = c->role == (accel ? SM_ROLE_ACCEL : SM_ROLE_GYRO);
        g->channels[k] = (sm_ground_channel){.i_source = i, .running_power_si = NAN};
        if (c->role == SM_ROLE_ACCEL && g->place[k] >= 0) {
            g->tappers[g->place[k]].i_axis[c->axis] = (long)i;
        }
        if (c->bandwidth_hz > 0) {
            g->bandwidth_hz = sm_min(g->bandwidth_hz, c->bandwidth_hz);
        }
    }
    g->result.channels = g->channels;
    g->result.n_channels = g->n_picked;
}

/* The slowest thing that the powertrain turns: below it nothing is the engine's. */
static double lowest_per_rpm(const sm_powertrain *p)
{
    double per = sm_powertrain_reference_per(p, p->rpm_of) / 60;
    double lowest = p->has_engine ? p->strokes == 4 ? 0.5 : 1 : (double)INFINITY;
    if (p->has_propeller || p->has_gearbox || !p->has_engine) {
        lowest = sm_min(lowest, 1 / sm_powertrain_reference_per(p, SM_SHAFT_PROP));
    }
    for (size_t i = 0; i < p->n_accessories; i++) {
        lowest = sm_min(lowest, 1 / sm_ratio_value(p->accessories[i].ratio));
    }
    return lowest * per;
}

static void set_lengths(sm_ground *g)
{
    g->n_micro = (size_t)sm_max(1, nearbyint(MICRO_S * g->rate_hz));
    double per_half = nearbyint(HALF_S * g->rate_hz / (double)g->n_micro);
    g->n_half = g->n_micro * (size_t)sm_max(1, per_half);
    g->slow_rate_hz = g->rate_hz / (double)g->n_micro;
    g->n_slow = sm_frame_length(SLOW_S * g->slow_rate_hz);
    g->n_frame = sm_frame_length(g->rate_hz);
    g->result.bin_hz = g->rate_hz / (double)g->n_frame;
    g->result.n_bins = g->n_frame / 2 + 1;
    g->result.rock_bin_hz = g->slow_rate_hz / (double)g->n_slow;
    size_t most = (size_t)(ROCK_TOP_HZ / g->result.rock_bin_hz) + 1;
    g->result.n_rock_bins = most < g->n_slow / 2 + 1 ? most : g->n_slow / 2 + 1;
    g->n_tap = sm_frame_length(TAP_S * g->rate_hz);
    g->n_tap = g->n_tap < SM_GROUND_TAP_ROWS ? g->n_tap : SM_GROUND_TAP_ROWS;
    g->n_pad = 4 * g->n_tap;
    g->quietest = INFINITY;
    g->run_stride = 1;
}

static bool room(double **p, size_t n)
{
    *p = sm_alloc_array(n ? n : 1, sizeof **p);
    return *p != NULL;
}

static bool rooms(sm_ground *g)
{
    size_t n = g->n_picked;
    g->run_levels = sm_alloc_array(RUN_LEVELS, sizeof *g->run_levels);
    bool good = g->run_levels && room(&g->sum, n) && room(&g->mean, n) && room(&g->square, n) &&
                room(&g->origin, n) && room(&g->run_power, n) && room(&g->slow, n * g->n_slow) &&
                room(&g->slow_rpm, g->n_slow) && room(&g->slow_window, g->n_slow) &&
                room(&g->slow_sum, n * g->result.n_rock_bins) && room(&g->slow_worst, n) &&
                room(&g->frame, n * g->n_frame) && room(&g->window, g->n_frame) &&
                room(&g->off_sum, n * g->result.n_bins);
    for (size_t i = 0; good && i < g->result.n_places; i++) {
        sm_tapper *t = &g->tappers[i];
        good = room(&t->rows, 3 * g->n_tap);
        for (int a = 0; good && a < 3; a++) {
            good = room(&t->power[a], g->n_pad / 2 + 1);
        }
    }
    size_t longest = g->n_frame > g->n_slow ? g->n_frame : g->n_slow;
    longest = longest > g->n_pad ? longest : g->n_pad;
    g->buffer = good ? sm_fft_buffer(longest) : NULL;
    g->spectrum = good ? sm_fft_buffer(longest + 2) : NULL;
    return good && g->buffer && g->spectrum;
}

sm_status sm_ground_open(const sm_channel *channels, size_t n_channels, double rate_hz,
                         const sm_powertrain *powertrain, sm_ground **out, sm_error *err)
{
    if (n_channels > SM_MAX_CHANNELS || !(rate_hz > 0 && isfinite(rate_hz))) {
        return sm_error_set(err, SM_E_ARG, NULL, 0, "ground: channels or rate out of range");
    }
    sm_ground *g = sm_alloc_array(1, sizeof *g);
    sm_status st = SM_E_NOMEM;
    if (g) {
        g->info = channels;
        g->rate_hz = rate_hz;
        g->per_rpm_hz = powertrain ? lowest_per_rpm(powertrain) : 0;
        g->channels = sm_alloc_array(n_channels + 1, sizeof *g->channels);
        g->picked = sm_alloc_array(n_channels + 1, sizeof *g->picked);
        g->counts = sm_alloc_array(n_channels + 1, sizeof *g->counts);
        g->place = sm_alloc_array(n_channels + 1, sizeof *g->place);
    }
    if (g && g->channels && g->picked && g->counts && g->place) {
        pick(g, n_channels);
        set_lengths(g);
        st = rooms(g) ? SM_OK : SM_E_NOMEM;
    }
    if (st != SM_OK) {
        sm_ground_close(&g);
        return sm_error_set(err, st, NULL, 0, "%s", sm_status_text(st));
    }
    sm_window_fill(SM_WINDOW_HANN, g->n_slow, g->slow_window);
    sm_window_fill(SM_WINDOW_HANN, g->n_frame, g->window);
    *out = g;
    return SM_OK;
}

void sm_ground_close(sm_ground **p)
{
    sm_ground *g = *p;
    if (!g) {
        return;
    }
    void *all[] = {g->channels,   g->picked, g->counts,   g->place,       g->sum,
                   g->mean,       g->square, g->origin,   g->run_power,   g->slices,
                   g->run_levels, g->slow,   g->slow_rpm, g->slow_window, g->slow_sum,
                   g->slow_worst, g->frame,  g->window,   g->off_sum};
    for (size_t i = 0; i < sizeof all / sizeof all[0]; i++) {
        sm_free(all[i]);
    }
    for (size_t i = 0; i < SM_GROUND_PLACES; i++) {
        sm_free(g->tappers[i].rows);
        for (int a = 0; a < 3; a++) {
            sm_free(g->tappers[i].power[a]);
        }
    }
    sm_fft_buffer_free(g->buffer);
    sm_fft_buffer_free(g->spectrum);
    sm_fft_close(&g->slow_fft);
    sm_fft_close(&g->fft);
    sm_fft_close(&g->tap_fft);
    sm_free(g);
    *p = NULL;
}

const sm_ground_result *sm_ground_result_get(const sm_ground *g)
{
    return &g->result;
}

/* ---- frames ---- */

/* Adds |X|^2 of n windowed samples about their mean, and about their trend, to sum. */
static void add_power(sm_ground *g, const sm_fft *fft, const double *x, size_t n,
                      const double *window, bool trend, double *sum, size_t n_bins)
{
    double mean = 0;
    double slope = 0;
    double middle = ((double)n - 1) / 2;
    for (size_t i = 0; i < n; i++) {
        mean += x[i];
        slope += x[i] * ((double)i - middle);
    }
    mean /= (double)n;
    slope = trend ? slope * 12 / ((double)n * ((double)n * (double)n - 1)) : 0;
    for (size_t i = 0; i < n; i++) {
        g->buffer[i] = window[i] * (x[i] - mean - slope * ((double)i - middle));
    }
    sm_fft_forward(fft, g->buffer, g->spectrum);
    for (size_t k = 0; k < n_bins; k++) {
        double re = g->spectrum[2 * k];
        double im = g->spectrum[2 * k + 1];
        sum[k] += re * re + im * im;
    }
}

/* |X|^2 -> one-sided density, for Hann windows of n samples: sum w^2 = 3 n / 8. */
static double hann_scale(size_t n, double rate_hz)
{
    return 2 / (rate_hz * 0.375 * (double)n);
}

/* Slow motion below every order while the engine runs. */
static void slow_frame(sm_ground *g)
{
    size_t n = g->n_slow;
    size_t n_bins = g->result.n_rock_bins;
    double rpm = INFINITY;
    for (size_t i = 0; i < n; i++) {
        rpm = sm_min(rpm, g->slow_rpm[i]);
    }
    /* a Hann lobe is four bins wide: nothing of an order may reach down */
    double top = g->per_rpm_hz > 0 ? g->per_rpm_hz * rpm - 3 * g->result.rock_bin_hz : 5;
    top = sm_min(5, top);
    if (top < 1) {
        return;
    }
    double scale = hann_scale(n, g->slow_rate_hz);
    for (size_t c = 0; c < g->n_picked; c++) {
        double one[64] = {0};
        size_t m = n_bins < 64 ? n_bins : 64;
        add_power(g, g->slow_fft, g->slow + c * n, n, g->slow_window, true, one, m);
        double power = 0;
        for (size_t k = 0; k < m; k++) {
            double hz = (double)k * g->result.rock_bin_hz;
            bool inside = hz >= 0.5 && hz <= top;
            one[k] = inside && isfinite(one[k]) ? one[k] * scale : 0;
            power += one[k] * g->result.rock_bin_hz;
            g->slow_sum[c * n_bins + k] += one[k];
        }
        sm_ground_channel *ch = &g->channels[c];
        ch->n_rock++;
        if (power > g->slow_worst[c]) {
            g->slow_worst[c] = power;
            ch->rock_s[1] = g->half_t_s;
            ch->rock_s[0] = sm_max(0, g->half_t_s - SLOW_S);
        }
    }
}

static double level_of(const sm_ground *g, const double *rows, size_t n)
{
    double level = 0;
    for (size_t c = 0; c < g->n_picked; c++) {
        double mean = 0;
        double square = 0;
        const double *x = rows + c * n;
        for (size_t i = 0; i < n && g->counts[c]; i++) {
            double d = x[i] - x[0];
            mean += d;
            square += d * d;
        }
        mean /= (double)n;
        level += sm_max(0, square / (double)n - mean * mean) + 0 * mean;
    }
    return level;
}

/* Of all frames in which the engine may be off only the quietest kind is kept. */
static void off_frame(sm_ground *g)
{
    size_t n_bins = g->result.n_bins;
    double level = level_of(g, g->frame, g->n_frame);
    if (!(level <= QUIET * g->quietest)) {
        return;
    }
    if (level * QUIET < g->quietest) {
        memset(g->off_sum, 0, g->n_picked * n_bins * sizeof *g->off_sum);
        g->result.n_off_frames = 0;
    }
    g->quietest = sm_min(g->quietest, level);
    g->result.n_off_frames++;
    for (size_t c = 0; c < g->n_picked; c++) {
        add_power(g, g->fft, g->frame + c * g->n_frame, g->n_frame, g->window, false,
                  g->off_sum + c * n_bins, n_bins);
    }
}

/* ---- slices ---- */

static void keep_run_level(sm_ground *g, double level)
{
    if (g->run_skip++ % g->run_stride) {
        return;
    }
    if (g->n_run_levels == RUN_LEVELS) {
        for (size_t i = 0; i < RUN_LEVELS / 2; i++) {
            g->run_levels[i] = g->run_levels[2 * i];
        }
        g->n_run_levels = RUN_LEVELS / 2;
        g->run_stride *= 2;
    }
    g->run_levels[g->n_run_levels++] = (float)level;
}

static sm_status end_half(sm_ground *g)
{
    double n = (double)g->n_half;
    double level = 0;
    sm_ground_slice s = {.t_s = g->half_t_s, .zero = g->n_zero == (long)g->n_half};
    for (size_t c = 0; c < g->n_picked; c++) {
        double mean = g->mean[c] / n;
        double power = sm_max(0, g->square[c] / n - mean * mean) + 0 * mean;
        level += g->counts[c] ? power : 0;
        const sm_channel *ch = &g->info[g->picked[c]];
        if (g->place[c] >= 0) {
            float *to = ch->role == SM_ROLE_ACCEL ? s.f[g->place[c]] : s.w[g->place[c]];
            to[ch->axis] = (float)(mean + g->origin[c]);
        }
        if (g->n_rpm == (long)g->n_half && isfinite(power)) {
            g->run_power[c] += power;
        }
    }
    s.level = level;
    if (!isfinite(level)) {
        return SM_OK;
    }
    if (g->n_rpm == (long)g->n_half) {
        g->n_run_halves++;
        keep_run_level(g, level);
    } else if (g->n_rpm == 0 && g->n_slices < SM_GROUND_MOST_SLICES) {
        sm_ground_slice *grown = sm_grow(g->slices, g->n_slices, &g->slice_capacity, sizeof *grown);
        if (!grown) {
            return SM_E_NOMEM;
        }
        g->slices = grown;
        grown[g->n_slices++] = s;
    }
    return SM_OK;
}

/* A transform takes milliseconds to plan, and most logs need none or one of the three. */
static sm_status ready(sm_fft **fft, size_t n, sm_error *err)
{
    return *fft ? SM_OK : sm_fft_open(n, fft, err);
}

static sm_status end_micro(sm_ground *g, sm_error *err)
{
    size_t n = g->n_slow;
    size_t at = g->n_have_slow;
    g->slow_rpm[at] = g->micro_rpm_sum / (double)g->n_micro;
    for (size_t c = 0; c < g->n_picked; c++) {
        g->slow[c * n + at] = g->sum[c] / (double)g->n_micro + g->origin[c];
        g->sum[c] = 0;
    }
    g->n_have_slow = g->slow_rpm[at] > 0 ? at + 1 : 0;
    g->micro_rpm_sum = 0;
    if (g->n_have_slow == n) {
        sm_status st = ready(&g->slow_fft, n, err);
        if (st != SM_OK) {
            return st;
        }
        slow_frame(g);
        size_t half = n / 2;
        for (size_t c = 0; c < g->n_picked; c++) {
            memmove(g->slow + c * n, g->slow + c * n + half, (n - half) * sizeof *g->slow);
        }
        memmove(g->slow_rpm, g->slow_rpm + half, (n - half) * sizeof *g->slow_rpm);
        g->n_have_slow = n - half;
    }
    return SM_OK;
}

/* Rows [from, from + n) of b, all inside one micro slice. */
static void add_rows(sm_ground *g, const sm_block *b, size_t from, size_t n)
{
    if (g->at_half == 0) {
        g->half_t_s = b->t0_s + (double)from / g->rate_hz;
        g->n_rpm = g->n_zero = 0;
        for (size_t c = 0; c < g->n_picked; c++) {
            double first = b->x[g->picked[c]][from];
            g->origin[c] = isfinite(first) ? first : 0;
            g->mean[c] = g->square[c] = g->sum[c] = 0;
        }
    }
    for (size_t c = 0; c < g->n_picked; c++) {
        const double *x = b->x[g->picked[c]] + from;
        double sum = 0;
        double square = 0;
        sm_add_squares(x, n, g->origin[c], &sum, &square);
        g->sum[c] += sum;
        g->mean[c] += sum;
        g->square[c] += square;
    }
    double rpm_sum = b->rpm ? g->micro_rpm_sum : (double)NAN;
    for (size_t i = from; i < from + n && b->rpm; i++) {
        bool runs = b->rpm[i] > 0;
        g->n_rpm += runs;
        rpm_sum += runs ? b->rpm[i] : (double)NAN;
    }
    g->micro_rpm_sum = rpm_sum;
    for (size_t i = from; i < from + n && g->i_rpm >= 0; i++) {
        g->n_zero += b->x[g->i_rpm][i] < STANDS_RPM; /* false for a missing one */
    }
}

static sm_status add_off_rows(sm_ground *g, const sm_block *b, size_t from, size_t n, sm_error *err)
{
    sm_status st = ready(&g->fft, g->n_frame, err);
    st = st == SM_OK ? ready(&g->tap_fft, g->n_pad, err) : st;
    if (st != SM_OK) {
        return st;
    }
    for (size_t p = 0; p < g->result.n_places; p++) {
        sm_tapper_push(g, p, b, from, n);
    }
    while (n > 0) {
        size_t fits = g->n_frame - g->n_have;
        fits = fits < n ? fits : n;
        for (size_t c = 0; c < g->n_picked; c++) {
            memcpy(g->frame + c * g->n_frame + g->n_have, b->x[g->picked[c]] + from,
                   fits * sizeof(double));
        }
        g->n_have += fits;
        from += fits;
        n -= fits;
        if (g->n_have == g->n_frame) {
            off_frame(g);
            size_t half = g->n_frame / 2;
            for (size_t c = 0; c < g->n_picked; c++) {
                double *x = g->frame + c * g->n_frame;
                memmove(x, x + half, (g->n_frame - half) * sizeof *x);
            }
            g->n_have = g->n_frame - half;
        }
    }
    return SM_OK;
}

static void stop_off(sm_ground *g)
{
    g->n_have = 0;
    for (size_t p = 0; p < g->result.n_places; p++) {
        sm_tapper_reset(g, p);
    }
}

static sm_status push(void *self, const sm_block *b, sm_error *err)
{
    sm_ground *g = self;
    size_t from = 0;
    g->has_speed |= b->rpm != NULL;
    while (from < b->n_rows && g->n_picked > 0) {
        size_t n = g->n_micro - g->at_micro;
        n = n < b->n_rows - from ? n : b->n_rows - from;
        add_rows(g, b, from, n);
        sm_status st = SM_OK;
        if (b->rpm && b->rpm[from] > 0) {
            stop_off(g);
        } else {
            st = add_off_rows(g, b, from, n, err);
        }
        from += n;
        g->at_micro += n;
        g->at_half += n;
        if (st == SM_OK && g->at_micro == g->n_micro) {
            st = end_micro(g, err);
            g->at_micro = 0;
        }
        if (st != SM_OK) {
            return st;
        }
        if (g->at_half == g->n_half) {
            g->at_half = 0;
            if (end_half(g) != SM_OK) {
                return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
            }
        }
    }
    return SM_OK;
}

static sm_status mark(void *self, sm_mark m, double t_s, sm_error *err)
{
    (void)m;
    (void)t_s;
    (void)err;
    sm_ground *g = self;
    stop_off(g);
    g->n_have_slow = g->at_micro = g->at_half = 0;
    g->micro_rpm_sum = 0;
    return SM_OK;
}

sm_sink sm_ground_sink(sm_ground *g)
{
    return (sm_sink){.self = g, .push = push, .mark = mark};
}

/* ---- the end ---- */

static void finish_rocking(const sm_ground *g, size_t c)
{
    const sm_ground_result *r = &g->result;
    sm_ground_channel *ch = &g->channels[c];
    double *psd = g->slow_sum + c * r->n_rock_bins;
    double total = 0;
    for (size_t k = 0; k < r->n_rock_bins && ch->n_rock; k++) {
        psd[k] /= (double)ch->n_rock;
        total += psd[k] * r->rock_bin_hz;
    }
    ch->rock_psd = psd;
    ch->rock_power_si = total;
    double sum = 0;
    for (size_t k = 0; k < r->n_rock_bins && total > 0; k++) {
        double before = sum;
        sum += psd[k] * r->rock_bin_hz;
        double hz = (double)k * r->rock_bin_hz;
        ch->rock_hz[0] = before <= 0.05 * total && sum > 0.05 * total ? hz : ch->rock_hz[0];
        ch->rock_hz[1] = before <= 0.95 * total && sum > 0.95 * total ? hz : ch->rock_hz[1];
    }
}

sm_status sm_ground_finish(sm_ground *g, sm_error *err)
{
    (void)err;
    sm_ground_find_off(g);
    sm_ground_result *r = &g->result;
    if (r->n_off == 0) {
        r->n_off_frames = 0;
    }
    double scale = hann_scale(g->n_frame, g->rate_hz) / sm_max(1, (double)r->n_off_frames);
    for (size_t c = 0; c < g->n_picked; c++) {
        sm_ground_channel *ch = &g->channels[c];
        double *psd = g->off_sum + c * r->n_bins;
        for (size_t k = 0; k < r->n_bins; k++) {
            psd[k] *= scale * (k == 0 || 2 * k == g->n_frame ? 0.5 : 1);
        }
        ch->psd = r->n_off_frames > 0 ? psd : NULL;
        if (g->n_run_halves > 0) {
            ch->running_power_si = g->run_power[c] / (double)g->n_run_halves;
        }
        finish_rocking(g, c);
        sm_ground_find_lines(g, ch, &g->info[ch->i_source]);
    }
    for (size_t p = 0; p < r->n_places; p++) {
        sm_tapper_finish(g, p, &r->places[p]);
        sm_tilts_find(g, p, &r->places[p]);
    }
    return SM_OK;
}
