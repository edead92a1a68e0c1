/* Findings about the time column and the file as a whole; those about samples are in checks.c. */
#include "core/util.h"
#include "timebase/source_parts.h"

#include <math.h>
#include <stdio.h>

static void place_all(sm_finding *f, const sm_events *e)
{
    for (long i = 0; i < e->n && i < SM_FINDING_PLACES; i++) {
        sm_finding_place(f, e->at[i].t0_s, e->at[i].t1_s, e->at[i].line);
    }
}

static void report_gaps(const sm_feed *f, double period_s, sm_findings *out)
{
    if (f->gaps.n == 0) {
        return;
    }
    double lost_s = f->gaps.total_s - (double)f->gaps.n * period_s;
    sm_finding *g = sm_findings_add(out, "gap", SM_WARNING, NULL, f->gaps.n);
    place_all(g, &f->gaps);
    sm_finding_effect(g, "nothing is analysed across a gap: stretches that touch one are not used");
    sm_finding_text(g,
                    "rows lost: %ld gap%s, %.4g ms missing together. A faster card or a lower "
                    "rate helps",
                    f->gaps.n, f->gaps.n == 1 ? "" : "s", 1000 * sm_max(0, lost_s));
}

static void report_order(const sm_feed *f, sm_findings *out)
{
    if (f->duplicates.n) {
        sm_finding *g = sm_findings_add(out, "duplicate-time", SM_NOTE, NULL, f->duplicates.n);
        place_all(g, &f->duplicates);
        sm_finding_effect(g, "none: the second of two equal rows is left out");
        sm_finding_text(g, "%ld rows repeat the row before, stamp and all", f->duplicates.n);
    }
    if (f->reversed.n) {
        sm_finding *g = sm_findings_add(out, "time-reversed", SM_WARNING, NULL, f->reversed.n);
        place_all(g, &f->reversed);
        sm_finding_effect(g, "none where the rows could be put back in order");
        sm_finding_text(g, "%ld rows stand after later ones and were put back in order",
                        f->reversed.n);
    }
    if (f->resets.n) {
        sm_finding *g = sm_findings_add(out, "time-reversed",
                                        f->resets.n > RESETS_MOST ? SM_BLOCKING : SM_WARNING, NULL,
                                        f->resets.n);
        place_all(g, &f->resets);
        sm_finding_effect(g, "what follows counts as a new stretch; its distance is not known");
        sm_finding_text(g, "time jumps back %ld time%s: the logger was started again", f->resets.n,
                        f->resets.n == 1 ? "" : "s");
    }
    if (f->wraps.n) {
        sm_finding *g = sm_findings_add(out, "time-wrapped", SM_NOTE, NULL, f->wraps.n);
        place_all(g, &f->wraps);
        sm_finding_effect(g, "none: the counter's overflow was undone");
        sm_finding_text(g, "the time counter overflows %ld time%s", f->wraps.n,
                        f->wraps.n == 1 ? "" : "s");
    }
}

#define REPEAT_BLOCKS_S 1.0

static void report_repeats(const sm_feed *f, double period_s, sm_findings *out)
{
    double left_in_s = ((double)f->repeat.n_rows - (double)f->n_again) * period_s;
    if (f->repeats.n == 0) {
        return;
    }
    bool blocks = left_in_s >= REPEAT_BLOCKS_S;
    sm_finding *g = sm_findings_add(out, "repeated-rows", blocks ? SM_BLOCKING : SM_WARNING, NULL,
                                    (long)f->repeat.n_rows);
    place_all(g, &f->repeats);
    sm_finding_effect(g, blocks ? "nothing can be within: seconds would count twice"
                                : "none: what was left out counts once");
    sm_finding_text(g,
                    "%.3g s of the log repeat an earlier stretch to the last digit%s. Use the "
                    "recording as the logger wrote it",
                    (double)f->repeat.n_rows * period_s,
                    f->n_again ? ": a recording was appended to itself; left out" : "");
}

