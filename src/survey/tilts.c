/* Tilts of the aircraft with the engine off, and what they say about the axes. */
#include "core/util.h"
#include "survey/ground_parts.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Common practice, no source, all of these. */
#define TILTED_RAD                                                                                 \
    (2 * SM_PI / 180) /* pushing a wing down on its tyres gives no more than 3 or 4 */
#define LEVEL_RAD (1 * SM_PI / 180)
#define SPREAD_RAD (1.5 * SM_PI / 180)
static const double HELD_S = 2.5;
static const double ALONG = 0.87;       /* cosine of 30 degrees: along an axis */
static const double STILL_RMS_G = 0.05; /* of a slice: nobody pushes just then */

static double dot(const double *a, const double *b)
{
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
}

static void cross(const double *a, const double *b, double *out)
{
    out[0] = a[1] * b[2] - a[2] * b[1];
    out[1] = a[2] * b[0] - a[0] * b[2];
    out[2] = a[0] * b[1] - a[1] * b[0];
}

static bool unit(double *v)
{
    double n = sqrt(dot(v, v));
    for (int a = 0; a < 3 && n > 0; a++) {
        v[a] /= n;
    }
    return n > 0 && isfinite(n);
}

static void force_at(const sm_ground *g, size_t i, size_t place, double *f)
{
    for (int a = 0; a < 3; a++) {
        f[a] = (double)g->slices[i].f[place][a];
    }
}

static bool is_off(const sm_ground *g, double t_s)
{
    for (size_t k = 0; k < g->result.n_off; k++) {
        if (t_s >= g->result.off[k].from_s && t_s < g->result.off[k].to_s) {
            return true;
        }
    }
    return false;
}

static bool still(const sm_ground *g, size_t i)
{
    double most = STILL_RMS_G * SM_G0_M_S2;
    return is_off(g, g->slices[i].t_s) && g->slices[i].level < most * most;
}

static int rising(const void *a, const void *b)
{
    double x = *(const double *)a;
    double y = *(const double *)b;
    return (x > y) - (x < y);
}

/* Median over the slices at rest, engine off; NaN when there are too few. */
static double at_rest(const sm_ground *g, size_t place, bool gyro, int axis)
{
    double v[1024];
    size_t n = 0;
    size_t stride = 1 + g->n_slices / 1024;
    for (size_t i = 0; i < g->n_slices; i += stride) {
        const sm_ground_slice *s = &g->slices[i];
        if (still(g, i)) {
            v[n++] = (double)(gyro ? s->w[place][axis] : s->f[place][axis]);
        }
    }
    qsort(v, n, sizeof *v, rising);
    return n < 4 ? (double)NAN : v[n / 2];
}

/* How the aircraft stands most of the time. */
static bool level_force(const sm_ground *g, size_t place, double *level)
{
    for (int a = 0; a < 3; a++) {
        level[a] = at_rest(g, place, false, a);
    }
    double g_seen = sqrt(dot(level, level)) / SM_G0_M_S2;
    return g_seen > 0.7 && g_seen < 1.3 && unit(level); /* else no axis can be believed */
}

static double angle_between(const double *a, const double *b)
{
    double c[3];
    cross(a, b, c);
    return atan2(sqrt(dot(c, c)), dot(a, b));
}

/* Rotation between the last level slice before i and i, from the gyro, as shares of the angle that
 * the accelerometer saw, along the axes of the log. */
static void turned(const sm_ground *g, size_t place, size_t i, const double *level,
                   sm_ground_tilt *t)
{
    double f[3];
    size_t from = i;
    do {
        from--;
        force_at(g, from, place, f);
    } while (from > 0 && !(unit(f) && still(g, from) && angle_between(f, level) < LEVEL_RAD));
    double half_s = (double)g->n_half / g->rate_hz;
    double far_s = g->slices[i].t_s - g->slices[from].t_s;
    for (int a = 0; a < 3; a++) {
        double bias = at_rest(g, place, true, a);
        double sum = 0;
        for (size_t k = from; k <= i; k++) {
            sum += ((double)g->slices[k].w[place][a] - bias) * half_s;
        }
        bool all = fabs(far_s - (double)(i - from) * half_s) < half_s && from < i;
        t->gyro_share[a] = all ? sum / t->angle_rad : (double)NAN;
    }
}

/* Slices [from, to) hold one direction away from level. */
static void add_tilt(const sm_ground *g, size_t place, size_t from, size_t to, const double *level,
                     sm_ground_place *out)
{
    double half_s = (double)g->n_half / g->rate_hz;
    if ((double)(to - from) * half_s < HELD_S || out->n_tilts == SM_GROUND_TILTS || from == 0) {
        return;
    }
    double mean[3] = {0};
    for (size_t i = from; i < to; i++) {
        double f[3];
        force_at(g, i, place, f);
        for (int a = 0; a < 3; a++) {
            mean[a] += f[a];
        }
    }
    if (!unit(mean)) {
        return;
    }
    sm_ground_tilt *t = &out->tilts[out->n_tilts++];
    *t = (sm_ground_tilt){.from_s = g->slices[from].t_s,
                          .to_s = g->slices[to - 1].t_s + half_s,
                          .angle_rad = angle_between(mean, level)};
    double along = dot(mean, level);
    for (int a = 0; a < 3; a++) {
        t->toward[a] = mean[a] - along * level[a];
    }
    (void)unit(t->toward);
    turned(g, place, from + 1 < to ? from + 1 : from, level, t);
}

