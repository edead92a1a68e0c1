/* What pictures and closer looks need: peaks with their sources, order cuts, spectra, map. */
#include "budget/assess_json.h"
#include "core/alloc.h"
#include "core/util.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { MOST_PEAKS = 8, MOST_CANDIDATES = 160 };
#define STANDS_OUT 10.0 /* power over noise: 10 dB */
#define STEADY 2.0      /* power over jumps: noise gives 1; a real idle is not steady either */

typedef struct peak {
    double hz;
    double amp_pk; /* [SI] */
    const char *kind;
    long order;          /* in the table, -1 */
    const sm_line *line; /* NULL = not from a line */
} peak;

static double to_shown(const sm_channel_stat *c)
{
    const sm_unit *u = sm_unit_shown(c->info.quantity);
    return u ? 1 / u->to_si : 1;
}

static const char *shown_name(const sm_channel_stat *c)
{
    const sm_unit *u = sm_unit_shown(c->info.quantity);
    return u ? u->name : "";
}

static size_t add_peak(peak *list, size_t n, peak p)
{
    if (n < MOST_CANDIDATES && p.amp_pk > 0) {
        size_t i = n;
        while (i > 0 && list[i - 1].amp_pk < p.amp_pk) {
            list[i] = list[i - 1];
            i--;
        }
        list[i] = p;
        return n + 1;
    }
    return n;
}

/* Expected orders that stand 10 dB above the noise of their own window. */
static size_t order_peaks(const sm_score_view *v, const sm_band *b, const sm_band_channel *bc,
                          peak *list, size_t n)
{
    for (size_t o = 0; o < v->orders->n; o++) {
        double window_s = 0;
        double sum2 = 0;
        long count = 0;
        for (size_t d = 0; d < SM_DIRECTIONS; d++) {
            const sm_order_stat *s = &bc->orders[o * SM_DIRECTIONS + d];
            window_s += s->window_s;
            sum2 += s->sum2[0];
            count += s->n;
        }
        if (count == 0) {
            continue;
        }
        double hz = sm_order_hz(v, b, o);
        double noise = 2 * sm_order_variance(v, bc, o, hz, window_s / (double)count);
        double mean2 = sum2 / (double)count;
        double jumps =
            2 * sm_order_scatter(bc, o); /* noise on a mode, or a tone on its way across */
        if (mean2 > STANDS_OUT * noise && mean2 > STEADY * jumps) {
            peak p = {.hz = hz, .amp_pk = sqrt(mean2 - noise), .kind = "order", .order = (long)o};
            n = add_peak(list, n, p);
        }
    }
    return n;
}

static size_t line_peaks(const sm_score_view *v, size_t channel, const sm_band *b, peak *list,
                         size_t n)
{
    double mean_rpm = b->rpm_sum / (double)b->n_frames;
    for (size_t i = 0; i < v->survey->n_lines; i++) {
        const sm_line *l = &v->survey->lines[i];
        if (l->i_channel != channel || l->rpm_hi < b->rpm_lo || l->rpm_lo > b->rpm_hi) {
            continue;
        }
        double shaft = mean_rpm * v->shaft_per_rpm;
        double hz =
            l->kind == SM_LINE_FIXED ? l->hz
            : l->kind == SM_LINE_ORDER
                ? l->order * shaft
                : fabs(l->fold * v->survey->rate_hz + (l->fold > 0 ? -1 : 1) * l->order * shaft);
        const char *kind = l->kind == SM_LINE_FIXED   ? "fixed"
                           : l->kind == SM_LINE_ORDER ? "order"
                                                      : "alias";
        peak p = {.hz = hz, .amp_pk = sqrt(2 * l->mean_p), .kind = kind, .order = -1, .line = l};
        n = add_peak(list, n, p);
    }
    return n;
}

