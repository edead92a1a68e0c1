/*
 * The log that scripts/bench measures with: six axes at 3200 Hz and an rpm column, a geared four
 * with three blades that goes from 1800 to 5600 rpm and back every two minutes. make_log MINUTES >
 * FILE A generator of its own, so that the measurement does not lean on what it measures.
 */
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

enum { AXES = 6, ORDERS = 8, RATE_HZ = 3200 };

static double noise(uint64_t *state)
{
    double sum = 0;
    for (int i = 0; i < 4; i++) { /* four uniform numbers: near enough to normal */
        *state = *state * 6364136223846793005U + 1442695040888963407U;
        sum += (double)(*state >> 40) / (1 << 24) - 0.5;
    }
    return sum * sqrt(3.0);
}

/* 1800 to 5600 rpm in 60 s and back. */
static double rpm_at(double t_s)
{
    double phase = fmod(t_s, 120.0);
    return 1800 + 3800 * (phase < 60 ? phase : 120 - phase) / 60;
}

int main(int argc, char **argv)
{
    static const double orders[ORDERS] = {0.5,       1,         2,         4,
                                          21.0 / 51, 42.0 / 51, 63.0 / 51, 126.0 / 51};
    static const double accel_g[ORDERS] = {0.01, 0.03, 0.12, 0.03, 0.04, 0.01, 0.06, 0.02};
    const double pi = acos(-1.0);
    double minutes = argc > 1 ? strtod(argv[1], NULL) : 0;
    if (!(minutes > 0)) {
        (void)fputs("usage: make_log MINUTES\n", stderr);
        return 2;
    }
    uint64_t n_rows = (uint64_t)(minutes * 60 * RATE_HZ);
    uint64_t state = 20261125;
    double turns = 0;
    (void)puts("time_s,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps,rpm");
    for (uint64_t i = 0; i < n_rows; i++) {
        double t_s = (double)i / RATE_HZ;
        double rpm = rpm_at(t_s);
        double x[AXES] = {0, 0, 1, 0.1, -0.2, 0.05};
        turns += rpm / 60 / RATE_HZ;
        for (int o = 0; o < ORDERS; o++) {
            double angle = 2 * pi * orders[o] * turns;
            double size = accel_g[o] * rpm / 3000;
            for (int a = 0; a < AXES; a++) {
                x[a] += size * (a < 3 ? 1 : 8) * sin(angle + a + o) / (1 + 0.3 * a);
            }
        }
        (void)printf("%.6f", t_s);
        for (int a = 0; a < AXES; a++) {
            (void)printf(",%.*f", a < 3 ? 5 : 4, x[a] + noise(&state) * (a < 3 ? 0.03 : 0.4));
        }
        (void)printf(",%.2f\n", rpm);
    }
    return ferror(stdout) || fclose(stdout) ? 2 : 0;
}
