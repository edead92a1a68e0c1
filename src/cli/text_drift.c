/* The text of drift: the worst per axis first, then the bands. */
#include "cli/motion_run.h"
#include "cli/text_motion.h"
#include "stillmount/words.h"

#include <math.h>
#include <string.h>

static const char *const axes[3] = {"x", "y", "z"};

static double at(const sm_json *object, const char *key, size_t i)
{
    return sm_json_number(sm_json_at(sm_json_get(object, key), i));
}

/* An angle or a rate that people can use: smaller than `least` is said so. */
static void useful(sm_text *out, double value, double least, const char *less, const char *unit)
{
    if (fabs(value) < least) {
        sm_text_addf(out, "%s %g %s", less, least, unit);
    } else {
        sm_text_add_number(out, value, 2);
        sm_text_addf(out, " %s", unit);
    }
}

static void useful_line(sm_text *out, const char *before, double value, double least,
                        const char *unit)
{
    if (isfinite(value)) {
        sm_text_add(out, before);
        useful(out, value, least, "below", unit);
        sm_text_add(out, "\n");
    }
}

static void rpm_text(const sm_json *rpm, sm_text *out)
{
    if (sm_json_is_null(rpm)) {
        sm_text_add(out, "whole log");
    } else {
        motion_text_number(out, "", sm_json_at(rpm, 0), 6, "");
        motion_text_number(out, "-", sm_json_at(rpm, 1), 6, " rpm");
    }
}

static void band_head(const sm_json *band, sm_text *out)
{
    rpm_text(sm_json_get(band, "rpm"), out);
    motion_text_number(out, ", ", sm_json_get(band, "seconds"), 3, " s\n");
}

/* One axis of a band: "x 12.5 (11.9 to 13.1)". */
static void axis_value(const sm_json *band, size_t k, sm_text *out)
{
    const sm_json *interval = sm_json_at(sm_json_get(band, "coning_interval_deg_per_h"), k);
    const sm_json *clear = sm_json_at(sm_json_get(band, "resolved_axes"), k);
    double ceiling = at(band, "coning_ceiling_deg_per_h", k);
    sm_text_addf(out, "%s ", axes[k]);
    if (!isfinite(at(band, "coning_deg_per_h", k))) {
        sm_text_add(out, "not assessed");
    } else if (strcmp(sm_json_string(clear), "yes") == 0) {
        sm_text_add_number(out, at(band, "coning_deg_per_h", k), 3);
        motion_text_number(out, " (", sm_json_at(interval, 0), 3, "");
        motion_text_number(out, " to ", sm_json_at(interval, 1), 3, ")");
    } else if (!isfinite(ceiling)) {
        sm_text_add(out, "too short to say");
    } else {
        sm_text_add(out, "could be up to ");
        sm_text_add_number(out, ceiling, 2);
    }
}

static void band_values(const sm_json *band, sm_text *out)
{
    sm_text_add(out, "  coning, deg/h: ");
    for (size_t k = 0; k < 3; k++) {
        sm_text_add(out, k ? "; " : "");
        axis_value(band, k, out);
    }
    sm_text_add(out, "\n");
    double lean = sm_json_number(sm_json_get(band, "level_error_deg"));
    double ceiling = sm_json_number(sm_json_get(band, "level_error_ceiling_deg"));
    bool resolved = sm_json_bool(sm_json_get(band, "level_error_resolved"), false);
    if (resolved) {
        useful_line(out, "  lean from sculling: ", lean, 0.001, "deg");
    } else if (isfinite(lean) && ceiling < 0.001) {
        sm_text_add(out, "  lean from sculling: below 0.001 deg\n");
    } else if (isfinite(lean)) {
        useful_line(out, "  lean from sculling: not resolved, could be up to ", ceiling, 0.001,
                    "deg");
    }
}

/* Largest of three. A null is passed over; NaN without any. */
static double largest(const sm_json *three)
{
    double most = (double)NAN;
    for (size_t k = 0; k < 3; k++) {
        most = fmax(most, fabs(sm_json_number(sm_json_at(three, k))));
    }
    return most;
}

