/* The survey as its callers see it: opening, feeding, finishing, freeing. */
#include "stillmount/survey.h"

#include "core/alloc.h"
#include "survey/part.h"
#include "survey/workers.h"

#include <math.h>
#include <string.h>

enum { MAP_COLUMNS = 240, MOST_PARTS = 16 };

struct sm_survey {
    sm_survey_options opt;
    sm_survey_result res;
    sm_part parts[MOST_PARTS];
    size_t n_parts;
    sm_workers *workers;
    sm_comb *comb;
    size_t n_source;
    bool ended;
};

static bool is_surveyed(sm_role role)
{
    return role == SM_ROLE_ACCEL || role == SM_ROLE_GYRO || role == SM_ROLE_MAG;
}

/* The limits on this channel whose value is a power per frame. */
static void find_slots(const sm_budget *b, sm_channel_stat *c)
{
    for (size_t l = 0; l < b->n_limits; l++) {
        const sm_limit *limit = &b->limits[l];
        bool framed = limit->measure == SM_MEASURE_RMS || limit->measure == SM_MEASURE_LINE;
        bool matches = false;
        for (size_t k = 0; k < limit->n_patterns; k++) {
            matches |=
                sm_pattern_matches(&limit->patterns[k], c->info.place, c->info.role, c->info.axis);
        }
        if (framed && matches) {
            c->slot_limit[c->n_slots++] = l;
        }
    }
}

static sm_status make_bands(sm_survey *s)
{
    sm_survey_result *r = &s->res;
    r->n_bands = sm_budget_bands(s->opt.budget);
    r->bands = sm_alloc_array(r->n_bands, sizeof *r->bands);
    for (size_t i = 0; r->bands && i < r->n_bands; i++) {
        sm_band *b = &r->bands[i];
        sm_budget_band(s->opt.budget, i, &b->rpm_lo, &b->rpm_hi);
        b->required = sm_budget_band_required(s->opt.budget, i);
        b->n_cells = sm_budget_cells(b->rpm_lo, b->rpm_hi);
        b->channels = sm_alloc_array(r->n_channels + 1, sizeof *b->channels);
        if (!b->channels) {
            return SM_E_NOMEM;
        }
    }
    return r->bands ? SM_OK : SM_E_NOMEM;
}

static sm_status make_detail(sm_survey *s)
{
    sm_survey_result *r = &s->res;
    const sm_budget *b = s->opt.budget;
    double top = b->has_limits ? b->rpm_hi : 12000;
    r->tracks = sm_alloc_array(s->opt.orders->n + 1, sizeof *r->tracks);
    r->map.rpm0 = b->has_limits ? b->rpm_lo : 0;
    r->map.n_rpm = (size_t)ceil((top - r->map.rpm0) / SM_CELL_RPM);
    r->map.hz_step = fmax(r->bin_hz, 0.4 * r->rate_hz / MAP_COLUMNS);
    r->map.n_hz = (size_t)floor(0.4 * r->rate_hz / r->map.hz_step);
    r->map.p = sm_alloc_array(r->n_channels * r->map.n_rpm * r->map.n_hz + 1, sizeof(float));
    r->map.n = sm_alloc_array(r->map.n_rpm + 1, sizeof(float));
    return r->tracks && r->map.p && r->map.n ? SM_OK : SM_E_NOMEM;
}

static sm_status make_parts(sm_survey *s, sm_error *err)
{
    /* The caller's thread and the reader's count as one: a second part would work out the angles
     * and phasors of all orders once more, which costs what it gains. */
    size_t n = s->opt.threads > 2 && !s->opt.detail ? (size_t)s->opt.threads - 1 : 1;
    n = n > MOST_PARTS ? MOST_PARTS : n;
    n = n > s->res.n_channels ? s->res.n_channels : n;
    n = n < 1 ? 1 : n;
    size_t first = 0;
    for (size_t i = 0; i < n; i++) {
        size_t next = s->res.n_channels * (i + 1) / n;
        s->n_parts++;
        sm_status st = sm_part_open(&s->parts[i], &s->opt, &s->res, s->comb, first, next - first,
                                    i ? &s->parts[0] : NULL, err);
        if (st != SM_OK) {
            return st;
        }
        first = next;
    }
    s->res.plans = sm_tracker_plans(s->parts[0].tracker);
    if (s->opt.threads > 1 && sm_workers_open(s->parts, n, s->n_source, &s->workers) != SM_OK) {
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "cannot start threads: use --threads 1");
    }
    return SM_OK;
}

