#include "command/calibrate_pixels.h"

#include <stdint.h>

static enum status check_span(const struct pixel_span *s, size_t n, const char *what,
                              struct report *rep)
{
    if (s->first < n && (s->last < n || s->last == SIZE_MAX)) return ST_OK;
    return fail(rep, ST_USAGE, "--%s: the volume has %s 0 to %zu", what, what, n - 1);
}

enum status pixels_open(struct pixels *p, const char *path, struct report *rep)
{
    enum status st = volume_open(&p->volume, path, rep);
    if (st != ST_OK) return st;
    const struct volume_facts *f = volume_facts(p->volume);
    st = check_span(&p->rows, f->ny, "rows", rep);
    return st == ST_OK ? check_span(&p->columns, f->nx, "columns", rep) : st;
}

static bool inside(const struct pixel_span *s, size_t i)
{
    return i >= s->first && i <= s->last;
}

enum status pixels_each(struct pixels *p, pixel_visit *visit, void *context, struct report *rep)
{
    struct digest sum = {0, 0};
    struct raw_curve raw;
    for (size_t i = 0; i < volume_tile_count(p->volume); i++) {
        struct tile t = volume_tile(p->volume, i);
        enum status st = volume_read_tile(p->volume, t, rep);
        if (st != ST_OK) return st;
        digest_add(&sum, volume_tile_digest(p->volume));
        for (size_t k = 0; k < t.rows * t.cols; k++) {
            struct pixel_place at = {t.row0 + k / t.cols, t.col0 + k % t.cols};
            if (!inside(&p->rows, at.row) || !inside(&p->columns, at.col)) continue;
            volume_curve(p->volume, at.row, at.col, &raw);
            st = visit(context, at, &raw, rep);
            if (st != ST_OK) return st;
        }
    }
    digest_text(sum, p->digest);
    return ST_OK;
}

enum status pixels_one(struct pixels *p, struct pixel_place at, struct raw_curve *raw,
                       struct report *rep)
{
    for (size_t i = 0; i < volume_tile_count(p->volume); i++) {
        struct tile t = volume_tile(p->volume, i);
        if (at.row - t.row0 >= t.rows || at.col - t.col0 >= t.cols) continue;
        enum status st = volume_read_tile(p->volume, t, rep);
        if (st == ST_OK) volume_curve(p->volume, at.row, at.col, raw);
        return st;
    }
    return fail(rep, ST_BUG, "no tile holds row %zu, column %zu", at.row, at.col);
}

void pixels_close(struct pixels *p)
{
    volume_close(&p->volume);
}
