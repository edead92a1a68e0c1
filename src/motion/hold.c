/* hold: opening, the quarter-second sums and the gyro buffer, closing. */
#include "core/alloc.h"
#include "core/util.h"
#include "motion/hold_internal.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define SLICE_S 0.25

sm_hold_options sm_hold_options_default(void)
{
    return (sm_hold_options){.criteria = sm_hold_criteria_default(),
                             .horizontal_field_t = (double)NAN,
                             .place = "mount"};
}

static void find_inputs(sm_hold *h, const sm_channel *channels, size_t n, const char *place)
{
    for (int i = 0; i < HOLD_INPUTS; i++) {
        h->input[i] = -1;
    }
    for (size_t c = 0; c < n; c++) {
        const sm_channel *ch = &channels[c];
        int base = ch->role == SM_ROLE_GYRO    ? 0
                   : ch->role == SM_ROLE_ACCEL ? 3
                   : ch->role == SM_ROLE_MAG   ? 6
                                               : -1;
        if (base >= 0 && ch->axis >= 0 && ch->axis < 3 && strcmp(ch->place, place) == 0) {
            h->input[base + ch->axis] = (int)c;
            if (base == 0) {
                bool filtered =
                    ch->anti_alias || (ch->bandwidth_hz > 0 && ch->bandwidth_hz < h->rate_hz / 2);
                h->range_rad_s[ch->axis] = ch->range_si;
                h->may_fold = h->may_fold || !filtered;
            } else if (base == 6) {
                h->mag_rate_hz = ch->native_rate_hz;
            }
        }
    }
}

static sm_status take_orders(sm_hold *h, const sm_powertrain *p, sm_error *err)
{
    sm_order_table table;
    sm_status st = sm_powertrain_orders(p, 1e9, NULL, 0, &table, err);
    double per = sm_powertrain_reference_per(p, p->rpm_of);
    bool firing = false; /* the lowest of each kind has been met: the table rises */
    bool blades = false;
    for (size_t i = 0; st == SM_OK && i < table.n; i++) {
        const sm_order *o = &table.items[i];
        hold_order *to = &h->orders[h->n_orders++];
        to->per_rpm_hz = o->order * per / 60;
        to->strong = o->kind != SM_ORDER_ACCESSORY && o->kind != SM_ORDER_MESH;
        to->leads =
            (o->kind == SM_ORDER_FIRING && !firing) || (o->kind == SM_ORDER_BLADE && !blades);
        firing = firing || o->kind == SM_ORDER_FIRING;
        blades = blades || o->kind == SM_ORDER_BLADE;
        (void)memcpy(to->label, o->label, sizeof o->label);
    }
    h->idle_rpm = st == SM_OK ? p->idle_rpm : (double)NAN;
    return st;
}

/* Without a powertrain: half orders of the shaft whose rpm the log gives; whole ones may fold. */
static void assume_orders(sm_hold *h)
{
    h->idle_rpm = (double)NAN;
    for (int k = 1; k <= 16; k++) {
        hold_order *to = &h->orders[h->n_orders++];
        to->per_rpm_hz = k / 120.0;
        to->strong = k == 1 || k == 2 || k == 4 || k == 8 || k == 6;
        to->leads = k == 2 || k == 4;
        (void)snprintf(to->label, sizeof to->label, "%g per revolution", k / 2.0);
    }
}

static sm_status allocate(sm_hold *h, sm_error *err)
{
    h->slices = sm_alloc_array(HOLD_MAX_SLICES, sizeof *h->slices);
    bool failed = !h->slices;
    for (int k = 0; k < HOLD_BUFFERS; k++) {
        if (k < 3 || h->input[3 + k] >= 0) {
            h->buffer[k] = sm_alloc_array(HOLD_BUFFER_ROWS, sizeof(double));
            failed = failed || !h->buffer[k];
        }
    }
    return failed ? sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory") : SM_OK;
}

