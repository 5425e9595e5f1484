/* cantle simulate: write a force volume with known truth. */
#include "base/units.h"
#include "command/command.h"
#include "simulate/scene.h"

#include <errno.h>
#include <math.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct simulate_options {
    const char *output, *scene;
    bool overwrite, quiet;
    struct scene_options scene_options;
};

enum {
    KEY_scene = 256,
    KEY_columns,
    KEY_rows,
    KEY_samples,
    KEY_seed,
    KEY_noise,
    KEY_storage,
    KEY_type,
    KEY_model,
    KEY_modulus,
    KEY_work,
    KEY_radius,
    KEY_half_angle,
    KEY_face_angle,
    KEY_spring_constant,
    KEY_poisson,
    KEY_peak_force,
    KEY_tip_change,
    KEY_tip_radius,
    KEY_tip_adhesion,
    KEY_tip_height
};

static const struct argp_option option_rows[] = {
    {NULL, 0, NULL, 0, "The file:", 1},
    {"output", 'o', "FILE", 0, "volume to write (HDF5); needed", 1},
    {"overwrite", 'f', NULL, 0, "replace FILE if it exists, once the new one is complete", 1},
    {"quiet", 'q', NULL, 0, "do not tell what was written", 1},
    {"type", KEY_type, "int16|float32|float64", 0,
     "samples as int16, float32 or float64 (blend int16, uniform float64, the others float32)", 1},
    {"storage", KEY_storage, "contiguous|chunked|deflate", 0,
     "contiguous (default), chunked or deflate", 1},
    {NULL, 0, NULL, 0, "The scan:", 2},
    {"scene", KEY_scene, "blend|gel|uniform|film|cell_layer", 0,
     "blend (default), gel, uniform, film or cell_layer, see below", 2},
    {"columns", KEY_columns, "N", 0,
     "pixels in a row (blend 128, gel and cell_layer 48, others 32)", 2},
    {"rows", KEY_rows, "N", 0, "rows (default: as many as columns)", 2},
    {"samples", KEY_samples, "N", 0,
     "samples of approach and of retract, at least 32 (gel and film 1024, cell_layer 600, others "
     "512)",
     2},
    {"seed", KEY_seed, "N", 0, "another seed is another sample and other noise (default 1)", 2},
    {"noise", KEY_noise, "LENGTH", 0,
     "rms noise of the deflection (blend and film 0.03 nm, gel 0.1 nm, uniform 0.05 nm, cell_layer "
     "0.3 nm)",
     2},
    {NULL, 0, NULL, 0, "Sample and tip, for --scene uniform only:", 3},
    {"model", KEY_model, "MODEL", 0,
     "contact model (default paraboloid); an adhesive one makes the retract, the approach is then "
     "a "
     "paraboloid's",
     3},
    {"modulus", KEY_modulus, "PRESSURE", 0, "Young's modulus (default 2 MPa)", 3},
    {"work", KEY_work, "WORK", 0, "work of adhesion, for adhesive models (default 2 mJ/m2)", 3},
    {"radius", KEY_radius, "LENGTH", 0, "tip radius (default 100 nm)", 3},
    {"half-angle", KEY_half_angle, "ANGLE", 0, "cone: from axis to side (default 25 degree)", 3},
    {"face-angle", KEY_face_angle, "ANGLE", 0,
     "pyramid: from axis to the middle of a face (default 25 degree)", 3},
    {"spring-constant", KEY_spring_constant, "STIFFNESS", 0, "of the lever (default 0.5 N/m)", 3},
    {"poisson", KEY_poisson, "NUMBER", 0, "Poisson's ratio of the sample (default 0.5)", 3},
    {"peak-force", KEY_peak_force, "FORCE", 0, "force at which the approach ends (default 2 nN)",
     3},
    {NULL, 0, NULL, 0, "A tip that changes while it scans, for any scene:", 4},
    {"tip-change", KEY_tip_change, "ROW", 0, "another tip from this row on", 4},
    {"tip-radius", KEY_tip_radius, "FACTOR", 0, "its radius over that before (default 1.5)", 4},
    {"tip-adhesion", KEY_tip_adhesion, "FACTOR", 0, "work of adhesion over that before (default 1)",
     4},
    {"tip-height", KEY_tip_height, "LENGTH", 0,
     "by how much all looks taller, as with something on the tip (default 0 nm)", 4},
    {0},
};

