/* Scenes of soft matter and of the lateral signal. */
#include "simulate/scene_private.h"

#include <math.h>

/* A cell that is spread over a hard dish would need a layer: this one is thick everywhere. Stiff
 * fibres cross it, its brush is long over the middle, tethers are pulled where it is. */
static void cell_place(const struct scene *s, size_t row, size_t col, struct scene_place *out)
{
    const struct volume_layout *l = &s->layout;
    double u = (double)col / (double)l->nx, v = (double)row / (double)l->nx;
    double middle = exp(-8.0 * ((u - 0.5) * (u - 0.5) + (v - 0.5) * (v - 0.5)));
    double fibre = pow(0.5 + 0.5 * sin(40 * (u - 0.6 * v) + 2 * scene_waves(s, u, v)), 6);
    out->present = out->touches = out->clean = true;
    out->modulus_pa = scene_between(0.8e3, 4e3, fibre);
    out->brush_m = s->kind->brush_m * (0.35 + 0.65 * middle);
    out->height_m = 1.5e-6 * middle;
    out->slope = 0.001;
    out->offset_v = 0.1 * scene_waves(s, v, 0.25);
    out->drag_m = 0.3e-9;
    out->tethers = (int)(3.99 * (0.2 + 0.8 * middle) * scene_chance(s, row, col, 3));
    for (int i = 0; i < out->tethers; i++) {
        double reach = scene_chance(s, row, col, 10u + (unsigned)i),
               force = scene_chance(s, row, col, 20u + (unsigned)i);
        out->tether[i] = (struct scene_tether){0.3e-6 + 1.5e-6 * reach, 25e-12 + 35e-12 * force};
    }
}

const struct scene_kind scene_cell = {
    .name = "cell",
    .summary =
        "cell surface under a 2.5 um sphere in a liquid: body of 0.8 kPa with stiffer fibres "
        "(4 kPa), a brush of 0.2 to 0.6 um in front of it, up to three membrane tethers of "
        "25 to 60 pN on the retract",
    .title = "simulated cell with brush and tethers",
    .own = {.columns = 32,
            .samples = 1500,
            .noise_m = 0.15e-9,
            .type = NUMBER_float32,
            .modulus_pa = 0.8e3,
            .work_j_per_m2 = 0,
            .radius_m = 2.5e-6,
            .spring_n_per_m = 0.03,
            .poisson_ratio = 0.5,
            .peak_force_n = 0.8e-9,
            .model = "brush"},
    .width_m = 25e-6,
    .sensitivity_m_per_v = 40e-9,
    .volt_range = 10,
    .ramp_m = 4e-6,
    .sample_interval_s = 100e-6,
    .z_kind = Z_START_STEP,
    .z_sense = 1,
    .brush_m = 600e-9,
    .place = cell_place,
};

static void friction_place(const struct scene *s, size_t row, size_t col, struct scene_place *out)
{
    const struct volume_layout *l = &s->layout;
    double u = (double)col / (double)l->nx, v = (double)row / (double)l->nx;
    double island = scene_islands(s, u, v);
    out->present = out->touches = out->clean = true;
    out->modulus_pa = s->modulus_pa;
    out->height_m = 4e-9 * scene_waves(s, u, v);
    out->slope = 0.002;
    out->offset_v = 0.2;
    out->friction_v_per_n = scene_between(0.4e6, 1.6e6, island);
    out->slope_v_per_n = 0.3e6 * scene_waves(s, v, u);
}

const struct scene_kind scene_friction = {
    .name = "friction",
    .summary =
        "two materials of one modulus (2 GPa) and different friction under a sharp tip: seen in "
        "the lateral signal alone, which also carries 6 % of the vertical one and the slope of "
        "the surface",
    .title = "simulated lateral contrast",
    .own = {.columns = 64,
            .samples = 512,
            .noise_m = 0.05e-9,
            .type = NUMBER_float32,
            .modulus_pa = 2e9,
            .work_j_per_m2 = 0,
            .radius_m = 20e-9,
            .spring_n_per_m = 2,
            .poisson_ratio = 0.4,
            .peak_force_n = 20e-9,
            .model = "paraboloid"},
    .width_m = 5e-6,
    .sensitivity_m_per_v = 60e-9,
    .volt_range = 10,
    .ramp_m = 50e-9,
    .sample_interval_s = 20e-6,
    .z_kind = Z_SHARED,
    .shared_is_offset = true,
    .z_sense = 1,
    .crosstalk = 0.06,
    .lateral_noise_v = 0.5e-3,
    .place = friction_place,
};
