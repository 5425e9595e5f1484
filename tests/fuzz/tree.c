/* A good file, changed through HDF5's own functions: what comes out is a valid HDF5 file that says
 * strange things. All that HDF5 refuses to make is simply not made. */
#include "fuzz.h"

#include <hdf5.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_NAMES = 160, NAME = 96 };

struct tree {
    const uint8_t *seed; /**< the names are its */
    hid_t file;
    char name[MOST_NAMES][NAME];
    unsigned n;
    struct dice *dice;
};

/* Objects that a seed may lack. */
static const char *const more_names[] = {
    "/approach/length", "/approach/lateral", "/approach/z_start",         "/approach/z_step",
    "/dwell/signal",    "/dwell/z",          "/approach/sample_interval", "/retract/length",
    "/grid/present",    "/grid/z_offset",    "/grid/thickness",           "/grid/x",
    "/grid/y",          "/grid/pixel_size_x"};

static const char *const attribute_names[] = {"units",       "stage",
                                              "direction",   "repulsion",
                                              "layout",      "title",
                                              "_FillValue",  "scale_factor",
                                              "add_offset",  "missing_value",
                                              "valid_min",   "valid_max",
                                              "valid_range", "standard_uncertainty",
                                              "origin",      "long_name"};

static const char *const texts[] = {"",
                                    "m",
                                    "V",
                                    "nm/V",
                                    "N/m",
                                    "1",
                                    "degree",
                                    "kPa",
                                    "detector",
                                    "quadrants",
                                    "deflection",
                                    "force",
                                    "positive",
                                    "negative",
                                    "toward_sample",
                                    "away_from_sample",
                                    "cantle-volume-1",
                                    "cantle-maps-1",
                                    "lg(re 1 V)",
                                    "1e400 m",
                                    "0 m",
                                    "degree_C",
                                    "m @ 1e308",
                                    "\x1b]0;title\x07\x1b[31m",
                                    "'; system \"touch EVIL\" # `touch EVIL` $(touch EVIL)",
                                    "%s%n%999999d",
                                    "\xff\xfe\xc2\x9b",
                                    "a\nb\rc\td"};

static unsigned pick(struct tree *t, unsigned n)
{
    return dice_below(t->dice, n);
}

static const char *pick_name(struct tree *t)
{
    return t->name[pick(t, t->n)];
}

static const char *pick_attribute(struct tree *t)
{
    return attribute_names[pick(t, sizeof attribute_names / sizeof *attribute_names)];
}

static const char *pick_text(struct tree *t)
{
    return texts[pick(t, sizeof texts / sizeof *texts)];
}

static double pick_number(struct tree *t)
{
    static const double numbers[] = {0,     1,    -1,   2,     0.5,    1e-9, 1e-300, 1e300, 1e-310,
                                     1e308, -0.0, 40,   65535, -32768, 1e20, 3e9,    -1e-9, 63,
                                     64,    65,   1e15, -1e15, 1e38,   4e38, 9.3e18, 1.9e19};
    unsigned i = pick(t, 32);
    const unsigned n = sizeof numbers / sizeof *numbers;
    return i < n ? numbers[i] : i == n ? NAN : i == n + 1 ? INFINITY : i == n + 2 ? -INFINITY : 7;
}

/* --- types --- */

static hid_t compound_type(void)
{
    hid_t type = H5Tcreate(H5T_COMPOUND, 16);
    H5Tinsert(type, "r", 0, H5T_NATIVE_DOUBLE);
    H5Tinsert(type, "i", 8, H5T_NATIVE_DOUBLE);
    return type;
}

static hid_t text_type(size_t size, H5T_str_t pad, H5T_cset_t set)
{
    hid_t type = H5Tcopy(H5T_C_S1);
    H5Tset_size(type, size);
    H5Tset_strpad(type, pad);
    H5Tset_cset(type, set);
    return type;
}

static hid_t odd_float(size_t size, size_t mantissa, size_t exponent)
{
    hid_t type = H5Tcopy(H5T_IEEE_F64LE);
    H5Tset_fields(type, mantissa + exponent, mantissa, exponent, 0, mantissa);
    H5Tset_size(type, size);
    return type;
}

