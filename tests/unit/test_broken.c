/* Broken logs are refused with file and line, and never crash; every allocation may fail. */
#include "core/alloc.h"
#include "log_help.h"
#include "stillmount/number.h"

#include <sndfile.h>
#include <unistd.h>

typedef struct broken {
    const char *what;
    const char *log;
    const char *channels;
    sm_status status; /* SM_OK: readable, and a finding says what is wrong */
    long line;        /* -1 = any */
    const char *words;
} broken;

#define ROWS3 "0,1\n0.001,2\n0.002,3\n"

static const broken cases[] = {
    {"empty", "", NULL, SM_E_SHORT, 1, "empty"},
    {"one line end", "\n", NULL, SM_E_FORMAT, -1, "no row of numbers"},
    {"only a header", "time_s,ax_g\n", NULL, SM_E_FORMAT, 1, "no row of numbers"},
    {"one row", "time_s,ax_g\n0,1\n", NULL, SM_E_SHORT, 2, "too few"},
    {"words", "the quick\nbrown fox\njumps\n", NULL, SM_E_FORMAT, 3, "no row of numbers"},
    {"no unit", "time_s,ax\n" ROWS3, NULL, SM_E_FORMAT, 1, "unit = g"},
    {"unknown unit", "time_s,ax (furlong)\n" ROWS3, NULL, SM_E_FORMAT, 1, "furlong"},
    {"gauss is not g", "time_s,ax [G]\n" ROWS3, NULL, SM_E_FORMAT, 1, "'G' is a unit of field"},
    {"a frequency is no speed", "time_s,loudest (Hz)\n" ROWS3, NULL, SM_E_FORMAT, 1,
     "says what it is"},
    {"day numbers that stand still", "Date,ax_g\n45987.5,1\n45987.5,2\n45987.5,3\n", NULL,
     SM_E_FORMAT, 1, "more decimals"},
    {"JSON columns of two lengths", "{\"t_s\": [0,1,2,3],\n\"ax_g\": [0,1,2]}", NULL, SM_E_FORMAT,
     2, "'ax_g' has 3"},
    {"JSON columns that break off", "{\"t_s\": [0,1,2,3],\n\"ax_g\": [0,1", NULL, SM_E_FORMAT, 2,
     "breaks off inside 'ax_g'"},
    {"JSON columns that cannot be read", "{\"t_s\": [0,1 2,3], \"ax_g\": [0,1,2,3]}", NULL,
     SM_E_FORMAT, 1, "'t_s'"},
    {"JSON columns, and more behind", "{\"t_s\": [0,0.001,0.002],\n\"ax_g\": [0,1,2]}\n[1]", NULL,
     SM_E_FORMAT, 3, "more stands behind"},
    {"JSON without an array", "{\"t_s\": 0, \"ax_g\": 1}", NULL, SM_E_FORMAT, 1, "no array"},
    {"JSON columns without a unit", "{\"t_s\": [0,0.001], \"ax\": [0,1]}", NULL, SM_E_FORMAT, 1,
     "unit = g"},
    {"unit of another kind", "time_s,ax (deg/s)\n" ROWS3, NULL, SM_E_FORMAT, 1, "deg/s"},
    {"unknown unit in the units row", "time,ax\ns,furlong\n" ROWS3, NULL, SM_E_FORMAT, -1, ""},
    {"two columns for one role", "time_s,ax_g,acc_x (mg)\n0,1,1\n0.001,2,2\n0.002,3,3\n", NULL,
     SM_E_FORMAT, 1, "both be mount.accel.x"},
    {"nothing but NaN", "time_s,ax_g\n0,nan\n0.001,NaN\n0.002,inf\n", NULL, SM_E_VALUE, 4,
     "not one number"},
    {"time stands still", "time_s,ax_g\n1,1\n1,2\n1,3\n1,4\n", NULL, SM_E_VALUE, 2,
     "does not advance"},
    {"time is NaN", "time_s,ax_g\nnan,1\nnan,2\nnan,3\n", NULL, SM_E_SHORT, 4, "too few"},
    {"time runs backwards", "time_s,ax_g\n3,1\n2,2\n1,3\n0,4\n", NULL, SM_OK, 0, "time-reversed"},
    {"decimal commas between commas",
     "time_s,ax_g,ay_g\n0,000,0,12,-0,5\n0,001,0,13,-0,4\n0,002,0,14,-0,3\n0,003,0,15,-0,2\n", NULL,
     SM_E_FORMAT, 2, "decimal commas"},
    {"no time, no rate", "ax_g,ay_g\n1,2\n2,3\n3,4\n", NULL, SM_E_FORMAT, 1, "rate_hz"},
    {"counter, no rate", "count,ax_g\n0,2\n1,3\n2,4\n", NULL, SM_E_FORMAT, 1, "rate_hz"},
    {"time unit not known", "time (fortnights),ax_g\n" ROWS3, NULL, SM_E_FORMAT, 1, "fortnights"},
    {"time unit cannot be told", "time,ax_g\n0,1\n0.03,2\n0.06,3\n", NULL, SM_E_FORMAT, 1,
     "unit = s"},
    {"no known column", "time_s,volts,amps\n0,1,2\n0.001,2,2\n0.002,3,2\n", NULL, SM_E_FORMAT, 1,
     "says what it is"},
    {"headerless", "0,1,2\n0.001,2,3\n0.002,3,4\n", NULL, SM_E_FORMAT, 1, "[column 1]"},
    {"channels file: unknown key", "time_s,ax_g\n" ROWS3, "[column ax_g]\nscal = 2\n", SM_E_FORMAT,
     2, "scale"},
    {"channels file: unknown section", "time_s,ax_g\n" ROWS3, "[colum ax_g]\nscale = 2\n",
     SM_E_FORMAT, 1, "colum"},
    {"channels file: no such column", "time_s,ax_g\n" ROWS3, "[column ay_g]\nscale = 2\n",
     SM_E_FORMAT, 1, "ax_g"},
    {"channels file: column 9", "time_s,ax_g\n" ROWS3, "[column 9]\nscale = 2\n", SM_E_FORMAT, 1,
     "2 columns"},
    {"channels file: unknown role", "time_s,ax_g\n" ROWS3, "[column ax_g]\nrole = acel.x\n",
     SM_E_FORMAT, 2, "accel.x"},
    {"channels file: unknown unit", "time_s,ax_g\n" ROWS3, "[column ax_g]\nunit = gee\n",
     SM_E_FORMAT, 2, "gee"},
    {"channels file: unit of another kind", "time_s,ax_g\n" ROWS3, "[column ax_g]\nunit = dps\n",
     SM_E_VALUE, 2, "rate"},
    {"channels file: scale 0", "time_s,ax_g\n" ROWS3, "[column ax_g]\nscale = 0\n", SM_E_VALUE, 2,
     "scale"},
    {"channels file: negative range", "time_s,ax_g\n" ROWS3, "[column ax_g]\nrange = -4 g\n",
     SM_E_VALUE, 2, "range"},
    {"channels file: range in another unit", "time_s,ax_g\n" ROWS3,
     "[column ax_g]\nrange = 4 deg/s\n", SM_E_VALUE, 2, "range"},
    {"channels file: rate 0", "time_s,ax_g\n" ROWS3, "[log]\nrate_hz = 0\n", SM_E_VALUE, 2,
     "rate_hz"},
    {"channels file: key twice", "time_s,ax_g\n" ROWS3, "[column ax_g]\nscale = 1\nscale = 2\n",
     SM_E_FORMAT, 3, "already"},
    {"channels file: comma twice", "time_s,ax_g\n" ROWS3,
     "[log]\ndelimiter = comma\ndecimal = comma\n", SM_E_VALUE, 3, "comma"},
    {"channels file: axes twice x", "time_s,ax_g\n" ROWS3, "[orientation mount]\naxes = x x y\n",
     SM_E_VALUE, 2, "axes"},
    {"channels file: skewed matrix", "time_s,ax_g\n" ROWS3,
     "[orientation mount]\nmatrix = 1 0 0 1 1 0 0 0 1\n", SM_E_VALUE, 2, "matrix"},
    {"channels file: a row of zeros", "time_s,ax_g\n" ROWS3,
     "[orientation mount]\nmatrix = 1 0 0 0 1 0 0 0 0\n", SM_E_VALUE, 2, "row 3"},
    {"channels file: mirrored axes", "time_s,ax_g\n" ROWS3, "[orientation mount]\naxes = x z y\n",
     SM_E_VALUE, 2, "left-handed"},
    {"channels file: mirrored matrix", "time_s,ax_g\n" ROWS3,
     "[orientation mount]\nmatrix = 1 0 0 0 0.8 0.6 0 0.6 -0.8\n", SM_E_VALUE, 2, "left-handed"},
    {"channels file: matrix without all axes", "time_s,ax_g\n" ROWS3,
     "[orientation mount]\nmatrix = 0.8 0.6 0 -0.6 0.8 0 0 0 1\n", SM_E_FORMAT, 0, "needs x, y"},
    {"channels file: two times", "time_s,t2,ax_g\n0,0,1\n0.001,1,2\n0.002,2,3\n",
     "[column time_s]\nrole = time\n[column t2]\nrole = time\nunit = ms\n", SM_E_FORMAT, 0, "both"},
    {"tolerance of 200 %", "time_s,ax_g\n" ROWS3, "[column ax_g]\ntolerance = 200 %\n", SM_E_VALUE,
     2, "tolerance"},
    {"run file without files", "[run]\nname = x\n", NULL, SM_E_FORMAT, 1, "[file NAME]"},
    {"run file with an unknown key", "[run]\nnam = x\n", NULL, SM_E_FORMAT, 2, "name"},
    {"run file with a missing file", "[run]\n[file nowhere.csv]\n", NULL, SM_E_IO, 0, "open"},
    {"header again in the middle", "time_s,ax_g\n" ROWS3 "0.003,4\ntime_s,ax_g\n0.004,5\n", NULL,
     SM_OK, 0, "missing-values"},
    {"short last line", "time_s,ax_g\n0,1\n0.001,2\n0.002,3\n0.003", NULL, SM_OK, 0, "cut-short"},
    {"words between the rows", "time_s,ax_g\n" ROWS3 "0.003,x\n0.004,4\n", NULL, SM_OK, 0,
     "missing-values"},
    {"escape codes in a name", "time_s,a\033[31mx_g\n" ROWS3, NULL, SM_E_FORMAT, 1, "a?[31mx_g"},
};

