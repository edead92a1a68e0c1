/*
 * Clipping: where a sensor ran into its range. One accumulator per channel, fed with blocks; at the
 * end it knows the levels, and any sample value can be asked. Who gathers cells keeps the largest
 * and smallest sample of each and asks for those: a cell holds a clipped sample exactly when one of
 * the two is clipped.
 */
#ifndef STILLMOUNT_CLIP_H
#define STILLMOUNT_CLIP_H

#include "stillmount/block.h"

/* A value >= hi_si or <= lo_si is clipped; NaN = that side is not. */
typedef struct sm_clip_levels {
    double hi_si;
    double lo_si;
    bool everywhere; /* clipped, but the samples were turned or resampled afterwards: no level can
                        tell which; take every cell of the channel as clipped */
} sm_clip_levels;

/** Is this sample clipped? NaN is not, unless the channel is clipped everywhere. */
SM_API bool sm_clip_is(const sm_clip_levels *levels, double value_si);

enum { SM_CLIP_VALUES = 8 };

/* Fields are private. Zero it, then sm_clip_start(). */
typedef struct sm_clip {
    double range_si;
    struct {
        double value[SM_CLIP_VALUES]; /* most extreme first */
        long count[SM_CLIP_VALUES];
        size_t n;
        long n_places; /* separate visits to the most extreme value */
        double last_s;
        sm_place first[4];
    } side[2];   /* 0 high, 1 low (negated) */
    long n_over; /* samples at or above 0.998 range */
    sm_place over[SM_FINDING_PLACES];
    size_t n_places;
    bool inside_over;
    double first_value; /* the log's first samples, while they are equal */
    long n_first;
    bool first_open;
} sm_clip;

/**
 * Declared range: clipped at 0.998 of it. Without: clipped where the most extreme value, met in two
 * places or held over the log's first 8 samples, occurs more often than the seven next to it
 * together. A sine's crest, even a coarsely quantised one, never does: for a crest the share is at
 * most 1 to 1.83.
 *
 * Misses: less than four clipped samples, clipping before a filter or a resampling.
 * Accuracy: tests/unit/test_clip.c. Source: derived there; 0.998 from scoring, trust.
 */
SM_API void sm_clip_start(sm_clip *c, double range_si);
/** n samples that begin at t0_s; lines may be NULL. NaN samples are left out. */
SM_API void sm_clip_push(sm_clip *c, const double *x_si, size_t n, double t0_s, double period_s,
                         const long *lines);
/** Pure and repeatable. */
SM_API sm_clip_levels sm_clip_levels_get(const sm_clip *c);
/** Clipped samples so far, and up to SM_FINDING_PLACES places. */
SM_API long sm_clip_count(const sm_clip *c, sm_place *places, size_t *n_places);

#endif
