/* Result documents as text for people, 80 columns wide. */
#ifndef STILLMOUNT_WORDS_H
#define STILLMOUNT_WORDS_H

#include "stillmount/json.h"

/**
 * An assessment: verdict and what it covers first, then the tightest margins with their causes, the
 * bands with the margin as a bar, findings, cautions.
 * root  in  document stillmount/assessment/1
 */
SM_API void sm_words_assessment(const sm_json *root, sm_text *out);

/**
 * What was recorded and has no answer: appends a line such as "shake, mount.accel.x, 2400-2600 rpm:
 * reason". Results of one limit and one reason make one line.
 * root  in  document stillmount/assessment/1
 * i     in  which line, from 0
 * False, and nothing appended, when there are no more.
 */
SM_API bool sm_words_open(const sm_json *root, size_t i, sm_text *out);
/** The same for limits and reasons that leave a required band without an answer. */
SM_API bool sm_words_open_required(const sm_json *root, size_t i, sm_text *out);

/**
 * Why places of a ranking are not independent: appends the sentence that belongs to pair i, one for
 * all places of which every pair shares the same.
 * root  in  document stillmount/ranking/1
 * False, and nothing appended, where an earlier pair's sentence says it, or past the end.
 */
SM_API bool sm_words_shared(const sm_json *root, size_t i, sm_text *out);
/** What such a sentence does not mean; NULL where there is none. */
SM_API const char *sm_words_shared_means(const sm_json *root);
/** Of a document stillmount/comparison/1: a better whole while something may be louder. */
SM_API bool sm_words_may_be_louder(const sm_json *root);
/** What stands behind "2.9 dB behind the first: ", of one of the places. */
SM_API const char *sm_words_behind(const sm_json *place);
/**
 * How far runs stray and by how much two places may differ by chance: appends one or two sentences.
 */
SM_API void sm_words_spread(const sm_json *root, sm_text *out);

/** Appends s wrapped at 80 columns; `column` is where it starts, `indent` where lines continue. */
SM_API void sm_words_wrap(sm_text *out, size_t column, size_t indent, const char *s);

/** The line of caution that ends every result. */
SM_API const char *sm_words_caution(void);

#endif
