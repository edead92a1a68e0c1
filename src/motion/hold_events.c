/* hold: what switching or moving an item does to the magnetometer. */
#include "core/util.h"
#include "motion/hold_internal.h"
#include "stillmount/file.h"
#include "stillmount/number.h"

#include <math.h>
#include <string.h>

#define NEAR_S 0.5 /* the switching itself */
#define FAR_S 3.0

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

/* Unit vector of gravity's opposite, or z. */
static void up_of(const sm_hold *h, double up[3])
{
    double size = 0;
    for (int k = 0; k < 3; k++) {
        up[k] = h->n_slices ? hold_mean(h, 3 + k, 0, h->n_slices - 1) : (double)NAN;
        size += up[k] * up[k];
    }
    bool good = size > 0.25 * SM_G0_M_S2 * SM_G0_M_S2;
    for (int k = 0; k < 3; k++) {
        up[k] = good ? up[k] / sqrt(size) : k == 2;
    }
}

double hold_horizontal(const sm_hold *h, const double field_t[3])
{
    double up[3];
    up_of(h, up);
    double along = field_t[0] * up[0] + field_t[1] * up[1] + field_t[2] * up[2];
    double sum = 0;
    for (int k = 0; k < 3; k++) {
        double d = field_t[k] - along * up[k];
        sum += d * d;
    }
    return sqrt(sum);
}

double hold_horizontal_field(const sm_hold *h)
{
    double mean[3];
    if (!isnan(h->options.horizontal_field_t)) {
        return h->options.horizontal_field_t;
    }
    /* over a whole turn the mean would vanish: the mean of the slices' own horizontal parts */
    double sum = 0;
    for (size_t i = 0; i < h->n_slices; i++) {
        for (int k = 0; k < 3; k++) {
            mean[k] = hold_mean(h, 6 + k, i, i);
        }
        sum += hold_horizontal(h, mean);
    }
    return h->n_slices ? sum / (double)h->n_slices : (double)NAN;
}

void sm_hold_events(const sm_hold *h, sm_hold_event *events, size_t n)
{
    double horizontal = hold_horizontal_field(h);
    for (size_t i = 0; i < n; i++) {
        sm_hold_event *e = &events[i];
        double before[3];
        double after[3];
        e->measured = field(h, e->t_s - FAR_S, e->t_s - NEAR_S, before) &&
                      field(h, e->t_s + NEAR_S, e->t_s + FAR_S, after);
        e->heading_rad = (double)NAN;
        for (int k = 0; k < 3; k++) {
            e->step_t[k] = e->measured ? after[k] - before[k] : (double)NAN;
        }
        if (e->measured && horizontal > 0) {
            /* the worst heading: the step lies across the horizontal field */
            e->heading_rad = asin(sm_min(1, hold_horizontal(h, e->step_t) / horizontal));
        }
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

/* One row: 1 an event, 0 nothing (blank, comment, header), -1 not understood. */
static int read_row(const char *p, bool first, sm_hold_event *e)
{
    char time[64];
    char state[16];
    *e = (sm_hold_event){.t_s = (double)NAN};
    p += strspn(p, " \t");
    if (*p == '\0' || *p == '\n' || *p == '\r' || *p == '#') {
        return 0;
    }
    p = next_field(p, time, sizeof time);
    p = next_field(p, e->item, sizeof e->item);
    (void)next_field(p, state, sizeof state);
    if (!sm_number_read(time, &e->t_s)) {
        return first ? 0 : -1;
    }
    e->on = strcmp(state, "on") == 0;
    bool off = strcmp(state, "off") == 0;
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
                              "an event is: seconds, item, on or off, like 12.5, nav light, on");
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
