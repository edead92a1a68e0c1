/*
 * An rpm column becomes knots. A value that differs from the row before, or that follows empty
 * rows, is news; between news the speed runs straight. A column that is held between slow updates
 * is therefore interpolated between its changes, but no further back than its usual interval: a
 * hold that ends in a step was a hold.
 */
#include "speed/stage.h"

#include <math.h>

void sm_column_reset(sm_column *c)
{
    c->has_value = false;
    c->broken = true;
    c->change_s = NAN;
    c->last_row_s = NAN;
    c->last_rpm = NAN;
}

static double usual_interval(const sm_column *c)
{
    double v[8];
    size_t n = c->n_held < 8 ? c->n_held : 8;
    if (n == 0) {
        return SM_SPEED_DELAY_S;
    }
    for (size_t i = 0; i < n; i++) {
        size_t k = i;
        for (; k > 0 && v[k - 1] > c->held_s[i]; k--) {
            v[k] = v[k - 1];
        }
        v[k] = c->held_s[i];
    }
    return fmin(v[n / 2], SM_SPEED_DELAY_S);
}

/* A knot at t with this rpm, joined to the one before by a straight run of speed. */
static sm_status add(sm_column *c, double t_s, double rpm, bool joined, sm_knots *q)
{
    double hz = rpm * c->hz_per_rpm;
    const sm_knot *last = sm_knots_last(q);
    if (joined && last) {
        if (t_s <= last->t_s) {
            return SM_OK;
        }
        c->theta_rev += 0.5 * (last->hz + hz) * (t_s - last->t_s);
    }
    return sm_knots_add(q, (sm_knot){t_s, c->theta_rev, hz, joined && last});
}

/* The old value held until one usual interval before the change. */
static sm_status hold_before(sm_column *c, double t_s, double dt, sm_knots *q)
{
    double held = t_s - c->change_s;
    /* no interval is shorter than a row, so the usual one need not be known */
    bool at_once = held < 1.4 * dt && dt < SM_SPEED_DELAY_S;
    double usual = at_once ? dt : usual_interval(c);
    c->held_s[c->n_held++ % 8] = held;
    if (held <= 1.5 * usual) {
        c->slow_sum_s += held;
        c->n_slow++;
        return SM_OK;
    }
    return add(c, t_s - usual, c->last_rpm, true, q);
}

static sm_status news(sm_column *c, double t_s, double rpm, double dt, sm_knots *q)
{
    sm_status status = SM_OK;
    bool joined = !c->broken;
    if (joined && !c->has_value) { /* sparse: straight from the last value, if it is near */
        double span = t_s - c->last_row_s;
        joined = span <= SM_SPEED_DELAY_S + 1.5 * dt;
        if (joined) {
            c->slow_sum_s += span;
            c->n_slow++;
        }
    } else if (joined) {
        status = hold_before(c, t_s, dt, q);
    }
    if (status == SM_OK) {
        status = add(c, t_s, rpm, joined, q);
    }
    c->broken = false;
    c->change_s = t_s;
    c->n_updates++;
    return status;
}

/* The last usable row before empty ones: its value was held until there. */
static sm_status close_hold(sm_column *c, sm_knots *q)
{
    const sm_knot *last = sm_knots_last(q);
    if (c->has_value && last && c->last_row_s > last->t_s) {
        return add(c, c->last_row_s, c->last_rpm, true, q);
    }
    return SM_OK;
}

/*
 * Rows from i on that all bring a new value, as most columns do: what news() does with them, in one
 * loop. Returns the row behind the last one taken.
 */
static size_t fresh_rows(sm_column *c, const sm_block *b, const double *rpm, size_t i, sm_knots *q)
{
    const sm_knot *last = sm_knots_last(q);
    double dt = 1 / b->rate_hz;
    size_t end = i + (q->capacity - q->n);
    end = end < b->n_rows ? end : b->n_rows;
    if (!c->has_value || c->broken || !last || !(dt < SM_SPEED_DELAY_S)) {
        return i;
    }
    sm_knot k = *last;
    double theta = c->theta_rev;
    double change_s = c->change_s;
    double before = c->last_rpm;
    size_t first = i;
    for (; i < end; i++) {
        double v = rpm[i];
        double t = b->t0_s + (double)i * dt;
        double held = t - change_s;
        if (!(v > 0 && v <= c->rpm_limit && v != before && held < 1.4 * dt && t > k.t_s)) {
            break;
        }
        c->held_s[c->n_held++ % 8] = held;
        c->slow_sum_s += held;
        double hz = v * c->hz_per_rpm;
        theta += 0.5 * (k.hz + hz) * (t - k.t_s);
        k = (sm_knot){t, theta, hz, true};
        q->items[q->n++] = k;
        change_s = t;
        before = v;
    }
    c->theta_rev = theta;
    c->change_s = change_s;
    c->last_rpm = before;
    c->last_row_s = i > first ? change_s : c->last_row_s;
    c->n_slow += (long)(i - first);
    c->n_updates += (long)(i - first);
    return i;
}

sm_status sm_column_feed(sm_column *c, const sm_block *b, const double *rpm, sm_knots *q)
{
    double dt = 1 / b->rate_hz;
    sm_status status = SM_OK;
    for (size_t i = 0; i < b->n_rows && status == SM_OK; i++) {
        i = fresh_rows(c, b, rpm, i, q);
        if (i == b->n_rows) {
            break;
        }
        double v = rpm[i];
        double t = b->t0_s + (double)i * dt;
        if (v > 0 && v <= c->rpm_limit) {
            if (!c->has_value || v != c->last_rpm) {
                status = news(c, t, v, dt, q);
            }
            c->has_value = true;
            c->last_rpm = v;
            c->last_row_s = t;
            continue;
        }
        status = close_hold(c, q);
        c->has_value = false;
        if (!isnan(v)) { /* zero is a stopped engine; beyond the limit is no speed */
            c->broken = true;
            if (v != 0) {
                c->t_refused_s = c->n_refused ? c->t_refused_s : t;
                c->n_refused++;
            }
        }
    }
    return status;
}

sm_status sm_column_force(sm_column *c, double t_s, bool final, sm_knots *q)
{
    if (c->has_value && !c->broken) { /* held longer than anybody may wait */
        return add(c, t_s, c->last_rpm, true, q);
    }
    if (t_s > q->blank_until_s) {
        q->blank_until_s = t_s;
    }
    if (final || t_s > c->last_row_s + SM_SPEED_DELAY_S * 0.999) {
        c->broken = true;
    }
    return SM_OK;
}
