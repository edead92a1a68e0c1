/* Names, layouts, channels files, audio containers: a log file becomes channels and rows. */
#include "ingest/layout.h"
#include "ingest/names.h"
#include "log_help.h"
#include "stillmount/stats.h"

static void expect(const char *name, const char *unit_row, const char *role, const char *unit)
{
    sm_guess g;
    char got[128];
    sm_names_guess(name, unit_row, &g);
    switch (g.role) {
    case SM_ROLE_ACCEL:
    case SM_ROLE_GYRO:
    case SM_ROLE_MAG:
        (void)snprintf(got, sizeof got, "%s.%s.%c", g.place,
                       g.role == SM_ROLE_ACCEL  ? "accel"
                       : g.role == SM_ROLE_GYRO ? "gyro"
                                                : "mag",
                       'x' + g.axis);
        break;
    case SM_ROLE_TIME:
        (void)snprintf(got, sizeof got, "%s",
                       g.time_kind == SM_TIME_COUNTER ? "counter"
                       : g.time_kind == SM_TIME_MILLI ? "milli"
                                                      : "time");
        break;
    default:
        (void)snprintf(got, sizeof got, "%s",
                       g.role == SM_ROLE_RPM        ? "rpm"
                       : g.role == SM_ROLE_TACH     ? "tach"
                       : g.role == SM_ROLE_INTERVAL ? "interval"
                                                    : "-");
    }
    const char *got_unit = g.unit_unknown ? "?" : g.unit ? g.unit->name : "";
    if (strcmp(got, role) != 0 || strcmp(got_unit, unit) != 0) {
        (void)fprintf(stderr, "'%s': got %s [%s], expected %s [%s]\n", name, got, got_unit, role,
                      unit);
        fail();
    }
}

static void test_names__are_understood(void **state)
{
    (void)state;
    static const char *const table[][3] = {
        {"time_s", "time", "s"},
        {"t (ms)", "time", "ms"},
        {"timestamp_us", "time", "us"},
        {"Timestamp (us)", "time", "us"},
        {"Time (s)", "time", "s"},
        {"time", "time", ""},
        {"seconds_elapsed", "time", "s"},
        {"ChipTimeUS", "time", "us"},
        {"X_Value", "time", "s"},
        {"GPS TOW", "time", "s"},
        {"Milliseconds", "milli", "ms"},
        {"Time since start in ms", "time", "ms"},
        {"count", "counter", ""},
        {"Packet number", "counter", ""},
        {"dt_ns", "interval", "ns"},
        {"ax_g", "mount.accel.x", "g"},
        {"Accel X [m/s^2]", "mount.accel.x", "m/s^2"},
        {"Accel X [m/s\xc2\xb2]", "mount.accel.x", "m/s^2"},
        {"acc_y (mg)", "mount.accel.y", "mg"},
        {"gz_dps", "mount.gyro.z", "deg/s"},
        {"Gyro Z (rad/s)", "mount.gyro.z", "rad/s"},
        {"Gyroscope x (rad/s)", "mount.gyro.x", "rad/s"},
        {"Gyroscope Y (\xc2\xb0/s)", "mount.gyro.y", "deg/s"},
        {"RawGyroX", "mount.gyro.x", ""},
        {"Acc_X", "mount.accel.x", ""},
        {"a_x", "mount.accel.x", ""},
        {"g_z", "mount.gyro.z", ""},
        {"gFx", "mount.accel.x", "g"},
        {"X Accel [x8004]", "mount.accel.x", "?"},
        {"raw_acceleration_x_gs", "mount.accel.x", "g"},
        {"raw_angular_rate_x_deg_per_s", "mount.gyro.x", "deg/s"},
        {"magnetic_field_x_microteslas", "mount.mag.x", "uT"},
        {"IMU Acceleration Y", "mount.accel.y", ""},
        {"accelerometer_m_s2[0]", "mount.accel.x", "m/s^2"},
        {"accel_x_m_s2", "mount.accel.x", "m/s^2"},
        {"prop_ax_g", "prop.accel.x", "g"},
        {"base.accel.x (g)", "base.accel.x", "g"},
        {"left_gyro_z_dps", "left.gyro.z", "deg/s"},
        {"mount.accel.x [g]", "mount.accel.x", "g"},
        {"X (g)", "mount.accel.x", "g"},
        {"rpm", "rpm", "rpm"},
        {"crank_rpm", "rpm", "rpm"},
        {"prop_rpm", "rpm", "rpm"},
        {"Engine Speed (rpm)", "rpm", "rpm"},
        {"rpm (Hz)", "rpm", "Hz"},
        {"shaft_hz", "rpm", "Hz"},
        {"Crank frequency (Hz)", "rpm", "Hz"},
        {"Engine speed [rev/s]", "rpm", "rev/s"},
        {"Line frequency (Hz)", "-", ""},
        {"Time (hours)", "time", "h"},
        {"time_h", "time", "h"},
        {"Engine hours", "-", ""},
        {"Gyro Z (DEG/S)", "mount.gyro.z", "deg/s"},
        {"Accel X (M/S2)", "mount.accel.x", "m/s^2"},
        {"Accel X (G)", "mount.accel.x", "?"},
        {"Mag X (G)", "mount.mag.x", "G"},
        {"tach", "tach", ""},
        {"tach (V)", "tach", ""},
        {"accel_x (furlong)", "mount.accel.x", "?"},
        {"accel_x (deg/s)", "mount.accel.x", "?"},
        {"Voltage", "-", ""},
        {"temperature_x", "-", ""},
        {"mag_timestamp_relative_us", "-", ""},
        {"max", "-", ""},
    };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        expect(table[i][0], NULL, table[i][1], table[i][2]);
    }
    expect("ax", "g", "mount.accel.x", "g");
    expect("Accel X", "(m/s^2)", "mount.accel.x", "m/s^2");
}