static void test_broken__are_refused_by_line(void **state)
{
    (void)state;
    int faults = 0;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        const broken *b = &cases[i];
        const char *path = scratch_text("broken.csv", b->log);
        const char *ini = b->channels ? scratch_text("broken.ini", b->channels) : NULL;
        collected c = {0};
        sm_findings f = {0};
        sm_error err = {0};
        sm_status st = read_log(path, ini, &c, &f, NULL, &err);
        bool good = st == b->status;
        if (st == SM_OK) {
            bool found = false;
            for (size_t k = 0; k < f.n; k++) {
                found |= strcmp(f.items[k].code, b->words) == 0;
            }
            good &= found;
        } else {
            good &= b->line < 0 || err.line == b->line;
            good &= strstr(err.message, b->words) != NULL && err.source[0] && err.message[0];
            good &= strpbrk(err.message, "\n\033") == NULL && c.n_ends == 0;
        }
        if (!good) {
            (void)fprintf(stderr, "%s: %s, line %ld: %s\n", b->what, sm_status_text(st), err.line,
                          err.message);
            faults++;
        }
        collected_free(&c);
        sm_findings_free(&f);
    }
    assert_int_equal(faults, 0);
}

/* What a run file can get wrong; a.csv and b.csv hold accelerations, r.csv rpm, w.csv a tach. */
static void test_run_files__are_refused_by_line(void **state)
{
    (void)state;
    static const struct {
        const char *run;
        sm_status status;
        long line;
        const char *words;
    } runs[] = {
        {"[run]\n[file a.csv]\n[file a.csv]\n", SM_E_FORMAT, 3, "a.csv"},
        {"[run]\n[file a.csv]\n[file b.csv]\noffset_s = 0\n", SM_E_FORMAT, 0, "already in"},
        {"[run]\n[file a.csv]\n[file r.csv]\n", SM_E_VALUE, 3, "--rpm-log"},
        {"[run]\n[file a.csv]\n[file c.csv]\n", SM_E_VALUE, 3, "three taps"},
        {"[run]\n[file a.csv]\noffset_s = soon\n", SM_E_VALUE, 3, "offset_s"},
        {"[run]\n[file a.csv]\noffset_s = 1e11\n", SM_E_VALUE, 3, "offset_s"},
        {"[run]\n[file a.csv]\nchannels = none.ini\n", SM_E_IO, 0, "open"},
        {"[run]\n[fil a.csv]\n", SM_E_FORMAT, 2, "file"},
        {"[run]\n[file .]\n", SM_E_IO, 0, "folder"},
    };
    sm_text a = {0};
    sm_text b = {0};
    sm_text r = {0};
    sm_text other = {0};
    sm_text_add(&a, "time_s,ax_g\n");
    sm_text_add(&b, "time_s,ax_g\n");
    sm_text_add(&r, "time_s,rpm\n");
    sm_text_add(&other, "time_s,left_ax_g\n");
    for (int i = 0; i < 4000; i++) {
        sm_text_addf(&a, "%.3f,%d\n", i * 0.001, i * 7 % 11);
        sm_text_addf(&b, "%.3f,%d\n", i * 0.001, i * 7 % 11);
        sm_text_addf(&r, "%.3f,%d\n", i * 0.001, 1800 + i);
        sm_text_addf(&other, "%.3f,%d\n", i * 0.001, i * i % 13);
    }
    (void)scratch_write("a.csv", a.s, a.n);
    (void)scratch_write("b.csv", b.s, b.n);
    (void)scratch_write("r.csv", r.s, r.n);
    (void)scratch_write("c.csv", other.s, other.n);
    int faults = 0;
    for (size_t i = 0; i < sizeof runs / sizeof runs[0]; i++) {
        collected c = {0};
        sm_error err = {0};
        sm_status st = read_log(scratch_text("odd.run", runs[i].run), NULL, &c, NULL, NULL, &err);
        if (st != runs[i].status || err.line != runs[i].line ||
            !strstr(err.message, runs[i].words)) {
            (void)fprintf(stderr, "%s%s, line %ld: %s\n", runs[i].run, sm_status_text(st), err.line,
                          err.message);
            faults++;
        }
        collected_free(&c);
    }
    sm_text_free(&a);
    sm_text_free(&b);
    sm_text_free(&r);
    sm_text_free(&other);
    assert_int_equal(faults, 0);
}

