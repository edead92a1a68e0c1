/* One [limit NAME]: channels, measure, range, maximum. */
#include "budget/limit.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define COUNT(a) (sizeof(a) / sizeof((a)[0]))

static const char *const role_words[] = {"accel", "gyro", "mag"};
static const sm_role roles[] = {SM_ROLE_ACCEL, SM_ROLE_GYRO, SM_ROLE_MAG};

static sm_status bad(const sm_ini *ini, const sm_ini_section *s, const char *key, sm_error *err,
                     const char *text)
{
    const sm_ini_entry *e = sm_ini_find(s, key);
    return sm_error_set(err, SM_E_VALUE, ini->source, e ? e->line : s->line, "[%s] %s", s->name,
                        text);
}

static bool role_from(const char *word, sm_role *out)
{
    for (size_t i = 0; i < COUNT(role_words); i++) {
        if (strcmp(word, role_words[i]) == 0) {
            *out = roles[i];
            return true;
        }
    }
    return false;
}

static bool axis_from(const char *word, int *out)
{
    if (strcmp(word, "*") == 0) {
        *out = -1;
        return true;
    }
    if (strlen(word) == 1 && word[0] >= 'x' && word[0] <= 'z') {
        *out = word[0] - 'x';
        return true;
    }
    return false;
}

/* "mount.accel.*", "accel.x": parts between dots, place optional. */
static bool pattern_from(const char *text, size_t n, sm_pattern *out, char *wrong, size_t n_wrong)
{
    char buf[160];
    char *parts[4];
    size_t n_parts = 0;
    (void)snprintf(buf, sizeof buf, "%.*s", (int)(n < 150 ? n : 150), text);
    for (char *p = buf; p && n_parts < 4;) {
        parts[n_parts++] = p;
        p = strchr(p, '.');
        if (p) {
            *p++ = '\0';
        }
    }
    (void)snprintf(wrong, n_wrong, "%s", buf);
    if (n_parts < 2 || n_parts > 3) {
        return false;
    }
    const char *place = n_parts == 3 ? parts[0] : "mount";
    const char *role = parts[n_parts - 2];
    (void)snprintf(out->place, sizeof out->place, "%s", place);
    if (!role_from(role, &out->role)) {
        (void)snprintf(wrong, n_wrong, "%s", role);
        return false;
    }
    (void)snprintf(wrong, n_wrong, "%s", parts[n_parts - 1]);
    return axis_from(parts[n_parts - 1], &out->axis) && place[0] != '\0';
}

static sm_status read_channels(const sm_ini *ini, const sm_ini_section *s, sm_limit *l,
                               sm_error *err)
{
    const sm_ini_entry *e = sm_ini_find(s, "channels");
    if (!e) {
        return bad(ini, s, "", err, "needs channels = PLACE.ROLE.AXIS, like mount.accel.*");
    }
    for (const char *p = e->value; *p;) {
        p += strspn(p, ", \t");
        size_t n = strcspn(p, ", \t");
        if (n == 0) {
            break;
        }
        char wrong[160];
        if (l->n_patterns == SM_MAX_PATTERNS) {
            return bad(ini, s, "channels", err, "too many channel patterns");
        }
        if (!pattern_from(p, n, &l->patterns[l->n_patterns], wrong, sizeof wrong)) {
            const char *near = sm_text_nearest(wrong, role_words, COUNT(role_words));
            return sm_error_set(err, SM_E_FORMAT, ini->source, e->line,
                                "[%s] no channel can be called '%.*s'%s%s%s: write "
                                "PLACE.ROLE.AXIS like mount.accel.* or prop.accel.y",
                                s->name, (int)(n > 80 ? 80 : n), p, near ? " (did you mean '" : "",
                                near ? near : "", near ? "'?)" : "");
        }
        l->n_patterns++;
        p += n;
    }
    if (l->n_patterns == 0) {
        return bad(ini, s, "channels", err, "channels names nothing");
    }
    return SM_OK;
}

static sm_quantity own_quantity(sm_role role)
{
    return role == SM_ROLE_ACCEL  ? SM_QUANTITY_ACCELERATION
           : role == SM_ROLE_GYRO ? SM_QUANTITY_RATE
                                  : SM_QUANTITY_FIELD;
}

static sm_status read_as(const sm_ini *ini, const sm_ini_section *s, sm_limit *l, sm_error *err)
{
    static const char *const words[] = {"acceleration", "velocity", "displacement", "rate",
                                        "angle"};
    static const sm_quantity quantities[] = {SM_QUANTITY_ACCELERATION, SM_QUANTITY_VELOCITY,
                                             SM_QUANTITY_DISPLACEMENT, SM_QUANTITY_RATE,
                                             SM_QUANTITY_ANGLE};
    sm_quantity own = own_quantity(l->patterns[0].role);
    l->as = own;
    size_t i = 0;
    sm_status st = sm_ini_get_choice(ini, s, "as", words, COUNT(words), &i, err);
    if (st != SM_OK || !sm_ini_find(s, "as")) {
        return st;
    }
    l->as = quantities[i];
    int from = own == SM_QUANTITY_RATE ? 3 : 0;
    int most = own == SM_QUANTITY_RATE ? 1 : 2;
    l->integrations = (int)i - from;
    if (own == SM_QUANTITY_FIELD || l->integrations < 0 || l->integrations > most) {
        return bad(ini, s, "as", err,
                   "as: accelerometers give acceleration, velocity or displacement; gyros rate or "
                   "angle");
    }
    return SM_OK;
}

