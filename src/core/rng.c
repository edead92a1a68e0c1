/* Seeded random numbers. */
#include "stillmount/stats.h"

#include <math.h>

static uint64_t rotl(uint64_t x, int k)
{
    return (x << k) | (x >> (64 - k));
}

sm_rng sm_rng_seed(uint64_t seed)
{
    sm_rng r = {{0}, 0, 0};
    for (int i = 0; i < 4; i++) {
        seed += UINT64_C(0x9e3779b97f4a7c15);
        uint64_t z = seed;
        z = (z ^ (z >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
        z = (z ^ (z >> 27)) * UINT64_C(0x94d049bb133111eb);
        r.s[i] = z ^ (z >> 31);
    }
    return r;
}

uint64_t sm_rng_next(sm_rng *r)
{
    uint64_t *s = r->s;
    uint64_t result = rotl(s[0] + s[3], 23) + s[0];
    uint64_t t = s[1] << 17;
    s[2] ^= s[0];
    s[3] ^= s[1];
    s[1] ^= s[2];
    s[0] ^= s[3];
    s[2] ^= t;
    s[3] = rotl(s[3], 45);
    return result;
}

double sm_rng_uniform(sm_rng *r)
{
    return (double)(sm_rng_next(r) >> 11) * 0x1.0p-53;
}

double sm_rng_normal(sm_rng *r)
{
    if (r->has_spare) {
        r->has_spare = 0;
        return r->spare;
    }
    double u;
    double v;
    double q;
    do {
        u = 2 * sm_rng_uniform(r) - 1;
        v = 2 * sm_rng_uniform(r) - 1;
        q = u * u + v * v;
    } while (q >= 1 || q == 0);
    double f = sqrt(-2 * log(q) / q);
    r->spare = v * f;
    r->has_spare = 1;
    return u * f;
}
