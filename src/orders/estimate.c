/* Speed from the vibration: peak map, best path, gates; what passes becomes speed points. */
#include "stillmount/estimate.h"

#include "core/alloc.h"
#include "orders/align.h"
#include "orders/gates.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Orders less likely than this to be strong do not help to find the speed. */
#define PRIOR_LEAST 0.2
/* A frame is believed when the speed within 2 % of the path has this probability ... */
#define POSTERIOR_LEAST 0.99
/* ... and on average over two seconds so many expected orders show a peak. */
#define SEEN_LEAST 3.0
#define SEEN_LEAST_LOG 1.5
#define SEEN_LOOSE 1.5
#define SEEN_LOOSE_LOG 0.7
/* Fit over the best path elsewhere, on average over four seconds. */
#define SEED_MARGIN 2.0F
#define LOOSE_MARGIN 2.0F
/* The whole run: better than the best path elsewhere, and little tonal power left over. */
#define MARGIN_LEAST 5.0
#define EXPLAINED_LEAST 0.85
/* One shaft makes half orders and nothing else, once the speed moves: what a geared drive shows
 * beside them at two thirds of its speed is a seventh to a tenth. */
#define EXPLAINED_LEAST_DIRECT 0.95
#define MOVES 0.03
/* Where it does not move, two thirds of a geared crank's speed explains all: then lines stand at
 * the odd quarter orders, 0.9 to 1.05 of them per frame in the random runs that came out wrong; 2
 * of 194 right ones with one shaft show more than this. */
#define QUARTERS_MOST 0.4
/* An engine hunts; what stands stiller than this is electrical. */
#define WANDER_LEAST 5e-4
/* A speed outside of idle to max, up to so many times, must not fit better than what was found: on
 * average over the run, and over four seconds. */
#define OUTSIDE_TIMES 2.2
#define OUTSIDE_BETTER 0.5
#define OUTSIDE_BETTER_HERE 1.0F
#define ELSEWHERE 0.06
/* Each shaft shows a line of its own in such a share of the accepted run. */
#define SIGNATURE_LEAST 0.4
#define ALIGN_SPAN 0.10
#define ALIGN_SECOND 0.85
#define ALIGN_FIT 6.0
#define ALIGN_SHARE 0.5
enum { AVERAGE_HALF = 10, FRAMES_LEAST = 16, ISLAND_LEAST = 10 };

struct sm_estimate {
    const sm_powertrain *p;
    sm_estimate_options opt;
    double hz_per_rpm;    /* of the reference shaft */
    sm_emission emission; /* the orders that are likely strong */
    sm_emission table;    /* all expected orders */
    sm_peak_map map;
    double end_s;
};

sm_estimate_options sm_estimate_options_default(const sm_powertrain *p, double budget_lo_rpm,
                                                double budget_hi_rpm)
{
    sm_estimate_options o = {.source = SM_SPEED_ESTIMATE, .rpm_lo = 400, .rpm_hi = 8000};
    if (budget_lo_rpm > 0 && budget_hi_rpm > budget_lo_rpm) {
        o.rpm_lo = budget_lo_rpm / 1.2;
        o.rpm_hi = budget_hi_rpm * 1.2;
    }
    if (p->idle_rpm > 0) {
        o.rpm_lo = 0.85 * p->idle_rpm;
    }
    if (p->max_rpm > 0) {
        o.rpm_hi = 1.05 * p->max_rpm;
    }
    return o;
}

sm_status sm_estimate_open(const sm_channel *channels, size_t n_channels, double rate_hz,
                           const sm_powertrain *p, const sm_estimate_options *opt,
                           sm_estimate **out, sm_error *err)
{
    if (!(opt->rpm_lo > 0) || !(opt->rpm_hi > 1.01 * opt->rpm_lo) || !(opt->rpm_hi < 1e6)) {
        return sm_error_set(err, SM_E_VALUE, NULL, 0,
                            "the range of rpm to look in is empty; check idle and max under "
                            "[operating] in the powertrain file");
    }
    sm_estimate *e = sm_alloc_array(1, sizeof *e);
    sm_order_table *orders = sm_alloc_array(1, sizeof *orders);
    sm_status status = SM_E_NOMEM;
    if (!e || !orders) {
        goto done;
    }
    e->p = p;
    e->opt = *opt;
    e->hz_per_rpm = sm_powertrain_reference_per(p, p->rpm_of) / 60;
    status = sm_powertrain_orders(p, SM_PEAK_HZ_MOST / (opt->rpm_lo * e->hz_per_rpm), NULL, 0,
                                  orders, err);
    if (status != SM_OK) {
        goto done;
    }
    sm_emission_make(p, orders, PRIOR_LEAST, &e->emission);
    sm_emission_make(p, orders, 0, &e->table);
    status = sm_peak_map_open(channels, n_channels, rate_hz, &e->emission, &e->map, err);
    if (status == SM_OK) {
        *out = e;
        e = NULL;
    }
done:
    sm_free(e);
    sm_free(orders);
    return status == SM_E_NOMEM ? sm_error_set(err, status, NULL, 0, "out of memory") : status;
}

