/* Allocation with checked products and a hook that makes the k-th request fail. */
#include "core/alloc.h"

#include <stdatomic.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

static atomic_long n_requests;
static atomic_long fail_at;

void sm_alloc_fail_at(long k)
{
    atomic_store(&n_requests, 0);
    atomic_store(&fail_at, k);
}

long sm_alloc_count(void)
{
    return atomic_load(&n_requests);
}

static int refuse(void)
{
    long k = atomic_load_explicit(&fail_at, memory_order_relaxed);
    long n = atomic_fetch_add_explicit(&n_requests, 1, memory_order_relaxed) + 1;
    return k > 0 && n == k;
}

void *sm_alloc_array(size_t n, size_t size)
{
    if (size && n > SIZE_MAX / size) {
        return NULL;
    }
    if (refuse()) {
        return NULL;
    }
    size_t bytes = n * size;
    return calloc(1, bytes ? bytes : 1);
}

void *sm_realloc_array(void *p, size_t n, size_t size)
{
    if (size && n > SIZE_MAX / size) {
        return NULL;
    }
    if (refuse()) {
        return NULL;
    }
    size_t bytes = n * size;
    return realloc(p, bytes ? bytes : 1);
}

char *sm_alloc_text_n(const char *s, size_t n)
{
    char *copy = sm_alloc_array(n + 1, 1);
    if (copy) {
        memcpy(copy, s, n);
    }
    return copy;
}

char *sm_alloc_text(const char *s)
{
    return sm_alloc_text_n(s, strlen(s));
}

void sm_free(void *p)
{
    free(p);
}

void *sm_grow(void *p, size_t n, size_t *capacity, size_t size)
{
    if (n < *capacity) {
        return p;
    }
    size_t wanted = *capacity ? *capacity * 2 : 8;
    void *q = sm_realloc_array(p, wanted, size);
    if (q) {
        *capacity = wanted;
    }
    return q;
}
