/* Geometry file: a body and the isolators under it. */
#include "core/util.h"
#include "stillmount/ini.h"
#include "stillmount/isolator.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

typedef struct unit_word {
    const char *name;
    double to_si;
} unit_word;

static const unit_word lengths[] = {{"mm", 1e-3}, {"cm", 1e-2}, {"m", 1}, {"in", 0.0254}, {0}};
static const unit_word masses[] = {{"kg", 1}, {"g", 1e-3}, {"lb", 0.45359237}, {0}};
static const unit_word inertias[] = {{"kg m^2", 1},   {"kg m2", 1},      {"kg*m^2", 1},
                                     {"g m^2", 1e-3}, {"kg mm^2", 1e-6}, {0}};
static const unit_word springs[] = {
    {"N/m", 1}, {"N/mm", 1e3}, {"kN/m", 1e3}, {"lb/in", 175.126835}, {0}};
static const unit_word none[] = {{"", 1}, {0}};

static sm_status fail(const sm_ini *ini, const sm_ini_entry *e, const char *want, sm_error *err)
{
    return sm_error_set(err, SM_E_VALUE, ini->source, e->line, "%s = %s: write %s", e->key,
                        e->value, want);
}

/* Between n_min and n_max numbers and a unit of the list; *n_got may be NULL. */
static sm_status take(const sm_ini *ini, const sm_ini_entry *e, const unit_word *units,
                      size_t n_min, size_t n_max, double *out, size_t *n_got, const char *want,
                      sm_error *err)
{
    const char *p = e->value;
    const char *end = p + strlen(p);
    double v[6];
    size_t n = 0;
    for (;;) {
        while (*p == ' ' || *p == '\t' || *p == ',') {
            p++;
        }
        double x = 0;
        const char *next = n < n_max ? sm_number_parse(p, end, '.', &x) : NULL;
        if (!next || !isfinite(x)) {
            break;
        }
        v[n++] = x;
        p = next;
    }
    const unit_word *u = units;
    while (u->name && strcmp(u->name, p) != 0) {
        u++;
    }
    if (n < n_min || !u->name) {
        return fail(ini, e, want, err);
    }
    for (size_t i = 0; i < n; i++) {
        out[i] = v[i] * u->to_si;
    }
    if (n_got) {
        *n_got = n;
    }
    return SM_OK;
}

static sm_status need(const sm_ini *ini, const sm_ini_section *s, const char *key,
                      const sm_ini_entry **e, sm_error *err)
{
    *e = sm_ini_find(s, key);
    return *e ? SM_OK
              : sm_error_set(err, SM_E_FORMAT, ini->source, s->line, "[%s] needs the key %s",
                             s->name, key);
}

static sm_status read_point(const sm_ini *ini, const sm_ini_section *s, const char *key,
                            double out[3], sm_error *err)
{
    const sm_ini_entry *e = sm_ini_find(s, key);
    return e ? take(ini, e, lengths, 3, 3, out, NULL, "three numbers and mm, cm, m or in", err)
             : SM_OK;
}

static sm_status read_body(const sm_ini *ini, sm_body *b, sm_error *err)
{
    static const char *const keys[] = {"mass", "inertia", "centre", "sensor", "base"};
    const sm_ini_section *s = sm_ini_section_find(ini, "body");
    if (!s) {
        return sm_error_set(err, SM_E_FORMAT, ini->source, 1,
                            "no [body] section: mass, inertia and centre are needed");
    }
    const sm_ini_entry *e = NULL;
    sm_status st = sm_ini_check_keys(ini, s, keys, sizeof keys / sizeof *keys, err);
    if (st == SM_OK && (st = need(ini, s, "mass", &e, err)) == SM_OK) {
        st = take(ini, e, masses, 1, 1, &b->mass_kg, NULL, "a number and kg, g or lb", err);
        st = st == SM_OK && !(b->mass_kg > 0) ? fail(ini, e, "a mass above 0", err) : st;
    }
    if (st == SM_OK && (st = need(ini, s, "inertia", &e, err)) == SM_OK) {
        size_t n = 0;
        const char *want = "three numbers xx yy zz (or six, with xy xz yz) and kg m^2";
        st = take(ini, e, inertias, 3, 6, b->inertia_kg_m2, &n, want, err);
        st = st == SM_OK && n != 3 && n != 6 ? fail(ini, e, want, err) : st;
    }
    st = st == SM_OK ? read_point(ini, s, "centre", b->centre_m, err) : st;
    memcpy(b->sensor_m, b->centre_m, sizeof b->sensor_m);
    st = st == SM_OK ? read_point(ini, s, "sensor", b->sensor_m, err) : st;
    return st == SM_OK ? read_point(ini, s, "base", b->base_m, err) : st;
}

