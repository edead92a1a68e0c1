/* Gates of the speed estimate, and its refinement from the peaks' own frequencies. */
#include "orders/gates.h"

#include "core/alloc.h"

#include <math.h>
#include <string.h>

#define SEEN_HEIGHT 2.0
#define NEAR_HZ 1.0
#define NEAR_SHARE 0.008
/* A line of its own: a peak so high at one order in such a share of the run. */
#define TRACK_SNR 10.0
#define TRACK_SHARE 0.3
#define ORDER_STEP 0.02
enum { ORDER_BINS = 600 };
/* Between lines nearer than this a peak may be either's. */
#define APART_HZ 2.5
/* Lines that a shaft's presence is judged by. */
#define SIGNATURE_PRIOR 0.5
/* Odd quarter orders are counted where they and what is counted beside them lie so far apart, above
 * so many Hz, and so far from the lines that the table knows. */
#define QUARTER_BESIDE 0.125
#define QUARTER_BESIDE_HZ 1.6
#define QUARTER_HZ_LEAST 6.0
#define QUARTER_CLEAR_HZ 2.2
#define REFINE_MOST 0.012
enum { SMOOTH_HALF = 3 };

void sm_speed_gates_free(sm_speed_gates *g)
{
    sm_free(g->seen);
    *g = (sm_speed_gates){0};
}

sm_status sm_speed_average(const sm_peak_map *m, float *x, size_t half)
{
    float *copy = sm_alloc_array(m->n_frames, sizeof *copy);
    if (!copy) {
        return SM_E_NOMEM;
    }
    memcpy(copy, x, m->n_frames * sizeof *copy);
    for (size_t t = 0; t < m->n_frames; t++) {
        size_t lo = t;
        while (lo > 0 && t - lo < half && !m->frames[lo].starts) {
            lo--;
        }
        size_t hi = t;
        while (hi + 1 < m->n_frames && hi - t < half && !m->frames[hi + 1].starts) {
            hi++;
        }
        float sum = 0;
        for (size_t k = lo; k <= hi; k++) {
            sum += copy[k];
        }
        x[t] = sum / (float)(hi - lo + 1);
    }
    sm_free(copy);
    return SM_OK;
}

/* How often a peak stands at each order along the path: a machine's lines stay at theirs. */
static void count_orders(const sm_peak_map *m, const sm_speed_path *path, float *often)
{
    double n = 0;
    memset(often, 0, ORDER_BINS * sizeof *often);
    for (size_t t = 0; t < m->n_frames; t++) {
        const sm_peak_frame *f = &m->frames[t];
        n += 1;
        for (size_t i = 0; i < f->n; i++) {
            const sm_peak *p = &m->peaks[f->first + i];
            size_t k = (size_t)((double)p->hz / path->hz[t] / ORDER_STEP + 0.5);
            if (k < ORDER_BINS && (double)p->snr >= TRACK_SNR) {
                often[k] += 1;
            }
        }
    }
    for (size_t k = 0; k < ORDER_BINS; k++) {
        often[k] /= (float)n;
    }
}

static bool explains(const sm_emission *table, double order)
{
    double tol = fmax(1.5 * ORDER_STEP, NEAR_SHARE * order);
    for (size_t i = 0; i < table->n; i++) {
        if (fabs(table->lines[i].order - order) <= tol) {
            return true;
        }
    }
    return false;
}

/* Of the lines that keep to an order through the run, the share that the table knows, weighted by
 * how much of the run shows them. */
static double explained_share(const float *often, const sm_emission *table)
{
    double all = 0;
    double known = 0;
    for (size_t k = 2; k + 2 < ORDER_BINS; k++) {
        double here = (double)(often[k - 1] + often[k] + often[k + 1]);
        bool top = often[k] > often[k - 1] && often[k] >= often[k + 1] && often[k] > often[k - 2] &&
                   often[k] >= often[k + 2];
        if (!top || here < TRACK_SHARE) {
            continue;
        }
        bool is_known = explains(table, ORDER_STEP * (double)k);
        all += here;
        known += is_known ? here : 0;
    }
    return all > 0 ? known / all : 0;
}

