/* The channels file that a source inferred, ready to edit. */
#include "timebase/source_parts.h"

#include <math.h>
#include <string.h>

/* "?" is for a person to fill: no reader takes it. */
static void explain_unit(const sm_unit *u, sm_text *out)
{
    const char *hint = u->quantity == SM_QUANTITY_ACCELERATION ? "g, mg or m/s^2"
                       : u->quantity == SM_QUANTITY_RATE       ? "deg/s or rad/s"
                       : u->quantity == SM_QUANTITY_FIELD      ? "uT or G"
                       : u->quantity == SM_QUANTITY_SPEED      ? "rpm"
                                                               : "s, ms, us or ns";
    if (strcmp(u->name, "?") == 0) {
        sm_text_addf(out, "unit = ?               # %s: whichever it is\n", hint);
    } else {
        sm_text_addf(out, "unit = %s\n", u->name);
    }
}

static void explain_time(const sm_raw_info *raw, sm_text *out)
{
    static const char *const roles[] = {"", "time", "interval", "counter", "time", "", ""};
    const sm_columns *c = &raw->columns;
    sm_text_add(out, "[log]\n");
    bool unknown = c->time_kind == SM_TIME_NONE || c->time_kind == SM_TIME_COUNTER;
    if (unknown && !(raw->rate_hz > 0)) {
        sm_text_add(out, "rate_hz = ?            # rows per second, from the logger's setting\n");
    } else if (raw->rate_hz > 0) {
        sm_text_add(out, "rate_hz = ");
        sm_text_add_number(out, raw->rate_hz, 12);
        sm_text_addf(out, "        # from %s\n", raw->rate_from);
    } else {
        sm_text_add(out, "# rate_hz =            # only to overrule the time column\n");
    }
    sm_text_add(out, "# bandwidth_hz =       # the sensor's own low-pass, from its sheet\n");
    if (c->time_kind != SM_TIME_NONE) {
        sm_text_addf(out, "\n[column %s]\nrole = %s\n", c->time_column, roles[c->time_kind]);
        if (c->time_unit && c->time_kind != SM_TIME_DATE && c->time_kind != SM_TIME_COUNTER) {
            explain_unit(c->time_unit, out);
        }
    }
}

static void add_value(sm_text *out, const char *key, double v, const char *hint)
{
    if (v > 0) {
        sm_text_addf(out, "%s = ", key);
        sm_text_add_number(out, v, 12);
        sm_text_add(out, "\n");
    } else {
        sm_text_addf(out, "# %s = %s\n", key, hint);
    }
}

static void explain_channel(const sm_channel *c, const char *role, sm_text *out)
{
    double to_si = c->unit ? c->unit->to_si : 1;
    sm_text_addf(out, "\n[column %s]\nrole = %s\n", c->column, role);
    if (c->unit) {
        explain_unit(c->unit, out);
    }
    double scale = c->gain / to_si;
    if (fabs(scale - 1) > 1e-12) {
        sm_text_add(out, "scale = ");
        sm_text_add_number(out, scale, 15);
        sm_text_add(out, "\n");
    }
    if (c->offset_si != 0) {
        sm_text_add(out, "offset = ");
        sm_text_add_number(out, c->offset_si / to_si, 15);
        sm_text_add(out, "\n");
    }
    if (c->role == SM_ROLE_ACCEL || c->role == SM_ROLE_GYRO) {
        add_value(out, "range", c->range_si / to_si, "        # full scale to one side");
        add_value(out, "bandwidth_hz", c->bandwidth_hz, "");
        if (c->anti_alias) {
            sm_text_add(out, "anti_alias = yes\n");
        }
        if (c->ac_coupled) {
            sm_text_add(out, "coupling = ac\n");
        }
        if (c->tolerance >= 0) {
            sm_text_add(out, "tolerance = ");
            sm_text_add_number(out, 100 * c->tolerance, 6);
            sm_text_add(out, " %\n");
        } else {
            sm_text_add(out, "# tolerance =          # for example 3 %\n");
        }
    }
    if (c->role == SM_ROLE_TACH || c->role == SM_ROLE_RPM) {
        if (c->role == SM_ROLE_TACH) {
            add_value(out, "pulses_per_rev", (double)c->pulses_per_rev, "1");
        }
        sm_text_addf(out, "%sshaft = %s\n", c->shaft_given ? "" : "# ",
                     c->shaft == SM_SHAFT_PROP ? "prop" : "crank");
    }
}

static void explain_file(const sm_raw_info *raw, const char *path, const char *words, sm_text *out)
{
    char name[256];
    const char *plain = sm_file_name(path);
    sm_text_inert(plain, strlen(plain), name, sizeof name);
    sm_text_addf(out, "# Channels file inferred for %s. %s\n", name, words);
    explain_time(raw, out);
    for (size_t i = 0; i < raw->columns.n_channels; i++) {
        const sm_channel *c = &raw->columns.channels[i];
        explain_channel(c, c->name, out);
    }
    sm_text_add(out, raw->columns.skipped.s ? raw->columns.skipped.s : "");
}

sm_status sm_source_template(const char *path, const char *channels_path, sm_text *out,
                             sm_error *err)
{
    sm_raw *raw = NULL;
    sm_status st = sm_raw_open_template(path, channels_path, &raw, err);
    if (st == SM_OK) {
        explain_file(
            sm_raw_info_get(raw), path,
            "Fill every '?': the log cannot be read\n# before. Lines behind # are for you to "
            "fill as well.",
            out);
        sm_raw_close(&raw);
    }
    return st;
}

void sm_source_explain(const sm_source *s, sm_text *out)
{
    for (size_t f = 0; f < s->n_feeds; f++) {
        sm_text_add(out, f ? "\n" : "");
        explain_file(sm_feed_info(&s->feeds[f]), sm_feed_path(&s->feeds[f]),
                     "Lines behind # are for you to fill.", out);
    }
}
