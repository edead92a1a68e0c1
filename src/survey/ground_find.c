/* What the ground accumulator saw, as findings. */
#include "core/util.h"
#include "survey/ground_parts.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Common practice, no source, all of these. */
static const double MATTERS = 0.01;      /* of a limit's power: a tenth of its amplitude */
static const double LARGE = 0.25;        /* half of its amplitude */
static const double ROCK_ACCEL_G = 0.02; /* rms; less is a breath of wind on any aircraft */
static const double ROCK_GYRO_RAD_S = SM_PI / 180;

/* What a limit allows on a channel, and what disturbs it there. */
typedef struct demand {
    const sm_limit *limit;
    sm_ground_share share;
    double max2;
} demand;

static bool speaks_of(const sm_limit *l, const sm_channel *c)
{
    for (size_t i = 0; i < l->n_patterns; i++) {
        const sm_pattern *p = &l->patterns[i];
        if (p->role == c->role && (p->axis < 0 || p->axis == c->axis) &&
            (strcmp(p->place, "*") == 0 || strcmp(p->place, c->place) == 0)) {
            return true;
        }
    }
    return false;
}

/* The limit on which `part` of the share weighs most; share 0 when none. */
static demand worst(const sm_ground *g, const sm_budget *b, const sm_channel *c, size_t i_source,
                    size_t part)
{
    demand d = {.max2 = 1};
    double most = -1;
    for (size_t i = 0; b && b->has_limits && i < b->n_limits; i++) {
        const sm_limit *l = &b->limits[i];
        if (!speaks_of(l, c) || isnan(l->max_si)) {
            continue;
        }
        sm_ground_share s = sm_ground_share_of(g, i_source, l);
        double max = l->max_si / sm_detector_factor(l->detector);
        double v[3] = {s.lines, s.noise, s.rocking};
        if (v[part] / (max * max) > most && v[part] > 0) {
            most = v[part] / (max * max);
            d = (demand){l, s, max * max};
        }
    }
    return d;
}

static double shown(const sm_channel *c, double power_si)
{
    return sqrt(power_si) / (c->unit ? c->unit->to_si : 1);
}

static const char *unit_of(const sm_channel *c)
{
    return c->unit ? c->unit->name : "";
}

/* Lines of a place, each once, as the channel shows it that has it strongest for its quantity. */
typedef struct place_lines {
    struct {
        double hz;
        double power_si;
        double weight; /* power over what the role usually shows */
        const sm_channel *c;
    } items[SM_GROUND_LINES];
    size_t n;
    bool much; /* matters to a limit, or beside the running engine */
} place_lines;

static void merge_line(place_lines *p, const sm_ground_line *l, const sm_channel *c,
                       double width_hz)
{
    double usual = c->role == SM_ROLE_ACCEL ? SM_G0_M_S2 : 10 * SM_PI / 180;
    double weight = l->power_si / (usual * usual);
    size_t i = 0;
    while (i < p->n && fabs(p->items[i].hz - l->hz) > width_hz) {
        i++;
    }
    if (i == SM_GROUND_LINES) {
        return;
    }
    p->n = i == p->n ? i + 1 : p->n;
    if (!(p->items[i].weight >= weight)) {
        p->items[i].hz = l->hz;
        p->items[i].power_si = l->power_si;
        p->items[i].weight = weight;
        p->items[i].c = c;
    }
}

static void gather_lines(const sm_ground *g, size_t place, const sm_budget *b, place_lines *p)
{
    for (size_t i = 0; i < g->result.n_channels; i++) {
        const sm_ground_channel *ch = &g->result.channels[i];
        double sum = 0;
        for (size_t k = 0; k < ch->n_lines && g->place[i] == (long)place; k++) {
            merge_line(p, &ch->lines[k], &g->info[ch->i_source], 1.5 * g->result.bin_hz);
            sum += ch->lines[k].power_si;
        }
        if (sum > 0) {
            demand d = worst(g, b, &g->info[ch->i_source], ch->i_source, 0);
            p->much |= d.limit
                           ? d.share.lines > MATTERS * d.max2
                           : sum > MATTERS * ch->running_power_si; /* false when it is not known */
        }
    }
}

