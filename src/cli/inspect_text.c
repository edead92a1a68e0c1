/* The screen of inspect, drawn from the document. */
#include "cli/inspect_run.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { MOST_PASSES = 8 }; /* listed one by one */

enum { WIDTH = 79 };

static const char *text_of(const sm_json *o, const char *key)
{
    return sm_json_string(sm_json_get(o, key));
}

static double number_of(const sm_json *o, const char *key)
{
    return sm_json_number(sm_json_get(o, key));
}

/* Words wrapped at WIDTH, each further line indented. */
static void wrap(sm_text *out, size_t indent, const char *s)
{
    size_t column = indent;
    sm_text_addf(out, "%*s", (int)indent, "");
    while (*s) {
        size_t n = strcspn(s, " ");
        if (column > indent && column + 1 + n > WIDTH) {
            sm_text_addf(out, "\n%*s", (int)indent, "");
            column = indent;
        } else if (column > indent) {
            sm_text_add(out, " ");
            column++;
        }
        sm_text_add_n(out, s, n);
        column += n;
        s += n;
        while (*s == ' ') {
            s++;
        }
    }
    sm_text_add(out, "\n");
}

static void add_clock(sm_text *out, double seconds)
{
    long s = lround(fmax(0, seconds));
    sm_text_addf(out, "%ld:%02ld", s / 60, s % 60);
}

static void add_value(sm_text *out, int width, double v, int digits)
{
    sm_text one = {0};
    sm_text_add_number(&one, v, digits);
    sm_text_addf(out, "%*s", width, one.s ? one.s : "");
    out->failed |= one.failed;
    sm_text_free(&one);
}

static void add_files(const sm_json *run, sm_text *out)
{
    const sm_json *files = sm_json_get(run, "files");
    for (size_t i = 0; i < sm_json_size(files); i++) {
        const sm_json *f = sm_json_at(files, i);
        sm_text_addf(out, "  %-9s%s, ", i ? "" : "file", text_of(f, "name"));
        sm_text_add_number(out, number_of(f, "bytes") / 1e6, 3);
        sm_text_add(out, " MB\n");
    }
    sm_text_add(out, "  length   ");
    add_clock(out, number_of(run, "seconds"));
    sm_text_addf(out, " min, %.0f rows\n  rate     ", number_of(run, "rows"));
    sm_text_add_number(out, number_of(run, "rate_hz"), 7);
    double usual = number_of(run, "median_rate_hz");
    double over_all = number_of(run, "mean_rate_hz");
    double rate = number_of(run, "rate_hz");
    if (fabs(usual - rate) > 1e-4 * rate || fabs(over_all - rate) > 1e-4 * rate) {
        sm_text_add(out, " Hz; usual step ");
        sm_text_add_number(out, usual, 7);
        sm_text_add(out, " Hz, all rows over all time ");
        sm_text_add_number(out, over_all, 7);
    }
    sm_text_add(out, " Hz\n");
}

static const char *speed_words(const char *source)
{
    static const char *const words[][2] = {
        {"tach", "tach pulses"},     {"column", "rpm column"},
        {"log", "separate rpm log"}, {"notes", "typed notes"},
        {"declared", "as declared"}, {"estimate", "from the vibration itself"},
    };
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++) {
        if (strcmp(source, words[i][0]) == 0) {
            return words[i][1];
        }
    }
    return source;
}

/* Many passes, one line for each direction: how often, how long in all, over which rpm. */
static void add_passes_summed(const sm_json *passes, sm_text *out)
{
    static const char *const directions[] = {"up", "held", "down"};
    const char *head = "passes";
    for (size_t k = 0; k < sizeof directions / sizeof *directions; k++) {
        size_t count = 0;
        double seconds = 0;
        double lo = INFINITY;
        double hi = -INFINITY;
        for (size_t i = 0; i < sm_json_size(passes); i++) {
            const sm_json *p = sm_json_at(passes, i);
            const sm_json *rpm = sm_json_get(p, "rpm");
            if (strcmp(text_of(p, "direction"), directions[k]) == 0) {
                count++;
                seconds += number_of(p, "to_s") - number_of(p, "from_s");
                lo = fmin(lo, sm_json_number(sm_json_at(rpm, 0)));
                hi = fmax(hi, sm_json_number(sm_json_at(rpm, 1)));
            }
        }
        if (count > 0) {
            sm_text_addf(out, "  %-9s%-4s  %zu %s, %.0f s in all, %.0f to %.0f rpm\n", head,
                         directions[k], count, count == 1 ? "time" : "times", seconds, lo, hi);
            head = "";
        }
    }
}

