/* Reading the channels file (contract: scoring, channels and files). */
#include "ingest/channels_file.h"

#include "core/alloc.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define COUNT(a) (sizeof(a) / sizeof((a)[0]))

static const char *const sections[] = {"log", "column ", "orientation "};
static const char *const log_keys[] = {"rate_hz", "delimiter", "decimal", "bandwidth_hz",
                                       "nominal_rate_hz"};
static const char *const column_keys[] = {
    "role",      "unit",     "scale",      "offset",         "invert", "range", "bandwidth_hz",
    "tolerance", "coupling", "anti_alias", "pulses_per_rev", "shaft",  "edge"};
static const char *const orientation_keys[] = {"axes", "matrix"};

static sm_status read_marks(sm_channels_file *f, const sm_ini_section *log, sm_error *err)
{
    static const char *const delimiters[] = {"comma", "semicolon", "tab",  "blank",
                                             ",",     ";",         "space"};
    static const char marks[] = ",;\t ,; ";
    static const char *const decimals[] = {"point", "comma", ".", ","};
    static const char decimal_marks[] = ".,.,";
    size_t i = COUNT(delimiters);
    sm_status st =
        sm_ini_get_choice(&f->ini, log, "delimiter", delimiters, COUNT(delimiters), &i, err);
    if (st == SM_OK && i < COUNT(delimiters)) {
        f->delimiter = marks[i];
    }
    i = COUNT(decimals);
    if (st == SM_OK) {
        st = sm_ini_get_choice(&f->ini, log, "decimal", decimals, COUNT(decimals), &i, err);
    }
    if (st == SM_OK && i < COUNT(decimals)) {
        f->decimal = decimal_marks[i];
    }
    if (st == SM_OK && f->delimiter == ',' && f->decimal == ',') {
        const sm_ini_entry *e = sm_ini_find(log, "decimal");
        st = sm_error_set(err, SM_E_VALUE, f->ini.source, e ? e->line : 0,
                          "delimiter and decimal mark cannot both be a comma");
    }
    return st;
}

static bool read_axes(const char *s, double m[3][3])
{
    bool used[3] = {false, false, false};
    memset(m, 0, 9 * sizeof m[0][0]);
    for (int i = 0; i < 3; i++) {
        while (*s == ' ' || *s == '\t' || *s == ',') {
            s++;
        }
        double sign = *s == '-' ? -1 : 1;
        s += *s == '-' || *s == '+';
        int axis = *s >= 'x' && *s <= 'z' ? *s - 'x' : -1;
        if (axis < 0 || used[axis]) {
            return false;
        }
        used[axis] = true;
        m[i][axis] = sign;
        s++;
    }
    return *s == '\0';
}

static bool read_matrix(const char *s, double m[3][3])
{
    const char *end = s + strlen(s);
    for (int i = 0; i < 9; i++) {
        while (*s == ' ' || *s == '\t' || *s == ',') {
            s++;
        }
        s = sm_number_parse(s, end, '.', &m[i / 3][i % 3]);
        if (!s || !isfinite(m[i / 3][i % 3])) {
            return false;
        }
    }
    return s == end;
}

static double dot(const double a[3], const double b[3])
{
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
}

/* Rows square to each other, of length 1; else what is wrong and what to do. */
static sm_status check_rotation(double m[3][3], const char *path, long line, sm_error *err)
{
    for (int i = 0; i < 3; i++) {
        if (!(dot(m[i], m[i]) > 0)) {
            return sm_error_set(err, SM_E_VALUE, path, line,
                                "row %d of 'matrix' is zero: each row says where one aircraft axis "
                                "points in the sensor's axes",
                                i + 1);
        }
    }
    for (int i = 0; i < 3; i++) {
        int k = (i + 1) % 3;
        double cosine = dot(m[i], m[k]) / sqrt(dot(m[i], m[i]) * dot(m[k], m[k]));
        if (!(fabs(cosine) <= 0.02)) {
            return sm_error_set(err, SM_E_VALUE, path, line,
                                "rows %d and %d of 'matrix' are not square to each other (cosine "
                                "%.3g, not 0), and a sensor's axes are: measure the angles again, "
                                "or, when it is fixed along the aircraft, write axes = x y z with "
                                "the signs and the order that fit",
                                i + 1, k + 1, cosine);
        }
    }
    for (int i = 0; i < 3; i++) {
        double length = sqrt(dot(m[i], m[i]));
        if (fabs(length - 1) > 0.01) {
            return sm_error_set(err, SM_E_VALUE, path, line,
                                "row %d of 'matrix' has the length %.3g, not 1: divide its "
                                "numbers by that",
                                i + 1, length);
        }
    }
    return SM_OK;
}

