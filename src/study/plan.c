#include "study/plan.h"

#include "base/files.h"
#include "base/words.h"
#include "base/yaml_complaint.h"

#include <errno.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* --- the YAML --- */

struct yaml_volume {
    char *volume, *condition, *sample, *cell, *maps;
    char **exceptions;
    unsigned exceptions_count;
};
struct yaml_study {
    char *format, *title, *recipe, *folder;
    char **maps;
    unsigned maps_count;
    struct yaml_volume *volumes;
    unsigned volumes_count;
};

enum { NAME_LONGEST = 127, PATH_LONGEST = 1023 };
#define OPTIONAL (CYAML_FLAG_POINTER | CYAML_FLAG_OPTIONAL)

static const cyaml_schema_value_t text_schema = {
    CYAML_VALUE_STRING(CYAML_FLAG_POINTER, char, 1, NAME_LONGEST)};
static const cyaml_schema_field_t volume_fields[] = {
    CYAML_FIELD_STRING_PTR("volume", CYAML_FLAG_POINTER, struct yaml_volume, volume, 1,
                           PATH_LONGEST),
    CYAML_FIELD_STRING_PTR("condition", CYAML_FLAG_POINTER, struct yaml_volume, condition, 1,
                           NAME_LONGEST),
    CYAML_FIELD_STRING_PTR("sample", OPTIONAL, struct yaml_volume, sample, 1, NAME_LONGEST),
    CYAML_FIELD_STRING_PTR("cell", OPTIONAL, struct yaml_volume, cell, 1, NAME_LONGEST),
    CYAML_FIELD_STRING_PTR("maps", OPTIONAL, struct yaml_volume, maps, 1, PATH_LONGEST),
    CYAML_FIELD_SEQUENCE("exceptions", OPTIONAL, struct yaml_volume, exceptions, &text_schema, 0,
                         STUDY_EXCEPTIONS_MOST),
    CYAML_FIELD_END};
static const cyaml_schema_value_t volume_schema = {
    CYAML_VALUE_MAPPING(CYAML_FLAG_DEFAULT, struct yaml_volume, volume_fields)};
static const cyaml_schema_field_t study_fields[] = {
    CYAML_FIELD_STRING_PTR("format", CYAML_FLAG_POINTER, struct yaml_study, format, 1, 64),
    CYAML_FIELD_STRING_PTR("title", OPTIONAL, struct yaml_study, title, 1, 255),
    CYAML_FIELD_STRING_PTR("recipe", CYAML_FLAG_POINTER, struct yaml_study, recipe, 1,
                           PATH_LONGEST),
    CYAML_FIELD_STRING_PTR("folder", CYAML_FLAG_POINTER, struct yaml_study, folder, 1,
                           PATH_LONGEST),
    CYAML_FIELD_SEQUENCE("maps", OPTIONAL, struct yaml_study, maps, &text_schema, 1,
                         STUDY_MAPS_MOST),
    CYAML_FIELD_SEQUENCE("volumes", CYAML_FLAG_POINTER, struct yaml_study, volumes, &volume_schema,
                         1, STUDY_VOLUMES_MOST),
    CYAML_FIELD_END};
static const cyaml_schema_value_t study_schema = {
    CYAML_VALUE_MAPPING(CYAML_FLAG_POINTER, struct yaml_study, study_fields)};

static enum status load_yaml(const char *path, const cyaml_config_t *config,
                             const struct yaml_complaint *complaint, struct yaml_study **out,
                             struct report *rep)
{
    enum { LARGEST = 4 << 20 };
    uint64_t bytes = 0;
    enum status st = file_check(path, "a YAML file", &bytes, rep);
    if (st != ST_OK) return within(rep, st, "%s: this study ", path);
    FILE *file = fopen(path, "rbe");
    char *text = malloc(LARGEST + 1);
    size_t size = 0;
    if (!file)
        st = fail(rep, ST_INPUT, "%s: cannot open this study: %s", path, strerror(errno));
    else if (!text)
        st = fail(rep, ST_MEMORY, "no memory to read the study %s", path);
    else if ((size = fread(text, 1, LARGEST + 1, file)) > LARGEST || ferror(file))
        st = fail(rep, ST_INPUT, "%s: cannot be read, or is larger than 4 MiB", path);
    if (st == ST_OK) {
        cyaml_err_t err = cyaml_load_data((const uint8_t *)text, size, config, &study_schema,
                                          (cyaml_data_t **)out, NULL);
        if (err != CYAML_OK)
            st = within(rep, yaml_refused(complaint, err, "study", rep), "%s: ", path);
        else if (!*out)
            st = fail(rep, ST_RECIPE, "%s: is empty, so it is not a study", path);
    }
    if (file) fclose(file);
    free(text);
    return st;
}

