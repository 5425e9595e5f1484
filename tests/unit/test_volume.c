/* The volume file: small files are written with HDF5's C library and read back through volume.h. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include "base/units.h"
#include "volume/volume.h"

/* after ours: it has a macro of the name fail */
#include <cmocka.h>

#include <hdf5.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { NY = 3, NX = 4, N = 40, PIXELS = NY * NX };

static char folder[64], path[96];

/* --- a small writer --- */

static void put_text(hid_t at, const char *name, const char *text)
{
    hid_t type = H5Tcopy(H5T_C_S1), space = H5Screate(H5S_SCALAR);
    H5Tset_size(type, strlen(text) + 1);
    if (H5Aexists(at, name) > 0) H5Adelete(at, name);
    hid_t attribute = H5Acreate2(at, name, type, space, H5P_DEFAULT, H5P_DEFAULT);
    assert_true(H5Awrite(attribute, type, text) >= 0);
    H5Aclose(attribute), H5Sclose(space), H5Tclose(type);
}

static void put_number(hid_t at, const char *name, hid_t type, double value)
{
    hid_t space = H5Screate(H5S_SCALAR);
    hid_t attribute = H5Acreate2(at, name, type, space, H5P_DEFAULT, H5P_DEFAULT);
    assert_true(H5Awrite(attribute, H5T_NATIVE_DOUBLE, &value) >= 0);
    H5Aclose(attribute), H5Sclose(space);
}

/* Writes, replacing what is there; returns the open dataset. */
static hid_t put(hid_t file, const char *name, hid_t stored, int rank, const hsize_t *dims,
                 hid_t memory, const void *data, const char *units, hid_t how)
{
    hid_t links = H5Pcreate(H5P_LINK_CREATE);
    H5Pset_create_intermediate_group(links, 1);
    char group[32];
    snprintf(group, sizeof group, "%.*s", (int)(strchr(name + 1, '/') - name), name);
    if (H5Lexists(file, group, H5P_DEFAULT) > 0 && H5Lexists(file, name, H5P_DEFAULT) > 0)
        H5Ldelete(file, name, H5P_DEFAULT);
    hid_t space = rank ? H5Screate_simple(rank, dims, NULL) : H5Screate(H5S_SCALAR);
    hid_t set = H5Dcreate2(file, name, stored, space, links, how, H5P_DEFAULT);
    assert_true(set >= 0);
    assert_true(H5Dwrite(set, memory, H5S_ALL, H5S_ALL, H5P_DEFAULT, data) >= 0);
    if (units) put_text(set, "units", units);
    H5Sclose(space), H5Pclose(links);
    return set;
}

static void put_doubles(hid_t file, const char *name, int rank, const hsize_t *dims,
                        const double *data, const char *units)
{
    H5Dclose(
        put(file, name, H5T_IEEE_F64LE, rank, dims, H5T_NATIVE_DOUBLE, data, units, H5P_DEFAULT));
}

static double volts_at(size_t row, size_t col, size_t i)
{
    return (double)row + 0.1 * (double)col + 0.001 * (double)i;
}

static void fill_volts(double *out)
{
    for (size_t p = 0; p < PIXELS; p++)
        for (size_t i = 0; i < N; i++)
            out[p * N + i] = volts_at(p / NX, p % NX, i);
}

/* A valid volume: approach only, detector volts, ramp 0 ... 39 nm. The file stays open. */
static hid_t begin(void)
{
    static double volts[PIXELS * N], z[N], x[NX] = {0, 1, 2, 3}, y[NY] = {2, 1, 0};
    const hsize_t shape[3] = {NY, NX, N}, nx = NX, ny = NY;
    hid_t file = H5Fcreate(path, H5F_ACC_TRUNC, H5P_DEFAULT, H5P_DEFAULT);
    assert_true(file >= 0);
    fill_volts(volts);
    for (int i = 0; i < N; i++)
        z[i] = i;
    put_text(file, "layout", "cantle-volume-1");
    put_text(file, "title", "small");
    hid_t signal = put(file, "/approach/signal", H5T_IEEE_F64LE, 3, shape, H5T_NATIVE_DOUBLE, volts,
                       "V", H5P_DEFAULT);
    put_text(signal, "stage", "detector");
    H5Dclose(signal);
    put_doubles(file, "/approach/z", 1, &shape[2], z, "nm");
    put_doubles(file, "/grid/x", 1, &nx, x, "um");
    put_doubles(file, "/grid/y", 1, &ny, y, "um");
    return file;
}

