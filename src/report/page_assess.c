/* The page of an assessment. */
#include "report/page.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const char *verdict_sentence(const char *verdict)
{
    return strcmp(verdict, "within") == 0
               ? "every limit is kept, with its reserve, wherever it had to be shown"
           : strcmp(verdict, "thin") == 0
               ? "under every limit, but the reserve is not kept or not proven"
           : strcmp(verdict, "over") == 0       ? "at least one limit is exceeded"
           : strcmp(verdict, "unassessed") == 0 ? "this log cannot carry an answer"
                                                : "levels and causes only: no budget was given";
}

/* "example limits", "relative limits" before the verdict when the budget says so. */
static const char *limits_word(const char *source)
{
    return strstr(source, "invented")   ? "example limits: "
           : strstr(source, "relative") ? "relative limits: "
                                        : "";
}

static void covered_rpm(const sm_page *g, sm_text *t)
{
    const sm_json *covers = sm_json_get(g->root, "covers");
    const sm_json *ranges = sm_json_get(covers, "rpm");
    for (size_t i = 0; i < sm_json_size(ranges); i++) {
        const sm_json *pair = sm_json_at(ranges, i);
        sm_text_addf(t, "%s%.6g\u2013%.6g", i ? ", " : "", sm_json_number(sm_json_at(pair, 0)),
                     sm_json_number(sm_json_at(pair, 1)));
    }
    sm_text_addf(t, "%s %s rpm", sm_json_size(ranges) ? "" : "no", sm_record_rpm_of(g->root));
}

/* `passes` may be a text or counts per direction. */
static void covered_passes(const sm_page *g, sm_text *t)
{
    const sm_json *node = sm_json_get(sm_json_get(g->root, "covers"), "passes");
    const sm_json *count = NULL;
    if (sm_json_string(node)[0]) {
        sm_text_addf(t, "%s", sm_json_string(node));
        return;
    }
    if (!isnan(sm_json_number(node))) {
        sm_text_addf(t, "%.0f passes", sm_json_number(node));
        return;
    }
    bool any = false;
    for (size_t i = 0; sm_json_key_at(node, i, &count); i++) {
        const char *key = sm_json_key_at(node, i, &count);
        sm_text_addf(t, "%s%.0f %s", any ? ", " : "passes: ", sm_json_number(count), key);
        any = true;
    }
    for (size_t i = 0; i < sm_json_size(node) && !any; i++) {
        sm_text_addf(t, "%s%s", i ? ", " : "passes: ", sm_json_string(sm_json_at(node, i)));
    }
}

static void first_screen(sm_page *g)
{
    const char *verdict = sm_record_text(g->root, "verdict");
    const sm_json *covers = sm_json_get(g->root, "covers");
    const sm_json *missing = sm_json_get(g->root, "not_covered");
    const char *from = sm_record_text(covers, "limits_from");
    sm_text t = {0};
    sm_page_raw(g,
                "<h1>Is this place quiet enough for the attitude sensor?</h1>\n<dl class=\"first ");
    sm_page_text(g, verdict[0] ? verdict : "none");
    sm_page_raw(g, "\">\n<dt>Verdict</dt><dd><b>");
    sm_page_text(g, limits_word(from));
    if (verdict[0]) {
        sm_page_verdict(g, verdict);
    } else {
        sm_page_raw(g, "no verdict");
    }
    sm_page_raw(g, "</b>: ");
    sm_page_text(g, verdict_sentence(verdict));
    sm_page_raw(g, "</dd>\n");
    sm_page_first(g, "Whose limits", "%s", from[0] ? from : "none given");
    covered_rpm(g, &t);
    double hz = sm_record_number(covers, "hz_max");
    if (hz > 0) {
        sm_text_addf(&t, ", up to %.6g Hz", hz);
    }
    sm_text_add(&t, "; ");
    covered_passes(g, &t);
    sm_page_first(g, "Covered", "%s", t.s ? t.s : "");
    t.n = 0;
    for (size_t i = 0; i < sm_json_size(missing); i++) {
        sm_text_addf(&t, "%s%s", i ? "; " : "", sm_json_string(sm_json_at(missing, i)));
    }
    sm_page_first(g, "Not covered", "%s", t.n ? t.s : "nothing is named");
    sm_page_raw(g, "</dl>\n");
    g->out->failed = g->out->failed || t.failed;
    sm_text_free(&t);
}