static void report_lines(const sm_ground *g, size_t place, const sm_budget *b, sm_findings *out)
{
    place_lines p = {.n = 0};
    gather_lines(g, place, b, &p);
    if (p.n == 0 || !g->has_speed) { /* without a speed nobody knows that the engine was off */
        return;
    }
    double lo = INFINITY;
    double hi = 0;
    char list[160] = "";
    for (size_t i = 0; i < p.n; i++) {
        size_t n = strlen(list);
        (void)snprintf(list + n, sizeof list - n, "%s%.4g Hz (%.2g %s rms)", i ? ", " : "",
                       p.items[i].hz, shown(p.items[i].c, p.items[i].power_si),
                       unit_of(p.items[i].c));
        lo = sm_min(lo, p.items[i].hz);
        hi = sm_max(hi, p.items[i].hz);
    }
    const char *told = NULL; /* the place whose finding says what to do */
    for (size_t i = place; i-- > 0;) {
        const char *name = g->result.places[i].place;
        told = sm_findings_get(out, "electrical-line", name) ? name : told;
    }
    sm_finding *f = sm_findings_add(out, "electrical-line", p.much ? SM_WARNING : SM_NOTE,
                                    g->result.places[place].place, (long)p.n);
    if (f) {
        f->hz_lo = lo;
        f->hz_hi = hi;
    }
    sm_finding_place(f, g->result.off[0].from_s, g->result.off[0].to_s, 0);
    sm_finding_effect(f, p.much ? "readings around it are too high: within stays within, over only "
                                  "because of it is unassessed"
                                : "none worth counting; an order that crosses it is less sure");
    if (told) {
        sm_finding_text(f, "%s: there with the engine off, as at %s: do what is said there", list,
                        told);
        return;
    }
    sm_finding_text(f,
                    "%s: there with the engine off, so something electric shakes, or the cable "
                    "picks it up. Engine off, switch consumers off one by one and watch it; lay "
                    "the cable elsewhere; then record again",
                    list);
}

static void report_noise(const sm_ground *g, const sm_ground_channel *ch, const sm_budget *b,
                         sm_findings *out)
{
    if (!ch->psd || g->result.n_off_frames < 4) {
        return;
    }
    const sm_channel *c = &g->info[ch->i_source];
    demand d = worst(g, b, c, ch->i_source, 1);
    double noise = d.limit ? d.share.noise : ch->off_power_si;
    bool given = b && b->has_limits;
    bool high = d.limit ? noise > LARGE * d.max2 : !given && noise > LARGE * ch->running_power_si;
    if (!high) {
        return;
    }
    bool hopeless = d.limit && noise > d.max2;
    sm_finding *f =
        sm_findings_add(out, "noise-floor-high", hopeless ? SM_BLOCKING : SM_WARNING, c->name, 1);
    if (f && d.limit) {
        f->hz_lo = d.limit->hz_lo;
        f->hz_hi = d.limit->hz_hi;
    }
    sm_finding_place(f, g->result.off[0].from_s, g->result.off[0].to_s, 0);
    if (d.limit) {
        sm_finding_effect(f,
                          "limit %.40s cannot show its reserve here; over only because of it is "
                          "unassessed",
                          d.limit->name);
        sm_finding_text(
            f,
            "with the engine off the channel reads %.2g %s rms in %.4g-%.4g Hz, the "
            "limit allows %.2g %s. Use a quieter sensor or a smaller range, or find "
            "what shakes the aircraft with the engine off (wind, people, other engines)",
            shown(c, noise), unit_of(c), d.limit->hz_lo, d.limit->hz_hi, shown(c, d.max2),
            unit_of(c));
        return;
    }
    sm_finding_effect(f, "levels here are mostly the sensor's own; causes cannot be told");
    sm_finding_text(f,
                    "with the engine off the channel reads %.2g %s rms, with it running %.2g. Use "
                    "a quieter sensor or a smaller range, or find what shakes the aircraft with "
                    "the engine off (wind, people, other engines)",
                    shown(c, noise), unit_of(c), shown(c, ch->running_power_si));
}

