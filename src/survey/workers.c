/* A ring of copied blocks; every part reads all of them in order. */
#include "survey/workers.h"

#include "core/alloc.h"
#include "core/column.h"

#include <pthread.h>
#include <string.h>

enum { SLOTS = 8, ENOUGH = SLOTS / 2 };

typedef struct slot {
    bool is_mark;
    sm_mark mark;
    double t_s;
    sm_block block;
    double *data;     /* ((n_channels + 2) x SM_COLUMN_STEP) */
    const double **x; /* (n_channels) */
    double step_si[SM_MAX_CHANNELS];
} slot;

typedef struct worker {
    sm_workers *all;
    sm_part *part;
    pthread_t thread;
    bool started;
    size_t done; /* slots taken so far */
    sm_status status;
    sm_error error;
} worker;

struct sm_workers {
    pthread_mutex_t lock;
    pthread_cond_t changed;
    slot slots[SLOTS];
    size_t pushed;
    bool stop;
    size_t n_channels;
    worker *workers;
    size_t n;
};

static sm_status run_slot(worker *w, const slot *s)
{
    return s->is_mark ? sm_part_mark(w->part, s->mark, s->t_s, &w->error)
                      : sm_part_push(w->part, &s->block, s->step_si, &w->error);
}

static void *work(void *self)
{
    worker *w = self;
    sm_workers *all = w->all;
    (void)pthread_mutex_lock(&all->lock);
    for (;;) {
        while (w->done == all->pushed && !all->stop) {
            (void)pthread_cond_wait(&all->changed, &all->lock);
        }
        if (w->done == all->pushed) {
            break;
        }
        const slot *s = &all->slots[w->done % SLOTS];
        bool failed = w->status != SM_OK;
        (void)pthread_mutex_unlock(&all->lock);
        sm_status st = failed ? w->status : run_slot(w, s);
        (void)pthread_mutex_lock(&all->lock);
        w->status = st;
        w->done++;
        if (st != SM_OK || all->pushed - w->done <= ENOUGH) {
            (void)pthread_cond_broadcast(&all->changed);
        }
    }
    (void)pthread_mutex_unlock(&all->lock);
    return NULL;
}

sm_status sm_workers_open(sm_part *parts, size_t n_parts, size_t n_channels, sm_workers **out)
{
    sm_workers *w = sm_alloc_array(1, sizeof *w);
    if (!w) {
        return SM_E_NOMEM;
    }
    (void)pthread_mutex_init(&w->lock, NULL);
    (void)pthread_cond_init(&w->changed, NULL);
    w->n_channels = n_channels;
    w->workers = sm_alloc_array(n_parts, sizeof *w->workers);
    bool good = w->workers != NULL;
    for (size_t i = 0; i < SLOTS && good; i++) {
        w->slots[i].data = sm_alloc_array((n_channels + 2) * SM_COLUMN_STEP, sizeof(double));
        w->slots[i].x = sm_alloc_array(n_channels + 1, sizeof *w->slots[i].x);
        good = w->slots[i].data && w->slots[i].x;
    }
    for (size_t i = 0; i < n_parts && good; i++) {
        worker *k = &w->workers[i];
        k->all = w;
        k->part = &parts[i];
        k->started = pthread_create(&k->thread, NULL, work, k) == 0;
        good = k->started;
        w->n += good;
    }
    if (!good) {
        sm_workers_close(&w);
        return SM_E_NOMEM;
    }
    *out = w;
    return SM_OK;
}

/* With the lock held: waits for a free slot, tells of failures. */
static sm_status wait_for_room(sm_workers *w, sm_error *err)
{
    bool waited = false; /* then for enough at once: to wake a thread takes long */
    for (;;) {
        size_t slowest = w->pushed;
        for (size_t i = 0; i < w->n; i++) {
            if (w->workers[i].status != SM_OK) {
                if (err) {
                    *err = w->workers[i].error;
                }
                return w->workers[i].status;
            }
            slowest = w->workers[i].done < slowest ? w->workers[i].done : slowest;
        }
        if (w->pushed - slowest < (waited ? ENOUGH + 1 : SLOTS)) {
            return SM_OK;
        }
        waited = true;
        (void)pthread_cond_wait(&w->changed, &w->lock);
    }
}

