/* Reading a result document. */
#include "report/record.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

sm_record_kind sm_record_kind_of(const sm_json *root)
{
    static const struct {
        const char *name;
        sm_record_kind kind;
    } kinds[] = {
        {"assessment", SM_RECORD_ASSESSMENT},
        {"comparison", SM_RECORD_COMPARISON},
        {"transmissibility", SM_RECORD_ACROSS},
        {"ranking", SM_RECORD_RANKING},
        {"isolator", SM_RECORD_ISOLATOR},
        {"balance", SM_RECORD_BALANCE},
        {"drift", SM_RECORD_DRIFT},
        {"hold", SM_RECORD_HOLD},
        {"plan", SM_RECORD_PLAN},
        {"inspection", SM_RECORD_INSPECTION},
    };
    const char *schema = sm_record_text(root, "schema");
    for (size_t i = 0; i < sizeof kinds / sizeof kinds[0]; i++) {
        size_t n = strlen(kinds[i].name);
        if (strncmp(schema, "stillmount/", 11) == 0 &&
            strncmp(schema + 11, kinds[i].name, n) == 0 && schema[11 + n] == '/') {
            return kinds[i].kind;
        }
    }
    return SM_RECORD_NONE;
}

double sm_record_number(const sm_json *object, const char *key)
{
    return sm_json_number(sm_json_get(object, key));
}

const char *sm_record_text(const sm_json *object, const char *key)
{
    return sm_json_string(sm_json_get(object, key));
}

void sm_record_pair(const sm_json *object, const char *key, double *a, double *b)
{
    const sm_json *pair = sm_json_get(object, key);
    *a = sm_json_number(sm_json_at(pair, 0));
    *b = sm_json_number(sm_json_at(pair, 1));
}

double sm_record_at(const sm_json *object, const char *key, size_t i)
{
    return sm_json_number(sm_json_at(sm_json_get(object, key), i));
}

size_t sm_record_count(const sm_json *object, const char *key)
{
    return sm_json_size(sm_json_get(object, key));
}

bool sm_record_same_place(const char *channel, const char *other)
{
    size_t n = strcspn(channel, ".");
    return n == strcspn(other, ".") && strncmp(channel, other, n) == 0;
}

bool sm_record_has_text(const sm_json *object, const char *key, const char *text)
{
    const sm_json *list = sm_json_get(object, key);
    for (size_t i = 0; i < sm_json_size(list); i++) {
        if (strcmp(sm_json_string(sm_json_at(list, i)), text) == 0) {
            return true;
        }
    }
    return false;
}

const char *sm_record_rpm_of(const sm_json *root)
{
    const char *of = sm_record_text(sm_json_get(root, "speed"), "rpm_of");
    return strcmp(of, "prop") == 0 ? "prop" : "crank";
}

bool sm_record_unresolved(const sm_json *result)
{
    const sm_json *node = sm_json_get(result, "resolved");
    return node && !sm_json_bool(node, true);
}

const char *sm_record_detector(const sm_json *result)
{
    const char *kind = sm_record_text(sm_json_get(result, "measure"), "kind");
    bool mean = strcmp(kind, "coning") == 0 || strcmp(kind, "level") == 0;
    bool ratio = strcmp(sm_record_text(result, "unit"), "ratio") == 0;
    return mean || ratio ? "" : sm_record_text(result, "detector");
}

double sm_record_reserve_db(const sm_json *root, const sm_json *result)
{
    double own = sm_record_number(result, "reserve_db");
    if (!isnan(own)) {
        return own;
    }
    const sm_json *limits = sm_json_get(sm_json_get(root, "budget"), "limits");
    const char *name = sm_record_text(result, "limit");
    for (size_t i = 0; i < sm_json_size(limits); i++) {
        const sm_json *l = sm_json_at(limits, i);
        if (strcmp(sm_record_text(l, "name"), name) == 0) {
            return sm_record_number(l, "reserve_db");
        }
    }
    return NAN;
}

