#include "curve/result.h"

#include <math.h>

const struct map_row map_rows[MAP_COUNT] = {
#define M(name, si, unit, errors, scale, words, definition)                                        \
    {#name, si, unit, errors, SCALE_##scale, words, definition},
#define A(analysis, maps) maps(M)
    ANALYSIS_LIST(A)
#undef A
#undef M
};

const struct flag_row flag_rows[FLAG_COUNT] = {
#define F(name, severity, words) {#name, SEVERITY_##severity, words},
    FLAG_LIST(F)
#undef F
};

const struct state_row state_rows[STATE_COUNT] = {
#define S(name, words) {#name, words},
    STATE_LIST(S)
#undef S
};

const char *const analysis_names[ANALYSIS_COUNT] = {
#define A(name, maps) #name,
    ANALYSIS_LIST(A)
#undef A
};

enum analysis analysis_of_map(int map)
{
    static const int maps_of[ANALYSIS_COUNT] = {
#define ONE(...) +1
#define A(analysis, maps) 0 maps(ONE),
        ANALYSIS_LIST(A)
#undef A
#undef ONE
    };
    int analysis = 0;
    for (int left = map - maps_of[0]; left >= 0; left -= maps_of[analysis])
        analysis++;
    return (enum analysis)analysis;
}

void result_clear(struct pixel_result *r)
{
    for (int i = 0; i < MAP_COUNT; i++)
        r->map[i] = (struct measured){NAN, NAN};
    r->flags = 0;
    r->state = STATE_pending;
}

enum pixel_state result_state(uint64_t flags)
{
    enum severity worst = SEVERITY_NOTE;
    if (flags & FLAG(absent)) return STATE_absent;
    for (int i = 0; i < FLAG_COUNT; i++)
        if (flags >> i & 1 && flag_rows[i].severity > worst) worst = flag_rows[i].severity;
    return worst == SEVERITY_REJECT  ? STATE_rejected
           : worst == SEVERITY_DOUBT ? STATE_doubtful
                                     : STATE_accepted;
}
