/* stillmount drift: what this vibration would do to the attitude of an uncompensated sensor. */
#include "cli/commands.h"
#include "cli/motion_run.h"
#include "cli/report_out.h"
#include "stillmount/motion.h"

#include <math.h>
#include <string.h>

static const sm_option options[] = {
    MOTION_RUN_OPTIONS,
    {.name = "budget",
     .kind = SM_ARG_TEXT,
     .arg = "FILE",
     .help = "take the rpm bands of this budget; default: 200-rpm bands"},
    MOTION_PLACE_OPTION,
    {.name = "sensor",
     .kind = SM_ARG_TEXT,
     .arg = "FILE",
     .help = "the aircraft sensor's figures: rate, coning correction, rectification, levelling"},
    {.name = "typical",
     .kind = SM_ARG_CHOICE,
     .arg = "CLASS",
     .choices = "consumer|industrial|tactical",
     .help = "figures of a class of sensors where the sensor's own are not known"},
    {.name = "sensor-rate",
     .kind = SM_ARG_NUMBER,
     .arg = "HZ",
     .unit = "Hz",
     .lo = 1,
     .hi = 100000,
     .help = "how often the aircraft sensor updates its attitude"},
    {.name = "levelling",
     .kind = SM_ARG_NUMBER,
     .arg = "S",
     .unit = "s",
     .lo = 0.1,
     .hi = 10000,
     .help = "time constant of the aircraft sensor's levelling filter"},
    {.name = "axis-skew",
     .kind = SM_ARG_NUMBER,
     .arg = "US",
     .unit = "us",
     .lo = 0,
     .hi = 100000,
     .help = "time between the log's gyro axes; default: a tenth of a sample is assumed"},
    SM_OPTIONS_REPORT,
    SM_OPTIONS_OUTPUT,
};

static sm_status read_sensor(const sm_args *args, sm_motion_sensor *sensor, bool *given,
                             sm_error *err)
{
    const char *path = sm_args_text(args, "sensor", NULL);
    const char *class = sm_args_text(args, "typical", NULL);
    sm_status st = SM_OK;
    *sensor = sm_motion_sensor_default();
    (void)strncpy(sensor->source, "command line", sizeof sensor->source - 1);
    if (path) {
        st = sm_motion_sensor_read(path, sensor, err);
    } else if (class) {
        st = sm_motion_sensor_class(class, sensor, err);
    }
    sensor->rate_hz = sm_args_number(args, "sensor-rate", sensor->rate_hz);
    sensor->levelling_s = sm_args_number(args, "levelling", sensor->levelling_s);
    *given =
        path || class || sm_args_given(args, "sensor-rate") || sm_args_given(args, "levelling");
    return st;
}

static sm_status read_bands(const sm_args *args, double (*bands)[2], sm_drift_options *opt,
                            sm_error *err)
{
    const char *path = sm_args_text(args, "budget", NULL);
    sm_budget budget;
    opt->n_bands = 0;
    opt->bands = (const double(*)[2])bands;
    if (!path) {
        return SM_OK;
    }
    sm_status st = sm_budget_read(path, &budget, err);
    if (st == SM_OK && sm_budget_bands(&budget) > SM_DRIFT_MAX_BANDS) {
        return sm_error_set(err, SM_E_VALUE, path, 0, "%zu bands; drift takes %d at most",
                            sm_budget_bands(&budget), SM_DRIFT_MAX_BANDS);
    }
    for (size_t i = 0; st == SM_OK && i < sm_budget_bands(&budget); i++) {
        sm_budget_band(&budget, i, &bands[i][0], &bands[i][1]);
        opt->n_bands = i + 1;
    }
    if (st == SM_OK && budget.has_limits) {
        opt->required_rpm[0] = budget.required_lo;
        opt->required_rpm[1] = budget.required_hi;
    }
    return st;
}

static const char *const axes[3] = {"x", "y", "z"};

static void band_head(const sm_json *band, sm_text *out)
{
    const sm_json *rpm = sm_json_get(band, "rpm");
    if (sm_json_is_null(rpm)) {
        sm_text_add(out, "whole log");
    } else {
        motion_text_number(out, "", sm_json_at(rpm, 0), 6, "");
        motion_text_number(out, "-", sm_json_at(rpm, 1), 6, " rpm");
    }
    motion_text_number(out, ", ", sm_json_get(band, "seconds"), 3, " s\n");
}

