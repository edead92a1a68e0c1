/* Pages of the side branches: comparison, two places, ranking, isolator. */
#include "report/page.h"
#include "stillmount/words.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define N_COLUMNS(list) (sizeof(list) / sizeof(list)[0])

/* Verdict line of the first screen with a sentence of ours. */
void sm_page_first_verdict(sm_page *g, const char *verdict, const char *sentence)
{
    sm_page_raw(g, "<dt>Verdict</dt><dd><b>");
    sm_page_verdict(g, verdict);
    sm_page_raw(g, "</b>");
    sm_page_raw(g, sentence[0] ? ": " : "");
    sm_page_text(g, sentence);
    sm_page_raw(g, "</dd>\n");
}

void sm_page_open(sm_page *g, const char *question, const char *verdict)
{
    const char *look = strcmp(verdict, "better") == 0 || strcmp(verdict, "still") == 0 ||
                               strcmp(verdict, "within") == 0
                           ? "within"
                       : strcmp(verdict, "worse") == 0 || strcmp(verdict, "restless") == 0 ||
                               strcmp(verdict, "over") == 0
                           ? "over"
                       : strcmp(verdict, "mixed") == 0 || strcmp(verdict, "thin") == 0 ? "thin"
                                                                                       : "none";
    sm_text_addf(g->out, "<h1>%s</h1>\n<dl class=\"first %s\">\n", question, look);
}

/* A band counts as covered when an entry of its list has a number, or when it has no such list. */
static bool band_answers(const sm_json *band, const char *list)
{
    static const char *const keys[] = {"predicted", "value", "change_db"};
    const sm_json *entries = sm_json_get(band, list);
    for (size_t i = 0; i < sm_json_size(entries); i++) {
        for (size_t k = 0; k < sizeof keys / sizeof keys[0]; k++) {
            if (!isnan(sm_record_number(sm_json_at(entries, i), keys[k]))) {
                return true;
            }
        }
    }
    return list[0] == '\0' && sm_json_bool(sm_json_get(band, "assessed"), true);
}

/* Of the bands that count: from the first band that holds an answer to the last, and how many of
 * all do. */
void sm_page_bands_line(sm_page *g, const char *list)
{
    const sm_json *bands = sm_json_get(g->root, "bands");
    double lo = NAN;
    double hi = NAN;
    size_t n = 0;
    size_t wanted = 0; /* only those that the budget requires count, where it says so */
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        const sm_json *band = sm_json_at(bands, i);
        double a;
        double b;
        sm_record_pair(band, "rpm", &a, &b);
        if (!list[0] && !sm_json_bool(sm_json_get(band, "required"), true)) {
            continue;
        }
        bool any = band_answers(band, list);
        wanted++;
        lo = any && !(a >= lo) ? a : lo;
        hi = any && !(b <= hi) ? b : hi;
        n += any;
    }
    if (n == 0 || isnan(lo)) {
        sm_page_first(g, "Covered", "%s", n == 0 ? "no RPM band" : "the whole log");
    } else if (n < wanted) {
        sm_page_first(g, "Covered", "between %g and %g %s rpm, %zu of %zu RPM bands", lo, hi,
                      sm_record_rpm_of(g->root), n, wanted);
    } else {
        sm_page_first(g, "Covered", "%g\u2013%g %s rpm, %zu RPM band%s", lo, hi,
                      sm_record_rpm_of(g->root), n, n == 1 ? "" : "s");
    }
}

void sm_page_not_covered(sm_page *g, const char *fallback)
{
    const sm_json *list = sm_json_get(g->root, "not_covered");
    sm_text t = {0};
    for (size_t i = 0; i < sm_json_size(list); i++) {
        sm_text_addf(&t, "%s%s", i ? "; " : "", sm_json_string(sm_json_at(list, i)));
    }
    sm_page_first(g, "Not covered", "%s", t.n ? t.s : fallback);
    sm_text_free(&t);
}