static double determinant(double m[3][3])
{
    return m[0][0] * (m[1][1] * m[2][2] - m[1][2] * m[2][1]) -
           m[0][1] * (m[1][0] * m[2][2] - m[1][2] * m[2][0]) +
           m[0][2] * (m[1][0] * m[2][1] - m[1][1] * m[2][0]);
}

static sm_status check_orientation(const sm_channels_file *f, const sm_ini_section *s,
                                   sm_error *err)
{
    sm_status st = sm_ini_check_keys(&f->ini, s, orientation_keys, COUNT(orientation_keys), err);
    if (st != SM_OK) {
        return st;
    }
    const sm_ini_entry *axes = sm_ini_find(s, "axes");
    const sm_ini_entry *matrix = sm_ini_find(s, "matrix");
    double m[3][3];
    if ((axes != NULL) == (matrix != NULL)) {
        return sm_error_set(err, SM_E_FORMAT, f->ini.source, s->line,
                            "[%s] needs either axes (like x -z y) or matrix (nine numbers)",
                            s->name);
    }
    if (axes && !read_axes(axes->value, m)) {
        return sm_error_set(err, SM_E_VALUE, f->ini.source, axes->line,
                            "'axes = %.60s': each of x, y, z once, with an optional minus, like "
                            "x -z y",
                            axes->value);
    }
    if (matrix && !read_matrix(matrix->value, m)) {
        return sm_error_set(err, SM_E_VALUE, f->ini.source, matrix->line,
                            "'matrix = %.60s': nine numbers are needed, row by row: what the "
                            "aircraft's x, y and z are in the sensor's axes",
                            matrix->value);
    }
    st = matrix ? check_rotation(m, f->ini.source, matrix->line, err) : SM_OK;
    if (st != SM_OK) {
        return st;
    }
    if (determinant(m) < 0) { /* no way to fix a sensor turns it into its mirror image */
        const sm_ini_entry *e = axes ? axes : matrix;
        return sm_error_set(err, SM_E_VALUE, f->ini.source, e->line,
                            "'%.60s' is left-handed, a mirror image: rotations would come out "
                            "reversed. Check which way each axis points, one sign is wrong; if the "
                            "log itself is left-handed, write invert = yes for that column",
                            e->value);
    }
    return SM_OK;
}

static sm_status read_all(sm_channels_file *f, sm_error *err)
{
    sm_status st = sm_ini_check_sections(&f->ini, sections, COUNT(sections), err);
    const sm_ini_section *log = sm_ini_section_find(&f->ini, "log");
    if (st == SM_OK) {
        st = sm_ini_check_keys(&f->ini, log, log_keys, COUNT(log_keys), err);
    }
    if (st == SM_OK) {
        st = sm_ini_get_number(&f->ini, log, "rate_hz", 1, 1e6, &f->rate_hz, err);
    }
    if (st == SM_OK) {
        st = sm_ini_get_number(&f->ini, log, "nominal_rate_hz", 1, 1e6, &f->nominal_rate_hz, err);
    }
    if (st == SM_OK) {
        st = sm_ini_get_number(&f->ini, log, "bandwidth_hz", 0.1, 1e6, &f->bandwidth_hz, err);
    }
    if (st == SM_OK) {
        st = read_marks(f, log, err);
    }
    for (size_t i = 0; i < f->ini.n_sections && st == SM_OK; i++) {
        const sm_ini_section *s = &f->ini.sections[i];
        if (sm_ini_section_label(s, "column")) {
            st = sm_ini_check_keys(&f->ini, s, column_keys, COUNT(column_keys), err);
        } else if (sm_ini_section_label(s, "orientation")) {
            st = check_orientation(f, s, err);
        }
    }
    return st;
}

