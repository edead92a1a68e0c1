/* Where a resonance would have to lie so that no strong order meets it at the rpm in use. */
#include "stillmount/resonance.h"

#include <math.h>
#include <string.h>

/* Common practice, no source: a bracket leaves so much room above the fastest line, a soft mount
 * isolates from sqrt 2 of its frequency on; a bracket is not made more than four times stiffer, and
 * isolators are not softer than 6 Hz: they would sag by 7 mm. */
#define ROOM_ABOVE 1.2
#define STIFFER_MOST 4.0
#define SOFTEST_HZ 6.0
/* Orders weaker than the strongest by more than this do not count. */
#define STRONG 0.03 /* power: 15 dB */

/* Mean square of an order over all that was recorded. */
static double order_power(const sm_survey_result *v, size_t channel, size_t order)
{
    double sum = 0;
    double n = 0;
    for (size_t b = 0; b < v->n_bands; b++) {
        const sm_band_channel *bc = &v->bands[b].channels[channel];
        for (size_t d = 0; bc->orders && d < SM_DIRECTIONS; d++) {
            sum += bc->orders[order * SM_DIRECTIONS + d].sum2[0];
            n += (double)bc->orders[order * SM_DIRECTIONS + d].n;
        }
    }
    return n > 0 ? sum / n : 0;
}

/* Is the order strong in any channel of the place? */
static bool is_strong(const sm_survey_result *v, size_t n_orders, const char *place, size_t order)
{
    for (size_t c = 0; c < v->n_channels; c++) {
        if (strcmp(v->channels[c].info.place, place) != 0) {
            continue;
        }
        double most = 0;
        for (size_t o = 0; o < n_orders; o++) {
            most = fmax(most, order_power(v, c, o));
        }
        if (order_power(v, c, order) > STRONG * most && most > 0) {
            return true;
        }
    }
    return false;
}

void sm_resonance_advise(const sm_resonance *r, const sm_survey_result *v,
                         const sm_order_table *orders, double shaft_per_rpm, double rpm_lo,
                         double rpm_hi, sm_resonance_advice *out)
{
    const char *place = v->channels[r->i_channel].info.place;
    double slowest = INFINITY;
    double fastest = 0;
    for (size_t o = 0; o < orders->n; o++) {
        bool counts = is_strong(v, orders->n, place, o);
        for (size_t k = 0; k < r->n_orders; k++) {
            counts |= r->order[k] == o;
        }
        if (counts) {
            slowest = fmin(slowest, orders->items[o].order * shaft_per_rpm * rpm_lo);
            fastest = fmax(fastest, orders->items[o].order * shaft_per_rpm * rpm_hi);
        }
    }
    *out = (sm_resonance_advice){.rpm_lo = rpm_lo, .rpm_hi = rpm_hi};
    out->stiffen_hz = ROOM_ABOVE * fastest;
    out->soften_hz = slowest / sqrt(2);
    out->stiffer = out->stiffen_hz * out->stiffen_hz / (r->hz * r->hz);
    out->softer = r->hz * r->hz / (out->soften_hz * out->soften_hz);
    bool can_stiffen = out->stiffer <= STIFFER_MOST;
    bool can_soften = out->soften_hz >= SOFTEST_HZ;
    bool outside = out->stiffer <= 1 || out->softer <= 1;
    out->way = outside                                                      ? SM_WAY_NONE_NEEDED
               : can_stiffen && (!can_soften || out->stiffer < out->softer) ? SM_WAY_STIFFEN
               : can_soften                                                 ? SM_WAY_SOFTEN
                                                                            : SM_WAY_NEITHER;
}

const char *sm_resonance_way_text(sm_resonance_way w)
{
    static const char *const words[] = {"neither", "stiffen", "soften", "none-needed"};
    return (unsigned)w < sizeof words / sizeof words[0] ? words[w] : words[0];
}
