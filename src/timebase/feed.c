/* Cleaning of the time column, and the decision which channels share a clock. */
#include "timebase/feed.h"

#include "core/alloc.h"
#include "core/util.h"
#include "timebase/referee.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* A row this much before its neighbour is only out of order; more is a restarted logger. */
static const double SWAP_S = 0.1;
static const double RESET_GAP_S = 1;   /* a restart puts the next row this far on: a gap */
static const double REPEAT_SOON_S = 8; /* what comes back sooner is a steady tone, not a copy */
/* No log runs for 3000 years; beyond, a double cannot count milliseconds any more. */
static const double LONGEST_S = 1e11;

void sm_events_add(sm_events *e, double t0_s, double t1_s, long line)
{
    if (e->n < SM_FINDING_PLACES) {
        e->at[e->n] = (sm_place){t0_s, t1_s, line};
    }
    e->n++;
    e->total_s += t1_s - t0_s;
}

const sm_raw_info *sm_feed_info(const sm_feed *f)
{
    return sm_raw_info_get(f->raw);
}

const char *sm_feed_path(const sm_feed *f)
{
    return sm_raw_path(f->raw);
}

static void copy_row(sm_rows *rows, size_t from, size_t to)
{
    if (from == to) {
        return;
    }
    for (size_t c = 0; c < rows->n_channels; c++) {
        rows->x[c][to] = rows->x[c][from];
    }
    rows->stamp[to] = rows->stamp[from];
    rows->line[to] = rows->line[from];
}

static bool same_words(const sm_feed *f, size_t i, size_t before, bool has_before)
{
    for (size_t c = 0; c < f->rows.n_channels; c++) {
        double a = f->rows.x[c][i];
        double b = has_before ? f->rows.x[c][before] : f->last_x[c];
        if (!(a == b || (isnan(a) && isnan(b)))) {
            return false;
        }
    }
    return true;
}

/* The modulus that a backward step of this size betrays, in seconds; 0 = none. */
static double wrap_of(const sm_feed *f, double back_s)
{
    static const double moduli[] = {256,      65536,        16777216,    60e6,
                                    86400000, 2147483648.0, 4294967296.0};
    const sm_raw_info *info = sm_feed_info(f);
    if (info->columns.time_kind == SM_TIME_DATE) {
        return back_s > 0.9 * 86400 && back_s <= 86400 ? 86400 : 0;
    }
    if (!info->stamp_is_integer) {
        return 0;
    }
    double unit = info->stamp_to_s * f->scale;
    size_t first = info->columns.time_kind == SM_TIME_COUNTER ? 0 : 1;
    for (size_t i = first; i < sizeof moduli / sizeof moduli[0]; i++) {
        if (f->max_raw < moduli[i] && back_s / unit > 0.9 * moduli[i]) {
            return moduli[i] * unit;
        }
    }
    return 0;
}

/* Puts row i, which is late by less than SWAP_S, where it belongs among the rows before it. */
static bool sort_in(sm_feed *f, size_t i, double stamp)
{
    sm_rows *rows = &f->rows;
    size_t at = i;
    while (at > 0 && rows->stamp[at - 1] > stamp) {
        at--;
    }
    if (at == 0 && f->n_seen && stamp < f->last_s) {
        return false; /* belongs into rows that are gone already */
    }
    for (size_t c = 0; c < rows->n_channels; c++) {
        double v = rows->x[c][i];
        memmove(rows->x[c] + at + 1, rows->x[c] + at, (i - at) * sizeof(double));
        rows->x[c][at] = v;
    }
    long line = rows->line[i];
    memmove(rows->stamp + at + 1, rows->stamp + at, (i - at) * sizeof(double));
    memmove(rows->line + at + 1, rows->line + at, (i - at) * sizeof(long));
    rows->stamp[at] = stamp;
    rows->line[at] = line;
    return true;
}

