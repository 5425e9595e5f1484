#include "volume/recording.h"

#include "volume/attributes.h"
#include "volume/source.h"

#include <ctype.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { LARGEST_FILE = 1 << 30, MOST_COLUMNS = 256 };

void recording_free(struct recording *r)
{
    free(r->x);
    free(r->axis);
    *r = (struct recording){0};
}

/* --- the file's bytes --- */

/* All of it with a 0 behind, malloc'd. */
static enum status read_bytes(const char *path, char **out, size_t *size, struct report *rep)
{
    enum status st = ST_OK;
    FILE *f = fopen(path, "rb");
    long length = -1;
    *out = NULL;
    if (!f) return fail(rep, ST_INPUT, "cannot be opened: %s", strerror(errno));
    if (fseek(f, 0, SEEK_END) != 0 || (length = ftell(f)) < 0 || fseek(f, 0, SEEK_SET) != 0)
        st = fail(rep, ST_INPUT, "is not a plain file");
    else if (length > LARGEST_FILE)
        st = fail(rep, ST_INPUT, "is larger than 1 GiB; a minute of thermal noise is enough");
    else if (!(*out = malloc((size_t)length + 1)))
        st = fail(rep, ST_MEMORY, "not enough memory for %ld bytes", length);
    else if (fread(*out, 1, (size_t)length, f) != (size_t)length)
        st = fail(rep, ST_INPUT, "cannot be read: %s", strerror(errno));
    if (st == ST_OK) (*out)[ *size = (size_t)length] = 0;
    if (st != ST_OK) free(*out);
    fclose(f);
    return st;
}

/* --- text --- */

static bool is_number_start(const char *c)
{
    return isdigit((unsigned char)*c) ||
           (strchr("+-.", *c) && *c && (isdigit((unsigned char)c[1]) || c[1] == '.'));
}

/* Comma between digits and another separator besides: a decimal comma, or two kinds of separator.
 */
static bool commas_are_unclear(const char *line)
{
    const char *blank = line + strspn(line, " \t");
    bool inside = false, other = false;
    size_t end = strcspn(blank, "\r\n");
    for (size_t i = 0; i < end; i++) {
        if (blank[i] == ',' && i > 0 && isdigit((unsigned char)blank[i - 1]) &&
            isdigit((unsigned char)blank[i + 1]))
            inside = true;
        if (blank[i] == ';') other = true;
        if ((blank[i] == ' ' || blank[i] == '\t') && i > 0 &&
            isdigit((unsigned char)blank[i - 1]) && is_number_start(blank + i + 1))
            other = true;
    }
    return inside && other;
}

/* The numbers of one line; 0 when one of its words is none. */
static size_t read_line(char *line, double *value)
{
    size_t n = 0;
    char *c = line;
    for (;;) {
        c += strspn(c, " \t,;");
        if (!*c || *c == '\r' || *c == '\n') return n;
        char *end;
        double v = strtod(c, &end);
        if (end == c || (*end && !strchr(" \t,;\r\n", *end)) || n == MOST_COLUMNS) return 0;
        value[n++] = v;
        c = end;
    }
}

/* Which columns, once the first line of numbers is known. */
static enum status choose_columns(const struct recording_wish *wish, size_t columns, size_t *signal,
                                  struct report *rep)
{
    *signal = wish->column ? wish->column : columns;
    if (columns > 2 && !wish->column)
        return fail(rep, ST_INPUT,
                    "has %zu columns; say which one is the signal with --column (from 1)", columns);
    if (columns == 2 && !wish->column && !wish->axis)
        return fail(rep, ST_INPUT,
                    "has 2 columns; say which one is the signal with --column, and which one is "
                    "time or frequency, if one is, with --axis-column (from 1)");
    if (*signal > columns || wish->axis > columns)
        return fail(rep, ST_INPUT, "has %zu columns, so there is no column %zu", columns,
                    *signal > columns ? *signal : wish->axis);
    return ST_OK;
}

struct text_reader {
    double value[MOST_COLUMNS];
    size_t columns, signal, line, room;
};

