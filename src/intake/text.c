/* Text: all files of curves are read once; their numbers go to temporary files, from which they are
 * then read as arrays of curves of different lengths. */
#include "base/progress.h"
#include "intake/build.h"
#include "intake/spool.h"
#include "intake/text_rows.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

struct curve_files {
    struct text_numbers *numbers;
    size_t n, room;
    char **name;                                    /* [n] */
    double *number;                                 /* [n, count of numbers] */
    size_t *starts[SEG_COUNT], *lengths[SEG_COUNT]; /* [n] */
    size_t filled[SEG_COUNT];                       /* samples in the spool */
    FILE *spool[SEG_COUNT][LEAF_COUNT];
    int fd[SEG_COUNT][LEAF_COUNT]; /* the same files, for reading */
};

static struct curve_files *files_new(void)
{
    struct curve_files *f = calloc(1, sizeof *f);
    for (int i = 0; f && i < SEG_COUNT * LEAF_COUNT; i++)
        f->fd[i / LEAF_COUNT][i % LEAF_COUNT] = -1;
    return f;
}

void curve_files_free(struct curve_files **f)
{
    struct curve_files *old = *f;
    *f = NULL;
    if (!old) return;
    for (size_t i = 0; i < old->n; i++)
        free(old->name[i]);
    for (int id = 0; id < SEG_COUNT; id++) {
        for (int leaf = 0; leaf < LEAF_COUNT; leaf++) {
            if (old->spool[id][leaf]) fclose(old->spool[id][leaf]);
            if (old->fd[id][leaf] >= 0) close(old->fd[id][leaf]);
        }
        free(old->starts[id]);
        free(old->lengths[id]);
    }
    text_numbers_free(&old->numbers);
    free(old->name);
    free(old->number);
    free(old);
}

/* --- reading --- */

static enum status open_spools(struct curve_files *f, const struct description *d,
                               struct report *rep)
{
    for (int id = 0; id < SEG_COUNT; id++)
        for (int leaf = 0; leaf < LEAF_COUNT; leaf++) {
            enum segment_id seg = (enum segment_id)id;
            if (!text_has_segment(d, seg) || !d->v[text_leaf_key(d, seg, leaf)].set) continue;
            /* start and step are no column */
            if (d->v[text_leaf_key(d, seg, leaf)].place.kind != PLACE_column && leaf == LEAF_Z)
                continue;
            enum status st = spool_open(&f->fd[id][leaf], rep);
            if (st != ST_OK) return st;
            int other = dup(f->fd[id][leaf]);
            f->spool[id][leaf] = other >= 0 ? fdopen(other, "wb") : NULL;
            if (!f->spool[id][leaf]) {
                if (other >= 0) close(other);
                return fail(rep, ST_OUTPUT, "a temporary file cannot be opened: %s",
                            strerror(errno));
            }
        }
    return ST_OK;
}

static bool grow(void **array, size_t room, size_t size)
{
    void *more = realloc(*array, room * size);
    if (more) *array = more;
    return more != NULL;
}

static enum status make_room(struct curve_files *f, struct report *rep)
{
    if (f->n < f->room) return ST_OK;
    size_t room = f->room ? 2 * f->room : 256, numbers = text_numbers_count(f->numbers);
    bool good = grow((void **)&f->name, room, sizeof *f->name) &&
                grow((void **)&f->number, room * (numbers + 1), sizeof *f->number);
    for (int id = 0; id < SEG_COUNT && good; id++)
        good = grow((void **)&f->starts[id], room, sizeof(size_t)) &&
               grow((void **)&f->lengths[id], room, sizeof(size_t));
    if (!good) return fail(rep, ST_MEMORY, "not enough memory for %zu curves", room);
    f->room = room;
    return ST_OK;
}

