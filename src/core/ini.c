/*
 * INI reader. A small one of our own: the library for the job splits lines at 200 bytes, takes ':'
 * for '=', lets duplicates pass and reports no lines, and every one of those would hide a mistake.
 */
#include "stillmount/ini.h"

#include "core/alloc.h"
#include "core/file.h"

#include <math.h>
#include <string.h>

enum { LINE_MAX_BYTES = 65536 };

static bool is_blank(char c)
{
    return c == ' ' || c == '\t' || c == '\r';
}

static void trim(const char **s, size_t *n)
{
    while (*n && is_blank(**s)) {
        (*s)++;
        (*n)--;
    }
    while (*n && is_blank((*s)[*n - 1])) {
        (*n)--;
    }
}

/* Length of the line without its comment. */
static size_t strip_comment(const char *s, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        if ((s[i] == '#' || s[i] == ';') && (i == 0 || is_blank(s[i - 1]))) {
            return i;
        }
    }
    return n;
}

static sm_status add_section(sm_ini *ini, size_t *capacity, const char *name, size_t n, long line,
                             sm_error *err)
{
    char *copy = sm_alloc_text_n(name, n);
    sm_ini_section *sections =
        copy ? sm_grow(ini->sections, ini->n_sections, capacity, sizeof *ini->sections) : NULL;
    if (!sections) {
        sm_free(copy);
        return sm_error_set(err, SM_E_NOMEM, ini->source, line, "out of memory");
    }
    ini->sections = sections;
    const sm_ini_section *twin = sm_ini_section_find(ini, copy);
    if (twin) {
        sm_status st = sm_error_set(err, SM_E_FORMAT, ini->source, line,
                                    "section [%s] was already given in line %ld: join the two",
                                    copy, twin->line);
        sm_free(copy);
        return st;
    }
    sections[ini->n_sections++] = (sm_ini_section){.name = copy, .line = line};
    return SM_OK;
}

static sm_status add_entry(sm_ini *ini, sm_ini_section *section, size_t *capacity, const char *key,
                           size_t n_key, const char *value, size_t n_value, long line,
                           sm_error *err)
{
    char *k = sm_alloc_text_n(key, n_key);
    char *v = sm_alloc_text_n(value, n_value);
    sm_ini_entry *entries =
        k && v ? sm_grow(section->entries, section->n_entries, capacity, sizeof *entries) : NULL;
    sm_status st = SM_OK;
    if (!entries) {
        st = sm_error_set(err, SM_E_NOMEM, ini->source, line, "out of memory");
        goto done;
    }
    section->entries = entries;
    const sm_ini_entry *twin = sm_ini_find(section, k);
    if (twin) {
        st = sm_error_set(err, SM_E_FORMAT, ini->source, line,
                          "'%s' was already given in line %ld: keep one of them", k, twin->line);
        goto done;
    }
    entries[section->n_entries++] = (sm_ini_entry){.key = k, .value = v, .line = line};
    k = NULL;
    v = NULL;
done:
    sm_free(k);
    sm_free(v);
    return st;
}

static sm_status parse_line(sm_ini *ini, size_t *n_room, size_t *e_room, const char *s, size_t n,
                            long line, sm_error *err)
{
    if (n > LINE_MAX_BYTES) {
        return sm_error_set(err, SM_E_FORMAT, ini->source, line, "line is longer than 64 KiB");
    }
    if (memchr(s, '\0', n)) {
        return sm_error_set(err, SM_E_FORMAT, ini->source, line,
                            "a NUL byte: this is not a text file");
    }
    n = strip_comment(s, n);
    trim(&s, &n);
    if (n == 0) {
        return SM_OK;
    }
    if (s[0] == '[') {
        if (s[n - 1] != ']') {
            return sm_error_set(err, SM_E_FORMAT, ini->source, line,
                                "section without a closing ']'");
        }
        s++;
        n -= 2;
        trim(&s, &n);
        *e_room = 0;
        return add_section(ini, n_room, s, n, line, err);
    }
    const char *eq = memchr(s, '=', n);
    if (!eq) {
        return sm_error_set(
            err, SM_E_FORMAT, ini->source, line,
            "%sexpected 'key = value' or '[section]', found '%.*s'",
            ini->n_sections ? "" : "this is no settings file (INI): ", (int)(n > 60 ? 60 : n), s);
    }
    if (ini->n_sections == 0) {
        return sm_error_set(err, SM_E_FORMAT, ini->source, line,
                            "'key = value' before the first [section]");
    }
    const char *key = s;
    size_t n_key = (size_t)(eq - s);
    const char *value = eq + 1;
    size_t n_value = n - n_key - 1;
    trim(&key, &n_key);
    trim(&value, &n_value);
    if (n_key == 0) {
        return sm_error_set(err, SM_E_FORMAT, ini->source, line, "nothing before the '='");
    }
    return add_entry(ini, &ini->sections[ini->n_sections - 1], e_room, key, n_key, value, n_value,
                     line, err);
}

