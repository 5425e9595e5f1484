/* Completion for bash: a script with the words of all tables in it. Words that a user may give are
 * known from the names of arguments: "linear|log" are two words, MAP a map, MODEL a contact model,
 * COMMAND a command, a name with an ending such a file; anything else is left to the shell. */
#include "command/manual.h"

#include "contact/contact.h"
#include "curve/result.h"

#include <ctype.h>
#include <string.h>

static const char frame[] =
    "_cantle()\n"
    "{\n"
    "    local at=$COMP_CWORD current=${COMP_WORDS[COMP_CWORD]} option=\"\" files=\"\" words=\"\" "
    "e\n"
    "    COMPREPLY=()\n"
    "    # bash takes --option=value apart\n"
    "    [[ $current == = ]] && current=\"\" && at=$((at + 1))\n"
    "    if [[ ${COMP_WORDS[at - 1]} == = ]]; then option=${COMP_WORDS[at - 2]}\n"
    "    elif [[ ${COMP_WORDS[at - 1]} == -* ]]; then option=${COMP_WORDS[at - 1]}; fi\n"
    "    if ((COMP_CWORD == 1)); then\n"
    "        mapfile -t COMPREPLY < <(compgen -W \"$_cantle_commands --help --version\" -- "
    "\"$current\")\n"
    "        return\n"
    "    fi\n"
    "    _cantle_words \"${COMP_WORDS[1]}\" \"$option\"\n"
    "    [[ $current == -* ]] && words=$options files=\"\"\n"
    "    [[ -n $files ]] && compopt -o filenames 2>/dev/null\n"
    "    mapfile -t COMPREPLY < <({\n"
    "        compgen -W \"$words\" -- \"$current\"\n"
    "        for e in $files; do\n"
    "            if [[ $e == any ]]; then compgen -f -- \"$current\"\n"
    "            else compgen -f -X \"!*.$e\" -- \"$current\"; compgen -d -- \"$current\"; fi\n"
    "        done\n"
    "    } | sort -u)\n"
    "}\n"
    "complete -o bashdefault -o default -F _cantle cantle\n";

static void put_maps(FILE *out)
{
    for (int i = 0; i < MAP_COUNT; i++)
        if (map_begins(i)) fprintf(out, " words+=\" %s\"", map_rows[i].name);
}

/* Add the words and files that an argument of this name can be: a run of letters and '|'.
 * any_file: a name that says nothing stands for a file; the shell offers those itself only where
 * there is nothing else. */
static void put_choices(FILE *out, const char *name, size_t n, bool any_file)
{
    char text[256];
    while (n > 0 && name[n - 1] == '.') /* "MAP..." */
        n--;
    if (n >= sizeof text) n = sizeof text - 1;
    memcpy(text, name, n);
    text[n] = 0;
    const char *dot = strrchr(text, '.');
    bool words = strchr(text, '|') != NULL;
    if (strcmp(text, "MAP") == 0)
        put_maps(out);
    else if (strcmp(text, "MODEL") == 0)
        for (int i = 0; i < CONTACT_COUNT; i++)
            fprintf(out, " words+=\" %s\"", contact_at(i)->name);
    else if (strcmp(text, "COMMAND") == 0)
        fputs(" words+=\" $_cantle_commands\"", out);
    else if (dot && dot > text && isupper((unsigned char)*text) && islower((unsigned char)dot[1]))
        fprintf(out, " files+=\" %s\"", dot + 1);
    else if (any_file && !words && isupper((unsigned char)*text))
        fputs(" files+=\" any\"", out);
    for (char *word = words ? strtok(text, "|") : NULL; word; word = strtok(NULL, "|"))
        if (islower((unsigned char)*word)) fprintf(out, " words+=\" %s\"", word);
}

/* Each argument of a list like "[RECIPE.yaml] VOLUME -o FILE". */
static void put_arguments(FILE *out, const char *args)
{
    static const char letters[] =
        "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789|._-";
    while (args && *args) {
        size_t n = strspn(args, letters);
        if (n > 0 && (islower((unsigned char)*args) || isupper((unsigned char)*args))) {
            bool plain = islower((unsigned char)*args) && !memchr(args, '|', n);
            if (plain)
                fprintf(out, " words+=\" %.*s\"", (int)n, args);
            else
                put_choices(out, args, n, true);
        }
        args += n ? n : 1;
    }
}

static bool is_short(int key)
{
    return key > ' ' && key < 127;
}

static void put_name(const struct argp_option *o, void *data)
{
    FILE *out = data;
    if (o->flags & OPTION_HIDDEN) return;
    if (is_short(o->key)) fprintf(out, " -%c", o->key);
    if (o->name) fprintf(out, " --%s", o->name);
}

/* An option whose value is one of known words, or a file with an ending, has a line of its own;
 * that of any other value still keeps the arguments away. */
static void put_value(const struct argp_option *o, void *data)
{
    FILE *out = data;
    if (!o->arg || (!o->name && !is_short(o->key)) || o->flags & OPTION_HIDDEN) return;
    fputs("        ", out);
    if (is_short(o->key)) fprintf(out, "-%c%s", o->key, o->name ? "|" : "");
    if (o->name) fprintf(out, "--%s", o->name);
    fputs(")", out);
    put_choices(out, o->arg, strlen(o->arg), false);
    fputs(" ;;\n", out);
}

static void put_command(const struct argp *argp, void *data)
{
    FILE *out = data;
    fputs("        options=\"", out);
    manual_options(argp, put_name, out);
    fputs(" --help --usage\"\n        case $2 in\n", out);
    manual_options(argp, put_value, out);
    fputs("        *)", out);
    put_arguments(out, argp->args_doc);
    fputs(" ;;\n        esac ;;\n", out);
}

enum status manual_completion(FILE *out, struct report *rep)
{
    enum status st = ST_OK;
    fputs("# Completion of cantle for bash, printed by `cantle manual completion`.\n"
          "_cantle_commands=\"",
          out);
    for (size_t i = 0; i < manual_commands; i++)
        fprintf(out, "%s ", manual_command[i].name);
    fputs("help\"\n"
          "# command, option before the cursor -> options, words, files\n"
          "_cantle_words()\n{\n    options=\"\" words=\"\" files=\"\"\n    case $1 in\n"
          "    help) words=$_cantle_commands ;;\n",
          out);
    for (size_t i = 0; i < manual_commands && st == ST_OK; i++) {
        fprintf(out, "    %s)\n", manual_command[i].name);
        st = options_show(manual_command[i].run, manual_command[i].name, put_command, out, rep);
    }
    fputs("    esac\n}\n", out);
    fputs(frame, out);
    return st;
}
