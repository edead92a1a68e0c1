/* Keeping the harmless part of an SVG drawing. */
#include "report/svg.h"

#include "core/alloc.h"

#include <ctype.h>
#include <string.h>

void sm_html_escape(sm_text *out, const char *s)
{
    size_t n = strlen(s);
    char *inert = sm_alloc_array(n + 1, 1);
    if (!inert) {
        out->failed = true;
        return;
    }
    sm_text_inert(s, n, inert, n + 1);
    for (const char *c = inert; *c; c++) {
        switch (*c) {
        case '&':
            sm_text_add(out, "&amp;");
            break;
        case '<':
            sm_text_add(out, "&lt;");
            break;
        case '>':
            sm_text_add(out, "&gt;");
            break;
        case '"':
            sm_text_add(out, "&quot;");
            break;
        case '\'':
            sm_text_add(out, "&#39;");
            break;
        default:
            sm_text_add_n(out, c, 1);
        }
    }
    sm_free(inert);
}

static bool in_list(const char *const *list, const char *s, size_t n)
{
    for (size_t i = 0; list[i]; i++) {
        if (strlen(list[i]) == n && memcmp(list[i], s, n) == 0) {
            return true;
        }
    }
    return false;
}

static const char *const kept_elements[] = {"g",       "defs",     "path",  "rect", "circle",
                                            "ellipse", "line",     "use",   "text", "tspan",
                                            "polygon", "polyline", "image", NULL};
static const char *const kept_attributes[] = {"x",
                                              "y",
                                              "x1",
                                              "y1",
                                              "x2",
                                              "y2",
                                              "cx",
                                              "cy",
                                              "r",
                                              "rx",
                                              "ry",
                                              "d",
                                              "points",
                                              "width",
                                              "height",
                                              "transform",
                                              "fill",
                                              "stroke",
                                              "stroke-width",
                                              "stroke-dasharray",
                                              "color",
                                              "fill-rule",
                                              "fill-opacity",
                                              "text-anchor",
                                              "stroke-linecap",
                                              "opacity",
                                              "font-size",
                                              "font-weight",
                                              "font-style",
                                              "stroke-linejoin",
                                              "dx",
                                              "dy",
                                              "viewBox",
                                              "preserveAspectRatio",
                                              "shape-rendering",
                                              NULL};

/* A value that is numbers, names, colours and the letters of a path: nothing that can open
 * anything. */
static bool plain_value(const char *s, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        unsigned char c = (unsigned char)s[i];
        if (!isalnum(c) && !strchr(" .,-+#%()\n\r\t", c)) {
            return false;
        }
    }
    for (size_t i = 0; i + 3 < n; i++) {
        if (memcmp(s + i, "url", 3) == 0) {
            return false;
        }
    }
    return true;
}

static bool inner_picture(const char *s, size_t n)
{
    static const char start[] = "data:image/png;base64,";
    size_t k = sizeof start - 1;
    if (n <= k || memcmp(s, start, k) != 0) {
        return false;
    }
    for (size_t i = k; i < n; i++) {
        if (!isalnum((unsigned char)s[i]) && !strchr("+/=\n\r\t ", s[i])) {
            return false;
        }
    }
    return true;
}

static void keep_attribute(sm_text *out, const char *name, size_t n_name, const char *value,
                           size_t n, const char *prefix)
{
    static const char *const ids[] = {"id", NULL};
    static const char *const links[] = {"xlink:href", "href", NULL};
    static const char *const family[] = {"font-family", NULL};
    if (in_list(family, name, n_name)) { /* the page has its own; gnuplot's bold is in the name */
        sm_text_add(out,
                    n == 9 && memcmp(value, "sans:Bold", 9) == 0 ? " font-weight=\"bold\"" : "");
    } else if (in_list(ids, name, n_name) && plain_value(value, n)) {
        sm_text_addf(out, " id=\"%s-%.*s\"", prefix, (int)n, value);
    } else if (in_list(links, name, n_name) && n > 1 && value[0] == '#' && plain_value(value, n)) {
        sm_text_addf(out, " href=\"#%s-%.*s\"", prefix, (int)n - 1, value + 1);
    } else if (in_list(links, name, n_name) && inner_picture(value, n)) {
        sm_text_add(out, " href=\"");
        sm_text_add_n(out, value, n);
        sm_text_add(out, "\"");
    } else if (in_list(kept_attributes, name, n_name) && plain_value(value, n)) {
        sm_text_addf(out, " %.*s=\"", (int)n_name, name);
        sm_text_add_n(out, value, n);
        sm_text_add(out, "\"");
    }
}

static const char *skip_blanks(const char *p, const char *end)
{
    while (p < end && isspace((unsigned char)*p)) {
        p++;
    }
    return p;
}

/* From behind the element's name to '>' ; NULL when the tag is broken. */
static const char *keep_attributes(sm_text *out, const char *p, const char *end, const char *prefix,
                                   bool *empty)
{
    *empty = false;
    while (p < end) {
        p = skip_blanks(p, end);
        if (p < end && *p == '>') {
            return p + 1;
        }
        if (p + 1 < end && p[0] == '/' && p[1] == '>') {
            *empty = true;
            return p + 2;
        }
        const char *name = p;
        while (p < end && !isspace((unsigned char)*p) && !strchr("=/>\"'<", *p)) {
            p++;
        }
        size_t n_name = (size_t)(p - name);
        p = skip_blanks(p, end);
        if (n_name == 0 || p >= end || *p != '=') {
            return NULL;
        }
        p = skip_blanks(p + 1, end);
        if (p >= end || (*p != '"' && *p != '\'')) {
            return NULL;
        }
        char quote = *p;
        const char *value = p + 1;
        p = memchr(value, quote, (size_t)(end - value));
        if (!p) {
            return NULL;
        }
        if (out) {
            keep_attribute(out, name, n_name, value, (size_t)(p - value), prefix);
        }
        p++;
    }
    return NULL;
}