static struct volume *open_good(void)
{
    struct volume *v;
    struct report rep = {""};
    if (volume_open(&v, path, &rep) != ST_OK) fail_msg("%s", rep.text);
    return v;
}

static void expect_bad(const char *word)
{
    struct volume *v;
    struct report rep = {""};
    assert_int_equal(volume_open(&v, path, &rep), ST_INPUT);
    assert_null(v);
    if (!strstr(rep.text, path) || !strstr(rep.text, word))
        fail_msg("'%s' is not in: %s", word, rep.text);
}

/* The tile that holds a pixel is read, then the pixel decoded. */
static struct raw_curve curve_at(struct volume *v, size_t row, size_t col)
{
    struct raw_curve c;
    struct report rep;
    for (size_t i = 0; i < volume_tile_count(v); i++) {
        struct tile t = volume_tile(v, i);
        if (row < t.row0 || row >= t.row0 + t.rows || col < t.col0 || col >= t.col0 + t.cols)
            continue;
        assert_int_equal(volume_read_tile(v, t, &rep), ST_OK);
        volume_curve(v, row, col, &c);
        return c;
    }
    fail_msg("no tile holds row %zu, column %zu", row, col);
    return c;
}

#define CLOSE(a, b) assert_true(fabs((a) - (b)) <= 1e-12 * fabs(b) + 1e-24)

/* --- tests --- */

static void reads_a_plain_volume(void **state)
{
    (void)state;
    H5Fclose(begin());
    struct volume *v = open_good();
    const struct volume_facts *f = volume_facts(v);
    assert_string_equal(f->title, "small");
    assert_int_equal(f->ny, NY);
    assert_int_equal(f->nx, NX);
    CLOSE(f->y_m[0], 2e-6); /* as stored: descending */
    CLOSE(f->x_m[3], 3e-6);
    assert_int_equal(f->seg[SEG_APPROACH].z_sense, 1);
    assert_int_equal(f->seg[SEG_APPROACH].z_kind, Z_SHARED);
    assert_false(f->seg[SEG_RETRACT].there);
    struct raw_curve c = curve_at(v, 2, 1);
    assert_false(c.absent);
    assert_int_equal(c.seg[SEG_APPROACH].n, N);
    assert_int_equal(c.seg[SEG_RETRACT].n, 0);
    for (size_t i = 0; i < N; i++) {
        CLOSE(c.seg[SEG_APPROACH].signal[i], volts_at(2, 1, i));
        CLOSE(c.seg[SEG_APPROACH].z_m[i], 1e-9 * (double)i);
    }
    volume_close(&v);
    assert_null(v);
    volume_close(&v);
}

static void falling_z_is_turned(void **state)
{
    (void)state;
    double z[N], volts[PIXELS * N] = {0};
    const hsize_t shape[3] = {NY, NX, N};
    hid_t file = begin();
    for (int i = 0; i < N; i++)
        z[i] = 100 - i;
    put_doubles(file, "/approach/z", 1, &shape[2], z, "nm");
    for (int i = 0; i < N; i++)
        z[i] = 61 + i;
    hid_t signal = put(file, "/retract/signal", H5T_IEEE_F32LE, 3, shape, H5T_NATIVE_DOUBLE, volts,
                       "nN", H5P_DEFAULT);
    put_text(signal, "stage", "force");
    H5Dclose(signal);
    put_doubles(file, "/retract/z", 1, &shape[2], z, "nm");
    H5Fclose(file);
    struct volume *v = open_good();
    assert_int_equal(volume_facts(v)->seg[SEG_APPROACH].z_sense, -1);
    struct raw_curve c = curve_at(v, 0, 0);
    assert_int_equal(c.stage[SEG_RETRACT], STAGE_FORCE);
    for (size_t i = 0; i < N; i++) {
        CLOSE(c.seg[SEG_APPROACH].z_m[i], 1e-9 * ((double)i - 100));
        CLOSE(c.seg[SEG_RETRACT].z_m[i], 1e-9 * (-61 - (double)i));
    }
    volume_close(&v);
}

