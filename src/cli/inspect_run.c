/* Reading and judging for inspect. */
#include "cli/inspect_run.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Common practice, no source: slower than this is a hold. */
static const double HOLD_SHARE = 0.015; /* of the rpm, within WINDOW_S */
static const double HOLD_RPM = 30;
static const double WINDOW_S = 3;
static const double SHORTEST_S = 2;       /* a pass */
static const double CLIPPED_SHARE = 0.01; /* of a channel's samples: nothing can be said any more */

sm_status inspect_open(const sm_args *args, const char *log, const char *powertrain,
                       const char *budget, inspect_run *run, sm_error *err)
{
    /* a pipe is read once, the vibration itself tells its speed in a pass of its own; with a plan
     * the pipe was copied to a file */
    bool again = budget || strcmp(log, "-") != 0;
    sm_status st = motion_run_open_named(args, log, powertrain, again, &run->base, err);
    run->has_plan = budget != NULL;
    st = st == SM_OK && budget ? sm_budget_read(budget, &run->budget, err) : st;
    st = st == SM_OK ? motion_run_take_notes(&run->base, err) : st;
    if (st != SM_OK) {
        return st;
    }
    const sm_source_info *info = run->base.info;
    const sm_powertrain *known = run->base.has_powertrain ? &run->base.powertrain : NULL;
    return sm_ground_open(info->channels, info->n_channels, info->rate_hz, known, &run->ground,
                          err);
}

static sm_status gather(void *self, const sm_block *b, sm_error *err)
{
    inspect_run *run = self;
    sm_sink next = sm_ground_sink(run->ground);
    sm_status st = next.push(next.self, b, err);
    if (run->survey && st == SM_OK) {
        next = sm_survey_sink(run->survey);
        st = next.push(next.self, b, err);
    }
    if (run->gear && st == SM_OK) {
        next = sm_gear_sink(run->gear);
        st = next.push(next.self, b, err);
    }
    for (size_t c = 0; c < b->n_channels; c++) {
        inspect_channel *ch = &run->channels[c];
        for (size_t i = 0; i < b->n_rows; i++) {
            double v = b->x[c][i];
            if (v == v) {
                ch->n++;
                double d = v - ch->mean;
                ch->mean += d / ch->n;
                ch->square += d * (v - ch->mean);
            }
        }
    }
    return st;
}

static sm_status pass_mark(void *self, sm_mark mark, double t_s, sm_error *err)
{
    inspect_run *run = self;
    sm_sink next = sm_ground_sink(run->ground);
    sm_status st = next.mark(next.self, mark, t_s, err);
    if (run->survey && st == SM_OK) {
        next = sm_survey_sink(run->survey);
        st = next.mark(next.self, mark, t_s, err);
    }
    if (run->gear && st == SM_OK) {
        next = sm_gear_sink(run->gear);
        st = next.mark(next.self, mark, t_s, err);
    }
    return st;
}

static int direction_at(const sm_speed_result *r, size_t i)
{
    size_t a = i;
    size_t b = i;
    while (a > 0 && r->trace_t_s[i] - r->trace_t_s[a] < WINDOW_S / 2 &&
           r->trace_rpm[a - 1] == r->trace_rpm[a - 1]) {
        a--;
    }
    while (b + 1 < r->n_trace && r->trace_t_s[b] - r->trace_t_s[i] < WINDOW_S / 2 &&
           r->trace_rpm[b + 1] == r->trace_rpm[b + 1]) {
        b++;
    }
    double change = r->trace_rpm[b] - r->trace_rpm[a];
    double least = fmax(HOLD_RPM, HOLD_SHARE * r->trace_rpm[i]);
    return change > least ? 1 : change < -least ? -1 : 0;
}

