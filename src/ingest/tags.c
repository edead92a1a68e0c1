/* See the header. */
#include "ingest/tags.h"

#include "ingest/json_rows.h"

#include <string.h>
#include <strings.h>

enum { LOOK_ROWS = 256 };

static bool cell_at(const sm_layout *l, const char *row, const char *end, size_t column,
                    sm_cell *out)
{
    if (l->form == SM_FORM_OBJECTS) {
        return sm_json_rows_value(row, end, l->columns[column].name, out) && out->n > 0;
    }
    const char *p = row;
    for (size_t i = 0; i <= column; i++) {
        if (!sm_layout_cell(&p, end, l->delimiter, out)) {
            return false;
        }
    }
    while (out->n && out->s[out->n - 1] == '\r') {
        out->n--;
    }
    return out->n > 0;
}

static bool is_word(sm_cell c, char decimal)
{
    double v;
    return c.n < 48 && !sm_layout_date(c.s, c.n, &v) && !sm_layout_number(c.s, c.n, decimal, &v);
}

static bool names_sensor(const char *s)
{
    static const char *const words[] = {"acc", "gyr", "mag", "imu"};
    size_t n = strlen(s);
    for (size_t k = 0; k < sizeof words / sizeof words[0]; k++) {
        for (size_t i = 0; i + strlen(words[k]) <= n; i++) {
            if (strncasecmp(s + i, words[k], strlen(words[k])) == 0) {
                return true;
            }
        }
    }
    return false;
}

static bool add_tag(sm_tags *t, sm_cell c)
{
    char name[48];
    sm_text_inert(c.s, c.n, name, sizeof name);
    for (size_t i = 0; i < t->n; i++) {
        if (strcmp(t->name[i], name) == 0) {
            return true;
        }
    }
    if (t->n == SM_MAX_TAGS) {
        return false;
    }
    memcpy(t->name[t->n++], name, sizeof name);
    return true;
}

static bool look(const sm_layout *l, const char *text, size_t n, size_t column, sm_tags *out)
{
    const char *s = text + l->data_offset;
    const char *stop = text + n;
    *out = (sm_tags){.column = column};
    for (int rows = 0; s < stop && rows < LOOK_ROWS; rows++) {
        const char *nl = memchr(s, '\n', (size_t)(stop - s));
        const char *end = nl ? nl : stop;
        sm_cell c;
        bool last = !nl;
        if (cell_at(l, s, end, column, &c)) {
            if (!is_word(c, l->decimal) || !add_tag(out, c)) {
                return false;
            }
        } else if (end > s + 1 && !last) {
            return false; /* a row without a tag */
        }
        s = nl ? nl + 1 : stop;
    }
    bool sensor = false;
    for (size_t i = 0; i < out->n; i++) {
        sensor |= names_sensor(out->name[i]);
    }
    return sensor;
}

void sm_tags_find(const sm_layout *l, const char *text, size_t n, sm_tags *out)
{
    for (size_t k = 0; k < l->n_columns && k < 8; k++) {
        if (look(l, text, n, k, out)) {
            return;
        }
    }
    *out = (sm_tags){0};
}

size_t sm_tags_of(const sm_tags *tags, const sm_layout *l, const char *row, const char *end)
{
    sm_cell c;
    char name[48];
    if (!cell_at(l, row, end, tags->column, &c)) {
        return tags->n;
    }
    sm_text_inert(c.s, c.n, name, sizeof name);
    size_t i = 0;
    while (i < tags->n && strcmp(tags->name[i], name) != 0) {
        i++;
    }
    return i;
}
