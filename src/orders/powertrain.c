/* Reads a powertrain file. */
#include "stillmount/powertrain.h"

#include "stillmount/ini.h"

#include <math.h>
#include <string.h>

#define COUNT(a) (sizeof(a) / sizeof((a)[0]))

static sm_status bad(const sm_ini *ini, const sm_ini_section *s, const char *key, sm_error *err,
                     const char *text)
{
    const sm_ini_entry *e = sm_ini_find(s, key);
    return sm_error_set(err, SM_E_VALUE, ini->source, e ? e->line : s ? s->line : 0, "%s", text);
}

static sm_status read_head(const sm_ini *ini, sm_powertrain *p, sm_error *err)
{
    static const char *const keys[] = {"name", "rpm_of"};
    static const char *const shafts[] = {"crank", "prop"};
    const sm_ini_section *s = sm_ini_section_find(ini, "powertrain");
    if (!s) {
        return sm_error_set(err, SM_E_FORMAT, ini->source, 1,
                            "no [powertrain] section: a powertrain file begins with [powertrain], "
                            "below it name = ..., then [engine], [gearbox], [propeller]");
    }
    sm_status st = sm_ini_check_keys(ini, s, keys, COUNT(keys), err);
    bool one_shaft = !p->has_propeller && !p->has_gearbox; /* a bare motor: it is the drive's */
    size_t shaft = p->has_engine || one_shaft ? SM_SHAFT_CRANK : SM_SHAFT_PROP;
    if (st == SM_OK) {
        st = sm_ini_get_choice(ini, s, "rpm_of", shafts, 2, &shaft, err);
    }
    if (st != SM_OK) {
        return st;
    }
    const sm_ini_entry *name = sm_ini_find(s, "name");
    const char *text = name ? name->value : "unnamed powertrain";
    sm_text_inert(text, strlen(text), p->name, sizeof p->name);
    p->rpm_of = (sm_shaft)shaft;
    if (sm_ini_find(s, "rpm_of") && shaft == SM_SHAFT_PROP && !p->has_propeller &&
        !p->has_gearbox) {
        return bad(ini, s, "rpm_of", err,
                   "rpm_of = prop, but there is neither a [propeller] nor a [gearbox]");
    }
    return SM_OK;
}

static sm_status read_firing_angles(const sm_ini *ini, const sm_ini_section *s, sm_powertrain *p,
                                    sm_error *err)
{
    const sm_ini_entry *e = sm_ini_find(s, "firing_angles");
    const char *q = e ? e->value : "";
    const char *end = q + strlen(q);
    double cycle = p->strokes == 4 ? 720 : 360;
    while (q < end) {
        double v;
        const char *next = sm_number_parse(q, end, '.', &v);
        if (!next || !(v >= 0 && v < cycle) || p->n_firings == SM_MAX_FIRINGS) {
            return bad(ini, s, "firing_angles", err,
                       "firing_angles: crank degrees of the cycle are needed, like 0 180 360 540");
        }
        p->firing_deg[p->n_firings++] = v;
        q = next + strspn(next, " \t,");
    }
    if (e && (long)p->n_firings != p->cylinders) {
        return bad(ini, s, "firing_angles", err, "firing_angles: one angle per cylinder is needed");
    }
    return SM_OK;
}

static sm_status read_engine(const sm_ini *ini, sm_powertrain *p, sm_error *err)
{
    static const char *const keys[] = {"cycle", "cylinders", "layout", "firing_angles"};
    static const char *const cycles[] = {"four-stroke", "two-stroke"};
    const sm_ini_section *s = sm_ini_section_find(ini, "engine");
    if (!s) {
        return SM_OK;
    }
    size_t cycle = 0;
    sm_status st = sm_ini_check_keys(ini, s, keys, COUNT(keys), err);
    if (st == SM_OK) {
        st = sm_ini_get_choice(ini, s, "cycle", cycles, 2, &cycle, err);
    }
    if (st == SM_OK) {
        st = sm_ini_get_integer(ini, s, "cylinders", 1, 36, &p->cylinders, err);
    }
    if (st == SM_OK && p->cylinders == 0) {
        st = bad(ini, s, "", err, "[engine] needs cylinders = N");
    }
    p->has_engine = true;
    p->strokes = cycle == 0 ? 4 : 2;
    return st == SM_OK ? read_firing_angles(ini, s, p, err) : st;
}

