/* The shape of the text, looked at before libcyaml sees it: libcyaml stops at the first thing that
 * its schema does not know, but cannot say what would have been right. */
#include "base/sections.h"
#include "base/words.h"

#include <stdint.h>
#include <string.h>
#include <yaml.h>

/* DEEPEST: libyaml's time grows with the square of the depth, so a file of brackets is stopped
 * early. */
enum { NAMES_SIZE = 512, EXCERPT = 48, DEEPEST = 8 };

/* What the first pass counts. */
struct progress {
    int documents, depth;
};

static int line_of(yaml_mark_t mark)
{
    return mark.line < INT32_MAX ? (int)mark.line + 1 : INT32_MAX;
}

/* libyaml's reader (encoding, control characters) knows the byte, not the line. */
static enum status syntax_error(const yaml_parser_t *p, const char *text, size_t size,
                                struct report *rep)
{
    int line = line_of(p->problem_mark);
    if (p->error == YAML_MEMORY_ERROR) return fail(rep, ST_MEMORY, "no memory to read YAML");
    if (p->error == YAML_READER_ERROR) {
        line = 1;
        for (size_t i = 0; i < p->problem_offset && i < size; i++)
            line += text[i] == '\n';
    }
    return fail(rep, ST_RECIPE, "line %d: not valid YAML: %s%s%s", line,
                p->context ? p->context : "", p->context ? ", " : "",
                p->problem ? p->problem : "cannot be read");
}

static enum status vet_event(const struct sections *s, const yaml_event_t *e, struct progress *p,
                             struct report *rep)
{
    const yaml_char_t *anchor = NULL;
    int line = line_of(e->start_mark);
    if (e->type == YAML_ALIAS_EVENT) anchor = e->data.alias.anchor;
    if (e->type == YAML_SCALAR_EVENT) anchor = e->data.scalar.anchor;
    if (e->type == YAML_SEQUENCE_START_EVENT) anchor = e->data.sequence_start.anchor;
    if (e->type == YAML_MAPPING_START_EVENT) anchor = e->data.mapping_start.anchor;
    if (anchor)
        return fail(rep, ST_RECIPE,
                    "line %d: anchors and aliases (& and *) are not used in a %s; write the "
                    "value out, or put it in quotes",
                    line, s->noun);
    if (e->type == YAML_SEQUENCE_START_EVENT || e->type == YAML_MAPPING_START_EVENT) p->depth++;
    if (e->type == YAML_SEQUENCE_END_EVENT || e->type == YAML_MAPPING_END_EVENT) p->depth--;
    if (p->depth > DEEPEST)
        return fail(rep, ST_RECIPE,
                    "line %d: nested too deeply; a %s is made of sections with keys, no deeper",
                    line, s->noun);
    if (e->type == YAML_DOCUMENT_START_EVENT && ++p->documents > 1)
        return fail(rep, ST_RECIPE, "line %d: a second YAML document begins; a %s is one", line,
                    s->noun);
    return ST_OK;
}

/* First pass: the syntax as a whole, and what a loaded document no longer shows. */
static enum status vet_events(const struct sections *s, const char *text, size_t size,
                              struct progress *progress, struct report *rep)
{
    enum status st = ST_OK;
    yaml_parser_t parser;
    yaml_event_t event;
    int more = 1;
    if (!yaml_parser_initialize(&parser)) return fail(rep, ST_MEMORY, "no memory to read YAML");
    yaml_parser_set_input_string(&parser, (const unsigned char *)text, size);
    yaml_parser_set_encoding(&parser, YAML_UTF8_ENCODING);
    while (st == ST_OK && more) {
        if (!yaml_parser_parse(&parser, &event)) {
            st = syntax_error(&parser, text, size, rep);
            break;
        }
        st = vet_event(s, &event, progress, rep);
        more = event.type != YAML_STREAM_END_EVENT;
        yaml_event_delete(&event);
    }
    yaml_parser_delete(&parser);
    return st;
}

static void append(char *list, size_t size, const char *word)
{
    size_t used = strlen(list);
    snprintf(list + used, size - used, "%s%s", used ? ", " : "", word);
}

