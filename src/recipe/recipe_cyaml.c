#include "recipe/recipe_parts.h"

#include <cyaml/cyaml.h>
#include <stdlib.h>
#include <string.h>

/* One struct for the keys of all sections; each section is loaded into one of its own, so that an
 * empty section is a NULL. */
struct document {
    struct recipe_texts *section[KEY_COUNT];
};

struct schema {
    cyaml_schema_field_t key[2 * KEY_COUNT]; /* each section's run ends with an empty field */
    cyaml_schema_field_t section[KEY_COUNT + 1];
    cyaml_schema_value_t root;
};

static void schema_make(struct schema *s)
{
    memset(s, 0, sizeof *s);
    cyaml_schema_field_t *key = s->key, *section = s->section;
    for (int i = 0; i < KEY_COUNT; i = recipe_section_end(i)) {
        *section = (cyaml_schema_field_t){
            .key = recipe_rows[i].section,
            .data_offset = (uint32_t)((size_t)(section - s->section) * sizeof(void *)),
            .value = {CYAML_VALUE_MAPPING(CYAML_FLAG_OPTIONAL | CYAML_FLAG_POINTER_NULL,
                                          struct recipe_texts, key)}};
        section++;
        for (int j = i; j < recipe_section_end(i); j++)
            *key++ = (cyaml_schema_field_t){
                .key = recipe_rows[j].key,
                .data_offset = (uint32_t)((size_t)j * sizeof(char *)),
                .value = {CYAML_VALUE_STRING(CYAML_FLAG_OPTIONAL | CYAML_FLAG_POINTER, char *, 0,
                                             sizeof((struct recipe_value *)0)->text - 1)}};
        key++;
    }
    s->root = (cyaml_schema_value_t){
        CYAML_VALUE_MAPPING(CYAML_FLAG_POINTER, struct document, s->section)};
}

/* The first complaint, and the line and column that libcyaml's trace gives after it. */
struct complaint {
    char text[200];
    int line, column;
};

static void listen(cyaml_log_t level, void *context, const char *format, va_list args)
{
    struct complaint *c = context;
    char text[200];
    int line, column;
    if (level < CYAML_LOG_ERROR) return;
    vsnprintf(text, sizeof text, format, args);
    if (!*c->text) memcpy(c->text, text, sizeof text);
    const char *at = strstr(text, "(line: ");
    if (!c->line && at && sscanf(at, "(line: %d, column: %d)", &line, &column) == 2) {
        c->line = line;
        c->column = column;
    }
}

enum status recipe_texts_load(struct recipe_texts *out, const char *text, size_t size,
                              struct report *rep)
{
    struct complaint complaint = {"", 0, 0};
    struct schema schema;
    struct document *doc = NULL;
    const cyaml_config_t config = {.log_fn = listen,
                                   .log_ctx = &complaint,
                                   .log_level = CYAML_LOG_ERROR,
                                   .mem_fn = cyaml_mem,
                                   .flags = CYAML_CFG_NO_ALIAS};
    schema_make(&schema);
    cyaml_err_t err = cyaml_load_data((const uint8_t *)text, size, &config, &schema.root,
                                      (cyaml_data_t **)&doc, NULL);
    if (err == CYAML_ERR_OOM) return fail(rep, ST_MEMORY, "no memory to read YAML");
    if (err != CYAML_OK)
        return fail(rep, ST_RECIPE, "line %d, column %d: not a recipe: %s (%s)", complaint.line,
                    complaint.column, complaint.text, cyaml_strerror(err));
    for (int s = 0; s < KEY_COUNT && doc; s++)
        for (int i = 0; i < KEY_COUNT && doc->section[s]; i++) {
            if (!doc->section[s]->v[i]) continue;
            out->v[i] = doc->section[s]->v[i]; /* taken over: cyaml_mem is malloc and free */
            doc->section[s]->v[i] = NULL;
        }
    cyaml_free(&config, &schema.root, doc, 0);
    return ST_OK;
}

void recipe_texts_free(struct recipe_texts *t)
{
    for (int i = 0; i < KEY_COUNT; i++) {
        free(t->v[i]);
        t->v[i] = NULL;
    }
}
