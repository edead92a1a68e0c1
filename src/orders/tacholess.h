/* The most likely speed through a run's peak map, and how sure it is. */
#ifndef SM_ORDERS_TACHOLESS_H
#define SM_ORDERS_TACHOLESS_H

#include "orders/peak_map.h"

/* Speeds on a logarithmic grid, and how well each fits each frame. */
typedef struct sm_speed_grid {
    size_t n_states;
    size_t n_frames;
    double hz_lo; /* of the reference shaft */
    double step;  /* of ln hz */
    float *fit;   /* [n_frames][n_states] log likelihood ratio */
} sm_speed_grid;

typedef struct sm_speed_path {
    double *hz;         /* [n_frames] of the reference shaft, between the grid's states */
    unsigned short *at; /* [n_frames] state */
    float *posterior;   /* [n_frames] probability of being within 2 % of the path */
    double mean_fit;    /* per frame */
} sm_speed_path;

SM_NODISCARD sm_status sm_speed_grid_make(const sm_peak_map *m, const sm_emission *e, double hz_lo,
                                          double hz_hi, sm_speed_grid *out);
void sm_speed_grid_free(sm_speed_grid *g);
double sm_speed_grid_hz(const sm_speed_grid *g, double state);

/** Best path (Viterbi). avoid: states within 6 % of this path are forbidden; NULL = none. */
SM_NODISCARD sm_status sm_speed_path_find(const sm_speed_grid *g, const sm_peak_map *m,
                                          const unsigned short *avoid, sm_speed_path *out);
/** Forward-backward: posterior of the path. */
SM_NODISCARD sm_status sm_speed_path_posterior(const sm_speed_grid *g, const sm_peak_map *m,
                                               sm_speed_path *path);
void sm_speed_path_free(sm_speed_path *p);

#endif
