/* The HTML page of a document, and the file that holds it. */
#define _XOPEN_SOURCE 700
#include "core/alloc.h"
#include "report/page.h"
#include "report/style.h"
#include "report/svg.h"
#include "stillmount/file.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

typedef void (*page_fn)(sm_page *g);

static const struct {
    sm_record_kind kind;
    const char *title;
    page_fn write;
} pages[] = {
    {SM_RECORD_ASSESSMENT, "Mount assessment", sm_page_assessment},
    {SM_RECORD_COMPARISON, "Before and after", sm_page_comparison},
    {SM_RECORD_ACROSS, "What the mount lets through", sm_page_across},
    {SM_RECORD_RANKING, "Places side by side", sm_page_ranking},
    {SM_RECORD_ISOLATOR, "Isolator", sm_page_isolator},
    {SM_RECORD_BALANCE, "Propeller balance", sm_page_balance},
    {SM_RECORD_DRIFT, "Attitude drift", sm_page_drift},
    {SM_RECORD_HOLD, "Holding still", sm_page_hold},
    {SM_RECORD_PLAN, "Plan of a run-up", sm_page_plan},
};

sm_status sm_report_html(sm_json_doc *doc, const sm_report_options *opt,
                         const sm_pictures *pictures, sm_text *out, sm_error *err)
{
    sm_report_options defaults = sm_report_options_default();
    const sm_json *root = sm_json_root(doc);
    sm_record_kind kind = sm_record_kind_of(root);
    sm_page g = {.out = out, .root = root, .opt = opt ? opt : &defaults, .pictures = pictures};
    size_t i = 0;
    while (i < sizeof pages / sizeof pages[0] && pages[i].kind != kind) {
        i++;
    }
    if (i == sizeof pages / sizeof pages[0]) {
        return sm_error_set(
            err, SM_E_FORMAT, NULL, 0,
            "no page can be made from a document with schema '%s'; a result written "
            "with --json is needed",
            sm_record_text(root, "schema"));
    }
    const char *name =
        sm_record_text(sm_json_at(sm_json_get(sm_json_get(root, "run"), "files"), 0), "name");
    sm_text_add(
        out, "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n"
             "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src "
             "'unsafe-inline'; img-src data:\">\n"
             "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n"
             "<meta name=\"color-scheme\" content=\"light dark\">\n<title>");
    sm_text_add(out, pages[i].title);
    sm_text_add(out, name[0] ? ": " : "");
    sm_html_escape(out, name);
    sm_text_add(out, "</title>\n<style>");
    sm_text_add(out, sm_page_style);
    sm_text_add(out, "</style>\n</head>\n<body>\n<main>\n");
    if (kind != SM_RECORD_PLAN && (!pictures || !pictures->drawn)) {
        sm_text_add(out, "<p class=\"note\">This page comes without ");
        sm_text_add(out, pictures && pictures->n ? "some of its pictures: " : "pictures: ");
        sm_html_escape(out,
                       pictures && pictures->warning[0] ? pictures->warning : "none were drawn");
        sm_text_add(out, ". The tables hold the same numbers.</p>\n");
    }
    pages[i].write(&g);
    sm_text_add(out, "</main>\n<footer>");
    sm_html_escape(out, sm_record_text(sm_json_get(root, "program"), "name"));
    sm_text_add(out, " ");
    sm_html_escape(out, sm_record_text(sm_json_get(root, "program"), "version"));
    sm_text_add(out, ". An aid: maintenance data, local rules and a licensed person "
                     "decide.</footer>\n</body>\n</html>\n");
    return out->failed ? sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory") : SM_OK;
}

/* "page.html" -> "page-pictures", beside the page. */
static bool folder_beside(const char *path, sm_text *folder)
{
    size_t n = strlen(path);
    const char *name = sm_file_name(path);
    const char *dot = strrchr(name, '.');
    n = dot && dot > name ? (size_t)(dot - path) : n;
    sm_text_add_n(folder, path, n);
    sm_text_add(folder, "-pictures");
    return !folder->failed;
}

