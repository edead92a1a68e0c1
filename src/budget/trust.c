/* Reasons not to believe a log: what makes a bad mount pass is rarely statistics. */
#include "budget/score.h"
#include "core/util.h"

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

bool sm_is_clipped(const sm_channel_stat *c, const sm_cell *cell)
{
    return sm_clip_is(&c->clip, cell->hi_si) || sm_clip_is(&c->clip, cell->lo_si);
}

/* Squared length of the mean of a place's accelerometer triad; NaN when an axis is missing. */
static double triad_mean_g(const sm_survey_result *s, const char *place, bool *ac_coupled)
{
    double sum = 0;
    int seen = 0;
    *ac_coupled = false;
    for (size_t i = 0; i < s->n_channels; i++) {
        const sm_channel_stat *c = &s->channels[i];
        if (c->info.role == SM_ROLE_ACCEL && strcmp(c->info.place, place) == 0) {
            sum += c->mean_si * c->mean_si;
            seen |= 1 << c->info.axis;
            *ac_coupled |= c->info.ac_coupled;
        }
    }
    return seen == 7 ? sqrt(sum) / SM_G0_M_S2 : (double)NAN;
}

#define GYRO_MEAN_MAX (15.0 * SM_PI / 180) /* standing on its wheels nothing turns this fast */
#define GYRO_RMS_MAX (150.0 * SM_PI / 180)
#define GYRO_RMS_MIN                                                                               \
    (1e-4 * SM_PI / 180) /* below any sensor's own noise beside a running engine                   \
                          */

sm_finding *sm_gyro_finding(const sm_score_view *v, const sm_channel *c)
{
    char sensor[96];
    (void)snprintf(sensor, sizeof sensor, "%.47s.gyro", c->place);
    sm_findings *all = sm_run_findings(v->run);
    return sm_findings_get(all, "gyro-implausible", sensor)
               ? NULL
               : sm_findings_add(all, "gyro-implausible", SM_BLOCKING, sensor, 1);
}

static void check_gyro(const sm_score_view *v, const sm_channel_stat *c)
{
    double mean = fabs(c->mean_si);
    if (mean <= GYRO_MEAN_MAX && c->rms_si <= GYRO_RMS_MAX && c->rms_si >= GYRO_RMS_MIN) {
        return;
    }
    sm_finding *f = sm_gyro_finding(v, &c->info);
    sm_finding_text(f,
                    "mean %.3g deg/s and rms %.3g deg/s cannot be an aircraft that stands: "
                    "check whether the column is in deg/s or rad/s",
                    c->mean_si * 180 / SM_PI, c->rms_si * 180 / SM_PI);
    sm_finding_effect(f, "limits on this gyro are unassessed");
}

void sm_check_channels(const sm_score_view *v)
{
    const sm_survey_result *s = v->survey;
    for (size_t i = 0; i < s->n_channels; i++) {
        const sm_channel_stat *c = &s->channels[i];
        sm_findings *all = sm_run_findings(v->run);
        if (c->n == 0 || c->step_si == 0) {
            sm_finding *f = sm_findings_add(all, "dead-channel", SM_BLOCKING, c->info.name, 1);
            sm_finding_text(f, "the channel never changes: sensor or cable is dead");
            sm_finding_effect(f, "limits on this channel are unassessed");
            continue;
        }
        double levels = (c->hi_si - c->lo_si) / c->step_si + 1;
        if (levels < 4) {
            sm_finding *f = sm_findings_add(all, "dead-channel", SM_BLOCKING, c->info.name, 1);
            sm_finding_text(f, "the channel shows fewer than 4 different values: it measures "
                               "nothing above its own resolution");
            sm_finding_effect(f, "limits on this channel are unassessed");
        }
        if (c->info.role == SM_ROLE_GYRO) {
            check_gyro(v, c);
        }
        if (c->info.role == SM_ROLE_ACCEL && c->info.axis == 0) {
            bool ac = false;
            double g = triad_mean_g(s, c->info.place, &ac);
            if (!ac && (g < 0.7 || g > 1.3)) {
                char name[96];
                (void)snprintf(name, sizeof name, "%s.accel", c->info.place);
                sm_finding *f = sm_findings_add(all, "gravity-implausible", SM_BLOCKING, name, 1);
                sm_finding_text(f,
                                "the mean of x, y and z is %.3g g instead of about 1 g: check the "
                                "unit, or say coupling = ac in the channels file",
                                g);
                sm_finding_effect(f, "limits on this place's accelerometers are unassessed");
            }
        }
    }
}

