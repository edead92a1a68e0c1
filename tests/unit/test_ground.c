/* Engine off, taps, tilts, rocking: against closed forms. Aircraft axes x forward, y right, z down;
 * specific force, so that a level aircraft shows -1 g on z (ISO 1151-1 axes, from memory). */
#include "core/alloc.h"
#include "sm_test.h"
#include "stillmount/ground.h"
#include "stillmount/number.h"
#include "stillmount/stats.h"

#include <stdlib.h>
#include <string.h>

enum { RATE = 1000, OFF_S = 100, RUN_S = 40, ROWS = (OFF_S + RUN_S) * RATE };

static const double PI = 3.14159265358979323846;
static const double G = 9.80665;

/* What the log holds beside a level, quiet aircraft and a running engine. */
typedef struct scene {
    double tap_hz;      /* a tap rings like exp(-z w t) sin(w t); 0 = no taps */
    double tap_damping; /* z */
    bool structure;     /* taps meet a mode of the plate instead: H = r^2 / (1 - r^2 + 2 i z r) */
    double nose_deg;    /* 0 = not tilted */
    double wing_deg;
    const int
        *axes; /* the log's x, y, z are these aircraft axes (signed, from 1); NULL = they are */
    double gyro_gain; /* 0 = 1 */
    bool oriented;
    double line_hz; /* throughout, on z */
    double line_g;
    double noise_g; /* per sample; 0 = 0.002 */
    double rock_hz; /* while the engine runs, on x, and about y */
    double rock_g;
    double rock_rad_s;
    bool no_speed;
} scene;

static sm_channel channels[6];

static void make_channels(const scene *s)
{
    static const char *const roles[] = {"accel", "gyro"};
    for (int i = 0; i < 6; i++) {
        sm_channel *c = &channels[i];
        *c = (sm_channel){.role = i < 3 ? SM_ROLE_ACCEL : SM_ROLE_GYRO,
                          .axis = i % 3,
                          .gain = 1,
                          .tolerance = -1,
                          .oriented = s->oriented};
        (void)snprintf(c->name, sizeof c->name, "mount.%s.%c", roles[i / 3], 'x' + i % 3);
        (void)snprintf(c->place, sizeof c->place, "mount");
        c->unit = sm_unit_find(i < 3 ? "g" : "deg/s");
        c->quantity = c->unit->quantity;
    }
}

/* Up for 2 s, held, down for 2 s. */
static double ramp(double t, double from, double to)
{
    double up = (t - from) / 2;
    double down = (to - t) / 2;
    double v = up < down ? up : down;
    return v < 0 ? 0 : v > 1 ? 1 : v;
}

/* Three taps on each axis from 20 s on, two seconds apart. */
static void add_taps(const scene *s, double *x[3])
{
    double w = 2 * PI * s->tap_hz;
    for (int k = 0; k < 9 && s->tap_hz > 0; k++) {
        double *v = x[k / 3];
        double state[2] = {0};
        double h = 1.0 / RATE;
        for (int i = 0; i < 500; i++) {
            int row = (20 + 2 * k) * RATE + i;
            double t = i * h;
            if (!s->structure) {
                double wd = w * sqrt(1 - s->tap_damping * s->tap_damping);
                v[row] += 2 * G * exp(-s->tap_damping * w * t) * sin(wd * t);
                continue;
            }
            /* impulse on a mode, seen as acceleration: the push, less spring and damper */
            double push = i == 0 ? 2 * G : 0;
            double a = push - 2 * s->tap_damping * w * state[1] - w * w * state[0];
            state[1] += a * h;
            state[0] += state[1] * h;
            v[row] += a;
        }
    }
}

static void attitude(const scene *s, double t, double f[3], double w[3])
{
    double d = PI / 180;
    double nose = s->nose_deg * d * ramp(t, 50, 64);
    double wing = s->wing_deg * d * ramp(t, 70, 84);
    double dt = 1e-3;
    f[0] = G * sin(nose);
    f[1] = -G * sin(wing) * cos(nose);
    f[2] = -G * cos(wing) * cos(nose);
    w[0] = s->wing_deg * d * (ramp(t + dt, 70, 84) - ramp(t - dt, 70, 84)) / (2 * dt);
    w[1] = s->nose_deg * d * (ramp(t + dt, 50, 64) - ramp(t - dt, 50, 64)) / (2 * dt);
    w[2] = 0;
}

