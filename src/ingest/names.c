/*
 * Names and units of columns. Common practice of loggers, no source: the words below were collected
 * from header lines; a word that is not here is not guessed.
 */
#include "ingest/names.h"

#include <ctype.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MAX_WORDS = 16, WORD_BYTES = 32 };

typedef struct words {
    char w[MAX_WORDS][WORD_BYTES];
    size_t n;
} words;

static bool in_list(const char *word, const char *const *list)
{
    for (; *list; list++) {
        if (strcmp(word, *list) == 0) {
            return true;
        }
    }
    return false;
}

static bool is_lower(char c)
{
    return c >= 'a' && c <= 'z';
}

static bool is_upper(char c)
{
    return c >= 'A' && c <= 'Z';
}

static bool is_word_char(char c)
{
    return is_lower(c) || is_upper(c) || (c >= '0' && c <= '9') || (unsigned char)c >= 0x80;
}

/* Splits at everything that is no letter or digit, and where "camelCase" or "IMUAccX" does. */
static void split(const char *s, size_t n, words *out)
{
    out->n = 0;
    size_t len = 0;
    for (size_t i = 0; i <= n; i++) {
        bool inside = i < n && is_word_char(s[i]);
        bool camel = inside && i > 0 && is_upper(s[i]) &&
                     (is_lower(s[i - 1]) ||
                      (is_upper(s[i - 1]) && i + 1 < n && is_lower(s[i + 1]) && len > 1));
        if ((!inside || camel) && len) {
            out->w[out->n++][len] = '\0';
            len = 0;
            if (out->n == MAX_WORDS) {
                return;
            }
        }
        if (inside && len + 1 < WORD_BYTES) {
            out->w[out->n][len++] = (char)(is_upper(s[i]) ? s[i] - 'A' + 'a' : s[i]);
        }
    }
}

bool sm_names_is_unit(const char *cell)
{
    size_t n = strlen(cell);
    char inner[48];
    if (n >= 2 && n < sizeof inner &&
        ((cell[0] == '(' && cell[n - 1] == ')') || (cell[0] == '[' && cell[n - 1] == ']'))) {
        (void)snprintf(inner, sizeof inner, "%.*s", (int)(n - 2), cell + 1);
        return sm_names_unit(inner) != NULL;
    }
    return sm_names_unit(cell) != NULL;
}

sm_quantity sm_names_quantity(sm_role role)
{
    switch (role) {
    case SM_ROLE_ACCEL:
        return SM_QUANTITY_ACCELERATION;
    case SM_ROLE_GYRO:
        return SM_QUANTITY_RATE;
    case SM_ROLE_MAG:
        return SM_QUANTITY_FIELD;
    case SM_ROLE_RPM:
        return SM_QUANTITY_SPEED;
    case SM_ROLE_TACH:
        return SM_QUANTITY_LEVEL;
    case SM_ROLE_TIME:
    case SM_ROLE_INTERVAL:
        return SM_QUANTITY_TIME;
    default:
        return SM_QUANTITY_NONE;
    }
}

static const char *const accel_words[] = {
    "a", "acc", "accel", "acceleration", "accelerometer", "accelero", "accl", NULL};
static const char *const gyro_words[] = {"g",     "gyro",  "gyr", "gyroscope",
                                         "gyros", "omega", "w",   NULL};
static const char *const mag_words[] = {"m",        "mag",     "magn", "magnetometer",
                                        "magnetic", "compass", NULL};
/* Words that say nothing about where a sensor sits. */
static const char *const filler[] = {
    "raw",      "data",       "sensor",   "imu",    "axis",   "value",    "val",
    "cal",      "calibrated", "in",       "signal", "output", "field",    "inertial",
    "angular",  "rate",       "velocity", "vel",    "body",   "specific", "force",
    "measured", "reading",    "mems",     "total",  "float",  NULL};
/* Derived figures are not a sensor's samples. */
static const char *const derived[] = {
    "std",      "rms",   "max",       "min",    "mean",     "bias", "temp", "temperature",
    "integral", "clip",  "clipping",  "offset", "variance", "avg",  "peak", "quat",
    "setpoint", "error", "timestamp", "time",   "id",       NULL};
static const char *const time_words[] = {
    "time",         "t",        "timestamp", "timestamps", "stamp",  "elapsed", "seconds",
    "milliseconds", "datetime", "date",      "tow",        "millis", "micros",  "microseconds",
    "nanoseconds",  NULL};
