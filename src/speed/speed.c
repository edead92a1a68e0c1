/* The speed stage as a filter: gives every row its angle and rpm, from whichever source. */
#include "core/alloc.h"
#include "core/column.h"
#include "core/util.h"
#include "speed/stage.h"

#include <math.h>
#include <string.h>

#define TRACE_STEP_S 0.1
/* Points of the trace, however long the log: 27 minutes, then every second of them goes. */
#define TRACE_MOST 16384
/* Without a powertrain's word no rpm above this is believed. */
#define RPM_MOST 200000.0

struct sm_speed {
    const sm_powertrain *p;
    sm_speed_options opt;
    sm_sink next;
    sm_findings *findings;
    double rate_hz;
    double rpm_per_hz; /* rpm of the rpm_of shaft per Hz of the reference shaft */
    size_t i_channel;  /* of the tach or the column */
    sm_channel channel;
    sm_knots knots;
    sm_delay delay;
    sm_column column;
    sm_tach tach;
    bool delayed; /* the source looks ahead */
    size_t i_point;
    double theta_rev; /* running angle of points and of a declared speed */
    double last_rpm;  /* of the row before, likewise; NaN = not trusted */
    double *theta;    /* [SM_BLOCK_ROWS] of the block that leaves */
    double *rpm;
    const double *x[SM_MAX_CHANNELS];
    sm_speed_result result;
    size_t trace_capacity;
    double next_trace_s;
    double trace_step_s;
    uint64_t n_rows;
    uint64_t n_trusted;
    double end_s;
};

static const char *const source_names[] = {"none",  "tach",     "column",  "log",
                                           "notes", "estimate", "declared"};

const char *sm_speed_source_text(sm_speed_source s)
{
    return (unsigned)s < sizeof source_names / sizeof source_names[0] ? source_names[s] : "none";
}

static const sm_channel *channel_of(const sm_channel *channels, size_t n, sm_role role)
{
    for (size_t i = 0; i < n; i++) {
        if (channels[i].role == role) {
            return &channels[i];
        }
    }
    return NULL;
}

sm_speed_source sm_speed_offered(const sm_channel *channels, size_t n_channels)
{
    if (channel_of(channels, n_channels, SM_ROLE_TACH)) {
        return SM_SPEED_TACH;
    }
    return channel_of(channels, n_channels, SM_ROLE_RPM) ? SM_SPEED_COLUMN : SM_SPEED_NONE;
}

/* Shaft of the channel; without a word it is the shaft that rpm_of names. */
static sm_shaft shaft_of(const sm_speed *s, const char *what)
{
    if (s->channel.shaft_given || !s->p->has_gearbox) {
        return s->channel.shaft_given ? s->channel.shaft : s->p->rpm_of;
    }
    sm_finding *f = sm_findings_add(s->findings, "shaft-assumed", SM_NOTE, s->channel.name, 1);
    const char *shaft = s->p->rpm_of == SM_SHAFT_PROP ? "prop" : "crank";
    sm_finding_text(f,
                    "Nothing says which shaft the %s belongs to; taken as the %s. Say so with "
                    "shaft = crank or shaft = prop under [column %s] in the channels file.",
                    what, s->p->rpm_of == SM_SHAFT_PROP ? "propeller" : "crank",
                    s->channel.column[0] ? s->channel.column : "NAME");
    sm_finding_effect(f, "every order depends on it: wrong unless the shaft is the %s", shaft);
    return s->p->rpm_of;
}

static sm_status open_column(sm_speed *s)
{
    sm_shaft shaft = shaft_of(s, "rpm column");
    double ref_per = sm_powertrain_reference_per(s->p, shaft);
    double most = s->p->max_rpm > 0 ? 2 * s->p->max_rpm : RPM_MOST;
    s->column.hz_per_rpm = ref_per / 60;
    s->column.rpm_limit = most * sm_powertrain_reference_per(s->p, s->p->rpm_of) / ref_per;
    sm_column_reset(&s->column);
    return SM_OK;
}

