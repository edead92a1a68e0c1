/* Building blocks of the HTML pages: escaping, tables, pictures. */
#include "report/page.h"

#include "core/alloc.h"
#include "report/look.h"
#include "report/svg.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

void sm_page_raw(sm_page *g, const char *markup)
{
    sm_text_add(g->out, markup);
}

void sm_page_text(sm_page *g, const char *s)
{
    sm_html_escape(g->out, s);
}

/* Escapes; a number that is none, standing by itself, is a dash. */
static void escape_known(sm_page *g, char *s)
{
    char *from = s;
    for (char *p = s; *p; p++) {
        size_t sign = *p == '-' || *p == '+';
        bool none = strncmp(p + sign, "nan", 3) == 0 || strncmp(p + sign, "inf", 3) == 0;
        const char *after = p + sign + 3;
        bool begins = p == from || strchr(" (/", p[-1]) || (unsigned char)p[-1] >= 0x80;
        if (none && begins && (strchr(" ,;:)%/-", *after) || (unsigned char)*after >= 0x80)) {
            *p = '\0';
            sm_html_escape(g->out, from);
            sm_text_add(g->out, "\u2013");
            from = p + sign + 3;
            p = from - 1;
        }
    }
    sm_html_escape(g->out, from);
}

/* Formats at any length, then escapes. */
SM_PRINTF(2, 0)
static void escape_list(sm_page *g, const char *fmt, va_list args)
{
    va_list again;
    va_copy(again, args);
    int n = vsnprintf(NULL, 0, fmt, args);
    char *buf = n >= 0 ? sm_alloc_array((size_t)n + 1, 1) : NULL;
    if (buf) {
        (void)vsnprintf(buf, (size_t)n + 1, fmt, again);
        escape_known(g, buf);
    } else {
        g->out->failed = true;
    }
    va_end(again);
    sm_free(buf);
}

void sm_page_textf(sm_page *g, const char *fmt, ...)
{
    va_list args;
    va_start(args, fmt);
    escape_list(g, fmt, args);
    va_end(args);
}

void sm_page_number(sm_page *g, double v, int digits)
{
    if (isnan(v)) {
        sm_page_raw(g, "\u2013");
        return;
    }
    sm_text t = {0};
    sm_text_add_number(&t, fabs(v), digits > 0 ? digits : 4);
    sm_page_raw(g, v < 0 ? "\u2212" : "");
    sm_page_raw(g, t.s ? t.s : "");
    g->out->failed = g->out->failed || t.failed;
    sm_text_free(&t);
}

void sm_page_section(sm_page *g, const char *id, const char *heading)
{
    sm_text_addf(g->out, "<section aria-labelledby=\"%s\">\n<h2 id=\"%s\">%s</h2>\n", id, id,
                 heading);
}

void sm_page_paragraph(sm_page *g, const char *fmt, ...)
{
    va_list args;
    sm_page_raw(g, "<p>");
    va_start(args, fmt);
    escape_list(g, fmt, args);
    va_end(args);
    sm_page_raw(g, "</p>\n");
}

void sm_page_first(sm_page *g, const char *label, const char *fmt, ...)
{
    va_list args;
    sm_page_raw(g, "<dt>");
    sm_html_escape(g->out, label);
    sm_page_raw(g, "</dt><dd>");
    va_start(args, fmt);
    escape_list(g, fmt, args);
    va_end(args);
    sm_page_raw(g, "</dd>\n");
}

static const char *verdict_class(const char *verdict)
{
    const char *colour = sm_look_verdict(verdict);
    return strcmp(colour, SM_WITHIN) == 0 ? "v-within"
           : strcmp(colour, SM_THIN) == 0 ? "v-thin"
           : strcmp(colour, SM_OVER) == 0 ? "v-over"
                                          : "v-none";
}

void sm_page_verdict(sm_page *g, const char *verdict)
{
    if (!verdict[0]) {
        sm_page_raw(g, "\u2013");
        return;
    }
    sm_text_addf(g->out, "<span class=\"v %s\"><span aria-hidden=\"true\">%s</span> ",
                 verdict_class(verdict), sm_look_sign(verdict));
    sm_page_text(g, verdict);
    sm_page_raw(g, "</span>");
}

