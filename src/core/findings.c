/* The list of findings, and its JSON. */
#include "stillmount/findings.h"

#include "core/alloc.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

const char *sm_severity_text(sm_severity s)
{
    return s == SM_BLOCKING ? "blocking" : s == SM_WARNING ? "warning" : "note";
}

static sm_finding *find(const sm_findings *f, const char *code, const char *channel)
{
    for (size_t i = 0; i < f->n; i++) {
        if (strcmp(f->items[i].code, code) == 0 &&
            strcmp(f->items[i].channel, channel ? channel : "") == 0) {
            return &f->items[i];
        }
    }
    return NULL;
}

sm_finding *sm_findings_add(sm_findings *f, const char *code, sm_severity severity,
                            const char *channel, long count)
{
    sm_finding *item = find(f, code, channel);
    if (!item) {
        sm_finding *items = sm_grow(f->items, f->n, &f->capacity, sizeof *items);
        if (!items) {
            f->failed = true;
            return NULL;
        }
        f->items = items;
        item = &items[f->n++];
        *item = (sm_finding){.severity = severity, .hz_lo = NAN, .hz_hi = NAN};
        (void)snprintf(item->code, sizeof item->code, "%s", code);
        (void)snprintf(item->channel, sizeof item->channel, "%s", channel ? channel : "");
    }
    if (severity > item->severity) {
        item->severity = severity;
    }
    item->count += count;
    return item;
}

void sm_finding_place(sm_finding *finding, double t0_s, double t1_s, long line)
{
    if (finding && finding->n_at < SM_FINDING_PLACES) {
        finding->at[finding->n_at++] = (sm_place){t0_s, t1_s, line};
    }
}

void sm_finding_text(sm_finding *finding, const char *fmt, ...)
{
    if (finding) {
        va_list args;
        va_start(args, fmt);
        (void)vsnprintf(finding->text, sizeof finding->text, fmt, args);
        va_end(args);
    }
}

void sm_finding_effect(sm_finding *finding, const char *fmt, ...)
{
    if (finding) {
        va_list args;
        va_start(args, fmt);
        (void)vsnprintf(finding->effect, sizeof finding->effect, fmt, args);
        va_end(args);
    }
}

const sm_finding *sm_findings_get(const sm_findings *f, const char *code, const char *channel)
{
    return find(f, code, channel);
}

void sm_findings_free(sm_findings *f)
{
    sm_free(f->items);
    *f = (sm_findings){0};
}

void sm_findings_json(const sm_findings *f, sm_json_doc *doc, sm_json *object)
{
    sm_json *array = sm_json_add_array(doc, object, "findings");
    for (size_t i = 0; i < f->n; i++) {
        const sm_finding *item = &f->items[i];
        sm_json *o = sm_json_append_object(doc, array);
        sm_json_add_text(doc, o, "code", item->code);
        sm_json_add_text(doc, o, "severity", sm_severity_text(item->severity));
        sm_json_add_text(doc, o, "channel", item->channel[0] ? item->channel : NULL);
        sm_json_add_integer(doc, o, "count", item->count);
        sm_json *at = sm_json_add_array(doc, o, "at");
        for (size_t k = 0; k < item->n_at; k++) {
            sm_json *place = sm_json_append_object(doc, at);
            sm_json_add_pair(doc, place, "t", item->at[k].t0_s, item->at[k].t1_s);
            if (item->at[k].line > 0) {
                sm_json_add_integer(doc, place, "line", item->at[k].line);
            } else {
                sm_json_add_null(doc, place, "line");
            }
        }
        sm_json_add_text(doc, o, "effect", item->effect);
        sm_json_add_text(doc, o, "text", item->text);
    }
}
