/*
 * A speed that is off by some per cent: all strong lines stand beside the expected orders, each by
 * the same factor. The bands then hold the wrong frames, whatever the limit measures.
 */
#include "budget/score.h"

#include <math.h>

enum { LINES_LEAST = 3, LINES_MOST = 64 };
#define SAME 0.003 /* two readings of one line, from two channels */
#define FITS 0.001 /* lines are voted for over the whole run: a hundredth of this is usual */
#define NEAR 0.02  /* nearer than this the tracked phases tell, see gears.c */
#define FAR 1.6    /* beyond, the comb's own rivals: 3/2, 2, gear ratios */
#define SHARE 0.8  /* of the power of all lines beside the table */

typedef struct line_set {
    size_t n;
    double order[LINES_MOST];
    double power[LINES_MOST];
} line_set;

/* The lines beside the order table at a place, each once. */
static void collect(const sm_score_view *v, const char *place, line_set *set)
{
    size_t channels[SM_MAX_CHANNELS];
    size_t n = sm_place_channels(v->survey, place, channels);
    *set = (line_set){.n = 0};
    for (size_t i = 0; i < v->survey->n_lines; i++) {
        const sm_line *l = &v->survey->lines[i];
        bool here = false;
        for (size_t k = 0; k < n; k++) {
            here = here || channels[k] == l->i_channel;
        }
        if (!here || l->kind != SM_LINE_ORDER) {
            continue;
        }
        size_t k = 0;
        while (k < set->n && fabs(set->order[k] / l->order - 1) > SAME) {
            k++;
        }
        if (k == LINES_MOST) {
            continue;
        }
        if (k == set->n) {
            set->order[set->n] = l->order;
            set->power[set->n++] = 0;
        }
        set->power[k] += l->mean_p;
    }
}

/* How many lines stand at an expected order times s, and their share of the power. */
static size_t fitting(const sm_score_view *v, const line_set *set, double s, double *share)
{
    size_t n = 0;
    double all = 0;
    double fit = 0;
    for (size_t i = 0; i < set->n; i++) {
        bool good = false;
        for (size_t o = 0; o < v->orders->n && !good; o++) {
            good = fabs(set->order[i] / (s * v->orders->items[o].order) - 1) < FITS;
        }
        n += good;
        all += set->power[i];
        fit += good ? set->power[i] : 0;
    }
    *share = all > 0 ? fit / all : 0;
    return n;
}

double sm_scaled_speed(const sm_score_view *v, const char *place)
{
    line_set set;
    double best = 0;
    size_t most = LINES_LEAST - 1;
    collect(v, place, &set);
    for (size_t i = 0; i < set.n; i++) {
        for (size_t o = 0; o < v->orders->n; o++) {
            double s = set.order[i] / v->orders->items[o].order;
            double share;
            if (fabs(s - 1) < NEAR || s > FAR || s < 1 / FAR) {
                continue;
            }
            size_t n = fitting(v, &set, s, &share);
            if (share >= SHARE && (n > most || (n == most && fabs(s - 1) < fabs(best - 1)))) {
                most = n;
                best = s;
            }
        }
    }
    return best;
}
