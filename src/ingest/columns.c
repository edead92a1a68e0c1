/* Decides what every column is, or says which line in a channels file would decide it. */
#include "ingest/columns.h"

#include "core/alloc.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

typedef struct job {
    const sm_column_in *in;
    size_t n;
    const char *log;
    long header_line;
    const sm_channels_file *file;
    sm_guess *guesses;
} job;

static void column_label(const job *j, size_t i, char out[112])
{
    if (j->in[i].name[0]) {
        (void)snprintf(out, 112, "%.96s", j->in[i].name);
    } else {
        (void)snprintf(out, 112, "%zu", i + 1);
    }
}

static const char *role_word(const sm_guess *g)
{
    return g->role == SM_ROLE_ACCEL ? "accel" : g->role == SM_ROLE_GYRO ? "gyro" : "mag";
}

static const char *unit_hint(sm_role role)
{
    return role == SM_ROLE_ACCEL  ? "g, mg or m/s^2"
           : role == SM_ROLE_GYRO ? "deg/s or rad/s"
           : role == SM_ROLE_MAG  ? "uT or G"
           : role == SM_ROLE_RPM  ? "rpm, Hz or rev/s"
                                  : "s, ms, us, ns, min or h";
}

static sm_status complain_unit(const job *j, size_t i, sm_error *err)
{
    char label[112];
    const sm_guess *g = &j->guesses[i];
    column_label(j, i, label);
    const sm_unit *other = g->unit_unknown ? sm_names_unit(g->unit_text) : NULL;
    if (other) {
        return sm_error_set(err, SM_E_FORMAT, j->log, j->header_line,
                            "column '%s': '%s' is a unit of %s (case matters), but the name speaks "
                            "of %s; write in a channels file: [column %s] and below it: unit = %s "
                            "(whichever it is)",
                            label, g->unit_text, sm_quantity_text(other->quantity),
                            sm_quantity_text(sm_names_quantity(g->role)), label,
                            unit_hint(g->role));
    }
    if (g->unit_unknown) {
        return sm_error_set(err, SM_E_FORMAT, j->log, j->header_line,
                            "column '%s': '%s' is not a unit of %s that is known here; write in a "
                            "channels file: [column %s] and below it: unit = %s (whichever it is)",
                            label, g->unit_text, sm_quantity_text(sm_names_quantity(g->role)),
                            label, unit_hint(g->role));
    }
    return sm_error_set(err, SM_E_FORMAT, j->log, j->header_line,
                        "column '%s' has no unit; write in a channels file: [column %s] and below "
                        "it: unit = %s (whichever it is)",
                        label, label, unit_hint(g->role));
}

/* JSON: the places 1 to 3 of an array of three are its x, y and z. */
static void name_axis(const job *j, size_t i, char out[96])
{
    (void)snprintf(out, 96, "%s", j->in[i].name);
    size_t n = strlen(out);
    if (!j->in[i].in_array || n < 3 || out[n - 2] != '.' || out[n - 1] < '1' || out[n - 1] > '3') {
        return;
    }
    int there = 0;
    for (size_t k = 0; k < j->n; k++) {
        const char *other = j->in[k].name;
        bool same = strlen(other) == n && strncmp(other, out, n - 1) == 0;
        there |= same && other[n - 1] >= '1' && other[n - 1] <= '9' ? 1 << (other[n - 1] - '1') : 0;
    }
    if (there == 7) {
        out[n - 1] = (char)(out[n - 1] - '1' + 'x');
    }
}

static sm_status guess_all(const job *j, sm_error *err)
{
    for (size_t i = 0; i < j->n; i++) {
        sm_guess *g = &j->guesses[i];
        char name[96];
        name_axis(j, i, name);
        sm_names_guess(name, j->in[i].unit_row, g);
        if (j->in[i].only_time && g->role != SM_ROLE_TIME && g->role != SM_ROLE_INTERVAL) {
            *g = (sm_guess){.axis = -1};
        }
        if (j->in[i].is_date && g->role == SM_ROLE_IGNORE && !j->in[i].name[0]) {
            *g = (sm_guess){.role = SM_ROLE_TIME, .axis = -1};
        }
        if (j->in[i].is_date && g->role == SM_ROLE_TIME) {
            g->time_kind = SM_TIME_DATE;
            g->unit = sm_unit_find("s");
            g->unit_unknown = false;
        } else if (g->time_kind == SM_TIME_DATE) {
            g->time_kind = SM_TIME_STAMP;
        }
        const sm_ini_section *s = sm_channels_file_column(j->file, j->in[i].name, i + 1);
        sm_status st = sm_channels_file_guess(j->file, s, g, err);
        if (st != SM_OK) {
            return st;
        }
        if (j->in[i].is_date && g->role == SM_ROLE_TIME) {
            g->time_kind = SM_TIME_DATE;
        }
        if (s && sm_ini_find(s, "role") && g->role == SM_ROLE_IGNORE) {
            g->time_kind = SM_TIME_NONE;
        }
    }
    return SM_OK;
}