static sm_status check_detector(const sm_ini *ini, const sm_ini_section *s,
                                const sm_measure_value *v, sm_limit *l, sm_error *err)
{
    bool sinusoid = l->measure == SM_MEASURE_ORDER || l->measure == SM_MEASURE_LINE;
    l->detector = sinusoid || l->measure == SM_MEASURE_PEAK ? SM_PEAK : SM_RMS;
    if (!v->has_detector) {
        return SM_OK;
    }
    if (!sinusoid && v->detector != l->detector) {
        return bad(
            ini, s, "max", err,
            "max: 'rms' limits take rms values and 'peak' limits peak values; only order and "
            "line convert between rms, peak and pp");
    }
    l->detector = v->detector;
    return SM_OK;
}

static sm_status read_max(const sm_ini *ini, const sm_ini_section *s, sm_limit *l, sm_error *err)
{
    const sm_ini_entry *e = sm_ini_find(s, "max");
    if (!e) {
        return bad(ini, s, "", err, "needs max = NUMBER UNIT");
    }
    sm_measure_value v;
    sm_error why = {0};
    if (sm_measure_value_read(e->value, &v, &why) != SM_OK) {
        return sm_error_set(err, SM_E_FORMAT, ini->source, e->line, "[%s] max: %s", s->name,
                            why.message);
    }
    if (!(v.value > 0) || v.is_psd) {
        return bad(ini, s, "max", err, "max must be above 0, and no density");
    }
    if (v.percent) {
        if (l->measure != SM_MEASURE_PEAK || v.value > 100) {
            return bad(ini, s, "max", err,
                       "max in % of range goes with measure = peak, up to 100 %");
        }
        l->max_of_range = v.value / 100;
        l->unit = sm_unit_shown(l->as);
        l->detector = SM_PEAK;
        return SM_OK;
    }
    if (l->measure == SM_MEASURE_CONING || l->measure == SM_MEASURE_LEVEL) {
        l->as = l->measure == SM_MEASURE_CONING ? SM_QUANTITY_RATE : SM_QUANTITY_ANGLE;
    }
    if (!v.unit || v.unit->quantity != l->as) {
        return sm_error_set(err, SM_E_FORMAT, ini->source, e->line,
                            "[%s] max = %.60s: a unit of %s is needed, like %s%s", s->name,
                            e->value, sm_quantity_text(l->as), sm_unit_shown(l->as)->name,
                            l->integrations == 0 ? ", or as = another quantity" : "");
    }
    l->unit = v.unit;
    l->max_si = v.value * v.unit->to_si;
    return check_detector(ini, s, &v, l, err);
}

/* "10:0.01 100:0.01 500:0.002 g^2/Hz" */
static sm_status read_curve(const sm_ini *ini, const sm_ini_section *s, sm_limit *l, sm_error *err)
{
    static const char *const needed =
        "needs curve = HZ:VALUE HZ:VALUE ... UNIT^2/Hz, frequencies rising, like 10:0.01 "
        "500:0.002 g^2/Hz";
    const sm_ini_entry *e = sm_ini_find(s, "curve");
    const char *p = e ? e->value : "";
    const char *end = p + strlen(p);
    while (p < end && l->n_curve < SM_MAX_CURVE) {
        double hz;
        double v;
        const char *q = sm_number_parse(p, end, '.', &hz);
        q = q && *q == ':' ? sm_number_parse(q + 1, end, '.', &v) : NULL;
        if (!q) {
            break;
        }
        bool rising = l->n_curve == 0 || hz > l->curve_hz[l->n_curve - 1];
        if (!(hz > 0) || !(v > 0) || !rising) {
            return bad(ini, s, "curve", err, needed);
        }
        l->curve_hz[l->n_curve] = hz;
        l->curve_si[l->n_curve++] = v;
        p = q + strspn(q, " \t,");
    }
    char number[128];
    sm_measure_value unit;
    (void)snprintf(number, sizeof number, "1 %.100s", p);
    if (l->n_curve < 2 || sm_measure_value_read(number, &unit, NULL) != SM_OK || !unit.is_psd ||
        unit.unit->quantity != l->as) {
        return bad(ini, s, "curve", err, needed);
    }
    for (size_t i = 0; i < l->n_curve; i++) {
        l->curve_si[i] *= unit.unit->to_si * unit.unit->to_si;
    }
    l->unit = unit.unit;
    l->hz_lo = l->curve_hz[0];
    l->hz_hi = l->curve_hz[l->n_curve - 1];
    l->max_si = 1; /* the value is the ratio of density to curve */
    return SM_OK;
}

