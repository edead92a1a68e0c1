/*
 * How often a channel's values really change: a slower sensor written at the logger's rate, its
 * values held over several rows or joined by straight lines, has the bandwidth of its own rate.
 */
#ifndef SM_TIMEBASE_PACE_H
#define SM_TIMEBASE_PACE_H

#include <stdbool.h>
#include <stddef.h>

typedef struct sm_pace {
    double last;
    double last_step;
    long n; /* of the second in work: steps between numbers, and second differences */
    long n_zero;
    long n_large;    /* several quanta: no step of a quiet channel */
    long n_straight; /* second differences that are none */
    long n_nearly;   /* as straight as that by chance, if the signal were smooth */
    long n_pairs;    /* bends next to each other */
    bool bent;
    double most; /* largest |x| */
    /* over the log */
    long seconds; /* in which the channel moved enough to tell */
    long seconds_held;
    long seconds_straight;
    double held_share; /* of rows with a value of their own, summed over these seconds */
    double straight_share;
} sm_pace;

void sm_pace_start(sm_pace *p);
/* quantum: smallest step of the channel so far; second: rows of one. */
void sm_pace_push(sm_pace *p, const double *x, size_t n, double quantum, long second);
/* Own rate over that of the rows, and whether values are joined by lines; 1 = every row is new. */
double sm_pace_share(const sm_pace *p, bool *straight);

#endif
