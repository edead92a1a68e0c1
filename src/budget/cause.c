/* What makes most of a value: an order, a fixed frequency, or broadband. */
#include "budget/score.h"
#include "core/util.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

double sm_order_hz(const sm_score_view *v, const sm_band *b, size_t order)
{
    double rpm = b->n_frames ? b->rpm_sum / (double)b->n_frames : (b->rpm_lo + b->rpm_hi) / 2;
    return v->orders->items[order].order * rpm * v->shaft_per_rpm;
}

double sm_order_variance(const sm_score_view *v, const sm_band_channel *bc, size_t order, double hz,
                         double window_s)
{
    double dof = sm_frames_dof(bc->n_frames, bc->n_frames > 0 ? bc->n_frames - 1 : 0);
    double noise = sm_noise_density(bc->psd, v->survey->n_bins, v->survey->bin_hz, hz, dof);
    double inflation = v->survey->plans[order].inflation;
    return window_s > 0 ? 1.5 * noise / window_s * inflation * inflation : 0;
}

double sm_order_scatter(const sm_band_channel *bc, size_t order)
{
    enum { FEW = 4 };
    double sum = 0;
    long n = 0;
    for (size_t d = 0; d < SM_DIRECTIONS; d++) {
        const sm_order_stat *s = &bc->orders[order * SM_DIRECTIONS + d];
        sum += s->sum_d2;
        n += s->n_d2;
    }
    return n >= FEW ? sum / (double)n / SM_SCATTER_GAIN : 0;
}

double sm_order_power(const sm_score_view *v, const sm_band *b, const sm_band_channel *bc,
                      size_t order, int integrations)
{
    double sum2 = 0;
    double window_s = 0;
    long n = 0;
    for (size_t d = 0; d < SM_DIRECTIONS; d++) {
        const sm_order_stat *s = &bc->orders[order * SM_DIRECTIONS + d];
        sum2 += s->sum2[integrations];
        window_s += s->window_s;
        n += s->n;
    }
    if (n == 0) {
        return (double)NAN;
    }
    double hz = sm_order_hz(v, b, order);
    double noise = sm_order_variance(v, bc, order, hz, window_s / (double)n);
    return sm_max(0, sum2 / (double)n / 2 - sm_integrated(noise, hz, integrations));
}

/* The same in one cell, or in the whole band when the cell has no tracked point. */
static double power_in(const sm_score_view *v, const sm_band *b, const sm_band_channel *bc,
                       size_t order, int integrations, long cell)
{
    double whole = sm_order_power(v, b, bc, order, integrations);
    if (cell < 0 || isnan(whole)) {
        return whole;
    }
    size_t at = order * b->n_cells + (size_t)cell / SM_DIRECTIONS;
    double n = (double)bc->order_cell_n[at];
    if (!(n > 0)) {
        return whole;
    }
    double hz = sm_order_hz(v, b, order);
    return sm_integrated((double)bc->order_cell_p[at] / n, hz, integrations);
}

typedef struct candidate {
    double power;
    double hz;
    long order;
    const sm_line *line;
} candidate;

static bool line_is_in(const sm_line *l, const sm_result *r, const sm_band *b)
{
    return l->kind == SM_LINE_FIXED && (long)l->i_channel == r->i_channel &&
           l->rpm_hi >= b->rpm_lo && l->rpm_lo <= b->rpm_hi;
}

static candidate strongest(const sm_score_view *v, const sm_result *r, const sm_limit *l, long cell)
{
    const sm_band *b = &v->survey->bands[r->i_band];
    const sm_band_channel *bc = &b->channels[r->i_channel];
    candidate best = {.order = -1};
    for (size_t o = 0; o < v->orders->n; o++) {
        double hz = sm_order_hz(v, b, o);
        double p = power_in(v, b, bc, o, l->integrations, cell);
        if (hz >= l->hz_lo && hz <= l->hz_hi && p > best.power) {
            best = (candidate){.power = p, .hz = hz, .order = (long)o};
        }
    }
    for (size_t i = 0; i < v->survey->n_lines; i++) {
        const sm_line *line = &v->survey->lines[i];
        double p = sm_integrated(line->mean_p, line->hz, l->integrations);
        if (line_is_in(line, r, b) && line->hz >= l->hz_lo && line->hz <= l->hz_hi &&
            p > best.power) {
            best = (candidate){.power = p, .hz = line->hz, .order = -1, .line = line};
        }
    }
    return best;
}

static void name_cause(const sm_score_view *v, const candidate *c, sm_result *r, double share)
{
    r->cause.share = share;
    r->cause.i_order = c->order;
    r->hz = c->hz;
    if (c->order >= 0) {
        (void)snprintf(r->cause.kind, sizeof r->cause.kind, "order");
        (void)snprintf(r->cause.label, sizeof r->cause.label, "%s",
                       v->orders->items[c->order].label);
    } else {
        (void)snprintf(r->cause.kind, sizeof r->cause.kind, "fixed");
        (void)snprintf(r->cause.label, sizeof r->cause.label, "fixed %.4g Hz", c->hz);
        r->cause.hz = c->hz;
    }
}

/* Does some channel show a line there with the engine off? The finding says so once it is known
 * that the engine was off. */
