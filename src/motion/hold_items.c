/* hold: events gathered by item, worst first, against the limits. */
#include "core/alloc.h"
#include "core/util.h"
#include "motion/hold_internal.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define DEG (180 / SM_PI)
#define MICRO 1e6 /* T to uT */

/* One item: its steps, "off" turned round. */
typedef struct item {
    const char *name;
    double heading_rad; /* largest of its events */
    double size;        /* [T] largest of its events */
    double sum[3];
    double square; /* of all components */
    long on;
    long off;
    long missed; /* events that could not be measured */
    const char *why;
} item;

static double worse(const item *i)
{
    return isnan(i->heading_rad) ? -1 : i->heading_rad; /* not measured: last */
}

static int worst_first(const void *a, const void *b)
{
    double x = worse(a);
    double y = worse(b);
    return (x < y) - (x > y);
}

static void add_event(item *to, const sm_hold_event *e)
{
    if (!e->measured) {
        to->missed++;
        to->why = e->reason;
        return;
    }
    double size = 0;
    for (int k = 0; k < 3; k++) {
        double step = e->on ? e->step_t[k] : -e->step_t[k];
        to->sum[k] += step;
        size += step * step;
    }
    to->square += size;
    to->size = fmax(to->size, sqrt(size));
    to->heading_rad = fmax(to->heading_rad, e->heading_rad);
    to->on += e->on;
    to->off += !e->on;
}

static size_t gather(const sm_hold_event *events, size_t n, item *items)
{
    size_t n_items = 0;
    for (size_t i = 0; i < n; i++) {
        size_t j = 0;
        while (j < n_items && strcmp(items[j].name, events[i].item) != 0) {
            j++;
        }
        if (j == n_items) {
            items[n_items++] = (item){.name = events[i].item, .heading_rad = (double)NAN};
        }
        add_event(&items[j], &events[i]);
    }
    return n_items;
}

/* Scatter of one step about the mean step [T]; NaN with fewer than two. */
static double scatter(const item *i)
{
    double n = (double)(i->on + i->off);
    double mean = 0;
    for (int k = 0; k < 3; k++) {
        mean += i->sum[k] / n * (i->sum[k] / n);
    }
    return n >= 2 ? sqrt(sm_max(0, i->square - n * mean) / (n - 1)) : (double)NAN;
}

/* "over", "within", "unassessed"; without a limit "". */
static const char *judge(const item *i, const sm_hold_limits *limits, bool repeated)
{
    bool none = !limits || (isnan(limits->heading_rad) && isnan(limits->field_t));
    if (none) {
        return "";
    }
    double most_t = limits->field_t * (isnan(limits->share) ? 1 : limits->share);
    if (i->heading_rad > limits->heading_rad || i->size > most_t) {
        return "over";
    }
    return repeated && (isnan(limits->heading_rad) || isfinite(i->heading_rad)) ? "within"
                                                                                : "unassessed";
}

static const char *item_reason(const item *i, bool repeated, double mean_t)
{
    if (i->on + i->off == 0) {
        return i->why;
    }
    if (!repeated) {
        return "switch it on and off twice: once may be chance";
    }
    return scatter(i) > mean_t / 2 ? "its steps do not repeat: something else changed the field"
                                   : "";
}

static const char *item_json(const item *i, const sm_hold_limits *limits, sm_json_doc *doc,
                             sm_json *o)
{
    double n = (double)(i->on + i->off);
    bool repeated = i->on >= 2 && i->off >= 2;
    double mean[3] = {i->sum[0] / n * MICRO, i->sum[1] / n * MICRO, i->sum[2] / n * MICRO};
    double size = sqrt(mean[0] * mean[0] + mean[1] * mean[1] + mean[2] * mean[2]) / MICRO;
    const char *verdict = judge(i, limits, repeated);
    sm_json_add_text(doc, o, "item", i->name);
    sm_json_add_integer(doc, o, "times", i->on + i->off);
    sm_json_add_numbers(doc, o, "step_on_ut", mean, 3);
    sm_json_add_number(doc, o, "heading_deg", i->heading_rad * DEG);
    sm_json_add_number(doc, o, "field_share_percent",
                       limits && n > 0 ? 100 * i->size / limits->field_t : (double)NAN);
    sm_json_add_bool(doc, o, "over", strcmp(verdict, "over") == 0);
    sm_json_add_number(doc, o, "scatter_ut", scatter(i) * MICRO);
    sm_json_add_bool(doc, o, "repeated", repeated);
    sm_json_add_integer(doc, o, "not_measured", i->missed);
    sm_json_add_text(doc, o, "verdict", verdict);
    sm_json_add_text(doc, o, "reason", item_reason(i, repeated, size));
    return verdict;
}

static void events_json(const sm_hold_event *events, size_t n, sm_json_doc *doc, sm_json *object)
{
    sm_json *a = sm_json_add_array(doc, object, "events");
    for (size_t i = 0; i < n; i++) {
        const sm_hold_event *e = &events[i];
        double step[3] = {e->step_t[0] * MICRO, e->step_t[1] * MICRO, e->step_t[2] * MICRO};
        sm_json *o = sm_json_append_object(doc, a);
        sm_json_add_number(doc, o, "t_s", e->t_s);
        sm_json_add_text(doc, o, "item", e->item);
        sm_json_add_text(doc, o, "state", e->on ? "on" : "off");
        sm_json_add_numbers(doc, o, "step_ut", step, 3);
        sm_json_add_number(doc, o, "heading_deg", e->heading_rad * DEG);
        sm_json_add_text(doc, o, "reason", e->reason);
    }
}

static void limits_json(const sm_hold_limits *limits, sm_json_doc *doc, sm_json *object)
{
    sm_json *o = sm_json_add_object(doc, object, "limits");
    double nan = (double)NAN;
    sm_json_add_number(doc, o, "heading_deg", limits ? limits->heading_rad * DEG : nan);
    sm_json_add_number(doc, o, "field_ut", limits ? limits->field_t * MICRO : nan);
    sm_json_add_number(doc, o, "share_percent", limits ? 100 * limits->share : nan);
}

sm_status hold_items_json(const sm_hold_event *events, size_t n, const sm_hold_limits *limits,
                          sm_hold_verdict *verdict, sm_json_doc *doc, sm_json *object,
                          sm_error *err)
{
    item *items = sm_alloc_array(n + 1, sizeof *items);
    if (!items) {
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    size_t n_items = gather(events, n, items);
    qsort(items, n_items, sizeof *items, worst_first);
    events_json(events, n, doc, object);
    limits_json(limits, doc, object);
    sm_json *a = sm_json_add_array(doc, object, "items");
    size_t over = 0;
    size_t open = 0;
    for (size_t i = 0; i < n_items; i++) {
        const char *said = item_json(&items[i], limits, doc, sm_json_append_object(doc, a));
        over += strcmp(said, "over") == 0;
        open += strcmp(said, "unassessed") == 0;
    }
    if (over > 0) {
        *verdict = SM_HOLD_RESTLESS;
    } else if (open > 0 && *verdict == SM_HOLD_STILL) {
        *verdict = SM_HOLD_UNASSESSED;
    }
    sm_free(items);
    return SM_OK;
}