/* rms of ln speed about its mean over the run, means of a second. */
static double wander_of(const sm_peak_map *m, const sm_speed_path *path)
{
    enum { SECOND = 10 };
    double sum = 0;
    double sum2 = 0;
    double n = 0;
    for (size_t t = 0; t + SECOND <= m->n_frames; t += SECOND) {
        double mean = 0;
        for (size_t k = t; k < t + SECOND; k++) {
            mean += log(path->hz[k] / path->hz[0]) / SECOND;
        }
        sum += mean;
        sum2 += mean * mean;
        n += 1;
    }
    return n > 1 ? sqrt(fmax(sum2 / n - sum / n * (sum / n), 0)) : 0;
}

static float count_seen(const sm_peak *p, size_t n, const sm_emission *e, double shaft_hz)
{
    float seen = 0;
    for (size_t i = 0; i < e->n; i++) {
        double hz = e->lines[i].order * shaft_hz;
        for (size_t k = 0; k < n; k++) {
            if ((double)p[k].height >= SEEN_HEIGHT &&
                fabs((double)p[k].hz - hz) <= fmax(NEAR_HZ, 0.5 * NEAR_SHARE * hz)) {
                seen += 1;
                break;
            }
        }
    }
    return seen;
}

sm_status sm_speed_gates_make(const sm_peak_map *m, const sm_emission *e, const sm_emission *table,
                              const sm_speed_path *path, sm_speed_gates *out)
{
    sm_speed_gates g = {.seen = sm_alloc_array(m->n_frames, sizeof(float)), .signature = 1};
    float *often = sm_alloc_array(ORDER_BINS, sizeof *often);
    if (!g.seen || !often) {
        sm_speed_gates_free(&g);
        sm_free(often);
        return SM_E_NOMEM;
    }
    count_orders(m, path, often);
    g.explained = explained_share(often, table);
    g.wander = wander_of(m, path);
    for (size_t t = 0; t < m->n_frames; t++) {
        const sm_peak_frame *f = &m->frames[t];
        g.seen[t] = count_seen(m->peaks + f->first, f->n, e, path->hz[t]);
        g.mean_seen += (double)g.seen[t] / (double)m->n_frames;
    }
    sm_free(often);
    *out = g;
    return SM_OK;
}

/* Least squares of the speed on the peaks that belong to one order only; 0 = none. */
static double peaks_hz(const sm_peak_map *m, const sm_emission *e, size_t t, double shaft_hz,
                       double *weight)
{
    const sm_peak_frame *f = &m->frames[t];
    double sum = 0;
    double norm = 0;
    for (size_t i = 0; i < e->n; i++) {
        double order = e->lines[i].order;
        double nearest = INFINITY;
        for (size_t k = 0; k < e->n; k++) {
            nearest = k == i ? nearest : fmin(nearest, fabs(e->lines[k].order - order));
        }
        if (nearest * shaft_hz < APART_HZ) {
            continue;
        }
        double tol = fmin(fmax(NEAR_HZ, NEAR_SHARE * order * shaft_hz), 0.4 * nearest * shaft_hz);
        const sm_peak *best = NULL;
        for (size_t k = 0; k < f->n; k++) {
            const sm_peak *p = &m->peaks[f->first + k];
            if (fabs((double)p->hz - order * shaft_hz) <= tol && (!best || p->snr > best->snr)) {
                best = p;
            }
        }
        if (best) {
            double w = fmin((double)best->snr, 100);
            sum += w * order * (double)best->hz;
            norm += w * order * order;
        }
    }
    *weight = norm;
    return norm > 0 ? sum / norm : 0;
}

/* Straight line through the neighbours, weighted, at frame t. */
static double smooth_at(const sm_peak_map *m, const double *hz, const double *w, size_t t)
{
    double s[3] = {0};
    double y[2] = {0};
    size_t lo = t;
    while (lo > 0 && t - lo < SMOOTH_HALF && !m->frames[lo].starts) {
        lo--;
    }
    for (size_t k = lo; k < m->n_frames && k <= t + SMOOTH_HALF; k++) {
        if (k > t && m->frames[k].starts) {
            break;
        }
        double u = m->frames[k].t_s - m->frames[t].t_s;
        double weight = w[k];
        s[0] += weight;
        s[1] += weight * u;
        s[2] += weight * u * u;
        y[0] += weight * hz[k];
        y[1] += weight * u * hz[k];
    }
    double det = s[0] * s[2] - s[1] * s[1];
    if (det > 1e-9 * s[0] * s[0]) {
        return (s[2] * y[0] - s[1] * y[1]) / det;
    }
    return s[0] > 0 ? y[0] / s[0] : hz[t];
}