static void fill(const scene *s, double *x[6], double *rpm)
{
    static const int as_is[3] = {1, 2, 3};
    const int *axes = s->axes ? s->axes : as_is;
    sm_rng noise = sm_rng_seed(5);
    double gyro_gain = s->gyro_gain != 0 ? s->gyro_gain : 1;
    for (int i = 0; i < ROWS; i++) {
        double t = (double)i / RATE;
        double f[3];
        double w[3];
        bool runs = t >= OFF_S;
        attitude(s, t, f, w);
        f[2] += s->line_g * G * sin(2 * PI * s->line_hz * t);
        double turning = runs ? 2 * PI * 40 * t : 0;
        f[0] += runs ? 0.2 * G * sin(turning) + s->rock_g * G * sin(2 * PI * s->rock_hz * t) : 0;
        w[1] += runs ? s->rock_rad_s * sin(2 * PI * s->rock_hz * t) : 0;
        f[1] += runs ? 0.1 * G * sin(0.5 * turning) : 0;
        f[2] += runs ? 0.3 * G * cos(2 * turning) : 0;
        for (int a = 0; a < 3; a++) {
            int from = abs(axes[a]) - 1;
            double sign = axes[a] > 0 ? 1 : -1;
            double level = s->noise_g > 0 ? s->noise_g : 0.002;
            x[a][i] = sign * f[from] + level * G * sm_rng_normal(&noise);
            x[3 + a][i] = gyro_gain * sign * w[from] + 0.01 + 1e-3 * sm_rng_normal(&noise) +
                          (runs ? 0.02 * sin(turning) : 0);
        }
        rpm[i] = runs ? 2400 + 2 * (t - OFF_S) : (double)NAN;
    }
    add_taps(s, x);
}

static sm_status feed(sm_ground *g, const scene *s, sm_error *err)
{
    double *x[6];
    for (int c = 0; c < 6; c++) {
        x[c] = malloc(ROWS * sizeof(double));
        assert_non_null(x[c]);
    }
    double *rpm = malloc(ROWS * sizeof(double));
    assert_non_null(rpm);
    fill(s, x, rpm);
    sm_sink sink = sm_ground_sink(g);
    sm_status st = SM_OK;
    for (size_t at = 0; at < ROWS && st == SM_OK; at += 777) {
        const double *p[6];
        for (int c = 0; c < 6; c++) {
            p[c] = x[c] + at;
        }
        sm_block b = {.n_rows = ROWS - at < 777 ? ROWS - at : 777,
                      .n_channels = 6,
                      .x = p,
                      .rpm = s->no_speed ? NULL : rpm + at,
                      .t0_s = (double)at / RATE,
                      .rate_hz = RATE};
        st = sink.push(sink.self, &b, err);
    }
    st = st == SM_OK ? sink.mark(sink.self, SM_MARK_END, OFF_S + RUN_S, err) : st;
    st = st == SM_OK ? sm_ground_finish(g, err) : st;
    for (int c = 0; c < 6; c++) {
        free(x[c]);
    }
    free(rpm);
    return st;
}

/* A direct-drive four-stroke four: the slowest order is half a turn, 20 Hz at 2400. */
static sm_ground *look(const scene *s)
{
    static const char text[] = "[powertrain]\nname = x\n[engine]\ncycle = four-stroke\n"
                               "cylinders = 4\n";
    sm_powertrain p;
    sm_error err = {0};
    sm_ground *g = NULL;
    make_channels(s);
    assert_ok(sm_powertrain_parse(text, sizeof text - 1, "x", &p, &err), &err);
    assert_ok(sm_ground_open(channels, 6, RATE, &p, &g, &err), &err);
    assert_ok(feed(g, s, &err), &err);
    return g;
}

static void budget_of(const char *text, sm_budget *out)
{
    sm_error err = {0};
    assert_ok(sm_budget_parse(text, strlen(text), "b", out, &err), &err);
}

#define HEAD "[budget]\nname = b\nsource = invented\nrpm = 2000-3000 step 200\n"