/* One [isolator NAME]; ratio[axis] gets its damping as a fraction of critical. */
static sm_status read_foot(const sm_ini *ini, const sm_ini_section *s, sm_foot *foot, double *ratio,
                           sm_error *err)
{
    static const char *const keys[] = {"at", "stiffness", "damping"};
    const sm_ini_entry *e = NULL;
    size_t n = 0;
    sm_status st = sm_ini_check_keys(ini, s, keys, sizeof keys / sizeof *keys, err);
    if (st == SM_OK && (st = need(ini, s, "at", &e, err)) == SM_OK) {
        st = read_point(ini, s, "at", foot->at_m, err);
    }
    if (st == SM_OK && (st = need(ini, s, "stiffness", &e, err)) == SM_OK) {
        const char *want = "one number, or three for x y z, above 0, and N/m, N/mm or lb/in";
        st = take(ini, e, springs, 1, 3, foot->k_n_m, &n, want, err);
        if (st == SM_OK && n == 1) {
            foot->k_n_m[1] = foot->k_n_m[2] = foot->k_n_m[0];
        }
        for (int a = 0; a < 3 && st == SM_OK; a++) {
            st = n == 2 || !(foot->k_n_m[a] > 0) ? fail(ini, e, want, err) : SM_OK;
        }
    }
    if (st == SM_OK && (st = need(ini, s, "damping", &e, err)) == SM_OK) {
        const char *want = "a fraction of critical above 0 and below 2, for example 0.1";
        st = take(ini, e, none, 1, 1, ratio, NULL, want, err);
        st = st == SM_OK && !(*ratio > 0 && *ratio < 2) ? fail(ini, e, want, err) : st;
    }
    return st;
}

/* A ratio belongs to the whole mount: c = 2 z k / w, w of the body on all springs of that axis. */
static void spread_damping(sm_body *b, const double *ratio)
{
    for (int a = 0; a < 3; a++) {
        double k = 0;
        for (size_t f = 0; f < b->n_feet; f++) {
            k += b->feet[f].k_n_m[a];
        }
        double w = sqrt(k / b->mass_kg);
        for (size_t f = 0; f < b->n_feet; f++) {
            b->feet[f].c_n_s_m[a] = 2 * ratio[f] * b->feet[f].k_n_m[a] / w;
        }
    }
}

#define SOFTEST_HZ 0.5 /* sags 1 m */
#define MOST_TILT_DEG 15.0
#define MOST_MODE_DAMPING 10.0 /* the ratio asked for is below 2; levers make it larger */

/* A body that can be computed but not built: units mistaken, or the centre of mass out of place. */
static sm_status check_sane(const sm_body *b, sm_error *err)
{
    sm_mode modes[6];
    sm_status st = sm_body_modes(b, modes, err);
    if (st == SM_OK && modes[0].hz < SOFTEST_HZ) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0,
                            "%s comes out at %.2g Hz: no mount is that soft; check the units of "
                            "mass, inertia and stiffness, and where the centre of mass is",
                            modes[0].what, modes[0].hz);
    }
    for (int i = 0; i < 6 && st == SM_OK; i++) {
        if (modes[i].damping_ratio > MOST_MODE_DAMPING) {
            return sm_error_set(err, SM_E_VALUE, NULL, 0,
                                "%s comes out with a damping ratio of %.2g: the inertia is too "
                                "small for isolators that far apart; check the units of both",
                                modes[i].what, modes[i].damping_ratio);
        }
    }
    for (int axis = 0; axis < 3 && st == SM_OK; axis++) {
        double tilt[3] = {0};
        st = sm_body_tilt_per_g(b, axis, tilt, err);
        double deg = sqrt(tilt[0] * tilt[0] + tilt[1] * tilt[1] + tilt[2] * tilt[2]) * 180 / SM_PI;
        if (st == SM_OK && deg > MOST_TILT_DEG) {
            return sm_error_set(err, SM_E_VALUE, NULL, 0,
                                "1 g along %c would tilt the body by %.0f degrees: it falls over; "
                                "bring the isolators nearer to the height of the centre of mass, "
                                "further apart, or make them stiffer",
                                "xyz"[axis], deg);
        }
    }
    return st;
}

static sm_status read_all(const sm_ini *ini, sm_body *out, sm_error *err)
{
    static const char *const sections[] = {"body", "isolator "};
    sm_body b = {0};
    double ratio[SM_MAX_FEET] = {0};
    sm_status st = sm_ini_check_sections(ini, sections, 2, err);
    st = st == SM_OK ? read_body(ini, &b, err) : st;
    for (size_t i = 0; i < ini->n_sections && st == SM_OK; i++) {
        const sm_ini_section *s = &ini->sections[i];
        if (!sm_ini_section_label(s, "isolator")) {
            continue;
        }
        if (b.n_feet == SM_MAX_FEET) {
            return sm_error_set(err, SM_E_VALUE, ini->source, s->line,
                                "more than %d isolators: join neighbours into one", SM_MAX_FEET);
        }
        st = read_foot(ini, s, &b.feet[b.n_feet], &ratio[b.n_feet], err);
        b.n_feet++;
    }
    if (st != SM_OK) {
        return st;
    }
    spread_damping(&b, ratio);
    sm_error why = {0};
    st = sm_body_check(&b, &why);
    st = st == SM_OK ? check_sane(&b, &why) : st;
    if (st != SM_OK) {
        return sm_error_set(err, st, ini->source, 0, "%s", why.message);
    }
    *out = b;
    return SM_OK;
}

sm_status sm_body_parse(const char *text, size_t n, const char *source, sm_body *out, sm_error *err)
{
    sm_ini ini = {0};
    sm_status st = sm_ini_parse(text, n, source, &ini, err);
    st = st == SM_OK ? read_all(&ini, out, err) : st;
    sm_ini_free(&ini);
    return st;
}

sm_status sm_body_read(const char *path, sm_body *out, sm_error *err)
{
    sm_ini ini = {0};
    sm_status st = sm_ini_read(path, &ini, err);
    st = st == SM_OK ? read_all(&ini, out, err) : st;
    sm_ini_free(&ini);
    return st;
}
