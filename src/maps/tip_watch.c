#include "maps/tip_watch.h"

#include "maps/h5get.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Channels as they stand in the file: a factor, or a length. Steps below the floor are none: a
 * thousandth, and a hundredth of a nanometre. */
static const struct {
    const char *name, *unit;
    bool logarithm;
    double floor;
} channels[BREAK_CHANNELS] = {
    [TIP_ADHESION] = {"adhesion_factor", "1", true, 1e-3},
    [TIP_MODULUS] = {"modulus_factor", "1", true, 1e-3},
    [TIP_HEIGHT] = {"contact_height_step", "m", false, 1e-11},
};

struct tip_watch {
    size_t ny, nx;
    bool rows_reversed;
    double *value[BREAK_CHANNELS]; /* [ny*nx] in the volume's order of rows */
};

enum status tip_watch_new(struct tip_watch **out, size_t ny, size_t nx, bool rows_reversed,
                          struct report *rep)
{
    struct tip_watch *w = *out = calloc(1, sizeof *w);
    bool good = w != NULL;
    if (w) {
        w->ny = ny;
        w->nx = nx;
        w->rows_reversed = rows_reversed;
    }
    for (int c = 0; c < BREAK_CHANNELS && good; c++)
        good = (w->value[c] = malloc(ny * nx * sizeof *w->value[c])) != NULL;
    if (good) return ST_OK;
    tip_watch_free(w);
    *out = NULL;
    return fail(rep, ST_MEMORY, "not enough memory to look for tip changes");
}

void tip_watch_free(struct tip_watch *w)
{
    if (!w) return;
    for (int c = 0; c < BREAK_CHANNELS; c++)
        free(w->value[c]);
    free(w);
}

/* A row of the file and the row of the volume are each other's mirror, if reversed. */
static size_t mirrored(const struct tip_watch *w, size_t row)
{
    return w->rows_reversed ? w->ny - 1 - row : row;
}

void tip_watch_take(struct tip_watch *w, int channel, const float *plane, double factor,
                    const uint8_t *state)
{
    for (size_t row = 0; row < w->ny; row++)
        for (size_t col = 0; col < w->nx; col++) {
            size_t i = row * w->nx + col;
            bool usable = state[i] == STATE_accepted || state[i] == STATE_doubtful;
            double v = usable ? (double)plane[i] / factor : (double)NAN;
            if (channels[channel].logarithm) v = v > 0 ? log(v) : (double)NAN;
            w->value[channel][mirrored(w, row) * w->nx + col] = v;
        }
}

enum status tip_watch_find(const struct tip_watch *w, double level, struct breaks *out,
                           struct report *rep)
{
    struct break_channel c[BREAK_CHANNELS];
    for (int i = 0; i < BREAK_CHANNELS; i++)
        c[i] = (struct break_channel){w->value[i], channels[i].floor};
    return breaks_find(c, BREAK_CHANNELS, w->ny, w->nx, level, out, rep);
}

void tip_watch_flag(const struct tip_watch *w, size_t line, uint64_t *flags, uint8_t *state)
{
    for (size_t row = 0; row < w->ny; row++)
        for (size_t i = row * w->nx; mirrored(w, row) >= line && i < (row + 1) * w->nx; i++) {
            if (state[i] == STATE_absent) continue;
            flags[i] |= FLAG(tip_changed);
            if (state[i] == STATE_accepted) state[i] = STATE_doubtful;
        }
}

/* --- the file --- */

enum part { PART_VALUE, PART_LOW, PART_HIGH };
static const char *const endings[] = {"", "_low", "_high"};

static double *part_of(struct break_found *f, int channel, int part)
{
    double *all[] = {f->step, f->low, f->high};
    return all[part] + channel;
}