/* A stamp that went backwards. false: the row is dropped. */
static bool backwards(sm_feed *f, size_t i, double before, double *stamp)
{
    double back = before - *stamp;
    double wrap = wrap_of(f, back);
    long line = f->rows.line[i];
    if (wrap > 0) {
        f->wrap_s += wrap;
        *stamp += wrap;
        sm_events_add(&f->wraps, before, before, line);
        return true;
    }
    if (back < SWAP_S) {
        sm_events_add(&f->reversed, *stamp, before, line);
        return sort_in(f, i, *stamp);
    }
    sm_events_add(&f->resets, before, before, line);
    if (f->resets.n > RESETS_MOST) { /* a clock in disorder, not a logger started again */
        return false;
    }
    f->wrap_s += back + RESET_GAP_S;
    *stamp += back + RESET_GAP_S;
    return true;
}

/* Rows that share a stamp by nature may be equal, too: a quiet sensor with coarse steps. */
static bool shares_stamps(const sm_feed *f)
{
    for (size_t k = 0; k < f->n_tracks; k++) {
        if (f->tracks[k].clock.burst || f->tracks[k].clock.rounded) {
            return true;
        }
    }
    return false;
}

/*
 * A row of a stretch that the log holds already. Behind a jump of time it is left out, so that it
 * counts once; where time goes on the report says what it means.
 */
static bool is_again(sm_feed *f, size_t i, double stamp, bool again)
{
    if (again && !f->repeating) {
        sm_events_add(&f->repeats, stamp, stamp, f->rows.line[i]);
    } else if (again && f->repeats.n <= SM_FINDING_PLACES) {
        f->repeats.at[f->repeats.n - 1].t1_s = stamp;
    }
    f->repeating = again;
    bool left_out = again && f->resets.n > 0;
    f->n_again += left_out;
    return left_out;
}

/* Which rows, of those with a stamp, belong to a stretch that the log holds already? */
static void find_again(sm_feed *f, bool *again)
{
    const sm_rows *rows = &f->rows;
    uint64_t hash[SM_BLOCK_ROWS];
    memset(again, 0, rows->n * sizeof *again);
    if (!f->vibrates || !f->repeat.marks) { /* the look at the beginning asks nothing of it */
        return;
    }
    sm_repeat_hash(rows->x, rows->n_channels, rows->n, hash);
    for (size_t i = 0; i < rows->n;) {
        size_t end = i;
        while (end < rows->n && !isnan(rows->stamp[end])) {
            end++;
        }
        sm_repeat_rows(&f->repeat, hash + i, end - i, again + i);
        i = end + 1;
    }
}

static void clean(sm_feed *f)
{
    sm_rows *rows = &f->rows;
    size_t out = 0;
    double stamp0 = sm_raw_stamp0(f->raw);
    double unit = sm_feed_info(f)->stamp_to_s;
    bool again[SM_BLOCK_ROWS];
    find_again(f, again);
    for (size_t i = 0; i < rows->n; i++) {
        double raw = rows->stamp[i];
        if (isnan(raw)) {
            f->n_lost_stamps++;
            continue;
        }
        f->max_raw = sm_max(f->max_raw, raw / unit + stamp0);
        double stamp = raw * f->scale + f->wrap_s + f->shift_s;
        bool has_before = out > 0;
        double before = has_before ? rows->stamp[out - 1] : f->last_s;
        copy_row(rows, i, out);
        if (is_again(f, out, stamp, again[i])) {
            continue;
        }
        if (!(stamp > before) && (has_before || f->n_seen)) {
            if (stamp == before && !shares_stamps(f) && same_words(f, out, out - 1, has_before)) {
                sm_events_add(&f->duplicates, stamp, stamp, rows->line[out]);
                continue;
            }
            if (stamp < before) {
                double sorted = stamp;
                if (!backwards(f, out, before, &sorted)) {
                    continue;
                }
                if (sorted == stamp) { /* sorted in: the last row is what it was */
                    out++;
                    continue;
                }
                stamp = sorted;
            }
        }
        if (!(fabs(stamp) < LONGEST_S)) {
            f->n_lost_stamps++;
            continue;
        }
        rows->stamp[out++] = stamp;
    }
    rows->n = out;
    if (out) {
        f->last_s = rows->stamp[out - 1];
        f->head_s = f->last_s;
        f->n_seen += out;
        for (size_t c = 0; c < rows->n_channels; c++) {
            f->last_x[c] = rows->x[c][out - 1];
        }
    }
}

