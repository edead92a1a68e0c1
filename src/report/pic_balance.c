/* Balance: the measured vectors, and where the weights go. 0 degrees at the top, clockwise. */
#include "core/util.h"
#include "report/look.h"
#include "report/pictures.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { MAX_ARROWS = 12 };

typedef struct dial {
    sm_panel a;
    double radius; /* of the outer ring, in the vectors' unit */
} dial;

static void point_of(double amplitude, double degrees, double *x, double *y)
{
    double t = degrees * SM_PI / 180;
    *x = amplitude * sin(t);
    *y = amplitude * cos(t);
}

static void open_dial(sm_plot *p, dial *d, const char *name, double radius)
{
    sm_plot_open(p, name, 520);
    double left = (p->width - 400) / 2;
    d->radius = radius;
    d->a = (sm_panel){.left = left,
                      .right = left + 400,
                      .bottom = 56,
                      .top = 456,
                      .x0 = -1.02 * radius,
                      .x1 = 1.02 * radius,
                      .y0 = -1.02 * radius,
                      .y1 = 1.02 * radius};
}

/* Rings, spokes every 30 degrees and the figures outside. */
static size_t frame_block(sm_plot *p, const dial *d, double step, bool rings)
{
    size_t block = sm_plot_block(p);
    for (double r = rings ? step : d->radius; r <= d->radius * 1.0001; r += step) {
        for (int k = 0; k <= 120; k++) {
            double x;
            double y;
            point_of(r, 3.0 * k, &x, &y);
            sm_plot_row(p, 2, (double[]){x, y});
        }
        sm_plot_break(p);
    }
    for (int k = 0; k < 12; k++) {
        double x;
        double y;
        point_of(d->radius, 30.0 * k, &x, &y);
        sm_plot_row(p, 2, (double[]){0, 0});
        sm_plot_row(p, 2, (double[]){x, y});
        sm_plot_break(p);
        point_of(d->radius * (rings ? 1.07 : 1.12), 30.0 * k, &x, &y);
        sm_plot_word_at(p, sm_panel_x(&d->a, x), sm_panel_y(&d->a, y), SM_CENTER, SM_SMALL,
                        SM_MUTED, "%d\u00b0", 30 * k);
    }
    return block;
}

static void start_panel(sm_plot *p, const dial *d, size_t frame)
{
    sm_plot_panel(p, &d->a);
    sm_plot_say(
        p,
        "unset border\nunset tics\nunset grid\nplot \"%s.dat\" index %zu using 1:2 with lines "
        "lw 0.8 lc rgb \"#c3cad0\"",
        p->name, frame);
}

typedef struct arrow {
    char label[80]; /* stands over the text; may be empty */
    char text[80];
    double x;
    double y;
} arrow;

/* Names beside the dial, left ones left, right ones right, with a thin line to the tip. */
static void name_tips(sm_plot *p, const dial *d, const arrow *list, size_t n, bool own_colours)
{
    for (int right = 0; right < 2; right++) {
        double at[MAX_ARROWS];
        size_t which[MAX_ARROWS];
        size_t m = 0;
        for (size_t i = 0; i < n; i++) {
            if ((list[i].x >= 0) == (right == 1)) {
                at[m] = sm_panel_y(&d->a, list[i].y);
                which[m++] = i;
            }
        }
        double middle = sm_panel_y(&d->a, 0);
        sm_plot_spread(at, m, 30, d->a.bottom + 10, d->a.top - 10);
        for (size_t k = 0; k < m; k++) {
            const arrow *w = &list[which[k]];
            double x = right ? d->a.right + 40 : d->a.left - 40;
            double tip_x = sm_panel_x(&d->a, w->x);
            double tip_y = sm_panel_y(&d->a, w->y);
            const char *colour = own_colours ? sm_look_series(which[k]) : SM_INK;
            sm_plot_side side = right ? SM_LEFT : SM_RIGHT;
            if (fabs(tip_y - middle) < 10 && fabs(at[k] - middle) < 10) {
                tip_x = right ? d->a.right + 34 : d->a.left - 34; /* not through "90\u00b0" */
            }
            sm_plot_mark(p, tip_x, tip_y, x, at[k], SM_HATCH);
            x += right ? 5 : -5;
            if (w->label[0]) {
                sm_plot_word_at(p, x, at[k] + 7, side, SM_SMALL, colour, "%s", w->label);
            }
            sm_plot_word_at(p, x, at[k] - (w->label[0] ? 7 : 0), side, SM_SMALL, colour, "%s",
                            w->text);
        }
    }
}

