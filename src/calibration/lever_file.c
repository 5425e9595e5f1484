#include "calibration/lever_file.h"

#include "base/units.h"
#include "base/words.h"
#include "base/yaml_complaint.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* --- the YAML --- */

/* As libcyaml wants it: a pointer for each text, NULL where it is not there. */
struct yaml_record {
#define F(name, size, words) char *name;
    LEVER_FIELD_LIST(F)
#undef F
};
struct yaml_file {
    char *format, *lever;
    struct yaml_record *values;
    unsigned values_count;
};

static const cyaml_schema_field_t record_fields[] = {
#define F(name, size, words)                                                                       \
    CYAML_FIELD_STRING_PTR(#name, CYAML_FLAG_POINTER | CYAML_FLAG_OPTIONAL, struct yaml_record,    \
                           name, 0, (size)-1),
    LEVER_FIELD_LIST(F)
#undef F
        CYAML_FIELD_END};
static const cyaml_schema_value_t record_schema = {
    CYAML_VALUE_MAPPING(CYAML_FLAG_DEFAULT, struct yaml_record, record_fields)};
static const cyaml_schema_field_t file_fields[] = {
    CYAML_FIELD_STRING_PTR("format", CYAML_FLAG_POINTER, struct yaml_file, format, 1, 64),
    CYAML_FIELD_STRING_PTR("lever", CYAML_FLAG_POINTER | CYAML_FLAG_OPTIONAL, struct yaml_file,
                           lever, 0, sizeof((struct lever_file *)0)->name - 1),
    CYAML_FIELD_SEQUENCE("values", CYAML_FLAG_POINTER, struct yaml_file, values, &record_schema, 0,
                         LEVER_RECORDS),
    CYAML_FIELD_END};
static const cyaml_schema_value_t file_schema = {
    CYAML_VALUE_MAPPING(CYAML_FLAG_POINTER, struct yaml_file, file_fields)};

/* --- quantities --- */

static const struct {
    const char *name, *unit;
} extras[] = {
#define E(name, unit) {#name, unit},
    LEVER_EXTRA_LIST(E)
#undef E
};
enum { EXTRAS = sizeof extras / sizeof *extras };

static int item_of(const char *quantity)
{
    for (int i = 0; i < LEVER_COUNT; i++)
        if (strcmp(lever_rows[i].name, quantity) == 0) return i;
    for (int i = 0; i < EXTRAS; i++)
        if (strcmp(extras[i].name, quantity) == 0) return LEVER_COUNT + i;
    return -1;
}

static const char *unit_of(int item)
{
    return item < LEVER_COUNT ? lever_rows[item].si_unit : extras[item - LEVER_COUNT].unit;
}

const char *lever_file_unit(const char *quantity)
{
    int item = item_of(quantity);
    return item < 0 ? NULL : unit_of(item);
}

static enum status unknown_quantity(const char *quantity, struct report *rep)
{
    const char *names[LEVER_COUNT + EXTRAS];
    char list[700] = "";
    for (int i = 0; i < LEVER_COUNT + EXTRAS; i++) {
        names[i] = i < LEVER_COUNT ? lever_rows[i].name : extras[i - LEVER_COUNT].name;
        size_t used = strlen(list);
        snprintf(list + used, sizeof list - used, "%s%s", used ? ", " : "", names[i]);
    }
    int near = words_nearest(quantity, names, LEVER_COUNT + EXTRAS);
    return fail(rep, ST_RECIPE, "unknown quantity%s%s%s; valid are %s",
                near < 0 ? "" : " (did you mean '", near < 0 ? "" : names[near],
                near < 0 ? "" : "'?)", list);
}

/* --- texts to numbers --- */

static enum status read_number(const char *field, const char *text, const char *unit, double *out,
                               struct report *rep)
{
    *out = NAN;
    if (!*text) return ST_OK;
    enum status st = units_quantity(text, unit, out, rep);
    return st == ST_OK ? st : within(rep, ST_RECIPE, "%s: ", field);
}

static enum status read_tilt(const char *text, enum spring_tilt *out, struct report *rep)
{
    *out = SPRING_TILT_UNKNOWN;
    if (strcmp(text, "contained") == 0)
        *out = SPRING_TILT_CONTAINED;
    else if (strcmp(text, "not contained") == 0)
        *out = SPRING_TILT_NOT_CONTAINED;
    else if (*text)
        return fail(rep, ST_RECIPE,
                    "tilt: '%s' is not known; valid are 'contained' and 'not contained'", text);
    return ST_OK;
}