static void test_off__stretch_and_nothing_else(void **state)
{
    (void)state;
    for (int speed = 0; speed < 2; speed++) {
        scene s = {.no_speed = speed == 0};
        sm_ground *g = look(&s);
        const sm_ground_result *r = sm_ground_result_get(g);
        assert_int_equal(r->n_off, 1);
        assert_close(r->off[0].from_s, 0, 1, "start");
        assert_close(r->off[0].to_s, OFF_S, 1, "end");
        const sm_ground_place *p = &r->places[0];
        assert_int_equal(p->n_taps[0] + p->n_taps[1] + p->n_taps[2], 0);
        assert_int_equal(p->n_tilts, 0);
        assert_int_equal(p->axes, SM_AXES_NOT_SHOWN);
        sm_findings f = {0};
        sm_ground_findings(g, NULL, &f);
        assert_int_equal(f.n, 0);
        sm_findings_free(&f);
        sm_ground_close(&g);
    }
}

/* The closed form of a mass on a spring: 2 % of frequency and a fifth of damping, because a window
 * of 0.4 s and a sample of 1 ms see it, not the formula. */
static void test_taps__counted_and_ring_measured(void **state)
{
    (void)state;
    static const double cases[][2] = {{60, 0.1}, {120, 0.05}, {180, 0.1}, {180, 0.03}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        scene s = {.tap_hz = cases[i][0], .tap_damping = cases[i][1]};
        sm_ground *g = look(&s);
        const sm_ground_place *p = &sm_ground_result_get(g)->places[0];
        for (int a = 0; a < 3; a++) {
            assert_int_equal(p->n_taps[a], 3);
        }
        assert_close(p->tap_s[0], 20, 0.01, "first tap");
        assert_close(p->ring_hz, cases[i][0], 0.02 * cases[i][0], "ring");
        assert_close(p->ring_damping, cases[i][1], 0.2 * cases[i][1], "damping");
        sm_ground_close(&g);
    }
}

static void test_taps__mode_of_the_plate_is_no_fixing(void **state)
{
    (void)state;
    scene s = {.tap_hz = 84, .tap_damping = 0.04, .structure = true};
    sm_ground *g = look(&s);
    const sm_ground_place *p = &sm_ground_result_get(g)->places[0];
    assert_int_equal(p->n_taps[0], 3);
    assert_true(isnan(p->ring_hz));
    sm_ground_close(&g);
}

static void test_tilts__prove_axes(void **state)
{
    (void)state;
    scene s = {.nose_deg = 8, .wing_deg = 4};
    sm_ground *g = look(&s);
    const sm_ground_place *p = &sm_ground_result_get(g)->places[0];
    assert_int_equal(p->n_tilts, 2);
    assert_close(p->tilts[0].angle_rad * 180 / PI, 8, 0.2, "nose");
    assert_close(p->tilts[1].angle_rad * 180 / PI, 4, 0.2, "wing");
    assert_int_equal(p->axes, SM_AXES_PROVEN);
    assert_int_equal(p->gyro_axes, SM_AXES_PROVEN);
    sm_ground_close(&g);
    s.wing_deg = 0;
    g = look(&s);
    p = &sm_ground_result_get(g)->places[0];
    assert_int_equal(p->n_tilts, 1);
    assert_int_equal(p->axes, SM_AXES_NOT_SHOWN);
    sm_ground_close(&g);
}

/* Every way to fix a sensor along the axes: 24 right-handed turns, of which one is right. The map
 * found must be the inverse of the one applied. */
static void test_tilts__find_every_turn(void **state)
{
    (void)state;
    int n = 0;
    for (int i = 0; i < 6 * 8; i++) {
        static const int orders[6][3] = {{1, 2, 3}, {2, 3, 1}, {3, 1, 2},
                                         {1, 3, 2}, {3, 2, 1}, {2, 1, 3}};
        int axes[3];
        int sign = i / 8 < 3 ? 1 : -1;
        for (int a = 0; a < 3; a++) {
            int flip = (i >> a) & 1 ? -1 : 1;
            axes[a] = flip * orders[i / 8][a];
            sign *= flip;
        }
        if (sign < 0 || (n++ % 4 != 0 && n != 2)) {
            continue; /* mirrored; and a quarter of the 24 will do */
        }
        scene s = {.nose_deg = 8, .wing_deg = 5, .axes = axes, .oriented = true};
        sm_ground *g = look(&s);
        const sm_ground_place *p = &sm_ground_result_get(g)->places[0];
        bool right = axes[0] == 1 && axes[1] == 2;
        assert_int_equal(p->axes, right ? SM_AXES_PROVEN : SM_AXES_CONTRADICTED);
        assert_int_equal(p->gyro_axes, SM_AXES_PROVEN);
        for (int a = 0; a < 3; a++) { /* aircraft axis |axes[a]| is the log's a + 1 */
            int want = axes[a] > 0 ? a + 1 : -(a + 1);
            assert_int_equal(p->found[abs(axes[a]) - 1], want);
        }
        sm_findings f = {0};
        sm_ground_findings(g, NULL, &f);
        const sm_finding *c = sm_findings_get(&f, "orientation-contradicted", "mount");
        assert_int_equal(c != NULL, !right);
        assert_true(!c || (c->severity == SM_BLOCKING && c->effect[0] && c->text[0]));
        sm_findings_free(&f);
        sm_ground_close(&g);
    }
    assert_int_equal(n, 24);
}

