/*
 * Half-second Hann frames, padded fourfold, each channel divided by its local noise floor, then the
 * mean over the channels. Only peaks are kept: a strong line's skirts would otherwise outweigh the
 * weak lines that tell one speed from another.
 */
#include "orders/peak_map.h"

#include "core/alloc.h"
#include "core/rank.h"

#include <math.h>
#include <string.h>

enum { PAD = 4, PEAKS_MOST = 32, MAP_CHANNELS = 9 };
#define SNR_LEAST 4.0
#define FLOOR_STEP_HZ 10.0
/* Samples are limited to so many robust standard deviations of their frame. */
#define KNOCK 3.0
#define HZ_LEAST 3.0

static bool usable(const sm_channel *c)
{
    return c->role == SM_ROLE_ACCEL || c->role == SM_ROLE_GYRO;
}

sm_status sm_peak_map_open(const sm_channel *channels, size_t n_channels, double rate_hz,
                           const sm_emission *emission, sm_peak_map *m, sm_error *err)
{
    *m = (sm_peak_map){.rate_hz = rate_hz, .emission = emission, .fresh = true};
    for (size_t i = 0; i < n_channels && m->n_channels < MAP_CHANNELS; i++) {
        if (usable(&channels[i])) {
            m->pick[m->n_channels++] = i;
        }
    }
    if (m->n_channels == 0) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0,
                            "the speed can only be found from accelerometer or gyro channels, and "
                            "the log has none");
    }
    m->n_frame = sm_frame_length(rate_hz) / 2;
    m->n_frame -= m->n_frame % 2;
    m->hop = (size_t)fmax(1, floor(SM_PEAK_HOP_S * rate_hz + 0.5));
    size_t n_fft = PAD * m->n_frame;
    m->bin_hz = rate_hz / (double)n_fft;
    m->hz_most = fmin(0.45 * rate_hz, SM_PEAK_HZ_MOST);
    m->n_bins = (size_t)(m->hz_most / m->bin_hz);
    m->room = m->n_frame + SM_BLOCK_ROWS;
    m->rows = sm_alloc_array(m->n_channels * m->room, sizeof(double));
    m->window = sm_alloc_array(m->n_frame, sizeof(double));
    m->knock = sm_alloc_array(m->n_frame, sizeof(double));
    m->power = sm_alloc_array(m->n_bins, sizeof(double));
    m->snr = sm_alloc_array(m->n_bins, sizeof(double));
    m->sum_snr = sm_alloc_array(m->n_bins, sizeof(double));
    m->sum_share = sm_alloc_array(m->n_bins, sizeof(double));
    m->scratch = sm_alloc_array(m->n_bins, sizeof(double));
    m->x = sm_fft_buffer(n_fft);
    m->spectrum = sm_fft_buffer(n_fft + 2);
    sm_status status = sm_fft_open(n_fft, &m->fft, err);
    if (status == SM_OK && (!m->rows || !m->window || !m->knock || !m->power || !m->snr ||
                            !m->sum_snr || !m->sum_share || !m->scratch || !m->x || !m->spectrum)) {
        status = sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    if (status != SM_OK) {
        sm_peak_map_close(m);
        return status;
    }
    sm_window_fill(SM_WINDOW_HANN, m->n_frame, m->window);
    memset(m->x, 0, n_fft * sizeof(double));
    return SM_OK;
}

void sm_peak_map_close(sm_peak_map *m)
{
    sm_free(m->peaks);
    sm_free(m->frames);
    sm_free(m->rows);
    sm_free(m->window);
    sm_free(m->knock);
    sm_free(m->power);
    sm_free(m->snr);
    sm_free(m->sum_snr);
    sm_free(m->sum_share);
    sm_free(m->scratch);
    sm_fft_buffer_free(m->x);
    sm_fft_buffer_free(m->spectrum);
    sm_fft_close(&m->fft);
    *m = (sm_peak_map){0};
}

/* Adds one channel's whitened spectrum; false: not a number in it, or nothing moves. */
static bool add_channel(sm_peak_map *m, const double *x)
{
    double mean = 0;
    for (size_t i = 0; i < m->n_frame; i++) {
        mean += x[i];
    }
    mean /= (double)m->n_frame;
    if (!isfinite(mean)) {
        return false;
    }
    for (size_t i = 0; i < m->n_frame; i++) {
        m->knock[i] = fabs(x[i] - mean);
    }
    /* impacts (rattle, slaps) are cut down: they would raise the floor over the lines */
    double limit = KNOCK * 1.4826 * sm_select_rank(m->knock, m->n_frame, m->n_frame / 2);
    for (size_t i = 0; i < m->n_frame; i++) {
        m->x[i] = m->window[i] * fmin(fmax(x[i] - mean, -limit), limit);
    }
    sm_fft_forward(m->fft, m->x, m->spectrum);
    double total = 0;
    size_t k_low = (size_t)(HZ_LEAST / m->bin_hz);
    for (size_t k = 0; k < m->n_bins; k++) {
        double re = m->spectrum[2 * k];
        double im = m->spectrum[2 * k + 1];
        m->power[k] = re * re + im * im;
        total += k > k_low ? m->power[k] : 0;
    }
    if (!(total > 0)) {
        return false;
    }
    sm_whiten(m->power, m->n_bins, m->bin_hz, FLOOR_STEP_HZ, m->snr, m->scratch);
    for (size_t k = 0; k < m->n_bins; k++) {
        m->sum_snr[k] += m->snr[k];
        m->sum_share[k] += m->power[k] / total;
    }
    return true;
}

