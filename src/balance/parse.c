/* Texts of a balance job: vectors, weights, holes, as typed on the command line or in a job file.
 */
#include "balance/balance_internal.h"

#include <ctype.h>
#include <math.h>
#include <string.h>

void sm_balance_job_default(sm_balance_job *job)
{
    memset(job, 0, sizeof *job);
    job->seen_from_front = job->turns_cw = -1;
    job->unit = sm_unit_find("in/s");
    job->detector = SM_PEAK;
    job->n_planes = 1;
    job->rpm = job->radius_mm = job->mass_kg = job->grade = NAN;
    job->moving_mass_kg = job->sensor_at_deg = job->max_hole_g = NAN;
}

sm_phasor sm_phasor_polar(double amplitude, double angle_deg)
{
    double a = sm_wrap_deg(angle_deg) * SM_DEG;
    sm_phasor v = {amplitude * cos(a), amplitude * sin(a)};
    return v;
}

double sm_phasor_amplitude(sm_phasor v)
{
    return hypot(v.re, v.im);
}

double sm_phasor_angle_deg(sm_phasor v)
{
    return v.re == 0 && v.im == 0 ? 0.0 : sm_wrap_deg(atan2(v.im, v.re) / SM_DEG);
}

static const char *skip(const char *p)
{
    while (isspace((unsigned char)*p)) {
        p++;
    }
    return p;
}

/* Skips blanks and one word when it is there. */
static bool take_word(const char **p, const char *word)
{
    const char *q = skip(*p);
    size_t n = strlen(word);
    if (strncmp(q, word, n) != 0 || isalpha((unsigned char)q[n])) {
        return false;
    }
    *p = q + n;
    return true;
}

static bool take_number(const char **p, double *v)
{
    const char *q = skip(*p);
    const char *end = sm_number_parse(q, q + strlen(q), '.', v);
    if (!end || !isfinite(*v)) {
        return false;
    }
    *p = end;
    return true;
}

/* A number of degrees, the unit optional. */
static bool take_angle(const char **p, double *deg)
{
    if (!take_number(p, deg) || fabs(*deg) > 3600) {
        return false;
    }
    if (!take_word(p, "degrees")) {
        (void)(take_word(p, "deg") || take_word(p, "\xc2\xb0"));
    }
    return true;
}

static sm_status one_reading(const sm_balance_job *job, const char **p, const char *text,
                             sm_phasor *v, double *rpm, sm_error *err)
{
    double amplitude, angle = 0;
    *rpm = NAN;
    if (!take_number(p, &amplitude) || amplitude < 0) {
        return sm_error_set(err, SM_E_FORMAT, NULL, 0,
                            "'%s': a vector is written amplitude@angle, for example 0.266@289",
                            text);
    }
    if (take_word(p, "@")) {
        if (!take_angle(p, &angle)) {
            return sm_error_set(err, SM_E_FORMAT, NULL, 0,
                                "'%s': the angle behind @ is not a number of degrees", text);
        }
    } else if (!job->no_phase) {
        return sm_error_set(err, SM_E_FORMAT, NULL, 0,
                            "'%s': the angle is missing; write amplitude@angle, or give --no-phase "
                            "when there was no pulse (three or four runs are needed then)",
                            text);
    }
    if (take_word(p, "at")) {
        if (!take_number(p, rpm) || *rpm <= 0) {
            return sm_error_set(err, SM_E_FORMAT, NULL, 0,
                                "'%s': behind 'at' the rpm is needed, for example at 2400 rpm",
                                text);
        }
        (void)take_word(p, "rpm");
    }
    sm_phasor read = sm_phasor_polar(amplitude, job->no_phase ? 0 : angle);
    *v = sm_as_read(job, read);
    return SM_OK;
}

