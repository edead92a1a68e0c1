/* Which lines the run as a whole shows beside the expected orders: fixed tones, unlisted orders,
 * aliases. */
#ifndef SM_SURVEY_LINES_H
#define SM_SURVEY_LINES_H

#include "stillmount/survey.h"

/* A peak of one frame. */
typedef struct sm_peak_vote {
    float hz;
    float shaft_hz;   /* of the reference shaft */
    float shaft_span; /* change of it over the frame */
    float p;          /* [SI^2] mean square of its lobe */
    int frame;        /* running number */
} sm_peak_vote;

typedef struct sm_vote_list {
    sm_peak_vote *items;
    size_t n;
    size_t capacity;
    int stride; /* frames in a multiple of it are kept: 1, doubled whenever the list is full */
} sm_vote_list;

typedef struct sm_line_finder {
    size_t n;            /* channels */
    sm_vote_list *votes; /* (n) */
    unsigned *at;        /* (n_bins) local maxima of the frame in work */
    int n_frames;
} sm_line_finder;

sm_status sm_line_finder_open(sm_line_finder *f, size_t n, size_t n_bins);
void sm_line_finder_close(sm_line_finder *f);
/* power (n_bins) = |X|^2 of a frame of channel c; scale makes it a density. */
sm_status sm_line_finder_frame(sm_line_finder *f, size_t c, const double *power, size_t n_bins,
                               double bin_hz, double scale, double shaft_hz, double shaft_span);
/* Adds the lines of channel c to the array, at most `most`. Returns how many. */
size_t sm_line_finder_find(sm_line_finder *f, size_t c, const sm_order_table *orders,
                           double rate_hz, sm_line *out, size_t most);

#endif
