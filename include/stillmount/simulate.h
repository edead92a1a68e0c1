/*
 * Side branch: run-ups with known truth. A scenario file describes engine, mount and sensors; out
 * come a log as a logger would have written it and the truth that no logger knows. The samples and
 * the end-to-end tests live on it. It is a model: it proves the arithmetic, never an engine.
 *
 * How a sample comes about. Every source (an order of a shaft, or a fixed tone) is a complex force
 * F(t) = A(rpm) exp(i (2 pi order theta + phase)). It passes through every mode as a complex
 * second-order filter, so that the envelope behind the mode is exact in any sweep. A channel adds
 * the direct path and its modes; broadband force noise takes the same way, and where two places
 * name the same force for an axis it is one: mount.accel.z is shaken by what shakes base.accel.z.
 * Then come the sensor's own noise, its mean (gravity), its attachment, clipping before the filter,
 * the filter, range and quantisation. Inside it runs at a multiple of the log's rate, at least
 * internal_hz.
 *
 * The scenario file (INI). rpm means the rpm of rpm_of throughout. Forces are in g; for a gyro
 * channel `direct` and the mode weights are deg/s per g.
 *
 * [scenario] name; seed (1); nuisances = on | off (on); internal_hz (8000); seconds (end of the
 *            profile)
 * [engine]   rpm_of = crank | prop (crank); ratio, crank turns per propeller turn (1); cycle =
 *            four-stroke | two-stroke; cylinders (4)
 * [profile]  points = "seconds:rpm ...", straight lines between; 0 rpm is engine off
 * [log]      rate_hz (1000); jitter_s, true spread of the sampling instants (0); stamp_noise_s,
 *            spread of the time column only (0); clock_ppm (0); dropouts_per_s, rows lost one by
 *            one (0); gaps = "second:seconds ..."; time_decimals (6); time = yes | no (yes)
 * [rpm]      the rpm column: column = yes | no (yes); step_rpm (1); lag_s (0); noise_rpm (0)
 * [tach]     a pulse column, only if the section is there: shaft = crank | prop (crank);
 *            pulses_per_rev (1); width, of the pulse, in turns between pulses (0.1); rise_s (0)
 * [slow log] the separate rpm log: rate_hz (2); lag_s (0.5); offset_s, its clock minus the log's
 *            (0); step_rpm (10)
 * [place NAME]  accel_range (16 g); accel_step (range / 32768); gyro_range (2000 deg/s); gyro_step;
 *            filter_hz (0.3 x rate); filter_order 0, 2, 4, 6 or 8 (8), Butterworth, 0 = none;
 *            attachment_hz (300 with nuisances, else 0 = rigid); attachment_damping (0.1);
 *            overload = yes | no, clipping at the range before the filter (as nuisances);
 *            tolerance_percent, only written into the channels file (0 = left out)
 * [mode NAME]   hz; damping (0.05); kind = base (force is a base motion: transmissibility) | force
 *            (receptance x s^2, so 1 far above the mode)
 * [channel PLACE.accel.x]  direct (1); modes = "NAME:weight ..."; weights = "crank 2:0.5, prop 1:2"
 *            per source, default 1; noise, of the sensor, white; force_noise, g^2/Hz, through
 *            direct path and modes; noise_below_hz, its corner (0 = white); noise_exponent (1) and
 *            reference_rpm (5000): its amplitude grows with (rpm / reference)^exponent; mean
 * [order LABEL] LABEL "crank 2", "prop 1", or any name with order = turns per crank turn;
 *            force, peak, at reference_rpm (5000); exponent (2); or law = "rpm:g ..." straight
 *            lines; phase_deg (0); scatter = yes | no (yes for crank orders)
 * [tone NAME]   hz; force; phase_deg (0); always = yes | no (no: only while the engine turns)
 * [nuisances] scatter_db (3), from cycle to cycle; hunting_percent (0.3), rms; weak_cylinder (0.15)
 *            that much of one cylinder's push is missing; ignition_check_s (middle of the longest
 *            hold, if it lasts 8 s); ignition_drop_percent (2.5); rattle_g (0.5), impacts below
 *            rattle_below_rpm (2100); gust_g (0.01) and gust_deg_s (0.5), rms, 1 to 4 Hz; slap_g
 * (1) with slaps_per_minute (2), on the sensor itself
 */
#ifndef STILLMOUNT_SIMULATE_H
#define STILLMOUNT_SIMULATE_H

#include "stillmount/block.h"
#include "stillmount/json.h"

enum {
    SM_SIM_MAX_SOURCES = 40,
    SM_SIM_MAX_MODES = 8,
    SM_SIM_MAX_CHANNELS = 24,
    SM_SIM_MAX_PLACES = 6,
    SM_SIM_MAX_POINTS = 128,
    SM_SIM_MAX_LAW = 24,
    SM_SIM_BLOCK_ROWS = 1024,
};

typedef struct sm_sim_pair {
    double at; /* s or rpm */
    double value;
} sm_sim_pair;

