/* The stops of a swing, what items do to the magnetometer, Allan deviation of the stretches. */
#include "report/look.h"
#include "report/pictures.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { MAX_ITEMS = 16 };

static const char *const axes[] = {"x", "y", "z"};
static const int shapes[] = {7, 5, 9}; /* gnuplot: disc, square, triangle */

static bool is_turn(const sm_json *segment)
{
    return strcmp(sm_record_text(segment, "kind"), "turn") == 0;
}

static double loudest(const sm_json *segment)
{
    double most = NAN;
    for (size_t k = 0; k < 3; k++) {
        most = fmax(most, sm_record_at(segment, "gyro_rms_deg_s", k));
    }
    return most;
}

/* "still", "restless" or "unassessed": words that have a colour and a sign. */
static const char *verdict_of(const sm_json *segment)
{
    const sm_json *still = sm_json_get(segment, "still");
    return sm_json_is_null(still)       ? "unassessed"
           : sm_json_bool(still, false) ? "still"
                                        : "restless";
}

/* ---- stops of the swing ---- */

static void engine_words(const sm_json *segment, char *out, size_t size)
{
    const char *kind = sm_record_text(segment, "kind");
    double rpm = sm_record_number(segment, "rpm");
    if (strcmp(kind, "off") == 0) {
        (void)snprintf(out, size, "engine off");
    } else if (rpm > 0) {
        (void)snprintf(out, size, "%.12s %.0f rpm", kind, rpm);
    } else {
        (void)snprintf(out, size, "%.12s, no rpm", kind);
    }
}

/* Two stops of the same kind at about the same speed; a log without a speed has only the kind. */
static bool same_engine(const sm_json *a, const sm_json *b)
{
    double x = sm_record_number(a, "rpm");
    double y = sm_record_number(b, "rpm");
    if (!(x > 0) || !(y > 0)) {
        return !(x > 0) && !(y > 0) &&
               strcmp(sm_record_text(a, "kind"), sm_record_text(b, "kind")) == 0;
    }
    return fabs(x - y) <= fmax(80, 0.06 * x);
}

/* One bar per stop: its length in time, its loudest axis in height. */
static size_t stop_bars(const sm_json *segments, sm_plot *p, const char *verdict, size_t *n)
{
    size_t block = sm_plot_block(p);
    *n = 0;
    for (size_t i = 0; i < sm_json_size(segments); i++) {
        const sm_json *s = sm_json_at(segments, i);
        double v = loudest(s);
        if (is_turn(s) || isnan(v) || strcmp(verdict_of(s), verdict) != 0) {
            continue;
        }
        double from = sm_record_number(s, "from_s");
        double to = sm_record_number(s, "to_s");
        sm_plot_row(p, 6, (double[]){(from + to) / 2, v, from, to, 0, v});
        (*n)++;
    }
    return block;
}

static void stop_words(const sm_json *segments, sm_plot *p, const sm_panel *a)
{
    for (size_t i = 0; i < sm_json_size(segments); i++) {
        const sm_json *s = sm_json_at(segments, i);
        double left = sm_panel_x(a, sm_record_number(s, "from_s"));
        double right = sm_panel_x(a, sm_record_number(s, "to_s"));
        double mid = (left + right) / 2;
        double v = loudest(s);
        if (is_turn(s)) {
            double angle = sm_record_number(s, "turned_deg");
            if (right - left > 16 && !isnan(angle)) {
                sm_plot_word_at(p, mid, a->top - 8, SM_CENTER, SM_SMALL, SM_MUTED, "%.0f\u00b0",
                                angle);
            }
            sm_plot_hover(p, left, a->bottom, right, a->top, "turn, %.1f degrees", angle);
            continue;
        }
        const char *verdict = verdict_of(s);
        char engine[48];
        engine_words(s, engine, sizeof engine);
        sm_plot_word_at(p, mid, sm_panel_y(a, v) + 8, SM_CENTER, SM_SMALL, SM_INK, "%s",
                        sm_look_sign(verdict));
        const char *cause = sm_record_text(s, "cause");
        sm_plot_hover(p, left, a->bottom, right, a->top,
                      "stretch %zu, %s, %.4g to %.4g s: %s; gyro rms %.3g deg/s%s%.100s", i + 1,
                      engine, sm_record_number(s, "from_s"), sm_record_number(s, "to_s"),
                      sm_json_is_null(sm_json_get(s, "still")) ? "not judged" : verdict, v,
                      cause[0] ? "; why: " : "", cause);
    }
}

