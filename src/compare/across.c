/* Two places in one run: pairs of channels, their transmissibility, the mount between them. */
#include "core/alloc.h"
#include "core/util.h"
#include "stillmount/compare.h"
#include "stillmount/tracker.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define LONG_S 4.0  /* frames that resolve a lightly damped mount: 0.25 Hz */
#define SHORT_S 1.0 /* for logs too short for those */
#define LEAST_FRAMES 8
#define POINT_SPACING 0.01

enum { MAX_PAIRS = 6 };

struct sm_across {
    const sm_channel *channels;
    double rate_hz;
    size_t from[MAX_PAIRS];
    size_t to[MAX_PAIRS];
    size_t n_pairs;
    sm_transfer *fine;
    sm_transfer *coarse;
    sm_tracker *tracker;         /* NULL without orders */
    sm_cross on_fine[MAX_PAIRS]; /* from tracked orders, on the bins of fine and coarse */
    sm_cross on_coarse[MAX_PAIRS];
};

static bool has_place(const sm_channel *c, size_t n, const char *place)
{
    for (size_t i = 0; i < n; i++) {
        if (strcmp(c[i].place, place) == 0) {
            return true;
        }
    }
    return false;
}

/* The places of the log, as words: "base, mount". */
static void list_places(const sm_channel *c, size_t n, char *out, size_t capacity)
{
    size_t used = 0;
    out[0] = '\0';
    for (size_t i = 0; i < n; i++) {
        bool first = c[i].place[0] != '\0';
        for (size_t k = 0; k < i && first; k++) {
            first = strcmp(c[k].place, c[i].place) != 0;
        }
        if (first && used + strlen(c[i].place) + 3 < capacity) {
            used +=
                (size_t)snprintf(out + used, capacity - used, "%s%s", used ? ", " : "", c[i].place);
        }
    }
}

static sm_status find_pairs(sm_across *a, const sm_channel *c, size_t n, const char *from,
                            const char *to, sm_error *err)
{
    char places[400];
    list_places(c, n, places, sizeof places);
    if (strcmp(from, to) == 0) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0,
                            "from and to are the same place (%s): name two of: %s", from, places);
    }
    const char *missing = !has_place(c, n, from) ? from : !has_place(c, n, to) ? to : NULL;
    if (missing) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0,
                            "no channel at the place '%s'; this log has: %s; a channels file can "
                            "name others (role = %s.accel.z)",
                            missing, places, missing);
    }
    for (size_t i = 0; i < n; i++) {
        for (size_t k = 0; k < n && a->n_pairs < MAX_PAIRS; k++) {
            bool same = (c[i].role == SM_ROLE_ACCEL || c[i].role == SM_ROLE_GYRO) &&
                        c[i].role == c[k].role && c[i].axis == c[k].axis;
            if (same && strcmp(c[i].place, from) == 0 && strcmp(c[k].place, to) == 0) {
                a->from[a->n_pairs] = i;
                a->to[a->n_pairs++] = k;
            }
        }
    }
    return a->n_pairs ? SM_OK
                      : sm_error_set(err, SM_E_VALUE, NULL, 0,
                                     "'%s' and '%s' have no accelerometer or gyro axis in common",
                                     from, to);
}

void sm_across_close(sm_across **a)
{
    if (a && *a) {
        sm_transfer_close(&(*a)->fine);
        sm_transfer_close(&(*a)->coarse);
        sm_tracker_close(&(*a)->tracker);
        for (size_t i = 0; i < MAX_PAIRS; i++) {
            sm_cross_free(&(*a)->on_fine[i]);
            sm_cross_free(&(*a)->on_coarse[i]);
        }
        sm_free(*a);
        *a = NULL;
    }
}

/* A tracked point is worth this many frames: points lie a quarter window apart (Welch's figure for
   75 % overlap), frames half a window. */
#define POINT_FRAMES (0.5196 / 0.9474)