static void report_jitter(const sm_feed *f, const sm_track *t, sm_findings *out)
{
    const sm_clock *c = &t->clock;
    if (t->held || (c->mode != SM_CLOCK_LATE && c->mode != SM_CLOCK_TRUE)) {
        return;
    }
    sm_finding *g = sm_findings_add(out, "jitter", SM_WARNING, NULL, 1);
    if (c->mode == SM_CLOCK_TRUE) {
        sm_finding_effect(g, "resampled to an even grid; nothing above 0.4 of the rate");
        sm_finding_text(g,
                        "the sampling is irregular by %.3g ms rms and the stamps are right. Let "
                        "the logger's timer start each sample",
                        1000 * c->jitter_s);
    } else if (c->burst) {
        sm_finding_effect(g, "none on levels; phase against another clock is less sure");
        sm_finding_text(g,
                        "stamps are burst stamps, %.3g rows each; time inside a burst is "
                        "reconstructed. Let the sensor's timer stamp each row",
                        c->rows_per_stamp);
    } else {
        sm_finding_effect(g, "none on levels; phase against another clock is less sure");
        sm_finding_text(g,
                        "stamps are off by %.3g ms rms%s; rows are taken as evenly spaced. Let the "
                        "sensor's timer stamp each row, not the computer",
                        1000 * c->jitter_s,
                        c->rounded       ? " because they are rounded"
                        : f->referee > 0 ? " and the vibration says that the samples are even"
                                         : "; the vibration cannot say which is right");
    }
}

static void report_rate(const sm_source *s, const sm_feed *f, sm_findings *out)
{
    const sm_raw_info *info = sm_feed_info(f);
    double measured = f->judged_rate_hz;
    if (f == &s->feeds[s->master_feed] && info->rate_hz <= 0) {
        measured = s->totals.measured_rate_hz;
    }
    double said = info->nominal_rate_hz > 0 ? info->nominal_rate_hz : 0;
    bool ruled = !info->exact_clock && info->rate_hz > 0;
    said = ruled ? info->rate_hz : said;
    if (info->exact_clock || said <= 0 || fabs(measured / said - 1) <= 0.005) {
        return;
    }
    sm_finding *g = sm_findings_add(out, "rate-mismatch", SM_WARNING, NULL, 1);
    sm_finding_effect(g, ruled ? "every frequency follows the declared rate"
                               : "every frequency follows the stamps");
    sm_finding_text(g,
                    "the stamps give %.6g Hz, %s says %.6g Hz (%+.2f %%): one of the two clocks "
                    "is wrong, or rows are lost regularly. Check with a known frequency",
                    measured, ruled ? "the channels file" : "the log or channels file", said,
                    100 * (measured / said - 1));
}

/* Loss that has no gap to show for it: far fewer rows than the step between rows promises. */
static void report_loss(const sm_source *s, sm_findings *out)
{
    const sm_source_totals *t = &s->totals;
    const sm_feed *f = &s->feeds[s->master_feed];
    double step_rate = t->median_rate_hz;
    if (f->gaps.n || s->only_speed || f->tracks[s->master_track].clock.mode == SM_CLOCK_LATE ||
        f->tracks[s->master_track].clock.mode == SM_CLOCK_TRUE ||
        fabs(t->mean_rate_hz / step_rate - 1) < 0.01) {
        return;
    }
    sm_finding *g = sm_findings_add(out, "rate-mismatch", SM_WARNING, NULL, 1);
    sm_finding_effect(g, "frequencies may be off by that much");
    sm_finding_text(g,
                    "the usual step between rows is that of %.6g Hz, but all rows over all time "
                    "give %.6g Hz",
                    step_rate, t->mean_rate_hz);
}

