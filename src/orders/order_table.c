/* Shafts -> expected orders, exact ratios, coincidences known. */
#include "stillmount/powertrain.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Order of the crank (or drive) shaft, and of the propeller, as an order of the reference shaft. */
static sm_ratio of_crank(const sm_powertrain *p, sm_ratio order)
{
    return p->has_engine ? sm_ratio_reduce(order) : sm_ratio_mul(order, p->gear);
}

static sm_ratio of_prop(const sm_powertrain *p, sm_ratio order)
{
    return p->has_engine ? sm_ratio_div(order, p->gear) : sm_ratio_reduce(order);
}

static sm_ratio firing_ratio(const sm_powertrain *p)
{
    return sm_ratio_reduce((sm_ratio){p->cylinders, p->strokes == 4 ? 2 : 1});
}

static bool has_label(const sm_order *o, const char *label)
{
    bool known = strcmp(o->label, label) == 0;
    for (size_t k = 0; k < o->n_also; k++) {
        known |= strcmp(o->also[k], label) == 0;
    }
    return known;
}

static void add(sm_order_table *t, double max_order, sm_order o)
{
    if (o.ratio.num <= 0 || sm_ratio_value(o.ratio) > max_order) {
        return;
    }
    o.order = sm_ratio_value(o.ratio);
    size_t i = 0;
    while (i < t->n && t->items[i].order < o.order && !sm_ratio_equal(t->items[i].ratio, o.ratio)) {
        i++;
    }
    if (i < t->n && sm_ratio_equal(t->items[i].ratio, o.ratio)) {
        sm_order *twin = &t->items[i];
        if (!has_label(twin, o.label) && twin->n_also < SM_ORDER_ALSO) {
            (void)snprintf(twin->also[twin->n_also++], sizeof twin->also[0], "%s", o.label);
        }
        return;
    }
    if (t->n == SM_MAX_ORDERS) {
        return;
    }
    memmove(&t->items[i + 1], &t->items[i], (t->n - i) * sizeof t->items[0]);
    t->items[i] = o;
    t->n++;
}

/* Multiples of firing and of blade pass say so: "crank 4 (firing x 2)". */
static void label_multiple(sm_order *o, const char *shaft, double number, const char *what,
                           int64_t times)
{
    if (times == 1) {
        (void)snprintf(o->label, sizeof o->label, "%s %.6g (%s)", shaft, number, what);
    } else {
        (void)snprintf(o->label, sizeof o->label, "%s %.6g (%s x %d)", shaft, number, what,
                       (int)times);
    }
}

static sm_order crank_order(const sm_powertrain *p, sm_ratio order)
{
    sm_order o = {.kind = SM_ORDER_CRANK, .shaft = SM_SHAFT_CRANK, .ratio = of_crank(p, order)};
    double number = sm_ratio_value(order);
    sm_ratio times = p->has_engine ? sm_ratio_div(order, firing_ratio(p)) : (sm_ratio){1, 2};
    if (times.den == 1) {
        o.kind = SM_ORDER_FIRING;
        label_multiple(&o, "crank", number, "firing", times.num);
    } else {
        (void)snprintf(o.label, sizeof o.label, "%s %.6g", p->has_engine ? "crank" : "drive",
                       number);
    }
    return o;
}

static sm_order prop_order(const sm_powertrain *p, sm_ratio order)
{
    sm_order o = {.kind = SM_ORDER_PROP, .shaft = SM_SHAFT_PROP, .ratio = of_prop(p, order)};
    double number = sm_ratio_value(order);
    if (p->blades > 0 && order.den == 1 && order.num % p->blades == 0) {
        o.kind = SM_ORDER_BLADE;
        label_multiple(&o, "prop", number, "blade pass", order.num / p->blades);
    } else {
        (void)snprintf(o.label, sizeof o.label, "prop %.6g", number);
    }
    return o;
}

static sm_order mesh_order(const sm_powertrain *p)
{
    sm_order o = {.kind = SM_ORDER_MESH,
                  .shaft = SM_SHAFT_CRANK,
                  .ratio = of_crank(p, (sm_ratio){p->gear.den, 1})};
    (void)snprintf(o.label, sizeof o.label, "crank %d (gear mesh)", (int)p->gear.den);
    return o;
}

static sm_order accessory_order(const sm_powertrain *p, const sm_accessory *a, int64_t k)
{
    sm_order o = {.kind = SM_ORDER_ACCESSORY, .shaft = SM_SHAFT_CRANK, .slip = a->slip};
    o.ratio = of_crank(p, sm_ratio_div((sm_ratio){k, 1}, a->ratio));
    (void)snprintf(o.label, sizeof o.label, "%s %d", a->name, (int)k);
    return o;
}

