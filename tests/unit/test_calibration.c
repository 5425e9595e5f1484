/* Spectrum and oscillator fit, propagation, spring methods together, contact line, lever file. */
#include "base/units.h"
#include "calibration/beam.h"
#include "calibration/contact_line.h"
#include "calibration/fluid.h"
#include "calibration/lever_file.h"
#include "calibration/oscillator.h"
#include "calibration/sanity.h"
#include "calibration/spring.h"
#include "calibration/tilt.h"
#include "recipe/recipe.h"
#include "table.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#undef fail
#include <cmocka.h>

static void near(double got, double want, double relative)
{
    if (!(fabs(got - want) <= relative * fabs(want)))
        fail_msg("%.12g is not %.12g (relative %.2g, limit %.2g)", got, want, got / want - 1,
                 relative);
}

/* --- spectrum --- */

/* White noise of variance v has the one-sided density 2 v/rate; Hann window, half overlap, many
 * segments: equivalent degrees of freedom 1.89 for each segment (D. B. Percival, A. T. Walden,
 * Spectral Analysis for Physical Applications (1993), sec. 6.17: 36 N/(19 N_B) with N_B half the
 * segment). */
static void welch_of_white_noise(void **state)
{
    (void)state;
    enum { N = 1 << 18, SEGMENT = 512 };
    struct report rep;
    struct spectrum s;
    double *x = malloc(N * sizeof *x), mean = 0, var = 0;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    for (int i = 0; i < N; i++)
        x[i] = 3 + gsl_ran_gaussian(rng, 2.0);
    const struct records r = {x, N, 1, 1000};
    assert_int_equal(spectrum_welch(&r, SEGMENT, &s, &rep), ST_OK);
    assert_int_equal(s.n, SEGMENT / 2 - 1);
    assert_int_equal(s.segments, 2 * N / SEGMENT - 1);
    near(2 / s.spread[0] / (double)s.segments, 36.0 / 19.0, 0.01);
    near(s.spread[1] / s.spread[0], 4.0 / 9.0, 0.1); /* Hann: (2/3)^2, without overlap */
    for (size_t i = 4; i < s.n; i++)
        mean += s.density[i] / (double)(s.n - 4);
    for (size_t i = 4; i < s.n; i++)
        var += pow(s.density[i] / mean - 1, 2) / (double)(s.n - 5);
    near(mean, 2 * 4.0 / 1000, 0.02);
    near(var, s.spread[0], 0.35); /* 250 ordinates, half of them independent: 4 standard errors */
    near(s.lag[0], 1, 1e-12);
    assert_true(fabs(s.lag[SEGMENT / 2] - 1.0 / 6.0) < 1e-3); /* Welch 1967: Hann at half overlap */
    spectrum_free(&s);
    assert_int_equal(spectrum_welch(&r, N + 2, &s, &rep), ST_INPUT);
    gsl_rng_free(rng);
    free(x);
}

/* The exact spectrum of Hutter & Bechhoefer 1993 comes back as it is. */
static void oscillator_of_an_exact_spectrum(void **state)
{
    (void)state;
    enum { N = 4000 };
    static const double q[] = {1.5, 20, 200};
    double hz[N], density[N];
    struct oscillator_wish wish = {NAN, NAN, NAN};
    for (size_t k = 0; k < 3; k++) {
        struct report rep = {""};
        struct spectrum s;
        struct oscillator o;
        for (int i = 0; i < N; i++) {
            hz[i] = 20.0 * (i + 1);
            density[i] = thermal_density(2e-6, 18e3, q[k], hz[i]) + 3e-12 + 1e-11 * 18e3 / hz[i];
        }
        assert_int_equal(spectrum_given(hz, density, N, 100, false, &s, &rep), ST_OK);
        assert_int_equal(oscillator_fit(&s, &wish, &o, &rep), ST_OK);
        near(o.value[OSC_area], 2e-6, 1e-6);
        near(o.value[OSC_resonance], 18e3, 1e-7);
        near(o.value[OSC_quality], q[k], 1e-6);
        near(o.value[OSC_white], 3e-12, 1e-4);
        near(o.value[OSC_flicker], 1e-11, 1e-4);
        near(o.degrees_of_freedom, 200, 1e-12);
        assert_true(o.misfit < 1e-6);
        /* the area of all of it is that of the mode, but for what lies beyond the ends */
        if (k > 0) near(o.whole, 2e-6, 0.01);
        spectrum_free(&s);
    }
}

