#include "calibration/spring.h"

#include "calibration/beam.h"
#include "calibration/fluid.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

const struct spring_input_row spring_inputs[SPRING_INPUTS] = {
#define P(name, unit, positive, words) {#name, unit, positive, words},
    SPRING_INPUT_LIST(P)
#undef P
};
const struct spring_method_row spring_methods[METHOD_COUNT] = {
#define M(name, unit, words, source) {#name, unit, words, source},
    SPRING_METHOD_LIST(M)
#undef M
};

/* --- the inputs as one vector: the table's rows, then free resonance, masses, loaded resonances
 * --- */

enum {
    AT_FREE = SPRING_INPUTS,
    AT_MASS,
    AT_LOADED = AT_MASS + SPRING_MASSES,
    ALL_INPUTS = AT_LOADED + SPRING_MASSES
};
_Static_assert((int)ALL_INPUTS <= (int)PROPAGATE_INPUTS, "more inputs than propagate takes");

#define BIT(name) (1u << SPRING_##name)
static const unsigned needs[METHOD_COUNT] = {
    [METHOD_thermal] = BIT(temperature) | BIT(sensitivity) | BIT(area),
    [METHOD_sader] = BIT(resonance) | BIT(quality) | BIT(length) | BIT(width) | BIT(fluid_density) |
                     BIT(viscosity),
    [METHOD_dimensions] = BIT(length) | BIT(width) | BIT(thickness) | BIT(modulus),
    [METHOD_torsional_thermal] = BIT(temperature) | BIT(torsional_sensitivity) |
                                 BIT(torsional_area),
    [METHOD_torsion] = BIT(length) | BIT(width) | BIT(thickness) | BIT(modulus) | BIT(poisson),
    [METHOD_torsion_from_spring] = BIT(spring_constant) | BIT(length) | BIT(poisson),
    [METHOD_lateral] = BIT(tip_height),
};

void spring_clear(struct spring_job *job)
{
    *job = (struct spring_job){.free_hz = {NAN, NAN, true}, .twist = METHOD_COUNT, .draws = 20000};
    for (int i = 0; i < SPRING_INPUTS; i++)
        job->input[i] = (struct unsure){NAN, NAN, spring_inputs[i].positive};
    for (int i = 0; i < 3; i++)
        job->fit_correlation[i][i] = 1;
}

void spring_lacks(const struct spring_job *job, enum spring_method method, char *out, size_t size)
{
    size_t used = 0;
    *out = 0;
    for (int i = 0; i < SPRING_INPUTS; i++)
        if ((needs[method] >> i & 1) && isnan(job->input[i].value) && used < size)
            used += (size_t)snprintf(out + used, size - used, "%s%s", used ? ", " : "",
                                     spring_inputs[i].name);
    if (method == METHOD_added_mass && job->masses == 0)
        snprintf(out, size, "an added mass with its resonance");
    else if (method == METHOD_added_mass && isnan(job->free_hz.value) &&
             isnan(job->input[SPRING_resonance].value))
        snprintf(out, size, "the resonance without added mass");
}

/* --- the methods --- */

double spring_tilt_of_sensitivity(double tilt_rad, double tip_height_m, double length_m)
{
    double c = cos(tilt_rad), s = sin(tilt_rad), e = tip_height_m / length_m;
    double root = (c * c - 3 * e * s * c + 3 * e * e * s * s) / (c - 2 * e * s);
    return root * root;
}

static double thermal(const double *x, const struct spring_job *job)
{
    double k = thermal_spring_constant(x[SPRING_temperature], x[SPRING_sensitivity], x[SPRING_area],
                                       thermal_share(job->motion, job->band));
    if (job->motion != MOTION_contact || isnan(x[SPRING_tilt])) return k;
    bool tip = isfinite(x[SPRING_tip_height]) && isfinite(x[SPRING_length]);
    return k * spring_tilt_of_sensitivity(x[SPRING_tilt], tip ? x[SPRING_tip_height] : 0,
                                          tip ? x[SPRING_length] : 1);
}

static double sader(const double *x)
{
    struct fluid f = {.density_kg_m3 = x[SPRING_fluid_density],
                      .viscosity_pa_s = x[SPRING_viscosity]};
    for (int i = 0; i < SPRING_INPUTS; i++)
        if ((needs[METHOD_sader] >> i & 1) && isnan(x[i])) return NAN;
    return fluid_sader(&f, x[SPRING_width], x[SPRING_length], x[SPRING_resonance],
                       x[SPRING_quality]);
}

/* One mass: the closed form. Several: slope of m over (2 pi f)^-2, the free lever a point with m =
 * 0 (Cleveland et al. 1993, fig. 2), least squares. */