static hid_t odd_integer(struct tree *t)
{
    hid_t type = H5Tcopy(H5T_STD_I32LE);
    H5Tset_precision(type, 1 + pick(t, 32));
    H5Tset_offset(type, pick(t, 16));
    return type;
}

static hid_t enum_type(void)
{
    signed char value = 0;
    hid_t type = H5Tenum_create(H5T_NATIVE_SCHAR);
    H5Tenum_insert(type, "FALSE", &value);
    value = 1;
    H5Tenum_insert(type, "TRUE", &value);
    return type;
}

static hid_t made_type(struct tree *t, unsigned i)
{
    const hsize_t three[1] = {3};
    switch (i) {
    case 0:
        return text_type(1 + pick(t, 64), H5T_STR_NULLTERM, H5T_CSET_ASCII);
    case 1:
        return text_type(1 + pick(t, 64), H5T_STR_SPACEPAD, H5T_CSET_UTF8);
    case 2:
        return text_type(H5T_VARIABLE, H5T_STR_NULLTERM, H5T_CSET_UTF8);
    case 3:
        return text_type((size_t)1 << (20 + pick(t, 12)), H5T_STR_NULLPAD, H5T_CSET_ASCII);
    case 4:
        return compound_type();
    case 5:
        return H5Tarray_create2(H5T_NATIVE_DOUBLE, 1, three);
    case 6:
        return H5Tvlen_create(H5T_NATIVE_DOUBLE);
    case 7:
        return H5Tcreate(H5T_OPAQUE, 1 + pick(t, 16));
    case 8:
        return enum_type();
    case 9:
        return odd_float(4, 10, 5);
    case 10:
        return odd_float(8, 23, 8);
    case 11:
        return odd_float(2, 10, 5);
    default:
        return odd_integer(t);
    }
}

/* Half of the time the usual, so that what comes after it is reached. */
static hid_t pick_type(struct tree *t)
{
    const hid_t standard[] = {
        H5T_IEEE_F32LE,      H5T_STD_I16LE,  H5T_IEEE_F64LE, H5T_STD_U8LE,      H5T_STD_I8LE,
        H5T_STD_I32LE,       H5T_STD_U16LE,  H5T_STD_U32LE,  H5T_STD_I64LE,     H5T_STD_U64LE,
        H5T_IEEE_F32BE,      H5T_IEEE_F64BE, H5T_STD_I16BE,  H5T_STD_I32BE,     H5T_STD_REF_OBJ,
        H5T_STD_REF_DSETREG, H5T_STD_B8LE,   H5T_UNIX_D32LE, H5T_NATIVE_LDOUBLE};
    const unsigned n = sizeof standard / sizeof *standard;
    unsigned i = pick(t, 2 * n);
    if (i < n) return H5Tcopy(standard[i]);
    return i - n < 13 ? made_type(t, i - n) : H5Tcopy(standard[0]);
}

/* --- spaces --- */

/* `like`: dims of what was there before, rank `rank`; they are kept half of the time. */
static hid_t pick_space(struct tree *t, const hsize_t *like, int rank)
{
    static const hsize_t sizes[] = {1,
                                    0,
                                    2,
                                    3,
                                    4,
                                    5,
                                    12,
                                    31,
                                    32,
                                    33,
                                    64,
                                    128,
                                    1024,
                                    65536,
                                    (hsize_t)1 << 20,
                                    ((hsize_t)1 << 20) + 1,
                                    (hsize_t)1 << 25,
                                    (hsize_t)1 << 31,
                                    (hsize_t)1 << 32,
                                    (hsize_t)1 << 40,
                                    (hsize_t)1 << 62,
                                    ~(hsize_t)1};
    hsize_t dims[H5S_MAX_RANK], most[H5S_MAX_RANK];
    unsigned how = pick(t, 8);
    if (how < 4 && rank >= 0)
        return rank ? H5Screate_simple(rank, like, NULL) : H5Screate(H5S_SCALAR);
    if (how == 4) return H5Screate(H5S_SCALAR);
    if (how == 5 && pick(t, 4) == 0) return H5Screate(H5S_NULL);
    int n = how == 6 ? 1 + (int)pick(t, H5S_MAX_RANK) : rank > 0 ? rank : 1 + (int)pick(t, 5);
    for (int i = 0; i < n; i++) {
        dims[i] = i < rank && how != 6 && pick(t, 2) ? like[i]
                                                     : sizes[pick(t, sizeof sizes / sizeof *sizes)];
        most[i] = pick(t, 4) ? dims[i] : H5S_UNLIMITED;
    }
    return H5Screate_simple(n, dims, most);
}

