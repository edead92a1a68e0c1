/* Writes a simulated run as a logger would: CSV or audio, slow rpm log, channels file, truth. */
#include "core/alloc.h"
#include "core/util.h"
#include "simulate/internal.h"
#include "stillmount/file.h"

#include <math.h>
#include <string.h>

#define AUDIO_RPM_FULL 10000.0 /* rpm at full scale of an audio channel */

typedef struct output {
    const sm_scenario *scenario;
    const sm_simulate_files *files;
    sm_file_writer *log;
    sm_file_writer *rpm_log;
    sm_sim_audio *audio;
    double *frames; /* interleaved, for audio */
    sm_text text;
    sm_text rpm_text;
    int decimals[SM_SIM_MAX_CHANNELS];
    double lagged_rpm;
    double last_s;
    uint64_t n_slow;
} output;

static const sm_unit *unit_of(const sm_sim_channel *ch)
{
    return sm_unit_find(ch->role == SM_ROLE_GYRO ? "deg/s" : "g");
}

static double range_of(const sm_scenario *c, size_t i)
{
    const sm_sim_channel *ch = &c->channels[i];
    return c->places[ch->i_place].range_si[ch->role == SM_ROLE_GYRO];
}

/* Fewest decimals that hold every multiple of the step; 6 when the step is no short decimal. */
static int decimals_of(double step)
{
    double scale = 1;
    for (int d = 0; d <= 6; d++, scale *= 10) {
        double units = step * scale;
        if (step > 0 && units > 0.5 && fabs(units - round(units)) < 1e-6 * units) {
            return d;
        }
    }
    return 6;
}

static void add_column(const sm_scenario *c, const sm_sim_channel *ch, sm_text *out)
{
    const char *place = c->places[ch->i_place].name;
    bool gyro = ch->role == SM_ROLE_GYRO;
    sm_text_addf(out, "%s%s%s%c%s", strcmp(place, "mount") == 0 ? "" : place,
                 strcmp(place, "mount") == 0 ? "" : "_", gyro ? "g" : "a", "xyz"[ch->axis],
                 gyro ? "_dps" : "_g");
}

static void add_header(const sm_scenario *c, sm_text *out)
{
    sm_text_addf(out, "# simulated run, no engine was running: %s\n", c->name);
    sm_text_add(out, c->time_column ? "time_s," : "");
    for (size_t i = 0; i < c->n_channels; i++) {
        add_column(c, &c->channels[i], out);
        sm_text_add(out, i + 1 < c->n_channels ? "," : "");
    }
    sm_text_addf(out, "%s%s\n", c->rpm_column ? ",rpm" : "", c->has_tach ? ",tach" : "");
}

/* v with a fixed number of decimals, without the locale; "-0.00" is "0.00". */
static void add_fixed(sm_text *out, double v, int decimals)
{
    char buf[32];
    double scale = 1;
    for (int i = 0; i < decimals; i++) {
        scale *= 10;
    }
    double whole = round(fabs(v) * scale);
    uint64_t digits = (uint64_t)sm_min(whole, 1e18);
    size_t at = sizeof buf;
    for (int i = 0; i < decimals || digits || i == decimals; i++) {
        if (i == decimals && decimals > 0) {
            buf[--at] = '.';
        }
        buf[--at] = (char)('0' + digits % 10);
        digits /= 10;
        if (i >= decimals && digits == 0) {
            break;
        }
    }
    if (v < 0 && whole > 0) {
        buf[--at] = '-';
    }
    sm_text_add_n(out, buf + at, sizeof buf - at);
}

static sm_status flush(sm_text *text, sm_file_writer *w, sm_error *err)
{
    if (text->failed) {
        return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    }
    sm_status st = text->n ? sm_file_writer_put(w, text->s, text->n, err) : SM_OK;
    text->n = 0;
    return st;
}

static sm_status put_csv(output *o, const sm_sim_rows *rows, sm_error *err)
{
    const sm_scenario *c = o->scenario;
    for (size_t k = 0; k < rows->n_rows; k++) {
        if (c->time_column) {
            add_fixed(&o->text, rows->t_s[k], (int)c->time_decimals);
            sm_text_add_n(&o->text, ",", 1);
        }
        for (size_t i = 0; i < c->n_channels; i++) {
            if (i) {
                sm_text_add_n(&o->text, ",", 1);
            }
            add_fixed(&o->text, rows->x[i][k] / unit_of(&c->channels[i])->to_si, o->decimals[i]);
        }
        if (c->rpm_column) {
            sm_text_add_n(&o->text, ",", 1);
            add_fixed(&o->text, rows->rpm[k], decimals_of(c->rpm_step));
        }
        if (c->has_tach) {
            sm_text_add_n(&o->text, ",", 1);
            add_fixed(&o->text, rows->tach[k], c->pulse_rise_s > 0 ? 2 : 0);
        }
        sm_text_add_n(&o->text, "\n", 1);
    }
    return flush(&o->text, o->log, err);
}