/* The best of several time columns: one from the channels file, a stamp with unit, any stamp, a
 * date, an interval, a counter. */
static int time_rank(const job *j, size_t i)
{
    const sm_guess *g = &j->guesses[i];
    const sm_ini_section *s = sm_channels_file_column(j->file, j->in[i].name, i + 1);
    if (g->role != SM_ROLE_TIME && g->role != SM_ROLE_INTERVAL) {
        return 0;
    }
    if (s && sm_ini_find(s, "role")) {
        return 10;
    }
    switch (g->time_kind) {
    case SM_TIME_STAMP:
        return g->unit ? 9 : 7;
    case SM_TIME_DATE:
        return j->in[i].is_day ? 2 : 6; /* the day stands still; beside it is the time of day */
    case SM_TIME_INTERVAL:
        return 5;
    case SM_TIME_COUNTER:
        return 4;
    case SM_TIME_MILLI:
        return 3;
    default:
        return 0;
    }
}

static sm_status choose_time(const job *j, sm_columns *out, sm_error *err)
{
    size_t best = j->n;
    int rank = 0;
    for (size_t i = 0; i < j->n; i++) {
        int r = time_rank(j, i);
        if (r == 10 && rank == 10) {
            char a[112];
            char b[112];
            column_label(j, best, a);
            column_label(j, i, b);
            return sm_error_set(err, SM_E_FORMAT, j->file->ini.source, 0,
                                "columns '%s' and '%s' are both given as time: keep one", a, b);
        }
        if (r > rank) {
            rank = r;
            best = i;
        }
    }
    if (best == j->n) {
        return SM_OK;
    }
    sm_guess *g = &j->guesses[best];
    if (g->unit_unknown && j->file->filling) {
        g->unit = sm_channels_file_unknown(SM_QUANTITY_TIME);
    } else if (g->unit_unknown) {
        return complain_unit(j, best, err);
    }
    out->target[best] = SM_TARGET_TIME;
    out->time_kind = g->time_kind == SM_TIME_MILLI ? SM_TIME_STAMP : g->time_kind;
    out->time_unit = g->time_kind == SM_TIME_MILLI ? sm_unit_find("ms") : g->unit;
    column_label(j, best, out->time_column);
    for (size_t i = 0; i < j->n && g->time_kind == SM_TIME_DATE; i++) {
        if (j->guesses[i].time_kind == SM_TIME_MILLI) {
            out->target[i] = SM_TARGET_MILLI;
        }
    }
    return SM_OK;
}

static sm_status add_channel(const job *j, size_t i, sm_columns *out, sm_error *err)
{
    sm_guess *g = &j->guesses[i];
    const sm_ini_section *s = sm_channels_file_column(j->file, j->in[i].name, i + 1);
    if (!g->unit && g->role != SM_ROLE_TACH && j->file->filling) {
        g->unit = sm_channels_file_unknown(sm_names_quantity(g->role));
    } else if (!g->unit && g->role != SM_ROLE_TACH) {
        if (g->role == SM_ROLE_MAG && !(s && sm_ini_find(s, "role"))) {
            return SM_OK; /* nothing is judged by it: left out, and said in what was decided */
        }
        return complain_unit(j, i, err);
    }
    if (out->n_channels == SM_MAX_CHANNELS) {
        return sm_error_set(err, SM_E_FORMAT, j->log, j->header_line,
                            "more than %d channels: write role = ignore for some in a channels "
                            "file",
                            SM_MAX_CHANNELS);
    }
    sm_channel ch = {.role = g->role,
                     .axis = g->axis,
                     .unit = g->unit,
                     .tolerance = -1,
                     .shaft = g->shaft,
                     .shaft_given = g->shaft_given,
                     .quantity = sm_names_quantity(g->role)};
    if (g->role == SM_ROLE_TACH && g->unit && g->unit->quantity == SM_QUANTITY_TIME) {
        ch.quantity = SM_QUANTITY_TIME; /* times of pulses */
    }
    if (g->role == SM_ROLE_TACH || g->role == SM_ROLE_RPM) {
        (void)snprintf(ch.name, sizeof ch.name, "%s", g->role == SM_ROLE_RPM ? "rpm" : "tach");
    } else {
        (void)snprintf(ch.place, sizeof ch.place, "%s", g->place);
        (void)snprintf(ch.name, sizeof ch.name, "%s.%s.%c", g->place, role_word(g), 'x' + g->axis);
    }
    char label[112];
    column_label(j, i, label);
    (void)snprintf(ch.column, sizeof ch.column, "%.95s", label);
    sm_status st = sm_channels_file_channel(j->file, s, &ch, err);
    if (st == SM_OK) {
        out->target[i] = (int)out->n_channels;
        out->channels[out->n_channels++] = ch;
    }
    return st;
}

