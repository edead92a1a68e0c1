/* The propeller disc in characters: 0 at the top, holes, and where the weights go. */
#include "balance/balance_internal.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { ROWS = 13, COLUMNS = 31 };

typedef struct canvas {
    char cell[ROWS][COLUMNS + 1];
    bool clockwise; /* angles grow clockwise on paper */
} canvas;

static void put(canvas *c, double angle_deg, double radius, char mark)
{
    double a = angle_deg * SM_DEG * (c->clockwise ? 1 : -1);
    long row = lround(ROWS / 2 - radius * (ROWS / 2) * cos(a));
    long column = lround(COLUMNS / 2 + radius * (COLUMNS / 2) * sin(a));
    if (row >= 0 && row < ROWS && column >= 0 && column < COLUMNS) {
        c->cell[row][column] = mark;
    }
}

void sm_balance_draw(const sm_balance_job *job, const sm_balance_result *r, sm_text *out)
{
    canvas c;
    bool known = job->seen_from_front >= 0 && job->turns_cw >= 0;
    c.clockwise = !known || ((job->turns_cw == 1) != job->weights_against);
    memset(&c, ' ', sizeof c.cell);
    for (int row = 0; row < ROWS; row++) {
        memset(c.cell[row], ' ', COLUMNS);
        c.cell[row][COLUMNS] = '\0';
    }
    for (int i = 0; i < 72; i++) {
        put(&c, 5.0 * i, 0.86, '.');
    }
    for (size_t i = 0; i < job->n_holes; i++) {
        put(&c, job->holes[i].angle_deg, 0.86, 'o');
    }
    put(&c, 0, 1.0, '0');
    for (int i = 1; i <= 6; i++) {
        put(&c, sm_phasor_angle_deg(sm_as_counted(job, r->correction[0])), 0.12 * i, '*');
    }
    for (size_t i = 0; i < r->split[0].n_parts; i++) {
        put(&c, r->split[0].parts[i].angle_deg, 0.86, r->split[0].parts[i].grams < 0 ? '-' : '#');
    }
    c.cell[ROWS / 2][COLUMNS / 2] = '+';
    sm_text_addf(out, "\nWhere it goes, %s\n",
                 !known                 ? "drawn so that the angles grow clockwise"
                 : job->seen_from_front ? "seen from the front"
                                        : "seen from the back");
    for (int row = 0; row < ROWS; row++) {
        size_t n = COLUMNS;
        while (n && c.cell[row][n - 1] == ' ') {
            n--;
        }
        sm_text_addf(out, "%s%.*s\n", n ? "      " : "", (int)n, c.cell[row]);
    }
    bool turn_cw = c.clockwise != job->weights_against;
    sm_text_addf(out, "  0 is %s; * points to the correction%s.\n",
                 job->mark[0] ? job->mark : "the tach mark",
                 job->n_holes ? ", # are the holes to use, o the others" : "");
    if (job->weights_given) {
        sm_text_addf(out, "  In this drawing angles grow %s and the propeller turns %s.\n",
                     c.clockwise ? "clockwise" : "counter-clockwise",
                     turn_cw ? "clockwise" : "counter-clockwise");
    }
}