/* "mount.accel" speaks of all three axes, "" of the whole log. */
static bool finding_touches(const sm_finding *f, const sm_result *r)
{
    size_t n = strlen(f->channel);
    return n == 0 || (strncmp(f->channel, r->channel, n) == 0 &&
                      (r->channel[n] == '\0' || r->channel[n] == '.'));
}

/* Frequencies that a limit asks for in a band; NaN when it is not about a range. */
static void limit_range(const sm_score_view *v, const sm_limit *l, const sm_result *r,
                        double *bottom_hz, double *top_hz)
{
    sm_ratio ratio;
    *bottom_hz = l->hz_lo;
    *top_hz = l->hz_hi;
    if (l->measure == SM_MEASURE_ORDER &&
        sm_powertrain_order_ratio(v->powertrain, l->order_label, &ratio, NULL) == SM_OK) {
        const sm_band *b = &v->survey->bands[r->i_band];
        *bottom_hz = sm_ratio_value(ratio) * b->rpm_lo * v->shaft_per_rpm;
        *top_hz = sm_ratio_value(ratio) * b->rpm_hi * v->shaft_per_rpm;
    }
}

static void check_findings(const sm_score_view *v, const sm_limit *l, sm_result *r, sm_flaws *f)
{
    double bottom_hz;
    double top_hz;
    limit_range(v, l, r, &bottom_hz, &top_hz);
    const sm_findings *all = sm_run_findings(v->run);
    for (size_t i = 0; i < all->n; i++) {
        const sm_finding *item = &all->items[i];
        bool apart = item->hz_lo > top_hz || item->hz_hi < bottom_hz; /* false for NaN */
        /* clipping counts in the cells where it happened, which check_clipping() knows; noise can
           only make a reading high, which sm_check_ground() knows */
        bool elsewhere =
            strcmp(item->code, "clipped") == 0 || strcmp(item->code, "noise-floor-high") == 0;
        if (item->severity != SM_BLOCKING || elsewhere || apart || !finding_touches(item, r)) {
            continue;
        }
        f->blocks = true;
        /* a wrong unit can read high as well as low */
        f->blocks_all |= strstr(item->code, "implausible") || strstr(item->code, "dead") ||
                         strstr(item->code, "stuck");
        sm_reasons_add(&r->reasons, item->code, "%.230s", item->text);
    }
}

#define STUCK_S 0.1 /* equal samples for so long, and at least 40, beside a channel that moves */

static void check_stuck(const sm_score_view *v, sm_result *r, sm_flaws *f)
{
    const sm_band *b = &v->survey->bands[r->i_band];
    const sm_channel_stat *c = &v->survey->channels[r->i_channel];
    const sm_band_channel *bc = &b->channels[r->i_channel];
    double most = sm_max(40, STUCK_S * v->survey->rate_hz);
    for (size_t i = 0; i < b->n_cells * SM_DIRECTIONS; i++) {
        const sm_cell *cell = &bc->cells[i];
        /* a quiet channel of coarse steps stays on one step by itself */
        bool moves = cell->hi_si - cell->lo_si >= 8 * c->step_si;
        if (cell->n && moves && (double)cell->n_equal >= most) {
            f->blocks = true;
            sm_reasons_add(&r->reasons, "stuck",
                           "the channel holds one value for %.2f s in this band: the sensor or the "
                           "logger stood still there",
                           (double)bc->cells[i].n_equal / v->survey->rate_hz);
            return;
        }
    }
}

static void check_clipping(const sm_score_view *v, sm_result *r, sm_flaws *f)
{
    const sm_band *b = &v->survey->bands[r->i_band];
    const sm_channel_stat *c = &v->survey->channels[r->i_channel];
    const sm_band_channel *bc = &b->channels[r->i_channel];
    long cells = 0;
    for (size_t i = 0; i < b->n_cells * SM_DIRECTIONS; i++) {
        if (bc->cells[i].n && sm_is_clipped(c, &bc->cells[i])) {
            cells++;
            sm_finding *item =
                sm_findings_add(sm_run_findings(v->run), "clipped", SM_BLOCKING, c->info.name, 0);
            if (item && item->text[0] == '\0') {
                sm_finding_text(item,
                                "samples pile up at %.4g %s: the sensor or its amplifier was "
                                "overdriven; use a larger range",
                                sm_max(fabs(c->hi_si), fabs(c->lo_si)) / c->info.unit->to_si,
                                c->info.unit->name);
                sm_finding_effect(item, "bands with clipped samples cannot be within");
            }
        }
    }
    if (cells) {
        f->blocks = true;
        sm_reasons_add(&r->reasons, "clipped",
                       "samples are clipped in this band: the value is at least this; record again "
                       "with a larger range");
    }
}

