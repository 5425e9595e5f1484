#include "curve/result.h"

#include "base/units.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

const struct map_row map_rows[MAP_COUNT] = {
#define M(name, si, unit, errors, scale, words, definition)                                        \
    [MAP_##                                                                                        \
        name] = {#name,           si,        unit,      errors, SCALE_##scale, words, definition,  \
                 ANALYSIS_always, AXIS_none, MAP_##name},
    MAP_LIST(M)
#undef M
#define M(name, si, unit, errors, scale, analysis, axis, words, definition)                        \
    [MAP_##name... MAP_##name##                                                                    \
        _last] = {#name,         si,        unit,       errors,                                    \
                  SCALE_##scale, words,     definition, ANALYSIS_##analysis,                       \
                  AXIS_##axis,   MAP_##name},
        FURTHER_MAP_LIST(M)
#undef M
};

const char *const analysis_sections[ANALYSIS_COUNT] = {
#define A(name, section) section,
    ANALYSIS_LIST(A)
#undef A
};

const struct axis_row axis_rows[AXIS_COUNT] = {
#define A(name, most, si, unit, words) {#name, most, si, unit, words},
    AXIS_LIST(A)
#undef A
};

#define A(name, most, si, unit, words)                                                             \
    _Static_assert((int)AXIS_MOST_##name <= (int)AXIS_LONGEST, "AXIS_LONGEST is too short");
AXIS_LIST(A)
#undef A

void map_label(int map, char out[64])
{
    const struct map_row *row = &map_rows[map];
    if (row->axis == AXIS_none)
        snprintf(out, 64, "%s", row->name);
    else
        snprintf(out, 64, "%s:%zu", row->name, map_layer(map) + 1);
}

void map_words(const struct map_extent *e, int map, char out[160])
{
    const struct map_row *row = &map_rows[map];
    char where[48] = "";
    if (row->axis != AXIS_none) {
        const double at = e->at[row->axis][map_layer(map)];
        if (strcmp(axis_rows[row->axis].si_unit, "1") == 0)
            snprintf(where, sizeof where, ", %s %g", axis_rows[row->axis].name, at);
        else
            units_show(at, axis_rows[row->axis].si_unit, 4, where, sizeof where);
    }
    bool unit = *where && *where != ',';
    snprintf(out, 160, "%s%s%s", row->words, unit ? ", at " : "", where);
}

void map_extent_clear(struct map_extent *e)
{
    *e = (struct map_extent){.analysis[ANALYSIS_always] = true, .length[AXIS_none] = 1};
}

bool map_is_made(const struct map_extent *e, int map)
{
    const struct map_row *row = &map_rows[map];
    return e->analysis[row->analysis] && map_layer(map) < e->length[row->axis];
}

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

void result_clear(struct pixel_result *r)
{
    for (int i = 0; i < MAP_COUNT; i++)
        r->map[i] = (struct measured){NAN, NAN};
    r->flags = 0;
    r->state = STATE_pending;
    r->copied = 0;
}

enum pixel_state result_state(uint64_t flags)
{
#define F(name, severity, words) | (SEVERITY_##severity == SEVERITY_REJECT ? FLAG(name) : 0)
    const uint64_t reject = 0 FLAG_LIST(F);
#undef F
#define F(name, severity, words) | (SEVERITY_##severity == SEVERITY_DOUBT ? FLAG(name) : 0)
    const uint64_t doubt = 0 FLAG_LIST(F);
#undef F
    return flags & FLAG(absent) ? STATE_absent
           : flags & reject     ? STATE_rejected
           : flags & doubt      ? STATE_doubtful
                                : STATE_accepted;
}
