/* Reads a budget file. */
#include "stillmount/budget.h"

#include "budget/limit.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>

#define COUNT(a) (sizeof(a) / sizeof((a)[0]))

/* "1800-5600 step 200" */
static bool read_rpm(const char *text, sm_budget *b)
{
    const char *end = text + strlen(text);
    const char *p = sm_number_range(text, end, &b->rpm_lo, &b->rpm_hi);
    if (!p) {
        return false;
    }
    p += strspn(p, " \t");
    b->step_rpm = 200;
    if (strncmp(p, "step", 4) == 0) {
        p = sm_number_parse(p + 4 + strspn(p + 4, " \t"), end, '.', &b->step_rpm);
    }
    return p && *p == '\0' && b->rpm_lo >= 0 && b->rpm_hi > b->rpm_lo && b->step_rpm >= 1 &&
           (b->rpm_hi - b->rpm_lo) / b->step_rpm <= SM_MAX_BANDS;
}

static sm_status at(const sm_ini *ini, const sm_ini_section *s, const char *key, sm_error *err,
                    const char *text)
{
    const sm_ini_entry *e = sm_ini_find(s, key);
    return sm_error_set(err, SM_E_VALUE, ini->source, e ? e->line : s->line, "%s", text);
}

static sm_status read_head(const sm_ini *ini, const sm_ini_section *s, sm_budget *b, sm_error *err)
{
    const sm_ini_entry *source = sm_ini_find(s, "source");
    const sm_ini_entry *rpm = sm_ini_find(s, "rpm");
    const sm_ini_entry *name = sm_ini_find(s, "name");
    if (!source || !source->value[0]) {
        return at(ini, s, "source", err,
                  "[budget] needs source = whose limits these are: document and page, 'invented', "
                  "or 'relative'");
    }
    if (!rpm || !read_rpm(rpm->value, b)) {
        return at(ini, s, "rpm", err,
                  "[budget] needs rpm = LOW-HIGH step WIDTH, like 1800-5600 step 200 (at most 400 "
                  "bands)");
    }
    const char *text = name ? name->value : "unnamed budget";
    sm_text_inert(text, strlen(text), b->name, sizeof b->name);
    sm_text_inert(source->value, strlen(source->value), b->source, sizeof b->source);
    const char *word = b->source + strspn(b->source, "\"' ");
    b->is_invented = strncasecmp(word, "invented", 8) == 0;
    b->is_relative = strncasecmp(word, "relative", 8) == 0;
    b->required_lo = b->rpm_lo;
    b->required_hi = b->rpm_hi;
    sm_status st = sm_ini_get_range(ini, s, "required", &b->required_lo, &b->required_hi, err);
    if (st == SM_OK && (b->required_lo < b->rpm_lo || b->required_hi > b->rpm_hi)) {
        st = at(
            ini, s, "required", err,
            "[budget] required reaches beyond rpm: bands that are not there cannot be asked for");
    }
    return st;
}

static sm_status read_budget(const sm_ini *ini, sm_budget *b, double *reserve_db, sm_error *err)
{
    static const char *const keys[] = {"name",      "source",     "kind",
                                       "rpm",       "required",   "min_seconds",
                                       "min_turns", "min_passes", "reserve_db"};
    static const char *const kinds[] = {"limits", "reference"};
    const sm_ini_section *s = sm_ini_section_find(ini, "budget");
    if (!s) {
        return sm_error_set(err, SM_E_FORMAT, ini->source, 1,
                            "no [budget] section: this is not a budget file");
    }
    size_t kind = 0;
    sm_status st = sm_ini_check_keys(ini, s, keys, COUNT(keys), err);
    st = st == SM_OK ? read_head(ini, s, b, err) : st;
    st = st == SM_OK ? sm_ini_get_choice(ini, s, "kind", kinds, 2, &kind, err) : st;
    st = st == SM_OK ? sm_ini_get_number(ini, s, "min_seconds", 0, 3600, &b->min_seconds, err) : st;
    st = st == SM_OK ? sm_ini_get_number(ini, s, "min_turns", 0, 1e6, &b->min_turns, err) : st;
    st = st == SM_OK ? sm_ini_get_integer(ini, s, "min_passes", 1, 100, &b->min_passes, err) : st;
    st = st == SM_OK ? sm_ini_get_number(ini, s, "reserve_db", 0, 60, reserve_db, err) : st;
    b->is_reference = kind == 1;
    return st;
}

static sm_status from_ini(const sm_ini *ini, sm_budget *out, sm_error *err)
{
    static const char *const sections[] = {"budget", "limit "};
    sm_budget b = {.min_seconds = 2, .min_passes = 1, .has_limits = true};
    double reserve_db = 6;
    sm_status st = sm_ini_check_sections(ini, sections, COUNT(sections), err);
    st = st == SM_OK ? read_budget(ini, &b, &reserve_db, err) : st;
    for (size_t i = 0; i < ini->n_sections && st == SM_OK; i++) {
        const sm_ini_section *s = &ini->sections[i];
        if (!sm_ini_section_label(s, "limit")) {
            continue;
        }
        if (b.n_limits == SM_MAX_LIMITS) {
            return sm_error_set(err, SM_E_FORMAT, ini->source, s->line, "more than %d limits",
                                SM_MAX_LIMITS);
        }
        st = sm_limit_from_ini(ini, s, reserve_db, &b.limits[b.n_limits++], err);
    }
    if (st == SM_OK && b.n_limits == 0) {
        st = sm_error_set(err, SM_E_FORMAT, ini->source, 1,
                          "no [limit NAME] section: nothing to keep");
    }
    if (st == SM_OK) {
        *out = b;
    }
    return st;
}

sm_status sm_budget_read(const char *path, sm_budget *out, sm_error *err)
{
    sm_ini ini = {0};
    sm_status st = sm_ini_read(path, &ini, err);
    if (st == SM_OK) {
        st = from_ini(&ini, out, err);
        sm_ini_free(&ini);
    }
    return st;
}

sm_status sm_budget_parse(const char *text, size_t n, const char *source, sm_budget *out,
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