bool sm_picture_balance(const sm_json *root, sm_plot *p)
{
    const sm_json *polar = sm_json_get(root, "polar");
    const sm_json *vectors = sm_json_get(polar, "vectors");
    size_t n = sm_json_size(vectors) < MAX_ARROWS ? sm_json_size(vectors) : MAX_ARROWS;
    double largest = 0;
    for (size_t i = 0; i < n; i++) {
        largest = fmax(largest, sm_record_number(sm_json_at(vectors, i), "amplitude"));
    }
    if (n == 0 || !(largest > 0)) {
        return false;
    }
    double step = sm_plot_step(largest, 4);
    dial d;
    open_dial(p, &d, "balance", step * ceil(largest / step * 0.999));
    const char *unit = sm_record_text(polar, "unit");
    sm_plot_title(p, "Vibration once per propeller turn, %s %s: amplitude and phase", unit,
                  sm_record_text(polar, "detector"));
    size_t frame = frame_block(p, &d, step, true);
    size_t blocks[MAX_ARROWS];
    arrow tips[MAX_ARROWS] = {0};
    sm_text_addf(&p->words, "Polar plot of vectors in %.20s:", unit);
    for (size_t i = 0; i < n; i++) {
        const sm_json *v = sm_json_at(vectors, i);
        double amplitude = sm_record_number(v, "amplitude");
        double phase = sm_record_number(v, "phase_deg");
        char label[48];
        const char *s = sm_record_text(v, "label");
        sm_text_inert(s, strlen(s), label, sizeof label);
        point_of(isnan(amplitude) ? 0 : amplitude, isnan(phase) ? 0 : phase, &tips[i].x,
                 &tips[i].y);
        bool cut = strlen(label) > 26; /* what fits beside the dial */
        (void)snprintf(tips[i].label, sizeof tips[i].label, "%.*s%s", cut ? 25 : 26, label,
                       cut ? "\u2026" : "");
        (void)snprintf(tips[i].text, sizeof tips[i].text, "%.3g at %.0f\u00b0", amplitude, phase);
        blocks[i] = sm_plot_block(p);
        sm_plot_row(p, 4, (double[]){0, 0, tips[i].x, tips[i].y});
        sm_text_addf(&p->words, "%s %s %.3g at %.0f degrees", i ? "," : "", label, amplitude,
                     phase);
    }
    sm_text_add(&p->words, ".");
    start_panel(p, &d, frame);
    for (size_t i = 0; i < n; i++) {
        sm_plot_say(
            p,
            ", \\\n    \"%s.dat\" index %zu using 1:2:3:4 with vectors head filled size screen "
            "0.014,18 lw 2.2 lc rgb \"%s\"",
            p->name, blocks[i], sm_look_series(i));
    }
    sm_plot_say(p, "\n");
    name_tips(p, &d, tips, n, true);
    for (double r = step; r <= d.radius * 1.0001; r += step) {
        double x;
        double y;
        point_of(r, 15, &x, &y);
        sm_plot_word_at(p, sm_panel_x(&d.a, x), sm_panel_y(&d.a, y), SM_CENTER, SM_SMALL, SM_MUTED,
                        "%.3g", r);
    }
    const char *phase = sm_record_text(sm_json_get(root, "conventions"), "phase");
    sm_plot_word_at(
        p, p->width / 2, 16, SM_CENTER, SM_SMALL, SM_MUTED,
        "angle: %s, degrees of shaft turn, from the pulse; drawn clockwise from the top",
        strcmp(phase, "lag") == 0 ? "phase lag" : "phase lead");
    return true;
}

/* An arrow along the rim that says which way the propeller turns. */
static size_t turning_block(sm_plot *p, const dial *d, bool clockwise)
{
    size_t block = sm_plot_block(p);
    for (int k = 0; k <= 12; k++) {
        double x;
        double y;
        point_of(0.5 * d->radius, (clockwise ? 1 : -1) * (-30 + 5.0 * k), &x, &y);
        sm_plot_row(p, 2, (double[]){x, y});
    }
    double x0;
    double y0;
    double x1;
    double y1;
    point_of(0.5 * d->radius, clockwise ? 30 : -30, &x0, &y0);
    for (int side = -1; side <= 1; side += 2) {
        point_of((0.5 + 0.035 * side) * d->radius, clockwise ? 22 : -22, &x1, &y1);
        sm_plot_break(p);
        sm_plot_row(p, 2, (double[]){x0, y0});
        sm_plot_row(p, 2, (double[]){x1, y1});
    }
    return block;
}