/* The engine state under its stops, once per run of them. */
static void state_words(const sm_json *segments, sm_plot *p, const sm_panel *a)
{
    size_t n = sm_json_size(segments);
    double free_from = 0;
    for (size_t i = 0; i < n;) {
        const sm_json *first = sm_json_at(segments, i);
        const sm_json *last = first;
        if (is_turn(first)) {
            i++;
            continue;
        }
        for (i++; i < n; i++) {
            const sm_json *s = sm_json_at(segments, i);
            if (!is_turn(s) && !same_engine(first, s)) {
                break;
            }
            last = is_turn(s) ? last : s;
        }
        char words[48];
        engine_words(first, words, sizeof words);
        double left = sm_panel_x(a, sm_record_number(first, "from_s"));
        double right = sm_panel_x(a, sm_record_number(last, "to_s"));
        double half = sm_plot_text_width(words, SM_SMALL) / 2;
        double mid = (left + right) / 2;
        sm_plot_mark(p, left, a->bottom - 32, right, a->bottom - 32, SM_MUTED);
        if (mid - half > free_from) {
            sm_plot_word_at(p, mid, a->bottom - 42, SM_CENTER, SM_SMALL, SM_INK, "%s", words);
            free_from = mid + half + 6;
        }
    }
}

static sm_panel swing_panel(const sm_json *root, double limit)
{
    const sm_json *segments = sm_json_get(root, "segments");
    sm_panel a = {.left = 82,
                  .right = SM_PLOT_WIDTH - 40,
                  .bottom = 106,
                  .top = 330,
                  .x0 = INFINITY,
                  .x1 = -INFINITY};
    for (size_t i = 0; i < sm_json_size(segments); i++) {
        const sm_json *s = sm_json_at(segments, i);
        a.x0 = fmin(a.x0, sm_record_number(s, "from_s"));
        a.x1 = fmax(a.x1, sm_record_number(s, "to_s"));
        a.y1 = is_turn(s) ? a.y1 : fmax(a.y1, loudest(s));
    }
    if (limit > 0) { /* shown where it leaves the bars more than a fifth of the height */
        a.y1 = fmax(a.y1, fmin(1.1 * limit, 5 * a.y1));
    }
    a.y1 *= 1.18;
    return a;
}

