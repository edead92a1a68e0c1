/*
 * Balance: once-per-turn vectors with known weights in, correction weight, holes and advice out.
 *
 * Inside, every vector is a lead: x(theta) = Re{X exp(i theta)}, theta = propeller angle since the
 * pulse, and every weight is counted with rotation: X = influence x (unbalance + weight). What
 * people write (lag, or angles against rotation) is conjugated on the way in and on the way out.
 * Vibration stays in the unit it was given in; weights are in grams at one radius.
 */
#ifndef STILLMOUNT_BALANCE_H
#define STILLMOUNT_BALANCE_H

#include "stillmount/json.h"
#include "stillmount/number.h"
#include "stillmount/powertrain.h"
#include "stillmount/status.h"
#include "stillmount/units.h"

#include <stdbool.h>

enum {
    SM_BALANCE_RUNS = 24,     /* most runs in one job */
    SM_BALANCE_READINGS = 16, /* most readings per run: sensors x speeds */
    SM_BALANCE_PLANES = 4,
    SM_BALANCE_HOLES = 72,
    SM_BALANCE_ADVICE = 40,
    SM_BALANCE_NOTES = 16,
    SM_BALANCE_SENSORS = 4,
    SM_BALANCE_SPLITS = 8, /* ways to fill the holes that are kept */
    SM_BALANCE_SPLIT_HOLES = 12,
};

typedef struct sm_phasor {
    double re;
    double im;
} sm_phasor;

/** amplitude and angle [deg] -> phasor, and back (angle 0..360; 0 for a zero phasor). */
SM_API sm_phasor sm_phasor_polar(double amplitude, double angle_deg);
SM_API double sm_phasor_amplitude(sm_phasor v);
SM_API double sm_phasor_angle_deg(sm_phasor v);

typedef enum sm_balance_kind {
    SM_BALANCE_ORIGINAL = 0, /* as found; several are repeats */
    SM_BALANCE_TRIAL,
    SM_BALANCE_CHECK, /* with correction weights on */
} sm_balance_kind;

/* One run: its readings in the order of the job's sensors and speeds. */
typedef struct sm_balance_run {
    sm_balance_kind kind;
    sm_phasor v[SM_BALANCE_READINGS];    /* lead; amplitude only (im 0) when the job has no phase */
    double rpm[SM_BALANCE_READINGS];     /* NaN = not stated */
    double scatter[SM_BALANCE_READINGS]; /* one sd per component of v; NaN = not measured */
    size_t n_readings;
    sm_phasor weight_g[SM_BALANCE_PLANES]; /* [g] all weights on in this run beyond the original
                                              state, counted with rotation */
    double hole_g[SM_BALANCE_HOLES];       /* what of them sits in the job's holes, plane 1 */
    size_t plane;                          /* where weights without a plane of their own went */
    double put_g;     /* [g] heaviest single weight, for "heavier than the trial" */
    bool wanders;     /* a reading moved more than 10 % or 10 degrees during the run */
    double wander;    /* largest change, as a fraction of the amplitude (phase counts as arc) */
    char source[256]; /* log it came from; "" = typed */
    char text[160];   /* weights as written, for the record */
} sm_balance_run;

typedef struct sm_balance_hole {
    double angle_deg; /* as people count it (see weights_against) */
    double radius_mm; /* NaN = the job's radius */
    double has_g;     /* weight already there */
    long number;      /* 1-based */
} sm_balance_hole;

typedef enum sm_advice_weight {
    SM_ADVICE_NOTE = 0,
    SM_ADVICE_WARNING,
    SM_ADVICE_STOP
} sm_advice_weight;

typedef struct sm_balance_advice {
    char code[32];
    sm_advice_weight weight;
    char text[480];
} sm_balance_advice;