/* Of each axis the value where its coning is resolved, else the ceiling: what cannot be seen is not
 * small. */
static double largest_error(const sm_json *band, const char *value, const char *ceiling)
{
    const sm_json *sensor = sm_json_get(band, "sensor");
    const sm_json *clear = sm_json_get(band, "resolved_axes");
    double most = (double)NAN;
    for (size_t k = 0; k < 3; k++) {
        bool resolved = strcmp(sm_json_string(sm_json_at(clear, k)), "yes") == 0;
        double v = fabs(at(sensor, resolved ? value : ceiling, k));
        most = fmax(most, isfinite(v) ? v : fabs(at(sensor, value, k)));
    }
    return most;
}

static void alias_text(const sm_json *a, sm_text *out)
{
    const char *label = sm_json_string(sm_json_get(a, "label"));
    const sm_json *rpm = sm_json_get(a, "rpm");
    sm_text_addf(out, "  %s", strcmp(label, "unknown") == 0 ? "a line of no known order" : label);
    motion_text_number(out, ", ", sm_json_get(a, "hz"), 4, " Hz");
    if (!sm_json_is_null(rpm)) {
        motion_text_number(out, " (", sm_json_at(rpm, 0), 4, "");
        motion_text_number(out, " to ", sm_json_at(rpm, 1), 4, " rpm)");
    }
    motion_text_number(out, ", folds to ", sm_json_get(a, "folds_to_hz"), 2, " Hz in the sensor");
    motion_text_number(out, ": looks like ", sm_json_get(a, "apparent_deg"), 2,
                       " deg of slow motion");
    sm_text_addf(out, " about %s\n", sm_json_string(sm_json_get(a, "axis")));
}

static void band_sensor(const sm_json *band, sm_text *out)
{
    const sm_json *o = sm_json_get(band, "sensor");
    double to_hour = 3600;
    useful_line(
        out, "  drift left in the sensor, at most: ",
        largest_error(band, "integrator_error_deg_per_h", "integrator_error_ceiling_deg_per_h"),
        0.01, "deg/h");
    useful_line(out, "  bank or pitch error behind its levelling, at most: ",
                largest_error(band, "levelling_error_deg", "levelling_error_ceiling_deg"), 0.001,
                "deg");
    useful_line(out, "  lean from rectified acceleration: ",
                sm_json_number(sm_json_get(o, "accel_rectification_tilt_deg")), 0.001, "deg");
    useful_line(out, "  gyro shift from vibration squared: ",
                sm_json_number(sm_json_get(o, "gyro_rectification_deg_s")) * to_hour, 0.01,
                "deg/h");
    useful_line(out, "  false rate from g-sensitivity, to and fro: ",
                sm_json_number(sm_json_get(o, "gyro_g_sensitivity_rms_deg_s")), 0.001, "deg/s rms");
    motion_text_known(out, "  room to the gyro's range: ", sm_json_get(o, "gyro_headroom_db"),
                      " dB\n");
    motion_text_known(
        out, "  room to the accelerometer's range: ", sm_json_get(o, "accel_headroom_db"), " dB\n");
    useful_line(out, "  false drift from axes read at different moments, at most: ",
                largest(sm_json_get(o, "axis_skew_deg_per_h")), 0.01, "deg/h");
    const sm_json *aliases = sm_json_get(o, "aliases");
    for (size_t i = 0; i < sm_json_size(aliases); i++) {
        alias_text(sm_json_at(aliases, i), out);
    }
}

static const char *first_code(const sm_json *band)
{
    return sm_json_string(sm_json_get(sm_json_at(sm_json_get(band, "reasons"), 0), "code"));
}

static bool is_assessed(const sm_json *band)
{
    return sm_json_bool(sm_json_get(band, "assessed"), false);
}

/* Neighbours that are refused for one reason are told once, with the words of the last: the highest
 * rpm asks for most. Returns how many bands it took; 0 when the first one is not refused. */