static const char *const time_filler[] = {
    "since", "start",    "in",     "chip",     "log",       "gps",    "utc", "unix",
    "epoch", "local",    "sample", "host",     "device",    "system", "sys", "abs",
    "hours", "absolute", "rel",    "relative", "recording", "the",    "of",  "boot",
    "int",   "s",        "ms",     "us",       "ns",        "sec",    NULL};
static const char *const counter_words[] = {"count", "counter",  "packet", "index",  "idx",
                                            "seq",   "sequence", "row",    "sample", "samples",
                                            "frame", "no",       "number", "n",      NULL};
static const char *const interval_words[] = {"dt", "delta", "interval", NULL};

/* Sensor of a word, with the axis when it is glued on ("ax", "gyroz"), and a digit behind. */
static sm_role sensor_of(const char *word, int *axis, int *digit)
{
    char stem[WORD_BYTES];
    (void)snprintf(stem, sizeof stem, "%s", word);
    size_t n = strlen(stem);
    *axis = -1;
    *digit = -1;
    for (int pass = 0; pass < 3; pass++) {
        if (in_list(stem, accel_words)) {
            return SM_ROLE_ACCEL;
        }
        if (in_list(stem, gyro_words)) {
            return SM_ROLE_GYRO;
        }
        if (in_list(stem, mag_words)) {
            return SM_ROLE_MAG;
        }
        if (n < 2) {
            break;
        }
        char last = stem[n - 1];
        if (last >= 'x' && last <= 'z' && *axis < 0) {
            *axis = last - 'x';
        } else if (last >= '0' && last <= '9' && *digit < 0 && n > 2) {
            *digit = last - '0';
        } else {
            break;
        }
        stem[--n] = '\0';
    }
    return SM_ROLE_IGNORE;
}

static int axis_of(const char *word)
{
    return word[0] >= 'x' && word[0] <= 'z' && word[1] == '\0' ? word[0] - 'x' : -1;
}

static void add_place(sm_guess *out, const char *word)
{
    size_t n = strlen(out->place);
    (void)snprintf(out->place + n, sizeof out->place - n, "%s%s", n ? "_" : "", word);
}

/* A sensor word and an axis somewhere among the words; the rest is the place. */
static bool guess_sensor(const words *w, int index_axis, const sm_unit *unit, sm_guess *out)
{
    sm_guess g = {.axis = index_axis};
    int i_sensor = -1;
    int i_axis = -1;
    int digit = -1;
    bool angular = false;
    for (size_t i = 0; i < w->n; i++) {
        if (in_list(w->w[i], derived)) {
            return false;
        }
        angular |= strcmp(w->w[i], "angular") == 0;
        int axis;
        int d;
        sm_role r = sensor_of(w->w[i], &axis, &d);
        /* a single letter is a sensor only right before its axis ("a_x") */
        bool letter = w->w[i][1] == '\0';
        if (letter && !(i + 1 < w->n && axis_of(w->w[i + 1]) >= 0)) {
            r = SM_ROLE_IGNORE;
        }
        if (r != SM_ROLE_IGNORE && i_sensor < 0) {
            i_sensor = (int)i;
            g.role = r;
            digit = d;
            if (axis >= 0) {
                g.axis = axis;
                i_axis = (int)i;
            }
        } else if (axis_of(w->w[i]) >= 0 && i_axis < 0) {
            g.axis = axis_of(w->w[i]);
            i_axis = (int)i;
        }
    }
    if (i_sensor < 0 && angular) {
        g.role = SM_ROLE_GYRO;
    } else if (i_sensor < 0 && unit && i_axis >= 0) { /* "X (g)": the unit says which sensor */
        g.role = unit->quantity == SM_QUANTITY_ACCELERATION ? SM_ROLE_ACCEL
                 : unit->quantity == SM_QUANTITY_RATE       ? SM_ROLE_GYRO
                 : unit->quantity == SM_QUANTITY_FIELD      ? SM_ROLE_MAG
                                                            : SM_ROLE_IGNORE;
    }
    if (g.role == SM_ROLE_IGNORE || g.axis < 0) {
        return false;
    }
    for (size_t i = 0; i < w->n; i++) {
        if ((int)i != i_sensor && (int)i != i_axis && !in_list(w->w[i], filler)) {
            add_place(&g, w->w[i]);
        }
    }
    if (digit >= 0 && !g.place[0]) {
        (void)snprintf(g.place, sizeof g.place, "sensor%d", digit);
    }
    if (!g.place[0]) {
        (void)snprintf(g.place, sizeof g.place, "mount");
    }
    *out = g;
    return true;
}

