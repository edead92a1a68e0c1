/* The text of an assessment. */
#include "report/record.h"
#include "stillmount/words.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { TIGHTEST = 5, BAR_LEFT = 6, BAR_RIGHT = 20, WIDTH = 79 };

const char *sm_words_caution(void)
{
    return "An aid, not a release: the sensor's, engine's and propeller's maintenance data, local "
           "rules and a licensed person decide. Keep clear of the propeller.";
}

void sm_words_wrap(sm_text *out, size_t column, size_t indent, const char *s)
{
    while (*s) {
        size_t n = strcspn(s, " ");
        if (column + n > WIDTH && column > indent) {
            sm_text_addf(out, "\n%*s", (int)indent, "");
            column = indent;
        }
        sm_text_add_n(out, s, n);
        column += n;
        s += n;
        s += strspn(s, " ");
        if (*s && column + 1 + strcspn(s, " ") <= WIDTH) {
            sm_text_add(out, " ");
            column++;
        } else if (*s) {
            column = WIDTH + 1;
        }
    }
    sm_text_add(out, "\n");
}

static void label(sm_text *out, const char *name, const char *text)
{
    sm_text_addf(out, "%-13s", name);
    sm_words_wrap(out, 13, 13, text);
}

/* A result and the band that it is in. */
typedef struct row {
    const sm_json *band;
    const sm_json *result;
    double margin;
} row;

static double number(const sm_json *o, const char *key)
{
    return sm_json_number(sm_json_get(o, key));
}

static const char *string(const sm_json *o, const char *key)
{
    return sm_json_string(sm_json_get(o, key));
}

/* An earlier row of the same limit, channel and cause; n when there is none. */
static size_t like(const row *rows, size_t n, const sm_json *r)
{
    size_t i = 0;
    while (i < n && (strcmp(string(rows[i].result, "limit"), string(r, "limit")) != 0 ||
                     strcmp(string(rows[i].result, "channel"), string(r, "channel")) != 0 ||
                     strcmp(string(sm_json_get(rows[i].result, "cause"), "label"),
                            string(sm_json_get(r, "cause"), "label")) != 0)) {
        i++;
    }
    return i;
}

/* The tightest results of all bands, rising margin; one of each limit, channel and cause. */
static size_t tightest(const sm_json *root, row *rows, size_t most)
{
    const sm_json *bands = sm_json_get(root, "bands");
    size_t n = 0;
    for (size_t b = 0; b < sm_json_size(bands); b++) {
        const sm_json *results = sm_json_get(sm_json_at(bands, b), "results");
        for (size_t i = 0; i < sm_json_size(results); i++) {
            const sm_json *r = sm_json_at(results, i);
            double margin = number(r, "margin_db");
            size_t same = like(rows, n, r);
            if (isnan(margin) || (same < n && rows[same].margin <= margin) ||
                (same == n && n == most && margin >= rows[n - 1].margin)) {
                continue;
            }
            if (same < n) { /* the tighter one stays */
                memmove(&rows[same], &rows[same + 1], (n - same - 1) * sizeof *rows);
                n--;
            }
            size_t k = n < most ? n++ : n - 1;
            while (k > 0 && rows[k - 1].margin > margin) {
                rows[k] = rows[k - 1];
                k--;
            }
            rows[k] = (row){sm_json_at(bands, b), r, margin};
        }
    }
    return n;
}

static void rpm_range(const sm_json *band, char *out, size_t n)
{
    const sm_json *rpm = sm_json_get(band, "rpm");
    (void)snprintf(out, n, "%.0f-%.0f", sm_json_number(sm_json_at(rpm, 0)),
                   sm_json_number(sm_json_at(rpm, 1)));
}

static const char *limits_word(const sm_json *root)
{
    const char *kind = string(sm_json_get(root, "settings"), "kind");
    return strcmp(kind, "invented") == 0    ? "example limits"
           : strcmp(kind, "relative") == 0  ? "relative limits"
           : strcmp(kind, "reference") == 0 ? "reference levels"
                                            : "limits";
}

static void covered_rpm(const sm_json *root, sm_text *t)
{
    const sm_json *rpm = sm_json_get(sm_json_get(root, "covers"), "rpm");
    for (size_t i = 0; i < sm_json_size(rpm); i++) {
        const sm_json *r = sm_json_at(rpm, i);
        sm_text_addf(t, "%s%.0f to %.0f", i ? ", " : "", sm_json_number(sm_json_at(r, 0)),
                     sm_json_number(sm_json_at(r, 1)));
    }
    sm_text_add(t, sm_json_size(rpm) ? " rpm" : "no rpm");
}