static void add_motor(const sm_powertrain *p, double max_order, sm_order_table *t)
{
    const struct {
        long order;
        const char *what;
    } lines[] = {
        {p->pole_pairs, "electrical"}, {2 * p->pole_pairs, "electrical x 2"}, {p->slots, "slots"}};
    for (size_t i = 0; i < sizeof lines / sizeof lines[0]; i++) {
        if (lines[i].order > 0) {
            sm_order o = {.kind = SM_ORDER_MOTOR,
                          .shaft = SM_SHAFT_CRANK,
                          .ratio = of_crank(p, (sm_ratio){lines[i].order, 1})};
            (void)snprintf(o.label, sizeof o.label, "motor %ld (%s)", lines[i].order,
                           lines[i].what);
            add(t, max_order, o);
        }
    }
}

static void add_engine(const sm_powertrain *p, double max_order, sm_order_table *t)
{
    sm_ratio firing = firing_ratio(p);
    double top = fmax(4, 2 * sm_ratio_value(firing));
    int64_t den = p->strokes == 4 ? 2 : 1;
    for (int64_t k = 1; (double)k / (double)den <= top; k++) {
        add(t, max_order, crank_order(p, sm_ratio_reduce((sm_ratio){k, den})));
    }
    for (int64_t k = 1; k <= 4; k++) {
        add(t, max_order, crank_order(p, sm_ratio_mul(firing, (sm_ratio){k, 1})));
    }
}

/* A motor or a shaft alone. */
static void add_drive(const sm_powertrain *p, double max_order, sm_order_table *t)
{
    for (int64_t k = 1; k <= 4; k++) {
        add(t, max_order, crank_order(p, (sm_ratio){k, 1}));
    }
}

static void add_propeller(const sm_powertrain *p, double max_order, sm_order_table *t)
{
    for (int64_t k = 1; k <= 2 * p->blades; k++) {
        add(t, max_order, prop_order(p, (sm_ratio){k, 1}));
    }
    for (int64_t k = 1; k <= 4; k++) {
        add(t, max_order, prop_order(p, (sm_ratio){k * p->blades, 1}));
    }
}

/* A label's words without "(...)", split into shaft and number ("" when there is none). */
static void split_label(const char *label, char shaft[128], char number[64])
{
    (void)snprintf(shaft, 128, "%s", label);
    size_t n = strcspn(shaft, "(");
    while (n && shaft[n - 1] == ' ') {
        n--;
    }
    shaft[n] = '\0';
    char *last = strrchr(shaft, ' ');
    double v;
    number[0] = '\0';
    if (last && sm_number_read(last, &v)) {
        (void)snprintf(number, 64, "%s", last + 1);
        *last = '\0';
    }
}

static bool accessory_from_label(const sm_powertrain *p, const char *shaft, sm_ratio r,
                                 sm_order *out)
{
    for (size_t i = 0; i < p->n_accessories; i++) {
        const sm_accessory *a = &p->accessories[i];
        if (strcmp(shaft, a->name) == 0 && r.den == 1 && !a->independent) {
            *out = accessory_order(p, a, r.num);
            return true;
        }
    }
    return false;
}

static bool order_from_label(const sm_powertrain *p, const char *label, sm_order *out)
{
    char shaft[128];
    char number[64];
    split_label(label, shaft, number);
    sm_ratio r = {1, 1};
    if (number[0] && sm_ratio_read(number, &r) != SM_OK) {
        return false;
    }
    r = sm_ratio_reduce(r);
    bool numbered = number[0] != '\0';
    if (numbered && strcmp(shaft, p->has_engine ? "crank" : "drive") == 0) {
        *out = crank_order(p, r);
    } else if (numbered && strcmp(shaft, "prop") == 0 && (p->has_propeller || p->has_gearbox)) {
        *out = prop_order(p, r);
    } else if (strcmp(shaft, "firing") == 0 && p->has_engine) {
        *out = crank_order(p, sm_ratio_mul(firing_ratio(p), r));
    } else if (strcmp(shaft, "blade pass") == 0 && p->has_propeller) {
        *out = prop_order(p, sm_ratio_mul((sm_ratio){p->blades, 1}, r));
    } else if (strcmp(shaft, "mesh") == 0 && p->gear_has_teeth) {
        *out = mesh_order(p);
    } else {
        return numbered && accessory_from_label(p, shaft, r, out);
    }
    return true;
}

