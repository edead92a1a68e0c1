/* Gates of the speed estimate, each with a run that passes all others: without the gate it is
 * wrong. The engines were drawn at random; strengths are invented. */
#include "orders/gates.h"
#include "sim_speed.h"

#include <string.h>

#define CALM "[nuisances]\nrattle_below_rpm = 0\n"
#define MODES(fa, za, fb, zb)                                                                      \
    "[mode a]\nhz = " fa "\ndamping = " za "\n[mode b]\nhz = " fb "\ndamping = " zb "\n"
#define AXIS(name, direct, a, b, noise)                                                            \
    "[channel mount.accel." name "]\ndirect = " direct "\nmodes = a:" a " b:" b                    \
    "\nforce_noise = " noise " g^2/Hz\n"
#define ORDER(label, force, rpm, exponent, phase)                                                  \
    "[order " label "]\nforce = " force " g\nreference_rpm = " rpm "\nexponent = " exponent        \
    "\nphase_deg = " phase "\n"
#define MACHINE(cylinders, blades, idle, max)                                                      \
    "[powertrain]\nname = x\nrpm_of = crank\n[engine]\ncycle = four-stroke\ncylinders "            \
    "= " cylinders "\n[propeller]\nblades = " blades "\n[operating]\nidle = " idle "\nmax = " max  \
    "\n"

/* Near idle two cylinders with two blades at 950 rpm look like 1900, and the path slides from one
 * to the other while half a minute is not believed. Behind it the true speed is told clearly. */
static void test_gates__a_path_that_slides_over(void **state)
{
    (void)state;
    found f = case_of(
        "slides over", MACHINE("2", "2", "368", "5682"),
        "[scenario]\ninternal_hz = 4000\n[log]\nrate_hz = 500\n" CALM
        "[profile]\npoints = 0:949 4.3:949 151:2615 154:2615\n"
        "[engine]\nratio = 1\ncylinders = 2\n" ORDER("crank 0.5", "0.02972", "2669", "2", "341")
            ORDER("crank 1", "0.05931", "2669", "2", "144")
                ORDER("crank 1.5", "0.01964", "2669", "1", "254")
                    ORDER("crank 2", "0.1904", "2669", "1", "113")
                        ORDER("crank 3", "0.05027", "2669", "2", "335") ORDER("crank 4", "0.06355",
                                                                              "2669", "1", "326")
                            MODES("37.6", "0.238", "51.8", "0.078") AXIS("x", "0.406", "0.221",
                                                                         "0.037", "1.35e-05")
                                AXIS("y", "0.448", "0.058", "0.252", "1.09e-05")
                                    AXIS("z", "0.493", "0.113", "0.220", "2.03e-05") "mean = 1 g\n",
        558);
    assert_true(f.rms < 0.005 && f.wrong == 0);
    assert_true(f.confidence > 0.5); /* what is right stays */
}

/* Six cylinders behind a gearbox of 3/2, told as direct: 92 % of the tonal power fits the half
 * orders. */
static void test_gates__one_shaft_explains_nearly_all_of_its_lines(void **state)
{
    (void)state;
    found f = case_of(
        "3/2 told as direct", MACHINE("6", "3", "1864", "5054"),
        "[scenario]\ninternal_hz = 4000\n[log]\nrate_hz = 800\n" CALM
        "[profile]\npoints = 0:1864 4.9:1864 48.6:4953 51.6:4953\n"
        "[engine]\nratio = 3/2\ncylinders = 6\n" ORDER("crank 0.5", "0.03348", "5054", "2", "196")
            ORDER("crank 1", "0.1027", "5054", "1", "33")
                ORDER("crank 1.5", "0.01779", "5054", "2", "236")
                    ORDER("crank 3", "0.1518", "5054", "1", "265")
                        ORDER("crank 6", "0.05633", "5054", "2", "233")
                            ORDER("crank 9", "0.02841", "5054", "2", "267")
                                ORDER("prop 1", "0.1039", "5054", "2", "14")
                                    ORDER("prop 3", "0.2952", "5054", "1", "111")
                                        ORDER("prop 6", "0.08355", "5054", "1", "187")
                                            MODES("25.3", "0.068", "68.6", "0.075")
                                                AXIS("x", "0.370", "0.418", "0.110", "2.92e-05")
                                                    AXIS("y", "0.352", "0.113", "0.054", "3.12e-05")
                                                        AXIS("z", "0.331", "0.260", "0.203",
                                                             "3.05e-05") "mean = 1 g\n",
        10);
    assert_true(f.confidence == 0);
}