static void test_names__tell_whose_rpm(void **state)
{
    (void)state;
    sm_guess g;
    sm_names_guess("prop_rpm", NULL, &g);
    assert_true(g.shaft_given && g.shaft == SM_SHAFT_PROP);
    sm_names_guess("crank_rpm", NULL, &g);
    assert_true(g.shaft_given && g.shaft == SM_SHAFT_CRANK);
    sm_names_guess("rpm", NULL, &g);
    assert_false(g.shaft_given);
}

static void test_dates(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        double seconds; /* POSIX time by hand: 2000-01-01 is 946684800 */
    } good[] = {
        {"2000-01-01T00:00:00Z", 946684800},
        {"2000-01-01 00:00:01.25", 946684801.25},
        {"2000-01-01T02:00:00+02:00", 946684800},
        {"1999-12-31T19:00:00-0500", 946684800},
        {"01-Jan-2000 00:00:03.041", 946684803.041},
        {"2000/01/01 00:01:00", 946684860},
        {"00:01:02.5", 62.5},
        {"2000-01-01 00-00-01_250", 946684801.25},
        {"01/01/2000 12:00:01.5 AM", 946684801.5}, /* twelve at night begins the day */
        {"01/01/2000 12:00:01 p.m.", 946684800 + 12 * 3600 + 1},
        {"01/01/2000 01:00:01\xe2\x80\xafPM", 946684800 + 13 * 3600 + 1},
    };
    for (size_t i = 0; i < sizeof good / sizeof good[0]; i++) {
        double v = -1;
        assert_true(sm_layout_date(good[i].text, strlen(good[i].text), &v));
        assert_close(v, good[i].seconds, 1e-6, good[i].text);
    }
    static const char *const bad[] = {"",           "1",   "1.5", "-3",         "abc",
                                      "2000-13-01", "12:", "1:2", "14:40:00 AM"};
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        double v;
        assert_false(sm_layout_date(bad[i], strlen(bad[i]), &v));
    }
}

/* Forms of the field: the first two are met in logs, the others follow them. -1: it says nothing.
 */
