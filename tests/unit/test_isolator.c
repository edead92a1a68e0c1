/* Isolator: textbook tables, closed forms, a body against independent solutions. */
#include "core/util.h"
#include "sm_test.h"
#include "stillmount/isolator.h"

#include <complex.h>
#include <string.h>

/* Harris & Piersol ch. 30 / Rao ch. 9, formula recomputed independently with NumPy to 7 places
   (reference catalogue, section 4). */
static void test_ratio__handbook_table(void **state)
{
    (void)state;
    static const double z[4] = {0.02, 0.1, 0.25, 1.0};
    static const struct {
        double r;
        double t[4];
    } rows[] = {
        {0.1, {1.010101, 1.010097, 1.010075, 1.009707}},
        {0.5, {1.333126, 1.328229, 1.303840, 1.131371}},
        {0.9, {5.174503, 3.882207, 2.244953, 1.137639}},
        {1.0, {25.019992, 5.099020, 2.236068, 1.118034}},
        {1.2, {2.261924, 2.051875, 1.567370, 1.065574}},
        {2.0, {0.334279, 0.355862, 0.447214, 0.824621}},
        {5.0, {0.042490, 0.058874, 0.111587, 0.386534}},
        {10.0, {0.010879, 0.022582, 0.051440, 0.198267}},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        for (int k = 0; k < 4; k++) {
            sm_isolator iso = sm_isolator_viscous(8, z[k]);
            assert_close(sm_isolator_ratio(&iso, 8 * rows[i].r), rows[i].t[k], 6e-7, "T");
        }
    }
    for (int k = 0; k < 4; k++) { /* every damping crosses 1 at r = sqrt 2 */
        sm_isolator iso = sm_isolator_viscous(11, z[k]);
        assert_close(sm_isolator_ratio(&iso, sm_isolator_isolates_above(&iso)), 1, 1e-12, "T");
    }
}

/* Typical lines and changes through one mount: same section, in dB to 3 places. */
static void test_ratio__typical_lines(void **state)
{
    (void)state;
    sm_isolator iso = sm_isolator_viscous(12, 0.15);
    static const double lines[][2] = {{50.0 / 3, 0.539}, {20, -4.359},  {100.0 / 3, -14.318},
                                      {40, -17.128},     {80, -25.778}, {120, -29.917},
                                      {160, -32.646}};
    for (size_t i = 0; i < 7; i++) {
        assert_close(20 * log10(sm_isolator_ratio(&iso, lines[i][0])), lines[i][1], 6e-4, "dB");
    }
    sm_isolator soft = sm_isolator_viscous(8, 0.10);
    assert_close(sm_isolator_ratio(&soft, 40) / sm_isolator_ratio(&iso, 40), 0.422985, 1e-6,
                 "12 Hz to 8 Hz at 40 Hz");
}

/* From 12 Hz, loss 0.15 ... : structural falls 40 dB per decade, viscous 20 (methods, section 10:
   -27.0 dB and -34.5 dB at 180 Hz; the maker's word is a loss factor of 0.15 x 2). */
static void test_ratio__other_damping(void **state)
{
    (void)state;
    sm_isolator v = sm_isolator_viscous(12, 0.15);
    sm_isolator s = {12, 0.15, SM_DAMPING_STRUCTURAL, 0};
    sm_isolator three = {12, 0.15, SM_DAMPING_THREE, 3};
    double decade_v = 20 * log10(sm_isolator_ratio(&v, 12e3) / sm_isolator_ratio(&v, 12e4));
    double decade_s = 20 * log10(sm_isolator_ratio(&s, 12e3) / sm_isolator_ratio(&s, 12e4));
    assert_close(decade_v, 20, 0.01, "viscous slope");
    assert_close(decade_s, 40, 0.01, "structural slope");
    assert_close(sm_isolator_ratio(&s, 12), sqrt(1 + 0.09) / 0.3, 1e-12, "structural peak");
    /* between its two springs: soft one below, both above */
    sm_isolator limit = {12, 0.15, SM_DAMPING_THREE, 1e9};
    assert_close(sm_isolator_ratio(&limit, 100), sm_isolator_ratio(&v, 100), 1e-7, "stiff limit");
    double far = 1e5;
    assert_close(sm_isolator_ratio(&three, far) * pow(far / 12, 2), 4, 1e-3, "1 + N springs");
}

