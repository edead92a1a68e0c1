/* hold: what switching or moving an item does to the magnetometer. */
#include "core/util.h"
#include "motion/hold_internal.h"
#include "stillmount/file.h"
#include "stillmount/number.h"

#include <math.h>
#include <string.h>
#include <strings.h>

#define FAR_S 3.0
#define MOVED_RAD (1 * SM_PI / 180) /* the field turns with the aircraft */

/* Mean field over [from, to]; false with less than a second of it. */
static bool field(const sm_hold *h, double from_s, double to_s, double mean[3])
{
    double n = 0;
    double sum[3] = {0};
    for (size_t i = 0; i < h->n_slices; i++) {
        const hold_slice *s = &h->slices[i];
        double end = s->t0_s + s->n / h->rate_hz;
        if (s->t0_s < from_s - 1e-9 || end > to_s + 1e-9) {
            continue;
        }
        n += s->n;
        for (int k = 0; k < 3; k++) {
            sum[k] += s->sum[6 + k];
        }
    }
    for (int k = 0; k < 3; k++) {
        mean[k] = h->input[6 + k] < 0 ? (double)NAN : h->origin[6 + k] + sum[k] / n;
    }
    return n >= h->rate_hz && isfinite(mean[0] + mean[1] + mean[2]);
}

static double level_of_slice(const sm_hold *h, size_t i)
{
    double mean[3];
    for (int k = 0; k < 3; k++) {
        mean[k] = hold_mean(h, 6 + k, i, i);
    }
    return hold_horizontal(h, mean);
}

void hold_level(sm_hold *h)
{
    double size = 0;
    for (int k = 0; k < 3; k++) { /* the specific force points up at rest */
        h->down[k] = h->n_slices ? -hold_mean(h, 3 + k, 0, h->n_slices - 1) : (double)NAN;
        size += h->down[k] * h->down[k];
    }
    bool good = size > 0.25 * SM_G0_M_S2 * SM_G0_M_S2;
    for (int k = 0; k < 3; k++) {
        h->down[k] = good ? h->down[k] / sqrt(size) : k == 2;
    }
    /* over a whole turn the mean would vanish: the mean of the slices' own horizontal parts */
    double sum = 0;
    double n = 0;
    hold_run all = {.first = 0, .last = h->n_slices ? h->n_slices - 1 : 0};
    hold_run piece;
    for (size_t at = 0; h->n_slices && hold_clean_piece(h, &all, &at, &piece);) {
        for (size_t i = piece.first; i <= piece.last; i++) {
            double level = level_of_slice(h, i);
            sum += isfinite(level) ? level : 0;
            n += isfinite(level);
        }
    }
    double given = h->options.horizontal_field_t;
    h->horizontal_t = !isnan(given) ? given : n > 0 ? sum / n : (double)NAN;
}

double hold_horizontal(const sm_hold *h, const double field_t[3])
{
    double along = field_t[0] * h->down[0] + field_t[1] * h->down[1] + field_t[2] * h->down[2];
    double sum = 0;
    for (int k = 0; k < 3; k++) {
        double d = field_t[k] - along * h->down[k];
        sum += d * d;
    }
    return sqrt(sum);
}

/* How far the mount turned around the event, mean rates of the stops taken off; NaN over a gap. */
static double turned(const sm_hold *h, double from_s, double to_s)
{
    if (h->n_segments == 0) { /* no stop, so nobody knows the gyro's own mean */
        return 0;
    }
    return fabs(hold_rotation(h, from_s, to_s));
}

/* The field is looked at no further than the ends of the stop and the neighbouring events. */
static void reach(const sm_hold *h, const sm_hold_event *events, size_t n, double t_s,
                  double *before_s, double *after_s)
{
    *before_s = FAR_S;
    *after_s = FAR_S;
    for (size_t k = 0; k < n; k++) {
        double apart = events[k].t_s - t_s;
        *after_s = apart > 0 ? sm_min(*after_s, apart - HOLD_SWITCHING_S) : *after_s;
        *before_s = apart < 0 ? sm_min(*before_s, -apart - HOLD_SWITCHING_S) : *before_s;
    }
    for (size_t k = 0; k < h->n_segments; k++) {
        const sm_hold_segment *s = &h->segments[k];
        if (s->kind != SM_HOLD_TURN && s->from_s < t_s && s->to_s > t_s) {
            *before_s = sm_min(*before_s, t_s - s->from_s);
            *after_s = sm_min(*after_s, s->to_s - t_s);
        }
    }
}

