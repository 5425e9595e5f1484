/* Man pages, in the macros of man(7) that groff and mandoc both know. */
#include "command/manual.h"

#include "base/words.h"
#include "build_facts.h"

#include <ctype.h>
#include <string.h>

const struct manual_row manual_command[] = {
#define C(name, group, summary) {#name, group, summary, command_##name},
    COMMAND_LIST(C)
#undef C
};
const size_t manual_commands = sizeof manual_command / sizeof *manual_command;

void manual_options(const struct argp *argp, void (*see)(const struct argp_option *o, void *data),
                    void *data)
{
    for (const struct argp_option *o = argp->options; o && (o->name || o->key || o->doc); o++)
        see(o, data);
    for (const struct argp_child *c = argp->children; c && c->argp; c++)
        manual_options(c->argp, see, data);
}

/* --- text --- */

/* Text that stands in a line of its own or after another: nothing in it is a request. What stands
 * between backquotes is bold. */
static void put_text(FILE *out, const char *text, size_t n, bool *bold)
{
    if (n > 0 && (*text == '.' || *text == '\'')) fputs("\\&", out);
    for (size_t i = 0; i < n; i++)
        if (text[i] == '`') {
            *bold = !*bold;
            fputs(*bold ? "\\fB" : "\\fR", out);
        } else if (text[i] == '\\')
            fputs("\\e", out);
        else if (text[i] == '-')
            fputs("\\-", out);
        else if (text[i] == '\'')
            fputs("\\(aq", out);
        else if (text[i] == '^')
            fputs("\\(ha", out);
        else if (text[i] == '~')
            fputs("\\(ti", out);
        else
            fputc(text[i], out);
}

static void put_words(FILE *out, const char *words)
{
    bool bold = false;
    put_text(out, words, strlen(words), &bold);
}

/* Lines of a documentation text: an empty one begins a paragraph, an indented one stays as it is.
 */
static void put_paragraphs(FILE *out, const char *text, size_t n)
{
    bool bold = false, began = false, kept = false;
    for (const char *end = text + n; text < end;) {
        size_t length = strcspn(text, "\n");
        if (length > (size_t)(end - text)) length = (size_t)(end - text);
        bool indented = length > 0 && *text == ' ';
        if (kept && !indented) fputs(".fi\n", out);
        if (!kept && indented) fputs(".PP\n.nf\n", out);
        kept = indented;
        if (length == 0 && began && text + 1 < end) fputs(".PP\n", out);
        put_text(out, text, length, &bold);
        if (length > 0) fputc('\n', out);
        began = true;
        text += length + (text + length < end && text[length] == '\n');
    }
    if (kept) fputs(".fi\n", out);
}

/* Words in capitals are replaced by the user: italic; the others are written as they are. */
static void put_arguments(FILE *out, const char *args, size_t n)
{
    for (size_t i = 0; i < n;) {
        size_t length = 0;
        while (i + length < n &&
               (isalnum((unsigned char)args[i + length]) || strchr("-._", args[i + length])))
            length++;
        if (length > 0) {
            bool bold = false, capital = isupper((unsigned char)args[i]);
            fputs(capital ? "\\fI" : "\\fB", out);
            put_text(out, args + i, length, &bold);
            fputs("\\fR", out);
            i += length;
        } else
            fputc(args[i++], out);
    }
}

static void put_head(FILE *out, const char *name, const char *summary)
{
    fputs(".TH \"", out);
    for (const char *c = name; *c; c++)
        fputc(toupper((unsigned char)*c), out);
    fprintf(out, "\" \"1\" \"%s\" \"cantle %s\" \"cantle manual\"\n.SH NAME\n", CANTLE_DATE,
            CANTLE_VERSION);
    put_words(out, name);
    fputs(" \\- ", out);
    put_words(out, summary);
    fputs("\n.SH SYNOPSIS\n", out);
}

static void put_statuses(FILE *out)
{
    fputs(".SH \"EXIT STATUS\"\n", out);
    for (int i = 0; i < ST_COUNT; i++) {
        fprintf(out, ".TP\n.B %d\n", status_exit((enum status)i));
        put_words(out, status_text((enum status)i));
        fputc('\n', out);
    }
}

/* --- a command --- */

static bool is_short(int key)
{
    return key > ' ' && key < 127;
}

