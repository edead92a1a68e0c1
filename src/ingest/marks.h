/* Places of single bytes in a piece of text, for processors that look at 32 of them at a time. */
#ifndef SM_INGEST_MARKS_H
#define SM_INGEST_MARKS_H

#if defined(__x86_64__) && defined(__GNUC__)
#include <immintrin.h>
#include <stddef.h>
#include <stdint.h>

#define SM_MARKS_WIDE __attribute__((target("avx2,bmi,bmi2,popcnt")))
#define SM_MARKS_INLINE static inline __attribute__((always_inline, target("avx2,bmi,bmi2,popcnt")))

/* The next `most` places of set bits, or what is behind the last, without asking how many. */
SM_MARKS_INLINE uint64_t sm_put_marks(uint64_t bits, size_t at, unsigned most, uint16_t *to)
{
    for (unsigned k = 0; k < most; k++) {
        to[k] = (uint16_t)(at + _tzcnt_u64(bits));
        bits = _blsr_u64(bits);
    }
    return bits;
}

/* All of them: usually more than few, seldom more than many, so that no guess goes wrong. */
SM_MARKS_INLINE unsigned sm_put_all_marks(uint64_t bits, size_t at, unsigned few, unsigned many,
                                          uint16_t *to)
{
    unsigned n = (unsigned)_mm_popcnt_u64(bits);
    bits = sm_put_marks(bits, at, few, to);
    if (n > few) {
        bits = sm_put_marks(bits, at, many - few, to + few);
        for (unsigned k = many; k < n; k++) {
            bits = sm_put_marks(bits, at, 1, to + k);
        }
    }
    return n;
}

#endif
#endif