static bool all_in(const words *w, const char *const *must, const char *const *may)
{
    bool any = false;
    for (size_t i = 0; i < w->n; i++) {
        bool is = in_list(w->w[i], must);
        any |= is;
        if (!is && !(may && in_list(w->w[i], may))) {
            return false;
        }
    }
    return any;
}

static bool has(const words *w, const char *word)
{
    for (size_t i = 0; i < w->n; i++) {
        if (strcmp(w->w[i], word) == 0) {
            return true;
        }
    }
    return false;
}

static bool guess_time(const words *w, sm_guess *out)
{
    sm_guess g = {.role = SM_ROLE_TIME, .axis = -1};
    if (w->n == 2 && strcmp(w->w[0], "x") == 0 && strcmp(w->w[1], "value") == 0) {
        g.time_kind = SM_TIME_STAMP; /* the first column of a measurement file of that form: s */
        g.unit = sm_unit_find("s");
    } else if (all_in(w, interval_words, time_words) || (w->n && in_list(w->w[0], interval_words) &&
                                                         all_in(w, interval_words, time_filler))) {
        g.role = SM_ROLE_INTERVAL;
        g.time_kind = SM_TIME_INTERVAL;
    } else if (all_in(w, time_words, time_filler)) {
        g.time_kind = has(w, "date") || has(w, "datetime") ? SM_TIME_DATE : SM_TIME_STAMP;
        static const struct {
            const char *word;
            const char *unit;
        } said[] = {
            {"seconds", "s"}, {"milliseconds", "ms"}, {"millis", "ms"}, {"microseconds", "us"},
            {"micros", "us"}, {"nanoseconds", "ns"},  {"s", "s"},       {"ms", "ms"},
            {"us", "us"},     {"ns", "ns"},           {"sec", "s"},     {"tow", "s"},
            {"hours", "h"}};
        for (size_t i = 0; i < sizeof said / sizeof said[0]; i++) {
            if (has(w, said[i].word)) {
                g.unit = sm_unit_find(said[i].unit);
                break;
            }
        }
        if (w->n == 1 && (has(w, "milliseconds") || has(w, "millis"))) {
            g.time_kind = SM_TIME_MILLI; /* beside another time column; alone it is the time */
        }
    } else if (all_in(w, counter_words, NULL)) {
        g.time_kind = SM_TIME_COUNTER;
    } else {
        return false;
    }
    *out = g;
    return true;
}

/* Anything may be in Hz: that it turns must stand in the name. */
static bool says_it_turns(const words *w)
{
    static const char *const turning[] = {"rpm",      "speed",      "revs", "rev",
                                          "rotation", "rotational", NULL};
    static const char *const shafts[] = {"crank", "crankshaft", "prop",  "propeller",
                                         "shaft", "engine",     "rotor", NULL};
    static const char *const may[] = {"freq", "frequency", "rate", "hz", NULL};
    for (size_t i = 0; i < w->n; i++) {
        if (in_list(w->w[i], turning)) {
            return true;
        }
    }
    return all_in(w, shafts, may);
}

static bool guess_speed(const words *w, const sm_unit *unit, sm_guess *out)
{
    bool rpm = has(w, "rpm");
    bool tach = false;
    static const char *const tach_words[] = {"tach",  "tacho",  "tachometer",
                                             "pulse", "pulses", NULL};
    for (size_t i = 0; i < w->n; i++) {
        tach |= in_list(w->w[i], tach_words);
    }
    if (unit && unit->quantity == SM_QUANTITY_SPEED) {
        rpm = unit->to_si == 1 || tach || says_it_turns(w);
    }
    if (!rpm && !tach) {
        return false;
    }
    sm_guess g = {.axis = -1, .role = rpm ? SM_ROLE_RPM : SM_ROLE_TACH};
    bool prop = has(w, "prop") || has(w, "propeller");
    bool crank = has(w, "crank") || has(w, "crankshaft") || has(w, "engine");
    g.shaft = prop ? SM_SHAFT_PROP : SM_SHAFT_CRANK;
    g.shaft_given = prop || has(w, "crank") || has(w, "crankshaft");
    if (crank && prop) {
        g.shaft_given = false;
        g.shaft = SM_SHAFT_CRANK;
    }
    if (rpm) {
        g.unit = sm_unit_find("rpm");
    }
    *out = g;
    return true;
}