static void add_point(sm_cross *c, double hz, double sweep_hz, const double x[2], const double y[2])
{
    double k = floor(hz / c->bin_hz + 0.5);
    if (k < 1 || k >= (double)c->n_bins) {
        return;
    }
    size_t i = (size_t)k;
    double n = c->n[i];
    double to = n + POINT_FRAMES;
    double w = POINT_FRAMES / to; /* running means */
    c->xx[i] += w * (x[0] * x[0] + x[1] * x[1] - c->xx[i]);
    c->yy[i] += w * (y[0] * y[0] + y[1] * y[1] - c->yy[i]);
    c->xy[2 * i] += w * (x[0] * y[0] + x[1] * y[1] - c->xy[2 * i]);
    c->xy[2 * i + 1] += w * (x[0] * y[1] - x[1] * y[0] - c->xy[2 * i + 1]);
    c->sweep_hz[i] += w * (sweep_hz - c->sweep_hz[i]);
    c->n[i] = to;
}

static sm_status on_point(void *self, const sm_track_point *p, sm_error *err)
{
    (void)err;
    sm_across *a = self;
    double sweep_hz = p->rpm > 0 ? fabs(p->rpm_change / p->rpm) * p->hz : 0;
    for (size_t i = 0; i < a->n_pairs; i++) {
        double x[2] = {p->re_pk[i], p->im_pk[i]};
        double y[2] = {p->re_pk[a->n_pairs + i], p->im_pk[a->n_pairs + i]};
        if (isfinite(x[0] + x[1] + y[0] + y[1])) {
            add_point(&a->on_fine[i], p->hz, sweep_hz, x, y);
            add_point(&a->on_coarse[i], p->hz, sweep_hz, x, y);
        }
    }
    return SM_OK;
}

/* Empty averages are what a transfer that has seen nothing gives. */
static sm_status open_tracked(const sm_transfer *t, size_t i, sm_cross *out, sm_error *err)
{
    sm_status st = sm_transfer_peek(t, i, out, err);
    if (st != SM_OK) {
        return st;
    }
    out->sweep_hz = sm_alloc_array(out->n_bins, sizeof *out->sweep_hz);
    return out->sweep_hz ? SM_OK : sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
}

static sm_status open_tracker(sm_across *a, const sm_order_table *orders, sm_error *err)
{
    size_t pick[2 * MAX_PAIRS];
    sm_status st = SM_OK;
    for (size_t i = 0; i < a->n_pairs && st == SM_OK; i++) {
        pick[i] = a->from[i];
        pick[a->n_pairs + i] = a->to[i];
        st = open_tracked(a->fine, i, &a->on_fine[i], err);
        st = st == SM_OK ? open_tracked(a->coarse, i, &a->on_coarse[i], err) : st;
    }
    return st == SM_OK && orders && orders->n
               ? sm_tracker_open(orders, pick, 2 * a->n_pairs, a->rate_hz, on_point, a, &a->tracker,
                                 err)
               : st;
}

