/* Frames and tracked points of a share of the channels, booked into bands, cells and directions. */
#include "survey/part.h"

#include "core/alloc.h"
#include "core/spike.h"
#include "core/util.h"
#include "core/wide.h"

#include <math.h>
#include <string.h>

#define HELD_SHARE 0.003 /* rpm change per second that still counts as held */
#define HELD_RPM 4.0

static sm_direction direction_of(double change_per_s, double rpm)
{
    double held = sm_max(HELD_RPM, HELD_SHARE * rpm);
    return change_per_s > held ? SM_UP : change_per_s < -held ? SM_DOWN : SM_HELD;
}

static size_t cell_of(const sm_band *b, double rpm, sm_direction d)
{
    double u = (rpm - b->rpm_lo) / (b->rpm_hi - b->rpm_lo);
    size_t cell = (size_t)sm_max(0, u * (double)b->n_cells);
    if (cell >= b->n_cells) {
        cell = b->n_cells - 1;
    }
    return cell * SM_DIRECTIONS + d;
}

/* First visit of a band by a channel of this part. */
static sm_status make_room(sm_part *p, sm_band *b, size_t channel)
{
    sm_band_channel *bc = &b->channels[channel];
    if (bc->cells) {
        return SM_OK;
    }
    size_t n_slots = p->res->channels[channel].n_slots;
    size_t n_orders = p->opt->orders->n;
    size_t cells = b->n_cells * SM_DIRECTIONS;
    bc->psd = sm_alloc_array(p->res->n_bins, sizeof(double));
    bc->slots = sm_alloc_array(n_slots + 1, sizeof *bc->slots);
    bc->orders = sm_alloc_array((n_orders + 1) * SM_DIRECTIONS, sizeof *bc->orders);
    bc->order_cell_p = sm_alloc_array((n_orders + 1) * b->n_cells, sizeof(float));
    bc->order_cell_n = sm_alloc_array((n_orders + 1) * b->n_cells, sizeof(float));
    bc->sweep = sm_alloc_array((n_orders + 1) * b->n_cells * 2, sizeof *bc->sweep);
    bc->cells = sm_alloc_array(cells, sizeof *bc->cells);
    if (!bc->psd || !bc->slots || !bc->orders || !bc->order_cell_p || !bc->order_cell_n ||
        !bc->sweep || !bc->cells) {
        return SM_E_NOMEM;
    }
    for (size_t s = 0; s < n_slots; s++) {
        bc->slots[s].cell_p = sm_alloc_array(cells, sizeof(double));
        if (!bc->slots[s].cell_p) {
            return SM_E_NOMEM;
        }
    }
    return SM_OK;
}

/* Are three neighbours equal anywhere? */
SM_WIDE static bool any_triple(const double *x, size_t n)
{
    sm_i4 any = {0};
    size_t i = 2;
    for (; i + 4 <= n; i += 4) {
        sm_v4 v0;
        sm_v4 v1;
        sm_v4 v2;
        memcpy(&v0, x + i, sizeof v0);
        memcpy(&v1, x + i - 1, sizeof v1);
        memcpy(&v2, x + i - 2, sizeof v2);
        any |= (v0 == v1) & (v1 == v2);
    }
    bool found = any[0] | any[1] | any[2] | any[3];
    for (; i < n; i++) {
        found = found || (x[i] == x[i - 1] && x[i - 1] == x[i - 2]);
    }
    return found;
}

/* Longest run of equal values. */
static long longest_run(const double *x, size_t n)
{
    long longest = 1;
    long run = 1;
    for (size_t i = 1; i < n; i++) {
        run = x[i] == x[i - 1] ? run + 1 : 1;
        longest = run > longest ? run : longest;
    }
    return longest;
}

static void book_samples(const sm_part *p, const sm_frame *f, const double *x, sm_cell *cell)
{
    sm_extremes e = sm_extremes_of(x, f->n);
    /* only then can a run be longer: two are met so often that they are not worth a search */
    if ((long)e.n_equal >= cell->n_equal && (cell->n_equal < 2 || any_triple(x, f->n))) {
        long run = longest_run(x, f->n);
        cell->n_equal = run > cell->n_equal ? run : cell->n_equal;
    }
    double peak = sm_max(fabs(e.lo), fabs(e.hi));
    if (peak > cell->peak_si) {
        size_t i_peak = 0;
        while (i_peak + 1 < f->n && fabs(x[i_peak]) < peak) {
            i_peak++;
        }
        cell->peak_si = peak;
        cell->peak_t_s = f->t0_s + (double)i_peak / p->res->rate_hz;
        cell->peak_rpm = f->rpm;
    }
    cell->hi_si = cell->n == 1 ? e.hi : sm_max(e.hi, cell->hi_si); /* n counts this frame already */
    cell->lo_si = cell->n == 1 ? e.lo : sm_min(e.lo, cell->lo_si);
}

