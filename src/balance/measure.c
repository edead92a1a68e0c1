/* From a log to the once-per-turn vectors of a run: which windows, which mean, what scatter. */
#include "balance/turns.h"
#include "core/alloc.h"
#include "stillmount/source.h"
#include "stillmount/speed.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* A speed is held while it stays within this of its middle. */
#define HELD 0.01
/* Turns wanted at the held speed, and the least that says anything. */
#define TURNS_WANTED 200.0
#define TURNS_LEAST 60.0
/* Windows in which the speed changes more than this are not at one speed. */
#define CHANGE_MAX 0.02
/* A band is cut into cells at most this wide, as a fraction of the rpm. */
#define CELL_WIDTH 0.02
/* So far above the noise a line of half the speed is no accident: 18 dB. */
#define SLOWER 8.0
enum { CELL_WINDOWS = 3, BLOCK_WINDOWS = 5 };

static void note(sm_balance_job *job, const char *code, sm_advice_weight weight, const char *fmt,
                 ...) SM_PRINTF(4, 5);

static void note(sm_balance_job *job, const char *code, sm_advice_weight weight, const char *fmt,
                 ...)
{
    sm_balance_advice a = {.weight = weight};
    va_list list;
    va_start(list, fmt);
    (void)vsnprintf(a.text, sizeof a.text, fmt, list);
    va_end(list);
    (void)snprintf(a.code, sizeof a.code, "%s", code);
    for (size_t i = 0; i < job->n_notes; i++) {
        if (strcmp(job->notes[i].code, code) == 0 && strcmp(job->notes[i].text, a.text) == 0) {
            return;
        }
    }
    if (job->n_notes < SM_BALANCE_NOTES) {
        job->notes[job->n_notes++] = a;
    }
}

static sm_status refuse(sm_balance_logs *logs, sm_status st, const char *code, const char *path,
                        sm_error *err, const char *fmt, ...) SM_PRINTF(6, 7);

static sm_status refuse(sm_balance_logs *logs, sm_status st, const char *code, const char *path,
                        sm_error *err, const char *fmt, ...)
{
    char text[600];
    va_list list;
    va_start(list, fmt);
    (void)vsnprintf(text, sizeof text, fmt, list);
    va_end(list);
    (void)snprintf(logs->code, sizeof logs->code, "%s", code);
    return sm_error_set(err, st, path, 0, "%s", text);
}

/* Everything that is open while a log is read. */
typedef struct reading {
    const char *path;
    sm_balance_logs *logs;
    sm_balance_job *job;
    sm_source *source;
    const sm_source_info *info;
    sm_speed *speed;
    sm_turns *turns;
    sm_findings findings;
    size_t pick[SM_BALANCE_SENSORS];
    const sm_channel *tach;
    long i_rpm;
} reading;

static sm_status find_channels(reading *r, sm_error *err)
{
    r->i_rpm = -1;
    for (size_t k = 0; k < r->logs->n_channels; k++) {
        const char *want = r->logs->channels[k];
        size_t i = 0;
        while (i < r->info->n_channels && strcmp(r->info->channels[i].name, want) != 0) {
            i++;
        }
        if (i == r->info->n_channels || r->info->channels[i].role != SM_ROLE_ACCEL) {
            const char *names[SM_MAX_CHANNELS];
            size_t n = 0;
            for (size_t c = 0; c < r->info->n_channels; c++) {
                if (r->info->channels[c].role == SM_ROLE_ACCEL) {
                    names[n++] = r->info->channels[c].name;
                }
            }
            const char *near = sm_text_nearest(want, names, n);
            return sm_error_set(err, SM_E_VALUE, r->path, 0,
                                "no accelerometer channel '%.60s' in this log%s%s%s", want,
                                n ? "; there is " : "",
                                near ? near
                                : n  ? names[0]
                                     : "",
                                n > 1 ? " (see stillmount inspect)" : "");
        }
        r->pick[k] = i;
    }
    for (size_t i = 0; i < r->info->n_channels; i++) {
        if (r->info->channels[i].role == SM_ROLE_TACH && !r->tach) {
            r->tach = &r->info->channels[i];
        }
        if (r->info->channels[i].role == SM_ROLE_RPM && r->i_rpm < 0) {
            r->i_rpm = (long)i;
        }
    }
    return SM_OK;
}