void sm_estimate_close(sm_estimate **e)
{
    if (*e) {
        sm_peak_map_close(&(*e)->map);
        sm_free(*e);
        *e = NULL;
    }
}

static sm_status push(void *self, const sm_block *b, sm_error *err)
{
    sm_estimate *e = self;
    e->end_s = b->t0_s + (double)b->n_rows / b->rate_hz;
    sm_status status = sm_peak_map_push(&e->map, b);
    return status == SM_OK ? SM_OK : sm_error_set(err, status, NULL, 0, "out of memory");
}

static sm_status mark(void *self, sm_mark m, double t_s, sm_error *err)
{
    (void)m;
    (void)t_s;
    (void)err;
    sm_peak_map_gap(&((sm_estimate *)self)->map);
    return SM_OK;
}

sm_sink sm_estimate_sink(sm_estimate *e)
{
    return (sm_sink){e, push, mark};
}

void sm_estimate_result_free(sm_estimate_result *r)
{
    sm_free(r->points);
    *r = (sm_estimate_result){0};
}

/* Lays the slow log over the run, or says why that cannot be done. */
static sm_status use_log(const sm_estimate *e, sm_speed_grid *g, const sm_speed_path *free_path,
                         sm_findings *findings, sm_estimate_result *r)
{
    const sm_rpm_log *log = e->opt.log;
    double hz_per_rpm = e->hz_per_rpm;
    if (log->shaft_given) {
        hz_per_rpm = sm_powertrain_reference_per(e->p, log->shaft) / 60;
    }
    sm_alignment a = {0};
    sm_status status = sm_align_log(g, &e->map, log, hz_per_rpm, &a);
    if (status == SM_E_NOMEM) {
        return status;
    }
    const char *why = NULL;
    if (status == SM_E_SHORT) {
        why = "it is too short for this run";
    } else if (a.span < ALIGN_SPAN) {
        why = "the rpm hardly changes where both overlap";
    } else if (a.fit < ALIGN_FIT || a.fit < ALIGN_SHARE * free_path->mean_fit) {
        why = "the vibration does not follow it anywhere: it may be of another run";
    } else if (a.second > ALIGN_SECOND * a.fit) {
        why = "several offsets fit about equally well";
    }
    if (why) {
        sm_finding *f = sm_findings_add(findings, "rpm-log-not-aligned", SM_WARNING, NULL, 1);
        sm_finding_text(f,
                        "The rpm log could not be laid over the run: %s. Record a slow run-up and "
                        "let both devices run through it.",
                        why);
        sm_finding_effect(f, "the rpm log is not used; the speed rests on the vibration alone");
        return SM_OK;
    }
    r->aligned = true;
    r->clock_offset_s = a.offset_s - log->first_s;
    r->clock_width_s = a.width_s;
    sm_finding *f = sm_findings_add(findings, "rpm-log-aligned", SM_NOTE, NULL, 1);
    sm_finding_text(f,
                    "The rpm log fits the vibration when %.2f s are added to its clock. The "
                    "monitor's own delay is in that number and cannot be told from it.",
                    r->clock_offset_s);
    sm_finding_effect(f, "the log steers the search; the speed itself is the vibration's");
    sm_align_log_apply(g, &e->map, log, hz_per_rpm, a.offset_s);
    return SM_OK;
}

/* Everything that is freed together. */
typedef struct work {
    sm_speed_grid grid;
    sm_speed_path path;
    sm_speed_path rival;
    sm_speed_gates gates;
    float *local;   /* fit over the rival's, four seconds */
    float *outside; /* what a speed out of range fits better by, likewise */
    double outside_mean;
    unsigned char *accepted;
} work;