static bool is_known(const sm_score_view *v, const sm_band *b, const peak *list, size_t n,
                     double hz)
{
    double lo = b->rpm_lo * v->shaft_per_rpm;
    double hi = b->rpm_hi * v->shaft_per_rpm;
    for (size_t o = 0; o < v->orders->n; o++) {
        double order = v->orders->items[o].order;
        if (hz > order * lo - 2.5 && hz < order * hi + 2.5) {
            return true;
        }
    }
    for (size_t i = 0; i < n; i++) {
        if (fabs(list[i].hz - hz) < 2.5) {
            return true;
        }
    }
    return false;
}

/* The machine's order that a line's order is; NULL = none. */
static const sm_order *order_of(const sm_score_view *v, double order)
{
    const sm_order *best = NULL;
    for (size_t i = 0; i < v->named->n; i++) {
        const sm_order *o = &v->named->items[i];
        if (!best || fabs(o->order - order) < fabs(best->order - order)) {
            best = o;
        }
    }
    return best && fabs(best->order - order) <= sm_max(0.01, 0.003 * order) ? best : NULL;
}

/* A line whose fold, whichever it is by then, falls there in this band; NULL = none. */
static const sm_line *folded_line(const sm_score_view *v, const sm_band *b, double hz)
{
    double rate = v->survey->rate_hz;
    for (size_t i = 0; i < v->survey->n_lines; i++) {
        const sm_line *l = &v->survey->lines[i];
        double lo = l->order * b->rpm_lo * v->shaft_per_rpm;
        double hi = l->order * b->rpm_hi * v->shaft_per_rpm;
        if (l->kind != SM_LINE_ALIAS) {
            continue;
        }
        for (double m = 1; m * rate < hi + rate; m++) {
            bool below = hz > m * rate - hi - 2.5 && hz < m * rate - lo + 2.5;
            bool above = hz > lo - m * rate - 2.5 && hz < hi - m * rate + 2.5;
            if ((below || above) && lo > 0.5 * rate) {
                return l;
            }
        }
    }
    return NULL;
}

/* Peaks of the mean spectrum that no order and no line of this channel explains: a line that
 * another channel shows more clearly, a resonance, or unknown. */
static size_t other_peaks(const sm_score_view *v, const sm_band *b, size_t channel, peak *list,
                          size_t n)
{
    const sm_band_channel *bc = &b->channels[channel];
    double bin = v->survey->bin_hz;
    double dof = sm_frames_dof(bc->n_frames, bc->n_frames - 1);
    size_t top = (size_t)(0.4 * v->survey->rate_hz / bin);
    size_t before = n;
    for (size_t k = 5; k + 3 < top; k++) {
        const double *p = bc->psd + k;
        if (p[0] <= p[-1] || p[0] < p[1] || p[0] < p[-2] || p[0] < p[2]) {
            continue;
        }
        double hz = (double)k * bin;
        if (p[0] < STANDS_OUT * sm_noise_density(bc->psd, v->survey->n_bins, bin, hz, dof) ||
            is_known(v, b, list, before, hz)) {
            continue;
        }
        double power = (p[-2] + p[-1] + p[0] + p[1] + p[2]) * bin;
        peak found = {.hz = hz, .amp_pk = sqrt(2 * power), .kind = "unknown", .order = -1};
        found.line = sm_fixed_line(v, hz);
        char label[60];
        if (found.line || sm_fixed_label(v, channel, hz, label, sizeof label)) {
            found.kind = "fixed";
        } else if ((found.line = folded_line(v, b, hz)) != NULL) {
            found.kind = "alias";
        }
        n = add_peak(list, n, found);
    }
    return n;
}

/* Half orders of the crank that this run's resolution cannot tell from the peak. */
static void add_rivals(const sm_score_view *v, const sm_band *b, const peak *p, sm_json_doc *doc,
                       sm_json *array)
{
    double shaft_hz = b->rpm_sum / (double)b->n_frames * v->shaft_per_rpm;
    double half = 2 * p->hz / shaft_hz;
    double nearest = floor(half + 0.5);
    if (!v->powertrain->has_engine || nearest < 1 || nearest > 64 ||
        fabs(half - nearest) / 2 * shaft_hz > 1.0 || (p->line && p->line->kind != SM_LINE_FIXED)) {
        return;
    }
    char label[40];
    (void)snprintf(label, sizeof label, "crank %.4g", nearest / 2);
    sm_json_append_text(doc, array, label);
}