static sm_status no_such_order(const char *label, sm_error *err)
{
    return sm_error_set(err, SM_E_VALUE, NULL, 0,
                        "'%.60s' names no order of this powertrain: write one like 'crank 2', "
                        "'prop 1', 'firing' or 'blade pass'",
                        label);
}

sm_status sm_powertrain_order_ratio(const sm_powertrain *p, const char *label, sm_ratio *out,
                                    sm_error *err)
{
    sm_order o;
    if (!order_from_label(p, label, &o)) {
        return no_such_order(label, err);
    }
    *out = o.ratio;
    return SM_OK;
}

sm_status sm_powertrain_orders(const sm_powertrain *p, double max_order, const char *const *extra,
                               size_t n_extra, sm_order_table *out, sm_error *err)
{
    sm_order_table t = {.n = 0};
    if (p->has_engine) {
        add_engine(p, max_order, &t);
    } else if (p->has_gearbox) {
        add(&t, max_order, crank_order(p, (sm_ratio){1, 1}));
    } else if (!p->has_propeller) {
        add_drive(p, max_order, &t);
    }
    if (p->has_propeller) {
        add_propeller(p, max_order, &t);
    } else if (p->has_gearbox) {
        add(&t, max_order, prop_order(p, (sm_ratio){1, 1}));
    }
    for (size_t i = 0; i < p->n_accessories; i++) {
        if (!p->accessories[i].independent) {
            add(&t, max_order, accessory_order(p, &p->accessories[i], 1));
            add(&t, max_order, accessory_order(p, &p->accessories[i], 2));
        }
    }
    if (p->gear_has_teeth) {
        add(&t, max_order, mesh_order(p));
    }
    add_motor(p, max_order, &t);
    for (size_t i = 0; i < n_extra; i++) {
        sm_order o;
        if (!order_from_label(p, extra[i], &o)) {
            return no_such_order(extra[i], err);
        }
        add(&t, max_order, o);
    }
    *out = t;
    return SM_OK;
}

long sm_order_table_find(const sm_order_table *t, sm_ratio ratio)
{
    for (size_t i = 0; i < t->n; i++) {
        if (sm_ratio_equal(t->items[i].ratio, ratio)) {
            return (long)i;
        }
    }
    return -1;
}

void sm_powertrain_coincidences(const sm_powertrain *p, const sm_order_table *t, sm_text *out)
{
    (void)p;
    for (size_t i = 0; i < t->n; i++) {
        for (size_t k = 0; k < t->items[i].n_also; k++) {
            sm_text_addf(out, "%s and %s are one line: a run cannot tell them apart\n",
                         t->items[i].label, t->items[i].also[k]);
        }
    }
    for (size_t i = 0; i + 1 < t->n; i++) {
        double d = t->items[i + 1].order - t->items[i].order;
        if (d < 0.1) {
            sm_text_addf(out,
                         "%s and %s lie %.3f orders apart: %.0f turns are needed to part "
                         "them\n",
                         t->items[i].label, t->items[i + 1].label, d, ceil(1.5 / d));
        }
    }
}

static const char *crank_meaning(const sm_powertrain *p, const sm_order *o)
{
    if (!p->has_engine) {
        return o->ratio.num == 1 ? "once per turn of the drive shaft: balance, bent shaft"
                                 : "a multiple of the drive shaft's turn: alignment, looseness";
    }
    if (o->ratio.den == 2) {
        return "a half order: one cylinder unlike the others";
    }
    if (o->ratio.num == 1 && o->ratio.den == 1) {
        return o->n_also ? "once per turn of crank and propeller: balance; which of the two, a run "
                           "cannot tell"
                         : "once per crank turn: crank or flywheel balance, or a cylinder pair";
    }
    return "a multiple of the crank's turn: piston and rod forces";
}

const char *sm_order_meaning(const sm_powertrain *p, const sm_order *o)
{
    switch (o->kind) {
    case SM_ORDER_FIRING:
        return "the cylinders firing in turn: the mounts decide how much of it arrives";
    case SM_ORDER_BLADE:
        return "air off the blades; weights do not cure it";
    case SM_ORDER_PROP:
        return strcmp(o->label, "prop 1") == 0
                   ? "once per propeller turn: balance, blade track or pitch, bent flange"
                   : "a multiple of the propeller's turn: blades unlike each other, or loose parts";
    case SM_ORDER_MESH:
        return "gear teeth meeting";
    case SM_ORDER_ACCESSORY:
        return "an accessory shaft: pulley, belt or its own unbalance";
    case SM_ORDER_MOTOR:
        return "the motor's own magnetic forces";
    default:
        return crank_meaning(p, o);
    }
}
