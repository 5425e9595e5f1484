/* argp, tamed: it prints to stderr and exits by itself, and both are main's business here. */
#include "command/command.h"

#include <ctype.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Input of the outer parser, which owns --help and --usage. */
struct outer {
    void *input; /* of the command's own parser */
    bool done;
};

enum { KEY_HELP = '?', KEY_USAGE = 0x100 };

static const struct argp_option outer_options[] = {
    {"help", KEY_HELP, NULL, 0, "print this help", -1},
    {"usage", KEY_USAGE, NULL, 0, "print a short usage", -1},
    {0},
};

/* Any error stops argp; ECANCELED is ours for "help was printed". */
static error_t parse_outer(int key, char *arg, struct argp_state *state)
{
    struct outer *outer = state->input;
    (void)arg;
    switch (key) {
    case ARGP_KEY_INIT:
        state->child_inputs[0] = outer->input;
        return 0;
    case KEY_HELP:
    case KEY_USAGE:
        argp_state_help(state, state->out_stream,
                        key == KEY_HELP ? ARGP_HELP_LONG | ARGP_HELP_USAGE | ARGP_HELP_DOC
                                        : ARGP_HELP_USAGE);
        outer->done = true;
        return ECANCELED;
    default:
        return ARGP_ERR_UNKNOWN;
    }
}

/* glibc lets a program replace its standard streams; argp and getopt look at the variables. On
 * ranks other than 0 help goes nowhere. */
static error_t parse_quietly(const struct argp *argp, int argc, char **argv, struct outer *outer,
                             FILE *complaints, FILE *help)
{
    FILE *real_err = stderr, *real_out = stdout;
    stderr = complaints;
    stdout = help;
    error_t err = argp_parse(argp, argc, argv, ARGP_NO_EXIT | ARGP_NO_HELP, NULL, outer);
    stderr = real_err;
    stdout = real_out;
    return err;
}

/* The first line of what argp had to say, without its "cantle map: ". */
static enum status usage_error(char *said, const char *name, struct report *rep)
{
    const char *foreign = "unrecognized option";
    size_t prefix = strlen(name);
    said[strcspn(said, "\n")] = 0;
    if (strncmp(said, name, prefix) == 0 && said[prefix] == ':')
        said += prefix + 1 + strspn(said + prefix + 1, " ");
    if (strncmp(said, foreign, strlen(foreign)) == 0)
        return fail(rep, ST_USAGE, "unknown option%s; `%s --help` lists the options",
                    said + strlen(foreign), name);
    return fail(rep, ST_USAGE, "%s; `%s --help` lists the options", *said ? said : "wrong usage",
                name);
}

/* Who wants to see what a command hands over, in place of parsing; nobody in a usual run. */
static struct {
    void (*see)(const struct argp *argp, void *data);
    void *data;
} onlooker;

enum status options_show(command_function *command, const char *word,
                         void (*see)(const struct argp *argp, void *data), void *data,
                         struct report *rep)
{
    const struct world alone = {0, 1};
    char name[64], *argv[] = {name, NULL};
    snprintf(name, sizeof name, "%s", word);
    onlooker.see = see;
    onlooker.data = data;
    enum status st = command(1, argv, &alone, rep);
    bool seen = !onlooker.see;
    onlooker.see = NULL;
    if (st == ST_OK && !seen) st = fail(rep, ST_BUG, "%s does not look at its options", word);
    return st;
}

enum status options_parse(const struct argp *argp, int argc, char **argv, const struct world *world,
                          void *input, bool *done, struct report *rep)
{
    enum status st = ST_OK;
    if (onlooker.see) {
        onlooker.see(argp, onlooker.data);
        onlooker.see = NULL;
        *done = true;
        return ST_OK;
    }
    struct outer outer = {input, false};
    struct argp inner = *argp;
    inner.doc = inner.args_doc = NULL; /* the outer parser shows them */
    const struct argp_child children[] = {{&inner, 0, NULL, 0}, {0}};
    const struct argp whole = {.options = outer_options,
                               .parser = parse_outer,
                               .args_doc = argp->args_doc,
                               .doc = argp->doc,
                               .children = children};
    char name[64], *said = NULL, *unheard = NULL;
    size_t said_size = 0, unheard_size = 0;
    FILE *complaints = open_memstream(&said, &said_size);
    FILE *nowhere = open_memstream(&unheard, &unheard_size);
    char **copy = calloc((size_t)argc + 1, sizeof *copy); /* argp reorders; the original is kept */
    if (!complaints || !nowhere || !copy) {
        st = fail(rep, ST_MEMORY, "not enough memory to read the command line");
        goto done;
    }
    snprintf(name, sizeof name, "cantle %s", argv[0]);
    memcpy(copy, argv, (size_t)argc * sizeof *copy);
    copy[0] = name;
    error_t err = parse_quietly(&whole, argc, copy, &outer, complaints,
                                world->rank == 0 ? stdout : nowhere);
    fflush(complaints);
    /* argp_error() does not stop argp when it may not exit: what it said counts as well */
    if (said_size > 0 || (err && !outer.done)) st = usage_error(said, name, rep);
    *done = outer.done;
done:
    if (complaints) fclose(complaints);
    if (nowhere) fclose(nowhere);
    free(said);
    free(unheard);
    free(copy);
    return st;
}

static void put_quoted(FILE *out, const char *word)
{
    const char *c = word;
    while (isalnum((unsigned char)*c) || (*c && strchr("_@%+=:,./-", *c)))
        c++;
    if (!*c && *word) {
        fputs(word, out);
        return;
    }
    fputc('\'', out);
    for (c = word; *c; c++)
        if (*c == '\'')
            fputs("'\\''", out);
        else
            fputc(*c, out);
    fputc('\'', out);
}

char *options_command_line(int argc, char **argv)
{
    char *text = NULL;
    size_t size = 0;
    FILE *out = open_memstream(&text, &size);
    if (!out) return NULL;
    fputs("cantle", out);
    for (int i = 0; i < argc; i++) {
        fputc(' ', out);
        put_quoted(out, argv[i]);
    }
    if (fclose(out) == 0) return text;
    free(text);
    return NULL;
}