static void report_cells(const sm_feed *f, sm_findings *out)
{
    const sm_raw_counts *c = sm_raw_counts_get(f->raw);
    long n = c->n_bad_cells + c->n_junk_lines + f->n_lost_stamps;
    if (n) {
        sm_finding *g = sm_findings_add(out, "missing-values", SM_WARNING, NULL, n);
        sm_finding_place(g, NAN, NAN, c->bad_line ? c->bad_line : c->junk_line);
        sm_finding_effect(g, "stretches of analysis that touch one are not used");
        sm_finding_text(g,
                        "%ld cells hold words where a number was expected, %ld lines no number "
                        "at all, %ld rows no time that can be used",
                        c->n_bad_cells, c->n_junk_lines, f->n_lost_stamps);
    }
    if (c->cut_short) {
        bool lines = c->last_line > 0;
        sm_finding *g = sm_findings_add(out, "cut-short", lines ? SM_NOTE : SM_WARNING, NULL, 1);
        sm_finding_place(g, NAN, NAN, lines ? c->last_line + 1 : 0);
        sm_finding_effect(g, lines ? "none: the incomplete last line is left out"
                                   : "only what stands before the break is judged");
        sm_finding_text(g, "%s: the logger lost power or was unplugged",
                        lines ? "the last line breaks off" : "the recording breaks off");
    }
}

#define LOSSES_APART_S 10.0 /* rows lost no faster: nine stretches in ten are whole */

/* What the log says of itself: behind the rows that it holds there were others. */
static void report_told(const sm_source *s, const sm_feed *f, sm_findings *out)
{
    const sm_raw_counts *c = sm_raw_counts_get(f->raw);
    if (c->n_lost + c->n_overflows == 0) {
        return;
    }
    bool counted = sm_feed_info(f)->columns.time_kind == SM_TIME_NONE;
    bool many = c->n_overflows > 0 || (double)c->n_lost > s->totals.seconds / LOSSES_APART_S;
    bool blocks = counted && many;
    sm_finding *g = sm_findings_add(out, "rows-lost", blocks ? SM_BLOCKING : SM_WARNING, NULL,
                                    c->n_lost + c->n_overflows);
    sm_finding_place(g, NAN, NAN, c->lost_line);
    sm_finding_effect(g, blocks    ? "nothing can be within: rows are counted, and where some are "
                                     "missing nobody knows"
                         : counted ? "a stretch of analysis that holds such a place may read low"
                                   : "none beside the gaps that the stamps show");
    char said[80];
    (void)snprintf(said, sizeof said, "%ld %s", c->n_overflows ? c->n_overflows : c->n_lost,
                   c->n_overflows ? "overflows" : "rows lost");
    sm_finding_text(g,
                    "the log itself counts %s%s. A faster card or a lower rate helps; a time "
                    "column shows where",
                    said, c->n_overflows ? ", each of them rows that are not there" : "");
}

static void report_length(const sm_source *s, sm_findings *out)
{
    if (s->only_speed || s->totals.seconds >= 3) {
        return;
    }
    sm_finding *g = sm_findings_add(out, "too-short", SM_BLOCKING, NULL, 1);
    sm_finding_effect(g, "nothing can be judged");
    sm_finding_text(g, "%.3g s of log: at least 3 s are needed, and a run-up takes minutes",
                    s->totals.seconds);
}

static void report_start(const sm_feed *f, sm_findings *out)
{
    if (!f->late_start) {
        return;
    }
    sm_finding *g = sm_findings_add(out, "start-up-transient", SM_NOTE, NULL, 1);
    sm_finding_place(g, 0, 0, 0);
    sm_finding_effect(g, "none: the row is left out");
    sm_finding_text(g, "the first row stands alone, well before the second");
}

void sm_source_report(const sm_source *s, sm_findings *out)
{
    for (size_t i = 0; i < s->n_feeds; i++) {
        const sm_feed *f = &s->feeds[i];
        report_gaps(f, f->tracks[0].clock.period_s, out);
        report_order(f, out);
        report_repeats(f, f->tracks[0].clock.period_s, out);
        for (size_t k = 0; k < f->n_tracks; k++) {
            report_jitter(f, &f->tracks[k], out);
        }
        report_rate(s, f, out);
        report_cells(f, out);
        report_told(s, f, out);
        report_start(f, out);
        double rates_hz[SM_MAX_CHANNELS] = {0};
        for (size_t k = 0; k < f->n_tracks; k++) {
            for (size_t c = 0; c < f->tracks[k].n_channels; c++) {
                rates_hz[f->tracks[k].channel[c]] = 1 / f->tracks[k].clock.period_s;
            }
        }
        sm_checks_report(&f->checks, sm_feed_info(f)->columns.channels, rates_hz, out);
    }
    report_loss(s, out);
    report_length(s, out);
}