static void headline(const sm_json *root, sm_text *out)
{
    const sm_json *settings = sm_json_get(root, "settings");
    const sm_json *covers = sm_json_get(root, "covers");
    const char *verdict = string(root, "verdict");
    char word[16];
    size_t n = 0;
    for (; n < sizeof word - 1 && verdict[n]; n++) {
        word[n] = (char)(verdict[n] >= 'a' && verdict[n] <= 'z' ? verdict[n] - 32 : verdict[n]);
    }
    word[n] = '\0';
    sm_text t = {0};
    bool judged = strcmp(string(settings, "kind"), "none") != 0;
    if (judged) {
        sm_text_addf(&t, "%s by %s \"%s\" (%s): ", word, limits_word(root),
                     string(settings, "budget"), string(settings, "limits_from"));
    } else {
        sm_text_add(&t, "NO VERDICT, no budget was given; levels for ");
    }
    covered_rpm(root, &t);
    sm_text_addf(&t, ", passes %s", string(covers, "passes"));
    double top = number(covers, "hz_max");
    if (!isnan(top)) {
        sm_text_addf(&t, ", up to %.4g Hz", top);
    }
    sm_text_add(&t, ".");
    sm_words_wrap(out, 0, 0, t.s ? t.s : "");
    out->failed |= t.failed;
    sm_text_free(&t);
    const sm_json *gone = sm_json_get(root, "not_covered");
    for (size_t i = 0; i < sm_json_size(gone); i++) {
        label(out, i ? "" : "not covered", sm_json_string(sm_json_at(gone, i)));
    }
}

static void why(const sm_json *root, sm_text *out)
{
    const sm_json *reasons = sm_json_get(root, "reasons");
    for (size_t i = 0; i < sm_json_size(reasons); i++) {
        label(out, i ? "" : "why", string(sm_json_at(reasons, i), "text"));
    }
}

/* What was recorded and has no answer, and what to record instead. */
static void open_results(const sm_json *root, sm_text *out)
{
    enum { MOST = 8 };
    sm_text t = {0};
    for (size_t i = 0; sm_words_open(root, i, &t); i++) {
        if (i == 0) {
            sm_text_add(out, "\nrecorded, but without an answer\n");
        }
        if (i == MOST) {
            sm_text_add(out, "  and more: see the page or the JSON\n");
            sm_text_free(&t);
            return;
        }
        sm_text_add(out, "  ");
        sm_words_wrap(out, 2, 4, t.s ? t.s : "");
        out->failed |= t.failed;
        sm_text_free(&t);
    }
}

static const char *what_next(const char *kind, const char *label)
{
    if (strcmp(kind, "fixed") == 0 && strstr(label, "(electrical)")) {
        return "it is there with the engine off. Switch consumers off one by one and watch it; lay "
               "the cable elsewhere.";
    }
    if (strcmp(kind, "fixed") == 0 && strstr(label, "(structure)")) {
        return "a part that answers to whatever excites it: see below what would move it.";
    }
    if (strcmp(kind, "fixed") == 0) {
        return "a fixed frequency: electrical when it is there with the engine off, structure when "
               "it follows the shaking. Record ten seconds with the engine off.";
    }
    return "no single line: airflow, rattling parts or a structure that answers to everything. "
           "Look "
           "for loose panels and cables that touch the mount.";
}

/* Whether an earlier row had the same cause: its meaning was said there. */
static bool said(const row *rows, size_t i)
{
    const char *label = string(sm_json_get(rows[i].result, "cause"), "label");
    for (size_t k = 0; k < i; k++) {
        if (strcmp(string(sm_json_get(rows[k].result, "cause"), "label"), label) == 0) {
            return true;
        }
    }
    return false;
}

