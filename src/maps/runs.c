#include "maps/runs.h"

#include "build_facts.h"
#include "maps/provenance.h"
#include "maps/text_time.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

const struct run_column_row run_columns[RUN_COLUMN_COUNT] = {
#define C(name, bytes, meaning) {#name, bytes},
    RUN_COLUMNS(C)
#undef C
};

static void set(struct run_row *row, enum run_column column, const char *text)
{
    const size_t room = run_columns[column].bytes;
    memcpy(row->text[column], text, strnlen(text, room));
}

void run_row_fill(struct run_row *row, const char *command_line, int ranks)
{
    char text[256];
    const char *job;
    (void)provenance_scheduler(&job);
    memset(row, 0, sizeof *row);
    text_time_now(text);
    set(row, RUN_start_time, text);
    memset(text, 0, sizeof text);
    gethostname(text, sizeof text - 1);
    set(row, RUN_host, text);
    snprintf(text, sizeof text, "%d", ranks);
    set(row, RUN_ranks, text);
    set(row, RUN_command_line, command_line ? command_line : "");
    set(row, RUN_scheduler_job_id, job);
    set(row, RUN_source_revision, CANTLE_REVISION);
}

size_t run_row_of(uint64_t run)
{
    return run < 1 ? 0 : run > RUNS_MOST ? RUNS_MOST - 1 : (size_t)run - 1;
}

hid_t runs_type(int column)
{
    hid_t type = H5Tcopy(H5T_C_S1);
    H5Tset_size(type, run_columns[column].bytes);
    H5Tset_strpad(type, H5T_STR_NULLPAD);
    H5Tset_cset(type, H5T_CSET_UTF8);
    return type;
}

/* Contiguous and there from the start, or compressed. */
static hid_t storage(struct h5put *p, bool early, size_t ny, size_t nx, int deflate)
{
    if (p->st != ST_OK) return H5I_INVALID_HID;
    hid_t dcpl = H5Pcreate(H5P_DATASET_CREATE);
    herr_t rc = dcpl < 0 ? -1 : 0;
    if (rc >= 0 && early)
        rc = H5Pset_alloc_time(dcpl, H5D_ALLOC_TIME_EARLY) < 0 ||
                     H5Pset_fill_time(dcpl, H5D_FILL_TIME_ALLOC) < 0
                 ? -1
                 : 0;
    if (rc >= 0 && deflate > 0) {
        hsize_t cols = nx < 65536 ? nx : 65536, rows = 65536 / cols;
        const hsize_t chunk[2] = {rows < ny ? rows : ny, cols};
        rc = H5Pset_chunk(dcpl, 2, chunk) < 0 || H5Pset_shuffle(dcpl) < 0 ||
                     H5Pset_deflate(dcpl, (unsigned)deflate) < 0
                 ? -1
                 : 0;
    }
    if (rc < 0) h5put_fail(p, RUNS_GROUP);
    return dcpl;
}

static hid_t put_group(struct h5put *p, hid_t file)
{
    hid_t group = h5put_group(p, file, RUNS_GROUP, "NXcollection");
    h5put_attr_text(p, group, "comment",
                    "the runs that made this file, first to last; run_of_pixel counts them from 1");
    return group;
}

static void put_numbers(struct h5put *p, hid_t group, const char *name, hid_t type, int rank,
                        const hsize_t *dims, hid_t dcpl, const void *values, const char *words)
{
    hid_t set_id = h5put_array(p, group, name, type, rank, dims, dcpl, values);
    h5put_attr_text(p, set_id, "long_name", words);
    h5put_close(p, &set_id);
}

void runs_put_empty(struct h5put *p, hid_t file, size_t ny, size_t nx)
{
    const hsize_t rows[1] = {RUNS_MOST}, plane[2] = {ny, nx}, words[1] = {OWNER_WORDS};
    hid_t group = put_group(p, file), dcpl = storage(p, true, ny, nx, 0);
    for (int c = 0; c < RUN_COLUMN_COUNT && p->st == ST_OK; c++) {
        hid_t type = runs_type(c);
        hid_t set_id = h5put_array(p, group, run_columns[c].name, type, 1, rows, dcpl, NULL);
        h5put_close(p, &set_id);
        H5Tclose(type);
    }
    put_numbers(p, group, "run_of_pixel", H5T_NATIVE_UINT16, 2, plane, dcpl, NULL,
                "run that computed the pixel, 0 = none yet");
    put_numbers(p, group, "owner", H5T_NATIVE_UINT64, 1, words, dcpl, NULL,
                "token (two words) and number of the run that may write");
    h5put_close(p, &dcpl);
    h5put_close(p, &group);
}

static void put_texts(struct h5put *p, hid_t group, int column, size_t n,
                      const struct run_row *rows)
{
    const char *texts[RUNS_MOST];
    char cut[RUNS_MOST][513];
    for (size_t i = 0; i < n; i++) {
        snprintf(cut[i], sizeof cut[i], "%.*s", (int)run_columns[column].bytes,
                 rows[i].text[column]);
        texts[i] = cut[i];
    }
    h5put_texts(p, group, run_columns[column].name, texts, n);
}

static void put_ranks(struct h5put *p, hid_t group, size_t n, const struct run_row *rows)
{
    int32_t ranks[RUNS_MOST];
    const hsize_t list[1] = {n};
    hid_t plain = storage(p, false, 1, 1, 0);
    for (size_t i = 0; i < n; i++) {
        char digits[17] = "";
        memcpy(digits, rows[i].text[RUN_ranks], sizeof digits - 1);
        ranks[i] = (int32_t)strtol(digits, NULL, 10);
    }
    put_numbers(p, group, run_columns[RUN_ranks].name, H5T_NATIVE_INT32, 1, list, plain, ranks,
                "how many ranks it had");
    h5put_close(p, &plain);
}

void runs_put_final(struct h5put *p, hid_t file, size_t ny, size_t nx, size_t n,
                    const struct run_row *rows, const uint64_t *pixels,
                    const uint16_t *run_of_pixel, int deflate)
{
    const hsize_t list[1] = {n}, plane[2] = {ny, nx};
    hid_t group = put_group(p, file), plain = storage(p, false, ny, nx, 0),
          packed = storage(p, false, ny, nx, deflate);
    for (int c = 0; c < RUN_COLUMN_COUNT && p->st == ST_OK; c++)
        if (c == RUN_ranks)
            put_ranks(p, group, n, rows);
        else
            put_texts(p, group, c, n, rows);
    put_numbers(p, group, "pixels", H5T_NATIVE_UINT64, 1, list, plain, pixels,
                "pixels that the run computed");
    put_numbers(p, group, "run_of_pixel", H5T_NATIVE_UINT16, 2, plane, packed, run_of_pixel,
                "run that computed the pixel; 0 = copied from the file that a refit started from");
    h5put_close(p, &packed);
    h5put_close(p, &plain);
    h5put_close(p, &group);
}