/* Crank and propeller rpm may both be there: the crank's is used. */
static void drop_second_rpm(sm_columns *out)
{
    size_t crank = out->n_channels;
    size_t prop = out->n_channels;
    for (size_t i = 0; i < out->n_channels; i++) {
        const sm_channel *c = &out->channels[i];
        if (c->role == SM_ROLE_RPM && c->shaft_given) {
            *(c->shaft == SM_SHAFT_CRANK ? &crank : &prop) = i;
        }
    }
    if (crank == out->n_channels || prop == out->n_channels) {
        return;
    }
    sm_text_addf(&out->decided, "column '%s' left out: '%s' gives the speed\n",
                 out->channels[prop].column, out->channels[crank].column);
    out->n_channels--;
    memmove(out->channels + prop, out->channels + prop + 1,
            (out->n_channels - prop) * sizeof *out->channels);
    for (size_t i = 0; i < out->n_columns; i++) {
        if (out->target[i] == (int)prop) {
            out->target[i] = SM_TARGET_SKIP;
        } else if (out->target[i] > (int)prop) {
            out->target[i]--;
        }
    }
}

static sm_status check_roles(const job *j, const sm_columns *out, sm_error *err)
{
    for (size_t i = 0; i < out->n_channels; i++) {
        for (size_t k = i + 1; k < out->n_channels; k++) {
            const sm_channel *a = &out->channels[i];
            const sm_channel *b = &out->channels[k];
            if (strcmp(a->name, b->name) == 0) {
                return sm_error_set(err, SM_E_FORMAT, j->log, j->header_line,
                                    "columns '%s' and '%s' would both be %s; write in a channels "
                                    "file: [column %s] and below it: role = ignore (or a role of "
                                    "its own, like left.accel.x)",
                                    a->column, b->column, a->name, b->column);
            }
        }
    }
    bool named = false;
    for (size_t i = 0; i < j->n; i++) {
        named |= j->in[i].name[0] != '\0';
    }
    if (out->n_channels == 0 && !named) {
        return sm_error_set(err, SM_E_FORMAT, j->log, j->header_line,
                            "the columns have no names (there %s %zu): number them from the left "
                            "and write in a channels file for each that counts: [column 1] and "
                            "below it: role = accel.x, gyro.x, rpm or tach, and unit = g, deg/s or "
                            "what it is",
                            j->n == 1 ? "is" : "are", j->n);
    }
    if (out->n_channels == 0) {
        sm_text list = {0};
        for (size_t i = 0; i < j->n && list.n < 300; i++) {
            char label[112];
            column_label(j, i, label);
            sm_text_addf(&list, "%s'%s'", i ? ", " : "", label);
        }
        sm_status st = sm_error_set(
            err, SM_E_FORMAT, j->log, j->header_line,
            "none of the columns %s says what it is; write in a channels file for each that "
            "counts: [column %s] and below it: role = accel.x, gyro.x, rpm or tach, and unit = g, "
            "deg/s or what it is",
            list.s ? list.s : "", j->n > 1 && j->in[1].name[0] ? j->in[1].name : "2");
        sm_text_free(&list);
        return st;
    }
    return SM_OK;
}

/* axes = ...: a channel only changes its name and sign. A full matrix mixes after reading. */
static void turn(const sm_channels_file *f, sm_columns *out)
{
    for (size_t i = 0; i < out->n_channels; i++) {
        sm_channel *c = &out->channels[i];
        double m[3][3];
        c->oriented = c->axis >= 0 && sm_channels_file_orientation(f, c->place, m);
        if (!c->oriented || !sm_channels_file_swaps(m)) {
            continue;
        }
        int onto = 0;
        for (int a = 0; a < 3; a++) {
            onto = fabs(m[a][c->axis]) == 1 ? a : onto;
        }
        double sign = m[onto][c->axis];
        c->gain *= sign;
        c->offset_si *= sign;
        c->axis = onto;
        c->name[strlen(c->name) - 1] = (char)('x' + onto);
    }
}

