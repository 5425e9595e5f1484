/** The import description: YAML text that says what is what in a source that is not a volume. */
#ifndef CANTLE_INTAKE_DESCRIPTION_H
#define CANTLE_INTAKE_DESCRIPTION_H

#include "base/sections.h"
#include "calibration/lever_file.h"
#include "intake/place.h"

#include <stdbool.h>
#include <stdio.h>

/** Kinds of value. PLACE: where it lies, or a quantity. CHOICE: one of the words. COUNT: a whole
 * number. NUMBER: a plain number. TEXT: as it stands. PATTERN: an extended regular expression of
 * POSIX. AXES: words and numbers, see axes.h. SPAN: "FIRST..LAST". */
enum intake_kind {
    INTAKE_PLACE,
    INTAKE_CHOICE,
    INTAKE_COUNT,
    INTAKE_NUMBER,
    INTAKE_TEXT,
    INTAKE_PATTERN,
    INTAKE_AXES,
    INTAKE_SPAN
};

/** Keys of one segment: section, key, kind, SI unit or choices, default, help. */
#define INTAKE_SEGMENT(K, name)                                                                    \
    K(name, signal, PLACE, "*", "", "where the recorded signal of this segment is")                \
    K(name, quadrant_b, PLACE, "*", "",                                                            \
      "hdf5, npy, raw: the quadrants B, C and D where each is an array of its own; the signal is " \
      "then A, and the axes are those of each of them")                                            \
    K(name, quadrant_c, PLACE, "*", "", "likewise")                                                \
    K(name, quadrant_d, PLACE, "*", "", "likewise")                                                \
    K(name, axes, AXES, "", "",                                                                    \
      "what the axes of the arrays are, in NumPy's order: row, column, curve, sample, quadrant; "  \
      "a "                                                                                         \
      "number stands for one index of an axis that is none of these ('2' or, for raw data, '2 of " \
      "5')")                                                                                       \
    K(name, samples, SPAN, "", "",                                                                 \
      "which samples of the axis belong to this segment, both ends counted: '0..511'; "            \
      "'1023..512' "                                                                               \
      "takes them backwards")                                                                      \
    K(name, sample_count, COUNT, "2000000000", "",                                                 \
      "raw data: length of the sample axis as it is stored")                                       \
    K(name, begins, PATTERN, "", "",                                                               \
      "text: this segment begins behind the header line that fits the pattern")                    \
    K(name, in_files, PATTERN, "", "",                                                             \
      "text: the files whose name fits are of this segment; files whose names are the same "       \
      "without what fits are of one curve")                                                        \
    K(name, marker_is, NUMBER, "", "", "text: value of source.marker in this segment")             \
    K(name, z, PLACE, "m", "", "where z is: one ramp, or z of each curve")                         \
    K(name, z_axes, AXES, "", "", "axes of z, if they are not those of the signal")                \
    K(name, z_start, PLACE, "m", "", "z of the first sample, where z is not stored")               \
    K(name, z_step, PLACE, "m", "", "signed step of z from sample to sample")                      \
    K(name, lateral, PLACE, "*", "", "where the lateral signal is, with the axes of the signal")   \
    K(name, interval, PLACE, "s", "", "time between samples")                                      \
    K(name, length, PLACE, "1", "", "true number of samples of each curve, the rest is padding")   \
    K(name, starts, PLACE, "1", "",                                                                \
      "curves of different lengths one after another in one long array: index of the first "       \
      "sample of each curve; with one number more than curves the ends follow, else give length")

