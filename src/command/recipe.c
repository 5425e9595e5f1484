/* A commented recipe with every key, for a volume or in general. */
#include "recipe/recipe.h"
#include "base/output_file.h"
#include "base/units.h"
#include "base/words.h"
#include "build_facts.h"
#include "command/command.h"
#include "command/volume_choice.h"
#include "contact/contact.h"
#include "volume/volume.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct options {
    const char *volume, *output, *mapping;
    bool overwrite;
};

/* What the page is written for; facts is NULL for the general recipe. */
struct page {
    FILE *out;
    const struct volume_facts *facts;
    const struct contact_model *model;
    bool needed[KEY_COUNT]; /* nobody knows it, and the model or the signal's stage calls for it */
    bool first[KEY_COUNT];  /* needed, or the uncertainty of what is needed */
};

/* --- what the volume knows --- */

/* The lever's item that a key gives, -1 if none; *uncertainty says whether it gives its u. */
static int lever_item_of(enum recipe_key key, bool *uncertainty)
{
    for (int i = 0; i < LEVER_COUNT; i++) {
        size_t n = strlen(lever_rows[i].name);
        const char *rest = recipe_rows[key].key + n;
        if (strncmp(lever_rows[i].name, recipe_rows[key].key, n) != 0) continue;
        *uncertainty = strcmp(rest, "_u") == 0;
        if (!*rest || *uncertainty) return i;
    }
    return -1;
}

/* NaN when the volume does not know it. */
static double known_value(const struct page *p, enum recipe_key key)
{
    bool uncertainty;
    int item = lever_item_of(key, &uncertainty);
    if (!p->facts || item < 0) return NAN;
    const struct known *k = &p->facts->lever.item[item];
    return uncertainty ? k->u : k->value;
}

/* The tip that was measured says which model was meant. */
static const struct contact_model *suggest_model(const struct volume_facts *facts)
{
    if (facts && isfinite(facts->lever.item[LEVER_tip_half_angle].value)) return &contact_cone;
    if (facts && isfinite(facts->lever.item[LEVER_tip_face_angle].value)) return &contact_pyramid;
    return &contact_paraboloid;
}

static bool is_called_for(const struct page *p, int item)
{
    if (item == LEVER_spring_constant || (p->model->needs >> item & 1)) return true;
    for (int s = 0; s < SEG_COUNT; s++) {
        const struct segment_facts *f = &p->facts->seg[s];
        if (!f->there) continue;
        if (item == LEVER_deflection_sensitivity && f->stage == STAGE_DETECTOR) return true;
        if (item == LEVER_quadrant_sensitivity && f->stage == STAGE_QUADRANTS) return true;
    }
    return false;
}

static void find_needed(struct page *p)
{
    for (int i = 0; i < KEY_COUNT && p->facts; i++) {
        bool uncertainty;
        int item = lever_item_of((enum recipe_key)i, &uncertainty);
        if (item < 0 || *recipe_rows[i].standard || !is_called_for(p, item)) continue;
        if (!isnan(p->facts->lever.item[item].value)) continue;
        p->needed[i] = !uncertainty;
        p->first[i] = true;
    }
}

/* --- the page --- */

/* A path may hold anything; a comment must not. */
static void put_plain(FILE *out, const char *text)
{
    for (; *text; text++)
        fputc(*text >= ' ' && *text < 0x7f ? *text : '?', out);
}

static void put_si(FILE *out, double si, const char *si_unit)
{
    char text[64];
    if (strcmp(si_unit, "rad") == 0)
        snprintf(text, sizeof text, "%.6g degree", si * 180 / acos(-1));
    else
        units_show(si, si_unit, 6, text, sizeof text);
    fputs(text, out);
}

