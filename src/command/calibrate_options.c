/* The options of `cantle calibrate`: one table makes argp's options, the reading, and what belongs
 * to which task. */
#include "base/units.h"
#include "command/calibrate.h"
#include "command/command.h"
#include "recipe/recipe.h"

#include <ctype.h>
#include <errno.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

enum kind { TEXT, FLAG, KNOWN, NUMBER, COUNT, SPAN, MASS };
enum { SENS = 1 << TASK_sensitivity, SPRING = 1 << TASK_spring, TIP = 1 << TASK_tip, EACH = 7 };

struct row {
    const char *name;
    unsigned tasks;
    enum kind kind;
    const char *arg, *si_unit;
    size_t offset;
    const char *doc;
};

#define AT(member) offsetof(struct calibrate_wish, member)
#define INPUT(name) offsetof(struct calibrate_wish, input[SPRING_##name])
static const struct row rows[] = {
    {"lever", EACH, TEXT, "FILE", "", AT(lever),
     "lever file: values that are known are taken from it, the result is added to it"},
    {"name", EACH, TEXT, "TEXT", "", AT(name), "name of the lever, for a new lever file"},
    {"overwrite", EACH, FLAG, NULL, "", AT(overwrite),
     "replace a value that the lever file holds already"},
    {"json", EACH, FLAG, NULL, "", AT(json), "print one JSON object in place of text"},
    {"temperature", EACH, KNOWN, "T", "K", INPUT(temperature),
     "of lever and fluid, like '22 +- 1 degC'; needed for thermal noise and for a preset fluid"},
    {"medium", EACH, TEXT, "WORD", "", AT(medium),
     "what is around the lever: air and water are presets for density and viscosity, any other "
     "word is only noted"},
    {"rows", SENS | TIP, SPAN, "A-B", "", AT(rows), "rows of the volume to use, from 0 (all)"},
    {"columns", SENS | TIP, SPAN, "A-B", "", AT(columns),
     "columns of the volume to use, from 0 (all)"},
    {"outlier", SENS | TIP, NUMBER, "X", "1", AT(outlier),
     "a curve this many robust standard deviations from the median is left out and named (5)"},
    {"segment", SENS, TEXT, "approach|retract|both", "", AT(segment),
     "approach, retract or both (both)"},
    {"from", SENS, NUMBER, "SHARE", "1", AT(from),
     "lower end of the fitted window, as share of the largest signal (20 %)"},
    {"to", SENS, NUMBER, "SHARE", "1", AT(to), "upper end of it (90 %)"},
    {"z-scale-u", SENS, NUMBER, "SHARE", "1", AT(z_scale_u),
     "relative standard uncertainty of the piezo's calibration, like '1 %'"},
    {"spring-constant", SENS | SPRING, KNOWN, "K", "N/m", AT(spring),
     "the known one, for --thermal of the sensitivity and for --lateral"},
    {"thermal", SENS | SPRING, TEXT, "FILE", "", AT(thermal),
     "recording of the free, undriven lever: columns of text, .npy, or HDF5 with --dataset"},
    {"dataset", SENS | SPRING, TEXT, "PATH", "", AT(dataset),
     "dataset of an HDF5 recording: [n], or [records, n]"},
    {"column", SENS | SPRING, COUNT, "N", "", AT(column), "text: column of the signal, from 1"},
    {"axis-column", SENS | SPRING, COUNT, "N", "", AT(axis),
     "text: column of time (s) or frequency (Hz), from 1"},
    {"rate", SENS | SPRING, KNOWN, "F", "Hz", AT(rate_hz),
     "sampling rate, where there is no column of time"},
    {"unit", SENS | SPRING, TEXT, "UNIT", "", AT(unit),
     "of the signal: V, or m for a deflection; of a spectrum V2/Hz or V/sqrt(Hz)"},
    {"spectrum", SENS | SPRING, FLAG, NULL, "", AT(spectrum),
     "the recording is a one-sided spectrum, with frequencies in the axis column"},
    {"averages", SENS | SPRING, NUMBER, "N", "1", AT(averages),
     "of a spectrum: how many independent ones it is the mean of"},
    {"window", SENS | SPRING, TEXT, "hann|none", "", AT(window),
     "of a spectrum: hann or none, how it was made (hann)"},
    {"near", SENS | SPRING, NUMBER, "F", "Hz", AT(near_hz), "where the resonance is, roughly"},
    {"low", SENS | SPRING, NUMBER, "F", "Hz", AT(low_hz),
     "lowest frequency that is fitted (a twentieth of the resonance)"},
    {"high", SENS | SPRING, NUMBER, "F", "Hz", AT(high_hz), "highest one (three times it)"},
    {"motion", SENS | SPRING, TEXT, "contact|free", "", AT(motion),
     "what the sensitivity stands for: contact, an optical lever calibrated on a hard surface; "
     "free, the true motion of the end (contact)"},
    {"whole", SENS | SPRING, FLAG, NULL, "", AT(whole),
     "take the mean square of the whole spectrum, not of the first mode alone"},
    {"lateral", SPRING, FLAG, NULL, "", AT(lateral),
     "only the torsional and, with --tip-height, the lateral spring constant; the spring constant "
     "in "
     "the lever file stays, and --thermal is a recording of the lateral signal in V"},
    {"torsional-sensitivity", SPRING, KNOWN, "S", "rad/V", INPUT(torsional_sensitivity),
     "for --lateral --thermal: twist of the lever's end for each volt, like '2 +- 0.1 mrad/V'"},
    {"sensitivity", SPRING, KNOWN, "S", "m/V", INPUT(sensitivity), "deflection sensitivity"},
    {"all", SPRING, FLAG, NULL, "", AT(all),
     "every method the inputs suffice for, side by side, and whether they agree"},
    {"method", SPRING, TEXT, "WORD", "", AT(method),
     "thermal, sader, added_mass or dimensions; with --lateral torsional_thermal, torsion or "
     "torsion_from_spring: whose value goes into the lever file (the first that can be made)"},
    {"resonance", SPRING, KNOWN, "F", "Hz", INPUT(resonance), "where there is no recording"},
    {"quality", SPRING, KNOWN, "Q", "1", INPUT(quality), "quality factor, likewise"},
    {"length", SENS | SPRING, KNOWN, "L", "m", INPUT(length), "of the lever, base to tip"},
    {"width", SPRING, KNOWN, "W", "m", INPUT(width), "of the lever"},
    {"thickness", SPRING, KNOWN, "T", "m", INPUT(thickness), "of the lever"},
    {"lever-modulus", SPRING, KNOWN, "E", "Pa", INPUT(modulus), "Young's modulus of the lever"},
    {"lever-poisson", SPRING, KNOWN, "NU", "1", INPUT(poisson),
     "Poisson's ratio of the lever, for the torsional constant"},
    {"lever-density", SPRING, KNOWN, "RHO", "kg m-3", INPUT(density),
     "of the lever: tells the resonance that the dimensions would have"},
    {"fluid-density", SPRING, KNOWN, "RHO", "kg m-3", INPUT(fluid_density), "of the fluid"},
    {"viscosity", SPRING, KNOWN, "ETA", "Pa s", INPUT(viscosity), "of the fluid"},
    {"tilt", SENS | SPRING, KNOWN, "T", "rad", INPUT(tilt),
     "tilt of the lever at which the sensitivity was found"},
    {"tip-height", SENS | SPRING, KNOWN, "H", "m", INPUT(tip_height), "height of the tip"},
    {"added-mass", SPRING, MASS, "M,F", "kg", AT(masses),
     "mass at the end and the resonance with it, like '0.5 +- 0.02 ng, 17.11 kHz'; up to eight"},
    {"free-resonance", SPRING, KNOWN, "F", "Hz", AT(free_hz),
     "for the added masses: resonance without them, if not that of --thermal or --resonance"},
    {"reference-modulus", TIP, KNOWN, "E", "Pa", AT(modulus),
     "Young's modulus of the reference sample, like '2.5 +- 0.1 MPa'"},
    {"area", TIP, TEXT, "TERMS", "", AT(area),
     "the tip's area function from the unloading, in place of a radius or angle: quadratic, "
     "linear, "
     "both, or all (with a constant)"},
    {"earlier", TIP, TEXT, "FILE", "", AT(earlier),
     "lever file with an earlier value: has the tip worn since?"},
};
#undef AT
#undef INPUT
enum { ROWS = sizeof rows / sizeof *rows, FIRST_KEY = 0x1000 };

