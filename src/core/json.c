/* JSON documents on jansson; the only file that knows it. */
#include "stillmount/json.h"

#include "core/alloc.h"

#include <jansson.h>
#include <math.h>
#include <string.h>

struct sm_json_doc {
    json_t *root;
    bool failed;
};

/* A node is jansson's own; the cast lives in these two functions. */
static json_t *inner(const sm_json *node)
{
    union {
        const sm_json *ours;
        json_t *theirs;
    } u = {.ours = node};
    return u.theirs;
}

static sm_json *outer(json_t *node)
{
    return (sm_json *)node;
}

static sm_status wrap(json_t *root, sm_json_doc **out)
{
    sm_json_doc *doc = root ? sm_alloc_array(1, sizeof *doc) : NULL;
    if (!doc) {
        json_decref(root);
        return SM_E_NOMEM;
    }
    doc->root = root;
    *out = doc;
    return SM_OK;
}

sm_status sm_json_open(sm_json_doc **out)
{
    return wrap(json_object(), out);
}

sm_status sm_json_parse(const char *text, size_t n, const char *source, sm_json_doc **out,
                        sm_error *err)
{
    json_error_t e;
    json_t *root = json_loadb(text, n, JSON_REJECT_DUPLICATES, &e);
    if (!root) {
        return sm_error_set(err, SM_E_FORMAT, source, e.line, "not JSON: %s", e.text);
    }
    return wrap(root, out);
}

void sm_json_close(sm_json_doc **doc)
{
    if (*doc) {
        json_decref((*doc)->root);
        sm_free(*doc);
        *doc = NULL;
    }
}

sm_status sm_json_status(const sm_json_doc *doc)
{
    return doc->failed ? SM_E_NOMEM : SM_OK;
}

sm_json *sm_json_root(sm_json_doc *doc)
{
    return outer(doc->root);
}

static sm_json *put(sm_json_doc *doc, sm_json *object, const char *key, json_t *child)
{
    if (!object || !child || json_object_set_new(inner(object), key, child) != 0) {
        if (!object) {
            json_decref(child);
        }
        doc->failed = true;
        return NULL;
    }
    return outer(child);
}

static sm_json *append(sm_json_doc *doc, sm_json *array, json_t *child)
{
    if (!array || !child || json_array_append_new(inner(array), child) != 0) {
        if (!array) {
            json_decref(child);
        }
        doc->failed = true;
        return NULL;
    }
    return outer(child);
}

static json_t *number_node(double v)
{
    return isfinite(v) ? json_real(v == 0 ? 0.0 : v) : json_null();
}

static json_t *text_node(const char *s)
{
    if (!s) {
        return json_null();
    }
    json_t *node = json_string(s);
    if (node) {
        return node; /* valid UTF-8; control codes are escaped on output */
    }
    size_t n = strlen(s);
    char *clean = sm_alloc_array(n + 1, 1);
    if (clean) {
        sm_text_inert(s, n, clean, n + 1);
        node = json_string(clean);
    }
    sm_free(clean);
    return node;
}

static json_t *pair_node(double a, double b)
{
    json_t *pair = json_array();
    if (pair && (json_array_append_new(pair, number_node(a)) != 0 ||
                 json_array_append_new(pair, number_node(b)) != 0)) {
        json_decref(pair);
        pair = NULL;
    }
    return pair;
}

sm_json *sm_json_add_object(sm_json_doc *doc, sm_json *object, const char *key)
{
    return put(doc, object, key, json_object());
}

sm_json *sm_json_add_array(sm_json_doc *doc, sm_json *object, const char *key)
{
    return put(doc, object, key, json_array());
}

void sm_json_add_number(sm_json_doc *doc, sm_json *object, const char *key, double v)
{
    (void)put(doc, object, key, number_node(v));
}

void sm_json_add_integer(sm_json_doc *doc, sm_json *object, const char *key, long long v)
{
    (void)put(doc, object, key, json_integer(v));
}

void sm_json_add_text(sm_json_doc *doc, sm_json *object, const char *key, const char *s)
{
    (void)put(doc, object, key, text_node(s));
}

void sm_json_add_bool(sm_json_doc *doc, sm_json *object, const char *key, bool v)
{
    (void)put(doc, object, key, json_boolean(v));
}

