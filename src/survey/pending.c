/* Tone power under each frame, and the noise that is left. */
#include "survey/pending.h"

#include "core/alloc.h"
#include "core/util.h"

#include <math.h>
#include <string.h>

sm_status sm_pending_open(sm_pending *q, const sm_survey_options *opt, sm_survey_result *res,
                          size_t first, size_t n)
{
    *q = (sm_pending){.opt = opt, .res = res, .first = first, .n = n, .capacity = 64};
    for (size_t c = 0; c < n; c++) {
        q->n_slots += res->channels[first + c].n_slots;
    }
    size_t orders = opt->orders->n + 1;
    q->queue = sm_alloc_array(q->capacity, sizeof *q->queue);
    q->queue_p = sm_alloc_array(q->capacity * (q->n_slots + 1), sizeof(double));
    q->history = sm_alloc_array(q->n_slots + 1, sizeof *q->history);
    q->ring_t_s = sm_alloc_array(orders * SM_TRACK_RING, sizeof(double));
    q->ring_p = sm_alloc_array(orders * SM_TRACK_RING * n, sizeof(double));
    q->ring_n = sm_alloc_array(orders, sizeof *q->ring_n);
    q->tone = sm_alloc_array(orders * n, sizeof(double));
    if (!q->queue || !q->queue_p || !q->history || !q->ring_t_s || !q->ring_p || !q->ring_n ||
        !q->tone) {
        return SM_E_NOMEM;
    }
    for (size_t s = 0; s < q->n_slots; s++) {
        q->history[s].band[0] = q->history[s].band[1] = -1;
    }
    double sum = 0;
    for (size_t i = 0; i < SM_TONE_NODES;
         i++) { /* Hann squared: what a frame's power weighs with */
        double w = sin(SM_PI * ((double)i + 0.5) / SM_TONE_NODES);
        q->weight[i] = w * w * w * w;
        sum += q->weight[i];
    }
    for (size_t i = 0; i < SM_TONE_NODES; i++) {
        q->weight[i] /= sum;
    }
    return SM_OK;
}

void sm_pending_close(sm_pending *q)
{
    sm_free(q->queue);
    sm_free(q->queue_p);
    sm_free(q->history);
    sm_free(q->ring_t_s);
    sm_free(q->ring_p);
    sm_free(q->ring_n);
    sm_free(q->tone);
    *q = (sm_pending){0};
}

void sm_pending_track(sm_pending *q, size_t i_order, double t_s, const double *re, const double *im)
{
    size_t at = i_order * SM_TRACK_RING + q->ring_n[i_order]++ % SM_TRACK_RING;
    q->ring_t_s[at] = t_s;
    for (size_t c = 0; c < q->n; c++) {
        q->ring_p[at * q->n + c] = (re[c] * re[c] + im[c] * im[c]) / 2;
    }
}

double *sm_pending_add(sm_pending *q, sm_waiting w)
{
    if (q->count == q->capacity) {
        size_t bigger = q->capacity * 2;
        sm_waiting *queue = sm_alloc_array(bigger, sizeof *queue);
        double *p = sm_alloc_array(bigger * (q->n_slots + 1), sizeof(double));
        if (!queue || !p) {
            sm_free(queue);
            sm_free(p);
            return NULL;
        }
        for (size_t i = 0; i < q->count; i++) {
            size_t from = (q->head + i) % q->capacity;
            queue[i] = q->queue[from];
            memcpy(p + i * q->n_slots, q->queue_p + from * q->n_slots, q->n_slots * sizeof(double));
        }
        sm_free(q->queue);
        sm_free(q->queue_p);
        q->queue = queue;
        q->queue_p = p;
        q->head = 0;
        q->capacity = bigger;
    }
    size_t at = (q->head + q->count++) % q->capacity;
    q->queue[at] = w;
    return q->queue_p + at * q->n_slots;
}

