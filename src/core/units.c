/* Unit table and "number unit detector" texts. */
#include "stillmount/units.h"

#include "stillmount/number.h"

#include <math.h>
#include <string.h>

#define PI 3.14159265358979323846
#define IN_M 0.0254 /* exact since 1959 */
#define DEG (PI / 180.0)

/* First row of a unit carries its canonical name; aliases follow with the same name. */
static const struct {
    const char *spelling;
    sm_unit unit;
} units[] = {
    {"g", {"g", SM_QUANTITY_ACCELERATION, SM_G0_M_S2}},
    {"gs", {"g", SM_QUANTITY_ACCELERATION, SM_G0_M_S2}},
    {"mg", {"mg", SM_QUANTITY_ACCELERATION, SM_G0_M_S2 / 1000}},
    {"m/s^2", {"m/s^2", SM_QUANTITY_ACCELERATION, 1}},
    {"m/s2", {"m/s^2", SM_QUANTITY_ACCELERATION, 1}},
    {"m/s\xc2\xb2", {"m/s^2", SM_QUANTITY_ACCELERATION, 1}},
    {"m/s/s", {"m/s^2", SM_QUANTITY_ACCELERATION, 1}},
    {"m_s2", {"m/s^2", SM_QUANTITY_ACCELERATION, 1}},
    {"mps2", {"m/s^2", SM_QUANTITY_ACCELERATION, 1}},
    {"mm/s^2", {"mm/s^2", SM_QUANTITY_ACCELERATION, 1e-3}},
    {"mm/s2", {"mm/s^2", SM_QUANTITY_ACCELERATION, 1e-3}},
    {"mm/s\xc2\xb2", {"mm/s^2", SM_QUANTITY_ACCELERATION, 1e-3}},
    {"in/s^2", {"in/s^2", SM_QUANTITY_ACCELERATION, IN_M}},
    {"in/s2", {"in/s^2", SM_QUANTITY_ACCELERATION, IN_M}},
    {"m/s", {"m/s", SM_QUANTITY_VELOCITY, 1}},
    {"mm/s", {"mm/s", SM_QUANTITY_VELOCITY, 1e-3}},
    {"in/s", {"in/s", SM_QUANTITY_VELOCITY, IN_M}},
    {"m", {"m", SM_QUANTITY_DISPLACEMENT, 1}},
    {"mm", {"mm", SM_QUANTITY_DISPLACEMENT, 1e-3}},
    {"um", {"um", SM_QUANTITY_DISPLACEMENT, 1e-6}},
    {"\xc2\xb5m", {"um", SM_QUANTITY_DISPLACEMENT, 1e-6}},
    {"\xce\xbcm", {"um", SM_QUANTITY_DISPLACEMENT, 1e-6}},
    {"in", {"in", SM_QUANTITY_DISPLACEMENT, IN_M}},
    {"mil", {"mil", SM_QUANTITY_DISPLACEMENT, IN_M / 1000}},
    {"deg/s", {"deg/s", SM_QUANTITY_RATE, DEG}},
    {"dps", {"deg/s", SM_QUANTITY_RATE, DEG}},
    {"\xc2\xb0/s", {"deg/s", SM_QUANTITY_RATE, DEG}},
    {"deg/sec", {"deg/s", SM_QUANTITY_RATE, DEG}},
    {"deg_s", {"deg/s", SM_QUANTITY_RATE, DEG}},
    {"deg_per_s", {"deg/s", SM_QUANTITY_RATE, DEG}},
    {"mdeg/s", {"mdeg/s", SM_QUANTITY_RATE, DEG / 1000}},
    {"mdps", {"mdeg/s", SM_QUANTITY_RATE, DEG / 1000}},
    {"deg/h", {"deg/h", SM_QUANTITY_RATE, DEG / 3600}},
    {"rad/s", {"rad/s", SM_QUANTITY_RATE, 1}},
    {"rad/sec", {"rad/s", SM_QUANTITY_RATE, 1}},
    {"rad_s", {"rad/s", SM_QUANTITY_RATE, 1}},
    {"rps_rad", {"rad/s", SM_QUANTITY_RATE, 1}},
    {"deg", {"deg", SM_QUANTITY_ANGLE, DEG}},
    {"rad", {"rad", SM_QUANTITY_ANGLE, 1}},
    {"mrad", {"mrad", SM_QUANTITY_ANGLE, 1e-3}},
    {"T", {"T", SM_QUANTITY_FIELD, 1}},
    {"uT", {"uT", SM_QUANTITY_FIELD, 1e-6}},
    {"\xc2\xb5T", {"uT", SM_QUANTITY_FIELD, 1e-6}},
    {"\xce\xbcT", {"uT", SM_QUANTITY_FIELD, 1e-6}},
    {"microteslas", {"uT", SM_QUANTITY_FIELD, 1e-6}},
    {"nT", {"nT", SM_QUANTITY_FIELD, 1e-9}},
    {"G", {"G", SM_QUANTITY_FIELD, 1e-4}},
    {"gauss", {"G", SM_QUANTITY_FIELD, 1e-4}},
    {"mG", {"mG", SM_QUANTITY_FIELD, 1e-7}},
    {"rpm", {"rpm", SM_QUANTITY_SPEED, 1}},
    {"RPM", {"rpm", SM_QUANTITY_SPEED, 1}},
    {"r/min", {"rpm", SM_QUANTITY_SPEED, 1}},
    {"rev/min", {"rpm", SM_QUANTITY_SPEED, 1}},
    {"1/min", {"rpm", SM_QUANTITY_SPEED, 1}},
    {"rev/s", {"rev/s", SM_QUANTITY_SPEED, 60}},
    {"r/s", {"rev/s", SM_QUANTITY_SPEED, 60}},
    {"rps", {"rev/s", SM_QUANTITY_SPEED, 60}},
    {"Hz", {"Hz", SM_QUANTITY_SPEED, 60}},
    {"s", {"s", SM_QUANTITY_TIME, 1}},
    {"sec", {"s", SM_QUANTITY_TIME, 1}},
    {"seconds", {"s", SM_QUANTITY_TIME, 1}},
    {"ms", {"ms", SM_QUANTITY_TIME, 1e-3}},
    {"us", {"us", SM_QUANTITY_TIME, 1e-6}},
    {"\xc2\xb5s", {"us", SM_QUANTITY_TIME, 1e-6}},
    {"\xce\xbcs", {"us", SM_QUANTITY_TIME, 1e-6}},
    {"ns", {"ns", SM_QUANTITY_TIME, 1e-9}},
    {"min", {"min", SM_QUANTITY_TIME, 60}},
    {"h", {"h", SM_QUANTITY_TIME, 3600}},
    {"d", {"d", SM_QUANTITY_TIME, 86400}},
};

