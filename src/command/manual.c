/* Reference pages from the tables that the program itself works by. */
#include "command/manual.h"
#include "base/words.h"
#include "command/command.h"
#include "contact/contact.h"
#include "curve/result.h"
#include "intake/description.h"
#include "maps/reuse.h"
#include "recipe/recipe.h"

#include <stdio.h>
#include <string.h>

static void heading(const char *title, const char *page, const char *source)
{
    printf("# %s\n\n<!-- printed by `cantle manual %s`: change %s, not this page -->\n\n", title,
           page, source);
}

/* A bar would end the table cell. */
static void cell(const char *text)
{
    printf("| ");
    for (; *text; text++) {
        if (*text == '|') putchar('\\');
        putchar(*text);
    }
    putchar(' ');
}

static void code_cell(const char *text)
{
    printf("| `%s` ", text);
}

static void end_row(void)
{
    printf("|\n");
}

static void page_keys(void)
{
    recipe_manual(stdout);
}

static const char *segment_words(unsigned segments)
{
    if (segments == SEGMENT_APPROACH) return "approach";
    if (segments == SEGMENT_RETRACT) return "retract";
    return "approach; retract when the recipe asks for it";
}

static void page_models(void)
{
    heading("Contact models", "models", "the records in src/contact");
    printf(
        "F is the force (positive: repulsive), delta the indentation, E* = E/(1 - nu^2) the "
        "reduced\n"
        "modulus (rigid tip), w the work of adhesion. The key is `contact.model` of the recipe.\n");
    for (int i = 0; i < CONTACT_COUNT; i++) {
        const struct contact_model *m = contact_at(i);
        printf("\n## %s\n\n%s\n\n", m->name, m->title);
        printf("- formula: `%s`\n", m->formula);
        for (int k = 0; k < LEVER_COUNT; k++)
            if (m->needs >> k & 1)
                printf("- needs: %s (`%s.%s`)\n", lever_rows[k].words, lever_rows[k].section,
                       lever_rows[k].name);
        printf("- segment: %s\n", segment_words(m->segments));
        printf("- gives: modulus%s\n", m->adhesive ? " and work of adhesion" : "");
        printf("- limits: %s\n", m->limits);
        printf("- source: %s\n", m->source);
    }
}

static void code_cell_or_none(const char *text)
{
    if (*text)
        code_cell(text);
    else
        cell("");
}

static void page_maps(void)
{
    heading("Maps", "maps", "the table in src/curve/result.h");
    printf(
        "A map with errors has a second dataset, `NAME_errors`, with one standard error for each\n"
        "pixel. A pixel where a quantity was not computed is NaN.\n\n"
        "A map with a further axis is in `/entry/maps_by_AXIS`, [y, x, AXIS]. A map that names a "
        "section of the\nrecipe is made only when that section asks for it.\n\n"
        "| map | quantity | unit | errors | colour scale | further axis | asked for in | "
        "definition "
        "|\n|---|---|---|---|---|---|---|---|\n");
    for (int i = 0; i < MAP_COUNT; i++) {
        const struct map_row *row = &map_rows[i];
        if (!map_begins(i)) continue;
        code_cell(row->name);
        cell(row->words);
        cell(row->unit);
        cell(row->errors ? "yes" : "no");
        cell(row->scale == SCALE_LOG ? "logarithmic" : "linear");
        cell(row->axis ? axis_rows[row->axis].name : "");
        code_cell_or_none(analysis_sections[row->analysis]);
        cell(row->definition);
        end_row();
    }
}

static void page_flags(void)
{
    static const char *const effect[] = {
        [SEVERITY_NOTE] = "remark", [SEVERITY_DOUBT] = "doubtful", [SEVERITY_REJECT] = "rejected"};
    heading("States and flags", "flags", "the tables in src/curve/result.h");
    printf(
        "## State\n\nEach pixel is in one state.\n\n| value | state | meaning |\n|---|---|---|\n");
    for (int i = 0; i < STATE_COUNT; i++) {
        printf("| %d ", i);
        code_cell(state_rows[i].name);
        cell(state_rows[i].words);
        end_row();
    }
    printf(
        "\n## Flags\n\nEach flag is a bit; a pixel can have several. The effect is what the flag "
        "makes of the pixel:\na remark leaves it as it is.\n\n"
        "| bit | value | flag | effect | meaning |\n|---|---|---|---|---|\n");
    for (int i = 0; i < FLAG_COUNT; i++) {
        printf("| %d | %llu ", i, 1ull << i);
        code_cell(flag_rows[i].name);
        cell(i == FLAGBIT_absent ? "absent" : effect[flag_rows[i].severity]);
        cell(flag_rows[i].words);
        end_row();
    }
}

