/* Taps on the sensor's plate, engine off: counted by axis, and searched for the ring of the
 * sensor's own fixing.
 *
 * A tap is a short push on the plate. What the plate does stays level or rises with frequency,
 * apart from the humps of its modes. What the fixing does to it is a mass on a spring: a hump, and
 * above it the sensor no longer follows. So a hump counts as the fixing's when the spectrum stands
 * well lower above it than below it; a hump of the mount's structure does not do that. */
#include "core/util.h"
#include "survey/ground_parts.h"

#include <math.h>
#include <string.h>

/* Common practice, no source, all of these. */
static const double LEAST_G = 0.1;  /* a knuckle does more, on any plate */
static const double TIMES_RMS = 12; /* above what the channel does by itself */
static const double LEARN_S = 0.5;  /* what it does by itself */
static const double REST_S = 0.3;   /* between two taps */
static const double DECAYED = 0.3;  /* last quarter of the window over the first */
static const double LEAST_HZ = 20;
static const double LEAST_SHARE = 0.02; /* of the strongest hump's power: a push has lobes too */
static const double LEAST_GAIN = 1.3;   /* amplitude over the valley below the hump */
static const double BLIND_GAIN = 2;     /* where what lies above the hump cannot be seen */
static const double FALL = 0.6;         /* amplitude above the hump over that valley */

void sm_tapper_reset(sm_ground *g, size_t i_place)
{
    sm_tapper *t = &g->tappers[i_place];
    t->n_seen = 0;
    t->inside = false;
    t->n_rows = 0;
}

static double rms_of(const double *x, size_t n)
{
    double sum = 0;
    for (size_t i = 0; i < n; i++) {
        sum += x[i] * x[i];
    }
    return sqrt(sum / (double)n);
}

static void end_tap(sm_ground *g, sm_tapper *t)
{
    size_t n = g->n_tap;
    int axis = 0;
    double peak[3] = {0};
    for (int a = 0; a < 3; a++) {
        for (size_t i = 0; i < n; i++) {
            peak[a] = sm_max(peak[a], fabs(t->rows[(size_t)a * n + i]));
        }
        axis = peak[a] > peak[axis] ? a : axis;
    }
    const double *x = t->rows + (size_t)axis * n;
    t->inside = false;
    t->n_seen = (long)((LEARN_S - REST_S) * g->rate_hz);
    bool decays = rms_of(x + n - n / 4, n / 4) < DECAYED * rms_of(x, n / 4);
    if (!decays || !(peak[axis] > 0) || t->n_taps == SM_GROUND_TAPS) {
        return;
    }
    t->taps[t->n_taps].t_s = t->t_s;
    t->taps[t->n_taps++].axis = axis;
    double rest = 0; /* where it came to rest: a step is no ring */
    for (size_t i = n - n / 4; i < n; i++) {
        rest += x[i] / (double)(n / 4);
    }
    memset(g->buffer, 0, g->n_pad * sizeof *g->buffer);
    for (size_t i = 0; i < n; i++) {
        g->buffer[i] = (x[i] - rest) / peak[axis];
    }
    sm_fft_forward(g->tap_fft, g->buffer, g->spectrum);
    for (size_t k = 0; k <= g->n_pad / 2; k++) {
        double re = g->spectrum[2 * k];
        double im = g->spectrum[2 * k + 1];
        t->power[axis][k] += re * re + im * im;
    }
}

void sm_tapper_push(sm_ground *g, size_t i_place, const sm_block *b, size_t from, size_t n)
{
    sm_tapper *t = &g->tappers[i_place];
    double slow = 1 / (1 + g->rate_hz); /* about one second */
    for (size_t i = from; i < from + n; i++) {
        double d[3] = {0};
        double sum = 0;
        for (int a = 0; a < 3; a++) {
            double v = t->i_axis[a] >= 0 ? b->x[t->i_axis[a]][i] : 0;
            t->mean[a] = t->n_seen == 0 && !t->inside ? v : t->mean[a];
            d[a] = v - t->mean[a];
            sum += d[a] * d[a];
        }
        if (sum != sum) {
            sm_tapper_reset(g, i_place);
            continue;
        }
        t->square = t->n_seen == 0 && !t->inside ? 0 : t->square;
        double least = LEAST_G * SM_G0_M_S2;
        bool learnt = (double)t->n_seen > LEARN_S * g->rate_hz;
        bool struck = learnt && sum > sm_max(least * least, TIMES_RMS * TIMES_RMS * t->square);
        if (struck && !t->inside) {
            t->inside = true;
            t->n_rows = 0;
            t->t_s = b->t0_s + (double)i / g->rate_hz;
        }
        if (t->inside) {
            for (size_t a = 0; a < 3; a++) {
                t->rows[a * g->n_tap + t->n_rows] = d[a];
            }
            if (++t->n_rows == g->n_tap) {
                end_tap(g, t);
            }
            continue;
        }
        t->n_seen++;
        double w = sm_max(slow, 1 / (double)t->n_seen);
        for (int a = 0; a < 3; a++) {
            t->mean[a] += w * d[a];
        }
        t->square += w * (sum - t->square);
    }
}