static enum status unknown_section(const struct sections *s, const char *word, int line,
                                   struct report *rep)
{
    char list[NAMES_SIZE] = "", shown[EXCERPT];
    const char *names[SECTIONS_MOST] = {NULL};
    words_excerpt(word, shown, sizeof shown);
    for (int i = 0; i < s->n; i = sections_end(s, i)) {
        names[i] = s->row[i].section;
        append(list, sizeof list, names[i]);
    }
    for (int i = 0; i < s->n; i++)
        if (strcmp(s->row[i].key, word) == 0)
            return fail(
                rep, ST_RECIPE,
                "line %d: %s: this key belongs under '%s:', indented; valid sections are %s", line,
                shown, s->row[i].section, list);
    int near = words_nearest(word, names, (size_t)s->n);
    return fail(rep, ST_RECIPE, "line %d: %s: unknown section%s%s%s; valid sections are %s", line,
                shown, near < 0 ? "" : " (did you mean '", near < 0 ? "" : names[near],
                near < 0 ? "" : "'?)", list);
}

static enum status unknown_key(const struct sections *s, int first, const char *word, int line,
                               struct report *rep)
{
    char list[NAMES_SIZE] = "", shown[EXCERPT];
    const char *names[SECTIONS_MOST] = {NULL}, *section = s->row[first].section;
    words_excerpt(word, shown, sizeof shown);
    for (int i = first; i < sections_end(s, first); i++) {
        names[i] = s->row[i].key;
        append(list, sizeof list, names[i]);
    }
    for (int i = 0; i < s->n; i++)
        if (strcmp(s->row[i].key, word) == 0)
            return fail(rep, ST_RECIPE,
                        "line %d: %s.%s: unknown key, '%s' belongs under '%s:'; valid keys of %s "
                        "are %s",
                        line, section, shown, shown, s->row[i].section, section, list);
    int near = words_nearest(word, names, (size_t)s->n);
    return fail(rep, ST_RECIPE, "line %d: %s.%s: unknown key%s%s%s; valid keys of %s are %s", line,
                section, shown, near < 0 ? "" : " (did you mean '", near < 0 ? "" : names[near],
                near < 0 ? "" : "'?)", section, list);
}

/* The text of a scalar node; NULL for anything else. A NUL can still come from "\0" in quotes. */
static const char *scalar(const yaml_node_t *node)
{
    if (node->type != YAML_SCALAR_NODE) return NULL;
    const char *text = (const char *)node->data.scalar.value;
    return memchr(text, 0, node->data.scalar.length) ? NULL : text;
}

static int has_tag(const yaml_node_t *node)
{
    const char *standard = node->type == YAML_SCALAR_NODE     ? YAML_DEFAULT_SCALAR_TAG
                           : node->type == YAML_SEQUENCE_NODE ? YAML_DEFAULT_SEQUENCE_TAG
                                                              : YAML_DEFAULT_MAPPING_TAG;
    return node->tag && strcmp((const char *)node->tag, standard) != 0;
}

static int is_empty(const yaml_node_t *node)
{
    return node->type == YAML_SCALAR_NODE && node->data.scalar.length == 0 &&
           node->data.scalar.style == YAML_PLAIN_SCALAR_STYLE && !has_tag(node);
}

/* What is wrong with a value's shape, NULL when it is a text of the right length. */
static const char *value_problem(const struct sections *s, const yaml_node_t *node)
{
    if (node->type == YAML_SEQUENCE_NODE) return "a list where one value is wanted";
    if (node->type == YAML_MAPPING_NODE) return "a mapping where one value is wanted";
    if (has_tag(node)) return "tags (words with !) are not used here";
    if (node->data.scalar.length == 0)
        return "no value; give one, or remove the key for its default";
    if (node->data.scalar.length > s->longest)
        return s->longest == 127 ? "the value is longer than 127 bytes"
                                 : "the value is longer than 255 bytes";
    if (!scalar(node)) return "the value holds a NUL character";
    return NULL;
}

