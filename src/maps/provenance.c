#include "maps/provenance.h"

#include "build_facts.h"
#include "maps/identity.h"
#include "maps/parent.h"
#include "maps/text_time.h"
#include "recipe/recipe.h"

#include <gsl/gsl_version.h>
#include <jansson.h>
#include <limits.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define DIGEST_METHOD                                                                              \
    "sum modulo 2^128 over all pixels of XXH3-128, seed row*nx+column, over what is stored of "    \
    "each "                                                                                        \
    "segment (approach, dwell, retract): signal, then what each curve has of its own: z, z_start " \
    "and "                                                                                         \
    "z_step (float64, m), length (int64)"

static const char *const segment_names[SEG_COUNT] = {"approach", "dwell", "retract"};

static json_t *real_or_null(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

static json_t *used_values(const struct lever *lever)
{
    json_t *used = json_object();
    for (int i = 0; i < LEVER_COUNT; i++) {
        const struct known *k = &lever->item[i];
        json_t *one = json_pack("{s:o, s:s, s:o, s:s}", "value", real_or_null(k->value), "unit",
                                lever_rows[i].si_unit, "u", real_or_null(k->u), "origin",
                                k->origin && *k->origin ? k->origin : "not set");
        json_object_set_new(used, lever_rows[i].name, one);
    }
    return used;
}

char *provenance_resolved(const struct maps_origin *origin)
{
    const struct curve_plan *plan = origin->plan;
    char *given = recipe_json(origin->recipe), *text = NULL;
    json_t *all = given ? json_loads(given, 0, NULL) : NULL;
    json_t *fit = json_pack("{s:s, s:s, s:s}", "model", plan->model->name, "segment",
                            segment_names[plan->segment], "space",
                            plan->force_space ? "force" : "deflection");
    if (all && fit) {
        json_object_set_new(all, "values_used", used_values(&plan->lever));
        json_object_set(all, "fit_used", fit);
        text = json_dumps(all, JSON_INDENT(2) | JSON_REAL_PRECISION(17));
    }
    json_decref(fit);
    json_decref(all);
    free(given);
    return text;
}

static hid_t put_process(struct h5put *p, hid_t entry, const char *name, int sequence,
                         const char *date)
{
    hid_t group = h5put_group(p, entry, name, "NXprocess");
    h5put_text(p, group, "program", "cantle");
    h5put_text(p, group, "version", CANTLE_VERSION);
    h5put_text(p, group, "date", date);
    h5put_integer(p, group, "sequence_index", sequence);
    return group;
}

static void put_note(struct h5put *p, hid_t parent, const char *name, const char *type,
                     const char *description, const char *file_name, const char *data)
{
    hid_t note = h5put_group(p, parent, name, "NXnote");
    h5put_text(p, note, "type", type);
    h5put_text(p, note, "description", description);
    if (file_name && *file_name) h5put_text(p, note, "file_name", file_name);
    h5put_text(p, note, "data", data);
    h5put_close(p, &note);
}

/* One value of the calibration with where it came from. */
static void put_known(struct h5put *p, hid_t group, const char *name, const char *si_unit,
                      const struct known *k)
{
    if (p->st != ST_OK) return;
    h5put_real(p, group, name, k->value, si_unit);
    hid_t set = p->st == ST_OK ? H5Dopen2(group, name, H5P_DEFAULT) : H5I_INVALID_HID;
    if (set < 0) h5put_fail(p, name);
    if (isfinite(k->u))
        h5put_attr_numbers(p, set, "standard_uncertainty", H5T_NATIVE_DOUBLE, &k->u, 0);
    h5put_attr_text(p, set, "origin", k->origin ? k->origin : "");
    h5put_close(p, &set);
}

static void put_calibration(struct h5put *p, hid_t entry, const struct maps_origin *o,
                            const char *date)
{
    static const char *const tilt[] = {"not known", "contained", "not contained"};
    const struct curve_plan *plan = o->plan;
    hid_t group = put_process(p, entry, "process_1_calibration", 1, date);
    for (int i = 0; i < LEVER_COUNT; i++)
        if (isfinite(plan->lever.item[i].value))
            put_known(p, group, lever_rows[i].name, lever_rows[i].si_unit, &plan->lever.item[i]);
    if (isfinite(plan->setup.spring_n_per_m))
        h5put_real(p, group, "effective_spring_constant", plan->setup.spring_n_per_m, "N/m");
    if (o->recipe->lever_text || plan->lever.spring_tilt != SPRING_TILT_UNKNOWN ||
        plan->lever.correlation != 0) {
        h5put_real(p, group, "correlation_spring_constant_sensitivity", plan->lever.correlation,
                   "1");
        h5put_text(p, group, "tilt_in_spring_constant", tilt[plan->lever.spring_tilt]);
    }
    if (o->recipe->lever_text)
        put_note(p, group, "lever_file", "application/yaml", "the lever file as it was read",
                 o->recipe->v[KEY_calibration_lever_file].text, o->recipe->lever_text);
    h5put_close(p, &group);
}

/* Height of the bare substrate at x, y: c0 + c1 (x - x0)/scale + c2 (y - y0)/scale. */
static void put_substrate(struct h5put *p, hid_t group, const struct plane *s)
{
    const double frame[3] = {s->x0, s->y0, s->scale};
    double u[3];
    for (int i = 0; i < 3; i++)
        u[i] = sqrt(s->covariance[i][i]);
    h5put_reals(p, group, "substrate_plane", s->c, 3, "m");
    h5put_reals(p, group, "substrate_plane_errors", u, 3, "m");
    h5put_reals(p, group, "substrate_frame", frame, 3, "m");
    h5put_real(p, group, "substrate_scatter", s->scatter, "m");
    h5put_count(p, group, "substrate_pixels", s->n);
}

static void put_drift(struct h5put *p, hid_t group, const struct shared_walk *w)
{
    h5put_real(p, group, "drift_step", w->step, "m");
    h5put_real(p, group, "drift_power_ratio", w->ratio, "1");
    h5put_real(p, group, "drift_likelihood_gain", w->gain, "1");
    h5put_count(p, group, "drift_curves", w->curves);
}

static void put_fit(struct h5put *p, hid_t entry, const struct maps_origin *o, const char *date)
{
    const struct contact_model *model = o->plan->model;
    char *resolved = provenance_resolved(o);
    hid_t group = put_process(p, entry, "process_2_contact_fit", 2, date);
    if (!resolved && p->st == ST_OK)
        p->st = fail(p->rep, ST_MEMORY, "not enough memory for the recipe as resolved");
    h5put_text(p, group, "model", model->name);
    h5put_text(p, group, "model_title", model->title);
    h5put_text(p, group, "model_formula", model->formula);
    h5put_text(p, group, "model_source", model->source);
    h5put_text(p, group, "model_limits", model->limits);
    h5put_text(p, group, "segment", segment_names[o->plan->segment]);
    h5put_text(p, group, "fit_space", o->plan->force_space ? "force" : "deflection");
    h5put_count(p, group, "fitted_unknowns", curve_plan_unknowns(o->plan));
    if (o->plan->thickness_from_substrate) put_substrate(p, group, &o->plan->substrate);
    if (o->plan->drift_from_volume) put_drift(p, group, &o->plan->drift_seen);
    put_note(p, group, "recipe", "application/yaml", "the recipe as given", o->recipe->path,
             o->recipe->text ? o->recipe->text : "");
    put_note(p, group, "recipe_resolved", "application/json",
             "every value of the recipe with where it came from, and the calibration used (SI)",
             NULL, resolved ? resolved : "");
    h5put_close(p, &group);
    free(resolved);
}

static void put_program(struct h5put *p, hid_t run)
{
    unsigned major = 0, minor = 0, release = 0;
    char mpi[MPI_MAX_LIBRARY_VERSION_STRING] = "", hdf5[48];
    int length = 0;
    MPI_Get_library_version(mpi, &length);
    mpi[strcspn(mpi, "\n")] = 0; /* some libraries add pages about how they were configured */
    for (char *tab = mpi; (tab = strchr(tab, '\t'));)
        *tab = ' ';
    H5get_libversion(&major, &minor, &release);
    snprintf(hdf5, sizeof hdf5, "%u.%u.%u", major, minor, release);
    h5put_text(p, run, "program", "cantle");
    h5put_text(p, run, "version", CANTLE_VERSION);
    h5put_text(p, run, "source_revision", CANTLE_REVISION);
    h5put_text(p, run, "compiler", CANTLE_COMPILER);
    h5put_text(p, run, "compiler_flags", CANTLE_FLAGS);
    h5put_text(p, run, "build_type", CANTLE_BUILD_TYPE);
    h5put_text(p, run, "mpi_library", mpi);
    h5put_text(p, run, "hdf5_version", hdf5);
    h5put_text(p, run, "gsl_version", gsl_version);
    h5put_text(p, run, "udunits_version", CANTLE_UDUNITS_VERSION);
}

const char *provenance_scheduler(const char **job)
{
    static const struct {
        const char *variable, *name;
    } schedulers[] = {{"SLURM_JOB_ID", "Slurm"}, {"PBS_JOBID", "PBS"}, {"LSB_JOBID", "LSF"}};
    for (size_t i = 0; i < sizeof schedulers / sizeof *schedulers; i++) {
        *job = getenv(schedulers[i].variable);
        if (*job && **job) return schedulers[i].name;
    }
    *job = "";
    return NULL;
}

static void put_scheduler(struct h5put *p, hid_t run)
{
    const char *job, *name = provenance_scheduler(&job);
    if (!name) return;
    h5put_text(p, run, "scheduler", name);
    h5put_text(p, run, "scheduler_job_id", job);
}

static void put_input(struct h5put *p, hid_t run, const struct maps_origin *o)
{
    const struct volume_facts *v = o->volume;
    struct stat facts;
    char modified[40] = "";
    uint64_t nanoseconds = 0;
    char *absolute = realpath(v->path, NULL);
    if (stat(v->path, &facts) == 0) {
        text_time(facts.st_mtime, modified);
        nanoseconds = (uint64_t)(facts.st_mtim.tv_sec * INT64_C(1000000000) +
                                 facts.st_mtim.tv_nsec);
    }
    h5put_text(p, run, "input_path", v->path);
    if (absolute) h5put_text(p, run, "input_absolute_path", absolute);
    h5put_count(p, run, "input_bytes", v->file_bytes);
    h5put_text(p, run, "input_modified", modified);
    h5put_count(p, run, "input_modified_ns", nanoseconds);
    h5put_text(p, run, "input_digest_method", DIGEST_METHOD);
    if (*v->made_from) h5put_text(p, run, "input_made_from", v->made_from);
    if (*v->source_digest) h5put_text(p, run, "input_source_digest", v->source_digest);
    if (o->mapping_text)
        put_note(p, run, "import_description", "application/yaml",
                 "what is what in the input, which is not a volume of its own", o->mapping_path,
                 o->mapping_text);
    free(absolute);
}

static void put_run(struct h5put *p, hid_t entry, const struct maps_origin *o,
                    const struct maps_layout *l, int ranks)
{
    char host[256] = "";
    char *folder = getcwd(NULL, 0), *identity = identity_text(o);
    hid_t run = h5put_group(p, entry, "run", "NXcollection");
    gethostname(host, sizeof host - 1);
    put_program(p, run);
    h5put_text(p, run, "command_line", o->command_line ? o->command_line : "");
    if (folder) h5put_text(p, run, "working_directory", folder);
    h5put_text(p, run, "host", host);
    h5put_integer(p, run, "ranks", ranks);
    put_scheduler(p, run);
    put_input(p, run, o);
    if (!identity && p->st == ST_OK)
        p->st = fail(p->rep, ST_MEMORY, "not enough memory for what the maps are made from");
    h5put_text(p, run, "identity", identity ? identity : "");
    h5put_integer(p, run, "rows_reversed", l->rows_reversed);
    h5put_integer(p, run, "columns_reversed", l->columns_reversed);
    h5put_text(p, run, "start_time", l->start_time);
    h5put_close(p, &run);
    free(identity);
    free(folder);
}

void provenance_put(struct h5put *p, hid_t entry, const struct maps_origin *origin,
                    const struct maps_layout *l, int ranks)
{
    put_calibration(p, entry, origin, l->start_time);
    put_fit(p, entry, origin, l->start_time);
    put_run(p, entry, origin, l, ranks);
    if (origin->parent) parent_put(p, entry, origin->parent);
}

void provenance_put_end(struct h5put *p, hid_t entry, const char *digest)
{
    char now[40];
    text_time_now(now);
    hid_t run = p->st == ST_OK ? H5Gopen2(entry, "run", H5P_DEFAULT) : H5I_INVALID_HID;
    if (run < 0) h5put_fail(p, "run");
    h5put_text(p, run, "input_digest", digest);
    h5put_text(p, run, "end_time", now);
    h5put_text(p, entry, "end_time", now);
    h5put_close(p, &run);
}