void sm_record_measure(const sm_json *result, char *out, size_t capacity)
{
    const sm_json *m = sm_json_get(result, "measure");
    const char *kind = sm_record_text(m, "kind");
    double lo;
    double hi;
    sm_record_pair(m, "hz", &lo, &hi);
    if (strcmp(kind, "order") == 0) {
        (void)snprintf(out, capacity, "%s", sm_record_text(m, "label"));
    } else if (!isnan(lo) && !isnan(hi)) {
        (void)snprintf(out, capacity, "%s %g\u2013%g Hz", kind, lo, hi);
    } else {
        (void)snprintf(out, capacity, "%s", kind);
    }
}

bool sm_record_band_empty(const sm_json *band)
{
    double seconds = sm_record_number(band, "seconds");
    double frames = sm_record_number(band, "frames");
    return !(seconds > 0) && !(frames > 0);
}

const char *sm_record_empty_text(const sm_json *root)
{
    const sm_json *speed = sm_json_get(root, "speed");
    const char *source = sm_record_text(speed, "source");
    bool sought = strcmp(source, "estimate") == 0 || strcmp(source, "notes") == 0 ||
                  strcmp(source, "log") == 0;
    return sought && !(sm_record_number(speed, "confidence") > 0.999) ? "no known speed"
                                                                      : "not recorded";
}

int sm_record_urgency(const char *verdict)
{
    return strcmp(verdict, "over") == 0         ? 3
           : strcmp(verdict, "unassessed") == 0 ? 2
           : strcmp(verdict, "thin") == 0       ? 1
                                                : 0;
}

void sm_record_margin_interval(const sm_json *result, double *lo, double *hi)
{
    double a;
    double b;
    double value = sm_record_number(result, "value");
    double margin = sm_record_number(result, "margin_db");
    sm_record_pair(result, "interval", &a, &b);
    /* against the value, so that it holds for a psd ratio (10 log) as for an amplitude */
    const char *kind = sm_record_text(sm_json_get(result, "measure"), "kind");
    double k = strcmp(kind, "psd") == 0 ? 10 : 20;
    *lo = b > 0 && value > 0 ? margin - k * log10(b / value) : (double)NAN;
    *hi = a > 0 && value > 0 ? margin - k * log10(a / value) : (double)NAN;
}

const sm_json *sm_record_for_band(const sm_json *root, const char *list, const char *channel,
                                  double lo, double hi)
{
    const sm_json *items = sm_json_get(root, list);
    for (size_t i = 0; i < sm_json_size(items); i++) {
        const sm_json *item = sm_json_at(items, i);
        double a;
        double b;
        sm_record_pair(item, "rpm", &a, &b);
        if (strcmp(sm_record_text(item, "channel"), channel) == 0 && fabs(a - lo) < 0.5 &&
            fabs(b - hi) < 0.5) {
            return item;
        }
    }
    return NULL;
}

static bool is_broadband(const sm_json *result)
{
    const char *kind = sm_record_text(sm_json_get(result, "measure"), "kind");
    return strcmp(kind, "rms") == 0 || strcmp(kind, "psd") == 0;
}

/* Smallest margin among those that the three conditions let through. */
static sm_record_worst search(const sm_json *root, const char *limit, const char *list,
                              bool broadband)
{
    sm_record_worst best = {0};
    double best_margin = INFINITY;
    const sm_json *bands = sm_json_get(root, "bands");
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        const sm_json *band = sm_json_at(bands, i);
        const sm_json *results = sm_json_get(band, "results");
        double lo;
        double hi;
        sm_record_pair(band, "rpm", &lo, &hi);
        for (size_t k = 0; k < sm_json_size(results); k++) {
            const sm_json *r = sm_json_at(results, k);
            double margin = sm_record_number(r, "margin_db");
            if ((limit && strcmp(limit, sm_record_text(r, "limit")) != 0) ||
                !(margin < best_margin) || (broadband && !is_broadband(r)) ||
                (list && !sm_record_for_band(root, list, sm_record_text(r, "channel"), lo, hi))) {
                continue;
            }
            best_margin = margin;
            best = (sm_record_worst){.band = band, .result = r};
        }
    }
    return best;
}

