/* What is told of every sample, speed or no speed. */
#include "core/util.h"
#include "core/wide.h"
#include "survey/part.h"

#include <math.h>

#define ROUNDING 1e-9 /* of decimal numbers: no step of the sensor */

/* Values some of which are missing. */
static void watch_broken(sm_part *p, size_t i, const double *x, size_t n)
{
    sm_channel_stat *st = &p->res->channels[p->first + i];
    for (size_t k = 0; k < n; k++) {
        if (isnan(x[k])) {
            st->n_missing++;
            continue;
        }
        if (!p->begun[i]) {
            p->begun[i] = true;
            p->origin[i] = p->last_value[i] = st->hi_si = st->lo_si = x[k];
        }
        double d = x[k] - p->origin[i];
        double last = p->last_value[i];
        p->sum[i] += d;
        p->sum2[i] += d * d;
        st->n++;
        st->hi_si = sm_max(st->hi_si, x[k]);
        st->lo_si = sm_min(st->lo_si, x[k]);
        double step = fabs(x[k] - last);
        if (step > ROUNDING * (fabs(x[k]) + fabs(last)) &&
            (st->step_si == 0 || step < st->step_si)) {
            st->step_si = step;
        }
        p->last_value[i] = x[k];
    }
}

void sm_part_watch(sm_part *p, size_t i, const double *x, size_t n)
{
    sm_channel_stat *st = &p->res->channels[p->first + i];
    sm_moves m = {.unbroken = false};
    if (p->begun[i]) {
        m = sm_moves_of(x, n, p->last_value[i], p->origin[i], ROUNDING);
    }
    if (!m.unbroken || n == 0) {
        watch_broken(p, i, x, n);
        return;
    }
    p->sum[i] += m.sum;
    p->sum2[i] += m.sum2;
    st->n += n;
    st->hi_si = sm_max(st->hi_si, m.hi);
    st->lo_si = sm_min(st->lo_si, m.lo);
    if (isfinite(m.step)) {
        st->step_si = st->step_si == 0 ? m.step : sm_min(st->step_si, m.step);
    }
    p->last_value[i] = x[n - 1];
}