static enum status take_columns(struct curve_files *f, const struct text_rows *rows,
                                struct report *rep)
{
    for (int id = 0; id < SEG_COUNT; id++) {
        f->starts[id][f->n] = f->filled[id];
        f->lengths[id][f->n] = 0;
        for (int leaf = 0; leaf < LEAF_COUNT; leaf++) {
            size_t n;
            const double *x = text_rows_column(rows, (enum segment_id)id, leaf, &n);
            if (!f->spool[id][leaf] || !x) continue;
            f->lengths[id][f->n] = n;
            if (fwrite(x, sizeof *x, n, f->spool[id][leaf]) != n)
                return fail(rep, ST_OUTPUT,
                            "a temporary file cannot be written: %s; set TMPDIR to a folder with "
                            "room",
                            strerror(errno));
        }
        f->filled[id] += f->lengths[id][f->n];
    }
    return ST_OK;
}

/* A curve is called as its file, unless each of its segments has one. */
static enum status name_curve(struct curve_files *f, struct text_rows *rows,
                              const struct file_text *file, bool files, struct report *rep)
{
    enum segment_id id;
    if (!files) {
        f->name[f->n] = strdup(file->name);
        return f->name[f->n] ? ST_OK : fail(rep, ST_MEMORY, "not enough memory for a name");
    }
    enum status st = text_rows_file(rows, file->name, &id, &f->name[f->n], rep);
    if (st == ST_OK) text_numbers_of(f->numbers, id);
    return st;
}

static enum status take_file(struct curve_files *f, struct text_rows *rows,
                             const struct file_text *file, bool files, struct report *rep)
{
    size_t numbers = text_numbers_count(f->numbers);
    enum status st = make_room(f, rep);
    if (st != ST_OK) return st;
    if ((st = name_curve(f, rows, file, files, rep)) != ST_OK)
        return within(rep, st, "%s: ", file->name);
    if ((st = text_numbers_begin(f->numbers, file->name, rep)) == ST_OK &&
        (st = text_rows_read(rows, file, f->numbers, rep)) == ST_OK &&
        (st = text_numbers_end(f->numbers, f->number + f->n * numbers, rep)) == ST_OK)
        st = take_columns(f, rows, rep);
    if (st != ST_OK) {
        free(f->name[f->n]);
        return within(rep, st, "%s: ", file->name);
    }
    f->n++;
    return ST_OK;
}

static bool has_files(const struct build *b)
{
    return build_value(b, IN_source_segments)->choice == SEGMENTS_FILES;
}

static enum status read_all(struct build *b, struct curve_files *f, struct report *rep)
{
    struct files *files = NULL;
    struct text_rows *rows = text_rows_new(b->d);
    struct progress clock;
    const struct intake_value *pattern = build_value(b, IN_source_files);
    bool more = true;
    enum status st = rows ? files_open(&files, b->path, pattern->set ? pattern->text : NULL, rep)
                          : fail(rep, ST_MEMORY, "not enough memory to read text");
    if (st == ST_OK) progress_begin(&clock, b->progress, "files", files_count(files));
    while (st == ST_OK && more) {
        struct file_text file;
        st = files_next(files, &file, &more, rep);
        if (st == ST_OK && more) st = take_file(f, rows, &file, has_files(b), rep);
        if (st == ST_OK && files_count(files) >= f->n) progress_show(&clock, f->n);
    }
    if (files) progress_end(&clock);
    if (st == ST_OK && f->n == 0)
        st = fail(rep, ST_INPUT, "%s: has no file that is a curve%s", b->path,
                  pattern->set ? "; does source.files fit the names?" : "");
    for (int i = 0; i < SEG_COUNT * LEAF_COUNT && st == ST_OK; i++) {
        FILE *out = f->spool[i / LEAF_COUNT][i % LEAF_COUNT];
        if (out && fflush(out) != 0)
            st = fail(rep, ST_OUTPUT, "a temporary file cannot be written: %s", strerror(errno));
    }
    files_close(&files);
    text_rows_free(&rows);
    return st;
}

/* --- order of the names: a tar may hold them in any --- */

struct ranked {
    const char *name;
    size_t at;
};

static int by_name(const void *a, const void *b)
{
    return strverscmp(((const struct ranked *)a)->name, ((const struct ranked *)b)->name);
}