/* --- names --- */

static char *joined(const char *fmt, ...) PRINTF_LIKE(1, 2);
static char *joined(const char *fmt, ...)
{
    char *text = NULL;
    va_list args;
    va_start(args, fmt);
    int n = vasprintf(&text, fmt, args);
    va_end(args);
    return n < 0 ? NULL : text;
}

/* A path of the study file, which stands for one from its folder. */
static char *from_folder_of(const char *file, const char *path)
{
    const char *slash = strrchr(file, '/');
    if (*path == '/' || !slash) return strdup(path);
    return joined("%.*s/%s", (int)(slash - file), file, path);
}

/* "a/b/cell3.h5" -> "cell3" */
static char *stem_of(const char *path)
{
    const char *slash = strrchr(path, '/'), *name = slash ? slash + 1 : path,
               *dot = strrchr(name, '.');
    return strndup(name, dot && dot > name ? (size_t)(dot - name) : strlen(name));
}

static enum status no_memory(struct report *rep)
{
    return fail(rep, ST_MEMORY, "not enough memory for this study");
}

/* Control characters in a name would end in tables and terminals. */
static enum status check_name(const char *what, const char *name, struct report *rep)
{
    for (const char *c = name; *c; c++)
        if (words_is_control(c))
            return fail(rep, ST_RECIPE, "%s: it holds a control character", what);
    return ST_OK;
}

static enum status take_exceptions(struct study_volume *v, const struct yaml_volume *from,
                                   struct report *rep)
{
    v->exception = calloc(from->exceptions_count + 1, sizeof *v->exception);
    if (!v->exception) return no_memory(rep);
    for (unsigned i = 0; i < from->exceptions_count; i++, v->n_exceptions++)
        if (!(v->exception[i] = strdup(from->exceptions[i]))) return no_memory(rep);
    v->own_recipe = v->n_exceptions > 0;
    return ST_OK;
}

static enum status take_volume(const struct study *s, struct study_volume *v,
                               const struct yaml_volume *from, struct report *rep)
{
    char *stem = stem_of(from->volume);
    if (!stem) return no_memory(rep);
    v->volume = from_folder_of(s->path, from->volume);
    v->maps = from->maps ? from_folder_of(s->path, from->maps)
                         : joined("%s/%s-maps.h5", s->folder, stem);
    v->log = joined("%s/%s.log", s->folder, stem);
    v->recipe = from->exceptions_count ? joined("%s/%s-recipe.yaml", s->folder, stem)
                                       : strdup(s->recipe);
    v->condition_name = strdup(from->condition);
    v->sample_name = strdup(from->sample ? from->sample : "");
    v->cell_name = from->cell ? strdup(from->cell) : strdup(stem);
    free(stem);
    if (!v->volume || !v->maps || !v->log || !v->recipe || !v->condition_name || !v->sample_name ||
        !v->cell_name)
        return no_memory(rep);
    enum status st = check_name("condition", v->condition_name, rep);
    if (st == ST_OK) st = check_name("sample", v->sample_name, rep);
    if (st == ST_OK) st = check_name("cell", v->cell_name, rep);
    if (st == ST_OK) st = check_name("volume", v->volume, rep);
    if (st == ST_OK) st = check_name("maps", v->maps, rep);
    return st == ST_OK ? take_exceptions(v, from, rep) : st;
}

/* Numbers for names: a sample belongs to its condition, a cell to its sample. */
static void number_groups(struct study *s)
{
    for (size_t i = 0; i < s->n; i++) {
        struct study_volume *v = &s->volume[i];
        v->condition = s->conditions;
        v->sample = s->samples;
        v->cell = s->cells;
        for (size_t k = i; k-- > 0;) {
            const struct study_volume *w = &s->volume[k];
            if (strcmp(w->condition_name, v->condition_name) != 0) continue;
            v->condition = w->condition;
            if (strcmp(w->sample_name, v->sample_name) != 0) continue;
            v->sample = w->sample;
            if (strcmp(w->cell_name, v->cell_name) == 0) v->cell = w->cell;
        }
        if (v->condition == s->conditions) s->condition[s->conditions++] = v->condition_name;
        s->samples += v->sample == s->samples;
        s->cells += v->cell == s->cells;
    }
}