/* The tightest result of a limit in words: where, how much, what shakes it, what to do next. */
static void tightest_item(sm_page *g, const sm_record_worst *w)
{
    const sm_json *r = w->result;
    const sm_json *cause = sm_json_get(r, "cause");
    const char *kind = sm_record_text(cause, "kind");
    const char *label = sm_record_text(cause, "label");
    double lo;
    double hi;
    double margin = sm_record_number(r, "margin_db");
    sm_record_pair(w->band, "rpm", &lo, &hi);
    sm_page_raw(g, "<li><b>");
    sm_page_text(g, sm_record_text(r, "limit"));
    sm_page_raw(g, "</b> ");
    sm_page_verdict(g, sm_record_text(r, "verdict"));
    sm_page_textf(g, ", %.1f dB %s the limit at %.6g\u2013%.6g rpm, %s: ", fabs(margin),
                  margin < 0 ? "over" : "under", lo, hi, sm_record_text(r, "channel"));
    bool unresolved = sm_record_unresolved(r);
    const char *detector = sm_record_detector(r);
    sm_page_textf(g, "%s%.3g of at most %.4g %s%s%s.",
                  unresolved ? "not above the noise, could be up to " : "",
                  sm_record_number(r, unresolved ? "ceiling" : "value"), sm_record_number(r, "max"),
                  sm_record_text(r, "unit"), detector[0] ? " " : "", detector);
    if (kind[0] || label[0]) {
        double share = sm_record_number(cause, "share");
        sm_page_raw(g, "<br>What shakes it: ");
        const char *meaning = sm_record_text(cause, "meaning");
        sm_page_textf(g, "%s, %s", label[0] ? label : kind,
                      meaning[0] ? meaning : sm_words_cause(kind, label));
        if (share > 0) {
            sm_page_textf(g, " (%.0f %% of the power)", 100 * share);
        }
        sm_page_textf(g, ". Next: %s.", sm_words_next(kind, label));
    }
    sm_page_raw(g, "</li>\n");
}

enum { MAX_LIMITS = 64 };

static size_t limits_of(const sm_page *g, const char *names[MAX_LIMITS])
{
    size_t n = 0;
    const sm_json *bands = sm_json_get(g->root, "bands");
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        const sm_json *results = sm_json_get(sm_json_at(bands, i), "results");
        for (size_t k = 0; k < sm_json_size(results); k++) {
            const char *name = sm_record_text(sm_json_at(results, k), "limit");
            bool known = !name[0];
            for (size_t j = 0; j < n && !known; j++) {
                known = strcmp(names[j], name) == 0;
            }
            if (!known && n < MAX_LIMITS) {
                names[n++] = name;
            }
        }
    }
    return n;
}

/* What was recorded and has no answer. */
static void open_results(sm_page *g)
{
    sm_text t = {0};
    bool any = false;
    for (size_t i = 0; sm_words_open(g->root, i, &t); i++) {
        sm_page_raw(g, any ? "<li>" : "<p>Recorded, but without an answer:</p>\n<ul>\n<li>");
        sm_page_text(g, t.s ? t.s : "");
        sm_page_raw(g, "</li>\n");
        g->out->failed = g->out->failed || t.failed;
        sm_text_free(&t);
        any = true;
    }
    sm_page_raw(g, any ? "</ul>\n" : "");
}