static double added_mass(const double *x, const struct spring_job *job)
{
    double free_hz = isfinite(x[AT_FREE]) ? x[AT_FREE] : x[SPRING_resonance];
    double n = 1, sx = 1 / pow(2 * M_PI * free_hz, 2), sy = 0, sxx = 0, sxy = 0, x0 = sx;
    if (job->masses == 0) return NAN;
    if (job->masses == 1) return beam_added_mass(x[AT_MASS], x[AT_LOADED], free_hz);
    sx = 0; /* relative to the free lever's, so that digits are kept */
    for (size_t i = 0; i < job->masses; i++) {
        double dx = 1 / pow(2 * M_PI * x[AT_LOADED + i], 2) - x0, m = x[AT_MASS + i];
        n += 1, sx += dx, sy += m, sxx += dx * dx, sxy += dx * m;
    }
    return (sxy - sx * sy / n) / (sxx - sx * sx / n);
}

static void twists(const double *x, double *y, const struct beam *b, const struct spring_job *job)
{
    double k = x[SPRING_spring_constant];
    for (int m = METHOD_SPRINGS - 1; m >= 0 && isnan(x[SPRING_spring_constant]); m--)
        if (isfinite(y[m])) k = y[m];
    y[METHOD_torsional_thermal] = thermal_spring_constant(
        x[SPRING_temperature], x[SPRING_torsional_sensitivity], x[SPRING_torsional_area],
        thermal_twist_share(job->band));
    y[METHOD_torsion] = isfinite(y[METHOD_dimensions]) && isfinite(x[SPRING_poisson])
                            ? beam_torsion(b, x[SPRING_poisson])
                            : NAN;
    y[METHOD_torsion_from_spring] = beam_torsion_from_spring(k, x[SPRING_length],
                                                             x[SPRING_poisson]);
    int from = METHOD_SPRINGS;
    while (from < METHOD_TWISTS - 1 && isnan(y[from]))
        from++;
    if (job->twist < METHOD_COUNT) from = (int)job->twist;
    y[METHOD_lateral] = beam_lateral(y[from], x[SPRING_tip_height]);
}

static void model(const double *x, double *y, const void *context)
{
    const struct spring_job *job = context;
    struct beam b = {x[SPRING_length], x[SPRING_width], x[SPRING_thickness], x[SPRING_modulus],
                     x[SPRING_density]};
    y[METHOD_thermal] = thermal(x, job);
    y[METHOD_sader] = sader(x);
    y[METHOD_added_mass] = added_mass(x, job);
    y[METHOD_dimensions] = beam_spring_constant(&b);
    twists(x, y, &b, job);
}

/* --- together --- */

static void compare(const struct propagated *r, const double (*cov)[PROPAGATE_RESULTS],
                    struct spring_results *out)
{
    for (int a = 0; a < METHOD_SPRINGS; a++)
        for (int b = 0; b < METHOD_SPRINGS; b++) {
            struct spring_pair *p = &out->pair[a][b];
            *p = (struct spring_pair){NAN, NAN, false};
            if (!r[a].there || !r[b].there) continue;
            p->difference = log(r[a].value / r[b].value);
            p->u = sqrt(fmax(cov[a][a] + cov[b][b] - 2 * cov[a][b], 0));
            p->agree = fabs(p->difference) <= 2 * p->u;
        }
}

enum status spring_run(const struct spring_job *job, struct spring_results *out, struct report *rep)
{
    static const int fitted[3] = {SPRING_area, SPRING_resonance, SPRING_quality};
    struct unsure in[ALL_INPUTS];
    double correlation[ALL_INPUTS][PROPAGATE_INPUTS] = {{0}},
           cov[PROPAGATE_RESULTS][PROPAGATE_RESULTS];
    memcpy(in, job->input, sizeof job->input);
    in[AT_FREE] = job->free_hz;
    memcpy(in + AT_MASS, job->mass_kg, sizeof job->mass_kg);
    memcpy(in + AT_LOADED, job->loaded_hz, sizeof job->loaded_hz);
    for (int i = 0; i < 3; i++)
        for (int j = 0; j < 3; j++)
            correlation[fitted[i]][fitted[j]] = job->fit_correlation[i][j];
    struct propagate_job p = {.inputs = ALL_INPUTS,
                              .results = METHOD_COUNT,
                              .input = in,
                              .correlation = (const double(*)[PROPAGATE_INPUTS])correlation,
                              .model = model,
                              .context = job,
                              .draws = job->draws,
                              .seed = 1995};
    enum status st = propagate(&p, out->method, cov, rep);
    if (st != ST_OK) return st;
    compare(out->method, (const double(*)[PROPAGATE_RESULTS])cov, out);
    for (int m = 0; m < METHOD_SPRINGS; m++)
        out->tilt_contained[m] = m == METHOD_thermal && job->motion == MOTION_contact &&
                                 isnan(job->input[SPRING_tilt].value);
    return ST_OK;
}
