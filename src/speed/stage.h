/* Inside the speed stage: angle knots, the delay line, and the two sources that read channels. */
#ifndef SM_SPEED_STAGE_H
#define SM_SPEED_STAGE_H

#include "stillmount/speed.h"

/* No row waits longer than this for its angle (contract: delay <= 2 s). */
#define SM_SPEED_DELAY_S 2.0

/* A moment at which the angle is known; cubic Hermite between joined knots. */
typedef struct sm_knot {
    double t_s;
    double theta_rev; /* of the reference shaft */
    double hz;        /* of the reference shaft */
    bool joined;      /* the time since the knot before is trusted */
} sm_knot;

/* Knots in time order; those behind the rows already sent are dropped. */
typedef struct sm_knots {
    sm_knot *items;
    size_t head; /* the knot at or before the next row to decide */
    size_t n;
    size_t capacity;
    double blank_until_s; /* rows up to here are decided even without a knot behind them */
} sm_knots;

void sm_knots_reset(sm_knots *q);
void sm_knots_free(sm_knots *q);
SM_NODISCARD sm_status sm_knots_add(sm_knots *q, sm_knot k);
const sm_knot *sm_knots_last(const sm_knots *q);
/** Rows up to this time can be filled. */
double sm_knots_horizon(const sm_knots *q);
/** theta and rpm of n rows from t0_s on, all inside the horizon; rpm_per_hz turns hz into rpm. */
void sm_knots_fill(sm_knots *q, double t0_s, double rate_hz, size_t n, double rpm_per_hz,
                   double *theta_rev, double *rpm);

/* Rows that wait for their angle. Chunks are allocated once. */
typedef struct sm_delay_chunk {
    double *x; /* [n_channels][SM_COLUMN_STEP] */
    size_t n;
    size_t done; /* rows already sent */
    double t0_s;
    uint64_t i_row;
    long line;
} sm_delay_chunk;

typedef struct sm_delay {
    sm_delay_chunk *chunks;
    size_t n_chunks;
    size_t head;
    size_t used;
    size_t n_channels;
    double rate_hz;
} sm_delay;

SM_NODISCARD sm_status sm_delay_open(sm_delay *d, size_t n_channels, double rate_hz);
void sm_delay_close(sm_delay *d);
/** Copies rows [from, n_rows) of the block. The caller never holds more than the delay allows. */
void sm_delay_append(sm_delay *d, const sm_block *b, size_t from);
/** Time of the oldest row that waits; NaN when none. */
double sm_delay_oldest_s(const sm_delay *d);

/* An rpm column: changes and fresh values become knots. */
typedef struct sm_column {
    double hz_per_rpm; /* reference shaft */
    double rpm_limit;  /* above: not believed */
    double last_rpm;
    double last_row_s; /* of the last usable row */
    double change_s;   /* of the last change or fresh value */
    bool has_value;    /* the row before was usable */
    bool broken;       /* the next knot starts afresh */
    double theta_rev;
    double held_s[8]; /* intervals between the last changes of a held column */
    size_t n_held;
    long n_updates;
    long n_refused; /* rows with an impossible rpm */
    double t_refused_s;
    double off_s; /* rows without usable speed for longer than the delay */
    double slow_sum_s;
    long n_slow;
} sm_column;

void sm_column_reset(sm_column *c);
SM_NODISCARD sm_status sm_column_feed(sm_column *c, const sm_block *b, const double *rpm,
                                      sm_knots *q);
/** Rows up to t_s must be decided now. final: nothing more comes in this stretch. */
SM_NODISCARD sm_status sm_column_force(sm_column *c, double t_s, bool final, sm_knots *q);

/* Rising edges of a pulse channel at half height. */
enum { SM_EDGE_WINDOWS = 8 };

typedef struct sm_edges {
    double *x; /* two windows of samples */
    size_t window;
    size_t n;    /* samples held, < 2 windows */
    double t0_s; /* of x[0] */
    double rate_hz;
    double lo[SM_EDGE_WINDOWS]; /* extremes of the last windows */
    double hi[SM_EDGE_WINDOWS];
    size_t n_levels;
    double span_ref; /* largest robust height so far */
    double last_x;
    double mid_s; /* last rise through the middle */
    bool mid_steep;
    double steep; /* rises that went from bottom to top between two samples */
    bool high;
    bool started;
    long n_high; /* samples above the middle, and pulses: how wide a pulse is */
    long n_rise;
} sm_edges;