static bool is_numeric(sm_column_kind kind)
{
    return kind == SM_COLUMN_NUMBER || kind == SM_COLUMN_VALUE || kind == SM_COLUMN_SIGNED ||
           kind == SM_COLUMN_RANGE || kind == SM_COLUMN_NUMBERS || kind == SM_COLUMN_INTERVAL;
}

void sm_page_table_open(sm_page *g, const char *caption, const sm_column *columns, size_t n)
{
    sm_page_raw(g, "<div class=\"wide\" role=\"region\" tabindex=\"0\" aria-label=\"");
    sm_page_textf(g, "%s", caption);
    sm_page_raw(g, "\"><table><caption>");
    sm_page_textf(g, "%s", caption);
    sm_page_raw(g, "</caption>\n<thead><tr>");
    for (size_t i = 0; i < n; i++) {
        sm_page_raw(g, is_numeric(columns[i].kind) ? "<th scope=\"col\" class=\"n\">"
                                                   : "<th scope=\"col\">");
        sm_page_text(g, columns[i].heading);
        sm_page_raw(g, "</th>");
    }
    sm_page_raw(g, "</tr></thead>\n<tbody>\n");
}

void sm_page_table_close(sm_page *g)
{
    sm_page_raw(g, "</tbody></table></div>\n");
}

static void reasons_cell(sm_page *g, const sm_json *list)
{
    for (size_t i = 0; i < sm_json_size(list); i++) {
        const sm_json *r = sm_json_at(list, i);
        const char *text = sm_record_text(r, "text");
        sm_page_raw(g, i ? "; " : "");
        sm_page_text(g, text[0] ? text : sm_json_string(r));
    }
    if (sm_json_size(list) == 0) {
        sm_page_text(g, sm_json_string(list));
    }
}

static void range_cell(sm_page *g, const sm_json *pair, int digits)
{
    double a = sm_json_number(sm_json_at(pair, 0));
    double b = sm_json_number(sm_json_at(pair, 1));
    if (isnan(a) && isnan(b)) {
        sm_page_raw(g, "\u2013");
        return;
    }
    sm_page_number(g, a, digits);
    sm_page_raw(g, a < 0 || b < 0 ? " to " : "\u2013");
    sm_page_number(g, b, digits);
}

static void numbers_cell(sm_page *g, const sm_json *list, int digits)
{
    for (size_t i = 0; i < sm_json_size(list) && i < 12; i++) {
        sm_page_raw(g, i ? "&#160; " : "");
        sm_page_number(g, sm_json_number(sm_json_at(list, i)), digits);
    }
}

static void text_cell(sm_page *g, const sm_json *node)
{
    if (sm_json_size(node) > 0) { /* a list of words */
        for (size_t i = 0; i < sm_json_size(node); i++) {
            sm_page_raw(g, i ? ", " : "");
            sm_page_text(g, sm_json_string(sm_json_at(node, i)));
        }
        return;
    }
    sm_page_text(g, sm_json_string(node));
}

static void value_cell(sm_page *g, const sm_json *result, const sm_column *c)
{
    bool unresolved = sm_record_unresolved(result);
    sm_page_raw(g, unresolved ? "up to " : "");
    sm_page_number(g, sm_record_number(result, unresolved ? "ceiling" : c->key), c->digits);
}

