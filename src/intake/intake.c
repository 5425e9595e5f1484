#include "intake/intake.h"
#include "base/guard.h"
#include "intake/build.h"

#include <errno.h>
#include <string.h>
#include <sys/stat.h>

int intake_kind_of(const struct description *d, const char *path)
{
    if (d->v[IN_source_kind].set) return d->v[IN_source_kind].choice;
    return volume_is_one(path) ? SOURCE_VOLUME : -1;
}

bool intake_is_direct(const struct description *d)
{
    return d->v[IN_source_kind].choice != SOURCE_TEXT;
}

/* --- what is missing --- */

static void want(struct wants *w, enum intake_key key, const char *why, const char *line)
{
    if (w->n < MOST_WANTS) w->item[w->n++] = (struct want){key, why, line};
}

static void want_segments(const struct description *d, int kind, struct wants *w)
{
    bool text = kind == SOURCE_TEXT, raw = kind == SOURCE_RAW;
    const char *place = text                  ? "column 2 in V"
                        : kind == SOURCE_HDF5 ? "/path/of/the/dataset in V"
                                              : "file signal.npy in V";
    for (int id = 0; id < SEG_COUNT; id++) {
        enum intake_key signal = intake_key_of(id, IN_approach_signal),
                        z = intake_key_of(id, IN_approach_z),
                        start = intake_key_of(id, IN_approach_z_start),
                        step = intake_key_of(id, IN_approach_z_step),
                        n = intake_key_of(id, IN_approach_sample_count),
                        axes = intake_key_of(id, IN_approach_axes);
        if (!d->v[signal].set && id == SEG_APPROACH)
            want(w, signal, "it is not said where the signal of the approach is", place);
        bool shared = text && d->v[IN_source_segments].choice != 0;
        if (id != SEG_APPROACH && (!d->v[signal].set || shared)) continue;
        if (!d->v[z].set && !(d->v[start].set && d->v[step].set))
            want(w, z, "it is not said where z is", text ? "column 1 in um" : "/path in um");
        if (raw && d->v[signal].set && !d->v[axes].set)
            want(w, axes, "the axes of raw data are not known", "row column sample");
        if (raw && d->v[signal].set && !d->v[n].set)
            want(w, n, "the number of samples of raw data is not known", "512");
    }
}

/* Four arrays, all of them or none. */
static void want_quadrants(const struct description *d, int kind, struct wants *w)
{
    static const enum intake_key keys[] = {IN_approach_quadrant_b, IN_approach_quadrant_c,
                                           IN_approach_quadrant_d};
    for (int id = 0; id < SEG_COUNT; id++) {
        int n = 0;
        for (int i = 0; i < 3; i++)
            n += d->v[intake_key_of(id, keys[i])].set;
        if (n == 0) continue;
        if (!d->v[intake_key_of(id, IN_approach_signal)].set)
            want(w, intake_key_of(id, IN_approach_signal),
                 "quadrants B to D are given, but the signal, which is A, is not",
                 kind == SOURCE_HDF5 ? "/path/of/the/dataset in V" : "file a.npy in V");
        for (int i = 0; i < 3; i++)
            if (!d->v[intake_key_of(id, keys[i])].set)
                want(w, intake_key_of(id, keys[i]), "a quadrant is missing",
                     kind == SOURCE_HDF5 ? "/path/of/the/dataset in V" : "file b.npy in V");
        if (d->v[IN_signal_stage].set && d->v[IN_signal_stage].choice != 1)
            want(w, IN_signal_stage, "four quadrants are given, but the stage is another",
                 "quadrants");
    }
}

static void want_files(const struct description *d, int kind, struct wants *w)
{
    bool files = d->v[IN_source_segments].choice == 4;
    const struct intake_value *approach = &d->v[IN_approach_in_files],
                              *dwell = &d->v[IN_dwell_in_files],
                              *retract = &d->v[IN_retract_in_files];
    if (kind != SOURCE_TEXT) return;
    if (!files && (approach->set || dwell->set || retract->set))
        want(w, IN_source_segments, "in_files is given, but the segments are not in files",
             "files");
    if (files && !approach->set)
        want(w, IN_approach_in_files, "it is not said which files are of the approach",
             "'_approach'");
    if (files && !dwell->set && !retract->set)
        want(w, IN_retract_in_files, "it is not said which files are of the retract", "'_retract'");
}