void sm_page_tail(sm_page *g, bool weights)
{
    if (!sm_json_is_null(sm_json_get(g->root, "findings"))) {
        sm_page_findings(g);
    }
    sm_page_cautions(g, weights);
    sm_page_sign_off(g);
    if (!sm_json_is_null(sm_json_get(g->root, "settings"))) {
        sm_page_section(g, "settings", "Settings");
        sm_page_settings(g);
        sm_page_raw(g, "</section>\n");
    }
    sm_page_inputs(g);
}

static const char *comparison_sentence(const char *verdict)
{
    return strcmp(verdict, "better") == 0  ? "quieter somewhere, louder nowhere"
           : strcmp(verdict, "worse") == 0 ? "louder somewhere, quieter nowhere"
           : strcmp(verdict, "mixed") == 0 ? "quieter in some places, louder in others"
           : strcmp(verdict, "no clear change") == 0
               ? "no change that stands out of chance and of run-to-run spread"
               : "these runs cannot carry an answer";
}

/* The change of the run as a whole, and of each channel. */
static void mean_changes(sm_page *g)
{
    static const sm_column columns[] = {
        {"channel", "channel", SM_COLUMN_TEXT, 0},
        {"mean change, dB", "change_db", SM_COLUMN_SIGNED, 0},
        {"95 % interval, dB", "interval_db", SM_COLUMN_RANGE, 2},
        {"verdict", "verdict", SM_COLUMN_VERDICT, 0},
    };
    sm_page_table(g, "Mean change of the levels over all bands", sm_json_get(g->root, "channels"),
                  columns, N_COLUMNS(columns));
}

/* With limits: what is left to the limit before and after. */
static void margins_before_after(sm_page *g)
{
    static const sm_column columns[] = {
        {"limit", "limit", SM_COLUMN_TEXT, 0},
        {"channel", "channel", SM_COLUMN_TEXT, 0},
        {"margin before, dB", "before_db", SM_COLUMN_SIGNED, 0},
        {"at rpm", "before_rpm", SM_COLUMN_RANGE, 5},
        {"margin after, dB", "after_db", SM_COLUMN_SIGNED, 0},
        {"at rpm", "after_rpm", SM_COLUMN_RANGE, 5},
    };
    const sm_json *list = sm_json_get(g->root, "margins");
    if (sm_json_size(list) > 0) {
        sm_page_table(g, "Smallest margin of each limit, band averages", list, columns,
                      N_COLUMNS(columns));
    }
}

