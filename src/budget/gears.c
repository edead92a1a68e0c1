/*
 * Is the powertrain file the machine's? A gear ratio that is a little off, a gearbox that was left
 * out, or a wrong number of blades make an order limit read beside the line it means. What the
 * tracked phases, the unlisted lines and the propeller's own orders say against it.
 */
#include "budget/score.h"
#include "core/util.h"

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

/* A line keeps its phase from one half window to the next; noise keeps a sixth of it. */
#define COHERENT 0.6
enum { TURNS_LEAST = 12 };
/* Gears do not slip: this much is no scatter. A prop 3 at 0.5 % loses 0.1 dB. */
#define RATIO_OFF 0.005
#define SURE 4.0 /* standard deviations */
/* A propeller turns this much of its engine's speed behind a gearbox (common practice). */
#define GEARED_LEAST 0.25
#define GEARED_MOST 0.95
#define STRONGER 10.0 /* in power: 10 dB */

/* How far a shaft's lines stand beside their places, as a share of its speed. */
typedef struct offset {
    double share;
    double sd; /* INFINITY: nothing is known */
} offset;

static bool at_place(const sm_score_view *v, size_t channel, const char *place)
{
    const sm_channel *c = &v->survey->channels[channel].info;
    return c->role != SM_ROLE_MAG && strcmp(c->place, place) == 0;
}

/* Turn of an order's phase between half windows, of the channel at the place that keeps it best;
 * one direction, or all of them for SM_DIRECTIONS. Returns its coherence, 0 = nothing. */
static double best_turn(const sm_score_view *v, const char *place, size_t order, size_t direction,
                        double *turn_rev, double *n)
{
    double best = 0;
    for (size_t i = 0; i < v->survey->n_channels; i++) {
        const sm_turn_stat *all =
            v->survey->turns + (order * v->survey->n_channels + i) * SM_DIRECTIONS;
        sm_turn_stat s = {0};
        for (size_t d = 0; d < SM_DIRECTIONS; d++) {
            if (direction == d || direction == SM_DIRECTIONS) {
                s.re += all[d].re;
                s.im += all[d].im;
                s.n += all[d].n;
            }
        }
        double coherence = s.n >= TURNS_LEAST ? hypot(s.re, s.im) / (double)s.n : 0;
        if (at_place(v, i, place) && coherence > best) {
            best = coherence;
            *turn_rev = atan2(s.im, s.re) / (2 * SM_PI);
            *n = (double)s.n;
        }
    }
    return best;
}

static bool is_own(const sm_score_view *v, size_t order, sm_shaft shaft)
{
    const sm_order *o = &v->orders->items[order];
    bool kind = shaft == SM_SHAFT_PROP ? o->kind == SM_ORDER_PROP || o->kind == SM_ORDER_BLADE
                                       : o->kind == SM_ORDER_CRANK || o->kind == SM_ORDER_FIRING;
    return kind && o->n_also == 0 && v->survey->plans[order].merged_into < 0;
}

/* All lines of a shaft together. The lowest order leads: its phase cannot have turned twice. */
static offset shaft_offset(const sm_score_view *v, const char *place, sm_shaft shaft,
                           size_t direction)
{
    double weight = 0;
    offset out = {0, INFINITY};
    for (size_t o = 0; o < v->orders->n; o++) {
        double turn = 0;
        double n = 0;
        double coherence = is_own(v, o, shaft) ? best_turn(v, place, o, direction, &turn, &n) : 0;
        if (coherence < COHERENT) {
            continue;
        }
        double half_rev = 0.5 * (double)v->survey->plans[o].window_rev;
        double order = v->orders->items[o].order;
        turn += nearbyint(out.share * order * half_rev - turn);
        double share = turn / half_rev / order;
        /* neighbouring half windows share their middles */
        double sd =
            sqrt(-2 * log(sm_min(coherence, 0.999)) / (n / 2)) / (2 * SM_PI) / half_rev / order;
        if (weight > 0 && fabs(share - out.share) > RATIO_OFF + SURE * (sd + out.sd)) {
            continue; /* another line in this one's window */
        }
        double w = 1 / (sd * sd);
        out.share = (out.share * weight + share * w) / (weight + w);
        weight += w;
        out.sd = 1 / sqrt(weight);
    }
    return out;
}

