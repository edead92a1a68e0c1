/*
 * Clock offset of a slow rpm log: the mean fit of the order grid along the log, as a function of
 * the offset. The monitor's own lag adds to the offset and cannot be told from it.
 */
#include "orders/align.h"

#include "core/alloc.h"

#include <math.h>
#include <string.h>

#define READING_GAP_S 5.0
#define OVERLAP_LEAST_S 8.0
#define FINE_S 0.02
#define AWAY_S 3.0
#define PRIOR_SIGMA 0.025
#define PRIOR_LAG_S 0.5
#define PRIOR_MOST 8.0
#define NOTE_SIGMA 0.04
#define NOTE_REACH_S 4.0
#define NOTE_MOST 3.0
enum { MAX_STATES_NEAR = 2 };

double sm_rpm_log_at(const sm_rpm_log *log, double t_s)
{
    if (log->n < 2 || t_s < log->t_s[0] || t_s > log->t_s[log->n - 1]) {
        return NAN;
    }
    size_t lo = 0;
    size_t hi = log->n - 1;
    while (hi - lo > 1) {
        size_t mid = (lo + hi) / 2;
        if (log->t_s[mid] <= t_s) {
            lo = mid;
        } else {
            hi = mid;
        }
    }
    double span = log->t_s[hi] - log->t_s[lo];
    if (span > READING_GAP_S) {
        return NAN;
    }
    return log->rpm[lo] + (log->rpm[hi] - log->rpm[lo]) * (t_s - log->t_s[lo]) / span;
}

/* Fit of frame t at this speed, best of the states around (the log is quantised); NaN outside. */
static double fit_at(const sm_speed_grid *g, size_t t, double hz)
{
    double at = log(hz / g->hz_lo) / g->step;
    if (!(at >= 0 && at <= (double)(g->n_states - 1))) {
        return NAN;
    }
    long s = (long)(at + 0.5);
    float best = -1e30F;
    for (long k = s - MAX_STATES_NEAR; k <= s + MAX_STATES_NEAR; k++) {
        if (k >= 0 && k < (long)g->n_states) {
            float v = g->fit[t * g->n_states + (size_t)k];
            best = v > best ? v : best;
        }
    }
    return (double)best;
}

/* Mean fit at an offset; frames whose speed lies outside the range count as no fit at all. */
static double score(const sm_speed_grid *g, const sm_peak_map *m, const sm_rpm_log *log,
                    double hz_per_rpm, double offset_s, size_t stride, double *overlap_s)
{
    double sum = 0;
    double n = 0;
    for (size_t t = 0; t < m->n_frames; t += stride) {
        double rpm = sm_rpm_log_at(log, m->frames[t].t_s - offset_s);
        if (isnan(rpm)) {
            continue;
        }
        double v = fit_at(g, t, rpm * hz_per_rpm);
        sum += isnan(v) ? 0 : v;
        n += 1;
    }
    *overlap_s = n * (double)stride * SM_PEAK_HOP_S;
    return n > 0 ? sum / n : -1e30;
}

static void span_of(const sm_rpm_log *log, const sm_peak_map *m, sm_alignment *a)
{
    double lo = INFINITY;
    double hi = 0;
    for (size_t t = 0; t < m->n_frames; t++) {
        double rpm = sm_rpm_log_at(log, m->frames[t].t_s - a->offset_s);
        lo = rpm < lo ? rpm : lo;
        hi = rpm > hi ? rpm : hi;
    }
    a->span = hi > 0 ? hi / lo - 1 : 0;
}

typedef struct scan {
    double t0;
    double step;
    size_t n;
    double *fit;
} scan;

static void find_best(const scan *s, double least, sm_alignment *a, size_t *i_best)
{
    *i_best = SIZE_MAX;
    for (size_t i = 0; i < s->n; i++) {
        if (s->fit[i] > -1e29 && (*i_best == SIZE_MAX || s->fit[i] > s->fit[*i_best])) {
            *i_best = i;
        }
    }
    (void)least;
    if (*i_best == SIZE_MAX) {
        return;
    }
    a->second = -1e30;
    size_t away = (size_t)(AWAY_S / s->step);
    for (size_t i = 0; i < s->n; i++) {
        if (i + away < *i_best || i > *i_best + away) {
            a->second = fmax(a->second, s->fit[i]);
        }
    }
    size_t lo = *i_best;
    size_t hi = lo;
    double limit = 0.95 * s->fit[*i_best];
    while (lo > 0 && s->fit[lo - 1] >= limit) {
        lo--;
    }
    while (hi + 1 < s->n && s->fit[hi + 1] >= limit) {
        hi++;
    }
    a->width_s = 0.5 * s->step * (double)(hi - lo);
}