static void one_cause(const sm_json *result, bool again, sm_text *out)
{
    const sm_json *cause = sm_json_get(result, "cause");
    if (sm_json_is_null(cause)) {
        return;
    }
    sm_text t = {0};
    const char *kind = string(cause, "kind");
    const char *meaning = string(cause, "meaning");
    sm_text_addf(&t, "%s", string(cause, "label"));
    double hz = number(result, "hz");
    if (!isnan(hz) && strcmp(kind, "fixed") != 0) {
        sm_text_addf(&t, " at %.4g Hz", hz);
    }
    sm_text_addf(&t, ", %.0f %% of it", 100 * number(cause, "share"));
    if (!again) {
        sm_text_addf(&t, ": %s", meaning[0] ? meaning : what_next(kind, string(cause, "label")));
    }
    sm_text_addf(out, "%13s", "");
    sm_words_wrap(out, 13, 13, t.s ? t.s : "");
    out->failed |= t.failed;
    sm_text_free(&t);
}

static void one_margin(const row *rows, size_t i, sm_text *out)
{
    const row *r = &rows[i];
    char rpm[40];
    char head[200];
    rpm_range(r->band, rpm, sizeof rpm);
    (void)snprintf(head, sizeof head, "  %+6.1f dB  ", r->margin);
    sm_text_add(out, head);
    sm_text t = {0};
    const char *unit = string(r->result, "unit");
    bool ratio = strcmp(unit, "ratio") == 0;
    sm_text_addf(&t, "%s, %s, %s rpm: ", string(r->result, "limit"), string(r->result, "channel"),
                 rpm);
    bool unresolved = sm_record_unresolved(r->result);
    const char *detector = sm_record_detector(r->result);
    sm_text_add(&t, unresolved ? "not above the noise, could be up to " : "");
    sm_text_add_number(&t, number(r->result, unresolved ? "ceiling" : "value"), 3);
    sm_text_add(&t, ratio ? " x the curve" : " ");
    sm_text_add(&t, ratio ? "" : unit);
    sm_text_addf(&t, "%s%s", detector[0] ? " " : "", detector);
    if (!ratio) {
        sm_text_add(&t, " of ");
        sm_text_add_number(&t, number(r->result, "max"), 3);
    }
    sm_text_addf(&t, " (%s)", string(r->result, "verdict"));
    sm_words_wrap(out, strlen(head), 13, t.s ? t.s : "");
    out->failed |= t.failed;
    sm_text_free(&t);
    one_cause(r->result, said(rows, i), out);
}

static void margins(const sm_json *root, sm_text *out)
{
    row rows[TIGHTEST];
    size_t n = tightest(root, rows, TIGHTEST);
    if (n) {
        sm_text_add(out, "\ntightest margins\n");
    }
    for (size_t i = 0; i < n; i++) {
        one_margin(rows, i, out);
    }
}

/* One character a decibel, from the limit: spent to the left, kept to the right. */
static void bar(double margin, sm_text *out)
{
    int m = isnan(margin) ? 0 : (int)lround(fmax(-BAR_LEFT, fmin(BAR_RIGHT, margin)));
    for (int i = -BAR_LEFT; i < 0; i++) {
        sm_text_add(out, m < 0 && i >= m ? "<" : " ");
    }
    sm_text_add(out, "|");
    for (int i = 1; i <= BAR_RIGHT; i++) {
        sm_text_add(out, m > 0 && i <= m ? "=" : " ");
    }
}

/* The verdict of a band, and the result that decides it: of the worst verdict the tightest. */
static const char *band_verdict(const sm_json *results, const sm_json **decides)
{
    static const char *const order[] = {"over", "unassessed", "thin", "within"};
    size_t worst = 4;
    *decides = NULL;
    for (size_t i = 0; i < sm_json_size(results); i++) {
        const sm_json *r = sm_json_at(results, i);
        size_t k = 0;
        while (k < 4 && strcmp(string(r, "verdict"), order[k]) != 0) {
            k++;
        }
        double least = *decides ? number(*decides, "margin_db") : (double)NAN;
        if (k < worst || (k == worst && (isnan(least) || number(r, "margin_db") < least))) {
            worst = k;
            *decides = r;
        }
    }
    return worst < 4 ? order[worst] : "-";
}