static void drop_first(sm_feed *f)
{
    sm_rows *rows = &f->rows;
    for (size_t i = 1; i < rows->n; i++) {
        copy_row(rows, i, i - 1);
    }
    rows->n--;
}

sm_status sm_feed_read(sm_feed *f, sm_error *err)
{
    do { /* a block of which nothing is left is not the end */
        bool at_start = f->n_seen == 0;
        sm_status st = sm_raw_next(f->raw, &f->rows, err);
        if (st != SM_OK) {
            return st;
        }
        if (f->rows.n == 0) {
            f->ended = true;
            return SM_OK;
        }
        clean(f);
        if (at_start && f->late_start && f->rows.n > 1) {
            drop_first(f);
        }
    } while (f->rows.n == 0);
    const sm_rows *rows = &f->rows;
    for (size_t c = 0; f->checking && c < rows->n_channels; c++) {
        bool sparse = f->n_tracks > 1 || (f->n_tracks == 1 && f->tracks[0].sparse);
        sm_checks_push(&f->checks, c, rows->x[c], rows->n, rows->stamp[0], rows->line, sparse);
    }
    if (f->checking) {
        sm_checks_push_rows(&f->checks, rows->x, rows->n);
    }
    return SM_OK;
}

static bool any_finite(const sm_track *t, const sm_rows *rows, size_t i)
{
    for (size_t c = 0; c < t->n_channels; c++) {
        if (!isnan(rows->x[t->channel[c]][i])) {
            return true;
        }
    }
    return false;
}

static sm_status deal(sm_feed *f)
{
    const sm_rows *rows = &f->rows;
    sm_status st = SM_OK;
    for (size_t k = 0; k < f->n_tracks; k++) {
        sm_track *t = &f->tracks[k];
        for (size_t i = 0; i < rows->n && st == SM_OK; i++) {
            if (!t->sparse || any_finite(t, rows, i)) {
                st = sm_track_push(t, rows->stamp[i], rows->line[i], rows->x, i);
            }
        }
    }
    return st;
}

sm_status sm_feed_more(sm_feed *f, sm_error *err)
{
    sm_status st = sm_feed_read(f, err);
    if (st != SM_OK) {
        return st;
    }
    if (!f->ended) {
        st = deal(f);
    } else {
        for (size_t k = 0; k < f->n_tracks && st == SM_OK; k++) {
            st = sm_track_end(&f->tracks[k]);
        }
        f->head_s = INFINITY;
    }
    return st == SM_OK ? SM_OK : sm_error_set(err, st, sm_feed_path(f), 0, "out of memory");
}

static void start(sm_feed *f)
{
    f->ended = false;
    f->wrap_s = 0;
    f->last_s = f->head_s = -INFINITY;
    f->max_raw = 0;
    f->n_seen = 0;
    f->n_lost_stamps = 0;
    f->duplicates = f->reversed = f->wraps = f->resets = f->gaps = f->repeats = (sm_events){0};
    f->repeating = false;
    f->n_again = 0;
    if (f->repeat.marks) {
        sm_repeat_reset(&f->repeat);
    }
}

sm_status sm_feed_rewind(sm_feed *f, sm_error *err)
{
    start(f);
    for (size_t k = 0; k < f->n_tracks; k++) {
        sm_status st = sm_track_reset(&f->tracks[k]);
        if (st != SM_OK) {
            return sm_error_set(err, st, sm_feed_path(f), 0, "out of memory");
        }
    }
    return sm_raw_rewind(f->raw, err);
}

/* How a channel is present in the look-ahead: rows with a value, and stretches of them. */
typedef struct presence {
    size_t n;
    size_t n_stretches;
    bool sparse;
    size_t track;
} presence;

static bool share_rows(const sm_rows *rows, size_t a, size_t b, double at_least)
{
    size_t both = 0;
    size_t either = 0;
    for (size_t i = 0; i < rows->n; i++) {
        bool in_a = !isnan(rows->x[a][i]);
        bool in_b = !isnan(rows->x[b][i]);
        both += in_a && in_b;
        either += in_a || in_b;
    }
    return (double)both > at_least * (double)either;
}

