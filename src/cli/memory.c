/* First use of memory. On virtual machines every page costs 10 to 20 us when it is touched for the
 * first time, a tenth of a short run; pages of 2 MiB cost hardly anything. */
#define _DEFAULT_SOURCE /* NOLINT: madvise() */
#include "cli/memory.h"

#include <stdlib.h> /* says which C library it is */

#if defined(__linux__) && defined(__GLIBC__)
#include <malloc.h>
#include <stdint.h>
#include <sys/mman.h>

enum { HUGE_PAGE = 2 << 20, HEAP = 32 << 20 };

void sm_cli_prepare_memory(void)
{
    /* All threads share one heap, and what it was given stays with it. */
    if (!mallopt(M_ARENA_MAX, 1) || !mallopt(M_MMAP_THRESHOLD, HEAP) ||
        !mallopt(M_TRIM_THRESHOLD, INT32_MAX)) {
        return;
    }
    char *p = malloc(HEAP - HUGE_PAGE);
    if (!p) {
        return;
    }
    char *from = p + (HUGE_PAGE - (uintptr_t)p % HUGE_PAGE);
    size_t n = (size_t)(p + (HEAP - HUGE_PAGE) - from);
    /* A wish: a kernel without such pages goes on with small ones. */
    (void)madvise(from, n - n % HUGE_PAGE, MADV_HUGEPAGE);
    free(p);
}
#else
void sm_cli_prepare_memory(void)
{
}
#endif
