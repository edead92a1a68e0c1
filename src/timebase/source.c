/* Opening a source, running it, and what is known about it afterwards. */
#include "stillmount/source.h"

#include "core/alloc.h"
#include "core/util.h"
#include "timebase/run_file.h"
#include "timebase/source_parts.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

sm_source_options sm_source_options_default(void)
{
    return (sm_source_options){.channels_path = NULL, .hash = true, .threads = 1};
}

static int class_of(const sm_channel *c)
{
    return c->role == SM_ROLE_RPM ? 2 : c->role == SM_ROLE_TACH ? 1 : 0;
}

static size_t track_of(const sm_feed *f, size_t raw, size_t *column)
{
    for (size_t k = 0; k < f->n_tracks; k++) {
        for (size_t c = 0; c < f->tracks[k].n_channels; c++) {
            if (f->tracks[k].channel[c] == raw) {
                *column = c;
                return k;
            }
        }
    }
    *column = 0;
    return 0;
}

static sm_status same_role(const sm_source *s, const sm_channel *c, size_t feed, sm_error *err)
{
    for (size_t i = 0; i < s->n_channels; i++) {
        if (strcmp(s->channels[i].name, c->name) == 0) {
            return sm_error_set(err, SM_E_FORMAT, sm_feed_path(&s->feeds[feed]), 0,
                                "its %s is already in %s: give one of the two a place of its own, "
                                "or role = ignore, in a channels file",
                                c->name, sm_feed_path(&s->feeds[s->origins[i].feed]));
        }
    }
    return s->n_channels < SM_MAX_CHANNELS
               ? SM_OK
               : sm_error_set(err, SM_E_FORMAT, sm_feed_path(&s->feeds[feed]), 0,
                              "more than %d channels in the run", SM_MAX_CHANNELS);
}

static sm_status gather_channels(sm_source *s, sm_error *err)
{
    s->channels = sm_alloc_array(SM_MAX_CHANNELS, sizeof *s->channels);
    s->origins = sm_alloc_array(SM_MAX_CHANNELS, sizeof *s->origins);
    s->clips = sm_alloc_array(SM_MAX_CHANNELS, sizeof *s->clips);
    if (!s->channels || !s->origins || !s->clips) {
        return sm_error_set(err, SM_E_NOMEM, sm_feed_path(&s->feeds[0]), 0, "out of memory");
    }
    for (int class = 0; class < 3; class ++) {
        for (size_t f = 0; f < s->n_feeds; f++) {
            const sm_columns *columns = &sm_feed_info(&s->feeds[f])->columns;
            for (size_t i = 0; i < columns->n_channels; i++) {
                const sm_channel *c = &columns->channels[i];
                if (class_of(c) != class) {
                    continue;
                }
                sm_status st = same_role(s, c, f, err);
                if (st != SM_OK) {
                    return st;
                }
                sm_origin *o = &s->origins[s->n_channels];
                *o = (sm_origin){.feed = f, .raw = i, .turn = -1};
                o->track = track_of(&s->feeds[f], i, &o->column);
                s->channels[s->n_channels] = *c;
                s->channels[s->n_channels++].stamp0_s = s->feeds[f].stamp0_s;
            }
        }
    }
    return SM_OK;
}