static size_t place_weights(const sm_json *root, sm_plot *p, const dial *d, arrow tips[MAX_ARROWS],
                            size_t *block)
{
    const sm_json *split = sm_json_get(root, "split");
    const sm_json *correction = sm_json_get(root, "correction");
    size_t n = 0;
    *block = sm_plot_block(p);
    for (size_t i = 0; i < sm_json_size(split) && n < MAX_ARROWS - 1; i++) {
        const sm_json *s = sm_json_at(split, i);
        double degrees = sm_record_number(s, "angle_deg");
        double hole = sm_record_number(s, "hole");
        arrow *t = &tips[n++];
        point_of(d->radius, degrees, &t->x, &t->y);
        (void)snprintf(t->text, sizeof t->text, "%.4g g at %.0f\u00b0%s",
                       sm_record_number(s, "grams"), degrees, "");
        if (hole > 0) {
            (void)snprintf(t->text, sizeof t->text, "%.4g g in hole %.0f (%.0f\u00b0)",
                           sm_record_number(s, "grams"), hole, degrees);
        }
        sm_plot_row(p, 2, (double[]){t->x, t->y});
        sm_text_addf(&p->words, " %s.", t->text);
    }
    double grams = sm_record_number(correction, "grams");
    if (n == 0 && grams > 0) {
        arrow *t = &tips[n++];
        double degrees = sm_record_number(correction, "angle_deg");
        point_of(d->radius, degrees, &t->x, &t->y);
        (void)snprintf(t->text, sizeof t->text, "%.4g g at %.0f\u00b0", grams, degrees);
        sm_plot_row(p, 2, (double[]){t->x, t->y});
        sm_text_addf(&p->words, " %s.", t->text);
    }
    return n;
}

bool sm_picture_weights(const sm_json *root, sm_plot *p)
{
    double grams = sm_record_number(sm_json_get(root, "correction"), "grams");
    if (!(grams > 0) && sm_record_count(root, "split") == 0) {
        return false;
    }
    const sm_json *conventions = sm_json_get(root, "conventions");
    bool with = strcmp(sm_record_text(conventions, "weights_count"), "against") != 0;
    const char *mark = sm_record_text(conventions, "mark");
    dial d;
    open_dial(p, &d, "weights", 1);
    sm_plot_title(p, "Where the weights go: angles are counted %s the rotation",
                  with ? "with" : "against");
    sm_text_addf(&p->words,
                 "Dial of the propeller; weight angles are counted %s the rotation from the "
                 "mark at the top.",
                 with ? "with" : "against");
    size_t frame = frame_block(p, &d, 1, false);
    size_t turning = turning_block(p, &d, with);
    const sm_json *holes = sm_json_get(sm_json_get(root, "polar"), "holes");
    size_t hole_block = sm_plot_block(p);
    for (size_t i = 0; i < sm_json_size(holes); i++) {
        double x;
        double y;
        point_of(1, sm_record_number(sm_json_at(holes, i), "angle_deg"), &x, &y);
        sm_plot_row(p, 2, (double[]){x, y});
    }
    arrow tips[MAX_ARROWS] = {0};
    size_t weights = 0;
    size_t n = place_weights(root, p, &d, tips, &weights);
    start_panel(p, &d, frame);
    sm_plot_say(p,
                ", \\\n    \"%s.dat\" index %zu using 1:2 with lines lw 2.4 lc rgb \"" SM_INK "\"",
                p->name, turning);
    if (sm_json_size(holes)) {
        sm_plot_say(
            p,
            ", \\\n    \"%s.dat\" index %zu using 1:2 with points pt 6 ps 1.5 lc rgb \"" SM_MUTED
            "\"",
            p->name, hole_block);
    }
    sm_plot_say(p,
                ", \\\n    \"%s.dat\" index %zu using 1:2 with points pt 7 ps 2.2 lc rgb \"%s\"\n",
                p->name, weights, sm_look_series(1));
    name_tips(p, &d, tips, n, false);
    sm_plot_word_at(p, sm_panel_x(&d.a, 0), sm_panel_y(&d.a, 0.38), SM_CENTER, SM_SMALL, SM_INK,
                    "the propeller turns this way");
    sm_plot_word_at(p, sm_panel_x(&d.a, 0), sm_panel_y(&d.a, 0.88), SM_CENTER, SM_SMALL, SM_INK,
                    "%.60s at 0\u00b0", mark[0] ? mark : "the mark");
    sm_plot_word_at(
        p, p->width / 2, 16, SM_CENTER, SM_SMALL, SM_MUTED,
        "drawn so that the weight angles grow clockwise; if the propeller turns the other "
        "way as you look at it, you see the mirror image");
    return true;
}