double sm_order_loss(const sm_score_view *v, const sm_result *r, size_t order)
{
    const sm_order *o = &v->orders->items[order];
    const char *place = v->survey->channels[r->i_channel].info.place;
    double worst = 0;
    for (size_t d = 0; d < SM_DIRECTIONS; d++) {
        offset off = shaft_offset(v, place, o->shaft, d);
        if (fabs(off.share) > SURE * off.sd) {
            worst = sm_max(worst, fabs(off.share));
        }
    }
    double bins = worst * o->order * (double)v->survey->plans[order].window_rev;
    if (bins < 0.01) {
        return 1;
    }
    /* transform of a Hann window beside its middle (Harris 1978) */
    return bins < 1.5 ? fabs(bins - 1) < 1e-6
                            ? 0.5
                            : sin(SM_PI * bins) / (SM_PI * bins) / (1 - bins * bins)
                      : 0;
}

/* An unlisted line below the crank's speed that is no half order: what a geared propeller makes. */
static const sm_line *geared_line(const sm_score_view *v, const char *place)
{
    for (size_t i = 0; i < v->survey->n_lines; i++) {
        const sm_line *l = &v->survey->lines[i];
        if (l->kind == SM_LINE_ORDER && at_place(v, l->i_channel, place) &&
            l->order > GEARED_LEAST && l->order < GEARED_MOST &&
            fabs(2 * l->order - nearbyint(2 * l->order)) > 0.04) {
            return l;
        }
    }
    return NULL;
}

static void say_gear(const sm_score_view *v, const char *place, double ratio, const char *written)
{
    sm_finding *f =
        sm_findings_add(sm_run_findings(v->run), "gear-contradicted", SM_WARNING, place, 1);
    sm_finding_text(f,
                    "the propeller's lines stand where a gear ratio of %.4g puts them, the "
                    "powertrain file says %s: count teeth or look into the engine's manual",
                    ratio, written);
    sm_finding_effect(f, "order limits on the propeller are unassessed at this place");
}

static void check_gear(const sm_score_view *v, const char *place)
{
    const sm_powertrain *p = v->powertrain;
    if (!p->has_engine || !p->has_propeller) {
        return;
    }
    char written[48];
    if (!p->has_gearbox) {
        const sm_line *line = geared_line(v, place);
        if (line) {
            say_gear(v, place, 1 / line->order, "that there is no gearbox");
        }
        return;
    }
    offset crank = shaft_offset(v, place, SM_SHAFT_CRANK, SM_DIRECTIONS);
    offset prop = shaft_offset(v, place, SM_SHAFT_PROP, SM_DIRECTIONS);
    double off = prop.share - (isinf(crank.sd) ? 0 : crank.share);
    if (fabs(off) > sm_max(RATIO_OFF, SURE * prop.sd)) {
        double ratio = sm_ratio_value(p->gear);
        (void)snprintf(written, sizeof written, "%.4g", ratio);
        say_gear(v, place, ratio / (1 + off), written);
    }
}

/* Mean power of a propeller order at a place, all channels in their own units' squares; the noise
 * of it in *noise. Only comparable between orders. */
