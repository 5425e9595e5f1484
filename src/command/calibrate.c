/* cantle calibrate: sensitivity, spring constant and tip, with uncertainties, into a lever file. */
#include "command/calibrate.h"
#include "base/output_file.h"
#include "calibration/sanity.h"
#include "command/command.h"
#include "command/describe.h"
#include "maps/text_time.h"

#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* --- cautions --- */

void calibrate_caution(struct calibrate_report *r, const char *fmt, ...)
{
    char text[512];
    va_list args;
    va_start(args, fmt);
    vsnprintf(text, sizeof text, fmt, args);
    va_end(args);
    if (r->text) describe_line("caution", "%s", text);
    json_array_append_new(r->cautions, json_string(text));
}

void calibrate_judge(struct calibrate_report *r, const char *quantity, double value)
{
    char text[256];
    if (isfinite(value) && sanity_check(quantity, value, text, sizeof text))
        calibrate_caution(r, "%s", text);
}

/* --- the lever file --- */

enum status calibrate_lever_open(const struct calibrate_wish *wish, const char *quantity,
                                 struct lever_file *out, struct report *rep)
{
    *out = (struct lever_file){.n = 0};
    enum status st = ST_OK;
    if (wish->lever && access(wish->lever, F_OK) == 0) st = lever_file_load(out, wish->lever, rep);
    const struct lever_record *held = st == ST_OK ? lever_file_find(out, quantity) : NULL;
    if (held && !wish->overwrite) { /* found out before the work is done */
        struct lever_record same = *held;
        st = within(rep, lever_file_put(out, &same, false, rep), "%s: ", wish->lever);
    }
    if (wish->name) snprintf(out->name, sizeof out->name, "%s", wish->name);
    return st;
}

static void take(struct unsure *to, const struct lever_file *f, const char *quantity)
{
    const struct lever_record *r = lever_file_find(f, quantity);
    if (!r || !isnan(to->value)) return;
    to->value = r->value;
    to->u = r->u;
}

void calibrate_fill(struct calibrate_wish *wish, const struct lever_file *f)
{
    take(&wish->input[SPRING_sensitivity], f, "deflection_sensitivity");
    take(&wish->input[SPRING_tilt], f, "tilt");
    take(&wish->input[SPRING_length], f, "lever_length");
    take(&wish->input[SPRING_tip_height], f, "tip_height");
    take(&wish->spring, f, "spring_constant");
    if (wish->thermal) return; /* the recording tells them */
    take(&wish->input[SPRING_resonance], f, "resonance");
    take(&wish->input[SPRING_quality], f, "quality_factor");
}

static enum status write_text(const char *path, const char *text, size_t size, struct report *rep)
{
    char part[4096];
    if (snprintf(part, sizeof part, "%s.part", path) >= (int)sizeof part)
        return fail(rep, ST_OUTPUT, "the name of the lever file is too long");
    enum status st = output_check(path, "", true, rep);
    if (st == ST_OK) st = output_reserve(part, size, rep);
    if (st != ST_OK) return st;
    FILE *file = fopen(part, "r+b");
    bool bad = !file || fwrite(text, 1, size, file) != size;
    int cause = errno;
    if (file && fclose(file) != 0 && !bad) bad = true, cause = errno;
    if (bad)
        st = fail(rep, ST_OUTPUT, "%s: cannot be written: %s", part, strerror(cause));
    else
        st = output_publish(part, path, true, rep);
    if (st != ST_OK) remove(part);
    return st;
}

static void sign_record(const struct calibrate_wish *wish, struct lever_record *r,
                        const char *source, const char *digest)
{
    struct lever_texts *t = &r->text;
    const struct unsure *k = &wish->input[SPRING_temperature];
    bool given = strcmp(t->method, "given") == 0; /* by the user: no file says it */
    text_time_now(t->date);
    if (isfinite(k->value)) snprintf(t->temperature, sizeof t->temperature, "%.6g K", k->value);
    if (wish->medium) snprintf(t->medium, sizeof t->medium, "%s", wish->medium);
    if (source && !given) snprintf(t->source, sizeof t->source, "%s", source);
    if (!given) snprintf(t->source_digest, sizeof t->source_digest, "%s", digest);
    const char *unit = lever_file_unit(t->quantity);
    bool pure = strcmp(unit, "1") == 0;
    if (isfinite(r->u_random))
        snprintf(t->u_random, sizeof t->u_random, "%.4g%s%s", r->u_random, pure ? "" : " ",
                 pure ? "" : unit);
}