sm_status sm_channels_file_read(const char *path, sm_channels_file *out, sm_error *err)
{
    sm_channels_file f = {.given = path != NULL};
    if (path) {
        sm_status st = sm_ini_read(path, &f.ini, err);
        if (st == SM_OK) {
            st = read_all(&f, err);
        }
        if (st != SM_OK) {
            sm_channels_file_free(&f);
            return st;
        }
    }
    *out = f;
    return SM_OK;
}

void sm_channels_file_free(sm_channels_file *f)
{
    sm_ini_free(&f->ini);
    *f = (sm_channels_file){0};
}

static size_t label_number(const char *label)
{
    double v;
    bool whole = sm_number_read(label, &v) && v >= 1 && v < 100000 && v == floor(v);
    return whole ? (size_t)v : 0;
}

const sm_ini_section *sm_channels_file_column(const sm_channels_file *f, const char *name,
                                              size_t number)
{
    const sm_ini_section *by_number = NULL;
    for (size_t i = 0; i < f->ini.n_sections; i++) {
        const sm_ini_section *s = &f->ini.sections[i];
        const char *label = sm_ini_section_label(s, "column");
        if (label && name[0] && strcmp(label, name) == 0) {
            return s;
        }
        if (label && label_number(label) == number) {
            by_number = s;
        }
    }
    return by_number;
}

bool sm_channels_file_by_number(const sm_channels_file *f)
{
    for (size_t i = 0; i < f->ini.n_sections; i++) {
        const char *label = sm_ini_section_label(&f->ini.sections[i], "column");
        if (label && label_number(label) >= 1) {
            return true;
        }
    }
    return false;
}

/* A section's column is not in the log: the nearest name, or all of them. */
static sm_status no_column(const sm_channels_file *f, const sm_ini_section *s, const char *label,
                           const char *const *names, size_t n, const char *log, sm_error *err)
{
    enum { MOST = 400 };
    const char *near = sm_text_nearest(label, names, n);
    sm_text list = {0};
    size_t named = 0;
    for (size_t i = 0; i < n; i++) {
        if (names[i][0] && list.n < MOST) {
            sm_text_addf(&list, "%s%s", named ? ", " : "", names[i]);
        }
        named += names[i][0] != '\0';
    }
    sm_status st;
    if (named == 0) {
        st = sm_error_set(err, SM_E_FORMAT, f->ini.source, s->line,
                          "no column '%s' in %s, whose %zu columns have no names: number them from "
                          "the left, [column 1] and so on",
                          label, sm_file_name(log), n);
    } else {
        st = sm_error_set(err, SM_E_FORMAT, f->ini.source, s->line,
                          "no column '%s' in %s, which has %zu columns%s%s%s: %s%s", label,
                          sm_file_name(log), n, near ? ": did you mean '" : "", near ? near : "",
                          near ? "'? It has" : "", list.s ? list.s : "",
                          list.n >= MOST ? ", ..." : "");
    }
    sm_text_free(&list);
    return st;
}

sm_status sm_channels_file_check(const sm_channels_file *f, const char *const *names, size_t n,
                                 const char *log, sm_error *err)
{
    for (size_t i = 0; i < f->ini.n_sections; i++) {
        const sm_ini_section *s = &f->ini.sections[i];
        const char *label = sm_ini_section_label(s, "column");
        bool found = !label || (label_number(label) >= 1 && label_number(label) <= n);
        for (size_t k = 0; k < n && !found; k++) {
            found = strcmp(names[k], label) == 0;
        }
        if (!found) {
            return no_column(f, s, label, names, n, log, err);
        }
    }
    return SM_OK;
}

