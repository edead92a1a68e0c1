/* Physical quantities and the units that logs and budgets write. Case matters: g is not G. */
#ifndef STILLMOUNT_UNITS_H
#define STILLMOUNT_UNITS_H

#include "stillmount/status.h"

#include <stdbool.h>

typedef enum sm_quantity {
    SM_QUANTITY_NONE = 0,
    SM_QUANTITY_ACCELERATION, /* SI: m/s^2 */
    SM_QUANTITY_VELOCITY,     /* m/s */
    SM_QUANTITY_DISPLACEMENT, /* m */
    SM_QUANTITY_RATE,         /* rad/s */
    SM_QUANTITY_ANGLE,        /* rad */
    SM_QUANTITY_FIELD,        /* T */
    SM_QUANTITY_SPEED,        /* rev/min: the one that stays as people say it */
    SM_QUANTITY_TIME,         /* s */
    SM_QUANTITY_LEVEL,        /* tach pulse level or pulse count, no unit */
    SM_QUANTITY_COUNT
} sm_quantity;

/* Standard gravity, exact by definition (CGPM 1901). */
#define SM_G0_M_S2 9.80665

typedef struct sm_unit {
    const char *name; /* canonical spelling, static storage */
    sm_quantity quantity;
    double to_si; /* value in SI = value in this unit * to_si */
} sm_unit;

typedef enum sm_detector { SM_RMS = 0, SM_PEAK, SM_PP } sm_detector;

/** "acceleration", "rate", ...; "none" outside the enum. */
SM_API const char *sm_quantity_text(sm_quantity q);
/** "rms", "peak" or "pp". */
SM_API const char *sm_detector_text(sm_detector d);
/** Factor from an rms of a sinusoid to this detector: 1, sqrt 2, 2 sqrt 2. */
SM_API double sm_detector_factor(sm_detector d);

/**
 * Finds a unit by its spelling ("m/s^2", "m/s2", "m/s²", "dps", "deg/s", "°/s", "rad/s", "mg",
 * ...). Case-sensitive; blanks around are ignored. NULL when unknown. Static storage.
 */
SM_API const sm_unit *sm_unit_find(const char *name);
/** The unit in which a quantity is shown to people: g, in/s, mm, deg/s, deg, uT, rpm, s. */
SM_API const sm_unit *sm_unit_shown(sm_quantity q);

/* A number with its unit and, if written, its detector: "0.2 in/s peak", "0.01 g^2/Hz". */
typedef struct sm_measure_value {
    double value;        /* in unit (or unit^2/Hz when is_psd) */
    const sm_unit *unit; /* NULL when none was written */
    bool is_psd;         /* unit^2/Hz */
    bool percent;        /* "50 %", possibly followed by "of range" */
    bool has_detector;
    sm_detector detector;
} sm_measure_value;

/** Parses such a text. SM_OK; SM_E_FORMAT with a message that names the offending word. */
SM_API SM_NODISCARD sm_status sm_measure_value_read(const char *s, sm_measure_value *out,
                                                    sm_error *err);

#endif