enum status calibrate_lever_close(const struct calibrate_wish *wish, struct lever_file *f,
                                  struct lever_record *record, size_t n, const char *source,
                                  const char *digest, struct report *rep)
{
    char *text = NULL;
    size_t size = 0;
    enum status st = ST_OK;
    if (!wish->lever) return ST_OK;
    for (size_t i = 0; i < n && st == ST_OK; i++) {
        sign_record(wish, &record[i], source, digest);
        /* what comes along with the asked value is renewed with it */
        st = lever_file_put(f, &record[i], wish->overwrite || i > 0, rep);
    }
    if (st == ST_OK) st = lever_file_text(f, &text, &size, rep);
    if (st == ST_OK) st = write_text(wish->lever, text, size, rep);
    free(text);
    return st == ST_OK ? st : within(rep, st, "%s: ", wish->lever);
}

/* --- the command --- */

static enum status check_texts(const struct calibrate_wish *w, struct report *rep)
{
    bool curves = w->task == TASK_tip || (w->task == TASK_sensitivity && !w->thermal);
    if (curves && !w->file) return fail(rep, ST_USAGE, "no volume given");
    if (!curves && w->file)
        return fail(rep, ST_USAGE,
                    "'%s' is one argument too many; a recording goes behind --thermal", w->file);
    if (w->task == TASK_sensitivity && !w->thermal && isfinite(w->spring.value))
        return fail(rep, ST_USAGE, "--spring-constant goes with --thermal");
    if (w->task == TASK_spring && !w->lateral &&
        (isfinite(w->spring.value) || isfinite(w->input[SPRING_torsional_sensitivity].value)))
        return fail(rep, ST_USAGE,
                    "--spring-constant and --torsional-sensitivity go with --lateral");
    if (!(w->from < w->to) || w->to > 1)
        return fail(rep, ST_USAGE, "--from must lie below --to, and both between 0 and 100 %%");
    if (w->motion && strcmp(w->motion, "contact") != 0 && strcmp(w->motion, "free") != 0)
        return fail(rep, ST_USAGE, "--motion: '%s' is unknown, expected contact or free",
                    w->motion);
    if (w->window && strcmp(w->window, "hann") != 0 && strcmp(w->window, "none") != 0)
        return fail(rep, ST_USAGE, "--window: '%s' is unknown, expected hann or none", w->window);
    return ST_OK;
}

static enum status run(struct calibrate_wish *w, struct report *rep)
{
    struct calibrate_report r = {json_object(), json_array(), !w->json};
    enum status st = check_texts(w, rep);
    if (!r.json || !r.cautions) st = fail(rep, ST_MEMORY, "not enough memory for a report");
    if (st == ST_OK) switch (w->task) {
        case TASK_sensitivity:
            st = w->thermal ? calibrate_inverse(w, &r, rep) : calibrate_sensitivity(w, &r, rep);
            break;
        case TASK_spring:
            st = calibrate_spring(w, &r, rep);
            break;
        default:
            st = calibrate_tip(w, &r, rep);
        }
    if (st == ST_OK && w->lever) {
        json_object_set_new(r.json, "lever_file", json_string(w->lever));
        if (r.text) describe_line("lever file", "%s", w->lever);
    }
    json_object_set(r.json, "cautions", r.cautions);
    if (st == ST_OK && w->json) st = describe_print(json_incref(r.json), rep);
    json_decref(r.cautions);
    json_decref(r.json);
    return st;
}

enum status command_calibrate(int argc, char **argv, const struct world *world, struct report *rep)
{
    struct calibrate_wish *w = malloc(sizeof *w);
    bool done = false;
    if (!w) return fail(rep, ST_MEMORY, "not enough memory for a calibration");
    enum status st = calibrate_options(argc, argv, world, w, &done, rep);
    /* one lever, one file: the other ranks have nothing to do */
    if (st == ST_OK && !done && world->rank == 0) st = run(w, rep);
    free(w);
    return st;
}