static bool never_together(const sm_rows *rows, size_t a, size_t b)
{
    for (size_t i = 0; i < rows->n; i++) {
        if (!isnan(rows->x[a][i]) && !isnan(rows->x[b][i])) {
            return false;
        }
    }
    return true;
}

static void look_at_presence(const sm_rows *rows, presence *p)
{
    for (size_t c = 0; c < rows->n_channels; c++) {
        bool inside = false;
        p[c] = (presence){0};
        for (size_t i = 0; i < rows->n; i++) {
            bool here = !isnan(rows->x[c][i]);
            p[c].n += here;
            p[c].n_stretches += here && !inside;
            inside = here;
        }
    }
    for (size_t c = 0; c < rows->n_channels; c++) {
        bool few = p[c].n >= 2 && (double)p[c].n < 0.95 * (double)rows->n;
        p[c].sparse = few && 10 * p[c].n_stretches > 3 * p[c].n;
        for (size_t d = 0; few && d < rows->n_channels; d++) {
            p[c].sparse |= p[d].n >= 8 && p[c].n >= 8 && never_together(rows, c, d);
        }
    }
}

static sm_status share_out(sm_feed *f, sm_error *err)
{
    const sm_rows *rows = &f->rows;
    presence p[SM_MAX_CHANNELS];
    look_at_presence(rows, p);
    for (size_t c = 0; c < rows->n_channels; c++) {
        size_t track = f->n_tracks;
        for (size_t d = 0; d < c; d++) {
            bool alike =
                p[c].sparse == p[d].sparse && (!p[c].sparse || share_rows(rows, c, d, 0.9));
            if (alike) {
                track = p[d].track;
                break;
            }
        }
        if (track == SM_MAX_TRACKS) {
            return sm_error_set(err, SM_E_FORMAT, sm_feed_path(f), rows->line[0],
                                "more than %d sensors with a rate of their own: leave some out "
                                "with role = ignore in a channels file",
                                SM_MAX_TRACKS);
        }
        f->n_tracks += track == f->n_tracks;
        p[c].track = track;
        sm_track *t = &f->tracks[track];
        t->sparse = p[c].sparse;
        t->channel[t->n_channels++] = c;
    }
    return SM_OK;
}

/* Stamps of a track's own rows, and its vibration, from the look-ahead. */
static size_t gather(const sm_feed *f, const sm_track *t, double *stamp, double *x[3], size_t *n_x)
{
    const sm_rows *rows = &f->rows;
    size_t n = 0;
    size_t used[3];
    *n_x = 0;
    for (size_t c = 0; c < t->n_channels && *n_x < 3; c++) {
        sm_role r = sm_feed_info(f)->columns.channels[t->channel[c]].role;
        if (r == SM_ROLE_ACCEL || r == SM_ROLE_GYRO) {
            used[(*n_x)++] = t->channel[c];
        }
    }
    for (size_t i = 0; i < rows->n; i++) {
        if (!t->sparse || any_finite(t, rows, i)) {
            for (size_t k = 0; k < *n_x; k++) {
                x[k][n] = rows->x[used[k]][i];
            }
            stamp[n++] = rows->stamp[i];
        }
    }
    return n;
}

/* Readings of rpm are joined by straight lines: alone in a file, or slower than the rest. */
static bool is_held(const sm_feed *f, const sm_track *t)
{
    const sm_channel *channels = sm_feed_info(f)->columns.channels;
    bool rpm_file = true;
    for (size_t c = 0; c < f->rows.n_channels; c++) {
        rpm_file &= channels[c].role == SM_ROLE_RPM;
    }
    for (size_t c = 0; c < t->n_channels; c++) {
        sm_role r = channels[t->channel[c]].role;
        if (r != SM_ROLE_RPM && r != SM_ROLE_TACH) {
            return false;
        }
    }
    return f->n_tracks > 1 || rpm_file;
}

static void ask_referee(sm_feed *f, sm_track *t, const double *stamp, size_t n, double *const x[3],
                        size_t n_x)
{
    const double *rows[3] = {x[0], x[1], x[2]};
    sm_clock *c = &t->clock;
    int said = c->burst || c->rounded ? 1 : sm_referee(rows, n_x, stamp, n, c->period_s);
    f->referee = said;
    if (said < 0) {
        c->mode = SM_CLOCK_TRUE;
        c->gap_s = sm_max(1.6 * c->period_s, c->period_s + 6 * c->jitter_s);
    }
}

