/* stillmount hold: is the mount still enough for a procedure that asks to hold still? */
#include "cli/commands.h"
#include "cli/motion_run.h"
#include "cli/report_out.h"
#include "stillmount/motion.h"

#include <math.h>
#include <string.h>

enum { MOST_EVENTS = 512 };

#define RAD_PER_DEG (3.14159265358979323846 / 180)

static const sm_option options[] = {
    {.name = "criteria",
     .kind = SM_ARG_TEXT,
     .arg = "FILE",
     .help = "what the procedure asks: [hold] seconds, gyro_rms, gyro_peak, bias_step, "
             "tilt_change; without it there are numbers and no verdict"},
    MOTION_RUN_OPTIONS,
    {.name = "place",
     .kind = SM_ARG_TEXT,
     .arg = "PLACE",
     .help = "where the sensor sits; default mount"},
    {.name = "events",
     .kind = SM_ARG_TEXT,
     .arg = "FILE",
     .help = "rows of time, item, on or off: how far each deflects the magnetometer"},
    {.name = "horizontal-field",
     .kind = SM_ARG_NUMBER,
     .arg = "UT",
     .unit = "uT",
     .lo = 0.1,
     .hi = 100,
     .help = "horizontal part of the earth's field; default: as the magnetometer shows it"},
    {.name = "deflection-limit",
     .kind = SM_ARG_NUMBER,
     .arg = "DEG",
     .unit = "deg",
     .lo = 0.001,
     .hi = 90,
     .help = "most that one item may turn the heading; more is restless"},
    {.name = "field-limit",
     .kind = SM_ARG_NUMBER,
     .arg = "UT",
     .unit = "uT",
     .lo = 0.0001,
     .hi = 1000,
     .help = "a limit on an item's field instead; its share is shown"},
    SM_OPTIONS_REPORT,
    SM_OPTIONS_OUTPUT,
};

static const char *const axes[3] = {"x", "y", "z"};

static void number(sm_text *out, const char *before, const sm_json *node, int digits,
                   const char *after)
{
    sm_text_add(out, before);
    sm_text_add_number(out, sm_json_number(node), digits);
    sm_text_add(out, after);
}

static void known(sm_text *out, const char *before, const sm_json *node, const char *after)
{
    if (isfinite(sm_json_number(node))) {
        number(out, before, node, 3, after);
    }
}

static void three(sm_text *out, const char *before, const sm_json *v, const char *after)
{
    sm_text_add(out, before);
    for (size_t k = 0; k < 3; k++) {
        sm_text_addf(out, "%s%s ", k ? ", " : "", axes[k]);
        sm_text_add_number(out, sm_json_number(sm_json_at(v, k)), 3);
    }
    sm_text_add(out, after);
}

static const char *kind_words(const char *kind)
{
    return strcmp(kind, "off") == 0    ? "engine off"
           : strcmp(kind, "idle") == 0 ? "idle"
           : strcmp(kind, "turn") == 0 ? "turn"
                                       : "held";
}

static void segment_text(const sm_json *s, size_t i, sm_text *out)
{
    const sm_json *still = sm_json_get(s, "still");
    const char *kind = sm_json_string(sm_json_get(s, "kind"));
    bool turn = strcmp(kind, "turn") == 0;
    sm_text_addf(out, "%zu. %s", i + 1, kind_words(kind));
    number(out, ", ", sm_json_get(s, "from_s"), 5, "");
    number(out, " to ", sm_json_get(s, "to_s"), 5, " s");
    if (sm_json_number(sm_json_get(s, "rpm")) > 0) {
        number(out, ", ", sm_json_get(s, "rpm"), 4, " rpm");
    }
    if (turn) {
        known(out, ", turned ", sm_json_get(s, "turned_deg"), " deg");
    } else if (!sm_json_is_null(still)) {
        sm_text_add(out, sm_json_bool(still, false) ? ": still" : ": NOT STILL");
    }
    sm_text_add(out, "\n");
    if (turn) {
        return;
    }
    three(out, "   rate rms ", sm_json_get(s, "gyro_rms_deg_s"), " deg/s\n");
    three(out, "   mean rate ", sm_json_get(s, "bias_deg_s"), " deg/s\n");
    known(out, "   tilt changed by ", sm_json_get(s, "tilt_change_deg"), " deg\n");
    if (sm_json_number(sm_json_get(s, "useful_seconds")) >= 1) {
        known(out, "   averaging longer than ", sm_json_get(s, "useful_seconds"),
              " s makes the mean no better here\n");
    }
    known(out, "   field noise turns the heading by ", sm_json_get(s, "mag_noise_heading_deg"),
          " deg\n");
    known(out, "   the field changed since the stretch before: up to ",
          sm_json_get(s, "mag_step_heading_deg"), " deg of heading\n");
    const sm_json *reasons = sm_json_get(s, "reasons");
    for (size_t k = 0; k < sm_json_size(reasons); k++) {
        sm_text_addf(out, "   %s\n", sm_json_string(sm_json_get(sm_json_at(reasons, k), "text")));
    }
}