static void band_table(const sm_json *root, sm_text *out)
{
    const sm_json *bands = sm_json_get(root, "bands");
    double frames = 0;
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        frames += fmax(0, number(sm_json_at(bands, i), "frames"));
    }
    if (!(frames > 0)) {
        sm_text_add(out, "\nno rpm band has a usable record\n");
        return;
    }
    sm_text_add(out, "\nmargin per rpm band, of the limit that decides it; one mark a decibel\n");
    sm_text_addf(out, "  %-11s%8s  over  limit  %-15s%-11s%s\n", "rpm", "dB", "reserve", "verdict",
                 "limit");
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        const sm_json *b = sm_json_at(bands, i);
        const sm_json *decides;
        const char *verdict = band_verdict(sm_json_get(b, "results"), &decides);
        char rpm[40];
        rpm_range(b, rpm, sizeof rpm);
        if (!(number(b, "frames") > 0)) {
            bool required = sm_json_bool(sm_json_get(b, "required"), false);
            sm_text_addf(out, "  %-11s%8s  %s%s\n", rpm, "-", sm_record_empty_text(root),
                         required ? ", required" : "");
            continue;
        }
        double margin = decides ? number(decides, "margin_db") : (double)NAN;
        sm_text_addf(out, "  %-11s", rpm);
        if (isnan(margin)) {
            sm_text_addf(out, "%8s", "-");
        } else {
            sm_text_addf(out, "%+8.1f", margin);
        }
        sm_text_add(out, "  ");
        bar(margin, out);
        sm_text_addf(out, " %-11s%.18s\n", verdict, decides ? string(decides, "limit") : "");
    }
}

/* Without a budget: what the levels are. */
static void level_table(const sm_json *root, sm_text *out)
{
    const sm_json *bands = sm_json_get(root, "bands");
    sm_text_add(out, "\nlevels per rpm band, loudest cell of each\n");
    for (size_t i = 0; i < sm_json_size(bands); i++) {
        const sm_json *b = sm_json_at(bands, i);
        const sm_json *results = sm_json_get(b, "results");
        char rpm[40];
        rpm_range(b, rpm, sizeof rpm);
        for (size_t k = 0; k < sm_json_size(results); k++) {
            const sm_json *r = sm_json_at(results, k);
            sm_text value = {0};
            sm_text_add_number(&value, number(r, "value"), 3);
            sm_text_addf(out, "  %-11s %-18s %8s %-6s %s  %s\n", k ? "" : rpm, string(r, "channel"),
                         value.s ? value.s : "", string(r, "unit"), string(r, "detector"),
                         string(sm_json_get(r, "cause"), "label"));
            sm_text_free(&value);
        }
    }
}

static bool same_finding(const sm_json *a, const sm_json *b)
{
    return strcmp(string(a, "code"), string(b, "code")) == 0 &&
           strcmp(string(a, "text"), string(b, "text")) == 0;
}

/* One finding with every channel that has it; said already when an earlier one has the same text.
 */
static void one_finding(const sm_json *list, size_t i, sm_text *out)
{
    const sm_json *f = sm_json_at(list, i);
    for (size_t k = 0; k < i; k++) {
        if (same_finding(sm_json_at(list, k), f)) {
            return;
        }
    }
    sm_text t = {0};
    sm_text_addf(&t, "%s (%s)", string(f, "code"), string(f, "severity"));
    for (size_t k = i; k < sm_json_size(list); k++) {
        const char *channel = string(sm_json_at(list, k), "channel");
        if (channel[0] && same_finding(sm_json_at(list, k), f)) {
            sm_text_addf(&t, ", %s", channel);
        }
    }
    sm_text_addf(&t, ": %s", string(f, "text"));
    sm_text_add(out, "  ");
    sm_words_wrap(out, 2, 4, t.s ? t.s : "");
    out->failed |= t.failed;
    sm_text_free(&t);
}

static void findings(const sm_json *root, sm_text *out)
{
    const sm_json *list = sm_json_get(root, "findings");
    if (sm_json_size(list)) {
        sm_text_add(out, "\nabout the log\n");
    }
    for (size_t i = 0; i < sm_json_size(list); i++) {
        one_finding(list, i, out);
    }
}