static void *reordered(const void *from, const struct ranked *rank, size_t n, size_t size)
{
    char *to = malloc((n + 1) * (size + 1));
    for (size_t i = 0; to && i < n; i++)
        memcpy(to + i * size, (const char *)from + rank[i].at * size, size);
    return to;
}

static enum status sort_by_name(struct curve_files *f, struct report *rep)
{
    struct ranked *rank = malloc((f->n + 1) * sizeof *rank);
    size_t numbers = text_numbers_count(f->numbers) * sizeof(double);
    bool good = rank != NULL;
    for (size_t i = 0; good && i < f->n; i++)
        rank[i] = (struct ranked){f->name[i], i};
    if (good) qsort(rank, f->n, sizeof *rank, by_name);
    void *list[2 + 2 * SEG_COUNT] = {f->name, f->number};
    for (int id = 0; id < SEG_COUNT; id++) {
        list[2 + 2 * id] = f->starts[id];
        list[3 + 2 * id] = f->lengths[id];
    }
    for (int i = 0; i < 2 + 2 * SEG_COUNT && good; i++) {
        void *next = reordered(list[i], rank, f->n,
                               i == 0   ? sizeof *f->name
                               : i == 1 ? numbers
                                        : sizeof(size_t));
        good = next != NULL;
        if (!good) break;
        free(list[i]);
        list[i] = next;
        if (i == 0) f->name = next;
        if (i == 1) f->number = next;
        if (i >= 2 && i % 2 == 0) f->starts[(i - 2) / 2] = next;
        if (i >= 2 && i % 2 == 1) f->lengths[(i - 2) / 2] = next;
    }
    f->room = f->n;
    free(rank);
    return good ? ST_OK : fail(rep, ST_MEMORY, "not enough memory for %zu curves", f->n);
}

/* --- segments in files of their own --- */

/* What the file at `from` has goes to the curve at `to`. A file has at least one sample, of one
 * segment. */
static enum status join_file(struct build *b, struct curve_files *f, size_t to, size_t from,
                             struct report *rep)
{
    size_t numbers = text_numbers_count(f->numbers);
    for (int id = 0; id < SEG_COUNT; id++) {
        if (f->lengths[id][from] == 0) continue;
        if (f->lengths[id][to] > 0)
            return fail(rep, ST_INPUT,
                        "%s: two files are the %s of the curve '%s' (their name without what fits "
                        "in_files)",
                        b->path, intake_segments[id], f->name[from]);
        f->starts[id][to] = f->starts[id][from];
        f->lengths[id][to] = f->lengths[id][from];
    }
    for (size_t k = 0; k < numbers; k++)
        if (isnan(f->number[to * numbers + k]))
            f->number[to * numbers + k] = f->number[from * numbers + k];
    free(f->name[from]);
    f->name[from] = NULL;
    return ST_OK;
}

static void move_file(struct curve_files *f, size_t to, size_t from)
{
    size_t numbers = text_numbers_count(f->numbers);
    if (to == from) return;
    f->name[to] = f->name[from];
    f->name[from] = NULL;
    memcpy(f->number + to * numbers, f->number + from * numbers, numbers * sizeof *f->number);
    for (int id = 0; id < SEG_COUNT; id++) {
        f->starts[id][to] = f->starts[id][from];
        f->lengths[id][to] = f->lengths[id][from];
    }
}

static enum status check_partners(struct build *b, const struct curve_files *f, struct report *rep)
{
    for (size_t i = 0; i < f->n; i++)
        for (int id = 0; id < SEG_COUNT; id++)
            if (text_has_segment(b->d, (enum segment_id)id) && f->lengths[id][i] == 0)
                return fail(rep, ST_INPUT,
                            "%s: the curve '%s' (the name of its files without what fits in_files) "
                            "has no file of the %s; source.files can leave the curve out",
                            b->path, f->name[i], intake_segments[id]);
    return ST_OK;
}