typedef struct sm_sim_source {
    char label[80];
    bool fixed;    /* a tone: hz counts, order does not */
    bool always;   /* a tone that is there with the engine off */
    bool scatters; /* from combustion cycle to cycle */
    sm_shaft shaft;
    double order; /* cycles per crank revolution */
    double hz;
    double force_m_s2_pk; /* at reference_rpm */
    double exponent;
    double reference_rpm;
    sm_sim_pair law[SM_SIM_MAX_LAW]; /* rpm : m/s^2 peak; n_law = 0: the power law above */
    size_t n_law;
    double phase_rad;
} sm_sim_source;

typedef enum sm_sim_mode_kind { SM_SIM_BASE = 0, SM_SIM_FORCE } sm_sim_mode_kind;

typedef struct sm_sim_mode {
    char name[48];
    sm_sim_mode_kind kind;
    double hz;
    double damping;
} sm_sim_mode;

typedef struct sm_sim_place {
    char name[48];
    double range_si[2]; /* accelerometer, gyro */
    double step_si[2];
    double filter_hz;
    long filter_order;
    double attachment_hz; /* 0 = rigid */
    double attachment_damping;
    bool overload;    /* clips at the range before the filter */
    double tolerance; /* fraction, written into the channels file only; 0 = not stated */
} sm_sim_place;

typedef struct sm_sim_channel {
    char name[96]; /* "mount.accel.x" */
    size_t i_place;
    sm_role role; /* accel or gyro */
    int axis;
    double direct;                    /* [SI of the channel per m/s^2] */
    double weight[SM_SIM_MAX_MODES];  /* same unit */
    double share[SM_SIM_MAX_SOURCES]; /* factor on each source */
    double noise_psd;                 /* [SI^2/Hz] of the sensor */
    double force_noise_psd;           /* [(m/s^2)^2/Hz] at reference_rpm */
    double noise_below_hz;            /* one-pole corner; 0 = white */
    double noise_exponent;
    double reference_rpm;
    double mean_si;
} sm_sim_channel;

typedef struct sm_sim_nuisances {
    double scatter_db;
    double hunting; /* rms, fraction */
    double weak_cylinder;
    double ignition_check_s; /* NaN = none */
    double ignition_drop;    /* fraction */
    double rattle_m_s2;
    double rattle_below_rpm;
    double gust_m_s2_rms;
    double gust_rad_s_rms;
    double slap_m_s2;
    double slaps_per_s;
} sm_sim_nuisances;

typedef struct sm_scenario {
    char name[128];
    char source[256]; /* file name without directories */
    uint64_t seed;
    bool nuisances_on;
    double internal_hz;
    double seconds;
    sm_shaft rpm_of;
    double gear; /* crank turns per propeller turn */
    int strokes;
    long cylinders;
    sm_sim_pair profile[SM_SIM_MAX_POINTS];
    size_t n_profile;
    double rate_hz;
    double jitter_s;
    double stamp_noise_s;
    double clock_ppm;
    double dropouts_per_s;
    sm_sim_pair gaps[SM_SIM_MAX_LAW];
    size_t n_gaps;
    long time_decimals;
    bool time_column;
    bool rpm_column;
    double rpm_step;
    double rpm_lag_s;
    double rpm_noise;
    bool has_tach;
    sm_shaft tach_shaft;
    long pulses_per_rev;
    double pulse_width;
    double pulse_rise_s;
    double slow_rate_hz;
    double slow_lag_s;
    double slow_offset_s;
    double slow_step_rpm;
    sm_sim_nuisances nuisances;
    sm_sim_place places[SM_SIM_MAX_PLACES];
    size_t n_places;
    sm_sim_mode modes[SM_SIM_MAX_MODES];
    size_t n_modes;
    sm_sim_source sources[SM_SIM_MAX_SOURCES];
    size_t n_sources;
    sm_sim_channel channels[SM_SIM_MAX_CHANNELS];
    size_t n_channels;
} sm_scenario;

/**
 * Reads a scenario file as described above.
 *
 * Returns SM_OK; SM_E_IO; SM_E_FORMAT (unknown key or section, no channel, unreadable list);
 *         SM_E_VALUE (out of range); SM_E_NOMEM
 */
SM_API SM_NODISCARD sm_status sm_scenario_read(const char *path, sm_scenario *out, sm_error *err);
/** The same from n bytes of text; source names it in messages. No SM_E_IO. */
SM_API SM_NODISCARD sm_status sm_scenario_parse(const char *text, size_t n, const char *source,
                                                sm_scenario *out, sm_error *err);

/*
 * What the log should show, in steps of step_s (about 50 ms). An amplitude is the magnitude of the
 * source's mean complex envelope over the step, behind modes, attachment and filter; power is its
 * mean square / 2 over the step, scatter included. Clipping, range and rounding are not in it.
 * The attachment and the filter enter by their frequency response at the step's frequency: they
 * follow an envelope a hundred times faster than it changes; the modes enter as true dynamics.
 */
