/* Scenario file -> scenario. Keys and defaults: stillmount/simulate.h. */
#include "core/util.h"
#include "simulate/engine.h"
#include "stillmount/file.h"
#include "stillmount/ini.h"

#include <math.h>
#include <string.h>

#define DEG (SM_PI / 180)
#define CHECK_HOLD_S 8.0 /* a hold this long gets an ignition check */

typedef struct reader {
    const sm_ini *ini;
    sm_scenario *out;
    sm_error *err;
} reader;

static sm_status bad(const reader *r, const sm_ini_entry *e, const char *what)
{
    return sm_error_set(r->err, SM_E_VALUE, r->ini->source, e->line, "'%s = %.80s': %s", e->key,
                        e->value, what);
}

/*
 * A value with its unit, in SI. A bare number is taken in the unit given. psd: unit^2/Hz.
 */
static sm_status get_value(const reader *r, const sm_ini_section *s, const char *key,
                           sm_quantity quantity, bool psd, double *out)
{
    const sm_ini_entry *e = sm_ini_find(s, key);
    if (!e) {
        return SM_OK;
    }
    sm_measure_value v;
    sm_error why = {0};
    sm_status st = sm_measure_value_read(e->value, &v, &why);
    if (st != SM_OK) {
        return bad(r, e, why.message);
    }
    if (!v.unit || v.unit->quantity != quantity || v.is_psd != psd) {
        return bad(r, e,
                   quantity == SM_QUANTITY_RATE
                       ? (psd ? "write it like 0.001 (deg/s)^2/Hz" : "write it like 0.5 deg/s")
                       : (psd ? "write it like 0.0001 g^2/Hz" : "write it like 0.5 g"));
    }
    if (v.has_detector && v.detector != SM_PEAK) {
        return bad(r, e, "amplitudes of a scenario are peak values");
    }
    *out = v.value * v.unit->to_si * (psd ? v.unit->to_si : 1);
    return SM_OK;
}

/* "a:b a:b", blanks or commas between; at rises. */
static sm_status get_pairs(const reader *r, const sm_ini_section *s, const char *key,
                           sm_sim_pair *out, size_t capacity, size_t *n)
{
    const sm_ini_entry *e = sm_ini_find(s, key);
    if (!e) {
        return SM_OK;
    }
    const char *p = e->value;
    const char *end = p + strlen(p);
    size_t k = 0;
    for (;;) {
        p += strspn(p, " \t,");
        if (!*p) {
            break;
        }
        double at = 0;
        double value = 0;
        const char *q = sm_number_parse(p, end, '.', &at);
        q = q && *q == ':' ? sm_number_parse(q + 1, end, '.', &value) : NULL;
        if (!q || !isfinite(at) || !isfinite(value) || at < 0 || value < 0) {
            return bad(r, e, "pairs 'number:number' with blanks between are needed, none negative");
        }
        if (k && at <= out[k - 1].at) {
            return bad(r, e, "the first numbers of the pairs must rise");
        }
        if (k == capacity) {
            return bad(r, e, "too many pairs");
        }
        out[k++] = (sm_sim_pair){at, value};
        p = q;
    }
    *n = k;
    return SM_OK;
}

#define TRY(call)                                                                                  \
    do {                                                                                           \
        sm_status try_status = (call);                                                             \
        if (try_status != SM_OK) {                                                                 \
            return try_status;                                                                     \
        }                                                                                          \
    } while (0)

#define KEYS(...)                                                                                  \
    static const char *const keys[] = {__VA_ARGS__};                                               \
    TRY(sm_ini_check_keys(r->ini, s, keys, sizeof keys / sizeof keys[0], r->err))

static sm_status number(const reader *r, const sm_ini_section *s, const char *key, double lo,
                        double hi, double *out)
{
    return sm_ini_get_number(r->ini, s, key, lo, hi, out, r->err);
}

static sm_status percent(const reader *r, const sm_ini_section *s, const char *key, double *out)
{
    double v = *out * 100;
    TRY(number(r, s, key, 0, 100, &v));
    *out = v / 100;
    return SM_OK;
}

