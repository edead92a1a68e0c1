/* Drawing every picture of a document: files beside, gnuplot, sanitising, renaming. */
#define _DEFAULT_SOURCE /* mkdtemp */
#include "core/alloc.h"
#include "report/pictures.h"
#include "report/process.h"
#include "report/svg.h"
#include "stillmount/file.h"
#include "stillmount/report.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

typedef bool (*picture_fn)(const sm_json *root, sm_plot *p);
typedef bool (*picture_list_fn)(const sm_json *root, size_t i, sm_plot *p);

enum { MAX_OF_A_KIND = 6 };

static const struct {
    sm_record_kind kind;
    picture_fn draw; /* one of the two */
    picture_list_fn draw_each;
} pictures_of[] = {
    {SM_RECORD_ASSESSMENT, sm_picture_margin, NULL},
    {SM_RECORD_ASSESSMENT, NULL, sm_picture_map},
    {SM_RECORD_ASSESSMENT, NULL, sm_picture_spectrum},
    {SM_RECORD_ASSESSMENT, NULL, sm_picture_orders},
    {SM_RECORD_COMPARISON, sm_picture_before_after, NULL},
    {SM_RECORD_COMPARISON, sm_picture_change, NULL},
    {SM_RECORD_ACROSS, NULL, sm_picture_across},
    {SM_RECORD_RANKING, sm_picture_ranking, NULL},
    {SM_RECORD_ISOLATOR, sm_picture_isolator, NULL},
    {SM_RECORD_ISOLATOR, sm_picture_margin, NULL},
    {SM_RECORD_BALANCE, sm_picture_balance, NULL},
    {SM_RECORD_BALANCE, sm_picture_weights, NULL},
    {SM_RECORD_DRIFT, sm_picture_coning, NULL},
    {SM_RECORD_HOLD, sm_picture_swing, NULL},
    {SM_RECORD_HOLD, sm_picture_deflection, NULL},
    {SM_RECORD_HOLD, NULL, sm_picture_allan},
};

sm_report_options sm_report_options_default(void)
{
    return (sm_report_options){.timeout_s = 20, .png = true};
}

void sm_pictures_free(sm_pictures *pictures)
{
    for (size_t i = 0; i < pictures->n; i++) {
        sm_free(pictures->items[i].words);
        sm_free(pictures->items[i].svg);
    }
    sm_free(pictures->items);
    *pictures = (sm_pictures){0};
}

static sm_status system_error(sm_error *err, const char *path, const char *what)
{
    return sm_error_set(err, SM_E_IO, path, 0, "cannot %s: %s", what, strerror(errno));
}

/* "dir/name.ending"; false out of memory. */
static bool path_of(sm_text *t, const char *dir, const char *name, const char *ending)
{
    t->n = 0;
    sm_text_addf(t, "%s/%s%s", dir, name, ending);
    return !t->failed;
}

static sm_status no_memory(sm_error *err)
{
    return sm_error_set(err, SM_E_NOMEM, NULL, 0, "out of memory");
}

/* Script and data into the work folder. */
static sm_status store_plot(const sm_plot *p, const char *work, sm_error *err)
{
    sm_text path = {0};
    sm_status st = path_of(&path, work, p->name, ".gp") ? SM_OK : no_memory(err);
    if (st == SM_OK) {
        st = sm_file_store(path.s, p->script.s, p->script.n, err);
    }
    if (st == SM_OK) {
        st = path_of(&path, work, p->name, ".dat")
                 ? sm_file_store(path.s, p->data.s, p->data.n, err)
                 : no_memory(err);
    }
    sm_text_free(&path);
    return st;
}

/* Reads what gnuplot drew, keeps its harmless part, in memory and in the file. */
static sm_status take_svg(const char *work, const sm_text *hovers, sm_picture *pic, sm_error *err)
{
    sm_text path = {0};
    sm_text clean = {0};
    char *raw = NULL;
    size_t n = 0;
    sm_status st = path_of(&path, work, pic->name, ".svg") ? SM_OK : no_memory(err);
    if (st == SM_OK) {
        st = sm_file_load(path.s, 64u << 20, &raw, &n, err);
    }
    if (st == SM_OK && !sm_svg_sanitise(raw, n, pic->name, pic->title, &clean)) {
        st = clean.failed ? no_memory(err)
                          : sm_error_set(err, SM_E_FORMAT, path.s, 0, "not a drawing");
    }
    if (st == SM_OK) {
        sm_svg_add_hovers(&clean, hovers);
        st = clean.failed ? no_memory(err) : SM_OK;
    }
    if (st == SM_OK) {
        st = sm_file_store(path.s, clean.s, clean.n, err);
    }
    if (st == SM_OK) {
        pic->svg = clean.s;
        clean = (sm_text){0};
    }
    sm_file_text_free(raw);
    sm_text_free(&clean);
    sm_text_free(&path);
    return st;
}

