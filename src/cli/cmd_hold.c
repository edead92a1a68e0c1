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
    MOTION_PLACE_OPTION,
    {.name = "events",
     .kind = SM_ARG_TEXT,
     .arg = "FILE",
     .help = "rows of time (seconds or minutes:seconds of the log), item, on or off: how far each "
             "deflects the magnetometer; switch each on and off twice, with 3 s between"},
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
     .help = "a limit on an item's field instead; the share that each takes is shown"},
    {.name = "field-share",
     .kind = SM_ARG_NUMBER,
     .arg = "PERCENT",
     .unit = "%",
     .lo = 0.1,
     .hi = 100,
     .help = "the share of --field-limit that one item may take; default 100"},
    SM_OPTIONS_REPORT,
    SM_OPTIONS_OUTPUT,
};

static const char *const axes[3] = {"x", "y", "z"};

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

static void field_text(const sm_json *s, sm_text *out)
{
    motion_text_known(out, "   left out of the field: ", sm_json_get(s, "mag_left_out_s"),
                      " s in which an item was on\n");
    motion_text_known(out, "   magnetic heading ", sm_json_get(s, "mag_heading_deg"),
                      " deg, uncorrected");
    motion_text_known(out, "; noise turns it by ", sm_json_get(s, "mag_noise_heading_deg"),
                      " deg rms\n");
    motion_text_known(out, "   the field changed since the stretch before: up to ",
                      sm_json_get(s, "mag_step_heading_deg"), " deg of heading\n");
}

static void segment_text(const sm_json *s, size_t i, sm_text *out)
{
    const sm_json *still = sm_json_get(s, "still");
    const char *kind = sm_json_string(sm_json_get(s, "kind"));
    bool turn = strcmp(kind, "turn") == 0;
    sm_text_addf(out, "%zu. %s", i + 1, kind_words(kind));
    motion_text_number(out, ", ", sm_json_get(s, "from_s"), 5, "");
    motion_text_number(out, " to ", sm_json_get(s, "to_s"), 5, " s");
    if (sm_json_number(sm_json_get(s, "rpm")) > 0) {
        motion_text_number(out, ", ", sm_json_get(s, "rpm"), 4, " rpm");
    }
    if (turn) {
        motion_text_known(out, ", turned ", sm_json_get(s, "turned_deg"), " deg");
    } else if (!sm_json_is_null(still)) {
        sm_text_add(out, sm_json_bool(still, false) ? ": still" : ": NOT STILL");
    } else if (sm_json_size(sm_json_get(s, "reasons")) > 0) {
        sm_text_add(out, ": not judged");
    }
    sm_text_add(out, "\n");
    if (turn) {
        return;
    }
    three(out, "   rate rms ", sm_json_get(s, "gyro_rms_deg_s"), " deg/s\n");
    three(out, "   mean rate ", sm_json_get(s, "bias_deg_s"), " deg/s\n");
    motion_text_known(out, "   tilt changed by ", sm_json_get(s, "tilt_change_deg"), " deg\n");
    if (sm_json_number(sm_json_get(s, "useful_seconds")) >= 1) {
        motion_text_known(out, "   averaging longer than ", sm_json_get(s, "useful_seconds"),
                          " s makes the mean no better here\n");
    }
    field_text(s, out);
    motion_text_reasons(sm_json_get(s, "reasons"), "   ", "", out);
}

/* The strongest of each line over all stops of about one speed; true when `l` is that one. */
static bool strongest(const sm_json *segments, const sm_json *of, const sm_json *l)
{
    double rpm = sm_json_number(sm_json_get(of, "rpm"));
    double size = sm_json_number(sm_json_get(l, "peak_ut"));
    bool seen = false; /* this one itself: of equals the first counts */
    for (size_t i = 0; i < sm_json_size(segments); i++) {
        const sm_json *s = sm_json_at(segments, i);
        const sm_json *lines = sm_json_get(s, "mag_lines");
        bool near = fabs(sm_json_number(sm_json_get(s, "rpm")) - rpm) <= 0.06 * rpm;
        for (size_t k = 0; k < sm_json_size(lines) && near; k++) {
            const sm_json *o = sm_json_at(lines, k);
            double other = sm_json_number(sm_json_get(o, "peak_ut"));
            seen = seen || o == l;
            if (strcmp(sm_json_string(sm_json_get(o, "label")),
                       sm_json_string(sm_json_get(l, "label"))) == 0 &&
                (other > size || (other == size && !seen))) {
                return false;
            }
        }
    }
    return true;
}