/* Options that are quantities: key, unit, where the value goes. */
static const struct {
    int key;
    const char *option, *si_unit;
    size_t offset;
} quantities[] = {
    {KEY_noise, "noise", "m", offsetof(struct scene_options, noise_m)},
    {KEY_modulus, "modulus", "Pa", offsetof(struct scene_options, modulus_pa)},
    {KEY_work, "work", "J/m2", offsetof(struct scene_options, work_j_per_m2)},
    {KEY_radius, "radius", "m", offsetof(struct scene_options, radius_m)},
    {KEY_half_angle, "half-angle", "rad", offsetof(struct scene_options, half_angle_rad)},
    {KEY_face_angle, "face-angle", "rad", offsetof(struct scene_options, face_angle_rad)},
    {KEY_spring_constant, "spring-constant", "N/m", offsetof(struct scene_options, spring_n_per_m)},
    {KEY_poisson, "poisson", "1", offsetof(struct scene_options, poisson_ratio)},
    {KEY_peak_force, "peak-force", "N", offsetof(struct scene_options, peak_force_n)},
    {KEY_tip_radius, "tip-radius", "1", offsetof(struct scene_options, tip_radius_factor)},
    {KEY_tip_adhesion, "tip-adhesion", "1", offsetof(struct scene_options, tip_adhesion_factor)},
    {KEY_tip_height, "tip-height", "m", offsetof(struct scene_options, tip_height_m)},
};

static error_t take_quantity(int key, const char *arg, struct argp_state *state)
{
    struct simulate_options *o = state->input;
    struct report why;
    for (size_t i = 0; i < sizeof quantities / sizeof *quantities; i++) {
        if (quantities[i].key != key) continue;
        double *value = (double *)(void *)((char *)&o->scene_options + quantities[i].offset);
        if (units_quantity(arg, quantities[i].si_unit, value, &why) == ST_OK) return 0;
        argp_error(state, "--%s: %s", quantities[i].option, why.text);
        return EINVAL;
    }
    return ARGP_ERR_UNKNOWN;
}

/* A whole number in [low, high], the whole text. */
static error_t take_count(struct argp_state *state, const char *option, const char *arg,
                          unsigned long low, unsigned long high, unsigned long *out)
{
    char *rest;
    errno = 0;
    *out = strtoul(arg, &rest, 10);
    if (errno == 0 && rest != arg && *rest == 0 && arg[0] >= '0' && arg[0] <= '9' && *out >= low &&
        *out <= high)
        return 0;
    argp_error(state, "--%s: '%s' is not a whole number from %lu to %lu", option, arg, low, high);
    return EINVAL;
}

static error_t take_number(int key, const char *arg, struct argp_state *state)
{
    struct scene_options *s = &((struct simulate_options *)state->input)->scene_options;
    unsigned long n = 0;
    error_t bad;
    switch (key) {
    case KEY_columns:
        bad = take_count(state, "columns", arg, 1, 65536, &n);
        s->columns = n;
        return bad;
    case KEY_rows:
        bad = take_count(state, "rows", arg, 1, 65536, &n);
        s->rows = n;
        return bad;
    case KEY_samples:
        bad = take_count(state, "samples", arg, 32, 1u << 20, &n);
        s->samples = n;
        return bad;
    case KEY_tip_change:
        bad = take_count(state, "tip-change", arg, 1, 65535, &n);
        s->tip_change_row = n;
        return bad;
    case KEY_seed:
        bad = take_count(state, "seed", arg, 0, UINT32_MAX, &n);
        s->seed = n;
        return bad;
    default:
        return take_quantity(key, arg, state);
    }
}

/* One word of several: its index, or -1 after an error. */
static int take_word(struct argp_state *state, const char *option, const char *arg,
                     const char *const words[3])
{
    for (int i = 0; i < 3; i++)
        if (strcmp(arg, words[i]) == 0) return i;
    argp_error(state, "--%s: '%s' is unknown, expected %s, %s or %s", option, arg, words[0],
               words[1], words[2]);
    return -1;
}

