/* Starting another program without a shell. */
#ifndef SM_REPORT_PROCESS_H
#define SM_REPORT_PROCESS_H

#include "stillmount/status.h"

typedef enum sm_run_result {
    SM_RUN_DONE = 0, /* it ended with status 0 */
    SM_RUN_MISSING,  /* no such program */
    SM_RUN_FAILED,   /* could not be started, or ended with another status or a signal */
    SM_RUN_TIMEOUT,  /* it took too long and was ended */
} sm_run_result;

/**
 * Runs program with argv (argv[0] included, NULL at the end) in folder dir; input and output are
 * /dev/null, what it says on standard error comes back in said (cut at capacity - 1). A program
 * named without '/' is looked for in the absolute folders of PATH.
 */
sm_run_result sm_process_run(const char *program, const char *const *argv, const char *dir,
                             double timeout_s, char *said, size_t capacity);

#endif