static void test_losses__are_read(void **state)
{
    (void)state;
    static const struct {
        const char *line;
        long lost;
        bool rows;
    } table[] = {
        {"Rate 1000, overflows 0", 0, false},
        {"Rate 1000, overflows 12", 12, false},
        {"# Integrity: True, Skipped samples: 0", 0, true},
        {"# Integrity: False, Skipped samples: 31", 31, true},
        {"// dropped = 7", 7, true},
        {"3 samples lost", 3, true},
        {"lost 4 of them", 4, true},
        {"12 overruns", 12, false},
        {"dropped_rows: 5", 5, true},
        {"# overflow threshold 12", -1, false},
        {"time,ax,dropped", -1, false},
        {"# glossed 4", -1, false},
        {"# lost 1.5 s", -1, false},
        {"# Rate 1000", -1, false},
        {"", -1, false},
    };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        bool rows = false;
        const char *s = table[i].line;
        long lost = sm_layout_lost(s, s + strlen(s), &rows);
        if (lost != table[i].lost || (lost >= 0 && rows != table[i].rows)) {
            (void)fprintf(stderr, "'%s': %ld\n", s, lost);
            fail();
        }
    }
}

/* Words and comments between rows of blanks: no row, whatever numbers they hold. */
static void test_source__comments_between_rows(void **state)
{
    (void)state;
    sm_text t = {0};
    sm_text_add(&t, "time_s ax_g ay_g\n");
    for (int i = 0; i < 100; i++) {
        sm_text_addf(&t, "%.3f %d.25 1.50\n%s", i / 1000.0, i, i == 50 ? "# dropped 12\n" : "");
    }
    collected c = {0};
    sm_error err = {0};
    sm_findings f = {0};
    assert_ok(read_log(scratch_write("comment.csv", t.s, t.n), NULL, &c, &f, NULL, &err), &err);
    assert_int_equal(c.n, 100);
    const sm_finding *lost = sm_findings_get(&f, "rows-lost", NULL);
    assert_non_null(lost);
    assert_int_equal(lost->count, 12);
    assert_int_equal(lost->severity, SM_WARNING); /* the stamps show where */
    assert_int_equal(lost->at[0].line, 53);
    assert_null(sm_findings_get(&f, "missing-values", NULL));
    sm_findings_free(&f);
    collected_free(&c);
    sm_text_free(&t);
}

static void test_source__plain_csv(void **state)
{
    (void)state;
    sm_text t = {0};
    sm_text_add(&t, "time_s,ax_g,gz_dps,rpm\n");
    for (int i = 0; i < 10000; i++) {
        sm_text_addf(&t, "%.3f,%d.5,%d,%d\n", i / 1000.0, i, -i, 1800);
    }
    const char *path = scratch_write("plain.csv", t.s, t.n);
    sm_text_free(&t);
    collected c = {0};
    sm_error err = {0};
    sm_source *s = NULL;
    assert_ok(read_log(path, NULL, &c, NULL, &s, &err), &err);
    assert_int_equal(c.n, 10000);
    assert_int_equal(c.n_channels, 3);
    assert_int_equal(c.n_gaps, 0);
    assert_int_equal(c.n_ends, 1);
    assert_close(c.rate_hz, 1000, 1e-6, "rate");
    for (size_t i = 0; i < c.n; i++) {
        assert_close(c.x[0][i], ((double)i + 0.5) * 9.80665, 1e-9 * (double)(i + 1), "accel");
        assert_close(c.x[1][i], -(double)i * acos(-1) / 180, 1e-9 * (double)(i + 1), "gyro");
        assert_close(c.x[2][i], 1800, 0, "rpm");
    }
    const sm_source_totals *totals = sm_source_totals_get(s);
    assert_int_equal(totals->n_rows, 10000);
    assert_close(totals->seconds, 9.999, 1e-9, "seconds");
    sm_file_identity id;
    assert_ok(sm_file_identify(path, &id, &err), &err);
    assert_string_equal(totals->files[0].sha256, id.sha256);
    assert_int_equal(totals->files[0].bytes, id.bytes);
    collected again = {0};
    sm_sink sink = collect_sink(&again);
    assert_ok(sm_source_pump(s, &sink, NULL, &err), &err);
    assert_int_equal(again.n, c.n);
    assert_memory_equal(again.x[0], c.x[0], c.n * sizeof(double));
    collected_free(&again);
    collected_free(&c);
    sm_source_close(&s);
}