static sm_status open_tach(sm_speed *s)
{
    sm_shaft shaft = shaft_of(s, "tach");
    long marks = s->channel.pulses_per_rev;
    if (marks < 1) {
        marks = 1;
        sm_finding *f = sm_findings_add(s->findings, "pulses-assumed", SM_NOTE, s->channel.name, 1);
        sm_finding_text(f,
                        "Nothing says how many pulses the tach gives per revolution; taken as one. "
                        "Say so with pulses_per_rev = N under [column %s] in the channels file.",
                        s->channel.column[0] ? s->channel.column : "NAME");
        sm_finding_effect(f, "rpm and orders are wrong by a factor if it is another number");
    }
    double ref_per = sm_powertrain_reference_per(s->p, shaft);
    /* far outside the operating range: the tach may be declared wrong, and the comb must see it */
    double shaft_hz = sm_powertrain_reference_per(s->p, s->p->rpm_of) / ref_per / 60;
    double hz_max = (s->p->max_rpm > 0 ? 4 * s->p->max_rpm : RPM_MOST) * shaft_hz;
    double hz_min = (s->p->idle_rpm > 0 ? 0.2 * s->p->idle_rpm : 60) * shaft_hz;
    bool times = s->channel.quantity == SM_QUANTITY_TIME;
    s->tach.period_min_s = sm_max(1 / (hz_max * (double)marks), times ? 0 : 1.5 / s->rate_hz);
    s->tach.times = times;
    s->tach.stamp0_s = s->channel.stamp0_s;
    s->tach.period_max_s = 1.25 / (hz_min * (double)marks);
    s->result.pulse_shaft = shaft;
    s->result.phase_known = marks == 1;
    return sm_tach_open(&s->tach, s->rate_hz, marks, ref_per, &s->knots);
}

static sm_status open_source(sm_speed *s, const sm_channel *channels, size_t n_channels,
                             sm_error *err)
{
    sm_speed_source source = s->opt.source;
    if (source == SM_SPEED_TACH || source == SM_SPEED_COLUMN) {
        const sm_channel *c =
            channel_of(channels, n_channels, source == SM_SPEED_TACH ? SM_ROLE_TACH : SM_ROLE_RPM);
        if (!c) {
            return sm_error_set(err, SM_E_NO_SPEED, NULL, 0,
                                source == SM_SPEED_TACH
                                    ? "the log has no tach channel; give it role = tach in a "
                                      "channels file, or choose another --speed"
                                    : "the log has no rpm column; give it role = rpm in a channels "
                                      "file, or choose another --speed");
        }
        s->channel = *c;
        s->i_channel = (size_t)(c - channels);
        s->delayed = true;
        sm_status status = source == SM_SPEED_TACH ? open_tach(s) : open_column(s);
        return status == SM_OK ? sm_delay_open(&s->delay, n_channels, s->rate_hz) : status;
    }
    if (source == SM_SPEED_DECLARED && !(s->opt.declared_rpm > 0 && s->opt.declared_rpm < 1e6)) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0, "the declared rpm must be above 0");
    }
    for (size_t i = 1; i < s->opt.n_points; i++) {
        if (!(s->opt.points[i].t_s > s->opt.points[i - 1].t_s)) {
            return sm_error_set(err, SM_E_VALUE, NULL, 0, "speed points must rise in time");
        }
    }
    return SM_OK;
}

sm_status sm_speed_open(const sm_channel *channels, size_t n_channels, double rate_hz,
                        const sm_powertrain *p, const sm_speed_options *opt, const sm_sink *next,
                        sm_findings *findings, sm_speed **out, sm_error *err)
{
    if (n_channels > SM_MAX_CHANNELS || !(rate_hz > 0)) {
        return sm_error_set(err, SM_E_ARG, NULL, 0, "speed stage: channels or rate out of range");
    }
    sm_speed *s = sm_alloc_array(1, sizeof *s);
    sm_status status = SM_E_NOMEM;
    if (!s) {
        goto done;
    }
    s->p = p;
    s->opt = *opt;
    s->next = *next;
    s->findings = findings;
    s->rate_hz = rate_hz;
    s->rpm_per_hz = 60 / sm_powertrain_reference_per(p, p->rpm_of);
    s->result = (sm_speed_result){.source = opt->source, .rpm_min = NAN, .rpm_max = NAN};
    s->result.clock_offset_s = opt->source == SM_SPEED_LOG ? opt->clock_offset_s : (double)NAN;
    s->next_trace_s = -INFINITY;
    s->trace_step_s = TRACE_STEP_S;
    s->last_rpm = NAN;
    sm_knots_reset(&s->knots);
    s->theta = sm_alloc_array(SM_BLOCK_ROWS, sizeof(double));
    s->rpm = sm_alloc_array(SM_BLOCK_ROWS, sizeof(double));
    if (s->theta && s->rpm) {
        status = open_source(s, channels, n_channels, err);
        status = status == SM_OK && findings->failed ? SM_E_NOMEM : status;
    }
    if (status == SM_OK) {
        *out = s;
        s = NULL;
    }
done:
    if (status == SM_E_NOMEM) {
        sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory in the speed stage");
    }
    sm_speed_close(&s);
    return status;
}

