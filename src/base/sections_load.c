#include "base/sections.h"
#include "base/yaml_complaint.h"

#include <stdlib.h>
#include <string.h>

/* One struct for the keys of all sections; each section is loaded into one of its own, so that an
 * empty section is a NULL. */
struct document {
    struct section_texts *section[SECTIONS_MOST];
};

struct schema {
    cyaml_schema_field_t key[2 * SECTIONS_MOST]; /* each section's run ends with an empty field */
    cyaml_schema_field_t section[SECTIONS_MOST + 1];
    cyaml_schema_value_t root;
};

static void schema_make(const struct sections *s, struct schema *schema)
{
    memset(schema, 0, sizeof *schema);
    cyaml_schema_field_t *key = schema->key, *section = schema->section;
    for (int i = 0; i < s->n; i = sections_end(s, i)) {
        *section = (cyaml_schema_field_t){
            .key = s->row[i].section,
            .data_offset = (uint32_t)((size_t)(section - schema->section) * sizeof(void *)),
            .value = {CYAML_VALUE_MAPPING(CYAML_FLAG_OPTIONAL | CYAML_FLAG_POINTER_NULL,
                                          struct section_texts, key)}};
        section++;
        for (int j = i; j < sections_end(s, i); j++)
            *key++ = (cyaml_schema_field_t){
                .key = s->row[j].key,
                .data_offset = (uint32_t)((size_t)j * sizeof(char *)),
                .value = {CYAML_VALUE_STRING(CYAML_FLAG_OPTIONAL | CYAML_FLAG_POINTER, char *, 0,
                                             (uint32_t)s->longest)}};
        key++;
    }
    schema->root = (cyaml_schema_value_t){
        CYAML_VALUE_MAPPING(CYAML_FLAG_POINTER, struct document, schema->section)};
}

enum status sections_load(const struct sections *s, struct section_texts *out, const char *text,
                          size_t size, struct report *rep)
{
    struct yaml_complaint complaint;
    struct schema schema;
    struct document *doc = NULL;
    const cyaml_config_t config = yaml_listen(&complaint);
    schema_make(s, &schema);
    cyaml_err_t err = cyaml_load_data((const uint8_t *)text, size, &config, &schema.root,
                                      (cyaml_data_t **)&doc, NULL);
    if (err != CYAML_OK) return yaml_refused(&complaint, err, s->noun, rep);
    for (int k = 0; k < s->n && doc; k++)
        for (int i = 0; i < s->n && doc->section[k]; i++) {
            if (!doc->section[k]->v[i]) continue;
            out->v[i] = doc->section[k]->v[i]; /* taken over: cyaml_mem is malloc and free */
            doc->section[k]->v[i] = NULL;
        }
    cyaml_free(&config, &schema.root, doc, 0);
    return ST_OK;
}

void section_texts_free(struct section_texts *t)
{
    for (int i = 0; i < SECTIONS_MOST; i++) {
        free(t->v[i]);
        t->v[i] = NULL;
    }
}