typedef struct sm_balance_job {
    char name[128];
    char mark[96];        /* where 0 degrees is; "" = the tach mark */
    bool phase_lag;       /* instruments that print lag */
    bool weights_against; /* weight angles counted against rotation */
    bool weights_given;   /* weights_against was said by the user */
    bool no_phase;
    bool trial_stays;
    int seen_from_front; /* 1 front, 0 back, -1 not said */
    int turns_cw;        /* propeller turns clockwise seen from there: 1, 0, -1 not said */
    const sm_unit *unit;
    sm_detector detector;
    size_t n_planes;
    double rpm;            /* NaN = not stated; of the propeller */
    double radius_mm;      /* NaN = not stated */
    double mass_kg;        /* rotor, for ISO 21940-11; NaN */
    double grade;          /* mm/s; NaN */
    double moving_mass_kg; /* engine and propeller on their mounts; NaN */
    double sensor_at_deg;  /* sensor's axis, from the mark at the pulse, with rotation; NaN */
    sm_balance_run runs[SM_BALANCE_RUNS];
    size_t n_runs;
    bool has_influence; /* known coefficient instead of trials */
    sm_phasor influence[SM_BALANCE_READINGS][SM_BALANCE_PLANES]; /* [unit/g] */
    size_t n_influence;                                          /* readings in it */
    sm_balance_hole holes[SM_BALANCE_HOLES];
    size_t n_holes;
    double step_g;       /* weights come in steps of this; 0 = any */
    double max_hole_g;   /* most a hole may hold; NaN = no limit */
    bool has_other_load; /* the vector at the same rpm with another load */
    sm_phasor other_load;
    bool has_reindexed; /* the vector after turning the propeller on its flange */
    sm_phasor reindexed;
    double reindexed_by_deg; /* in the way weight angles are counted */
    bool mark_on_crank;      /* the tach mark stayed where it was */
    bool direct_drive;       /* known to be */
    uint64_t seed;
    long draws;                                /* Monte Carlo; 0 = 2000 */
    sm_balance_advice notes[SM_BALANCE_NOTES]; /* about the logs; the result repeats them */
    size_t n_notes;
} sm_balance_job;

typedef struct sm_balance_part {
    long hole;
    double angle_deg;
    double radius_mm; /* NaN = the job's */
    double grams;     /* to add here; negative = take away */
    double total_g;   /* in the hole afterwards */
} sm_balance_part;

typedef struct sm_balance_split {
    sm_balance_part parts[SM_BALANCE_SPLIT_HOLES];
    size_t n_parts;
    double mass_g;       /* added, plus half of what is taken off: the smaller the better */
    double residual_g;   /* what is missing from the ideal weight */
    sm_phasor predicted; /* reading 0 */
} sm_balance_split;

typedef struct sm_balance_result {
    /* Original: mean of the repeats, per reading. */
    sm_phasor original[SM_BALANCE_READINGS];
    double scatter[SM_BALANCE_READINGS]; /* one sd per component of one run, as used */
    double scatter_dof;                  /* degrees of freedom behind it; INFINITY when assumed */
    bool scatter_assumed;
    size_t n_readings;
    sm_phasor influence[SM_BALANCE_READINGS][SM_BALANCE_PLANES];
    bool has_influence;
    double condition; /* of the planes; NaN with one plane */
    /* What to add to the weights that are on now. */
    bool has_correction;
    sm_phasor correction[SM_BALANCE_PLANES];         /* [g] with rotation */
    double grams_interval[SM_BALANCE_PLANES][2];     /* 95 % */
    double angle_interval_deg[SM_BALANCE_PLANES][2]; /* 95 %, as people count; may pass 0 or 360 */
    bool angle_known;                                /* false: two places are possible */
    double angle_candidates_deg[2];                  /* as people count */
    double grams_candidates[2];
    size_t n_candidates;
    sm_phasor now_on_g[SM_BALANCE_PLANES]; /* beyond the original state */
    bool trial_stays;
    sm_balance_split split[SM_BALANCE_PLANES]; /* n_parts 0 without holes */
    sm_balance_split ways[SM_BALANCE_SPLITS];  /* plane 1, best residual first */
    size_t n_ways;
    sm_phasor predicted[SM_BALANCE_READINGS];
    bool has_predicted;
    double residual_median; /* of the Monte Carlo, as a fraction of the original */
    double residual_p90;
    /* A check run against what was predicted for it. */
    bool has_check;
    sm_phasor check_expected;
    sm_phasor check_achieved;
    /* Trial weight to use. */
    bool has_trial_hint;
    double trial_hint_g;         /* NaN = not known */
    double trial_hint_angle_deg; /* as people count; NaN = any place */
    /* ISO 21940-11, plane 1. */
    double u_per_gmm; /* NaN = not asked */
    double u_before_gmm;
    double u_after_gmm;
    /* Re-indexing. */
    bool has_reindex;
    sm_phasor part_propeller;
    sm_phasor part_crank;
    sm_balance_advice advice[SM_BALANCE_ADVICE];
    size_t n_advice;
    bool stopped;          /* a weight was asked for and cannot be given */
    bool out_of_tolerance; /* a check run came out too rough or not as predicted */
} sm_balance_result;

