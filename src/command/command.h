/** Subcommands: options -> one call into the floors below -> status. */
#ifndef CANTLE_COMMAND_COMMAND_H
#define CANTLE_COMMAND_COMMAND_H

#include "base/status.h"

#include <argp.h>
#include <stdbool.h>

/** Where we run: filled by main after MPI_Init. */
struct world {
    int rank, size;
};

/** One row a command: word, group of the help, summary, function. The function returns a status;
 * the message in rep is printed once by main. It must not call exit. */
#define COMMAND_LIST(C)                                                                            \
    C(map, "Analyse", "fit every pixel of a force volume and write the maps")                      \
    C(refit, "Analyse", "make maps again from a map file, with another model or value")            \
    C(curve, "Analyse", "follow one pixel through every step, as text and figure")                 \
    C(study, "Analyse", "map many volumes of several conditions and compare these")                \
    C(describe, "Look", "tell what a volume or a map file holds and what is missing")              \
    C(summary, "Look", "statistics of maps: medians with intervals, distributions, phases")        \
    C(export, "Look", "write maps as TIFF, CSV, NumPy or VTK files")                               \
    C(draw, "Look", "draw maps with axes, colour bar, flags and histogram")                        \
    C(compare, "Look", "tell how two map files of the same pixels differ, and which model fits")   \
    C(report, "Look", "make one HTML file of maps, curves and provenance, for any browser")        \
    C(import, "Prepare", "make a force volume of text, NumPy, HDF5 or raw data, or of volumes")    \
    C(recipe, "Prepare", "print a commented recipe that fits a volume")                            \
    C(calibrate, "Prepare", "find sensitivity, spring constant and tip, into a lever file")        \
    C(simulate, "Prepare", "write a force volume with known truth")                                \
    C(manual, "Prepare", "print a reference page, a man page, or the completion for bash")

#define C(name, group, summary)                                                                    \
    enum status command_##name(int argc, char **argv, const struct world *world,                   \
                               struct report *rep);
COMMAND_LIST(C)
#undef C

/** argp_parse without exit: usage errors are printed by rank 0 only. argv[0] is shown as
 *  "cantle WORD".
 *  @return ST_OK; ST_USAGE after a usage error (the one line is in rep); ST_OK with *done = true
 * when
 *  --help or --usage was asked for and printed. */
enum status options_parse(const struct argp *argp, int argc, char **argv, const struct world *world,
                          void *input, bool *done, struct report *rep) MUST_CHECK;

/** A command, as main calls it. */
typedef enum status command_function(int argc, char **argv, const struct world *world,
                                     struct report *rep);

/** Show the options and arguments of a command to `see`, as it hands them to options_parse; nothing
 * is parsed and nothing done. So man pages and completion know what the parser knows. Errors: those
 * of the command before it looks at its options; ST_BUG if it never does. */
enum status options_show(command_function *command, const char *word,
                         void (*see)(const struct argp *argp, void *data), void *data,
                         struct report *rep) MUST_CHECK;

/** The command line as one text that a shell reads back as it was; malloc'd, NULL without memory.
 */
char *options_command_line(int argc, char **argv);

#endif
