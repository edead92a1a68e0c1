/* Gates of the speed estimate, each with a run that passes all others: without the gate it is
 * wrong. The engines were drawn at random; strengths are invented. */
#include "sim_speed.h"

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

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_gates__a_path_that_slides_over),
        cmocka_unit_test(test_gates__a_speed_out_of_range),
        cmocka_unit_test(test_gates__one_shaft_explains_nearly_all_of_its_lines),
    };
    return cmocka_run_group_tests_name("gates", tests, NULL, NULL);
}