/** All numbers NaN, unit in/s peak, one plane. */
SM_API void sm_balance_job_default(sm_balance_job *job);

/**
 * Texts of a job. All return SM_OK or SM_E_FORMAT / SM_E_VALUE with the reason; source and line
 * may be NULL and 0.
 *
 * readings: "0.266@289", "0.266 @ 289 at 2400 rpm", several separated by commas (sensors or
 * speeds); without "@289" only when job->no_phase. weights: "15 g @ 90", "0.5 oz @ hole 4",
 * "14 g @ 60 + 8 g @ 90", each with an optional "at 110 mm" and "in plane 2". A unit is required.
 */
SM_API SM_NODISCARD sm_status sm_balance_readings_parse(const sm_balance_job *job, const char *text,
                                                        sm_balance_run *run, sm_error *err);
SM_API SM_NODISCARD sm_status sm_balance_weights_parse(const sm_balance_job *job, const char *text,
                                                       size_t default_plane, sm_balance_run *run,
                                                       sm_error *err);
/** "in/s peak", "mm/s rms", "mil pp": a velocity, displacement or acceleration; default peak. */
SM_API SM_NODISCARD sm_status sm_balance_unit_parse(sm_balance_job *job, const char *text,
                                                    sm_error *err);
/** "12" (equally spaced, the first at first_deg), or "0, 45:110, 90" (angle[:radius in mm]). */
SM_API SM_NODISCARD sm_status sm_balance_holes_parse(sm_balance_job *job, const char *text,
                                                     double first_deg, sm_error *err);
/** Weights already in the holes: "5 g @ hole 3 + 2 g @ 90". */
SM_API SM_NODISCARD sm_status sm_balance_existing_parse(sm_balance_job *job, const char *text,
                                                        sm_error *err);
/** Known coefficient of one plane: readings per gram, "0.0125@38" (several by commas). */
SM_API SM_NODISCARD sm_status sm_balance_influence_parse(sm_balance_job *job, const char *text,
                                                         size_t plane, sm_error *err);

/**
 * Least-squares weights for several planes: minimises sum |v0[k] + sum_p a[k][p] w[p]|^2.
 *
 * condition  out  2-norm condition number of a with its columns scaled to length 1; 1 when
 *                 n_planes is 1
 * Returns SM_OK; SM_E_SHORT (fewer readings than planes); SM_E_VALUE (a plane that does nothing,
 *         or planes that cannot be told apart: *condition is set then as well)
 * Source  Goodman 1964
 */
SM_API SM_NODISCARD sm_status sm_balance_planes_solve(const sm_phasor (*a)[SM_BALANCE_PLANES],
                                                      const sm_phasor *v0, size_t n_readings,
                                                      size_t n_planes, sm_phasor *w,
                                                      double *condition, sm_error *err);

/**
 * Fills the holes of the job so that their sum comes nearest to target. See DEVELOPERS.md,
 * "Balance", for how the best is chosen.
 *
 * target    in   [g] at the job's radius, counted as people count
 * chosen    out
 * ways      out  (SM_BALANCE_SPLITS) best residual first
 * Returns SM_OK; SM_E_VALUE (the holes cannot make this weight: none near its direction, or only
 *         holes 180 degrees apart, or the limit per hole is too low)
 */
SM_API SM_NODISCARD sm_status sm_balance_split_find(const sm_balance_job *job, sm_phasor target,
                                                    sm_balance_split *chosen,
                                                    sm_balance_split *ways, size_t *n_ways,
                                                    sm_error *err);