static size_t refused_text(const sm_json *bands, size_t first, sm_text *out)
{
    const sm_json *one = sm_json_at(bands, first);
    size_t n = 0;
    double seconds = 0;
    const sm_json *last = one;
    for (size_t i = first; i < sm_json_size(bands); i++) {
        const sm_json *b = sm_json_at(bands, i);
        bool beside = i == first || at(b, "rpm", 0) == at(last, "rpm", 1);
        if (is_assessed(b) || !beside || strcmp(first_code(b), first_code(one)) != 0) {
            break;
        }
        seconds += sm_json_number(sm_json_get(b, "seconds"));
        last = b;
        n++;
    }
    if (n < 2) {
        return 0;
    }
    sm_text_addf(out, "%.6g-%.6g rpm, %zu bands, ", at(one, "rpm", 0), at(last, "rpm", 1), n);
    sm_text_add_number(out, seconds, 3);
    sm_text_add(out, " s: not assessed\n");
    motion_text_reasons(sm_json_get(last, "reasons"), "  ", "not-resolved", out);
    return n;
}

static void bands_text(const sm_json *root, sm_text *out)
{
    const sm_json *bands = sm_json_get(root, "bands");
    for (size_t i = 0; i < sm_json_size(bands);) {
        const sm_json *band = sm_json_at(bands, i);
        size_t n = refused_text(bands, i, out);
        i += n ? n : 1;
        if (n) {
            continue;
        }
        band_head(band, out);
        if (is_assessed(band)) {
            band_values(band, out);
        }
        band_sensor(band, out);
        motion_text_reasons(sm_json_get(band, "reasons"), "  ", "not-resolved", out);
    }
}

static const char *line_name(const sm_json *line)
{
    const char *label = sm_json_string(sm_json_get(line, "label"));
    return strcmp(label, "unknown") == 0 ? "a line of no known order" : label;
}

static void lines_text(const sm_json *root, sm_text *out)
{
    const sm_json *lines = sm_json_get(root, "lines");
    if (sm_json_size(lines) > 0) {
        sm_text_add(out, "\nwhat makes it, strongest first:\n");
    }
    for (size_t i = 0; i < sm_json_size(lines) && i < 8; i++) {
        const sm_json *l = sm_json_at(lines, i);
        motion_text_number(out, "  ", sm_json_get(l, "hz"), 4, " Hz");
        sm_text_addf(out, ", %s, about %s", line_name(l), sm_json_string(sm_json_get(l, "axis")));
        motion_text_number(out, ": ", sm_json_get(l, "deg_per_h"), 3, " deg/h");
        if (!sm_json_is_null(sm_json_get(l, "rpm"))) {
            sm_text_add(out, ", ");
            rpm_text(sm_json_get(l, "rpm"), out);
        }
        sm_text_add(out, "\n");
    }
}

static void worst_text(const sm_json *w, double levelling_s, sm_text *out)
{
    const char *angle = sm_json_string(sm_json_get(w, "angle"));
    const sm_json *line = sm_json_get(w, "line");
    bool resolved = sm_json_bool(sm_json_get(w, "resolved"), false);
    const sm_json *rate = sm_json_get(w, resolved ? "deg_per_h" : "ceiling_deg_per_h");
    sm_text_addf(out, "  about %s%s%s%s: ", sm_json_string(sm_json_get(w, "axis")),
                 angle[0] ? " (" : "", angle, angle[0] ? ")" : "");
    motion_text_number(out, resolved ? "" : "not resolved, could be up to ", rate, resolved ? 3 : 2,
                       " deg/h");
    if (resolved) {
        motion_text_number(out, " (", sm_json_at(sm_json_get(w, "interval_deg_per_h"), 0), 3, "");
        motion_text_number(out, " to ", sm_json_at(sm_json_get(w, "interval_deg_per_h"), 1), 3,
                           ")");
    }
    sm_text_add(out, ", ");
    rpm_text(sm_json_get(w, "rpm"), out);
    if (!sm_json_is_null(line)) {
        sm_text_addf(out, ", most of it from %s", line_name(line));
        motion_text_number(out, " at ", sm_json_get(line, "hz"), 3, " Hz");
    }
    sm_text_addf(out, "; %s", angle[0] ? angle : "the attitude");
    sm_text_add(out, " off by ");
    useful(out, fabs(sm_json_number(rate)) / 60, 0.001, "less than", "deg after a minute");
    double lean = sm_json_number(sm_json_get(w, "levelling_error_deg"));
    if (isfinite(lean)) {
        sm_text_add(out, ", and by ");
        useful(out, fabs(lean), 0.001, "less than", "deg in the long run");
        sm_text_addf(out, " behind a levelling of %.4g s", levelling_s);
    }
    sm_text_add(out, "\n");
    if (isfinite(sm_json_number(sm_json_get(w, "elsewhere_deg_per_h")))) {
        motion_text_number(out, "    not resolved elsewhere, could be up to ",
                           sm_json_get(w, "elsewhere_deg_per_h"), 2, " deg/h, ");
        rpm_text(sm_json_get(w, "elsewhere_rpm"), out);
        sm_text_add(out, "\n");
    }
}

