/* See the header. Names in a run file are relative to its folder. */
#include "timebase/run_file.h"

#include "core/alloc.h"
#include "stillmount/ini.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>

#define COUNT(a) (sizeof(a) / sizeof((a)[0]))

sm_status sm_run_file_is(const char *path, bool *out, sm_error *err)
{
    (void)err;
    struct stat s;
    char head[4096];
    *out = false;
    if (strcmp(path, "-") == 0 || stat(path, &s) != 0 || !S_ISREG(s.st_mode)) {
        return SM_OK; /* whoever opens it says what is wrong */
    }
    FILE *f = fopen(path, "rb");
    if (!f) {
        return SM_OK;
    }
    size_t n = fread(head, 1, sizeof head - 1, f);
    (void)fclose(f);
    head[n] = '\0';
    const char *p = head;
    if (n >= 3 && memcmp(p, "\xef\xbb\xbf", 3) == 0) {
        p += 3;
    }
    for (;;) {
        p += strspn(p, " \t\r\n");
        if (*p != '#' && *p != ';') {
            break;
        }
        p += strcspn(p, "\n");
    }
    if (*p == '[') {
        p += 1 + strspn(p + 1, " \t");
        *out = strncmp(p, "run", 3) == 0 && p[3 + strspn(p + 3, " \t")] == ']';
    }
    return SM_OK;
}

static char *beside(const char *path, const char *name)
{
    size_t folder = (size_t)(sm_file_name(path) - path);
    sm_text t = {0};
    if (name[0] != '/') {
        sm_text_add_n(&t, path, folder);
    }
    sm_text_add(&t, name);
    char *copy = t.failed ? NULL : sm_alloc_text(t.s);
    sm_text_free(&t);
    return copy;
}

static sm_status open_pulses(sm_source *s, const sm_ini_section *section, const char *path,
                             const char *log, const char *channels_path, sm_error *err)
{
    if (s->n_feeds == 0 || s->pulses.n > 0) {
        return sm_error_set(err, SM_E_FORMAT, path, section->line,
                            s->n_feeds
                                ? "two files of pulse times in one run"
                                : "a file of pulse times comes behind the log whose speed it "
                                  "tells: put its [file ...] below the other");
    }
    return sm_pulses_read(log, channels_path, &s->pulses, err);
}

static sm_status open_file(sm_source *s, const sm_ini *ini, const sm_ini_section *section,
                           const char *path, sm_hashing hashing, sm_error *err)
{
    static const char *const keys[] = {"channels", "offset_s"};
    sm_status st = sm_ini_check_keys(ini, section, keys, COUNT(keys), err);
    if (st != SM_OK) {
        return st;
    }
    if (s->n_feeds == SM_MAX_FILES) {
        return sm_error_set(err, SM_E_FORMAT, path, section->line, "more than %d files in one run",
                            SM_MAX_FILES);
    }
    const sm_ini_entry *channels = sm_ini_find(section, "channels");
    char *log = beside(path, sm_ini_section_label(section, "file"));
    char *channels_path = channels ? beside(path, channels->value) : NULL;
    bool pulses = false;
    if (!log || (channels && !channels_path)) {
        st = sm_error_set(err, SM_E_NOMEM, path, section->line, "out of memory");
    } else {
        st = sm_pulses_is(channels_path, &pulses, err);
    }
    if (st == SM_OK && pulses) {
        st = open_pulses(s, section, path, log, channels_path, err);
    } else if (st == SM_OK) {
        st = sm_feed_open(log, channels_path, hashing, &s->feeds[s->n_feeds], err);
        s->n_feeds += st == SM_OK;
    }
    sm_free(log);
    sm_free(channels_path);
    return st;
}

static bool has_vibration(const sm_feed *f)
{
    const sm_columns *c = &sm_feed_info(f)->columns;
    for (size_t i = 0; i < c->n_channels; i++) {
        if (c->channels[i].role == SM_ROLE_ACCEL || c->channels[i].role == SM_ROLE_GYRO) {
            return true;
        }
    }
    return false;
}

/* Nothing aligns pulses but what is written: without a word it is one clock. */
static sm_status place_pulses(sm_source *s, const sm_ini *ini, const sm_ini_section *section,
                              sm_error *err)
{
    double offset_s = 0;
    sm_status st = sm_ini_get_number(ini, section, "offset_s", -1e10, 1e10, &offset_s, err);
    s->pulse_filter = st == SM_OK ? sm_alloc_array(1, sizeof *s->pulse_filter) : NULL;
    if (st == SM_OK && !s->pulse_filter) {
        return sm_error_set(err, SM_E_NOMEM, ini->source, section->line, "out of memory");
    }
    if (st == SM_OK) {
        *s->pulse_filter =
            (sm_pulse_filter){.pulses = &s->pulses, .add_s = -offset_s - s->feeds[0].stamp0_s};
        sm_text_addf(&s->decided, "%s: %zu pulse times, %s\n", s->pulses.identity.name, s->pulses.n,
                     sm_ini_find(section, "offset_s") ? "offset_s as written"
                                                      : "on the first file's clock");
    }
    return st;
}

