/* What stamps say about time: period, how rough they are, where rows are missing. */
#ifndef SM_TIMEBASE_CLOCK_H
#define SM_TIMEBASE_CLOCK_H

#include "stillmount/status.h"

#include <stdbool.h>
#include <stdint.h>

typedef enum sm_clock_mode {
    SM_CLOCK_EXACT = 0, /* no stamps: rows are counted */
    SM_CLOCK_CLEAN,     /* stamps as regular as the samples: rows pass as they are */
    SM_CLOCK_LATE,      /* samples regular, stamps rounded, late or in bursts: rows pass */
    SM_CLOCK_TRUE,      /* stamps right, sampling irregular: resampled */
} sm_clock_mode;

enum { SM_CLOCK_WINDOW = 200 }; /* most stamps on each side of a step of the lower envelope */

typedef struct sm_clock {
    sm_clock_mode mode;
    double period_s;
    double median_s; /* median step between different stamps per row */
    double jitter_s; /* rms of the steps about the period, gaps left out */
    double gap_s;    /* a step of the lower envelope (LATE) or of the stamps above this is a gap */
    size_t window;   /* stamps on each side, LATE */
    double rows_per_stamp;
    bool burst;   /* several rows share a stamp */
    bool rounded; /* stamps are multiples of a coarse unit */
} sm_clock;

/*
 * Judges n stamps [s], rising or equal, from the look-ahead. The mode of rough stamps is LATE; the
 * referee may change it. SM_OK; SM_E_SHORT (no two different stamps); SM_E_NOMEM.
 *
 * Source: the project's study of time bases, shared slope over gap-free segments (DEVELOPERS.md).
 */
SM_NODISCARD sm_status sm_clock_judge(const double *stamp_s, size_t n, sm_clock *out);

/* Sums of the regression of time on row number with one slope and an intercept per segment. */
typedef struct sm_slope {
    double n; /* of the running segment */
    double mean_k;
    double mean_u;
    double s_kk;
    double s_ku;
    double total_kk;
    double total_ku;
} sm_slope;

void sm_slope_add(sm_slope *s, double k, double u);
/* n stamps of rows k0, k0 + 1, ...: the same as adding them one by one. */
void sm_slope_add_run(sm_slope *s, double k0, const double *u, size_t n);
void sm_slope_break(sm_slope *s); /* a gap: a new intercept */
/* Slope so far, or fallback when there is too little. */
double sm_slope_value(const sm_slope *s, double fallback);

/*
 * Finds gaps in late stamps as they come. A late stamp passes; a lost row lifts the lower envelope
 * of (stamp - period x rows) for good.
 */
typedef struct sm_envelope {
    sm_clock clock;
    struct {
        double u; /* stamp */
        double k; /* rows up to and including this stamp */
        double r; /* u - period * k, shifted by the gaps found */
        double e; /* own jump: u - u_before - rows * period */
    } ring[4 * SM_CLOCK_WINDOW];
    uint64_t n; /* stamps so far */
    uint64_t n_judged;
    double shift;
} sm_envelope;

void sm_envelope_open(sm_envelope *e, const sm_clock *clock);
/* One more stamp, after which rows_total rows have been seen. */
void sm_envelope_push(sm_envelope *e, double u, double rows_total);
/*
 * The next judged stamp, in order; end = nothing more will come, judge the rest. false: none yet.
 * *gap says whether rows are missing before it; *rows the rows up to and including it; *low the
 * lower envelope there: the time of row k is *low + period * k.
 */
bool sm_envelope_pop(sm_envelope *e, bool end, bool *gap, double *rows, double *low);

#endif