bool sm_picture_swing(const sm_json *root, sm_plot *p)
{
    static const char *const verdicts[] = {"still", "restless", "unassessed"};
    const sm_json *segments = sm_json_get(root, "segments");
    double limit = sm_record_number(sm_json_get(root, "criteria"), "gyro_rms_deg_s");
    sm_panel a = swing_panel(root, limit);
    if (!(a.x1 > a.x0) || !(a.y1 > 0)) {
        return false;
    }
    sm_plot_open(p, "swing", 390);
    sm_plot_title(p, "The stops: how much the gyro shakes, loudest axis");
    sm_plot_panel(p, &a);
    for (size_t i = 0; i < sm_json_size(segments); i++) {
        const sm_json *s = sm_json_at(segments, i);
        if (is_turn(s)) {
            sm_plot_box(p, sm_record_number(s, "from_s"), sm_record_number(s, "to_s"), a.y0, a.y1,
                        "#f1f3f5");
        }
    }
    size_t blocks[3];
    size_t n[3];
    for (size_t v = 0; v < 3; v++) {
        blocks[v] = stop_bars(segments, p, verdicts[v], &n[v]);
    }
    sm_plot_say(p, "plot ");
    for (size_t v = 0; v < 3; v++) {
        if (n[v]) {
            sm_plot_say(
                p, "\"%s.dat\" index %zu using 1:2:3:4:5:6 with boxxyerror fc rgb \"%s\", \\\n    ",
                p->name, blocks[v], sm_look_verdict(verdicts[v]));
        }
    }
    if (limit > 0 && limit < a.y1) {
        sm_plot_say(p, "%.7g lw 1.8 dt (8,4) lc rgb \"%s\", \\\n    ", limit, SM_OVER);
        sm_plot_word_at(p, a.right - 4, sm_panel_y(&a, limit) + 8, SM_RIGHT, SM_SMALL, SM_OVER,
                        "asked: %.3g deg/s", limit);
    }
    sm_plot_say(p, "NaN\n");
    stop_words(segments, p, &a);
    state_words(segments, p, &a);
    sm_plot_axis_names(p, &a, NULL, "gyro rms about the mean, deg/s");
    sm_plot_word_at(p, (a.left + a.right) / 2, 40, SM_CENTER, SM_NORMAL, SM_INK, "time, s");
    sm_plot_word_at(p, a.left, 16, SM_LEFT, SM_SMALL, SM_INK,
                    "%s still   %s not still   %s not judged   between them: turning",
                    sm_look_sign("still"), sm_look_sign("restless"), sm_look_sign("unassessed"));
    sm_text_add(&p->words, "A bar per stop: its height is the gyro's rms about its mean, loudest "
                           "axis, against what was asked.");
    return true;
}

/* ---- what items do to the magnetometer ---- */

static size_t deflection_bars(const sm_json *items, size_t n, sm_plot *p, const char *verdict,
                              size_t *found)
{
    size_t block = sm_plot_block(p);
    *found = 0;
    for (size_t i = 0; i < n; i++) {
        const sm_json *o = sm_json_at(items, i);
        double v = sm_record_number(o, "heading_deg");
        double y = (double)(n - 1 - i);
        if (!isnan(v) && strcmp(sm_record_text(o, "verdict"), verdict) == 0) {
            sm_plot_row(p, 6, (double[]){v, y, 0, v, y - 0.22, y + 0.22});
            (*found)++;
        }
    }
    return block;
}

/* Every switching as a mark on its item's bar: on a disc, off a ring. */
static size_t event_marks(const sm_json *root, const sm_json *items, size_t n, sm_plot *p,
                          const char *state, size_t *found)
{
    size_t block = sm_plot_block(p);
    double shift = strcmp(state, "on") == 0 ? 0.38 : -0.38; /* above and below the bar */
    const sm_json *events = sm_json_get(root, "events");
    *found = 0;
    for (size_t e = 0; e < sm_json_size(events); e++) {
        const sm_json *event = sm_json_at(events, e);
        double v = sm_record_number(event, "heading_deg");
        for (size_t i = 0; i < n && !isnan(v); i++) {
            if (strcmp(sm_record_text(event, "state"), state) == 0 &&
                strcmp(sm_record_text(event, "item"),
                       sm_record_text(sm_json_at(items, i), "item")) == 0) {
                sm_plot_row(p, 2, (double[]){v, (double)(n - 1 - i) + shift});
                (*found)++;
            }
        }
    }
    return block;
}