static void why(sm_page *g)
{
    const char *names[MAX_LIMITS];
    size_t n = limits_of(g, names);
    sm_page_section(g, "why", "Why, and what to do next");
    sm_page_reasons(g, sm_json_get(g->root, "reasons"));
    open_results(g);
    bool any = false;
    for (size_t i = 0; i < n; i++) {
        sm_record_worst w = sm_record_tightest(g->root, names[i]);
        if (w.result) {
            sm_page_raw(g, any ? "" : "<p>The tightest place of every limit:</p>\n<ul>\n");
            tightest_item(g, &w);
            any = true;
        }
    }
    if (any) {
        sm_page_raw(g, "</ul>\n");
        sm_page_paragraph(g, "6 dB under is half the limit, 6 dB over is twice the limit. An rpm "
                             "named here is loud for this mount; it is no operating limit.");
    }
    sm_page_raw(g, "</section>\n");
}

/* Tightest channel and worst verdict of one limit in one band. */
static void band_cell(sm_page *g, const sm_json *band, const char *limit)
{
    const sm_json *results = sm_json_get(band, "results");
    const sm_json *tight = NULL;
    const char *verdict = "";
    int urgency = -1;
    for (size_t k = 0; k < sm_json_size(results); k++) {
        const sm_json *r = sm_json_at(results, k);
        if (strcmp(sm_record_text(r, "limit"), limit) != 0) {
            continue;
        }
        double m = sm_record_number(r, "margin_db");
        if (!isnan(m) && !(m >= sm_record_number(tight, "margin_db"))) {
            tight = r;
        }
        if (sm_record_urgency(sm_record_text(r, "verdict")) > urgency) {
            urgency = sm_record_urgency(sm_record_text(r, "verdict"));
            verdict = sm_record_text(r, "verdict");
        }
    }
    double margin = sm_record_number(tight, "margin_db");
    sm_page_raw(g, "<td class=\"n\">");
    if (isnan(margin)) {
        sm_page_raw(g, "\u2013");
    } else {
        const char *sign = margin <= -0.05 ? "\u2212" : margin > 0 ? "+" : "";
        sm_page_textf(g, "%s%.1f", sign, fabs(margin));
    }
    sm_page_raw(g, "<br>"); /* below it, so that six limits stand on one sheet */
    sm_page_verdict(g, verdict);
    sm_page_raw(g, "</td>");
}

static void band_row(sm_page *g, const sm_json *band, const char *const *names, size_t n)
{
    double lo;
    double hi;
    sm_record_pair(band, "rpm", &lo, &hi);
    sm_page_raw(g, "<tr><th scope=\"row\">");
    sm_page_textf(g, "%.6g\u2013%.6g", lo, hi);
    sm_page_raw(g, "</th><td>");
    sm_page_raw(g, sm_json_bool(sm_json_get(band, "required"), false) ? "required" : "\u2013");
    sm_page_raw(g, "</td><td class=\"n\">");
    if (sm_record_band_empty(band)) {
        sm_page_text(g, sm_record_empty_text(g->root));
        sm_page_raw(g, "</td><td class=\"n\">\u2013</td>");
    } else {
        const sm_json *passes = sm_json_get(band, "passes");
        sm_page_textf(g, "%.1f", sm_record_number(band, "seconds"));
        sm_page_raw(g, "</td><td class=\"n\">");
        sm_page_textf(g, "%.0f / %.0f / %.0f", sm_record_number(passes, "up"),
                      sm_record_number(passes, "down"), sm_record_number(passes, "held"));
        sm_page_raw(g, "</td>");
    }
    for (size_t i = 0; i < n; i++) {
        band_cell(g, band, names[i]);
    }
    sm_page_raw(g, "</tr>\n");
}

static void bands(sm_page *g)
{
    const char *names[MAX_LIMITS];
    size_t n = limits_of(g, names);
    n = n > 6 ? 6 : n; /* the rest is in the full table */
    sm_column columns[4 + 6] = {{"rpm", "", SM_COLUMN_TEXT, 0},
                                {"", "", SM_COLUMN_TEXT, 0},
                                {"seconds", "", SM_COLUMN_NUMBER, 0},
                                {"up/down/held", "", SM_COLUMN_NUMBER, 0}};
    char headings[6][80];
    for (size_t i = 0; i < n; i++) {
        (void)snprintf(headings[i], sizeof headings[i], "%.60s, dB", names[i]);
        columns[4 + i] = (sm_column){headings[i], "", SM_COLUMN_NUMBER, 0};
    }
    sm_page_section(g, "bands", "Margin per RPM band");
    sm_page_picture(g, "margin");
    sm_page_table_open(g, "Tightest margin of every limit in every RPM band", columns, 4 + n);
    const sm_json *list = sm_json_get(g->root, "bands");
    for (size_t i = 0; i < sm_json_size(list); i++) {
        band_row(g, sm_json_at(list, i), names, n);
    }
    sm_page_table_close(g);
    sm_page_raw(g, "</section>\n");
}

