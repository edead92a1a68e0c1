/* Short ways to read a result document, and what several pictures and pages read from it. */
#ifndef SM_REPORT_RECORD_H
#define SM_REPORT_RECORD_H

#include "stillmount/json.h"

#include <stdbool.h>

typedef enum sm_record_kind {
    SM_RECORD_NONE = 0,
    SM_RECORD_ASSESSMENT,
    SM_RECORD_COMPARISON,
    SM_RECORD_ACROSS,
    SM_RECORD_RANKING,
    SM_RECORD_ISOLATOR,
    SM_RECORD_BALANCE,
    SM_RECORD_DRIFT,
    SM_RECORD_HOLD,
    SM_RECORD_PLAN,
    SM_RECORD_INSPECTION,
} sm_record_kind;

/* By the schema's name; any version. */
sm_record_kind sm_record_kind_of(const sm_json *root);

double sm_record_number(const sm_json *object, const char *key); /* NaN when absent */
const char *sm_record_text(const sm_json *object, const char *key);
/* Two numbers of an array; both NaN when it is none. */
void sm_record_pair(const sm_json *object, const char *key, double *a, double *b);
/* i-th number of the array under key. */
double sm_record_at(const sm_json *object, const char *key, size_t i);
size_t sm_record_count(const sm_json *object, const char *key);

/* Two channels of one place ("mount.accel.x", "mount.gyro.y"). */
bool sm_record_same_place(const char *channel, const char *other);
/* Does the array under key hold that text? */
bool sm_record_has_text(const sm_json *object, const char *key, const char *text);

/* "crank" or "prop". */
const char *sm_record_rpm_of(const sm_json *root);
/* Coning or level that does not stand above the noise: it "could be up to" the ceiling. */
bool sm_record_unresolved(const sm_json *result);
/* The detector, for measures that have one: a mean has none. */
const char *sm_record_detector(const sm_json *result);
/* Reserve that a result has to keep [dB], NaN = unknown. */
double sm_record_reserve_db(const sm_json *root, const sm_json *result);
/* Revolutions of the reference shaft (crank, else propeller) per revolution that the rpm counts. */
double sm_record_reference_per_rpm(const sm_json *root);
/* A few orders worth a line on a picture, loudest first: entries of `orders` of that channel, one
 * per label; from `peaks` (order, label) when there are none. */
typedef struct sm_record_order {
    const char *label;
    double order;
    double loudest; /* of the entry's amplitudes, in its unit */
    double weight;  /* their power mean: what ranks them */
} sm_record_order;
size_t sm_record_orders(const sm_json *root, const char *channel, sm_record_order *out,
                        size_t capacity);
/* What a result measured, in words: "rms 5-200 Hz", "prop 1". */
void sm_record_measure(const sm_json *result, char *out, size_t capacity);
/* The unit as printed: "g^2/Hz" with a raised 2. */
void sm_record_unit(const sm_json *object, char *out, size_t capacity);
/* True when nothing of the band was recorded. */
bool sm_record_band_empty(const sm_json *band);
/* What to call an empty band: a run whose speed was sought may well have been there. */
const char *sm_record_empty_text(const sm_json *root);
/* Place of a verdict by urgency: over 3, unassessed 2, thin 1, within 0. */
int sm_record_urgency(const char *verdict);
/* Interval of a result as margins [dB], lower first; NaN when not given. */
void sm_record_margin_interval(const sm_json *result, double *lo, double *hi);

/* The result with the smallest margin that is over, or else thin, or else anything; NULL = none. */
typedef struct sm_record_worst {
    const sm_json *band;
    const sm_json *result;
} sm_record_worst;
sm_record_worst sm_record_tightest(const sm_json *root, const char *limit);
/* What the pictures show: i = 0 the tightest result of all; i = 1, when that is about one order,
 * the tightest that sums a frequency range, if it is on another channel. list: a key of the
 * document that must hold data of that channel and band, NULL = none. */
sm_record_worst sm_record_focus(const sm_json *root, size_t i, const char *list);
/* What would move a resonance out of the rpm in use, and by how much: sentences, each behind a
 * blank; none for a result of an older program. */
void sm_record_advice(const sm_json *resonance, sm_text *out);
/* The entry of `list` (spectra, peaks, ...) for that channel and band; NULL = none. */
const sm_json *sm_record_for_band(const sm_json *root, const char *list, const char *channel,
                                  double lo, double hi);

#endif
