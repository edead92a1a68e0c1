/* hold: the magnetometer at a stop: heading, noise, lines; headings of several turns against each
 * other. */
#include "core/alloc.h"
#include "core/util.h"
#include "motion/hold_internal.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define LEAST_CYCLES 6       /* in the stretch: fewer are a slow change, or someone switching */
#define LINE_STANDS_OUT 30.0 /* of the mean noise bin, as for the rates */
#define LINE_OVER_BESIDE 8.0 /* of the bins beside it: a slow drift of the field is no line */
#define SAME_HEADING                                                                               \
    (12 * SM_PI / 180)     /* stops of a compass swing are 30 degrees apart or more                \
                            */
#define ANOTHER_TURN SM_PI /* turned in between, to and fro counted both ways */
#define SAME_LINE_HZ 0.3

/* Supply frequencies on a ramp and their doubles; 400 Hz is an aircraft's inverter. Common
 * practice, no source. The mains keep theirs within a few tenths of a hertz, an inverter does not.
 */
static const struct {
    double hz;
    double slack_hz;
} supplies[] = {{50, 0.2}, {60, 0.2}, {100, 0.4}, {120, 0.4}, {400, 8}, {800, 16}};

static double dot(const double a[3], const double b[3])
{
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
}

/* Forward and right in the level plane: forward is the axis x laid flat, or y when x stands. */
static void level_axes(const double down[3], double forward[3], double right[3])
{
    int from = fabs(down[0]) > 0.9 ? 1 : 0;
    double size = 0;
    for (int k = 0; k < 3; k++) {
        forward[k] = (k == from) - down[from] * down[k];
        size += forward[k] * forward[k];
    }
    for (int k = 0; k < 3; k++) {
        forward[k] /= sqrt(size);
    }
    for (int k = 0; k < 3; k++) {
        int i = (k + 1) % 3;
        int j = (k + 2) % 3;
        right[k] = down[i] * forward[j] - down[j] * forward[i];
    }
}

/* The field along a direction, row by row; false with a missing sample. */
static bool along(const sm_hold *h, size_t from, size_t n, const double axis[3], double *out)
{
    for (size_t i = 0; i < n; i++) {
        out[i] = 0;
        for (int k = 0; k < 3; k++) {
            out[i] += axis[k] * h->buffer[3 + k][from + i];
        }
        if (!isfinite(out[i])) {
            return false;
        }
    }
    return n > 0;
}

static double rms_about_mean(const double *x, size_t n)
{
    double mean = 0;
    double square = 0;
    for (size_t i = 0; i < n; i++) {
        mean += x[i] / (double)n;
    }
    for (size_t i = 0; i < n; i++) {
        square += (x[i] - mean) * (x[i] - mean);
    }
    return n ? sqrt(square / (double)n) : (double)NAN;
}

static double turn_of(double across_t, double horizontal_t)
{
    return horizontal_t > 0 ? asin(sm_min(1, across_t / horizontal_t)) : (double)NAN;
}

/* A peak that stands clear of the noise and of the bins some way beside it. */
static bool is_line(const double *psd, size_t n_bins, size_t k, double noise)
{
    double beside = 0;
    double n = 0;
    for (size_t d = 5; d <= 12; d++) {
        beside += k > d + 2 ? psd[k - d] : 0;
        n += k > d + 2;
        beside += k + d < n_bins ? psd[k + d] : 0;
        n += k + d < n_bins;
    }
    return psd[k] >= psd[k - 1] && psd[k] >= psd[k + 1] && psd[k] > LINE_STANDS_OUT * noise &&
           psd[k] * n > LINE_OVER_BESIDE * beside;
}

/* The strongest lines of the horizontal field, strongest first. */
static void find_lines(const double *psd, size_t n_bins, size_t n_used, double bin_hz, double noise,
                       double horizontal_t, sm_hold_segment *s)
{
    for (size_t k = LEAST_CYCLES; k + 1 < n_used; k++) {
        if (!is_line(psd, n_bins, k, noise)) {
            continue;
        }
        double power = psd[k - 1] + psd[k] + psd[k + 1];
        sm_hold_field_line line = {
            .hz = bin_hz * ((double)k + (psd[k + 1] - psd[k - 1]) / power),
            .pk_t = sqrt(2 * hold_lobe(psd, n_bins, k, 3, bin_hz)),
        };
        line.heading_rad = turn_of(line.pk_t, horizontal_t);
        size_t at = s->n_field_lines;
        while (at > 0 && s->field_lines[at - 1].pk_t < line.pk_t) {
            at--;
        }
        if (at < SM_HOLD_FIELD_LINES) {
            s->n_field_lines += s->n_field_lines < SM_HOLD_FIELD_LINES;
            (void)memmove(&s->field_lines[at + 1], &s->field_lines[at],
                          (s->n_field_lines - 1 - at) * sizeof line);
            s->field_lines[at] = line;
        }
    }
}

