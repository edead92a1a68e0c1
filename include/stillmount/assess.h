/* Stage 7: a surveyed run scored against its budget; margins, causes, verdict. */
#ifndef STILLMOUNT_ASSESS_H
#define STILLMOUNT_ASSESS_H

#include "stillmount/run.h"

typedef enum sm_verdict { SM_WITHIN = 0, SM_THIN, SM_OVER, SM_UNASSESSED } sm_verdict;

/** "within", "thin", "over", "unassessed". */
SM_API const char *sm_verdict_text(sm_verdict v);

enum { SM_MAX_REASONS = 8 };

typedef struct sm_reason {
    char code[32]; /* stable: "too-short", "clipped", ... */
    char text[240];
} sm_reason;

typedef struct sm_reasons {
    sm_reason items[SM_MAX_REASONS];
    size_t n;
} sm_reasons;

/** Adds a reason unless its code is there already or the list is full. */
SM_API void sm_reasons_add(sm_reasons *r, const char *code, const char *fmt, ...) SM_PRINTF(3, 4);

/* What makes most of a value. */
typedef struct sm_cause {
    char kind[16]; /* "order", "fixed", "broadband", "" = not known */
    char label[100];
    double share; /* of the power, 0..1 */
    long i_order; /* in the order table, -1 */
    double hz;    /* of a fixed frequency */
} sm_cause;

/* One limit on one channel in one band. Values in the limit's unit and detector. */
typedef struct sm_result {
    size_t i_band;
    size_t i_limit;
    long i_channel; /* in the survey; -1: not in the log */
    char channel[96];
    double value; /* as the limit picks it; NaN when there is none */
    double value_mean;
    double value_worst;
    double interval[2]; /* 95 %, two-sided */
    double ceiling;     /* 99.9 %, one-sided: decisions are taken on it */
    double max;         /* NaN without a budget */
    const sm_unit *unit;
    double margin_db; /* NaN when value is 0 or there is no max */
    double spent;
    sm_verdict verdict;
    sm_reasons reasons;
    sm_cause cause;
    double hz; /* where the value sits; NaN = broadband */
    double rpm_at;
    bool unresolved; /* coning, level: not above the noise; "could be up to" the ceiling */
} sm_result;

typedef struct sm_assessment {
    sm_result *results; /* bands rising, limits as in the file, place, x y z */
    size_t n_results;
    sm_verdict verdict; /* SM_UNASSESSED without a budget */
    sm_reasons reasons;
} sm_assessment;

/**
 * Scores a run. Findings that the scores turn up (clipped, alias-line, ...) are added to the run's.
 * Returns SM_OK; SM_E_NOMEM
 * Source  the project's scoring contract; chi-square and t intervals (stats.h)
 */
SM_API SM_NODISCARD sm_status sm_assess(sm_run *run, sm_assessment *out, sm_error *err);
SM_API void sm_assessment_free(sm_assessment *a);

/**
 * The document stillmount/assessment/1. Waits for the hashes of the files.
 * detail  orders, peaks, spectra and map as well (the run must have been surveyed with detail)
 * Returns SM_OK; SM_E_NOMEM; SM_E_IO (sm_run_identify())
 */
SM_API SM_NODISCARD sm_status sm_assessment_json(sm_run *run, const sm_assessment *a, bool detail,
                                                 sm_json_doc **out, sm_error *err);

/* A mean square, how sure it is, and bounds. */
typedef struct sm_estimate {
    double p;  /* [SI^2] */
    double lo; /* 95 % two-sided */
    double hi;
    double ceiling; /* 99.9 % one-sided */
    double nu;      /* degrees of freedom whose chi-square gives lo and hi */
} sm_estimate;

/**
 * Variance of one frame's noise power of a limit on a channel in a band, as a share of the squared
 * mean power, and how many differences it rests on: the band's own, and its neighbours' (two to
 * each side, at most 12 differences' worth), whose relative scatter is much the same. Without them
 * the quantile of Student's t would punish every band that was swept in a few seconds.
 *
 * n_pairs  out  for sm_power_bounds()
 * Returns  0 when there is no scatter at all
 */
SM_API double sm_frame_scatter(const sm_survey_result *v, size_t i_band, size_t i_channel,
                               size_t i_limit, long *n_pairs);

/**
 * Bounds of a mean power from the scatter between frames.
 *
 * p     in  mean power; v: variance of one frame's noise part; cross: 3.9 sum P_o N(f_o) / T
 * n     in  frames, n_adjacent of them overlapping; n_pairs: differences that v was made of
 * Accuracy  95 % intervals cover 91 to 98 % in mixes of tones, noise and sweeps
 */
SM_API sm_estimate sm_power_bounds(double p, double v, double cross, long n, long n_adjacent,
                                   long n_pairs);
/** The ceiling of sm_power_bounds() alone, for the many cells of which only the highest counts. */
SM_API double sm_power_ceiling(double p, double v, double cross, long n, long n_adjacent,
                               long n_pairs);
/**
 * What one-sided bounds at `level` lie above a mean power whose frames had no part in v: Student's
 * t times its standard deviation.
 */
SM_API double sm_power_excess(double v, double cross, long n, long n_adjacent, long n_pairs,
                              double level);
/**
 * 3.9 sum P_o N(f_o) / T of the tracked orders inside [hz_lo, hz_hi], integrated as the limit asks:
 * what tones and noise together make frames scatter by.
 */
SM_API double sm_cross_term(const sm_survey_result *v, const sm_order_table *orders,
                            const sm_band *band, const sm_band_channel *bc, double hz_lo,
                            double hz_hi, int integrations);

#endif
