#include "volume/skeleton.h"
#include "volume/put.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_VIEWS = 3 * SEG_COUNT };

struct skeleton {
    hid_t file;
    size_t n;
    struct {
        char name[64];
        struct view *view;
    } array[MOST_VIEWS];
};

static enum status no_room(const char *name, struct report *rep)
{
    return fail(rep, ST_MEMORY, "%s: cannot be kept in memory", name);
}

enum status skeleton_new(struct skeleton **out, struct report *rep)
{
    static const size_t grow = (size_t)1 << 20;
    struct skeleton *sk = calloc(1, sizeof *sk);
    char name[48];
    H5Eset_auto2(H5E_DEFAULT, NULL, NULL);
    *out = NULL;
    if (!sk) return no_room("the layout", rep);
    /* files in memory are told apart by their names; nothing of that name is made on disk */
    snprintf(name, sizeof name, "skeleton-%p", (void *)sk);
    hid_t how = H5Pcreate(H5P_FILE_ACCESS);
    sk->file = H5I_INVALID_HID;
    if (how >= 0 && H5Pset_fapl_core(how, grow, false) >= 0)
        sk->file = H5Fcreate(name, H5F_ACC_TRUNC, H5P_DEFAULT, how);
    if (how >= 0) H5Pclose(how);
    if (sk->file < 0 || !put_text(sk->file, "layout", "cantle-volume-1")) {
        skeleton_free(&sk);
        return no_room("the layout", rep);
    }
    *out = sk;
    return ST_OK;
}

void skeleton_free(struct skeleton **sk)
{
    struct skeleton *old = *sk;
    *sk = NULL;
    if (!old) return;
    for (size_t i = 0; i < old->n; i++)
        old->array[i].view->drop(old->array[i].view);
    if (old->file >= 0) H5Fclose(old->file);
    free(old);
}

hid_t skeleton_file(struct skeleton *sk)
{
    return sk->file;
}

struct view *skeleton_view(struct skeleton *sk, const char *name)
{
    for (size_t i = 0; sk && i < sk->n; i++)
        if (strcmp(sk->array[i].name, name) == 0) return sk->array[i].view;
    return NULL;
}

enum status skeleton_samples(struct skeleton *sk, const char *name, int rank, const size_t *dims,
                             enum number type, struct view *view, struct report *rep)
{
    hsize_t size[4], chunk[4] = {1, 1, 1, 1};
    if (sk->n == MOST_VIEWS) {
        view->drop(view);
        return fail(rep, ST_BUG, "%s: one array too many", name);
    }
    snprintf(sk->array[sk->n].name, sizeof sk->array[sk->n].name, "%s", name);
    sk->array[sk->n++].view = view;
    for (int i = 0; i < rank; i++)
        size[i] = dims[i];
    /* chunks that are never written take no memory */
    hid_t how = H5Pcreate(H5P_DATASET_CREATE), set = H5I_INVALID_HID;
    if (how >= 0 && H5Pset_chunk(how, rank, chunk) >= 0)
        set = put_dataset(sk->file, name, number_memory(type), rank, size, how);
    if (how >= 0) H5Pclose(how);
    if (set < 0) return no_room(name, rep);
    H5Dclose(set);
    return ST_OK;
}

enum status skeleton_numbers(struct skeleton *sk, const char *name, int rank, const size_t *dims,
                             const double *values, const char *unit, double u, struct report *rep)
{
    hsize_t size[4];
    for (int i = 0; i < rank; i++)
        size[i] = dims[i];
    if (unit)
        return put_values(sk->file, name, rank, size, values, unit, u) ? ST_OK : no_room(name, rep);
    hid_t set = put_dataset(sk->file, name, H5T_STD_I64LE, rank, size, H5P_DEFAULT);
    bool good = set >= 0 &&
                H5Dwrite(set, H5T_NATIVE_DOUBLE, H5S_ALL, H5S_ALL, H5P_DEFAULT, values) >= 0;
    if (set >= 0) H5Dclose(set);
    return good ? ST_OK : no_room(name, rep);
}

enum status skeleton_text(struct skeleton *sk, const char *name, const char *attribute,
                          const char *text, struct report *rep)
{
    hid_t object = H5Oopen(sk->file, name, H5P_DEFAULT);
    bool good = object >= 0 && put_text(object, attribute, text);
    if (object >= 0) H5Oclose(object);
    return good ? ST_OK : no_room(name, rep);
}

enum status skeleton_spring_notes(struct skeleton *sk, const struct lever *lever,
                                  struct report *rep)
{
    static const char name[] = "/calibration/spring_constant";
    if (H5Lexists(sk->file, "/calibration", H5P_DEFAULT) <= 0 ||
        H5Lexists(sk->file, name, H5P_DEFAULT) <= 0)
        return ST_OK;
    hid_t object = H5Oopen(sk->file, name, H5P_DEFAULT);
    bool good = object >= 0 && put_spring_notes(object, lever);
    if (object >= 0) H5Oclose(object);
    return good ? ST_OK : no_room(name, rep);
}

enum status skeleton_number(struct skeleton *sk, const char *name, const char *attribute,
                            double value, struct report *rep)
{
    hid_t object = H5Oopen(sk->file, name, H5P_DEFAULT);
    bool good = object >= 0 && put_number(object, attribute, value);
    if (object >= 0) H5Oclose(object);
    return good ? ST_OK : no_room(name, rep);
}
