/* Of a comparison with limits: the smallest margin of each limit and channel on both sides. */
#include "compare/levels.h"

#include <math.h>
#include <string.h>

static const char *text_of(const sm_json *change, const char *key)
{
    return sm_json_string(sm_json_get(change, key));
}

/* What is written of a limit and channel. */
typedef struct margin {
    double db;
    const sm_json *band;
} margin;

static void find(const sm_json *bands, const sm_json *like, margin found[2])
{
    for (size_t b = 0; b < sm_json_size(bands); b++) {
        const sm_json *band = sm_json_at(bands, b);
        const sm_json *changes = sm_json_get(band, "changes");
        for (size_t i = 0; i < sm_json_size(changes); i++) {
            const sm_json *c = sm_json_at(changes, i);
            if (strcmp(text_of(c, "limit"), text_of(like, "limit")) != 0 ||
                strcmp(text_of(c, "channel"), text_of(like, "channel")) != 0) {
                continue;
            }
            for (int s = 0; s < 2; s++) {
                double db =
                    sm_json_number(sm_json_get(c, s ? "margin_after_db" : "margin_before_db"));
                if (db < found[s].db) {
                    found[s] = (margin){db, band};
                }
            }
        }
    }
}

static bool listed(const sm_json *list, const sm_json *change)
{
    for (size_t i = 0; i < sm_json_size(list); i++) {
        const sm_json *m = sm_json_at(list, i);
        if (strcmp(text_of(m, "limit"), text_of(change, "limit")) == 0 &&
            strcmp(text_of(m, "channel"), text_of(change, "channel")) == 0) {
            return true;
        }
    }
    return false;
}

static void add(const sm_json *bands, const sm_json *change, sm_json *list, sm_json_doc *doc)
{
    margin found[2] = {{(double)INFINITY, NULL}, {(double)INFINITY, NULL}};
    find(bands, change, found);
    if (!found[0].band || !found[1].band) {
        return;
    }
    sm_json *o = sm_json_append_object(doc, list);
    sm_json_add_text(doc, o, "limit", text_of(change, "limit"));
    sm_json_add_text(doc, o, "channel", text_of(change, "channel"));
    for (int s = 0; s < 2; s++) {
        const sm_json *rpm = sm_json_get(found[s].band, "rpm");
        sm_json_add_number(doc, o, s ? "after_db" : "before_db", found[s].db);
        sm_json_add_pair(doc, o, s ? "after_rpm" : "before_rpm", sm_json_number(sm_json_at(rpm, 0)),
                         sm_json_number(sm_json_at(rpm, 1)));
    }
}

void sm_compare_margins(sm_json_doc *doc)
{
    sm_json *root = sm_json_root(doc);
    const sm_json *bands = sm_json_get(root, "bands");
    sm_json *list = sm_json_add_array(doc, root, "margins");
    for (size_t b = 0; b < sm_json_size(bands); b++) {
        const sm_json *changes = sm_json_get(sm_json_at(bands, b), "changes");
        for (size_t i = 0; i < sm_json_size(changes); i++) {
            const sm_json *c = sm_json_at(changes, i);
            if (text_of(c, "limit")[0] && !listed(list, c)) {
                add(bands, c, list, doc);
            }
        }
    }
}