static void copy_block(sm_workers *w, slot *s, const sm_block *b)
{
    size_t n = b->n_rows;
    for (size_t c = 0; c < w->n_channels; c++) {
        double *to = s->data + c * SM_COLUMN_STEP;
        memcpy(to, b->x[c], n * sizeof(double));
        s->x[c] = to;
    }
    double *theta = s->data + w->n_channels * SM_COLUMN_STEP;
    double *rpm = theta + SM_COLUMN_STEP;
    s->block = *b;
    s->block.x = s->x;
    if (b->theta_rev) {
        memcpy(theta, b->theta_rev, n * sizeof(double));
        s->block.theta_rev = theta;
    }
    if (b->rpm) {
        memcpy(rpm, b->rpm, n * sizeof(double));
        s->block.rpm = rpm;
    }
}

static sm_status submit(sm_workers *w, const sm_block *b, sm_mark m, double t_s, sm_error *err)
{
    (void)pthread_mutex_lock(&w->lock);
    sm_status st = wait_for_room(w, err);
    (void)pthread_mutex_unlock(&w->lock);
    if (st != SM_OK) {
        return st;
    }
    slot *s = &w->slots[w->pushed % SLOTS]; /* nobody reads it: only this thread pushes */
    s->is_mark = !b;
    s->mark = m;
    s->t_s = t_s;
    if (b) {
        copy_block(w, s, b);
        for (size_t i = 0; i < w->n; i++) {
            sm_part_steps(w->workers[i].part, s->step_si);
        }
    }
    (void)pthread_mutex_lock(&w->lock);
    w->pushed++;
    (void)pthread_cond_broadcast(&w->changed);
    (void)pthread_mutex_unlock(&w->lock);
    return SM_OK;
}

sm_status sm_workers_push(sm_workers *w, const sm_block *b, sm_error *err)
{
    return submit(w, b, SM_MARK_END, 0, err);
}

sm_status sm_workers_mark(sm_workers *w, sm_mark m, double t_s, sm_error *err)
{
    return submit(w, NULL, m, t_s, err);
}

sm_status sm_workers_join(sm_workers *w, sm_error *err)
{
    sm_status st = SM_OK;
    (void)pthread_mutex_lock(&w->lock);
    for (size_t i = 0; i < w->n; i++) {
        while (w->workers[i].done < w->pushed) {
            (void)pthread_cond_wait(&w->changed, &w->lock);
        }
        if (w->workers[i].status != SM_OK && st == SM_OK) {
            st = w->workers[i].status;
            if (err) {
                *err = w->workers[i].error;
            }
        }
    }
    (void)pthread_mutex_unlock(&w->lock);
    return st;
}

void sm_workers_close(sm_workers **workers)
{
    sm_workers *w = *workers;
    if (!w) {
        return;
    }
    (void)pthread_mutex_lock(&w->lock);
    w->stop = true;
    (void)pthread_cond_broadcast(&w->changed);
    (void)pthread_mutex_unlock(&w->lock);
    for (size_t i = 0; w->workers && i < w->n; i++) {
        (void)pthread_join(w->workers[i].thread, NULL);
    }
    for (size_t i = 0; i < SLOTS; i++) {
        sm_free(w->slots[i].data);
        sm_free((void *)w->slots[i].x);
    }
    sm_free(w->workers);
    (void)pthread_mutex_destroy(&w->lock);
    (void)pthread_cond_destroy(&w->changed);
    sm_free(w);
    *workers = NULL;
}