static sm_status place_file(sm_source *s, const sm_ini *ini, const sm_ini_section *section,
                            size_t i, sm_error *err)
{
    const sm_feed *first = &s->feeds[0];
    sm_feed *f = &s->feeds[i];
    double offset_s = NAN;
    sm_status st = sm_ini_get_number(ini, section, "offset_s", -1e10, 1e10, &offset_s, err);
    if (st != SM_OK || i == 0) {
        return st;
    }
    if (!isnan(offset_s)) {
        f->shift_s = f->stamp0_s - offset_s - first->stamp0_s;
        return SM_OK;
    }
    bool found = false;
    double lag_s = 0;
    if (has_vibration(first) && has_vibration(f)) {
        st = sm_align(&s->feeds[0], f, &lag_s, &found, err);
    }
    if (st == SM_OK && !found) {
        st =
            sm_error_set(err, SM_E_VALUE, ini->source, section->line,
                         "the clocks of %s and %s cannot be aligned from what both recorded; write "
                         "offset_s = the second's clock minus the first's%s",
                         sm_file_name(sm_feed_path(first)), sm_file_name(sm_feed_path(f)),
                         has_vibration(f) ? ", or begin and end the record with three taps that "
                                            "both sensors feel"
                                          : "; a log of rpm alone is laid over the vibration by "
                                            "itself when it is given with --rpm-log instead");
    }
    if (st == SM_OK) {
        f->shift_s = lag_s;
        sm_text_addf(&s->decided, "%s: offset_s = %.3f, found from the vibration both recorded\n",
                     sm_file_name(sm_feed_path(f)), f->stamp0_s - first->stamp0_s - lag_s);
    }
    return st;
}

static sm_status open_all(sm_source *s, const sm_ini *ini, const char *path,
                          const sm_source_options *o, sm_error *err)
{
    static const char *const sections[] = {"run", "file "};
    static const char *const keys[] = {"name", "note", "rpm_notes"};
    sm_status st = sm_ini_check_sections(ini, sections, COUNT(sections), err);
    const sm_ini_section *run = sm_ini_section_find(ini, "run");
    if (st == SM_OK) {
        st = sm_ini_check_keys(ini, run, keys, COUNT(keys), err);
    }
    if (st == SM_OK && o->channels_path) {
        st = sm_error_set(err, SM_E_FORMAT, path, run->line,
                          "a run file names the channels file of each log itself: write channels = "
                          "below [file ...] instead of --channels");
    }
    for (size_t i = 0; i < ini->n_sections && st == SM_OK; i++) {
        if (sm_ini_section_label(&ini->sections[i], "file")) {
            st = open_file(s, ini, &ini->sections[i], path, sm_source_hashing(o), err);
        }
    }
    if (st == SM_OK && s->n_feeds == 0) {
        st = sm_error_set(err, SM_E_FORMAT, path, run->line,
                          "no [file NAME] in it: name the logs that make up the run");
    }
    size_t k = 0;
    for (size_t i = 0; i < ini->n_sections && st == SM_OK; i++) {
        const char *label = sm_ini_section_label(&ini->sections[i], "file");
        if (label && s->pulses.n > 0 && !s->pulse_filter &&
            strcmp(s->pulses.identity.name, sm_file_name(label)) == 0) {
            st = place_pulses(s, ini, &ini->sections[i], err);
        } else if (label) {
            st = place_file(s, ini, &ini->sections[i], k++, err);
        }
    }
    const char *texts[3] = {"", "", ""};
    for (size_t i = 0; i < 3; i++) {
        const sm_ini_entry *e = sm_ini_find(run, keys[i]);
        texts[i] = e ? e->value : "";
        s->rpm_notes_line = e ? e->line : 0; /* the last of the three */
    }
    sm_text_inert(path, strlen(path), s->rpm_notes_file, sizeof s->rpm_notes_file);
    sm_text_inert(texts[0], strlen(texts[0]), s->name, sizeof s->name);
    sm_text_inert(texts[1], strlen(texts[1]), s->note, sizeof s->note);
    sm_text_inert(texts[2], strlen(texts[2]), s->rpm_notes, sizeof s->rpm_notes);
    return st;
}

sm_status sm_run_file_open(sm_source *s, const char *path, const sm_source_options *o,
                           sm_error *err)
{
    sm_ini ini = {0};
    sm_status st = sm_ini_read(path, &ini, err);
    if (st == SM_OK) {
        st = open_all(s, &ini, path, o, err);
        sm_ini_free(&ini);
    }
    return st;
}