static sm_status read_range(const sm_ini *ini, const sm_ini_section *s, sm_limit *l, sm_error *err)
{
    sm_status st = sm_ini_get_range(ini, s, "hz", &l->hz_lo, &l->hz_hi, err);
    if (st != SM_OK) {
        return st;
    }
    bool needs = l->measure == SM_MEASURE_RMS || l->measure == SM_MEASURE_LINE;
    if (needs && !sm_ini_find(s, "hz")) {
        return bad(ini, s, "", err, "needs hz = LOW-HIGH");
    }
    if (sm_ini_find(s, "hz") && !(l->hz_lo > 0)) {
        return bad(ini, s, "hz", err, "hz must begin above 0");
    }
    return SM_OK;
}

static sm_status read_order(const sm_ini *ini, const sm_ini_section *s, sm_limit *l, sm_error *err)
{
    const sm_ini_entry *e = sm_ini_find(s, "order");
    if (l->measure != SM_MEASURE_ORDER) {
        return e ? bad(ini, s, "order", err, "order goes with measure = order") : SM_OK;
    }
    if (!e || !e->value[0] || strlen(e->value) >= sizeof l->order_label) {
        return bad(ini, s, "order", err, "needs order = LABEL, like prop 1 or crank 2");
    }
    sm_text_inert(e->value, strlen(e->value), l->order_label, sizeof l->order_label);
    return SM_OK;
}

static sm_status check_measure(const sm_ini *ini, const sm_ini_section *s, const sm_limit *l,
                               sm_error *err)
{
    sm_role role = l->patterns[0].role;
    for (size_t i = 1; i < l->n_patterns && isnan(l->max_of_range); i++) {
        if (l->patterns[i].role != role) {
            return bad(ini, s, "channels", err,
                       "one limit speaks of one kind of sensor, unless max is in % of range");
        }
    }
    if (l->measure == SM_MEASURE_CONING && role != SM_ROLE_GYRO) {
        return bad(ini, s, "measure", err, "coning is made by gyro channels: write mount.gyro.*");
    }
    if (l->measure == SM_MEASURE_PEAK && l->integrations) {
        return bad(ini, s, "as", err, "peak is of the raw channel: leave 'as' out");
    }
    if (l->integrations && l->measure == SM_MEASURE_RMS && l->hz_lo < 2) {
        return bad(ini, s, "hz", err, "integration needs a lower hz of at least 2");
    }
    return SM_OK;
}

sm_status sm_limit_from_ini(const sm_ini *ini, const sm_ini_section *s, double reserve_db,
                            sm_limit *out, sm_error *err)
{
    static const char *const keys[] = {"channels",   "measure", "hz", "max",   "pick",
                                       "reserve_db", "order",   "as", "curve", "axes"};
    static const char *const measures[] = {"rms",  "line",   "order", "psd",
                                           "peak", "coning", "level"};
    static const char *const picks[] = {"worst", "mean"};
    static const char *const axes[] = {"xyz", "any"};
    sm_limit l = {.hz_lo = NAN,
                  .hz_hi = NAN,
                  .max_si = NAN,
                  .max_of_range = NAN,
                  .reserve_db = reserve_db,
                  .line = s->line};
    const char *label = sm_ini_section_label(s, "limit");
    sm_text_inert(label, strlen(label), l.name, sizeof l.name);
    size_t measure = 0;
    size_t pick = 0;
    size_t any = 0;
    sm_status st = sm_ini_check_keys(ini, s, keys, COUNT(keys), err);
    st = st == SM_OK ? read_channels(ini, s, &l, err) : st;
    st = st == SM_OK && !sm_ini_find(s, "measure")
             ? bad(ini, s, "", err, "needs measure = rms, line, order, psd, peak, coning or level")
             : st;
    st = st == SM_OK
             ? sm_ini_get_choice(ini, s, "measure", measures, COUNT(measures), &measure, err)
             : st;
    st = st == SM_OK ? sm_ini_get_choice(ini, s, "pick", picks, 2, &pick, err) : st;
    st = st == SM_OK ? sm_ini_get_choice(ini, s, "axes", axes, 2, &any, err) : st;
    st = st == SM_OK ? sm_ini_get_number(ini, s, "reserve_db", 0, 60, &l.reserve_db, err) : st;
    l.measure = (sm_measure)measure;
    l.pick_mean = pick == 1;
    l.any_axes = any == 1;
    st = st == SM_OK ? read_as(ini, s, &l, err) : st;
    st = st == SM_OK ? read_range(ini, s, &l, err) : st;
    st = st == SM_OK ? read_order(ini, s, &l, err) : st;
    if (st == SM_OK) {
        st = l.measure == SM_MEASURE_PSD ? read_curve(ini, s, &l, err) : read_max(ini, s, &l, err);
    }
    st = st == SM_OK ? check_measure(ini, s, &l, err) : st;
    if (st == SM_OK) {
        *out = l;
    }
    return st;
}