static void band_values(const sm_json *band, sm_text *out)
{
    const sm_json *value = sm_json_get(band, "coning_deg_per_h");
    const sm_json *interval = sm_json_get(band, "coning_interval_deg_per_h");
    const sm_json *clear = sm_json_get(band, "resolved_axes");
    const sm_json *ceiling = sm_json_get(band, "coning_ceiling_deg_per_h");
    for (size_t k = 0; k < 3; k++) {
        sm_text_addf(out, "  coning about %s: ", axes[k]);
        if (sm_json_is_null(sm_json_at(value, k))) {
            sm_text_add(out, "not assessed\n");
        } else if (strcmp(sm_json_string(sm_json_at(clear, k)), "yes") == 0) {
            motion_text_number(out, "", sm_json_at(value, k), 3, " deg/h");
            motion_text_number(out, " (", sm_json_at(sm_json_at(interval, k), 0), 3, "");
            motion_text_number(out, " to ", sm_json_at(sm_json_at(interval, k), 1), 3, ")\n");
        } else if (sm_json_is_null(sm_json_at(ceiling, k))) {
            sm_text_add(out, "too short to say\n");
        } else {
            motion_text_number(out, "not resolved, could be up to ", sm_json_at(ceiling, k), 2,
                               " deg/h\n");
        }
    }
    const sm_json *level = sm_json_get(band, "level_error_deg");
    if (!sm_json_is_null(level)) {
        bool resolved = sm_json_bool(sm_json_get(band, "level_error_resolved"), false);
        motion_text_number(
            out, resolved ? "  lean from sculling: " : "  lean from sculling: below ",
            resolved ? level : sm_json_get(band, "level_error_ceiling_deg"), 3, " deg\n");
    }
}

/* Largest of the three, with a phrase before and a unit behind; silent when unknown. */
static void largest(sm_text *out, const char *before, const sm_json *three, const char *unit)
{
    double most = (double)NAN;
    for (size_t k = 0; k < 3; k++) {
        most = fmax(most, fabs(sm_json_number(sm_json_at(three, k))));
    }
    if (isfinite(most)) {
        sm_text_add(out, before);
        sm_text_add_number(out, most, 3);
        sm_text_add(out, unit);
    }
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

static void band_sensor(const sm_json *o, sm_text *out)
{
    largest(out,
            "  drift left in the sensor, at most: ", sm_json_get(o, "integrator_error_deg_per_h"),
            " deg/h\n");
    largest(out,
            "  bank or pitch error behind its levelling: ", sm_json_get(o, "levelling_error_deg"),
            " deg\n");
    motion_text_known(out, "  lean from rectified acceleration: ",
                      sm_json_get(o, "accel_rectification_tilt_deg"), " deg\n");
    motion_text_known(out, "  gyro shift from vibration squared: ",
                      sm_json_get(o, "gyro_rectification_deg_s"), " deg/s\n");
    motion_text_known(out, "  false rate from g-sensitivity: ",
                      sm_json_get(o, "gyro_g_sensitivity_rms_deg_s"), " deg/s rms\n");
    motion_text_known(out, "  room to the gyro's range: ", sm_json_get(o, "gyro_headroom_db"),
                      " dB\n");
    motion_text_known(
        out, "  room to the accelerometer's range: ", sm_json_get(o, "accel_headroom_db"), " dB\n");
    largest(out, "  false drift from axes read at different moments, at most: ",
            sm_json_get(o, "axis_skew_deg_per_h"), " deg/h\n");
    const sm_json *aliases = sm_json_get(o, "aliases");
    for (size_t i = 0; i < sm_json_size(aliases); i++) {
        alias_text(sm_json_at(aliases, i), out);
    }
}

static void bands_text(const sm_json *root, sm_text *out)
{
    const sm_json *bands = sm_json_get(root, "bands");
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        const sm_json *band = sm_json_at(bands, i);
        band_head(band, out);
        if (sm_json_number(sm_json_get(band, "frames")) > 0) {
            band_values(band, out);
        }
        band_sensor(sm_json_get(band, "sensor"), out);
        motion_text_reasons(sm_json_get(band, "reasons"), "  ", "not-resolved", out);
    }
}

static void lines_text(const sm_json *root, sm_text *out)
{
    const sm_json *lines = sm_json_get(root, "lines");
    if (sm_json_size(lines) > 0) {
        sm_text_add(out, "what makes it, strongest first:\n");
    }
    for (size_t i = 0; i < sm_json_size(lines) && i < 8; i++) {
        const sm_json *l = sm_json_at(lines, i);
        const char *label = sm_json_string(sm_json_get(l, "label"));
        motion_text_number(out, "  ", sm_json_get(l, "hz"), 4, " Hz");
        sm_text_addf(out, ", %s, about %s",
                     strcmp(label, "unknown") == 0 ? "no known order" : label,
                     sm_json_string(sm_json_get(l, "axis")));
        motion_text_number(out, ": ", sm_json_get(l, "deg_per_h"), 3, " deg/h\n");
    }
}

