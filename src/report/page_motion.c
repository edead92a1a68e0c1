/* Pages of drift and hold. */
#include "report/page.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define N_COLUMNS(list) (sizeof(list) / sizeof(list)[0])

/* "12.5 deg/h (11.9 to 13.1)", or what it could be. */
static void rate_text(const sm_json *w, sm_text *t)
{
    double lo;
    double hi;
    if (sm_json_bool(sm_json_get(w, "resolved"), false)) {
        sm_record_pair(w, "interval_deg_per_h", &lo, &hi);
        sm_text_addf(t, "%.3g deg/h (%.3g to %.3g)", sm_record_number(w, "deg_per_h"), lo, hi);
    } else {
        sm_text_addf(t, "not above the noise of this log, could be up to %.2g deg/h",
                     sm_record_number(w, "ceiling_deg_per_h"));
    }
}

static void at_rpm(const sm_json *w, const char *key, sm_text *t)
{
    double lo;
    double hi;
    sm_record_pair(w, key, &lo, &hi);
    if (!isnan(lo)) {
        sm_text_addf(t, ", %.6g\u2013%.6g rpm", lo, hi);
    }
}

static void worst_line(sm_page *g, const sm_json *w)
{
    sm_text t = {0};
    char label[60];
    const char *angle = sm_record_text(w, "angle");
    const sm_json *line = sm_json_get(w, "line");
    rate_text(w, &t);
    at_rpm(w, "rpm", &t);
    if (!sm_json_is_null(line)) {
        const char *name = sm_record_text(line, "label");
        sm_text_addf(&t, ", most of it from %s at %.3g Hz",
                     strcmp(name, "unknown") == 0 ? "a line of no known order" : name,
                     sm_record_number(line, "hz"));
    }
    double lean = fabs(sm_record_number(w, "levelling_error_deg"));
    if (lean < 0.001) {
        sm_text_add(&t, "; below 0.001 deg behind the levelling");
    } else if (!isnan(lean)) {
        sm_text_addf(&t, "; %.2g deg behind the levelling", lean);
    }
    double more = sm_record_number(w, "elsewhere_deg_per_h");
    if (!isnan(more)) {
        sm_text_addf(&t, "; elsewhere could be up to %.2g deg/h", more);
        at_rpm(w, "elsewhere_rpm", &t);
    }
    (void)snprintf(label, sizeof label, "Worst about %.8s%s%.20s", sm_record_text(w, "axis"),
                   angle[0] ? ": " : "", angle);
    sm_page_first(g, label, "%s", t.s ? t.s : "");
    g->out->failed = g->out->failed || t.failed;
    sm_text_free(&t);
}

static void drift_first(sm_page *g)
{
    const sm_json *worst = sm_json_get(g->root, "worst");
    sm_page_open(g, "What attitude drift would this vibration make?", "");
    for (size_t i = 0; i < sm_json_size(worst); i++) {
        worst_line(g, sm_json_at(worst, i));
    }
    if (sm_json_size(worst) == 0) {
        sm_page_first(g, "Largest", "not known: no band can be answered for");
    }
    sm_page_first(g, "Whose gyro",
                  "the log's own, not the aircraft's sensor; the drift is that of a sensor that "
                  "takes in none of the coning");
    sm_page_bands_line(g, "");
    sm_page_not_covered(g, "what the aircraft's sensor itself does with the vibration: its makers' "
                           "figures decide; flight loads");
    sm_page_raw(g, "</dl>\n");
}

static void coning_cell(sm_page *g, const sm_json *band, size_t k)
{
    const char *clear = sm_json_string(sm_json_at(sm_json_get(band, "resolved_axes"), k));
    double value = sm_record_at(band, "coning_deg_per_h", k);
    double ceiling = sm_record_at(band, "coning_ceiling_deg_per_h", k);
    sm_page_raw(g, "<td class=\"n\">");
    if (isnan(value)) {
        sm_page_raw(g, "\u2013");
    } else if (strcmp(clear, "no") != 0) {
        sm_page_number(g, value, 3);
    } else if (isnan(ceiling)) {
        sm_page_raw(g, "too short");
    } else {
        sm_page_raw(g, "up to ");
        sm_page_number(g, ceiling, 2);
    }
    sm_page_raw(g, "</td>");
}

static void lean_cell(sm_page *g, const sm_json *band)
{
    double lean = sm_record_number(band, "level_error_deg");
    bool resolved = sm_json_bool(sm_json_get(band, "level_error_resolved"), true);
    double shown = resolved ? lean : sm_record_number(band, "level_error_ceiling_deg");
    sm_page_raw(g, "<td class=\"n\">");
    if (isnan(lean) || isnan(shown)) {
        sm_page_raw(g, "\u2013");
    } else if (shown < 0.001) {
        sm_page_raw(g, "below 0.001");
    } else {
        sm_page_raw(g, resolved ? "" : "up to ");
        sm_page_number(g, shown, 2);
    }
    sm_page_raw(g, "</td>");
}

