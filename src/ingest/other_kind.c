/* Files that are no log, told by how they begin. */
#include "ingest/other_kind.h"

#include <ctype.h>
#include <stdbool.h>
#include <string.h>

/* What the bytes of another kind of file begin with, and what to do with it. */
const char *sm_packed_kind(const char *text, size_t n)
{
    static const struct {
        const char *start;
        size_t n;
        const char *words;
    } kinds[] = {
        {"\x1f\x8b", 2, "packed by gzip: unpack it first"},
        {"PK\x03\x04", 4,
         "a zip archive or a workbook (xlsx, ods): unpack it, or export the sheet as CSV"},
        {"7z\xbc\xaf", 4, "a 7z archive: unpack it first"},
        {"BZh", 3, "packed by bzip2: unpack it first"},
        {"\xfd"
         "7zXZ",
         5, "packed by xz: unpack it first"},
        {"(\xb5/\xfd", 4, "packed by zstd: unpack it first"},
        {"%PDF", 4, "a PDF, not a log: export the log as CSV"},
        {"\x89PNG", 4, "a picture, not a log"},
        {"\xff\xd8\xff", 3, "a picture, not a log"},
    };
    for (size_t i = 0; i < sizeof kinds / sizeof *kinds; i++) {
        if (n >= kinds[i].n && memcmp(text, kinds[i].start, kinds[i].n) == 0) {
            return kinds[i].words;
        }
    }
    return "a binary file, not a text log: export it as CSV (UTF-8) first";
}

/* [section], or also key = value. */
static bool is_setting(const char *s, const char *end, bool section)
{
    bool bracketed = end - s > 2 && *s == '[' && end[-1] == ']' && isalpha((unsigned char)s[1]);
    return bracketed || (!section && memchr(s, '=', (size_t)(end - s)));
}

const char *sm_other_kind(const char *text, size_t n)
{
    size_t counted = 0;
    size_t settings = 0;
    const char *stop = text + n;
    const char *first = n >= 3 && memcmp(text, "\xef\xbb\xbf", 3) == 0 ? text + 3 : text;
    for (const char *s = first; s < stop;) {
        const char *nl = memchr(s, '\n', (size_t)(stop - s));
        const char *end = nl ? nl : stop;
        const char *next = nl ? nl + 1 : stop;
        while (s < end && isspace((unsigned char)*s)) {
            s++;
        }
        while (end > s && isspace((unsigned char)end[-1])) {
            end--;
        }
        if (s < end && *s != '#' && *s != ';') {
            if (counted == 0 && *s == '<') {
                return "a page (HTML or XML), not a log: export the log as CSV";
            }
            if (counted == 0 && !is_setting(s, end, true)) {
                return NULL;
            }
            counted++;
            settings += is_setting(s, end, false);
        }
        s = next;
    }
    return counted > 1 && settings * 10 >= counted * 7
               ? "a settings file (INI), not a log: name the log here; the file belongs behind an "
                 "option like --powertrain, --budget or --channels"
               : NULL;
}
