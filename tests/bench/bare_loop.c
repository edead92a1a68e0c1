/*
 * What no program can do without: read the file, turn the numbers into doubles, run the transforms
 * of overlapping one-second Hann frames of six channels, add up the power. One thread, no checks,
 * no angle, no orders, no hash. bare_loop FILE [strtod]
 */
#include <fftw3.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { COLUMNS = 8, AXES = 6, N = 3200, BUFFER = 1 << 18 };

static const double POWERS[] = {1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12};

/* Digits with a point: exact, because mantissa and power are. */
static double parse(const char **p)
{
    const char *s = *p;
    int negative = *s == '-';
    s += negative;
    long long mantissa = 0;
    int decimals = 0;
    for (; *s >= '0' && *s <= '9'; s++) {
        mantissa = mantissa * 10 + (*s - '0');
    }
    if (*s == '.') {
        for (s++; *s >= '0' && *s <= '9'; s++, decimals++) {
            mantissa = mantissa * 10 + (*s - '0');
        }
    }
    *p = s;
    double v = (double)mantissa / POWERS[decimals];
    return negative ? -v : v;
}

static double window[N];
static double ring[AXES][N];
static double power[AXES][N / 2 + 1];

static void transform(fftw_plan plan, double *in, fftw_complex *out)
{
    for (int a = 0; a < AXES; a++) {
        double mean = 0;
        for (int i = 0; i < N; i++) {
            mean += ring[a][i] / N;
        }
        for (int i = 0; i < N; i++) {
            in[i] = (ring[a][i] - mean) * window[i];
        }
        fftw_execute(plan);
        for (int k = 0; k <= N / 2; k++) {
            power[a][k] += out[k][0] * out[k][0] + out[k][1] * out[k][1];
        }
        memmove(ring[a], ring[a] + N / 2, N / 2 * sizeof(double));
    }
}

int main(int argc, char **argv)
{
    static char buffer[BUFFER + 1];
    FILE *f = argc > 1 ? fopen(argv[1], "rb") : NULL;
    int slow = argc > 2;
    if (!f) {
        (void)fputs("usage: bare_loop FILE [strtod]\n", stderr);
        return 2;
    }
    double *in = fftw_alloc_real(N);
    fftw_complex *out = fftw_alloc_complex(N / 2 + 1);
    fftw_plan plan = fftw_plan_dft_r2c_1d(N, in, out, FFTW_ESTIMATE);
    for (int i = 0; i < N; i++) {
        window[i] = 0.5 - 0.5 * cos(2 * acos(-1.0) * i / N);
    }
    size_t have = 0, got = 0;
    int fill = 0, header = 1;
    while ((got = fread(buffer + have, 1, BUFFER - have, f)) > 0) {
        have += got;
        buffer[have] = '\0';
        const char *p = buffer;
        const char *end = NULL;
        while ((end = memchr(p, '\n', have - (size_t)(p - buffer))) != NULL) {
            for (int c = 0; c < COLUMNS && !header; c++) {
                char *next = NULL;
                double v = slow ? strtod(p, &next) : parse(&p);
                p = (slow ? next : p) + 1;
                if (c > 0 && c <= AXES) {
                    ring[c - 1][fill] = v;
                }
            }
            fill += !header;
            header = 0;
            p = end + 1;
            if (fill == N) {
                transform(plan, in, out);
                fill = N / 2;
            }
        }
        have -= (size_t)(p - buffer);
        memmove(buffer, p, have);
    }
    double sum = 0;
    for (int a = 0; a < AXES; a++) {
        for (int k = 0; k <= N / 2; k++) {
            sum += power[a][k];
        }
    }
    (void)printf("%.17g\n", sum);
    (void)fclose(f);
    return 0;
}
