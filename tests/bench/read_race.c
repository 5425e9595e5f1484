/* What the bytes of a volume cost without any analysis: memcpy, a plain read of the file, HDF5's
 * own read, and libdeflate alone on the packed chunks. An untimed pass comes first, so the page
 * cache is warm. read_race VOLUME      one line of JSON, seconds */
#include <fcntl.h>
#include <hdf5.h>
#include <libdeflate.h>
#include <pthread.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

enum { SEGMENTS = 2, CORES = 2, BLOCK = 1 << 20, ROWS_BYTES = 8 << 20 };
static const char *const paths[SEGMENTS] = {"/approach/signal", "/retract/signal"};

struct chunk {
    void *packed;
    size_t bytes;
};

struct signal {
    hid_t set;
    hsize_t dims[3], chunk[3];
    bool packed; /* by deflate */
};

struct bytes_of {
    hid_t file;
    struct signal signal[SEGMENTS];
    size_t samples; /* bytes of both, unpacked */
    struct chunk *chunk;
    size_t chunks, chunk_bytes;
};

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static void give_up(const char *what, const char *path)
{
    fprintf(stderr, "read_race: %s: %s\n", path, what);
    exit(1);
}

static void open_signal(struct bytes_of *v, int i, const char *path)
{
    struct signal *s = &v->signal[i];
    s->set = H5Dopen2(v->file, paths[i], H5P_DEFAULT);
    if (s->set < 0) give_up("no approach/signal or retract/signal", path);
    hid_t space = H5Dget_space(s->set), how = H5Dget_create_plist(s->set);
    if (H5Sget_simple_extent_ndims(space) != 3) give_up("signal is not [ny,nx,n]", path);
    H5Sget_simple_extent_dims(space, s->dims, NULL);
    if (H5Pget_layout(how) == H5D_CHUNKED) {
        H5Pget_chunk(how, 3, s->chunk);
        for (int f = 0; f < H5Pget_nfilters(how); f++) {
            size_t none = 0;
            unsigned flags;
            if (H5Pget_filter2(how, (unsigned)f, &flags, &none, NULL, 0, NULL, NULL) ==
                H5Z_FILTER_DEFLATE)
                s->packed = true;
        }
    }
    v->samples += s->dims[0] * s->dims[1] * s->dims[2] * sizeof(int16_t);
    H5Pclose(how);
    H5Sclose(space);
}

static double time_plain_read(const char *path)
{
    static char block[BLOCK];
    int file = open(path, O_RDONLY);
    double start = now_s();
    ssize_t got = 1;
    while (got > 0)
        got = read(file, block, sizeof block);
    double took = now_s() - start;
    close(file);
    if (got < 0) give_up("cannot be read", path);
    return took;
}

static double time_memcpy(size_t bytes)
{
    char *from = malloc(bytes), *to = malloc(bytes);
    memset(from, 1, bytes);
    memset(to, 2, bytes);
    double start = now_s();
    memcpy(to, from, bytes);
    double took = now_s() - start;
    volatile char look = to[bytes / 2];
    (void)look;
    free(from);
    free(to);
    return took;
}

/* In blocks of rows, whole rows of chunks at a time, as a careful script would. */
static double time_h5dread(const struct bytes_of *v)
{
    double took = 0;
    for (int i = 0; i < SEGMENTS; i++) {
        const struct signal *s = &v->signal[i];
        hsize_t row = s->dims[1] * s->dims[2] * sizeof(int16_t), rows = ROWS_BYTES / row;
        if (rows < 1) rows = 1;
        if (s->chunk[0]) rows = (rows / s->chunk[0] + 1) * s->chunk[0];
        if (rows > s->dims[0]) rows = s->dims[0];
        char *buffer = malloc(rows * row);
        hid_t space = H5Dget_space(s->set);
        double start = now_s();
        for (hsize_t at = 0; at < s->dims[0]; at += rows) {
            hsize_t from[3] = {at, 0, 0}, count[3] = {rows, s->dims[1], s->dims[2]};
            if (count[0] > s->dims[0] - at) count[0] = s->dims[0] - at;
            hid_t memory = H5Screate_simple(3, count, NULL);
            H5Sselect_hyperslab(space, H5S_SELECT_SET, from, NULL, count, NULL);
            H5Dread(s->set, H5T_NATIVE_SHORT, memory, space, H5P_DEFAULT, buffer);
            H5Sclose(memory);
        }
        took += now_s() - start;
        H5Sclose(space);
        free(buffer);
    }
    return took;
}

