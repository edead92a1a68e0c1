/* stillmount simulate: a run-up with known truth. */
#include "cli/commands.h"
#include "stillmount/file.h"
#include "stillmount/simulate.h"
#include "stillmount/units.h"

#include <math.h>
#include <string.h>

static const sm_option options[] = {
    {.name = "output",
     .letter = 'o',
     .kind = SM_ARG_TEXT,
     .arg = "FILE",
     .help = "the log to write: .csv, or .wav .w64 .rf64 .caf .flac; - is CSV on standard output"},
    {.name = "truth",
     .kind = SM_ARG_TEXT,
     .arg = "FILE",
     .help = "write what the log should show, as JSON"},
    {.name = "write-channels",
     .kind = SM_ARG_TEXT,
     .arg = "FILE",
     .help = "write the channels file that fits the log"},
    {.name = "write-rpm-log",
     .kind = SM_ARG_TEXT,
     .arg = "FILE",
     .help = "write the slow rpm log of an engine monitor with its own clock"},
    {.name = "seed",
     .kind = SM_ARG_INTEGER,
     .arg = "N",
     .lo = 0,
     .hi = 2147483647,
     .help = "another run of the same engine; default: the scenario's"},
    {.name = "bands",
     .kind = SM_ARG_TEXT,
     .arg = "RANGE",
     .help = "add the true rms of every rpm band to the truth, like 1800-5600:200"},
    {.name = "hz",
     .kind = SM_ARG_TEXT,
     .arg = "RANGE",
     .help = "frequency range of that rms, like 5-180; default 5 to 0.36 of the rate"},
    {.name = "brief", .kind = SM_ARG_FLAG, .help = "leave the tracks over time out of the truth"},
    {.name = "quiet", .letter = 'q', .kind = SM_ARG_FLAG, .help = "no text on standard output"},
};

/* "lo-hi", or "lo-hi:step" when step is wanted. */
static bool read_range(const char *text, double *lo, double *hi, double *step)
{
    const char *end = text + strlen(text);
    const char *p = sm_number_parse(text, end, '.', lo);
    p = p && *p == '-' ? sm_number_parse(p + 1, end, '.', hi) : NULL;
    if (p && step) {
        p = *p == ':' ? sm_number_parse(p + 1, end, '.', step) : NULL;
    }
    return p == end && *lo >= 0 && *lo < *hi && (!step || (*step > 0 && *hi - *lo <= *step * 1000));
}

static int read_bands(const sm_args *args, const sm_scenario *c, sm_simulate_files *f)
{
    const char *bands = sm_args_text(args, "bands", NULL);
    const char *hz = sm_args_text(args, "hz", NULL);
    f->bands_hz[0] = 5;
    f->bands_hz[1] = 0.36 * c->rate_hz;
    if (bands && !f->truth) {
        return sm_cli_usage(args, "--bands goes into the truth: give --truth FILE too");
    }
    if (bands && !read_range(bands, &f->bands_rpm[0], &f->bands_rpm[1], &f->bands_rpm[2])) {
        return sm_cli_usage(args, "--bands %s: write it like 1800-5600:200", bands);
    }
    if (hz && !read_range(hz, &f->bands_hz[0], &f->bands_hz[1], NULL)) {
        return sm_cli_usage(args, "--hz %s: write it like 5-180", hz);
    }
    return 0;
}

static int report(const sm_args *args, const sm_scenario *c, const sm_simulate_files *f,
                  const sm_simulate_totals *totals)
{
    sm_text page = {0};
    sm_text_addf(&page, "%s, seed %llu: no engine was running, this is a model.\n", c->name,
                 (unsigned long long)f->seed);
    sm_text_addf(&page, "%s: %llu rows, %.1f s, %.0f to %.0f %s rpm.\n", f->log,
                 (unsigned long long)totals->n_rows, totals->seconds, totals->rpm_min,
                 totals->rpm_max, c->rpm_of == SM_SHAFT_PROP ? "propeller" : "crank");
    sm_text_addf(&page, "Nuisances are %s.\n", c->nuisances_on ? "on" : "off");
    int status = SM_EXIT_OK;
    if (strcmp(f->log, "-") != 0) {
        sm_error err = {0};
        sm_status st = page.failed || sm_args_flag(args, "quiet")
                           ? SM_OK
                           : sm_file_store("-", page.s, page.n, &err);
        status = st == SM_OK ? SM_EXIT_OK : sm_cli_fail(&err);
    }
    sm_text_free(&page);
    return status;
}