/* A turn per second is 60 a minute. */
static void test_source__speed_in_hertz(void **state)
{
    (void)state;
    const char *path =
        scratch_text("hertz.csv", "time_s,ax_g,rpm (Hz)\n0,1,30\n0.001,2,30.5\n0.002,3,31\n");
    collected c = {0};
    sm_error err = {0};
    assert_ok(read_log(path, NULL, &c, NULL, NULL, &err), &err);
    for (size_t i = 0; i < 3; i++) {
        assert_close(c.x[1][i], 60 * (30 + 0.5 * (double)i), 0, "rpm");
    }
    collected_free(&c);
}

static void refused(const char *text, const char *channels, long line, const char *words)
{
    const char *path = scratch_text("refused.csv", text);
    const char *given = channels ? scratch_text("refused.ini", channels) : NULL;
    collected c = {0};
    sm_error err = {0};
    sm_status st = read_log(path, given, &c, NULL, NULL, &err);
    if (st == SM_OK || err.line != line || !strstr(err.message, words)) {
        (void)fprintf(stderr, "status %d, line %ld (expected %ld): %s\n  wanted: %s\n", st,
                      err.line, line, err.message, words);
        fail();
    }
    assert_true(err.source[0] != '\0');
    collected_free(&c);
}

static void test_source__refuses(void **state)
{
    (void)state;
    refused("time_s,ax\n0,1\n0.001,2\n0.002,3\n", NULL, 1, "[column ax]");
    refused("time_s,ax (furlong)\n0,1\n0.001,2\n0.002,3\n", NULL, 1, "furlong");
    refused("time_s,ax_g,Accel X [g]\n0,1,1\n0.001,2,2\n0.002,3,3\n", NULL, 1, "would both be");
    refused("time_s,ax_g\n0,nan\n0.001,nan\n0.002,nan\n", NULL, 4, "not one number");
    refused("", NULL, 1, "empty");
    refused("only words\nand more words\n", NULL, 2, "no row of numbers");
    refused("time_s,volts\n0,1\n0.001,2\n0.002,3\n", NULL, 1, "says what it is");
    refused("ax_g,ay_g\n0,1\n0.001,2\n0.002,3\n", NULL, 1, "rate_hz");
    refused("time_s,ax_g\n0,1\n0.001,2\n", "[column az_g]\nunit = g\n", 1, "no column 'az_g'");
    refused("time_s,ax_g\n0,1\n0.001,2\n", "[column ax_g]\nunti = g\n", 2, "unit");
    refused("time_s,ax_g\n0,1\n0.001,2\n", "[column ax_g]\nrole = acel.x\n", 2, "accel.x");
}

/* A number as loggers write them: signs, leading zeros, no fraction, no whole part, many digits. */
static void add_cell(sm_text *t, sm_rng *rng, char decimal)
{
    int n = (int)(sm_rng_uniform(rng) * 10);
    int n_fraction = (int)(sm_rng_uniform(rng) * 12) - 1; /* -1: no decimal mark */
    n = n == 0 && n_fraction < 1 ? 1 : n;
    sm_text_add(t, sm_rng_uniform(rng) < 0.5 ? "-" : "");
    for (int i = 0; i < n; i++) {
        sm_text_addf(t, "%d", (int)(sm_rng_uniform(rng) * 10));
    }
    if (n_fraction >= 0) {
        sm_text_addf(t, "%c", decimal);
    }
    for (int i = 0; i < n_fraction; i++) {
        sm_text_addf(t, "%d", (int)(sm_rng_uniform(rng) * 10));
    }
}

