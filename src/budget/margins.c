/* Of a document with limits: the smallest margin of each limit and channel. */
#include "budget/margins.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* What is asked of the document. */
typedef struct search {
    const sm_json *bands;
    const char *list;
    const sm_margin_kind *kinds;
    size_t n;
    bool all;
} search;

/* What is written of a limit and channel. */
typedef struct margin {
    double db;
    const sm_json *band;
} margin;

static const char *text_of(const sm_json *result, const char *key)
{
    return sm_json_string(sm_json_get(result, key));
}

static bool is_same(const sm_json *a, const sm_json *b)
{
    return strcmp(text_of(a, "limit"), text_of(b, "limit")) == 0 &&
           strcmp(text_of(a, "channel"), text_of(b, "channel")) == 0;
}

static void find(const search *s, const sm_json *like, margin *found)
{
    for (size_t b = 0; b < sm_json_size(s->bands); b++) {
        const sm_json *band = sm_json_at(s->bands, b);
        const sm_json *results = sm_json_get(band, s->list);
        for (size_t i = 0; i < sm_json_size(results); i++) {
            const sm_json *r = sm_json_at(results, i);
            for (size_t k = 0; k < s->n && is_same(r, like); k++) {
                double db = sm_json_number(sm_json_get(r, s->kinds[k].key));
                if (db < found[k].db) {
                    found[k] = (margin){db, band};
                }
            }
        }
    }
}

static bool listed(const sm_json *list, const sm_json *result)
{
    for (size_t i = 0; i < sm_json_size(list); i++) {
        if (is_same(sm_json_at(list, i), result)) {
            return true;
        }
    }
    return false;
}

static void add(const search *s, const sm_json *result, sm_json *list, sm_json_doc *doc)
{
    margin found[SM_MARGIN_KINDS];
    size_t there = 0;
    for (size_t k = 0; k < s->n; k++) {
        found[k] = (margin){(double)INFINITY, NULL};
    }
    find(s, result, found);
    for (size_t k = 0; k < s->n; k++) {
        there += found[k].band != NULL;
    }
    bool has_max = sm_json_number(sm_json_get(result, "max")) > 0;
    if ((there == 0 && (s->all || !has_max)) || (s->all && there < s->n)) {
        return;
    }
    sm_json *o = sm_json_append_object(doc, list);
    sm_json_add_text(doc, o, "limit", text_of(result, "limit"));
    sm_json_add_text(doc, o, "channel", text_of(result, "channel"));
    for (size_t k = 0; k < s->n; k++) {
        const sm_json *rpm = sm_json_get(found[k].band, "rpm");
        char key[2][32];
        (void)snprintf(key[0], sizeof key[0], "%s_db", s->kinds[k].name);
        (void)snprintf(key[1], sizeof key[1], "%s_rpm", s->kinds[k].name);
        sm_json_add_number(doc, o, key[0], found[k].band ? found[k].db : (double)NAN);
        sm_json_add_pair(doc, o, key[1], sm_json_number(sm_json_at(rpm, 0)),
                         sm_json_number(sm_json_at(rpm, 1)));
    }
}

void sm_margins_write(sm_json_doc *doc, const char *list, const sm_margin_kind *kinds, size_t n,
                      bool all)
{
    sm_json *root = sm_json_root(doc);
    search s = {sm_json_get(root, "bands"), list, kinds, n < SM_MARGIN_KINDS ? n : SM_MARGIN_KINDS,
                all};
    sm_json *margins = sm_json_add_array(doc, root, "margins");
    for (size_t b = 0; b < sm_json_size(s.bands); b++) {
        const sm_json *results = sm_json_get(sm_json_at(s.bands, b), list);
        for (size_t i = 0; i < sm_json_size(results); i++) {
            const sm_json *r = sm_json_at(results, i);
            if (text_of(r, "limit")[0] && !listed(margins, r)) {
                add(&s, r, margins, doc);
            }
        }
    }
}