/* Too weak to matter: below a tenth of the limit, or over the limit even without it. */
static bool alias_is_small(const sm_limit *l, const sm_result *r, const sm_line *line, double hz)
{
    if (l->measure != SM_MEASURE_RMS || isnan(r->max)) {
        return false;
    }
    double power = sm_integrated(line->mean_p, hz, l->integrations);
    double alias = power / (r->unit->to_si * r->unit->to_si);
    double max2 = r->max * r->max;
    return alias < 0.01 * max2 || r->value * r->value - alias > max2;
}

/* Frequencies that folding can reach from between half the rate and the declared bandwidth. */
static void check_alias(const sm_score_view *v, const sm_limit *l, sm_result *r, sm_flaws *f)
{
    const sm_channel_stat *c = &v->survey->channels[r->i_channel];
    const sm_band *b = &v->survey->bands[r->i_band];
    double rate = v->survey->rate_hz;
    double top = isnan(l->hz_hi) ? 0.4 * rate : l->hz_hi;
    double bottom = isnan(l->hz_lo) ? 0 : l->hz_lo;
    if (c->info.bandwidth_hz > rate / 2 && !c->info.anti_alias &&
        top > rate - c->info.bandwidth_hz) {
        f->blocks = f->blocks_all = true;
        sm_reasons_add(&r->reasons, "alias-risk",
                       "the sensor passes up to %.4g Hz but the log holds only %.4g Hz: higher "
                       "frequencies may have folded in; filter below half the rate",
                       c->info.bandwidth_hz, rate / 2);
    }
    for (size_t i = 0; i < v->survey->n_lines; i++) {
        const sm_line *line = &v->survey->lines[i];
        double rpm = sm_min(sm_max((b->rpm_lo + b->rpm_hi) / 2, line->rpm_lo), line->rpm_hi);
        double hz = fabs(line->fold * rate +
                         (line->fold > 0 ? -1 : 1) * line->order * rpm * v->shaft_per_rpm);
        if (line->kind != SM_LINE_ALIAS || (long)line->i_channel != r->i_channel ||
            rpm < b->rpm_lo || rpm > b->rpm_hi || hz < bottom || hz > top ||
            l->measure == SM_MEASURE_ORDER || alias_is_small(l, r, line, hz)) {
            continue;
        }
        f->blocks = f->blocks_all = true;
        sm_reasons_add(&r->reasons, "alias-line",
                       "a line near %.4g Hz is order %.4g folded down by the sampling: it is not "
                       "there in truth; record at a higher rate",
                       hz, line->order);
    }
}

static void check_range(const sm_score_view *v, const sm_limit *l, sm_result *r, sm_flaws *f)
{
    const sm_channel_stat *c = &v->survey->channels[r->i_channel];
    double rate = v->survey->rate_hz;
    double top;
    double bottom;
    limit_range(v, l, r, &bottom, &top);
    if (isnan(top)) {
        return; /* peak, coning, level */
    }
    double declared = c->info.bandwidth_hz > 0 ? c->info.bandwidth_hz : (double)INFINITY;
    /* a slower sensor that was interpolated onto the log's grid holds nothing above its own rate */
    double own_rate = c->info.native_rate_hz > 0 ? sm_min(rate, c->info.native_rate_hz) : rate;
    double usable = sm_min(0.4 * own_rate, declared);
    double lowest = l->integrations ? sm_max(2, 4 * v->survey->bin_hz) : 4 * v->survey->bin_hz;
    if (l->measure == SM_MEASURE_ORDER && !l->integrations) {
        lowest = 0; /* a fit has no bins */
    }
    if (top > usable * (1 + 1e-9) || bottom < lowest * (1 - 1e-9)) {
        f->blocks = true;
        sm_reasons_add(&r->reasons, "range-not-usable",
                       "the limit asks for %.4g to %.4g Hz; this log can answer from %.4g to %.4g "
                       "Hz: record at a higher rate or change the limit",
                       bottom, top, lowest, usable);
    }
}

size_t sm_place_channels(const sm_survey_result *s, const char *place, size_t *out)
{
    size_t n = 0;
    for (size_t i = 0; i < s->n_channels; i++) {
        if (strcmp(s->channels[i].info.place, place) == 0 &&
            s->channels[i].info.role != SM_ROLE_MAG) {
            out[n++] = i;
        }
    }
    return n;
}