static sm_status judge_track(sm_feed *f, sm_track *t, double *memory, sm_error *err)
{
    const sm_raw_info *info = sm_feed_info(f);
    double *x[3] = {memory + SM_BLOCK_ROWS, memory + (size_t)2 * SM_BLOCK_ROWS,
                    memory + (size_t)3 * SM_BLOCK_ROWS};
    size_t n_x;
    size_t n = gather(f, t, memory, x, &n_x);
    t->held = is_held(f, t);
    sm_status st = t->held && n < 2 ? SM_OK : sm_clock_judge(memory, n, &t->clock);
    if (st == SM_E_SHORT) {
        return sm_error_set(err, SM_E_VALUE, sm_feed_path(f), f->rows.line[0],
                            "time column '%s' does not advance: no rate can be had from it",
                            info->columns.time_column);
    }
    if (st != SM_OK) {
        return sm_error_set(err, st, sm_feed_path(f), 0, "out of memory");
    }
    if (t->clock.mode == SM_CLOCK_LATE && !t->held) {
        ask_referee(f, t, memory, n, x, n_x);
    }
    return SM_OK;
}

/* A declared rate rules: stamps are stretched to it. */
static void apply_declared_rate(sm_feed *f)
{
    const sm_raw_info *info = sm_feed_info(f);
    sm_track *main_track = &f->tracks[0];
    for (size_t k = 1; k < f->n_tracks; k++) {
        if (!f->tracks[k].held && f->tracks[k].clock.period_s < main_track->clock.period_s) {
            main_track = &f->tracks[k];
        }
    }
    f->judged_rate_hz = 1 / main_track->clock.period_s;
    if (info->exact_clock) {
        if (f->n_tracks == 1) {
            main_track->clock.period_s = 1 / info->rate_hz;
            main_track->clock.gap_s = 1.5 / info->rate_hz;
            main_track->clock.mode =
                main_track->clock.mode == SM_CLOCK_CLEAN ? SM_CLOCK_EXACT : SM_CLOCK_CLEAN;
        }
        return;
    }
    if (info->rate_hz > 0) {
        double stretch = f->judged_rate_hz / info->rate_hz;
        f->scale *= stretch;
        for (size_t k = 0; k < f->n_tracks; k++) {
            sm_clock *c = &f->tracks[k].clock;
            c->period_s *= stretch;
            c->median_s *= stretch;
            c->gap_s *= stretch;
            c->jitter_s *= stretch;
        }
    }
}

/* Reads the whole file for the slope of its rough clocks. */
static sm_status prescan(sm_feed *f, sm_error *err)
{
    sm_status st = sm_feed_rewind(f, err);
    while (st == SM_OK && !f->ended) {
        st = sm_feed_more(f, err);
        for (size_t k = 0; k < f->n_tracks; k++) {
            sm_fifo_drop(&f->tracks[k].ready, f->tracks[k].ready.n);
        }
    }
    for (size_t k = 0; k < f->n_tracks && st == SM_OK; k++) {
        sm_clock *c = &f->tracks[k].clock;
        double p = sm_slope_value(&f->tracks[k].slope, c->period_s);
        if (!f->tracks[k].held && fabs(p / c->period_s - 1) < 0.05) {
            c->period_s = p;
        }
    }
    f->prescanned = true;
    return st;
}

static sm_status judge_all(sm_feed *f, sm_error *err)
{
    double *memory = sm_alloc_array((size_t)4 * SM_BLOCK_ROWS, sizeof *memory);
    sm_status st =
        memory ? SM_OK : sm_error_set(err, SM_E_NOMEM, sm_feed_path(f), 0, "out of memory");
    for (size_t k = 0; k < f->n_tracks && st == SM_OK; k++) {
        st = judge_track(f, &f->tracks[k], memory, err);
    }
    sm_free(memory);
    if (st != SM_OK) {
        return st;
    }
    const sm_rows *rows = &f->rows;
    f->late_start = f->n_tracks == 1 && rows->n > 8 &&
                    rows->stamp[1] - rows->stamp[0] > 3 * f->tracks[0].clock.period_s;
    apply_declared_rate(f);
    return SM_OK;
}

