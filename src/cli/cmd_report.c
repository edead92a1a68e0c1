/* report: the page and the pictures of a result that was saved as JSON. */
#include "cli/commands.h"
#include "cli/report_out.h"
#include "stillmount/file.h"

#include <string.h>

enum { MAX_BYTES = 512 << 20 };

/* -o and --html are names people try for --report; both are the same thing. */
static const sm_option options[] = {
    SM_OPTIONS_REPORT,
    {.name = "output",
     .letter = 'o',
     .kind = SM_ARG_TEXT,
     .arg = "FILE",
     .help = "the same as --report; - is standard output"},
    {.name = "html", .kind = SM_ARG_TEXT, .arg = "FILE", .help = "the same as --report"},
    {.name = "quiet", .letter = 'q', .kind = SM_ARG_FLAG, .help = "no warnings"},
};

/* Bands and the like are lists of objects in every result; a file that breaks this was not ours. */
static sm_status check_shape(sm_json_doc *doc, const char *path, sm_error *err)
{
    static const char *const lists[] = {"bands", "findings", "places", "segments", "pairs"};
    const sm_json *root = sm_json_root(doc);
    for (size_t i = 0; i < sizeof lists / sizeof lists[0]; i++) {
        const sm_json *list = sm_json_get(root, lists[i]);
        bool good = sm_json_is_null(list) || sm_json_is_array(list);
        for (size_t k = 0; good && k < sm_json_size(list); k++) {
            good = sm_json_key_at(sm_json_at(list, k), 0, NULL) != NULL;
        }
        if (!good) {
            return sm_error_set(err, SM_E_FORMAT, path, 0,
                                "'%s' is not a list of objects: this is not a result of ours",
                                lists[i]);
        }
    }
    return SM_OK;
}

static int run(const sm_args *args)
{
    const char *names[] = {"report", "output", "html"};
    const char *page = NULL;
    size_t given = 0;
    for (size_t i = 0; i < 3; i++) {
        given += sm_args_given(args, names[i]);
        page = sm_args_text(args, names[i], page);
    }
    if (given > 1) {
        return sm_cli_usage(args, "the page is named twice: --report, --html and -o are the same");
    }
    if (!page && !sm_args_given(args, "plots")) {
        return sm_cli_usage(args, "nothing to write: give -o FILE for the page or --plots DIR");
    }
    const char *path = sm_args_file(args, 0);
    sm_error err = {0};
    sm_json_doc *doc = NULL;
    char *text = NULL;
    size_t n = 0;
    sm_status st = sm_file_load(path, MAX_BYTES, &text, &n, &err);
    if (st == SM_OK) {
        size_t start = strspn(text, " \t\r\n");
        st = text[start] == '{' || text[start] == '['
                 ? sm_json_parse(text, n, path, &doc, &err)
                 : sm_error_set(&err, SM_E_FORMAT, path, 1,
                                "not a result: report reads what a command saved with --json FILE; "
                                "a log goes to assess or inspect first");
    }
    st = st == SM_OK ? check_shape(doc, path, &err) : st;
    int status = st == SM_OK ? sm_cli_report_to(args, doc, page, SM_EXIT_OK) : sm_cli_fail(&err);
    sm_json_close(&doc);
    sm_file_text_free(text);
    return status;
}

const sm_command sm_command_report = {
    .name = "report",
    .usage = "RESULT.json -o FILE.html [--plots DIR] [--note KEY=TEXT]...",
    .summary = "page and pictures from a result that was saved with --json",
    .about = "Renders an archived result again: the page is the one that the command itself would "
             "have made. Pictures need the data that --detail puts into the JSON; without it the "
             "page has the picture of the margins and the tables.\n"
             "The exit status is 0 when the page was written, whatever the verdict in it.",
    .options = options,
    .n_options = sizeof options / sizeof options[0],
    .min_files = 1,
    .max_files = 1,
    .run = run,
};