static void work_free(work *w)
{
    sm_speed_grid_free(&w->grid);
    sm_speed_path_free(&w->path);
    sm_speed_path_free(&w->rival);
    sm_speed_gates_free(&w->gates);
    sm_free(w->local);
    sm_free(w->outside);
    sm_free(w->accepted);
}

/* Runs of equal flags that do not cross a gap: the end of the one that begins at t. */
static size_t run_end(const sm_peak_map *m, const unsigned char *flag, size_t t)
{
    size_t end = t + 1;
    while (end < m->n_frames && (flag[end] != 0) == (flag[t] != 0) && !m->frames[end].starts) {
        end++;
    }
    return end;
}

/*
 * Which frames are believed: those that show orders enough, and those that hang together with
 * them and still follow one path clearly. No islands shorter than a second.
 */
static void accept(const sm_estimate *e, work *w, bool with_log)
{
    enum { LOOSE = 1, SEED = 2 };
    const sm_peak_map *m = &e->map;
    unsigned char *accepted = w->accepted;
    double seen_seed = with_log ? SEEN_LEAST_LOG : SEEN_LEAST;
    double seen_loose = with_log ? SEEN_LOOSE_LOG : SEEN_LOOSE;
    for (size_t t = 0; t < m->n_frames; t++) {
        bool sure = (double)w->path.posterior[t] > POSTERIOR_LEAST &&
                    !(w->outside[t] > OUTSIDE_BETTER_HERE);
        double seen = (double)w->gates.seen[t];
        bool seed = sure && seen >= seen_seed && w->local[t] > SEED_MARGIN;
        bool loose = sure && seen >= seen_loose && w->local[t] > LOOSE_MARGIN;
        accepted[t] = seed ? SEED : loose ? LOOSE : 0;
    }
    for (size_t t = 0; t < m->n_frames;) {
        size_t end = run_end(m, accepted, t);
        size_t seeds = 0;
        for (size_t k = t; k < end; k++) {
            seeds += accepted[k] == SEED;
        }
        bool keep = seeds >= ISLAND_LEAST;
        memset(accepted + t, keep ? 1 : 0, end - t);
        t = end;
    }
}

static size_t count(const unsigned char *flag, size_t n)
{
    size_t total = 0;
    for (size_t t = 0; t < n; t++) {
        total += flag[t] != 0;
    }
    return total;
}

static sm_status make_points(const sm_estimate *e, const sm_speed_path *path,
                             const unsigned char *accepted, sm_estimate_result *r)
{
    const sm_peak_map *m = &e->map;
    double half = 0.5 * (double)m->n_frame / m->rate_hz;
    r->points = sm_alloc_array(3 * m->n_frames, sizeof *r->points);
    if (!r->points) {
        return SM_E_NOMEM;
    }
    size_t n = 0;
    for (size_t t = 0; t < m->n_frames; t++) {
        bool first = t == 0 || m->frames[t].starts;
        bool last = t + 1 == m->n_frames || m->frames[t + 1].starts;
        double rpm = path->hz[t] / e->hz_per_rpm;
        double at = m->frames[t].t_s;
        size_t beside = first && !last ? t + 1 : t > 0 ? t - 1 : t;
        double slope = beside == t ? 0
                                   : (path->hz[beside] - path->hz[t]) / e->hz_per_rpm /
                                         (m->frames[beside].t_s - at);
        if (first) { /* the frame's own first half, and a break before it */
            if (t > 0) {
                r->points[n++] = (sm_speed_point){at - half - 1e-6, rpm, false};
            }
            r->points[n++] = (sm_speed_point){at - half, rpm - slope * half, accepted[t] != 0};
        }
        r->points[n++] = (sm_speed_point){at, rpm, accepted[t] != 0};
        if (last) {
            double rest = half + SM_PEAK_HOP_S;
            if (t + 1 < m->n_frames) {
                double next = m->frames[t + 1].t_s - half - 2e-6;
                rest = fmin(rest, fmax(next - at, 1e-6));
            }
            r->points[n++] = (sm_speed_point){at + rest, rpm + slope * rest, accepted[t] != 0};
        }
    }
    r->n_points = n;
    return SM_OK;
}