/* Two cylinders whose idle and max are written at half of what they are: half the speed fits. */
static void test_gates__a_speed_out_of_range(void **state)
{
    (void)state;
    found f = case_of(
        "idle and max of half", MACHINE("2", "2", "362", "1336"),
        "[scenario]\ninternal_hz = 4000\n[log]\nrate_hz = 1600\n" CALM
        "[profile]\npoints = 0:685 6.2:685 11.2:1029 20.3:1029 24.0:1374 34.8:1374 40.8:1718 "
        "50.9:1718 60.7:2063 69.1:2063 72.9:2407 78.9:2407\n"
        "[engine]\nratio = 1\ncylinders = 2\n" ORDER("crank 0.5", "0.05068", "2456", "2", "22")
            ORDER("crank 1", "0.1793", "2456", "2", "269")
                ORDER("crank 1.5", "0.01474", "2456", "2", "157")
                    ORDER("crank 2", "0.05372", "2456", "2", "44")
                        ORDER("crank 3", "0.01687", "2456", "2", "146")
                            MODES("18.4", "0.055", "78.2", "0.022") AXIS("x", "0.472", "0.391",
                                                                         "0.259", "2.34e-05")
                                AXIS("y", "0.153", "0.293", "0.093", "7.42e-05")
                                    AXIS("z", "0.417", "0.361", "0.175", "2.51e-05") "mean = 1 g\n",
        5);
    assert_true(f.confidence == 0);
}

/* The same at a constant speed, where the half orders explain everything: 2015 rpm, two thirds of
 * the true speed, passed all other gates. The gear told, or an rpm log, finds what is right. */
#define HOLD_3_2                                                                                   \
    "[scenario]\ninternal_hz = 4000\n[log]\nrate_hz = 800\n" CALM                                  \
    "[profile]\npoints = 0:3023 40:3023\n[engine]\nratio = 3/2\ncylinders = 4\n" ORDER(            \
        "crank 0.5", "0.03303", "5759", "2", "327") ORDER("crank 1", "0.189", "5759", "2", "71")   \
        ORDER("crank 1.5", "0.03688", "5759", "2", "212")                                          \
            ORDER("crank 2", "0.4013", "5759", "1", "8")                                           \
                ORDER("crank 4", "0.1429", "5759", "1", "147")                                     \
                    ORDER("crank 6", "0.01668", "5759", "2", "274")                                \
                        ORDER("prop 1", "0.239", "5759", "1", "0")                                 \
                            ORDER("prop 4", "0.2445", "5759", "2", "306")                          \
                                ORDER("prop 8", "0.02642", "5759", "2", "236")                     \
                                    MODES("32.5", "0.158", "102.7", "0.044")                       \
                                        AXIS("x", "0.210", "0.090", "0.071", "2.43e-05")           \
                                            AXIS("y", "0.291", "0.075", "0.037", "1.86e-05")       \
                                                AXIS("z", "0.286", "0.103", "0.036",               \
                                                     "1.34e-05") "mean = 1 g\n"

static void test_gates__one_shaft_has_no_quarter_orders(void **state)
{
    (void)state;
    sm_powertrain direct = sim_powertrain(MACHINE("4", "4", "1700", "5759"));
    sim_run r = sim_make(HOLD_3_2, 14);
    sm_estimate_options opt = sm_estimate_options_default(&direct, NAN, NAN);
    found f = find(&r, &direct, &opt, "3/2 held, told as direct");
    assert_true(f.confidence == 0);
    assert_non_null(strstr(f.r.reason, "quarter orders"));
    assert_non_null(strstr(f.r.reason, "give its ratio under [gearbox]"));
    sm_estimate_result_free(&f.r);
    sm_powertrain geared =
        sim_powertrain(MACHINE("4", "4", "1700", "5759") "[gearbox]\nratio = 3/2\n");
    f = find(&r, &geared, &opt, "3/2 held, told so");
    assert_true(f.rms < 0.005 && f.wrong == 0 && f.confidence > 0.9);
    sm_estimate_result_free(&f.r);
    sim_free(&r);
}

