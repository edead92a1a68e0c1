/* What drift and hold print. */
#ifndef SM_CLI_TEXT_MOTION_H
#define SM_CLI_TEXT_MOTION_H

#include "stillmount/json.h"

void motion_drift_text(const sm_json *root, sm_text *out);

#endif