/* The pulse must be on the propeller, once per turn. Known before a row is read. */
static sm_status check_pulse(reading *r, sm_error *err)
{
    const sm_powertrain *p = r->logs->powertrain;
    if (!r->tach) {
        return refuse(r->logs, SM_E_NO_SPEED, "no-pulse", r->path, err,
                      "the log has no tach channel: without a once-per-turn pulse of the propeller "
                      "there is no angle; record one, or balance from amplitudes with --no-phase");
    }
    if (r->tach->pulses_per_rev > 1) {
        return refuse(r->logs, SM_E_NO_SPEED, "several-pulses", r->path, err,
                      "the tach gives %ld pulses per revolution: which of them is the mark cannot "
                      "be told, so there is no angle; use one mark on the propeller",
                      r->tach->pulses_per_rev);
    }
    bool prop = r->tach->shaft_given ? r->tach->shaft == SM_SHAFT_PROP : p->rpm_of == SM_SHAFT_PROP;
    if (p->has_gearbox && p->has_engine && !prop) {
        return refuse(
            r->logs, SM_E_NO_SPEED, "pulse-on-crank", r->path, err,
            "the pulse is %s the crank, and a gearbox lies between it and the propeller: "
            "the propeller's angle is ambiguous; put the mark on the propeller, and write "
            "shaft = prop under [column %.60s] in the channels file",
            r->tach->shaft_given ? "on" : "taken to be on",
            r->tach->column[0] ? r->tach->column : "NAME");
    }
    r->job->direct_drive = r->job->direct_drive || (p->has_engine && !p->has_gearbox);
    return SM_OK;
}

/* Speed by pulses against the log's own rpm column, and against what the engine can turn. */
static sm_status check_speed(reading *r, sm_error *err)
{
    const sm_speed_result *s = sm_speed_result_get(r->speed);
    const sm_powertrain *p = r->logs->powertrain;
    double ratio = sm_turns_rpm_ratio(r->turns);
    if (r->i_rpm >= 0 && isfinite(ratio)) {
        const sm_channel *c = &r->info->channels[r->i_rpm];
        sm_shaft shaft = c->shaft_given ? c->shaft : p->rpm_of;
        ratio *= sm_powertrain_reference_per(p, p->rpm_of) / sm_powertrain_reference_per(p, shaft);
        if (fabs(ratio - 1) > 0.05) {
            return refuse(r->logs, SM_E_NO_SPEED, "pulses-disagree", r->path, err,
                          "the pulses say %.3g times the speed of the rpm column: several pulses "
                          "per turn, lost pulses, or another shaft than declared",
                          ratio);
        }
    }
    if (!s->phase_known) {
        const sm_finding *f = sm_findings_get(&r->findings, "tach-unreliable", r->tach->name);
        return refuse(r->logs, SM_E_NO_SPEED, "pulse-unreliable", r->path, err,
                      "the pulses cannot be trusted, so there is no angle. %s",
                      f ? f->text : "Look at the gap between pick-up and mark, sunlight, cable.");
    }
    /* Two even marks look like doubled pulses, and either may be taken for the mark. */
    const sm_finding *f = sm_findings_get(&r->findings, "tach-repaired", r->tach->name);
    if (f && (double)f->count > 0.1 * sm_turns_total(r->turns)) {
        return refuse(r->logs, SM_E_NO_SPEED, "pulse-unreliable", r->path, err,
                      "%ld pulses too many or too few in %.0f propeller turns: two marks, a double "
                      "edge or dropouts; the angle could be that of the wrong mark. Use one mark "
                      "and look at the pick-up",
                      f->count, sm_turns_total(r->turns));
    }
    double slower = sm_turns_slower(r->turns);
    if (slower > SLOWER) {
        return refuse(r->logs, SM_E_NO_SPEED, "pulse-unreliable", r->path, err,
                      "the vibration turns at half the pulses' rate (a line that only half the "
                      "speed makes stands %.0f dB over the noise): two marks per propeller turn? "
                      "Use one mark",
                      20 * log10(slower));
    }
    if (p->max_rpm > 0 && s->rpm_max > 1.25 * p->max_rpm) {
        return refuse(r->logs, SM_E_NO_SPEED, "speed-implausible", r->path, err,
                      "the pulses say up to %.0f rpm, the powertrain file allows %.0f: several "
                      "pulses per turn, or another shaft than declared",
                      s->rpm_max, p->max_rpm);
    }
    return SM_OK;
}