static sm_status read_scenario_section(const reader *r)
{
    const sm_ini_section *s = sm_ini_section_find(r->ini, "scenario");
    KEYS("name", "seed", "nuisances", "internal_hz", "seconds");
    const sm_ini_entry *name = sm_ini_find(s, "name");
    if (name) {
        sm_text_inert(name->value, strlen(name->value), r->out->name, sizeof r->out->name);
    }
    long seed = 1;
    TRY(sm_ini_get_integer(r->ini, s, "seed", 0, 2147483647, &seed, r->err));
    r->out->seed = (uint64_t)seed;
    TRY(sm_ini_get_bool(r->ini, s, "nuisances", &r->out->nuisances_on, r->err));
    TRY(number(r, s, "internal_hz", 1000, 200000, &r->out->internal_hz));
    return number(r, s, "seconds", 0.1, 86400, &r->out->seconds);
}

static sm_status read_engine(const reader *r)
{
    static const char *const shafts[] = {"crank", "prop"};
    static const char *const cycles[] = {"four-stroke", "two-stroke"};
    const sm_ini_section *s = sm_ini_section_find(r->ini, "engine");
    KEYS("rpm_of", "ratio", "cycle", "cylinders");
    size_t shaft = 0;
    size_t cycle = 0;
    sm_ratio ratio = {1, 1};
    TRY(sm_ini_get_choice(r->ini, s, "rpm_of", shafts, 2, &shaft, r->err));
    TRY(sm_ini_get_choice(r->ini, s, "cycle", cycles, 2, &cycle, r->err));
    TRY(sm_ini_get_ratio(r->ini, s, "ratio", &ratio, r->err));
    TRY(sm_ini_get_integer(r->ini, s, "cylinders", 1, 36, &r->out->cylinders, r->err));
    r->out->rpm_of = shaft ? SM_SHAFT_PROP : SM_SHAFT_CRANK;
    r->out->strokes = cycle ? 2 : 4;
    r->out->gear = sm_ratio_value(ratio);
    return SM_OK;
}

static sm_status read_profile(const reader *r)
{
    const sm_ini_section *s = sm_ini_section_find(r->ini, "profile");
    KEYS("points");
    TRY(get_pairs(r, s, "points", r->out->profile, SM_SIM_MAX_POINTS, &r->out->n_profile));
    if (r->out->n_profile == 0) {
        return sm_error_set(r->err, SM_E_FORMAT, r->ini->source, s ? s->line : 0,
                            "[profile] points = second:rpm second:rpm ... is missing");
    }
    if (r->out->seconds <= 0) {
        r->out->seconds = r->out->profile[r->out->n_profile - 1].at;
    }
    if (r->out->seconds < 0.1 || r->out->seconds > 86400) {
        return sm_error_set(r->err, SM_E_VALUE, r->ini->source, s ? s->line : 0,
                            "the run must last from 0.1 to 86400 seconds: set the profile's last "
                            "point or [scenario] seconds");
    }
    return SM_OK;
}

static sm_status read_log(const reader *r)
{
    sm_scenario *c = r->out;
    const sm_ini_section *s = sm_ini_section_find(r->ini, "log");
    KEYS("rate_hz", "jitter_s", "stamp_noise_s", "clock_ppm", "dropouts_per_s", "gaps",
         "time_decimals", "time");
    TRY(number(r, s, "rate_hz", 5, 100000, &c->rate_hz));
    TRY(number(r, s, "jitter_s", 0, 1, &c->jitter_s));
    TRY(number(r, s, "stamp_noise_s", 0, 1, &c->stamp_noise_s));
    TRY(number(r, s, "clock_ppm", -100000, 100000, &c->clock_ppm));
    TRY(number(r, s, "dropouts_per_s", 0, 1000, &c->dropouts_per_s));
    TRY(get_pairs(r, s, "gaps", c->gaps, SM_SIM_MAX_LAW, &c->n_gaps));
    TRY(sm_ini_get_integer(r->ini, s, "time_decimals", 0, 9, &c->time_decimals, r->err));
    return sm_ini_get_bool(r->ini, s, "time", &c->time_column, r->err);
}

