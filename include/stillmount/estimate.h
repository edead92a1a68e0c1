/*
 * Speed from the vibration itself, and from slow records of it: a pre-pass over the log. It looks
 * for the whole grid of orders that the powertrain makes, over the whole run at once, and yields
 * speed points for the SM_SPEED_LOG, SM_SPEED_NOTES and SM_SPEED_ESTIMATE sources of the second
 * pass. What it cannot establish it leaves untrusted: a wrong speed told with confidence is the
 * worst that can happen, a refusal is fine.
 *
 * A slow rpm log or typed notes only steer the search; the speed itself always comes from the
 * vibration (drawn straight between readings a second apart, orders of a fast sweep read 2 dB low
 * and more).
 */
#ifndef STILLMOUNT_ESTIMATE_H
#define STILLMOUNT_ESTIMATE_H

#include "stillmount/powertrain.h"
#include "stillmount/source.h"
#include "stillmount/speed.h"

/* Readings of a monitor, or notes. Times on its own clock, from its first reading. */
typedef struct sm_rpm_log {
    double *t_s; /* (n) rising */
    double *rpm; /* (n) of the shaft below */
    size_t n;
    sm_shaft shaft;
    bool shaft_given;  /* the header says crank or prop; else it is the rpm_of shaft */
    double first_s;    /* the first stamp as written */
    char column[96];   /* the column that was read, harmless to print */
    char decided[400]; /* what was decided about the file, lines of text */
} sm_rpm_log;

/**
 * Reads a separate rpm log: delimited text with a header that names a time column (s, ms, us, clock
 * time hh:mm:ss or a date with it) and an rpm column; of several rpm columns the one that names
 * crank, engine or prop and is not all zero. Empty cells, zeros and repeated stamps are left out.
 *
 * Returns SM_OK; SM_E_IO; SM_E_FORMAT (no time or no rpm column; which line, what to write);
 *         SM_E_SHORT (fewer than two readings); SM_E_NOMEM
 */
SM_API SM_NODISCARD sm_status sm_rpm_log_read(const char *path, sm_rpm_log *out, sm_error *err);
/** The same from n bytes of text; source names it in messages. No SM_E_IO. */
SM_API SM_NODISCARD sm_status sm_rpm_log_parse(const char *text, size_t n, const char *source,
                                               sm_rpm_log *out, sm_error *err);
/**
 * "0:40 1800, 1:05 2000": minutes:seconds (or hours:minutes:seconds, or seconds) from the start of
 * the run, and the rpm of the rpm_of shaft then. Text is notes for people too, so the times are
 * taken to be good to a few seconds.
 * Returns SM_OK; SM_E_VALUE (what cannot be read, and the form); SM_E_NOMEM
 */
SM_API SM_NODISCARD sm_status sm_rpm_notes_parse(const char *text, sm_rpm_log *out, sm_error *err);
/** The notes of a run file; an error names the file and the line. Returns as sm_rpm_notes_parse().
 */
SM_API SM_NODISCARD sm_status sm_rpm_notes_read(const sm_source_info *info, sm_rpm_log *out,
                                                sm_error *err);
/**
 * Reads what was given and is not used, because the log has a better speed: a mistake in it is not
 * passed over. rpm_log_path and info may be NULL. Returns as sm_rpm_log_read() and
 * sm_rpm_notes_parse().
 */
SM_API SM_NODISCARD sm_status sm_rpm_given_check(const char *rpm_log_path,
                                                 const sm_source_info *info, sm_error *err);
SM_API void sm_rpm_log_free(sm_rpm_log *log);

typedef struct sm_estimate_options {
    sm_speed_source source; /* SM_SPEED_LOG, SM_SPEED_NOTES or SM_SPEED_ESTIMATE */
    double rpm_lo;          /* where to look, of the rpm_of shaft; both needed, lo < hi */
    double rpm_hi;
    const sm_rpm_log *log; /* LOG, NOTES; kept by reference */
} sm_estimate_options;