sm_status sm_balance_readings_parse(const sm_balance_job *job, const char *text,
                                    sm_balance_run *run, sm_error *err)
{
    sm_phasor v[SM_BALANCE_READINGS];
    double rpm[SM_BALANCE_READINGS];
    size_t n = 0;
    const char *p = text;
    do {
        if (n == SM_BALANCE_READINGS) {
            return sm_error_set(err, SM_E_VALUE, NULL, 0, "'%s': at most %d readings in a run",
                                text, SM_BALANCE_READINGS);
        }
        sm_status st = one_reading(job, &p, text, &v[n], &rpm[n], err);
        if (st != SM_OK) {
            return st;
        }
        n++;
    } while (take_word(&p, ","));
    if (*skip(p)) {
        return sm_error_set(err, SM_E_FORMAT, NULL, 0,
                            "'%s': '%s' is not understood; a vector is written 0.266@289 or "
                            "0.266@289 at 2400 rpm, several are separated by commas (the unit "
                            "goes into --unit)",
                            text, skip(p));
    }
    for (size_t k = 0; k < n; k++) {
        run->v[k] = v[k];
        run->rpm[k] = rpm[k];
        run->scatter[k] = NAN;
    }
    run->n_readings = n;
    return SM_OK;
}

static bool take_mass(const char **p, double *g)
{
    static const struct {
        const char *word;
        double grams;
    } units[] = {{"grams", 1},
                 {"g", 1},
                 {"kg", 1000},
                 {"mg", 0.001},
                 {"oz", SM_GRAMS_PER_OUNCE},
                 {"lb", 16 * SM_GRAMS_PER_OUNCE}};
    double v;
    if (!take_number(p, &v)) {
        return false;
    }
    for (size_t i = 0; i < sizeof units / sizeof units[0]; i++) {
        if (take_word(p, units[i].word)) {
            *g = v * units[i].grams;
            return true;
        }
    }
    return false;
}

static const sm_balance_hole *hole_numbered(const sm_balance_job *job, double number)
{
    for (size_t i = 0; i < job->n_holes; i++) {
        if ((double)job->holes[i].number == number) {
            return &job->holes[i];
        }
    }
    return NULL;
}

/* One weight: mass, place, radius, plane. */
typedef struct weight {
    double g;
    double angle_deg;
    double radius_mm;
    size_t plane;
    const sm_balance_hole *hole;
} weight;

static sm_status take_place(const sm_balance_job *job, const char **p, const char *text, weight *w,
                            sm_error *err)
{
    bool marked = take_word(p, "@");
    bool in = !marked && take_word(p, "in");
    if (take_word(p, "hole")) {
        double number;
        if (!take_number(p, &number) || !(w->hole = hole_numbered(job, number))) {
            return sm_error_set(err, SM_E_VALUE, NULL, 0,
                                "'%s': no such hole; say with --holes which holes there are", text);
        }
        w->angle_deg = w->hole->angle_deg;
        w->radius_mm = w->hole->radius_mm;
        return SM_OK;
    }
    if (!marked || in || !take_angle(p, &w->angle_deg)) {
        return sm_error_set(err, SM_E_FORMAT, NULL, 0,
                            "'%s': the place is missing; write for example 15 g @ 90 or 15 g @ "
                            "hole 4",
                            text);
    }
    return SM_OK;
}

static sm_status one_weight(const sm_balance_job *job, const char **p, const char *text,
                            size_t default_plane, weight *w, sm_error *err)
{
    *w = (weight){.radius_mm = NAN, .plane = default_plane};
    if (!take_mass(p, &w->g)) {
        return sm_error_set(err, SM_E_FORMAT, NULL, 0,
                            "'%s': a weight needs a number and a unit (g or oz) and a place, for "
                            "example 15 g @ 90",
                            text);
    }
    if (w->g == 0) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0, "'%s': a weight of zero tells nothing", text);
    }
    sm_status st = take_place(job, p, text, w, err);
    if (st != SM_OK) {
        return st;
    }
    if (take_word(p, "at")) {
        if (!take_number(p, &w->radius_mm) || w->radius_mm <= 0 || !take_word(p, "mm")) {
            return sm_error_set(err, SM_E_FORMAT, NULL, 0,
                                "'%s': behind 'at' the radius in mm is needed", text);
        }
    }
    (void)take_word(p, "in");
    if (take_word(p, "plane")) {
        double plane;
        if (!take_number(p, &plane) || !(plane >= 1) || plane > SM_BALANCE_PLANES ||
            plane != floor(plane)) {
            return sm_error_set(err, SM_E_VALUE, NULL, 0, "'%s': planes are counted from 1 to %d",
                                text, SM_BALANCE_PLANES);
        }
        w->plane = (size_t)plane - 1;
    }
    return SM_OK;
}