/* A folded line under the name of its true order. */
static void add_folded(const sm_score_view *v, double order, sm_json_doc *doc, sm_json *s)
{
    const sm_order *known = order_of(v, order);
    char label[170];
    if (known) {
        (void)snprintf(label, sizeof label, "%s, folded down by the sampling", known->label);
    } else {
        (void)snprintf(label, sizeof label, "order %.4g, folded down by the sampling", order);
    }
    sm_json_add_text(doc, s, "label", label);
    if (known) {
        sm_json_add_ratio(doc, s, "ratio", known->ratio);
    } else {
        sm_json_add_null(doc, s, "ratio");
    }
    sm_json_add_number(doc, s, "order", known ? known->order : order);
    sm_json *also = sm_json_add_array(doc, s, "also");
    for (size_t k = 0; known && k < known->n_also; k++) {
        sm_json_append_text(doc, also, known->also[k]);
    }
}

static void add_source(const sm_score_view *v, const sm_band *b, size_t channel, const peak *p,
                       sm_json_doc *doc, sm_json *o)
{
    sm_json *s = sm_json_add_object(doc, o, "source");
    sm_json_add_text(doc, s, "kind", p->kind);
    char label[170];
    if (p->order >= 0) {
        const sm_order *order = &v->orders->items[p->order];
        sm_text_inert(order->label, strlen(order->label), label, sizeof label);
        for (size_t i = 0; i < v->orders->n; i++) { /* one line that stands for two orders */
            if (v->survey->plans[i].merged_into == p->order) {
                (void)snprintf(label, sizeof label, "%s + %s", order->label,
                               v->orders->items[i].label);
            }
        }
        sm_json_add_text(doc, s, "label", label);
        sm_json_add_ratio(doc, s, "ratio", order->ratio);
        sm_json_add_number(doc, s, "order", order->order);
        sm_json *also = sm_json_add_array(doc, s, "also");
        for (size_t k = 0; k < order->n_also; k++) {
            sm_json_append_text(doc, also, order->also[k]);
        }
        return;
    }
    if (strcmp(p->kind, "fixed") == 0) {
        (void)sm_fixed_label(v, channel, p->line ? p->line->hz : p->hz, label, sizeof label);
    } else if (p->line && p->line->kind == SM_LINE_ORDER) {
        (void)snprintf(label, sizeof label, "order %.4g, not in the powertrain file",
                       p->line->order);
    } else if (p->line) {
        add_folded(v, p->line->order, doc, s);
        return;
    } else {
        (void)snprintf(label, sizeof label, "unknown");
    }
    sm_json_add_text(doc, s, "label", label);
    sm_json_add_null(doc, s, "ratio");
    sm_json_add_number(doc, s, "order", p->line ? p->line->order : (double)NAN);
    add_rivals(v, b, p, doc, sm_json_add_array(doc, s, "also"));
}

static void add_peaks(const sm_score_view *v, sm_json_doc *doc, sm_json *root)
{
    sm_json *array = sm_json_add_array(doc, root, "peaks");
    for (size_t b = 0; b < v->survey->n_bands; b++) {
        const sm_band *band = &v->survey->bands[b];
        for (size_t c = 0; band->visited && c < v->survey->n_channels; c++) {
            const sm_channel_stat *channel = &v->survey->channels[c];
            const sm_band_channel *bc = &band->channels[c];
            peak list[MOST_CANDIDATES];
            if (bc->n_frames < 1) {
                continue;
            }
            size_t n = order_peaks(v, band, bc, list, 0);
            n = line_peaks(v, c, band, list, n);
            n = other_peaks(v, band, c, list, n);
            for (size_t i = 0; i < n && i < MOST_PEAKS; i++) {
                sm_json *o = sm_json_append_object(doc, array);
                sm_json_add_text(doc, o, "channel", channel->info.name);
                sm_json_add_pair(doc, o, "rpm", band->rpm_lo, band->rpm_hi);
                sm_json_add_number(doc, o, "hz", list[i].hz);
                sm_json_add_number(doc, o, "amplitude", list[i].amp_pk * to_shown(channel));
                sm_json_add_text(doc, o, "unit", shown_name(channel));
                sm_json_add_text(doc, o, "detector", "peak");
                add_source(v, band, c, &list[i], doc, o);
            }
        }
    }
}

