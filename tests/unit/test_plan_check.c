/* A log held against the plan: who does what the plan says finds every tick, and what is left out
 * is named. The traces are drawn from the plan's own steps. */
#include "sm_test.h"
#include "stillmount/plan.h"

#include <stdlib.h>
#include <string.h>

static const char POWERTRAIN[] = "[powertrain]\nname = t\n[engine]\ncycle = four-stroke\n"
                                 "cylinders = 4\n[propeller]\nblades = 2\n[operating]\nidle = 900\n"
                                 "max = 2700\navoid = 1500-1700\nfull_power_seconds = 20\n";
static const char BUDGET[] = "[budget]\nname = b\nsource = invented\nrpm = 900-2500 step 200\n"
                             "min_seconds = 3\n%s[limit shake]\nchannels = mount.accel.*\n"
                             "measure = rms\nhz = 5-100\nmax = 0.2 g\n";

typedef struct log_made {
    sm_powertrain p;
    sm_budget b;
    sm_channel channels[3];
    sm_ground_result ground;
    double *t_s;
    double *rpm;
    size_t n;
    double now_s;
} log_made;

static void add(log_made *m, double rpm, double seconds)
{
    for (int i = 0; i < (int)(10 * seconds + 0.5); i++) {
        m->t_s = realloc(m->t_s, (m->n + 1) * sizeof(double));
        m->rpm = realloc(m->rpm, (m->n + 1) * sizeof(double));
        assert_true(m->t_s && m->rpm);
        m->t_s[m->n] = m->now_s;
        m->rpm[m->n++] = rpm;
        m->now_s += 0.1;
    }
}

static void move(log_made *m, double from, double to)
{
    for (int i = 1; i < 40; i++) {
        add(m, from + (to - from) * i / 40.0, 0.1);
    }
}

static void release(log_made *m)
{
    free(m->t_s);
    free(m->rpm);
}

static void prepare(log_made *m, const char *more)
{
    char text[600];
    sm_error err = {0};
    *m = (log_made){.n = 0};
    (void)snprintf(text, sizeof text, BUDGET, more);
    assert_ok(sm_powertrain_parse(POWERTRAIN, sizeof POWERTRAIN - 1, "p", &m->p, &err), &err);
    assert_ok(sm_budget_parse(text, strlen(text), "b", &m->b, &err), &err);
    for (int a = 0; a < 3; a++) {
        sm_channel *c = &m->channels[a];
        *c = (sm_channel){.role = SM_ROLE_ACCEL,
                          .axis = a,
                          .range_si = 16 * 9.80665,
                          .bandwidth_hz = 150,
                          .unit = sm_unit_find("g")};
        (void)snprintf(c->place, sizeof c->place, "mount");
    }
    sm_ground_place *p = &m->ground.places[0];
    m->ground.n_places = 1;
    m->ground.n_off = 2;
    m->ground.off[0] = (sm_ground_stretch){0, 150};
    m->ground.off_s = 160;
    *p = (sm_ground_place){.ring_hz = NAN, .n_taps = {3, 3, 3}, .n_tilts = 2, .i_right_down = 1};
    (void)snprintf(p->place, sizeof p->place, "mount");
    p->tilts[0] = (sm_ground_tilt){.from_s = 100, .to_s = 111, .angle_rad = 0.1};
    p->tilts[1] = (sm_ground_tilt){.from_s = 120, .to_s = 131, .angle_rad = 0.1};
    p->axes = SM_AXES_PROVEN;
}

/* Does what the plan says; leaves out the holds in [skip_lo, skip_hi), and all falling ones if so
 * asked. */
