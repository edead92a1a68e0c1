/* Any bytes as a result document: read back and made into a page, no picture drawn. */
#define _GNU_SOURCE /* memfd_create */
#include "fuzz_help.h"
#include "stillmount/report.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
    sm_json_doc *doc = NULL;
    sm_error err = {0};
    sm_status st = sm_json_parse((const char *)data, n, "fuzz", &doc, &err);
    fuzz_must_say(st, &err);
    if (st == SM_OK) {
        sm_text page = {0};
        err = (sm_error){0};
        st = sm_report_html(doc, NULL, NULL, &page, &err);
        fuzz_must_say(st, &err);
        sm_text_free(&page);
    }
    sm_json_close(&doc);
    return 0;
}