static void add_peaks_named(const sm_score_view *v, sm_json_doc *doc, sm_json *root)
{
    enum { HIGHEST = 64 };
    sm_score_view with = *v;
    sm_order_table *all = sm_alloc_array(1, sizeof *all);
    if (!all || sm_powertrain_orders(v->powertrain, HIGHEST, NULL, 0, all, NULL) == SM_E_NOMEM) {
        sm_json_append_number(doc, NULL, 0); /* marks the document as incomplete */
        sm_free(all);
        return;
    }
    with.named = all;
    add_peaks(&with, doc, root);
    sm_free(all);
}

/* Standard deviation of a tracked amplitude's component at that rpm; NaN outside the bands. */
static double sigma_at(const sm_score_view *v, size_t channel, size_t order,
                       const sm_track_sample *p)
{
    long band = sm_budget_band_of(v->budget, (double)p->rpm);
    if (band < 0 || v->survey->bands[band].channels[channel].n_frames < 1) {
        return (double)NAN;
    }
    double shaft_hz = (double)p->rpm * v->shaft_per_rpm;
    double window_s = (double)v->survey->plans[order].window_rev / shaft_hz;
    return sqrt(sm_order_variance(v, &v->survey->bands[band].channels[channel], order,
                                  (double)p->hz, window_s));
}

/* The same as the tracks of that band show it. */
static double jumps_at(const sm_score_view *v, size_t channel, size_t order,
                       const sm_track_sample *p)
{
    long band = sm_budget_band_of(v->budget, (double)p->rpm);
    const sm_band_channel *bc = band < 0 ? NULL : &v->survey->bands[band].channels[channel];
    return bc && bc->orders ? sqrt(sm_order_scatter(bc, order)) : 0;
}

typedef struct cut {
    double *t_s;
    double *rpm;
    double *amp;
    double *noise;
    double *phase;
    double *relative;
    size_t n;
} cut;

static size_t strongest_channel(const sm_score_view *v, const sm_order_track *t,
                                sm_quantity quantity)
{
    size_t best = 0;
    double most = -1;
    for (size_t c = 0; c < v->survey->n_channels; c++) {
        double sum = 0;
        for (size_t i = 0; i < t->n; i++) {
            double re = (double)t->re_pk[i * v->survey->n_channels + c];
            double im = (double)t->im_pk[i * v->survey->n_channels + c];
            sum += isfinite(re) && isfinite(im) ? re * re + im * im : 0;
        }
        if (v->survey->channels[c].info.quantity == quantity && sum > most) {
            most = sum;
            best = c;
        }
    }
    return best;
}

static void fill_cut(const sm_score_view *v, size_t order, size_t channel, size_t reference,
                     sm_direction d, cut *out)
{
    const sm_order_track *t = &v->survey->tracks[order];
    size_t nc = v->survey->n_channels;
    double scale = to_shown(&v->survey->channels[channel]);
    out->n = 0;
    for (size_t i = 0; i < t->n; i++) {
        if (t->points[i].direction != d) {
            continue;
        }
        double re = (double)t->re_pk[i * nc + channel];
        double im = (double)t->im_pk[i * nc + channel];
        double ref =
            atan2((double)t->im_pk[i * nc + reference], (double)t->re_pk[i * nc + reference]);
        double sigma = sigma_at(v, channel, order, &t->points[i]);
        double bias = isnan(sigma) ? 0 : 2 * sigma * sigma;
        double phase = atan2(im, re);
        double relative = phase - ref;
        relative -= 2 * SM_PI * floor(relative / (2 * SM_PI) + 0.5);
        size_t k = out->n++;
        out->t_s[k] = (double)t->points[i].t_s;
        out->rpm[k] = (double)t->points[i].rpm;
        out->amp[k] = sqrt(sm_max(0, re * re + im * im - bias)) * scale;
        out->noise[k] = sm_max(sigma, jumps_at(v, channel, order, &t->points[i])) * scale;
        out->phase[k] = phase * 180 / SM_PI;
        out->relative[k] = relative * 180 / SM_PI;
    }
}