static enum status take_line(struct text_reader *t, char *line, const struct recording_wish *wish,
                             struct recording *out, struct report *rep)
{
    bool comment = strchr("#%!", line[strspn(line, " \t")]) != NULL; /* also the end of the text */
    size_t n = comment ? 0 : read_line(line, t->value);
    if (comment || (n == 0 && (out->n == 0 || strspn(line, " \t\r") == strlen(line)))) return ST_OK;
    if (out->n == 0) {
        if (commas_are_unclear(line))
            return fail(rep, ST_INPUT,
                        "line %zu: a comma between digits, and other separators besides: write "
                        "decimal points, and one kind of separator",
                        t->line);
        t->columns = n;
        enum status st = choose_columns(wish, n, &t->signal, rep);
        if (st != ST_OK) return st;
    }
    if (n != t->columns || !isfinite(t->value[t->signal - 1]))
        return fail(rep, ST_INPUT, "line %zu: is not %zu numbers like the lines before", t->line,
                    t->columns);
    if (out->n == t->room) {
        t->room = t->room ? 2 * t->room : 4096;
        double *x = realloc(out->x, t->room * sizeof *x);
        if (x) out->x = x;
        double *axis = x ? realloc(out->axis, t->room * sizeof *axis) : NULL;
        if (axis) out->axis = axis;
        if (!x || !axis) return fail(rep, ST_MEMORY, "not enough memory for its numbers");
    }
    out->x[out->n] = t->value[t->signal - 1];
    out->axis[out->n++] = wish->axis ? t->value[wish->axis - 1] : NAN;
    return ST_OK;
}

static enum status read_text(char *text, const struct recording_wish *wish, struct recording *out,
                             struct report *rep)
{
    struct text_reader t = {.line = 0};
    enum status st = ST_OK;
    for (char *line = text, *next; line && st == ST_OK; line = next) {
        next = strchr(line, '\n');
        if (next) *next++ = 0;
        t.line++;
        st = take_line(&t, line, wish, out, rep);
    }
    if (st == ST_OK && out->n == 0) st = fail(rep, ST_INPUT, "holds no line of numbers");
    if (!wish->axis) {
        free(out->axis);
        out->axis = NULL;
    }
    out->count = 1;
    return st;
}

/* --- NumPy: the format description of NumPy, version 1 and 2 --- */

struct npy {
    char kind;
    size_t bytes, rows, n, at; /* at: where the numbers begin */
};

static enum status read_npy_header(const char *text, size_t size, struct npy *h, struct report *rep)
{
    const unsigned char *u = (const unsigned char *)text;
    size_t length = size > 10 ? (size_t)u[8] + 256u * u[9] : 0, start = 10;
    char head[512], order = 0;
    if (size > 12 && u[6] > 1) length += 65536u * u[10] + 16777216u * (size_t)u[11], start = 12;
    if (length >= sizeof head || start + length > size)
        return fail(rep, ST_INPUT, "its NumPy header is damaged");
    memcpy(head, text + start, length);
    head[length] = 0;
    h->at = start + length;
    h->rows = 1;
    const char *descr = strstr(head, "'descr': '"), *shape = strstr(head, "'shape': (");
    if (!descr || !shape || sscanf(descr + 10, "%c%c%zu", &order, &h->kind, &h->bytes) != 3)
        return fail(rep, ST_INPUT, "its NumPy header is not understood");
    if ((order != '<' && !(order == '|' && h->bytes == 1)) || !strchr("fiu", h->kind))
        return fail(rep, ST_INPUT, "holds numbers of type '%c%c%zu'; save plain little-endian ones",
                    order, h->kind, h->bytes);
    int axes = sscanf(shape + 10, "%zu, %zu", &h->rows, &h->n);
    if (axes == 1) h->n = h->rows, h->rows = 1;
    if (axes < 1 || (axes == 2 && strstr(head, "'fortran_order': True")))
        return fail(rep, ST_INPUT,
                    "must be an array [n] or [records, n] in C order; save "
                    "numpy.ascontiguousarray(x)");
    if (h->rows == 0 || h->n == 0 || h->n > size || h->rows > size / h->n ||
        (size - h->at) / h->bytes < h->rows * h->n)
        return fail(rep, ST_INPUT, "is shorter than its NumPy header says");
    return ST_OK;
}

static bool npy_number(const char *from, const struct npy *h, double *out)
{
#define TAKE(letter, type)                                                                         \
    if (h->kind == letter && h->bytes == sizeof(type)) {                                           \
        type v;                                                                                    \
        memcpy(&v, from, sizeof v);                                                                \
        *out = (double)v;                                                                          \
        return true;                                                                               \
    }
    TAKE('f', double)
    TAKE('f', float)
    TAKE('i', int8_t)
    TAKE('i', int16_t)
    TAKE('i', int32_t)
    TAKE('u', uint8_t)
    TAKE('u', uint16_t)
    TAKE('u', uint32_t)
#undef TAKE
    return false;
}

