/* Pictures and pages: nothing hostile gets through, nothing half-written stays, words are there. */
#include "core/alloc.h"
#include "report/pictures.h"
#include "report/plot.h"
#include "report/process.h"
#include "report/record.h"
#include "report/svg.h"
#include "sm_test.h"
#include "stillmount/file.h"
#include "stillmount/report.h"

#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define SCRATCH SM_TEST_SCRATCH "/report"

/* What a name in a log may hold; %s of the template below. */
static const char *const hostile[] = {
    "<script>alert(1)</script>",
    "\\\" onload=\\\"x",
    "`touch pwned`",
    "$(touch pwned)",
    "'; system('touch pwned'); '",
    "a\\nset output 'pwned'\\n!touch pwned",
    "\\\"; !touch pwned; \\\"",
    "{/:Bold x}_{y}^@~&{z}",
    "\\u202eevil\\u0007",
    "% %s %n #",
};

static const char *const template_text =
    "{\"schema\": \"stillmount/assessment/1\", \"program\": {\"name\": \"stillmount\", "
    "\"version\": "
    "\"0\"}, \"run\": {\"files\": [{\"name\": \"%1$s\", \"bytes\": 12, \"sha256\": \"ab\"}], "
    "\"name\": \"%1$s\", \"seconds\": 10, \"rate_hz\": 1000}, \"speed\": {\"source\": \"%1$s\", "
    "\"rpm_of\": \"crank\"}, \"findings\": [{\"code\": \"gap\", \"severity\": \"note\", "
    "\"channel\": "
    "\"%1$s\", \"count\": 1, \"at\": [{\"t\": [1, 2], \"line\": 3}], \"effect\": \"%1$s\", "
    "\"text\": "
    "\"%1$s\"}], \"bands\": [{\"rpm\": [1800, 2000], \"required\": true, \"seconds\": 5, "
    "\"frames\": "
    "9, \"passes\": {\"up\": 1, \"down\": 0, \"held\": 0}, \"results\": [{\"limit\": \"%1$s\", "
    "\"channel\": \"%1$s\", \"measure\": {\"kind\": \"rms\", \"hz\": [5, 200]}, \"value\": 0.25, "
    "\"interval\": [0.2, 0.4], \"ceiling\": 0.45, \"max\": 0.5, \"unit\": \"%1$s\", \"detector\": "
    "\"rms\", \"margin_db\": 6.0206, \"spent\": 0.5, \"reserve_db\": 6, \"verdict\": \"within\", "
    "\"reasons\": [{\"code\": \"x\", \"text\": \"%1$s\"}], \"cause\": {\"kind\": \"order\", "
    "\"label\": \"%1$s\", \"share\": 0.5}}]}, {\"rpm\": [2000, 2200], \"required\": true, "
    "\"seconds\": 0, \"frames\": 0, \"results\": []}], \"resonances\": [{\"channel\": \"%1$s\", "
    "\"hz\": 62, \"damping_ratio\": 0.1, \"amplification\": 5, \"excited_by\": [\"%1$s\"], "
    "\"rpm_at\": [1900]}], \"peaks\": [{\"channel\": \"%1$s\", \"rpm\": [1800, 2000], \"hz\": 63, "
    "\"amplitude\": 0.2, \"unit\": \"%1$s\", \"detector\": \"peak\", \"source\": {\"kind\": "
    "\"order\","
    " \"label\": \"%1$s\", \"order\": 2}}], \"orders\": [{\"channel\": \"%1$s\", \"label\": "
    "\"%1$s\", "
    "\"order\": 2, \"unit\": \"%1$s\", \"detector\": \"peak\", \"direction\": \"up\", \"rpm\": "
    "[1800, "
    "1900, 2000], \"amplitude\": [0.1, 0.2, 0.1], \"noise\": [0.001, 0.001, 0.001]}], \"spectra\": "
    "[{\"channel\": \"%1$s\", \"rpm\": [1800, 2000], \"hz\": [0, 20, 40, 60, 80, 100], \"psd\": "
    "[1e-6, 1e-5, 1e-5, 1e-3, 1e-5, 1e-6], \"floor\": [1e-6, 1e-6, 1e-6, 1e-6, 1e-6, 1e-6], "
    "\"unit\": \"%1$s\"}], \"map\": [{\"channel\": \"%1$s\", \"rpm\": [1812, 1837, 1862, 1887], "
    "\"hz\": [0, 20, 40, 60], \"db\": [[-60, -50, -40, -20], [-60, -50, -40, -21], null, [-60, "
    "-50, "
    "-40, -22]], \"unit\": \"%1$s\"}], \"verdict\": \"within\", \"reasons\": [{\"code\": \"x\", "
    "\"text\": \"%1$s\"}], \"covers\": {\"rpm\": [[1800, 2000]], \"passes\": \"%1$s\", \"hz_max\": "
    "200, \"limits_from\": \"%1$s\"}, \"not_covered\": [\"%1$s\"]}";