static void add_passes(const sm_json *passes, sm_text *out)
{
    size_t n = sm_json_size(passes);
    if (n > MOST_PASSES) {
        add_passes_summed(passes, out);
        return;
    }
    for (size_t i = 0; i < n; i++) {
        const sm_json *p = sm_json_at(passes, i);
        const sm_json *rpm = sm_json_get(p, "rpm");
        sm_text_addf(out, "  %-9s", i ? "" : "passes");
        add_clock(out, number_of(p, "from_s"));
        sm_text_add(out, " to ");
        add_clock(out, number_of(p, "to_s"));
        sm_text_addf(out, "  %-4s  %.0f to %.0f rpm\n", text_of(p, "direction"),
                     sm_json_number(sm_json_at(rpm, 0)), sm_json_number(sm_json_at(rpm, 1)));
    }
}

static void add_speed(const sm_json *root, sm_text *out)
{
    const sm_json *speed = sm_json_get(root, "speed");
    const sm_json *passes = sm_json_get(root, "passes");
    const char *source = text_of(speed, "source");
    if (strcmp(source, "none") == 0) {
        sm_text_add(out,
                    "  speed    none in the log: give --rpm-log FILE, or --powertrain FILE and\n"
                    "           the vibration itself is asked\n");
        return;
    }
    sm_text_addf(out, "  speed    %s, ", speed_words(source));
    double lo = number_of(speed, "rpm_min");
    if (isnan(lo)) {
        sm_text_add(out, "but no stretch of it can be trusted\n");
        return;
    }
    sm_text_addf(out, "%.0f to %.0f rpm, trusted for %.0f %% of the log\n", lo,
                 number_of(speed, "rpm_max"), 100 * number_of(speed, "confidence"));
    const char *check = text_of(speed, "check");
    const char *rival = sm_json_string(sm_json_at(sm_json_get(speed, "ambiguous_with"), 0));
    if (strcmp(check, "contradicted") == 0) {
        sm_text_addf(out, "           CONTRADICTED by the vibration, which fits %s better\n",
                     rival);
    } else if (check[0]) {
        sm_text_addf(out, "           %s by the orders in the vibration\n", check);
    }
    double offset = number_of(speed, "clock_offset_s");
    if (!isnan(offset)) {
        sm_text_addf(out, "           its clock is %.1f s %s the log's, found from the vibration\n",
                     fabs(offset), offset > 0 ? "behind" : "ahead of");
    }
    add_passes(passes, out);
}

/* What the two tilts say, place by place. */
static void add_axes(const sm_json *root, sm_text *out)
{
    const sm_json *places = sm_json_get(root, "places");
    for (size_t i = 0; i < sm_json_size(places); i++) {
        const sm_json *p = sm_json_at(places, i);
        const char *axes = text_of(p, "axes");
        const char *gyro = text_of(p, "gyro_axes");
        bool shown = strcmp(axes, "not shown") != 0;
        sm_text_addf(out, "  %-9s%s: %s%s%s%s\n", i ? "" : "axes", text_of(p, "place"), axes,
                     shown ? " by the two tilts" : ", no two tilts in the log",
                     strcmp(gyro, "not shown") != 0 ? "; gyro " : "",
                     strcmp(gyro, "not shown") != 0 ? gyro : "");
    }
}

static void add_channels(const sm_json *run, sm_text *out)
{
    const sm_json *channels = sm_json_get(run, "channels");
    sm_text_addf(out, "\n  %-20s%-24s%-7s%9s%9s%8s\n", "role", "column", "unit", "mean", "rms",
                 "range");
    for (size_t i = 0; i < sm_json_size(channels); i++) {
        const sm_json *c = sm_json_at(channels, i);
        sm_text_addf(out, "  %-20.20s%-24.23s%-7.6s", text_of(c, "role"), text_of(c, "column"),
                     text_of(c, "unit"));
        add_value(out, 9, number_of(c, "mean"), 4);
        add_value(out, 9, number_of(c, "rms"), 4);
        add_value(out, 8, number_of(c, "range"), 4);
        sm_text_add(out, "\n");
    }
    sm_text_add(out, "\n");
    const sm_json *decided = sm_json_get(run, "decided");
    for (size_t i = 0; i < sm_json_size(decided); i++) {
        const char *line = sm_json_string(sm_json_at(decided, i));
        if (strncmp(line, "column '", 8) != 0 || strstr(line, "left out")) {
            wrap(out, 2, line);
        }
    }
}