static int run(const sm_args *args)
{
    sm_scenario c;
    sm_error err = {0};
    sm_simulate_files f = {
        .log = sm_args_text(args, "output", NULL),
        .truth = sm_args_text(args, "truth", NULL),
        .rpm_log = sm_args_text(args, "write-rpm-log", NULL),
        .channels = sm_args_text(args, "write-channels", NULL),
    };
    if (!f.log) {
        return sm_cli_usage(args, "where to? give -o FILE");
    }
    if (sm_scenario_read(sm_args_file(args, 0), &c, &err) != SM_OK) {
        return sm_cli_fail(&err);
    }
    f.brief = sm_args_flag(args, "brief");
    f.seed = (uint64_t)sm_args_number(args, "seed", (double)c.seed);
    int status = read_bands(args, &c, &f);
    if (status != 0) {
        return status;
    }
    sm_simulate_totals totals;
    if (sm_simulate_write(&c, &f, &totals, &err) != SM_OK) {
        return sm_cli_fail(&err);
    }
    return report(args, &c, &f, &totals);
}

const sm_command sm_command_simulate = {
    .name = "simulate",
    .usage = "SCENARIO -o RUN [options]",
    .summary = "a made-up run-up whose truth is known, for trying things out",
    .about =
        "Writes the log of a run-up that never took place, and what it should show.\n"
        "Use it to learn the program, and to see whether a budget and a logger fit together. It "
        "says nothing about a real engine.\n"
        "The scenario is an INI file. samples/ has some to start from. Its sections and keys:\n"
        "[scenario] name, seed, seconds, nuisances = on or off, internal_hz\n"
        "[engine] rpm_of = crank or prop, ratio, cycle, cylinders\n"
        "[profile] points = second:rpm second:rpm ... with straight lines between; 0 rpm is engine "
        "off\n"
        "[log] rate_hz, time, time_decimals, jitter_s, stamp_noise_s, clock_ppm, dropouts_per_s, "
        "gaps = second:seconds ...\n"
        "[rpm] column, step_rpm, lag_s, noise_rpm\n"
        "[tach] shaft, pulses_per_rev, width, rise_s\n"
        "[slow log] rate_hz, lag_s, offset_s, step_rpm\n"
        "[place NAME] accel_range, accel_step, gyro_range, gyro_step, filter_hz, filter_order, "
        "attachment_hz, attachment_damping, overload, tolerance_percent\n"
        "[mode NAME] hz, damping, kind = base or force\n"
        "[order crank 2] force, reference_rpm, exponent, law = rpm:g ..., phase_deg, scatter, "
        "order\n"
        "[tone NAME] hz, force, always, phase_deg\n"
        "[channel PLACE.accel.x] direct, modes = name:weight ..., weights = order:factor, ..., "
        "noise, force_noise, noise_below_hz, noise_exponent, reference_rpm, mean\n"
        "[nuisances] scatter_db, hunting_percent, weak_cylinder, ignition_check_s, "
        "ignition_drop_percent, rattle_g, rattle_below_rpm, gust_g, gust_deg_s, slap_g, "
        "slaps_per_minute\n"
        "Forces are peak values in g. Nuisances are on unless switched off: scatter from cycle to "
        "cycle, hunting rpm, a weak cylinder, an ignition check, gearbox rattle at idle, gusts, a "
        "slapping cable, a soft sensor attachment, clipping before the sensor's filter.",
    .options = options,
    .n_options = sizeof options / sizeof options[0],
    .min_files = 1,
    .max_files = 1,
    .run = run,
};