void sm_page_comparison(sm_page *g)
{
    static const sm_column columns[] = {
        {"channel", "channel", SM_COLUMN_TEXT, 0},
        {"measure", "", SM_COLUMN_MEASURE, 0},
        {"before", "before", SM_COLUMN_NUMBER, 3},
        {"after", "after", SM_COLUMN_NUMBER, 3},
        {"unit", "unit", SM_COLUMN_TEXT, 0},
        {"detector", "detector", SM_COLUMN_TEXT, 0},
        {"change, dB", "change_db", SM_COLUMN_SIGNED, 0},
        {"95 % interval, dB", "interval_db", SM_COLUMN_RANGE, 2},
        {"margin before, dB", "margin_before_db", SM_COLUMN_SIGNED, 0},
        {"margin after, dB", "margin_after_db", SM_COLUMN_SIGNED, 0},
        {"verdict", "verdict", SM_COLUMN_VERDICT, 0},
        {"reasons", "reasons", SM_COLUMN_REASONS, 0},
    };
    const char *verdict = sm_record_text(g->root, "verdict");
    const sm_json *repeat = sm_json_get(g->root, "repeatability");
    sm_page_open(g, "Did the change make the mount quieter?", verdict);
    sm_page_first_verdict(g, verdict,
                          sm_words_may_be_louder(g->root)
                              ? "quieter somewhere; louder nowhere for sure, but something may be"
                              : comparison_sentence(verdict));
    const sm_json *overall = sm_json_get(g->root, "overall");
    double least;
    double most;
    sm_record_pair(overall, "interval_db", &least, &most);
    if (!isnan(sm_record_number(overall, "change_db"))) {
        sm_page_first(g, "Mean change of the levels", "%+.1f dB (95 %%: %+.1f to %+.1f)",
                      sm_record_number(overall, "change_db"), least, most);
    }
    sm_page_first(g, "Run-to-run spread", "%s, %.2g dB", sm_record_text(repeat, "source"),
                  sm_record_number(repeat, "db"));
    sm_page_bands_line(g, "changes");
    const sm_json *left = sm_json_get(g->root, "not_compared");
    sm_text list = {0};
    for (size_t i = 0; i < sm_json_size(left); i++) {
        sm_text_addf(&list, "%s%s", i ? "; " : "", sm_json_string(sm_json_at(left, i)));
    }
    if (list.s) {
        sm_page_first(g, "Not compared", "%s", list.s);
    }
    sm_text_free(&list);
    sm_page_not_covered(
        g, "RPM bands that only one of the runs holds; flight loads; other temperatures of "
           "the isolators");
    sm_page_raw(g, "</dl>\n");
    sm_page_reasons(g, sm_json_get(g->root, "reasons"));
    sm_page_section(g, "pictures", "Before and after");
    sm_page_picture(g, "before-after");
    sm_page_picture(g, "change");
    mean_changes(g);
    margins_before_after(g);
    sm_page_raw(g, "</section>\n");
    sm_page_section(g, "changes", "Every change");
    sm_page_paragraph(
        g, "Below zero is quieter. \u22126 dB is half the level. A change counts as better "
           "or worse only when it stands out of chance, corrected for the number of "
           "comparisons, and of the run-to-run spread; so an interval may miss zero without a "
           "verdict. Once anything is better, the rest is judged again among itself for what "
           "got louder, so that a new resonance is not hidden by what it cured.");
    const sm_json *bands = sm_json_get(g->root, "bands");
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        double lo;
        double hi;
        char caption[80];
        sm_record_pair(sm_json_at(bands, i), "rpm", &lo, &hi);
        (void)snprintf(caption, sizeof caption, "%g\u2013%g rpm", lo, hi);
        sm_page_table(g, caption, sm_json_get(sm_json_at(bands, i), "changes"), columns,
                      N_COLUMNS(columns));
    }
    sm_page_raw(g, "</section>\n");
    sm_page_tail(g, false);
}

void sm_page_across(sm_page *g)
{
    static const sm_column columns[] = {
        {"axis", "axis", SM_COLUMN_TEXT, 0},
        {"natural frequency, Hz", "natural_hz", SM_COLUMN_NUMBER, 3},
        {"95 %", "natural_hz", SM_COLUMN_INTERVAL, 3},
        {"damping ratio", "damping_ratio", SM_COLUMN_NUMBER, 2},
        {"95 %", "damping_ratio", SM_COLUMN_INTERVAL, 2},
        {"isolates above, Hz", "isolates_above_hz", SM_COLUMN_NUMBER, 3},
        {"95 %", "isolates_above_hz", SM_COLUMN_INTERVAL, 3},
    };
    const sm_json *across = sm_json_get(g->root, "across");
    const sm_json *pairs = sm_json_get(g->root, "pairs");
    sm_page_open(g, "What does the mount let through?", "");
    if (sm_record_text(across, "to")[0]) {
        sm_page_first(g, "Compared", "%s against %s, %zu %s", sm_record_text(across, "to"),
                      sm_record_text(across, "from"), sm_json_size(pairs),
                      sm_json_size(pairs) == 1 ? "channel" : "channels");
    } else {
        sm_page_first(g, "Compared", "%zu pairs of channels, from %s on", sm_json_size(pairs),
                      sm_record_text(sm_json_at(pairs, 0), "from"));
    }
    const sm_json *list = sm_json_get(g->root, "isolator");
    for (size_t i = 0; i < sm_json_size(list); i++) {
        const sm_json *one = sm_json_at(list, i);
        char label[60];
        (void)snprintf(label, sizeof label, "Result, %.40s axis", sm_record_text(one, "axis"));
        if (isnan(sm_record_number(one, "natural_hz"))) {
            sm_page_first(g, label, "no isolator could be fitted");
        } else {
            sm_page_first(g, label,
                          "natural frequency %.3g Hz, damping ratio %.2g; isolates above %.3g Hz, "
                          "below that it passes on or adds",
                          sm_record_number(one, "natural_hz"),
                          sm_record_number(one, "damping_ratio"),
                          sm_record_number(one, "isolates_above_hz"));
        }
    }
    if (sm_json_size(list) == 0) {
        sm_page_first(g, "Result", "no isolator shows between these places");
    }
    sm_page_not_covered(
        g, "frequencies at which the two places do not move together; flight loads; colder "
           "isolators");
    sm_page_raw(g, "</dl>\n");
    sm_page_reasons(g, sm_json_get(g->root, "reasons"));
    sm_page_section(g, "pictures", "Ratio and coherence");
    sm_page_pictures(g, "across");
    sm_page_table(g, "The isolator between the places", list, columns, N_COLUMNS(columns));
    sm_page_raw(g, "</section>\n");
    sm_page_tail(g, false);
}