static void say_why(const sm_estimate *e, const work *w, bool jumps, double seen_least,
                    sm_estimate_result *r, size_t *total)
{
    const sm_speed_gates *gates = &w->gates;
    bool one_shaft = sm_ratio_value(e->p->gear) == 1;
    double explained_least =
        one_shaft && gates->wander > MOVES ? EXPLAINED_LEAST_DIRECT : EXPLAINED_LEAST;
    bool with_log = r->aligned;
    const char *kind = NULL;
    if (gates->mean_seen < 0.5 * seen_least || r->evidence < 0) {
        kind = "too few engine orders stand out of the noise";
    } else if (r->margin < MARGIN_LEAST && !with_log) {
        kind = "another speed fits nearly as well";
    } else if (w->outside_mean > OUTSIDE_BETTER) {
        kind = "a speed outside of idle to max fits better: check both under [operating] in the "
               "powertrain file";
    } else if (gates->wander < WANDER_LEAST) {
        kind = "the lines do not move at all, as those of mains or an inverter do";
    } else if (r->explained < explained_least) {
        kind = "much of the vibration's lines fits no expected order: check gear ratio, cylinders "
               "and cycle in the powertrain file";
    } else if (one_shaft && !with_log &&
               sm_speed_quarters(&e->map, &e->table, &w->path) > QUARTERS_MOST) {
        kind = "lines stand at quarter orders, between those one shaft makes, as behind a gearbox "
               "of about 3/2: if there is one, give its ratio under [gearbox] in the powertrain "
               "file";
    } else if (gates->signature < SIGNATURE_LEAST) {
        kind =
            "the lines of one shaft, crank or propeller, are not where the gear ratio puts them: "
            "check the ratio in the powertrain file";
    } else if (jumps) {
        kind = "it seems to jump by a factor of 2, 3 or 3/2 in the middle of the run: check idle "
               "and max under [operating]";
    }
    if (kind) {
        *total = 0;
        (void)snprintf(r->reason, sizeof r->reason, "%s", kind);
    } else if (*total == 0) {
        (void)snprintf(r->reason, sizeof r->reason, "no stretch shows its orders clearly enough");
    } else if (*total < e->map.n_frames) {
        (void)snprintf(r->reason, sizeof r->reason,
                       "in %.0f %% of the run the orders do not stand out clearly enough",
                       100 * (1 - (double)*total / (double)e->map.n_frames));
    }
}

static void report(const sm_estimate_result *r, sm_findings *findings)
{
    if (r->confidence == 0) {
        sm_finding *f = sm_findings_add(findings, "speed-refused", SM_BLOCKING, NULL, 1);
        sm_finding_text(f,
                        "The speed cannot be established from the vibration: %s. Record a tach%s "
                        "with this run.",
                        r->reason,
                        r->aligned ? " or an rpm column: a slow rpm log only steers the search"
                                   : ", an rpm column or an rpm log");
        sm_finding_effect(f, "no band can be assessed");
    } else if (r->confidence < 0.999) {
        sm_finding *f = sm_findings_add(findings, "speed-partly", SM_NOTE, NULL, 1);
        sm_finding_text(f, "Found from the vibration: the speed of %.0f %% of the run; %s.",
                        100 * r->confidence, r->reason);
        sm_finding_effect(f, "the rest counts for no band");
    }
}

static sm_status local_margin(const sm_estimate *e, const sm_speed_grid *g,
                              const sm_speed_path *path, const sm_speed_path *rival, float *local)
{
    for (size_t t = 0; t < g->n_frames; t++) {
        const float *fit = g->fit + t * g->n_states;
        local[t] = fit[path->at[t]] - fit[rival->at[t]];
    }
    return sm_speed_average(&e->map, local, 2 * AVERAGE_HALF);
}

/* What a speed outside of idle to max would fit better by. */
static sm_status look_outside(const sm_estimate *e, work *w)
{
    sm_speed_grid wide = {0};
    sm_speed_path path = {0};
    sm_status status =
        sm_speed_grid_make(&e->map, &e->emission, e->opt.rpm_lo * e->hz_per_rpm / OUTSIDE_TIMES,
                           e->opt.rpm_hi * e->hz_per_rpm * OUTSIDE_TIMES, &wide);
    if (status == SM_OK) {
        status = sm_speed_path_find(&wide, &e->map, NULL, &path);
    }
    for (size_t t = 0; status == SM_OK && t < wide.n_frames; t++) {
        bool elsewhere = fabs(log(path.hz[t] / w->path.hz[t])) > ELSEWHERE;
        w->outside[t] = elsewhere ? wide.fit[t * wide.n_states + path.at[t]] -
                                        w->grid.fit[t * w->grid.n_states + w->path.at[t]]
                                  : 0;
        w->outside_mean += (double)w->outside[t] / (double)wide.n_frames;
    }
    if (status == SM_OK) {
        status = sm_speed_average(&e->map, w->outside, 2 * AVERAGE_HALF);
    }
    sm_speed_grid_free(&wide);
    sm_speed_path_free(&path);
    return status;
}

