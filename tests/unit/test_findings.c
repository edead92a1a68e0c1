/* Findings about the samples: each code from a log that has the fault, and not from one without. */
#include "log_help.h"
#include "stillmount/number.h"
#include "stillmount/stats.h"

static const double PI = 3.14159265358979323846;
enum { ROWS = 8000 };

/* What to do to a sound log of six channels in g and deg/s. */
typedef struct fault {
    const char *code;
    const char *channel;
    sm_severity severity;
    void (*spoil)(int i, double v[6]);
    const char *channels; /* channels file, or NULL */
} fault;

static sm_rng noise;

static void dead(int i, double v[6])
{
    (void)i;
    v[1] = 0;
}

static void stuck(int i, double v[6])
{
    static double held;
    held = i < 2000 ? v[0] : held;
    v[0] = i >= 2000 && i < 6000 ? held : v[0];
}

static void g_as_m_s2(int i, double v[6])
{
    (void)i;
    for (int k = 0; k < 3; k++) {
        v[k] *= 9.80665;
    }
}

static void rad_as_deg(int i, double v[6])
{
    (void)i;
    v[3] = (v[3] + 0.5) * 57.3;
}

static void coarse(int i, double v[6])
{
    (void)i;
    v[4] = 40 * nearbyint(v[4] * 20 / 40);
}

static void missing(int i, double v[6])
{
    v[2] = i % 400 == 7 ? (double)NAN : v[2];
}

static void starting(int i, double v[6])
{
    v[5] = i < 32 ? -250 : v[5];
}

static void overloaded(int i, double v[6])
{
    if (i > 5000) {
        v[0] = v[0] * 8 + 0.6;
    }
}

static void none(int i, double v[6])
{
    (void)i;
    (void)v;
}

static const fault faults[] = {
    {"dead-channel", "mount.accel.y", SM_BLOCKING, dead, NULL},
    {"stuck", "mount.accel.x", SM_BLOCKING, stuck, NULL},
    {"gravity-implausible", "mount.accel.x", SM_BLOCKING, g_as_m_s2, NULL},
    {"gyro-implausible", "mount.gyro", SM_BLOCKING, rad_as_deg, NULL},
    {"quantised", "mount.gyro.y", SM_WARNING, coarse, NULL},
    {"missing-values", "mount.accel.z", SM_WARNING, missing, NULL},
    {"start-up-transient", "mount.gyro.z", SM_WARNING, starting, NULL},
    {"hidden-overload", "mount.accel.x", SM_BLOCKING, overloaded, NULL},
    {"alias-risk", "mount.accel.x", SM_BLOCKING, none, "[column ax_g]\nbandwidth_hz = 800\n"},
    {"bandwidth-assumed", "mount.accel.x", SM_NOTE, none, NULL},
    {"calibration-unstated", "mount.accel.x", SM_NOTE, none, NULL},
};

static void read_spoilt(void (*spoil)(int, double[6]), const char *ini, int rows, sm_findings *f)
{
    sm_text t = {0};
    noise = sm_rng_seed(77);
    sm_text_add(&t, "time_s,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps\n");
    for (int i = 0; i < rows; i++) {
        double v[6];
        for (int k = 0; k < 6; k++) {
            double level = k < 3 ? 0.05 : 2;
            v[k] = (k == 2) + level * (cos(2 * PI * (31 + k) * i * 0.001) + sm_rng_normal(&noise));
        }
        spoil(i, v);
        sm_text_addf(&t, "%.3f", i * 0.001);
        for (int k = 0; k < 6; k++) {
            if (isnan(v[k])) {
                sm_text_add(&t, ",");
            } else {
                sm_text_addf(&t, ",%.5f", v[k]);
            }
        }
        sm_text_add(&t, "\n");
    }
    const char *path = scratch_write("spoilt.csv", t.s, t.n);
    const char *given = ini ? scratch_text("spoilt.ini", ini) : NULL;
    sm_text_free(&t);
    collected c = {0};
    sm_error err = {0};
    assert_ok(read_log(path, given, &c, f, NULL, &err), &err);
    collected_free(&c);
}