static sm_status read_gearbox(const sm_ini *ini, sm_powertrain *p, sm_error *err)
{
    static const char *const keys[] = {"ratio"};
    const sm_ini_section *s = sm_ini_section_find(ini, "gearbox");
    p->gear = (sm_ratio){1, 1};
    if (!s) {
        return SM_OK;
    }
    sm_status st = sm_ini_check_keys(ini, s, keys, COUNT(keys), err);
    if (st == SM_OK) {
        st = sm_ini_get_ratio(ini, s, "ratio", &p->gear, err);
    }
    if (st != SM_OK) {
        return st;
    }
    const sm_ini_entry *e = sm_ini_find(s, "ratio");
    double v = sm_ratio_value(p->gear);
    if (!e || v < 0.2 || v > 20) {
        return bad(ini, s, "ratio", err,
                   "[gearbox] ratio: crank revolutions per propeller revolution, between 0.2 and "
                   "20, like 51/21; leave [gearbox] out when direct");
    }
    p->has_gearbox = true;
    p->gear_has_teeth = strchr(e->value, '/') && p->gear.den >= 6 && p->gear.num >= 6;
    return SM_OK;
}

static sm_status read_propeller(const sm_ini *ini, sm_powertrain *p, sm_error *err)
{
    static const char *const keys[] = {"blades", "type"};
    static const char *const types[] = {"fixed", "constant-speed"};
    const sm_ini_section *s = sm_ini_section_find(ini, "propeller");
    if (!s) {
        return SM_OK;
    }
    size_t type = 0;
    sm_status st = sm_ini_check_keys(ini, s, keys, COUNT(keys), err);
    if (st == SM_OK) {
        st = sm_ini_get_integer(ini, s, "blades", 1, 12, &p->blades, err);
    }
    if (st == SM_OK) {
        st = sm_ini_get_choice(ini, s, "type", types, 2, &type, err);
    }
    if (st == SM_OK && p->blades == 0) {
        st = bad(ini, s, "", err, "[propeller] needs blades = N");
    }
    p->has_propeller = true;
    p->constant_speed = type == 1;
    return st;
}

static sm_status read_motor(const sm_ini *ini, sm_powertrain *p, sm_error *err)
{
    static const char *const keys[] = {"pole_pairs", "slots"};
    const sm_ini_section *s = sm_ini_section_find(ini, "motor");
    sm_status st = sm_ini_check_keys(ini, s, keys, COUNT(keys), err);
    if (st == SM_OK) {
        st = sm_ini_get_integer(ini, s, "pole_pairs", 1, 64, &p->pole_pairs, err);
    }
    return st == SM_OK ? sm_ini_get_integer(ini, s, "slots", 1, 256, &p->slots, err) : st;
}

/* "3 %" or "0.03" */
static sm_status read_slip(const sm_ini *ini, const sm_ini_section *s, double *out, sm_error *err)
{
    const sm_ini_entry *e = sm_ini_find(s, "slip");
    if (!e) {
        return SM_OK;
    }
    double v = 0;
    const char *q = sm_number_parse(e->value, e->value + strlen(e->value), '.', &v);
    while (q && *q == ' ') {
        q++;
    }
    if (q && *q == '%') {
        v /= 100;
        q++;
    }
    if (!q || *q || !(v >= 0 && v <= 0.2)) {
        return bad(ini, s, "slip", err, "slip: a share like 3 % is needed, at most 20 %");
    }
    *out = v;
    return SM_OK;
}

static sm_status read_accessory(const sm_ini *ini, const sm_ini_section *s, const char *label,
                                sm_accessory *a, sm_error *err)
{
    static const char *const keys[] = {"ratio", "slip", "independent"};
    sm_text_inert(label, strlen(label), a->name, sizeof a->name);
    sm_status st = sm_ini_check_keys(ini, s, keys, COUNT(keys), err);
    if (st == SM_OK) {
        st = sm_ini_get_ratio(ini, s, "ratio", &a->ratio, err);
    }
    if (st == SM_OK) {
        st = read_slip(ini, s, &a->slip, err);
    }
    if (st == SM_OK) {
        st = sm_ini_get_bool(ini, s, "independent", &a->independent, err);
    }
    double v = a->ratio.num ? sm_ratio_value(a->ratio) : 0;
    if (st == SM_OK && !a->independent && !(v >= 0.01 && v <= 100)) {
        st = bad(ini, s, "ratio", err,
                 "[shaft ...] needs ratio = crank revolutions per revolution of this shaft (0.01 "
                 "to 100), or independent = yes");
    }
    return st;
}

static sm_status read_accessories(const sm_ini *ini, sm_powertrain *p, sm_error *err)
{
    for (size_t i = 0; i < ini->n_sections; i++) {
        const sm_ini_section *s = &ini->sections[i];
        const char *label = sm_ini_section_label(s, "shaft");
        if (!label) {
            continue;
        }
        if (p->n_accessories == SM_MAX_ACCESSORIES) {
            return bad(ini, s, "", err, "more than 16 [shaft ...] sections");
        }
        sm_status st = read_accessory(ini, s, label, &p->accessories[p->n_accessories++], err);
        if (st != SM_OK) {
            return st;
        }
    }
    return SM_OK;
}