/* Power of one order at a time, all channels, added with weight w; held beyond the tracked ends. */
static void add_tone(sm_pending *q, size_t order, double t_s, double w, double *sum)
{
    size_t n = q->ring_n[order];
    size_t oldest = n > SM_TRACK_RING ? n - SM_TRACK_RING : 0;
    const double *t = q->ring_t_s + order * SM_TRACK_RING;
    size_t k = n - 1;
    while (k > oldest && t[k % SM_TRACK_RING] > t_s) {
        k--;
    }
    size_t a = k % SM_TRACK_RING;
    size_t b = (k + 1 < n ? k + 1 : k) % SM_TRACK_RING;
    double u = b != a ? (t_s - t[a]) / (t[b] - t[a]) : 0;
    u = sm_min(1, sm_max(0, u));
    const double *pa = q->ring_p + (order * SM_TRACK_RING + a) * q->n;
    const double *pb = q->ring_p + (order * SM_TRACK_RING + b) * q->n;
    for (size_t c = 0; c < q->n; c++) {
        sum[c] += w * (pa[c] + u * (pb[c] - pa[c]));
    }
}

static void tones_under(sm_pending *q, const sm_waiting *w)
{
    size_t orders = q->opt->orders->n;
    memset(q->tone, 0, orders * q->n * sizeof(double));
    for (size_t o = 0; o < orders; o++) {
        for (size_t i = 0; q->ring_n[o] && i < SM_TONE_NODES; i++) {
            double t_s = w->t0_s + ((double)i + 0.5) / SM_TONE_NODES * q->res->frame_s;
            add_tone(q, o, t_s, q->weight[i], q->tone + o * q->n);
        }
    }
}

/* What the limit sees of the tracked tones; a line limit sees only the largest. */
static double tone_in_limit(const sm_pending *q, const sm_waiting *w, size_t c, const sm_limit *l)
{
    double total = 0;
    for (size_t o = 0; o < q->opt->orders->n; o++) {
        double hz = q->opt->orders->items[o].order * w->shaft_hz;
        double p = q->tone[o * q->n + c];
        if (hz < l->hz_lo || hz > l->hz_hi || !isfinite(p)) {
            continue;
        }
        p = sm_integrated(p, hz, l->integrations);
        total = l->measure == SM_MEASURE_LINE ? sm_max(total, p) : total + p;
    }
    return total;
}

static void book_slot(sm_slot_stat *s, sm_slot_history *h, const sm_waiting *w, double p, double e)
{
    s->sum_p += p;
    s->n++;
    s->n_adjacent += w->adjacent && h->band[0] == w->band && h->i[0] + 1 == w->i_in_stretch;
    s->cell_p[w->cell] += p;
    if (h->band[1] == w->band && h->i[1] + 2 == w->i_in_stretch) {
        s->sum_d2 += (e - h->e[1]) * (e - h->e[1]);
        s->n_pairs++;
    }
    h->e[1] = h->e[0];
    h->i[1] = h->i[0];
    h->band[1] = h->band[0];
    h->e[0] = e;
    h->i[0] = w->i_in_stretch;
    h->band[0] = w->band;
}

static void book(sm_pending *q, const sm_waiting *w, const double *p)
{
    tones_under(q, w);
    size_t at = 0;
    for (size_t c = 0; c < q->n; c++) {
        const sm_channel_stat *channel = &q->res->channels[q->first + c];
        sm_band_channel *bc = &q->res->bands[w->band].channels[q->first + c];
        for (size_t s = 0; s < channel->n_slots; s++, at++) {
            if (isnan(p[at])) {
                q->history[at].band[0] = q->history[at].band[1] = -1;
                continue;
            }
            const sm_limit *l = &q->opt->budget->limits[channel->slot_limit[s]];
            double e = p[at] - tone_in_limit(q, w, c, l);
            book_slot(&bc->slots[s], &q->history[at], w, p[at], e);
        }
    }
}

void sm_pending_release(sm_pending *q, double done_s)
{
    while (q->count && q->queue[q->head].t0_s + q->res->frame_s <= done_s) {
        book(q, &q->queue[q->head], q->queue_p + q->head * q->n_slots);
        q->head = (q->head + 1) % q->capacity;
        q->count--;
    }
}

void sm_pending_flush(sm_pending *q)
{
    sm_pending_release(q, INFINITY);
    memset(q->ring_n, 0, q->opt->orders->n * sizeof *q->ring_n);
    for (size_t s = 0; s < q->n_slots; s++) {
        q->history[s].band[0] = q->history[s].band[1] = -1;
    }
}