static void put_kind(FILE *out, const struct recipe_row *row)
{
    char list[512];
    words_list(recipe_choices(row), list, sizeof list);
    switch (row->kind) {
    case KIND_QUANTITY:
        if (strcmp(row->unit, "1") == 0)
            fputs("a number or %", out);
        else if (strcmp(row->unit, "rad") == 0)
            fputs("an angle in degree or rad", out);
        else
            fprintf(out, "a quantity in %s or any unit like it", row->unit);
        break;
    case KIND_CHOICE:
        fprintf(out, "one of: %s", list);
        break;
    case KIND_COUNT:
        fprintf(out, "a whole number from 0 to %s", row->unit);
        break;
    case KIND_UNIT:
        fprintf(out, "a unit like %s", row->unit);
        break;
    case KIND_FILE:
        fputs("the name of a file, from the recipe's folder", out);
        break;
    case KIND_RANGE:
        fputs("% of the peak force, a force, or an indentation", out);
        break;
    }
}

/* A line to fill in: the placeholder is refused with a clear message if it is left. */
static void put_blank(FILE *out, const struct recipe_row *row)
{
    const char *unit = strcmp(row->unit, "rad") == 0 ? "degree" : *row->unit ? row->unit : "1";
    fprintf(out, "  # %s: FILL_IN%s%s\n", row->key, strcmp(unit, "1") ? " " : "",
            strcmp(unit, "1") ? unit : "");
}

static void put_line(const struct page *p, enum recipe_key key)
{
    const struct recipe_row *row = &recipe_rows[key];
    double known = known_value(p, key);
    if (!isnan(known)) {
        fprintf(p->out, "  # in the volume: ");
        put_si(p->out, known, row->unit);
        fprintf(p->out, "\n  # %s: ", row->key);
        put_si(p->out, known, row->unit);
        fprintf(p->out, "\n");
    } else if (key == KEY_contact_model) {
        fprintf(p->out, "  %s: %s\n", row->key, p->model->name);
    } else if (*row->standard) {
        fprintf(p->out, "  %s: %s\n", row->key, row->standard);
    } else {
        put_blank(p->out, row);
    }
}

static void put_key(const struct page *p, enum recipe_key key)
{
    const struct recipe_row *row = &recipe_rows[key];
    fprintf(p->out, "\n  # %s\n  # ", row->help);
    put_kind(p->out, row);
    bool uncertainty;
    const char *otherwise = row->kind == KIND_FILE                  ? "none"
                            : lever_item_of(key, &uncertainty) >= 0 ? "what the volume says"
                                                                    : "no limit";
    fprintf(p->out, "; default: %s\n", *row->standard ? row->standard : otherwise);
    put_line(p, key);
}

static void put_section(const struct page *p, int first, int end)
{
    bool any = false;
    fprintf(p->out, "\n%s:\n", recipe_rows[first].section);
    for (int i = first; i < end; i++) {
        if (!p->first[i]) continue;
        if (!any) fprintf(p->out, "  # ---- needed, not in the volume: ----\n");
        any = true;
        put_key(p, (enum recipe_key)i);
    }
    if (any) fprintf(p->out, "\n  # ---- the others ----\n");
    for (int i = first; i < end; i++)
        if (!p->first[i]) put_key(p, (enum recipe_key)i);
}

static void put_head(const struct page *p)
{
    bool any = false;
    fprintf(p->out, "# A recipe with every key of cantle %s", CANTLE_VERSION);
    if (p->facts) {
        fprintf(p->out, ", for the volume ");
        put_plain(p->out, p->facts->path);
    }
    fprintf(p->out,
            "\n# A line that begins with # is a comment: remove the # to make its key hold. A key "
            "that is\n# left out has its default. What the recipe gives wins over what the "
            "volume says.\n");
    for (int i = 0; i < KEY_COUNT; i++) {
        if (!p->needed[i]) continue;
        if (!any) fprintf(p->out, "#\n# Needed, not in the volume, so fill in:\n");
        any = true;
        fprintf(p->out, "#   %s.%s\n", recipe_rows[i].section, recipe_rows[i].key);
    }
}

static void put_page(struct page *p)
{
    find_needed(p);
    put_head(p);
    for (int i = 0, end; i < KEY_COUNT; i = end) {
        for (end = i; end < KEY_COUNT; end++)
            if (strcmp(recipe_rows[end].section, recipe_rows[i].section) != 0) break;
        put_section(p, i, end);
    }
}