sm_status sm_channels_file_guess(const sm_channels_file *f, const sm_ini_section *s, sm_guess *g,
                                 sm_error *err)
{
    const sm_ini_entry *role = sm_ini_find(s, "role");
    const sm_ini_entry *unit = sm_ini_find(s, "unit");
    if (role) {
        sm_role before = g->role;
        if (!sm_names_role(role->value, g)) {
            static const char *const known[] = {
                "accel.x", "accel.y", "accel.z", "gyro.x",   "gyro.y",  "gyro.z", "mag.x",
                "tach",    "rpm",     "time",    "interval", "counter", "ignore"};
            const char *near = sm_text_nearest(role->value, known, COUNT(known));
            return sm_error_set(err, SM_E_FORMAT, f->ini.source, role->line,
                                "'role = %.60s' is not a role%s%s%s; write PLACE.accel.x, gyro.y, "
                                "mag.z, tach, rpm, time, interval, counter or ignore",
                                role->value, near ? ": did you mean " : "", near ? near : "",
                                near ? "?" : "");
        }
        if (g->unit && g->unit->quantity != sm_names_quantity(g->role)) {
            g->unit = NULL;
        }
        if (g->role == SM_ROLE_RPM && (before != g->role || !g->unit)) {
            g->unit = sm_unit_find("rpm");
        }
    }
    if (unit) {
        const sm_unit *u = sm_unit_find(unit->value);
        if (!u && g->role == SM_ROLE_TACH) { /* a level: volts or counts do not matter */
            g->unit = NULL;
            g->unit_unknown = false;
            return SM_OK;
        }
        if (!u) {
            return sm_error_set(err, SM_E_FORMAT, f->ini.source, unit->line,
                                "unknown unit '%.40s': write one like g, m/s^2, deg/s, rad/s, uT, "
                                "ms (case matters)",
                                unit->value);
        }
        sm_quantity q = sm_names_quantity(g->role);
        if (g->role != SM_ROLE_IGNORE && q != SM_QUANTITY_LEVEL && q != u->quantity) {
            return sm_error_set(err, SM_E_VALUE, f->ini.source, unit->line,
                                "'%s' is a unit of %s, but the column's role carries %s", u->name,
                                sm_quantity_text(u->quantity), sm_quantity_text(q));
        }
        g->unit = u;
        g->unit_unknown = false;
    }
    return SM_OK;
}

/* "3 %" or "0.03". */
static sm_status read_tolerance(const sm_channels_file *f, const sm_ini_section *s, sm_channel *ch,
                                sm_error *err)
{
    const sm_ini_entry *e = sm_ini_find(s, "tolerance");
    if (!e) {
        return SM_OK;
    }
    sm_measure_value v;
    if (sm_measure_value_read(e->value, &v, NULL) != SM_OK || v.unit || v.has_detector ||
        !(v.value >= 0) || v.value > (v.percent ? 50 : 0.5)) {
        return sm_error_set(err, SM_E_VALUE, f->ini.source, e->line,
                            "'tolerance = %.40s': a share like 3 %% (at most 50 %%) is needed",
                            e->value);
    }
    ch->tolerance = v.percent ? v.value / 100 : v.value;
    return SM_OK;
}

static sm_status read_range(const sm_channels_file *f, const sm_ini_section *s, sm_channel *ch,
                            sm_error *err)
{
    const sm_ini_entry *e = sm_ini_find(s, "range");
    if (!e) {
        return SM_OK;
    }
    sm_measure_value v;
    sm_status st = sm_measure_value_read(e->value, &v, NULL);
    bool good = st == SM_OK && v.value > 0 && !v.percent && !v.is_psd && !v.has_detector &&
                (!v.unit || v.unit->quantity == ch->quantity);
    if (!good) {
        return sm_error_set(err, SM_E_VALUE, f->ini.source, e->line,
                            "'range = %.40s': one number above 0, the sensor's full scale to one "
                            "side, like 16 g",
                            e->value);
    }
    ch->range_si = v.value * (v.unit ? v.unit->to_si : ch->unit ? ch->unit->to_si : 1);
    return SM_OK;
}

