/*
 * One signal written in many ways. Every form must give the same band rms as the signal itself:
 * within 0.1 dB where rows pass as they are, 0.3 dB through jitter and resampling.
 * The forms are those of logs met in the field (header lines, clocks); the files are our own.
 */
#include "core/alloc.h"
#include "log_help.h"
#include "stillmount/number.h"
#include "stillmount/stats.h"

static const double G0 = 9.80665;
static const double PI = 3.14159265358979323846;
enum { TONES = 24, ROWS = 12000 };
static const double RATE = 1000;

typedef struct signal {
    double hz[TONES];
    double amp[6][TONES];
    double phase[6][TONES];
    double dc[6];
} signal;

static signal the_signal;

/* Tones from 6 to 195 Hz, gravity on z, a little gyro bias. SI. */
static void make_signal(signal *s)
{
    sm_rng r = sm_rng_seed(11);
    for (int k = 0; k < TONES; k++) {
        s->hz[k] = 6.13 + 189 * (double)k / (TONES - 1);
        for (int c = 0; c < 6; c++) {
            s->amp[c][k] = (c < 3 ? 0.6 : 0.02) * (1 + 0.5 * sm_rng_normal(&r) * 0.3);
            s->phase[c][k] = 2 * PI * (double)(sm_rng_next(&r) % 1000) / 1000;
        }
    }
    for (int c = 0; c < 6; c++) {
        s->dc[c] = c == 2 ? G0 : c < 3 ? 0.2 : 0.003;
    }
}

static double value(int c, double t)
{
    const signal *s = &the_signal;
    double v = s->dc[c];
    for (int k = 0; k < TONES; k++) {
        v += s->amp[c][k] * cos(2 * PI * s->hz[k] * t + s->phase[c][k]);
    }
    return v;
}

static double true_rms(int c)
{
    double sum = 0;
    for (int k = 0; k < TONES; k++) {
        sum += the_signal.amp[c][k] * the_signal.amp[c][k] / 2;
    }
    return sqrt(sum);
}

/* AC rms under a Hann window over everything finite: the band rms, as all tones lie inside. */
static double ac_rms(const double *x, size_t n)
{
    double w_sum = 0;
    double mean = 0;
    double square = 0;
    for (int pass = 0; pass < 2; pass++) {
        for (size_t i = 0; i < n; i++) {
            double w = 0.5 - 0.5 * cos(2 * PI * ((double)i + 0.5) / (double)n);
            if (isnan(x[i])) {
                continue;
            }
            if (pass == 0) {
                w_sum += w;
                mean += w * x[i];
            } else {
                square += w * (x[i] - mean / w_sum) * (x[i] - mean / w_sum);
            }
        }
    }
    return sqrt(square / w_sum);
}

/* How to write a log. */
typedef struct form {
    const char *what;
    const char *head;     /* preamble and header, ends with a line end */
    const char *row;      /* letters: t time, x y z accel, p q r gyro, k counter, m milliseconds of
                             the second, D date, i interval, _ empty, 0 a zero; rest, and what is
                             between two backquotes, as it is */
    const char *channels; /* channels file, or NULL */
    double time_scale;    /* stamp = (t - offset) * scale */
    double time_offset_s;
    int time_digits;
    double accel_scale; /* SI to the log's unit */
    double gyro_scale;
    char decimal;
    const char *eol;
    const char *tail; /* behind the last row; NULL = nothing */
    double tol_db;
    void (*stamp)(double *t, size_t n, double *x[6]); /* bends the clock; may set values */
    const char *thousands;                            /* stands between thousands; NULL = nothing */
    const char *utf16; /* "LE" or "BE": written in two bytes a sign; NULL = as it is */
} form;

static double stamps[ROWS];
static double values[6][ROWS];