/* All packed chunks into memory. */
static void load_chunks(struct bytes_of *v)
{
    for (int i = 0; i < SEGMENTS; i++) {
        const struct signal *s = &v->signal[i];
        hsize_t n = 0;
        hid_t space = H5Dget_space(s->set);
        if (!s->packed || H5Dget_num_chunks(s->set, space, &n) < 0) continue;
        v->chunk_bytes = s->chunk[0] * s->chunk[1] * s->chunk[2] * sizeof(int16_t);
        v->chunk = realloc(v->chunk, (v->chunks + n) * sizeof *v->chunk);
        for (hsize_t k = 0; k < n; k++) {
            hsize_t offset[3], bytes;
            unsigned mask;
            haddr_t place;
            H5Dget_chunk_info(s->set, space, k, offset, &mask, &place, &bytes);
            struct chunk c = {malloc(bytes), bytes};
            uint32_t skipped;
            H5Dread_chunk(s->set, H5P_DEFAULT, offset, &skipped, c.packed);
            v->chunk[v->chunks++] = c;
        }
        H5Sclose(space);
    }
}

struct worker {
    const struct bytes_of *v;
    size_t first, step;
    bool good;
};

static void *unpack(void *context)
{
    struct worker *w = context;
    struct libdeflate_decompressor *d = libdeflate_alloc_decompressor();
    void *out = malloc(w->v->chunk_bytes);
    w->good = true;
    for (size_t k = w->first; k < w->v->chunks; k += w->step) {
        size_t got;
        const struct chunk *c = &w->v->chunk[k];
        w->good = w->good &&
                  libdeflate_zlib_decompress(d, c->packed, c->bytes, out, w->v->chunk_bytes,
                                             &got) == LIBDEFLATE_SUCCESS;
    }
    free(out);
    libdeflate_free_decompressor(d);
    return NULL;
}

static double time_libdeflate(const struct bytes_of *v, size_t cores, const char *path)
{
    pthread_t thread[CORES];
    struct worker worker[CORES];
    double start = now_s();
    for (size_t i = 0; i < cores; i++) {
        worker[i] = (struct worker){v, i, cores, false};
        pthread_create(&thread[i], NULL, unpack, &worker[i]);
    }
    for (size_t i = 0; i < cores; i++)
        pthread_join(thread[i], NULL);
    double took = now_s() - start;
    for (size_t i = 0; i < cores; i++)
        if (!worker[i].good) give_up("a chunk cannot be unpacked", path);
    return took;
}

int main(int argc, char **argv)
{
    struct bytes_of v = {0};
    if (argc != 2) {
        fprintf(stderr, "usage: read_race VOLUME\n");
        return 1;
    }
    /* no cache of unpacked chunks: a second pass must not find a small volume unpacked */
    hid_t how = H5Pcreate(H5P_FILE_ACCESS);
    H5Pset_cache(how, 0, 521, 0, 1.0);
    v.file = H5Fopen(argv[1], H5F_ACC_RDONLY, how);
    H5Pclose(how);
    if (v.file < 0) give_up("cannot be opened", argv[1]);
    for (int i = 0; i < SEGMENTS; i++)
        open_signal(&v, i, argv[1]);
    load_chunks(&v);
    time_plain_read(argv[1]);
    time_h5dread(&v);
    printf("{\"sample_bytes\": %zu, \"memcpy\": %.6f, \"read\": %.6f, \"h5dread\": %.6f", v.samples,
           time_memcpy(v.samples), time_plain_read(argv[1]), time_h5dread(&v));
    if (v.chunks) {
        time_libdeflate(&v, CORES, argv[1]);
        printf(", \"libdeflate_1\": %.6f, \"libdeflate_2\": %.6f", time_libdeflate(&v, 1, argv[1]),
               time_libdeflate(&v, CORES, argv[1]));
    }
    printf("}\n");
    for (size_t k = 0; k < v.chunks; k++)
        free(v.chunk[k].packed);
    free(v.chunk);
    for (int i = 0; i < SEGMENTS; i++)
        H5Dclose(v.signal[i].set);
    H5Fclose(v.file);
    return 0;
}