static double prop_power(const sm_score_view *v, const char *place, long multiple, double *noise)
{
    double per = sm_powertrain_reference_per(v->powertrain, SM_SHAFT_PROP);
    double power = 0;
    *noise = 0;
    for (size_t o = 0; o < v->orders->n; o++) {
        if (!is_own(v, o, SM_SHAFT_PROP) ||
            fabs(v->orders->items[o].order * per - (double)multiple) > 1e-6) {
            continue;
        }
        for (size_t b = 0; b < v->survey->n_bands; b++) {
            for (size_t i = 0; i < v->survey->n_channels; i++) {
                const sm_band *band = &v->survey->bands[b];
                const sm_band_channel *bc = &band->channels[i];
                bool mine = at_place(v, i, place) && bc->cells && band->n_frames &&
                            v->survey->channels[i].info.role == SM_ROLE_ACCEL;
                double p = mine ? sm_order_power(v, band, bc, o, 0) : 0;
                power += isnan(p) ? 0 : p;
                *noise += mine && !isnan(p) ? sm_order_scatter(bc, o) : 0;
            }
        }
    }
    return power;
}

static void check_blades(const sm_score_view *v, const char *place)
{
    const sm_powertrain *p = v->powertrain;
    if (!p->has_gearbox || !p->has_propeller || p->blades < 2) {
        return; /* behind no gearbox the crank makes the same lines: it cannot be told */
    }
    double noise;
    double expected = sm_max(prop_power(v, place, p->blades, &noise),
                             prop_power(v, place, 2 * p->blades, &noise));
    for (long m = 2; m <= 2 * p->blades; m++) {
        double power = m % p->blades ? prop_power(v, place, m, &noise) : 0;
        if (power > STRONGER * expected && power > 100 * noise) {
            sm_finding *f = sm_findings_add(sm_run_findings(v->run), "blades-contradicted",
                                            SM_WARNING, place, 1);
            sm_finding_text(f,
                            "propeller order %ld is 10 dB stronger than the blade pass of %ld "
                            "blades: count the blades, or name the order by its number",
                            m, p->blades);
            sm_finding_effect(f, "limits on the blade pass are unassessed at this place");
            return;
        }
    }
}

/* A speed that another contradicts says nothing of gears and blades. */
static bool speed_stands(const sm_score_view *v, const char *place)
{
    size_t channels[SM_MAX_CHANNELS];
    sm_comb_result c;
    size_t n = sm_place_channels(v->survey, place, channels);
    sm_comb_result_get(v->survey->comb, channels, n, SIZE_MAX, &c);
    if (c.check != SM_COMB_CONTRADICTED) {
        return true;
    }
    sm_finding *f =
        sm_findings_add(sm_run_findings(v->run), "speed-contradicted", SM_WARNING, place, 1);
    sm_finding_text(f,
                    "the vibration fits another speed better (%s): check pulses per revolution, "
                    "shaft and gear ratio",
                    c.n_ambiguous ? c.ambiguous[0] : "a multiple of this one");
    sm_finding_effect(f, "levels and causes per rpm are in the wrong place, and every limit at "
                         "this place is unassessed");
    return false;
}

void sm_find_gears(const sm_score_view *v)
{
    for (size_t i = 0; i < v->survey->n_channels; i++) {
        const char *place = v->survey->channels[i].info.place;
        bool first = true;
        for (size_t k = 0; k < i; k++) {
            first = first && strcmp(place, v->survey->channels[k].info.place) != 0;
        }
        if (first && speed_stands(v, place)) {
            check_gear(v, place);
            check_blades(v, place);
        }
    }
}

void sm_check_gears(const sm_score_view *v, const sm_limit *l, sm_result *r, sm_flaws *f)
{
    bool blade = strstr(l->order_label, "blade") != NULL;
    if (l->measure != SM_MEASURE_ORDER || (!blade && strncmp(l->order_label, "prop", 4) != 0)) {
        return;
    }
    const char *place = v->survey->channels[r->i_channel].info.place;
    static const char *const codes[] = {"gear-contradicted", "blades-contradicted"};
    for (size_t i = 0; i < (blade ? 2 : 1); i++) {
        const sm_finding *found = sm_findings_get(sm_run_findings(v->run), codes[i], place);
        if (found) {
            f->blocks = true;
            sm_reasons_add(&r->reasons, codes[i], "%.230s", found->text);
        }
    }
}