static void add_number(sm_text *t, double v, int digits, char decimal, const char *thousands)
{
    char buf[64];
    (void)snprintf(buf, sizeof buf, "%.*f", digits, v);
    size_t whole = strcspn(buf, ".");
    for (size_t i = 0; buf[i]; i++) {
        bool mark = thousands && i > (buf[0] == '-') && i < whole && (whole - i) % 3 == 0;
        sm_text_add(t, mark ? thousands : "");
        sm_text_add_n(t, buf[i] == '.' ? &decimal : buf + i, 1);
    }
}

/* In two bytes a sign: UTF-8 of up to three bytes becomes one unit (Unicode 15, tables 3-5, 3-6).
 */
static void add_utf16(sm_text *out, const sm_text *in, bool big)
{
    for (size_t i = 0; i < in->n;) {
        unsigned u = (unsigned char)in->s[i++];
        int more = u < 0x80 ? 0 : u < 0xe0 ? 1 : 2;
        u = more == 0 ? u : u & (more == 1 ? 0x1f : 0x0f);
        for (; more > 0; more--) {
            u = u << 6 | ((unsigned char)in->s[i++] & 0x3fu);
        }
        char pair[2] = {(char)(big ? u >> 8 : u & 255), (char)(big ? u & 255 : u >> 8)};
        sm_text_add_n(out, pair, 2);
    }
}

static void add_row(sm_text *t, const form *f, size_t i)
{
    double v[6];
    for (int c = 0; c < 6; c++) {
        v[c] = values[c][i] * (c < 3 ? f->accel_scale : f->gyro_scale);
    }
    double clock = stamps[i] - f->time_offset_s;
    bool plain = false;
    for (const char *s = f->row; *s; s++) {
        plain ^= *s == '`';
        switch (plain ? ' ' : *s) {
        case '`':
            break;
        case 't':
            add_number(t, clock * f->time_scale, f->time_digits, f->decimal, f->thousands);
            break;
        case 'x':
        case 'y':
        case 'z':
            add_number(t, v[*s - 'x'], 6, f->decimal, f->thousands);
            break;
        case 'p':
        case 'q':
        case 'r':
            add_number(t, v[3 + *s - 'p'], 7, f->decimal, f->thousands);
            break;
        case 'E':
            sm_text_addf(t, "%.6e", v[0]);
            break;
        case 'k':
            sm_text_addf(t, "%zu", i);
            break;
        case 'K':
            sm_text_addf(t, "%zu", i % 65536);
            break;
        case 'i':
            add_number(t, i ? (stamps[i] - stamps[i - 1]) * f->time_scale : 0, f->time_digits,
                       f->decimal, f->thousands);
            break;
        case 'D':
        case 'S': {
            double whole = floor(stamps[i] + 3600 * 14 + 60 * 40 + 50);
            int s_day = (int)whole;
            sm_text_addf(t, "%02d:%02d:%02d", s_day / 3600, s_day / 60 % 60, s_day % 60);
            if (*s == 'D') {
                sm_text_addf(t, ".%06.0f", 1e6 * (stamps[i] + 3600 * 14 + 60 * 40 + 50 - whole));
            }
            break;
        }
        case 'm':
            add_number(t, 1000 * (stamps[i] - floor(stamps[i])), 3, '.', NULL);
            break;
        case '_':
            break;
        default:
            sm_text_add_n(t, s, *s != '`');
        }
    }
    sm_text_add(t, f->eol ? f->eol : "\n");
}

static void fill(const form *f)
{
    for (size_t i = 0; i < ROWS; i++) {
        stamps[i] = (double)i / RATE;
    }
    double *x[6];
    for (int c = 0; c < 6; c++) {
        x[c] = values[c];
        for (size_t i = 0; i < ROWS; i++) {
            values[c][i] = value(c, stamps[i]);
        }
    }
    if (f->stamp) {
        f->stamp(stamps, ROWS, x);
    }
}

