/* The scenes: numbers and places. A new one: a record here and a row in scene.c. */
#include "simulate/scene_private.h"

#include <math.h>

static double between(double low, double high, double share)
{
    return low * pow(high / low, share);
}

static void blend_place(const struct scene *s, size_t row, size_t col, struct scene_place *out)
{
    const struct volume_layout *l = &s->layout;
    double u = (double)col / (double)l->nx, v = (double)row / (double)l->nx;
    double island = scene_islands(s, u, v);
    double setpoint_m = s->peak_force_n / s->setup.spring_n_per_m;
    bool scratched = row > (l->ny * 3) / 4;
    bool bad_line = l->ny > 2 && row == (l->ny * 5) / 8;
    out->present = scene_chance(s, row, col, 0) >= 0.002;
    out->touches = scene_chance(s, row, col, 1) >= 0.002;
    out->clean = !bad_line;
    out->modulus_pa = between(60e6, 1.2e9, island);
    out->work_j_per_m2 = (0.050 - 0.025 * island) * (scratched ? 4.0 / 3.0 : 1.0);
    out->height_m = 6e-9 * island + 5e-9 * scene_waves(s, u, v) + 20e-9 * u - 8e-9 * v;
    out->slope = 0.004 + 0.001 * sin(6.0 * v);
    /* the bad line: the light spot sat so far out that the detector clips in the contact */
    out->offset_v = bad_line ? l->volt_range - 0.4 * setpoint_m / s->sensitivity
                             : 0.3 + 0.2 * scene_waves(s, v, 0.5);
    out->drag_m = 0;
}

const struct scene_kind scene_blend = {
    .name = "blend",
    .summary =
        "polymer blend film: stiff islands (1.2 GPa) in a rubbery matrix (60 MPa), adhesion by "
        "phase, tilt and topography, a bad scan line, a few lost curves; from three quarters of "
        "the scan on the tip is scratched and adhesion a third higher",
    .title = "simulated polymer blend film",
    .own = {.columns = 128,
            .samples = 512,
            .noise_m = 0.03e-9,
            .type = NUMBER_int16,
            .modulus_pa = 60e6,
            .work_j_per_m2 = 0.05,
            .radius_m = 20e-9,
            .spring_n_per_m = 8,
            .poisson_ratio = 0.4,
            .peak_force_n = 5e-9,
            .model = "paraboloid"},
    .width_m = 5e-6,
    .sensitivity_m_per_v = 60e-9,
    .volt_range = 2,
    .ramp_m = 40e-9,
    .sample_interval_s = 20e-6,
    .z_kind = Z_SHARED,
    .shared_is_offset = true,
    .z_sense = 1,
    .retract = "jkr",
    .place = blend_place,
};

static void gel_place(const struct scene *s, size_t row, size_t col, struct scene_place *out)
{
    const struct volume_layout *l = &s->layout;
    double u = (double)col / (double)l->nx, v = (double)row / (double)l->nx;
    out->present = out->touches = out->clean = true;
    out->modulus_pa = between(2e3, 20e3, 0.5 + 0.5 * scene_waves(s, u, v));
    out->work_j_per_m2 = 0;
    out->height_m = 150e-9 * scene_waves(s, v, u) + 100e-9 * u;
    out->slope = 0.002;
    out->offset_v = 0.1 * scene_waves(s, v, 0.25);
    out->drag_m = 0.5e-9;
}

const struct scene_kind scene_gel = {
    .name = "gel",
    .summary = "soft gel (2 to 20 kPa) under a 2.5 um sphere in a liquid: drag parts approach and "
               "retract; z is stored falling towards the sample",
    .title = "simulated gel in liquid",
    .own = {.columns = 48,
            .samples = 1024,
            .noise_m = 0.1e-9,
            .type = NUMBER_float32,
            .modulus_pa = 2e3,
            .work_j_per_m2 = 0,
            .radius_m = 2.5e-6,
            .spring_n_per_m = 0.06,
            .poisson_ratio = 0.5,
            .peak_force_n = 0.5e-9,
            .model = "paraboloid"},
    .width_m = 40e-6,
    .sensitivity_m_per_v = 40e-9,
    .volt_range = 10,
    .ramp_m = 1e-6,
    .sample_interval_s = 100e-6,
    .z_kind = Z_START_STEP,
    .z_sense = -1,
    .place = gel_place,
};

static void cell_layer_place(const struct scene *s, size_t row, size_t col, struct scene_place *out)
{
    const struct volume_layout *l = &s->layout;
    double u = (double)col / (double)l->nx, v = (double)row / (double)l->nx;
    double nucleus = scene_islands(s, u, v), fibres = 0.5 + 0.5 * scene_waves(s, u, v);
    out->present = out->touches = out->clean = true;
    /* what is stiff flows less */
    out->modulus_pa = between(800, 3000, fibres) * (1 - nucleus) + 500 * nucleus;
    out->exponent = (0.26 - 0.14 * fibres) * (1 - nucleus) + 0.34 * nucleus;
    out->height_m = 600e-9 * nucleus + 150e-9 * scene_waves(s, v, u);
    out->slope = 0.002;
    out->offset_v = 0.1 * scene_waves(s, v, 0.25);
    out->drag_m = 0.4e-9;
}

