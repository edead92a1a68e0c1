/* Sections that every page has: reasons, findings, inputs, cautions, sign-off, logbook. */
#include "report/page.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

void sm_page_reasons(sm_page *g, const sm_json *reasons)
{
    if (sm_json_size(reasons) == 0) {
        return;
    }
    sm_page_raw(g, "<ul>\n");
    for (size_t i = 0; i < sm_json_size(reasons); i++) {
        const sm_json *r = sm_json_at(reasons, i);
        const char *text = sm_record_text(r, "text");
        sm_page_raw(g, "<li>");
        sm_page_text(g, text[0] ? text : sm_json_string(r));
        sm_page_raw(g, "</li>\n");
    }
    sm_page_raw(g, "</ul>\n");
}

static void places_of(sm_page *g, const sm_json *finding)
{
    const sm_json *at = sm_json_get(finding, "at");
    for (size_t i = 0; i < sm_json_size(at) && i < 4; i++) {
        const sm_json *place = sm_json_at(at, i);
        double a;
        double b;
        sm_record_pair(place, "t", &a, &b);
        double line = sm_record_number(place, "line");
        sm_page_raw(g, i ? ", " : "");
        sm_page_number(g, a, 6);
        if (b > a) {
            sm_page_raw(g, "\u2013");
            sm_page_number(g, b, 6);
        }
        sm_page_raw(g, " s");
        if (line > 0) {
            sm_page_textf(g, " (line %.0f)", line);
        }
    }
    if (sm_json_size(at) > 4) {
        sm_page_raw(g, ", \u2026");
    }
}

static bool same_finding(const sm_json *a, const sm_json *b)
{
    static const char *const keys[] = {"code", "severity", "text", "effect"};
    for (size_t i = 0; i < sizeof keys / sizeof keys[0]; i++) {
        if (strcmp(sm_record_text(a, keys[i]), sm_record_text(b, keys[i])) != 0) {
            return false;
        }
    }
    const sm_json *x = sm_json_get(a, "at");
    const sm_json *y = sm_json_get(b, "at");
    bool same = sm_json_size(x) == sm_json_size(y);
    for (size_t i = 0; i < sm_json_size(x) && same; i++) {
        double t[4];
        sm_record_pair(sm_json_at(x, i), "t", &t[0], &t[1]);
        sm_record_pair(sm_json_at(y, i), "t", &t[2], &t[3]);
        same = t[0] == t[2] && t[1] == t[3];
    }
    return same;
}

static bool said_before(const sm_json *findings, size_t i)
{
    for (size_t k = 0; k < i; k++) {
        if (same_finding(sm_json_at(findings, k), sm_json_at(findings, i))) {
            return true;
        }
    }
    return false;
}

/* One finding with every channel that has it. */
static void finding_row(sm_page *g, const sm_json *findings, size_t i)
{
    const sm_json *f = sm_json_at(findings, i);
    double count = 0;
    const char *before = "";
    sm_page_raw(g, "<tr><th scope=\"row\">");
    sm_page_text(g, sm_record_text(f, "code"));
    sm_page_raw(g, "</th><td>");
    sm_page_text(g, sm_record_text(f, "severity"));
    sm_page_raw(g, "</td><td>");
    for (size_t k = i; k < sm_json_size(findings); k++) {
        const sm_json *other = sm_json_at(findings, k);
        if (same_finding(f, other)) {
            sm_page_raw(g, before);
            sm_page_text(g, sm_record_text(other, "channel"));
            before = ", ";
            count += sm_record_number(other, "count");
        }
    }
    sm_page_raw(g, "</td><td class=\"n\">");
    sm_page_number(g, count, 9);
    sm_page_raw(g, "</td><td class=\"long\">");
    sm_page_text(g, sm_record_text(f, "text"));
    sm_page_raw(g, "</td><td class=\"long\">");
    sm_page_text(g, sm_record_text(f, "effect"));
    sm_page_raw(g, "</td><td>");
    places_of(g, f);
    sm_page_raw(g, "</td></tr>\n");
}