static void item_words(const sm_json *items, size_t n, sm_plot *p, const sm_panel *a)
{
    for (size_t i = 0; i < n; i++) {
        const sm_json *o = sm_json_at(items, i);
        double y = sm_panel_y(a, (double)(n - 1 - i));
        double v = sm_record_number(o, "heading_deg");
        const char *verdict = sm_record_text(o, "verdict");
        const char *reason = sm_record_text(o, "reason");
        double share = sm_record_number(o, "field_share_percent");
        char more[48] = "";
        if (!isnan(share)) {
            (void)snprintf(more, sizeof more, ", %.3g %% of limit", share);
        }
        sm_plot_word_at(p, a->left - 10, y, SM_RIGHT, SM_NORMAL, SM_INK, "%.24s",
                        sm_record_text(o, "item"));
        if (isnan(v)) {
            sm_plot_word_at(p, a->left + 6, y, SM_LEFT, SM_SMALL, SM_INK, "not measured");
        } else {
            sm_plot_word_at(p, a->right + 10, y, SM_LEFT, SM_SMALL, SM_INK, "%.3g\u00b0%s %s", v,
                            more, verdict[0] ? sm_look_sign(verdict) : "");
        }
        sm_plot_hover(p, a->left, y - 15, a->right, y + 15,
                      "%.60s: up to %.3g degrees of heading, %.0f times%s%.20s%s%.120s",
                      sm_record_text(o, "item"), v, sm_record_number(o, "times"),
                      verdict[0] ? "; " : "", verdict, reason[0] ? "; " : "", reason);
    }
}

static void draw_deflection(const sm_json *root, const sm_json *items, size_t n, double limit,
                            sm_plot *p, const sm_panel *a)
{
    static const char *const verdicts[] = {"within", "over", "unassessed", ""};
    static const char *const states[] = {"on", "off"};
    size_t blocks[4];
    size_t bars[4];
    size_t marks[2];
    size_t n_marks[2];
    for (size_t v = 0; v < 4; v++) {
        blocks[v] = deflection_bars(items, n, p, verdicts[v], &bars[v]);
    }
    for (size_t s = 0; s < 2; s++) {
        marks[s] = event_marks(root, items, n, p, states[s], &n_marks[s]);
    }
    sm_plot_say(p, "unset ytics\nset border 1\nplot ");
    for (size_t v = 0; v < 4; v++) {
        if (bars[v]) {
            sm_plot_say(
                p, "\"%s.dat\" index %zu using 1:2:3:4:5:6 with boxxyerror fc rgb \"%s\", \\\n    ",
                p->name, blocks[v],
                verdicts[v][0] ? sm_look_verdict(verdicts[v]) : sm_look_series(0));
        }
    }
    for (size_t s = 0; s < 2; s++) {
        if (n_marks[s]) {
            sm_plot_say(p,
                        "\"%s.dat\" index %zu using 1:2 with points pt %d ps 0.8 lw 1.4 lc rgb "
                        "\"" SM_INK "\", \\\n    ",
                        p->name, marks[s], s == 0 ? 7 : 6);
        }
    }
    sm_plot_say(p, "NaN\n");
    if (limit > 0 && limit < a->x1) {
        double x = sm_panel_x(a, limit);
        sm_plot_mark(p, x, a->bottom, x, a->top + 4, SM_OVER);
        sm_plot_word_at(p, x, a->top + 11, SM_CENTER, SM_SMALL, SM_OVER, "limit %.3g\u00b0", limit);
    }
}

bool sm_picture_deflection(const sm_json *root, sm_plot *p)
{
    const sm_json *items = sm_json_get(root, "items");
    size_t n = sm_json_size(items) < MAX_ITEMS ? sm_json_size(items) : MAX_ITEMS;
    double limit = sm_record_number(sm_json_get(root, "limits"), "heading_deg");
    sm_panel a = {.left = 190,
                  .right = SM_PLOT_WIDTH - 170,
                  .bottom = 84,
                  .top = 84 + 34 * (double)n,
                  .y0 = -0.5,
                  .y1 = (double)n - 0.5};
    for (size_t i = 0; i < n; i++) {
        a.x1 = fmax(a.x1, sm_record_number(sm_json_at(items, i), "heading_deg"));
    }
    if (n == 0 || !(a.x1 > 0)) {
        return false;
    }
    a.x1 = 1.1 * fmax(a.x1, limit > 0 ? fmin(limit, 5 * a.x1) : 0);
    sm_plot_open(p, "deflection", a.top + 60);
    sm_plot_title(p, "How far each item turns the magnetic heading, worst first");
    sm_plot_panel(p, &a);
    draw_deflection(root, items, n, limit, p, &a);
    item_words(items, n, p, &a);
    sm_plot_axis_names(p, &a, "deflection on the worst heading, degrees", NULL);
    sm_plot_word_at(p, a.left, 16, SM_LEFT, SM_SMALL, SM_INK,
                    "bar: the largest; \u25cf each time on   \u25cb each time off");
    sm_text_addf(&p->words, "Bars: %zu items, worst first.", n);
    return true;
}