sm_status sm_ini_parse(const char *text, size_t n, const char *source, sm_ini *out, sm_error *err)
{
    sm_ini ini = {.source = sm_alloc_text(source ? source : "")};
    if (!ini.source) {
        return sm_error_set(err, SM_E_NOMEM, source, 0, "out of memory");
    }
    size_t i = n >= 3 && memcmp(text, "\xef\xbb\xbf", 3) == 0 ? 3 : 0;
    size_t n_room = 0;
    size_t e_room = 0;
    sm_status st = SM_OK;
    for (long line = 1; i < n && st == SM_OK; line++) {
        const char *nl = memchr(text + i, '\n', n - i);
        size_t len = nl ? (size_t)(nl - (text + i)) : n - i;
        st = parse_line(&ini, &n_room, &e_room, text + i, len, line, err);
        i += len + 1;
    }
    if (st == SM_OK) {
        *out = ini;
    } else {
        sm_ini_free(&ini);
    }
    return st;
}

sm_status sm_ini_read(const char *path, sm_ini *out, sm_error *err)
{
    char *text = NULL;
    size_t n = 0;
    sm_status st = sm_file_load(path, (size_t)16 << 20, &text, &n, err);
    if (st == SM_OK) {
        st = sm_ini_parse(text, n, path, out, err);
    }
    sm_free(text);
    return st;
}

void sm_ini_free(sm_ini *ini)
{
    for (size_t i = 0; i < ini->n_sections; i++) {
        sm_ini_section *s = &ini->sections[i];
        for (size_t j = 0; j < s->n_entries; j++) {
            sm_free(s->entries[j].key);
            sm_free(s->entries[j].value);
        }
        sm_free(s->entries);
        sm_free(s->name);
    }
    sm_free(ini->sections);
    sm_free(ini->source);
    *ini = (sm_ini){0};
}

const sm_ini_section *sm_ini_section_find(const sm_ini *ini, const char *name)
{
    for (size_t i = 0; i < ini->n_sections; i++) {
        if (strcmp(ini->sections[i].name, name) == 0) {
            return &ini->sections[i];
        }
    }
    return NULL;
}

const sm_ini_entry *sm_ini_find(const sm_ini_section *section, const char *key)
{
    for (size_t i = 0; section && i < section->n_entries; i++) {
        if (strcmp(section->entries[i].key, key) == 0) {
            return &section->entries[i];
        }
    }
    return NULL;
}

const char *sm_ini_section_label(const sm_ini_section *section, const char *kind)
{
    size_t n = strlen(kind);
    if (strncmp(section->name, kind, n) != 0 || section->name[n] != ' ') {
        return NULL;
    }
    const char *label = section->name + n;
    while (*label == ' ' || *label == '\t') {
        label++;
    }
    return *label ? label : NULL;
}

