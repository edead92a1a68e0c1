/* Text of rank. */
#include "cli/text_compare.h"

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
        const char *more =
            sm_json_number(sm_json_get(p, "behind_first_db")) > 0 ? "behind the first" : "";
        sm_text_addf(out, "     %.1f dB %s: %s\n", behind, more,
                     sm_json_is_true(sm_json_get(p, "more_than_repeatability"))
                         ? "more than two runs of one place would differ"
                         : "no more than two runs of one place would differ");
    }
    if (rest[0]) {
        sm_text_addf(out, "     %s\n", rest);
    }
    size_t runs = sm_json_size(sm_json_get(p, "runs"));
    if (runs > 1) {
        sm_text_addf(out, "     the worst of %zu runs; their mean ranks it\n", runs);
    }
}

/* What a pair is said to share: its text behind "A and B ". */
static const char *shared_words(const sm_json *pair)
{
    const sm_json *names = sm_json_get(pair, "places");
    const char *text = sm_json_string(sm_json_get(pair, "text"));
    size_t skip = strlen(sm_json_string(sm_json_at(names, 0))) +
                  strlen(sm_json_string(sm_json_at(names, 1))) + strlen(" and  ");
    return strlen(text) > skip ? text + skip : text;
}

static bool names_place(const sm_json *pair, const char *name)
{
    const sm_json *names = sm_json_get(pair, "places");
    return strcmp(sm_json_string(sm_json_at(names, 0)), name) == 0 ||
           strcmp(sm_json_string(sm_json_at(names, 1)), name) == 0;
}

/* Whether a pair says the same of this place. */
static bool in_group(const sm_json *shared, const char *words, const char *name)
{
    for (size_t i = 0; i < sm_json_size(shared); i++) {
        const sm_json *pair = sm_json_at(shared, i);
        if (strcmp(shared_words(pair), words) == 0 && names_place(pair, name)) {
            return true;
        }
    }
    return false;
}

/* One sentence for all places of which every pair shares the same; false when not every pair does.
 * Without `out` nothing is written. */
static bool add_group(const sm_json *places, const sm_json *shared, const char *words, sm_text *out)
{
    char line[2000] = "";
    size_t pairs = 0;
    size_t n = 0;
    size_t k = 0;
    for (size_t i = 0; i < sm_json_size(shared); i++) {
        pairs += strcmp(shared_words(sm_json_at(shared, i)), words) == 0;
    }
    for (size_t i = 0; i < sm_json_size(places); i++) {
        n += in_group(shared, words, sm_json_string(sm_json_get(sm_json_at(places, i), "name")));
    }
    if (n < 3 || pairs != n * (n - 1) / 2 || strncmp(words, "both ", 5) != 0) {
        return false;
    }
    for (size_t i = 0; i < sm_json_size(places); i++) {
        const char *name = sm_json_string(sm_json_get(sm_json_at(places, i), "name"));
        size_t used = strlen(line);
        if (in_group(shared, words, name)) {
            k++;
            (void)snprintf(line + used, sizeof line - used, "%s%s",
                           k == 1 ? "" : (k == n ? " and " : ", "), name);
        }
    }
    if (!out) {
        return true;
    }
    size_t used = strlen(line);
    (void)snprintf(line + used, sizeof line - used, " all %s", words + 5);
    sm_text_add(out, "\n");
    sm_text_wrap(out, 0, line);
    return true;
}

static void add_shared(const sm_json *places, const sm_json *shared, sm_text *out)
{
    for (size_t i = 0; i < sm_json_size(shared); i++) {
        const char *words = shared_words(sm_json_at(shared, i));
        size_t first = 0;
        while (strcmp(shared_words(sm_json_at(shared, first)), words) != 0) {
            first++;
        }
        if (!add_group(places, shared, words, first == i ? out : NULL)) {
            sm_text_add(out, "\n");
            sm_text_wrap(out, 0, sm_json_string(sm_json_get(sm_json_at(shared, i), "text")));
        }
    }
}

void sm_text_ranking(const sm_json *root, sm_text *out)
{
    const sm_json *places = sm_json_get(root, "places");
    const sm_json *shared = sm_json_get(root, "not_independent");
    bool margins = sm_json_get(sm_json_at(places, 0), "worst_margin_db") != NULL;
    sm_text_addf(out, "%s, quietest first\n",
                 margins ? "Smallest margin of each place" : "Loudest level of each place");
    for (size_t i = 0; i < sm_json_size(places); i++) {
        add_place(sm_json_at(places, i), i, out);
    }
    add_shared(places, shared, out);
    const sm_json *rep = sm_json_get(root, "repeatability");
    char line[240];
    if (strcmp(sm_json_string(sm_json_get(rep, "source")), "runs") == 0) {
        (void)snprintf(line, sizeof line,
                       "Repeated runs of one place stray %.1f dB (standard deviation): two single "
                       "runs may differ by %.1f dB by chance, means of several by less.",
                       sm_json_number(sm_json_get(rep, "db")),
                       sm_json_number(sm_json_get(rep, "difference_db")));
    } else {
        (void)snprintf(
            line, sizeof line,
            "Repeatability was not measured: %.3g dB assumed for each run, so differences "
            "below %.1f dB may be chance. Repeat the runs (PLACE=RUN names repeats).",
            sm_json_number(sm_json_get(rep, "db")),
            sm_json_number(sm_json_get(rep, "difference_db")));
    }
    sm_text_add(out, "\n");
    sm_text_wrap(out, 0, line);
    if (!margins) {
        sm_text_wrap(out, 0, "No budget, no verdict: give --budget FILE for margins.");
    }
}