enum { SPIKE_STEPS = 16 }; /* of the sensor: less is a quiet channel's own */

static void book_spikes(const sm_part *p, const sm_frame *f, const double *x, double step_si,
                        sm_cell *cell)
{
    sm_spike found[SM_SPIKES_MOST];
    size_t n = step_si > 0 ? sm_spikes_of(x, f->n, SPIKE_STEPS * step_si, found) : 0;
    for (size_t k = 0; k < n; k++) {
        double weighed = found[k].height * p->window[found[k].i];
        cell->spike_e += weighed * weighed;
        cell->spike_si = sm_max(cell->spike_si, fabs(found[k].height));
    }
}

SM_WIDEST static void apply_window(const double *window, const double *x, double mean, size_t n,
                                   double *restrict out)
{
    for (size_t i = 0; i < n; i++) {
        out[i] = window[i] * (x[i] - mean);
    }
}

SM_WIDEST static void square(const double *spectrum, size_t n, double *restrict power)
{
    for (size_t k = 0; k < n; k++) {
        double re = spectrum[2 * k];
        double im = spectrum[2 * k + 1];
        power[k] = re * re + im * im;
    }
}

SM_WIDEST static void accumulate(const double *power, size_t n, double *restrict sum)
{
    for (size_t k = 0; k < n; k++) {
        sum[k] += power[k];
    }
}

#define HANN2_VARIANCE 0.02 /* of time under a squared Hann window, in frames^2 */

/* Where in its cell a frame was, and how far it swept while the window weighed it. */
static void book_speed(const sm_band *b, const sm_frame *f, size_t i_cell, sm_cell *cell)
{
    double width = (b->rpm_hi - b->rpm_lo) / (double)b->n_cells;
    double off = f->rpm - b->rpm_lo - ((double)i_cell + 0.5) * width;
    double sweep = f->rpm_last - f->rpm_first;
    cell->rpm_off += off;
    cell->rpm_off2 += off * off + HANN2_VARIANCE * sweep * sweep;
}

static void transform(sm_part *p, const double *x, size_t n)
{
    apply_window(p->window, x, sm_sum(x, n) / (double)n, n, p->x);
    sm_fft_forward(p->fft, p->x, p->spectrum);
    square(p->spectrum, p->res->n_bins, p->power);
    p->power[0] *= 0.5; /* one-sided densities double all but these two */
    p->power[p->res->n_bins - 1] *= 0.5;
}

/* Largest sinusoid of a frame within the limit's range: power of its lobe, smear allowed for. */
static double largest_line(const sm_part *p, const sm_limit *l, const sm_frame *f)
{
    double best = 0;
    double bin = p->res->bin_hz;
    size_t from = (size_t)sm_max(4, ceil(l->hz_lo / bin));
    size_t to = (size_t)sm_min((double)p->res->n_bins - 3, floor(l->hz_hi / bin));
    for (size_t k = from; k <= to; k++) {
        if (p->power[k] < p->power[k - 1] || p->power[k] < p->power[k + 1]) {
            continue;
        }
        double hz = (double)k * bin;
        double smear = hz * fabs(f->rpm_last - f->rpm_first) / f->rpm / bin;
        size_t m = 2 + (size_t)ceil(smear / 2);
        double sum = 0;
        for (size_t i = k > m ? k - m : 1; i <= k + m && i < p->res->n_bins; i++) {
            sum += p->power[i];
        }
        best = sm_max(best, sm_integrated(sum, hz, l->integrations));
    }
    return best * p->psd_scale * bin;
}

static void measure_slots(const sm_part *p, size_t channel, const sm_frame *f, double *out)
{
    const sm_channel_stat *st = &p->res->channels[channel];
    for (size_t s = 0; s < st->n_slots; s++) {
        const sm_limit *l = &p->opt->budget->limits[st->slot_limit[s]];
        out[s] = l->measure == SM_MEASURE_LINE
                     ? largest_line(p, l, f)
                     : p->psd_scale * sm_band_power(p->power, p->res->n_bins, p->res->bin_hz,
                                                    l->hz_lo, l->hz_hi, l->integrations);
    }
}