static void put_changes(struct h5put *p, hid_t group, const struct breaks *b,
                        const struct maps_layout *l)
{
    double line[BREAKS_MOST], row[BREAKS_MOST], p_value[BREAKS_MOST], value[BREAKS_MOST];
    struct breaks copy = *b;
    for (size_t i = 0; i < b->n; i++) {
        row[i] = (double)b->at[i].line;
        line[i] = l->rows_reversed ? (double)(l->ny - 1) - row[i] : row[i];
        p_value[i] = b->at[i].p;
    }
    h5put_reals(p, group, "row", line, b->n, NULL);
    h5put_reals(p, group, "volume_row", row, b->n, NULL);
    h5put_reals(p, group, "p_value", p_value, b->n, "1");
    for (int c = 0; c < BREAK_CHANNELS; c++)
        for (int part = PART_VALUE; part <= PART_HIGH; part++) {
            char name[64];
            snprintf(name, sizeof name, "%s%s", channels[c].name, endings[part]);
            for (size_t i = 0; i < b->n; i++) {
                value[i] = *part_of(&copy.at[i], c, part);
                if (channels[c].logarithm) value[i] = exp(value[i]);
            }
            h5put_reals(p, group, name, value, b->n, channels[c].unit);
        }
}

void tip_watch_put(struct h5put *p, hid_t entry, const struct breaks *b,
                   const struct maps_layout *l)
{
    hid_t group = h5put_group(p, entry, strrchr(TIP_GROUP, '/') + 1, "NXcollection");
    h5put_attr_text(p, group, "comment",
                    "steps between scan lines that all pixels share, as after a change of the tip; "
                    "low and high: 95 % interval");
    h5put_integer(p, group, "judged", b->judged);
    h5put_count(p, group, "steps", b->steps);
    h5put_real(p, group, "level", b->level, "1");
    h5put_real(p, group, "smallest_p_value", b->smallest_p, "1");
    h5put_count(p, group, "changes", b->n);
    if (b->n > 0) put_changes(p, group, b, l);
    h5put_close(p, &group);
}

static enum status get_changes(struct breaks *b, hid_t group, struct report *rep)
{
    double row[BREAKS_MOST], p_value[BREAKS_MOST], value[BREAKS_MOST];
    enum status st = h5get_reals(group, "volume_row", b->n, row, rep);
    if (st == ST_OK) st = h5get_reals(group, "p_value", b->n, p_value, rep);
    for (size_t i = 0; i < b->n && st == ST_OK; i++) {
        if (!(row[i] >= 0 && row[i] < 1e9))
            return fail(rep, ST_INPUT, "volume_row: %g is not a row", row[i]);
        b->at[i] = (struct break_found){.line = (size_t)row[i], .p_line = NAN, .p = p_value[i]};
    }
    for (int c = 0; c < BREAK_CHANNELS; c++)
        for (int part = PART_VALUE; part <= PART_HIGH && st == ST_OK; part++) {
            char name[64];
            snprintf(name, sizeof name, "%s%s", channels[c].name, endings[part]);
            st = h5get_reals(group, name, b->n, value, rep);
            for (size_t i = 0; i < b->n && st == ST_OK; i++)
                *part_of(&b->at[i], c, part) = channels[c].logarithm ? log(value[i]) : value[i];
        }
    return st;
}

enum status tip_watch_get(struct breaks *out, hid_t file, struct report *rep)
{
    *out = (struct breaks){.smallest_p = NAN};
    if (!h5get_has(file, TIP_GROUP)) return ST_OK;
    hid_t group = H5Gopen2(file, TIP_GROUP, H5P_DEFAULT);
    if (group < 0) return fail(rep, ST_INPUT, TIP_GROUP ": this is not a group");
    size_t judged = 0;
    enum status st = h5get_count(group, "judged", &judged, rep);
    if (st == ST_OK) st = h5get_count(group, "steps", &out->steps, rep);
    if (st == ST_OK) st = h5get_reals(group, "level", 0, &out->level, rep);
    if (st == ST_OK) st = h5get_reals(group, "smallest_p_value", 0, &out->smallest_p, rep);
    if (st == ST_OK) st = h5get_count(group, "changes", &out->n, rep);
    if (st == ST_OK && out->n > BREAKS_MOST)
        st = fail(rep, ST_INPUT, "changes: %zu are more than there can be", out->n);
    if (st == ST_OK && out->n > 0) st = get_changes(out, group, rep);
    if (st != ST_OK) out->n = 0;
    out->judged = judged != 0;
    H5Gclose(group);
    return st == ST_OK ? st : within(rep, st, TIP_GROUP "/");
}