/* Highest of its neighbourhood, and no side lobe of a stronger one. */
static bool is_peak(const sm_peak_map *m, size_t k, double s)
{
    size_t near = 5 * PAD / 4;
    for (size_t d = 1; d <= near; d++) {
        if ((k >= d && m->sum_snr[k - d] > s) || (k + d < m->n_bins && m->sum_snr[k + d] > s)) {
            return false;
        }
    }
    size_t lobe = 9 * PAD / 2;
    for (size_t d = near + 1; d <= lobe; d++) {
        if ((k >= d && m->sum_snr[k - d] > 630 * s) ||
            (k + d < m->n_bins && m->sum_snr[k + d] > 630 * s)) { /* 28 dB */
            return false;
        }
    }
    return true;
}

/* Place of the maximum between bins, by a parabola through the logarithms. */
static double between(const double *s, size_t k)
{
    double a = log(fmax(s[k - 1], 1e-30));
    double b = log(fmax(s[k], 1e-30));
    double c = log(fmax(s[k + 1], 1e-30));
    double d = a - 2 * b + c;
    return d < 0 ? (double)k + 0.5 * (a - c) / d : (double)k;
}

static sm_status keep_peaks(sm_peak_map *m, size_t n_used, sm_peak_frame *f)
{
    sm_peak found[PEAKS_MOST];
    size_t n = 0;
    double scale = 1 / (double)n_used;
    size_t k_low = (size_t)fmax(2, HZ_LEAST / m->bin_hz);
    for (size_t k = k_low; k + 1 < m->n_bins; k++) {
        double s = m->sum_snr[k];
        if (s * scale < SNR_LEAST || !is_peak(m, k, s)) {
            continue;
        }
        double height = sm_emission_height(m->emission, s * scale);
        if (height <= 0) {
            continue;
        }
        double share = 0; /* a Hann line's main lobe is 4 bins wide */
        for (size_t d = 0; d <= 4 * PAD; d++) {
            size_t at = k + d;
            share += at >= 2 * PAD && at - 2 * PAD < m->n_bins ? m->sum_share[at - 2 * PAD] : 0;
        }
        sm_peak p = {(float)(between(m->sum_snr, k) * m->bin_hz), (float)height, (float)(s * scale),
                     (float)(share * scale)};
        size_t at = n;
        if (n == PEAKS_MOST) { /* drop the weakest */
            at = 0;
            for (size_t i = 1; i < n; i++) {
                at = found[i].snr < found[at].snr ? i : at;
            }
            if (found[at].snr >= p.snr) {
                continue;
            }
        } else {
            n++;
        }
        found[at] = p;
    }
    f->first = m->n_peaks;
    f->n = (unsigned)n;
    for (size_t i = 0; i < n; i++) {
        sm_peak *peaks = sm_grow(m->peaks, m->n_peaks, &m->peak_capacity, sizeof *peaks);
        if (!peaks) {
            return SM_E_NOMEM;
        }
        m->peaks = peaks;
        m->peaks[m->n_peaks++] = found[i];
    }
    return SM_OK;
}

static sm_status make_frame(sm_peak_map *m)
{
    memset(m->sum_snr, 0, m->n_bins * sizeof(double));
    memset(m->sum_share, 0, m->n_bins * sizeof(double));
    size_t used = 0;
    for (size_t i = 0; i < m->n_channels; i++) {
        used += add_channel(m, m->rows + i * m->room);
    }
    sm_peak_frame f = {.t_s = m->t0_s + 0.5 * (double)m->n_frame / m->rate_hz, .starts = m->fresh};
    if (used == 0) {
        m->fresh = true;
        return SM_OK;
    }
    m->fresh = false;
    sm_status status = keep_peaks(m, used, &f);
    sm_peak_frame *frames = sm_grow(m->frames, m->n_frames, &m->frame_capacity, sizeof *frames);
    if (!frames || status != SM_OK) {
        return SM_E_NOMEM;
    }
    m->frames = frames;
    m->frames[m->n_frames++] = f;
    return SM_OK;
}

sm_status sm_peak_map_push(sm_peak_map *m, const sm_block *b)
{
    if (m->held == 0) {
        m->t0_s = b->t0_s;
    }
    for (size_t i = 0; i < m->n_channels; i++) {
        memcpy(m->rows + i * m->room + m->held, b->x[m->pick[i]], b->n_rows * sizeof(double));
    }
    m->held += b->n_rows;
    size_t done = 0;
    while (m->held - done >= m->n_frame) {
        for (size_t i = 0; done > 0 && i < m->n_channels; i++) {
            memmove(m->rows + i * m->room, m->rows + i * m->room + done,
                    (m->held - done) * sizeof(double));
        }
        m->held -= done;
        m->t0_s += (double)done / m->rate_hz;
        sm_status status = make_frame(m);
        if (status != SM_OK) {
            return status;
        }
        done = m->hop;
    }
    if (done > 0) {
        for (size_t i = 0; i < m->n_channels; i++) {
            memmove(m->rows + i * m->room, m->rows + i * m->room + done,
                    (m->held - done) * sizeof(double));
        }
        m->held -= done;
        m->t0_s += (double)done / m->rate_hz;
    }
    return SM_OK;
}

void sm_peak_map_gap(sm_peak_map *m)
{
    m->held = 0;
    m->fresh = true;
}
