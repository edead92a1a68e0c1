/* Status names and error records. */
#include "stillmount/status.h"
#include "stillmount/version.h"

#include <stdio.h>
#include <string.h>

const char *sm_status_text(sm_status status)
{
    static const char *const names[SM_STATUS_COUNT] = {
        [SM_OK] = "ok",
        [SM_E_ARG] = "invalid argument",
        [SM_E_NOMEM] = "out of memory",
        [SM_E_IO] = "input or output failed",
        [SM_E_FORMAT] = "malformed input",
        [SM_E_SHORT] = "too little data",
        [SM_E_VALUE] = "impossible value",
        [SM_E_NO_SPEED] = "no shaft speed",
        [SM_E_CANCELLED] = "cancelled",
    };
    if ((int)status < 0 || status >= SM_STATUS_COUNT) {
        return "unknown status";
    }
    return names[status];
}

static void make_inert(char *s)
{
    for (; *s; s++) {
        unsigned char c = (unsigned char)*s;
        if (c < 0x20 || c == 0x7f) {
            *s = '?';
        }
    }
}

sm_status(sm_error_set)(sm_error *err, sm_status code, const char *source, long line,
                        const char *fmt, ...)
{
    if (!err) {
        return code;
    }
    err->code = code;
    err->line = line;
    (void)snprintf(err->source, sizeof err->source, "%s", source ? source : "");
    va_list args;
    va_start(args, fmt);
    (void)vsnprintf(err->message, sizeof err->message, fmt, args);
    va_end(args);
    make_inert(err->source);
    make_inert(err->message);
    return code;
}

const char *sm_version(void)
{
    return SM_VERSION;
}