/* What would move each resonance out of the rpm in use, as the text says it. */
static void advice(sm_page *g)
{
    const sm_json *list = sm_json_get(g->root, "resonances");
    for (size_t i = 0; i < sm_json_size(list); i++) {
        const sm_json *r = sm_json_at(list, i);
        sm_text t = {0};
        sm_record_advice(r, &t);
        if (t.s && t.s[0]) {
            sm_page_paragraph(g, "%.1f Hz (%s):%s", sm_record_number(r, "hz"),
                              sm_record_text(r, "channel"), t.s);
        }
        g->out->failed |= t.failed;
        sm_text_free(&t);
    }
}

static void causes(sm_page *g)
{
    static const sm_column resonances[] = {
        {"channel", "channel", SM_COLUMN_TEXT, 0},
        {"frequency, Hz", "hz", SM_COLUMN_NUMBER, 4},
        {"damping ratio", "damping_ratio", SM_COLUMN_NUMBER, 2},
        {"amplification", "amplification", SM_COLUMN_NUMBER, 2},
        {"excited by", "excited_by", SM_COLUMN_TEXT, 0},
        {"at rpm", "rpm_at", SM_COLUMN_NUMBERS, 4},
    };
    sm_page_section(g, "causes", "What shakes it: map, spectrum, orders");
    if (sm_json_is_null(sm_json_get(g->root, "orders"))) {
        sm_page_paragraph(g, "This result was saved without the data for the map, the spectrum and "
                             "the orders; --detail keeps them.");
    }
    sm_page_pictures(g, "map");
    sm_page_pictures(g, "spectrum");
    sm_page_pictures(g, "orders");
    sm_page_table(g, "Resonances of the mount that were excited",
                  sm_json_get(g->root, "resonances"), resonances, 6);
    if (sm_record_count(g->root, "resonances") == 0) {
        sm_page_paragraph(g, "No resonance of the mount stood out.");
    }
    advice(g);
    sm_page_raw(g, "</section>\n");
}

static void method(sm_page *g)
{
    sm_page_section(g, "method", "How it was measured");
    sm_page_raw(
        g,
        "<h3>Frames</h3><p>The log is cut into overlapping stretches of about one second, each "
        "weighted "
        "with a periodic Hann window. Each belongs to one RPM band and to one pass; stretches that "
        "touch a gap are left out.</p>\n"
        "<h3>Levels</h3><p>An rms counts everything between the limit's two frequencies, tones and "
        "noise together. The loudest 25-rpm cell and direction of a band decides, unless the limit "
        "says mean.</p>\n"
        "<h3>Orders</h3><p>The amplitude of every order is fitted jointly in windows of a fixed "
        "number of turns. A sweep through an rpm therefore does not smear it.</p>\n"
        "<h3>Intervals</h3><p>The 95 % interval covers what the randomness of this run would do to "
        "the value. It does not cover how far one run differs from the next: the reserve and "
        "repeated runs are for that.</p>\n"
        "<h3>Verdict</h3><p>Within means that the 99.9 % upper bound is under the limit and the "
        "reserve is kept. What the log cannot carry is unassessed; it never counts as "
        "within.</p>\n");
    const sm_json *speed = sm_json_get(g->root, "speed");
    if (sm_record_text(speed, "source")[0]) {
        sm_page_paragraph(g,
                          "Speed from: %s, %.6g to %.6g %s rpm; check against the vibration: %s.",
                          sm_record_text(speed, "source"), sm_record_number(speed, "rpm_min"),
                          sm_record_number(speed, "rpm_max"), sm_record_rpm_of(g->root),
                          sm_record_text(speed, "check"));
    }
    sm_page_settings(g);
    sm_page_raw(g, "</section>\n");
}

