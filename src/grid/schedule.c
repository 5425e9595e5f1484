#include "grid/schedule.h"

struct schedule schedule_make(size_t tiles, size_t ranks)
{
    size_t each = tiles / ranks;
    return (struct schedule){
        .tiles = tiles, .ranks = ranks, .share = each >= 8 ? each * 6 / 10 : 0};
}

size_t schedule_static(const struct schedule *s, size_t rank, size_t i)
{
    return rank * s->share + i;
}

size_t schedule_tail(const struct schedule *s, size_t ticket)
{
    size_t first = s->share * s->ranks;
    return ticket < s->tiles - first ? first + ticket : s->tiles;
}