static enum status check_twice(const struct study *s, struct report *rep)
{
    for (size_t i = 0; i < s->n; i++)
        for (size_t k = 0; k < i; k++) {
            if (strcmp(s->volume[i].volume, s->volume[k].volume) == 0)
                return fail(rep, ST_RECIPE, "volumes, numbers %zu and %zu: '%s' stands twice",
                            k + 1, i + 1, s->volume[i].volume);
            if (strcmp(s->volume[i].maps, s->volume[k].maps) == 0 ||
                strcmp(s->volume[i].log, s->volume[k].log) == 0)
                return fail(rep, ST_RECIPE,
                            "volumes, numbers %zu and %zu: both would be written to %s; files of "
                            "one name need a folder each: give 'maps' for one and rename its file",
                            k + 1, i + 1, s->volume[i].maps);
        }
    return ST_OK;
}

static enum status take_maps(struct study *s, const struct yaml_study *yaml, struct report *rep)
{
    const char *names[MAP_COUNT];
    for (int m = 0; m < MAP_COUNT; m++)
        names[m] = map_rows[m].name;
    for (unsigned i = 0; i < yaml->maps_count; i++) {
        int m = 0;
        while (m < MAP_COUNT && strcmp(names[m], yaml->maps[i]) != 0)
            m++;
        int near = m == MAP_COUNT ? words_nearest(yaml->maps[i], names, MAP_COUNT) : -1;
        if (m == MAP_COUNT)
            return fail(rep, ST_RECIPE,
                        "maps: there is no map '%s'%s%s%s; `cantle manual maps` lists them",
                        yaml->maps[i], near < 0 ? "" : " (did you mean '",
                        near < 0 ? "" : names[near], near < 0 ? "" : "'?)");
        s->map[s->n_maps++] = (enum map_id)m;
    }
    if (s->n_maps == 0) s->map[s->n_maps++] = MAP_modulus;
    return ST_OK;
}

/* --- recipes --- */

static int key_of(const char *section, size_t section_length, const char *key, size_t key_length)
{
    for (int i = 0; i < KEY_COUNT; i++)
        if (strlen(recipe_rows[i].section) == section_length &&
            strncmp(recipe_rows[i].section, section, section_length) == 0 &&
            strlen(recipe_rows[i].key) == key_length &&
            strncmp(recipe_rows[i].key, key, key_length) == 0)
            return i;
    return -1;
}

/* "contact.model = cone": the key, and where the value begins. */
static enum status read_exception(const char *text, int *key, const char **value,
                                  struct report *rep)
{
    const char *dot = strchr(text, '.'), *equals = strchr(text, '=');
    if (!dot || !equals || dot > equals)
        return fail(rep, ST_RECIPE, "exception '%s': write it like 'contact.model = cone'", text);
    size_t length = (size_t)(equals - dot - 1);
    while (length > 0 && dot[length] == ' ')
        length--;
    *value = equals + 1 + strspn(equals + 1, " ");
    *key = key_of(text, (size_t)(dot - text), dot + 1, length);
    if (*key >= 0) return ST_OK;
    return fail(rep, ST_RECIPE,
                "exception '%s': a recipe has no such key; `cantle manual keys` lists them", text);
}

/* A value in single quotes, in which YAML knows one escape: the quote is doubled. */
static void put_quoted(FILE *out, const char *text)
{
    fputc('\'', out);
    for (; *text; text++)
        fprintf(out, *text == '\'' ? "''" : "%c", *text);
    fputc('\'', out);
}

static void put_value(FILE *out, const struct study *s, int key, const char *text)
{
    char *path = NULL;
    fprintf(out, "  %s: ", recipe_rows[key].key);
    /* a file's name is from the recipe's folder, and this recipe stands in another */
    if (recipe_rows[key].kind == KIND_FILE && (path = from_folder_of(s->recipe, text))) {
        char *whole = realpath(path, NULL);
        put_quoted(out, whole ? whole : path);
        free(whole);
    } else {
        put_quoted(out, text);
    }
    free(path);
    fputc('\n', out);
}

static void put_recipe(FILE *out, const struct study *s, const struct study_volume *v,
                       const struct recipe *r, const char *const value[KEY_COUNT])
{
    const char *section = "";
    fprintf(out, "# made by `cantle study`: %s with the exceptions of %s\n", s->recipe, v->volume);
    for (int i = 0; i < KEY_COUNT; i++) {
        const char *text = value[i] ? value[i] : r->v[i].given ? r->v[i].text : NULL;
        if (!text) continue;
        if (strcmp(recipe_rows[i].section, section) != 0)
            fprintf(out, "%s:\n", section = recipe_rows[i].section);
        put_value(out, s, i, text);
    }
}