/* What a weight at another radius weighs at the job's. */
static sm_status at_job_radius(const sm_balance_job *job, const char *text, const weight *w,
                               double *g, sm_error *err)
{
    *g = w->g;
    if (isfinite(w->radius_mm)) {
        if (!isfinite(job->radius_mm)) {
            return sm_error_set(err, SM_E_VALUE, NULL, 0,
                                "'%s': this weight has a radius of its own; give --radius (mm) as "
                                "the radius that the answer is meant for",
                                text);
        }
        *g = w->g * w->radius_mm / job->radius_mm;
    }
    return SM_OK;
}

/* The hole that a weight sits in, by number or by angle; NULL when it is beside them. */
static const sm_balance_hole *hole_of(const sm_balance_job *job, const weight *w)
{
    for (size_t i = 0; i < job->n_holes && !w->hole; i++) {
        if (fabs(sm_turn_deg(job->holes[i].angle_deg - w->angle_deg)) < 0.5) {
            return &job->holes[i];
        }
    }
    return w->hole;
}

sm_status sm_balance_weights_parse(const sm_balance_job *job, const char *text,
                                   size_t default_plane, sm_balance_run *run, sm_error *err)
{
    double complex sum[SM_BALANCE_PLANES] = {0};
    double heaviest = 0, holes[SM_BALANCE_HOLES] = {0};
    const char *p = text;
    if (strlen(text) >= sizeof run->text) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0,
                            "the weights of one run must fit in %zu characters",
                            sizeof run->text - 1);
    }
    do {
        weight w;
        double g = 0;
        sm_status st = one_weight(job, &p, text, default_plane, &w, err);
        st = st == SM_OK ? at_job_radius(job, text, &w, &g, err) : st;
        if (st != SM_OK) {
            return st;
        }
        sum[w.plane] += sm_c(sm_as_counted(job, sm_phasor_polar(1, w.angle_deg))) * g;
        heaviest = sm_max(heaviest, fabs(g));
        const sm_balance_hole *hole = w.plane == 0 ? hole_of(job, &w) : NULL;
        if (hole) {
            holes[hole - job->holes] += w.g;
        }
    } while (take_word(&p, "+"));
    if (*skip(p)) {
        return sm_error_set(err, SM_E_FORMAT, NULL, 0,
                            "'%s': '%s' is not understood; a weight is written 15 g @ 90, several "
                            "are joined by +",
                            text, skip(p));
    }
    for (size_t i = 0; i < SM_BALANCE_PLANES; i++) {
        run->weight_g[i] = sm_p(sum[i]);
    }
    memcpy(run->hole_g, holes, sizeof holes);
    run->plane = default_plane;
    run->put_g = heaviest;
    sm_text_inert(text, strlen(text), run->text, sizeof run->text);
    return SM_OK;
}

sm_status sm_balance_unit_parse(sm_balance_job *job, const char *text, sm_error *err)
{
    char buf[96] = "1 ";
    size_t n = strlen(text);
    sm_measure_value v = {0};
    if (n > sizeof buf - 4) {
        return sm_error_set(err, SM_E_FORMAT, NULL, 0, "the unit '%.40s...' is not known", text);
    }
    memcpy(buf + 2, text, n + 1);
    sm_status st = sm_measure_value_read(buf, &v, err);
    if (st != SM_OK) {
        return st;
    }
    if (!v.unit || v.is_psd || v.percent ||
        (v.unit->quantity != SM_QUANTITY_VELOCITY && v.unit->quantity != SM_QUANTITY_DISPLACEMENT &&
         v.unit->quantity != SM_QUANTITY_ACCELERATION)) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0,
                            "the unit '%s' is not one of vibration; use in/s, mm/s, mil, um or g, "
                            "with rms, peak or pp behind it",
                            text);
    }
    job->unit = v.unit;
    job->detector = v.has_detector ? v.detector : SM_PEAK;
    return SM_OK;
}

static sm_status holes_spaced(sm_balance_job *job, double count, double first_deg, sm_error *err)
{
    if (count < 3 || count > SM_BALANCE_HOLES || count != floor(count)) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0,
                            "holes: %g equally spaced holes cannot make every direction; 3 to %d "
                            "are needed (one or two holes 180 degrees apart leave all other "
                            "directions out), or a list of angles such as 60, 90",
                            count, SM_BALANCE_HOLES);
    }
    job->n_holes = (size_t)count;
    for (size_t i = 0; i < job->n_holes; i++) {
        job->holes[i] =
            (sm_balance_hole){.angle_deg = sm_wrap_deg(first_deg + 360.0 * (double)i / count),
                              .radius_mm = NAN,
                              .number = (long)i + 1};
    }
    return SM_OK;
}