static void stated_direction_must_be_true(void **state)
{
    (void)state;
    hid_t file = begin(), z = H5Dopen2(file, "/approach/z", H5P_DEFAULT);
    put_text(z, "direction", "toward_sample");
    H5Fflush(file, H5F_SCOPE_GLOBAL);
    H5Dclose(z), H5Fclose(file);
    struct volume *v = open_good();
    volume_close(&v);
    file = H5Fopen(path, H5F_ACC_RDWR, H5P_DEFAULT);
    z = H5Dopen2(file, "/approach/z", H5P_DEFAULT);
    put_text(z, "direction", "away_from_sample");
    H5Dclose(z), H5Fclose(file);
    expect_bad("/approach/z: attribute 'direction'");
}

static void retract_must_go_back(void **state)
{
    (void)state;
    double z[N], volts[PIXELS * N] = {0};
    const hsize_t shape[3] = {NY, NX, N};
    hid_t file = begin();
    for (int i = 0; i < N; i++)
        z[i] = i;
    hid_t signal = put(file, "/retract/signal", H5T_IEEE_F32LE, 3, shape, H5T_NATIVE_DOUBLE, volts,
                       "V", H5P_DEFAULT);
    put_text(signal, "stage", "detector");
    H5Dclose(signal);
    put_doubles(file, "/retract/z", 1, &shape[2], z, "nm");
    H5Fclose(file);
    expect_bad("/retract/z: runs the same way");
}

static void start_and_step_with_offset(void **state)
{
    (void)state;
    double start[PIXELS], offset[PIXELS], step = -2;
    const hsize_t grid[2] = {NY, NX};
    for (int p = 0; p < PIXELS; p++) {
        start[p] = 1000 + p;
        offset[p] = 0.5 * p;
    }
    hid_t file = begin();
    H5Ldelete(file, "/approach/z", H5P_DEFAULT);
    put_doubles(file, "/approach/z_start", 2, grid, start, "nm");
    put_doubles(file, "/approach/z_step", 0, NULL, &step, "nm");
    put_doubles(file, "/grid/z_offset", 2, grid, offset, "um");
    H5Fclose(file);
    struct volume *v = open_good();
    assert_int_equal(volume_facts(v)->seg[SEG_APPROACH].z_kind, Z_START_STEP);
    assert_int_equal(volume_facts(v)->seg[SEG_APPROACH].z_sense, -1);
    assert_true(volume_facts(v)->has_z_offset);
    struct raw_curve c = curve_at(v, 1, 2); /* pixel 6 */
    for (size_t i = 0; i < N; i++)
        CLOSE(c.seg[SEG_APPROACH].z_m[i], -(1e-9 * (1006 - 2 * (double)i) + 3e-6));
    volume_close(&v);
}

static void z_of_each_curve_is_unpacked(void **state)
{
    (void)state;
    static int32_t z[PIXELS * N];
    const hsize_t shape[3] = {NY, NX, N};
    for (int i = 0; i < PIXELS * N; i++)
        z[i] = i % N * 10 + i / N;
    z[5 * N + 3] = -999;
    hid_t file = begin();
    hid_t set = put(file, "/approach/z", H5T_STD_I32BE, 3, shape, H5T_NATIVE_INT32, z, "nm",
                    H5P_DEFAULT);
    put_number(set, "scale_factor", H5T_IEEE_F32LE, 0.25);
    put_number(set, "add_offset", H5T_STD_I16LE, 7);
    put_number(set, "_FillValue", H5T_STD_I32LE, -999);
    H5Dclose(set), H5Fclose(file);
    struct volume *v = open_good();
    assert_int_equal(volume_facts(v)->seg[SEG_APPROACH].z_kind, Z_PER_CURVE);
    struct raw_curve c = curve_at(v, 1, 1); /* pixel 5 */
    assert_true(isnan(c.seg[SEG_APPROACH].z_m[3]));
    CLOSE(c.seg[SEG_APPROACH].z_m[4], 1e-9 * (0.25 * 45 + 7));
    volume_close(&v);
}

