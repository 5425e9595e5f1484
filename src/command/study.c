/* cantle study: many volumes of several conditions. */
#include "command/command.h"
#include "study/table.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

struct study_wish {
    const char *path;
    int ranks;
    bool overwrite, quiet, json, print_jobs, collect;
};

enum { KEY_print_jobs = 256, KEY_collect, KEY_json };

static const struct argp_option options[] = {
    {"ranks", 'n', "N", 0, "map each volume with so many ranks (mpiexec); default 1", 0},
    {"overwrite", 'f', NULL, 0,
     "map again what was made from another recipe or volume; without it that is a failure", 0},
    {"collect", KEY_collect, NULL, 0, "map nothing: sum up the map files that are there", 0},
    {"print-jobs", KEY_print_jobs, NULL, 0,
     "map nothing: write the list of volumes for a cluster, and print how it is submitted", 0},
    {"json", KEY_json, NULL, 0, "print the results as JSON, no text", 0},
    {"quiet", 'q', NULL, 0, "print nothing", 0},
    {0}};

static const char doc[] =
    "Map the volumes of a study one after the other and compare its conditions.\v"
    "STUDY.yaml names volumes with their condition, sample and cell, one recipe, and exceptions "
    "from it: "
    "docs/study.md. A volume that is finished and unchanged is kept, one that was cut off goes on, "
    "one that fails "
    "does not stop the others. The cell is the unit that is counted, not the pixel.\n\n"
    "Into the folder of results: study.html, study.csv, study.json, a figure for each map, and the "
    "maps and the log "
    "of each volume.";

static error_t take_ranks(const char *arg, struct argp_state *state, int *out)
{
    char *rest;
    errno = 0;
    long n = strtol(arg, &rest, 10);
    if (errno || rest == arg || *rest || n < 1 || n > 100000) {
        argp_error(state, "--ranks: '%s' is not a whole number from 1 to 100000", arg);
        return EINVAL;
    }
    *out = (int)n;
    return 0;
}

static error_t parse(int key, char *arg, struct argp_state *state)
{
    struct study_wish *w = state->input;
    switch (key) {
    case 'n':
        return take_ranks(arg, state, &w->ranks);
    case 'f':
        w->overwrite = true;
        return 0;
    case 'q':
        w->quiet = true;
        return 0;
    case KEY_collect:
        w->collect = true;
        return 0;
    case KEY_print_jobs:
        w->print_jobs = true;
        return 0;
    case KEY_json:
        w->json = true;
        return 0;
    case ARGP_KEY_ARG:
        if (w->path) argp_error(state, "'%s' is one argument too many; one study at a time", arg);
        w->path = arg;
        return 0;
    case ARGP_KEY_END:
        if (!w->path) argp_error(state, "no study given; expected STUDY.yaml");
        if (w->collect && w->print_jobs)
            argp_error(state, "--collect and --print-jobs: one of them");
        return 0;
    default:
        return ARGP_ERR_UNKNOWN;
    }
}

static const struct argp study_argp = {
    .options = options, .parser = parse, .args_doc = "STUDY.yaml", .doc = doc};

/* A path of the shell in single quotes. */
static void print_quoted(const char *text)
{
    putchar('\'');
    for (; *text; text++)
        fputs(*text == '\'' ? "'\\''" : (char[]){*text, 0}, stdout);
    putchar('\'');
}

static enum status print_jobs(const struct study *s, struct report *rep)
{
    char list[4096];
    enum status st = study_write_list(s, list, rep);
    if (st != ST_OK) return st;
    printf("# %zu volumes; submit-list leaves out those that are finished. It lies in "
           "share/cantle/slurm where cantle "
           "is installed, in jobs/slurm of its sources; for PBS in pbs beside it.\nsubmit-list ",
           s->n);
    print_quoted(list);
    printf("\n# when the jobs are done:\ncantle study --collect ");
    print_quoted(s->path);
    printf("\n");
    return ST_OK;
}

/* The results, on paper and on the screen. */
static enum status sum_up(const struct study *s, const struct study_wish *w,
                          const struct study_outcome *outcome, struct report *rep)
{
    struct study_table t;
    enum status st = study_collect(s, outcome, &t, rep);
    if (st != ST_OK) return st;
    const size_t failed = s->n - t.volumes;
    st = study_write_csv(s, &t, rep);
    if (st == ST_OK) st = study_write_json(s, &t, rep);
    if (st == ST_OK) st = study_draw(s, &t, rep);
    if (st == ST_OK) st = study_write_page(s, &t, rep);
    if (st == ST_OK && w->json) st = study_print_json(stdout, s, &t, rep);
    if (st == ST_OK && !w->quiet && !w->json) {
        study_print(stdout, s, &t);
        printf("\nresults: %s/study.html, study.csv, study.json\n", s->folder);
    }
    study_table_free(&t);
    if (st == ST_OK && failed)
        st = fail(rep, ST_INCOMPLETE,
                  "%zu of %zu volumes have no results; %s/study.html says why, and the same "
                  "command tries them again",
                  failed, s->n, s->folder);
    return st;
}

static enum status map_and_sum_up(const struct study *s, const struct study_wish *w,
                                  struct report *rep)
{
    const struct study_run run = {.ranks = w->ranks,
                                  .overwrite = w->overwrite,
                                  .progress = w->quiet ? NULL : stderr,
                                  .tell = w->quiet  ? NULL
                                          : w->json ? stderr
                                                    : stdout};
    struct study_outcome *outcome = calloc(s->n + 1, sizeof *outcome);
    if (!outcome) return fail(rep, ST_MEMORY, "not enough memory for %zu volumes", s->n);
    enum status st = w->collect ? ST_OK : study_map_all(s, &run, outcome, rep);
    if (st == ST_OK) st = sum_up(s, w, w->collect ? NULL : outcome, rep);
    free(outcome);
    return st;
}

enum status command_study(int argc, char **argv, const struct world *world, struct report *rep)
{
    struct study_wish w = {.ranks = 1};
    struct study s;
    bool done = false;
    enum status st = options_parse(&study_argp, argc, argv, world, &w, &done, rep);
    if (st != ST_OK || done) return st;
    if (world->size > 1)
        return fail(
            rep, ST_USAGE,
            "start it without mpiexec: it starts the ranks of each volume itself (--ranks %d)",
            world->size);
    st = study_load(&s, w.path, rep);
    if (st != ST_OK) return st;
    st = study_prepare(&s, rep);
    if (st == ST_OK) st = w.print_jobs ? print_jobs(&s, rep) : map_and_sum_up(&s, &w, rep);
    study_free(&s);
    return st;
}
