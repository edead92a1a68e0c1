/* Resonances from order cuts: closed-form cuts, and the shipped sample whose modes are known. */
#include "core/alloc.h"
#include "core/util.h"
#include "sm_test.h"
#include "stillmount/resonance.h"
#include "stillmount/run.h"

#include <complex.h>
#include <string.h>

enum { BANDS = 19, CELLS = 8, ORDERS = 2 };

/* A survey result filled by hand: power of each order in each 25-rpm cell. */
typedef struct fake {
    sm_survey_result r;
    sm_channel_stat channel;
    sm_band bands[BANDS];
    sm_band_channel channels[BANDS];
    float p[BANDS][ORDERS * CELLS];
    float n[BANDS][ORDERS * CELLS];
    sm_sweep_cell sweep[BANDS][ORDERS * CELLS * 2];
    double psd[BANDS][256];
    sm_track_plan plans[ORDERS];
    sm_order_table orders;
} fake;

static double mode_power(double hz, double fn, double zeta, double direct)
{
    double r = hz / fn;
    double complex h = -r * r / (1 - r * r + 2 * zeta * r * (double complex)I);
    return hz * hz * hz * hz * cabs(h + direct) * cabs(h + direct) * 1e-6;
}

static void fill(fake *f, double fn, double zeta, double direct, int n_with_mode)
{
    static const double orders[ORDERS] = {1, 2};
    memset(f, 0, sizeof *f);
    f->orders.n = ORDERS;
    for (int o = 0; o < ORDERS; o++) {
        f->orders.items[o].order = orders[o];
        f->plans[o] = (sm_track_plan){16, 1, -1};
    }
    (void)snprintf(f->channel.info.place, sizeof f->channel.info.place, "mount");
    f->r = (sm_survey_result){.rate_hz = 510,
                              .n_frame = 510,
                              .bin_hz = 1,
                              .n_bins = 256,
                              .frame_s = 1,
                              .n_channels = 1,
                              .channels = &f->channel,
                              .n_bands = BANDS,
                              .bands = f->bands,
                              .plans = f->plans};
    for (size_t b = 0; b < BANDS; b++) {
        f->bands[b] = (sm_band){.rpm_lo = 1800 + 200.0 * (double)b,
                                .rpm_hi = 2000 + 200.0 * (double)b,
                                .visited = true,
                                .n_cells = CELLS,
                                .n_frames = 20,
                                .channels = &f->channels[b]};
        f->channels[b] = (sm_band_channel){.n_frames = 20,
                                           .psd = f->psd[b],
                                           .order_cell_p = f->p[b],
                                           .order_cell_n = f->n[b],
                                           .sweep = f->sweep[b]};
        for (size_t o = 0; o < ORDERS; o++) {
            for (size_t c = 0; c < CELLS; c++) {
                double rpm = f->bands[b].rpm_lo + 25 * ((double)c + 0.5);
                double hz = orders[o] * rpm / 60;
                double p = (int)o < n_with_mode ? mode_power(hz, fn, zeta, direct)
                                                : hz * hz * hz * hz * 1e-6;
                f->p[b][o * CELLS + c] = (float)p;
                f->n[b][o * CELLS + c] = 1;
                f->sweep[b][2 * (o * CELLS + c)] = (sm_sweep_cell){1, (float)p, (float)rpm, 0};
            }
        }
    }
}

static size_t find(const fake *f, sm_resonance *found)
{
    size_t n = 0;
    assert_int_equal(sm_resonances_find(&f->r, &f->orders, 1 / 60.0, found, 4, &n), SM_OK);
    return n;
}

