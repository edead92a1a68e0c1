/* What the parts of a source share: opening, pumping, findings. */
#ifndef SM_TIMEBASE_SOURCE_PARTS_H
#define SM_TIMEBASE_SOURCE_PARTS_H

#include "stillmount/source.h"
#include "timebase/feed.h"
#include "timebase/pulses.h"

enum { SM_MAX_FILES = 8 };

/* Where an output channel comes from. */
typedef struct sm_origin {
    size_t feed;
    size_t track;
    size_t column; /* of the track */
    size_t raw;    /* channel of the feed */
    int turn;      /* place in source.turns, or -1 */
} sm_origin;

/* A triad that a matrix turns: output channels of x, y, z. */
typedef struct sm_turn {
    size_t channel[3];
    double m[3][3];
} sm_turn;

struct sm_source {
    sm_feed *feeds; /* [n_feeds] */
    size_t n_feeds;
    sm_channel *channels; /* [n_channels], order of the blocks */
    sm_origin *origins;
    size_t n_channels;
    sm_turn turns[16];
    size_t n_turns;
    size_t master_feed;
    size_t master_track;
    bool only_speed; /* no vibration at all: an rpm log */
    double period_s;
    sm_pulses pulses;              /* n = 0: none */
    sm_pulse_filter *pulse_filter; /* adds them to the blocks, as the channel behind the others */
    sm_source_info info;
    sm_source_totals totals;
    sm_file_identity identities[SM_MAX_FILES + 1];
    bool identified;
    sm_clip_levels *clips; /* [n_channels], after the first pump */
    char name[256];
    char note[512];
    char rpm_notes[1024];
    char rpm_notes_file[256];
    long rpm_notes_line;
    sm_text decided;
    bool pumped;
    bool read_ahead; /* in threads of their own */
    bool identify_later;
    bool checked;
    double *scratch; /* rows of interpolated channels */
    double start_s;
    double end_s;
    bool any_finite;
};

/* Sends everything through the joiner: several tracks, rough clocks, several files. */
SM_NODISCARD sm_status sm_source_join(sm_source *s, const sm_sink *sink, sm_error *err);
/* Sends the rows of a single clean clock as they are. */
SM_NODISCARD sm_status sm_source_pass(sm_source *s, const sm_sink *sink, sm_error *err);
/* Turns triads in place. */
void sm_source_turn(const sm_source *s, double *const *x, size_t n);
/* How the files of a source are hashed. */
sm_hashing sm_source_hashing(const sm_source_options *o);
/* Adds what was seen to findings. */
void sm_source_report(const sm_source *s, sm_findings *out);

#endif