/* What would move it out of the rpm in use, and by how much. */
void sm_record_advice(const sm_json *r, sm_text *t)
{
    const sm_json *a = sm_json_get(r, "advice");
    const char *way = string(a, "way");
    const sm_json *rpm = sm_json_get(a, "rpm_in_use");
    double up = number(a, "stiffness_times");
    double down = number(a, "stiffness_divided_by");
    if (!*way) { /* a result of an older program */
        return;
    }
    if (strcmp(way, "none-needed") == 0) {
        sm_text_add(t, " Within the rpm in use no strong order comes near it.");
        return;
    }
    sm_text_addf(t, " To clear all strong orders from %.0f to %.0f rpm: stiffen to %.3g Hz or more",
                 sm_json_number(sm_json_at(rpm, 0)), sm_json_number(sm_json_at(rpm, 1)),
                 number(a, "stiffen_to_hz"));
    sm_text_addf(t, " (%.*f times as stiff), or soften to %.3g Hz or less (stiffness divided by ",
                 up < 10, up, number(a, "soften_to_hz"));
    sm_text_addf(t, "%.*f). ", down < 10, down);
    sm_text_add(t, strcmp(way, "stiffen") == 0  ? "Stiffening is the lesser change."
                   : strcmp(way, "soften") == 0 ? "Softening is what is within reach: isolators."
                                                : "Neither is within reach: damp it, or choose "
                                                  "another place.");
}

/* Where the mount answers loudest, and which order meets it at which rpm. */
static void resonances(const sm_json *root, sm_text *out)
{
    const sm_json *list = sm_json_get(root, "resonances");
    if (sm_json_size(list)) {
        sm_text_add(out, "\nthe mount answers loudest at\n");
    }
    for (size_t i = 0; i < sm_json_size(list); i++) {
        const sm_json *r = sm_json_at(list, i);
        const sm_json *by = sm_json_get(r, "excited_by");
        const sm_json *rpm = sm_json_get(r, "rpm_at");
        sm_text t = {0};
        bool broad = sm_json_size(by) == 0; /* known to some per cent only */
        sm_text_addf(&t, broad ? "about %.2g Hz (%s" : "%.1f Hz (%s", number(r, "hz"),
                     string(r, "channel"));
        if (!isnan(number(r, "damping_ratio"))) {
            sm_text_addf(&t, broad ? ", damping about %.0f %%" : ", damping %.1f %%",
                         100 * number(r, "damping_ratio"));
        }
        sm_text_add(&t, "): ");
        for (size_t k = 0; k < sm_json_size(by); k++) {
            sm_text_addf(&t, "%s%s near %.0f rpm", k ? ", " : "", sm_json_string(sm_json_at(by, k)),
                         sm_json_number(sm_json_at(rpm, k)));
        }
        sm_text_add(&t, !broad
                            ? ". Loud for this mount there, not an operating limit."
                            : "broadband shaking shows it, no order does: what is not tied to the "
                              "rpm shakes it, starts and stops, rough ground.");
        if (!broad && !sm_json_bool(sm_json_get(r, "certain"), true)) {
            sm_text_add(&t, " Only one order shows it: a force that rises and falls with the rpm "
                            "would look the same.");
        }
        sm_record_advice(r, &t);
        sm_text_add(out, "  ");
        sm_words_wrap(out, 2, 4, t.s ? t.s : "");
        out->failed |= t.failed;
        sm_text_free(&t);
    }
}

/* Orders of two shafts on one line: whatever is said of one may be the other's. */
static void coincidences(const sm_json *root, sm_text *out)
{
    const sm_json *pairs = sm_json_get(sm_json_get(root, "settings"), "coincidences");
    if (sm_json_size(pairs) == 0) {
        return;
    }
    sm_text t = {0};
    for (size_t i = 0; i < sm_json_size(pairs); i++) {
        const sm_json *pair = sm_json_at(pairs, i);
        sm_text_addf(&t, "%s%s = %s", i ? "; " : "", sm_json_string(sm_json_at(pair, 0)),
                     sm_json_string(sm_json_at(pair, 1)));
    }
    sm_text_add(out, "\norders that a run of this powertrain cannot tell apart\n  ");
    sm_words_wrap(out, 2, 2, t.s ? t.s : "");
    out->failed |= t.failed;
    sm_text_free(&t);
}

void sm_words_assessment(const sm_json *root, sm_text *out)
{
    headline(root, out);
    why(root, out);
    bool judged = strcmp(string(sm_json_get(root, "settings"), "kind"), "none") != 0;
    if (judged) {
        open_results(root, out);
        margins(root, out);
        band_table(root, out);
    } else {
        level_table(root, out);
    }
    resonances(root, out);
    coincidences(root, out);
    findings(root, out);
    sm_text_add(out, "\n");
    sm_words_wrap(out, 0, 0, sm_words_caution());
}