void sm_speed_close(sm_speed **s)
{
    if (*s) {
        sm_knots_free(&(*s)->knots);
        sm_delay_close(&(*s)->delay);
        sm_tach_close(&(*s)->tach);
        sm_free((*s)->theta);
        sm_free((*s)->rpm);
        sm_free((*s)->result.trace_t_s);
        sm_free((*s)->result.trace_rpm);
        sm_free(*s);
        *s = NULL;
    }
}

const sm_speed_result *sm_speed_result_get(const sm_speed *s)
{
    return &s->result;
}

/* Leaves the points at even multiples of the step, which becomes twice as long. */
static void thin_trace(sm_speed *s)
{
    sm_speed_result *r = &s->result;
    size_t n = 0;
    for (size_t i = 0; i < r->n_trace; i++) {
        double step = floor(r->trace_t_s[i] / s->trace_step_s + 1e-6);
        if (fmod(step, 2) == 0) {
            r->trace_t_s[n] = r->trace_t_s[i];
            r->trace_rpm[n++] = r->trace_rpm[i];
        }
    }
    r->n_trace = n;
    s->trace_step_s *= 2;
}

static sm_status trace_add(sm_speed *s, double t_s, double rpm)
{
    sm_speed_result *r = &s->result;
    if (r->n_trace == TRACE_MOST) {
        thin_trace(s);
        if (fmod(floor(t_s / s->trace_step_s * 2 + 1e-6), 2) != 0) {
            return SM_OK;
        }
    }
    if (r->n_trace == s->trace_capacity) {
        size_t capacity = s->trace_capacity ? 2 * s->trace_capacity : 1024;
        double *t = sm_realloc_array(r->trace_t_s, capacity, sizeof *t);
        if (!t) {
            return SM_E_NOMEM;
        }
        r->trace_t_s = t;
        double *v = sm_realloc_array(r->trace_rpm, capacity, sizeof *v);
        if (!v) {
            return SM_E_NOMEM;
        }
        r->trace_rpm = v;
        s->trace_capacity = capacity;
    }
    r->trace_t_s[r->n_trace] = t_s;
    r->trace_rpm[r->n_trace++] = rpm;
    return SM_OK;
}

/* Range, share of trusted rows and trace, from the rows that leave. */
static sm_status note_rows(sm_speed *s, size_t n, double t0_s)
{
    double lo = isnan(s->result.rpm_min) ? (double)INFINITY : s->result.rpm_min;
    double hi = isnan(s->result.rpm_max) ? (double)-INFINITY : s->result.rpm_max;
    size_t trusted = 0;
    for (size_t i = 0; i < n; i++) {
        trusted += s->rpm[i] > 0;
        lo = s->rpm[i] < lo ? s->rpm[i] : lo;
        hi = s->rpm[i] > hi ? s->rpm[i] : hi;
    }
    s->n_rows += n;
    s->n_trusted += trusted;
    s->result.confidence = (double)s->n_trusted / (double)s->n_rows;
    s->result.rpm_min = s->n_trusted ? lo : (double)NAN;
    s->result.rpm_max = s->n_trusted ? hi : (double)NAN;
    double t_end = t0_s + (double)n / s->rate_hz;
    s->next_trace_s = fmax(s->next_trace_s, ceil(t0_s / s->trace_step_s - 1e-6) * s->trace_step_s);
    while (s->next_trace_s < t_end) {
        double at = ceil((s->next_trace_s - t0_s) * s->rate_hz - 1e-6);
        size_t i = at > 0 ? (size_t)at : 0;
        if (i >= n) {
            break;
        }
        sm_status status = trace_add(s, t0_s + (double)i / s->rate_hz, s->rpm[i]);
        if (status != SM_OK) {
            return status;
        }
        s->next_trace_s =
            (floor((t0_s + (double)i / s->rate_hz) / s->trace_step_s + 1e-6) + 1) * s->trace_step_s;
    }
    return SM_OK;
}

