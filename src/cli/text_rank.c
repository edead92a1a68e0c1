/* Text of rank. */
#include "cli/text_compare.h"
#include "stillmount/words.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static void add_place(const sm_json *p, size_t i, sm_text *out)
{
    const sm_json *rpm = sm_json_get(p, "rpm");
    const char *name = sm_json_string(sm_json_get(p, "name"));
    const char *label = sm_json_string(sm_json_get(sm_json_get(p, "cause"), "label"));
    const char *verdict = sm_json_string(sm_json_get(p, "verdict"));
    double margin = sm_json_number(sm_json_get(p, "worst_margin_db"));
    double level = sm_json_number(sm_json_get(p, "level"));
    double behind = sm_json_number(sm_json_get(p, "behind_first_db"));
    char safe[64];
    char number[32];
    char rest[160];
    sm_text_inert(name, strlen(name), safe, sizeof safe);
    if (isnan(margin) && isnan(level)) {
        sm_text_addf(out, "%3zu. %.40s: nothing that could be ranked\n", i + 1, safe);
        return;
    }
    (void)snprintf(number, sizeof number, isfinite(margin) ? "%+.1f dB" : "%.3g g",
                   isfinite(margin) ? margin : level);
    sm_text_addf(out, "%3zu. %-28.28s %10s  %.14s at %.0f-%.0f rpm\n", i + 1, safe, number,
                 sm_json_string(sm_json_get(p, "channel")), sm_json_number(sm_json_at(rpm, 0)),
                 sm_json_number(sm_json_at(rpm, 1)));
    (void)snprintf(rest, sizeof rest, "%s%s%.60s", verdict, verdict[0] && label[0] ? ", " : "",
                   label);
    if (i > 0 && isfinite(behind)) {
        sm_text_addf(out, "     %.1f dB behind the first: %s\n", behind, sm_words_behind(p));
    }
    if (rest[0]) {
        sm_text_addf(out, "     %s\n", rest);
    }
    const sm_json *reasons = sm_json_get(p, "reasons");
    for (size_t k = 0; k < sm_json_size(reasons); k++) {
        sm_text_wrap(out, 5, sm_json_string(sm_json_get(sm_json_at(reasons, k), "text")));
    }
    size_t runs = sm_json_size(sm_json_get(p, "runs"));
    if (runs > 1) {
        sm_text_addf(out, "     the worst of %zu runs; their mean ranks it\n", runs);
    }
}

void sm_text_ranking(const sm_json *root, sm_text *out)
{
    const sm_json *places = sm_json_get(root, "places");
    bool margins = sm_json_get(sm_json_at(places, 0), "worst_margin_db") != NULL;
    sm_text_addf(out, "%s, quietest first\n",
                 margins ? "Smallest margin of each place" : "Loudest level of each place");
    for (size_t i = 0; i < sm_json_size(places); i++) {
        add_place(sm_json_at(places, i), i, out);
    }
    for (size_t i = 0; i < sm_json_size(sm_json_get(root, "not_independent")); i++) {
        sm_text line = {0};
        if (sm_words_shared(root, i, &line)) {
            sm_text_add(out, "\n");
            sm_text_wrap(out, 0, line.s ? line.s : "");
        }
        sm_text_free(&line);
    }
    const char *means = sm_words_shared_means(root);
    if (means) {
        sm_text_wrap(out, 0, means);
    }
    const sm_json *reasons = sm_json_get(root, "reasons");
    for (size_t i = 0; i < sm_json_size(reasons); i++) {
        sm_text_add(out, "\n");
        sm_text_wrap(out, 0, sm_json_string(sm_json_get(sm_json_at(reasons, i), "text")));
    }
    sm_text line = {0};
    sm_words_spread(root, &line);
    sm_text_add(out, "\n");
    sm_text_wrap(out, 0, line.s ? line.s : "");
    sm_text_free(&line);
    if (!margins) {
        sm_text_wrap(out, 0, "No budget, no verdict: give --budget FILE for margins.");
    }
}