/* A pulse on the shaft that owns the order gives phases a zero. */
static bool phase_is_known(const sm_score_view *v, const sm_order *o)
{
    const sm_speed_result *s = sm_run_speed(v->run);
    return s->phase_known && (s->pulse_shaft == o->shaft || !v->powertrain->has_gearbox);
}

static void add_cut(const sm_score_view *v, size_t order, size_t channel, sm_direction d,
                    const cut *k, sm_json_doc *doc, sm_json *array)
{
    const sm_order *o = &v->orders->items[order];
    sm_json *item = sm_json_append_object(doc, array);
    sm_json_add_text(doc, item, "channel", v->survey->channels[channel].info.name);
    sm_json_add_text(doc, item, "label", o->label);
    sm_json_add_ratio(doc, item, "ratio", o->ratio);
    sm_json_add_number(doc, item, "order", o->order);
    sm_json_add_text(doc, item, "unit", shown_name(&v->survey->channels[channel]));
    sm_json_add_text(doc, item, "detector", "peak");
    sm_json_add_text(doc, item, "direction", sm_direction_text(d));
    sm_json_add_integer(doc, item, "window_turns", v->survey->plans[order].window_rev);
    sm_json_add_numbers(doc, item, "time_s", k->t_s, k->n);
    sm_json_add_numbers(doc, item, "rpm", k->rpm, k->n);
    sm_json_add_numbers(doc, item, "amplitude", k->amp, k->n);
    sm_json_add_numbers(doc, item, "noise", k->noise, k->n);
    if (phase_is_known(v, o)) {
        sm_json_add_numbers(doc, item, "phase_deg", k->phase, k->n);
    } else {
        sm_json_add_null(doc, item, "phase_deg");
    }
    sm_json_add_numbers(doc, item, "phase_rel_deg", k->relative, k->n);
}

static void add_orders(const sm_score_view *v, sm_json_doc *doc, sm_json *root)
{
    sm_json *array = sm_json_add_array(doc, root, "orders");
    size_t most = 1;
    for (size_t o = 0; o < v->orders->n; o++) {
        most = v->survey->tracks[o].n > most ? v->survey->tracks[o].n : most;
    }
    double *room = sm_alloc_array(6 * most, sizeof *room);
    if (!room) {
        sm_json_append_number(doc, NULL, 0); /* marks the document as incomplete */
        return;
    }
    cut k = {room, room + most, room + 2 * most, room + 3 * most, room + 4 * most, room + 5 * most,
             0};
    for (size_t c = 0; c < v->survey->n_channels; c++) {
        for (size_t o = 0; o < v->orders->n; o++) {
            size_t reference =
                strongest_channel(v, &v->survey->tracks[o], v->survey->channels[c].info.quantity);
            for (size_t d = 0; d < SM_DIRECTIONS; d++) {
                fill_cut(v, o, c, reference, (sm_direction)d, &k);
                if (k.n) {
                    add_cut(v, o, c, (sm_direction)d, &k, doc, array);
                }
            }
        }
    }
    sm_free(room);
}