/* Stretches of one direction; what is shorter than a pass goes to the one before it. */
static void find_passes(inspect_run *run, const sm_speed_result *r)
{
    double last_s = -INFINITY;
    for (size_t i = 0; i < r->n_trace; i++) {
        double rpm = r->trace_rpm[i];
        if (!(rpm > 0)) {
            last_s = -INFINITY;
            continue;
        }
        double t = r->trace_t_s[i];
        int d = direction_at(r, i);
        inspect_pass *p = run->n_passes ? &run->passes[run->n_passes - 1] : NULL;
        bool joined = p && t - last_s < 1;
        last_s = t;
        if (joined && p->direction != d && p->to_s - p->from_s < SHORTEST_S) {
            p->direction = d; /* too short to be one of its own */
            inspect_pass *before = run->n_passes > 1 ? p - 1 : NULL;
            if (before && before->direction == d && p->from_s - before->to_s < 1) {
                before->to_s = p->to_s;
                before->rpm_to = p->rpm_to;
                run->n_passes--;
                p = before;
            }
        }
        if (joined && p->direction == d) {
            p->to_s = t;
            p->rpm_to = rpm;
        } else if (run->n_passes < INSPECT_PASSES) {
            run->passes[run->n_passes++] = (inspect_pass){d, t, t, rpm, rpm};
        }
    }
}

/* Orders are known and a speed is there: lines that move against it, and whether it is right. */
static sm_status open_survey(inspect_run *run, sm_error *err)
{
    const sm_source_info *info = run->base.info;
    const sm_powertrain *p = &run->base.powertrain;
    if (!run->base.has_powertrain || !run->base.speed) {
        return SM_OK;
    }
    double idle_rpm = p->idle_rpm > 0 ? 0.8 * p->idle_rpm : 500;
    double shaft_hz = idle_rpm / 60 * sm_powertrain_reference_per(p, p->rpm_of);
    sm_budget_none(info->rate_hz, &run->levels);
    sm_status st =
        sm_powertrain_orders(p, 0.4 * info->rate_hz / shaft_hz, NULL, 0, &run->orders, err);
    sm_survey_options opt = {
        .budget = &run->levels, .powertrain = p, .orders = &run->orders, .threads = 2};
    return st == SM_OK ? sm_survey_open(info->channels, info->n_channels, info->rate_hz, &opt,
                                        &run->survey, err)
                       : st;
}

static void name_contradiction(inspect_run *run)
{
    sm_comb_result c;
    sm_survey_speed_check(sm_survey_result_get(run->survey), &c);
    if (c.check != SM_COMB_CONTRADICTED) {
        return;
    }
    sm_finding *f =
        sm_findings_add(&run->base.findings, "speed-contradicted", SM_BLOCKING, NULL, 1);
    sm_finding_effect(f, "every limit per rpm would look in the wrong place: nothing is judged");
    sm_finding_text(f,
                    "the vibration fits another speed better (%s): check pulses per revolution, "
                    "shaft and gear ratio",
                    c.n_ambiguous ? c.ambiguous[0] : "a multiple of this one");
}

static sm_status finish(inspect_run *run, sm_error *err)
{
    sm_findings *all = &run->base.findings;
    if (run->base.speed) {
        find_passes(run, sm_speed_result_get(run->base.speed));
    }
    sm_status st = run->survey ? sm_survey_finish(run->survey, err) : SM_OK;
    st = st == SM_OK ? sm_ground_finish(run->ground, err) : st;
    if (st != SM_OK) {
        return st;
    }
    if (run->survey) {
        sm_survey_findings(sm_survey_result_get(run->survey), all);
        name_contradiction(run);
    }
    sm_ground_findings(run->ground, run->has_plan ? &run->budget : NULL, all);
    return all->failed ? sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory") : SM_OK;
}

sm_status inspect_pump(inspect_run *run, const sm_args *args, sm_error *err)
{
    motion_run *base = &run->base;
    sm_sink mine = {run, gather, pass_mark};
    sm_error why = {0};
    sm_status st = motion_run_begin(base, args, &mine, &why);
    if (st == SM_E_NOMEM) {
        *err = why;
        return st;
    }
    if (st != SM_OK) { /* the rest of the log can still be looked at */
        sm_finding *f = sm_findings_add(&base->findings, "no-speed", SM_WARNING, NULL, 1);
        sm_finding_effect(f, "levels per rpm cannot be had");
        sm_finding_text(f, "%s", why.message);
        base->speed_source = SM_SPEED_NONE;
    }
    st = inspect_gear_open(args, run, err);
    st = st == SM_OK ? open_survey(run, err) : st;
    if (st != SM_OK) {
        return st;
    }
    sm_sink first = base->speed ? sm_speed_sink(base->speed) : mine;
    st = sm_source_pump(base->source, &first, &base->findings, err);
    st = st == SM_OK ? inspect_gear_finish(run, err) : st;
    st = st == SM_OK ? finish(run, err) : st;
    return st == SM_OK ? inspect_ask_answers(args, run, err) : st;
}

