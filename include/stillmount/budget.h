/* Budget file: the limits that a mount must keep, and the rpm bands that they are asked in. */
#ifndef STILLMOUNT_BUDGET_H
#define STILLMOUNT_BUDGET_H

#include "stillmount/block.h"
#include "stillmount/powertrain.h"
#include "stillmount/units.h"

enum {
    SM_MAX_LIMITS = 24,
    SM_MAX_PATTERNS = 8,
    SM_MAX_CURVE = 24,
    SM_MAX_BANDS = 400,
    SM_CELL_RPM = 25, /* bands are cut evenly into cells no wider than this */
};

typedef enum sm_measure {
    SM_MEASURE_RMS = 0,
    SM_MEASURE_LINE,
    SM_MEASURE_ORDER,
    SM_MEASURE_PSD,
    SM_MEASURE_PEAK,
    SM_MEASURE_CONING,
    SM_MEASURE_LEVEL,
    SM_MEASURE_COUNT
} sm_measure;

/* Which channels a limit speaks of: "mount.accel.*" is place "mount", role accel, axis any. */
typedef struct sm_pattern {
    char place[48]; /* "*" = any */
    sm_role role;
    int axis; /* 0..2; -1 = each of x, y, z */
} sm_pattern;

typedef struct sm_limit {
    char name[64];
    sm_pattern patterns[SM_MAX_PATTERNS];
    size_t n_patterns;
    sm_measure measure;
    double hz_lo; /* NaN = not about a frequency range */
    double hz_hi;
    char order_label[80]; /* measure = order */
    sm_quantity as;       /* quantity that is scored */
    int integrations;     /* from the channel's own quantity: 0, 1, 2 */
    double max_si;        /* NaN = none (a run without a budget) or percent of range */
    double max_of_range;  /* share of the sensor's range, NaN = not used */
    const sm_unit *unit;  /* of max, and of results */
    sm_detector detector;
    double curve_hz[SM_MAX_CURVE]; /* psd: breakpoints, log-log between them */
    double curve_si[SM_MAX_CURVE]; /* [SI^2/Hz] */
    size_t n_curve;
    bool pick_mean; /* false: the loudest cell and direction counts */
    bool any_axes;  /* axes = any: a missing axis is no result of its own */
    double reserve_db;
    long line; /* of its section in the file */
} sm_limit;

typedef struct sm_budget {
    char name[128];
    char source[200];  /* whose limits these are */
    bool is_invented;  /* source starts with "invented": verdicts say "example limits" */
    bool is_relative;  /* source starts with "relative" */
    bool is_reference; /* kind = reference: `thin` at best */
    bool has_limits;   /* false: made by sm_budget_none(): levels, no verdict */
    double rpm_lo;
    double rpm_hi;
    double step_rpm;
    double required_lo;
    double required_hi;
    double min_seconds;
    double min_turns;
    long min_passes;
    sm_limit limits[SM_MAX_LIMITS];
    size_t n_limits;
} sm_budget;

/** SM_OK; SM_E_IO; SM_E_FORMAT (unknown key, bad pattern: nearest name given); SM_E_VALUE;
 * SM_E_NOMEM */
SM_API SM_NODISCARD sm_status sm_budget_read(const char *path, sm_budget *out, sm_error *err);
SM_API SM_NODISCARD sm_status sm_budget_parse(const char *text, size_t n, const char *source,
                                              sm_budget *out, sm_error *err);
/**
 * What is measured when there is no budget: rms of every accelerometer and gyro channel from 5 Hz
 * to a quarter of the rate, 200-rpm bands on multiples of 200. has_limits is false.
 */
SM_API void sm_budget_none(double rate_hz, sm_budget *out);

/** Number of bands; a last step that does not fit is shortened. */
SM_API size_t sm_budget_bands(const sm_budget *b);
/** Edges of band i. */
SM_API void sm_budget_band(const sm_budget *b, size_t i, double *lo, double *hi);
/** Band of an rpm: bands are [lo, hi), the last one [lo, hi]; -1 outside. */
SM_API long sm_budget_band_of(const sm_budget *b, double rpm);
/** true when the band overlaps `required`. */
SM_API bool sm_budget_band_required(const sm_budget *b, size_t i);
/** Cells of a band: ceil(width / 25 rpm), at least 1. */
SM_API size_t sm_budget_cells(double lo, double hi);

/** "rms", "order", ... */
SM_API const char *sm_measure_text(sm_measure m);
/** true when the pattern takes that place, role and axis. */
SM_API bool sm_pattern_matches(const sm_pattern *p, const char *place, sm_role role, int axis);
/** Value of the curve at a frequency, [SI^2/Hz]; NaN outside its breakpoints. */
SM_API double sm_limit_curve_at(const sm_limit *l, double hz);

#endif
