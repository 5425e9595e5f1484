/* The page put together. */
#include "base/base64.h"
#include "report/assets.h"
#include "report/report_private.h"

#include <stdlib.h>
#include <string.h>

/* Inside a script element only '<' could end it; '>' and '&' go along for readers that are less
 * exact. In JSON they stand in texts only, where \u003c is the same. */
static void write_json(FILE *out, const char *json)
{
    for (; *json; json++)
        if (strchr("<>&", *json))
            fprintf(out, "\\u%04x", (unsigned)(unsigned char)*json);
        else
            fputc(*json, out);
}

static void write_escaped(FILE *out, const char *text)
{
    for (; *text; text++)
        if (strchr("<>&\"'", *text))
            fprintf(out, "&#%u;", (unsigned)(unsigned char)*text);
        else
            fputc(*text, out);
}

/* A source of the policy: sha256-BASE64 of the digest. */
static void write_hash(FILE *out, const struct asset *asset)
{
    unsigned char digest[32];
    char text[64];
    for (size_t i = 0; i < sizeof digest; i++) {
        const char pair[3] = {asset->sha256[2 * i], asset->sha256[2 * i + 1], 0};
        digest[i] = (unsigned char)strtoul(pair, NULL, 16);
    }
    fprintf(out, "'sha256-%.*s'", (int)base64_write(digest, sizeof digest, text), text);
}

static void write_policy(FILE *out, const struct html_report *r)
{
    (void)r;
    fputs("default-src 'none'; script-src ", out);
    write_hash(out, &asset_script);
    fputs("; style-src ", out);
    write_hash(out, &asset_style);
}

static void write_title(FILE *out, const struct html_report *r)
{
    write_escaped(out, *r->view->title ? r->view->title : "maps");
}

static void write_style(FILE *out, const struct html_report *r)
{
    (void)r;
    fwrite(asset_style.bytes, 1, asset_style.n, out);
}

static void write_script(FILE *out, const struct html_report *r)
{
    (void)r;
    fwrite(asset_script.bytes, 1, asset_script.n, out);
}

static void write_data(FILE *out, const struct html_report *r)
{
    fputs("<script type=\"application/json\" id=\"facts\">", out);
    write_json(out, r->json);
    fputs("</script>\n", out);
    for (size_t i = 0; i < r->n_blocks; i++) {
        const struct block *b = &r->block[i];
        fprintf(out, "<script type=\"text/plain\" id=\"%s\">", b->name);
        fwrite(b->text, 1, b->n, out);
        fputs("</script>\n", out);
    }
}

static const struct {
    const char *mark;
    void (*write)(FILE *out, const struct html_report *r);
} marks[] = {{"{{policy}}", write_policy},
             {"{{title}}", write_title},
             {"{{style}}", write_style},
             {"{{data}}", write_data},
             {"{{script}}", write_script}};

enum status html_report_write(struct html_report *r, FILE *out, struct report *rep)
{
    free(r->json);
    r->json = json_dumps(r->facts, JSON_ENSURE_ASCII | JSON_COMPACT | JSON_REAL_PRECISION(12));
    if (!r->json) return fail(rep, ST_MEMORY, "not enough memory for a report");
    const char *at = (const char *)asset_page.bytes, *end = at + asset_page.n;
    for (size_t i = 0; i < sizeof marks / sizeof *marks; i++) {
        const char *mark = memmem(at, (size_t)(end - at), marks[i].mark, strlen(marks[i].mark));
        if (!mark) return fail(rep, ST_BUG, "the page has no %s", marks[i].mark);
        fwrite(at, 1, (size_t)(mark - at), out);
        marks[i].write(out, r);
        at = mark + strlen(marks[i].mark);
    }
    fwrite(at, 1, (size_t)(end - at), out);
    return ferror(out) ? fail(rep, ST_OUTPUT, "cannot be written: is the disk full?") : ST_OK;
}