static void band_row(sm_page *g, const sm_json *band)
{
    static const sm_column rpm = {"", "rpm", SM_COLUMN_RANGE, 5};
    static const sm_column seconds = {"", "seconds", SM_COLUMN_NUMBER, 4};
    const sm_json *reasons = sm_json_get(band, "reasons");
    sm_page_raw(g, "<tr>");
    sm_page_cell(g, band, &rpm);
    sm_page_cell(g, band, &seconds);
    for (size_t k = 0; k < 3; k++) {
        coning_cell(g, band, k);
    }
    lean_cell(g, band);
    sm_page_raw(g, "<td class=\"long\">");
    bool any = false;
    for (size_t i = 0; i < sm_json_size(reasons); i++) {
        const sm_json *r = sm_json_at(reasons, i);
        if (strcmp(sm_record_text(r, "code"), "not-resolved") != 0) { /* in the cells already */
            sm_page_raw(g, any ? "; " : "");
            sm_page_text(g, sm_record_text(r, "text"));
            any = true;
        }
    }
    sm_page_raw(g, "</td></tr>\n");
}

static void bands_table(sm_page *g)
{
    static const sm_column columns[] = {
        {"rpm", "", SM_COLUMN_RANGE, 0},
        {"seconds", "", SM_COLUMN_NUMBER, 0},
        {"coning about x, deg/h", "", SM_COLUMN_NUMBER, 0},
        {"about y", "", SM_COLUMN_NUMBER, 0},
        {"about z", "", SM_COLUMN_NUMBER, 0},
        {"lean from sculling, deg", "", SM_COLUMN_NUMBER, 0},
        {"remarks", "", SM_COLUMN_REASONS, 0},
    };
    const sm_json *bands = sm_json_get(g->root, "bands");
    if (sm_json_size(bands) == 0) {
        return;
    }
    sm_page_table_open(g,
                       "Coning and the lean of the horizon; \u201cup to\u201d: not above the "
                       "noise of this log",
                       columns, N_COLUMNS(columns));
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        band_row(g, sm_json_at(bands, i));
    }
    sm_page_table_close(g);
}

/* Every band's folded lines in one table. */
static void aliases_table(sm_page *g)
{
    static const sm_column aliases[] = {
        {"rpm", "rpm", SM_COLUMN_RANGE, 5},
        {"line", "label", SM_COLUMN_TEXT, 0},
        {"frequency, Hz", "hz", SM_COLUMN_NUMBER, 4},
        {"axis", "axis", SM_COLUMN_TEXT, 0},
        {"folds to, Hz", "folds_to_hz", SM_COLUMN_NUMBER, 2},
        {"looks like, deg", "apparent_deg", SM_COLUMN_NUMBER, 2},
    };
    const sm_json *bands = sm_json_get(g->root, "bands");
    bool open = false;
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        const sm_json *list = sm_json_get(sm_json_get(sm_json_at(bands, i), "sensor"), "aliases");
        for (size_t k = 0; k < sm_json_size(list); k++) {
            if (!open) {
                sm_page_table_open(g, "Lines that fold into the sensor's attitude band", aliases,
                                   N_COLUMNS(aliases));
                open = true;
            }
            sm_page_row(g, sm_json_at(list, k), aliases, N_COLUMNS(aliases));
        }
    }
    if (open) {
        sm_page_table_close(g);
    }
}

void sm_page_drift(sm_page *g)
{
    static const sm_column lines[] = {
        {"line", "label", SM_COLUMN_TEXT, 0},
        {"frequency, Hz", "hz", SM_COLUMN_NUMBER, 4},
        {"rpm", "rpm", SM_COLUMN_RANGE, 5},
        {"axis", "axis", SM_COLUMN_TEXT, 0},
        {"drift, deg/h", "deg_per_h", SM_COLUMN_NUMBER, 3},
    };
    drift_first(g);
    sm_page_section(g, "bands", "Drift per RPM band");
    sm_page_picture(g, "coning");
    bands_table(g);
    sm_page_table(g, "Lines that make most of it", sm_json_get(g->root, "lines"), lines,
                  N_COLUMNS(lines));
    aliases_table(g);
    sm_page_raw(g, "</section>\n");
    sm_page_tail(g, false);
}