/* ---- Allan deviation ---- */

/* The first stretch of the i-th engine state: off against idle against other speeds. */
static const sm_json *allan_segment(const sm_json *root, size_t i)
{
    const sm_json *segments = sm_json_get(root, "segments");
    size_t seen = 0;
    for (size_t k = 0; k < sm_json_size(segments) && i < 4; k++) {
        const sm_json *s = sm_json_at(segments, k);
        bool fresh = !is_turn(s) && sm_record_count(sm_json_get(s, "adev"), "tau_s") > 1;
        for (size_t j = 0; j < k && fresh; j++) {
            const sm_json *before = sm_json_at(segments, j);
            fresh = is_turn(before) || !same_engine(before, s) ||
                    sm_record_count(sm_json_get(before, "adev"), "tau_s") <= 1;
        }
        if (fresh && seen++ == i) {
            return s;
        }
    }
    return NULL;
}

static double adev_at(const sm_json *adev, size_t axis, size_t k)
{
    return sm_json_number(sm_json_at(sm_json_at(sm_json_get(adev, "deg_s"), axis), k));
}

static sm_panel allan_panel(const sm_json *adev)
{
    sm_panel a = {.left = 92,
                  .right = SM_PLOT_WIDTH - 70,
                  .bottom = 62,
                  .top = 350,
                  .log_x = true,
                  .log_y = true,
                  .x0 = INFINITY,
                  .x1 = 0,
                  .y0 = INFINITY,
                  .y1 = 0};
    for (size_t k = 0; k < sm_record_count(adev, "tau_s"); k++) {
        double tau = sm_record_at(adev, "tau_s", k);
        for (size_t axis = 0; axis < 3; axis++) {
            double v = adev_at(adev, axis, k);
            if (tau > 0 && v > 0) {
                a.x0 = fmin(a.x0, tau);
                a.x1 = fmax(a.x1, tau);
                a.y0 = fmin(a.y0, v);
                a.y1 = fmax(a.y1, v);
            }
        }
    }
    a.y0 = pow(10, floor(log10(a.y0)));
    a.y1 = pow(10, ceil(log10(a.y1 * 1.01)));
    return a;
}

/* What the pointer shows at each averaging time: a column from half way to half way. */
static void hover_allan(const sm_json *adev, sm_plot *p, const sm_panel *a)
{
    size_t n = sm_record_count(adev, "tau_s");
    for (size_t k = 0; k < n; k++) {
        double tau = sm_record_at(adev, "tau_s", k);
        double before = k > 0 ? sqrt(tau * sm_record_at(adev, "tau_s", k - 1)) : tau / 1.1;
        double after = k + 1 < n ? sqrt(tau * sm_record_at(adev, "tau_s", k + 1)) : tau * 1.1;
        sm_plot_hover(p, fmax(a->left, sm_panel_x(a, before)), a->bottom,
                      fmin(a->right, sm_panel_x(a, after)), a->top,
                      "averaged over %.3g s: x %.3g, y %.3g, z %.3g deg/s", tau,
                      adev_at(adev, 0, k), adev_at(adev, 1, k), adev_at(adev, 2, k));
    }
}