static void report_rocking(const sm_ground *g, const sm_ground_channel *ch, const sm_budget *b,
                           sm_findings *out)
{
    const sm_channel *c = &g->info[ch->i_source];
    demand d = worst(g, b, c, ch->i_source, 2);
    double least = c->role == SM_ROLE_ACCEL ? ROCK_ACCEL_G * SM_G0_M_S2 : ROCK_GYRO_RAD_S;
    bool much = d.limit && d.share.rocking > MATTERS * d.max2;
    if (ch->n_rock < 2 || (!much && ch->rock_power_si < least * least)) {
        return;
    }
    sm_finding *f =
        sm_findings_add(out, "airframe-rocking", much ? SM_WARNING : SM_NOTE, c->name, ch->n_rock);
    if (f) {
        f->hz_lo = ch->rock_hz[0];
        f->hz_hi = ch->rock_hz[1];
    }
    sm_finding_place(f, ch->rock_s[0], ch->rock_s[1], 0);
    sm_finding_effect(f, much ? "readings below 5 Hz are too high: within stays within, over only "
                                "because of it is unassessed"
                              : "none on limits from 5 Hz up; attitude and stillness suffer");
    sm_finding_text(f,
                    "the aircraft rocks at %.2g-%.2g Hz, %.2g %s rms, slower than anything the "
                    "engine turns. Chocks, tie-downs, struts and tyres; nose into the wind, or a "
                    "calmer hour",
                    ch->rock_hz[0], ch->rock_hz[1], shown(c, ch->rock_power_si), unit_of(c));
}

/* Some limit at that place reaches above hz; true without a budget. */
static bool reached(const sm_ground *g, const sm_budget *b, const char *place, double hz)
{
    if (!b || !b->has_limits) {
        return true;
    }
    for (size_t i = 0; i < b->n_limits; i++) {
        const sm_limit *l = &b->limits[i];
        for (size_t c = 0; c < g->n_picked; c++) {
            const sm_channel *ch = &g->info[g->picked[c]];
            double top = l->n_curve ? l->curve_hz[l->n_curve - 1] : l->hz_hi;
            if (strcmp(ch->place, place) == 0 && speaks_of(l, ch) && (isnan(top) || top > hz)) {
                return true;
            }
        }
    }
    return false;
}

static void report_ring(const sm_ground *g, const sm_ground_place *p, const sm_budget *b,
                        sm_findings *out)
{
    if (isnan(p->ring_hz)) {
        return;
    }
    double from_hz = p->ring_hz / 2;
    bool touches = reached(g, b, p->place, from_hz);
    long n = p->n_taps[0] + p->n_taps[1] + p->n_taps[2];
    sm_finding *f = sm_findings_add(out, "attachment-resonance", touches ? SM_BLOCKING : SM_WARNING,
                                    p->place, n);
    if (f) {
        f->hz_lo = from_hz;
        f->hz_hi = 0.5 * g->rate_hz;
    }
    for (long i = 0; i < n && i < SM_FINDING_PLACES; i++) {
        sm_finding_place(f, p->tap_s[i], p->tap_s[i], 0);
    }
    sm_finding_effect(f,
                      "limits that reach above %.3g Hz cannot be within: readings are too high "
                      "around %.3g Hz, too low above %.3g Hz",
                      from_hz, p->ring_hz, 1.41421356 * p->ring_hz);
    sm_finding_text(
        f,
        "tapped, the sensor rings on its own fixing at %.3g Hz, damping ratio %.2g "
        "(times %.2g along %c). Fix it hard: screws or hard glue on bare metal, no foam, "
        "no tape, no magnet; tap again, then record again",
        p->ring_hz, p->ring_damping, p->ring_gain, 'x' + p->ring_axis);
}