static sm_status read_speed(const reader *r)
{
    static const char *const shafts[] = {"crank", "prop"};
    sm_scenario *c = r->out;
    const sm_ini_section *s = sm_ini_section_find(r->ini, "rpm");
    {
        KEYS("column", "step_rpm", "lag_s", "noise_rpm");
    }
    TRY(sm_ini_get_bool(r->ini, s, "column", &c->rpm_column, r->err));
    TRY(number(r, s, "step_rpm", 0, 1000, &c->rpm_step));
    TRY(number(r, s, "lag_s", 0, 10, &c->rpm_lag_s));
    TRY(number(r, s, "noise_rpm", 0, 1000, &c->rpm_noise));
    s = sm_ini_section_find(r->ini, "tach");
    {
        KEYS("shaft", "pulses_per_rev", "width", "rise_s");
    }
    c->has_tach = s != NULL;
    size_t shaft = 0;
    TRY(sm_ini_get_choice(r->ini, s, "shaft", shafts, 2, &shaft, r->err));
    c->tach_shaft = shaft ? SM_SHAFT_PROP : SM_SHAFT_CRANK;
    TRY(sm_ini_get_integer(r->ini, s, "pulses_per_rev", 1, 1000, &c->pulses_per_rev, r->err));
    TRY(number(r, s, "width", 0.001, 0.9, &c->pulse_width));
    TRY(number(r, s, "rise_s", 0, 1, &c->pulse_rise_s));
    s = sm_ini_section_find(r->ini, "slow log");
    KEYS("rate_hz", "lag_s", "offset_s", "step_rpm");
    TRY(number(r, s, "rate_hz", 0.01, 100, &c->slow_rate_hz));
    TRY(number(r, s, "lag_s", 0, 10, &c->slow_lag_s));
    TRY(number(r, s, "offset_s", -86400, 86400, &c->slow_offset_s));
    return number(r, s, "step_rpm", 0, 1000, &c->slow_step_rpm);
}

/* Middle of the longest hold above idle that lasts long enough; NaN when there is none. */
static double check_time(const sm_scenario *c)
{
    double best = CHECK_HOLD_S;
    double at = (double)NAN;
    for (size_t i = 1; i < c->n_profile; i++) {
        const sm_sim_pair *a = &c->profile[i - 1];
        double length = c->profile[i].at - a->at;
        if (a->value > 0 && a->value == c->profile[i].value && length >= best) {
            best = length;
            at = a->at + length / 2;
        }
    }
    return at;
}

static sm_status read_nuisances(const reader *r)
{
    sm_sim_nuisances *n = &r->out->nuisances;
    const sm_ini_section *s = sm_ini_section_find(r->ini, "nuisances");
    KEYS("scatter_db", "hunting_percent", "weak_cylinder", "ignition_check_s",
         "ignition_drop_percent", "rattle_g", "rattle_below_rpm", "gust_g", "gust_deg_s", "slap_g",
         "slaps_per_minute");
    *n = (sm_sim_nuisances){.ignition_check_s = (double)NAN, .rattle_below_rpm = 2100};
    double rattle_g = 0;
    double slap_g = 0;
    double slaps = 0;
    double gust_g = 0;
    double gust_deg_s = 0;
    if (r->out->nuisances_on) {
        n->scatter_db = 3;
        n->hunting = 0.003;
        n->weak_cylinder = 0.15;
        n->ignition_check_s = check_time(r->out);
        rattle_g = 0.5;
        gust_g = 0.01;
        gust_deg_s = 0.5;
        slap_g = 1;
        slaps = 2;
    }
    n->ignition_drop = n->ignition_check_s >= 0 || sm_ini_find(s, "ignition_check_s") ? 0.025 : 0;
    TRY(number(r, s, "scatter_db", 0, 10, &n->scatter_db));
    TRY(percent(r, s, "hunting_percent", &n->hunting));
    TRY(number(r, s, "weak_cylinder", 0, 1, &n->weak_cylinder));
    TRY(number(r, s, "ignition_check_s", 0, 86400, &n->ignition_check_s));
    TRY(percent(r, s, "ignition_drop_percent", &n->ignition_drop));
    TRY(number(r, s, "rattle_g", 0, 1000, &rattle_g));
    TRY(number(r, s, "rattle_below_rpm", 0, 60000, &n->rattle_below_rpm));
    TRY(number(r, s, "gust_g", 0, 10, &gust_g));
    TRY(number(r, s, "gust_deg_s", 0, 1000, &gust_deg_s));
    TRY(number(r, s, "slap_g", 0, 1000, &slap_g));
    TRY(number(r, s, "slaps_per_minute", 0, 6000, &slaps));
    n->rattle_m_s2 = rattle_g * SM_G0_M_S2;
    n->slap_m_s2 = slap_g * SM_G0_M_S2;
    n->slaps_per_s = slaps / 60;
    n->gust_m_s2_rms = gust_g * SM_G0_M_S2;
    n->gust_rad_s_rms = gust_deg_s * DEG;
    return SM_OK;
}

