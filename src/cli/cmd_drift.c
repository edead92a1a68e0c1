/* stillmount drift: what this vibration would do to the attitude of an uncompensated sensor. */
#include "cli/commands.h"
#include "cli/motion_run.h"
#include "cli/report_out.h"
#include "cli/text_motion.h"
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
    return motion_run_command(args, &(motion_job){compute, motion_drift_text});
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