/* A frame's second belongs to every cell that the rpm passed in it. */
static void book_map(sm_part *p, size_t channel, const sm_frame *f)
{
    sm_map *map = &p->res->map;
    double low = floor((sm_min(f->rpm_first, f->rpm_last) - map->rpm0) / SM_CELL_RPM);
    double high = floor((sm_max(f->rpm_first, f->rpm_last) - map->rpm0) / SM_CELL_RPM);
    for (double row = sm_max(low, 0); row <= high && row < (double)map->n_rpm; row++) {
        float *p_row = map->p + (channel * map->n_rpm + (size_t)row) * map->n_hz;
        for (size_t k = 1; k < p->res->n_bins; k++) {
            size_t column = (size_t)((double)k * p->res->bin_hz / map->hz_step);
            if (column < map->n_hz) {
                p_row[column] += (float)(p->power[k] * p->psd_scale * p->res->bin_hz);
            }
        }
        if (p->leads && channel == p->first) {
            map->n[(size_t)row] += 1;
        }
    }
}

static sm_status book_channel(sm_part *p, size_t i, const sm_frame *f, size_t i_band, size_t cell,
                              bool adjacent, double *slot_p)
{
    sm_band *b = &p->res->bands[i_band];
    size_t channel = p->first + i;
    const sm_channel_stat *st = &p->res->channels[channel];
    if (f->bad[i]) {
        for (size_t s = 0; s < st->n_slots; s++) {
            slot_p[s] = (double)NAN;
        }
        return SM_OK;
    }
    sm_status status = make_room(p, b, channel);
    if (status != SM_OK) {
        return status;
    }
    sm_band_channel *bc = &b->channels[channel];
    bc->cells[cell].n++;
    bc->cells[cell].n_adjacent += adjacent && p->last_cell == cell;
    book_samples(p, f, f->x[i], &bc->cells[cell]);
    book_spikes(p, f, f->x[i], p->step_si[i], &bc->cells[cell]);
    book_speed(b, f, cell / SM_DIRECTIONS, &bc->cells[cell]);
    transform(p, f->x[i], f->n);
    accumulate(p->power, p->res->n_bins, bc->psd);
    bool overlaps = bc->n_frames && f->t0_s - bc->last_t0_s < 0.75 * p->res->frame_s;
    bc->seconds += (overlaps ? 0.5 : 1) * p->res->frame_s;
    bc->last_t0_s = f->t0_s;
    bc->n_frames++;
    measure_slots(p, channel, f, slot_p);
    sm_lost_quiet_rest(&p->lost, i, p->power);
    if (sm_lost_wants(&p->lost)) {
        sm_lost_channel_frame(&p->lost, i, f->x[i], f->n, p->power, p->psd_scale, slot_p);
    }
    book_map(p, channel, f);
    sm_comb_push(p->comb, channel, i_band, p->power, f->rpm, f->rpm_last - f->rpm_first);
    double shaft_hz = f->rpm * p->shaft_per_rpm;
    double change_hz = (f->rpm_last - f->rpm_first) * p->shaft_per_rpm;
    sm_bend_frame(&p->bend, i, f, p->window, p->fft, p->spectrum, p->power, shaft_hz, change_hz);
    return sm_line_finder_frame(&p->finder, i, p->power, p->res->n_bins, p->res->bin_hz,
                                p->psd_scale, shaft_hz, change_hz);
}

/* What only one thread may count. */
static void book_band(sm_part *p, const sm_frame *f, long band, bool adjacent, sm_direction d)
{
    sm_survey_result *r = p->res;
    r->n_frames++;
    r->rpm_min = r->n_frames == 1 ? f->rpm : sm_min(r->rpm_min, f->rpm);
    r->rpm_max = r->n_frames == 1 ? f->rpm : sm_max(r->rpm_max, f->rpm);
    if (band < 0) {
        sm_passes_end(&p->passes, r);
        r->n_outside++;
        return;
    }
    sm_band *b = &r->bands[band];
    double share = adjacent ? 0.5 : 1;
    b->visited = true;
    b->seconds += share * r->frame_s;
    b->turns += share * f->turns;
    b->n_frames++;
    b->rpm_sum += f->rpm;
    sm_passes_frame(&p->passes, r, band, f->rpm, d);
}