/* Fills the next free place with defaults; NULL when there are too many. */
static sm_sim_place *add_place(const reader *r, const char *name)
{
    sm_scenario *c = r->out;
    if (c->n_places == SM_SIM_MAX_PLACES || strlen(name) >= sizeof c->places[0].name) {
        return NULL;
    }
    sm_sim_place *p = &c->places[c->n_places++];
    *p = (sm_sim_place){
        .range_si = {16 * SM_G0_M_S2, 2000 * DEG},
        .step_si = {(double)NAN, (double)NAN},
        .filter_hz = 0.3 * c->rate_hz,
        .filter_order = 8,
        .attachment_hz = c->nuisances_on ? 300 : 0,
        .attachment_damping = 0.1,
        .overload = c->nuisances_on,
    };
    memcpy(p->name, name, strlen(name) + 1);
    return p;
}

static sm_status read_place(const reader *r, const sm_ini_section *s, const char *name)
{
    KEYS("accel_range", "accel_step", "gyro_range", "gyro_step", "filter_hz", "filter_order",
         "attachment_hz", "attachment_damping", "overload", "tolerance_percent");
    sm_sim_place *p = add_place(r, name);
    if (!p || strcspn(name, "./\\ \t") != strlen(name)) {
        return sm_error_set(r->err, SM_E_FORMAT, r->ini->source, s->line,
                            "[%.60s]: a place is one short word without dots, and there are at "
                            "most %d",
                            s->name, (int)SM_SIM_MAX_PLACES);
    }
    TRY(get_value(r, s, "accel_range", SM_QUANTITY_ACCELERATION, false, &p->range_si[0]));
    TRY(get_value(r, s, "accel_step", SM_QUANTITY_ACCELERATION, false, &p->step_si[0]));
    TRY(get_value(r, s, "gyro_range", SM_QUANTITY_RATE, false, &p->range_si[1]));
    TRY(get_value(r, s, "gyro_step", SM_QUANTITY_RATE, false, &p->step_si[1]));
    TRY(number(r, s, "filter_hz", 0.1, 0.49 * r->out->internal_hz, &p->filter_hz));
    TRY(sm_ini_get_integer(r->ini, s, "filter_order", 0, 8, &p->filter_order, r->err));
    TRY(number(r, s, "attachment_hz", 0, 0.45 * r->out->internal_hz, &p->attachment_hz));
    TRY(number(r, s, "attachment_damping", 0.001, 2, &p->attachment_damping));
    TRY(sm_ini_get_bool(r->ini, s, "overload", &p->overload, r->err));
    TRY(percent(r, s, "tolerance_percent", &p->tolerance));
    if (p->filter_order % 2) {
        return bad(r, sm_ini_find(s, "filter_order"), "0, 2, 4, 6 or 8 is needed");
    }
    return SM_OK;
}

static sm_status read_mode(const reader *r, const sm_ini_section *s, const char *name)
{
    static const char *const kinds[] = {"base", "force"};
    KEYS("hz", "damping", "kind");
    sm_scenario *c = r->out;
    if (c->n_modes == SM_SIM_MAX_MODES || strlen(name) >= sizeof c->modes[0].name ||
        strcspn(name, ": \t") != strlen(name)) {
        return sm_error_set(r->err, SM_E_FORMAT, r->ini->source, s->line,
                            "[%.60s]: a mode's name is one short word, and there are at most %d",
                            s->name, (int)SM_SIM_MAX_MODES);
    }
    sm_sim_mode *m = &c->modes[c->n_modes++];
    size_t kind = 0;
    m->damping = 0.05;
    memcpy(m->name, name, strlen(name) + 1);
    TRY(number(r, s, "hz", 0.1, 0.45 * c->internal_hz, &m->hz));
    TRY(number(r, s, "damping", 0.0001, 10, &m->damping));
    TRY(sm_ini_get_choice(r->ini, s, "kind", kinds, 2, &kind, r->err));
    m->kind = kind ? SM_SIM_FORCE : SM_SIM_BASE;
    if (m->hz <= 0) {
        return sm_error_set(r->err, SM_E_FORMAT, r->ini->source, s->line, "[%.60s] needs hz",
                            s->name);
    }
    return SM_OK;
}