/* Files of one curve follow each other by now. */
static enum status join_files(struct build *b, struct curve_files *f, struct report *rep)
{
    enum status st = ST_OK;
    size_t n = 0;
    for (size_t i = 0; i < f->n && st == ST_OK; i++) {
        if (n > 0 && strcmp(f->name[n - 1], f->name[i]) == 0)
            st = join_file(b, f, n - 1, i, rep);
        else
            move_file(f, n++, i);
    }
    if (st != ST_OK) return st;
    f->n = n;
    return check_partners(b, f, rep);
}

/* --- numbers of each file --- */

enum status curve_files_numbers(struct build *b, enum intake_key key, double **si, size_t *n,
                                struct report *rep)
{
    const struct curve_files *f = b->text;
    size_t count = text_numbers_count(f->numbers);
    int which = text_numbers_find(f->numbers, key);
    *si = NULL;
    if (which < 0)
        return description_at(b->d, key,
                              fail(rep, ST_RECIPE,
                                   "of a text must be a quantity, or stand in a header, a name or "
                                   "a table"),
                              rep);
    *si = malloc((f->n + 1) * sizeof **si);
    if (!*si) return fail(rep, ST_MEMORY, "not enough memory for %zu curves", f->n);
    for (size_t i = 0; i < f->n; i++)
        (*si)[i] = f->number[i * count + (size_t)which];
    *n = f->n;
    return ST_OK;
}

/* --- into the skeleton --- */

static enum status place(struct build *b, struct report *rep)
{
    static const enum intake_key keys[4] = {IN_grid_row, IN_grid_column, IN_grid_x, IN_grid_y};
    double *values[4] = {NULL};
    size_t n;
    enum status st = ST_OK;
    for (int i = 0; i < 4 && st == ST_OK; i++)
        if (build_value(b, keys[i])->set) st = build_numbers(b, keys[i], 0, &values[i], &n, rep);
    struct placement where = {b->text->n, values[0], values[1],
                              values[2],  values[3], (const char *const *)b->text->name};
    if (st == ST_OK) st = pixels_place(b->d, &where, &b->px, rep);
    for (int i = 0; i < 4; i++)
        free(values[i]);
    return st;
}

static struct curve_list *list_of(const struct build *b, enum segment_id id)
{
    const struct curve_files *f = b->text;
    size_t pixels = b->px.ny * b->px.nx, bytes = f->n * sizeof(size_t);
    struct curve_list *list = curve_list_new(b->px.ny, b->px.nx, f->n);
    if (!list) return NULL;
    memcpy(list->at, b->px.list->at, pixels * sizeof *list->at);
    list->starts = malloc(bytes + 1);
    list->lengths = malloc(bytes + 1);
    if (!list->starts || !list->lengths) {
        curve_list_drop(&list);
        return NULL;
    }
    memcpy(list->starts, f->starts[id], bytes);
    memcpy(list->lengths, f->lengths[id], bytes);
    return list;
}

static enum status put_column(struct build *b, enum segment_id id, int leaf, size_t longest,
                              struct curve_list *list, struct report *rep)
{
    static const char *const leaves[LEAF_COUNT] = {"signal", "z", "lateral"};
    static const enum intake_key scales[LEAF_COUNT] = {IN_signal_scale_factor, IN_z_scale_factor,
                                                       IN_source_kind};
    const size_t dims[3] = {b->px.ny, b->px.nx, longest};
    enum intake_key key = text_leaf_key(b->d, id, leaf);
    size_t total = b->text->filled[id];
    struct array *a;
    struct view *view;
    char name[64], unit[64];
    if (b->text->fd[id][leaf] < 0) return ST_OK;
    snprintf(name, sizeof name, "/%s/%s", intake_segments[id], leaves[leaf]);
    enum status st = build_unit(b, key, NULL, unit, rep);
    if (st != ST_OK) return st;
    int fd = dup(b->text->fd[id][leaf]);
    if (fd < 0) return fail(rep, ST_OUTPUT, "a temporary file cannot be read: %s", strerror(errno));
    st = array_bytes(&a, fd, total * sizeof(double), name, NUMBER_float64, false, 0, 1, &total,
                     rep);
    if (st == ST_OK) st = view_ragged(&view, a, list, rep);
    if (st == ST_OK) st = skeleton_samples(b->sk, name, 3, dims, NUMBER_float64, view, rep);
    return st == ST_OK ? build_packing(b, name, scales[leaf], NULL, unit, rep) : st;
}

