/* cantle import: data as they are become a volume. */
#include "base/output_file.h"
#include "command/command.h"
#include "command/describe.h"
#include "intake/intake.h"
#include "volume/volume_copy.h"
#include "volume/volume_join.h"

#include "build_facts.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

struct import_options {
    const char *description, *output, *rows, *columns;
    const char **source;
    size_t sources;
    size_t every_row, every_column, every_sample;
    enum storage storage;
    bool overwrite, quiet, dry_run, json;
};

enum {
    KEY_rows = 256,
    KEY_columns,
    KEY_every_row,
    KEY_every_column,
    KEY_every_sample,
    KEY_storage
};

static const struct argp_option option_rows[] = {
    {NULL, 0, NULL, 0, "The file:", 1},
    {"output", 'o', "FILE", 0, "volume to write (HDF5); needed, but for a dry run", 1},
    {"overwrite", 'f', NULL, 0, "replace FILE if it exists, once the new one is complete", 1},
    {"storage", KEY_storage, "contiguous|chunked|deflate", 0,
     "contiguous (default), chunked or deflate", 1},
    {NULL, 0, NULL, 0, "What is taken:", 2},
    {"rows", KEY_rows, "A..B", 0, "only these rows, both counted, from 0", 2},
    {"columns", KEY_columns, "A..B", 0, "only these columns", 2},
    {"every-row", KEY_every_row, "N", 0, "only every N-th row", 2},
    {"every-column", KEY_every_column, "N", 0, "only every N-th column", 2},
    {"every-sample", KEY_every_sample, "N", 0,
     "only every N-th sample of each segment; samples are picked, not averaged", 2},
    {NULL, 0, NULL, 0, "What is said:", 3},
    {"dry-run", 'n', NULL, 0,
     "write nothing: tell what would be made of the source and what is still missing", 3},
    {"json", 'j', NULL, 0, "with --dry-run: one JSON object instead of text", 3},
    {"quiet", 'q', NULL, 0, "no progress, and do not tell what was written", 3},
    {0},
};

static bool is_yaml(const char *path)
{
    const char *dot = strrchr(path, '.');
    return dot && (strcmp(dot, ".yaml") == 0 || strcmp(dot, ".yml") == 0);
}

static error_t take_count(struct argp_state *state, const char *option, const char *arg,
                          size_t *out)
{
    char *rest;
    errno = 0;
    *out = strtoul(arg, &rest, 10);
    if (errno == 0 && !*rest && *arg >= '1' && *arg <= '9' && *out <= 1000000) return 0;
    argp_error(state, "--%s: '%s' is not a whole number from 1", option, arg);
    return EINVAL;
}

static error_t take_storage(struct argp_state *state, const char *arg, enum storage *out)
{
    static const char *const words[] = {"contiguous", "chunked", "deflate"};
    for (int i = 0; i < 3; i++)
        if (strcmp(arg, words[i]) == 0) {
            *out = (enum storage)i;
            return 0;
        }
    argp_error(state, "--storage: '%s' is not contiguous, chunked or deflate", arg);
    return EINVAL;
}

static error_t parse_option(int key, char *arg, struct argp_state *state)
{
    struct import_options *o = state->input;
    switch (key) {
    case 'o':
        o->output = arg;
        return 0;
    case 'f':
        o->overwrite = true;
        return 0;
    case 'n':
        o->dry_run = true;
        return 0;
    case 'j':
        o->json = true;
        return 0;
    case 'q':
        o->quiet = true;
        return 0;
    case KEY_rows:
        o->rows = arg;
        return 0;
    case KEY_columns:
        o->columns = arg;
        return 0;
    case KEY_every_row:
        return take_count(state, "every-row", arg, &o->every_row);
    case KEY_every_column:
        return take_count(state, "every-column", arg, &o->every_column);
    case KEY_every_sample:
        return take_count(state, "every-sample", arg, &o->every_sample);
    case KEY_storage:
        return take_storage(state, arg, &o->storage);
    case ARGP_KEY_ARG:
        if (!o->description && o->sources == 0 && is_yaml(arg))
            o->description = arg;
        else
            o->source[o->sources++] = arg;
        return 0;
    case ARGP_KEY_END:
        if (o->sources == 0)
            argp_error(state, "no source given; expected [DESCRIPTION.yaml] SOURCE...");
        else if (!o->output && !o->dry_run)
            argp_error(state, "no output given; add -o VOLUME.h5, or --dry-run");
        else if (o->json && !o->dry_run)
            argp_error(state, "--json goes with --dry-run");
        return 0;
    default:
        return ARGP_ERR_UNKNOWN;
    }
}

