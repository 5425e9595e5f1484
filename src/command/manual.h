/** Man pages and shell completion, from the tables that the parsers themselves work by. */
#ifndef CANTLE_COMMAND_MANUAL_H
#define CANTLE_COMMAND_MANUAL_H

#include "command/command.h"

#include <stdio.h>

/** All commands, in the order of COMMAND_LIST. */
struct manual_row {
    const char *name, *group, *summary;
    command_function *run;
};
extern const struct manual_row manual_command[];
extern const size_t manual_commands;

/** The man page of a command in the man(7) language; NULL = that of the program. Errors: ST_USAGE
 * for a word that is no command. */
enum status manual_man_page(FILE *out, const char *command, struct report *rep) MUST_CHECK;

/** A script that teaches bash the commands, options and words of this program. */
enum status manual_completion(FILE *out, struct report *rep) MUST_CHECK;

/** All options of a parser, those of its children too, in their order: call `see` for each row that
 * has a name, a key or a heading, aliases and hidden ones included. */
void manual_options(const struct argp *argp, void (*see)(const struct argp_option *o, void *data),
                    void *data);

#endif