/* --- layouts --- */

static void pick_filters(struct tree *t, hid_t plist)
{
    unsigned n = pick(t, 4);
    for (unsigned i = 0; i < n; i++) {
        const unsigned value[1] = {7};
        switch (pick(t, 7)) {
        case 0:
        case 1:
            H5Pset_deflate(plist, 1 + pick(t, 9));
            break;
        case 2:
            H5Pset_shuffle(plist);
            break;
        case 3:
            H5Pset_fletcher32(plist);
            break;
        case 4:
            H5Pset_nbit(plist);
            break;
        case 5:
            H5Pset_scaleoffset(plist, H5Z_SO_INT, 2);
            break;
        default:
            H5Pset_filter(plist, 300, H5Z_FLAG_OPTIONAL, 1, value);
        }
    }
}

static void pick_chunks(struct tree *t, hid_t plist, hid_t space)
{
    hsize_t dims[H5S_MAX_RANK], chunk[H5S_MAX_RANK];
    int rank = H5Sget_simple_extent_dims(space, dims, NULL);
    for (int i = 0; i < rank; i++) {
        unsigned how = pick(t, 6);
        chunk[i] = how == 0   ? 1
                   : how == 1 ? 2
                   : how == 2 ? (hsize_t)1 << pick(t, 32)
                   : how == 3 ? dims[i] / 2 + 1
                              : dims[i];
        if (chunk[i] == 0) chunk[i] = 1;
    }
    if (rank > 0 && H5Pset_chunk(plist, rank, chunk) >= 0) pick_filters(t, plist);
}

static void set_virtual(struct tree *t, hid_t plist, hid_t space)
{
    const char *where = pick(t, 2) ? "." : "/nonexistent/%b.h5";
    H5Pset_virtual(plist, space, where, pick_name(t), space);
}

static hid_t pick_layout(struct tree *t, hid_t space)
{
    hid_t plist = H5Pcreate(H5P_DATASET_CREATE);
    double fill = NAN;
    switch (pick(t, 8)) {
    case 0:
    case 1:
        H5Pset_layout(plist, H5D_COMPACT);
        break;
    case 2:
    case 3:
    case 4:
        pick_chunks(t, plist, space);
        break;
    case 5:
        if (pick(t, 2))
            H5Pset_external(plist, "/etc/hostname", 0, H5F_UNLIMITED);
        else
            set_virtual(t, plist, space);
        break;
    default:
        break;
    }
    if (pick(t, 4) == 0) H5Pset_fill_value(plist, H5T_NATIVE_DOUBLE, &fill);
    return plist;
}

/* --- changes --- */

static void put_numbers(struct tree *t, hid_t set, hid_t space)
{
    enum { MOST = 8192 };
    static double values[MOST];
    hssize_t n = H5Sget_simple_extent_npoints(space);
    if (n <= 0 || n > MOST) return;
    double start = pick_number(t), step = pick_number(t);
    unsigned spoiled = pick(t, 4);
    for (hssize_t i = 0; i < n; i++)
        values[i] = start + step * (double)i;
    for (unsigned i = 0; i < spoiled; i++)
        values[(dice_byte(t->dice) * 256 + dice_byte(t->dice)) % (unsigned)n] = pick_number(t);
    H5Dwrite(set, H5T_NATIVE_DOUBLE, H5S_ALL, H5S_ALL, H5P_DEFAULT, values);
}