/* Four decimals of a day are 8.64 s: at 400 Hz the first block of rows has two stamps at most. */
static void test_days__too_coarse(void **state)
{
    (void)state;
    sm_text t = {0};
    sm_text_add(&t, "Date,ax_g\n");
    for (int i = 0; i < 5000; i++) {
        sm_text_addf(&t, "%.4f,%d\n", 45987.5123 + i / 400.0 / 86400, i % 17);
    }
    const char *path = scratch_write("days.csv", t.s, t.n);
    sm_text_free(&t);
    collected c = {0};
    sm_error err = {0};
    assert_int_equal(read_log(path, NULL, &c, NULL, NULL, &err), SM_E_FORMAT);
    assert_non_null(strstr(err.message, "more decimals"));
    collected_free(&c);
}

static sm_status read_bytes(const void *data, size_t n, sm_error *err)
{
    const char *path = scratch_write("bytes.csv", data, n);
    collected c = {0};
    sm_status st = read_log(path, NULL, &c, NULL, NULL, err);
    collected_free(&c);
    return st;
}

static void test_broken__bytes(void **state)
{
    (void)state;
    sm_error err = {0};
    static char junk[3 << 20];
    for (size_t i = 0; i < sizeof junk; i++) {
        junk[i] = (char)(i * 2654435761u >> 13);
    }
    assert_int_equal(read_bytes(junk, 5000, &err), SM_E_FORMAT);
    memset(junk, 'x', sizeof junk); /* a line without an end */
    assert_int_equal(read_bytes(junk, sizeof junk, &err), SM_E_FORMAT);
    memset(junk, '\n', sizeof junk);
    assert_int_equal(read_bytes(junk, sizeof junk, &err), SM_E_FORMAT);
    assert_int_equal(read_bytes("RIFF\0\0\0\0WAVE", 12, &err), SM_E_FORMAT);
    assert_int_equal(read_bytes("fLaC", 4, &err), SM_E_FORMAT);
    static const char wide[] = "\xff\xfet\0i\0m\0e\0\n\0";
    assert_int_equal(read_bytes(wide, sizeof wide - 1, &err), SM_E_FORMAT);
    assert_non_null(strstr(err.message, "no row of numbers"));
    static const char odd[] = "\xfe\xff\0t\0,\0\x61\xd8\x3d\0\n\xdc\0\0\n\0"; /* halves, cut */
    assert_int_equal(read_bytes(odd, sizeof odd - 1, &err), SM_E_FORMAT);
    assert_int_equal(read_bytes("\0\0\0\0\0\0\0\0\0\0", 10, &err), SM_E_FORMAT);
    assert_non_null(strstr(err.message, "binary"));
    sm_source *s = NULL;
    assert_int_equal(sm_source_open(SM_TEST_SCRATCH, NULL, &s, &err), SM_E_IO);
    assert_int_equal(sm_source_open("/nonexistent/log.csv", NULL, &s, &err), SM_E_IO);
    assert_null(s);
}