const char *sm_quantity_text(sm_quantity q)
{
    static const char *const names[SM_QUANTITY_COUNT] = {
        [SM_QUANTITY_NONE] = "none",         [SM_QUANTITY_ACCELERATION] = "acceleration",
        [SM_QUANTITY_VELOCITY] = "velocity", [SM_QUANTITY_DISPLACEMENT] = "displacement",
        [SM_QUANTITY_RATE] = "rate",         [SM_QUANTITY_ANGLE] = "angle",
        [SM_QUANTITY_FIELD] = "field",       [SM_QUANTITY_SPEED] = "speed",
        [SM_QUANTITY_TIME] = "time",         [SM_QUANTITY_LEVEL] = "level",
    };
    return (int)q < 0 || q >= SM_QUANTITY_COUNT ? "none" : names[q];
}

const char *sm_detector_text(sm_detector d)
{
    return d == SM_PEAK ? "peak" : d == SM_PP ? "pp" : "rms";
}

double sm_detector_factor(sm_detector d)
{
    return d == SM_PEAK ? sqrt(2.0) : d == SM_PP ? 2 * sqrt(2.0) : 1.0;
}

static const sm_unit *find_n(const char *s, size_t n)
{
    for (size_t i = 0; i < sizeof units / sizeof units[0]; i++) {
        if (strlen(units[i].spelling) == n && memcmp(units[i].spelling, s, n) == 0) {
            return &units[i].unit;
        }
    }
    return NULL;
}