static void pass_findings(reading *r)
{
    for (size_t i = 0; i < r->findings.n; i++) {
        const sm_finding *f = &r->findings.items[i];
        bool ours = f->channel[0] == '\0' || strcmp(f->channel, r->tach->name) == 0;
        bool fatal = false;
        for (size_t k = 0; k < r->logs->n_channels; k++) {
            if (strcmp(f->channel, r->logs->channels[k]) == 0) {
                ours = true;
                /* Without a declared range clipping is a guess, and a pure tone in step with the
                 * samples looks like it: a warning then. */
                fatal = f->severity == SM_BLOCKING && (strcmp(f->code, "clipped") != 0 ||
                                                       r->info->channels[r->pick[k]].range_si > 0);
            }
        }
        if (ours && f->severity >= SM_WARNING) {
            note(r->job, f->code, fatal ? SM_ADVICE_STOP : SM_ADVICE_WARNING, "%s: %s",
                 sm_file_name(r->path), f->text);
        }
    }
}

static sm_status read_log(reading *r, sm_error *err)
{
    sm_source_options opt = sm_source_options_default();
    sm_speed_options how = {
        .source = SM_SPEED_TACH, .declared_rpm = (double)NAN, .clock_offset_s = (double)NAN};
    opt.channels_path = r->logs->channels_path;
    opt.hash = false;
    sm_status st = sm_source_open(r->path, &opt, &r->source, err);
    if (st != SM_OK) {
        return st;
    }
    r->info = sm_source_info_get(r->source);
    st = find_channels(r, err);
    st = st ? st : check_pulse(r, err);
    st = st ? st
            : sm_turns_open(r->logs->powertrain, r->pick, r->logs->n_channels, r->i_rpm, &r->turns,
                            err);
    if (st != SM_OK) {
        return st;
    }
    sm_sink sink = sm_turns_sink(r->turns);
    st = sm_speed_open(r->info->channels, r->info->n_channels, r->info->rate_hz,
                       r->logs->powertrain, &how, &sink, &r->findings, &r->speed, err);
    if (st == SM_OK) {
        sink = sm_speed_sink(r->speed);
        st = sm_source_pump(r->source, &sink, &r->findings, err);
    }
    st = st ? st : check_speed(r, err);
    if (st == SM_OK) {
        pass_findings(r);
    }
    return st;
}

