/* Opening, pumping and describing a log for drift and hold. */
#include "cli/motion_run.h"

#include "stillmount/ini.h"
#include "stillmount/words.h"

#include <math.h>
#include <string.h>

static sm_status settle_powertrain(const sm_args *args, motion_run *run, sm_error *err)
{
    const char *path = sm_args_text(args, "powertrain", NULL);
    if (path) {
        run->has_powertrain = true;
        return sm_powertrain_read(path, &run->powertrain, err);
    }
    /* The speed stage wants one; drift and hold are told that it is not known. */
    static const char plain[] = "[powertrain]\nname = unknown\n[engine]\ncycle = four-stroke\n"
                                "cylinders = 4\n";
    return sm_powertrain_parse(plain, sizeof plain - 1, "plain", &run->powertrain, err);
}

static double determinant(double m[3][3])
{
    return m[0][0] * (m[1][1] * m[2][2] - m[1][2] * m[2][1]) -
           m[0][1] * (m[1][0] * m[2][2] - m[1][2] * m[2][0]) +
           m[0][2] * (m[1][0] * m[2][1] - m[1][1] * m[2][0]);
}

/* "x -z y" or nine numbers, which the reader of the channels file has found sound already. */
static void read_orientation(const char *p, bool axes, double m[3][3])
{
    const char *end = p + strlen(p);
    for (int i = 0; i < 9 && p; i += axes ? 3 : 1) {
        p += strspn(p, " \t,");
        if (axes) {
            double sign = *p == '-' ? -1 : 1;
            p += *p == '-' || *p == '+';
            m[i / 3][*p >= 'x' && *p <= 'z' ? *p - 'x' : 0] = sign;
            p += *p != '\0';
        } else {
            p = sm_number_parse(p, end, '.', &m[i / 3][i % 3]);
        }
    }
}

/* Mirrored axes turn every rotation round: coning would come out with the wrong sign. */
static sm_status check_handedness(const char *path, sm_error *err)
{
    sm_ini ini = {0};
    sm_status st = path ? sm_ini_read(path, &ini, err) : SM_OK;
    for (size_t i = 0; i < ini.n_sections && st == SM_OK; i++) {
        const sm_ini_section *s = &ini.sections[i];
        const sm_ini_entry *axes = sm_ini_find(s, "axes");
        const sm_ini_entry *matrix = sm_ini_find(s, "matrix");
        const sm_ini_entry *e = axes ? axes : matrix;
        if (!sm_ini_section_label(s, "orientation") || !e) {
            continue;
        }
        double m[3][3] = {{0}};
        read_orientation(e->value, axes != NULL, m);
        if (determinant(m) < 0) {
            st = sm_error_set(err, SM_E_VALUE, path, e->line,
                              "'%.60s' is left-handed, a mirror image: rotations would come out "
                              "reversed. Check which way each axis points; one sign too many",
                              e->value);
        }
    }
    sm_ini_free(&ini);
    return st;
}

static sm_status settle_speed(const sm_args *args, motion_run *run, sm_error *err)
{
    const char *word = sm_args_text(args, "speed", NULL);
    run->speed_source = sm_speed_offered(run->info->channels, run->info->n_channels);
    if (word) {
        run->speed_source = strcmp(word, "tach") == 0     ? SM_SPEED_TACH
                            : strcmp(word, "column") == 0 ? SM_SPEED_COLUMN
                                                          : SM_SPEED_NONE;
    }
    if (sm_args_given(args, "rpm")) {
        run->speed_source = SM_SPEED_DECLARED;
    }
    (void)err;
    return SM_OK;
}

sm_status motion_run_open(const sm_args *args, motion_run *run, sm_error *err)
{
    *run = (motion_run){.source = NULL};
    sm_source_options opt = sm_source_options_default();
    opt.channels_path = sm_args_text(args, "channels", NULL);
    sm_status st = settle_powertrain(args, run, err);
    st = st == SM_OK ? sm_source_open(sm_args_file(args, 0), &opt, &run->source, err) : st;
    st = st == SM_OK ? check_handedness(opt.channels_path, err) : st;
    if (st == SM_OK) {
        run->info = sm_source_info_get(run->source);
        st = settle_speed(args, run, err);
    }
    return st;
}

bool motion_run_has_gyro(const motion_run *run, const char *place)
{
    for (size_t i = 0; i < run->info->n_channels; i++) {
        const sm_channel *c = &run->info->channels[i];
        if (c->role == SM_ROLE_GYRO && strcmp(c->place, place) == 0) {
            return true;
        }
    }
    return false;
}