void inspect_close(inspect_run *run)
{
    sm_survey_close(&run->survey); /* first: its threads may still run */
    sm_ground_close(&run->ground);
    sm_gear_close(&run->gear);
    sm_json_close(&run->answers);
    motion_run_close(&run->base);
}

static void run_json(const inspect_run *run, sm_json_doc *doc, sm_json *root)
{
    const sm_source_totals *t = sm_source_totals_get(run->base.source);
    sm_json *o = sm_json_add_object(doc, root, "run");
    sm_json_add_text(doc, o, "name", run->base.info->name);
    sm_json_add_text(doc, o, "note", run->base.info->note);
    sm_json *files = sm_json_add_array(doc, o, "files");
    for (size_t i = 0; i < t->n_files; i++) {
        sm_json *f = sm_json_append_object(doc, files);
        sm_json_add_text(doc, f, "name", t->files[i].name);
        sm_json_add_integer(doc, f, "bytes", (long long)t->files[i].bytes);
        sm_json_add_text(doc, f, "sha256", t->files[i].sha256[0] ? t->files[i].sha256 : NULL);
    }
    sm_json_add_number(doc, o, "seconds", t->seconds);
    sm_json_add_integer(doc, o, "rows", (long long)t->n_rows);
    sm_json_add_number(doc, o, "rate_hz", run->base.info->rate_hz);
    sm_json_add_number(doc, o, "measured_rate_hz", t->measured_rate_hz);
    sm_json_add_number(doc, o, "median_rate_hz", t->median_rate_hz);
    sm_json_add_number(doc, o, "mean_rate_hz", t->mean_rate_hz);
    sm_json *channels = sm_json_add_array(doc, o, "channels");
    for (size_t i = 0; i < run->base.info->n_channels; i++) {
        const sm_channel *c = &run->base.info->channels[i];
        const inspect_channel *g = &run->channels[i];
        double to_si = c->unit ? c->unit->to_si : 1;
        sm_json *ch = sm_json_append_object(doc, channels);
        sm_json_add_text(doc, ch, "role", c->name);
        sm_json_add_text(doc, ch, "column", c->column);
        sm_json_add_text(doc, ch, "unit", c->unit ? c->unit->name : "");
        double none = (double)NAN;
        sm_json_add_number(doc, ch, "rms", g->n > 0 ? sqrt(g->square / g->n) / to_si : none);
        sm_json_add_number(doc, ch, "mean", g->n > 0 ? g->mean / to_si : none);
        sm_json_add_number(doc, ch, "range", c->range_si > 0 ? c->range_si / to_si : none);
        sm_json_add_number(doc, ch, "bandwidth_hz", c->bandwidth_hz > 0 ? c->bandwidth_hz : none);
    }
    sm_json *decided = sm_json_add_array(doc, o, "decided");
    for (const char *p = run->base.info->decided; *p;) {
        size_t n = strcspn(p, "\n");
        char line[400];
        (void)snprintf(line, sizeof line, "%.*s", (int)(n < 399 ? n : 399), p);
        sm_json_append_text(doc, decided, line);
        p += n + (p[n] == '\n');
    }
}