/* By the shaft that the limit names: coinciding orders are kept under the crank's name. */
static bool is_prop_order(const sm_score_view *v, const sm_limit *l)
{
    return v->powertrain->has_gearbox &&
           (strncmp(l->order_label, "prop", 4) == 0 || strncmp(l->order_label, "blade", 5) == 0);
}

/* A speed that is off by the same factor everywhere puts every frame into the wrong band. */
static bool check_scale(const sm_score_view *v, sm_result *r, sm_flaws *f)
{
    double s = sm_scaled_speed(v, v->survey->channels[r->i_channel].info.place);
    if (!(s > 0)) {
        return false;
    }
    f->blocks = true;
    sm_reasons_add(&r->reasons, "speed-contradicted",
                   "the vibration's lines stand where %.4g x this speed puts them, none where it "
                   "should: check the rpm's source, its pulses per revolution and the log's rate",
                   s);
    return true;
}

/* An order limit reads noise when the speed is not the one that shakes. */
static void check_speed(const sm_score_view *v, const sm_limit *l, sm_result *r, sm_flaws *f)
{
    size_t channels[SM_MAX_CHANNELS];
    size_t n = sm_place_channels(v->survey, v->survey->channels[r->i_channel].info.place, channels);
    sm_comb_result c;
    sm_comb_result_get(v->survey->comb, channels, n, SIZE_MAX, &c);
    if (c.check == SM_COMB_UNCONFIRMED && check_scale(v, r, f)) {
        return;
    }
    if (l->measure != SM_MEASURE_ORDER && c.check != SM_COMB_CONTRADICTED) {
        return;
    }
    sm_comb_result_get(v->survey->comb, channels, n, r->i_band, &c);
    bool confirmed = c.check == SM_COMB_CONFIRMED;
    if (confirmed && is_prop_order(v, l)) {
        /* a wrong gear ratio leaves the crank's orders right and reads noise for the propeller */
        sm_comb_result whole;
        sm_comb_result_get(v->survey->comb, channels, n, SIZE_MAX, &whole);
        confirmed = whole.seen_prop;
        c.check = SM_COMB_UNCONFIRMED;
    }
    if (confirmed) {
        return;
    }
    f->blocks = true;
    if (c.check == SM_COMB_CONTRADICTED) {
        sm_reasons_add(&r->reasons, "speed-contradicted",
                       "the vibration fits another speed better (%s): check pulses per revolution, "
                       "shaft and gear ratio",
                       c.n_ambiguous ? c.ambiguous[0] : "a multiple of this one");
        return;
    }
    sm_reasons_add(&r->reasons, "speed-not-confirmed",
                   "the expected orders do not stand out of the noise here as they should: the "
                   "speed, the ratio or the pulses per revolution may be wrong");
}

double sm_lost_value(const sm_score_view *v, const sm_result *r)
{
    const sm_limit *l = &v->budget->limits[r->i_limit];
    const double *lost = v->survey->bands[r->i_band].channels[r->i_channel].lost;
    if (!lost || l->measure == SM_MEASURE_PSD) {
        return lost ? lost[r->i_limit] : 0;
    }
    bool peak = l->measure == SM_MEASURE_PEAK; /* of the raw samples: no detector */
    double factor = peak ? 1 : sm_detector_factor(l->detector);
    return sqrt(lost[r->i_limit]) / r->unit->to_si * factor;
}

static void check_lost(const sm_score_view *v, sm_result *r, sm_flaws *f)
{
    double value = sm_lost_value(v, r);
    if (value > r->max) {
        f->blocks = true;
        sm_reasons_add(&r->reasons, "speed-lost",
                       "while the speed was lost on the way through here this limit read up to "
                       "%.3g: nobody knows at which rpm. Record this band again",
                       value);
    }
}

void sm_check_trust(const sm_score_view *v, sm_result *r, sm_flaws *f)
{
    const sm_limit *l = &v->budget->limits[r->i_limit];
    check_findings(v, l, r, f);
    sm_check_ground(v, r, f);
    check_range(v, l, r, f);
    check_stuck(v, r, f);
    check_clipping(v, r, f);
    check_alias(v, l, r, f);
    check_speed(v, l, r, f);
    check_lost(v, r, f);
    sm_check_spikes(v, l, r, f);
    sm_check_gears(v, l, r, f);
}
