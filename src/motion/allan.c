/* Allan deviation of gyro angle (or any phase): IEEE Std 952 and 1554, NIST SP 1065 (Riley 2008).
 */
#include "stillmount/motion.h"

#include <math.h>

static double deviation(const double *phase, size_t n, size_t m, size_t stride, double tau0_s)
{
    if (m < 1 || n / 2 < m || n < 2 * m + 1) {
        return NAN;
    }
    /* Squares of second differences are all positive: a plain sum loses at most n * 1e-16. */
    double sum = 0;
    size_t count = 0;
    for (size_t i = 0; i + 2 * m < n; i += stride) {
        double d = phase[i + 2 * m] - 2 * phase[i + m] + phase[i];
        sum += d * d;
        count++;
    }
    double tau_s = (double)m * tau0_s;
    return sqrt(sum / (2 * tau_s * tau_s * (double)count));
}

double sm_allan_overlapping(const double *phase, size_t n, size_t m, double tau0_s)
{
    return deviation(phase, n, m, 1, tau0_s);
}

double sm_allan_plain(const double *phase, size_t n, size_t m, double tau0_s)
{
    return deviation(phase, n, m, m, tau0_s);
}

size_t sm_allan_factors(size_t n_rates, size_t *m, size_t capacity)
{
    static const size_t leads[3] = {1, 2, 5};
    size_t limit = n_rates / 5;
    size_t power = 1;  /* next power of two */
    size_t decade = 1; /* next of 1-2-5 */
    size_t i_lead = 0;
    size_t n = 0;
    while (n < capacity) {
        size_t round = leads[i_lead] * decade;
        size_t next = power < round ? power : round;
        if (next > limit) {
            break;
        }
        m[n++] = next;
        power *= next == power ? 2 : 1;
        if (next == round) {
            i_lead = (i_lead + 1) % 3;
            decade *= i_lead == 0 ? 10 : 1;
        }
    }
    return n;
}