void sm_json_add_null(sm_json_doc *doc, sm_json *object, const char *key)
{
    (void)put(doc, object, key, json_null());
}

void sm_json_add_pair(sm_json_doc *doc, sm_json *object, const char *key, double a, double b)
{
    (void)put(doc, object, key, pair_node(a, b));
}

void sm_json_add_numbers(sm_json_doc *doc, sm_json *object, const char *key, const double *v,
                         size_t n)
{
    sm_json *array = sm_json_add_array(doc, object, key);
    for (size_t i = 0; i < n; i++) {
        (void)append(doc, array, number_node(v[i]));
    }
}

void sm_json_add_ratio(sm_json_doc *doc, sm_json *object, const char *key, sm_ratio r)
{
    sm_json *array = sm_json_add_array(doc, object, key);
    (void)append(doc, array, json_integer(r.num));
    (void)append(doc, array, json_integer(r.den));
}

sm_json *sm_json_append_object(sm_json_doc *doc, sm_json *array)
{
    return append(doc, array, json_object());
}

sm_json *sm_json_append_array(sm_json_doc *doc, sm_json *array)
{
    return append(doc, array, json_array());
}

void sm_json_append_number(sm_json_doc *doc, sm_json *array, double v)
{
    (void)append(doc, array, number_node(v));
}

void sm_json_append_text(sm_json_doc *doc, sm_json *array, const char *s)
{
    (void)append(doc, array, text_node(s));
}

void sm_json_append_pair(sm_json_doc *doc, sm_json *array, double a, double b)
{
    (void)append(doc, array, pair_node(a, b));
}

sm_json *sm_json_edit(sm_json_doc *doc, const sm_json *node)
{
    (void)doc; /* owning the document is the right to change its nodes */
    return outer(inner(node));
}

const sm_json *sm_json_get(const sm_json *object, const char *key)
{
    return object ? outer(json_object_get(inner(object), key)) : NULL;
}

size_t sm_json_size(const sm_json *array)
{
    if (!array) {
        return 0;
    }
    const json_t *node = inner(array);
    return json_is_object(node) ? json_object_size(node) : json_array_size(node);
}

const sm_json *sm_json_at(const sm_json *array, size_t i)
{
    return array ? outer(json_array_get(inner(array), i)) : NULL;
}

double sm_json_number(const sm_json *node)
{
    const json_t *n = node ? inner(node) : NULL;
    return json_is_number(n) ? json_number_value(n) : (double)NAN;
}

const char *sm_json_string(const sm_json *node)
{
    const char *s = node ? json_string_value(inner(node)) : NULL;
    return s ? s : "";
}

bool sm_json_bool(const sm_json *node, bool fallback)
{
    const json_t *n = node ? inner(node) : NULL;
    return json_is_boolean(n) ? json_is_true(n) : fallback;
}

bool sm_json_is_true(const sm_json *node)
{
    return node && json_is_true(inner(node));
}

bool sm_json_is_array(const sm_json *node)
{
    return node && json_is_array(inner(node));
}

bool sm_json_is_null(const sm_json *node)
{
    return !node || json_is_null(inner(node));
}

const char *sm_json_key_at(const sm_json *object, size_t i, const sm_json **node)
{
    json_t *o = object ? inner(object) : NULL;
    void *it = json_is_object(o) ? json_object_iter(o) : NULL;
    while (it && i--) {
        it = json_object_iter_next(o, it);
    }
    if (!it) {
        return NULL;
    }
    if (node) {
        *node = outer(json_object_iter_value(it));
    }
    return json_object_iter_key(it);
}

static int to_text(const char *buffer, size_t size, void *data)
{
    sm_text *t = data;
    sm_text_add_n(t, buffer, size);
    return t->failed ? -1 : 0;
}

sm_status sm_json_print(const sm_json_doc *doc, bool compact, sm_text *out)
{
    size_t flags = JSON_REAL_PRECISION(9) | (compact ? JSON_COMPACT : JSON_INDENT(2));
    if (doc->failed || json_dump_callback(doc->root, to_text, out, flags) != 0) {
        return SM_E_NOMEM;
    }
    sm_text_add(out, "\n");
    return out->failed ? SM_E_NOMEM : SM_OK;
}