void intake_wants(const struct description *d, int kind, struct wants *out)
{
    out->n = 0;
    if (kind < 0)
        want(out, IN_source_kind, "it is not said what kind of source this is",
             "hdf5', 'text', 'npy' or 'raw");
    if (kind == SOURCE_VOLUME) return;
    if (!d->v[IN_signal_stage].set)
        want(out, IN_signal_stage, "it is not said what the signal is",
             "detector' (volts), 'quadrants', 'deflection' (a length) or 'force");
    if (!d->v[IN_signal_repulsion].set)
        want(out, IN_signal_repulsion, "the sign of the signal is not known",
             "positive' (it grows when the sample pushes the tip away) or 'negative");
    if (!d->v[IN_z_direction].set)
        want(out, IN_z_direction, "the sign of z is not known",
             "toward_sample' (the tip comes nearer as z grows) or 'away_from_sample");
    if (kind == SOURCE_RAW && !d->v[IN_source_type].set)
        want(out, IN_source_type, "the type of raw numbers is not known", "int16' or 'float32");
    if (kind == SOURCE_RAW && !d->v[IN_source_byte_order].set)
        want(out, IN_source_byte_order, "the byte order of raw numbers is not known",
             "little' or 'big");
    if (kind == SOURCE_RAW && !d->v[IN_grid_rows].set)
        want(out, IN_grid_rows, "the number of rows is not known", "64");
    if (kind == SOURCE_RAW && !d->v[IN_grid_columns].set)
        want(out, IN_grid_columns, "the number of columns is not known", "64");
    if (kind == SOURCE_TEXT && d->v[IN_source_separator].choice == 2 &&
        d->v[IN_source_decimal].choice == 1)
        want(out, IN_source_separator, "a comma cannot be separator and decimal sign at once",
             "semicolon' or another");
    if (kind == SOURCE_TEXT && d->v[IN_source_segments].choice == 2 && !d->v[IN_source_marker].set)
        want(out, IN_source_marker, "the column that tells the segments apart is not known",
             "column 3");
    want_segments(d, kind, out);
    want_quadrants(d, kind, out);
    want_files(d, kind, out);
}

/* --- opening --- */

static enum status build(struct build *b, uint64_t *bytes, struct report *rep)
{
    struct stat facts;
    enum status st;
    if (stat(b->path, &facts) != 0)
        return fail(rep, ST_INPUT, "%s: cannot be read: %s", b->path, strerror(errno));
    b->folder = S_ISDIR(facts.st_mode);
    *bytes = (uint64_t)facts.st_size;
    if ((st = skeleton_new(&b->sk, rep)) != ST_OK) return st;
    if (b->kind == SOURCE_HDF5) guard_file(b->path);
    if (b->kind == SOURCE_HDF5 && (st = source_open(&b->hdf5, b->path, rep)) != ST_OK)
        return within(rep, st, "%s: ", b->path);
    st = b->kind == SOURCE_TEXT ? build_text(b, rep) : build_arrays(b, rep);
    return st == ST_OK ? build_common(b, rep) : st;
}

/* A volume says itself what is what: a key that would say otherwise must not be passed over. */
static enum status check_volume_keys(const struct description *d, struct report *rep)
{
    static const char *const useful[] = {"calibration", "join"};
    for (int i = 0; i < INTAKE_COUNT_OF_KEYS; i++) {
        bool good = !d->v[i].given || i == IN_source_kind || i == IN_grid_pixel_size_x ||
                    i == IN_grid_pixel_size_y;
        for (size_t k = 0; k < sizeof useful / sizeof *useful; k++)
            good = good || strcmp(intake_rows[i].section, useful[k]) == 0;
        if (!good)
            return description_at(
                d, (enum intake_key)i,
                fail(rep, ST_RECIPE,
                     "does not go with a volume, which has it in itself; only calibration, join "
                     "and grid.pixel_size_x, _y do"),
                rep);
    }
    return ST_OK;
}

enum status intake_open(struct volume **out, const struct description *d, const char *path,
                        FILE *progress, struct report *rep)
{
    int kind = intake_kind_of(d, path);
    struct wants w;
    uint64_t bytes = 0;
    *out = NULL;
    intake_wants(d, kind, &w);
    if (w.n > 0) return description_ask(d, w.item[0].key, w.item[0].why, w.item[0].line, rep);
    if (kind == SOURCE_VOLUME) {
        struct lever known;
        enum status st = check_volume_keys(d, rep);
        if (st == ST_OK) st = intake_calibration(d, &known, rep);
        if (st == ST_OK) st = volume_open(out, path, rep);
        if (st == ST_OK) volume_calibrate(*out, &known);
        return st;
    }
    struct build b = {.d = d, .kind = (enum intake_source)kind, .path = path, .progress = progress};
    source_clear(&b.hdf5);
    enum status st = build(&b, &bytes, rep);
    if (st == ST_OK)
        st = volume_open_skeleton(out, path, bytes, b.sk, rep); /* takes the skeleton */
    else
        skeleton_free(&b.sk);
    pixels_free(&b.px);
    curve_files_free(&b.text);
    source_close(&b.hdf5);
    guard_file(NULL);
    return st;
}