static bool is_plain_target(const char *path)
{
    struct stat s;
    return strcmp(path, "-") != 0 && (stat(path, &s) != 0 || S_ISREG(s.st_mode));
}

static bool scratch_folder(sm_text *folder)
{
    const char *tmp = getenv("TMPDIR");
    sm_text_addf(folder, "%s/stillmount-XXXXXX", tmp && tmp[0] ? tmp : "/tmp");
    return !folder->failed && mkdtemp(folder->s);
}

/* Removes the files that were drawn into a folder that was ours alone. */
static void remove_folder(const char *folder, const sm_pictures *pics)
{
    static const char *const endings[] = {".gp", ".dat", ".svg", ".png"};
    sm_text path = {0};
    for (size_t i = 0; i < pics->n; i++) {
        for (size_t k = 0; k < 4; k++) {
            path.n = 0;
            sm_text_addf(&path, "%s/%s%s", folder, pics->items[i].name, endings[k]);
            if (!path.failed) {
                (void)unlink(path.s);
            }
        }
    }
    sm_text_free(&path);
    (void)rmdir(folder);
}

static bool can_write_beside(const char *path)
{
    sm_text folder = {0};
    const char *name = sm_file_name(path);
    sm_text_add_n(&folder, path, (size_t)(name - path));
    bool good = access(folder.s && folder.s[0] ? folder.s : ".", W_OK | X_OK) == 0;
    sm_text_free(&folder);
    return good;
}

/* Pictures into plots_dir, or into a folder beside the page that goes again when all is drawn. */
static sm_status draw_for(sm_json_doc *doc, const char *path, const char *plots_dir,
                          const sm_report_options *opt, sm_text *folder, sm_pictures *pics,
                          sm_error *err)
{
    if (plots_dir) {
        return sm_report_plots(doc, plots_dir, opt, pics, err);
    }
    sm_report_options svg_only = *opt;
    svg_only.png = false;
    struct stat s;
    bool beside = is_plain_target(path); /* a pipe or a device has no place beside it */
    if (!(beside ? folder_beside(path, folder) : scratch_folder(folder))) {
        return sm_error_set(err, SM_E_IO, path, 0, "no folder to draw in; set TMPDIR or --plots");
    }
    bool mine = !beside || stat(folder->s, &s) != 0;
    if (beside && mine && !can_write_beside(path)) { /* said of the page, not of its pictures */
        return sm_error_set(err, SM_E_IO, path, 0, "cannot create it: %s", strerror(errno));
    }
    sm_status st = sm_report_plots(doc, folder->s, &svg_only, pics, err);
    if (st == SM_OK && mine && (pics->drawn || pics->n == 0 || !beside)) {
        remove_folder(folder->s, pics);
    }
    if (st != SM_OK && mine) {
        (void)rmdir(folder->s);
    }
    return st;
}

sm_status sm_report_write(sm_json_doc *doc, const char *path, const char *plots_dir,
                          const sm_report_options *opt, char *warning, size_t capacity,
                          sm_error *err)
{
    sm_report_options defaults = sm_report_options_default();
    opt = opt ? opt : &defaults;
    sm_pictures pics = {0};
    sm_text page = {0};
    sm_text folder = {0};
    warning[0] = '\0';
    sm_status st = SM_OK;
    if (path) { /* a document without a page is refused before anything is written */
        st = sm_report_html(doc, opt, NULL, &page, err);
        page.n = 0;
    }
    if (st == SM_OK) {
        st = draw_for(doc, path, plots_dir, opt, &folder, &pics, err);
    }
    if (st == SM_OK && path) {
        st = sm_report_html(doc, opt, &pics, &page, err);
    }
    if (st == SM_OK && path) {
        st = sm_file_store(path, page.s, page.n, err);
    }
    if (st == SM_OK && pics.warning[0]) {
        (void)snprintf(warning, capacity, "%s%s%s%s", pics.warning, pics.n ? " (" : "",
                       !pics.n     ? ""
                       : plots_dir ? plots_dir
                                   : folder.s,
                       pics.n ? ")" : "");
    }
    sm_pictures_free(&pics);
    sm_text_free(&page);
    sm_text_free(&folder);
    return st;
}