static void put_text(struct tree *t, hid_t set, hid_t type)
{
    const char *text = pick_text(t);
    hid_t memory = H5Tcopy(type);
    if (H5Tis_variable_str(type) > 0) {
        H5Dwrite(set, memory, H5S_ALL, H5S_ALL, H5P_DEFAULT, &text);
    } else if (H5Tget_size(type) <= 256) {
        char buffer[256];
        memset(buffer, 'x', sizeof buffer); /* no end, where the text is longer */
        memcpy(buffer, text, strlen(text) + (pick(t, 2) != 0));
        H5Dwrite(set, memory, H5S_ALL, H5S_ALL, H5P_DEFAULT, buffer);
    }
    H5Tclose(memory);
}

static herr_t copy_one(hid_t from, const char *name, const H5A_info_t *info, void *to_id)
{
    (void)info;
    hid_t to = *(hid_t *)to_id, old = H5Aopen(from, name, H5P_DEFAULT);
    hid_t type = H5Aget_type(old), space = H5Aget_space(old);
    hsize_t n = (hsize_t)H5Sget_simple_extent_npoints(space);
    void *data = calloc((size_t)n + 1, H5Tget_size(type) + 1);
    hid_t made = H5Acreate2(to, name, type, space, H5P_DEFAULT, H5P_DEFAULT);
    if (data && made >= 0 && H5Aread(old, type, data) >= 0) {
        H5Awrite(made, type, data);
        H5Dvlen_reclaim(type, space, H5P_DEFAULT, data);
    }
    free(data);
    if (made >= 0) H5Aclose(made);
    H5Sclose(space), H5Tclose(type), H5Aclose(old);
    return 0;
}

static hid_t open_any(struct tree *t, const char *name)
{
    return H5Lexists(t->file, name, H5P_DEFAULT) > 0 || strcmp(name, "/") == 0
               ? H5Oopen(t->file, name, H5P_DEFAULT)
               : H5I_INVALID_HID;
}

static void drop(struct tree *t, const char *name)
{
    if (H5Lexists(t->file, name, H5P_DEFAULT) > 0) H5Ldelete(t->file, name, H5P_DEFAULT);
}

/* HDF5 1.10.8 dies when it writes these: nbit of types that it does not know, and a virtual dataset
 * that is made of itself; and it makes room for a whole chunk, however large. */
static bool writes_badly(hid_t plist)
{
    hsize_t chunk[H5S_MAX_RANK];
    double numbers = 1;
    bool there = H5Pget_layout(plist) == H5D_VIRTUAL;
    for (int i = H5Pget_layout(plist) == H5D_CHUNKED ? H5Pget_chunk(plist, H5S_MAX_RANK, chunk) : 0;
         i-- > 0;)
        numbers *= (double)chunk[i];
    there = there || numbers > 1 << 24;
    for (int i = 0; i < H5Pget_nfilters(plist); i++) {
        size_t n = 0;
        H5Z_filter_t id = H5Pget_filter2(plist, (unsigned)i, NULL, &n, NULL, 0, NULL, NULL);
        there = there || id == H5Z_FILTER_NBIT || id == H5Z_FILTER_SCALEOFFSET;
    }
    return there;
}

/* Another dataset in the place of this one, with its attributes or without. */
static void replace(struct tree *t, const char *name)
{
    hsize_t dims[H5S_MAX_RANK] = {4, 3, 64};
    int rank = 3;
    hid_t old = open_any(t, name), made = H5I_INVALID_HID;
    if (old >= 0 && H5Iget_type(old) == H5I_DATASET) {
        hid_t was = H5Dget_space(old);
        rank = H5Sget_simple_extent_dims(was, dims, NULL);
        H5Sclose(was);
    }
    drop(t, name);
    hid_t type = pick_type(t), space = pick_space(t, dims, rank), plist = pick_layout(t, space);
    hid_t links = H5Pcreate(H5P_LINK_CREATE);
    H5Pset_create_intermediate_group(links, 1);
    if (type >= 0 && space >= 0 && plist >= 0)
        made = H5Dcreate2(t->file, name, type, space, links, plist, H5P_DEFAULT);
    if (made >= 0 && pick(t, 8) && !writes_badly(plist)) {
        if (H5Tget_class(type) == H5T_STRING && H5Sget_simple_extent_npoints(space) == 1)
            put_text(t, made, type);
        else if (H5Tget_class(type) == H5T_INTEGER || H5Tget_class(type) == H5T_FLOAT)
            put_numbers(t, made, space);
    }
    if (made >= 0 && old >= 0 && pick(t, 8))
        H5Aiterate2(old, H5_INDEX_NAME, H5_ITER_INC, NULL, copy_one, &made);
    if (made >= 0) H5Dclose(made);
    if (old >= 0) H5Oclose(old);
    if (type >= 0) H5Tclose(type);
    if (space >= 0) H5Sclose(space);
    H5Pclose(plist), H5Pclose(links);
}