sm_status sm_ini_check_keys(const sm_ini *ini, const sm_ini_section *section,
                            const char *const *known, size_t n, sm_error *err)
{
    for (size_t i = 0; section && i < section->n_entries; i++) {
        const sm_ini_entry *e = &section->entries[i];
        size_t k = 0;
        while (k < n && strcmp(known[k], e->key) != 0) {
            k++;
        }
        if (k < n) {
            continue;
        }
        const char *near = sm_text_nearest(e->key, known, n);
        return sm_error_set(err, SM_E_FORMAT, ini->source, e->line,
                            "unknown key '%s' in [%s]%s%s%s", e->key, section->name,
                            near ? ": did you mean '" : "", near ? near : "", near ? "'?" : "");
    }
    return SM_OK;
}

/* What a file is, by a section that only this kind has; scenarios share sections with others. */
typedef struct file_kind {
    const char *section; /* with a blank behind it: a labelled one */
    const char *words;
} file_kind;

static const file_kind kinds[] = {
    {"scenario", "a scenario, for simulate"},
    {"powertrain", "a powertrain file, for --powertrain"},
    {"propeller", "a powertrain file, for --powertrain"},
    {"budget", "a budget file, for --budget"},
    {"column ", "a channels file, for --channels"},
    {"orientation ", "a channels file, for --channels"},
    {"run", "a run file, which stands in place of a log"},
    {"hold", "a criteria file, for hold --criteria"},
    {"sensor", "a sensor file, for drift --sensor"},
    {"body", "a body on its isolators, for isolator --geometry"},
    {"job", "a balance job, for balance --job"},
};

static bool is_section(const char *name, const char *known)
{
    size_t len = strlen(known);
    bool labelled = len && known[len - 1] == ' ';
    return labelled ? strncmp(name, known, len) == 0 && name[len] != '\0'
                    : strcmp(name, known) == 0;
}

static const char *kind_of(const sm_ini *ini)
{
    for (size_t k = 0; k < sizeof kinds / sizeof *kinds; k++) {
        for (size_t i = 0; i < ini->n_sections; i++) {
            if (is_section(ini->sections[i].name, kinds[k].section)) {
                return kinds[k].words;
            }
        }
    }
    return NULL;
}

/* The kind of file whose sections are the known ones. */
static const char *wanted_kind(const char *const *known, size_t n)
{
    for (size_t k = 0; k < sizeof kinds / sizeof *kinds; k++) {
        for (size_t i = 0; i < n; i++) {
            if (strcmp(known[i], kinds[k].section) == 0) {
                return kinds[k].words;
            }
        }
    }
    return NULL;
}

/* The known name nearest to a section's, or to its first word with the blank behind it. */
static const char *nearest_section(const char *name, const char *const *known, size_t n)
{
    char kind[64];
    size_t word = strcspn(name, " ");
    if (name[word] != ' ' || word + 2 > sizeof kind) {
        return sm_text_nearest(name, known, n);
    }
    memcpy(kind, name, word + 1);
    kind[word + 1] = '\0';
    return sm_text_nearest(kind, known, n);
}

sm_status sm_ini_check_sections(const sm_ini *ini, const char *const *known, size_t n,
                                sm_error *err)
{
    for (size_t i = 0; i < ini->n_sections; i++) {
        const sm_ini_section *s = &ini->sections[i];
        bool found = false;
        for (size_t k = 0; k < n && !found; k++) {
            found = is_section(s->name, known[k]);
        }
        if (found) {
            continue;
        }
        const char *is = kind_of(ini);
        const char *wanted = wanted_kind(known, n);
        if (is && wanted && strcmp(is, wanted) != 0) {
            return sm_error_set(err, SM_E_FORMAT, ini->source, s->line,
                                "unknown section [%s]: this is %s; wanted here is %s", s->name, is,
                                wanted);
        }
        const char *near = nearest_section(s->name, known, n);
        bool labelled = near && near[strlen(near) - 1] == ' ';
        return sm_error_set(err, SM_E_FORMAT, ini->source, s->line, "unknown section [%s]%s%s%s",
                            s->name, near ? ": did you mean [" : "", near ? near : "",
                            labelled ? "NAME]?"
                            : near   ? "]?"
                                     : "");
    }
    return SM_OK;
}