static enum status vet_section(const struct sections *s, yaml_document_t *doc,
                               const yaml_node_t *node, int first, int *line, struct report *rep)
{
    const char *section = s->row[first].section;
    if (is_empty(node)) return ST_OK;
    if (node->type != YAML_MAPPING_NODE || has_tag(node))
        return fail(rep, ST_RECIPE,
                    "line %d: %s: is a section: its keys follow on lines of their own, indented, "
                    "each 'key: value'",
                    line_of(node->start_mark), section);
    for (yaml_node_pair_t *p = node->data.mapping.pairs.start; p < node->data.mapping.pairs.top;
         p++) {
        const yaml_node_t *key = yaml_document_get_node(doc, p->key);
        const yaml_node_t *value = yaml_document_get_node(doc, p->value);
        const char *word = scalar(key);
        int at = line_of(key->start_mark), i = first, end = sections_end(s, first);
        if (!word || has_tag(key))
            return fail(rep, ST_RECIPE, "line %d: %s: a key must be a plain word", at, section);
        while (i < end && strcmp(s->row[i].key, word) != 0)
            i++;
        if (i == end) return unknown_key(s, first, word, at, rep);
        if (line[i])
            return fail(rep, ST_RECIPE, "line %d: %s.%s: stands twice, first in line %d", at,
                        section, word, line[i]);
        if (value_problem(s, value))
            return fail(rep, ST_RECIPE, "line %d: %s.%s: %s", at, section, word,
                        value_problem(s, value));
        line[i] = at;
    }
    return ST_OK;
}

static enum status vet_root(const struct sections *s, yaml_document_t *doc, const yaml_node_t *root,
                            int *line, struct report *rep)
{
    int seen[SECTIONS_MOST] = {0};
    if (root->type != YAML_MAPPING_NODE || has_tag(root))
        return fail(rep, ST_RECIPE, "line %d: a %s is made of sections with keys, like %s",
                    line_of(root->start_mark), s->noun, s->example);
    for (yaml_node_pair_t *p = root->data.mapping.pairs.start; p < root->data.mapping.pairs.top;
         p++) {
        const yaml_node_t *key = yaml_document_get_node(doc, p->key);
        const char *word = scalar(key);
        int at = line_of(key->start_mark), i = 0;
        if (!word || has_tag(key))
            return fail(rep, ST_RECIPE, "line %d: a section's name must be a plain word", at);
        while (i < s->n && strcmp(s->row[i].section, word) != 0)
            i = sections_end(s, i);
        if (i == s->n) return unknown_section(s, word, at, rep);
        if (seen[i])
            return fail(rep, ST_RECIPE, "line %d: %s: this section stands twice, first in line %d",
                        at, word, seen[i]);
        seen[i] = at;
        enum status st = vet_section(s, doc, yaml_document_get_node(doc, p->value), i, line, rep);
        if (st != ST_OK) return st;
    }
    return ST_OK;
}

enum status sections_vet(const struct sections *s, const char *text, size_t size, int *line,
                         int *empty, struct report *rep)
{
    struct progress progress = {0, 0};
    yaml_parser_t parser;
    yaml_document_t doc;
    enum status st = vet_events(s, text, size, &progress, rep);
    *empty = progress.documents == 0;
    if (st != ST_OK || *empty) return st;
    if (!yaml_parser_initialize(&parser)) return fail(rep, ST_MEMORY, "no memory to read YAML");
    yaml_parser_set_input_string(&parser, (const unsigned char *)text, size);
    yaml_parser_set_encoding(&parser, YAML_UTF8_ENCODING);
    if (!yaml_parser_load(&parser, &doc)) {
        st = syntax_error(&parser, text, size, rep);
    } else {
        const yaml_node_t *root = yaml_document_get_root_node(&doc);
        *empty = !root || is_empty(root);
        if (!*empty) st = vet_root(s, &doc, root, line, rep);
        yaml_document_delete(&doc);
    }
    yaml_parser_delete(&parser);
    return st;
}

int sections_end(const struct sections *s, int i)
{
    int end = i;
    while (end < s->n && strcmp(s->row[end].section, s->row[i].section) == 0)
        end++;
    return end;
}