static void test_peak__formula(void **state)
{
    (void)state;
    static const double rows[][3] = {{0.01, 0.999900, 50.012498},
                                     {0.05, 0.997522, 10.062214},
                                     {0.10, 0.990334, 5.122774},
                                     {0.25, 0.948145, 2.283153},
                                     {0.50, 0.855600, 1.467890}};
    for (size_t i = 0; i < 5; i++) {
        double at = 0;
        assert_close(sm_isolator_peak(rows[i][0], &at), rows[i][2], 2e-6, "peak");
        assert_close(at, rows[i][1], 1e-6, "place of the peak");
    }
}

/* Harris & Piersol: fn = 15.76 / sqrt(sag in mm); Rao's exhaust fan: 40 kg, K 9969.30 N/m each of
   four springs, r = sqrt 11 at 1000 rpm (reference catalogue, section 4). */
static void test_sag__textbooks(void **state)
{
    (void)state;
    assert_close(sm_isolator_natural_from_sag(1e-3), 15.76088, 5e-6, "1 mm");
    assert_close(sm_isolator_natural_from_sag(25.4e-3), 3.12726, 5e-6, "1 in");
    assert_close(sm_isolator_natural_from_sag(6e-3), 6.43435, 5e-6, "6 mm");
    assert_close(sm_isolator_sag_m(8) * 1e3, 3.88133, 5e-6, "8 Hz");
    assert_close(sm_isolator_sag_m(12) * 1e3, 1.72504, 5e-6, "12 Hz");
    double fan_hz = sm_isolator_natural_from_stiffness(4 * 9969.30, 40);
    assert_close(1000.0 / 60 / fan_hz, 3.3166248, 1e-6, "r of the fan");
    sm_isolator nearly_undamped = sm_isolator_viscous(fan_hz, 1e-9);
    assert_close(sm_isolator_ratio(&nearly_undamped, 1000.0 / 60), 0.1, 1e-6, "10 % transmitted");
}

/* Miles and the exact base-driven form (numerical integral of T^2 P: same section). */
static void test_flat_rms__miles(void **state)
{
    (void)state;
    static const double rows[][5] = {{100, 10, 0.04, 7.926655, 7.966189},
                                     {15, 5, 0.01, 1.085402, 1.106897},
                                     {12, 8, 0.02, 1.736643, 1.750158}};
    for (size_t i = 0; i < 3; i++) {
        assert_close(sm_isolator_miles(rows[i][0], rows[i][1], rows[i][2]), rows[i][3], 1e-6,
                     "Miles");
        assert_close(sm_isolator_flat_rms(rows[i][0], 1 / (2 * rows[i][1]), rows[i][2]), rows[i][4],
                     1e-6, "exact");
    }
}

/* Flat spectrum through 12 Hz, 0.15: band rms ratios of the catalogue; bins add up to the band. */
static void test_power__bands(void **state)
{
    (void)state;
    sm_isolator iso = sm_isolator_viscous(12, 0.15);
    assert_close(sqrt(sm_isolator_power(&iso, 10, 200)), 0.500389, 1e-6, "10-200 Hz");
    assert_close(sqrt(sm_isolator_power(&iso, 20, 200)), 0.110628, 1e-6, "20-200 Hz");
    assert_close(sqrt(sm_isolator_power(&iso, 5, 500)), 0.356136, 1e-6, "5-500 Hz");
    double sum = 0;
    for (int k = 10; k < 200; k++) {
        sum += sm_isolator_power(&iso, k, k + 1);
    }
    assert_close(sqrt(sum / 190), 0.500389, 1e-6, "bins of 1 Hz");
    /* sharp resonance inside one bin: still the integral (Miles, z = 0.01) */
    sm_isolator sharp = sm_isolator_viscous(10.3, 0.01);
    double all = sm_isolator_power(&sharp, 0, 10) * 10 + sm_isolator_power(&sharp, 10, 11) +
                 sm_isolator_power(&sharp, 11, 1e5) * (1e5 - 11);
    assert_close(sqrt(all) / sm_isolator_flat_rms(10.3, 0.01, 1), 1, 1e-4, "sharp");
}

