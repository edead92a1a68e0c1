/*
 * What shook while the speed was not known: a loud cell must not vanish with its rpm. The frames of
 * a stretch without a trusted speed are measured as every limit asks, and their largest values are
 * charged to the bands that the engine must have passed meanwhile. The same for a speed that stood
 * still to the last digit and then jumps.
 */
#ifndef SM_SURVEY_LOST_H
#define SM_SURVEY_LOST_H

#include "stillmount/survey.h"

typedef struct sm_lost_sum {
    double *p;    /* [SI^2] (n_slots of the channel) largest frame power */
    double *lobe; /* [SI^2] (n_bins) largest lobe power around each bin; NULL: no order limit */
    double *psd;  /* [SI^2/Hz] (n_bins) summed over n; NULL: no psd limit */
    double peak_si;
    long n;
} sm_lost_sum;

typedef struct sm_lost_channel {
    sm_lost_sum piece;    /* since the speed was lost, or since the last silent frame */
    sm_lost_sum stretch;  /* pieces that count */
    bool after_silence;   /* the piece */
    bool silent;          /* some frame of the stretch was */
    double p;             /* total power of the last frame with a trusted speed */
    double quietest_p;    /* total power of the quietest frame with a running engine */
    double quietest_rest; /* the same without its strongest lines, as |X|^2 */
} sm_lost_channel;

typedef enum sm_lost_state {
    SM_LOST_NOT = 0,
    SM_LOST_SPEED, /* not trusted */
    SM_LOST_DOUBT  /* still to the last digit, or not long since it jumped */
} sm_lost_state;

typedef struct sm_lost {
    const sm_survey_options *opt;
    sm_survey_result *res;
    size_t first;
    size_t n;
    sm_lost_channel *channels;   /* (n) */
    double order[SM_MAX_LIMITS]; /* of the reference shaft; NaN = no order limit */
    double shaft_per_rpm;
    sm_lost_state state;
    double t0_s; /* of the stretch */
    double t1_s;
    double rpm_before; /* of the last trusted frame, NaN = none yet */
    bool jumps;        /* in this frame */
    bool low;          /* since a jump far below all bands: as good as lost */
    int n_still;       /* frames with one rpm to the last digit, until now or the frame before: a
                          jump may lie at the very end of one */
    bool was_still;    /* the frame before */
    int since_jump;    /* frames; large = long ago or never */
    double rpm_anchor; /* before that jump */
} sm_lost;

sm_status sm_lost_open(sm_lost *l, const sm_survey_options *opt, sm_survey_result *res,
                       size_t first, size_t n);
void sm_lost_close(sm_lost *l);
/* A frame begins: a stretch may begin or end with it. */
SM_NODISCARD sm_status sm_lost_begin(sm_lost *l, const sm_frame *f, bool trusted);
/* Are the channels of this frame wanted, apart from their level? */
bool sm_lost_wants(const sm_lost *l);
/* How quiet a running engine is: samples of a frame with a trusted speed. */
void sm_lost_quiet(sm_lost *l, size_t i, const double *x, size_t n);
/* The same of that frame's power (n_bins) = |X|^2, where it is at hand. */
void sm_lost_quiet_rest(sm_lost *l, size_t i, const double *power);
/*
 * A channel of a frame that is wanted: x (n) samples, power (n_bins) = |X|^2, scale makes it a
 * density, slot_p as the pending queue takes it.
 */
void sm_lost_channel_frame(sm_lost *l, size_t i, const double *x, size_t n, const double *power,
                           double scale, const double *slot_p);
/* All channels of the frame are done. */
SM_NODISCARD sm_status sm_lost_end(sm_lost *l, const sm_frame *f);
/* The log ends. */
SM_NODISCARD sm_status sm_lost_finish(sm_lost *l);

#endif
