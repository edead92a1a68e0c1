/* Second differences of tracked points: noise as the tracks themselves show it. */
#include "survey/scatter.h"

#include "core/alloc.h"

#include <math.h>
#include <string.h>

#define UNBROKEN                                                                                   \
    1.3 /* of a window between first and last point: more, and something is missing                \
         */

sm_status sm_scatter_open(sm_scatter *s, size_t n_orders, size_t n_channels)
{
    s->n_channels = n_channels;
    s->x = sm_alloc_array((n_orders + 1) * SM_SCATTER_POINTS * (n_channels + 1) * 2, sizeof *s->x);
    s->t_s = sm_alloc_array((n_orders + 1) * SM_SCATTER_POINTS, sizeof *s->t_s);
    s->count = sm_alloc_array(n_orders + 1, sizeof *s->count);
    return s->x && s->t_s && s->count ? SM_OK : SM_E_NOMEM;
}

void sm_scatter_close(sm_scatter *s)
{
    sm_free(s->x);
    sm_free(s->t_s);
    sm_free(s->count);
    *s = (sm_scatter){0};
}

void sm_scatter_reset(sm_scatter *s, size_t n_orders)
{
    memset(s->count, 0, n_orders * sizeof *s->count);
}

static double *point_of(const sm_scatter *s, size_t i_order, size_t i_point)
{
    size_t at = i_order * SM_SCATTER_POINTS + i_point % SM_SCATTER_POINTS;
    return s->x + at * s->n_channels * 2;
}

bool sm_scatter_push(sm_scatter *s, const sm_track_point *p)
{
    size_t n = s->count[p->i_order]++;
    double *x = point_of(s, p->i_order, n);
    double *t_s = s->t_s + p->i_order * SM_SCATTER_POINTS;
    for (size_t i = 0; i < s->n_channels; i++) {
        x[2 * i] = p->re_pk[i];
        x[2 * i + 1] = p->im_pk[i];
    }
    t_s[n % SM_SCATTER_POINTS] = p->t_s;
    if (n + 1 < SM_SCATTER_POINTS) {
        return false;
    }
    double span_s = p->t_s - t_s[(n + 1) % SM_SCATTER_POINTS];
    return span_s < UNBROKEN * (p->t1_s - p->t0_s);
}

double sm_scatter_square(const sm_scatter *s, size_t i_order, size_t i_channel)
{
    size_t n = s->count[i_order];
    const double *a = point_of(s, i_order, n - 5) + 2 * i_channel;
    const double *b = point_of(s, i_order, n - 3) + 2 * i_channel;
    const double *c = point_of(s, i_order, n - 1) + 2 * i_channel;
    double re = b[0] - (a[0] + c[0]) / 2;
    double im = b[1] - (a[1] + c[1]) / 2;
    return re * re + im * im;
}

bool sm_scatter_turn(const sm_scatter *s, const sm_track_point *p, size_t i_channel, double *re,
                     double *im)
{
    size_t n = s->count[p->i_order];
    const double *t_s = s->t_s + p->i_order * SM_SCATTER_POINTS;
    if (n < 3 || p->t_s - t_s[(n - 3) % SM_SCATTER_POINTS] > 0.5 * UNBROKEN * (p->t1_s - p->t0_s)) {
        return false;
    }
    const double *a = point_of(s, p->i_order, n - 3) + 2 * i_channel;
    const double *b = point_of(s, p->i_order, n - 1) + 2 * i_channel;
    double size = sqrt((a[0] * a[0] + a[1] * a[1]) * (b[0] * b[0] + b[1] * b[1]));
    if (!(size > 0)) {
        return false;
    }
    double per_size = 1 / size;
    *re = (a[0] * b[0] + a[1] * b[1]) * per_size;
    *im = (a[0] * b[1] - a[1] * b[0]) * per_size;
    return true;
}
