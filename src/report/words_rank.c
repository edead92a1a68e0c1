/* Which places of a ranking are not independent, in as few sentences as it takes. */
#include "stillmount/words.h"

#include <stdio.h>
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
