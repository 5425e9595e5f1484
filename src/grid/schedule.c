#include "grid/schedule.h"

struct schedule schedule_make(size_t tiles, size_t ranks)
{
    size_t each = tiles / ranks;
    return (struct schedule){
        .tiles = tiles, .ranks = ranks, .share = each >= 8 ? each * 6 / 10 : 0};
}

struct tile_run schedule_static(const struct schedule *s, size_t rank)
{
    return (struct tile_run){rank * s->share, s->share};
}

struct tile_run schedule_tail(const struct schedule *s, size_t ticket)
{
    for (size_t first = s->share * s->ranks; first < s->tiles;) {
        const size_t left = s->tiles - first, part = left / (4 * s->ranks);
        if (part <= 1) /* single tiles from here on */
            return ticket < left ? (struct tile_run){first + ticket, 1}
                                 : (struct tile_run){s->tiles, 0};
        if (ticket < s->ranks) return (struct tile_run){first + ticket * part, part};
        ticket -= s->ranks;
        first += s->ranks * part;
    }
    return (struct tile_run){s->tiles, 0};
}