static sm_sim_source *add_source(const reader *r, const sm_ini_section *s, const char *label)
{
    sm_scenario *c = r->out;
    if (c->n_sources == SM_SIM_MAX_SOURCES || strlen(label) >= sizeof c->sources[0].label) {
        (void)sm_error_set(r->err, SM_E_FORMAT, r->ini->source, s->line,
                           "[%.60s]: too long a name, or more than %d orders and tones", s->name,
                           (int)SM_SIM_MAX_SOURCES);
        return NULL;
    }
    sm_sim_source *o = &c->sources[c->n_sources++];
    *o = (sm_sim_source){.exponent = 2, .reference_rpm = 5000};
    sm_text_inert(label, strlen(label), o->label, sizeof o->label);
    return o;
}

/* "crank 2" or "prop 3 (blade pass)": shaft and order from the label; 0 when it is neither. */
static double order_of_label(const sm_scenario *c, const char *label, sm_shaft *shaft)
{
    bool prop = strncmp(label, "prop ", 5) == 0;
    if (!prop && strncmp(label, "crank ", 6) != 0) {
        return 0;
    }
    const char *p = label + (prop ? 5 : 6);
    double k = 0;
    if (!sm_number_parse(p, label + strlen(label), '.', &k) || !(k > 0)) {
        return 0;
    }
    *shaft = prop ? SM_SHAFT_PROP : SM_SHAFT_CRANK;
    return prop ? k / c->gear : k;
}

static sm_status read_order(const reader *r, const sm_ini_section *s, const char *label)
{
    KEYS("order", "force", "reference_rpm", "exponent", "law", "phase_deg", "scatter");
    sm_sim_source *o = add_source(r, s, label);
    if (!o) {
        return SM_E_FORMAT;
    }
    o->order = order_of_label(r->out, label, &o->shaft);
    o->scatters = o->order > 0 && o->shaft == SM_SHAFT_CRANK;
    TRY(number(r, s, "order", 0.001, 1000, &o->order));
    TRY(get_value(r, s, "force", SM_QUANTITY_ACCELERATION, false, &o->force_m_s2_pk));
    TRY(number(r, s, "reference_rpm", 1, 100000, &o->reference_rpm));
    TRY(number(r, s, "exponent", -10, 10, &o->exponent));
    TRY(get_pairs(r, s, "law", o->law, SM_SIM_MAX_LAW, &o->n_law));
    for (size_t i = 0; i < o->n_law; i++) {
        o->law[i].value *= SM_G0_M_S2;
    }
    double phase_deg = 0;
    TRY(number(r, s, "phase_deg", -360, 360, &phase_deg));
    o->phase_rad = phase_deg * DEG;
    TRY(sm_ini_get_bool(r->ini, s, "scatter", &o->scatters, r->err));
    if (o->order <= 0) {
        return sm_error_set(r->err, SM_E_FORMAT, r->ini->source, s->line,
                            "[%.60s]: name it like 'crank 2' or 'prop 1', or add order = turns per "
                            "crank turn",
                            s->name);
    }
    return SM_OK;
}

static sm_status read_tone(const reader *r, const sm_ini_section *s, const char *label)
{
    KEYS("hz", "force", "always", "phase_deg");
    sm_sim_source *o = add_source(r, s, label);
    if (!o) {
        return SM_E_FORMAT;
    }
    o->fixed = true;
    double phase_deg = 0;
    TRY(number(r, s, "hz", 0.01, 0.45 * r->out->internal_hz, &o->hz));
    TRY(get_value(r, s, "force", SM_QUANTITY_ACCELERATION, false, &o->force_m_s2_pk));
    TRY(number(r, s, "phase_deg", -360, 360, &phase_deg));
    o->phase_rad = phase_deg * DEG;
    TRY(sm_ini_get_bool(r->ini, s, "always", &o->always, r->err));
    if (o->hz <= 0) {
        return sm_error_set(r->err, SM_E_FORMAT, r->ini->source, s->line, "[%.60s] needs hz",
                            s->name);
    }
    return SM_OK;
}

