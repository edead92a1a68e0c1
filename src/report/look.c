/* Colours, dashes and signs. */
#include "report/look.h"

#include <string.h>

const char *sm_look_series(size_t i)
{
    static const char *const colours[SM_SERIES_COLOURS] = {
        "#15607a", "#c8571b", "#6a4c93", "#6f7d12", "#a3245c", "#2b2b2b", "#3f92b5", "#b98416",
    };
    return colours[i % SM_SERIES_COLOURS];
}

const char *sm_look_dash(size_t i)
{
    static const char *const dashes[] = {"solid", "(12,4)", "(4,3)", "(12,4,3,4)"};
    return dashes[(i / 2) % 4];
}

long sm_look_rgb(const char *colour)
{
    long v = 0;
    for (const char *c = colour + 1; *c; c++) {
        v = v * 16 + (*c <= '9' ? *c - '0' : *c - 'a' + 10);
    }
    return v;
}

static const struct {
    const char *word;
    const char *colour;
    const char *sign;
} looks[] = {
    {"within", SM_WITHIN, "\u2713"},    {"better", SM_WITHIN, "\u2713"},
    {"still", SM_WITHIN, "\u2713"},     {"thin", SM_THIN, "\u2248"},
    {"mixed", SM_THIN, "\u2248"},       {"over", SM_OVER, "\u2717"},
    {"worse", SM_OVER, "\u2717"},       {"restless", SM_OVER, "\u2717"},
    {"no clear change", SM_MUTED, "="}, {"unassessed", SM_UNASSESSED, "?"},
};

const char *sm_look_verdict(const char *verdict)
{
    for (size_t i = 0; i < sizeof looks / sizeof looks[0]; i++) {
        if (strcmp(looks[i].word, verdict) == 0) {
            return looks[i].colour;
        }
    }
    return SM_UNASSESSED;
}

const char *sm_look_sign(const char *verdict)
{
    for (size_t i = 0; i < sizeof looks / sizeof looks[0]; i++) {
        if (strcmp(looks[i].word, verdict) == 0) {
            return looks[i].sign;
        }
    }
    return "?";
}
