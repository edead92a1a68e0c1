/* The page of a plan, to print and take to the ramp. */
#include "report/page.h"

#include <math.h>
#include <string.h>

static void first_screen(sm_page *g)
{
    const sm_json *p = sm_json_get(g->root, "powertrain");
    const sm_json *b = sm_json_get(g->root, "budget");
    double lo;
    double hi;
    sm_record_pair(b, "required", &lo, &hi);
    sm_page_raw(g, "<h1>Plan of a run-up: what to record</h1>\n<dl class=\"first\">\n");
    sm_page_first(g, "For", "%.200s on %.200s", sm_record_text(b, "name"),
                  sm_record_text(p, "name"));
    sm_page_first(g, "Whose limits", "%s", sm_record_text(b, "source"));
    sm_page_first(g, "To be covered", "%g\u2013%g %s rpm, %s", lo, hi, sm_record_text(p, "rpm_of"),
                  sm_record_number(b, "min_passes") > 1 ? "up and down" : "at least once");
    const sm_json *warnings = sm_json_get(g->root, "warnings");
    sm_page_first(g, "Cannot be had this way", "%s",
                  sm_json_size(warnings) ? "see below" : "nothing is left out");
    sm_page_raw(g, "</dl>\n");
}

static void logger(sm_page *g)
{
    const sm_json *l = sm_json_get(g->root, "logger");
    static const sm_column sensors[] = {{"place", "place", SM_COLUMN_TEXT, 0},
                                        {"sensor, three axes", "role", SM_COLUMN_TEXT, 0},
                                        {"range at least \u00b1", "range", SM_COLUMN_NUMBER, 6},
                                        {"unit", "unit", SM_COLUMN_TEXT, 0}};
    sm_page_section(g, "logger", "The logger");
    sm_page_paragraph(g,
                      "Rate: %g samples per second for every channel; at least %g if its filter is "
                      "known and passes %g Hz. The filter passes everything up to %g Hz and stops "
                      "what is above half the rate.",
                      sm_record_number(l, "rate_hz"), sm_record_number(l, "rate_least_hz"),
                      sm_record_number(l, "hz_max"), sm_record_number(l, "hz_max"));
    sm_page_table(g, "Sensors", sm_json_get(l, "sensors"), sensors, 4);
    sm_page_paragraph(
        g, "Speed: a once-per-turn pulse is best, an rpm column will do. Note the rpm of "
           "every hold by hand as well.");
    sm_page_paragraph(g,
                      "Fix the logger hard on the plate that carries the attitude sensor, within a "
                      "hand's width of it; screws or hard glue, no foam, no magnet. The attitude "
                      "sensor or its weight is fitted. Cables tied down.");
    sm_page_raw(g, "</section>\n");
}

void sm_page_plan(sm_page *g)
{
    static const sm_column steps[] = {{"rpm", "rpm", SM_COLUMN_NUMBER, 6},
                                      {"seconds", "seconds", SM_COLUMN_NUMBER, 4},
                                      {"what", "text", SM_COLUMN_TEXT, 0},
                                      {"rpm goes", "direction", SM_COLUMN_TEXT, 0},
                                      {"done", "", SM_COLUMN_TEXT, 0}};
    first_screen(g);
    sm_page_cautions(g, false);
    logger(g);
    sm_page_section(g, "steps", "Record, in this order, without a break");
    sm_page_table(g, "Steps; between two holds move slowly, about four seconds",
                  sm_json_get(g->root, "steps"), steps, 5);
    const sm_json *p = sm_json_get(g->root, "powertrain");
    const sm_json *avoid = sm_json_get(p, "avoid");
    for (size_t i = 0; i < sm_json_size(avoid); i++) {
        const sm_json *pair = sm_json_at(avoid, i);
        sm_page_paragraph(g, "No hold between %g and %g rpm (avoid): cross without stopping.",
                          sm_json_number(sm_json_at(pair, 0)), sm_json_number(sm_json_at(pair, 1)));
    }
    if (sm_record_number(p, "full_power_seconds") > 0) {
        sm_page_paragraph(g, "Never longer than %g s at full power.",
                          sm_record_number(p, "full_power_seconds"));
    }
    sm_page_raw(g, "</section>\n");
    const sm_json *warnings = sm_json_get(g->root, "warnings");
    if (sm_json_size(warnings)) {
        sm_page_section(g, "missing", "What this plan cannot give");
        sm_page_reasons(g, warnings);
        sm_page_raw(g, "</section>\n");
    }
    sm_page_sign_off(g);
}