/* The fastest track with vibration; without any, one with a tach; else it is an rpm log. */
static void choose_master(sm_source *s)
{
    double best = -1;
    s->only_speed = true;
    for (size_t i = 0; i < s->n_channels; i++) {
        const sm_origin *o = &s->origins[i];
        const sm_track *t = &s->feeds[o->feed].tracks[o->track];
        bool vibration =
            s->channels[i].role == SM_ROLE_ACCEL || s->channels[i].role == SM_ROLE_GYRO;
        double rank = t->held ? 0 : (vibration ? 1e9 : 1) + 1 / t->clock.period_s;
        if (rank > best * (1 + 1e-9)) {
            best = rank;
            s->master_feed = o->feed;
            s->master_track = o->track;
        }
        s->only_speed &= t->held;
    }
    const sm_clock *clock = &s->feeds[s->master_feed].tracks[s->master_track].clock;
    s->period_s = clock->period_s;
    if (s->only_speed) {
        s->period_s = clock->period_s > 0 ? sm_min(0.1, sm_max(1e-3, clock->median_s)) : 0.1;
    }
    for (size_t i = 0; i < s->n_channels; i++) { /* slower than the grid: said in the channel */
        const sm_origin *o = &s->origins[i];
        const sm_track *t = &s->feeds[o->feed].tracks[o->track];
        if (!t->held && t->clock.period_s > 1.02 * s->period_s) {
            s->channels[i].native_rate_hz = 1 / t->clock.period_s;
        }
    }
}

static sm_status find_turns(sm_source *s, sm_error *err)
{
    for (size_t i = 0; i < s->n_channels; i++) {
        const sm_channel *c = &s->channels[i];
        const sm_feed *f = &s->feeds[s->origins[i].feed];
        sm_turn t = {.channel = {s->n_channels, s->n_channels, s->n_channels}};
        if (c->axis < 0 || s->origins[i].turn >= 0 || !sm_raw_turn(f->raw, c->place, t.m)) {
            continue;
        }
        for (size_t k = 0; k < s->n_channels; k++) {
            if (s->channels[k].axis >= 0 && s->channels[k].role == c->role &&
                strcmp(s->channels[k].place, c->place) == 0) {
                t.channel[s->channels[k].axis] = k;
            }
        }
        for (int a = 0; a < 3; a++) {
            if (t.channel[a] == s->n_channels) {
                return sm_error_set(err, SM_E_FORMAT, sm_feed_path(f), 0,
                                    "[orientation %s] with a matrix needs x, y and z of the "
                                    "sensor, and %c of %s is missing",
                                    c->place, 'x' + a, c->name);
            }
        }
        for (int a = 0; a < 3; a++) {
            s->origins[t.channel[a]].turn = (int)s->n_turns;
        }
        if (s->n_turns == sizeof s->turns / sizeof s->turns[0]) {
            return sm_error_set(err, SM_E_FORMAT, sm_feed_path(f), 0, "too many orientations");
        }
        s->turns[s->n_turns++] = t;
    }
    return SM_OK;
}

static void describe_clock(const sm_feed *f, const sm_track *t, sm_text *out)
{
    const sm_clock *c = &t->clock;
    if (t->held) {
        bool times = sm_feed_info(f)->columns.channels[t->channel[0]].quantity == SM_QUANTITY_TIME;
        sm_text_add(out, times ? "tach: times of pulses\n"
                               : "rpm: straight lines between the readings\n");
        return;
    }
    sm_text_addf(out, "%s: ", sm_feed_info(f)->columns.channels[t->channel[0]].name);
    sm_text_add_number(out, 1 / c->period_s, 7);
    sm_text_add(out, " Hz, ");
    if (c->mode == SM_CLOCK_EXACT) {
        sm_text_add(out, "rows are counted\n");
    } else if (c->mode == SM_CLOCK_CLEAN) {
        sm_text_add(out, "regular stamps\n");
    } else if (c->mode == SM_CLOCK_TRUE) {
        sm_text_add(out, "irregular sampling, the vibration says that the stamps are right: "
                         "resampled\n");
    } else if (c->burst) {
        sm_text_addf(out, "%.3g rows share a stamp: time inside a burst reconstructed\n",
                     c->rows_per_stamp);
    } else if (c->rounded) {
        sm_text_add(out, "stamps are coarsely rounded: rows taken as evenly spaced\n");
    } else {
        sm_text_addf(out, "rough stamps%s: rows taken as evenly spaced\n",
                     f->referee > 0 ? ", and the vibration says that the samples are regular" : "");
    }
}