static void test_findings__name_each_fault(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof faults / sizeof faults[0]; i++) {
        const fault *b = &faults[i];
        sm_findings f = {0};
        read_spoilt(b->spoil, b->channels, ROWS, &f);
        const sm_finding *found = sm_findings_get(&f, b->code, b->channel);
        if (!found || found->severity != b->severity || !found->text[0] || !found->effect[0]) {
            (void)fprintf(stderr, "%s on %s: %s\n", b->code, b->channel,
                          found ? sm_severity_text(found->severity) : "not found");
            fail();
        }
        size_t same = 0;
        for (size_t k = 0; k < f.n; k++) {
            same += strcmp(f.items[k].code, "gyro-implausible") == 0;
        }
        assert_true(same <= 1); /* one for the sensor, not one for each axis */
        sm_findings_free(&f);
    }
}

static void test_findings__sound_log_has_none(void **state)
{
    (void)state;
    sm_findings f = {0};
    read_spoilt(none, NULL, ROWS, &f);
    for (size_t i = 0; i < f.n; i++) {
        if (f.items[i].severity != SM_NOTE) {
            (void)fprintf(stderr, "%s on %s: %s\n", f.items[i].code, f.items[i].channel,
                          f.items[i].text);
            fail();
        }
    }
    sm_findings_free(&f);
    read_spoilt(none, "[column ax_g]\nbandwidth_hz = 800\nanti_alias = yes\ntolerance = 3 %\n",
                ROWS, &f);
    assert_null(sm_findings_get(&f, "alias-risk", "mount.accel.x"));
    assert_null(sm_findings_get(&f, "calibration-unstated", "mount.accel.x"));
    assert_null(sm_findings_get(&f, "bandwidth-assumed", "mount.accel.x"));
    sm_findings_free(&f);
    read_spoilt(none, NULL, 1500, &f);
    assert_non_null(sm_findings_get(&f, "too-short", NULL));
    sm_findings_free(&f);
    read_spoilt(g_as_m_s2,
                "[column ax_g]\nunit = m/s^2\n[column ay_g]\nunit = m/s^2\n"
                "[column az_g]\nunit = m/s^2\n",
                ROWS, &f);
    assert_null(sm_findings_get(&f, "gravity-implausible", "mount.accel.x"));
    sm_findings_free(&f);
}

/* What --explain prints, read back, gives the same channels and numbers. */
static void test_explain__reads_back(void **state)
{
    (void)state;
    sm_text t = {0};
    sm_text_add(&t, "Zeit;Accel X [m/s^2];g;prop_rpm\n");
    for (int i = 0; i < 4000; i++) {
        sm_text_addf(&t, "%d;%d,5;%d;2400\n", i, i % 9, i % 7);
    }
    char path[512];
    (void)snprintf(path, sizeof path, "%s", scratch_write("explain.csv", t.s, t.n));
    sm_text_free(&t);
    const char *ini = scratch_text("explain.ini", "[column 1]\nrole = time\nunit = ms\n[column g]\n"
                                                  "role = left.gyro.y\nunit = dps\nscale = -0.5\n"
                                                  "offset = 3\nrange = 250\ntolerance = 2 %\n");
    collected a = {0};
    collected b = {0};
    sm_error err = {0};
    sm_source *s = NULL;
    assert_ok(read_log(path, ini, &a, NULL, &s, &err), &err);
    sm_text said = {0};
    sm_source_explain(s, &said);
    sm_source_close(&s);
    ini = scratch_write("explained.ini", said.s, said.n);
    sm_text_free(&said);
    assert_ok(read_log(path, ini, &b, NULL, &s, &err), &err);
    const sm_channel *ch = sm_source_info_get(s)->channels;
    assert_string_equal(ch[1].name, "left.gyro.y");
    assert_close(ch[1].tolerance, 0.02, 1e-12, "tolerance");
    assert_close(ch[1].range_si, 250 * PI / 180, 1e-9, "range");
    assert_true(ch[2].shaft_given && ch[2].shaft == SM_SHAFT_PROP);
    assert_int_equal(a.n, b.n);
    for (size_t k = 0; k < 3; k++) {
        for (size_t i = 0; i < a.n; i++) {
            assert_close(b.x[k][i], a.x[k][i], 1e-12, "value");
        }
    }
    sm_source_close(&s);
    collected_free(&a);
    collected_free(&b);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_findings__name_each_fault),
        cmocka_unit_test(test_findings__sound_log_has_none),
        cmocka_unit_test(test_explain__reads_back),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