/* What no plain number is; both readers take these lines the same way. */
static const char *const odd_cells[] = {"1e-3", "", "+2.5", "x", "1-2", "0.1.2", "-", "nan"};

typedef struct form {
    const char *delimiter;
    char decimal;
    const char *end;
} form;

/* The same log twice: as it is, and with a plus in front of each line, which only the general
 * reader takes. */
static void make_pair_of_logs(form f, sm_text *plain, sm_text *with_plus)
{
    sm_rng rng = sm_rng_seed(20 + (uint64_t)f.decimal);
    sm_text *const both[2] = {plain, with_plus};
    for (int k = 0; k < 2; k++) {
        sm_text_addf(both[k], "time_s%sax_g%snote%say_g%saz_g%s", f.delimiter, f.delimiter,
                     f.delimiter, f.delimiter, f.end);
    }
    for (int i = 0; i < 9000; i++) {
        sm_text rest = {0};
        sm_text_add(&rest, f.delimiter);
        add_cell(&rest, &rng, f.decimal);
        sm_text_addf(&rest, "%sok %d%s", f.delimiter, i, f.delimiter);
        add_cell(&rest, &rng, f.decimal);
        sm_text_add(&rest, f.delimiter);
        if (i % 61 == 60) {
            sm_text_add(&rest, odd_cells[i / 61 % 8]);
        } else {
            add_cell(&rest, &rng, f.decimal);
        }
        for (int k = 0; k < 2; k++) {
            sm_text_addf(both[k], "%s%d%c%03d%s%s", k ? "+" : "", i / 1000, f.decimal, i % 1000,
                         rest.s, f.end);
        }
        sm_text_free(&rest);
    }
}

/* The two ways through a text log give the same bits: sm_plain_rows() and the general one, which is
 * held to the C library's strtod in test_core. */
static void test_source__plain_lines_are_read_as_all_others(void **state)
{
    (void)state;
    static const form forms[] = {{",", '.', "\n"}, {";", ',', "\r\n"}, {"\t", '.', "\n"}};
    for (size_t k = 0; k < sizeof forms / sizeof forms[0]; k++) {
        sm_text text[2] = {{0}};
        collected c[2] = {0};
        sm_findings found[2] = {{0}};
        sm_error err = {0};
        make_pair_of_logs(forms[k], &text[0], &text[1]);
        for (int i = 0; i < 2; i++) {
            const char *path = scratch_write(i ? "signed.csv" : "plain.csv", text[i].s, text[i].n);
            assert_ok(read_log(path, NULL, &c[i], &found[i], NULL, &err), &err);
        }
        assert_int_equal(c[0].n, 9000);
        assert_int_equal(c[1].n, 9000);
        assert_int_equal(c[0].n_channels, 3);
        for (size_t i = 0; i < 3; i++) {
            assert_memory_equal(c[0].x[i], c[1].x[i], 9000 * sizeof(double));
        }
        assert_memory_equal(c[0].t_s, c[1].t_s, 9000 * sizeof(double));
        for (int i = 0; i < 2; i++) {
            sm_findings_free(&found[i]);
            collected_free(&c[i]);
            sm_text_free(&text[i]);
        }
    }
}

/* Settings in front of the rows, more of them than a screen holds: a log all the same. */
static void test_source__rows_behind_many_settings(void **state)
{
    (void)state;
    sm_text t = {0};
    sm_text_add(&t, "[Recorder]\n");
    for (int i = 0; i < 60; i++) {
        sm_text_addf(&t, "key %d = value %d\n", i, i);
    }
    sm_text_add(&t, "time_s,ax_g,rpm\n");
    for (int i = 0; i < 100; i++) {
        sm_text_addf(&t, "%.3f,%d.25,1800\n", i / 1000.0, i % 7);
    }
    const char *path = scratch_write("settings.csv", t.s, t.n);
    collected c = {0};
    sm_error err = {0};
    assert_ok(read_log(path, NULL, &c, NULL, NULL, &err), &err);
    assert_int_equal(c.n, 100);
    assert_close(c.x[0][8], 1.25 * SM_G0_M_S2, 1e-12, "row 8: 1.25 g");
    collected_free(&c);
    sm_text_free(&t);
}