static void test_check__refuses(void **state)
{
    (void)state;
    /* the last four: 15 % as a percentage, stiffness in another unit, and their borders: 1 m of sag
       is sqrt(9.80665) / (2 pi) = 0.498 Hz */
    static const double bad[][2] = {{0, 0.1},
                                    {-3, 0.1},
                                    {(double)NAN, 0.1},
                                    {8, 0},
                                    {8, -0.1},
                                    {8, (double)INFINITY},
                                    {(double)INFINITY, 0.1},
                                    {8, 15},
                                    {0.001, 0.1},
                                    {8, 2.01},
                                    {0.497, 0.1}};
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        sm_isolator iso = sm_isolator_viscous(bad[i][0], bad[i][1]);
        sm_error err = {0};
        assert_int_equal(sm_isolator_check(&iso, &err), SM_E_VALUE);
        assert_true(err.message[0]);
    }
    static const double fine[][2] = {{8, 0.1}, {0.5, 0.1}, {8, 2}};
    for (size_t i = 0; i < sizeof fine / sizeof *fine; i++) {
        sm_isolator good = sm_isolator_viscous(fine[i][0], fine[i][1]);
        assert_int_equal(sm_isolator_check(&good, NULL), SM_OK);
    }
}

/* Four equal feet in the plane through the centre of mass: six uncoupled modes in closed form. */
static sm_body square(double centre_z_m)
{
    sm_body b = {.mass_kg = 1.4,
                 .inertia_kg_m2 = {0.004, 0.006, 0.008, 0, 0, 0},
                 .centre_m = {0, 0, centre_z_m},
                 .sensor_m = {0, 0, centre_z_m},
                 .n_feet = 4};
    for (size_t f = 0; f < 4; f++) {
        sm_foot *foot = &b.feet[f];
        foot->at_m[0] = f % 2 ? 0.06 : -0.06;
        foot->at_m[1] = f / 2 ? 0.04 : -0.04;
        double k[3] = {1500, 1600, 2500};
        for (int a = 0; a < 3; a++) {
            foot->k_n_m[a] = k[a];
            foot->c_n_s_m[a] = 0.002 * k[a];
        }
    }
    return b;
}

static void test_body__uncoupled_closed_form(void **state)
{
    (void)state;
    sm_body b = square(0);
    sm_mode m[6];
    sm_error err = {0};
    assert_ok(sm_body_modes(&b, m, &err), &err);
    double expected[6] = {sqrt(6000 / 1.4),
                          sqrt(6400 / 1.4),
                          sqrt(10000 / 1.4),
                          sqrt(10000 * 0.04 * 0.04 / 0.004),
                          sqrt(10000 * 0.06 * 0.06 / 0.006),
                          sqrt((6000 * 0.04 * 0.04 + 6400 * 0.06 * 0.06) / 0.008)};
    for (int i = 0; i < 6; i++) { /* each expected one is there */
        double near = 1e9;
        for (int k = 0; k < 6; k++) {
            near = fmin(near, fabs(m[k].hz - expected[i] / (2 * SM_PI)));
            assert_close(m[k].damping_ratio, 0.002 * 2 * SM_PI * m[k].hz / 2, 1e-9, "c = a k");
        }
        assert_close(near, 0, 1e-9, "mode");
    }
    for (int k = 1; k < 6; k++) {
        assert_true(m[k].hz >= m[k - 1].hz);
    }
    /* along z it is the single mass on a spring */
    sm_isolator iso = sm_isolator_viscous(sqrt(10000 / 1.4) / (2 * SM_PI), 0);
    iso.damping_ratio = 0.001 * 2 * SM_PI * iso.natural_hz;
    double h[6][6][2];
    for (double hz = 0; hz < 100; hz += 7.3) {
        double t[2];
        sm_isolator_transfer(&iso, hz, t);
        assert_ok(sm_body_response(&b, hz, h, &err), &err);
        assert_close(h[2][2][0], t[0], 1e-10, "re");
        assert_close(h[2][2][1], t[1], 1e-10, "im");
        assert_close(hypot(h[3][2][0], h[3][2][1]), 0, 1e-12, "no rocking");
    }
}