static void jitter_true(double *t, size_t n, double *x[6])
{
    sm_rng r = sm_rng_seed(3);
    for (size_t i = 0; i < n; i++) {
        t[i] += 0.00015 * sm_rng_normal(&r);
        for (int c = 0; c < 6; c++) {
            x[c][i] = value(c, t[i]);
        }
    }
}

static void jitter_walk(double *t, size_t n, double *x[6])
{
    sm_rng r = sm_rng_seed(4);
    double at = 0;
    for (size_t i = 0; i < n; i++) {
        t[i] = at;
        at += 0.001 * (1 + 0.12 * sm_rng_normal(&r));
        for (int c = 0; c < 6; c++) {
            x[c][i] = value(c, t[i]);
        }
    }
}

static void jitter_late(double *t, size_t n, double *x[6])
{
    (void)x;
    sm_rng r = sm_rng_seed(5);
    double last = -1;
    for (size_t i = 0; i < n; i++) {
        double u = ((double)(sm_rng_next(&r) >> 11) + 1) * 0x1p-53;
        t[i] = fmax(last, t[i] - 0.0006 * log(u)); /* latency never overtakes */
        last = t[i];
    }
}

static uint64_t burst_seed = 6;
static size_t burst_rows = 32;

static void bursts(double *t, size_t n, double *x[6])
{
    (void)x;
    sm_rng r = sm_rng_seed(burst_seed);
    for (size_t i = 0; i < n; i += burst_rows) {
        double u = ((double)(sm_rng_next(&r) >> 11) + 1) * 0x1p-53;
        double stamp = (double)(i + burst_rows - 1) / RATE - 0.002 * log(u);
        for (size_t k = i; k < n && k < i + burst_rows; k++) {
            t[k] = stamp;
        }
    }
}

static void rounded_ms(double *t, size_t n, double *x[6])
{
    /* the sampling is a little slow, stamps are cut to whole milliseconds */
    for (size_t i = 0; i < n; i++) {
        double at = (double)i * 0.00137;
        for (int c = 0; c < 6; c++) {
            x[c][i] = value(c, at);
        }
        t[i] = floor(at * 1000) / 1000;
    }
}

static void swapped(double *t, size_t n, double *x[6])
{
    for (size_t i = 700; i + 1 < n; i += 1500) {
        double swap = t[i];
        t[i] = t[i + 1];
        t[i + 1] = swap;
        for (int c = 0; c < 6; c++) {
            swap = x[c][i];
            x[c][i] = x[c][i + 1];
            x[c][i + 1] = swap;
        }
    }
}

static void from_minus(double *t, size_t n, double *x[6])
{
    (void)x;
    for (size_t i = 0; i < n; i++) {
        t[i] -= 3;
    }
}

#include "log_forms.h"

static int axis_index(const char *name)
{
    int axis = name[strlen(name) - 1] - 'x';
    return strstr(name, ".gyro.") ? 3 + axis : axis;
}

/* The channels file that --explain prints, given back, changes nothing: not one bit. */
static int check_explained(const char *what, const char *path, const sm_source *s,
                           const collected *c)
{
    sm_text ini = {0};
    sm_source_explain(s, &ini);
    collected again = {0};
    sm_error err = {0};
    int faults = 0;
    if (read_log(path, scratch_write("explained.ini", ini.s, ini.n), &again, NULL, NULL, &err) !=
        SM_OK) {
        (void)fprintf(stderr, "%s, explained: line %ld: %s\n%s", what, err.line, err.message,
                      ini.s);
        faults++;
    }
    bool same = again.n == c->n && again.n_channels == c->n_channels && again.n_gaps == c->n_gaps &&
                memcmp(&again.rate_hz, &c->rate_hz, sizeof(double)) == 0;
    for (size_t i = 0; same && i < c->n_channels; i++) {
        same = memcmp(again.x[i], c->x[i], c->n * sizeof(double)) == 0;
    }
    if (!faults && !same) {
        (void)fprintf(stderr, "%s: explained, it is read differently\n%s", what, ini.s);
        faults++;
    }
    collected_free(&again);
    sm_text_free(&ini);
    return faults;
}

