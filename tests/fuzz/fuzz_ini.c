/*
 * Any bytes as every kind of settings file: nothing but a status may come out. "@a" to "@n" in
 * front chooses one reader; without, the four that everybody needs read it.
 */
#define _GNU_SOURCE /* memfd_create */
#include "fuzz_help.h"
#include "ingest/channels_file.h"
#include "stillmount/balance.h"
#include "stillmount/budget.h"
#include "stillmount/estimate.h"
#include "stillmount/ini.h"
#include "stillmount/isolator.h"
#include "stillmount/motion.h"
#include "stillmount/powertrain.h"
#include "stillmount/simulate.h"
#include "timebase/run_file.h"

#include <string.h>

static const char *in_memory(const char *text, size_t n)
{
    static int fd = -1;
    static char path[64];
    return fuzz_file(&fd, text, n, path);
}

static sm_status read_ini(const char *text, size_t n, sm_error *err)
{
    sm_ini ini = {0};
    sm_status st = sm_ini_parse(text, n, "fuzz", &ini, err);
    sm_ini_free(&ini);
    return st;
}

static sm_status read_powertrain(const char *text, size_t n, sm_error *err)
{
    static sm_powertrain p;
    return sm_powertrain_parse(text, n, "fuzz", &p, err);
}

static sm_status read_budget(const char *text, size_t n, sm_error *err)
{
    static sm_budget b;
    return sm_budget_parse(text, n, "fuzz", &b, err);
}

static sm_status read_channels(const char *text, size_t n, sm_error *err)
{
    sm_channels_file f = {0};
    sm_status st = sm_channels_file_read(in_memory(text, n), &f, err);
    sm_channels_file_free(&f);
    return st;
}

static sm_status read_run(const char *text, size_t n, sm_error *err)
{
    sm_source *s = NULL;
    sm_source_options o = {.hash = false};
    bool is_run = false;
    const char *path = in_memory(text, n);
    sm_status st = sm_run_file_is(path, &is_run, err);
    if (st == SM_OK && is_run) { /* logs have a harness of their own */
        st = sm_source_open(path, &o, &s, err);
        sm_source_close(&s);
    }
    return st;
}

static sm_status read_sensor(const char *text, size_t n, sm_error *err)
{
    sm_motion_sensor s;
    return sm_motion_sensor_read(in_memory(text, n), &s, err);
}

static sm_status read_hold(const char *text, size_t n, sm_error *err)
{
    sm_hold_criteria c;
    return sm_hold_criteria_read(in_memory(text, n), &c, err);
}

static sm_status read_events(const char *text, size_t n, sm_error *err)
{
    sm_hold_event events[8];
    size_t count;
    return sm_hold_events_read(in_memory(text, n), events, 8, &count, err);
}

static sm_status read_scenario(const char *text, size_t n, sm_error *err)
{
    static sm_scenario s;
    return sm_scenario_parse(text, n, "fuzz", &s, err);
}

static sm_status read_body(const char *text, size_t n, sm_error *err)
{
    static sm_body b;
    return sm_body_parse(text, n, "fuzz", &b, err);
}

static sm_status read_job(const char *text, size_t n, sm_error *err)
{
    static sm_balance_job j;
    return sm_balance_job_read(in_memory(text, n), &j, err);
}

static sm_status read_rpm_log(const char *text, size_t n, sm_error *err)
{
    sm_rpm_log log = {0};
    sm_status st = sm_rpm_log_parse(text, n, "fuzz", &log, err);
    sm_rpm_log_free(&log);
    return st;
}

static sm_status read_rpm_notes(const char *text, size_t n, sm_error *err)
{
    char line[512];
    sm_rpm_log log = {0};
    size_t fits = n < sizeof line ? n : sizeof line - 1;
    memcpy(line, text, fits);
    line[fits] = '\0';
    sm_status st = sm_rpm_notes_parse(line, &log, err);
    sm_rpm_log_free(&log);
    return st;
}

typedef sm_status (*reader)(const char *text, size_t n, sm_error *err);

static const reader readers[] = {
    read_ini,    read_powertrain, read_budget,    read_channels, read_run,
    read_sensor, read_hold,       read_events,    read_scenario, read_body,
    read_job,    read_rpm_log,    read_rpm_notes,
};

enum { N_READERS = (int)(sizeof readers / sizeof readers[0]), N_COMMON = 4 };

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
    const char *text = (const char *)data;
    if (n >= 2 && text[0] == '@') {
        sm_error err = {0};
        int k = (unsigned char)(text[1] - 'a') % N_READERS;
        fuzz_must_say(readers[k](text + 2, n - 2, &err), &err);
        return 0;
    }
    for (int k = 0; k < N_COMMON; k++) {
        sm_error err = {0};
        fuzz_must_say(readers[k](text, n, &err), &err);
    }
    return 0;
}