void sm_page_ranking(sm_page *g)
{
    static const sm_column columns[] = {
        {"place", "name", SM_COLUMN_TEXT, 0},
        {"worst margin, dB", "worst_margin_db", SM_COLUMN_SIGNED, 0},
        {"channel", "channel", SM_COLUMN_TEXT, 0},
        {"rpm", "rpm", SM_COLUMN_RANGE, 5},
        {"behind the first, dB", "behind_first_db", SM_COLUMN_NUMBER, 2},
        {"more than chance", "more_than_repeatability", SM_COLUMN_YES, 0},
        {"verdict", "verdict", SM_COLUMN_VERDICT, 0},
        {"reasons", "reasons", SM_COLUMN_REASONS, 0},
    };
    static const sm_column levels[] = {
        {"place", "name", SM_COLUMN_TEXT, 0},
        {"highest level", "level", SM_COLUMN_NUMBER, 3},
        {"unit", "unit", SM_COLUMN_TEXT, 0},
        {"channel", "channel", SM_COLUMN_TEXT, 0},
        {"rpm", "rpm", SM_COLUMN_RANGE, 5},
        {"behind the first, dB", "behind_first_db", SM_COLUMN_NUMBER, 2},
        {"more than chance", "more_than_repeatability", SM_COLUMN_YES, 0},
    };
    const sm_json *places = sm_json_get(g->root, "places");
    sm_page_open(g, "Which place is quietest?", "");
    const sm_json *next = sm_json_at(places, 1);
    double lead = sm_record_number(next, "behind_first_db");
    if (isnan(lead)) {
        sm_page_first(g, "Quietest", "%s", sm_record_text(sm_json_at(places, 0), "name"));
    } else {
        sm_page_first(g, "Quietest", "%s, %.1f dB quieter than the next: %s",
                      sm_record_text(sm_json_at(places, 0), "name"), lead, sm_words_behind(next));
    }
    sm_text spread = {0};
    sm_words_spread(g->root, &spread);
    sm_page_first(g, "Run-to-run spread", "%s", spread.s ? spread.s : "not said");
    sm_text_free(&spread);
    sm_page_first(g, "Compared", "%zu places or runs", sm_json_size(places));
    sm_page_not_covered(g, "flight loads; places that were not measured");
    sm_page_raw(g, "</dl>\n");
    sm_page_reasons(g, sm_json_get(g->root, "reasons"));
    sm_page_section(g, "places", "Places");
    sm_page_picture(g, "ranking");
    bool margins = sm_json_get(sm_json_at(places, 0), "worst_margin_db") != NULL;
    sm_page_table(g, "Places, quietest first", places, margins ? columns : levels,
                  margins ? N_COLUMNS(columns) : N_COLUMNS(levels));
    sm_page_paragraph(g, "More than chance: two runs of one place would not differ that much.");
    sm_page_raw(g, "<ul>\n");
    for (size_t i = 0; i < sm_json_size(places); i++) {
        const sm_json *p = sm_json_at(places, i);
        const sm_json *cause = sm_json_get(p, "cause");
        const char *label =
            sm_json_string(cause)[0] ? sm_json_string(cause) : sm_record_text(cause, "label");
        const char *kind = sm_record_text(cause, "kind");
        if (label[0]) {
            sm_page_raw(g, "<li><b>");
            sm_page_text(g, sm_record_text(p, "name"));
            sm_page_raw(g, "</b>: ");
            sm_page_textf(g, "%s, %s. Next: %s.", label,
                          sm_words_cause(kind[0] ? kind : "order", label),
                          sm_words_next(kind[0] ? kind : "order", label));
            sm_page_raw(g, "</li>\n");
        }
    }
    sm_page_raw(g, "</ul>\n</section>\n");
    const sm_json *shared = sm_json_get(g->root, "not_independent");
    if (sm_json_size(shared) > 0) {
        sm_page_section(g, "shared", "Not independent");
        sm_page_raw(g, "<ul>\n");
        for (size_t i = 0; i < sm_json_size(shared); i++) {
            sm_text line = {0};
            if (sm_words_shared(g->root, i, &line) && line.s) {
                sm_page_raw(g, "<li>");
                sm_page_text(g, line.s);
                sm_page_raw(g, "</li>\n");
            }
            sm_text_free(&line);
        }
        sm_page_raw(g, "</ul>\n<p>");
        sm_page_text(g, sm_words_shared_means(g->root));
        sm_page_raw(g, "</p>\n</section>\n");
    }
    sm_page_tail(g, false);
}