static error_t take_choice(int key, char *arg, struct argp_state *state)
{
    static const char *const storages[3] = {"contiguous", "chunked", "deflate"};
    static const char *const types[3] = {"int16", "float32", "float64"};
    static const int type_of[3] = {NUMBER_int16, NUMBER_float32, NUMBER_float64};
    struct scene_options *s = &((struct simulate_options *)state->input)->scene_options;
    int i;
    switch (key) {
    case KEY_storage:
        if ((i = take_word(state, "storage", arg, storages)) < 0) return EINVAL;
        s->storage = (enum storage)i;
        return 0;
    case KEY_type:
        if ((i = take_word(state, "type", arg, types)) < 0) return EINVAL;
        s->type = type_of[i];
        return 0;
    case KEY_model:
        s->model = arg;
        return 0;
    default:
        return take_number(key, arg, state);
    }
}

static error_t parse_option(int key, char *arg, struct argp_state *state)
{
    struct simulate_options *o = state->input;
    switch (key) {
    case 'o':
        o->output = arg;
        return 0;
    case 'f':
        o->overwrite = true;
        return 0;
    case 'q':
        o->quiet = true;
        return 0;
    case KEY_scene:
        o->scene = arg;
        return 0;
    case ARGP_KEY_ARG:
        argp_error(state, "'%s' is one argument too many; the file to write goes behind -o", arg);
        return EINVAL;
    case ARGP_KEY_END:
        if (o->output) return 0;
        argp_error(state, "no output given; add -o VOLUME.h5");
        return EINVAL;
    default:
        return arg ? take_choice(key, arg, state) : ARGP_ERR_UNKNOWN;
    }
}

/* The scenes, in the help's last part. Asked for with text NULL and this key. */
static char *add_scenes(int key, const char *text, void *input)
{
    (void)input;
    if (key != ARGP_KEY_HELP_POST_DOC) return (char *)text;
    char *out = NULL;
    size_t size = 0;
    FILE *f = open_memstream(&out, &size);
    if (!f) return (char *)text;
    fputs("Scenes:\n\n", f);
    for (int i = 0; i < scene_count(); i++)
        fprintf(f, "%s: %s.\n\n", scene_name(i), scene_summary(i));
    fputs(text ? text : "", f);
    fclose(f);
    return out;
}

static const struct argp simulate_argp = {
    .options = option_rows,
    .parser = parse_option,
    .args_doc = "-o FILE",
    .doc =
        "Write a simulated force volume whose truth is known, to try a recipe or to test an "
        "analysis."
        "\v"
        "The truth (modulus, adhesion, work of adhesion, contact height, indentation, hardness, "
        "and which "
        "pixels are usable) is in the group /truth of the file. Quantities are written with their "
        "unit, like --noise '0.1 nm'. The same options and seed always give the same curves.\n\n"
        "While it runs the file is called FILE.part; it gets its name when it is complete.",
    .help_filter = add_scenes,
};

static enum status simulate(const struct simulate_options *o, struct report *rep)
{
    struct scene *scene = NULL;
    enum status st = scene_new(&scene, o->scene, &o->scene_options, rep);
    if (st == ST_OK) st = scene_write(scene, o->output, o->overwrite, rep);
    if (st == ST_OK && !o->quiet) {
        const struct volume_layout *l = scene_layout(scene);
        printf(
            "%s: scene %s, %zu columns x %zu rows, approach and retract of %zu samples (%s); the "
            "truth is in /truth\n",
            o->output, o->scene, l->nx, l->ny, l->n, number_name(l->type));
    }
    scene_free(scene);
    return st;
}

enum status command_simulate(int argc, char **argv, const struct world *world, struct report *rep)
{
    struct simulate_options o = {
        .scene = "blend",
        .scene_options = {.seed = 1,
                          .noise_m = NAN,
                          .type = -1,
                          .modulus_pa = NAN,
                          .work_j_per_m2 = NAN,
                          .radius_m = NAN,
                          .half_angle_rad = NAN,
                          .face_angle_rad = NAN,
                          .spring_n_per_m = NAN,
                          .poisson_ratio = NAN,
                          .peak_force_n = NAN,
                          .tip_radius_factor = NAN,
                          .tip_adhesion_factor = NAN,
                          .tip_height_m = NAN},
    };
    bool done = false;
    enum status st = options_parse(&simulate_argp, argc, argv, world, &o, &done, rep);
    if (st != ST_OK || done) return st;
    /* one file, one writer: the other ranks have nothing to do */
    return world->rank == 0 ? simulate(&o, rep) : ST_OK;
}