struct reading {
    struct calibrate_wish wish;
    bool given[ROWS];
    size_t words;
};

/* --- quantities --- */

static const char *plus_minus(const char *text, size_t *length)
{
    const char *at = strstr(text, "+-"), *sign = strstr(text, "\xc2\xb1");
    *length = 2;
    return at ? at : sign;
}

/* Temperatures may have an offset, which belongs to the value and not to its u. */
static enum status one_number(const char *text, const char *si_unit, double *value, double *factor,
                              struct report *rep)
{
    struct unit_scale scale = {1, 0};
    char *rest;
    double number = strtod(text, &rest);
    *factor = 1;
    if (strcmp(si_unit, "K") != 0 || rest == text) return units_quantity(text, si_unit, value, rep);
    enum status st = units_scale(rest, si_unit, &scale, rep);
    *value = scale.factor * number + scale.offset;
    *factor = scale.factor;
    return st;
}

enum status calibrate_quantity(const char *text, const char *si_unit, struct unsure *out,
                               struct report *rep)
{
    char left[128], joined[160];
    size_t sign;
    const char *middle = plus_minus(text, &sign);
    double factor, share = 0;
    struct report unused;
    out->u = NAN;
    if (strlen(text) >= sizeof left) return fail(rep, ST_USAGE, "the value is too long");
    snprintf(left, sizeof left, "%.*s", middle ? (int)(middle - text) : (int)strlen(text), text);
    const char *right = middle ? middle + sign + strspn(middle + sign, " ") : "";
    const char *unit = right;
    if (middle) {
        char *end;
        double u = strtod(right, &end);
        if (end == right || !(u >= 0))
            return fail(rep, ST_USAGE, "'%s': after +- stands a standard uncertainty, zero or more",
                        text);
        unit = end;
    }
    /* "60 nm/V +- 2 %": the value has its own unit */
    if (strchr(unit, '%') && strcmp(si_unit, "1") != 0) {
        enum status st = one_number(left, si_unit, &out->value, &factor, rep);
        if (st == ST_OK) st = units_quantity(right, "1", &share, rep);
        out->u = st == ST_OK ? share * fabs(out->value) : NAN;
        return st == ST_OK ? st : ST_USAGE;
    }
    snprintf(joined, sizeof joined, "%s%s", left, middle ? unit : "");
    enum status st = one_number(joined, si_unit, &out->value, &factor, rep);
    if (st == ST_OK && middle) {
        struct unit_scale scale = {1, 0};
        const char *bare = unit + strspn(unit, " ");
        if (*bare && units_scale(bare, si_unit, &scale, &unused) != ST_OK)
            return fail(rep, ST_USAGE, "'%s': write it like '1.5 +- 0.1 %s'", text, si_unit);
        out->u = scale.factor * strtod(right, NULL);
    }
    return st == ST_OK ? st : ST_USAGE;
}