static int class_of(const sm_channel *c)
{
    return c->role == SM_ROLE_RPM ? 2 : c->role == SM_ROLE_TACH ? 1 : 0;
}

/* Vibration first, then tach, then rpm; otherwise as in the log. */
static void sort_channels(sm_columns *out)
{
    for (size_t i = 1; i < out->n_channels; i++) {
        for (size_t k = i; k > 0 && class_of(&out->channels[k]) < class_of(&out->channels[k - 1]);
             k--) {
            sm_channel swap = out->channels[k];
            out->channels[k] = out->channels[k - 1];
            out->channels[k - 1] = swap;
            for (size_t j = 0; j < out->n_columns; j++) {
                if (out->target[j] == (int)k) {
                    out->target[j] = (int)k - 1;
                } else if (out->target[j] == (int)k - 1) {
                    out->target[j] = (int)k;
                }
            }
        }
    }
}

static void describe(const job *j, sm_columns *out)
{
    for (size_t i = 0; i < j->n; i++) {
        char label[112];
        column_label(j, i, label);
        int t = out->target[i];
        if (t >= 0) {
            const sm_channel *c = &out->channels[t];
            sm_text_addf(&out->decided, "column '%s' is %s%s%s\n", label, c->name,
                         c->unit ? " in " : "", c->unit ? c->unit->name : "");
        } else if (j->guesses[i].role == SM_ROLE_MAG && !j->guesses[i].unit) {
            sm_text_addf(&out->decided, "column '%s' left out: no unit that is known\n", label);
        }
    }
}

/* For a template: what nobody could name. */
static void list_skipped(const job *j, sm_columns *out)
{
    for (size_t i = 0; i < j->n && j->file->filling; i++) {
        const sm_guess *g = &j->guesses[i];
        char label[112];
        column_label(j, i, label);
        if (out->target[i] == SM_TARGET_SKIP && g->role == SM_ROLE_IGNORE && !j->in[i].only_time) {
            sm_text_addf(
                &out->skipped,
                "\n# [column %s]\n# role =                 # accel.x, gyro.x, rpm, tach, ... if "
                "it is one\n# unit =\n",
                label);
        }
    }
}

static sm_status find_all(const job *j, sm_columns *out, sm_error *err)
{
    sm_status st = guess_all(j, err);
    for (size_t i = 0; i < j->n; i++) {
        out->target[i] = SM_TARGET_SKIP;
    }
    if (st == SM_OK) {
        st = choose_time(j, out, err);
    }
    for (size_t i = 0; i < j->n && st == SM_OK; i++) {
        sm_role r = j->guesses[i].role;
        if (r != SM_ROLE_IGNORE && r != SM_ROLE_TIME && r != SM_ROLE_INTERVAL) {
            st = add_channel(j, i, out, err);
        }
    }
    if (st == SM_OK) {
        drop_second_rpm(out);
        turn(j->file, out);
        sort_channels(out);
        st = j->file->filling ? SM_OK : check_roles(j, out, err);
        list_skipped(j, out);
    }
    if (st == SM_OK) {
        describe(j, out);
        st = out->decided.failed || out->skipped.failed
                 ? sm_error_set(err, SM_E_NOMEM, j->log, 0, "out of memory")
                 : st;
    }
    return st;
}

sm_status sm_columns_find(const sm_column_in *in, size_t n, const char *log, long header_line,
                          const sm_channels_file *f, sm_columns *out, sm_error *err)
{
    sm_columns c = {.n_columns = n};
    job j = {in, n, log, header_line, f, NULL};
    sm_status st = SM_OK;
    c.target = sm_alloc_array(n, sizeof *c.target);
    j.guesses = sm_alloc_array(n, sizeof *j.guesses);
    const char **names = sm_alloc_array(n, sizeof *names);
    if (!c.target || !j.guesses || !names) {
        st = sm_error_set(err, SM_E_NOMEM, log, 0, "out of memory");
        goto done;
    }
    for (size_t i = 0; i < n; i++) {
        names[i] = in[i].name;
    }
    st = sm_channels_file_check(f, names, n, log, err);
    if (st == SM_OK) {
        st = find_all(&j, &c, err);
    }
done:
    sm_free((void *)names);
    sm_free(j.guesses);
    if (st == SM_OK) {
        *out = c;
    } else {
        sm_columns_free(&c);
    }
    return st;
}

void sm_columns_free(sm_columns *c)
{
    sm_free(c->target);
    sm_text_free(&c->decided);
    sm_text_free(&c->skipped);
    *c = (sm_columns){0};
}