/* Reads the log and compares; returns the number of faults. */
static int check_log(const char *what, const char *path, const char *channels, double tol_db,
                     size_t least_channels)
{
    collected c = {0};
    sm_error err = {0};
    sm_source *s = NULL;
    sm_findings findings = {0};
    int faults = 0;
    if (read_log(path, channels, &c, &findings, &s, &err) != SM_OK) {
        (void)fprintf(stderr, "%s: line %ld: %s\n", what, err.line, err.message);
        collected_free(&c);
        sm_findings_free(&findings);
        return 1;
    }
    const sm_source_info *info = sm_source_info_get(s);
    size_t compared = 0;
    for (size_t i = 0; i < info->n_channels; i++) {
        if (info->channels[i].role != SM_ROLE_ACCEL && info->channels[i].role != SM_ROLE_GYRO) {
            continue;
        }
        int k = axis_index(info->channels[i].name);
        double db = 20 * log10(ac_rms(c.x[i], c.n) / true_rms(k));
        if (!(fabs(db) <= tol_db)) {
            (void)fprintf(stderr, "%s: %s off by %.3f dB (%zu rows, %g Hz, %d gaps)\n", what,
                          info->channels[i].name, db, c.n, c.rate_hz, c.n_gaps);
            faults++;
        }
        compared++;
    }
    if (c.n_gaps) {
        (void)fprintf(stderr, "%s: %d gaps, the last at %.3f s\n", what, c.n_gaps,
                      c.gap_s[(c.n_gaps - 1) % 64]);
        faults++;
    }
    faults += check_explained(what, path, s, &c);
    if (compared < least_channels) {
        (void)fprintf(stderr, "%s: only %zu channels\n", what, compared);
        faults++;
    }
    if (faults && getenv("SM_TEST_VERBOSE")) {
        (void)fprintf(stderr, "%s\n", info->decided);
    }
    for (size_t i = 0; getenv("SM_TEST_VERBOSE") && i < findings.n; i++) {
        (void)fprintf(stderr, "%s: %s %s %ld: %s\n", what, findings.items[i].code,
                      findings.items[i].channel, findings.items[i].count, findings.items[i].text);
    }
    collected_free(&c);
    sm_findings_free(&findings);
    sm_source_close(&s);
    return faults;
}

static void test_forms__give_the_same_rms(void **state)
{
    (void)state;
    int faults = 0;
    for (size_t i = 0; i < sizeof forms / sizeof forms[0]; i++) {
        const form *f = &forms[i];
        sm_text t = {0};
        sm_text_add(&t, f->head);
        fill(f);
        size_t channels = 0;
        bool plain = false;
        for (const char *s = f->row; *s; s++) {
            plain ^= *s == '`';
            channels += !plain && strchr("xyzpqrE", *s) != NULL;
        }
        for (size_t k = 0; k < ROWS; k++) {
            add_row(&t, f, k);
        }
        sm_text_add(&t, f->tail ? f->tail : "");
        if (f->utf16) {
            sm_text wide = {0};
            add_utf16(&wide, &t, f->utf16[0] == 'B');
            sm_text_free(&t);
            t = wide;
        }
        const char *path = scratch_write("form.csv", t.s, t.n);
        const char *given = f->channels ? scratch_text("form.ini", f->channels) : NULL;
        faults += check_log(f->what, path, given, f->tol_db, channels);
        sm_text_free(&t);
    }
    assert_int_equal(faults, 0);
}