const sm_unit *sm_unit_find(const char *name)
{
    while (*name == ' ' || *name == '\t') {
        name++;
    }
    size_t n = strlen(name);
    while (n && (name[n - 1] == ' ' || name[n - 1] == '\t')) {
        n--;
    }
    return n ? find_n(name, n) : NULL;
}

const sm_unit *sm_unit_shown(sm_quantity q)
{
    switch (q) {
    case SM_QUANTITY_ACCELERATION:
        return sm_unit_find("g");
    case SM_QUANTITY_VELOCITY:
        return sm_unit_find("in/s");
    case SM_QUANTITY_DISPLACEMENT:
        return sm_unit_find("mm");
    case SM_QUANTITY_RATE:
        return sm_unit_find("deg/s");
    case SM_QUANTITY_ANGLE:
        return sm_unit_find("deg");
    case SM_QUANTITY_FIELD:
        return sm_unit_find("uT");
    case SM_QUANTITY_SPEED:
        return sm_unit_find("rpm");
    case SM_QUANTITY_TIME:
        return sm_unit_find("s");
    default:
        return NULL;
    }
}

static bool word_is(const char *s, size_t n, const char *word)
{
    return strlen(word) == n && memcmp(s, word, n) == 0;
}

/* The word s of the whole text. */
static sm_status take_unit(const char *whole, const char *s, size_t n, sm_measure_value *v,
                           sm_error *err)
{
    if (word_is(s, n, "%")) {
        v->percent = true;
        return SM_OK;
    }
    v->unit = find_n(s, n);
    if (!v->unit && n > 5 && memcmp(s + n - 5, "^2/Hz", 5) == 0) {
        size_t stem = n - 5;
        if (s[0] == '(' && stem > 2 && s[stem - 1] == ')') {
            v->unit = find_n(s + 1, stem - 2);
        } else {
            v->unit = find_n(s, stem);
        }
        v->is_psd = true;
    }
    if (!v->unit) {
        return sm_error_set(err, SM_E_FORMAT, NULL, 0,
                            "unknown unit '%.*s': write one like g, m/s^2, deg/s, in/s, mm/s, "
                            "g^2/Hz (case matters)%s",
                            (int)(n > 40 ? 40 : n), s, sm_number_comma(whole));
    }
    return SM_OK;
}

sm_status sm_measure_value_read(const char *s, sm_measure_value *out, sm_error *err)
{
    sm_measure_value v = {0};
    while (*s == ' ' || *s == '\t') {
        s++;
    }
    const char *end = s + strlen(s);
    const char *p = sm_number_parse(s, end, '.', &v.value);
    if (!p || !isfinite(v.value)) {
        return sm_error_set(err, SM_E_FORMAT, NULL, 0, "'%.60s' does not start with a number", s);
    }
    bool of_range = false;
    while (*p) {
        while (*p == ' ' || *p == '\t') {
            p++;
        }
        size_t n = strcspn(p, " \t");
        if (n == 0) {
            break;
        }
        bool is_detector = word_is(p, n, "rms") || word_is(p, n, "peak") || word_is(p, n, "pp");
        if (is_detector && !v.has_detector) {
            v.has_detector = true;
            v.detector = p[0] == 'r' ? SM_RMS : n == 4 ? SM_PEAK : SM_PP;
        } else if (v.percent && (word_is(p, n, "of") || word_is(p, n, "range"))) {
            of_range = true;
        } else if (!v.unit && !v.percent) {
            sm_status st = take_unit(s, p, n, &v, err);
            if (st != SM_OK) {
                return st;
            }
        } else {
            return sm_error_set(err, SM_E_FORMAT, NULL, 0, "'%.*s' is one word too many in '%.60s'",
                                (int)(n > 40 ? 40 : n), p, s);
        }
        p += n;
    }
    (void)of_range;
    *out = v;
    return SM_OK;
}