static sm_status describe(sm_source *s, const char *path, sm_error *err)
{
    for (size_t f = 0; f < s->n_feeds; f++) {
        const sm_raw_info *raw = sm_feed_info(&s->feeds[f]);
        if (s->n_feeds > 1) {
            sm_text_addf(&s->decided, "file %s\n", sm_file_name(sm_feed_path(&s->feeds[f])));
        }
        sm_text_add(&s->decided, raw->columns.decided.s ? raw->columns.decided.s : "");
        for (size_t k = 0; k < s->feeds[f].n_tracks; k++) {
            describe_clock(&s->feeds[f], &s->feeds[f].tracks[k], &s->decided);
        }
    }
    if (s->decided.failed || !s->decided.s) {
        return sm_error_set(err, SM_E_NOMEM, path, 0, "out of memory");
    }
    if (!s->name[0]) {
        const char *name = strcmp(path, "-") == 0 ? "standard input" : sm_file_name(path);
        sm_text_inert(name, strlen(name), s->name, sizeof s->name);
    }
    size_t extra = 0;
    if (s->pulse_filter) { /* behind the others; nothing below knows of it */
        for (size_t i = 0; i < s->n_channels; i++) {
            if (s->channels[i].role == SM_ROLE_TACH || s->n_channels == SM_MAX_CHANNELS) {
                return sm_error_set(err, SM_E_FORMAT, path, 0,
                                    "both a tach channel and a file of pulse times: give one of "
                                    "the two role = ignore, or leave the file out");
            }
        }
        s->channels[s->n_channels] = s->pulses.channel;
        extra = 1;
    }
    s->info = (sm_source_info){.channels = s->channels,
                               .n_channels = s->n_channels + extra,
                               .rate_hz = 1 / s->period_s,
                               .decided = s->decided.s,
                               .name = s->name,
                               .note = s->note,
                               .rpm_notes = s->rpm_notes,
                               .rpm_notes_file = s->rpm_notes_file,
                               .rpm_notes_line = s->rpm_notes_line};
    return SM_OK;
}

sm_hashing sm_source_hashing(const sm_source_options *o)
{
    if (!o->hash) {
        return SM_HASH_NONE;
    }
    /* besides the threads that were asked for: from three on one that reads ahead */
    long busy = o->threads + (o->threads > 2);
    bool crowded = o->threads > 1 && sysconf(_SC_NPROCESSORS_ONLN) <= busy;
    return crowded ? SM_HASH_AROUND : SM_HASH_BESIDE;
}

static sm_status open_feeds(sm_source *s, const char *path, const sm_source_options *o,
                            sm_error *err)
{
    bool is_run = false;
    sm_status st = sm_run_file_is(path, &is_run, err);
    s->feeds = sm_alloc_array(is_run ? SM_MAX_FILES : 1, sizeof *s->feeds);
    if (!s->feeds) {
        return sm_error_set(err, SM_E_NOMEM, path, 0, "out of memory");
    }
    if (st == SM_OK && is_run) {
        return sm_run_file_open(s, path, o, err);
    }
    if (st == SM_OK) {
        st = sm_feed_open(path, o->channels_path, sm_source_hashing(o), &s->feeds[0], err);
    }
    s->n_feeds = st == SM_OK;
    return st;
}

/* No sensor that is meant here is sampled faster; a time in the wrong unit looks like it. */
static const double RATE_MOST_HZ = 1e6;

static sm_status check_rate(const sm_source *s, sm_error *err)
{
    double rate_hz = 1 / s->period_s;
    if (rate_hz <= RATE_MOST_HZ * (1 + 1e-9)) {
        return SM_OK;
    }
    const sm_feed *f = &s->feeds[s->master_feed];
    return sm_error_set(err, SM_E_VALUE, sm_feed_path(f), 0,
                        "sampled at %.3g Hz, if the time in it is right; at most %.0g can be read: "
                        "give the unit of the time, or rate_hz, in a channels file",
                        rate_hz, RATE_MOST_HZ);
}

