#include "report/report.h"

#include "base/words.h"
#include "build_facts.h"
#include "report/assets.h"
#include "report/report_private.h"

#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

/* Of the file's head, and of the facts that come last. */
enum { RESERVE_BYTES = 8192 };

static enum status no_memory(struct report *rep)
{
    return fail(rep, ST_MEMORY, "not enough memory for a report");
}

static size_t json_bytes(const json_t *value)
{
    return json_dumpb(value, NULL, 0, JSON_ENCODE_ANY | JSON_ENSURE_ASCII | JSON_COMPACT);
}

json_t *number_json(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

json_t *html_report_text(const char *text)
{
    char *copy = strdup(text);
    if (!copy) return NULL;
    char *to = copy;
    for (char *line = copy, *end; line; line = end) {
        end = strchr(line, '\n');
        if (end) *end++ = 0;
        for (char *tab = line; (tab = strchr(tab, '\t'));)
            *tab = ' ';
        if (end && line[strcspn(line, "\r")] && line[strcspn(line, "\r") + 1] == 0)
            line[strcspn(line, "\r")] = 0;
        words_printable(line, '?');
        size_t n = strlen(line);
        memmove(to, line, n);
        to += n;
        if (end) *to++ = '\n';
    }
    json_t *out = json_stringn(copy, (size_t)(to - copy));
    free(copy);
    return out;
}

enum status html_report_new(struct html_report **out, const struct maps_view *view, size_t most,
                            struct report *rep)
{
    struct html_report *r = *out = calloc(1, sizeof *r);
    if (!r) return no_memory(rep);
    r->view = view;
    r->most = most;
    r->used = asset_page.n + asset_style.n + asset_script.n + RESERVE_BYTES;
    r->facts = json_pack("{s:[], s:[], s:[]}", "maps", "curves", "cautions");
    if (!r->facts) return no_memory(rep);
    r->maps = json_object_get(r->facts, "maps");
    r->curves = json_object_get(r->facts, "curves");
    r->cautions = json_object_get(r->facts, "cautions");
    const size_t n = view->nx * view->ny;
    enum status st = block_add(r, "plane-state", view->state, sizeof *view->state, n, rep);
    if (st == ST_OK) st = block_add(r, "plane-flags", view->flags, sizeof *view->flags, n, rep);
    if (st == ST_OK)
        st = html_report_fact(r, "program", json_string(CANTLE_VERSION " (" CANTLE_REVISION ")"),
                              rep);
    return st == ST_OK ? facts_of_view(r, rep) : st;
}

void html_report_free(struct html_report **r)
{
    if (!*r) return;
    for (size_t i = 0; i < (*r)->n_blocks; i++)
        free((*r)->block[i].text);
    free((*r)->block);
    json_decref((*r)->facts);
    free((*r)->json);
    free(*r);
    *r = NULL;
}

enum status html_report_fact(struct html_report *r, const char *name, json_t *value,
                             struct report *rep)
{
    if (!value) return no_memory(rep);
    r->used += json_bytes(value) + strlen(name) + 4;
    return json_object_set_new(r->facts, name, value) == 0 ? ST_OK : no_memory(rep);
}

enum status list_add(struct html_report *r, json_t *list, json_t *value, struct report *rep)
{
    if (!value) return no_memory(rep);
    r->used += json_bytes(value) + 1;
    return json_array_append_new(list, value) == 0 ? ST_OK : no_memory(rep);
}

enum status html_report_caution(struct html_report *r, struct report *rep, const char *fmt, ...)
{
    char text[1024];
    va_list words;
    va_start(words, fmt);
    vsnprintf(text, sizeof text, fmt, words);
    va_end(words);
    return list_add(r, r->cautions, html_report_text(text), rep);
}

void html_report_limit(struct html_report *r, size_t most)
{
    r->most = most;
}

size_t html_report_size(const struct html_report *r)
{
    return r->used;
}