static sm_json_doc *document(const char *name)
{
    sm_error err = {0};
    sm_json_doc *doc = NULL;
    sm_text t = {0};
    for (const char *p = template_text; *p;) { /* names may hold %: no printf */
        if (strncmp(p, "%1$s", 4) == 0) {
            sm_text_add(&t, name);
            p += 4;
        } else {
            sm_text_add_n(&t, p++, 1);
        }
    }
    assert_ok(sm_json_parse(t.s, t.n, "template", &doc, &err), &err);
    sm_text_free(&t);
    return doc;
}

static bool exists(const char *name)
{
    char path[600];
    struct stat s;
    (void)snprintf(path, sizeof path, SCRATCH "/%s", name);
    return stat(path, &s) == 0;
}

static char *load(const char *name)
{
    char path[600];
    char *text = NULL;
    size_t n = 0;
    sm_error err = {0};
    (void)snprintf(path, sizeof path, SCRATCH "/%s", name);
    assert_ok(sm_file_load(path, 64u << 20, &text, &n, &err), &err);
    return text;
}

static void clear_scratch(void)
{
    static const char *const names[] = {"margin", "map", "spectrum", "orders"};
    static const char *const endings[] = {"gp", "dat", "svg", "png"};
    char path[600];
    for (size_t i = 0; i < 16; i++) {
        (void)snprintf(path, sizeof path, SCRATCH "/%s.%s", names[i / 4], endings[i % 4]);
        (void)unlink(path);
    }
    (void)unlink(SCRATCH "/page.html");
    (void)rmdir(SCRATCH);
}

/* Every name everywhere: no command is run, no markup broken, and the script holds none of it. */
static void test_report__hostile_names(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof hostile / sizeof hostile[0]; i++) {
        clear_scratch();
        sm_json_doc *doc = document(hostile[i]);
        sm_error err = {0};
        char warning[800];
        sm_report_options opt = sm_report_options_default();
        const char *note[] = {hostile[i], "aircraft=<b>&\"'"};
        opt.png = i == 0;
        opt.notes = note;
        opt.n_notes = 2;
        assert_ok(sm_report_write(doc, SM_TEST_SCRATCH "/page.html", SCRATCH, &opt, warning,
                                  sizeof warning, &err),
                  &err);
        assert_false(exists("pwned"));
        assert_int_not_equal(access("pwned", F_OK), 0);
        char *script = load("margin.gp");
        assert_null(strstr(script, "pwned"));
        assert_null(strstr(script, "script"
                                   ">"));
        sm_file_text_free(script);
        char *page = load("../page.html");
        assert_null(strstr(page, "<script"));
        assert_null(strstr(page, "<b>&\""));
        assert_null(strstr(page, "onload=\""));
        assert_null(strchr(page, '\a'));
        assert_non_null(strstr(page, "&lt;b&gt;&amp;&quot;&#39;"));
        assert_non_null(strstr(page, "within"));
        if (!strstr(warning, "not installed")) {
            assert_string_equal(warning, "");
            assert_true(exists("margin.svg") && exists("map.svg") && exists("spectrum.svg") &&
                        exists("orders.svg"));
            assert_non_null(strstr(page, "<svg"));
        }
        sm_file_text_free(page);
        sm_json_close(&doc);
    }
    clear_scratch();
}