/* Findings of one code and severity whose text is the same make one entry. */
static bool said_before(const sm_json *findings, size_t i)
{
    const sm_json *f = sm_json_at(findings, i);
    for (size_t k = 0; k < i; k++) {
        const sm_json *g = sm_json_at(findings, k);
        if (strcmp(text_of(f, "code"), text_of(g, "code")) == 0 &&
            strcmp(text_of(f, "text"), text_of(g, "text")) == 0) {
            return true;
        }
    }
    return false;
}

static void add_who(const sm_json *findings, size_t i, sm_text *out)
{
    const sm_json *f = sm_json_at(findings, i);
    const char *mark = "";
    for (size_t k = i; k < sm_json_size(findings); k++) {
        const sm_json *g = sm_json_at(findings, k);
        if (text_of(g, "channel")[0] && strcmp(text_of(f, "code"), text_of(g, "code")) == 0 &&
            strcmp(text_of(f, "text"), text_of(g, "text")) == 0) {
            sm_text_addf(out, "%s%s", mark, text_of(g, "channel"));
            mark = ", ";
        }
    }
}

static void add_finding(const sm_json *findings, size_t i, sm_text *out)
{
    const sm_json *f = sm_json_at(findings, i);
    sm_text head = {0};
    sm_text_addf(&head, "%s: %s", text_of(f, "severity"), text_of(f, "code"));
    sm_text who = {0};
    add_who(findings, i, &who);
    if (who.n) {
        sm_text_addf(&head, " on %s", who.s);
    }
    const sm_json *place = sm_json_at(sm_json_get(f, "at"), 0);
    double t = sm_json_number(sm_json_at(sm_json_get(place, "t"), 0));
    double line = number_of(place, "line");
    if (!isnan(t)) {
        sm_text_addf(&head, ", first at %.3f s", t);
    }
    if (!isnan(line)) {
        sm_text_addf(&head, "%s line %.0f", isnan(t) ? ", first in" : ",", line);
    }
    wrap(out, 2, head.s ? head.s : "");
    wrap(out, 6, text_of(f, "text"));
    if (text_of(f, "effect")[0]) {
        char effect[200];
        (void)snprintf(effect, sizeof effect, "Effect: %s", text_of(f, "effect"));
        wrap(out, 6, effect);
    }
    out->failed |= head.failed || who.failed;
    sm_text_free(&head);
    sm_text_free(&who);
}

void inspect_text(const sm_json *root, sm_text *out)
{
    const sm_json *run = sm_json_get(root, "run");
    const sm_json *findings = sm_json_get(root, "findings");
    const sm_json *reasons = sm_json_get(root, "reasons");
    bool usable = sm_json_bool(sm_json_get(root, "usable"), false);
    const sm_json *plan = sm_json_get(root, "plan");
    bool lacks = !sm_json_is_null(plan) && !sm_json_bool(sm_json_get(plan, "complete"), false);
    sm_text_addf(out, "%s: %s%s\n", text_of(run, "name"), usable ? "usable" : "not usable as it is",
                 lacks ? usable
                             ? ", but not complete for the plan: what is missing stands at the end"
                             : "; what the plan misses stands at the end"
                       : "");
    for (size_t i = 0; !usable && i < sm_json_size(reasons) && i < 4; i++) {
        wrap(out, 2, text_of(sm_json_at(reasons, i), "text"));
    }
    if (text_of(run, "note")[0]) {
        wrap(out, 2, text_of(run, "note"));
    }
    sm_text_add(out, "\nWhat was understood\n");
    add_files(run, out);
    add_speed(root, out);
    add_axes(root, out);
    inspect_gear_text(root, out);
    add_channels(run, out);
    sm_text_add(out, "\nWhat is wrong or worth knowing\n");
    static const char *const order[] = {"blocking", "warning", "note"};
    size_t n = 0;
    for (size_t k = 0; k < 3; k++) {
        for (size_t i = 0; i < sm_json_size(findings); i++) {
            if (strcmp(text_of(sm_json_at(findings, i), "severity"), order[k]) == 0 &&
                !said_before(findings, i)) {
                add_finding(findings, i, out);
                n++;
            }
        }
    }
    sm_text_add(out, n ? "" : "  nothing\n");
    if (!sm_json_is_null(plan)) {
        sm_text_add(out, "\nWhat the plan asks for: [x] there, [-] in part, [ ] missing\n");
        sm_plan_check_text(plan, out);
    }
}
