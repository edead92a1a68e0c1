/* One look for every picture and page: colours that differ in lightness as well as in hue. */
#ifndef SM_REPORT_LOOK_H
#define SM_REPORT_LOOK_H

#include <stddef.h>

#define SM_INK "#17212b"
#define SM_MUTED "#55616d"
#define SM_GRID "#dfe4e8"
#define SM_HATCH "#9aa4ae"
#define SM_WITHIN "#1d6f8a"
#define SM_THIN "#d9a21b"
#define SM_OVER "#b5302a"
#define SM_UNASSESSED "#8b949e"
#define SM_RESERVE "#f6e7c1"
#define SM_BAND "#dbe9ef" /* interval behind a line */

enum { SM_SERIES_COLOURS = 8 };

/* Colour of the i-th line: told apart by dash and by the name on the line as well. */
const char *sm_look_series(size_t i);
/* Dash pattern of the i-th line, for gnuplot's dt. */
const char *sm_look_dash(size_t i);
/* "#rrggbb" as a number, for gnuplot's rgb variable. */
long sm_look_rgb(const char *colour);
/* Colour of a verdict word: within, thin, over, better, worse, still, restless, ... */
const char *sm_look_verdict(const char *verdict);
/* A sign that says the same without colour. */
const char *sm_look_sign(const char *verdict);

#endif