static int audio_channels(const sm_scenario *c)
{
    return (int)c->n_channels + c->rpm_column + c->has_tach;
}

static sm_status put_audio(output *o, const sm_sim_rows *rows, sm_error *err)
{
    const sm_scenario *c = o->scenario;
    size_t width = (size_t)audio_channels(c);
    for (size_t k = 0; k < rows->n_rows; k++) {
        double *frame = o->frames + k * width;
        for (size_t i = 0; i < c->n_channels; i++) {
            frame[i] = rows->x[i][k] / range_of(c, i);
        }
        size_t n = c->n_channels;
        if (c->rpm_column) {
            frame[n++] = rows->rpm[k] / AUDIO_RPM_FULL;
        }
        if (c->has_tach) {
            frame[n] = rows->tach[k];
        }
    }
    return sm_sim_audio_put(o->audio, o->frames, rows->n_rows, err);
}

/* The engine monitor: a first-order lag, its own clock, a reading every 1 / rate seconds. */
static sm_status put_rpm_log(output *o, const sm_sim_rows *rows, sm_error *err)
{
    const sm_scenario *c = o->scenario;
    for (size_t k = 0; k < rows->n_rows; k++) {
        double t = rows->t_s[k];
        double a = c->slow_lag_s > 0 ? exp(-(t - o->last_s) / c->slow_lag_s) : 0;
        o->lagged_rpm =
            o->n_slow ? a * o->lagged_rpm + (1 - a) * rows->true_rpm[k] : rows->true_rpm[k];
        o->last_s = t;
        while (t >= (double)o->n_slow / c->slow_rate_hz) {
            double shown = o->lagged_rpm;
            shown =
                c->slow_step_rpm > 0 ? round(shown / c->slow_step_rpm) * c->slow_step_rpm : shown;
            add_fixed(&o->rpm_text, (double)o->n_slow / c->slow_rate_hz + c->slow_offset_s, 3);
            sm_text_add_n(&o->rpm_text, ",", 1);
            add_fixed(&o->rpm_text, shown, decimals_of(c->slow_step_rpm));
            sm_text_add_n(&o->rpm_text, "\n", 1);
            o->n_slow++;
        }
    }
    return flush(&o->rpm_text, o->rpm_log, err);
}

static sm_status write_channels(const sm_scenario *c, const char *path, bool audio, sm_error *err)
{
    sm_text t = {0};
    sm_text_addf(&t, "# Channels of a simulated run: %s\n", c->name);
    for (size_t i = 0; i < c->n_channels; i++) {
        const sm_sim_channel *ch = &c->channels[i];
        const sm_sim_place *p = &c->places[ch->i_place];
        double range = range_of(c, i) / unit_of(ch)->to_si;
        sm_text_add(&t, "\n[column ");
        if (audio) {
            sm_text_addf(&t, "%zu]\nscale = ", i + 1);
            sm_text_add_number(&t, range, 12);
        } else {
            add_column(c, ch, &t);
            sm_text_add(&t, "]");
        }
        sm_text_addf(&t, "\nrole = %s\nunit = %s\nrange = ", ch->name, unit_of(ch)->name);
        sm_text_add_number(&t, range, 9);
        if (p->filter_order > 0) {
            sm_text_add(&t, "\nbandwidth_hz = ");
            sm_text_add_number(&t, p->filter_hz, 9);
        }
        if (p->tolerance > 0) {
            sm_text_add(&t, "\ntolerance = ");
            sm_text_add_number(&t, p->tolerance * 100, 9);
            sm_text_add(&t, " %");
        }
        sm_text_add(&t, "\n");
    }
    size_t n = c->n_channels;
    const char *shaft = c->rpm_of == SM_SHAFT_PROP ? "prop" : "crank";
    if (c->rpm_column && audio) {
        sm_text_addf(&t, "\n[column %zu]\nrole = rpm\nunit = rpm\nscale = %g\nshaft = %s\n", ++n,
                     AUDIO_RPM_FULL, shaft);
    } else if (c->rpm_column) {
        sm_text_addf(&t, "\n[column rpm]\nrole = rpm\nunit = rpm\nshaft = %s\n", shaft);
    }
    if (c->has_tach) {
        sm_text_addf(&t, audio ? "\n[column %zu]\n" : "\n[column tach]\n", n + 1);
        sm_text_addf(&t, "role = tach\nshaft = %s\npulses_per_rev = %ld\n",
                     c->tach_shaft == SM_SHAFT_PROP ? "prop" : "crank", c->pulses_per_rev);
    }
    sm_status st = t.failed ? sm_error_set(err, SM_E_NOMEM, path, 0, "out of memory")
                            : sm_file_store(path, t.s, t.n, err);
    sm_text_free(&t);
    return st;
}