static void field_lines_text(const sm_json *root, sm_text *out)
{
    const sm_json *segments = sm_json_get(root, "segments");
    bool first = true;
    for (size_t i = 0; i < sm_json_size(segments); i++) {
        const sm_json *s = sm_json_at(segments, i);
        const sm_json *lines = sm_json_get(s, "mag_lines");
        for (size_t k = 0; k < sm_json_size(lines); k++) {
            const sm_json *l = sm_json_at(lines, k);
            if (!strongest(segments, s, l)) {
                continue;
            }
            sm_text_add(out,
                        first ? "\nLines in the magnetometer's field, at their strongest:\n" : "");
            first = false;
            sm_text_addf(out, "  %s", kind_words(sm_json_string(sm_json_get(s, "kind"))));
            if (sm_json_number(sm_json_get(s, "rpm")) > 0) {
                motion_text_number(out, ", ", sm_json_get(s, "rpm"), 4, " rpm");
            }
            motion_text_number(out, ": ", sm_json_get(l, "hz"), 4, " Hz");
            motion_text_number(out, ", ", sm_json_get(l, "peak_ut"), 2, " uT peak");
            motion_text_number(out, ", swings the heading by ", sm_json_get(l, "heading_deg"), 2,
                               " deg: ");
            sm_text_addf(out, "%s\n", sm_json_string(sm_json_get(l, "label")));
        }
    }
}

static void item_text(const sm_json *o, sm_text *out)
{
    const char *verdict = sm_json_string(sm_json_get(o, "verdict"));
    const char *reason = sm_json_string(sm_json_get(o, "reason"));
    sm_text_addf(out, "  %s: ", sm_json_string(sm_json_get(o, "item")));
    if (sm_json_number(sm_json_get(o, "times")) > 0) {
        motion_text_number(out, "up to ", sm_json_get(o, "heading_deg"), 3, " deg of heading");
        motion_text_known(out, ", ", sm_json_get(o, "field_share_percent"),
                          " % of the field limit");
    } else {
        sm_text_add(out, "not measured");
    }
    sm_text_addf(out, "%s%s", verdict[0] ? ": " : "",
                 strcmp(verdict, "over") == 0         ? "OVER"
                 : strcmp(verdict, "unassessed") == 0 ? "UNASSESSED"
                                                      : verdict);
    sm_text_addf(out, "%s%s\n", reason[0] ? "; " : "", reason);
}

static void events_text(const sm_json *root, sm_text *out)
{
    const sm_json *items = sm_json_get(root, "items");
    if (sm_json_size(items) > 0) {
        sm_text_add(out, "\nWhat deflects the magnetometer, worst first:\n");
    }
    for (size_t i = 0; i < sm_json_size(items); i++) {
        item_text(sm_json_at(items, i), out);
    }
}

enum { MOST_PAIRS = 6 }; /* of a kind on the screen; the record holds all */

static void pair_text(const sm_json *pair, sm_text *out)
{
    double gyro = sm_json_number(sm_json_get(pair, "gyro_difference_deg"));
    sm_text_addf(out, "  stops %.0f and %.0f: %.1f and %.1f deg, %+.2f deg",
                 sm_json_number(sm_json_get(pair, "first")),
                 sm_json_number(sm_json_get(pair, "second")),
                 sm_json_number(sm_json_get(pair, "first_deg")),
                 sm_json_number(sm_json_get(pair, "second_deg")),
                 sm_json_number(sm_json_get(pair, "difference_deg")));
    if (isfinite(gyro)) {
        sm_text_addf(out, "; by the gyro the aircraft stood %+.2f deg differently", gyro);
    }
    sm_text_add(out, "\n");
}

/* Pairs of one kind, worst first. */
static void pairs_text(const sm_json *pairs, bool same, sm_text *out)
{
    double last = (double)INFINITY;
    size_t shown = 0;
    while (shown < MOST_PAIRS) {
        const sm_json *worst = NULL;
        double most = -1;
        for (size_t i = 0; i < sm_json_size(pairs); i++) {
            const sm_json *p = sm_json_at(pairs, i);
            double v = fabs(sm_json_number(sm_json_get(p, "difference_deg")));
            if (sm_json_bool(sm_json_get(p, "same_engine"), false) == same && v < last &&
                v > most) {
                worst = p;
                most = v;
            }
        }
        if (!worst) {
            return;
        }
        pair_text(worst, out);
        last = most;
        shown++;
    }
}