/* Centre of mass above the feet: sway x and rocking y couple. The 2 x 2 problem has the closed form
   w^2 = (a + b)/2 +- sqrt((a - b)^2/4 + c^2), a = k/m, b = (K_r + k h^2)/J, c = k h / sqrt(m J). */
static void test_body__coupled_closed_form(void **state)
{
    (void)state;
    sm_body b = square(0.03);
    sm_mode m[6];
    sm_error err = {0};
    assert_ok(sm_body_modes(&b, m, &err), &err);
    double a = 6000 / 1.4;
    double r = (10000 * 0.06 * 0.06 + 6000 * 0.03 * 0.03) / 0.006;
    double c = 6000 * 0.03 / sqrt(1.4 * 0.006);
    double root = sqrt((a - r) * (a - r) / 4 + c * c);
    double want[2] = {sqrt((a + r) / 2 - root), sqrt((a + r) / 2 + root)};
    for (int i = 0; i < 2; i++) {
        double near = 1e9;
        for (int k = 0; k < 6; k++) {
            near = fmin(near, fabs(m[k].hz - want[i] / (2 * SM_PI)));
        }
        assert_close(near, 0, 1e-9, "coupled mode");
    }
    /* pushed along x it tilts about y; moment balance: angle = m g h / (K_r), springs under it */
    double tilt[3];
    assert_ok(sm_body_tilt_per_g(&b, 0, tilt, &err), &err);
    assert_close(fabs(tilt[1]), 1.4 * 9.80665 * 0.03 / (10000 * 0.06 * 0.06), 1e-12, "tilt");
    assert_close(tilt[0], 0, 1e-15, "about x");
    double h[6][6][2];
    assert_ok(sm_body_response(&b, 25, h, &err), &err);
    assert_true(hypot(h[4][0][0], h[4][0][1]) > 0.1); /* base x makes it rock */
}

/* Response against modes: a rigid base shift moves everything alike; far below the modes h = base
   motion seen as a rigid body; residue check through the modal sum at one frequency. */
static void test_body__rigid_limit_and_modal_sum(void **state)
{
    (void)state;
    sm_body b = square(0.03);
    b.inertia_kg_m2[3] = 0.0005;
    b.inertia_kg_m2[5] = -0.0004;
    b.centre_m[0] = 0.01;
    b.sensor_m[1] = 0.02;
    b.base_m[0] = -0.05;
    double h[6][6][2];
    sm_error err = {0};
    assert_ok(sm_body_response(&b, 1e-4, h, &err), &err);
    for (int i = 0; i < 6; i++) {
        assert_close(h[i][i][0], 1, 1e-6, "moves with the base");
    }
    /* turning the base about y moves the sensor by the lever from base to sensor */
    assert_close(h[0][4][0], b.sensor_m[2] - b.base_m[2], 1e-6, "lever z");
    assert_close(h[2][4][0], -(b.sensor_m[0] - b.base_m[0]), 1e-6, "lever x");
    /* damping is proportional (c = a k), so q = sum phi phi^T F / (w_n^2 - w^2 + j a w w_n^2) */
    sm_mode m[6];
    assert_ok(sm_body_modes(&b, m, &err), &err);
    double hz = 17;
    double w = 2 * SM_PI * hz;
    assert_ok(sm_body_response(&b, hz, h, &err), &err);
    double complex q[6] = {0};
    double complex force[6] = {0}; /* of a unit base motion along x: sum of B^T k */
    for (size_t f = 0; f < b.n_feet; f++) {
        double rz = b.feet[f].at_m[2] - b.centre_m[2];
        double ry = b.feet[f].at_m[1] - b.centre_m[1];
        double complex k = CMPLX(b.feet[f].k_n_m[0], w * b.feet[f].c_n_s_m[0]);
        force[0] += k;
        force[4] += rz * k;
        force[5] -= ry * k;
    }
    for (int n = 0; n < 6; n++) {
        double wn = 2 * SM_PI * m[n].hz;
        double complex modal = 0;
        for (int i = 0; i < 6; i++) {
            modal += m[n].shape[i] * force[i];
        }
        modal /= CMPLX(wn * wn - w * w, 0.002 * w * wn * wn);
        for (int i = 0; i < 6; i++) {
            q[i] += m[n].shape[i] * modal;
        }
    }
    for (int i = 3; i < 6; i++) {
        assert_close(h[i][0][0], creal(q[i]), 1e-9, "rotation re");
        assert_close(h[i][0][1], cimag(q[i]), 1e-9, "rotation im");
    }
}