static void add_spectrum(const sm_score_view *v, const sm_band *b, size_t c, sm_json_doc *doc,
                         sm_json *array)
{
    const sm_band_channel *bc = &b->channels[c];
    const sm_channel_stat *channel = &v->survey->channels[c];
    double scale = to_shown(channel) * to_shown(channel);
    double dof = sm_frames_dof(bc->n_frames, bc->n_frames - 1);
    size_t n = (size_t)(0.4 * v->survey->rate_hz / v->survey->bin_hz);
    sm_json *o = sm_json_append_object(doc, array);
    sm_json_add_text(doc, o, "channel", channel->info.name);
    sm_json_add_pair(doc, o, "rpm", b->rpm_lo, b->rpm_hi);
    sm_json *hz = sm_json_add_array(doc, o, "hz");
    sm_json *psd = sm_json_add_array(doc, o, "psd");
    char unit[40];
    (void)snprintf(unit, sizeof unit, strchr(shown_name(channel), '/') ? "(%s)^2/Hz" : "%s^2/Hz",
                   shown_name(channel));
    sm_json_add_text(doc, o, "unit", unit);
    sm_json *lower = sm_json_add_array(doc, o, "floor");
    double level = 0;
    for (size_t k = 1; k <= n && k < v->survey->n_bins; k++) {
        double f = (double)k * v->survey->bin_hz;
        if (k % 8 == 1) {
            level = sm_noise_density(bc->psd, v->survey->n_bins, v->survey->bin_hz, f, dof);
        }
        sm_json_append_number(doc, hz, f);
        sm_json_append_number(doc, psd, bc->psd[k] * scale);
        sm_json_append_number(doc, lower, level * scale);
    }
}

static void add_spectra(const sm_score_view *v, sm_json_doc *doc, sm_json *root)
{
    sm_json *array = sm_json_add_array(doc, root, "spectra");
    for (size_t b = 0; b < v->survey->n_bands; b++) {
        for (size_t c = 0; v->survey->bands[b].visited && c < v->survey->n_channels; c++) {
            if (v->survey->bands[b].channels[c].n_frames > 0) {
                add_spectrum(v, &v->survey->bands[b], c, doc, array);
            }
        }
    }
}

static void add_map(const sm_score_view *v, sm_json_doc *doc, sm_json *root)
{
    const sm_map *m = &v->survey->map;
    sm_json *array = sm_json_add_array(doc, root, "map");
    size_t first = 0;
    size_t last = m->n_rpm;
    while (first < last && m->n[first] == 0) {
        first++;
    }
    while (last > first && m->n[last - 1] == 0) {
        last--;
    }
    for (size_t c = 0; c < v->survey->n_channels && last > first; c++) {
        const sm_channel_stat *channel = &v->survey->channels[c];
        double scale = to_shown(channel) * to_shown(channel) / m->hz_step; /* rms in 1 Hz */
        sm_json *o = sm_json_append_object(doc, array);
        sm_json_add_text(doc, o, "channel", channel->info.name);
        sm_json *rpm = sm_json_add_array(doc, o, "rpm");
        for (size_t r = first; r < last; r++) {
            sm_json_append_number(doc, rpm, m->rpm0 + ((double)r + 0.5) * SM_CELL_RPM);
        }
        sm_json *hz = sm_json_add_array(doc, o, "hz");
        for (size_t k = 0; k < m->n_hz; k++) {
            sm_json_append_number(doc, hz, ((double)k + 0.5) * m->hz_step);
        }
        sm_json *db = sm_json_add_array(doc, o, "db");
        for (size_t r = first; r < last; r++) {
            sm_json *row = sm_json_append_array(doc, db);
            const float *p = m->p + (c * m->n_rpm + r) * m->n_hz;
            for (size_t k = 0; k < m->n_hz; k++) {
                double power = m->n[r] > 0 ? (double)p[k] / (double)m->n[r] * scale : (double)NAN;
                sm_json_append_number(doc, row, 10 * log10(power));
            }
        }
        char unit[60];
        (void)snprintf(unit, sizeof unit, "dB re 1 %s rms in 1 Hz", shown_name(channel));
        sm_json_add_text(doc, o, "unit", unit);
    }
}

void sm_assess_detail(const sm_score_view *v, sm_json_doc *doc, sm_json *root)
{
    if (v->survey->tracks) {
        add_orders(v, doc, root);
    }
    add_peaks_named(v, doc, root);
    add_spectra(v, doc, root);
    add_map(v, doc, root);
}