/* Rows [from, from + n) of b leave with s->theta and s->rpm. */
static sm_status send(sm_speed *s, const sm_block *b, size_t from, size_t n, sm_error *err)
{
    sm_block out = *b;
    out.n_rows = n;
    out.t0_s = b->t0_s + (double)from / s->rate_hz;
    out.i_row = b->i_row + from;
    out.line = b->line > 0 ? b->line + (long)from : 0;
    out.theta_rev = s->theta;
    out.rpm = s->rpm;
    if (from > 0) {
        for (size_t k = 0; k < b->n_channels; k++) {
            s->x[k] = b->x[k] + from;
        }
        out.x = s->x;
    }
    sm_status status = note_rows(s, n, out.t0_s);
    if (status != SM_OK) {
        return sm_error_set(err, status, NULL, 0, "out of memory in the speed stage");
    }
    return s->next.push(s->next.self, &out, err);
}

/* How many of n rows from t0_s on lie inside the horizon. */
static size_t rows_inside(const sm_speed *s, double t0_s, size_t n)
{
    double rows = floor((sm_knots_horizon(&s->knots) - t0_s) * s->rate_hz + 1e-6) + 1;
    return rows <= 0 ? 0 : rows >= (double)n ? n : (size_t)rows;
}

/* Sends what has its angle: first what waits, then the rows of b. *sent: rows of b that left. */
static sm_status release(sm_speed *s, const sm_block *b, size_t *sent, sm_error *err)
{
    *sent = 0;
    while (s->delay.used > 0) {
        sm_delay_chunk *c = &s->delay.chunks[s->delay.head];
        double t0 = c->t0_s + (double)c->done / s->rate_hz;
        size_t n = rows_inside(s, t0, c->n - c->done);
        if (n == 0) {
            return SM_OK;
        }
        const double *x[SM_MAX_CHANNELS];
        for (size_t k = 0; k < s->delay.n_channels; k++) {
            x[k] = c->x + k * SM_COLUMN_STEP;
        }
        sm_block waiting = {.n_rows = c->n,
                            .n_channels = s->delay.n_channels,
                            .x = x,
                            .t0_s = c->t0_s,
                            .rate_hz = s->rate_hz,
                            .i_row = c->i_row,
                            .line = c->line};
        sm_knots_fill(&s->knots, t0, s->rate_hz, n, s->rpm_per_hz, s->theta, s->rpm);
        size_t from = c->done;
        c->done += n;
        if (c->done == c->n) {
            s->delay.head = (s->delay.head + 1) % s->delay.n_chunks;
            s->delay.used--;
        }
        sm_status status = send(s, &waiting, from, n, err);
        if (status != SM_OK) {
            return status;
        }
    }
    size_t n = b ? rows_inside(s, b->t0_s, b->n_rows) : 0;
    if (n > 0) {
        sm_knots_fill(&s->knots, b->t0_s, s->rate_hz, n, s->rpm_per_hz, s->theta, s->rpm);
        *sent = n;
        return send(s, b, 0, n, err);
    }
    return SM_OK;
}

static sm_status force(sm_speed *s, double t_s, bool final)
{
    return s->opt.source == SM_SPEED_TACH ? sm_tach_force(&s->tach, t_s, final)
                                          : sm_column_force(&s->column, t_s, final, &s->knots);
}