/** Permissible residual unbalance, ISO 21940-11:2016: grade [mm/s] x mass / omega, in g mm. */
SM_API double sm_balance_u_per_gmm(double grade_mm_s, double mass_kg, double rpm);

/**
 * Appends a run; with trial_stays its weights come on top of those of the run before.
 * SM_OK; SM_E_VALUE (too many runs; a trial without weight; not as many readings as before; another
 * rpm than before).
 */
SM_API SM_NODISCARD sm_status sm_balance_job_add(sm_balance_job *job, const sm_balance_run *run,
                                                 sm_error *err);

/**
 * The whole job. What is wrong with the way the job was written is an error; what the numbers
 * cannot carry is a result with advice of weight SM_ADVICE_STOP, stopped set and no correction.
 *
 * Returns SM_OK; SM_E_FORMAT (a convention or a run is missing); SM_E_VALUE (zero weight, readings
 *         at different speeds, different numbers of readings)
 * Accuracy textbook cases to printed precision; intervals hold the truth in at least 90 % of
 *         simulated jobs (tests/unit/test_balance.c)
 */
SM_API SM_NODISCARD sm_status sm_balance_compute(const sm_balance_job *job, sm_balance_result *out,
                                                 sm_error *err);

/* How vectors are taken from logs. The first log settles the speeds, the others must have them. */
typedef struct sm_balance_logs {
    const sm_powertrain *powertrain;
    const char *channels_path;   /* channels file; NULL = none */
    const char *const *channels; /* (n_channels) "prop.accel.y"; all are used together */
    size_t n_channels;
    double rpm;     /* of the rpm_of shaft: held speed to use; NaN = the best of the first log */
    double band_lo; /* instead of a held speed; NaN = none */
    double band_hi;
    double delay_s; /* of the sensor against the pulse; NaN = first-order lag of its bandwidth */
    double cell_rpm[SM_BALANCE_READINGS][2]; /* settled by the first log */
    size_t n_cells;
    char code[32]; /* why a log was refused */
} sm_balance_logs;

/**
 * The once-per-turn vectors of a log: synchronous with the propeller's pulse, integrated to the
 * job's unit, sensor lag taken back, mean over the windows within 1 % of the held speed (or per
 * cell of the band), with scatter. Readings: channel by channel, cell by cell. What a reader should
 * know is added to job->notes; job->rpm and job->direct_drive are set.
 *
 * Returns SM_OK; SM_E_NO_SPEED (no once-per-turn pulse of the propeller: logs->code, err);
 *         SM_E_SHORT (the speed was not held: logs->code, err); SM_E_VALUE (no such channel, no
 *         propeller, too many readings); what sm_source_open() and sm_source_pump() return
 * Accuracy noise-free held speed: 0.1 % and 0.1 degree (tests/unit/test_balance_runs.c)
 */
SM_API SM_NODISCARD sm_status sm_balance_run_measure(const char *path, sm_balance_logs *logs,
                                                     sm_balance_job *job, sm_balance_run *run,
                                                     sm_error *err);

/** The result of a job whose log was refused: no vectors, one reason of weight STOP. */
SM_API void sm_balance_refuse(const sm_balance_job *job, const char *code, const char *why,
                              sm_balance_result *out);

/** Fills an empty document with stillmount/balance/1. */
SM_API void sm_balance_json(const sm_balance_job *job, const sm_balance_result *r,
                            sm_json_doc *doc);
/** The page for the mechanic. */
SM_API void sm_balance_text(const sm_balance_job *job, const sm_balance_result *r, sm_text *out);
/** The conventions in words, one paragraph. */
SM_API void sm_balance_conventions_text(const sm_balance_job *job, sm_text *out);

/**
 * The job file: an INI that keeps the series of runs. SM_OK; SM_E_IO; SM_E_FORMAT, SM_E_VALUE (with
 * the line); SM_E_NOMEM.
 */
SM_API SM_NODISCARD sm_status sm_balance_job_read(const char *path, sm_balance_job *job,
                                                  sm_error *err);
/** The text of a job file, with a comment that says what to do next; r may be NULL. */
SM_API void sm_balance_job_text(const sm_balance_job *job, const sm_balance_result *r,
                                sm_text *out);

#endif
