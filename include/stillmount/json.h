/*
 * The record that every writer renders: a JSON document. Commands fill one (keys: the schema files
 * in src/report/schema are the contract); text, HTML and pictures are drawn from it.
 * A failed allocation is remembered by the document, so that code that fills it stays readable;
 * sm_json_status() tells once at the end. A NULL node is ignored by every function.
 */
#ifndef STILLMOUNT_JSON_H
#define STILLMOUNT_JSON_H

#include "stillmount/number.h"
#include "stillmount/status.h"

#include <stdbool.h>

typedef struct sm_json_doc sm_json_doc;
typedef struct sm_json sm_json; /* a node; owned by its document */

/** An empty document: its top is an object. SM_OK or SM_E_NOMEM. */
SM_API SM_NODISCARD sm_status sm_json_open(sm_json_doc **out);
/** Parses text of n bytes; SM_E_FORMAT with the line in err when it is not JSON. */
SM_API SM_NODISCARD sm_status sm_json_parse(const char *text, size_t n, const char *source,
                                            sm_json_doc **out, sm_error *err);
SM_API void sm_json_close(sm_json_doc **doc);
/** SM_OK, or SM_E_NOMEM if anything could not be added. */
SM_API SM_NODISCARD sm_status sm_json_status(const sm_json_doc *doc);
/** The top object. */
SM_API sm_json *sm_json_root(sm_json_doc *doc);

/* Adding to an object under a key; one that is there is replaced in its place. NaN and infinities
 * become null, -0 becomes 0, broken UTF-8 '?'.
 */
SM_API sm_json *sm_json_add_object(sm_json_doc *doc, sm_json *object, const char *key);
SM_API sm_json *sm_json_add_array(sm_json_doc *doc, sm_json *object, const char *key);
SM_API void sm_json_add_number(sm_json_doc *doc, sm_json *object, const char *key, double v);
SM_API void sm_json_add_integer(sm_json_doc *doc, sm_json *object, const char *key, long long v);
SM_API void sm_json_add_text(sm_json_doc *doc, sm_json *object, const char *key, const char *s);
SM_API void sm_json_add_bool(sm_json_doc *doc, sm_json *object, const char *key, bool v);
SM_API void sm_json_add_null(sm_json_doc *doc, sm_json *object, const char *key);
/** [a, b] */
SM_API void sm_json_add_pair(sm_json_doc *doc, sm_json *object, const char *key, double a,
                             double b);
/** Array of n numbers. */
SM_API void sm_json_add_numbers(sm_json_doc *doc, sm_json *object, const char *key, const double *v,
                                size_t n);
/** [num, den] as integers */
SM_API void sm_json_add_ratio(sm_json_doc *doc, sm_json *object, const char *key, sm_ratio r);

/* Appending to an array. */
SM_API sm_json *sm_json_append_object(sm_json_doc *doc, sm_json *array);
SM_API sm_json *sm_json_append_array(sm_json_doc *doc, sm_json *array);
SM_API void sm_json_append_number(sm_json_doc *doc, sm_json *array, double v);
SM_API void sm_json_append_text(sm_json_doc *doc, sm_json *array, const char *s);
SM_API void sm_json_append_pair(sm_json_doc *doc, sm_json *array, double a, double b);

/* Reading. All accept NULL and wrong types and then give NULL, NaN, "" , 0 or the default. */
SM_API const sm_json *sm_json_get(const sm_json *object, const char *key);
/** The same node for adding to: only of a document that the caller may change. */
SM_API sm_json *sm_json_edit(sm_json_doc *doc, const sm_json *node);
SM_API size_t sm_json_size(const sm_json *array);
SM_API const sm_json *sm_json_at(const sm_json *array, size_t i);
SM_API double sm_json_number(const sm_json *node);      /* NaN when not a number */
SM_API const char *sm_json_string(const sm_json *node); /* "" when not a string */
SM_API bool sm_json_bool(const sm_json *node, bool fallback);
SM_API bool sm_json_is_array(const sm_json *node);
SM_API bool sm_json_is_null(const sm_json *node); /* also when absent */
SM_API bool sm_json_is_true(const sm_json *node);
/** Key of the i-th member of an object, and its node; NULL past the end. */
SM_API const char *sm_json_key_at(const sm_json *object, size_t i, const sm_json **node);

/**
 * Appends the document to text: 9 significant digits, keys in the order they were added, indented
 * by 2, or on one line when compact. One newline at the end. SM_OK or SM_E_NOMEM.
 */
SM_API SM_NODISCARD sm_status sm_json_print(const sm_json_doc *doc, bool compact, sm_text *out);

#endif