sm_status sm_align_log(const sm_speed_grid *g, const sm_peak_map *m, const sm_rpm_log *log,
                       double hz_per_rpm, sm_alignment *out)
{
    double run0 = m->frames[0].t_s;
    double run1 = m->frames[m->n_frames - 1].t_s;
    double log0 = log->t_s[0];
    double log1 = log->t_s[log->n - 1];
    double least = fmax(OVERLAP_LEAST_S, 0.5 * fmin(run1 - run0, log1 - log0));
    scan s = {.t0 = run0 - log1 + least, .step = 2 * SM_PEAK_HOP_S};
    double last = run1 - log0 - least;
    if (!(last > s.t0)) {
        return SM_E_SHORT;
    }
    s.n = (size_t)((last - s.t0) / s.step) + 1;
    s.fit = sm_alloc_array(s.n, sizeof *s.fit);
    if (!s.fit) {
        return SM_E_NOMEM;
    }
    size_t stride = 1 + m->n_frames / 3000;
    for (size_t i = 0; i < s.n; i++) {
        double overlap = 0;
        double v = score(g, m, log, hz_per_rpm, s.t0 + s.step * (double)i, stride, &overlap);
        s.fit[i] = overlap >= 0.9 * least ? v : -1e30;
    }
    sm_alignment a = {0};
    size_t i_best = 0;
    find_best(&s, least, &a, &i_best);
    sm_free(s.fit);
    if (i_best == SIZE_MAX) {
        return SM_E_SHORT;
    }
    a.fit = -1e30;
    double centre = s.t0 + s.step * (double)i_best;
    double moment = 0;
    double weight = 0;
    for (int k = -40; k <= 40; k++) { /* 0.8 s either side */
        double overlap = 0;
        double offset = centre + FINE_S * k;
        double v = score(g, m, log, hz_per_rpm, offset, 1, &overlap);
        if (v > a.fit) {
            a.fit = v;
            a.offset_s = offset;
            a.overlap_s = overlap;
        }
    }
    for (int k = -40; k <= 40; k++) { /* centre of the top, which is flat and ragged */
        double overlap = 0;
        double offset = a.offset_s + FINE_S * k;
        double v = score(g, m, log, hz_per_rpm, offset, 1, &overlap) - 0.93 * a.fit;
        if (v > 0) {
            moment += v * offset;
            weight += v;
        }
    }
    a.offset_s = weight > 0 ? moment / weight : a.offset_s;
    span_of(log, m, &a);
    *out = a;
    return SM_OK;
}

/* Parabola in ln speed around hz, never deeper than `most`. */
static void add_prior(sm_speed_grid *g, size_t t, double hz, double sigma, double most)
{
    double centre = log(hz / g->hz_lo) / g->step;
    for (size_t s = 0; s < g->n_states; s++) {
        double z = ((double)s - centre) * g->step / sigma;
        g->fit[t * g->n_states + s] -= (float)fmin(0.5 * z * z, most);
    }
}

void sm_align_log_apply(sm_speed_grid *g, const sm_peak_map *m, const sm_rpm_log *log,
                        double hz_per_rpm, double offset_s)
{
    for (size_t t = 0; t < m->n_frames; t++) {
        double at = m->frames[t].t_s - offset_s;
        double rpm = sm_rpm_log_at(log, at);
        if (isnan(rpm)) {
            continue;
        }
        double before = sm_rpm_log_at(log, at - PRIOR_LAG_S);
        double behind = sm_rpm_log_at(log, at + PRIOR_LAG_S);
        double slack = fmax(isnan(before) ? 0 : fabs(before / rpm - 1),
                            isnan(behind) ? 0 : fabs(behind / rpm - 1));
        add_prior(g, t, rpm * hz_per_rpm, hypot(PRIOR_SIGMA, slack), PRIOR_MOST);
    }
}

void sm_align_notes_apply(sm_speed_grid *g, const sm_peak_map *m, const sm_rpm_log *notes,
                          double hz_per_rpm)
{
    for (size_t t = 0; t < m->n_frames; t++) {
        for (size_t i = 0; i < notes->n; i++) {
            double since = m->frames[t].t_s - notes->t_s[i];
            if (fabs(since) <= NOTE_REACH_S) {
                double sigma = NOTE_SIGMA * (1 + fabs(since));
                add_prior(g, t, notes->rpm[i] * hz_per_rpm, sigma, NOTE_MOST);
            }
        }
    }
}
