/*
 * Side branch compare: is the difference between runs real, and what passes through an isolator.
 * Runs are matched by rpm band, pass, channel and order, never by time.
 */
#ifndef STILLMOUNT_COMPARE_H
#define STILLMOUNT_COMPARE_H

#include "stillmount/assess.h"
#include "stillmount/block.h"
#include "stillmount/json.h"
#include "stillmount/powertrain.h"
#include "stillmount/spectrum.h"
#include "stillmount/status.h"
#include "stillmount/survey.h"

#include <stdbool.h>

/* Before and after ---------------------------------------------------------------------------- */

enum { SM_MAX_RUNS = 16 }; /* on each side */

/* What one run reads of one quantity (a channel's rms in a band, or one of its orders). */
typedef struct sm_reading {
    double value;    /* > 0 rms, or peak of an order; NaN = this run cannot say */
    double nu;       /* degrees of freedom of value^2 (rms); 0 = an order */
    double sigma;    /* standard error of an order's amplitude, per component; 0 for rms */
    double knock_db; /* of a peak: how far it stands above the next; the next run may lack it */
} sm_reading;

typedef struct sm_pairing {
    const sm_reading *before; /* (n_before) one per run */
    size_t n_before;
    const sm_reading *after;
    size_t n_after;
    size_t i_channel; /* for sm_change_pools() */
    size_t i_band;
    bool one_of_many; /* a single order among all: judged with its like */
    bool apart;       /* judged, but part of no mean: no level (peak with gravity, coning) */
} sm_pairing;

typedef enum sm_change_verdict {
    SM_CHANGE_UNASSESSED = 0,
    SM_CHANGE_NONE, /* no clear change */
    SM_CHANGE_BETTER,
    SM_CHANGE_WORSE,
    SM_CHANGE_MIXED, /* of a set only */
} sm_change_verdict;

typedef struct sm_change {
    double before; /* mean over the runs, of the levels in dB; NaN = none can say */
    double after;
    double change_db; /* 20 log10(after / before): negative is quieter */
    double lo_db;     /* 95 % interval of the true change; NaN = no bound on that side */
    double hi_db;
    double p; /* two-sided, of "nothing changed" */
    sm_change_verdict verdict;
    bool before_in_noise; /* an order that does not stand out of the noise: value is a bound */
    bool after_in_noise;
} sm_change;

typedef struct sm_repeatability {
    bool from_runs; /* else assumed */
    double db;      /* standard deviation of one run's level: measured, or assumed */
} sm_repeatability;

typedef struct sm_change_options {
    double repeatability_db; /* assumed standard deviation of one run's level; default 2 */
    double alpha;            /* of the whole set, Holm; default 0.05 */
} sm_change_options;

SM_API sm_change_options sm_change_options_default(void);
/** "unassessed", "no clear change", "better", "worse", "mixed". */
SM_API const char *sm_change_text(sm_change_verdict v);

/**
 * Judges n pairings of one comparison together.
 *
 * One run on each side: the interval joins what this recording says (F for rms, sigma for orders)
 * and the assumed repeatability of both runs in quadrature. Several: their scatter in dB decides
 * (t), pooled over the sides, shrunk towards the mean of all pairings with a weight of 4; that mean
 * counts as many degrees of freedom as the pairings scatter independently, and the assumed
 * repeatability enters it with a weight of 4, so that two runs that agree by luck prove nothing.
 * Better and worse by Holm's step-down at alpha over all pairings that can be assessed, half of
 * it for single orders (`one_of_many`), half for the rest when there are both.
 *
 * options   in   NULL = default
 * out       out  (n) one per pairing
 * Returns   SM_OK; SM_E_ARG (a side without runs, more than SM_MAX_RUNS); SM_E_NOMEM
 * Accuracy  intervals hold the truth in >= 93 % of simulated cases, run scatter of 0 to 3 dB,
 * common to all channels or not (tests/unit/test_compare.c) Source    Bendat & Piersol, Random Data
 * (F of two spectra); Holm 1979 (from memory); Srivastava 2005 for the traces behind the number of
 * independent pairings (from memory)
 */
SM_API SM_NODISCARD sm_status sm_change_judge(const sm_pairing *pairs, size_t n,
                                              const sm_change_options *options, sm_change *out,
                                              sm_repeatability *repeatability, sm_error *err);
/* The mean change of many pairings. */
typedef struct sm_pooled {
    size_t n;         /* pairings in it; 0 = nothing to say */
    double change_db; /* mean of theirs */
    double lo_db;     /* 95 % interval */
    double hi_db;
    double p;
    sm_change_verdict verdict;
} sm_pooled;

