/* The share of a survey that one thread does: whole channels, every block in file order. */
#ifndef SM_SURVEY_PART_H
#define SM_SURVEY_PART_H

#include "stillmount/survey.h"
#include "survey/bend.h"
#include "survey/lines.h"
#include "survey/lost.h"
#include "survey/passes.h"
#include "survey/pending.h"
#include "survey/scatter.h"

typedef struct sm_part {
    const sm_survey_options *opt;
    sm_survey_result *res; /* shared; a part writes its own channels, the leading one the bands */
    bool leads;
    size_t first; /* channels [first, first + n) of the result */
    size_t n;
    sm_framer *framer;
    sm_tracker *tracker;
    sm_pending pending;
    sm_scatter scatter;
    sm_line_finder finder;
    sm_passes passes;
    sm_lost lost;
    sm_bend bend;
    sm_comb *comb; /* of the survey; parts push different channels */
    sm_fft *fft;
    double *window;
    double *x;
    double *spectrum;
    double *power;        /* (n_bins) |X|^2 of one frame */
    double psd_scale;     /* |X|^2 -> one-sided density */
    double shaft_per_rpm; /* reference revolutions per second, per rpm */
    long last_band;       /* of the frame before; -1 = none */
    size_t last_cell;
    double *step_si;    /* (n) quantisation steps as of the block in work */
    double *last_value; /* (n) last sample of each channel, for the quantisation step */
    double *sum;        /* (n) of samples, and of squares, about the first sample */
    double *sum2;
    double *origin; /* (n) */
    sm_clip *clip;  /* (n) */
    bool *begun;    /* (n) */
} sm_part;

/* like: a part of the same survey that is open already, or NULL. */
sm_status sm_part_open(sm_part *p, const sm_survey_options *opt, sm_survey_result *res,
                       sm_comb *comb, size_t first, size_t n, const sm_part *like, sm_error *err);
/* Mean, spread, extremes and quantisation step of n samples of the i-th channel of this part. */
void sm_part_watch(sm_part *p, size_t i, const double *x, size_t n);
/* What is told of every sample: of each block first, in whatever thread, while others push. */
void sm_part_look(sm_part *p, const sm_block *b);
/* step_si (channels of the survey): the steps behind the block that was looked at last. */
void sm_part_steps(const sm_part *p, double *step_si);
/* step_si: what sm_part_steps() gave when this block had been looked at. */
sm_status sm_part_push(sm_part *p, const sm_block *b, const double *step_si, sm_error *err);
sm_status sm_part_mark(sm_part *p, sm_mark m, double t_s, sm_error *err);
/* After the end: scales the spectra of its channels and fills their statistics. */
sm_status sm_part_finish(sm_part *p, sm_error *err);
void sm_part_close(sm_part *p);

#endif