sm_status sm_ini_get_number(const sm_ini *ini, const sm_ini_section *section, const char *key,
                            double lo, double hi, double *out, sm_error *err)
{
    const sm_ini_entry *e = sm_ini_find(section, key);
    if (!e) {
        return SM_OK;
    }
    double v;
    if (!sm_number_read(e->value, &v) || !(v >= lo && v <= hi)) {
        return sm_error_set(err, SM_E_VALUE, ini->source, e->line,
                            "'%s = %.60s': a number from %g to %g is needed%s", key, e->value, lo,
                            hi, sm_number_comma(e->value));
    }
    *out = v;
    return SM_OK;
}

sm_status sm_ini_get_integer(const sm_ini *ini, const sm_ini_section *section, const char *key,
                             long lo, long hi, long *out, sm_error *err)
{
    double v = (double)*out;
    const sm_ini_entry *e = sm_ini_find(section, key);
    sm_status st = sm_ini_get_number(ini, section, key, (double)lo, (double)hi, &v, err);
    if (st != SM_OK || !e) {
        return st;
    }
    if (v != floor(v)) {
        return sm_error_set(err, SM_E_VALUE, ini->source, e->line,
                            "'%s = %.60s': a whole number is needed", key, e->value);
    }
    *out = (long)v;
    return SM_OK;
}

sm_status sm_ini_get_bool(const sm_ini *ini, const sm_ini_section *section, const char *key,
                          bool *out, sm_error *err)
{
    static const char *const words[] = {"no", "yes", "false", "true", "off", "on", "0", "1"};
    size_t i = 0;
    const sm_ini_entry *e = sm_ini_find(section, key);
    sm_status st = sm_ini_get_choice(ini, section, key, words, 8, &i, err);
    if (st == SM_OK && e) {
        *out = i % 2 == 1;
    }
    return st;
}

sm_status sm_ini_get_ratio(const sm_ini *ini, const sm_ini_section *section, const char *key,
                           sm_ratio *out, sm_error *err)
{
    const sm_ini_entry *e = sm_ini_find(section, key);
    if (!e) {
        return SM_OK;
    }
    if (sm_ratio_read(e->value, out) != SM_OK) {
        return sm_error_set(err, SM_E_VALUE, ini->source, e->line,
                            "'%s = %.60s': a ratio above 0 is needed, like 51/21 or 2.43%s", key,
                            e->value, sm_number_comma(e->value));
    }
    return SM_OK;
}

sm_status sm_ini_get_range(const sm_ini *ini, const sm_ini_section *section, const char *key,
                           double *lo, double *hi, sm_error *err)
{
    const sm_ini_entry *e = sm_ini_find(section, key);
    if (!e) {
        return SM_OK;
    }
    const char *end = e->value + strlen(e->value);
    double a;
    double b;
    const char *p = sm_number_range(e->value, end, &a, &b);
    if (!p || p != end || !(a < b)) {
        return sm_error_set(err, SM_E_VALUE, ini->source, e->line,
                            "'%s = %.60s': a range 'low-high' is needed, like 5-200%s", key,
                            e->value, sm_number_comma(e->value));
    }
    *lo = a;
    *hi = b;
    return SM_OK;
}

sm_status sm_ini_get_choice(const sm_ini *ini, const sm_ini_section *section, const char *key,
                            const char *const *choices, size_t n, size_t *out, sm_error *err)
{
    const sm_ini_entry *e = sm_ini_find(section, key);
    if (!e) {
        return SM_OK;
    }
    for (size_t i = 0; i < n; i++) {
        if (strcmp(choices[i], e->value) == 0) {
            *out = i;
            return SM_OK;
        }
    }
    sm_text list = {0};
    for (size_t i = 0; i < n; i++) {
        sm_text_addf(&list, "%s%s", i ? ", " : "", choices[i]);
    }
    sm_status st =
        sm_error_set(err, SM_E_VALUE, ini->source, e->line, "'%s = %.60s': one of %s is needed",
                     key, e->value, list.s ? list.s : "the known words");
    sm_text_free(&list);
    return st;
}