static const struct argp import_argp = {
    .options = option_rows,
    .parser = parse_option,
    .args_doc = "[DESCRIPTION.yaml] SOURCE... -o FILE",
    .doc =
        "Make a force volume of data as they are: any HDF5 file, folders or tars of text, NumPy "
        "arrays, raw binary, or volumes to be joined, cropped or thinned.\v"
        "DESCRIPTION.yaml says what is what in the source; docs/import.md shows how one is made, "
        "`cantle manual import` lists its keys. For volumes none is needed. Several sources of "
        "one kind are joined, in the order given: the next below the last, or to its right "
        "(join.along).\n\n"
        "Nothing is guessed: where a sign or a unit is not known, the message says which line to "
        "add. While it runs the file is called FILE.part; it gets its name when it is complete.",
};

/* --- what is kept --- */

static enum status read_span(const char *text, const char *option, size_t n, size_t *first,
                             size_t *count, struct report *rep)
{
    char *rest;
    *first = 0;
    *count = n;
    if (!text) return ST_OK;
    *first = strtoul(text, &rest, 10);
    bool good = *text >= '0' && *text <= '9' && strncmp(rest, "..", 2) == 0;
    const char *second = rest + 2;
    size_t last = good ? strtoul(second, &rest, 10) : 0;
    good = good && *second >= '0' && *second <= '9' && !*rest && last >= *first;
    if (!good)
        return fail(rep, ST_USAGE, "--%s: '%.40s': write the first and the last, like 0..15",
                    option, text);
    if (last >= n)
        return fail(rep, ST_USAGE, "--%s: '%.40s': there are %zu, counted from 0", option, text, n);
    *count = last - *first + 1;
    return ST_OK;
}

static enum status make_cut(const struct import_options *o, const struct volume_facts *f,
                            struct volume_cut *cut, struct report *rep)
{
    *cut = volume_cut_whole(f);
    enum status st = read_span(o->rows, "rows", f->ny, &cut->row0, &cut->rows, rep);
    if (st == ST_OK) st = read_span(o->columns, "columns", f->nx, &cut->col0, &cut->cols, rep);
    cut->every_row = o->every_row;
    cut->every_col = o->every_column;
    cut->every_sample = o->every_sample;
    return st;
}

/* --- sources --- */

struct opener {
    const struct description *d;
    FILE *progress;
};

static enum status open_part(void *context, const char *path, struct volume **out,
                             struct report *rep)
{
    const struct opener *opener = context;
    return intake_open(out, opener->d, path, opener->progress, rep);
}

/* The wish and its opener are used as long as the volume is. */
struct sources {
    struct opener opener;
    struct join_wish wish;
};

static enum status open_sources(const struct import_options *o, const struct description *d,
                                struct sources *s, struct volume **out, struct report *rep)
{
    s->opener = (struct opener){d, o->quiet ? NULL : stderr};
    if (o->sources == 1) return intake_open(out, d, o->source[0], s->opener.progress, rep);
    bool columns = d->v[IN_join_along].choice == 1;
    const struct place *pitch = &d->v[columns ? IN_grid_pixel_size_x : IN_grid_pixel_size_y].place;
    s->wish = (struct join_wish){.path = o->source,
                                 .n = o->sources,
                                 .columns = columns,
                                 .pitch_m = pitch->kind == PLACE_quantity ? pitch->si : NAN,
                                 .open = open_part,
                                 .context = &s->opener,
                                 .progress = s->opener.progress};
    return volume_join(out, &s->wish, rep);
}

/* --- writing --- */

static enum status write_volume(const struct import_options *o, const struct description *d,
                                struct volume *v, const char *command_line, struct report *rep)
{
    char digest[33], date[40], bytes_text[32], *sources = NULL;
    size_t size = 0;
    uint64_t bytes;
    time_t now = time(NULL);
    struct tm utc;
    struct volume_cut cut;
    struct lever given;
    FILE *progress = o->quiet ? NULL : stderr;
    enum status st = make_cut(o, volume_facts(v), &cut, rep);
    for (size_t i = 0; i < o->sources && st == ST_OK; i++)
        st = output_check(o->output, o->source[i], o->overwrite, rep);
    if (st == ST_OK) st = intake_calibration(d, &given, rep);
    if (st == ST_OK) st = intake_digest(o->source, o->sources, progress, digest, &bytes, rep);
    if (st != ST_OK) return st;
    FILE *list = open_memstream(&sources, &size);
    for (size_t i = 0; list && i < o->sources && ftell(list) < 50000; i++)
        fprintf(list, "%s%s", i ? ", " : "", o->source[i]);
    if (!list || fclose(list) != 0) return fail(rep, ST_MEMORY, "not enough memory for a list");
    gmtime_r(&now, &utc);
    strftime(date, sizeof date, "%Y-%m-%dT%H:%M:%SZ", &utc);
    snprintf(bytes_text, sizeof bytes_text, "%llu", (unsigned long long)bytes);
    const struct volume_note notes[] = {
        {"program", "cantle " CANTLE_VERSION},
        {"source_revision", CANTLE_REVISION},
        {"command_line", command_line},
        {"date", date},
        {"source", sources},
        {"source_bytes", bytes_text},
        {"source_digest", digest},
        {"source_digest_method",
         "XXH3-128 of the bytes of each file, seed = number of the file in the order of names, sum "
         "modulo 2^128"},
        {"description_path", d->path},
        {"description", d->text},
    };
    struct copy_job job = {.output = o->output,
                           .overwrite = o->overwrite,
                           .storage = o->storage,
                           .cut = cut,
                           .calibration = &given,
                           .note = notes,
                           .notes = sizeof notes / sizeof *notes,
                           .progress = progress};
    st = volume_copy(v, &job, rep);
    if (st == ST_OK && !o->quiet)
        printf(
            "%s: %zu columns x %zu rows from %zu source%s; look at it with `cantle describe %s`\n",
            o->output, volume_cut_cols(&cut), volume_cut_rows(&cut), o->sources,
            o->sources == 1 ? "" : "s", o->output);
    free(sources);
    return st;
}

