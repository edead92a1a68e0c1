/* A ranking in words: what a difference is worth, and which places are not independent, in as few
   sentences as it takes. */
#include "stillmount/words.h"

#include <math.h>
#include <string.h>

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
    for (size_t i = 0; out && i < sm_json_size(places); i++) {
        const char *name = sm_json_string(sm_json_get(sm_json_at(places, i), "name"));
        if (in_group(shared, words, name)) {
            k++;
            sm_text_addf(out, "%s%s", k == 1 ? "" : (k == n ? " and " : ", "), name);
        }
    }
    if (out) {
        sm_text_addf(out, " all %s", words + 5);
    }
    return true;
}

bool sm_words_shared(const sm_json *root, size_t i, sm_text *out)
{
    const sm_json *places = sm_json_get(root, "places");
    const sm_json *shared = sm_json_get(root, "not_independent");
    if (i >= sm_json_size(shared)) {
        return false;
    }
    const char *words = shared_words(sm_json_at(shared, i));
    size_t first = 0;
    while (strcmp(shared_words(sm_json_at(shared, first)), words) != 0) {
        first++;
    }
    if (add_group(places, shared, words, first == i ? out : NULL)) {
        return first == i;
    }
    sm_text_add(out, sm_json_string(sm_json_get(sm_json_at(shared, i), "text")));
    return true;
}

const char *sm_words_shared_means(const sm_json *root)
{
    return sm_json_size(sm_json_get(root, "not_independent")) > 0
               ? "That is said of two sensors that are to back each other up. It takes nothing "
                 "from "
                 "this ranking: places compare best when one log holds them all."
               : NULL;
}

bool sm_words_may_be_louder(const sm_json *root)
{
    const sm_json *reasons = sm_json_get(root, "reasons");
    for (size_t i = 0; i < sm_json_size(reasons); i++) {
        const char *code = sm_json_string(sm_json_get(sm_json_at(reasons, i), "code"));
        if (strcmp(code, "may-be-louder") == 0) {
            return true;
        }
    }
    return false;
}

static bool in_same_runs(const sm_json *place)
{
    return sm_json_is_true(sm_json_get(place, "same_runs"));
}

const char *sm_words_behind(const sm_json *place)
{
    bool more = sm_json_is_true(sm_json_get(place, "more_than_repeatability"));
    if (in_same_runs(place)) {
        return more ? "more than chance between places of one log"
                    : "no more than chance between places of one log";
    }
    return more ? "more than two runs of one place would differ"
                : "no more than two runs of one place would differ";
}

/* Of the places behind the first: how many share its runs, how many do not, and the widest chance
   of those that do. */
typedef struct shares {
    size_t same;
    size_t other;
    double widest_db;
} shares;

static shares count_shares(const sm_json *places)
{
    shares s = {0, 0, 0};
    for (size_t i = 1; i < sm_json_size(places); i++) {
        const sm_json *p = sm_json_at(places, i);
        double db = sm_json_number(sm_json_get(p, "difference_db"));
        if (in_same_runs(p)) {
            s.same++;
            s.widest_db = db > s.widest_db ? db : s.widest_db;
        } else if (db > 0) {
            s.other++;
        }
    }
    return s;
}

void sm_words_spread(const sm_json *root, sm_text *out)
{
    const sm_json *rep = sm_json_get(root, "repeatability");
    double db = sm_json_number(sm_json_get(rep, "db"));
    double apart = sm_json_number(sm_json_get(rep, "difference_db"));
    shares s = count_shares(sm_json_get(root, "places"));
    if (isnan(db)) {
        return;
    }
    bool measured = strcmp(sm_json_string(sm_json_get(rep, "source")), "runs") == 0;
    if (measured) {
        sm_text_addf(out, "Repeated runs of one place stray %.1f dB (standard deviation)", db);
    } else {
        sm_text_addf(out, "Repeatability was not measured: %.3g dB assumed for each run", db);
    }
    if (isfinite(apart) && (s.other > 0 || s.same == 0)) {
        sm_text_addf(out,
                     measured ? ": two single runs may differ by %.1f dB by chance, means of "
                                "several by less"
                              : ", so differences of two runs below %.1f dB may be chance",
                     apart);
    }
    sm_text_add(out, ".");
    if (s.widest_db > 0) {
        sm_text_addf(out,
                     " Between places of one log what the whole run does (throttle, wind) cancels: "
                     "there %.1f dB may be chance%s.",
                     s.widest_db, measured ? "" : ", half of the scatter taken as common");
    }
    sm_text_add(out, measured ? "" : " Repeat the runs (PLACE=RUN names repeats).");
}
