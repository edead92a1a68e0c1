/* Text of compare, rank and isolator, rendered from their documents; at most 80 columns. */
#ifndef SM_CLI_TEXT_COMPARE_H
#define SM_CLI_TEXT_COMPARE_H

#include "stillmount/json.h"
#include "stillmount/number.h"

void sm_text_transmissibility(const sm_json *root, sm_text *out);
void sm_text_comparison(const sm_json *root, sm_text *out);
void sm_text_isolator(const sm_json *root, sm_text *out);
void sm_text_ranking(const sm_json *root, sm_text *out);

/* Words wrapped at 80 columns, continuation lines indented; harmless on a terminal. */
void sm_text_wrap(sm_text *out, size_t indent, const char *s);

#endif
