/* Cosine-sum windows and what averaging with them is worth. */
#include "core/util.h"
#include "stillmount/spectrum.h"

#include <math.h>

enum { MAX_TERMS = 6 };

static const struct {
    const char *name;
    double a[MAX_TERMS];
} windows[SM_WINDOW_COUNT] = {
    [SM_WINDOW_HANN] = {"Hann", {0.5, 0.5}},
    [SM_WINDOW_UNIFORM] = {"uniform", {1}},
    [SM_WINDOW_HAMMING] = {"Hamming", {0.54, 0.46}},
    [SM_WINDOW_BLACKMAN] = {"Blackman", {0.42, 0.5, 0.08}},
    [SM_WINDOW_BLACKMAN_HARRIS] = {"Blackman-Harris", {0.35875, 0.48829, 0.14128, 0.01168}},
    [SM_WINDOW_NUTTALL] = {"Nuttall", {0.3635819, 0.4891775, 0.1365995, 0.0106411}},
    [SM_WINDOW_FLATTOP_ISO] = {"flat-top ISO 18431-2", {1, 1.933, 1.286, 0.388, 0.0322}},
    [SM_WINDOW_FLATTOP] = {"flat-top",
                           {0.21557895, 0.41663158, 0.277263158, 0.083578947, 0.006947368}},
    [SM_WINDOW_HFT95] = {"HFT95", {1, 1.9383379, 1.3045202, 0.4028270, 0.0350665}},
    [SM_WINDOW_HFT116D] = {"HFT116D", {1, 1.9575375, 1.4780705, 0.6367431, 0.1228389, 0.0066288}},
};

const char *sm_window_text(sm_window kind)
{
    return (int)kind < 0 || kind >= SM_WINDOW_COUNT ? "unknown" : windows[kind].name;
}

void sm_window_fill(sm_window kind, size_t n, double *w)
{
    const double *a = windows[kind].a;
    for (size_t i = 0; i < n; i++) {
        double sum = 0;
        for (size_t j = 0; j < MAX_TERMS; j++) {
            double term = a[j] * cos(2 * SM_PI * (double)(j * i % n) / (double)n);
            sum += j % 2 ? -term : term;
        }
        w[i] = sum;
    }
}

double sm_window_enbw_bins(const double *w, size_t n)
{
    double s1 = 0;
    double s2 = 0;
    for (size_t i = 0; i < n; i++) {
        s1 += w[i];
        s2 += w[i] * w[i];
    }
    return (double)n * s2 / (s1 * s1);
}

double sm_window_overlap(const double *w, size_t n, size_t lag)
{
    double cross = 0;
    double own = 0;
    for (size_t i = 0; i < n; i++) {
        own += w[i] * w[i];
        cross += i + lag < n ? w[i] * w[i + lag] : 0;
    }
    return cross / own;
}

double sm_welch_dof(const double *w, size_t n, size_t hop, size_t n_frames)
{
    double sum = 0;
    double k = (double)n_frames;
    for (size_t m = 1; hop && m < n_frames && m * hop < n; m++) {
        double rho = sm_window_overlap(w, n, m * hop);
        sum += (1 - (double)m / k) * rho * rho;
    }
    return 2 * k / (1 + 2 * sum);
}

size_t sm_frame_length(double rate_hz)
{
    if (!(rate_hz > 64)) {
        return 64;
    }
    size_t best = 64;
    for (size_t n = 64; (double)n < 2 * rate_hz + 2; n += 2) {
        size_t m = n;
        static const size_t primes[] = {2, 3, 5, 7};
        for (size_t i = 0; i < 4; i++) {
            while (m % primes[i] == 0) {
                m /= primes[i];
            }
        }
        if (m == 1 && fabs((double)n - rate_hz) < fabs((double)best - rate_hz)) {
            best = n;
        }
    }
    return best;
}