static sm_status push_delayed(sm_speed *s, const sm_block *b, sm_error *err)
{
    sm_status status = s->opt.source == SM_SPEED_TACH
                           ? sm_tach_feed(&s->tach, b, b->x[s->i_channel])
                           : sm_column_feed(&s->column, b, b->x[s->i_channel], &s->knots);
    double newest = b->t0_s + (double)(b->n_rows - 1) / s->rate_hz;
    double oldest = fmax(sm_knots_horizon(&s->knots), -1e300);
    if (status == SM_OK && oldest < newest - SM_SPEED_DELAY_S) {
        status = force(s, newest - SM_SPEED_DELAY_S, false);
    }
    if (status != SM_OK) {
        return sm_error_set(err, status, NULL, 0, "out of memory in the speed stage");
    }
    size_t sent = 0;
    status = release(s, b, &sent, err);
    if (status == SM_OK && sent < b->n_rows) {
        sm_delay_append(&s->delay, b, sent);
    }
    return status;
}

static void fill_declared(sm_speed *s, size_t n)
{
    double step = s->opt.declared_rpm / s->rpm_per_hz / s->rate_hz;
    for (size_t i = 0; i < n; i++) {
        s->rpm[i] = s->opt.declared_rpm;
        s->theta[i] = s->theta_rev + step * (double)i;
    }
    s->theta_rev += step * (double)n;
}

/* Straight between trusted points; the angle runs on through what is not trusted. */
static void fill_points(sm_speed *s, const sm_block *b)
{
    const sm_speed_point *pt = s->opt.points;
    double dt = 1 / s->rate_hz;
    double half = 0.5 * dt / s->rpm_per_hz;
    double last = s->last_rpm;
    for (size_t i = 0; i < b->n_rows; i++) {
        double t = b->t0_s + (double)i * dt;
        while (s->i_point + 1 < s->opt.n_points && pt[s->i_point + 1].t_s <= t) {
            s->i_point++;
        }
        const sm_speed_point *a = pt + s->i_point;
        bool inside = s->opt.n_points > 1 && s->i_point + 1 < s->opt.n_points && t >= a->t_s &&
                      a->trusted && a[1].trusted;
        if (!inside) {
            s->theta[i] = NAN;
            s->rpm[i] = last = NAN;
            continue;
        }
        double rpm = a->rpm + (a[1].rpm - a->rpm) * (t - a->t_s) / (a[1].t_s - a->t_s);
        s->theta_rev += half * (rpm + (isnan(last) ? rpm : last));
        s->theta[i] = s->theta_rev;
        s->rpm[i] = last = rpm;
    }
    s->last_rpm = last;
}

static sm_status push(void *self, const sm_block *b, sm_error *err)
{
    sm_speed *s = self;
    if (b->n_rows == 0) {
        return SM_OK;
    }
    s->end_s = b->t0_s + (double)(b->n_rows - 1) / s->rate_hz;
    if (s->delayed) {
        return push_delayed(s, b, err);
    }
    if (s->opt.source == SM_SPEED_DECLARED) {
        fill_declared(s, b->n_rows);
    } else {
        fill_points(s, b);
    }
    return send(s, b, 0, b->n_rows, err);
}

static void report_column(sm_speed *s)
{
    const sm_column *c = &s->column;
    if (c->n_refused > 0) {
        sm_finding *f = sm_findings_add(s->findings, "rpm-impossible", SM_WARNING, s->channel.name,
                                        c->n_refused);
        sm_finding_place(f, c->t_refused_s, c->t_refused_s, 0);
        sm_finding_text(f, "%ld rows show an rpm below zero or above %.0f: not used.", c->n_refused,
                        c->rpm_limit);
        sm_finding_effect(f, "these rows count for no band");
    }
    double every = c->n_slow > 2 ? c->slow_sum_s / (double)c->n_slow : 0;
    if (every > 0.4) {
        sm_finding *f = sm_findings_add(s->findings, "rpm-slow", SM_WARNING, s->channel.name, 1);
        sm_finding_text(f,
                        "The rpm column changes only every %.2g s; the speed between is drawn "
                        "straight. Record a tach, or sweep slowly (10 rpm per second or less).",
                        every);
        sm_finding_effect(f, "orders read low while the rpm changes, the high ones most");
    }
    if (c->n_updates == 0) {
        sm_finding *f = sm_findings_add(s->findings, "no-rpm", SM_WARNING, s->channel.name, 1);
        sm_finding_text(f, "The rpm column never shows a running engine.");
        sm_finding_effect(f, "no band can be assessed");
    }
}