/* Four times the averages halve the uncertainty. */
static void uncertainty_follows_the_averages(void **state)
{
    (void)state;
    enum { N = 2000 };
    double hz[N], density[N], u[2];
    struct oscillator_wish wish = {NAN, NAN, NAN};
    for (int i = 0; i < N; i++) {
        hz[i] = 40.0 * (i + 1);
        density[i] = thermal_density(2e-6, 18e3, 20, hz[i]) + 3e-12;
    }
    for (int k = 0; k < 2; k++) {
        struct report rep = {""};
        struct spectrum s;
        struct oscillator o;
        assert_int_equal(spectrum_given(hz, density, N, k ? 400 : 100, true, &s, &rep), ST_OK);
        assert_int_equal(oscillator_fit(&s, &wish, &o, &rep), ST_OK);
        u[k] = sqrt(o.covariance[OSC_area][OSC_area]);
        spectrum_free(&s);
    }
    near(u[0] / u[1], 2, 1e-3);
}

static void no_resonance_is_said(void **state)
{
    (void)state;
    enum { N = 400 };
    double hz[N], density[N];
    struct report rep = {""};
    struct spectrum s;
    for (int i = 0; i < N; i++)
        hz[i] = i % 7 == 3 ? 10.0 * i + 5 : 10.0 * i, density[i] = 1;
    assert_int_equal(spectrum_given(hz, density, N, 10, true, &s, &rep), ST_INPUT);
    assert_non_null(strstr(rep.text, "equal steps"));
    for (int i = 0; i < N; i++)
        hz[i] = 10.0 * i, density[i] = i == 50 ? -1 : 1;
    assert_int_equal(spectrum_given(hz, density, N, 10, true, &s, &rep), ST_INPUT);
    assert_non_null(strstr(rep.text, "positive"));
}

/* --- propagation --- */

static void product(const double *x, double *y, const void *context)
{
    (void)context;
    y[0] = x[0] * x[0] / x[1];
    y[1] = x[1];
}

/* JCGM 100:2008, 5.1.6: relative uncertainties of powers add in squares, p u/x; 5.2.2: with
 * correlation. */
static void law_of_propagation(void **state)
{
    (void)state;
    struct report rep;
    struct propagated p[2];
    const struct unsure in[2] = {{10, 0.1, true}, {5, 0.1, true}};
    double r[2][PROPAGATE_INPUTS] = {{1, 0.5}, {0.5, 1}}, cov[PROPAGATE_RESULTS][PROPAGATE_RESULTS];
    struct propagate_job job = {
        .inputs = 2, .results = 2, .input = in, .model = product, .draws = 40000, .seed = 7};
    assert_int_equal(propagate(&job, p, cov, &rep), ST_OK);
    near(p[0].value, 20, 1e-12);
    near(p[0].linear / 20, hypot(2 * 0.01, 0.02), 1e-3);
    near(p[0].u, p[0].linear, 0.02);
    near(p[0].high / p[0].low, exp(2 * 1.96 * hypot(0.02, 0.02)), 0.01);
    near(p[0].correlation[1], -sqrt(0.5), 1e-3);
    near(cov[0][1], -0.0004, 0.03);
    assert_false(p[0].differs);
    job.correlation = (const double(*)[PROPAGATE_INPUTS])r;
    assert_int_equal(propagate(&job, p, cov, &rep), ST_OK);
    /* 4 u1^2 + u2^2 - 2 * 2 * 0.5 u1 u2 */
    near(p[0].linear / 20, sqrt(4e-4 + 4e-4 - 2 * 2 * 0.5 * 0.01 * 0.02), 1e-3);
    near(p[0].u, p[0].linear, 0.02);
}

/* A result without stated uncertainty says so; one that does not depend on it does not. */
static void unstated_inputs_are_told(void **state)
{
    (void)state;
    struct report rep;
    struct propagated p[2];
    const struct unsure in[2] = {{10, NAN, true}, {5, 0.1, true}};
    const struct propagate_job job = {
        .inputs = 2, .results = 2, .input = in, .model = product, .draws = 1000, .seed = 7};
    assert_int_equal(propagate(&job, p, NULL, &rep), ST_OK);
    assert_true(p[0].unstated);
    assert_false(p[1].unstated);
}