static void packed_integers_follow_cf(void **state)
{
    (void)state;
    static int16_t stored[PIXELS * N];
    const hsize_t shape[3] = {NY, NX, N};
    for (int i = 0; i < PIXELS * N; i++)
        stored[i] = (int16_t)(i % 1000);
    int16_t *first = stored;
    first[0] = -5;        /* fill */
    first[1] = -6;        /* missing */
    first[2] = INT16_MIN; /* an end of the type */
    first[3] = 2000;      /* valid_max itself */
    first[4] = 1999;
    first[5] = INT16_MAX;
    hid_t file = begin();
    hid_t set = put(file, "/approach/signal", H5T_STD_I16LE, 3, shape, H5T_NATIVE_INT16, stored,
                    "mV", H5P_DEFAULT);
    put_text(set, "stage", "detector");
    put_number(set, "scale_factor", H5T_IEEE_F64LE, 0.5);
    put_number(set, "add_offset", H5T_IEEE_F64LE, 3);
    put_number(set, "_FillValue", H5T_STD_I16LE, -5);
    put_number(set, "missing_value", H5T_STD_I16LE, -6);
    put_number(set, "valid_max", H5T_STD_I16LE, 2000);
    H5Dclose(set), H5Fclose(file);
    struct volume *v = open_good();
    struct raw_segment s = curve_at(v, 0, 0).seg[SEG_APPROACH];
    assert_true(isnan(s.signal[0]) && isnan(s.signal[1]));
    CLOSE(s.signal[4], 1e-3 * (0.5 * 1999 + 3));
    CLOSE(s.signal[7], 1e-3 * (0.5 * 7 + 3));
    assert_int_equal(s.clipped, 3);
    assert_int_equal(curve_at(v, 0, 1).seg[SEG_APPROACH].clipped, 0);
    volume_close(&v);
}

static void negative_repulsion_turns_the_sign(void **state)
{
    (void)state;
    hid_t file = begin(), set = H5Dopen2(file, "/approach/signal", H5P_DEFAULT);
    put_text(set, "repulsion", "negative");
    H5Dclose(set), H5Fclose(file);
    struct volume *v = open_good();
    CLOSE(curve_at(v, 1, 3).seg[SEG_APPROACH].signal[9], -volts_at(1, 3, 9));
    volume_close(&v);
}

static void put_quadrants(bool negative)
{
    static float four[PIXELS * N * 4];
    const hsize_t shape[4] = {NY, NX, N, 4};
    for (int i = 0; i < PIXELS * N * 4; i++)
        four[i] = (float)(i % 4 + 1);
    four[4 * 2 + 1] = 9;
    hid_t file = begin();
    hid_t set = put(file, "/approach/signal", H5T_IEEE_F32LE, 4, shape, H5T_NATIVE_FLOAT, four, "V",
                    H5P_DEFAULT);
    put_text(set, "stage", "quadrants");
    put_number(set, "valid_max", H5T_IEEE_F32LE, 8);
    if (negative) put_text(set, "repulsion", "negative");
    H5Dclose(set), H5Fclose(file);
}

static void quadrants_come_as_four(void **state)
{
    (void)state;
    for (int negative = 0; negative < 2; negative++) {
        put_quadrants(negative);
        struct volume *v = open_good();
        struct raw_curve c = curve_at(v, 0, 0);
        const double *q = c.seg[SEG_APPROACH].signal + 4 * 7;
        assert_int_equal(c.stage[SEG_APPROACH], STAGE_QUADRANTS);
        assert_int_equal(c.seg[SEG_APPROACH].n, N);
        assert_int_equal(c.seg[SEG_APPROACH].clipped, 1);
        double quotient = (q[0] + q[1] - q[2] - q[3]) / (q[0] + q[1] + q[2] + q[3]);
        CLOSE(quotient, negative ? 0.4 : -0.4);
        volume_close(&v);
    }
}

static void lengths_and_absent_pixels(void **state)
{
    (void)state;
    uint16_t length[PIXELS];
    int8_t here[PIXELS];
    const hsize_t grid[2] = {NY, NX};
    for (int p = 0; p < PIXELS; p++) {
        length[p] = (uint16_t)(p == 4 ? 0 : 20 + p);
        here[p] = p != 7;
    }
    length[7] = 60000; /* absent: nobody looks */
    hid_t file = begin();
    H5Dclose(put(file, "/approach/length", H5T_STD_U16LE, 2, grid, H5T_NATIVE_UINT16, length, NULL,
                 H5P_DEFAULT));
    /* truth values are stored as an enumeration by some writers */
    hid_t truth = H5Tenum_create(H5T_NATIVE_INT8);
    int8_t no = 0, yes = 1;
    H5Tenum_insert(truth, "FALSE", &no);
    H5Tenum_insert(truth, "TRUE", &yes);
    H5Dclose(put(file, "/grid/present", truth, 2, grid, truth, here, NULL, H5P_DEFAULT));
    H5Tclose(truth), H5Fclose(file);
    struct volume *v = open_good();
    assert_int_equal(volume_facts(v)->n_absent, 1);
    assert_true(volume_facts(v)->seg[SEG_APPROACH].has_lengths);
    assert_int_equal(curve_at(v, 2, 1).seg[SEG_APPROACH].n, 29);
    assert_int_equal(curve_at(v, 1, 0).seg[SEG_APPROACH].n, 0);
    assert_true(curve_at(v, 1, 3).absent);
    assert_int_equal(curve_at(v, 1, 3).seg[SEG_APPROACH].n, 0);
    volume_close(&v);
}