static void follow(log_made *m, double skip_lo, double skip_hi, bool only_up)
{
    sm_json_doc *plan = NULL;
    sm_error err = {0};
    assert_int_equal(sm_json_open(&plan), SM_OK);
    assert_ok(sm_plan_make(&m->p, &m->b, plan, &err), &err);
    const sm_json *steps = sm_json_get(sm_json_root(plan), "steps");
    double at = 0;
    add(m, (double)NAN, 150);
    for (size_t i = 0; i < sm_json_size(steps); i++) {
        const sm_json *s = sm_json_at(steps, i);
        const char *kind = sm_json_string(sm_json_get(s, "kind"));
        const char *way = sm_json_string(sm_json_get(s, "direction"));
        double rpm = sm_json_number(sm_json_get(s, "rpm"));
        bool hold = strcmp(kind, "hold") == 0;
        bool skip = hold && ((rpm >= skip_lo && rpm < skip_hi) || (only_up && way[0] == 'd'));
        if (!(rpm > 0) || skip) {
            continue;
        }
        if (at > 0) {
            move(m, at, rpm);
        }
        add(m, rpm, sm_json_number(sm_json_get(s, "seconds")));
        at = rpm;
    }
    m->ground.off[1] = (sm_ground_stretch){m->now_s, m->now_s + 10};
    add(m, (double)NAN, 10);
    sm_json_close(&plan);
}

static sm_json_doc *hold_against(log_made *m, double rate_hz, const char *notes, bool *complete)
{
    sm_json_doc *doc = NULL;
    sm_error err = {0};
    assert_int_equal(sm_json_open(&doc), SM_OK);
    sm_plan_record r = {.channels = m->channels,
                        .n_channels = 3,
                        .rate_hz = rate_hz,
                        .trace_t_s = m->t_s,
                        .trace_rpm = m->rpm,
                        .n_trace = m->n,
                        .ground = &m->ground,
                        .notes = notes};
    assert_ok(sm_plan_check(&m->p, &m->b, &r, doc, sm_json_root(doc), complete, &err), &err);
    return doc;
}

/* How many items of a kind (NULL = any) are in a state. */
static int count(sm_json_doc *doc, const char *kind, const char *state)
{
    const sm_json *items = sm_json_get(sm_json_get(sm_json_root(doc), "plan"), "items");
    int n = 0;
    for (size_t i = 0; i < sm_json_size(items); i++) {
        const sm_json *o = sm_json_at(items, i);
        assert_true(sm_json_string(sm_json_get(o, "text"))[0] != '\0');
        n += (!kind || strcmp(sm_json_string(sm_json_get(o, "kind")), kind) == 0) &&
             strcmp(sm_json_string(sm_json_get(o, "state")), state) == 0;
    }
    return n;
}

static void test_check__plan_followed_is_complete(void **state)
{
    (void)state;
    log_made m;
    bool complete = false;
    prepare(&m, "min_passes = 2\n");
    follow(&m, 0, 0, false);
    sm_json_doc *doc = hold_against(&m, 400, "ignition check at 5:10", &complete);
    assert_true(complete);
    assert_int_equal(count(doc, NULL, "missing") + count(doc, NULL, "short"), 0);
    /* 900-2500 in steps of 200 are eight bands; 1500-1700 is avoided and no hold is asked for */
    assert_int_equal(count(doc, "hold", "done"), 14);
    sm_text text = {0};
    sm_plan_check_text(sm_json_get(sm_json_root(doc), "plan"), &text);
    assert_non_null(strstr(text.s, "rising holds: 7 of 7"));
    assert_null(strstr(text.s, "[ ]"));
    sm_text_free(&text);
    sm_json_close(&doc);
    doc = hold_against(&m, 400, "", &complete);
    assert_true(complete); /* an ignition check that nobody marked costs no verdict */
    assert_int_equal(count(doc, "ignition", "missing"), 1);
    sm_json_close(&doc);
    release(&m);
}

static void test_check__names_the_band_left_out(void **state)
{
    (void)state;
    log_made m;
    bool complete = true;
    prepare(&m, "");
    follow(&m, 1900, 2100, false);
    sm_json_doc *doc = hold_against(&m, 400, "", &complete);
    assert_false(complete);
    assert_int_equal(count(doc, "hold", "short"),
                     2); /* crossed in about two of the three seconds */
    sm_text text = {0};
    sm_plan_check_text(sm_json_get(sm_json_root(doc), "plan"), &text);
    assert_non_null(strstr(text.s, "still to hold: 2000 rpm 8 s"));
    assert_non_null(strstr(text.s, "Not complete"));
    sm_text_free(&text);
    sm_json_close(&doc);
    release(&m);
}