static void events_text(const sm_json *root, sm_text *out)
{
    const sm_json *items = sm_json_get(root, "items");
    if (sm_json_size(items) > 0) {
        sm_text_add(out, "what deflects the magnetometer, worst first:\n");
    }
    for (size_t i = 0; i < sm_json_size(items); i++) {
        const sm_json *o = sm_json_at(items, i);
        sm_text_addf(out, "  %s: ", sm_json_string(sm_json_get(o, "item")));
        number(out, "up to ", sm_json_get(o, "heading_deg"), 3, " deg of heading");
        known(out, ", ", sm_json_get(o, "field_share_percent"), " % of the field limit");
        if (sm_json_number(sm_json_get(o, "times")) < 4) {
            sm_text_add(out, "; switch it on and off twice to be sure");
        }
        if (sm_json_bool(sm_json_get(o, "over"), false)) {
            sm_text_add(out, ": OVER");
        }
        sm_text_add(out, "\n");
    }
}

static void swing_text(const sm_json *root, sm_text *out)
{
    const sm_json *o = sm_json_get(root, "swing");
    known(out, "turned in all: ", sm_json_get(o, "turned_deg"), " deg\n");
    known(out, "closure: the gyro misses whole turns by ", sm_json_get(o, "closure_deg"), " deg\n");
    known(out, "the running engine shifts the mean rate by up to ",
          sm_json_get(o, "bias_step_deg_s"), " deg/s\n");
    if (isfinite(sm_json_number(sm_json_get(o, "quietest_rpm")))) {
        number(out, "quietest with the engine running: ", sm_json_get(o, "quietest_rpm"), 4,
               " rpm\n");
    }
}

static void write_text(const sm_json *root, sm_text *out)
{
    const char *verdict = sm_json_string(sm_json_get(root, "verdict"));
    const sm_json *segments = sm_json_get(root, "segments");
    if (strcmp(verdict, "unassessed") == 0) {
        sm_text_add(out, sm_json_size(segments) == 0
                             ? "UNASSESSED: no stretch of the log is long enough in one state.\n"
                             : "UNASSESSED: no verdict. Give --criteria with what the procedure "
                               "asks, and see the reasons below.\n");
    } else if (strcmp(verdict, "still") == 0) {
        sm_text_add(out, "STILL: every stop keeps the criteria that were given.\n");
    } else {
        sm_text_add(out, "RESTLESS: at least one stop does not keep the criteria.\n");
    }
    sm_text_add(out, "Measured with the log's own gyro, not with the aircraft's sensor.\n");
    motion_run_text(root, out);
    sm_text_add(out, "\n");
    for (size_t i = 0; i < sm_json_size(segments); i++) {
        segment_text(sm_json_at(segments, i), i, out);
    }
    swing_text(root, out);
    events_text(root, out);
    sm_text_add(out, "\nAn aid: the procedure of the sensor's maker, local rules and a licensed "
                     "person decide.\n");
}

static sm_status read_inputs(const sm_args *args, sm_hold_options *opt, sm_hold_event *events,
                             size_t *n_events, sm_error *err)
{
    const char *criteria = sm_args_text(args, "criteria", NULL);
    const char *path = sm_args_text(args, "events", NULL);
    sm_status st = criteria ? sm_hold_criteria_read(criteria, &opt->criteria, err) : SM_OK;
    *n_events = 0;
    if (st == SM_OK && path) {
        st = sm_hold_events_read(path, events, MOST_EVENTS, n_events, err);
    }
    opt->place = sm_args_text(args, "place", "mount");
    opt->horizontal_field_t = sm_args_number(args, "horizontal-field", (double)NAN) * 1e-6;
    return st;
}