/* Text between tags: '&' only where it starts one of XML's own entities. */
static void keep_text(sm_text *out, const char *s, size_t n)
{
    static const char *const entities[] = {"&amp;", "&lt;", "&gt;", "&quot;", "&apos;"};
    for (size_t i = 0; i < n; i++) {
        bool known = s[i] != '&';
        for (size_t k = 0; k < 5 && !known; k++) {
            size_t len = strlen(entities[k]);
            known = n - i >= len && memcmp(s + i, entities[k], len) == 0;
        }
        if (known && s[i] != '>') {
            sm_text_add_n(out, s + i, 1);
        } else {
            sm_text_add(out, s[i] == '>' ? "&gt;" : "&amp;");
        }
    }
}

typedef struct walk {
    const char *prefix;
    sm_text *out;
    int depth;   /* open kept elements inside the drawing */
    int dropped; /* open elements that are left out, with all they hold */
    bool in_drawing;
    bool done;
} walk;

/* One tag at p ("<..."); the place behind it, or NULL. */
static const char *take_tag(walk *w, const char *p, const char *end, const char *head)
{
    if (end - p >= 4 && memcmp(p, "<!--", 4) == 0) {
        for (p += 4; end - p >= 3; p++) {
            if (memcmp(p, "-->", 3) == 0) {
                return p + 3;
            }
        }
        return NULL;
    }
    if (p + 1 < end && (p[1] == '?' || p[1] == '!')) { /* declarations; CDATA is not expected */
        p = memchr(p, '>', (size_t)(end - p));
        return p ? p + 1 : NULL;
    }
    bool closing = p + 1 < end && p[1] == '/';
    const char *name = p + 1 + closing;
    p = name;
    while (p < end && (isalnum((unsigned char)*p) || *p == ':' || *p == '-')) {
        p++;
    }
    size_t n = (size_t)(p - name);
    bool is_svg = n == 3 && memcmp(name, "svg", 3) == 0;
    bool keep = w->in_drawing && w->dropped == 0 && in_list(kept_elements, name, n);
    bool empty = false;
    if (closing) {
        p = memchr(p, '>', (size_t)(end - p));
        if (w->dropped) {
            w->dropped--;
        } else if (is_svg && w->depth == 0) {
            sm_text_add(w->out, "</svg>\n");
            w->done = true;
        } else if (keep && w->depth > 0) {
            sm_text_addf(w->out, "</%.*s>", (int)n, name);
            w->depth--;
        }
        return p ? p + 1 : NULL;
    }
    if (is_svg && !w->in_drawing) {
        sm_text_add(w->out, head);
        w->in_drawing = true;
        p = keep_attributes(w->out, p, end, w->prefix, &empty);
        sm_text_add(w->out, ">");
        return p;
    }
    if (keep) {
        sm_text_addf(w->out, "<%.*s", (int)n, name);
    }
    p = keep_attributes(keep ? w->out : NULL, p, end, w->prefix, &empty);
    if (keep) {
        sm_text_add(w->out, empty ? "/>" : ">");
        w->depth += !empty;
    } else if (!empty) {
        w->dropped++;
    }
    return p;
}

bool sm_svg_sanitise(const char *svg, size_t n, const char *prefix, const char *title, sm_text *out)
{
    sm_text kept = {0};
    sm_text head = {0};
    sm_text_add(&head, "<svg xmlns=\"http://www.w3.org/2000/svg\" role=\"img\" "
                       "font-family=\"Helvetica, Arial, sans-serif\" aria-label=\"");
    sm_html_escape(&head, title);
    sm_text_add(&head, "\"");
    walk w = {.prefix = prefix, .out = &kept};
    const char *p = svg;
    const char *end = svg + n;
    while (p && p < end && !w.done && !head.failed) {
        const char *tag = memchr(p, '<', (size_t)(end - p));
        if (!tag) {
            break;
        }
        if (w.in_drawing && !w.dropped) {
            keep_text(&kept, p, (size_t)(tag - p));
        }
        p = take_tag(&w, tag, end, head.s);
    }
    bool good = p && w.done && w.depth == 0 && w.dropped == 0 && !kept.failed && !head.failed;
    if (good) {
        sm_text_add_n(out, kept.s, kept.n);
        good = !out->failed;
    }
    sm_text_free(&kept);
    sm_text_free(&head);
    return good;
}

void sm_svg_hover(sm_text *out, double x, double y, double width, double height, const char *text)
{
    sm_text_addf(out, "<rect x=\"%.1f\" y=\"%.1f\" width=\"%.1f\" height=\"%.1f\"><title>", x, y,
                 width, height);
    sm_html_escape(out, text);
    sm_text_add(out, "</title></rect>\n");
}

void sm_svg_add_hovers(sm_text *drawing, const sm_text *hovers)
{
    static const char end[] = "</svg>\n";
    size_t n = sizeof end - 1;
    if (hovers->n == 0 || drawing->failed || drawing->n < n ||
        memcmp(drawing->s + drawing->n - n, end, n) != 0) {
        return;
    }
    drawing->n -= n; /* the drawing's end moves behind them */
    sm_text_add(drawing, "<g fill=\"#ffffff\" fill-opacity=\"0\">\n");
    sm_text_add_n(drawing, hovers->s, hovers->n);
    sm_text_add(drawing, "</g>\n");
    sm_text_add(drawing, end);
}