static void test_resonance__closed_form(void **state)
{
    (void)state;
    static fake f;
    static const struct {
        double hz;
        double zeta;
        double direct;
    } rows[] = {{70, 0.04, 0}, {70, 0.06, 0.7}, {75, 0.03, -0.4}, {72, 0.08, 0.3}};
    for (size_t i = 0; i < 4; i++) {
        sm_resonance found[4];
        fill(&f, rows[i].hz, rows[i].zeta, rows[i].direct, 2);
        size_t n = find(&f, found);
        if (n != 1) {
            (void)fprintf(stderr, "row %zu: %zu found\n", i, n);
        }
        assert_int_equal(n, 1);
        /* noise-free cells: what is left is the grid of 25 rpm and single precision */
        assert_close(found[0].hz, rows[i].hz, 0.003 * rows[i].hz, "frequency");
        assert_close(found[0].damping_ratio, rows[i].zeta, 0.05 * rows[i].zeta, "damping");
        assert_int_equal(found[0].n_orders, 2);
        for (size_t k = 0; k < 2; k++) {
            double order = f.orders.items[found[0].order[k]].order;
            assert_close(found[0].rpm_at[k], rows[i].hz * 60 / order, 30 / order, "rpm of order");
        }
    }
}

static void test_resonance__one_order_alone_is_not_enough(void **state)
{
    (void)state;
    static fake f;
    sm_resonance found[4];
    fill(&f, 70, 0.04, 0,
         1); /* a peak in order 1 only: a force that depends on rpm looks the same */
    assert_int_equal(find(&f, found), 0);
    fill(&f, 70, 0.04, 0, 0);
    assert_int_equal(find(&f, found), 0);
}

/* A plate on a shaker: one line, one pass, one channel. Nothing else passes there that could deny.
 */
static void test_resonance__the_only_cut_is_enough_when_plain(void **state)
{
    (void)state;
    static fake f;
    sm_resonance found[4];
    fill(&f, 70, 0.04, 0, 1);
    f.orders.n = 1;
    assert_int_equal(find(&f, found), 1);
    assert_close(found[0].hz, 70, 0.3, "frequency: the grid of 25 rpm");
    assert_close(found[0].damping_ratio, 0.04, 0.002, "damping");
    assert_int_equal(found[0].n_orders, 1);
    f.channel.info.bandwidth_hz = 75; /* its filter would look the same */
    assert_int_equal(find(&f, found), 0);
}

static void test_resonance__sample_with_known_modes(void **state)
{
    (void)state;
    /* samples/trainer/scenario.ini: 31 Hz, damping 0.06, and 84 Hz, damping 0.04, about 35 rpm/s */
    sm_powertrain p;
    sm_error err = {0};
    assert_ok(sm_powertrain_read(SM_TEST_SOURCE "/samples/trainer/powertrain.ini", &p, &err), &err);
    sm_run_options opt = sm_run_options_default();
    opt.powertrain = &p;
    opt.channels_path = SM_TEST_SOURCE "/samples/trainer/channels.ini";
    sm_run *run = NULL;
    assert_ok(sm_run_survey(SM_TEST_SOURCE "/samples/trainer/run.csv", &opt, &run, &err), &err);
    sm_resonance found[SM_MAX_RESONANCES];
    size_t n = 0;
    assert_int_equal(sm_resonances_find(sm_run_survey_result(run), sm_run_orders(run), 1 / 60.0,
                                        found, SM_MAX_RESONANCES, &n),
                     SM_OK);
    bool rock = false;
    bool shelf = false;
    for (size_t i = 0; i < n; i++) {
        bool near_rock = fabs(found[i].hz / 31 - 1) < 0.015;
        bool near_shelf = fabs(found[i].hz / 84 - 1) < 0.015;
        rock |= near_rock && fabs(found[i].damping_ratio / 0.06 - 1) < 0.25;
        shelf |= near_shelf && fabs(found[i].damping_ratio / 0.04 - 1) < 0.25;
        assert_true(near_rock || near_shelf); /* and nothing that is not there */
    }
    assert_true(rock && shelf);
    sm_run_close(&run);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_resonance__closed_form),
        cmocka_unit_test(test_resonance__one_order_alone_is_not_enough),
        cmocka_unit_test(test_resonance__the_only_cut_is_enough_when_plain),
        cmocka_unit_test(test_resonance__sample_with_known_modes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