enum status study_recipe_text(const struct study *s, const struct study_volume *v, char **out,
                              struct report *rep)
{
    struct recipe r;
    const char *value[KEY_COUNT] = {NULL};
    size_t size = 0;
    *out = NULL;
    enum status st = recipe_load(&r, s->recipe, rep);
    if (st != ST_OK) return st;
    for (size_t i = 0; i < v->n_exceptions && st == ST_OK; i++) {
        int key = 0;
        const char *text = NULL;
        st = read_exception(v->exception[i], &key, &text, rep);
        if (st == ST_OK) value[key] = text;
    }
    FILE *text = st == ST_OK ? open_memstream(out, &size) : NULL;
    if (text) {
        put_recipe(text, s, v, &r, value);
        if (fclose(text) != 0) st = no_memory(rep);
    } else if (st == ST_OK) {
        st = no_memory(rep);
    }
    recipe_free(&r);
    return st;
}

/* Every recipe can be read, before the first volume is. */
static enum status check_recipes(const struct study *s, struct report *rep)
{
    struct recipe r;
    const char *dot = strrchr(s->recipe, '.');
    if (!dot || (strcmp(dot, ".yaml") != 0 && strcmp(dot, ".yml") != 0))
        return fail(rep, ST_RECIPE, "recipe: %s: the name of a recipe ends in .yaml or .yml",
                    s->recipe);
    enum status st = recipe_load(&r, s->recipe, rep);
    if (st != ST_OK) return st;
    recipe_free(&r);
    for (size_t i = 0; i < s->n; i++) {
        char *text = NULL;
        if (!s->volume[i].own_recipe) continue;
        st = study_recipe_text(s, &s->volume[i], &text, rep);
        if (st == ST_OK) st = recipe_parse(&r, text, strlen(text), "with its exceptions", rep);
        if (st == ST_OK) recipe_free(&r);
        free(text);
        if (st != ST_OK) return within(rep, st, "volumes, number %zu: ", i + 1);
    }
    return ST_OK;
}

/* --- all of it --- */

static enum status take_all(struct study *s, const struct yaml_study *yaml, struct report *rep)
{
    enum status st = ST_OK;
    if (strcmp(yaml->format, STUDY_FORMAT) != 0)
        return fail(rep, ST_RECIPE, "format is '%s', this program reads '%s'", yaml->format,
                    STUDY_FORMAT);
    s->title = strdup(yaml->title ? yaml->title : "study");
    s->folder = from_folder_of(s->path, yaml->folder);
    s->recipe = from_folder_of(s->path, yaml->recipe);
    s->volume = calloc(yaml->volumes_count + 1, sizeof *s->volume);
    s->condition = calloc(yaml->volumes_count + 1, sizeof *s->condition);
    if (!s->title || !s->folder || !s->recipe || !s->volume || !s->condition) return no_memory(rep);
    if ((st = check_name("title", s->title, rep)) != ST_OK) return st;
    for (; s->n < yaml->volumes_count && st == ST_OK; s->n++) {
        st = take_volume(s, &s->volume[s->n], &yaml->volumes[s->n], rep);
        if (st != ST_OK) st = within(rep, st, "volumes, number %zu: ", s->n + 1);
    }
    if (st == ST_OK) st = take_maps(s, yaml, rep);
    if (st == ST_OK) st = check_twice(s, rep);
    if (st == ST_OK) number_groups(s);
    return st;
}

enum status study_load(struct study *out, const char *path, struct report *rep)
{
    struct yaml_complaint complaint;
    const cyaml_config_t config = yaml_listen(&complaint);
    struct yaml_study *yaml = NULL;
    *out = (struct study){.path = strdup(path)};
    enum status st = out->path ? load_yaml(path, &config, &complaint, &yaml, rep) : no_memory(rep);
    if (st == ST_OK) {
        st = take_all(out, yaml, rep);
        if (st == ST_OK) st = check_recipes(out, rep);
        if (st != ST_OK) st = within(rep, st, "%s: ", path);
    }
    if (yaml) cyaml_free(&config, &study_schema, yaml, 0);
    if (st != ST_OK) study_free(out);
    return st;
}

void study_free(struct study *s)
{
    for (size_t i = 0; i < s->n; i++) {
        struct study_volume *v = &s->volume[i];
        char *texts[] = {v->volume,         v->recipe,      v->maps,     v->log,
                         v->condition_name, v->sample_name, v->cell_name};
        for (size_t k = 0; k < sizeof texts / sizeof *texts; k++)
            free(texts[k]);
        for (size_t k = 0; k < v->n_exceptions; k++)
            free(v->exception[k]);
        free(v->exception);
    }
    free(s->volume);
    free(s->condition);
    free(s->path);
    free(s->title);
    free(s->folder);
    free(s->recipe);
    *s = (struct study){0};
}