static enum status put_lengths(struct build *b, enum segment_id id, size_t longest,
                               struct report *rep)
{
    const struct curve_files *f = b->text;
    const size_t dims[2] = {b->px.ny, b->px.nx};
    char name[64];
    double *length = malloc((f->n + 1) * sizeof *length), *all = NULL;
    bool equal = true;
    if (!length) return fail(rep, ST_MEMORY, "not enough memory for %zu curves", f->n);
    for (size_t i = 0; i < f->n; i++) {
        length[i] = (double)f->lengths[id][i];
        equal = equal && f->lengths[id][i] == longest;
    }
    snprintf(name, sizeof name, "/%s/length", intake_segments[id]);
    enum status st = equal ? ST_OK : pixels_spread(&b->px, length, f->n, 0, &all, rep);
    if (st == ST_OK && !equal) st = skeleton_numbers(b->sk, name, 2, dims, all, NULL, NAN, rep);
    free(length);
    free(all);
    return st;
}

static enum status put_segment(struct build *b, enum segment_id id, struct report *rep)
{
    const struct curve_files *f = b->text;
    size_t longest = 0;
    if (!text_has_segment(b->d, id)) return ST_OK;
    for (size_t i = 0; i < f->n; i++)
        if (f->lengths[id][i] > longest) longest = f->lengths[id][i];
    if (longest == 0)
        return id == SEG_APPROACH || build_value(b, intake_key_of(id, IN_approach_signal))->set
                   ? fail(rep, ST_INPUT, "%s: no file has a sample of the %s", b->path,
                          intake_segments[id])
                   : ST_OK;
    struct curve_list *list = list_of(b, id);
    enum status st = list ? ST_OK : fail(rep, ST_MEMORY, "not enough memory for %zu curves", f->n);
    for (int leaf = 0; leaf < LEAF_COUNT && st == ST_OK; leaf++)
        st = put_column(b, id, leaf, longest, list, rep);
    curve_list_drop(&list);
    if (st == ST_OK) st = put_lengths(b, id, longest, rep);
    if (st == ST_OK) st = build_segment_numbers(b, id, true, rep);
    return st == ST_OK ? build_stage(b, id, rep) : st;
}

static enum status check_quadrants(const struct build *b, struct report *rep)
{
    for (int id = 0; id < SEG_COUNT; id++) {
        enum intake_key key = intake_key_of(id, IN_approach_quadrant_b);
        if (build_value(b, key)->set)
            return description_at(
                b->d, key,
                fail(rep, ST_RECIPE,
                     "does not go with text; write the signal (A+B-C-D)/(A+B+C+D) "
                     "into a column, or keep the quadrants as NumPy arrays"),
                rep);
    }
    return ST_OK;
}

enum status build_text(struct build *b, struct report *rep)
{
    enum status st = check_quadrants(b, rep);
    if (st != ST_OK) return st;
    b->text = files_new();
    if (!b->text) return fail(rep, ST_MEMORY, "not enough memory to read text");
    if ((st = text_numbers_new(&b->text->numbers, b->d, rep)) != ST_OK ||
        (st = open_spools(b->text, b->d, rep)) != ST_OK)
        return st;
    st = read_all(b, b->text, rep);
    if (st == ST_OK) st = sort_by_name(b->text, rep);
    if (st == ST_OK && has_files(b)) st = join_files(b, b->text, rep);
    if (st == ST_OK) st = place(b, rep);
    for (int id = 0; id < SEG_COUNT && st == ST_OK; id++)
        st = put_segment(b, (enum segment_id)id, rep);
    return st;
}
