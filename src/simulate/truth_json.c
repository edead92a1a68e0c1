/* The truth as JSON, schema stillmount/truth/1; in the units that people read. */
#include "core/util.h"
#include "simulate/internal.h"

#include <math.h>

static double shown(const sm_sim_channel *ch)
{
    return sm_unit_find(ch->role == SM_ROLE_GYRO ? "deg/s" : "g")->to_si;
}

static void add_nuisances(const sm_scenario *c, sm_json_doc *doc)
{
    const sm_sim_nuisances *n = &c->nuisances;
    sm_json *o = sm_json_add_object(doc, sm_json_root(doc), "nuisances");
    sm_json_add_number(doc, o, "scatter_db", n->scatter_db);
    sm_json_add_number(doc, o, "hunting_percent", n->hunting * 100);
    sm_json_add_number(doc, o, "weak_cylinder", n->weak_cylinder);
    sm_json_add_number(doc, o, "ignition_check_s", sm_engine_check_start(c));
    sm_json_add_number(doc, o, "rattle_g", n->rattle_m_s2 / SM_G0_M_S2);
    sm_json_add_number(doc, o, "gust_g", n->gust_m_s2_rms / SM_G0_M_S2);
    sm_json_add_number(doc, o, "gust_deg_s", n->gust_rad_s_rms * 180 / SM_PI);
    sm_json_add_number(doc, o, "slap_g", n->slap_m_s2 / SM_G0_M_S2);
    sm_json_add_number(doc, o, "slaps_per_minute", n->slaps_per_s * 60);
}

static void add_modes(const sm_scenario *c, sm_json_doc *doc)
{
    sm_json *a = sm_json_add_array(doc, sm_json_root(doc), "modes");
    for (size_t i = 0; i < c->n_modes; i++) {
        sm_json *o = sm_json_append_object(doc, a);
        sm_json_add_text(doc, o, "name", c->modes[i].name);
        sm_json_add_text(doc, o, "kind", c->modes[i].kind == SM_SIM_BASE ? "base" : "force");
        sm_json_add_number(doc, o, "hz", c->modes[i].hz);
        sm_json_add_number(doc, o, "damping_ratio", c->modes[i].damping);
    }
}

/* Broadband density on a third-octave-like grid at three speeds of the profile. */
static void add_noise(const sm_simulator *s, size_t i, sm_json_doc *doc, sm_json *channel)
{
    const sm_scenario *c = sm_simulator_scenario(s);
    double lo = c->profile[0].value;
    double hi = lo;
    for (size_t k = 0; k < c->n_profile; k++) {
        lo = sm_min(lo, c->profile[k].value);
        hi = sm_max(hi, c->profile[k].value);
    }
    double unit = shown(&c->channels[i]);
    sm_json *noise = sm_json_add_array(doc, channel, "noise");
    for (int k = 0; k < 3; k++) {
        double rpm = lo + (hi - lo) * k / 2;
        sm_json *o = sm_json_append_object(doc, noise);
        sm_json_add_number(doc, o, "rpm", rpm);
        sm_json *hz = sm_json_add_array(doc, o, "hz");
        sm_json *psd = sm_json_add_array(doc, o, "psd");
        for (double f = 1; f < c->rate_hz / 2; f *= 1.1) {
            sm_json_append_number(doc, hz, f);
            sm_json_append_number(doc, psd, sm_simulator_noise_psd(s, i, f, rpm) / unit / unit);
        }
    }
}

static void add_channels(const sm_simulator *s, sm_json_doc *doc)
{
    const sm_scenario *c = sm_simulator_scenario(s);
    sm_json *a = sm_json_add_array(doc, sm_json_root(doc), "channels");
    for (size_t i = 0; i < c->n_channels; i++) {
        sm_json *o = sm_json_append_object(doc, a);
        sm_json_add_text(doc, o, "role", c->channels[i].name);
        sm_json_add_text(doc, o, "unit", c->channels[i].role == SM_ROLE_GYRO ? "deg/s" : "g");
        add_noise(s, i, doc, o);
    }
}

static void add_track(const sm_simulator *s, bool brief, sm_json_doc *doc)
{
    const sm_truth *t = sm_simulator_truth(s);
    sm_json *o = sm_json_add_object(doc, sm_json_root(doc), "speed");
    sm_json_add_text(doc, o, "rpm_of",
                     sm_simulator_scenario(s)->rpm_of == SM_SHAFT_PROP ? "prop" : "crank");
    sm_json_add_numbers(doc, o, "rpm", t->rpm, brief ? 0 : t->n_steps);
    sm_json_add_numbers(doc, o, "crank_hz", t->crank_hz, brief ? 0 : t->n_steps);
}