/* --- methods side by side --- */

static struct unsure known(double value, double relative)
{
    return (struct unsure){value, relative * value, true};
}

/* An invented lever whose thermal spectrum and hydrodynamics belong to one k; both methods must
 * find it, their difference must not hold what they share, and Sader must not depend on the
 * sensitivity. */
static void methods_agree_on_one_lever(void **state)
{
    (void)state;
    struct report rep;
    struct spring_job job;
    struct spring_results res;
    struct fluid air = {.density_kg_m3 = 1.18, .viscosity_pa_s = 1.86e-5};
    double k = fluid_sader(&air, 3e-5, 2.25e-4, 75e3, 200);
    double area = thermal_share(MOTION_contact, BAND_first_mode) * BOLTZMANN_J_PER_K * 295 /
                  (k * 50e-9 * 50e-9);
    spring_clear(&job);
    job.input[SPRING_temperature] = known(295, 0.003);
    job.input[SPRING_sensitivity] = known(50e-9, 0.02);
    job.input[SPRING_area] = known(area, 0.03);
    job.input[SPRING_resonance] = known(75e3, 1e-4);
    job.input[SPRING_quality] = known(200, 0.03);
    job.input[SPRING_length] = known(2.25e-4, 0.01);
    job.input[SPRING_width] = known(3e-5, 0.01);
    job.input[SPRING_fluid_density] = known(1.18, 0.01);
    job.input[SPRING_viscosity] = known(1.86e-5, 0.01);
    job.fit_correlation[0][2] = job.fit_correlation[2][0] = 0.9;
    job.draws = 20000;
    assert_int_equal(spring_run(&job, &res, &rep), ST_OK);
    const struct propagated *t = &res.method[METHOD_thermal], *s = &res.method[METHOD_sader];
    near(t->value, k, 1e-12);
    near(s->value, k, 1e-12);
    near(t->linear / k, sqrt(0.003 * 0.003 + 4 * 0.02 * 0.02 + 0.03 * 0.03), 2e-3);
    near(t->correlation[SPRING_sensitivity], -2 * 0.02 / (t->linear / k), 2e-3);
    assert_true(fabs(s->correlation[SPRING_sensitivity]) < 1e-12);
    assert_true(res.pair[METHOD_thermal][METHOD_sader].agree);
    assert_false(res.method[METHOD_dimensions].there || res.method[METHOD_added_mass].there);
    /* thermal goes as 1/area, Sader as Q: their errors are opposite where both grow together */
    double apart = hypot(t->linear / k, s->linear / k);
    double var = apart * apart + 2 * 0.9 * 0.03 * (s->part[SPRING_quality] / k);
    near(res.pair[METHOD_thermal][METHOD_sader].u, sqrt(var), 0.02);
    /* a tenth off is seen */
    job.input[SPRING_quality] = known(200 * 1.5, 0.03);
    assert_int_equal(spring_run(&job, &res, &rep), ST_OK);
    assert_false(res.pair[METHOD_thermal][METHOD_sader].agree);
}

/* tests/reference/67_torsion.csv (S. P. Timoshenko, J. N. Goodier): each way to the lateral spring
 * constant. Uncertainty of a product of powers: JCGM 100:2008, 5.1.6. */
static void lateral_rows(void **state)
{
    (void)state;
    static struct table t;
    struct report rep;
    struct spring_job job;
    struct spring_results res;
    assert_true(table_read(&t, "67_torsion.csv"));
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        spring_clear(&job);
        job.input[SPRING_modulus] = known(c[0], 0.02);
        job.input[SPRING_poisson] = (struct unsure){c[1], 0, false};
        job.input[SPRING_length] = known(c[2], 0.01);
        job.input[SPRING_width] = known(c[3], 0.01);
        job.input[SPRING_thickness] = known(c[4], 0.02);
        job.input[SPRING_tip_height] = known(c[5], 0.03);
        job.input[SPRING_spring_constant] = known(c[6], 0.04);
        assert_int_equal(spring_run(&job, &res, &rep), ST_OK);
        near(res.method[METHOD_torsion].value, c[9], 1e-12);
        near(res.method[METHOD_lateral].value, c[10], 1e-12);
        job.twist = METHOD_torsion_from_spring;
        assert_int_equal(spring_run(&job, &res, &rep), ST_OK);
        const struct propagated *k = &res.method[METHOD_torsion_from_spring],
                                *h = &res.method[METHOD_lateral];
        near(k->value, c[7], 1e-12);
        near(k->linear / k->value, sqrt(0.04 * 0.04 + 4 * 0.01 * 0.01), 1e-3);
        near(k->u, k->linear, 0.03); /* 20000 draws */
        near(h->value, c[8], 1e-12);
        near(h->linear / h->value, sqrt(0.04 * 0.04 + 4 * 0.01 * 0.01 + 4 * 0.03 * 0.03), 1e-3);
    }
}