static void page_statuses(void)
{
    heading("Exit statuses", "statuses", "the table in src/base/status.h");
    printf("A run that did not succeed prints one line on standard error, `cantle COMMAND: ...`, "
           "which\n"
           "says what is wrong, where, and what to do. All ranks end with the same status.\n\n"
           "| status | word | meaning |\n|---|---|---|\n");
    for (int i = 0; i < ST_COUNT; i++) {
        printf("| %d ", status_exit((enum status)i));
        code_cell(status_name((enum status)i));
        cell(status_text((enum status)i));
        end_row();
    }
}

static void page_import(void)
{
    description_manual(stdout);
}

static void page_reuse(void)
{
    heading("What a refit keeps", "reuse", "the table in src/maps/reuse.h");
    printf("`cantle refit` takes from the old map file what a change cannot have changed:\n\n");
    reuse_manual(stdout);
}

static void page_list(void)
{
    printf("cantle\n");
    for (size_t i = 0; i < manual_commands; i++)
        printf("cantle-%s\n", manual_command[i].name);
}

/* Reference pages: word; what it holds. */
#define PAGE_LIST(P)                                                                               \
    P(keys, "every key of a recipe")                                                               \
    P(import, "every key of an import description")                                                \
    P(models, "the contact models with formula and source")                                        \
    P(maps, "what each map means")                                                                 \
    P(flags, "states and flags of pixels")                                                         \
    P(statuses, "exit statuses")                                                                   \
    P(reuse, "what a refit keeps of its parent")                                                   \
    P(list, "the names of all man pages")

static const struct {
    const char *name;
    void (*print)(void);
} pages[] = {
#define P(name, words) {#name, page_##name},
    PAGE_LIST(P)
#undef P
};
enum { PAGES = sizeof pages / sizeof *pages };

/* What is to be printed. */
struct manual_wish {
    const char *page, *command;
};

static error_t parse_option(int key, char *arg, struct argp_state *state)
{
    struct manual_wish *wish = state->input;
    if (key != ARGP_KEY_ARG) return ARGP_ERR_UNKNOWN;
    if (!wish->page)
        wish->page = arg;
    else if (!wish->command && strcmp(wish->page, "page") == 0)
        wish->command = arg;
    else
        argp_error(state, "one argument too many: '%s'", arg);
    return 0;
}

static const struct argp manual_argp = {
    .parser = parse_option,
    .args_doc =
#define P(name, words) #name "|"
        PAGE_LIST(P) "completion\npage [COMMAND]",
#undef P
    .doc = "Print a reference page in Markdown, a man page, or the completion for bash, made from "
           "the tables that the program works by.\v"
#define P(name, words) #name ": " words ".\n"
    PAGE_LIST(P)
#undef P
        "completion: to be read by bash, `source <(cantle manual completion)`.\n"
        "page: the man page of a command, or of the program; `cantle manual page map | man -l -` "
        "shows it.",
};

static enum status wrong_page(const char *word, struct report *rep)
{
    const char *names[PAGES + 2] = {"page", "completion"};
    char list[256] = "";
    for (int i = 0; i < PAGES; i++)
        names[i + 2] = pages[i].name;
    for (int i = 0; i < PAGES + 2; i++)
        snprintf(list + strlen(list), sizeof list - strlen(list), "%s%s", i ? ", " : "", names[i]);
    if (!word) return fail(rep, ST_USAGE, "no page given; there are %s", list);
    int near = words_nearest(word, names, PAGES + 2);
    return fail(rep, ST_USAGE, "unknown page '%.64s'%s%s%s; there are %s", word,
                near < 0 ? "" : " (did you mean '", near < 0 ? "" : names[near],
                near < 0 ? "" : "'?)", list);
}

static enum status print_wish(const struct manual_wish *wish, struct report *rep)
{
    const char *word = wish->page;
    if (word && strcmp(word, "page") == 0) return manual_man_page(stdout, wish->command, rep);
    if (word && strcmp(word, "completion") == 0) return manual_completion(stdout, rep);
    for (int i = 0; word && i < PAGES; i++)
        if (strcmp(pages[i].name, word) == 0) {
            pages[i].print();
            return ST_OK;
        }
    return wrong_page(word, rep);
}

enum status command_manual(int argc, char **argv, const struct world *world, struct report *rep)
{
    struct manual_wish wish = {0};
    bool done = false;
    enum status st = options_parse(&manual_argp, argc, argv, world, &wish, &done, rep);
    /* the others hear from rank 0 how it went */
    return st == ST_OK && !done && world->rank == 0 ? print_wish(&wish, rep) : st;
}
