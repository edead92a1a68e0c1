/* Blocks -> overlapping one-second frames, started afresh behind every gap. */
#include "core/alloc.h"
#include "core/wide.h"
#include "stillmount/spectrum.h"

#include <math.h>
#include <string.h>

struct sm_framer {
    size_t n;      /* frame length */
    size_t n_have; /* rows collected */
    size_t n_pick;
    size_t *pick;
    double *rows;       /* (n_pick + 2) x n: channels, then rpm, then theta */
    const double **x;   /* (n_pick) into rows */
    unsigned char *bad; /* (n_pick) */
    double rate_hz;
    double t0_s; /* of the first collected row */
    long line;
    size_t i_in_stretch;
    sm_frame_fn fn;
    void *self;
};

sm_status sm_framer_open(const size_t *pick, size_t n_pick, double rate_hz, sm_frame_fn fn,
                         void *self, sm_framer **out, sm_error *err)
{
    if (!(rate_hz > 0)) {
        return sm_error_set(err, SM_E_ARG, NULL, 0, "rate must be above 0");
    }
    sm_framer *f = sm_alloc_array(1, sizeof *f);
    if (f) {
        f->n = sm_frame_length(rate_hz);
        f->pick = sm_alloc_array(n_pick + 1, sizeof *f->pick);
        f->rows = sm_alloc_array((n_pick + 2) * f->n, sizeof *f->rows);
        f->x = sm_alloc_array(n_pick + 1, sizeof *f->x);
        f->bad = sm_alloc_array(n_pick + 1, 1);
    }
    if (!f || !f->pick || !f->rows || !f->x || !f->bad) {
        sm_framer_close(&f);
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    f->n_pick = n_pick;
    for (size_t c = 0; c < n_pick; c++) {
        f->pick[c] = pick[c];
        f->x[c] = f->rows + c * f->n;
    }
    f->rate_hz = rate_hz;
    f->fn = fn;
    f->self = self;
    *out = f;
    return SM_OK;
}

void sm_framer_close(sm_framer **f)
{
    if (*f) {
        sm_free((*f)->pick);
        sm_free((*f)->rows);
        sm_free((void *)(*f)->x);
        sm_free((*f)->bad);
        sm_free(*f);
        *f = NULL;
    }
}

static double mean_of(const double *v, size_t n)
{
    return sm_sum(v, n) / (double)n;
}

/* Largest difference of the means of neighbouring sixteenths, which a single bad row moves little.
 */
static double largest_step(const double *rpm, size_t n)
{
    size_t part = n / 16;
    double most = 0;
    double last = mean_of(rpm, part);
    for (size_t i = part; i + part <= n; i += part) {
        double mean = mean_of(rpm + i, part);
        most = fmax(most, fabs(mean - last));
        last = mean;
    }
    return most;
}

static bool is_still(const double *rpm, size_t n)
{
    for (size_t i = 1; i < n; i++) {
        if (!(fabs(rpm[i] - rpm[0]) <=
              1e-9 * rpm[0])) { /* but for rounding of the angle's cubics */
            return false;
        }
    }
    return true;
}

static sm_status emit(sm_framer *f, sm_error *err)
{
    const double *rpm = f->rows + f->n_pick * f->n;
    const double *theta = rpm + f->n;
    for (size_t c = 0; c < f->n_pick; c++) {
        f->bad[c] = (unsigned char)!isfinite(mean_of(f->x[c], f->n));
    }
    size_t eighth = f->n / 8;
    sm_frame frame = {
        .n = f->n,
        .n_channels = f->n_pick,
        .x = f->x,
        .bad = f->bad,
        .t0_s = f->t0_s,
        .rpm = mean_of(rpm, f->n),
        .rpm_first = mean_of(rpm, eighth),
        .rpm_last = mean_of(rpm + f->n - eighth, eighth),
        .rpm_step = largest_step(rpm, f->n),
        .rpm_still = is_still(rpm, f->n),
        .turns = theta[f->n - 1] - theta[0],
        .adjacent = f->i_in_stretch > 0,
        .i_in_stretch = f->i_in_stretch,
        .line = f->line,
    };
    frame.speed_trusted = isfinite(frame.rpm) && isfinite(frame.turns);
    sm_status st = f->fn(f->self, &frame, err);
    size_t hop = f->n / 2;
    for (size_t c = 0; c < f->n_pick + 2; c++) {
        memcpy(f->rows + c * f->n, f->rows + c * f->n + hop, (f->n - hop) * sizeof *f->rows);
    }
    f->n_have = f->n - hop;
    f->t0_s += (double)hop / f->rate_hz;
    f->line += f->line > 0 ? (long)hop : 0;
    f->i_in_stretch++;
    return st;
}

static void copy_rows(sm_framer *f, const sm_block *b, size_t from, size_t n)
{
    for (size_t c = 0; c < f->n_pick; c++) {
        memcpy(f->rows + c * f->n + f->n_have, b->x[f->pick[c]] + from, n * sizeof *f->rows);
    }
    double *rpm = f->rows + f->n_pick * f->n + f->n_have;
    double *theta = rpm + f->n;
    for (size_t i = 0; i < n; i++) {
        rpm[i] = b->rpm ? b->rpm[from + i] : (double)NAN;
        theta[i] = b->theta_rev ? b->theta_rev[from + i] : (double)NAN;
    }
}

static sm_status push(void *self, const sm_block *b, sm_error *err)
{
    sm_framer *f = self;
    for (size_t i = 0; i < b->n_rows;) {
        if (f->n_have == 0) {
            f->t0_s = b->t0_s + (double)i / b->rate_hz;
            f->line = b->line > 0 ? b->line + (long)i : 0;
        }
        size_t n = f->n - f->n_have < b->n_rows - i ? f->n - f->n_have : b->n_rows - i;
        copy_rows(f, b, i, n);
        f->n_have += n;
        i += n;
        if (f->n_have == f->n) {
            sm_status st = emit(f, err);
            if (st != SM_OK) {
                return st;
            }
        }
    }
    return SM_OK;
}

static sm_status mark(void *self, sm_mark m, double t_s, sm_error *err)
{
    sm_framer *f = self;
    (void)m;
    (void)t_s;
    (void)err;
    f->n_have = 0;
    f->i_in_stretch = 0;
    return SM_OK;
}

sm_sink sm_framer_sink(sm_framer *f)
{
    return (sm_sink){.self = f, .push = push, .mark = mark};
}
