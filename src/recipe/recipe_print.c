#include "base/words.h"
#include "recipe/recipe_parts.h"

#include <jansson.h>
#include <string.h>

static const char *origin(const struct recipe_value *v)
{
    return v->given ? "recipe" : v->set ? "default" : "not set";
}

char *recipe_json(const struct recipe *r)
{
    char *text = NULL;
    json_t *root = json_object();
    for (int i = 0; root && i < KEY_COUNT; i++) {
        const struct recipe_value *v = &r->v[i];
        if (!json_object_get(root, recipe_rows[i].section) &&
            json_object_set_new(root, recipe_rows[i].section, json_object()) != 0)
            goto done;
        json_t *entry = json_pack("{s:o, s:s}", "value",
                                  v->set ? json_string(v->text) : json_null(), "origin", origin(v));
        if (json_object_set_new(json_object_get(root, recipe_rows[i].section), recipe_rows[i].key,
                                entry) != 0)
            goto done;
    }
    if (root) text = json_dumps(root, JSON_INDENT(1));
done:
    json_decref(root);
    return text;
}

/* A table cell: a bar would end it. */
static void cell(FILE *out, const char *text)
{
    for (; *text; text++)
        fprintf(out, *text == '|' ? "\\|" : "%c", *text);
}

static void kind_cell(FILE *out, const struct recipe_row *row)
{
    char list[512];
    words_list(recipe_choices(row), list, sizeof list);
    switch (row->kind) {
    case KIND_QUANTITY:
        if (strcmp(row->unit, "1") == 0)
            fprintf(out, "number or %%");
        else if (strcmp(row->unit, "rad") == 0)
            fprintf(out, "angle (degree, rad)");
        else
            fprintf(out, "quantity in %s", row->unit);
        break;
    case KIND_CHOICE:
        fprintf(out, "one of: %s", list);
        break;
    case KIND_COUNT:
        fprintf(out, "whole number, 0 to %s", row->unit);
        break;
    case KIND_UNIT:
        fprintf(out, "unit that converts to %s", row->unit);
        break;
    case KIND_FILE:
        fprintf(out, "file name, from the recipe's folder");
        break;
    case KIND_RANGE:
        fprintf(out, "%% of peak force, force, or indentation");
        break;
    }
}

static const char *const introduction =
    "# Recipe keys\n"
    "\n"
    "<!-- printed by `cantle manual keys`: change the table in src/recipe/recipe.h, not this page "
    "-->\n"
    "\n"
    "A recipe is a YAML file of sections with keys. Every key can be left out: then its default "
    "holds,\n"
    "or, for calibration, tip and sample, what the volume says. A value that the recipe gives wins "
    "over\n"
    "the volume's. `cantle recipe volume.h5` prints a recipe that fits a volume, with all keys.\n"
    "\n"
    "```yaml\n"
    "calibration:\n"
    "  spring_constant: 0.35 N/m\n"
    "  spring_constant_u: 0.02 N/m\n"
    "contact:\n"
    "  model: paraboloid\n"
    "  to: 80 %\n"
    "```\n"
    "\n"
    "Quantities are a number and a unit that [UDUNITS-2]"
    "(https://docs.unidata.ucar.edu/udunits/current/) knows: `0.35 N/m`,\n"
    "`40 nm`, `20 degree`, `52.5 nm/V`. Any unit of the right dimension will do; the tables name "
    "the SI\n"
    "one. A number without a unit is refused where a unit is needed. Shares and ratios are plain\n"
    "numbers or per cent: `0.1` and `10 %` are the same. A key that ends in `_u` is the standard\n"
    "uncertainty of the key before it; when a recipe gives a value without it, the uncertainty is "
    "not\n"
    "known, even if the volume states one for its own value.\n"
    "\n"
    "The ends of the fitted range (`contact.from`, `contact.to`) are a share of the peak force "
    "(`80 %`),\n"
    "a force (`2 nN`) or an indentation (`50 nm`): the unit decides.\n"
    "\n"
    "An unknown key, a key that stands twice, a value that does not fit, anchors, aliases and tags "
    "are\n"
    "errors; the message names the line and what would be valid. A recipe has at most 1 MiB, a "
    "value at\n"
    "most 127 bytes.\n";

void recipe_manual(FILE *out)
{
    fputs(introduction, out);
    for (int i = 0; i < KEY_COUNT; i++) {
        const struct recipe_row *row = &recipe_rows[i];
        if (i == 0 || strcmp(row->section, recipe_rows[i - 1].section) != 0)
            fprintf(out, "\n## %s\n\n| key | value | default | meaning |\n|---|---|---|---|\n",
                    row->section);
        fprintf(out, "| `%s` | ", row->key);
        kind_cell(out, row);
        fprintf(out, *row->standard ? " | `%s` | " : " |%s | ", row->standard);
        cell(out, row->help);
        fprintf(out, " |\n");
    }
}