static void test_report__names_of_ten_thousand_characters(void **state)
{
    (void)state;
    char *name = sm_alloc_array(10001, 1);
    assert_non_null(name);
    memset(name, 'W', 10000);
    sm_json_doc *doc = document(name);
    sm_error err = {0};
    char warning[800];
    assert_ok(sm_report_write(doc, SM_TEST_SCRATCH "/page.html", SCRATCH, NULL, warning,
                              sizeof warning, &err),
              &err);
    assert_true(warning[0] == '\0' || strstr(warning, "not installed"));
    sm_json_close(&doc);
    sm_free(name);
    clear_scratch();
}

static void test_report__gnuplot_missing_keeps_script_and_data(void **state)
{
    (void)state;
    clear_scratch();
    sm_json_doc *doc = document("shake");
    sm_error err = {0};
    sm_pictures pics = {0};
    sm_report_options opt = sm_report_options_default();
    opt.gnuplot = "/nowhere/gnuplot";
    assert_ok(sm_report_plots(doc, SCRATCH, &opt, &pics, &err), &err);
    assert_false(pics.drawn);
    assert_non_null(strstr(pics.warning, "not installed"));
    assert_int_equal(pics.n, 4);
    assert_true(exists("margin.gp") && exists("margin.dat") && exists("orders.gp"));
    assert_false(exists("margin.svg"));
    sm_text page = {0};
    assert_ok(sm_report_html(doc, &opt, &pics, &page, &err), &err);
    assert_non_null(strstr(page.s, "without some of its pictures"));
    sm_text_free(&page);
    sm_pictures_free(&pics);
    opt.gnuplot = "/bin/false"; /* there, but fails: a warning as well */
    assert_ok(sm_report_plots(doc, SCRATCH, &opt, &pics, &err), &err);
    assert_false(pics.drawn);
    assert_non_null(strstr(pics.warning, "failed"));
    sm_pictures_free(&pics);
    sm_json_close(&doc);
    clear_scratch();
}

static void test_report__folder_that_cannot_be_written(void **state)
{
    (void)state;
    sm_json_doc *doc = document("shake");
    sm_error err = {0};
    sm_pictures pics = {0};
    char warning[800];
    assert_int_equal(sm_report_plots(doc, "/dev/null/plots", NULL, &pics, &err), SM_E_IO);
    assert_int_equal(sm_report_plots(doc, "/proc/none/plots", NULL, &pics, &err), SM_E_IO);
    assert_int_equal(
        sm_report_write(doc, "/dev/full", SCRATCH, NULL, warning, sizeof warning, &err), SM_E_IO);
    sm_json_close(&doc);
    clear_scratch();
}

static void test_report__other_documents_are_refused(void **state)
{
    (void)state;
    static const char *const texts[] = {"{}", "[]", "{\"schema\": 3}", "{\"schema\": \"other/1\"}",
                                        "{\"schema\": \"stillmount/assessmentx/1\"}"};
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        sm_json_doc *doc = NULL;
        sm_error err = {0};
        sm_text page = {0};
        assert_ok(sm_json_parse(texts[i], strlen(texts[i]), "t", &doc, &err), &err);
        assert_int_equal(sm_report_html(doc, NULL, NULL, &page, &err), SM_E_FORMAT);
        sm_text_free(&page);
        sm_json_close(&doc);
    }
}

