/* What a column's name says: role, place, axis, unit. */
#ifndef SM_INGEST_NAMES_H
#define SM_INGEST_NAMES_H

#include "stillmount/block.h"

typedef enum sm_time_kind {
    SM_TIME_NONE = 0,
    SM_TIME_STAMP,
    SM_TIME_INTERVAL, /* since the row before */
    SM_TIME_COUNTER,  /* counts rows; the rate comes from elsewhere */
    SM_TIME_DATE,     /* date and time of day as text */
    SM_TIME_MILLI,    /* milliseconds to be added to another time column */
} sm_time_kind;

typedef struct sm_guess {
    sm_role role; /* SM_ROLE_IGNORE: nothing that is used */
    int axis;
    char place[48];
    char unit_text[48];  /* as written in the name, or "" */
    const sm_unit *unit; /* NULL: none written, or unknown */
    bool unit_unknown;   /* a unit was written that is not known, or not one of this quantity */
    sm_shaft shaft;
    bool shaft_given;
    sm_time_kind time_kind; /* of SM_ROLE_TIME */
} sm_guess;

/* unit_row is the cell of a units row under the name, or NULL. */
void sm_names_guess(const char *name, const char *unit_row, sm_guess *out);

/* Reads a role as the channels file writes it ("prop.accel.x", "tach", "ignore"); false: no role.
 */
bool sm_names_role(const char *text, sm_guess *out);

/* The quantity that a role carries. */
sm_quantity sm_names_quantity(sm_role role);

/* Does a cell look like a unit ("(g)", "deg/s", "m/s^2", "s")? */
bool sm_names_is_unit(const char *cell);
/* The unit of a text as names and units rows have it; NULL: none. */
const sm_unit *sm_names_unit(const char *text);
/* The same of an ending ("m_s2" of ax_m_s2), where '/' and '^' cannot stand. */
const sm_unit *sm_names_suffix_unit(const char *ending);

#endif