/* The modes of a uniform bar share kB T/k_phi: each term from the energy of its own shape, found
 * here by a sum over the bar; all of them make one, which is equipartition of the end's twist. */
static void twist_shares(void **state)
{
    (void)state;
    enum { STEPS = 20000, MODES = 2000 };
    double all = 0;
    for (int n = 1; n <= MODES; n++) {
        double b = (n - 0.5) * M_PI, energy = 0; /* phi = sin(b x), G J = 1, L = 1 */
        for (int i = 0; i < STEPS && n <= 3; i++)
            energy += pow(b * cos(b * (i + 0.5) / STEPS), 2) / STEPS;
        if (n > 3) energy = b * b / 2;
        if (n == 1) near(thermal_twist_share(BAND_first_mode), 1 / energy, 1e-9);
        all += 1 / energy;
    }
    near(all, thermal_twist_share(BAND_whole), 2e-4); /* what is cut off: 4/(2 pi^2 MODES) */
}

/* Cleveland et al. 1993: exact resonances with masses give k whether one or several are given. */
static void added_masses(void **state)
{
    (void)state;
    struct report rep;
    struct spring_job job;
    struct spring_results res;
    double k = 0.06, own = 0.06 / pow(2 * M_PI * 18e3, 2);
    for (size_t n = 1; n <= 4; n += 3) {
        spring_clear(&job);
        job.masses = n;
        job.free_hz = known(18e3, 0);
        for (size_t i = 0; i < n; i++) {
            double m = 3e-13 * (double)(i + 1);
            job.mass_kg[i] = known(m, 0.05);
            job.loaded_hz[i] = known(sqrt(k / (own + m)) / (2 * M_PI), 1e-4);
        }
        assert_int_equal(spring_run(&job, &res, &rep), ST_OK);
        near(res.method[METHOD_added_mass].value, k, 1e-9);
        assert_true(res.method[METHOD_added_mass].linear > 0.01 * k);
    }
}

/* The tilt is taken once. An elastic beam with a rigid tip, pressed along z without friction: the
 * detector reads the slope of its end. With the sensitivity found so, thermal noise gives a
 * stiffness along z; turned into the lever's own and back by the beam's factor of the recipe it
 * must be that of the apex but for what a tall tip does to the ratio of slope and motion (here
 * below 2.5 %); for a tip without height it is exact. Deflections of a beam by end force and end
 * moment: Timoshenko & Goodier. */