#define INTAKE_LEVER(K, name, unit, words)                                                         \
    K(calibration, name, PLACE, unit, "", words)                                                   \
    K(calibration, name##_u, PLACE, unit, "", "its standard uncertainty")

/** section, key, kind, SI unit / choices / largest, default, help */
#define INTAKE_KEYS(K)                                                                             \
    K(source, kind, CHOICE, "hdf5 text npy raw volume", "",                                        \
      "hdf5: any HDF5 file. text: a folder, a tar or one file of columns of numbers. npy: NumPy "  \
      "arrays (.npy, .npz, a folder of .npy). raw: plain binary. volume: already a volume")        \
    K(source, title, TEXT, "", "", "one line for people")                                          \
    K(source, type, CHOICE, "int8 uint8 int16 uint16 int32 uint32 float32 float64", "",            \
      "raw: type of the numbers")                                                                  \
    K(source, byte_order, CHOICE, "little big", "", "raw: byte order of the numbers")              \
    K(source, header_bytes, COUNT, "2000000000", "0",                                              \
      "raw: bytes before the numbers of each array, unless its place says 'at BYTES'")             \
    K(source, files, PATTERN, "", "", "text: only files whose name fits are curves")               \
    K(source, comment, TEXT, "", "#",                                                              \
      "text: a line that begins with one of these characters is a header line")                    \
    K(source, header_lines, COUNT, "1000000", "0",                                                 \
      "text: so many lines at the top are header lines, whatever they look like")                  \
    K(source, names_line, COUNT, "1000000", "0",                                                   \
      "text: the line that has the names of the columns; 0 = the columns have numbers only")       \
    K(source, separator, CHOICE, "blank tab comma semicolon", "blank",                             \
      "text: what stands between columns; blank is any run of blanks and tabs")                    \
    K(source, decimal, CHOICE, "point comma", "point", "text: decimal sign")                       \
    K(source, segments, CHOICE, "separate turn marker blocks files", "separate",                   \
      "text: separate: each segment has columns of its own. turn: one list, the retract begins "   \
      "where z is farthest. marker: a column tells. blocks: header lines tell. "                   \
      "files: each segment is a file of its own")                                                  \
    K(source, marker, PLACE, "1", "", "text: the column that tells the segments apart")            \
    K(signal, stage, CHOICE, "detector quadrants deflection force", "",                            \
      "what the signal is; see docs/volume-format.md")                                             \
    K(signal, repulsion, CHOICE, "positive negative", "",                                          \
      "whether the numbers grow or fall when the sample pushes the tip away")                      \
    K(signal, scale_factor, NUMBER, "", "", "value = stored x scale_factor + add_offset")          \
    K(signal, add_offset, NUMBER, "", "", "likewise")                                              \
    K(signal, missing_value, NUMBER, "", "", "stored number that means: no sample")                \
    K(signal, valid_min, NUMBER, "", "", "stored numbers at or below it are clipped")              \
    K(signal, valid_max, NUMBER, "", "", "stored numbers at or above it are clipped")              \
    K(z, direction, CHOICE, "toward_sample away_from_sample", "",                                  \
      "which way the tip goes as the numbers of z grow")                                           \
    K(z, scale_factor, NUMBER, "", "", "value = stored x scale_factor + add_offset")               \
    K(z, add_offset, NUMBER, "", "", "likewise")                                                   \
    INTAKE_SEGMENT(K, approach)                                                                    \
    INTAKE_SEGMENT(K, dwell)                                                                       \
    INTAKE_SEGMENT(K, retract)                                                                     \
    K(grid, rows, COUNT, "1048576", "", "rows of the grid")                                        \
    K(grid, columns, COUNT, "1048576", "", "columns of the grid")                                  \
    K(grid, order, CHOICE, "by_rows by_columns", "",                                               \
      "how a list of curves runs over the grid: a row after another, or a column")                 \
    K(grid, serpentine, CHOICE, "no yes", "no", "yes: every second row (column) runs backwards")   \
    K(grid, row, PLACE, "1", "", "number of the row of each curve")                                \
    K(grid, column, PLACE, "1", "", "number of the column of each curve")                          \
    K(grid, counted_from, COUNT, "1", "", "number of the first row and column: 0 or 1")            \
    K(grid, first_row, CHOICE, "bottom top", "bottom",                                             \
      "where the first row lies; with top, y falls from row to row")                               \
    K(grid, x, PLACE, "m", "", "positions: one for each column, or of each curve")                 \
    K(grid, y, PLACE, "m", "", "positions: one for each row, or of each curve")                    \
    K(grid, pixel_size_x, PLACE, "m", "", "distance of neighbouring columns")                      \
    K(grid, pixel_size_y, PLACE, "m", "", "distance of neighbouring rows")                         \
    K(grid, table, TEXT, "", "",                                                                   \
      "text: a file with one line a curve, its name in the first column; beside this description") \
    K(grid, present, PLACE, "1", "", "0 where there is no curve")                                  \
    K(grid, z_offset, PLACE, "m", "", "added to z of every curve of the pixel")                    \
    K(grid, substrate, PLACE, "1", "", "not 0 where the pixel is bare substrate")                  \
    K(grid, thickness, PLACE, "m", "", "thickness of the sample at each pixel")                    \
    K(calibration, lever_file, TEXT, "", "",                                                       \
      "file of `cantle calibrate`, seen from the folder of this description; the values beside "   \
      "it "                                                                                        \
      "win over it")                                                                               \
    INTAKE_LEVER(K, deflection_sensitivity, "m/V",                                                 \
                 "deflection of the lever's end for each volt of the detector")                    \
    INTAKE_LEVER(K, quadrant_sensitivity, "m", "deflection for each unit of (A+B-C-D)/(A+B+C+D)")  \
    INTAKE_LEVER(K, spring_constant, "N/m", "normal spring constant of the lever")                 \
    INTAKE_LEVER(K, tilt, "rad", "angle between lever and sample plane")                           \
    INTAKE_LEVER(K, tip_radius, "m", "apex radius, or radius of a flat punch")                     \
    INTAKE_LEVER(K, tip_half_angle, "rad", "cone: angle between axis and side")                    \
    INTAKE_LEVER(K, tip_face_angle, "rad",                                                         \
                 "four-sided pyramid: angle between axis and the middle of a face")                \
    INTAKE_LEVER(K, sample_thickness, "m", "thickness of the sample on a rigid base")              \
    INTAKE_LEVER(K, poisson_ratio, "1", "Poisson's ratio of the sample")                           \
    K(join, along, CHOICE, "rows columns", "rows",                                                 \
      "several sources: the next one follows below (rows) or to the right (columns)")

enum intake_key {
#define K(section, key, kind, unit, standard, help) IN_##section##_##key,
    INTAKE_KEYS(K)
#undef K
        INTAKE_COUNT_OF_KEYS
};

struct intake_row {
    const char *section, *key;
    enum intake_kind kind;
    const char *unit; /**< SI unit (PLACE), choices (CHOICE), largest (COUNT) */
    const char *standard, *help;
};
extern const struct intake_row intake_rows[INTAKE_COUNT_OF_KEYS];

struct intake_value {
    bool given, set; /**< set: given or by default */
    int line;        /**< of the description, 0 when not given */
    char text[SECTIONS_LONGEST + 1];
    int choice;    /**< CHOICE, -1 when not set */
    double number; /**< COUNT, NUMBER */
    struct place place;
};

enum intake_source { SOURCE_HDF5, SOURCE_TEXT, SOURCE_NPY, SOURCE_RAW, SOURCE_VOLUME };

struct description {
    struct intake_value v[INTAKE_COUNT_OF_KEYS];
    /** As given, owned; "" when there was none. The text of its lever file is appended as a second
     * document, so that whoever keeps it keeps all of it. */
    char *text;
    struct lever_file *levers; /**< of calibration.lever_file, owned; NULL when there is none */
    char path[4096];           /**< "" when there was none */
};

/** All defaults. */
enum status description_default(struct description *out, struct report *rep) MUST_CHECK;
/** Read a description of at most 59000 bytes, its lever file included. Parse: of a text that has it
 * already. Errors: ST_INPUT, ST_RECIPE with path, line and key.
 * Nothing is to be freed then. */
enum status description_load(struct description *out, const char *path,
                             struct report *rep) MUST_CHECK;
enum status description_parse(struct description *out, const char *text, size_t size,
                              const char *path, struct report *rep) MUST_CHECK;
void description_free(struct description *d);

/** Key of a segment: the one of the approach, moved. */
enum intake_key intake_key_of(int segment, enum intake_key of_approach);

/** Put "PATH: line N: section.key: " before the message. @return st */
enum status description_at(const struct description *d, enum intake_key key, enum status st,
                           struct report *rep) MUST_CHECK;

/** A key that must be given and is not: ST_RECIPE with the line to add. */
enum status description_ask(const struct description *d, enum intake_key key, const char *why,
                            const char *line, struct report *rep) MUST_CHECK;

/** Reference of all keys in Markdown: docs/import-keys.md. */
void description_manual(FILE *out);

#endif