/* x, y: (n) the field forward and right. */
static sm_status field_lines(const sm_hold *h, const double *x, const double *y, size_t rows,
                             sm_hold_segment *s, sm_error *err)
{
    size_t n = hold_smooth_length(rows);
    double rate_hz = h->rate_hz / (double)h->decimation;
    if (n == 0) {
        return SM_OK;
    }
    size_t n_bins = n / 2 + 1;
    double bin_hz = rate_hz / (double)n;
    double top_hz = h->mag_rate_hz > 0 ? 0.45 * h->mag_rate_hz : rate_hz / 2;
    size_t n_used = (size_t)sm_min((double)n_bins, floor(top_hz / bin_hz));
    double *psd = sm_alloc_array(n_bins, sizeof *psd);
    double *scratch = sm_alloc_array(n_bins, sizeof *scratch);
    sm_status st = psd && scratch ? hold_psd(x, n, rate_hz, psd, err)
                                  : sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    st = st == SM_OK ? hold_psd(y, n, rate_hz, psd, err) : st;
    if (st == SM_OK) {
        find_lines(psd, n_bins, n_used, bin_hz, hold_noise_level(psd, n_used, scratch),
                   h->horizontal_t, s);
    }
    sm_free(psd);
    sm_free(scratch);
    return st;
}

/* Forward, right, and square to the field in the level plane. */
typedef struct level_plane {
    double forward[3];
    double right[3];
    double across[3];
    double heading_rad;
} level_plane;

static bool plane_of(const sm_hold *h, const sm_hold_segment *s, level_plane *p)
{
    level_axes(h->down, p->forward, p->right);
    double north = dot(s->mag_mean_t, p->forward);
    double west = -dot(s->mag_mean_t, p->right);
    double size = hypot(north, west);
    if (!(size > 0)) {
        return false;
    }
    for (int k = 0; k < 3; k++) {
        p->across[k] = (west * p->forward[k] + north * p->right[k]) / size;
    }
    p->heading_rad = atan2(west, north);
    p->heading_rad += p->heading_rad < 0 ? 2 * SM_PI : 0;
    return true;
}

/* Noise over all clean parts, each about its own mean; the longest part goes into *longest. */
static double noise_across(const sm_hold *h, const hold_run *r, const level_plane *p, double *x,
                           hold_run *longest)
{
    double square = 0;
    double n_all = 0;
    hold_run piece;
    *longest = (hold_run){.first = 1};
    for (size_t at = r->first; hold_clean_piece(h, r, &at, &piece);) {
        size_t from;
        size_t n = hold_buffer_rows(h, &piece, &from);
        if (!along(h, from, n, p->across, x)) {
            continue;
        }
        double rms = rms_about_mean(x, n);
        square += rms * rms * (double)n;
        n_all += (double)n;
        if (piece.last + longest->first > longest->last + piece.first) {
            *longest = piece;
        }
    }
    return n_all > 0 ? sqrt(square / n_all) : (double)NAN;
}

sm_status hold_field(const sm_hold *h, const hold_run *r, sm_hold_segment *s, sm_error *err)
{
    size_t from;
    size_t n = hold_buffer_rows(h, r, &from);
    level_plane p;
    s->mag_heading_rad = (double)NAN;
    s->mag_noise_rad = (double)NAN;
    bool measured = !r->turning && n > 0 && h->buffer[3] && h->buffer[4] && h->buffer[5];
    if (!measured || !plane_of(h, s, &p)) {
        return SM_OK;
    }
    hold_run longest;
    double *x = sm_alloc_array(n, sizeof *x);
    double *y = sm_alloc_array(n, sizeof *y);
    sm_status st = x && y ? SM_OK : sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    s->mag_heading_rad = p.heading_rad;
    if (st == SM_OK) {
        double noise_t = noise_across(h, r, &p, x, &longest);
        s->mag_noise_rad = turn_of(noise_t, h->horizontal_t);
        n = isfinite(noise_t) ? hold_buffer_rows(h, &longest, &from) : 0;
        if (along(h, from, n, p.forward, x) && along(h, from, n, p.right, y)) {
            st = field_lines(h, x, y, n, s, err);
        }
    }
    sm_free(x);
    sm_free(y);
    return st;
}

/* True when a stop with the engine off shows the same line, at least half as strong. */
static bool seen_with_engine_off(const sm_hold *h, const sm_hold_field_line *line)
{
    for (size_t i = 0; i < h->n_segments; i++) {
        const sm_hold_segment *s = &h->segments[i];
        for (size_t k = 0; k < s->n_field_lines && s->kind == SM_HOLD_OFF; k++) {
            const sm_hold_field_line *o = &s->field_lines[k];
            if (fabs(o->hz - line->hz) < SAME_LINE_HZ && o->pk_t > 0.5 * line->pk_t) {
                return true;
            }
        }
    }
    return false;
}