sm_status sm_across_open(const sm_channel *channels, size_t n_channels, double rate_hz,
                         const char *from, const char *to, const sm_order_table *orders,
                         sm_across **out, sm_error *err)
{
    sm_across *a = sm_alloc_array(1, sizeof *a);
    if (!a) {
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    a->channels = channels;
    a->rate_hz = rate_hz;
    sm_status st = find_pairs(a, channels, n_channels, from, to, err);
    sm_transfer_options opt = {.window = SM_WINDOW_HANN, .remove_mean = true};
    if (st == SM_OK) {
        opt.n_frame = sm_frame_length(LONG_S * rate_hz);
        opt.hop = opt.n_frame / 2;
        st = sm_transfer_open(a->from, a->to, a->n_pairs, rate_hz, &opt, &a->fine, err);
    }
    if (st == SM_OK) {
        opt.n_frame = sm_frame_length(SHORT_S * rate_hz);
        opt.hop = opt.n_frame / 2;
        st = sm_transfer_open(a->from, a->to, a->n_pairs, rate_hz, &opt, &a->coarse, err);
    }
    st = st == SM_OK ? open_tracker(a, orders, err) : st;
    if (st != SM_OK) {
        sm_across_close(&a);
        return st;
    }
    *out = a;
    return SM_OK;
}

static sm_status push(void *self, const sm_block *b, sm_error *err)
{
    sm_across *a = self;
    sm_sink fine = sm_transfer_sink(a->fine);
    sm_sink coarse = sm_transfer_sink(a->coarse);
    sm_status st = fine.push(fine.self, b, err);
    st = st == SM_OK ? coarse.push(coarse.self, b, err) : st;
    if (st == SM_OK && a->tracker && b->theta_rev) {
        sm_sink tracker = sm_tracker_sink(a->tracker);
        st = tracker.push(tracker.self, b, err);
    }
    return st;
}

static sm_status mark(void *self, sm_mark what, double t_s, sm_error *err)
{
    sm_across *a = self;
    sm_sink fine = sm_transfer_sink(a->fine);
    sm_sink coarse = sm_transfer_sink(a->coarse);
    sm_status st = fine.mark(fine.self, what, t_s, err);
    st = st == SM_OK ? coarse.mark(coarse.self, what, t_s, err) : st;
    if (st == SM_OK && a->tracker) {
        sm_sink tracker = sm_tracker_sink(a->tracker);
        st = tracker.mark(tracker.self, what, t_s, err);
    }
    return st;
}

sm_sink sm_across_sink(sm_across *a)
{
    return (sm_sink){.self = a, .push = push, .mark = mark};
}

static double most_frames(const sm_cross *c)
{
    return c->n_bins > 2 ? c->n[c->n_bins / 2] : 0;
}

static void write_points(sm_json_doc *doc, sm_json *pair, const sm_ratio_point *p, size_t n)
{
    sm_json *hz = sm_json_add_array(doc, pair, "hz");
    sm_json *ratio = sm_json_add_array(doc, pair, "ratio");
    sm_json *phase = sm_json_add_array(doc, pair, "phase_deg");
    sm_json *coherence = sm_json_add_array(doc, pair, "coherence");
    sm_json *interval = sm_json_add_array(doc, pair, "interval_db");
    for (size_t i = 0; i < n; i++) {
        bool ok = p[i].trusted;
        sm_json_append_number(doc, hz, p[i].hz);
        sm_json_append_number(doc, ratio, ok ? hypot(p[i].h1[0], p[i].h1[1]) : (double)NAN);
        sm_json_append_number(doc, phase,
                              ok ? atan2(p[i].h1[1], p[i].h1[0]) * 180 / SM_PI : (double)NAN);
        sm_json_append_number(doc, coherence, sm_min(p[i].coherence, 1));
        sm_json_append_pair(doc, interval, ok ? 20 * log10(p[i].lo) : (double)NAN,
                            ok ? 20 * log10(p[i].hi) : (double)NAN);
    }
}

static void add_reason(sm_json_doc *doc, sm_json *reasons, const char *code, const char *channel,
                       const char *text)
{
    sm_json *r = sm_json_append_object(doc, reasons);
    sm_json_add_text(doc, r, "code", code);
    sm_json_add_text(doc, r, "channel", channel);
    sm_json_add_text(doc, r, "text", text);
}

static void write_mount(sm_json_doc *doc, sm_json *isolators, sm_json *reasons,
                        const sm_channel *to, const sm_mount_fit *fit)
{
    static const char axes[] = "xyz";
    char axis[2] = {to->axis >= 0 && to->axis < 3 ? axes[to->axis] : '?', '\0'};
    if (!fit->found) {
        add_reason(doc, reasons, fit->code, to->name, fit->reason);
        return;
    }
    sm_json *o = sm_json_append_object(doc, isolators);
    sm_json_add_text(doc, o, "axis", axis);
    sm_json_add_number(doc, o, "natural_hz", fit->natural_hz);
    sm_json_add_number(doc, o, "damping_ratio", fit->damping_ratio);
    sm_json_add_number(doc, o, "isolates_above_hz", fit->isolates_above_hz);
    sm_json *ci = sm_json_add_object(doc, o, "intervals");
    sm_json_add_pair(doc, ci, "natural_hz", fit->natural_ci[0], fit->natural_ci[1]);
    sm_json_add_pair(doc, ci, "damping_ratio", fit->damping_ci[0], fit->damping_ci[1]);
    sm_json_add_pair(doc, ci, "isolates_above_hz", fit->isolates_ci[0], fit->isolates_ci[1]);
    sm_json_add_number(doc, o, "gain", fit->gain);
    sm_json_add_number(doc, o, "misfit", fit->misfit);
}

/* Highest frequency that neither sensor's own filter, nor its slower clock, has touched. */
static double highest(const sm_across *a, size_t i)
{
    double hz = 0.4 * a->rate_hz;
    const sm_channel *ends[2] = {&a->channels[a->from[i]], &a->channels[a->to[i]]};
    for (size_t e = 0; e < 2; e++) {
        hz = ends[e]->bandwidth_hz > 0 ? sm_min(hz, ends[e]->bandwidth_hz) : hz;
        hz = ends[e]->native_rate_hz > 0 ? sm_min(hz, 0.4 * ends[e]->native_rate_hz) : hz;
    }
    return hz;
}

typedef struct writer {
    sm_json_doc *doc;
    sm_json *pairs;
    sm_json *isolators;
    sm_json *reasons;
    size_t n_trusted;
    size_t n_copied;
} writer;

static sm_status write_pair(const sm_across *a, size_t i, writer *w, sm_error *err)
{
    sm_cross all = {0};
    const sm_cross *on = &a->on_fine[i];
    sm_ratio_point *p = NULL;
    size_t n = 0;
    sm_mount_fit fit = {0};
    sm_status st = sm_transfer_peek(a->fine, i, &all, err);
    if (st == SM_OK && most_frames(&all) < LEAST_FRAMES) {
        sm_cross_free(&all);
        on = &a->on_coarse[i];
        st = sm_transfer_peek(a->coarse, i, &all, err);
    }
    if (st != SM_OK) {
        goto done;
    }
    p = sm_alloc_array(all.n_bins, sizeof *p);
    if (!p) {
        st = sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
        goto done;
    }
    double hi_hz = sm_max(highest(a, i), 8 * all.bin_hz);
    st = sm_transfer_points(&all, on, 4 * all.bin_hz, hi_hz, POINT_SPACING, p, all.n_bins, &n);
    st = st == SM_OK ? sm_mount_fit_compute(p, n, all.bin_hz, &fit) : st;
    if (st != SM_OK) {
        st = sm_error_set(err, st, NULL, 0, "out of memory");
        goto done;
    }
    const sm_channel *to = &a->channels[a->to[i]];
    sm_json *pair = sm_json_append_object(w->doc, w->pairs);
    sm_json_add_text(w->doc, pair, "from", a->channels[a->from[i]].name);
    sm_json_add_text(w->doc, pair, "to", to->name);
    write_points(w->doc, pair, p, n);
    sm_json_add_number(w->doc, pair, "bin_hz", all.bin_hz);
    sm_json_add_number(w->doc, pair, "frames", most_frames(&all));
    if (to->role == SM_ROLE_ACCEL) {
        write_mount(w->doc, w->isolators, w->reasons, to, &fit);
    }
    bool copied = !fit.found && strcmp(fit.code, "sensor-copied") == 0;
    w->n_copied += copied;
    for (size_t k = 0; k < n; k++) {
        w->n_trusted += p[k].trusted && !copied;
    }
done:
    sm_free(p);
    sm_cross_free(&all);
    return st;
}

sm_status sm_across_json(const sm_across *a, sm_json_doc *doc, bool *assessed, sm_error *err)
{
    sm_json *root = sm_json_root(doc);
    writer w = {.doc = doc,
                .pairs = sm_json_add_array(doc, root, "pairs"),
                .isolators = sm_json_add_array(doc, root, "isolator"),
                .reasons = sm_json_add_array(doc, root, "reasons")};
    for (size_t i = 0; i < a->n_pairs; i++) {
        sm_status st = write_pair(a, i, &w, err);
        if (st != SM_OK) {
            return st;
        }
    }
    if (w.n_trusted == 0 && w.n_copied == 0) {
        add_reason(doc, w.reasons, "no-coherence", "",
                   "at no frequency do the two places move together (coherence 0.8 or more): "
                   "record longer, louder, or check that both sensors share one clock");
    }
    *assessed = w.n_trusted > 0;
    return SM_OK;
}