SM_NODISCARD sm_status sm_edges_open(sm_edges *e, double rate_hz);
void sm_edges_close(sm_edges *e);
void sm_edges_reset(sm_edges *e);

/* One candidate pulse of the labelling. */
typedef struct sm_candidate {
    double t_s;
    double cost;
    double period_s; /* of one pulse spacing, smoothed along the path; NaN at a start */
    double drift;    /* change of ln period per spacing, likewise */
    long label;      /* pulse number along the path */
    int back;        /* steps to the candidate before on the path; 0 = start */
    int periods;     /* since that one */
    double misfit;   /* what this step cost for its period */
} sm_candidate;

/* A pulse that the labelling kept. */
typedef struct sm_pulse {
    double t_s;
    long label;  /* pulse number, counted without a break within a stretch */
    int periods; /* since the pulse before; 0 = first of a stretch */
    int skipped; /* candidates dropped since the pulse before */
    double misfit;
    bool trusted;     /* the time since the pulse before is */
    double theta_rev; /* of the pulse's shaft */
} sm_pulse;

enum { SM_CANDIDATES = 128, SM_PULSES = 128, SM_MAX_MARKS = 8, SM_RECENT = 64 };

typedef struct sm_tach {
    sm_edges edges;
    double ref_per;   /* reference revolutions per revolution of the pulse's shaft */
    long marks;       /* pulses per revolution */
    bool times;       /* the channel holds times of pulses, not a level */
    double stamp0_s;  /* of their clock, where the blocks count 0 */
    double last_time; /* the last of them */
    double period_min_s;
    double period_max_s;
    sm_candidate cand[SM_CANDIDATES]; /* the newest n_cand, oldest first */
    size_t n_cand;
    size_t n_committed;       /* cand[n_committed - 1] is the last kept one; 0 = none */
    double recent[SM_RECENT]; /* ln of the last raw intervals */
    size_t n_recent;
    double sigma;
    sm_pulse pulse[SM_PULSES]; /* kept ones around the next knot */
    size_t n_pulse;
    size_t i_knot; /* first pulse without a knot */
    long next_label;
    double mark_pos[SM_MAX_MARKS]; /* learned position of each mark, in pulse spacings */
    long mark_n;
    bool marks_known;
    double jitter[SM_RECENT]; /* third differences of the last pulse times */
    size_t n_jitter;
    double force_s;  /* pulses up to here get their knot even without neighbours */
    sm_knots *knots; /* where the angle goes */
    sm_status failed;
    long n_kept;
    long n_dropped;
    long n_bridged;   /* steps over missing pulses */
    long n_missing;   /* pulses that were missing in them */
    long n_untrusted; /* steps not believed */
    long n_starts;
    double fault_s[16];
    size_t n_fault;
} sm_tach;

/* ref_per: see above. period_min_s, period_max_s: of one pulse spacing. q: kept by reference. */
SM_NODISCARD sm_status sm_tach_open(sm_tach *t, double rate_hz, long marks, double ref_per,
                                    sm_knots *q);
void sm_tach_close(sm_tach *t);
SM_NODISCARD sm_status sm_tach_feed(sm_tach *t, const sm_block *b, const double *level);
SM_NODISCARD sm_status sm_tach_force(sm_tach *t, double t_s, bool final);

/* A pulse came: extend the paths, keep what can no longer change, make knots of it. */
void sm_tach_candidate(sm_tach *t, double t_s);
/** Moves the best path up to before_s, as far as there is room, into t->pulse. */
void sm_tach_commit(sm_tach *t, double before_s);
/** Knots for the kept pulses that have neighbours enough; final: for all of them. */
void sm_tach_knots(sm_tach *t, bool final);
/** Feeds samples; each rising edge goes to sm_tach_candidate. flush: no more samples come. */
void sm_edges_feed(sm_edges *e, const double *x, size_t n, double t0_s, sm_tach *t);
void sm_edges_flush(sm_edges *e, sm_tach *t);

#endif
