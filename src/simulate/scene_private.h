/** Inside of the scenes: shared by scene*.c only. */
#ifndef CANTLE_SIMULATE_SCENE_PRIVATE_H
#define CANTLE_SIMULATE_SCENE_PRIVATE_H

#include "contact/ting.h"
#include "simulate/scene.h"

#include <gsl/gsl_rng.h>

enum { ISLANDS = 26, WAVES = 8 };

/** What a scene says about one place before any curve is made. */
struct scene_place {
    bool present, touches, clean;
    double modulus_pa, work_j_per_m2, height_m;
    double exponent;    /**< kind->relaxes: of the power law; modulus_pa is that at 1 s */
    double hardness_pa; /**< where the sample yields under the tip; 0: elastic */
    double drag_m;      /**< deflection by the liquid, opposite in the two segments */
    double slope;       /**< virtual deflection over z */
    double offset_v;    /**< of the detector */
};

struct scene {
    const struct scene_kind *kind;
    struct volume_layout layout;
    struct contact_setup setup;
    const struct contact_model *approach, *retract; /**< without and with adhesion */
    double poisson_ratio, sensitivity, noise_m, peak_force_n, ramp_share;
    double modulus_pa, work_j_per_m2; /**< uniform */
    uint64_t seed;
    size_t tip_change_row; /**< 0 = never */
    double tip_radius_factor, tip_adhesion_factor, tip_height_m;
    double island[ISLANDS][5]; /**< u, v, radius, two phases; in widths of the scan */
    double wave[WAVES][3];     /**< two wave numbers, phase */
    gsl_rng *rng;
    double *work;           /**< [2 (2 n + dwell)] */
    struct ting_work *ting; /**< where the sample relaxes */
};

/** A scene: its own numbers as options, calibration, and the rule for one place (u, v in widths of
 * the scan, from the first pixel). */
struct scene_kind {
    const char *name, *summary, *title;
    struct scene_options own;
    double width_m, sensitivity_m_per_v, volt_range, ramp_m, /**< ramp_m 0: from the contact */
        sample_interval_s;
    bool relaxes; /**< the sample is viscoelastic: Ting's solution for the whole cycle */
    double dwell; /**< samples of the dwell over those of the approach */
    enum z_kind z_kind;
    bool shared_is_offset;
    int z_sense;
    const char *retract; /**< model of the retract, NULL: as options.model */
    void (*place)(const struct scene *s, size_t row, size_t col, struct scene_place *out);
};

extern const struct scene_kind scene_blend, scene_gel, scene_uniform, scene_film, scene_cell_layer;

/** scene_relaxing.c: deflections of approach, dwell and retract, one after the other, of a sample
 * that relaxes; the approach ends at the setpoint. x_end: beyond first contact, at its end.
 *  @param deflection_m  [2 n + dwell], and as much room behind it */
void scene_relaxing_cycle(struct scene *s, const struct scene_place *p, double *deflection_m,
                          double *x_end);

/** A number in [0, 1) that belongs to a pixel and a purpose. */
double scene_chance(const struct scene *s, size_t row, size_t col, unsigned purpose);
/** Smooth random field of unit amplitude. */
double scene_waves(const struct scene *s, double u, double v);
/** 0 in the matrix, 1 in an island, smooth between. */
double scene_islands(const struct scene *s, double u, double v);

#endif