static void isolator_bands(sm_page *g)
{
    static const sm_column columns[] = {
        {"limit", "limit", SM_COLUMN_TEXT, 0},
        {"channel", "channel", SM_COLUMN_TEXT, 0},
        {"measured", "value", SM_COLUMN_NUMBER, 3},
        {"computed", "predicted", SM_COLUMN_NUMBER, 3},
        {"at most", "max", SM_COLUMN_NUMBER, 4},
        {"unit", "unit", SM_COLUMN_TEXT, 0},
        {"margin measured, dB", "margin_db", SM_COLUMN_SIGNED, 0},
        {"margin computed, dB", "predicted_margin_db", SM_COLUMN_SIGNED, 0},
        {"verdict computed", "predicted_verdict", SM_COLUMN_VERDICT, 0},
    };
    static const sm_column smallest[] = {
        {"limit", "limit", SM_COLUMN_TEXT, 0},
        {"channel", "channel", SM_COLUMN_TEXT, 0},
        {"measured, dB", "measured_db", SM_COLUMN_SIGNED, 0},
        {"at rpm", "measured_rpm", SM_COLUMN_RANGE, 5},
        {"computed, dB", "predicted_db", SM_COLUMN_SIGNED, 0},
        {"at rpm", "predicted_rpm", SM_COLUMN_RANGE, 5},
        {"in tolerance, dB", "tolerance_db", SM_COLUMN_SIGNED, 0},
    };
    const sm_json *bands = sm_json_get(g->root, "bands");
    sm_page_table(g, "Smallest margin of each limit", sm_json_get(g->root, "margins"), smallest,
                  N_COLUMNS(smallest));
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        double lo;
        double hi;
        char caption[80];
        sm_record_pair(sm_json_at(bands, i), "rpm", &lo, &hi);
        (void)snprintf(caption, sizeof caption, "%g\u2013%g rpm", lo, hi);
        sm_page_table(g, caption, sm_json_get(sm_json_at(bands, i), "results"), columns,
                      N_COLUMNS(columns));
    }
}