static sm_status no_gyro(motion_run *run, const char *place, sm_json_doc *doc, sm_error *err)
{
    sm_status st = motion_run_pump(run, NULL, NULL, err);
    if (st == SM_OK) {
        motion_run_no_gyro(run, place);
        motion_run_json(run, "stillmount/hold/1", doc);
        (void)sm_json_add_array(doc, sm_json_root(doc), "segments");
        sm_json_add_text(doc, sm_json_root(doc), "verdict", "unassessed");
    }
    return st;
}

static sm_status measure(const sm_args *args, motion_run *run, const sm_hold_options *opt,
                         sm_hold_event *events, size_t n_events, sm_json_doc *doc, sm_error *err)
{
    sm_hold *h = NULL;
    sm_hold_limits limits = {.heading_rad = sm_args_number(args, "deflection-limit", (double)NAN) *
                                            RAD_PER_DEG,
                             .field_t = sm_args_number(args, "field-limit", (double)NAN) * 1e-6};
    sm_status st =
        sm_hold_open(run->info->channels, run->info->n_channels, run->info->rate_hz, opt, &h, err);
    if (st == SM_OK) {
        sm_sink sink = sm_hold_sink(h);
        st = motion_run_pump(run, args, &sink, err);
    }
    if (st == SM_OK) {
        motion_run_json(run, "stillmount/hold/1", doc);
        sm_hold_events(h, events, n_events);
        st = sm_hold_json(h, events, n_events, &limits, doc, sm_json_root(doc), err);
    }
    sm_hold_close(&h);
    return st;
}

static sm_status compute(const sm_args *args, motion_run *run, sm_json_doc *doc, sm_error *err)
{
    static sm_hold_event events[MOST_EVENTS];
    sm_hold_options opt = sm_hold_options_default();
    size_t n_events;
    sm_status st = read_inputs(args, &opt, events, &n_events, err);
    st = st == SM_OK ? motion_run_open(args, false, run, err) : st;
    if (st == SM_OK) {
        opt.powertrain = run->has_powertrain ? &run->powertrain : NULL;
        st = motion_run_has_gyro(run, opt.place)
                 ? measure(args, run, &opt, events, n_events, doc, err)
                 : no_gyro(run, opt.place, doc, err);
    }
    return st == SM_OK ? sm_json_status(doc) : st;
}

static int status_of(const sm_json *root)
{
    const char *verdict = sm_json_string(sm_json_get(root, "verdict"));
    return strcmp(verdict, "still") == 0      ? SM_EXIT_OK
           : strcmp(verdict, "restless") == 0 ? SM_EXIT_NOT_WITHIN
                                              : SM_EXIT_UNASSESSED;
}

static int run(const sm_args *args)
{
    motion_run log = {.source = NULL};
    sm_error err = {0};
    sm_json_doc *doc = NULL;
    sm_text raw = {0};
    sm_text text = {0};
    sm_status st = sm_json_open(&doc);
    st = st == SM_OK ? compute(args, &log, doc, &err) : st;
    int status;
    if (st == SM_OK) {
        write_text(sm_json_root(doc), &raw);
        motion_run_wrap(&raw, &text);
        status = sm_cli_report(args, doc, status_of(sm_json_root(doc)));
        status = status == SM_EXIT_FAILED ? status : sm_cli_emit(args, doc, &text, status);
    } else {
        err.code = err.code == SM_OK ? st : err.code;
        status = sm_cli_fail(&err);
    }
    sm_text_free(&raw);
    sm_text_free(&text);
    sm_json_close(&doc);
    motion_run_close(&log);
    return status;
}

const sm_command sm_command_hold = {
    .name = "hold",
    .usage = "RUN [--criteria FILE] [--powertrain FILE] [--events FILE] [options]",
    .summary = "is the mount still enough to hold still, engine off and at idle?",
    .about = "Finds the stretches in which the mount stands still and the turns between them: "
             "engine off, idle, a held rpm. For each: how much the gyro shakes, its mean with an "
             "interval, how long a hold is worth while, and why it is not still. With a whole "
             "swing in one log it says how well the turns close. With a magnetometer it says what "
             "the engine and each switched item do to the heading.",
    .options = options,
    .n_options = sizeof options / sizeof options[0],
    .min_files = 1,
    .max_files = 1,
    .run = run,
};
