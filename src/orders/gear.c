/* Keeps what the search for a gear ratio needs, and says what it found. */
#include "orders/gear.h"

#include "core/alloc.h"
#include "core/util.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Kept rows per second: the second blade pass of a fast engine is below 300 Hz. */
#define KEPT_HZ 900.0

const char *sm_gear_basis_text(sm_gear_basis b)
{
    return b == SM_GEAR_MEASURED ? "measured" : b == SM_GEAR_SUGGESTION ? "suggestion" : "none";
}

/* Accelerometers first: they see the propeller best. */
static void pick_channels(sm_gear *g, const sm_channel *channels, size_t n)
{
    for (int role = 0; role < 2; role++) {
        for (size_t i = 0; i < n && g->n_channels < SM_GEAR_CHANNELS; i++) {
            if (channels[i].role == (role ? SM_ROLE_GYRO : SM_ROLE_ACCEL)) {
                g->pick[g->n_channels++] = i;
            }
        }
        if (g->n_channels > 0) {
            return;
        }
    }
}

static sm_status open_map(sm_gear *g, const sm_channel *channels, size_t n_channels, double rate_hz,
                          sm_error *err)
{
    sm_order_table *orders = sm_alloc_array(1, sizeof *orders);
    if (!orders) {
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    sm_status st = sm_powertrain_orders(g->p, 100, NULL, 0, orders, err);
    if (st == SM_OK) {
        sm_emission_make(g->p, orders, 0.2, &g->emission);
        st = sm_peak_map_open(channels, n_channels, rate_hz, &g->emission, &g->map, err);
    }
    sm_free(orders);
    return st;
}

sm_status sm_gear_open(const sm_channel *channels, size_t n_channels, double rate_hz,
                       const sm_powertrain *p, bool known_angle, sm_shaft known, double rpm_lo,
                       double rpm_hi, sm_gear **out, sm_error *err)
{
    if (!p->has_engine || !p->has_propeller) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0,
                            "a gear ratio is that between [engine] and [propeller]: the powertrain "
                            "file must have both");
    }
    sm_gear *g = sm_alloc_array(1, sizeof *g);
    if (!g) {
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    g->p = p;
    g->known_angle = known_angle;
    g->known = known;
    g->ref_per = sm_powertrain_reference_per(p, known);
    g->rpm_lo = rpm_lo;
    g->rpm_hi = rpm_hi;
    g->fresh = true;
    g->every = (size_t)sm_max(1, floor(rate_hz / KEPT_HZ));
    pick_channels(g, channels, n_channels);
    sm_status st = SM_OK;
    if (g->n_channels == 0 || (!known_angle && !(rpm_hi > rpm_lo && rpm_lo > 0))) {
        st = sm_error_set(err, SM_E_VALUE, NULL, 0,
                          g->n_channels ? "the range of rpm to look in is empty"
                                        : "no accelerometer and no gyro in the log");
    } else if (!known_angle) {
        st = open_map(g, channels, n_channels, rate_hz, err);
    }
    if (st == SM_OK) {
        *out = g;
        g = NULL;
    }
    sm_gear_close(&g);
    return st;
}

void sm_gear_close(sm_gear **g)
{
    if (*g) {
        sm_peak_map_close(&(*g)->map);
        sm_free((*g)->rows);
        sm_free(*g);
        *g = NULL;
    }
}

static sm_status keep_row(sm_gear *g)
{
    if (g->n_rows == g->capacity) {
        size_t more = g->capacity ? 2 * g->capacity : 4096;
        sm_gear_row *rows = sm_realloc_array(g->rows, more, sizeof *rows);
        if (!rows) {
            return SM_E_NOMEM;
        }
        g->rows = rows;
        g->capacity = more;
    }
    sm_gear_row *r = &g->rows[g->n_rows++];
    *r = g->sum;
    r->theta /= (double)g->every;
    for (size_t c = 0; c < SM_GEAR_CHANNELS; c++) {
        r->x[c] /= (float)g->every;
    }
    r->starts = g->fresh ? 1 : 0;
    g->fresh = false;
    return SM_OK;
}

static sm_status take_rows(sm_gear *g, const sm_block *b)
{
    for (size_t i = 0; i < b->n_rows; i++) {
        double theta = b->theta_rev ? b->theta_rev[i] / g->ref_per : (double)NAN;
        bool whole = !isnan(theta);
        for (size_t c = 0; c < g->n_channels; c++) {
            whole &= isfinite(b->x[g->pick[c]][i]) != 0;
        }
        if (!whole) {
            g->n_sum = 0;
            g->fresh = true;
            continue;
        }
        g->sum = g->n_sum ? g->sum : (sm_gear_row){0};
        g->sum.theta += theta;
        for (size_t c = 0; c < g->n_channels; c++) {
            g->sum.x[c] += (float)b->x[g->pick[c]][i];
        }
        if (++g->n_sum == g->every) {
            g->n_sum = 0;
            if (keep_row(g) != SM_OK) {
                return SM_E_NOMEM;
            }
        }
    }
    return SM_OK;
}

static sm_status push(void *self, const sm_block *b, sm_error *err)
{
    sm_gear *g = self;
    sm_status st = g->known_angle ? take_rows(g, b) : sm_peak_map_push(&g->map, b);
    return st == SM_OK ? SM_OK : sm_error_set(err, st, NULL, 0, "out of memory");
}

static sm_status mark(void *self, sm_mark m, double t_s, sm_error *err)
{
    (void)m;
    (void)t_s;
    (void)err;
    sm_gear *g = self;
    g->n_sum = 0;
    g->fresh = true;
    if (!g->known_angle) {
        sm_peak_map_gap(&g->map);
    }
    return SM_OK;
}

sm_sink sm_gear_sink(sm_gear *g)
{
    return (sm_sink){g, push, mark};
}

/* The simplest fraction near the ratio: gears have between 10 and 99 teeth. */
static void find_teeth(sm_gear_result *r)
{
    double near = sm_min(sm_max(3 * r->uncertainty, 1e-5 * r->ratio), 5e-5 * r->ratio);
    for (long q = 1; q < 100; q++) {
        long n = lround(r->ratio * (double)q);
        if (n < 100 && fabs((double)n / (double)q - r->ratio) < near) {
            r->teeth_num = n;
            r->teeth_den = q;
            return;
        }
    }
}

sm_status sm_gear_finish(sm_gear *g, sm_gear_result *out, sm_error *err)
{
    sm_gear_result r = {.ratio = NAN, .uncertainty = NAN, .margin = NAN, .next_ratio = NAN};
    sm_status st = g->known_angle ? sm_gear_measure(g, &r) : sm_gear_suggest(g, &r, err);
    if (st == SM_E_NOMEM) {
        return sm_error_set(err, st, NULL, 0, "out of memory while looking for the gear ratio");
    }
    if (r.basis == SM_GEAR_MEASURED) {
        find_teeth(&r);
    }
    *out = r;
    return st;
}