static sm_status write_truth(const sm_simulator *s, const sm_simulate_files *files, sm_error *err)
{
    sm_json_doc *doc = NULL;
    sm_text text = {0};
    if (!sm_simulator_truth(s)) {
        return sm_error_set(err, SM_E_NOMEM, files->truth, 0, "out of memory for the truth");
    }
    sm_status st = sm_json_open(&doc);
    if (st == SM_OK) {
        sm_sim_truth_json(s, files, doc);
        st = sm_json_print(doc, true, &text);
    }
    st = st == SM_OK ? sm_file_store(files->truth, text.s, text.n, err)
                     : sm_error_set(err, st, files->truth, 0, "out of memory");
    sm_text_free(&text);
    sm_json_close(&doc);
    return st;
}

static sm_status open_log(output *o, sm_error *err)
{
    const sm_scenario *c = o->scenario;
    bool audio = sm_sim_audio_name(o->files->log);
    for (size_t i = 0; i < c->n_channels; i++) {
        const sm_sim_channel *ch = &c->channels[i];
        double step = c->places[ch->i_place].step_si[ch->role == SM_ROLE_GYRO];
        o->decimals[i] = decimals_of(step / unit_of(ch)->to_si);
    }
    sm_status st = sm_file_writer_open(o->files->log, &o->log, err);
    if (st == SM_OK && o->files->rpm_log) {
        st = sm_file_writer_open(o->files->rpm_log, &o->rpm_log, err);
        sm_text_add(&o->rpm_text, "time_s,rpm\n");
    }
    if (st == SM_OK && audio) {
        size_t n = (size_t)audio_channels(c);
        o->frames = sm_alloc_array(n * SM_SIM_BLOCK_ROWS, sizeof *o->frames);
        st = o->frames ? sm_sim_audio_open(o->files->log, sm_file_writer_descriptor(o->log), (int)n,
                                           c->rate_hz, &o->audio, err)
                       : sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
    } else if (st == SM_OK) {
        add_header(c, &o->text);
    }
    return st;
}

static sm_status put_rows(output *o, const sm_sim_rows *rows, sm_error *err)
{
    sm_status st = o->audio ? put_audio(o, rows, err) : put_csv(o, rows, err);
    return st == SM_OK && o->rpm_log ? put_rpm_log(o, rows, err) : st;
}

static void count_rows(const sm_sim_rows *rows, sm_simulate_totals *t)
{
    for (size_t k = 0; k < rows->n_rows; k++) {
        t->rpm_min = t->n_rows + k ? sm_min(t->rpm_min, rows->true_rpm[k]) : rows->true_rpm[k];
        t->rpm_max = sm_max(t->rpm_max, rows->true_rpm[k]);
        t->seconds = rows->t_s[k];
    }
    t->n_rows += rows->n_rows;
}

/* All rows, then the renames: a failure on the way leaves every target as it was. */
static sm_status run(output *o, sm_simulator *s, sm_simulate_totals *totals, sm_error *err)
{
    sm_status st = open_log(o, err);
    while (st == SM_OK) {
        sm_sim_rows rows;
        sm_simulator_next(s, &rows);
        if (rows.n_rows == 0) {
            break;
        }
        count_rows(&rows, totals);
        st = put_rows(o, &rows, err);
    }
    if (o->audio) {
        sm_status closed = sm_sim_audio_close(&o->audio, st == SM_OK ? err : NULL);
        st = st == SM_OK ? closed : st;
    }
    if (st == SM_OK && o->files->truth) {
        st = write_truth(s, o->files, err);
    }
    if (st == SM_OK && o->files->channels) {
        st = write_channels(o->scenario, o->files->channels, sm_sim_audio_name(o->files->log), err);
    }
    st = st == SM_OK && o->rpm_log ? sm_file_writer_keep(&o->rpm_log, err) : st;
    return st == SM_OK ? sm_file_writer_keep(&o->log, err) : st;
}

sm_status sm_simulate_write(const sm_scenario *scenario, const sm_simulate_files *files,
                            sm_simulate_totals *out, sm_error *err)
{
    sm_simulator *s = NULL;
    sm_simulate_totals totals = {0};
    output o = {.scenario = scenario, .files = files};
    sm_status st = sm_simulator_open(scenario, files->seed, files->truth != NULL, &s, err);
    if (st == SM_OK) {
        st = run(&o, s, &totals, err);
    }
    sm_file_writer_drop(&o.log);
    sm_file_writer_drop(&o.rpm_log);
    sm_free(o.frames);
    sm_text_free(&o.text);
    sm_text_free(&o.rpm_text);
    sm_simulator_close(&s);
    if (st == SM_OK) {
        *out = totals;
    }
    return st;
}