static void find_all(const sm_ground *g, size_t place, const double *level, sm_ground_place *out)
{
    size_t from = 0;
    size_t n = 0;
    double first[3] = {0};
    for (size_t i = 0; i <= g->n_slices; i++) {
        double f[3] = {0};
        bool tilted = false;
        if (i < g->n_slices) {
            force_at(g, i, place, f);
            tilted = still(g, i) && unit(f) && angle_between(f, level) > TILTED_RAD;
        }
        if (tilted && n > 0 && angle_between(f, first) < SPREAD_RAD) {
            n++;
            continue;
        }
        if (n > 0) {
            add_tilt(g, place, from, from + n, level, out);
        }
        n = tilted;
        from = i;
        memcpy(first, f, sizeof first);
    }
}

/* Signed number of the axis that v lies along (1 to 3), 0 = between axes. */
static int axis_of(const double *v)
{
    for (int a = 0; a < 3; a++) {
        if (fabs(v[a]) > ALONG) {
            return v[a] > 0 ? a + 1 : -(a + 1);
        }
    }
    return 0;
}

static void set_axis(double *v, int signed_axis)
{
    v[0] = v[1] = v[2] = 0;
    v[abs(signed_axis) - 1] = signed_axis > 0 ? 1 : -1;
}

/* What the log calls x, y, z, if the first tilt was nose up and the other right wing down. */
static void infer(const double *level, int nose, int wing, int *found)
{
    double x[3];
    double y[3];
    double z[3];
    if (nose == 0 || wing == 0 || abs(nose) == abs(wing)) {
        return;
    }
    set_axis(x, nose);
    set_axis(y, -wing);
    cross(x, y, z);
    if (dot(z, level) < -0.7) { /* down is where the specific force does not point */
        found[0] = nose;
        found[1] = -wing;
        found[2] = axis_of(z);
    }
}

/* The gyro against the accelerometer: nose up is + about y, right wing down + about x. */
static sm_axes_state judge_gyro(const double *level, const sm_ground_place *p)
{
    int agreed = 0;
    for (size_t i = 0; i < p->n_tilts; i++) {
        const sm_ground_tilt *t = &p->tilts[i];
        double want[3];
        cross(t->toward, level, want);
        double along = dot(t->gyro_share, want);
        double across = sqrt(sm_max(0, dot(t->gyro_share, t->gyro_share) - along * along));
        if (along != along) {
            continue;
        }
        bool agrees = along > 0.6 && along < 1.5 && across < 0.6;
        bool silent = fabs(along) < 0.05 && across < 0.05;
        if (!agrees && !silent) {
            return SM_AXES_CONTRADICTED;
        }
        if (silent) {
            return t->angle_rad > 2 * TILTED_RAD ? SM_AXES_CONTRADICTED : SM_AXES_NOT_SHOWN;
        }
        agreed++;
    }
    return agreed >= 2 ? SM_AXES_PROVEN : SM_AXES_NOT_SHOWN;
}

static bool has_triad(const sm_ground *g, size_t place, sm_role role)
{
    int axes = 0;
    for (size_t c = 0; c < g->n_picked; c++) {
        const sm_channel *ch = &g->info[g->picked[c]];
        if (g->place[c] == (long)place && ch->role == role) {
            axes |= ch->ac_coupled ? 0 : 1 << ch->axis;
        }
    }
    return axes == 7;
}

void sm_tilts_find(const sm_ground *g, size_t i_place, sm_ground_place *out)
{
    double level[3];
    if (!has_triad(g, i_place, SM_ROLE_ACCEL) || !level_force(g, i_place, level)) {
        return;
    }
    find_all(g, i_place, level, out);
    int other = -1;
    for (size_t i = 0; i < out->n_tilts; i++) {
        int axis = axis_of(out->tilts[i].toward);
        out->i_nose_up = axis == 1 && out->i_nose_up < 0 ? (int)i : out->i_nose_up;
        out->i_right_down = axis == -2 && out->i_right_down < 0 ? (int)i : out->i_right_down;
        bool apart = i > 0 && fabs(dot(out->tilts[i].toward, out->tilts[0].toward)) < 0.7;
        other = apart && other < 0 ? (int)i : other;
    }
    bool down = level[2] < -0.7;
    if (out->i_nose_up >= 0 && out->i_right_down >= 0 && down) {
        out->axes = SM_AXES_PROVEN;
        for (int a = 0; a < 3; a++) {
            out->found[a] = a + 1;
        }
    } else if (other > 0 && out->n_tilts <= 4) {
        out->axes = SM_AXES_CONTRADICTED;
        infer(level, axis_of(out->tilts[0].toward), axis_of(out->tilts[other].toward), out->found);
    }
    if (has_triad(g, i_place, SM_ROLE_GYRO) && out->n_tilts > 0) {
        out->gyro_axes = judge_gyro(level, out);
    }
}