/* --- the command --- */

static enum status write_file(const struct options *o, const char *text, size_t size,
                              struct report *rep)
{
    char part[4096];
    if (snprintf(part, sizeof part, "%s.part", o->output) >= (int)sizeof part)
        return fail(rep, ST_OUTPUT, "the name of the output is too long");
    enum status st = output_check(o->output, o->volume ? o->volume : "", o->overwrite, rep);
    if (st == ST_OK) st = output_reserve(part, size, rep);
    if (st != ST_OK) return st;
    FILE *file = fopen(part, "r+b");
    int failed = !file || fwrite(text, 1, size, file) != size;
    int cause = errno;
    if (file && fclose(file) != 0 && !failed) {
        failed = 1;
        cause = errno;
    }
    if (failed)
        st = fail(rep, ST_OUTPUT, "%s: cannot be written: %s", part, strerror(cause));
    else
        st = output_publish(part, o->output, o->overwrite, rep);
    if (st != ST_OK) remove(part);
    return st;
}

/* Whatever was printed must be a recipe. */
static enum status check_page(const char *text, size_t size, struct report *rep)
{
    struct recipe r;
    if (recipe_parse(&r, text, size, "printed recipe", rep) != ST_OK)
        return within(rep, ST_BUG, "the recipe that was made cannot be read: ");
    recipe_free(&r);
    return ST_OK;
}

static enum status print_recipe(const struct options *o, struct report *rep)
{
    enum status st = ST_OK;
    struct volume *volume = NULL;
    struct page page = {.out = NULL};
    char *text = NULL;
    size_t size = 0;
    if (o->volume && (st = volume_choice_open(&volume, o->volume, o->mapping, NULL, rep)) != ST_OK)
        goto done;
    page.facts = volume ? volume_facts(volume) : NULL;
    page.model = suggest_model(page.facts);
    page.out = open_memstream(&text, &size);
    if (page.out) put_page(&page);
    if (!page.out || fclose(page.out) != 0) {
        st = fail(rep, ST_MEMORY, "not enough memory for a recipe");
        goto done;
    }
    if ((st = check_page(text, size, rep)) != ST_OK) goto done;
    if (o->output)
        st = write_file(o, text, size, rep);
    else
        fwrite(text, 1, size, stdout); /* main looks whether stdout took it */
done:
    volume_close(&volume);
    free(text);
    return st;
}

static const struct argp_option option_rows[] = {
    {"output", 'o', "FILE", 0, "write the recipe into FILE, not to standard output", 0},
    {"overwrite", 'f', NULL, 0, "replace FILE if it exists", 0},
    {"mapping", 'm', "DESCRIPTION.yaml", 0, MAPPING_HELP, 0},
    {0},
};

static error_t parse_option(int key, char *arg, struct argp_state *state)
{
    struct options *o = state->input;
    switch (key) {
    case 'o':
        o->output = arg;
        return 0;
    case 'f':
        o->overwrite = true;
        return 0;
    case 'm':
        o->mapping = arg;
        return 0;
    case ARGP_KEY_ARG:
        if (o->volume) argp_error(state, "one argument too many: '%s'; expected one VOLUME", arg);
        o->volume = arg;
        return 0;
    default:
        return ARGP_ERR_UNKNOWN;
    }
}

static const struct argp recipe_argp = {
    .options = option_rows,
    .parser = parse_option,
    .args_doc = "[VOLUME]",
    .doc =
        "Print a commented recipe with every key, its meaning, choices and default.\v"
        "With a VOLUME the recipe fits it: what the volume knows is shown, what is needed and not "
        "in the volume is listed first, and the contact model follows from the tip.",
};

enum status command_recipe(int argc, char **argv, const struct world *world, struct report *rep)
{
    struct options o = {0};
    bool done = false;
    enum status st = options_parse(&recipe_argp, argc, argv, world, &o, &done, rep);
    if (st == ST_OK && !done && world->rank == 0) st = print_recipe(&o, rep);
    return st;
}
