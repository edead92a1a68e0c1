/* Powertrain file -> shafts and the orders that they are expected to make. */
#ifndef STILLMOUNT_POWERTRAIN_H
#define STILLMOUNT_POWERTRAIN_H

#include "stillmount/block.h"
#include "stillmount/number.h"
#include "stillmount/status.h"

enum {
    SM_MAX_ACCESSORIES = 16,
    SM_MAX_FIRINGS = 36,
    SM_MAX_AVOID = 8,
    SM_MAX_ORDERS = 96,
    SM_ORDER_ALSO = 4,
};

typedef struct sm_accessory {
    char name[48];
    sm_ratio ratio;   /* crank revolutions per revolution of this shaft */
    double slip;      /* fraction: the line may sit this far off */
    bool independent; /* own speed: no orders of the crank */
} sm_accessory;

typedef struct sm_powertrain {
    char name[128];
    sm_shaft rpm_of; /* whose rpm the log and the bands speak of */
    bool has_engine; /* without: the propeller shaft is the reference; without that too: the drive
                        shaft of a [motor], which is the crank in names like rpm_of */
    int strokes;     /* 4 or 2 */
    long cylinders;
    double firing_deg[SM_MAX_FIRINGS]; /* [deg] of the cycle; n_firings = 0: evenly spaced */
    size_t n_firings;
    bool has_gearbox;
    sm_ratio gear;       /* as written: crank revolutions per propeller revolution; 1/1 without */
    bool gear_has_teeth; /* written as p/q: q is the tooth count on the crank's side */
    bool has_propeller;
    long blades;
    bool constant_speed; /* propeller type */
    long pole_pairs;     /* [motor]; 0 = none */
    long slots;
    sm_accessory accessories[SM_MAX_ACCESSORIES];
    size_t n_accessories;
    double idle_rpm; /* [operating], of the rpm_of shaft; NaN = not given */
    double max_rpm;
    double avoid_rpm[SM_MAX_AVOID][2];
    size_t n_avoid;
    double full_power_s; /* NaN = not given */
} sm_powertrain;

typedef enum sm_order_kind {
    SM_ORDER_CRANK = 0,
    SM_ORDER_FIRING, /* firing order and its multiples */
    SM_ORDER_PROP,
    SM_ORDER_BLADE, /* blade pass and its multiples */
    SM_ORDER_MESH,
    SM_ORDER_ACCESSORY,
    SM_ORDER_MOTOR,
    SM_ORDER_EXTRA, /* only a budget names it */
} sm_order_kind;

typedef struct sm_order {
    char label[80]; /* "crank 0.5", "crank 2 (firing)", "prop 1", "prop 3 (blade pass)" */
    char also[SM_ORDER_ALSO][80]; /* coinciding orders of other shafts */
    size_t n_also;
    sm_order_kind kind;
    sm_shaft shaft; /* crank, or propeller */
    sm_ratio ratio; /* cycles per revolution of the reference shaft (crank, else propeller) */
    double order;   /* the same as a double */
    double slip;    /* of an accessory */
} sm_order;

typedef struct sm_order_table {
    sm_order items[SM_MAX_ORDERS]; /* rising */
    size_t n;
} sm_order_table;

/** SM_OK; SM_E_IO; SM_E_FORMAT (unknown key or section, nearest name given); SM_E_VALUE;
 * SM_E_NOMEM. */
SM_API SM_NODISCARD sm_status sm_powertrain_read(const char *path, sm_powertrain *out,
                                                 sm_error *err);
SM_API SM_NODISCARD sm_status sm_powertrain_parse(const char *text, size_t n, const char *source,
                                                  sm_powertrain *out, sm_error *err);

/**
 * Expected orders: crank 0.5 .. max(4, 2 x firing) in steps of 1/2 (four-stroke) or 1 (two-stroke);
 * firing x 1..4; propeller 1..2 x blades and blade pass x 1..4; accessories x 1, 2; gear mesh from
 * the teeth as written; motor orders; drive 1..4 of a motor alone. Coinciding ones are one entry.
 * Orders above max_order (of the reference shaft) are left out.
 *
 * extra     in  labels that a budget names ("prop 1", "crank 2.5"), n_extra of them
 * Returns SM_OK; SM_E_VALUE (a label that names no shaft of this powertrain)
 */
SM_API SM_NODISCARD sm_status sm_powertrain_orders(const sm_powertrain *p, double max_order,
                                                   const char *const *extra, size_t n_extra,
                                                   sm_order_table *out, sm_error *err);
/** Ratio of an order label ("crank 2", "prop 3 (blade pass)", "firing", "blade pass") to the
 * reference. */
SM_API SM_NODISCARD sm_status sm_powertrain_order_ratio(const sm_powertrain *p, const char *label,
                                                        sm_ratio *out, sm_error *err);
/** Index in the table of an order with that ratio, or -1. */
SM_API long sm_order_table_find(const sm_order_table *t, sm_ratio ratio);

/** Revolutions of the reference shaft per revolution of the given shaft. */
SM_API double sm_powertrain_reference_per(const sm_powertrain *p, sm_shaft shaft);
/** Lines of text that say which orders cannot be told apart or lie close; "" when none. */
SM_API void sm_powertrain_coincidences(const sm_powertrain *p, const sm_order_table *t,
                                       sm_text *out);
/** What an order means, in the words for people: "once per propeller turn: balance, ...". */
SM_API const char *sm_order_meaning(const sm_powertrain *p, const sm_order *o);

#endif