/**
 * Judges means besides single changes: of the whole, of each channel, of each band. A mean needs no
 * correction for the number of its members, so that 6 dB in every band of a run are found though
 * none of them alone stands among hundreds. How far the members move together nobody knows: with
 * one run each a mean is taken to repeat no better than a single run does (Minkowski: true whatever
 * the correlation), and only the recordings' own noise averages out between bands, whose pairings
 * must lie side by side; with several runs the scatter of the runs' own means decides. Where a mean
 * stands, members whose own 95 % interval lies on the same side get its verdict too. And once
 * anything at all is better, the singles that are not are judged among themselves for a rise,
 * step-up at alpha / 2: what got quieter never hides a new resonance, and where nothing rose the
 * chance that one is called worse stays below alpha.
 *
 * changes  in, out  (n) from sm_change_judge() of the same pairs and options
 * pools    out      (1 + n_channels + n_bands) whole, channels, bands; each of the three kinds is
 *                   held to alpha, by Holm within its kind
 * Returns  SM_OK; SM_E_ARG (a pairing outside n_channels or n_bands); SM_E_NOMEM
 * Accuracy more than 90 % of sets without a change are called so, whatever moves together; 6 dB in
 *          all of 40 pairings, one run each and 2 dB of scatter: found in more than half; where
 * half is better and half is unaffected, mixed in at most 5 % of the sets (tests/unit/test_pools.c)
 * Source   Benjamini & Hochberg 1995 for the step-up (from memory)
 */
SM_API SM_NODISCARD sm_status sm_change_pools(const sm_pairing *pairs, size_t n,
                                              const sm_change_options *options, sm_change *changes,
                                              sm_pooled *pools, size_t n_channels, size_t n_bands,
                                              sm_error *err);
/** Of a set: better, worse, mixed when both occur, none; unassessed when all are. */
SM_API sm_change_verdict sm_change_overall(const sm_change *c, size_t n);
/** Holm: marks those of n p-values that stand at alpha together; NaN never stands. SM_OK or
 * SM_E_NOMEM. */
SM_API SM_NODISCARD sm_status sm_holm(const double *p, size_t n, double alpha, bool *stands);

/* One run of a comparison. */
typedef struct sm_compare_run {
    const char *name;
    const sm_survey_result *survey; /* of the same budget and orders in every run */
    const sm_findings *findings;    /* NULL = none; blocking ones silence their channel */
    const sm_run *run;              /* for coning and level limits; NULL = they are not compared */
} sm_compare_run;

typedef struct sm_compare_setup {
    const sm_budget *budget; /* its limits are the measures */
    const sm_powertrain *powertrain;
    const sm_order_table *orders;
    bool every_order; /* each order of each accelerometer and gyro as well */
    sm_change_options change;
} sm_compare_setup;

/**
 * Compares n_before with n_after runs and writes bands, overall, channels, repeatability, reasons,
 * not_compared and verdict (stillmount/comparison/1) into the document's top.
 *
 * Returns SM_OK; SM_E_VALUE (no rpm band or no channel in common: the message names what each has);
 *         SM_E_ARG; SM_E_NOMEM
 */
SM_API SM_NODISCARD sm_status sm_compare_json(const sm_compare_run *before, size_t n_before,
                                              const sm_compare_run *after, size_t n_after,
                                              const sm_compare_setup *setup, sm_json_doc *doc,
                                              sm_change_verdict *verdict, sm_error *err);

/* Across: two sensors in one run -------------------------------------------------------------- */

typedef struct sm_transfer sm_transfer;

typedef struct sm_transfer_options {
    sm_window window;
    size_t n_frame; /* even */
    size_t hop;
    bool remove_mean;
} sm_transfer_options;

/* Averages of one pair: G_ab = mean of conj(A) B, one-sided, [unit^2/Hz]. */
typedef struct sm_cross {
    double bin_hz;
    size_t n_bins;
    double *xx; /* (n_bins) */
    double *yy;
    double *xy;       /* (2 n_bins) re, im */
    double *n;        /* (n_bins) frames that went into a bin */
    double *sweep_hz; /* (n_bins) how far a tracked line moves within its window; NULL = spectra */
} sm_cross;

/**
 * Accumulates spectra and cross-spectra of n_pairs of channels; frames that hold a NaN in a channel
 * of the pair are left out of that pair.
 * from, to  in  (n_pairs) indices of the blocks' channels
 * Returns SM_OK; SM_E_ARG; SM_E_NOMEM
 */
SM_API SM_NODISCARD sm_status sm_transfer_open(const size_t *from, const size_t *to, size_t n_pairs,
                                               double rate_hz, const sm_transfer_options *opt,
                                               sm_transfer **out, sm_error *err);
/** Never fails but for SM_E_ARG (a block with too few channels). */
SM_API sm_sink sm_transfer_sink(sm_transfer *t);
/** The averages so far. Pure and repeatable. SM_OK; SM_E_ARG; SM_E_NOMEM. */
SM_API SM_NODISCARD sm_status sm_transfer_peek(const sm_transfer *t, size_t i_pair, sm_cross *out,
                                               sm_error *err);
SM_API void sm_cross_free(sm_cross *c);
SM_API void sm_transfer_close(sm_transfer **t);

