/* What a source shows of itself before it is described: arrays with shape, type and unit, or the
 * first lines of the first text file. */
#include "base/guard.h"
#include "base/words.h"
#include "intake/build.h"
#include "intake/files.h"
#include "intake/intake.h"
#include "intake/lines.h"
#include "volume/attributes.h"

#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

enum { LINES_SHOWN = 12, OBJECTS_SHOWN = 200, SHOWN = 200 };

struct listing {
    struct source *source;
    FILE *out;
    size_t n;
};

/* Names and texts come from strangers and end on a terminal: no control characters, whole UTF-8. */
static const char *printable(const char *text, size_t most, char out[SHOWN])
{
    words_excerpt(text, out, most < SHOWN ? most : SHOWN);
    words_printable(out, ' ');
    return out;
}

static void list_attributes(hid_t object, const char *name, FILE *out)
{
    hsize_t n = 0;
    H5O_info_t info;
    if (H5Oget_info(object, &info) >= 0) n = info.num_attrs;
    for (hsize_t i = 0; i < n && i < 32; i++) {
        char attribute[128] = "", text[128], shown[SHOWN];
        double value;
        bool there;
        struct report unused;
        if (H5Aget_name_by_idx(object, ".", H5_INDEX_NAME, H5_ITER_INC, i, attribute,
                               sizeof attribute, H5P_DEFAULT) < 0)
            continue;
        fprintf(out, "  %s@", printable(name, SHOWN, shown));
        fputs(printable(attribute, SHOWN, shown), out);
        if (attribute_text(object, attribute, text, sizeof text, &unused) == ST_OK)
            fprintf(out, " = \"%s\"", printable(text, SHOWN, shown));
        else if (attribute_numbers(object, attribute, &value, 1, &there, &unused) == ST_OK && there)
            fprintf(out, " = %.9g", value);
        fputc('\n', out);
    }
}

static herr_t list_object(hid_t root, const char *name, const H5O_info_t *info, void *data)
{
    struct listing *l = data;
    struct report unused;
    char path[200], shape[200], shown[SHOWN];
    struct array *a;
    snprintf(path, sizeof path, "/%s", strcmp(name, ".") == 0 ? "" : name);
    if (l->n++ >= OBJECTS_SHOWN) return 1;
    if (info->type == H5O_TYPE_DATASET) {
        if (array_hdf5(&a, l->source, path, &unused) == ST_OK) {
            array_shape(a, shape, sizeof shape);
            fprintf(l->out, "  %s  %s\n", printable(path, SHOWN, shown), shape);
            a->drop(a);
        } else {
            fprintf(l->out, "  %s  (no numbers that can be read)\n", printable(path, SHOWN, shown));
        }
    }
    hid_t object = H5Oopen(root, name, l->source->access);
    if (object < 0) return 0;
    list_attributes(object, path, l->out);
    H5Oclose(object);
    return 0;
}

static enum status look_hdf5(const char *path, FILE *out, struct report *rep)
{
    struct source s;
    char shown[SHOWN];
    guard_file(path);
    enum status st = source_open(&s, path, rep);
    if (st != ST_OK) {
        guard_file(NULL);
        return within(rep, st, "%s: ", path);
    }
    struct listing l = {&s, out, 0};
    fprintf(out, "%s is HDF5 and holds\n", printable(path, SHOWN, shown));
    H5Ovisit(s.file, H5_INDEX_NAME, H5_ITER_INC, list_object, &l);
    if (l.n > OBJECTS_SHOWN) fprintf(out, "  ... and more\n");
    source_close(&s);
    guard_file(NULL);
    return ST_OK;
}

static void put_line(FILE *out, size_t number, const char *line)
{
    char shown[SHOWN];
    fprintf(out, "  %zu: %s\n", number, printable(line, 104, shown));
}

static enum status look_text(const struct description *d, const char *path, FILE *out,
                             struct report *rep)
{
    struct files *files;
    struct file_text file;
    char from[SHOWN], name[SHOWN];
    bool more;
    const struct intake_value *pattern = &d->v[IN_source_files];
    enum status st = files_open(&files, path, pattern->set ? pattern->text : NULL, rep);
    if (st != ST_OK) return st;
    st = files_next(files, &file, &more, rep);
    if (st == ST_OK && !more) st = fail(rep, ST_INPUT, "%s: has no such file", path);
    if (st == ST_OK && strlen(file.text) == file.size) {
        struct line_rules rules;
        char *copy = strdup(file.text), *rest = copy, *line;
        size_t number = 0;
        line_rules_make(d, &rules);
        fprintf(out, "%s: the first file, %s, begins with\n", printable(path, SHOWN, from),
                printable(file.name, SHOWN, name));
        while (rest && number < LINES_SHOWN && (line = line_next(&rest)))
            put_line(out, ++number, line);
        free(copy);
    } else if (st == ST_OK) {
        fprintf(out, "%s: the first file, %s, is not text\n", printable(path, SHOWN, from),
                printable(file.name, SHOWN, name));
    }
    files_close(&files);
    return st;
}

static enum status look_npy(const char *path, FILE *out, struct report *rep)
{
    struct array *a;
    char shape[200], shown[SHOWN];
    enum status st = array_npy(&a, path, "", rep);
    if (st != ST_OK) return st;
    array_shape(a, shape, sizeof shape);
    fprintf(out, "%s is %s\n", printable(path, SHOWN, shown), shape);
    a->drop(a);
    return ST_OK;
}

static bool ends_with(const char *text, const char *end)
{
    size_t n = strlen(text), m = strlen(end);
    return n >= m && strcmp(text + n - m, end) == 0;
}

enum status intake_look(const struct description *d, const char *path, FILE *out,
                        struct report *rep)
{
    int kind = d->v[IN_source_kind].choice;
    struct stat facts;
    bool folder = stat(path, &facts) == 0 && S_ISDIR(facts.st_mode);
    if (kind == SOURCE_HDF5 || (kind < 0 && !folder && H5Fis_hdf5(path) > 0))
        return look_hdf5(path, out, rep);
    if ((kind == SOURCE_NPY || kind < 0) && !folder && ends_with(path, ".npy"))
        return look_npy(path, out, rep);
    if (kind == SOURCE_RAW || kind == SOURCE_NPY || ends_with(path, ".npz")) return ST_OK;
    return look_text(d, path, out, rep);
}