sm_status sm_source_open(const char *path, const sm_source_options *opt, sm_source **out,
                         sm_error *err)
{
    sm_source_options o = opt ? *opt : sm_source_options_default();
    sm_source *s = sm_alloc_array(1, sizeof *s);
    if (!s) {
        return sm_error_set(err, SM_E_NOMEM, path, 0, "out of memory");
    }
    /* with two, rows that change threads once more cost what their reading beside would gain */
    s->read_ahead = o.threads > 2;
    s->identify_later = o.identify_later;
    sm_status st = open_feeds(s, path, &o, err);
    if (st == SM_OK) {
        st = gather_channels(s, err);
    }
    if (st == SM_OK) {
        choose_master(s);
        st = check_rate(s, err);
    }
    if (st == SM_OK) {
        st = find_turns(s, err);
    }
    if (st == SM_OK) {
        st = describe(s, path, err);
    }
    if (st == SM_OK && (s->n_feeds > 1 || !s->feeds[0].simple)) {
        s->scratch = sm_alloc_array(s->n_channels * SM_BLOCK_ROWS, sizeof *s->scratch);
        st = s->scratch ? SM_OK : sm_error_set(err, SM_E_NOMEM, path, 0, "out of memory");
    }
    if (st == SM_OK) {
        *out = s;
    } else {
        sm_source_close(&s);
    }
    return st;
}

const sm_source_info *sm_source_info_get(const sm_source *s)
{
    return &s->info;
}

const sm_source_totals *sm_source_totals_get(const sm_source *s)
{
    return &s->totals;
}

static void note_gap(void *self, double from_s, double to_s, long line)
{
    sm_events_add(self, from_s, to_s, line);
}

static sm_status prepare(sm_source *s, sm_error *err)
{
    s->any_finite = false;
    s->start_s = s->end_s = 0;
    for (size_t f = 0; f < s->n_feeds; f++) {
        sm_feed *feed = &s->feeds[f];
        feed->checking = !s->checked;
        if (feed->checking) { /* also after a pump that failed half way */
            sm_checks_reset(&feed->checks, sm_feed_info(feed)->columns.channels);
        }
        sm_status st = sm_feed_rewind(feed, err);
        if (st != SM_OK) {
            return st;
        }
        for (size_t k = 0; k < feed->n_tracks; k++) {
            feed->tracks[k].gaps = (sm_gap_sink){&feed->gaps, note_gap};
        }
        if (s->read_ahead) {
            sm_raw_read_ahead(feed->raw);
        }
    }
    return SM_OK;
}

sm_status sm_source_identify(sm_source *s, sm_error *err)
{
    for (size_t f = 0; f < s->n_feeds && !s->identified; f++) {
        sm_status st = sm_raw_identity(s->feeds[f].raw, &s->identities[f], err);
        if (st != SM_OK) {
            return st;
        }
    }
    if (s->pulses.n > 0) {
        s->identities[s->n_feeds] = s->pulses.identity;
    }
    s->identified = true;
    return SM_OK;
}

/* Levels of the samples as they were sent: what was turned or resampled has none. */
static void take_clips(sm_source *s)
{
    for (size_t i = 0; i < s->n_channels; i++) {
        const sm_origin *o = &s->origins[i];
        const sm_feed *f = &s->feeds[o->feed];
        const sm_track *t = &f->tracks[o->track];
        s->clips[i] = sm_clip_levels_get(&f->checks.items[o->raw].clip);
        bool kept = o->feed == s->master_feed && o->track == s->master_track &&
                    t->clock.mode != SM_CLOCK_TRUE && o->turn < 0;
        if (kept) {
            continue;
        }
        bool clipped = sm_clip_count(&f->checks.items[o->raw].clip, NULL, NULL) > 0;
        for (int a = 0; a < 3 && o->turn >= 0; a++) {
            const sm_origin *other = &s->origins[s->turns[o->turn].channel[a]];
            clipped |=
                sm_clip_count(&s->feeds[other->feed].checks.items[other->raw].clip, NULL, NULL) > 0;
        }
        s->clips[i] = (sm_clip_levels){NAN, NAN, clipped};
    }
}