static const char *measure(const sm_hold *h, sm_hold_event *e, double before_s, double after_s)
{
    double before[3];
    double after[3];
    if (h->input[6] < 0 || h->input[7] < 0 || h->input[8] < 0) {
        return "no magnetometer with three axes at this place";
    }
    if (!field(h, e->t_s - before_s, e->t_s - HOLD_SWITCHING_S, before) ||
        !field(h, e->t_s + HOLD_SWITCHING_S, e->t_s + after_s, after)) {
        return "less than a second of still field on one side of it: leave 3 s between";
    }
    if (turned(h, e->t_s - before_s, e->t_s + after_s) > MOVED_RAD) {
        return "the aircraft turned meanwhile: switch while it stands";
    }
    e->measured = true;
    for (int k = 0; k < 3; k++) {
        e->step_t[k] = after[k] - before[k];
    }
    if (h->horizontal_t > 0) { /* the worst heading: the step lies across the horizontal field */
        e->heading_rad = asin(sm_min(1, hold_horizontal(h, e->step_t) / h->horizontal_t));
    }
    return "";
}

void sm_hold_events(sm_hold *h, sm_hold_event *events, size_t n)
{
    sm_hold_result r; /* the stops' mean rates, and where down is */
    sm_error ignored = {0};
    if (!h->segments && sm_hold_result_get(h, &r, &ignored) != SM_OK) {
        hold_level(h);
    }
    for (size_t i = 0; i < n; i++) {
        sm_hold_event *e = &events[i];
        e->measured = false;
        e->heading_rad = (double)NAN;
        for (int k = 0; k < 3; k++) {
            e->step_t[k] = (double)NAN;
        }
        double before_s;
        double after_s;
        reach(h, events, n, e->t_s, &before_s, &after_s);
        e->reason = measure(h, e, before_s, after_s);
    }
}

static const char *next_field(const char *p, char *out, size_t capacity)
{
    size_t n = strcspn(p, ",;\t\r\n");
    size_t from = strspn(p, " \"");
    from = from < n ? from : n;
    size_t to = n;
    while (to > from && (p[to - 1] == ' ' || p[to - 1] == '"')) {
        to--;
    }
    sm_text_inert(p + from, to - from, out, capacity);
    return p + n + (p[n] == ',' || p[n] == ';' || p[n] == '\t');
}

/* Seconds, or minutes:seconds as typed on the ramp. */
static bool read_time(char *text, double *t_s)
{
    double minutes = 0;
    char *colon = strchr(text, ':');
    if (colon) {
        *colon = '\0';
        if (!sm_number_read(text, &minutes) || !sm_number_read(colon + 1, t_s) || *t_s < 0 ||
            *t_s >= 60) {
            return false;
        }
        *t_s += 60 * minutes;
        return true;
    }
    return sm_number_read(text, t_s);
}

/* One row: 1 an event, 0 nothing (blank, comment, header), -1 not understood. */
static int read_row(const char *p, bool first, sm_hold_event *e)
{
    char time[64];
    char state[16];
    *e = (sm_hold_event){.t_s = (double)NAN, .reason = ""};
    p += strspn(p, " \t");
    if (*p == '\0' || *p == '\n' || *p == '\r' || *p == '#') {
        return 0;
    }
    p = next_field(p, time, sizeof time);
    p = next_field(p, e->item, sizeof e->item);
    (void)next_field(p, state, sizeof state);
    if (!read_time(time, &e->t_s)) {
        return first ? 0 : -1;
    }
    e->on = strcasecmp(state, "on") == 0;
    bool off = strcasecmp(state, "off") == 0;
    return isfinite(e->t_s) && e->item[0] && (e->on || off) ? 1 : -1;
}

sm_status sm_hold_events_read(const char *path, sm_hold_event *out, size_t capacity, size_t *n,
                              sm_error *err)
{
    char *text = NULL;
    size_t size;
    sm_status st = sm_file_load(path, 1 << 22, &text, &size, err);
    size_t count = 0;
    long line = 0;
    bool first = true;
    for (const char *p = text; st == SM_OK && p && *p; p += strcspn(p, "\n"), p += *p == '\n') {
        sm_hold_event e;
        int kind = read_row(p, first, &e);
        line++;
        if (kind < 0) {
            st = sm_error_set(err, SM_E_FORMAT, path, line,
                              "an event is: seconds (or minutes:seconds), item, on or off, like "
                              "12.5, nav light, on");
        } else if (kind > 0 && count == capacity) {
            st = sm_error_set(err, SM_E_FORMAT, path, line, "more than %zu events", capacity);
        } else if (kind > 0) {
            out[count++] = e;
        }
        first = first && kind == 0 && (*p == '#' || *p == '\n' || *p == '\r');
    }
    sm_file_text_free(text);
    if (st == SM_OK) {
        *n = count;
    }
    return st;
}