static void length_beyond_the_array_is_refused(void **state)
{
    (void)state;
    int32_t length[PIXELS] = {0};
    const hsize_t grid[2] = {NY, NX};
    length[6] = N + 1;
    hid_t file = begin();
    H5Dclose(put(file, "/approach/length", H5T_STD_I32LE, 2, grid, H5T_NATIVE_INT32, length, NULL,
                 H5P_DEFAULT));
    H5Fclose(file);
    expect_bad("/approach/length: is 41 at row 1, column 2");
}

static void calibration_is_converted(void **state)
{
    (void)state;
    const double tilt = 10, k = 350;
    hid_t file = begin();
    hid_t set = put(file, "/calibration/tilt", H5T_IEEE_F32LE, 0, NULL, H5T_NATIVE_DOUBLE, &tilt,
                    "degree", H5P_DEFAULT);
    put_number(set, "standard_uncertainty", H5T_IEEE_F32LE, 1);
    H5Dclose(set);
    put_doubles(file, "/calibration/spring_constant", 0, NULL, &k, "mN/m");
    H5Fclose(file);
    struct volume *v = open_good();
    const struct known *item = volume_facts(v)->lever.item;
    CLOSE(item[LEVER_tilt].value, M_PI / 18);
    CLOSE(item[LEVER_tilt].u, M_PI / 180);
    assert_string_equal(item[LEVER_tilt].origin, "volume");
    CLOSE(item[LEVER_spring_constant].value, 0.35);
    assert_true(isnan(item[LEVER_spring_constant].u));
    assert_true(isnan(item[LEVER_tip_radius].value));
    volume_close(&v);
}

static void texts_of_any_kind(void **state)
{
    (void)state;
    const char *text = "cantle-volume-1";
    const hsize_t one = 1;
    hid_t file = begin(), type = H5Tcopy(H5T_C_S1), space = H5Screate_simple(1, &one, NULL);
    H5Tset_size(type, H5T_VARIABLE);
    H5Tset_cset(type, H5T_CSET_UTF8);
    H5Adelete(file, "layout");
    hid_t attribute = H5Acreate2(file, "layout", type, space, H5P_DEFAULT, H5P_DEFAULT);
    assert_true(H5Awrite(attribute, type, &text) >= 0);
    H5Aclose(attribute);
    H5Adelete(file, "title");
    H5Tclose(type);
    type = H5Tcopy(H5T_C_S1);
    H5Tset_size(type, 8);
    H5Tset_strpad(type, H5T_STR_SPACEPAD);
    attribute = H5Acreate2(file, "title", type, space, H5P_DEFAULT, H5P_DEFAULT);
    assert_true(H5Awrite(attribute, type, "padded  ") >= 0);
    H5Aclose(attribute), H5Sclose(space), H5Tclose(type), H5Fclose(file);
    struct volume *v = open_good();
    assert_string_equal(volume_facts(v)->title, "padded");
    assert_true(volume_is_one(path));
    volume_close(&v);
}

static struct digest digest_of(struct volume *v, bool backwards)
{
    struct digest sum = {0, 0};
    struct report rep;
    size_t n = volume_tile_count(v);
    for (size_t i = 0; i < n; i++) {
        assert_int_equal(volume_read_tile(v, volume_tile(v, backwards ? n - 1 - i : i), &rep),
                         ST_OK);
        digest_add(&sum, volume_tile_digest(v));
    }
    return sum;
}