static sm_status add_hole(const char *text, const char **p, sm_balance_hole *holes, size_t *n,
                          sm_error *err)
{
    sm_balance_hole h = {.radius_mm = NAN, .number = (long)*n + 1};
    bool good = *n < SM_BALANCE_HOLES && take_angle(p, &h.angle_deg);
    h.angle_deg = sm_wrap_deg(h.angle_deg);
    if (good && take_word(p, ":")) {
        good = take_number(p, &h.radius_mm) && h.radius_mm > 0;
        (void)take_word(p, "mm");
    }
    if (!good) {
        return sm_error_set(err, SM_E_FORMAT, NULL, 0,
                            "holes '%s': a number of equally spaced holes (12), or up to %d angles "
                            "with an optional radius in mm (0, 45:110, 90) are needed",
                            text, SM_BALANCE_HOLES);
    }
    for (size_t i = 0; i < *n; i++) {
        if (fabs(sm_turn_deg(holes[i].angle_deg - h.angle_deg)) < 1e-9) {
            return sm_error_set(err, SM_E_VALUE, NULL, 0, "holes '%s': two holes at %g degrees",
                                text, h.angle_deg);
        }
    }
    holes[(*n)++] = h;
    return SM_OK;
}

sm_status sm_balance_holes_parse(sm_balance_job *job, const char *text, double first_deg,
                                 sm_error *err)
{
    double count;
    if (sm_number_read(text, &count)) {
        return holes_spaced(job, count, first_deg, err);
    }
    sm_balance_hole holes[SM_BALANCE_HOLES];
    size_t n = 0;
    const char *p = text;
    do {
        sm_status st = add_hole(text, &p, holes, &n, err);
        if (st != SM_OK) {
            return st;
        }
    } while (take_word(&p, ","));
    if (*skip(p)) {
        return sm_error_set(err, SM_E_FORMAT, NULL, 0, "holes '%s': '%s' is not understood", text,
                            skip(p));
    }
    for (size_t i = 0; i < n; i++) {
        if (isfinite(holes[i].radius_mm) && !isfinite(job->radius_mm)) {
            return sm_error_set(err, SM_E_VALUE, NULL, 0,
                                "holes '%s': the holes have radii; give --radius (mm) of the trial "
                                "weight as well",
                                text);
        }
    }
    memcpy(job->holes, holes, n * sizeof *holes);
    job->n_holes = n;
    return SM_OK;
}

sm_status sm_balance_existing_parse(sm_balance_job *job, const char *text, sm_error *err)
{
    const char *p = text;
    double has[SM_BALANCE_HOLES] = {0};
    do {
        weight w;
        sm_status st = one_weight(job, &p, text, 0, &w, err);
        if (st != SM_OK) {
            return st;
        }
        w.hole = hole_of(job, &w);
        if (!w.hole || w.g < 0) {
            return sm_error_set(err, SM_E_VALUE, NULL, 0,
                                "'%s': weights that are already there must sit in one of the holes "
                                "of --holes",
                                text);
        }
        has[w.hole - job->holes] += w.g;
    } while (take_word(&p, "+"));
    if (*skip(p)) {
        return sm_error_set(err, SM_E_FORMAT, NULL, 0, "'%s': '%s' is not understood", text,
                            skip(p));
    }
    for (size_t i = 0; i < job->n_holes; i++) {
        job->holes[i].has_g = has[i];
    }
    return SM_OK;
}

sm_status sm_balance_influence_parse(sm_balance_job *job, const char *text, size_t plane,
                                     sm_error *err)
{
    sm_balance_run run = {0};
    if (plane >= SM_BALANCE_PLANES) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0, "at most %d planes", SM_BALANCE_PLANES);
    }
    sm_status st = sm_balance_readings_parse(job, text, &run, err);
    if (st != SM_OK) {
        return st;
    }
    if (job->has_influence && run.n_readings != job->n_influence) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0,
                            "'%s': every plane needs a coefficient for each of the %zu readings",
                            text, job->n_influence);
    }
    for (size_t k = 0; k < run.n_readings; k++) {
        job->influence[k][plane] = run.v[k];
    }
    job->n_influence = run.n_readings;
    job->has_influence = true;
    return SM_OK;
}
