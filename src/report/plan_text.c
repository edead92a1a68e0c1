/* The plan as a page of text. */
#include "report/record.h"
#include "stillmount/plan.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { COLUMNS = 79 };

/* Words of s behind what already stands in the line; the rest indented. */
static void wrap(sm_text *out, size_t column, size_t indent, const char *s)
{
    char inert[1200];
    sm_text_inert(s, strlen(s), inert, sizeof inert);
    bool fresh = true;
    for (const char *p = inert; *p;) {
        size_t n = strcspn(p, " ");
        if (!fresh && column + 1 + n > COLUMNS) {
            sm_text_addf(out, "\n%*s", (int)indent, "");
            column = indent;
            fresh = true;
        }
        sm_text_add(out, fresh ? "" : " ");
        sm_text_add_n(out, p, n);
        column += n + !fresh;
        fresh = false;
        p += n + strspn(p + n, " ");
    }
    sm_text_add(out, "\n");
}

static void item(sm_text *out, const char *mark, const char *text)
{
    sm_text_addf(out, "  %s ", mark);
    wrap(out, 3 + strlen(mark), 3 + strlen(mark), text);
}

static void logger(const sm_json *root, sm_text *out)
{
    const sm_json *l = sm_json_get(root, "logger");
    char text[600];
    double hz = sm_record_number(l, "hz_max");
    sm_text_add(out, "\nThe logger\n");
    (void)snprintf(text, sizeof text,
                   "rate: %g samples per second for every channel. At least %g, if its filter is "
                   "known and passes %g Hz",
                   sm_record_number(l, "rate_hz"), sm_record_number(l, "rate_least_hz"), hz);
    item(out, "-", text);
    (void)snprintf(
        text, sizeof text,
        "filter: passes everything up to %g Hz, stops what is above half the rate. Write "
        "its corner as bandwidth_hz into the channels file",
        hz);
    item(out, "-", text);
    const sm_json *sensors = sm_json_get(l, "sensors");
    for (size_t i = 0; i < sm_json_size(sensors); i++) {
        const sm_json *s = sm_json_at(sensors, i);
        (void)snprintf(text, sizeof text,
                       "%.40s.%s: three axes, range at least +-%g %s; when in doubt the next wider "
                       "one",
                       sm_record_text(s, "place"), sm_record_text(s, "role"),
                       sm_record_number(s, "range"), sm_record_text(s, "unit"));
        item(out, "-", text);
    }
    item(out, "-",
         "speed: a once-per-turn pulse is best, an rpm column will do; note the rpm of "
         "every hold by hand as well");
}

static void fixing(sm_text *out)
{
    sm_text_add(out, "\nWhere and how\n");
    item(out, "-",
         "hard on the plate that carries the attitude sensor, within a hand's width of it: "
         "screws or hard glue, no foam, no magnet");
    item(out, "-",
         "the attitude sensor, or the same weight, is fitted; covers closed as in flight");
    item(out, "-",
         "axes along the aircraft; cables tied down every hand's width, nothing that can "
         "reach the propeller");
}

/* Holds of one direction, those of equal length together. */
static void holds(const sm_json *steps, const char *direction, sm_text *out)
{
    double seconds_done[16];
    size_t n_done = 0;
    bool up = strcmp(direction, "up") == 0;
    for (size_t i = 0; i < sm_json_size(steps); i++) {
        const sm_json *s = sm_json_at(steps, i);
        double seconds = sm_record_number(s, "seconds");
        bool known = strcmp(sm_record_text(s, "direction"), direction) != 0 || n_done == 16;
        for (size_t k = 0; k < n_done && !known; k++) {
            known = seconds_done[k] == seconds;
        }
        if (known) {
            continue;
        }
        seconds_done[n_done++] = seconds;
        sm_text line = {0};
        sm_text_addf(&line, "rpm %s, hold each %g s:", up ? "rising" : "falling", seconds);
        for (size_t k = i; k < sm_json_size(steps); k++) {
            const sm_json *t = sm_json_at(steps, k);
            if (strcmp(sm_record_text(t, "direction"), direction) == 0 &&
                sm_record_number(t, "seconds") == seconds) {
                sm_text_addf(&line, " %g", sm_record_number(t, "rpm"));
            }
        }
        item(out, up ? "^" : "v", line.s ? line.s : "");
        out->failed = out->failed || line.failed;
        sm_text_free(&line);
    }
}

