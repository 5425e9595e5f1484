/** The runs that made a map file, one row each, and the token of the run that owns a .part. The
 * tables have their full length from the start, so that a new run writes its row in place. */
#ifndef CANTLE_MAPS_RUNS_H
#define CANTLE_MAPS_RUNS_H

#include "maps/h5put.h"

#include <stdint.h>

#define RUNS_GROUP "/entry/runs"
#define OWNER_PATH RUNS_GROUP "/owner"

/** Rows of the table; later runs share the last one. */
#define RUNS_MOST 256
/** Words of the owner dataset: two of token, one with the number of the run, and a page of room, so
 * that nobody writes beside it. */
#define OWNER_WORDS 512

/** One row a column of text: name, bytes, meaning. In the finished file ranks are numbers. */
#define RUN_COLUMNS(C)                                                                             \
    C(start_time, 40, "when it began")                                                             \
    C(host, 64, "host of its first rank")                                                          \
    C(ranks, 16, "how many ranks it had")                                                          \
    C(command_line, 512, "as typed, cut to 512 bytes")                                             \
    C(scheduler_job_id, 64, "under Slurm, PBS or LSF")                                             \
    C(source_revision, 48, "of the program")

enum run_column {
#define C(name, bytes, meaning) RUN_##name,
    RUN_COLUMNS(C)
#undef C
        RUN_COLUMN_COUNT
};
struct run_column_row {
    const char *name;
    size_t bytes;
};
extern const struct run_column_row run_columns[RUN_COLUMN_COUNT];

/** A run's row; texts are cut to their columns. */
struct run_row {
    char text[RUN_COLUMN_COUNT][512];
};

/** This run, now. `command_line` may be NULL. */
void run_row_fill(struct run_row *row, const char *command_line, int ranks);
/** Index of a run's row; run = 1, 2, ... */
size_t run_row_of(uint64_t run);

/** The string type of a column; H5Tclose it. */
hid_t runs_type(int column);

/** Into a new .part: empty tables, no owner, and run_of_pixel [ny,nx], all zeros. */
void runs_put_empty(struct h5put *p, hid_t file, size_t ny, size_t nx);

/** Into the finished file: the first n rows, each with its `pixels`, and run_of_pixel. */
void runs_put_final(struct h5put *p, hid_t file, size_t ny, size_t nx, size_t n,
                    const struct run_row *rows, const uint64_t *pixels,
                    const uint16_t *run_of_pixel, int deflate);

#endif
