/* Inside of a comparison of runs: what runs.c reads and judges, runs_record.c writes. */
#ifndef COMPARE_RUNS_H
#define COMPARE_RUNS_H

#include "stillmount/compare.h"

/* One measure: a limit on a channel, or an order without a budget. */
typedef struct sm_compare_item {
    size_t i_band;
    size_t i_channel; /* in the first run before */
    const sm_limit *limit;
    long i_order;     /* -1 = not an order */
    const char *code; /* why it cannot be compared; NULL = it can */
    char text[240];
    sm_reading before[SM_MAX_RUNS];
    sm_reading after[SM_MAX_RUNS];
} sm_compare_item;

typedef struct sm_compare_work {
    const sm_compare_run *side[2];
    size_t n[2];
    const sm_compare_setup *setup;
    sm_limit order_limit[2]; /* stands for "every order" of accelerometers and gyros */
    sm_compare_item *items;
    size_t n_items;
    size_t capacity;
    bool *shared; /* (n_bands) both sides visited it */
    size_t n_bands;
} sm_compare_work;

static inline const sm_survey_result *sm_compare_first(const sm_compare_work *w)
{
    return w->side[0][0].survey;
}

/**
 * How far gravity moved between the axes of a place's accelerometer, from the first run before to
 * the run that differs most [degrees]. Signs are left aside: an axis that is turned round reads the
 * same level. NaN: not three axes with about 1 g in them.
 */
double sm_compare_turned_deg(const sm_compare_work *w, const char *place);

/**
 * What a channel passes in each run [Hz], the least and the most; its declared bandwidth, or half
 * its rate where a run declares none. True: alike, so that peaks may be compared.
 */
bool sm_compare_pass_alike(const sm_compare_work *w, const char *channel, double hz[2]);

/** The side that lacks a band which the other visited; -1: none visited it, or both. */
int sm_compare_lacks(const sm_compare_work *w, size_t i_band);

/** What was not compared, as texts: channels, bands, limits. */
void sm_compare_left_out(const sm_compare_work *w, sm_json_doc *doc);

/**
 * Bands, means, margins, repeatability, runs, what was left out, reasons and the verdict of it all
 * (returned) into the document. Pools: whole, channels, bands.
 */
sm_change_verdict sm_compare_record(const sm_compare_work *w, const sm_change *changes,
                                    const sm_pooled *pools, size_t n_pools,
                                    const sm_repeatability *rep, sm_json_doc *doc);

#endif