/* "x -z y" as one writes it; false when the tilts do not tell. */
static bool axes_words(const sm_ground_place *p, char *out, size_t n)
{
    (void)snprintf(out, n, "%s%c %s%c %s%c", p->found[0] < 0 ? "-" : "", 'w' + abs(p->found[0]),
                   p->found[1] < 0 ? "-" : "", 'w' + abs(p->found[1]), p->found[2] < 0 ? "-" : "",
                   'w' + abs(p->found[2]));
    return p->found[0] && p->found[1] && p->found[2];
}

static void report_axes(const sm_ground_place *p, sm_findings *out)
{
    char axes[32];
    if (p->axes != SM_AXES_CONTRADICTED) {
        return;
    }
    bool told = axes_words(p, axes, sizeof axes);
    sm_finding *f =
        sm_findings_add(out, p->oriented ? "orientation-contradicted" : "orientation-missing",
                        p->oriented ? SM_BLOCKING : SM_WARNING, p->place, 1);
    for (size_t i = 0; i < p->n_tilts; i++) {
        sm_finding_place(f, p->tilts[i].from_s, p->tilts[i].to_s, 0);
    }
    sm_finding_effect(f, p->oriented
                             ? "nothing at this place can be within: axes are not what they "
                               "are called"
                             : "limits on a single axis of this place are not judged");
    const char *doubt =
        "no turning of the sensor explains them. Were the tilts nose up, then right "
        "wing down? Else a sign is wrong, or the axes lie askew: correct";
    if (!told) {
        sm_finding_text(f,
                        "the two tilts do not fit the axes, and %s [orientation %s] and tilt again",
                        doubt, p->place);
    } else if (p->oriented) {
        sm_finding_text(f,
                        "the two tilts do not fit [orientation %s]: the aircraft's x y z are what "
                        "is now called %s. Correct it in the channels file, the log can stay",
                        p->place, axes);
    } else {
        sm_finding_text(f,
                        "the two tilts show the aircraft's x y z as the log's %s. Write "
                        "[orientation %s] and below it axes = %s in the channels file",
                        axes, p->place, axes);
    }
}

static void report_gyro(const sm_ground_place *p, sm_findings *out)
{
    if (p->gyro_axes != SM_AXES_CONTRADICTED) {
        return;
    }
    char name[64];
    (void)snprintf(name, sizeof name, "%s.gyro", p->place);
    sm_finding *f = sm_findings_add(out, "orientation-contradicted", SM_BLOCKING, name, 1);
    const sm_ground_tilt *t = &p->tilts[0];
    sm_finding_place(f, t->from_s, t->to_s, 0);
    sm_finding_effect(f, "gyro limits of this place cannot be within");
    sm_finding_text(f,
                    "in a tilt of %.3g deg the gyro turned by %.3g, %.3g, %.3g deg about x, y, z: "
                    "that is not the turn the accelerometer saw. Check the gyro's axes, signs and "
                    "unit (deg/s or rad/s) in the channels file",
                    t->angle_rad * 180 / SM_PI, t->gyro_share[0] * t->angle_rad * 180 / SM_PI,
                    t->gyro_share[1] * t->angle_rad * 180 / SM_PI,
                    t->gyro_share[2] * t->angle_rad * 180 / SM_PI);
}

void sm_ground_findings(const sm_ground *g, const sm_budget *budget, sm_findings *out)
{
    const sm_ground_result *r = &g->result;
    for (size_t i = 0; i < r->n_places; i++) {
        report_ring(g, &r->places[i], budget, out);
        report_axes(&r->places[i], out);
        report_gyro(&r->places[i], out);
        report_lines(g, i, budget, out);
    }
    for (size_t i = 0; i < r->n_channels; i++) {
        report_noise(g, &r->channels[i], budget, out);
        report_rocking(g, &r->channels[i], budget, out);
    }
}