/* A trailing "(unit)" or "[unit]", or "[0]" as an axis. Returns the length of the stem. */
static size_t strip_brackets(const char *s, size_t n, char unit[48], int *index_axis)
{
    unit[0] = '\0';
    *index_axis = -1;
    while (n && s[n - 1] == ' ') {
        n--;
    }
    if (n < 3 || (s[n - 1] != ')' && s[n - 1] != ']')) {
        return n;
    }
    char open = s[n - 1] == ')' ? '(' : '[';
    char close = s[n - 1];
    size_t i = n - 1;
    for (int depth = 1; depth && i > 0;) {
        i--;
        depth += s[i] == close ? 1 : s[i] == open ? -1 : 0;
    }
    if (s[i] != open || i == 0) {
        return n;
    }
    const char *inner = s + i + 1;
    size_t len = n - i - 2;
    if (len == 1 && inner[0] >= '0' && inner[0] <= '2') {
        *index_axis = inner[0] - '0';
        return i;
    }
    while (len && *inner == ' ') {
        inner++;
        len--;
    }
    while (len && inner[len - 1] == ' ') {
        len--;
    }
    (void)snprintf(unit, 48, "%.*s", (int)(len > 47 ? 47 : len), inner);
    return i;
}

static bool guess_words(const words *w, int index_axis, const sm_unit *unit, sm_guess *out)
{
    return guess_speed(w, unit, out) || guess_time(w, out) ||
           guess_sensor(w, index_axis, unit, out);
}

/* "gz_dps", "t_s", "raw_angular_rate_x_deg_per_s": the longest ending that is a unit which fits. */
static bool guess_suffix(const char *s, size_t n, int index_axis, sm_guess *out)
{
    char buf[128];
    if (n >= sizeof buf) {
        return false;
    }
    memcpy(buf, s, n);
    buf[n] = '\0';
    for (size_t i = 1; i + 1 < n; i++) {
        if (buf[i] != '_' && buf[i] != ' ' && buf[i] != '.') {
            continue;
        }
        const sm_unit *u = sm_names_suffix_unit(buf + i + 1);
        words w;
        split(buf, i, &w);
        if (u && w.n && guess_words(&w, index_axis, u, out) &&
            sm_names_quantity(out->role) == u->quantity) {
            out->unit = u;
            (void)snprintf(out->unit_text, sizeof out->unit_text, "%.47s", buf + i + 1);
            return true;
        }
    }
    return false;
}

/*
 * A unit in front of the axis, as in names that were joined from a group and its members: "IMU (g)
 * X", "accel_g.x". Rewritten with the unit behind; false: it is no such name.
 */
static bool unit_last(const char *name, char *out, size_t capacity)
{
    size_t n = strlen(name);
    while (n && name[n - 1] == ' ') {
        n--;
    }
    if (n < 4 || (name[n - 2] != ' ' && name[n - 2] != '.') || !strchr("xyzXYZ", name[n - 1])) {
        return false;
    }
    char stem[96];
    if (n - 2 >= sizeof stem) {
        return false;
    }
    memcpy(stem, name, n - 2);
    stem[n - 2] = '\0';
    char unit[48];
    int ignored;
    size_t bare = strip_brackets(stem, n - 2, unit, &ignored);
    if (!unit[0]) { /* the longest ending that is a unit */
        for (size_t i = 1; i + 1 < n - 2 && !unit[0]; i++) {
            const sm_unit *u =
                stem[i] == '_' || stem[i] == ' ' ? sm_names_suffix_unit(stem + i + 1) : NULL;
            if (u) {
                (void)snprintf(unit, sizeof unit, "%s", u->name);
                bare = i;
            }
        }
    }
    return unit[0] && bare &&
           snprintf(out, capacity, "%.*s %c (%s)", (int)bare, stem, name[n - 1], unit) <
               (int)capacity;
}