static void write_wav(const char *path, int format)
{
    SF_INFO info = {.samplerate = 2000, .channels = 2, .format = format};
    SNDFILE *f = sf_open(path, SFM_WRITE, &info);
    assert_non_null(f);
    for (int i = 0; i < 10000; i++) {
        double frame[2] = {0.25 * cos(2 * 3.14159265358979 * 100 * i / 2000.0), 0.1};
        assert_int_equal(sf_writef_double(f, frame, 1), 1);
    }
    assert_int_equal(sf_close(f), 0);
}

static void test_audio__needs_and_follows_a_channels_file(void **state)
{
    (void)state;
    static const int formats[] = {
        SF_FORMAT_WAV | SF_FORMAT_PCM_24,  SF_FORMAT_WAV | SF_FORMAT_FLOAT,
        SF_FORMAT_W64 | SF_FORMAT_PCM_16,  SF_FORMAT_CAF | SF_FORMAT_PCM_24,
        SF_FORMAT_RF64 | SF_FORMAT_PCM_24, SF_FORMAT_FLAC | SF_FORMAT_PCM_24};
    for (size_t i = 0; i < sizeof formats / sizeof formats[0]; i++) {
        const char *ini = scratch_text("audio.ini", "[column 1]\nrole = accel.x\nunit = g\n"
                                                    "scale = 8\nrange = 8 g\n");
        const char *path = scratch_path("log.audio");
        write_wav(path, formats[i]);
        collected c = {0};
        sm_error err = {0};
        assert_int_equal(read_log(path, NULL, &c, NULL, NULL, &err), SM_E_FORMAT);
        assert_non_null(strstr(err.message, "channels file"));
        assert_ok(read_log(path, ini, &c, NULL, NULL, &err), &err);
        assert_int_equal(c.n, 10000);
        assert_int_equal(c.n_channels, 1);
        assert_close(c.rate_hz, 2000, 1e-9, "rate");
        /* 16 bits of 8 g: half a step is 0.00012 g */
        assert_close(c.x[0][0], 2 * 9.80665, 0.00013 * 9.80665, "a quarter of full scale");
        collected_free(&c);
    }
}