/* The supply that shows at hz when the field is sampled at rate_hz; 0 = none. */
static double supply_at(double hz, double rate_hz)
{
    for (size_t i = 0; i < sizeof supplies / sizeof supplies[0]; i++) {
        double seen = sm_fold_hz(supplies[i].hz, rate_hz);
        bool folds = supplies[i].hz > rate_hz / 2;
        double slack = supplies[i].slack_hz;
        if (fabs(seen - hz) < slack && (!folds || (slack < 1 && seen > slack))) {
            return supplies[i].hz;
        }
    }
    return 0;
}

static void name_line(const sm_hold *h, const sm_hold_segment *s, sm_hold_field_line *line)
{
    double rate_hz = h->mag_rate_hz > 0 ? h->mag_rate_hz : h->rate_hz;
    double bin_hz = 1 / (s->to_s - s->from_s);
    char order[sizeof line->label];
    double supply = supply_at(line->hz, rate_hz);
    bool off = s->kind == SM_HOLD_OFF || seen_with_engine_off(h, line);
    bool named = !off && hold_name_order(h, s, line->hz, bin_hz, rate_hz, order, sizeof order);
    bool direct = named && strncmp(order, "alias of ", 9) != 0;
    if (off && supply > 0) {
        (void)snprintf(line->label, sizeof line->label, "electrical, %.0f Hz supply", supply);
    } else if (off) {
        (void)snprintf(line->label, sizeof line->label, "electrical: there with the engine off");
    } else if (direct) {
        (void)memcpy(line->label, order, sizeof order);
    } else if (supply > 0) {
        (void)snprintf(line->label, sizeof line->label, "electrical, %.0f Hz supply", supply);
    } else {
        (void)snprintf(line->label, sizeof line->label, "%s", named ? order : "unknown");
    }
}

void hold_name_field_lines(sm_hold *h)
{
    for (size_t i = 0; i < h->n_segments; i++) {
        sm_hold_segment *s = &h->segments[i];
        for (size_t k = 0; k < s->n_field_lines; k++) {
            name_line(h, s, &s->field_lines[k]);
        }
    }
}

static double wrapped(double angle)
{
    return remainder(angle, 2 * SM_PI);
}

/* How far stop j's heading is from stop i's, by the gyro, or by the field across a gap. */
static double apart(const sm_hold_segment *i, const sm_hold_segment *j)
{
    double gyro = j->gyro_heading_rad - i->gyro_heading_rad;
    return wrapped(isfinite(gyro) ? gyro : j->mag_heading_rad - i->mag_heading_rad);
}

/* The last stop before j on its heading, in another turn and in the wanted engine state. */
static const sm_hold_segment *earlier_stop(const sm_hold *h, size_t j, bool same_engine)
{
    const sm_hold_segment *to = &h->segments[j];
    double path = fabs(to->turned_before_rad);
    for (size_t i = j; i-- > 0;) {
        const sm_hold_segment *s = &h->segments[i];
        bool turn = s->kind == SM_HOLD_TURN;
        double tol = sm_max(80, 0.06 * to->rpm);
        bool same = (s->rpm > 0) == (to->rpm > 0) && fabs(s->rpm - to->rpm) < tol;
        if (!turn && !(path <= ANOTHER_TURN) && same == same_engine &&
            isfinite(s->mag_heading_rad) && fabs(apart(s, to)) < SAME_HEADING) {
            return s;
        }
        path += turn ? 0 : fabs(s->turned_before_rad); /* NaN, a gap: as good as a turn */
    }
    return NULL;
}

void hold_repeats(sm_hold *h, sm_hold_result *out)
{
    out->repeat_rad = (double)NAN;
    out->engine_heading_rad = (double)NAN;
    for (size_t j = 0; j < h->n_segments; j++) {
        const sm_hold_segment *to = &h->segments[j];
        for (int same = 1; same >= 0; same--) {
            bool stop = to->kind != SM_HOLD_TURN && isfinite(to->mag_heading_rad);
            const sm_hold_segment *from = stop ? earlier_stop(h, j, same) : NULL;
            if (!from) {
                continue;
            }
            double difference = wrapped(to->mag_heading_rad - from->mag_heading_rad);
            h->pairs[out->n_pairs++] =
                (sm_hold_pair){.first = (size_t)(from - h->segments),
                               .second = j,
                               .same_engine = same,
                               .difference_rad = difference,
                               .gyro_rad = wrapped(to->gyro_heading_rad - from->gyro_heading_rad)};
            double *worst = same ? &out->repeat_rad : &out->engine_heading_rad;
            *worst = fmax(*worst, fabs(difference));
        }
    }
    out->pairs = h->pairs;
}