/* --- one option --- */

static enum status read_span(const char *arg, struct pixel_span *out, struct report *rep)
{
    char *end;
    unsigned long a = strtoul(arg, &end, 10), b = a;
    if (*end == '-') b = strtoul(end + 1, &end, 10);
    if (!isdigit((unsigned char)*arg) || *end || b < a)
        return fail(rep, ST_USAGE, "'%s' must be a number, or two like 3-7, from 0", arg);
    *out = (struct pixel_span){a, b};
    return ST_OK;
}

static enum status read_mass(const char *arg, struct calibrate_wish *w, struct report *rep)
{
    char mass[128];
    const char *comma = strchr(arg, ',');
    if (!comma || (size_t)(comma - arg) >= sizeof mass)
        return fail(rep, ST_USAGE, "'%s' must be a mass and a resonance, like '0.5 ng, 17.1 kHz'",
                    arg);
    if (w->masses == SPRING_MASSES)
        return fail(rep, ST_USAGE, "at most %d added masses", SPRING_MASSES);
    snprintf(mass, sizeof mass, "%.*s", (int)(comma - arg), arg);
    struct unsure *m = &w->mass_kg[w->masses], *f = &w->loaded_hz[w->masses];
    m->positive = f->positive = true;
    enum status st = calibrate_quantity(mass, "kg", m, rep);
    if (st == ST_OK) st = calibrate_quantity(comma + 1 + strspn(comma + 1, " "), "Hz", f, rep);
    w->masses++;
    if (st == ST_OK && !(m->value > 0 && f->value > 0))
        st = fail(rep, ST_USAGE, "'%s': mass and resonance must be above zero", arg);
    return st;
}