const struct scene_kind scene_cell_layer = {
    .name = "cell_layer",
    .summary =
        "layer of spread cells under a 2.5 um sphere in a liquid: a power law of time (Ting's "
        "solution), fibres stiff (3 kPa at 1 s) and little fluid, nuclei soft and more so; a dwell "
        "of a fifth of the ramp, drag",
    .title = "simulated layer of cells",
    .own = {.columns = 48,
            .samples = 600,
            .noise_m = 0.3e-9,
            .type = NUMBER_float32,
            .modulus_pa = 1e3,
            .work_j_per_m2 = 0,
            .radius_m = 2.5e-6,
            .spring_n_per_m = 0.03,
            .poisson_ratio = 0.5,
            .peak_force_n = 0.6e-9,
            .model = "paraboloid"},
    .width_m = 60e-6,
    .sensitivity_m_per_v = 40e-9,
    .volt_range = 10,
    .ramp_m = 3e-6,
    .sample_interval_s = 1e-3,
    .z_kind = Z_START_STEP,
    .z_sense = 1,
    .relaxes = true,
    .dwell = 0.2,
    .place = cell_layer_place,
};

static void uniform_place(const struct scene *s, size_t row, size_t col, struct scene_place *out)
{
    /* contact falls anywhere between two samples, so that errors are sampled honestly */
    double step = s->layout.ramp_m / (double)(s->layout.n - 1);
    *out = (struct scene_place){.present = true,
                                .touches = true,
                                .clean = true,
                                .modulus_pa = s->modulus_pa,
                                .work_j_per_m2 = s->work_j_per_m2,
                                .height_m = step * scene_chance(s, row, col, 2)};
}

const struct scene_kind scene_uniform = {
    .name = "uniform",
    .summary = "one modulus everywhere, set by --model, --modulus, --work and the tip; nothing but "
               "noise disturbs it",
    .title = "simulated uniform sample",
    .own = {.columns = 32,
            .samples = 512,
            .noise_m = 0.05e-9,
            .type = NUMBER_float64,
            .model = "paraboloid",
            .modulus_pa = 2e6,
            .work_j_per_m2 = 0.002,
            .radius_m = 100e-9,
            .half_angle_rad = 0.4363323129985824,
            .face_angle_rad = 0.4363323129985824,
            .spring_n_per_m = 0.5,
            .poisson_ratio = 0.5,
            .peak_force_n = 2e-9},
    .width_m = 10e-6,
    .sensitivity_m_per_v = 50e-9,
    .volt_range = 10,
    .ramp_m = 0,
    .sample_interval_s = 20e-6,
    .z_kind = Z_SHARED,
    .z_sense = 1,
    .place = uniform_place,
};

static void film_place(const struct scene *s, size_t row, size_t col, struct scene_place *out)
{
    const struct volume_layout *l = &s->layout;
    double u = (double)col / (double)l->nx, v = (double)row / (double)l->nx;
    double island = scene_islands(s, u, v);
    *out = (struct scene_place){.present = true, .touches = true, .clean = true};
    out->modulus_pa = between(3e9, 6.5e9, island);
    out->hardness_pa = between(0.25e9, 0.6e9, island);
    out->height_m = 4e-9 * island + 3e-9 * scene_waves(s, u, v) + 10e-9 * u;
    out->slope = 0.001;
    out->offset_v = 0.1 * scene_waves(s, v, 0.5);
}

const struct scene_kind scene_film = {
    .name = "film",
    .summary =
        "glassy film that yields (hardness 0.25 GPa, islands 0.6 GPa; modulus 3 and 6.5 GPa) "
        "under a sharp tip on a stiff lever: its print stays, for the unloading analysis",
    .title = "simulated film that yields",
    .own = {.columns = 32,
            .samples = 1024,
            .noise_m = 0.03e-9,
            .type = NUMBER_float32,
            .modulus_pa = 3e9,
            .work_j_per_m2 = 0,
            .half_angle_rad =
                1.2269, /* of the cone with the area of a Berkovich tip, 70.3 degree */
            .spring_n_per_m = 90,
            .poisson_ratio = 0.35,
            .peak_force_n = 2e-6,
            .model = "cone"},
    .width_m = 16e-6,
    .sensitivity_m_per_v = 60e-9,
    .volt_range = 10,
    .ramp_m = 120e-9,
    .sample_interval_s = 20e-6,
    .z_kind = Z_SHARED,
    .shared_is_offset = true,
    .z_sense = 1,
    .place = film_place,
};