static void cell_content(sm_page *g, const sm_json *item, const sm_column *c)
{
    const sm_json *node = sm_json_get(item, c->key);
    char measure[160];
    switch (c->kind) {
    case SM_COLUMN_NUMBER:
        sm_page_number(g, sm_json_number(node), c->digits);
        break;
    case SM_COLUMN_VALUE:
        value_cell(g, item, c);
        break;
    case SM_COLUMN_SIGNED:
        if (sm_json_number(node) > 0) {
            sm_page_raw(g, "+");
        }
        if (!isnan(sm_json_number(node))) { /* one decimal: dB beyond that says nothing */
            sm_text_addf(g->out, "%s%.1f", sm_json_number(node) <= -0.05 ? "\u2212" : "",
                         fabs(sm_json_number(node)));
        } else {
            sm_page_raw(g, "\u2013");
        }
        break;
    case SM_COLUMN_RANGE:
        range_cell(g, node, c->digits);
        break;
    case SM_COLUMN_INTERVAL:
        range_cell(g, sm_json_get(sm_json_get(item, "intervals"), c->key), c->digits);
        break;
    case SM_COLUMN_NUMBERS:
        numbers_cell(g, node, c->digits);
        break;
    case SM_COLUMN_VERDICT:
        sm_page_verdict(g, sm_json_string(node));
        break;
    case SM_COLUMN_REASONS:
        reasons_cell(g, node);
        break;
    case SM_COLUMN_MEASURE:
        sm_record_measure(item, measure, sizeof measure);
        sm_page_text(g, measure);
        break;
    case SM_COLUMN_YES:
        sm_page_raw(g, sm_json_is_null(node) ? "\u2013" : sm_json_bool(node, false) ? "yes" : "no");
        break;
    case SM_COLUMN_STILL:
        sm_page_raw(g, sm_json_is_null(node) || strcmp(sm_record_text(item, "kind"), "turn") == 0
                           ? "\u2013"
                       : sm_json_bool(node, false) ? "yes"
                                                   : "no");
        break;
    case SM_COLUMN_TEXT:
    default:
        text_cell(g, node);
    }
}

void sm_page_cell(sm_page *g, const sm_json *item, const sm_column *c)
{
    sm_page_raw(g, is_numeric(c->kind)            ? "<td class=\"n\">"
                   : c->kind == SM_COLUMN_REASONS ? "<td class=\"long\">"
                                                  : "<td>");
    cell_content(g, item, c);
    sm_page_raw(g, "</td>");
}

void sm_page_row(sm_page *g, const sm_json *item, const sm_column *columns, size_t n)
{
    sm_page_raw(g, "<tr><th scope=\"row\">");
    cell_content(g, item, &columns[0]);
    sm_page_raw(g, "</th>");
    for (size_t i = 1; i < n; i++) {
        sm_page_cell(g, item, &columns[i]);
    }
    sm_page_raw(g, "</tr>\n");
}

static bool any_reason(const sm_json *array, const char *key)
{
    for (size_t i = 0; i < sm_json_size(array); i++) {
        if (sm_json_size(sm_json_get(sm_json_at(array, i), key)) > 0) {
            return true;
        }
    }
    return false;
}

void sm_page_table(sm_page *g, const char *caption, const sm_json *array, const sm_column *columns,
                   size_t n)
{
    if (sm_json_size(array) == 0) {
        return;
    }
    enum { MOST_COLUMNS = 16 };
    sm_column shown[MOST_COLUMNS];
    size_t n_shown = 0;
    for (size_t i = 0; i < n && n <= MOST_COLUMNS; i++) { /* no room for empty remarks */
        if (columns[i].kind != SM_COLUMN_REASONS || any_reason(array, columns[i].key)) {
            shown[n_shown++] = columns[i];
        }
    }
    if (n <= MOST_COLUMNS) {
        columns = shown;
        n = n_shown;
    }
    sm_page_table_open(g, caption, columns, n);
    for (size_t i = 0; i < sm_json_size(array); i++) {
        sm_page_row(g, sm_json_at(array, i), columns, n);
    }
    sm_page_table_close(g);
}

static void put_picture(sm_page *g, const sm_picture *p)
{
    if (!p->svg) {
        return;
    }
    sm_page_raw(g, "<figure><div class=\"sheet\">");
    sm_page_raw(g, p->svg); /* sanitised when it was made */
    sm_page_raw(g, "</div><figcaption>");
    sm_page_textf(g, "%s", p->words);
    sm_page_raw(g, "</figcaption></figure>\n");
}

void sm_page_picture(sm_page *g, const char *name)
{
    for (size_t i = 0; g->pictures && i < g->pictures->n; i++) {
        if (strcmp(g->pictures->items[i].name, name) == 0) {
            put_picture(g, &g->pictures->items[i]);
        }
    }
}

void sm_page_pictures(sm_page *g, const char *start)
{
    for (size_t i = 0; g->pictures && i < g->pictures->n; i++) {
        if (strncmp(g->pictures->items[i].name, start, strlen(start)) == 0) {
            put_picture(g, &g->pictures->items[i]);
        }
    }
}