static void tilt_is_taken_once(void **state)
{
    (void)state;
    const double length = 125e-6, k = 3.0, ei = k * length * length * length / 3;
    for (int tall = 0; tall < 2; tall++) {
        double t = 11 * M_PI / 180, height = tall ? 12e-6 : 0;
        /* unit force along z: components across and along the lever, moment of the latter */
        double across = cos(t), moment = -sin(t) * height;
        double w = across * pow(length, 3) / (3 * ei) + moment * length * length / (2 * ei);
        double slope = across * length * length / (2 * ei) + moment * length / ei;
        double z = w * cos(t) - slope * height * sin(t);
        near(tilt_factor(TILT_BEAM, t, height, length), 1 / (z * k), 1e-12);
        double sensitivity = z / slope; /* m for each "volt", one volt a radian */
        double true_motion = beam_mode(1).share * BOLTZMANN_J_PER_K * 300 / k;
        double area = true_motion * pow(beam_mode(1).slope / length, 2);
        struct report rep;
        struct spring_job job;
        struct spring_results res;
        spring_clear(&job);
        job.draws = 10;
        job.input[SPRING_temperature] = known(300, 0);
        job.input[SPRING_sensitivity] = known(sensitivity, 0);
        job.input[SPRING_area] = known(area, 0);
        job.input[SPRING_tilt] = (struct unsure){t, 0, false};
        job.input[SPRING_length] = known(length, 0);
        if (tall) job.input[SPRING_tip_height] = known(height, 0);
        assert_int_equal(spring_run(&job, &res, &rep), ST_OK);
        near(res.method[METHOD_thermal].value, k, 1e-12);
        assert_false(res.tilt_contained[METHOD_thermal]);
        /* not told of the tilt, the value is that along z */
        job.input[SPRING_tilt].value = NAN;
        assert_int_equal(spring_run(&job, &res, &rep), ST_OK);
        assert_true(res.tilt_contained[METHOD_thermal]);
        near(res.method[METHOD_thermal].value, 1 / z, tall ? 0.025 : 1e-12);
        /* the true motion of the end knows nothing of the tilt */
        job.motion = MOTION_free;
        job.input[SPRING_area] = known(true_motion, 0);
        job.input[SPRING_sensitivity] = known(1, 0);
        job.input[SPRING_tilt] = (struct unsure){t, 0, false};
        assert_int_equal(spring_run(&job, &res, &rep), ST_OK);
        near(res.method[METHOD_thermal].value, k, 1e-12);
    }
}

/* --- contact line --- */

enum { SAMPLES = 500 };

static void make_curve(double slope, double base, double bend, double noise, gsl_rng *rng,
                       double *z, double *v)
{
    for (int i = 0; i < SAMPLES; i++) {
        z[i] = 1e-9 * i;
        double d = fmax(z[i] - 250e-9, 0);
        v[i] = 0.3 + base * z[i] + slope * d * (1 + bend * d / 250e-9) +
               (noise > 0 ? gsl_ran_gaussian(rng, noise) : 0);
    }
}

static void line_of_an_exact_curve(void **state)
{
    (void)state;
    double z[SAMPLES], v[SAMPLES], scratch[2 * SAMPLES];
    const struct line_window window = {0.2, 0.9};
    struct contact_line line;
    make_curve(2e7, 1e5, 0, 0, NULL, z, v);
    v[300] = NAN; /* a missing sample */
    contact_line_fit(z, v, SAMPLES, &window, scratch, &line);
    assert_int_equal(line.fault, LINE_none);
    near(line.slope, 2e7, 1e-9); /* the virtual deflection is off */
    near(line.base, 1e5, 1e-6);
    assert_true(fabs(line.curvature) < 1e-9);
    /* d (1 + b d/D): the slope is 1 + 2 b d/D, so from 0.2 to 0.9 of the signal it grows by nearly
     * 2 b (0.9 - 0.2) over the slope in the middle */
    make_curve(2e7, 1e5, 0.02, 0, NULL, z, v);
    contact_line_fit(z, v, SAMPLES, &window, scratch, &line);
    near(line.curvature, 2 * 0.02 * 0.7 / (1 + 2 * 0.02 * 0.55), 0.03);
}

static void unusable_curves_say_why(void **state)
{
    (void)state;
    double z[SAMPLES], v[SAMPLES], scratch[2 * SAMPLES];
    const struct line_window window = {0.2, 0.9};
    struct contact_line line;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    for (int i = 0; i < SAMPLES; i++)
        z[i] = 1e-9 * i, v[i] = gsl_ran_gaussian(rng, 0.01);
    contact_line_fit(z, v, SAMPLES, &window, scratch, &line);
    assert_int_equal(line.fault, LINE_no_contact);
    contact_line_fit(z, v, 20, &window, scratch, &line);
    assert_int_equal(line.fault, LINE_few_samples);
    make_curve(-2e7, 0, 0, 1e-3, rng, z, v);
    contact_line_fit(z, v, SAMPLES, &window, scratch, &line);
    assert_int_not_equal(line.fault, LINE_none);
    gsl_rng_free(rng);
}

/* Curves that differ by more than their noise: the standard error must cover the truth as often as
 * it says, which the fits alone would not; one wild curve is found. */