/* A frame that no band takes may still be of a stretch without a speed. */
static void measure_lost(sm_part *p, const sm_frame *f)
{
    double slot_p[SM_MAX_LIMITS];
    for (size_t i = 0; i < p->n && sm_lost_wants(&p->lost); i++) {
        if (!f->bad[i]) {
            transform(p, f->x[i], f->n);
            measure_slots(p, p->first + i, f, slot_p);
            sm_lost_channel_frame(&p->lost, i, f->x[i], f->n, p->power, p->psd_scale, slot_p);
        }
    }
}

static sm_status on_trusted_frame(sm_part *p, const sm_frame *f)
{
    long band = sm_budget_band_of(p->opt->budget, f->rpm);
    double per_s = (f->rpm_last - f->rpm_first) / (0.875 * p->res->frame_s);
    sm_direction d = direction_of(per_s, f->rpm);
    bool adjacent = f->adjacent && p->last_band >= 0 && p->last_band == band;
    if (p->leads) {
        book_band(p, f, band, adjacent, d);
    }
    for (size_t i = 0; i < p->n; i++) {
        if (!f->bad[i]) {
            sm_lost_quiet(&p->lost, i, f->x[i], f->n);
        }
    }
    if (band < 0) {
        p->last_band = -1;
        measure_lost(p, f);
        return SM_OK;
    }
    sm_band *b = &p->res->bands[band];
    size_t cell = cell_of(b, f->rpm, d);
    sm_waiting w = {.band = band,
                    .cell = cell,
                    .t0_s = f->t0_s,
                    .shaft_hz = f->rpm * p->shaft_per_rpm,
                    .adjacent = adjacent,
                    .i_in_stretch = f->i_in_stretch};
    double *slot_p = sm_pending_add(&p->pending, w);
    sm_status st = slot_p ? SM_OK : SM_E_NOMEM;
    for (size_t i = 0; i < p->n && st == SM_OK; i++) {
        st = book_channel(p, i, f, (size_t)band, cell, adjacent, slot_p);
        slot_p += p->res->channels[p->first + i].n_slots;
    }
    p->last_band = band;
    p->last_cell = cell;
    return st;
}

static sm_status on_frame(void *self, const sm_frame *f, sm_error *err)
{
    sm_part *p = self;
    bool trusted = f->speed_trusted && f->rpm > 0;
    sm_status st = sm_lost_begin(&p->lost, f, trusted);
    if (st == SM_OK && trusted) {
        st = on_trusted_frame(p, f);
    } else if (st == SM_OK) {
        if (p->leads) {
            p->res->n_frames_untrusted++;
            sm_passes_end(&p->passes, p->res);
        }
        p->last_band = -1;
        measure_lost(p, f);
    }
    st = st == SM_OK ? sm_lost_end(&p->lost, f) : st;
    return st == SM_OK ? SM_OK : sm_error_set(err, st, NULL, 0, "out of memory");
}

static sm_status keep_track(sm_part *p, const sm_track_point *t, sm_direction d)
{
    sm_order_track *track = &p->res->tracks[t->i_order];
    size_t n_all = p->res->n_channels;
    /* one part alone keeps tracks: detail runs without threads of its own */
    if (track->n == track->capacity) {
        size_t wanted = track->capacity ? track->capacity * 2 : 256;
        sm_track_sample *points = sm_realloc_array(track->points, wanted, sizeof *points);
        float *re = points ? sm_realloc_array(track->re_pk, wanted * n_all, sizeof *re) : NULL;
        track->points = points ? points : track->points;
        track->re_pk = re ? re : track->re_pk;
        float *im = re ? sm_realloc_array(track->im_pk, wanted * n_all, sizeof *im) : NULL;
        track->im_pk = im ? im : track->im_pk;
        if (!im) {
            return SM_E_NOMEM;
        }
        track->capacity = wanted;
    }
    track->points[track->n] =
        (sm_track_sample){(float)t->t_s, (float)t->rpm, (float)t->hz, (unsigned char)d};
    for (size_t i = 0; i < p->n; i++) {
        track->re_pk[track->n * n_all + p->first + i] = (float)t->re_pk[i];
        track->im_pk[track->n * n_all + p->first + i] = (float)t->im_pk[i];
    }
    track->n++;
    return SM_OK;
}

