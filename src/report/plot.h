/*
 * One picture being written: a gnuplot script and its data file. The data keep their units; words
 * and marks lie on a second layer in picture points, so that every word comes out of the data file
 * and none can be read as a command.
 */
#ifndef SM_REPORT_PLOT_H
#define SM_REPORT_PLOT_H

#include "stillmount/number.h"

#include <stdbool.h>
#include <stddef.h>

enum { SM_PLOT_WIDTH = 840, SM_PLOT_TEXT = 160 };

typedef enum sm_plot_side { SM_LEFT = 0, SM_CENTER, SM_RIGHT } sm_plot_side;
typedef enum sm_plot_size { SM_SMALL = 0, SM_NORMAL, SM_BOLD } sm_plot_size;

typedef struct sm_plot_word {
    double x; /* picture points from the left and from the bottom */
    double y;
    sm_plot_side side;
    sm_plot_size size;
    int turned; /* degrees: 0 or 90 */
    const char *colour;
    char text[SM_PLOT_TEXT];
} sm_plot_word;

typedef struct sm_plot {
    char name[48];
    char title[200];
    double width;
    double height;
    sm_text words; /* what the picture says, for a reader who cannot see it */
    sm_text script;
    sm_text data;
    size_t n_blocks;
    bool block_used; /* the last block has a row */
    sm_plot_word *labels;
    size_t n_labels;
    size_t labels_capacity;
    sm_text hovers; /* values that show under the pointer: sm_svg_hover() */
    sm_text marks;  /* pixel-space line segments: x0 y0 x1 y1 colour, one block */
    bool failed;
} sm_plot;

/* A pair of axes: where it lies in the picture and what it spans. */
typedef struct sm_panel {
    double left; /* picture points */
    double right;
    double bottom;
    double top;
    double x0;
    double x1;
    double y0;
    double y1;
    bool log_x;
    bool log_y;
    bool hide_x; /* no numbers under it: the panel below has them */
} sm_panel;

void sm_plot_open(sm_plot *p, const char *name, double height);
/* Title line over the picture; foreign text is made harmless. */
void sm_plot_title(sm_plot *p, const char *fmt, ...) SM_PRINTF(2, 3);
void sm_plot_free(sm_plot *p);

/* Starts a panel: margins, ranges, scales. Follow with one sm_plot_draw() of everything in it. */
void sm_plot_panel(sm_plot *p, const sm_panel *panel);
double sm_panel_x(const sm_panel *panel, double x); /* picture points of a value */
double sm_panel_y(const sm_panel *panel, double y);

/* A block of data rows; the number is for `index`. */
size_t sm_plot_block(sm_plot *p);
void sm_plot_row(sm_plot *p, size_t n, const double *v);
void sm_plot_break(sm_plot *p); /* an empty line: the line on the picture is interrupted */
/* Constant text of ours into the script: never foreign text. */
void sm_plot_say(sm_plot *p, const char *fmt, ...) SM_PRINTF(2, 3);

/* Words on the picture, in picture points. */
void sm_plot_word_at(sm_plot *p, double x, double y, sm_plot_side side, sm_plot_size size,
                     const char *colour, const char *fmt, ...) SM_PRINTF(7, 8);
void sm_plot_word_turned(sm_plot *p, double x, double y, sm_plot_side side, sm_plot_size size,
                         const char *colour, const char *fmt, ...) SM_PRINTF(7, 8);
/* Axis names at their usual places. */
void sm_plot_axis_names(sm_plot *p, const sm_panel *panel, const char *x, const char *y);
/* A straight mark over everything, in picture points. */
void sm_plot_mark(sm_plot *p, double x0, double y0, double x1, double y1, const char *colour);

/* A text that shows while the pointer rests on a rectangle, in picture points. Any text is made
 * harmless. */
void sm_plot_hover(sm_plot *p, double x0, double y0, double x1, double y1, const char *fmt, ...)
    SM_PRINTF(6, 7);

/* Hatching of a rectangle, as a data block of line segments in the panel's units. rising: / or \.
 */
size_t sm_plot_hatch(sm_plot *p, const sm_panel *panel, double x0, double x1, double y0, double y1,
                     bool rising);
/* A filled rectangle behind the data: a gnuplot object, numbers only. */
void sm_plot_box(sm_plot *p, double x0, double x1, double y0, double y1, const char *colour);

/* Ends the picture: the layer of words. False when an allocation failed. */
bool sm_plot_close(sm_plot *p);

/* A text made fit for a data file: harmless, no quotes, tabs or backslashes. */
void sm_plot_clean(const char *s, char *out, size_t capacity);
/* Approximate width of a text in points, to keep words apart. */
double sm_plot_text_width(const char *s, sm_plot_size size);

/* Moves wanted positions apart to at least `gap`, in their order, inside [lo, hi] where they fit.
 */
void sm_plot_spread(double *at, size_t n, double gap, double lo, double hi);

/* Round numbers for an axis: the smallest of 1, 2, 2.5, 5 x 10^n with at most n steps over span. */
double sm_plot_step(double span, int n);

#endif