static sm_status search(const sm_estimate *e, sm_findings *findings, work *w, sm_estimate_result *r)
{
    sm_status status = sm_speed_grid_make(&e->map, &e->emission, e->opt.rpm_lo * e->hz_per_rpm,
                                          e->opt.rpm_hi * e->hz_per_rpm, &w->grid);
    if (status == SM_OK) {
        status = sm_speed_path_find(&w->grid, &e->map, NULL, &w->path);
    }
    if (status == SM_OK && e->opt.log && e->opt.source != SM_SPEED_ESTIMATE) {
        if (e->opt.source == SM_SPEED_LOG) {
            status = use_log(e, &w->grid, &w->path, findings, r);
        } else {
            sm_align_notes_apply(&w->grid, &e->map, e->opt.log, e->hz_per_rpm);
        }
        if (status == SM_OK) {
            sm_speed_path_free(&w->path);
            status = sm_speed_path_find(&w->grid, &e->map, NULL, &w->path);
        }
    }
    if (status == SM_OK) {
        status = sm_speed_path_posterior(&w->grid, &e->map, &w->path);
    }
    if (status == SM_OK) {
        status = sm_speed_path_find(&w->grid, &e->map, w->path.at, &w->rival);
    }
    if (status == SM_OK) {
        status = local_margin(e, &w->grid, &w->path, &w->rival, w->local);
    }
    if (status == SM_OK && !r->aligned) {
        status = look_outside(e, w);
    }
    if (status == SM_OK) {
        status = sm_speed_refine(&e->map, &e->emission, &w->path);
    }
    if (status == SM_OK) {
        status = sm_speed_gates_make(&e->map, &e->emission, &e->table, &w->path, &w->gates);
    }
    if (status == SM_OK) {
        status = sm_speed_average(&e->map, w->gates.seen, AVERAGE_HALF);
    }
    return status;
}

sm_status sm_estimate_finish(sm_estimate *e, sm_findings *findings, sm_estimate_result *out,
                             sm_error *err)
{
    size_t n = e->map.n_frames;
    if (n < FRAMES_LEAST) {
        return sm_error_set(
            err, SM_E_SHORT, NULL, 0,
            "less than two seconds of it hold a signal in which a speed can be sought: "
            "the log is too short, or the sensor was dead; record anew, or give --rpm");
    }
    sm_estimate_result r = {.clock_offset_s = NAN, .clock_width_s = NAN};
    work w = {.local = sm_alloc_array(n, sizeof(float)),
              .outside = sm_alloc_array(n, sizeof(float)),
              .accepted = sm_alloc_array(n, 1)};
    sm_status status = w.local && w.outside && w.accepted ? SM_OK : SM_E_NOMEM;
    if (status == SM_OK) {
        status = search(e, findings, &w, &r);
    }
    if (status == SM_OK) {
        double seen_least = r.aligned ? SEEN_LEAST_LOG : SEEN_LEAST;
        r.evidence = w.path.mean_fit;
        r.margin = w.path.mean_fit - w.rival.mean_fit;
        r.explained = w.gates.explained;
        accept(e, &w, r.aligned);
        bool jumps = !sm_speed_settle_jumps(&w.grid, &e->map, &w.path, w.accepted);
        size_t total = count(w.accepted, n);
        if (sm_ratio_value(e->p->gear) != 1) { /* one shaft shows no ratio */
            sm_speed_signature(&e->map, &e->emission, &w.path, total ? w.accepted : NULL, &w.gates);
        }
        say_why(e, &w, jumps, seen_least, &r, &total);
        if (total == 0) {
            memset(w.accepted, 0, n * sizeof *w.accepted);
        }
        r.confidence = (double)total / (double)n;
        status = make_points(e, &w.path, w.accepted, &r);
    }
    work_free(&w);
    if (status == SM_OK && findings->failed) {
        status = SM_E_NOMEM;
    }
    if (status != SM_OK) {
        sm_estimate_result_free(&r);
        return sm_error_set(err, status, NULL, 0, "out of memory while looking for the speed");
    }
    report(&r, findings);
    *out = r;
    return SM_OK;
}
