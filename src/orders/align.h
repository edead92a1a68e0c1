/* A slow rpm log is laid over the vibration: which clock offset fits best. */
#ifndef SM_ORDERS_ALIGN_H
#define SM_ORDERS_ALIGN_H

#include "orders/tacholess.h"
#include "stillmount/estimate.h"

typedef struct sm_alignment {
    double offset_s; /* run time = log time + offset */
    double fit;      /* mean log likelihood ratio along the log */
    double second;   /* best fit more than 3 s away */
    double width_s;  /* half width over which the fit is within 5 % */
    double span;     /* largest over smallest rpm in the overlap, less 1 */
    double overlap_s;
} sm_alignment;

/** SM_OK; SM_E_SHORT (no offset leaves enough overlap); SM_E_NOMEM. */
SM_NODISCARD sm_status sm_align_log(const sm_speed_grid *g, const sm_peak_map *m,
                                    const sm_rpm_log *log, double hz_per_rpm, sm_alignment *out);
/** rpm of the log at its time t_s, straight between readings at most 5 s apart; NaN outside. */
double sm_rpm_log_at(const sm_rpm_log *log, double t_s);
/** Adds the log, laid at this offset, to the fits; sigma of ln speed at least so large. */
void sm_align_log_apply(sm_speed_grid *g, const sm_peak_map *m, const sm_rpm_log *log,
                        double hz_per_rpm, double offset_s);
/** Notes: near each of them the speed is likely near its rpm. */
void sm_align_notes_apply(sm_speed_grid *g, const sm_peak_map *m, const sm_rpm_log *notes,
                          double hz_per_rpm);

#endif