static void put_option(const struct argp_option *o, void *data)
{
    FILE *out = data;
    if (o->flags & (OPTION_HIDDEN | OPTION_ALIAS)) return;
    if (!o->name && !o->key) { /* a heading */
        size_t n = strlen(o->doc);
        fputs(".SS \"", out);
        bool bold = false;
        put_text(out, o->doc, n > 0 && o->doc[n - 1] == ':' ? n - 1 : n, &bold);
        fputs("\"\n", out);
        return;
    }
    fputs(".TP\n", out);
    if (is_short(o->key)) fprintf(out, "\\fB\\-%c\\fR%s", o->key, o->name ? ", " : "");
    if (o->name) {
        fputs("\\fB\\-\\-", out);
        put_words(out, o->name);
        fputs("\\fR", out);
    }
    if (o->arg) {
        fputs(o->flags & OPTION_ARG_OPTIONAL ? "[=" : o->name ? "=" : " ", out);
        put_arguments(out, o->arg, strlen(o->arg));
        if (o->flags & OPTION_ARG_OPTIONAL) fputc(']', out);
    }
    fputc('\n', out);
    if (o->doc) put_paragraphs(out, o->doc, strlen(o->doc));
}

/* A page in the making. */
struct page {
    FILE *out;
    const struct manual_row *row;
};

static void put_synopsis(const struct page *p, const struct argp *argp)
{
    const char *args = argp->args_doc ? argp->args_doc : "";
    do {
        size_t n = strcspn(args, "\n");
        fprintf(p->out, "\\fBcantle %s\\fR [\\fIOPTION\\fR...] ", p->row->name);
        put_arguments(p->out, args, n);
        args += n + (args[n] == '\n');
        fputs(*args ? "\n.br\n" : "\n", p->out);
    } while (*args);
}

static void put_command(const struct argp *argp, void *data)
{
    const struct page *p = data;
    const char *doc = argp->doc ? argp->doc : "", *rest = strchr(doc, '\v');
    size_t before = rest ? (size_t)(rest - doc) : strlen(doc);
    put_synopsis(p, argp);
    fputs(".SH DESCRIPTION\n", p->out);
    put_paragraphs(p->out, doc, before);
    if (rest && rest[1]) {
        fputs(".PP\n", p->out);
        put_paragraphs(p->out, rest + 1, strlen(rest + 1));
    }
    fputs(".SH OPTIONS\n", p->out);
    manual_options(argp, put_option, p->out);
    fputs(".TP\n\\fB\\-?\\fR, \\fB\\-\\-help\\fR\nprint this help\n"
          ".TP\n\\fB\\-\\-usage\\fR\nprint a short usage\n",
          p->out);
}

static enum status command_page(FILE *out, const struct manual_row *row, struct report *rep)
{
    char name[64];
    const struct page page = {out, row};
    snprintf(name, sizeof name, "cantle-%s", row->name);
    put_head(out, name, row->summary);
    enum status st = options_show(row->run, row->name, put_command, (void *)&page, rep);
    put_statuses(out);
    fputs(".SH \"SEE ALSO\"\n", out);
    for (size_t i = 0; i < manual_commands; i++)
        if (&manual_command[i] != row && strcmp(manual_command[i].group, row->group) == 0)
            fprintf(out, "\\fBcantle\\-%s\\fR(1), ", manual_command[i].name);
    fputs("\\fBcantle\\fR(1)\n", out);
    return st;
}

/* --- the program --- */

static void program_page(FILE *out)
{
    put_head(out, "cantle", "maps of mechanical properties from force volumes");
    fputs("\\fBcantle\\fR \\fICOMMAND\\fR [\\fIOPTION\\fR...] [\\fIFILE\\fR...]\n.br\n"
          "\\fBmpiexec \\-n\\fR \\fIRANKS\\fR \\fBcantle map\\fR \\fIRECIPE.yaml VOLUME.h5\\fR "
          "\\fB\\-o\\fR \\fIMAPS.h5\\fR\n.SH DESCRIPTION\n"
          "Each command has a page of its own. Reference pages of recipe keys, models, maps and "
          "flags are printed by \\fBcantle manual\\fR.\n.SH COMMANDS\n",
          out);
    for (size_t i = 0; i < manual_commands; i++) {
        const struct manual_row *row = &manual_command[i];
        if (i == 0 || strcmp(row->group, row[-1].group) != 0)
            fprintf(out, ".SS \"%s\"\n", row->group);
        fprintf(out, ".TP\n\\fB%s\\fR\n", row->name);
        put_words(out, row->summary);
        fputc('\n', out);
    }
    put_statuses(out);
    fputs(".SH \"SEE ALSO\"\n", out);
    for (size_t i = 0; i < manual_commands; i++)
        fprintf(out, "\\fBcantle\\-%s\\fR(1)%s\n", manual_command[i].name,
                i + 1 < manual_commands ? "," : "");
}

enum status manual_man_page(FILE *out, const char *command, struct report *rep)
{
    if (!command) {
        program_page(out);
        return ST_OK;
    }
    for (size_t i = 0; i < manual_commands; i++)
        if (strcmp(manual_command[i].name, command) == 0)
            return command_page(out, &manual_command[i], rep);
    char shown[64];
    words_excerpt(command, shown, sizeof shown);
    return fail(rep, ST_USAGE, "'%s' is no command; `cantle --help` lists them", shown);
}