/* "NAME:number" items; names may hold blanks when commas stand between the items. */
static sm_status get_weights(const reader *r, const sm_ini_section *s, const char *key, bool modes,
                             double *out, double unit)
{
    const sm_scenario *c = r->out;
    const sm_ini_entry *e = sm_ini_find(s, key);
    const char *p = e ? e->value : "";
    while (*(p += strspn(p, " \t,"))) {
        size_t n = strcspn(p, ":");
        double v = 0;
        const char *q =
            p[n] ? sm_number_parse(p + n + 1 + strspn(p + n + 1, " \t"), p + strlen(p), '.', &v)
                 : NULL;
        size_t count = modes ? c->n_modes : c->n_sources;
        size_t i = 0;
        for (; q && i < count; i++) {
            const char *name = modes ? c->modes[i].name : c->sources[i].label;
            if (strlen(name) == n && memcmp(name, p, n) == 0) {
                break;
            }
        }
        if (!q || i == count || !isfinite(v)) {
            return bad(r, e,
                       modes
                           ? "items 'mode:weight' are needed, each mode with a section [mode NAME]"
                           : "items 'order:factor' with commas between are needed, each with a "
                             "section of its own");
        }
        out[i] = v * unit;
        p = q;
    }
    return SM_OK;
}

static size_t place_index(const reader *r, const char *name, size_t n)
{
    for (size_t i = 0; i < r->out->n_places; i++) {
        const char *have = r->out->places[i].name;
        if (strlen(have) == n && memcmp(have, name, n) == 0) {
            return i;
        }
    }
    char copy[sizeof r->out->places[0].name];
    if (n == 0 || n >= sizeof copy) {
        return SM_SIM_MAX_PLACES;
    }
    memcpy(copy, name, n);
    copy[n] = '\0';
    return add_place(r, copy) ? r->out->n_places - 1 : SM_SIM_MAX_PLACES;
}

/* "mount.accel.x" -> place, role and axis. */
static sm_status name_channel(const reader *r, const sm_ini_section *s, const char *name,
                              sm_sim_channel *ch)
{
    size_t n = strcspn(name, ".");
    const char *rest = name + n;
    bool gyro = strncmp(rest, ".gyro.", 6) == 0;
    const char *axis = gyro ? rest + 6 : strncmp(rest, ".accel.", 7) == 0 ? rest + 7 : "";
    bool good = strlen(axis) == 1 && strchr("xyz", axis[0]) && strlen(name) < sizeof ch->name;
    ch->i_place = good ? place_index(r, name, n) : SM_SIM_MAX_PLACES;
    if (ch->i_place == SM_SIM_MAX_PLACES) {
        return sm_error_set(r->err, SM_E_FORMAT, r->ini->source, s->line,
                            "[%.60s]: name it like 'channel mount.accel.x' or 'channel "
                            "mount.gyro.z'; at most %d places",
                            s->name, (int)SM_SIM_MAX_PLACES);
    }
    ch->role = gyro ? SM_ROLE_GYRO : SM_ROLE_ACCEL;
    ch->axis = axis[0] - 'x';
    memcpy(ch->name, name, strlen(name) + 1);
    return SM_OK;
}

static sm_status read_channel(const reader *r, const sm_ini_section *s, const char *name)
{
    KEYS("direct", "modes", "weights", "noise", "force_noise", "noise_below_hz", "noise_exponent",
         "reference_rpm", "mean");
    sm_scenario *c = r->out;
    if (c->n_channels == SM_SIM_MAX_CHANNELS) {
        return sm_error_set(r->err, SM_E_FORMAT, r->ini->source, s->line, "more than %d channels",
                            (int)SM_SIM_MAX_CHANNELS);
    }
    sm_sim_channel *ch = &c->channels[c->n_channels];
    *ch = (sm_sim_channel){.noise_exponent = 1, .reference_rpm = 5000};
    TRY(name_channel(r, s, name, ch));
    bool gyro = ch->role == SM_ROLE_GYRO;
    sm_quantity quantity = gyro ? SM_QUANTITY_RATE : SM_QUANTITY_ACCELERATION;
    double unit = gyro ? DEG / SM_G0_M_S2 : 1; /* deg/s per g, or g per g */
    double direct = 1;
    TRY(number(r, s, "direct", -1e6, 1e6, &direct));
    ch->direct = direct * unit;
    for (size_t i = 0; i < SM_SIM_MAX_SOURCES; i++) {
        ch->share[i] = 1;
    }
    TRY(get_weights(r, s, "modes", true, ch->weight, unit));
    TRY(get_weights(r, s, "weights", false, ch->share, 1));
    TRY(get_value(r, s, "noise", quantity, true, &ch->noise_psd));
    TRY(get_value(r, s, "force_noise", SM_QUANTITY_ACCELERATION, true, &ch->force_noise_psd));
    TRY(number(r, s, "noise_below_hz", 0, 0.45 * c->internal_hz, &ch->noise_below_hz));
    TRY(number(r, s, "noise_exponent", -10, 10, &ch->noise_exponent));
    TRY(number(r, s, "reference_rpm", 1, 100000, &ch->reference_rpm));
    TRY(get_value(r, s, "mean", quantity, false, &ch->mean_si));
    if (ch->noise_psd < 0 || ch->force_noise_psd < 0) {
        return sm_error_set(r->err, SM_E_VALUE, r->ini->source, s->line,
                            "[%.60s]: a noise density is not negative", s->name);
    }
    c->n_channels++;
    return SM_OK;
}