static void test_tilts__gyro_that_disagrees(void **state)
{
    (void)state;
    static const double gains[] = {-1, 0.0174533, 57.3};
    for (size_t i = 0; i < 3; i++) {
        scene s = {.nose_deg = 8, .wing_deg = 5, .gyro_gain = gains[i]};
        sm_ground *g = look(&s);
        assert_int_equal(sm_ground_result_get(g)->places[0].gyro_axes, SM_AXES_CONTRADICTED);
        sm_findings f = {0};
        sm_ground_findings(g, NULL, &f);
        const sm_finding *c = sm_findings_get(&f, "orientation-contradicted", "mount.gyro");
        assert_non_null(c);
        assert_int_equal(c->severity, SM_BLOCKING);
        sm_findings_free(&f);
        sm_ground_close(&g);
    }
}

/* A sine of peak A has the mean square A^2 / 2; a lobe holds it within 3 %. */
static void test_line__found_with_its_power(void **state)
{
    (void)state;
    scene s = {.line_hz = 133.4, .line_g = 0.05};
    sm_ground *g = look(&s);
    const sm_ground_channel *c = &sm_ground_result_get(g)->channels[2];
    assert_int_equal(c->n_lines, 1);
    assert_close(c->lines[0].hz, 133.4, 0.05, "line");
    assert_close(c->lines[0].power_si, 0.5 * 0.05 * G * 0.05 * G, 0.03 * 0.00125 * G * G, "power");
    sm_budget b;
    budget_of(HEAD "[limit a]\nchannels = mount.accel.*\nmeasure = rms\nhz = 5-200\nmax = 0.2 g\n",
              &b);
    sm_ground_share share = sm_ground_share_of(g, 2, &b.limits[0]);
    assert_close(share.lines, c->lines[0].power_si, 1e-12, "share");
    b.limits[0].hz_hi = 100;
    assert_close(sm_ground_share_of(g, 2, &b.limits[0]).lines, 0, 1e-30, "out of range");
    b.limits[0].hz_hi = 200;
    sm_findings f = {0};
    sm_ground_findings(g, &b, &f);
    const sm_finding *e = sm_findings_get(&f, "electrical-line", "mount");
    assert_non_null(e);
    assert_int_equal(e->severity, SM_WARNING); /* 0.035 g rms of 0.2 g: more than a tenth */
    assert_true(e->effect[0] && e->text[0] && e->n_at == 1);
    assert_close(e->hz_lo, 133.4, 0.05, "place");
    sm_findings_free(&f);
    sm_ground_close(&g);
}

static void test_rocking__measured_below_every_order(void **state)
{
    (void)state;
    scene s = {.rock_hz = 1.6, .rock_g = 0.05, .rock_rad_s = 0.03};
    sm_ground *g = look(&s);
    const sm_ground_channel *c = &sm_ground_result_get(g)->channels[0];
    /* a four-second Hann frame has lobes of half a hertz to each side: 5 % */
    assert_close(c->rock_power_si, 0.5 * 0.05 * G * 0.05 * G, 0.05 * 0.00125 * G * G, "power");
    assert_true(c->rock_hz[0] > 1 && c->rock_hz[1] < 2.2);
    sm_budget b;
    budget_of(HEAD "[limit a]\nchannels = mount.accel.*\nmeasure = rms\nhz = 5-200\nmax = 0.2 g\n",
              &b);
    sm_findings f = {0};
    sm_ground_findings(g, &b, &f);
    const sm_finding *e = sm_findings_get(&f, "airframe-rocking", "mount.accel.x");
    assert_non_null(e);
    assert_int_equal(e->severity, SM_NOTE); /* no limit reaches down there */
    assert_non_null(sm_findings_get(&f, "airframe-rocking", "mount.gyro.y"));
    assert_null(sm_findings_get(&f, "airframe-rocking", "mount.accel.z"));
    sm_findings_free(&f);
    sm_ground_close(&g);
}

