#include "command/tip_words.h"

#include "command/describe.h"
#include "maps/maps.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const struct {
    const char *words, *name;
    bool factor;
} channels[BREAK_CHANNELS] = {
    [TIP_ADHESION] = {"adhesion", "adhesion_factor", true},
    [TIP_MODULUS] = {"modulus", "modulus_factor", true},
    [TIP_HEIGHT] = {"contact height", "contact_height_step_m", false},
};

void tip_words(const struct break_found *f, char *out, size_t size)
{
    int used = snprintf(
        out, size, "a step that all pixels share before row %zu of the volume (p %.2g):", f->line,
        f->p);
    const char *before = " ";
    for (int c = 0; c < BREAK_CHANNELS && used > 0 && (size_t)used < size; c++) {
        if (isnan(f->step[c])) continue;
        char *at = out + used;
        const size_t left = size - (size_t)used;
        if (channels[c].factor)
            used += snprintf(at, left, "%s%s x %.3g [%.3g, %.3g]", before, channels[c].words,
                             exp(f->step[c]), exp(f->low[c]), exp(f->high[c]));
        else
            used += snprintf(at, left, "%s%s %+.3g nm [%.3g, %.3g]", before, channels[c].words,
                             1e9 * f->step[c], 1e9 * f->low[c], 1e9 * f->high[c]);
        before = ", ";
    }
}

static json_t *interval_json(const struct break_found *f, int c)
{
    double v[3] = {f->step[c], f->low[c], f->high[c]};
    for (int i = 0; i < 3 && channels[c].factor; i++)
        v[i] = exp(v[i]);
    return json_pack("{s:o, s:o, s:o}", "value", describe_real(v[0]), "low", describe_real(v[1]),
                     "high", describe_real(v[2]));
}

json_t *tip_json(const struct breaks *b)
{
    if (!(b->level > 0)) return json_null();
    json_t *all = json_array();
    for (size_t i = 0; i < b->n; i++) {
        json_t *one = json_pack("{s:I, s:o}", "volume_row", (json_int_t)b->at[i].line, "p_value",
                                describe_real(b->at[i].p));
        for (int c = 0; c < BREAK_CHANNELS; c++)
            json_object_set_new(one, channels[c].name, interval_json(&b->at[i], c));
        json_array_append_new(all, one);
    }
    return json_pack("{s:b, s:f, s:I, s:o, s:o}", "judged", b->judged, "level", b->level, "steps",
                     (json_int_t)b->steps, "smallest_p_value", describe_real(b->smallest_p),
                     "changes", all);
}