/* Mean of s over [lo, hi] in bins; 0 when that is not in reach. */
static double mean_of(const double *s, double lo, double hi)
{
    size_t from = (size_t)ceil(lo);
    size_t to = (size_t)floor(hi);
    double sum = 0;
    for (size_t k = from; k <= to; k++) {
        sum += s[k];
    }
    return to >= from ? sum / (double)(to - from + 1) : 0;
}

/* One mass on a spring: 1 / |H|^2 is a quadratic in f^2. Least squares of relative error over the
 * bins within half of the top. */
static bool fit_ring(const double *s, size_t top, size_t n_bins, double *bin, double *damping)
{
    double m[3][4] = {{0}};
    size_t from = top;
    size_t to = top;
    while (from > 1 && s[from - 1] > s[top] / 2) {
        from--;
    }
    while (to + 1 < n_bins && s[to + 1] > s[top] / 2) {
        to++;
    }
    for (size_t k = from; k <= to; k++) {
        double u = (double)k / (double)top;
        double p = s[k] / s[top];
        double row[3] = {p, p * u * u, p * u * u * u * u};
        for (int i = 0; i < 3; i++) {
            for (int j = 0; j < 3; j++) {
                m[i][j] += row[i] * row[j];
            }
            m[i][3] += row[i];
        }
    }
    for (int i = 0; i < 3; i++) { /* Gauss-Jordan; positive definite, so no pivoting */
        if (!(m[i][i] > 0)) {
            return false;
        }
        for (int j = 0; j < 3; j++) {
            double f = j == i ? 0 : m[j][i] / m[i][i];
            for (int k = 0; k < 4 && j != i; k++) {
                m[j][k] -= f * m[i][k];
            }
        }
    }
    double a0 = m[0][3] / m[0][0];
    double a1 = m[1][3] / m[1][1];
    double a2 = m[2][3] / m[2][2];
    if (!(a0 > 0 && a2 > 0)) {
        return false;
    }
    double un = sqrt(a0 / a2); /* f_n^2 */
    double z2 = (a1 / (a2 * un) + 2) / 4;
    *bin = (double)top * sqrt(un);
    *damping = sqrt(sm_max(0, z2));
    return z2 > 0 && z2 < 1 && *bin > 0.5 * (double)top && *bin < 2 * (double)top;
}

/* A line that is always there is no ring. */
static bool is_line(const sm_ground *g, double hz)
{
    for (size_t c = 0; c < g->n_picked; c++) {
        for (size_t i = 0; i < g->channels[c].n_lines; i++) {
            if (fabs(g->channels[c].lines[i].hz - hz) < sm_max(0.03 * hz, 3)) {
                return true;
            }
        }
    }
    return false;
}

/* The highest hump above which the sensor no longer follows. */
static void find_ring(const sm_ground *g, const double *s, int axis, sm_ground_place *out)
{
    double per_bin = g->rate_hz / (double)g->n_pad;
    size_t n_bins = g->n_pad / 2 + 1;
    double usable = sm_min(0.45 * g->rate_hz, g->bandwidth_hz) / per_bin;
    double most = 0;
    for (size_t k = (size_t)(LEAST_HZ / per_bin); (double)k < usable; k++) {
        most = sm_max(most, s[k]);
    }
    for (size_t k = (size_t)(0.9 * usable); k > (size_t)(LEAST_HZ / per_bin); k--) {
        size_t reach = (size_t)(0.1 * (double)k) + 1;
        bool top = s[k] > LEAST_SHARE * most && k + reach < n_bins;
        for (size_t j = 1; j <= reach && top; j++) {
            top = s[k] > s[k - j] && s[k] >= s[k + j];
        }
        if (!top) {
            continue;
        }
        double f = (double)k;
        double below = s[k];
        for (size_t j = k / 2; j < k; j++) {
            below = sm_min(below, s[j]);
        }
        bool blind = 1.4 * f > usable;
        double above = mean_of(s, sm_min(1.6 * f, 0.95 * usable), sm_min(2.4 * f, usable));
        double gain = below > 0 ? sqrt(s[k] / below) : 0;
        double bin = f;
        double damping = NAN;
        bool falls = blind ? gain > BLIND_GAIN : gain > LEAST_GAIN && above < FALL * FALL * below;
        if (!falls || is_line(g, f * per_bin) || !fit_ring(s, k, n_bins, &bin, &damping)) {
            continue;
        }
        if (!(gain <= out->ring_gain)) {
            out->ring_hz = bin * per_bin;
            out->ring_damping = damping;
            out->ring_gain = gain;
            out->ring_axis = axis;
        }
        return;
    }
}

void sm_tapper_finish(const sm_ground *g, size_t i_place, sm_ground_place *out)
{
    const sm_tapper *t = &g->tappers[i_place];
    size_t n = 0;
    for (size_t i = 0; i < t->n_taps; i++) {
        bool off = false;
        for (size_t k = 0; k < g->result.n_off; k++) {
            const sm_ground_stretch *s = &g->result.off[k];
            off |= t->taps[i].t_s > s->from_s && t->taps[i].t_s < s->to_s;
        }
        if (off) {
            out->n_taps[t->taps[i].axis]++;
            out->tap_s[n++] = t->taps[i].t_s;
        }
    }
    for (int a = 0; a < 3; a++) {
        if (out->n_taps[a] > 0) {
            find_ring(g, t->power[a], a, out);
        }
    }
}