/* --- dry run --- */

static void print_wants(const struct wants *w)
{
    printf("still missing in the import description:\n");
    for (size_t i = 0; i < w->n; i++) {
        const struct want *one = &w->item[i];
        const struct intake_row *row = &intake_rows[one->key];
        printf("  %s: under '%s:' the line '%s: %s'\n", one->why, row->section, row->key,
               one->line);
    }
}

static json_t *json_wants(const struct wants *w)
{
    json_t *list = json_array();
    for (size_t i = 0; i < w->n; i++)
        json_array_append_new(list, json_pack("{s:s, s:s, s:s, s:s}", "section",
                                              intake_rows[w->item[i].key].section, "key",
                                              intake_rows[w->item[i].key].key, "why",
                                              w->item[i].why, "example", w->item[i].line));
    return list;
}

/* Not described far enough to be opened. */
static enum status tell_missing(const struct import_options *o, const struct description *d,
                                const struct wants *w, struct report *rep)
{
    if (o->json) {
        enum status st = describe_print(
            json_pack("{s:s, s:b, s:o}", "kind", "import", "complete", 0, "missing", json_wants(w)),
            rep);
        if (st != ST_OK) return st;
    } else {
        enum status st = intake_look(d, o->source[0], stdout, rep);
        if (st != ST_OK) return st;
        print_wants(w);
    }
    return fail(rep, ST_RECIPE, "%s%sthe import description is not complete: %zu line%s missing",
                d->path, *d->path ? ": " : "", w->n, w->n == 1 ? " is" : "s are");
}

static enum status dry_run(const struct import_options *o, const struct description *d,
                           struct report *rep)
{
    struct wants w;
    struct sources sources;
    struct volume *v = NULL;
    struct volume_cut cut;
    intake_wants(d, intake_kind_of(d, o->source[0]), &w);
    if (w.n > 0) return tell_missing(o, d, &w, rep);
    enum status st = open_sources(o, d, &sources, &v, rep);
    if (st == ST_OK) st = make_cut(o, volume_facts(v), &cut, rep);
    if (st == ST_OK && !o->json)
        printf("import would write %zu columns x %zu rows%s of this:\n", volume_cut_cols(&cut),
               volume_cut_rows(&cut), o->every_sample > 1 ? ", thinned," : "");
    if (st == ST_OK) st = describe_open_volume(v, o->json, rep);
    volume_close(&v);
    return st;
}

static enum status import(const struct import_options *o, const char *command_line,
                          struct report *rep)
{
    struct description d;
    struct sources sources;
    struct volume *v = NULL;
    enum status st = o->description ? description_load(&d, o->description, rep)
                                    : description_default(&d, rep);
    if (st != ST_OK) return st;
    if (o->dry_run) {
        st = dry_run(o, &d, rep);
    } else {
        st = open_sources(o, &d, &sources, &v, rep);
        if (st == ST_OK) st = write_volume(o, &d, v, command_line, rep);
        volume_close(&v);
    }
    description_free(&d);
    return st;
}

enum status command_import(int argc, char **argv, const struct world *world, struct report *rep)
{
    struct import_options o = {.every_row = 1, .every_column = 1, .every_sample = 1};
    bool done = false;
    o.source = calloc((size_t)argc + 1, sizeof *o.source);
    char *command_line = options_command_line(argc, argv);
    if (!o.source || !command_line) {
        free(o.source);
        free(command_line);
        return fail(rep, ST_MEMORY, "not enough memory for the command line");
    }
    enum status st = options_parse(&import_argp, argc, argv, world, &o, &done, rep);
    /* one file, one writer */
    if (st == ST_OK && !done && world->rank == 0) st = import(&o, command_line, rep);
    free(o.source);
    free(command_line);
    return st;
}