static int rising(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/*
 * The held speed to use: the one with most turns within 1 %, where more than twice the turns
 * wanted count no further and a higher speed counts in proportion, so that a long idle does not win
 * over a shorter hold at cruise.
 */
static sm_status best_hold(const sm_turns_window *w, size_t n, double turns_each, double *best)
{
    double *rpm = sm_alloc_array(n ? n : 1, sizeof *rpm), best_score = 0;
    size_t m = 0;
    if (!rpm) {
        return SM_E_NOMEM;
    }
    *best = NAN;
    for (size_t i = 0; i < n; i++) {
        if (w[i].rpm_change < CHANGE_MAX * w[i].rpm) {
            rpm[m++] = w[i].rpm;
        }
    }
    if (m > 1) {
        qsort(rpm, m, sizeof *rpm, rising);
    }
    for (size_t lo = 0, hi = 0; lo < m; lo++) {
        while (hi < m && rpm[hi] <= rpm[lo] * (1 + HELD) / (1 - HELD)) {
            hi++;
        }
        double turns = (double)(hi - lo) * turns_each;
        double middle = rpm[(lo + hi - 1) / 2];
        double score = (sm_min(turns, 2 * TURNS_WANTED) + 1e-3 * turns) * middle;
        if (score > best_score) {
            best_score = score;
            *best = middle;
        }
    }
    sm_free(rpm);
    return SM_OK;
}

/* The first log decides which speeds count. */
static sm_status settle_cells(reading *r, const sm_turns_window *w, size_t n, sm_error *err)
{
    sm_balance_logs *l = r->logs;
    if (isfinite(l->band_lo)) {
        size_t most = SM_BALANCE_READINGS / l->n_channels;
        double cells = ceil(log(l->band_hi / l->band_lo) / CELL_WIDTH);
        size_t want = cells > (double)most ? most : (size_t)cells;
        double step = pow(l->band_hi / l->band_lo, 1 / (double)want);
        for (size_t c = 0; c < want; c++) {
            double lo = l->band_lo * pow(step, (double)c), hi = lo * step;
            size_t inside = 0;
            for (size_t i = 0; i < n; i++) {
                inside += w[i].rpm >= lo && w[i].rpm < hi && w[i].rpm_change < CHANGE_MAX * hi;
            }
            if (inside >= CELL_WINDOWS) {
                l->cell_rpm[l->n_cells][0] = lo;
                l->cell_rpm[l->n_cells++][1] = hi;
            }
        }
        return l->n_cells ? SM_OK
                          : refuse(l, SM_E_SHORT, "not-held", r->path, err,
                                   "the run was not long enough between %.0f and %.0f rpm: go "
                                   "through the band more slowly",
                                   l->band_lo, l->band_hi);
    }
    if (!isfinite(l->rpm)) {
        if (best_hold(w, n, sm_turns_length(r->turns) / 2, &l->rpm) != SM_OK) {
            return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
        }
        if (!isfinite(l->rpm)) {
            return refuse(l, SM_E_SHORT, "not-held", r->path, err,
                          "no speed was held: hold the rpm within 1 %% for %.0f propeller turns",
                          TURNS_WANTED);
        }
        note(r->job, "held-speed", SM_ADVICE_NOTE,
             "The vectors are taken at %.0f rpm, the best held speed of the first run; --rpm picks "
             "another.",
             l->rpm);
    }
    l->cell_rpm[0][0] = l->rpm * (1 - HELD);
    l->cell_rpm[0][1] = l->rpm * (1 + HELD);
    l->n_cells = 1;
    return SM_OK;
}

/* Acceleration of a window as the job's quantity, with the sensor's lag taken back. */
static double complex to_quantity(const reading *r, const sm_channel *c, const sm_turns_window *w,
                                  size_t k)
{
    double f = w->prop_hz, omega_rad_s = 2 * SM_PI * f, lag_deg = 0;
    double complex v = sm_c(w->accel_pk[k]);
    if (isfinite(r->logs->delay_s)) {
        lag_deg = 360 * f * r->logs->delay_s;
    } else if (c->bandwidth_hz > 0) {
        lag_deg = atan(f / c->bandwidth_hz) / SM_DEG;
    }
    v *= sm_cis(lag_deg);
    if (r->job->unit->quantity == SM_QUANTITY_VELOCITY) {
        v /= CMPLX(0, omega_rad_s);
    } else if (r->job->unit->quantity == SM_QUANTITY_DISPLACEMENT) {
        v /= -omega_rad_s * omega_rad_s;
    }
    return v * sm_detector_factor(r->job->detector) / sm_detector_factor(SM_PEAK) /
           r->job->unit->to_si;
}

/* Mean, scatter and wander of the windows of one cell. */
typedef struct cell {
    double complex *v; /* (n) */
    size_t n;
    double rpm;
    double prop_hz;
} cell;

static void summarise(const cell *c, size_t k, sm_balance_run *run)
{
    double complex mean = 0;
    double var = 0;
    for (size_t i = 0; i < c->n; i++) {
        mean += c->v[i] / (double)c->n;
    }
    for (size_t i = 0; i < c->n; i++) {
        double d = cabs(c->v[i] - mean);
        var += d * d / 2 / sm_max(1, (double)c->n - 1);
    }
    /* Hann windows that overlap by half: 1.5 windows are worth one (methods 12). */
    double se = sqrt(var / sm_max(1, (double)c->n / 1.5));
    double worst = 0, blocks = 0;
    size_t n_blocks = c->n / BLOCK_WINDOWS;
    /* Noise of a block from windows that share no sample: a slow wander hardly enters it. */
    double noise = 0;
    for (size_t i = 2; i < c->n; i++) {
        double d = cabs(c->v[i] - c->v[i - 2]);
        noise += d * d / 4 / (double)(c->n - 2);
    }
    double block_se = sqrt(noise / (BLOCK_WINDOWS / 1.5));
    for (size_t b = 0; b < n_blocks && n_blocks >= 3; b++) {
        double complex sum = 0;
        for (size_t i = 0; i < BLOCK_WINDOWS; i++) {
            sum += c->v[b * BLOCK_WINDOWS + i] / BLOCK_WINDOWS;
        }
        double off = cabs(sum - mean);
        double grown = fabs(cabs(sum) - cabs(mean)) / cabs(mean);
        double turned = fabs(carg(sum * conj(mean))) / SM_DEG;
        blocks += off * off / 2 / (double)(n_blocks - 1);
        /* Seen, and more than the noise of a block. */
        if ((grown > 0.1 || turned > 10) && off > 3 * sqrt(2) * block_se) {
            run->wanders = true;
        }
        worst = sm_max(worst, off / cabs(mean));
    }
    run->wander = sm_max(run->wander, worst);
    run->v[k] = sm_p(mean);
    run->scatter[k] = sm_max(se, n_blocks >= 3 ? sqrt(blocks / (double)n_blocks) : 0);
    if (run->wanders) {
        run->scatter[k] = sqrt(blocks);
    }
}

static sm_status take_cell(reading *r, const sm_turns_window *w, size_t n, size_t i_cell,
                           sm_balance_run *run, sm_error *err)
{
    sm_balance_logs *l = r->logs;
    double lo = l->cell_rpm[i_cell][0], hi = l->cell_rpm[i_cell][1];
    bool band = isfinite(l->band_lo);
    cell c = {.v = sm_alloc_array(n ? n : 1, sizeof *c.v)};
    sm_status st = SM_OK;
    if (!c.v) {
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    for (size_t s = 0; s < l->n_channels && st == SM_OK; s++) {
        c.n = 0;
        c.rpm = c.prop_hz = 0;
        for (size_t i = 0; i < n; i++) {
            if (w[i].rpm >= lo && w[i].rpm <= hi && w[i].rpm_change < CHANGE_MAX * hi) {
                c.v[c.n++] = to_quantity(r, &r->info->channels[r->pick[s]], &w[i], s);
                c.rpm += w[i].rpm;
                c.prop_hz += w[i].prop_hz;
            }
        }
        double turns = (double)c.n * sm_turns_length(r->turns) / 2;
        if (c.n < CELL_WINDOWS || (!band && turns < TURNS_LEAST)) {
            st = refuse(l, SM_E_SHORT, "not-held", r->path, err,
                        "only %.0f propeller turns between %.0f and %.0f rpm: hold the rpm of the "
                        "first run within 1 %% for %.0f turns",
                        turns, lo, hi, TURNS_WANTED);
            break;
        }
        if (!band && turns < TURNS_WANTED - sm_turns_length(r->turns)) {
            note(r->job, "short-hold", SM_ADVICE_WARNING,
                 "%s: the speed was held for %.0f propeller turns only; hold it for %.0f.",
                 sm_file_name(r->path), turns, TURNS_WANTED);
        }
        size_t k = s * l->n_cells + i_cell;
        summarise(&c, k, run);
        run->rpm[k] = band ? (lo + hi) / 2 : c.rpm / (double)c.n;
        if (!isfinite(r->job->rpm)) {
            r->job->rpm = 60 * c.prop_hz / (double)c.n;
        }
    }
    sm_free(c.v);
    return st;
}

static sm_status take_vectors(reading *r, sm_balance_run *run, sm_error *err)
{
    size_t n;
    const sm_turns_window *w = sm_turns_windows(r->turns, &n);
    sm_status st = r->logs->n_cells ? SM_OK : settle_cells(r, w, n, err);
    for (size_t i = 0; i < r->logs->n_cells && st == SM_OK; i++) {
        st = take_cell(r, w, n, i, run, err);
    }
    run->n_readings = r->logs->n_cells * r->logs->n_channels;
    run->wander = run->wanders ? run->wander : 0;
    const char *twin = sm_turns_twin(r->turns);
    if (st == SM_OK && twin[0] && !r->job->direct_drive) {
        note(r->job, "coincides", SM_ADVICE_WARNING,
             "%s falls on the propeller's once per turn with this gearbox: the vector holds both, "
             "and a weight cancels both at this rpm only.",
             twin);
    }
    return st;
}

sm_status sm_balance_run_measure(const char *path, sm_balance_logs *logs, sm_balance_job *job,
                                 sm_balance_run *run, sm_error *err)
{
    reading r = {.path = path, .logs = logs, .job = job};
    sm_balance_run taken = *run;
    if (logs->n_channels == 0 || logs->n_channels > SM_BALANCE_SENSORS) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0,
                            "1 to %d --channel are needed, for example --channel prop.accel.y",
                            SM_BALANCE_SENSORS);
    }
    logs->code[0] = '\0';
    taken.wanders = false;
    taken.wander = 0;
    sm_status st = read_log(&r, err);
    st = st ? st : take_vectors(&r, &taken, err);
    if (st == SM_OK) {
        const char *name = sm_file_name(path);
        sm_text_inert(name, strlen(name), taken.source, sizeof taken.source);
        *run = taken;
    }
    sm_turns_close(&r.turns);
    sm_speed_close(&r.speed);
    sm_source_close(&r.source);
    sm_findings_free(&r.findings);
    return st;
}