static enum status read_npy(const char *text, size_t size, struct recording *out,
                            struct report *rep)
{
    struct npy h = {0};
    enum status st = read_npy_header(text, size, &h, rep);
    if (st != ST_OK) return st;
    out->x = malloc(h.rows * h.n * sizeof *out->x);
    if (!out->x) return fail(rep, ST_MEMORY, "not enough memory for its numbers");
    out->n = h.n;
    out->count = h.rows;
    for (size_t i = 0; i < h.rows * h.n; i++)
        if (!npy_number(text + h.at + i * h.bytes, &h, &out->x[i]))
            return fail(rep, ST_INPUT, "holds numbers of type %c%zu, which is not read", h.kind,
                        h.bytes);
    return ST_OK;
}

/* --- HDF5 --- */

static enum status read_dataset(const struct dataset *d, struct recording *out, struct report *rep)
{
    double pack[2] = {1, 0};
    bool there;
    size_t start[4] = {0}, all = 1;
    if (d->rank < 1) return fail(rep, ST_INPUT, "%s: one number is no recording", d->name);
    for (int i = 0; i < d->rank; i++)
        all *= d->dims[i];
    out->n = d->dims[d->rank - 1];
    if (all == 0 || all > LARGEST_FILE / sizeof *out->x)
        return fail(rep, ST_INPUT, "%s: is empty, or larger than 1 GiB", d->name);
    out->count = all / out->n;
    out->x = malloc(all * sizeof *out->x);
    if (!out->x) return fail(rep, ST_MEMORY, "not enough memory for its numbers");
    enum status st = dataset_read(d, start, d->dims, H5T_NATIVE_DOUBLE, out->x, rep);
    if (st == ST_OK) st = attribute_text(d->id, "units", out->unit, sizeof out->unit, rep);
    if (st == ST_OK) st = attribute_numbers(d->id, "scale_factor", &pack[0], 1, &there, rep);
    if (st == ST_OK) st = attribute_numbers(d->id, "add_offset", &pack[1], 1, &there, rep);
    for (size_t i = 0; i < all && st == ST_OK; i++)
        out->x[i] = pack[0] * out->x[i] + pack[1];
    return st;
}

static enum status read_hdf5(const struct recording_wish *wish, struct recording *out,
                             struct report *rep)
{
    struct source s;
    struct dataset d;
    if (!wish->dataset)
        return fail(rep, ST_INPUT,
                    "is an HDF5 file; say which dataset is the signal with --dataset /PATH");
    source_clear(&s);
    dataset_clear(&d);
    enum status st = source_open(&s, wish->path, rep);
    if (st == ST_OK) st = dataset_open(&d, &s, wish->dataset, rep);
    if (st == ST_OK) st = read_dataset(&d, out, rep);
    dataset_close(&d);
    source_close(&s);
    return st;
}

/* --- the one door --- */

static enum status check_finite(const struct recording *r, struct report *rep)
{
    for (size_t i = 0; i < r->n * r->count; i++)
        if (!isfinite(r->x[i]))
            return fail(rep, ST_INPUT, "sample %zu is not a number; cut the record there", i);
    return ST_OK;
}

enum status recording_read(const struct recording_wish *wish, struct recording *out,
                           struct report *rep)
{
    char *bytes;
    size_t size = 0;
    *out = (struct recording){0};
    enum status st = read_bytes(wish->path, &bytes, &size, rep);
    if (st != ST_OK) return within(rep, st, "%s: ", wish->path);
    out->digest = digest_bytes(bytes, size, 0);
    bool hdf5 = size > 8 && memcmp(bytes, "\211HDF\r\n\032\n", 8) == 0;
    bool npy = size > 10 && memcmp(bytes, "\223NUMPY", 6) == 0;
    if (wish->dataset && !hdf5)
        st = fail(rep, ST_INPUT, "--dataset is given, but this is not an HDF5 file");
    else if ((wish->column || wish->axis) && (hdf5 || npy))
        st = fail(rep, ST_INPUT, "a column is given, but this file is not text");
    else if (hdf5)
        st = read_hdf5(wish, out, rep);
    else
        st = npy ? read_npy(bytes, size, out, rep) : read_text(bytes, wish, out, rep);
    free(bytes);
    if (st == ST_OK) st = check_finite(out, rep);
    return st == ST_OK ? st : within(rep, st, "%s: ", wish->path);
}
