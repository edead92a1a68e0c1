/* The plan's list with its ticks, as text. */
#include "report/record.h"
#include "stillmount/plan.h"
#include "stillmount/words.h"

#include <stdio.h>
#include <string.h>

static const char *mark_of(const sm_json *item)
{
    const char *state = sm_record_text(item, "state");
    return strcmp(state, "done") == 0      ? "[x]"
           : strcmp(state, "short") == 0   ? "[-]"
           : strcmp(state, "missing") == 0 ? "[ ]"
                                           : "[!]";
}

static void line(sm_text *out, const char *mark, const char *text)
{
    sm_text_addf(out, "  %s ", mark);
    sm_words_wrap(out, 6, 6, text);
}

static bool is_hold(const sm_json *item, const char *direction)
{
    return strcmp(sm_record_text(item, "kind"), "hold") == 0 &&
           strcmp(sm_record_text(item, "direction"), direction) == 0;
}

/* Holds of one direction: how many are there, and each that is not. */
static void holds(const sm_json *items, const char *direction, sm_text *out)
{
    size_t n = 0;
    size_t done = 0;
    for (size_t i = 0; i < sm_json_size(items); i++) {
        const sm_json *item = sm_json_at(items, i);
        if (is_hold(item, direction)) {
            n++;
            done += strcmp(sm_record_text(item, "state"), "done") == 0;
        }
    }
    if (n == 0) {
        return;
    }
    char text[120];
    (void)snprintf(text, sizeof text, "%s holds: %zu of %zu bands have their seconds",
                   strcmp(direction, "up") == 0 ? "rising" : "falling", done, n);
    line(out, done == n ? "[x]" : done > 0 ? "[-]" : "[ ]", text);
    sm_text list = {0};
    for (size_t i = 0; i < sm_json_size(items); i++) {
        const sm_json *item = sm_json_at(items, i);
        if (is_hold(item, direction) && strcmp(sm_record_text(item, "state"), "done") != 0) {
            sm_text_addf(&list, "%s%.0f rpm %.0f s",
                         list.n ? ", " : "still to hold: ", sm_record_number(item, "rpm"),
                         sm_record_number(item, "asked_seconds"));
        }
    }
    if (list.n) {
        sm_text_add(out, "      ");
        sm_words_wrap(out, 6, 6, list.s);
    }
    out->failed = out->failed || list.failed;
    sm_text_free(&list);
}

void sm_plan_check_text(const sm_json *plan, sm_text *out)
{
    const sm_json *items = sm_json_get(plan, "items");
    bool held = false;
    for (size_t i = 0; i < sm_json_size(items); i++) {
        const sm_json *item = sm_json_at(items, i);
        if (strcmp(sm_record_text(item, "kind"), "hold") != 0) {
            line(out, mark_of(item), sm_record_text(item, "text"));
        } else if (!held) {
            held = true;
            holds(items, "up", out);
            holds(items, "down", out);
        }
    }
    bool complete = sm_json_bool(sm_json_get(plan, "complete"), false);
    sm_text_add(out, "\n  ");
    sm_words_wrap(out, 2, 2,
                  complete
                      ? "Nothing that a verdict needs is missing."
                      : "Not complete: a verdict needs more than this log holds. Record what is "
                        "not ticked while the engine is still warm.");
}