double sm_record_reference_per_rpm(const sm_json *root)
{
    double v = sm_record_number(sm_json_get(root, "settings"), "reference_per_rpm");
    return v > 0 ? v : 1;
}

static void rank_order(sm_record_order *list, size_t *n, size_t capacity, sm_record_order o)
{
    if (!o.label[0] || !(o.order > 0) || !(o.weight > 0)) {
        return;
    }
    size_t at = 0;
    while (at < *n && strcmp(list[at].label, o.label) != 0) {
        at++;
    }
    if (at == *n) {
        if (*n < capacity) {
            (*n)++;
        } else if (list[at - 1].weight < o.weight) {
            at--;
        } else {
            return;
        }
    } else if (list[at].weight >= o.weight) {
        return;
    }
    for (; at > 0 && list[at - 1].weight < o.weight; at--) {
        list[at] = list[at - 1];
    }
    list[at] = o;
}

size_t sm_record_orders(const sm_json *root, const char *channel, sm_record_order *out,
                        size_t capacity)
{
    size_t n = 0;
    const sm_json *orders = sm_json_get(root, "orders");
    for (size_t i = 0; i < sm_json_size(orders); i++) {
        const sm_json *o = sm_json_at(orders, i);
        if (strcmp(sm_record_text(o, "channel"), channel) != 0) {
            continue;
        }
        sm_record_order item = {.label = sm_record_text(o, "label"),
                                .order = sm_record_number(o, "order")};
        size_t count = sm_record_count(o, "amplitude");
        double power = 0;
        for (size_t k = 0; k < count; k++) {
            double a = sm_record_at(o, "amplitude", k);
            double floor = sm_record_at(o, "noise", k);
            item.loudest = a > item.loudest && !(a < 2 * floor) ? a : item.loudest;
            power += a > 0 ? a * a : 0;
        }
        item.weight = count ? sqrt(power / (double)count) : 0;
        rank_order(out, &n, capacity, item);
    }
    const sm_json *peaks = sm_json_get(root, "peaks");
    for (size_t i = 0; i < sm_json_size(peaks) && sm_json_size(orders) == 0; i++) {
        const sm_json *p = sm_json_at(peaks, i);
        const sm_json *source = sm_json_get(p, "source");
        if (strcmp(sm_record_text(p, "channel"), channel) == 0) {
            rank_order(out, &n, capacity,
                       (sm_record_order){.label = sm_record_text(source, "label"),
                                         .order = sm_record_number(source, "order"),
                                         .loudest = sm_record_number(p, "amplitude"),
                                         .weight = sm_record_number(p, "amplitude")});
        }
    }
    return n;
}

void sm_record_unit(const sm_json *object, char *out, size_t capacity)
{
    const char *unit = sm_record_text(object, "unit");
    const char *power = strstr(unit, "^2");
    if (power) {
        (void)snprintf(out, capacity, "%.*s\u00b2%s", (int)(power - unit), unit, power + 2);
    } else {
        (void)snprintf(out, capacity, "%s", unit);
    }
}

sm_record_worst sm_record_tightest(const sm_json *root, const char *limit)
{
    return search(root, limit, NULL, false);
}

sm_record_worst sm_record_focus(const sm_json *root, size_t i, const char *list)
{
    sm_record_worst first = search(root, NULL, list, false);
    if (i == 0 || !first.result || is_broadband(first.result)) {
        return i == 0 ? first : (sm_record_worst){0};
    }
    sm_record_worst second = search(root, NULL, list, true);
    bool other = second.result && strcmp(sm_record_text(second.result, "channel"),
                                         sm_record_text(first.result, "channel")) != 0;
    return i == 1 && other ? second : (sm_record_worst){0};
}