/* White noise of rms s per sample has the density 2 s^2 / rate: 195 of 500 Hz hold 0.39 of s^2. */
static void test_noise__against_a_limit(void **state)
{
    (void)state;
    scene s = {.noise_g = 0.04};
    sm_ground *g = look(&s);
    sm_budget b;
    budget_of(HEAD "[limit a]\nchannels = mount.accel.*\nmeasure = rms\nhz = 5-200\nmax = 0.04 g\n"
                   "[limit v]\nchannels = mount.accel.*\nmeasure = rms\nhz = 5-200\nas = velocity\n"
                   "max = 5 mm/s\n",
              &b);
    double want = 0.04 * G * 0.04 * G * 0.39;
    assert_close(sm_ground_share_of(g, 0, &b.limits[0]).noise, want, 0.1 * want, "noise");
    sm_findings f = {0};
    sm_ground_findings(g, &b, &f);
    const sm_finding *e = sm_findings_get(&f, "noise-floor-high", "mount.accel.y");
    assert_non_null(e);
    assert_int_equal(e->severity, SM_WARNING); /* 0.025 g of 0.04 g: above half, below all */
    assert_true(e->effect[0] && e->text[0] && e->n_at == 1);
    sm_findings_free(&f);
    b.limits[0].max_si = 0.02 * G;
    f = (sm_findings){0};
    sm_ground_findings(g, &b, &f);
    assert_int_equal(sm_findings_get(&f, "noise-floor-high", "mount.accel.y")->severity,
                     SM_BLOCKING);
    sm_findings_free(&f);
    sm_ground_close(&g);
}

static void test_ring__blocks_where_a_limit_reaches(void **state)
{
    (void)state;
    scene s = {.tap_hz = 180, .tap_damping = 0.1};
    sm_ground *g = look(&s);
    sm_budget b;
    budget_of(HEAD "[limit a]\nchannels = mount.accel.*\nmeasure = rms\nhz = 5-80\nmax = 0.4 g\n",
              &b);
    for (int reach = 0; reach < 2; reach++) {
        b.limits[0].hz_hi = reach ? 150 : 80;
        sm_findings f = {0};
        sm_ground_findings(g, &b, &f);
        const sm_finding *e = sm_findings_get(&f, "attachment-resonance", "mount");
        assert_non_null(e);
        assert_int_equal(e->severity, reach ? SM_BLOCKING : SM_WARNING);
        assert_close(e->hz_lo, 90, 2, "from half of it");
        assert_int_equal(e->n_at, 9);
        sm_findings_free(&f);
    }
    sm_ground_close(&g);
}

static void test_open__refuses_and_survives(void **state)
{
    (void)state;
    scene s = {.no_speed = true};
    sm_ground *g = NULL;
    sm_error err = {0};
    make_channels(&s);
    assert_int_equal(sm_ground_open(channels, 6, 0, NULL, &g, &err), SM_E_ARG);
    for (long k = 1; k < 200; k++) {
        sm_alloc_fail_at(k);
        sm_status st = sm_ground_open(channels, 6, RATE, NULL, &g, &err);
        bool failed = sm_alloc_count() >= k;
        sm_alloc_fail_at(0);
        assert_int_equal(st, failed ? SM_E_NOMEM : SM_OK);
        sm_ground_close(&g);
        if (!failed) {
            assert_true(k > 20);
            return;
        }
    }
    fail();
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_off__stretch_and_nothing_else),
        cmocka_unit_test(test_taps__counted_and_ring_measured),
        cmocka_unit_test(test_taps__mode_of_the_plate_is_no_fixing),
        cmocka_unit_test(test_tilts__prove_axes),
        cmocka_unit_test(test_tilts__find_every_turn),
        cmocka_unit_test(test_tilts__gyro_that_disagrees),
        cmocka_unit_test(test_line__found_with_its_power),
        cmocka_unit_test(test_rocking__measured_below_every_order),
        cmocka_unit_test(test_noise__against_a_limit),
        cmocka_unit_test(test_ring__blocks_where_a_limit_reaches),
        cmocka_unit_test(test_open__refuses_and_survives),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