static enum status check_numbers(const struct lever_record *r, struct report *rep)
{
    struct known k = {r->value, r->u, ""};
    if (isnan(r->value)) return fail(rep, ST_RECIPE, "it has no value");
    if (r->u < 0 || r->u_random < 0 || r->u_besides < 0)
        return fail(rep, ST_RECIPE, "a standard uncertainty cannot be negative");
    if (fabs(r->correlation) > 1)
        return fail(rep, ST_RECIPE, "correlation: %g does not lie between -1 and 1",
                    r->correlation);
    if (r->item < LEVER_COUNT && lever_check((enum lever_item)r->item, &k, rep) != ST_OK)
        return ST_RECIPE;
    return ST_OK;
}

static enum status read_record(struct lever_record *r, struct report *rep)
{
    const struct lever_texts *t = &r->text;
    if (!*t->quantity) return fail(rep, ST_RECIPE, "a value without 'quantity'");
    r->item = item_of(t->quantity);
    if (r->item < 0) return unknown_quantity(t->quantity, rep);
    const char *unit = unit_of(r->item), *with = lever_file_unit(t->correlated_with);
    if (*t->correlated_with && !with)
        return within(rep, unknown_quantity(t->correlated_with, rep), "correlated_with: ");
    enum status st = read_number("value", t->value, unit, &r->value, rep);
    if (st == ST_OK) st = read_number("u", t->u, unit, &r->u, rep);
    if (st == ST_OK) st = read_number("u_random", t->u_random, unit, &r->u_random, rep);
    if (st == ST_OK) st = read_number("correlation", t->correlation, "1", &r->correlation, rep);
    r->correlated_value = NAN;
    if (st == ST_OK && with)
        st = read_number("correlated_value", t->correlated_value, with, &r->correlated_value, rep);
    if (st == ST_OK)
        st = read_number("per_spring_constant", t->per_spring_constant, "1",
                         &r->per_spring_constant, rep);
    if (st == ST_OK)
        st = read_number("per_sensitivity", t->per_sensitivity, "1", &r->per_sensitivity, rep);
    if (st == ST_OK) st = read_number("u_besides", t->u_besides, unit, &r->u_besides, rep);
    if (st == ST_OK) st = read_tilt(t->tilt, &r->tilt, rep);
    return st == ST_OK ? check_numbers(r, rep) : st;
}

static enum status take_values(struct lever_file *out, const struct yaml_file *yaml,
                               struct report *rep)
{
    for (unsigned i = 0; i < yaml->values_count; i++) {
        const struct yaml_record *from = &yaml->values[i];
        struct lever_record *r = &out->record[out->n];
#define F(name, size, words) snprintf(r->text.name, size, "%s", from->name ? from->name : "");
        LEVER_FIELD_LIST(F)
#undef F
        enum status st = read_record(r, rep);
        if (st == ST_OK && lever_file_find(out, r->text.quantity))
            st = fail(rep, ST_RECIPE, "stands twice");
        if (st != ST_OK)
            return within(rep, st, "values, number %u (%s): ", i + 1, r->text.quantity);
        out->n++;
    }
    return ST_OK;
}

enum status lever_file_parse(struct lever_file *out, const char *text, size_t size,
                             const char *path, struct report *rep)
{
    struct yaml_complaint complaint;
    struct yaml_file *yaml = NULL;
    const cyaml_config_t config = yaml_listen(&complaint);
    enum status st = ST_OK;
    *out = (struct lever_file){.n = 0};
    cyaml_err_t err = cyaml_load_data((const uint8_t *)text, size, &config, &file_schema,
                                      (cyaml_data_t **)&yaml, NULL);
    if (err != CYAML_OK)
        st = yaml_refused(&complaint, err, "lever file", rep);
    else if (!yaml)
        st = fail(rep, ST_RECIPE, "is empty, so it is not a lever file");
    else if (strcmp(yaml->format, LEVER_FILE_FORMAT) != 0)
        st = fail(rep, ST_RECIPE, "format is '%.60s', this program reads '%s'", yaml->format,
                  LEVER_FILE_FORMAT);
    else {
        snprintf(out->name, sizeof out->name, "%s", yaml->lever ? yaml->lever : "");
        st = take_values(out, yaml, rep);
    }
    if (yaml) cyaml_free(&config, &file_schema, yaml, 0);
    return st == ST_OK ? st : within(rep, st, "%s: ", path);
}