static void rewrite(struct tree *t, const char *name)
{
    hid_t set = open_any(t, name);
    if (set >= 0 && H5Iget_type(set) == H5I_DATASET) {
        hid_t space = H5Dget_space(set), type = H5Dget_type(set);
        hid_t plist = H5Dget_create_plist(set);
        H5T_class_t class = writes_badly(plist) ? H5T_NO_CLASS : H5Tget_class(type);
        H5Pclose(plist);
        if (class == H5T_STRING && H5Sget_simple_extent_npoints(space) == 1) put_text(t, set, type);
        if (class == H5T_INTEGER || class == H5T_FLOAT) put_numbers(t, set, space);
        H5Sclose(space), H5Tclose(type);
    }
    if (set >= 0) H5Oclose(set);
}

static void write_attribute(struct tree *t, hid_t made, hid_t type, hid_t space)
{
    H5T_class_t class = H5Tget_class(type);
    double values[16];
    const char *text = pick_text(t);
    if (H5Sget_simple_extent_npoints(space) > 16) return;
    for (int i = 0; i < 16; i++)
        values[i] = pick_number(t);
    if (class == H5T_INTEGER || class == H5T_FLOAT) H5Awrite(made, H5T_NATIVE_DOUBLE, values);
    if (class != H5T_STRING || H5Sget_simple_extent_npoints(space) != 1) return;
    if (H5Tis_variable_str(type) > 0) H5Awrite(made, type, &text);
    if (H5Tis_variable_str(type) == 0 && H5Tget_size(type) <= 256) {
        char buffer[256];
        memset(buffer, 'y', sizeof buffer);
        memcpy(buffer, text, strlen(text) + (pick(t, 2) != 0));
        H5Awrite(made, type, buffer);
    }
}

static void set_attribute(struct tree *t, const char *object, const char *name)
{
    hid_t at = open_any(t, object);
    if (at < 0) return;
    if (H5Aexists(at, name) > 0) H5Adelete(at, name);
    unsigned how = pick(t, 8);
    hid_t type = how == 0   ? H5I_INVALID_HID
                 : how < 4  ? text_type(64, H5T_STR_NULLTERM, H5T_CSET_UTF8)
                 : how == 4 ? text_type(H5T_VARIABLE, H5T_STR_NULLTERM, H5T_CSET_UTF8)
                 : how == 5 ? H5Tcopy(H5T_IEEE_F64LE)
                            : pick_type(t);
    hid_t space = how < 6 ? H5Screate(H5S_SCALAR) : pick_space(t, NULL, -1);
    hid_t made = type < 0 || space < 0
                     ? H5I_INVALID_HID
                     : H5Acreate2(at, name, type, space, H5P_DEFAULT, H5P_DEFAULT);
    if (made >= 0) write_attribute(t, made, type, space);
    if (made >= 0) H5Aclose(made);
    if (type >= 0) H5Tclose(type);
    if (space >= 0) H5Sclose(space);
    H5Oclose(at);
}

