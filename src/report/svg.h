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

/**
 * Appends an unseen rectangle that shows text under the pointer: the one thing that a page's
 * drawing gets beside what sm_svg_sanitise() keeps. x, y: upper left corner, in the drawing's
 * points.
 */
void sm_svg_hover(sm_text *out, double x, double y, double width, double height, const char *text);

/** Puts rectangles made by sm_svg_hover() on top of a drawing that sm_svg_sanitise() kept. */
void sm_svg_add_hovers(sm_text *drawing, const sm_text *hovers);

/** Appends s with &, <, >, quotes and control codes made harmless for HTML, SVG and attributes. */
void sm_html_escape(sm_text *out, const char *s);

#endif
