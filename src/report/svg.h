/* Drawings made by another program, reduced to what a page may hold. */
#ifndef SM_REPORT_SVG_H
#define SM_REPORT_SVG_H

#include "stillmount/number.h"

#include <stdbool.h>

/**
 * Copies an SVG drawing, keeping only shapes, text and plain attributes from a fixed list: no
 * scripts, no events, no styles, no links except to its own parts and to pictures held inside it.
 * Ids get the prefix, so that several drawings can share a page. title becomes the drawing's name
 * for screen readers. False: not a drawing that can be kept, or out of memory.
 */
bool sm_svg_sanitise(const char *svg, size_t n, const char *prefix, const char *title,
                     sm_text *out);

/** Appends s with &, <, >, quotes and control codes made harmless for HTML, SVG and attributes. */
void sm_html_escape(sm_text *out, const char *s);

#endif