static const char good_text[] = "[body]\nmass = 1400 g\ninertia = 0.004 0.006 0.008 kg m^2\n"
                                "centre = 0 0 30 mm\n"
                                "[isolator a]\nat = 60 40 0 mm\nstiffness = 1.5 1.6 2.5 N/mm\n"
                                "damping = 0.1\n"
                                "[isolator b]\nat = -60 40 0 mm\nstiffness = 1500 1600 2500 N/m\n"
                                "damping = 0.1\n"
                                "[isolator c]\nat = 0 -4 0 cm\nstiffness = 3000 3200 5000 N/m\n"
                                "damping = 0.1\n";

static void test_body_file__units_and_damping(void **state)
{
    (void)state;
    sm_body b;
    sm_error err = {0};
    assert_ok(sm_body_parse(good_text, strlen(good_text), "g.ini", &b, &err), &err);
    assert_close(b.mass_kg, 1.4, 1e-12, "mass");
    assert_close(b.sensor_m[2], 0.03, 1e-12, "sensor sits at the centre");
    assert_close(b.feet[0].k_n_m[2], 2500, 1e-9, "N/mm");
    assert_close(b.feet[2].at_m[1], -0.04, 1e-12, "cm");
    /* sum of c = 2 z sqrt(k m) along z */
    double c = b.feet[0].c_n_s_m[2] + b.feet[1].c_n_s_m[2] + b.feet[2].c_n_s_m[2];
    assert_close(c, 2 * 0.1 * sqrt(10000 * 1.4), 1e-9, "damping");
}

static void test_body_file__refuses(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        long line;
        const char *word;
    } bad[] = {
        {"[isolator a]\nat = 0 0 0 mm\nstiffness = 1 N/m\ndamping = 0.1\n", 1, "[body]"},
        {"[body]\nmass = -1 kg\ninertia = 1 1 1 kg m^2\n", 2, "mass"},
        {"[body]\nmass = 1\ninertia = 1 1 1 kg m^2\n", 2, "kg"},
        {"[body]\nmass = 1 kg\ninertia = 1 1 9 kg m^2\n", 0, "moment"},
        {"[body]\nmass = 1 kg\ninertia = 1 1 1 kg m^2\n", 0, "three"},
        {"[body]\nmas = 1 kg\ninertia = 1 1 1 kg m^2\n", 2, "mass"},
        {"[body]\nmass = 1 kg\ninertia = 1 1 1 kg m^2\n[isolator a]\nat = 0 0 0 mm\n"
         "stiffness = 0 N/m\ndamping = 0.1\n",
         6, "stiffness"},
        {"[body]\nmass = 1 kg\ninertia = 1 1 1 kg m^2\n[isolator a]\nat = 0 0 0 mm\n"
         "stiffness = 10 N/m\ndamping = 0\n",
         7, "damping"},
        {"[body]\nmass = 1 kg\ninertia = 1 1 1 kg m^2\n[isolator a]\nat = 0 0 mm\n"
         "stiffness = 10 N/m\ndamping = 0.1\n",
         5, "at"},
    };
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        sm_body b = {.mass_kg = 77};
        sm_error err = {0};
        sm_status st = sm_body_parse(bad[i].text, strlen(bad[i].text), "g.ini", &b, &err);
        assert_true(st == SM_E_VALUE || st == SM_E_FORMAT);
        if (err.line != bad[i].line || !strstr(err.message, bad[i].word)) {
            fail_msg("case %zu: line %ld: %s", i, err.line, err.message);
        }
        assert_close(b.mass_kg, 77, 0, "untouched");
    }
}