const sm_clip_levels *sm_source_clip_levels(const sm_source *s, size_t i_channel)
{
    return i_channel < s->n_channels && s->checked ? &s->clips[i_channel] : NULL;
}

static void take_totals(sm_source *s)
{
    const sm_feed *m = &s->feeds[s->master_feed];
    const sm_track *t = &m->tracks[s->master_track];
    double n = s->only_speed || m->simple ? (double)m->n_seen : (double)t->n_rows;
    double seconds = s->end_s - (m->late_start ? m->shift_s : s->start_s);
    n += m->late_start && !m->simple; /* the lonely first row counts here */
    uint64_t rows = 0;
    for (size_t f = 0; f < s->n_feeds; f++) {
        rows += sm_raw_counts_get(s->feeds[f].raw)->n_rows;
    }
    double period = s->only_speed ? s->period_s : sm_slope_value(&t->slope, s->period_s);
    double median = t->clock.median_s > 0 ? t->clock.median_s : s->period_s;
    s->totals = (sm_source_totals){.seconds = seconds,
                                   .n_rows = rows,
                                   .measured_rate_hz = period > 0 ? 1 / period : 0,
                                   .median_rate_hz = 1 / median,
                                   .mean_rate_hz = seconds > 0 ? (n - 1) / seconds : 0,
                                   .files = s->identities,
                                   .n_files = s->n_feeds + (s->pulses.n > 0)};
}

sm_status sm_source_pump(sm_source *s, const sm_sink *sink, sm_findings *findings, sm_error *err)
{
    sm_status st = prepare(s, err);
    if (st != SM_OK) {
        return st;
    }
    sm_sink with_pulses;
    if (s->pulse_filter) {
        s->pulse_filter->next = *sink;
        s->pulse_filter->i = 0;
        with_pulses = sm_pulse_filter_sink(s->pulse_filter);
        sink = &with_pulses;
    }
    bool simple = s->n_feeds == 1 && s->feeds[0].simple;
    st = simple ? sm_source_pass(s, sink, err) : sm_source_join(s, sink, err);
    for (size_t f = 0; f < s->n_feeds && st == SM_OK; f++) {
        while (st == SM_OK && !s->feeds[f].ended) { /* a longer file is read to its end */
            st = sm_feed_read(&s->feeds[f], err);
        }
    }
    if (st == SM_OK && !s->any_finite) {
        st = sm_error_set(err, SM_E_VALUE, sm_feed_path(&s->feeds[0]),
                          sm_raw_counts_get(s->feeds[0].raw)->last_line,
                          "not one number in any channel: nothing was measured");
    }
    if (st == SM_OK && !s->identify_later) {
        st = sm_source_identify(s, err);
    }
    if (st != SM_OK) {
        if (err && !err->source[0]) { /* a later stage does not know the file */
            (void)snprintf(err->source, sizeof err->source, "%s", sm_feed_path(&s->feeds[0]));
        }
        return st;
    }
    take_totals(s);
    if (!s->checked) {
        s->checked = true;
        take_clips(s);
    }
    if (findings) {
        sm_source_report(s, findings);
        if (findings->failed) {
            return sm_error_set(err, SM_E_NOMEM, sm_feed_path(&s->feeds[0]), 0, "out of memory");
        }
    }
    return sink->mark(sink->self, SM_MARK_END, s->end_s, err);
}

void sm_source_close(sm_source **s)
{
    if (!*s) {
        return;
    }
    for (size_t f = 0; f < (*s)->n_feeds; f++) {
        sm_feed_close(&(*s)->feeds[f]);
    }
    sm_free((*s)->feeds);
    sm_free((*s)->channels);
    sm_free((*s)->origins);
    sm_free((*s)->clips);
    sm_free((*s)->scratch);
    sm_free((*s)->pulse_filter);
    sm_pulses_free(&(*s)->pulses);
    sm_text_free(&(*s)->decided);
    sm_free(*s);
    *s = NULL;
}
