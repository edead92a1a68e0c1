/* The only place that calls the C library's allocator. Zeroed memory, checked products. */
#ifndef SM_CORE_ALLOC_H
#define SM_CORE_ALLOC_H

#include "stillmount/status.h"

/* n objects of size bytes, zeroed; NULL on failure, on overflow and when the test hook says so. */
SM_NODISCARD void *sm_alloc_array(size_t n, size_t size);
/* Grows or shrinks; new memory is not zeroed. On failure p is untouched and NULL comes back. */
SM_NODISCARD void *sm_realloc_array(void *p, size_t n, size_t size);
SM_NODISCARD char *sm_alloc_text(const char *s);
SM_NODISCARD char *sm_alloc_text_n(const char *s, size_t n);
void sm_free(void *p);

/*
 * Room for one more element: doubles *capacity when n == *capacity.
 * Returns the (possibly moved) array or NULL, in which case the old one is still valid.
 */
SM_NODISCARD void *sm_grow(void *p, size_t n, size_t *capacity, size_t size);

/* Test hook: the k-th allocation from now fails (1 = the next one); 0 = never. */
SM_API void sm_alloc_fail_at(long k);
/* Test hook: allocations since sm_alloc_fail_at was last called. */
SM_API long sm_alloc_count(void);

#endif
