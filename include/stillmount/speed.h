/*
 * Stage 3: shaft angle and rpm for every row. A filter between two sinks: blocks come in without
 * angle and go out with theta_rev (reference shaft) and rpm (shaft of rpm_of), delayed by at most
 * 2 s. Where the speed is not to be trusted both are NaN.
 *
 * With a once-per-rev pulse the angle of the pulse's own shaft is an integer at every pulse:
 * theta_rev on the crank, theta_rev / sm_powertrain_reference_per(p, SM_SHAFT_PROP) on the
 * propeller. A pulse on one shaft says nothing lasting about the phase of another shaft behind a
 * gearbox. After a gap, and after pulses that were not believed, the angle starts afresh at a
 * pulse.
 *
 * Blocks that leave are pieces of those that came: rows, times and i_row are unchanged, block
 * boundaries are not kept. With points, a declared speed or a fresh rpm column nothing is copied.
 */
#ifndef STILLMOUNT_SPEED_H
#define STILLMOUNT_SPEED_H

#include "stillmount/block.h"
#include "stillmount/powertrain.h"

typedef enum sm_speed_source {
    SM_SPEED_NONE = 0,
    SM_SPEED_TACH,
    SM_SPEED_COLUMN,
    SM_SPEED_LOG,      /* separate rpm log, aligned, as a prior of the estimate */
    SM_SPEED_NOTES,    /* typed notes, as a prior of the estimate */
    SM_SPEED_ESTIMATE, /* from the vibration itself */
    SM_SPEED_DECLARED, /* --rpm N */
} sm_speed_source;

/* A point of a speed known beforehand (from a pre-pass): rpm of the rpm_of shaft. */
typedef struct sm_speed_point {
    double t_s;
    double rpm;
    bool trusted; /* false: not accepted; rows here get NaN */
} sm_speed_point;

typedef struct sm_speed_options {
    sm_speed_source source;
    double declared_rpm;          /* SM_SPEED_DECLARED */
    const sm_speed_point *points; /* [n_points], rising in time: LOG, NOTES, ESTIMATE */
    size_t n_points;
    double clock_offset_s; /* SM_SPEED_LOG: what the pre-pass found; copied into the result */
} sm_speed_options;

/* Filled while blocks pass; complete after SM_MARK_END. */
typedef struct sm_speed_result {
    sm_speed_source source;
    double rpm_min; /* of rows with a trusted speed; NaN when none */
    double rpm_max;
    double confidence;     /* share of the rows with a trusted speed, 0..1 */
    bool phase_known;      /* theta counts from a once-per-rev pulse */
    sm_shaft pulse_shaft;  /* whose pulse */
    double clock_offset_s; /* add to the rpm log's time to get the log's time; NaN = not used */
    double *trace_t_s;     /* (n_trace) about 10 Hz; a log of more than 27 minutes keeps every
                              second point, of twice that every fourth; owned by the speed stage */
    double *trace_rpm;     /* NaN where not trusted */
    size_t n_trace;
} sm_speed_result;

typedef struct sm_speed sm_speed;

/** Which source a log offers, by the order of preference tach > column; NONE when neither. */
SM_API sm_speed_source sm_speed_offered(const sm_channel *channels, size_t n_channels);
/** "tach", "column", "log", "notes", "estimate", "declared", "none". */
SM_API const char *sm_speed_source_text(sm_speed_source s);

/**
 * channels  in  of the blocks that will come
 * p         in  powertrain; kept by reference
 * next      in  gets the blocks with angle; copied
 * findings  in  gets tach and speed findings; kept by reference
 *
 * Returns SM_OK; SM_E_NO_SPEED (the source asked for is not in the log); SM_E_VALUE; SM_E_NOMEM
 */
SM_API SM_NODISCARD sm_status sm_speed_open(const sm_channel *channels, size_t n_channels,
                                            double rate_hz, const sm_powertrain *p,
                                            const sm_speed_options *opt, const sm_sink *next,
                                            sm_findings *findings, sm_speed **out, sm_error *err);
/** The sink that feeds it. */
SM_API sm_sink sm_speed_sink(sm_speed *s);
SM_API const sm_speed_result *sm_speed_result_get(const sm_speed *s);
SM_API void sm_speed_close(sm_speed **s);

#endif