static void scatter_between_curves_counts(void **state)
{
    (void)state;
    enum { CURVES = 24, REPEATS = 200 };
    double z[SAMPLES], v[SAMPLES], scratch[2 * SAMPLES];
    const struct line_window window = {0.2, 0.9};
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    int inside = 0, by_fit = 0;
    for (int k = 0; k < REPEATS; k++) {
        struct contact_line line[CURVES];
        struct line_summary sum;
        for (int c = 0; c < CURVES; c++) {
            make_curve(2e7 * (1 + gsl_ran_gaussian(rng, 0.005)) * (c == 5 ? 1.2 : 1), 0, 0, 4e-3,
                       rng, z, v);
            contact_line_fit(z, v, SAMPLES, &window, scratch, &line[c]);
        }
        contact_lines_sum(line, CURVES, 5, scratch, &sum);
        assert_int_equal(line[5].fault, LINE_outlier);
        inside += fabs(sum.slope - 2e7) < 2.07 * sum.u; /* Student, 22 degrees of freedom */
        by_fit += fabs(sum.slope - 2e7) < 2.07 * sum.fit_u / sqrt((double)sum.curves);
    }
    assert_in_range(inside, 0.90 * REPEATS,
                    0.99 * REPEATS); /* 95 %, 3.3 binomial standard errors */
    assert_true(by_fit < 0.7 * REPEATS);
    gsl_rng_free(rng);
}

/* --- lever file --- */

static void there_and_back(void **state)
{
    (void)state;
    struct report rep = {""};
    struct lever_file a = {.name = "lever: \"7\" # one"}, b;
    struct lever_record k = lever_record_make("spring_constant", 0.0612345678, 0.0021);
    char *text;
    size_t size;
    snprintf(k.text.method, sizeof k.text.method, "thermal");
    snprintf(k.text.tilt, sizeof k.text.tilt, "not contained");
    snprintf(k.text.correlated_with, sizeof k.text.correlated_with, "deflection_sensitivity");
    snprintf(k.text.correlated_value, sizeof k.text.correlated_value, "52 nm/V");
    snprintf(k.text.correlation, sizeof k.text.correlation, "-0.9");
    snprintf(k.text.remark, sizeof k.text.remark, "- a: [text] that 'needs' quotes");
    assert_int_equal(lever_file_put(&a, &k, false, &rep), ST_OK);
    assert_int_equal(lever_file_put(&a, &k, false, &rep), ST_OUTPUT);
    assert_non_null(strstr(rep.text, "--overwrite"));
    assert_int_equal(lever_file_put(&a, &k, true, &rep), ST_OK);
    assert_int_equal(a.n, 1);
    assert_int_equal(lever_file_text(&a, &text, &size, &rep), ST_OK);
    assert_int_equal(lever_file_parse(&b, text, size, "l.yaml", &rep), ST_OK);
    assert_string_equal(b.name, a.name);
    const struct lever_record *r = lever_file_find(&b, "spring_constant");
    assert_non_null(r);
    near(r->value, 0.0612345678, 1e-9);
    near(r->u, 0.0021, 1e-9);
    near(r->correlation, -0.9, 1e-12);
    near(r->correlated_value, 52e-9, 1e-12);
    assert_int_equal(r->tilt, SPRING_TILT_NOT_CONTAINED);
    assert_string_equal(r->text.remark, k.text.remark);
    free(text);
}

