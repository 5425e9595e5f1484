/** Shared by the fuzz targets: bytes into a file, and what must hold whatever the bytes are. */
#ifndef CANTLE_TESTS_FUZZ_H
#define CANTLE_TESTS_FUZZ_H

#include "base/status.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/** The entry of a target; libFuzzer's name for it, used by drive.c as well. */
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

/** Ends the process with the words, so that a fuzzer keeps the input. */
void fuzz_wrong(const char *what) __attribute__((noreturn));

/** A file, in a private folder of TMPDIR or /dev/shm, that holds the bytes: its path, good until
 * the next call. */
const char *fuzz_file(const uint8_t *data, size_t size);

/** A path beside it, in the same folder, which the target removes; good until the next call. */
const char *fuzz_beside(const char *name);

/** A failure has a documented status and a message of one line that a terminal may be given;
 * nothing that bytes can do is a defect of the program (ST_BUG). */
void fuzz_check_status(enum status st, const struct report *rep);
/** No control character and nothing but UTF-8; newlines if `lines`. */
void fuzz_check_text(const char *text, bool lines);
/** Everything of HDF5 that was opened is closed again. */
void fuzz_check_closed(void);

/** What is printed goes to memory, and is looked at: fuzz_check_text. */
void fuzz_catch_begin(void);
void fuzz_catch_end(bool json);

/** Open, sense, read tiles, decode, analyse some curves, digest, describe. An odd `way` describes
 * as JSON. */
void fuzz_read_volume(const char *path, unsigned way);
/** Of a volume that is open, however it was opened: read tiles, decode, analyse, digest. */
struct volume;
void fuzz_read_tiles(struct volume *v);
/** Look, open by the description, read, describe; write a volume of it and open that. `way` as
 * below. */
struct description;
void fuzz_import(const struct description *d, const char *path, unsigned way);
/** Description `i` of those of the seeds whose names begin with `prefix`, read once; it must be a
 * good one. */
const struct description *fuzz_description(const char *prefix, unsigned i);
/** A file of the folder `import` of the seeds; good until the next call. */
const char *fuzz_import_path(const char *name);
/** Load, describe; draw now and then (there is no gnuplot). `way` as below. */
void fuzz_read_maps(const char *path, unsigned way);

/** Choices taken from the input, byte by byte; zeros when it is used up. */
struct dice {
    const uint8_t *at, *end;
};
unsigned dice_byte(struct dice *d);
/** 0 to n - 1 */
unsigned dice_below(struct dice *d, unsigned n);

/** The seeds in the folder of the variable CANTLE_FUZZ_SEEDS, and in its folder `import`, whose
 *  names begin with `prefix`: file `i` modulo their number, read at the first call. Ends the
 * process if there is none. */
const uint8_t *fuzz_seed(const char *prefix, unsigned i, size_t *size);

/** Write a seed to the file and change it through HDF5 as the choices say: objects,
 *  attributes, links, types, spaces, layouts, filters. Returns its path. */
const char *fuzz_tree(const char *prefix, struct dice *d);

#endif