/* White noise as a slope of one half, for the noisiest axis; and where averaging stops to help. */
static void noise_terms(const sm_json *segment, sm_plot *p, const sm_panel *a)
{
    double walk = NAN;
    for (size_t k = 0; k < 3; k++) {
        walk = fmax(walk, sm_record_at(segment, "angle_random_walk_deg_sqrt_s", k));
    }
    if (walk > 0) {
        sm_plot_say(p, ", \\\n    %.7g/sqrt(x) lw 1.2 dt (6,4) lc rgb \"" SM_MUTED "\"", walk);
        sm_plot_word_at(p, a->right - 4, a->top - 8, SM_RIGHT, SM_SMALL, SM_MUTED,
                        "dashed: white noise, %.3g deg/s at 1 s (%.3g deg/\u221ah)", walk,
                        60 * walk);
    }
    double useful = sm_record_number(segment, "useful_seconds");
    if (useful > a->x0 && useful < a->x1) {
        double x = sm_panel_x(a, useful);
        sm_plot_mark(p, x, a->bottom, x, a->bottom + 14, SM_INK);
        sm_plot_word_at(p, x, a->bottom + 22, SM_CENTER, SM_SMALL, SM_INK, "quietest: %.3g s",
                        useful);
    }
}

static void draw_allan(const sm_json *segment, const sm_json *adev, sm_plot *p, const sm_panel *a)
{
    size_t blocks[3];
    double ends[3] = {0};
    bool any[3] = {false};
    for (size_t axis = 0; axis < 3; axis++) {
        blocks[axis] = sm_plot_block(p);
        for (size_t k = 0; k < sm_record_count(adev, "tau_s"); k++) {
            double v = adev_at(adev, axis, k);
            if (v > 0) {
                sm_plot_row(p, 2, (double[]){sm_record_at(adev, "tau_s", k), v});
                ends[axis] = sm_panel_y(a, v);
                any[axis] = true;
            }
        }
    }
    sm_plot_say(p, "plot NaN");
    for (size_t axis = 0; axis < 3; axis++) {
        if (any[axis]) {
            sm_plot_say(p,
                        ", \\\n    \"%s.dat\" index %zu using 1:2 with linespoints lw 1.6 pt %d ps "
                        "0.7 lc rgb \"%s\"",
                        p->name, blocks[axis], shapes[axis], sm_look_series(axis));
        }
    }
    noise_terms(segment, p, a);
    sm_plot_say(p, "\n");
    sm_plot_spread(ends, 3, 14, a->bottom, a->top);
    for (size_t axis = 0; axis < 3; axis++) {
        if (any[axis]) {
            sm_plot_word_at(p, a->right + 8, ends[axis], SM_LEFT, SM_SMALL, sm_look_series(axis),
                            "gyro.%s", axes[axis]);
        }
    }
}

bool sm_picture_allan(const sm_json *root, size_t i, sm_plot *p)
{
    const sm_json *segment = allan_segment(root, i);
    const sm_json *adev = sm_json_get(segment, "adev");
    sm_panel a = allan_panel(adev);
    if (!segment || !(a.x1 > a.x0) || !(a.y1 > 0)) {
        return false;
    }
    char name[32];
    (void)snprintf(name, sizeof name, "allan-%zu", i + 1);
    sm_plot_open(p, name, 410);
    sm_plot_title(p, "How steady the rate is over averaging time: %s, %.4g to %.4g s",
                  sm_record_text(segment, "kind"), sm_record_number(segment, "from_s"),
                  sm_record_number(segment, "to_s"));
    sm_plot_panel(p, &a);
    draw_allan(segment, adev, p, &a);
    hover_allan(adev, p, &a);
    sm_plot_axis_names(p, &a, "averaging time, s", "Allan deviation, deg/s");
    sm_text_addf(&p->words,
                 "Allan deviation of the three gyro axes over averaging time, for the stretch "
                 "from %.4g to %.4g s (%.20s).",
                 sm_record_number(segment, "from_s"), sm_record_number(segment, "to_s"),
                 sm_record_text(segment, "kind"));
    return true;
}
