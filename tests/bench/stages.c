/*
 * Where the time of `assess` goes, stage by stage: each line adds one stage to those above it.
 * Wall time, processor time (which a busy machine changes less), throughput of all stages up to
 * there, and of the new one alone. One thread beside that of the hash, except for the last line.
 * stages LOG POWERTRAIN BUDGET [N]: only the N-th line, for a profiler.
 */
#include "stillmount/budget.h"
#include "stillmount/powertrain.h"
#include "stillmount/source.h"
#include "stillmount/speed.h"
#include "stillmount/survey.h"

#include <stdio.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <time.h>

typedef struct job {
    const char *log;
    sm_powertrain powertrain;
    sm_budget budget;
    sm_order_table orders;
    sm_error err;
} job;

enum stage { READ, HASH, PARSE, PARSE_HASH, SPEED, SURVEY, SURVEY_2, STAGES };

static const char *const names[STAGES] = {
    "read the bytes",        "SHA-256 alone",          "parse, time base",
    "parse, hash beside it", "parse, hash, and speed", "and survey, 1 thread",
    "and survey, 2 threads",
};

static double now_s(void)
{
    struct timespec t;
    (void)clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static double cpu_s(void)
{
    struct rusage u;
    (void)getrusage(RUSAGE_SELF, &u);
    return (double)(u.ru_utime.tv_sec + u.ru_stime.tv_sec) +
           1e-6 * (double)(u.ru_utime.tv_usec + u.ru_stime.tv_usec);
}

static sm_status drop(void *self, const sm_block *block, sm_error *err)
{
    (void)self, (void)block, (void)err;
    return SM_OK;
}

static sm_status pass(void *self, sm_mark mark, double t_s, sm_error *err)
{
    (void)self, (void)mark, (void)t_s, (void)err;
    return SM_OK;
}

static sm_status read_bytes(const job *j)
{
    static char buffer[1 << 18];
    FILE *f = fopen(j->log, "rb");
    while (f && fread(buffer, 1, sizeof buffer, f) > 0) {
    }
    return f && fclose(f) == 0 ? SM_OK : SM_E_IO;
}

static sm_status run_source(job *j, enum stage stage)
{
    sm_sink sink = {NULL, drop, pass};
    sm_findings findings = {0};
    sm_source *source = NULL;
    sm_speed *speed = NULL;
    sm_survey *survey = NULL;
    sm_source_options opt = sm_source_options_default();
    opt.hash = stage != PARSE;
    opt.threads = stage == SURVEY_2 ? 2 : 1;
    sm_status st = sm_source_open(j->log, &opt, &source, &j->err);
    const sm_source_info *info = st == SM_OK ? sm_source_info_get(source) : NULL;
    if (info && stage >= SURVEY) {
        sm_survey_options so = {&j->budget, &j->powertrain, &j->orders, stage == SURVEY ? 1 : 2,
                                false};
        st = sm_survey_open(info->channels, info->n_channels, info->rate_hz, &so, &survey, &j->err);
        sink = st == SM_OK ? sm_survey_sink(survey) : sink;
    }
    if (st == SM_OK && stage >= SPEED) {
        sm_speed_options so = {.source = sm_speed_offered(info->channels, info->n_channels)};
        st = sm_speed_open(info->channels, info->n_channels, info->rate_hz, &j->powertrain, &so,
                           &sink, &findings, &speed, &j->err);
        sink = st == SM_OK ? sm_speed_sink(speed) : sink;
    }
    st = st == SM_OK ? sm_source_pump(source, &sink, &findings, &j->err) : st;
    st = st == SM_OK && survey ? sm_survey_finish(survey, &j->err) : st;
    sm_survey_close(&survey);
    sm_speed_close(&speed);
    sm_source_close(&source);
    sm_findings_free(&findings);
    return st;
}

static sm_status run(job *j, enum stage stage)
{
    sm_file_identity identity;
    if (stage == READ) {
        return read_bytes(j);
    }
    return stage == HASH ? sm_file_identify(j->log, &identity, &j->err) : run_source(j, stage);
}

/* The best of three runs; both times are those of its fastest. */
static sm_status measure(job *j, enum stage stage, double *wall, double *cpu)
{
    sm_status st = SM_OK;
    *wall = *cpu = 1e9;
    for (int i = 0; i < 3 && st == SM_OK; i++) {
        double t_s = now_s();
        double c_s = cpu_s();
        st = run(j, stage);
        t_s = now_s() - t_s;
        c_s = cpu_s() - c_s;
        *wall = t_s < *wall ? t_s : *wall;
        *cpu = c_s < *cpu ? c_s : *cpu;
    }
    return st;
}

int main(int argc, char **argv)
{
    static job j;
    if (argc != 4 && argc != 5) {
        (void)fputs("usage: stages LOG POWERTRAIN BUDGET [N]\n", stderr);
        return 2;
    }
    j.log = argv[1];
    sm_status st = sm_powertrain_read(argv[2], &j.powertrain, &j.err);
    st = st == SM_OK ? sm_budget_read(argv[3], &j.budget, &j.err) : st;
    st = st == SM_OK ? sm_powertrain_orders(&j.powertrain, 40, NULL, 0, &j.orders, &j.err) : st;
    struct stat file;
    double mb = stat(j.log, &file) == 0 ? (double)file.st_size / 1e6 : 0;
    double before = 0; /* processor time of the stages before */
    enum stage only = argc == 5 ? (enum stage)(argv[4][0] - '1') : STAGES;
    for (enum stage stage = READ; stage < STAGES && st == SM_OK; stage++) {
        if (only != STAGES && stage != only) {
            continue;
        }
        double wall;
        double cpu;
        st = measure(&j, stage, &wall, &cpu);
        double alone = cpu - (stage == PARSE || stage == SPEED || stage == SURVEY ? before : 0);
        before = stage == HASH ? 0 : cpu;
        (void)printf("  %-24s %7.3f s %7.3f s cpu %7.0f MB/s %7.0f MB/s alone\n", names[stage],
                     wall, cpu, mb / wall, mb / alone);
        (void)fflush(stdout);
    }
    if (st != SM_OK) {
        (void)fprintf(stderr, "stages: %s:%ld: %s\n", j.err.source, j.err.line, j.err.message);
    }
    return st == SM_OK ? 0 : 2;
}