typedef struct sm_truth {
    double step_s;
    size_t n_steps;
    double *rpm;      /* (n_steps) of rpm_of, mean of the step */
    double *crank_hz; /* (n_steps) */
    size_t n_sources;
    size_t n_channels;
    double *amplitude_pk; /* [SI] (n_channels, n_sources, capacity): use sm_truth_at() */
    double *phase_rad;    /* x = Re{X exp(i order theta)}, theta = 0 at the first tach pulse */
    double *power;        /* [SI^2] mean square */
    size_t capacity;      /* steps there is room for */
} sm_truth;

typedef struct sm_simulator sm_simulator;

/* A piece of the log, rows as the logger stored them. Arrays belong to the simulator. */
typedef struct sm_sim_rows {
    size_t n_rows;           /* 0 = the end */
    const double *t_s;       /* time stamps */
    const double *const *x;  /* [SI] x[channel][row] */
    const double *rpm;       /* the rpm column */
    const double *tach;      /* 0..1 */
    const double *true_rpm;  /* of rpm_of */
    const double *theta_rev; /* angle of the crank */
} sm_sim_rows;

/**
 * Starts a run.
 *
 * scenario  in  copied
 * seed      in  the same seed gives the same log, byte for byte, on one build
 * truth     in  record the truth; memory then grows with the length (about 500 bytes per second,
 *               channel and source), without it memory is flat
 *
 * Returns SM_OK; SM_E_VALUE (the profile is empty, too long or too fast for the rate); SM_E_NOMEM
 * Threads one simulator belongs to one thread
 */
SM_API SM_NODISCARD sm_status sm_simulator_open(const sm_scenario *scenario, uint64_t seed,
                                                bool truth, sm_simulator **out, sm_error *err);
/** The next at most SM_SIM_BLOCK_ROWS rows. Never fails. */
SM_API void sm_simulator_next(sm_simulator *s, sm_sim_rows *out);
/** The truth up to now; NULL when it is not recorded. Valid until the simulator is closed. */
SM_API const sm_truth *sm_simulator_truth(const sm_simulator *s);
SM_API const sm_scenario *sm_simulator_scenario(const sm_simulator *s);
SM_API void sm_simulator_close(sm_simulator **s);

/** Index into amplitude_pk, phase_rad and power. */
SM_API size_t sm_truth_at(const sm_truth *t, size_t i_channel, size_t i_source, size_t i_step);
/** [SI^2/Hz] of the broadband part of a channel at a frequency and an rpm, rounding noise of the
 * sensor included. */
SM_API double sm_simulator_noise_psd(const sm_simulator *s, size_t i_channel, double hz,
                                     double rpm);
/**
 * [SI, complex as re, im] gain from a steady force [m/s^2] at hz to a channel, sensor included;
 * the closed form that slow sweeps tend to.
 */
SM_API void sm_simulator_response(const sm_simulator *s, size_t i_channel, double hz,
                                  double out_re_im[2]);

/* Mean and loudest cell of an rpm band, by the frames of the scoring rules. */
typedef struct sm_truth_rms {
    double mean_rms;  /* [SI] NaN when no frame falls into the band */
    double worst_rms; /* largest over cells of 25 rpm and the directions up, down and held */
    size_t n_frames;
} sm_truth_rms;

/**
 * True rms of a channel in [rpm_lo, rpm_hi) and [hz_lo, hz_hi]: orders, tones and broadband noise,
 * averaged over the same one-second Hann frames that the scoring uses (hop half a second, from the
 * log's start; frames that touch a gap are left out). Rattle, slaps and gusts are not in it: they
 * only add. Returns SM_OK; SM_E_ARG (no truth was recorded, no such
 * channel); SM_E_NOMEM.
 */
SM_API SM_NODISCARD sm_status sm_simulator_band_rms(const sm_simulator *s, size_t i_channel,
                                                    double rpm_lo, double rpm_hi, double hz_lo,
                                                    double hz_hi, sm_truth_rms *out);

typedef struct sm_simulate_files {
    const char *log;     /* .csv; .wav, .w64, .rf64, .caf or .flac for audio; "-" = CSV to stdout */
    const char *truth;   /* JSON, schema stillmount/truth/1; NULL = none */
    const char *rpm_log; /* slow rpm log, CSV; NULL = none */
    const char *channels; /* channels file that fits the log; NULL = none */
    bool brief;           /* leave the tracks over time out of the truth */
    uint64_t seed;
    double bands_rpm[3]; /* lo, hi, step of the truth's band table; step 0 = none */
    double bands_hz[2];
} sm_simulate_files;

typedef struct sm_simulate_totals {
    double seconds;
    uint64_t n_rows;
    double rpm_min;
    double rpm_max;
} sm_simulate_totals;

/**
 * Writes the whole run. Nothing is left behind on failure.
 * Returns SM_OK; SM_E_IO; SM_E_VALUE; SM_E_ARG; SM_E_NOMEM
 */
SM_API SM_NODISCARD sm_status sm_simulate_write(const sm_scenario *scenario,
                                                const sm_simulate_files *files,
                                                sm_simulate_totals *out, sm_error *err);

#endif