/* Every allocation failing in turn: no crash, no success with a piece missing. */
static void test_report__allocation(void **state)
{
    (void)state;
    sm_json_doc *doc = document("shake");
    sm_error err = {0};
    sm_text whole = {0};
    assert_ok(sm_report_html(doc, NULL, NULL, &whole, &err), &err);
    bool done = false;
    for (long k = 1; !done; k++) {
        sm_text page = {0};
        sm_alloc_fail_at(k);
        sm_status st = sm_report_html(doc, NULL, NULL, &page, &err);
        sm_alloc_fail_at(0);
        done = st == SM_OK;
        assert_true(done || st == SM_E_NOMEM);
        if (done) {
            assert_int_equal(page.n, whole.n);
        }
        sm_text_free(&page);
    }
    sm_text_free(&whole);
    sm_json_close(&doc);
}

static void test_svg__keeps_only_what_is_harmless(void **state)
{
    (void)state;
    static const char text[] =
        "<?xml version=\"1.0\"?><svg width='10' onload=\"alert(1)\" viewBox=\"0 0 1 1\">"
        "<title>x</title><script>alert(1)</script><style>*{}</style>"
        "<g id=\"a\" onclick='x'><path d='M0,0 L1,1' fill = 'rgb(1,2,3)' style='x'/>"
        "<use xlink:href='#a'/><use href='javascript:alert(1)'/>"
        "<image href='http://example.org/x.png' width='1'/>"
        "<image xlink:href='data:image/png;base64,AAAA' width='1'/>"
        "<foreignObject><body>bad</body></foreignObject>"
        "<a href='x'><text>in a link</text></a><text>5 &lt; 6 & 7</text></g></svg>tail";
    static const char *const gone[] = {"onload",     "script",  "style",   "onclick",
                                       "javascript", "example", "foreign", "bad",
                                       "in a link",  "tail",    "<title"};
    static const char *const kept[] = {"viewBox=\"0 0 1 1\"",    "id=\"p-a\"",
                                       "href=\"#p-a\"",          "data:image/png;base64,AAAA",
                                       "fill=\"rgb(1,2,3)\"",    "5 &lt; 6 &amp; 7",
                                       "aria-label=\"A &lt; B\""};
    sm_text out = {0};
    assert_true(sm_svg_sanitise(text, sizeof text - 1, "p", "A < B", &out));
    for (size_t i = 0; i < sizeof gone / sizeof gone[0]; i++) {
        assert_null(strstr(out.s, gone[i]));
    }
    for (size_t i = 0; i < sizeof kept / sizeof kept[0]; i++) {
        assert_non_null(strstr(out.s, kept[i]));
    }
    sm_text_free(&out);
    for (size_t n = 0; n + 5 < sizeof text - 1; n++) { /* cut anywhere: refused, not repaired */
        assert_false(sm_svg_sanitise(text, n, "p", "t", &out));
        assert_int_equal(out.n, 0);
    }
}

/* Only an escaped <title> in an unseen rectangle is added; nothing of the text becomes markup. */
static void test_svg__hover_text_is_escaped(void **state)
{
    (void)state;
    static const char text[] = "<svg width='10'><title>x</title><g><path d='M0,0'/></g></svg>";
    sm_text hovers = {0};
    sm_text out = {0};
    sm_svg_hover(&hovers, 1, 2, 3, 4, "a</title><script>\"&'\x1b]0;x\a\xff");
    assert_true(sm_svg_sanitise(text, sizeof text - 1, "p", "t", &out));
    assert_null(strstr(out.s, "<title"));
    sm_svg_add_hovers(&out, &hovers);
    const char *title = strstr(out.s, "<title>a&lt;/title&gt;&lt;script&gt;&quot;&amp;&#39;");
    assert_non_null(title);
    assert_null(strstr(title + 1, "<title"));
    assert_null(strstr(out.s, "<script"));
    assert_null(strchr(out.s, '\x1b'));
    assert_null(strchr(out.s, '\a'));
    assert_null(strchr(out.s, '\xff'));
    assert_non_null(strstr(title, "</title></rect>\n</g>\n</svg>\n"));
    sm_text plain = {0}; /* what is no drawing gets nothing */
    sm_svg_add_hovers(&plain, &hovers);
    assert_int_equal(plain.n, 0);
    sm_text_free(&hovers);
    sm_text_free(&out);
}

