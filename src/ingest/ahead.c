/* A ring of fetched rows between two threads. */
#include "ingest/ahead.h"

#include "core/alloc.h"

#include <pthread.h>

/* Whoever has to wait waits for enough at once: to wake a thread takes long. */
enum { SLOTS = 6, ENOUGH = SLOTS / 2 };

typedef struct slot {
    sm_rows rows;
    sm_status status;
    sm_error error;
} slot;

struct sm_ahead {
    pthread_mutex_t lock;
    pthread_cond_t changed;
    pthread_t thread;
    bool started;
    bool stop;
    bool ended;
    size_t fetched;
    size_t taken;
    slot slots[SLOTS];
    sm_ahead_fn fetch;
    void *self;
};

static void *work(void *self)
{
    sm_ahead *a = self;
    for (bool more = true; more;) {
        (void)pthread_mutex_lock(&a->lock);
        if (a->fetched - a->taken == SLOTS) {
            while (a->fetched - a->taken > ENOUGH && !a->stop) {
                (void)pthread_cond_wait(&a->changed, &a->lock);
            }
        }
        bool stop = a->stop;
        (void)pthread_mutex_unlock(&a->lock);
        if (stop) {
            break;
        }
        slot *s = &a->slots[a->fetched % SLOTS]; /* nobody else touches it before it counts */
        s->status = a->fetch(a->self, &s->rows, &s->error);
        more = s->status == SM_OK && s->rows.n > 0;
        (void)pthread_mutex_lock(&a->lock);
        a->fetched++;
        a->ended = !more;
        if (!more || a->fetched - a->taken >= ENOUGH) {
            (void)pthread_cond_signal(&a->changed);
        }
        (void)pthread_mutex_unlock(&a->lock);
    }
    return NULL;
}

sm_status sm_ahead_open(sm_ahead_fn fetch, void *self, size_t n_channels, sm_ahead **out)
{
    sm_ahead *a = sm_alloc_array(1, sizeof *a);
    if (!a) {
        return SM_E_NOMEM;
    }
    (void)pthread_mutex_init(&a->lock, NULL);
    (void)pthread_cond_init(&a->changed, NULL);
    a->fetch = fetch;
    a->self = self;
    bool good = true;
    for (size_t i = 0; i < SLOTS && good; i++) {
        good = sm_rows_open(&a->slots[i].rows, n_channels) == SM_OK;
    }
    a->started = good && pthread_create(&a->thread, NULL, work, a) == 0;
    if (!a->started) {
        sm_ahead_close(&a);
        return SM_E_NOMEM;
    }
    *out = a;
    return SM_OK;
}

sm_status sm_ahead_next(sm_ahead *a, sm_rows *rows, sm_error *err)
{
    (void)pthread_mutex_lock(&a->lock);
    if (a->fetched == a->taken) {
        while (a->fetched - a->taken < ENOUGH && !a->ended) {
            (void)pthread_cond_wait(&a->changed, &a->lock);
        }
    }
    (void)pthread_mutex_unlock(&a->lock);
    slot *s = &a->slots[a->taken % SLOTS];
    sm_rows swap = *rows;
    *rows = s->rows;
    s->rows = swap;
    sm_status st = s->status;
    if (st != SM_OK && err) {
        *err = s->error;
    }
    (void)pthread_mutex_lock(&a->lock);
    a->taken++;
    if (a->fetched - a->taken <= ENOUGH) {
        (void)pthread_cond_signal(&a->changed);
    }
    (void)pthread_mutex_unlock(&a->lock);
    return st;
}

void sm_ahead_close(sm_ahead **ahead)
{
    sm_ahead *a = *ahead;
    if (!a) {
        return;
    }
    if (a->started) {
        (void)pthread_mutex_lock(&a->lock);
        a->stop = true;
        (void)pthread_cond_signal(&a->changed);
        (void)pthread_mutex_unlock(&a->lock);
        (void)pthread_join(a->thread, NULL);
    }
    for (size_t i = 0; i < SLOTS; i++) {
        sm_rows_close(&a->slots[i].rows);
    }
    (void)pthread_mutex_destroy(&a->lock);
    (void)pthread_cond_destroy(&a->changed);
    sm_free(a);
    *ahead = NULL;
}
