/* drift: opening, the frame buffer and closing of the accumulator. */
#include "core/alloc.h"
#include "core/util.h"
#include "motion/drift_internal.h"

#include <math.h>
#include <string.h>

#define SKEW_ASSUMED 0.1 /* of a sample, between gyro axes, where nothing is stated */

sm_drift_options sm_drift_options_default(void)
{
    return (sm_drift_options){.from_hz = 2.5,
                              .skew_s = (double)NAN,
                              .required_rpm = {(double)NAN, (double)NAN},
                              .place = "mount"};
}

static void find_inputs(sm_drift *d, const sm_channel *channels, size_t n, const char *place)
{
    for (int i = 0; i < DRIFT_INPUTS; i++) {
        d->input[i] = -1;
    }
    for (size_t c = 0; c < n; c++) {
        const sm_channel *ch = &channels[c];
        bool gyro = ch->role == SM_ROLE_GYRO;
        if ((gyro || ch->role == SM_ROLE_ACCEL) && ch->axis >= 0 && ch->axis < 3 &&
            strcmp(ch->place, place) == 0) {
            int i = ch->axis + (gyro ? 0 : 3);
            d->input[i] = (int)c;
            d->channel[i] = *ch;
        }
    }
}

static sm_status take_orders(sm_drift *d, const sm_powertrain *p, sm_error *err)
{
    sm_order_table table;
    double per = sm_powertrain_reference_per(p, p->rpm_of);
    sm_status st = sm_powertrain_orders(p, 1e9, NULL, 0, &table, err);
    if (st != SM_OK) {
        return st;
    }
    d->orders = sm_alloc_array(table.n, sizeof *d->orders);
    if (!d->orders && table.n) {
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    double blades = 0; /* the lowest firing and the lowest blade pass are the strong ones */
    double firing = 0;
    for (size_t i = 0; i < table.n; i++) {
        const sm_order *o = &table.items[i];
        drift_order *to = &d->orders[d->n_orders++];
        to->per_rpm_hz = o->order * per / 60;
        to->slip = o->slip;
        to->strong = (o->kind == SM_ORDER_FIRING && firing == 0) ||
                     (o->kind == SM_ORDER_BLADE && blades == 0);
        firing = o->kind == SM_ORDER_FIRING && firing == 0 ? o->order : firing;
        blades = o->kind == SM_ORDER_BLADE && blades == 0 ? o->order : blades;
        (void)memcpy(to->label, o->label, sizeof o->label);
    }
    return SM_OK;
}

static sm_status allocate(sm_drift *d, sm_error *err)
{
    size_t n = d->n_frame;
    size_t pick[DRIFT_INPUTS];
    size_t n_pick = 0;
    d->window = sm_alloc_array(n, sizeof(double));
    d->bin = sm_alloc_array(3 * d->n_bins, sizeof(double));
    d->work = sm_fft_buffer(n);
    bool failed = !d->window || !d->bin || !d->work;
    for (int i = 0; i < DRIFT_INPUTS; i++) {
        d->spectrum[i] = sm_fft_buffer(n + 2);
        failed = failed || !d->spectrum[i];
        if (d->input[i] >= 0) {
            pick[n_pick] = (size_t)d->input[i];
            d->input[i] = (int)n_pick++;
        }
    }
    if (failed) {
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    sm_window_fill(SM_WINDOW_HANN, n, d->window);
    for (size_t k = 0; k < n; k++) {
        d->window_power += d->window[k] * d->window[k];
    }
    sm_status st = sm_framer_open(pick, n_pick, d->rate_hz, drift_frame, d, &d->framer, err);
    return st == SM_OK ? sm_fft_open(n, &d->fft, err) : st;
}

static sm_status add_slot(sm_drift *d, double lo, double hi)
{
    drift_slot *s = &d->slots[d->n_slots];
    *s = (drift_slot){.rpm = {lo, hi}};
    s->density = sm_alloc_array(3 * d->n_bins, sizeof(double));
    s->total = sm_alloc_array(3 * d->n_bins, sizeof(double));
    s->power = sm_alloc_array(DRIFT_INPUTS * d->n_bins, sizeof(double));
    s->order = sm_alloc_array(3 * d->n_orders + 1, sizeof(double));
    s->order_power = sm_alloc_array(3 * d->n_orders + 1, sizeof(double));
    s->order_hz = sm_alloc_array(d->n_orders + 1, sizeof(double));
    s->order_n = sm_alloc_array(d->n_orders + 1, sizeof(size_t));
    s->order_bins = sm_alloc_array(d->n_orders + 1, sizeof(size_t));
    d->n_slots++; /* freed by close whatever is missing */
    return s->density && s->total && s->power && s->order && s->order_power && s->order_hz &&
                   s->order_n && s->order_bins
               ? SM_OK
               : SM_E_NOMEM;
}

int drift_slot_of(sm_drift *d, double rpm, sm_error *err)
{
    for (size_t i = 0; i < d->n_slots; i++) {
        const double *r = d->slots[i].rpm;
        bool last = d->fixed_bands && i + 1 == d->n_slots;
        if (d->no_speed || (rpm >= r[0] && (rpm < r[1] || (last && rpm <= r[1])))) {
            return (int)i;
        }
    }
    if (d->fixed_bands) {
        return -1;
    }
    if (d->n_slots == SM_DRIFT_MAX_BANDS) {
        return -1;
    }
    double lo = d->no_speed ? (double)NAN : 200 * floor(rpm / 200);
    if (add_slot(d, lo, lo + 200) != SM_OK) {
        (void)sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
        return -2;
    }
    return (int)d->n_slots - 1;
}

static sm_status check_arguments(const sm_drift *d, const sm_drift_options *opt, sm_error *err)
{
    if (!(d->rate_hz > 0) || d->rate_hz > 1e6 || opt->n_bands > SM_DRIFT_MAX_BANDS) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0, "a rate of %g Hz, %zu bands: out of range",
                            d->rate_hz, opt->n_bands);
    }
    if (d->input[0] < 0 && d->input[1] < 0 && d->input[2] < 0) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0,
                            "no gyro at place '%s': drift needs angular rates of the mount; name "
                            "its columns in a channels file, role = %s.gyro.x",
                            opt->place, opt->place);
    }
    return SM_OK;
}