static void digest_is_as_documented(void **state)
{
    (void)state;
    static double volts[PIXELS * N];
    struct digest expected = {0, 0};
    fill_volts(volts);
    for (size_t p = 0; p < PIXELS; p++)
        digest_add(&expected, digest_bytes(volts + p * N, N * sizeof *volts, p));
    H5Fclose(begin());
    struct volume *v = open_good();
    struct digest got = digest_of(v, false);
    assert_int_equal(got.high, expected.high);
    assert_int_equal(got.low, expected.low);
    volume_close(&v);
}

/* A grid with odd chunks, large enough for several tiles. */
enum { BIG_Y = 75, BIG_X = 101, BIG_N = 128 };

static void put_big(hid_t how, int damaged)
{
    const hsize_t shape[3] = {BIG_Y, BIG_X, BIG_N}, n = BIG_N;
    const double pixel = 10;
    double z[BIG_N];
    int16_t *stored = malloc((size_t)BIG_Y * BIG_X * BIG_N * sizeof *stored);
    assert_non_null(stored);
    for (int i = 0; i < BIG_Y * BIG_X * BIG_N; i++)
        stored[i] = (int16_t)((long)i * 7919 % 30011);
    if (damaged) stored[BIG_N * 1234 + 5]++;
    for (int i = 0; i < BIG_N; i++)
        z[i] = i;
    hid_t file = H5Fcreate(path, H5F_ACC_TRUNC, H5P_DEFAULT, H5P_DEFAULT);
    put_text(file, "layout", "cantle-volume-1");
    hid_t set = put(file, "/approach/signal", H5T_STD_I16LE, 3, shape, H5T_NATIVE_INT16, stored,
                    "V", how);
    put_text(set, "stage", "detector");
    H5Dclose(set);
    put_doubles(file, "/approach/z", 1, &n, z, "nm");
    put_doubles(file, "/grid/pixel_size_x", 0, NULL, &pixel, "nm");
    put_doubles(file, "/grid/pixel_size_y", 0, NULL, &pixel, "nm");
    H5Fclose(file);
    free(stored);
}

static hid_t chunks_of(hsize_t rows, hsize_t cols, hsize_t samples, bool deflate)
{
    const hsize_t chunk[3] = {rows, cols, samples};
    hid_t how = H5Pcreate(H5P_DATASET_CREATE);
    H5Pset_chunk(how, 3, chunk);
    if (deflate) {
        H5Pset_shuffle(how);
        H5Pset_deflate(how, 1);
    }
    return how;
}

static double sum_of(struct volume *v, size_t *pixels)
{
    double sum = 0;
    struct report rep;
    for (size_t t = 0; t < volume_tile_count(v); t++) {
        struct tile tile = volume_tile(v, t);
        assert_int_equal(volume_read_tile(v, tile, &rep), ST_OK);
        for (size_t i = 0; i < tile.rows * tile.cols; i++, ++*pixels) {
            struct raw_curve c;
            size_t row = tile.row0 + i / tile.cols, col = tile.col0 + i % tile.cols;
            volume_curve(v, row, col, &c);
            for (size_t k = 0; k < BIG_N; k++)
                sum += c.seg[SEG_APPROACH].signal[k] * (double)(1 + (row * 31 + col * 17 + k) % 97);
        }
    }
    return sum;
}

static void storage_does_not_change_the_numbers(void **state)
{
    (void)state;
    const struct {
        hsize_t rows, cols, samples;
        bool deflate;
    } cases[] = {{7, 9, 128, true}, {1, 101, 128, false}, {75, 101, 10, true}, {75, 2, 128, true}};
    put_big(H5P_DEFAULT, 0);
    struct volume *v = open_good();
    size_t pixels = 0;
    double sum = sum_of(v, &pixels);
    struct digest digest = digest_of(v, false);
    assert_int_equal(pixels, BIG_Y * BIG_X);
    assert_true(volume_tile_count(v) > 4);
    volume_close(&v);
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        hid_t how = chunks_of(cases[i].rows, cases[i].cols, cases[i].samples, cases[i].deflate);
        put_big(how, 0);
        H5Pclose(how);
        v = open_good();
        pixels = 0;
        assert_true(fabs(sum_of(v, &pixels) - sum) <=
                    1e-9 * fabs(sum)); /* another order of tiles */
        assert_int_equal(pixels, BIG_Y * BIG_X);
        struct digest other = digest_of(v, i % 2);
        assert_int_equal(other.high, digest.high);
        assert_int_equal(other.low, digest.low);
        assert_int_equal(volume_facts(v)->seg[SEG_APPROACH].deflate, cases[i].deflate);
        volume_close(&v);
    }
}