/**
 * rpm_lo and rpm_hi from [operating] (idle - 15 % to max + 5 %); where that is silent from the
 * given range (of a budget, NaN = none) widened by a fifth; else 400 to 8000.
 */
SM_API sm_estimate_options sm_estimate_options_default(const sm_powertrain *p, double budget_lo_rpm,
                                                       double budget_hi_rpm);

typedef struct sm_estimate_result {
    sm_speed_point *points; /* (n_points) every 0.1 s; owned, see sm_estimate_result_free() */
    size_t n_points;
    double confidence;     /* share of the run's frames with an accepted speed */
    bool aligned;          /* LOG: the clock offset was found */
    double clock_offset_s; /* add to the log's time as written to get the run's time; NaN = none.
                              The monitor's own lag is in it and cannot be told from it. */
    double clock_width_s;  /* half width over which the fit is as good; NaN = none */
    double evidence;       /* log likelihood ratio per frame along the path */
    double margin;         /* the same over the best path elsewhere */
    double explained;      /* share of the tonal power that the order grid explains */
    char reason[240];      /* why nothing, or not all, was accepted; "" = nothing to say */
} sm_estimate_result;

typedef struct sm_estimate sm_estimate;

/**
 * channels  in  of the blocks that will come; accelerometers and gyros are used
 * p         in  kept by reference
 *
 * Returns SM_OK; SM_E_ARG; SM_E_VALUE (no vibration channel, empty rpm range); SM_E_NOMEM
 * Accuracy  geared and direct four-cylinder run-ups with realistic orders: < 0.5 % rms of the
 *           trusted points (tests/unit/test_estimate.c)
 */
SM_API SM_NODISCARD sm_status sm_estimate_open(const sm_channel *channels, size_t n_channels,
                                               double rate_hz, const sm_powertrain *p,
                                               const sm_estimate_options *opt, sm_estimate **out,
                                               sm_error *err);
/** Feeds the first pass; the blocks need no angle. Keeps about 3 kB per second. */
SM_API sm_sink sm_estimate_sink(sm_estimate *e);
/**
 * After SM_MARK_END: the points. Findings: "speed-refused" (nothing accepted, with the reason),
 * "speed-partly" (some stretches not accepted), "rpm-log-not-aligned", "rpm-log-lag".
 *
 * Returns SM_OK (also when nothing was accepted: then no point is trusted); SM_E_SHORT (less than
 *         two seconds); SM_E_NOMEM
 */
SM_API SM_NODISCARD sm_status sm_estimate_finish(sm_estimate *e, sm_findings *findings,
                                                 sm_estimate_result *out, sm_error *err);
SM_API void sm_estimate_result_free(sm_estimate_result *r);
SM_API void sm_estimate_close(sm_estimate **e);

/* What a run whose log carries no speed has to go by. */
typedef struct sm_estimate_request {
    const sm_powertrain *powertrain;
    const char *rpm_log_path; /* --rpm-log; NULL = none */
    bool vibration_only;      /* --speed estimate: typed notes are not used */
    double budget_lo_rpm;     /* of a budget; NaN = none */
    double budget_hi_rpm;
} sm_estimate_request;

/**
 * The whole pre-pass: pumps the source once (without its findings), with the rpm log if there is
 * one, else the run file's notes, else the vibration alone, and fills the options of the speed
 * stage for the second pass.
 *
 * result  out  keep it until the speed stage is closed: its points are used by reference
 * speed   out  source, points and clock offset
 *
 * Returns SM_OK (also when nothing was accepted: then every row's speed will be NaN, and a finding
 *         says why); what sm_rpm_log_read(), sm_rpm_notes_parse(), sm_estimate_open() and
 *         sm_source_pump() return; SM_E_SHORT; SM_E_NOMEM
 */
SM_API SM_NODISCARD sm_status sm_estimate_prepare(sm_source *source, const sm_estimate_request *q,
                                                  sm_findings *findings, sm_estimate_result *result,
                                                  sm_speed_options *speed, sm_error *err);

#endif