static sm_status read_tach(const sm_channels_file *f, const sm_ini_section *s, sm_channel *ch,
                           sm_error *err)
{
    static const char *const shafts[] = {"crank", "prop"};
    static const char *const edges[] = {"rising"};
    size_t i = 2;
    sm_status st =
        sm_ini_get_integer(&f->ini, s, "pulses_per_rev", 1, 1000, &ch->pulses_per_rev, err);
    if (st == SM_OK) {
        st = sm_ini_get_choice(&f->ini, s, "shaft", shafts, 2, &i, err);
    }
    if (st == SM_OK && i < 2) {
        ch->shaft = i ? SM_SHAFT_PROP : SM_SHAFT_CRANK;
        ch->shaft_given = true;
    }
    size_t edge = 0;
    return st == SM_OK ? sm_ini_get_choice(&f->ini, s, "edge", edges, 1, &edge, err) : st;
}

const sm_unit *sm_channels_file_unknown(sm_quantity q)
{
    static const sm_unit unknown[] = {{"?", SM_QUANTITY_ACCELERATION, 1},
                                      {"?", SM_QUANTITY_RATE, 1},
                                      {"?", SM_QUANTITY_FIELD, 1},
                                      {"?", SM_QUANTITY_SPEED, 1},
                                      {"?", SM_QUANTITY_TIME, 1}};
    for (size_t i = 0; i < sizeof unknown / sizeof unknown[0]; i++) {
        if (unknown[i].quantity == q) {
            return &unknown[i];
        }
    }
    return NULL;
}

sm_status sm_channels_file_channel(const sm_channels_file *f, const sm_ini_section *s,
                                   sm_channel *ch, sm_error *err)
{
    static const char *const couplings[] = {"dc", "ac"};
    double scale = 1;
    double offset = 0;
    bool invert = false;
    size_t coupling = 0;
    sm_status st = sm_ini_get_number(&f->ini, s, "scale", -1e12, 1e12, &scale, err);
    if (st == SM_OK && scale == 0) {
        st = sm_error_set(err, SM_E_VALUE, f->ini.source, sm_ini_find(s, "scale")->line,
                          "'scale = 0' would make every value the same");
    }
    if (st == SM_OK) {
        st = sm_ini_get_number(&f->ini, s, "offset", -1e12, 1e12, &offset, err);
    }
    if (st == SM_OK) {
        st = sm_ini_get_bool(&f->ini, s, "invert", &invert, err);
    }
    ch->bandwidth_hz = f->bandwidth_hz;
    if (st == SM_OK) {
        st = sm_ini_get_number(&f->ini, s, "bandwidth_hz", 0.1, 1e6, &ch->bandwidth_hz, err);
    }
    if (st == SM_OK) {
        st = sm_ini_get_bool(&f->ini, s, "anti_alias", &ch->anti_alias, err);
    }
    if (st == SM_OK) {
        st = sm_ini_get_choice(&f->ini, s, "coupling", couplings, 2, &coupling, err);
    }
    ch->ac_coupled = coupling == 1;
    double to_si = ch->unit ? ch->unit->to_si : 1;
    ch->gain = scale * to_si * (invert ? -1 : 1);
    ch->offset_si = offset * to_si * (invert ? -1 : 1);
    if (st == SM_OK) {
        st = read_range(f, s, ch, err);
    }
    if (st == SM_OK) {
        st = read_tolerance(f, s, ch, err);
    }
    return st == SM_OK ? read_tach(f, s, ch, err) : st;
}

bool sm_channels_file_orientation(const sm_channels_file *f, const char *place, double m[3][3])
{
    for (size_t i = 0; i < f->ini.n_sections; i++) {
        const char *label = sm_ini_section_label(&f->ini.sections[i], "orientation");
        if (label && strcmp(label, place) == 0) {
            const sm_ini_entry *axes = sm_ini_find(&f->ini.sections[i], "axes");
            const sm_ini_entry *matrix = sm_ini_find(&f->ini.sections[i], "matrix");
            return axes ? read_axes(axes->value, m) : matrix && read_matrix(matrix->value, m);
        }
    }
    return false;
}

bool sm_channels_file_swaps(double m[3][3])
{
    for (int i = 0; i < 3; i++) {
        int ones = 0;
        for (int k = 0; k < 3; k++) {
            ones += fabs(m[k][i]) == 1;
        }
        if (ones != 1) {
            return false;
        }
    }
    return true;
}