/* Four feet of 1000 N/m at (+-60, +-50) mm, changed in one number to what cannot be built. */
static void test_body_file__refuses_what_cannot_be_built(void **state)
{
    (void)state;
    static const struct {
        const char *mass;
        const char *inertia;
        const char *centre;
        const char *stiffness;
        const char *unit;
        const char *word; /* of the message; NULL = good */
    } cases[] = {
        {"1.5 kg", "0.004 0.006 0.008 kg m^2", "0 0 30 mm", "1000 N/m", "mm", NULL},
        {"1.5 kg", "0.004 0.006 0.008 kg m^2", "0 0 30 mm", "1 N/m", "mm", "no mount is that soft"},
        {"1e12 kg", "0.004 0.006 0.008 kg m^2", "0 0 30 mm", "1000 N/m", "mm", "that soft"},
        {"1.5 kg", "100 100 100 kg m^2", "0 0 30 mm", "1000 N/m", "mm", "that soft"},
        {"1.5 kg", "1e-9 1e-9 1e-9 kg m^2", "0 0 30 mm", "1000 N/m", "mm", "too small"},
        {"1.5 kg", "0.004 0.006 0.008 kg m^2", "0 0 30 mm", "1000 N/m", "m", "too small"},
        {"1.5 kg", "0.004 0.006 0.008 kg m^2", "0 0 400 mm", "300 N/m", "mm", "falls over"},
        {"1.5 kg", "0.004 0.006 0.008 kg m^2", "500 0 30 mm", "1000 N/m", "mm", "falls over"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        char text[1200];
        int n = snprintf(text, sizeof text, "[body]\nmass = %s\ninertia = %s\ncentre = %s\n",
                         cases[i].mass, cases[i].inertia, cases[i].centre);
        for (int f = 0; f < 4; f++) {
            n += snprintf(text + n, sizeof text - (size_t)n,
                          "[isolator f%d]\nat = %d %d 0 %s\nstiffness = %s\ndamping = 0.1\n", f,
                          f % 2 ? 60 : -60, f / 2 ? 50 : -50, cases[i].unit, cases[i].stiffness);
        }
        sm_body b;
        sm_error err = {0};
        sm_status st = sm_body_parse(text, (size_t)n, "g.ini", &b, &err);
        assert_int_equal(st, cases[i].word ? SM_E_VALUE : SM_OK);
        if (cases[i].word && !strstr(err.message, cases[i].word)) {
            fail_msg("case %zu: %s", i, err.message);
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_ratio__handbook_table),
        cmocka_unit_test(test_ratio__typical_lines),
        cmocka_unit_test(test_ratio__other_damping),
        cmocka_unit_test(test_peak__formula),
        cmocka_unit_test(test_sag__textbooks),
        cmocka_unit_test(test_flat_rms__miles),
        cmocka_unit_test(test_power__bands),
        cmocka_unit_test(test_check__refuses),
        cmocka_unit_test(test_body__uncoupled_closed_form),
        cmocka_unit_test(test_body__coupled_closed_form),
        cmocka_unit_test(test_body__rigid_limit_and_modal_sum),
        cmocka_unit_test(test_body_file__units_and_damping),
        cmocka_unit_test(test_body_file__refuses),
        cmocka_unit_test(test_body_file__refuses_what_cannot_be_built),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