static void tiles_follow_chunks(void **state)
{
    (void)state;
    hid_t how = chunks_of(7, 9, BIG_N, true);
    put_big(how, 0);
    H5Pclose(how);
    struct volume *v = open_good();
    const struct volume_facts *f = volume_facts(v);
    assert_int_equal(f->tile_rows % 7, 0);
    assert_true(f->tile_cols % 9 == 0 || f->tile_cols == BIG_X);
    assert_true(f->tile_bytes <= (size_t)8 << 20);
    volume_close(&v);
}

static void digest_sees_one_changed_sample(void **state)
{
    (void)state;
    put_big(H5P_DEFAULT, 0);
    struct volume *v = open_good();
    struct digest forward = digest_of(v, false), backward = digest_of(v, true);
    assert_int_equal(forward.high, backward.high);
    assert_int_equal(forward.low, backward.low);
    volume_close(&v);
    put_big(H5P_DEFAULT, 1);
    v = open_good();
    assert_true(digest_of(v, false).low != forward.low);
    volume_close(&v);
}

static void units_and_stage_must_fit(void **state)
{
    (void)state;
    hid_t file = begin(), set = H5Dopen2(file, "/approach/signal", H5P_DEFAULT);
    put_text(set, "units", "nm");
    H5Dclose(set), H5Fclose(file);
    expect_bad("/approach/signal: unit 'nm' does not fit");
    file = begin(), set = H5Dopen2(file, "/approach/signal", H5P_DEFAULT);
    put_text(set, "stage", "photons");
    H5Dclose(set), H5Fclose(file);
    expect_bad("/approach/signal: attribute 'stage' is 'photons'");
}

static void ramp_must_be_monotonic(void **state)
{
    (void)state;
    double z[N];
    const hsize_t n = N;
    for (int bad = 0; bad < 2; bad++) {
        for (int i = 0; i < N; i++)
            z[i] = i;
        z[20] = bad ? z[19] : NAN;
        hid_t file = begin();
        put_doubles(file, "/approach/z", 1, &n, z, "nm");
        H5Fclose(file);
        expect_bad("/approach/z: ");
    }
}

static void zero_scale_is_refused(void **state)
{
    (void)state;
    hid_t file = begin(), set = H5Dopen2(file, "/approach/signal", H5P_DEFAULT);
    put_number(set, "scale_factor", H5T_IEEE_F64LE, 0);
    H5Dclose(set), H5Fclose(file);
    expect_bad("/approach/signal: scale_factor 0");
}

static int make_folder(void **state)
{
    (void)state;
    snprintf(folder, sizeof folder, "/tmp/cantle-volume-XXXXXX");
    if (!mkdtemp(folder)) return -1;
    snprintf(path, sizeof path, "%s/volume.h5", folder);
    return 0;
}

static int remove_folder(void **state)
{
    (void)state;
    unlink(path);
    units_close();
    return rmdir(folder);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(reads_a_plain_volume),
        cmocka_unit_test(falling_z_is_turned),
        cmocka_unit_test(stated_direction_must_be_true),
        cmocka_unit_test(retract_must_go_back),
        cmocka_unit_test(start_and_step_with_offset),
        cmocka_unit_test(z_of_each_curve_is_unpacked),
        cmocka_unit_test(packed_integers_follow_cf),
        cmocka_unit_test(negative_repulsion_turns_the_sign),
        cmocka_unit_test(quadrants_come_as_four),
        cmocka_unit_test(lengths_and_absent_pixels),
        cmocka_unit_test(length_beyond_the_array_is_refused),
        cmocka_unit_test(calibration_is_converted),
        cmocka_unit_test(texts_of_any_kind),
        cmocka_unit_test(digest_is_as_documented),
        cmocka_unit_test(storage_does_not_change_the_numbers),
        cmocka_unit_test(tiles_follow_chunks),
        cmocka_unit_test(digest_sees_one_changed_sample),
        cmocka_unit_test(units_and_stage_must_fit),
        cmocka_unit_test(ramp_must_be_monotonic),
        cmocka_unit_test(zero_scale_is_refused),
    };
    return cmocka_run_group_tests(tests, make_folder, remove_folder);
}