static void swing_text(const sm_json *root, sm_text *out)
{
    const sm_json *o = sm_json_get(root, "swing");
    const sm_json *pairs = sm_json_get(root, "headings");
    double turned = sm_json_number(sm_json_get(o, "turned_deg"));
    double repeat = sm_json_number(sm_json_get(o, "repeatability_deg"));
    double engine = sm_json_number(sm_json_get(o, "engine_heading_deg"));
    if (isfinite(turned)) {
        sm_text_addf(out, "\nTurned in all: %.1f deg", turned);
        motion_text_known(out, "; the gyro misses whole turns by ", sm_json_get(o, "closure_deg"),
                          " deg (closure)");
        sm_text_add(out, "\n");
    }
    if (isfinite(repeat)) {
        sm_text_addf(out,
                     "Headings of several turns repeat within %.2f deg, same engine state, worst "
                     "first:\n",
                     repeat);
        pairs_text(pairs, true, out);
    }
    if (isfinite(engine)) {
        sm_text_addf(out,
                     "A change of engine speed turns the magnetic heading by up to %.2f deg, worst "
                     "first:\n",
                     engine);
        pairs_text(pairs, false, out);
    }
}

/* How far the engine shifts the mean rate, where that stands clear of the noise. */
static void shift_text(const sm_json *s, sm_text *out)
{
    const sm_json *interval = sm_json_get(s, "bias_step_interval_deg_s");
    double lo = sm_json_number(sm_json_at(interval, 0));
    if (lo > 0) {
        motion_text_number(out, ", mean rate shifted by ", sm_json_get(s, "bias_step_deg_s"), 3,
                           " deg/s");
        motion_text_number(out, " (", sm_json_at(interval, 0), 3, "");
        motion_text_number(out, " to ", sm_json_at(interval, 1), 3, ")");
    } else if (isfinite(lo)) {
        motion_text_number(out, ", no clear shift of the mean rate: it could be up to ",
                           sm_json_at(interval, 1), 2, " deg/s");
    } else {
        motion_text_known(out, ", mean rate shifted by ", sm_json_get(s, "bias_step_deg_s"),
                          " deg/s, the stop is too short to say how surely");
    }
}

/* One line per engine state: the comparison that people come for. */
static void states_text(const sm_json *root, sm_text *out)
{
    const sm_json *states = sm_json_get(root, "states");
    bool judged = strcmp(sm_json_string(sm_json_get(root, "verdict")), "unassessed") != 0;
    for (size_t i = 0; i < sm_json_size(states); i++) {
        const sm_json *s = sm_json_at(states, i);
        const char *cause = sm_json_string(sm_json_get(s, "cause"));
        sm_text_addf(out, "  %s", kind_words(sm_json_string(sm_json_get(s, "kind"))));
        if (sm_json_number(sm_json_get(s, "rpm")) > 0) {
            motion_text_number(out, ", ", sm_json_get(s, "rpm"), 4, " rpm");
        }
        if (judged) {
            motion_text_number(out, ": ", sm_json_get(s, "still"), 4, " of ");
            motion_text_number(out, "", sm_json_get(s, "stops"), 4, " still, ");
        } else {
            motion_text_number(out, ": ", sm_json_get(s, "stops"), 4,
                               sm_json_number(sm_json_get(s, "stops")) > 1 ? " stops, "
                                                                           : " stop, ");
        }
        motion_text_number(out, "", sm_json_get(s, "gyro_rms_deg_s"), 3, " deg/s rms at most");
        shift_text(s, out);
        sm_text_addf(out, "%s%s\n", cause[0] ? "; why: " : "", cause);
    }
}

static void restless_text(const sm_json *root, sm_text *out)
{
    const sm_json *states = sm_json_get(root, "states");
    const sm_json *items = sm_json_get(root, "items");
    double stops = 0;
    double restless = 0;
    size_t over = 0;
    for (size_t i = 0; i < sm_json_size(states); i++) {
        stops += sm_json_number(sm_json_get(sm_json_at(states, i), "stops"));
        restless += sm_json_number(sm_json_get(sm_json_at(states, i), "restless"));
    }
    for (size_t i = 0; i < sm_json_size(items); i++) {
        over += sm_json_bool(sm_json_get(sm_json_at(items, i), "over"), false);
    }
    sm_text_addf(out, "RESTLESS: %.0f of %.0f stops are not still enough", restless, stops);
    if (over > 0) {
        sm_text_addf(out, "; %zu item%s above the limit", over, over == 1 ? " is" : "s are");
    }
    sm_text_add(out, ".\n");
}