static bool is_electrical(const sm_score_view *v, double hz)
{
    const sm_ground_result *g = sm_ground_result_get(sm_run_ground(v->run));
    bool known = false;
    for (size_t i = 0; i < g->n_places; i++) {
        known |=
            sm_findings_get(sm_run_findings(v->run), "electrical-line", g->places[i].place) != NULL;
    }
    for (size_t i = 0; known && i < g->n_channels; i++) {
        for (size_t k = 0; k < g->channels[i].n_lines; k++) {
            if (fabs(g->channels[i].lines[k].hz - hz) <= 1.5 * g->bin_hz) {
                return true;
            }
        }
    }
    return false;
}

const sm_line *sm_fixed_line(const sm_score_view *v, double hz)
{
    const sm_line *best = NULL;
    for (size_t i = 0; i < v->survey->n_lines; i++) {
        const sm_line *l = &v->survey->lines[i];
        if (l->kind == SM_LINE_FIXED && fabs(l->hz - hz) <= v->survey->bin_hz &&
            (!best || l->n_frames > best->n_frames)) {
            best = l;
        }
    }
    return best;
}

bool sm_fixed_label(const sm_score_view *v, size_t channel, double hz, char *out, size_t size)
{
    const sm_line *line = sm_fixed_line(v, hz);
    hz = line ? line->hz : hz;
    if (is_electrical(v, hz)) {
        (void)snprintf(out, size, "fixed %.4g Hz (electrical)", hz);
        return true;
    }
    for (size_t i = 0; i < v->n_resonances; i++) {
        const sm_resonance *r = &v->resonances[i];
        double half = isnan(r->damping_ratio) ? 0.05 : sm_max(0.02, r->damping_ratio);
        if (fabs(hz / r->hz - 1) <= half + v->survey->bin_hz / r->hz &&
            strcmp(v->survey->channels[r->i_channel].info.place,
                   v->survey->channels[channel].info.place) == 0) {
            (void)snprintf(out, size, "fixed %.4g Hz (structure)", r->hz);
            return true;
        }
    }
    (void)snprintf(out, size, "fixed %.4g Hz", hz);
    return false;
}

/* A density's worst bin: which line stands there. */
static void cause_at(const sm_score_view *v, sm_result *r)
{
    const sm_band *b = &v->survey->bands[r->i_band];
    double rpm = b->rpm_sum / (double)b->n_frames;
    double best = INFINITY;
    candidate c = {.hz = r->hz, .order = -1};
    for (size_t o = 0; o < v->orders->n; o++) {
        double lo = v->orders->items[o].order * b->rpm_lo * v->shaft_per_rpm - 2;
        double hi = v->orders->items[o].order * b->rpm_hi * v->shaft_per_rpm + 2;
        double p = sm_order_power(v, b, &b->channels[r->i_channel], o, 0);
        double d = fabs(v->orders->items[o].order * rpm * v->shaft_per_rpm - r->hz);
        double noise = sm_order_variance(v, &b->channels[r->i_channel], o, r->hz, 1);
        if (r->hz >= lo && r->hz <= hi && p > 4 * noise && d < best) {
            best = d;
            c.order = (long)o;
        }
    }
    for (size_t i = 0; i < v->survey->n_lines; i++) {
        const sm_line *line = &v->survey->lines[i];
        if (line_is_in(line, r, b) && fabs(line->hz - r->hz) < 1.5) {
            c = (candidate){.hz = line->hz, .order = -1, .line = line};
        }
    }
    if (c.order >= 0 || c.line) {
        double hz = r->hz;
        name_cause(v, &c, r, 1);
        r->hz = hz;
    } else {
        (void)snprintf(r->cause.kind, sizeof r->cause.kind, "broadband");
        (void)snprintf(r->cause.label, sizeof r->cause.label, "broadband");
        r->cause.share = 1;
    }
}

void sm_find_cause(const sm_score_view *v, sm_result *r, long cell)
{
    const sm_limit *l = &v->budget->limits[r->i_limit];
    r->cause.i_order = -1;
    if (r->i_channel < 0 || isnan(r->value)) {
        return;
    }
    if (l->measure == SM_MEASURE_PSD) {
        cause_at(v, r);
        return;
    }
    const sm_band_channel *bc = &v->survey->bands[r->i_band].channels[r->i_channel];
    const sm_channel_stat *c = &v->survey->channels[r->i_channel];
    double total = 0;
    for (size_t s = 0; s < c->n_slots; s++) {
        if (c->slot_limit[s] == r->i_limit && bc->slots[s].n) {
            total = cell >= 0 && bc->cells[cell].n
                        ? bc->slots[s].cell_p[cell] / (double)bc->cells[cell].n
                        : bc->slots[s].sum_p / (double)bc->slots[s].n;
        }
    }
    if (!(total > 0)) {
        return;
    }
    candidate best = strongest(v, r, l, cell);
    double share = sm_min(1, best.power / total);
    if (share >= 0.2) {
        name_cause(v, &best, r, share);
        return;
    }
    (void)snprintf(r->cause.kind, sizeof r->cause.kind, "broadband");
    (void)snprintf(r->cause.label, sizeof r->cause.label, "broadband");
    r->cause.share = 1 - share;
    r->hz = (double)NAN;
}
