#include "simulate/scene_plastic.h"
#include "simulate/scene_private.h"

#include <gsl/gsl_randist.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const struct scene_kind *const kinds[] = {&scene_blend,   &scene_gel,        &scene_uniform,
                                                 &scene_film,    &scene_cell_layer, &scene_cell,
                                                 &scene_friction};

int scene_count(void)
{
    return (int)(sizeof kinds / sizeof *kinds);
}

const char *scene_name(int index)
{
    return kinds[index]->name;
}

const char *scene_summary(int index)
{
    return kinds[index]->summary;
}

const struct volume_layout *scene_layout(const struct scene *s)
{
    return &s->layout;
}

/* Finaliser of S. Vigna's splitmix64 (public domain): spreads seed and place over all bits. */
static uint64_t mix(uint64_t x)
{
    x += UINT64_C(0x9e3779b97f4a7c15);
    x = (x ^ (x >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
    x = (x ^ (x >> 27)) * UINT64_C(0x94d049bb133111eb);
    return x ^ (x >> 31);
}

double scene_chance(const struct scene *s, size_t row, size_t col, unsigned purpose)
{
    uint64_t key = mix(mix(mix(s->seed) + row) + col) + purpose;
    return (double)(mix(key) >> 11) * 0x1p-53;
}

double scene_waves(const struct scene *s, double u, double v)
{
    double sum = 0;
    for (int i = 0; i < WAVES; i++)
        sum += sin(s->wave[i][0] * u + s->wave[i][1] * v + s->wave[i][2]);
    return tanh(sum / sqrt(WAVES / 2.0)); /* bounded by one whatever the phases */
}

double scene_islands(const struct scene *s, double u, double v)
{
    double inside = -1;
    for (int i = 0; i < ISLANDS; i++) {
        const double *p = s->island[i];
        double du = u - p[0], dv = v - p[1], angle = atan2(dv, du);
        double edge = p[2] * (1 + 0.15 * sin(3 * angle + p[3]) + 0.2 * sin(2 * angle + p[4]));
        inside = fmax(inside, edge - hypot(du, dv));
    }
    return 0.5 + 0.5 * tanh(inside / 0.006);
}

static void draw_shapes(struct scene *s)
{
    gsl_rng_set(s->rng, (unsigned long)(mix(s->seed) & 0x7fffffff));
    double tall = (double)s->layout.ny / (double)s->layout.nx;
    for (int i = 0; i < ISLANDS; i++) {
        s->island[i][0] = gsl_rng_uniform(s->rng);
        s->island[i][1] = gsl_rng_uniform(s->rng) * fmax(tall, 0.1);
        s->island[i][2] = 0.04 + 0.07 * gsl_rng_uniform(s->rng);
        s->island[i][3] = 6.28 * gsl_rng_uniform(s->rng);
        s->island[i][4] = 6.28 * gsl_rng_uniform(s->rng);
    }
    for (int i = 0; i < WAVES; i++) {
        s->wave[i][0] = 20 * (gsl_rng_uniform(s->rng) - 0.5);
        s->wave[i][1] = 20 * (gsl_rng_uniform(s->rng) - 0.5);
        s->wave[i][2] = 6.28 * gsl_rng_uniform(s->rng);
    }
}

static double given(double asked, double own)
{
    return isnan(asked) ? own : asked;
}

static void set_known(struct scene *s, enum lever_item item, double value, double relative_u)
{
    s->layout.lever.item[item] = (struct known){value, relative_u * fabs(value), "volume"};
}

static void settle_calibration(struct scene *s)
{
    lever_clear(&s->layout.lever);
    set_known(s, LEVER_deflection_sensitivity, s->sensitivity, 0.02);
    set_known(s, LEVER_spring_constant, s->setup.spring_n_per_m, 0.05);
    set_known(s, LEVER_poisson_ratio, s->poisson_ratio, 0.05);
    if (s->approach->needs & NEEDS(tip_radius))
        set_known(s, LEVER_tip_radius, s->setup.radius_m, 0.1);
    if (s->approach->needs & NEEDS(grafting_density))
        set_known(s, LEVER_grafting_density, s->setup.brush_density_per_m2, 0.5);
    if (s->approach->needs & NEEDS(tip_half_angle))
        set_known(s, LEVER_tip_half_angle, s->setup.half_angle_rad, 0.05);
    if (s->approach->needs & NEEDS(tip_face_angle))
        set_known(s, LEVER_tip_face_angle, s->setup.face_angle_rad, 0.05);
}

static enum status settle_models(struct scene *s, const char *asked, struct report *rep)
{
    const char *word = asked ? asked : s->kind->own.model;
    s->approach = contact_find(word);
    if (!s->approach)
        return fail(rep, ST_USAGE, "--model %s: there is no such model, expected one of: %s", word,
                    contact_names());
    const unsigned can = NEEDS(tip_radius) | NEEDS(tip_half_angle) | NEEDS(tip_face_angle) |
                         (s->kind->brush_m > 0 ? NEEDS(grafting_density) : 0);
    for (int i = 0; i < LEVER_COUNT; i++)
        if (s->approach->needs & ~can & (1u << i))
            return fail(rep, ST_USAGE, "--model %s: it needs the %s, which no scene has", word,
                        lever_rows[i].words);
    s->retract = s->kind->retract ? contact_find(s->kind->retract) : s->approach;
    /* the tip comes down without adhesion, and leaves with it */
    if (s->approach->adhesive)
        s->approach = s->approach->bare ? s->approach->bare : &contact_paraboloid;
    if (!s->retract->adhesive) s->work_j_per_m2 = 0;
    return ST_OK;
}

static double reduced(const struct scene *s, double modulus_pa)
{
    return modulus_pa / (1.0 - s->poisson_ratio * s->poisson_ratio);
}

/* The brush's further number is ln of L/(2 pi) over the model's length (contact/brush.c). */
static struct contact_sample sample_of(const struct scene *s, double modulus_pa, double work)
{
    struct contact_sample sample = {reduced(s, modulus_pa), work, 0};
    double length, kappa, pull;
    if (!(s->brush_m > 0)) return sample;
    s->approach->scales(&s->setup, &sample, &length, &kappa, &pull);
    sample.extra = log(s->brush_m / (2 * M_PI * length));
    return sample;
}

static double deflection_at(const struct scene *s, const struct contact_model *m, double modulus_pa,
                            double work, double x)
{
    double d;
    struct contact_sample sample = sample_of(s, modulus_pa, work);
    contact_deflection(m, &s->setup, &sample, &x, 1, &d);
    return d;
}

/* Displacement beyond the contact point at which the lever carries the deflection d_m > 0. */
static double displacement_for(const struct scene *s, const struct contact_model *m,
                               double modulus_pa, double work, double d_m)
{
    double low = 0, high = d_m;
    while (deflection_at(s, m, modulus_pa, work, high) < d_m && high < 1)
        high *= 2;
    for (int i = 0; i < 100 && high - low > 1e-16 * high; i++) {
        double mid = 0.5 * (low + high);
        if (deflection_at(s, m, modulus_pa, work, mid) < d_m)
            low = mid;
        else
            high = mid;
    }
    return 0.5 * (low + high);
}

/* How far the retract follows beyond the contact point before it comes off, at least zero. Of a
 * sphere the sum of both limits; of other tips as far as the lever's curve goes. */
static double stretch_of(const struct scene *s, double modulus_pa, double work)
{
    double length = 1e-10;
    if (s->retract->bare && work > 0) {
        while (deflection_at(s, s->retract, modulus_pa, work, -length) != 0 && length < 1)
            length *= 1.1;
        return length;
    }
    double pull = 2 * M_PI * work * s->setup.radius_m / s->setup.spring_n_per_m;
    double e = reduced(s, modulus_pa);
    if (!s->retract->adhesive || !(work > 0)) return 0;
    return pull + cbrt(M_PI * M_PI * work * work * s->setup.radius_m / (e * e));
}

static void settle_ramp(struct scene *s)
{
    double setpoint = s->peak_force_n / s->setup.spring_n_per_m;
    s->layout.ramp_m = s->kind->ramp_m;
    if (s->layout.ramp_m == 0) {
        double x = displacement_for(s, s->approach, s->modulus_pa, 0, setpoint);
        double adhesive = displacement_for(s, s->retract, s->modulus_pa, s->work_j_per_m2,
                                           setpoint);
        x = fmax(x, adhesive + stretch_of(s, s->modulus_pa, s->work_j_per_m2));
        s->layout.ramp_m = 2.5 * x;
    }
    s->layout.start_m = 0;
}

static void settle_layout(struct scene *s, const struct scene_options *o)
{
    const struct scene_kind *k = s->kind;
    struct volume_layout *l = &s->layout;
    l->nx = o->columns ? o->columns : k->own.columns;
    l->ny = o->rows ? o->rows : l->nx;
    l->n = o->samples ? o->samples : k->own.samples;
    l->pixel_m = k->width_m / (double)l->nx;
    l->type = (enum number)(o->type < 0 ? k->own.type : o->type);
    l->volt_range = k->volt_range;
    l->storage = o->storage;
    l->z_kind = k->z_kind;
    l->shared_is_offset = k->shared_is_offset;
    l->z_sense = k->z_sense;
    l->sample_interval_s = k->sample_interval_s;
    l->lateral = k->lateral_noise_v > 0;
    l->dwell = (size_t)(k->dwell * (double)l->n);
    snprintf(l->title, sizeof l->title, "%s, seed %llu", k->title, (unsigned long long)o->seed);
}

static void settle_physics(struct scene *s, const struct scene_options *o)
{
    const struct scene_options *own = &s->kind->own;
    s->noise_m = given(o->noise_m, own->noise_m);
    s->modulus_pa = given(o->modulus_pa, own->modulus_pa);
    s->work_j_per_m2 = given(o->work_j_per_m2, own->work_j_per_m2);
    s->poisson_ratio = given(o->poisson_ratio, own->poisson_ratio);
    s->peak_force_n = given(o->peak_force_n, own->peak_force_n);
    s->sensitivity = s->kind->sensitivity_m_per_v;
    s->brush_m = s->kind->brush_m;
    s->setup.brush_density_per_m2 = 3e14;
    s->setup.radius_m = given(o->radius_m, own->radius_m);
    s->setup.half_angle_rad = given(o->half_angle_rad, own->half_angle_rad);
    s->setup.face_angle_rad = given(o->face_angle_rad, own->face_angle_rad);
    s->setup.spring_n_per_m = given(o->spring_n_per_m, own->spring_n_per_m);
    s->seed = o->seed;
    s->tip_change_row = o->tip_change_row;
    s->tip_radius_factor = given(o->tip_radius_factor, 1.5);
    s->tip_adhesion_factor = given(o->tip_adhesion_factor, 1);
    s->tip_height_m = given(o->tip_height_m, 0);
}

static enum status check_options(const struct scene *s, const struct scene_options *o,
                                 struct report *rep)
{
    bool asks_uniform = o->model || !isnan(o->modulus_pa) || !isnan(o->work_j_per_m2) ||
                        !isnan(o->radius_m) || !isnan(o->half_angle_rad) ||
                        !isnan(o->face_angle_rad) || !isnan(o->spring_n_per_m) ||
                        !isnan(o->poisson_ratio) || !isnan(o->peak_force_n);
    if (asks_uniform && s->kind != &scene_uniform)
        return fail(rep, ST_USAGE,
                    "scene '%s' has its own sample and tip; --model, --modulus, --work, "
                    "--radius, --half-angle, --face-angle, --spring-constant, --poisson "
                    "and --peak-force go with --scene uniform",
                    s->kind->name);
    if (o->tip_change_row == 0 &&
        !(isnan(o->tip_radius_factor) && isnan(o->tip_adhesion_factor) && isnan(o->tip_height_m)))
        return fail(rep, ST_USAGE,
                    "--tip-radius, --tip-adhesion and --tip-height say how the tip changes; add "
                    "--tip-change ROW to say where");
    if (o->tip_change_row >= s->layout.ny)
        return fail(rep, ST_USAGE, "--tip-change: there are only %zu rows", s->layout.ny);
    if (!(s->tip_radius_factor > 0) || !(s->tip_adhesion_factor >= 0))
        return fail(rep, ST_USAGE,
                    "--tip-radius must be larger than zero, --tip-adhesion not negative");
    if (s->layout.n < 32) return fail(rep, ST_USAGE, "--samples: at least 32 are needed");
    if (!(s->noise_m >= 0)) return fail(rep, ST_USAGE, "--noise: must not be negative");
    if (!(s->modulus_pa > 0)) return fail(rep, ST_USAGE, "--modulus: must be larger than zero");
    if (!(s->work_j_per_m2 >= 0)) return fail(rep, ST_USAGE, "--work: must not be negative");
    if (!(s->peak_force_n > 0))
        return fail(rep, ST_USAGE, "--peak-force: must be larger than zero");
    if (s->retract->adhesive && s->kind == &scene_uniform && !(s->work_j_per_m2 > 0))
        return fail(rep, ST_USAGE, "--work: model '%s' needs more than zero", s->retract->name);
    for (int i = 0; i < LEVER_COUNT; i++) {
        const struct known *k = &s->layout.lever.item[i];
        enum status st = isnan(k->value) ? ST_OK : lever_check((enum lever_item)i, k, rep);
        if (st != ST_OK) return within(rep, ST_USAGE, "%s: ", lever_rows[i].name);
    }
    return ST_OK;
}

static const struct scene_kind *kind_of(const char *name)
{
    for (int i = 0; i < scene_count(); i++)
        if (strcmp(kinds[i]->name, name) == 0) return kinds[i];
    return NULL;
}

enum status scene_new(struct scene **out, const char *name, const struct scene_options *options,
                      struct report *rep)
{
    enum status st;
    struct scene *s = calloc(1, sizeof *s);
    if (!s || !(s->rng = gsl_rng_alloc(gsl_rng_mt19937))) {
        st = fail(rep, ST_MEMORY, "not enough memory for a scene");
        goto done;
    }
    s->kind = kind_of(name);
    if (!s->kind) {
        st = fail(rep, ST_USAGE,
                  "--scene %s: there is no such scene, expected blend, gel, uniform, film, "
                  "cell_layer, cell or friction",
                  name);
        goto done;
    }
    settle_layout(s, options);
    settle_physics(s, options);
    if ((st = settle_models(s, options->model, rep)) != ST_OK) goto done;
    settle_calibration(s);
    if ((st = check_options(s, options, rep)) != ST_OK) goto done;
    settle_ramp(s);
    draw_shapes(s);
    size_t cycle = 2 * s->layout.n + s->layout.dwell;
    s->work = malloc((2 * cycle + 2 * s->layout.n) * sizeof *s->work);
    for (size_t i = 0; i < 2 && s->work; i++)
        s->lateral[i] = s->work + 2 * cycle + i * s->layout.n;
    if (s->kind->relaxes) s->ting = ting_work_new(cycle);
    if (!s->work || (s->kind->relaxes && !s->ting))
        st = fail(rep, ST_MEMORY, "not enough memory for a curve");
done:
    if (st != ST_OK) {
        scene_free(s);
        s = NULL;
    }
    *out = s;
    return st;
}

void scene_free(struct scene *s)
{
    if (!s) return;
    if (s->rng) gsl_rng_free(s->rng);
    ting_work_free(s->ting);
    free(s->work);
    free(s);
}

/* What twists the lever, and the share of the vertical signal that a turned detector adds. */
static double lateral_of(struct scene *s, const struct scene_place *p, double deflection_m,
                         double volts, bool retract)
{
    double force = s->setup.spring_n_per_m * fmax(deflection_m, 0);
    double twist = p->slope_v_per_n + (retract ? -1 : 1) * p->friction_v_per_n;
    return twist * force + s->kind->crosstalk * volts + 0.05 +
           gsl_ran_gaussian_ziggurat(s->rng, s->kind->lateral_noise_v);
}

/* Deflections of one segment to volts: slope, drag, noise, offset. */
static void to_volts(struct scene *s, const struct scene_place *p, const double *x,
                     const double *deflection, size_t n, double x_end, double drag_m, bool reverse,
                     double *out)
{
    double *lateral = s->lateral[reverse];
    for (size_t i = 0; i < n; i++) {
        size_t k = reverse ? n - 1 - i : i;
        double d = deflection[k] + drag_m + p->slope * (x[k] - x_end);
        d += s->noise_m > 0 ? gsl_ran_gaussian_ziggurat(s->rng, s->noise_m) : 0.0;
        out[i] = d / s->sensitivity + p->offset_v;
        if (s->layout.lateral)
            lateral[i] = lateral_of(s, p, deflection[k], d / s->sensitivity, reverse);
    }
}

/* Tethers grip over the first 50 nm, then pull evenly until they let go. */
static void pull_tethers(const struct scene *s, const struct scene_place *p, const double *x,
                         double *d)
{
    for (int t = 0; t < p->tethers; t++)
        for (size_t i = 0; i < s->layout.n; i++)
            if (x[i] < 0 && -x[i] < p->tether[t].reach_m)
                d[i] -= p->tether[t].force_n / s->setup.spring_n_per_m * -expm1(x[i] / 50e-9);
}

static struct plastic plastic_at(const struct scene *s, const struct scene_place *p)
{
    return plastic_of(s->setup.spring_n_per_m, s->setup.half_angle_rad, p->hardness_pa,
                      reduced(s, p->modulus_pa), s->peak_force_n);
}

/* One segment with its contact point at x = 0 and its deep end at x_end. */
static void make_segment(struct scene *s, const struct scene_place *p, bool retract, double x_end,
                         double *out)
{
    size_t n = s->layout.n;
    double *x = s->work, *d = s->work + n, step = s->layout.ramp_m / (double)(n - 1);
    const struct contact_model *m = retract && p->work_j_per_m2 > 0 ? s->retract : s->approach;
    double drag = retract ? -p->drag_m : p->drag_m;
    for (size_t i = 0; i < n; i++)
        x[i] = x_end - (double)(n - 1 - i) * step;
    struct contact_sample sample = sample_of(s, p->modulus_pa, retract ? p->work_j_per_m2 : 0.0);
    struct plastic plastic;
    if (p->touches && p->hardness_pa > 0) {
        plastic = plastic_at(s, p);
        plastic_deflection(&plastic, retract, x, n, d);
    } else if (p->touches)
        contact_deflection(m, &s->setup, &sample, x, n, d);
    else
        memset(d, 0, n * sizeof *d);
    if (retract) pull_tethers(s, p, x, d);
    to_volts(s, p, x, d, n, x_end, drag, retract, out);
}

static void tell_truth(const struct scene *s, const struct scene_place *p, double setpoint_m,
                       double x_end, double z_end, struct scene_truth *t)
{
    bool dmt = strcmp(s->retract->name, "dmt") == 0;
    *t = (struct scene_truth){.present = p->present, .touches = p->touches, .clean = p->clean};
    t->z_end_m = z_end;
    bool known = p->present && p->touches;
    t->modulus_pa = known ? p->modulus_pa : NAN;
    t->reduced_modulus_pa = known ? reduced(s, p->modulus_pa) : NAN;
    t->hardness_pa = known && p->hardness_pa > 0 ? p->hardness_pa : NAN;
    t->work_j_per_m2 = known ? p->work_j_per_m2 : NAN;
    t->adhesion_n = known ? (dmt ? 2.0 : 1.5) * M_PI * s->setup.radius_m * p->work_j_per_m2 : NAN;
    t->contact_height_m = known ? x_end - z_end : NAN; /* -Z0 */
    t->indentation_m = known ? x_end - setpoint_m : NAN;
    t->brush_length_m = known && p->brush_m > 0 ? p->brush_m : NAN;
    t->tethers = known ? (double)p->tethers : (double)NAN;
    t->last_tether_force_n = t->last_tether_separation_m = NAN;
    double force = setpoint_m * s->setup.spring_n_per_m;
    t->lateral_at_peak_v = known && s->layout.lateral
                               ? (p->slope_v_per_n + p->friction_v_per_n) * force
                               : NAN;
    for (int i = 0; i < p->tethers && known; i++) {
        double from_surface = p->tether[i].reach_m - p->tether[i].force_n / s->setup.spring_n_per_m;
        if (t->last_tether_separation_m > from_surface) continue;
        t->last_tether_separation_m = from_surface;
        t->last_tether_force_n = p->tether[i].force_n;
    }
    t->exponent = known && s->kind->relaxes ? p->exponent : NAN;
}

/* All segments of a sample that relaxes. */
static void make_cycle(struct scene *s, const struct scene_place *p, double *const volts[SEG_COUNT],
                       struct scene_truth *truth)
{
    const struct volume_layout *l = &s->layout;
    size_t n = l->n, dwell = l->dwell;
    double *d = s->work, *x = d + 2 * n + dwell, x_end, step = l->ramp_m / (double)(n - 1);
    scene_relaxing_cycle(s, p, d, &x_end);
    tell_truth(s, p, d[n - 1], x_end, x_end - p->height_m, truth);
    for (size_t i = 0; i < n; i++)
        x[i] = x_end - (double)(n - 1 - i) * step;
    to_volts(s, p, x, d, n, x_end, p->drag_m, false, volts[SEG_APPROACH]);
    for (size_t i = 0; i < dwell; i++)
        x[i] = x_end;
    to_volts(s, p, x, d + n, dwell, x_end, 0.0, false, volts[SEG_DWELL]);
    for (size_t i = 0; i < n; i++)
        x[i] = x_end - (double)i * step;
    to_volts(s, p, x, d + n + dwell, n, x_end, -p->drag_m, false, volts[SEG_RETRACT]);
}

/* From the row of the change on another tip scans the same sample. */
static void change_tip(struct scene *s, size_t row, struct scene_place *p)
{
    if (s->tip_change_row == 0 || row < s->tip_change_row) return;
    s->setup.radius_m *= s->tip_radius_factor;
    p->work_j_per_m2 *= s->tip_adhesion_factor;
    /* on a ramp that all pixels share, height_m is how much later contact comes */
    bool later = s->layout.z_kind == Z_SHARED && !s->layout.shared_is_offset;
    p->height_m += later ? -s->tip_height_m : s->tip_height_m;
}

static void make_elastic(struct scene *s, const struct scene_place *p, double *approach_v,
                         double *retract_v, struct scene_truth *truth)
{
    const struct volume_layout *l = &s->layout;
    double setpoint = s->peak_force_n / s->setup.spring_n_per_m;
    double x_end = p->hardness_pa > 0
                       ? plastic_at(s, p).depth_m + setpoint
                       : displacement_for(s, s->approach, p->modulus_pa, 0, setpoint);
    double z_end = x_end - p->height_m; /* higher places are met earlier */
    if (l->z_kind == Z_SHARED && !l->shared_is_offset) {
        z_end = l->start_m + l->ramp_m; /* all stop at one z, so the setpoint is only nearly met */
        x_end -= p->height_m;
        setpoint = deflection_at(s, s->approach, p->modulus_pa, 0, x_end);
    }
    tell_truth(s, p, setpoint, x_end, z_end, truth);
    /* both segments begin and end at one force: the retract's contact point lies higher, as behind
     * a neck of adhesion, which makes the hysteresis */
    double x_back = p->work_j_per_m2 > 0
                        ? displacement_for(s, s->retract, p->modulus_pa, p->work_j_per_m2, setpoint)
                        : x_end;
    make_segment(s, p, false, x_end, approach_v);
    make_segment(s, p, true, x_back, retract_v);
}

void scene_curve(struct scene *s, size_t row, size_t col, double *approach_v, double *dwell_v,
                 double *retract_v, struct scene_truth *truth)
{
    const struct volume_layout *l = &s->layout;
    double *const volts[SEG_COUNT] = {approach_v, dwell_v, retract_v};
    struct scene_place p = {0};
    const double radius_m = s->setup.radius_m;
    s->kind->place(s, row, col, &p);
    s->brush_m = p.brush_m;
    change_tip(s, row, &p);
    gsl_rng_set(s->rng, (unsigned long)((mix(s->seed) + row * l->nx + col) & 0xffffffff));
    if (s->kind->relaxes)
        make_cycle(s, &p, volts, truth);
    else
        make_elastic(s, &p, approach_v, retract_v, truth);
    for (size_t i = 0; !p.present && i < l->n; i++)
        approach_v[i] = retract_v[i] = 0.0;
    s->setup.radius_m = radius_m;
}

/* Maps of truth: [ny,nx] each. */
#define TRUTH_LIST(T)                                                                              \
    T(modulus, modulus_pa, "Pa", "true elastic modulus")                                           \
    T(reduced_modulus, reduced_modulus_pa, "Pa", "true reduced modulus")                           \
    T(adhesion, adhesion_n, "N", "true pull-off force")                                            \
    T(work_of_adhesion, work_j_per_m2, "J m-2", "true work of adhesion")                           \
    T(contact_height, contact_height_m, "m", "true height of the surface, -Z0 of the approach")    \
    T(relaxation_exponent, exponent, "1",                                                          \
      "true exponent of the power law, NaN where the sample is elastic; its moduli are those at "  \
      "1 s")                                                                                       \
    T(indentation, indentation_m, "m", "true indentation at the end of the approach")              \
    T(brush_length, brush_length_m, "m", "true length of the brush")                               \
    T(tethers, tethers, "1", "true number of tethers")                                             \
    T(last_tether_force, last_tether_force_n, "N", "true force of the tether that breaks last")    \
    T(last_tether_separation, last_tether_separation_m, "m",                                       \
      "true tip-sample separation at which it breaks")                                             \
    T(lateral_at_peak, lateral_at_peak_v, "V", "true lateral signal at the peak, no cross-talk")   \
    T(hardness, hardness_pa, "Pa", "true hardness, NaN where the sample is elastic")               \
    T(usable, clean, NULL, "1 where there is a curve with contact, and not on the bad scan line")

enum {
#define T(name, member, unit, words) TRUTH_##name,
    TRUTH_LIST(T)
#undef T
        TRUTH_COUNT,
    TRUTH_present = TRUTH_COUNT,
    TRUTH_z_end,
    TRUTH_ARRAYS
};

static void keep_truth(const struct scene_truth *t, double *arrays, size_t pixels, size_t i)
{
#define T(name, member, unit, words) arrays[TRUTH_##name * pixels + i] = (double)t->member;
    TRUTH_LIST(T)
#undef T
    arrays[TRUTH_usable * pixels + i] = t->present && t->touches && t->clean;
    arrays[TRUTH_present * pixels + i] = t->present;
    arrays[TRUTH_z_end * pixels + i] = t->z_end_m;
}

static enum status write_arrays(struct volume_writer *w, const double *arrays, size_t pixels,
                                struct report *rep)
{
    enum status st = volume_write_ends(w, arrays + TRUTH_z_end * pixels, rep);
    if (st == ST_OK)
        st = volume_write_pixels(w, "/grid/present", NULL, "0 where no curve was taken", true,
                                 arrays + TRUTH_present * pixels, rep);
#define T(name, member, unit, words)                                                               \
    if (st == ST_OK)                                                                               \
        st = volume_write_pixels(w, "/truth/" #name, unit, words, (unit) == NULL,                  \
                                 arrays + TRUTH_##name * pixels, rep);
    TRUTH_LIST(T)
#undef T
    return st;
}

enum status scene_write(struct scene *s, const char *path, bool overwrite, struct report *rep)
{
    const struct volume_layout *l = &s->layout;
    size_t pixels = l->ny * l->nx, row_size = l->nx * l->n, cycle = 2 * l->n + l->dwell;
    struct volume_writer *w = NULL;
    struct scene_truth truth;
    double *arrays = malloc(TRUTH_ARRAYS * pixels * sizeof *arrays);
    double *volts = malloc((l->nx * cycle + 2 * row_size) * sizeof *volts);
    enum status st = ST_OK;
    double *dwell = volts ? volts + 2 * row_size : NULL;
    if (!arrays || !volts) {
        st = fail(rep, ST_MEMORY, "not enough memory for %zu pixels", pixels);
        goto done;
    }
    double *lateral = volts + l->nx * cycle;
    st = volume_write_begin(&w, path, overwrite, l, rep);
    for (size_t row = 0; row < l->ny && st == ST_OK; row++) {
        for (size_t col = 0; col < l->nx; col++) {
            scene_curve(s, row, col, volts + col * l->n, dwell + col * l->dwell,
                        volts + row_size + col * l->n, &truth);
            keep_truth(&truth, arrays, pixels, row * l->nx + col);
            for (int i = 0; i < 2 && l->lateral; i++)
                memcpy(lateral + (size_t)i * row_size + col * l->n, s->lateral[i],
                       l->n * sizeof *lateral);
        }
        st = volume_write_row(w, row, volts, dwell, volts + row_size, rep);
        if (st == ST_OK && l->lateral)
            st = volume_write_lateral(w, row, lateral, lateral + row_size, rep);
    }
    if (st == ST_OK) st = write_arrays(w, arrays, pixels, rep);
    if (st == ST_OK) st = volume_write_end(&w, rep);
done:
    volume_write_drop(&w);
    free(volts);
    free(arrays);
    return st;
}