static void damaged_lever_files(void **state)
{
    (void)state;
    static const struct {
        const char *text, *says;
    } cases[] = {
        {"", "empty"},
        {"format: cantle-lever-9\nvalues: []\n", "cantle-lever-9"},
        {"format: cantle-lever-1\n", "values"},
        {"format: cantle-lever-1\nvalues:\n- value: 1 N/m\n", "without 'quantity'"},
        {"format: cantle-lever-1\nvalues:\n- quantity: spring_constnat\n  value: 1 N/m\n",
         "did you mean 'spring_constant'"},
        {"format: cantle-lever-1\nvalues:\n- quantity: spring_constant\n  value: 1 nm\n", "N/m"},
        {"format: cantle-lever-1\nvalues:\n- quantity: spring_constant\n  value: 1\n", "no unit"},
        {"format: cantle-lever-1\nvalues:\n- quantity: spring_constant\n", "no value"},
        {"format: cantle-lever-1\nvalues:\n- quantity: spring_constant\n  value: -1 N/m\n",
         "between"},
        {"format: cantle-lever-1\nvalues:\n- quantity: spring_constant\n  value: 1 N/m\n  u: -1 "
         "N/m\n",
         "negative"},
        {"format: cantle-lever-1\nvalues:\n- quantity: spring_constant\n  value: 1 N/m\n  "
         "correlation: 1.5\n",
         "between -1 and 1"},
        {"format: cantle-lever-1\nvalues:\n- quantity: spring_constant\n  value: 1 N/m\n  tilt: "
         "yes\n",
         "not contained"},
        {"format: cantle-lever-1\nvalues:\n- quantity: tilt\n  value: 1 rad\n- quantity: tilt\n  "
         "value: "
         "1 rad\n",
         "twice"},
        {"format: cantle-lever-1\nvalues:\n- quantity: tilt\n  weight: 1 rad\n", "weight"},
        {"format: cantle-lever-1\nvalues: &a\n- quantity: tilt\n  value: 1 rad\nlever: *a\n", ""},
        {"[1, 2", ""},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        struct report rep = {""};
        struct lever_file f;
        enum status st = lever_file_parse(&f, cases[i].text, strlen(cases[i].text), "l.yaml", &rep);
        if (st != ST_RECIPE || !strstr(rep.text, "l.yaml: ") || !strstr(rep.text, cases[i].says) ||
            strchr(rep.text, '\n'))
            fail_msg("case %zu: status %d: %s", i, (int)st, rep.text);
    }
}

static const char whole_file[] = "format: cantle-lever-1\n"
                                 "lever: no. 7\n"
                                 "values:\n"
                                 "- quantity: deflection_sensitivity\n"
                                 "  value: 52 nm/V\n"
                                 "  u: 1.04 nm/V\n"
                                 "- quantity: spring_constant\n"
                                 "  value: 0.06 N/m\n"
                                 "  u: 3 mN/m\n"
                                 "  method: thermal\n"
                                 "  tilt: not contained\n"
                                 "  correlated_with: deflection_sensitivity\n"
                                 "  correlated_value: 52 nm/V\n"
                                 "  correlation: -0.8\n"
                                 "- quantity: tip_radius\n"
                                 "  value: 40 nm\n"
                                 "  u: 5 nm\n"
                                 "  u_besides: 2 nm\n"
                                 "  correlated_with: spring_constant\n"
                                 "  correlated_value: 0.06 N/m\n"
                                 "  per_spring_constant: 2\n"
                                 "  per_sensitivity: -0.1\n"
                                 "- quantity: resonance\n"
                                 "  value: 18 kHz\n";

/* Whatever is damaged, it is either still a lever file or refused in one line. */
static void random_damage(void **state)
{
    (void)state;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    int refused = 0;
    for (int k = 0; k < 3000; k++) {
        char text[sizeof whole_file];
        size_t size = sizeof whole_file - 1;
        struct lever_file f;
        struct report rep = {""};
        memcpy(text, whole_file, sizeof text);
        for (int hits = 1 + (int)gsl_rng_uniform_int(rng, 3); hits > 0; hits--)
            text[gsl_rng_uniform_int(rng, size)] = (char)gsl_rng_uniform_int(rng, 256);
        if (k % 3 == 0) size = gsl_rng_uniform_int(rng, size);
        enum status st = lever_file_parse(&f, text, size, "l.yaml", &rep);
        assert_true(st == ST_OK || st == ST_RECIPE);
        if (st == ST_OK) continue;
        refused++;
        assert_non_null(strstr(rep.text, "l.yaml: "));
        assert_null(strchr(rep.text, '\n'));
    }
    assert_true(refused > 1000);
    gsl_rng_free(rng);
}

static enum status settle(const char *keys, const struct lever *volume, struct lever *out,
                          struct report *rep)
{
    struct recipe r;
    char text[512];
    snprintf(text, sizeof text, "calibration:\n  lever_file: l.yaml\n%s", keys);
    assert_int_equal(recipe_parse(&r, text, strlen(text), "r.yaml", rep), ST_OK);
    r.lever_text = strdup(whole_file);
    enum status st = lever_settle(&r, volume, out, rep);
    recipe_free(&r);
    return st;
}

/* Recipe before lever file before volume; what was found together stays together only while both
 * are the file's. */
