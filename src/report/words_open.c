/* What an assessment could not answer: which limit, where, why, and what to record. */
#include "stillmount/words.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { MOST_CHANNELS = 3 };

typedef struct group {
    const char *limit;
    const char *code;
    const char *text;
    const sm_json *band; /* of the first result */
} group;

static const char *string(const sm_json *o, const char *key)
{
    return sm_json_string(sm_json_get(o, key));
}

/* The limit and first reason of a result that has no answer though its band was recorded. */
static bool open_result(const sm_json *r, group *g)
{
    const sm_json *first = sm_json_at(sm_json_get(r, "reasons"), 0);
    *g = (group){string(r, "limit"), string(first, "code"), string(first, "text"), NULL};
    return strcmp(string(r, "verdict"), "unassessed") == 0 && strcmp(g->code, "not-recorded") != 0;
}

static bool same(const group *a, const group *b)
{
    return strcmp(a->limit, b->limit) == 0 && strcmp(a->code, b->code) == 0;
}

static bool asked(const sm_json *band, bool required)
{
    return !required || sm_json_bool(sm_json_get(band, "required"), false);
}

/* The first result of each group, in the order of the document: the i-th of them. */
static bool find_group(const sm_json *bands, bool required, size_t i, group *found)
{
    enum { MOST = 64 };
    group seen[MOST];
    size_t n = 0;
    for (size_t b = 0; b < sm_json_size(bands); b++) {
        const sm_json *results = sm_json_get(sm_json_at(bands, b), "results");
        for (size_t k = 0; asked(sm_json_at(bands, b), required) && k < sm_json_size(results);
             k++) {
            group g;
            size_t j = 0;
            if (!open_result(sm_json_at(results, k), &g)) {
                continue;
            }
            while (j < n && !same(&seen[j], &g)) {
                j++;
            }
            if (j == n && n < MOST) {
                g.band = sm_json_at(bands, b);
                seen[n++] = g;
            }
        }
    }
    if (i < n) {
        *found = seen[i];
    }
    return i < n;
}

static bool band_has(const sm_json *band, const group *wanted)
{
    const sm_json *results = sm_json_get(band, "results");
    for (size_t k = 0; k < sm_json_size(results); k++) {
        group g;
        if (open_result(sm_json_at(results, k), &g) && same(&g, wanted)) {
            return true;
        }
    }
    return false;
}

static void add_ranges(const sm_json *bands, const group *wanted, sm_text *out)
{
    double lo = NAN;
    double hi = NAN;
    const char *comma = "";
    for (size_t b = 0; b <= sm_json_size(bands); b++) {
        const sm_json *rpm = sm_json_get(sm_json_at(bands, b), "rpm");
        bool has = b < sm_json_size(bands) && band_has(sm_json_at(bands, b), wanted);
        if (!has && !isnan(lo)) {
            sm_text_addf(out, "%s%.0f-%.0f", comma, lo, hi);
            comma = ", ";
            lo = (double)NAN;
        }
        if (has) {
            lo = isnan(lo) ? sm_json_number(sm_json_at(rpm, 0)) : lo;
            hi = sm_json_number(sm_json_at(rpm, 1));
        }
    }
    sm_text_add(out, " rpm");
}

/* Each channel of the group once, and whether all its results give the same text. */
static bool add_channels(const sm_json *bands, const group *wanted, sm_text *out)
{
    const char *names[MOST_CHANNELS];
    size_t n = 0;
    bool alike = true;
    for (size_t b = 0; b < sm_json_size(bands); b++) {
        const sm_json *results = sm_json_get(sm_json_at(bands, b), "results");
        for (size_t k = 0; k < sm_json_size(results); k++) {
            group g;
            if (!open_result(sm_json_at(results, k), &g) || !same(&g, wanted)) {
                continue;
            }
            const char *name = string(sm_json_at(results, k), "channel");
            size_t j = 0;
            alike = alike && strcmp(g.text, wanted->text) == 0;
            while (j < n && strcmp(names[j], name) != 0) {
                j++;
            }
            if (j == n && n < MOST_CHANNELS) {
                names[n++] = name;
                sm_text_addf(out, ", %s", name);
            } else if (j == n) {
                n = MOST_CHANNELS + 1;
                sm_text_add(out, " and others");
                return alike;
            }
        }
    }
    return alike;
}

static bool open_line(const sm_json *root, bool required, size_t i, sm_text *out)
{
    const sm_json *bands = sm_json_get(root, "bands");
    group g;
    if (!find_group(bands, required, i, &g)) {
        return false;
    }
    sm_text_addf(out, "%s", g.limit);
    bool alike = add_channels(bands, &g, out);
    sm_text_add(out, ", ");
    add_ranges(bands, &g, out);
    const sm_json *rpm = sm_json_get(g.band, "rpm");
    if (!alike && sm_json_size(rpm) == 2 && isfinite(sm_json_number(sm_json_at(rpm, 0)))) {
        sm_text_addf(out, "; at %.0f-%.0f rpm", sm_json_number(sm_json_at(rpm, 0)),
                     sm_json_number(sm_json_at(rpm, 1)));
    }
    sm_text_addf(out, ": %s", g.text[0] ? g.text : g.code);
    return true;
}

bool sm_words_open(const sm_json *root, size_t i, sm_text *out)
{
    return open_line(root, false, i, out);
}

bool sm_words_open_required(const sm_json *root, size_t i, sm_text *out)
{
    return open_line(root, true, i, out);
}