void sm_page_findings(sm_page *g)
{
    const sm_json *findings = sm_json_get(g->root, "findings");
    sm_page_section(g, "findings", "What was noticed about the log");
    if (sm_json_size(findings) == 0) {
        sm_page_paragraph(g, "Nothing.");
        sm_page_raw(g, "</section>\n");
        return;
    }
    static const sm_column columns[] = {
        {"finding", "code", SM_COLUMN_TEXT, 0},
        {"weight", "severity", SM_COLUMN_TEXT, 0},
        {"channel", "channel", SM_COLUMN_TEXT, 0},
        {"count", "count", SM_COLUMN_NUMBER, 9},
        {"what and what to do", "", SM_COLUMN_REASONS, 0},
        {"effect on the verdict", "", SM_COLUMN_REASONS, 0},
        {"where", "", SM_COLUMN_TEXT, 0},
    };
    sm_page_table_open(g, "Findings about the log", columns, 7);
    for (size_t i = 0; i < sm_json_size(findings); i++) {
        if (!said_before(findings, i)) {
            finding_row(g, findings, i);
        }
    }
    sm_page_table_close(g);
    sm_page_raw(g, "</section>\n");
}

/* Files under run.files, and of runs that a comparison or a ranking names. */
static void files_of(sm_page *g, const sm_json *run)
{
    const sm_json *files = sm_json_get(run, "files");
    for (size_t i = 0; i < sm_json_size(files); i++) {
        const sm_json *f = sm_json_at(files, i);
        sm_page_raw(g, "<tr><th scope=\"row\">");
        sm_page_text(g, sm_record_text(f, "name"));
        sm_page_raw(g, "</th><td class=\"n\">");
        sm_page_number(g, sm_record_number(f, "bytes"), 15);
        sm_page_raw(g, "</td><td class=\"hash\">");
        sm_page_text(g, sm_record_text(f, "sha256"));
        sm_page_raw(g, "</td></tr>\n");
    }
}

void sm_page_inputs(sm_page *g)
{
    static const sm_column columns[] = {{"file", "", SM_COLUMN_TEXT, 0},
                                        {"bytes", "", SM_COLUMN_NUMBER, 0},
                                        {"SHA-256", "", SM_COLUMN_TEXT, 0}};
    static const char *const places[] = {"run",        "before", "after",
                                         "powertrain", "budget", "across"};
    sm_page_section(g, "inputs", "What it was made from");
    sm_page_table_open(g, "Inputs: the same bytes give the same result", columns, 3);
    for (size_t i = 0; i < sizeof places / sizeof places[0]; i++) {
        files_of(g, sm_json_get(g->root, places[i]));
    }
    files_of(g, g->root);
    const sm_json *runs = sm_json_get(g->root, "runs");
    for (size_t i = 0; i < sm_json_size(runs); i++) {
        files_of(g, sm_json_at(runs, i));
    }
    const sm_json *inputs = sm_json_get(g->root, "inputs");
    for (size_t i = 0; i < sm_json_size(inputs); i++) {
        files_of(g, sm_json_get(sm_json_at(inputs, i), "run"));
    }
    sm_page_table_close(g);
    static const sm_column channels[] = {{"channel", "role", SM_COLUMN_TEXT, 0},
                                         {"column of the log", "column", SM_COLUMN_TEXT, 0},
                                         {"unit", "unit", SM_COLUMN_TEXT, 0},
                                         {"rms of the run", "rms", SM_COLUMN_NUMBER, 4}};
    const sm_json *run = sm_json_get(g->root, "run");
    sm_page_table(g, "How the log was understood", sm_json_get(run, "channels"), channels, 4);
    const sm_json *program = sm_json_get(g->root, "program");
    double seconds = sm_record_number(run, "seconds");
    if (seconds > 0) {
        sm_page_paragraph(g, "Length %.1f s, %.6g samples per second.", seconds,
                          sm_record_number(run, "rate_hz"));
    }
    sm_page_paragraph(g, "Made by %s %s.", sm_record_text(program, "name"),
                      sm_record_text(program, "version"));
    sm_page_raw(g, "</section>\n");
}

void sm_page_settings(sm_page *g)
{
    const sm_json *settings = sm_json_get(g->root, "settings");
    const sm_json *node = NULL;
    bool any = false;
    for (size_t i = 0;; i++) {
        const char *key = sm_json_key_at(settings, i, &node);
        if (!key) {
            break;
        }
        double v = sm_json_number(node);
        const char *s = sm_json_string(node);
        if (isnan(v) && !s[0]) {
            continue;
        }
        sm_page_raw(g, any ? ", " : "<p>Settings: ");
        sm_page_text(g, key);
        sm_page_raw(g, " ");
        if (isnan(v)) {
            sm_page_text(g, s);
        } else {
            sm_page_number(g, v, 9);
        }
        any = true;
    }
    sm_page_raw(g, any ? ".</p>\n" : "");
}