typedef sm_status read_labelled(const reader *r, const sm_ini_section *s, const char *label);

static sm_status read_each(const reader *r, const char *kind, read_labelled *read)
{
    for (size_t i = 0; i < r->ini->n_sections; i++) {
        const char *label = sm_ini_section_label(&r->ini->sections[i], kind);
        if (label) {
            TRY(read(r, &r->ini->sections[i], label));
        }
    }
    return SM_OK;
}

static sm_status read_all(const reader *r)
{
    static const char *const sections[] = {"scenario", "engine",   "profile",   "log",    "rpm",
                                           "tach",     "slow log", "nuisances", "place ", "mode ",
                                           "order ",   "tone ",    "channel "};
    TRY(sm_ini_check_sections(r->ini, sections, sizeof sections / sizeof sections[0], r->err));
    TRY(read_scenario_section(r));
    TRY(read_engine(r));
    TRY(read_profile(r));
    TRY(read_log(r));
    TRY(read_speed(r));
    TRY(read_nuisances(r));
    TRY(read_each(r, "place", read_place));
    TRY(read_each(r, "mode", read_mode));
    TRY(read_each(r, "order", read_order));
    TRY(read_each(r, "tone", read_tone));
    TRY(read_each(r, "channel", read_channel));
    if (r->out->n_channels == 0) {
        return sm_error_set(r->err, SM_E_FORMAT, r->ini->source, 1,
                            "no channel: add a section like [channel mount.accel.x]");
    }
    for (size_t i = 0; i < r->out->n_places; i++) {
        for (size_t k = 0; k < 2; k++) {
            sm_sim_place *p = &r->out->places[i];
            p->step_si[k] = isnan(p->step_si[k]) ? p->range_si[k] / 32768 : p->step_si[k];
        }
    }
    return SM_OK;
}

static sm_status scenario_from_ini(const sm_ini *ini, sm_scenario *out, sm_error *err)
{
    sm_scenario c = {
        .name = "scenario",
        .seed = 1,
        .nuisances_on = true,
        .internal_hz = 8000,
        .gear = 1,
        .strokes = 4,
        .cylinders = 4,
        .rate_hz = 1000,
        .time_decimals = 6,
        .time_column = true,
        .rpm_column = true,
        .rpm_step = 1,
        .pulses_per_rev = 1,
        .pulse_width = 0.1,
        .slow_rate_hz = 2,
        .slow_lag_s = 0.5,
        .slow_step_rpm = 10,
    };
    const char *name = sm_file_name(ini->source);
    sm_text_inert(name, strlen(name), c.source, sizeof c.source);
    reader r = {.ini = ini, .out = &c, .err = err};
    sm_status st = read_all(&r);
    if (st == SM_OK) {
        *out = c;
    }
    return st;
}

sm_status sm_scenario_read(const char *path, sm_scenario *out, sm_error *err)
{
    sm_ini ini = {0};
    sm_status st = sm_ini_read(path, &ini, err);
    if (st == SM_OK) {
        st = scenario_from_ini(&ini, out, err);
    }
    sm_ini_free(&ini);
    return st;
}

sm_status sm_scenario_parse(const char *text, size_t n, const char *source, sm_scenario *out,
                            sm_error *err)
{
    sm_ini ini = {0};
    sm_status st = sm_ini_parse(text, n, source, &ini, err);
    if (st == SM_OK) {
        st = scenario_from_ini(&ini, out, err);
    }
    sm_ini_free(&ini);
    return st;
}