/* The answer first: the largest rate, where, or why there is none. */
static void headline(const sm_json *root, sm_text *out)
{
    const sm_json *bands = sm_json_get(root, "bands");
    const sm_json *best = NULL;
    size_t axis = 0;
    double most = 0;
    size_t refused = 0;
    size_t assessed = 0;
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        const sm_json *band = sm_json_at(bands, i);
        bool good = sm_json_bool(sm_json_get(band, "assessed"), false);
        assessed += good;
        refused += !good && sm_json_number(sm_json_get(band, "frames")) >= 3;
        for (size_t k = 0; k < 3; k++) {
            double v = fabs(sm_json_number(sm_json_at(sm_json_get(band, "coning_deg_per_h"), k)));
            bool clear = strcmp(sm_json_string(sm_json_at(sm_json_get(band, "resolved_axes"), k)),
                                "yes") == 0;
            if (clear && v > most) {
                most = v;
                best = band;
                axis = k;
            }
        }
    }
    if (best) {
        sm_text_add(out, "Largest drift: ");
        sm_text_add_number(out, most, 3);
        sm_text_addf(out, " deg/h about %s, ", axes[axis]);
        band_head(best, out);
    } else if (assessed == 0 && refused == 0) {
        sm_text_add(out, "UNASSESSED: too short in every band to say anything.\n");
    } else if (refused == 0) {
        sm_text_add(out, "No coning stands clear of this log's noise.\n");
    }
    if (refused > 0) {
        sm_text_addf(out, "UNASSESSED: %zu band%s, see the reasons below.\n", refused,
                     refused == 1 ? "" : "s");
    }
}

static void write_text(const sm_json *root, sm_text *out)
{
    const sm_json *sensor = sm_json_get(root, "sensor");
    headline(root, out);
    sm_text_add(out, "Attitude drift that this vibration would make in a sensor that takes in none "
                     "of it.\nMeasured with the log's own gyro, not with the aircraft's sensor.\n");
    motion_run_text(root, out);
    if (sm_json_bool(sm_json_get(sm_json_get(root, "settings"), "axis_skew_assumed"), false)) {
        sm_text_add(out, "The log does not say how far apart in time its gyro axes are read: a "
                         "tenth of a sample is assumed and is in every interval.\n");
    }
    if (sm_json_is_null(sensor)) {
        sm_text_add(out, "Rectification and g-sensitivity: not assessed, the sensor's figures are "
                         "not given (--sensor, or --typical for a class).\n");
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

/* Nothing to work on. */
static sm_status no_gyro(motion_run *run, const char *place, sm_json_doc *doc, sm_error *err)
{
    sm_status st = motion_run_no_gyro(run, place, "stillmount/drift/1", doc, err);
    if (st == SM_OK) {
        (void)sm_json_add_array(doc, sm_json_root(doc), "bands");
        (void)sm_json_add_array(doc, sm_json_root(doc), "lines");
        sm_json_add_null(doc, sm_json_root(doc), "sensor");
    }
    return st;
}

static sm_status compute(const sm_args *args, motion_run *run, sm_json_doc *doc, int *status,
                         sm_error *err)
{
    static double bands[SM_DRIFT_MAX_BANDS][2];
    sm_drift_options opt = sm_drift_options_default();
    sm_motion_sensor sensor;
    bool has_sensor = false;
    bool unassessed = true;
    sm_drift *d = NULL;
    sm_status st = read_sensor(args, &sensor, &has_sensor, err);
    st = st == SM_OK ? read_bands(args, bands, &opt, err) : st;
    st = st == SM_OK ? motion_run_open(args, true, run, err) : st;
    if (st == SM_OK) {
        opt.powertrain = run->has_powertrain ? &run->powertrain : NULL;
        opt.no_speed = run->speed_source == SM_SPEED_NONE;
        opt.place = sm_args_text(args, "place", "mount");
        opt.skew_s = sm_args_number(args, "axis-skew", (double)NAN) * 1e-6;
        if (!motion_run_has_gyro(run, opt.place)) {
            return no_gyro(run, opt.place, doc, err);
        }
        st = sm_drift_open(run->info->channels, run->info->n_channels, run->info->rate_hz, &opt, &d,
                           err);
    }
    if (st == SM_OK) {
        sm_sink sink = sm_drift_sink(d);
        st = motion_run_pump(run, args, &sink, err);
    }
    if (st == SM_OK) {
        sm_drift_findings(d, &run->findings);
        motion_run_json(run, "stillmount/drift/1", doc);
        sm_drift_json(d, has_sensor ? &sensor : NULL, doc, sm_json_root(doc), &unassessed);
        *status = unassessed ? SM_EXIT_UNASSESSED : SM_EXIT_OK;
    }
    sm_drift_close(&d);
    return st;
}

static int run(const sm_args *args)
{
    return motion_run_command(args, &(motion_job){compute, write_text});
}

const sm_command sm_command_drift = {
    .name = "drift",
    .usage = "RUN [--powertrain FILE] [--budget FILE] [--sensor FILE] [options]",
    .summary = "what this vibration would do to bank, pitch and heading",
    .about = "Reads the gyro and accelerometer of the mount and says, per rpm band and axis, how "
             "fast the attitude of a sensor would drift that takes in none of the coning, and how "
             "far its horizon would lean. The log's gyro is measured, not the aircraft's sensor. "
             "A log that is too slow or clipped is refused; below the noise it says how large the "
             "drift could be.",
    .options = options,
    .n_options = sizeof options / sizeof options[0],
    .min_files = 1,
    .max_files = 1,
    .run = run,
};
