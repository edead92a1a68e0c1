/* The only file that knows FFTW: another transform library would take its place here. */
#include "core/alloc.h"
#include "stillmount/spectrum.h"

#include <fftw3.h>
#include <pthread.h>

struct sm_fft {
    fftw_plan plan;
    size_t n;
};

static pthread_mutex_t own_lock = PTHREAD_MUTEX_INITIALIZER;
static void (*user_lock)(void);
static void (*user_unlock)(void);

void sm_fft_planner_lock(void (*lock)(void), void (*unlock)(void))
{
    user_lock = lock;
    user_unlock = unlock;
}

static void planner_enter(void)
{
    if (user_lock) {
        user_lock();
    } else {
        (void)pthread_mutex_lock(&own_lock);
    }
}

static void planner_leave(void)
{
    if (user_unlock) {
        user_unlock();
    } else {
        (void)pthread_mutex_unlock(&own_lock);
    }
}

double *sm_fft_buffer(size_t n)
{
    double *p = fftw_alloc_real(n ? n : 1);
    for (size_t i = 0; p && i < n; i++) {
        p[i] = 0;
    }
    return p;
}

void sm_fft_buffer_free(double *buffer)
{
    fftw_free(buffer);
}

sm_status sm_fft_open(size_t n, sm_fft **out, sm_error *err)
{
    if (n < 2 || n % 2 || n > (size_t)1 << 24) {
        return sm_error_set(err, SM_E_ARG, NULL, 0, "a transform needs an even length");
    }
    sm_status st = SM_OK;
    sm_fft *f = sm_alloc_array(1, sizeof *f);
    double *x = sm_fft_buffer(n);
    double *spectrum = sm_fft_buffer(n + 2);
    if (f && x && spectrum) {
        f->n = n;
        planner_enter();
        f->plan = fftw_plan_dft_r2c_1d((int)n, x, (fftw_complex *)(void *)spectrum,
                                       FFTW_ESTIMATE | FFTW_PRESERVE_INPUT);
        planner_leave();
    }
    if (!f || !f->plan) {
        st = sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
        sm_free(f);
    } else {
        *out = f;
    }
    sm_fft_buffer_free(x);
    sm_fft_buffer_free(spectrum);
    return st;
}

void sm_fft_close(sm_fft **f)
{
    if (*f) {
        planner_enter();
        fftw_destroy_plan((*f)->plan);
        planner_leave();
        sm_free(*f);
        *f = NULL;
    }
}

void sm_fft_forward(const sm_fft *f, const double *x, double *spectrum)
{
    union {
        const double *in;
        double *as_fftw_wants; /* the plan preserves its input */
    } u = {.in = x};
    fftw_execute_dft_r2c(f->plan, u.as_fftw_wants, (fftw_complex *)(void *)spectrum);
}
