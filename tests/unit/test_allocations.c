/*
 * Every allocation fails in turn in the readers of settings: out of memory each time, nothing leaks
 * (under the address sanitizer), nothing is used that is not there.
 */
#include "core/alloc.h"
#include "ingest/channels_file.h"
#include "log_help.h"
#include "stillmount/budget.h"
#include "stillmount/estimate.h"
#include "stillmount/file.h"
#include "stillmount/ini.h"
#include "stillmount/isolator.h"
#include "stillmount/motion.h"
#include "stillmount/powertrain.h"
#include "stillmount/source.h"
#include "stillmount/spectrum.h"

static const char powertrain_text[] =
    "[powertrain]\nname = p\n[engine]\ncycle = four-stroke\ncylinders = 4\n[gearbox]\nratio = "
    "51/21\n[propeller]\nblades = 3\n[shaft alternator]\nratio = 0.5\n[operating]\nidle = 1800\n"
    "max = 5600\navoid = 1200-1750\n";
static const char budget_text[] =
    "[budget]\nname = b\nsource = invented for this test\nrpm = 1900-2300 step 200\n[limit shake]\n"
    "channels = mount.accel.*\nmeasure = rms\nhz = 5-180\nmax = 0.5 g\n[limit firing]\nchannels = "
    "mount.accel.z\nmeasure = order\norder = crank 2\nmax = 0.5 g\n";

/* One thing that is done from beginning to end, its own tidying included. */
typedef sm_status (*job)(sm_error *err);

static void fail_each(const char *what, job run, long least)
{
    for (long k = 1; k < 4000; k++) {
        sm_error err = {0};
        sm_alloc_fail_at(k);
        sm_status st = run(&err);
        bool reached = sm_alloc_count() >= k;
        sm_alloc_fail_at(0);
        if (!reached) {
            assert_ok(st, &err);
            assert_true(k > least);
            return;
        }
        if (st != SM_E_NOMEM) {
            (void)fprintf(stderr, "%s, allocation %ld: %s: %s\n", what, k, sm_status_text(st),
                          err.message);
            fail();
        }
    }
    fail();
}

static sm_status job_ini(sm_error *err)
{
    sm_ini ini = {0};
    sm_status st = sm_ini_parse(budget_text, strlen(budget_text), "i", &ini, err);
    sm_ini_free(&ini);
    return st;
}

static sm_status job_powertrain(sm_error *err)
{
    sm_powertrain p;
    return sm_powertrain_parse(powertrain_text, strlen(powertrain_text), "p", &p, err);
}

static sm_status job_budget(sm_error *err)
{
    static sm_budget b;
    return sm_budget_parse(budget_text, strlen(budget_text), "b", &b, err);
}

static sm_status job_body(sm_error *err)
{
    static const char text[] =
        "[body]\nmass = 0.6 kg\ninertia = 0.001 0.001 0.001 kg m^2\ncentre = 0 0 0 mm\n[isolator "
        "a]\nat = 50 50 0 mm\nstiffness = 1000 1000 2000 N/m\ndamping = 0.1\n[isolator b]\nat = "
        "-50 50 0 mm\nstiffness = 1000 1000 2000 N/m\ndamping = 0.1\n[isolator c]\nat = 0 -50 0 "
        "mm\nstiffness = 1000 1000 2000 N/m\ndamping = 0.1\n";
    sm_body b;
    return sm_body_parse(text, strlen(text), "b", &b, err);
}

static const char *file(const char *name, const char *text)
{
    return scratch_text(name, text);
}

static sm_status job_channels(sm_error *err)
{
    sm_channels_file f = {0};
    sm_status st = sm_channels_file_read(SM_TEST_SCRATCH "/alloc-channels.ini", &f, err);
    sm_channels_file_free(&f);
    return st;
}

static sm_status job_sensor(sm_error *err)
{
    sm_motion_sensor s;
    return sm_motion_sensor_read(SM_TEST_SCRATCH "/alloc-sensor.ini", &s, err);
}

static sm_status job_hold(sm_error *err)
{
    sm_hold_criteria c;
    return sm_hold_criteria_read(SM_TEST_SCRATCH "/alloc-hold.ini", &c, err);
}

static sm_status job_events(sm_error *err)
{
    sm_hold_event e[4];
    size_t n;
    return sm_hold_events_read(SM_TEST_SCRATCH "/alloc-events.csv", e, 4, &n, err);
}