static void all_results(sm_page *g)
{
    static const sm_column columns[] = {
        {"limit", "limit", SM_COLUMN_TEXT, 0},
        {"channel", "channel", SM_COLUMN_TEXT, 0},
        {"measure", "", SM_COLUMN_MEASURE, 0},
        {"value", "value", SM_COLUMN_VALUE, 3},
        {"95 % interval", "interval", SM_COLUMN_RANGE, 3},
        {"99.9 % bound", "ceiling", SM_COLUMN_NUMBER, 3},
        {"at most", "max", SM_COLUMN_NUMBER, 4},
        {"unit", "unit", SM_COLUMN_TEXT, 0},
        {"margin, dB", "margin_db", SM_COLUMN_SIGNED, 0},
        {"verdict", "verdict", SM_COLUMN_VERDICT, 0},
        {"reasons", "reasons", SM_COLUMN_REASONS, 0},
    };
    const sm_json *list = sm_json_get(g->root, "bands");
    sm_page_section(g, "results", "Every result");
    for (size_t i = 0; i < sm_json_size(list); i++) {
        const sm_json *band = sm_json_at(list, i);
        double lo;
        double hi;
        char caption[120];
        sm_record_pair(band, "rpm", &lo, &hi);
        (void)snprintf(caption, sizeof caption, "%.6g\u2013%.6g rpm%s%s", lo, hi,
                       sm_record_band_empty(band) ? ": " : "",
                       sm_record_band_empty(band) ? sm_record_empty_text(g->root) : "");
        sm_page_table(g, caption, sm_json_get(band, "results"), columns, 11);
    }
    sm_page_raw(g, "</section>\n");
}

static void logbook(sm_page *g)
{
    sm_text t = {0};
    const char *verdict = sm_record_text(g->root, "verdict");
    const sm_json *program = sm_json_get(g->root, "program");
    const sm_json *file = sm_json_at(sm_json_get(sm_json_get(g->root, "run"), "files"), 0);
    sm_text_addf(&t,
                 "Vibration at the attitude-sensor mount measured on ________ with %s %s, log %s "
                 "(SHA-256 %.12s\u2026). Limits: %s. Result: %s. Covered: ",
                 sm_record_text(program, "name"), sm_record_text(program, "version"),
                 sm_record_text(file, "name"), sm_record_text(file, "sha256"),
                 sm_record_text(sm_json_get(g->root, "covers"), "limits_from"),
                 verdict[0] ? verdict : "no verdict");
    covered_rpm(g, &t);
    sm_record_worst w = sm_record_tightest(g->root, NULL);
    if (w.result) {
        double lo;
        double hi;
        sm_record_pair(w.band, "rpm", &lo, &hi);
        sm_text_addf(&t, ". Tightest: %+.1f dB at %.6g\u2013%.6g rpm (limit %s, %s), cause %s",
                     sm_record_number(w.result, "margin_db"), lo, hi,
                     sm_record_text(w.result, "limit"), sm_record_text(w.result, "channel"),
                     sm_record_text(sm_json_get(w.result, "cause"), "label"));
    }
    sm_text_add(&t, ". Not covered: ");
    const sm_json *missing = sm_json_get(g->root, "not_covered");
    for (size_t i = 0; i < sm_json_size(missing); i++) {
        sm_text_addf(&t, "%s%s", i ? "; " : "", sm_json_string(sm_json_at(missing, i)));
    }
    sm_text_add(&t, ". Name and signature: ________________");
    sm_page_logbook(g, t.s ? t.s : "");
    g->out->failed = g->out->failed || t.failed;
    sm_text_free(&t);
}

void sm_page_assessment(sm_page *g)
{
    first_screen(g);
    why(g);
    bands(g);
    causes(g);
    sm_page_findings(g);
    sm_page_cautions(g, false);
    sm_page_sign_off(g);
    logbook(g);
    method(g);
    all_results(g);
    sm_page_inputs(g);
}
