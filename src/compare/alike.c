/* Before and after: are the runs of one kind, and what is left out where they are not. */
#include "compare/runs.h"
#include "core/util.h"
#include "stillmount/run.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

typedef sm_compare_work work;

static const sm_channel_stat *stat_of(const sm_survey_result *s, const char *name)
{
    for (size_t i = 0; i < s->n_channels; i++) {
        if (strcmp(s->channels[i].info.name, name) == 0) {
            return &s->channels[i];
        }
    }
    return NULL;
}

/* The mean of a place's accelerometer without signs, as a unit vector. */
static bool gravity(const sm_survey_result *s, const char *place, double g[3])
{
    double sum = 0;
    int axes = 0;
    for (size_t i = 0; i < s->n_channels; i++) {
        const sm_channel_stat *c = &s->channels[i];
        int axis = c->info.axis;
        if (c->info.role == SM_ROLE_ACCEL && strcmp(c->info.place, place) == 0 && axis >= 0 &&
            axis < 3) {
            g[axis] = fabs(c->mean_si);
            sum += c->mean_si * c->mean_si;
            axes |= 1 << axis;
        }
    }
    double length = sqrt(sum);
    for (int k = 0; k < 3; k++) {
        g[k] /= length;
    }
    return axes == 7 && length > 0.7 * SM_G0_M_S2 && length < 1.3 * SM_G0_M_S2;
}

double sm_compare_turned_deg(const work *w, const char *place)
{
    double first[3] = {0};
    double most = (double)NAN;
    if (!gravity(sm_compare_first(w), place, first)) {
        return most;
    }
    for (size_t s = 0; s < 2; s++) {
        for (size_t r = 0; r < w->n[s]; r++) {
            double g[3] = {0};
            if (gravity(w->side[s][r].survey, place, g)) {
                double c = first[0] * g[0] + first[1] * g[1] + first[2] * g[2];
                double deg = acos(sm_min(c, 1)) * 180 / SM_PI;
                most = deg > most || isnan(most) ? deg : most;
            }
        }
    }
    return most;
}

bool sm_compare_pass_alike(const work *w, const char *channel, double hz[2])
{
    bool declared = true;
    for (size_t pass = 0; pass < 2; pass++) { /* the second where some run declares nothing */
        hz[0] = (double)INFINITY;
        hz[1] = 0;
        for (size_t s = 0; s < 2; s++) {
            for (size_t r = 0; r < w->n[s]; r++) {
                const sm_survey_result *survey = w->side[s][r].survey;
                const sm_channel_stat *c = stat_of(survey, channel);
                if (!c) {
                    continue;
                }
                declared = declared && c->info.bandwidth_hz > 0;
                double rate = c->info.native_rate_hz > 0 ? c->info.native_rate_hz : survey->rate_hz;
                double reach = declared ? c->info.bandwidth_hz : rate / 2;
                hz[0] = sm_min(hz[0], reach);
                hz[1] = sm_max(hz[1], reach);
            }
        }
        if (declared) {
            break;
        }
    }
    return !(hz[1] > 1.1 * hz[0]);
}

static bool is_vibration(const sm_channel *c)
{
    return c->role == SM_ROLE_ACCEL || c->role == SM_ROLE_GYRO;
}

/* Channels that one side has and the other lacks. */
static void channels_left(const work *w, sm_json_doc *doc, sm_json *list)
{
    for (size_t s = 0; s < 2; s++) {
        const sm_survey_result *has = w->side[s][0].survey;
        for (size_t i = 0; i < has->n_channels; i++) {
            const sm_channel *c = &has->channels[i].info;
            if (is_vibration(c) && !stat_of(w->side[1 - s][0].survey, c->name)) {
                char text[160];
                (void)snprintf(text, sizeof text, "%.100s: not recorded %s", c->name,
                               s ? "before" : "after");
                sm_json_append_text(doc, list, text);
            }
        }
    }
}

int sm_compare_lacks(const work *w, size_t b)
{
    for (int s = 0; s < 2 && !w->shared[b]; s++) {
        for (size_t r = 0; r < w->n[s]; r++) {
            if (w->side[s][r].survey->bands[b].visited) {
                return 1 - s;
            }
        }
    }
    return -1;
}

/* Neighbouring bands of one reason are one line. */
static void bands_left(const work *w, sm_json_doc *doc, sm_json *list)
{
    const sm_band *bands = sm_compare_first(w)->bands;
    for (size_t b = 0; b < w->n_bands; b++) {
        int side = sm_compare_lacks(w, b);
        size_t last = b;
        if (side < 0) {
            continue;
        }
        while (last + 1 < w->n_bands && sm_compare_lacks(w, last + 1) == side) {
            last++;
        }
        char text[120];
        (void)snprintf(text, sizeof text, "%.0f to %.0f rpm: not enough of it %s", bands[b].rpm_lo,
                       bands[last].rpm_hi, side ? "after" : "before");
        sm_json_append_text(doc, list, text);
        b = last;
    }
}

/* A limit that could be compared on some channel in no band at all. */
static void limit_left(const work *w, const sm_limit *l, sm_json_doc *doc, sm_json *list)
{
    const sm_compare_item *shown = NULL;
    size_t more = 0;
    for (size_t c = 0; c < sm_compare_first(w)->n_channels; c++) {
        const sm_compare_item *silent = NULL;
        bool any = false;
        for (size_t i = 0; i < w->n_items; i++) {
            const sm_compare_item *it = &w->items[i];
            if (it->limit == l && it->i_channel == c) {
                silent = it->code && !silent ? it : silent;
                any = any || !it->code;
            }
        }
        if (silent && !any) {
            shown = shown ? shown : silent;
            more += shown != silent;
        }
    }
    if (shown) {
        char text[400];
        char also[60] = "";
        if (more) {
            (void)snprintf(also, sizeof also, "; %zu more channel%s alike", more,
                           more == 1 ? "" : "s");
        }
        (void)snprintf(text, sizeof text, "limit %.60s: %.240s%s", l->name, shown->text, also);
        sm_json_append_text(doc, list, text);
    }
}

void sm_compare_left_out(const work *w, sm_json_doc *doc)
{
    sm_json *list = sm_json_add_array(doc, sm_json_root(doc), "not_compared");
    channels_left(w, doc, list);
    bands_left(w, doc, list);
    const sm_budget *b = w->setup->budget;
    for (size_t i = 0; i < b->n_limits; i++) {
        limit_left(w, &b->limits[i], doc, list);
    }
}
