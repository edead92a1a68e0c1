/* The aircraft sensor's figures, from a [sensor] file or as a class of sensors. */
#include "core/util.h"
#include "stillmount/file.h"
#include "stillmount/ini.h"
#include "stillmount/motion.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define RAD (SM_PI / 180)

sm_motion_sensor sm_motion_sensor_default(void)
{
    double nan = (double)NAN;
    return (sm_motion_sensor){.rate_hz = nan,
                              .input = SM_INTEGRATOR_POINTS,
                              .coning_order = 1,
                              .attitude_band_hz = 5,
                              .vre_g_per_g2 = nan,
                              .gyro_rad_s_per_g = nan,
                              .gyro_rad_s_per_g2 = nan,
                              .gyro_range_rad_s = nan,
                              .accel_range_m_s2 = nan,
                              .bandwidth_hz = nan,
                              .skew_s = nan,
                              .levelling_s = nan};
}

static const char *const keys[] = {
    "name",          "rate_hz",        "input",           "coning_order",   "attitude_band_hz",
    "vre_mg_per_g2", "gyro_dps_per_g", "gyro_dps_per_g2", "gyro_range_dps", "accel_range_g",
    "bandwidth_hz",  "skew_us",        "levelling_s"};

/* One optional number times a factor. */
static sm_status number(const sm_ini *ini, const sm_ini_section *s, const char *key, double lo,
                        double hi, double factor, double *out, sm_error *err)
{
    double v = (double)NAN;
    sm_status st = sm_ini_get_number(ini, s, key, lo, hi, &v, err);
    if (st == SM_OK && !isnan(v)) {
        *out = v * factor;
    }
    return st;
}

static sm_status read_numbers(const sm_ini *ini, const sm_ini_section *s, sm_motion_sensor *out,
                              sm_error *err)
{
    const struct {
        const char *key;
        double lo;
        double hi;
        double factor;
        double *to;
    } table[] = {
        {"rate_hz", 1, 1e5, 1, &out->rate_hz},
        {"attitude_band_hz", 0.1, 100, 1, &out->attitude_band_hz},
        {"vre_mg_per_g2", 0, 1e3, 1e-3, &out->vre_g_per_g2},
        {"gyro_dps_per_g", 0, 10, RAD, &out->gyro_rad_s_per_g},
        {"gyro_dps_per_g2", 0, 10, RAD, &out->gyro_rad_s_per_g2},
        {"gyro_range_dps", 1, 1e5, RAD, &out->gyro_range_rad_s},
        {"accel_range_g", 0.1, 1e4, SM_G0_M_S2, &out->accel_range_m_s2},
        {"bandwidth_hz", 0.1, 1e5, 1, &out->bandwidth_hz},
        {"skew_us", 0, 1e5, 1e-6, &out->skew_s},
        {"levelling_s", 0.1, 1e4, 1, &out->levelling_s},
    };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        sm_status st = number(ini, s, table[i].key, table[i].lo, table[i].hi, table[i].factor,
                              table[i].to, err);
        if (st != SM_OK) {
            return st;
        }
    }
    return SM_OK;
}

static sm_status read_section(const sm_ini *ini, const char *path, sm_motion_sensor *out,
                              sm_error *err)
{
    static const char *const sections[] = {"sensor"};
    static const char *const inputs[] = {"points", "increments"};
    const sm_ini_section *s = sm_ini_section_find(ini, "sensor");
    long order = 1;
    size_t input = SM_INTEGRATOR_POINTS;
    sm_status st = sm_ini_check_sections(ini, sections, 1, err);
    if (st == SM_OK && !s) {
        st = sm_error_set(err, SM_E_FORMAT, path, 0, "no [sensor] section");
    }
    st = st == SM_OK ? sm_ini_check_keys(ini, s, keys, sizeof keys / sizeof keys[0], err) : st;
    st = st == SM_OK ? read_numbers(ini, s, out, err) : st;
    st = st == SM_OK ? sm_ini_get_integer(ini, s, "coning_order", 1, 4, &order, err) : st;
    st = st == SM_OK ? sm_ini_get_choice(ini, s, "input", inputs, 2, &input, err) : st;
    if (st == SM_OK && order > 1 && input == SM_INTEGRATOR_POINTS) {
        st = sm_error_set(err, SM_E_VALUE, path, s->line,
                          "coning_order %ld works on increments: write input = increments, or "
                          "leave coning_order out",
                          order);
    }
    out->coning_order = (int)order;
    out->input = (sm_integrator_input)input;
    return st;
}

sm_status sm_motion_sensor_read(const char *path, sm_motion_sensor *out, sm_error *err)
{
    sm_ini ini = {0};
    sm_motion_sensor s = sm_motion_sensor_default();
    sm_status st = sm_ini_read(path, &ini, err);
    if (st == SM_OK) {
        const char *name = sm_file_name(path);
        sm_text_inert(name, strlen(name), s.source, sizeof s.source);
        st = read_section(&ini, path, &s, err);
    }
    sm_ini_free(&ini);
    if (st == SM_OK) {
        *out = s;
    }
    return st;
}

/* Orders of magnitude from memory; the middle of each class's range. No sensor is meant. */
sm_status sm_motion_sensor_class(const char *name, sm_motion_sensor *out, sm_error *err)
{
    static const struct {
        const char *name;
        double vre_mg_per_g2;
        double dps_per_g;
        double dps_per_g2;
    } classes[] = {
        {"consumer", 3, 0.1, 3e-3},
        {"industrial", 0.15, 0.02, 3e-4},
        {"tactical", 0.05, 0.003, 3e-5},
    };
    for (size_t i = 0; i < sizeof classes / sizeof classes[0]; i++) {
        if (strcmp(name, classes[i].name) == 0) {
            *out = sm_motion_sensor_default();
            (void)snprintf(out->source, sizeof out->source, "typical %s class", name);
            out->typical = true;
            out->vre_g_per_g2 = classes[i].vre_mg_per_g2 * 1e-3;
            out->gyro_rad_s_per_g = classes[i].dps_per_g * RAD;
            out->gyro_rad_s_per_g2 = classes[i].dps_per_g2 * RAD;
            return SM_OK;
        }
    }
    return sm_error_set(err, SM_E_VALUE, NULL, 0, "no class '%s': consumer, industrial or tactical",
                        name);
}