void motion_run_no_gyro(motion_run *run, const char *place)
{
    sm_finding *f = sm_findings_add(&run->findings, "no-gyro", SM_BLOCKING, "", 1);
    sm_finding_effect(f, "nothing can be said");
    sm_finding_text(f,
                    "no gyro at place '%s': angular rates of the mount are needed; if the log has "
                    "them, name the columns in a channels file, role = %s.gyro.x",
                    place, place);
}

static sm_status drop(void *self, const sm_block *block, sm_error *err)
{
    (void)self;
    (void)block;
    (void)err;
    return SM_OK;
}

static sm_status drop_mark(void *self, sm_mark mark, double t_s, sm_error *err)
{
    (void)self;
    (void)mark;
    (void)t_s;
    (void)err;
    return SM_OK;
}

sm_status motion_run_pump(motion_run *run, const sm_args *args, const sm_sink *sink, sm_error *err)
{
    sm_sink first = sink ? *sink : (sm_sink){.push = drop, .mark = drop_mark};
    if (sink && run->speed_source != SM_SPEED_NONE) {
        sm_speed_options opt = {.source = run->speed_source,
                                .declared_rpm = sm_args_number(args, "rpm", (double)NAN),
                                .clock_offset_s = (double)NAN};
        sm_status st =
            sm_speed_open(run->info->channels, run->info->n_channels, run->info->rate_hz,
                          &run->powertrain, &opt, sink, &run->findings, &run->speed, err);
        if (st != SM_OK) {
            return st;
        }
        first = sm_speed_sink(run->speed);
    }
    return sm_source_pump(run->source, &first, &run->findings, err);
}

void motion_run_close(motion_run *run)
{
    sm_speed_close(&run->speed);
    sm_source_close(&run->source);
    sm_findings_free(&run->findings);
}

static void files_json(const sm_source_totals *totals, sm_json_doc *doc, sm_json *o)
{
    sm_json *files = sm_json_add_array(doc, o, "files");
    for (size_t i = 0; i < totals->n_files; i++) {
        sm_json *f = sm_json_append_object(doc, files);
        sm_json_add_text(doc, f, "name", totals->files[i].name);
        sm_json_add_integer(doc, f, "bytes", (long long)totals->files[i].bytes);
        sm_json_add_text(doc, f, "sha256", totals->files[i].sha256);
    }
}

void motion_run_json(const motion_run *run, const char *schema, sm_json_doc *doc)
{
    sm_json *root = sm_json_root(doc);
    const sm_source_totals *totals = sm_source_totals_get(run->source);
    sm_json_add_text(doc, root, "schema", schema);
    sm_json *program = sm_json_add_object(doc, root, "program");
    sm_json_add_text(doc, program, "name", "stillmount");
    sm_json_add_text(doc, program, "version", sm_version());
    sm_json *o = sm_json_add_object(doc, root, "run");
    sm_json_add_text(doc, o, "name", run->info->name);
    files_json(totals, doc, o);
    sm_json_add_number(doc, o, "seconds", totals->seconds);
    sm_json_add_number(doc, o, "rate_hz", run->info->rate_hz);
    sm_findings_json(&run->findings, doc, root);
    sm_json *speed = sm_json_add_object(doc, root, "speed");
    sm_json_add_text(doc, speed, "source", sm_speed_source_text(run->speed_source));
    const sm_speed_result *r = run->speed ? sm_speed_result_get(run->speed) : NULL;
    sm_json_add_number(doc, speed, "rpm_min", r ? r->rpm_min : (double)NAN);
    sm_json_add_number(doc, speed, "rpm_max", r ? r->rpm_max : (double)NAN);
}

void motion_run_wrap(const sm_text *text, sm_text *out)
{
    char line[2048];
    for (const char *p = text->s; p && *p; p += strcspn(p, "\n"), p += *p == '\n') {
        size_t n = strcspn(p, "\n");
        size_t indent = strspn(p, " ");
        n = n < sizeof line ? n : sizeof line - 1;
        indent = indent < n ? indent : n;
        (void)memcpy(line, p + indent, n - indent);
        line[n - indent] = '\0';
        for (size_t i = 0; i < indent; i++) {
            sm_text_add(out, " ");
        }
        sm_words_wrap(out, indent, indent ? indent + 2 : 0, line);
    }
    out->failed = out->failed || text->failed;
}

void motion_run_text(const sm_json *root, sm_text *out)
{
    const sm_json *findings = sm_json_get(root, "findings");
    for (size_t i = 0; i < sm_json_size(findings); i++) {
        const sm_json *f = sm_json_at(findings, i);
        const char *severity = sm_json_string(sm_json_get(f, "severity"));
        if (strcmp(severity, "note") != 0) {
            const char *channel = sm_json_string(sm_json_get(f, "channel"));
            sm_text_addf(out, "%s%s%s: %s\n", severity, channel[0] ? ", " : "", channel,
                         sm_json_string(sm_json_get(f, "text")));
        }
    }
}