/* One frequency of a transmissibility. */
typedef struct sm_ratio_point {
    double hz;
    double h1[2];     /* {re, im} G_xy / G_xx: low when the base sensor is noisy */
    double h2;        /* |G_yy / G_yx|: high when the other one is */
    double coherence; /* 0..1 */
    double averages;  /* equivalent independent ones */
    double lo;        /* 95 % interval of the true ratio; with coherence < 0.95 up to h2 */
    double hi;
    bool trusted;      /* coherence >= 0.8 and above what chance makes: to be shown */
    double shares_hz;  /* points closer than this share its noise */
    bool above_chance; /* 1 in 100 independent pairs would look as coherent: to be fitted */
} sm_ratio_point;

/**
 * Points from averages: neighbouring bins joined so that points lie at least `spacing` of
 * their frequency apart (0 = every bin, 0.01 = 1 %); where
 * `orders` (may be NULL) estimates a point better than `all`, it is taken.
 *
 * points    out  (capacity); *n gets their number, at most all->n_bins
 * Returns   SM_OK; SM_E_ARG
 * Source    Bendat & Piersol, Random Data: random errors sqrt(1 - g2) / (|g| sqrt(2 n)); chance
 *           coherence 1 - 0.01^(1/(n-1)) (from memory, checked by simulation)
 */
SM_API SM_NODISCARD sm_status sm_transfer_points(const sm_cross *all, const sm_cross *orders,
                                                 double lo_hz, double hi_hz, double spacing,
                                                 sm_ratio_point *points, size_t capacity,
                                                 size_t *n);

/* What a transmissibility says about the mount between the two sensors. */
typedef struct sm_mount_fit {
    bool found;
    char reason[200]; /* why not */
    const char *code; /* "no-isolator", or what is wrong with the sensors: "places-exchanged",
                         "sensor-reversed", "sensor-copied"; NULL when found */
    bool swapped;     /* from and to are exchanged: falls at the resonance, rises above */
    double natural_hz;
    double natural_ci[2]; /* 95 % */
    double damping_ratio;
    double damping_ci[2];
    double isolates_above_hz;
    double isolates_ci[2];
    double gain;   /* of one sensor against the other, 1 = alike */
    double misfit; /* rms of (measured - fitted) / fitted over the points used */
} sm_mount_fit;

/**
 * Fits one mass on a spring and damper to the trusted points; the window's own smoothing (Hann,
 * bin_hz) is part of the model.
 * Accuracy  natural frequency 2 %, damping 20 % for damping 0.02 to 0.4 when the resonance is
 *           visited (tests/unit/test_transfer.c)
 * Returns   SM_OK, found or not; SM_E_NOMEM
 */
SM_API SM_NODISCARD sm_status sm_mount_fit_compute(const sm_ratio_point *points, size_t n,
                                                   double bin_hz, sm_mount_fit *out);

/* Two places in one run, all axes that both have. */
typedef struct sm_across sm_across;

/**
 * channels  in  of the blocks; kept by reference
 * from, to  in  places, for example "base" and "mount"
 * orders    in  expected orders, kept by reference: where the blocks have an angle, their tracked
 *               amplitudes at both places make a second estimate, and the better one is taken at
 *               each frequency; NULL = none
 * Returns   SM_OK; SM_E_VALUE (no such place, the same place, no axis in common); SM_E_NOMEM
 */
SM_API SM_NODISCARD sm_status sm_across_open(const sm_channel *channels, size_t n_channels,
                                             double rate_hz, const char *from, const char *to,
                                             const sm_order_table *orders, sm_across **out,
                                             sm_error *err);
SM_API sm_sink sm_across_sink(sm_across *a);
/**
 * Writes pairs, isolator and reasons (stillmount/transmissibility/1) into the document's top.
 * assessed  out  false: at no frequency do the places move together
 */
SM_API SM_NODISCARD sm_status sm_across_json(const sm_across *a, sm_json_doc *doc, bool *assessed,
                                             sm_error *err);
SM_API void sm_across_close(sm_across **a);

/* Rank: several places or runs ----------------------------------------------------------------- */

typedef struct sm_rank_run {
    sm_run *run;
    const sm_assessment *assessment;
    const char *label; /* runs of one label are repeats of one place; NULL = a place of its own */
    const char *name;  /* for people, where there is no label; NULL = the log's own */
} sm_rank_run;

/**
 * Writes places (quietest first), repeatability and not_independent (stillmount/ranking/1) into the
 * document's top. Every place of every run is one entry: its smallest margin with a budget, its
 * largest accelerometer level without. Runs of one label are repeats: their places of one name are
 * one entry, the mean of the runs ranks it, the worst of them is shown, and their scatter is the
 * repeatability, blended with the assumed one as in a comparison of runs. Places of one log, or of
 * runs with different labels, that show the same fixed line, the same resonance (within 3 %), or
 * are at their worst in the same order of one log, are named as not independent.
 *
 * any  out  some place has a number
 * Returns SM_OK; SM_E_VALUE (no place at all: no accelerometer); SM_E_NOMEM
 */
SM_API SM_NODISCARD sm_status sm_rank_json(const sm_rank_run *runs, size_t n,
                                           double repeatability_db, sm_json_doc *doc, bool *any,
                                           sm_error *err);

#endif