static void read_from_stdin(const sm_text *t)
{
    int ends[2];
    assert_int_equal(pipe(ends), 0);
    int saved = dup(STDIN_FILENO);
    assert_true(dup2(ends[0], STDIN_FILENO) >= 0);
    (void)close(ends[0]);
    /* a pipe holds 64 KiB at least; short reads come by themselves */
    assert_int_equal(write(ends[1], t->s, t->n), (ssize_t)t->n);
    (void)close(ends[1]);
    collected c = {0};
    sm_error err = {0};
    sm_source *s = NULL;
    assert_ok(read_log("-", NULL, &c, NULL, &s, &err), &err);
    assert_int_equal(c.n, 5000);
    assert_int_equal(sm_source_totals_get(s)->files[0].bytes, t->n);
    assert_int_equal(strlen(sm_source_totals_get(s)->files[0].sha256), 64);
    sm_source_close(&s);
    (void)dup2(saved, STDIN_FILENO);
    (void)close(saved);
    collected_free(&c);
}

static void test_stdin__is_read_as_a_log(void **state)
{
    (void)state;
    sm_text rows = {0};
    sm_text columns = {0};
    sm_text_add(&rows, "time_s,ax_g\n");
    sm_text_add(&columns, "{\"time_s\": [");
    for (int i = 0; i < 5000; i++) {
        sm_text_addf(&rows, "%.3f,%d\n", i * 0.001, i % 17);
        sm_text_addf(&columns, "%s%.3f", i ? "," : "", i * 0.001);
    }
    sm_text_add(&columns, "], \"ax_g\": [");
    for (int i = 0; i < 5000; i++) {
        sm_text_addf(&columns, "%s%d", i ? "," : "", i % 17);
    }
    sm_text_add(&columns, "]}");
    read_from_stdin(&rows);
    read_from_stdin(&columns);
    sm_text_free(&rows);
    sm_text_free(&columns);
}

