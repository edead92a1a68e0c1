/* What a found speed must show before it is believed. */
#ifndef SM_ORDERS_GATES_H
#define SM_ORDERS_GATES_H

#include "orders/tacholess.h"

typedef struct sm_speed_gates {
    float *seen; /* [n_frames] expected orders with a peak */
    double mean_seen;
    double explained; /* share of the lines of constant order that the grid explains */
    double wander;    /* rms of ln speed about its mean, seconds averaged */
} sm_speed_gates;

SM_NODISCARD sm_status sm_speed_gates_make(const sm_peak_map *m, const sm_emission *e,
                                           const sm_emission *table, const sm_speed_path *path,
                                           sm_speed_gates *out);
void sm_speed_gates_free(sm_speed_gates *g);

/** Speed from the peaks themselves near the path, then smoothed; path->hz is improved in place. */
SM_NODISCARD sm_status sm_speed_refine(const sm_peak_map *m, const sm_emission *e,
                                       sm_speed_path *path);
/** Mean over +- half frames that do not cross a gap, in place. */
SM_NODISCARD sm_status sm_speed_average(const sm_peak_map *m, float *x, size_t half);

#endif