static sm_status fill(sm_drift *d, const sm_drift_options *opt, sm_error *err)
{
    double bin_hz = d->rate_hz / (double)d->n_frame;
    d->k_lo = (size_t)sm_max(1, ceil(opt->from_hz / bin_hz));
    d->skew_assumed = isnan(opt->skew_s);
    d->skew_s = d->skew_assumed ? SKEW_ASSUMED / d->rate_hz : fabs(opt->skew_s);
    d->no_speed = opt->no_speed;
    d->required_rpm[0] = opt->required_rpm[0];
    d->required_rpm[1] = opt->required_rpm[1];
    d->has_powertrain = opt->powertrain != NULL;
    d->max_rpm = opt->powertrain ? opt->powertrain->max_rpm : (double)NAN;
    d->before[0].slot = -1;
    d->before[1].slot = -1;
    sm_status st = opt->powertrain ? take_orders(d, opt->powertrain, err) : SM_OK;
    st = st == SM_OK ? allocate(d, err) : st;
    if (!opt->no_speed) {
        for (size_t i = 0; i < opt->n_bands && st == SM_OK; i++) {
            st = add_slot(d, opt->bands[i][0], opt->bands[i][1]);
        }
        d->fixed_bands = opt->n_bands > 0;
    }
    return st;
}

sm_status sm_drift_open(const sm_channel *channels, size_t n_channels, double rate_hz,
                        const sm_drift_options *opt, sm_drift **out, sm_error *err)
{
    sm_drift_options defaults = sm_drift_options_default();
    opt = opt ? opt : &defaults;
    sm_drift *d = sm_alloc_array(1, sizeof *d);
    if (!d) {
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    d->rate_hz = rate_hz;
    find_inputs(d, channels, n_channels, opt->place);
    sm_status st = check_arguments(d, opt, err);
    if (st == SM_OK) {
        d->n_frame = sm_frame_length(rate_hz);
        d->n_bins = d->n_frame / 2 + 1;
        st = fill(d, opt, err);
        if (st == SM_E_NOMEM) {
            (void)sm_error_set(err, st, NULL, 0, "out of memory");
        }
    }
    if (st == SM_OK) {
        *out = d;
        d = NULL;
    }
    sm_drift_close(&d);
    return st;
}

void sm_drift_close(sm_drift **d)
{
    if (!d || !*d) {
        return;
    }
    for (size_t i = 0; i < (*d)->n_slots; i++) {
        drift_slot *s = &(*d)->slots[i];
        sm_free(s->density);
        sm_free(s->total);
        sm_free(s->power);
        sm_free(s->order);
        sm_free(s->order_power);
        sm_free(s->order_hz);
        sm_free(s->order_n);
        sm_free(s->order_bins);
    }
    sm_fft_close(&(*d)->fft);
    sm_free((*d)->orders);
    sm_free((*d)->window);
    sm_framer_close(&(*d)->framer);
    sm_fft_buffer_free((*d)->work);
    for (int i = 0; i < DRIFT_INPUTS; i++) {
        sm_fft_buffer_free((*d)->spectrum[i]);
    }
    sm_free((*d)->bin);
    sm_free(*d);
    *d = NULL;
}

void sm_drift_findings(sm_drift *d, const sm_findings *f)
{
    d->findings = f;
}

sm_sink sm_drift_sink(sm_drift *d)
{
    return sm_framer_sink(d->framer);
}