/* Every allocation of open and pump fails in turn: out of memory each time, no leak, no crash. */
static void fail_each(const char *path, const char *channels)
{
    for (long k = 1; k < 4000; k++) {
        collected c = {0};
        sm_findings f = {0};
        sm_error err = {0};
        sm_alloc_fail_at(k);
        sm_status st = read_log(path, channels, &c, &f, NULL, &err);
        sm_alloc_fail_at(0);
        collected_free(&c);
        sm_findings_free(&f);
        if (st == SM_OK) {
            assert_true(k > 5);
            return;
        }
        if (st != SM_E_NOMEM) {
            (void)fprintf(stderr, "%s, allocation %ld: %s: %s\n", path, k, sm_status_text(st),
                          err.message);
            fail();
        }
    }
    fail();
}

static void test_allocations__all_fail_well(void **state)
{
    (void)state;
    sm_text plain = {0};
    sm_text rough = {0};
    sm_text sparse = {0};
    sm_text longer = {0};
    sm_text_add(&plain, "time_s,ax_g,ay_g,az_g\n");
    sm_text_add(&rough, "time_s,ax_g\n");
    sm_text_add(&sparse, "time_s,ax_g,gx_dps\n");
    sm_text_add(&longer, "time_s,sensor,x,y,z\n");
    for (int i = 0; i < 3000; i++) {
        sm_text_addf(&plain, "%.3f,%d,%d,%d\n", i * 0.001, i % 7, i % 5, i % 3);
        sm_text_addf(&rough, "%.5f,%d\n", i / 16 * 0.016 + 0.0003 * (i / 16 % 5), i % 7);
        sm_text_addf(&sparse, "%.3f,%d,%s\n", i * 0.001, i % 7, i % 3 ? "" : "1.5");
        sm_text_addf(&longer, "%.3f,%s,1,%d,3\n", i * 0.001, i % 2 ? "accel" : "gyro", i % 9);
    }
    const char *ini = scratch_text("fail.ini", "[column accel x]\nunit = g\n[column accel y]\nunit "
                                               "= g\n[column accel z]\nunit = g\n[column gyro x]\n"
                                               "unit = dps\n[column gyro y]\nunit = dps\n[column "
                                               "gyro z]\nunit = dps\n");
    char ini_path[512];
    (void)snprintf(ini_path, sizeof ini_path, "%s", ini);
    fail_each(scratch_write("fail-plain.csv", plain.s, plain.n), NULL);
    fail_each(scratch_write("fail-rough.csv", rough.s, rough.n), NULL);
    fail_each(scratch_write("fail-sparse.csv", sparse.s, sparse.n), NULL);
    fail_each(scratch_write("fail-long.csv", longer.s, longer.n), ini_path);
    fail_each(scratch_text("fail.json", "{\"t_s\": [0,0.001,0.002], \"units\": {\"ax\": \"g\"}, "
                                        "\"ax\": [0,1,2]}"),
              NULL);
    fail_each(scratch_text("fail.json",
                           "{\"columns\": [\"t_s\",\"ax_g\"], \"data\": [[0,1],[1,2],[2,3]]}"),
              NULL);
    static const char two[] =
        "t\0_\0s\0,\0a\0x\0_\0g\0\n\0\x30\0,\0\x31\0\n\0\x31\0,\0\x31\0\n\0\x32\0,\0\x32\0\n";
    fail_each(scratch_write("fail-wide.csv", two, sizeof two), NULL);
    fail_each(scratch_text("fail.run", "[run]\nname = a\n[file fail-plain.csv]\n"), NULL);
    sm_text_free(&plain);
    sm_text_free(&rough);
    sm_text_free(&sparse);
    sm_text_free(&longer);
    ini = scratch_text("audio.ini", "[column 1]\nrole = accel.x\nunit = g\n");
    const char *path = scratch_path("log.wav");
    write_wav(path, SF_FORMAT_WAV | SF_FORMAT_PCM_24);
    fail_each(path, ini);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_broken__are_refused_by_line),
        cmocka_unit_test(test_days__too_coarse),
        cmocka_unit_test(test_run_files__are_refused_by_line),
        cmocka_unit_test(test_broken__bytes),
        cmocka_unit_test(test_audio__needs_and_follows_a_channels_file),
        cmocka_unit_test(test_stdin__is_read_as_a_log),
        cmocka_unit_test(test_allocations__all_fail_well),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
