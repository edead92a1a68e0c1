/* Inside of the simulator, shared by its files. */
#ifndef SM_SIMULATE_INTERNAL_H
#define SM_SIMULATE_INTERNAL_H

#include "simulate/engine.h"
#include "simulate/filter.h"
#include "stillmount/simulate.h"

enum {
    SM_SIM_CONTROL = 40,    /* internal samples per update of speed and forces: 5 ms at 8 kHz */
    SM_SIM_TRUTH_STEP = 10, /* updates per step of the truth */
    SM_SIM_MAX_SECTIONS = 5,
    SM_SIM_RING = 4,
    SM_SIM_GUST_SECTIONS = 4,
};

/* The way from a place's motion to its sensors' output: attachment, then filter. */
typedef struct sm_sim_chain {
    sm_section attachment;
    bool has_attachment;
    sm_section filter[SM_SIM_MAX_SECTIONS];
    size_t n_filter;
} sm_sim_chain;

typedef struct sm_sim_path { /* state of one channel */
    double modal[SM_SIM_MAX_MODES][2];
    double attachment[2];
    double filter[SM_SIM_MAX_SECTIONS][2];
    double gust[SM_SIM_GUST_SECTIONS][2];
    double colour; /* one-pole low-pass of the force noise */
    double ring[SM_SIM_RING];
} sm_sim_path;

typedef struct sm_sim_impact { /* a decaying burst of force at a place */
    double level;
    double decay; /* factor per internal sample */
} sm_sim_impact;

struct sm_simulator {
    sm_scenario scenario;
    sm_engine engine;
    sm_rng rng_noise;
    sm_rng rng_log;
    sm_rng rng_event;
    double internal_hz;
    bool with_truth;
    sm_section modes[SM_SIM_MAX_MODES];
    sm_section gust[SM_SIM_GUST_SECTIONS];
    double gust_gain; /* from white noise of variance 1 to rms 1 behind the gust sections */
    sm_sim_chain chains[SM_SIM_MAX_PLACES];
    sm_sim_path paths[SM_SIM_MAX_CHANNELS];
    sm_sim_impact rattle;
    sm_sim_impact slap;
    /* sources: state of every mode, and this sample's phasor and responses */
    double complex modal[SM_SIM_MAX_SOURCES][SM_SIM_MAX_MODES][2];
    double complex force[SM_SIM_MAX_SOURCES];
    double complex moved[SM_SIM_MAX_SOURCES][SM_SIM_MAX_MODES];
    double complex turn[SM_SIM_MAX_SOURCES]; /* exp(i order theta) */
    double amp_from[SM_SIM_MAX_SOURCES];
    double amp_to[SM_SIM_MAX_SOURCES];
    double crank_hz_from;
    double crank_hz_to;
    double crank_hz;
    double noise_from[SM_SIM_MAX_CHANNELS];
    double noise_to[SM_SIM_MAX_CHANNELS];
    size_t
        shares[SM_SIM_MAX_CHANNELS]; /* whose draw of force noise a channel takes: no later one */
    double drawn[SM_SIM_MAX_CHANNELS];
    double theta_rev; /* crank */
    uint64_t i_sample;
    double ring_theta[SM_SIM_RING];
    double ring_crank_hz[SM_SIM_RING];
    double lagged_rpm;
    double prop_impacts; /* rattle impacts so far */
    /* the logger */
    uint64_t i_row;
    double next_s; /* when the next row is sampled */
    size_t n_rows;
    double t_s[SM_SIM_BLOCK_ROWS];
    double *x[SM_SIM_MAX_CHANNELS];
    double rpm[SM_SIM_BLOCK_ROWS];
    double tach[SM_SIM_BLOCK_ROWS];
    double true_rpm[SM_SIM_BLOCK_ROWS];
    double theta[SM_SIM_BLOCK_ROWS];
    double *x_store;
    /* the truth */
    sm_truth truth;
    size_t n_updates; /* control steps in the truth step that is being filled */
    double sum_rpm;
    double sum_crank_hz;
    double complex *sum_c; /* (n_channels, n_sources) */
    double *sum_power;
    bool truth_failed;
};

/* Gain of attachment and filter of a place at a frequency. */
double complex sm_sim_chain_response(const sm_simulator *s, size_t i_place, double hz);
/* Control-rate hook: adds the envelopes of now to the truth. */
void sm_sim_truth_update(sm_simulator *s, double rpm);
/* The end of a control step of the logger: is a row that falls at t_s inside a gap? */
bool sm_sim_in_gap(const sm_scenario *s, double t_s);
void sm_sim_truth_free(sm_truth *t);
/* Fills the JSON document of the truth. */
void sm_sim_truth_json(const sm_simulator *s, const sm_simulate_files *files, sm_json_doc *doc);

/* Rows go to one of the writers. */
typedef struct sm_sim_audio sm_sim_audio;
bool sm_sim_audio_name(const char *path);
SM_NODISCARD sm_status sm_sim_audio_open(const char *path, int descriptor, int channels,
                                         double rate_hz, sm_sim_audio **out, sm_error *err);
/* frames of interleaved values, 1.0 = full scale */
SM_NODISCARD sm_status sm_sim_audio_put(sm_sim_audio *a, const double *frames, size_t n,
                                        sm_error *err);
SM_NODISCARD sm_status sm_sim_audio_close(sm_sim_audio **a, sm_error *err);

#endif