void sm_names_guess(const char *given, const char *unit_row, sm_guess *out)
{
    char text[48];
    char turned[160];
    int index_axis;
    const char *name = unit_last(given, turned, sizeof turned) ? turned : given;
    size_t n = strlen(name);
    while (n && *name == ' ') {
        name++;
        n--;
    }
    n = strip_brackets(name, n, text, &index_axis);
    while (n && name[n - 1] == ' ') {
        n--;
    }
    if (unit_row && unit_row[0] && !text[0]) {
        char whole[64];
        int ignored;
        (void)snprintf(whole, sizeof whole, "u%s", unit_row);
        size_t stem = strip_brackets(whole, strlen(whole), text, &ignored);
        if (stem != 1) {
            (void)snprintf(text, sizeof text, "%.47s", unit_row);
        }
    }
    *out = (sm_guess){.axis = -1};
    const sm_unit *unit = text[0] ? sm_names_unit(text) : NULL;
    words w;
    split(name, n, &w);
    static const char *const g_force[] = {"gfx", "gfy", "gfz"};
    for (int k = 0; k < 3; k++) {
        char lower[8] = {0};
        for (size_t i = 0; i < n && i < 7; i++) {
            lower[i] = (char)tolower((unsigned char)name[i]);
        }
        if (n == 3 && strcmp(lower, g_force[k]) == 0) {
            *out = (sm_guess){.role = SM_ROLE_ACCEL,
                              .axis = k,
                              .place = "mount",
                              .unit = sm_unit_find("g"),
                              .unit_text = "g"};
            return;
        }
    }
    if (!text[0] && guess_suffix(name, n, index_axis, out)) {
        return;
    }
    sm_guess suffix;
    bool with_suffix = text[0] && guess_suffix(name, n, index_axis, &suffix);
    if (!guess_words(&w, index_axis, unit, out)) {
        if (with_suffix) {
            *out = suffix;
        }
        return;
    }
    if (out->role == SM_ROLE_TACH) {
        return; /* a level: volts or counts do not matter */
    }
    if (text[0]) {
        (void)snprintf(out->unit_text, sizeof out->unit_text, "%s", text);
        out->unit = unit && unit->quantity == sm_names_quantity(out->role) ? unit : NULL;
        out->unit_unknown = out->unit == NULL;
    }
}

static bool read_axis_role(const char *text, sm_guess *out)
{
    char buf[96];
    if (strlen(text) >= sizeof buf) {
        return false;
    }
    (void)snprintf(buf, sizeof buf, "%s", text);
    char *axis = strrchr(buf, '.');
    if (!axis || axis_of(axis + 1) < 0) {
        return false;
    }
    *axis = '\0';
    char *kind = strrchr(buf, '.');
    const char *word = kind ? kind + 1 : buf;
    if (kind) {
        *kind = '\0';
    }
    sm_role role = strcmp(word, "accel") == 0  ? SM_ROLE_ACCEL
                   : strcmp(word, "gyro") == 0 ? SM_ROLE_GYRO
                   : strcmp(word, "mag") == 0  ? SM_ROLE_MAG
                                               : SM_ROLE_IGNORE;
    const char *place = kind ? buf : "mount";
    if (role == SM_ROLE_IGNORE || !place[0] || strlen(place) >= sizeof out->place ||
        strspn(place, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-") !=
            strlen(place)) {
        return false;
    }
    out->role = role;
    out->axis = axis_of(axis + 1);
    memcpy(out->place, place, strlen(place) + 1);
    return true;
}

bool sm_names_role(const char *text, sm_guess *out)
{
    static const struct {
        const char *text;
        sm_role role;
        sm_time_kind kind;
    } plain[] = {
        {"tach", SM_ROLE_TACH, SM_TIME_NONE},
        {"rpm", SM_ROLE_RPM, SM_TIME_NONE},
        {"time", SM_ROLE_TIME, SM_TIME_STAMP},
        {"interval", SM_ROLE_INTERVAL, SM_TIME_INTERVAL},
        {"counter", SM_ROLE_TIME, SM_TIME_COUNTER},
        {"ignore", SM_ROLE_IGNORE, SM_TIME_NONE},
    };
    for (size_t i = 0; i < sizeof plain / sizeof plain[0]; i++) {
        if (strcmp(text, plain[i].text) == 0) {
            out->role = plain[i].role;
            out->axis = -1;
            out->place[0] = '\0';
            out->time_kind = plain[i].kind;
            return true;
        }
    }
    return read_axis_role(text, out);
}