static sm_status read_avoid(const sm_ini *ini, const sm_ini_section *s, sm_powertrain *p,
                            sm_error *err)
{
    const sm_ini_entry *e = sm_ini_find(s, "avoid");
    const char *q = e ? e->value : "";
    const char *end = q + strlen(q);
    while (q < end) {
        double lo;
        double hi = 0;
        const char *next = sm_number_range(q, end, &lo, &hi);
        if (!next || !(lo < hi) || p->n_avoid == SM_MAX_AVOID) {
            return bad(ini, s, "avoid", err, "avoid: ranges like 1200-1750, 2000-2100 are needed");
        }
        p->avoid_rpm[p->n_avoid][0] = lo;
        p->avoid_rpm[p->n_avoid++][1] = hi;
        q = next + strspn(next, " \t,");
    }
    return SM_OK;
}

static sm_status read_operating(const sm_ini *ini, sm_powertrain *p, sm_error *err)
{
    static const char *const keys[] = {"idle", "max", "avoid", "full_power_seconds"};
    const sm_ini_section *s = sm_ini_section_find(ini, "operating");
    sm_status st = sm_ini_check_keys(ini, s, keys, COUNT(keys), err);
    if (st == SM_OK) {
        st = sm_ini_get_number(ini, s, "idle", 1, 60000, &p->idle_rpm, err);
    }
    if (st == SM_OK) {
        st = sm_ini_get_number(ini, s, "max", 1, 60000, &p->max_rpm, err);
    }
    if (st == SM_OK) {
        st = sm_ini_get_number(ini, s, "full_power_seconds", 0, 3600, &p->full_power_s, err);
    }
    if (st == SM_OK && p->idle_rpm >= p->max_rpm) {
        st = bad(ini, s, "max", err, "[operating] max must be above idle");
    }
    return st == SM_OK ? read_avoid(ini, s, p, err) : st;
}

static sm_status read_all(const sm_ini *ini, sm_powertrain *p, sm_error *err)
{
    static const char *const sections[] = {"powertrain", "engine", "gearbox",  "propeller",
                                           "motor",      "shaft ", "operating"};
    typedef sm_status (*part)(const sm_ini *, sm_powertrain *, sm_error *);
    static const part parts[] = {read_engine, read_gearbox,     read_propeller, read_motor,
                                 read_head,   read_accessories, read_operating};
    sm_status st = sm_ini_check_sections(ini, sections, COUNT(sections), err);
    for (size_t i = 0; i < COUNT(parts) && st == SM_OK; i++) {
        st = parts[i](ini, p, err);
    }
    if (st == SM_OK && !p->has_engine && !p->has_propeller && !sm_ini_section_find(ini, "motor")) {
        return sm_error_set(err, SM_E_VALUE, ini->source, 1,
                            "neither [engine] nor [propeller]: nothing turns; for a motor or a "
                            "shaft alone write [motor]");
    }
    return st;
}

static sm_status from_ini(const sm_ini *ini, sm_powertrain *out, sm_error *err)
{
    sm_powertrain p = {.idle_rpm = NAN, .max_rpm = NAN, .full_power_s = NAN};
    sm_status st = read_all(ini, &p, err);
    if (st == SM_OK) {
        *out = p;
    }
    return st;
}

sm_status sm_powertrain_read(const char *path, sm_powertrain *out, sm_error *err)
{
    sm_ini ini = {0};
    sm_status st = sm_ini_read(path, &ini, err);
    if (st == SM_OK) {
        st = from_ini(&ini, out, err);
        sm_ini_free(&ini);
    }
    return st;
}

sm_status sm_powertrain_parse(const char *text, size_t n, const char *source, sm_powertrain *out,
                              sm_error *err)
{
    sm_ini ini = {0};
    sm_status st = sm_ini_parse(text, n, source, &ini, err);
    if (st == SM_OK) {
        st = from_ini(&ini, out, err);
        sm_ini_free(&ini);
    }
    return st;
}

double sm_powertrain_reference_per(const sm_powertrain *p, sm_shaft shaft)
{
    double gear = sm_ratio_value(p->gear);
    if (p->has_engine) {
        return shaft == SM_SHAFT_CRANK ? 1.0 : gear;
    }
    return shaft == SM_SHAFT_PROP ? 1.0 : 1.0 / gear;
}