void sm_page_isolator(sm_page *g)
{
    static const sm_column search[] = {
        {"natural frequency, Hz", "natural_hz", SM_COLUMN_NUMBER, 4},
        {"damping ratio", "damping_ratio", SM_COLUMN_NUMBER, 3},
        {"sag, mm", "static_deflection_mm", SM_COLUMN_NUMBER, 2},
        {"worst margin in tolerance, dB", "worst_margin_db", SM_COLUMN_SIGNED, 0},
        {"as named, dB", "nominal_margin_db", SM_COLUMN_SIGNED, 0},
        {"limit", "limit", SM_COLUMN_TEXT, 0},
        {"channel", "channel", SM_COLUMN_TEXT, 0},
        {"at rpm", "rpm", SM_COLUMN_RANGE, 5},
    };
    static const sm_column modes[] = {
        {"mode, Hz", "natural_hz", SM_COLUMN_NUMBER, 3},
        {"motion", "motion", SM_COLUMN_TEXT, 0},
        {"damping ratio", "damping_ratio", SM_COLUMN_NUMBER, 2},
    };
    const sm_json *iso = sm_json_get(g->root, "isolator");
    const char *predicted = sm_record_text(g->root, "predicted_verdict");
    sm_page_open(g, "What would this isolator do to the margins?", "");
    if (predicted[0] && !sm_json_is_null(iso)) {
        sm_page_first(g, "Computed", "%s%s; thin is the best a computed result can be", predicted,
                      strcmp(predicted, "over") == 0 ? ": at least one limit is still exceeded"
                                                     : "");
    }
    if (sm_json_is_null(iso)) {
        sm_page_first(g, "Isolator", "none of the range that was searched will do");
    } else {
        sm_page_first(g, "Isolator",
                      "natural frequency %.3g Hz, damping ratio %.2g, static sag %.2g mm",
                      sm_record_number(iso, "natural_hz"), sm_record_number(iso, "damping_ratio"),
                      sm_record_number(iso, "static_deflection_mm"));
    }
    sm_page_bands_line(g, "results");
    sm_page_not_covered(
        g, "an isolator that is already in the run is not taken out; twist stays as measured "
           "unless the geometry is given; flight loads; cold rubber");
    const sm_json *on = sm_json_get(iso, "on_orders");
    if (sm_json_size(on) > 0) {
        double lo;
        double hi;
        sm_record_pair(sm_json_at(on, 0), "rpm", &lo, &hi);
        sm_page_first(g, "Mind",
                      "%zu orders pass its resonance in this run and shake it there, the first of "
                      "them %.40s at %.0f to %.0f rpm: take one whose resonance no order reaches",
                      sm_json_size(on), sm_record_text(sm_json_at(on, 0), "label"), lo, hi);
    }
    if (!sm_json_is_null(iso)) {
        sm_page_first(g, "Then", "a computed result is no verdict: fit it, run again, compare");
    }
    sm_page_raw(g, "</dl>\n");
    sm_page_reasons(g, sm_json_get(g->root, "reasons"));
    sm_page_section(g, "pictures", "Margins measured and computed");
    sm_page_picture(g, "isolator");
    sm_page_table(g, "Isolators that were tried, best first", sm_json_get(g->root, "search"),
                  search, N_COLUMNS(search));
    sm_page_table(g, "Modes of the body on its isolators", sm_json_get(iso, "modes"), modes,
                  N_COLUMNS(modes));
    isolator_bands(g);
    sm_page_raw(g, "</section>\n");
    sm_page_tail(g, false);
}

/* ---- balance ---- */