sm_status sm_speed_refine(const sm_peak_map *m, const sm_emission *e, sm_speed_path *path)
{
    double *hz = sm_alloc_array(m->n_frames, sizeof *hz);
    double *w = sm_alloc_array(m->n_frames, sizeof *w);
    sm_status status = hz && w ? SM_OK : SM_E_NOMEM;
    for (size_t t = 0; status == SM_OK && t < m->n_frames; t++) {
        hz[t] = path->hz[t];
        w[t] = 1e-3;
        double weight = 0;
        double found = peaks_hz(m, e, t, path->hz[t], &weight);
        if (weight > 0 && fabs(found / path->hz[t] - 1) < REFINE_MOST) {
            hz[t] = found;
            w[t] = weight;
        }
    }
    for (size_t t = 0; status == SM_OK && t < m->n_frames; t++) {
        path->hz[t] = smooth_at(m, hz, w, t);
    }
    sm_free(hz);
    sm_free(w);
    return status;
}

static bool has_peak(const sm_peak_map *m, size_t t, double hz)
{
    const sm_peak_frame *f = &m->frames[t];
    for (size_t k = 0; k < f->n; k++) {
        const sm_peak *p = &m->peaks[f->first + k];
        if ((double)p->height >= SEEN_HEIGHT &&
            fabs((double)p->hz - hz) <= fmax(NEAR_HZ, 0.5 * NEAR_SHARE * hz)) {
            return true;
        }
    }
    return false;
}

/* How often the line is there, over frames in which it lies clear of other shafts' lines. */
static double how_often(const sm_peak_map *m, const sm_emission_line *line,
                        const sm_speed_path *path, const unsigned char *accepted)
{
    double n = 0;
    double there = 0;
    for (size_t t = 0; t < m->n_frames; t++) {
        double hz = line->order * path->hz[t];
        if ((accepted && !accepted[t]) || line->apart * path->hz[t] < 1.5 * APART_HZ ||
            hz > m->hz_most) {
            continue;
        }
        n += 1;
        there += has_peak(m, t, hz);
    }
    return n >= 20 ? there / n : -1;
}

void sm_speed_signature(const sm_peak_map *m, const sm_emission *e, const sm_speed_path *path,
                        const unsigned char *accepted, sm_speed_gates *out)
{
    double best[2] = {-1, -1};
    bool any[2] = {false, false};
    for (size_t i = 0; i < e->n; i++) {
        const sm_emission_line *line = &e->lines[i];
        if (line->own && line->prior >= SIGNATURE_PRIOR) {
            size_t k = line->shaft == SM_SHAFT_PROP;
            any[k] = true;
            best[k] = fmax(best[k], how_often(m, line, path, accepted));
        }
    }
    out->signature = any[0] && any[1] ? fmin(best[0], best[1]) : 1;
}

static bool table_has(const sm_emission *table, double order, double within)
{
    for (size_t i = 0; i < table->n; i++) {
        if (fabs(table->lines[i].order - order) < within) {
            return true;
        }
    }
    return false;
}

double sm_speed_quarters(const sm_peak_map *m, const sm_emission *table, const sm_speed_path *path)
{
    static const double orders[] = {0.25, 0.75, 1.25, 1.75, 2.25, 2.75};
    double sum = 0;
    for (size_t t = 0; t < m->n_frames; t++) {
        double hz = path->hz[t];
        if (QUARTER_BESIDE * hz < QUARTER_BESIDE_HZ) {
            continue;
        }
        for (size_t i = 0; i < sizeof orders / sizeof *orders; i++) {
            double at = orders[i] * hz;
            if (at < QUARTER_HZ_LEAST || at > m->hz_most ||
                table_has(table, orders[i], QUARTER_CLEAR_HZ / hz)) {
                continue;
            }
            double beside = (double)has_peak(m, t, at - QUARTER_BESIDE * hz) +
                            (double)has_peak(m, t, at + QUARTER_BESIDE * hz);
            sum += (double)has_peak(m, t, at) - 0.5 * beside;
        }
    }
    return m->n_frames ? sum / (double)m->n_frames : 0;
}