/* A thread that reads ahead changes nothing. */
static void test_source__reading_ahead_gives_the_same(void **state)
{
    (void)state;
    sm_text text[2] = {{0}};
    make_pair_of_logs((form){",", '.', "\n"}, &text[0], &text[1]);
    const char *path = scratch_write("ahead.csv", text[0].s, text[0].n);
    collected c[3] = {0};
    sm_error err = {0};
    assert_ok(read_log(path, NULL, &c[0], NULL, NULL, &err), &err);
    sm_source_options o = sm_source_options_default();
    o.threads = 3; /* from three on one reads ahead */
    sm_source *s = NULL;
    assert_ok(sm_source_open(path, &o, &s, &err), &err);
    for (int i = 1; i < 3; i++) { /* also when it is read once more */
        sm_sink sink = collect_sink(&c[i]);
        assert_ok(sm_source_pump(s, &sink, NULL, &err), &err);
        assert_int_equal(c[i].n, c[0].n);
        for (size_t k = 0; k < c[0].n_channels; k++) {
            assert_memory_equal(c[i].x[k], c[0].x[k], c[0].n * sizeof(double));
        }
    }
    sm_source_close(&s);
    for (int i = 0; i < 3; i++) {
        collected_free(&c[i]);
    }
    sm_text_free(&text[0]);
    sm_text_free(&text[1]);
}

/* The writer goes on while its log is read: both passes, and the hash, take what was there when the
 * first one came to its end. */
static void test_source__a_log_still_being_written(void **state)
{
    (void)state;
    sm_text t = {0};
    sm_text_add(&t, "time_s,ax_g,rpm\n");
    for (int i = 0; i < 120000; i++) { /* more than the reader's buffer holds */
        sm_text_addf(&t, "%.4f,%d.25,1800\n", i / 2000.0, i % 97);
    }
    for (int threads = 1; threads <= 3; threads++) {
        const char *path = scratch_write("grows.csv", t.s, t.n);
        sm_file_identity id;
        sm_error err = {0};
        assert_ok(sm_file_identify(path, &id, &err), &err);
        sm_source_options o = sm_source_options_default();
        o.threads = threads;
        o.identify_later = true;
        sm_source *s = NULL;
        assert_ok(sm_source_open(path, &o, &s, &err), &err);
        collected c[2] = {0};
        for (int i = 0; i < 2; i++) {
            sm_sink sink = collect_sink(&c[i]);
            assert_ok(sm_source_pump(s, &sink, NULL, &err), &err);
            assert_int_equal(c[i].n, 120000);
            collected_free(&c[i]);
            FILE *f = fopen(path, "a");
            assert_non_null(f);
            assert_true(fputs("60.0000,1.25,1800\n60.0005,2", f) > 0);
            assert_int_equal(fclose(f), 0);
        }
        assert_ok(sm_source_identify(s, &err), &err);
        assert_int_equal(sm_source_totals_get(s)->files[0].bytes, id.bytes);
        assert_string_equal(sm_source_totals_get(s)->files[0].sha256, id.sha256);
        sm_source_close(&s);
    }
    sm_text_free(&t);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_names__are_understood),
        cmocka_unit_test(test_names__tell_whose_rpm),
        cmocka_unit_test(test_dates),
        cmocka_unit_test(test_losses__are_read),
        cmocka_unit_test(test_source__comments_between_rows),
        cmocka_unit_test(test_source__plain_csv),
        cmocka_unit_test(test_source__speed_in_hertz),
        cmocka_unit_test(test_source__refuses),
        cmocka_unit_test(test_source__plain_lines_are_read_as_all_others),
        cmocka_unit_test(test_source__rows_behind_many_settings),
        cmocka_unit_test(test_source__reading_ahead_gives_the_same),
        cmocka_unit_test(test_source__a_log_still_being_written),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