static void add_lines(const sm_simulator *s, bool brief, sm_json_doc *doc)
{
    const sm_truth *t = sm_simulator_truth(s);
    const sm_scenario *c = sm_simulator_scenario(s);
    sm_json *a = sm_json_add_array(doc, sm_json_root(doc), "lines");
    for (size_t i = 0; i < t->n_channels && !brief; i++) {
        double unit = shown(&c->channels[i]);
        for (size_t k = 0; k < t->n_sources; k++) {
            const sm_sim_source *src = &c->sources[k];
            sm_json *o = sm_json_append_object(doc, a);
            sm_json_add_text(doc, o, "channel", c->channels[i].name);
            sm_json_add_text(doc, o, "label", src->label);
            sm_json_add_text(doc, o, "kind", src->fixed ? "fixed" : "order");
            sm_json_add_number(doc, o, src->fixed ? "hz" : "order",
                               src->fixed ? src->hz : src->order);
            sm_json_add_text(doc, o, "unit", unit == SM_G0_M_S2 ? "g" : "deg/s");
            sm_json_add_text(doc, o, "detector", "peak");
            sm_json *amplitude = sm_json_add_array(doc, o, "amplitude");
            sm_json *phase = sm_json_add_array(doc, o, "phase_deg");
            sm_json *rms = sm_json_add_array(doc, o, "rms");
            for (size_t j = 0; j < t->n_steps; j++) {
                size_t at = sm_truth_at(t, i, k, j);
                sm_json_append_number(doc, amplitude, t->amplitude_pk[at] / unit);
                sm_json_append_number(doc, phase, t->phase_rad[at] * 180 / SM_PI);
                sm_json_append_number(doc, rms, sqrt(t->power[at]) / unit);
            }
        }
    }
}

static void add_bands(const sm_simulator *s, const sm_simulate_files *f, sm_json_doc *doc)
{
    const sm_scenario *c = sm_simulator_scenario(s);
    sm_json *bands = sm_json_add_array(doc, sm_json_root(doc), "bands");
    for (double lo = f->bands_rpm[0]; f->bands_rpm[2] > 0 && lo < f->bands_rpm[1];
         lo += f->bands_rpm[2]) {
        double hi = sm_min(lo + f->bands_rpm[2], f->bands_rpm[1]);
        sm_json *band = sm_json_append_object(doc, bands);
        sm_json_add_pair(doc, band, "rpm", lo, hi);
        sm_json_add_pair(doc, band, "hz", f->bands_hz[0], f->bands_hz[1]);
        sm_json *results = sm_json_add_array(doc, band, "results");
        for (size_t i = 0; i < c->n_channels; i++) {
            sm_truth_rms r = {.mean_rms = (double)NAN, .worst_rms = (double)NAN};
            sm_status st = sm_simulator_band_rms(s, i, lo, hi, f->bands_hz[0], f->bands_hz[1], &r);
            double unit = shown(&c->channels[i]);
            sm_json *o = sm_json_append_object(doc, results);
            sm_json_add_text(doc, o, "channel", c->channels[i].name);
            sm_json_add_text(doc, o, "unit", unit == SM_G0_M_S2 ? "g" : "deg/s");
            sm_json_add_text(doc, o, "detector", "rms");
            sm_json_add_number(doc, o, "value_mean", st == SM_OK ? r.mean_rms / unit : (double)NAN);
            sm_json_add_number(doc, o, "value", st == SM_OK ? r.worst_rms / unit : (double)NAN);
            sm_json_add_integer(doc, o, "frames", (long long)r.n_frames);
        }
    }
}

void sm_sim_truth_json(const sm_simulator *s, const sm_simulate_files *files, sm_json_doc *doc)
{
    const sm_scenario *c = sm_simulator_scenario(s);
    sm_json *root = sm_json_root(doc);
    sm_json_add_text(doc, root, "schema", "stillmount/truth/1");
    sm_json_add_text(doc, root, "scenario", c->name);
    sm_json_add_integer(doc, root, "seed", (long long)c->seed);
    sm_json_add_number(doc, root, "rate_hz", c->rate_hz);
    sm_json_add_number(doc, root, "step_s", sm_simulator_truth(s)->step_s);
    add_nuisances(c, doc);
    add_modes(c, doc);
    add_channels(s, doc);
    add_bands(s, files, doc);
    add_track(s, files->brief, doc);
    add_lines(s, files->brief, doc);
}