static enum status check_known(const struct row *row, const struct unsure *k, struct report *rep)
{
    if (k->positive && !(k->value > 0))
        return fail(rep, ST_USAGE, "%g %s: must be above zero", k->value, row->si_unit);
    if (strcmp(row->name, "tilt") == 0 && !(fabs(k->value) < 1.2))
        return fail(rep, ST_USAGE, "a tilt of %g degree cannot be", k->value * 180 / M_PI);
    if (strcmp(row->name, "lever-poisson") == 0 && !(k->value > -1 && k->value <= 0.5))
        return fail(rep, ST_USAGE, "must lie between -1 and 0.5");
    return ST_OK;
}

static enum status read_one(const struct row *row, const char *arg, struct calibrate_wish *w,
                            struct report *rep)
{
    void *at = (char *)w + row->offset;
    enum status st = ST_OK;
    char *end;
    switch (row->kind) {
    case TEXT:
        *(const char **)at = arg;
        return ST_OK;
    case FLAG:
        *(bool *)at = true;
        return ST_OK;
    case KNOWN:
        st = calibrate_quantity(arg, row->si_unit, at, rep);
        return st == ST_OK ? check_known(row, at, rep) : st;
    case NUMBER:
        st = units_quantity(arg, row->si_unit, at, rep);
        if (st == ST_OK && !(*(double *)at >= 0)) st = fail(rep, ST_USAGE, "must not be negative");
        return st == ST_OK ? st : ST_USAGE;
    case COUNT:
        *(size_t *)at = strtoul(arg, &end, 10);
        if (!isdigit((unsigned char)*arg) || *end || *(size_t *)at == 0)
            return fail(rep, ST_USAGE, "'%s' must be a whole number from 1", arg);
        return ST_OK;
    case SPAN:
        return read_span(arg, at, rep);
    case MASS:
        return read_mass(arg, w, rep);
    }
    return fail(rep, ST_BUG, "an option has no kind");
}

static int find_task(const char *word)
{
    static const char *const names[] = {
#define T(name, words) #name,
        TASK_LIST(T)
#undef T
    };
    for (int i = 0; i < TASK_COUNT; i++)
        if (strcmp(names[i], word) == 0) return i;
    return -1;
}

static bool is_recipe(const char *path)
{
    const char *dot = strrchr(path, '.');
    return dot && (strcmp(dot, ".yaml") == 0 || strcmp(dot, ".yml") == 0);
}