static void relink(struct tree *t, const char *name)
{
    const char *other = pick_name(t);
    char group[NAME];
    snprintf(group, sizeof group, "%s", name);
    *(strrchr(group, '/') == group ? group + 1 : strrchr(group, '/')) = 0;
    drop(t, name);
    switch (pick(t, 8)) {
    case 0:
        H5Lcreate_soft(other, t->file, name, H5P_DEFAULT, H5P_DEFAULT);
        break;
    case 1: /* to itself */
        H5Lcreate_soft(name, t->file, name, H5P_DEFAULT, H5P_DEFAULT);
        break;
    case 2: /* a circle of groups */
        H5Lcreate_hard(t->file, group, t->file, name, H5P_DEFAULT, H5P_DEFAULT);
        break;
    case 3:
        H5Lcreate_external("/etc/hostname", "/", t->file, name, H5P_DEFAULT, H5P_DEFAULT);
        break;
    case 4:
        H5Lcreate_external("self", other, t->file, name, H5P_DEFAULT, H5P_DEFAULT);
        break;
    case 5: /* a kind of link that nobody knows */
        H5Lcreate_ud(t->file, name, (H5L_type_t)(65 + pick(t, 100)), "x", 1, H5P_DEFAULT,
                     H5P_DEFAULT);
        break;
    case 6:
        H5Lcreate_hard(t->file, other, t->file, name, H5P_DEFAULT, H5P_DEFAULT);
        break;
    default:
        H5Lcreate_soft("/nowhere/at/all", t->file, name, H5P_DEFAULT, H5P_DEFAULT);
    }
}

static void commit_type(struct tree *t, const char *name)
{
    hid_t type = pick_type(t);
    drop(t, name);
    if (type >= 0) H5Tcommit2(t->file, name, type, H5P_DEFAULT, H5P_DEFAULT, H5P_DEFAULT);
    if (type >= 0) H5Tclose(type);
}

static void make_group(struct tree *t, const char *name)
{
    drop(t, name);
    hid_t made = H5Gcreate2(t->file, name, H5P_DEFAULT, H5P_DEFAULT, H5P_DEFAULT);
    if (made >= 0) H5Gclose(made);
}

static void change(struct tree *t)
{
    unsigned how = pick(t, 16);
    const char *name = pick_name(t);
    if (how < 5)
        replace(t, name);
    else if (how < 8)
        rewrite(t, name);
    else if (how < 11)
        set_attribute(t, name, pick_attribute(t));
    else if (how < 13)
        relink(t, name);
    else if (how == 13)
        drop(t, name);
    else if (how == 14 && pick(t, 2))
        commit_type(t, name);
    else if (how == 14)
        make_group(t, name);
    else
        set_attribute(t, "/", pick(t, 4) ? "title" : "layout");
}

static herr_t add_name(hid_t file, const char *name, const H5O_info_t *info, void *data)
{
    struct tree *t = data;
    (void)file, (void)info;
    if (strcmp(name, ".") != 0 && t->n < MOST_NAMES && strlen(name) < NAME - 1)
        snprintf(t->name[t->n++], NAME, "/%.*s", NAME - 2, name);
    return 0;
}

static void find_names(struct tree *t, bool volume)
{
    H5Ovisit(t->file, H5_INDEX_NAME, H5_ITER_INC, add_name, t);
    for (size_t i = 0; volume && i < sizeof more_names / sizeof *more_names; i++)
        if (t->n < MOST_NAMES) snprintf(t->name[t->n++], NAME, "%s", more_names[i]);
}

const char *fuzz_tree(const char *prefix, struct dice *d)
{
    static struct tree trees[8]; /* one a seed: looking for names takes longer than all else */
    size_t size;
    const uint8_t *seed = fuzz_seed(prefix, dice_byte(d), &size);
    const char *path = fuzz_file(seed, size);
    H5Eset_auto2(H5E_DEFAULT, NULL, NULL);
    struct tree *t = trees;
    while (t->seed && t->seed != seed && t < trees + 7)
        t++;
    t->dice = d;
    t->file = H5Fopen(path, H5F_ACC_RDWR, H5P_DEFAULT);
    if (t->file < 0) fuzz_wrong("a seed cannot be opened");
    if (t->seed != seed) {
        t->n = 0;
        find_names(t, strcmp(prefix, "volume") == 0);
    }
    t->seed = seed;
    unsigned n = 1 + dice_below(d, 6);
    for (unsigned i = 0; i < n && d->at < d->end; i++)
        change(t);
    H5Fclose(t->file);
    fuzz_check_closed();
    return path;
}