/* The answer first: the worst per axis, or why there is none. */
static void headline(const sm_json *root, sm_text *out)
{
    const sm_json *bands = sm_json_get(root, "bands");
    const sm_json *worst = sm_json_get(root, "worst");
    size_t n = sm_json_size(bands);
    size_t refused = 0;
    bool but_short = true; /* nothing else is wrong with them */
    bool resolved = false;
    for (size_t i = 0; i < n; i++) {
        const sm_json *band = sm_json_at(bands, i);
        refused += !is_assessed(band);
        but_short &= is_assessed(band) || sm_json_number(sm_json_get(band, "frames")) < 3;
        resolved |= sm_json_bool(sm_json_get(band, "resolved"), false);
    }
    if (refused == n) {
        sm_text_add(out, "UNASSESSED: no band can be answered for, see the reasons below.\n");
    } else if (refused > 0) {
        sm_text_addf(out, "%s%zu of %zu bands%s, see the reasons below.\n",
                     but_short ? "" : "UNASSESSED: ", refused, n,
                     but_short ? refused == 1 ? " is too short" : " are too short" : "");
    }
    if (refused < n && !resolved) {
        sm_text_add(out, "No coning stands clear of this log's noise.\n");
    }
    sm_text_add(out, "Attitude drift that this vibration would make in a sensor that takes in none "
                     "of it");
    sm_text_add(out, sm_json_size(worst) ? ", worst of the bands:\n" : ".\n");
    for (size_t i = 0; i < sm_json_size(worst); i++) {
        worst_text(sm_json_at(worst, i),
                   sm_json_number(sm_json_get(sm_json_get(root, "sensor"), "levelling_s")), out);
    }
}

void motion_drift_text(const sm_json *root, sm_text *out)
{
    const sm_json *sensor = sm_json_get(root, "sensor");
    headline(root, out);
    sm_text_add(out, "Measured with the log's own gyro, not with the aircraft's sensor.\n");
    motion_run_text(root, out);
    if (sm_json_bool(sm_json_get(sm_json_get(root, "settings"), "axis_skew_assumed"), false)) {
        sm_text_add(out, "The log does not say how far apart in time its gyro axes are read: a "
                         "tenth of a sample is assumed and is in every interval.\n");
    }
    if (sm_json_is_null(sensor)) {
        sm_text_add(out, "Rectification and g-sensitivity: not assessed, the sensor's figures are "
                         "not given (--sensor, or --typical for a class). The error behind a "
                         "levelling filter: --levelling.\n");
    } else {
        sm_text_addf(out, "Sensor: %s%s.\n", sm_json_string(sm_json_get(sensor, "source")),
                     sm_json_bool(sm_json_get(sensor, "typical"), false)
                         ? ", orders of magnitude from memory, not your sensor"
                         : "");
    }
    sm_text_add(out, "\n");
    bands_text(root, out);
    if (sm_json_size(sm_json_get(root, "bands")) == 0) {
        sm_text_add(out, "no usable second: nothing can be said\n");
    }
    lines_text(root, out);
    sm_text_add(out, "\nAn aid: the sensor's maintenance data, local rules and a licensed person "
                     "decide.\n");
}