static void speed_json(const inspect_run *run, sm_json_doc *doc, sm_json *root)
{
    const sm_speed_result *r = run->base.speed ? sm_speed_result_get(run->base.speed) : NULL;
    sm_json *o = sm_json_add_object(doc, root, "speed");
    double none = (double)NAN;
    sm_json_add_text(doc, o, "source", sm_speed_source_text(run->base.speed_source));
    sm_json_add_text(doc, o, "rpm_of",
                     run->base.has_powertrain
                         ? run->base.powertrain.rpm_of == SM_SHAFT_PROP ? "prop" : "crank"
                         : NULL);
    sm_json_add_number(doc, o, "rpm_min", r ? r->rpm_min : none);
    sm_json_add_number(doc, o, "rpm_max", r ? r->rpm_max : none);
    sm_comb_result comb = {.n_ambiguous = 0};
    if (run->survey) {
        sm_survey_speed_check(sm_survey_result_get(run->survey), &comb);
    }
    sm_json_add_text(doc, o, "check", run->survey ? sm_comb_check_text(comb.check) : NULL);
    sm_json_add_number(doc, o, "confidence", r ? r->confidence : none);
    sm_json *ambiguous = sm_json_add_array(doc, o, "ambiguous_with");
    for (size_t i = 0; i < comb.n_ambiguous; i++) {
        sm_json_append_text(doc, ambiguous, comb.ambiguous[i]);
    }
    sm_json_add_number(doc, o, "clock_offset_s", r ? r->clock_offset_s : none);
    sm_json *trace = sm_json_add_object(doc, o, "trace");
    sm_json_add_numbers(doc, trace, "time_s", r ? r->trace_t_s : NULL, r ? r->n_trace : 0);
    sm_json_add_numbers(doc, trace, "rpm", r ? r->trace_rpm : NULL, r ? r->n_trace : 0);
    sm_json *passes = sm_json_add_array(doc, root, "passes");
    static const char *const words[] = {"down", "held", "up"};
    for (size_t i = 0; i < run->n_passes; i++) {
        const inspect_pass *p = &run->passes[i];
        sm_json *a = sm_json_append_object(doc, passes);
        sm_json_add_text(doc, a, "direction", words[p->direction + 1]);
        sm_json_add_number(doc, a, "from_s", p->from_s);
        sm_json_add_number(doc, a, "to_s", p->to_s);
        sm_json_add_pair(doc, a, "rpm", fmin(p->rpm_from, p->rpm_to), fmax(p->rpm_from, p->rpm_to));
    }
}

static void add_reason(sm_json_doc *doc, sm_json *reasons, const char *code, const char *channel,
                       const char *text)
{
    char buf[600];
    (void)snprintf(buf, sizeof buf, "%s%s%s", channel, channel[0] ? ": " : "", text);
    sm_json *o = sm_json_append_object(doc, reasons);
    sm_json_add_text(doc, o, "code", code);
    sm_json_add_text(doc, o, "text", buf);
}

static double samples_of(const inspect_run *run, const char *role)
{
    for (size_t i = 0; i < run->base.info->n_channels; i++) {
        if (strcmp(run->base.info->channels[i].name, role) == 0) {
            return run->channels[i].n;
        }
    }
    return 0;
}

static bool judge(const inspect_run *run, sm_json_doc *doc, sm_json *root)
{
    bool usable = true;
    bool vibration = false;
    sm_json *reasons = sm_json_add_array(doc, root, "reasons");
    for (size_t i = 0; i < run->base.info->n_channels; i++) {
        sm_role r = run->base.info->channels[i].role;
        vibration |= r == SM_ROLE_ACCEL || r == SM_ROLE_GYRO;
    }
    if (!vibration) {
        usable = false;
        add_reason(doc, reasons, "no-vibration", "",
                   "no accelerometer and no gyro in it: nothing to judge");
    }
    for (size_t i = 0; i < run->base.findings.n; i++) {
        const sm_finding *f = &run->base.findings.items[i];
        /* assess asks besides whether the two are more than computed tones */
        bool copied = strcmp(f->code, "copied-axis") == 0;
        if (f->severity != SM_BLOCKING && !copied) {
            continue;
        }
        /* a few clipped samples and folded ranges spoil a part; the rest can carry an answer */
        bool part = strcmp(f->code, "alias-risk") == 0 ||
                    strcmp(f->code, "attachment-resonance") == 0 ||
                    strcmp(f->code, "noise-floor-high") == 0;
        if (strcmp(f->code, "clipped") == 0) {
            part = (double)f->count <= CLIPPED_SHARE * samples_of(run, f->channel);
        }
        usable &= part;
        add_reason(doc, reasons, f->code, f->channel, f->text);
    }
    return usable;
}