static sm_status open_tracks(sm_feed *f, sm_error *err)
{
    bool rough = false;
    for (size_t k = 0; k < f->n_tracks; k++) {
        sm_track *t = &f->tracks[k];
        if (sm_track_open(t) != SM_OK) {
            return sm_error_set(err, SM_E_NOMEM, sm_feed_path(f), 0, "out of memory");
        }
        rough |= !t->held && (t->clock.mode == SM_CLOCK_LATE || t->clock.mode == SM_CLOCK_TRUE);
    }
    f->simple = f->n_tracks == 1 && !rough && !f->tracks[0].held && !f->tracks[0].sparse;
    if (rough && sm_raw_can_rewind_whole(f->raw)) {
        return prescan(f, err);
    }
    return SM_OK;
}

static sm_status open_all(sm_feed *f, const char *path, const char *channels_path,
                          sm_hashing hashing, sm_error *err)
{
    sm_status st = sm_raw_open(path, channels_path, hashing, &f->raw, err);
    if (st != SM_OK) {
        return st;
    }
    size_t n = sm_feed_info(f)->columns.n_channels;
    f->last_x = sm_alloc_array(n, sizeof *f->last_x);
    if (!f->last_x || sm_rows_open(&f->rows, n) != SM_OK) {
        return sm_error_set(err, SM_E_NOMEM, path, 0, "out of memory");
    }
    f->scale = 1;
    for (size_t c = 0; c < n; c++) {
        sm_role r = sm_feed_info(f)->columns.channels[c].role;
        f->vibrates |= r == SM_ROLE_ACCEL || r == SM_ROLE_GYRO;
    }
    start(f);
    st = sm_feed_read(f, err);
    f->stamp0_s = sm_raw_stamp0(f->raw) * sm_feed_info(f)->stamp_to_s;
    if (st == SM_OK && f->rows.n < 2) {
        st = sm_error_set(err, SM_E_SHORT, path, sm_raw_counts_get(f->raw)->last_line,
                          "only %zu row%s with a time and a number: too few to say anything",
                          f->rows.n, f->rows.n == 1 ? "" : "s");
    }
    if (st == SM_OK) {
        st = share_out(f, err);
    }
    if (st == SM_OK) {
        st = judge_all(f, err);
    }
    if (st == SM_OK && f->vibrates && sm_repeat_open(&f->repeat, UINT64_MAX) != SM_OK) {
        st = sm_error_set(err, SM_E_NOMEM, path, 0, "out of memory");
    }
    if (st == SM_OK) {
        st = open_tracks(f, err);
    }
    if (st == SM_OK) {
        /* of any rate: what cannot be is refused later */
        f->repeat.soon = (uint64_t)sm_min(REPEAT_SOON_S / f->tracks[0].clock.period_s, 1e9);
        st = sm_feed_rewind(f, err);
    }
    if (st == SM_OK && sm_checks_open(&f->checks, sm_feed_info(f)->columns.channels, n,
                                      f->tracks[0].clock.period_s) != SM_OK) {
        st = sm_error_set(err, SM_E_NOMEM, path, 0, "out of memory");
    }
    return st;
}

sm_status sm_feed_open(const char *path, const char *channels_path, sm_hashing hashing,
                       sm_feed *out, sm_error *err)
{
    memset(out, 0, sizeof *out);
    sm_status st = open_all(out, path, channels_path, hashing, err);
    if (st != SM_OK) {
        sm_feed_close(out);
    }
    return st;
}

void sm_feed_close(sm_feed *f)
{
    for (size_t k = 0; k < f->n_tracks; k++) {
        sm_track_close(&f->tracks[k]);
    }
    sm_checks_close(&f->checks);
    sm_repeat_close(&f->repeat);
    sm_rows_close(&f->rows);
    sm_raw_close(&f->raw);
    sm_free(f->last_x);
    memset(f, 0, sizeof *f);
}