/* A run of 20 s built by hand: the path goes from one speed to twice that, over a few frames that
 * are not believed. Speeds fit as the table says; all others fit as noise does. */
enum { FRAMES = 200, LAST_OF_A = 99, FIRST_OF_B = 103, STATES = 700 };

typedef struct jump {
    sm_peak_map m;
    sm_peak_frame frames[FRAMES];
    sm_speed_grid g;
    float fit[FRAMES * STATES];
    sm_speed_path path;
    double hz[FRAMES];
    unsigned char accepted[FRAMES];
} jump;

static bool is_near(double hz, double other)
{
    return fabs(log(hz / other)) < 0.05;
}

/* fit[part][speed]: before, across and behind the jump; at 30 and at 60 Hz. */
static bool settle(jump *j, const float fit[3][2])
{
    *j = (jump){.g = {.n_states = STATES, .n_frames = FRAMES, .hz_lo = 10, .step = 0.004}};
    j->m = (sm_peak_map){.frames = j->frames, .n_frames = FRAMES};
    j->g.fit = j->fit;
    j->path.hz = j->hz;
    for (size_t t = 0; t < FRAMES; t++) {
        size_t part = t <= LAST_OF_A ? 0 : t < FIRST_OF_B ? 1 : 2;
        j->frames[t] = (sm_peak_frame){.t_s = 0.1 * (double)t, .starts = t == 0};
        j->hz[t] = t < FIRST_OF_B ? 30 : 60;
        j->accepted[t] = part != 1;
        for (size_t s = 0; s < STATES; s++) {
            double hz = sm_speed_grid_hz(&j->g, (double)s);
            j->fit[t * STATES + s] = is_near(hz, 30)   ? fit[part][0]
                                     : is_near(hz, 60) ? fit[part][1]
                                                       : -3;
        }
    }
    return sm_speed_settle_jumps(&j->g, &j->m, &j->path, j->accepted);
}

static void assert_believed(const jump *j, bool before, bool behind)
{
    for (size_t t = 0; t < FRAMES; t++) {
        assert_int_equal(j->accepted[t], t <= LAST_OF_A ? before : t >= FIRST_OF_B && behind);
    }
}

static void test_jumps__one_side_is_wrong_where_lines_run_on(void **state)
{
    (void)state;
    jump *j = sm_alloc_array(1, sizeof *j);
    assert_non_null(j);
    /* clear per frame: 20 against 10; not clear: 12 or 13 against 10 */
    assert_true(settle(j, (const float[3][2]){{20, 10}, {20, 10}, {10, 12}}));
    assert_believed(j, true, false);
    assert_true(settle(j, (const float[3][2]){{12, 10}, {10, 20}, {10, 20}}));
    assert_believed(j, false, true);
    /* the better side is not clear; both are */
    assert_false(settle(j, (const float[3][2]){{13, 10}, {12, 12}, {10, 10}}));
    assert_false(settle(j, (const float[3][2]){{20, 10}, {20, 20}, {10, 20}}));
    /* no line runs on: the speed may really have changed while nothing was seen */
    assert_true(settle(j, (const float[3][2]){{12, 10}, {-3, -3}, {10, 12}}));
    assert_believed(j, true, true);
    sm_free(j);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_gates__a_path_that_slides_over),
        cmocka_unit_test(test_gates__a_speed_out_of_range),
        cmocka_unit_test(test_gates__one_shaft_has_no_quarter_orders),
        cmocka_unit_test(test_gates__one_shaft_explains_nearly_all_of_its_lines),
        cmocka_unit_test(test_jumps__one_side_is_wrong_where_lines_run_on),
    };
    return cmocka_run_group_tests_name("gates", tests, NULL, NULL);
}