static void who_wins(void **state)
{
    (void)state;
    struct report rep = {""};
    struct lever volume, out;
    lever_clear(&volume);
    volume.item[LEVER_spring_constant] = (struct known){0.5, 0.1, "volume"};
    volume.item[LEVER_tilt] = (struct known){0.2, 0.01, "volume"};
    assert_int_equal(settle("", &volume, &out, &rep), ST_OK);
    near(out.item[LEVER_spring_constant].value, 0.06, 1e-12);
    near(out.item[LEVER_spring_constant].u, 0.003, 1e-12);
    assert_string_equal(out.item[LEVER_spring_constant].origin, "lever file");
    assert_string_equal(out.item[LEVER_tilt].origin, "volume");
    near(out.correlation, -0.8, 1e-12);
    assert_true(out.spring_thermal);
    assert_int_equal(out.spring_tilt, SPRING_TILT_NOT_CONTAINED);
    assert_int_equal(out.tip_item, LEVER_tip_radius);
    near(out.tip_by_spring, 2, 1e-12);
    near(out.tip_by_sensitivity, -0.1, 1e-12);
    near(out.tip_u, 2e-9, 1e-12);
    /* another sensitivity: the spring constant is the file's still, but errs alone */
    assert_int_equal(settle("  deflection_sensitivity: 60 nm/V\n", &volume, &out, &rep), ST_OK);
    assert_true(out.correlation == 0 && !out.spring_thermal);
    assert_int_equal(out.tip_item, LEVER_tip_radius);
    assert_true(out.tip_by_sensitivity == 0);
    /* another spring constant: nothing of the file's belongs to it */
    assert_int_equal(settle("  spring_constant: 0.07 N/m\n", &volume, &out, &rep), ST_OK);
    assert_true(out.correlation == 0);
    assert_int_equal(out.spring_tilt, SPRING_TILT_UNKNOWN);
    assert_int_equal(out.tip_item, LEVER_COUNT);
    assert_string_equal(out.item[LEVER_spring_constant].origin, "recipe");
    /* another uncertainty, or another tip */
    assert_int_equal(settle("  spring_constant_u: 1 mN/m\n", &volume, &out, &rep), ST_OK);
    assert_true(out.correlation == 0);
    near(out.item[LEVER_spring_constant].u, 0.001, 1e-12);
    assert_int_equal(settle("tip:\n  tip_radius: 50 nm\n", &volume, &out, &rep), ST_OK);
    assert_int_equal(out.tip_item, LEVER_COUNT);
}

/* Common practice, no source: levers of a hundredth to a hundred N/m, tips of a few nm to tens of
 * um. */
static void usual_ranges(void **state)
{
    (void)state;
    char text[256];
    assert_false(sanity_check("spring_constant", 0.06, text, sizeof text));
    assert_true(sanity_check("spring_constant", 0.06e3, text, sizeof text) == 0);
    assert_true(sanity_check("spring_constant", 6e-3, text, sizeof text));
    assert_non_null(strstr(text, "prefix"));
    assert_true(sanity_check("spring_constant", 600, text, sizeof text));
    assert_true(sanity_check("tip_radius", 1e-4, text, sizeof text));
    assert_true(sanity_check("deflection_sensitivity", 5e-5, text, sizeof text));
    assert_false(sanity_check("no_such_quantity", 1, text, sizeof text));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(welch_of_white_noise),
        cmocka_unit_test(oscillator_of_an_exact_spectrum),
        cmocka_unit_test(uncertainty_follows_the_averages),
        cmocka_unit_test(no_resonance_is_said),
        cmocka_unit_test(law_of_propagation),
        cmocka_unit_test(unstated_inputs_are_told),
        cmocka_unit_test(methods_agree_on_one_lever),
        cmocka_unit_test(lateral_rows),
        cmocka_unit_test(twist_shares),
        cmocka_unit_test(added_masses),
        cmocka_unit_test(tilt_is_taken_once),
        cmocka_unit_test(line_of_an_exact_curve),
        cmocka_unit_test(unusable_curves_say_why),
        cmocka_unit_test(scatter_between_curves_counts),
        cmocka_unit_test(there_and_back),
        cmocka_unit_test(damaged_lever_files),
        cmocka_unit_test(random_damage),
        cmocka_unit_test(who_wins),
        cmocka_unit_test(usual_ranges),
    };
    int failed = cmocka_run_group_tests(tests, NULL, NULL);
    units_close();
    return failed;
}