static void report_tach(sm_speed *s)
{
    const sm_tach *t = &s->tach;
    double kept = (double)(t->n_kept > 0 ? t->n_kept : 1);
    double n_dropped = (double)t->n_dropped;
    double dropped = n_dropped / (kept + n_dropped);
    double bridged = (double)t->n_missing / (kept + (double)t->n_missing);
    bool doubled = n_dropped > 0.9 * kept && n_dropped < 1.1 * kept;
    long faults = t->n_dropped + t->n_missing;
    if (faults > 0) {
        sm_finding *f =
            sm_findings_add(s->findings, "tach-repaired", SM_NOTE, s->channel.name, faults);
        for (size_t i = 0; i < t->n_fault; i++) {
            sm_finding_place(f, t->fault_s[i], t->fault_s[i], 0);
        }
        sm_finding_text(f,
                        "Of %ld tach pulses %ld were extra and left out, %ld were missing and "
                        "bridged.",
                        t->n_kept + t->n_dropped, t->n_dropped, t->n_missing);
        sm_finding_effect(f, "none where the repair is right; look at the pick-up before the next "
                             "run");
    }
    /* a start is a pulse that followed from none before */
    double refused = sm_max((double)t->n_untrusted, (double)t->n_starts * 4) / kept;
    refused = sm_min(refused, 1);
    bool phase_lost = (dropped > 0.2 && !doubled) || bridged > 0.1;
    if (t->n_kept == 0 || refused > 0.05 || phase_lost) {
        sm_finding *f = sm_findings_add(s->findings, "tach-unreliable",
                                        refused > 0.5 || t->n_kept == 0 ? SM_BLOCKING : SM_WARNING,
                                        s->channel.name, t->n_untrusted);
        sm_finding_text(
            f,
            t->n_kept == 0 ? "The tach channel shows no pulses. Check pick-up, wiring and channel, "
                             "or use another --speed."
                           : "%.0f %% of the tach pulses were extra, %.0f %% missing, and %.0f %% "
                             "of the turns are not believed. Check gap, mark and wiring of the "
                             "pick-up, or use another --speed.",
            100 * dropped, 100 * bridged, 100 * refused);
        sm_finding_effect(f, "turns that are not believed count for no band; no phase");
    }
    s->result.phase_known = t->marks == 1 && !phase_lost && t->n_kept > 0 && refused <= 0.5;
    double width = t->edges.n_rise > 10 ? (double)t->edges.n_high / (double)t->edges.n_rise : 2;
    if (width < 1.5 && !s->tach.times) {
        sm_finding *f = sm_findings_add(s->findings, "tach-narrow", SM_WARNING, s->channel.name, 1);
        sm_finding_text(f,
                        "A tach pulse lasts only %.1f samples: some will be missed. Use a wider "
                        "mark or a higher rate.",
                        width);
        sm_finding_effect(f, "missing pulses, rough angle");
    }
}

static sm_status mark(void *self, sm_mark m, double t_s, sm_error *err)
{
    sm_speed *s = self;
    if (s->delayed) {
        sm_status status = force(s, s->end_s, true);
        if (status != SM_OK) {
            return sm_error_set(err, status, NULL, 0, "out of memory in the speed stage");
        }
        size_t sent = 0;
        status = release(s, NULL, &sent, err);
        if (status != SM_OK) {
            return status;
        }
        sm_knots_reset(&s->knots);
        if (s->opt.source == SM_SPEED_COLUMN) {
            sm_column_reset(&s->column);
        }
    }
    s->last_rpm = NAN;
    if (m == SM_MARK_END && s->opt.source == SM_SPEED_TACH) {
        report_tach(s);
    } else if (m == SM_MARK_END && s->opt.source == SM_SPEED_COLUMN) {
        report_column(s);
    }
    return s->next.mark(s->next.self, m, t_s, err);
}

sm_sink sm_speed_sink(sm_speed *s)
{
    return (sm_sink){s, push, mark};
}