enum status lever_file_load(struct lever_file *out, const char *path, struct report *rep)
{
    enum { LARGEST = 1 << 20 };
    char *text = malloc(LARGEST + 1);
    FILE *file = fopen(path, "rb");
    size_t size = 0;
    enum status st = ST_OK;
    if (!file)
        st = fail(rep, ST_INPUT, "%s: cannot open this lever file: %s", path, strerror(errno));
    else if (!text)
        st = fail(rep, ST_MEMORY, "no memory to read the lever file %s", path);
    else if ((size = fread(text, 1, LARGEST + 1, file)) > LARGEST || ferror(file))
        st = fail(rep, ST_INPUT, "%s: cannot be read, or is larger than 1 MiB", path);
    else
        st = lever_file_parse(out, text, size, path, rep);
    if (file) fclose(file);
    free(text);
    return st;
}

const struct lever_record *lever_file_find(const struct lever_file *f, const char *quantity)
{
    for (size_t i = 0; i < f->n; i++)
        if (strcmp(f->record[i].text.quantity, quantity) == 0) return &f->record[i];
    return NULL;
}

/* Two values of one file that were found with each other err together. */
void lever_file_pair(const struct lever_file *f, bool spring_in_use, bool pair_in_use,
                     struct lever *out)
{
    const struct lever_record *k = lever_file_find(f, "spring_constant"),
                              *s = lever_file_find(f, "deflection_sensitivity");
    out->correlation = 0;
    out->spring_thermal = false;
    out->spring_tilt = SPRING_TILT_UNKNOWN;
    if (!k || !spring_in_use) return;
    out->spring_tilt = k->tilt;
    if (!s || !pair_in_use) return;
    const struct lever_record *pair[2] = {k, s};
    for (int i = 0; i < 2; i++) {
        const struct lever_record *a = pair[i], *b = pair[1 - i];
        bool same = strcmp(a->text.correlated_with, b->text.quantity) == 0 &&
                    fabs(a->correlated_value - b->value) <= 1e-6 * fabs(b->value);
        if (!same || !(a->u > 0) || !(b->u > 0) || isnan(a->correlation)) continue;
        out->correlation = a->correlation;
        out->spring_thermal = i == 0 && strcmp(k->text.method, "thermal") == 0;
        return;
    }
}

/* --- making one --- */

struct lever_record lever_record_make(const char *quantity, double value, double u)
{
    struct lever_record r = {.value = value, .u = u, .u_random = NAN, .correlation = NAN};
    const char *unit = lever_file_unit(quantity);
    r.item = item_of(quantity);
    r.correlated_value = r.per_spring_constant = r.per_sensitivity = r.u_besides = NAN;
    if (!unit || strcmp(unit, "1") == 0) unit = "";
    snprintf(r.text.quantity, sizeof r.text.quantity, "%s", quantity);
    snprintf(r.text.value, sizeof r.text.value, "%.9g%s%s", value, *unit ? " " : "", unit);
    if (isfinite(u)) snprintf(r.text.u, sizeof r.text.u, "%.4g%s%s", u, *unit ? " " : "", unit);
    return r;
}

enum status lever_file_put(struct lever_file *f, const struct lever_record *r, bool replace,
                           struct report *rep)
{
    struct lever_record *held = (struct lever_record *)lever_file_find(f, r->text.quantity);
    if (held && !replace)
        return fail(rep, ST_OUTPUT,
                    "it holds %s already (%s, %s, %s); add --overwrite to replace it, or name "
                    "another lever file",
                    r->text.quantity, held->text.value, held->text.method, held->text.date);
    if (!held && f->n == LEVER_RECORDS)
        return fail(rep, ST_OUTPUT, "it is full: at most %d values", LEVER_RECORDS);
    if (!held) held = &f->record[f->n++];
    *held = *r;
    return ST_OK;
}

enum status lever_file_text(const struct lever_file *f, char **out, size_t *size,
                            struct report *rep)
{
    struct yaml_complaint complaint;
    struct yaml_record values[LEVER_RECORDS];
    char format[] = LEVER_FILE_FORMAT;
    struct lever_file copy = *f; /* libcyaml's structs are not for constant texts */
    struct yaml_file yaml = {format, *copy.name ? copy.name : NULL, values, (unsigned)f->n};
    cyaml_config_t config = yaml_listen(&complaint);
    *out = NULL;
    for (size_t i = 0; i < f->n; i++) {
        struct lever_texts *t = &copy.record[i].text;
#define F(name, size, words) values[i].name = *t->name ? t->name : NULL;
        LEVER_FIELD_LIST(F)
#undef F
    }
    config.flags |= CYAML_CFG_STYLE_BLOCK;
    cyaml_err_t err = cyaml_save_data(out, size, &config, &file_schema, &yaml, 0);
    if (err == CYAML_OK) return ST_OK;
    return fail(rep, err == CYAML_ERR_OOM ? ST_MEMORY : ST_BUG, "the lever file cannot be made: %s",
                complaint.text);
}
