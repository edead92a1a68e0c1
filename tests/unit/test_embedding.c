/* The public interface as an embedding program uses it: progress, cancelling, FFTW's planner lock.
 */
#include "core/util.h"
#include "sm_test.h"
#include "stillmount/assess.h"
#include "stillmount/spectrum.h"

#include <pthread.h>
#include <string.h>

enum { RATE_HZ = 500, ROWS = 250, BLOCKS = 40 };

static const char powertrain_text[] = "[powertrain]\nname = t\n[engine]\ncylinders = 4\n";

typedef struct watch {
    int told;
    int stop_at; /* 0 = never */
    double last_s;
    bool in_order;
    bool other_thread;
    pthread_t mine;
} watch;

static bool tell(void *self, double seconds_of_log)
{
    watch *w = self;
    w->told++;
    w->in_order = w->in_order && seconds_of_log > w->last_s;
    w->last_s = seconds_of_log;
    w->other_thread = w->other_thread || !pthread_equal(pthread_self(), w->mine);
    return w->told != w->stop_at;
}

static sm_run *begin(watch *w, int threads, sm_powertrain *powertrain)
{
    sm_error err = {0};
    sm_channel channels[2] = {
        {.name = "mount.accel.z", .place = "mount", .role = SM_ROLE_ACCEL, .axis = 2},
        {.name = "rpm", .role = SM_ROLE_RPM, .axis = -1}};
    channels[0].unit = sm_unit_find("g");
    channels[0].quantity = SM_QUANTITY_ACCELERATION;
    channels[0].gain = 1;
    channels[1].unit = sm_unit_find("rpm");
    channels[1].quantity = SM_QUANTITY_SPEED;
    channels[1].gain = 1;
    assert_ok(sm_powertrain_parse(powertrain_text, strlen(powertrain_text), "p", powertrain, &err),
              &err);
    sm_run_options opt = sm_run_options_default();
    opt.powertrain = powertrain;
    opt.threads = threads;
    opt.progress = tell;
    opt.progress_self = w;
    sm_run *run = NULL;
    assert_ok(sm_run_begin(channels, 2, RATE_HZ, "t", &opt, &run, &err), &err);
    return run;
}

/* Up to BLOCKS half seconds at 2400 rpm; *pushed: how many were taken. */
static sm_status feed(sm_run *run, int *pushed, sm_error *err)
{
    static double x[2][ROWS];
    sm_sink sink = sm_run_sink(run);
    for (*pushed = 0; *pushed < BLOCKS; ++*pushed) {
        for (int i = 0; i < ROWS; i++) {
            double t_s = (double)(*pushed * ROWS + i) / RATE_HZ;
            x[0][i] = 9.80665 + cos(2 * SM_PI * 40 * t_s);
            x[1][i] = 2400;
        }
        sm_block b = {.n_rows = ROWS,
                      .n_channels = 2,
                      .x = (const double *[]){x[0], x[1]},
                      .rate_hz = RATE_HZ,
                      .t0_s = (double)*pushed * ROWS / RATE_HZ,
                      .i_row = (uint64_t)*pushed * ROWS};
        sm_status st = sink.push(sink.self, &b, err);
        if (st != SM_OK) {
            return st;
        }
    }
    return SM_OK;
}

static void test_run__tells_how_far_it_is(void **state)
{
    (void)state;
    for (int threads = 1; threads <= 3; threads++) {
        watch w = {.last_s = -1, .in_order = true, .mine = pthread_self()};
        sm_powertrain powertrain;
        sm_error err = {0};
        int pushed = 0;
        sm_run *run = begin(&w, threads, &powertrain);
        assert_ok(feed(run, &pushed, &err), &err);
        assert_ok(sm_run_finish(run, &err), &err);
        sm_run_close(&run);
        assert_int_equal(pushed, BLOCKS);
        assert_true(w.told >= BLOCKS / 2 && w.in_order); /* run.h: about twice a second of 20 s */
        assert_true(w.last_s > 18 && w.last_s <= 20);    /* the last told is near the end */
        assert_false(w.other_thread);                    /* the callback needs no lock */
    }
}

static void test_run__stops_when_asked(void **state)
{
    (void)state;
    for (int threads = 1; threads <= 3; threads++) {
        watch w = {.last_s = -1, .in_order = true, .stop_at = 7, .mine = pthread_self()};
        sm_powertrain powertrain;
        sm_error err = {0};
        int pushed = 0;
        sm_run *run = begin(&w, threads, &powertrain);
        assert_int_equal(feed(run, &pushed, &err), SM_E_CANCELLED);
        assert_true(pushed < BLOCKS); /* at once, not at the end */
        assert_true(err.message[0] != '\0');
        assert_int_equal(feed(run, &pushed, &err), SM_E_CANCELLED); /* and for good */
        assert_int_equal(pushed, 0);
        assert_int_equal(sm_run_finish(run, &err), SM_E_CANCELLED); /* half a run has no result */
        assert_int_equal(w.told, 7);
        sm_run_close(&run); /* frees all and joins its threads */
        assert_null(run);
    }
}

/* Blocks of a tenth of a second: told for every half second only. */
static void test_run__tells_twice_a_second(void **state)
{
    (void)state;
    enum { SHORT = RATE_HZ / 10, SECONDS = 20 };
    watch w = {.last_s = -1, .in_order = true, .mine = pthread_self()};
    sm_powertrain powertrain;
    sm_error err = {0};
    sm_run *run = begin(&w, 1, &powertrain);
    sm_sink sink = sm_run_sink(run);
    static const double x[2][SHORT] = {{0}};
    for (int i = 0; i < 10 * SECONDS; i++) {
        sm_block b = {.n_rows = SHORT,
                      .n_channels = 2,
                      .x = (const double *[]){x[0], x[1]},
                      .rate_hz = RATE_HZ,
                      .t0_s = 0.1 * i,
                      .i_row = (uint64_t)i * SHORT};
        assert_ok(sink.push(sink.self, &b, &err), &err);
    }
    assert_int_equal(w.told, 2 * SECONDS);
    assert_true(w.in_order);
    sm_run_close(&run);
}

static int held;
static int locks;

static void lock(void)
{
    held++;
    locks++;
}

static void unlock(void)
{
    held--;
}

static void test_fft__plans_under_the_lock_of_the_caller(void **state)
{
    (void)state;
    sm_error err = {0};
    sm_fft *f = NULL;
    sm_fft_planner_lock(lock, unlock);
    assert_ok(sm_fft_open(96, &f, &err), &err);
    sm_fft_close(&f); /* making and destroying a plan are both the planner's (FFTW manual, 5.4) */
    sm_fft_planner_lock(NULL, NULL);
    assert_true(locks >= 2);
    assert_int_equal(held, 0);
    int before = locks;
    assert_ok(sm_fft_open(96, &f, &err), &err);
    sm_fft_close(&f);
    assert_int_equal(locks, before); /* back to the library's own */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_run__tells_how_far_it_is),
        cmocka_unit_test(test_run__stops_when_asked),
        cmocka_unit_test(test_run__tells_twice_a_second),
        cmocka_unit_test(test_fft__plans_under_the_lock_of_the_caller),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