static void steps(const sm_json *root, sm_text *out)
{
    const sm_json *list = sm_json_get(root, "steps");
    bool held = false;
    int n = 0;
    sm_text_addf(out, "\nRecord, in this order, without a break (about %.0f minutes)\n",
                 ceil(sm_record_number(root, "total_seconds") / 60));
    for (size_t i = 0; i < sm_json_size(list); i++) {
        const sm_json *s = sm_json_at(list, i);
        if (strcmp(sm_record_text(s, "kind"), "hold") == 0) {
            if (!held) {
                sm_text_addf(out, "  %d  ", ++n);
                wrap(out, 5, 5,
                     "holds; move slowly, about 4 s from one to the next; cross avoid "
                     "ranges without stopping:");
                holds(list, "up", out);
                holds(list, "down", out);
            }
            held = true;
            continue;
        }
        double rpm = sm_record_number(s, "rpm");
        char text[400];
        (void)snprintf(text, sizeof text, "%s%.0f s: %s", rpm > 0 ? "idle, " : "",
                       sm_record_number(s, "seconds"), sm_record_text(s, "text"));
        sm_text_addf(out, "  %d  ", ++n);
        wrap(out, 5, 5, text);
    }
}

void sm_plan_text(sm_json_doc *doc, sm_text *out)
{
    const sm_json *root = sm_json_root(doc);
    const sm_json *p = sm_json_get(root, "powertrain");
    const sm_json *b = sm_json_get(root, "budget");
    char text[800];
    double lo;
    double hi;
    sm_record_pair(b, "required", &lo, &hi);
    (void)snprintf(text, sizeof text, "Plan of a run-up: %.120s on %.120s",
                   sm_record_text(b, "name"), sm_record_text(p, "name"));
    wrap(out, 0, 0, text);
    (void)snprintf(text, sizeof text, "Limits from: %.190s. Required: %g to %g %s rpm, %s.",
                   sm_record_text(b, "source"), lo, hi, sm_record_text(p, "rpm_of"),
                   sm_record_number(b, "min_passes") > 1 ? "up and down" : "one pass at least");
    wrap(out, 0, 0, text);
    sm_text_add(out, "\n");
    wrap(out, 0, 0,
         "CAUTION: keep clear of the propeller arc and its plane. Chocks, tie-down, brakes, a "
         "second "
         "person as look-out, hearing protection. Temperatures inside the makers' limits before "
         "full "
         "power. The makers' data, placards and local rules come before this page.");
    logger(root, out);
    fixing(out);
    steps(root, out);
    const sm_json *avoid = sm_json_get(p, "avoid");
    for (size_t i = 0; i < sm_json_size(avoid); i++) {
        const sm_json *pair = sm_json_at(avoid, i);
        sm_text_addf(out, "  No hold between %g and %g rpm (avoid).\n",
                     sm_json_number(sm_json_at(pair, 0)), sm_json_number(sm_json_at(pair, 1)));
    }
    double full = sm_record_number(p, "full_power_seconds");
    if (full > 0) {
        sm_text_addf(out, "  Never longer than %g s at full power.\n", full);
    }
    const sm_json *warnings = sm_json_get(root, "warnings");
    sm_text_add(out, sm_json_size(warnings) ? "\nWhat this plan cannot give\n" : "");
    for (size_t i = 0; i < sm_json_size(warnings); i++) {
        item(out, "!", sm_record_text(sm_json_at(warnings, i), "text"));
    }
    sm_text_add(out, "\n");
    wrap(out, 0, 0,
         "Ranges, seconds and tap counts: common practice, no source. Afterwards: stillmount "
         "inspect "
         "the log while the engine is still warm.");
}