void sm_page_hold(sm_page *g)
{
    static const sm_column columns[] = {
        {"stretch", "kind", SM_COLUMN_TEXT, 0},
        {"from, s", "from_s", SM_COLUMN_NUMBER, 5},
        {"to, s", "to_s", SM_COLUMN_NUMBER, 5},
        {"rpm", "rpm", SM_COLUMN_NUMBER, 5},
        {"gyro rms x y z, deg/s", "gyro_rms_deg_s", SM_COLUMN_NUMBERS, 3},
        {"bias x y z, deg/s", "bias_deg_s", SM_COLUMN_NUMBERS, 3},
        {"still", "still", SM_COLUMN_STILL, 0},
        {"reasons", "reasons", SM_COLUMN_REASONS, 0},
    };
    static const sm_column states[] = {
        {"engine", "kind", SM_COLUMN_TEXT, 0},
        {"rpm", "rpm", SM_COLUMN_NUMBER, 4},
        {"stops", "stops", SM_COLUMN_NUMBER, 3},
        {"still", "still", SM_COLUMN_NUMBER, 3},
        {"gyro rms at most, deg/s", "gyro_rms_deg_s", SM_COLUMN_NUMBER, 3},
        {"mean rate shifted by, deg/s", "bias_step_deg_s", SM_COLUMN_NUMBER, 3},
        {"95 % interval", "bias_step_interval_deg_s", SM_COLUMN_RANGE, 3},
        {"why not still", "cause", SM_COLUMN_TEXT, 0},
    };
    static const sm_column items[] = {
        {"item", "item", SM_COLUMN_TEXT, 0},
        {"times switched", "times", SM_COLUMN_NUMBER, 3},
        {"heading, deg", "heading_deg", SM_COLUMN_NUMBER, 3},
        {"of the field limit, %", "field_share_percent", SM_COLUMN_NUMBER, 3},
        {"scatter, uT", "scatter_ut", SM_COLUMN_NUMBER, 2},
        {"verdict", "verdict", SM_COLUMN_TEXT, 0},
        {"remark", "reason", SM_COLUMN_TEXT, 0},
    };
    static const sm_column headings[] = {
        {"stretch", "first", SM_COLUMN_NUMBER, 4},
        {"against", "second", SM_COLUMN_NUMBER, 4},
        {"heading, deg", "first_deg", SM_COLUMN_NUMBER, 4},
        {"then, deg", "second_deg", SM_COLUMN_NUMBER, 4},
        {"apart, deg", "difference_deg", SM_COLUMN_NUMBER, 3},
        {"of it the aircraft, by the gyro, deg", "gyro_difference_deg", SM_COLUMN_NUMBER, 2},
        {"same engine state", "same_engine", SM_COLUMN_YES, 0},
    };
    const char *verdict = sm_record_text(g->root, "verdict");
    sm_page_open(g, "Is the mount still enough to hold still?", verdict);
    sm_page_first_verdict(g, verdict,
                          strcmp(verdict, "still") == 0 ? "every criterion is kept"
                          : strcmp(verdict, "restless") == 0
                              ? "at least one criterion is not kept"
                              : "no criteria were given, or the log cannot tell");
    const sm_json *advice = sm_json_get(g->root, "advice");
    for (size_t i = 0; i < sm_json_size(advice); i++) {
        sm_page_first(g, i == 0 ? "What to do" : "and", "%s",
                      sm_record_text(sm_json_at(advice, i), "text"));
    }
    size_t n = sm_record_count(g->root, "segments");
    sm_page_first(g, "Covered", "%zu stretch%s of the log", n, n == 1 ? "" : "es");
    sm_page_not_covered(g, "wind, people and fuel other than on the day");
    sm_page_raw(g, "</dl>\n");
    sm_page_reasons(g, sm_json_get(g->root, "reasons"));
    sm_page_section(g, "stretches", "Stretches");
    sm_page_picture(g, "swing");
    sm_page_table(g, "Engine off against idle and other speeds", sm_json_get(g->root, "states"),
                  states, N_COLUMNS(states));
    sm_page_table(g, "Stretches of the log in one state", sm_json_get(g->root, "segments"), columns,
                  N_COLUMNS(columns));
    sm_page_table(g, "Magnetic headings of several turns, the same heading by the gyro",
                  sm_json_get(g->root, "headings"), headings, N_COLUMNS(headings));
    sm_page_picture(g, "deflection");
    sm_page_table(g, "What deflects the magnetometer, worst first", sm_json_get(g->root, "items"),
                  items, N_COLUMNS(items));
    sm_page_pictures(g, "allan");
    sm_page_raw(g, "</section>\n");
    sm_page_tail(g, false);
}