sm_status sm_hold_open(const sm_channel *channels, size_t n_channels, double rate_hz,
                       const sm_hold_options *opt, sm_hold **out, sm_error *err)
{
    sm_hold *h = sm_alloc_array(1, sizeof *h);
    if (!h) {
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    h->options = opt ? *opt : sm_hold_options_default();
    h->rate_hz = rate_hz;
    h->decimation = 1;
    find_inputs(h, channels, n_channels, h->options.place);
    sm_status st = SM_OK;
    if (!(rate_hz > 0) || rate_hz > 1e6) {
        st = sm_error_set(err, SM_E_VALUE, NULL, 0, "a rate of %g Hz is out of range", rate_hz);
    } else if (h->input[0] < 0 && h->input[1] < 0 && h->input[2] < 0) {
        st = sm_error_set(err, SM_E_VALUE, NULL, 0,
                          "no gyro at place '%s': hold needs angular rates of the mount; name "
                          "its columns in a channels file, role = %s.gyro.x",
                          h->options.place, h->options.place);
    }
    if (st == SM_OK && h->options.powertrain) {
        st = take_orders(h, h->options.powertrain, err);
    } else {
        assume_orders(h);
    }
    if (st == SM_OK) {
        h->slice_rows = (size_t)sm_max(1, round(rate_hz * SLICE_S));
        st = allocate(h, err);
    }
    h->options.powertrain = NULL;
    h->options.place = "";
    if (st == SM_OK) {
        *out = h;
        h = NULL;
    }
    sm_hold_close(&h);
    return st;
}

void sm_hold_close(sm_hold **h)
{
    if (!h || !*h) {
        return;
    }
    sm_free((*h)->slices);
    for (int k = 0; k < HOLD_BUFFERS; k++) {
        sm_free((*h)->buffer[k]);
    }
    sm_free((*h)->on);
    sm_free((*h)->segments);
    sm_free((*h)->pairs);
    sm_free(*h);
    *h = NULL;
}

static void merge(hold_slice *a, const hold_slice *b)
{
    a->n += b->n;
    a->n_rpm += b->n_rpm;
    a->bad = a->bad || b->bad;
    for (int i = 0; i < HOLD_INPUTS; i++) {
        a->sum[i] += b->sum[i];
        a->square[i] += b->square[i];
    }
    for (int k = 0; k < 3; k++) {
        a->lo[k] = sm_min(a->lo[k], b->lo[k]);
        a->hi[k] = sm_max(a->hi[k], b->hi[k]);
    }
    a->rpm_sum += b->rpm_sum;
    a->rpm_square += b->rpm_square;
    a->rpm_hi = sm_max(a->rpm_hi, b->rpm_hi);
}

/* The list is full: neighbours of one stretch become one slice, and slices get twice as long. */
static void halve_slices(sm_hold *h)
{
    size_t n = 0;
    for (size_t i = 0; i < h->n_slices; n++) {
        h->slices[n] = h->slices[i];
        bool pair = i + 1 < h->n_slices && h->slices[i + 1].stretch == h->slices[i].stretch;
        if (pair) {
            merge(&h->slices[n], &h->slices[i + 1]);
        }
        i += pair ? 2 : 1;
    }
    /* A log of nothing but gaps could not be merged: the oldest half goes. */
    if (n == h->n_slices) {
        n /= 2;
        (void)memmove(h->slices, h->slices + n, n * sizeof *h->slices);
    }
    h->n_slices = n;
    h->slice_rows *= 2;
}

static void close_slice(sm_hold *h, bool whole)
{
    hold_slice *last = h->n_slices ? &h->slices[h->n_slices - 1] : NULL;
    if (h->open.n > 0 && !whole && last && last->stretch == h->open.stretch) {
        merge(last, &h->open); /* the rest before a gap or the end: no row is lost */
    } else if (h->open.n > 0) {
        if (h->n_slices == HOLD_MAX_SLICES) {
            halve_slices(h);
        }
        h->slices[h->n_slices++] = h->open;
    }
    h->open = (hold_slice){.n = 0};
}

static void add_to_slice(sm_hold *h, const sm_block *b, size_t r)
{
    hold_slice *s = &h->open;
    if (s->n == 0) {
        *s = (hold_slice){
            .t0_s = b->t0_s + (double)r / b->rate_hz, .row0 = h->n_rows, .stretch = h->stretch};
        for (int k = 0; k < 3; k++) {
            s->lo[k] = (double)INFINITY;
            s->hi[k] = -(double)INFINITY;
        }
    }
    for (int i = 0; i < HOLD_INPUTS; i++) {
        if (h->input[i] < 0) {
            continue;
        }
        double x = b->x[h->input[i]][r];
        if (!h->has_origin[i] && isfinite(x)) {
            h->origin[i] = x;
            h->has_origin[i] = true;
        }
        double d = x - h->origin[i];
        s->sum[i] += d;
        s->square[i] += d * d;
        if (i < 3) {
            s->bad = s->bad || !isfinite(x);
            s->lo[i] = sm_min(s->lo[i], x);
            s->hi[i] = sm_max(s->hi[i], x);
        }
    }
    double rpm = b->rpm ? b->rpm[r] : (double)NAN;
    if (isfinite(rpm)) {
        s->n_rpm++;
        s->rpm_sum += rpm;
        s->rpm_square += rpm * rpm;
        s->rpm_hi = sm_max(s->rpm_hi, rpm);
    }
    s->n++;
}

static void halve_buffer(sm_hold *h)
{
    h->n_buffer /= 2;
    for (int k = 0; k < HOLD_BUFFERS; k++) {
        for (size_t i = 0; i < h->n_buffer && h->buffer[k]; i++) {
            h->buffer[k][i] = 0.5 * (h->buffer[k][2 * i] + h->buffer[k][2 * i + 1]);
        }
    }
    h->decimation *= 2;
}

static void add_to_buffer(sm_hold *h, const sm_block *b, size_t r)
{
    for (int k = 0; k < HOLD_BUFFERS; k++) {
        int i = h->input[k < 3 ? k : 3 + k];
        h->partial[k] += i >= 0 ? b->x[i][r] : 0;
    }
    if (++h->n_partial < h->decimation) {
        return;
    }
    /* decimation has not changed since partial began: halving happens right after a full row */
    for (int k = 0; k < HOLD_BUFFERS; k++) {
        if (h->buffer[k]) {
            h->buffer[k][h->n_buffer] = h->partial[k] / (double)h->decimation;
        }
        h->partial[k] = 0;
    }
    h->n_partial = 0;
    if (++h->n_buffer == HOLD_BUFFER_ROWS) {
        halve_buffer(h);
    }
}

static sm_status push(void *self, const sm_block *b, sm_error *err)
{
    sm_hold *h = self;
    (void)err;
    for (size_t r = 0; r < b->n_rows; r++) {
        add_to_slice(h, b, r);
        add_to_buffer(h, b, r);
        h->n_rows++;
        if (h->open.n >= h->slice_rows) {
            close_slice(h, true);
        }
    }
    h->t_end_s = b->n_rows ? b->t0_s + (double)b->n_rows / b->rate_hz : h->t_end_s;
    return SM_OK;
}

static sm_status mark(void *self, sm_mark m, double t_s, sm_error *err)
{
    (void)m;
    (void)t_s;
    (void)err;
    sm_hold *h = self;
    close_slice(h, false);
    h->stretch++;
    return SM_OK;
}

sm_sink sm_hold_sink(sm_hold *h)
{
    return (sm_sink){.self = h, .push = push, .mark = mark};
}

double hold_mean(const sm_hold *h, int i, size_t first, size_t last)
{
    double sum = 0;
    double n = 0;
    for (size_t s = first; s <= last; s++) {
        sum += h->slices[s].sum[i];
        n += h->slices[s].n;
    }
    return h->input[i] < 0 || n == 0 ? (double)NAN : h->origin[i] + sum / n;
}

double hold_variance(const sm_hold *h, int i, size_t first, size_t last)
{
    double sum = 0;
    double square = 0;
    double n = 0;
    for (size_t s = first; s <= last; s++) {
        sum += h->slices[s].sum[i];
        square += h->slices[s].square[i];
        n += h->slices[s].n;
    }
    return h->input[i] < 0 || n == 0 ? (double)NAN : sm_max(0, square / n - sum / n * (sum / n));
}

double hold_slice_rpm(const hold_slice *s)
{
    return s->n_rpm ? s->rpm_sum / s->n_rpm : 0;
}