/* What all channels of a point have in common. */
typedef struct booking {
    sm_band *band;
    sm_direction direction;
    size_t at;     /* the point's cell in the tables of its order */
    bool moves;    /* its second difference is known */
    double per_s;  /* change of rpm */
    double per_w2; /* 1 / (2 pi hz)^2 */
    double window_s;
} booking;

static void book_order(sm_part *p, const sm_track_point *t, const booking *how, size_t i)
{
    const sm_band *b = how->band;
    size_t at = how->at;
    sm_band_channel *bc = &b->channels[p->first + i];
    double a2 = t->re_pk[i] * t->re_pk[i] + t->im_pk[i] * t->im_pk[i];
    if (!bc->cells || !isfinite(a2)) {
        return;
    }
    sm_order_stat *o = &bc->orders[t->i_order * SM_DIRECTIONS + how->direction];
    o->n++;
    o->sum_rpm += t->rpm;
    o->window_s += how->window_s;
    double d2 = how->moves ? sm_scatter_square(&p->scatter, t->i_order, i) : (double)NAN;
    if (isfinite(d2)) {
        o->sum_d2 += d2;
        o->n_d2++;
    }
    double power = a2;
    for (int k = 0; k < SM_INTEGRALS; k++, power *= how->per_w2) {
        o->sum2[k] += power;
        if (power > o->max2[k]) {
            o->max2[k] = power;
            o->max_rpm[k] = t->rpm;
            o->max_hz[k] = t->hz;
        }
    }
    sm_sweep_cell *c = &bc->sweep[2 * at + (t->rpm_change < 0 ? SM_DOWN : SM_UP)];
    c->n += 1;
    c->p += (float)(a2 / 2);
    c->rpm += (float)t->rpm;
    c->rate += (float)how->per_s;
}

static void book_turns(sm_part *p, const sm_track_point *t, sm_direction d)
{
    for (size_t i = 0; i < p->n; i++) {
        double re;
        double im;
        if (sm_scatter_turn(&p->scatter, t, i, &re, &im)) {
            size_t at = (t->i_order * p->res->n_channels + p->first + i) * SM_DIRECTIONS + d;
            p->res->turns[at].re += re;
            p->res->turns[at].im += im;
            p->res->turns[at].n++;
        }
    }
}

