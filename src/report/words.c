/* Causes in plain words, without the words that mislead. */
#include "report/page.h"

#include <string.h>

typedef enum cause {
    CAUSE_UNKNOWN = 0,
    CAUSE_PROP_ONCE,
    CAUSE_BLADE,
    CAUSE_PROP_OTHER,
    CAUSE_HALF,
    CAUSE_FIRING,
    CAUSE_CRANK,
    CAUSE_SHAFT,
    CAUSE_ELECTRICAL,
    CAUSE_STRUCTURE,
    CAUSE_BROADBAND,
} cause;

static cause cause_of(const char *kind, const char *label)
{
    if (strcmp(kind, "broadband") == 0) {
        return CAUSE_BROADBAND;
    }
    if (strcmp(kind, "fixed") == 0) {
        return strstr(label, "electrical")  ? CAUSE_ELECTRICAL
               : strstr(label, "structure") ? CAUSE_STRUCTURE
                                            : CAUSE_UNKNOWN;
    }
    if (strstr(label, "(blade pass")) {
        return CAUSE_BLADE;
    }
    if (strncmp(label, "prop 1", 6) == 0 && (label[6] == '\0' || label[6] == ' ')) {
        return CAUSE_PROP_ONCE;
    }
    if (strncmp(label, "prop ", 5) == 0) {
        return CAUSE_PROP_OTHER;
    }
    if (strstr(label, "(firing")) {
        return CAUSE_FIRING;
    }
    if (strncmp(label, "crank ", 6) == 0) {
        const char *dot = strchr(label, '.');
        return dot && dot[1] == '5' ? CAUSE_HALF : CAUSE_CRANK;
    }
    return strcmp(kind, "order") == 0 && label[0] ? CAUSE_SHAFT : CAUSE_UNKNOWN;
}

const char *sm_words_cause(const char *kind, const char *label)
{
    switch (cause_of(kind, label)) {
    case CAUSE_PROP_ONCE:
        return "once per propeller turn: balance, blade track or pitch, bent flange";
    case CAUSE_BLADE:
        return "air off the blades; weights do not cure it";
    case CAUSE_PROP_OTHER:
        return "several times per propeller turn: blades unlike each other, or the gearbox";
    case CAUSE_HALF:
        return "one cylinder unlike the others";
    case CAUSE_FIRING:
        return "the beat of the firing: normal for the engine, the mount lets it through";
    case CAUSE_CRANK:
        return "turning and reciprocating parts of the engine";
    case CAUSE_SHAFT:
        return "a driven shaft or a gear mesh";
    case CAUSE_ELECTRICAL:
        return "electrical: it is there with the engine off";
    case CAUSE_STRUCTURE:
        return "structure: a part that answers when it is excited";
    case CAUSE_BROADBAND:
        return "no single source: air, rattle or a loose part";
    default:
        return "source unknown";
    }
}

const char *sm_words_next(const char *kind, const char *label)
{
    switch (cause_of(kind, label)) {
    case CAUSE_PROP_ONCE:
        return "look at blade track, pitch and flange first; then balance";
    case CAUSE_BLADE:
        return "move the mount out of the blades' wash, or make it stiffer or softer";
    case CAUSE_PROP_OTHER:
        return "compare the blades' pitch; look at the gearbox";
    case CAUSE_HALF:
        return "compare the cylinders: ignition, mixture, compression";
    case CAUSE_FIRING:
        return "compare idle and load; look at the engine's and the mount's isolators";
    case CAUSE_CRANK:
        return "look at the engine's isolators and for contact between engine and airframe";
    case CAUSE_SHAFT:
        return "look at that accessory, its bracket and its belt";
    case CAUSE_ELECTRICAL:
        return "switch consumers off one by one with the engine off; move or screen the cable";
    case CAUSE_STRUCTURE:
        return "look at the resonances below; stiffen the shelf or add damping";
    case CAUSE_BROADBAND:
        return "tap for loose parts; keep cables from slapping; record once more in calm air";
    default:
        return "record once more, and with the engine off, to see what stays";
    }
}
