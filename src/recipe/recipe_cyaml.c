#include "recipe/recipe_parts.h"
#include "recipe/yaml_complaint.h"

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

enum status recipe_texts_load(struct recipe_texts *out, const char *text, size_t size,
                              struct report *rep)
{
    struct yaml_complaint complaint;
    struct schema schema;
    struct document *doc = NULL;
    const cyaml_config_t config = yaml_listen(&complaint);
    schema_make(&schema);
    cyaml_err_t err = cyaml_load_data((const uint8_t *)text, size, &config, &schema.root,
                                      (cyaml_data_t **)&doc, NULL);
    if (err != CYAML_OK) return yaml_refused(&complaint, err, "recipe", rep);
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