static sm_status on_track(void *self, const sm_track_point *t, sm_error *err)
{
    sm_part *p = self;
    sm_pending_track(&p->pending, t->i_order, t->t_s, t->re_pk, t->im_pk);
    bool moves = sm_scatter_push(&p->scatter, t);
    double per_s = t->rpm_change / (t->t1_s - t->t0_s);
    sm_direction d = direction_of(per_s, t->rpm);
    book_turns(p, t, d);
    if (p->res->tracks && keep_track(p, t, d) != SM_OK) {
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    long band = sm_budget_band_of(p->opt->budget, t->rpm);
    if (band < 0) {
        return SM_OK;
    }
    sm_band *b = &p->res->bands[band];
    booking how = {.band = b,
                   .direction = d,
                   .at = t->i_order * b->n_cells + cell_of(b, t->rpm, SM_UP) / SM_DIRECTIONS,
                   .moves = moves,
                   .per_s = per_s,
                   .per_w2 = 1 / (2 * SM_PI * t->hz * (2 * SM_PI * t->hz)),
                   .window_s = t->t1_s - t->t0_s};
    for (size_t i = 0; i < p->n; i++) {
        if (make_room(p, b, p->first + i) != SM_OK) {
            return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
        }
        book_order(p, t, &how, i);
    }
    return SM_OK;
}

void sm_part_look(sm_part *p, const sm_block *b)
{
    for (size_t i = 0; i < p->n; i++) {
        const double *x = b->x[p->res->channels[p->first + i].i_source];
        sm_part_watch(p, i, x, b->n_rows);
        if (p->opt->watch_clipping) {
            sm_clip_push(&p->clip[i], x, b->n_rows, b->t0_s, 1 / b->rate_hz, NULL);
        }
    }
}

void sm_part_steps(const sm_part *p, double *step_si)
{
    for (size_t i = 0; i < p->n; i++) {
        step_si[p->first + i] = p->res->channels[p->first + i].step_si;
    }
}

sm_status sm_part_push(sm_part *p, const sm_block *b, const double *step_si, sm_error *err)
{
    memcpy(p->step_si, step_si + p->first, p->n * sizeof *step_si);
    /* in slices of a hop, so that tracks and frames stay close and little has to be remembered */
    size_t hop = p->res->n_frame / 2;
    const double *x[SM_MAX_CHANNELS];
    /* here, not when it is opened: planning takes milliseconds of this part's own thread */
    sm_status st = p->fft ? SM_OK : sm_fft_open(p->res->n_frame, &p->fft, err);
    for (size_t from = 0; from < b->n_rows && st == SM_OK; from += hop) {
        sm_block slice = *b;
        slice.n_rows = b->n_rows - from < hop ? b->n_rows - from : hop;
        for (size_t c = 0; c < b->n_channels; c++) {
            x[c] = b->x[c] + from;
        }
        slice.x = x;
        slice.theta_rev = b->theta_rev ? b->theta_rev + from : NULL;
        slice.rpm = b->rpm ? b->rpm + from : NULL;
        slice.t0_s += (double)from / b->rate_hz;
        slice.i_row += from;
        slice.line += b->line > 0 ? (long)from : 0;
        sm_sink sink = sm_tracker_sink(p->tracker); /* first: frames need the tracks under them */
        st = sink.push(sink.self, &slice, err);
        sink = sm_framer_sink(p->framer);
        st = st == SM_OK ? sink.push(sink.self, &slice, err) : st;
        sm_pending_release(&p->pending, sm_tracker_done_s(p->tracker));
    }
    return st;
}

sm_status sm_part_mark(sm_part *p, sm_mark m, double t_s, sm_error *err)
{
    sm_sink sink = sm_tracker_sink(p->tracker);
    sm_status st = sink.mark(sink.self, m, t_s, err);
    sink = sm_framer_sink(p->framer);
    st = st == SM_OK ? sink.mark(sink.self, m, t_s, err) : st;
    sm_pending_flush(&p->pending);
    sm_scatter_reset(&p->scatter, p->opt->orders->n);
    p->last_band = -1;
    if (p->leads) {
        sm_passes_end(&p->passes, p->res);
    }
    if (m == SM_MARK_END && st == SM_OK && sm_lost_finish(&p->lost) != SM_OK) {
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    return st;
}

static sm_status allocate(sm_part *p)
{
    size_t n = p->n + 1;
    p->window = sm_fft_buffer(p->res->n_frame);
    p->x = sm_fft_buffer(p->res->n_frame);
    p->spectrum = sm_fft_buffer(p->res->n_frame + 2);
    p->power = sm_alloc_array(p->res->n_bins, sizeof(double));
    p->step_si = sm_alloc_array(n, sizeof(double));
    p->last_value = sm_alloc_array(n, sizeof(double));
    p->sum = sm_alloc_array(n, sizeof(double));
    p->sum2 = sm_alloc_array(n, sizeof(double));
    p->origin = sm_alloc_array(n, sizeof(double));
    p->clip = sm_alloc_array(n, sizeof *p->clip);
    p->begun = sm_alloc_array(n, sizeof *p->begun);
    bool good = p->window && p->x && p->spectrum && p->power && p->step_si && p->last_value &&
                p->sum && p->sum2 && p->origin && p->clip && p->begun;
    return good ? SM_OK : SM_E_NOMEM;
}

sm_status sm_part_open(sm_part *p, const sm_survey_options *opt, sm_survey_result *res,
                       sm_comb *comb, size_t first, size_t n, const sm_part *like, sm_error *err)
{
    *p = (sm_part){.opt = opt,
                   .res = res,
                   .first = first,
                   .n = n,
                   .comb = comb,
                   .leads = first == 0,
                   .last_band = -1};
    p->passes.band = -1;
    p->shaft_per_rpm = sm_powertrain_reference_per(opt->powertrain, opt->powertrain->rpm_of) / 60;
    size_t pick[SM_MAX_CHANNELS];
    for (size_t i = 0; i < n; i++) {
        pick[i] = res->channels[first + i].i_source;
    }
    sm_status st = allocate(p);
    st = st == SM_OK ? sm_pending_open(&p->pending, opt, res, first, n) : st;
    st = st == SM_OK ? sm_scatter_open(&p->scatter, opt->orders->n, n) : st;
    st = st == SM_OK ? sm_lost_open(&p->lost, opt, res, first, n) : st;
    st = st == SM_OK ? sm_line_finder_open(&p->finder, n, res->n_bins) : st;
    if (st != SM_OK) {
        return sm_error_set(err, st, NULL, 0, "out of memory");
    }
    for (size_t i = 0; i < n; i++) {
        sm_clip_start(&p->clip[i], res->channels[first + i].info.range_si);
    }
    sm_window_fill(SM_WINDOW_HANN, res->n_frame, p->window);
    double s2 = 0;
    for (size_t i = 0; i < res->n_frame; i++) {
        s2 += p->window[i] * p->window[i];
    }
    p->psd_scale = 2 / (res->rate_hz * s2);
    if (sm_bend_open(&p->bend, opt->powertrain, opt->orders, n, res->n_frame, res->rate_hz,
                     p->psd_scale) != SM_OK) {
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    st = sm_framer_open(pick, n, res->rate_hz, on_frame, p, &p->framer, err);
    if (st == SM_OK && like) {
        return sm_tracker_open_like(like->tracker, pick, n, on_track, p, &p->tracker, err);
    }
    return st == SM_OK
               ? sm_tracker_open(opt->orders, pick, n, res->rate_hz, on_track, p, &p->tracker, err)
               : st;
}

void sm_part_close(sm_part *p)
{
    sm_framer_close(&p->framer);
    sm_tracker_close(&p->tracker);
    sm_pending_close(&p->pending);
    sm_lost_close(&p->lost);
    sm_bend_close(&p->bend);
    sm_scatter_close(&p->scatter);
    sm_line_finder_close(&p->finder);
    sm_fft_close(&p->fft);
    sm_fft_buffer_free(p->window);
    sm_fft_buffer_free(p->x);
    sm_fft_buffer_free(p->spectrum);
    sm_free(p->power);
    sm_free(p->step_si);
    sm_free(p->last_value);
    sm_free(p->sum);
    sm_free(p->sum2);
    sm_free(p->origin);
    sm_free(p->clip);
    sm_free(p->begun);
    *p = (sm_part){0};
}

/* Of the order cells only the two directions are kept while the log is read: fewer places to visit.
 */
static void add_directions(sm_band_channel *bc, size_t n)
{
    for (size_t k = 0; k < n; k++) {
        const sm_sweep_cell *both = bc->sweep + 2 * k;
        bc->order_cell_p[k] = both[0].p + both[1].p;
        bc->order_cell_n[k] = both[0].n + both[1].n;
    }
}

static void finish_channel(sm_part *p, size_t i)
{
    sm_channel_stat *st = &p->res->channels[p->first + i];
    double n = (double)st->n;
    st->clip = sm_clip_levels_get(&p->clip[i]);
    st->bend = sm_bend_get(&p->bend, i);
    if (st->n) {
        double mean = p->sum[i] / n;
        st->mean_si = p->origin[i] + mean;
        st->rms_si = sqrt(sm_max(0, p->sum2[i] / n - mean * mean));
    }
    for (size_t b = 0; b < p->res->n_bands; b++) {
        sm_band_channel *bc = &p->res->bands[b].channels[p->first + i];
        if (bc->cells) {
            add_directions(bc, p->opt->orders->n * p->res->bands[b].n_cells);
        }
        for (size_t k = 0; bc->n_frames && k < p->res->n_bins; k++) {
            bc->psd[k] *= p->psd_scale / (double)bc->n_frames;
        }
    }
}

sm_status sm_part_finish(sm_part *p, sm_error *err)
{
    enum { MOST = 12 };
    sm_survey_result *r = p->res;
    for (size_t i = 0; i < p->n; i++) {
        finish_channel(p, i);
        sm_line found[MOST];
        size_t n = sm_line_finder_find(&p->finder, i, p->opt->orders, r->rate_hz, found, MOST);
        sm_line *lines = sm_realloc_array(r->lines, r->n_lines + n + 1, sizeof *lines);
        if (!lines) {
            return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
        }
        r->lines = lines;
        for (size_t k = 0; k < n; k++) {
            found[k].i_channel = p->first + i;
            found[k].rpm_lo /= p->shaft_per_rpm; /* the finder speaks of the shaft in Hz */
            found[k].rpm_hi /= p->shaft_per_rpm;
            lines[r->n_lines++] = found[k];
        }
    }
    return SM_OK;
}