static void test_process__no_shell_and_an_end(void **state)
{
    (void)state;
    char said[200];
    const char *same[] = {"test", "$(echo x)`x`;\"", "=", "$(echo x)`x`;\"", NULL};
    assert_int_equal(sm_process_run("test", same, "/", 10, said, sizeof said), SM_RUN_DONE);
    const char *fails[] = {"ls", "/nowhere-at-all", NULL};
    assert_int_equal(sm_process_run("ls", fails, "/", 10, said, sizeof said), SM_RUN_FAILED);
    assert_non_null(strstr(said, "nowhere-at-all"));
    const char *sleeps[] = {"sleep", "600", NULL};
    assert_int_equal(sm_process_run("sleep", sleeps, "/", 0.05, said, sizeof said), SM_RUN_TIMEOUT);
    const char *none[] = {"no-such-program-here", NULL};
    assert_int_equal(sm_process_run(none[0], none, "/", 1, said, sizeof said), SM_RUN_MISSING);
}

/* By hand: 20 log10(0.5 / 0.2) = 7.9588, 20 log10(0.5 / 0.4) = 1.9382. */
static void test_record__interval_as_margins(void **state)
{
    (void)state;
    sm_json_doc *doc = document("shake");
    const sm_json *root = sm_json_root(doc);
    sm_record_worst w = sm_record_tightest(root, "shake");
    double lo;
    double hi;
    sm_record_margin_interval(w.result, &lo, &hi);
    assert_close(lo, 1.93820, 1e-4, "margin at the upper end of the interval");
    assert_close(hi, 7.95880, 1e-4, "margin at the lower end of the interval");
    assert_close(sm_record_reserve_db(root, w.result), 6, 0, "reserve");
    assert_true(sm_record_band_empty(sm_json_at(sm_json_get(root, "bands"), 1)));
    sm_json_close(&doc);
}

static void test_plot__words_are_moved_apart(void **state)
{
    (void)state;
    double at[] = {100, 101, 99, 300, 5, 299};
    sm_plot_spread(at, 6, 14, 0, 310);
    for (size_t i = 0; i < 6; i++) {
        assert_true(at[i] >= -0.01 && at[i] <= 310.01);
        for (size_t k = 0; k < i; k++) {
            assert_true(at[i] - at[k] > 13.9 || at[k] - at[i] > 13.9);
        }
    }
}

static void test_plot__clean_text_has_no_meaning_for_gnuplot(void **state)
{
    (void)state;
    char out[64];
    sm_plot_clean("a\"b\\n`c`#\t\n\xff"
                  "end",
                  out, sizeof out);
    assert_null(strpbrk(out, "\"\\`#\t\n"));
    assert_non_null(strstr(out, "end"));
    for (size_t n = 1; n < 12; n++) { /* cut anywhere it stays text */
        sm_plot_clean("\"\"\"\"\"\"\"", out, n);
        assert_true(strlen(out) < n);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_report__hostile_names),
        cmocka_unit_test(test_report__names_of_ten_thousand_characters),
        cmocka_unit_test(test_report__gnuplot_missing_keeps_script_and_data),
        cmocka_unit_test(test_report__folder_that_cannot_be_written),
        cmocka_unit_test(test_report__other_documents_are_refused),
        cmocka_unit_test(test_report__allocation),
        cmocka_unit_test(test_svg__keeps_only_what_is_harmless),
        cmocka_unit_test(test_svg__hover_text_is_escaped),
        cmocka_unit_test(test_process__no_shell_and_an_end),
        cmocka_unit_test(test_record__interval_as_margins),
        cmocka_unit_test(test_plot__words_are_moved_apart),
        cmocka_unit_test(test_plot__clean_text_has_no_meaning_for_gnuplot),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