static void balance_first(sm_page *g)
{
    const sm_json *correction = sm_json_get(g->root, "correction");
    const sm_json *original = sm_json_get(g->root, "original");
    const sm_json *predicted = sm_json_get(g->root, "predicted");
    const sm_json *conventions = sm_json_get(g->root, "conventions");
    const char *unit = sm_record_text(original, "unit");
    double grams = sm_record_number(correction, "grams");
    sm_page_open(g, "What weight goes where on the propeller?", "");
    if (grams > 0) {
        sm_text holes = {0};
        const sm_json *split = sm_json_get(g->root, "split");
        for (size_t i = 0; i < sm_json_size(split); i++) {
            const sm_json *part = sm_json_at(split, i);
            double part_g = sm_record_number(part, "grams");
            sm_text_addf(&holes, "%s%.4g g %s hole %.0f", i ? " and " : ": ", fabs(part_g),
                         part_g < 0 ? "out of" : "in", sm_record_number(part, "hole"));
        }
        sm_page_first(g, "Correction", "%.4g g at %.0f\u00b0%s; trial weight: %s", grams,
                      sm_record_number(correction, "angle_deg"), holes.s ? holes.s : "",
                      sm_record_text(correction, "trial"));
        sm_text_free(&holes);
    } else {
        sm_page_first(g, "Correction", "none worked out");
    }
    sm_page_first(g, "How angles are counted", "%s", sm_record_text(conventions, "text"));
    double found = sm_record_number(original, "amplitude");
    double paper = sm_record_number(predicted, "amplitude");
    double median = sm_record_number(predicted, "residual_median");
    sm_text left = {0};
    if (!isnan(paper)) {
        sm_text_addf(&left, "; on paper %.2g is left", paper);
    }
    if (!isnan(paper) && !isnan(median)) {
        sm_text_addf(&left, ", in practice about %.2g, up to %.2g", median * found,
                     sm_record_number(predicted, "residual_p90") * found);
    }
    if (left.n) {
        sm_text_addf(&left, " (all %s %s)", unit, sm_record_text(original, "detector"));
    }
    sm_page_first(g, "From, to", "%.3g %s %s as found%s", found, unit,
                  sm_record_text(original, "detector"), left.s ? left.s : "");
    sm_text_free(&left);
    sm_page_not_covered(
        g, "blade track and pitch, a bent flange, other speeds than this one: weights do not "
           "cure those");
    sm_page_raw(g, "</dl>\n");
}

void sm_page_balance(sm_page *g)
{
    static const sm_column responses[] = {
        {"weights on", "weights", SM_COLUMN_TEXT, 0},
        {"kind", "kind", SM_COLUMN_TEXT, 0},
        {"amplitude", "amplitude", SM_COLUMN_NUMBER, 3},
        {"phase, deg", "phase_deg", SM_COLUMN_NUMBER, 4},
        {"unit", "unit", SM_COLUMN_TEXT, 0},
        {"detector", "detector", SM_COLUMN_TEXT, 0},
        {"scatter", "scatter", SM_COLUMN_NUMBER, 2},
    };
    static const sm_column split[] = {
        {"hole", "hole", SM_COLUMN_NUMBER, 4},
        {"angle, deg", "angle_deg", SM_COLUMN_NUMBER, 4},
        {"weight, g", "grams", SM_COLUMN_NUMBER, 4},
    };
    balance_first(g);
    sm_page_section(g, "advice", "Read this first");
    sm_page_reasons(g, sm_json_get(g->root, "advice"));
    const sm_json *correction = sm_json_get(g->root, "correction");
    double lo;
    double hi;
    double a;
    double b;
    sm_record_pair(correction, "grams_interval", &lo, &hi);
    sm_record_pair(correction, "angle_interval_deg", &a, &b);
    if (!isnan(lo) && !isnan(a)) {
        sm_page_paragraph(
            g,
            "With 95 %% confidence the weight lies between %.3g and %.3g g, its angle "
            "between %.0f and %.0f degrees.",
            lo, hi, a, b);
    }
    sm_page_raw(g, "</section>\n");
    sm_page_section(g, "weights", "Weights");
    sm_page_picture(g, "weights");
    sm_page_table(g, "Weights for the holes", sm_json_get(g->root, "split"), split,
                  N_COLUMNS(split));
    sm_page_raw(g, "</section>\n");
    sm_page_section(g, "vectors", "Measured vectors");
    sm_page_picture(g, "balance");
    sm_page_table(g, "As found", sm_json_get(g->root, "originals"), responses,
                  N_COLUMNS(responses));
    sm_page_table(g, "With weights", sm_json_get(g->root, "responses"), responses,
                  N_COLUMNS(responses));
    sm_page_raw(g, "</section>\n");
    sm_page_tail(g, true);
}
