/* Inside the search for a gear ratio: what is kept of the run. */
#ifndef SM_ORDERS_GEAR_H
#define SM_ORDERS_GEAR_H

#include "orders/peak_map.h"
#include "stillmount/gear.h"

enum { SM_GEAR_CHANNELS = 3, SM_GEAR_LINES = 4 };

/* One kept row: angle of the known shaft and the channels there. */
typedef struct sm_gear_row {
    double theta; /* [rev] */
    float x[SM_GEAR_CHANNELS];
    float starts; /* 1: first of a stretch */
} sm_gear_row;

struct sm_gear {
    const sm_powertrain *p;
    bool known_angle;
    sm_shaft known;
    double ref_per; /* turns of the reference shaft per turn of the known one */
    double rpm_lo;
    double rpm_hi;
    size_t pick[SM_GEAR_CHANNELS];
    size_t n_channels;
    size_t every; /* rows that make one kept row */
    size_t n_sum;
    sm_gear_row sum;
    bool fresh;
    sm_gear_row *rows;
    size_t n_rows;
    size_t capacity;
    sm_emission emission; /* for the heights of peaks */
    sm_peak_map map;      /* without a known angle */
};

/* Ratio against the known shaft. SM_OK, SM_E_NOMEM. */
SM_NODISCARD sm_status sm_gear_measure(const sm_gear *g, sm_gear_result *out);
/* Ratio and speed from the peaks alone. SM_OK, SM_E_NOMEM. */
SM_NODISCARD sm_status sm_gear_suggest(const sm_gear *g, sm_gear_result *out, sm_error *err);

#endif