static void ground_json(const inspect_run *run, sm_json_doc *doc, sm_json *root)
{
    const sm_ground_result *g = sm_ground_result_get(run->ground);
    sm_json *off = sm_json_add_array(doc, root, "engine_off");
    for (size_t i = 0; i < g->n_off; i++) {
        sm_json_append_pair(doc, off, g->off[i].from_s, g->off[i].to_s);
    }
    sm_json *places = sm_json_add_array(doc, root, "places");
    for (size_t i = 0; i < g->n_places; i++) {
        const sm_ground_place *p = &g->places[i];
        sm_json *o = sm_json_append_object(doc, places);
        sm_json_add_text(doc, o, "place", p->place);
        sm_json_add_bool(doc, o, "oriented", p->oriented);
        sm_json_add_text(doc, o, "axes", sm_axes_state_text(p->axes));
        sm_json_add_text(doc, o, "gyro_axes", sm_axes_state_text(p->gyro_axes));
        sm_json *taps = sm_json_add_array(doc, o, "taps");
        for (int a = 0; a < 3; a++) {
            sm_json_append_number(doc, taps, (double)p->n_taps[a]);
        }
        sm_json_add_number(doc, o, "ring_hz", p->ring_hz);
        sm_json_add_number(doc, o, "ring_damping_ratio", p->ring_damping);
        sm_json *tilts = sm_json_add_array(doc, o, "tilts");
        for (size_t k = 0; k < p->n_tilts; k++) {
            const sm_ground_tilt *t = &p->tilts[k];
            sm_json *x = sm_json_append_object(doc, tilts);
            sm_json_add_number(doc, x, "from_s", t->from_s);
            sm_json_add_number(doc, x, "to_s", t->to_s);
            sm_json_add_number(doc, x, "angle_deg", t->angle_rad * 57.29577951308232);
            sm_json_add_numbers(doc, x, "toward", t->toward, 3);
        }
    }
}

static sm_status plan_json(inspect_run *run, sm_json_doc *doc, sm_json *root, sm_error *err)
{
    const sm_speed_result *speed = run->base.speed ? sm_speed_result_get(run->base.speed) : NULL;
    const sm_source_info *info = run->base.info;
    char notes[1600];
    (void)snprintf(notes, sizeof notes, "%s %s", info->note, info->rpm_notes);
    sm_plan_record record = {.channels = info->channels,
                             .n_channels = info->n_channels,
                             .rate_hz = info->rate_hz,
                             .trace_t_s = speed ? speed->trace_t_s : NULL,
                             .trace_rpm = speed ? speed->trace_rpm : NULL,
                             .n_trace = speed ? speed->n_trace : 0,
                             .ground = sm_ground_result_get(run->ground),
                             .notes = notes,
                             .assessment = run->answers ? sm_json_root(run->answers) : NULL,
                             .no_assessment = run->no_answers[0] ? run->no_answers : NULL};
    return sm_plan_check(&run->base.powertrain, &run->budget, &record, doc, root, &run->complete,
                         err);
}

sm_status inspect_json(inspect_run *run, sm_json_doc *doc, bool *usable, sm_error *err)
{
    sm_json *root = sm_json_root(doc);
    sm_json_add_text(doc, root, "schema", "stillmount/inspection/1");
    sm_json *program = sm_json_add_object(doc, root, "program");
    sm_json_add_text(doc, program, "name", "stillmount");
    sm_json_add_text(doc, program, "version", sm_version());
    run_json(run, doc, root);
    sm_findings_json(&run->base.findings, doc, root);
    speed_json(run, doc, root);
    inspect_gear_json(run, doc, root);
    ground_json(run, doc, root);
    *usable = judge(run, doc, root);
    sm_json_add_bool(doc, root, "usable", *usable);
    sm_status st = run->has_plan ? plan_json(run, doc, root, err) : SM_OK;
    *usable = *usable && (!run->has_plan || run->complete);
    return st;
}
