/* Units as logs spell them. Common practice of loggers, no source: a spelling that is not here is
 * not guessed. */
#include "ingest/names.h"

#include <string.h>

/* Spellings that only make sense at the end of a name, where '/' and '^' cannot stand. */
const sm_unit *sm_names_suffix_unit(const char *s)
{
    static const struct {
        const char *suffix;
        const char *unit;
    } table[] = {
        {"g", "g"},
        {"gs", "g"},
        {"mg", "mg"},
        {"m_s2", "m/s^2"},
        {"m_s_2", "m/s^2"},
        {"m_s^2", "m/s^2"},
        {"ms2", "m/s^2"},
        {"mps2", "m/s^2"},
        {"m_per_s2", "m/s^2"},
        {"mm_s2", "mm/s^2"},
        {"mms2", "mm/s^2"},
        {"in_s2", "in/s^2"},
        {"dps", "deg/s"},
        {"deg_s", "deg/s"},
        {"degs", "deg/s"},
        {"degps", "deg/s"},
        {"deg_per_s", "deg/s"},
        {"deg_per_sec", "deg/s"},
        {"mdps", "mdeg/s"},
        {"rad_s", "rad/s"},
        {"rads", "rad/s"},
        {"radps", "rad/s"},
        {"rad_per_s", "rad/s"},
        {"rad_per_sec", "rad/s"},
        {"ut", "uT"},
        {"uT", "uT"},
        {"nT", "nT"},
        {"nt", "nT"},
        {"ga", "G"},
        {"gauss", "G"},
        {"mgauss", "mG"},
        {"microteslas", "uT"},
        {"microtesla", "uT"},
        {"s", "s"},
        {"sec", "s"},
        {"secs", "s"},
        {"seconds", "s"},
        {"ms", "ms"},
        {"msec", "ms"},
        {"millis", "ms"},
        {"milliseconds", "ms"},
        {"us", "us"},
        {"usec", "us"},
        {"micros", "us"},
        {"microseconds", "us"},
        {"ns", "ns"},
        {"nsec", "ns"},
        {"nanoseconds", "ns"},
        {"hours", "h"},
        {"hrs", "h"},
        {"hr", "h"},
        {"days", "d"},
        {"hz", "Hz"},
        {"rev_s", "rev/s"},
        {"rev_per_s", "rev/s"},
        {"US", "us"},
        {"MS", "ms"},
        {"NS", "ns"},
    };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        if (strcmp(s, table[i].suffix) == 0) {
            return sm_unit_find(table[i].unit);
        }
    }
    return sm_unit_find(s);
}

/* Units by spellings inside brackets and units rows; a little wider than the core's table. */
static const sm_unit *spelled_unit(const char *s)
{
    static const struct {
        const char *text;
        const char *unit;
    } table[] = {
        {"m/sec^2", "m/s^2"},
        {"m/s**2", "m/s^2"},
        {"m s^-2", "m/s^2"},
        {"m/s^-2", "m/s^2"},
        {"ms^-2", "m/s^2"},
        {"m*s^-2", "m/s^2"},
        {"m*s-2", "m/s^2"},
        {"m.s^-2", "m/s^2"},
        {"m.s-2", "m/s^2"},
        {"m s-2", "m/s^2"},
        {"m/(s^2)", "m/s^2"},
        {"m/(s*s)", "m/s^2"},
        {"mm/s/s", "mm/s^2"},
        {"mm*s^-2", "mm/s^2"},
        {"g's", "g"},
        {"degrees/s", "deg/s"},
        {"degree/s", "deg/s"},
        {"deg/second", "deg/s"},
        {"degrees/second", "deg/s"},
        {"degrees/sec", "deg/s"},
        {"degs^-1", "deg/s"},
        {"deg s^-1", "deg/s"},
        {"deg*s^-1", "deg/s"},
        {"rad s^-1", "rad/s"},
        {"rads^-1", "rad/s"},
        {"rad*s^-1", "rad/s"},
        {"radians/s", "rad/s"},
        {"rad/second", "rad/s"},
        {"uTesla", "uT"},
        {"microtesla", "uT"},
        {"Gauss", "G"},
        {"second", "s"},
        {"secs", "s"},
        {"S", "s"},
        {"msec", "ms"},
        {"milliseconds", "ms"},
        {"usec", "us"},
        {"microseconds", "us"},
        {"nanoseconds", "ns"},
        {"hour", "h"},
        {"hours", "h"},
        {"hr", "h"},
        {"hrs", "h"},
        {"day", "d"},
        {"days", "d"},
        {"rev/sec", "rev/s"},
        {"revs/s", "rev/s"},
        {"revolutions/s", "rev/s"},
        {"min^-1", "rpm"},
    };
    const sm_unit *u = sm_unit_find(s);
    for (size_t i = 0; !u && i < sizeof table / sizeof table[0]; i++) {
        if (strcmp(s, table[i].text) == 0) {
            u = sm_unit_find(table[i].unit);
        }
    }
    return u;
}

/* Raised digits, dots of products and the like as plain signs: "m\xc2\xb7s\xe2\x81\xbb\xc2\xb2" is
 * "m*s^-2". */
static void plain_signs(const char *s, char out[48])
{
    static const struct {
        const char *sign;
        const char *plain;
        bool raised;
    } table[] = {
        {"\xc2\xb2", "2", true},      {"\xc2\xb9", "1", true},      {"\xe2\x81\xbb", "-", true},
        {"\xc2\xb7", "*", false},     {"\xe2\x8b\x85", "*", false}, {"\xe2\x88\x99", "*", false},
        {"\xe2\x88\x92", "-", false}, {"\xe2\x88\x95", "/", false}, {"\xe2\x81\x84", "/", false},
        {"\xc2\xb0", "deg", false},   {"\xc2\xba", "deg", false},   {"\xc2\xb5", "u", false},
        {"\xce\xbc", "u", false},
    };
    size_t n = 0;
    bool raised = false;
    while (*s && n + 5 < 48) {
        size_t k = 0;
        while (k < sizeof table / sizeof table[0] &&
               strncmp(s, table[k].sign, strlen(table[k].sign)) != 0) {
            k++;
        }
        bool known = k < sizeof table / sizeof table[0];
        if (known && table[k].raised && !raised) {
            out[n++] = '^';
        }
        raised = known && table[k].raised;
        if (known) {
            size_t len = strlen(table[k].plain);
            memcpy(out + n, table[k].plain, len);
            n += len;
            s += strlen(table[k].sign);
        } else {
            out[n++] = *s++;
        }
    }
    out[n] = '\0';
}

/* As written, with plain signs, and where no other unit differs by case alone in lower case, too:
 * "DEG/S" is deg/s, but G is not g, and M is not m. */
const sm_unit *sm_names_unit(const char *s)
{
    char plain[48];
    plain_signs(s, plain);
    const sm_unit *u = sm_unit_find(s);
    u = u ? u : spelled_unit(plain);
    if (u || strlen(plain) < 3) {
        return u;
    }
    for (char *c = plain; *c; c++) {
        *c = *c >= 'A' && *c <= 'Z' ? (char)(*c - 'A' + 'a') : *c;
    }
    u = spelled_unit(plain);
    return u && u->quantity != SM_QUANTITY_FIELD ? u : NULL;
}