static void take_word(char *arg, struct argp_state *state, struct reading *in)
{
    struct calibrate_wish *w = &in->wish;
    if (in->words++ == 0) {
        w->task = find_task(arg);
        if (w->task < 0)
            argp_error(state, "'%s' is no task; expected sensitivity, spring or tip", arg);
    } else if (w->task == TASK_tip && !w->recipe && is_recipe(arg)) {
        w->recipe = arg;
    } else if (!w->file) {
        w->file = arg;
    } else {
        argp_error(state, "one argument too many: '%s'", arg);
    }
}

static error_t parse(int key, char *arg, struct argp_state *state)
{
    struct reading *in = state->input;
    struct report why = {""};
    if (key == ARGP_KEY_ARG) {
        take_word(arg, state, in);
        return 0;
    }
    if (key == ARGP_KEY_END && in->words == 0)
        argp_error(state, "no task given; expected sensitivity, spring or tip");
    int i = key - FIRST_KEY;
    if (i < 0 || i >= ROWS) return key == ARGP_KEY_END ? 0 : ARGP_ERR_UNKNOWN;
    in->given[i] = true;
    if (read_one(&rows[i], arg, &in->wish, &why) != ST_OK)
        argp_error(state, "--%s: %s", rows[i].name, why.text);
    return 0;
}

/* An option that the task does not read would be believed to count. */
static enum status check_tasks(const struct reading *in, struct report *rep)
{
    for (int i = 0; i < ROWS; i++)
        if (in->given[i] && !(rows[i].tasks >> in->wish.task & 1))
            return fail(rep, ST_USAGE, "--%s does not belong to this task", rows[i].name);
    return ST_OK;
}

static void start(struct reading *in)
{
    struct calibrate_wish *w = &in->wish;
    *in = (struct reading){.words = 0};
    w->from = 0.2;
    w->to = 0.9;
    w->outlier = 5;
    w->averages = w->near_hz = w->low_hz = w->high_hz = w->z_scale_u = NAN;
    w->rows.last = w->columns.last = SIZE_MAX;
    w->rate_hz = w->spring = w->free_hz = w->modulus = (struct unsure){NAN, NAN, true};
    for (int i = 0; i < SPRING_INPUTS; i++)
        w->input[i] = (struct unsure){NAN, NAN, spring_inputs[i].positive};
}

enum status calibrate_options(int argc, char **argv, const struct world *world,
                              struct calibrate_wish *out, bool *done, struct report *rep)
{
    static const char doc[] =
        "Find what a map needs to know of the lever, with its uncertainty, and keep it in a lever "
        "file.\v"
        "TASK sensitivity: deflection sensitivity from the curves of VOLUME, taken on a rigid "
        "surface; with --thermal and --spring-constant from thermal noise.\n\n"
        "TASK spring: spring constant; give what you have, --all compares the methods.\n\n"
        "TASK tip: tip radius or angle from the curves of VOLUME, taken on a sample whose modulus "
        "is known; the recipe says which contact model. With --area the area function from the "
        "unloading.\n\n"
        "Quantities are written with their unit and, if known, their standard uncertainty: '52 +- "
        "0.5 nm/V' or '52 nm/V +- 1 %'. docs/calibration.md has the equations, and cautions for "
        "the work at the instrument.";
    struct argp_option options[ROWS + 1] = {{0}};
    struct reading in;
    for (int i = 0; i < ROWS; i++)
        options[i] = (struct argp_option){
            rows[i].name, FIRST_KEY + i, rows[i].arg, 0, rows[i].doc, 0};
    const struct argp argp = {.options = options,
                              .parser = parse,
                              .args_doc = "sensitivity|spring|tip [RECIPE.yaml] [VOLUME]",
                              .doc = doc};
    start(&in);
    enum status st = options_parse(&argp, argc, argv, world, &in, done, rep);
    if (st == ST_OK && !*done) st = check_tasks(&in, rep);
    *out = in.wish;
    return st;
}
