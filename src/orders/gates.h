/* What a found speed must show before it is believed. */
#ifndef SM_ORDERS_GATES_H
#define SM_ORDERS_GATES_H

#include "orders/tacholess.h"

typedef struct sm_speed_gates {
    float *seen; /* [n_frames] expected orders with a peak */
    double mean_seen;
    double explained; /* share of the lines of constant order that the grid explains */
    double signature; /* how often the weakest shaft's strongest line of its own is there */
    double wander;    /* rms of ln speed about its mean, seconds averaged */
} sm_speed_gates;

SM_NODISCARD sm_status sm_speed_gates_make(const sm_peak_map *m, const sm_emission *e,
                                           const sm_emission *table, const sm_speed_path *path,
                                           sm_speed_gates *out);
/** Fills signature: over the accepted frames (any, when none is), 1 where one shaft is all. */
void sm_speed_signature(const sm_peak_map *m, const sm_emission *e, const sm_speed_path *path,
                        const unsigned char *accepted, sm_speed_gates *out);
/**
 * Lines per frame at the odd quarter orders, less those beside them: one shaft makes none, and the
 * crank behind 3/2 makes them when the propeller's speed is taken for its own.
 */
double sm_speed_quarters(const sm_peak_map *m, const sm_emission *table, const sm_speed_path *path);
/**
 * Where the speed seems to jump by a simple factor although lines run on, one side is wrong: it
 * loses its trust. False: which side that is cannot be told.
 */
bool sm_speed_settle_jumps(const sm_speed_grid *g, const sm_peak_map *m, const sm_speed_path *path,
                           unsigned char *accepted);
void sm_speed_gates_free(sm_speed_gates *g);

/** Speed from the peaks themselves near the path, then smoothed; path->hz is improved in place. */
SM_NODISCARD sm_status sm_speed_refine(const sm_peak_map *m, const sm_emission *e,
                                       sm_speed_path *path);
/** Mean over +- half frames that do not cross a gap, in place. */
SM_NODISCARD sm_status sm_speed_average(const sm_peak_map *m, float *x, size_t half);

#endif