sm_status sm_survey_open(const sm_channel *channels, size_t n_channels, double rate_hz,
                         const sm_survey_options *opt, sm_survey **out, sm_error *err)
{
    if (!(rate_hz > 0) || !opt || !opt->budget || !opt->powertrain || !opt->orders ||
        n_channels > SM_MAX_CHANNELS) {
        return sm_error_set(err, SM_E_ARG, NULL, 0, "a survey needs channels, rate and options");
    }
    sm_survey *s = sm_alloc_array(1, sizeof *s);
    if (!s) {
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    s->opt = *opt;
    s->n_source = n_channels;
    sm_survey_result *r = &s->res;
    r->rate_hz = rate_hz;
    r->n_frame = sm_frame_length(rate_hz);
    r->bin_hz = rate_hz / (double)r->n_frame;
    r->n_bins = r->n_frame / 2 + 1;
    r->frame_s = (double)r->n_frame / rate_hz;
    r->rpm_min = r->rpm_max = NAN;
    r->channels = sm_alloc_array(n_channels + 1, sizeof *r->channels);
    for (size_t i = 0; r->channels && i < n_channels; i++) {
        if (is_surveyed(channels[i].role)) {
            sm_channel_stat *c = &r->channels[r->n_channels++];
            *c = (sm_channel_stat){.i_source = i, .info = channels[i]};
            find_slots(opt->budget, c);
        }
    }
    size_t n_turns = (opt->orders->n + 1) * (r->n_channels + 1) * SM_DIRECTIONS;
    r->turns = sm_alloc_array(n_turns, sizeof *r->turns);
    sm_status st = r->channels && r->turns ? make_bands(s) : SM_E_NOMEM;
    st = st == SM_OK && opt->detail ? make_detail(s) : st;
    if (st != SM_OK) {
        (void)sm_error_set(err, st, NULL, 0, "out of memory");
    } else {
        st = sm_comb_open(opt->powertrain, opt->orders, r->n_channels, r->n_bands, r->n_bins,
                          r->bin_hz, &s->comb, err);
        r->comb = s->comb;
        st = st == SM_OK ? make_parts(s, err) : st;
    }
    if (st != SM_OK) {
        sm_survey_close(&s);
        return st;
    }
    *out = s;
    return SM_OK;
}

static sm_status push(void *self, const sm_block *b, sm_error *err)
{
    sm_survey *s = self;
    for (size_t i = 0; i < s->n_parts; i++) {
        sm_part_look(&s->parts[i], b);
    }
    if (s->workers) {
        return sm_workers_push(s->workers, b, err);
    }
    double step_si[SM_MAX_CHANNELS];
    sm_part_steps(&s->parts[0], step_si);
    return sm_part_push(&s->parts[0], b, step_si, err);
}

static sm_status mark(void *self, sm_mark m, double t_s, sm_error *err)
{
    sm_survey *s = self;
    return s->workers ? sm_workers_mark(s->workers, m, t_s, err)
                      : sm_part_mark(&s->parts[0], m, t_s, err);
}

sm_sink sm_survey_sink(sm_survey *s)
{
    return (sm_sink){.self = s, .push = push, .mark = mark};
}

sm_status sm_survey_finish(sm_survey *s, sm_error *err)
{
    sm_status st = s->workers ? sm_workers_join(s->workers, err) : SM_OK;
    for (size_t i = 0; i < s->n_parts && st == SM_OK; i++) {
        st = sm_part_finish(&s->parts[i], err);
    }
    return st;
}

void sm_survey_set_clip(sm_survey *s, size_t i_source, const sm_clip_levels *levels)
{
    for (size_t i = 0; i < s->res.n_channels && levels; i++) {
        if (s->res.channels[i].i_source == i_source) {
            s->res.channels[i].clip = *levels;
        }
    }
}

const sm_survey_result *sm_survey_result_get(const sm_survey *s)
{
    return &s->res;
}

static void free_band_channel(sm_band_channel *bc, size_t n_slots)
{
    for (size_t i = 0; bc->slots && i < n_slots; i++) {
        sm_free(bc->slots[i].cell_p);
    }
    sm_free(bc->psd);
    sm_free(bc->lost);
    sm_free(bc->cells);
    sm_free(bc->slots);
    sm_free(bc->orders);
    sm_free(bc->order_cell_p);
    sm_free(bc->order_cell_n);
    sm_free(bc->sweep);
}

static void free_result(sm_survey *s)
{
    sm_survey_result *r = &s->res;
    for (size_t b = 0; r->bands && b < r->n_bands; b++) {
        for (size_t c = 0; r->bands[b].channels && c < r->n_channels; c++) {
            free_band_channel(&r->bands[b].channels[c], r->channels[c].n_slots);
        }
        sm_free(r->bands[b].channels);
    }
    for (size_t o = 0; r->tracks && o < s->opt.orders->n; o++) {
        sm_free(r->tracks[o].points);
        sm_free(r->tracks[o].re_pk);
        sm_free(r->tracks[o].im_pk);
    }
    sm_free(r->tracks);
    sm_free(r->turns);
    sm_free(r->bands);
    sm_free(r->channels);
    sm_free(r->lines);
    sm_free(r->map.p);
    sm_free(r->map.n);
}

void sm_survey_close(sm_survey **survey)
{
    sm_survey *s = *survey;
    if (!s) {
        return;
    }
    sm_workers_close(&s->workers);
    for (size_t i = 0; i < s->n_parts; i++) {
        sm_part_close(&s->parts[i]);
    }
    sm_comb_close(&s->comb);
    free_result(s);
    sm_free(s);
    *survey = NULL;
}