void sm_page_cautions(sm_page *g, bool propeller_weights)
{
    sm_page_section(g, "cautions", "Cautions");
    sm_page_raw(
        g, "<ul>\n"
           "<li>A run-up is dangerous. Keep clear of the propeller arc and of its plane. Chocks, "
           "tie-down, brakes set, a second person as look-out, hearing protection.</li>\n"
           "<li>Temperatures inside the makers' limits before full power. Secure every sensor and "
           "cable so that nothing can reach the propeller.</li>\n"
           "<li>An rpm named here is loud for this mount. It is never an operating limit.</li>\n"
           "<li>This result is an aid. The maintenance data of sensor, engine and propeller, local "
           "rules and a licensed person decide.</li>\n");
    if (propeller_weights) {
        sm_page_raw(g, "<li>Weights on a propeller only as its maker allows: ignition off and keys "
                       "out while you work on it, hardware as specified, nothing left "
                       "loose.</li>\n");
    }
    sm_page_raw(g, "</ul>\n</section>\n");
}

static const char *note_of(const sm_page *g, const char *key)
{
    size_t n = strlen(key);
    for (size_t i = 0; i < g->opt->n_notes; i++) {
        if (strncmp(g->opt->notes[i], key, n) == 0 && g->opt->notes[i][n] == '=') {
            return g->opt->notes[i] + n + 1;
        }
    }
    return "";
}

void sm_page_sign_off(sm_page *g)
{
    static const struct {
        const char *key;
        const char *label;
    } rows[] = {
        {"aircraft", "Aircraft"},
        {"hours", "Hours"},
        {"engine", "Engine"},
        {"propeller", "Propeller"},
        {"sensor", "Sensor"},
        {"calibration", "Its calibration"},
        {"place", "Place of the sensor"},
        {"weather", "Weather"},
        {"date", "Date"},
        {"measured-by", "Measured by"},
        {"signature", "Signature"},
    };
    const size_t n = sizeof rows / sizeof rows[0];
    sm_page_section(g, "record", "Record and signature");
    sm_page_raw(g, "<table class=\"form\"><caption>To be completed by hand where it is "
                   "blank</caption><tbody>\n");
    for (size_t i = 0; i < n; i++) {
        sm_text_addf(g->out, "<tr><th scope=\"row\">%s</th><td>", rows[i].label);
        sm_page_text(g, note_of(g, rows[i].key));
        sm_page_raw(g, "</td></tr>\n");
    }
    const sm_json *run = sm_json_get(g->root, "run");
    if (sm_record_text(run, "name")[0] || sm_record_text(run, "note")[0]) {
        sm_page_raw(g, "<tr><th scope=\"row\">Run</th><td>");
        sm_page_text(g, sm_record_text(run, "name"));
        sm_page_raw(g,
                    sm_record_text(run, "name")[0] && sm_record_text(run, "note")[0] ? "; " : "");
        sm_page_text(g, sm_record_text(run, "note"));
        sm_page_raw(g, "</td></tr>\n");
    }
    for (size_t i = 0; i < g->opt->n_notes; i++) { /* whatever else was typed */
        const char *note = g->opt->notes[i];
        size_t len = strcspn(note, "=");
        bool known = note[len] == '\0';
        for (size_t k = 0; k < n && !known; k++) {
            known = strlen(rows[k].key) == len && strncmp(note, rows[k].key, len) == 0;
        }
        if (!known) {
            sm_page_raw(g, "<tr><th scope=\"row\">");
            sm_page_textf(g, "%.*s", (int)(len < 200 ? len : 200), note);
            sm_page_raw(g, "</th><td>");
            sm_page_text(g, note + len + 1);
            sm_page_raw(g, "</td></tr>\n");
        }
    }
    sm_page_raw(g, "</tbody></table>\n</section>\n");
}

void sm_page_logbook(sm_page *g, const char *text)
{
    sm_page_section(g, "logbook", "Text for the logbook");
    sm_page_raw(g, "<p class=\"book\">");
    sm_page_textf(g, "%s", text);
    sm_page_raw(g, "</p>\n</section>\n");
}