static void test_check__one_way_only(void **state)
{
    (void)state;
    for (int passes = 1; passes <= 2; passes++) {
        log_made m;
        bool complete = true;
        prepare(&m, passes == 2 ? "min_passes = 2\n" : "");
        follow(&m, 0, 0, true);
        sm_json_doc *doc = hold_against(&m, 400, "", &complete);
        assert_int_equal(complete, passes == 1); /* the budget decides */
        sm_json_close(&doc);
        release(&m);
    }
}

static void test_check__logger_ground_and_axes(void **state)
{
    (void)state;
    log_made m;
    bool complete = true;
    prepare(&m, "");
    follow(&m, 0, 0, false);
    sm_json_doc *doc = hold_against(&m, 240, "", &complete); /* 100 Hz need 250 (0.4 of the rate) */
    assert_false(complete);
    assert_int_equal(count(doc, "rate", "missing"), 1);
    sm_json_close(&doc);
    m.channels[1].bandwidth_hz = 0;
    m.channels[2].range_si = 0;
    m.ground.places[0].n_taps[2] = 1;
    m.ground.places[0].i_nose_up = -1;
    m.ground.off_s = 20;
    doc = hold_against(&m, 260, "", &complete);
    assert_true(complete);
    assert_int_equal(count(doc, "rate", "short"), 1); /* enough only with a known filter */
    assert_int_equal(count(doc, "filter", "short"), 1);
    assert_int_equal(count(doc, "sensor", "short"), 1);
    assert_int_equal(count(doc, "taps", "short"), 1);
    assert_int_equal(count(doc, "off", "short"), 1);
    assert_int_equal(count(doc, "tilt", "missing"), 1);
    sm_json_close(&doc);
    m.ground.places[0].axes = SM_AXES_CONTRADICTED;
    doc = hold_against(&m, 400, "", &complete);
    assert_false(complete);
    assert_int_equal(count(doc, "tilt", "contradicted"), 2);
    sm_json_close(&doc);
    release(&m);
}

/* A log without any speed and without anything else: everything is named, nothing crashes. */
static void test_check__empty_log_and_no_memory(void **state)
{
    (void)state;
    log_made m;
    bool complete = true;
    prepare(&m, "");
    m.ground = (sm_ground_result){.n_off = 0};
    m.channels[0].role = m.channels[1].role = m.channels[2].role = SM_ROLE_MAG;
    sm_json_doc *doc = hold_against(&m, 400, "", &complete);
    assert_false(complete);
    assert_int_equal(count(doc, "hold", "missing"), 14);
    assert_int_equal(count(doc, "sensor", "missing"), 1);
    assert_int_equal(count(doc, "off", "missing") + count(doc, "taps", "missing"), 2);
    sm_json_close(&doc);
    /* an order limit on a shaft that is not there: the plan itself cannot be made */
    m.b.limits[0].measure = SM_MEASURE_ORDER;
    (void)snprintf(m.b.limits[0].order_label, sizeof m.b.limits[0].order_label, "blower 1");
    sm_plan_record r = {.channels = m.channels, .ground = &m.ground, .notes = ""};
    sm_error err = {0};
    assert_int_equal(sm_json_open(&doc), SM_OK);
    assert_int_equal(sm_plan_check(&m.p, &m.b, &r, doc, sm_json_root(doc), &complete, &err),
                     SM_E_VALUE);
    sm_json_close(&doc);
    release(&m);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_check__plan_followed_is_complete),
        cmocka_unit_test(test_check__names_the_band_left_out),
        cmocka_unit_test(test_check__one_way_only),
        cmocka_unit_test(test_check__logger_ground_and_axes),
        cmocka_unit_test(test_check__empty_log_and_no_memory),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