static sm_status job_rpm_log(sm_error *err)
{
    sm_rpm_log log = {0};
    sm_status st = sm_rpm_log_read(SM_TEST_SCRATCH "/alloc-rpm.csv", &log, err);
    sm_rpm_log_free(&log);
    return st;
}

static sm_status job_rpm_notes(sm_error *err)
{
    sm_rpm_log log = {0};
    sm_status st = sm_rpm_notes_parse("0:40 1800, 1:05 2000, 1:30 2400", &log, err);
    sm_rpm_log_free(&log);
    return st;
}

static sm_status job_file(sm_error *err)
{
    char *text = NULL;
    size_t n;
    sm_status st = sm_file_load(SM_TEST_SCRATCH "/alloc-rpm.csv", 1 << 20, &text, &n, err);
    sm_file_text_free(text);
    sm_file_identity id;
    st = st == SM_OK ? sm_file_identify(SM_TEST_SCRATCH "/alloc-rpm.csv", &id, err) : st;
    return st == SM_OK ? sm_file_store(SM_TEST_SCRATCH "/alloc-out.txt", "x", 1, err) : st;
}

static void test_readers(void **state)
{
    (void)state;
    (void)file("alloc-channels.ini",
               "[log]\nrate_hz = 500\n[column 1]\nrole = accel.x\nunit = g\n");
    (void)file("alloc-sensor.ini", "[sensor]\nname = s\nrate_hz = 200\n");
    (void)file("alloc-hold.ini", "[hold]\nseconds = 20\ngyro_rms = 0.1 deg/s\n");
    (void)file("alloc-events.csv", "time,item,state\n12.5, nav light, on\n20, nav light, off\n");
    (void)file("alloc-rpm.csv", "time_s,rpm\n0,1800\n1,1850\n2,1900\n3,1950\n");
    fail_each("ini", job_ini, 5);
    fail_each("powertrain", job_powertrain, 5);
    fail_each("budget", job_budget, 5);
    fail_each("body", job_body, 5);
    fail_each("channels file", job_channels, 5);
    fail_each("sensor", job_sensor, 3);
    fail_each("hold", job_hold, 3);
    fail_each("events", job_events, 1);
    fail_each("rpm log", job_rpm_log, 1);
    fail_each("rpm notes", job_rpm_notes, 1);
    fail_each("file", job_file, 3);
}

/* One opener, closed again. */
static sm_status open_one(int what, const char *log, const char *ini, sm_error *err)
{
    static double x[256] = {1, 2, 3};
    size_t pick = 0;
    sm_psd_options po = {.n_frame = 64, .hop = 32};
    sm_source_options so = {.channels_path = ini};
    sm_fft *fft = NULL;
    sm_framer *framer = NULL;
    sm_psd psd = {0};
    sm_source *s = NULL;
    sm_text t = {0};
    sm_status st = what == 0   ? sm_fft_open(64, &fft, err)
                   : what == 1 ? sm_framer_open(&pick, 1, 100, NULL, NULL, &framer, err)
                   : what == 2 ? sm_psd_compute(x, 256, 100, &po, &psd, err)
                   : what == 3 ? sm_source_open(log, &so, &s, err)
                               : sm_source_template(log, NULL, &t, err);
    st = st == SM_OK && t.failed ? SM_E_NOMEM : st;
    sm_fft_close(&fft);
    sm_framer_close(&framer);
    sm_psd_free(&psd);
    sm_source_close(&s);
    sm_text_free(&t);
    return st;
}

/* What opens says that memory ran out, whichever allocation it was. */
static void test_openers(void **state)
{
    (void)state;
    const char *log = scratch_text("open.csv", "n,ax\n0,1\n1,2\n2,1\n3,2\n");
    const char *ini = scratch_text("open.ini", "[log]\nrate_hz = 100\n[column ax]\nunit = g\n");
    for (int what = 0; what < 5; what++) {
        bool done = false;
        for (long k = 1; k < 4000 && !done; k++) {
            sm_error err = {0};
            sm_alloc_fail_at(k);
            sm_status st = open_one(what, log, ini, &err);
            done = sm_alloc_count() < k;
            sm_alloc_fail_at(0);
            if (st != (done ? SM_OK : SM_E_NOMEM)) {
                (void)fprintf(stderr, "opener %d, allocation %ld: %s: %s\n", what, k,
                              sm_status_text(st), err.message);
                fail();
            }
        }
        assert_true(done);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_readers),
        cmocka_unit_test(test_openers),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
