/* What is wrong or noteworthy in a log, with stable codes: see sm_finding_codes[] for the list. */
#ifndef STILLMOUNT_FINDINGS_H
#define STILLMOUNT_FINDINGS_H

#include "stillmount/json.h"
#include "stillmount/status.h"

typedef enum sm_severity { SM_NOTE = 0, SM_WARNING, SM_BLOCKING } sm_severity;

enum { SM_FINDING_PLACES = 16 };

typedef struct sm_place {
    double t0_s; /* from the log's start */
    double t1_s;
    long line; /* 1-based line of the log, 0 = unknown */
} sm_place;

typedef struct sm_finding {
    char code[32]; /* "clipped", "gap", ... */
    sm_severity severity;
    char channel[96];               /* role, e.g. "mount.accel.x"; "" = the whole log */
    long count;                     /* samples, rows or events */
    sm_place at[SM_FINDING_PLACES]; /* the first places */
    size_t n_at;
    double hz_lo; /* the frequency range it spoils, NaN = all */
    double hz_hi;
    char effect[160]; /* what it does to the verdict */
    char text[400];   /* what was seen and what to record instead */
} sm_finding;

typedef struct sm_findings {
    sm_finding *items;
    size_t n;
    size_t capacity;
    bool failed; /* an allocation failed; sticky */
} sm_findings;

/**
 * Adds to the finding of that code and channel (NULL or "" = whole log), or makes one. The severity
 * becomes the worse of the two. Returns it for setting effect and text, or NULL out of memory.
 */
SM_API sm_finding *sm_findings_add(sm_findings *f, const char *code, sm_severity severity,
                                   const char *channel, long count);
/** Records a place if there is room. finding may be NULL. */
SM_API void sm_finding_place(sm_finding *finding, double t0_s, double t1_s, long line);
/** printf into text and effect; finding may be NULL. */
SM_API void sm_finding_text(sm_finding *finding, const char *fmt, ...) SM_PRINTF(2, 3);
SM_API void sm_finding_effect(sm_finding *finding, const char *fmt, ...) SM_PRINTF(2, 3);
/** The finding of that code and channel (NULL or "" = whole log), or NULL. */
SM_API const sm_finding *sm_findings_get(const sm_findings *f, const char *code,
                                         const char *channel);
SM_API void sm_findings_free(sm_findings *f);
/** Writes the array `findings` (contract: scoring, JSON) into object. */
SM_API void sm_findings_json(const sm_findings *f, sm_json_doc *doc, sm_json *object);
/** "note", "warning", "blocking". */
SM_API const char *sm_severity_text(sm_severity s);

#endif