/* Draws one picture; anything that goes wrong with gnuplot is a warning, not an error. */
static sm_status draw(const char *work, const sm_report_options *opt, const sm_text *hovers,
                      sm_picture *pic, sm_pictures *all, sm_error *err)
{
    char script[64];
    char said[300];
    (void)snprintf(script, sizeof script, "%s.gp", pic->name);
    const char *program = opt->gnuplot ? opt->gnuplot : "gnuplot";
    const char *both[] = {"gnuplot", "-d", script, NULL};
    const char *one[] = {"gnuplot", "-d", "-e", "kind=\"svg\"", script, NULL};
    sm_run_result got =
        sm_process_run(program, opt->png ? both : one, work, opt->timeout_s, said, sizeof said);
    if (got == SM_RUN_DONE) {
        sm_status st = take_svg(work, hovers, pic, err);
        if (st == SM_OK || st == SM_E_NOMEM) {
            return st;
        }
        got = SM_RUN_FAILED;
        (void)snprintf(said, sizeof said, "%.250s", err ? err->message : "no drawing came out");
    }
    all->drawn = false;
    size_t n = strlen(said);
    while (n > 0 && said[n - 1] == '\n') { /* gnuplot's last line is the one that says what */
        said[--n] = '\0';
    }
    const char *line = strrchr(said, '\n') ? strrchr(said, '\n') + 1 : said;
    (void)snprintf(all->warning, sizeof all->warning,
                   got == SM_RUN_MISSING
                       ? "no pictures: gnuplot is not installed; install it (Debian: gnuplot-nox) "
                         "and run gnuplot on the .gp files, or run the command again%s"
                   : got == SM_RUN_TIMEOUT ? "a picture took too long and was given up%s"
                                           : "a picture failed: gnuplot said: %s",
                   got == SM_RUN_FAILED ? (*line ? line : "nothing") : "");
    return SM_OK;
}

static sm_status keep_picture(sm_plot *p, const char *work, sm_pictures *out, sm_error *err)
{
    sm_picture *list = sm_realloc_array(out->items, out->n + 1, sizeof *list);
    if (!list) {
        return no_memory(err);
    }
    out->items = list;
    sm_picture *pic = &out->items[out->n];
    *pic = (sm_picture){0};
    (void)snprintf(pic->name, sizeof pic->name, "%s", p->name);
    (void)snprintf(pic->title, sizeof pic->title, "%s", p->title);
    pic->words = sm_alloc_text(p->words.s ? p->words.s : "");
    if (!pic->words) {
        return no_memory(err);
    }
    out->n++;
    return store_plot(p, work, err);
}

/* The i-th picture of an entry of pictures_of; false when there is none. */
static bool fill(const sm_json *root, size_t entry, size_t i, sm_plot *p)
{
    if (pictures_of[entry].draw) {
        return i == 0 && pictures_of[entry].draw(root, p);
    }
    return i < MAX_OF_A_KIND && pictures_of[entry].draw_each(root, i, p);
}

static sm_status draw_all(const sm_json *root, const char *work, const sm_report_options *opt,
                          sm_pictures *out, sm_error *err)
{
    sm_record_kind kind = sm_record_kind_of(root);
    sm_status st = SM_OK;
    bool missing = false;
    out->drawn = true;
    for (size_t entry = 0; entry < sizeof pictures_of / sizeof pictures_of[0]; entry++) {
        bool more = pictures_of[entry].kind == kind;
        for (size_t i = 0; more && st == SM_OK; i++) {
            sm_plot p = {0};
            more = fill(root, entry, i, &p);
            if (more) {
                st = sm_plot_close(&p) ? keep_picture(&p, work, out, err) : no_memory(err);
            }
            if (more && st == SM_OK && !missing) {
                st = draw(work, opt, &p.hovers, &out->items[out->n - 1], out, err);
                missing = strncmp(out->warning, "no pictures", 11) == 0;
            }
            sm_plot_free(&p);
        }
    }
    return st;
}

/* Moves what is there (a missing drawing is not) from the work folder into dir. */
static sm_status deliver(const sm_pictures *pics, const char *work, const char *dir, sm_error *err)
{
    static const char *const endings[] = {".gp", ".dat", ".svg", ".png"};
    sm_text from = {0};
    sm_text to = {0};
    sm_status st = SM_OK;
    for (size_t i = 0; i < pics->n && st == SM_OK; i++) {
        for (size_t k = 0; k < 4 && st == SM_OK; k++) {
            if (!path_of(&from, work, pics->items[i].name, endings[k]) ||
                !path_of(&to, dir, pics->items[i].name, endings[k])) {
                st = no_memory(err);
            } else if (k >= 2 && !pics->items[i].svg) {
                (void)unlink(from.s); /* half a drawing is none */
            } else if (rename(from.s, to.s) != 0 && errno != ENOENT) {
                st = system_error(err, to.s, "write it");
            }
        }
    }
    sm_text_free(&from);
    sm_text_free(&to);
    return st;
}

/* Removes the work folder and what may still lie in it. */
static void clear_work(const sm_pictures *pics, const char *work)
{
    static const char *const endings[] = {".gp", ".dat", ".svg", ".png"};
    sm_text path = {0};
    for (size_t i = 0; i < pics->n; i++) {
        for (size_t k = 0; k < 4; k++) {
            if (path_of(&path, work, pics->items[i].name, endings[k])) {
                (void)unlink(path.s);
            }
        }
    }
    sm_text_free(&path);
    (void)rmdir(work);
}

sm_status sm_report_plots(sm_json_doc *doc, const char *dir, const sm_report_options *opt,
                          sm_pictures *out, sm_error *err)
{
    sm_report_options defaults = sm_report_options_default();
    opt = opt ? opt : &defaults;
    sm_pictures pics = {0};
    sm_text work = {0};
    if (mkdir(dir, 0777) != 0 && errno != EEXIST) {
        return system_error(err, dir, "make this folder for the pictures");
    }
    if (!path_of(&work, dir, ".drawing-XXXXXX", "")) {
        sm_text_free(&work);
        return no_memory(err);
    }
    if (!mkdtemp(work.s)) {
        sm_status failed = system_error(err, dir, "write the pictures into this folder");
        sm_text_free(&work);
        return failed;
    }
    sm_status st = draw_all(sm_json_root(doc), work.s, opt, &pics, err);
    if (st == SM_OK) {
        st = deliver(&pics, work.s, dir, err);
    }
    clear_work(&pics, work.s);
    sm_text_free(&work);
    if (st == SM_OK) {
        *out = pics;
        return SM_OK;
    }
    sm_pictures_free(&pics);
    return st;
}
