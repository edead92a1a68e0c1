/* The propeller disc in characters: 0 at the top, holes, and where the weights go. */
#include "balance/balance_internal.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { ROWS = 17, COLUMNS = 41 };

/* Radii as parts of the half canvas. */
#define RING 0.72
#define LABEL 0.95

typedef struct canvas {
    char cell[ROWS][COLUMNS + 1];
    bool clockwise; /* angles grow clockwise on paper */
} canvas;

static void put(canvas *c, double angle_deg, double radius, const char *mark)
{
    double a = angle_deg * SM_DEG * (c->clockwise ? 1 : -1);
    long row = lround(ROWS / 2 - radius * (ROWS / 2) * cos(a));
    long column = lround(COLUMNS / 2 + radius * (COLUMNS / 2) * sin(a)) - (long)strlen(mark) / 2;
    for (; *mark; mark++, column++) {
        if (row >= 0 && row < ROWS && column >= 0 && column < COLUMNS) {
            c->cell[row][column] = *mark;
        }
    }
}

static void fill(canvas *c, const sm_balance_job *job, const sm_balance_result *r)
{
    for (int row = 0; row < ROWS; row++) {
        memset(c->cell[row], ' ', COLUMNS);
        c->cell[row][COLUMNS] = '\0';
    }
    for (int i = 0; i < 72; i++) {
        put(c, 5.0 * i, RING, ".");
    }
    for (size_t i = 0; i < job->n_holes; i++) {
        put(c, job->holes[i].angle_deg, RING, "o");
    }
    put(c, 0, LABEL, "0");
    put(c, 90, LABEL, "90");
    put(c, 180, LABEL, "180");
    put(c, 270, LABEL, "270");
    for (int i = 1; i <= 6 && r->has_correction && r->angle_known; i++) {
        put(c, sm_phasor_angle_deg(sm_as_counted(job, r->correction[0])), 0.1 * i, "*");
    }
    for (size_t i = 0; i < r->split[0].n_parts && r->has_correction; i++) {
        put(c, r->split[0].parts[i].angle_deg, RING, r->split[0].parts[i].grams < 0 ? "-" : "#");
    }
    put(c, 0, 0, "+");
}

void sm_balance_draw(const sm_balance_job *job, const sm_balance_result *r, sm_text *out)
{
    canvas c;
    char words[400];
    bool known = job->seen_from_front >= 0 && job->turns_cw >= 0;
    bool minus = false;
    c.clockwise = !known || ((job->turns_cw == 1) != job->weights_against);
    fill(&c, job, r);
    for (size_t i = 0; i < r->split[0].n_parts; i++) {
        minus = minus || r->split[0].parts[i].grams < 0;
    }
    sm_text_addf(out, "\n%s, %s\n",
                 !r->has_correction  ? "How angles are counted"
                 : job->n_planes > 1 ? "Where it goes, plane 1"
                                     : "Where it goes",
                 !known                 ? "drawn so that angles grow clockwise"
                 : job->seen_from_front ? "seen from the front"
                                        : "seen from the back");
    for (int row = 0; row < ROWS; row++) {
        size_t n = COLUMNS;
        while (n && c.cell[row][n - 1] == ' ') {
            n--;
        }
        sm_text_addf(out, "%s%.*s\n", n ? "  " : "", (int)n, c.cell[row]);
    }
    bool turn_cw = c.clockwise != job->weights_against;
    (void)snprintf(
        words, sizeof words,
        "0 is %s.%s%s%s In this drawing angles grow %s and the propeller turns %s.",
        job->mark[0] ? job->mark : "the tach mark",
        r->has_correction ? " Stars point to the correction." : "",
        r->has_correction && r->split[0].n_parts ? " # are the holes to use, o the others." : "",
        minus && r->has_correction ? " - is where weight comes off." : "",
        c.clockwise ? "clockwise" : "counter-clockwise",
        turn_cw ? "clockwise" : "counter-clockwise");
    sm_balance_paragraph(out, "  ", "  ", words);
}