/* Whole bursts and a last one that breaks off, latencies of many kinds: no row is missing. */
static void test_bursts__leave_no_gap_at_the_end(void **state)
{
    (void)state;
    int faults = 0;
    for (int i = 0; i < 24; i++) {
        burst_seed = (uint64_t)(100 + i);
        burst_rows = i % 2 ? 32 : 23; /* 12000 is 521 of them and 17 rows */
        form f = forms[0];
        f.what = "bursts";
        f.stamp = bursts;
        sm_text t = {0};
        sm_text_add(&t, f.head);
        fill(&f);
        for (size_t k = 0; k < ROWS; k++) {
            add_row(&t, &f, k);
        }
        faults += check_log(f.what, scratch_write("bursts.csv", t.s, t.n), NULL, 0.3, 6);
        sm_text_free(&t);
    }
    assert_int_equal(faults, 0);
}

/* Which value of a row an array has: as in rows, or as numbered values of an object. */
static void add_column(sm_text *t, const char *head, int c, bool keyed, const char *tail)
{
    static const double scale[7] = {1, 1 / 9.80665, 1 / 9.80665, 1 / 9.80665, DPS, DPS, DPS};
    sm_text_add(t, head);
    for (size_t i = 0; i < ROWS; i++) {
        double v = c ? values[c - 1][i] : stamps[i];
        sm_text_add(t, i ? ", " : "");
        if (keyed) {
            sm_text_addf(t, "\"%zu\":", i);
        }
        sm_text_addf(t, "%.7f", v * scale[c]);
    }
    sm_text_add(t, tail);
}

static void add_group(sm_text *t, const char *head, int c, const char *tail)
{
    sm_text_add(t, head);
    for (size_t i = 0; i < ROWS; i++) {
        double scale = c < 3 ? 1 / 9.80665 : DPS;
        sm_text_addf(t, "%s[%.7f,%.7f, %.7f]\n", i ? "," : "", values[c][i] * scale,
                     values[c + 1][i] * scale, values[c + 2][i] * scale);
    }
    sm_text_add(t, tail);
}

static int check_text(const char *what, sm_text *t, const char *channels, size_t n)
{
    const char *path = scratch_write("columns.json", t->s, t->n);
    int faults = check_log(what, path, channels, 0.1, n);
    sm_text_free(t);
    return faults;
}

static void test_json__arrays_as_columns(void **state)
{
    (void)state;
    fill(&forms[0]);
    sm_text t = {0};
    add_column(&t, "\xef\xbb\xbf{\"t\": [", 0, false,
               "], \"units\": {\"ax\": \"g\", \"t\": \"s\"},\n");
    add_column(&t, "\"ax\": [", 1, false, "], \"by\": null}\n");
    int faults = check_text("plain arrays, units beside them", &t, NULL, 1);
    add_column(&t, "{\"log\": {\"accel_g\": {\"x\": [", 1, false, "],\n");
    add_column(&t, "\"y\": [", 2, false, "],");
    add_column(&t, "\"z\": [", 3, false, "]},\n");
    add_column(&t, "\"gyro_dps\": {\"x\": [", 4, false, "]}},\"sample_rate_hz\": 1000}");
    faults += check_text("arrays in objects, rate beside them", &t, NULL, 4);
    add_column(&t, "{\"time_s\":{", 0, true, "},");
    add_column(&t, "\"ax_g\":{", 1, true, "},");
    add_column(&t, "\"gz_dps\":{", 6, true, "}}");
    faults += check_text("numbered values", &t, NULL, 2);
    add_group(&t, "{\"accel_g\": [", 0, "],");
    add_group(&t, "\"gyro_dps\": [", 3, "],");
    add_column(&t, "\"time_s\": [", 0, false, "]}");
    faults += check_text("groups of three", &t, NULL, 6);
    assert_int_equal(faults, 0);
}

int main(void)
{
    make_signal(&the_signal);
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_forms__give_the_same_rms),
        cmocka_unit_test(test_json__arrays_as_columns),
        cmocka_unit_test(test_bursts__leave_no_gap_at_the_end),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
