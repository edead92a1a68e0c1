/*
 * How to use libstillmount without any file: blocks of decoded samples in, a verdict out. Here the
 * samples are made up; in your program they come from your own logger or bus.
 *
 *   cc embed.c $(pkg-config --cflags --libs stillmount) -lm -o embed
 */
#include <math.h>
#include <stdio.h>
#include <stillmount/assess.h>
#include <string.h>

static const char powertrain_text[] = "[powertrain]\nname = example\n[engine]\ncylinders = 4\n";
static const char budget_text[] = "[budget]\nname = example\nsource = invented for this example\n"
                                  "rpm = 2000-2400 step 200\n"
                                  "[limit shake]\nchannels = mount.accel.*\nmeasure = rms\n"
                                  "hz = 5-200\nmax = 0.5 g\n";

enum { RATE_HZ = 1000, ROWS = 500, SECONDS = 60 };

static void describe(sm_channel channels[4])
{
    memset(channels, 0, 4 * sizeof *channels);
    for (int axis = 0; axis < 3; axis++) {
        sm_channel *c = &channels[axis];
        (void)snprintf(c->name, sizeof c->name, "mount.accel.%c", 'x' + axis);
        (void)snprintf(c->place, sizeof c->place, "mount");
        c->role = SM_ROLE_ACCEL;
        c->axis = axis;
        c->unit = sm_unit_find("g");
        c->quantity = SM_QUANTITY_ACCELERATION;
        c->gain = 1;
        c->range_si = 8 * SM_G0_M_S2;
        c->bandwidth_hz = 250;
        c->tolerance = 0.03;
    }
    (void)snprintf(channels[3].name, sizeof channels[3].name, "rpm");
    channels[3].role = SM_ROLE_RPM;
    channels[3].axis = -1;
    channels[3].unit = sm_unit_find("rpm");
    channels[3].quantity = SM_QUANTITY_SPEED;
    channels[3].gain = 1;
}

/* Half a second of an engine that runs up from 2000 to 2400 rpm. */
static void make_block(double x[4][ROWS], double t0_s, double *turns)
{
    static unsigned noise = 1;
    for (int i = 0; i < ROWS; i++) {
        double t_s = t0_s + (double)i / RATE_HZ;
        double rpm = 2000 + 400 * t_s / SECONDS;
        *turns += rpm / 60 / RATE_HZ;
        double shake = cos(6.283185307179586 * 2 * *turns) + 0.3 * cos(6.283185307179586 * *turns);
        for (int axis = 0; axis < 3; axis++) {
            noise = noise * 1664525u + 1013904223u;
            double random = (double)(noise >> 8) / 16777216.0 - 0.5;
            x[axis][i] = (axis + 1) * 0.5 * shake + 0.5 * random + (axis == 2 ? SM_G0_M_S2 : 0);
        }
        x[3][i] = rpm;
    }
}

static sm_status feed(sm_run *run, sm_error *err)
{
    static double x[4][ROWS];
    const double *rows[4] = {x[0], x[1], x[2], x[3]};
    sm_sink sink = sm_run_sink(run);
    double turns = 0;
    sm_status st = SM_OK;
    for (int k = 0; k < SECONDS * RATE_HZ / ROWS && st == SM_OK; k++) {
        sm_block block = {.n_rows = ROWS, .n_channels = 4, .x = rows, .rate_hz = RATE_HZ};
        block.t0_s = (double)k * ROWS / RATE_HZ;
        block.i_row = (uint64_t)k * ROWS;
        make_block(x, block.t0_s, &turns);
        st = sink.push(sink.self, &block, err);
    }
    return st == SM_OK ? sm_run_finish(run, err) : st;
}

int main(void)
{
    sm_error err = {0};
    sm_powertrain powertrain;
    sm_budget budget;
    sm_run *run = NULL;
    sm_assessment a = {0};
    sm_channel channels[4];
    describe(channels);
    sm_run_options opt = sm_run_options_default();
    opt.powertrain = &powertrain;
    opt.budget = &budget;
    sm_status st = sm_powertrain_parse(powertrain_text, strlen(powertrain_text), "powertrain",
                                       &powertrain, &err);
    st = st == SM_OK ? sm_budget_parse(budget_text, strlen(budget_text), "budget", &budget, &err)
                     : st;
    st = st == SM_OK ? sm_run_begin(channels, 4, RATE_HZ, "example", &opt, &run, &err) : st;
    st = st == SM_OK ? feed(run, &err) : st;
    st = st == SM_OK ? sm_assess(run, &a, &err) : st;
    if (st != SM_OK) {
        (void)fprintf(stderr, "%s: %s\n", sm_status_text(st), err.message);
    } else {
        (void)printf("%s\n", sm_verdict_text(a.verdict));
        for (size_t i = 0; i < a.n_results; i++) {
            const sm_result *r = &a.results[i];
            (void)printf("%s: %.3f %s rms, %+.1f dB, %s\n", r->channel, r->value, r->unit->name,
                         r->margin_db, r->cause.label);
        }
    }
    sm_assessment_free(&a);
    sm_run_close(&run);
    return st == SM_OK ? 0 : 2;
}
