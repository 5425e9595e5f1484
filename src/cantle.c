/* main: the table of commands, MPI's start and end, the one message. Nothing else. */
#include "base/guard.h"
#include "base/signals.h"
#include "base/units.h"
#include "base/words.h"
#include "build_facts.h"
#include "command/command.h"
#include "maps/agree.h"

#include <archive.h>
#include <cyaml/cyaml.h>
#include <errno.h>
#include <gsl/gsl_version.h>
#include <hdf5.h>
#include <jansson.h>
#include <libdeflate.h>
#include <mpi.h>
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <tiffio.h>
#include <unistd.h>
#include <xxhash.h>
#include <yaml.h>

static const struct command {
    const char *name, *group, *summary;
    enum status (*run)(int argc, char **argv, const struct world *world, struct report *rep);
} commands[] = {
#define C(name, group, summary) {#name, group, summary, command_##name},
    COMMAND_LIST(C)
#undef C
};
enum { COMMANDS = sizeof commands / sizeof *commands };

static void print_help(FILE *out)
{
    fprintf(out, "cantle: maps of mechanical properties from force volumes\n\n"
                 "usage: cantle COMMAND [OPTION...] [FILE...]\n"
                 "       mpiexec -n RANKS cantle map RECIPE.yaml VOLUME.h5 -o MAPS.h5\n");
    for (int i = 0; i < COMMANDS; i++) {
        if (i == 0 || strcmp(commands[i].group, commands[i - 1].group) != 0)
            fprintf(out, "\n%s\n", commands[i].group);
        fprintf(out, "  %-10s %s\n", commands[i].name, commands[i].summary);
    }
    fprintf(out, "\n`cantle COMMAND --help` tells more of a command, `cantle --version` what this "
                 "program was built from.\n");
}

static void print_version(void)
{
    unsigned major, minor, release, xxh = XXH_versionNumber();
    char mpi[MPI_MAX_LIBRARY_VERSION_STRING] = "";
    char tiff[64] = ""; /* the first line of several: "LIBTIFF, Version 4.5.0" */
    const char *words = strstr(TIFFGetVersion(), "Version ");
    snprintf(tiff, sizeof tiff, "%.*s", words ? (int)strcspn(words + 8, "\n") : 0,
             words ? words + 8 : "");
    int length;
    H5get_libversion(&major, &minor, &release);
    MPI_Get_library_version(mpi, &length);
    mpi[strcspn(mpi, "\n")] = 0;
    for (char *c = mpi; *c; c++)
        if (*c == '\t') *c = ' ';
    printf("cantle %s\n", CANTLE_VERSION);
    printf("source revision  %s\n", CANTLE_REVISION);
    printf("compiler         %s\n", CANTLE_COMPILER);
    printf("flags            %s\n", CANTLE_FLAGS);
    printf("build type       %s\n", CANTLE_BUILD_TYPE);
    printf("MPI              %s\n", mpi);
    printf("HDF5             %u.%u.%u\n", major, minor, release);
    printf("GSL              %s\n", gsl_version);
    printf("UDUNITS          %s\n", CANTLE_UDUNITS_VERSION);
    printf("libcyaml         %s\n", cyaml_version_str);
    printf("libyaml          %s\n", yaml_get_version_string());
    printf("xxHash           %u.%u.%u\n", xxh / 10000, xxh / 100 % 100, xxh % 100);
    printf("jansson          %s\n", jansson_version_str());
    printf("libdeflate       %s\n", LIBDEFLATE_VERSION_STRING);
    printf("libarchive       %s\n", archive_version_string());
    printf("libtiff          %s\n", tiff);
}

static const struct command *find_command(const char *word)
{
    for (int i = 0; i < COMMANDS; i++)
        if (strcmp(commands[i].name, word) == 0) return &commands[i];
    return NULL;
}

static enum status unknown_command(const char *word, struct report *rep)
{
    const char *names[COMMANDS];
    char shown[64];
    for (int i = 0; i < COMMANDS; i++)
        names[i] = commands[i].name;
    int near = words_nearest(word, names, COMMANDS);
    words_excerpt(word, shown, sizeof shown);
    return fail(rep, ST_USAGE, "unknown command '%s'%s%s%s; `cantle --help` lists the commands",
                shown, near < 0 ? "" : " (did you mean '", near < 0 ? "" : names[near],
                near < 0 ? "" : "'?)");
}

/* argv[0] is the command's word. */
static enum status run_command(int argc, char **argv, const struct world *world, struct report *rep)
{
    const char *word = argv[0];
    int help = strcmp(word, "--help") == 0 || strcmp(word, "-h") == 0 || strcmp(word, "help") == 0;
    if (help && argc > 1 && find_command(argv[1])) {
        char option[] = "--help", *asked[] = {argv[1], option, NULL};
        return find_command(argv[1])->run(2, asked, world, rep);
    }
    if (help && argc > 1) return unknown_command(argv[1], rep);
    if (help || strcmp(word, "--version") == 0) {
        if (world->rank == 0 && help) print_help(stdout);
        if (world->rank == 0 && !help) print_version();
        return ST_OK;
    }
    const struct command *command = find_command(word);
    return command ? command->run(argc, argv, world, rep) : unknown_command(word, rep);
}

/* A full disk shows at the latest when the stream is closed. */
static enum status close_stdout(struct report *rep)
{
    int failed = ferror(stdout);
    errno = 0;
    if (fclose(stdout) != 0 || failed)
        return fail(rep, ST_OUTPUT, "cannot write to standard output: %s",
                    errno ? strerror(errno) : "disk full, or closed by its reader");
    return ST_OK;
}

static volatile sig_atomic_t last_status;

static void leave_at_once(int number)
{
    (void)number;
    _exit(last_status);
}

/* MPICH 4.0 can hang here between hosts, when all work is done, written and said: then this process
 * ends by itself, with the status that it would have had. */
static void end_mpi(int status)
{
    enum { PATIENCE_S = 10 };
    last_status = status;
    signal(SIGALRM, leave_at_once);
    alarm(PATIENCE_S);
    MPI_Finalize();
    alarm(0);
}

int main(int argc, char **argv)
{
    struct report rep = {""}, closing = {""};
    struct world world = {0, 1};
    enum status st;
    const char *word = "";
    int thread;
    signals_begin();
    MPI_Init_thread(&argc, &argv, MPI_THREAD_FUNNELED, &thread);
    MPI_Comm_rank(MPI_COMM_WORLD, &world.rank);
    MPI_Comm_size(MPI_COMM_WORLD, &world.size);
    guard_install();
    H5Eset_auto2(H5E_DEFAULT, NULL, NULL); /* our own messages say it once */
    if (argc < 2) {
        if (world.rank == 0) print_help(stderr);
        st = fail(&rep, ST_USAGE, "no command given");
    } else {
        word = argv[1];
        st = run_command(argc - 1, argv + 1, &world, &rep);
    }
    enum status closed = close_stdout(&closing);
    if (st == ST_OK && closed != ST_OK) {
        st = closed;
        rep = closing;
    }
    st = agree(MPI_COMM_WORLD, st, &rep);
    if (st != ST_OK && world.rank == 0)
        fprintf(stderr, "cantle%s%s: %s\n", find_command(word) ? " " : "",
                find_command(word) ? word : "", rep.text);
    units_close();
    end_mpi(status_exit(st));
    return status_exit(st);
}