static void headline(const sm_json *root, sm_text *out)
{
    const char *verdict = sm_json_string(sm_json_get(root, "verdict"));
    const sm_json *c = sm_json_get(root, "criteria");
    bool asked = false;
    static const char *const keys[] = {"gyro_rms_deg_s", "gyro_peak_deg_s", "bias_step_deg_s",
                                       "tilt_change_deg"};
    for (size_t i = 0; i < sizeof keys / sizeof keys[0]; i++) {
        asked = asked || isfinite(sm_json_number(sm_json_get(c, keys[i])));
    }
    if (strcmp(verdict, "still") == 0) {
        sm_text_add(out, "STILL: every stop keeps the criteria that were given.\n");
    } else if (strcmp(verdict, "restless") == 0) {
        restless_text(root, out);
    } else if (sm_json_size(sm_json_get(root, "segments")) == 0) {
        sm_text_add(out, "UNASSESSED: no stretch of the log is long enough in one state.");
        motion_text_known(out, " Stand still for ", sm_json_get(c, "seconds"),
                          " s or more at each stop.");
        sm_text_add(out, "\n");
    } else if (!asked) {
        sm_text_add(out,
                    "UNASSESSED: numbers only, because nothing was asked. Give --criteria with "
                    "what the procedure asks.\n");
    } else {
        sm_text_add(out, "UNASSESSED: the log cannot answer for every stop or item, see the "
                         "reasons below.\n");
    }
}

static void write_text(const sm_json *root, sm_text *out)
{
    const sm_json *segments = sm_json_get(root, "segments");
    headline(root, out);
    motion_text_reasons(sm_json_get(root, "advice"), "", "", out);
    states_text(root, out);
    sm_text_add(out, "Measured with the log's own gyro, not with the aircraft's sensor.\n");
    if (strcmp(sm_json_string(sm_json_get(sm_json_get(root, "speed"), "source")), "none") == 0) {
        sm_text_add(out, "The log has no rpm, so the engine is taken to be off throughout. To tell "
                         "engine off from idle record a tach or an rpm column, or give "
                         "--rpm-log.\n");
    }
    motion_run_text(root, out);
    sm_text_add(out, "\n");
    for (size_t i = 0; i < sm_json_size(segments); i++) {
        segment_text(sm_json_at(segments, i), i, out);
    }
    swing_text(root, out);
    field_lines_text(root, out);
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
    sm_status st = motion_run_no_gyro(run, place, "stillmount/hold/1", doc, err);
    if (st == SM_OK) {
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
                             .field_t = sm_args_number(args, "field-limit", (double)NAN) * 1e-6,
                             .share = sm_args_number(args, "field-share", 100) / 100};
    sm_status st =
        sm_hold_open(run->info->channels, run->info->n_channels, run->info->rate_hz, opt, &h, err);
    if (st == SM_OK) {
        sm_sink sink = sm_hold_sink(h);
        st = motion_run_pump(run, args, &sink, err);
    }
    if (st == SM_OK) {
        motion_run_json(run, "stillmount/hold/1", doc);
        st = sm_hold_json(h, events, n_events, &limits, doc, sm_json_root(doc), err);
    }
    sm_hold_close(&h);
    return st;
}

static int status_of(const sm_json *root)
{
    const char *verdict = sm_json_string(sm_json_get(root, "verdict"));
    return strcmp(verdict, "still") == 0      ? SM_EXIT_OK
           : strcmp(verdict, "restless") == 0 ? SM_EXIT_NOT_WITHIN
                                              : SM_EXIT_UNASSESSED;
}

static sm_status compute(const sm_args *args, motion_run *run, sm_json_doc *doc, int *status,
                         sm_error *err)
{
    static sm_hold_event events[MOST_EVENTS];
    sm_hold_options opt = sm_hold_options_default();
    size_t n_events;
    sm_status st = read_inputs(args, &opt, events, &n_events, err);
    st = st == SM_OK ? motion_run_open(args, false, run, err) : st;
    if (st == SM_OK) {
        opt.powertrain = run->has_powertrain ? &run->powertrain : NULL;
        opt.no_speed = run->speed_source == SM_SPEED_NONE;
        st = motion_run_has_gyro(run, opt.place)
                 ? measure(args, run, &opt, events, n_events, doc, err)
                 : no_gyro(run, opt.place, doc, err);
        *status = status_of(sm_json_root(doc));
    }
    return st;
}

static int run(const sm_args *args)
{
    return motion_run_command(args, &(motion_job){compute, write_text});
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
